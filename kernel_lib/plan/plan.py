"""The plan: what flows, what it does to the charge, and what fuel goes with it, over rpm, with bands."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .. import units
from ..band import ADDED_HEAT_EFFICIENCY, DENSITY_EXPONENT, HYDROGEN_WEIGHT, WALL_HEAT_SHARE
from ..build_sheet import BuildSheet
from ..engine.charge import Charge, fresh_charge, mixture
from ..engine.setup import Setup, spray_speeds
from ..errors import InputError
from ..thermo.wideband import shown_lambda
from . import fuel as pf

BANDED = (
    "nitrous_kg_s",
    "nitrous_lb_s",
    "dose_mg",
    "nitrous_fraction",
    "oxygen_share",
    "charge_T_K",
    "gauge_afr_sensor",
    "fuel_speed_density_kg_h",
    "fuel_speed_density_lb_h",
    "fuel_mass_air_kg_h",
    "fuel_mass_air_lb_h",
    "fuel_added_percent",
    "fuel_added_ms",
    "injector_duty_percent",
    "nitrous_to_added_fuel",
    "nitrous_to_all_fuel",
)
"""Columns that also stand with ``_low`` and ``_high``."""


@dataclass(frozen=True)
class Plan:
    """What `plan_shot` returns.

    Attributes
    ----------
    table : DataFrame
        One row an rpm, rising; every column carries its unit. Columns in `BANDED` have ``_low`` and ``_high`` beside them:
        bounds over the ranges in `assumptions`, not standard deviations.
    notes, blockers : list of str
        Sentences: what to know, and what has to be mended before any nitrous flows.
    governed_by : tuple of str
        What sets the nitrous flow, row by row.
    assumptions : list of str
        What the bands run over.
    """

    table: pd.DataFrame
    notes: list[str]
    blockers: list[str]
    governed_by: tuple[str, ...]
    assumptions: list[str]


def plan_shot(sheet: BuildSheet) -> Plan:
    """Plan the shot of a build sheet.

    Parameters
    ----------
    sheet : BuildSheet

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        If the shot cannot be computed at all; what merely forbids to spray is in ``blockers``.
    """
    if not isinstance(sheet, BuildSheet):
        raise InputError("sheet", sheet, "", "a BuildSheet", "The plan is computed from the car on paper.")
    setup, rpm = Setup.of(sheet), spray_speeds(sheet)
    rows = [_row(sheet, setup, rpm, *corner) for corner in _corners()]
    best = rows[0] | _sensor_band(sheet, setup, rpm, rows[0]["charge"])
    columns: dict[str, np.ndarray] = {"rpm": rpm}
    for name in best:
        if name == "charge":
            continue
        if name in BANDED:
            every = np.array([row[name] for row in rows])
            extra = [best[k] for k in (f"{name}_low", f"{name}_high") if k in best]
            columns[name] = best[name]
            columns[f"{name}_low"] = np.minimum(every.min(axis=0), extra[0] if extra else np.inf)
            columns[f"{name}_high"] = np.maximum(every.max(axis=0), extra[1] if extra else -np.inf)
        elif name.removesuffix("_low").removesuffix("_high") not in BANDED:
            columns[name] = best[name]
    table = pd.DataFrame(columns)
    return Plan(
        table,
        _notes(sheet, rows[0]["charge"]),
        _blockers(sheet, table),
        ("wanted horsepower",) * len(rpm),
        _assumptions(),
    )


def _corners() -> list[tuple[float, float, float]]:
    """Efficiency, wall share, exponent: the likely values first, then every corner of their ranges."""
    bands = (ADDED_HEAT_EFFICIENCY, WALL_HEAT_SHARE, DENSITY_EXPONENT)
    return [tuple(b.best for b in bands), *itertools.product(*((b.low, b.high) for b in bands))]


def _row(sheet: BuildSheet, setup: Setup, rpm: np.ndarray, efficiency: float, wall: float, exponent: float) -> dict:
    """Compute every column for one choice of the unknowns."""
    engine, control = sheet.engine, sheet.controller
    flow = pf.nitrous_for_power(
        setup,
        units.w_from_hp(sheet.nitrous.shot_hp),
        engine.peak_power_rpm,
        engine.lambda_without_nitrous,
        engine.lambda_with_nitrous,
        efficiency=efficiency,
        wall_share=wall,
        exponent=exponent,
    )
    charge = fresh_charge(setup, rpm, flow, wall_share=wall, exponent=exponent)
    needed = pf.fuel_for(setup, charge, engine.lambda_with_nitrous)
    per_second = setup.cycles_per_second(rpm)
    added, supplied = {}, {}
    for metering in ("speed-density", "mass-air"):
        supplied[metering] = pf.fuel_supplied(
            setup, charge, rpm, engine.lambda_without_nitrous, metering, control.intake_sensor
        )
        added[metering] = (needed - supplied[metering]) * per_second
    own, own_added = supplied[control.metering], added[control.metering]
    ones = np.ones_like(rpm)
    lambda_shown = [shown_lambda(mixture(setup, charge, engine.lambda_with_nitrous, k)) for k in range(len(rpm))]
    return {
        "nitrous_kg_s": flow * ones,
        "nitrous_lb_s": units.lb_from_kg(flow) * ones,
        "dose_mg": 1e6 * setup.dose(flow, rpm),
        "nitrous_fraction": charge.nitrous_fraction,
        "oxygen_share": charge.oxygen_share,
        "charge_T_K": charge.T,
        "lambda": engine.lambda_with_nitrous * ones,
        "gauge_afr": engine.lambda_with_nitrous * control.gauge_scale * ones,
        "gauge_afr_sensor": np.array(lambda_shown) * control.gauge_scale,
        "fuel_speed_density_kg_h": 3600 * added["speed-density"],
        "fuel_speed_density_lb_h": units.lb_h_from_kg_s(added["speed-density"]),
        "fuel_mass_air_kg_h": 3600 * added["mass-air"],
        "fuel_mass_air_lb_h": units.lb_h_from_kg_s(added["mass-air"]),
        "rule_fuel_lb_h": pf.RULE_LB_H_PER_100_HP * sheet.nitrous.shot_hp / 100 * ones,
        "fuel_added_percent": 100 * own_added / (own * per_second),
        **_injectors(sheet, setup, rpm, own * per_second, own_added),
        "nitrous_to_added_fuel": flow / own_added,
        "nitrous_to_all_fuel": flow / (needed * per_second),
        "charge": charge,
    }


def _injectors(sheet: BuildSheet, setup: Setup, rpm: np.ndarray, supplied: np.ndarray, added: np.ndarray) -> dict:
    """Open time for the added fuel (blank where a wet jet brings it) and duty with the shot on."""
    system = sheet.fuel_system
    flow = system.injectors * pf.injector_flow(sheet, setup)
    cycle = 120 / rpm
    dry = sheet.nitrous.system == "dry"
    open_s = (supplied + (added if dry else 0.0)) / flow * cycle
    return {
        "fuel_added_ms": 1e3 * added / flow * cycle if dry else np.full_like(rpm, np.nan),
        "injector_duty_percent": 100 * (open_s + system.injector_dead_time_ms / 1e3) / cycle,
    }


def _sensor_band(sheet: BuildSheet, setup: Setup, rpm: np.ndarray, charge: Charge) -> dict:
    """What the sensor shows at the ends of the hydrogen weight."""
    target, scale = sheet.engine.lambda_with_nitrous, sheet.controller.gauge_scale
    ends = np.array(
        [
            [scale * shown_lambda(mixture(setup, charge, target, k), weight) for k in range(len(rpm))]
            for weight in (HYDROGEN_WEIGHT.low, HYDROGEN_WEIGHT.high)
        ]
    )
    return {"gauge_afr_sensor_low": ends.min(axis=0), "gauge_afr_sensor_high": ends.max(axis=0)}


def _assumptions() -> list[str]:
    bands = (ADDED_HEAT_EFFICIENCY, WALL_HEAT_SHARE, DENSITY_EXPONENT, HYDROGEN_WEIGHT)
    return [f"{b.low:g} to {b.high:g}, likely {b.best:g}: {b.because}." for b in bands]


def _notes(sheet: BuildSheet, charge: Charge) -> list[str]:
    nitrous, engine = sheet.nitrous, sheet.engine
    notes = [
        f"The nitrous flow is what {nitrous.shot_hp:g} hp at {engine.peak_power_rpm:g} rpm need by the energy balance, not what a "
        "nozzle was measured to pass."
    ]
    if nitrous.nozzle_diameter_mm is not None:
        notes.append(
            "A nozzle bore is given; this version does not compute its flow yet and plans from the wanted horsepower."
        )
    low, high = pf.WINDOW_LAMBDA
    if not low - 5e-4 <= engine.lambda_with_nitrous <= high + 5e-4:
        side = "richer" if engine.lambda_with_nitrous < low else "leaner"
        notes.append(
            f"The lambda target with nitrous, {engine.lambda_with_nitrous:.3f}, is {side} than the trade's window of {low:.3f} to "
            f"{high:.3f} (common practice, no source)."
        )
    if (charge.evaporated < 1).any():
        notes.append(
            "At low speed the charge would fall below 182 K, where nitrous freezes; the rest is taken to evaporate in the cylinder."
        )
    if (
        nitrous.system == "dry"
        and sheet.controller.intake_sensor == "in cooled stream"
        and sheet.controller.metering == "speed-density"
    ):
        notes.append(
            "The intake sensor sits in the cooled stream: the controller adds part of the fuel by itself, as fast as the "
            "sensor follows and no faster; droplets on it make it read colder still."
        )
    return notes


def _blockers(sheet: BuildSheet, table: pd.DataFrame) -> list[str]:
    nitrous, engine, limits = sheet.nitrous, sheet.engine, sheet.limits
    out = []
    held = engine.full_throttle.rpm
    if nitrous.spray_rpm_min < held[0] or nitrous.spray_rpm_max > held[-1]:
        out.append(
            f"The spray window, {nitrous.spray_rpm_min:g} to {nitrous.spray_rpm_max:g} rpm, reaches beyond the full-throttle table, "
            f"{held[0]:g} to {held[-1]:g} rpm: nothing is known of the engine outside it."
        )
    over = table[table["injector_duty_percent_high"] > limits.injector_duty_percent]
    if len(over):
        out.append(
            f"Injector duty may reach {table['injector_duty_percent_high'].max():.0f} % (likely {table['injector_duty_percent'].max():.0f} %), "
            f"above the limit of {limits.injector_duty_percent:g} %, from {over['rpm'].iloc[0]:.0f} rpm."
        )
    if (
        engine.peak_power_hp is not None
        and limits.power_hp is not None
        and engine.peak_power_hp + nitrous.shot_hp > limits.power_hp
    ):
        out.append(
            f"{engine.peak_power_hp:g} hp and a shot of {nitrous.shot_hp:g} hp pass the owner's limit of {limits.power_hp:g} hp."
        )
    if engine.lambda_with_nitrous >= pf.TOO_LEAN_LAMBDA:
        out.append(
            f"The lambda target with nitrous, {engine.lambda_with_nitrous:.3f}, is past the trade's shut-off at "
            f"{pf.TOO_LEAN_LAMBDA:.3f} (common practice, no source)."
        )
    return out
