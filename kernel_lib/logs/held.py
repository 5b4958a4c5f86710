"""How often a reading really changes: a logger may write one value into many rows, or draw a line between two."""

from __future__ import annotations

import weakref

import numpy as np

from .log import Log

QUICK_PART = 0.1
"""Part of the stretches of one value that may be shorter than the time between two readings; a choice of our own, no source."""
LEAST_STRETCHES = 8
"""Stretches of one value, or lines between readings, below which nothing is told of a log; a choice of our own, no source."""
LOOKED_ROWS, LONGEST_ROWS = 3000, 60
"""Rows in which lines between readings are looked for, where the values move most, and the most rows that one may take; choices of our own, no source."""
ROUNDING = 0.6
"""Part of the last digit that a reading drawn between two others lies off their line by rounding, root mean square: 0.4 where all three are rounded; the rest a choice of our own, no source."""
OFF_ELSEWHERE = 3.0
"""How many times as far rows lie off lines that begin at other rows than the readings; a choice of our own, no source."""

_KEPT: weakref.WeakKeyDictionary[Log, dict[str, tuple]] = weakref.WeakKeyDictionary()
"""What was once counted of a log, by the key of a channel: (the values, how often they were read)."""


def readings_a_second(log: Log, key: str) -> float | None:
    """Return how often a channel was read [1/s]: as stamped, or less where a value is held over many rows; None where the log has none.

    Parameters
    ----------
    log : Log
    key : str

    Notes
    -----
    The stretches of one and the same value are counted. A coarse but quick reading stands still at times and steps row by row at others; a held one never steps sooner than it is read. A value in a
    single row between two longer stretches comes from bringing the rows onto one clock. Where a logger draws lines between its readings, at every so manieth row, the rows between lie on them to the
    last digit, and only on those: a quick or a smooth reading lies off such lines wherever they begin.
    """
    if key not in log.data:
        return log.rate_hz.get(key)
    kept = _KEPT.setdefault(log, {})
    held = kept.get(key)
    if held is None or held[0]() is not log.data[key]:
        kept[key] = held = weakref.ref(log.data[key]), _read(log, key)
    return held[1]


def _read(log: Log, key: str) -> float | None:
    stamped = log.rate_hz.get(key)
    values = log.get(key)
    values = values[np.isfinite(values)]
    if stamped is None or len(values) < 2:
        return stamped
    stamped = min(stamped, 1 / (_line_rows(values) * log.step_s))
    edges = np.flatnonzero(np.diff(values) != 0)
    lengths = np.diff(edges)  # the first and the last stretch are cut by the log's ends
    if len(lengths) > 2:
        between = np.zeros(len(lengths), bool)
        between[1:-1] = (lengths[1:-1] == 1) & (lengths[:-2] >= 3) & (lengths[2:] >= 3)
        lengths = (lengths + np.append(between[1:], False))[~between]
    if len(lengths) < LEAST_STRETCHES:
        return stamped
    return min(stamped, 1 / (float(np.quantile(lengths, QUICK_PART)) * log.step_s))


def _line_rows(values: np.ndarray) -> int:
    """Rows from one reading to the next where a logger draws a line between them; 1 where it does not."""
    moves = np.abs(np.diff(values))
    steps = moves[moves > 0]
    if not len(steps):
        return 1
    if len(values) > LOOKED_ROWS:
        moved = np.concatenate([[0.0], np.cumsum(moves)])
        first = int((moved[LOOKED_ROWS:] - moved[:-LOOKED_ROWS]).argmax())
        values = values[first : first + LOOKED_ROWS]
    found = [rows for rows in range(2, LONGEST_ROWS + 1) if _on_lines(values, rows, float(steps.min()))]
    return max(found, default=1)


def _on_lines(values: np.ndarray, rows: int, digit: float) -> bool:
    """Whether values lie on lines from every so manieth to the next, for one place to begin and not for others."""
    lines = (len(values) - rows) // rows
    if lines < LEAST_STRETCHES:
        return False
    part, off = np.arange(rows) / rows, []
    for first in range(rows):
        block = values[first : first + lines * rows + 1]
        ends = block[::rows]
        off.append(
            np.sqrt(np.mean((block[:-1].reshape(lines, rows) - ends[:-1, None] - np.diff(ends)[:, None] * part) ** 2))
        )
    return min(off) <= ROUNDING * digit and float(np.median(off)) > OFF_ELSEWHERE * max(min(off), ROUNDING * digit / 3)
