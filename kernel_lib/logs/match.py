"""Which column is which: a mapping, and how it travels (a piece of an address, a small file)."""

from __future__ import annotations

import base64
import binascii
import json
import tomllib
import zlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from ..errors import InputError, check_choice
from . import log_units
from .channels import CHANNELS

if TYPE_CHECKING:
    from .read import RawLog

SURE_ENOUGH = 0.8
"""Below, a match is a question and not used until somebody confirms it."""
WAITS = "Its scale is that of"
"""How the doubt of a target begins whose scale is settled with that of lambda."""
SHEET_ONLY = "Nothing in the log itself tells the scale of this gauge"
"""How the evidence begins where the scale is the sheet's word alone: it is used, and asked for."""
MAX_TEXT_CHARACTERS = 4096
MAX_FILE_BYTES = 64 * 1024
_VERSION = "1."
_WHY_TEXT = "It was cut short, or made by another version."
_LONGEST_NAME = 500


@dataclass(frozen=True)
class Match:
    """The column that holds a quantity, or none.

    Attributes
    ----------
    key : str
        Of `channels.CHANNELS`.
    column : int or None
        Its number in the log; None: no column, or not yet looked up by `name`.
    name : str
        Its name; "" where the quantity is left out.
    unit : str
        One of ``UNITS_FOR[key]``.
    scale : float or None
        AFR that the gauge shows at lambda 1, where the unit is AFR.
    evidence : tuple of str
        What speaks for it, in sentences.
    doubt : str
        What is not sure, or why there is none; "" if nothing.
    sure : float
        0 to 1; below `SURE_ENOUGH` it is not used until confirmed.
    """

    key: str
    column: int | None
    name: str = ""
    unit: str = ""
    scale: float | None = None
    evidence: tuple[str, ...] = ()
    doubt: str = ""
    sure: float = 0.0

    @property
    def used(self) -> bool:
        """Whether a column is named and sure enough."""
        return bool(self.name) and self.sure >= SURE_ENOUGH

    @property
    def settled(self) -> bool:
        """Whether nothing is left to ask: a column that is sure, or left out by somebody's choice."""
        return self.sure >= SURE_ENOUGH


