"""The closed cycle of many cases at once: pressure, work, burned gas and knock integral between intake closing and exhaust opening."""

from __future__ import annotations

import os
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..errors import InputError, check_number
from ..thermo import fuels
from ..thermo import species as sp
from ..thermo.burned import STEPS, family
from ..thermo.fuels import Fuel
from . import march
from .burn import RAPID, Y50
from .cylinder import Cylinder
from .heat import FILM, SIZE_POWER

_RANGES = {
    "rpm": (300.0, 15000.0, "rpm", "Piston engines turn between."),
    "P_ivc": (2e4, 4e5, "Pa", "Cylinder pressure when the intake valve closes, without boost."),
    "T_ivc": (182.0, 600.0, "K", "Charge with residual gas when the intake valve closes; colder, nitrous freezes."),
    "lambda": (0.5, 5.0, "", "Below, soot forms, which is not computed; above, nothing burns."),
    "nitrous_fraction": (0.0, 1.0, "", "It is a share of the oxidiser, by mole."),
    "residual_fraction": (0.0, 0.3, "", "At full throttle an engine keeps far less."),
    "spark_deg_btdc": (-60.0, 80.0, "deg before TDC", "Ignition timing of spark-ignition engines."),
    "delay_deg": (0.0, 90.0, "deg", "From spark to the first burned gas."),
    "duration_10_90_deg": (0.01, 150.0, "deg", "From 10 to 90 % burned."),
    "octane_ron": (40.0, 130.0, "RON", "Fuels of the knock correlation and its neighbours."),
    "water_fraction": (0.0, 0.3, "", "Air cannot carry more vapour."),
}
_OPTIONAL = {"water_fraction": 0.0}
_CLOSURE = 1e-4


@dataclass(frozen=True)
class CycleResult:
    """What `run_cycles` returns.

    Attributes
    ----------
    table : DataFrame
        One row a case, its index kept: P_max [Pa], theta_P_max_deg [deg after TDC], imep [Pa] (closed part over swept volume), imep_gross
        [Pa] (see Notes of `run_cycles`), ca50_deg [deg after TDC], T_end_max [K] (hottest unburned gas), T_burned_max, T_burned_evo
        [K], knock_integral, energy_error (of the heat released), heat_loss [J], P_spark, T_spark, P_50, T_50 (unburned gas at the spark and at 50 % burned; 0
        where that lies outside the closed cycle), mass [kg].
    """

    table: pd.DataFrame


def run_cycles(
    engine: object, cases: pd.DataFrame, *, step_deg: float = 0.5, heat: bool = True, burns: bool = True
) -> CycleResult:
    """Run the closed two-zone cycle of many cases.

    Parameters
    ----------
    engine : BuildSheet, its engine section, Setup or Cylinder
    cases : DataFrame
        One row a case: rpm [rpm], P_ivc [Pa], T_ivc [K] (charge with residual gas at intake closing; the polynomials begin at 200), fuel (name or Fuel), lambda,
        nitrous_fraction, residual_fraction (as in `Mixture`), spark_deg_btdc, delay_deg (spark to the first burned gas),
        duration_10_90_deg [deg], octane_ron. May have water_fraction (of the fresh oxidiser; 0 where there is none).
    step_deg : float
        Largest step [deg], 0.02 to 2.
    heat : bool
        False: walls take no heat.
    burns : bool
        False: the charge is only compressed and expanded (motored); burn columns are taken but not used.

    Returns
    -------
    CycleResult

    Raises
    ------
    InputError
        For a missing column, a value out of range, a burn that begins before intake closing or ends after exhaust opening, or burned
        gas too hot or cold for its tables.

    Notes
    -----
    Unburned gas frozen, burned gas at equilibrium, one pressure, no blow-by [Heywood, section 9.2]. Wiebe burn
    (`burned_share`). Walls at 450 K take `woschni` heat from each zone in proportion to its volume; motored pressure in its gas speed is the
    polytrope from intake closing through the start of the burn. Knock integral from intake closing to 90 % burned [Livengood & Wu 1955].
    imep_gross adds the two ends of the strokes: from bottom dead centre to intake closing at P_ivc; from exhaust opening to bottom dead
    centre the pressure falls to P_ivc on half a cosine (assumed; worth 1 to 3 %).
    """
    cylinder = Cylinder.of(engine)
    step = check_number("step_deg", step_deg, 0.02, 2.0, "deg", "Coarser misses the peak, finer takes for ever.")
    block, gases, tables, released = _prepare(cylinder, cases, burns)
    out = np.empty((len(block), march.OUT_COLUMNS))
    _run(cylinder, block, gases, tables, step, heat, burns, out)
    _check_result(cases, out, released)
    return CycleResult(_table(cylinder, cases, block, out, released))


