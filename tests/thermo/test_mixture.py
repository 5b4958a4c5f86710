"""What is in the charge, counted by hand.

Definitions under test: lambda is the oxidisers' O atoms over the fuel's net demand, water and residual excluded;
nitrous_fraction is per mole of dry air + N2O; water_fraction per mole of dry air + N2O + water; residual_fraction
by mass of the whole charge.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from own_chemistry import AIR_MASS, ATOMS, DRY_AIR, ELEMENTS, N2O_MASS, atoms, atoms_per_kg, molar_mass, oxygen_demand

from kernel_lib.thermo import fuels
from kernel_lib.thermo.mixture import Mixture

WATER_MASS = molar_mass({"H": 2, "O": 1})

charges = {
    "fuel": st.sampled_from(sorted(fuels.names())),
    "lambda_": st.floats(0.6, 1.5),
    "nitrous": st.floats(0.0, 1.0),
}


@pytest.mark.parametrize("fuel", sorted(ATOMS))
@pytest.mark.parametrize(
    ("lambda_", "x", "w"), [(1.0, 0, 0), (0.86, 0.15, 0), (0.9, 0.3, 0.02), (1.2, 1.0, 0), (0.8, 1.0, 0.05)]
)
def test_mole_fractions_by_hand(fuel, lambda_, x, w):
    """Per mole of fuel: n moles of oxidiser, w of them water, the rest air and N2O."""
    formula = ATOMS[fuel]
    n = lambda_ * oxygen_demand(formula) / ((1 - w) * ((1 - x) * 2 * DRY_AIR["O2"] + x))
    air, nitrous, water = n * (1 - w) * (1 - x), n * (1 - w) * x, n * w
    mix = Mixture(fuels.get(fuel), lambda_, x, water_fraction=w)
    (component,) = fuels.get(fuel).composition
    expected = {component: 1.0, "N2O": nitrous, "H2O": water} | {s: share * air for s, share in DRY_AIR.items()}
    total = 1.0 + n
    for species, moles in expected.items():
        assert mix.X.get(species, 0.0) == pytest.approx(moles / total, rel=1e-9, abs=1e-15), species
    assert sum(mix.X.values()) == pytest.approx(1.0, rel=1e-12)
    fuel_mass = molar_mass(formula)
    # 1e-4: atomic masses differ between editions of the standard table
    assert mix.air_to_fuel == pytest.approx(air * AIR_MASS / fuel_mass, rel=1e-4, abs=1e-12)
    assert mix.nitrous_to_fuel == pytest.approx(nitrous * N2O_MASS / fuel_mass, rel=1e-4, abs=1e-12)
    assert mix.oxidiser_to_fuel == pytest.approx(
        (air * AIR_MASS + nitrous * N2O_MASS + water * WATER_MASS) / fuel_mass, rel=1e-4
    )
    assert mix.molar_mass == pytest.approx(
        (fuel_mass + air * AIR_MASS + nitrous * N2O_MASS + water * WATER_MASS) / total, rel=1e-4
    )


@given(**charges, water=st.floats(0.0, 0.1))
@settings(deadline=None, max_examples=150)
def test_lambda_comes_back_by_counting_atoms(fuel, lambda_, nitrous, water):
    kind = fuels.get(fuel)
    mix = Mixture(kind, lambda_, nitrous, water_fraction=water)
    demand = supply = 0.0
    for species, x in mix.X.items():
        n = atoms({species: x})
        if species in kind.composition:
            demand += 2 * n["C"] + n["H"] / 2 - n["O"]
        elif species in ("O2", "N2O"):
            supply += n["O"]
    assert supply / demand == pytest.approx(lambda_, rel=1e-9)


@given(**charges, water=st.floats(0.0, 0.1), residual=st.floats(0.001, 0.3))
@settings(deadline=None, max_examples=150)
def test_residual_leaves_the_atoms_as_they_are(fuel, lambda_, nitrous, water, residual):
    """Burned gas of the same mixture has the mixture's atoms, so any amount of it changes none of them."""
    kind = fuels.get(fuel)
    fresh = Mixture(kind, lambda_, nitrous, water_fraction=water)
    mixed = Mixture(kind, lambda_, nitrous, water_fraction=water, residual_fraction=residual)
    one, two = atoms_per_kg(fresh.X), atoms_per_kg(mixed.X)
    for element in ELEMENTS:
        assert two[element] == pytest.approx(one[element], rel=1e-9, abs=1e-12), element


