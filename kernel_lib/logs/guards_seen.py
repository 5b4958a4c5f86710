"""Conditions that should have ended the nitrous, or kept it from beginning: which did, which did not, which nobody can check."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from ..build_sheet import BuildSheet
from ..errors import InputError
from ..plan.guards import WARM_C
from ..plan.proposals import PRESSURE_DROP, arm_s
from ..plan.stopping import stop_budget, wash_out
from ..plan.tune import Tune
from .command import commanded_share, throttle_end, throttle_seen
from .cut import AT_LIMITER, AT_SHIFT, LIFTED, LOG_ENDS, WINDOW, Hit, Pull, near_value
from .events import despiked, filled, runs, samples
from .log import Log

MISSED, FIRED, UNCHECKED = "missed", "fired", "unchecked"
ACTS_S = 0.1
"""Time that a guard without a sensor's wait may take, beside one sample [s]; a choice of our own, no source."""
RPM_ROOM, THROTTLE_ROOM, LAMBDA_ROOM, KPA_ROOM, C_ROOM = 40.0, 1.5, 0.005, 2.0, 1.0
"""What a channel may waver before a guard counts as passed [rpm, %, lambda, % of the pressure, degrees C]; choices of our own."""


KNOWN_PART = 0.8
"""Part of a hit that has to have a reading for a guard to count as looked at; a choice of our own, no source."""
LIFT_S = 0.45
"""How long before the end of the command a throttle that shut is looked for [s]; a choice of our own, no source."""
_OTHERWISE = (LIFTED, WINDOW, AT_LIMITER, AT_SHIFT, LOG_ENDS)
"""Ends of the nitrous that the log explains without a guard that saw something wrong."""
_BY_ITSELF = {("speed above the window", WINDOW), ("throttle", LIFTED), ("rev limit", AT_LIMITER)}


@dataclass(frozen=True)
class Missed:
    """A guard, and what became of it.

    Attributes
    ----------
    guard : str
        Which: "speed above the window", "speed below the window", "throttle", "lean stop", "rich stop", "fuel pressure", "coolant", "bottle window", "rev limit", "gear".
    state : {"missed", "fired", "unchecked"}
        Missed: the condition lasted longer than it may while the valve stayed commanded. Fired: it was met and the nitrous ended in time, by nothing else.
    at_s : tuple of float or None
        From when to when the condition and the command lasted together [s].
    seconds, allowed_s : float
        How long that was, and how long it may be.
    value, limit : float
        Furthest value, and the limit, in `unit`.
    unit : str
    sentence : str
    """

    guard: str
    state: str
    at_s: tuple[float, float] | None
    seconds: float
    allowed_s: float
    value: float
    limit: float
    unit: str
    sentence: str

    @property
    def depth(self) -> float:
        """How far past the limit."""
        return abs(self.value - self.limit)

    @property
    def begin_s(self) -> float:
        """When it began in the log [s]; NaN where it cannot be checked."""
        return self.at_s[0] if self.at_s else float("nan")

    @property
    def end_s(self) -> float:
        """When it ended in the log [s]."""
        return self.at_s[1] if self.at_s else float("nan")

    @property
    def title(self) -> str:
        """What became of it in half a sentence, without units that differ between readers."""
        name = f"{self.guard[0].upper()}{self.guard[1:]}"
        if self.state == UNCHECKED:
            return f"{name} cannot be checked"
        if self.state == FIRED:
            return f"{name} ended the nitrous"
        return f"{name}: passed for {self.seconds:.2f} s with the valve commanded"


@dataclass(frozen=True, eq=False)
class _Rule:
    """A limit on one channel: past it where the value lies above (`sign` 1) or below (-1)."""

    guard: str
    key: str
    limit: float
    sign: int
    unit: str
    room: float
    values: Callable[[slice], np.ndarray]
    only_start: bool = False
    armed_s: float = 0.0


