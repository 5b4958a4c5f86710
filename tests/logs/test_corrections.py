"""Fuel corrections: the laws of one step, and that many steps lead to the target and never past it."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernel_lib import BuildSheet
from kernel_lib.band import SENSOR_ERROR
from kernel_lib.logs.corrections import AGREEING, MOST, fuel_step, fuel_steps

TARGET, RICHEST = 0.864, 0.76
GAUGE = SENSOR_ERROR.high / TARGET
ERRORS = st.floats(-0.12, 0.4)
KNOWN = st.floats(0.0, 0.06)


def step(error, error_95=0.01, agreeing=AGREEING):
    return fuel_step(error, error_95, target=TARGET, richest=RICHEST, agreeing=agreeing)


@settings(derandomize=True, deadline=None, max_examples=120)
@given(ERRORS, ERRORS, KNOWN, st.integers(0, 3))
def test_a_leaner_mixture_never_gets_less_fuel(a, b, known, pulls):
    low, high = sorted((a, b))
    assert step(low, known, pulls).change <= step(high, known, pulls).change + 1e-12


@settings(derandomize=True, deadline=None, max_examples=120)
@given(ERRORS, KNOWN, st.integers(0, 3))
def test_a_step_is_bounded_has_the_sign_of_the_error_and_ends_within_the_limits(error, known, pulls):
    found = step(error, known, pulls)
    assert abs(found.change) <= MOST + 1e-12
    assert found.low <= found.change <= found.high
    assert found.change * error >= 0
    after = TARGET * (1 + error) / (1 + found.change)
    if found.change > 0:
        assert after >= RICHEST - 1e-9
    if found.change < 0:
        assert after <= TARGET + 1e-9


@settings(derandomize=True, deadline=None, max_examples=80)
@given(KNOWN, st.floats(-1.0, 1.0))
def test_nothing_is_changed_inside_the_error(known, part):
    assert step(known * part, known).change == 0.0


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.floats(-0.11, 0.2))
def test_many_steps_lead_to_the_target_from_the_lean_side_to_the_gauges_error_from_the_rich_and_never_past(error):
    lambda_ = TARGET * (1 + error)
    for _ in range(80):
        before = lambda_
        lambda_ = lambda_ / (1 + step(lambda_ / TARGET - 1, 0.0).change)
        assert (lambda_ - TARGET) * (before - TARGET) >= -1e-12
    end = TARGET * (1 + min(max(error, -GAUGE), 0.0))
    assert lambda_ == pytest.approx(end, abs=2e-4)


def test_by_hand():
    found = step(0.05, 0.01)
    assert found.change == pytest.approx(0.6 * 0.04)
    assert (found.low, found.high) == (pytest.approx(0.6 * 0.03), pytest.approx(0.6 * 0.05))
    assert "60 %" in found.bounded_by
    assert step(-0.05, 0.01).change == pytest.approx(-0.4 * (0.05 - math.hypot(0.01, GAUGE)))


def test_fuel_is_taken_out_only_where_two_pulls_agree():
    alone = step(-0.05, 0.01, agreeing=1)
    assert alone.change == 0.0
    assert "2 pulls" in alone.bounded_by


def test_a_large_error_is_held_to_the_bound_and_says_so():
    found = step(0.2, 0.01)
    assert found.change == pytest.approx(MOST)
    assert "5 % of all fuel a step" in found.bounded_by


def cells(**columns):
    rows = {
        "rpm": [3000.0, 4000.0],
        "valve_duty_percent": [60.0, 75.0],
        "error": [0.05, 0.05],
        "error_95": [0.01, 0.01],
    }
    return pd.DataFrame(rows | {"rich_pulls": [0, 0], "own_share": [0.8, 0.8]} | columns)


def test_what_the_base_table_gets_is_not_added_again_in_the_nitrous_table():
    sheet = BuildSheet.demo("wren_five")
    plain = fuel_steps(sheet, cells(), nitrous=True, base_change={})
    mended = fuel_steps(sheet, cells(), nitrous=True, base_change={3000.0: 0.02, 4000.0: 0.0})
    assert plain["change"].tolist() == pytest.approx([0.024, 0.024])
    assert mended["change"].tolist() == pytest.approx([0.6 * (0.05 - 0.8 * 0.02 - 0.01), 0.024])


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.floats(-0.1, 0.1), st.floats(-0.05, 0.05))
def test_no_change_of_the_base_lets_more_be_taken_out(error, base):
    sheet = BuildSheet.demo("wren_five")
    found = cells(error=[error] * 2, rich_pulls=[2, 2])
    plain = fuel_steps(sheet, found, nitrous=True, base_change={})["change"]
    after = fuel_steps(sheet, found, nitrous=True, base_change={3000.0: base})["change"]
    assert (after >= plain.clip(upper=0.0) - 1e-12).all()


def test_nothing_is_taken_out_where_a_pull_is_lean_or_the_flow_is_not_known():
    sheet = BuildSheet.demo("wren_five")
    rich = cells(error=[-0.06, -0.06], rich_pulls=[2, 2], lean_pulls=[0, 1])
    assert fuel_steps(sheet, rich, nitrous=True, base_change={})["change"].tolist() == [
        pytest.approx(-0.0138, abs=5e-4),
        0.0,
    ]
    assert fuel_steps(sheet, rich, nitrous=True, base_change={}, keep=True)["change"].tolist() == [0.0, 0.0]


def test_an_unknown_cell_asks_for_nothing():
    sheet = BuildSheet.demo("wren_five")
    assert fuel_steps(sheet, cells().iloc[:0], nitrous=True, base_change={}).empty
    assert not math.isnan(step(0.0, 10.0).change)
    assert np.isclose(step(0.3, 10.0).change, 0.0)
