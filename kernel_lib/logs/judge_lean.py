"""Did any cycle run lean while nitrous was in the charge: how deep, how long, when, and what did it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..plan.proposals import PRESSURE_DROP
from ..plan.stopping import GONE
from .events import runs
from .finding import GO_BACK, REPEAT, STOP, Finding
from .judge_case import CYCLES_SURE, EDGE_S, Case, cycles, holds, span, unjudged, watch, widened
from .judge_supply import fuel_reference

UNSIZED = 0.25
"""Error of lambda from which the size of an excursion is not told; a choice of our own."""
LEAD_PLAY_MS = 20.0
"""What a fuel lead read from a log may be short of the sheet's [ms]; two samples at 100 Hz."""
GAUGE_S, GAUGE_NOISE, GAUGE_LATE_S = 0.03, 0.012, 0.35
"""The gauge itself past the stop for so long [s], by more than its noise [lambda], no later than this [s], makes an excursion sure; choices of our own."""
COMING, STEADY, GOING, SHIFT = (
    "as the nitrous came in",
    "in the steady spray",
    "as the nitrous washed out",
    "at the shift",
)


@dataclass(frozen=True)
class Excursion:
    """A stretch past the lean stop with nitrous in the charge.

    Attributes
    ----------
    begin_s, end_s : float
        On the log's clock, in the cylinder [s].
    lambda_ : float
        The leanest, and its error at 95 % in `error`.
    cycles, sure_cycles : float
        Of each cylinder past the stop, and past it by more than the error.
    rpm : float
    when : str
        One of the phases.
    cause : str
        A sentence.
    kind : str
        "late fuel", "entry", "injectors", "fuel pressure", "pulses", "wash-out", "shift", "steady".
    gauge_s : float
        For how long the gauge itself, late and slow as it is, stood past the stop [s].
    """

    begin_s: float
    end_s: float
    lambda_: float
    error: float
    cycles: float
    sure_cycles: float
    rpm: float
    when: str
    cause: str
    kind: str
    gauge_s: float = 0.0


def with_nitrous(course) -> np.ndarray:
    """Samples of a course whose charge holds more than what counts as gone."""
    most = np.nanmax(course.nitrous_fraction, initial=0.0)
    return np.nan_to_num(course.nitrous_fraction) > max(GONE * most, 1e-4)


def index_of(case: Case, course) -> np.ndarray:
    """Samples of the log that a course's rows stand for."""
    found = np.rint((course.time_s - case.log.time_s[0]) / case.log.step_s).astype(int)
    return np.clip(found, 0, len(case.log.time_s) - 1)


def excursions(case: Case) -> list[Excursion]:
    """Find every stretch past the lean stop, the leanest first."""
    out = []
    for pull, course in zip(case.pulls, case.courses, strict=True):
        if course is None or not pull.hits:
            continue
        out.extend(_of_pull(case, pull, course))
    return sorted(out, key=lambda e: (-e.sure_cycles, -e.lambda_))


def _of_pull(case: Case, pull, course) -> list[Excursion]:
    stop, step = case.sheet.limits.lean_stop_lambda, float(np.median(np.diff(course.time_s)))
    usable = _usable(case, pull, course, step)
    lambda_, error = course.undelayed, np.nan_to_num(course.undelayed_error, nan=np.inf)
    with np.errstate(invalid="ignore"):
        past = usable & (lambda_ > stop)
        sure = usable & (lambda_ - error > stop)
    out, reach = [], round(GAUGE_LATE_S / step)
    for a, b in runs(past):
        k = a + int(np.nanargmax(lambda_[a:b]))
        when, kind, cause = _why(case, pull, course, a, b)
        rpm = course.rpm[a:b]
        out.append(
            Excursion(
                float(course.time_s[a]),
                float(course.time_s[b - 1]),
                float(lambda_[k]),
                float(error[k]),
                cycles(rpm, step),
                cycles(rpm[sure[a:b]], step),
                float(course.rpm[k]),
                when,
                cause,
                kind,
                step * int((course.measured[a : b + reach] > stop + GAUGE_NOISE).sum()),
            )
        )
    return out


def _usable(case: Case, pull, course, step: float) -> np.ndarray:
    """Samples whose reading says something about burning nitrous: it is in the charge, the throttle open, no lift or gap next to it."""
    index = index_of(case, course)
    inside = (index >= pull.start) & (index < pull.stop)
    near = widened(~inside, round(EDGE_S / step))
    gap = ~np.isfinite(course.measured)
    return with_nitrous(course) & ~near & ~widened(gap, round(EDGE_S / step)) & np.isfinite(course.undelayed)


