"""The lesson in a real browser: by keys alone, for both demo cars, kept by the browser, on paper."""

import io
import re
import unicodedata

import pypdf
import pytest
from playwright.sync_api import expect

from kernel_lib import BuildSheet
from workbooks.ui.lesson.lesson_view import STEPS

pytestmark = pytest.mark.browser

PAGE = "why_targets.ipynb"
ANSWERED = ", ".join(f".nw-step:not(.nw-away) .nw-answer .nw-state-{kind}" for kind in ("holds", "watch", "stop"))
INSIDE = """() => { const r = document.querySelector('.nw-step:not(.nw-away) .js-plotly-plot').getBoundingClientRect();
    return r.width > 200 && r.height > 100 && r.right <= innerWidth + 1; }"""


@pytest.fixture
def learn(workbook_server, open_workbook):
    def _learn(car="badger_eight"):
        page = open_workbook(workbook_server, PAGE, f"units=us&{BuildSheet.demo(car).to_query()}")
        page.wait_for_selector(".nw-cautions", timeout=120_000)
        return page

    return _learn


def press(page, name):
    """Press a button as a keyboard does."""
    button = page.locator(".nw-lesson").get_by_role("button", name=name, exact=True)
    button.focus()
    page.keyboard.press("Enter")


def predict(page):
    """Give a prediction by keys, whatever the question asks for."""
    radio, sketch = (
        page.locator(".nw-step:not(.nw-away) input[type=radio]"),
        page.locator(".nw-step:not(.nw-away) .nw-sketch-handle"),
    )
    if radio.count():
        radio.first.focus()
        page.keyboard.press("ArrowDown")
    elif sketch.count():
        for k in range(sketch.count()):
            sketch.nth(k).focus()
            before = float(sketch.nth(k).get_attribute("aria-valuenow"))
            page.keyboard.press("ArrowUp")
            assert float(sketch.nth(k).get_attribute("aria-valuenow")) > before
    else:
        page.locator(".nw-step:not(.nw-away) .noUi-handle").first.focus()
        page.keyboard.press("ArrowRight")
    page.wait_for_timeout(200)


def test_the_whole_lesson_by_keys(learn):
    """Each step hides its answer, opens it with the prediction, and goes into the record; the browser keeps it over a reload."""
    page = learn()
    for k, step in enumerate(STEPS):
        page.wait_for_function(
            f"document.querySelector('.nw-step:not(.nw-away) .nw-part').innerText.toUpperCase().startsWith('STEP {k + 1} ')",
            timeout=60_000,
        )
        assert page.locator(".nw-step:not(.nw-away) .nw-notes").inner_text().strip() == ""
        predict(page)
        press(page, "commit my prediction")
        page.wait_for_selector(ANSWERED, timeout=60_000)
        expect(page.locator(".nw-step:not(.nw-away) .nw-notes")).to_contain_text("Why")
        assert page.evaluate(INSIDE), step.key
        label = page.locator(".nw-step:not(.nw-away) .js-plotly-plot").first
        expect(label).to_have_attribute("aria-label", re.compile(r"\w"), timeout=5000)
        press(page, "next step")
    assert page.locator(".nw-record tbody tr, .nw-record table tr").count() == len(STEPS) + 1
    assert f"{len(STEPS)} of {len(STEPS) + 1} done" in page.inner_text(".nw-lesson")
    printed = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4")))
    text = unicodedata.normalize("NFKC", " ".join(p.extract_text() for p in printed.pages))  # ligatures undone
    assert all(step.title in page.inner_text(".nw-record") for step in STEPS)
    assert all(word in text for step in STEPS for word in step.title.split())
    assert "commit my prediction" not in text
    page.reload()
    page.wait_for_selector(".nw-cautions", timeout=120_000)
    page.wait_for_function(
        f"document.querySelector('.nw-lesson').innerText.includes('{len(STEPS)} of {len(STEPS) + 1} done')",
        timeout=60_000,
    )
    press(page, "start over")
    page.wait_for_function("document.querySelector('.nw-lesson').innerText.startsWith('0 of')")
    assert page.errors == page.elsewhere == []


def test_the_closing_exercise(learn):
    """Empty fields are a sentence; what is handed in is judged; a hit with something wrong is told apart."""
    page = learn("wren_five")
    press(page, str(len(STEPS) + 1))
    page.wait_for_selector(".nw-step:not(.nw-away) .nw-choices input", timeout=120_000)
    press(page, "hand it in")
    page.wait_for_function(
        "document.querySelector('.nw-step:not(.nw-away)').innerText.includes('a number in every field')"
    )
    fields = page.locator(".nw-step:not(.nw-away) .nw-number input")
    for k, value in enumerate(("3000", "40", "9", "7", "1.5")):
        fields.nth(k).fill(value)
        fields.nth(k).press("Tab")
        page.wait_for_timeout(100)
    press(page, "hand it in")
    page.wait_for_selector(".nw-step:not(.nw-away) .nw-table")
    assert page.locator(".nw-step:not(.nw-away) .nw-table tbody tr").count() == 5
    page.locator(".nw-step:not(.nw-away) .nw-choices input").first.focus()
    page.keyboard.press("Space")
    page.wait_for_timeout(200)
    press(page, "commit my finding")
    page.wait_for_function("document.querySelector('.nw-record').innerText.includes('hidden fault')")
    assert page.errors == page.elsewhere == []


def test_a_word_is_explained_where_it_stands(learn):
    """Focus shows the glossary's sentence beside the word."""
    page = learn("wren_five")
    press(page, "2")
    word = page.locator(".nw-step:not(.nw-away) .nw-term").first
    expect(word.locator(".nw-says")).to_be_hidden()
    word.focus()
    expect(word.locator(".nw-says")).to_be_visible()


def test_a_step_that_was_left_still_draws_the_prediction(learn):
    """Look at a step, turn away, come back, commit: prediction and answer stand in the picture."""
    page = learn("wren_five")
    for name in ("5", "6", "5"):
        press(page, name)
        page.wait_for_timeout(2500)
    predict(page)
    press(page, "commit my prediction")
    page.wait_for_selector(ANSWERED, timeout=60_000)
    shown = page.locator(".nw-step:not(.nw-away) .js-plotly-plot")
    expect(shown.locator("text", has_text="you").first).to_be_visible(timeout=10_000)
    press(page, "6")
    page.wait_for_timeout(500)
    press(page, "5 ✓")
    expect(shown.locator("text", has_text="you").first).to_be_visible(timeout=10_000)
    assert page.errors == page.elsewhere == []
