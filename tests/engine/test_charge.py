"""The fresh charge: balances of moles, heat and entropy, recomputed here from CoolProp and the NASA polynomials."""

import math

import cantera as ct
import CoolProp.CoolProp as cp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.charge import (
    flow_for_fraction,
    fresh_charge,
    mixture,
    opening_temperature,
    spark_state,
)
from kernel_lib.engine.cylinder import cylinder_volume
from kernel_lib.engine.setup import Setup

SETUP = Setup.of(BuildSheet.demo("wren_five"))
R = 8.314462618
M_N2O = 44.0128e-3
NASA = {s.name: s for s in ct.Species.list_from_file("nasa_gas.yaml")}
AIR = {"O2": 0.2095, "N2": 0.7812, "Ar": 0.0093}

flows = st.floats(0.002, 0.05)
speeds = st.floats(2500.0, 6400.0)
shares = st.floats(0.0, 1.0)
quick = settings(deadline=None, max_examples=30)


def air_enthalpy(T):
    """Moist air of the setup [J/mol]."""
    dry = sum(x * NASA[name].thermo.h(T) / 1000 for name, x in AIR.items())
    return (1 - SETUP.air_water) * dry + SETUP.air_water * NASA["H2O"].thermo.h(T) / 1000


def vapour_enthalpy(T, P):
    state = cp.AbstractState("HEOS", "NitrousOxide")
    state.specify_phase(cp.iphase_gas)
    state.update(cp.PT_INPUTS, P, T)
    return state.hmass()


def moist(charge):
    return charge.dry_air + charge.water


@given(rpm=speeds, wall=shares, power=shares)
@quick
def test_no_nitrous_is_plain_air(rpm, wall, power):
    charge = fresh_charge(SETUP, rpm, 0.0, wall_share=wall, exponent=power)
    assert pytest.approx(SETUP.T_air, abs=1e-6) == charge.T
    assert charge.nitrous == 0
    assert charge.nitrous_fraction == 0
    assert charge.evaporated == 1
    assert charge.oxygen_share == pytest.approx(0.2095, rel=1e-12)
    assert moist(charge) == pytest.approx(SETUP.air_moles(rpm), rel=1e-9)
    assert charge.water / moist(charge) == pytest.approx(SETUP.air_water, rel=1e-12)


@given(flow=flows, rpm=speeds, wall=shares, power=shares)
@quick
def test_moles_balance(flow, rpm, wall, power):
    charge = fresh_charge(SETUP, rpm, flow, wall_share=wall, exponent=power)
    drawn = moist(charge) + charge.nitrous
    assert drawn == pytest.approx(SETUP.air_moles(rpm) * (SETUP.T_air / charge.T) ** power, rel=1e-9)
    assert charge.nitrous == pytest.approx(flow / (rpm / 120 * 5) / M_N2O, rel=1e-5)
    assert charge.nitrous_fraction == pytest.approx(charge.nitrous / (charge.nitrous + charge.dry_air), rel=1e-12)
    assert charge.oxygen_atoms == pytest.approx(2 * 0.2095 * charge.dry_air + charge.nitrous, rel=1e-12)
    assert charge.water_fraction == pytest.approx(charge.water / drawn, rel=1e-12)


@given(flow=st.floats(0.005, 0.05), rpm=st.floats(4500.0, 6400.0), wall=st.floats(0.0, 0.9), power=shares)
@quick
def test_heat_balance_closes(flow, rpm, wall, power):
    """What air gives up is what evaporation takes, both by their own property programs. 1 % holds the constant heat
    capacities of the model (0.3 % for air, 1 % for its 2 % of vapour) and the cubic through the evaporation heat."""
    charge = fresh_charge(SETUP, rpm, flow, wall_share=wall, exponent=power)
    T = float(charge.T)
    assert charge.evaporated == 1
    given_up = float(moist(charge)) * (air_enthalpy(SETUP.T_air) - air_enthalpy(T))
    liquid = cp.PropsSI("H", "T", SETUP.T_bottle, "Q", 0, "NitrousOxide")
    taken = (1 - wall) * float(charge.nitrous) * M_N2O * (vapour_enthalpy(T, SETUP.P_manifold) - liquid)
    assert given_up == pytest.approx(taken, rel=1e-2)
    assert SETUP.T_air - T > 0.5


