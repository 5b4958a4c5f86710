"""What to know about a plan, and what forbids to spray, as sentences."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .. import build_fields as bf
from ..build_sheet import BuildSheet
from ..doubts import doubts
from ..engine.setup import Setup
from . import fuel as pf

RULE_DEG_PER_50_HP = 2.0
"""Retard; common practice, no source."""

_MOST_FRACTION = 0.5
_NOT_CHECKED = (
    "limits.peak_pressure_rise_percent", "limits.peak_pressure_bar", "parts.clutch_torque_nm", "fuel_system.pump_flow_l_h",
    "nitrous.nozzle_diameter_mm", "nitrous.fuel_jet_diameter_mm", "nitrous.line_bore_mm", "nitrous.bottle_fill_kg",
)  # fmt: skip


def no_timing(sheet: BuildSheet) -> str:
    """Say that timing is not computed; stands on the page and on the sheet until the cycle is."""
    shot = sheet.nitrous.shot_hp
    return (
        "Ignition timing, knock and peak pressure with nitrous are not computed by this version. Do not spray on the timing that was good "
        f"without nitrous: the trade takes out {RULE_DEG_PER_50_HP:g} degrees per 50 hp, {RULE_DEG_PER_50_HP * shot / 50:g} degrees for {shot:g} hp "
        "(common practice, no source), and more may be needed at low speed."
    )


def _ratio(sheet: BuildSheet, table: pd.DataFrame) -> str:
    """Say what keeps the fuel right while the flow is not yet measured."""
    row = table.iloc[(table["rpm"] - sheet.engine.peak_power_rpm).abs().argmin()]
    return (
        "The range of the fuel is not a tolerance: fuel must follow the nitrous that really flows, about 1 part by mass for "
        f"{row['nitrous_to_added_fuel']:.1f} of nitrous here. Measure the flow first; until then stay with a smaller shot and the high fuel."
    )


def notes(sheet: BuildSheet, setup: Setup, table: pd.DataFrame, frozen_rpm: np.ndarray) -> list[str]:
    """List what a reader of the plan has to know.

    Parameters
    ----------
    sheet : BuildSheet
    setup : Setup
    table : DataFrame
        Of the plan.
    frozen_rpm : array
        Speeds at which, at some corner of the unknowns, the port would fall below the temperature where nitrous freezes.
    """
    nitrous, engine = sheet.nitrous, sheet.engine
    out = [
        no_timing(sheet),
        f"The nitrous flow is what {nitrous.shot_hp:g} hp at {engine.peak_power_rpm:g} rpm need by the energy balance, not what a "
        "nozzle was measured to pass.",
        _ratio(sheet, table),
        _fuel_cooling(setup, table),
    ]
    low, high = pf.WINDOW_LAMBDA
    if not low - 5e-4 <= engine.lambda_with_nitrous <= high + 5e-4:
        side = "richer" if engine.lambda_with_nitrous < low else "leaner"
        out.append(
            f"The lambda target with nitrous, {engine.lambda_with_nitrous:.3f}, is {side} than the trade's window of {low:.3f} to "
            f"{high:.3f} (common practice, no source)."
        )
    if len(frozen_rpm):
        out.append(
            f"Up to {frozen_rpm.max():.0f} rpm, with no heat from the walls, the charge would fall below 182 K, where nitrous freezes: the low "
            "end of its temperature stops there, and the rest is taken to evaporate in the cylinder."
        )
    cooled = sheet.controller.intake_sensor == "in cooled stream" and sheet.controller.metering == "speed-density"
    if nitrous.system == "dry" and cooled:
        out.append(
            "The intake sensor sits in the cooled stream: the controller adds part of the fuel by itself, as fast as the sensor follows "
            "and no faster; droplets on it make it read colder still."
        )
    gauge = engine.lambda_with_nitrous * sheet.controller.gauge_scale
    shown = table["gauge_afr_sensor"].mean()
    out.append(
        f"If the sensor model holds (not verified), the gauge reads about {shown:.1f} while the mixture is on target, not {gauge:.1f}: a reading of "
        f"{gauge:.1f} is then leaner than wanted. Do not lean towards it, and let no closed-loop trim act while spraying."
    )
    given = [bf.describe(path)["label"] for path in _NOT_CHECKED if sheet.is_given(path)]
    if given:
        out.append(f"On the sheet but not yet checked by this version: {', '.join(given)}.")
    return out


def _fuel_cooling(setup: Setup, table: pd.DataFrame) -> str:
    """Compare what the added fuel takes to evaporate with what the nitrous takes; the second alone is in the charge."""
    key = "fuel_mass_air_kg_h" if table["fuel_mass_air_kg_h"].iloc[-1] > 0 else "fuel_speed_density_kg_h"
    fuel = max(0.0, float(table[key].iloc[-1])) / 3600 * setup.fuel.vaporisation_enthalpy / 1e3
    nitrous = float(table["nitrous_kg_s"].iloc[-1]) * 230.0
    return (
        f"The added fuel asks up to {fuel:.1f} kW to evaporate, the nitrous about {nitrous:.0f} kW. Only the second is in the charge "
        "temperature: fuel that evaporates in the port cools further and makes the charge denser than computed."
    )


def blockers(sheet: BuildSheet, table: pd.DataFrame) -> list[str]:
    """List what has to be mended before any nitrous flows; what the sheet's doubts call a stop comes first."""
    nitrous, engine, limits = sheet.nitrous, sheet.engine, sheet.limits
    out = [doubt.sentence for doubt in doubts(sheet) if doubt.weight == "stop"]
    rich = table[table["nitrous_fraction_high"] > _MOST_FRACTION]
    if len(rich):
        out.append(
            f"Up to {rich['rpm'].iloc[-1]:.0f} rpm there may be more nitrous than air in the cylinder ({100 * table['nitrous_fraction_high'].max():.0f} % "
            "by mole): begin the window at a higher speed or take a smaller shot (a limit of our own, no source)."
        )
    duty = table["injector_duty_percent_high"]
    if (duty > limits.injector_duty_percent).any():
        first = table.loc[duty > limits.injector_duty_percent, "rpm"].iloc[0]
        out.append(
            f"Injector duty may reach {duty.max():.0f} % (likely {table['injector_duty_percent'].max():.0f} %), above the limit of "
            f"{limits.injector_duty_percent:g} %, from {first:.0f} rpm."
        )
    power = engine.peak_power_hp
    if power is not None and limits.power_hp is not None and power + nitrous.shot_hp > limits.power_hp:
        out.append(
            f"{power:g} hp and a shot of {nitrous.shot_hp:g} hp pass the owner's limit of {limits.power_hp:g} hp."
        )
    if engine.lambda_with_nitrous >= pf.TOO_LEAN_LAMBDA:
        out.append(
            f"The lambda target with nitrous, {engine.lambda_with_nitrous:.3f}, is past the trade's shut-off at {pf.TOO_LEAN_LAMBDA:.3f} "
            "(common practice, no source)."
        )
    elif engine.lambda_with_nitrous > engine.lambda_without_nitrous:
        out.append(
            f"The lambda target with nitrous, {engine.lambda_with_nitrous:.3f}, is leaner than without, {engine.lambda_without_nitrous:.3f}: the "
            "power the plan counts for the shot would come from leaning the engine out."
        )
    return out
