"""What every step of the lesson is: a question, a prediction, the computed answer, why, and one thing to try."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

from kernel_lib import BuildSheet, plan_shot
from kernel_lib.plan.plan import Plan
from kernel_lib.plan.tune import Tune, tune_of

from .. import theme
from ..frame import html
from ..picture import names


@dataclass(frozen=True)
class Choice:
    """A prediction by choosing one of several sentences.

    Attributes
    ----------
    options : tuple of str
        Templates, as all words of a step.
    """

    options: tuple[str, ...]


@dataclass(frozen=True)
class Number:
    """A prediction by a slider.

    Attributes
    ----------
    label, unit : str
        What is asked, in the unit in which it is asked (no switch: a percentage, degrees, milliseconds, lambda).
    span : (low, high, step)
        Of the slider; wide enough not to give the answer away, for every car.
    start : float
        Where the slider stands, far from no particular answer.
    digits : int
        Decimals.
    """

    label: str
    unit: str
    span: tuple[float, float, float]
    start: float
    digits: int = 0


@dataclass(frozen=True)
class Sketch:
    """A prediction by drawing: a handle at each place of the horizontal axis.

    Attributes
    ----------
    across, label, unit : str
        The horizontal axis with its unit ("engine speed, rpm"); what is drawn, and its unit.
    places : tuple of float
        Four to seven, rising.
    span : (low, high, step)
        Of the upright axis.
    start : float
        Where all handles stand.
    digits : int
        Decimals.
    """

    across: str
    label: str
    unit: str
    places: tuple[float, ...]
    span: tuple[float, float, float]
    start: float
    digits: int = 0


@dataclass(frozen=True)
class Knob:
    """One thing to try after the answer: a slider that moves the computed picture.

    Attributes
    ----------
    label, unit, span, start, digits
        As for `Number`; `start` is the state in which the answer was computed.
    hint : str
        A template: what to do with it and what to watch.
    """

    label: str
    unit: str
    span: tuple[float, float, float]
    start: float
    digits: int
    hint: str


Ask = Choice | Number | Sketch
Answer = int | float | tuple[float, ...]
"""Number of an option, a number, or the heights of a sketch."""


class LessonCar:
    """The car at hand, the reader's units, and what several steps compute of it, once.

    Parameters
    ----------
    sheet : BuildSheet
    system : str
        `display.US` or `display.METRIC`.
    """

    def __init__(self, sheet: BuildSheet, system: str) -> None:
        self.sheet, self.system = sheet, system

    def in_units(self, system: str) -> LessonCar:
        """Return the same car, with all that has been computed, for a reader of other units."""
        other = LessonCar(self.sheet, system)
        other.__dict__.update({k: v for k, v in self.__dict__.items() if k != "system"})
        return other

    @property
    def scale(self) -> float:
        """Gauge AFR at lambda 1."""
        return self.sheet.controller.gauge_scale

    @cached_property
    def plan(self) -> Plan:
        """The full hit over the spray window; takes seconds when new."""
        return plan_shot(self.sheet)

    @cached_property
    def tune(self) -> Tune:
        """As it comes in; takes seconds when new."""
        return tune_of(self.sheet)


class Step:
    """One step. A subclass states the words and computes; it keeps no state of a reader.

    Words are templates: plain text with ``{name}`` for what `facts` computes. They hold no digit but in a source's year, a formula
    (N2O, O2, CO2, H2O) or "lambda 1"; facts of the trade come from `kernel_lib.teach.rules.RULES` through `facts`, marked common practice.

    Attributes
    ----------
    key, title : str
        Name in links and records; two to five words for the list of steps.
    question : str
        The headline, a question.
    scene : tuple of str
        One or two short paragraphs that set the scene, before the prediction.
    why : tuple of str
        Two or three paragraphs in plain words, after it.
    sources : str
        Where the explanation is published, in words of the sources' table; empty where nothing is.
    knob : Knob
    """

    key: str
    title: str
    question: str
    scene: tuple[str, ...]
    why: tuple[str, ...]
    sources: str = ""

    def ask(self, car: LessonCar) -> Ask:
        """Return how the prediction is made."""
        raise NotImplementedError

    def knob(self, car: LessonCar) -> Knob:
        """Return the one thing to try."""
        raise NotImplementedError

    def facts(self, car: LessonCar) -> dict[str, str]:
        """Return every number of the words, computed, as text with its unit in the reader's units; with its band where a model made it."""
        raise NotImplementedError

    def finding(self, car: LessonCar) -> str:
        """Return the computed answer in one or two sentences, a template: the first sentence answers the question."""
        raise NotImplementedError

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        """Judge a prediction.

        Returns
        -------
        (str, str)
            One of `RIGHT`, `CLOSE`, `OFF`; and a template that names the difference to *this* answer and what acting on it would do to
            the engine: true for every answer that can be given, and different for different answers.
        """
        raise NotImplementedError

    def told(self, car: LessonCar, answer: Answer) -> str:
        """Return a prediction in words, for the record."""
        ask = self.ask(car)
        if isinstance(ask, Choice):
            return fill(ask.options[int(answer)], self.facts(car))
        if isinstance(ask, Number):
            return f"{answer:.{ask.digits}f} {ask.unit}".strip()
        heights = ", ".join(f"{v:.{ask.digits}f} at {x:g}" for x, v in zip(ask.places, answer, strict=True))
        return f"{heights} ({ask.unit}; {ask.across})"

    def tried(self, car: LessonCar, value: float) -> str:
        """Return a sentence, filled: what the picture shows with the knob there."""
        raise NotImplementedError

    def picture(self) -> LessonPicture:
        """Return a new picture."""
        raise NotImplementedError

    def warm(self, car: LessonCar) -> None:
        """Compute beforehand what would keep a reader waiting."""
        self.facts(car)


RIGHT, CLOSE, OFF = "right", "close", "off"


class LessonPicture:
    """A finding, a figure with the prediction in it, and a text alternative.

    A subclass builds the empty figure, draws the computed answer for a position of the knob (within 60 ms), and the prediction.
    Colours by meaning from `theme`; the prediction is `theme.GUESS`, dotted, named "you". Lines are named directly, no legend up to four.
    """

    def __init__(self) -> None:
        self.title, self.subtitle = html(), html("", "nw-hint")
        self.figure = self.build()

    def build(self) -> theme.Figure:
        """Return the empty figure, axes named with units."""
        raise NotImplementedError

    def guess(self, car: LessonCar, answer: Answer) -> None:
        """Draw the prediction; nothing where it has no place in the picture."""

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        """Draw the computed answer with the knob at a value.

        Returns
        -------
        (str, str)
            Title (the finding, a sentence with numbers) and subtitle (what is plotted), filled.
        """
        raise NotImplementedError


def guess_line() -> list:
    """Return the traces of a drawn prediction: the line and its name."""
    return [
        theme.line(theme.GUESS, dash="dot", width=2.6, hovertemplate="you: %{y}<extra></extra>"),
        names(theme.GUESS, "top center", text=["you"]),
    ]


def fill(template: str, facts: dict[str, str]) -> str:
    """Put computed numbers into words."""
    return template.format_map(facts)


_ALLOWED = re.compile(r"\{[^}]*\}|\b[12]\d{3}\b|\bN2O\b|\bO2\b|\bN2\b|\bCO2\b|\bH2O\b|\bCO\b|\bH2\b|\blambda 1\b")


def bare_numbers(template: str) -> list[str]:
    """Return what digits stand in words without having been computed; a year, a formula and lambda 1 are none."""
    return re.findall(r"\d[\d.,]*", _ALLOWED.sub("", template))
