"""The planner page without a browser: what controls do, what is refused, that pictures, words and tables tell the tune they stand for."""

import re
from dataclasses import replace
from html import unescape

import numpy as np
import pytest

from kernel_lib import BuildSheet, InputError
from kernel_lib.plan.own_tables import own_tables
from kernel_lib.plan.tune import tune_of
from kernel_lib.units import kg_from_lb
from workbooks import ui
from workbooks.ui import planner_model as model
from workbooks.ui import planner_words as words
from workbooks.ui.fields import parse_row
from workbooks.ui.planner_model import DRAWN, FULL, POINTS, PROPOSED, STAGED, TIMED, compute
from workbooks.ui.session import Session

DEMOS = ("wren_five", "badger_eight")


def session_of(name, **changes):
    session = Session()
    session.sheet = BuildSheet.demo(name)
    if changes:
        session.change(changes)
    return session


@pytest.fixture(scope="module", params=DEMOS)
def page(request):
    return ui.planner(session_of(request.param))


@pytest.fixture(scope="module")
def wren():
    return ui.planner(session_of("wren_five"))


def moved(page, **changes):
    return compute(page.session.sheet, replace(page.inputs, **changes))


def text_of(page):
    out = [page.answer.value, page._assumes.value]
    for part in page.parts.values():
        out.append(part.title.value)
        out.append(getattr(part, "text", getattr(part, "body", part.title)).value)
    return " ".join(out)


def test_opens_on_what_the_car_is(page):
    progressive = page.session.sheet.nitrous.progressive
    assert page.inputs.way == (PROPOSED if progressive else FULL)
    assert page.result.tune.pulsed == progressive
    again = tune_of(page.session.sheet)
    assert np.allclose(again.table["share_percent"], page.result.tune.table["share_percent"])
    assert np.allclose(again.table["retard_deg"].fillna(-1), page.result.tune.table["retard_deg"].fillna(-1))


def test_no_number_is_lost_in_words(page):
    for system in ("us", "metric"):
        page.session.units = system
        told = re.sub(r"<[^>]*>", " ", text_of(page))
        assert not re.search(r"\b(?:nan|inf|None)\b", told)
    page.session.units = "us"


def test_units_move_nothing(page):
    before = page.result
    page.session.units = "metric"
    assert page.result is before
    assert "kg/h" in page.parts["fuel"].title.value
    assert "g/s" in page.answer.value
    page.session.units = "us"
    assert "lb/h" in page.parts["fuel"].title.value


def test_answer_is_the_first_row(wren):
    rows = wren.result.tune.table
    first = rows[rows["share_percent"] > 0].iloc[0]
    assert f"{first['retard_deg']:g} degrees out, to {first['timing_deg_btdc']:g} before TDC" in wren.answer.value


def test_a_blocked_full_hit_says_so_first():
    page = ui.planner(session_of("badger_eight"))
    assert page.answer.value.startswith("<p>Do not spray yet.")
    assert "two stages" in page.answer.value


@pytest.mark.parametrize("way", [PROPOSED, DRAWN, POINTS, TIMED, STAGED, FULL])
def test_every_way_in(page, way):
    changes = {"way": way, "first": 0.3, "last": 0.7}
    if way == TIMED:
        changes |= {"at": (0.0, 1.0, 2.0), "share": (30.0, 50.0, 70.0)}
    page.set(**changes)
    assert page.result.tune.pulsed == (way in model.PULSED_WAYS)
    assert page.controls.way.value == way
    kept = page.session.sheet.replace(page.result.changes)
    again = tune_of(kept)
    assert again.ramp.kind == page.result.tune.ramp.kind
    assert np.allclose(again.table["share_percent"], page.result.tune.table["share_percent"], atol=0.02)
    page.set(way=PROPOSED if page.session.sheet.nitrous.progressive else FULL)


def test_more_margin_less_dose(wren):
    doses = [moved(wren, way=PROPOSED, margin=m).tune.table["share_percent"].to_numpy() for m in (0.0, 0.2, 0.4)]
    assert (doses[0] >= doses[1] - 1e-9).all()
    assert (doses[1] >= doses[2] - 1e-9).all()
    assert doses[2].sum() < doses[0].sum()


