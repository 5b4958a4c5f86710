"""The real workbooks in a real browser: what a visitor sees, moves, types, carries along and prints."""

import base64
import io
import re

import pypdf
import pytest
from playwright.sync_api import expect

from kernel_lib import BuildSheet
from kernel_lib.sheets.plan_sheet import CAUTIONS

pytestmark = pytest.mark.browser

START, EXPLORER, TODAY, BOTTLE = "start.ipynb", "charge_explorer.ipynb", "today.ipynb", "bottle.ipynb"
TIMING, PLANNER, WHY, RULES = "timing.ipynb", "shot_planner.ipynb", "why_targets.ipynb", "rule_check.ipynb"
PICTURES = {
    START: 1,
    EXPLORER: 4,
    TODAY: 0,
    BOTTLE: 6,
    TIMING: 6,
    PLANNER: 7,
    WHY: 0,
    RULES: 0,
}  # of timing two more hold bars
HEADINGS = {
    START: "Which car is this, and what does its shot ask for?",
    EXPLORER: "AFR against charge temperature: what does this charge burn to?",
    TODAY: "What changes today against the plan?",
    BOTTLE: "What does this bottle push through this nozzle, and can the fuel system answer?",
    TIMING: "How far does the timing have to come back, and why?",
    PLANNER: "What goes into this car, and what must be true before it flows?",
    WHY: "Why do the targets exist?",
    RULES: "Which rules of thumb hold for this car?",
}
#: Pictures whose lines or points have arrived: an SVG alone may be an empty frame.
DRAWN = """count => [...document.querySelectorAll('.js-plotly-plot')].filter(plot =>
    [...plot.querySelectorAll('.scatterlayer path.js-line, .scatterlayer path.point')]
        .some(path => (path.getAttribute('d') || '').length > 10)).length >= count"""
RINGS = """() => [...document.querySelectorAll('.js-plotly-plot')]
    .map(plot => [...plot.querySelectorAll('.scatterlayer path.point')].map(p => p.getAttribute('transform')).join())"""
TOO_WIDE = """width => [...document.querySelectorAll('body *')]
    .filter(e => e.getBoundingClientRect().right > width + 1 && e.checkVisibility() && !e.closest('svg'))
    .map(e => e.tagName + '.' + e.className)"""


@pytest.fixture
def visit(workbook_server, open_workbook):
    """Return a function that opens a workbook and waits until all its pictures are drawn."""

    def _visit(name, query="units=us"):
        page = open_workbook(workbook_server, name, query)
        return _ready(page, name)

    return _visit


def _ready(page, name):
    """Wait until all pictures are drawn and the cautions, which come last, stand."""
    page.wait_for_function(DRAWN, arg=PICTURES[name], timeout=60_000)
    page.wait_for_selector(".nw-cautions", timeout=60_000)
    return page


def _clean(page):
    """Hold that the page neither failed nor asked another machine."""
    assert page.errors == []
    assert page.elsewhere == []


def _field(page, label):
    """Return the input of the number field of that label."""
    named = page.locator(".nw-field", has=page.locator("label", has_text=re.compile(f"^{re.escape(label)}$")))
    return named.locator("input[type=text]").first


def _type(page, label, text):
    field = _field(page, label)
    field.fill(text)
    field.press("Enter")
    return field


def _wait_text(page, selector, text):
    page.wait_for_function(
        "([s, t]) => [...document.querySelectorAll(s)].some(e => e.innerText.includes(t))",
        arg=[selector, text],
        timeout=20_000,
    )


def _wait_value(page, label, value):
    expect(_field(page, label)).to_have_value(value, timeout=20_000)


