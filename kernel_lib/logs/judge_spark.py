"""Was the timing really taken back while nitrous was in the charge, and did it knock."""

from __future__ import annotations

import numpy as np

from ..plan.ladder import GATE_TIMING_DEG
from .channels import CHANNELS
from .clock import UNCONFIRMED
from .events import runs
from .finding import GO, GO_BACK, REPEAT, STOP, Finding
from .judge_case import COVERED, CYCLES_SURE, Case, cycles, holds, unjudged, watch
from .judge_lean import index_of, with_nitrous
from .knock_heard import deaf
from .knock_seen import COUNT, LEVEL, RETARD, UNSEEN

SHORT_STOP_DEG = 4.0
"""Retard short of the plan by more than this is a stop; a choice of our own, no source."""
NONE_PART = 0.25
"""Less than this part of the planned retard counts as none at all; a choice of our own, no source."""
LASTING_CYCLES = 20.0
"""Cycles of each cylinder from which the length of a spell of too little retard adds no more to its weight; a choice of our own."""
LOUDER = 1.3
"""Knock signal on nitrous over that without, median at the same speed, from which knock all through cannot be ruled out; a choice of our own, no source."""
MORE_DEG = 4.0
"""Retard beyond the plan that is worth a word: lost power, hot exhaust; a choice of our own, no source."""


def margins(case: Case) -> list[tuple[int, np.ndarray, np.ndarray]]:
    """Find the retard in the log less the planned, pull by pull [deg].

    Parameters
    ----------
    case : Case

    Returns
    -------
    list of tuple
        Number of the pull, samples of its course that are judged, margin there (below 0: too little retard).
    """
    return [(k, use & np.isfinite(margin), margin) for k, use, margin in _margins(case)]


def _margins(case: Case) -> list[tuple[int, np.ndarray, np.ndarray]]:
    """As `margins`, of all samples that ought to be judged; NaN where they cannot be."""
    timing, out = case.log.get("timing_deg_btdc"), []
    for k, (pull, course) in enumerate(zip(case.pulls, case.courses, strict=True)):
        if course is None or not pull.hits:
            continue
        index = index_of(case, course)
        planned = planned_retard(case, course)
        margin = course.timing_base - timing[index] - planned
        use = with_nitrous(course) & case.steady[index] & (planned > 0)
        out.append((k, use, np.where(use, margin, np.nan)))
    return out


def planned_retard(case: Case, course) -> np.ndarray:
    """Planned retard over a course [deg]; where nobody has said which nozzle was fitted, no more than the smallest step's."""
    steps = case.tune.ladder.steps
    if case.dose_known or not steps or not np.isfinite(steps[0].retard_deg).any():
        return course.retard_planned
    known = np.isfinite(steps[0].retard_deg)
    least = np.interp(course.rpm, steps[0].rpm[known], steps[0].retard_deg[known])
    return np.minimum(course.retard_planned, least)


def judge_retard(case: Case) -> list[Finding]:
    """Hold the timing in the log against the plan, from the first nitrous to the last."""
    if not case.log.has("timing_deg_btdc"):
        told = "Timing is not in the log: nobody knows whether it was taken back. Log it, or check every speed with a timing light."
        return [unjudged("retard", "Timing is not in the log", told, REPEAT, 75.0)]
    found, judged, wanted = [], 0, 0
    for k, use, margin in _margins(case):
        course = case.courses[k]
        judged, wanted = judged + int(np.isfinite(margin).sum()), wanted + int(use.sum())
        found += _short_spells(course, k, use, margin)
    if found:
        return [_short(case, *min(found, key=lambda f: f[0]))]
    if not judged:
        told = "No reading of timing goes with nitrous in the charge at full throttle."
        return [unjudged("retard", "Retard on nitrous cannot be told", told, REPEAT, 55.0)]
    if not case.dose_known:
        return [_unknown_dose()]
    if judged < COVERED * wanted:
        share = 100 * judged / wanted
        told = f"Timing is known for {share:.0f} % of the time that nitrous was in the charge at full throttle; {100 * COVERED:.0f} % is asked (a choice of our own). Where it is blank nobody knows whether it was taken back."
        return [unjudged("retard", f"Timing known for {share:.0f} % of the time on nitrous only", told, REPEAT, 55.0)]
    return [_kept(case)]


def _short_spells(course, k: int, use: np.ndarray, margin: np.ndarray) -> list[tuple[float, int, int, int, float]]:
    """Spells of too little retard: each that lasts, else all of a pull together, for timing that flickers is as early."""
    step, short = float(np.median(np.diff(course.time_s))), use & (np.nan_to_num(margin) < -GATE_TIMING_DEG)
    found = []
    for a, b in runs(short):
        n = cycles(course.rpm[a:b], step)
        if n >= CYCLES_SURE:
            found.append((_robust_low(margin[a:b]), k, a, b, n))
    total = cycles(course.rpm[short], step)
    if not found and total >= CYCLES_SURE:
        a, b = np.flatnonzero(short)[[0, -1]]
        found.append((_robust_low(margin[short]), k, int(a), int(b) + 1, total))
    return found


