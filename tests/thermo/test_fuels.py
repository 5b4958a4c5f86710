"""Fuels: atom balances by hand, formation enthalpies from package chemicals, Heywood's and CRC's tables."""

import chemicals
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from own_chemistry import AIR_MASS, ATOMS, N2O_MASS, atoms, full_gas, molar_mass, oxygen_demand
from reference import check, rows

from kernel_lib.thermo import equilibrium, fuels
from kernel_lib.thermo.mixture import Mixture

REQUIRED = {
    "iso-octane", "n-heptane", "n-octane", "toluene", "ethanol", "methanol", "propane", "gasoline", "E10", "E85",
}  # fmt: skip
CAS = {
    "iso-octane": "540-84-1",
    "n-heptane": "142-82-5",
    "n-octane": "111-65-9",
    "toluene": "108-88-3",
    "ethanol": "64-17-5",
    "methanol": "67-56-1",
    "propane": "74-98-6",
}
JANAF_CO2, JANAF_H2O = -393.522e3, -241.826e3  # J/mol, gas, 298.15 K; rows of thermochemistry.csv, held below
every_fuel = pytest.mark.parametrize("name", sorted(REQUIRED))
pure_fuel = pytest.mark.parametrize("name", sorted(CAS))


def test_all_promised_fuels_are_there():
    assert set(fuels.names()) >= REQUIRED
    assert [fuels.get(name).name for name in fuels.names()] == list(fuels.names())


@pure_fuel
def test_formula(name):
    fuel, formula = fuels.get(name), ATOMS[name]
    assert (fuel.carbon, fuel.hydrogen, fuel.oxygen) == pytest.approx(
        (formula["C"], formula["H"], formula.get("O", 0)), abs=1e-12
    )


@every_fuel
def test_composition_is_consistent(name):
    fuel = fuels.get(name)
    assert sum(fuel.composition.values()) == pytest.approx(1.0, abs=1e-9)
    assert set(fuel.composition) <= set(full_gas().species_names)
    n = atoms(fuel.composition)
    assert (fuel.carbon, fuel.hydrogen, fuel.oxygen) == pytest.approx((n["C"], n["H"], n["O"]), rel=1e-9, abs=1e-12)
    # 1e-4: atomic masses differ between editions of the standard table
    assert fuel.molar_mass == pytest.approx(molar_mass(n), rel=1e-4)


@every_fuel
def test_stoichiometric_ratios_by_own_atom_balance(name):
    fuel = fuels.get(name)
    n = atoms(fuel.composition)
    oxygen_per_kg = oxygen_demand(n) / molar_mass(n)
    assert fuel.afr_stoich == pytest.approx(oxygen_per_kg * AIR_MASS / (2 * 0.2095), rel=2e-4)
    assert fuel.nitrous_stoich == pytest.approx(oxygen_per_kg * N2O_MASS, rel=2e-4)


def of(quantity, **where):
    return [r for r in rows("thermochemistry", quantity=quantity, **where) if r["substance"] in REQUIRED]


def label(row):
    return f"{row['substance']}-{row['value']}-{row['source'][:12]}"


def marked(row, doubts):
    """A row, as strict xfail where the test's table of doubts holds a reason against it."""
    why = next(
        (reason for (name, source), reason in doubts.items() if row["substance"] == name and source in row["source"]),
        None,
    )
    return pytest.param(row, id=label(row), marks=[pytest.mark.xfail(strict=True, reason=why)] if why else [])


@pytest.mark.parametrize("row", of("molar_mass"), ids=label)
def test_molar_mass(row):
    check(fuels.get(row["substance"]).molar_mass * 1e3, row)


@pytest.mark.parametrize("row", of("afr_stoich"), ids=label)
def test_published_air_ratio(row):
    check(fuels.get(row["substance"]).afr_stoich, row)


@pytest.mark.parametrize("row", of("nitrous_stoich"), ids=label)
def test_published_nitrous_ratio(row):
    check(fuels.get(row["substance"]).nitrous_stoich, row)


