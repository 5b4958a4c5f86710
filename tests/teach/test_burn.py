"""Evaporation, the fuel rule, burn, retard, octane: what the lesson computes beside laws, published numbers and the plan itself."""

import functools

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError, plan_shot, units
from kernel_lib.band import Band
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.plan.closeup import knock_changes, look, plug
from kernel_lib.plan.fuel import fuel_for, lambda_with
from kernel_lib.plan.timing import LATER
from kernel_lib.teach import burn as tb
from kernel_lib.teach import fuel as tf
from kernel_lib.teach import retard as tr

CARS = ("wren_five", "badger_eight")
RPM = (3000.0, 4500.0, 6000.0)


@functools.cache
def car(name):
    sheet = BuildSheet.demo(name)
    return sheet, plan_shot(sheet)


def corners(name):
    return tuple(car(name)[1].timing.choices)


@functools.cache
def air(name):
    sheet, plan = car(name)
    return tf.evaporation(sheet, plan.flow.best, RPM)


@functools.cache
def needs(name):
    sheet, plan = car(name)
    return tr.retard_over_speed(sheet, corners(name), max(sheet.nitrous.shot_hp, plan.power.best), tr.places_of(sheet))


def row_near_peak(name):
    table = car(name)[1].timing.table
    good = table[table["reachable"].to_numpy(bool)]
    return good.iloc[(good["rpm"] - car(name)[0].engine.peak_power_rpm).abs().to_numpy().argmin()]


# evaporation


@pytest.mark.parametrize("name", CARS)
def test_with_all_heat_from_the_metal_vapour_takes_its_own_room_and_no_more(name):
    """Constant pressure and temperature: moles of vapour push out as many moles of moist air."""
    e = air(name)
    left, T = e.at(1.0)
    np.testing.assert_allclose(left, 1 - e.vapour, rtol=1e-6)
    np.testing.assert_allclose(T, e.T_air, atol=1e-3)
    np.testing.assert_allclose(e.air_low, left, rtol=1e-6)


@pytest.mark.parametrize("name", CARS)
def test_vapour_falls_as_one_over_speed_and_air(name):
    sheet, plan = car(name)
    setup = Setup.of(sheet)
    dose = plan.flow.best / (np.array(RPM) / 120 * setup.cylinders) / 44.013e-3
    np.testing.assert_allclose(air(name).vapour, dose / setup.air_moles(np.array(RPM)), rtol=1e-4)


@pytest.mark.parametrize("name", CARS)
def test_heat_balance_closes(name):
    """What the air gives up is what boiling asks of it, by heat capacities of handbooks (29.1 and about 34 J/(mol K))."""
    e, half = air(name), len(tf.WALLS) // 2
    setup = Setup.of(car(name)[0])
    moist = e.air[half] * setup.air_moles(np.array(RPM))
    given = moist * 29.15 * (e.T_air - e.T[half])
    vapour_cp = 820.0  # J/(kg K), nitrous vapour between 250 and 300 K, handbook
    mass = e.vapour * setup.air_moles(np.array(RPM)) * 44.013e-3
    asked = 0.5 * mass * (e.heat - vapour_cp * (e.T_air - e.T[half]))
    np.testing.assert_allclose(given, asked, rtol=0.02)


@pytest.mark.parametrize("name", CARS)
def test_more_heat_from_the_metal_means_warmer_charge_and_less_air(name):
    e = air(name)
    assert (np.diff(e.T, axis=0) >= -1e-9).all()
    assert (np.diff(e.air, axis=0) < 0).all()
    assert (e.air_low <= e.air.min(axis=0) + 1e-9).all()
    assert (e.air_high >= e.air.max(axis=0) - 1e-9).all()
    assert (e.oxygen_low <= e.oxygen).all()
    assert (e.oxygen <= e.oxygen_high).all()
    assert (e.oxygen_low > 1).all()  # nitrous always brings more than it pushes out: half an O2 a mole against a fifth


def test_heat_of_evaporation_is_the_published_one():
    """About 220 to 240 kJ/kg from a bottle at room temperature to vapour at intake temperature."""
    assert 205e3 < air("wren_five").heat < 245e3


