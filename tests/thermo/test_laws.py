"""Laws an equilibrium must obey, recomputed here from the mole fractions it hands out.

Enthalpy crosses zero, so its error is judged against cp T of the burned gas: 1e-6 of that is 1e-6 of the temperature.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from own_chemistry import ELEMENTS, atoms_per_kg, state

from kernel_lib.thermo import equilibrium, fuels
from kernel_lib.thermo.equilibrium import equilibrate
from kernel_lib.thermo.mixture import Mixture

R = 8.314462618  # J/(mol K), SI

CASES = [
    # fuel, lambda, nitrous fraction, water fraction, residual fraction, T [K], P [Pa], hold
    ("iso-octane", 1.0, 0.0, 0.0, 0.0, 298.15, 101325.0, "HP"),
    ("iso-octane", 0.7, 0.2, 0.02, 0.05, 330.0, 1e5, "HP"),
    ("gasoline", 0.86, 0.15, 0.01, 0.05, 700.0, 20e5, "UV"),
    ("E85", 0.9, 0.5, 0.0, 0.1, 400.0, 5e5, "HP"),
    ("E10", 1.3, 0.05, 0.03, 0.0, 800.0, 30e5, "UV"),
    ("propane", 1.1, 1.0, 0.0, 0.0, 700.0, 40e5, "UV"),
    ("methanol", 0.8, 1.0, 0.0, 0.2, 300.0, 1e5, "HP"),
    ("toluene", 0.75, 0.3, 0.0, 0.0, 900.0, 60e5, "UV"),
]
cases = pytest.mark.parametrize(
    ("mix", "T", "P", "hold"),
    [
        pytest.param((fuel, lam, x, w, r), T, P, hold, id=f"{fuel}-{lam}-nitrous{x}-water{w}-residual{r}-{T:g}K-{hold}")
        for fuel, lam, x, w, r, T, P, hold in CASES
    ],
)


def mixture(fuel, lambda_, nitrous=0.0, water=0.0, residual=0.0):
    return Mixture(fuels.get(fuel), lambda_, nitrous, water_fraction=water, residual_fraction=residual)


def same_atoms(X, other, rel=1e-9):
    one, two = atoms_per_kg(X), atoms_per_kg(other)
    assert one["C"] > 1
    for element in ELEMENTS:
        assert one[element] == pytest.approx(two[element], rel=rel, abs=1e-12), element


def conserved(mix, burned, T, P, hold):
    """Atoms, and enthalpy or energy and density, with every property from the full gas set of this room."""
    same_atoms(burned.X, mix.X)
    gas = state(T, P, mix.X)
    before = gas.enthalpy_mass if hold == "HP" else gas.int_energy_mass
    density = gas.density
    gas = state(burned.T, burned.P, burned.X)
    after = gas.enthalpy_mass if hold == "HP" else gas.int_energy_mass
    assert abs(after - before) <= 1e-6 * gas.cp_mass * burned.T
    if hold == "HP":
        assert pytest.approx(P, rel=1e-9) == burned.P
    else:
        assert gas.density == pytest.approx(density, rel=1e-6)


@cases
def test_atoms_and_energy_are_conserved(mix, T, P, hold):
    mix = mixture(*mix)
    conserved(mix, equilibrate(mix, T, P, hold), T, P, hold)


@cases
def test_reported_state_is_that_of_its_own_gas(mix, T, P, hold):
    burned = equilibrate(mixture(*mix), T, P, hold)
    gas = state(burned.T, burned.P, burned.X)
    scale = 1e-6 * gas.cp_mass * burned.T
    assert sum(burned.X.values()) == pytest.approx(1.0, rel=1e-9)
    assert min(burned.X.values()) >= 0.0
    assert burned.enthalpy_mass == pytest.approx(gas.enthalpy_mass, abs=scale)
    assert burned.energy_mass == pytest.approx(gas.int_energy_mass, abs=scale)
    assert burned.density == pytest.approx(gas.density, rel=1e-6)
    assert burned.energy_mass == pytest.approx(burned.enthalpy_mass - burned.P / burned.density, abs=scale)


@cases
def test_burned_has_what_unburned_had(mix, T, P, hold):
    mix = mixture(*mix)
    before, burned = equilibrium.unburned(mix, T, P), equilibrate(mix, T, P, hold)
    scale = 1e-6 * state(burned.T, burned.P, burned.X).cp_mass * burned.T
    if hold == "HP":
        assert burned.enthalpy_mass == pytest.approx(before.enthalpy_mass, abs=scale)
    else:
        assert burned.energy_mass == pytest.approx(before.energy_mass, abs=scale)
        assert burned.density == pytest.approx(before.density, rel=1e-6)


@cases
def test_unburned_vapour_is_an_ideal_gas_of_its_mole_fractions(mix, T, P, hold):  # noqa: ARG001
    mix = mixture(*mix)
    fresh, gas = equilibrium.unburned(mix, T, P), state(T, P, mix.X)
    assert fresh.enthalpy_mass == pytest.approx(gas.enthalpy_mass, abs=1e-6 * gas.cp_mass * T)
    assert fresh.energy_mass == pytest.approx(gas.int_energy_mass, abs=1e-6 * gas.cp_mass * T)
    assert fresh.density == pytest.approx(P * mix.molar_mass / (R * T), rel=1e-6)


@cases
def test_no_reaction_is_left_to_run(mix, T, P, hold):
    """Chemical potentials balance over each reaction: the definition of equilibrium, to 1e-4 RT."""
    burned = equilibrate(mixture(*mix), T, P, hold)
    gas = state(burned.T, burned.P, burned.X)
    mu = dict(zip(gas.species_names, gas.chemical_potentials / (1000 * R * burned.T), strict=True))
    for reaction in (
        {"CO": 1, "H2O": 1, "CO2": -1, "H2": -1},
        {"CO": 2, "O2": 1, "CO2": -2},
        {"H2": 2, "O2": 1, "H2O": -2},
        {"N2": 1, "O2": 1, "NO": -2},
        {"H2": 1, "H": -2},
        {"O2": 1, "O": -2},
        {"H2O": 2, "H2": -1, "OH": -2},
    ):
        assert sum(n * mu[s] for s, n in reaction.items()) == pytest.approx(0.0, abs=1e-4), reaction


@pytest.mark.parametrize("fuel", ["iso-octane", "gasoline", "ethanol", "E85", "propane"])
def test_liquid_fuel_costs_its_vaporisation(fuel):
    """Liquid at 298.15 K: what is missing is exactly the fuel's mass fraction times its vaporisation enthalpy."""
    kind, mix = fuels.get(fuel), mixture(fuel, 0.87, 0.1)
    share = 1 / (1 + mix.oxidiser_to_fuel)
    for T in (298.15, 420.0):
        gas = state(T, 1e5, mix.X)
        cold_fuel = dict(kind.composition)
        hot = state(T, 1e5, cold_fuel).enthalpy_mass
        warmth = hot - state(298.15, 1e5, cold_fuel).enthalpy_mass
        gas = state(T, 1e5, mix.X)
        expected = gas.enthalpy_mass - share * (warmth + kind.vaporisation_enthalpy)
        fresh = equilibrium.unburned(mix, T, 1e5, fuel_phase="liquid", fuel_T=298.15)
        assert fresh.enthalpy_mass == pytest.approx(expected, abs=1e-6 * gas.cp_mass * T)
    vapour = equilibrate(mix, 298.15, 1e5, "HP").T
    assert vapour - 1.0 > equilibrate(mix, 298.15, 1e5, "HP", fuel_phase="liquid", fuel_T=298.15).T


