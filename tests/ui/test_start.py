"""The start page behind the browser: choosing, uploading, editing, and what a visitor's text may do."""

import base64
import datetime
import re
from html import escape, unescape

import ipywidgets as w
import numpy as np
import pytest

from kernel_lib import BuildSheet, plan_shot, units
from workbooks import ui
from workbooks.ui import start_view
from workbooks.ui.session import Session

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
EVIL = "<script>alert(1)</script>"
EVIL_FILE = "<img src=x onerror=alert(1)>.toml"


def _all(widget):
    """Return a widget and everything in it."""
    return [widget, *(found for child in getattr(widget, "children", ()) for found in _all(child))]


def _one(widget, kind):
    (found,) = [part for part in _all(widget) if type(part) is kind]
    return found


def _texts(*widgets):
    """Return all HTML that these widgets show."""
    return "\n".join(part.value for widget in widgets for part in _all(widget) if isinstance(part, w.HTML))


def _upload(button, name, content):
    """Set the value as the browser does."""
    when = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
    file = {"name": name, "type": "", "size": len(content), "content": memoryview(content), "last_modified": when}
    button.value = (file,)


def _downloads(markup):
    """Return name -> text of every data address in some markup."""
    pattern = r'download="([^"]+)" href="data:[^;"]+;base64,([^"]+)"'
    return {unescape(n): base64.b64decode(data).decode() for n, data in re.findall(pattern, markup)}


class Chooser:
    """The row in which a car is chosen, and its parts."""

    def __init__(self, query=""):
        self.session = Session(query)
        self.box = ui.choose_car(self.session)
        self.demo, self.upload = _one(self.box, w.Dropdown), _one(self.box, w.FileUpload)

    @property
    def error(self):
        """The sentence under the row."""
        return self.box.children[-1].value


@pytest.fixture
def chooser():
    """Return a fresh row."""
    return Chooser()


class TestChoose:
    """One car or another."""

    def test_demo_is_picked(self, chooser):
        """The list shows the session's car and changes it."""
        assert chooser.demo.value == "wren_five"
        chooser.demo.value = "badger_eight"
        assert chooser.session.sheet == BADGER
        assert list(_downloads(_texts(chooser.box)).values()) == [BADGER.to_toml()]

    def test_picking_takes_the_message_of_a_bad_link_away(self):
        """The message is about the link, not about the car picked since."""
        chooser = Chooser("sheet=rubbish")
        assert chooser.session.message
        chooser.demo.value = "badger_eight"
        assert chooser.session.message == ""

    def test_edited_car_is_one_of_your_own(self, chooser):
        """A changed demo no longer carries the demo's name in the list; put back, it does."""
        chooser.session.change({"nitrous.shot_hp": 60.0})
        assert chooser.demo.label == "a car of your own"
        assert chooser.session.sheet.nitrous.shot_hp == 60.0
        chooser.demo.value = "wren_five"
        assert chooser.session.sheet == WREN

    def test_upload(self, chooser):
        """The file becomes the car, comments and all."""
        text = BADGER.to_toml().replace("Badger 5.1 eight", "Mole 5.1 eight") + "\n# kept\n"
        _upload(chooser.upload, "mole.toml", text.encode())
        assert chooser.error == ""
        assert chooser.session.sheet.car.name == "Mole 5.1 eight"
        assert _downloads(_texts(chooser.box)) == {"mole_5_1_eight.toml": text}

    @pytest.mark.parametrize(
        ("name", "content", "said"),
        [
            ("rubbish.toml", b"this is not = = toml", "rubbish.toml: "),
            ("picture.toml", bytes(range(128, 256)), "This file is not text"),
            ("empty.toml", b"", "allowed:"),
            ("large.toml", b"# " + b"x" * 65_000 + WREN.to_toml().encode(), "64"),
            ("wrong.toml", WREN.to_toml().replace("bore_mm = 92.0", "bore_mm = 9e9").encode(), "bore"),
            (EVIL_FILE, b"rubbish", escape("<img src=x onerror=alert(1)>")),
        ],
    )
    def test_bad_upload_keeps_the_sheet(self, chooser, name, content, said):
        """A sentence beside the button, escaped; the car stays."""
        _upload(chooser.upload, name, content)
        assert said in chooser.error
        assert "allowed:" in chooser.error
        assert "<" not in chooser.error
        assert chooser.session.sheet == WREN
        assert chooser.demo.value == "wren_five"

    def test_good_upload_clears_the_sentence(self, chooser):
        """And the sheet is taken."""
        _upload(chooser.upload, "rubbish.toml", b"rubbish")
        assert chooser.error
        _upload(chooser.upload, "badger.toml", BADGER.to_toml().encode())
        assert chooser.error == ""
        assert chooser.session.sheet == BADGER

    def test_download_is_the_very_text(self, chooser):
        """Byte for byte, before and after an edit."""
        assert _downloads(_texts(chooser.box)) == {"wren_3_3_five.toml": WREN.to_toml()}
        chooser.session.change({"nitrous.shot_hp": 60.0})
        (text,) = _downloads(_texts(chooser.box)).values()
        assert text == chooser.session.sheet.to_toml()
        assert BuildSheet(text).nitrous.shot_hp == 60.0