def test_between_the_held_shares_a_line():
    e = air("wren_five")
    low, mid, high = (e.at(w)[1] for w in (0.30, 0.325, 0.35))
    np.testing.assert_allclose(mid, 0.5 * (low + high))
    direct = fresh_charge(Setup.of(car("wren_five")[0]), np.array(RPM), car("wren_five")[1].flow.best, wall_share=0.325)
    np.testing.assert_allclose(mid, direct.T, atol=0.1)


@pytest.mark.parametrize("name", CARS)
def test_fuel_for_the_wrong_air_gives_the_lambda_that_the_plan_s_own_functions_give(name):
    sheet, plan = car(name)
    setup, e, target = Setup.of(sheet), air(name), sheet.engine.lambda_with_nitrous
    charge = fresh_charge(setup, np.array(RPM[:1]), plan.flow.best)
    own = fresh_charge(setup, np.array(RPM[:1]), 0.0)
    believed = type(charge)(own.dry_air, own.water, charge.nitrous, charge.T, charge.evaporated)
    expected = lambda_with(setup, charge, fuel_for(setup, believed, target))
    assert float(e.lambda_if(target, 1.0)) == pytest.approx(float(expected[0]), rel=1e-9)
    assert float(e.lambda_if(target, e.likely[0])) == pytest.approx(target)
    with pytest.raises(InputError, match="air"):
        e.lambda_if(target, -0.1)
    with pytest.raises(InputError, match="wall_share"):
        e.at(1.2)


# fuel


@pytest.mark.parametrize("name", CARS)
def test_fuel_is_the_plan_s_where_the_flow_is_the_same(name):
    """At the speed of peak power, likely flow: the columns of the plan, computed another way."""
    sheet, plan = car(name)
    rpm = float(sheet.engine.peak_power_rpm)
    shot = tf.shot_fuel(sheet, plan.power.best, (rpm,))
    assert shot.flows[0] == pytest.approx(plan.flow.best, rel=2e-3)  # power and back
    for metering, column in (("speed-density", "fuel_speed_density_lb_h"), ("mass-air", "fuel_mass_air_lb_h")):
        expected = np.interp(rpm, plan.table["rpm"], plan.table[column])
        got = shot.band(metering).best / 100 * units.lb_h_from_kg_s(shot.rule)
        assert got == pytest.approx(expected, rel=5e-3)


def test_the_rule_lies_between_the_two_meterings_on_gasoline():
    """Physics notes: 24 to 27.5 lb/h per 100 hp for speed-density, 28.5 to 39 for mass-air, on another engine and a lambda of its own."""
    sheet, plan = car("wren_five")
    rich = sheet.replace({"engine.lambda_without_nitrous": 0.865, "engine.lambda_with_nitrous": 0.865})
    shot = tf.shot_fuel(rich, plan.power.best, (5500.0,))
    sd, ma = shot.band("speed-density"), shot.band("mass-air")
    assert 22 < 0.3 * sd.best < 30
    assert 28 < 0.3 * ma.best < 42
    assert sd.high < ma.best


def test_both_meterings_meet_where_the_vapour_takes_no_room():
    """All cooling turned into air (hopeful end): the lost air is back, so that little is left between the two."""
    sheet, plan = car("wren_five")
    shot = tf.shot_fuel(sheet, plan.power.best, (5500.0,))
    gap = shot.percent("mass-air") - shot.percent("speed-density")
    assert gap.min() < 0.3 * gap.max()
    lost = 1 - shot.charge.dry_air[0, 0] / fresh_charge(Setup.of(sheet), 5500.0, 0.0).dry_air
    own = shot._own("speed-density")[0, 0]
    per_second = float(Setup.of(sheet).cycles_per_second(5500.0))
    assert gap[0, 0] == pytest.approx(float(100 * lost * own * per_second / shot.rule), rel=1e-6)


@pytest.mark.parametrize("name", CARS)
def test_lambda_and_fuel_are_inverse(name):
    sheet, plan = car(name)
    shot = tf.shot_fuel(sheet, plan.power.best, (float(sheet.engine.peak_power_rpm),))
    own = sheet.controller.metering
    for target in (0.78, 0.85, 0.93):
        assert float(shot.lambda_at(shot.percent(own, target)[0, 0])[0]) == pytest.approx(target)
    assert (np.diff([float(shot.lambda_at(p)[0]) for p in (0, 50, 100, 200)]) < 0).all()


