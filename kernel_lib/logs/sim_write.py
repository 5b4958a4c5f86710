"""A simulated log as a file, in one of several dialects: delimiters, decimal signs, units and rates as loggers have them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ..errors import InputError
from .log import Log

_PSI, _SCALE = 0.1450377, 14.7
_UNITS = {
    "s": (1.0, 0.0, 2),
    "ms": (1e3, 0.0, 0),
    "psi": (_PSI, 0.0, 0),
    "F": (1.8, 32.0, 0),
    "mph": (0.6213712, 0.0, 1),
    "AFR": (_SCALE, 0.0, 2),
    "bar": (0.01, 0.0, 2),
}
"""Factor, offset and digits of a unit that is not the log's own."""

_DIGITS = {
    "rpm": 0, "throttle_percent": 1, "lambda_": 3, "timing_deg_btdc": 1, "nitrous_duty_percent": 1, "nitrous_on": 0, "bottle_kpa": 0, "fuel_kpa": 1,
    "injector_duty_percent": 1, "injector_ms": 2, "intake_c": 1, "coolant_c": 1, "knock": 2, "manifold_kpa": 1, "trim_percent": 1, "battery_v": 2,
    "gear": 0, "speed_km_h": 1,
}  # fmt: skip


@dataclass(frozen=True)
class Style:
    """How a logger writes.

    Attributes
    ----------
    columns : dict
        Channel -> name and unit as they stand in the file; time first. A unit of `_UNITS` is converted to.
    delimiter, decimal : str
    units : {"row", "name", ""}
        Where the units stand: in a row of their own, behind the name, or nowhere.
    bracket : str
        Round a unit behind a name, as "[]"; "_" puts it there with that sign.
    every : dict
        Channel -> only every so many rows hold it; blank between.
    head : tuple of str
        Lines before the names.
    """

    columns: Mapping[str, tuple[str, str]]
    delimiter: str = ","
    decimal: str = "."
    units: str = "name"
    bracket: str = "[]"
    every: Mapping[str, int] = field(default_factory=dict)
    head: tuple[str, ...] = ()


_LONG = {
    "time_s": ("time", "s"), "rpm": ("engine speed", "rpm"), "throttle_percent": ("throttle", "%"), "lambda_": ("lambda", ""),
    "timing_deg_btdc": ("ignition timing", "deg"), "nitrous_duty_percent": ("nitrous valve duty", "%"), "nitrous_on": ("nitrous switch", ""),
    "bottle_kpa": ("bottle pressure", "kPa"), "fuel_kpa": ("fuel pressure", "kPa"), "injector_duty_percent": ("injector duty", "%"),
    "injector_ms": ("injector open time", "ms"), "intake_c": ("intake temperature", "C"), "coolant_c": ("coolant temperature", "C"),
    "knock": ("knock signal", ""), "manifold_kpa": ("manifold pressure", "kPa"), "trim_percent": ("lambda correction", "%"), "gear": ("gear", ""),
    "speed_km_h": ("road speed", "km/h"),
}  # fmt: skip
_SHORT = {
    "time_s": ("t", "s"), "rpm": ("rpm", "1/min"), "throttle_percent": ("throttle pos", "%"), "lambda_": ("lambda", "-"), "timing_deg_btdc": ("spark adv", "deg"),
    "nitrous_duty_percent": ("n2o duty", "%"), "nitrous_on": ("n2o on", ""), "bottle_kpa": ("bottle", "kPa"), "fuel_kpa": ("rail", "kPa"),
    "injector_duty_percent": ("inj duty", "%"), "injector_ms": ("inj open", "ms"), "intake_c": ("air temp", "°C"), "coolant_c": ("water temp", "°C"),
    "knock": ("knock", "V"), "manifold_kpa": ("map", "kPa"), "battery_v": ("battery", "V"), "speed_km_h": ("speed", "km/h"),
}  # fmt: skip
_US = _SHORT | {
    "lambda_": ("wideband afr", "AFR"), "bottle_kpa": ("bottle pres", "psi"), "fuel_kpa": ("fuel pres", "psi"), "intake_c": ("inlet temp", "F"),
    "coolant_c": ("coolant temp", "F"), "speed_km_h": ("road speed", "mph"),
}  # fmt: skip


