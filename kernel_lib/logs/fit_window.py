"""From courses to what a fit can use: settled readings at full throttle, pull by pull, and what is known of the sensor's delay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.signal import lfilter

from ..band import FILM_SHARE, FILM_TIME
from ..build_fields import describe
from ..build_sheet import BuildSheet
from ..plan.delivery import valve
from .fit_noise import Window
from .fit_solve import OWN_WALL, WALL_TIMES, parabola
from .fit_told import BY_LOGS, NOT, Parameter
from .mixture import MixtureModel
from .sensor import Delay, dead_s, lagged

TRIM_PERCENT = 0.5
"""A controller that corrects by more than this acts [%]; a choice of our own."""
LEAST_BINS = 3
"""A pull with fewer settled tenths of a second is left out."""
DELAY = "controller.sensor_delay_ms"


@dataclass(frozen=True, eq=False)
class Read:
    """Windows, or why there are none; whether the bottle's pressure was logged in all pulls with nitrous; notes."""

    windows: list[Window]
    refused: str
    bottle_logged: bool
    notes: tuple[str, ...]


def read(courses: Sequence[Any], sheet: BuildSheet, delay: Any, names: Sequence[str]) -> Read:
    """Take the settled readings out of courses; None among them, and courses without lambda, are left out."""
    there = [(k, c) for k, c in enumerate(courses) if c is not None]
    if not there:
        return Read([], "No pull at full throttle was found: there is nothing to fit to.", True, ())
    told = [(k, c) for k, c in there if np.isfinite(c.measured).any()]
    if not told:
        return Read([], "The logs hold no lambda: nothing can be fitted without it.", True, ())
    trimmed = [c for _, c in told if _trim_acts(c) and not _injected(c)]
    if trimmed:
        return Read([], _TRIMMED, True, ())
    windows, notes = [], []
    for k, course in told:
        name = names[k] if k < len(names) else f"pull {k + 1}"
        window = window_of(course, sheet, delay, name)
        if window is not None and len(window.bins[1]) >= LEAST_BINS:
            windows.append(window)
    sprayed = [c for _, c in told if np.nanmax(c.flow, initial=0.0) > 0]
    bottle_logged = all(_bottle(c) for c in sprayed)
    if sprayed and not bottle_logged:
        notes.append(
            "The bottle's pressure was not logged: the nitrous flow is that of the sheet's bottle temperature, and the errors hold what that may be wrong."
        )
    if not all(_injected(c) for _, c in told):
        notes.append(
            "No injector channel was logged: the fuel is what the plan meant, and injector flow then stands for all that makes the real fuel another."
        )
    return Read(windows, "", bottle_logged, tuple(notes))


_TRIMMED = (
    "The controller's own lambda correction acts and no injector channel is logged: nobody knows what fuel there was. Log the injectors' open time or duty, or "
    "switch the correction off at full throttle."
)


def _injected(course: Any) -> bool:
    """Whether the fuel comes from an injector channel."""
    return str(course.fuel_basis).startswith("injector")


def _trim_acts(course: Any) -> bool:
    trim = getattr(course, "trim_percent", None)
    if trim is None:
        return False
    trim = np.asarray(trim, float)[np.asarray(course.settled, bool)]
    return bool(np.nanmax(np.abs(trim), initial=0.0) > TRIM_PERCENT)


def _bottle(course: Any) -> bool:
    """Whether the bottle's pressure was logged while nitrous flowed."""
    measured = getattr(course, "bottle_kpa", None)
    return measured is not None and bool(np.isfinite(measured).any())