def test_script_in_the_cars_name_stays_text():
    """Masthead, chooser, paper, plan, and the sheet to print show it as text."""
    session = Session()
    session.sheet = BuildSheet(
        WREN.to_toml()
        .replace("Wren 3.3 five", EVIL)
        .replace("I. Calder", EVIL)
        .replace("Quarry Lane Garage", EVIL)
        .replace("Street car, first", EVIL)
    )
    plan = ui.first_plan(session)
    shown = _texts(
        ui.masthead(session, "start"),
        ui.choose_car(session),
        plan.answer,
        plan.picture,
        ui.edit_car(session),
        ui.car_on_paper(session),
    )
    assert session.sheet.car.name == EVIL
    assert escape(EVIL) in shown
    assert "<script" not in shown
    files = _downloads(shown)
    assert {name.rpartition(".")[2] for name in files} == {"toml", "html", "csv"}
    assert all(re.fullmatch(r"[a-z0-9_]+\.[a-z]+", name) for name in files)
    (page,) = [text for name, text in files.items() if name.endswith("html")]
    assert escape(EVIL) in page
    assert "<script" not in page


class Editor:
    """The fields of the start page by their label."""

    def __init__(self, monkeypatch, query="units=us"):
        self.fields = {}
        make = start_view._number

        def keep(session, path):
            self.fields[path] = make(session, path)
            return self.fields[path]

        monkeypatch.setattr(start_view, "_number", keep)
        self.session = Session(query)
        self.box = ui.edit_car(self.session)

    def type(self, path, typed):
        """Type into a field; return its sentence."""
        self.fields[path].text.value = typed
        return self.fields[path].error


class TestEdit:
    """The main numbers as fields."""

    def test_good_number_changes_the_sheet(self, monkeypatch):
        """In displayed units, into the sheet's own."""
        editor = Editor(monkeypatch)
        assert editor.type("site.air_temperature_c", "50") == ""
        assert editor.session.sheet.site.air_temperature_c == pytest.approx(10)
        assert editor.type("nitrous.shot_hp", "60") == ""
        assert editor.session.sheet.nitrous.shot_hp == 60

    @pytest.mark.parametrize(("query", "typed", "unit"), [("units=us", "900", "°F"), ("units=metric", "500", "°C")])
    def test_bad_number_is_refused_in_the_displayed_unit(self, monkeypatch, query, typed, unit):
        """The sentence speaks the reader's unit, the text stays, the sheet stays."""
        editor = Editor(monkeypatch, query)
        field = editor.fields["site.air_temperature_c"]
        said = editor.type("site.air_temperature_c", typed)
        assert f"is {typed} {unit}; allowed:" in said
        assert re.search(rf"allowed: -?\d+ to \d+ {unit}", said)
        assert field.text.value == typed
        assert editor.session.sheet == WREN

    @pytest.mark.parametrize("typed", ["many", "", "nan", EVIL])
    def test_no_number(self, monkeypatch, typed):
        """Escaped, kept, refused; then mended."""
        editor = Editor(monkeypatch)
        said = editor.type("nitrous.shot_hp", typed)
        assert "It cannot be read as one." in said
        assert "<" not in said
        assert editor.session.sheet == WREN
        assert editor.type("nitrous.shot_hp", "70") == ""
        assert editor.session.sheet.nitrous.shot_hp == 70

    def test_number_against_another(self, monkeypatch):
        """What fits alone but not with the rest is refused by the sheet as a whole."""
        editor = Editor(monkeypatch)
        said = editor.type("nitrous.spray_rpm_min", "6300")
        assert "allowed:" in said
        assert editor.session.sheet == WREN

    def test_other_fields_stay_as_typed(self, monkeypatch):
        """An edit elsewhere does not wipe what is still to be mended."""
        editor = Editor(monkeypatch)
        said = editor.type("nitrous.shot_hp", "many")
        assert editor.type("engine.compression_ratio", "9.2") == ""
        assert editor.session.sheet.engine.compression_ratio == 9.2
        assert editor.fields["nitrous.shot_hp"].text.value == "many"
        assert editor.fields["nitrous.shot_hp"].error == said

    def test_octane_is_one_number(self, monkeypatch):
        """RON typed takes the place of the AKI in the sheet."""
        editor = Editor(monkeypatch)
        assert WREN.fuel.octane_aki is not None
        assert float(editor.fields["fuel.octane_ron"].text.value) == WREN.octane_ron
        assert editor.type("fuel.octane_ron", "98") == ""
        assert (editor.session.sheet.fuel.octane_ron, editor.session.sheet.fuel.octane_aki) == (98, None)
        assert "octane_aki" not in editor.session.sheet.to_toml()

    def test_units_rewrite_the_fields(self, monkeypatch):
        """The sheet does not change by being shown otherwise."""
        editor = Editor(monkeypatch)
        field = editor.fields["site.air_temperature_c"]
        assert float(field.text.value) == pytest.approx(units.f_from_c(26), abs=0.01)
        editor.session.units = "metric"
        assert field.text.value == "26"
        assert editor.session.sheet == WREN

    def test_words(self, monkeypatch):
        """Metering is chosen from a list."""
        editor = Editor(monkeypatch)
        (choice,) = [p for p in _all(editor.box) if isinstance(p, w.Dropdown) and "mass-air" in dict(p.options)]
        choice.value = "mass-air"
        assert editor.session.sheet.controller.metering == "mass-air"


