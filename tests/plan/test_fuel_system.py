"""Injectors, pump and jets: orifices by hand, limits of pulsed pairs, and the largest shot against the plan itself."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError, plan_shot
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.plan.fuel_system import (
    injector_duty,
    injector_flow,
    jet_band,
    jet_coefficient,
    jet_flow,
    jet_for,
    jet_pressure,
    jets_owned,
    largest_shot,
    open_share,
    pulse_drift,
    pump_flow,
    wet_lambda,
)
from kernel_lib.thermo import species as sp

WANTED = {
    "nitrous.nozzle_diameter_mm": None,
    "nitrous.discharge_coefficient": None,
    "nitrous.discharge_error": None,
    "nitrous.discharge_temperature_c": None,
    "nitrous.discharge_bore_mm": None,
}
WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
DRY, WET = Setup.of(WREN), Setup.of(BADGER)
WREN_HP, BADGER_HP = WREN.replace(WANTED), BADGER.replace(WANTED | {"nitrous.fuel_jet_diameter_mm": None})
PSI_5 = 34.47  # kPa
FLOW = 0.055


def demand_per_kg(fuel):
    """Oxygen atoms that a kilogram of fuel asks for [mol/kg], from its formulas."""
    need = mass = 0.0
    for name, x in fuel.composition.items():
        atoms = sp.atoms(name)
        need += x * (2 * atoms.get("C", 0) + atoms.get("H", 0) / 2 - atoms.get("O", 0))
        mass += x * (12.011 * atoms.get("C", 0) + 1.008 * atoms.get("H", 0) + 15.999 * atoms.get("O", 0)) / 1000
    return need / mass


# Injectors and pump.


def test_injector_by_hand():
    """Badger: 880 cm3/min at 300 kPa; 400 kPa over the air is a little more over the manifold at 98 % of it."""
    barometer = BADGER.value("site.barometer_kpa")
    across = 400 + 0.02 * barometer
    test_fluid = BADGER.fuel_system.injector_test_density_kg_m3
    volume = 880e-6 / 60 * np.sqrt(across / 300 * test_fluid / WET.fuel.density)
    assert injector_flow(BADGER, WET) == pytest.approx(volume * WET.fuel.density, rel=1e-9)


@given(factor=st.floats(0.5, 2.5))
@settings(deadline=None, max_examples=20)
def test_injector_goes_with_the_root_of_pressure(factor):
    sheet = WREN.replace({"fuel_system.rail_pressure_kpa": 300.0 * factor})
    ratio = injector_flow(sheet, Setup.of(sheet)) / injector_flow(WREN, DRY)
    assert ratio == pytest.approx(np.sqrt(factor), rel=1e-9)


def test_duty_by_hand():
    """Wren at 6000 rpm: a cycle lasts 20 ms, 0.9 ms of it are dead; half the steady flow takes 10 ms more."""
    steady = 5 * injector_flow(WREN, DRY)
    assert injector_duty(WREN, DRY, 6000.0, 0.5 * steady) == pytest.approx(100 * (10 + 0.9) / 20)
    assert injector_duty(WREN, DRY, 6000.0, 0.0) == pytest.approx(4.5)
    assert injector_duty(WREN, DRY, 3000.0, 0.0) == pytest.approx(2.25)
    # The cycle is the limit: what would open it for longer shows above 100 %.
    assert injector_duty(WREN, DRY, 6000.0, 0.96 * steady) > 100 > injector_duty(WREN, DRY, 6000.0, 0.95 * steady)
    rows = injector_duty(WREN, DRY, np.array([3000.0, 6000.0]), steady * np.array([0.2, 0.4]))
    assert rows == pytest.approx([22.25, 44.5])


@pytest.mark.parametrize(("rpm", "fuel"), [(3000.0, -1.0), (float("nan"), 0.01), (3000.0, float("nan")), (-1.0, 0.01)])
def test_duty_that_cannot_be(rpm, fuel):
    with pytest.raises(InputError):
        injector_duty(WREN, DRY, rpm, fuel)


def test_pump_by_hand():
    """190 L/h are 52.8 mL/s."""
    flow, why = pump_flow(WREN, DRY)
    assert flow == pytest.approx(190 / 3600 * 1e-3 * DRY.fuel.density)
    assert why == ""


def test_pump_is_unknown_above_its_stated_pressure():
    """A pump brings less against more: nothing is extended. 5 kPa are let pass."""
    for rail, known in ((300.0, True), (304.0, True), (310.0, False), (250.0, True)):
        flow, why = pump_flow(WREN.replace({"fuel_system.rail_pressure_kpa": rail}), DRY)
        assert (flow is not None) == known
        assert bool(why) != known
    for name in ("pump_flow_l_h", "pump_flow_pressure_kpa"):
        flow, why = pump_flow(WREN.replace({f"fuel_system.{name}": None}), DRY)
        assert flow is None
        assert "not known" in why


def test_pump_counts_the_jet_of_a_wet_system_only():
    high = {"nitrous.fuel_jet_pressure_kpa": 450.0}
    assert pump_flow(BADGER, WET)[0] is not None
    assert pump_flow(BADGER.replace(high), WET)[0] is None
    assert pump_flow(BADGER.replace(high | {"nitrous.system": "dry"}), WET)[0] is not None


# The largest shot.


def fuel_blockers(sheet, hp):
    said = plan_shot(sheet.replace({"nitrous.shot_hp": float(hp)})).blockers
    return {
        name
        for name, words in (("injectors", "Injector duty"), ("pump", "The pump may have"))
        if any(words in s for s in said)
    }


LIMITED = [
    (WREN_HP.replace({"fuel_system.injector_flow_cc_min": 300.0}), "injectors", 6000.0),
    (WREN_HP.replace({"fuel_system.pump_flow_l_h": 85.0}), "pump", 6000.0),
    (BADGER_HP.replace({"fuel_system.pump_flow_l_h": 205.0}), "pump", 6800.0),
]


@pytest.mark.parametrize(("sheet", "limit", "rpm"), LIMITED, ids=["dry-injectors", "dry-pump", "wet-pump"])
def test_largest_shot_is_the_plans(sheet, limit, rpm):
    """Just below its low end the plan has nothing against injectors or pump, at its high end it has; in between some corner.

    1 %: the limit is found between 41 flows on a line."""
    found = largest_shot(sheet)
    assert 0 < found.hp.low < found.hp.best < found.hp.high
    assert found.limit == limit
    assert not found.passed_without
    assert found.rpm == rpm
    assert fuel_blockers(sheet, 0.99 * found.hp.low) == set()
    assert fuel_blockers(sheet, 1.03 * found.hp.low) == {limit}
    assert fuel_blockers(sheet, 1.05 * found.hp.high) == {limit}


def test_largest_shot_of_a_wet_speed_density_engine():
    """Its controller gives the same fuel whatever flows, so the injectors never run out; the pump does, as the plan finds."""
    sheet = BADGER_HP.replace({"controller.metering": "speed-density", "fuel_system.pump_flow_l_h": 205.0})
    found = largest_shot(sheet)
    assert (found.limit, found.pump_known, found.passed_without) == ("pump", True, False)
    assert 0 < found.hp.low < found.hp.best < found.hp.high
    assert fuel_blockers(sheet, 0.99 * found.hp.low) == set()
    assert fuel_blockers(sheet, 1.03 * found.hp.low) == {"pump"}
    unknown = largest_shot(sheet.replace({"fuel_system.pump_flow_l_h": None}))
    assert (unknown.limit, unknown.pump_known) == ("", False)
    assert unknown.hp.best > found.hp.best


def test_jet_band_holds_fuel_and_coefficient():
    """Orifice by hand: bore with the root of flow over coefficient."""
    band, one = jet_band(BADGER, WET, 0.005, 0.01, 0.015), jet_for(BADGER, WET, 0.01)
    assert band.best == pytest.approx(one.best, rel=1e-12)
    assert band.low == pytest.approx(one.low * np.sqrt(0.5), rel=1e-9)
    assert band.high == pytest.approx(one.high * np.sqrt(1.5), rel=1e-9)


def test_larger_injectors_or_pump_fit_more():
    small, more = (largest_shot(WREN_HP.replace({"fuel_system.injector_flow_cc_min": v})).hp for v in (290.0, 310.0))
    assert small.low < more.low
    assert small.best < more.best
    small, more = (largest_shot(BADGER_HP.replace({"fuel_system.pump_flow_l_h": v})).hp for v in (195.0, 210.0))
    assert small.low < more.low
    assert small.best < more.best


def test_largest_shot_does_not_depend_on_the_wanted_one():
    """Nor on the nozzle: it is what the fuel side answers."""
    sheet = LIMITED[0][0]
    other = sheet.replace({"nitrous.shot_hp": 30.0, "nitrous.nozzle_diameter_mm": 1.0})
    assert largest_shot(other).hp == largest_shot(sheet).hp


def test_nothing_runs_out():
    """Large injectors and pump: the shot is as large as 45 moles of nitrous per 100 of air at the worst speed of the window."""
    found = largest_shot(WREN_HP)
    assert found.limit == ""
    assert not found.passed_without
    speeds = np.arange(2500.0, 6001.0, 500.0)
    room = 0.45 * 0.0440128 * np.min(DRY.air_moles(speeds) * DRY.cycles_per_second(speeds))
    plan = plan_shot(WREN_HP.replace({"nitrous.shot_hp": float(found.hp.best)}))
    assert plan.flow.best == pytest.approx(room, rel=1e-4)
    assert found.hp.low < found.hp.best < found.hp.high


def test_passed_without_nitrous_already():
    """250 cm3/min are beyond 85 % at 6000 rpm before any nitrous."""
    sheet = WREN_HP.replace({"fuel_system.injector_flow_cc_min": 250.0})
    air = (1 - DRY.air_water) * float(DRY.air_moles(6000.0))
    fuel = 2 * 0.2095 * air / (0.88 * demand_per_kg(DRY.fuel)) * 6000 / 120 * 5
    assert injector_duty(sheet, DRY, 6000.0, fuel) > 85
    found = largest_shot(sheet)
    assert found.passed_without
    assert (found.hp.low, found.hp.best, found.hp.high) == (0.0, 0.0, 0.0)
    assert found.limit == "injectors"


def test_passed_without_nitrous_on_a_metered_wet_engine():
    """Its injectors give less as nitrous pushes air aside: beyond the limit without nitrous, within it with the most."""
    sheet = BADGER_HP.replace({"fuel_system.injector_flow_cc_min": 360.0})
    air = (1 - WET.air_water) * float(WET.air_moles(6500.0))
    fuel = 2 * 0.2095 * air / (0.86 * demand_per_kg(WET.fuel)) * 6500 / 120 * 8
    assert injector_duty(sheet, WET, 6500.0, fuel) > sheet.limits.injector_duty_percent
    assert largest_shot(sheet).passed_without


# Jets.


def test_jet_by_hand():
    """C A sqrt(2 rho dp): 0.85 mm, 400 kPa over the air and a little more over the manifold, 0.75."""
    across = 1e3 * (400 + 0.02 * BADGER.value("site.barometer_kpa"))
    assert jet_pressure(BADGER, WET) == pytest.approx(across, rel=1e-9)
    by_hand = 0.75 * np.pi / 4 * 0.85e-3**2 * np.sqrt(2 * WET.fuel.density * across)
    assert jet_flow(BADGER, WET, 0.85) == pytest.approx(by_hand, rel=1e-9)
    four = BADGER.replace({"nitrous.nozzles": 4, "nitrous.nozzle_diameter_mm": 0.9})
    assert jet_flow(four, WET, 0.85) == pytest.approx(4 * by_hand, rel=1e-9)
    assert jet_flow(BADGER, WET, 0.85, coefficient=0.6) == pytest.approx(0.8 * by_hand, rel=1e-9)


def test_jet_coefficient():
    """Measured within 3 % (a guess of our own), else small orifices from memory."""
    assert (jet_coefficient(BADGER).low, jet_coefficient(BADGER).high) == (0.60, 0.85)
    given_one = jet_coefficient(BADGER.replace({"nitrous.fuel_jet_coefficient": 0.7}))
    assert (given_one.low, given_one.best, given_one.high) == pytest.approx((0.679, 0.7, 0.721))


@given(fuel=st.floats(1e-4, 0.1), base=st.sampled_from([BADGER, BADGER.replace({"nitrous.fuel_jet_coefficient": 0.8})]))
@settings(deadline=None, max_examples=30)
def test_jet_for_turns_jet_flow_round(fuel, base):
    jet, c = jet_for(base, WET, fuel), jet_coefficient(base)
    assert jet.low < jet.best < jet.high
    for bore, coefficient in ((jet.low, c.high), (jet.best, c.best), (jet.high, c.low)):
        if 0.1 <= bore <= 6.0:
            assert jet_flow(base, WET, bore, coefficient=coefficient) == pytest.approx(fuel, rel=1e-9)


@pytest.mark.parametrize("change", [PSI_5, -PSI_5])
def test_five_psi_by_hand(change):
    """5 psi are 34.47 kPa: of the 402 kPa across the jet 8.6 %, so 4.2 % of the fuel; at 40 kPa, a low-pressure rail, 36 %."""
    for rail in (400.0, 40.0):
        sheet = BADGER.replace({"nitrous.fuel_jet_pressure_kpa": rail})
        across = rail + 0.02 * sheet.value("site.barometer_kpa")
        ratio = jet_flow(sheet, WET, 0.85, change_kpa=change) / jet_flow(sheet, WET, 0.85)
        assert ratio == pytest.approx(np.sqrt(1 + change / across), rel=1e-9)
    assert jet_flow(BADGER, WET, 0.85, change_kpa=PSI_5) / jet_flow(BADGER, WET, 0.85) == pytest.approx(1.042, abs=1e-3)


def test_no_fuel_against_the_manifold():
    low = BADGER.replace({"nitrous.fuel_jet_pressure_kpa": 20.0})
    with pytest.raises(InputError) as caught:
        jet_flow(low, WET, 0.85, change_kpa=-PSI_5)
    assert caught.value.field == "nitrous.fuel_jet_pressure_kpa"


@pytest.mark.parametrize("bad", [0.05, 6.1, -1.0, float("nan"), "wide", None, [], [0.8, 9.0]])
def test_no_such_jet(bad):
    with pytest.raises(InputError) as caught:
        jet_flow(BADGER, WET, bad)
    assert caught.value.field == "bore_mm"


@pytest.mark.parametrize("bad", [0.0, -0.01, 1.1, float("nan"), "much", None])
def test_no_such_fuel(bad):
    with pytest.raises(InputError) as caught:
        jet_for(BADGER, WET, bad)
    assert caught.value.field == "fuel_flow"


@pytest.mark.parametrize("bad", [-0.7, float("nan"), 0.0])
def test_no_such_coefficient(bad):
    with pytest.raises(InputError):
        jet_flow(BADGER, WET, 0.85, coefficient=bad)


# Wet.


@pytest.mark.parametrize("metering", ["mass-air", "speed-density"])
@pytest.mark.parametrize("rpm", [3000.0, 5200.0, 6800.0])
def test_wet_lambda_from_the_atoms(metering, rpm):
    """All oxygen over what the fuel of controller and jet asks for; 1e-4 for the molar masses, written here to five digits."""
    sheet = BADGER.replace({"controller.metering": metering})
    charge = fresh_charge(WET, rpm, FLOW)
    oxygen = 2 * 0.2095 * float(charge.dry_air) + FLOW / 0.0440128 / (rpm / 120 * 8)
    plain = (1 - WET.air_water) * float(WET.air_moles(rpm))
    metered = float(charge.dry_air) if metering == "mass-air" else plain
    need, jet = demand_per_kg(WET.fuel), float(jet_flow(BADGER, WET, 0.9))
    fuel = 2 * 0.2095 * metered / (0.86 * need) + jet / (rpm / 120 * 8)
    assert wet_lambda(sheet, WET, rpm, FLOW, jet) == pytest.approx(oxygen / (fuel * need), rel=1e-4)


def test_the_jet_of_the_plan_gives_the_target():
    """The plan's added fuel through the jet that `jet_for` names brings the charge to the wanted lambda, row by row."""
    plan = plan_shot(BADGER)
    for row in plan.table.to_dict("records"):
        jet = jet_for(BADGER, WET, row["fuel_mass_air_kg_h"] / 3600)
        lambda_ = wet_lambda(BADGER, WET, row["rpm"], plan.flow.best, jet_flow(BADGER, WET, jet.best))
        assert lambda_ == pytest.approx(0.85, rel=1e-6)


