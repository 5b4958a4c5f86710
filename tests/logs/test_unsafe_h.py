"""What a hostile reader got past the reading of a file: words and impossible numbers wiped away, clocks of each column's own, nitrous thrown away, questions untrue."""

import functools

import numpy as np
import pytest
import small_log

from kernel_lib import BuildSheet, InputError
from kernel_lib.__main__ import main
from kernel_lib.logs.finding import GO, REPEAT, STOP
from kernel_lib.logs.mapping import apply, propose
from kernel_lib.logs.read import read_log
from kernel_lib.logs.review import review
from kernel_lib.logs.sim_scenario import Scenario
from kernel_lib.logs.simulate import simulate
from kernel_lib.plan.tune import tune_of

SHEET = BuildSheet.demo("wren_five")
HEADS = small_log.HEADS | {"knock": ("Knock", 2)}


@pytest.fixture(scope="module")
def tune():
    return tune_of(SHEET)


@functools.cache
def made(nitrous=True):
    log = simulate(Scenario("x", spin=0.0, spread=0.0, step=0.75, nitrous=nitrous), 3).log
    return {"time_s": log.time_s} | {key: log.get(key) for key in HEADS if key != "time_s"}


def texts(channels):
    return {
        head: [f"{v:.{digits}f}" if np.isfinite(v) else "" for v in channels[key]]
        for key, (head, digits) in HEADS.items()
    }


def csv(cells, *extra):
    return "\n".join([",".join(cells), *extra, *(",".join(row) for row in zip(*cells.values(), strict=True))]) + "\n"


def read(text):
    raw = read_log(text.encode(), "made.csv")
    mapping = propose(raw, SHEET)
    return mapping, apply(raw, mapping, SHEET)


def judged(text, tune):
    mapping, log = read(text)
    return review(log, SHEET, mapping=mapping, tune=tune)


def written(key, word, length, begin=4.5):
    """A clean hit with a word in a column for so long."""
    cells, time = texts(made()), made()["time_s"]
    head = HEADS[key][0]
    at = (time > begin) & (time < begin + length)
    cells[head] = [word if here else cell for here, cell in zip(at, cells[head], strict=True)]
    return csv(cells)


@pytest.mark.parametrize("word", ["LEAN", ">1.05", "1.05+", "HI", "inf", "9.99", "1E+3"])
def test_a_gauge_at_its_lean_end_is_lean(word, tune):
    assert judged(written("lambda_", word, 0.2), tune).verdict == STOP


@pytest.mark.parametrize("word", ["LEAN", "9.99", "0.000", "ERR", "RICH", "***"])
def test_a_few_cells_of_lambda_that_are_no_number_are_asked(word, tune):
    assert judged(written("lambda_", word, 0.05), tune).verdict != GO


@pytest.mark.parametrize(
    ("key", "word"),
    [
        ("lambda_", "ERR"),
        ("knock", "ERR"),
        ("timing_deg_btdc", "999"),
        ("fuel_kpa", "-1"),
        ("nitrous_duty_percent", "x"),
    ],
)
def test_words_and_impossible_numbers_are_not_drawn_across(key, word, tune):
    _, log = read(written(key, word, 0.2))
    hidden = (log.time_s > 4.52) & (log.time_s < 4.68)
    assert np.isnan(log.get(key)[hidden]).all()
    assert log.spoilt[key][hidden].all()
    assert judged(written(key, word, 0.2), tune).verdict == REPEAT


@pytest.mark.parametrize(("seconds", "bridged"), [(0.03, True), (0.2, False)])
def test_blank_cells_hide_nothing_and_a_few_are_bridged(seconds, bridged):
    _, log = read(written("knock", "", seconds))
    assert np.isfinite(log.get("knock")).all() == bridged
    assert not log.spoilt


@pytest.mark.parametrize("word", ["LEAN", ">1.05", "9.99"])
def test_a_gauge_at_its_lean_end_on_the_overrun_is_no_fault(word, tune):
    cells, value = texts(made()), made()["lambda_"]
    cells["Lambda"] = [word if v > 1.05 else cell for v, cell in zip(value, cells["Lambda"], strict=True)]
    assert cells["Lambda"].count(word) > 50
    assert judged(csv(cells), tune).verdict == GO


