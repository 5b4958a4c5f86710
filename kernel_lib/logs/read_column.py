"""A column that pandas did not take for numbers: what is in it, what is made of it, and what is said about that."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from ..text import listed
from .read_cells import SPOILT, Cell, bare, cell_of, seconds_of
from .read_clocks import fractions, half_days

BLANK, NUMBERS, MISSING, SWITCH, GROUPED, OTHER_MARK, EITHER, SUFFIX, WORDS, CLOCKS, OVER, UNDER = range(12)
_CODES = {
    "number": NUMBERS,
    "missing": MISSING,
    "switch": SWITCH,
    "grouped": GROUPED,
    "other mark": OTHER_MARK,
    "either": EITHER,
    "suffix": SUFFIX,
    "words": WORDS,
    "over": OVER,
    "under": UNDER,
}
UNKNOWN, ABOVE = 1, 2
"""Marks of a cell: what was measured there is not known; it was more than the gauge shows."""
STRAY_WORDS = 0.01
"""Cells of other words beside those of on and off, up to which they are taken for errors; a choice of our own, no source."""
_DAY = 86400.0
_CLOCK_SHARE = 0.8
"""Share of a column's cells that must be clock times for it to be one of time."""


@dataclass
class Column:
    """A column and what became of its cells.

    Attributes
    ----------
    values : array
        NaN where a cell holds no number.
    kinds : array of int
        What each cell was taken for.
    texts : array of str
        The cells as they stand in the file.
    unit : str
        Found behind the numbers; "s" for clock times.
    remark : str
        What is to be said of the column as a whole.
    meant : dict
        What cells of a kind were read as, in words.
    marks : array of int or None
        `UNKNOWN`, `ABOVE`, or 0, for each cell; None where all are 0.
    """

    values: np.ndarray
    kinds: np.ndarray
    texts: np.ndarray
    unit: str = ""
    remark: str = ""
    meant: dict[int, str] = field(default_factory=dict)
    marks: np.ndarray | None = None


def column_of(texts: np.ndarray, mark: str, decimals: bool = False) -> Column:
    """Read a column of texts in a file whose decimal mark is `mark` (`decimals`: surely): plain numbers at once, each other text one time."""
    clocks = _clocks(texts)
    if clocks is not None:
        return clocks
    values = _plain_numbers(texts, mark)
    plain = np.isfinite(values)
    codes, found = pd.factorize(texts[~plain])
    cells: list[Cell] = [cell_of(text, mark) for text in found]
    kinds = [_CODES[cell.kind] if bare(text) else BLANK for cell, text in zip(cells, found, strict=True)]
    if not plain.any() and not {"grouped", "either", "other mark", "suffix"}.intersection(c.kind for c in cells):
        kinds = [WORDS if k in (OVER, UNDER) and np.isnan(c.value) else k for k, c in zip(kinds, cells, strict=True)]
    some = _telling(values[plain])
    different = Column(
        np.array([*(cell.value for cell in cells), *some]), np.array([*kinds, *(NUMBERS for _ in some)], np.int8), texts
    )
    _settle(
        different,
        {k: cell.suffix for k, cell in enumerate(cells) if cell.suffix},
        mark,
        decimals,
        _half_words(codes, found, kinds),
    )
    different.values[~np.isfinite(different.values)] = np.nan
    every = np.full(len(texts), NUMBERS, np.int8)
    values[~plain], every[~plain] = different.values[codes], different.kinds[codes]
    column = Column(values, every, texts, different.unit, different.remark, different.meant)
    if np.isfinite(values).any():
        each = [_mark(text, kind) for text, kind in zip(found, different.kinds, strict=False)]
        if any(each):
            column.marks = np.zeros(len(texts), np.int8)
            column.marks[~plain] = np.array(each, np.int8)[codes]
    return column


def _mark(text: str, kind: int) -> int:
    """Say whether a cell hides something that was measured: a blank one does not."""
    if kind == OVER:
        return ABOVE
    return UNKNOWN if kind in (WORDS, UNDER) or bare(text) in SPOILT else 0


