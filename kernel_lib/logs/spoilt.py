"""Cells that hide what was measured: words and numbers that make no sense are no blanks, and nothing is drawn across them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from .log import LEAN_END
from .read_column import ABOVE, UNKNOWN
from .stamps import step_of

if TYPE_CHECKING:
    from .channels import Channel
    from .match import Match
    from .read import RawLog

GUARDED = ("lambda_", "lambda_2", "knock", "timing_deg_btdc", "fuel_kpa")
"""What decides about an engine on nitrous: of these a number that makes no sense is never bridged."""
LAMBDAS = ("lambda_", "lambda_2")
GLITCH_S = 0.05
"""Numbers beyond the top of lambda for less than this are a glitch and not known, not lean: no gauge is so fast; a choice of our own, no source [s]."""
BEYOND = 0.05
"""Part of the values above 0 of a nitrous column that may lie beyond its top; a choice of our own, no source."""
_HIGH = 3


def refuse_nitrous(match: Match, values: np.ndarray, channel: Channel) -> None:
    """Refuse a nitrous column much of which lies beyond its limits: left out, a pull on nitrous would pass for one without.

    Parameters
    ----------
    match : Match
    values : array
        In the unit of the kernel.
    channel : Channel

    Raises
    ------
    InputError
        Where more than `BEYOND` of the values above 0 are more than the channel's top.
    """
    if match.key not in ("nitrous_duty_percent", "nitrous_on"):
        return
    with np.errstate(invalid="ignore"):
        on, beyond = int((values > channel.low).sum()), int((values > channel.high).sum())
    if beyond <= BEYOND * on:
        return
    unit = f" {channel.unit}" if channel.unit else ""
    why = f"{beyond} of the {on} values above {channel.low:g} lie beyond that in {match.unit}. State its unit, or leave the column out if no nitrous was sprayed."
    allowed = f"a column from {channel.low:g} to {channel.high:g}{unit}"
    raise InputError(f"column for {channel.label}", match.name, "", allowed, why)


def marks_of(
    raw: RawLog, match: Match, rows: np.ndarray | slice, values: np.ndarray, low: float, high: float
) -> np.ndarray | None:
    """Return what is marked in the rows of a column, numbers beyond its limits among them; None where nothing is.

    Parameters
    ----------
    raw : RawLog
    match : Match
    rows : array or slice
        The rows that are used.
    values : array
        In those rows, in the unit of the kernel.
    low, high : float
        Limits of the channel, in its unit.
    """
    told = raw.marks.get(match.column)
    marks = np.zeros(len(values), np.int8) if told is None else told[rows].copy()
    if match.key in GUARDED:
        with np.errstate(invalid="ignore"):
            marks[values < low] = UNKNOWN
            marks[values > high] = _HIGH if match.key in LAMBDAS else UNKNOWN
    elif match.key == "rpm":
        return None
    if match.key not in LAMBDAS or match.unit.startswith("1/"):
        marks[(marks == ABOVE) & ~np.isfinite(values)] = UNKNOWN
        marks[marks == ABOVE] = 0
    return marks if marks.any() else None


def count_lean(marks: np.ndarray) -> int:
    """Return how many numbers lie beyond the top of a column of lambda."""
    return int(np.count_nonzero(marks == _HIGH))


def settled(
    values: np.ndarray, marks: np.ndarray, time: np.ndarray, high: float, notes: list[str]
) -> tuple[np.ndarray, np.ndarray]:
    """Put the lean end into a column of lambda where its gauge was there; return what stays unknown, and what stands for "leaner than that".

    Parameters
    ----------
    values : array
        One for each stamp, NaN where there is none; changed in place.
    marks : array
        What is marked there; changed in place.
    time : array
        Stamps [s].
    high : float
        Top of the channel.
    notes : list of str
        What was read is added.
    """
    there = np.flatnonzero(np.isfinite(values) | (marks > 0))
    least = GLITCH_S / step_of(time[there]) - 1e-6 if len(there) > 1 else 1.0
    beyond = np.concatenate([[False], marks[there] == _HIGH, [False]])
    edges = np.flatnonzero(beyond[1:] != beyond[:-1])
    short = 0
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        marks[there[begin:end]] = ABOVE if end - begin >= least else UNKNOWN
        short += int(end - begin) if end - begin < least else 0
    if short:
        notes.append(
            f"Lambda: {short} value{'s' * (short != 1)} above {high:g} for less than {GLITCH_S:g} s left out, and nothing drawn across."
        )
    lean = (marks == ABOVE) & ~np.isfinite(values)
    if lean.any() and np.isfinite(values).any():  # of a column without any value nobody knows that it is lambda
        shown = np.nanmax(values)
        values[lean] = min(max(float(shown), LEAN_END), high)
        begin, count = time[np.argmax(lean)], int(lean.sum())
        notes.append(
            f"Lambda: {count} value{'s' * (count != 1)} beyond the lean end of the gauge, from {begin:.2f} s on; read as {values[lean][0]:.2f}, or leaner."
        )
    known = np.isfinite(values)
    return (marks == UNKNOWN) & ~known, (marks == ABOVE) & known


def between(time: np.ndarray, values: np.ndarray, unknown: np.ndarray, clock: np.ndarray) -> np.ndarray:
    """Return where on a clock [s] nothing is known: from the last value before an unknown one to the first after it."""
    good = np.flatnonzero(np.isfinite(values))
    places = np.unique(np.searchsorted(good, np.flatnonzero(unknown)))
    out = np.zeros(len(clock), bool)
    step = clock[1] - clock[0]
    for k in places:
        begin = time[good[k - 1]] + 1e-3 * step if k > 0 else -np.inf
        end = time[good[k]] - 1e-3 * step if k < len(good) else np.inf
        a, b = np.searchsorted(clock, (begin, end))
        out[a:b] = True
    return out
