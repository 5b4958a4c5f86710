"""Any file a controller or logger writes, as columns of numbers with their names; what is no log is refused in a sentence."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from .read_table import Parts, read_table
from .read_text import no_log

MAX_BYTES = 200 * 1024 * 1024
"""A larger file is refused."""
MAX_NAME = 80
_MDF = (b"MDF", b"UnFinMF")
_IN_PLACE = 5 * 1024 * 1024
"""From this size on a file on the disk is read where it is, without a copy; pandas has it read by all processors from the same size on."""


@dataclass(frozen=True, eq=False)
class RawLog:
    """A log as it stands in its file: nothing is recognised yet.

    Attributes
    ----------
    name : str
        Of the file, cleaned: printable, without a path, up to 80 characters.
    names : tuple of str
        Of the columns, no two alike; a unit that was written in a name is in `units`.
    units : tuple of str
        As written; "" where there is none.
    columns : list of array
        Float, one length, read-only; NaN where a cell is blank or no number.
    kind : {"csv", "mdf"}
    notes : list of str
        How the file is written, and what was mended, in sentences.
    marks : dict of int to array
        Of some columns, by number: for each row 0, `read_column.UNKNOWN` (words stand where a number was measured) or `ABOVE` (more
        than the gauge shows).
    """

    name: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    columns: list[np.ndarray]
    kind: str
    notes: list[str] = field(default_factory=list)
    marks: dict[int, np.ndarray] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return len(self.columns[0]) if self.columns else 0


def read_log(source: str | Path | bytes, name: str = "") -> RawLog:
    """Read a log file.

    Parameters
    ----------
    source : str, Path or bytes
        A path, or the content.
    name : str
        What to call it; the file's name where it is left out.

    Returns
    -------
    RawLog

    Raises
    ------
    InputError
        If it cannot be read, is empty, too large, no text and no MDF, or holds no table of two columns and 20 rows of numbers.
    """
    try:
        content, found = _content(source)
        called = clean_name(name or found)
        if isinstance(content, bytes) and content.startswith(_MDF):
            from .mdf import read_mdf

            return _raw(called, "mdf", read_mdf(content, called))
        return _raw(called, "csv", read_table(content, called))
    except OSError as exc:
        called = name or ("log" if isinstance(source, bytes) else str(source))
        raise no_log(clean_name(called), "The file cannot be opened.") from exc


def clean_name(name: str) -> str:
    """Make a name that is safe to show out of a file's: no path, printable, up to 80 characters."""
    last = re.split(r"[/\\]", str(name).rstrip("/\\"))[-1]
    shown = " ".join("".join(c if c.isprintable() else " " for c in last).split())
    return shown[:MAX_NAME].strip() or "log"


def _raw(name: str, kind: str, parts: Parts) -> RawLog:
    names, units, columns, notes, marks = parts
    for column in columns:
        column.setflags(write=False)
    return RawLog(name, tuple(names), tuple(units), columns, kind, notes, marks)


def _content(source: object) -> tuple[bytes | Path, str]:
    """The bytes, or the path of a large text."""
    if isinstance(source, bytes | bytearray | memoryview):
        if len(source) > MAX_BYTES:
            raise _too_large(len(source))
        return bytes(source), ""
    if not isinstance(source, str | Path):
        raise no_log(type(source).__name__, "It is neither a path nor the content of a file.", "a path, or bytes")
    called = clean_name(str(source))
    try:
        path = Path(source)
        there, folder, plain = path.exists(), path.is_dir(), path.is_file()
    except ValueError as exc:
        raise no_log(called, "The file cannot be opened.") from exc
    if not there or folder or not plain:
        raise no_log(
            called, "This is a folder." if folder else "This is no plain file." if there else "There is no such file."
        )
    size = path.stat().st_size
    if size > MAX_BYTES:
        raise _too_large(size)
    with path.open("rb") as file:
        head = file.read(len(_MDF[1]))
    return (path if size >= _IN_PLACE and not head.startswith(_MDF) else path.read_bytes()), path.name


def _too_large(size: int) -> Exception:
    most = f"up to {MAX_BYTES // 1024**2} MB"
    return no_log(f"{size / 1024**2:.0f} MB", "Export a shorter part, or fewer columns.", most)
