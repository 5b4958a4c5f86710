"""Stretches past the lean stop with nitrous in the charge, pull by pull: how deep, how long, when, and what did it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..plan.delivery import lambda_ripple
from ..plan.proposals import PRESSURE_DROP
from ..plan.stopping import GONE
from .course_parts import LAGS
from .events import bridged, runs
from .judge_case import CYCLES_SURE, EDGE_S, Case, cycles, widened
from .judge_supply import fuel_reference
from .mixture import MixtureModel

UNSIZED = 0.25
"""Error of lambda from which the size of an excursion is not told; a choice of our own."""
LEAD_PLAY_MS = 20.0
"""What a fuel lead read from a log may be short of the sheet's [ms]; two samples at 100 Hz."""
GAUGE_S, GAUGE_NOISE, GAUGE_LATE_S = 0.03, 0.012, 0.35
"""The gauge itself past the stop for so long [s], by more than its noise [lambda], no later than this [s], makes an excursion sure; choices of our own."""
BRIDGE_S = 0.1
"""Stretches past the stop with no more than this between them are one spell [s], or one pulse of the valve where that is longer; a choice of our own, no source."""
SHUT_PERCENT = 30.0
"""Throttle below which a cylinder is so little filled that a lean mixture in it is no danger [%]; a choice of our own, no source."""
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
    at_s : float
        When it was leanest [s].
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
        For how long the gauge itself, late and slow as it is, stood past the stop [s]; only readings that belong to full throttle.
    gauge_lambda : float
        Leanest that the gauge showed meanwhile.
    beyond : bool
        Whether the gauge was beyond its lean end there and gave no number: then `gauge_lambda` is that end, and how lean it was is not known.
    ripple : float
        How much leaner than the mean over a pulse single cycles run by the plan [lambda]; in `error` too; of the leanest spell of a pull.
    """

    begin_s: float
    end_s: float
    at_s: float
    lambda_: float
    error: float
    cycles: float
    sure_cycles: float
    rpm: float
    when: str
    cause: str
    kind: str
    gauge_s: float = 0.0
    gauge_lambda: float = float("nan")
    ripple: float = 0.0
    beyond: bool = False

    @property
    def surely(self) -> float:
        """Lambda that was reached at least: by the reading made undelayed, or by the gauge itself."""
        gauge = self.gauge_lambda if self.gauge_s >= GAUGE_S or self.beyond else -np.inf
        return float(np.fmax(self.lambda_ - self.error, gauge))

    @property
    def leanest(self) -> float:
        """By what is most likely where that is known; else by what was reached at least."""
        return self.lambda_ if self.error <= UNSIZED and not self.beyond else self.surely


@dataclass(frozen=True)
class Spells:
    """What ran past the lean stop in one pull, summed over its spells: ripple cuts a long one into many.

    Attributes
    ----------
    spells : tuple of Excursion
        The leanest first.
    cycles, sure_cycles, gauge_s : float
        As in `Excursion`, of all of them.
    hidden_s : float
        For how long the gauge stood past the stop so near to an overrun that nobody knows what of it belongs to a spell [s].
    """

    spells: tuple[Excursion, ...]
    cycles: float
    sure_cycles: float
    gauge_s: float
    hidden_s: float = 0.0

    @property
    def blinded(self) -> bool:
        """Whether an overrun kept the gauge from showing by itself what would be enough to stop for."""
        told = self.sure_cycles >= CYCLES_SURE or self.gauge_s >= GAUGE_S
        return self.cycles >= CYCLES_SURE and not told and self.gauge_s + self.hidden_s >= GAUGE_S

    @property
    def sure(self) -> bool:
        """Whether it is enough to stop for; a gauge that an overrun kept from showing it counts as if it had."""
        seen = self.gauge_s >= GAUGE_S or self.blinded
        return self.sure_cycles >= CYCLES_SURE or (self.cycles >= CYCLES_SURE and seen)

    @property
    def likely(self) -> bool:
        """Whether it is enough to go back for."""
        return self.sure_cycles > 0 or self.cycles >= CYCLES_SURE


def with_nitrous(course) -> np.ndarray:
    """Samples of a course whose charge holds more than what counts as gone."""
    most = np.nanmax(course.nitrous_fraction, initial=0.0)
    return np.nan_to_num(course.nitrous_fraction) > max(GONE * most, 1e-4)


def index_of(case: Case, course) -> np.ndarray:
    """Samples of the log that a course's rows stand for."""
    found = np.rint((course.time_s - case.log.time_s[0]) / case.log.step_s).astype(int)
    return np.clip(found, 0, len(case.log.time_s) - 1)


def excursions(case: Case) -> list[Spells]:
    """Find what ran past the lean stop, pull by pull, the worst first."""
    out = []
    for pull, course in zip(case.pulls, case.courses, strict=True):
        if course is not None and pull.hits:
            out += [found for found in (_of_pull(case, pull, course),) if found.spells]
    return sorted(out, key=lambda e: (not e.sure, not e.likely, -e.spells[0].leanest))


