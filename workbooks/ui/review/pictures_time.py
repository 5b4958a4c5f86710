"""The pictures of a pull over time, small and under each other on one clock."""

from __future__ import annotations

from html import escape

import numpy as np

from .. import display, theme
from ..picture import font
from . import words
from .looked import Looked
from .time_picture import AREAS, LINES, LOGGED, PLAIN, PLAN, Area, Drawn, Line, TimePicture, shade_names

_EDGE_S = 0.1  # before and after full throttle, in which a mixture is still drawn
_LEAD_S = 0.3
"""Before the first nitrous, in which a rich moment is called the fuel's lead; a choice of our own, no source."""


class SpeedPicture(TimePicture):
    """Engine speed, with the parts of every hit named."""

    height = 230
    keys = ("samples", "step")
    title_else = "The pull, and the parts of the hit in it"
    subtitle_text = "Engine speed over time. Shaded: the nitrous coming in (ramp-in), settled (spray) and on its way out after the valve has shut (wash-out)."

    def drawn(self, r: Looked, _system: str) -> Drawn | None:
        rpm = r.logged("rpm")
        if rpm is None:
            return None
        window = r.sheet.nitrous
        limits = [(float(window.spray_rpm_min), "window begins"), (float(window.spray_rpm_max), "window ends")]
        return Drawn("engine speed, rpm", [Line(r.t, rpm, "logged", LOGGED)], [], limits, least=500.0)

    def extra_labels(self, r: Looked) -> list[dict]:
        return shade_names(r) + events(r)


def events(r: Looked) -> list[dict]:
    """What else happened, at the foot of the picture."""
    out = []
    for event in r.pull.events:
        time = r.review.log.time_s
        x = float(time[min(event.start, len(time) - 1)])
        if r.t[0] <= x <= r.t[-1]:
            out.append(
                {"x": x, "y": 0.02, "yref": "paper", "yanchor": "bottom", "xanchor": "left", "text": f"▸ {escape(event.kind)}", "showarrow": False, "font": font(theme.INK)}
            )  # fmt: skip
    return out


class LambdaPicture(TimePicture):
    """Lambda as logged and with the sensor's delay taken out, what was aimed at, and the lean stop."""

    height = 330
    keys = ("lean", "lambda", "base")
    title_else = "Lambda beside what was aimed at"
    subtitle_text = (
        "Lambda over time. Blue: what the gauge should have shown at the target, with its band; rust: what it showed, and, thick, the mixture in the cylinder with the "
        "delay of the sensor and its bias on nitrous taken out (band: 19 times in 20 within)."
    )

    def drawn(self, r: Looked, _system: str) -> Drawn | None:
        shown = r.logged("lambda_")
        if shown is None or r.course is None:
            return None
        t, aimed, target = r.course_t, r.expected("shown_target"), r.expected("target")
        burning = np.where(
            (t >= r.zero_s - _EDGE_S) & (t <= r.end_s + _EDGE_S), 1.0, np.nan
        )  # a fuel cut is no mixture
        true, error = (
            None if v is None else v * burning for v in (r.expected("undelayed"), r.expected("undelayed_error"))
        )
        low, high = r.expected("shown_target_low"), r.expected("shown_target_high")
        areas = [Area(t, low, high)] if low is not None and high is not None else []
        if true is not None and error is not None:
            areas.append(Area(t, true - error, true + error, "rgba(138,59,18,0.20)"))
        lines = [
            Line(t, aimed, "gauge at target", PLAN, 2.0) if aimed is not None else None,
            Line(t, target, "target", theme.INK, 1.0, "dot") if target is not None else None,
            Line(r.t, shown, "gauge", LOGGED, 1.1),
            Line(t, true, "in the cylinder", LOGGED, 2.6) if true is not None else None,
        ]
        second = r.logged("lambda_2")
        name = "second gauge" if len(r.review.log.sensors) <= 2 else "other gauges"
        lines.append(Line(r.t, second, name, PLAIN, 1.1) if second is not None else None)
        limits = r.sheet.limits
        stops = [(limits.lean_stop_lambda, "lean stop"), (limits.rich_stop_lambda, "rich stop")]
        near = self._near(r, [true, aimed, target], limits)
        return Drawn("lambda", [ln for ln in lines if ln], areas, stops, span=near, digits=3)

    def note(self, r: Looked) -> str:
        """Which sensors are drawn, and what the crossings of the stops are that belong to the ends of a hit."""
        true, limits = r.expected("undelayed") if r.course is not None else None, r.sheet.limits
        said = self._sensors(r)
        if true is None or not r.pull.hits:
            return " ".join(said)
        time, t = r.review.log.time_s, r.course_t
        begins = [float(time[min(hit.flow.start, len(time) - 1)]) for hit in r.pull.hits]
        before = np.any([(t >= b - _LEAD_S) & (t < b) for b in begins], axis=0) & (t >= r.zero_s)
        after = np.any([(t >= a) & (t <= b) for name, a, b in r.phases if name == "wash-out"] or [t < t[0]], axis=0)
        if (true[before] < limits.rich_stop_lambda).any():
            said.append("Past the rich stop just before the nitrous: there the added fuel comes first (fuel lead).")
        if (true[after & (t <= r.end_s + _EDGE_S)] > limits.lean_stop_lambda).any():
            told = [f.at_s for f in r.review.findings if f.key == "lean" and f.asks != "go" and f.at_s]
            ends = [(a, b) for name, a, b in r.phases if name == "wash-out"]
            counts = any(begin <= b and a <= end for begin, end in told for a, b in ends)
            said.append(
                "Past the lean stop in the wash-out too: see the reasons above."
                if counts
                else "Past the lean stop after the throttle was shut, or while the last traces of nitrous leave: no stop is meant for that."
            )
        return " ".join(said)

    @staticmethod
    def _sensors(r: Looked) -> list[str]:
        """What is drawn of several sensors, and of one beyond its lean end."""
        log, said = r.review.log, []
        names = list(log.sensors)
        if len(names) > 1 and r.logged("lambda_2") is not None:
            what = f"Grey, {'second gauge' if len(names) == 2 else 'other gauges'}: "
            grey = (
                names[1]
                if len(names) == 2
                else f"leanest of the further sensors at every moment: {', '.join(names[1:])}"
            )
            said = [f"Gauge: {names[0]}. {what}{grey}. In the cylinder: by the leanest of all at every moment."]
        if log.past_end[r.window].any():
            said.append(
                "Where a gauge was beyond its lean end the log gives no number; it is drawn at that end, or leaves the picture there."
            )
        return said

    @staticmethod
    def _near(r: Looked, parts: list, limits: object) -> tuple[float, float]:
        """Ends of the axis: what happens at full throttle, not the fuel cut after it."""
        inside = (r.course_t >= r.zero_s) & (r.course_t <= r.end_s)
        every = np.concatenate([np.asarray(p, float)[inside] for p in parts if p is not None] or [np.empty(0)])
        every = every[np.isfinite(every)]
        low, high = (float(every.min()), float(every.max())) if len(every) else (0.8, 1.0)
        low, high = min(low, limits.rich_stop_lambda), max(high, limits.lean_stop_lambda)
        return max(low - 0.02, 0.5), min(high + 0.03, 1.3)