def test_explorer_moves_refuses_and_switches(visit):
    """A key moves numbers and pictures; rubbish is refused in a sentence; metric travels into the address and back."""
    page = visit(EXPLORER)
    answer, rings = page.inner_text(".nw-answer"), page.evaluate(RINGS)
    title = page.inner_text(".nw-picture >> nth=0 >> h2")
    assert "At 5500 rpm" in answer
    assert "°F" in answer
    assert "does not make lean harmless" in page.inner_text(".nw-warning")

    page.locator(".noUi-handle").first.focus()
    page.wait_for_timeout(200)
    for _ in range(30):
        page.keyboard.press("ArrowLeft")
    _wait_text(page, ".nw-answer", "At 4000 rpm")
    assert _field(page, "engine speed").input_value() == "4000"
    page.wait_for_function(
        f"before => JSON.stringify(({RINGS})()[3]) !== JSON.stringify(before)", arg=rings[3], timeout=10_000
    )
    page.wait_for_function(
        "before => document.querySelector('.nw-picture h2').innerText !== before", arg=title, timeout=10_000
    )

    answer = page.inner_text(".nw-answer")
    typed = _type(page, "lambda", "<b>abc</b>")
    _wait_text(page, ".nw-field-error", "It cannot be read as one.")
    _wait_text(page, ".nw-field-error", "<b>abc</b>")
    assert typed.input_value() == "<b>abc</b>"
    page.wait_for_function("document.querySelectorAll('.nw-picture.nw-stale').length === 4")
    look = "(s => Number(s.opacity) < 1 || s.filter !== 'none')(getComputedStyle(document.querySelector('.nw-stale')))"
    assert page.evaluate(look)
    assert page.inner_text(".nw-answer") == answer
    _type(page, "lambda", "0,8")
    _wait_text(page, ".nw-answer", "Lambda 0.800")
    page.wait_for_function("document.querySelectorAll('.nw-stale').length === 0")

    page.get_by_role("button", name="metric").click()
    page.wait_for_function("location.search.includes('units=metric')", timeout=10_000)
    _wait_text(page, ".nw-answer", "°C")
    assert "°F" not in page.inner_text(".nw-answer")
    page.reload()
    _ready(page, EXPLORER)
    assert "units=metric" in page.url
    _wait_text(page, ".nw-answer", "°C")
    _clean(page)


def test_edited_car_travels_and_comes_back(visit, page):
    """A shot typed on one page is the shot of the next, of Back, and of a reload."""
    visit(START)
    _type(page, "shot", "60")
    _wait_text(page, ".nw-car-line", "60 hp")
    page.wait_for_function("location.search.includes('sheet=')")
    page.locator(".nw-links a", has_text="AFR against charge temperature").click()
    page.wait_for_url("**/charge_explorer.ipynb?**", timeout=60_000)
    page.wait_for_selector("#rendered_cells", state="visible", timeout=60_000)
    _ready(page, EXPLORER)
    _wait_text(page, ".nw-car-line", "60 hp")
    assert _field(page, "shot").input_value() == "60"
    page.go_back(timeout=60_000)
    page.wait_for_url("**/start.ipynb?**", timeout=60_000)
    page.wait_for_selector("#rendered_cells", state="visible", timeout=60_000)
    _ready(page, START)
    _wait_text(page, ".nw-car-line", "60 hp")
    assert _field(page, "shot").input_value() == "60"
    _clean(page)


def test_start_refuses_and_takes_what_is_given(visit, tmp_path):
    """A damaged link, a bad number, a bad file, a good file: a sentence each, or the car."""
    page = visit(START, "units=metric&sheet=1.rubbish<img src=x onerror=alert(1)>")
    _wait_text(page, ".nw-field-error", "The link could not be read, so this page shows the demo car.")
    assert "Wren 3.3 five" in page.inner_text(".nw-car-line")

    _type(page, "shot", "-5")
    _wait_text(page, ".nw-field-error", "shot is -5")
    assert "75 hp" in page.inner_text(".nw-car-line")
    assert _field(page, "shot").input_value() == "-5"

    rubbish, good = tmp_path / "<b>rubbish.toml", tmp_path / "mole.toml"
    rubbish.write_text("not = = toml", encoding="utf-8")
    text = BuildSheet.demo("badger_eight").to_toml().replace("Badger 5.1 eight", "Mole <b>5.1</b> eight")
    good.write_text(text, encoding="utf-8")
    _choose(page, rubbish)
    _wait_text(page, ".nw-field-error", "<b>rubbish.toml")
    assert "Wren 3.3 five" in page.inner_text(".nw-car-line")
    _choose(page, good)
    _wait_text(page, ".nw-car-line", "Mole <b>5.1</b> eight")
    page.wait_for_function("![...document.querySelectorAll('.nw-field-error')].some(e => e.innerText.includes('toml'))")
    with page.expect_download() as waiting:
        page.get_by_text("download this build sheet").click()
    assert waiting.value.path().read_text(encoding="utf-8") == text
    assert page.locator("img[src=x]").count() == 0
    _clean(page)