@given(flow=flows, rpm=speeds, power=shares)
@quick
def test_walls_that_give_all_the_heat_leave_the_air_warm(flow, rpm, power):
    charge = fresh_charge(SETUP, rpm, flow, wall_share=1.0, exponent=power)
    assert pytest.approx(SETUP.T_air, abs=1e-6) == charge.T
    assert moist(charge) + charge.nitrous == pytest.approx(SETUP.air_moles(rpm), rel=1e-9)


def test_more_nitrous_is_colder_and_richer_in_oxygen():
    charge = fresh_charge(SETUP, 4500.0, np.linspace(0.0, 0.05, 12))
    assert (np.diff(charge.T) < 0).all()
    assert (np.diff(charge.oxygen_share) > 0).all()
    assert (np.diff(charge.dry_air) < 0).all()
    assert (np.diff(charge.oxygen_atoms) > 0).all()


def test_warmer_walls_leave_less_air():
    charge = fresh_charge(SETUP, 4500.0, 0.03, wall_share=np.linspace(0.0, 1.0, 9))
    assert (np.diff(charge.T) > 0).all()
    assert (np.diff(charge.dry_air) < 0).all()


def test_lower_speed_takes_more_nitrous():
    charge = fresh_charge(SETUP, np.linspace(1500.0, 6400.0, 9), 0.02)
    assert (np.diff(charge.nitrous) < 0).all()


def test_broadcasts():
    charge = fresh_charge(SETUP, np.array([[3000.0], [5000.0]]), np.array([0.01, 0.02, 0.03]))
    assert charge.T.shape == charge.dry_air.shape == charge.oxygen_share.shape == (2, 3)
    one = fresh_charge(SETUP, 5000.0, 0.03)
    assert charge.T[1, 2] == pytest.approx(float(one.T), abs=1e-6)


def test_cold_corner_stops_at_the_triple_point():
    """Where air cannot evaporate all of it, the charge rests at 182.33 K and the share is what the air pays for."""
    charge = fresh_charge(SETUP, 2000.0, 0.05, wall_share=0.0)
    assert pytest.approx(cp.PropsSI("Ttriple", "NitrousOxide"), abs=1e-9) == charge.T
    assert pytest.approx(182.33, abs=5e-3) == charge.T
    assert 0 < charge.evaporated < 1
    liquid = cp.PropsSI("H", "T", SETUP.T_bottle, "Q", 0, "NitrousOxide")
    paid = float(moist(charge)) * (air_enthalpy(SETUP.T_air) - air_enthalpy(182.33))
    asked = float(charge.nitrous) * M_N2O * (vapour_enthalpy(182.33, SETUP.P_manifold) - liquid)
    assert charge.evaporated == pytest.approx(paid / asked, rel=1e-2)


@given(flow=st.floats(0.0, 0.055), rpm=st.floats(2000.0, 6400.0), wall=shares, power=shares)
@quick
def test_never_below_the_triple_point(flow, rpm, wall, power):
    charge = fresh_charge(SETUP, rpm, flow, wall_share=wall, exponent=power)
    assert 182.32 < charge.T < SETUP.T_air + 1e-6
    assert 0 < charge.evaporated <= 1
    assert charge.dry_air > 0


def test_too_much_nitrous():
    with pytest.raises(InputError, match="no room for air") as caught:
        fresh_charge(SETUP, np.array([1500.0, 6000.0]), 0.08)
    assert caught.value.field == "nitrous_flow"
    assert "1500 rpm" in caught.value.reason


