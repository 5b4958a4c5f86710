"""Can the lambda reading be believed: two that agree, neither clipped nor stuck, and as late as a sensor is."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .finding import GO, REPEAT, Finding
from .judge_case import COVERED, Case, holds, span, unjudged, watch
from .reading_late import judge_late

SENSORS_AGREE = 0.03
"""Lambda by which two sensors may differ; a choice of our own, no source."""
APART_S = 0.3
"""For how long they have to differ [s]; a choice of our own, no source."""
STUCK_S, STILL = 1.0, 1e-3
"""A reading that moves by no more than the second [lambda] for so long at full throttle [s] is stuck; choices of our own, no source."""
COARSE, COARSE_LONGER = 0.004, 2.5
"""A log whose readings stand so far apart [lambda] may stand still so many times longer; choices of our own, no source."""
CLOSED, MOVES = 30.0, 0.03
"""Throttle below which an engine is not under load [%], and what a reading moves by at least between there and full throttle [lambda]; choices of our own, no source."""
LAG_DIFFERS_S = 0.06
"""Total lag of the sensor beyond which it is told to differ from the sheet's [s]; a choice of our own, no source."""


def judge_sensors(case: Case, settled: np.ndarray, full: np.ndarray) -> list[Finding]:
    """Say whether the lambda reading can be believed.

    Parameters
    ----------
    case : Case
    settled, full : array of bool
        On the log's clock: settled readings at full throttle, and full throttle at all.
    """
    if not case.log.has("lambda_"):
        return [unjudged("sensors", "No lambda reading", "Nothing to believe or doubt.", REPEAT, 50.0)]
    wrong = [*_two(case, full | settled), *_clipped(case, full), *_stuck(case, full), *_lag(case), *judge_late(case)]
    if wrong:
        return wrong
    two = case.log.has("lambda_2")
    title = "Two lambda sensors agree" if two else "The lambda reading moves as one should"
    told = "One sensor averages the cylinders that share its pipe: it cannot see one that is lean among others that are rich."
    return [holds("sensors", 20.0, title, told, {"sensors": 2 if two else 1})]


