"""Logs that once led to too little fuel: a hidden correction, an unknown flow, a base that is lean, a gauge's scale nobody has confirmed."""

from dataclasses import replace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.finding import GO, REPEAT
from kernel_lib.logs.judge_changes import _planned
from kernel_lib.logs.judge_fuel import APART, FLOW_LOW, flow_doubt, judge_fuel
from kernel_lib.logs.log import Log
from kernel_lib.logs.mapping import Mapping, apply, propose
from kernel_lib.logs.match import SHEET_ONLY
from kernel_lib.logs.read import read_log
from kernel_lib.logs.review import review
from kernel_lib.logs.simulate import SCENARIOS, Scenario, simulate
from kernel_lib.plan.room import added_fuel_key
from kernel_lib.plan.tune import tune_of

WREN = BuildSheet.demo("wren_five")
PLAIN = Scenario("plain", spin=0.0, spread=0.0, step=0.75)


@pytest.fixture(scope="module")
def tune():
    return tune_of(WREN)


@pytest.fixture(scope="module")
def log():
    return simulate(PLAIN, 5).log


def with_(log, **channels):
    data = {k: v for k, v in (log.data | channels).items() if v is not None}
    return Log(log.name, log.time_s, data, log.rate_hz, log.notes)


def twice(log):
    n = len(log.time_s)
    data = {k: np.concatenate([v, v]) for k, v in log.data.items()}
    return Log(log.name, np.arange(2 * n) * log.step_s, data, log.rate_hz, log.notes)


def on(log):
    return log.get("nitrous_duty_percent") > 4


def shifted(log, by):
    return with_(log, lambda_=np.where(on(log), log.get("lambda_") + by, log.get("lambda_")))


def of(found, what):
    return [c for c in found.changes if c.what == what]


@pytest.mark.parametrize(("factor", "only_on"), [(1.2, False), (0.8, True)])
def test_fuel_that_does_not_go_with_the_lambda_read_asks_to_repeat(log, tune, factor, only_on):
    times = np.where(on(log), factor, 1.0) if only_on else factor
    found = review(
        with_(
            log,
            injector_ms=log.get("injector_ms") * times,
            injector_duty_percent=log.get("injector_duty_percent") * times,
            trim_percent=None,
        ),
        WREN,
        tune=tune,
    )
    told = next(f for f in found.findings if APART in f.numbers)
    assert found.verdict != GO
    assert told.asks == REPEAT
    assert told.title.startswith("The fuel injected and the lambda read do not belong together")
    assert told.numbers[APART] * (factor - 1) > 0
    assert abs(told.numbers[APART]) == pytest.approx(100 * abs(factor - 1), abs=6)
    assert not of(found, "fuel")


@pytest.mark.parametrize("name", ["clean", "base"])
def test_fuel_and_lambda_of_a_clean_log_belong_together(tune, name):
    found = review(simulate(SCENARIOS[name], 3).log, WREN, tune=tune)
    told = judge_fuel(found.case)
    assert [f.asks for f in told] == [GO]
    assert abs(told[0].numbers[APART]) < told[0].numbers["band_percent"]


def test_a_gauges_own_error_is_not_taken_out_as_fuel(log, tune):
    assert not [c for c in of(review(twice(shifted(log, -0.02)), WREN, tune=tune), "fuel") if c.amount < 0]


def test_fuel_is_taken_out_only_with_a_flow_that_is_known_and_as_planned(tune, log):
    rich = twice(shifted(log, -0.05))
    pressure = rich.get("bottle_kpa")
    half = len(pressure) // 2
    pressure = np.concatenate([pressure[:half]] * 2)
    known = review(with_(rich, bottle_kpa=pressure), WREN, tune=tune)
    blind = review(with_(rich, bottle_kpa=None), WREN, tune=tune)
    assert flow_doubt(known.case) == ""
    assert "not in the log" in flow_doubt(blind.case)
    assert not of(blind, "fuel")
    assert any("No fuel is taken out" in f.sentence for f in blind.findings if f.key == "lambda")
    hit, seen = known.case.bottle[0]
    low = replace(known.case, bottle=((hit, replace(seen, flow_relative=1 - 1.5 * FLOW_LOW)),))
    assert "3.0 % less nitrous" in flow_doubt(low)


