"""Fields that say what is wrong: a number that does not fit stays as typed, with a sentence under it, and changes nothing."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from html import escape

import ipywidgets as w
import traitlets

from kernel_lib import InputError

from . import display
from .frame import box, html
from .guard import guarded

NO_CHOICE = ""
"""What a list holds where nothing is chosen: never None, which a Dropdown of ipywidgets 8.1 takes for the entry or for no entry at all, whichever its traits' hashes put first."""


class OpenSlider(w.FloatSlider):
    """A slider that does not clamp without a word: a value past its ends reaches the model, which refuses it in a sentence."""

    @traitlets.validate("value")
    def _validate_value(self, proposal: dict) -> float:
        return proposal["value"]

    @traitlets.validate("min")
    def _validate_min(self, proposal: dict) -> float:
        return proposal["value"]

    @traitlets.validate("max")
    def _validate_max(self, proposal: dict) -> float:
        return proposal["value"]


def parse_number(label: str, typed: str, unit: str) -> float:
    """Read a number as people type it (comma or point); raise InputError where it is none."""
    text = typed.strip().replace(" ", "")
    text = text.replace(",", ".") if text.count(",") == 1 and "." not in text else text
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(label, typed, unit, "a number", "It cannot be read as one.")
    return value


def parse_row(label: str, text: str, unit: str) -> tuple[float, ...]:
    """Read a row of numbers as people type or paste it: blanks, commas, semicolons, tabs or lines between, a decimal comma where blanks or semicolons divide.

    Raises
    ------
    InputError
        Naming what cannot be read.
    """
    tidy = text.replace("\t", " ").replace("\n", " ").replace(";", " ").strip()
    parts = tidy.split()
    if len(parts) == 1 and parts[0].count(",") >= 1:
        parts = parts[0].split(",")
    out = []
    for part in parts:
        if len(parts) > 1 and re.search(r"\d,\d{3}", part):
            raise InputError(
                label,
                part,
                unit,
                "numbers with blanks between",
                "A comma may divide numbers or stand for the point: here nobody can tell.",
            )
        plain = part.strip().rstrip(",").replace(",", ".")
        if not plain:
            continue
        try:
            value = float(plain)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise InputError(label, part, unit, "numbers with blanks between", "It cannot be read as one.")
        out.append(value)
    if not out:
        raise InputError(label, text, unit, "numbers with blanks between", "There is none in it.")
    if len(out) > 40:
        raise InputError(label, len(out), "values", "up to 40 values", "A table of a controller is no longer.")
    return tuple(out)


class NumberField:
    """Label, typed field, unit, a quiet line, and room for a sentence; with a slider if a range is given.

    Parameters
    ----------
    label, hint : str
        What it is; where it is read.
    unit : str
        As the build sheet has it; displayed in the page's units.
    commit : callable
        Takes the value in that unit; may raise InputError, then nothing changes.
    span : (low, high, step), optional
        Of the slider, in that unit.
    limits : (low, high, why), optional
        What is accepted, in that unit; those of the slider if there is one.
    digits : int, optional
        Decimals shown; as many as were meant if None.
    """

    def __init__(
        self,
        label: str,
        unit: str,
        commit: Callable[[float], None],
        *,
        hint: str = "",
        span: tuple | None = None,
        limits: tuple | None = None,
        digits: int | None = None,
    ):
        self.label, self._unit, self._commit, self._span = label, unit, commit, span
        self._limits = limits or ((*span[:2], "The picture does not reach further.") if span else None)
        self._digits = digits
        self._system, self._value, self._quiet, self._handle = display.US, math.nan, False, math.nan
        self.heard: Callable[[str], None] | None = None
        self.text = w.Text(continuous_update=False, layout=w.Layout(width="7em"))
        self.text.add_class("nw-number")
        self._name, self._unit_label = html("", "nw-label"), html("", "nw-unit")
        self._error = html("", "nw-field-error")
        self._hint = html(f"<span>{escape(hint)}</span>" if hint else "", "nw-hint")
        self.slider = None
        if span:
            ends = dict(zip(("min", "max", "step"), span, strict=True))
            self.slider = OpenSlider(
                value=span[0], **ends, readout=False, continuous_update=True, tooltip=f"{label} [{unit}]"
            )
        self._row = box([self._name, self.text, self._unit_label], "nw-row", "nw-field-row")
        parts = [self._row, *([self.slider] if span else []), *([self._hint] if hint else []), self._error]
        self.widget = box(parts, "nw-field", "nw-stack")
        self.text.observe(guarded(self.say, self._tell)(self._typed), "value")
        if self.slider:
            self.slider.observe(guarded(self.say, self._tell)(self._slid), "value")

    def say(self, sentence: str) -> None:
        """Show a sentence under the field, or clear it; tell whoever wants to know."""
        changed = bool(sentence) != bool(self._error.value)
        self._error.value = escape(sentence)
        if self.heard and changed:
            self.heard(sentence)

    def _tell(self, exc: InputError) -> str:
        return display.refusal(exc, self._system)

    def rescale(self, unit: str, limits: tuple[float, float, str]) -> None:
        """Take another unit and other limits, for what the next sheet states on another scale."""
        self._unit, self._limits, self._value = unit, limits, math.nan

    def beside(self, other: NumberField) -> None:
        """Put another field, the same quantity in other words, into this one's row; they share the sentence."""
        other._error = self._error
        self._row.children = [*self._row.children, other._name, other.text]

    @property
    def error(self) -> str:
        """The sentence under the field, escaped."""
        return self._error.value

    def show(self, value: float, system: str) -> None:
        """Display a value that the model holds."""
        same = value == self._value or (math.isnan(value) and math.isnan(self._value))
        if self._error.value and same and system == self._system:
            return  # what was typed stays, with its sentence, until it is mended
        self._system, self._value = system, value
        to = display.shown(self._unit, system)
        self._quiet = True
        try:
            self._name.value = f"<label>{escape(self.label)}</label>"
            self._unit_label.value = escape(to.unit)
            self.text.value = (
                display.typed(value, self._unit, system)
                if self._digits is None or math.isnan(value)
                else f"{to.there(value):.{self._digits}f}"
            )
            self.text.tooltip = f"{self.label} [{to.unit}]"
            if self.slider:
                self._show_slider(value)
        finally:
            self._quiet = False
        self.say("")

    def _show_slider(self, value: float) -> None:
        """Put the handle on the step next to the value: a browser rounds to steps and would send its own number back.

        The slider stays in the build sheet's unit whatever is displayed: were its ends to change with the units, the browser
        would send the old number back as if it were one of the new unit.
        """
        low, high, step = self._span
        self.slider.min, self.slider.max = low, high
        self._handle = low + round((value - low) / step) * step
        if (
            not abs(self.slider.value - self._handle) <= 1e-6 * step
        ):  # a last digit set right would push back a handle that moves on
            self.slider.value = self._handle

    def _typed(self, change: dict) -> None:
        if not self._quiet:
            to = display.shown(self._unit, self._system)
            self._take(to.back(parse_number(self.label, change["new"], to.unit)))

    def _slid(self, change: dict) -> None:
        """Take a moved handle; one that a browser sends back where we put it, but for a last digit, was not moved."""
        if not self._quiet and not abs(change["new"] - self._handle) <= 1e-6 * self._span[2]:
            self._take(change["new"])

    def _take(self, value: float) -> None:
        if self._limits:
            self._check(value, display.shown(self._unit, self._system))
        self._commit(value)
        self.say("")
        self.show(value, self._system)

    def _check(self, value: float, to: display.Shown) -> None:
        low, high, why = self._limits
        slack = 1e-9 * (abs(low) + abs(high))
        if not low - slack <= value <= high + slack:
            ends = sorted((to.there(low), to.there(high)))
            allowed = f"{display.plain(ends[0])} to {display.plain(ends[1])} {to.unit}".strip()
            raise InputError(self.label, to.there(value), to.unit, allowed, why)


