"""Retard for the dose of each moment: too little of it is a stop whatever the step, and no degrees are told for a dose that was wrong; a shift with the throttle open hides none."""

import functools
import re

import numpy as np
import pytest
from small_log import pulses

from kernel_lib import BuildSheet
from kernel_lib.logs.finding import GO, GO_BACK, REPEAT, STOP, Change
from kernel_lib.logs.judge_seen import case_of
from kernel_lib.logs.judge_spark import judge_retard
from kernel_lib.logs.log import Log
from kernel_lib.logs.sim_scenario import Scenario
from kernel_lib.logs.simulate import simulate
from kernel_lib.logs.timing_changes import timing_changes
from kernel_lib.plan.pulsing import Pulsing
from kernel_lib.plan.tune import strongest, tune_of
from kernel_lib.sheets.review_sheet import _amount
from workbooks.ui.review.words import amount

SHEET = BuildSheet.demo("wren_five")
BETWEEN = (4.6, 5.6)
"""Where another dose is commanded [s]."""


@pytest.fixture(scope="module")
def tune():
    return tune_of(SHEET)


@functools.cache
def made(**changes):
    return simulate(Scenario("x", spin=0.0, spread=0.0, **changes), 3)


def changed(log, **channels):
    return Log(log.name, log.time_s, log.data | channels, log.rate_hz, log.notes)


def judged(log, tune):
    """The finding on retard, and what it asks to change."""
    case = case_of(log, SHEET, tune)
    found = judge_retard(case)
    assert len(found) == 1
    return found[0], timing_changes(case, found)


def dosed(tune, step, times, own_retard=False, missing=0.0):
    """A pull of one step with so many times its dose for a second, with the retard of that dose or of the step; and degrees missing throughout."""
    log, pulsing = made(step=step).log, Pulsing.of(SHEET)
    duty, rpm = log.get("nitrous_duty_percent"), np.clip(log.get("rpm"), tune.room.rpm[0], tune.room.rpm[-1])
    share = pulsing.share(duty / 100)
    at = (duty > 0) & (log.time_s > BETWEEN[0]) & (log.time_s < BETWEEN[1])
    other = np.where(at, np.minimum(times * share, 1.0), share)
    was, now = (tune.room.first_hit(rpm, strongest(SHEET, tune.ramp, rpm, s)) for s in (share, other))
    timing = log.get("timing_deg_btdc") - (np.where(at, now - was, 0.0) if own_retard else 0.0)
    timing = timing + np.where(duty > 0, missing, 0.0)
    new = changed(
        log, nitrous_duty_percent=np.where(at, 100 * pulsing.duty(other), duty), timing_deg_btdc=np.round(timing, 1)
    )
    return new, log.get("rpm")[at]


@pytest.mark.parametrize(("step", "times", "asks"), [(0.3, 3.3, STOP), (0.5, 2.0, GO_BACK)])
def test_more_dose_with_the_steps_retard_is_too_little_and_tells_no_degrees(step, times, asks, tune):
    found, changes = judged(dosed(tune, step, times)[0], tune)
    assert found.asks == asks
    assert found.numbers["over_dose"]
    assert found.title.startswith("Too little retard for the dose sprayed")
    assert "are planned" not in found.sentence
    assert [c.amount for c in changes] == [None]
    assert changes[0].sentence.startswith("Mend the dose first")


def test_more_dose_with_its_own_retard_is_not_short(tune):
    found, changes = judged(dosed(tune, 0.5, 2.0, own_retard=True)[0], tune)
    assert found.state == "holds"
    assert not changes


def test_degrees_are_told_of_the_steps_own_dose_only(tune):
    log, wrong = dosed(tune, 0.5, 2.0, missing=2.0)
    found, changes = judged(log, tune)
    told = [c for c in changes if c.amount is not None]
    assert found.asks == STOP  # of the dose, 5 degrees
    assert told
    assert all(1.0 <= -c.amount <= 2.5 for c in told)
    inside = [r for r in (4000.0, 4500.0) if wrong.min() + 250 < r < wrong.max() - 250]
    assert not {c.rpm for c in told} & set(inside)
    assert any(c.sentence.startswith("Mend the dose first") for c in changes)


@pytest.mark.parametrize(("step", "times"), [(1.0, 0.5), (0.5, 0.6)])
def test_less_dose_with_its_own_retard_is_not_short_but_shows_nothing_of_the_step(step, times, tune):
    found, changes = judged(dosed(tune, step, times, own_retard=True)[0], tune)
    assert (found.state, found.asks) == ("unjudged", REPEAT)
    assert "less than its dose" in found.title
    assert not changes