def window_of(course: Any, sheet: BuildSheet, delay: Any, name: str) -> Window | None:
    """One pull as a window; None where nothing in it can be used."""
    model, nitrous = MixtureModel.of(sheet), sheet.nitrous
    rpm, flow = np.asarray(course.rpm, float), np.asarray(course.flow, float)
    scale, tau = delay_of(sheet, delay or getattr(course, "delay", None))
    share = np.asarray(course.share, float)
    jet = np.zeros_like(rpm)
    if nitrous.system == "wet":
        jet = np.nan_to_num(np.asarray(model.fuel_jet(rpm, np.where(flow > 0, flow / model.full_flow, 0.0)), float))
    total = np.asarray(course.fuel, float)
    jet = np.minimum(jet, total)
    dead = scale * dead_s(sheet, rpm, flow)
    if not np.isfinite(dead).any():
        return None
    air = np.asarray(getattr(course, "air", np.ones_like(rpm)), float)
    own = np.fmin(model.fuel_own(rpm, flow) * air, total - jet)
    wall, wall_added = _wall(course.time_s, own), np.zeros((len(WALL_TIMES), len(rpm)))
    if nitrous.system == "dry" and (flow > 0).any():
        wall_added = _wall(course.time_s, _before_wall(course.time_s, total - own))
    likely = parabola(FILM_TIME.best, WALL_TIMES)
    shown = model.shown(
        model.lambda_(rpm, flow, total + OWN_WALL * (likely @ wall), air), model.nitrous_fraction(rpm, flow, air)
    )
    with np.errstate(divide="ignore"):
        predicted = lagged(course.time_s, 1 / shown, dead, tau)
    use = np.asarray(course.settled, bool) & np.isfinite(course.measured) & np.isfinite(predicted) & (total > 0)
    if not use.any():
        return None
    first, last = np.flatnonzero(use)[[0, -1]]
    step = float(np.median(np.diff(course.time_s)))
    begin = max(0, first - round(1.0 / step))
    part = slice(begin, last + 1)
    pulsed = np.zeros_like(rpm)
    if nitrous.progressive:
        pulsed = np.where((share > 0) & (share < 1) & (flow > 0), valve(sheet).pulse_hz * model.full_flow, 0.0)
    return Window(
        name,
        course.time_s[part],
        rpm[part],
        air[part],
        flow[part],
        (total - jet)[part],
        wall[:, part],
        wall_added[:, part],
        jet[part],
        pulsed[part],
        np.asarray(course.measured, float)[part],
        use[part],
        dead[part],
        tau,
        1 / valve(sheet).pulse_hz if pulsed.any() else 0.0,
    )


def _wall(time_s: np.ndarray, own: np.ndarray) -> np.ndarray:
    """How much more of the controller's own fuel would be drawn in if all of it went by way of the port's wall, for every time constant; 0 where it is not known."""
    return np.nan_to_num([lagged(time_s, own, 0.0, tau_s) - own for tau_s in WALL_TIMES])


def _before_wall(time_s: np.ndarray, fuel: np.ndarray) -> np.ndarray:
    """Added fuel before the likely share of it went by way of the wall: `drawn.by_wall` turned round."""
    keep, share = np.exp(-float(np.median(np.diff(time_s))) / FILM_TIME.best), FILM_SHARE.best
    return lfilter([1.0, -keep], [1 - share * keep, -(1 - share) * keep], np.nan_to_num(fuel))


def delay_of(sheet: BuildSheet, delay: Any) -> tuple[float, float]:
    """Scale of the exhaust's transport and the sensor's time constant [s]; the sheet's where nothing was found."""
    if delay is None or not delay.identifiable:
        return 1.0, sheet.controller.sensor_delay_ms / 1e3
    return float(delay.dead_scale), float(delay.tau_s)


def delay_seen(courses: Sequence[Any], delay: Any) -> Delay | None:
    """Return the delay that was given, else the one that the logs told, else any that the courses were computed with."""
    if delay is not None:
        return delay
    there = [c.delay for c in courses if getattr(c, "delay", None) is not None]
    told = [d for d in there if d.identifiable]
    return min(told, key=lambda d: d.error_s) if told else next(iter(there), None)


def delay_rows(sheet: BuildSheet, delay: Delay | None) -> list[Parameter]:
    """What is known of the delay in all, before and after; nothing where nobody looked."""
    if delay is None:
        return []
    before, error = delay.sheet_total_s, Delay.of_sheet(sheet, delay.rpm).error_s
    after, narrowed = (delay.total_s, delay.error_s) if delay.identifiable else (before, error)
    label = f"delay of the lambda reading in all, cylinder, exhaust and sensor, at {round(delay.rpm, -2):.0f} rpm"
    kind = BY_LOGS if delay.identifiable else NOT
    numbers = (1e3 * v for v in (before, error, after, narrowed))
    return [Parameter(label, DELAY, *numbers, kind, delay.because, "ms")]


def delay_changes(sheet: BuildSheet, delay: Delay | None) -> tuple[dict[str, float], list[str]]:
    """The sensor's time constant that makes up the whole delay, the exhaust's volume kept, and a word on that; nothing where the logs did not move it."""
    if delay is None or not delay.identifiable or abs(delay.total_s - delay.sheet_total_s) <= delay.error_s:
        return {}, []
    new = round(sheet.controller.sensor_delay_ms + 1e3 * (delay.total_s - delay.sheet_total_s))
    about = describe(DELAY)
    if not about["low"] <= new <= about["high"]:
        return {}, []
    return {DELAY: float(new)}, [
        "What the logs tell of the sensor is its delay in all. The difference is put into its time constant and the exhaust's volume is kept: a convention."
    ]