def guards_missed(log: Log, pulls: Sequence[Pull], sheet: BuildSheet, tune: Tune | None = None) -> list[Missed]:
    """Look at every guard in every hit of a log.

    Parameters
    ----------
    log : Log
    pulls : sequence of Pull
        As `cut` found them.
    sheet : BuildSheet
    tune : Tune, optional
        For the time at which the rich stop is armed.

    Returns
    -------
    list of Missed
        Of all three states: missed first, the longest first; then fired, then unchecked. Empty without nitrous.

    Notes
    -----
    Lean and rich stop act on the reading as the gauge shows it, behind the controller's own filter (`controller.filter_ms`), which is counted here before the time
    allowed begins. Exhaust, sensor and wash-out lie before and after; what the whole chain takes is said in the sentence (`stop_budget`). The rich stop is armed
    as late as the plan says. Where a lift, the window, the rev limit, a shift or the end of the log ended the nitrous, a guard counts as having ended it only where its
    condition came before that by the time it is allowed: what is read after a lift is the lift's.
    """
    hits = [hit for pull in pulls for hit in pull.hits]
    if not hits:
        return []
    out: list[Missed] = []
    for rule in _rules(log, sheet, tune, hits):
        if not log.has(rule.key):
            out.append(_unchecked(rule))
            continue
        for hit in hits:
            seen = _looked(log, sheet, hit, rule)
            out += seen or ([_unchecked(rule)] if _blank(log, hit, rule) else [])
    order = {MISSED: 0, FIRED: 1, UNCHECKED: 2}
    return sorted(out, key=lambda m: (order[m.state], -1.0 if np.isnan(m.seconds) else -m.seconds))


def _rules(log: Log, sheet: BuildSheet, tune: Tune | None, hits: list[Hit]) -> list[_Rule]:
    nitrous, limits, control = sheet.nitrous, sheet.limits, sheet.controller
    wet = nitrous.system == "wet"
    fuel = sheet.value("nitrous.fuel_jet_pressure_kpa") if wet else sheet.fuel_system.rail_pressure_kpa

    def plain(key: str, size_s: float = 0.05) -> Callable[[slice], np.ndarray]:
        return lambda part: despiked(
            filled(log.get(key)[part], part.stop - part.start), samples(size_s, log.step_s) | 1
        )

    def filtered(part: slice) -> np.ndarray:
        """Reading behind the controller's filter, from half a second before."""
        lead = min(part.start, samples(0.5, log.step_s))
        values = filled(log.get("lambda_")[part.start - lead : part.stop], part.stop)
        good = np.isfinite(values)
        if not good.any():
            return values[lead:]
        values = np.where(good, values, values[good][0])
        keep = float(np.exp(-1e3 * log.step_s / control.filter_ms)) if control.filter_ms > 0 else 0.0
        return np.where(good, lfilter([1 - keep], [1, -keep], values, zi=[keep * values[0]])[0], np.nan)[lead:]

    def supply(part: slice) -> np.ndarray:
        """Fuel pressure; over the manifold's where it follows that, and at full throttle alone where nobody knows it."""
        values, reference = plain("fuel_kpa", 0.1)(part), sheet.fuel_system.rail_reference
        if reference != "manifold":
            return values
        manifold = plain("manifold_kpa")(part)
        if np.isfinite(manifold).any():
            return values + sheet.value("engine.full_throttle_manifold_kpa") - manifold
        with np.errstate(invalid="ignore"):
            return np.where(plain("throttle_percent")(part) < nitrous.throttle_min_percent, np.nan, values)

    rpm, end = plain("rpm"), throttle_end(log, sheet)
    ends = 1.0 if np.isnan(end) else 100.0 / end
    return [
        _Rule("speed above the window", "rpm", nitrous.spray_rpm_max, 1, "rpm", RPM_ROOM, rpm),
        _Rule("speed below the window", "rpm", nitrous.spray_rpm_min, -1, "rpm", RPM_ROOM, rpm),
        _Rule("rev limit", "rpm", sheet.engine.limit_rpm, 1, "rpm", 0.0, rpm),
        _Rule("throttle", "throttle_percent", nitrous.throttle_min_percent, -1, "%", THROTTLE_ROOM, lambda part: ends * plain("throttle_percent")(part)),
        _Rule("lean stop", "lambda_", limits.lean_stop_lambda, 1, "lambda", LAMBDA_ROOM, filtered),
        _Rule("rich stop", "lambda_", limits.rich_stop_lambda, -1, "lambda", LAMBDA_ROOM, filtered, armed_s=_armed(log, sheet, tune, hits)),
        _Rule("fuel pressure", "fuel_kpa", fuel * (1 - PRESSURE_DROP), -1, "kPa", KPA_ROOM / 100 * fuel, supply),
        _Rule("coolant", "coolant_c", WARM_C, -1, "°C", C_ROOM, plain("coolant_c")),
        _Rule("bottle window", "bottle_kpa", nitrous.window_low_kpa, -1, "kPa", 0.0, plain("bottle_kpa", 0.1), only_start=True),
        _Rule("bottle window", "bottle_kpa", nitrous.window_high_kpa, 1, "kPa", 0.0, plain("bottle_kpa", 0.1), only_start=True),
        _Rule("gear", "gear", float(sheet.driveline.gear_min), -1, "", 0.5, plain("gear")),
    ]  # fmt: skip


