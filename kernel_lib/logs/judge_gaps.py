"""What the log does not show: gaps over the nitrous, its begin outside of the log, a second sensor that is not read."""

from __future__ import annotations

import numpy as np

from ..text import listed
from .channels import CHANNELS
from .clock import UNCONFIRMED
from .command import PRESSURE_PLAY
from .cut import LOG_ENDS, PART_THROTTLE, Hit
from .events import runs
from .finding import GO, REPEAT, STOP, Finding
from .judge_case import Case, unjudged, watch
from .knock_column import NOT_READ
from .spoilt import GUARDED

HIDING = (*GUARDED, "nitrous_duty_percent", "nitrous_on")
"""What may not hide behind words while nitrous flows."""
SPOILT_S = 0.03
"""So much of a hit may hide behind words or impossible numbers; more asks for another log; a choice of our own, no source [s]."""
BLANK_S = 0.2
"""Longest stretch of nitrous in which timing, knock, a second lambda or fuel pressure may be blank without a word [s]; a choice of our own, no source."""
BLIND = {
    "timing_deg_btdc": ("retard", "whether the timing was taken back there"),
    "knock": ("knock", "whether it knocked there"),
    "lambda_2": ("lean", "how lean its cylinders ran there"),
    "fuel_kpa": ("fuel_pressure", "whether the pump held there"),
}
"""Of channels that may not be blank for long: whose judgement it is, and what is not known then."""


def judge_gaps(case: Case) -> list[Finding]:
    """Ask for another log where nitrous flowed that this one does not show.

    Parameters
    ----------
    case : Case
    """
    out, told = [], {}
    for hit in case.hits:
        at = (case.seconds(hit.command.start), case.seconds(hit.flow.stop - 1))
        if hit.begins_unseen and not hit.unseen:
            why = "The log begins with the nitrous flowing. How it came in, where a lean excursion is likeliest, was not seen. Start the log some seconds before full throttle and pull again."
            out.append(watch("samples", REPEAT, 89.0, "The log begins while the nitrous flows", why, {}, at))
        if hit.missing_s > 0:
            out.append(_ends(case, hit))
        for gap in hit.unseen:
            told.setdefault((gap.start, gap.stop), set()).add(_where(hit, gap))
    first = [each for each, where in told.items() if "as the nitrous came in" in where]
    longest = sorted(told, key=lambda each: (each not in first, each[0] - each[1]))
    return (
        out
        + [_gap(case, slice(*each), told[each], told) for each in longest[:1]]
        + _spoilt(case, list(told))
        + _blank(case, list(told))
    )


def _ends(case: Case, hit: Hit) -> Finding:
    """Say that the log ends before the end of the nitrous was seen."""
    end = case.seconds(len(case.log.time_s) - 1)
    at = (case.seconds(hit.command.stop - 1), end)
    begin = "The log ends while the nitrous flows" if hit.ended_by == LOG_ENDS else f"The log ends {end - at[0]:.2f} s after the nitrous was shut off"  # fmt: skip
    told = f"{begin}. Until it is washed out and the gauge, late as it is, has shown it, {hit.missing_s:.2f} s are missing: what the last of it did was not seen. Let the log run for some seconds after the pull, and pull again."
    return watch("samples", REPEAT, 87.0, begin, told, {"missing_s": hit.missing_s}, at)


def _nitrous_at_full(case: Case, gaps: list[tuple[int, int]]) -> np.ndarray:
    """Samples with the valve commanded or nitrous left, the throttle not known to be off its end, and no gap in the log."""
    with np.errstate(invalid="ignore"):
        shut = case.log.get("throttle_percent") < case.sheet.nitrous.throttle_min_percent
    on = np.zeros(len(shut), bool)
    for hit in case.hits:
        on[hit.command.start : hit.flow.stop] = True
    for gap in gaps:
        on[slice(*gap)] = False
    return on & ~shut


