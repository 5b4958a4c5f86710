"""Several lambda sensors, gauges beyond their lean end, and errors that reach past the stop: what is said has to hold, and nothing lean may hide."""

import re
from dataclasses import replace

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.clock import apply
from kernel_lib.logs.judge_lambda import _bias
from kernel_lib.logs.log import Log
from kernel_lib.logs.mapping import propose
from kernel_lib.logs.read import read_log
from kernel_lib.logs.review import review, review_log
from kernel_lib.logs.simulate import SCENARIOS, simulate
from kernel_lib.plan.tune import tune_of
from workbooks.ui.review.looked import Looked
from workbooks.ui.review.pictures_time import LambdaPicture

SHEET = BuildSheet.demo("wren_five")
PLUGS = dict.fromkeys(range(1, 6), "clean")
HEADS = {
    "rpm": "RPM",
    "throttle_percent": "TPS (%)",
    "timing_deg_btdc": "Ign Timing (deg)",
    "nitrous_duty_percent": "N2O Duty (%)",
    "bottle_kpa": "Bottle Press (kPa)",
    "fuel_kpa": "Fuel Press (kPa)",
    "injector_ms": "Inj PW (ms)",
    "knock": "Knock",
    "manifold_kpa": "MAP (kPa)",
}
FIVE = tuple(f"Lambda cyl {k}" for k in range(1, 6))


@pytest.fixture(scope="module")
def tune():
    return tune_of(SHEET)


@pytest.fixture(scope="module")
def log():
    return simulate(SCENARIOS["clean"], 3).log


def spray(log):
    on = np.flatnonzero(log.get("nitrous_duty_percent") > 4)
    return log.time_s[on[0]], log.time_s[on[-1]]


def lam(log, by=0.0, seed=0):
    """Its lambda, noisy, leaner by so much as long as the nitrous is in."""
    begin, end = spray(log)
    here = (log.time_s > begin + 0.15) & (log.time_s < end + 0.3)
    noise = np.random.default_rng(seed).normal(0, 0.004, len(here)) if seed else 0.0
    return log.get("lambda_") + noise + np.where(here, by, 0.0)


def text(log, columns):
    rows = [",".join(["Time (s)", *HEADS.values(), *columns])]
    every = [*(log.get(key) for key in HEADS), *columns.values()]
    for k, t in enumerate(log.time_s):
        rows.append(",".join([f"{t:.2f}", *(v[k] if isinstance(v[k], str) else f"{v[k]:.5g}" for v in every)]))
    return "\n".join(rows).encode()


def worded(values, end, word="LEAN"):
    """Cells of a gauge that writes a word beyond its lean end."""
    return [word if v > end else f"{v:.4f}" for v in values]


def of(found, key):
    return [f for f in found.findings if f.key == key]


def judged(log, tune, columns):
    return review_log(text(log, columns), SHEET, tune=tune, plugs=PLUGS, name="made")


def changed(log, tune, **channels):
    data = {key: np.asarray(values, float) for key, values in channels.items()}
    return review(replace(log, data=log.data | data), SHEET, tune=tune, plugs=PLUGS)


@pytest.fixture(scope="module")
def third_lean(log, tune):
    return judged(log, tune, {name: lam(log, 0.15 * (k == 3), k) for k, name in enumerate(FIVE, 1)})


def test_the_sensor_that_stands_apart_is_named_with_its_whole_spell(log, third_lean):
    apart = of(third_lean, "sensors")[0]
    begin, end = spray(log)
    assert "'Lambda cyl 3' reads 0.15 leaner" in apart.title
    assert "Lambda cyl 1" not in apart.title
    assert apart.at_s[0] == pytest.approx(begin + 0.15, abs=0.05)
    assert apart.at_s[1] == pytest.approx(end, abs=0.1)
    assert apart.numbers["spell_s"] == pytest.approx(end - begin - 0.15, abs=0.1)
    for word in ("injector", "plug", "jet"):
        assert word in apart.sentence


@pytest.mark.parametrize(
    ("off", "said"),
    [
        ((0.15, 0, 0), "'Lambda 1' reads 0.15 leaner than 'Lambda 2' and 'Lambda 3'"),
        ((0, 0.08, 0.08), "'Lambda 1' reads 0.08 richer than 'Lambda 2' and 'Lambda 3'"),
        ((0, -0.1, 0), "'Lambda 2' reads 0.10 richer than 'Lambda 1' and 'Lambda 3'"),
    ],
)
def test_each_sensor_may_be_the_odd_one(off, said, log):
    columns = {f"Lambda {k}": lam(log, by, k) for k, by in enumerate(off, 1)}
    raw = read_log(text(log, columns), "made")
    found = review(apply(raw, propose(raw, SHEET), SHEET), SHEET, tune=tune_of(SHEET), plugs=PLUGS)
    assert said in of(found, "sensors")[0].title
    assert found.verdict != "go"


