"""Lambda columns beyond two, trims that hide a lean burn, held and blank readings, smeared depths, heat and aims: none of them opens a step."""

import functools

import numpy as np
import pytest

from kernel_lib import BuildSheet
from kernel_lib.logs.finding import GO, GO_BACK, REPEAT, STOP
from kernel_lib.logs.held import readings_a_second
from kernel_lib.logs.log import Log
from kernel_lib.logs.mapping import apply, propose
from kernel_lib.logs.read import read_log
from kernel_lib.logs.review import review, review_log
from kernel_lib.logs.sim_scenario import Scenario
from kernel_lib.logs.simulate import SCENARIOS, simulate
from kernel_lib.plan.tune import tune_of

SHEET = BuildSheet.demo("wren_five")
PLUGS = dict.fromkeys(range(1, 6), "clean")
HEADS = {
    "RPM": ("rpm", 0),
    "TPS (%)": ("throttle_percent", 1),
    "N2O Duty (%)": ("nitrous_duty_percent", 1),
    "Ign Timing (deg)": ("timing_deg_btdc", 1),
    "Bottle Press (kPa)": ("bottle_kpa", 0),
    "Fuel Press (kPa)": ("fuel_kpa", 1),
    "Inj PW (ms)": ("injector_ms", 2),
    "Knock": ("knock", 3),
    "MAP (kPa)": ("manifold_kpa", 1),
}


@pytest.fixture(scope="module")
def tune():
    return tune_of(SHEET)


@functools.cache
def made(nitrous=True):
    if nitrous:
        return simulate(Scenario("x", spin=0.0, spread=0.0, step=0.75), 3).log
    return simulate(Scenario("b", nitrous=False, lift_rpm=6200.0, spin=0.0, spread=0.0), 4).log


def with_(log, **channels):
    n = len(log.time_s)
    data = log.data | {key: np.broadcast_to(np.asarray(v, float), n).copy() for key, v in channels.items()}
    return Log(log.name, log.time_s, data, dict(log.rate_hz), list(log.notes))


def on():
    return made().get("nitrous_duty_percent") > 4


def burnt():
    t = made().time_s
    inside = t[on()]
    return (t > inside[0] + 0.15) & (t < inside[-1] + 0.3)


def lam(lean=0.0):
    return made().get("lambda_") + np.where(burnt(), lean, 0.0)


def noise(seed=2):
    return np.random.default_rng(seed).normal(0, 0.004, len(made().time_s))


def text(**lambdas):
    log = made()
    columns = {"Time (s)": [f"{v:.2f}" for v in log.time_s]}
    columns |= {head: [f"{v:.{digits}f}" for v in log.get(key)] for head, (key, digits) in HEADS.items()}
    columns |= {head: [f"{v:.3f}" for v in values] for head, values in lambdas.items()}
    return "\n".join([",".join(columns), *(",".join(row) for row in zip(*columns.values(), strict=True))]).encode()


def judged(log, tune):
    return review(log, SHEET, tune=tune, plugs=PLUGS)


def of(found, *keys):
    return [f for f in found.findings if f.key in keys and f.asks != GO]


@pytest.mark.parametrize(
    "names",
    [
        ("Lambda 1", "Lambda 2", "Lambda 3"),
        ("Lambda cyl 1", "Lambda cyl 2", "Lambda cyl 3", "Lambda cyl 4", "Lambda cyl 5"),
        ("AFR 1", "AFR 2", "AFR 3"),
    ],
)
def test_a_lean_lambda_beyond_the_second_is_read(names, tune):
    scale = 14.7 if names[0].startswith("AFR") else 1.0
    columns = {name: scale * (lam() + noise(k)) for k, name in enumerate(names)}
    columns[names[-1]] = scale * (lam(0.15) + noise(9))
    found = review_log(text(**columns), SHEET, tune=tune, plugs=PLUGS, name="three")
    assert found.verdict == STOP
    assert any(names[-1] in note for note in found.log.notes)


def test_a_second_that_repeats_the_first_hides_no_third(tune):
    columns = {"Lambda": lam(), "Lambda Avg": lam(), "Lambda Bank 2": lam(0.15) + noise()}
    assert review_log(text(**columns), SHEET, tune=tune, plugs=PLUGS, name="avg").verdict == STOP


def test_three_that_agree_and_a_repeated_one_stay_go(tune):
    three = {f"Lambda {k}": lam() + noise(k) for k in (1, 2, 3)}
    assert review_log(text(**three), SHEET, tune=tune, plugs=PLUGS, name="three").verdict == GO
    twice = {"Lambda": lam(), "AFR": 14.7 * lam(), "Lambda 3": lam()}
    found = review_log(text(**twice), SHEET, tune=tune, plugs=PLUGS, name="twice")
    assert found.verdict == GO
    assert not found.log.has("lambda_2")