def _blank(case: Case, gaps: list[tuple[int, int]]) -> list[Finding]:
    """Say where timing, knock or fuel pressure is blank for a stretch of the nitrous, though it is known in the rest of it."""
    log, on, out = case.log, _nitrous_at_full(case, gaps), []
    for key, (whose, unknown) in BLIND.items():
        there = np.isfinite(log.get(key))
        found = [(b - a, a, b) for a, b in runs(on & ~there) if (b - a) * log.step_s >= BLANK_S - 1e-9]
        if not found or not (there & on).any():
            continue
        n, a, b = max(found)
        seconds, at, label = n * log.step_s, (case.seconds(a), case.seconds(b - 1)), CHANNELS[key].label
        more = f" {len(found)} such stretches are in it." if len(found) > 1 else ""
        asks = GO if key == "fuel_kpa" else REPEAT
        again = " Look why." if asks == GO else " Find out why it was not logged and pull again."
        title = f"{label.capitalize()} is blank for {seconds:.2f} s of the nitrous, from {at[0]:.2f} s on"
        told = f"{title}.{more} It is not known {unknown}; {BLANK_S:g} s are let pass (a choice of our own).{again}"
        numbers = {"blank_s": seconds, "stretches": len(found)}
        out.append(Finding(whose, "unjudged", asks, 58.0 if asks == REPEAT else 31.0, title, told, at, numbers))
    return out


def _spoilt(case: Case, gaps: list[tuple[int, int]]) -> list[Finding]:
    """Ask for another log where words or impossible numbers stand in what decides, while nitrous is in the engine at full throttle."""
    log, out, on = case.log, [], _nitrous_at_full(case, gaps)
    for key, hidden in log.spoilt.items():
        at = np.flatnonzero(hidden & on)
        if key not in HIDING or len(at) * log.step_s < SPOILT_S:
            continue
        label, seconds = CHANNELS[key].label.capitalize(), len(at) * log.step_s
        if key == "lambda_2" and len(log.lambdas) > 2:
            label = f"Lambda, one of {listed(list(log.sensors)[1:])},"
        begin, end = case.seconds(at[0]), case.seconds(at[-1])
        title = f"{label} holds no usable value for {seconds:.2f} s of the nitrous"
        told = f"{title}, between {begin:.2f} and {end:.2f} s: words or impossible numbers stand there. What was measured is not known. Find out why and pull again."
        out.append(watch("samples", REPEAT, 88.0, title, told, {"unseen_s": seconds}, (begin, end)))
    return out


def _where(hit: Hit, gap: slice) -> str:
    """Which part of a hit a gap hides."""
    if hit.begins_unseen and gap.start <= hit.command.start:
        return "as the nitrous came in"
    return "as the nitrous ended" if gap.stop >= hit.command.stop else "in the nitrous"


def _gap(case: Case, gap: slice, where: set[str], every: dict) -> Finding:
    """Say where a gap is, and what of the nitrous it hides."""
    log, known = case.log, np.isfinite(case.log.get("rpm")[gap])
    begin, end = case.seconds(gap.start), case.seconds(gap.stop)
    missing = "The log has a gap" if not known.all() else "Lambda or the nitrous column is blank"
    title = f"{missing} from {begin:.1f} to {end:.1f} s, {where.copy().pop() if len(where) == 1 else 'in the nitrous'}"
    more = f" {len(every)} such gaps are in it." if len(every) > 1 else ""
    other = np.isfinite(log.get("lambda_2")[gap]).all() and not np.isfinite(log.get("lambda_")[gap]).any()
    what = "the cylinders on the first lambda sensor" if other else "the mixture"
    told = f"{title}.{more} What {what} did there was not seen, and a lean excursion takes no longer. Find out why it was not logged and pull again."
    seconds = sum(b - a for a, b in every) * log.step_s
    spans = [case.seconds(k) for each in every for k in each]
    return watch("samples", REPEAT, 89.0, title, told, {"unseen_s": seconds}, (min(spans), max(spans)))


