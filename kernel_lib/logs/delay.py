"""How late a reading is, found in the log itself: at changes of the mixture whose cause is logged."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ..build_sheet import BuildSheet
from .delay_changes import STEP_OF, Change, changes
from .delay_fit import LOGGER, SPREAD, TAU, WAY, Solver
from .log import Log
from .sensor import TAU_SHARE, Delay, dead_s, transport_s

__all__ = ["changes", "estimate", "of_one_sensor"]

MOST = 12
"""Changes that are looked at, the largest of every kind in turn."""
MODEL_S = 0.0015
"""What lines, lags and a sheet's exhaust miss of a delay, standard deviation [s]: many pulls do not even it out. A guess of our own, made because three pulls covered too little without it."""
KNOWN = 0.5
"""A delay counts as told by the log where its error is less than this share of what it was before."""


def estimate(courses: Sequence[Any], sheet: BuildSheet, beside: Sequence[Any] = ()) -> Delay:
    """Find dead time and lag of the lambda reading.

    Parameters
    ----------
    courses : sequence of Course
        Of one log, and of one sensor: see `of_one_sensor`; None among them is left out.
    sheet : BuildSheet
    beside : sequence of Course, optional
        Of another log of the same car with the same sensor and logger, such as the base log; its changes count too.

    Returns
    -------
    Delay
        At the middle speed of `courses`; that of the sheet where no change is sharp enough, or its cause is not in the log.

    Notes
    -----
    Least squares over the way to the sensor, its time constant, and what else shifts or bends a change: see `delay_fit`. The wait of the injection is told apart
    from the rest where the throttle opens: there a late injection leans the mixture out, and lateness of the sensor does not. Scatter of the mixture passes through the
    sensor as the mixture does, so that it hangs together over the time constant; the gauge's own does not. Nitrous coming in is left out: nobody
    knows when the line is full to a tenth of a second. What washes out is in with an unknown amount.
    """
    there = [c for c in courses if c is not None]
    middles = [m for m in (_middle(c) for c in there) if np.isfinite(m)]
    rpm = float(np.median(middles)) if middles else float(sheet.engine.peak_power_rpm)
    there += [c for c in beside if c is not None]
    if not any("injector" in c.fuel_basis for c in there):
        return Delay.of_sheet(
            sheet, rpm, _told(sheet, rpm, "no injector channel is logged, so that nobody knows when fuel changed")
        )
    found = _picked([ch for c in there for ch in changes(c, sheet)])
    if not found:
        return Delay.of_sheet(
            sheet, rpm, _told(sheet, rpm, "no change of the mixture in this log is sharp enough to see it by")
        )
    return _fitted(found, sheet, rpm)


def of_one_sensor(log: Log, courses: Sequence[Any]) -> list[Any]:
    """Put the trace of one sensor into courses of a log with several: the leanest of them at every moment follows now one and now another, and has no delay of its own.

    Parameters
    ----------
    log : Log
    courses : sequence of Course
        Of that log; None among them stays.

    Returns
    -------
    list of Course
        With what the first sensor shows; with another where the first is blank in all of them.
    """
    if not log.has("lambda_2"):
        return list(courses)
    places = [None if c is None else np.searchsorted(log.time_s, c.time_s - 0.5 * log.step_s) for c in courses]
    known = [p for p in places if p is not None]
    traces = list(log.sensors.values())
    read = [sum(int(np.isfinite(t[p]).sum()) for p in known) for t in traces]
    trace = traces[0] if read[0] else traces[int(np.argmax(read))]
    return [None if c is None else replace(c, measured=trace[p]) for c, p in zip(courses, places, strict=True)]


def _picked(found: list[Change]) -> list[Change]:
    """The largest of every kind in turn: a fuel cut tells what a throttle that opens does not, and the other way round."""
    kinds: dict[tuple[int, bool], list[Change]] = {}
    for change in sorted(found, key=lambda c: -c.size):
        kinds.setdefault((change.kind, change.size > STEP_OF), []).append(change)
    turns = itertools.chain.from_iterable(itertools.zip_longest(*kinds.values()))
    return [c for c in turns if c is not None][:MOST]


def _told(sheet: BuildSheet, rpm: float, why: str) -> str:
    delay = Delay.of_sheet(sheet, rpm)
    return f"From the build sheet, {1e3 * delay.total_s:.0f} ms (± {1e3 * delay.error_s:.0f}) in all: {why}."


def _middle(course: Any) -> float:
    full = course.rpm[np.isfinite(course.injector_duty_planned)]
    full = full[np.isfinite(full)]
    return float(np.median(full)) if len(full) else np.nan


def _fitted(found: list[Change], sheet: BuildSheet, rpm: float) -> Delay:
    before = Delay.of_sheet(sheet, rpm)
    table = sheet.engine.full_throttle.rpm
    there = min(max(rpm, table[0]), table[-1])
    unit, way = float(dead_s(sheet, there, 0.0)), float(transport_s(sheet, there, 0.0))
    tau_sd = TAU_SHARE * before.tau_s / 3**0.5
    p, covariance = Solver(found, before.tau_s, tau_sd).solve()
    parts = np.zeros((2, len(p)))
    parts[0, [WAY, LOGGER]], parts[1, TAU] = (way, 1.0), 1.0
    both = parts @ covariance @ parts.T
    dead, tau = unit - way + float(parts[0] @ p), float(p[TAU])
    total, error = dead + tau, 2 * float(np.sqrt(both.sum() + MODEL_S**2))
    prior = 2 * float(np.sqrt((SPREAD[WAY] * way) ** 2 + SPREAD[LOGGER] ** 2 + tau_sd**2))
    if error > KNOWN * prior:
        return Delay.of_sheet(sheet, rpm, _told(sheet, rpm, "the changes in this log are too small beside its noise"))
    number = f"{len(found)} sharp changes" if len(found) > 1 else "one sharp change"
    why = f"Seen at {number} of the mixture whose cause is in the log (fuel cut, throttle, fuel ahead of the nitrous); {1e3 * total:.0f} ms (± {1e3 * error:.0f}) in all."
    dead_error, tau_error = (float(np.sqrt(v + MODEL_S**2 / 2)) for v in np.diag(both))
    return Delay(
        dead / unit, tau, total, error, True, why, tau_error, dead_error, before.sheet_total_s, rpm, len(found)
    )