def test_no_valve_open_no_change():
    """Neither nitrous nor jet: the engine's own lambda."""
    assert wet_lambda(BADGER, WET, 5000.0, 0.0, 0.0) == pytest.approx(0.86, rel=1e-9)


def test_jets_owned():
    """A larger jet is a richer mixture; what lies outside 0.6 to 1.1 is left out, the rest is the shop's own, small to large."""
    jumbled = BADGER.replace({"fuel_system.jets_mm": (1.1, 0.8, 0.3, 4.0, 0.95, 0.8)})
    found = jets_owned(jumbled, WET, 5000.0, FLOW)
    assert [bore for bore, _ in found] == [0.8, 0.95, 1.1]
    lambdas = [value for _, value in jets_owned(BADGER, WET, 5000.0, FLOW)]
    assert len(lambdas) > 5
    assert lambdas == sorted(lambdas, reverse=True)
    assert len(set(lambdas)) == len(lambdas)
    for bore, value in found:
        assert 0.6 <= value <= 1.1
        assert value == pytest.approx(float(wet_lambda(BADGER, WET, 5000.0, FLOW, jet_flow(BADGER, WET, bore))))
    left_out = [b for b in BADGER.fuel_system.jets_mm if b not in dict(jets_owned(BADGER, WET, 5000.0, FLOW))]
    assert left_out
    for bore in left_out:
        assert not 0.6 <= float(wet_lambda(BADGER, WET, 5000.0, FLOW, jet_flow(BADGER, WET, bore))) <= 1.1
    assert jets_owned(BADGER.replace({"fuel_system.jets_mm": None}), WET, 5000.0, FLOW) == []


