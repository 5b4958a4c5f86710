"""Equilibrium against NASA CEA: stored rows of package cea 3.3.4, and NASA RP-1311 Examples 3 and 4.

Tolerances are those of the reference rows: 2.5 K and 0.3 % in pressure, CO and H2 1.5 %, H2O 1 %, CO2 0.3 %, O2 4 %,
NO 2.5 %, never less than 2e-5 in mole fraction (the set that ships with Cantera has older OH data than CEA).
"""

from functools import cache

import numpy as np
import pytest
from own_chemistry import ATOMS, DRY_AIR, molar_mass, oxygen_demand
from reference import check, rows
from scipy.optimize import brentq

from kernel_lib.thermo import equilibrium, fuels
from kernel_lib.thermo.equilibrium import equilibrate
from kernel_lib.thermo.mixture import Mixture


@cache
def burn(fuel, lambda_, nitrous_fraction, T, P, hold):
    return equilibrate(Mixture(fuels.get(fuel), lambda_, nitrous_fraction), T, P, hold)


def name(row):
    return f"{row['hold']}-lambda{row['lambda']}-nitrous{row['nitrous_fraction']}-{row['quantity']}"


GRID = rows("equilibrium", set="cea_grid")


@pytest.mark.parametrize("row", GRID, ids=name)
def test_stored_cea_row(row):
    burned = burn(row["fuel"], row["lambda"], row["nitrous_fraction"], row["T0_K"], row["P0_Pa"], row["hold"])
    quantity = row["quantity"]
    if quantity in ("T_ad", "T_UV"):
        check(burned.T, row)
    elif quantity == "P_UV":
        check(burned.P / 1e5, row)
    else:
        check(burned.X[quantity.removeprefix("x_")], row)


def test_stored_rows_span_what_they_claim():
    for hold, lambdas in (("HP", {0.7, 0.8, 0.9, 1.0, 1.1}), ("UV", {0.8, 0.9, 1.0})):
        of_hold = [r for r in GRID if r["hold"] == hold]
        assert {r["lambda"] for r in of_hold} == lambdas
        assert {0.0, 0.05, 0.1, 0.2, 1.0} <= {r["nitrous_fraction"] for r in of_hold}


@pytest.mark.parametrize("row", rows("equilibrium", set="turns_b1"), ids=lambda r: r["fuel"])
def test_turns_table_b1(row):
    """Turns' air is O2 + 3.76 N2, ours O2 + 3.729 N2 + 0.044 Ar; 8 K is the row's own tolerance."""
    check(burn(row["fuel"], row["lambda"], row["nitrous_fraction"], row["T0_K"], row["P0_Pa"], "HP").T, row)


def _with_nitrous(quantity):
    # The methane rows stay in the file; methane is not one of the project's fuels.
    return [r for r in rows("equilibrium", set="fuel_with_nitrous", quantity=quantity) if r["fuel"] in ATOMS]


@pytest.mark.parametrize("row", _with_nitrous("T_ad"), ids=lambda r: r["fuel"])
def test_fuel_with_nitrous_alone(row):
    check(burn(row["fuel"], row["lambda"], 1.0, row["T0_K"], row["P0_Pa"], "HP").T, row)


@pytest.mark.parametrize(
    ("hottest", "where"), list(zip(_with_nitrous("T_ad_max"), _with_nitrous("phi_of_T_ad_max"), strict=True))
)
def test_hottest_flame_of_fuel_with_nitrous_alone(hottest, where):
    phi = np.arange(1.0, 1.4001, 0.01)
    T = [burn(hottest["fuel"], 1 / p, 1.0, hottest["T0_K"], hottest["P0_Pa"], "HP").T for p in phi]
    check(max(T), hottest)
    check(phi[int(np.argmax(T))], where)


# --- NASA RP-1311, Examples 3 and 4: 0.4 kg toluene(L) + 0.6 kg n-octane(L), air-to-fuel mass ratio 17 --------------
# CEA's "Air" holds 0.03 % CO2; the project's dry air holds none. At lambda 1.17 that is 0.25 % of the CO2 row, well
# inside its 3 %, and some tenths of a kelvin.


@cache
def rp1311_fuel():
    return fuels.blend({"toluene": 0.4, "n-octane": 0.6}, by="mass", name="RP-1311 Example 3")


def rp1311_mixture(oxidiser_to_fuel, residual_fraction=0.0):
    share = {"toluene": 0.4, "n-octane": 0.6}
    demand = sum(w / molar_mass(ATOMS[f]) * oxygen_demand(ATOMS[f]) for f, w in share.items())  # mol O per kg fuel
    air_mass = sum(x * molar_mass({"O2": {"O": 2}, "N2": {"N": 2}, "Ar": {"Ar": 1}}[s]) for s, x in DRY_AIR.items())
    supply = oxidiser_to_fuel * 2 * DRY_AIR["O2"] / air_mass  # mol O per kg fuel
    assert supply / demand == pytest.approx(1.174, abs=1e-3)
    mix = Mixture(rp1311_fuel(), supply / demand, residual_fraction=residual_fraction)
    assert mix.air_to_fuel == pytest.approx(oxidiser_to_fuel, rel=1e-4)
    return mix


@cache
def example_3(P):
    return equilibrate(rp1311_mixture(17.0), 700.0, P, "HP", fuel_phase="liquid", fuel_T=298.15)


OLD_OH = "the NASA set shipped with Cantera has OH data older than CEA's: 9 % less OH, 3 % allowed"


@pytest.mark.parametrize(
    "row",
    [
        pytest.param(
            row,
            id=f"{row['P0_Pa'] / 1e5:g}bar-{row['quantity']}",
            marks=[pytest.mark.xfail(strict=True, reason=OLD_OH)] if row["quantity"] == "x_OH" else [],
        )
        for row in rows("equilibrium", set="rp1311_example_3")
    ],
)
def test_rp1311_example_3(row):
    burned = example_3(row["P0_Pa"])
    check(burned.T if row["quantity"] == "T_ad" else burned.X[row["quantity"].removeprefix("x_")], row)


@pytest.mark.parametrize("row", rows("equilibrium", set="rp1311_example_4"), ids=["T_UV"])
def test_rp1311_example_4(row):
    """The example gives energy and density, colder than any fresh charge can be.

    Burned gas kept from the cycle before leaves the atoms as they are and lowers the energy: a start is sought
    that has the example's energy at the example's density.
    """
    mix, energy, density = rp1311_mixture(17.0, 0.3), row["u_over_R_kmol_K_kg"] * 8314.51, row["density_kg_m3"]

    def pressure(T):
        return density * 8.314462618 * T / mix.molar_mass

    def excess(T):
        return equilibrium.unburned(mix, T, pressure(T)).energy_mass - energy

    T0 = brentq(excess, 300.0, 1000.0, xtol=1e-8)
    assert equilibrium.unburned(mix, T0, pressure(T0)).density == pytest.approx(density, rel=1e-6)
    check(equilibrate(mix, T0, pressure(T0), "UV").T, row)