class SharePicture(TimePicture):
    """What was asked of the valve, and what came in."""

    keys = ("guard", "plan")
    title_else = "What was asked of the valve, and what came in"
    subtitle_text = "Share of the full nitrous flow over time: asked of the valve as logged, and drawn in with its band (valve, line and manifold in between)."

    def drawn(self, r: Looked, _system: str) -> Drawn | None:
        if r.course is None or not r.pull.hits:
            return None
        full = 100 / float(r.review.tune.room.full_flow)
        flow, low, high = (r.expected(n) for n in ("flow", "flow_low", "flow_high"))
        lines, areas = [], []
        if flow is not None:
            lines.append(Line(r.course_t, full * flow, "drawn in", PLAN, 2.0))
            areas += [Area(r.course_t, full * low, full * high)] if low is not None and high is not None else []
        duty, switch = r.logged("nitrous_duty_percent"), r.logged("nitrous_on")
        if duty is not None:
            lines.append(Line(r.t, duty, "valve duty", LOGGED))
        elif switch is not None:
            lines.append(Line(r.t, 100 * switch, "switch", LOGGED, step=True))
        return Drawn("of full flow, %", lines, areas, [], least=20.0) if lines else None


class TimingPicture(TimePicture):
    """Timing as logged beside the plan's."""

    keys = ("retard",)
    title_else = "Timing beside the plan's"
    subtitle_text = (
        "Timing over time: without nitrous, what the plan leaves of it while the charge carries nitrous, and as logged."
    )

    def drawn(self, r: Looked, _system: str) -> Drawn | None:
        logged = r.logged("timing_deg_btdc")
        if r.course is None or logged is None:
            return None
        base, plan, low = (r.expected(n) for n in ("timing_base", "timing_planned", "timing_planned_low"))
        lines = [Line(r.course_t, base, "without nitrous", PLAIN, 1.6)] if base is not None else []
        areas = []
        if plan is not None:
            lines.append(Line(r.course_t, plan, "planned", PLAN, 2.0))
            areas += [Area(r.course_t, low, plan)] if low is not None else []
        lines.append(Line(r.t, logged, "logged", LOGGED))
        inside = (r.t >= r.zero_s) & (r.t <= r.end_s)
        every = np.concatenate([logged[inside], *(line.y[np.isfinite(line.y)] for line in lines[:-1])])
        every = every[np.isfinite(every)]
        span = (float(every.min()) - 2, float(every.max()) + 2) if len(every) else None
        return Drawn("timing, deg before TDC", lines, areas, [], span=span, digits=1)


