"""A closed bottle of nitrous: what temperature, weight and pressure tell of each other."""

from __future__ import annotations

from dataclasses import dataclass

import CoolProp.CoolProp as cp
import numpy as np
from scipy.optimize import brentq

from ..errors import InputError, check_number
from .fluid import P_MOST, T_LAST, T_TRIPLE, shared_state, table

FILLING_DENSITY = 680.0
"""Rated fill over water capacity [kg/m3]: 68 % by mass (49 CFR 173.304a; the row for nitrous oxide from memory)."""
T_HOTTEST = 353.15
"""Hottest bottle that is computed [K], 80 C: a closed car in the sun stays below."""
TWO_PHASES, LIQUID_FULL = "liquid and vapour", "liquid-full"
VAPOUR_ONLY, ABOVE_CRITICAL = "vapour only", "above critical"


@dataclass(frozen=True)
class VesselState:
    """What stands in a bottle.

    Attributes
    ----------
    T, P : float
        [K], absolute [Pa].
    mass, volume : float
        Of the nitrous and of the space it fills [kg], [m3].
    regime : str
        "liquid and vapour", "liquid-full" (no vapour left: pressure climbs steeply), "vapour only" (empty for our purpose)
        or "above critical" (no liquid at any pressure).
    liquid_mass, vapour_mass : float
        [kg]; above the critical point all counts as vapour, in a liquid-full bottle all as liquid.
    liquid_share : float
        Of the volume.
    """

    T: float
    P: float
    mass: float
    volume: float
    regime: str
    liquid_mass: float
    vapour_mass: float
    liquid_share: float


def bottle_volume(rated_fill: float) -> float:
    """Space in a bottle [m3] of a rated fill [kg], by the filling density."""
    return check_number("rated_fill", rated_fill, 0.05, 100.0, "kg", "Car bottles.") / FILLING_DENSITY


def vessel_state(T: float, mass: float, volume: float) -> VesselState:
    """State of a closed bottle.

    Parameters
    ----------
    T : float
        [K], 182.33 to 353.15 (80 C).
    mass : float
        Nitrous in it [kg].
    volume : float
        [m3].

    Returns
    -------
    VesselState

    Raises
    ------
    InputError
        Out of range, empty, or so full that the pressure would leave the equation of state (50 MPa).
    """
    T = check_number("T", T, T_TRIPLE, T_HOTTEST, "K", "Nitrous freezes below; a bottle above 80 C is a fire.")
    mass, density = _density(mass, volume)
    if T <= T_LAST:
        P, liquid, vapour = (float(v) for v in table().at_T(T, "P", "rho_l", "rho_v"))
        if vapour < density < liquid:
            share = (density - vapour) / (liquid - vapour)
            parts = share * volume * liquid, (1 - share) * volume * vapour
            return VesselState(T, P, mass, volume, TWO_PHASES, *parts, share)
        regime = LIQUID_FULL if density >= liquid else VAPOUR_ONLY
        at_line = density in (liquid, vapour)
    else:
        regime, P, at_line = ABOVE_CRITICAL, 0.0, False
    if not at_line:
        P = _pressure(T, density, mass)
    full = regime == LIQUID_FULL
    return VesselState(T, P, mass, volume, regime, mass if full else 0.0, 0.0 if full else mass, float(full))


def _check_volume(volume: float) -> float:
    return check_number("volume", volume, 1e-4, 0.2, "m3", "Car bottles hold 0.5 to 60 L.")


def _density(mass: float, volume: float) -> tuple[float, float]:
    volume = _check_volume(volume)
    mass = check_number(
        "mass", mass, 0.0, 1200 * volume, "kg", "An empty bottle has no state; no liquid is denser.", open_low=True
    )
    return mass, mass / volume


def _pressure(T: float, density: float, mass: float) -> float:
    state = shared_state()
    try:
        state.update(cp.DmassT_INPUTS, density, T)
        P = state.p()
    except ValueError:
        P = np.inf
    if not 0 < P <= P_MOST:
        raise InputError(
            "mass", mass, "kg", "less", "So full and so warm the bottle passes 500 bar: it bursts long before."
        )
    return P


def vessel_temperature(P: float, mass: float, volume: float) -> float:
    """Temperature at which a closed bottle shows a pressure [K].

    Parameters
    ----------
    P : float
        Absolute [Pa].
    mass, volume : float
        [kg], [m3].

    Raises
    ------
    InputError
        If no temperature from -60 to 80 C gives that pressure.
    """
    P = check_number("P", P, 1e4, P_MOST, "Pa", "Absolute pressure in a bottle.")
    low, high = 213.15, T_HOTTEST
    ends = vessel_state(low, mass, volume).P, _at_most(high, mass, volume)
    if not ends[0] <= P <= ends[1]:
        allowed = f"{ends[0]:.3g} to {ends[1]:.3g} Pa for {mass:.3g} kg in {1e3 * volume:.3g} L"
        raise InputError("P", P, "Pa", allowed, "No temperature from -60 to 80 C makes this bottle show it.")
    return float(brentq(lambda T: _at_most(T, mass, volume) - P, low, high, xtol=1e-6))


def _at_most(T: float, mass: float, volume: float) -> float:
    """Pressure, or the end of the equation of state where it is passed: enough to find a root below it."""
    try:
        return vessel_state(T, mass, volume).P
    except InputError:
        return P_MOST


def liquid_full_temperature(mass: float, volume: float) -> float | None:
    """Temperature from which no vapour is left [K]; None if the bottle stays in two phases up to the critical point.

    Raises
    ------
    InputError
        Out of range.
    """
    mass, density = _density(mass, volume)

    def spare(T: float) -> float:
        return float(table().at_T(T, "rho_l")[0]) - density

    if spare(T_LAST) > 0:
        return None
    return float(brentq(spare, T_TRIPLE, T_LAST, xtol=1e-6)) if spare(T_TRIPLE) > 0 else T_TRIPLE


def mass_for(T: float, P: float, volume: float) -> tuple[float, float]:
    """Least and most nitrous that shows a pressure at a temperature [kg].

    Parameters
    ----------
    T, P : float
        [K], absolute [Pa].
    volume : float
        [m3].

    Returns
    -------
    tuple of float
        On the saturation line (within 0.2 %) anything from the vapour's mass to the liquid's: the gauge does not tell the
        weight. Off it the two are one.

    Raises
    ------
    InputError
        Out of range.
    """
    T = check_number("T", T, T_TRIPLE, T_HOTTEST, "K", "Nitrous freezes below; a bottle above 80 C is a fire.")
    P = check_number("P", P, 1e4, P_MOST, "Pa", "Absolute pressure in a bottle.")
    volume = _check_volume(volume)
    if T <= T_LAST:
        line, liquid, vapour = (float(v) for v in table().at_T(T, "P", "rho_l", "rho_v"))
        if abs(P / line - 1) <= 2e-3:
            return vapour * volume, liquid * volume
    state = shared_state()
    state.update(cp.PT_INPUTS, P, T)
    return state.rhomass() * volume, state.rhomass() * volume