def test_fuel_is_added_without_a_known_flow_and_the_doubt_is_told(log, tune):
    found = of(review(shifted(with_(log, bottle_kpa=None), 0.06), WREN, tune=tune), "fuel")
    assert found
    assert all(c.amount > 0 and "bottle pressure is not in the log" in c.sentence for c in found)


def test_a_change_says_its_sign_once_with_a_band_or_its_bound(log, tune):
    for by in (0.06, 0.2):
        for change in of(review(shifted(log, by), WREN, tune=tune), "fuel"):
            assert change.sentence.startswith("Add ")
            assert "-" not in change.sentence
            assert "(5.0 to 5.0 %)" not in change.sentence
            assert " to " in change.sentence or "at most 5 %" in change.sentence


@pytest.fixture(scope="module")
def badger():
    scenario = Scenario("half", car="badger_eight", step=0.5, lift_rpm=6500.0, rise_rpm_s=750.0, spin=0.0, spread=0.0)
    sheet = BuildSheet.demo("badger_eight")
    log = simulate(scenario, 3).log
    lean = with_(log, lambda_=np.where(log.get("nitrous_on") > 0.5, log.get("lambda_") + 0.07, log.get("lambda_")))
    return sheet, tune_of(sheet), lean


def test_a_wet_half_step_is_mended_by_one_jet_in_units_of_that_step(badger):
    sheet, tune, lean = badger
    found = review(lean, sheet, tune=tune, part=0.5)
    half = float(tune.room.at(added_fuel_key(sheet, "kg_h"), 4500.0, 0.5))
    assert _planned(found.case, 4500.0, 100.0)["added"] == pytest.approx(half)
    (jet,) = of(found, "fuel")
    assert jet.rpm is None
    assert jet.unit == "% of the fuel jet's flow"
    total = float(tune.room.at("fuel_total_kg_h", 4500.0, 0.5))
    assert jet.amount >= 100 * 0.6 * 0.05 * total / half  # what the step asks for at 4500 rpm alone
    assert "nitrous table" not in jet.sentence


def test_no_jet_is_told_for_a_nozzle_that_nobody_stated(badger):
    sheet, tune, lean = badger
    assert not of(review(lean, sheet, tune=tune), "fuel")


def test_a_scale_that_only_the_sheet_tells_is_asked_and_a_gate(log, tune):
    use = (log.time_s > 1.7) & (log.get("throttle_percent") > 80)
    columns = {
        "Time (s)": log.time_s,
        "RPM": log.get("rpm"),
        "TPS (%)": log.get("throttle_percent"),
        "AFR": log.get("lambda_") * 14.1,
        "N2O Duty (%)": log.get("nitrous_duty_percent"),
    }
    rows = np.column_stack([v[use] for v in columns.values()])
    text = "\n".join([",".join(columns), *(",".join(f"{v:.3f}" for v in row) for row in rows)])
    raw = read_log(text.encode(), "scale.csv")
    mapping = propose(raw, WREN)
    assert any(q.startswith(SHEET_ONLY) for q in mapping.questions)
    asked = review(apply(raw, mapping, WREN), WREN, mapping=mapping, tune=tune)
    assert any(f.key == "sensors" and f.state == "watch" and "scale" in f.title for f in asked.findings)
    assert any(g.startswith("Confirm that the gauge shows 14.7") for g in asked.gates)
    assert "lambda_" not in Mapping.from_text(mapping.to_text()).matches  # not taken along unconfirmed
    set_ = mapping.with_match("lambda_", "AFR", "AFR", 14.1, raw=raw)
    told = review(apply(raw, set_, WREN), WREN, mapping=set_, tune=tune)
    assert not set_.questions
    assert not any("Confirm that the gauge" in g for g in told.gates)


def test_a_base_log_that_does_not_go_with_its_fuel_is_not_ready_but_may_be_fitted(tune):
    base = simulate(SCENARIOS["base"], 3).log
    more = {k: base.get(k) * 1.2 for k in ("injector_ms", "injector_duty_percent")}
    found = review(with_(base, **more), WREN, tune=tune)
    assert found.verdict == REPEAT
    assert found.headline.startswith(
        "Do not spray yet, because the fuel injected and the lambda read do not belong together"
    )
    assert "do not belong" not in found.fit.refused
