"""How much air the engine swallows: the atmosphere, volumetric efficiency."""

from __future__ import annotations

import numpy as np
from CoolProp.HumidAirProp import HAPropsSI

from ..errors import check_array, check_number
from ..thermo import species as sp

_EARTH_RADIUS = 6_356_766.0


def isa_pressure(altitude_m: float) -> float:
    """Pressure of the International Standard Atmosphere.

    Parameters
    ----------
    altitude_m : float
        Geometric altitude [m], -500 to 5000.

    Returns
    -------
    float
        [Pa].

    Raises
    ------
    InputError

    Notes
    -----
    Troposphere, p = p0 (1 - L H / T0)^(g M / R L) with geopotential altitude H [ISO 2533].
    """
    z = check_number("altitude_m", altitude_m, -500.0, 5000.0, "m", "No road lies outside.")
    geopotential = _EARTH_RADIUS * z / (_EARTH_RADIUS + z)
    return 101325.0 * (1 - 0.0065 * geopotential / 288.15) ** (9.80665 / (287.05287 * 0.0065))


def water_vapour_fraction(T_K: float, P_Pa: float, relative_humidity: float) -> float:
    """Mole fraction of water in moist air.

    Parameters
    ----------
    T_K : float
        Air temperature [K], 233 to 333.
    P_Pa : float
        Barometric pressure [Pa], 5e4 to 1.1e5.
    relative_humidity : float
        0 to 1.

    Returns
    -------
    float
        [mol/mol].

    Raises
    ------
    InputError

    Notes
    -----
    CoolProp's moist air after ASHRAE RP-1485.
    """
    T = check_number("T_K", T_K, 233.0, 333.2, "K", "Weather is between -40 and 60 C.")
    P = check_number("P_Pa", P_Pa, 5e4, 1.1e5, "Pa", "Barometric pressure where there are roads.")
    humidity = check_number(
        "relative_humidity", relative_humidity, 0.0, 1.0, "", "A share of saturation, not a percentage."
    )
    return HAPropsSI("psi_w", "T", T, "P", P, "R", humidity) if humidity else 0.0


def moist_air_moles(volumetric_efficiency, P: float, T: float, swept: float) -> np.ndarray:
    """Moles of moist air that one cylinder draws in a cycle.

    Parameters
    ----------
    volumetric_efficiency : float or array
        Relative to the air in the intake manifold, 0.2 to 1.4.
    P, T : float
        In the manifold [Pa], [K].
    swept : float
        Swept volume of one cylinder [m3].

    Returns
    -------
    array
        [mol].

    Notes
    -----
    Speed-density form: n = VE P V / (R T) [Heywood eq. 2.27].
    """
    efficiency = check_array("volumetric_efficiency", volumetric_efficiency, 0.2, 1.4, "", "Engines without boost.")
    P = check_number("P", P, 2e4, 1.2e5, "Pa", "Manifold pressure without boost, absolute.")
    T = check_number("T", T, 230.0, 380.0, "K", "Air in an intake manifold.")
    swept = check_number("swept", swept, 2e-5, 3e-3, "m3", "One cylinder.")
    return efficiency * P * swept / (sp.R * T)