def judge_second(case: Case) -> list[Finding]:
    """Ask for the sensors that the log may have and that are not confirmed: one of them may be the leanest.

    Parameters
    ----------
    case : Case
    """
    begin = f"{CHANNELS['lambda_2'].label.capitalize()} {UNCONFIRMED}: "
    told = [note.removeprefix(begin) for note in case.log.notes if note.startswith(begin)]
    if not told:
        return []
    more = len(case.log.sensors) > 1
    one, what = len(told) == 1, "further" if more else "second"
    title = (
        f"A {what} lambda sensor is not confirmed" if one else f"{len(told)} further lambda sensors are not confirmed"
    )
    why = f"{' '.join(told)} Until {'it is' if one else 'each is'} confirmed or left out by hand, the leanest of the sensors may be one that is not read."
    return [watch("sensors", REPEAT, 56.0, title, why)]


def judge_knock_left(case: Case) -> list[Finding]:
    """Say which columns speak of knock and were not read, where another one was named.

    Parameters
    ----------
    case : Case
    """
    told = [note.removeprefix(NOT_READ) for note in case.log.notes if note.startswith(NOT_READ)]
    if not told:
        return []
    why = f"One knock signal is judged. Not read: {told[0]} Name each of them as the knock signal in turn and see that it stays quiet, or look at them by hand."
    return [unjudged("knock", f"Not read, though called knock: {told[0].rstrip('.')}", why, GO, 33.0)]


def judge_throttle_ends(case: Case) -> list[Finding]:
    """Say where the throttle never comes to its end while manifold pressure says that it is open.

    Parameters
    ----------
    case : Case
    """
    log, least = case.log, case.sheet.nitrous.throttle_min_percent
    throttle, pressure = log.get("throttle_percent"), log.get("manifold_kpa")
    both = np.isfinite(throttle) & np.isfinite(pressure)
    full = case.sheet.value("engine.full_throttle_manifold_kpa")
    open_ = both & (pressure >= full - PRESSURE_PLAY) & (log.get("rpm") > 1.5 * case.sheet.engine.idle_rpm)
    if open_.sum() * log.step_s < 0.5:
        return []
    top = float(np.percentile(throttle[open_], 99.5))  # of the pulls: most of a long log is cruise
    if top >= least:
        return []
    title = f"Throttle never above {top:.0f} % while manifold pressure says full throttle"
    told = f"{title}; full throttle counts from {least:g} % here. Set the throttle's ends in the controller, as what lets the nitrous flow hangs on them, or press the pedal down, and pull again."
    return [watch("samples", REPEAT, 90.0, title, told, {"throttle_percent": top})]


ALWAYS_ON = "Nitrous is on at part throttle for most of the log"
"""Title of a nitrous column that cannot be the valve's, or of a valve that is never shut."""


def judge_shut_throttle(case: Case) -> list[Finding]:
    """Ask whether a nitrous column is upside down where it says on at shut throttle for most of the log.

    Parameters
    ----------
    case : Case
    """
    log = case.log
    throttle = log.get("throttle_percent")
    with np.errstate(invalid="ignore"):
        shut = throttle < 0.5 * case.sheet.nitrous.throttle_min_percent
    on = np.zeros(len(shut), bool)
    for pull in case.pulls:
        for hit in pull.hits:
            on[hit.command] = True
    if shut.sum() * log.step_s < 1.0 or np.mean(on[shut]) < 0.5:
        return []
    part = 100 * float(np.mean(on[shut]))
    told = f"The nitrous column says on for {part:.0f} % of the time at part throttle. Is it upside down, another column, or the arming switch and not the valve? Confirm it in the table of columns; as long as that is open, nothing here holds. If it is the valve, nitrous flowed at part throttle."
    kind = {"part_throttle": sum(p.kind == PART_THROTTLE for p in case.pulls), "on_percent": part}
    return [watch("samples", STOP, 99.0, ALWAYS_ON, told, kind)]
