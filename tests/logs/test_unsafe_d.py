"""Files that were once misread: what a log does not show, or shows in another unit, may open no step."""

import functools

import numpy as np
import pytest
from small_log import HEADS

from kernel_lib import BuildSheet, InputError
from kernel_lib.logs.finding import REPEAT
from kernel_lib.logs.mapping import Mapping, apply, propose
from kernel_lib.logs.read import read_log
from kernel_lib.logs.review import review
from kernel_lib.logs.simulate import SCENARIOS, simulate
from kernel_lib.plan.tune import tune_of

SHEET = BuildSheet.demo("wren_five")


@functools.cache
def channels(name, seed=3):
    log = simulate(SCENARIOS[name], seed).log
    return {key: log.time_s if key == "time_s" else log.get(key) for key in HEADS}


def texts(name, seed=3):
    return {head: [f"{v:.{digits}f}" for v in channels(name, seed)[key]] for key, (head, digits) in HEADS.items()}


def csv(cells, delimiter=",", keep=None):
    rows = zip(*cells.values(), strict=True)
    rows = [r for k, r in enumerate(rows) if keep is None or keep[k]]
    return "\n".join(delimiter.join(r) for r in [tuple(cells), *rows])


def reviewed(text):
    raw = read_log(text.encode(), "made")
    mapping = propose(raw, SHEET)
    return review(apply(raw, mapping, SHEET), SHEET, mapping=mapping, tune=tune_of(SHEET))


def asked(text):
    return " ".join(propose(read_log(text.encode(), "made"), SHEET).questions)


def entry(name="late_fuel", seed=3):
    data = channels(name, seed)
    return float(data["time_s"][np.argmax(data["nitrous_duty_percent"] > 4)])


def test_a_column_in_metres_breaks_nothing():
    cells = texts("base") | {"Distance (m)": [f"{0.3 * k:.1f}" for k in range(len(channels("base")["rpm"]))]}
    assert propose(read_log(csv(cells).encode(), "made"), SHEET)["rpm"].name == "RPM"


def test_a_gap_over_the_entry_is_no_clean_pull():
    t, on = channels("late_fuel")["time_s"], entry()
    found = reviewed(csv(texts("late_fuel"), keep=(t < on - 0.05) | (t > on + 0.55)))
    gap = next(f for f in found.findings if f.title.startswith("The log has a gap"))
    assert found.verdict != "go"
    assert gap.asks == REPEAT
    assert gap.title.endswith("as the nitrous came in")


def test_a_hit_cut_by_a_gap_is_no_false_start():
    t, on = channels("clean")["time_s"], entry("clean")
    found = reviewed(csv(texts("clean"), keep=(t < on + 1.2) | (t > on + 2.8)))
    assert found.verdict == REPEAT
    assert all(p.kind == "nitrous" for p in found.pulls)
    assert any("gap" in f.title and f.title.endswith("in the nitrous") for f in found.findings)
    assert not any("false start" in f.title.lower() for f in found.findings)


def test_a_log_that_begins_in_the_nitrous_is_repeated():
    t, on = channels("clean")["time_s"], entry("clean")
    found = reviewed(csv(texts("clean"), keep=t > on + 0.3))
    assert found.verdict != "go"
    assert any(f.title == "The log begins while the nitrous flows" and f.asks == REPEAT for f in found.findings)


def test_a_second_lambda_in_one_proportion_is_another_sensor():
    cells = texts("clean")
    cells["Lambda 2"] = [f"{1.09 * v:.3f}" for v in channels("clean")["lambda_"]]
    found = reviewed(csv(cells))
    assert found.mapping["lambda_2"].name == "Lambda 2"
    assert found.verdict not in ("go", "")
    scaled = texts("clean") | {"AFR": [f"{14.7 * v:.2f}" for v in channels("clean")["lambda_"]]}
    mapping = propose(read_log(csv(scaled).encode(), "made"), SHEET)
    assert mapping["lambda_"].name == "Lambda"
    assert not mapping["lambda_2"].used


def test_a_second_gauge_is_not_taken_on_the_scale_of_the_first():
    cells, lam = texts("clean"), channels("clean")["lambda_"]
    noise = 1 + 0.01 * np.random.default_rng(1).standard_normal(len(lam))
    del cells["Lambda"]
    cells |= {"AFR L": [f"{14.7 * v:.2f}" for v in lam], "AFR R": [f"{10.7 * v:.2f}" for v in lam * noise]}
    found = reviewed(csv(cells))
    assert not found.mapping["lambda_2"].used
    assert "settles near" in " ".join(found.mapping.questions)
    assert found.verdict == REPEAT
    assert any(f.title == "A second lambda sensor is not confirmed" for f in found.findings)


