"""A real Chromium on a real server; both kept for the whole run, every test gets a fresh page."""

import os
import shutil
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import sync_playwright

from tests.serving_tools import RunningServer, write_pages

FLAGS = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
#: Console lines that say nothing about a page of ours.
HARMLESS = ("Download the React DevTools",)


@pytest.fixture(scope="session")
def chromium_path():
    """Return the system's Chromium; without one, fail where CI is set and skip elsewhere."""
    path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if path is None:
        message = "no Chromium on this machine: on Debian, apt-get install chromium"
        if os.environ.get("CI", "").lower() in ("1", "true", "yes"):
            pytest.fail(message)
        pytest.skip(message)
    return path


@pytest.fixture(scope="session")
def chromium(chromium_path):
    """Return a started browser."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def probe_server(tmp_path_factory):
    """Return a server of the pages made for tests."""
    pages = write_pages(tmp_path_factory.mktemp("pages"))
    with RunningServer(pages, tmp_path_factory.mktemp("work"), "--no-preheat") as server:
        yield server


@pytest.fixture(scope="session")
def workbook_server(tmp_path_factory):
    """Return a server of the real workbooks."""
    with RunningServer(None, tmp_path_factory.mktemp("work")) as server:
        yield server


@pytest.fixture
def page(chromium):
    """Return a fresh page that remembers in `errors` and `elsewhere` what it should not have done."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.errors, page.elsewhere, page.bytes_received = [], [], []
    page.on("console", lambda line: _note(page, line))
    page.on("pageerror", lambda error: page.errors.append(str(error)))
    page.on("request", lambda request: _watch(page, request.url))
    page.on("websocket", lambda socket: _count(page, socket))
    yield page
    context.close()


def _note(page, line):
    """Keep a console error, but for harmless ones."""
    if line.type == "error" and not any(text in line.text for text in HARMLESS):
        page.errors.append(f"{line.text} {line.location.get('url', '')}")


def _watch(page, url):
    """Keep a request that leaves this machine."""
    parts = urlsplit(url)
    if parts.scheme in ("http", "https", "ws", "wss") and parts.hostname not in ("127.0.0.1", "localhost"):
        page.elsewhere.append(url)


def _count(page, socket):
    """Keep the size of everything that arrives on a websocket."""
    _watch(page, socket.url)
    socket.on("framereceived", lambda payload: page.bytes_received.append(len(payload)))


@pytest.fixture
def open_workbook(page):
    """Return a function that opens a workbook, waits until it answers a key, and returns the page."""

    def _open(server, name="probe.ipynb", query="units=us"):
        page.goto(f"{server.url}/voila/render/{name}?{query}", timeout=60_000)
        page.wait_for_selector("#rendered_cells", state="visible", timeout=60_000)
        page.wait_for_selector(
            ".js-plotly-plot .main-svg, .nw-verdict p, .nw-rule, .nw-brief section, .nw-lesson, .nw-review",
            timeout=60_000,
        )
        return page

    return _open


@pytest.fixture
def kernel_of(page):
    """Return a function that gives the id of the open page's kernel."""
    return lambda: page.evaluate("JSON.parse(document.getElementById('jupyter-config-data').textContent).kernelId")
