"""Numbers as a reader should see them: rounded to what is known, with unit and band."""

from __future__ import annotations

from collections.abc import Mapping
from math import floor, isfinite, log10


def rounded(value: float, spread: float | None = None) -> str:
    """Write a number with the digits its spread allows: two at least, and none finer than a tenth of the spread."""
    if not isfinite(value):
        return "–"
    if value == 0:
        return "0"
    finest = floor(log10(abs(value))) - 2
    if spread:
        finest = min(max(floor(log10(spread)), finest), floor(log10(abs(value))) - 1)
        finest = max(finest, floor(log10(spread)) - 2)  # next to a wide spread a small value is nothing
    digits = max(0, -finest)
    if round(value, -finest) == 0:
        return "0"
    return f"{round(value, -finest):,.{digits}f}".replace(",", " ")


def banded(low: float, best: float, high: float) -> str:
    """Write ``best (low to high)``; an end that is not a number is said to be not known."""
    if not isfinite(best):
        return "–"
    spread = high - low
    if not isfinite(spread):
        return f"{rounded(best, abs(best))} (edge not known)"
    if spread <= 1e-3 * abs(best):
        return rounded(best)
    return f"{rounded(best, spread)} ({rounded(low, spread)} to {rounded(high, spread)})"


def banded_in(row: Mapping[str, float], name: str, factor: float = 1.0) -> str:
    """Write a banded column of a table's row, times a factor."""
    return banded(*(factor * float(row[f"{name}{end}"]) for end in ("_low", "", "_high")))


def degrees(value: float) -> str:
    """Write an angle of timing, one decimal: a controller's table takes half degrees."""
    return f"{round(float(value), 1) + 0.0:.1f}"


def plus_minus(value: float, error: float | None) -> str:
    """Write ``value ± error``: the error to one digit (two where it begins with 1 or 2), the value no finer; the value alone where no error is known."""
    if not isfinite(value):
        return "–"
    if error is None or not isfinite(error) or error <= 0:
        return rounded(value)
    finest = floor(log10(error))
    finest -= int(round(error, -finest) < 2.5 * 10**finest)
    digits = max(0, -finest)
    shown, off = (round(v, -finest) + 0.0 for v in (value, error))
    return f"{shown:,.{digits}f} ± {off:,.{digits}f}".replace(",", " ")


def lowered(text: str) -> str:
    """Begin a sentence small, to stand inside another."""
    return text[:1].lower() + text[1:]


def listed(words: list[str]) -> str:
    """Write ``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def csv_safe(text: str) -> str:
    """Make a text one line that no spreadsheet takes for a formula: such a one gets an apostrophe before it."""
    line = " ".join(text.split())
    return f"'{line}" if line[:1] in ("=", "+", "-", "@") and not _is_plain_number(line) else line


def csv_cell(text: str) -> str:
    """Write a text as a cell of a CSV file: safe, and in quotes."""
    doubled = csv_safe(text).replace('"', '""')
    return f'"{doubled}"'


def _is_plain_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