@pytest.mark.parametrize("mark", [".", ","])
def test_thousands_by_the_decimals_of_the_file(mark):
    cells = texts("base")
    other = "," if mark == "." else "."
    cells = {head: [c.replace(".", mark) for c in column] for head, column in cells.items()}
    cells["RPM"] = [f"{v:,.0f}".replace(",", other) for v in channels("base")["rpm"]]
    raw = read_log(csv(cells, ";").encode(), "made")
    assert np.allclose(raw.columns[1], np.round(channels("base")["rpm"]))


def test_scaled_columns_are_asked_or_read_as_their_head_says():
    cells, data = texts("base"), channels("base")
    thousands = [f"{v / 1000:.3f}" for v in data["rpm"]]
    assert "are these thousands of rpm?" in asked(csv(cells | {"RPM": thousands}))
    hundredths = [f"{100 * v:.1f}" for v in data["lambda_"]]
    assert "are these hundredths of lambda?" in asked(csv(cells | {"Lambda": hundredths}))
    named = {"Lambda x100" if h == "Lambda" else h: hundredths if h == "Lambda" else c for h, c in cells.items()}
    raw = read_log(csv(named).encode(), "made")
    assert np.nanmedian(apply(raw, propose(raw, SHEET), SHEET).get("lambda_")) == pytest.approx(
        np.median(data["lambda_"]), abs=0.01
    )


def test_two_sessions_are_both_judged():
    first, second = texts("base", 4), texts("late_fuel")
    found = reviewed(csv({h: first[h] + second[h] for h in first}))
    assert found.kind == "nitrous"
    assert found.verdict == "stop"
    assert any("started again once" in note for note in found.log.notes)


def test_words_that_nobody_explained_are_not_half_read():
    cells, duty = texts("late_fuel"), channels("late_fuel")["nitrous_duty_percent"]
    rpm = channels("late_fuel")["rpm"]
    del cells["N2O Duty (%)"]
    cells["N2O State"] = [
        "FLOWING" if d > 2 else "ARMED" if r > 2500 else "OFF" for d, r in zip(duty, rpm, strict=True)
    ]
    raw = read_log(csv(cells).encode(), "made")
    assert np.isnan(raw.columns[raw.names.index("N2O State")]).all()
    question = asked(csv(cells))
    assert "ARMED, FLOWING and OFF" in question
    assert reviewed(csv(cells)).verdict != "go"
    mapping = propose(raw, SHEET)
    draft = mapping.draft_toml()
    assert "# asked: Column 'N2O State'" in draft
    assert Mapping.from_toml(draft)["rpm"].name == "RPM"
    with pytest.raises(InputError, match="whether nitrous was sprayed"):
        apply(raw, mapping.with_match("nitrous_on", "N2O State", raw=raw), SHEET)


def test_a_throttle_without_its_end_is_told_and_pressure_says_full_throttle():
    cells = texts("clean") | {"TPS (%)": [f"{0.88 * v:.1f}" for v in channels("clean")["throttle_percent"]]}
    found = reviewed(csv(cells))
    assert found.verdict == REPEAT
    assert [p.kind for p in found.pulls] == ["nitrous"]
    assert any(f.title.startswith("Throttle never above 8") for f in found.findings)


def test_a_duty_upside_down_is_asked():
    cells = texts("clean")
    cells["N2O Duty (%)"] = [f"{100 - v:.1f}" for v in channels("clean")["nitrous_duty_percent"]]
    assert "part throttle" in asked(csv(cells))


def test_a_fuel_pressure_with_the_barometer_on_top_is_asked():
    cells, data = texts("base"), channels("base")["fuel_kpa"]
    assert "Fuel" not in asked(csv(cells))
    assert "kPa absolute" in asked(csv(cells | {"Fuel (kPa)": [f"{v + 100:.1f}" for v in data]}))


def test_refusals_say_what_is_wrong():
    cells, n = texts("base"), len(channels("base")["rpm"])
    with pytest.raises(InputError, match="runs backwards"):
        reviewed(csv({h: c[::-1] for h, c in cells.items()}))
    with pytest.raises(InputError, match=r"stands at 1\.52"):
        reviewed(csv(cells | {"Lambda": ["1.52"] * n}))
    zeros = [c if k % 7 else "0.000" for k, c in enumerate(cells["Lambda"])]
    assert reviewed(csv(cells | {"Lambda": zeros})).kind == "base"
    swapped = {h: cells[h] for h in ("Time (s)", "RPM", "Lambda", *list(cells)[2:3], *list(cells)[4:])}
    with pytest.raises(InputError, match="Another header stands in line"):
        reviewed(csv(cells) + "\n" + csv(swapped))


@pytest.mark.parametrize("second", ["(ger.)", "K"])
def test_the_row_of_names_wins_over_a_row_of_remarks(second):
    lines = csv(texts("base"), ";").replace("Time (s)", "Time").split("\n")
    n = len(HEADS)
    row = [second if second != "K" else f"K{k}" for k in range(n)]
    raw = read_log("\n".join([lines[0], ";".join(row), *lines[1:]]).encode(), "made")
    assert "RPM" in raw.names
