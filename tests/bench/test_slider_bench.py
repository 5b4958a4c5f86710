"""How long from a moved slider to its new picture, in the real browser.

Reported, not asserted: median and 95th percentile for each control and each picture it redraws, and their ratio to a named
baseline of the same run and page. ``--benchmark-only -s`` prints the table; leave the machine
idle. Run this file by itself: its browser and the other benches' would share two cores.
"""

import shutil
import statistics

import pytest
from playwright.sync_api import sync_playwright

from kernel_lib import BuildSheet
from tests.browser.conftest import FLAGS
from tests.serving_tools import RunningServer

MOVES = 30
PAGES = {
    "charge_explorer": {
        "car": "wren_five",
        "controls": {"lambda": 2, "rpm": 0, "shot": 1, "charge temperature": 3},
        "pictures": {"map": 0, "temperature": 1, "products": 2, "oxygen": 3},
        "not redrawn": {("lambda", "oxygen"), ("charge temperature", "oxygen")},
        "baseline": ("lambda", "map"),
    },
    "bottle": {
        "car": "badger_eight",  # its nozzle is not weighed in, so the line can be moved
        "controls": {"bottle temperature": 0, "fill": 1, "nozzle bore": 2, "line loss": 3},
        "pictures": {"saturation": 0, "mixture": 1, "gauge": 2, "passes": 3, "first instant": 4},
        "not redrawn": {
            *(("fill", picture) for picture in ("mixture", "gauge", "first instant")),
            ("line loss", "first instant"),
            *((control, picture) for control in ("nozzle bore", "line loss") for picture in ("saturation", "gauge")),
        },
        "baseline": ("fill", "saturation"),
    },
    "timing": {
        "car": "wren_five",
        "controls": {
            "shot": 0,
            "engine speed": 1,
            "timing taken out": 2,
            "wall-heat share": 3,
            "flame speed": 4,
        },
        "pictures": {
            "need": 0,
            "pressure": 1,
            "burn": 2,
            "heat": 3,
            "knock": 4,
            "power": 5,
            "margin": 6,
            "plug": 7,
        },
        "not redrawn": {  # tests/ui/test_timing_page.py holds that these are left alone and the others not
            *(
                (control, picture)
                for control in ("engine speed", "timing taken out", "wall-heat share", "flame speed")
                for picture in ("need", "power")
            ),
            *((control, "margin") for control in ("wall-heat share", "flame speed")),
        },
        "baseline": ("timing taken out", "pressure"),
    },
    "shot_planner": {
        "car": "wren_five",
        "controls": {"margin": 0, "pulse frequency": 2, "fuel lead": 4, "engine speed": 5},
        "pictures": {
            "room": 0,
            "drive": 1,
            "fuel": 2,
            "retard": 3,
            "ripple": 4,
            "beat": 5,
            "lead": 6,
        },
        "not redrawn": {
            *(("fuel lead", picture) for picture in ("room", "drive", "fuel", "retard", "ripple", "beat")),
            *(("engine speed", picture) for picture in ("room", "drive", "fuel", "retard")),
        },
        "baseline": ("margin", "room"),
    },
}

MOVE = """([handle, picture, key]) => new Promise((done, fail) => {
  setTimeout(() => fail(new Error(`slider ${handle} does not redraw picture ${picture}`)), 5000);
  const plot = document.querySelectorAll(".js-plotly-plot")[picture];
  const start = performance.now();
  const drawn = () => {
    plot.removeListener("plotly_afterplot", drawn);
    requestAnimationFrame(() => done(performance.now() - start));
  };
  plot.on("plotly_afterplot", drawn);
  const slider = document.querySelectorAll(".nw-sticky .noUi-handle")[handle];
  slider.focus({ preventScroll: true });
  slider.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
})"""


@pytest.fixture(scope="module")
def browser_page(tmp_path_factory):
    path = shutil.which("chromium") or shutil.which("google-chrome")
    with RunningServer(None, tmp_path_factory.mktemp("work")) as server, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield browser.new_page(viewport={"width": 1280, "height": 900}), server.url
        browser.close()


def _times(page, control, picture):
    page.evaluate("n => document.querySelectorAll('.js-plotly-plot')[n].scrollIntoView({block: 'center'})", picture)
    page.wait_for_timeout(600)
    times = []
    for move in range(MOVES + 4):
        times.append(page.evaluate(MOVE, [control, picture, "ArrowLeft" if move % 2 else "ArrowRight"]))
        page.wait_for_timeout(250)
    return sorted(times[4:])


@pytest.mark.parametrize("name", PAGES)
def test_slider_to_picture(browser_page, benchmark, name):
    page, url = browser_page
    car = BuildSheet.demo(PAGES[name]["car"]).to_query()
    page.goto(f"{url}/voila/render/{name}.ipynb?units=us&{car}", timeout=60_000)
    page.wait_for_selector(".nw-footer", timeout=60_000)
    page.wait_for_timeout(4_000)
    here, rows = PAGES[name], {}

    def measure():
        for control, handle in here["controls"].items():
            for picture, index in here["pictures"].items():
                if (control, picture) not in here["not redrawn"]:
                    rows[control, picture] = _times(page, handle, index)

    benchmark.pedantic(measure, rounds=1)
    baseline = statistics.median(rows[here["baseline"]])
    for (control, picture), times in rows.items():
        median, p95 = statistics.median(times), times[int(0.95 * len(times))]
        line = f"{median:.0f} ms median, {p95:.0f} ms p95, {median / baseline:.2f} of {' on '.join(here['baseline'])}"
        benchmark.extra_info[f"{control} -> {picture}"] = line
        print(f"{control:>20} -> {picture:<14} {line}")
