"""The template in a real browser: offline, alive, freed, honest when its kernel is gone, whole on paper."""

import io
import os
import signal
import time

import psutil
import pypdf
import pytest

from workbooks.serve.config import MAX_TRANSPORT_BYTES, MIB

pytestmark = pytest.mark.browser

WIDTHS = (1280, 820, 390)
TOO_WIDE = """width => [...document.querySelectorAll('body *')]
    .filter(e => e.getBoundingClientRect().right > width + 1 && e.checkVisibility() && !e.closest('svg'))
    .map(e => e.tagName + '.' + e.className)"""


def _answer_a_key(page):
    """Move the slider by a key and wait for the kernel's answer."""
    handle = page.locator(".noUi-handle").first
    handle.focus()
    page.wait_for_timeout(200)
    page.keyboard.press("ArrowRight")
    page.wait_for_function("document.body.innerText.includes('n is 4')", timeout=15_000)


def test_page_works_offline_and_without_an_error(probe_server, open_workbook):
    """Slider, figures, title and LaTeX come from this machine alone; the console stays empty."""
    page = open_workbook(probe_server)
    _answer_a_key(page)
    page.wait_for_function("document.querySelectorAll('.js-plotly-plot .main-svg').length >= 2")
    assert page.title() == "A page for tests"
    assert page.locator("mjx-container, .MathJax").count() >= 1
    assert page.elsewhere == []
    assert page.errors == []


def test_landing_page_is_offline_and_leads_to_a_workbook(probe_server, page):
    """A click on a question opens the workbook with its query."""
    page.goto(probe_server.url)
    page.get_by_text("Does the slider move?").click()
    page.wait_for_selector("#rendered_cells", state="visible", timeout=60_000)
    assert "units=us" in page.url
    assert "query: units=us" in page.inner_text("body")
    assert page.elsewhere == []
    assert page.errors == []


def test_policy_stops_what_a_page_would_fetch_elsewhere(probe_server, open_workbook):
    """Even a script inside a page cannot reach another machine."""
    page = open_workbook(probe_server)
    outcome = page.evaluate("fetch('http://192.0.2.1/x').then(() => 'sent', error => error.message)")
    assert "Failed to fetch" in outcome
    assert any("Content Security Policy" in error for error in page.errors)


def test_plot_script_is_served_once(probe_server, open_workbook):
    """Two figures do not send the script over the socket; the page asks for it by address."""
    page = open_workbook(probe_server)
    page.wait_for_function("document.querySelectorAll('.js-plotly-plot').length == 2", timeout=20_000)
    assert sum(page.bytes_received) < 1_000_000
    asked = page.evaluate("performance.getEntriesByType('resource').map(e => e.name)")
    assert sum("widgetbundle.js" in name for name in asked) == 1


@pytest.mark.parametrize("path", ["/", "/voila/render/probe.ipynb?units=us", "/nowhere"])
def test_nothing_overflows(probe_server, page, path):
    """No page is wider than its window, nor any element of it, on a desk, a tablet or a phone."""
    page.goto(probe_server.url + path, timeout=60_000)
    if "render" in path:
        page.wait_for_selector(".js-plotly-plot .main-svg", timeout=60_000)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 800})
        page.wait_for_timeout(700)
        assert page.evaluate(TOO_WIDE, width) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_notes_stand_beside_or_under_the_figure(probe_server, open_workbook):
    """Two thirds and one third on a wide screen, one column on a narrow one, and the figure follows."""
    page = open_workbook(probe_server)
    page.wait_for_timeout(300)
    figure, notes = _boxes(page)
    assert notes["x"] >= figure["x"] + figure["width"]
    assert figure["width"] / notes["width"] == pytest.approx(2, rel=0.15)
    page.set_viewport_size({"width": 390, "height": 800})
    page.wait_for_function("document.querySelector('.js-plotly-plot .main-svg').getBoundingClientRect().width < 380")
    figure, notes = _boxes(page)
    assert notes["y"] >= figure["y"] + figure["height"] - 1
    assert page.locator(".modebar:visible .modebar-btn").count() == 0


def test_whole_page_prints(probe_server, open_workbook):
    """The last line is on paper, and the first."""
    page = open_workbook(probe_server)
    printed = pypdf.PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))
    text = " ".join(" ".join(sheet.extract_text() for sheet in printed.pages).split())
    assert len(printed.pages) >= 2
    assert "Does the slider reach the figure?" in text
    assert "The last line of the page." in text


def test_preparing_is_shown(probe_server, page):
    """While the cells run, the reader sees the page's title and that it is being prepared."""
    page.goto(f"{probe_server.url}/voila/render/probe.ipynb?units=us", wait_until="commit", timeout=60_000)
    page.wait_for_selector("#loading .nw-preparing-title", timeout=60_000)
    assert page.inner_text(".nw-preparing-title") == "A page for tests"