def trace(
    engine: object, case: Mapping, *, step_deg: float = 0.5, heat: bool = True, burns: bool = True
) -> pd.DataFrame:
    """Run one case and keep every step.

    Parameters are those of `run_cycles`; `case` holds one value a column.

    Returns
    -------
    DataFrame
        theta_deg, P [Pa], volume [m3], burned_share, T_unburned [K] (its last value is kept when nothing is left), T_burned [K] (NaN
        before the burn), knock_integral (running).
    """
    cylinder, cases = Cylinder.of(engine), pd.DataFrame([dict(case)])
    step = check_number("step_deg", step_deg, 0.02, 2.0, "deg", "Coarser misses the peak, finer takes for ever.")
    block, gases, tables, released = _prepare(cylinder, cases, burns)
    out = np.empty((1, march.OUT_COLUMNS))
    record = np.full((int((cylinder.opening - cylinder.closing) / step) + 80, march.RECORD_COLUMNS), np.nan)
    _run(cylinder, block, gases, tables, step, heat, burns, out, record)
    _check_result(cases, out, released)
    names = ["theta_deg", "P", "volume", "burned_share", "T_unburned", "T_burned", "knock_integral"]
    return pd.DataFrame(record[~np.isnan(record[:, 0])], columns=names)


def warm_up() -> None:
    """Compile, or load what was compiled before, so that no visitor waits for it."""
    case = {
        "rpm": 3000.0, "P_ivc": 1e5, "T_ivc": 340.0, "fuel": "iso-octane", "lambda": 1.0, "nitrous_fraction": 0.0, "residual_fraction": 0.0,
        "spark_deg_btdc": 20.0, "delay_deg": 5.0, "duration_10_90_deg": 20.0, "octane_ron": 95.0,
    }  # fmt: skip
    run_cycles(Cylinder(0.08, 0.08, 0.14, 10.0, 50.0, 50.0), pd.DataFrame([case]))


def _column(cases: pd.DataFrame, name: str) -> np.ndarray:
    if name not in cases.columns:
        if name in _OPTIONAL:
            return np.full(len(cases), _OPTIONAL[name])
        need = ", ".join(["fuel", *(k for k in _RANGES if k not in _OPTIONAL)])
        raise InputError("cases", name, "", f"columns {need}", "This column is missing.")
    low, high, unit, why = _RANGES[name]
    try:
        values = cases[name].to_numpy(float)
    except (TypeError, ValueError) as exc:
        raise InputError(name, list(cases[name]), unit, f"{low:g} to {high:g}", "It must be numbers.") from exc
    bad = ~((values >= low) & (values <= high))
    if bad.any():
        check_number(name, float(values[bad][0]), low, high, unit, why)
    return values


def _prepare(cylinder: Cylinder, cases: pd.DataFrame, burns: bool):
    """Check the cases; return their block, polynomials of the charges, tables of the burned gas, heat released [J]."""
    if not isinstance(cases, pd.DataFrame) or not len(cases):
        raise InputError("cases", type(cases).__name__, "", "a DataFrame with a row a case", "There is nothing to run.")
    v = {name: _column(cases, name) for name in _RANGES}
    if "fuel" not in cases.columns:
        raise InputError("cases", "fuel", "", "a column fuel", "This column is missing.")
    start = v["delay_deg"] - v["spark_deg_btdc"]
    total = v["duration_10_90_deg"] / RAPID
    if burns:
        _check_window(cylinder, cases, start, start + total)
    block = np.zeros((len(cases), march.CASE_COLUMNS))
    gases, tables, released = _charges(cases["fuel"].to_list(), v, burns, block)
    block[:, march.RPM], block[:, march.P_IVC], block[:, march.T_IVC] = v["rpm"], v["P_ivc"], v["T_ivc"]
    block[:, march.MASS] = v["P_ivc"] * cylinder.volume(cylinder.closing) / (block[:, march.R_FRESH] * v["T_ivc"])
    block[:, march.START], block[:, march.TOTAL], block[:, march.RON] = start, total, v["octane_ron"]
    block[:, march.SPARK] = -v["spark_deg_btdc"]
    return block, gases, tables, released * block[:, march.MASS]


def _check_window(cylinder: Cylinder, cases: pd.DataFrame, start: np.ndarray, end: np.ndarray) -> None:
    early, late = start < cylinder.closing, end > cylinder.opening
    if early.any():
        k = int(early.argmax())
        value, why = float(cases["spark_deg_btdc"].iloc[k]), "The burn would begin before the intake valve closes."
        raise InputError(
            "spark_deg_btdc", value, "deg before TDC", f"at most {-cylinder.closing:.0f} deg with the delay", why
        )
    if late.any():
        k = int(late.argmax())
        why = (
            f"The burn would end {end[k]:.0f} deg after TDC, after the exhaust valve opens at {cylinder.opening:.0f}: "
            "spark earlier or a faster burn."
        )
        raise InputError(
            "duration_10_90_deg", float(cases["duration_10_90_deg"].iloc[k]), "deg", "a burn that ends in time", why
        )


