"""Nitrous that nobody asked for: a mixture that runs lean after the valve was told to close, and a bottle that falls while nothing is commanded."""

from __future__ import annotations

import numpy as np

from . import events as ev
from .command import commanded
from .course import INJECTORS
from .finding import GO_BACK, REPEAT, STOP, Finding
from .judge_base import BASE_LEAN_STOP
from .judge_case import CYCLES_SURE, EDGE_S, Case, cycles, span, watch, widened
from .lean_spells import index_of, step_of, with_nitrous
from .nitrous_hidden import FALLS_ALONE_KPA, LASTS_S, NITROUS_KEYS

SHIFT_S = 0.3
"""Round a shift no reading counts, for so long [s]; a choice of our own, no source."""
SHUT_S, WITHIN_S = 0.3, 5.0
"""Time after a command in which the gauge may still follow it, and time within which a fall counts: heat and cold move a bottle more slowly [s]; choices of our own, no source."""
NEAR_S = 5.0
"""How long after full throttle a fall still belongs to the pull [s]; elsewhere it may be a purge; a choice of our own, no source."""
MORE_OXYGEN = 0.08
"""By how much more leaner lambda may be than the injected fuel says after a hit than before it, as a share; a choice of our own, no source."""
AFTER = "after_close_lambda"
"""Key among a finding's numbers: what lambda reached after the valve was told to close."""


def judge_after(case: Case) -> list[Finding]:
    """Say where nitrous seems to flow that was not commanded.

    Parameters
    ----------
    case : Case

    Returns
    -------
    list of Finding
        Empty where nothing speaks for it.
    """
    return [*_lean(case), *_bottle(case)]


def after_close(findings: list[Finding]) -> bool:
    """Whether the mixture was found lean after the valve was told to close."""
    return any(AFTER in f.numbers for f in findings)


def _lean(case: Case) -> list[Finding]:
    """Full throttle after a hit, past lambda that neither the base nor the nitrous is allowed."""
    sheet = case.sheet
    stop = max(sheet.limits.lean_stop_lambda, sheet.engine.lambda_without_nitrous + BASE_LEAN_STOP)
    out = []
    for pull, course in zip(case.pulls, case.courses, strict=True):
        if course is None or not pull.hits:
            continue
        step, there = step_of(course), _shut(case, pull, course)
        error = np.nan_to_num(course.undelayed_error, nan=np.inf)
        with np.errstate(invalid="ignore"):
            past = there & (course.undelayed > stop)
            sure = past & (course.undelayed - error > stop)
        n, certain = cycles(course.rpm[past], step), cycles(course.rpm[sure], step)
        if n < CYCLES_SURE:
            out += _oxygen(case, pull, course, there)
            continue
        when = np.flatnonzero(past)
        at = float(course.time_s[when[0]]), float(course.time_s[when[-1]])
        reached = float(np.quantile(course.undelayed[past], 0.9))
        out.append(_told(case, reached, stop, n, certain >= CYCLES_SURE, at))
    return out


def _shut(case: Case, pull, course) -> np.ndarray:
    """Samples of a course at full throttle after a command, when by the model no nitrous is left."""
    index, step = index_of(case, course), step_of(course)
    first = pull.hits[0].command.stop
    out = case.steady[index] & (index >= first) & (index < pull.stop) & ~with_nitrous(course)
    out &= ~(np.nan_to_num(course.share) > 0) & np.isfinite(course.undelayed)
    out &= ~widened(~np.isfinite(course.measured), round(EDGE_S / step))
    room = round(SHIFT_S / step)
    for event in pull.events:
        if event.kind in (ev.SHIFT, ev.MISSED_SHIFT, ev.LIFT):
            out &= ~((index >= event.start - room) & (index < event.stop + room))
    return out


def _oxygen(case: Case, pull, course, there: np.ndarray) -> list[Finding]:
    """Full throttle after a hit with fuel still added, and a lambda that takes more oxygen than the air brings."""
    if course.fuel_basis != INJECTORS:
        return []
    step, index = step_of(course), index_of(case, course)
    with np.errstate(invalid="ignore", divide="ignore"):
        off = course.undelayed / course.lambda_model - 1
    good = np.isfinite(off) & np.isfinite(course.undelayed_error)
    before = off[good & case.steady[index] & (index >= pull.start) & (index < pull.hits[0].command.start)]
    after = off[there & good]
    if min(len(before), len(after)) * step < LASTS_S:
        return []
    more = float(np.median(after) - np.median(before))
    if more <= MORE_OXYGEN:
        return []
    when = np.flatnonzero(there & good)
    at = float(course.time_s[when[0]]), float(course.time_s[when[-1]])
    told = (
        f"At full throttle after the valve was told to close, {span(at)}, lambda stands {100 * more:.0f} % leaner beside the injected fuel than before the hit; {100 * MORE_OXYGEN:.0f} % is allowed (a choice of our own). "
        "The added fuel is still on and is burned: that takes oxygen which air does not bring. The valve did not close, or the log's command is not the valve's. Bottle shut until it is found."
    )
    title = f"Lambda {100 * more:.0f} % leaner than the injected fuel after the valve was told to close"
    numbers = {AFTER: float(np.median(course.undelayed[there & good])), "more_oxygen_percent": 100 * more}
    asks, weight = (GO_BACK, 31.0) if _misfires(case, at) else (STOP, 92.0)
    return [watch("lean", asks, weight, title, told, numbers, at)]


