"""The plan: what flows, what it does to the charge, and what fuel goes with it, over rpm, with bands."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .. import units
from ..band import BOTTLE_TEMPERATURE, DENSITY_EXPONENT, HYDROGEN_WEIGHT, WALL_HEAT_SHARE, WORK_SHARE, Band
from ..build_sheet import BuildSheet
from ..engine.charge import Charge, fresh_charge
from ..engine.setup import Setup, spray_speeds
from ..errors import InputError
from ..thermo.wideband import shown_many
from . import fuel as pf
from .fuel_system import injector_duty, injector_flow, pump_flow
from .judgement import blockers, notes
from .power import shot_power, wanted_flow
from .supply import bore_for, flow_band
from .timing import BANDS, FULL, Shares, Timing, choices_for_shot, timing_plan

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
    "fuel_total_kg_h",
    "fuel_total_lb_h",
    "injector_duty_percent",
    "pump_percent",
    "nitrous_to_added_fuel",
    "nitrous_to_all_fuel",
)
"""Columns that also stand with ``_low`` and ``_high``."""


NOZZLE, HORSEPOWER = "nozzle and bottle", "wanted horsepower"


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
        What sets the nitrous flow, row by row: "nozzle and bottle" if the sheet gives a bore, else "wanted horsepower".
    flow, power : Band
        Nitrous [kg/s], and what it adds at the speed of peak power [hp at the crank]; the wanted horsepower itself where that governs.
    wanted_flow : float
        What the wanted horsepower needs by the energy balance, likely [kg/s].
    bore : Band or None
        Of each nozzle that would pass `wanted_flow` from this bottle [mm]; None where its line does not.
    assumptions : list of str
        What the bands run over.
    timing : Timing or None
        How far the timing comes back, in full; None in a `plan_supply`.
    """

    table: pd.DataFrame
    notes: list[str]
    blockers: list[str]
    governed_by: tuple[str, ...]
    flow: Band
    power: Band
    wanted_flow: float
    bore: Band | None
    assumptions: list[str]
    timing: Timing | None = None


def plan_shot(sheet: BuildSheet, *, rpm=None, share: Shares = FULL) -> Plan:
    """Plan the shot of a build sheet, all of it at every speed or a share of it.

    Parameters
    ----------
    sheet : BuildSheet
        With a nozzle bore the flow is what this bottle pushes through it; without, what the wanted horsepower needs.
    rpm : array, optional
        Speeds [rpm]; every 500 of the spray window if None.
    share : Shares
        Of the full flow, speed by speed; see `tune`, which plans a ramp.

    Returns
    -------
    Plan
        Of its columns, power_gain_hp, peak_pressure_bar and knock_ratio belong to first_hit_deg; where ``reachable`` is False, they and
        retard_deg are blank.

    Raises
    ------
    InputError
        If the shot cannot be computed at all; what merely forbids to spray is in ``blockers``.
    """
    setup, supply, frozen, choices = _supply(sheet, rpm, share)
    if supply.governed_by[0] == HORSEPOWER:
        choices = choices_for_shot(sheet, sheet.nitrous.shot_hp)
    worth = max(sheet.nitrous.shot_hp, supply.power.best)
    timing = timing_plan(sheet, supply.table["rpm"].to_numpy(), choices, worth, share=share)
    columns = [c for c in timing.table.columns if c.startswith(_TIMING)]
    plan = replace(
        supply,
        table=pd.concat([supply.table, timing.table[columns]], axis=1),
        timing=timing,
        assumptions=[*supply.assumptions, *(_assumption(name, band) for name, band in BANDS.items())],
    )
    plan.notes.extend(notes(sheet, setup, plan, frozen))
    plan.blockers.extend(blockers(sheet, setup, plan))
    return plan


def dose_table(sheet: BuildSheet, rpm, share: float) -> pd.DataFrame:
    """All columns of plan and timing at one share of the flow, the need kept where it cannot be reached; no sentences.

    Raises
    ------
    InputError
        As `plan_shot`.
    """
    parts = Shares(share, share, share)
    _, supply, _, choices = _supply(sheet, rpm, parts)
    if supply.governed_by[0] == HORSEPOWER:
        choices = choices_for_shot(sheet, sheet.nitrous.shot_hp)
    worth = max(sheet.nitrous.shot_hp, supply.power.best)
    timing = timing_plan(sheet, supply.table["rpm"].to_numpy(), choices, worth, share=parts, most=False, keep=True)
    return pd.concat([supply.table, timing.table.drop(columns="rpm")], axis=1)


_TIMING = ("retard_deg", "rule_deg", "first_hit_deg", "power_gain_hp", "peak_pressure_bar", "knock_ratio", "reachable")