@pytest.mark.parametrize("name", ["gasoline", "E10", "E85"])
def test_air_ratio_in_the_quoted_range(name):
    (low,), (high,) = (rows("thermochemistry", quantity=f"afr_stoich_{end}", substance=name) for end in ("low", "high"))
    assert low["value"] <= fuels.get(name).afr_stoich <= high["value"]


# --- Heat -----------------------------------------------------------------------------------------------------------
GAS_DOUBTS = {("methanol", "WEBBOOK"): "the reference row itself says so: WEBBOOK's -205.0 is an outlier"}


@pytest.mark.parametrize("row", [marked(r, GAS_DOUBTS) for r in of("formation_enthalpy", phase="gas")])
def test_formation_enthalpy_of_the_vapour(row):
    check(fuels.get(row["substance"]).formation_enthalpy * 1e-3, row)


LIQUID_DOUBTS = {
    ("ethanol", "WEBBOOK"): "WEBBOOK's -276.0 is 1.0 above ATcT (-277.03) and 1.6 above CRC (-277.6): an outlier",
    ("propane", "CRC"): "CRC's own gas and liquid values make 388 kJ/kg, the equation of state 336 at 298.15 K",
}


@pytest.mark.parametrize("row", [marked(r, LIQUID_DOUBTS) for r in of("formation_enthalpy", phase="liquid")])
def test_formation_enthalpy_of_the_liquid(row):
    fuel = fuels.get(row["substance"])
    check((fuel.formation_enthalpy - fuel.vaporisation_enthalpy * fuel.molar_mass) * 1e-3, row)


def test_stored_formation_enthalpies_are_those_of_package_chemicals():
    """Keeps the table honest: the rows are read again from the package, no kernel code here."""
    for row in of("formation_enthalpy"):
        method = row["source"].rsplit("method=", 1)[1]
        ask = chemicals.Hfg if row["phase"] == "gas" else chemicals.Hfl
        assert ask(CAS[row["substance"]], method=method) * 1e-3 == pytest.approx(row["value"], abs=6e-4)


@pytest.mark.parametrize("method", ["ATCT_G", "CRC", "API_TDB_G", "YAWS"])
@pure_fuel
def test_formation_enthalpy_against_chemicals(name, method):
    """1 kJ/mol, the tolerance of the stored rows; covers n-octane, which has none."""
    assert fuels.get(name).formation_enthalpy == pytest.approx(chemicals.Hfg(CAS[name], method=method), abs=1e3)


@pytest.mark.parametrize("method", ["ATCT_L", "CRC", "WEBBOOK"])
def test_liquid_octane_against_chemicals(method):
    fuel = fuels.get("n-octane")
    liquid = fuel.formation_enthalpy - fuel.vaporisation_enthalpy * fuel.molar_mass
    assert liquid == pytest.approx(chemicals.Hfl(CAS["n-octane"], method=method), abs=1e3)


NITROUS_DOUBTS = {
    ("N2O", "ATCT_G"): "the NASA set has 81.60 (CRC's value); ATcT is 0.97 above it, JANAF and WEBBOOK within 0.6",
}


@pytest.mark.parametrize(
    "row",
    [marked(r, NITROUS_DOUBTS) for r in rows("thermochemistry", quantity="formation_enthalpy", substance="N2O")],
)
def test_nitrous_brings_its_heat_of_formation(row):
    """Read out of the enthalpy of a mixture of fuel vapour and N2O at 298.15 K."""
    mix = Mixture(fuels.get("iso-octane"), 1.0, 1.0)
    per_mole = equilibrium.unburned(mix, 298.15, 101325.0).enthalpy_mass * mix.molar_mass
    fuel_share = fuels.get("iso-octane").formation_enthalpy * mix.X["C8H18,isooctane"]
    check((per_mole - fuel_share) / mix.X["N2O"] * 1e-3, row)


def lower_heat(fuel):
    """J/kg, from the fuel's own formation enthalpy to CO2 and water vapour of JANAF."""
    stored = fuel.formation_enthalpy - (0.0 if fuel.name == "propane" else fuel.vaporisation_enthalpy * fuel.molar_mass)
    return (stored - fuel.carbon * JANAF_CO2 - fuel.hydrogen / 2 * JANAF_H2O) / fuel.molar_mass