@pytest.mark.parametrize(
    ("field", "change"),
    [
        ("rpm", {"rpm": 9000.0}),
        ("rpm", {"rpm": float("nan")}),
        ("nitrous_flow", {"nitrous_flow": -0.01}),
        ("nitrous_flow", {"nitrous_flow": 1.5}),
        ("nitrous_flow", {"nitrous_flow": "lots"}),
        ("wall_share", {"wall_share": 1.01}),
        ("wall_share", {"wall_share": -0.01}),
        ("exponent", {"exponent": 2.0}),
        ("exponent", {"exponent": None}),
    ],
)
def test_bad_input(field, change):
    args = {"rpm": 4000.0, "nitrous_flow": 0.02} | change
    with pytest.raises(InputError) as caught:
        fresh_charge(SETUP, args.pop("rpm"), args.pop("nitrous_flow"), **args)
    assert caught.value.field == field


@given(x=st.floats(0.01, 0.6), rpm=speeds)
@quick
def test_flow_for_fraction_turns_it_round(x, rpm):
    """To the 1e-6 kg/s of the root: a slope of at most 25 per kg/s, so 1e-4."""
    flow = flow_for_fraction(SETUP, rpm, x)
    assert fresh_charge(SETUP, rpm, flow).nitrous_fraction == pytest.approx(x, abs=1e-4)


def test_flow_for_no_fraction():
    assert flow_for_fraction(SETUP, 3000.0, 0.0) == 0.0
    for bad in (-0.1, 0.95, float("nan"), "half"):
        with pytest.raises(InputError):
            flow_for_fraction(SETUP, 3000.0, bad)


# The cylinder.

GEOMETRY = (SETUP.cylinder.bore, SETUP.cylinder.stroke, SETUP.cylinder.rod, SETUP.cylinder.compression_ratio)


def own_volume(theta_deg):
    """Slider-crank from the triangle of crank and rod: the pin stands at a cos t + sqrt(l^2 - a^2 sin^2 t)."""
    a, rod, t = SETUP.cylinder.stroke / 2, SETUP.cylinder.rod, math.radians(theta_deg)
    pin = a * math.cos(t) + math.sqrt(rod**2 - (a * math.sin(t)) ** 2)
    return SETUP.cylinder.swept / (SETUP.cylinder.compression_ratio - 1) + math.pi / 4 * SETUP.cylinder.bore**2 * (
        a + rod - pin
    )


def test_volume_at_the_dead_centres():
    top, bottom, under = cylinder_volume([0.0, 180.0, -180.0], *GEOMETRY)
    assert top == pytest.approx(SETUP.cylinder.swept / 8.4, rel=1e-12)
    assert bottom == pytest.approx(SETUP.cylinder.swept * 9.4 / 8.4, rel=1e-12)
    assert under == pytest.approx(bottom, rel=1e-12)


@given(theta=st.floats(-360.0, 360.0))
def test_volume_between(theta):
    assert cylinder_volume(theta, *GEOMETRY) == pytest.approx(own_volume(theta), rel=1e-9)
    assert cylinder_volume(theta, *GEOMETRY) == pytest.approx(cylinder_volume(-theta, *GEOMETRY), rel=1e-12)


CASES = [(0.0, 0.88, 28.0), (0.03, 0.864, 24.0), (0.05, 0.85, 10.0), (0.03, 0.864, -5.0)]


def fresh_mass(charge, lambda_):
    """Fresh charge [kg], fuel from its atoms: C counts 2, H 1/2 and O -1 oxygen atoms."""
    parts = SETUP.fuel.composition
    demand = sum(
        x
        * (2 * NASA[n].composition.get("C", 0) + NASA[n].composition.get("H", 0) / 2 - NASA[n].composition.get("O", 0))
        for n, x in parts.items()
    )
    atoms = 2 * 0.2095 * float(charge.dry_air) + float(charge.nitrous)
    fuel = atoms / (lambda_ * demand) * sum(x * NASA[n].molecular_weight / 1000 for n, x in parts.items())
    air = float(charge.dry_air) * sum(x * NASA[n].molecular_weight / 1000 for n, x in AIR.items())
    return fuel + air + float(charge.water) * 18.01528e-3 + float(charge.nitrous) * M_N2O