def plan_supply(sheet: BuildSheet, *, rpm=None, share: Shares = FULL) -> Plan:
    """Plan nitrous, charge and fuel alone: `plan_shot` without timing, fast enough for a slider.

    Raises
    ------
    InputError
        As `plan_shot`.
    """
    setup, plan, frozen, _ = _supply(sheet, rpm, share)
    plan.notes.extend(notes(sheet, setup, plan, frozen))
    plan.blockers.extend(blockers(sheet, setup, plan))
    return plan


def full_flow(sheet: BuildSheet) -> float:
    """Likely nitrous flow with the valve open for good [kg/s]: what the nozzle passes, or what the wanted horsepower needs."""
    return wanted_flow(sheet) if sheet.nitrous.nozzle_diameter_mm is None else flow_band(sheet).best


def _supply(sheet: BuildSheet, rpm, share: Shares) -> tuple[Setup, Plan, np.ndarray, list[tuple[float, float, float]]]:
    """Setup, plan without timing and without sentences, speeds at which nitrous may freeze, and the choices of flow, wall share, exponent."""
    if not isinstance(sheet, BuildSheet):
        raise InputError("sheet", sheet, "", "a BuildSheet", "The plan is computed from the car on paper.")
    setup, rpm = Setup.of(sheet), spray_speeds(sheet) if rpm is None else np.asarray(rpm, float)
    corners, power = _corners(sheet)
    shares = share.of([corner[0] for corner in corners])
    rows = [_checked_row(sheet, setup, rpm, corner, part) for corner, part in zip(corners, shares, strict=True)]
    table = _table(rpm, rows)
    frozen = rpm[np.any([row["charge"].evaporated < 1 for row in rows], axis=0)]
    flows = [corner[0] for corner in corners]
    by_nozzle = sheet.nitrous.nozzle_diameter_mm is not None
    band = flow_band(sheet) if by_nozzle else Band(min(flows), flows[0], max(flows), WORK_SHARE.because)
    wanted = wanted_flow(sheet)
    plan = Plan(
        table,
        [],
        [],
        (NOZZLE if by_nozzle else HORSEPOWER,) * len(rpm),
        band,
        power,
        wanted,
        bore_for(sheet, wanted),
        _assumptions(band if by_nozzle else None),
    )
    return setup, plan, frozen, corners


def _table(rpm: np.ndarray, rows: list[dict]) -> pd.DataFrame:
    """Put the likely row set first, and the ends over all of them beside it."""
    columns: dict[str, np.ndarray] = {"rpm": rpm}
    for name, best in rows[0].items():
        if name not in BANDED:
            columns |= {} if name in ("charge", "gauge_ends") else {name: best}
            continue
        every = [row[name] for row in rows]
        if name == "gauge_afr_sensor":
            every += [end for row in rows for end in row["gauge_ends"]]
        ends = np.min(every, axis=0), np.max(every, axis=0)
        columns[name], columns[f"{name}_low"], columns[f"{name}_high"] = (best, *ends)
    return pd.DataFrame(columns)


def too_big(sheet: BuildSheet, exc: InputError, where: str) -> InputError:
    """Tell a flow that leaves no room for air as a shot, or a bore, too big for the window."""
    allowed = "a smaller shot, or a spray window from a higher speed"
    why = f"{exc.reason} That is so {where}."
    bore = sheet.nitrous.nozzle_diameter_mm
    if bore is not None:
        return InputError("nitrous.nozzle_diameter_mm", bore, "mm", f"a smaller bore, {allowed}", why)
    return InputError("nitrous.shot_hp", sheet.nitrous.shot_hp, "hp at the crank", allowed, why)


def _checked_row(
    sheet: BuildSheet, setup: Setup, rpm: np.ndarray, corner: tuple[float, float, float], share: np.ndarray
) -> dict:
    try:
        return _row(sheet, setup, rpm, share, *corner)
    except InputError as exc:
        if exc.field != "nitrous_flow":
            raise
        where = f"at an end of what is unknown ({1e3 * corner[0]:.0f} g/s, wall share {corner[1]:g})"
        raise too_big(sheet, exc, where) from exc


_HEAT = (WORK_SHARE, WALL_HEAT_SHARE, DENSITY_EXPONENT)


