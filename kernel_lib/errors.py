"""One family of errors: which argument, its value and unit, what is allowed, and why.

Every public function checks its arguments here, at its top, and computes nothing from a bad one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from numbers import Real

import numpy as np


class InputError(ValueError):
    """A value that cannot be computed with, told so that its owner can mend it.

    Parameters
    ----------
    field : str
        The argument or build-sheet key, e.g. ``"engine.bore_mm"``.
    value : object
        What was given.
    unit : str
        Unit of the value, ``""`` where it has none.
    allowed : str
        The values that are accepted, in words.
    reason : str
        Why the others are not.
    """

    def __init__(self, field: str, value: object, unit: str, allowed: str, reason: str) -> None:
        self.field, self.value, self.unit, self.allowed, self.reason = field, value, unit, allowed, reason
        super().__init__(self._sentence())

    def _sentence(self) -> str:
        try:
            shown = f"{self.value:.6g}" if isinstance(self.value, float) else repr(self.value)
        except (ValueError, RecursionError):  # an integer of thousands of digits, tables in tables in tables
            shown = f"something too long to show ({type(self.value).__name__})"
        shown = shown if len(shown) <= 80 else shown[:77] + "..."
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.field} is {shown}{unit}; allowed: {self.allowed}. {self.reason}"

    def __reduce__(self) -> tuple:
        return type(self), (self.field, self.value, self.unit, self.allowed, self.reason)


def _interval(low: float, high: float, unit: str, open_low: bool) -> str:
    tail = f" {unit}" if unit else ""
    if math.isinf(high):
        return f"{'above' if open_low else 'at least'} {low:g}{tail}"
    if open_low:
        return f"above {low:g} and up to {high:g}{tail}"
    return f"{low:g} to {high:g}{tail}"


def check_number(
    field: str, value: object, low: float, high: float, unit: str, reason: str, *, open_low: bool = False
) -> float:
    """Return `value` as a float if it is a finite real number within the limits.

    Parameters
    ----------
    field, unit, reason : str
        Passed on to the error.
    value : object
        A real number (a bool is not one).
    low, high : float
        Limits, both included.
    open_low : bool
        Exclude `low` itself.

    Raises
    ------
    InputError
        If it is not.
    """
    if isinstance(value, bool | np.bool_) or not isinstance(value, Real) or not math.isfinite(value):
        must = "It must be a finite number." if _is_number(value) else "It must be a number."
        raise InputError(field, value, unit, _interval(low, high, unit, open_low), must)
    number = float(value)
    if number < low or number > high or (open_low and number == low):
        raise InputError(field, number, unit, _interval(low, high, unit, open_low), reason)
    return number


def _is_number(value: object) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool | np.bool_)


def check_array(
    field: str, value: object, low: float, high: float, unit: str, reason: str, *, open_low: bool = False
) -> np.ndarray:
    """Return `value` as a float array if every element is finite and within the limits.

    Parameters are those of `check_number`; the error names the first offending element.
    """
    try:
        array = np.asarray(value)
    except (ValueError, TypeError) as exc:
        raise InputError(field, value, unit, _interval(low, high, unit, open_low), "It must be numbers.") from exc
    if array.dtype.kind not in "fiu" or array.size == 0:
        raise InputError(field, value, unit, _interval(low, high, unit, open_low), "It must be one or more numbers.")
    array = array.astype(float)
    bad = ~np.isfinite(array) | (array < low) | (array > high) | (open_low & (array == low))
    if bad.any():
        check_number(field, float(array[bad].flat[0]), low, high, unit, reason, open_low=open_low)
    return array


def check_choice(field: str, value: object, choices: tuple[str, ...], reason: str) -> str:
    """Return `value` if it is one of the `choices`, else raise `InputError`."""
    if not isinstance(value, str) or value not in choices:
        raise InputError(field, value, "", "one of " + ", ".join(choices), reason)
    return value


def check_rising(field: str, row: Iterable[float], unit: str, reason: str) -> None:
    """Raise `InputError` naming the first value of a row that does not rise above the one before it."""
    for before, after in itertools.pairwise(row):
        if after <= before:
            raise InputError(field, float(after), unit, f"more than {before:g}, which stands before it", reason)