@given(**charges, residual=st.floats(0.001, 0.3))
@settings(deadline=None, max_examples=100)
def test_residual_by_mass(fuel, lambda_, nitrous, residual):
    """Fuel and N2O are in the fresh part alone: their mass fractions shrink by 1 - residual."""
    kind = fuels.get(fuel)
    fresh = Mixture(kind, lambda_, nitrous)
    mixed = Mixture(kind, lambda_, nitrous, residual_fraction=residual)
    for species in (*kind.composition, "N2O"):
        per_kg = fresh.X.get(species, 0.0) / fresh.molar_mass
        assert mixed.X.get(species, 0.0) / mixed.molar_mass == pytest.approx(
            (1 - residual) * per_kg, rel=1e-9, abs=1e-15
        )
    assert (mixed.oxygen_share, mixed.air_to_fuel, mixed.nitrous_to_fuel) == pytest.approx(
        (fresh.oxygen_share, fresh.air_to_fuel, fresh.nitrous_to_fuel), rel=1e-9, abs=1e-15
    )


@pytest.mark.parametrize("lambda_", [0.7, 0.85, 0.95])
def test_rich_residual_is_frozen_at_the_water_gas_constant(lambda_):
    X = Mixture(fuels.get("gasoline"), lambda_, 0.2, residual_fraction=0.1).X
    assert X["CO"] * X["H2O"] == pytest.approx(3.5 * X["CO2"] * X["H2"], rel=1e-6)


def test_nitrous_alone_has_no_air():
    X = Mixture(fuels.get("iso-octane"), 0.9, 1.0).X
    assert {s for s, x in X.items() if x > 0} == {"C8H18,isooctane", "N2O"}
    mix = Mixture(fuels.get("iso-octane"), 1.0, 1.0)
    assert mix.air_to_fuel == 0.0
    assert mix.nitrous_to_fuel == pytest.approx(fuels.get("iso-octane").nitrous_stoich, rel=1e-12)


def test_air_alone_has_no_nitrous():
    mix = Mixture(fuels.get("iso-octane"), 1.0)
    assert mix.X.get("N2O", 0.0) == 0.0
    assert mix.nitrous_to_fuel == 0.0
    assert mix.air_to_fuel == pytest.approx(fuels.get("iso-octane").afr_stoich, rel=1e-12)


@given(x=st.floats(0.0, 1.0))
def test_oxygen_share(x):
    """(xO2 + x/2)/(1 + x/2) of the oxidiser: 0.2095 for air, 1/3 for N2O alone."""
    share = Mixture(fuels.get("gasoline"), 0.9, x).oxygen_share
    assert share == pytest.approx((0.2095 * (1 - x) + x / 2) / (1 + x / 2), rel=1e-12)
    assert Mixture(fuels.get("gasoline"), 0.9, 0.0).oxygen_share == pytest.approx(0.2095, rel=1e-12)
    assert Mixture(fuels.get("gasoline"), 0.9, 1.0).oxygen_share == pytest.approx(1 / 3, rel=1e-12)


@given(fuel=charges["fuel"], lambda_=charges["lambda_"], a=st.floats(0.0, 1.0), b=st.floats(0.0, 1.0))
def test_more_nitrous_is_more_oxygen_and_less_air(fuel, lambda_, a, b):
    low, high = sorted((a, b))
    if high - low < 1e-6:
        return
    one, two = (Mixture(fuels.get(fuel), lambda_, x) for x in (low, high))
    assert two.oxygen_share > one.oxygen_share
    assert two.nitrous_to_fuel > one.nitrous_to_fuel
    assert two.air_to_fuel < one.air_to_fuel
    assert two.oxidiser_to_fuel < one.oxidiser_to_fuel  # N2O is 36 % oxygen, air 23 %


@given(**charges, factor=st.floats(1.01, 1.5))
def test_oxidiser_goes_with_lambda(fuel, lambda_, nitrous, factor):
    one, two = (Mixture(fuels.get(fuel), k * lambda_, nitrous) for k in (1.0, factor))
    assert two.oxidiser_to_fuel == pytest.approx(factor * one.oxidiser_to_fuel, rel=1e-9)
