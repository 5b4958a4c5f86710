"""Was the timing really taken back while nitrous was in the charge, and did it knock."""

from __future__ import annotations

import numpy as np

from ..plan.ladder import GATE_TIMING_DEG
from ..plan.ramp import OVER_TIME
from ..text import degrees
from .channels import CHANNELS
from .clock import UNCONFIRMED
from .events import despiked, runs
from .finding import GO, GO_BACK, REPEAT, STOP, Finding
from .held import readings_a_second
from .judge_case import COVERED, CYCLES_SURE, Case, cycles, holds, span, unjudged, watch
from .judge_lean import index_of
from .knock_heard import deaf, slowly
from .knock_seen import COUNT, LEVEL, RETARD, UNSEEN
from .nitrous_hidden import LASTS_S
from .retard_margin import SHORT_STOP_DEG, Margin, margins

NONE_PART = 0.25
"""Less than this part of the retard that is right counts as none at all; a choice of our own, no source."""
LASTING_CYCLES = 20.0
"""Cycles of each cylinder from which the length of a spell of too little retard adds no more to its weight; a choice of our own, no source."""
LEAST_HZ = 10.0
"""Readings of timing a second that are asked: between slower ones a retard that is lost for a tenth of a second is not seen; a choice of our own, no source."""
LATE_S = 0.6
"""Spell of too little retard as the nitrous comes in that still counts as retard that came late [s]; a choice of our own, no source."""
HALF_STEP_DEG = 0.5
"""Retard beyond the step's own from which the dose of the moment is said to be the reason; the half degree of a controller's table; a choice of our own, no source."""
LOUDER = 1.3
"""Knock signal on nitrous over that without, median at the same speed, from which knock all through cannot be ruled out; a choice of our own, no source."""
RESONANCE = " In one pull a resonance of the engine at one speed looks the same: hear it with a listening set."
"""What else a level that rises without nitrous may be."""
MORE_DEG = 4.0
"""Retard beyond the plan that is worth a word: lost power, hot exhaust; a choice of our own, no source."""


def judge_retard(case: Case) -> list[Finding]:
    """Hold the timing in the log against what is right for the dose of each moment, from the first nitrous to the last."""
    if not case.log.has("timing_deg_btdc"):
        told = "Timing is not in the log: nobody knows whether it was taken back. Log it, or check every speed with a timing light."
        return [unjudged("retard", "Timing is not in the log", told, REPEAT, 75.0)]
    every = margins(case)
    found = [spell for held in every for spell in _short_spells(held)]
    if found:
        return [_short(case, *min(found, key=lambda f: f[0]))]
    judged, wanted = (sum(int(part.sum()) for part in parts) for parts in ([h.judged for h in every], [h.use for h in every]))  # fmt: skip
    if not judged:
        told = "No reading of timing goes with nitrous in the charge at full throttle."
        return [unjudged("retard", "Retard on nitrous cannot be told", told, REPEAT, 55.0)]
    if not case.dose_known:
        return [_unknown_dose()]
    if judged < COVERED * wanted:
        share = 100 * judged / wanted
        told = f"Timing, and the known-good one to hold it against, are known for {share:.0f} % of the time that nitrous was in the charge at full throttle; {100 * COVERED:.0f} % is asked (a choice of our own). For the rest nobody knows whether it was taken back."
        return [unjudged("retard", f"Timing known for {share:.0f} % of the time on nitrous only", told, REPEAT, 55.0)]
    return _slow(case) or _of_less(case, every) or [_kept(every)]


def _slow(case: Case) -> list[Finding]:
    """Say that timing is read too rarely to show a retard that is lost for a moment."""
    rate, stamped = readings_a_second(case.log, "timing_deg_btdc"), case.log.rate_hz.get("timing_deg_btdc")
    if rate is None or rate >= 0.99 * LEAST_HZ:
        return []
    held = f", though rows come {stamped:.0f} times" if stamped > 1.5 * rate else ""
    title = f"Timing read only {rate:.0f} time{'s' * (round(rate) != 1)} a second"
    told = f"{title}{held}; {LEAST_HZ:g} are asked (a choice of our own). No reading shows too little retard, but one that is lost for up to {1 / rate:.2f} s between two of them would not show. Log timing more often and pull again."
    return [unjudged("retard", title, told, REPEAT, 55.0)]


def _short_spells(held: Margin) -> list[tuple[float, Margin, np.ndarray, bool]]:
    """Spells of too little retard (how short, pull, samples, whether in one): each that lasts, else all of a pull together, for timing that flickers is as early."""
    step = float(np.median(np.diff(held.course.time_s)))
    parts = [np.arange(a, b) for a, b in runs(held.short)]
    lasting = [part for part in parts if cycles(held.course.rpm[part], step) >= CYCLES_SURE]
    every = np.flatnonzero(held.short)
    if lasting:
        return [(_robust_low(held.deg[part]), held, part, True) for part in lasting]
    if cycles(held.course.rpm[every], step) >= CYCLES_SURE:
        return [(_robust_low(held.deg[every]), held, every, False)]
    return []


