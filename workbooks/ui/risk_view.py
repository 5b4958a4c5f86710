"""What if and how sure: the fault table, and a hit that is sampled while the page stays usable."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from typing import Any

import ipywidgets as w

from kernel_lib import BuildSheet, InputError
from kernel_lib.plan.dose import Dosed
from kernel_lib.plan.faults import Fault, faults
from kernel_lib.plan.risk import Risk, monte_carlo
from kernel_lib.plan.room import map_key

from . import display
from . import risk_words as words
from .exploration import labelled
from .frame import Sight, box, html
from .guard import NOTHING, log
from .picture import Block
from .risk_pictures import DriversPicture, MarginsPicture, RiskPicture
from .session import Session

SAMPLES = (500, 2000, 5000)
_LATER = 0.5  # s without a movement, until the faults of a new dose are computed


def dose_key(r: Any) -> tuple:
    """What faults and risk depend on."""
    d = r.dosed
    return r.sheet, d.rpm.tobytes(), d.share.tobytes(), d.retard_deg.tobytes(), d.full_flow


def sampled_key(r: Any) -> tuple:
    """What a sampled hit depends on: not on what cuts in, nor on the fuel's lead."""
    n = r.sheet.nitrous
    return map_key(r.sheet), n.pulse_hz, n.nitrous_valve_lag_ms, n.nitrous_valve_close_ms, *dose_key(r)[1:]


def flows(r: Any) -> bool:
    """Whether any nitrous flows."""
    return bool(len(r.dosed.rpm)) and bool((r.dosed.share > 0).any())


class FaultsBlock(Block):
    """What if: every fault for this dose. While controls move it shows the last one, greyed."""

    def __init__(self) -> None:
        self._kept: tuple[tuple, list[Fault]] | None = None
        self._waiting: asyncio.TimerHandle | None = None
        super().__init__()

    def draw(self, r: Any, scale: float, system: str, session: Session) -> None:
        if self._waiting:
            self._waiting.cancel()
            self._waiting = None
        loop = running_loop()
        if self._kept is None or self._kept[0] == (dose_key(r), system) or loop is None:
            self._now(r, scale, system, session)
            return
        self.widget.add_class("nw-stale")
        self._waiting = loop.call_later(_LATER, self._now, r, scale, system, session)

    def _now(self, r: Any, scale: float, system: str, session: Session) -> None:
        super().draw(r, scale, system, session)
        self.widget.remove_class("nw-stale")

    def write(self, r: Any, _scale: float, system: str, _session: Session) -> tuple[str, str]:
        if not flows(r):
            return "No faults: nothing flows", "<p>Without nitrous there is nothing here that can fail.</p>"
        key = (dose_key(r), system)
        if self._kept is None or self._kept[0] != key:
            try:
                self._kept = key, faults(r.sheet, r.dosed, metric=system == display.METRIC)
            except InputError as exc:
                return "The faults of this dose cannot be computed", f"<p>{escape(display.refusal(exc, system))}</p>"
        every = self._kept[1]
        return words.fault_title(every), words.plain_html(words.fault_text(every)) + words.fault_html(every, system)


@dataclass(frozen=True, eq=False)
class Sampled:
    """What the pictures are made of: a car, its dose, and the hit as sampled."""

    sheet: BuildSheet
    dosed: Dosed
    risk: Risk


class Stopped(Exception):
    """Raised inside a run that the visitor ended."""


def running_loop() -> asyncio.AbstractEventLoop | None:
    """The loop that serves this page, or None in plain Python."""
    try:
        return asyncio.get_running_loop()
    except RuntimeError:
        return None