def test_keeping_the_ramp_puts_it_into_the_link():
    page = ui.planner(session_of("wren_five"))
    page.set(way=DRAWN, first=0.25, last=0.6)
    page.keep()
    there = Session(page.session.query)
    assert there.sheet.ramp.kind == "over rpm"
    assert there.sheet.ramp.share_percent[0] == pytest.approx(25.0)
    other = ui.planner(there)
    assert other.inputs.way == POINTS
    assert other.result.tune.table["share_percent"].iloc[-1] == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("changes", "field", "says"),
    [
        ({"way": POINTS, "at": (3000.0, 2500.0), "share": (30.0, 40.0)}, "ramp.rpm", "which stands before it"),
        (
            {"way": POINTS, "at": (2500.0, 3000.0), "share": (30.0,)},
            "ramp.share_percent",
            "One share belongs to each point",
        ),
        (
            {"way": POINTS, "at": (2500.0, 3000.0), "share": (30.0, 120.0)},
            "ramp.share_percent",
            "no more than when open",
        ),
        ({"tables_rpm": (3000.0, 3000.0)}, "tables.rpm", "read between its breakpoints"),
        ({"tables_duty": (20.0, 140.0)}, "tables.duty_percent", "0 to 100"),
        ({"pulse_hz": 45.0}, "pulse", "cannot open and close again"),
    ],
)
def test_refused_in_a_sentence_and_nothing_moves(wren, changes, field, says):
    before = wren.result, wren.inputs
    with pytest.raises(InputError) as caught:
        wren.set(**changes)
    assert field in caught.value.field
    assert says in str(caught.value)
    assert (wren.result, wren.inputs) == before


def test_typed_rubbish_stays_with_its_sentence():
    page = ui.planner(session_of("wren_five"))
    field = page.controls.tables_rpm
    field.text.value = "2500 abc 4000"
    assert "abc" in field.error
    assert "numbers with blanks between" in field.error
    assert field.text.value == "2500 abc 4000"
    assert "Not recomputed" in page._stale.value
    assert page.result.inputs.tables_rpm[0] == 2500.0
    field.text.value = "2600 3100 4000"
    assert field.error == ""
    assert page._stale.value == ""
    assert not any("nw-stale" in p.widget._dom_classes for p in page.pictures)
    assert page.inputs.tables_rpm == (2600.0, 3100.0, 4000.0)


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("2500 3000 4500", (2500, 3000, 4500)),
        ("2500\t3000\t4500", (2500, 3000, 4500)),
        ("2500\n3000\n4500\n", (2500, 3000, 4500)),
        ("2500,3000,4500", (2500, 3000, 4500)),
        ("2500, 3000, 4500", (2500, 3000, 4500)),
        ("20;40,5;60", (20, 40.5, 60)),
        ("12.5", (12.5,)),
    ],
)
def test_rows_as_people_paste_them(text, values):
    assert parse_row("engine speeds", text, "rpm") == values


@pytest.mark.parametrize("text", ["", "   ", "a b", "2500,3000;3500", "2500,3000 4000", "1e999", " ".join("1" * 41)])
def test_rows_that_are_none(text):
    with pytest.raises(InputError, match="engine speeds"):
        parse_row("engine speeds", text, "rpm")


@pytest.mark.parametrize("system", ["us", "metric"])
def test_copied_tables_are_the_tune(wren, system):
    """What is copied is what the kernel reads at the same breakpoints, to the digits shown."""
    wren.session.units = system
    r = wren.result
    own = own_tables(r.tune, r.inputs.tables_rpm, r.inputs.tables_duty)
    block = wren.parts["sheet"].copy.value.split("\n\n")
    fuel = next(t for t in block if t.startswith(("Fuel to add, l", "Fuel to add, k")))
    lines = fuel.strip().splitlines()[1:]
    assert lines[0].split("\t") == ["rpm", *(f"{d:g}" for d in own.duty_percent)]
    for k, line in enumerate(lines[1:]):
        cells = [float(v) for v in line.split("\t")]
        assert cells[0] == own.rpm[k]
        got = np.array(cells[1:]) if system == "metric" else kg_from_lb(np.array(cells[1:]))
        assert np.allclose(got, own.fuel_kg_h[k], atol=0.051)
    wren.session.units = "us"