@pytest.mark.parametrize("name", [START, EXPLORER, TODAY, WHY, RULES])
def test_page_is_whole_on_screen_and_paper(visit, name):
    """Nothing is wider than its window; the paper holds the first heading and the last caution."""
    _whole(visit(name), name)


def _whole(page, name):
    wide = {}
    widths = (1280, 820, 390) if name == TODAY else (1280, 820)
    for width in widths:
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_timeout(700)
        wide[width] = page.evaluate(TOO_WIDE, width)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert not any(wide.values()), wide
    printed = pypdf.PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))
    text = " ".join(" ".join(sheet.extract_text() for sheet in printed.pages).split())
    assert HEADINGS[name] in text
    assert " ".join(CAUTIONS[-1].split()) in text
    assert text.index(HEADINGS[name]) < text.index(CAUTIONS[0][:40]) < text.index(CAUTIONS[-1][:40])
    _clean(page)


def test_bottle_moves_refuses_weighs_in_and_prints(visit):
    """Both cars: a key warms the bottle, a bad bore is refused, a weigh-in goes into the sheet and the address."""
    page = visit(BOTTLE)
    assert page.locator(".js-plotly-plot").count() == 6
    _clean(page)

    page = visit(BOTTLE, f"units=us&{BuildSheet.demo('badger_eight').to_query()}")
    page.wait_for_function(DRAWN, arg=8, timeout=60_000)
    _wait_text(page, ".nw-answer", "At 84 °F")
    page.locator(".noUi-handle").first.focus()
    page.wait_for_timeout(200)
    for _ in range(10):
        page.keyboard.press("ArrowRight")
    _wait_value(page, "bottle temperature", "93.2")
    assert "At 93 °F" in page.inner_text(".nw-answer")

    page.wait_for_timeout(1500)  # the browser sends a slider's rounded number back: tests/ui/test_bottle.py
    answer = page.inner_text(".nw-answer")
    typed = _type(page, "nitrous in the bottle", "<b>full</b>")
    _wait_text(page, ".nw-field-error", "It cannot be read as one.")
    _wait_text(page, ".nw-field-error", "<b>full</b>")
    assert typed.input_value() == "<b>full</b>"
    page.wait_for_function("document.querySelectorAll('.nw-picture.nw-stale').length === 5")
    assert page.inner_text(".nw-answer") == answer
    _type(page, "nitrous in the bottle", "12")
    _wait_text(page, ".nw-answer", "12.00 lb of nitrous")
    page.wait_for_function("document.querySelectorAll('.nw-stale').length === 0")

    keep = page.get_by_role("button", name="put the coefficient into the build sheet")
    assert keep.is_disabled()
    _type(page, "bottle before", "30")
    _type(page, "bottle after", "29.1")
    _wait_text(page, ".nw-weigh-answer", "coefficient 0.")
    keep.click()
    page.wait_for_function(
        "!document.querySelector('.nw-answer').innerText.includes('Nobody has weighed')", timeout=20_000
    )
    sheet = BuildSheet.from_query(page.url.partition("?")[2])
    assert sheet.nitrous.discharge_coefficient is not None
    _whole(page, BOTTLE)


def test_timing_moves_and_refuses(visit):
    """Keys take timing out: the title of the pressure picture follows, the answer stays; rubbish greys all pictures."""
    page = visit(TIMING)
    assert page.locator(".js-plotly-plot").count() == 8
    answer, title = page.inner_text(".nw-answer"), page.inner_text(".nw-picture >> nth=1 >> h2")
    before = float(_field(page, "timing taken out").input_value())
    page.locator(".noUi-handle").nth(2).focus()
    page.wait_for_timeout(200)
    for _ in range(10):
        page.keyboard.press("ArrowRight")
    _wait_value(page, "timing taken out", f"{before + 5:g}")
    page.wait_for_function(
        "before => document.querySelectorAll('.nw-picture h2')[1].innerText !== before", arg=title, timeout=10_000
    )
    assert page.inner_text(".nw-answer") == answer

    _type(page, "timing taken out", "99")
    _wait_text(page, ".nw-field-error", "timing taken out is 99 deg; allowed: -5 to 30 deg")
    page.wait_for_function("document.querySelectorAll('.nw-picture.nw-stale').length === 8")
    _type(page, "timing taken out", f"{before:g}")
    page.wait_for_function("document.querySelectorAll('.nw-stale').length === 0")
    page.wait_for_function(
        "before => document.querySelectorAll('.nw-picture h2')[1].innerText === before", arg=title, timeout=10_000
    )
    _whole(page, TIMING)