def test_killed_kernel_is_told(probe_server, open_workbook, kernel_of):
    """The page says that its numbers no longer follow, and the button makes a new one."""
    page = open_workbook(probe_server)
    assert not page.locator("#nw-notice").is_visible()
    first = kernel_of()
    _kill(probe_server, first)
    page.wait_for_selector("#nw-notice:visible", timeout=12_000)
    assert "has stopped" in page.inner_text("#nw-notice")
    page.get_by_role("button", name="Reload the page").click()
    page.wait_for_function(f"!document.documentElement.innerHTML.includes('{first}')", timeout=30_000)
    page.wait_for_selector(".js-plotly-plot .main-svg", timeout=60_000)
    _answer_a_key(page)
    assert not page.locator("#nw-notice").is_visible()


def test_lost_server_is_told_and_found_again(probe_server, open_workbook, page):
    """While the server does not answer the page says so; the notice goes when it answers again."""
    open_workbook(probe_server)
    page.route("**/voila/alive/**", lambda route: route.abort())
    page.wait_for_selector("#nw-notice:visible", timeout=20_000)
    assert "does not answer" in page.inner_text("#nw-notice")
    page.unroute("**/voila/alive/**")
    page.wait_for_selector("#nw-notice", state="hidden", timeout=12_000)


def test_closed_tab_frees_its_kernel(probe_server, open_workbook, kernel_of):
    """The shutdown beacon of a closing page is accepted."""
    page = open_workbook(probe_server)
    _answer_a_key(page)
    kernel_id = kernel_of()
    assert probe_server.is_alive(kernel_id)
    page.close(run_before_unload=True)
    assert probe_server.wait_until_gone(kernel_id, 8)


def test_upload_reaches_the_kernel(probe_server, open_workbook, tmp_path):
    """A file just below the transport limit arrives whole, so that the kernel can refuse it with a sentence."""
    page = open_workbook(probe_server)
    _answer_a_key(page)
    size = MAX_TRANSPORT_BYTES
    path = tmp_path / "large.csv"
    path.write_bytes(b"1" * size)
    _choose(page, path)
    page.wait_for_function(f"document.body.innerText.includes('{size} bytes arrived')", timeout=30_000)


def test_upload_beyond_the_limit_is_refused_in_words(probe_server, open_workbook, tmp_path):
    """A larger file is not sent, nor several that are larger together; the sentence says their size and the limit."""
    page = open_workbook(probe_server)
    _answer_a_key(page)
    path = tmp_path / "huge.csv"
    path.write_bytes(b"1" * (MAX_TRANSPORT_BYTES + MIB))
    _choose(page, path)
    page.wait_for_selector(".nw-upload-error", timeout=15_000)
    assert "45.0 MB, more than can be sent at once (44 MB)" in page.inner_text(".nw-upload-error")
    pair = [tmp_path / "first.csv", tmp_path / "second.csv"]
    for part in pair:
        part.write_bytes(b"1" * (23 * MIB))
    _choose(page, *pair)
    page.wait_for_function("document.querySelector('.nw-upload-error').innerText.includes('2 files')")
    assert "together 46.0 MB" in page.inner_text(".nw-upload-error")
    assert "no file yet" in page.inner_text("body")


def test_back_to_a_left_page_works(probe_server, open_workbook, page, kernel_of):
    """Back after a page was left gives a page with a new kernel, which answers."""
    open_workbook(probe_server)
    first = kernel_of()
    page.goto(probe_server.url)
    page.go_back(timeout=60_000)
    page.wait_for_function(f"!document.documentElement.innerHTML.includes('{first}')", timeout=30_000)
    page.wait_for_selector(".js-plotly-plot .main-svg", timeout=60_000)
    _answer_a_key(page)


def _boxes(page):
    """Return where the first figure and its notes are."""
    return page.locator(".nw-figure").first.bounding_box(), page.locator(".nw-notes").first.bounding_box()


def _choose(page, *paths):
    """Give a file to the upload button as a person does."""
    with page.expect_file_chooser() as chooser:
        page.locator(".widget-upload, .jupyter-widget-upload").first.click()
    chooser.value.set_files([str(path) for path in paths])


def _kill(server, kernel_id):
    """Kill the process of one kernel."""
    for member in psutil.Process(server.process.pid).children(recursive=True):
        if any(kernel_id in argument for argument in member.cmdline()):
            os.kill(member.pid, signal.SIGKILL)
            time.sleep(0.1)
            return
    raise AssertionError("no such kernel process")
