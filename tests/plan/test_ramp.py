"""How the nitrous comes in: a proposed ramp keeps every limit between its points too, is no steeper than asked, and is the largest."""

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError, plan_shot
from kernel_lib.engine.setup import spray_speeds
from kernel_lib.plan.power import firing_of
from kernel_lib.plan.pulsing import Pulsing
from kernel_lib.plan.ramp import (
    FULL_HIT,
    OVER_RPM,
    OVER_TIME,
    STAGES,
    Ramp,
    bound_of,
    breach_sentences,
    breaches,
    drawn,
    gear_rises,
    over_time,
    propose,
    propose_stages,
    ramp_of,
    ramp_sentence,
    slowest_rise,
    typed,
    worst_over_rpm,
)
from kernel_lib.plan.room import dose_map
from kernel_lib.plan.spark import Limits
from kernel_lib.plan.timing import Shares

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
CARS = {"wren": WREN, "badger": BADGER.replace({"nitrous.progressive": True})}
QUICK = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

pulse = st.one_of(st.sampled_from([10.0, 20.0]), st.floats(2.0, 30.0))
steepness = st.floats(0.02, 4.0)


@pytest.fixture(scope="module", params=CARS)
def car(request):
    return request.param


def at_hz(car, hz):
    """A car with another pulse frequency, its map (the same for all) and its valve."""
    sheet = CARS[car].replace({"nitrous.pulse_hz": hz})
    return sheet, dose_map(sheet), Pulsing.of(sheet)


def strongest_less_allowed(room, pulsing, ramp, rpm, margin=0.0):
    """The leanest cycle between pulses takes some of the room away."""
    leaned = room.leaned(pulsing.excess(room.rpm, ramp.over_rpm(room.rpm)))
    return pulsing.strongest(rpm, ramp.over_rpm(rpm)) - (1 - margin) * leaned.most_at(rpm)


def grid(room):
    return np.unique(np.append(room.rpm, np.arange(np.ceil(room.rpm[0] / 50) * 50, room.rpm[-1], 50.0)))


# --- a proposed ramp: no limit is broken at any speed


@given(pulse, st.floats(0.05, 0.6), steepness, st.lists(st.floats(0, 1), min_size=30, max_size=30))
@QUICK
def test_no_limit_is_broken_at_any_speed(car, hz, margin, steepest, places):
    sheet, room, pulsing = at_hz(car, hz)
    ramp = propose(sheet, room, margin=margin, steepest=steepest)
    rpm = np.append(room.rpm[0] + np.array(places) * (room.rpm[-1] - room.rpm[0]), grid(room))
    assert strongest_less_allowed(room, pulsing, ramp, rpm).max() <= 1e-9


@given(st.floats(9.0, 30.0), st.floats(0.1, 0.6), steepness)
@QUICK
def test_a_proposed_ramp_breaks_no_limit_of_its_own(car, hz, margin, steepest):
    """The leanest cycle of its own pulses counted, which burns hotter into the exhaust."""
    sheet, room, _ = at_hz(car, hz)
    assert not breaches(sheet, room, propose(sheet, room, margin=margin, steepest=steepest))


@pytest.mark.parametrize(
    ("hz", "margin", "steepest"), [(2.0913, 0.1, 1.3493), (3.3566, 0.1, 0.3809), (4.9616, 0.0, 3.2887)]
)
def test_a_proposed_ramp_of_slow_pulses_breaks_no_limit_of_its_own(hz, margin, steepest):
    sheet, room, _ = at_hz("wren", hz)
    assert not breaches(sheet, room, propose(sheet, room, margin=margin, steepest=steepest))


@given(st.floats(8.0, 30.0), st.floats(0.0, 0.6), steepness)
@QUICK
def test_the_margin_is_kept_every_50_rpm(car, hz, margin, steepest):
    sheet, room, pulsing = at_hz(car, hz)
    ramp = propose(sheet, room, margin=margin, steepest=steepest)
    assume(ramp.share[0] > 0 or (ramp.share == 0).all())  # see the next
    assert strongest_less_allowed(room, pulsing, ramp, grid(room), margin).max() <= 1e-6


