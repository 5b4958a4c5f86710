"""What feeds the shot: the bottle through the pass, injectors, fuel pressure."""

from __future__ import annotations

import numpy as np

from ..build_sheet import BuildSheet
from ..plan.proposals import PRESSURE_DROP
from ..plan.today_rows import NOISE, lambda_unchanged, pressure_of
from ..text import lowered
from .bottle_pass import REFILLED
from .finding import GO_BACK, REPEAT, STOP, Finding
from .held import readings_a_second
from .judge_case import COVERED, CYCLES_SURE, Case, holds, unjudged, watch

PRESSURE_STOP = 0.15
"""Fuel pressure down by this part of itself on nitrous is a stop; a choice of our own, no source."""
LEAST_HZ = 5.0
"""Readings of fuel pressure a second below which a sag between two of them is said not to show; a choice of our own, no source."""
MOVES = 0.2
"""Part of the samples at which a live channel changes its value at least, for one that stands still to count as dead; a choice of our own, no source."""
DEAD = "dead_kpa"
"""Key among a finding's numbers: where a pressure stands that never moves [kPa]."""
STATIC_PERCENT = 100.0
"""Injector duty at which the injector never closes."""


def fuel_reference(case: Case) -> float:
    """Fuel pressure that counts as right [kPa gauge]: what stood there at full throttle before the hits; the sheet's where there is none."""
    pressure = np.where(case.steady, case.log.get("fuel_kpa"), np.nan)
    base = np.zeros(len(pressure), bool)
    for pull in case.pulls:
        first = min((hit.command.start for hit in pull.hits), default=pull.stop)
        base[pull.start : max(first, pull.start)] = True
    seen = pressure[base & np.isfinite(pressure)]
    if len(seen) >= 10 and np.median(seen) > 0:
        return float(np.median(seen))
    nitrous, system = case.sheet.nitrous, case.sheet.fuel_system
    wet = case.sheet.value("nitrous.fuel_jet_pressure_kpa") if nitrous.system == "wet" else None
    return float(wet or system.rail_pressure_kpa)


def _during(case: Case, values: np.ndarray, *, nitrous: bool) -> tuple[np.ndarray, float]:
    """Samples of the log in which a channel counts and is known, and which part of those that count they are."""
    mask = np.zeros(len(case.log.time_s), bool)
    for pull in case.pulls:
        if nitrous:
            for hit in pull.hits:
                mask[max(hit.command.start, pull.start) : min(hit.flow.stop, pull.stop)] = True
        else:
            mask[pull.start : pull.stop] = True
    wanted = mask & case.steady & np.isfinite(case.log.get("rpm"))
    known = wanted & np.isfinite(values)
    return known, float(known.sum() / max(int(wanted.sum()), 1))


def _too_blank(key: str, what: str, part: float, best: str, weight: float) -> Finding:
    """A channel that holds as far as it is known, which is not far enough."""
    told = f"{what} is known for {100 * part:.0f} % of the samples that count; {100 * COVERED:.0f} % is asked (a choice of our own). Where it is known: {lowered(best)}"
    return unjudged(key, f"{what} known for {100 * part:.0f} % of the time only", told, "go", weight)


