"""Species data: the NASA ideal-gas set that ships with Cantera, and the dry air of this project."""

from __future__ import annotations

import functools
from types import MappingProxyType

import cantera as ct

R = ct.gas_constant / 1000.0
"""Gas constant [J/(mol K)]."""

DRY_AIR = MappingProxyType({"O2": 0.2095, "N2": 0.7812, "Ar": 0.0093})
"""Dry air by mole; its 0.04 % of CO2 is counted with the nitrogen."""

T_MIN, T_MAX = 200.0, 6000.0
"""Range of the NASA polynomials [K]."""


@functools.cache
def _library() -> dict[str, ct.Species]:
    return {s.name: s for s in ct.Species.list_from_file("nasa_gas.yaml")}


def cantera_species(name: str) -> ct.Species:
    """Return Cantera's own `Species` of that name in nasa_gas.yaml."""
    return _library()[name]


@functools.cache
def atoms(name: str) -> MappingProxyType:
    """Return element -> atoms per molecule."""
    return MappingProxyType(dict(_library()[name].composition))


@functools.cache
def molar_mass(name: str) -> float:
    """Molar mass [kg/mol]."""
    return float(_library()[name].molecular_weight) / 1000.0


def enthalpy(name: str, T: float) -> float:
    """Molar enthalpy of the ideal gas at `T` [K], formation at 298.15 K included [J/mol]."""
    return _library()[name].thermo.h(T) / 1000.0


AIR_MOLAR_MASS = sum(x * molar_mass(name) for name, x in DRY_AIR.items())
"""Molar mass of dry air [kg/mol]."""


@functools.cache
def polynomial(name: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return the NASA coefficients a1..a7 below and above 1000 K; argon has one set for both."""
    middle, *rest = _library()[name].thermo.coeffs
    high, low = tuple(rest[:7]), tuple(rest[7:14])
    if middle >= 6000.0:
        return low, low
    if abs(middle - 1000.0) > 1e-6:
        raise ValueError(f"{name}: the ranges of its polynomial meet at {middle} K, not at 1000 K")
    return low, high
