"""What a cell says: a number in somebody's way of writing, a switch, a clock, or words."""

from __future__ import annotations

import re
from dataclasses import dataclass

MISSING = frozenset(
    {
        "-",
        "--",
        "---",
        "----",
        "-----",
        "nan",
        "na",
        "n/a",
        "n.a.",
        "#n/a",
        "null",
        "none",
        "*",
        "**",
        "***",
        "?",
        "??",
        "???",
    }
    | {"-nan", "#####", "####", "<na>", "nil", "."}
)
"""Cells, in small letters, that say there is no value."""
SWITCHES = {
    **dict.fromkeys(("on", "true", "yes", "ein", "an", "ja", "wahr", "oui", "vrai", "active", "enabled"), 1.0),
    **dict.fromkeys(("off", "false", "no", "aus", "nein", "falsch", "non", "faux", "inactive", "disabled"), 0.0),
}
"""Cells, in small letters, of something that is on or off."""

_EXP = r"(?:[eE][+-]?[0-9]{1,4})?"
NUMBER = {
    "." : re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)" + _EXP),
    "," : re.compile(r"[+-]?(?:[0-9]+,?[0-9]*|,[0-9]+)" + _EXP),
}  # fmt: skip
"""A whole cell that is a number, by the decimal mark."""
_BLANKS = r"[ \u00a0\u2009\u202f'’]"
_GROUPED = {
    mark: re.compile(
        rf"[+-]?[0-9]{{1,3}}(?:{_BLANKS}[0-9]{{3}})+(?:{re.escape(mark)}[0-9]*)?"
        rf"|[+-]?[1-9][0-9]{{0,2}}(?:{other}[0-9]{{3}}){{2,}}"
        rf"|[+-]?[1-9][0-9]{{0,2}}(?:{other}[0-9]{{3}})+{re.escape(mark)}[0-9]+"
    )
    for mark, other in ((".", ","), (",", r"\."))
}
_EITHER = {mark: re.compile(rf"[+-]?[1-9][0-9]{{0,2}}{other}[0-9]{{3}}") for mark, other in ((".", ","), (",", r"\."))}
_SUFFIXED = re.compile(
    r"([+-]?[0-9.,]*[0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?)[ \u00a0]*([^\W\d_]{1,6}[0-9²³]?|%|°[A-Za-z]?|[A-Za-z]{1,4}/[A-Za-z]{1,4})"
)
_BEYOND = re.compile(r"([<>\u2264\u2265])=? *([+-]?[0-9][0-9.,]*)|([+-]?[0-9][0-9.,]*) *\+")
"""A number of which the gauge says only that there is more of it, or less."""
OVER = frozenset({"lean", "hi", "high", "over", "overrange", "ovr", "ol", "o.l.", "max", "inf", "+inf", "infinity"})
UNDER = frozenset({"rich", "lo", "low", "under", "underrange", "min", "-inf"})
"""Cells, in small letters, of a gauge that is at the end of what it shows; common practice, no source."""
_ENDLESS = frozenset({"inf", "+inf", "-inf", "infinity"})
SPOILT = frozenset({"*", "**", "***", "?", "??", "???", "####", "#####"})
"""Cells that say nothing, where something was measured and could not be written."""
_DATE = r"(?:[0-9]{1,4}[-./][0-9]{1,2}[-./][0-9]{1,4})"
CLOCK = re.compile(
    rf"(?:({_DATE})[ T_,]*)?([0-9]{{1,4}}):([0-9]{{2}})(?::([0-9]{{2}}))?(?:[.,:]([0-9]{{1,9}}))?[ ]*([AaPp][Mm])?"
    r"(?:Z|[ ]?[+-][0-9]{2}:?[0-9]{2})?"
)
"""A time of day, with or without a date: date, hours, minutes, seconds, fraction, half of the day."""
DATE = re.compile(_DATE)


