"""What flowed and was not asked for, or did not flow though it was: doses beyond the plan, a valve that stays open, pressures that never move, and fuel that is
not taken out of such a log."""

import functools
import itertools

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.finding import GO, REPEAT, STOP
from kernel_lib.logs.log import Log
from kernel_lib.logs.review import review
from kernel_lib.logs.sim_scenario import Scenario
from kernel_lib.logs.simulate import simulate
from kernel_lib.plan.tune import tune_of

CLEAN = dict.fromkeys(range(1, 6), "clean")
SHUT = "after the valve was told to close"


@pytest.fixture(scope="module")
def judged():
    sheet = BuildSheet.demo("wren_five")
    tune = tune_of(sheet)
    return lambda log: review(log, sheet, tune=tune, plugs=CLEAN)


@functools.cache
def clean(seed=3, **kind):
    return simulate(Scenario("x", **({"spin": 0.0, "spread": 0.0, "step": 0.75} | kind)), seed).log


def changed(log, **channels):
    return Log(log.name, log.time_s, log.data | channels, log.rate_hz, log.notes)


def commanded(log):
    return log.get("nitrous_duty_percent") > 4


def ends(log):
    """First and last second of the command."""
    on = np.flatnonzero(commanded(log))
    return log.time_s[on[0]], log.time_s[on[-1]]


def found(got, key, asks=STOP):
    return [f for f in got.findings if f.key == key and f.asks == asks]


def fuel(got):
    return [c.amount for c in got.changes if c.what == "fuel"]


def after(log, second, **channels):
    """The command is gone from a second on."""
    keep = log.time_s <= second
    gone = {k: np.where(keep, log.get(k), 0.0) for k in ("nitrous_duty_percent", "nitrous_on")}
    return changed(log, **(gone | channels))


def joined(*logs, without=(), **channels):
    data = {k: np.concatenate([log.data[k] for log in logs]) for k in logs[0].data if k not in without}
    n = len(data["rpm"])
    data |= {k: np.broadcast_to(v, n).astype(float) for k, v in channels.items()}
    return Log("joined", logs[0].step_s * np.arange(n), data, logs[0].rate_hz)


def rich(log, excess=0.0, retard=0.0):
    """Read 0.07 rich on nitrous, with a lean stretch of 0.4 s and less retard if wanted."""
    on, t = commanded(log), log.time_s
    late = ends(log)[1] - 0.9
    lean = np.where((t > late) & (t < late + 0.4), excess, 0.0)
    return changed(
        log,
        lambda_=log.get("lambda_") - np.where(on, 0.07, 0.0) + lean,
        timing_deg_btdc=log.get("timing_deg_btdc") + np.where(on, retard, 0.0),
    )


INJECTORS = ("injector_ms", "injector_duty_percent")


@pytest.mark.parametrize(("begin", "end"), [(4.8, 9.0), (5.8, 9.0), (4.8, 5.3)])
def test_more_than_the_plan_for_a_while_is_a_stop(judged, begin, end):
    log = clean()
    t, duty = log.time_s, log.get("nitrous_duty_percent")
    got = judged(changed(log, nitrous_duty_percent=np.where(commanded(log) & (t > begin) & (t < end), 100.0, duty)))
    assert got.verdict == STOP
    told = found(got, "step")[0]
    assert told.numbers["share_percent"] > 1.1 * told.numbers["planned_percent"]
    assert told.numbers["seconds"] > 0.3
    assert got.step.next is None


def test_part_of_a_pull_at_another_dose_is_no_step(judged):
    log = clean()
    t, duty = log.time_s, log.get("nitrous_duty_percent")
    got = judged(changed(log, nitrous_duty_percent=np.where((t > 6.8) & (t < 7.2), 92.0, duty)))
    assert found(got, "step", REPEAT)
    assert got.verdict != GO


@pytest.mark.parametrize("seed", [5, 8, 11])
def test_lean_after_the_close_is_a_stop(judged, seed):
    log = clean(seed)
    t, last = log.time_s, ends(log)[1]
    shut = last - 1.9
    lean = 1.05 + np.random.default_rng(seed).normal(0, 0.006, len(t))
    got = judged(after(log, shut, lambda_=np.where((t > shut + 0.9) & (t < last + 0.2), lean, log.get("lambda_"))))
    assert got.verdict == STOP
    assert SHUT in found(got, "lean")[0].title


