"""The weigh-in: a bottle on the scale before and after a spray, and what it says of the nozzle."""

from __future__ import annotations

from html import escape

import ipywidgets as w
import numpy as np

from kernel_lib import BuildSheet, InputError, units
from kernel_lib.plan import supply
from kernel_lib.plan.weigh_in import WeighIn, weigh_in
from kernel_lib.thermo.nitrous import T_CRITICAL, mass_flux

from . import display
from .bottle_words import MODEL_NAMES
from .fields import MaybeField, NumberField
from .frame import box, html
from .guard import guarded
from .session import Session

_CAUTION = (
    "Never into an intake, and never into an engine at rest: it may fill the cylinders and burst the intake at the next start. With the nozzle off the car: outdoors, "
    "nozzle and hose clamped down, away from flame and ignition, gloves and eye protection, nobody downwind; the gas is cold enough to freeze skin and drives out "
    "air. Purge first: vapour at the start reads the nozzle too small, and the fuel set by it too lean. Better: weigh the bottle before and after logged pulls, and count the seconds the valve was open."
)
_END = units.c_from_k(T_CRITICAL)
_FIELDS = (
    ("before", "bottle before", "kg", "with its own weight or without, but both alike"),
    ("after", "bottle after", "kg", ""),
    ("seconds", "valve open", "s", "5 s and more; of several pulls the sum, and as many times the error of the time"),
    (
        "T_C",
        "temperature at the start",
        "°C",
        "on the wall, under the jacket; the second some 10 °C (18 °F) away from the first",
    ),
)


