"""How much nitrous a shot needs, and how much fuel goes with it."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from .. import units
from ..build_sheet import BuildSheet
from ..engine.charge import Charge, fresh_charge, mixture
from ..engine.setup import Setup
from ..errors import InputError, check_array, check_choice, check_number
from ..thermo import species as sp
from ..thermo.mixture import LAMBDA_MAX, LAMBDA_MIN

RULE_LB_H_PER_100_HP = 30.0
"""Fuel for a dry shot: 30 lb/h per 100 hp; common practice, no source."""

WINDOW_LAMBDA = (0.850, 0.884)
"""Wanted lambda on nitrous: 12.5 to 13.0 on a 14.7 scale; common practice, no source."""

TOO_LEAN_LAMBDA = 13.7 / 14.7
"""Shut-off: 13.7 on a 14.7 scale; common practice, no source."""

_MOST_NITROUS = 0.5  # kg/s, above any shot a build sheet may ask for


def heat_rate(setup: Setup, charge: Charge, rpm: float, lambda_: float) -> float:
    """Heat that the whole engine sets free with this charge [W]; see `Mixture.heat_released`."""
    mix = mixture(setup, charge, lambda_)
    fresh_mass = float(np.squeeze(charge.oxygen_atoms)) / _oxygen_atoms_per_kg(mix)
    return mix.heat_released * fresh_mass * float(setup.cycles_per_second(rpm))


def _oxygen_atoms_per_kg(mix) -> float:
    return mix.lambda_ * mix.fuel.oxygen_demand * mix.fuel_mass_fraction / mix.fuel.molar_mass


def nitrous_for_power(
    setup: Setup,
    shot_W: float,
    rpm: float,
    lambda_without: float,
    lambda_with: float,
    *,
    efficiency: float,
    wall_share: float,
    exponent: float,
) -> float:
    """Nitrous flow that adds a given power.

    Parameters
    ----------
    setup : Setup
    shot_W : float
        Power to add at the crank [W].
    rpm : float
        Speed at which it is counted.
    lambda_without, lambda_with : float
        Lambda without and with nitrous.
    efficiency : float
        Share of the added heat that reaches the crank, 0.1 to 0.6.
    wall_share, exponent : float
        As in `fresh_charge`.

    Returns
    -------
    float
        [kg/s].

    Raises
    ------
    InputError
        If no flow adds that power.

    Notes
    -----
    The plan takes its flow from the cycle (`power.wanted_flow`); this is the check on it.
    Energy balance: shot = efficiency x (heat set free with nitrous - heat set free without), air pushed aside and won back by
    cooling included. The heat of N2O coming apart (1.86 MJ/kg) counts.
    """
    shot = check_number("shot_W", shot_W, 0.0, 5e5, "W", "Up to 670 hp.")
    if shot == 0.0:
        return 0.0
    base = heat_rate(setup, fresh_charge(setup, rpm, 0.0), rpm, lambda_without)

    def miss(flow: float) -> float:
        return _power(setup, flow, rpm, base, lambda_with, efficiency, wall_share, exponent) - shot

    most = min(_MOST_NITROUS, 0.9 * float(setup.air_moles(rpm) * setup.cycles_per_second(rpm)) * sp.molar_mass("N2O"))
    if miss(most) < 0:
        raise InputError(
            "nitrous.shot_hp",
            units.hp_from_w(shot),
            "hp",
            "less",
            "No nitrous flow that still leaves room for air adds it.",
        )
    if miss(0.0) > 0:
        raise InputError(
            "engine.lambda_with_nitrous",
            lambda_with,
            "",
            "a target that leaves work for the nitrous",
            f"Going from lambda {lambda_without:g} to {lambda_with:g} alone adds more than the wanted power.",
        )
    return brentq(miss, 0.0, most, xtol=1e-7)


def _power(setup, flow, rpm, base, lambda_with, efficiency, wall_share, exponent) -> float:
    efficiency = check_number("efficiency", efficiency, 0.1, 0.6, "", "Crank work per heat of a piston engine.")
    charge = fresh_charge(setup, rpm, flow, wall_share=wall_share, exponent=exponent)
    return efficiency * (heat_rate(setup, charge, rpm, lambda_with) - base)


def lambda_with(setup: Setup, charge: Charge, fuel_mass) -> np.ndarray:
    """Lambda of a charge that gets `fuel_mass` [kg per cycle and cylinder]."""
    fuel_mass = check_array("fuel_mass", fuel_mass, 0.0, 1e-2, "kg per cycle", "Fuel of one cylinder.", open_low=True)
    return charge.oxygen_atoms * setup.fuel.molar_mass / (fuel_mass * setup.fuel.oxygen_demand)


def fuel_for(setup: Setup, charge: Charge, lambda_: float) -> np.ndarray:
    """Fuel that brings a charge to `lambda_` [kg per cycle and cylinder]."""
    return _fuel_mass(setup, charge.oxygen_atoms, "lambda_", lambda_)


def _fuel_mass(setup: Setup, oxygen_atoms: np.ndarray, field: str, lambda_: float) -> np.ndarray:
    """Fuel [kg] that oxygen atoms [mol] ask for at a lambda; `field` names it where it is refused."""
    lambda_ = check_number(field, lambda_, LAMBDA_MIN, LAMBDA_MAX, "", "Outside, soot forms or nothing burns.")
    return oxygen_atoms / (lambda_ * setup.fuel.oxygen_demand) * setup.fuel.molar_mass


def fuel_supplied(setup: Setup, charge: Charge, rpm, lambda_without: float, metering: str, sensor: str) -> np.ndarray:
    """Fuel that the controller gives by itself while nitrous flows [kg per cycle and cylinder].

    Parameters
    ----------
    setup : Setup
    charge : Charge
        With nitrous.
    rpm : array
    lambda_without : float
        Its full-throttle target without nitrous.
    metering : {"speed-density", "mass-air"}
        Speed-density sees manifold pressure and intake temperature, not composition: it fuels the air that nitrous pushed
        aside. A mass-air meter sees only the air that is left.
    sensor : {"before nitrous", "in cooled stream"}
        In the cooled stream a speed-density controller takes the charge for denser by T_air / T_charge.

    Returns
    -------
    array
    """
    check_choice("metering", metering, ("speed-density", "mass-air"), "It decides what the controller sees.")
    check_choice("sensor", sensor, ("before nitrous", "in cooled stream"), "It decides which temperature is read.")
    if metering == "mass-air":
        air = charge.dry_air
    else:
        air = (1 - setup.air_water) * setup.air_moles(rpm)
        if sensor == "in cooled stream":
            air = air * setup.T_air / charge.T
    return _fuel_mass(setup, 2 * sp.DRY_AIR["O2"] * air, "lambda_without", lambda_without)


def lambda_at_flow(sheet: BuildSheet, setup: Setup, rpm, planned, actual) -> np.ndarray:
    """Lambda where fuel is set for one nitrous flow and another arrives.

    Parameters
    ----------
    sheet : BuildSheet
    setup : Setup
    rpm, planned, actual : float or array
        [rpm], [kg/s], [kg/s]; they broadcast.

    Returns
    -------
    array
        The controller goes on giving what its metering makes it give; what was added for the shot stays as it was.

    Raises
    ------
    InputError
        As `fresh_charge`.
    """
    engine, control = sheet.engine, sheet.controller

    def own(charge: Charge) -> np.ndarray:
        return fuel_supplied(setup, charge, rpm, engine.lambda_without_nitrous, control.metering, control.intake_sensor)

    meant, charge = fresh_charge(setup, rpm, planned), fresh_charge(setup, rpm, actual)
    added = fuel_for(setup, meant, engine.lambda_with_nitrous) - own(meant)
    return lambda_with(setup, charge, own(charge) + added)
