"""The lesson: one step at a time, progress, and a record that can be printed."""

from __future__ import annotations

import asyncio
import datetime
import hashlib
from contextlib import suppress
from html import escape

import ipywidgets as w

from kernel_lib import InputError

from .. import display, download
from ..frame import box, html
from ..guard import guarded
from ..risk_view import running_loop
from ..session import Session
from ..timing_view import Refused
from .answers import read_back, written
from .exercise_view import Exercise
from .record import record_body, record_page
from .sketch import Keepsake
from .step import Answer, LessonCar, Step
from .step_view import StepView, judged
from .steps_charge import STEPS as CHARGE
from .steps_delivery import STEPS as DELIVERY
from .steps_engine import STEPS as ENGINE

STEPS: tuple[Step, ...] = (*CHARGE, *ENGINE, *DELIVERY)
EXERCISE = "exercise"
_SOON = 0.05  # s until a step's picture is made, out of sight


class Lesson:
    """One instance a page; its widgets are shown by the notebook, a cell each.

    Attributes
    ----------
    answer, page, record : widgets
    answers : dict
        What has been committed.
    """

    def __init__(self, session: Session) -> None:
        self.session, self.car = session, LessonCar(session.sheet, session.units)
        STEPS[0].warm(self.car)
        self.answers: dict[str, Answer] = {}
        self._views: dict[int, StepView] = {}
        self.exercise = Exercise(self.car, self._place(self.last), self._note)
        self.answer, self.record = html(self._welcome(), "nw-answer"), html("", "nw-record")
        self._error = html("", "nw-field-error")
        guard = guarded(
            lambda text: setattr(self._error, "value", escape(text)),
            lambda exc: display.refusal(exc, self.session.units),
        )
        self.marks = [w.Button(tooltip=title) for title in (*(s.title for s in STEPS), "Closing exercise")]
        for k, mark in enumerate(self.marks):
            mark.on_click(guard(lambda _b, k=k: self.go(k)))
        self.back, self.on = w.Button(description="back"), w.Button(description="next step")
        self.back.on_click(guard(lambda _b: self.go(self.at - 1)))
        self.on.on_click(guard(lambda _b: self.go(self.at + 1)))
        again = w.Button(description="start over", tooltip="forgets every prediction, here and in this browser")
        again.on_click(guard(lambda _b: self.forget()))
        self.keepsake = Keepsake(name=hashlib.sha256(session.sheet.to_toml().encode()).hexdigest()[:16])
        self.keepsake.observe(guard(lambda change: self.restore(change["new"])), "found")
        self._slot, self._progress = box([], "nw-stack"), html("", "nw-hint")
        steps = box(self.marks, "nw-row", "nw-marks")
        steps_on = box([self.back, self.on, again], "nw-row", "nw-onward")
        self.page = box(
            [self._progress, steps, self._error, self._slot, steps_on, self.keepsake], "nw-stack", "nw-lesson"
        )
        session.observe(self._units, "units")
        self.go(0)
        self._record()
        loop = running_loop()
        if loop is not None:
            self._warming = loop.create_task(self._warm(loop))

    @property
    def last(self) -> int:
        """Place of the closing exercise."""
        return len(STEPS)

    def _welcome(self) -> str:
        return (
            f"<p>{self.last + 1} questions about nitrous, each answered by computing <strong>{escape(self.session.sheet.car.name)}</strong>. Say what you expect before you "
            "look: what you got wrong is what you will remember. Allow most of an hour.</p>"
        )

    def _place(self, k: int) -> str:
        return f"Step {k + 1} of {self.last + 1}"

    def view(self, k: int) -> StepView:
        """Return a step's widgets, made when first looked at."""
        if k not in self._views:
            step = STEPS[k]
            view = StepView(step, self._place(k), self.car, lambda answer: self._committed(step.key, answer))
            self._views[k] = view
            self._take_kept(view)
        return self._views[k]

    def _take_kept(self, view: StepView) -> None:
        """Answer a step as the visitor's browser kept it; what cannot be computed for this car is asked anew."""
        key = view.step.key
        if view.answer is None and key in self.answers:
            try:
                view.take(self.answers[key])
            except InputError:
                del self.answers[key]

    def go(self, k: int) -> None:
        """Turn to a step."""
        self.at = min(max(k, 0), self.last)
        shown = self.exercise.widget if self.at == self.last else self.view(self.at).widget
        if shown not in self._slot.children:  # a picture taken off the page would come back as it was first drawn
            self._slot.children = [*self._slot.children, shown]
        for widget in self._slot.children:
            (widget.remove_class if widget is shown else widget.add_class)("nw-away")
        self._mark()
        loop = running_loop()
        if self.at == self.last:
            self.exercise.open()
        elif loop is not None:
            loop.call_later(_SOON, self._build, self.at)

    def _build(self, k: int) -> None:
        """Make the picture of a step that is being read."""
        if k == self.at:
            self.view(k).build()

    async def _warm(self, loop: asyncio.AbstractEventLoop) -> None:
        """Compute, out of the page's way, what later steps will need, so that nobody waits for it."""
        for step in STEPS[1:]:
            with suppress(InputError):  # told when the step is opened
                await loop.run_in_executor(None, step.warm, self.car)

    def _committed(self, key: str, answer: Answer) -> None:
        self.answers[key] = answer
        self._note()

    def _note(self) -> None:
        """Keep what has been predicted, in the visitor's browser and in the record."""
        self.keepsake.text = written(self.answers)
        self._mark()
        self._record()

    def restore(self, text: str) -> None:
        """Take up the predictions that the visitor's browser kept."""
        if self.answers:
            return
        self.answers = read_back(text, STEPS, self.car)
        for view in self._views.values():
            self._take_kept(view)
        self._note()

    def forget(self) -> None:
        """Start over."""
        self.answers, self._views, self._slot.children = {}, {}, []
        self.exercise = Exercise(self.car, self._place(self.last), self._note)
        self.keepsake.text = ""
        self.go(0)
        self._record()

    def _units(self, _change: object) -> None:
        self.car = self.car.in_units(self.session.units)
        for view in self._views.values():
            view.show(self.car)
        self.exercise.show(self.car)
        self._record()

    def _mark(self) -> None:
        """Show how far the reader is."""
        done = [step.key in self.answers for step in STEPS] + [self.exercise.done]
        for k, (mark, ready) in enumerate(zip(self.marks, done, strict=True)):
            mark.description = f"{k + 1} ✓" if ready else f"{k + 1}"
            (mark.add_class if k == self.at else mark.remove_class)("mod-active")
        self.back.disabled, self.on.disabled = self.at == 0, self.at == self.last
        self._progress.value = f"<span>{sum(done)} of {len(done)} done. Predict first: the computed answer opens when you commit. Nothing is stored on the server.</span>"

    def _record(self) -> None:
        """Write predictions and answers down."""
        rows = []
        for step in STEPS:
            if step.key in self.answers:
                with suppress(InputError):  # a kept prediction of a step that this car does not have
                    rows.append((step.title, *judged(step, self.car, self.answers[step.key])))
        rows += self.exercise.record()
        car = self.session.sheet.car.name
        body = record_body(rows, car, datetime.date.today())
        page = record_page(car, body)
        link = (
            download.link(
                "your record as a file", f"{download.stem(self.session.sheet)}_lesson.html", "text/html", page
            )
            if rows
            else ""
        )
        self.record.value = f'{body}<p class="nw-screen">{link}</p>'


def why_targets(session: Session) -> Lesson | Refused:
    """Return the lesson of a session, or the sentence why there is none."""
    try:
        return Lesson(session)
    except InputError as exc:
        return Refused(session, exc)
