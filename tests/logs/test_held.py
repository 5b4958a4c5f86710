"""How often a reading really changes: held over rows, drawn as lines between readings, or every row its own."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from kernel_lib.logs.held import readings_a_second
from kernel_lib.logs.sim_scenario import SCENARIOS
from kernel_lib.logs.simulate import simulate


@functools.cache
def pull(name, seed):
    return simulate(SCENARIOS[name], seed).log


def rate(log, values):
    return readings_a_second(replace(log, data=log.data | {"lambda_": values}), "lambda_")


def rounded(values, digits):
    return values if digits is None else np.round(values, digits)


@pytest.mark.parametrize(("every", "first"), [(10, 0), (20, 0), (20, 7), (33, 3), (50, 49)])
@pytest.mark.parametrize("digits", [None, 4, 3, 2])
def test_lines_between_readings_are_no_readings(every, first, digits):
    log = pull("clean", 0)
    rows = np.arange(len(log.time_s))
    values = np.interp(rows, rows[first::every], log.get("lambda_")[first::every])
    assert rate(log, rounded(values, digits)) == pytest.approx(100 / every, rel=0.01)


@pytest.mark.parametrize("every", [5, 10, 20])
def test_held_readings(every):
    log = pull("clean", 0)
    assert rate(log, np.repeat(log.get("lambda_")[::every], every)[: len(log.time_s)]) <= 100 / every * 1.01


@pytest.mark.parametrize("name", ["clean", "late_fuel", "misfire_rich", "base"])
@pytest.mark.parametrize("digits", [None, 3, 2])
def test_a_quick_reading_is_left_alone(name, digits):
    log = pull(name, 1)
    assert rate(log, rounded(log.get("lambda_"), digits)) == 100


@pytest.mark.parametrize("lag_s", [0.03, 0.1, 0.3])
@pytest.mark.parametrize("digit", [0.01, 0.005, 0.001])
def test_a_smooth_reading_without_noise_is_left_alone(lag_s, digit):
    """A slow sensor, its last digit coarse: nearly straight for many rows, but from no row in particular."""
    log = pull("clean", 0)
    t = log.time_s
    aim, values = 0.9 + 0.2 * np.sin(t) + 0.07 * np.sign(np.sin(2.1 * t)), np.full(len(t), 0.9)
    for k in range(1, len(t)):
        values[k] = values[k - 1] + (aim[k] - values[k - 1]) * log.step_s / lag_s
    assert rate(log, np.round(values / digit) * digit) > 20