def judge_fuel_pressure(case: Case) -> list[Finding]:
    """Hold the fuel pressure against what it was before the hit."""
    if not case.log.has("fuel_kpa"):
        told = "Fuel pressure is not in the log: a pump that gives in leans the mixture first at the top, where it cannot be heard."
        return [unjudged("fuel_pressure", "Fuel pressure is not in the log", told, "go", 32.0)]
    pressure = case.log.get("fuel_kpa")
    mask, part = _during(case, pressure, nitrous=case.kind == "nitrous")
    if not mask.any():
        return [
            unjudged("fuel_pressure", "No fuel pressure at full throttle", "The channel is blank there.", "go", 22.0)
        ]
    reference, words, step = fuel_reference(case), case.words, case.log.step_s
    if _dead(pressure, mask):
        stands = float(np.median(pressure[mask]))
        told = f"Fuel pressure reads exactly {words.kpa(stands, 5)} gauge in every sample that counts. A live sensor wavers by what the injectors take: it is dead, or the column holds a set value. Whether the pump held is not known; mend the sensor, then pull again."
        return [Finding("fuel_pressure", "unjudged", REPEAT, 60.0, "Fuel pressure never moves: sensor dead, or no reading at all", told, None, {DEAD: stands})]  # fmt: skip
    if case.kind == "base":
        reference = float(case.sheet.fuel_system.rail_pressure_kpa)
        reference = max(reference, float(np.quantile(pressure[mask], 0.95))) if np.quantile(pressure[mask], 0.95) < 1.3 * reference else float(np.quantile(pressure[mask], 0.95))  # fmt: skip
    low, at, n = _lasting_low(pressure, mask, case.log.get("rpm"), step)
    sag = 1 - low / reference
    planned = case.sheet.fuel_system.rail_pressure_kpa
    numbers = {
        "least_kpa": low,
        "reference_kpa": reference,
        "sag_percent": 100 * sag,
        "sheet_kpa": float(planned),
        "allowed_percent": 100 * PRESSURE_DROP,
    }
    told = (
        f"Fuel pressure held {words.kpa(low, 5)} gauge or more against {words.kpa(reference, 5)} before: {max(100 * sag, 0):.0f} % down, {100 * PRESSURE_DROP:.0f} % is allowed (a choice of our own)."
        if sag <= PRESSURE_DROP
        else f"Fuel pressure fell from {words.kpa(reference, 5)} to {words.kpa(low, 5)} gauge, {100 * sag:.0f} % down, at {case.log.get('rpm')[at]:.0f} rpm and {case.seconds(at):.2f} s; {100 * PRESSURE_DROP:.0f} % is allowed, "
        f"{100 * PRESSURE_STOP:.0f} % is a stop (choices of our own). Flow follows its square root, the mixture leans by half as much. Pump, filter, wiring, regulator."
    )
    if sag <= PRESSURE_DROP:
        return [_no_sag(case, sag, part, told, numbers)]
    when = (case.seconds(at), case.seconds(at) + n * 120 / max(float(case.log.get("rpm")[at]), 1.0))
    hard = sag > PRESSURE_STOP and case.kind == "nitrous"
    return [watch("fuel_pressure", STOP if hard else GO_BACK, 84.0 if hard else 74.0, f"Fuel pressure sags by {100 * sag:.0f} %", told, numbers, when)]  # fmt: skip


def _no_sag(case: Case, sag: float, part: float, told: str, numbers: dict) -> Finding:
    """Say that no reading shows a sag, and whether enough of them were there to show one."""
    if part < COVERED:
        return _too_blank("fuel_pressure", "Fuel pressure", part, told, 32.0)
    rate = readings_a_second(case.log, "fuel_kpa")
    if case.kind == "nitrous" and rate is not None and rate < 0.99 * LEAST_HZ:
        title = f"Fuel pressure read only {rate:.2g} times a second"
        why = f"{title}: a sag of up to {1 / rate:.1f} s between two readings would not show. {told}"
        return unjudged("fuel_pressure", title, why, "go", 31.0)
    return holds("fuel_pressure", 30.0, f"Fuel pressure steady within {max(100 * sag, 1):.0f} %", told, numbers)


def _dead(values: np.ndarray, mask: np.ndarray) -> bool:
    """Whether a channel stands still where it counts, and does so everywhere or moves from sample to sample elsewhere."""
    if mask.sum() < 50 or np.ptp(values[mask]) > 0:
        return False
    other = values[~mask & np.isfinite(values)]
    return bool(len(other) < 2 or np.ptp(other) == 0 or np.mean(np.diff(other) != 0) >= MOVES)


