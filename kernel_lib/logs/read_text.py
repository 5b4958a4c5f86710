"""From a file's bytes to lines of clean UTF-8: encodings, line ends, stray bytes, quotes."""

from __future__ import annotations

import mmap
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ..errors import InputError

_NEWLINE, _TAB, _RETURN, _QUOTE, _DELETE = 10, 9, 13, 34, 127
_STRAY = bytes(c for c in range(32) if c not in (_NEWLINE, _TAB, _RETURN)) + b"\x7f"
_NOTHING = b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"
_MOST_STRAY = 0.02
"""Share of bytes that stand for no character, beyond which a file is no text."""
_PIECE = 1 << 18
"""Bytes that are looked through at a time."""
_MOST_FOREIGN = 0.3
"""Share of bytes beyond ASCII in a file that is not UTF-8, beyond which it is no text of numbers."""
_BOMS = (
    (b"\xff\xfe\x00\x00", "utf-32-le", "UTF-32"),
    (b"\x00\x00\xfe\xff", "utf-32-be", "UTF-32"),
    (b"\xff\xfe", "utf-16-le", "UTF-16"),
    (b"\xfe\xff", "utf-16-be", "UTF-16"),
)
_KINDS = (
    (b"PK\x03\x04", "a zip file or a spreadsheet"),
    (b"\x1f\x8b", "a compressed file"),
    (b"BZh", "a compressed file"),
    (b"7z\xbc\xaf", "a compressed file"),
    (b"\xfd7zXZ", "a compressed file"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet of an old kind"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"%PDF", "a PDF"),
    (b"SQLite format 3", "a database"),
)


@dataclass
class Text:
    """A file as lines.

    Attributes
    ----------
    data : bytes or mmap
        UTF-8, lines end in a newline, no other control character but tabs.
    ends : array of int
        Where the newlines stand.
    notes : list of str
        What was mended.
    path : Path or None
        The file, if this is a look at it as it stands: pandas reads a file on all processors, bytes on one. Lines may then end in a return and a newline.
    """

    data: bytes | mmap.mmap
    ends: np.ndarray
    notes: list[str] = field(default_factory=list)
    path: Path | None = None

    @property
    def bytes_(self) -> np.ndarray:
        """The data as an array."""
        return np.frombuffer(self.data, np.uint8)

    @property
    def count(self) -> int:
        """How many lines there are; a last one without a newline counts."""
        return len(self.ends) + (not self.whole)

    @property
    def whole(self) -> bool:
        """Whether the last line has its end."""
        return self.data[-1:] == b"\n"

    def start(self, line: int) -> int:
        """Where a line begins, counted from 0."""
        return 0 if line == 0 else int(self.ends[line - 1]) + 1

    def line(self, line: int) -> str:
        """Return a line, counted from 0, without its end."""
        end = int(self.ends[line]) if line < len(self.ends) else len(self.data)
        return self.data[self.start(line) : end].rstrip(b"\r").decode("utf-8", "replace")


def no_log(value: object, reason: str, allowed: str = "a text file of columns (CSV), or an MDF file") -> InputError:
    """Return the refusal of what is no log."""
    return InputError("log", value, "", allowed, reason)


def text_of(data: bytes, name: str, most_lines: int) -> Text:
    """Return a file's lines.

    Parameters
    ----------
    data : bytes
    name : str
        For the refusal.
    most_lines : int
        A file of more is refused.

    Raises
    ------
    InputError
        If the file is empty, of a known kind that is no text, or mostly unprintable.
    """
    if not (data[:4096].strip(_NOTHING) or data.strip(_NOTHING)):
        raise no_log(name, "The file is empty.")
    for head, kind in _KINDS:
        if data.startswith(head):
            raise no_log(name, f"This is {kind}, not a log; export the log as CSV, unpacked.")
    notes: list[str] = []
    data, breaks = _without_stray(_line_ends(_in_utf8(data, name, notes)), name, notes)
    if len(breaks) > most_lines:
        raise no_log(name, f"The file has more than {most_lines} lines; export a shorter part.")
    return Text(data, breaks, notes)


def text_in_place(path: Path) -> Text | None:
    """Return a file's lines without a copy of it; None where anything in it needs mending, or is no plain text but for the names at its top.

    Parameters
    ----------
    path : Path

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with path.open("rb") as file:
        data = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    low, breaks = 0, []
    for at, piece in pieces(data):
        if at and piece.max() >= _DELETE:
            return None
        low += np.count_nonzero(piece < 32)
        breaks.append(at + np.flatnonzero(piece == _NEWLINE))
    ends = np.concatenate(breaks)
    if not (len(breaks[0]) and _plain(data[: int(breaks[0][-1])])) or data.find(b'"') >= 0:
        return None
    if low > len(ends):
        tabs, returns = ((sum(np.count_nonzero(p == mark) for _, p in pieces(data))) for mark in (_TAB, _RETURN))
        paired = returns == len(ends) and ends[0] > 0 and (np.frombuffer(data, np.uint8)[ends - 1] == _RETURN).all()
        if low > len(ends) + tabs + (returns if paired else 0):
            return None
    return Text(data, ends, [], path)


def _plain(head: bytes) -> bool:
    try:
        head.decode()
    except UnicodeDecodeError:
        return False
    return (
        not head.startswith(b"\xef\xbb\xbf")
        and not any(head.startswith(kind) for kind, _ in _KINDS)
        and b"\x7f" not in head
    )


def _in_utf8(data: bytes, name: str, notes: list[str]) -> bytes:
    if data.isascii() and b"\x00" not in data[:4096]:
        return data
    for bom, codec, called in _BOMS:
        if data.startswith(bom):
            notes.append(f"The text is {called}; it was converted.")
            return data[len(bom) :].decode(codec, "replace").replace("\ufeff", "").encode()
    data = data.removeprefix(b"\xef\xbb\xbf")
    codec = _wide(data)
    if codec:
        notes.append("The text is UTF-16 without its mark; it was converted.")
        return data.decode(codec, "replace").encode()
    try:
        data.decode()
        return data
    except UnicodeDecodeError:
        return _not_quite_utf8(data, name, notes)


def _wide(data: bytes) -> str:
    """Return the codec of UTF-16 without a mark: every other byte of plain text is 0."""
    zero = np.frombuffer(data[:4096], np.uint8) == 0
    if len(zero) < 16:
        return ""
    even, odd = zero[::2].mean(), zero[1::2].mean()
    if odd > 0.5 and even < 0.05:
        return "utf-16-le"
    return "utf-16-be" if even > 0.5 and odd < 0.05 else ""


def _not_quite_utf8(data: bytes, name: str, notes: list[str]) -> bytes:
    foreign = np.count_nonzero(np.frombuffer(data, np.uint8) > 127)
    if foreign > _MOST_FOREIGN * len(data):
        raise no_log(name, "The file is no text: most of it cannot be printed.")
    text = data.decode("utf-8", "replace")
    broken = text.count("\ufffd")
    if broken * 4 < foreign:
        notes.append(f"{broken} broken characters in the text were replaced.")
        return text.encode()
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    notes.append("The text is not UTF-8; it was read as Western European (Latin-1).")
    return text.encode()


def pieces(data: bytes | mmap.mmap, start: int = 0) -> Iterator[tuple[int, np.ndarray]]:
    """Pieces of a file that stay in the processor's own memory while they are looked through, each with where it begins."""
    array = np.frombuffer(data, np.uint8)
    for at in range(start, max(len(array), start + 1), _PIECE):
        yield at, array[at : at + _PIECE]


def _line_ends(data: bytes) -> bytes:
    if b"\r" not in data:
        return data
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _without_stray(data: bytes, name: str, notes: list[str]) -> tuple[bytes, np.ndarray]:
    """Replace control characters by blanks; zeros at the end (a logger that lost power) are cut off. Return also where the newlines stand."""
    low, breaks = 0, []
    for at, piece in pieces(data):
        low += np.count_nonzero(piece < 32)
        breaks.append(at + np.flatnonzero(piece == _NEWLINE))
    ends = np.concatenate(breaks)
    if low == len(ends) + (data.count(b"\t") if b"\t" in data else 0) and b"\x7f" not in data:
        return data, ends
    kept = data.rstrip(b"\x00\x1a")
    if len(kept) < len(data):
        notes.append(f"The file ends in {len(data) - len(kept)} bytes of nothing; they were cut off.")
    stray = len(kept) - len(kept.translate(None, _STRAY))
    if stray > _MOST_STRAY * len(kept):
        raise no_log(name, "The file is no text: much of it cannot be printed.")
    if stray:
        notes.append(f"{stray} bytes that stand for no character were replaced by blanks.")
        kept = kept.translate(bytes.maketrans(_STRAY, b" " * len(_STRAY)))
    return kept, ends[ends < len(kept)]


def quotes_mended(text: Text, first: int, delimiter: str) -> tuple[Text, int]:
    """Take the quotes out of the lines in which they do not pair.

    Parameters
    ----------
    text : Text
    first : int
        The first line of numbers, from 0; those above stay as they are.
    delimiter : str

    Returns
    -------
    Text
    int
        How many lines were mended.
    """
    at = re.escape(delimiter.encode())
    blanks = b"" if delimiter == " " else b" *"
    cell = rb'(?:%b"(?:[^"]|"")*"%b|[^"%b]*)' % (blanks, blanks, at)
    well = re.compile(cell + rb"(?:" + at + cell + rb")*")
    start = text.start(first)
    lines, mended = text.data[start:].split(b"\n"), 0
    for k, line in enumerate(lines):
        if b'"' in line and not well.fullmatch(line):
            lines[k] = line.replace(b'"', b"")
            mended += 1
    if not mended:
        return text, 0
    data = text.data[:start] + b"\n".join(lines)
    return Text(data, np.flatnonzero(np.frombuffer(data, np.uint8) == _NEWLINE), text.notes), mended


def open_quotes(text: Text, first: int) -> bool:
    """Whether any line of numbers has a quote that is never closed (an odd number of them)."""
    start = text.start(first)
    if text.data.find(b'"', start) < 0:
        return False
    at = np.flatnonzero(text.bytes_[start:] == _QUOTE)
    line = np.searchsorted(text.ends[first:] - start, at)
    return bool((np.bincount(line) % 2).any())
