"""The tables of a car against the models they were made from, and their laws."""

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.logs.mixture import MixtureModel
from kernel_lib.plan import fuel as pf
from kernel_lib.plan.delivery import mixing
from kernel_lib.plan.fuel_system import injector_duty, injector_flow
from kernel_lib.plan.stopping import _transport
from kernel_lib.thermo import species as sp
from kernel_lib.thermo.wideband import shown_many

CARS = ("wren_five", "badger_eight")


@pytest.fixture(scope="module", params=CARS)
def model(request):
    return MixtureModel.of(BuildSheet.demo(request.param))


def moments(model, n=400, most=1.3):
    """Speeds of the table and flows up to more than the full one."""
    rng = np.random.default_rng(7)
    table = model.setup.rpm_table
    return rng.uniform(table[0], table[-1], n), rng.uniform(0.0, most, n) * model.full_flow


@pytest.mark.parametrize(("wall", "exponent"), [(0.5, 0.5), (0.0, 1.0), (1.0, 0.0)])
def test_charge_is_that_of_fresh_charge(model, wall, exponent):
    rpm, flow = moments(model)
    read = MixtureModel.of(model.sheet, wall, exponent)
    charge = fresh_charge(model.setup, rpm, flow, wall_share=wall, exponent=exponent)
    for got, want in (
        (read.oxygen(rpm, flow), charge.oxygen_atoms),
        (read.nitrous_fraction(rpm, flow), charge.nitrous_fraction),
        (read.water_fraction(rpm, flow), charge.water_fraction),
        (read.charge_temperature(rpm, flow), charge.T),
    ):
        np.testing.assert_allclose(got, want, rtol=2e-5, atol=1e-12)


def test_more_air_is_a_sheet_with_more_air(model):
    """Scaling `air` is what scaling the volumetric efficiency of the sheet is, the nitrous unchanged."""
    rpm, flow = moments(model)
    percent = [1.05 * v for v in model.sheet.engine.full_throttle.volumetric_efficiency_percent]
    other = Setup.of(model.sheet.replace({"engine.full_throttle.volumetric_efficiency_percent": percent}))
    np.testing.assert_allclose(model.oxygen(rpm, flow, 1.05), fresh_charge(other, rpm, flow).oxygen_atoms, rtol=1e-5)


def test_fuel_is_that_of_the_plan(model):
    rpm, flow = moments(model)
    sheet, setup = model.sheet, model.setup
    engine, control, charge = sheet.engine, sheet.controller, fresh_charge(setup, rpm, flow)
    own = pf.fuel_supplied(setup, charge, rpm, engine.lambda_without_nitrous, control.metering, control.intake_sensor)
    np.testing.assert_allclose(model.fuel_own(rpm, flow), own, rtol=1e-5)
    whole = model.fuel_own(rpm, flow) + model.fuel_added(rpm, flow)
    np.testing.assert_allclose(model.lambda_(rpm, flow, whole), engine.lambda_with_nitrous, rtol=1e-5)
    np.testing.assert_allclose(
        model.lambda_(rpm, 0 * flow, model.fuel_own(rpm, 0 * flow)), engine.lambda_without_nitrous, rtol=1e-5
    )
    np.testing.assert_allclose(model.lambda_(rpm, flow, whole), pf.lambda_with(setup, charge, whole), rtol=1e-5)


def test_lambda_by_hand():
    """4500 rpm without nitrous, counted on paper: VE 0.94, 97.8 kPa, 299.15 K, moist air."""
    model = MixtureModel.of(BuildSheet.demo("wren_five"))
    swept = np.pi / 4 * 0.092**2 * 0.0994
    moist = 0.94 * 97800 * swept / (8.314463 * 299.15)
    oxygen = 2 * 0.2095 * moist * (1 - model.setup.air_water)
    assert model.oxygen(4500.0, 0.0) == pytest.approx(oxygen, rel=1e-6)
    fuel = model.setup.fuel
    stoichiometric = oxygen / fuel.oxygen_demand * fuel.molar_mass
    assert model.lambda_(4500.0, 0.0, stoichiometric / 0.9) == pytest.approx(0.9, rel=1e-6)
    dose = 0.030 * 120 / (4500 * 5) / sp.molar_mass("N2O")
    assert model.nitrous(4500.0, 0.030) == pytest.approx(dose, rel=1e-12)


def test_times_are_those_of_the_plan(model):
    rpm, flow = moments(model, 50, 1.0)
    np.testing.assert_allclose(model.mixing_s(rpm, flow), mixing(model.sheet, model.setup, rpm, flow), rtol=1e-5)
    for speed in (3000.0, 5500.0):
        sheet = model.sheet
        volume, P = 1e-3 * sheet.value("engine.exhaust_volume_to_sensor_l"), 1e3 * sheet.value("site.barometer_kpa")
        rate = model.exhaust_moles(speed, model.full_flow) * model.setup.cycles_per_second(speed)
        assert volume * P / (rate * sp.R * 1150) == pytest.approx(
            _transport(sheet, model.setup, speed, 1.0).best, rel=1e-4
        )