def test_heat_of_nitrous_coming_apart():
    """+82.05 kJ/mol heat of formation over 44.013 g/mol: 1.86 MJ/kg."""
    assert tf.nitrous_own_heat() == pytest.approx(82.05e3 / 44.013e-3, rel=0.006)


@pytest.mark.parametrize(
    ("need", "room"),
    [
        ((0.30, 0.33, 0.36), "plain"),
        ((0.33, 0.36, 0.40), "little"),
        ((0.33, 0.36, 0.45), "none"),
        ((0.38, 0.41, 0.46), "none"),
        ((0.41, 0.45, 0.50), "beyond"),
        ((0.44, 0.50, 0.60), "impossible"),
    ],
)
def test_room_is_what_the_need_leaves_of_what_an_engine_gives(need, room):
    """An engine gives 0.34 to 0.42."""
    assert tf.HeatAccount(1.0, 1.0, 1.0, 0.6, Band(*need, "")).room == room


@pytest.mark.parametrize("name", CARS)
def test_landings_follow_one_another_from_lean_to_rich(name):
    sheet = car(name)[0]
    found = [tf.landing(sheet, v) for v in np.arange(1.5, 0.5, -0.005)]
    assert list(dict.fromkeys(found)) == list(tf.LANDINGS)
    assert tf.landing(sheet, sheet.engine.lambda_with_nitrous) == "target"
    assert tf.landing(sheet, sheet.limits.lean_stop_lambda) == "lean stop"
    assert tf.landing(sheet, sheet.limits.lean_stop_lambda - 0.02) == "lean"
    assert tf.landing(sheet, sheet.limits.misfire_rich_lambda) == "misfire"
    with pytest.raises(InputError, match="lambda"):
        tf.landing(sheet, 0.0)


def test_heat_account_of_the_trade_s_rule():
    """By hand: 30 lb/h of gasoline of 43 MJ/kg is 163 kW for 74.6 kW, 46 %."""
    sheet, plan = car("wren_five")
    shot = tf.shot_fuel(sheet, plan.power.best, (5500.0,))
    heat = tf.heat_account(sheet, shot)
    assert heat.on_fuel == pytest.approx(74570 / (30 * 0.45359 / 3600 * 43.2e6), rel=0.02)
    assert heat.on_both.low < heat.on_both.best < heat.on_both.high < heat.on_fuel
    assert heat.power_W / (heat.fuel_W + heat.nitrous_W) == pytest.approx(heat.on_both.best)
    assert heat.room == "plain"
    with pytest.raises(InputError, match="same sheet"):
        tf.heat_account(car("badger_eight")[0], shot)
    with pytest.raises(InputError, match="shot_hp"):
        tf.shot_fuel(sheet, 0.0, (5500.0,))


# burn


@pytest.mark.parametrize("name", CARS)
def test_burn_rate_is_the_plan_s_phasing(name):
    row = row_near_peak(name)
    b = tb.burn_rate(car(name)[0], float(row["rpm"]), corners(name))
    ends = (b.shift_deg.low, b.shift_deg.best, b.shift_deg.high)
    np.testing.assert_allclose(ends, [row[f"phasing_deg{end}"] for end in ("_low", "", "_high")], atol=1e-6)
    assert b.percent.low < b.percent.best < b.percent.high
    assert b.hotter_K > 100
    assert b.all_known


@pytest.mark.parametrize("name", CARS)
def test_a_faster_flame_burns_shorter(name):
    b = tb.burn_rate(car(name)[0], float(row_near_peak(name)["rpm"]), corners(name))
    assert (np.diff(b.duration_deg) < 0).all()
    assert b.at(1.0)[1] == pytest.approx(b.percent.best / 100 * b.own[1], rel=2e-3)
    assert b.at(0.8)[1] <= b.percent.high / 100 * b.own[1] + 1e-6
    assert b.at(1.2)[1] >= b.percent.low / 100 * b.own[1] - 1e-6
    with pytest.raises(InputError, match="factor"):
        b.at(1.5)


