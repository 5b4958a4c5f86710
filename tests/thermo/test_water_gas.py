"""Products frozen at a water-gas constant of 3.5, and Brettschneider's lambda as the independent way back.

Brettschneider, J., Bosch Technische Berichte 6 (1979) 177-186 (formula transcribed from a secondary page) assumes the
same constant, K = 3.5, so on such products it must return lambda exactly, whatever the nitrogen.
"""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from own_chemistry import ATOMS, oxygen_demand
from reference import check, rows

from kernel_lib.thermo.mixture import water_gas_products

PRODUCTS = {"CO2", "H2O", "CO", "H2", "O2", "N2", "Ar"}


def brettschneider(CO2, CO, O2, NO, HC, H_to_C, O_to_C, HC_factor, K):
    """Lambda from dry exhaust, any common unit of concentration; hydrocarbons as `HC_factor` carbon atoms each."""
    water = H_to_C / 4 * K / (K + CO / CO2) - O_to_C / 2
    return (CO2 + CO / 2 + O2 + NO / 2 + water * (CO2 + CO)) / (
        (1 + H_to_C / 4 - O_to_C / 2) * (CO2 + CO + HC_factor * HC)
    )


@pytest.mark.parametrize("row", rows("lambda_sensor", quantity="lambda"))
def test_own_brettschneider_is_the_published_one(row):
    """Proves the formula of this file, which the next tests lean on; no kernel code here."""
    gases = [row[f"{g}_dry_percent"] for g in ("CO2", "CO", "O2", "NO", "HC_hexane")]
    check(brettschneider(*gases, row["H_to_C"], row["O_to_C"], row["HC_factor"], row["K"]), row)


def charge(fuel, lambda_, nitrous=0.0):
    """Atoms C, H, O, N, Ar of one mole of fuel with its oxidiser, by hand."""
    f = ATOMS[fuel]
    n = lambda_ * oxygen_demand(f) / ((1 - nitrous) * 2 * 0.2095 + nitrous)
    air = n * (1 - nitrous)
    return (
        f["C"],
        f["H"],
        f.get("O", 0) + 2 * 0.2095 * air + n * nitrous,
        2 * 0.7812 * air + 2 * n * nitrous,
        0.0093 * air,
    )


charges = {
    "fuel": st.sampled_from(sorted(ATOMS)),
    "lambda_": st.floats(0.65, 1.5),
    "nitrous": st.floats(0.0, 1.0),
}


@given(**charges, K=st.floats(1.0, 10.0))
@settings(deadline=None, max_examples=200)
def test_atoms_and_constant(fuel, lambda_, nitrous, K):
    atoms = dict(zip("CHONA", charge(fuel, lambda_, nitrous), strict=True))
    p = water_gas_products(*atoms.values(), K=K)
    assert set(p) == PRODUCTS
    assert all(v >= 0 for v in p.values())
    assert p["CO2"] + p["CO"] == pytest.approx(atoms["C"], rel=1e-9)
    assert 2 * (p["H2O"] + p["H2"]) == pytest.approx(atoms["H"], rel=1e-9)
    assert 2 * p["CO2"] + p["CO"] + p["H2O"] + 2 * p["O2"] == pytest.approx(atoms["O"], rel=1e-9)
    assert 2 * p["N2"] == pytest.approx(atoms["N"], rel=1e-9, abs=1e-12)
    assert p["Ar"] == pytest.approx(atoms["A"], rel=1e-9, abs=1e-12)
    if lambda_ < 0.999:
        assert p["O2"] == pytest.approx(0.0, abs=1e-9)
        assert p["CO"] * p["H2O"] == pytest.approx(K * p["CO2"] * p["H2"], rel=1e-6)
    if lambda_ > 1.001:
        assert p["CO"] == p["H2"] == 0.0
        assert p["O2"] > 0


@given(fuel=charges["fuel"], lambda_=charges["lambda_"])
@settings(deadline=None, max_examples=200)
def test_brettschneider_returns_lambda(fuel, lambda_):
    check_brettschneider(fuel, lambda_, 0.0)


@given(**charges)
@settings(deadline=None, max_examples=100)
def test_brettschneider_returns_lambda_with_nitrous_too(fuel, lambda_, nitrous):
    """Nitrogen does not enter the formula: it counts oxygen per carbon, and so is blind to the oxidiser's kind."""
    check_brettschneider(fuel, lambda_, nitrous)


def check_brettschneider(fuel, lambda_, nitrous):
    f = ATOMS[fuel]
    p = water_gas_products(*charge(fuel, lambda_, nitrous))
    dry = sum(v for k, v in p.items() if k != "H2O")
    found = brettschneider(
        p["CO2"] / dry, p["CO"] / dry, p["O2"] / dry, 0, 0, f["H"] / f["C"], f.get("O", 0) / f["C"], 6, 3.5
    )
    assert found == pytest.approx(lambda_, rel=1e-6)


def test_exactly_stoichiometric_holds_only_burned_gas():
    p = water_gas_products(*charge("iso-octane", 1.0))
    assert p["CO2"] == pytest.approx(8.0)
    assert p["H2O"] == pytest.approx(9.0)
    assert [p["CO"], p["H2"], p["O2"]] == pytest.approx([0, 0, 0], abs=1e-9)


def test_richer_holds_more_carbon_monoxide_and_hydrogen():
    p = [water_gas_products(*charge("iso-octane", x)) for x in (0.7, 0.8, 0.9, 0.99)]
    for rich, leaner in itertools.pairwise(p):
        assert rich["CO"] > leaner["CO"] > 0
        assert rich["H2"] > leaner["H2"] > 0
