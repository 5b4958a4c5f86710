"""The closing exercise: set up an engine that the reader has not met, and find what was wrong with a hit."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from html import escape

import ipywidgets as w

from kernel_lib import InputError
from kernel_lib.teach.exercise import OFF, RIGHT, SAFE, Hidden, Judged, Unmet, hidden, unmet

from .. import display
from ..fields import MaybeField
from ..frame import box, html
from ..guard import NOTHING, guarded, log
from ..risk_view import running_loop
from . import exercise_words as words
from .answers import checked
from .record import Row
from .step import Choice, LessonCar
from .step_view import MARKS as STEP_MARKS

MARKS = STEP_MARKS | {SAFE: ("nw-state-watch", "Safe, not good.")}


class Exercise:
    """Two tasks under each other; made when it is first turned to, as it takes seconds.

    Parameters
    ----------
    car : LessonCar
    place : str
        "Step 15 of 15".
    noted : callable
        Called when something has been handed in.
    """

    def __init__(self, car: LessonCar, place: str, noted: Callable[[], None]) -> None:
        self.car, self._noted = car, noted
        self.seed, self.fault_seed = 0, 0
        self.case: Unmet | None = None
        self.judged: list[Judged] | None = None
        self.hidden: Hidden | None = None
        self.said: int | None = None
        self._busy = False
        self._past: list[Row] = []
        self._error, self._told, self._result = html("", "nw-field-error"), html(), html("", "nw-table-scroll")
        self._fields = box([], "nw-columns-3")
        self._hand_in = self._button(
            "hand it in", "each number is judged beside what was computed", lambda _b: self.hand_in()
        )
        self._another = self._button("another engine", "a smaller or larger shot", lambda _b: self._next_engine())
        self._fault, self._found = html(), html("", "nw-answer")
        self._radio = w.RadioButtons(options=[], index=None)
        self._radio.add_class("nw-choices")
        self._commit = self._button("commit my finding", "the computed answer is shown then", lambda _b: self.commit())
        self._other = self._button("another hit", "with something else wrong", lambda _b: self._next_fault())
        head = f'<p class="nw-part">{escape(place)} · Closing exercise</p>'
        setting = [
            html(f"{head}<h2>Set up an engine you have not met</h2>"),
            self._told,
            self._error,
            self._fields,
            self._row(self._hand_in, self._another),
            self._result,
        ]
        finding = [
            html("<h2>Something is wrong with this hit: what?</h2>"),
            self._fault,
            self._radio,
            self._row(self._commit, self._other),
            self._found,
        ]
        self._body = box([*setting, *finding], "nw-stack")
        self.widget = box([self._body], "nw-panel", "nw-wide", "nw-step")
        self._body.add_class("nw-figure")

    @property
    def done(self) -> bool:
        """Whether both have been handed in."""
        return self.judged is not None and self.said is not None

    @staticmethod
    def _row(*buttons: w.Button) -> w.Box:
        return box(list(buttons), "nw-row")

    def _button(self, label: str, tip: str, pressed: Callable) -> w.Button:
        button = w.Button(description=label, tooltip=tip)
        button.on_click(guarded(self._say, lambda exc: display.refusal(exc, self.car.system))(pressed))
        return button

    def _say(self, sentence: str) -> None:
        self._error.value = escape(sentence)

    def open(self) -> None:
        """Compute what is missing, out of the page's way."""
        if self._busy or (self.case is not None and self.hidden is not None):
            return
        loop = running_loop()
        if loop is None:
            self._take(*self._compute())
            return
        self._busy, self._told.value = True, "<p>Computing an engine you have not met: some seconds.</p>"
        self._task = loop.create_task(self._later(loop))

    async def _later(self, loop: asyncio.AbstractEventLoop) -> None:
        try:
            found = await loop.run_in_executor(None, self._compute)
        except InputError as exc:
            self._say(display.refusal(exc, self.car.system))
        except Exception:
            log.exception("the closing exercise failed")
            self._say(NOTHING)
        else:
            self._take(*found)
        finally:
            self._busy = False

    def _compute(self) -> tuple[Unmet, Hidden | str]:
        case = self.case or unmet(self.car.sheet, self.seed)
        try:
            fault = hidden(
                self.car.sheet, self.car.tune.dosed, self.fault_seed, metric=self.car.system == display.METRIC
            )
        except InputError as exc:  # a car on which nothing flows has no hit to read
            fault = display.refusal(exc, self.car.system)
        return case, fault

    def _take(self, case: Unmet, fault: Hidden | str) -> None:
        if self.case is None:
            self.case = case
            self._entries = {
                e.key: MaybeField(
                    e.name,
                    e.unit,
                    lambda v, k=e.key: self._typed(k, v),
                    limits=(e.low, e.high, "The exercise reaches no further."),
                )
                for e in case.entries
            }
            self._given: dict[str, float] = dict.fromkeys(self._entries, math.nan)
            self._fields.children = [field.widget for field in self._entries.values()]
        self.hidden = fault if isinstance(fault, Hidden) else None
        if self.hidden:
            self._radio.options = [(f.name, k) for k, f in enumerate(self.hidden.choices)]
            self._radio.index = None
        self._no_fault = "" if self.hidden else str(fault)
        self.show(self.car)

    def _typed(self, key: str, value: float) -> None:
        self._given[key] = value

    def hand_in(self) -> None:
        """Judge the set-up; raises InputError where a field is empty or wrong."""
        if self.case is None:
            return
        for key, field in self._entries.items():
            if field.error or math.isnan(self._given[key]):
                raise InputError(
                    field.label,
                    field.text.value,
                    "",
                    "a number in every field",
                    "All of it belongs together on this engine.",
                )
        self.judged = self.case.judge(self._given)
        self._lock(True)
        self.show(self.car)
        self._noted()

    def commit(self) -> None:
        """Judge the finding."""
        if self.hidden is None:
            return
        self.said = checked(Choice(tuple(f.name for f in self.hidden.choices)), self._radio.index)
        self._radio.disabled = True
        self.show(self.car)
        self._noted()

    def _lock(self, locked: bool) -> None:
        """After it is handed in a set-up stays as it was."""
        self._hand_in.disabled = locked
        for field in self._entries.values():
            field.text.disabled = locked

    def _next_engine(self) -> None:
        if self._busy or self.case is None:
            return
        self._past += self._set_up_rows()
        self.seed, self.case, self.judged, self._fields.children, self._hand_in.disabled = (
            self.seed + 1,
            None,
            None,
            [],
            False,
        )
        self.open()

    def _next_fault(self) -> None:
        if self._busy:
            return
        self._past += self._fault_rows()
        self.fault_seed, self.hidden, self.said, self._radio.disabled = self.fault_seed + 1, None, None, False
        self.open()

    def show(self, car: LessonCar) -> None:
        """Write everything for a reader's units."""
        turned, self.car = car.system != self.car.system, car
        if self.case is None:
            return
        system = car.system
        if turned and self.hidden:  # the faults' own sentences are in units
            self.hidden = hidden(car.sheet, car.tune.dosed, self.fault_seed, metric=system == display.METRIC)
        self._told.value = (
            f"<p>{escape(words.engine(self.case, system))}</p><p>{escape(words.own(car.plan, car.sheet, system))}</p>"
            "<p>What would you set for the first hit? A plan's answer has a band; close is a good answer.</p>"
        )
        for key, field in self._entries.items():
            field.show(self._given[key], system)
        self._result.value = self._judgement() if self.judged else ""
        self._fault.value = (
            f"<p>{escape(words.evidence(self.hidden, car.scale) if self.hidden else self._no_fault)}</p>"
        )
        shown = None if self.hidden else "none"
        self._radio.layout.display = self._commit.layout.display = self._other.layout.display = shown
        self._found.value = ""
        if self.hidden and self.said is not None:
            mark, word = MARKS[RIGHT if self.said == self.hidden.truth else OFF]
            self._found.value = f'<p><span class="{mark}">{word}</span></p><p>{escape(words.found(self.hidden, self.said, car.scale))}</p>'

    def _judgement(self) -> str:
        rows = ""
        for j in self.judged:
            mark, word = MARKS[j.kind]
            cells = (j.entry.name, words.typed(j.entry, j.given, self.car.system), words.need(j.entry, self.car.system))
            said = f'<td><span class="{mark}">{word}</span> {escape(words.verdict(self.case, j))}</td>'
            rows += f"<tr>{''.join(f'<td>{escape(c)}</td>' for c in cells)}{said}</tr>"
        return f'<table class="nw-table nw-wordy"><thead><tr><th>what</th><th>you set</th><th>computed</th><th>the difference</th></tr></thead><tbody>{rows}</tbody></table>'

    def record(self) -> list[Row]:
        """Return what has been handed in, for the record."""
        return [*self._past, *self._set_up_rows(), *self._fault_rows()]

    def _set_up_rows(self) -> list[Row]:
        system = self.car.system
        return [
            (
                f"Closing exercise, {self.case.sheet.car.name}, {self.case.sheet.nitrous.shot_hp:g} hp: {j.entry.name}",
                words.typed(j.entry, j.given, system),
                MARKS[j.kind][1],
                words.verdict(self.case, j),
                words.need(j.entry, system),
            )
            for j in self.judged or []
        ]

    def _fault_rows(self) -> list[Row]:
        if self.hidden is None or self.said is None:
            return []
        kind = RIGHT if self.said == self.hidden.truth else OFF
        said, truth = self.hidden.choices[self.said].name, self.hidden.choices[self.hidden.truth].name
        return [
            (
                "Closing exercise: the hidden fault",
                said,
                MARKS[kind][1],
                words.found(self.hidden, self.said, self.car.scale),
                truth,
            )
        ]