def _unknown_dose() -> Finding:
    """The valve is not pulsed, and which nozzle was fitted decides how much retard is right."""
    told = (
        "The valve is not pulsed: which nozzle was fitted decides how much retard is right, and no log holds that. The retard is that of the smallest step or more. "
        "State which part of the planned flow the fitted nozzle passes (the page asks for it; the command takes --part, 0.5 for half), and judge the log again."
    )
    return unjudged("retard", "Retard cannot be judged: the fitted nozzle is not stated", told, REPEAT, 56.0)


def _robust_low(margin: np.ndarray) -> float:
    """Tenth part from below: one odd sample does not decide."""
    return float(np.quantile(margin, 0.1))


def _short(case: Case, short: float, k: int, a: int, b: int, n: float) -> Finding:
    """Say that the retard was short, by how much, and when."""
    course, pull = case.courses[k], case.pulls[k]
    margin = next(each for j, _, each in margins(case) if j == k)
    at = a + int(np.nanargmin(margin[a:b]))
    planned, rpm = float(planned_retard(case, course)[at]), float(course.rpm[at])
    logged = round(planned + short, 1) + 0.0  # never -0.0
    none = logged < NONE_PART * planned
    index = int(index_of(case, course)[a])
    early = any(h.wash_out.start <= index < h.wash_out.stop for h in pull.hits)
    late = (
        not early
        and any(h.command.start <= index < max(h.ramp_in.stop, h.flow.start + 1) for h in pull.hits)
        and b < a + 0.6 / case.log.step_s
    )
    asks = STOP if none or short < -SHORT_STOP_DEG else GO_BACK
    when = "while the nitrous washed out" if early else f"at {rpm:.0f} rpm"
    spell = (float(course.time_s[a]), float(course.time_s[b - 1]))
    numbers = {
        "short_deg": -short,
        "planned_deg": planned,
        "logged_deg": logged,
        "rpm": rpm,
        "cycles": n,
        "gate_deg": GATE_TIMING_DEG,
        "in_wash_out": early,
        "coming_in": late,
    }
    what = (
        "Timing came back before the nitrous was gone"
        if early
        else "The retard came after the nitrous"
        if late
        else "The retard was not applied"
        if none
        else "Too little retard"
    )
    title = f"{what}: {max(logged, 0):.0f} of {planned:.1f} degrees {when}"
    told = (
        f"The log shows {0.0 if abs(logged) < 0.05 else logged:.1f} degrees less than the known-good timing where {planned:.1f} are planned, {-short:.1f} short, for {n:.0f} cycles of each cylinder from {spell[0]:.2f} to "
        f"{spell[1]:.2f} s; {GATE_TIMING_DEG:g} is allowed, {SHORT_STOP_DEG:g} is a stop (a choice of our own). Too early on nitrous breaks parts before it can be heard."
    )
    lasting = min(1.0, n / LASTING_CYCLES)
    weight = (78.0 + lasting * (8.0 + min(-short, 10.0))) if asks == STOP else 72.0 + lasting * min(-short, 4.0)
    return watch("retard", asks, weight, title, told, numbers, spell)


def _kept(case: Case) -> Finding:
    """Say that enough was taken out, and where a good deal more was."""
    least, most, rpm, high_rpm = np.inf, -np.inf, np.nan, np.nan
    for k, use, margin in margins(case):
        if use.any():
            course = case.courses[k]
            low, high = float(np.quantile(margin[use], 0.05)), float(np.quantile(margin[use], 0.95))
            if low < least:
                least, rpm = low, float(course.rpm[use][int(np.abs(margin[use] - low).argmin())])
            if high > most:
                most, high_rpm = high, float(course.rpm[use][int(np.abs(margin[use] - high).argmin())])
    numbers = {"least_margin_deg": least, "most_margin_deg": most, "rpm": rpm, "gate_deg": GATE_TIMING_DEG}
    if least < -GATE_TIMING_DEG:
        told = f"At {rpm:.0f} rpm the log shows {-least:.0f} degrees less retard than planned, for less than {CYCLES_SURE:g} cycles of each cylinder: too short to be sure of, too much to call it kept ({GATE_TIMING_DEG:g} is allowed). Repeat with a longer pull."
        return unjudged("retard", f"Retard short by {-least:.0f} degrees for a moment", told, REPEAT, 57.0)
    if most > MORE_DEG:
        told = f"Up to {most:.1f} degrees more than planned were taken out at {high_rpm:.0f} rpm: no harm to the parts, but less power and a hotter exhaust. Nowhere was it more than {max(-least, 0):.1f} short."
        return watch(
            "retard", "go", 28.0, f"{most:.0f} degrees more retard than planned at {high_rpm:.0f} rpm", told, numbers
        )
    told = f"At steady full throttle with nitrous in the charge the log shows the planned retard within what is allowed (a lifted throttle and a shift are left out); the least is {abs(least):.1f} degrees {'over' if least >= 0 else 'short'} at {rpm:.0f} rpm, and {GATE_TIMING_DEG:g} is allowed."
    return holds("retard", 40.0, f"Retard as planned within {max(abs(least), 0.5):.1f} degrees", told, numbers)