def test_share_burned_has_its_tenths_where_duration_and_delay_say():
    b = tb.burn_rate(car("wren_five")[0], 5500.0, corners("wren_five"))
    theta = np.linspace(-60, 140, 20001)
    x = b.burned(theta, *b.own)
    ten, half, ninety = np.interp([0.1, 0.5, 0.9], x, theta)
    assert ninety - ten == pytest.approx(b.own[1], abs=0.02)
    assert half == pytest.approx(9.0, abs=0.1)  # best torque
    assert (np.diff(x) >= 0).all()
    assert x[0] == 0
    assert x[-1] == 1


def test_rich_flames_are_those_of_the_notes():
    """Physics notes: 0.93 to 1.15 at 10 % N2O for rich flames; at 5 % often below 1."""
    ten, five = tb.rich_flames(0.1), tb.rich_flames(0.05)
    assert ten.low == pytest.approx(0.93, abs=0.02)
    assert ten.high == pytest.approx(1.15, abs=0.04)
    assert five.low < 1


def test_a_flame_outside_its_table_is_refused():
    sheet, plan = car("wren_five")
    much = tuple(type(c)(0.075, c.wall, c.exponent, c.flame, c.work) for c in plan.timing.choices)
    with pytest.raises(InputError, match="leaves the table"):
        tb.burn_rate(sheet, 2500.0, much)


# octane and plugs


@functools.cache
def asked(name):
    row = row_near_peak(name)
    return tb.load(car(name)[0], float(row["rpm"]), corners(name), 10.0)


@pytest.mark.parametrize("name", CARS)
def test_octane_scales_the_knock_integral_by_its_published_power(name):
    """Douaud & Eyzat 1978: induction time goes with (ON/100)^3.402."""
    q = asked(name)
    assert q.knock_at(0.0) == q.knock.best
    assert q.knock_at(4.0) / q.knock.best == pytest.approx((q.ron / (q.ron + 4)) ** 3.402)
    with pytest.raises(InputError, match="octane"):
        q.knock_at(60.0)


@pytest.mark.parametrize("name", CARS)
def test_degrees_of_an_octane_step_are_the_timing_page_s(name):
    sheet, plan = car(name)
    q = asked(name)
    changes = {c.amount: c for c in knock_changes(sheet, q.rpm, plan.flow.best, 10.0) if c.name == "octane"}
    for amount, change in changes.items():
        assert q.degrees(amount) == pytest.approx(change.degrees, abs=1e-6)
        assert q.knock_at(amount) / q.knock.best == pytest.approx(change.ratio, rel=1e-6)
    assert q.degrees(0.0) == pytest.approx(0.0, abs=1e-9)
    assert (np.diff([q.degrees(m) for m in (-4, -2, 0, 2, 4)]) > 0).all()


@pytest.mark.parametrize("name", CARS)
def test_load_is_the_close_up_s(name):
    """Likely values beside a cycle looked at by itself; what is per second beside its plug."""
    sheet, plan = car(name)
    q = asked(name)
    view = look(sheet, q.rpm, plan.flow.best, 10.0)
    p = plug(sheet, view)
    assert q.heat.best == pytest.approx(p.heat_cycle, rel=1e-4)
    assert q.heat_second == pytest.approx(p.heat_own_max, rel=1e-4)
    assert q.voltage.best == pytest.approx(p.voltage_kV / p.voltage_own_kV, rel=1e-4)
    assert q.voltage_own_kV == pytest.approx(p.voltage_own_kV, rel=1e-4)
    assert q.knock.best == pytest.approx(view.shot_row["knock_integral"] / view.own_row["knock_integral"], rel=1e-3)
    for band in (q.knock, q.heat, q.voltage, q.power):
        assert band.low < band.best < band.high


@pytest.mark.parametrize("name", CARS)
def test_late_timing_hides_heat(name):
    q = asked(name)
    none = tb.load(car(name)[0], q.rpm, corners(name), 0.0)
    assert q.heat_none == pytest.approx(none.heat.best, rel=1e-3)
    assert none.heat.best > q.heat.best
    assert none.knock.best > q.knock.best
    assert none.voltage.best < q.voltage.best  # a later spark fires into denser gas