def _phase(case: Case, pull, course, a: int, b: int) -> tuple[str, object]:
    """Phase of the hit in which the middle of a stretch lies, and the hit."""
    index = int(index_of(case, course)[(a + b) // 2])
    hit = max((h for h in pull.hits if h.command.start <= index), key=lambda h: h.command.start, default=pull.hits[0])
    shifts = [e for e in pull.events if getattr(e, "kind", "") in ("shift", "missed shift")]
    time = case.seconds(index)
    if any(case.seconds(e.start) - 0.3 <= course.time_s[b - 1] and time <= case.seconds(e.stop) + 0.5 for e in shifts):
        return SHIFT, hit
    if index < hit.ramp_in.stop:
        return COMING, hit
    return (GOING, hit) if index >= hit.wash_out.start else (STEADY, hit)


def _why(case: Case, pull, course, a: int, b: int) -> tuple[str, str, str]:
    """When it was, what kind, and the likely cause in a sentence."""
    when, hit = _phase(case, pull, course, a, b)
    if when == SHIFT:
        return when, "shift", "Likely cause: throttle or cut took air or fuel away while the valve stayed open."
    kind, told = _supply(case, index_of(case, course)[a:b])
    if not kind and when == COMING:
        kind, told = _entry(case, hit)
    if not kind and when == GOING:
        kind = "wash-out"
        told = "Likely cause: the added fuel went before the nitrous was gone. Keep it on for the time the plan gives."
    return (when, kind, told) if kind else (when, *_steady(case, course, a, b))


def _supply(case: Case, index: np.ndarray) -> tuple[str, str]:
    """Blame fuel pressure or injectors, where the log shows it; empty where it does not."""
    pressure, duty = case.log.get("fuel_kpa")[index], case.log.get("injector_duty_percent")[index]
    limit = case.sheet.limits.injector_duty_percent
    if np.isfinite(pressure).any() and np.nanmin(pressure) < (1 - PRESSURE_DROP) * fuel_reference(case):
        low = case.words.kpa(float(np.nanmin(pressure)), 10)
        return "fuel pressure", f"Fuel pressure had fallen to {low} gauge by then: pump, filter or line."
    if np.isfinite(duty).any() and np.nanmax(duty) > limit:
        most = np.nanmax(duty)
        return "injectors", f"Injector duty stood at {most:.0f} %, past {limit:g} %: the injectors gave no more."
    return "", ""


def _entry(case: Case, hit) -> tuple[str, str]:
    """Blame the fuel's lead, as far as it is in the log."""
    lead, planned = lead_seen(case, hit), case.sheet.nitrous.fuel_lead_ms
    begin = "Likely cause: the fuel came later than the nitrous."
    if lead is None:
        return "late fuel", f"{begin} When the added fuel came is not in the log; log the injector open time."
    if 1e3 * lead > planned - LEAD_PLAY_MS:
        told = f"The added fuel came {1e3 * lead:.0f} ms before the valve was told to open, as planned: likely cause is more nitrous, or less added fuel, than planned."
        return "entry", told
    side = "before" if lead >= 0 else "after"
    return "late fuel", f"{begin} The added fuel came {abs(1e3 * lead):.0f} ms {side} the valve was told to open; the sheet says {planned:g} ms before."  # fmt: skip


def _steady(case: Case, course, a: int, b: int) -> tuple[str, str]:
    share = course.share[a:b]
    pulsed = case.tune.pulsed and np.nanmax(share, initial=0.0) < 1
    if pulsed and course.time_s[b - 1] - course.time_s[a] < 1 / case.sheet.nitrous.pulse_hz:
        hz = case.sheet.nitrous.pulse_hz
        return "pulses", f"Likely cause: the pulses of the valve at {hz:g} Hz, which the manifold did not even out."
    return (
        "steady",
        "Likely cause: less fuel or more nitrous than planned, for as long as it lasted; see lambda, cell by cell.",
    )


def lead_seen(case: Case, hit) -> float | None:
    """How long the added fuel came before the valve's command [s]; None where the fuel is not in the log, or did not step.

    The step is where fuel per cycle crosses half way between what it was well before and what it is when the hit has come in.
    """
    key = next((key for key in ("injector_ms", "injector_duty_percent") if case.log.has(key)), None)
    if key is None or case.sheet.nitrous.system == "wet":
        return None
    per_cycle = case.log.get(key)
    if key == "injector_duty_percent":
        per_cycle = per_cycle / np.maximum(case.log.get("rpm"), 1.0)
    step = case.log.step_s
    begin = hit.command.start
    a, b = max(begin - round(0.8 / step), 0), min(begin + round(0.8 / step), len(per_cycle))
    before, after = (
        float(np.median(part[np.isfinite(part)])) if np.isfinite(part).any() else np.nan
        for part in (
            per_cycle[a : max(begin - round(0.35 / step), a + 1)],
            per_cycle[max(b - round(0.2 / step), a) : b],
        )
    )
    if not (np.isfinite(before) and np.isfinite(after)) or after < 1.05 * before:
        return None
    above = np.flatnonzero(per_cycle[a:b] > 0.5 * (before + after))
    return float((begin - (a + above[0])) * step) if len(above) else None


def judge_lean(case: Case, suspects: tuple = ()) -> list[Finding]:
    """Say whether cycles ran past the lean stop with nitrous in the charge.

    Parameters
    ----------
    case : Case
    suspects : tuple
        Stretches (begin, end) [s] where a misfire is suspected: what reads lean there is no lean cycle for sure.
    """
    if not case.log.has("lambda_"):
        return [unjudged("lean", "Lean excursions cannot be seen without lambda", "Log lambda.", REPEAT, 85.0)]
    if all(course is None for pull, course in zip(case.pulls, case.courses, strict=True) if pull.hits):
        return [
            unjudged("lean", "Lean excursions cannot be told", "No course of lambda could be computed.", REPEAT, 55.0)
        ]
    stop, found = case.sheet.limits.lean_stop_lambda, excursions(case)
    found = [e for e in found if e.sure_cycles > 0 or e.cycles >= CYCLES_SURE]
    if not found:
        return [_never(case)]
    e = found[0]
    doubted = any(e.begin_s < b + 0.3 and a - 0.3 < e.end_s for a, b in suspects)
    sure = e.sure_cycles >= CYCLES_SURE or (e.cycles >= CYCLES_SURE and e.gauge_s >= GAUGE_S)
    words = case.words
    numbers = {
        "lambda": e.lambda_,
        "lambda_95": e.error,
        "stop_lambda": stop,
        "cycles": e.cycles,
        "sure_cycles": e.sure_cycles,
        "rpm": e.rpm,
        "when": e.when,
        "cause": e.kind,
        "excursions": len(found),
    }
    gauge = f"; the gauge itself, late and slow, stood past it for {e.gauge_s:.2f} s" if e.gauge_s >= GAUGE_S else ""
    known = e.error <= UNSIZED
    size = (
        f"{words.lambda_(e.lambda_)} (± {max(e.error, 0.005):.2f})"
        if known
        else f"past {words.lambda_(stop)}, how far is not known,"
    )
    amount = f"Lambda {e.lambda_:.2f}" if known else f"Lambda past {stop:.2f}"
    title = f"{amount} for {max(round(e.cycles), 1)} cycles {e.when}"
    told = (
        f"The leanest true reading with nitrous in the charge is {size} at {e.rpm:.0f} rpm, {span((e.begin_s, e.end_s))}: past the lean stop at "
        f"{stop:.3f} for {e.cycles:.0f} cycles of each cylinder, {e.sure_cycles:.0f} of them by more than the error{gauge}. {e.cause}"
    )
    at = (e.begin_s, e.end_s)
    if doubted:
        told += " A misfire is suspected there, which reads lean: it may not have been lean at all."
        return [watch("lean", GO_BACK, 30.0, f"{title}, if it was no misfire", told, numbers, at)]
    if sure:
        told += f" {CYCLES_SURE:g} cycles are enough to stop for (a choice of our own)."
        return [watch("lean", STOP, 90.0 + min(9.0, 30 * (e.lambda_ - stop)), title, told, numbers, at)]
    return [watch("lean", GO_BACK, 65.0, f"{title}, not for sure", told, numbers, at)]


def _never(case: Case) -> Finding:
    """Say how near the lean stop it came."""
    leanest, rpm = -np.inf, np.nan
    for pull, course in zip(case.pulls, case.courses, strict=True):
        if course is None or not pull.hits:
            continue
        step = float(np.median(np.diff(course.time_s)))
        usable = _usable(case, pull, course, step)
        if usable.any():
            k = int(np.where(usable, np.nan_to_num(course.undelayed, nan=-1.0), -1.0).argmax())
            if course.undelayed[k] > leanest:
                leanest, rpm = float(course.undelayed[k]), float(course.rpm[k])
    stop = case.sheet.limits.lean_stop_lambda
    if not np.isfinite(leanest):
        return unjudged(
            "lean",
            "No reading while nitrous was in the charge",
            "The log has a gap there, or the hit was too short.",
            REPEAT,
            55.0,
        )
    told = f"The leanest true reading with nitrous in the charge is {case.words.lambda_(leanest)} at {rpm:.0f} rpm; the lean stop stands at {stop:.3f}."
    numbers = {"lambda": leanest, "rpm": rpm, "stop_lambda": stop}
    return holds("lean", 45.0, f"No cycle past the lean stop: leanest lambda {leanest:.2f}", told, numbers)


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
            else "Nothing here reads lean."
        )
        return [unjudged("misfire", "A misfire cannot be ruled out", told, REPEAT if lean else "go", 25.0)]
    told = "Engine speed rises without a stumble where lambda moves, so that a lean reading is a lean mixture."
    return [holds("misfire", 12.0, "No sign of a misfire", told)]