def test_the_margin_is_kept_where_the_ramp_opens(car):
    sheet, room, pulsing = at_hz(car, 24.0)
    ramp = propose(sheet, room, margin=0.5, steepest=1.0)
    assert strongest_less_allowed(room, pulsing, ramp, grid(room), 0.5).max() <= 1e-6


@given(st.floats(8.0, 30.0), st.floats(0.0, 0.6), steepness)
@QUICK
def test_between_the_50_rpm_the_margin_is_broken_beside_the_gap_alone(car, hz, margin, steepest):
    """At whole speeds: for less than one such step, where the valve is already open for good, and never the limit itself."""
    sheet, room, pulsing = at_hz(car, hz)
    ramp = propose(sheet, room, margin=margin, steepest=steepest)
    assume(ramp.share[0] > 0 or (ramp.share == 0).all())  # see above
    rpm = np.arange(room.rpm[0], room.rpm[-1] + 0.5)
    assert strongest_less_allowed(room, pulsing, ramp, rpm).max() <= 1e-9
    broken = np.flatnonzero(strongest_less_allowed(room, pulsing, ramp, rpm, margin) > 1e-6)
    assert pulsing.between(ramp.over_rpm(rpm[broken])).all()
    assert all(len(run) < 50 for run in np.split(broken, np.flatnonzero(np.diff(broken) > 1) + 1))


@pytest.mark.xfail(strict=True, reason="at 2 Hz and without a margin the limit of the leanest cycle is broken")
def test_no_limit_is_broken_by_the_slowest_pulses():
    sheet, room, pulsing = at_hz("wren", 2.0)
    ramp = propose(sheet, room, margin=0.0, steepest=0.25)
    rpm = np.arange(room.rpm[0], room.rpm[-1] + 0.5)
    assert strongest_less_allowed(room, pulsing, ramp, rpm).max() <= 1e-6


@pytest.mark.parametrize(
    ("hz", "margin", "steepest"),
    [
        (10.0, 0.1, 0.4),
        (10.0, 0.0, 4.0),
        (20.0, 0.05, 4.0),
        (6.6207, 0.0, 1.30871),
        (2.41497, 0.0, 2.81621),
    ],
)
def test_no_limit_is_broken_at_any_whole_speed(hz, margin, steepest):
    sheet, room, pulsing = at_hz("wren", hz)
    ramp = propose(sheet, room, margin=margin, steepest=steepest)
    rpm = np.arange(room.rpm[0], room.rpm[-1] + 0.5)
    assert strongest_less_allowed(room, pulsing, ramp, rpm).max() <= 1e-6


@pytest.mark.parametrize(("hz", "margin", "steepest"), [(10.0, 0.1, 0.4), (20.0, 0.03, 4.0)])
def test_a_direct_plan_agrees(car, hz, margin, steepest):
    """The strongest cycle's dose, planned by itself between the map's points: reachable, and its peak pressure under the limit."""
    sheet, room, pulsing = at_hz(car, hz)
    ramp = propose(sheet, room, margin=margin, steepest=steepest)
    rpm = np.sort(np.random.default_rng(7).uniform(room.rpm[0], room.rpm[-1], 8))
    share = pulsing.strongest(rpm, ramp.over_rpm(rpm))
    plan = plan_shot(sheet, rpm=rpm, share=Shares(share, share, share)).table
    assert plan["reachable"].all()
    limit = Limits.of(sheet, firing_of(sheet), rpm).P_max / 1e5
    assert (plan["peak_pressure_bar_high"] <= limit * (1 + 1e-6)).all()
    assert (plan["injector_duty_percent_high"] <= sheet.limits.injector_duty_percent).all()
    assert (plan["pump_percent_high"] <= sheet.limits.pump_percent).all()


def test_nothing_is_proposed_where_nothing_fits():
    sheet = WREN.replace({"limits.power_hp": 60.0})
    ramp = propose(sheet, dose_map(sheet))
    assert (ramp.share == 0).all()
    assert ramp_sentence(ramp) == "Nothing flows at any speed."


