"""The page of today behind the browser: typing, the verdict, units, refusals, and what a visitor's text may do."""

import re
from html import escape, unescape

import ipywidgets as w
import pytest

from kernel_lib import BuildSheet
from kernel_lib.plan.today import Now, compare, timing_of
from workbooks.ui import today_words as words
from workbooks.ui.session import Session
from workbooks.ui.today_sentences import nearest
from workbooks.ui.today_view import BLEND, TodayView

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
EVIL = "<script>alert(1)</script>"


def _all(widget):
    return [widget, *(found for child in getattr(widget, "children", ()) for found in _all(child))]


def _texts(view):
    return "\n".join(part.value for part in _all(view.page) if isinstance(part, w.HTML))


def _said(widget):
    """The words of an HTML widget."""
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", widget.value))).strip()


def _page(sheet=WREN, units="us"):
    session = Session(f"units={units}&{sheet.to_query()}")
    return TodayView(session)


@pytest.fixture
def view():
    """Return the page of the dry demo car."""
    return _page()


def test_the_plans_day(view):
    """Go, and nothing beyond the noise; the fields hold the sheet's numbers; timing stays a caution."""
    assert "Go Nothing beyond the noise." in _said(view.verdict)
    assert "nw-state-holds" in view.verdict.value
    assert escape(timing_of(WREN)) in view.answer.value
    assert "nw-state-watch" not in view.table.value
    assert float(view.fields["air_temperature_c"].text.value) == pytest.approx(78.8)
    assert view.inputs == Now.of(WREN)


def test_cold_bottle_changes_the_answer_and_not_the_sheet(view):
    """What is typed in the reader's unit reaches the kernel in its own."""
    before = view.session.sheet.to_toml()
    view.fields["bottle_temperature_c"].text.value = "59"
    assert view.inputs.bottle_temperature_c == pytest.approx(15.0)
    assert "Change Warm the bottle to 90 °F (978 psi gauge)" in _said(view.verdict)
    assert "nw-state-watch" in view.verdict.value
    assert "Fuel to add" not in _said(view.answer)  # no recipe for a bottle outside its window
    assert "lambda, if nothing is changed" in _said(view.table)
    assert escape(timing_of(WREN)) in view.answer.value
    assert view.session.sheet.to_toml() == before
    view.back.click()
    assert view.inputs == Now.of(WREN)
    assert "Nothing beyond the noise." in view.verdict.value


def test_refused_value_stays_and_greys_the_answer(view):
    """A sentence in the reader's unit; the old answer stays, marked; mending it clears all."""
    field, before = view.fields["barometer_kpa"], view.verdict.value
    field.text.value = "900"
    assert "is 900 inHg absolute; allowed:" in field.error
    assert field.text.value == "900"
    assert "Not recomputed: barometer" in view.stale.value
    for part in (view.answer, view.table):
        assert "nw-stale" in part._dom_classes
    assert "Not known" in view.verdict.value
    view.session.units = "metric"
    view.session.units = "us"
    field.text.value = "29.41"
    assert field.error == view.stale.value == ""
    assert "nw-stale" not in view.answer._dom_classes
    assert view.verdict.value == before


def test_bad_text_stays_text(view):
    """Escaped, refused, and not a number of today."""
    for field in view.fields.values():
        field.text.value = EVIL
        assert "It cannot be read as one." in field.error
    assert "<script" not in _texts(view)
    assert view.inputs == Now.of(WREN)


def test_names_of_the_sheet_are_escaped():
    """A car's name does not reach this page's own parts as markup."""
    view = _page(BuildSheet(WREN.to_toml().replace("Wren 3.3 five", EVIL).replace("Quarry Lane Garage", EVIL)))
    assert "<script" not in _texts(view)


def test_another_fuel(view):
    """Chosen from the list; its octane is unknown until typed, as the sheet has it: AKI, 4.5 below RON here."""
    view.fuel.value = "E85"
    assert view.inputs.fuel_name == "E85"
    assert "Hold" in _said(view.verdict)
    assert view.fields["octane_ron"].text.value == ""
    assert "leaner than the plan's 0.864" in _said(view.answer)
    assert "unless a sensor" in _said(view.answer)
    view.fields["octane_ron"].text.value = "104"
    assert view.inputs.octane_ron == 108.5
    view.fields["octane_ron"].text.value = ""
    assert view.inputs.octane_ron is None
    assert view.fields["octane_ron"].error == ""
    view.fuel.value = "plan"
    assert "Nothing beyond the noise." in view.verdict.value
    assert float(view.fields["octane_ron"].text.value) == WREN.fuel.octane_aki == 91


