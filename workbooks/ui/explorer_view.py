"""The charge explorer on the page: controls, four pictures, and what they say."""

from __future__ import annotations

from html import escape

import ipywidgets as w

from kernel_lib import units
from kernel_lib.thermo import fuels

from . import explorer_words as words
from .exploration import Controls, Exploration, labelled
from .explorer_model import LAMBDA_SPAN, OWN_FUEL, SPANS_P, SPANS_T, Inputs, Result, explore
from .explorer_pictures import MapPicture, OxygenPicture, ProductsPicture, TemperaturePicture
from .fields import NumberField
from .frame import box, html
from .session import Session


class ChargeExplorer(Exploration):
    """One instance a page; its widgets are shown by the notebook, a cell each."""

    compute = staticmethod(explore)

    def __init__(self, session: Session) -> None:
        pictures = [MapPicture(), TemperaturePicture(), ProductsPicture(), OxygenPicture()]
        super().__init__(session, Inputs.of(session.sheet), pictures, _Controls)

    def say(self, scale: float, system: str) -> tuple[str, str]:
        return escape(words.answer(self.result, scale, system)), escape(words.assumes(self.result, system))


def charge_explorer(session: Session) -> ChargeExplorer:
    """Return the charge explorer of a session."""
    return ChargeExplorer(session)


class _Controls(Controls):
    def __init__(self, view: ChargeExplorer) -> None:
        super().__init__(view)
        self.own_note, self.own = html("", "nw-hint"), w.Button(description="back to this car's own charge")
        self._slot_nitrous, self._slot_state = box([], "nw-stack"), box([], "nw-stack")
        self._make_numbers(view)
        self._make_choices(view)
        self.widgets = [
            html("<h2>Try</h2>"),
            self.rpm.widget,
            labelled("nitrous", self.by),
            self._slot_nitrous,
            self.lambda_.widget,
            labelled("state shown", self.state),
            self._slot_state,
            self.own_note,
            self.own,
            labelled("burns as", self.hold),
            labelled("fuel", self.fuel),
            self.error,
        ]

    def _make_numbers(self, view: ChargeExplorer) -> None:
        sheet = view.session.sheet
        table = sheet.engine.full_throttle.rpm
        self.rpm = self.number("engine speed", "rpm", lambda v: {"rpm": v}, (table[0], table[-1], 50), 0)
        self.shot = self.number("shot", "hp at the crank", lambda v: {"shot_hp": v, "fraction": None}, (0, 250, 5))
        self.fraction = self.number("nitrous fraction, by mole", "", lambda v: {"fraction": v}, (0, 0.5, 0.01), 3)
        self.lambda_ = self.number("lambda", "", lambda v: {"lambda_": v}, (*LAMBDA_SPAN, 0.004), 3)
        scale = sheet.controller.gauge_scale
        self.afr = NumberField(
            "gauge AFR",
            "",
            lambda v: view.set(lambda_=v / self.scale),
            limits=(LAMBDA_SPAN[0] * scale, LAMBDA_SPAN[1] * scale, "The picture does not reach further."),
            digits=2,
        )
        self.listen(self.afr)
        self.lambda_.beside(self.afr)
        self.T, self.P = {}, {}
        for state, (low, high) in SPANS_T.items():
            self.T[state] = self.number(
                "charge temperature",
                "°C",
                lambda v: {"T": units.k_from_c(v)},
                (units.c_from_k(low), units.c_from_k(high), 2),
                0,
            )
            ends = [p / 1e3 for p in SPANS_P[state]]
            self.P[state] = self.number(
                "charge pressure", "kPa abs", lambda v: {"P": v * 1e3}, (*ends, (ends[1] - ends[0]) / 100), 1
            )

    def _make_choices(self, view: ChargeExplorer) -> None:
        self.state = self.choice(
            "state",
            [("in the intake", "intake"), ("at the spark", "spark")],
            lambda v: {"state": v, "T": None, "P": None},
        )
        self.hold = self.choice("burns as", [("open flame", "HP"), ("closed vessel", "UV")], lambda v: {"hold": v})
        self.by = w.ToggleButtons(
            options=[("by shot", "shot"), ("by fraction", "fraction")],
            tooltips=["nitrous by horsepower", "nitrous by share"],
        )
        self.by.observe(self.guarded(self._switch_by), "value")
        self.fuel = w.Dropdown(options=[OWN_FUEL, *fuels.names()], tooltip="fuel")
        self.fuel.observe(self.guarded(lambda c: self.move({"fuel": c["new"]})), "value")
        self.own.on_click(self.guarded(lambda _b: view.set(T=None, P=None)))

    @property
    def fields(self) -> tuple[NumberField, ...]:
        return (self.rpm, self.shot, self.fraction, self.lambda_, self.afr, *self.T.values(), *self.P.values())

    def _switch_by(self, change: dict) -> None:
        if not self.quiet:
            by_share = change["new"] == "fraction"
            self.move({"fraction": float(self.view.result.charge.nitrous_fraction) if by_share else None})

    def show(self, r: Result, scale: float, system: str) -> None:
        """Display what the model holds."""
        i = r.inputs
        with self.hushed():
            self.rpm.show(i.rpm, system)
            self.shot.show(i.shot_hp, system)
            self.fraction.show(float(r.charge.nitrous_fraction), system)
            self.lambda_.show(i.lambda_, system)
            self.afr.show(i.lambda_ * scale, system)
            self.T[i.state].show(units.c_from_k(r.T), system)
            self.P[i.state].show(r.P / 1e3, system)
            self.state.value, self.hold.value, self.fuel.value = i.state, i.hold, i.fuel
            self.by.value = "shot" if i.fraction is None else "fraction"
        self.own_note.value = escape(words.own_charge(r, system))
        self.own.disabled = i.T is None and i.P is None
        self.refill(self._slot_nitrous, [(self.shot if i.fraction is None else self.fraction).widget])
        self.refill(self._slot_state, [self.T[i.state].widget, self.P[i.state].widget])
