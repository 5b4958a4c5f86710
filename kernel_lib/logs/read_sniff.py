"""How a file of columns is written: what parts its cells, its decimal mark, its header and units, where its numbers begin."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, field

from .read_cells import NUMBER, bare, kind_of
from .read_names import clean, units_row
from .read_text import Text, no_log

HEAD_BYTES = 256 * 1024
"""As much of a file is looked at before it is read."""
_SAMPLE, _RUN, _MOST_LINES = 60, 8, 2000
"""Lines looked at for the dialect; lines of numbers in a row that are the table; lines in which it must begin."""
_ABOVE = 8
"""The header stands at most so many lines above the numbers."""
DELIMITERS = {"\t": "tabs", ";": "semicolons", "|": "bars", ",": "commas", " ": "blanks"}
_THOUSANDS = re.compile(r"[1-9][0-9]{0,2}(?:,[0-9]{3})+")
_GROUP = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_COMMENT = re.compile(r"\s*(?:#+|//+)\s*")


@dataclass
class Dialect:
    """How a file is written.

    Attributes
    ----------
    delimiter, mark : str
        Between cells (" ": runs of blanks), and the decimal mark.
    names, units : list of str
        Cells of the header and of the row of units; empty where there is none.
    header, first : int
        The line of the header (-1: none), and the first of numbers, from 0.
    count : int
        Columns.
    padded : bool
        Whether there are cells of blanks alone, or blanks before a quote.
    notes : list of str
        What a reader should know.
    decimals : bool
        Whether that mark was seen in numbers that nothing but decimals explains.
    """

    delimiter: str
    mark: str
    names: list[str] = field(default_factory=list)
    units: list[str] = field(default_factory=list)
    header: int = -1
    first: int = 0
    count: int = 0
    padded: bool = False
    notes: list[str] = field(default_factory=list)
    decimals: bool = False


def cells_of(line: str, delimiter: str) -> list[str]:
    """Split a line into cells, blanks and quotes taken off."""
    if delimiter == " ":
        if '"' in line:
            line = re.sub(r'"([^"]*)"', lambda m: m[1].replace(" ", "\u00a0"), line)
        return [bare(c.replace("\u00a0", " ")) for c in re.split(r"[ \t]+", line.strip(" \t"))]
    if '"' in line and line.count('"') % 2 == 0:
        try:
            return [bare(c) for c in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [""])]
        except csv.Error:
            pass
    return [bare(c) for c in line.split(delimiter)]


def sniff(text: Text, name: str, most_columns: int) -> Dialect:
    """Find out how a file is written, from its first 256 kB.

    Parameters
    ----------
    text : Text
    name : str
        For the refusal.
    most_columns : int
        A file of more is refused.

    Raises
    ------
    InputError
        If there is no table of numbers of two columns at least, or commas are both delimiter and decimal mark.
    """
    lines = _head(text)
    found = _dialect(lines, name)
    width = _width(lines, found)
    start = _start(lines, found, width)
    if start is None:
        raise no_log(name, "There are no rows of numbers in it.", "columns of numbers under a header")
    found.first = lines[start][0]
    _header(lines, start, found, width)
    _ambiguous(lines, start, found, width, name)
    found.count = max(width, len(found.names))
    if found.count > most_columns:
        why = "A logger does not write so many; is this something else?"
        raise no_log(f"{found.count} columns", why, f"up to {most_columns} columns")
    _say(found)
    return found


def _head(text: Text) -> list[tuple[int, str]]:
    """Lines with what is in them, by number; a header broken by a line end inside quotes is put together again."""
    head = text.data[:HEAD_BYTES]
    whole = len(head) == len(text.data)
    lines = head.replace(b"\r\n", b"\n").decode("utf-8", "replace").split("\n")
    if not whole or not lines[-1]:
        lines.pop()
    out: list[tuple[int, str]] = []
    k = 0
    while k < len(lines):
        line, joined = lines[k], 0
        while k < 100 and line.count('"') % 2 and joined < 3 and k + joined + 1 < len(lines) and len(line) < 20_000:
            after = lines[k + joined + 1]
            if not re.search(r"[A-Za-z]{2}|^[^0-9]*\"", after):
                break
            line, joined = f"{line} {after}", joined + 1
        if line.count('"') % 2:
            line, joined = lines[k], 0
        if line.strip():
            out.append((k + joined, line))
        k += joined + 1
    return out


def _sample(lines: list[tuple[int, str]]) -> list[str]:
    step = max(1, len(lines) // _SAMPLE)
    return [line for _, line in lines[step - 1 :: step]][-_SAMPLE:]


def _dialect(lines: list[tuple[int, str]], name: str) -> Dialect:
    """Take the delimiter and decimal mark under which a sample holds the most numbers, and the fewest words, in rows of one width."""
    sample = _sample(lines)
    best, found = 0.0, None
    for delimiter in DELIMITERS:
        rows = [cells_of(line, delimiter) for line in sample if delimiter == " " or delimiter in line]
        rows = [row for row in rows if len(row) > 1]
        if not rows:
            continue
        mark, decimals = _mark(rows, delimiter)
        kinds = Counter(kind_of(cell, mark) for row in rows for cell in row)
        score = kinds["number"] + kinds["clock"] + kinds["switch"] - kinds["words"]
        even = Counter(map(len, rows)).most_common(1)[0][1] / len(rows)
        score *= 0.5 + 0.5 * even
        if score > best and kinds["number"] + kinds["clock"] > 0:
            best, found = score, Dialect(delimiter, mark, decimals=decimals)
    if found is None:
        _refuse(sample, name)
    blank_cell = re.compile(
        rf"{re.escape(found.delimiter)} +(?:{re.escape(found.delimiter)}|\"|$)|^ +(?:{re.escape(found.delimiter)}|\")"
    )
    found.padded = found.delimiter != " " and any(blank_cell.search(line) for line in sample)
    return found


def _refuse(sample: list[str], name: str) -> None:
    numbers = [line for line in sample if any(m.fullmatch(bare(line)) for m in NUMBER.values())]
    if numbers and len(numbers) * 2 > len(sample):
        allowed = "two columns at least: a time, and what was measured"
        raise no_log(name, "There is only one column in it.", allowed)
    raise no_log(name, "There are no rows of numbers in it.", "columns of numbers under a header")


def _mark(rows: list[list[str]], delimiter: str) -> tuple[str, bool]:
    """Return the decimal mark, and whether numbers were seen in which it can be no mark of thousands."""
    comma = point = 0
    plain = Counter()
    for row in rows:
        for cell in row:
            for each in ",.":
                plain[each] += (
                    each in cell and NUMBER[each].fullmatch(cell) is not None and _GROUP.fullmatch(cell) is None
                )
            if "," in cell and NUMBER[","].fullmatch(cell):
                comma += not (delimiter == "," and _THOUSANDS.fullmatch(cell))
            elif "." in cell and NUMBER["."].fullmatch(cell):
                point += 1
    mark = "," if comma > point else "."
    return mark, plain[mark] > 0


def _width(lines: list[tuple[int, str]], found: Dialect) -> int:
    """Return the widest that a twentieth of the rows of numbers are, an empty last column left out."""
    rows = [cells_of(line, found.delimiter) for line in _sample(lines)]
    rows = [row for row in rows if _numeric(row, found.mark, 2)]
    widths = Counter(len(row) for row in rows)
    enough = max(1, len(rows) / 20)
    width = max((w for w, n in widths.items() if n >= enough), default=2)
    while width > 2 and not any(row[width - 1] for row in rows if len(row) >= width):
        width -= 1
    return width


def _numeric(row: list[str], mark: str, width: int) -> bool:
    """Whether a row is one of numbers: enough cells, and most of what is in them no words."""
    if len(row) < max(2, width / 2):
        return False
    kinds = Counter(kind_of(cell, mark) for cell in row)
    filled = len(row) - kinds["blank"]
    most = 0.7 if filled >= 4 else 0.45
    return kinds["number"] + kinds["clock"] > 0 and kinds["words"] + kinds["label"] <= most * filled


def _start(lines: list[tuple[int, str]], found: Dialect, width: int) -> int | None:
    """Return where the table begins, as a place in `lines`: the first row of numbers under a full row of words, or else of the longest run."""
    best, length, begin, under, total, words = None, 0, 0, None, 0, -9
    for k, (_, line) in enumerate(lines[:_MOST_LINES]):
        cells = cells_of(line, found.delimiter)
        if not _numeric(cells, found.mark, width):
            begin = k + 1
            words = k if sum(map(bool, cells)) >= max(2, width / 2) else words
            continue
        total += 1
        if under is None and begin == k and k - words <= _ABOVE:
            under = k
        if k - begin + 1 > length:
            best, length = begin, k - begin + 1
        if length >= _RUN or (under is not None and total >= _RUN):
            break
    return best if under is None else under


def _header(lines: list[tuple[int, str]], start: int, found: Dialect, width: int) -> None:
    """Find header and units among the full rows of words right above the numbers."""
    block: list[tuple[int, list[str]]] = []
    for number, line in reversed(lines[max(0, start - _ABOVE) : start]):
        cells = _header_cells(line[match.end() :] if (match := _COMMENT.match(line)) else line, found, width)
        if _numeric(cells, found.mark, width):
            break
        if len(cells) >= max(2, width / 2):
            block.append((number, cells))
    odd = [(n, c) for n, c in block if kind_of(next(filter(None, c), ""), found.mark) in ("number", "clock")]
    block = [row for row in block if row not in odd]
    named = [(n, c) for n, c in block if sum(map(bool, c)) >= max(2, width / 2)]
    units = next(((n, c) for n, c in block if len(named) > (1 if (n, c) in named else 0) and units_row(c)), None)
    others = [(n, c) for n, c in named if units is None or n != units[0]]
    if not others:
        found.notes.append(
            f"There is no header; columns are called by their number, and numbers begin in line {found.first + 1}."
        )
        return
    above = [(n, c) for n, c in others if units is not None and n < units[0]]
    header = max(above or others, key=lambda row: (len(_trimmed(row[1])) <= width, _telling(row[1][:width])))
    found.header, found.names = header[0], _trimmed(header[1])
    if units is not None:
        found.units = units[1]
    ended = max(header[0], units[0] if units else -1)
    found.first = min([found.first, *(n for n, _ in odd if n > ended)])
    for n, c in others:
        if header[0] < n:
            found.notes.append(f"Line {n + 1} between header and numbers was not used: '{clean(' '.join(c))}'.")
    where = f"The header is line {header[0] + 1}" + (f", units are in line {units[0] + 1}" if units else "")
    if header[0] or found.first != header[0] + 1:
        found.notes.append(f"{where}; numbers begin in line {found.first + 1}.")


def _header_cells(line: str, found: Dialect, width: int) -> list[str]:
    cells = cells_of(line, found.delimiter)
    if found.delimiter == " " and len(cells) != width:
        for parts in (re.split(r"\s{2,}|\t", line.strip()), re.split(r"[,;|]\s*", line.strip())):
            if len(parts) == width:
                return [bare(c) for c in parts]
    if len(_trimmed(cells)) > width and '"' not in line:
        joined = _joined(cells, found.delimiter)
        if len(joined) == width:
            return joined
    return cells


def _joined(cells: list[str], delimiter: str) -> list[str]:
    """Put together again what was split inside brackets."""
    out: list[str] = []
    for cell in cells:
        if out and (out[-1].count("(") > out[-1].count(")") or out[-1].count("[") > out[-1].count("]")):
            out[-1] = f"{out[-1]}{delimiter}{cell}"
        else:
            out.append(cell)
    return out


def _telling(cells: list[str]) -> float:
    """How many different words of three letters or more a row has, short ones counted for half: a row of names has one for every column."""
    different = set(filter(None, cells))
    return sum(1.0 if len(re.findall(r"[^\W\d_]", cell)) >= 3 else 0.5 for cell in different)


def _trimmed(cells: list[str]) -> list[str]:
    cells = list(cells)
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _ambiguous(lines: list[tuple[int, str]], start: int, found: Dialect, width: int, name: str) -> None:
    """Refuse a file in which commas part the cells and the decimals too; drop a header that fits no column."""
    if found.delimiter == " " and found.names and len(found.names) != width:
        found.notes.append(
            f"The header has {len(found.names)} words over {width} columns, so that they cannot be told apart; columns are called by their number."
        )
        found.names = []
    if found.delimiter != "," or len(found.names) < 2 or width < 1.3 * len(found.names):
        return
    rows = [cells_of(line, ",") for _, line in lines[start : start + _SAMPLE]]
    if not any("." in cell for row in rows for cell in row):
        raise no_log(
            name,
            f"The header has {len(found.names)} names and the rows up to {width} cells: commas seem to part the cells and the decimals too, and cannot be told apart.",
            "a file whose cells are parted by semicolons or tabs where decimals have a comma",
        )


def _say(found: Dialect) -> None:
    if found.delimiter != "," or found.mark != ".":
        mark = "a comma" if found.mark == "," else "a point"
        found.notes.insert(0, f"Cells are parted by {DELIMITERS[found.delimiter]}, decimals by {mark}.")
    if found.names and len(found.names) < found.count:
        found.notes.append(
            f"The header has {len(found.names)} names, the rows have {found.count} cells: the last columns are called by their number."
        )