def long_before(rows):
    """So many rows of cruise before a hit, in the texts of a log; heads without units."""
    hit, base = made(), made(nitrous=False)
    out = {}
    for key, (head, digits) in HEADS.items():
        if key == "time_s":
            values = np.concatenate([np.arange(rows) * 0.01, rows * 0.01 + hit[key]])
        else:
            values = np.concatenate([np.resize(base[key][:100], rows), hit[key]])
        out[head.split(" (")[0]] = [f"{v:.{digits}f}" for v in values]
    return out


def test_nitrous_for_less_than_a_hundredth_of_a_log_is_nitrous(tune):
    mapping, log = read(csv(long_before(60_000)))
    assert mapping["nitrous_duty_percent"].used
    assert mapping["nitrous_duty_percent"].unit == "%"
    assert mapping["throttle_percent"].used
    assert review(log, SHEET, mapping=mapping, tune=tune).kind == "nitrous"


def test_a_short_pull_leaves_no_untrue_range():
    cells = long_before(60_000)
    cells["N2O Active"] = ["TRUE" if float(v) > 4 else "FALSE" for v in cells.pop("N2O Duty")]
    mapping, log = read(csv(cells))
    assert mapping["nitrous_on"].used
    assert np.nanmax(log.get("nitrous_on")) == 1
    assert not any("from 0 to 0" in said for said in (*mapping.questions, *mapping["nitrous_on"].evidence))
    assert any("to 100" in said for said in mapping["throttle_percent"].evidence)


def test_a_column_called_fuel_alone_is_asked():
    mapping, _ = read(csv({head.split(" (")[0]: cells for head, cells in texts(made()).items()}))
    assert any("'Fuel'" in question and "fuel pressure" in question for question in mapping.questions)


def test_nitrous_beyond_its_limits_is_refused_not_left_out():
    raw = read_log(csv(texts(made())).encode(), "made.csv")
    mapping = propose(raw, SHEET).with_match("nitrous_duty_percent", "N2O Duty", "0 to 1")
    with pytest.raises(InputError, match="State its unit"):
        apply(raw, mapping, SHEET)


def pairs(late):
    """A file in which every channel has a time of its own; of the timing it is later."""
    channels, columns = made(), []
    for key, (head, digits) in HEADS.items():
        if key != "time_s":
            time = channels["time_s"] + (late if key == "timing_deg_btdc" else 0.0)
            columns += [["Time (s)", *(f"{v:.2f}" for v in time)], [head, *(f"{v:.{digits}f}" for v in channels[key])]]
    return "\n".join(",".join(row) for row in zip(*columns, strict=True)) + "\n"


def test_channels_with_clocks_of_their_own_are_refused():
    with pytest.raises(InputError, match="one time base"):
        read(pairs(0.6))


def test_one_clock_written_again_and_again_is_one_clock():
    _, log = read(pairs(0.0))
    assert np.allclose(log.get("timing_deg_btdc"), np.round(made()["timing_deg_btdc"], 1), equal_nan=True)


def test_a_time_of_day_beside_the_time_is_no_other_clock():
    cells = texts(made())
    cells["Uhrzeit"] = [f"{3600 + v:.2f}" for v in made()["time_s"]]
    read(csv(cells))


def bare_heads(channels):
    return {head.split(" (")[0]: cells for head, cells in texts(channels).items()}


UNITS = "s,rpm,%,lambda,deg,%,kPa,{},ms,kPa,-"


def two_sessions(first, second):
    """The same header twice, each with a row of units, the second after the first."""
    cells = bare_heads(made(nitrous=False))
    return csv(cells, UNITS.format(first)) + csv(bare_heads(made()), UNITS.format(second))


def test_a_second_session_in_other_units_is_refused():
    with pytest.raises(InputError, match="other units hold"):
        read(two_sessions("kPa", "psi"))


def test_a_second_session_in_the_same_units_is_read_on():
    _, log = read(two_sessions("kPa", "kPa"))
    assert any("started again" in note for note in log.notes)