def _but(columns: Mapping, changes: Mapping, *left_out: str) -> dict[str, tuple[str, str]]:
    """Return columns with others in place of some, and without some."""
    return {key: value for key, value in (dict(columns) | dict(changes)).items() if key not in left_out}


_SLOW = {"bottle_kpa": 5, "fuel_kpa": 2, "intake_c": 25, "coolant_c": 50}
STYLES: dict[str, Style] = {
    "plain": Style(_LONG),
    "semicolon": Style(_SHORT, ";", ",", "row"),
    "tab": Style(_but(_LONG, {"time_s": ("time", "ms"), "rpm": ("crank speed", "rpm")}, "gear"), "\t", bracket="()"),
    "us row": Style(_US, units="row"),
    "us names": Style(_but(_US, {"time_s": ("time", "s"), "rpm": ("rpm", "")}, "manifold_kpa"), bracket="_"),
    "slow blank": Style(_LONG, every=_SLOW),
    "semicolon slow": Style(
        _but(_SHORT, {"time_s": ("time", "ms"), "gear": ("gear", "")}, "battery_v"),
        ";",
        ".",
        "row",
        every=_SLOW | {"lambda_": 2},
    ),
    "tab afr": Style(
        _but(_SHORT, {"lambda_": ("afr", "AFR"), "bottle_kpa": ("bottle", "bar")}), "\t", ",", bracket="()"
    ),
    "preamble": Style(
        _but(_LONG, {"lambda_": ("lambda sensor", "")}),
        bracket="()",
        head=("log of the shop's own recorder", "car,Wren 3.3 five", ""),
    ),
}
"""Dialects by name."""


def text_of(log: Log, style: Style | str) -> str:
    """Return a log as a logger would write it.

    Parameters
    ----------
    log : Log
        On a clock of 100 Hz.
    style : Style or str
        Or the name of one of `STYLES`.

    Raises
    ------
    InputError
        For a dialect of an unknown name.
    """
    if isinstance(style, str):
        if style not in STYLES:
            raise InputError("style", style, "", ", ".join(STYLES), "There is no dialect of that name.")
        style = STYLES[style]
    keys = [k for k in style.columns if k == "time_s" or k in log.data]
    rows = list(zip(*(_cells(log, style, key) for key in keys), strict=True))
    names = [_named(style, *style.columns[key]) for key in keys]
    lines = [*style.head, style.delimiter.join(names)]
    if style.units == "row":
        lines.append(style.delimiter.join(style.columns[key][1] for key in keys))
    return "\n".join([*lines, *(style.delimiter.join(row) for row in rows)]) + "\n"


def write(simulated, path: str | Path, style: Style | str = "plain") -> None:
    """Write a simulated log to a file; see `text_of`."""
    Path(path).write_text(text_of(simulated.log, style), encoding="utf-8", newline="\n")


def _named(style: Style, name: str, unit: str) -> str:
    if style.units != "name" or not unit:
        return name
    if style.bracket == "_":
        return f"{name} {unit}".replace(" ", "_").replace("%", "pct")
    return f"{name} {style.bracket[0]}{unit}{style.bracket[1]}"


def _cells(log: Log, style: Style, key: str) -> list[str]:
    """Return a column as text; blank where the logger had no sample."""
    values, unit = log.time_s if key == "time_s" else log.data[key], style.columns[key][1]
    factor, offset, digits = _UNITS.get(unit, (1.0, 0.0, _DIGITS.get(key, 2)))
    if key == "injector_ms":  # in ms already, as in the log
        factor, offset, digits = 1.0, 0.0, _DIGITS[key]
    if (key, unit) == ("fuel_kpa", "psi"):
        digits = 1
    cells = [f"{v:.{digits}f}" if np.isfinite(v) else "" for v in (factor * values + offset).tolist()]
    if style.decimal != ".":
        cells = [c.replace(".", style.decimal) for c in cells]
    every = style.every.get(key, 1)
    return [c if k % every == 0 else "" for k, c in enumerate(cells)]