def _unknown_dose() -> Finding:
    """The valve is not pulsed, and which nozzle was fitted decides how much retard is right."""
    told = (
        f"The valve is not pulsed: which nozzle was fitted decides how much retard is right, and no log holds that. Where timing is known, the retard is no more than {GATE_TIMING_DEG:g} degree short of that of the smallest step. "
        "State which part of the planned flow the fitted nozzle passes (the page asks for it; the command takes --part, 0.5 for half), and judge the log again."
    )
    return unjudged("retard", "Retard cannot be judged: the fitted nozzle is not stated", told, REPEAT, 56.0)


def _robust_low(margin: np.ndarray) -> float:
    """Tenth part from below, one of the readings: one odd sample does not decide."""
    return float(np.quantile(margin, 0.1, method="lower"))


def _short(case: Case, short: float, held: Margin, part: np.ndarray, in_one: bool) -> Finding:
    """Say that the retard was short, by how much, and when."""
    course, pull = held.course, case.pulls[held.pull]
    at = int(part[np.abs(held.deg[part] - short).argmin()])
    n = cycles(course.rpm[part], float(np.median(np.diff(course.time_s))))
    right, logged, rpm = float(held.right[at]), float(held.taken[at]), float(course.rpm[at])
    none, over = logged < NONE_PART * right, bool(right > held.of_step[at] + HALF_STEP_DEG and course.dose[at] > 1)
    shift = bool(held.rough[part].mean() > 0.5)
    index = int(index_of(case, course)[part[0]])
    early = any(h.wash_out.start <= index < h.wash_out.stop for h in pull.hits)
    coming = any(h.command.start <= index < max(h.ramp_in.stop, h.flow.start + 1) for h in pull.hits)
    late = coming and not early and not over and (part[-1] + 1 - part[0]) * case.log.step_s < LATE_S
    asks = STOP if none or short < -SHORT_STOP_DEG else GO_BACK
    spell = (float(course.time_s[part[0]]), float(course.time_s[part[-1]]))
    numbers = {
        "short_deg": -short,
        "planned_deg": right,
        "step_deg": float(held.of_step[at]),
        "logged_deg": logged,
        "rpm": rpm,
        "cycles": n,
        "gate_deg": GATE_TIMING_DEG,
        "in_wash_out": early,
        "coming_in": late,
        "in_shift": shift,
        "over_dose": over,
    }
    what = (
        "Timing came back before the nitrous was gone"
        if early
        else "The retard came after the nitrous"
        if late
        else "The retard was not applied"
        if none
        else "Too little retard for the dose sprayed"
        if over
        else "Too little retard"
    )
    when = "while the nitrous washed out" if early else f"at {rpm:.0f} rpm"
    when += ", in a shift or right behind a lifted throttle" if shift else ""
    title = f"{what}: {degrees(max(logged, 0.0))} of {degrees(right)} degrees {when}"
    stop = f"more than {SHORT_STOP_DEG:g}, or less than a quarter of what is right, is a stop"
    allowed = (
        f"there only more than {SHORT_STOP_DEG:g} counts, and is a stop"
        if shift
        else f"{GATE_TIMING_DEG:g} is allowed, {stop}"
    )
    told = (
        f"The log shows {_taken(logged)} where {_wanted(held, at, over)}, {degrees(-short)} short, for {n:.0f} cycles of each cylinder{'' if in_one else ' in all'} {span(spell)}; "
        f"{allowed} (choices of our own). Too early on nitrous breaks parts before it can be heard."
    )
    lasting = min(1.0, n / LASTING_CYCLES)
    weight = (78.0 + lasting * (8.0 + min(-short, 10.0))) if asks == STOP else 72.0 + lasting * min(-short, 4.0)
    return watch("retard", asks, weight, title, told, numbers, spell)


def _taken(logged: float) -> str:
    """Say what was taken out."""
    if abs(logged) < 0.05:
        return "the known-good timing, nothing taken out,"
    return f"{degrees(abs(logged))} degrees {'less' if logged > 0 else 'more'} than the known-good timing"


def _wanted(held: Margin, at: int, over: bool) -> str:
    """Say what is right there, and why where that is not the step's own."""
    right, times = degrees(held.right[at]), float(held.course.dose[at])
    if over:
        dose = f"{times:.1f} times that of its step" if np.isfinite(times) else "more than its step has"
        return f"the dose of that moment, {dose}, asks for {right} (the step has {degrees(held.of_step[at])})"
    if times < 1 and held.right[at] < held.of_step[at]:
        return f"the {100 * times:.0f} % of the step's dose that were commanded ask for {right}"
    return f"{right} are planned"


