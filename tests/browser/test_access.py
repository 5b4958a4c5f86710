"""Every workbook for those who use no mouse, no colour, or no screen: axe-core over the page, keys to every control, words for every picture."""

import pytest
from axe_playwright_python.sync_playwright import Axe

from workbooks.ui.frame import PAGES

pytestmark = pytest.mark.browser

NAMES = [f"{name}.ipynb" for name, _ in PAGES]
GRAVE = ("serious", "critical")
FOCUSABLE = """() => [...document.querySelectorAll('.nw-notes, .nw-figure, .nw-masthead, .nw-lesson')].flatMap(part =>
    [...part.querySelectorAll('button, input, select, textarea, a[href], .noUi-handle, [role=slider]')])
    .filter(e => e.checkVisibility({checkVisibilityCSS: true}) && !e.disabled && e.tabIndex < 0 && !e.closest('.js-plotly-plot') && e.type !== 'file')
    .map(e => e.outerHTML.slice(0, 120))"""
UNTOLD = """() => [...document.querySelectorAll('.js-plotly-plot, svg[role=img]')].filter(e => e.checkVisibility({checkVisibilityCSS: true}))
    .filter(e => !(e.getAttribute('aria-label') || e.closest('[aria-label]')?.getAttribute('aria-label') || e.querySelector(':scope > title')?.textContent || '').trim())
    .map(e => e.outerHTML.slice(0, 120))"""


@pytest.fixture
def opened(workbook_server, open_workbook):
    """Return a function that opens a workbook and waits for its end."""

    def _open(name):
        page = open_workbook(workbook_server, name, "units=us")
        page.wait_for_selector(".nw-cautions", timeout=120_000)
        page.wait_for_timeout(1500)
        return page

    return _open


@pytest.mark.parametrize("name", NAMES)
def test_no_grave_fault(opened, name):
    """axe-core finds nothing serious or critical; keys reach every control; every picture says in words what it shows."""
    page = opened(name)
    found = [v for v in Axe().run(page).response["violations"] if v["impact"] in GRAVE]
    ours = [f"{v['id']}: {v['help']}: {node['target']} {node['html'][:140]}" for v in found for node in v["nodes"]]
    assert ours == []
    assert page.evaluate(FOCUSABLE) == []
    assert page.evaluate(UNTOLD) == []
