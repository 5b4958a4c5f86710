"""Did any cycle run lean while nitrous was in the charge: how deep, how long, when, and what did it."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import minimum_filter1d

from .events import runs
from .finding import GO_BACK, REPEAT, STOP, Finding
from .judge_case import CYCLES_SURE, Case, holds, span, unjudged, watch
from .lean_spells import (
    GAUGE_LATE_S,
    GAUGE_S,
    UNSIZED,
    Excursion,
    Spells,
    burning,
    excursions,
    index_of,
    lead_seen,
    pulse_s,
    ripple_at,
    step_of,
    usable,
    with_nitrous,
)

__all__ = ["index_of", "judge_lean", "judge_misfire", "lead_seen", "with_nitrous"]

NEARLY = 0.5
"""Part of the error at 95 % that counts towards the lean stop where nothing was read past it; a choice of our own, no source."""
NEAR_CYCLES = 1.5
"""Working cycles of a cylinder for which that has to last: a single sample of a quick log says nothing by its error; a choice of our own, no source."""
READ_SHARE, READ_GAP_S = 0.9, 0.25
"""Part of the time with nitrous in the charge in which lambda has to be read, and the longest without, `EDGE_S` on either side of a gap in it [s]; choices of our own, no source."""

SMEARED_S = 0.5
"""Spells past the stop that are shorter come out shallower than they were [s]: in simulated ones every depth did; a choice of our own, no source."""
BLINDED = " The throttle was shut too near to it for the gauge to show it by itself, or opened too near; it counts as if it had shown it (a choice of our own)."
"""Said where nothing but readings next to an overrun bears out what is a stop."""


def judge_lean(case: Case, suspects: tuple = ()) -> list[Finding]:
    """Say whether cycles ran past the lean stop with nitrous in the charge.

    Parameters
    ----------
    case : Case
    suspects : tuple
        Stretches (begin, end) [s], rich or not, where a misfire is suspected: near the rich end what reads lean there is no lean cycle for sure.
    """
    if not case.log.has("lambda_"):
        return [unjudged("lean", "Lean excursions cannot be seen without lambda", "Log lambda.", REPEAT, 85.0)]
    if all(course is None for pull, course in zip(case.pulls, case.courses, strict=True) if pull.hits):
        return [
            unjudged("lean", "Lean excursions cannot be told", "No course of lambda could be computed.", REPEAT, 55.0)
        ]
    found = excursions(case)
    seen = [_told(case, e, suspects) for e in found]
    return [*_unread(case), *(seen or [_never(case)])]


def _told(case: Case, found: Spells, suspects: tuple) -> Finding:
    """Write down what ran past the stop in one pull."""
    stop, e = case.sheet.limits.lean_stop_lambda, found.spells[0]
    at, numbers = (e.begin_s, e.end_s), _numbers(found, stop)
    amount, size = _amount(case, e, stop)
    counted = f"{found.cycles:.0f} cycles" if found.cycles >= CYCLES_SURE else "fewer than 3 cycles"
    title = f"{amount} {e.when}, past the stop for {counted}"
    more = f" in {len(found.spells)} spells of this pull" if len(found.spells) > 1 else ""
    which = _sensor(case, e)
    title = f"{title}, by {which}" if which else title
    told = (
        f"{size} at {e.rpm:.0f} rpm, {span(at)}. Past the lean stop at {stop:.3f} it was for {counted} of each cylinder{more}, "
        f"for {found.sure_cycles:.0f} of them by more than the error{_gauge(found, which or 'the gauge')}.{_deeper(e)} {e.cause}"
    )
    here = [rich for a, b, rich in (_suspect(s) for s in suspects) if e.begin_s < b + 0.3 and a - 0.3 < e.end_s]
    if any(here):
        told += " A misfire of a rich mixture is suspected there, which reads lean: it may not have been lean at all."
        return watch("lean", GO_BACK, 30.0, f"{title}, if it was no misfire", told, numbers, at)
    if here:
        told += " The engine stumbles there. A lean mixture does that too, and nothing in this log says that it was rich: it is taken for lean."
    if found.sure:
        told += BLINDED if found.blinded else ""
        told += f" {CYCLES_SURE:g} cycles are enough to stop for (a choice of our own)."
        return watch("lean", STOP, 90.0 + min(9.0, 30 * (e.lambda_ - stop)), title, told, numbers, at)
    if found.likely:
        return watch("lean", GO_BACK, 65.0, f"{title}, not for sure", told, numbers, at)
    return watch("lean", REPEAT, 52.0, f"{title}, not for sure", told, numbers, at)


def _numbers(found: Spells, stop: float) -> dict:
    """What is behind a finding; of a gauge beyond its lean end that end, and no error."""
    e = found.spells[0]
    return {
        "lambda": e.gauge_lambda if e.beyond else e.lambda_,
        "lambda_95": None if e.beyond else e.error,
        "beyond_gauge": e.beyond,
        "ripple_lambda": e.ripple,
        "gauge_lambda": e.gauge_lambda if np.isfinite(e.gauge_lambda) else None,
        "stop_lambda": stop,
        "cycles": found.cycles,
        "sure_cycles": found.sure_cycles,
        "rpm": e.rpm,
        "when": e.when,
        "cause": e.kind,
        "excursions": len(found.spells),
        "likely_deeper": bool(_deeper(e)),
    }


def _amount(case: Case, e: Excursion, stop: float) -> tuple[str, str]:
    """How lean it was, for a title and as the begin of a sentence."""
    words, leanest = case.words, "The leanest true reading with nitrous in the charge"
    if e.beyond:
        end = f"({e.gauge_lambda:.2f} or leaner, {e.gauge_lambda * words.scale:.1f} or more on a {words.scale:g} scale; the log gives no number there)"
        return (
            f"Lambda beyond the lean end of the gauge ({e.gauge_lambda:.2f} or leaner)",
            f"The leanest reading with nitrous in the charge is beyond the lean end of the gauge {end}",
        )
    begin = f"{leanest}{_mean_over(case, e.ripple)} is"
    if e.error > UNSIZED:
        shown = e.gauge_s >= GAUGE_S and e.gauge_lambda > stop
        title = f"Lambda {e.gauge_lambda:.2f} on the gauge" if shown else f"Lambda past {stop:.3f}"
        return title, f"{begin} past {words.lambda_(stop)}, how far is not known,"
    digits = 2 if round(e.lambda_, 2) > stop else 3
    size = f"{words.lambda_(e.lambda_, digits)} (± {max(e.error, 0.005):.2f})"
    return f"Lambda {e.lambda_:.{digits}f}", f"{begin} {size}"


def _sensor(case: Case, e: Excursion) -> str:
    """Name of the sensor that read leanest there; empty where there is one alone."""
    sensors, time = case.log.sensors, case.log.time_s
    here = (time >= e.begin_s) & (time <= e.end_s + GAUGE_LATE_S)
    read = {name: values[here & np.isfinite(values)] for name, values in sensors.items()}
    known = {name: float(np.quantile(values, 0.9)) for name, values in read.items() if len(values)}
    return max(known, key=known.get) if len(sensors) > 1 and known else ""


def _gauge(found: Spells, which: str) -> str:
    """What the gauge itself showed of it."""
    if found.gauge_s < GAUGE_S:
        return ""
    most = max(e.gauge_lambda for e in found.spells if np.isfinite(e.gauge_lambda))
    to = "went to its lean end" if any(e.beyond for e in found.spells) else f"showed up to lambda {most:.2f}"
    return f"; {which} itself, late and slow, stood past it for {found.gauge_s:.2f} s and {to}"


def _deeper(e: Excursion) -> str:
    """Say of a short spell that its leanest cycle was likely leaner than what is read."""
    if e.beyond or e.error > UNSIZED or e.end_s - e.begin_s >= SMEARED_S:
        return ""
    by = f", by up to about {e.ripple:.2f}" if e.ripple >= 0.005 else ""
    return f" The leanest cycle was likely leaner than that{by}: sensor and engine even out what lasts less than {SMEARED_S:g} s."


def _suspect(s: tuple) -> tuple[float, float, bool]:
    """Begin, end, and whether the mixture was near the rich end; taken for no where it is not given."""
    return s[0], s[1], bool(s[2]) if len(s) > 2 else False


def _mean_over(case: Case, ripple: float) -> str:
    """What a reading on a pulsed valve is the mean of."""
    if not case.tune.pulsed:
        return ""
    also = f"; by the plan single cycles run up to {ripple:.2f} leaner, which is in the ±" if ripple >= 0.005 else ""
    return f" (a mean over one pulse of the valve, {pulse_s(case):.2f} s{also})"


def _unread(case: Case) -> list[Finding]:
    """Say where lambda is missing, or stands right next to a gap, for much of the time with nitrous in the charge."""
    whole, missing, longest, at = 0.0, 0.0, 0.0, None
    for pull, course in zip(case.pulls, case.courses, strict=True):
        if course is None or not pull.hits:
            continue
        step = step_of(course)
        burns = burning(case, pull, course, step)
        gone = burns & ~usable(case, pull, course, step)
        whole, missing = whole + step * int(burns.sum()), missing + step * int(gone.sum())
        for a, b in runs(gone):
            if (b - a) * step > longest:
                longest, at = (b - a) * step, (float(course.time_s[a]), float(course.time_s[b - 1]))
    little, seen = missing <= (1 - READ_SHARE) * whole, not any(hit.unseen for hit in case.hits)
    if whole <= 0 or at is None or (little and not (longest > READ_GAP_S and seen)):
        return []  # a gap that is told as such already is not told again
    told = (
        f"Lambda is missing, or stands right next to a gap, for {missing:.1f} of the {whole:.1f} s with nitrous in the charge, longest {span(at)}: whether a cycle ran lean there is not known. "
        f"{100 * READ_SHARE:.0f} % of it and no gap beyond {READ_GAP_S:g} s are asked (choices of our own)."
    )
    much = f"{longest:.2f} s on end" if little else f"{100 * missing / whole:.0f} % of the time"
    title = f"Lambda is missing for {much} with nitrous in the charge"
    numbers = {"missing_s": missing, "nitrous_s": whole, "longest_s": longest}
    return [Finding("lean", "unjudged", REPEAT, 57.0, title, told, at, numbers)]


def _never(case: Case) -> Finding:
    """Say how near the lean stop it came."""
    stop, near = case.sheet.limits.lean_stop_lambda, _nearest(case)
    if near is None:
        why = "The log has a gap there, or the hit was too short."
        return unjudged("lean", "No reading while nitrous was in the charge", why, REPEAT, 55.0)
    leanest, error, ripple, rpm = (near[key] for key in ("lambda", "lambda_95", "ripple_lambda", "rpm"))
    told = f"The leanest true reading with nitrous in the charge{_mean_over(case, ripple)} is {case.words.lambda_(leanest)} (± {max(error, 0.005):.2f}) at {rpm:.0f} rpm; the lean stop stands at {stop:.3f}. "
    at, numbers = near.pop("at_s"), near | {"stop_lambda": stop}
    mean = ", without what single cycles run leaner" if ripple >= 0.005 else ""
    half = f"What counts towards the stop is {100 * NEARLY:.0f} % of a reading's own error{mean} (a choice of our own): that reaches lambda {max(near['reach_lambda'], leanest):.3f} for {NEAR_CYCLES:g} cycles"
    if near["reach_lambda"] > stop:
        told += f"{half}, past it, {span(at)}: whether so many cycles ran past the stop cannot be told."
        return watch("lean", REPEAT, 51.0, f"Leanest lambda {leanest:.2f}, by its error perhaps past the stop", told, numbers, at)  # fmt: skip
    past = near["whole_lambda"] - stop
    if past > 0:
        by = f"{past:.3f}" if past >= 0.0005 else "less than 0.001"
        told += f"Nothing was read past it; the whole ± of a reading reaches past it by {by}. {half}, not past it."
    else:
        told += "Its whole ± ends short of it."
    return holds("lean", 45.0, f"No reading past the lean stop: leanest lambda {leanest:.2f} (± {max(error, 0.005):.2f})", told, numbers)  # fmt: skip


def _nearest(case: Case) -> dict | None:
    """Find the leanest reading, and how far the part of an error that counts reaches, and the whole of it with what single cycles run leaner; None without any reading."""
    best, widest, reach = None, None, (-np.inf, 0.0)
    for pull, course in zip(case.pulls, case.courses, strict=True):
        if course is None or not pull.hits:
            continue
        there = usable(case, pull, course, step_of(course))
        if not there.any():
            continue
        error = np.nan_to_num(course.undelayed_error, nan=0.0)
        most, j = (int(np.where(there, course.undelayed + part * error, -1.0).argmax()) for part in (1.0, 0.0))
        lasts = round(NEAR_CYCLES * 120 / max(float(np.median(course.rpm[there])), 500.0) / step_of(course))
        lasting = minimum_filter1d(np.where(there, course.undelayed + NEARLY * error, -1.0), max(lasts, 1))
        k = int(lasting.argmax())
        reach = max(reach, (float(lasting[k]), float(course.time_s[k])))
        one, all_of_it = (float(course.undelayed[j]), course, j, error[j]), (float(course.undelayed[most] + error[most]), course, most, error[most])  # fmt: skip
        best = one if best is None or one[0] > best[0] else best
        widest = all_of_it if widest is None or all_of_it[0] > widest[0] else widest
    if best is None:
        return None
    ends = []
    for _, course, i, error in (best, widest):  # what single cycles run leaner takes time to compute
        ripple = ripple_at(case, course, i)
        ends.append((float(np.hypot(error, ripple)), ripple, float(course.undelayed[i] + np.hypot(error, ripple))))
    return {
        "lambda": best[0],
        "lambda_95": ends[0][0],
        "ripple_lambda": ends[0][1],
        "rpm": float(best[1].rpm[best[2]]),
        "reach_lambda": reach[0],
        "at_s": (reach[1],) * 2,
        "whole_lambda": max(ends[0][2], ends[1][2]),
    }


def judge_misfire(case: Case, lean: bool) -> list[Finding]:
    """Say whether a misfire is suspected: it reads lean, and fuel would make a rich one worse.

    Parameters
    ----------
    case : Case
    lean : bool
        Whether anything in this log reads lean.
    """
    if case.suspects:
        s = case.suspects[0]
        at = (float(s.begin_s), float(s.end_s))
        told = (
            f"{s.why} That reads lean but may be a misfire: unburned fuel takes its oxygen past the sensor. No fuel is recommended from this log. Read the plugs, check gap and coils, look whether the mixture "
            f"was richer than {case.sheet.limits.misfire_rich_lambda:.2f}, then repeat."
        )
        rich = getattr(s, "rich", False)
        numbers = {"suspects": len(case.suspects), "can_tell": case.can_tell, "rich": bool(rich)}
        return [
            watch("misfire", GO_BACK if lean else REPEAT, 88.0, f"It may have misfired {span(at)}", told, numbers, at)
        ]
    if not case.can_tell:
        told = f"A misfire would not show: {case.blind or 'engine speed is not fine enough'}. " + (
            "Something here reads lean: rule a misfire out by the plugs before fuel is added."
            if lean
            else "Nothing here reads lean for sure."
        )
        return [unjudged("misfire", "A misfire cannot be ruled out", told, REPEAT if lean else "go", 25.0)]
    told = "Engine speed rises without a stumble where lambda moves, so that a lean reading is a lean mixture."
    return [holds("misfire", 12.0, "No sign of a misfire", told)]