def _lasting_low(values: np.ndarray, mask: np.ndarray, rpm: np.ndarray, step: float) -> tuple[float, int, float]:
    """Lowest level that lasts for `CYCLES_SURE` cycles, where it stands, and for how many cycles."""
    width = max(3, round(CYCLES_SURE * 120 / max(float(np.nanmedian(rpm[mask])), 500.0) / step))
    kept = np.flatnonzero(mask)
    if len(kept) < width:
        k = int(kept[np.argmin(values[kept])])
        return float(np.median(values[kept])), k, 0.0
    windows = np.lib.stride_tricks.sliding_window_view(values[kept], width)
    level = np.median(windows, axis=1)
    k = int(level.argmin())
    return float(level[k]), int(kept[k]), CYCLES_SURE


def judge_injector(case: Case) -> list[Finding]:
    """Hold injector duty against the owner's limit."""
    log, limit = case.log, case.sheet.limits.injector_duty_percent
    if log.has("injector_duty_percent"):
        duty = log.get("injector_duty_percent")
        source = "logged"
    elif log.has("injector_ms"):
        duty = log.get("injector_ms") * log.get("rpm") / 1200
        source = "from open time and engine speed"
    else:
        told = "Neither injector duty nor open time is in the log."
        return [unjudged("injector", "Injector duty is not in the log", told, "go", 24.0)]
    mask, part = _during(case, duty, nitrous=case.kind == "nitrous")
    if not mask.any():
        return [unjudged("injector", "No injector duty at full throttle", "The channel is blank there.", "go", 22.0)]
    high, at, _ = _lasting_low(-duty, mask, log.get("rpm"), log.step_s)
    high, rpm = -high, float(log.get("rpm")[at])
    numbers = {"most_percent": high, "limit_percent": limit, "rpm": rpm}
    told = f"Injector duty ({source}) reaches {high:.0f} % at {rpm:.0f} rpm; the sheet allows {limit:g} %."
    if high <= limit and part < COVERED:
        return [_too_blank("injector", "Injector duty", part, told, 24.0)]
    if high <= limit:
        return [holds("injector", 25.0, f"Injector duty up to {high:.0f} %", told, numbers)]
    static = high >= STATIC_PERCENT
    told += (
        " From 100 % on the injector never closes: no controller can add fuel there."
        if static
        else " What is left is too little for a cold day, a weak battery or a correction."
    ) + " Larger injectors, or a smaller dose at the top."
    when = (case.seconds(at), case.seconds(at))
    return [watch("injector", GO_BACK, 76.0 if static else 73.0, f"Injector duty {high:.0f} % at {rpm:.0f} rpm, past {limit:g} %", told, numbers, when)]  # fmt: skip


def static_and_lean(findings: list[Finding]) -> list[Finding]:
    """Make injectors that never close a stop where the mixture is lean beside them."""
    lean = any(
        f.key in ("lean", "lambda") and f.asks in (GO_BACK, STOP) and f.numbers.get("off_lambda", 1.0) > 0
        for f in findings
    )
    out = []
    for f in findings:
        if f.key == "injector" and f.numbers.get("most_percent", 0.0) >= STATIC_PERCENT and lean:
            said = f"{f.sentence} The mixture leans meanwhile."
            f = Finding("injector", "stop", STOP, 85.0, f"{f.title}, and the mixture leans", said, f.at_s, f.numbers)  # noqa: PLW2901
        out.append(f)
    return out


def at_bottle(sheet: BuildSheet, kpa: float) -> float | None:
    """Temperature of the bottle for its gauge pressure, liquid and vapour in it [°C]; None outside the sheet's range."""
    from ..thermo.fluid import saturation_temperature
    from ..units import c_from_k

    try:
        return float(c_from_k(saturation_temperature(1e3 * (kpa + sheet.value("site.barometer_kpa")))))
    except ValueError:
        return None


