"""What to know about a plan, and what forbids to spray, as sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import build_fields as bf
from ..band import ADDED_HEAT_EFFICIENCY, DENSITY_EXPONENT, PEAK_SHARE, WALL_HEAT_SHARE
from ..build_sheet import BuildSheet
from ..doubts import doubts
from ..engine.setup import Setup
from ..errors import InputError
from ..text import banded, listed
from ..thermo.fluid import evaporation_heat
from ..units import in_from_mm, lb_from_kg, psi_from_kpa, w_from_hp
from . import fuel as pf
from .fuel_system import jet_band, jet_flow, pulse_drift, pump_flow, wet_lambda
from .power import firing_of
from .supply import is_weighed

if TYPE_CHECKING:
    from .plan import Plan
    from .timing import Timing

MOST_FRACTION = 0.5
_NOT_CHECKED = ("parts.clutch_torque_nm",)


OBSTACLES = {
    "exhaust": "the retard it takes would open the exhaust on gas hotter than the sheet's limit",
    "retard": "no retard up to 28 degrees is enough",
    "flame table": "the charge would leave the table of computed flames (330 to 950 K, 5 to 120 atm, up to 55 % nitrous)",
}
"""Why a speed is not reachable, in words."""


def timing_sentences(timing: Timing) -> list[str]:
    """Say what the timing of a first hit is, what the trade's rule says, and where no timing will do."""
    table = timing.table
    good, short = table[table["reachable"]], table[~table["reachable"]]
    out = []
    if len(good):
        rows = good.iloc[sorted({0, len(good) // 2, len(good) - 1})]
        speeds = listed([f"{row['rpm']:.0f}" for _, row in rows.iterrows()])
        up = np.ceil(2 * rows["first_hit_deg"] - 1e-6) / 2  # a first hit is never set short of its need
        set_to = listed([f"{np.floor(2 * v) / 2:g}" for v in rows["timing_deg_btdc"] - up])
        pulled = listed([f"{v:g}" for v in up])
        need = listed(
            [banded(row["retard_deg_low"], row["retard_deg"], row["retard_deg_high"]) for _, row in rows.iterrows()]
        )
        out.append(
            f"Timing for a first hit at {speeds} rpm: {set_to} degrees before TDC, {pulled} less than without nitrous. The likely need there is {need} "
            f"degrees; the trade's rule says {table['rule_deg'].iloc[0]:.0f} (2 degrees per 50 hp, common practice, no source)."
        )
    if len(short):
        ends = short.iloc[sorted({0, len(short) - 1})]
        most = listed(
            [
                f"about {row['most_hp']:.0f} hp ({1e3 * row['most_kg_s']:.0f} g/s) at {row['rpm']:.0f} rpm"
                for _, row in ends.iterrows()
            ]
        )
        reasons = "; ".join(dict.fromkeys(OBSTACLES[name] for name in short["obstacle"]))
        where = listed([f"{rpm:.0f}" for rpm in short["rpm"]])
        out.append(f"Not reachable at {where} rpm with what may flow here: {reasons}. At most {most}.")
    return out


def _timing(timing: Timing) -> list[str]:
    """Say the timing where there is one; where there is none is a blocker."""
    return [*(timing_sentences(timing)[:1] if timing.table["reachable"].any() else []), *own_knock(timing)]


def own_knock(timing: Timing) -> list[str]:
    """Say where the engine, by the correlation, knocks without nitrous; nothing if nowhere."""
    own = pd.DataFrame({"rpm": timing.table["rpm"], "knock": timing.limits.knock})
    over = own[own["knock"] >= 1.0]
    if over.empty:
        return []
    return [
        f"By the knock correlation this engine already knocks without nitrous at {listed([f'{rpm:.0f}' for rpm in over['rpm']])} rpm (integral up to "
        f"{over['knock'].max():.1f}, knock from 1): it has no margin to spend. The correlation is good for differences only; listen to the engine."
    ]


def _ratio(sheet: BuildSheet, table: pd.DataFrame) -> str:
    """Say what keeps the fuel right while the flow is not yet measured."""
    row = at_peak(sheet, table)
    tail = (
        "Hold it there by what was weighed in."
        if is_weighed(sheet)
        else "Measure the flow first; until then stay with a smaller shot and the high fuel."
    )
    return (
        "The range of the fuel is not a tolerance: fuel must follow the nitrous that really flows, about 1 part by mass for "
        f"{row['nitrous_to_added_fuel']:.1f} of nitrous here. {tail}"
    )


def notes(sheet: BuildSheet, setup: Setup, plan: Plan, frozen_rpm: np.ndarray) -> list[str]:
    """List what a reader of the plan has to know.

    Parameters
    ----------
    sheet : BuildSheet
    setup : Setup
    plan : Plan
    frozen_rpm : array
        Speeds at which, at some corner of the unknowns, the port would fall below the temperature where nitrous freezes.
    """
    nitrous, engine, table = sheet.nitrous, sheet.engine, plan.table
    out = [
        *(_timing(plan.timing) if plan.timing else []),
        *_flow_basis(sheet, plan),
        *_energy_check(sheet, setup, plan),
        _ratio(sheet, table),
        *_fuel_side(sheet, setup, plan),
        _fuel_cooling(setup, table),
    ]
    if _passes_power(sheet, plan.power.high) and not _passes_power(sheet, plan.power.best):
        out.append(
            f"At the high end of what is unknown the shot may be {plan.power.high:.0f} hp: with the engine's own {engine.peak_power_hp:g} hp that passes the "
            f"owner's limit of {sheet.limits.power_hp:g} hp."
        )
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


def _flow_basis(sheet: BuildSheet, plan: Plan) -> list[str]:
    """Say where the flow comes from, and what the other way would give."""
    nitrous, rpm = sheet.nitrous, sheet.engine.peak_power_rpm
    each = "a bore of" if nitrous.nozzles == 1 else f"{nitrous.nozzles} bores of"
    if plan.bore is None:
        wants = f"more than this line of {nitrous.line_bore_mm:g} mm is sure to feed"
    else:
        wants = f"{each} about {banded(plan.bore.low, plan.bore.best, plan.bore.high)} mm ({in_from_mm(plan.bore.best):.3f} in)"
    if nitrous.nozzle_diameter_mm is None:
        return [
            f"The nitrous flow is what {nitrous.shot_hp:g} hp at {rpm:g} rpm need by the energy balance, not what a nozzle passes. From this bottle "
            f"it takes {wants}: not known better until a nozzle is weighed in."
        ]
    flow, power = plan.flow, plan.power
    out = [
        f"The nozzle, {nitrous.nozzles} x {nitrous.nozzle_diameter_mm:.3g} mm ({in_from_mm(nitrous.nozzle_diameter_mm):.3f} in), passes about {banded(1e3 * flow.low, 1e3 * flow.best, 1e3 * flow.high)} g/s "
        f"({lb_from_kg(flow.best):.3f} lb/s) from this bottle, which is worth about {banded(power.low, power.best, power.high)} hp here. The wanted "
        f"{nitrous.shot_hp:g} hp would need about {1e3 * plan.wanted_flow:.0f} g/s: {wants}."
    ]
    if not is_weighed(sheet):
        out.append(
            f"Nobody has weighed this nozzle in, so the flow is known only to a factor of {flow.high / flow.low:.1f}. Weigh it in (bottle page) before "
            "the first hit: every number here follows the flow."
        )
    return out


def _energy_check(sheet: BuildSheet, setup: Setup, plan: Plan) -> list[str]:
    """Say where the cycle's flow for the wanted shot lies outside what an energy balance would ask for."""
    engine, shot = sheet.engine, w_from_hp(sheet.nitrous.shot_hp)
    try:
        most, least = (
            pf.nitrous_for_power(
                setup, shot, engine.peak_power_rpm, engine.lambda_without_nitrous, engine.lambda_with_nitrous,
                efficiency=share, wall_share=WALL_HEAT_SHARE.best, exponent=DENSITY_EXPONENT.best,
            )
            for share in (ADDED_HEAT_EFFICIENCY.low, ADDED_HEAT_EFFICIENCY.high)
        )  # fmt: skip
    except InputError:
        return []
    if 0.95 * least <= plan.wanted_flow <= 1.05 * most:
        return []
    return [
        f"The cycle asks about {1e3 * plan.wanted_flow:.0f} g/s for the wanted shot, an energy balance {1e3 * least:.0f} to {1e3 * most:.0f} g/s "
        f"({ADDED_HEAT_EFFICIENCY.low:g} to {ADDED_HEAT_EFFICIENCY.high:g} of the added heat at the crank): look at compression, timing and lambda on the sheet."
    ]


def own_fuel_key(sheet: BuildSheet) -> str:
    """Column of the added fuel as this car's controller needs it, without its unit."""
    return "fuel_speed_density" if sheet.controller.metering == "speed-density" else "fuel_mass_air"


def at_peak(sheet: BuildSheet, table: pd.DataFrame) -> pd.Series:
    """Return the row of a plan next to the speed of peak power."""
    return table.iloc[(table["rpm"] - sheet.engine.peak_power_rpm).abs().argmin()]


def _jet_lambda(sheet: BuildSheet, setup: Setup, plan: Plan) -> float | None:
    """Lambda that the fitted fuel jet gives with the likely flow; None where no jet is stated."""
    bore = sheet.nitrous.fuel_jet_diameter_mm
    if sheet.nitrous.system == "dry" or bore is None:
        return None
    rpm = at_peak(sheet, plan.table)["rpm"]
    return float(wet_lambda(sheet, setup, rpm, plan.flow.best, jet_flow(sheet, setup, bore)))


def _fuel_side(sheet: BuildSheet, setup: Setup, plan: Plan) -> list[str]:
    """Say what jet the shot asks for, and what is not known of the pump."""
    out = []
    if sheet.nitrous.system == "wet":
        row = at_peak(sheet, plan.table)
        key = f"{own_fuel_key(sheet)}_kg_h"
        fuel = [row[f"{key}{end}"] / 3600 for end in ("_low", "", "_high")]
        fitted = _jet_lambda(sheet, setup, plan)
        told = (
            ""
            if fitted is None
            else f" The {sheet.nitrous.fuel_jet_diameter_mm:.3g} mm jet on the sheet gives about lambda {fitted:.2f} with the likely flow."
        )
        if fuel[0] > 0:
            jet = jet_band(sheet, setup, *fuel)
            out.append(
                f"The likely fuel at {row['rpm']:.0f} rpm, {row[f'{own_fuel_key(sheet)}_lb_h']:.0f} lb/h, asks for a fuel jet of about "
                f"{banded(jet.low, jet.best, jet.high)} mm ({in_from_mm(jet.best):.3f} in) at {sheet.value('nitrous.fuel_jet_pressure_kpa'):.0f} kPa "
                f"({psi_from_kpa(sheet.value('nitrous.fuel_jet_pressure_kpa')):.0f} psi).{told}"
            )
    why = pump_flow(sheet, setup)[1]
    return [*out, why] if why else out


def _fuel_cooling(setup: Setup, table: pd.DataFrame) -> str:
    """Compare what the added fuel takes to evaporate with what the nitrous takes; the second alone is in the charge."""
    key = "fuel_mass_air_kg_h" if table["fuel_mass_air_kg_h"].iloc[-1] > 0 else "fuel_speed_density_kg_h"
    fuel = max(0.0, float(table[key].iloc[-1])) / 3600 * setup.fuel.vaporisation_enthalpy / 1e3
    heat = float(evaporation_heat(setup.T_bottle, setup.T_air, setup.P_manifold))
    nitrous = float(table["nitrous_kg_s"].iloc[-1]) * heat / 1e3
    return (
        f"The added fuel asks up to {fuel:.1f} kW to evaporate, the nitrous about {nitrous:.0f} kW. Only the second is in the charge "
        "temperature: fuel that evaporates in the port cools further and makes the charge denser than computed."
    )


def _pulsed(sheet: BuildSheet, setup: Setup, plan: Plan) -> list[str]:
    """Forbid a pulsed wet pair that drifts past the too-lean mark."""
    row, fitted = at_peak(sheet, plan.table), sheet.nitrous.fuel_jet_diameter_mm
    fuel = row[f"{own_fuel_key(sheet)}_kg_h"] / 3600 if fitted is None else float(jet_flow(sheet, setup, fitted))
    if sheet.nitrous.system == "dry" or not sheet.nitrous.progressive or fuel <= 0:
        return []
    duty = np.linspace(0.2, 1.0, 17)
    drift = pulse_drift(sheet, setup, float(row["rpm"]), plan.flow.best, fuel, duty)["likely"]
    k = int(drift.argmax())
    if drift[k] < pf.TOO_LEAN_LAMBDA:
        return []
    return [
        f"Pulsed, the wet pair drifts to about lambda {drift[k]:.2f} at {100 * duty[k]:.0f} % valve duty, past the trade's shut-off at "
        f"{pf.TOO_LEAN_LAMBDA:.3f} (common practice, no source): the fuel valve opens too late for the nitrous valve."
    ]


def _passes_power(sheet: BuildSheet, shot_hp: float) -> bool:
    own, limit = sheet.engine.peak_power_hp, sheet.limits.power_hp
    return own is not None and limit is not None and own + shot_hp > limit + 1e-9


def blockers(sheet: BuildSheet, setup: Setup, plan: Plan) -> list[str]:
    """List what has to be mended before any nitrous flows; what the sheet's doubts call a stop comes first."""
    limits, table = sheet.limits, plan.table
    out = [doubt.sentence for doubt in doubts(sheet) if doubt.weight == "stop"]
    rich = table[table["nitrous_fraction_high"] > MOST_FRACTION]
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
    pump = table["pump_percent_high"]
    if (pump > limits.pump_percent).any():
        out.append(
            f"The pump may have to give {pump.max():.0f} % of its flow (likely {table['pump_percent'].max():.0f} %), above the limit of "
            f"{limits.pump_percent:g} %, from {table.loc[pump > limits.pump_percent, 'rpm'].iloc[0]:.0f} rpm."
        )
    out += _power_and_mixture(sheet, setup, plan)
    own = PEAK_SHARE.high * firing_of(sheet, setup).table["P_max"].max() / 1e5
    if limits.peak_pressure_bar is not None and limits.peak_pressure_bar < own:
        out.append(
            f"The owner's limit of peak pressure, {limits.peak_pressure_bar:g} bar, is below what the engine may reach without nitrous, up to {own:.0f} bar."
        )
    elif plan.timing is not None and not plan.timing.table["reachable"].all():
        out.append(f"{timing_sentences(plan.timing)[-1]} Begin the window at a higher speed, or take less there.")
    return out


def _power_and_mixture(sheet: BuildSheet, setup: Setup, plan: Plan) -> list[str]:
    nitrous, engine, limits, out = sheet.nitrous, sheet.engine, sheet.limits, []
    if _passes_power(sheet, plan.power.best):
        out.append(
            f"{engine.peak_power_hp:g} hp and a shot of {plan.power.best:.0f} hp pass the owner's limit of {limits.power_hp:g} hp."
        )
    fitted = _jet_lambda(sheet, setup, plan)
    if fitted is not None and fitted >= pf.TOO_LEAN_LAMBDA:
        out.append(
            f"The {nitrous.fuel_jet_diameter_mm:.3g} mm fuel jet gives about lambda {fitted:.2f} with the likely nitrous flow, past the trade's "
            f"shut-off at {pf.TOO_LEAN_LAMBDA:.3f} (common practice, no source)."
        )
    out += _pulsed(sheet, setup, plan)
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
