"""Sensors by any name, a lean base before the hit, what ended the nitrous, and why fuel stays in: nothing is dropped without a word."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.clock import apply
from kernel_lib.logs.cut import LIFTED, cut
from kernel_lib.logs.finding import GO, REPEAT
from kernel_lib.logs.guards_seen import FIRED, guards_missed
from kernel_lib.logs.judge_case import Case
from kernel_lib.logs.judge_cells import alone, cells
from kernel_lib.logs.judge_changes import told_withheld
from kernel_lib.logs.judge_gaps import judge_second
from kernel_lib.logs.judge_lambda import ENOUGH_S, judge_lambda
from kernel_lib.logs.judge_seen import case_of
from kernel_lib.logs.judge_verdict import cells_of
from kernel_lib.logs.mapping import propose
from kernel_lib.logs.read import RawLog
from kernel_lib.logs.review import review
from kernel_lib.logs.sim_scenario import Scenario
from kernel_lib.logs.simulate import simulate
from kernel_lib.plan.tune import tune_of

SHEET = BuildSheet.demo("wren_five")
PLUGS = dict.fromkeys(range(1, 6), "clean")
HEADS = {
    "RPM": "rpm",
    "TPS (%)": "throttle_percent",
    "N2O Duty (%)": "nitrous_duty_percent",
    "Ign Timing (deg)": "timing_deg_btdc",
    "Bottle Press (kPa)": "bottle_kpa",
    "Fuel Press (kPa)": "fuel_kpa",
    "Inj PW (ms)": "injector_ms",
    "Knock": "knock",
    "MAP (kPa)": "manifold_kpa",
}


@pytest.fixture(scope="module")
def tune():
    return tune_of(SHEET)


@functools.cache
def made(seed=3):
    return simulate(Scenario("x", spin=0.0, spread=0.0, step=0.75), seed).log


@functools.cache
def base():
    return simulate(Scenario("b", nitrous=False, lift_rpm=6200.0, spin=0.0, spread=0.0), 4).log


def with_lambda(log, values):
    return replace(log, data=log.data | {"lambda_": values})


def spray(log):
    on = log.time_s[log.get("nitrous_duty_percent") > 4]
    return float(on[0]), float(on[-1])


def lam(lean=0.0, seed=0):
    log = made()
    begin, end = spray(log)
    noise = np.random.default_rng(seed).normal(0, 0.003, len(log.time_s)) if seed else 0.0
    return log.get("lambda_") + noise + np.where((log.time_s > begin + 0.3) & (log.time_s < end + 0.3), lean, 0.0)


def asked(until_s=1e9, **columns):
    """What a log with these columns beside the usual ones asks of its lambda columns, and which it reads."""
    log = made()
    here = log.time_s < until_s
    named = {"Time (s)": log.time_s} | {head: log.get(key) for head, key in HEADS.items()} | columns
    raw = RawLog("x", tuple(named), ("",) * len(named), [v[here] for v in named.values()], "csv", [])
    found = apply(raw, propose(raw, SHEET), SHEET)
    notes = [n for n in found.notes if n.startswith("Lambda, second sensor left out")]
    return notes, found


NAMES = (
    *("UEGO 2", "WBO2", "O2 Bank 2", "O2_2", "Mixture B2", "AUX 3", "Lambda Raw", "Lambda Bank 2 Raw"),
    *("Exhaust Lambda 2", "EGO 2", "HEGO 2", "Oxygen B2", "Wide Band 2", "Lamda 2", "Fuel Mixture 2", "Analog 5"),
    *("Lambda Turbo", "LAMBDA COLD BANK", "Lambda Min", "Sensor 2", "OXS 2"),
)


@pytest.mark.parametrize("name", NAMES)
def test_a_column_that_moves_with_lambda_is_asked_for_by_any_name(name):
    notes, log = asked(Lambda=lam(), **{name: lam(0.15, 1)})
    assert len(notes) == 1
    assert f"'{name}'" in notes[0]
    assert [f.asks for f in judge_second(Case(SHEET, log, None))] == [REPEAT]


@pytest.mark.parametrize("until_s", [1e9, 7.4])
@pytest.mark.parametrize(("first", "name", "scale"), [("AFR", "AFR raw", 14.7), ("AFR", "AUX 3", 14.7), ("Lambda", "AUX 3", 1.0)])  # fmt: skip
def test_it_is_asked_for_on_other_scales_and_in_a_short_log_too(first, name, scale, until_s):
    notes, _ = asked(until_s, **{first: scale * lam(), name: scale * lam(0.15, 1)})
    assert any(f"'{name}'" in note for note in notes)
    other, _ = asked(until_s, Lambda=lam(), **{name: 14.7 * lam(0.15, 1)})
    assert any(f"'{name}'" in note for note in other)


@pytest.mark.parametrize("name", ["Lambda Target", "Lambda Soll", "AFR desired", "lambda model", "Lambda Voltage", "Lambda limit"])  # fmt: skip
def test_a_name_that_says_another_quantity_is_not_asked_for(name):
    aim = np.where(made().get("throttle_percent") > 90, 0.87, 1.0) + np.random.default_rng(1).normal(0, 0.003, len(made().time_s))  # fmt: skip
    for values in (aim, lam(0.0, 1)):
        assert asked(Lambda=lam(), **{name: values})[0] == []
    assert asked(Lambda=lam(), **{"EGO correction": 100 * lam(0.0, 1)})[0] == []


@pytest.mark.parametrize("name", ["Lambda Raw", "WBO2", "AUX 3"])
def test_the_same_reading_under_another_name_is_not_asked_for(name):
    assert asked(Lambda=lam(), **{name: lam()})[0] == []
    assert asked(Lambda=lam(), **{name: 14.7 * lam()})[0] == []


@pytest.mark.parametrize("lean", [0.06, 0.15])
@pytest.mark.parametrize("beside", [True, False])
def test_a_short_lean_spell_before_the_hit_is_told_whatever_the_base_log_says(lean, beside, tune):
    log = made()
    t, begin = log.time_s, spray(log)[0]
    spelt = with_lambda(log, log.get("lambda_") + np.where((t > begin - 0.72) & (t < begin), lean, 0.0))
    found = review(spelt, SHEET, tune=tune, plugs=PLUGS, base=base() if beside else None)
    told = [f for f in found.findings if f.key == "base" and f.asks == REPEAT]
    assert found.verdict == REPEAT
    assert len(told) == 1
    assert abs(told[0].numbers["off_lambda"] - lean) < 0.025
    assert begin - 0.6 < told[0].at_s[0] < told[0].at_s[1] < begin


@pytest.mark.parametrize("beside", [True, False])
def test_no_spell_without_one(beside, tune):
    found = review(made(), SHEET, tune=tune, plugs=PLUGS, base=base() if beside else None)
    assert found.verdict == GO
    assert not [f for f in found.findings if f.key == "base" and f.asks != GO]


def test_the_log_decides_at_its_own_speeds_and_the_base_log_fills_the_others(tune):
    first = case_of(base(), SHEET, tune)
    lean = case_of(with_lambda(base(), base().get("lambda_") + 0.1), SHEET, tune)
    part = base().get("rpm") < 4000
    some = case_of(with_lambda(base(), np.where(part, base().get("lambda_") + 0.1, np.nan)), SHEET, tune)
    own = cells_of(lean)[0].set_index("rpm")
    both = cells_of(replace(lean, base=first))[0].set_index("rpm")
    assert both["error"].equals(own["error"])
    assert both["error_95"].max() < 0.03
    filled = cells_of(replace(some, base=first))[0].set_index("rpm")
    there = cells_of(some)[0]["rpm"]
    assert (filled.loc[there, "error"] > 0.08).all()
    assert len(filled) > len(there)
    others = filled.drop(there)
    assert (others["error"].abs() < 0.03).all()
    assert others["of_base"].all()
    assert not filled.loc[there, "of_base"].any()


def thinned(log, n, off):
    rates = dict.fromkeys(log.rate_hz, 100 / n)
    return replace(
        log,
        time_s=np.arange(len(log.time_s[off::n])) * log.step_s * n,
        data={key: v[off::n] for key, v in log.data.items()},
        rate_hz=rates,
    )


def test_what_is_read_after_a_lift_ended_no_nitrous(tune):
    seen = 0
    for seed in (3, 5, 6):
        for n, off in ((10, 0), (10, 3), (5, 0)):
            log = thinned(made(seed), n, off)
            pulls = cut(log, SHEET)
            seen += sum(hit.ended_by == LIFTED for pull in pulls for hit in pull.hits)
            assert [g.guard for g in guards_missed(log, pulls, SHEET, tune) if g.state == FIRED and g.guard != "throttle"] == []  # fmt: skip
    assert seen


def rich(times, log):
    t, (begin, end) = log.time_s, spray(log)
    return with_lambda(log, np.where((t > begin + 0.1) & (t < end + 0.3), times * log.get("lambda_"), log.get("lambda_")))  # fmt: skip


def after(*logs):
    data = {key: np.concatenate([log.get(key) for log in logs]) for key in logs[0].data}
    n = sum(len(log.time_s) for log in logs)
    return replace(logs[0], time_s=np.arange(n) * logs[0].step_s, data=data)


def told_of(log, tune):
    case = case_of(log, SHEET, tune, plugs=PLUGS)
    on = cells_of(case)[1]
    return told_withheld(case, judge_lambda(case, on, alone(cells(case), ENOUGH_S)), on)


def test_the_finding_says_why_no_fuel_is_taken_out_and_what_to_do(tune):
    (one,) = told_of(rich(0.95, made()), tune)
    assert one.asks == REPEAT
    assert "No fuel is taken out: 2 pulls of one log have to be surely rich there, and 1 of this log is." in one.sentence  # fmt: skip
    assert "Pull again at this step" in one.sentence
    mixed = told_of(after(rich(0.95, made()), made()), tune)
    assert mixed
    assert all("and 1 of this log is." in f.sentence for f in mixed)


def test_nothing_of_it_where_fuel_is_taken_out_or_it_is_clean(tune):
    twice = told_of(after(rich(0.94, made()), rich(0.94, made(5))), tune)
    assert twice
    assert not any("No fuel is taken out" in f.sentence for f in (*twice, *told_of(made(), tune)))
