"""Whether the knock sensor heard the nitrous: a signal that is blank, still, cut off or far too quiet is no sign of quiet."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .events import runs, samples
from .held import readings_a_second
from .judge_case import COVERED, Case
from .knock_seen import COUNT, LEVEL, REACH_RPM

QUIETER = 0.5
"""Part of what is known of the signal at that speed below which it counts as a sensor that no longer works; a choice of our own, no source."""
STILL_S, STILL_LONGER = 1.0, 2.5
"""One value for so long at full throttle [s] is a sensor that stands still, and how many times as long for one that repeats most of its values anyway; choices of our own, no source."""
STEP_S, STEP_RPM = 0.4, 600.0
"""Before and after a sudden fall the signal is averaged for so long [s], at speeds no further apart than this [rpm]; choices of our own, no source."""
CLIPPED_LEAST, CLIPPED_PART, CLIPPED_TIMES, CLIPPED_VALUES = 5, 0.01, 3.0, 8
"""Samples at the highest value, their part of all, how many times as many as at the next value, and different values at all, from which a signal counts as cut off there; choices of our own, no source."""


BURST_S, HEARD_HZ = 0.15, 20.0
"""A burst so long [s] holds three readings where there are so many a second: fewer are not asked to show it. Choices of our own, no source."""


def slowly(case: Case) -> tuple[str, str]:
    """Say that a knock signal is read too rarely to show a burst.

    Parameters
    ----------
    case : Case
        Its log holds a knock signal.

    Returns
    -------
    tuple of str
        Half a sentence, and why; both "" where it is read often enough, or where it only climbs, for a count of knocks misses none.

    Notes
    -----
    Degrees taken out rest at 0 for long: of them only the stamps tell how often they were read.
    """
    kind, stamped = case.knock.kind, case.log.rate_hz.get("knock")
    rate = readings_a_second(case.log, "knock") if kind == LEVEL else stamped
    values = case.log.get("knock")
    climbs = kind == COUNT and bool((np.diff(values[np.isfinite(values)]) >= 0).all())  # else it may be whole degrees
    if climbs or rate is None or rate >= 0.98 * HEARD_HZ:
        return "", ""
    held = f", though rows come {stamped:.0f} times" if stamped > 1.5 * rate else ""
    title = f"Knock signal read only {rate:.0f} time{'s' * (round(rate) != 1)} a second"
    told = f"{title}{held}; {HEARD_HZ:g} are asked (a choice of our own): a burst of {BURST_S:g} s may pass between two readings, or show in one. No reading shows knock, but that is no sign of quiet. Log the signal more often, and make sure by the plugs (specks) or by ear with a listening set."
    return title, told


def deaf(case: Case) -> tuple[str, str]:
    """Say why a knock signal without a burst is no sign of quiet.

    Parameters
    ----------
    case : Case
        Its log holds a knock signal.

    Returns
    -------
    tuple of str
        Half a sentence, and why; both "" where the sensor heard.

    Notes
    -----
    Looked at where nitrous is or was in the charge, in a log without any at full throttle. Of a count and of degrees taken out only how much of it is blank, for at rest they stand still.
    """
    asked = _asked(case)
    if not asked.any():
        return "", ""
    where = "nitrous" if case.kind == "nitrous" else "full throttle"
    found = _blank(case, asked, where)
    if found[0]:
        return found
    if case.knock.kind != LEVEL:
        return _fell_silent(case)
    steady = asked & case.steady
    for look in (_still, _quieter, _fallen, _cut_off):
        found = look(case, steady)
        if found[0]:
            return found
    return "", ""


def _asked(case: Case) -> np.ndarray:
    """Samples that the signal has to be there for."""
    out = np.zeros(len(case.log.time_s), bool)
    for hit in case.hits:
        out[hit.command.start : hit.flow.stop] = True
    return out if out.any() else case.steady


def _blank(case: Case, asked: np.ndarray, where: str) -> tuple[str, str]:
    part = float(np.isfinite(case.log.get("knock")[asked]).mean())
    if part >= COVERED:
        return "", ""
    told = f"The knock signal is there for {100 * part:.0f} % of the time on {where}; {100 * COVERED:.0f} % is asked (a choice of our own). Where it is blank nobody knows whether it knocked."
    if where != "nitrous":
        told = told.replace("on full", "at full")
    return (
        f"Knock signal known for {100 * part:.0f} % of the time {'on' if where == 'nitrous' else 'at'} {where} only",
        told,
    )


def _fell_silent(case: Case) -> tuple[str, str]:
    """A level in the base log, and at rest in this one."""
    first = case.base.knock if case.base is not None else None
    if first is None or first.kind != LEVEL or first.unjudged or not case.knock.unjudged:
        return "", ""
    told = "In the base log the knock signal moves with the engine; in this log it never moves. The sensor stopped working, or this is another column."
    return "The knock sensor stopped working", told


def _still(case: Case, steady: np.ndarray) -> tuple[str, str]:
    """One value for longer than an engine keeps it."""
    log, signal = case.log, case.log.get("knock")
    same = np.zeros(len(signal), bool)
    same[1:] = np.abs(np.diff(signal)) <= 1e-9 * np.maximum(np.abs(signal[1:]), 1e-9)
    spells = [(a, b) for a, b in runs(same & steady) if (b - a) * log.step_s >= STILL_S]
    if not spells:
        return "", ""
    a, b = max(spells, key=lambda each: each[1] - each[0])
    others = case.steady.copy()
    others[a:b] = False
    held = others.sum() > 50 and float(same[others].mean()) > 0.5
    seconds = (b - a) * log.step_s
    if held and seconds < STILL_LONGER * STILL_S:
        return "", ""
    told = f"It stands at {signal[b - 1]:.3g} for {seconds:.1f} s of full throttle, from {case.seconds(a - 1):.2f} to {case.seconds(b - 1):.2f} s: no sensor on a running engine is that still. Check the sensor, its cable and the column."
    return "The knock sensor stopped working: its signal stands still", told


def _lowest(ratio: np.ndarray) -> int | None:
    """Where a signal is the furthest below what it should be; None where it is nowhere far below."""
    k = int(np.nanargmin(ratio)) if np.isfinite(ratio).any() else None
    return None if k is None or ratio[k] >= QUIETER else k


def _quieter(case: Case, steady: np.ndarray) -> tuple[str, str]:
    """Far below what the same engine shows at the same speed without nitrous."""
    seen, rpm = case.knock, case.log.get("rpm")
    if seen.unjudged or seen.own or seen.rpm is None or not len(seen.rpm):
        return "", ""
    line = np.interp(rpm, seen.rpm, seen.background)
    near = (rpm >= seen.rpm.min() - REACH_RPM) & (rpm <= seen.rpm.max() + REACH_RPM)
    ratio = np.where(steady & near & (line > 0), case.log.get("knock") / np.where(line > 0, line, np.nan), np.nan)
    wide = samples(STEP_S, case.log.step_s)
    evened = pd.Series(ratio).rolling(wide, min_periods=max(wide // 2, 1)).median().to_numpy()
    k = _lowest(evened)
    if k is None:
        return "", ""
    told = (
        f"At {rpm[k]:.0f} rpm, {case.seconds(k):.2f} s into the log, the signal is {max(float(evened[k]), 0):.2f} times what it is without nitrous at that speed; below {QUIETER:g} (a choice of our own) it is not believed. "
        "An engine does not fall quiet on nitrous: check the sensor, its cable, its torque and whether the amplification was changed."
    )
    return "The knock sensor stopped working: far quieter on nitrous than without", told


def _fallen(case: Case, steady: np.ndarray) -> tuple[str, str]:
    """Suddenly far below what it was a moment before at nearly the same speed."""
    log, wide = case.log, samples(STEP_S, case.log.step_s)
    signal, rpm = (pd.Series(np.where(case.steady, log.get(key), np.nan)) for key in ("knock", "rpm"))
    before, slow = (s.rolling(wide, min_periods=max(wide // 2, 1)).median().to_numpy() for s in (signal, rpm))
    after, fast = np.full(len(before), np.nan), np.full(len(before), np.nan)
    after[:-wide], fast[:-wide] = before[wide:], slow[wide:]
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where((before > 0) & (np.abs(fast - slow) <= STEP_RPM), after / before, np.nan)
    ratio[~steady] = np.nan
    k = _lowest(ratio)
    if k is None:
        return "", ""
    told = (
        f"At {log.get('rpm')[k]:.0f} rpm, {case.seconds(k):.2f} s into the log, the signal falls to {max(float(ratio[k]), 0):.2f} times what it was, at full throttle and nearly the same speed; below {QUIETER:g} (a choice of our own) it is not believed. "
        "Either it knocked before, or the sensor failed: read the plugs for specks and check the sensor and its cable."
    )
    return "The knock signal falls suddenly at full throttle", told


def _cut_off(case: Case, steady: np.ndarray) -> tuple[str, str]:
    """Many samples at one highest value: what was louder is not seen."""
    heard = case.log.get("knock")[steady]
    heard = heard[np.isfinite(heard)]
    values, count = np.unique(heard, return_counts=True)
    if len(values) < CLIPPED_VALUES:
        return "", ""
    top, rest = int(count[-1]), float(count[-CLIPPED_VALUES:-1].max())
    if top < max(CLIPPED_LEAST, CLIPPED_PART * len(heard), CLIPPED_TIMES * rest):
        return "", ""
    told = f"{top} samples at full throttle stand at exactly {values[-1]:.4g} and none above: the signal is cut off there, and a knock that is louder cannot be seen. Lower the amplification or widen the logged range, and pull again."
    return f"The knock signal is cut off at {values[-1]:.3g}", told