def test_janaf_values_are_the_stored_rows():
    for substance, value in (("CO2", JANAF_CO2), ("H2O", JANAF_H2O)):
        (row,) = [
            r
            for r in rows("thermochemistry", quantity="formation_enthalpy", substance=substance, phase="gas")
            if "JANAF" in r["source"]
        ]
        assert row["value"] * 1e3 == value


@every_fuel
def test_lower_heating_value_is_hess_law(name):
    """1e-3: formation enthalpies of CO2 and H2O differ by up to 0.05 kJ/mol between JANAF, ATcT and CRC."""
    fuel = fuels.get(name)
    assert fuel.lhv == pytest.approx(lower_heat(fuel), rel=1e-3)


LHV_DOUBTS = {
    ("gasoline", "Heywood"): "Heywood's gasoline (CH1.875, 44.0 MJ/kg) is not the surrogate (43.1); both lie in "
    "the handbook range 42.5-44.0, which has its own test",
}


@pytest.mark.parametrize("row", [marked(r, LHV_DOUBTS) for r in of("lhv")])
def test_published_lower_heating_value(row):
    check(fuels.get(row["substance"]).lhv * 1e-6, row)


def test_gasoline_heat_in_the_handbook_range():
    (low,), (high,) = (rows("thermochemistry", quantity=f"lhv_{end}", substance="gasoline") for end in ("low", "high"))
    assert low["value"] <= fuels.get("gasoline").lhv * 1e-6 <= high["value"]


VAPORISATION_DOUBTS = {
    ("propane", "Heywood"): "Heywood's 426 kJ/kg is at the normal boiling point (231 K); at 298.15 K it is lower",
}


@pytest.mark.parametrize("row", [marked(r, VAPORISATION_DOUBTS) for r in of("vaporisation_enthalpy")])
def test_published_vaporisation_enthalpy(row):
    check(fuels.get(row["substance"]).vaporisation_enthalpy * 1e-3, row)


def test_vaporisation_enthalpy_of_octane_and_propane():
    """chemicals: formation enthalpies gas minus liquid of the same collection, each known to 1 kJ/mol."""
    for name, method in (("n-octane", "CRC"), ("n-octane", "WEBBOOK"), ("propane", "WEBBOOK")):
        gas, liquid = (f(CAS[name], method=method) for f in (chemicals.Hfg, chemicals.Hfl))
        fuel = fuels.get(name)
        assert fuel.vaporisation_enthalpy * fuel.molar_mass == pytest.approx(gas - liquid, abs=1e3)


# --- Sold fuels -----------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("row", of("ethanol_mass_fraction"), ids=label)
def test_ethanol_by_mass(row):
    fuel = fuels.get(row["substance"])
    check(fuel.composition["C2H5OH"] * molar_mass(ATOMS["ethanol"]) / fuel.molar_mass, row)


@pytest.mark.parametrize(("name", "share"), [("E10", 0.10), ("E85", 0.85)])
def test_ethanol_share_is_by_volume(name, share):
    gasoline, ethanol, fuel = fuels.get("gasoline"), fuels.get("ethanol"), fuels.get(name)
    by_mass = share * ethanol.density / (share * ethanol.density + (1 - share) * gasoline.density)
    assert fuel.composition["C2H5OH"] * ethanol.molar_mass / fuel.molar_mass == pytest.approx(by_mass, rel=5e-3)
    assert gasoline.density < fuel.density < ethanol.density


def test_gasoline_is_like_sold_gasoline():
    """H/C 1.8-1.95 (thermochemistry.csv); 720-775 kg/m3 and RON 90-100, EN 228 and common practice, from memory."""
    gasoline = fuels.get("gasoline")
    assert 1.8 <= gasoline.hydrogen / gasoline.carbon <= 1.95
    assert 720 <= gasoline.density <= 775
    assert 90 <= gasoline.ron <= 100
    assert 80 <= gasoline.mon < gasoline.ron


