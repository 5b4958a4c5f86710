"""The rows of a text file as columns of numbers: one pass of pandas, then a look at what did not fit."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

import numpy as np
import pandas as pd

from .read_column import ABOVE, UNKNOWN, Column, column_of, sentences, settle_by_rows
from .read_names import clean, names_and_units, units_row
from .read_sniff import Dialect, cells_of, sniff
from .read_text import Text, no_log, open_quotes, pieces, quotes_mended, text_in_place, text_of

MAX_COLUMNS = 2000
MAX_VALUES = 40_000_000
"""Rows times columns; beyond, a log does not fit into the memory set aside."""
MIN_ROWS = 20
_FEW = 0.05
"""Up to this share of rows, a row with fewer cells was cut; more of them are the logger's way of writing."""
_LOOKED_AT = 5000
"""Rows that are looked at one by one."""
_TOGETHER = 8
"""Columns of words that are in memory at a time."""
_MOST_NOTES = 20
"""Sentences about single columns; of more, only the number is said."""

Parts = tuple[list[str], list[str], list[np.ndarray], list[str], dict[int, np.ndarray]]
"""Names, units, columns, notes; and of some columns, by number, what is marked in them."""


class _Body:
    """The lines of numbers for pandas: before them a row of blanks, a cell more than there are columns, which catches what is too long."""

    def __init__(self, data: bytes, start: int, blanks: bytes) -> None:
        self._data, self._at, self._first = memoryview(data), start, blanks

    def read(self, size: int = -1) -> bytes:
        """Return the next piece."""
        if self._first:
            first, self._first = self._first, b""
            return first
        end = len(self._data) if size < 0 else self._at + size
        piece = self._data[self._at : end].tobytes()
        self._at = min(end, len(self._data))
        return piece

    def __iter__(self) -> Iterator[bytes]:
        return iter(())


@dataclass
class _Rows:
    """The lines of numbers; a row is a line, counted from the first of them."""

    text: Text
    dialect: Dialect
    frame: pd.DataFrame | None = None
    before: int = 0
    """Rows of blanks at the top of the frame."""

    @property
    def count(self) -> int:
        return self.text.count - self.dialect.first

    @property
    def quoted(self) -> bool:
        return self.text.data.find(b'"', self.text.start(self.dialect.first)) >= 0

    def line(self, row: int) -> str:
        return self.text.line(self.dialect.first + row)

    def where(self, row: int) -> str:
        """Say where a row stands in the file."""
        return f"line {self.dialect.first + int(row) + 1}"