def _half_words(codes: np.ndarray, found: np.ndarray, kinds: list[int]) -> list[str]:
    """Return the words of a column in which switch words stand beside others too often for those to be errors."""
    count = np.bincount(codes, minlength=len(found))
    words, switches = (sum(int(n) for n, k in zip(count, kinds, strict=True) if k == kind) for kind in (WORDS, SWITCH))
    if not switches or words <= STRAY_WORDS * switches:
        return []
    return sorted({bare(t) for t, k in zip(found, kinds, strict=True) if k in (WORDS, SWITCH)})


def _plain_numbers(texts: np.ndarray, mark: str) -> np.ndarray:
    if mark == ",":
        texts = np.array([t.replace(",", ".") if "." not in t else "" for t in texts], dtype=object)
    return pd.to_numeric(pd.Series(texts, dtype=object), errors="coerce").to_numpy(np.float64).copy()


def _telling(plain: np.ndarray) -> list[float]:
    """Return the least and the largest of a column's plain numbers, and one that is no switch's."""
    if not plain.size:
        return []
    others = plain[(plain != 0.0) & (plain != 1.0)]
    return [float(plain.min()), float(plain.max()), *others[:1].tolist()]


def _settle(column: Column, suffixes: dict[int, str], mark: str, decimals: bool, told: list[str]) -> None:
    """Decide, for a column as a whole, what its unusual cells mean; values and kinds are those of its different texts."""
    values, kinds = column.values, column.kinds
    switches = kinds == SWITCH
    if switches.any():
        numbers = values[np.isin(kinds, (NUMBERS, GROUPED, OTHER_MARK, EITHER, SUFFIX))]
        if told:
            values[:], kinds[switches] = np.nan, WORDS
            column.remark = f"holds words {listed(told[:5])}, and nothing says which of them means on: left empty"
        elif np.isin(numbers, (0.0, 1.0)).all():
            column.meant[SWITCH] = "were read as 1 (on) and 0 (off)"
        else:
            values[switches], kinds[switches] = np.nan, WORDS
    units = set(suffixes.values())
    if len(units) == 1:
        column.unit = units.pop()
        column.meant[SUFFIX] = f"carry '{column.unit}' behind the number, which was taken as their unit"
    elif units:
        values[kinds == SUFFIX], kinds[kinds == SUFFIX] = np.nan, WORDS
    either = kinds == EITHER
    if either.any():
        _thousands(column, either, mark, decimals)
    column.meant[GROUPED] = "have their thousands set apart; they were put together"
    column.meant[OTHER_MARK] = (
        f"have a {'point' if mark == ',' else 'comma'} where the file has a {'comma' if mark == ',' else 'point'}: read as decimals"
    )
    column.meant[OVER] = (
        "say that the gauge is at its upper end: a number behind or before the sign was read, else left open"
    )
    column.meant[UNDER] = (
        "say that the gauge is at its lower end: a number behind or before the sign was read, else left open"
    )
    column.meant[MISSING] = "say that there is no value: left blank"
    column.meant[WORDS] = "hold words: left blank"
    if (kinds == WORDS).any() and not np.isfinite(values).any() and not column.remark:
        column.remark = "holds words, no numbers: left empty"


def _thousands(column: Column, either: np.ndarray, mark: str, decimals: bool) -> None:
    """Cells like 6,500: thousands where the file has the other mark for its decimals, or the column plain numbers and no decimals of that mark; else decimals."""
    other = "," if mark == "." else "."
    plain = column.values[column.kinds == NUMBERS]
    grouped = bool(plain.size) and not (column.kinds == OTHER_MARK).any() and float(np.nanmax(np.abs(plain))) < 1000.0
    if decimals and not (column.kinds == OTHER_MARK).any():
        column.values[either] = np.round(1000.0 * column.values[either])
        column.meant[EITHER] = (
            f"have a {'comma' if other == ',' else 'point'} before three digits: read as thousands, as the decimals of this file have a {'comma' if mark == ',' else 'point'}"
        )
    elif grouped and float(np.nanmax(np.abs(plain))) >= 100.0:
        column.values[either] = np.round(1000.0 * column.values[either])
        column.meant[EITHER] = (
            f"have a {'comma' if other == ',' else 'point'} before three digits: read as thousands, as the numbers without it end below 1000"
        )
    else:
        column.meant[EITHER] = (
            f"have a {'comma' if other == ',' else 'point'} before three digits: read as decimals; they could be thousands"
        )