@pytest.mark.parametrize("weight", [1.0, 1.4, 2.0, 2.9, 3.7])
def test_gauge_is_that_of_the_sensor_model(model, weight):
    rng = np.random.default_rng(3)
    lambda_, x = rng.uniform(0.6, 1.4, 200), rng.uniform(0.0, 0.35, 200)
    moisture = model.setup.air_water / (1 - model.setup.air_water) * (1 - x)
    want = shown_many(model.setup.fuel, lambda_, x, moisture / (1 + moisture), weight)
    shown = model.shown(lambda_, x, weight)
    np.testing.assert_allclose(shown, want, atol=6e-4)
    np.testing.assert_allclose(model.true(shown, x, weight), lambda_, atol=1.5e-4)


def test_gauge_reads_rich_as_richer_and_lean_as_leaner(model):
    rich, lean, x = np.array([0.7, 0.86, 0.97]), np.array([1.03, 1.2]), 0.15
    assert (model.shown(rich, x) < rich - 5e-4).all()
    assert (model.true(rich, x) > rich + 5e-4).all()
    assert (model.shown(lean, x) > lean).all()
    assert model.shown(1.0, x) == pytest.approx(1.0, abs=1e-9)
    np.testing.assert_array_equal(model.shown(np.array([0.6, 0.9, 3.0]), 0.0), [0.6, 0.9, 3.0])


def test_fuel_injected_by_hand(model):
    """The plan's own injector duty, turned round; open time and duty say the same."""
    sheet, setup, rpm = model.sheet, model.setup, np.array([2500.0, 4000.0, 6000.0])
    fuel = model.fuel_own(rpm, 0.0)
    duty = injector_duty(sheet, setup, rpm, fuel * setup.cycles_per_second(rpm))
    np.testing.assert_allclose(model.fuel_injected(rpm, duty_percent=duty), fuel, rtol=1e-9)
    np.testing.assert_allclose(model.fuel_injected(rpm, open_ms=duty / 100 * 120e3 / rpm), fuel, rtol=1e-9)
    open_s = 120 / rpm - sheet.fuel_system.injector_dead_time_ms / 1e3
    whole = injector_flow(sheet, setup) * sheet.fuel_system.injectors / setup.cylinders * open_s
    np.testing.assert_allclose(model.fuel_injected(rpm, duty_percent=np.full(3, 104.0)), whole)
    assert model.fuel_injected(3000.0, open_ms=0.5) == 0.0
    with pytest.raises(InputError):
        model.fuel_injected(rpm)


def test_fuel_pressure_counts_by_its_root(model):
    sheet, rpm, over = model.sheet, 5000.0, 0.0
    barometer, manifold = sheet.value("site.barometer_kpa"), model.setup.P_manifold / 1e3
    over = barometer - manifold
    planned = sheet.fuel_system.rail_pressure_kpa
    across = planned if sheet.fuel_system.rail_reference == "manifold" else planned + over
    full = model.fuel_injected(rpm, open_ms=10.0)
    now = model.fuel_injected(rpm, open_ms=10.0, fuel_kpa=0.8 * across - over)
    assert now / full == pytest.approx(np.sqrt(0.8), rel=1e-9)
    np.testing.assert_array_equal(model.fuel_injected(rpm, open_ms=10.0, fuel_kpa=np.array([np.nan])), [full])


def test_gaps_and_what_lies_outside_stay_unknown(model):
    rpm = np.array([np.nan, 500.0, 4000.0, 20000.0])
    known = [False, False, True, False]
    for row in (model.lambda_(rpm, 0.02, 3e-5), model.nitrous_fraction(rpm, 0.02), model.fuel_added(rpm, 0.02)):
        assert np.isfinite(row).tolist() == known
    assert np.isnan(model.nitrous_fraction(4000.0, np.array([np.nan, 1.0]))).all()
    assert np.isnan(model.shown(np.array([0.4, 2.4]), 0.1)).all()
    assert model.lambda_(4000.0, 0.0, 0.0) == np.inf


def test_wet_jet_brings_its_share():
    badger, wren = (MixtureModel.of(BuildSheet.demo(name)) for name in ("badger_eight", "wren_five"))
    rpm = np.array([3000.0, 6000.0])
    np.testing.assert_allclose(badger.fuel_jet(rpm, 0.5), badger.fuel_jet(rpm, 1.0) / 2)
    assert badger.fuel_jet(3000.0, 1.0) == pytest.approx(2 * badger.fuel_jet(6000.0, 1.0))
    assert np.isnan(wren.fuel_jet(rpm, 1.0)).all()
