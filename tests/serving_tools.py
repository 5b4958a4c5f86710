"""A running server of our own for tests: started as a user starts it, on pages made for the purpose."""

from __future__ import annotations

import http.cookiejar
import json
import os
import re
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
import uuid
from pathlib import Path

import nbformat
import psutil
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

ROOT = Path(__file__).resolve().parent.parent
PROTOCOL = "v1.kernel.websocket.jupyter.org"
SECRET = "a-sentence-that-only-the-source-holds"

#: The figure's file alone: these pages must not depend on the rest of the real ones.
IMPORTS = """import importlib.util, pathlib
import ipywidgets as widgets
import workbooks
from voila.utils import get_query_string
file = pathlib.Path(workbooks.__file__).parent / "ui" / "figure.py"
spec = importlib.util.spec_from_file_location("figure", file)
module = importlib.util.module_from_spec(spec)
spec.loader.exec_module(module)
Figure = module.Figure"""

PANEL = """slider = widgets.IntSlider(value=3, min=0, max=10)
label = widgets.Label("n is 3")
figures = [Figure(data=[{"type": "scatter", "y": [1, 2, 3]}], layout={"height": 360}) for _ in range(2)]
def show(change):
    label.value = f"n is {change.new}"
    figures[0].data[0].y = [1, 2, change.new]
slider.observe(show, "value")
notes = widgets.VBox([slider, label]).add_class("nw-notes")
widgets.VBox([widgets.Box([widgets.Box([f]).add_class("nw-figure"), *n]).add_class("nw-panel")
              for f, n in zip(figures, [[notes], []])])"""

UPLOAD = """upload = widgets.FileUpload(multiple=True)
said = widgets.Label("no file yet")
upload.observe(lambda change: setattr(said, "value", f"{change.new[0].size} bytes arrived"), "value")
widgets.VBox([upload, said])"""


def write_pages(folder: Path) -> Path:
    """Write a page with widgets and one whose first cell crashes; return the folder."""
    probe = [
        new_markdown_cell("# Does the slider reach the figure?\n\nProse with $x^2$ in it."),
        new_code_cell(IMPORTS),
        new_code_cell(f"secret = {SECRET!r}\nprint('query:', get_query_string())"),
        new_code_cell(PANEL),
        new_code_cell(UPLOAD),
        *[new_markdown_cell(f"## Part {n}\n\n" + "A line of prose that goes on for a while. " * 30) for n in range(6)],
        new_markdown_cell("The last line of the page."),
    ]
    crash = [new_code_cell(f"secret = {SECRET!r}\nraise RuntimeError('boom-' + secret)")]
    _write(folder / "probe.ipynb", probe, "A page for tests", {"order": 1, "question": "Does the slider move?"})
    _write(folder / "crash.ipynb", crash, "A page that crashes", {"order": 2})
    (folder / "notes.txt").write_text(SECRET, encoding="utf-8")
    (folder / "below").mkdir()
    _write(folder / "below" / "hidden.ipynb", crash, "Not in the list", {})
    return folder


def _write(path: Path, cells: list, title: str, workbook: dict) -> None:
    """Write one notebook."""
    kernel = {"name": "python3", "display_name": "Python 3 (ipykernel)", "language": "python"}
    metadata = {"kernelspec": kernel, "title": title, "workbook": workbook}
    nbformat.write(new_notebook(cells=cells, metadata=metadata), path)


