"""Clock times whose last part is no decimal fraction: numbers without leading noughts, frames; and clocks of twelve hours."""

from __future__ import annotations

import numpy as np

from .read_cells import CLOCK, bare

ENOUGH = 20
"""Different stamps from which the way of writing can be told; a choice of our own, no source."""
FRAMES = (24, 25, 30, 50, 60)
"""Frames a second that clocks with frames count; common practice, no source."""
_HALF_DAY, _ROOM_S = 43200.0, 60.0


def fractions(found: list[str], seconds: np.ndarray) -> tuple[np.ndarray, str]:
    """Read the last part of clock times anew where it is no decimal fraction.

    Parameters
    ----------
    found : list of str
        Different cells, in their order.
    seconds : array
        What was read, the last part as decimals; NaN where a cell is no clock time [s].

    Returns
    -------
    array, str
        Seconds, and what is to be said of it ("" where nothing was changed).
    """
    parts = [_part(text) if np.isfinite(s) else None for text, s in zip(found, seconds, strict=True)]
    at = np.flatnonzero([p is not None for p in parts])
    if len(at) < ENOUGH:
        return seconds, ""
    digits = [parts[k][1] for k in at]
    numbers, widths = np.array([int(d) for d in digits]), np.array([len(d) for d in digits])
    whole = seconds[at] - numbers / 10.0**widths
    made, said = None, ""
    if widths.min() < widths.max() and not any(len(d) > 1 and d[0] == "0" for d in digits):
        each = 10 ** int(widths.max())
        made, said = whole + numbers / each, f"the part behind the seconds counts up to {each}, without leading noughts"
        if _back(made) >= _back(seconds[at]):
            made = None
    elif (widths == 2).all() and all(parts[k][0] == ":" for k in at):
        each = int(numbers.max()) + 1
        if each in FRAMES and len(np.unique(numbers)) == each and np.ptp(whole) >= 3:
            made, said = whole + numbers / each, f"the part behind the seconds counts {each} frames a second"
    if made is None:
        return seconds, ""
    out = seconds.copy()
    out[at] = made
    return out, said


def half_days(values: np.ndarray, found: list[str]) -> tuple[np.ndarray, bool]:
    """Carry a clock of twelve hours on where it passes from 12 to 1; return seconds, and whether it does.

    Parameters
    ----------
    values : array
        Seconds after midnight, a row each; NaN where there is none.
    found : list of str
        Different cells.
    """
    there = np.flatnonzero(np.isfinite(values))
    back = np.diff(values[there])
    turns = (back >= -_HALF_DAY - _ROOM_S) & (back < -_HALF_DAY + _ROOM_S)
    if not turns.any() or not all(1 <= hour <= 12 for text in found if (hour := _hour(text)) is not None):
        return values, False
    out = values.copy()
    out[there[1:]] += _HALF_DAY * np.cumsum(turns)
    return out, True


def _part(text: str) -> tuple[str, str] | None:
    """Separator and digits behind the seconds of a clock time with hours."""
    clock = CLOCK.fullmatch(bare(text))
    if clock is None or clock[4] is None or clock[5] is None:
        return None
    start = clock.start(5)
    return bare(text)[start - 1], clock[5]


def _hour(text: str) -> int | None:
    """Hour of a clock time with seconds; 0 where it says which half of the day, so that it is none of twelve hours alone."""
    clock = CLOCK.fullmatch(bare(text))
    if clock is None or clock[4] is None:
        return None
    return 0 if clock[6] else int(clock[2])


def _back(seconds: np.ndarray) -> int:
    return int(np.count_nonzero(np.diff(seconds) < 0))