class MaybeField(NumberField):
    """A number that may be unknown: empty, and NaN to whoever listens."""

    def show(self, value: float, system: str) -> None:
        """Display a value that the model holds, or nothing."""
        if not math.isnan(value):
            super().show(value, system)
            return
        if self.error and self._value is value and self._system == system:
            return
        super().show(0.0, system)
        self._value, self._quiet = value, True
        try:
            self.text.value = ""
        finally:
            self._quiet = False

    def _typed(self, change: dict) -> None:
        if not self._quiet and not change["new"].strip():
            self._commit(math.nan)
            self.say("")
        else:
            super()._typed(change)


class RowField:
    """A row of numbers, typed or pasted, with room for a sentence."""

    def __init__(
        self, label: str, unit: str, commit: Callable[[tuple], None], heard: Callable[[], None], hint: str = ""
    ) -> None:
        self.label, self.unit, self._commit, self._quiet = label, unit, commit, False
        self.text = w.Text(continuous_update=False, layout=w.Layout(width="auto"))
        self._name, self._error = html("", "nw-label"), html("", "nw-field-error")
        self._heard = heard
        parts = [
            self._name,
            self.text,
            *([html(f"<span>{escape(hint)}</span>", "nw-hint")] if hint else []),
            self._error,
        ]
        self.widget = box(parts, "nw-field", "nw-stack")
        self.text.observe(guarded(self.say, lambda exc: display.refusal(exc, display.US))(self._typed), "value")

    def rename(self, label: str, unit: str) -> None:
        """Take another name and unit."""
        self.label, self.unit = label, unit

    @property
    def error(self) -> str:
        """The sentence under the field, escaped."""
        return self._error.value

    def say(self, sentence: str) -> None:
        """Show a sentence under the field, or clear it."""
        changed = bool(sentence) != bool(self._error.value)
        self._error.value = escape(sentence)
        if changed:
            self._heard()

    def show(self, values: tuple[float, ...]) -> None:
        """Display what the model holds; what was refused stays as typed."""
        self._name.value = f"<label>{escape(self.label)}, {escape(self.unit)}</label>"
        if self._error.value:
            return
        self._quiet = True
        try:
            self.text.value = "  ".join(display.plain(v) for v in values)
            self.text.tooltip = f"{self.label} [{self.unit}]"
        finally:
            self._quiet = False

    def _typed(self, change: dict) -> None:
        if self._quiet:
            return
        values = parse_row(self.label, change["new"], self.unit)
        had, self._error.value = bool(self._error.value), ""  # so that what the model holds is displayed
        self._commit(values)
        if had:
            self._heard()