class BottlePicture(TimePicture):
    """Bottle pressure through the pass beside the model of the bottle."""

    keys = ("bottle",)
    title_else = "Bottle pressure through the pass"
    subtitle_text = "Bottle pressure over time: what the model of the bottle expects from where it began, with its band, and as logged."

    def drawn(self, r: Looked, system: str) -> Drawn | None:
        logged = r.logged("bottle_kpa")
        if logged is None:
            return None
        to = display.shown("kPa gauge", system)
        lines, areas = [], []
        for hit, passed in r.review.case.bottle:
            if passed is None or hit not in r.pull.hits or not np.isfinite(passed.best_kpa).any():
                continue
            at = passed.time_s
            low, best, high = (words.pressure(v, system) for v in (passed.low_kpa, passed.best_kpa, passed.high_kpa))
            areas.append(Area(at, low, high))
            lines.append(Line(at, best, "" if lines else "expected", PLAN, 2.0))
        areas, lines = areas[:AREAS], lines[: LINES - 1]
        lines.append(Line(r.t, words.pressure(logged, system), "logged", LOGGED))
        n = r.sheet.nitrous
        ends = [(n.window_low_kpa, "window, low"), (n.window_high_kpa, "window, high")]
        limits = [(to.there(y), name) for y, name in ends if y is not None]
        return Drawn(f"bottle, {to.unit}", lines, areas, limits, least=to.there(400.0))


class InjectorPicture(TimePicture):
    """Injector duty beside its limit."""

    keys = ("injector",)
    title_else = "Injector duty beside its limit"
    subtitle_text = "Injector duty over time, planned and as logged, and the limit of the build sheet."

    def drawn(self, r: Looked, _system: str) -> Drawn | None:
        logged = r.logged("injector_duty_percent")
        open_ms, rpm = r.logged("injector_ms"), r.logged("rpm")
        if logged is None and open_ms is not None and rpm is not None:
            logged = 100 * open_ms * 1e-3 * rpm / 120
        if logged is None:
            return None
        plan = r.expected("injector_duty_planned") if r.course is not None else None
        lines = [Line(r.course_t, plan, "planned", PLAN, 2.0)] if plan is not None else []
        lines.append(Line(r.t, logged, "logged", LOGGED))
        limits = [(float(r.sheet.limits.injector_duty_percent), "limit")]
        return Drawn("injector duty, %", lines, [], limits, least=20.0)


class FuelPicture(TimePicture):
    """Fuel pressure beside the rail pressure of the sheet."""

    keys = ("fuel_pressure",)
    title_else = "Fuel pressure beside that of the build sheet"
    subtitle_text = "Fuel pressure over time, and the rail pressure of the build sheet."

    def drawn(self, r: Looked, system: str) -> Drawn | None:
        logged = r.logged("fuel_kpa")
        if logged is None:
            return None
        to = display.shown("kPa gauge", system)
        rail = float(r.sheet.fuel_system.rail_pressure_kpa)
        lines = [Line(r.t, words.pressure(logged, system), "logged", LOGGED)]
        return Drawn(f"fuel pressure, {to.unit}", lines, [], [(to.there(rail), "on the sheet")], least=to.there(60.0))


class KnockPicture(TimePicture):
    """The knock signal over its own background."""

    keys = ("knock",)
    title_else = "The knock signal over its background"
    subtitle_text = "Knock signal over time, on its own scale; grey: what this engine shows by itself at that speed, and from where it counts as a burst."

    def drawn(self, r: Looked, _system: str) -> Drawn | None:
        logged = r.logged("knock")
        if logged is None:
            return None
        seen, rpm, lines = r.review.case.knock, r.logged("rpm"), []
        for name, dash in (("background", "solid"), ("threshold", "dash")):
            level = getattr(seen, name, None)
            if level is not None and rpm is not None and len(level):
                lines.append(Line(r.t, np.interp(rpm, seen.rpm, level), name, PLAIN, 1.6, dash))
        lines.append(Line(r.t, logged, "logged", LOGGED, 1.2))
        return Drawn("knock signal, own scale", lines, digits=2)


PICTURES = (
    SpeedPicture,
    LambdaPicture,
    SharePicture,
    TimingPicture,
    BottlePicture,
    InjectorPicture,
    FuelPicture,
    KnockPicture,
)
"""In the order of the page."""
