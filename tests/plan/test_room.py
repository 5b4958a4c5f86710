"""Every dose at every speed: exact at its points, true to a stated error between, what each limit allows, and the trade's rules beside it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError, plan_shot
from kernel_lib.build_fields import describe
from kernel_lib.plan.power import firing_of, shot_power
from kernel_lib.plan.room import (
    LIMITS,
    NONE,
    READ_ERROR,
    READ_SHORT,
    SHARES,
    crank_torque,
    dose_map,
    nothing_fits,
    own_power_factor,
)
from kernel_lib.plan.spark import Limits
from kernel_lib.plan.timing import Shares, last_kept

WREN, BADGER = (BuildSheet.demo(name) for name in ("wren_five", "badger_eight"))
CARS = {"wren": WREN, "badger": BADGER}
COLUMNS = ("first_hit_deg", "power_gain_hp", "peak_pressure_bar_high", "knock_ratio_high", "rule_deg", "rule_fuel_lb_h")
FUEL = ("nitrous_kg_s", "fuel_speed_density_kg_h", "fuel_mass_air_kg_h_high", "injector_duty_percent")

MEASURED = {
    "wren": {"first_hit_deg": 0.7, "power_gain_hp": 1.0, "peak_pressure_bar_high": 1.2},
    "badger": {"first_hit_deg": 0.9, "power_gain_hp": 2.2, "peak_pressure_bar_high": 2.6},
}
"""What direct plans at some hundred random doses and speeds differ by, with a little to spare."""
FUEL_ERROR = {"fuel_speed_density_kg_h": 0.01, "fuel_mass_air_kg_h": 0.005, "fuel_added_percent": 0.6}
WORST = {"wren": [(3260.0, 0.561), (4895.0, 0.929)], "badger": [(3159.0, 0.568), (5526.0, 0.859)]}
"""Where the reading is furthest off: beside the dose at which pressure takes over from phasing, and between 0.8 and 1."""


@pytest.fixture(scope="module", params=CARS)
def name(request):
    return request.param


@pytest.fixture(scope="module")
def room(name):
    return dose_map(CARS[name])


@pytest.fixture(scope="module")
def direct(name, room):
    """Direct plans at random doses and speeds, and where the map reads worst."""
    rng = np.random.default_rng(20)
    rpm, part = rng.uniform(room.rpm[0], room.rpm[-1], 80), rng.uniform(0.02, 0.99, 80)
    share = part * np.minimum(1.0, room.most_at(rpm))
    rpm, share = (np.append(a, b) for a, b in zip((rpm, share), np.transpose(WORST[name]), strict=True))
    order = rpm.argsort()
    rpm, share = rpm[order], share[order]
    return rpm, share, plan_shot(CARS[name], rpm=rpm, share=Shares(share, share, share)).table


# --- reading the map


@pytest.mark.parametrize("share", [0.2, 0.8])
def test_exact_at_its_points(name, room, share):
    plan = plan_shot(CARS[name], rpm=room.rpm, share=Shares(share, share, share)).table
    reach = plan["reachable"].to_numpy()
    assert (reach == (room.columns["room_deg"][SHARES.index(share)] >= 0)).all()
    assert reach.any()
    for column in (*COLUMNS, *FUEL):
        got = room.at(column, room.rpm[reach], share)
        assert got == pytest.approx(plan[column].to_numpy()[reach], rel=1e-9, abs=1e-12), column


def _errors(room, direct, columns):
    rpm, share, plan = direct
    assert plan["reachable"].all()
    return {c: float(np.abs(room.at(c, rpm, share) - plan[c].to_numpy()).max()) for c in columns}


def test_fuel_between_the_points(room, direct):
    errors = _errors(room, direct, FUEL_ERROR)
    assert all(errors[c] < most for c, most in FUEL_ERROR.items()), errors
    rpm, share, plan = direct
    assert room.at("nitrous_kg_s", rpm, share) == pytest.approx(plan["nitrous_kg_s"].to_numpy(), rel=1e-9)


def test_timing_power_and_pressure_between_the_points(name, room, direct):
    errors = _errors(room, direct, READ_ERROR)
    assert all(errors[c] < most for c, most in MEASURED[name].items()), errors


def test_a_first_hit_read_is_never_short(room, direct):
    """With what is added for reading, up to the half degree: never 0.2 degrees below a direct plan; seldom below at all."""
    rpm, share, plan = direct
    over = room.first_hit(rpm, share) - plan["first_hit_deg"].to_numpy()
    assert over.min() > -0.2
    assert over.max() < READ_ERROR["first_hit_deg"] + READ_SHORT + 0.5
    assert (over >= 0).mean() > 0.95


def test_a_first_hit_read_is_at_most_15_tenths_too_much(request, name, room, direct):
    if name == "badger":
        reason = "beside the dose at which pressure takes over the map reads 0.9 degrees high, 1.7 with what is added"
        request.applymarker(pytest.mark.xfail(strict=True, reason=reason))
    rpm, share, plan = direct
    assert (room.first_hit(rpm, share) - plan["first_hit_deg"].to_numpy()).max() < 1.5


def test_a_first_hit_read_is_the_map_and_a_little(room):
    share = np.linspace(0.02, 1.0, 30)[:, None] * np.minimum(1.0, room.most)
    rpm = np.broadcast_to(room.rpm, share.shape)
    need, read = room.at("first_hit_deg", rpm, share), room.first_hit(rpm, share)
    assert (2 * read % 1 == 0).all()
    assert (read >= need + 0.3 - 1e-6).all()
    assert (read < need + 0.8).all()
    assert (room.first_hit(rpm, 0 * share) == 0).all()


def test_stated_error_is_true(room, direct):
    errors = _errors(room, direct, READ_ERROR)
    assert all(errors[c] < most for c, most in READ_ERROR.items()), errors
    assert READ_ERROR == {"first_hit_deg": 0.9, "power_gain_hp": 4.0, "peak_pressure_bar_high": 2.5}


def test_a_large_nozzle_warns_of_nothing():
    dose_map(BADGER.replace({"nitrous.nozzle_diameter_mm": 2.2}))


OUTSIDE = r"rpm is .* rpm; allowed: \d+ to \d+ rpm. There the spray window"


@pytest.mark.parametrize("rpm", [1000.0, 9000.0, np.nan, np.inf])
def test_speeds_outside_are_refused(room, rpm):
    with pytest.raises(InputError, match=OUTSIDE):
        room.at("retard_deg", [rpm], 0.5)
    with pytest.raises(InputError, match=OUTSIDE):
        room.most_at([room.rpm[0], rpm])


def test_a_single_speed_outside_is_refused(room):
    with pytest.raises(InputError, match=OUTSIDE):
        room.most_at(1000.0)


@pytest.mark.parametrize("share", [-0.1, 2.0])
def test_shares_outside_are_refused(room, share):
    with pytest.raises(InputError, match=rf"share is {share:g} of the full flow; allowed: 0 to {room.share[-1]:g}"):
        room.at("retard_deg", room.rpm[0], share)


# --- what the limits allow


def test_limits_have_names(room):
    assert set(room.allowed) - {"timing"} <= set(LIMITS)
    assert set(room.binds) <= set(LIMITS)
    assert ((room.most >= room.share[-1] - 1e-9) == (np.array(room.binds) == NONE)).all()
    assert room.most == pytest.approx(np.min(list(room.allowed.values()), axis=0))
    assert (room.most > 0).all()


def test_no_dose_asks_for_nothing(room):
    """Limit of nothing: no retard, and of power only what the richer target costs."""
    first = {k: v[0].astype(float) for k, v in room.columns.items() if k in COLUMNS}
    for column in ("first_hit_deg", "rule_deg", "rule_fuel_lb_h"):
        assert first[column] == pytest.approx(0.0, abs=1e-6)
    engine = room.sheet.engine
    assert engine.lambda_with_nitrous < engine.lambda_without_nitrous
    assert (first["power_gain_hp"] <= 0).all()
    assert (first["power_gain_hp"] > -0.01 * room.columns["power_own_hp"][0]).all()


@pytest.mark.parametrize("part", [0.97, 1.03])
def test_timing_allows_what_a_direct_plan_reaches(name, room, part):
    rpm = np.linspace(room.rpm[0] + 130, room.rpm[-1] - 170, 7)
    share = part * np.interp(rpm, room.rpm, room.allowed["timing"])
    keep = share < 1.2  # beyond, the map's own end counts
    plan = plan_shot(CARS[name], rpm=rpm[keep], share=Shares(share[keep], share[keep], share[keep])).table
    assert keep.sum() >= 3
    assert (plan["reachable"] == (part < 1)).all()


def test_peak_pressure_keeps_its_limit_at_every_dose_allowed(name, room):
    limit = Limits.of(CARS[name], firing_of(CARS[name]), room.rpm).P_max / 1e5
    inside = room.share[:, None] <= room.most[None, :]
    assert (room.columns["peak_pressure_bar_high"].astype(float)[inside] <= limit * (1 + 1e-4)).all()


@pytest.fixture(scope="module")
def limited():
    """A car with every limit an owner can state, each of which binds somewhere or nearly."""
    return WREN.replace(
        {
            "limits.oxygen_share_percent": 22.6,
            "limits.power_hp": 230.0,
            "limits.wheel_torque_nm": 2400.0,
            "parts.clutch_torque_nm": 400.0,
            "driveline.gear_ratios": [3.5, 2.1, 1.4, 1.0],
            "driveline.final_ratio": 3.4,
        }
    )


@pytest.mark.parametrize(
    ("limit", "column", "value"),
    [
        ("oxygen share", "oxygen_share_high", 0.226),
        ("power", "power_high_hp", 230.0),
        ("clutch", "torque_high_nm", 400.0),
        ("wheels", "torque_high_nm", 2400.0 / (2.1 * 3.4 * 0.88)),
        ("injectors", "injector_duty_percent_high", 85.0),
        ("half nitrous", "nitrous_fraction_high", 0.5),
    ],
)
def test_each_limit_is_met_where_it_says(limited, limit, column, value):
    room = dose_map(limited)
    share = room.allowed[limit]
    met = room.at(column, room.rpm, share)
    binds = (share > 0) & (share < room.share[-1])
    assert met[binds] == pytest.approx(value, rel=1e-9)
    assert (met[share >= room.share[-1]] <= value).all()
    assert (room.at(column, room.rpm, np.zeros(len(room.rpm)))[share <= 0] > value).all()
    assert limit in ("injectors", "half nitrous") or binds.any()


def test_power_at_the_high_end_begins_at_the_measured_one(room, name):
    engine = CARS[name].engine
    firing = firing_of(CARS[name])
    own = float(firing.at("brake_W", engine.peak_power_rpm)) * engine.cylinders / 745.6999  # NIST SP 811
    assert own * own_power_factor(CARS[name]) == pytest.approx(engine.peak_power_hp, rel=1e-6)
    power, torque = room.columns["power_high_hp"], room.columns["torque_high_nm"]
    assert torque * room.rpm * 2 * np.pi / 60 == pytest.approx(power * 745.6999, rel=1e-6)
    assert (np.diff(power[:6], axis=0) > 0).all()


def test_crank_torque_by_hand(limited):
    assert crank_torque(limited, 2) == pytest.approx(2400 / (2.1 * 3.4 * 0.88))
    assert crank_torque(limited, 4) == pytest.approx(2400 / (1.0 * 3.4 * 0.88))
    assert crank_torque(limited, 4) > crank_torque(limited, 1)
    assert crank_torque(limited, 5) is None
    for missing in ("driveline.gear_ratios", "driveline.final_ratio", "limits.wheel_torque_nm"):
        assert crank_torque(limited.replace({missing: None}), 2) is None


def test_nothing_fits_is_said_with_its_reason(room):
    assert nothing_fits(room) is None
    poor = dose_map(WREN.replace({"limits.power_hp": 60.0}))
    said = nothing_fits(poor)
    assert said.startswith("No nitrous fits under these limits at any rpm, because of the owner's power")
    assert (poor.most == 0).all()


def test_a_map_is_kept_for_what_does_not_touch_it(room, name):
    sheet = CARS[name]
    other = dose_map(sheet.replace({"nitrous.pulse_hz": 17.0, "car.name": "another", "controller.filter_ms": 20.0}))
    assert other.columns is room.columns
    assert other.sheet.nitrous.pulse_hz == 17.0
    assert room.sheet == sheet


# --- where a slack runs out


def test_last_kept_by_hand():
    shares = np.array([0.0, 0.5, 1.0])
    slack = np.array([[4.0, -1.0, 1.0, 2.0, 3.0], [2.0, 5.0, -1.0, 1.0, np.nan], [-2.0, 5.0, 5.0, 0.0, 5.0]])
    assert last_kept(shares, slack) == pytest.approx([0.75, 0.0, 0.25, 1.0, 0.0])
    assert last_kept(shares, np.array([[3.0], [1.0], [-np.inf]])) == pytest.approx([0.5])


@given(st.lists(st.floats(-5, 5, allow_subnormal=False), min_size=4, max_size=4), st.floats(0.01, 3))
@settings(max_examples=60, deadline=None)
def test_last_kept_more_slack_allows_no_less(slack, more):
    shares, slack = np.array([0.0, 0.3, 0.7, 1.0]), np.array(slack)[:, None]
    assert last_kept(shares, slack + more) >= last_kept(shares, slack) - 1e-12
    assert 0 <= last_kept(shares, slack)[0] <= 1


# --- the trade's rules (common practice, no source), recomputed for a car


def test_trade_rule_fuel_and_retard_of_150_hp():
    """30 lb/h per 100 hp and 2 degrees per 50 hp: 45 lb/h and 6 degrees for all of 150 hp, half of both for half of it."""
    room = dose_map(BADGER)
    assert BADGER.nitrous.shot_hp == 150
    assert room.at("rule_fuel_lb_h", room.rpm, 1.0) == pytest.approx(45.0)
    assert room.at("rule_deg", room.rpm, 1.0) == pytest.approx(6.0)
    assert room.at("rule_fuel_lb_h", room.rpm, 0.5) == pytest.approx(22.5)
    assert room.at("rule_deg", room.rpm, 0.5) == pytest.approx(3.0)


def test_trade_rule_half_the_duty_is_half_the_power():
    """150 hp at half duty counts as 75: half the flow is worth half as much, as far as the energy goes."""
    full = dose_map(BADGER).full_flow
    assert shot_power(BADGER, 0.5 * full) == pytest.approx(0.5 * shot_power(BADGER, full), rel=0.02)


@pytest.mark.parametrize(("path", "value"), [("nitrous.pulse_hz", 10.0), ("nitrous.fuel_lead_ms", 100.0)])
def test_trade_facts_are_the_defaults_and_marked(path, value):
    assert BuildSheet.demo("wren_five").value(path) == value
    assert describe(path)["basis"] == "common practice, no source"
