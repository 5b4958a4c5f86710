"""How long from a committed prediction to its answer, and from a moved knob to its picture, in the real browser.

Reported, not asserted: each step's time and its ratio to that of the first step, then median and 95th percentile over all. Run it by
itself on an idle machine: ``--benchmark-only -s``.
"""

import shutil
import statistics

import pytest
from playwright.sync_api import sync_playwright

from kernel_lib import BuildSheet
from tests.browser.conftest import FLAGS
from tests.serving_tools import RunningServer
from workbooks.ui.lesson.lesson_view import STEPS

CAR, TURNS = "badger_eight", 12
COMMIT = """() => new Promise((done) => {
  const place = document.querySelector('.nw-step:not(.nw-away) .nw-figure > .nw-answer'), start = performance.now();
  new MutationObserver((_, me) => { me.disconnect(); requestAnimationFrame(() => done(performance.now() - start)); })
    .observe(place, { childList: true, subtree: true, characterData: true });
  [...document.querySelectorAll('.nw-step:not(.nw-away) button')].find((b) => b.textContent.includes('commit')).click();
})"""
TURN = """(key) => new Promise((done, fail) => {
  setTimeout(() => fail(new Error('the knob moves nothing')), 5000);
  const plot = document.querySelector('.nw-step:not(.nw-away) .js-plotly-plot'), start = performance.now();
  const drawn = () => { plot.removeListener('plotly_afterplot', drawn); requestAnimationFrame(() => done(performance.now() - start)); };
  plot.on('plotly_afterplot', drawn);
  const handle = document.querySelector('.nw-step:not(.nw-away) .nw-notes .noUi-handle');
  handle.focus({ preventScroll: true });
  handle.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true }));
})"""


ABOVE = """() => { const handle = document.querySelector('.nw-step:not(.nw-away) .nw-notes .noUi-handle');
  return Number(handle.getAttribute('aria-valuenow')) > Number(handle.getAttribute('aria-valuemin')); }"""


@pytest.fixture(scope="module")
def lesson(tmp_path_factory):
    path = shutil.which("chromium") or shutil.which("google-chrome")
    with (
        RunningServer(None, tmp_path_factory.mktemp("work"), "--no-preheat") as server,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(
            f"{server.url}/voila/render/why_targets.ipynb?units=us&{BuildSheet.demo(CAR).to_query()}", timeout=120_000
        )
        page.wait_for_selector(".nw-footer", timeout=120_000)
        page.wait_for_timeout(30_000)  # a reader's first minute: what later steps need is computed meanwhile
        yield page
        browser.close()


def _predict(page):
    if page.locator(".nw-step:not(.nw-away) input[type=radio]").count():
        page.locator(".nw-step:not(.nw-away) input[type=radio]").last.check()
    elif not page.locator(".nw-step:not(.nw-away) .nw-sketch-handle").count():
        page.locator(".nw-step:not(.nw-away) .noUi-handle").first.focus()
        page.keyboard.press("ArrowRight")
    page.wait_for_timeout(1200)


def test_step_to_answer(lesson, benchmark):
    """Commit each step, turn each knob."""
    commits, turns = {}, {}

    def go():
        for step in STEPS:
            _predict(lesson)
            commits[step.key] = lesson.evaluate(COMMIT)
            lesson.wait_for_timeout(800)
            found = []
            first, second = ("ArrowLeft", "ArrowRight") if lesson.evaluate(ABOVE) else ("ArrowRight", "ArrowLeft")
            for move in range(TURNS):
                found.append(lesson.evaluate(TURN, second if move % 2 else first))
                lesson.wait_for_timeout(150)
            turns[step.key] = found[2:]
            lesson.get_by_role("button", name="next step").click()
            lesson.wait_for_timeout(1200)

    benchmark.pedantic(go, rounds=1)
    base = commits[STEPS[0].key]
    print()
    for key, took in commits.items():
        middle = statistics.median(turns[key])
        print(
            f"{key:>16}: commit {took:.0f} ms, {took / base:.2f} of the first; knob {middle:.0f} ms median, {max(turns[key]):.0f} ms at most"
        )
    every = sorted([*commits.values(), *(t for found in turns.values() for t in found)])
    print(
        f"all: {statistics.median(every):.0f} ms median, {every[int(0.95 * len(every))]:.0f} ms p95; commits alone {max(commits.values()):.0f} ms at most"
    )
