"""Two hundred cars, each with a clean pull: what the review says of what it was not shown. Truths come from the forward simulation, which shares no code with it.

The expected reading of the misfire rule was mended while looking at these seeds; nothing else was set by them. Rates are stated where they are held.
"""

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.course import course
from kernel_lib.logs.cut import cut
from kernel_lib.logs.delay import estimate
from kernel_lib.logs.finding import GO, REPEAT
from kernel_lib.logs.review import review
from kernel_lib.logs.sensor import dead_s
from kernel_lib.logs.simulate import SCENARIOS, simulate
from kernel_lib.plan.tune import tune_of

SEEDS, FIRST = 200, 50_000


@pytest.fixture(scope="module")
def sheet():
    return BuildSheet.demo("wren_five")


@pytest.fixture(scope="module")
def clean(sheet):
    tune, out = tune_of(sheet), []
    for seed in range(FIRST, FIRST + SEEDS):
        run = simulate(SCENARIOS["clean"], seed)
        out.append((run.truth, review(run.log, sheet, tune=tune)))
    return out


def late(sheet, delay, truth):
    """Delay that was found, at the speed for which the truth is stated, less the truth [s]; and its stated error."""
    there, here = (float(dead_s(sheet, rpm, 0.0)) for rpm in (truth.delay_rpm, delay.rpm))
    return delay.total_s + delay.dead_scale * (there - here) - truth.delay_total_s, delay.error_s


def courses(sheet, scenario, day, car):
    """Courses of another log of a car."""
    log, tune = simulate(SCENARIOS[scenario], day, car=car).log, tune_of(sheet)
    return [course(log, pull, sheet, tune) for pull in cut(log, sheet)]


def held(found, within):
    """So many within one sample at 100 Hz; the stated error holds for 19 of 20 and is some two standard deviations, not many."""
    off, error = np.array(found).T
    assert (np.abs(off) <= 0.010).mean() >= within
    assert abs(off.mean()) < 0.0025
    assert (np.abs(off) <= error).mean() >= 0.90
    assert 1.5 < error.mean() / np.sqrt(np.mean(off**2)) < 2.7


def test_false_alarms_on_clean_pulls(clean):
    """None of 200 is stopped or sent back; one in fifty at most is asked to be repeated."""
    verdicts = [r.verdict for _, r in clean]
    assert set(verdicts) <= {GO, REPEAT}
    assert verdicts.count(REPEAT) <= SEEDS / 50
    assert not any(f.state == "stop" for _, r in clean for f in r.findings)


def test_delay_of_one_pull_is_within_a_sample(sheet, clean):
    """Of one pull 92 to 98 in 100 are within 10 ms (80 and 120 other cars, that nothing was set by): stated 10 ms, one standard deviation 5."""
    assert all(r.delay.identifiable for _, r in clean)
    held([late(sheet, r.delay, truth) for truth, r in clean], 0.94)


def test_delay_with_the_base_log_beside(sheet, clean):
    """As a tuner works, base log first: 99 in 100 within 10 ms, one standard deviation 4."""
    found = []
    for k, (truth, r) in enumerate(clean[:36]):
        delay = estimate(r.courses, sheet, courses(sheet, "base", 3 * FIRST + k, FIRST + k))
        assert delay.transitions > r.delay.transitions
        assert delay.rpm == r.delay.rpm
        found.append(late(sheet, delay, truth))
    held(found, 0.95)


def test_delay_of_three_pulls(sheet, clean):
    """99 in 100 within 10 ms, one standard deviation 3.5."""
    found = []
    for k, (truth, r) in enumerate(clean[60:84], 60):
        more = [c for day in (4, 5) for c in courses(sheet, "clean", day * FIRST + k, FIRST + k)]
        found.append(late(sheet, estimate([*r.courses, *more], sheet), truth))
    held(found, 0.95)


def test_review_looks_at_the_base_log_for_the_delay(sheet, clean):
    run = simulate(SCENARIOS["clean"], FIRST)
    base = simulate(SCENARIOS["base"], FIRST + 1, car=FIRST)
    delay = review(run.log, sheet, tune=tune_of(sheet), base=base.log).delay
    assert delay.transitions > clean[0][1].delay.transitions
    assert delay.error_s < clean[0][1].delay.error_s


def test_depth_of_an_excursion_within_its_error(sheet):
    """Late fuel: the leanest mixture all cylinders together drew in."""
    tune, found = tune_of(sheet), []
    for seed in range(FIRST, FIRST + 40):
        run = simulate(SCENARIOS["late_fuel"], seed)
        lean = next(f for f in review(run.log, sheet, tune=tune).findings if f.key == "lean")
        found.append((lean.numbers["lambda"] - run.truth.excursion_lambda, lean.numbers["lambda_95"]))
        assert lean.at_s[0] == pytest.approx(run.truth.excursion_from_s, abs=0.08)
        assert lean.numbers["cycles"] == pytest.approx(run.truth.excursion_cycles, abs=4.0)
    found = np.array(found)
    assert 0.90 <= (np.abs(found[:, 0]) <= found[:, 1]).mean()
    assert found[:, 1].max() < 0.08
