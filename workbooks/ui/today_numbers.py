"""Numbers of today with sign, unit and band."""

from __future__ import annotations

from kernel_lib.band import Band
from kernel_lib.plan.today_rows import Change
from kernel_lib.text import banded, rounded

from . import display


def signed(text: str) -> str:
    """Write a minus as a minus."""
    return text.replace("-", "−")


def amount(band: Band, unit: str, system: str) -> str:
    """Write a number with its band in the reader's unit."""
    if unit == "°C":
        return degrees(band.best, system)
    to = display.shown(unit, system)
    return f"{banded(to.there(band.low), to.there(band.best), to.there(band.high))} {to.unit}".strip()


def likely(band: Band, unit: str, system: str) -> str:
    """Write the likely number alone."""
    if unit == "°C":
        return degrees(band.best, system)
    to = display.shown(unit, system)
    return f"{rounded(to.there(band.best), to.there(band.high) - to.there(band.low))} {to.unit}".strip()


def degrees(celsius: float, system: str) -> str:
    """Write a temperature as a thermometer is read: whole degrees F, halves of degrees C."""
    to = display.shown("°C", system)
    value = to.there(celsius)
    return f"{display.plain(round(value) if system == display.US else round(2 * value) / 2)} {to.unit}"


def bore_text(mm: float, system: str) -> str:
    """Write a bore."""
    return display.quantity(mm, "mm", system, 4 if system == display.US else 2)


def step(change: Change, system: str) -> tuple[str, str]:
    """Return a change with its sign and unit, and its band or ""."""
    unit = {"kPa gauge": "kPa differential"}.get(change.noise.unit, change.noise.unit)
    to = display.shown(unit, system)
    digits = {"": 3, "%": 0, "points": 0}.get(unit, 0)

    def write(value: float) -> str:
        text = f"{to.there(value):+.{digits}f}"
        return "0" if not float(text) else signed(text)

    band, tail = change.change, to.unit.replace(" differential", "")
    texts = [write(v) for v in (band.low, band.best, band.high)]
    span = f"{texts[0]} to {texts[2]}" if texts[0] != texts[2] else ""
    return f"{texts[1]} {tail}".strip(), f"{span} {tail}".strip() if span else ""


def with_span(change: Change, system: str) -> str:
    """Write a change with its band."""
    value, span = step(change, system)
    return f"{value} ({span})" if span else value