def test_pictures_show_the_tune(wren):
    table = wren.result.tune.table
    assert np.allclose(wren.parts["retard"].figure.data[1].y, table["retard_deg"])
    assert np.allclose(wren.parts["drive"].figure.data[2].y, table["power_hp"])
    ramp = wren.parts["room"].figure.data[4]
    at = np.interp(table["rpm"], ramp.x, ramp.y)
    assert np.allclose(at, table["nitrous_lb_s"], rtol=1e-6)


def test_ramp_stays_under_what_is_allowed(wren):
    allowed, strongest = (wren.parts["room"].figure.data[k] for k in (1, 3))
    assert (strongest.y <= np.interp(strongest.x, allowed.x, allowed.y) * (1 + 1e-6)).all()


def test_limits_that_allow_nothing_leave_the_page_usable():
    session = session_of(
        "wren_five", **{"limits.injector_duty_percent": 40.0, "fuel_system.injector_flow_cc_min": 200.0}
    )
    page = ui.planner(session)
    assert "No nitrous fits under these limits at any rpm, because of injector duty" in page.answer.value
    page.set(way=DRAWN)
    page.set(way=PROPOSED)
    assert "nan" not in text_of(page).lower()


def test_a_sheet_that_cannot_be_computed_says_why():
    session = session_of("wren_five", **{"nitrous.nozzle_diameter_mm": 4.0})
    page = ui.planner(session)
    assert "bore" in page.answer.value
    assert "nw-state-stop" in page.answer.value


def test_what_cuts_in_is_asked_and_answered(wren):
    assert "Nobody has written down what these cut" in wren.parts["guards"].body.value
    wren.set(cuts=("spark", "fuel", "nothing"))
    told = wren.parts["guards"].body.value
    assert "Nobody has written down" not in told
    assert "the leanest and hottest mixture there is. Have them cut spark, after the nitrous: shifts" in told
    assert wren.result.changes["controller.shift_cuts"] == "fuel"
    wren.set(cuts=("unknown",) * 3)


def test_limits_taken_are_on_the_sheet_and_the_page_follows():
    page = ui.planner(session_of("wren_five"))
    meant = {p.path: p.value for p in page.result.tune.proposals if p.path}
    assert meant["nitrous.spray_rpm_max"] < 6000.0
    page.controls._limits(None)
    for path, value in meant.items():
        assert page.session.sheet.value(path) == pytest.approx(value)
    assert page.result.tune.table["rpm"].iloc[-1] == meant["nitrous.spray_rpm_max"]
    assert page.inputs.lead_ms == meant["nitrous.fuel_lead_ms"]
    told = page.parts["guards"].body.value
    assert f"{meant['nitrous.fuel_lead_ms']:g} ms before the nitrous valve" in told
    assert "too late for that" not in told


def test_hostile_name_stays_text():
    session = session_of("wren_five", **{"car.name": "<script>alert(1)</script>"})
    page = ui.planner(session)
    assert "<script>" not in text_of(page)
    assert "&lt;script&gt;" in page.answer.value


def test_trade_facts_stand_beside_what_is_computed(wren):
    told = unescape(re.sub(r"<[^>]*>", " ", text_of(wren)))
    for fact in (
        "half the flow as half the horsepower",
        "30 lb/h per 100 hp",
        "The trade says 100 ms",
        "the trade's 1 s",
    ):
        assert fact in told, fact
    assert told.count("common practice, no source") >= 5
    assert "10" in wren.parts["ripple"].text.value


def test_words_about_the_wet_car():
    page = ui.planner(session_of("badger_eight"))
    told = " ".join(words.fuel_text(page.result, "metric"))
    assert "jet" in told
    assert "mm" in told
