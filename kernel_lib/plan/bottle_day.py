"""The bottle over a day: passes, waiting, what is left, and what it must not become."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..band import AIR_FILM, WALL_FILM
from ..build_sheet import BuildSheet
from ..errors import InputError, check_number
from ..thermo.blowdown import Bottle, Content, Course, spray, warm
from ..thermo.fluid import T_LAST, saturation, saturation_temperature, table
from ..thermo.vessel import (
    VAPOUR_ONLY,
    VesselState,
    bottle_volume,
    liquid_full_temperature,
    vessel_state,
    vessel_temperature,
)
from ..units import k_from_c
from .supply import flow_law

METALS = {"aluminium": 900.0, "steel": 480.0}
"""Heat capacity of the wall [J/(kg K)]; handbook values, from memory."""
SLENDERNESS = 3.0
"""Length of a bottle over its bore; common practice, no source."""
T_SUN = 338.15
"""A closed car in the sun [K], 65 C; from memory."""


def bottle_of(sheet: BuildSheet, film: float = WALL_FILM.best, air: float = AIR_FILM.best) -> Bottle:
    """Return the bottle of a sheet: space by the filling density, metal by its empty weight, surface of a cylinder."""
    nitrous = sheet.nitrous
    volume = bottle_volume(nitrous.bottle_rated_fill_kg)
    bore = (4 * volume / (np.pi * SLENDERNESS)) ** (1 / 3)
    surface = np.pi * bore**2 * (SLENDERNESS + 0.5)
    metal = METALS[nitrous.bottle_metal] * sheet.value("nitrous.bottle_empty_kg")
    return Bottle(volume, metal, film * surface, air * surface)


def state_of(sheet: BuildSheet) -> VesselState:
    """Return what stands in the sheet's bottle now."""
    fill, volume = sheet.value("nitrous.bottle_fill_kg"), bottle_volume(sheet.nitrous.bottle_rated_fill_kg)
    return vessel_state(k_from_c(sheet.nitrous.bottle_temperature_c), fill, volume)


def gauge_pressure(sheet: BuildSheet, P: float) -> float:
    """Pressure over the day's barometer [Pa]."""
    return P - 1e3 * sheet.value("site.barometer_kpa")


def temperature_fall(sheet: BuildSheet, T: float, drawn: float, seconds: float) -> float:
    """Fall of the bottle's temperature while liquid is drawn at a steady rate [K].

    Raises
    ------
    InputError
        If there is not that much liquid.
    """
    fill = sheet.value("nitrous.bottle_fill_kg")
    T = check_number("T", T, 233.15, T_LAST, "K", "Above the critical point there is no liquid.")
    course = spray(
        bottle_of(sheet),
        Content(T, T, fill),
        seconds,
        lambda _T, _P: drawn / seconds,
        T_air=k_from_c(sheet.site.air_temperature_c),
    )
    if course.ended == "run-out":
        why = f"{fill:.2f} kg in the bottle hold no more liquid."
        raise InputError("after", drawn, "kg lost", f"less than {fill - course.mass[-1]:.2f} kg", why)
    return T - float(course.T[-1])


@dataclass(frozen=True)
class Day:
    """A sequence of passes.

    Attributes
    ----------
    table : DataFrame
        A row a pass: start_P_kPa and end_P_kPa (gauge), start_T_C, end_T_C, start_kg, end_kg, mean_flow_kg_s, seconds (sprayed),
        back_min (to the pressure to hold; blank where it is not reached in the wait), ended.
    course : DataFrame
        time_s, P_kPa (gauge), T_C, kg, flow_kg_s, pass: all of it, for pictures.
    """

    table: pd.DataFrame
    course: pd.DataFrame


