"""The bottle on the page: controls, pictures, answers, and the way into the build sheet."""

from __future__ import annotations

from html import escape

import ipywidgets as w

from kernel_lib import units
from kernel_lib.plan.supply import line_share

from . import bottle_words as words
from .bottle_model import KNOWN, T_SPAN, Inputs, Result, explore
from .bottle_pictures import DayPicture, DriftPicture, FirstPicture, GaugePicture, SaturationPicture
from .exploration import Controls, Exploration, labelled
from .fields import NumberField
from .frame import box, html
from .session import Session


class BottleExplorer(Exploration):
    """One instance a page; its widgets are shown by the notebook, a cell each."""

    compute = staticmethod(explore)

    def __init__(self, session: Session) -> None:
        pictures = [SaturationPicture(), DriftPicture(), GaugePicture(), DayPicture(), FirstPicture()]
        super().__init__(session, Inputs.of(session.sheet), pictures, _Controls)
        session.observe(self.controls.guarded(self._sheet_changed), "sheet")

    def _sheet_changed(self, _change: object) -> None:
        """Begin anew with what the sheet now says; what only this page knows stays."""
        fresh = Inputs.of(self.session.sheet)
        i = self.inputs
        kept = {
            "pass_s": i.pass_s,
            "wait_min": i.wait_min,
            "heater_w": i.heater_w,
            "acceleration_g": i.acceleration_g,
            "known": i.known,
        }
        self.set(**{**vars(fresh), **kept})

    def mark(self, _sentence: str = "") -> None:
        super().mark()
        self.controls.keep.disabled = self.controls.wrong

    def say(self, _scale: float, system: str) -> tuple[str, str]:
        stops = "".join(f'<p class="nw-caution">{escape(text)}</p>' for text in words.warnings(self.result, system))
        told = "".join(f"<p>{escape(text)}</p>" for text in words.answer(self.result, system))
        return stops + told, escape(words.assumes(self.result, system))


def bottle(session: Session) -> BottleExplorer:
    """Return the bottle explorer of a session: ``answer`` and ``page``."""
    return BottleExplorer(session)


class _Controls(Controls):
    def __init__(self, view: BottleExplorer) -> None:
        super().__init__(view)
        sheet = view.session.sheet
        self.known = w.Dropdown(options=[(text, text) for text in KNOWN], tooltip="what you know of the bottle")
        self.known.observe(self.guarded(self._choose_known), "value")
        self._make_bottle(sheet.nitrous.bottle_rated_fill_kg)
        self._make_passes()
        self.keep = w.Button(description="put bottle and nozzle into the build sheet")
        self.keep.on_click(self.guarded(lambda _b: self._keep()))
        self.slot = box([], "nw-stack")
        self.widgets = [
            html("<h2>Try</h2>"), labelled("what you know of the bottle", self.known), self.slot, self.bore.widget, self.loss.widget,
            self.pass_s.widget, self.wait.widget, self.heater.widget, self.g.widget, self.keep, self.error,
        ]  # fmt: skip

    def _make_bottle(self, rated: float) -> None:
        self.T = self.number(
            "bottle temperature",
            "°C",
            lambda v: {"T_C": v},
            (*T_SPAN, 0.5),
            1,
            "thermometer on the bottle's wall, under the jacket",
        )
        self.fill = self.number(
            "nitrous in the bottle",
            "kg nitrous",
            lambda v: {"fill": v},
            (0.0, round(1.2 * rated, 1), 0.05),
            2,
            "weighed, less the empty weight",
        )
        self.gauge = self.number(
            "bottle gauge",
            "kPa gauge",
            lambda v: {"gauge_kpa": v},
            (500.0, 15000.0, 50.0),
            0,
            "bottle valve open, nothing flowing",
        )
        self.bore = self.number(
            "nozzle bore, each", "mm", lambda v: {"bore_mm": v}, (0.3, 3.0, 0.02), None, "drill gauge"
        )
        self.loss = self.number(
            "lost in the line at full flow",
            "kPa lost",
            lambda v: {"loss_kpa": v},
            (0.0, 1500.0, 10.0),
            0,
            "two gauges; until moved, from the line's length and bore",
        )

    def _make_passes(self) -> None:
        self.pass_s = self.number("nitrous time of a pass", "s", lambda v: {"pass_s": v}, (1.0, 40.0, 0.5), None)
        self.wait = self.number("time between passes", "min", lambda v: {"wait_min": v}, (0.0, 90.0, 1.0), 0)
        self.heater = self.number(
            "bottle heater",
            "W",
            lambda v: {"heater_w": v},
            (0.0, 1000.0, 25.0),
            0,
            "0: none; it heats between passes, up to the middle of the window",
        )
        self.g = self.number(
            "forward acceleration", "g", lambda v: {"acceleration_g": v}, (-1.2, 1.5, 0.05), 2, "braking is negative"
        )

    @property
    def fields(self) -> tuple[NumberField, ...]:
        return (self.T, self.fill, self.gauge, self.bore, self.loss, self.pass_s, self.wait, self.heater, self.g)

    def show(self, r: Result, _scale: float, system: str) -> None:
        i = r.inputs
        with self.hushed():
            self.T.show(units.c_from_k(r.state.T), system)
            self.fill.show(r.state.mass, system)
            self.gauge.show(r.gauge / 1e3, system)
            self.bore.show(i.bore_mm, system)
            self.loss.show(line_share(r.sheet)[1] / 1e3 if i.loss_kpa is None else i.loss_kpa, system)
            for field, value in (
                (self.pass_s, i.pass_s),
                (self.wait, i.wait_min),
                (self.heater, i.heater_w),
                (self.g, i.acceleration_g),
            ):
                field.show(value, system)
            self.known.value = i.known
        known = {KNOWN[0]: (self.T, self.fill), KNOWN[1]: (self.gauge, self.fill), KNOWN[2]: (self.T, self.gauge)}[
            i.known
        ]
        self.loss.widget.layout.display = "none" if r.weighed else None  # the weigh-in holds the line
        self.refill(self.slot, [field.widget for field in known])

    def _choose_known(self, change: dict) -> None:
        """Go on from the bottle as it stands."""
        r: Result = self.view.result
        here = {"T_C": units.c_from_k(r.state.T), "fill": r.state.mass, "gauge_kpa": r.gauge / 1e3}
        self.move({"known": change["new"], **here})

    def _keep(self) -> None:
        r: Result = self.view.result
        i = r.inputs
        changes = {
            "nitrous.bottle_temperature_c": round(units.c_from_k(r.state.T), 2),
            "nitrous.bottle_fill_kg": round(r.state.mass, 3),
            "nitrous.pass_s": i.pass_s,
            "nitrous.heater_w": i.heater_w,
        }
        if r.bore_given or i.bore_mm != Inputs.of(self.view.session.sheet).bore_mm:
            changes["nitrous.nozzle_diameter_mm"] = i.bore_mm  # a bore that only this page tried is nobody's
        if i.loss_kpa is not None:
            changes["nitrous.line_loss_kpa"] = i.loss_kpa
        self.view.session.change(changes)
