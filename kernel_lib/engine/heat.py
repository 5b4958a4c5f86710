"""Heat to the walls and friction."""

from __future__ import annotations

import numpy as np

from ..band import FRICTION_CONSTANT
from ..errors import check_array, check_number

WALL_TEMPERATURE = 450.0
"""Of head, crown and liner at full load [K]; from memory (400 to 500)."""

FILM, SIZE_POWER, PRESSURE_POWER, T_POWER, SPEED_POWER = 3.26, -0.2, 0.8, -0.55, 0.8
"""Constants of `woschni`, pressure in kPa [Woschni 1967; Heywood eq. 12.19]."""

C1, C2 = 2.28, 3.24e-3
"""Gas speed while the valves are shut: C1 x piston speed + C2 [m/(s K)] x ... [Woschni 1967; Heywood eq. 12.21]."""


def woschni(bore: float, P, T, w) -> np.ndarray:
    """Heat transfer coefficient.

    Parameters
    ----------
    bore : float
        [m].
    P, T : float or array
        Of the gas [Pa], mass mean [K].
    w : float or array
        Gas speed [m/s].

    Returns
    -------
    array
        [W/(m2 K)].

    Notes
    -----
    3.26 B^-0.2 p^0.8 T^-0.55 w^0.8 with p in kPa [Woschni 1967 (SAE 670931); Heywood eq. 12.19].
    """
    bore = check_number("bore", bore, 0.03, 0.2, "m", "Car engines.")
    P, T, w = (np.asarray(v, float) for v in (P, T, w))
    return FILM * bore**SIZE_POWER * (P / 1e3) ** PRESSURE_POWER * T**T_POWER * w**SPEED_POWER


def friction_pressure(P_max, piston_speed, constant: float = FRICTION_CONSTANT.best) -> np.ndarray:
    """Friction mean effective pressure.

    Parameters
    ----------
    P_max : float or array
        Peak cylinder pressure [Pa].
    piston_speed : float or array
        Mean [m/s].
    constant : float
        [bar]; fitted per engine between 0.1 and 0.5.

    Returns
    -------
    array
        [Pa].

    Notes
    -----
    C + 0.005 p_max + 0.162 S_p in bar [Chen & Flynn 1965 (SAE 650733)], constants from memory.
    """
    P = check_array("P_max", P_max, 0.0, 5e7, "Pa", "Cylinder pressure.")
    speed = check_array("piston_speed", piston_speed, 0.0, 40.0, "m/s", "Faster tears a piston apart.")
    return 1e5 * (constant + 0.005 * P / 1e5 + 0.162 * speed)
