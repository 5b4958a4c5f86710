"""When the nitrous may flow and when it must stop: one pass along its timeline, a number in every sentence, and a proposal for every limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..band import SENSOR_ERROR
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge
from ..engine.setup import Setup
from ..text import listed
from ..units import f_from_c, psi_from_kpa
from . import fuel as pf
from .delivery import lambda_ripple
from .dose import Dosed
from .passage import CASES, extremes
from .ramp import gear_rises
from .stopping import Budget, stop_budget, wash_out

COMPUTED, PRACTICE, OWN, SHEET = (
    "computed",
    "common practice, no source",
    "a choice of our own, no source",
    "the build sheet",
)
BEFORE, COMING, FLOWING, CLOSING, AFTER, SERIES = (
    "Before the first drop",
    "Coming in",
    "What ends it",
    "How it closes",
    "Afterwards",
    "Switches in series",
)
PHASES = (BEFORE, COMING, FLOWING, CLOSING, AFTER, SERIES)
TRADE_HOLD_S = 1.0
"""Timing kept back after shut-off; common practice, no source."""
TRADE_LEAD_MS = 100.0
"""Fuel before nitrous; common practice, no source."""
PRESSURE_DROP = 0.05
"""Of the fuel pressure, at which nitrous stops; a choice of our own, no source."""
WARM_C = 70.0
"""Coolant before nitrous [degrees C]; common practice, no source."""


@dataclass(frozen=True)
class Guard:
    """One sentence of the timeline: in which phase, and what the number rests on."""

    phase: str
    sentence: str
    basis: str


@dataclass(frozen=True)
class Proposal:
    """A limit: what it is, proposed value, the sheet's, unit, decimals, why, and what that rests on."""

    name: str
    value: float
    sheet: float
    unit: str
    digits: int
    reason: str
    basis: str


def fuel_missing(sheet: BuildSheet, rpm: float, flow: float) -> float:
    """Lambda where the nitrous flows and none of the added fuel comes."""
    setup, engine, control = Setup.of(sheet), sheet.engine, sheet.controller
    charge = fresh_charge(setup, np.array([rpm]), np.array([flow]))
    own = pf.fuel_supplied(
        setup, charge, np.array([rpm]), engine.lambda_without_nitrous, control.metering, control.intake_sensor
    )
    return float(pf.lambda_with(setup, charge, own)[0])


def lean_budget(sheet: BuildSheet, dosed: Dosed, k: int, stop: float | None = None) -> tuple[float, Budget]:
    """Lambda with the added fuel missing at one speed of the dose, and what the lean stop takes then."""
    rpm, share = float(dosed.rpm[k]), float(dosed.share[k])
    lean = fuel_missing(sheet, rpm, float(dosed.flow[k]))
    return lean, stop_budget(sheet, rpm, lean, stop, share)


def hold_s(sheet: BuildSheet, dosed: Dosed, throttle: str = "open") -> float:
    """Time for which added fuel and retard have to stay after the command to close: the longest over the dose, high end [s]."""
    return max(
        wash_out(sheet, float(r), throttle, float(s))["all"].high for r, s in zip(dosed.rpm, dosed.share, strict=True)
    )


def close_rpm(sheet: BuildSheet, dosed: Dosed) -> float:
    """Speed at which nitrous has to close so that it is gone at the rev limit, in the fastest gear [rpm]."""
    gone = wash_out(sheet, float(dosed.rpm[-1]), "open", float(dosed.share[-1]))["all"].high
    return sheet.engine.limit_rpm - max(gear_rises(sheet).values()) * gone