def settle_by_rows(columns: list[Column]) -> None:
    """Read cells like 14,538 as decimals after all where other columns have that mark for their decimals in the same rows."""
    others = [column.kinds == OTHER_MARK for column in columns]
    rows = np.logical_or.reduce(others) if others else np.zeros(0, bool)
    if not rows.any():
        return
    for column in columns:
        mine = (column.kinds == EITHER) & rows
        if mine.any() and "thousands, as" in column.meant.get(EITHER, ""):
            column.values[mine] /= 1000.0
            column.kinds[mine] = OTHER_MARK


def _clocks(texts: np.ndarray) -> Column | None:
    """Read a column of clock times, with or without dates, as seconds after the first midnight; None where it is none."""
    sample = [t for t in texts[:: max(1, len(texts) // 200)] if bare(t)]
    if not sample or sum(seconds_of(t) is not None for t in sample) < _CLOCK_SHARE * len(sample):
        return None
    codes, found = pd.factorize(texts)
    read = [seconds_of(t) for t in found]
    seconds, counted = fractions(list(found), np.array([r[1] if r else np.nan for r in read]))
    seconds = np.append(seconds, np.nan)
    kinds = np.array(
        [CLOCKS if r else (WORDS if bare(t) else BLANK) for r, t in zip(read, found, strict=True)] + [BLANK], np.int8
    )
    dates = {d: k for k, d in enumerate(dict.fromkeys(r[0] for r in read if r))}
    days = np.array([float(dates[r[0]]) if r else 0.0 for r in read] + [0.0])
    values = seconds[codes]
    first = next(iter(dates))
    if len(dates) > 1:
        values = values + _DAY * days[codes]
    else:
        values, twelve = half_days(values, list(found))
        counted = "; ".join(filter(None, (counted, "it counts twelve hours and was carried on" * twelve)))
        there = np.flatnonzero(np.isfinite(values))
        turns = np.cumsum(np.diff(values[there]) < -_DAY / 2)
        values[there[1:]] += _DAY * turns
    remark = "holds clock times: read as seconds after midnight" + (f" of {first}" if first else "")
    remark += f"; {counted}" if counted else ""
    return Column(values, kinds[codes], texts, "s", remark, {WORDS: "hold no clock time: left blank"})


def sentences(column: Column, name: str, kept: np.ndarray, where: Callable[[int], str]) -> list[str]:
    """Say what was made of a column's unusual cells.

    Parameters
    ----------
    column : Column
    name : str
        Of the column.
    kept : array of bool
        Rows that stay; nothing is said of the others.
    where : callable
        Words for the place of a row.
    """
    if column.remark.startswith("holds words"):
        at = np.flatnonzero((column.kinds == WORDS) & kept)
        return (
            [f"Column '{name}' {column.remark} (first: {where(at[0])}, {_shown(column.texts[at[0]])})."]
            if len(at)
            else []
        )
    out = [f"Column '{name}' {column.remark}."] if column.remark else []
    for kind, meant in column.meant.items():
        at = np.flatnonzero((column.kinds == kind) & kept)
        if len(at):
            cells = "One cell" if len(at) == 1 else f"{len(at)} cells"
            what = _singular(meant) if len(at) == 1 else meant
            out.append(f"{cells} of column '{name}' {what} (first: {where(at[0])}, {_shown(column.texts[at[0]])}).")
    return out


def _singular(meant: str) -> str:
    for many, one in (
        ("hold ", "holds "),
        ("say ", "says "),
        ("have their", "has its"),
        ("have ", "has "),
        ("carry ", "carries "),
        ("were ", "was "),
    ):
        if meant.startswith(many):
            return one + meant.removeprefix(many)
    return meant


def _shown(text: object) -> str:
    words = "".join(c if c.isprintable() else " " for c in str(text)).strip()
    return f"'{words[:30]}...'" if len(words) > 30 else f"'{words}'"