def _of_less(case: Case, every: list[Margin]) -> list[Finding]:
    """Retard that is right for a smaller dose than the step's: of the step itself it says nothing there."""
    least, found = max(round(LASTS_S / case.log.step_s), 3), []
    for held in every if case.tune.ramp.kind != OVER_TIME else ():
        with np.errstate(invalid="ignore"):
            less = held.steady & (held.course.dose < 1) & (held.taken < held.of_step - GATE_TIMING_DEG)
        found += [(b - a, held, slice(a, b)) for a, b in runs(less) if b - a >= least]
    if not found:
        return []
    _, held, here = max(found, key=lambda f: f[0])
    course, at = held.course, (float(held.course.time_s[here][0]), float(held.course.time_s[here][-1]))
    rpm = f"{course.rpm[here].min():.0f} to {course.rpm[here].max():.0f} rpm"
    dose, taken, of_step = (float(np.median(v[here])) for v in (course.dose, held.taken, held.of_step))
    told = (
        f"{span(at).capitalize()} about {100 * dose:.0f} % of the step's dose was commanded, with about {degrees(taken)} degrees taken out: right for so much, but the step has {degrees(of_step)} there, "
        "and whether they come with its whole dose this log does not show. Set the whole table to one step, then pull again."
    )
    return [unjudged("retard", f"Retard of the step not seen at {rpm}: less than its dose was commanded", told, REPEAT, 55.0)]  # fmt: skip


def _kept(every: list[Margin]) -> Finding:
    """Say that enough was taken out, and where a good deal more was."""
    least, most, rpm, high_rpm, moment = np.inf, -np.inf, np.nan, np.nan, np.inf
    for held in every:
        use = held.steady if held.steady.any() else held.judged
        if not use.any():
            continue
        margin, more = held.deg[use], (held.taken - np.fmax(held.right, held.of_step))[use]
        low, high = float(np.quantile(margin, 0.05)), float(np.quantile(more, 0.95))
        if low < least:
            least, rpm = low, float(held.course.rpm[use][int(np.abs(margin - low).argmin())])
        if high > most:
            most, high_rpm = high, float(held.course.rpm[use][int(np.abs(more - high).argmin())])
        moment = min(moment, float(np.nanmin(despiked(held.deg, 3))))
    numbers = {"least_margin_deg": least, "most_margin_deg": most, "rpm": rpm, "gate_deg": GATE_TIMING_DEG}
    if least < -GATE_TIMING_DEG or moment < -SHORT_STOP_DEG:
        worst = -min(least, moment)
        told = f"The log shows up to {degrees(worst)} degrees less retard than is right, for less than {CYCLES_SURE:g} cycles of each cylinder: too short to be sure of, too much to call it kept ({GATE_TIMING_DEG:g} is allowed). Find out why, and repeat with a longer pull."
        return unjudged("retard", f"Retard short by {degrees(worst)} degrees for a moment", told, REPEAT, 57.0)
    near = _near(least)
    if most > MORE_DEG:
        told = f"More than planned was taken out, {degrees(most)} degrees at {high_rpm:.0f} rpm: no knock comes of that, but less power and a hotter exhaust. Against what is right for the dose {near}."
        return watch("retard", "go", 28.0, f"{degrees(most)} degrees more retard than planned at {high_rpm:.0f} rpm", told, numbers)  # fmt: skip
    told = (
        f"At full throttle with nitrous in the charge the log shows the planned retard within what is allowed, {GATE_TIMING_DEG:g} degree: {near}. "
        f"A lifted throttle is left out; in a shift with the throttle open, and right behind a lift, only more than {SHORT_STOP_DEG:g} degrees short count (a choice of our own).{_lifted(every)}"
    )
    return holds("retard", 40.0, f"Retard as planned: no more than {degrees(max(-least, 0.5))} degrees short", told, numbers)  # fmt: skip


def _lifted(every: list[Margin]) -> str:
    """Say what was taken out while the throttle was lifted with the valve commanded; which timing is right there is not on the sheet."""
    short = [float((held.right - held.taken)[held.lifted & np.isfinite(held.taken)].max(initial=0.0)) for held in every]
    if max(short) <= GATE_TIMING_DEG:
        return ""
    return f" While it was lifted and the valve commanded all the same, up to {degrees(max(short))} degrees less were taken out: which timing is right there nobody knows, for no nitrous should be there."


def _near(least: float) -> str:
    """Say how far below what is right the readings come."""
    if degrees(least) == "0.0":
        return "none of it is short, but for 1 reading in 20 at most"
    return (
        f"19 of 20 readings are {degrees(-least)} degrees short of it at most"
        if least < 0
        else f"19 of 20 readings are {degrees(least)} degrees beyond it or more"
    )


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
        none, (title, why) = _no_burst(case), slowly(case)
        return [unjudged("knock", title, why, GO, 31.0) if title and none.asks == GO else none]
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
                else f"An engine that knocks by itself has no margin for nitrous: mend its own timing or fuel first.{RESONANCE if seen.kind == LEVEL else ''}"
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