def proposals(sheet: BuildSheet, dosed: Dosed, *, pulsed: bool) -> list[Proposal]:
    """Propose every limit, with its reason.

    Parameters
    ----------
    sheet : BuildSheet
    dosed : Dosed
        Not empty.
    pulsed : bool
        Whether the valve is pulsed.
    """
    setup, limits, nitrous, target = Setup.of(sheet), sheet.limits, sheet.nitrous, sheet.engine.lambda_with_nitrous
    rich, lean = target, target
    if pulsed:
        ripple = lambda_ripple(sheet, setup, dosed.rpm, dosed.share, nitrous.pulse_hz)
        rich, lean = min(target, float(ripple.richest.min())), max(target, float(ripple.leanest.max()))
    lean_stop = min(np.ceil(200 * max(lean + SENSOR_ERROR.high, target + 0.03)) / 200, pf.TOO_LEAN_LAMBDA)
    rich_stop = max(
        np.floor(200 * 0.5 * (limits.misfire_rich_lambda + rich - SENSOR_ERROR.high)) / 200, limits.misfire_rich_lambda
    )
    return [
        Proposal("lean stop", float(lean_stop), limits.lean_stop_lambda, "lambda", 3,
                 f"as near to the target {target:.3f} as {'pulses and ' if pulsed else ''}a sensor's error let it, not beyond the trade's {pf.TOO_LEAN_LAMBDA:.3f}", COMPUTED),
        Proposal("rich stop", float(rich_stop), limits.rich_stop_lambda, "lambda", 3,
                 f"half way between {limits.misfire_rich_lambda:.2f}, where firing grows doubtful (from memory), and the richest cycle meant", OWN),
        Proposal("fuel before nitrous", least_lead_ms(sheet, dosed), nitrous.fuel_lead_ms, "ms", 0,
                 "the least with which no cycle of a hit passes the lean stop, at the late end of what is unknown", COMPUTED),
        Proposal("nitrous closes at", 50 * np.floor(close_rpm(sheet, dosed) / 50), nitrous.spray_rpm_max, "rpm", 0,
                 f"so that it is gone at the rev limit of {sheet.engine.limit_rpm:g} rpm in the fastest gear", COMPUTED),
        Proposal("fuel and timing stay", hold_s(sheet, dosed), TRADE_HOLD_S, "s", 2,
                 "until 95 % of the nitrous is gone with the throttle open, high end; the trade says 1 s", COMPUTED),
    ]  # fmt: skip


def guards(sheet: BuildSheet, dosed: Dosed, ramp_says: str, *, pulsed: bool) -> list[Guard]:
    """Tell one pass along its timeline.

    Parameters
    ----------
    sheet : BuildSheet
    dosed : Dosed
    ramp_says : str
        The ramp in a sentence.
    pulsed : bool

    Returns
    -------
    list of Guard
        In the order of `PHASES`; empty where nothing flows.
    """
    if not len(dosed.rpm):
        return []
    return [
        *_before(sheet, dosed),
        *_coming(sheet, dosed, ramp_says),
        *_flowing(sheet, dosed, pulsed=pulsed),
        *_closing(sheet, dosed),
        *_after(sheet, dosed),
        *_series(sheet),
    ]


def _kpa(value: float) -> str:
    return f"{value:.0f} kPa ({psi_from_kpa(value):.0f} psi) gauge"


def _ms(seconds: float) -> str:
    return f"{round(1e3 * seconds, -1):.0f} ms"


def _before(sheet: BuildSheet, dosed: Dosed) -> list[Guard]:
    nitrous, control, system = sheet.nitrous, sheet.controller, sheet.fuel_system
    settle = 3 * (control.sensor_delay_ms + control.filter_ms)
    pressure = sheet.value("nitrous.fuel_jet_pressure_kpa") if nitrous.system == "wet" else system.rail_pressure_kpa
    gear = (
        ""
        if sheet.driveline.gear_ratios is None and sheet.driveline.rise_rpm_s is None
        else f" and gear {sheet.driveline.gear_min} or higher"
    )
    return [
        Guard(BEFORE, f"Armed by hand, bottle open, coolant above {WARM_C:.0f} °C ({f_from_c(WARM_C):.0f} °F): a cold engine has other clearances and another mixture.", PRACTICE),
        Guard(BEFORE, f"Throttle beyond {nitrous.throttle_min_percent:g} %{gear}.", SHEET),
        Guard(BEFORE, f"Engine speed at least {dosed.rpm[0]:.0f} rpm, where this dose begins: at a constant flow the dose of a cycle grows as the speed falls.", COMPUTED),
        Guard(BEFORE, f"Bottle between {_kpa(nitrous.window_low_kpa)} and {_kpa(nitrous.window_high_kpa)}: outside, another flow arrives than the fuel is set for.", SHEET),
        Guard(BEFORE, f"Fuel pressure within {100 * PRESSURE_DROP:.0f} % of {_kpa(pressure)}.", OWN),
        Guard(BEFORE, f"Lambda within 0.03 of {sheet.engine.lambda_without_nitrous:.2f} at full throttle for {settle:.0f} ms, three times the lag of sensor and filter: the plan adds to a base "
              "that must be right.", COMPUTED),
    ]  # fmt: skip