@dataclass(frozen=True)
class Mapping:
    """Which column is which quantity.

    Attributes
    ----------
    matches : dict of str to Match
        One for every quantity that was looked for.
    questions : tuple of str
        What has to be asked, in sentences.
    asked : tuple of str
        The key each question is about.
    """

    matches: dict[str, Match]
    questions: tuple[str, ...] = ()
    asked: tuple[str, ...] = field(default=())

    def __getitem__(self, key: str) -> Match:
        return self.matches[key]

    def get(self, key: str) -> Match:
        """Return the match of a quantity; one without column where it was never looked for."""
        return self.matches.get(key, Match(key, None))

    def with_match(
        self,
        key: str,
        column: int | str | None,
        unit: str = "",
        scale: float | None = None,
        *,
        raw: RawLog | None = None,
    ) -> Mapping:
        """Return the mapping with one quantity set by hand.

        Parameters
        ----------
        key : str
        column : int, str or None
            Number of the column, its name, or None to leave the quantity out.
        unit : str
            One of ``UNITS_FOR[key]``; "" for the first of them.
        scale : float or None
            AFR that the gauge shows at lambda 1, where the unit is AFR.
        raw : RawLog or None
            The log, needed where a number is given for a column.

        Raises
        ------
        InputError
            For a quantity, column, unit or scale that does not exist or does not belong together.
        """
        check_choice("mapping.key", key, tuple(CHANNELS), "A review knows these quantities.")
        if column is None:
            match = Match(key, None, evidence=("Left out by you.",), sure=1.0)
        else:
            unit = unit or log_units.UNITS_FOR[key][0]
            number, name = _column(key, column, raw)
            log_units.check(key, unit, scale)
            scale = float(scale) if scale is not None and unit in log_units.SCALED else None
            match = Match(key, number, name, unit, scale, ("Set by you.",), "", 1.0)
        matches = dict(self.matches)
        for other, old in self.matches.items():
            if match.name and old.name == match.name and other != key:
                doubt = f"Its column '{match.name[:60]}' is now the {CHANNELS[key].label}."
                matches[other] = Match(other, None, doubt=doubt)
        if key == "lambda_" and match.scale is not None:
            target = self.get("lambda_target")
            if target.name and target.name != match.name and target.doubt.startswith(WAITS):
                said = (*target.evidence, f"Taken on the {match.scale:g} scale of '{match.name[:60]}'.")
                matches["lambda_target"] = replace(target, scale=match.scale, evidence=said, doubt="", sure=0.9)
        kept = [(q, a) for q, a in zip(self.questions, self.asked, strict=True) if a != key]
        return Mapping(matches | {key: match}, tuple(q for q, _ in kept), tuple(a for _, a in kept))

    def bound(self, raw: RawLog) -> Mapping:
        """Return the mapping with its columns looked up by name in a log; one whose name is not there has none."""
        places = {name: i for i, name in reversed(list(enumerate(raw.names)))}
        out = {}
        for key, match in self.matches.items():
            if not match.name or (
                match.column is not None and raw.names[match.column : match.column + 1] == (match.name,)
            ):
                out[key] = match
                continue
            place = places.get(match.name)
            missing = f"Its column '{match.name[:60]}' is not in this log."
            out[key] = replace(match, column=place) if place is not None else Match(key, None, doubt=missing)
        return replace(self, matches=out)

    def _rows(self) -> list[list[Any]]:
        """What is taken along: not a scale that nobody has confirmed, which is asked again."""
        return [
            [m.key, m.name, m.unit, m.scale]
            for m in self.matches.values()
            if m.settled and not any(said.startswith(SHEET_ONLY) for said in m.evidence)
        ]

    def to_text(self) -> str:
        """Return what is sure as a piece of an address: letters, digits, point, dash and underscore.

        Raises
        ------
        InputError
            If it is too long for an address.
        """
        rows = [row if row[3] is not None else row[:3] if row[1] else row[:1] for row in self._rows()]
        plain = json.dumps(rows, separators=(",", ":"), ensure_ascii=False).encode("utf-8", "surrogatepass")
        packed = _VERSION + base64.urlsafe_b64encode(zlib.compress(plain, 9)).decode().rstrip("=")
        if len(packed) > MAX_TEXT_CHARACTERS:
            why = "The names of the columns are too long for an address; keep the file of the mapping."
            raise InputError("mapping", len(packed), "characters", f"up to {MAX_TEXT_CHARACTERS} in an address", why)
        return packed

    def draft_toml(self) -> str:
        """Return the file of `to_toml` with what is asked below it as remarks, each with a table to fill in."""
        out = [self.to_toml().rstrip("\n")]
        asked = dict(zip(self.asked, self.questions, strict=True))
        for key, question in asked.items():
            match = self.get(key)
            plain = " ".join("".join(c if c.isprintable() else " " for c in question).split())
            lines = [f"# asked: {plain}", f"# [{key}]", f"# column = {_quoted(match.name or '?')}"]
            if match.name:
                lines.append(f"# unit = {_quoted(match.unit)}  # {', '.join(log_units.UNITS_FOR[key])}")
            if match.unit in log_units.SCALED:
                lines.append(f"# scale = {match.scale or '?'}  # the AFR that the gauge shows at lambda 1")
            out.append("\n".join(lines))
        return "\n\n".join(out) + "\n"

    @classmethod
    def from_text(cls, text: str) -> Mapping:
        """Read a mapping out of an address; its columns are known by name only until `bound` or `propose` sees a log.

        Raises
        ------
        InputError
            For a damaged, foreign or oversized piece, or a quantity, unit or scale that does not exist.
        """
        if not isinstance(text, str) or len(text) > MAX_TEXT_CHARACTERS:
            raise InputError("mapping", text, "", f"up to {MAX_TEXT_CHARACTERS} characters", _WHY_TEXT)
        if not text.startswith(_VERSION):
            raise InputError("mapping", text, "", f"a text that begins with {_VERSION}", _WHY_TEXT)
        packed = text.removeprefix(_VERSION)
        try:
            data = base64.b64decode(packed + "=" * (-len(packed) % 4), altchars=b"-_", validate=True)
            inflate = zlib.decompressobj()
            plain = inflate.decompress(data, MAX_FILE_BYTES)
            if not inflate.eof:
                raise ValueError
            rows = json.loads(plain.decode("utf-8", "surrogatepass"))
        except (binascii.Error, ValueError, zlib.error, RecursionError) as exc:
            raise InputError("mapping", text, "", "a text made by these pages", f"It is damaged. {_WHY_TEXT}") from exc
        if not isinstance(rows, list) or not all(isinstance(r, list) and 1 <= len(r) <= 4 for r in rows):
            raise InputError("mapping", text, "", "a text made by these pages", _WHY_TEXT)
        return cls._read([(r + ["", "", None][len(r) - 1 :]) for r in rows])

    def to_toml(self) -> str:
        """Return what is sure as a small file with comments."""
        lines = [
            "# Log mapping: which column of a log is which quantity, for the next log of the same logger.",
            '# column = "" leaves a quantity out. scale: the AFR that the gauge shows at lambda 1.',
            "log_mapping = 1",
        ]
        for key, name, unit, scale in self._rows():
            lines += ["", f"[{key}]  # {CHANNELS[key].label}", f"column = {_quoted(name)}"]
            if name:
                lines += [f"unit = {_quoted(unit)}  # one of: {', '.join(log_units.UNITS_FOR[key])}"]
            lines += [f"scale = {scale!r}"] if scale is not None else []
        return "\n".join(lines) + "\n"

    @classmethod
    def from_toml(cls, text: str | bytes) -> Mapping:
        """Read a mapping out of its file.

        Raises
        ------
        InputError
            For a file that is none, or a quantity, unit or scale that does not exist.
        """
        allowed = "a file that begins with log_mapping = 1"
        if not isinstance(text, str | bytes) or len(text) > MAX_FILE_BYTES:
            raise InputError(
                "mapping", str(text)[:40], "", f"a text up to {MAX_FILE_BYTES // 1024} kB", "This is something else."
            )
        try:
            tables = tomllib.loads(text.decode("utf-8-sig") if isinstance(text, bytes) else text)
        except (ValueError, RecursionError) as exc:
            raise InputError("mapping", str(text)[:40], "", allowed, f"It cannot be read: {str(exc)[:120]}.") from exc
        version = tables.pop("log_mapping", None)
        if version != 1 or isinstance(version, bool):
            raise InputError("mapping", version, "", allowed, "It says which layout the file has.")
        rows = []
        for key, table in tables.items():
            extra = set(table) - {"column", "unit", "scale"} if isinstance(table, dict) else {"?"}
            if extra:
                raise InputError(
                    f"mapping.{key[:40]}", sorted(extra), "", "column, unit, scale", "Nothing else is known here."
                )
            rows.append([key, table.get("column", ""), table.get("unit", ""), table.get("scale")])
        return cls._read(rows)

    @classmethod
    def _read(cls, rows: list[list[Any]]) -> Mapping:
        matches: dict[str, Match] = {}
        for key, name, unit, scale in rows:
            check_choice("mapping.key", key, tuple(CHANNELS), "A review knows these quantities.")
            if not isinstance(name, str) or len(name) > _LONGEST_NAME:
                allowed = f"a name up to {_LONGEST_NAME} characters"
                raise InputError(f"mapping.{key}.column", name, "", allowed, "It is the head of a column.")
            if name:
                log_units.check(key, unit, scale)
            taken = next((m.key for m in matches.values() if name and m.name == name), "")
            if key in matches or taken:
                why = f"It stands for {taken or key} already."
                raise InputError(f"mapping.{key}.column", name, "", "a column of its own", why)
            used = float(scale) if scale is not None and unit in log_units.SCALED and name else None
            said = (
                "As in the mapping that was taken along." if name else "Left out in the mapping that was taken along."
            )
            matches[key] = Match(key, None, name, unit if name else "", used, (said,), "", 1.0)
        return cls(matches)


def _column(key: str, column: int | str, raw: RawLog | None) -> tuple[int | None, str]:
    """Return number and name of a column."""
    where = f"mapping.{key}.column"
    if isinstance(column, str):
        if not column or (raw is not None and column not in raw.names):
            raise InputError(where, column, "", "the name of a column in the log", "There is no such column.")
        return (raw.names.index(column) if raw is not None else None), column
    if raw is None:
        raise InputError(where, column, "", "the name of a column", "A number needs the log it counts in.")
    if isinstance(column, bool) or not isinstance(column, int) or not 0 <= column < len(raw.names):
        raise InputError(where, column, "", f"0 to {len(raw.names) - 1}, or None", "There is no such column.")
    return column, raw.names[column]


def _quoted(text: str) -> str:
    """Write a text as a TOML string; half characters, which TOML does not know, become a question mark."""
    out = []
    for c in text.encode("utf-8", "replace").decode("utf-8"):
        escape = c in '"\\' or ord(c) < 0x20 or ord(c) == 0x7F
        out.append(("\\" + c) if c in '"\\' else f"\\u{ord(c):04x}" if escape else c)
    return f'"{"".join(out)}"'
