"""How long the charge takes to burn, and when the spark has to come for it.

The engine's own timing tells how long its charge burns without nitrous; what nitrous, cooling and lambda change follows from the flame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import check_array, check_choice
from ..thermo import flame
from ..thermo.fuels import Fuel
from .burn import RAPID, Y50
from .cylinder import Cylinder

BEST_CA50 = 9.0
"""50 % burned of an engine on its best-torque timing [deg after TDC]; 8 to 10 [Heywood, section 9.2]."""

DELAY_SHARE = 0.25
"""Delay from spark to the first burned gas over the 10-90 % duration; median of the measured CFR engine (0.1 to 0.4). It hardly
matters here: both scale alike."""

HALF = Y50 / RAPID
"""From the first burned gas to 50 % burned, over the 10-90 % duration."""

CORRELATION = 1930.0
"""10-90 % duration [deg] over `flame_length` / stroke: between two measured engines, 1690 (median of the spark sweep and lambda 1 to 1.4 of a propane
engine, CFR, Technical University of Denmark 2025) and 2220 (a gasoline cycle of a five-cylinder engine, TSFS09). Used only where the timing does not
tell the duration; another chamber may burn 30 % faster or slower."""

_VISCOSITY, _VISCOSITY_EXPONENT = 1.846e-5, 0.7
"""Of air at 300 K [Pa s], and its growth with temperature (handbook value, from memory; it enters by its cube root)."""


@dataclass(frozen=True)
class Flame:
    """Where a flame is asked for.

    Attributes
    ----------
    phi, nitrous_fraction : float or array
    T, P : float or array
        Of the unburned gas [K], [Pa].
    density : float or array
        Of the unburned gas [kg/m3].
    theta_deg : float or array
        [deg after TDC].
    """

    phi: np.ndarray
    nitrous_fraction: np.ndarray
    T: np.ndarray
    P: np.ndarray
    density: np.ndarray
    theta_deg: np.ndarray


def flame_length(cylinder: Cylinder, fuel: Fuel, rpm, at: Flame, *, residual: float = 0.0, factor=1.0) -> np.ndarray:
    """Length to which burn angles are proportional.

    Parameters
    ----------
    cylinder : Cylinder
    fuel : Fuel
    rpm : float or array
    at : Flame
        At the spark for the delay, at 50 % burned for the duration.
    residual : float
        Burned gas in the charge, mass fraction.
    factor : float or array
        On the speed ratio of nitrous: 1, or an end of `FLAME_RATIO`.

    Returns
    -------
    array
        [m]; NaN where the table of flame speeds does not reach.

    Notes
    -----
    (S_p nu)^(1/3) (h / S_L)^(2/3): mean piston speed, kinematic viscosity, height of the chamber, laminar flame speed [Hires, Tabaczynski &
    Novak 1978 (SAE 780232)]. Only ratios of it are used, but for `CORRELATION`.
    """
    rpm = check_array("rpm", rpm, 300.0, 15000.0, "rpm", "Piston engines turn between.")
    speed = flame.base_speed(fuel, at.phi, at.T, at.P, residual)
    ratio = flame.ratio_where_inside(at.phi, at.T, at.P, at.nitrous_fraction)
    speed = speed * np.where(np.asarray(at.nitrous_fraction) > 0, ratio * factor, 1.0)
    viscosity = _VISCOSITY * (np.asarray(at.T) / 300.0) ** _VISCOSITY_EXPONENT / at.density
    height = cylinder.volume(at.theta_deg) / (np.pi / 4 * cylinder.bore**2)
    return (cylinder.piston_speed(rpm) * viscosity) ** (1 / 3) * (height / speed) ** (2 / 3)


def duration_from_timing(timing_deg, ca50: float = BEST_CA50) -> np.ndarray:
    """Burn duration that a known-good timing tells.

    Parameters
    ----------
    timing_deg : float or array
        Spark [deg before TDC], from -4 to 80 at the usual `ca50`.
    ca50 : float
        Where it puts 50 % burned [deg after TDC].

    Returns
    -------
    array
        10-90 % burned [deg].

    Raises
    ------
    InputError
        Where spark and 50 % burned lie less than 5 or more than 89 deg apart.
    """
    why = f"It is said to put 50 % burned at {ca50:g} deg after TDC: no charge burns faster or slower."
    timing = check_array("timing_deg", timing_deg, 5.0 - ca50, 89.0 - ca50, "deg before TDC", why)
    return (timing + ca50) / (HALF + DELAY_SHARE)


def check_timing_is(kind: str) -> str:
    """Return what the known-good timing is, if it is one of the build sheet's words."""
    return check_choice(
        "engine.timing_is",
        kind,
        ("best torque", "held back by knock", "unknown"),
        "It decides how the burn is calibrated.",
    )
