"""The closing exercise: what it asks is what the plan says, and what it judges follows from the numbers given."""

import re

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError, plan_shot
from kernel_lib.plan.judgement import own_fuel_key
from kernel_lib.plan.proposals import hold_s
from kernel_lib.plan.tune import tune_of
from kernel_lib.teach.exercise import APART, CLOSE, FAR_DEG, OFF, RIGHT, SAFE, hidden, unmet
from workbooks.ui import display
from workbooks.ui.lesson import exercise_words as words

CARS = BuildSheet.demo_names()


@pytest.fixture(scope="module", params=CARS)
def case(request):
    return unmet(BuildSheet.demo(request.param), 0)


@pytest.fixture(scope="module")
def dosed():
    return tune_of(BuildSheet.demo("wren_five")).dosed


def entry(case, key):
    return next(e for e in case.entries if e.key == key)


def given(case, **changes):
    """What a tuner would set who knows the plan, with changes."""
    return {e.key: e.need.best if e.key == "fuel" else e.need.high for e in case.entries} | changes


def kinds(case, **changes):
    return {j.entry.key: j.kind for j in case.judge(given(case, **changes))}


class TestUnmet:
    def test_another_car_with_another_shot(self, case):
        own = {BuildSheet.demo(name).car.name: BuildSheet.demo(name) for name in CARS}
        assert own[case.sheet.car.name].nitrous.shot_hp > case.sheet.nitrous.shot_hp

    @pytest.mark.parametrize("car", CARS)
    def test_never_the_readers_own(self, car):
        sheet = BuildSheet.demo(car)
        assert {unmet(sheet, seed).sheet.car.name for seed in range(2)}.isdisjoint({sheet.car.name})

    def test_asks_what_the_plan_says(self, case):
        """Against the plan of that car, row by row."""
        plan = plan_shot(case.sheet)
        peak = plan.table[plan.table["rpm"] == case.peak_rpm].iloc[0]
        low = plan.table[plan.table["rpm"] == case.from_rpm].iloc[0]
        assert entry(case, "fuel").need.best == pytest.approx(peak[f"{own_fuel_key(case.sheet)}_kg_h"])
        assert 0 <= entry(case, "retard_peak").need.high - peak["first_hit_deg"] < 0.5
        assert 0 <= entry(case, "retard_low").need.best - low["retard_deg"] < 0.5
        assert plan.table["reachable"][plan.table["rpm"] >= case.from_rpm].all()
        below = plan.table[plan.table["rpm"] < case.from_rpm]
        assert below.empty or not below["reachable"].iloc[-1]

    def test_hold_is_that_of_a_lift(self, case):
        assert 0 <= entry(case, "hold").need.high - hold_s(case.sheet, case.dosed, "shut") < 0.1

    def test_the_plans_own_answer_is_right(self, case):
        assert set(kinds(case).values()) == {RIGHT}

    @pytest.mark.parametrize("key", ["retard_low", "retard_peak", "hold"])
    def test_less_than_the_likely_need_hurts_and_more_than_it_is_close(self, case, key):
        need = entry(case, key).need
        if need.best > 0.2:
            assert kinds(case, **{key: need.best - 0.1})[key] == OFF
        assert kinds(case, **{key: need.best})[key] == CLOSE
        assert kinds(case, **{key: need.high})[key] == RIGHT
        assert kinds(case, **{key: min(entry(case, key).high, need.high + 9.0)})[key] == SAFE

    def test_far_too_much_retard_is_no_safe_answer(self, case):
        assert kinds(case, retard_peak=entry(case, "retard_peak").need.high + FAR_DEG)["retard_peak"] == OFF

    @pytest.mark.parametrize("system", ["us", "metric"])
    def test_what_the_table_shows_is_right_when_typed(self, case, system):
        """The likely figure is never off, the cautious edge right, as they are printed."""
        for e in case.entries:
            shown = [float(n) for n in re.findall(r"\d+(?:\.\d+)?", words.need(e, system))]
            to = display.shown(e.unit, system)
            likely, last = to.back(shown[0]), to.back(shown[-1])
            assert kinds(case, **{e.key: likely})[e.key] in (RIGHT, CLOSE), e.key
            assert kinds(case, **{e.key: last})[e.key] == RIGHT, e.key

    def test_too_low_a_speed_hurts(self, case):
        assert kinds(case, from_rpm=case.from_rpm - 500)["from_rpm"] == OFF
        assert kinds(case, from_rpm=case.from_rpm + 1400)["from_rpm"] == CLOSE
        assert kinds(case, from_rpm=min(case.from_rpm + 2000, entry(case, "from_rpm").high))["from_rpm"] == SAFE

    def test_no_fuel_at_all_is_past_the_lean_stop_where_the_shot_is_large(self, case):
        found = {j.entry.key: j for j in case.judge(given(case, fuel=0.0))}["fuel"]
        assert found.lambda_.best > case.sheet.engine.lambda_with_nitrous
        assert (found.kind == OFF) == (found.lambda_.best > case.sheet.limits.lean_stop_lambda)

    def test_mixture_by_hand(self, case):
        """Oxygen unchanged, lambda goes with one over all the fuel."""
        need, more = entry(case, "fuel").need.best, 2.0
        found = {j.entry.key: j for j in case.judge(given(case, fuel=need + more))}["fuel"].lambda_
        share = more / case.fuel_total_kg_h
        assert found.best * (1 + share) == pytest.approx(case.sheet.engine.lambda_with_nitrous, rel=1e-12)
        assert found.low < found.best < found.high

    @pytest.mark.parametrize(
        "changes", [{"fuel": np.nan}, {"hold": -1.0}, {"retard_low": 400.0}, {"fuel": None}, {"from_rpm": "fast"}]
    )
    def test_nonsense_is_refused_by_name(self, case, changes):
        with pytest.raises(InputError) as refused:
            case.judge(given(case, **changes))
        assert refused.value.field == entry(case, next(iter(changes))).name


class TestHidden:
    def test_a_gauge_tells_the_choices_apart(self, dosed):
        for seed in range(12):
            case = hidden(BuildSheet.demo("wren_five"), dosed, seed)
            assert 0 <= case.truth < len(case.choices) <= 5
            shown = [case.planned.lambda_, *(f.lambda_ for f in case.choices)]
            assert np.diff(np.sort(shown)).min() >= APART - 1e-12
            assert all(f.beyond for f in case.choices)
            assert not any(f.name.startswith("wide-band") for f in case.choices)

    def test_the_seed_repeats_and_turns(self, dosed):
        sheet = BuildSheet.demo("wren_five")
        assert hidden(sheet, dosed, 3).truth == hidden(sheet, dosed, 3).truth
        assert (
            len({hidden(sheet, dosed, seed).choices[hidden(sheet, dosed, seed).truth].name for seed in range(12)}) > 3
        )