@dataclass(frozen=True)
class Cell:
    """What one cell says: its value (NaN where it has none) and how that was found.

    `kind` is "number", "missing", "switch", "grouped" (thousands set apart), "other mark" (the other decimal mark), "either"
    (thousands or the other decimal mark), "suffix" (a unit behind the number), "over" or "under" (beyond the end of a gauge, with the
    number where one is given) or "words".
    """

    kind: str
    value: float = float("nan")
    suffix: str = ""


def bare(text: str) -> str:
    """Take blanks and quotes off the ends of a cell; a long minus becomes a plain one."""
    return text.strip().strip("\"'").strip().replace("\u2212", "-")


def kind_of(text: str, mark: str) -> str:
    """Say roughly what a cell of a sample is: "blank", "number", "missing", "switch", "clock", "label" (no digit in it) or "words"."""
    if NUMBER[mark].fullmatch(text):
        return "number"
    small = text.lower()
    if not small or small in MISSING or small in _ENDLESS:
        return "missing" if small else "blank"
    if small in SWITCHES:
        return "switch"
    if text[0].isdigit() and (CLOCK.fullmatch(text) or DATE.fullmatch(text)):
        return "clock"
    if not any(c.isdigit() for c in text):
        return "label"
    found = _SUFFIXED.fullmatch(text)
    return "number" if found and NUMBER[mark].fullmatch(found[1]) else "words"


def _plain(text: str, mark: str) -> float:
    return float(text.replace(",", ".") if mark == "," else text)


def cell_of(text: str, mark: str) -> Cell:
    """Read one cell in a file whose decimal mark is `mark`."""
    text = bare(text)
    small = text.lower()
    if not text or small in MISSING:
        return Cell("missing")
    if NUMBER[mark].fullmatch(text):
        return Cell("number", _plain(text, mark))
    if small in SWITCHES:
        return Cell("switch", SWITCHES[small])
    if small in OVER or small in UNDER:
        return Cell("over" if small in OVER else "under")
    return _unusual(text, mark)


def _unusual(text: str, mark: str) -> Cell:
    other = "," if mark == "." else "."
    if _GROUPED[mark].fullmatch(text):
        return Cell("grouped", _plain(re.sub(rf"{_BLANKS}|{re.escape(other)}", "", text), mark))
    if NUMBER[other].fullmatch(text):
        return Cell("either" if _EITHER[mark].fullmatch(text) else "other mark", _plain(text, other))
    if beyond := _BEYOND.fullmatch(text):
        number = beyond[2] or beyond[3]
        for each in (mark, other):
            if NUMBER[each].fullmatch(number):
                return Cell("under" if beyond[1] in ("<", "\u2264") else "over", _plain(number, each))
    found = _SUFFIXED.fullmatch(text)
    if found and (NUMBER[mark].fullmatch(found[1]) or NUMBER[other].fullmatch(found[1])):
        return Cell("suffix", _plain(found[1], mark if NUMBER[mark].fullmatch(found[1]) else other), found[2])
    return Cell("words")


def seconds_of(text: str) -> tuple[str, float] | None:
    """Return date and seconds after midnight of a clock; None where the cell is none.

    ``mm:ss.fff`` and ``mm:ss`` are minutes and seconds; ``hh:mm:ss:fff`` has its thousandths behind a colon.
    """
    found = CLOCK.fullmatch(bare(text))
    if not found:
        return None
    date, first, second, third, fraction, half = found.groups()
    if third is None:
        seconds = 60.0 * int(first) + int(second) if not half else 3600.0 * int(first) + 60.0 * int(second)
    else:
        seconds = 3600.0 * int(first) + 60.0 * int(second) + int(third)
    if fraction:
        seconds += int(fraction) / 10 ** len(fraction)
    if half:
        seconds += 43200.0 * (half.lower() == "pm") - 43200.0 * (int(first) == 12)
    return date or "", seconds
