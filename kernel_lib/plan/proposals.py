"""A value for every limit of a pull, each with its reason, and the numbers behind them."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from ..band import SENSOR_ERROR
from ..build_fields import SECTIONS, describe
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge
from ..engine.setup import Setup
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
TRADE_HOLD_S = 1.0
"""Timing kept back after shut-off; common practice, no source."""
PRESSURE_DROP = 0.05
"""Of the fuel pressure, at which nitrous stops; a choice of our own, no source."""
TRADE_LEAD_MS: float = SECTIONS["nitrous"].model_fields["fuel_lead_ms"].default
"""Fuel before nitrous, what a build sheet assumes; common practice, no source."""
TRADE_HZ: float = SECTIONS["nitrous"].model_fields["pulse_hz"].default
"""Pulses of a progressive valve, likewise; common practice, no source."""


@dataclass(frozen=True)
class Proposal:
    """A limit: what it is, the value to type, the sheet's on which this plan rests, unit, decimals, why, what that rests on, and its field ("" if none)."""

    name: str
    value: float
    sheet: float
    unit: str
    digits: int
    reason: str
    basis: str
    path: str = ""


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


@functools.lru_cache(maxsize=32)
def hold_s(sheet: BuildSheet, dosed: Dosed, throttle: str = "open") -> float:
    """Time for which added fuel and retard have to stay after the command to close: the longest over the dose, high end [s]."""
    return max(
        wash_out(sheet, float(r), throttle, float(s))["all"].high for r, s in zip(dosed.rpm, dosed.share, strict=True)
    )


def close_rpm(sheet: BuildSheet, dosed: Dosed, rise: float | None = None) -> float:
    """Speed at which nitrous has to close so that it is gone at the rev limit [rpm]; `rise` [rpm/s]: that of the fastest gear if None."""
    rise = max(gear_rises(sheet).values()) if rise is None else rise
    gone = wash_out(sheet, float(dosed.rpm[-1]), "open", float(dosed.share[-1]))["all"].high
    return sheet.engine.limit_rpm - rise * gone


def _within(path: str, value: float) -> float:
    """A proposal, or the end of its field's range: further the build sheet would not take it."""
    about = describe(path)
    return float(np.clip(value, about["low"], about["high"]))


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
    nearest = np.ceil(200 * max(lean + SENSOR_ERROR.high, target + 0.03)) / 200
    lean_stop = min(nearest, max(pf.TOO_LEAN_LAMBDA, np.ceil(200 * (target + 0.03)) / 200))
    rich_stop = max(
        np.floor(200 * 0.5 * (limits.misfire_rich_lambda + rich - SENSOR_ERROR.high)) / 200, limits.misfire_rich_lambda
    )
    lead, enough = least_lead_ms(sheet, dosed, lean_stop)
    tight = (
        not enough and lean_stop < limits.lean_stop_lambda
    )  # coming in, the mixture may pass a stop so near to the target
    if tight:
        lead, enough = least_lead_ms(sheet, dosed)
    richest = float(entry_ends(sheet, dosed, np.array([lead / 1e3]))[0][0])
    short = "" if enough else "; no lead looked at is enough: shorten the line or dose less at first"
    if tight and enough:
        short = f": that of the sheet, {limits.lean_stop_lambda:.3f}; the nearer one may trip while the nitrous comes in, whatever the lead"
    if richest < limits.misfire_rich_lambda:
        short += f"; the fuel ahead then makes lambda {richest:.2f} at the other end of what is unknown, which may misfire: try it with the bottle shut first"
    capped = nearest > lean_stop + 1e-9
    hold = max(hold_s(sheet, dosed), hold_s(sheet, dosed, "shut"))
    return [
        Proposal("lean stop", _within("limits.lean_stop_lambda", lean_stop), limits.lean_stop_lambda, "lambda", 3,
                 f"the trade's; the leanest cycle of the pulses reaches {lean:.2f} and may trip it: pulse faster or dose less" if capped else
                 f"as near to the target {target:.3f} as {'pulses and ' if pulsed else ''}a sensor's error let it", PRACTICE if capped else COMPUTED,
                 "limits.lean_stop_lambda"),
        Proposal("rich stop", _within("limits.rich_stop_lambda", rich_stop), limits.rich_stop_lambda, "lambda", 3,
                 f"half way between {limits.misfire_rich_lambda:.2f}, where firing grows doubtful (from memory), and the richest cycle meant; armed {arm_s(sheet, dosed):.1f} s after the "
                 "button, off in the rehearsal", OWN, "limits.rich_stop_lambda"),
        Proposal("fuel before nitrous", lead, nitrous.fuel_lead_ms, "ms", 0,
                 f"the least with which no cycle of a hit passes the lean stop, at the late end of what is unknown{short}", COMPUTED, "nitrous.fuel_lead_ms"),
        Proposal("nitrous closes at", _within("nitrous.spray_rpm_max", min(50 * np.floor(close_rpm(sheet, dosed) / 50), nitrous.spray_rpm_max)), nitrous.spray_rpm_max, "rpm", 0,
                 f"so that it is gone at the rev limit of {sheet.engine.limit_rpm:g} rpm in the fastest gear{_late(sheet, dosed)}", COMPUTED, "nitrous.spray_rpm_max"),
        Proposal("fuel and timing stay", float(np.ceil(10 * hold - 1e-6) / 10), TRADE_HOLD_S, "s", 1,
                 "until 95 % of the nitrous is gone, also after a lift, high end; the trade says 1 s", COMPUTED),
    ]  # fmt: skip


def arm_s(sheet: BuildSheet, dosed: Dosed) -> float:
    """When a rich stop may act: fuel lead, the nitrous on its way and mixed (as long as it takes to clear, high end), three times sensor and filter [s]."""
    control = sheet.controller
    settle = 3 * (control.sensor_delay_ms + control.filter_ms)
    return (sheet.nitrous.fuel_lead_ms + settle) / 1e3 + hold_s(sheet, dosed)


def _late(sheet: BuildSheet, dosed: Dosed) -> str:
    """Say so where that speed lies below the dose."""
    return (
        "; that is below the dose: with this line and rise of speed no window closes in time"
        if close_rpm(sheet, dosed) < dosed.rpm[0]
        else ""
    )


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


def least_lead_ms(sheet: BuildSheet, dosed: Dosed, stop: float | None = None) -> tuple[float, bool]:
    """Least fuel lead with which no cycle of a hit passes the lean stop (the sheet's if None), whatever is unknown [ms]; the longest looked at, and False, if none does."""
    stop = sheet.limits.lean_stop_lambda if stop is None else stop
    leads = np.arange(0.0, 0.61, 0.01)
    kept = entry_ends(sheet, dosed, leads)[1] <= max(stop, sheet.engine.lambda_without_nitrous)
    return 1e3 * float(leads[kept.argmax()] if kept.any() else leads[-1]), bool(kept.any())
