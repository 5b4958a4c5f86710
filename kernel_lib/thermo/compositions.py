"""Many unburned charges of one fuel at once: what `Mixture` and `reactants` say of each, as arrays."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from ..errors import check_array
from . import species as sp
from .fuels import Fuel
from .mixture import LAMBDA_MAX, LAMBDA_MIN, WATER_GAS_K

_OXIDISER = ("O2", "N2", "Ar", "N2O", "H2O")
_BURNED = ("CO2", "H2O", "CO", "H2", "O2", "N2", "Ar")
_T0 = 298.15


@dataclass(frozen=True, eq=False)
class Compositions:
    """Charges, an element each.

    Attributes
    ----------
    molar_mass : array
        Of the whole charge [kg/mol].
    fresh, whole : array, shape (charges, 2, 6)
        `reactants.polynomials` without and with residual gas.
    exhaust : dict
        Species -> mole fraction in the cooled exhaust.
    exhaust_mass : array
        Molar mass of that [kg/mol].
    oxidiser_to_fuel, heat_released : array
        As in `Mixture`.
    """

    molar_mass: np.ndarray
    fresh: np.ndarray
    whole: np.ndarray
    exhaust: dict[str, np.ndarray]
    exhaust_mass: np.ndarray
    oxidiser_to_fuel: np.ndarray
    heat_released: np.ndarray

    def exhaust_enthalpy(self, T: float) -> np.ndarray:
        """Enthalpy of the cooled exhaust at a temperature [J/kg]."""
        return sum(x * sp.enthalpy(name, T) for name, x in self.exhaust.items()) / self.exhaust_mass


def exhaust_of(fuel: Fuel, lambda_, nitrous_fraction, water_fraction) -> dict[str, np.ndarray]:
    """Cooled exhaust of fresh charges, species -> mole fraction; arguments as in `compositions`."""
    fuel_moles, oxidiser = _fresh(fuel, lambda_, nitrous_fraction, water_fraction)
    return _burned(fuel, fuel_moles, oxidiser)[0]


def compositions(fuel: Fuel, lambda_, nitrous_fraction, water_fraction, residual_fraction: float) -> Compositions:
    """Compute charges.

    Parameters
    ----------
    fuel : Fuel
    lambda_, nitrous_fraction, water_fraction : array
        As in `Mixture`; of one shape.
    residual_fraction : float
        As in `Mixture`.

    Raises
    ------
    InputError

    Notes
    -----
    The same closed forms as `Mixture`, agreeing with it to rounding.
    """
    lambda_ = check_array("lambda_", lambda_, LAMBDA_MIN, LAMBDA_MAX, "", "Outside, soot forms or nothing burns.")
    residual = float(check_array("residual_fraction", residual_fraction, 0.0, 0.3, "", "An engine keeps far less."))
    fuel_moles, oxidiser = _fresh(fuel, lambda_, nitrous_fraction, water_fraction)
    exhaust, exhaust_mass, burned = _burned(fuel, fuel_moles, oxidiser)
    names = (*_OXIDISER, *fuel.composition)
    moles = [*(oxidiser[name] for name in _OXIDISER), *(fuel_moles * x for x in fuel.composition.values())]
    moles = np.stack(np.broadcast_arrays(*moles), axis=-1)
    oxidiser_mass = sum(n * sp.molar_mass(name) for name, n in oxidiser.items())
    fuel_mass = fuel_moles * fuel.molar_mass
    mass = moles @ np.array([sp.molar_mass(name) for name in names])
    left = residual / (1 - residual) * mass / exhaust_mass
    gas = np.stack(np.broadcast_arrays(*(left * exhaust[name] for name in _BURNED)), axis=-1)
    fresh = _polynomials(moles, names)
    whole = fresh + _polynomials(gas, _BURNED)
    total = mass / (1 - residual)
    heat = moles @ _enthalpies(names) - burned @ _enthalpies(_BURNED)
    return Compositions(
        total / (moles.sum(axis=-1) + gas.sum(axis=-1)),
        fresh / mass[..., None, None],
        whole / total[..., None, None],
        exhaust,
        exhaust_mass,
        oxidiser_mass / fuel_mass,
        heat / mass,
    )


def _fresh(fuel: Fuel, lambda_, nitrous, water) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Moles of fuel and of each oxidiser per mole of (dry air + N2O)."""
    nitrous = check_array("nitrous_fraction", nitrous, 0.0, 1.0, "", "It is a share of the oxidiser, by mole.")
    water = check_array("water_fraction", water, 0.0, 0.3, "", "Air cannot carry more vapour.")
    oxidiser = {name: (1 - nitrous) * x for name, x in sp.DRY_AIR.items()} | {
        "N2O": nitrous,
        "H2O": water / (1 - water),
    }
    atoms = 2 * oxidiser["O2"] + nitrous
    return atoms / (np.asarray(lambda_) * fuel.oxygen_demand), oxidiser


def _burned(fuel: Fuel, fuel_moles, oxidiser) -> tuple[dict[str, np.ndarray], np.ndarray, np.ndarray]:
    """Mole fractions of the cooled exhaust, its molar mass, and its moles; see `water_gas_products`."""
    C, H = fuel.carbon * fuel_moles, fuel.hydrogen * fuel_moles + 2 * oxidiser["H2O"]
    O = fuel.oxygen * fuel_moles + 2 * oxidiser["O2"] + oxidiser["N2O"] + oxidiser["H2O"]  # noqa: E741
    deficit = 2 * C + H / 2 - O
    lack = np.maximum(deficit, 0.0)
    a, b, c = 1 - WATER_GAS_K, H / 2 - lack + WATER_GAS_K * (C + lack), -WATER_GAS_K * C * lack
    co = 2 * -c / (b + np.sqrt(b * b - 4 * a * c))
    h2 = lack - co
    moles = {
        "CO2": C - co, "H2O": H / 2 - h2, "CO": co, "H2": h2, "O2": np.maximum(-deficit, 0.0) / 2,
        "N2": oxidiser["N2"] + oxidiser["N2O"], "Ar": oxidiser["Ar"],
    }  # fmt: skip
    stacked = np.stack(np.broadcast_arrays(*(moles[name] for name in _BURNED)), axis=-1)
    total = stacked.sum(axis=-1)
    mass = stacked @ np.array([sp.molar_mass(name) for name in _BURNED]) / total
    return {name: stacked[..., k] / total for k, name in enumerate(_BURNED)}, mass, stacked


@functools.lru_cache(maxsize=64)
def _table(names: tuple[str, ...]) -> np.ndarray:
    return sp.R * np.array([[row[:6] for row in sp.polynomial(name)] for name in names])


def _polynomials(moles: np.ndarray, names: tuple[str, ...]) -> np.ndarray:
    """Sum of the species' polynomials [J and J/K, not per kg], (..., 2, 6)."""
    return np.tensordot(moles, _table(tuple(names)), axes=1)


@functools.lru_cache(maxsize=64)
def _enthalpies(names: tuple[str, ...]) -> np.ndarray:
    return np.array([sp.enthalpy(name, _T0) for name in names])