def test_shares_proposed_are_shares_the_valve_delivers(car):
    for hz in (5.0, 10.0, 20.0):
        sheet, room, pulsing = at_hz(car, hz)
        share = propose(sheet, room).share
        assert pulsing.floor(share) == pytest.approx(share, abs=1e-12)


# --- no steeper than asked, but where the valve cannot deliver what lies between


def too_steep(ramp, pulsing, steepest):
    """Most by which a step of the ramp is larger than asked, steps over the valve's gaps (0 to its least, its most to 1) left out."""
    low, high = np.minimum(ramp.share[:-1], ramp.share[1:]), np.maximum(ramp.share[:-1], ramp.share[1:])
    gap = ((high == 1) & (low >= pulsing.most - 1e-9)) | ((low == 0) & (high >= pulsing.least - 1e-9))
    over = high - low - steepest / 1000 * np.diff(ramp.at)
    return float(np.where(gap, -1.0, over).max())


def test_no_steeper_than_asked_by_default(car):
    sheet, room, pulsing = at_hz(car, 10.0)
    assert too_steep(propose(sheet, room), pulsing, sheet.ramp.steepest_percent / 100) <= 1e-9


@given(pulse, st.floats(0.0, 0.6), steepness)
@QUICK
def test_no_steeper_than_asked(car, hz, margin, steepest):
    sheet, room, pulsing = at_hz(car, hz)
    assert too_steep(propose(sheet, room, margin=margin, steepest=steepest), pulsing, steepest) <= 1e-9


@pytest.mark.parametrize(
    ("name", "hz", "margin", "steepest"), [("wren", 10.0, 0.23171, 0.20346), ("badger", 3.41934, 0.09002, 0.54176)]
)
def test_no_steeper_than_asked_after_lowering(name, hz, margin, steepest):
    sheet, room, pulsing = at_hz(name, hz)
    assert too_steep(propose(sheet, room, margin=margin, steepest=steepest), pulsing, steepest) <= 1e-6


# --- the largest


def may_rise(room, pulsing, ramp, margin, steepest, by=0.1):
    """Points that could be `by` higher with the bound and the slope kept every 50 rpm."""
    fine, bound = bound_of(pulsing.sheet, room, margin)
    out = []
    for k in range(len(ramp.at)):
        share = ramp.share.copy()
        share[k] += by
        if share[k] > pulsing.most or share[k] < pulsing.least:
            continue  # the valve cannot
        higher = Ramp(OVER_RPM, ramp.at, share, "drawn")
        if too_steep(higher, pulsing, steepest) > 1e-9:
            continue
        line = higher.over_rpm(fine)
        if (~(pulsing.between(line) & (bound >= 1)) & (line > bound + 1e-9)).any():
            continue
        out.append(float(ramp.at[k]))
    return out


@given(st.floats(2.0, 12.0), st.floats(0.15, 0.5), st.floats(0.05, 0.4))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_largest(car, hz, margin, steepest):
    sheet, room, pulsing = at_hz(car, hz)
    assert not may_rise(room, pulsing, propose(sheet, room, margin=margin, steepest=steepest), margin, steepest)


@pytest.mark.parametrize("margin", [0.0, 0.1, 0.3])
def test_the_largest_at_10_hz(margin):
    sheet, room, pulsing = at_hz("wren", 10.0)
    assert not may_rise(room, pulsing, propose(sheet, room, margin=margin), margin, 0.4)


@pytest.mark.parametrize(("name", "hz", "steepest"), [("wren", 20.0, 2.8954), ("badger", 10.0, 1.1485)])
def test_the_largest_beside_a_gap(name, hz, steepest):
    sheet, room, pulsing = at_hz(name, hz)
    assert not may_rise(room, pulsing, propose(sheet, room, margin=0.0, steepest=steepest), 0.0, steepest)