def _misfires(case: Case, at: tuple[float, float]) -> bool:
    """Whether a misfire of a rich mixture is suspected there: it reads lean."""
    return any(getattr(s, "rich", False) and at[0] < s.end_s + 0.3 and s.begin_s - 0.3 < at[1] for s in case.suspects)


def _told(case: Case, reached: float, stop: float, n: float, sure: bool, at: tuple[float, float]) -> Finding:
    words = case.words
    end = "beyond the lean end of the gauge" if case.log.ends_between(*at) else ""
    told = (
        f"At full throttle after the valve was told to close, when no nitrous should be left, true lambda went {end or f'to {words.lambda_(reached)}'}, past {stop:.2f}, for {n:.0f} cycles of each cylinder, {span(at)}. "
        "Either the valve did not close and nitrous flows without its fuel, or the engine's own mixture is that lean there. Bottle shut: find out whether the valve leaks before any table is changed."
    )
    numbers = {AFTER: reached, "stop_lambda": stop, "cycles": n}
    title = f"Lambda {end or f'{reached:.2f}'} after the valve was told to close, past {stop:.2f} for {n:.0f} cycles"
    if _misfires(case, at):
        told += " A misfire of a rich mixture is suspected there, which reads lean: it may not have been lean at all."
        return watch("lean", GO_BACK, 31.0, f"{title}, if it was no misfire", told, numbers, at)
    if not sure:
        return watch("lean", REPEAT, 53.0, f"{title}, not for sure", told, numbers, at)
    return watch("lean", STOP, 94.0, title, told, numbers, at)


def _bottle(case: Case) -> list[Finding]:
    """Fall of the bottle's pressure where no nitrous is commanded."""
    log = case.log
    if not log.has("bottle_kpa") or not any(log.has(key) for key in NITROUS_KEYS):
        return []
    near, out = _near(case), None
    for a, b in ev.runs(_quiet(case)):
        falls, begin, end = _fall(log.get("bottle_kpa")[a:b], log.step_s)
        if not falls:
            continue
        pull = bool(near[a + begin : a + end].any())
        if out is None or (pull, falls) > out[:2]:
            out = pull, falls, (case.seconds(a + begin), case.seconds(a + end - 1))
    if out is None:
        return []
    pull, falls, at = out
    size = case.words.kpa(falls, 10)
    told = f"The bottle fell by {size} {span(at)}, where the log commands no nitrous; up to {case.words.kpa(FALLS_ALONE_KPA, 10)} in {WITHIN_S:g} s is allowed (a choice of our own). "
    told += (
        "Nitrous goes somewhere: a valve that leaks or does not close, another valve, or a leak to the outside. "
        + (
            "Bottle shut until it is found; nitrous in the manifold without a command is what bursts it."
            if pull
            else "If it was a purge of the line, say so and leave those seconds out of the log; if not, find the leak first."
        )
    )
    numbers = {"falls_kpa": falls, "allowed_kpa": FALLS_ALONE_KPA}
    title = f"Bottle falls by {size} while no nitrous is commanded"
    return [watch("bottle", STOP if pull else REPEAT, 93.0 if pull else 63.0, title, told, numbers, at)]


def _quiet(case: Case) -> np.ndarray:
    """Samples in which the log says that nothing is commanded, some way from a command; cut where the log begins anew."""
    log = case.log
    on = commanded(log, case.sheet)[0]
    known = np.isfinite(log.get("nitrous_duty_percent")) | np.isfinite(log.get("nitrous_on"))
    out = known & ~on
    shut = ev.samples(SHUT_S, log.step_s)
    for a, b in ev.runs(on):
        out[max(a - 1, 0) : b + shut] = False
    for k in ev.restarts(log.get("rpm"), log.step_s, case.sheet.driveline.free_rise_rpm_s):
        out[k : k + 1] = False
    return out


def _near(case: Case) -> np.ndarray:
    """Samples at full throttle, and soon after."""
    out = np.zeros(len(case.log.time_s), bool)
    for pull in case.pulls:
        out[pull.start : pull.stop + round(NEAR_S / case.log.step_s)] = True
    return out


def _fall(pressure: np.ndarray, step_s: float) -> tuple[float, int, int]:
    """Largest fall within `WITHIN_S` that lasts [kPa], and from where to where; 0 where there is none."""
    wide = max(round(LASTS_S / step_s), 3)
    pieces = len(pressure) // wide
    if pieces < 3:
        return 0.0, 0, 0
    rows = pressure[: pieces * wide].reshape(pieces, wide)
    rows = np.where(rows > 0, rows, np.nan)
    good = np.isfinite(rows).sum(axis=1) >= 2
    level = np.array([np.nanmedian(row) if ok else np.nan for row, ok in zip(rows, good, strict=True)])
    jumps = np.abs(np.diff(pressure))
    noise = 1.4826 * float(np.nanmedian(jumps)) / np.sqrt(2 * wide) if np.isfinite(jumps).any() else 0.0
    reach, least = max(round(WITHIN_S / (wide * step_s)), 2), FALLS_ALONE_KPA + 5 * noise
    best = 0.0, 0, 0
    for k in range(1, pieces):
        later = np.nanmax(level[k : k + 2]) if np.isfinite(level[k : k + 2]).any() else np.nan
        before = level[max(k - reach, 0) : k]
        if not np.isfinite(later) or not np.isfinite(before).any():
            continue
        j = int(np.nanargmax(before)) + max(k - reach, 0)
        if level[j] - later > max(best[0], least):
            best = float(level[j] - later), j * wide, min((k + 2) * wide, len(pressure))
    return best
