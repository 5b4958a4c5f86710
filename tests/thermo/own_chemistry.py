"""What the tests of this room know of chemistry by themselves: no kernel number is checked with a kernel number.

Atomic masses: IUPAC abridged standard atomic weights. Species data: the NASA set that ships with Cantera, all its
neutral C-H-O-N-Ar gases rather than the kernel's selection.
"""

from __future__ import annotations

from functools import cache

import cantera as ct

ELEMENTS = ("C", "H", "O", "N", "Ar")
ATOMIC_MASS = {"C": 12.011e-3, "H": 1.008e-3, "O": 15.999e-3, "N": 14.007e-3, "Ar": 39.95e-3}  # kg/mol
DRY_AIR = {"O2": 0.2095, "N2": 0.7812, "Ar": 0.0093}  # by mole, as the project defines it

# Atoms per molecule, by hand.
ATOMS = {
    "iso-octane": {"C": 8, "H": 18},
    "n-heptane": {"C": 7, "H": 16},
    "n-octane": {"C": 8, "H": 18},
    "toluene": {"C": 7, "H": 8},
    "ethanol": {"C": 2, "H": 6, "O": 1},
    "methanol": {"C": 1, "H": 4, "O": 1},
    "propane": {"C": 3, "H": 8},
}
AIR_MASS = 0.2095 * 2 * 15.999e-3 + 0.7812 * 2 * 14.007e-3 + 0.0093 * 39.95e-3  # kg/mol
N2O_MASS = 2 * 14.007e-3 + 15.999e-3  # kg/mol


@cache
def full_gas() -> ct.Solution:
    """Every neutral C-H-O-N-Ar gas of Cantera's nasa_gas.yaml, as one ideal gas."""
    chosen = [
        s for s in ct.Species.list_from_file("nasa_gas.yaml") if s.charge == 0 and set(s.composition) <= set(ELEMENTS)
    ]
    return ct.Solution(thermo="ideal-gas", species=chosen)


def state(T: float, P: float, X: dict) -> ct.Solution:
    """Return `full_gas` set to a state."""
    gas = full_gas()
    gas.TPX = T, P, dict(X)
    return gas


def atoms(X: dict, species_left_out: tuple[str, ...] = ()) -> dict[str, float]:
    """Atoms of each element per mole of a gas of mole fractions `X`."""
    gas, total = full_gas(), dict.fromkeys(ELEMENTS, 0.0)
    for name, x in X.items():
        if name in species_left_out:
            continue
        for element, n in gas.species(name).composition.items():
            total[element] += n * x
    return total


def atoms_per_kg(X: dict) -> dict[str, float]:
    """Moles of each element per kilogram."""
    n = atoms(X)
    mass = sum(n[e] * ATOMIC_MASS[e] for e in ELEMENTS)
    return {e: n[e] / mass for e in ELEMENTS}


def oxygen_demand(formula: dict) -> float:
    """Net O atoms a molecule of fuel needs to become CO2 and H2O."""
    return 2 * formula["C"] + formula["H"] / 2 - formula.get("O", 0)


def molar_mass(formula: dict) -> float:
    """Molar mass [kg/mol] of a formula."""
    return sum(n * ATOMIC_MASS[e] for e, n in formula.items())