@pytest.mark.parametrize(
    ("margin", "steepest", "field"),
    [(0.7, 0.4, "margin"), (-0.1, 0.4, "margin"), (0.1, 5.0, "steepest"), (0.1, 0.0, "steepest")],
)
def test_settings_out_of_range_are_refused(margin, steepest, field):
    with pytest.raises(InputError, match=f"ramp.{field}_percent"):
        propose(WREN, dose_map(WREN), margin=margin, steepest=steepest)


# --- a valve that is pulsed


@given(st.floats(2.0, 30.0), st.floats(0.0, 1.0), st.sampled_from([2500.0, 3777.0, 6000.0]))
@settings(max_examples=60, deadline=None)
def test_mean_for_is_the_largest_mean_whose_strongest_cycle_is_allowed(hz, allowed, rpm):
    pulsing = Pulsing.of(WREN.replace({"nitrous.pulse_hz": hz}))
    mean = float(pulsing.mean_for(rpm, allowed))
    assert float(pulsing.strongest(rpm, mean)) <= allowed + 1e-9
    higher = mean + 1e-3 if mean else pulsing.least
    if pulsing.least <= higher <= pulsing.most:
        assert float(pulsing.strongest(rpm, higher)) > allowed - 1e-9


def test_strongest_in_the_gaps():
    """Too small to be pulsed counts as the least that is, too large as an open valve; nothing and everything are exact."""
    pulsing = Pulsing.of(WREN)
    rpm = 4000.0
    assert float(pulsing.strongest(rpm, 0.0)) == 0.0
    assert float(pulsing.strongest(rpm, 1.0)) == pytest.approx(1.0, abs=1e-12)
    assert float(pulsing.strongest(rpm, pulsing.least / 3)) == float(pulsing.strongest(rpm, pulsing.least))
    assert float(pulsing.strongest(rpm, pulsing.most + 0.01)) == pytest.approx(1.0, abs=1e-12)
    assert float(pulsing.strongest(rpm, 0.5)) > 0.5


@given(st.floats(0.0, 1.0))
def test_duty_and_share_go_back_and_forth(share):
    pulsing = Pulsing.of(WREN)
    held = float(pulsing.floor(share))
    assert held <= share
    assert float(pulsing.share(pulsing.duty(held))) == pytest.approx(held, abs=1e-12)
    assert float(pulsing.floor(held)) == held


# --- shapes


def test_a_full_hit_is_all_or_nothing():
    ramp = ramp_of(BADGER, dose_map(BADGER))
    assert ramp.kind == FULL_HIT
    assert ramp.over_rpm([2999.0, 3000.0, 6800.0]) == pytest.approx([0.0, 1.0, 1.0])
    assert ramp_sentence(ramp) == "All of it at once from 3000 rpm."


def test_stages_hold_from_their_speed():
    ramp = typed(STAGES, [3000, 4500], [40, 100])
    assert ramp.over_rpm([2999, 3000, 4499, 4500, 9000]) == pytest.approx([0, 0.4, 0.4, 1, 1])
    assert ramp_sentence(ramp) == "40 % of the full flow from 3000 rpm and 100 % of the full flow from 4500 rpm."


def test_lines_between_points_and_nothing_before():
    ramp = typed(OVER_RPM, [3000, 4000], [20, 80])
    assert ramp.over_rpm([2999, 3000, 3500, 4000, 6000]) == pytest.approx([0, 0.2, 0.5, 0.8, 0.8])


@pytest.mark.parametrize(
    ("kind", "at", "share", "said"),
    [
        (OVER_RPM, [2500, 3500, 4500, 6000], [53, 80, 100, 100], "53 % of the flow at 2500 rpm, all of it from 4500 rpm on."),
        (OVER_RPM, [2500, 3500, 4500], [0, 20, 60], "20 % of the flow at 3500 rpm, 60 % from 4500 rpm on."),
        (OVER_RPM, [2500, 4500], [40, 40], "40 % of the flow from 2500 rpm on."),
        (OVER_RPM, [2500, 4500], [100, 100], "All of the flow from 2500 rpm on."),
        (OVER_TIME, [0.5, 2.0], [30, 90], "30 % of the flow after 0.5 s, 90 % from 2 s on."),
    ],
)  # fmt: skip
def test_a_ramp_in_a_sentence(kind, at, share, said):
    assert ramp_sentence(typed(kind, at, share)) == said