def _two(case: Case, full: np.ndarray) -> list[Finding]:
    """Find where two sensors differ for longer than their pipes do."""
    if not case.log.has("lambda_2"):
        return []
    first, second = case.log.get("lambda_"), case.log.get("lambda_2")
    blank = _blank(case, first, second, full)
    if blank:
        return blank
    gap, wide = np.where(full, second - first, np.nan), max(round(APART_S / case.log.step_s), 1)
    evened = pd.Series(gap).rolling(wide, min_periods=max(wide // 2, 1)).median().to_numpy()
    if not np.isfinite(evened).any():
        return []
    k = int(np.nanargmax(np.abs(evened)))
    off = float(evened[k])
    if abs(off) <= SENSORS_AGREE:
        return []
    part = slice(max(k - wide + 1, 0), k + 1)
    one, other = (float(np.nanmedian(values[part])) for values in (first, second))
    at = (case.seconds(part.start), case.seconds(k))
    told = (
        f"{span(at).capitalize()} the first shows lambda {one:.2f} and the second lambda {other:.2f}; more than {SENSORS_AGREE:g} apart for {APART_S:g} s (choices of our own) they are not averaged: "
        "either a bank runs leaner, or one of them is wrong. The leaner one is judged. Swap them, or check both on one bank, then repeat."
    )
    numbers = {"first_lambda": one, "second_lambda": other, "apart_lambda": off}
    return [watch("sensors", REPEAT, 55.0, f"Two lambda sensors differ by {abs(off):.2f}", told, numbers, at)]


def _blank(case: Case, first: np.ndarray, second: np.ndarray, full: np.ndarray) -> list[Finding]:
    """Find a sensor of two that is blank for much of full throttle, or of the nitrous in it."""
    on = np.zeros(len(full), bool)
    for hit in case.hits:
        on[hit.flow] = True
    known = np.isfinite(first) | np.isfinite(second)
    for what, use in (("with nitrous", full & on & known), ("at full throttle", full & known)):
        for which, values in (("first", first), ("second", second)):
            part = float(np.mean(np.isfinite(values[use]))) if use.any() else 1.0
            if part >= COVERED:
                continue
            title = f"The {which} of two lambda sensors is blank for {100 * (1 - part):.0f} % of the time {what}"
            told = (
                f"{title}; {100 * COVERED:.0f} % of it has to be read (a choice of our own). The cylinders on that sensor may have run leaner than the other shows. Find out why it was not read, or leave "
                "its column out by hand, and pull again."
            )
            at = tuple(case.seconds(k) for k in np.flatnonzero(use)[[0, -1]])
            return [Finding("sensors", "unjudged", REPEAT, 56.0, title, told, at, {"read_percent": 100 * part})]
    return []


def _clipped(case: Case, full: np.ndarray) -> list[Finding]:
    """Find readings that stand at one end of their range at full throttle: free air, or a clip."""
    values = case.log.get("lambda_")
    seen = values[full & np.isfinite(values)]
    if len(seen) < 20:
        return []
    every = values[np.isfinite(values)]
    out = []
    for name, end, most in (("lean", float(every.max()), 0.02), ("rich", float(every.min()), 0.05)):
        share = float(np.mean(np.abs(seen - end) < 1e-6))
        if share > most and (end > 1.05 if name == "lean" else end < 0.75):
            told = (
                f"At full throttle {100 * share:.0f} % of the readings stand at lambda {end:.2f}, the {name} end of what this log shows: there the sensor says only "
                f"'{name}er than that'{', or it hangs in free air' if name == 'lean' else ''}. Check heater, wiring and exhaust leaks, then repeat."
            )
            numbers = {"share_percent": 100 * share, "end_lambda": end}
            out.append(
                watch(
                    "sensors",
                    REPEAT,
                    58.0,
                    f"The lambda reading stands at its {name} end, {end:.2f}, for {100 * share:.0f} % of full throttle",
                    told,
                    numbers,
                )
            )
    return out


def _stuck(case: Case, full: np.ndarray) -> list[Finding]:
    """Find a reading that stands still at full throttle, or hardly moves from part throttle to full."""
    values, step = case.log.get("lambda_"), case.log.step_s
    seen = np.where(full, values, np.nan)
    known = seen[np.isfinite(seen)]
    if len(known) * step < STUCK_S:
        return []
    parted = np.diff(np.unique(np.round(known[1:][np.diff(known) == 0], 5)))  # between values it rests at
    coarse = len(parted) > 0 and parted.min() >= COARSE
    wide = round(STUCK_S * (COARSE_LONGER if coarse else 1) / step)
    rolling = pd.Series(seen).rolling(wide)
    with np.errstate(invalid="ignore"):
        still = (rolling.max() - rolling.min()).to_numpy() <= STILL
    if still.any():
        b = int(still.argmax())
        at, middle = (case.seconds(b - wide + 1), case.seconds(b)), float(np.nanmedian(seen[b - wide + 1 : b + 1]))
        told = f"It shows lambda {middle:.3f} and nothing else for {wide * step:.1f} s of full throttle, {span(at)}: no sensor of a running engine is that still. Check it, then repeat."
        return [watch("sensors", REPEAT, 70.0, f"The lambda reading is stuck at {middle:.3f}", told, {"lambda": middle}, at)]  # fmt: skip
    closed = case.log.get("throttle_percent") < CLOSED
    if (closed & np.isfinite(values)).sum() * step >= STUCK_S:
        # each by itself: most of a long log is cruise
        kinds = [values[np.isfinite(values) & which] for which in (closed, full)]
        ends = np.array([np.quantile(kind, (0.02, 0.98)) for kind in kinds if len(kind)])
        low, high = float(ends[:, 0].min()), float(ends[:, 1].max())
        if high - low < MOVES:
            told = (
                f"From closed to open throttle and back it stays between lambda {low:.3f} and {high:.3f}: a mixture moves by more than that. "
                "This is a target, a simulated channel or a dead sensor. Check which column it is, then repeat."
            )
            return [watch("sensors", REPEAT, 69.0, f"The lambda reading moves by {high - low:.3f} in the whole log", told, {"moves_lambda": float(high - low)})]  # fmt: skip
    return []


def _lag(case: Case) -> list[Finding]:
    """Say where the lag that was found is far from the sheet's."""
    delay = case.delay
    if delay is None or not getattr(delay, "identifiable", False):
        return []
    expected = getattr(delay, "sheet_total_s", None)
    if expected is None or abs(delay.total_s - expected) <= LAG_DIFFERS_S + delay.error_s:
        return []
    told = (
        f"Found in this log: {1e3 * delay.total_s:.0f} ms (± {1e3 * delay.error_s:.0f}) from the cylinder to the reading; the build sheet makes it {1e3 * expected:.0f} ms. The lag found is used here. "
        "A stop that acts on this reading acts that much later or sooner; put it into the sheet."
    )
    numbers = {
        "found_ms": 1e3 * delay.total_s,
        "found_ms_95": 1e3 * delay.error_s,
        "sheet_ms": 1e3 * expected,
    }
    return [
        watch("sensors", GO, 25.0, f"The lambda reading lags {1e3 * delay.total_s:.0f} ms, not the sheet's {1e3 * expected:.0f} ms", told, numbers)
    ]  # fmt: skip
