"""The tune sheet on paper, and its tables for clipboard and file; and how numbers are written on it."""

import csv
import datetime
import io
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kernel_lib import BuildSheet
from kernel_lib.plan.own_tables import own_tables
from kernel_lib.plan.tune import tune_of
from kernel_lib.sheets.plan_sheet import CAUTIONS
from kernel_lib.sheets.tune_sheet import tune_html
from kernel_lib.sheets.tune_tables import csv_of, grids
from kernel_lib.text import banded, rounded

WREN, BADGER = (BuildSheet.demo(name) for name in ("wren_five", "badger_eight"))
HOSTILE = "=cmd|' /C calc'!A0<script>alert(1)</script>\"'&<img src=x onerror=y>"
DAY = datetime.date(2026, 11, 26)
KG_PER_LB = 0.45359237  # exact, NIST SP 811
RPM, DUTY = (2000.0, 2500.0, 3250.0, 4000.0, 5000.0, 6000.0, 7000.0), (20.0, 40.0, 60.0, 80.0, 100.0)


@pytest.fixture(scope="module", params=["wren", "badger"])
def made(request):
    sheet = {"wren": WREN, "badger": BADGER}[request.param]
    tune = tune_of(sheet)
    return tune, own_tables(tune, RPM, DUTY)


@pytest.fixture(scope="module", params=[False, True], ids=["us", "metric"])
def html(request, made):
    return tune_html(*made, metric=request.param, date=DAY), request.param


@pytest.fixture(scope="module")
def hostile():
    tune = tune_of(WREN.replace({"car.name": HOSTILE, "car.owner": HOSTILE, "car.shop": HOSTILE, "car.notes": HOSTILE}))
    return tune, own_tables(tune, RPM, DUTY)


# --- the page


def test_it_needs_no_other_file(html):
    page = html[0].lower()
    for word in ("http", "src=", "<link", "<script", "@import", "url(", "javascript:", "<iframe", "<img"):
        assert word not in page, word
    assert page.startswith("<!doctype html>")
    assert page.rstrip().endswith("</html>")


def test_its_tags_close(html):
    page = html[0]
    for tag in ("table", "tr", "td", "th", "section", "div", "h2", "ul", "style"):
        assert len(re.findall(rf"<{tag}[ >]", page)) == page.count(f"</{tag}>"), tag


def test_it_holds_every_caution_and_the_date(html):
    page = html[0]
    assert "Nitrous oxide is an oxidiser in a high-pressure cylinder" in page
    for text in CAUTIONS:
        assert text.replace("'", "&#x27;") in page
    assert "2026-11-26" in page


def test_units_are_of_one_system(html, made):
    page, metric = html
    tables = " ".join(re.findall(r'<span class="unit">(.*?)</span>', page))
    ours, others = (("kg/h", "g/s"), ("lb/h", "lb/s")) if metric else (("lb/h", "lb/s"), ("kg/h", "g/s"))
    assert all(unit in tables for unit in ours)
    assert not any(re.search(rf"(?<![a-z]){unit}", tables) for unit in others)
    assert ("Fuel to add, kg/h" in page) == metric
    assert ("Do not spray yet." in page) == bool(made[0].blockers)


def test_nothing_unknown_is_printed(html):
    text = re.sub(r"<[^>]*>", " ", html[0])
    assert not re.search(r"\b(?:nan|inf|None|np\.float64)\b", text)


def test_every_speed_of_the_dose_is_on_it(html, made):
    for rpm in made[0].dosed.rpm:
        assert f"<td>{rpm:.0f}</td>" in html[0]


def test_a_hostile_name_is_only_text(hostile):
    page = tune_html(*hostile)
    assert "<script" not in page
    assert "<img" not in page
    assert page.count("&lt;script&gt;alert(1)&lt;/script&gt;") >= 3
    assert "calc&#x27;!A0" in page


def test_nothing_fits_is_a_page_too():
    tune = tune_of(WREN.replace({"limits.power_hp": 60.0}))
    page = tune_html(tune, own_tables(tune, RPM, DUTY))
    assert "Nothing flows at any speed." in page
    assert "No nitrous fits under these limits at any rpm, because of " in page
    assert "Cautions" in page