def _armed(log: Log, sheet: BuildSheet, tune: Tune | None, hits: list[Hit]) -> float:
    """When the rich stop may act, since the command [s]."""
    if tune is not None and len(tune.dosed.rpm):
        return arm_s(sheet, tune.dosed)
    control = sheet.controller
    settle = 3 * (control.sensor_delay_ms + control.filter_ms) / 1e3 + sheet.nitrous.fuel_lead_ms / 1e3
    return settle + max((h.wash_out.stop - h.wash_out.start) * log.step_s for h in hits)


def _blank(log: Log, hit: Hit, rule: _Rule) -> bool:
    """Whether too little of a hit has a reading of it for a guard to count as looked at."""
    a = hit.command.start
    part = slice(max(a - samples(0.3, log.step_s), 0), a + 1) if rule.only_start else hit.command
    known = np.isfinite(log.get(rule.key)[part])
    return not known.any() if rule.only_start else bool(known.mean() < KNOWN_PART)


def _unchecked(rule: _Rule) -> Missed:
    nan = float("nan")
    told = f"{rule.guard[0].upper()}{rule.guard[1:]}: not in the log, or blank for much of a hit, so nobody can say whether it would have ended the nitrous."
    return Missed(rule.guard, UNCHECKED, None, nan, nan, nan, rule.limit, rule.unit, told)


def _looked(log: Log, sheet: BuildSheet, hit: Hit, rule: _Rule) -> list[Missed]:
    """One guard in one hit: the longest time it was missed, or that it fired."""
    if rule.only_start:
        return _started(log, hit, rule)
    a, b = hit.command.start, hit.command.stop
    after = min(b + samples(0.05, log.step_s, 2), len(log.time_s))
    values = rule.values(slice(a, after))
    with np.errstate(invalid="ignore"):
        past = rule.sign * (values - rule.limit) > rule.room
    past[: samples(rule.armed_s, log.step_s, 0) if rule.armed_s else 0] = False
    # still the reading of what burned before the command, in a shift or an overrun
    if rule.guard == "lean stop" and len(past) and past[0]:
        past[: min(_first(~past), samples(_late_s(sheet), log.step_s))] = False
    rate = log.rate_hz.get(rule.key) or 1 / log.step_s
    allowed = ACTS_S + max(1 / rate, log.step_s)
    inside = past[: b - a]
    found = [(p, q) for p, q in runs(inside) if (q - p) * log.step_s > allowed + 1e-9]
    if found:
        p, q = max(found, key=lambda pair: pair[1] - pair[0])
        return [_told(log, sheet, hit, rule, MISSED, slice(int(p), int(q)), values, allowed)]
    if (rule.guard, hit.ended_by) in _BY_ITSELF:
        return [_told(log, sheet, hit, rule, FIRED, slice(max(b - a - 1, 0), len(values)), values, allowed)]
    first, last = _could_end(log, sheet, hit, allowed)
    near = np.flatnonzero(past[first:last])
    if len(near):
        p = first + int(near[0])
        return [_told(log, sheet, hit, rule, FIRED, slice(p, max(b - a, p + 1)), values, allowed)]
    return []


def _first(mask: np.ndarray) -> int:
    """Place of the first sample of a mask; its length where there is none."""
    return int(mask.argmax()) if mask.any() else len(mask)


