"""The charge explorer on the page: controls, four pictures, and what they say."""

from __future__ import annotations

from dataclasses import replace
from html import escape

import ipywidgets as w

from kernel_lib import InputError, units
from kernel_lib.thermo import fuels

from . import explorer_words as words
from .explorer_model import LAMBDA_SPAN, OWN_FUEL, SPANS_P, SPANS_T, Inputs, Result, explore
from .explorer_pictures import MapPicture, OxygenPicture, ProductsPicture, TemperaturePicture
from .fields import NumberField
from .frame import box, html
from .guard import guarded
from .session import Session


class ChargeExplorer:
    """One instance a page; its widgets are shown by the notebook, a cell each.

    Attributes
    ----------
    answer, page : widgets
    result : Result
        The last good one.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.inputs = Inputs.of(session.sheet)
        self.result: Result = explore(session.sheet, self.inputs)
        self.answer = html("", "nw-answer")
        self._pictures = [MapPicture(), TemperaturePicture(), ProductsPicture(), OxygenPicture()]
        self._assumes, self._stale = html("", "nw-assumes"), html("", "nw-field-error")
        self.controls = _Controls(self)
        figures = box([*(p.widget for p in self._pictures), self._assumes], "nw-figure", "nw-stack")
        side = box([*self.controls.widgets, self._stale], "nw-notes", "nw-stack", "nw-sticky")
        self.page = box([figures, side], "nw-panel")
        session.observe(self._redraw, "units")
        self._redraw()
        for picture in self._pictures:
            picture.figure.settle()

    def set(self, **changes: object) -> None:
        """Move controls; raises InputError and keeps everything where the new position does not fit."""
        inputs = replace(self.inputs, **changes)
        result, before = explore(self.session.sheet, inputs), (self.inputs, self.result)
        self.inputs, self.result = inputs, result
        try:
            self._redraw()
        except Exception:
            self.inputs, self.result = before
            raise

    def mark(self, _sentence: str = "") -> None:
        """Grey the pictures while any control holds something that could not be computed."""
        sentence = self.controls.wrong
        self._stale.value = "Not recomputed: the pictures leave out what could not be read." if sentence else ""
        for picture in self._pictures:
            (picture.widget.add_class if sentence else picture.widget.remove_class)("nw-stale")

    def _redraw(self, _change: object = None) -> None:
        scale, system = self.session.sheet.controller.gauge_scale, self.session.units
        for picture in sorted(self._pictures, key=lambda p: -p.sight.share):  # what is looked at comes first
            picture.draw(self.result, scale, system, self.session)
        self.answer.value = escape(words.answer(self.result, scale, system))
        self._assumes.value = escape(words.assumes(self.result, system))
        self.controls.show(self.result, scale, system)


def charge_explorer(session: Session) -> ChargeExplorer:
    """Return the charge explorer of a session."""
    return ChargeExplorer(session)


class _Controls:
    """What can be moved, and the way each movement takes to the model."""

    def __init__(self, view: ChargeExplorer) -> None:
        self._view, self._quiet = view, False
        self.own_note, self.own = html("", "nw-hint"), w.Button(description="back to this car's own charge")
        self._error = html("", "nw-field-error")
        self._slot_nitrous, self._slot_state = box([], "nw-stack"), box([], "nw-stack")
        self._make_numbers(view)
        self._make_choices(view)
        self.widgets = [
            html("<h2>Move</h2>"),
            self.rpm.widget,
            _labelled("nitrous", self.by),
            self._slot_nitrous,
            self.lambda_.widget,
            _labelled("state shown", self.state),
            self._slot_state,
            self.own_note,
            self.own,
            _labelled("burns as", self.hold),
            _labelled("fuel", self.fuel),
            self._error,
        ]

    def _make_numbers(self, view: ChargeExplorer) -> None:
        sheet = view.session.sheet
        table = sheet.engine.full_throttle.rpm
        self.rpm = self._number("engine speed", "rpm", lambda v: {"rpm": v}, (table[0], table[-1], 50), 0)
        self.shot = self._number("shot", "hp at the crank", lambda v: {"shot_hp": v, "fraction": None}, (0, 250, 5))
        self.fraction = self._number("nitrous fraction, by mole", "", lambda v: {"fraction": v}, (0, 0.5, 0.01), 3)
        self.lambda_ = self._number("lambda", "", lambda v: {"lambda_": v}, (*LAMBDA_SPAN, 0.004), 3)
        scale = sheet.controller.gauge_scale
        self.afr = NumberField(
            "gauge AFR",
            "",
            lambda v: view.set(lambda_=v / self._scale()),
            limits=(LAMBDA_SPAN[0] * scale, LAMBDA_SPAN[1] * scale, "The picture does not reach further."),
            digits=2,
        )
        self._say_on(self.afr)
        self.lambda_.beside(self.afr)
        self.T, self.P = {}, {}
        for state, (low, high) in SPANS_T.items():
            self.T[state] = self._number(
                "charge temperature",
                "°C",
                lambda v: {"T": units.k_from_c(v)},
                (units.c_from_k(low), units.c_from_k(high), 2),
                0,
            )
            ends = [p / 1e3 for p in SPANS_P[state]]
            self.P[state] = self._number(
                "charge pressure", "kPa abs", lambda v: {"P": v * 1e3}, (*ends, (ends[1] - ends[0]) / 100), 1
            )

    def _make_choices(self, view: ChargeExplorer) -> None:
        self.state = self._choice(
            "state",
            [("in the intake", "intake"), ("at the spark", "spark")],
            lambda v: {"state": v, "T": None, "P": None},
        )
        self.hold = self._choice("burns as", [("open flame", "HP"), ("closed vessel", "UV")], lambda v: {"hold": v})
        self.by = w.ToggleButtons(
            options=[("by shot", "shot"), ("by fraction", "fraction")],
            tooltips=["nitrous by horsepower", "nitrous by share"],
        )
        self.by.observe(guarded(self._say)(self._switch_by), "value")
        self.fuel = w.Dropdown(options=[OWN_FUEL, *fuels.names()], tooltip="fuel")
        self.fuel.observe(guarded(self._say)(lambda c: self._move({"fuel": c["new"]})), "value")
        self.own.on_click(guarded(self._say)(lambda _b: view.set(T=None, P=None)))

    def _scale(self) -> float:
        return self._view.session.sheet.controller.gauge_scale

    def _number(self, label: str, unit: str, change, span: tuple, digits: int | None = None) -> NumberField:
        field = NumberField(label, unit, lambda v: self._view.set(**change(v)), span=span, digits=digits)
        self._say_on(field)
        return field

    def _say_on(self, field: NumberField) -> None:
        field.heard = self._view.mark

    def _choice(self, name: str, options: list, change) -> w.ToggleButtons:
        toggle = w.ToggleButtons(options=options, tooltips=[f"{name}: {label}" for label, _ in options])
        toggle.observe(guarded(self._say)(lambda c: self._move(change(c["new"]))), "value")
        return toggle

    def _say(self, sentence: str) -> None:
        self._error.value = escape(sentence)
        self._view.mark()

    @property
    def wrong(self) -> bool:
        """Whether any control shows a sentence."""
        numbers = (self.rpm, self.shot, self.fraction, self.lambda_, self.afr, *self.T.values(), *self.P.values())
        return bool(self._error.value) or any(field.error for field in numbers)

    def _move(self, changes: dict) -> None:
        if self._quiet:
            return
        try:
            self._view.set(**changes)
        except InputError:
            self.show(self._view.result, self._scale(), self._view.session.units)
            raise

    def _switch_by(self, change: dict) -> None:
        if not self._quiet:
            by_share = change["new"] == "fraction"
            self._move({"fraction": float(self._view.result.charge.nitrous_fraction) if by_share else None})

    def show(self, r: Result, scale: float, system: str) -> None:
        """Display what the model holds."""
        i = r.inputs
        self._quiet = True
        try:
            self.rpm.show(i.rpm, system)
            self.shot.show(i.shot_hp, system)
            self.fraction.show(float(r.charge.nitrous_fraction), system)
            self.lambda_.show(i.lambda_, system)
            self.afr.show(i.lambda_ * scale, system)
            self.T[i.state].show(units.c_from_k(r.T), system)
            self.P[i.state].show(r.P / 1e3, system)
            self.state.value, self.hold.value, self.fuel.value = i.state, i.hold, i.fuel
            self.by.value = "shot" if i.fraction is None else "fraction"
        finally:
            self._quiet = False
        self.own_note.value = escape(words.own_charge(r, system))
        self.own.disabled = i.T is None and i.P is None
        self._fill(self._slot_nitrous, [(self.shot if i.fraction is None else self.fraction).widget])
        self._fill(self._slot_state, [self.T[i.state].widget, self.P[i.state].widget])

    @staticmethod
    def _fill(slot: w.Box, children: list) -> None:
        if list(slot.children) != children:
            slot.children = children


def _labelled(label: str, widget: w.Widget) -> w.Box:
    return box([html(f"<label>{escape(label)}</label>", "nw-label"), widget], "nw-field", "nw-stack")
