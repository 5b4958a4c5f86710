"""What if: each fault against what it is by hand, its guard, and what is refused."""

import functools
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.firing import cases_of
from kernel_lib.engine.knock import OCTANE_EXPONENT
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import fault_motion as fm
from kernel_lib.plan import fuel as pf
from kernel_lib.plan.dose import Dosed, dosed_of
from kernel_lib.plan.fault_rows import Sprayed
from kernel_lib.plan.faults import GUARDS, HARMLESS, NOTHING, fault_table, faults
from kernel_lib.plan.plan import full_flow
from kernel_lib.plan.power import firing_of
from kernel_lib.plan.spark import Limits
from kernel_lib.plan.stopping import stop_budget, wash_out

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
NAMES = {
    "as planned", "fuel late", "added fuel missing", "pump at 80 %", "one injector at 85 %", "bottle too warm", "bottle pushed by gas",
    "one cylinder +20 % nitrous", "hit at too low rpm", "shift without torque cut", "intake sensor in the cooled stream", "octane 4 too low",
    "retard missing", "limiter hit while spraying", "wheel spin", "missed shift", "lift in the middle", "nitrous valve stuck open",
    "valve leaks, engine stopped", "wide-band dead", "wide-band reads 0.05 rich", "pressure too high for the valve", "closed-loop trim -10 %",
    "corrections take 6 deg more",
}  # fmt: skip


@functools.cache
def every(sheet=WREN, share=0.5):
    return {f.name: f for f in faults(sheet, dosed_of(sheet, share))}


def at(sheet, rpm, share):
    """A dose at these speeds with 3 degrees of retard."""
    rpm = np.atleast_1d(np.asarray(rpm, float))
    return Dosed(rpm, np.full(len(rpm), share), np.full(len(rpm), 3.0), full_flow(sheet))


def one(sheet, name, dosed):
    return {f.name: f for f in faults(sheet, dosed)}[name]


@pytest.mark.parametrize("sheet", [WREN, BADGER], ids=["wren", "badger"])
def test_every_fault_of_the_list_is_told(sheet):
    found = every(sheet)
    assert set(found) == NAMES
    for fault in found.values():
        assert fault.caught_by in GUARDS
        assert fault.happens.endswith(".")
        assert not any(word in fault.happens.lower() for word in ("nan", "inf ", "safe", "!"))
        numbers = (fault.T_evo, fault.P_max, fault.knock_ratio)
        if fault.computed:
            assert np.isfinite([*numbers, fault.rpm, fault.lambda_, fault.lambda_worst, fault.oxygen_left]).all()
            assert not fault.why
        else:
            assert np.isnan(numbers).all()
            assert fault.why


def test_the_plan_is_the_worst_cylinder_at_its_dose():
    """Its peak is that of a direct run with 10 % more nitrous on the fuel of the others."""
    sheet = WREN.replace({"nitrous.progressive": False})
    dosed = at(sheet, 4000.0, 0.6)
    plan, setup, firing = one(sheet, "as planned", dosed), Setup.of(sheet), firing_of(sheet)
    mean, more = (fresh_charge(setup, np.array([4000.0]), dosed.flow * k) for k in (1.0, 1.1))
    lambda_ = pf.lambda_with(setup, more, pf.fuel_for(setup, mean, sheet.engine.lambda_with_nitrous))
    cases = cases_of(setup, more, 4000.0, lambda_)
    row = firing.fire(cases, firing.burn(cases), firing.at("timing_deg_btdc", 4000.0) - 3.0).iloc[0]
    assert plan.lambda_ == pytest.approx(sheet.engine.lambda_with_nitrous)
    assert plan.lambda_worst == pytest.approx(float(lambda_[0]))
    assert plan.P_max == pytest.approx(row["P_max"], rel=1e-9)
    assert plan.T_evo == pytest.approx(row["T_burned_evo"], rel=1e-9)
    assert plan.knock_ratio == pytest.approx(
        row["knock_integral"] / float(firing.at("knock_integral", 4000.0)), rel=1e-9
    )


def test_pulses_at_a_port_make_a_worse_cycle():
    """In a plenum pulses even out, at a port the strongest cycle gets the full flow."""
    port = Sprayed.of(WREN.replace({"nitrous.delivery": "port"}), at(WREN, 6000.0, 0.5))
    plenum = Sprayed.of(WREN, at(WREN, 6000.0, 0.5))
    assert port.strongest[0] == pytest.approx(2.0)
    assert 1.0 < plenum.strongest[0] < 1.6
    hit = Sprayed.of(
        WREN.replace({"ramp.kind": "full hit", "ramp.rpm": None, "ramp.share_percent": None}), at(WREN, 6000.0, 1.0)
    )
    assert hit.strongest[0] == 1.0


