"""Knock that was once not heard, and timing without nitrous that nobody held against anything: neither may open a step."""

import functools
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.base_timing import judge_early
from kernel_lib.logs.cut import cut
from kernel_lib.logs.finding import GO, REPEAT, STOP
from kernel_lib.logs.judge_seen import case_of
from kernel_lib.logs.judge_spark import judge_knock
from kernel_lib.logs.knock_seen import RETARD, knock_activity
from kernel_lib.logs.log import Log
from kernel_lib.logs.mapping import apply, propose
from kernel_lib.logs.read import read_log
from kernel_lib.logs.review import review
from kernel_lib.logs.sim_scenario import Scenario
from kernel_lib.logs.simulate import simulate
from kernel_lib.plan.tune import tune_of

SHEET = BuildSheet.demo("wren_five")
SEEDS = (5, 6)


@functools.cache
def hit_of(seed):
    log = simulate(Scenario("hit", spin=0.0, spread=0.0, step=0.75), seed).log
    return log, cut(log, SHEET)


def changed(log, **channels):
    return Log(log.name, log.time_s, log.data | channels, dict(log.rate_hz), [])


@pytest.fixture(scope="module")
def made():
    """A hit, where nitrous is in the charge, when it begins, and a log without nitrous with what was seen in it."""
    log = hit_of(3)[0]
    t, on = log.time_s, np.flatnonzero(log.get("nitrous_duty_percent") > 4)
    first, last = t[on[0]], t[on[-1]]
    base = simulate(Scenario("base", nitrous=False, lift_rpm=6200.0, spin=0.0, spread=0.0), 4).log
    during = (t > first + 0.15) & (t < last + 0.3)
    return SimpleNamespace(
        log=log, t=t, during=during, first=first, last=last, base=base, seen=seen(base), case=seen(log)
    )


def seen(log, **more):
    return case_of(log, SHEET, tune_of(SHEET), **more)


def knock_of(made, log, base=None):
    """What is found of knock in another log of the same pull; nothing else of it is looked at anew."""
    pulls = made.case.pulls
    told = {} if base is None else {"base_log": base.log, "base_pulls": base.pulls}
    knock = knock_activity(log, pulls, **told) if log.has("knock") else None
    return judge_knock(replace(made.case, log=log, knock=knock, base=base))[0]


@pytest.mark.parametrize("seconds", [0.1, 0.2, 0.3, 0.5, 1.0])
def test_a_burst_does_not_hide_behind_the_bin_it_widens(seconds):
    for seed in SEEDS:
        log, pulls = hit_of(seed)
        for at in (3.7, 4.6, 5.5):
            loud = np.where((log.time_s > at) & (log.time_s < at + seconds), 10, 1) * log.get("knock")
            found = knock_activity(changed(log, knock=loud), pulls)
            assert found.own
            assert any(at - 0.02 <= b.begin_s <= at + seconds for b in found.bursts)


def test_a_clean_hit_has_no_burst_on_any_scale():
    for seed in SEEDS:
        log, pulls = hit_of(seed)
        knock = log.get("knock")
        for signal in (knock, knock - 0.3, np.where(np.arange(len(knock)) == 400, 0.0, knock), np.round(knock, 1)):
            assert knock_activity(changed(log, knock=signal), pulls).bursts == ()


DEAF = ("blank", "a third blank", "one value", "cut off")
WITH_BASE = ("one low value", "quieter in all", "quieter in the hit", "quieter at its end", "at rest")


def deafened(made, how):
    k, n = made.log.get("knock"), len(made.t)
    some = np.random.default_rng(1).random(n) < 0.33
    return {
        "blank": np.where(made.during, np.nan, k),
        "a third blank": np.where(made.during & some, np.nan, k),
        "one value": np.where(made.during, 1.0, k),
        "cut off": np.where((made.t > made.first) & (made.t < made.last), np.minimum(k, 1.6), k),
        "one low value": np.where(made.during, 0.02, k),
        "quieter in all": 0.15 * k,
        "quieter in the hit": np.where(made.during, 0.15 * k, k),
        "quieter at its end": np.where(made.t > made.last - 1.0, 0.15 * k, k),
        "at rest": np.zeros(n),
    }[how]


@pytest.mark.parametrize("how", [*DEAF, *WITH_BASE])
def test_a_signal_that_did_not_hear_the_hit_is_no_sign_of_quiet(made, how):
    signal = deafened(made, how)
    for base in (made.seen, None) if how in DEAF else (made.seen,):
        found = knock_of(made, changed(made.log, knock=signal), base)
        assert (found.state, found.asks) == ("unjudged", REPEAT)
        assert "No knock activity" not in found.title