class TestPlan:
    """The first plan."""

    def test_blockers_forbid_to_spray(self):
        """Whatever speaks against it stands in the answer, word for word, and goes when it is mended."""
        session = Session()
        plan = ui.first_plan(session)
        blocked = WREN.replace({"fuel_system.injector_flow_cc_min": 200.0})
        expected = plan_shot(blocked).blockers
        assert expected
        session.sheet = blocked
        assert plan.answer.value.count("do not spray yet") == len(expected)
        for text in expected:
            assert escape(text) in plan.answer.value
        session.sheet = WREN
        assert plan.answer.value.count("do not spray yet") == len(plan_shot(WREN).blockers) < len(expected)

    def test_picture_follows_sheet_and_units(self):
        """Lines, title, and the unit on the axis."""
        session = Session("units=us")
        plan = ui.first_plan(session)
        band, likely, trade = plan.figure.data
        for trace in (*plan.figure._widget_data,):
            assert np.isfinite(np.asarray(trace["y"], dtype=float)).all()
        pounds, title = np.array(likely.y), plan._title.value
        session.units = "metric"
        assert np.allclose(units.lb_from_kg(np.array(likely.y)), pounds)
        assert "kg/h" in plan.figure.layout.yaxis.title.text
        assert "kg/h" in plan._title.value
        assert "lb/h" not in plan._title.value
        session.change({"nitrous.nozzle_diameter_mm": 1.1, "nitrous.shot_hp": 50.0})
        assert np.all(np.array(likely.y) < units.kg_from_lb(pounds))
        assert np.array(trade.y) == pytest.approx(units.kg_from_lb(15.0), rel=0.02)
        assert plan._title.value != title
        assert len(band.x) == 2 * len(likely.x)

    def test_car_that_cannot_be_computed_is_said(self):
        """The sentence replaces the answer, the old picture is marked, and a good car mends both."""
        session = Session()
        plan = ui.first_plan(session)
        session.change({"nitrous.nozzle_diameter_mm": 3.5})
        assert "nw-state-stop" in plan.answer.value
        assert "the last car that could be computed" in plan.answer.value
        assert "nw-stale" in plan.picture._dom_classes
        session.sheet = WREN
        assert "the last car" not in plan.answer.value
        assert "nw-stale" not in plan.picture._dom_classes

    def test_files_to_take_away_are_of_this_plan(self):
        """The table is the plan's, row by row."""
        session = Session()
        plan = ui.first_plan(session)
        files = _downloads(plan._links.value)
        (table,) = [text for name, text in files.items() if name.endswith("csv")]
        for rpm in plan.plan.table["rpm"]:
            assert re.search(rf"(?m)^{rpm:.0f}\b", table)


def test_paper_says_what_is_assumed():
    """Every assumption carries its basis; what is stated does not."""
    session = Session()
    paper = ui.car_on_paper(session)
    assumed = session.sheet.assumptions()
    assert assumed
    for assumption in assumed:
        assert escape(assumption.basis) in paper.value
    for rpm in session.sheet.engine.full_throttle.rpm:
        assert f"<td>{rpm:.0f}</td>" in paper.value
    before = paper.value
    session.units = "metric"
    assert paper.value != before
    assert "°F" not in paper.value


def test_masthead_names_car_shot_and_fuel():
    """And the units switch of the masthead switches the session."""
    session = Session()
    head = ui.masthead(session, "start")
    session.change({"nitrous.shot_hp": 60.0})
    assert "Wren 3.3 five" in _texts(head)
    assert "60 hp dry" in _texts(head)
    assert f'href="{escape(session.link("charge_explorer"))}"' in _texts(head)
    _one(head, w.ToggleButtons).value = "metric"
    assert session.units == "metric"
    assert "units=metric" in _texts(head)