def test_octane_scale_by_definition():
    """ASTM D2699 and D2700: iso-octane is 100 and n-heptane 0 on both scales."""
    assert [fuels.get("iso-octane").ron, fuels.get("iso-octane").mon] == [100, 100]
    assert [fuels.get("n-heptane").ron, fuels.get("n-heptane").mon] == [0, 0]


@pytest.mark.parametrize(
    ("name", "density"),
    # kg/m3 of the liquid near 20 C, CRC Handbook, from memory; 1 % holds 15 to 25 C
    [("iso-octane", 692), ("n-heptane", 684), ("n-octane", 703), ("toluene", 867), ("ethanol", 789), ("methanol", 792)],
)
def test_liquid_density(name, density):
    assert fuels.get(name).density == pytest.approx(density, rel=0.01)


# --- Blends ---------------------------------------------------------------------------------------------------------
LIQUIDS = ["iso-octane", "n-heptane", "n-octane", "toluene", "ethanol", "methanol"]
shares = st.lists(st.floats(0.01, 1.0), min_size=2, max_size=4)


def recipe(weights):
    return {name: w / sum(weights) for name, w in zip(LIQUIDS[-len(weights) :], weights, strict=True)}


@given(weights=shares)
@settings(deadline=None)
def test_blend_by_mass_keeps_atoms_mass_and_heat(weights):
    """Per kilogram everything that is counted adds up: atoms, air, nitrous, heat, heat of vaporisation."""
    parts = recipe(weights)
    mixed = fuels.blend(parts, by="mass", name="test")
    assert mixed.name == "test"

    def mean(what):
        return sum(w * what(fuels.get(name)) for name, w in parts.items())

    for element in ("carbon", "hydrogen", "oxygen"):
        assert getattr(mixed, element) / mixed.molar_mass == pytest.approx(
            mean(lambda f, e=element: getattr(f, e) / f.molar_mass), rel=1e-9, abs=1e-12
        )
    for quantity in ("afr_stoich", "nitrous_stoich", "lhv", "vaporisation_enthalpy"):
        assert getattr(mixed, quantity) == pytest.approx(mean(lambda f, q=quantity: getattr(f, q)), rel=1e-9)
    assert mixed.molar_mass == pytest.approx(1 / mean(lambda f: 1 / f.molar_mass), rel=1e-9)
    assert sum(mixed.composition.values()) == pytest.approx(1.0, abs=1e-9)


@given(weights=shares)
@settings(deadline=None)
def test_the_same_blend_by_mole_mass_and_volume(weights):
    """Volumes are taken to add up (ideal mixing, common practice)."""
    by_mole = recipe(weights)
    moles = fuels.blend(by_mole, by="mole", name="a")
    mass = {name: x * fuels.get(name).molar_mass for name, x in by_mole.items()}
    volume = {name: m / fuels.get(name).density for name, m in mass.items()}
    masses = fuels.blend({n: m / sum(mass.values()) for n, m in mass.items()}, by="mass", name="b")
    volumes = fuels.blend({n: v / sum(volume.values()) for n, v in volume.items()}, by="volume", name="c")
    for other in (masses, volumes):
        assert set(other.composition) == set(moles.composition)
        for species, x in moles.composition.items():
            assert other.composition[species] == pytest.approx(x, rel=1e-9)
        assert other.density == pytest.approx(sum(mass.values()) / sum(volume.values()), rel=1e-9)


def test_blend_takes_the_measured_values_it_is_given():
    own = fuels.blend({"iso-octane": 0.9, "n-heptane": 0.1}, by="volume", name="PRF 90", density=690.0, ron=90, mon=90)
    assert (own.density, own.ron, own.mon) == (690.0, 90, 90)


def test_blend_of_one_is_that_one():
    alone, ethanol = fuels.blend({"ethanol": 1.0}, by="volume", name="ethanol again"), fuels.get("ethanol")
    for quantity in (
        "carbon",
        "hydrogen",
        "oxygen",
        "molar_mass",
        "afr_stoich",
        "nitrous_stoich",
        "lhv",
        "density",
        "vaporisation_enthalpy",
        "formation_enthalpy",
    ):
        assert getattr(alone, quantity) == pytest.approx(getattr(ethanol, quantity), rel=1e-12)