def test_a_signal_that_heard_it_is_believed(made):
    assert knock_of(made, made.log, made.seen).state == "holds"
    assert knock_of(made, made.log).asks == GO
    held = made.log.get("knock")[np.arange(len(made.t)) // 5 * 5]
    assert knock_of(made, changed(made.log, knock=held), made.seen).state == "holds"


@pytest.mark.parametrize("sign", [1, -1])
def test_degrees_taken_out_are_known_in_a_log_that_is_mostly_the_hit(made, sign):
    out = np.round(4 * np.clip(3 * (made.t - made.first - 0.2), 0, 6)) / 4
    log = changed(made.log, knock=sign * np.where(made.t < made.last, out, 0.0))
    keep = (made.t > made.first - 1.1) & (made.t < made.last + 1.0)
    part = Log("part", made.t[keep], {k: v[keep] for k, v in log.data.items()}, log.rate_hz, [])
    found = knock_activity(part, cut(part, SHEET))
    assert found.kind == RETARD
    assert max(b.times for b in found.bursts) == pytest.approx(6.0)


def written(made, knocks):
    log, heads = made.log, {"RPM": "rpm", "TPS (%)": "throttle_percent", "Lambda": "lambda_", "Timing (deg)": "timing_deg_btdc", "N2O Duty (%)": "nitrous_duty_percent"}  # fmt: skip
    columns = {"Time (s)": made.t} | {head: log.get(key) for head, key in heads.items()} | knocks
    rows = zip(*columns.values(), strict=True)
    return "\n".join([",".join(columns), *(",".join(f"{v:.6g}" for v in row) for row in rows)]).encode()


KNOCKS = {
    "two": ("Knock cyl 1", "Knock cyl 2"),
    "alike but for a burst": ("Knock 1", "Knock 2"),
    "level and degrees": ("Knock level", "Knock retard (deg)"),
    "degrees alone": ("Knock retard (deg)",),
}


@pytest.mark.parametrize("which", KNOCKS)
def test_several_knock_columns_are_asked_until_one_is_named(made, which):
    k, burst = made.log.get("knock"), (made.t > 5) & (made.t < 5.05)
    last = np.where(burst, 3.0, 0.0) if "degrees" in which else np.where(burst, 8 * k, k)
    names = KNOCKS[which]
    raw = read_log(written(made, dict(zip(names, (k, last)[-len(names) :], strict=True))), "made")
    mapping = propose(raw, SHEET)
    assert any("knock" in q.lower() for q in mapping.questions)
    log = apply(raw, mapping, SHEET)
    assert not log.has("knock")
    found = knock_of(made, log)
    assert (found.asks, found.title) == (REPEAT, "The knock signal is not confirmed")
    column = raw.names[-1]
    named = apply(raw, mapping.with_match("knock", column, raw=raw), SHEET)
    assert knock_of(made, named).asks == STOP
    left_out = apply(raw, mapping.with_match("knock", None), SHEET)
    assert knock_of(made, left_out).title == "No knock signal in the log"


@pytest.mark.parametrize("other", ["Knock 2", "Knock retard (deg)", "KR (deg)"])
def test_a_knock_column_beside_the_one_that_was_named_stays_a_gate(made, other):
    k, burst = made.log.get("knock"), (made.t > 5) & (made.t < 5.05)
    raw = read_log(written(made, {"Knock 1": k, other: np.where(burst, 8 * k, 0.5 * k)}), "made")
    mapping = propose(raw, SHEET).with_match("knock", "Knock 1", raw=raw)
    found = review(apply(raw, mapping, SHEET), SHEET, tune=tune_of(SHEET))
    assert any(other.split(" (")[0] in gate for gate in found.gates)


def test_one_knock_column_is_not_asked(made):
    k = made.log.get("knock")
    for knocks in ({"Knock": k}, {"Knock 1": k, "Knock 2": k}, {"Knock": k, "Knock retard (deg)": 0 * k}):
        mapping = propose(read_log(written(made, knocks), "made"), SHEET)
        assert mapping["knock"].used
        assert not mapping.questions


@pytest.mark.parametrize("degrees", [1.5, 8.0, 15.0])
def test_a_base_log_ahead_of_the_known_good_timing_is_not_ready(made, degrees):
    timing = made.base.get("timing_deg_btdc")
    found = judge_early(seen(changed(made.base, timing_deg_btdc=timing + degrees)))
    assert [f.asks for f in found] == [STOP]
    assert found[0].numbers["early_deg"] == pytest.approx(degrees, abs=0.4)
    rpm = made.base.get("rpm")
    for where in ((rpm > 4000) & (rpm < 4300), np.arange(len(rpm)) % 3 == 0):
        log = changed(made.base, timing_deg_btdc=np.where(where, timing + degrees, timing))
        assert [f.asks for f in judge_early(seen(log))] == [STOP]


def test_timing_ahead_before_the_hit_or_in_the_base_log_beside_it_is_a_stop(made):
    timing = made.log.get("timing_deg_btdc")
    early = changed(made.log, timing_deg_btdc=timing + np.where(made.t < made.first - 0.1, 6, 0))
    got = review(early, SHEET, tune=tune_of(SHEET))
    assert (got.verdict, got.findings[0].key) == (STOP, "base")
    assert "ahead of the known-good" in got.headline
    base = changed(made.base, timing_deg_btdc=made.base.get("timing_deg_btdc") + 8)
    found = judge_early(seen(made.log, base=seen(base)))
    assert [f.asks for f in found] == [STOP]
    assert "base log" in found[0].sentence


def test_timing_as_known_good_is_none(made):
    assert judge_early(seen(made.log, base=made.seen)) == []
    assert judge_early(seen(changed(made.base, timing_deg_btdc=made.base.get("timing_deg_btdc") + 0.4))) == []
    assert review(made.base, SHEET, tune=tune_of(SHEET)).verdict == GO
