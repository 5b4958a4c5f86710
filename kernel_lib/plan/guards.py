"""When the nitrous may flow and when it must stop: one pass along its timeline, a number in every sentence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..build_sheet import BuildSheet
from ..text import listed
from ..units import f_from_c, psi_from_kpa
from .dose import Dosed
from .proposals import (
    COMPUTED,
    OWN,
    PRACTICE,
    PRESSURE_DROP,
    SHEET,
    TRADE_HOLD_S,
    TRADE_LEAD_MS,
    arm_s,
    close_rpm,
    entry_ends,
    hold_s,
    lean_budget,
)
from .ramp import gear_rises
from .stopping import wash_out

BEFORE, COMING, FLOWING, CLOSING, AFTER, SERIES = (
    "Before the first drop",
    "Coming in",
    "What ends it",
    "How it closes",
    "Afterwards",
    "Switches in series",
)
PHASES = (BEFORE, COMING, FLOWING, CLOSING, AFTER, SERIES)
BASE_ROOM = 0.03
"""Of the engine's own lambda before nitrous may be added to it; a choice of our own, no source."""
WARM_C = 70.0
"""Coolant before nitrous [degrees C]; common practice, no source."""


@dataclass(frozen=True)
class Guard:
    """One sentence of the timeline: in which phase, and what the number rests on."""

    phase: str
    sentence: str
    basis: str


def guards(sheet: BuildSheet, dosed: Dosed, ramp_says: str, *, metric: bool = True) -> list[Guard]:
    """Tell one pass along its timeline.

    Parameters
    ----------
    sheet : BuildSheet
    dosed : Dosed
    ramp_says : str
        The ramp in a sentence.
    metric : bool
        kPa and degrees Celsius, else psi and Fahrenheit.

    Returns
    -------
    list of Guard
        In the order of `PHASES`; empty where nothing flows.
    """
    if not len(dosed.rpm):
        return []
    return [
        *_before(sheet, dosed, metric=metric),
        *_coming(sheet, dosed, ramp_says),
        *_flowing(sheet, dosed),
        *_closing(sheet, dosed),
        *_after(sheet, dosed),
        *_series(sheet),
    ]


def _pressure(kpa: float, metric: bool) -> str:
    return f"{kpa:.0f} kPa" if metric else f"{psi_from_kpa(kpa):.0f} psi"


def _ms(seconds: float) -> str:
    return f"{round(1e3 * seconds, -1):.0f} ms"


def _before(sheet: BuildSheet, dosed: Dosed, *, metric: bool) -> list[Guard]:
    nitrous, control, system = sheet.nitrous, sheet.controller, sheet.fuel_system
    settle = 3 * (control.sensor_delay_ms + control.filter_ms)
    pressure = sheet.value("nitrous.fuel_jet_pressure_kpa") if nitrous.system == "wet" else system.rail_pressure_kpa
    gear = (
        ""
        if sheet.driveline.gear_ratios is None and sheet.driveline.rise_rpm_s is None
        else f" and gear {sheet.driveline.gear_min} or higher"
    )
    warm = f"{WARM_C:.0f} °C" if metric else f"{f_from_c(WARM_C):.0f} °F"
    return [
        Guard(BEFORE, f"Armed by hand, bottle open, coolant above {warm}: a cold engine has other clearances and another mixture.", PRACTICE),
        Guard(BEFORE, f"Throttle beyond {nitrous.throttle_min_percent:g} %{gear}.", SHEET),
        Guard(BEFORE, f"Engine speed at least {dosed.rpm[0]:.0f} rpm, where this dose begins: at a constant flow the dose of a cycle grows as the speed falls.", COMPUTED),
        Guard(BEFORE, f"Bottle gauge between {_pressure(nitrous.window_low_kpa, metric)} and {_pressure(nitrous.window_high_kpa, metric)}: outside, another flow arrives than the fuel is set for.", SHEET),
        Guard(BEFORE, f"Fuel pressure within {100 * PRESSURE_DROP:.0f} % of {_pressure(pressure, metric)} gauge.", OWN),
        Guard(BEFORE, f"Lambda within {BASE_ROOM:g} of {sheet.engine.lambda_without_nitrous:.2f} at full throttle for {settle:.0f} ms, three times the lag of sensor and filter: the plan adds to a base "
              "that must be right.", COMPUTED),
    ]  # fmt: skip


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


def _flowing(sheet: BuildSheet, dosed: Dosed) -> list[Guard]:
    limits = sheet.limits
    closing = wash_out(sheet, float(dosed.rpm[0]), "open", float(dosed.share[0]))["all"].best
    return [
        Guard(FLOWING, _lean(sheet, dosed), COMPUTED),
        Guard(FLOWING, f"Lambda richer than {limits.rich_stop_lambda:.3f}, from {arm_s(sheet, dosed):.1f} s after the button on, when the nitrous has arrived and the sensor has seen it: fuel ahead of "
              f"nitrous is richer than that by design. Short of {limits.misfire_rich_lambda:.2f} cylinders misfire (from memory), and a misfire reads lean: rule it out before any fuel is added.", OWN),
        Guard(FLOWING, f"Fuel pressure {100 * PRESSURE_DROP:.0f} % low, or throttle below {sheet.nitrous.throttle_min_percent:g} %: these act {_ms(closing)} before the nitrous is gone, without the "
              "sensor's wait. A knock signal ends it too, but only after the first cycles that knock.", COMPUTED),
        Guard(FLOWING, _speed(sheet, dosed), COMPUTED),
        *_cuts(sheet),
    ]  # fmt: skip