def _corners(sheet: BuildSheet) -> tuple[list[tuple[float, float, float]], Band]:
    """Flow, wall share, exponent: the likely values first, then every corner of their ranges; and the power it stands for."""
    unknown = [tuple(b.best for b in _HEAT), *itertools.product(*((b.low, b.high) for b in _HEAT))]
    if sheet.nitrous.nozzle_diameter_mm is None:
        flows = [(wanted_flow(sheet, *u), *u[1:]) for u in unknown]
        shot = sheet.nitrous.shot_hp
        return flows, Band(shot, shot, shot, "wanted; the flow follows from it")
    band = flow_band(sheet)
    ends = list(itertools.product((band.low, band.high), (0.0, 1.0), (0.0, 1.0)))
    try:
        powers = [
            shot_power(sheet, band.best),
            *(shot_power(sheet, f, *u) for f in (band.low, band.high) for u in unknown[1:]),
        ]
    except InputError as exc:
        if exc.field != "nitrous_flow":
            raise
        where = f"at the speed of peak power with up to {1e3 * band.high:.0f} g/s"
        raise too_big(sheet, exc, where) from exc
    because = f"{band.because}; {WORK_SHARE.because}"
    return [(band.best, *unknown[0][1:]), *ends], Band(min(powers), powers[0], max(powers), because)


def _row(
    sheet: BuildSheet, setup: Setup, rpm: np.ndarray, share: np.ndarray, full: float, wall: float, exponent: float
) -> dict:
    """Compute every column for one choice of the unknowns."""
    engine, control, ones = sheet.engine, sheet.controller, np.ones_like(rpm)
    flow = full * share * ones
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
    gauge = _gauge(setup, charge, engine.lambda_with_nitrous) * control.gauge_scale
    return {
        "nitrous_kg_s": flow,
        "nitrous_lb_s": units.lb_from_kg(flow),
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
        "rule_fuel_lb_h": pf.RULE_LB_H_PER_100_HP * sheet.nitrous.shot_hp / 100 * share * ones,
        "fuel_added_percent": 100 * own_added / (own * per_second),
        **_fuel_side(sheet, setup, rpm, own * per_second, own_added),
        "nitrous_to_added_fuel": np.divide(flow, own_added, out=np.full_like(rpm, np.nan), where=own_added > 0),
        "nitrous_to_all_fuel": flow / (needed * per_second),
        "charge": charge,
    }


def _gauge(setup: Setup, charge: Charge, lambda_: float) -> np.ndarray:
    """Lambda on the gauge at the likely hydrogen weight and at its ends, (3, rpm)."""
    weights = np.array([HYDROGEN_WEIGHT.best, HYDROGEN_WEIGHT.low, HYDROGEN_WEIGHT.high])[:, None]
    shown = shown_many(setup.fuel, lambda_, charge.nitrous_fraction, charge.water_fraction, weights)
    if np.isnan(shown).any():
        richest = float(charge.nitrous_fraction.max())
        why = f"With a nitrous fraction of {richest:.2f} the sensor is off its scale."
        raise InputError("lambda_with_nitrous", lambda_, "", "a signal within lambda 0.5 to 2.5 on air", why)
    return shown


def _fuel_side(sheet: BuildSheet, setup: Setup, rpm: np.ndarray, supplied: np.ndarray, added: np.ndarray) -> dict:
    """Total fuel, open time for the added fuel (blank where a wet jet brings it), injector duty, share of the pump (blank if unknown)."""
    dry, blank = sheet.nitrous.system == "dry", np.full_like(rpm, np.nan)
    pump, _ = pump_flow(sheet, setup)
    total = supplied + added
    flow = sheet.fuel_system.injectors * injector_flow(sheet, setup)
    return {
        "fuel_total_kg_h": 3600 * total,
        "fuel_total_lb_h": units.lb_h_from_kg_s(total),
        "fuel_added_ms": 1e3 * added / flow * 120 / rpm if dry else blank,
        "injector_duty_percent": injector_duty(sheet, setup, rpm, total if dry else supplied),
        "pump_percent": blank if pump is None else 100 * total / pump,
    }


def _assumption(name: str, band: Band) -> str:
    return f"{name}: {band.best:g} ({band.low:g} to {band.high:g}); {band.because}."


def _assumptions(flow: Band | None) -> list[str]:
    bands = {
        "wall-heat share": WALL_HEAT_SHARE,
        "density exponent": DENSITY_EXPONENT,
        "hydrogen weight": HYDROGEN_WEIGHT,
        "share of the cycle's work": WORK_SHARE,
    }
    out = [_assumption(name, band) for name, band in bands.items()]
    if flow is not None:
        out.insert(
            0,
            f"nitrous flow: {1e3 * flow.best:.0f} g/s ({1e3 * flow.low:.0f} to {1e3 * flow.high:.0f}); {flow.because}; bottle temperature within {BOTTLE_TEMPERATURE.high:g} K.",
        )
    return out
