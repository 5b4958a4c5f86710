"""Timing without nitrous, ahead of the known-good one: the retard is taken from that, and starts too early by as much."""

from __future__ import annotations

import numpy as np

from ..plan.ladder import GATE_TIMING_DEG
from .events import runs
from .finding import STOP, Finding
from .judge_case import CYCLES_SURE, Case, cycles, span, watch
from .judge_lean import index_of, with_nitrous


def judge_early(case: Case) -> list[Finding]:
    """Hold timing at steady full throttle without nitrous against the known-good one of the build sheet.

    Parameters
    ----------
    case : Case

    Returns
    -------
    list of Finding
        A stop for the spell that is earliest; empty where none lasts, or where timing is not in the log.
    """
    found = [(*each, held) for held in (case, case.base) if held is not None for each in _early(held)]
    return [_told(*max(found, key=lambda each: each[0]), other=case.base)] if found else []


def _early(case: Case) -> list[tuple]:
    """Spells of timing that is ahead, of all pulls of a log."""
    if not case.log.has("timing_deg_btdc"):
        return []
    timing, found = case.log.get("timing_deg_btdc"), []
    for course in case.courses:
        if course is None:
            continue
        index = index_of(case, course)
        early = timing[index] - course.timing_base
        use = case.steady[index] & ~with_nitrous(course)
        with np.errstate(invalid="ignore"):
            over = use & (early > GATE_TIMING_DEG)
        found += _spells(course, early, over)
    return found


def _spells(course, early: np.ndarray, over: np.ndarray) -> list[tuple]:
    """(degrees, course, sample that shows them, samples, cycles) of each that lasts; else of all of a pull together."""
    step = float(np.median(np.diff(course.time_s)))
    parts = [np.arange(a, b) for a, b in runs(over)]
    lasting = [part for part in parts if cycles(course.rpm[part], step) >= CYCLES_SURE]
    every = np.flatnonzero(over)
    if not lasting and cycles(course.rpm[every], step) >= CYCLES_SURE:
        lasting = [every]
    out = []
    for part in lasting:
        degrees = float(np.quantile(early[part], 0.9, method="higher"))  # a reading; one odd sample does not decide
        at = int(part[np.abs(early[part] - degrees).argmin()])
        out.append((degrees, course, at, part, cycles(course.rpm[part], step)))
    return out


def _told(degrees: float, course, at: int, part: np.ndarray, n: float, held: Case, *, other: Case | None) -> Finding:
    """Say how far ahead, where, and what hangs on it."""
    rpm, known = float(course.rpm[at]), float(course.timing_base[at])
    spell = (float(course.time_s[part[0]]), float(course.time_s[part[-1]]))
    where = " of the base log" if held is other else ""
    in_all = " in all" if part[-1] - part[0] >= len(part) else ""
    title = f"Timing without nitrous is {degrees:.1f} degrees ahead of the known-good at {rpm:.0f} rpm"
    told = (
        f"At steady full throttle without nitrous{where} timing stands at {known + degrees:.1f} degrees at {rpm:.0f} rpm where {known:.1f} is the known-good timing of the build sheet, for {n:.0f} cycles of each cylinder{in_all} {span(spell)}; {GATE_TIMING_DEG:g} is allowed. "
        "Every retard for nitrous is counted from the known-good timing. Either the controller adds timing, or the sheet's timing is not the car's: settle which, and set one or the other, before anything is sprayed."
    )
    numbers = {"early_deg": degrees, "known_good_deg": known, "rpm": rpm, "cycles": n, "gate_deg": GATE_TIMING_DEG}
    return watch("base", STOP, 83.0, title, told, numbers, None if where else spell)
