"""Clean pulls of one step, a pull a file: what counts for the ladder's gate and what does not; and a plan that forbids only what is above the step."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.finding import GO, GO_BACK, REPEAT
from kernel_lib.logs.history import history
from kernel_lib.logs.log import Log
from kernel_lib.logs.review import review
from kernel_lib.logs.sim_scenario import SCENARIOS, Scenario
from kernel_lib.logs.simulate import simulate
from kernel_lib.plan.tune import tune_of


@functools.cache
def planned(car="wren_five"):
    sheet = BuildSheet.demo(car)
    return sheet, tune_of(sheet)


@functools.cache
def pull(seed, step=0.75, nitrous=True):
    scenario = Scenario(
        "x", spin=0.0, spread=0.0, step=step, nitrous=nitrous, **({} if nitrous else {"lift_rpm": 6200.0})
    )
    return replace(simulate(scenario, seed).log, name=f"pull_{seed}.csv")


def judge(log, *earlier, sheet=None, **options):
    own, tune = planned()
    return review(log, sheet or own, tune=tune, earlier=earlier, **options)


def lean(log):
    return replace(
        log, data=log.data | {"lambda_": log.get("lambda_") + np.where(log.get("nitrous_duty_percent") > 4, 0.06, 0.0)}
    )


def cut_shorter(log):
    """The same pull, saved from half a second later on."""
    return Log("cut.csv", log.time_s[50:], {k: v[50:] for k, v in log.data.items()}, log.rate_hz, log.notes)


def slower(log, step=0.02, offset=0.005):
    """The same pull, written at 50 samples a second, half a sample later."""
    t = np.arange(offset, log.time_s[-1], step)
    data = {k: np.interp(t, log.time_s, v) for k, v in log.data.items()}
    return Log("slow.csv", t - t[0], data, dict.fromkeys(log.rate_hz, 1 / step), log.notes)


def knocks(log, times, begin=4.5):
    loud = (log.time_s > begin) & (log.time_s < begin + 0.3)
    return replace(log, data=log.data | {"knock": log.get("knock") * np.where(loud, times, 1.0)})


def joined(*logs):
    data = {k: np.concatenate([log.data[k] for log in logs]) for k in logs[0].data}
    return Log("joined.csv", logs[0].step_s * np.arange(len(data["rpm"])), data, logs[0].rate_hz)


def at_part_throttle(log):
    return replace(log, data=log.data | {"throttle_percent": np.minimum(log.get("throttle_percent"), 60.0)})


def asked(got):
    """The gate of two clean pulls, and whether the headline waits for one."""
    gates = [g for g in got.gates if g.startswith("Two clean pulls")]
    assert len(gates) < 2
    return (gates or [""])[0], "a second clean pull" in got.headline


def test_a_pull_a_file_counts_and_says_what_it_rests_on():
    first = judge(pull(5))
    assert first.verdict == GO
    assert asked(first) == ("Two clean pulls in a row at this step: this log holds 1 clean pull.", True)
    gate, waits = asked(judge(pull(6), first))
    assert "this log and 'pull_5.csv' hold 2" in gate
    assert "nothing changed in between" in gate
    assert not waits


@pytest.mark.parametrize(
    "between",
    [
        "same file",
        "same pull cut shorter",
        "another step",
        "not clean",
        "another sheet",
        "clean before one that is not",
        "the same pull at another rate",
        "two pulls that knock, one louder",
        "clean, then nitrous at part throttle",
        "clean, then a base log that knocks",
        "nothing",
    ],
)
def test_what_does_not_count(between):
    sheet, _ = planned()
    other = sheet.replace({"nitrous.fuel_lead_ms": 60.0})
    earlier = {
        "same file": lambda: [judge(replace(pull(6), name="again.csv"))],
        "same pull cut shorter": lambda: [judge(cut_shorter(pull(6)))],
        "another step": lambda: [judge(pull(5, 0.5))],
        "not clean": lambda: [judge(lean(pull(5)))],
        "another sheet": lambda: [judge(pull(5), sheet=other)],
        "clean before one that is not": lambda: [judge(pull(5)), judge(lean(pull(7)))],
        "the same pull at another rate": lambda: [judge(slower(pull(6)))],
        "two pulls that knock, one louder": lambda: [judge(joined(knocks(pull(5), 12), knocks(pull(7), 6)))],
        "clean, then nitrous at part throttle": lambda: [judge(pull(5)), judge(at_part_throttle(pull(7)))],
        "clean, then a base log that knocks": lambda: [judge(pull(5)), judge(knocks(pull(4, nitrous=False), 12))],
        "nothing": list,
    }[between]()
    gate, waits = asked(judge(pull(6), *earlier))
    assert "this log holds 1 clean pull" in gate
    assert waits


def test_a_log_without_nitrous_in_between_does_not_end_the_row():
    first, base = judge(pull(5)), judge(pull(4, nitrous=False))
    assert base.kind == "base"
    assert "hold 2" in asked(judge(pull(6), first, base))[0]


def test_a_pull_that_is_not_clean_has_none_before_it():
    got = judge(lean(pull(6)), judge(pull(5)))
    assert got.verdict != GO
    assert "holds no clean pull" in asked(got)[0]


def test_rows_of_the_history_stay_those_of_the_logs():
    first = judge(pull(5))
    table = history([first, judge(pull(6), first)])
    assert list(table["name"]) == ["pull_5.csv", "pull_6.csv"]
    assert list(table["verdict"]) == [GO, GO]


@pytest.mark.parametrize(("part", "verdict"), [(0.5, REPEAT), (0.75, GO_BACK), (1.0, GO_BACK), (None, GO_BACK)])
def test_a_plan_that_forbids_what_is_above_the_step(part, verdict):
    """The badger's plan breaks a limit from the step of 75 % on: the half step, found clean, is no step to go back from."""
    sheet, tune = planned("badger_eight")
    assert [bool(s.obstacle) for s in tune.ladder.steps] == [False, True, True]
    got = review(simulate(replace(SCENARIOS["badger_hit"], step=part or 1.0), 3).log, sheet, tune=tune, part=part)
    plan = next(f for f in got.findings if f.key == "plan")
    assert (got.verdict, plan.asks) == (verdict, verdict)
    if part == 0.5:
        assert got.step.next_is == "the same step"
        assert any("No step above this one" in gate for gate in got.gates)
        slow = review(
            got.log, sheet, tune=replace(tune, blockers=[*tune.blockers, "The valve is too slow."]), part=part
        )
        assert slow.verdict == GO_BACK


def test_a_stop_names_what_comes_after_it():
    sheet, tune = planned()
    log = simulate(SCENARIOS["late_fuel"], 1).log
    hot = replace(log, data=log.data | {"coolant_c": np.full(len(log.time_s), 128.0)})
    gates = review(hot, sheet, tune=tune).gates
    assert gates[0].startswith("Bottle shut until this is mended")
    assert any(
        g.startswith("When that is mended, settle these too before the next pull: ") and "oolant" in g for g in gates
    )