def _charges(names: list, v: dict[str, np.ndarray], burns: bool, block: np.ndarray):
    """Write what the charges bring into `block`; return polynomials of the unburned gas, tables of the burned, heat released [J/kg of charge].

    Charges that occur more than once are made once.
    """
    seen: dict[Fuel | str, int] = {}
    number = np.array([seen.setdefault(name, len(seen)) for name in names])
    x, water = v["nitrous_fraction"], v["water_fraction"]
    in_air = np.where((water == 0) | (x == 1), 0.0, water / np.where(x == 1, 1.0, water + (1 - water) * (1 - x)))
    keys = np.column_stack([number, in_air.round(9), v["residual_fraction"], v["lambda"], x])
    keys, inverse = np.unique(keys, axis=0, return_inverse=True)
    inverse = inverse.ravel()
    gases, tables = np.empty((len(keys), 2, 6)), np.zeros((len(keys), STEPS + 1, len(march.LN_P), 2))
    per_kg, lowest, heat = np.empty(len(keys)), np.zeros(len(keys)), np.empty(len(keys))
    fuels_seen = [name if isinstance(name, Fuel) else fuels.get(name) for name in seen]
    kinds, kind = np.unique(keys[:, :3], axis=0, return_inverse=True)
    for j, (k, moisture, residual) in enumerate(kinds):
        some = kind.ravel() == j
        kin = family(fuels_seen[int(k)], float(moisture), float(residual))
        gas = kin.compositions(keys[some, 3], keys[some, 4])
        gases[some], per_kg[some] = gas.whole, 1 / gas.molar_mass
        heat[some] = gas.heat_released * (1 - residual)
        if burns:
            lowest[some], tables[some] = kin.tables(keys[some, 3], keys[some, 4])
    block[:, march.R_FRESH], block[:, march.LOWEST] = (sp.R * per_kg)[inverse], lowest[inverse]
    block[:, march.TABLE] = block[:, march.GAS] = inverse
    return gases, tables, heat[inverse]


def _run(cylinder: Cylinder, block, gases, tables, step, heat, burns, out, record=None) -> None:
    area = np.pi / 4 * cylinder.bore**2
    geo = np.array(
        [area, cylinder.stroke / 2, cylinder.rod, cylinder.swept / (cylinder.compression_ratio - 1), cylinder.bore, FILM * cylinder.bore**SIZE_POWER]
    )  # fmt: skip
    record = np.empty((0, march.RECORD_COLUMNS)) if record is None else record

    def part(lo: int, hi: int) -> None:
        march.march(
            lo, hi, block, gases, tables, geo, cylinder.closing, cylinder.opening, step, bool(heat), bool(burns), out, record
        )  # fmt: skip

    workers = min(os.cpu_count() or 1, len(block) // 50)
    if workers < 2:
        part(0, len(block))
        return
    cuts = np.linspace(0, len(block), workers + 1).astype(int)
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(part, cuts[:-1], cuts[1:]))


def _check_result(cases: pd.DataFrame, out: np.ndarray, released: np.ndarray) -> None:
    bad = (out[:, march.OUTSIDE] > 0) | ~np.isfinite(out).all(axis=1)
    if bad.any():
        k = int(bad.argmax())
        T = out[k, march.T_BURNED_MAX]
        why = f"Row {cases.index[k]!r} leaves the tables of burned gas (700 to about 4200 K, 0.3 to 500 bar)."
        raise InputError("cases", float(T), "K", "burned gas within the tables", why)
    off = np.abs(out[:, march.ENERGY]) > _CLOSURE * np.abs(released)
    if off.any():
        k = int(off.argmax())
        why = "Energy in and out do not agree to 1e-4 with this step: take a smaller one."
        raise InputError("step_deg", float(out[k, march.ENERGY]), "J", "energy that closes", why)


def _table(cylinder: Cylinder, cases, block, out, released) -> pd.DataFrame:
    P0, P1 = block[:, march.P_IVC], out[:, march.P_EVO]
    bottom = float(cylinder.volume(180.0))
    early = P0 * (float(cylinder.volume(cylinder.closing)) - bottom)
    theta = np.linspace(cylinder.opening, 180.0, 41)
    fall = 0.5 * (1 + np.cos(np.pi * (theta - theta[0]) / (180.0 - theta[0])))
    share = float(np.trapezoid(fall, cylinder.volume(theta)))
    late = P0 * (bottom - float(cylinder.volume(cylinder.opening))) + (P1 - P0) * share
    work = out[:, march.WORK]
    data = {
        "P_max": out[:, march.P_MAX],
        "theta_P_max_deg": out[:, march.THETA_MAX],
        "imep": work / cylinder.swept,
        "imep_gross": (work + early + late) / cylinder.swept,
        "ca50_deg": block[:, march.START] + Y50 * block[:, march.TOTAL],
        "T_end_max": out[:, march.T_END_MAX],
        "T_burned_max": out[:, march.T_BURNED_MAX],
        "T_burned_evo": out[:, march.T_EVO],
        "knock_integral": out[:, march.KNOCK],
        "energy_error": np.abs(out[:, march.ENERGY] / released),
        "heat_loss": out[:, march.HEAT],
        "P_spark": out[:, march.P_SPARK],
        "T_spark": out[:, march.T_SPARK],
        "P_50": out[:, march.P_50],
        "T_50": out[:, march.T_50],
        "mass": block[:, march.MASS],
    }
    return pd.DataFrame(data, index=cases.index)