def judge_bottle(case: Case) -> list[Finding]:
    """Hold the bottle's pressure against its window at the start, and against the model through the pass."""
    if not case.log.has("bottle_kpa"):
        told = "Bottle pressure is not in the log: whether another flow arrived than the fuel is set for, nobody knows."
        return [unjudged("bottle", "Bottle pressure is not in the log", told, "go", 33.0)]
    passes = [(hit, seen) for hit, seen in case.bottle if seen is not None]
    if not passes:
        return [unjudged("bottle", "Bottle pressure cannot be judged", "No reading goes with a hit.", "go", 23.0)]
    return [
        *_at_start(case, passes),
        *_through(case, passes),
        *_held(case, passes),
        *_refilled(passes),
        *_blank_bottle(case, passes),
    ]


def _refilled(passes: list) -> list[Finding]:
    """Say where the bottle was filled or changed between hits."""
    if not any(REFILLED in seen.notes for _, seen in passes):
        return []
    told = f"{REFILLED} From there on it is judged with the fill of the build sheet."
    return [holds("bottle", 16.0, "Bottle filled or changed between two hits", told)]


def _held(case: Case, passes: list) -> list[Finding]:
    """Say where the bottle did not fall though nitrous should have been drawn."""
    held = [(hit, seen) for hit, seen in passes if seen.held]
    if not held:
        return []
    (hit, seen), words = held[0], case.words
    expected = seen.start_kpa - float(np.nanmedian(seen.best_kpa[-max(len(seen.best_kpa) // 10, 3) :]))
    least = seen.start_kpa - float(np.nanmedian(seen.high_kpa[-max(len(seen.high_kpa) // 10, 3) :]))
    told = (
        f"While the valve was commanded the bottle went from {words.kpa(seen.start_kpa, 10)} to {words.kpa(seen.end_kpa, 10)} gauge; by the model it should have fallen by {words.kpa(least, 10)} at least, likely by {words.kpa(expected, 50)}. "
        "The bottle was shut, the valve did not open, or the gauge is dead: how much nitrous flowed is not known. Settle which, then repeat."
    )
    numbers = {"start_kpa": seen.start_kpa, "end_kpa": seen.end_kpa, "expected_fall_kpa": expected}
    at = (case.seconds(hit.command.start), case.seconds(hit.command.stop))
    return [watch("bottle", REPEAT, 63.5, "Bottle pressure did not fall in the hit: bottle shut, or gauge dead", told, numbers, at)]  # fmt: skip


def _blank_bottle(case: Case, passes: list) -> list[Finding]:
    """Say where the bottle's pressure is blank through a hit."""
    part = min(float(np.isfinite(case.log.get("bottle_kpa")[hit.command]).mean()) for hit, _ in passes)
    if part >= COVERED:
        return []
    told = f"In one hit the bottle's pressure is known for {100 * part:.0f} % of the time; {100 * COVERED:.0f} % is asked (a choice of our own). Whether it fell faster than a bottle does is not known."
    return [unjudged("bottle", f"Bottle pressure known for {100 * part:.0f} % of a hit only", told, "go", 23.0)]


def _at_start(case: Case, passes: list) -> list[Finding]:
    nitrous, words = case.sheet.nitrous, case.words
    hit, seen = min(passes, key=lambda p: _room(nitrous, p[1].start_kpa))
    start, low, high = seen.start_kpa, nitrous.window_low_kpa, nitrous.window_high_kpa
    flow = float(seen.flow_relative)
    numbers = {
        "start_kpa": start,
        "window_low_kpa": low,
        "window_high_kpa": high,
        "flow_change_percent": 100 * (flow - 1),
    }
    window = f"{words.kpa(low)} to {words.kpa(high)} gauge"
    at = (case.seconds(hit.command.start), case.seconds(hit.command.start))
    if low <= start <= high:
        told = f"The bottle stood at {words.kpa(start)} gauge when the valve opened; its window is {window}."
        return [
            holds("bottle", 32.0, f"Bottle in its window at the start: {words.kpa(start)} gauge", told, numbers, at)
        ]
    if planned_low(case, start):
        told = f"The bottle stood at {words.kpa(start)} gauge, as the sheet plans it at {words.celsius(nitrous.bottle_temperature_c)}; the working window is {window}. The fuel is set for this flow."
        return [
            watch(
                "bottle", "go", 29.0, f"Bottle below its window as planned: {words.kpa(start)} gauge", told, numbers, at
            )
        ]
    mixture = _mixture(case, start)
    side = "below" if start < low else "above"
    less = f"{abs(100 * (flow - 1)):.0f} % {'less' if flow < 1 else 'more'} nitrous" if np.isfinite(flow) else ""
    numbers |= {"lambda_if_unchanged": mixture}
    consequence = (
        f"At that pressure about {less} flows than the fuel is set for"
        + (f", and the mixture goes to about {words.lambda_(mixture)}." if mixture is not None else ".")
        if less
        else "At that pressure there is no liquid with vapour over it: the flow is not known. Too full, too hot, or a gauge that is off."
    )
    told = f"The bottle stood at {words.kpa(start)} gauge when the valve opened, {side} its window of {window}. {consequence} A pull with another flow says little about the next step: bring the bottle into its window and repeat."
    title = f"Bottle {side} its window at the start: {words.kpa(start)} gauge{f', {less}' if less else ''}"
    return [watch("bottle", REPEAT, 78.0, title, told, numbers, at)]


def planned_low(case: Case, kpa: float) -> bool:
    """Whether a gauge pressure below the window is the one the sheet plans with: then the plan itself lies below it, and the gauge no lower than it repeats."""
    planned, low = pressure_of(case.sheet), case.sheet.nitrous.window_low_kpa
    return planned is not None and planned.best < low and planned.best - NOISE["pressure"].size <= kpa < low


def _room(nitrous, kpa: float) -> float:
    """How far inside the window; below 0 outside."""
    return min(kpa - nitrous.window_low_kpa, nitrous.window_high_kpa - kpa)


def _mixture(case: Case, start_kpa: float) -> float | None:
    """Lambda at the speed of peak power if fuel stays as planned and the flow is that of this pressure."""
    from ..plan.today_rows import flow_trend

    sheet = case.sheet
    temperature = at_bottle(sheet, start_kpa)
    if temperature is None or not len(case.tune.dosed.rpm):
        return None
    try:
        today = sheet.replace({"nitrous.bottle_temperature_c": round(temperature, 1)})
        dosed = case.tune.dosed
        k = int(np.abs(dosed.rpm - sheet.engine.peak_power_rpm).argmin())
        meant = float(dosed.flow[k])
        actual = meant * flow_trend(sheet, today).best
        return float(np.squeeze(lambda_unchanged(sheet, sheet, float(dosed.rpm[k]), meant, actual)))
    except ValueError:
        return None


def _through(case: Case, passes: list) -> list[Finding]:
    """Say where the bottle fell faster than any model lets it."""
    words = case.words
    fast = [(hit, seen) for hit, seen in passes if seen.fell_faster]
    if not fast:
        return []
    hit, seen = fast[0]
    told = (
        f"From {words.kpa(seen.start_kpa)} gauge it fell to {words.kpa(seen.end_kpa)}; {seen.because} Then vapour flows instead of liquid, the flow drops and the mixture goes rich, or more flows than the plan knows. "
        "Look at the pick-up end, the bottle valve (fully open), the fill by weight, and the line."
    )
    numbers = {"start_kpa": seen.start_kpa, "end_kpa": seen.end_kpa}
    at = (case.seconds(hit.command.start), case.seconds(hit.command.stop))
    return [watch("bottle", REPEAT, 62.0, f"Bottle pressure falls faster than any model: to {words.kpa(seen.end_kpa)} gauge", told, numbers, at)]  # fmt: skip
