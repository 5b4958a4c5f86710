"""``python -m kernel_lib review``: two files and the headline, or exit code 2 and one sentence; and the printed review."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from kernel_lib import BuildSheet
from kernel_lib.__main__ import main
from kernel_lib.logs.finding import VERDICTS
from kernel_lib.logs.history import history
from kernel_lib.logs.review import review_log
from kernel_lib.logs.sim_scenario import SCENARIOS
from kernel_lib.logs.sim_write import write
from kernel_lib.logs.simulate import simulate
from kernel_lib.plan.tune import tune_of
from kernel_lib.sheets.plan_sheet import CAUTIONS
from kernel_lib.sheets.review_sheet import review_html

ROOT = Path(__file__).resolve().parents[1]
LOGS, BUILD = ROOT / "data" / "logs", ROOT / "data" / "builds" / "wren_five.toml"


@pytest.fixture(scope="module")
def sheet():
    return BuildSheet.demo("wren_five").replace({"car.name": '<img src=x onerror="alert(1)">'})


@pytest.fixture(scope="module")
def reviews(sheet):
    tune = tune_of(sheet)
    return {name: review_log(LOGS / f"wren_{name}.csv", sheet, tune=tune) for name in ("clean", "late_fuel", "base")}


def test_command(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "kernel_lib", "review", LOGS / "wren_late_fuel.csv", "--build", BUILD, "--out", tmp_path / "a" / "b"],
        capture_output=True, text=True, timeout=240, cwd=ROOT, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    out = tmp_path / "a" / "b"
    assert sorted(p.name for p in out.iterdir()) == ["review.html", "review.json"]
    data = json.loads((out / "review.json").read_text(encoding="utf-8"), parse_constant=pytest.fail)
    assert data["verdict"] == "stop"
    assert done.stdout.splitlines() == [str(out / "review.json"), str(out / "review.html"), data["headline"]]
    assert str(ROOT) not in (out / "review.json").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("log", "says"),
    [
        (b"", "empty"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4, "log"),
        (b"a,b\n" + b"1,2\n" * 30, "column"),
        (None, "no such file"),
    ],
)
def test_refused_in_one_sentence(tmp_path, capsys, log, says):
    path = tmp_path / "log.csv"
    if log is not None:
        path.write_bytes(log)
    assert main(["review", str(path), "--build", str(BUILD), "--out", str(tmp_path / "out")]) == 2
    told = capsys.readouterr()
    assert says in told.err
    assert told.err.count("\n") == 1
    assert {p.name for p in (tmp_path / "out").glob("*")} <= {"mapping.toml"}


def test_what_is_asked_can_be_answered_in_a_file(tmp_path, capsys):
    """A column that nothing names: refused with the question; answered in the file that was written, it is read."""
    text = (LOGS / "wren_clean.csv").read_text(encoding="utf-8").replace(",lambda,", ",ch4,", 1)
    log, out = tmp_path / "log.csv", tmp_path / "out"
    log.write_text(text, encoding="utf-8")
    command = ["review", str(log), "--build", str(BUILD), "--out", str(out)]
    assert main(command) == 2
    told = capsys.readouterr()
    assert "ch4" in told.err
    assert told.out.splitlines() == [str(out / "mapping.toml")]
    draft = (out / "mapping.toml").read_text(encoding="utf-8")
    assert "# [lambda_]" in draft
    answer = tmp_path / "answer.toml"
    answer.write_text(f'{draft}\n[lambda_]\ncolumn = "ch4"\nunit = "lambda"\n', encoding="utf-8")
    assert main([*command, "--mapping", str(answer)]) == 0
    assert capsys.readouterr().out.splitlines()[-1].startswith("Go, ")


def test_earlier_logs_count_for_the_ladder_and_stand_beside(tmp_path, capsys):
    """Two clean pulls of one step, a pull a file."""
    second = tmp_path / "second.csv"
    write(simulate(SCENARIOS["clean_half"], 7), second)
    out = tmp_path / "out"
    command = ["review", str(second), "--build", str(BUILD), "--out", str(out)]
    for earlier, pulls, rows in (((LOGS / "wren_half_step.csv",), "hold 2", 2), ((), "holds 1", 0)):
        assert main([*command, *(part for each in earlier for part in ("--earlier", str(each)))]) == 0
        assert capsys.readouterr().err == ""
        data = json.loads((out / "review.json").read_text(encoding="utf-8"))
        assert any(pulls in gate for gate in data["gates"] if gate.startswith("Two clean pulls"))
        assert (out / "review.html").read_text(encoding="utf-8").count("wren_half_step.csv</td>") == (rows > 0)
    assert main([*command, "--earlier", str(tmp_path / "none.csv")]) == 2
    assert "earlier log 'none.csv'" in capsys.readouterr().err


def test_sheet_says_verdict_reasons_and_cautions_and_escapes(reviews):
    for review in reviews.values():
        text = review_html(review, others=history(reviews.values()))
        assert "<img" not in text
        assert "nan" not in re.sub(r"<[^>]*>", " ", text).lower().split()
        assert review.verdict in VERDICTS
        shown = re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", text))
        for sentence in (review.headline, CAUTIONS[0].split(":")[0]):
            assert sentence in shown.replace("&#x27;", "'").replace("&amp;", "&")
        assert all(f.title[1:] in shown.replace("&#x27;", "'").replace("&amp;", "&") for f in review.findings)


def test_pictures_are_named_by_what_they_show(reviews):
    assert review_html(reviews["late_fuel"]).count('role="img"') == 4
    assert review_html(reviews["base"]).count('role="img"') == 3  # no bottle was drawn from


def test_verdicts_of_the_three(reviews):
    assert {name: r.verdict for name, r in reviews.items()} == {"clean": "go", "late_fuel": "stop", "base": "go"}
