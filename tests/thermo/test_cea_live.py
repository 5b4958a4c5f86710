"""Equilibrium against NASA CEA run here and now (package cea), between the nodes of the stored grid and on other fuels.

Same tolerances as the stored rows: data of Cantera's set against CEA's own, 2.5 K and 0.3 % in pressure, and so on.
"""

import cea
import numpy as np
import pytest
from own_chemistry import ATOMS, oxygen_demand

from kernel_lib.thermo import fuels
from kernel_lib.thermo.equilibrium import equilibrate
from kernel_lib.thermo.mixture import Mixture

TOLERANCE = {"CO": 0.015, "H2": 0.015, "H2O": 0.01, "CO2": 0.003, "O2": 0.04, "NO": 0.025}
FLOOR = 2e-5
CEA_NAME = {
    "iso-octane": "C8H18,isooctane",
    "n-heptane": "C7H16,n-heptane",
    "n-octane": "C8H18,n-octane",
    "toluene": "C7H8",
    "ethanol": "C2H5OH",
    "methanol": "CH3OH",
    "propane": "C3H8",
}
CEA_LIQUID = {
    "iso-octane": "C8H18(L),isooct",
    "n-octane": "C8H18(L),n-octa",
    "toluene": "C7H8(L)",
    "ethanol": "C2H5OH(L)",
    "methanol": "CH3OH(L)",
}


def oxidiser(demand, lambda_, nitrous, water=0.0):
    """Moles of each oxidiser species for `demand` O atoms of fuel, by hand."""
    per_mole = (1 - water) * ((1 - nitrous) * 2 * 0.2095 + nitrous)
    n = lambda_ * demand / per_mole
    dry = n * (1 - water)
    air = dry * (1 - nitrous)
    return {"O2": 0.2095 * air, "N2": 0.7812 * air, "Ar": 0.0093 * air, "N2O": dry * nitrous, "H2O": n * water}


def run_cea(moles, T, P, hold, T_of=None):
    """Equilibrium of reactants `moles` (CEA names) at T [K], P [Pa]; `T_of` names reactants at another temperature."""
    moles = {name: n for name, n in moles.items() if n > 0}  # a reactant of zero amount is a singular matrix to CEA
    reactants = cea.Mixture(list(moles))
    products = cea.Mixture(list(moles), products_from_reactants=True)
    amounts = np.array(list(moles.values()))
    weights = reactants.moles_to_weights(amounts)
    T0 = np.array([(T_of or {}).get(name, T) for name in moles])
    solver = cea.EqSolver(products, reactants=reactants, trace=1e-15)
    solution = cea.EqSolution(solver)
    if hold == "HP":
        enthalpy = reactants.calc_property(cea.ENTHALPY, weights, T0)
        solver.solve(solution, cea.HP, enthalpy / cea.R, P / 1e5, weights)
    else:
        energy = reactants.calc_property(cea.ENERGY, weights, T0)
        mass_per_mole = sum(
            n * cea.Mixture([name]).moles_to_weights(np.array([1.0]))[0] for name, n in moles.items()
        ) / sum(amounts)
        volume = cea.R * T / P / mass_per_mole
        solver.solve(solution, cea.UV, energy / cea.R, volume, weights)
    assert solution.converged
    return solution


def agree(burned, solution):
    assert abs(burned.T - solution.T) <= 2.5, (burned.T, solution.T)
    assert pytest.approx(solution.P * 1e5, rel=0.003) == burned.P
    for species, relative in TOLERANCE.items():
        theirs = solution.mole_fractions[species]
        off = abs(burned.X.get(species, 0.0) - theirs)
        assert off <= max(relative * theirs, FLOOR), (species, burned.X[species], theirs)