def test_lean_after_the_close_changes_no_base_table(judged):
    log = clean()
    t = log.time_s
    lean = 1.05 + np.random.default_rng(1).normal(0, 0.006, len(t))
    got = judged(after(log, 4.0, lambda_=np.where((t > 4.9) & (t < 7.7), lean, log.get("lambda_"))))
    assert SHUT in got.headline
    assert not [c for c in got.changes if c.what in ("fuel", "base fuel")]


def test_added_fuel_that_burns_after_the_close_is_nitrous(judged):
    got = judged(after(clean(), 5.0))  # valve, fuel and retard went on, only the command is gone
    assert got.verdict == STOP
    told = found(got, "lean")[0]
    assert 10 < told.numbers["more_oxygen_percent"] < 25
    assert judged(clean(lift_rpm=6400.0)).verdict == GO  # a window that ends at full throttle


@pytest.mark.parametrize("when", ["before", "after"])
def test_a_bottle_that_falls_uncommanded_is_a_stop(judged, when):
    log = clean()
    t, (first, last) = log.time_s, ends(log)
    before = -200 * np.clip(np.minimum(t, first) - 0.5, 0, None)
    leak = before - before[-1] if when == "before" else -150 * np.clip(t - last - 0.8, 0, None)
    got = judged(changed(log, bottle_kpa=log.get("bottle_kpa") + leak))
    assert got.verdict == STOP
    assert found(got, "bottle")[0].numbers["falls_kpa"] > 100


def test_a_base_log_with_a_falling_bottle_is_not_ready(judged):
    log = clean(4, nitrous=False)
    assert judged(log).verdict == GO
    got = judged(changed(log, bottle_kpa=6600 - 60 * log.time_s))
    assert got.verdict == STOP


@pytest.mark.parametrize("noise", [0.0, 3.0])
def test_a_bottle_that_never_falls_is_repeated(judged, noise):
    log = clean()
    still = 6600 + noise * np.random.default_rng(0).standard_normal(len(log.time_s))
    got = judged(changed(log, bottle_kpa=still))
    assert got.verdict == REPEAT
    assert "did not fall" in got.headline
    two = joined(rich(clean(5)), rich(clean(6)), without=INJECTORS, bottle_kpa=still[0])
    assert not fuel(judged(two))


@pytest.mark.parametrize("only", ["hit", "all"])
def test_a_fuel_pressure_that_never_moves_is_no_steady_one(judged, only):
    log = clean()
    here = commanded(log) if only == "hit" else True
    here = here | (log.time_s > 2.0) & (log.time_s < 9.0) if only == "hit" else here
    got = judged(changed(log, fuel_kpa=np.where(here, 300.0, log.get("fuel_kpa"))))
    assert got.verdict == REPEAT
    assert found(got, "fuel_pressure", REPEAT)[0].state == "unjudged"
    coarse = judged(changed(log, fuel_kpa=7 * np.round(log.get("fuel_kpa") / 7)))
    assert coarse.verdict == GO


def test_no_fuel_is_taken_out_of_a_log_that_holds_a_stop(judged):
    pulls = [clean(5), clean(6)]
    sound = joined(*map(rich, pulls), without=INJECTORS)
    assert min(fuel(judged(sound))) < 0  # nothing else is wrong: fuel comes out
    still = joined(*map(rich, pulls), without=INJECTORS, fuel_kpa=300.0)
    assert not fuel(judged(still))
    for excess, retard in ((0.35, 0.0), (0.0, 9.0)):
        got = judged(joined(*(rich(p, excess, retard) for p in pulls), without=INJECTORS))
        assert got.verdict == STOP
        assert not [a for a in fuel(got) if a < 0]
        assert any("No fuel is taken out: this log holds a stop" in f.sentence for f in got.findings)


def test_a_bottle_filled_between_hits_is_judged_afresh(judged):
    for pair in itertools.combinations((5, 6, 7), 2):
        got = judged(joined(*map(clean, pair)))
        assert got.verdict == GO
        assert any(f.title.startswith("Bottle filled or changed") for f in got.findings)