# Pulses.


def test_open_share_by_hand():
    """10 Hz and 5 ms: 5 % of the time is lost, but for a valve that stays shut or open."""
    assert open_share([0.0, 0.03, 0.05, 0.3, 0.999, 1.0], 5.0, 10.0) == pytest.approx([0, 0, 0, 0.25, 0.949, 1.0])
    assert open_share([0.0, 0.3, 0.97, 1.0], -5.0, 10.0) == pytest.approx([0, 0.35, 1.0, 1.0])
    duty = np.linspace(0, 1, 11)
    assert open_share(duty, 0.0, 10.0) == pytest.approx(duty)
    assert open_share(0.5, 5.0, 20.0) == pytest.approx(0.4)


@given(duty=st.floats(0.0, 0.99), more=st.floats(0.0, 0.01), lag=st.floats(-20.0, 25.0), hz=st.floats(2.0, 50.0))
def test_open_share_is_a_share_and_rises(duty, more, lag, hz):
    low, high = open_share([duty, duty + more], lag, hz)
    assert 0 <= low <= high <= 1


@pytest.mark.parametrize("bad", [-0.1, 1.1, float("nan"), "half", None, [0.5, 2.0]])
def test_no_such_duty(bad):
    for call in (
        lambda: open_share(bad, 5.0, 10.0),
        lambda: pulse_drift(BADGER, WET, 5000.0, FLOW, 0.008, bad),
    ):
        with pytest.raises(InputError) as caught:
            call()
        assert caught.value.field == "duty"


