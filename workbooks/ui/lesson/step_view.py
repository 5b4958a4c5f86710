"""One step on the screen: the question, the prediction, and what stays out of sight until it is committed."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

import ipywidgets as w

from kernel_lib import InputError

from .. import display
from ..fields import NumberField
from ..frame import box, glossed, html
from ..guard import guarded
from .answers import checked
from .sketch import SketchBoard
from .step import CLOSE, OFF, RIGHT, Answer, Choice, LessonCar, Number, Step, fill

MARKS = {
    RIGHT: ("nw-state-holds", "You had it."),
    CLOSE: ("nw-state-watch", "Close."),
    OFF: ("nw-state-stop", "Not so."),
}
"""How a prediction is judged: shape, word and colour."""


def paragraphs(templates: tuple[str, ...], facts: dict[str, str]) -> str:
    """Fill words and set them as paragraphs."""
    return glossed("".join(f"<p>{escape(fill(text, facts))}</p>" for text in templates))


class StepView:
    """A step with its widgets.

    Parameters
    ----------
    step : Step
    place : str
        "Step 3 of 15".
    car : LessonCar
    committed : callable
        Takes the checked prediction.
    """

    def __init__(self, step: Step, place: str, car: LessonCar, committed: Callable[[Answer], None]) -> None:
        self.step, self.place, self._committed = step, place, committed
        self.answer: Answer | None = None
        self._typed: float | None = None
        self._built = False
        self._ask = step.ask(car)
        self._head, self._why, self._said, self._tried, self._hint = (
            html(),
            html(),
            html("", "nw-answer"),
            html(),
            html(),
        )
        self._error = html("", "nw-field-error")
        self.button = w.Button(
            description="commit my prediction",
            tooltip="the computed answer is shown then; the prediction stays as it is",
        )
        self.button.on_click(guarded(self._say, lambda exc: display.refusal(exc, self.car.system))(self._commit))
        self._control = self._make_control()
        self._picture = box([], "nw-stack", "nw-picture", "nw-unseen")
        self._side = box([], "nw-notes", "nw-stack")
        figure = box(
            [self._head, self._control, self.button, self._error, self._said, self._picture], "nw-figure", "nw-stack"
        )
        self.widget = box([figure, self._side], "nw-panel", "nw-step")
        self.show(car)

    def _make_control(self) -> w.Widget:
        ask = self._ask
        if isinstance(ask, Choice):
            self._radio = w.RadioButtons(options=[("", k) for k in range(len(ask.options))], index=None)
            self._radio.add_class("nw-choices")
            return self._radio
        if isinstance(ask, Number):
            self._field = NumberField(ask.label, ask.unit, self._take, span=ask.span, digits=ask.digits)
            self._typed = ask.start
            return self._field.widget
        self._board = SketchBoard.of(ask)
        return box(
            [
                html(
                    f'<p class="nw-quiet">Draw: pull the handles, or use the arrow keys. {escape(ask.label)}, {escape(ask.unit)}, over {escape(ask.across)}.</p>'
                ),
                self._board,
            ],
            "nw-stack",
        )

    def show(self, car: LessonCar) -> None:
        """Write everything for a reader's units."""
        self.car, facts = car, self.step.facts(car)
        self._head.value = (
            f'<p class="nw-part">{escape(self.place)} · {escape(self.step.title)}</p><h2>{escape(fill(self.step.question, facts))}</h2>'
            f"{paragraphs(self.step.scene, facts)}"
        )
        if isinstance(self._ask, Choice):
            at = self._radio.index
            self._radio.options = [(fill(text, facts), k) for k, text in enumerate(self._ask.options)]
            self._radio.index = at
        elif isinstance(self._ask, Number):
            self._field.show(self._typed, display.METRIC)
        if self.answer is not None:
            self.drawn.guess(car, self.answer)
            self._reveal(facts)

    def _say(self, sentence: str) -> None:
        self._error.value = escape(sentence)

    def _take(self, value: float) -> None:
        self._typed = value

    def _commit(self, _button: object) -> None:
        ask = self._ask
        if isinstance(ask, Number) and self._field.error:
            raise InputError(
                ask.label,
                self._field.text.value,
                ask.unit,
                f"{ask.span[0]:g} to {ask.span[1]:g} {ask.unit}".strip(),
                "It is not a prediction yet.",
            )
        given = (
            self._radio.index
            if isinstance(ask, Choice)
            else self._typed
            if isinstance(ask, Number)
            else tuple(self._board.values)
        )
        self.take(checked(ask, given))
        self._committed(self.answer)

    def take(self, answer: Answer) -> None:
        """Show the computed answer beside a prediction; nothing changes where it cannot be computed."""
        ask = self._ask
        self.build()
        self.drawn.guess(self.car, answer)
        self.answer = answer
        if isinstance(ask, Choice):
            self._radio.index, self._radio.disabled = answer, True
        elif isinstance(ask, Number):
            self._typed = answer
            self._field.show(answer, display.METRIC)
            self._field.text.disabled = self._field.slider.disabled = True
        else:
            self._board.values, self._board.locked = list(answer), True
        if not isinstance(ask, Choice):  # words and picture have it from now on
            self._control.layout.display = "none"
        self.button.layout.display = self._error.layout.display = "none"
        self._reveal(self.step.facts(self.car))
        self._picture.remove_class("nw-unseen")

    def build(self) -> None:
        """Make the picture, out of sight as long as nothing is committed."""
        if self._built:
            return
        knob = self.step.knob(self.car)
        self.drawn = self.step.picture()
        self._slider = NumberField(knob.label, knob.unit, self._turn, span=knob.span, digits=knob.digits)
        self._at = knob.start
        self._slider.show(knob.start, display.METRIC)
        self._turned()
        self.drawn.figure.settle()
        self._built = True
        self._picture.children = [self.drawn.title, self.drawn.subtitle, self.drawn.figure]

    def _turn(self, value: float) -> None:
        before, self._at = self._at, value
        try:
            self._turned()
        except InputError:
            self._at = before
            raise

    def _turned(self) -> None:
        with self.drawn.figure.batch_update():
            title, subtitle = self.drawn.reveal(self.car, self._at)
        self.drawn.title.value, self.drawn.subtitle.value = (
            f"<h2>{escape(title)}</h2>",
            f"<span>{escape(subtitle)}</span>",
        )
        self._tried.value = f"<p>{escape(self.step.tried(self.car, self._at))}</p>"

    def _reveal(self, facts: dict[str, str]) -> None:
        kind, difference = self.step.verdict(self.car, self.answer)
        mark, word = MARKS[kind]
        said, found = fill(difference, facts), fill(self.step.finding(self.car), facts)
        you = f"You said {escape(self.step.told(self.car, self.answer))}. " if isinstance(self._ask, Number) else ""
        self._said.value = f'<p><span class="{mark}">{word}</span></p><p>{you}{escape(said)}</p><p>{escape(found)}</p>'
        source = f'<p class="nw-quiet">Sources: {escape(self.step.sources)}</p>' if self.step.sources else ""
        self._why.value = f"<h3>Why</h3>{paragraphs(self.step.why, facts)}{source}"
        hint = escape(fill(self.step.knob(self.car).hint, facts))
        self._hint.value = f"<h3>Try</h3><p>{hint}</p>"
        self._side.children = [self._why, self._hint, self._slider.widget, self._tried]
        self._turned()


def judged(step: Step, car: LessonCar, answer: Answer) -> tuple[str, str, str, str]:
    """Return prediction, judgement, difference and computed answer in words, for the record."""
    facts = step.facts(car)
    kind, difference = step.verdict(car, answer)
    return step.told(car, answer), MARKS[kind][1], fill(difference, facts), fill(step.finding(car), facts)
