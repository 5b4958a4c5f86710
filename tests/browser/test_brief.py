"""The customer's brief in a real browser: two sheets of paper from page and file, nothing cut off, legible, alone."""

import io
import re
from functools import lru_cache

import pypdf
import pytest

from kernel_lib import BuildSheet
from kernel_lib.plan.tune import tune_of
from kernel_lib.sheets.brief import QUESTION, brief_html

pytestmark = pytest.mark.browser

DEMOS = ("wren_five", "badger_eight")
PAPERS = ("A4", "Letter")
BARE = dict.fromkeys(
    (f"parts.{name}" for name in ("piston", "rods", "head_gasket", "head_fasteners", "leak_down_percent")), None
)
WEIGH_IN = dict.fromkeys(
    (f"nitrous.discharge_{name}" for name in ("coefficient", "error", "temperature_c", "bore_mm")), None
)


@lru_cache(maxsize=4)
def tune(name):
    sheet = BuildSheet.demo("wren_five" if name == "bare" else name)
    return tune_of(
        sheet.replace(BARE | WEIGH_IN | {"engine.timing_is": "unknown", "nitrous.price_per_kg": 12.0})
        if name == "bare"
        else sheet
    )


def sheets(printed):
    return pypdf.PdfReader(io.BytesIO(printed)).pages


def words(page):
    return " ".join(page.extract_text().split())


@pytest.mark.parametrize("metric", [False, True], ids=["us", "metric"])
@pytest.mark.parametrize("name", [*DEMOS, "bare"])
def test_the_file_prints_on_two_sheets(page, name, metric):
    """On either paper, the second begins with what must be true, and holds cautions and signatures."""
    page.set_content(brief_html(tune(name), metric=metric))
    for paper in PAPERS:
        first, second = sheets(page.pdf(format=paper))
        assert QUESTION in words(first)
        assert words(second).startswith("Must be true before each use")
        assert "Nitrous oxide is an oxidiser" in words(second)
        assert ("Not for signature" if tune(name).blockers else "no certification of parts") in words(second)
    assert page.errors == page.elsewhere == []


@pytest.mark.parametrize("name", DEMOS)
@pytest.mark.parametrize("width", [1280, 820, 390])
def test_the_file_is_legible(page, name, width):
    """No sideways scrolling; 11 px at least, in pictures too; no text of a picture leaves it."""
    page.set_viewport_size({"width": width, "height": 900})
    page.set_content(brief_html(tune(name)))
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    smallest = page.evaluate(
        """Math.min(...[...document.querySelectorAll('.nw-brief svg')].map(s => 12 * s.getBoundingClientRect().width / 280),
        ...[...document.querySelectorAll('.nw-brief :is(p,li,h2,span)')].map(s => parseFloat(getComputedStyle(s).fontSize)))"""
    )
    assert smallest >= 11
    outside = page.evaluate(
        """[...document.querySelectorAll('.nw-brief svg')].flatMap(s => { const frame = s.getBoundingClientRect();
        return [...s.querySelectorAll('text')].filter(t => { const r = t.getBoundingClientRect();
          return r.left < frame.left - 3 || r.right > frame.right + 3; }).map(t => t.textContent); })"""
    )
    assert outside == []


@pytest.mark.parametrize("name", DEMOS)
def test_the_page_prints_on_two_sheets(page, workbook_server, name):
    """Without masthead and link; the cautions once."""
    query = f"units=metric&{BuildSheet.demo(name).to_query()}"
    page.goto(f"{workbook_server.url}/voila/render/customer_brief.ipynb?{query}", timeout=120_000)
    page.wait_for_selector(".nw-brief .second", timeout=120_000)
    page.wait_for_selector(".nw-footer", timeout=60_000)
    assert page.locator(".nw-brief .cautions").is_hidden()
    assert page.locator("section.nw-cautions").is_visible()
    for paper in PAPERS:
        printed = sheets(page.pdf(format=paper))
        assert len(printed) == 2
        text = " ".join(words(one) for one in printed)
        assert text.startswith(QUESTION)
        assert "download this brief" not in text
        assert len(re.findall("Nitrous oxide is an oxidiser", text)) == 1
    first = words(printed[0])
    assert ("Do not spray yet." in first) == (name == "badger_eight")
    assert page.errors == page.elsewhere == []