@pytest.mark.parametrize(("lag", "hz"), [(float("nan"), 10.0), (5.0, float("inf")), (5.0, -10.0), (5.0, 0.0)])
def test_no_such_pulse(lag, hz):
    with pytest.raises(InputError):
        open_share(0.5, lag, hz)


DUTY = np.array([0.1, 0.3, 0.5, 0.8, 0.999, 1.0])
JET = float(jet_flow(BADGER, WET, 0.85))


def drift(nitrous_ms, fuel_ms, hz=10.0, duty=DUTY):
    lags = {"nitrous.nitrous_valve_lag_ms": nitrous_ms, "nitrous.fuel_valve_lag_ms": fuel_ms, "nitrous.pulse_hz": hz}
    return pulse_drift(BADGER.replace(lags), WET, 5000.0, FLOW, JET, duty)


@pytest.mark.parametrize("lag", [-4.0, 0.0, 6.0])
def test_equal_lags_scale_both(lag):
    """Both open alike: the mixture is that of the pair with both flows less by the same share."""
    share = open_share(DUTY, lag, 10.0)
    together = wet_lambda(BADGER, WET, 5000.0, share * FLOW, share * JET)
    found = drift(lag, lag)
    assert found["likely"] == pytest.approx(together, rel=1e-9)
    assert found["low"].shape == found["high"].shape == DUTY.shape