def free_port() -> int:
    """Return a port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def environment() -> dict[str, str]:
    """Return an environment in which the checkout can be imported from anywhere."""
    inherited = {name: value for name, value in os.environ.items() if name != "PYTHONWARNINGS"}
    return {**inherited, "PYTHONPATH": str(ROOT)}


class RunningServer:
    """The start command in a process of its own.

    Parameters
    ----------
    pages : Path
        Folder with the notebooks.
    work : Path
        Working directory and place for the log.
    *arguments : str
        More arguments of the start command.
    address_space : int, optional
        Bound on the memory the process may map [bytes].
    command : list of str, optional
        What to run instead of `python -m workbooks`.
    env : dict, optional
        Environment instead of `environment()`.
    """

    def __init__(self, pages: Path | None, work: Path, *arguments: str, address_space=None, command=None, env=None):
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.log = work / f"server-{self.port}.log"
        start = command or [sys.executable, "-m", "workbooks"]
        if address_space:
            limited = f"import resource, runpy; resource.setrlimit(resource.RLIMIT_AS, ({address_space},) * 2); "
            start = [sys.executable, "-c", limited + "runpy.run_module('workbooks', run_name='__main__')"]
        folder = ["--notebooks", str(pages)] if pages else []
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [*start, "--no-browser", "--port", str(self.port), *folder, *arguments],
                cwd=work,
                env=env or environment(),
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        self._cookies = http.cookiejar.CookieJar()
        self._opener = urllib.request.build_opener(
            urllib.request.ProxyHandler({}), urllib.request.HTTPCookieProcessor(self._cookies)
        )
        self._wait()

    def __enter__(self) -> RunningServer:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _wait(self) -> None:
        """Wait until the landing page, or the login page, answers."""
        for _ in range(300):
            assert self.process.poll() is None, self.log.read_text(encoding="utf-8")
            try:
                self.get("/")
            except OSError:
                time.sleep(0.1)
            else:
                return
        self.stop()
        raise AssertionError("no answer in 30 s: " + self.log.read_text(encoding="utf-8"))

    def stop(self) -> None:
        """Stop the server as Ctrl-C does, and whatever is left of it after a while."""
        family = psutil.Process(self.process.pid).children(recursive=True) if self.process.poll() is None else []
        self.process.terminate()
        try:
            self.process.wait(15)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(5)
        _, alive = psutil.wait_procs(family, timeout=3)
        for left in alive:
            left.kill()

    def get(self, path: str, *, data: bytes | None = None, headers: dict | None = None, timeout: float = 30):
        """Return status, headers and text of one request; redirects are followed, errors are answers."""
        request = urllib.request.Request(self.url + path, data=data, headers=headers or {})
        try:
            with self._opener.open(request, timeout=timeout) as answer:
                return answer.status, answer.headers, answer.read().decode("utf-8", "replace")
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.headers, error.read().decode("utf-8", "replace")

    def cookie(self, name: str) -> str:
        """Return a cookie the server has set, or an empty text."""
        return next((cookie.value for cookie in self._cookies if cookie.name == name), "")

    def open_page(self, name: str = "probe.ipynb", query: str = "units=us") -> tuple[str, str]:
        """Return the text of a workbook and the id of its kernel."""
        status, _, text = self.get(f"/voila/render/{name}?{query}", timeout=60)
        assert status == 200, text
        assert "jp-mod-noInput" in text, text
        return text, re.search(r'"kernelId": "([0-9a-f-]+)"', text)[1]

    def is_alive(self, kernel_id: str) -> bool:
        """Say whether the kernel runs, as the page asks."""
        return json.loads(self.get(f"/voila/alive/{kernel_id}")[2])["alive"]

    def wait_until_gone(self, kernel_id: str, seconds: float) -> bool:
        """Say whether the kernel stopped within a time."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if not self.is_alive(kernel_id):
                return True
            time.sleep(0.2)
        return False

    def channels(self, kernel_id: str) -> str:
        """Return the address of a kernel's websocket."""
        return f"ws://127.0.0.1:{self.port}/api/kernels/{kernel_id}/channels?session_id={uuid.uuid4().hex}"


def frame(channel: str, msg_type: str, content: dict) -> bytes:
    """Return a well-formed message of the binary protocol."""
    header = {
        "msg_id": uuid.uuid4().hex,
        "session": "s",
        "username": "",
        "date": "",
        "msg_type": msg_type,
        "version": "5.3",
    }
    parts = [channel.encode(), *(json.dumps(part).encode() for part in (header, {}, {}, content))]
    count = len(parts) + 1
    offsets = [8 * (count + 1)]
    for part in parts:
        offsets.append(offsets[-1] + len(part))
    return b"".join([count.to_bytes(8, "little"), *(o.to_bytes(8, "little") for o in offsets), *parts])