def test_the_delay_is_that_of_one_sensor(log, tune, third_lean):
    alone = judged(log, tune, {"Lambda cyl 1": lam(log, 0.0, 1)})
    assert third_lean.delay.identifiable
    assert third_lean.delay.total_s == alone.delay.total_s
    assert third_lean.delay.tau_s == alone.delay.tau_s


def test_the_delay_is_that_of_the_second_where_the_first_is_blank(log, tune):
    blank = np.where(np.arange(len(log.time_s)) < 5, 1.0, np.nan)
    two = changed(log, tune, lambda_=blank, lambda_2=log.get("lambda_"))
    assert two.delay.total_s == pytest.approx(changed(log, tune).delay.total_s, abs=0.003)


def test_a_word_in_a_further_column_is_lean_and_not_blank(log, tune):
    columns = {f"Lambda {k}": lam(log, 0.0, k) for k in (1, 2)} | {"Lambda 3": worded(lam(log, 0.3, 3), 1.1)}
    found = judged(log, tune, columns)
    assert found.verdict == "stop"
    assert "beyond the lean end of the gauge" in of(found, "lean")[0].title
    assert "'Lambda 3' reads at least" in of(found, "sensors")[0].title


def test_a_further_column_that_hides_or_lacks_what_it_read_is_told(log, tune):
    begin, _ = spray(log)
    hides = (log.time_s > begin + 1) & (log.time_s < begin + 1.4)
    third = lam(log, 0.0, 3)
    two = {f"Lambda {k}": lam(log, 0.0, k) for k in (1, 2)}
    word = judged(log, tune, two | {"Lambda 3": ["?!" if h else f"{v:.4f}" for h, v in zip(hides, third, strict=True)]})
    assert [f for f in of(word, "samples") if "'Lambda 3'" in f.title and f.asks != "go"]
    gone = log.time_s > begin + 1
    blank = judged(log, tune, two | {"Lambda 3": ["" if g else f"{v:.4f}" for g, v in zip(gone, third, strict=True)]})
    assert [f for f in of(blank, "sensors") if "'Lambda 3' is blank" in f.title and f.asks != "go"]


@pytest.mark.parametrize("word", ["LEAN", ">1.3"])
def test_a_stand_in_is_never_told_as_a_measured_number(word, tune):
    log = simulate(SCENARIOS["late_fuel"], 3).log
    found = judged(log, tune, {"Lambda": worded(log.get("lambda_"), 0.98, word)})
    lean = of(found, "lean")[0]
    assert found.verdict == "stop"
    assert "beyond the lean end of the gauge (1.30 or leaner)" in found.headline
    assert "±" not in lean.title + lean.sentence
    assert lean.numbers["lambda_95"] is None
    assert lean.numbers["lambda"] == pytest.approx(1.3)


def test_a_gauge_at_its_end_is_not_stuck_and_its_mean_is_no_mixture(log, tune):
    found = judged(log, tune, {"Lambda": worded(lam(log, 0.15), 0.96)})
    assert not [f for f in of(found, "sensors") if "stuck" in f.title]
    assert [f for f in of(found, "sensors") if "1.30 or leaner" in f.title]
    mixture = of(found, "lambda")[0]
    assert "gives no number" in mixture.sentence
    assert "±" not in mixture.title + mixture.sentence


def test_words_on_the_overrun_say_nothing_of_the_spray(log, tune):
    found = judged(log, tune, {"Lambda": worded(log.get("lambda_"), 1.1)})
    assert found.verdict == "go"
    assert "beyond" not in " ".join(f.title for f in found.findings)


def test_one_rule_is_told_whether_it_holds_or_not(log, tune):
    near = of(changed(log, tune, lambda_=log.get("lambda_") + 0.02), "lean")[0]
    stop = SHEET.limits.lean_stop_lambda
    assert near.state == "holds"
    assert near.numbers["lambda"] + near.numbers["lambda_95"] > stop
    past = float(re.search(r"the whole ± of a reading reaches past it by (\d\.\d+)", near.sentence)[1])
    assert past >= near.numbers["lambda"] + near.numbers["lambda_95"] - stop - 6e-4
    far = of(changed(log, tune), "lean")[0]
    assert far.numbers["lambda"] + far.numbers["lambda_95"] < stop
    assert "ends short of it" in far.sentence
    doubted = of(changed(log, tune, lambda_=log.get("lambda_") + 0.056), "lean")[0]
    assert doubted.asks == "repeat"
    assert "perhaps" in doubted.title
    assert near.numbers["reach_lambda"] < stop < doubted.numbers["reach_lambda"]
    for f in (near, doubted):
        assert (
            "50 % of a reading's own error, without what single cycles run leaner (a choice of our own)" in f.sentence
        )