POINTS = [
    # fuel, lambda, nitrous fraction, water fraction, T [K], P [Pa], hold
    ("iso-octane", 0.75, 0.15, 0.0, 298.15, 1.01325e5, "HP"),
    ("iso-octane", 0.95, 0.35, 0.0, 350.0, 3e5, "HP"),
    ("iso-octane", 1.05, 0.6, 0.0, 450.0, 1e5, "HP"),
    ("iso-octane", 0.87, 0.13, 0.0, 750.0, 25e5, "UV"),
    ("n-heptane", 0.85, 0.25, 0.0, 320.0, 1e5, "HP"),
    ("n-octane", 0.9, 0.0, 0.0, 298.15, 1e5, "HP"),
    ("toluene", 0.85, 0.0, 0.0, 298.15, 1e5, "HP"),
    ("toluene", 0.92, 0.3, 0.0, 800.0, 30e5, "UV"),
    ("ethanol", 0.85, 0.0, 0.0, 298.15, 1e5, "HP"),
    ("ethanol", 0.88, 0.4, 0.0, 700.0, 20e5, "UV"),
    pytest.param(
        *("methanol", 0.8, 0.2, 0.0, 298.15, 1e5, "HP"),
        marks=pytest.mark.xfail(strict=True, reason="O2 4.2 % above CEA, 4 % allowed: the older OH data; T agrees"),
    ),
    ("methanol", 0.9, 0.0, 0.0, 298.15, 1e5, "HP"),
    ("propane", 1.0, 0.1, 0.0, 400.0, 2e5, "HP"),
    ("iso-octane", 0.86, 0.1, 0.03, 310.0, 1e5, "HP"),
    ("ethanol", 1.02, 0.2, 0.02, 650.0, 15e5, "UV"),
]


@pytest.mark.parametrize(("fuel", "lambda_", "nitrous", "water", "T", "P", "hold"), POINTS)
def test_pure_fuel_as_vapour(fuel, lambda_, nitrous, water, T, P, hold):
    moles = {CEA_NAME[fuel]: 1.0, **oxidiser(oxygen_demand(ATOMS[fuel]), lambda_, nitrous, water)}
    mix = Mixture(fuels.get(fuel), lambda_, nitrous, water_fraction=water)
    agree(equilibrate(mix, T, P, hold), run_cea(moles, T, P, hold))


METHANOL = (
    "2.75 K hotter than CEA, 2.5 K allowed: CEA's liquid methanol is 0.5 kJ/mol lower (-238.91; ATcT -238.4) on top of "
    "the older OH data"
)


@pytest.mark.parametrize(
    "fuel",
    [
        pytest.param(f, marks=[pytest.mark.xfail(strict=True, reason=METHANOL)] if f == "methanol" else [])
        for f in CEA_LIQUID
    ],
)
def test_liquid_fuel_in_warm_air(fuel):
    """Liquid at 298.15 K in oxidiser at 400 K: CEA's liquid is assigned at that one temperature."""
    moles = {CEA_LIQUID[fuel]: 1.0, **oxidiser(oxygen_demand(ATOMS[fuel]), 0.87, 0.1)}
    burned = equilibrate(Mixture(fuels.get(fuel), 0.87, 0.1), 400.0, 2e5, "HP", fuel_phase="liquid", fuel_T=298.15)
    agree(burned, run_cea(moles, 400.0, 2e5, "HP", {CEA_LIQUID[fuel]: 298.15}))


@pytest.mark.parametrize("fuel", ["gasoline", "E10", "E85"])
@pytest.mark.parametrize(("T", "P", "hold"), [(298.15, 1e5, "HP"), (700.0, 25e5, "UV")])
def test_sold_fuel_as_vapour(fuel, T, P, hold):
    """The components are the kernel's own; everything after that is CEA's."""
    sold = fuels.get(fuel)
    demand = 2 * sold.carbon + sold.hydrogen / 2 - sold.oxygen
    moles = {**sold.composition, **oxidiser(demand, 0.86, 0.18)}
    agree(equilibrate(Mixture(sold, 0.86, 0.18), T, P, hold), run_cea(moles, T, P, hold))


@pytest.mark.parametrize("lambda_", [0.8, 1.1])
def test_charge_with_residual(lambda_):
    """The unburned charge is the kernel's own here (its laws are in test_laws); its equilibrium is CEA's."""
    mix = Mixture(fuels.get("iso-octane"), lambda_, 0.15, water_fraction=0.02, residual_fraction=0.1)
    agree(equilibrate(mix, 720.0, 22e5, "UV"), run_cea(dict(mix.X), 720.0, 22e5, "UV"))