class RiskPanel:
    """How sure: a button, a bar of progress, and the pictures of the last run. It has what a page asks of a picture: widget, sight, draw, settle.

    Attributes
    ----------
    controls : list of widgets
        To stand beside the pictures.
    shown : Sampled or None
        The last run.
    """

    def __init__(self) -> None:
        self.shown: Sampled | None = None
        self._now: tuple | None = None  # what was drawn last: result, scale, system, session
        self._key: tuple | None = None  # of the dose that was sampled
        self._stop, self.task = threading.Event(), None
        self.title, self.note, self.error, self.quiet = html(), html("", "nw-hint"), html("", "nw-field-error"), html("", "nw-assumes")  # fmt: skip
        self.samples = w.Dropdown(
            options=[(f"{n} hits", n) for n in SAMPLES], value=2000, tooltip="how many hits are sampled"
        )
        self.seed = w.BoundedIntText(value=1, min=0, max=99999, tooltip="seed")
        self.seed.add_class("nw-number")
        self.button = w.Button(description="sample this dose", tooltip="compute thousands of hits of this dose")
        self.button.on_click(lambda _: self.press())
        self.bar = w.FloatProgress(value=0.0, min=0.0, max=1.0, layout=w.Layout(width="auto", visibility="hidden"))
        self.bar.tooltip = "share of the hits that is computed"
        self.controls = [
            html("<h2>Sample</h2>"), labelled("hits", self.samples), labelled("seed: the same one repeats the same hits", self.seed), self.button,
            self.bar, self.note, self.error,
        ]  # fmt: skip
        self.pictures = [RiskPicture(), MarginsPicture(), DriversPicture()]
        self._drawn = box([p.widget for p in self.pictures], "nw-stack")
        self._drawn.layout.display = "none"
        self.sight = Sight()
        self.widget = box([self.title, self._drawn, self.quiet, self.sight], "nw-stack")
        self._empty()

    def _empty(self) -> None:
        """Say what stands here before the first run."""
        self.title.value = "<h2>How sure is this? Nobody has sampled this dose yet</h2><p>Some seconds of computing tell how often one hit would cross a limit.</p>"

    def settle(self) -> None:
        """Make what has been drawn the state a browser starts from."""
        for picture in self.pictures:
            picture.settle()

    def draw(self, r: Any, scale: float, system: str, session: Session) -> None:
        """Take a new result; the pictures stay those of the last run, greyed where the dose is another."""
        self._now = r, scale, system, session
        if self.shown is not None:
            for picture in self.pictures:
                picture.draw(self.shown, scale, system, session)
            self.quiet.value = escape(words.assumes(self.shown.risk))
        self._age()

    def _age(self) -> None:
        """Grey the pictures and say so where they belong to another dose."""
        if self.task is not None or self._now is None:
            return
        old = self.shown is not None and sampled_key(self._now[0]) != self._key
        (self._drawn.add_class if old else self._drawn.remove_class)("nw-stale")
        said = "The dose has changed since: sample it anew." if old else ""
        self.note.value = f"<span>{said}</span>"

    def press(self) -> None:
        """Begin a run, or end the one that runs; in plain Python without a loop it runs straight."""
        if self.task is not None:
            self._stop.set()
            return
        if self._now is None:
            return
        r = self._now[0]
        self.error.value = ""
        if not flows(r):
            self.error.value = "No nitrous flows with this dose: there is nothing to sample."
            return
        loop = running_loop()
        self._stop.clear()
        if loop is None:
            self._end(r, self._try(lambda: self._sample(r, self._show)))
            return
        self._begin()
        self.task = loop.create_task(self._later(loop, r))

    def _sample(self, r: Any, progress: Callable[[int, int], None]) -> Risk:
        return monte_carlo(r.sheet, r.dosed, samples=self.samples.value, seed=self.seed.value, progress=progress)

    async def _later(self, loop: asyncio.AbstractEventLoop, r: Any) -> None:
        """Sample in a thread of its own; the loop goes on serving the page."""

        def progress(done: int, of: int) -> None:
            if self._stop.is_set():
                raise Stopped
            loop.call_soon_threadsafe(self._show, done, of)

        try:
            found = await loop.run_in_executor(None, self._try, lambda: self._sample(r, progress))
        finally:
            self.task = None
            self.button.description, self.bar.layout.visibility = "sample this dose", "hidden"
        self._end(r, found)

    @staticmethod
    def _try(run: Callable[[], Risk]) -> Risk | Exception:
        try:
            return run()
        except (InputError, Stopped) as exc:
            return exc
        except Exception as exc:
            log.exception("sampling a hit failed")
            return exc

    def _begin(self) -> None:
        self.button.description, self.bar.value, self.bar.layout.visibility = "stop", 0.0, "visible"
        self.note.value = "<span>Computing; the rest of the page stays usable.</span>"

    def _show(self, done: int, of: int) -> None:
        """Move the bar; every tenth of the way is told in words."""
        self.bar.value = done / of
        self.note.value = f"<span>{words.counts(done, of)}</span>"

    def _end(self, r: Any, found: Risk | Exception) -> None:
        """Draw what was found, or say why there is nothing."""
        self.note.value = ""
        if isinstance(found, Stopped):
            self.note.value = "<span>Stopped; the pictures are those of the run before, if there was one.</span>"
        elif isinstance(found, InputError):
            self.error.value = escape(display.refusal(found, self._now[2]))
        elif isinstance(found, Exception):
            self.error.value = NOTHING
        else:
            self.shown, self._key = Sampled(r.sheet, r.dosed, found), sampled_key(r)
            self.title.value, self._drawn.layout.display = "", None
            self.draw(*self._now)