def entry_ends(sheet: BuildSheet, dosed: Dosed, lead_s) -> tuple[np.ndarray, np.ndarray]:
    """Richest and leanest cycle of a hit at both ends of the dose, over all that is unknown of its coming in.

    Parameters
    ----------
    sheet : BuildSheet
    dosed : Dosed
    lead_s : array
        Fuel before nitrous [s].

    Returns
    -------
    tuple of array
        Lambda, of the shape of `lead_s`.
    """
    found = [
        extremes(sheet, float(dosed.rpm[k]), float(dosed.share[k]), lead_s, case=case)
        for k in (0, -1)
        for case in CASES
    ]
    return np.min([richest for richest, _ in found], axis=0), np.max([leanest for _, leanest in found], axis=0)


def least_lead_ms(sheet: BuildSheet, dosed: Dosed) -> float:
    """Least fuel lead with which no cycle of a hit passes the lean stop, whatever is unknown [ms]; the longest looked at if none does."""
    leads = np.arange(0.0, 0.61, 0.01)
    kept = entry_ends(sheet, dosed, leads)[1] <= max(sheet.limits.lean_stop_lambda, sheet.engine.lambda_without_nitrous)
    return 1e3 * float(leads[kept.argmax()] if kept.any() else leads[-1])


def _coming(sheet: BuildSheet, dosed: Dosed, ramp_says: str) -> list[Guard]:
    lead, limits = sheet.nitrous.fuel_lead_ms, sheet.limits
    richest, leanest = (float(v[0]) for v in entry_ends(sheet, dosed, np.array([lead / 1e3])))
    first = float(dosed.retard_deg[0])
    lean = "is past it" if leanest > limits.lean_stop_lambda else "stays short of it"
    rich = "may misfire" if richest < limits.misfire_rich_lambda else "still fires"
    return [
        Guard(COMING, f"Fuel and timing answer the button first: {lead:g} ms before the nitrous valve (the trade says {TRADE_LEAD_MS:.0f} ms). At the worst of what is unknown the leanest cycle of a hit then "
              f"reaches lambda {leanest:.2f}, which against the lean stop at {limits.lean_stop_lambda:.3f} {lean}; the richest, fuel before nitrous, lambda {richest:.2f}, which {rich} (limit about "
              f"{limits.misfire_rich_lambda:.2f}, from memory).", COMPUTED),
        Guard(COMING, f"The whole {first:g} degrees of retard at {dosed.rpm[0]:.0f} rpm are in before the first drop, not ramped with it: late timing costs a little power, early timing an engine.", COMPUTED),
        Guard(COMING, ramp_says, COMPUTED),
    ]  # fmt: skip


def _flowing(sheet: BuildSheet, dosed: Dosed, *, pulsed: bool) -> list[Guard]:
    limits = sheet.limits
    ends = sorted({0, len(dosed.rpm) - 1})
    told = []
    for k in ends:
        lean, budget = lean_budget(sheet, dosed, k)
        if budget.reached:
            told.append(
                f"at {dosed.rpm[k]:.0f} rpm lambda {lean:.2f}, and {_ms(budget.total_s)} or {budget.cycles:.0f} cycles of each cylinder until the nitrous is gone"
            )
        else:
            told.append(f"at {dosed.rpm[k]:.0f} rpm lambda {lean:.2f}, which the stop never sees")
    closing = wash_out(sheet, float(dosed.rpm[0]), "open", float(dosed.share[0]))["all"].best
    by_speed = next(p for p in proposals(sheet, dosed, pulsed=pulsed) if p.unit == "rpm")
    late = sheet.nitrous.spray_rpm_max > by_speed.value
    rise = max(gear_rises(sheet).values())
    return [
        Guard(FLOWING, f"Lambda leaner than {limits.lean_stop_lambda:.3f} ({limits.lean_stop_lambda * sheet.controller.gauge_scale:.1f} on this gauge). It is late by nature: with the added fuel missing, "
              f"{listed(told)}.", COMPUTED),
        Guard(FLOWING, f"Lambda richer than {limits.rich_stop_lambda:.3f}: short of {limits.misfire_rich_lambda:.2f} cylinders misfire (from memory), and a misfire reads lean, so rule it out before any "
              "fuel is added.", OWN),
        Guard(FLOWING, f"Fuel pressure {100 * PRESSURE_DROP:.0f} % low, knock, or throttle below {sheet.nitrous.throttle_min_percent:g} %: these act {_ms(closing)} before the nitrous is gone, without the "
              "sensor's wait.", COMPUTED),
        Guard(FLOWING, f"Engine speed: close at {by_speed.value:.0f} rpm or before, {rise:.0f} rpm/s times valve and wash-out below the rev limit of {sheet.engine.limit_rpm:g} rpm."
              + (f" The sheet's window ends at {sheet.nitrous.spray_rpm_max:g} rpm, too late for that." if late else ""), COMPUTED),
        *_cuts(sheet),
    ]  # fmt: skip


