"""More than one column of time: what belongs to another clock must not be read on the first."""

from __future__ import annotations

import itertools
import re
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from . import words
from .evidence import stepped

if TYPE_CHECKING:
    from .match import Match
    from .read import RawLog

APART_STEPS = 0.75
"""Of its own steps by which a second column of time may be off the first; a choice of our own, no source."""
MANY = 3
"""Columns of time with names of their own, apart from each other in the file, from which each is taken for a channel's own clock; a choice of our own, no source."""


def refuse_own_clocks(raw: RawLog, match: Match) -> None:
    """Refuse a file whose channels have clocks of their own in its columns.

    Parameters
    ----------
    raw : RawLog
    match : Match
        Of time.

    Raises
    ------
    InputError
        Where another column of the same name, or several called time between the others, hold other stamps than the one that is read.
    """
    first = raw.columns[match.column]
    same, others = [], []
    for column, name in enumerate(raw.names):
        if column == match.column or words.name_weight(name, "time_s") < 3:
            continue
        if stepped(raw.columns[column]) is None or not _apart(first, raw.columns[column]):
            continue
        (same if _head(name) == _head(match.name) else others).append(column)
    spread = sorted([match.column, *others])
    if not same and (len(others) < MANY - 1 or any(b - a < 2 for a, b in itertools.pairwise(spread))):
        return
    count = sum(words.name_weight(name, "time_s") >= 3 for name in raw.names)
    odd = raw.names[(same or others)[0]][:60]
    why = f"'{odd}' holds other stamps than '{match.name[:60]}', so that the values of one row are not of one moment. Export all channels on one time base."
    raise InputError("time", f"{count} columns of time", "", "one column of time for all channels", why)


def _head(name: str) -> str:
    return re.sub(r"[\s_.()#-]*\d*[\s)]*$", "", name.lower()).strip()


def _apart(first: np.ndarray, other: np.ndarray) -> bool:
    """Whether two columns hold other stamps in the same rows."""
    both = np.isfinite(first) & np.isfinite(other)
    if np.count_nonzero(both) < 20:
        return True
    a, b = first[both], other[both]
    steps = np.abs(np.diff(b))
    step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    return bool(np.mean(np.abs(a - b) > APART_STEPS * step) > 0.01)