def test_warmer_liquid_fuel_carries_more():
    mix = mixture("iso-octane", 0.87)
    h = [
        equilibrium.unburned(mix, 300.0, 1e5, fuel_phase="liquid", fuel_T=T).enthalpy_mass
        for T in (280.0, 298.15, 320.0)
    ]
    assert h[0] < h[1] < h[2]


def test_liquid_fuel_burns_with_its_enthalpy_conserved():
    mix = mixture("E85", 0.9, 0.2)
    before = equilibrium.unburned(mix, 350.0, 1e5, fuel_phase="liquid", fuel_T=298.15)
    burned = equilibrate(mix, 350.0, 1e5, "HP", fuel_phase="liquid", fuel_T=298.15)
    gas = state(burned.T, burned.P, burned.X)
    same_atoms(burned.X, mix.X)
    assert gas.enthalpy_mass == pytest.approx(before.enthalpy_mass, abs=1e-6 * gas.cp_mass * burned.T)


def test_residual_and_water_cool_the_flame():
    for hold, T, P in (("HP", 300.0, 1e5), ("UV", 700.0, 20e5)):
        by_residual = [equilibrate(mixture("gasoline", 0.9, 0.1, residual=r), T, P, hold).T for r in (0, 0.05, 0.2)]
        by_water = [equilibrate(mixture("gasoline", 0.9, 0.1, water=w), T, P, hold).T for w in (0, 0.02, 0.05)]
        assert by_residual[0] > by_residual[1] > by_residual[2]
        assert by_water[0] > by_water[1] > by_water[2]


@pytest.mark.parametrize("lambda_", [0.8, 0.9, 1.0, 1.1])
def test_nitrous_heats_the_flame(lambda_):
    T = [equilibrate(mixture("iso-octane", lambda_, x), 300.0, 1e5, "HP").T for x in (0.0, 0.1, 0.3, 0.6, 1.0)]
    assert sorted(T) == T
    assert T[-1] > T[0] + 500


def test_a_flame_is_hottest_near_stoichiometric():
    """Between lambda 0.85 and 1.02 on air: dissociation and heat capacity move the top to the rich side."""
    lambdas = [0.7 + 0.02 * i for i in range(31)]
    T = [equilibrate(mixture("iso-octane", x), 298.15, 101325.0, "HP").T for x in lambdas]
    assert 0.85 < lambdas[T.index(max(T))] < 1.02


def test_pressure_holds_dissociation_down():
    T = [equilibrate(mixture("iso-octane", 1.0), 298.15, P, "HP").T for P in (1e5, 10e5, 100e5)]
    assert T[0] < T[1] < T[2]


@given(
    fuel=st.sampled_from(["iso-octane", "gasoline", "E10", "E85", "ethanol", "methanol", "toluene", "propane"]),
    lambda_=st.floats(0.65, 1.4),
    nitrous=st.floats(0.0, 1.0),
    water=st.floats(0.0, 0.05),
    residual=st.floats(0.0, 0.3),
    T=st.floats(260.0, 950.0),
    P=st.floats(0.3e5, 80e5),
    hold=st.sampled_from(["HP", "UV"]),
)
@settings(deadline=None, max_examples=60)
def test_conservation_anywhere(fuel, lambda_, nitrous, water, residual, T, P, hold):
    mix = mixture(fuel, lambda_, nitrous, water, residual)
    conserved(mix, equilibrate(mix, T, P, hold), T, P, hold)