def day(
    sheet: BuildSheet,
    passes: int,
    *,
    pass_s: float,
    wait_s: float,
    heater_W: float = 0.0,
    P_hold: float | None = None,
    left: float = 0.0,
    film: float = WALL_FILM.best,
    P_least: float | None = None,
) -> Day:
    """Spray, wait, spray again.

    Parameters
    ----------
    sheet : BuildSheet
        With a nozzle bore; its bottle's state is where the day begins.
    passes : int
        1 to 40.
    pass_s, wait_s : float
        Nitrous time of a pass, and the time between [s].
    heater_W : float
        While waiting [W].
    P_hold : float, optional
        Absolute pressure at which the heater switches off [Pa]; None: it never does.
    left : float
        Liquid out of the pick-up's reach [kg].
    film : float
        Heat from wall to nitrous [W/(m2 K)].
    P_least : float, optional
        End the day with the first pass that ends below this absolute pressure [Pa].

    Returns
    -------
    Day
        Ends early where the liquid runs out, in a pass or, the last of it boiled off, in the wait after one.

    Raises
    ------
    InputError
    """
    if check_number("passes", passes, 1, 40, "", "A day at the track.") != int(passes):
        raise InputError("passes", passes, "", "a whole number", "Half a pass is a shorter pass.")
    pass_s = check_number("pass_s", pass_s, 0.1, 600.0, "s", "A spray is short.")
    if P_hold is not None:
        P_hold = check_number("P_hold", P_hold, 1e5, 10e6, "Pa", "Pressure of a bottle fit for use.")
    bottle, state, law = bottle_of(sheet, film), state_of(sheet), flow_law(sheet)
    T_air = k_from_c(sheet.site.air_temperature_c)
    content, rows, parts, clock = Content(state.T, state.T, state.mass), [], [], 0.0
    for k in range(1, int(passes) + 1):
        if vessel_state(content.T, content.mass, bottle.volume).liquid_mass <= left:
            break
        run = spray(bottle, content, pass_s, law, T_air=T_air, left=left)
        rest = warm(bottle, run.content, wait_s, T_air=T_air, heater=heater_W, P_target=P_hold)
        rows.append(_row(sheet, k, run, rest))
        parts += [_frame(sheet, k, run, clock), _frame(sheet, k, rest, clock + run.t[-1])]
        clock += run.t[-1] + wait_s
        content = rest.content
        if run.ended == "run-out" or (P_least is not None and run.P[-1] < P_least):
            break
    if not rows:
        raise InputError(
            "nitrous.bottle_fill_kg",
            state.mass,
            "kg nitrous",
            "more",
            "There is no liquid within reach of the pick-up.",
        )
    return Day(pd.DataFrame(rows), pd.concat(parts, ignore_index=True))


def _row(sheet: BuildSheet, k: int, run: Course, rest: Course) -> dict:
    return {
        "pass": k,
        "start_P_kPa": gauge_pressure(sheet, run.P[0]) / 1e3,
        "end_P_kPa": gauge_pressure(sheet, run.P[-1]) / 1e3,
        "start_T_C": run.T[0] - 273.15,
        "end_T_C": run.T[-1] - 273.15,
        "start_kg": run.mass[0],
        "end_kg": run.mass[-1],
        "mean_flow_kg_s": (run.mass[0] - run.mass[-1]) / run.t[-1],
        "start_flow_kg_s": run.flow[0],
        "end_flow_kg_s": run.flow[-1],
        "seconds": run.t[-1],
        "back_min": rest.t[-1] / 60 if rest.ended == "target" and rest.liquid_mass[-1] > 0 else np.nan,
        "ended": run.ended,
    }


def _frame(sheet: BuildSheet, k: int, course: Course, clock: float) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "time_s": clock + course.t,
            "P_kPa": gauge_pressure(sheet, course.P) / 1e3,
            "T_C": course.T - 273.15,
            "kg": course.mass,
            "flow_kg_s": course.flow,
            "pass": k,
        }
    )