@pytest.mark.parametrize(("flow", "lambda_", "timing"), CASES)
def test_compression_keeps_mass_and_entropy(flow, lambda_, timing):
    charge = fresh_charge(SETUP, 4500.0, flow)
    state = spark_state(SETUP, charge, lambda_, timing)
    X = mixture(SETUP, charge, lambda_, residual=True).X
    gas = ct.Solution(thermo="ideal-gas", species=[NASA[name] for name in X])
    V1, V2 = own_volume(-180.0 + 52.0), own_volume(-timing)
    assert state.theta_deg == -timing

    gas.TPX = state.T_closing, state.P_closing, dict(X)
    first, heat_ratio = gas.entropy_mass, gas.cp / gas.cv
    assert gas.density * V1 == pytest.approx(fresh_mass(charge, lambda_) / 0.95, rel=1e-4)
    gas.TPX = state.T, state.P, dict(X)
    assert gas.entropy_mass == pytest.approx(first, rel=1e-6)
    assert gas.density * V2 == pytest.approx(fresh_mass(charge, lambda_) / 0.95, rel=1e-4)

    # Heat capacities of these gases rise with temperature: gamma falls, so p V^gamma lies between the two ends.
    steepest, flattest = heat_ratio, gas.cp / gas.cv
    assert flattest < steepest
    assert (V1 / V2) ** flattest < state.P / state.P_closing < (V1 / V2) ** steepest
    assert (V1 / V2) ** (flattest - 1) < state.T / state.T_closing < (V1 / V2) ** (steepest - 1)


@pytest.mark.parametrize(("flow", "lambda_", "timing"), CASES)
def test_residual_gas_warms_at_constant_enthalpy(flow, lambda_, timing):
    charge = fresh_charge(SETUP, 4500.0, flow)
    state = spark_state(SETUP, charge, lambda_, timing)

    def enthalpy(X, T):
        gas = ct.Solution(thermo="ideal-gas", species=[NASA[name] for name in X])
        gas.TPX = T, ct.one_atm, dict(X)
        return gas.enthalpy_mass

    fresh, whole = (mixture(SETUP, charge, lambda_, residual=r) for r in (False, True))
    mixed = 0.95 * enthalpy(fresh.X, float(charge.T)) + 0.05 * enthalpy(fresh.exhaust, 1400.0)
    # 1 J/(g K): the root is found to 1 mK, i.e. a few J/kg.
    assert enthalpy(whole.X, state.T_closing) == pytest.approx(mixed, abs=10.0)
    assert charge.T < state.T_closing < charge.T + 0.1 * (1400 - float(charge.T))


def test_colder_charge_is_colder_at_the_spark():
    ends = fresh_charge(SETUP, 4500.0, 0.03, wall_share=np.array([0.0, 1.0]))
    cold, warm = (spark_state(SETUP, ends, 0.864, 25.0, k) for k in (0, 1))
    assert cold.T_closing < warm.T_closing
    assert cold.T < warm.T


def test_nitrous_burns_hotter_at_the_opening():
    charge = fresh_charge(SETUP, 4500.0, np.array([0.0, 0.02, 0.04]), wall_share=1.0)
    hot = [opening_temperature(SETUP, charge, 0.864, spark_state(SETUP, charge, 0.864, 20.0, k), k) for k in range(3)]
    assert hot == sorted(hot)
    assert 1200 < hot[0] < 2600


@pytest.mark.parametrize(
    ("field", "lambda_", "timing"),
    [
        ("timing_deg", 0.86, 61.0),
        ("timing_deg", 0.86, -21.0),
        ("timing_deg", 0.86, float("nan")),
        ("lambda_", 0.1, 20.0),
    ],
)
def test_bad_spark(field, lambda_, timing):
    with pytest.raises(InputError) as caught:
        spark_state(SETUP, fresh_charge(SETUP, 4500.0, 0.02), lambda_, timing)
    assert caught.value.field == field
