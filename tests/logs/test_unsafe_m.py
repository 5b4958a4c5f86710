"""A base log that is not fit, knock before the nitrous, and a knock signal that is read too rarely: none may open a step."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs import base_log
from kernel_lib.logs.base_log import OF_BASE_LOG
from kernel_lib.logs.cut import cut
from kernel_lib.logs.finding import GO, GO_BACK, REPEAT, STOP
from kernel_lib.logs.judge_seen import case_of, heard
from kernel_lib.logs.judge_spark import judge_knock
from kernel_lib.logs.knock_seen import COUNT, RETARD, knock_activity
from kernel_lib.logs.review import judged, review
from kernel_lib.logs.sim_scenario import Scenario
from kernel_lib.logs.simulate import simulate
from kernel_lib.plan.tune import tune_of

SHEET = BuildSheet.demo("wren_five")
STILL = {"spin": 0.0, "spread": 0.0}


def changed(log, **channels):
    return replace(log, data=log.data | channels)


def base_of(seed):
    return simulate(Scenario("base", nitrous=False, lift_rpm=6200.0, **STILL), seed).log


def louder(log, begin_s, seconds, times):
    burst = (log.time_s > begin_s - 1e-6) & (log.time_s < begin_s + seconds)
    return changed(log, knock=np.where(burst, times, 1.0) * log.get("knock"))


@pytest.fixture(scope="module")
def made():
    hit, base = simulate(Scenario("hit", step=0.75, **STILL), 3).log, base_of(4)
    tune = tune_of(SHEET)
    full = base.get("throttle_percent") > 95
    return SimpleNamespace(
        hit=hit,
        base=base,
        full=full,
        at=base.time_s[np.flatnonzero((base.get("rpm") > 4250) & full)[0]],
        pulls=cut(hit, SHEET),
        base_pulls=cut(base, SHEET),
        clean=case_of(base, SHEET, tune),
        seen=case_of(hit, SHEET, tune, base=case_of(base, SHEET, tune)),
    )


def knock_of(made, log, base=None):
    """What is found of knock in another log of the same pull."""
    with_base = {} if base is None else {"base_log": base, "base_pulls": made.base_pulls}
    return knock_activity(log, made.pulls, **with_base)


@pytest.mark.parametrize(
    ("times", "seconds"), [(2, 0.03), (2, 0.15), (2, 0.3), (3, 0.3), (4, 0.5), (6, 0.3), (20, 0.6)]
)
def test_a_base_log_does_not_learn_its_own_burst(made, times, seconds):
    found = knock_activity(louder(made.base, made.at, seconds, times), made.base_pulls).bursts
    assert found
    assert found[0].begin_s == pytest.approx(made.at, abs=0.1)


def test_clean_logs_have_no_burst(made):
    for seed in range(20, 26):
        base = base_of(seed)
        pulls = cut(base, SHEET)
        assert knock_activity(base, pulls).bursts == ()
        assert knock_activity(made.hit, made.pulls, base, pulls).bursts == ()


@pytest.mark.parametrize("times", [3, 10])
@pytest.mark.parametrize("seconds", [0.2, 0.45])
def test_knock_before_the_nitrous_is_not_learnt_with_a_base_log_either(made, times, seconds):
    log = louder(made.hit, 1.75, seconds, times)
    assert any(not b.nitrous for b in knock_of(made, log, made.base).bursts)
    knock = knock_of(made, log, made.base)
    assert judge_knock(replace(made.seen, log=log, knock=knock))[0].asks == STOP


def test_one_odd_reading_in_the_base_log_hides_nothing(made):
    base = louder(made.base, made.at, 0.005, 2)
    for times, seconds in ((1.6, 0.3), (2, 0.15), (3, 0.05)):
        found = knock_of(made, louder(made.hit, 5.0, seconds, times), base).bursts
        assert any(b.nitrous for b in found)


def test_knock_on_nitrous_is_a_stop_beside_a_base_log_that_knocks(made):
    loud = case_of(louder(made.base, made.at, 0.3, 2), SHEET, tune_of(SHEET))
    assert not heard(loud)
    assert heard(made.clean)
    got = review(louder(made.hit, 5.0, 0.15, 3), SHEET, tune=tune_of(SHEET), base=loud.log)
    assert got.verdict == STOP
    assert got.headline.startswith("Stop: knock on nitrous")


def sagging(made):
    late = made.full & (made.base.get("rpm") > 4500)
    return changed(made.base, fuel_kpa=made.base.get("fuel_kpa") * np.where(late, 0.8, 1.0))


UNFIT = {
    "knock": (lambda made: louder(made.base, made.at, 0.3, 2), GO_BACK, "knock without nitrous"),
    "fuel pressure": (sagging, GO_BACK, "fuel pressure"),
    "coolant": (lambda made: changed(made.base, coolant_c=made.base.get("coolant_c") + 40), REPEAT, "coolant"),
    "nothing": (lambda made: made.base, GO, ""),
}


@pytest.mark.parametrize("which", UNFIT)
def test_what_a_base_log_asks_by_itself_is_told_beside_it(made, which):
    how, asks, why = UNFIT[which]
    got = review(made.hit, SHEET, tune=tune_of(SHEET), base=how(made))
    assert got.verdict == asks
    told = [f for f in got.findings if OF_BASE_LOG in f.numbers]
    assert len(told) == (asks != GO)
    for f in told:
        assert (f.key, f.asks) == ("base", asks)
        assert why in f.title
        assert why in f.sentence
        assert ("no background" in f.sentence) == (which == "knock")
        assert why in got.headline


def test_a_base_log_is_judged_once_and_its_reason_follows_the_units(made, monkeypatch):
    first, calls, judge = review(sagging(made), SHEET, tune=tune_of(SHEET)), [], base_log.findings_of
    monkeypatch.setattr(base_log, "findings_of", lambda *given: calls.append(0) or judge(*given))
    got = review(made.hit, SHEET, tune=tune_of(SHEET), base=first)
    assert calls == []
    assert "psi" in next(f for f in got.findings if OF_BASE_LOG in f.numbers).sentence
    again = judged(replace(got.case, metric=True))
    assert "kPa" in next(f for f in again.findings if OF_BASE_LOG in f.numbers).sentence
    assert len(calls) == 1


def every(rows, values, line):
    at = np.arange(len(values))
    return np.interp(at, at[::rows], values[::rows]) if line else values[at // rows * rows]


@pytest.mark.parametrize("line", [False, True])
def test_a_knock_signal_that_is_read_too_rarely_is_no_sign_of_quiet(made, line):
    for rows, slow in ((2, False), (5, False), (10, True), (20, True), (50, True)):
        log = changed(made.hit, knock=every(rows, made.hit.get("knock"), line))
        found = judge_knock(replace(made.seen, log=log, knock=knock_of(made, log, made.base)))[0]
        assert (found.state == "unjudged") == slow
        assert found.title == f"Knock signal read only {100 // rows} times a second" or not slow
    loud = louder(made.hit, 5.0, 0.3, 6)
    log = changed(loud, knock=every(20, loud.get("knock"), line))
    assert judge_knock(replace(made.seen, log=log, knock=knock_of(made, log, made.base)))[0].asks == STOP


def test_degrees_rest_and_a_count_misses_none(made):
    n = len(made.hit.time_s)
    at = np.arange(n)
    moved = (at > 20) & (at < 40)
    signals = [(RETARD, np.where(moved, 2.5, 0.0)), (COUNT, np.where(moved, 2.0, 0.0)), (COUNT, 2.0 + (at > 20))]
    for kind, signal in signals:
        for rate, slow in ((100.0, False), (5.0, signal[-1] == 0)):
            log = replace(changed(made.hit, knock=signal), rate_hz=made.hit.rate_hz | {"knock": rate})
            knock = knock_of(made, log)
            assert (knock.kind, knock.bursts) == (kind, ())
            assert (judge_knock(replace(made.seen, log=log, knock=knock))[0].state == "unjudged") == slow