def hold_temperature(sheet: BuildSheet) -> float:
    """Temperature to hold the bottle at [K].

    Where liquid and vapour stand at the middle of the window, because that is the pressure a pass begins with once the first
    grams are gone; less where this bottle, as full as it is, would then show more than the window's high end.

    Raises
    ------
    InputError
        Where so little is in it that it would all be vapour.
    """
    nitrous, barometer = sheet.nitrous, 1e3 * sheet.value("site.barometer_kpa")
    fill, volume = sheet.value("nitrous.bottle_fill_kg"), bottle_volume(nitrous.bottle_rated_fill_kg)
    T = float(saturation_temperature(500.0 * (nitrous.window_low_kpa + nitrous.window_high_kpa) + barometer))
    high, state = 1e3 * nitrous.window_high_kpa + barometer, vessel_state(T, fill, volume)
    if state.regime == VAPOUR_ONLY:
        raise InputError(
            "nitrous.bottle_fill_kg", fill, "kg nitrous", "more", "At the window's pressure it would all be vapour."
        )
    if state.P <= high:
        return T
    return vessel_temperature(high, fill, volume)


def full_temperature(sheet: BuildSheet) -> float | None:
    """Temperature from which the sheet's bottle holds no vapour [K]; None if there is none below the critical point."""
    return liquid_full_temperature(
        sheet.value("nitrous.bottle_fill_kg"), bottle_volume(sheet.nitrous.bottle_rated_fill_kg)
    )


def least_fill(sheet: BuildSheet, drawn: float, left: float = 0.0) -> float:
    """Nitrous that must be in the bottle before a pass that draws `drawn` [kg]: that, the vapour that stays, and what is out of reach."""
    drawn = check_number("drawn", drawn, 0.0, 100.0, "kg", "By one pass.")
    left = check_number("left", left, 0.0, 100.0, "kg", "Out of the pick-up's reach.")
    T = min(k_from_c(sheet.nitrous.bottle_temperature_c), T_LAST)
    liquid, vapour = (float(v) for v in table().at_T(T, "rho_l", "rho_v"))
    volume = bottle_volume(sheet.nitrous.bottle_rated_fill_kg)
    return drawn + left + vapour * (volume - left / liquid)


def out_of_reach(sheet: BuildSheet, acceleration_g: float, *, clearance: float = 0.008) -> float:
    """Liquid that the pick-up does not reach while the car accelerates [kg].

    Parameters
    ----------
    sheet : BuildSheet
    acceleration_g : float
        Forwards, in g, -1.5 (braking) to 2.
    clearance : float
        Of the pick-up's mouth over the bottle's lowest line [m].

    Returns
    -------
    float

    Notes
    -----
    Bottle lying level along the car, a cylinder of the slenderness above with flat ends, its pick-up's mouth near the bottom at one
    end; liquid surface a plane normal to gravity and acceleration together, at rest. Sloshing is not counted.
    """
    g = check_number("acceleration_g", acceleration_g, -1.5, 2.0, "g", "Cars on tyres.")
    clearance = check_number("clearance", clearance, 0.0, 0.05, "m", "Of the pick-up's mouth.")
    volume = bottle_volume(sheet.nitrous.bottle_rated_fill_kg)
    bore = (4 * volume / (np.pi * SLENDERNESS)) ** (1 / 3)
    x = np.linspace(0.0, SLENDERNESS * bore, 241)  # from the pick-up's end
    climbs = g if sheet.nitrous.pick_up == "front" else -g  # under acceleration liquid climbs towards the rear
    depth = np.clip(clearance + climbs * x, 0.0, bore) / bore
    section = bore**2 / 4 * (np.arccos(1 - 2 * depth) - (1 - 2 * depth) * 2 * np.sqrt(depth * (1 - depth)))
    T = min(k_from_c(sheet.nitrous.bottle_temperature_c), T_LAST)
    return float(np.trapezoid(section, x)) * saturation(T).liquid_density