def test_missing_fuel_is_the_controllers_own():
    dosed = at(WREN, [3000.0, 5000.0], 0.5)
    fault, setup = one(WREN, "added fuel missing", dosed), Setup.of(WREN)
    charge = fresh_charge(setup, np.array([3000.0]), dosed.flow[:1])
    own = pf.fuel_supplied(setup, charge, 3000.0, WREN.engine.lambda_without_nitrous, "speed-density", "before nitrous")
    assert fault.rpm == 3000.0
    assert fault.lambda_ == pytest.approx(float(pf.lambda_with(setup, charge, own)[0]))
    budget = stop_budget(WREN, 3000.0, fault.lambda_, share=0.5)
    assert fault.caught_by == "lean stop"
    assert fault.how_late_s == pytest.approx(budget.total_s)
    assert fault.cycles == pytest.approx(budget.total_s * 3000 / 120)
    assert fault.oxygen_left > 0.01


def test_one_injector_leans_one_cylinder():
    found = every()
    assert found["one injector at 85 %"].lambda_worst == pytest.approx(
        found["as planned"].lambda_worst / 0.85, rel=1e-3
    )
    assert found["one injector at 85 %"].lambda_ == pytest.approx(0.864 / (1 - 0.15 / 5), rel=1e-6)
    wet = every(BADGER)
    assert 1.0 < wet["one injector at 85 %"].lambda_worst / wet["as planned"].lambda_worst < 1 / 0.85


def test_trim_leaves_the_jet_alone():
    assert every()["closed-loop trim -10 %"].lambda_ == pytest.approx(0.864 / 0.9, rel=1e-6)
    assert every(BADGER)["closed-loop trim -10 %"].lambda_ < 0.85 / 0.9


def test_sensor_that_reads_rich_shifts_the_mixture_and_the_stop():
    fault = every()["wide-band reads 0.05 rich"]
    assert fault.lambda_ == pytest.approx(0.914)
    assert "0.98 instead of 0.93" in fault.happens
    assert fault.caught_by == NOTHING


def test_octane_acts_as_the_correlation_says():
    dosed = at(WREN, 4000.0, 0.5)
    found = {f.name: f for f in faults(WREN, dosed)}
    ron = Setup.of(WREN).octane_ron
    factor = ((ron - 4) / ron) ** -OCTANE_EXPONENT
    assert found["octane 4 too low"].knock_ratio == pytest.approx(found["as planned"].knock_ratio * factor, rel=1e-6)
    assert found["octane 4 too low"].P_max == pytest.approx(found["as planned"].P_max)


def test_retard_missing_and_retard_too_much():
    found = {f.name: f for f in faults(WREN, at(WREN, 4000.0, 0.5))}
    none, plan, more = (found[name] for name in ("retard missing", "as planned", "corrections take 6 deg more"))
    assert none.P_max > plan.P_max > more.P_max
    assert none.knock_ratio > plan.knock_ratio > more.knock_ratio
    assert none.T_evo < plan.T_evo < more.T_evo


def test_more_nitrous_in_each_cycle_at_a_lower_speed():
    found = every()
    assert found["hit at too low rpm"].rpm == 1500.0
    assert "1.67 times" in found["hit at too low rpm"].happens
    assert found["shift without torque cut"].rpm == pytest.approx(0.75 * 2500)
    geared = WREN.replace({"driveline.gear_ratios": [3.6, 2.0, 1.4, 1.0], "driveline.final_ratio": 4.1})
    assert fm.gear_step(Sprayed.of(geared, at(geared, 4000.0, 0.5))) == pytest.approx(
        0.7
    )  # second to third; first is without nitrous


def test_no_lower_speed_is_told():
    sheet = WREN.replace({"nitrous.spray_rpm_min": 1500})
    fault = one(sheet, "hit at too low rpm", at(sheet, 1500.0, 0.2))
    assert not fault.computed
    assert "begins at 1500 rpm" in fault.happens
    shift = one(sheet, "shift without torque cut", at(sheet, 1500.0, 0.2))
    assert not shift.computed
    assert "ends below 1500 rpm" in shift.happens


def test_pump():
    enough = every()["pump at 80 %"]
    assert enough.caught_by == HARMLESS
    assert enough.lambda_ == pytest.approx(0.864)
    small = WREN.replace({"fuel_system.pump_flow_l_h": 70})
    fault = one(small, "pump at 80 %", at(small, 5500.0, 0.5))
    sprayed = Sprayed.of(small, at(small, 5500.0, 0.5))
    wanted = float((sprayed.own_rate + sprayed.added_rate)[0])
    had = 0.8 * 70 / 3.6e6 * Setup.of(small).fuel.density
    assert fault.lambda_ == pytest.approx(0.864 * wanted / had, rel=1e-6)
    assert fault.caught_by == "fuel pressure"
    assert fault.how_late_s == pytest.approx(wash_out(small, 5500.0, "open", 0.5)["all"].best)
    unknown = one(WREN.replace({"fuel_system.pump_flow_l_h": None}), "pump at 80 %", at(WREN, 5500.0, 0.5))
    assert not unknown.computed
    assert "not known" in unknown.happens


def test_intake_sensor():
    rich = every()["intake sensor in the cooled stream"]
    assert rich.lambda_ < 0.864
    there = WREN.replace({"controller.intake_sensor": "in cooled stream"})
    assert one(there, "intake sensor in the cooled stream", at(there, 3000.0, 0.5)).lambda_ > 0.864
    assert every(BADGER)["intake sensor in the cooled stream"].caught_by == HARMLESS


