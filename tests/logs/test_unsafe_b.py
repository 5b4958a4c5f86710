"""Logs that were once let by: nitrous nobody named, blank channels, dead and deaf sensors, a nozzle nobody stated. None of them may open a step."""

import functools
import json
from dataclasses import fields, replace
from types import SimpleNamespace

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError
from kernel_lib.__main__ import main
from kernel_lib.logs.cut import StepSeen
from kernel_lib.logs.finding import GO, REPEAT, STOP
from kernel_lib.logs.judge_case import Case
from kernel_lib.logs.judge_seen import case_of
from kernel_lib.logs.judge_spark import judge_knock, judge_retard
from kernel_lib.logs.judge_step import judge_guards, judge_step
from kernel_lib.logs.judge_supply import judge_fuel_pressure, judge_injector, planned_low
from kernel_lib.logs.log import Log
from kernel_lib.logs.nitrous_hidden import judge_hidden, unconfirmed
from kernel_lib.logs.reading_late import answers, judge_late
from kernel_lib.logs.review import review
from kernel_lib.logs.review_dict import plain
from kernel_lib.logs.sim_scenario import Scenario
from kernel_lib.logs.simulate import simulate
from kernel_lib.plan.tune import tune_of

SHEET, BADGER = BuildSheet.demo("wren_five"), BuildSheet.demo("badger_eight")
HIT = Scenario("hit", spin=0.0, spread=0.0, step=0.75)
BASE = replace(HIT, name="base", nitrous=False, lift_rpm=6200.0)
SCENARIOS = {s.name: s for s in (HIT, BASE)}


@functools.cache
def simulated(name):
    return simulate(SCENARIOS[name], 3).log


def log_of(scenario):
    return simulated(scenario.name)


def changed(log, **channels):
    data = {k: v for k, v in log.data.items() if channels.get(k, v) is not None}
    data |= {k: np.asarray(v, float) for k, v in channels.items() if v is not None}
    return Log(log.name, log.time_s, data, dict(log.rate_hz), [])


def seen(log, sheet=SHEET, **more):
    return case_of(log, sheet, tune_of(sheet), **more)


@pytest.fixture(scope="module")
def hit():
    log = log_of(HIT)
    on = np.flatnonzero(log.get("nitrous_duty_percent") > 4)
    first, last = log.time_s[on[0]], log.time_s[on[-1]]
    return SimpleNamespace(log=log, during=(log.time_s > first + 0.15) & (log.time_s < last + 0.3), first=first)


@pytest.fixture(scope="module")
def known_good(hit):
    table = SHEET.engine.full_throttle
    return np.interp(hit.log.get("rpm"), table.rpm, table.timing_deg_btdc)


def only(findings, key):
    return next(f for f in findings if f.key == key)


def test_nitrous_that_no_column_names_is_seen(hit):
    gone = changed(hit.log, nitrous_on=None, nitrous_duty_percent=None)
    for log in (gone, changed(gone, bottle_kpa=None), changed(gone, timing_deg_btdc=None), changed(gone, injector_ms=None, injector_duty_percent=None)):  # fmt: skip
        found = judge_hidden(seen(log))
        assert (found[0].asks, found[0].title) == (REPEAT, "This log shows nitrous that no column names")
    alone = judge_hidden(seen(changed(gone, bottle_kpa=None, injector_ms=None, injector_duty_percent=None)))
    assert alone[0].asks == REPEAT
    assert "behind the known-good" in alone[0].title


def test_a_duty_of_nought_beside_a_switch_that_is_on_is_told(hit):
    n = len(hit.log.time_s)
    log = changed(hit.log, nitrous_duty_percent=np.zeros(n))
    titles = [f.title for f in judge_hidden(seen(log)) if f.asks == REPEAT]
    assert any(title.startswith("Switch on and valve duty 0 %") for title in titles)


def test_a_base_log_shows_none():
    assert judge_hidden(seen(log_of(BASE))) == []


def test_an_unconfirmed_column_is_never_ready():
    asked = unconfirmed(SimpleNamespace(get=lambda key: SimpleNamespace(name="N2O Duty" * (key[-1] == "t"), used=False, doubt="Is it?")))  # fmt: skip
    assert asked == ("Is it?",)
    assert judge_hidden(seen(log_of(BASE), asked=asked))[0].asks == REPEAT


def test_a_base_log_that_is_none_is_refused(hit):
    with pytest.raises(InputError, match="base log"):
        review(log_of(BASE), SHEET, base=hit.log)
    with pytest.raises(InputError, match="base log"):
        review(log_of(BASE), SHEET, base=changed(hit.log, nitrous_on=None, nitrous_duty_percent=None))


@pytest.mark.parametrize("times", [3.0, 10.0])
def test_knock_throughout_is_not_called_none(hit, times):
    knock = hit.log.get("knock")
    found = only(judge_knock(seen(changed(hit.log, knock=np.where(hit.during, times * knock, knock)))), "knock")
    assert found.state == "unjudged" or found.asks == STOP


def test_knock_throughout_a_base_pull_is_not_called_none():
    log = log_of(BASE)
    full, knock = log.get("throttle_percent") > 80, log.get("knock")
    assert only(judge_knock(seen(log)), "knock").state == "unjudged"
    high = changed(log, knock=np.where(full & (log.get("rpm") > 4000), 4 * knock, knock))
    assert only(judge_knock(seen(high)), "knock").asks != GO