def test_the_leanest_of_all_pulls_is_told(log, tune):
    step, n = log.step_s, len(log.time_s)
    loud = np.where((log.time_s > 4) & (log.time_s < 4.3), np.where(np.arange(n) % 2, 0.06, -0.06), 0.0)  # a wide error
    data = {key: np.concatenate([v, v]) for key, v in log.data.items()}
    data["lambda_"] = np.concatenate([log.get("lambda_") + loud - 0.02, log.get("lambda_") + 0.01])
    both = Log("both", step * np.arange(2 * n), data, log.rate_hz)
    lean = of(review(both, SHEET, tune=tune, plugs=PLUGS), "lean")[0]
    alone = of(changed(log, tune, lambda_=log.get("lambda_") + 0.01), "lean")[0]
    assert lean.numbers["lambda"] >= alone.numbers["lambda"] - 0.003


def test_the_gauge_is_told_without_the_overrun(tune):
    for seed in (0, 1):
        run = simulate(SCENARIOS["injector_limit"], seed)
        lean = of(review(run.log, SHEET, tune=tune), "lean")[0]
        assert lean.asks == "stop"
        assert lean.numbers["gauge_lambda"] < 1.1
        assert f"showed up to lambda {lean.numbers['gauge_lambda']:.2f}" in lean.sentence


def test_a_spell_next_to_the_overrun_stays_a_stop_and_says_why(tune):
    log = simulate(SCENARIOS["clean"], 1).log
    shut = log.time_s[np.flatnonzero(log.get("throttle_percent") > 90)[-1]]
    here = (log.time_s > shut - 0.15) & (log.time_s <= shut + 0.03)
    lean = of(changed(log, tune, lambda_=log.get("lambda_") + np.where(here, 0.06, 0.0)), "lean")[0]
    assert lean.asks == "stop"
    assert "showed up to lambda 1." not in lean.sentence
    assert "too near to it for the gauge" in lean.sentence


def test_nothing_is_leaner_by_nothing():
    for bias in (0.0, 2e-4, -4e-4):
        assert "0.000" not in _bias(bias)
    assert "richer" in _bias(-0.004)


def test_the_picture_says_which_sensors_it_draws(third_lean):
    looked, picture = Looked(third_lean, 0), LambdaPicture()
    names = [line.name for line in picture.drawn(looked, "us").lines]
    assert "other gauges" in names
    assert "leanest of the further sensors" in picture.note(looked)
    for name in FIVE[1:]:
        assert name in picture.note(looked)


def test_long_names_of_further_columns_stay_apart(log, tune):
    long = "Lambda sensor" + 9 * " bank" + " cylinder "
    heads = ["Lambda 1", "Lambda 2", f"{long}3", f"{long}4"]
    columns = {head: lam(log, 0.15 * (k == 4), k) for k, head in enumerate(heads, 1)}
    found = judged(log, tune, columns)
    assert len(found.log.sensors) == 4
    assert "…bank cylinder 4' reads 0.15 leaner" in of(found, "sensors")[0].title


def test_a_guard_and_a_base_log_tell_no_stand_in_as_a_number(tune):
    log = simulate(replace(SCENARIOS["late_fuel"], lean_stop=False), 3).log
    words = judged(log, tune, {"Lambda": worded(log.get("lambda_"), 0.98)})
    guard = next(f for f in of(words, "guard") if f.numbers.get("guard") == "lean stop")
    assert "beyond the lean end of the gauge" in guard.title
    assert not re.search(r"1\.30?0?\b", f"{guard.title} {guard.sentence}")
    base = simulate(SCENARIOS["base"], 3).log
    high = (base.get("throttle_percent") > 90) & (base.get("rpm") > 4000)
    lean = judged(base, tune, {"Lambda": worded(base.get("lambda_") + np.where(high, 0.4, 0.0), 1.2)})
    told = next(f for f in of(lean, "base") if f.asks == "stop")
    assert "beyond the lean end of the gauge" in told.title
