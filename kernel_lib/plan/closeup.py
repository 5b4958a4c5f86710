"""One cylinder looked at closely: its pressure over crank angle, what buys knock margin, and what the plug is asked for."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..band import DENSITY_EXPONENT, FLAME_RATIO, WALL_HEAT_SHARE
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge
from ..engine.cycle import trace
from ..engine.firing import Firing, cases_of
from ..engine.setup import Setup
from ..errors import InputError, check_array, check_number
from .power import firing_of
from .spark import doubted

TRADE_PLUG_RANGES = 2
"""Heat ranges colder for a first shot; common practice, no source."""


@dataclass(frozen=True)
class View:
    """A cycle with nitrous beside the engine's own at the same speed.

    Attributes
    ----------
    own, shot : DataFrame
        Steps of `trace`: without nitrous at the known-good timing, and with it.
    own_row, shot_row : Series
        Their numbers: see `Firing.fire`.
    retard_deg : float
        From the known-good timing.
    nitrous_fraction : float
    """

    own: pd.DataFrame
    shot: pd.DataFrame
    own_row: pd.Series
    shot_row: pd.Series
    retard_deg: float
    nitrous_fraction: float


def look(
    sheet: BuildSheet,
    rpm: float,
    flow: float,
    retard_deg: float,
    *,
    wall: float = WALL_HEAT_SHARE.best,
    exponent: float = DENSITY_EXPONENT.best,
    flame: float = FLAME_RATIO.best,
) -> View:
    """Fire the mean cylinder with and without nitrous and keep every step.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : float
        Within the full-throttle table.
    flow : float
        Nitrous of the whole engine [kg/s].
    retard_deg : float
        From the known-good timing, -20 to 40.
    wall, exponent : float
        As in `fresh_charge`.
    flame : float
        On the flame speed ratio; see `FLAME_RATIO`.

    Returns
    -------
    View

    Raises
    ------
    InputError
        Also where the flame leaves its table, or the burn does not fit between the valves.
    """
    retard = check_number("retard_deg", retard_deg, -20.0, 40.0, "deg", "From the known-good timing.")
    flame = check_number("flame", flame, 0.5, 2.0, "", "The computed flame speeds are not that wrong.")
    setup, firing = Setup.of(sheet), firing_of(sheet)
    timing = float(firing.at("timing_deg_btdc", rpm))
    own_cases = cases_of(setup, fresh_charge(setup, rpm, 0.0), rpm, firing.lambda_without)
    charge = fresh_charge(setup, rpm, flow, wall_share=wall, exponent=exponent)
    target = sheet.engine.lambda_with_nitrous if flow > 0 else firing.lambda_without
    cases = cases_of(setup, charge, rpm, target)
    factor = doubted(flame, cases["nitrous_fraction"].to_numpy())
    own, own_row = _one(setup, firing, own_cases, timing, 1.0)
    shot, shot_row = _one(setup, firing, cases, timing - retard, factor)
    return View(own, shot, own_row, shot_row, retard, float(cases["nitrous_fraction"].iloc[0]))


def _one(setup: Setup, firing: Firing, cases: pd.DataFrame, spark: float, factor) -> tuple[pd.DataFrame, pd.Series]:
    burn = firing.burn(cases, factor)
    row = firing.fire(cases, burn, spark).iloc[0]
    if not np.isfinite(row["P_max"]):
        x = float(cases["nitrous_fraction"].iloc[0])
        if np.isfinite(burn.delay_deg[0]):
            why = "With that timing the burn would begin before the intake valve closes or end after the exhaust valve opens."
            raise InputError(
                "retard_deg",
                float(firing.at("timing_deg_btdc", cases["rpm"].iloc[0]) - spark),
                "deg",
                "a burn between the valves",
                why,
            )
        why = f"At {cases['rpm'].iloc[0]:.0f} rpm the charge is {100 * x:.0f} % nitrous by mole: its flame leaves the table of computed flames."
        within = "330 to 950 K, 5 to 120 atm, up to 55 % nitrous by mole"
        raise InputError("nitrous_flow", x, "mol/mol of the oxidiser", within, why)
    case = cases.iloc[0].to_dict() | {
        "spark_deg_btdc": spark,
        "delay_deg": burn.delay_deg[0],
        "duration_10_90_deg": burn.duration_deg[0],
    }
    return trace(setup, case), row


_SHIFTS = np.arange(-16.0, 16.1, 2.0)  # deg of retard about the one asked for, between which knock is read


@dataclass(frozen=True)
class Change:
    """What a change does to knock.

    Attributes
    ----------
    name : str
        ``"octane"``, ``"charge temperature"`` or ``"lambda"``.
    amount : float
        [RON], [K] or [-].
    ratio : float
        Knock integral after over before.
    degrees : float
        Retard that the change saves (positive) or costs [deg] at an unchanged knock integral; NaN beyond 16.
    """

    name: str
    amount: float
    ratio: float
    degrees: float


def knock_changes(
    sheet: BuildSheet,
    rpm: float,
    flow: float,
    retard_deg: float,
    *,
    octane: float = 4.0,
    kelvin: float = 20.0,
    lambda_step: float = 0.03,
) -> list[Change]:
    """Say what octane, charge temperature and lambda do to the knock integral of the mean cylinder on nitrous.

    Parameters
    ----------
    sheet : BuildSheet
    rpm, flow, retard_deg : float
        As in `look`.
    octane, kelvin, lambda_step : float
        Size of the steps [RON], [K], [-]; each is made both ways.

    Returns
    -------
    list of Change

    Raises
    ------
    InputError
        As `look`, or for a step out of range.

    Notes
    -----
    Lambda acts through temperature, pressure and burn rate only: the induction time itself is blind to it [Douaud & Eyzat 1978].
    """
    octane = check_number("octane", octane, 0.0, 20.0, "RON", "Steps between motor fuels.", open_low=True)
    kelvin = check_number(
        "kelvin", kelvin, 0.0, 60.0, "K", "Steps between days, or of an intercooled charge.", open_low=True
    )
    step = check_number("lambda_step", lambda_step, 0.0, 0.1, "", "Steps between full-throttle targets.", open_low=True)
    setup, firing, target = Setup.of(sheet), firing_of(sheet), sheet.engine.lambda_with_nitrous
    charge = fresh_charge(setup, rpm, flow)
    base = cases_of(setup, charge, rpm, target)
    timing = float(firing.at("timing_deg_btdc", rpm)) - check_number(
        "retard_deg", retard_deg, -20.0, 40.0, "deg", "From the known-good timing."
    )
    named = []
    for sign in (1.0, -1.0):
        more, cooler, richer = sign * octane, -sign * kelvin, -sign * step
        if setup.octane_ron + more <= 130.0:  # beyond, the correlation is not asked
            named.append(("octane", more, base.assign(octane_ron=setup.octane_ron + more)))
        named.append(("charge temperature", cooler, cases_of(setup, replace(charge, T=charge.T + cooler), rpm, target)))
        named.append(("lambda", richer, cases_of(setup, charge, rpm, target + richer)))
    every = pd.concat([base, *(cases for _, _, cases in named)], ignore_index=True)
    spread = every.loc[every.index.repeat(len(_SHIFTS))].reset_index(drop=True)
    spark = timing - np.tile(_SHIFTS, len(every))
    knock = firing.fire(spread, firing.burn(every).repeat(len(_SHIFTS)), spark)["knock_integral"].to_numpy()
    knock = knock.reshape(len(every), len(_SHIFTS))
    if not np.isfinite(knock[:, len(_SHIFTS) // 2]).all():
        _one(setup, firing, base, timing, 1.0)  # tells why
        raise InputError("retard_deg", retard_deg, "deg", "a burn between the valves", "A change does not burn there.")
    middle = len(_SHIFTS) // 2
    before, out = float(knock[0, middle]), []
    for (name, amount, _), row in zip(named, knock[1:], strict=True):
        fits = np.isfinite(row)
        shift = float(
            np.interp(-np.log(before), -np.log(row[fits]), _SHIFTS[fits], np.nan, np.nan)
        )  # knock falls with retard
        out.append(Change(name, amount, float(row[middle]) / before, -shift))
    return out


def breakdown_voltage(P, T, gap_mm) -> np.ndarray:
    """Voltage that breaks down a plug gap.

    Parameters
    ----------
    P, T : float or array
        Of the charge at the spark [Pa], [K].
    gap_mm : float or array
        [mm], 0.3 to 2.

    Returns
    -------
    array
        [kV].

    Raises
    ------
    InputError

    Notes
    -----
    4.3 + 136 p/T + 324 p d/T with p in bar, d in mm [Pashley, Stone & Roberts 2000 (SAE 2000-01-0245), constants from memory]: it follows the
    density of the gas. That nitrous oxide itself resists breakdown more than air is not counted; new sharp electrodes need less, worn ones more.
    """
    P = check_array("P", P, 1e4, 1e7, "Pa", "Charge at the spark.")
    T = check_array("T", T, 200.0, 1500.0, "K", "Charge at the spark.")
    gap = check_array("gap_mm", gap_mm, 0.3, 2.0, "mm", "Gaps of car engines.")
    return 4.3 + 136 * P / 1e5 / T + 324 * P / 1e5 * gap / T


@dataclass(frozen=True)
class Plug:
    """What the plug is asked for with nitrous, beside the engine's own.

    Attributes
    ----------
    voltage_own_kV, voltage_kV : float
        Breakdown at the sheet's gap.
    gap_same_mm : float
        Gap at which the shot asks for no more voltage than the engine's own [mm].
    heat_cycle, heat_own_max : float
        Heat to the walls per cycle over the engine's own at this speed, and heat per second over the engine's own highest over rpm: the plug's tip
        is taken to share in it.
    """

    voltage_own_kV: float
    voltage_kV: float
    gap_same_mm: float
    heat_cycle: float
    heat_own_max: float


def plug(sheet: BuildSheet, view: View) -> Plug:
    """Compare the plug's load with and without nitrous, from a `look`."""
    gap, own, shot = sheet.engine.plug_gap_mm, view.own_row, view.shot_row
    volts = [float(breakdown_voltage(row["P_spark"], row["T_spark"], gap)) for row in (own, shot)]
    density = shot["P_spark"] / 1e5 / shot["T_spark"]
    same = (volts[0] - 4.3 - 136 * density) / (324 * density)
    table = firing_of(sheet).table
    highest = float((table["heat_loss"] * table["rpm"]).max())
    heat = float(shot["heat_loss"])
    return Plug(*volts, float(same), heat / float(own["heat_loss"]), heat * float(shot["rpm"]) / highest)
