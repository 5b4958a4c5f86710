"""A gas and its enthalpy: the charge before it burns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..errors import InputError, check_choice, check_number
from . import species as sp
from .mixture import Mixture

T_RANGE = (200.0, 1500.0)
P_RANGE = (2e4, 5e7)
WHY_T = "The NASA polynomials start at 200 K, and a charge above 1500 K has already burned."
WHY_P = "From an intake under vacuum to a broken cylinder head."


@dataclass(frozen=True)
class State:
    """A gas, unburned or burned.

    Attributes
    ----------
    T, P : float
        [K], [Pa].
    X : mapping
        Mole fractions by Cantera's names; a species that is not in the set counts 0.
    enthalpy_mass, energy_mass : float
        Enthalpy and internal energy, formation included [J/kg].
    density : float
        [kg/m3].
    molar_mass : float
        [kg/mol].
    """

    T: float
    P: float
    X: Mapping[str, float]
    enthalpy_mass: float
    energy_mass: float
    density: float
    molar_mass: float


def unburned(mix: Mixture, T: float, P: float, *, fuel_phase: str = "gas", fuel_T: float | None = None) -> State:
    """State of the charge before it burns.

    Parameters
    ----------
    mix : Mixture
    T : float
        Temperature of everything but the fuel [K], 200 to 1500.
    P : float
        Pressure [Pa], 2e4 to 5e7.
    fuel_phase : {"gas", "liquid"}
        Liquid fuel brings less enthalpy (its heat of vaporisation) and takes the volume of its liquid.
    fuel_T : float, optional
        Temperature of the fuel [K]; that of the rest if None.

    Returns
    -------
    State
        T and P as given (the fuel's own temperature is in the enthalpy); X with all fuel counted as vapour.

    Raises
    ------
    InputError
    """
    if not isinstance(mix, Mixture):
        raise InputError("mix", mix, "", "a Mixture", "It holds the atoms to burn.")
    T = check_number("T", T, *T_RANGE, "K", WHY_T)
    P = check_number("P", P, *P_RANGE, "Pa", WHY_P)
    check_choice("fuel_phase", fuel_phase, ("gas", "liquid"), "Fuel is burned as vapour or as liquid.")
    liquid = fuel_phase == "liquid"
    if fuel_T is None:
        fuel_T = T
    elif liquid:
        fuel_T = check_number("fuel_T", fuel_T, 200.0, 400.0, "K", "Liquid fuel freezes below and boils above.")
    else:
        fuel_T = check_number("fuel_T", fuel_T, *T_RANGE, "K", WHY_T)
    if liquid:
        check_number("fuel_T", fuel_T, 200.0, 400.0, "K", "Liquid fuel boils above: state its own temperature.")
    h, gas_moles_T, gas_moles = _reactant_sums(mix, T, fuel_T, liquid)
    volume = gas_moles_T * sp.R / P + (mix.fuel_mass_fraction / mix.fuel.density if liquid else 0.0)
    return State(
        T=T, P=P, X=mix.X, enthalpy_mass=h, energy_mass=h - P * volume, density=1 / volume, molar_mass=1 / gas_moles
    )


def _reactant_sums(mix: Mixture, T: float, fuel_T: float, liquid: bool) -> tuple[float, float, float]:
    """Enthalpy [J/kg], sum of moles x temperature of the gases [mol K/kg], moles as vapour [mol/kg]."""
    per_kg = 1.0 / mix.molar_mass
    fuel = mix.fuel
    h = moles_T = 0.0
    for name, x in mix.X.items():
        if name in fuel.composition:
            continue
        h += per_kg * x * sp.enthalpy(name, T)
        moles_T += per_kg * x * T
    fuel_mass = mix.fuel_mass_fraction
    if liquid:
        at_298 = fuel.formation_enthalpy / fuel.molar_mass - fuel.vaporisation_enthalpy
        h += fuel_mass * (at_298 + fuel.liquid_heat * (fuel_T - 298.15))
    else:
        fuel_moles = fuel_mass / fuel.molar_mass
        h += fuel_moles * sum(x * sp.enthalpy(name, fuel_T) for name, x in fuel.composition.items())
        moles_T += fuel_moles * fuel_T
    return h, moles_T, per_kg


def polynomials(mix: Mixture) -> np.ndarray:
    """Heat capacity and enthalpy of the frozen charge, per kg.

    Returns
    -------
    array, shape (2, 6)
        Below and above 1000 K: cp = a1 + a2 T + .. a5 T^4 [J/(kg K)], h = a6 + a1 T + a2 T^2/2 + .. [J/kg]; NASA polynomials.
    """
    out = np.zeros((2, 6))
    for name, x in mix.X.items():
        low, high = sp.polynomial(name)
        out += x * np.array([low[:6], high[:6]])
    return out * sp.R / mix.molar_mass


def enthalpy(coefficients: np.ndarray, T) -> np.ndarray:
    """Enthalpy [J/kg] by rows of `polynomials`, shape (..., 2, 6), at T [K], shape (...)."""
    T = np.asarray(T, float)
    a = np.where((T < 1000.0)[..., None], coefficients[..., 0, :], coefficients[..., 1, :])
    powers = np.stack([T, T**2 / 2, T**3 / 3, T**4 / 4, T**5 / 5, np.ones_like(T)], axis=-1)
    return (a * powers).sum(axis=-1)