def _lean(sheet: BuildSheet, dosed: Dosed) -> str:
    """Say what the lean stop takes."""
    stop = sheet.limits.lean_stop_lambda
    begin = f"Lambda leaner than {stop:.3f} ({stop * sheet.controller.gauge_scale:.1f} on this gauge)."
    if stop <= sheet.engine.lambda_with_nitrous:
        return f"{begin} That is not leaner than the target {sheet.engine.lambda_with_nitrous:.3f}: it would end every pull."
    told = []
    for k in sorted({0, len(dosed.rpm) - 1}):
        lean, budget = lean_budget(sheet, dosed, k)
        at = f"at {dosed.rpm[k]:.0f} rpm lambda {lean:.2f}"
        told.append(
            f"{at}, and {_ms(budget.total_s)} or {budget.cycles:.0f} cycles of each cylinder until the nitrous is gone"
            if budget.reached
            else f"{at}, which the stop never sees"
        )
    return f"{begin} It is late by nature: with the added fuel missing, {listed(told)}."


def _speed(sheet: BuildSheet, dosed: Dosed) -> str:
    """Say where nitrous has to close by engine speed, in gear and with the wheels loose."""
    by, rise, free = close_rpm(sheet, dosed), max(gear_rises(sheet).values()), sheet.driveline.free_rise_rpm_s
    loose = close_rpm(sheet, dosed, free)
    late = (
        f" The sheet's window ends at {sheet.nitrous.spray_rpm_max:g} rpm, too late for that."
        if sheet.nitrous.spray_rpm_max > by
        else ""
    )
    tail = (
        f"a window that ends at {loose:.0f} rpm would do"
        if loose > dosed.rpm[0]
        else "no speed of this window is early enough"
    )
    return (
        f"Engine speed: close at {50 * np.floor(by / 50):.0f} rpm or before, {rise:.0f} rpm/s times valve and wash-out below the rev limit of {sheet.engine.limit_rpm:g} rpm.{late} "
        f"With the wheels loose or a shift missed ({free:.0f} rpm/s) {tail}: there the limiter cuts in on nitrous."
    )


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
        "covers both"
        if lifted <= TRADE_HOLD_S
        else "covers the open throttle only"
        if hold <= TRADE_HOLD_S
        else "is too short"
    )
    follows = (
        ""
        if sheet.controller.timing_follows
        else " The sheet says that fuel and timing do not stay: then every shut-off ends in a lean, advanced tail."
    )
    return [
        Guard(CLOSING, f"Nitrous first: the valve shuts in {1e3 * parts['valve'].best:.0f} ms, what lies behind it runs out in about {_ms(parts['line'].best)}, the manifold clears in "
              f"{_ms(parts['manifold'].best)} at {dosed.rpm[k]:.0f} rpm.", COMPUTED),
        Guard(CLOSING, f"Added fuel and retard stay, at the high end of what is unknown, for {hold:.1f} s with the throttle open and {lifted:.1f} s after a lift, when hardly any fresh air thins the "
              f"nitrous: the trade's {TRADE_HOLD_S:.0f} s {verdict}.{follows}", COMPUTED),
        Guard(CLOSING, f"If the controller cuts fuel on a shut throttle, do not open it again within those {lifted:.1f} s: nitrous without fuel waits in the manifold.", COMPUTED),
    ]  # fmt: skip


def _after(sheet: BuildSheet, dosed: Dosed) -> list[Guard]:
    return [
        Guard(AFTER, f"No second hit until the driver has let go of the throttle, waited {max(hold_s(sheet, dosed, 'shut'), TRADE_HOLD_S):.1f} s and armed by hand again, and somebody has found out what ended the first.", OWN),
        Guard(AFTER, "If the engine has stopped with the bottle open: do not crank, not once. Ignition and fuel off, bottle shut, throttle open, and air blown through the manifold before anything can spark.", PRACTICE),
    ]  # fmt: skip


def _series(sheet: BuildSheet) -> list[Guard]:
    fuel = (
        "a pressure switch in the nitrous fuel line"
        if sheet.nitrous.system == "wet"
        else "a pressure switch on the fuel rail"
    )
    return [
        Guard(SERIES, f"Four contacts in series carry the valve's current, whatever the controller thinks: the master switch, a switch at full throttle, {fuel}, and a relay that closes only in the speed "
              "window. Any one open closes the valve; none can open it alone.", PRACTICE),
        Guard(SERIES, "A valve that sticks open is ended by none of these: 1 more valve in series, upstream, which closes whenever the first should be shut (valve supervision), and the bottle's own.", PRACTICE),
    ]  # fmt: skip
