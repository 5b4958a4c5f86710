"""The plan: what flows, what it does to the charge, and what fuel goes with it, over rpm, with bands."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .. import units
from ..band import ADDED_HEAT_EFFICIENCY, DENSITY_EXPONENT, HYDROGEN_WEIGHT, WALL_HEAT_SHARE
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge, mixture
from ..engine.setup import Setup, spray_speeds
from ..errors import InputError
from ..thermo.wideband import shown_lambda
from . import fuel as pf
from .judgement import blockers, notes

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
    rows = [_checked_row(sheet, setup, rpm, corner) for corner in _corners()]
    columns: dict[str, np.ndarray] = {"rpm": rpm}
    for name, best in rows[0].items():
        if name not in BANDED:
            columns |= {} if name in ("charge", "gauge_ends") else {name: best}
            continue
        every = [row[name] for row in rows]
        if name == "gauge_afr_sensor":
            every += [end for row in rows for end in row["gauge_ends"]]
        columns[name], columns[f"{name}_low"], columns[f"{name}_high"] = (
            best,
            np.min(every, axis=0),
            np.max(every, axis=0),
        )
    table = pd.DataFrame(columns)
    frozen = rpm[np.any([row["charge"].evaporated < 1 for row in rows], axis=0)]
    return Plan(
        table,
        notes(sheet, setup, table, frozen),
        blockers(sheet, table),
        ("wanted horsepower",) * len(rpm),
        _assumptions(),
    )


def _checked_row(sheet: BuildSheet, setup: Setup, rpm: np.ndarray, corner: tuple[float, float, float]) -> dict:
    """Compute a row set; tell a corner that leaves no room for air as a shot too big for the window."""
    try:
        return _row(sheet, setup, rpm, *corner)
    except InputError as exc:
        if exc.field != "nitrous_flow":
            raise
        allowed = "a smaller shot, or a spray window from a higher speed"
        why = f"{exc.reason} That is so at an end of what is unknown (efficiency {corner[0]:g}, wall share {corner[1]:g})."
        raise InputError("nitrous.shot_hp", sheet.nitrous.shot_hp, "hp at the crank", allowed, why) from exc


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
    gauge = [
        np.array([shown_lambda(mixture(setup, charge, engine.lambda_with_nitrous, k), weight) for k in range(len(rpm))])
        * control.gauge_scale
        for weight in (HYDROGEN_WEIGHT.best, HYDROGEN_WEIGHT.low, HYDROGEN_WEIGHT.high)
    ]
    return {
        "nitrous_kg_s": flow * ones,
        "nitrous_lb_s": units.lb_from_kg(flow) * ones,
        "dose_mg": 1e6 * setup.dose(flow, rpm),
        "nitrous_fraction": charge.nitrous_fraction,
        "oxygen_share": charge.oxygen_share,
        "charge_T_K": charge.T,
        "lambda": engine.lambda_with_nitrous * ones,
        "gauge_afr": engine.lambda_with_nitrous * control.gauge_scale * ones,
        "gauge_afr_sensor": gauge[0],
        "gauge_ends": gauge[1:],
        "fuel_speed_density_kg_h": 3600 * added["speed-density"],
        "fuel_speed_density_lb_h": units.lb_h_from_kg_s(added["speed-density"]),
        "fuel_mass_air_kg_h": 3600 * added["mass-air"],
        "fuel_mass_air_lb_h": units.lb_h_from_kg_s(added["mass-air"]),
        "rule_fuel_lb_h": pf.RULE_LB_H_PER_100_HP * sheet.nitrous.shot_hp / 100 * ones,
        "fuel_added_percent": 100 * own_added / (own * per_second),
        **_injectors(sheet, setup, rpm, own * per_second, own_added),
        "nitrous_to_added_fuel": np.divide(flow, own_added, out=np.full_like(rpm, np.nan), where=own_added > 0),
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


def _assumptions() -> list[str]:
    bands = (ADDED_HEAT_EFFICIENCY, WALL_HEAT_SHARE, DENSITY_EXPONENT, HYDROGEN_WEIGHT)
    heads = ("efficiency of the added heat", "wall-heat share", "density exponent", "hydrogen weight")
    return [f"{h}: {b.best:g} ({b.low:g} to {b.high:g}); {b.because}." for h, b in zip(heads, bands, strict=True)]