def _of_pull(case: Case, pull, course) -> Spells:
    stop, step = case.sheet.limits.lean_stop_lambda, step_of(course)
    there = usable(case, pull, course, step)
    lambda_, error = course.undelayed, np.nan_to_num(course.undelayed_error, nan=np.inf)
    with np.errstate(invalid="ignore"):
        past = there & (lambda_ > stop)
        sure = there & (lambda_ - error > stop)
        late = course.measured > stop + GAUGE_NOISE
    out, gauge, own = [], np.zeros(len(past), bool), belongs(case, pull, course)
    end = case.log.at_lean_end[index_of(case, course)]
    for a, b in runs(bridged(past, round(max(BRIDGE_S, pulse_s(case)) / step))):
        k = a + int(np.nanargmax(np.where(past[a:b], lambda_[a:b], np.nan)))
        when, kind, cause = _why(case, pull, course, a, b)
        here = np.zeros(len(past), bool)
        here[a : b + round(GAUGE_LATE_S / step)] = True
        gauge |= here & late
        here &= own & np.isfinite(course.measured)
        out.append(
            Excursion(
                float(course.time_s[a]),
                float(course.time_s[b - 1]),
                float(course.time_s[k]),
                float(lambda_[k]),
                float(error[k]),
                cycles(course.rpm[a:b][past[a:b]], step),
                cycles(course.rpm[a:b][sure[a:b]], step),
                float(course.rpm[k]),
                when,
                cause,
                kind,
                step * int((here & late).sum()),
                float(course.measured[here].max()) if here.any() else np.nan,
                beyond=bool((here & end).any()),
            )
        )
    out.sort(key=lambda e: (not e.beyond, -e.leanest))
    if out:
        ripple = ripple_at(case, course, int(np.abs(course.time_s - out[0].at_s).argmin()))
        out[0] = replace(out[0], error=float(np.hypot(out[0].error, ripple)), ripple=ripple)
    seen = [step * int((gauge & part).sum()) for part in (own, ~own)]
    return Spells(tuple(out), sum(e.cycles for e in out), sum(e.sure_cycles for e in out), *seen)


def belongs(case: Case, pull, course) -> np.ndarray:
    """Readings that show nothing but full throttle: none that still fall from an overrun before it, and none that already rise with the throttle shut."""
    delay = course.delay
    dead = max(delay.total_s - delay.tau_s, 0.0)
    first = case.seconds(pull.start) + dead + LAGS * delay.tau_s
    last = case.seconds(pull.stop) + max(dead - 2 * delay.dead_error_s, 0.0)
    return (course.time_s >= first) & (course.time_s < last)


def step_of(course) -> float:
    return float(np.median(np.diff(course.time_s)))


def pulse_s(case: Case) -> float:
    """Length of a pulse of the valve [s]; 0 where it does not pulse."""
    return 1 / case.sheet.nitrous.pulse_hz if case.tune.pulsed else 0.0


def ripple_at(case: Case, course, k: int) -> float:
    """How much leaner than their mean over a pulse single cycles run by the plan [lambda]; 0 where the valve does not pulse."""
    share, rpm = float(course.share[k]), float(course.rpm[k])
    if not case.tune.pulsed or not 0 < share < 1:
        return 0.0
    setup = MixtureModel.of(case.sheet).setup
    rpm = float(np.clip(rpm, setup.rpm_table[0], setup.rpm_table[-1]))
    found = lambda_ripple(case.sheet, setup, rpm, share, case.sheet.nitrous.pulse_hz)
    return max(float(found.leanest) - case.sheet.engine.lambda_with_nitrous, 0.0)


def burning(case: Case, pull, course, step: float) -> np.ndarray:
    """Samples with nitrous in the charge and the throttle open, no lift next to them; with the throttle shut as long as the valve is open.

    Notes
    -----
    In a shift that shuts throttle and valve what nitrous is left burns lean in a cylinder that is nearly empty, as on every overrun: no stop is meant for that.
    """
    index = index_of(case, course)
    inside = (index >= pull.start) & (index < pull.stop)
    with np.errstate(invalid="ignore"):
        shut = case.throttle[index] < SHUT_PERCENT
    left = ~inside | (shut & ~(np.nan_to_num(course.share) > 0))
    return with_nitrous(course) & ~widened(left, round(EDGE_S / step))


def usable(case: Case, pull, course, step: float) -> np.ndarray:
    """Samples whose reading says something about burning nitrous: no gap next to it either."""
    gap = ~np.isfinite(course.measured)
    return burning(case, pull, course, step) & ~widened(gap, round(EDGE_S / step)) & np.isfinite(course.undelayed)


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
        still = "the valve stayed open" if (course.share[a:b] > 0).mean() > 0.5 else "nitrous was left in the manifold"
        return when, "shift", f"Likely cause: throttle or cut took air or fuel away while {still}."
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
    if case.sheet.fuel_system.rail_reference == "manifold":  # it falls with the throttle, as it should
        with np.errstate(invalid="ignore"):
            pressure = np.where(case.throttle[index] < case.sheet.nitrous.throttle_min_percent, np.nan, pressure)
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
        "Likely cause: less fuel or more nitrous than planned, for as long as it lasted; see lambda, speed by speed.",
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