def test_tested_ethanol_of_a_blend():
    """The blend's share is asked for, and another share changes the jet."""
    view = _page(BADGER)
    assert view.fuel.value == BLEND
    assert view.ethanol.text.value == "78"
    assert view._blend.children == (view.ethanol.widget,)
    view.ethanol.text.value = "120"
    assert "allowed: 0 to 100 % by volume" in view.ethanol.error
    view.ethanol.text.value = "70"
    assert view.inputs.ethanol_percent == 70
    assert "Jet bore wanted" in _said(view.answer)
    assert "Of the shop's own" in _said(view.answer)
    assert view.session.sheet == BADGER


def test_octane_follows_another_sheet(view):
    """Of a car whose sheet gives RON."""
    view.session.sheet = BADGER
    field = view.fields["octane_ron"]
    assert (float(field.text.value), "AKI" in field.text.tooltip) == (BADGER.octane_ron, False)


@pytest.mark.parametrize("T", [5.0, 15.0, 32.0, 60.0])
@pytest.mark.parametrize(("sheet", "fill"), [(WREN, 5.0), (BADGER, 7.5)], ids=["wren", "badger"])
def test_an_overfilled_bottle_is_never_to_be_warmed(sheet, fill, T):
    """Cold or hot: hold, have it emptied, and no word of warming."""
    today = _compared(sheet, (("bottle_fill_kg", fill), ("bottle_temperature_c", T)))
    said = _text(words.reasons_html(today, sheet, "metric"))
    assert "have it emptied to its rated weight" in said
    assert words.headline(today, "metric") in ("Do not spray.", "The bottle is too hot.")
    assert not re.search(r"\bwarm (?:it|the bottle)|\bheat", said)
    assert re.search(r"warm the bottle", words.headline(_compared(WREN, (("bottle_temperature_c", 15.0),)), "us"), re.I)


def test_no_jet_of_the_shop_is_big_enough():
    """Then none is recommended; where one is not leaner than the target, the first named is that."""
    small = BADGER.replace({"fuel_system.jets_mm": [0.6, 0.7]})
    said = words_of_jets(small)
    assert "None of the shop's own is big enough: the biggest, 0.70 mm, gives about lambda 0.9" in said
    assert "Do not spray with any of them." in said
    some = words_of_jets(BADGER.replace({"fuel_system.jets_mm": [0.6, 0.7, 1.2]}))
    assert "Of the shop's own, 1.20 mm is the nearest that is not leaner" in some
    assert "Do not spray" not in some


def words_of_jets(sheet):
    return nearest(compare(sheet, Now.of(sheet)), sheet, "metric")


def _text(markup):
    return unescape(re.sub(r"<[^>]+>", " ", markup))


@pytest.mark.parametrize(
    ("units", "other"), [("us", r"°C|kPa|kg|g/s|\bmm\b|\bK\b"), ("metric", r"°F|psi|\blb\b|inHg|\bin\b\)")]
)
@pytest.mark.parametrize(
    "changes",
    [
        {"bottle_temperature_c": 15.0, "barometer_kpa": 90.0},
        {"bottle_temperature_c": 34.0},
        {"bottle_temperature_c": 50.0},
        {"bottle_fill_kg": 1.9},
        {"ethanol_percent": 40.0},
    ],
)
def test_no_unit_of_the_other_system(units, other, changes):
    """Sentences of this page keep to the switch, for every reason that these days bring."""
    for sheet in (WREN, BADGER):
        today = _compared(sheet, tuple(changes.items()))
        said = [words.sentence(r, today, sheet, units) for r in today.reasons if not r.text]
        said += [words.headline(today, units), words.table_html(today, sheet, units)]
        body = re.sub(r"<[^>]+>", " ", " ".join(said))
        assert not re.search(other, body), body
        assert "nan" not in body


_KEPT = {}


def _compared(sheet, changes):
    key = sheet.car.name, changes
    if key not in _KEPT:
        _KEPT[key] = compare(sheet, Now(**{**vars(Now.of(sheet)), **dict(changes)}))
    return _KEPT[key]


def test_a_car_that_cannot_be_planned_is_said(view):
    """A shot without a plan has no timing either; and a good sheet mends the page."""
    view.session.change({"nitrous.nozzle_diameter_mm": 3.5})
    assert "Hold The plan itself cannot be computed." in _said(view.verdict)
    assert "nw-state-stop" in view.answer.value
    assert "allowed: a smaller bore" in _said(view.answer)
    assert "iming" not in view.answer.value
    assert view.table.value == ""
    view.session.sheet = WREN
    assert "Nothing beyond the noise." in view.verdict.value
    assert view.table.value


def test_noise_and_controller_are_explained(view):
    """The thresholds with their reasons, as ours; what the controller follows by itself."""
    text = _said(view.assumes)
    assert "thresholds of our own" in text
    assert "follows barometer and air temperature" in text
    assert "fuel of the shot" in text