def test_open_for_good_there_is_no_drift():
    """At full duty no lag counts, nor what is unknown of it."""
    full = float(wet_lambda(BADGER, WET, 5000.0, FLOW, JET))
    for lags in ((5.0, 0.0), (0.0, 8.0), (-3.0, 3.0)):
        found = drift(*lags)
        assert [found[k][-1] for k in ("low", "likely", "high")] == pytest.approx([full] * 3, rel=1e-12)


def test_late_nitrous_is_rich_and_late_fuel_lean():
    """The one that opens later is the one that is short; 5 ms more or less stand around the likely run."""
    alike, late_nitrous, late_fuel = drift(0.0, 0.0), drift(8.0, 0.0), drift(0.0, 8.0)
    assert (late_nitrous["likely"][:-1] < alike["likely"][:-1]).all()
    assert (late_fuel["likely"][:-1] > alike["likely"][:-1]).all()
    for found in (alike, late_nitrous, late_fuel):
        assert (found["low"] <= found["likely"]).all()
        assert (found["likely"] <= found["high"]).all()
        assert found["low"][1] < found["likely"][1] < found["high"][1]
    assert alike["low"][1:-1] == pytest.approx(drift(5.0, 0.0)["likely"][1:-1], rel=1e-9)
    assert alike["high"][1:-1] == pytest.approx(drift(-5.0, 0.0)["likely"][1:-1], rel=1e-9)


def test_slow_pulses_drift_less():
    """The time lost is lost once a pulse: 5 Hz lose half of what 10 Hz lose."""
    full = float(wet_lambda(BADGER, WET, 5000.0, 0.5 * FLOW, 0.5 * JET))
    off = [abs(drift(6.0, 0.0, hz, np.array([0.5]))["likely"][0] - full) for hz in (2.0, 5.0, 10.0, 20.0)]
    assert off == sorted(off)
    assert off[1] == pytest.approx(off[2] / 2, rel=0.1)


def test_jet_shut_while_nitrous_flows_is_lean():
    """A duty whose time the fuel valve loses altogether leaves nitrous without its fuel: leaner than the engine alone."""
    found = drift(-10.0, 20.0, 10.0, np.array([0.1]))
    assert found["likely"][0] > 0.86