def test_less_dose_with_the_steps_retard_is_nothing_and_with_none_is_a_stop(tune):
    found, _ = judged(dosed(tune, 1.0, 0.5)[0], tune)
    assert found.state == "holds"
    log, _ = dosed(tune, 1.0, 0.5)
    at = (log.time_s > BETWEEN[0]) & (log.time_s < BETWEEN[1])
    table = SHEET.engine.full_throttle
    known = np.interp(log.get("rpm"), table.rpm, table.timing_deg_btdc)
    found, changes = judged(changed(log, timing_deg_btdc=np.where(at, known, log.get("timing_deg_btdc"))), tune)
    assert found.asks == STOP
    assert [c.amount for c in changes] == [None]


def held_open(tune, begin=0.0, end=0.0, late=0.0):
    """A shift with the throttle held open and the valve too; without retard from begin to end after it began [s], the timing so late in the log [s]."""
    run = made(shift_rpm=4800.0, lift_rpm=5700.0, throttle_guard=False, lean_stop=False)
    log, t, events = run.log, run.log.time_s, run.truth.events
    on = (t >= events["full throttle"]) & (t < events["lift"])
    table, step, rpm = SHEET.engine.full_throttle, tune.ladder.steps[-1], log.get("rpm")
    gone = (t >= events["shift"] + begin) & (t < events["shift"] + end)
    retard = np.where(on & (t >= events["fuel"]) & ~gone, np.interp(rpm, step.rpm, step.retard_deg), 0.0)
    timing = np.round(np.interp(rpm, table.rpm, table.timing_deg_btdc) - retard, 1)
    timing = np.where(on, np.interp(t - late, t, timing), log.get("timing_deg_btdc"))
    return changed(
        log,
        throttle_percent=np.where(on, 100.0, log.get("throttle_percent")),
        manifold_kpa=np.where(on, 98.0, log.get("manifold_kpa")),
        timing_deg_btdc=timing,
    )


def test_a_shift_with_the_throttle_open_and_no_retard_is_a_stop(tune):
    found, changes = judged(held_open(tune, 0.0, 0.25), tune)
    assert found.asks == STOP
    assert found.numbers["in_shift"]
    assert changes[0].sentence.startswith("Keep the retard in through a shift")
    assert not [c for c in changes if c.amount is not None]


def test_a_moment_without_retard_in_a_long_pull_is_not_called_kept(tune):
    found, _ = judged(held_open(tune, 0.05, 0.1), tune)
    assert (found.state, found.asks) == ("unjudged", REPEAT)
    assert "for a moment" in found.title


def test_a_shift_with_the_retard_kept_is_no_alarm(tune):
    assert judged(held_open(tune, late=0.03), tune)[0].asks == GO


def test_a_shift_that_closes_the_valve_is_no_alarm(tune):
    """The rest of the nitrous goes out at a lower speed, where the last share would be a larger dose than any that was planned."""
    found, _ = judged(made(shift_rpm=3300.0, lift_rpm=5700.0).log, tune)
    assert found.state == "holds"


def test_what_a_lifted_throttle_leaves_out_is_told_where_the_valve_stayed_open(tune):
    log = made(shift_rpm=4800.0, lift_rpm=5700.0, throttle_guard=False, lean_stop=False).log
    assert re.search(r"valve commanded all the same, up to [5-9]\.\d degrees less", judged(log, tune)[0].sentence)
    assert "all the same" not in judged(dosed(tune, 0.5, 1.0)[0], tune)[0].sentence


@pytest.mark.parametrize("missing", [1.3, 2.8])
def test_degrees_are_written_in_one_way(missing, tune):
    found, changes = judged(dosed(tune, 0.5, 1.0, missing=missing)[0], tune)
    assert changes
    assert re.search(r": -?\d+\.\d of -?\d+\.\d degrees", found.title)
    for change in changes:
        told = re.search(r"Take (\d+\.\d) degrees", change.sentence)[1]
        assert amount(change) == _amount(change) == f"−{told} degrees"


def test_other_amounts_are_written_as_before():
    assert amount(Change("fuel", "", None, None, 3.5, 3.5, 3.5, "% of all fuel")) == "+3.50 % of all fuel"


def test_pulses_in_the_log_are_no_larger_dose(tune):
    """At 100 Hz ten samples a pulse: a share is known to a tenth, and a tenth more would ask for more retard."""
    found, changes = judged(pulses(made(step=0.75).log), tune)
    assert found.state == "holds"
    assert not changes