def test_a_question_about_the_base_log_can_be_answered(tmp_path, capsys):
    log, base, out = tmp_path / "log.csv", tmp_path / "base.csv", tmp_path / "out"
    build = tmp_path / "build.toml"
    build.write_text(SHEET.to_toml(), encoding="utf-8")
    log.write_text(csv(texts(made())), encoding="utf-8")
    base.write_text(csv(texts(made(nitrous=False))).replace("Lambda", "ch4", 1), encoding="utf-8")
    command = ["review", str(log), "--build", str(build), "--out", str(out), "--base", str(base)]
    assert main(command) == 2
    assert "base.csv" in capsys.readouterr().err
    draft = (out / "mapping_base.toml").read_text(encoding="utf-8")
    assert "# [lambda_]" in draft
    answer = tmp_path / "answer.toml"
    answer.write_text(f'{draft}\n[lambda_]\ncolumn = "ch4"\nunit = "lambda"\n', encoding="utf-8")
    assert main([*command, "--base-mapping", str(answer)]) == 0


def clocked(write, time=None):
    """A hit whose time is written in another way."""
    cells = texts(made())
    cells["Time (s)"] = [write(v) for v in (made()["time_s"] if time is None else time)]
    return csv({"Time": cells.pop("Time (s)")} | cells)


def _hms(v, last):
    return f"{int(v // 3600)}:{int(v // 60 % 60):02d}:{int(v % 60):02d}{last}"


CLOCKS = {
    "thousandths without noughts": lambda v: _hms(43200 + int(v + 1e-6), f".{round(1000 * v) % 1000}"),
    "hundredths": lambda v: _hms(43200 + int(v + 1e-6), f".{round(100 * v) % 100:02d}"),
    "trimmed decimals": lambda v: _hms(43200 + int(v + 1e-6), f".{round(100 * v) % 100:02d}".rstrip("0").rstrip(".")),
    "twelve hours": lambda v: _hms(
        (46796 + int(v + 1e-6)) - 43200 * (46796 + v >= 46800 - 1e-6), f".{round(100 * v) % 100:02d}"
    ),
    "a counter of 16 bits": lambda v: f"{(65000 + round(1000 * v)) % 65536}",
}


@pytest.mark.parametrize("way", CLOCKS)
def test_ways_of_writing_a_clock(way):
    _, log = read(clocked(CLOCKS[way]).replace("Time,", "Time (ms)," if "bits" in way else "Time,", 1))
    assert log.time_s[-1] == pytest.approx(made()["time_s"][-1] - made()["time_s"][0], abs=0.02)
    assert log.step_s == pytest.approx(0.01, abs=1e-4)
    told = [note for note in log.notes if "carried on" in note or "noughts" in note]
    assert bool(told) == (way not in ("hundredths", "trimmed decimals"))


def test_frames_behind_the_seconds():
    time = np.arange(len(made()["time_s"])) / 25
    _, log = read(clocked(lambda v: _hms(36000 + int(v + 1e-6), f":{round(25 * v) % 25:02d}"), time))
    assert log.step_s == pytest.approx(0.04, abs=1e-4)
    assert any("25 frames a second" in note for note in log.notes)


def test_a_second_session_with_the_other_decimal_mark_keeps_its_three_decimals():
    first = made(nitrous=False)
    cells, more = texts(first), texts(made())
    cells["Lambda"] = [f"{14.7 * v:.3f}" for v in first["lambda_"]]
    more["Lambda"] = [f"{14.7 * v:.3f}" for v in made()["lambda_"]]
    text = csv(cells) + csv(more).split("\n", 1)[1].replace(".", ";").replace(",", ".").replace(";", ",")
    text = text.split("\n")
    n = len(first["rpm"]) + 1
    whole = "\n".join([row.replace(",", ";") for row in text[:n]] + [row.replace(".", ";") for row in text[n:]])
    raw = read_log(whole.encode(), "made.csv")
    assert np.nanmax(raw.columns[raw.names.index("Lambda")]) < 60


@pytest.mark.parametrize("word", ["0.000", "ERR"])
def test_a_gauge_without_a_reading_on_the_overrun_is_no_gap_in_the_nitrous(word, tune):
    cells, value = texts(made()), made()["lambda_"]
    cells["Lambda"] = [word if v > 1.05 else cell for v, cell in zip(value, cells["Lambda"], strict=True)]
    assert judged(csv(cells), tune).verdict == GO
    shown = made()["time_s"] < 6.0
    cells["Lambda"] = [cell if early else word for early, cell in zip(shown, cells["Lambda"], strict=True)]
    assert judged(csv(cells), tune).verdict == REPEAT
