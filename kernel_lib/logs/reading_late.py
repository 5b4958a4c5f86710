"""A reading made far later than any sensor makes it: held against the fuel cut, which the injector channel times."""

from __future__ import annotations

from typing import Any

import numpy as np

from .finding import REPEAT, Finding
from .judge_case import Case, watch

CUT_PART, RISES = 0.2, 0.15
"""Part of what was injected below which fuel counts as cut, and rise of the reading that answers it [lambda]; choices of our own, no source."""
LATE_S, LOOKED_S = 0.15, 1.5
"""Beyond the sheet's lag, from when a reading is told to be late, and how long an answer is waited for [s]; choices of our own, no source."""
FOUND_S = 0.05
"""By how much a reading may answer later than the lag that was found in the log and its error [s]; a choice of our own, no source."""
LEAST_RPM = 2000.0
"""Engine speed below which the way to the sensor takes long by itself [rpm]; a choice of our own, no source."""


def answers(case: Case) -> list[tuple[float, float]]:
    """Find how long the reading took to answer each fuel cut.

    Parameters
    ----------
    case : Case

    Returns
    -------
    list of tuple
        When fuel was cut, and how much later the reading rose [s]. Cuts it never answered are left out, and so are those at which it had risen before.
    """
    log, step = case.log, case.log.step_s
    key = next((k for k in ("injector_ms", "injector_duty_percent") if log.has(k)), "")
    if not key or not log.has("lambda_"):
        return []
    injected, reading, rpm = log.get(key), log.get("lambda_"), log.get("rpm")
    if key == "injector_duty_percent":
        injected = injected / np.maximum(rpm, 1.0)
    wide, out = max(round(0.1 / step), 2), []
    for pull in case.pulls:
        a, b = max(pull.stop - wide, wide), min(pull.stop + round(LOOKED_S / step), len(rpm))
        fed, before = injected[a - wide : a], reading[a - wide : a]
        if not (np.isfinite(fed).any() and np.isfinite(before).any()):
            continue
        cut = np.flatnonzero(injected[a:b] < CUT_PART * np.nanmedian(fed))
        if not len(cut) or not rpm[a + cut[0]] >= LEAST_RPM:
            continue
        k = a + int(cut[0])
        level = float(np.nanmedian(reading[max(k - wide, 0) : k + 1])) if np.isfinite(reading[max(k - wide, 0) : k + 1]).any() else np.nan  # fmt: skip
        after = np.flatnonzero(reading[k : k + round(LOOKED_S / step)] > level + RISES)
        if len(after):
            out.append((case.seconds(k), float(after[0]) * step))
    return out


def judge_late(case: Case) -> list[Finding]:
    """Say where the reading answers a fuel cut far too late: later than any sensor, or than the lag that was found in this log."""
    delay = case.delay
    if delay is None:
        return []
    seen = answers(case)
    if not seen:
        return []
    at, late = seen[0][0], float(np.median([seconds for _, seconds in seen]))
    if delay.identifiable and late > delay.total_s + delay.error_s + FOUND_S:
        return _apart(delay, at, late)
    if delay.identifiable or late <= delay.sheet_total_s + LATE_S:
        return []
    told = (
        f"Fuel was cut at {at:.2f} s and the lambda reading rose {1e3 * late:.0f} ms later; the build sheet makes its lag {1e3 * delay.sheet_total_s:.0f} ms, and {1e3 * LATE_S:.0f} ms more is no "
        "sensor's own lag (a choice of our own). What is read here belongs to another moment than it is held against, and a stop that acts on it acts too late. Find out what delays this channel, then repeat."
    )
    numbers = {"answer_ms": 1e3 * late, "sheet_ms": 1e3 * delay.sheet_total_s}
    return [watch("sensors", REPEAT, 57.0, f"The lambda reading answers a fuel cut {1e3 * late:.0f} ms late", told, numbers, (at, at + late))]  # fmt: skip


def _apart(delay: Any, at: float, late: float) -> list[Finding]:
    """Say that the lag found and the answer to a fuel cut do not belong together: then the lag is not the sensor's."""
    told = (
        f"Fuel was cut at {at:.2f} s and the lambda reading rose {1e3 * late:.0f} ms later, but the other changes of the mixture in this log make its lag {1e3 * delay.total_s:.0f} ms (± {1e3 * delay.error_s:.0f}). "
        "Both cannot be: what is read here may belong to another moment than it is held against. Find out what delays this channel, then repeat."
    )
    numbers = {"answer_ms": 1e3 * late, "found_ms": 1e3 * delay.total_s, "found_ms_95": 1e3 * delay.error_s}
    return [watch("sensors", REPEAT, 57.0, f"The lambda reading answers a fuel cut {1e3 * late:.0f} ms late", told, numbers, (at, at + late))]  # fmt: skip