class WeighView:
    """Two weigh-ins side by side, the second optional, and the answer."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.scale_error, self.time_error = 0.005, 0.2
        self.runs = [_Run(self, "First weigh-in"), _Run(self, "Second, warmer or colder")]
        self.answer, self.error = html("", "nw-weigh-answer"), html("", "nw-field-error")
        self.keep = w.Button(description="put the coefficient into the build sheet", disabled=True)
        self.keep.on_click(guarded(self._say, self._tell)(lambda _b: self._put()))
        self.scale = NumberField(
            "scale wrong by at most",
            "kg",
            lambda v: self._set("scale_error", v),
            limits=(0.0005, 0.5, "Scales for bottles."),
        )
        self.watch = NumberField(
            "time wrong by at most", "s", lambda v: self._set("time_error", v), limits=(0.0, 5.0, "A watch or a log.")
        )
        self.found: list[WeighIn | None] = [None, None]
        errors = box(
            [html("<h3>How sure</h3>"), self.scale.widget, self.watch.widget, self.answer, self.keep, self.error],
            "nw-stack",
        )
        columns = box([*(run.widget for run in self.runs), errors], "nw-columns-3")
        self.widget = box([html(f'<p class="nw-caution">{escape(_CAUTION)}</p>'), columns], "nw-stack")
        for field in (*self.runs[0].fields.values(), *self.runs[1].fields.values(), self.scale, self.watch):
            field.heard = self.mark
        session.observe(self._sheet_changed, ["sheet", "units"])
        self._sheet_changed()

    def _say(self, sentence: str) -> None:
        self.error.value = escape(sentence)

    def _set(self, name: str, value: float) -> None:
        setattr(self, name, value)
        self.work_out()

    def _sheet_changed(self, _change: object = None) -> None:
        system = self.session.units
        self.scale.show(self.scale_error, system)
        self.watch.show(self.time_error, system)
        for run in self.runs:
            run.show(system)
        guarded(self._say, self._tell)(self.work_out)()

    def _tell(self, exc: InputError) -> str:
        return display.refusal(exc, self.session.units)

    def mark(self, _sentence: str = "") -> None:
        """Take the answer back while any field holds something that could not be taken."""
        fields = [*self.runs[0].fields.values(), *self.runs[1].fields.values(), self.scale, self.watch]
        if any(field.error for field in fields):
            self.keep.disabled = True
            self.answer.value = "<p>Not worked out: a number could not be taken.</p>"
        else:
            guarded(self._say, self._tell)(self.work_out)()

    def work_out(self) -> None:
        """Compute what has been typed; raises InputError where it cannot be."""
        self.keep.disabled, self.found = True, [None, None]
        self.answer.value = f"<p>{escape(self._expected())}</p>"
        for k, run in enumerate(self.runs):
            if run.complete:
                self.found[k] = run.weigh_in()
        if self.found[0] is None and self.found[1] is None:
            return
        told = _told(self.session.sheet, self.found, self.session.units)
        self.answer.value = "".join(f"<p>{escape(text)}</p>" for text in told)
        self.keep.disabled = self.combined() is None

    def combined(self) -> tuple[float, float, float] | None:
        """Coefficient, its error and the temperature it belongs to [C]; None where the two weigh-ins contradict each other."""
        runs = [run for run in self.found if run is not None]
        if len(runs) == 2:
            a, b = runs
            if abs(a.coefficient - b.coefficient) > np.hypot(a.error, b.error):
                return None
        if any(run.error > run.coefficient / 2 or not 0.1 <= run.coefficient <= 2.5 for run in runs):
            return None  # no build sheet takes it
        weights = np.array([1 / run.error**2 for run in runs])
        mean = float(np.sum(weights * [run.coefficient for run in runs]) / weights.sum())
        # the thermometer is common to both, so two are not taken for surer than the better one
        return mean, min(run.error for run in runs), units.c_from_k(float(np.mean([run.T for run in runs])))

    def _expected(self) -> str:
        sheet = self.session.sheet
        if sheet.nitrous.nozzle_diameter_mm is None:
            return "State the nozzle's bore first: put it into the build sheet above."
        flow = supply.flow_band(sheet)
        to = display.shown("kg", self.session.units)
        ends = " to ".join(f"{to.there(8 * f):.2f}" for f in (flow.low, flow.high))
        state = (
            ""
            if not supply.is_weighed(sheet)
            else f" The sheet holds {sheet.nitrous.discharge_coefficient:.2f} plus or minus {sheet.nitrous.discharge_error:.2f}."
        )
        bore = display.quantity(sheet.nitrous.nozzle_diameter_mm, "mm", self.session.units)
        return f"For the {bore} nozzle of the build sheet; another one has to be put there first. In 8 s it should take {ends} {to.unit} out of the bottle.{state} Type what you weighed."

    def _put(self) -> None:
        found = self.combined() if any(self.found) else None
        if found is None:
            raise InputError(
                "weigh-in", "none that holds", "", "one weigh-in, or two that agree", "Nothing goes into the sheet."
            )
        mean, error, T_C = found
        self.session.change(
            {
                "nitrous.discharge_coefficient": round(mean, 3),
                "nitrous.discharge_error": round(max(error, 0.001), 3),
                "nitrous.discharge_temperature_c": round(T_C, 1),
                "nitrous.discharge_bore_mm": self.session.sheet.nitrous.nozzle_diameter_mm,
            }
        )


class _Run:
    """The four numbers of one weigh-in."""

    def __init__(self, view: WeighView, title: str) -> None:
        self._view = view
        self.values: dict[str, float] = {"seconds": 8.0, "T_C": view.session.sheet.nitrous.bottle_temperature_c}
        self.fields = {
            name: MaybeField(label, unit, lambda v, n=name: self._take(n, v), hint=hint, limits=_limits(name))
            for name, label, unit, hint in _FIELDS
        }
        self.widget = box([html(f"<h3>{title}</h3>"), *(f.widget for f in self.fields.values())], "nw-stack")

    def show(self, system: str) -> None:
        """Display what is known so far."""
        for name, field in self.fields.items():
            field.show(self.values.get(name, np.nan), system)

    def _take(self, name: str, value: float) -> None:
        before = dict(self.values)
        if np.isnan(value):
            self.values.pop(name, None)
        else:
            self.values[name] = value
        try:
            self._view.work_out()
        except InputError:
            if name not in ("before", "after"):
                self.values = before
            raise

    @property
    def complete(self) -> bool:
        """Whether all four are there."""
        return len(self.values) == len(_FIELDS)

    def weigh_in(self) -> WeighIn:
        """Return what it found."""
        v, to = self.values, display.shown("kg", self._view.session.units)
        if v["after"] >= v["before"]:
            before = f"less than before, {to.there(v['before']):.5g} {to.unit}"
            raise InputError(
                "bottle after",
                to.there(v["after"]),
                to.unit,
                before,
                "A bottle that was sprayed from cannot gain weight.",
            )
        return weigh_in(
            self._view.session.sheet, v["before"], v["after"], v["seconds"], units.k_from_c(v["T_C"]),
            scale_error=self._view.scale_error, time_error=self._view.time_error,
        )  # fmt: skip


def _limits(name: str) -> tuple[float, float, str]:
    return {
        "before": (0.1, 100.0, "Car bottles."),
        "after": (0.0, 100.0, "Car bottles."),
        "seconds": (0.5, 120.0, "Shorter, the valve's own times count; longer, the bottle is cold."),
        "T_C": (-20.0, 36.0, f"From {_END:.1f} °C ({units.f_from_c(_END):.1f} °F) no liquid is left."),
    }[name]


def _told(sheet: BuildSheet, found: list[WeighIn | None], system: str) -> list[str]:
    """What the weigh-ins say."""
    out = [f"For the {display.quantity(sheet.nitrous.nozzle_diameter_mm, 'mm', system)} nozzle of the build sheet:"]
    to = display.shown("g/s", system)
    names = {"scale": "the scale", "time": "the time", "temperature": "the temperature"}
    for run in (r for r in found if r is not None):
        worst = max(run.parts, key=run.parts.get)
        flow = f"{to.there(1e3 * run.flow):.3g} plus or minus {to.there(1e3 * run.flow_error):.1g} {to.unit}"
        out.append(
            f"{flow} at a mean {display.temperature(run.T, system)}: coefficient {run.coefficient:.2f} plus or minus {run.error:.2f}, line and valve included; most of it from "
            f"{names[worst]} ({100 * run.parts[worst]:.0f} %)."
        )
        if not 0.4 <= run.coefficient <= 1.2:
            out.append(
                f"A coefficient of {run.coefficient:.2f} is outside what small holes show (0.6 to 0.8; more if they are shorter than their bore): is the bore right, was it liquid, "
                "was the valve open all the time?"
            )
    first, second = found
    if first and second:
        if abs(first.coefficient - second.coefficient) > np.hypot(first.error, second.error):
            out.append(
                "The two contradict each other by more than their errors: nothing goes into the sheet. Look for the error, and make a third."
            )
        out.append(_trend(sheet, first, second))
    return out


def _trend(sheet: BuildSheet, a: WeighIn, b: WeighIn) -> str:
    """Compare the measured change of flow with each model's."""
    if abs(a.T - b.T) < 4:
        return "The two temperatures are too near each other to tell the models apart: make it 10 °C (18 °F) and more."
    P = 1e3 * sheet.value("site.barometer_kpa")
    measured = 100 * (b.flow / a.flow - 1)
    heat = [run.parts["temperature"] for run in (a, b)]  # a thermometer off by as much moves the model's flow
    doubt = 100 * float(
        np.sqrt((a.flow_error / a.flow) ** 2 + (b.flow_error / b.flow) ** 2 + heat[0] ** 2 + heat[1] ** 2)
    )
    models = {m: 100 * (float(mass_flux(b.T, P, model=m)) / float(mass_flux(a.T, P, model=m)) - 1) for m in MODEL_NAMES}
    told = ", ".join(f"{MODEL_NAMES[m]} {v:+.0f} %" for m, v in models.items())
    fits = [m for m, v in models.items() if abs(v - measured) <= doubt]
    end = (
        f"Within the error: {', '.join(fits)}." if fits else "None of them fits: look for an error, then make a third."
    )
    return f"From the first to the second the flow changed by {measured:+.0f} plus or minus {doubt:.0f} %; the models say {told}. {end}"


def weigh_in_panel(session: Session) -> w.Box:
    """Return the weigh-in panel of a session."""
    return WeighView(session).widget