# --- tables


@pytest.mark.parametrize("metric", [False, True])
def test_tsv_comes_back_as_the_numbers(made, metric):
    tune, own = made
    per = 1.0 if metric else KG_PER_LB
    values = {
        "Fuel to add": own.fuel_kg_h / per,
        "Timing to take out": own.retard_deg,
        "Injector open longer by": own.fuel_ms,
    }
    found = grids(tune, own, metric=metric)
    assert ("Injector open longer by" in {g.title for g in found}) == (tune.sheet.nitrous.system == "dry")
    for grid in found:
        rows = [line.split("\t") for line in grid.tsv.rstrip("\n").split("\n")]
        assert rows[0][0] == "rpm"
        assert {len(row) for row in rows} == {len(grid.columns) + 1}
        assert [float(row[0]) for row in rows[1:]] == pytest.approx(own.rpm)
        assert [float(v) for v in rows[0][1:]] == pytest.approx(grid.columns)
        read = np.array([[float(v) if v else np.nan for v in row[1:]] for row in rows[1:]])
        assert read == pytest.approx(grid.values, abs=0.5 * 10.0**-grid.digits + 1e-12, nan_ok=True)
        if grid.title in values:
            assert grid.values == pytest.approx(values[grid.title], nan_ok=True, rel=1e-9)


def test_duty_is_never_rounded_up(made):
    tune, own = made
    duty = grids(tune, own, metric=True)[0]
    assert (duty.values[:, 0] <= own.duty_at + 1e-5).all()
    assert (own.duty_at - duty.values[:, 0] < 0.5).all()


def test_unknown_stays_empty():
    """A wet car has no injector time, and a grid never writes nan."""
    tune = tune_of(BADGER)
    own = own_tables(tune, RPM)
    assert all("nan" not in g.tsv for g in grids(tune, own, metric=True))


def test_csv_reads_and_starts_no_formula(hostile):
    """Whatever the car is called: no cell begins with what a spreadsheet would run."""
    text = csv_of(grids(*hostile, metric=True))
    cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
    assert len(cells) > 100
    for cell in cells:
        assert not cell.startswith(("=", "+", "@", "\t", "\r"))
        assert not cell.startswith("-") or float(cell) < 0
    assert "cmd" not in text
    assert "script" not in text


def test_csv_holds_every_table(made):
    tables = grids(*made, metric=False)
    rows = list(csv.reader(io.StringIO(csv_of(tables))))
    heads = [row[0] for row in rows if len(row) == 1]
    assert heads == [f"{g.title}, {g.unit}" for g in tables]


# --- numbers on paper


@pytest.mark.parametrize(
    ("value", "spread", "text"),
    [
        (0.0, None, "0"),
        (12345.0, None, "12 300"),
        (0.012345, None, "0.0123"),
        (3.14159, 2.0, "3.1"),
        (314.159, 200.0, "310"),
        (0.4, 300.0, "0"),
        (-0.4, 300.0, "0"),
        (float("nan"), None, "–"),
        (float("inf"), 1.0, "–"),
    ],
)
def test_rounded(value, spread, text):
    assert rounded(value, spread) == text


def test_banded():
    assert banded(24.0, 34.5, 55.3) == "34 (24 to 55)"
    assert banded(5.0, 5.0, 5.0) == "5.00"
    assert banded(-1.2, 0.05, 309.0) == "0 (-1 to 310)"
    assert banded(0.0, float("nan"), 1.0) == "–"


@given(st.floats(1e-6, 1e6), st.floats(1e-6, 1e6))
def test_rounding_is_no_coarser_than_its_rule(value, spread):
    """Off by at most half of a twentieth of the value or, beside a wide spread, half of a tenth of the spread."""
    written = float(rounded(value, spread).replace(" ", ""))
    assert abs(written - value) <= max(0.05 * value, 0.05 * spread) * (1 + 1e-9)


@given(st.floats(-1e5, 1e5), st.floats(0, 1e4), st.floats(0, 1e4))
def test_a_band_never_writes_minus_nothing(best, below, above):
    assert not re.search(r"(?<![\d.])-0(?:\.0+)?(?![\d.])", banded(best - below, best, best + above))