def judge_knock(case: Case) -> list[Finding]:
    """Say whether the knock signal rose above what this engine shows by itself."""
    if not case.log.has("knock"):
        return [_not_logged(case)]
    seen = case.knock
    if seen is None or not seen.bursts:
        title, why = deaf(case) if seen is not None else ("", "")
        if title:
            return [unjudged("knock", title, why, REPEAT, 55.0)]
    if seen is None or getattr(seen, "unjudged", ""):
        why = getattr(seen, "unjudged", "") or "What is background and what is knock could not be told apart."
        return [unjudged("knock", "Knock cannot be judged", why, "go", 31.0)]
    on = [burst for burst in seen.bursts if burst.nitrous]
    base = [burst for burst in seen.bursts if not burst.nitrous]
    if not on and not base:
        return [_no_burst(case)]
    out = []
    for bursts, with_it in ((on, True), (base, False)):
        if not bursts:
            continue
        b = max(bursts, key=lambda e: e.times)
        which = "on nitrous" if with_it else "without nitrous"
        told = (
            f"{_risen(seen.kind, float(b.times))} at {b.rpm:.0f} rpm, {b.begin_s:.2f} s into the log, {len(bursts)} time{'' if len(bursts) == 1 else 's'} in all {which}. "
            + (
                "Knock on nitrous is a stop, whatever the rest says: bottle shut, plugs out, look for specks; then fuel, timing and octane, before anything is sprayed again."
                if with_it
                else "An engine that knocks by itself has no margin for nitrous: mend its own timing or fuel first."
            )
        )
        numbers = {"bursts": len(bursts), "rpm": float(b.rpm), "times": float(b.times), "nitrous": with_it}
        title = f"Knock {which} at {b.rpm:.0f} rpm"
        weight = 96.0 if with_it else 82.0
        out.append(watch("knock", STOP, weight, title, told, numbers, (float(b.begin_s), float(b.end_s))))
    return out


def _not_logged(case: Case) -> Finding:
    """No knock signal; or a column that may be it, and may show knock, and that nobody has named."""
    begin = f"{CHANNELS['knock'].label.capitalize()} {UNCONFIRMED}: "
    asked = [note.removeprefix(begin) for note in case.log.notes if note.startswith(begin)]
    if asked:
        why = f"{asked[0]} Until the column is named or left out by hand, knock may stand in one that is not read."
        return watch("knock", REPEAT, 56.0, "The knock signal is not confirmed", why)
    told = "No knock signal in the log. By ear only the loud ones are heard, and at speed none: log a knock signal, or read the plugs for specks after every pull."
    return unjudged("knock", "No knock signal in the log", told, "go", 30.0)


def _no_burst(case: Case) -> Finding:
    """Say what a signal without a burst tells: of a level only that nothing stands out, of knock throughout as much as its background."""
    seen = case.knock
    numbers = {"bursts": 0, "louder": seen.louder}
    first = case.base.knock if case.base is not None else None
    if seen.kind != LEVEL:
        told = f"The signal never moved off its rest in a pull. {seen.note}".strip()
        return holds("knock", 38.0, "No knock activity", told, numbers)
    because = ""
    if case.kind == "base" or seen.own:
        because = "No burst stands out, but the background is that of the pull itself: an engine that knocks all through looks the same."
    elif first is not None and first.bursts:
        because = "The base log it is held against knocks itself."
    elif seen.unseen > UNSEEN:
        because = f"For {100 * seen.unseen:.0f} % of the nitrous the engine was not heard at that speed without it: no burst stands out there, but knock throughout would not."
    elif seen.louder > LOUDER:
        because = f"On nitrous the signal is {seen.louder:.1f} times as loud as without at the same speed, all through: a faster burn sounds so, and so does knock that never stops."
    jump = max((s.jump for s in (seen, first) if s is not None), key=lambda j: j[1], default=(0.0, 0.0))
    if jump[1] > 0:
        told = f"From about {jump[0]:.0f} rpm the signal is {jump[1]:.1f} times as loud as just below: a resonance of the engine, or knock from there on. Read the plugs for specks, or hear it with a listening set, before anything is sprayed."
        return watch("knock", REPEAT, 57.0, f"Knock signal {jump[1]:.1f} times as loud from {jump[0]:.0f} rpm on", told, numbers | {"rpm": jump[0], "times": jump[1]})  # fmt: skip
    if because:
        told = f"{because} {seen.note} Make sure by the plugs (specks) or by ear with a listening set.".replace(
            "  ", " "
        )
        return unjudged("knock", "Knock that never stops cannot be told from this log", told, GO, 31.0)
    told = f"The signal never rose above what this engine shows without nitrous at that speed, which has to be free of knock itself. {seen.note}".strip()
    return holds("knock", 38.0, "No knock activity above the engine's own without nitrous", told, numbers)


def _risen(kind: str, times: float) -> str:
    """Say how much, by the kind of signal."""
    if kind == COUNT:
        return f"The count of knocks rose by {times:.0f}"
    if kind == RETARD:
        return f"The controller took {times:.1f} degrees out for knock"
    return f"The signal rose to {times:.1f} times what marks knock"