_CUT = {
    "fuel": "cut fuel alone, which leaves nitrous, air and a spark: the leanest and hottest mixture there is. Have them cut spark, after the nitrous",
    "spark": "cut spark, which sends fuel and oxygen unburned into the exhaust: bangs, a hot exhaust, and a wide-band that reads lean and may not be believed; but no "
    "lean cylinder",
    "both": "cut fuel and spark, so nothing burns; fuel has to come back before the spark, or the first cycle is lean",
    "nothing": "cut nothing: the engine speeds up until the driver lifts",
}


def _cuts(sheet: BuildSheet) -> list[Guard]:
    control = sheet.controller
    kinds: dict[str, list[str]] = {}
    for name, kind in (
        ("the rev limiter", control.limiter_cuts),
        ("shifts", control.shift_cuts),
        ("traction control", control.traction_cuts),
    ):
        kinds.setdefault(kind, []).append(name)
    out = []
    for kind, names in kinds.items():
        if kind == "unknown":
            told = f"Nobody has written down what these cut: {listed(names)}. Find out before the first hit: 1 cut of fuel alone on nitrous is enough to burn a piston."
            out.append(Guard(FLOWING, told, PRACTICE))
        else:
            out.append(Guard(FLOWING, f"By the sheet these {_CUT[kind]}: {listed(names)}.", SHEET))
    return out


def _closing(sheet: BuildSheet, dosed: Dosed) -> list[Guard]:
    k = int(np.argmin(dosed.rpm))
    parts = wash_out(sheet, float(dosed.rpm[k]), "open", float(dosed.share[k]))
    hold, lifted = hold_s(sheet, dosed), hold_s(sheet, dosed, "shut")
    verdict = (
        f"the trade's {TRADE_HOLD_S:.0f} s is enough"
        if hold <= TRADE_HOLD_S
        else f"the trade's {TRADE_HOLD_S:.0f} s is too short"
    )
    follows = (
        ""
        if sheet.controller.timing_follows
        else " The sheet says that fuel and timing do not stay: then every shut-off ends in a lean, advanced tail."
    )
    return [
        Guard(CLOSING, f"Nitrous first: the valve shuts in {1e3 * parts['valve'].best:.0f} ms, what lies behind it runs out in about {_ms(parts['line'].best)}, the manifold clears in "
              f"{_ms(parts['manifold'].best)} at {dosed.rpm[k]:.0f} rpm.", COMPUTED),
        Guard(CLOSING, f"Added fuel and retard stay for {hold:.2f} s with the throttle open: {verdict}.{follows}", COMPUTED),
        Guard(CLOSING, f"After a lift hardly any fresh air comes, and the nitrous fraction falls slowly: up to {lifted:.1f} s. If the controller cuts fuel on a closed throttle, keep the spark off "
              "the lean rest: no throttle again before that.", COMPUTED),
    ]  # fmt: skip


def _after(sheet: BuildSheet, dosed: Dosed) -> list[Guard]:
    return [
        Guard(AFTER, f"No second hit until the driver has let go of the throttle, waited {max(hold_s(sheet, dosed, 'shut'), TRADE_HOLD_S):.1f} s and armed by hand again, and somebody has found out what ended the first.", OWN),
        Guard(AFTER, "If the engine has stopped with the bottle open: do not crank, not once. Ignition and fuel off, bottle shut, throttle open, and air blown through the manifold before anything can spark.", PRACTICE),
    ]  # fmt: skip


def _series(sheet: BuildSheet) -> list[Guard]:
    fuel = "fuel-pressure switch" if sheet.nitrous.system == "wet" else "rail-pressure switch"
    return [
        Guard(SERIES, f"Four contacts in series carry the valve's current, whatever the controller thinks: master switch, full-throttle switch, {fuel}, speed window. Any one of them open "
              "closes the valve; none of them can open it alone.", PRACTICE),
    ]  # fmt: skip