def test_a_further_afr_of_another_scale_is_asked_for(tune):
    third = 10.7 * (1 + 0.01 * np.random.default_rng(1).standard_normal(len(made().time_s))) * lam()
    found = review_log(
        text(**{"Lambda 1": lam(), "Lambda 2": lam() + noise(), "AFR 3": third}),
        SHEET,
        tune=tune,
        plugs=PLUGS,
        name="x",
    )
    assert found.verdict == REPEAT
    assert any("AFR 3" in f.sentence for f in of(found, "sensors"))


@pytest.mark.parametrize("name", ["xyz", "Lambda [C]"])
def test_a_column_that_does_not_say_it_is_asked_for(name, tune):
    columns = {"Lambda": lam(), "Lambda 2": lam() + noise(), name: lam(0.15) + noise(5)}
    found = review_log(text(**columns), SHEET, tune=tune, plugs=PLUGS, name="x")
    assert found.verdict == REPEAT
    assert any(name.removesuffix(" [C]") in f.sentence for f in of(found, "sensors"))


def test_left_out_by_hand_stays_out():
    raw = read_log(text(**{"Lambda 1": lam(), "Lambda 2": lam() + noise(), "Lambda 3": lam(0.15)}), "hand")
    log = apply(raw, propose(raw, SHEET).with_match("lambda_2", None), SHEET)
    assert not log.has("lambda_2")


@pytest.mark.parametrize(("lean", "trim"), [(0.045, -4.9)])
def test_a_trim_does_not_hide_a_lean_burn(lean, trim, tune):
    found = judged(with_(made(), lambda_=lam(lean), trim_percent=np.where(on(), trim, 0)), tune)
    assert found.verdict == GO_BACK
    assert of(found, "trims")
    assert "as it burned" in " ".join(f.sentence for f in of(found, "lambda"))
    assert not [c for c in found.changes if c.what == "fuel" and c.amount < 0]


def test_a_trim_that_burns_right_is_still_judged_without_it(tune):
    held = np.where(on(), 4.9, 0)
    assert judged(with_(made(), trim_percent=held), tune).verdict == GO_BACK
    assert judged(with_(made(), trim_percent=-held), tune).verdict == REPEAT
    assert judged(with_(made(), trim_percent=0.0), tune).verdict == GO


@pytest.mark.parametrize("percent", [2.0, 4.0])
def test_a_base_leaned_by_its_trim_is_not_ready(percent, tune):
    log = made(False)
    full = log.get("throttle_percent") > 80
    lean = log.get("lambda_") * np.where(full, 1 + percent / 100, 1)
    assert judged(log, tune).verdict == GO
    assert judged(with_(log, trim_percent=np.where(full, -percent, 0), lambda_=lean), tune).verdict != GO


@pytest.mark.parametrize("every", [10, 20])
def test_a_held_reading_counts_as_often_as_it_changes(every, tune):
    log = made()
    held = log.get("lambda_")[np.arange(len(log.time_s)) // every * every]
    found = judged(with_(log, lambda_=held), tune)
    assert found.verdict == REPEAT
    assert next(f for f in of(found, "samples")).numbers["rate_hz"] == pytest.approx(100 / every)


@pytest.mark.parametrize("resolution", [0.001, 0.01, 0.02, 0.05])
def test_a_coarse_reading_is_not_a_held_one(resolution):
    log = made()
    coarse = resolution * np.round(log.get("lambda_") / resolution)
    assert readings_a_second(with_(log, lambda_=coarse), "lambda_") == pytest.approx(log.rate_hz["lambda_"])


def test_a_second_sensor_that_is_blank_in_the_hit_does_not_agree(tune):
    second = lam() + noise()
    blank = judged(with_(made(), lambda_2=np.where(burnt(), np.nan, second)), tune)
    assert blank.verdict == REPEAT
    assert any(f.state == "unjudged" and "blank" in f.title for f in of(blank, "sensors"))
    assert judged(with_(made(), lambda_2=second), tune).verdict == GO


def test_a_short_excursion_is_told_as_likely_deeper(tune):
    found = review(simulate(SCENARIOS["late_fuel"], 0).log, SHEET, tune=tune)
    lean = next(f for f in of(found, "lean"))
    assert lean.numbers["likely_deeper"]
    assert "likely leaner than that" in lean.sentence
    steady = review(with_(made(), lambda_=lam(0.15)), SHEET, tune=tune)
    assert "likely leaner" not in next(f for f in of(steady, "lean")).sentence


@pytest.mark.parametrize(
    ("nitrous", "channel", "key"),
    [
        (True, {"coolant_c": 128.0}, "engine"),
        (True, {"intake_c": 95.0}, "engine"),
        (True, {"battery_v": 9.5}, "engine"),
        (True, {"lambda_target": 1.0}, "trims"),
        (False, {"coolant_c": 40.0}, "engine"),
        (False, {"lambda_target": 0.95}, "trims"),
    ],
)
def test_heat_battery_and_aim_ask_for_another_pull(nitrous, channel, key, tune):
    found = judged(with_(made(nitrous), **channel), tune)
    assert found.verdict == REPEAT
    assert of(found, key)


def test_the_aim_that_is_meant_is_no_fault(tune):
    assert judged(with_(made(), lambda_target=SHEET.engine.lambda_with_nitrous), tune).verdict == GO
