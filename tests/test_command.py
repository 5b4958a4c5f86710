"""``python -m kernel_lib plan``: five files, or exit code 2 and one sentence."""

import csv
import re
import subprocess
import sys
from html import escape
from pathlib import Path

import pytest

from kernel_lib import BuildSheet, plan_shot
from kernel_lib.plan.plan import BANDED
from kernel_lib.sheets.plan_sheet import CAUTIONS

ROOT = Path(__file__).resolve().parents[1]
NAME = '<script>alert("1")</script> & co'
BUILD = BuildSheet.demo("wren_five").replace({"car.name": NAME, "nitrous.spray_rpm_min": 4000.0})
"""From a speed at which the timing can be had, so that nothing forbids it."""


def run(*args, folder=ROOT):
    return subprocess.run(
        [sys.executable, "-m", "kernel_lib", *map(str, args)],
        capture_output=True,
        text=True,
        timeout=240,
        cwd=folder,
        check=False,
    )


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    folder = tmp_path_factory.mktemp("command")
    build = folder / "car.toml"
    build.write_text(BUILD.to_toml(), encoding="utf-8")
    out = folder / "deep" / "out"
    return run("plan", build, "--out", out), out


FILES = ["plan.csv", "tune_sheet.html", "plan.html", "tables.csv", "brief.html"]


def test_files(planned):
    done, out = planned
    assert done.returncode == 0
    assert done.stderr == ""
    assert done.stdout.splitlines() == [str(out / name) for name in FILES]
    assert sorted(p.name for p in out.iterdir()) == sorted(FILES)


