"""The page of today: a few fields, one verdict, what changes and by how much."""

from __future__ import annotations

import math
from dataclasses import replace
from html import escape

import ipywidgets as w

from kernel_lib import build_fields as bf
from kernel_lib.plan.today import PATHS, Now, Today, compare, ethanol_share, other_fuel
from kernel_lib.thermo import fuels
from kernel_lib.thermo.vessel import T_HOTTEST

from . import today_words as words
from .fields import MaybeField, NumberField
from .frame import box, html
from .guard import guarded
from .session import Session

_HINTS = {
    "barometer_kpa": "station pressure, not the sea-level pressure of a forecast",
    "air_temperature_c": "intake air sensor just before the pull",
    "relative_humidity_percent": "at that temperature",
    "bottle_temperature_c": "on its wall, in the shade",
    "bottle_fill_kg": "on the scale, less the empty weight",
    "octane_ron": "from the pump; empty: as in the plan, or not known for another fuel",
}
_LABELS = {"air_temperature_c": "air temperature at the intake", "relative_humidity_percent": "relative humidity"}
PLAN, BLEND = "plan", "blend"


class TodayView:
    """Today's inputs, and the comparison with the plan of the session's sheet.

    Attributes
    ----------
    page : Box
        All of it, in the order a phone shows it.
    inputs : Now
    result : Today or None
        The last good one; None where the sheet itself cannot be planned.
    """

    def __init__(self, session: Session) -> None:
        self.session, self.inputs, self.result = session, Now.of(session.sheet), None
        self.verdict, self.stale, self.answer = (
            html("", "nw-verdict"),
            html("", "nw-field-error"),
            html("", "nw-reasons"),
        )
        self.table, self.assumes, self.fuel_error = (
            html("", "nw-today-table"),
            html("", "nw-assumes"),
            html("", "nw-field-error"),
        )
        self.fields = {name: self._field(name) for name in PATHS}
        self.ethanol = NumberField(
            "ethanol",
            "% by volume",
            lambda v: self.set(ethanol_percent=v),
            hint="from a tester, not the pump label",
            limits=(0.0, 100.0, "A share of the whole."),
        )
        self.ethanol.heard = self._mark
        self.fuel = w.Dropdown(tooltip="fuel in the tank")
        self.fuel.observe(guarded(self._say_fuel)(self._fuel_chosen), "value")
        self._quiet, self._octane_off = False, 0.0
        self.back = w.Button(description="back to the plan's day", tooltip="Take the plan's own numbers for today")
        self.back.on_click(guarded(self._fail)(self.reset))
        self.page = self._layout()
        session.observe(self._redraw, "units")
        session.observe(guarded(self._fail)(self.reset), "sheet")
        guarded(self._fail)(self.reset)()

    def _field(self, name: str) -> NumberField:
        about = bf.describe(PATHS[name])
        limits = [about["low"], about["high"], about["why"]]
        if name == "bottle_temperature_c":
            limits[1:] = T_HOTTEST - 273.15, "A hotter bottle is a fire."
        kind = MaybeField if name == "octane_ron" else NumberField
        label = _LABELS.get(name, about["label"])
        field = kind(
            label,
            about["unit"],
            lambda v: self.set(
                **{name: None if math.isnan(v) else v + (self._octane_off if name == "octane_ron" else 0.0)}
            ),
            hint=_HINTS[name],
            limits=tuple(limits),
        )
        field.heard = self._mark
        return field

    def _rescale_octane(self) -> None:
        """Ask for the octane on the scale that the sheet states."""
        fuel = self.session.sheet.fuel
        path = "fuel.octane_ron" if fuel.octane_aki is None else "fuel.octane_aki"
        about = bf.describe(path)
        self._octane_off = 0.0 if fuel.octane_aki is None else self.session.sheet.octane_ron - fuel.octane_aki
        self.fields["octane_ron"].rescale(about["unit"], (about["low"], about["high"], about["why"]))

    def _layout(self) -> w.Box:
        fuel = box(
            [html("<label>fuel in the tank</label>", "nw-label"), self.fuel, self.fuel_error], "nw-field", "nw-stack"
        )
        self._blend = box([], "nw-stack")
        numbers = [field.widget for name, field in self.fields.items() if name != "octane_ron"]
        inputs = [
            html('<h2 id="nw-today-numbers">Today</h2>'),
            *numbers,
            fuel,
            self._blend,
            self.fields["octane_ron"].widget,
            self.back,
        ]
        return box(
            [
                box([self.verdict, self.stale], "nw-strip", "nw-stack"),
                box([self.answer, self.table], "nw-today-answer", "nw-stack"),
                box(inputs, "nw-today-inputs", "nw-stack"),
                self.assumes,
            ],
            "nw-today",
        )

    def set(self, **changes: object) -> None:
        """Change today's numbers; raises InputError and keeps everything where they do not fit."""
        inputs = replace(self.inputs, **changes)
        result, before = compare(self.session.sheet, inputs), (self.inputs, self.result)
        self.inputs, self.result = inputs, result
        try:
            self._redraw()
        except Exception:
            self.inputs, self.result = before
            raise

    def reset(self, _event: object = None) -> None:
        """Take the plan's own day for today."""
        sheet = self.session.sheet
        self._rescale_octane()
        tested = ethanol_share(sheet) if sheet.fuel.name is None else None
        self.inputs, self.result = replace(Now.of(sheet), ethanol_percent=tested), None
        for field in (*self.fields.values(), self.ethanol):
            field.say("")
        self._quiet = True
        try:
            plan = f"as in the plan: {sheet.make_fuel().name}"
            self.fuel.options = [
                (plan, PLAN),
                ("gasoline with ethanol, tested", BLEND),
                *((n, n) for n in fuels.names()),
            ]
            self.fuel.value = PLAN if tested is None else BLEND
        finally:
            self._quiet = False
        self.fuel_error.value = ""
        try:
            self.result = compare(sheet, self.inputs)
        finally:
            self._redraw()

    def _fuel_chosen(self, change: dict) -> None:
        if self._quiet or change["new"] is None:
            return
        share = (ethanol_share(self.session.sheet) or 0.0) if change["new"] == BLEND else None
        name = None if change["new"] in (PLAN, BLEND) else change["new"]
        self.ethanol.say("")
        self.fields["octane_ron"].say("")
        self.set(fuel_name=name, ethanol_percent=share, octane_ron=None)

    def _say_fuel(self, sentence: str) -> None:
        self.fuel_error.value = escape(sentence)
        self._mark()

    def _fail(self, sentence: str) -> None:
        """Say that there is no comparison at all: the plan's side cannot be computed."""
        if sentence:
            self.verdict.value = _verdict("stop", "Hold", "The plan itself cannot be computed.")
            self.answer.value = f'<p><span class="nw-state-stop">hold</span> {escape(sentence)}</p>'
            self.table.value = self.assumes.value = ""

    def _mark(self, _sentence: str = "") -> None:
        """Grey the answer while a field holds something that could not be taken."""
        wrong = [f.label for f in (*self.fields.values(), self.ethanol) if f.error]
        wrong += ["fuel in the tank"] if self.fuel_error.value else []
        names = escape(" and ".join(wrong))
        self.stale.value = (
            f"Not recomputed: {names} could not be taken. Below stands the last good answer." if wrong else ""
        )
        if wrong:
            self.verdict.value = _verdict("watch", "Not known", f"{' and '.join(wrong)} could not be taken.")
        elif self.result is not None:
            state, word = words.STATES[self.result.verdict]
            self.verdict.value = _verdict(state, word, words.headline(self.result, self.session.units))
        for part in (self.answer, self.table):
            (part.add_class if wrong else part.remove_class)("nw-stale")

    def _redraw(self, _change: object = None) -> None:
        system = self.session.units
        for name, field in self.fields.items():
            field.show(
                self._octane() - self._octane_off if name == "octane_ron" else getattr(self.inputs, name), system
            )
        blend = self.inputs.ethanol_percent
        if blend is not None:
            self.ethanol.show(blend, system)
        self._blend.children = [] if blend is None else [self.ethanol.widget]
        if self.result is not None:
            self._write(self.result, system)
        self._mark()

    def _octane(self) -> float:
        """Today's octane as far as it is known."""
        if self.inputs.octane_ron is not None:
            return self.inputs.octane_ron
        return math.nan if other_fuel(self.session.sheet, self.inputs) else self.session.sheet.octane_ron

    def _write(self, today: Today, system: str) -> None:
        sheet = self.session.sheet
        timing = f'<p class="nw-caution">{escape(today.timing)}</p>'
        self.answer.value = words.reasons_html(today, sheet, system) + timing
        self.table.value = words.table_html(today, sheet, system)
        self.assumes.value = words.assumes_html(today, sheet, system)


def _verdict(state: str, word: str, text: str) -> str:
    return f'<p role="status"><span class="nw-state-{state}">{word}</span> {escape(text)} <a href="#nw-today-numbers">today\'s numbers</a></p>'


def today(session: Session) -> w.Box:
    """Return the page of today."""
    return TodayView(session).page
