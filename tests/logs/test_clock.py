"""A log on one clock: restarts, swapped and repeated stamps, gaps, channels of different rates, values that make no sense."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError
from kernel_lib.logs import stamps
from kernel_lib.logs.mapping import Mapping, apply
from kernel_lib.logs.read import RawLog

WREN = BuildSheet.demo("wren_five")
UNITS = {
    "rpm": "rpm",
    "lambda_": "lambda",
    "nitrous_on": "1 = on",
    "gear": "gear",
    "bottle_kpa": "kPa gauge",
    "coolant_c": "°C",
}


def logged(time, unit="s", **columns):
    """Return the log after mapping; engine speed and lambda are straight lines over time where they are not given."""
    time = np.asarray(time, float)
    columns = {"rpm": 2000 + 300 * time, "lambda_": 0.9 + 0.01 * time} | columns
    raw = RawLog("made", ("t", *columns), ("",) * (len(columns) + 1), [time, *columns.values()], "csv", [])
    mapping = Mapping({}).with_match("time_s", "t", unit)
    for key in columns:
        mapping = mapping.with_match(key, key, UNITS[key])
    return apply(raw, mapping, WREN)


def said(log, words):
    return any(words in note for note in log.notes)


T = np.arange(800) * 0.01


def test_even_log_comes_back_as_it_is():
    log = logged(T)
    assert np.array_equal(log.data["rpm"], 2000 + 300 * T)
    assert log.step_s == pytest.approx(0.01)
    assert log.rate_hz["rpm"] == pytest.approx(100.0)
    assert log.notes == []


@pytest.mark.parametrize(("unit", "factor"), [("ms", 1e3), ("us", 1e6), ("min", 1 / 60)])
def test_other_units_and_another_start(unit, factor):
    log = logged((T + 5.0) * factor, unit, rpm=2000 + 300 * T, lambda_=0.9 + 0 * T)
    assert np.allclose(log.time_s, T, atol=1e-9)
    assert np.allclose(log.data["rpm"], 2000 + 300 * T)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.integers(0, 2**32 - 1), st.floats(0.006, 0.2))
def test_straight_line_stays_straight_whatever_the_stamps(seed, step):
    """Jitter of a third of a step, dropped rows: what is there lies on the line, and nothing is invented beyond a gap."""
    r = np.random.default_rng(seed)
    t = (np.arange(400) + r.uniform(-0.3, 0.3, 400)) * step
    t = t[np.concatenate([[True], r.random(398) > 0.1, [True]])]
    log = logged(t, rpm=2000 + 100 * t)
    good = np.isfinite(log.data["rpm"])
    assert np.allclose(log.data["rpm"][good], 2000 + 100 * (t[0] + log.time_s[good]), rtol=1e-9, atol=1e-6)
    limit = max(5 * stamps.step_of(t), 0.25)
    gaps = [(a - t[0], b - t[0]) for a, b in itertools.pairwise(t) if b - a > limit * 1.001]
    for a, b in gaps:
        assert np.isnan(log.data["rpm"][(log.time_s > a + 1e-9) & (log.time_s < b - 1e-9)]).all()
    assert np.isnan(log.data["rpm"]).sum() <= sum((b - a) / log.step_s + 1 for a, b in gaps)


def test_gap_is_not_bridged_and_a_short_one_is():
    t = np.delete(T, np.r_[200:220, 500:540])  # 0.21 s and 0.41 s
    log = logged(t)
    lost = np.isnan(log.data["rpm"])
    assert lost.sum() == 40
    assert lost[500:540].all()
    assert len(log.time_s) == 800


def test_repeated_stamps_are_averaged_and_a_switch_keeps_its_last():
    t = np.repeat(T, 2)
    rpm = 2000 + 300 * t + np.tile([-5.0, 5.0], 800)
    on = (t >= 4).astype(float)
    on[2 * 399 + 1] = 1.0  # the second row of 3.99 s already says on
    log = logged(t, rpm=rpm, lambda_=0.9 + 0 * t, nitrous_on=on)
    assert np.allclose(log.data["rpm"], 2000 + 300 * T)
    assert np.flatnonzero(log.data["nitrous_on"])[0] == 399
    assert said(log, "800 rows repeated")


def test_swapped_neighbours_are_put_in_order():
    order = np.arange(800)
    for i in (100, 300, 500):
        order[[i, i + 1]] = order[[i + 1, i]]
    log = logged(T[order], rpm=(2000 + 300 * T)[order], lambda_=(0.9 + 0 * T)[order])
    assert np.allclose(log.data["rpm"], 2000 + 300 * T)
    assert said(log, "3 places")


def test_restart_lays_the_parts_one_behind_the_other_with_a_gap():
    t = np.concatenate([T[:300], T[:600]])
    values = np.concatenate([np.full(300, 1500.0), 2000 + 300 * T[:600]])
    log = logged(t, rpm=values, lambda_=0 * t + 0.9)
    rpm, later = log.data["rpm"], round((T[299] + stamps.JOIN_S) / 0.01)
    assert np.allclose(rpm[:300], 1500)
    assert np.isnan(rpm[300:later]).all()
    assert np.allclose(rpm[later:], 2000 + 300 * T[:600])
    assert said(log, "started again once")
    assert said(log, "row 301 is at 8.0 s")


def test_a_log_whose_halves_are_swapped_is_put_in_order_without_a_gap():
    order = np.r_[400:800, 0:400]
    log = logged(T[order], rpm=(2000 + 300 * T)[order], lambda_=(0.9 + 0 * T)[order])
    assert np.allclose(log.data["rpm"], 2000 + 300 * T)
    assert said(log, "put in order")


def test_a_part_too_short_for_a_pull_is_left_out_only_if_little_is():
    log = logged(np.concatenate([T[:790], T[:10]]), rpm=np.full(800, 2500.0), lambda_=np.full(800, 0.9))
    assert len(log.time_s) == 790
    assert said(log, "10 rows whose time ran back")
    with pytest.raises(InputError, match="order of its rows"):
        logged(np.tile(T[:40], 20), rpm=np.full(800, 2500.0), lambda_=np.full(800, 0.9))


def test_whole_seconds_are_refused_for_what_they_are():
    with pytest.raises(InputError, match=r"20 rows share each 1 s.*fractions of a second"):
        logged(np.floor(np.arange(800) / 20), rpm=np.full(800, 2500.0), lambda_=np.full(800, 0.9))


@pytest.mark.parametrize("seed", range(3))
def test_disorder_is_quick_and_never_crashes(seed):
    t = np.random.default_rng(seed).uniform(0, 100, 100_000)
    with pytest.raises(InputError):
        logged(t)


def test_slow_channels_lie_between_their_own_samples():
    """Coolant once a second, the bottle ten times: straight between; a gear holds; nothing after the last sample."""
    coolant = np.where(np.arange(800) % 100 == 0, 80 + T, np.nan)
    bottle = np.where(np.arange(800) % 10 == 0, 6000 - 50 * T, np.nan)
    gear = np.where(np.arange(800) % 50 == 0, np.floor(T), np.nan)
    log = logged(T, coolant_c=coolant, bottle_kpa=bottle, gear=gear)
    assert np.allclose(log.data["coolant_c"][:701], 80 + T[:701])
    assert np.isnan(log.data["coolant_c"][702:]).all()
    assert np.allclose(log.data["bottle_kpa"][:791], 6000 - 50 * T[:791])
    assert set(np.unique(log.data["gear"][:751])) <= set(range(8))
    assert log.rate_hz["bottle_kpa"] == pytest.approx(10.0)
    assert log.rate_hz["coolant_c"] == pytest.approx(1.0)


def test_clock_follows_the_faster_of_speed_and_lambda():
    rpm = np.where(np.arange(800) % 2 == 0, 2000 + 300 * T, np.nan)
    lam = np.where(np.arange(800) % 5 == 0, 0.9 + 0.01 * T, np.nan)
    log = logged(T, rpm=rpm, lambda_=lam)
    assert log.step_s == pytest.approx(0.02)
    assert np.allclose(log.data["lambda_"][:398], 0.9 + 0.01 * log.time_s[:398])


def test_values_that_make_no_sense_are_left_out_and_counted():
    rpm = 2000 + 300 * T
    rpm[[50, 51, 400]] = 65535
    log = logged(T, rpm=rpm)
    assert said(log, "3 of 800 values outside 0 to 15000 rpm left out")
    assert np.allclose(log.data["rpm"], 2000 + 300 * T)  # such holes are shorter than a gap


def test_rows_without_time_are_left_out():
    t = T.copy()
    t[100:103] = np.nan
    log = logged(t, rpm=2000 + 300 * T, lambda_=0.9 + 0 * T)
    assert said(log, "3 rows without time")
    assert np.allclose(log.data["rpm"], 2000 + 300 * T)


@pytest.mark.parametrize(
    ("time", "field"),
    [
        (T * 0, "time"),
        (-T, "time"),
        (T * 0.1, "time"),
        (T * np.nan, "time"),
        (T * 100, "sampling"),
    ],
)
def test_time_that_is_none(time, field):
    with pytest.raises(InputError) as caught:
        logged(time, rpm=2000 + 0 * T, lambda_=0.9 + 0 * T)
    assert caught.value.field == field


@pytest.mark.parametrize(("key", "name"), [("rpm", "engine speed"), ("lambda_", "lambda")])
def test_needed_column_without_sense_is_refused(key, name):
    with pytest.raises(InputError) as caught:
        logged(T, **{key: np.full(800, 1e6)})
    assert caught.value.field == f"column for {name}"


def test_without_time_only_at_a_stated_rate():
    raw = RawLog("x", ("rpm", "lambda"), ("", ""), [2000 + 300 * T, 0.9 + 0 * T], "csv", [])
    mapping = Mapping({}).with_match("rpm", "rpm", "rpm").with_match("lambda_", "lambda", "lambda")
    with pytest.raises(InputError, match="how many samples a second"):
        apply(raw, mapping, WREN)
    log = apply(raw, mapping, WREN, rate_hz=50)
    assert log.step_s == pytest.approx(0.02)
    assert said(log, "50 samples a second")
    for bad in (0, 5000, float("nan"), "50"):
        with pytest.raises(InputError):
            apply(raw, mapping, WREN, rate_hz=bad)


def test_bounds_of_the_clock():
    """5 kHz is read at 1 kHz; two logs days apart in one file give the longer one."""
    fast = np.arange(15_000) / 5000
    log = logged(fast)
    assert log.step_s == pytest.approx(1e-3)
    assert said(log, "5000 times a second")
    apart = np.concatenate([T[:300], T + 5e5])
    log = logged(apart, rpm=2000 + 0 * apart, lambda_=0.9 + 0 * apart)
    assert len(log.time_s) == 800
    assert said(log, "too long for one clock")


def test_stamps_printed_coarsely_do_not_change_the_rate():
    """60 a second, printed to a hundredth: steps of 10 and 20 ms, on average 16.7."""
    t = np.round(np.arange(1200) / 60, 2)
    assert logged(t).step_s == pytest.approx(1 / 60, rel=1e-3)


def test_column_that_is_not_there():
    raw = RawLog("x", ("t", "rpm"), ("", ""), [T, 2000 + 300 * T], "csv", [])
    mapping = (
        Mapping({})
        .with_match("time_s", "t", "s")
        .with_match("rpm", "rpm", "rpm")
        .with_match("lambda_", "wide", "lambda")
    )
    with pytest.raises(InputError, match="'wide' is not in this log"):
        apply(raw, mapping, WREN)