def test_the_five_opens_fully_inside_its_window():
    ramp = propose(WREN, dose_map(WREN))
    assert (ramp.share[ramp.at >= 5500] == 1).all()
    assert 0 < ramp.share[0] < 0.6


def test_over_time_is_the_ramp_met_in_time():
    """t seconds at 1000 rpm/s from 2500 rpm are 2500 + 1000 t rpm."""
    ramp = typed(OVER_TIME, [0.0, 2.0], [30, 90])
    assert ramp.over_rpm([2500, 3500, 4500, 6000], start=2500, rise=1000) == pytest.approx([0.3, 0.6, 0.9, 0.9])


@pytest.mark.parametrize(("first", "last", "bend"), [(0.3, 1.0, 1.0), (0.2, 0.9, 2.0), (0.8, 0.5, 0.4)])
def test_drawn_meets_its_ends(first, last, bend):
    ramp = drawn(WREN, first, last, bend)
    assert ramp.share[[0, -1]] == pytest.approx([first, last])
    assert (np.diff(ramp.share) * np.sign(last - first) > 0).all()
    middle = first + (last - first) * ((4000 - 2500) / 3500) ** bend
    assert float(ramp.over_rpm(4000.0)) == pytest.approx(middle)


@pytest.mark.parametrize("bad", [(-0.1, 1.0, 1.0), (0.0, 1.1, 1.0), (0.0, 1.0, 0.1), (0.0, np.nan, 1.0)])
def test_drawn_refuses(bad):
    with pytest.raises(InputError):
        drawn(WREN, *bad)


@pytest.mark.parametrize(
    ("kind", "at", "share", "message"),
    [
        (OVER_RPM, [3000, 3000], [1, 2], r"ramp.rpm is 3000 rpm; allowed: more than 3000, which stands before it"),
        (OVER_TIME, [1, 0.5], [1, 2], r"ramp.time_s is 0.5 s; allowed: more than 1"),
        (OVER_RPM, [3000, 4000], [1, 2, 3], r"ramp.share_percent is 3 values; allowed: 2 values"),
        (STAGES, [3000], [130], r"ramp.share_percent is 130 %; allowed: 0 to 100 %"),
        (OVER_TIME, [61.0], [10], r"ramp.time_s is 61 s; allowed: 0 to 60 s"),
        (OVER_RPM, ["x"], [10], r"ramp.rpm"),
    ],
)
def test_typed_refuses(kind, at, share, message):
    with pytest.raises(InputError, match=message):
        typed(kind, at, share)


def test_ramp_of_takes_the_sheet_first():
    told = WREN.replace({"ramp.kind": "over rpm", "ramp.rpm": [3000.0, 5000.0], "ramp.share_percent": [20.0, 60.0]})
    ramp = ramp_of(told, dose_map(told))
    assert ramp.origin == "on the sheet"
    assert ramp.share == pytest.approx([0.2, 0.6])
    assert ramp_of(WREN, dose_map(WREN)).origin == "proposed"


# --- against the limits


def test_breaches_say_where_and_which():
    room = dose_map(BADGER)
    found = breaches(BADGER, room, ramp_of(BADGER, room))
    assert len(found) == 1
    b = found[0]
    assert (b.low, b.share, b.limit) == (3000.0, 1.0, "pressure")
    assert b.allowed == pytest.approx(room.most[0])
    assert float(room.most_at(b.high)) < 1 <= float(room.most_at(b.high + 50))
    assert breach_sentences(found)[0].startswith("From 3000 to ")


