"""An ordinary shift in a pull: throttle and valve shut, what nitrous is left burns lean in a nearly empty cylinder, and the pull goes on. No alarm; but a lean reopening, and a valve that stays open, are one."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.finding import GO, REPEAT, STOP
from kernel_lib.logs.judge_case import CYCLES_SURE
from kernel_lib.logs.review import review
from kernel_lib.logs.sim_scenario import SCENARIOS
from kernel_lib.logs.simulate import simulate
from kernel_lib.plan.tune import tune_of


@functools.cache
def planned():
    sheet = BuildSheet.demo("wren_five")
    return sheet, tune_of(sheet)


def judged(log):
    sheet, tune = planned()
    return review(log, sheet, tune=tune)


def shifted(seed, **options):
    return simulate(replace(SCENARIOS["shift"], throttle_guard=True, **options), seed)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("options", [{}, {"step": 0.5}, {"shift_rpm": 5600.0, "lift_rpm": 5900.0}], ids=str)
def test_a_shift_with_the_valve_shut_is_no_lean_spell(seed, options):
    """By the truth fewer cycles of these pulls than count ran past the stop before the throttle was shut."""
    run = shifted(seed, **options)
    assert run.truth.excursion_cycles < CYCLES_SURE
    got = judged(run.log)
    assert got.verdict in (GO, REPEAT)
    assert {f.key for f in got.findings if f.asks != GO} <= {"samples", "lambda"}


@pytest.mark.parametrize("seed", range(6))
def test_a_lean_reopening_is_a_lean_spell(seed):
    log = shifted(seed).log
    on = log.get("nitrous_duty_percent") > 4
    again = log.time_s[np.flatnonzero(np.diff(on.astype(int)) > 0)[-1]]
    lean = (log.time_s > again + 0.15) & (log.time_s < again + 0.5)
    got = judged(replace(log, data=log.data | {"lambda_": log.get("lambda_") + np.where(lean, 0.2, 0.0)}))
    assert got.verdict == STOP
    assert any(f.key == "lean" and f.asks == STOP for f in got.findings)


@pytest.mark.parametrize("seed", range(3))
def test_a_valve_that_stays_open_through_the_shift_is_a_stop(seed):
    got = judged(simulate(SCENARIOS["shift"], seed).log)
    assert got.verdict == STOP
    assert any(f.key == "guard" and f.asks == STOP for f in got.findings)
    for f in got.findings:
        assert "valve stayed open" in f.sentence or f.key != "lean" or f.asks == GO or "shift" not in f.title
