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
from kernel_lib.plan.room import added_fuel_key
from kernel_lib.plan.tune import tune_of
from kernel_lib.sheets.plan_sheet import CAUTIONS
from kernel_lib.sheets.tune_sheet import tune_html
from kernel_lib.sheets.tune_tables import copied, csv_of, grids, held, jumps
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


def numbers(grid):
    rows = [line.split("\t") for line in grid.tsv.rstrip("\n").split("\n")]
    return rows, np.array([[float(v) if v else np.nan for v in row[1:]] for row in rows[1:]])


@pytest.mark.parametrize("metric", [False, True])
def test_tsv_comes_back_as_the_numbers(made, metric):
    tune, own = made
    found = grids(tune, own, metric=metric)
    for grid in found:
        rows, read = numbers(grid)
        assert rows[0] == ["rpm", *grid.columns]
        assert {len(row) for row in rows} == {len(grid.columns) + 1}
        assert [float(row[0]) for row in rows[1:]] == pytest.approx(own.rpm)
        assert read == pytest.approx(grid.values, abs=0.5 * 10.0**-grid.digits + 1e-12, nan_ok=True)
        assert grid.allowed.shape == grid.values.shape == (len(own.rpm), len(grid.columns))
    steps = [f"step {k + 1}" for k in range(len(tune.ladder.steps))]
    duties = [f"{d:g}" for d in DUTY]
    assert [g.columns for g in found] == ([steps, *[duties] * (len(found) - 1)] if tune.pulsed else [steps] * 3)


@pytest.mark.parametrize("metric", [False, True])
def test_tables_of_a_pulsed_valve_are_its_own_tables(metric):
    tune = tune_of(WREN)
    own = own_tables(tune, RPM, DUTY)
    found = {g.title: g for g in grids(tune, own, metric=metric)}
    fuel = found["Fuel to add"]
    assert fuel.unit == ("kg/h" if metric else "lb/h")
    assert fuel.values == pytest.approx(own.fuel_kg_h / (1.0 if metric else KG_PER_LB), rel=1e-9)
    assert found["Timing to take out"].values == pytest.approx(own.retard_deg)
    assert found["Injector open longer by"].values == pytest.approx(own.fuel_ms)
    assert found["Fuel to add, of what the controller gives by itself"].values == pytest.approx(own.fuel_percent)
    assert all((g.allowed == own.allowed).all() for title, g in found.items() if title != "Valve duty")
    wet = tune_of(BADGER.replace({"nitrous.progressive": True}))
    titles = [g.title for g in grids(wet, own_tables(wet, RPM, DUTY), metric=metric)]
    assert titles == ["Valve duty", "Fuel to add", "Timing to take out"]


@pytest.mark.parametrize("metric", [False, True])
def test_tables_of_an_open_valve_are_the_ladder(metric):
    """A column a step: its share of the flow, the fuel and the timing of that share, read off the map; held outside the window."""
    tune = tune_of(BADGER)
    own = own_tables(tune, RPM, DUTY)
    flow, fuel, timing = grids(tune, own, metric=metric)
    assert (flow.title, fuel.title, timing.title) == (
        "Nitrous flow, of the fitted nozzle's",
        "Fuel to add",
        "Timing to take out",
    )
    rpm = np.clip(RPM, tune.room.rpm[0], tune.room.rpm[-1])
    for m, step in enumerate(tune.ladder.steps):
        share = np.full(len(rpm), step.share)
        assert flow.values[:, m] == pytest.approx(100 * step.share * own.inside)
        kg_h = tune.room.at(added_fuel_key(BADGER, "kg_h"), rpm, share)
        assert fuel.values[:, m] == pytest.approx(kg_h / (1.0 if metric else KG_PER_LB), nan_ok=True)
        assert timing.values[:, m] == pytest.approx(tune.room.first_hit(rpm, share), nan_ok=True)
        keeps = ~own.inside | (step.share <= tune.room.most_at(rpm) + 1e-6)
        assert (timing.allowed[:, m] == keeps).all()
    assert not timing.allowed.all()  # all of the flow breaks a limit at low speed
    assert not own.inside.all()


def test_last_step_is_the_tune_of_own_tables():
    tune = tune_of(BADGER)
    own = own_tables(tune, RPM)
    _, fuel, timing = grids(tune, own, metric=True)
    assert fuel.values[:, -1] == pytest.approx(own.fuel_kg_h[:, 0])
    assert timing.values[:, -1] == pytest.approx(own.retard_deg[:, 0], nan_ok=True)
    assert (timing.allowed[:, -1] == own.allowed[:, 0]).all()


