"""The pull review in a real browser: a log is opened, judged, its columns corrected, its plugs read; what is too large is refused in words."""

import io

import pypdf
import pytest
from axe_playwright_python.sync_playwright import Axe

from kernel_lib.paths import data_dir
from workbooks.serve.config import MAX_UPLOAD_BYTES, MIB

pytestmark = pytest.mark.browser

LOG = data_dir() / "logs" / "wren_clean.csv"
TOO_WIDE = """width => [...document.querySelectorAll('body *')]
    .filter(e => e.getBoundingClientRect().right > width + 1 && e.checkVisibility() && !e.closest('svg') && !e.closest('.nw-review-scroll'))
    .map(e => e.tagName + '.' + e.className)"""
DRAWN = """count => [...document.querySelectorAll('.nw-review .js-plotly-plot')].filter(plot =>
    [...plot.querySelectorAll('.scatterlayer path.js-line, .scatterlayer path.point')]
        .some(path => (path.getAttribute('d') || '').length > 10)).length >= count"""


def _open(page, *paths, button=0):
    with page.expect_file_chooser() as chooser:
        page.locator(".widget-upload").nth(button).click()
    chooser.value.set_files([str(path) for path in paths])


def _verdict(page, word, timeout=60_000):
    page.wait_for_function(
        "word => { const v = document.querySelector('.nw-review-verdict'); return v && v.innerText.trim().startsWith(word); }",
        arg=word,
        timeout=timeout,
    )


def test_a_log_is_opened_judged_corrected_and_printed(workbook_server, open_workbook, tmp_path):
    """One visit: verdict, pictures, a column taken away and given back, a plug, a file beyond the limit, axe, paper."""
    page = open_workbook(workbook_server, "pull_review.ipynb", "units=us")
    page.wait_for_selector(".nw-footer", timeout=60_000)
    assert "No log is open, so nothing is judged" in page.inner_text(".nw-review-empty")
    _open(page, LOG)
    page.wait_for_selector(".nw-review-verdict", timeout=60_000)
    assert "Go" in page.inner_text(".nw-review-verdict")
    assert "your log" in page.inner_text(".nw-review-of")
    page.wait_for_function("location.search.includes('&map=')")
    page.wait_for_function(DRAWN, arg=9, timeout=30_000)

    page.get_by_role("button", name="show and correct the columns").click()
    timing = page.locator(".nw-map-row:has(label:text-is('timing')) select").first
    chosen = timing.evaluate("e => e.selectedOptions[0].text")
    timing.select_option(label="not in this log")
    page.wait_for_function("document.querySelector('.nw-mapping').innerText.includes('Not in this log: timing')")
    page.wait_for_function("document.querySelector('.nw-review').innerText.includes('Timing is not in the log')")
    timing.select_option(label=chosen)
    page.wait_for_function("!document.querySelector('.nw-mapping').innerText.includes('Not in this log: timing')")

    page.locator(".nw-review-plugs select:visible").nth(2).select_option("melted")
    _verdict(page, "Stop")
    assert "cylinder 3" in page.inner_text(".nw-review-verdict")

    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(MAX_UPLOAD_BYTES + MIB)
    _open(page, large)
    page.wait_for_function(
        "document.querySelector('.nw-review').innerText.includes('large.csv: its size is 41 MB')", timeout=30_000
    )
    assert "Stop" in page.inner_text(".nw-review-verdict")  # nothing is lost

    page.set_viewport_size({"width": 820, "height": 900})
    page.wait_for_timeout(500)
    assert page.evaluate(TOO_WIDE, 820) == []
    found = [v for v in Axe().run(page).response["violations"] if v["impact"] in ("serious", "critical")]
    assert [(v["id"], [n["html"][:140] for n in v["nodes"]]) for v in found] == []
    printed = " ".join(
        " ".join(sheet.extract_text().split()) for sheet in pypdf.PdfReader(io.BytesIO(page.pdf(format="A4"))).pages
    )
    assert "cylinder 3" in printed
    assert "What to change" in printed
    assert "open a log" not in printed
    assert page.errors == page.elsewhere == []
