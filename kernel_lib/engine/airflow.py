"""How much air the engine swallows: the atmosphere, the cylinder's volumes, volumetric efficiency."""

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


def cylinder_volume(theta_deg, bore: float, stroke: float, rod: float, compression_ratio: float) -> np.ndarray:
    """Volume above the piston.

    Parameters
    ----------
    theta_deg : float or array
        Crank angle after top dead centre [deg].
    bore, stroke, rod : float
        [m].
    compression_ratio : float
        Full volume over clearance volume.

    Returns
    -------
    array
        [m3].

    Raises
    ------
    InputError

    Notes
    -----
    Slider-crank [Heywood eq. 2.4-2.6], no pin offset.
    """
    bore = check_number("bore", bore, 0.03, 0.2, "m", "Car engines.")
    stroke = check_number("stroke", stroke, 0.03, 0.2, "m", "Car engines.")
    rod = check_number("rod", rod, 0.55 * stroke, 0.4, "m", "A shorter rod cannot turn over the crank.")
    ratio = check_number("compression_ratio", compression_ratio, 5.0, 20.0, "", "Spark-ignition engines.")
    theta = np.radians(check_array("theta_deg", theta_deg, -360.0, 360.0, "deg", "One revolution either way."))
    area = np.pi / 4 * bore**2
    crank = stroke / 2
    travel = rod + crank - crank * np.cos(theta) - np.sqrt(rod**2 - (crank * np.sin(theta)) ** 2)
    return area * stroke / (ratio - 1) + area * travel


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