@given(st.floats(0.01, 0.9), st.floats(0.1, 1.0), st.floats(0.3, 3.0))
@QUICK
def test_no_breach_means_kept_and_a_breach_means_broken(car, first, last, bend):
    sheet, room, pulsing = at_hz(car, 10.0)
    ramp = drawn(sheet, first, last, bend)
    over = strongest_less_allowed(room, pulsing, ramp, grid(room))
    found = breaches(sheet, room, ramp)
    assert bool(found) == bool((over > 1e-6).any())
    broken = grid(room)[over > 1e-6]
    assert all(any(b.low <= r <= b.high for b in found) for r in broken)


@pytest.mark.parametrize("first", [0.3, 0.5, 0.7])
@pytest.mark.parametrize("margin", [0.0, 0.1])
def test_stages_open_where_their_flow_is_allowed_from_there_on(first, margin):
    room = dose_map(BADGER)
    ramp = propose_stages(BADGER, room, first, margin=margin)
    rpm = np.linspace(room.rpm[0], room.rpm[-1], 800)
    assert (ramp.over_rpm(rpm) <= (1 - margin) * room.most_at(rpm) + 1e-9).all()
    for at, share in zip(ramp.at, ramp.share, strict=True):
        assert at == room.rpm[0] or float(room.most_at(at - 50)) * (1 - margin) < share
    assert set(ramp.share) <= {first, 1.0}
    with pytest.raises(InputError, match="first stage"):
        propose_stages(BADGER, room, 0.95)


# --- speed and time

GEARS = {"driveline.gear_ratios": [3.2, 2.0, 1.4], "driveline.rise_rpm_s": [3000.0, 1600.0, 800.0]}


def test_gears_with_nitrous_alone_count():
    assert gear_rises(WREN.replace(GEARS)) == {2: 1600.0, 3: 800.0}
    assert gear_rises(WREN) == {0: 1500.0}


def test_over_time_by_gear_is_the_same_ramp():
    """A ramp over speed, met at the rise of each gear: same share at the same speed; the window takes its width over the rise."""
    sheet = WREN.replace(GEARS)
    ramp = drawn(sheet, 0.3, 1.0)
    window = spray_speeds(sheet)
    for gear, (time, share) in over_time(sheet, ramp).items():
        rise = {2: 1600.0, 3: 800.0}[gear]
        assert time[0] == 0
        assert time[-1] == pytest.approx((window[-1] - window[0]) / rise)
        assert share == pytest.approx(ramp.over_rpm(window[0] + rise * time))


def test_a_ramp_over_time_is_worst_in_the_slowest_gear():
    sheet = WREN.replace(GEARS)
    ramp = typed(OVER_TIME, [0.0, 3.0], [20, 100])
    rpm = spray_speeds(sheet)
    worst = worst_over_rpm(sheet, ramp, rpm)
    for rise in gear_rises(sheet).values():
        assert (ramp.over_rpm(rpm, start=rpm[0], rise=rise) <= worst + 1e-12).all()
    assert worst == pytest.approx(ramp.over_rpm(rpm, start=rpm[0], rise=800.0))


def test_a_falling_ramp_over_time_is_worst_in_the_fastest_gear():
    sheet = WREN.replace(GEARS)
    ramp, rpm = typed(OVER_TIME, [0.0, 3.0], [90, 30]), spray_speeds(sheet)
    assert worst_over_rpm(sheet, ramp, rpm) == pytest.approx(ramp.over_rpm(rpm, start=rpm[0], rise=1600.0))


def test_slowest_rise_is_where_limits_begin_to_be_broken():
    room = dose_map(WREN)
    ramp = typed(OVER_TIME, [0.0, 2.0], [30, 100])
    rise = slowest_rise(WREN, room, ramp)
    assert 100 < rise < 8000
    for factor, kept in ((1.03, True), (0.93, False)):
        sheet = WREN.replace({"driveline.rise_rpm_s": [round(rise * factor, 3)]})
        assert (not breaches(sheet, room, ramp)) == kept


def test_slowest_rise_where_none_or_any_will_do():
    room = dose_map(WREN)
    assert slowest_rise(WREN, room, typed(OVER_TIME, [0.0, 1.0], [100, 100])) is None
    assert slowest_rise(WREN, room, typed(OVER_TIME, [0.0, 1.0], [20, 30])) == 0.0
