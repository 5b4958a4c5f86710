"""The customer's brief behind the browser: the file it offers, units, a sheet that cannot be planned, a visitor's text."""

import base64
import re
from html import unescape

import pytest

from kernel_lib import BuildSheet
from kernel_lib.plan.tune import tune_of
from kernel_lib.sheets.brief import brief_body, brief_html
from workbooks.ui import display
from workbooks.ui.brief_view import BriefView
from workbooks.ui.session import Session

WREN = BuildSheet.demo("wren_five")
HOSTILE = "<script>alert(1)</script>"


def view_of(sheet=WREN, units="us"):
    return BriefView(Session(f"units={units}&{sheet.to_query()}"))


def file_of(view):
    """The file's name and content."""
    name, data = re.search(r'download="([^"]+)" href="data:text/html;base64,([^"]+)"', view.take.value).groups()
    return name, base64.b64decode(data).decode()


@pytest.fixture(scope="module")
def view():
    return view_of()


def test_page_and_file_say_the_same(view):
    name, file = file_of(view)
    assert name == "wren_3_3_five_brief.html"
    assert view.body.value == brief_body(tune_of(WREN))
    assert file == brief_html(tune_of(WREN))
    assert "<h1>" not in view.body.value  # the notebook has it
    assert "<h1>" in file


def test_units_are_followed(view):
    view.session.units = display.METRIC
    assert view.body.value == brief_body(tune_of(WREN), metric=True)
    assert file_of(view)[1] == brief_html(tune_of(WREN), metric=True)
    view.session.units = display.US
    assert view.body.value == brief_body(tune_of(WREN))


def test_the_sheet_is_followed_and_a_visitors_text_is_only_text():
    view = view_of()
    view.session.change({"car.name": HOSTILE, "nitrous.price_per_kg": 9.0, "car.currency": HOSTILE})
    assert HOSTILE not in view.body.value
    assert HOSTILE in unescape(view.body.value)
    name, file = file_of(view)
    assert HOSTILE not in file
    assert name == "script_alert_1_script_brief.html"


def test_a_shot_that_cannot_be_computed_is_not_sold(view):
    """Nothing of the last brief stays; a sheet that can be planned brings it back."""
    view.session.change({"nitrous.nozzle_diameter_mm": 4.5})
    assert "Do not spray." in view.body.value
    assert "There is no plan for this car." in view.body.value
    assert view.take.value == ""
    assert "nw-brief" not in view.body.value
    view.session.sheet = WREN
    assert view.body.value == brief_body(tune_of(WREN))