def test_duty_is_never_rounded_up(made):
    """Down to the half per cent; the last step of the ladder is the plan."""
    tune, own = made
    duty = grids(tune, own, metric=True)[0]
    if not tune.pulsed:
        assert duty.values[:, -1] == pytest.approx(own.duty_at)
        return
    last = duty.values[:, -1]
    assert (last <= own.duty_at + 1e-5).all()
    assert (own.duty_at - last < 0.5).all()
    for m, duties in enumerate(tune.step_duties(own.rpm)):
        exact = np.where(own.inside, duties, 0.0)
        assert (duty.values[:, m] <= exact + 1e-5).all()
        assert (exact - duty.values[:, m] < 0.5).all()
    assert (2 * duty.values % 1 == 0).all()
    assert (np.diff(duty.values, axis=1) >= 0).all()
    assert (duty.values[~own.inside] == 0).all()


def test_unknown_stays_empty():
    """A wet car has no injector time, and a grid never writes nan."""
    tune = tune_of(BADGER)
    own = own_tables(tune, RPM)
    assert all("nan" not in g.tsv for g in grids(tune, own, metric=True))


def test_a_warning_names_every_cell_that_breaks_a_limit(made):
    """Speeds and columns of the marked cells, and no others; nothing where none is."""
    for grid in grids(*made, metric=True):
        assert bool(grid.warning) == (not grid.allowed.all())
        assert grid.heading.startswith(f"{grid.title}, {grid.unit}; columns: {grid.over}")
        assert grid.heading.endswith(grid.warning or grid.over)
        if not grid.warning:
            continue
        begin = f"breaks a limit: {grid.over} "
        assert grid.warning.startswith(begin)
        told = {}
        for part in grid.warning.removeprefix(begin).split("; "):
            name, speeds = re.fullmatch(r"(.+?) at (.+) rpm", part).groups()
            told[name] = [float(v) for v in re.findall(r"\d+", speeds)]
        marked = {n: list(grid.rows[~grid.allowed[:, m]]) for m, n in enumerate(grid.columns)}
        assert told == {name: speeds for name, speeds in marked.items() if speeds}


def test_no_step_of_a_proposed_ramp_is_marked():
    tune = tune_of(WREN)
    assert grids(tune, own_tables(tune, RPM, DUTY), metric=True)[0].warning == ""


@pytest.mark.parametrize("write", [csv_of, copied])
def test_what_forbids_to_spray_stands_in_the_first_lines(made, write):
    tune, own = made
    lines = write(tune, grids(tune, own, metric=True)).splitlines()
    stops = [line.strip('"') for line in lines if "Do not spray yet." in line]
    assert stops == [f"Do not spray yet. {text}" for text in tune.blockers]
    assert all("Do not spray yet." in line for line in lines[: len(stops)])


def test_copied_text_holds_every_table(made):
    tune, own = made
    tables = grids(tune, own, metric=True)
    text = copied(tune, tables)
    for grid in tables:
        assert f"{grid.heading}\n{grid.tsv}" in text


def test_csv_reads_and_starts_no_formula(hostile):
    """Whatever the car is called: no cell begins with what a spreadsheet would run."""
    tune, own = hostile
    for system in (False, True):
        text = csv_of(tune, grids(tune, own, metric=system))
        cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
        assert len(cells) > 100
        for cell in cells:
            assert not cell.startswith(("=", "+", "@", "\t", "\r"))
            assert not cell.startswith("-") or float(cell) < 0
        assert "cmd" not in text
        assert "script" not in text


def test_csv_holds_every_table(made):
    tune, own = made
    tables = grids(tune, own, metric=False)
    rows = [row for row in csv.reader(io.StringIO(csv_of(tune, tables))) if row]
    heads = [row[0] for row in rows if len(row) == 1]
    assert heads == [*(f"Do not spray yet. {text}" for text in tune.blockers), *(g.heading for g in tables)]
    for grid in tables:
        at = rows.index([grid.heading])
        assert rows[at + 1] == ["rpm", *grid.columns]
        read = [[float(v) if v else np.nan for v in row[1:]] for row in rows[at + 2 : at + 2 + len(grid.rows)]]
        assert np.array(read) == pytest.approx(grid.values, abs=0.5 * 10.0**-grid.digits + 1e-12, nan_ok=True)


def test_notes_beside_the_tables(made):
    """What stands outside the window, and where a valve no longer closes; nothing where neither is so."""
    tune, own = made
    low, high = tune.room.rpm[[0, -1]]
    assert held(tune, own).startswith(
        f"Outside {low:.0f} to {high:.0f} rpm no nitrous flows; fuel and timing are those"
    )
    assert held(tune, own_tables(tune, [low, high], DUTY)) == ""
    opens = f"Above {tune.most_duty:.0f} % valve duty the valve no longer closes" if tune.pulsed else ""
    assert jumps(tune, own).startswith(opens)
    assert bool(jumps(tune, own)) == tune.pulsed
    assert jumps(tune, own_tables(tune, [low], DUTY)) == ""
    staged = tune_of(
        BADGER.replace({"ramp.kind": "stages", "ramp.rpm": [3300.0, 4800.0], "ramp.share_percent": [40.0, 90.0]})
    )
    assert jumps(staged, own_tables(staged, RPM)) == staged.stage_note != ""


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