def test_a_dead_knock_sensor_is_unjudged(hit):
    found = only(judge_knock(seen(changed(hit.log, knock=np.zeros(len(hit.log.time_s))))), "knock")
    assert found.state == "unjudged"


def test_timing_known_at_the_begin_only_does_not_hold(hit):
    timing = np.where(hit.log.time_s < hit.first + 0.5, hit.log.get("timing_deg_btdc"), np.nan)
    found = judge_retard(seen(changed(hit.log, timing_deg_btdc=timing)))
    assert [(f.state, f.asks) for f in found] == [("unjudged", REPEAT)]


@pytest.mark.parametrize("early", [4, 5, 6])
def test_timing_that_flickers_is_as_early(hit, known_good, early):
    timing = np.where(
        hit.during & (np.arange(len(known_good)) % 10 < early), known_good, hit.log.get("timing_deg_btdc")
    )
    assert judge_retard(seen(changed(hit.log, timing_deg_btdc=timing)))[0].asks == STOP


def test_retard_as_planned_still_holds(hit):
    assert judge_retard(seen(hit.log))[0].state == "holds"


def test_channels_blank_in_the_hit_do_not_hold(hit):
    gone = {key: np.where(hit.during, np.nan, hit.log.get(key)) for key in ("fuel_kpa", "injector_ms", "injector_duty_percent", "coolant_c")}  # fmt: skip
    case = seen(changed(hit.log, **gone))
    for judge in (judge_fuel_pressure, judge_injector, judge_guards):
        assert [f.state for f in judge(case)] == ["unjudged"]
    assert {"fuel pressure", "coolant"} <= set(case.unchecked)
    whole = seen(hit.log)
    assert judge_fuel_pressure(whole)[0].state == judge_injector(whole)[0].state == "holds"


def test_a_cold_bottle_is_excused_only_where_it_is_planned_cold(hit):
    case = seen(hit.log)
    low = SHEET.nitrous.window_low_kpa
    assert not planned_low(case, low - 50)  # the plan lies inside the window
    cold = SimpleNamespace(sheet=BADGER)
    assert planned_low(cold, BADGER.nitrous.window_low_kpa - 100)
    assert not planned_low(cold, BADGER.nitrous.window_low_kpa - 600)


class Unstated(Case):
    """A case of which nobody knows the dose, as of a valve that is not pulsed."""

    dose_known = False


def unstated(case, **more):
    return Unstated(**{f.name: getattr(case, f.name) for f in fields(case)} | more)


def test_a_nozzle_nobody_stated_is_asked_for(hit, known_good):
    case = seen(hit.log)
    for judge, asked, key in (
        (judge_retard, unstated(case), "retard"),
        (judge_step, unstated(case, step=StepSeen(float("nan"), None, "")), "step"),
    ):
        found = only(judge(asked), key)
        assert (found.state, found.asks) == ("unjudged", REPEAT)
        assert "--part" in found.sentence
    assert judge_retard(unstated(seen(changed(hit.log, timing_deg_btdc=known_good))))[0].asks == STOP
    pulsed = tune_of(SHEET).pulsed
    assert case.dose_known == pulsed


def test_a_reading_made_late_is_told(hit):
    time, reading = hit.log.time_s, hit.log.get("lambda_")
    assert judge_late(seen(hit.log)) == []
    for late in (0.25, 0.4):
        case = seen(changed(hit.log, lambda_=np.interp(time - late, time, reading)))
        assert answers(case)[0][1] == pytest.approx(late + answers(seen(hit.log))[0][1], abs=0.03)
        assert [f.asks for f in judge_late(case)] == [REPEAT]


def test_numbers_are_written_as_far_as_they_are_known():
    assert plain({"a": 0.123456789, "b": 1234.56789, "c": 7, "d": float("nan"), "e": 0.75}) == {"a": 0.123457, "b": 1234.57, "c": 7, "d": None, "e": 0.75}  # fmt: skip
    assert plain(np.array([1 / 3])) == [0.333333]


def test_the_command_asks_before_it_judges(tmp_path, capsys, hit):
    log = hit.log
    columns = {"Time (s)": log.time_s, "RPM": log.get("rpm"), "TPS (%)": log.get("throttle_percent"), "Lambda": log.get("lambda_"), "Ign Timing (deg)": log.get("timing_deg_btdc"), "N2O Duty": 2.55 * log.get("nitrous_duty_percent"), "Bottle Pressure (kPa)": log.get("bottle_kpa")}  # fmt: skip
    rows = [",".join(columns)] + [",".join(f"{v:.4f}" for v in row) for row in zip(*columns.values(), strict=True)]
    path, build = tmp_path / "duty.csv", tmp_path / "car.toml"
    path.write_text("\n".join(rows))
    build.write_text(SHEET.to_toml())
    assert main(["review", str(path), "--build", str(build), "--out", str(tmp_path)]) == 0
    told = capsys.readouterr().out.splitlines()
    assert any(line.startswith("Asked:") for line in told[:-1])
    assert told[-1].startswith("Do not spray yet")
    data = json.loads((tmp_path / "review.json").read_text())
    assert data["verdict"] == REPEAT


@pytest.mark.parametrize("part", ["0", "1.5", "-1", "half", "nan"])
def test_a_part_that_is_none_is_refused(part, capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["review", "x.csv", "--build", "x.toml", "--out", "x", f"--part={part}"])
    assert stopped.value.code == 2
    assert "no part of the planned flow" in capsys.readouterr().err