def test_csv(planned):
    with (planned[1] / "plan.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [float(row["rpm"]) for row in rows] == [4000 + 500 * k for k in range(5)]
    needed = {"rpm", "lambda", "gauge_afr", "governed_by", "nitrous_kg_s", "dose_mg", "oxygen_share", "charge_T_K"}
    needed |= {f"{name}{tail}" for name in BANDED for tail in ("_low", "", "_high")}
    assert needed <= set(rows[0])
    for row in rows:
        assert row["governed_by"] == "nozzle and bottle"
        # A constant flow makes dose x rpm constant; half a unit in the fourth digit of two numbers is 1e-3 at most.
        assert float(row["dose_mg"]) * float(row["rpm"]) * 5 / 120 == pytest.approx(
            1e6 * float(row["nitrous_kg_s"]), rel=1e-3
        )


def test_page_needs_no_other_file(planned):
    page = (planned[1] / "plan.html").read_text(encoding="utf-8")
    assert page.lower().startswith("<!doctype html>")
    for word in ("http:", "https:", "<script", "<link", "<img", "<iframe", "@import", "url(", "src=", "href="):
        assert word not in page.lower(), word
    assert page.count("<table>") == page.count("</table>") == 5
    assert "nan" not in re.sub(r"<style>.*?</style>", "", page, flags=re.S).lower().split()


def test_page_escapes_the_name(planned):
    page = (planned[1] / "plan.html").read_text(encoding="utf-8")
    assert page.count("&lt;script&gt;alert(&quot;1&quot;)&lt;/script&gt; &amp; co") == 2
    assert NAME not in page


def test_page_holds_every_caution(planned):
    """Each hazard by its word, and the three paragraphs in full."""
    page = (planned[1] / "plan.html").read_text(encoding="utf-8")
    words = (
        *("frostbite", "asphyxiation", "intake explosion", "cylinder rupture", "gloves", "oil or grease", "relief"),
        *("Never inhale", "crank an engine", "flame", "rated weight", "closed course", "licensed", "trap liquid"),
        *("does not replace", "wide-band reading", "destroy an engine"),
    )
    for word in words:
        assert word in page, word
    assert len(CAUTIONS) == 3
    assert all(escape(text) in page for text in CAUTIONS)


def test_page_names_doubts_and_assumptions(planned):
    page = (planned[1] / "plan.html").read_text(encoding="utf-8")
    assert "pistons are cast" in page
    assert "top ring end gap" in page
    for item in BUILD.assumptions():
        assert escape(item.label) in page
    assert "share of the evaporation heat" in page


def test_blockers_are_said(tmp_path):
    """The shot of the blocker is what the nozzle gives; without a bore it is the wanted one. What is not reachable is a dash in the page."""
    sheet = BuildSheet.demo("wren_five").replace({"limits.power_hp": 245.0})
    plan = plan_shot(sheet)
    shot = plan.power.best
    assert 74 < shot < 80
    build = tmp_path / "car.toml"
    build.write_text(sheet.to_toml(), encoding="utf-8")
    done = run("plan", build, "--out", tmp_path)
    assert done.returncode == 0
    assert f"Do not spray yet. 172 hp and a shot of {shot:.0f} hp pass the owner's limit of 245 hp." in done.stdout
    assert len(plan.blockers) == 2
    assert "Not reachable at" in plan.blockers[1]
    told = done.stdout.splitlines()[len(FILES) :]
    assert told == [f"Do not spray yet. {plan.blockers[0]}"]  # the ramp cures what is not reachable at once
    sheet_page = (tmp_path / "tune_sheet.html").read_text(encoding="utf-8")
    assert sheet_page.count("Do not spray yet.") == 1
    page = (tmp_path / "plan.html").read_text(encoding="utf-8")
    assert page.count("Do not spray yet.") == 2
    assert "nan" not in re.sub(r"<style>.*?</style>", "", page, flags=re.S).lower().split()
    assert page.count("<td>–</td>") >= (~plan.table["reachable"]).sum()


def test_without_a_bore_the_wanted_horsepower_governs(tmp_path):
    weighed = (
        "nozzle_diameter_mm",
        "discharge_coefficient",
        "discharge_error",
        "discharge_temperature_c",
        "discharge_bore_mm",
    )
    sheet = BUILD.replace({f"nitrous.{name}": None for name in weighed} | {"limits.power_hp": 245.0})
    (tmp_path / "car.toml").write_text(sheet.to_toml(), encoding="utf-8")
    done = run("plan", tmp_path / "car.toml", "--out", tmp_path)
    assert "Do not spray yet. 172 hp and a shot of 75 hp pass the owner's limit of 245 hp." in done.stdout
    with (tmp_path / "plan.csv").open(encoding="utf-8", newline="") as stream:
        assert {row["governed_by"] for row in csv.DictReader(stream)} == {"wanted horsepower"}


def refused(done, word):
    assert done.returncode == 2
    assert done.stdout == ""
    assert word in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.endswith(".\n")
    assert done.stderr.count("\n") == 1


def test_missing_file(tmp_path):
    refused(run("plan", tmp_path / "none.toml", "--out", tmp_path / "out"), "No such file")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("text", "word"),
    [("[car\n", "TOML"), (None, "engine.bore_mm"), ("\x00", "TOML")],
    ids=["syntax", "value", "binary"],
)
def test_bad_file(tmp_path, text, word):
    if text is None:
        text = BUILD.to_toml().replace("bore_mm = 92.0", "bore_mm = 920.0")
    (tmp_path / "bad.toml").write_text(text, encoding="utf-8")
    refused(run("plan", tmp_path / "bad.toml", "--out", tmp_path / "out"), word)
    assert not (tmp_path / "out").exists()


def test_out_that_cannot_be_written(tmp_path):
    build = tmp_path / "car.toml"
    build.write_text(BUILD.to_toml(), encoding="utf-8")
    refused(run("plan", build, "--out", build / "out"), "--out")


@pytest.mark.parametrize(
    ("args", "word"),
    [
        ((), "command"),
        (("plan",), "--out"),
        (("plan", "x.toml"), "--out"),
        (("fly",), "fly"),
        (("plan", "--out", "x"), "build"),
    ],
    ids=lambda v: " ".join(v) if isinstance(v, tuple) else v,
)
def test_bad_arguments(args, word):
    refused(run(*args), word)


def test_the_brief_is_written_too(planned):
    page = (planned[1] / "brief.html").read_text(encoding="utf-8")
    assert page.lower().startswith("<!doctype html>")
    assert "&lt;script&gt;" in page
    assert NAME not in page
    assert all(escape(text) in page for text in CAUTIONS)


def test_the_help_names_every_file():
    told = " ".join(run("--help").stdout.split())
    assert all(name in told for name in FILES)
