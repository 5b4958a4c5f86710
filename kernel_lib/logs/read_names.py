"""Names of columns, and the units written in or below them."""

from __future__ import annotations

import re
from collections import Counter

from ..text import listed

MAX_NAME = 80

_WORDS = """
s sec secs second seconds sek sekunden ms msec millisec us µs μs usec min h hr
1/min min-1 min^-1 u/min tr/min rev/min r/min
kpa kpaa kpag mpa hpa pa bar bara barg mbar psi psia psig inhg mmhg kg/cm2 kgf/cm2 atm
°c degc celsius °f degf fahrenheit c f k kelvin
% percent pct prozent %duty
v volt volts mv a amp amps ma ohm
hz khz db
km/h kph kmh mph m/s ft/s
° deg degs degree degrees °btdc degbtdc btdc °ca degca °kw °crk bdc grad
g g/s kg/h kg/s lb/min lb/h lbs/h mg mg/stk mg/str mm3 cc cc/min l/h l/min ml/min
nm ft-lb lbft hp kw ps bhp
raw counts bool boolean on/off 0/1 flag enum - -- --- n/a none ratio 1 []
m km ft mi
"""
_UNITS = frozenset(_WORDS.split())
_NEUTRAL = frozenset({"rpm", "lambda", "λ", "afr", "gear", "time", "none", ""})
"""Words that are names as often as units."""
_SECOND = re.compile(r"[ ]*\(?(abs|absolute|gauge|gage|rel|relative|btdc|before tdc|duty|a|g|dc)\)?", re.IGNORECASE)
"""What may stand behind a unit and belongs to it."""
_BEHIND = """
ms sec msec us µs kpa mpa hpa bar mbar psi psia psig inhg mmhg °c degc °f degf % pct percent mv hz khz km/h kph kmh mph g/s °btdc volts
"""
_TAIL_BLANK = frozenset(_BEHIND.split())
_TAIL_LINE = _TAIL_BLANK | frozenset({"s", "deg", "v", "nm"})
"""Units taken for such behind a blank, and behind a low line, without brackets."""
_TAIL_CASE = frozenset({"C", "F", "K", "V"})
_BRACKETS = re.compile(r"(.*\S)\s*(?:\[([^\[\]]*)\]|\(([^()]*)\))\s*")
_LINED = re.compile(r"(.*[^_\W])_+([^_]+)")
_BLANKED = re.compile(r"(.*\S)\s+(\S+)")


def is_unit(text: str) -> bool:
    """Whether a text is a unit, in or out of brackets."""
    bare = text.strip().strip("[]()").strip()
    return _known(bare) or bare.lower() == "rpm"


def _known(bare: str) -> bool:
    small = bare.lower().replace("deg ", "deg").replace("% ", "%").replace("° ", "°")
    if small in _UNITS or small.replace(" ", "") in _UNITS:
        return True
    head, _, tail = small.partition(" ")
    return (head in _UNITS and _SECOND.fullmatch(tail) is not None) or re.fullmatch(
        r"[a-z]+\((abs|a|g|gauge)\)", small
    ) is not None


def units_row(cells: list[str]) -> bool:
    """Whether a row of cells is one of units."""
    telling = [c for c in cells if c.strip().strip("[]()").lower() not in _NEUTRAL]
    bracketed = [c for c in cells if re.fullmatch(r"\[.*\]|\(.*\)", c.strip())]
    if bracketed and len(bracketed) >= 0.6 * sum(bool(c.strip()) for c in cells):
        return True
    return bool(telling) and sum(is_unit(c) for c in telling) >= 0.6 * len(telling)


def clean(text: str) -> str:
    """Make one line of printable characters out of a cell."""
    text = "".join(c if c.isprintable() else " " for c in text.replace("\ufeff", ""))
    return " ".join(text.split()).strip("\"'").strip()[:MAX_NAME].strip()


def split_unit(name: str) -> tuple[str, str]:
    """Take the unit off a name: ``"Oil Press_kPa"`` -> ``("Oil Press", "kPa")``; "" where there is none."""
    found = _BRACKETS.fullmatch(name)
    if found:
        unit = (found[2] if found[2] is not None else found[3]).strip()
        sure = found[2] is not None and re.search(r"[/°^%]", unit)
        if unit and (is_unit(unit) or sure) and not re.fullmatch(r"[0-9.,: ]+", unit):
            return found[1].rstrip(" _:,"), unit
        return name, ""
    found = _LINED.fullmatch(name)
    if found and (found[2].lower() in _TAIL_LINE or found[2] in _TAIL_CASE):
        return found[1], found[2]
    found = _BLANKED.fullmatch(name)
    if found and found[2].lower() in _TAIL_BLANK:
        return found[1], found[2]
    return name, ""


def names_and_units(names: list[str], units: list[str], count: int, notes: list[str]) -> tuple[list[str], list[str]]:
    """Return a name for every column, none twice, and its unit.

    Parameters
    ----------
    names, units : list of str
        Cells of the header and of the row of units; fewer than there are columns, or none.
    count : int
        Columns.
    notes : list of str
        What was made up is added.
    """
    full = [clean(c) for c in names[:count]] + [""] * (count - len(names))
    below = [clean(c).strip("[]()").strip() for c in units[:count]] + [""] * (count - len(units))
    unnamed = [k for k in range(count) if not full[k]]
    if unnamed and names:
        notes.append(
            f"{_columns(len(unnamed))} without a name: called by {'its' if len(unnamed) == 1 else 'their'} number."
        )
    full = [text or f"column {k + 1}" for k, text in enumerate(full)]
    pairs = [(text, unit) if unit else split_unit(text) for text, unit in zip(full, below, strict=True)]
    seen = Counter(name for name, _ in pairs)
    short = [name if seen[name] == 1 else text for (name, _), text in zip(pairs, full, strict=True)]
    return unique(short, notes), [unit for _, unit in pairs]


def _columns(count: int) -> str:
    return "One column" if count == 1 else f"{count} columns"


def unique(names: list[str], notes: list[str]) -> list[str]:
    """Set numbers behind names that come again."""
    given, seen, count = set(names), set(), Counter()
    out, again = [], []
    for name in names:
        made = name
        while made in seen or (made != name and made in given):
            count[name] += 1
            made = f"{name} ({count[name] + 1})"
        if made != name:
            again.append(f"'{made}'")
        seen.add(made)
        out.append(made)
    if again:
        shown = listed(again[:5]) + (" and more" if len(again) > 5 else "")
        notes.append(f"Names that stand in the header more than once were told apart: {shown}.")
    return out
