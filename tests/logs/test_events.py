"""Shifts, loose wheels, lifts, limiter and gaps: each seen as what it is, and none where there is none."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_log import Ride, log_of

from kernel_lib.build_sheet import BuildSheet
from kernel_lib.logs import events as ev
from kernel_lib.logs.cut import cut
from kernel_lib.logs.log import Log

WREN = BuildSheet.demo("wren_five")


def kinds(log):
    return [[e.kind for e in p.events] for p in cut(log, WREN)]


@pytest.mark.parametrize("rise", [250.0, 500.0, 900.0, 2000.0])
def test_a_smooth_pull_has_no_event_over_seeds(rise):
    found = [kinds(log_of(Ride(rise=rise), noise=1.0, seed=seed)) for seed in range(15)]
    assert found == [[[]]] * 15


@pytest.mark.parametrize("ratio", [0.6, 0.72, 0.85])
@pytest.mark.parametrize("rise", [400.0, 900.0, 1800.0])
def test_a_shift_is_one_event_where_it_was(ratio, rise):
    log = log_of(Ride(shift_at=5000.0, ratio=ratio, rise=rise), noise=1.0, seed=1)
    pulls = cut(log, WREN)
    assert len(pulls) == 1
    (event,) = pulls[0].events
    lifted = np.flatnonzero(log.data["throttle_percent"][pulls[0].start : pulls[0].stop] < 50) + pulls[0].start
    assert event.kind == "shift"
    assert abs(event.start - lifted[0]) <= 6
    assert abs(event.stop - lifted[-1]) <= 6
    assert "throttle" in event.note


def test_a_shift_without_lift_is_seen_by_timing_or_gear_and_by_speed_alone():
    log = log_of(Ride(shift_at=5000.0), noise=1.0)
    on = cut(log, WREN)[0]
    log.data["throttle_percent"][on.start : on.stop] = 99.0
    assert "timing" in cut(log, WREN)[0].events[0].note
    log.data["timing_deg_btdc"][:] = 28.0
    log.data["gear"] = np.where(np.arange(len(log.time_s)) < on.events[0].stop, 2.0, 3.0)
    assert "gear" in cut(log, WREN)[0].events[0].note
    del log.data["gear"]
    assert [e.kind for e in cut(log, WREN)[0].events] == ["shift"]


@pytest.mark.parametrize("seed", range(8))
def test_wheels_that_come_loose_and_grip_again_are_no_shift(seed):
    log = log_of(Ride(spin_at=4000.0, rise=600.0), noise=1.0, seed=seed)
    (pull,) = cut(log, WREN)
    (event,) = pull.events
    assert event.kind == "wheel spin"
    middle = float(np.median(log.data["rpm"][event.start : event.stop]))
    assert 4000 < middle < 5000
    assert 0.2 < (event.stop - event.start) * 0.01 < 0.7


def test_the_usual_rise_counts_no_event():
    for ride in (Ride(rise=700.0), Ride(rise=700.0, spin_at=4000.0), Ride(rise=700.0, shift_at=5000.0)):
        assert cut(log_of(ride, noise=1.0), WREN)[0].gear_rise_rpm_s == pytest.approx(700.0, rel=0.03)


def test_a_missed_shift_runs_into_the_limiter():
    log = log_of(Ride(), noise=1.0)
    pull = cut(log, WREN)[0]
    k = pull.stop - 60
    log.data["rpm"][k : k + 20] = np.linspace(log.data["rpm"][k], 6500.0, 20)
    log.data["rpm"][k + 20 : k + 60] = 6480.0
    found = [e.kind for e in cut(log, WREN)[0].events]
    assert found == ["missed shift", "limiter"]


def test_a_short_lift_inside_a_pull_is_told():
    log = log_of(Ride(), noise=1.0)
    log.data["throttle_percent"][500:512] = 20.0
    assert kinds(log) == [["lift"]]


def test_a_log_that_begins_anew_is_two_pulls_but_a_drop_out_is_one():
    log = log_of(Ride(), noise=1.0)
    pull = cut(log, WREN)[0]
    cut_at = pull.start + 350
    joined = {key: np.concatenate([v[:cut_at], v[pull.start : pull.stop + 100]]) for key, v in log.data.items()}
    pulls = cut(Log("two", np.arange(len(joined["rpm"])) * 0.01, joined), WREN)
    assert len(pulls) == 2
    assert [e.kind for e in pulls[1].events] == ["restart"]
    log.data["rpm"][pull.start + 200 : pull.start + 202] = 0.0
    assert kinds(log) == [[]]


@given(st.lists(st.booleans(), max_size=60))
def test_runs_are_what_they_say(mask):
    mask = np.array(mask, bool)
    out = np.zeros(len(mask), bool)
    for a, b in ev.runs(mask):
        assert b > a
        assert a == 0 or not mask[a - 1]
        assert b == len(mask) or not mask[b]
        out[a:b] = True
    assert np.array_equal(out, mask)


@given(st.integers(5, 80), st.floats(-3000, 3000), st.floats(0.02, 0.5))
def test_the_slope_of_a_line_is_its_slope(n, rise, window):
    t = np.arange(n) * 0.01
    assert np.allclose(ev.slope(2000 + rise * t, 0.01, window), rise, atol=1e-6 * max(abs(rise), 1))


def test_blanks_are_bridged_up_to_a_length_and_never_at_the_ends():
    values = np.array([np.nan, 1.0, np.nan, np.nan, 4.0, np.nan, np.nan, np.nan, 8.0, np.nan])
    assert np.array_equal(ev.filled(values, 2), [np.nan, 1, 2, 3, 4, np.nan, np.nan, np.nan, 8, np.nan], equal_nan=True)
    assert np.array_equal(ev.filled(values, 2, held=True)[1:5], [1, 1, 1, 4])


@given(st.lists(st.floats(0, 100), min_size=1, max_size=60))
def test_hysteresis_lies_between_its_two_thresholds(values):
    values = np.array(values)
    out = ev.hysteresis(values, 60.0, 40.0)
    assert (out[values >= 60]).all()
    assert not out[values < 40].any()