def test_bottle_pressure_both_ways():
    """Pushed, the nozzle passes more than warmed; the window sees both, unless it is set higher."""
    found = every()
    assert 0.864 < found["bottle too warm"].lambda_ < found["bottle pushed by gas"].lambda_
    assert found["bottle pushed by gas"].caught_by == "bottle pressure window"
    cold = WREN.replace({"nitrous.bottle_temperature_c": 15})
    fault = one(cold, "bottle pushed by gas", at(cold, 3000.0, 0.5))
    assert fault.caught_by in ("lean stop", NOTHING)


def test_valve_that_does_not_open():
    held = WREN.replace({"nitrous.valve_opens_against_kpa": 8000})
    fault = one(held, "pressure too high for the valve", at(held, 3000.0, 0.5))
    assert fault.caught_by == "bottle pressure window"
    assert fault.lambda_ < 0.8
    assert "80.0 bar" in fault.happens
    assert every()["pressure too high for the valve"].caught_by == "rich stop"


def test_a_stuck_valve_is_beyond_its_own_stop():
    fault = every()["nitrous valve stuck open"]
    assert fault.caught_by == "valve supervision"
    assert (
        fault.lambda_ > 1.2
    )  # all of the flow, none of the added fuel; a valve that no longer pulses has no strongest cycle
    spread = 1 + WREN.nitrous.cylinder_spread_percent / 100
    assert 1 < fault.lambda_worst / fault.lambda_ < spread


def test_leak_into_a_stopped_engine():
    fault = every()["valve leaks, engine stopped"]
    assert "Do not crank" in fault.happens
    assert not fault.computed


def test_limiter_by_what_it_cuts():
    for cuts, word in (("spark", "unburned"), ("fuel", "fuel cut"), ("both", "both"), ("unknown", "Nobody has said")):
        sheet = BADGER.replace({"controller.limiter_cuts": cuts})
        fault = one(sheet, "limiter hit while spraying", at(sheet, 6500.0, 0.5))
        assert word in fault.happens
        assert (fault.lambda_ > 2) == (cuts in ("fuel", "unknown"))


def test_lift_keeps_the_nitrous_longer():
    fault = every()["lift in the middle"]
    assert fault.caught_by == "throttle"
    assert fault.how_late_s > wash_out(WREN, 4500.0, "open", 0.5)["all"].best


def test_what_passes_before_a_stop_acts_is_caught_by_nothing():
    fault = every(BADGER)["fuel late"]
    assert fault.lambda_ > BADGER.limits.lean_stop_lambda
    assert fault.caught_by == NOTHING


def test_beyond_is_against_the_owners_limits():
    limits = Limits.of(WREN, firing_of(WREN), np.array([2500.0]))
    for fault in every().values():
        assert ("pressure" in fault.beyond) == (fault.P_max > limits.P_max)
        assert ("knock" in fault.beyond) == (fault.knock_ratio > 1)
        assert ("lean" in fault.beyond) == (fault.lambda_worst > WREN.limits.lean_stop_lambda)


@settings(max_examples=8, deadline=None)
@given(st.floats(0.1, 0.9))
def test_more_nitrous_makes_missing_fuel_leaner(share):
    less, more = (one(WREN, "added fuel missing", at(WREN, 4000.0, k)) for k in (share, share + 0.1))
    assert less.lambda_ < more.lambda_


def test_table_has_units_and_no_gap_where_computed():
    table = fault_table(list(every().values()))
    assert len(table) == len(NAMES)
    numbers = [
        "rpm",
        "lambda_mean",
        "lambda_worst",
        "oxygen_left_percent",
        "exhaust_K",
        "peak_pressure_bar",
        "knock_ratio",
    ]
    assert table.loc[table["computed"], numbers].notna().all().all()
    assert (table["peak_pressure_bar"].dropna() < 200).all()


def test_no_nitrous_no_fault():
    with pytest.raises(InputError, match="Without nitrous nothing can fail"):
        faults(WREN, at(WREN, 4000.0, 0.0))


@pytest.mark.parametrize("sheet", [WREN, BADGER], ids=["wren", "badger"])
def test_sentences_keep_to_one_system_of_units(sheet):
    told = " ".join(f"{f.name} {f.happens} {f.why}" for f in faults(sheet, dosed_of(sheet, 0.5), metric=False))
    assert not re.search(r"°C|\bbar\b|\b(?:kPa|kg|g/s|kg/h)\b", told)
    assert "psi" in told
    assert not re.search(r"°F|\b(?:psi|lb)\b", " ".join(f"{f.name} {f.happens}" for f in every(sheet).values()))


def test_the_plan_is_told_where_its_margin_is_thinnest():
    """Pressure may peak at one speed and the exhaust pass its limit at another."""
    hot = WREN.replace({"limits.exhaust_rise_k": 50})
    plan = one(hot, "as planned", at(hot, [2500.0, 4500.0, 6000.0], 0.5))
    assert "exhaust" in plan.beyond
