"""Ordinary logs that a tuner brought: what was a false alarm, what was a false quiet, and what was told as more than it is."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.finding import GO, GO_BACK, STOP
from kernel_lib.logs.in_a_row import clean_pulls
from kernel_lib.logs.review import review
from kernel_lib.logs.sim_scenario import SCENARIOS, Scenario
from kernel_lib.logs.simulate import simulate
from kernel_lib.plan.tune import tune_of


@functools.cache
def planned():
    sheet = BuildSheet.demo("wren_five")
    return sheet, tune_of(sheet)


@functools.cache
def clean(seed=3, **options):
    return simulate(Scenario("x", **{"spin": 0.0, "spread": 0.0, "step": 0.75} | options), seed).log


def changed(log, **channels):
    return replace(log, data={k: v for k, v in (log.data | channels).items() if v is not None})


def judged(log):
    sheet, tune = planned()
    return review(log, sheet, tune=tune, plugs=dict.fromkeys(range(1, 6), "clean"))


def of(got, key):
    return [f for f in got.findings if f.key == key]


@pytest.mark.parametrize("gone", ["nitrous_on", "nitrous_duty_percent"])
def test_a_bottle_that_leaks_shows_with_one_nitrous_column(gone):
    log = clean()
    end = log.time_s[np.flatnonzero(log.get("nitrous_duty_percent") > 4)[-1]]
    falls = log.get("bottle_kpa") - np.clip((log.time_s - end - 0.4) * 400.0, 0.0, 420.0)
    got = judged(changed(log, bottle_kpa=falls, **{gone: None}))
    assert got.verdict == STOP
    assert "while no nitrous is commanded" in of(got, "bottle")[0].title


def test_a_dab_of_the_throttle_makes_no_second_pull():
    log = clean()
    begin = log.time_s[np.flatnonzero(log.get("nitrous_duty_percent") > 4)[0]]
    dab = (log.time_s > begin + 3.2) & (log.time_s < begin + 3.6)
    throttle = np.where(dab, 60.0, log.get("throttle_percent"))
    valve = {key: np.where(dab, 0.0, log.get(key)) for key in ("nitrous_on", "nitrous_duty_percent")}
    got = judged(changed(log, throttle_percent=throttle, **valve))
    assert len([p for p in got.pulls if p.hits]) == 2
    assert clean_pulls(got.case, ()) == 1


@pytest.mark.parametrize("seed", [0, 1, 3])
@pytest.mark.parametrize("seconds", [1.3, 1.6])
def test_a_short_hit_that_drew_little_is_no_dead_bottle(seed, seconds):
    log = clean(seed, lift_after_s=seconds, spread=1.0)
    assert not [f for f in of(judged(log), "bottle") if "did not fall" in f.title]
    rng = np.random.default_rng(seed)
    dead = changed(clean(seed), bottle_kpa=6600.0 + rng.normal(0.0, 3.0, len(clean(seed).time_s)))
    assert [f for f in of(judged(dead), "bottle") if "did not fall" in f.title]


def test_a_nitrous_column_that_is_always_on_comes_first_and_changes_nothing():
    log = clean()
    got = judged(changed(log, nitrous_on=np.ones(len(log.time_s)), nitrous_duty_percent=None))
    assert got.verdict == STOP
    assert "part throttle for most of the log" in got.headline
    assert not [c for c in got.changes if c.what != "log"]


@pytest.mark.parametrize("by", [0.0, 0.03])
def test_lambda_in_tenths_is_told_and_asks_for_no_fuel(by):
    got = judged(changed(clean(), lambda_=np.round(clean().get("lambda_") + by, 1)))
    assert got.verdict != GO
    assert [f for f in of(got, "samples") if "in steps of 0.10" in f.title]
    assert not [c for c in got.changes if "fuel" in c.what]
    fine = judged(changed(clean(), lambda_=np.round(clean().get("lambda_"), 2)))
    assert not [f for f in of(fine, "samples") if "in steps" in f.title]


def test_a_gauge_that_stands_at_its_end_in_numbers_is_told_so():
    run = simulate(replace(SCENARIOS["late_fuel"], lean_stop=False), 3).log
    lean = (run.time_s > 4.5) & (run.time_s < 5.5)
    shown = np.minimum(np.where(lean, 2.0, run.get("lambda_")), 1.5)
    got = judged(changed(run, lambda_=shown))
    assert got.verdict == STOP
    title = of(got, "lean")[0].title
    assert "beyond the lean end of the gauge (1.50 or leaner)" in title
    for f in (*of(got, "lean"), *of(got, "lambda")):
        assert "not surely outside" not in f.title
        assert "beyond the lean end" not in f.title or "±" not in f.title


def test_the_leanest_of_several_sensors_is_named():
    log = clean()
    lean = np.where(log.get("nitrous_duty_percent") > 4, 0.16, 0.0)
    two = {"'left'": log.get("lambda_"), "'right'": log.get("lambda_") + lean}
    got = judged(replace(changed(log, lambda_2=two["'right'"]), lambdas={k.strip("'"): v for k, v in two.items()}))
    assert got.verdict in (STOP, GO_BACK)
    assert "by 'right'" in of(got, "lean")[0].title
    assert "'right' itself, late and slow" in of(got, "lean")[0].sentence
    guard = [f for f in of(got, "guard") if f.state == "holds"]
    assert all("'left' alone" in f.sentence for f in guard)


@pytest.mark.parametrize("seed", range(3))
def test_the_tail_of_a_shift_is_no_lean_stop_that_was_missed(seed):
    """A valve that reopens while the gauge still shows the shift."""
    log = simulate(replace(SCENARIOS["shift"], throttle_guard=True, step=0.5), seed).log
    on = np.flatnonzero(np.diff((log.get("nitrous_duty_percent") > 4).astype(int)) > 0)
    again = log.time_s[on[-1]]
    tail = (log.time_s > again - 0.3) & (log.time_s < again + 0.12)
    got = judged(changed(log, lambda_=log.get("lambda_") + np.where(tail, 0.2, 0.0)))
    assert not [f for f in of(got, "guard") if f.asks != GO and "ean stop" in f.title]