def test_planner_moves_refuses_keeps_and_prints(visit):
    """A key takes margin off: answer, pictures and tables follow, near and far; pasted breakpoints; rubbish greys; the kept ramp is in the address."""
    page = visit(PLANNER)
    answer, copied = page.inner_text(".nw-answer"), page.locator(".nw-copy textarea").input_value()
    link = page.locator("a[download$='tune_sheet.html']").get_attribute("href")
    printed = page.context.new_page()
    printed.set_content(base64.b64decode(link.partition(",")[2]).decode())
    for paper in ("A4", "Letter"):
        assert len(pypdf.PdfReader(io.BytesIO(printed.pdf(format=paper))).pages) == 2
    printed.close()
    page.locator(".noUi-handle").first.focus()
    page.wait_for_timeout(200)
    for _ in range(10):
        page.keyboard.press("ArrowRight")
    _wait_value(page, "margin below every limit", "20")
    page.wait_for_function("before => document.querySelector('.nw-answer').innerText !== before", arg=answer)
    page.wait_for_function("before => document.querySelector('.nw-copy textarea').value !== before", arg=copied)

    speeds = page.locator(".nw-field", has_text="engine speeds").last.locator("input")
    speeds.fill("3000\t4100 nonsense")
    speeds.press("Tab")
    _wait_text(page, ".nw-field-error", "nonsense")
    page.wait_for_function("document.querySelectorAll('.nw-picture.nw-stale').length > 8")
    speeds.fill("3000\t4100\t5200")
    speeds.press("Tab")
    page.wait_for_function("document.querySelectorAll('.nw-stale').length === 0")
    page.wait_for_function("document.querySelector('.nw-copy textarea').value.includes('5200\\t')")

    page.locator("select").first.select_option(label="drawn between its ends")
    _wait_value(page, "bend of the way between", "1.0")
    page.get_by_role("button", name="keep on the build sheet").click()
    page.wait_for_function("document.body.innerText.includes('now carry this ramp')")
    sheet = BuildSheet.from_query(page.url.partition("?")[2])
    assert sheet.ramp.kind == "over rpm"
    assert sheet.tables.rpm == (3000.0, 4100.0, 5200.0)
    _whole(page, PLANNER)


def _choose(page, path):
    """Give a file to the upload button as a person does."""
    with page.expect_file_chooser() as chooser:
        page.locator(".widget-upload, .jupyter-widget-upload").first.click()
    chooser.value.set_files(str(path))


def test_the_unit_switch_moves_nothing(workbook_server, open_workbook):
    """Back and forth between the units a hand-set temperature, the pressure and the flame stay what they were."""
    page = open_workbook(workbook_server, "charge_explorer.ipynb", "units=us")
    page.wait_for_selector(".nw-footer")
    fields = page.locator(".nw-sticky .nw-number input")

    def settled():
        page.wait_for_timeout(900)
        return [field.input_value() for field in fields.all()], page.locator(".nw-answer").inner_text()

    fields.nth(4).fill("180")
    fields.nth(4).press("Enter")
    before = settled()
    assert before[0][4] == "180"
    page.get_by_role("button", name="metric").click()
    assert settled()[0][4] == "82"  # 180 F is 82.2 C
    page.get_by_role("button", name="US units").click()
    assert settled() == before
    page.get_by_role("button", name="at the spark").click()
    before = settled()
    page.get_by_role("button", name="metric").click()
    settled()
    page.get_by_role("button", name="US units").click()
    assert settled() == before