def read_table(source: bytes | Path, name: str) -> Parts:
    """Read a text file of columns.

    Parameters
    ----------
    source : bytes or Path
        What is in it; or the file, where it is a large one and need not be copied.
    name : str
        For the refusals.

    Returns
    -------
    names, units : list of str
    columns : list of array
    notes : list of str
    marks : dict of int to array

    Raises
    ------
    InputError
        If it is no table of numbers of two columns and 20 rows at least.
    OSError
        If the file cannot be read.
    """
    if isinstance(source, Path):
        text = text_in_place(source)
        if text is not None and len(text.ends) <= MAX_VALUES // 2:
            with suppress(_Odd):
                return _table(text, name)
        source = source.read_bytes()
    return _table(text_of(source, name, MAX_VALUES // 2), name)


class _Odd(Exception):
    """A file that looks plain has lines that are not: it is read again, as bytes."""


def _table(text: Text, name: str) -> Parts:
    dialect = sniff(text, name, MAX_COLUMNS)
    rows = _Rows(text, dialect)
    if rows.count * dialect.count > MAX_VALUES:
        most = f"{MAX_VALUES // 1_000_000} million values"
        raise no_log(name, f"It holds more than {most}; export fewer columns or a shorter part.", f"up to {most}")
    notes = text.notes + dialect.notes
    names, units = names_and_units(dialect.names, dialect.units, dialect.count, notes)
    _header_again(rows, notes)
    _parse(rows, name, notes)
    columns, odd, marks = _columns(rows, names, notes)
    kept = _with_numbers(columns, rows.count)
    _left_out(rows, kept, notes)
    kept &= _ragged(rows, columns, kept, notes)
    _say(odd, names, kept, rows, notes)
    held = int(np.count_nonzero(kept))
    if held < MIN_ROWS:
        raise no_log(
            name, f"It holds {held or 'no'} row{'s' * (held != 1)} of numbers.", f"{MIN_ROWS} rows of numbers at least"
        )
    if not kept.all():
        columns = [column[kept] for column in columns]
        marks = {k: each[kept] for k, each in marks.items()}
    units = [unit or (odd[k].unit if k in odd else "") for k, unit in enumerate(units)]
    return names, units, columns, notes, marks


def _header_again(rows: _Rows, notes: list[str]) -> None:
    """Blank out lines that repeat the header word for word: pandas would take every column for words."""
    text, dialect = rows.text, rows.dialect
    if not dialect.names or dialect.header < 0:
        return
    line = b"\n" + text.data[text.start(dialect.header) : int(text.ends[dialect.header])] + b"\n"
    at = text.data.find(line, text.start(dialect.first))
    if at < 0:
        return
    if text.path:
        raise _Odd
    again, start = text.data.count(line, at), text.start(dialect.first)
    blanks = b"\n" + b" " * (len(line) - 2) + b"\n"
    first = int(np.searchsorted(text.ends, at)) + 2
    rows.text = Text(text.data[:start] + text.data[start:].replace(line, blanks), text.ends, text.notes)
    notes.append(f"The header stands again in {_lines(again)} (first: line {first}); left out.")


def _parse(rows: _Rows, name: str, notes: list[str]) -> None:
    """Let pandas read, a row a line; quotes that do not pair are taken out."""
    if rows.text.path:
        rows.frame = _from_file(rows)
        return
    mended = 0
    if open_quotes(rows.text, rows.dialect.first):
        rows.text, mended = quotes_mended(rows.text, rows.dialect.first, rows.dialect.delimiter)
    rows.frame, rows.before = _pandas(rows, name), 1
    if len(rows.frame) != rows.count + 1 and rows.quoted:
        rows.text, more = quotes_mended(rows.text, rows.dialect.first, rows.dialect.delimiter)
        mended += more
        rows.frame = _pandas(rows, name)
    if mended:
        notes.append(f"Quotes that do not pair were taken out of {_lines(mended)}.")
    if len(rows.frame) != rows.count + 1:
        raise no_log(name, "Its rows cannot be told apart.")


def _from_file(rows: _Rows) -> pd.DataFrame:
    """Let pandas read the file itself."""
    names, skipped = range(rows.dialect.count + 1), rows.dialect.first
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame = pd.read_csv(rows.text.path, names=names, skiprows=skipped, compression=None, **_way(rows))
    except (ValueError, TypeError, OverflowError, IndexError, pd.errors.ParserError) as exc:
        raise _Odd from exc
    if len(frame) != rows.count:
        raise _Odd
    return frame


def _way(rows: _Rows) -> dict[str, object]:
    """How the rows are written."""
    dialect = rows.dialect
    return {
        "sep": r"\s+" if dialect.delimiter == " " else dialect.delimiter,
        "decimal": dialect.mark,
        "header": None,
        "index_col": False,
        "skip_blank_lines": False,
        "skipinitialspace": dialect.padded,
        "quoting": 0 if rows.quoted else 3,
    }


def _pandas(rows: _Rows, name: str, only: list[int] | None = None) -> pd.DataFrame:
    """Read all columns, and one more for what is too long, after a row of blanks; or the texts of some."""
    dialect, every = rows.dialect, range(rows.dialect.count + 1)
    blanks = b"NA " * len(every) if dialect.delimiter == " " else dialect.delimiter.encode() * dialect.count
    body = _Body(rows.text.data, rows.text.start(dialect.first), blanks + b"\n")
    texts = {"dtype": str, "na_filter": False, "low_memory": False} if only else {}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # columns of mixed types: looked at below
            return pd.read_csv(body, names=every, usecols=only or every, **_way(rows), **texts)
    except (ValueError, TypeError, OverflowError, IndexError, pd.errors.ParserError) as exc:
        raise no_log(name, "Its rows cannot be told apart.") from exc


def _columns(
    rows: _Rows, names: list[str], notes: list[str]
) -> tuple[list[np.ndarray], dict[int, Column], dict[int, np.ndarray]]:
    """Return columns of numbers, without the row of blanks; and, by number, those that were texts, and what is marked."""
    frame, count = rows.frame, rows.dialect.count
    odd_ones = [k for k in range(count) if frame[k].dtype.kind not in "iuf"]
    odd: dict[int, Column] = {}
    for start in range(0, len(odd_ones), _TOGETHER):
        some = odd_ones[start : start + _TOGETHER]
        texts = _pandas(rows, "log", some)
        for k in some:
            cells = texts[k].to_numpy(dtype=object)[1:]
            odd[k] = column_of(
                np.array([c if isinstance(c, str) else "" for c in cells], dtype=object),
                rows.dialect.mark,
                rows.dialect.decimals,
            )
    settle_by_rows(list(odd.values()))
    columns = [odd[k].values if k in odd else frame[k].to_numpy(np.float64)[rows.before :] for k in range(count)]
    marks = {k: column.marks for k, column in odd.items() if column.marks is not None}
    for k, column in enumerate(columns):
        endless = np.isinf(column)
        if endless.any():
            columns[k] = np.where(endless, np.nan, column)
            marks[k] = np.where(endless, np.where(column > 0, ABOVE, UNKNOWN), 0).astype(np.int8)
            notes.append(f"{np.count_nonzero(endless)} cells of column '{names[k]}' are endless; left blank.")
    return columns, odd, marks


def _with_numbers(columns: list[np.ndarray], count: int) -> np.ndarray:
    kept = np.zeros(count, bool)
    for column in columns:
        kept |= column == column  # noqa: PLR0124 - false for NaN only
        if kept.all():
            break
    return kept


def _ragged(rows: _Rows, columns: list[np.ndarray], kept: np.ndarray, notes: list[str]) -> np.ndarray:
    """Say which rows have too many cells or too few; return which stay once a last line cut off in its middle is left out."""
    stay, n = np.ones(rows.count, bool), rows.dialect.count
    beyond = rows.frame[n].notna().to_numpy()[rows.before :]
    if beyond.any():
        first = rows.where(np.flatnonzero(beyond)[0])
        notes.append(
            f"{_rows(beyond.sum())} more cells than there are columns (first: {first}); the last were left out."
        )
    short = _short(rows, beyond) & kept
    if rows.dialect.delimiter == " " or rows.quoted:
        last = rows.count - 1
        short[last] = kept[last] and len(cells_of(rows.line(last), rows.dialect.delimiter)) < n
    few = np.count_nonzero(short) <= max(3.0, _FEW * np.count_nonzero(kept))
    if few and short[-1] and not rows.text.whole:
        stay[-1] = short[-1] = False
        notes.append(f"The file ends in the middle of a row ({rows.where(rows.count - 1)}); that row was left out.")
    at = np.flatnonzero(short)
    if len(at):
        blanked = _cut_cells(rows, columns, at) if few else 0
        more = f", as are {_cells(blanked)} cut off in the middle" if blanked else ""
        notes.append(
            f"{_rows(len(at))} fewer cells than there are columns (first: {rows.where(at[0])}); the missing ones are blank{more}."
        )
    return stay


def _short(rows: _Rows, beyond: np.ndarray) -> np.ndarray:
    """Whether a row has fewer cells than there are columns; not known where blanks part the cells, or quotes hold some together."""
    dialect, text = rows.dialect, rows.text
    none = np.zeros(rows.count, bool)
    if dialect.delimiter == " " or rows.quoted:
        return none
    start, mark = text.start(dialect.first), ord(dialect.delimiter)
    total = sum(np.count_nonzero(piece == mark) for _, piece in pieces(text.data, start))
    if total in (rows.count * (dialect.count - 1), rows.count * dialect.count) and not beyond.any():
        return none
    marks = text.bytes_[start:] == mark
    begins = np.concatenate([[0], text.ends[dialect.first :] + 1 - start])[: rows.count]
    counts = np.add.reduceat(marks.view(np.uint8), begins, dtype=np.int64)
    return counts < dialect.count - 1


def _cut_cells(rows: _Rows, columns: list[np.ndarray], at: np.ndarray) -> int:
    """Blank the last cell of short rows where it is shorter than its neighbours above and below: it was cut off. Return how many."""
    blanked = 0
    for row in at[:_LOOKED_AT]:
        cells = cells_of(rows.line(row), rows.dialect.delimiter)
        k = len(cells) - 1
        beside = [cells_of(rows.line(r), rows.dialect.delimiter) for r in (row - 1, row + 1) if 0 <= r < rows.count]
        beside = [len(c[k]) for c in beside if len(c) > k and c[k]]
        if beside and len(cells[k]) < min(beside) and np.isfinite(columns[k][row]):
            if not columns[k].flags.writeable:
                columns[k] = columns[k].copy()
            columns[k][row] = np.nan
            blanked += 1
    return blanked


def _left_out(rows: _Rows, kept: np.ndarray, notes: list[str]) -> None:
    """Say which rows without a number were left out: blank ones are no loss, remarks are shown."""
    ends = np.append(rows.text.ends, len(rows.text.data))
    length = np.diff(np.concatenate([[rows.text.start(rows.dialect.first) - 1], ends[rows.dialect.first :]]))[
        : rows.count
    ]
    remarks, names = [], set(filter(None, rows.dialect.names))
    for row in np.flatnonzero(~kept & (length > 1))[:_LOOKED_AT]:
        cells = cells_of(rows.line(row), rows.dialect.delimiter)
        if len(names) > 2 and len(names.intersection(cells)) >= 0.6 * len(names) and cells != rows.dialect.names:
            why = f"Another header stands in {rows.where(row)}, with other columns or in another order: part the file there and review each part."
            raise no_log("a file of two tables", why, "one header, one order of columns")
        if _other_units(rows.dialect, cells):
            why = f"From {rows.where(row)} on other units hold: part the file there and review each part."
            raise no_log("a file of two tables", why, "one row of units")
        said = clean(" ".join(c for c in cells if c))
        if said:
            remarks.append((row, said))
    if remarks:
        row, said = remarks[0]
        more = f"{_rows(len(remarks))} no number: left out"
        notes.append(f"{more} (first: {rows.where(row)}, '{said[:40]}{'...' * (len(said) > 40)}').")


def _other_units(dialect: Dialect, cells: list[str]) -> bool:
    """Whether a row among the numbers is one of units, and of others than those above."""
    if sum(map(bool, cells)) < max(2, dialect.count / 2) or not units_row(cells):
        return False
    both = zip_longest(cells[: dialect.count], dialect.units, fillvalue="")
    return any(a.strip("[]() ").lower() != b.strip("[]() ").lower() for a, b in both)


def _say(odd: dict[int, Column], names: list[str], kept: np.ndarray, rows: _Rows, notes: list[str]) -> None:
    said = [s for k, column in odd.items() for s in sentences(column, names[k], kept, rows.where)]
    notes += said[:_MOST_NOTES]
    if len(said) > _MOST_NOTES:
        notes.append(f"{len(said) - _MOST_NOTES} more such notes on cells of other columns are not shown.")


def _rows(count: int) -> str:
    return "One row has" if count == 1 else f"{count} rows have"


def _cells(count: int) -> str:
    return "one that was" if count == 1 else f"{count} that were"


def _lines(count: int) -> str:
    return "one line" if count == 1 else f"{count} lines"