# retard


@pytest.mark.parametrize("name", CARS)
def test_what_sets_a_first_hit_is_the_plan_s(name):
    r, table = needs(name), car(name)[1].timing.table
    for n, rpm in enumerate(r.rpm):
        for governs in table.loc[np.isclose(table["rpm"], rpm), "governs"]:
            assert r.edge_governs[-1][n] == governs


@pytest.mark.parametrize("name", CARS)
def test_places_span_the_window(name):
    sheet = car(name)[0]
    places = tr.places_of(sheet)
    assert len(places) == 6
    assert (places[0], places[-1]) == (sheet.nitrous.spray_rpm_min, sheet.nitrous.spray_rpm_max) or name == "wren_five"
    assert (np.diff(places) > 0).all()
    narrow = sheet.replace({"nitrous.spray_rpm_min": 5000, "nitrous.spray_rpm_max": 5200})
    assert len(tr.places_of(narrow)) == 6
    assert (np.diff(tr.places_of(narrow)) > 0).all()


@pytest.mark.parametrize("name", CARS)
def test_the_whole_shot_is_the_plan_s_own_timing(name):
    r, table = needs(name), car(name)[1].timing.table
    whole = r.row(1.0)
    for n, rpm in enumerate(r.rpm):
        same = table[np.isclose(table["rpm"], rpm)]
        if same.empty:
            continue
        row = same.iloc[0]
        for reason in ("phasing", "knock", "pressure"):
            assert r.needs[reason][whole, n] == pytest.approx(row[f"{reason}_deg"], abs=1e-6)
        assert bool(row["reachable"]) == r.reachable[whole, n]
        if row["reachable"]:
            assert r.first_hit[whole, n] == pytest.approx(row["first_hit_deg"], abs=1e-6)
    assert any(np.isclose(table["rpm"].to_numpy()[:, None], r.rpm).any(axis=0))


@pytest.mark.parametrize("name", CARS)
def test_less_of_the_shot_asks_for_less(name):
    r = needs(name)
    assert (np.diff(r.edge, axis=0) > -0.3).all()
    assert (np.diff(r.rule, axis=0) > 0).all()
    np.testing.assert_allclose(r.rule[0], 0.2 * r.rule[-1])
    assert (r.low <= r.likely + 1e-9).all()
    assert (r.likely <= r.edge + 1e-9).all()
    assert (np.diff(r.reachable.sum(axis=1)) <= 0).all()
    assert np.isfinite(r.first_hit).sum() == r.reachable.sum()
    with pytest.raises(InputError, match="share"):
        r.row(0.5)


@pytest.mark.parametrize("name", CARS)
def test_dose_per_cycle_makes_pressure_ask_most_at_low_speed(name):
    r = needs(name)
    assert (np.diff(r.peak_none) < 0).all()
    over = r.peak_none > r.P_limit
    np.testing.assert_array_equal(over, r.needs["pressure"][-1] > 0)


def test_without_retard_the_cycle_is_that_of_the_close_up():
    """With cylinders alike the worst is the mean one, fired by itself."""
    sheet, plan = car("wren_five")
    alike = sheet.replace({"nitrous.cylinder_spread_percent": 0})
    r = tr.retard_over_speed(alike, corners("wren_five"), plan.power.best, (4000.0, 6000.0))
    for n, rpm in enumerate(r.rpm):
        view = look(alike, float(rpm), plan.flow.best, 0.0)
        assert r.peak_none[n] == pytest.approx(view.shot_row["P_max"], rel=2e-3)
        own = view.own_row["knock_integral"]
        assert r.knock_none[n] == pytest.approx(view.shot_row["knock_integral"] / own, rel=5e-3)


def test_governing_reason_is_the_largest_need():
    r = needs("wren_five")
    for share in range(len(tr.SHARES)):
        for n in range(len(r.rpm)):
            largest = max(r.needs, key=lambda reason: r.needs[reason][share, n])
            assert r.governs[share, n] == largest


def test_too_much_retard_costs_power():
    r = needs("wren_five")
    assert (r.lost_hp > 3).all()
    assert LATER == 5.0
