"""Several columns that speak of knock: none is read until one is named, for any of them may be the one that shows it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from . import evidence, words
from .log_units import UNITS_FOR
from .match import Match

if TYPE_CHECKING:
    from .read import RawLog


NOT_READ = "Called knock, and not read: "
"""How the note on such columns begins."""


def unread(raw: RawLog, match: Match | None, taken: set[int | None]) -> list[str]:
    """Names of columns that speak of knock, move, and are no quantity of the log once one has been named or left out.

    Parameters
    ----------
    raw : RawLog
    match : Match or None
        Of the knock signal as it was settled.
    taken : set of int or None
        Columns that are some quantity.
    """
    if match is not None and match.name and not match.used:
        return []  # it is asked for
    named = None if match is None or match.column is None else raw.columns[match.column]
    out = []
    for column, (name, values) in enumerate(zip(raw.names, raw.columns, strict=True)):
        known = values[np.isfinite(values)]
        if column in taken or "knock" not in words.concepts(name) or known.size < 2 or known.min() == known.max():
            continue
        if named is None or not _same(named, values):
            out.append(name[:60])
    return out


def other_knock(match: Match, taken: set[int | None], raw: RawLog, looks: list[evidence.Look]) -> Match:
    """Ask for a column called knock that is not read and moves, as a level, a count or degrees taken out.

    Parameters
    ----------
    match : Match
        Of the knock signal as proposed.
    taken : set of int or None
        Columns that are some quantity.
    raw : RawLog
    looks : list of Look
        One for each column.

    Returns
    -------
    Match
        The same where there is no such column, or where it says the same as the one that is read.
    """
    for column, seen in enumerate(looks):
        if column in taken or "knock" not in words.concepts(evidence.label_of(seen)):
            continue
        known = raw.columns[column][np.isfinite(raw.columns[column])]
        if known.size < 2 or known.min() == known.max():
            continue
        name = seen.name[:60]
        if not match.name:
            doubt = f"Is '{name}', which runs from {known.min():.3g} to {known.max():.3g}, the knock signal? It is called so; name it or leave it out."
            return Match("knock", column, seen.name, UNITS_FOR["knock"][0], None, (), doubt, 0.5)
        if match.used and not _same(raw.columns[match.column], raw.columns[column]):
            doubt = f"Both '{match.name[:60]}' and '{name}' speak of knock: which of them shows it?"
            return replace(match, doubt=doubt, sure=0.5)
    return match


def _same(first: np.ndarray, second: np.ndarray) -> bool:
    """Whether two columns say the same in every row: a burst of knock is a few rows long."""
    both = np.isfinite(first) & np.isfinite(second)
    if not both.any() or (np.isfinite(first) != np.isfinite(second)).any():
        return False
    return bool(np.abs(first[both] - second[both]).max() <= 1e-3 * np.ptp(first[both]))
