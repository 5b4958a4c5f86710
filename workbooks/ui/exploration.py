"""A page that is explored: controls beside pictures, and what happens between them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from html import escape
from typing import Any

import ipywidgets as w

from kernel_lib import BuildSheet, InputError

from . import display
from .fields import NumberField
from .frame import box, html
from .guard import guarded
from .picture import Picture
from .session import Session


class Exploration:
    """Inputs, the result computed from them, and the pictures of it. A page derives from it.

    Attributes
    ----------
    answer, page : widgets
        Shown by the notebook, a cell each.
    inputs, result : object
        Frozen dataclasses; the result is the last good one.
    """

    compute: Callable[[BuildSheet, Any], Any]

    def __init__(self, session: Session, inputs: Any, pictures: list[Picture], controls: type[Controls]) -> None:
        self.session, self.inputs, self.pictures = session, inputs, pictures
        self.result = self.compute(session.sheet, inputs)
        self.answer = html("", "nw-answer")
        self._assumes, self._stale = html("", "nw-assumes"), html("", "nw-field-error")
        self.controls = controls(self)
        self.page = self.compose()
        session.observe(self.redraw, "units")
        self.redraw()
        for picture in pictures:
            picture.settle()

    def compose(self) -> w.Box:
        """Lay the page out: pictures in a column, controls beside them."""
        figures = box([*(p.widget for p in self.pictures), self._assumes], "nw-figure", "nw-stack")
        first, *rest = self.controls.widgets
        side = box([first, self._stale, *rest], "nw-notes", "nw-stack", "nw-sticky")
        return box([figures, side], "nw-panel")

    def say(self, scale: float, system: str) -> tuple[str, str]:
        """Return the answer and what it assumes, as HTML."""
        raise NotImplementedError

    def set(self, **changes: object) -> None:
        """Move controls; raises InputError and keeps everything where the new position does not fit."""
        inputs = replace(self.inputs, **changes)
        result, before = self.compute(self.session.sheet, inputs), (self.inputs, self.result)
        self.inputs, self.result = inputs, result
        try:
            self.redraw()
        except Exception:
            self.inputs, self.result = before
            raise

    def mark(self, _sentence: str = "") -> None:
        """Grey answer and pictures while any control holds something that could not be computed."""
        wrong = self.controls.wrong
        self._stale.value = "Not recomputed: answer and pictures are the last that could be." if wrong else ""
        for widget in (self.answer, *(picture.widget for picture in self.pictures)):
            (widget.add_class if wrong else widget.remove_class)("nw-stale")

    def redraw(self, _change: object = None) -> None:
        """Draw everything anew, what is looked at first."""
        scale, system = self.session.sheet.controller.gauge_scale, self.session.units
        for picture in sorted(self.pictures, key=lambda p: -p.sight.share):
            picture.draw(self.result, scale, system, self.session)
        self.answer.value, self._assumes.value = self.say(scale, system)
        self.controls.show(self.result, scale, system)


class Controls:
    """What can be moved, and the way each movement takes to the model. A page derives from it."""

    widgets: list[w.Widget]

    def __init__(self, view: Exploration) -> None:
        self.view, self.quiet, self.error = view, False, html("", "nw-field-error")

    @property
    def fields(self) -> tuple[NumberField, ...]:
        """All number fields."""
        raise NotImplementedError

    def show(self, result: Any, scale: float, system: str) -> None:
        """Display what the model holds."""
        raise NotImplementedError

    @property
    def scale(self) -> float:
        """AFR that the car's gauge shows at lambda 1."""
        return self.view.session.sheet.controller.gauge_scale

    @property
    def wrong(self) -> bool:
        """Whether any control shows a sentence."""
        return bool(self.error.value) or any(field.error for field in self.fields)

    def number(
        self,
        label: str,
        unit: str,
        change: Callable[[float], dict],
        span: tuple,
        digits: int | None = None,
        hint: str = "",
    ) -> NumberField:
        """Return a number field with a slider that changes the view's inputs."""
        field = NumberField(label, unit, lambda v: self.view.set(**change(v)), span=span, digits=digits, hint=hint)
        self.listen(field)
        return field

    def listen(self, field: NumberField) -> None:
        """Grey the pictures while this field shows a sentence."""
        field.heard = self.view.mark

    def choice(self, name: str, options: list, change: Callable[[Any], dict]) -> w.ToggleButtons:
        """Return a choice between words that changes the view's inputs."""
        toggle = w.ToggleButtons(options=options, tooltips=[f"{name}: {label}" for label, _ in options])
        toggle.observe(self.guarded(lambda c: self.move(change(c["new"]))), "value")
        return toggle

    def guarded(self, callback: Callable) -> Callable:
        """Return a callback whose refusal is shown under the controls, in the reader's units."""
        return guarded(self.say, lambda exc: display.refusal(exc, self.view.session.units))(callback)

    def say(self, sentence: str) -> None:
        """Show a sentence under the controls."""
        self.error.value = escape(sentence)
        self.view.mark()

    def move(self, changes: dict) -> None:
        """Change the view's inputs; where that is refused, show what the model holds."""
        if self.quiet:
            return
        try:
            self.view.set(**changes)
        except InputError:
            self.show(self.view.result, self.scale, self.view.session.units)
            raise

    @contextmanager
    def hushed(self) -> Iterator[None]:
        """While the controls are set by us they do not answer."""
        self.quiet = True
        try:
            yield
        finally:
            self.quiet = False

    @staticmethod
    def refill(slot: w.Box, children: list) -> None:
        """Put widgets into a box, but not those that are there already."""
        if list(slot.children) != children:
            slot.children = children


def labelled(label: str, widget: w.Widget) -> w.Box:
    """Return a widget with its label above."""
    return box([html(f"<label>{escape(label)}</label>", "nw-label"), widget], "nw-field", "nw-stack")