def _late_s(sheet: BuildSheet) -> float:
    """How long a filtered reading may still be that of what burned before [s]."""
    return (sheet.controller.sensor_delay_ms + 3 * sheet.controller.filter_ms) / 1e3


def _could_end(log: Log, sheet: BuildSheet, hit: Hit, allowed: float) -> tuple[int, int | None]:
    """Samples of a hit in which a guard has to see its condition to have ended the nitrous: just before its end; where something else ended it, before that by what the guard is allowed."""
    n, wait = hit.command.stop - hit.command.start, samples(allowed, log.step_s)
    if hit.ended_by not in _OTHERWISE:
        return max(n - wait, 0), None
    if hit.ended_by == LIFTED:
        begin = max(n - samples(LIFT_S, log.step_s), 0)
        with np.errstate(invalid="ignore"):
            shut = throttle_seen(log, sheet)[hit.command][begin:] < sheet.nitrous.throttle_min_percent - THROTTLE_ROOM
        n = begin + int(shut.argmax()) if shut.any() else n
    return max(n - 2 * wait, 0), max(n - wait + 1, 0)


def _started(log: Log, hit: Hit, rule: _Rule) -> list[Missed]:
    """Return a window that counts at the start alone."""
    a, b = hit.command.start, hit.command.stop
    before = log.get(rule.key)[max(a - samples(0.3, log.step_s), 0) : a + 1]
    if not np.isfinite(before).any():
        return []
    value = float(np.nanmedian(before))
    if rule.sign * (value - rule.limit) <= rule.room:
        return []
    seconds, way = (b - a) * log.step_s, "above" if rule.sign > 0 else "below"
    at = (float(log.time_s[a]), float(log.time_s[b - 1]))
    told = f"{rule.guard[0].upper()}{rule.guard[1:]} {way} its limit when the nitrous began, which it should not have."
    return [Missed(rule.guard, MISSED, at, seconds, 0.0, value, rule.limit, rule.unit, told)]


def _told(
    log: Log, sheet: BuildSheet, hit: Hit, rule: _Rule, state: str, part: slice, values, allowed: float
) -> Missed:
    a, seconds = hit.command.start, (part.stop - part.start) * log.step_s
    known = values[part][np.isfinite(values[part])]  # a hit that ended by itself may have no reading at its end
    worst = known[np.argmax(rule.sign * known)] if len(known) else float("nan")
    at = (float(log.time_s[a + part.start]), float(log.time_s[min(a + part.stop, len(log.time_s)) - 1]))
    way = "above" if rule.sign > 0 else "below"
    name = f"{rule.guard[0].upper()}{rule.guard[1:]}"
    if state == FIRED:
        told = f"{name}: its limit was passed, and the nitrous ended in time."
    else:
        told = f"{name}: {way} its limit for {seconds:.2f} s while the valve stayed commanded, where {allowed:.2f} s would do."
        if rule.guard == "lean stop":
            told += _chain(log, sheet, hit, float(worst))
        if rule.guard == "throttle":
            told += _lifted(log, sheet, hit)
    return Missed(rule.guard, state, at, seconds, allowed, float(worst), rule.limit, rule.unit, told)


def _chain(log: Log, sheet: BuildSheet, hit: Hit, reading: float) -> str:
    """What a lean stop takes from the first lean cycle to the last of the nitrous."""
    rpm, share = near_value(log.get("rpm"), hit.command.start, log.step_s), hit.share
    if np.isnan(share):
        share = near_value(commanded_share(log, sheet)[hit.command], 0, log.step_s)
    try:
        budget = stop_budget(sheet, rpm, reading, share=share if 0 < share <= 1 else 1.0)
    except InputError:
        return ""
    return (
        f" A stop that works takes {budget.total_s:.1f} s from the first lean cycle to the last of the nitrous."
        if budget.reached
        else ""
    )


def _lifted(log: Log, sheet: BuildSheet, hit: Hit) -> str:
    """How long nitrous waits behind a shut throttle."""
    rpm = near_value(log.get("rpm"), hit.command.stop - 1, log.step_s)
    try:
        out = wash_out(sheet, rpm, "shut")["all"]
    except InputError:
        return ""
    return f" Behind a shut throttle it takes {out.best:.1f} s to clear."
