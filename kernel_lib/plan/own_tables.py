"""The tune on the tuner's own breakpoints."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import InputError, check_array, check_rising
from .pulsing import Pulsing
from .ramp import worst_over_rpm
from .room import added_fuel_key
from .tune import Tune, strongest


@dataclass(frozen=True, eq=False)
class OwnTables:
    """Tables on the tuner's own breakpoints, (speeds, valve duties).

    Attributes
    ----------
    rpm, duty_percent : array
    fuel_kg_h, fuel_percent, fuel_ms : array
        Fuel to add as this car meters it; 0 where nothing flows. Outside the window fuel and retard are those of its end, so that a controller which draws a
        line across the end has them in full inside.
    retard_deg : array
        Up to the half degree.
    duty_at : array
        Valve duty of the ramp at those speeds [%], 0 outside the window.
    allowed : array of bool
        Whether every limit is kept there.
    inside : array of bool
        Which speeds lie in the window.
    """

    rpm: np.ndarray
    duty_percent: np.ndarray
    fuel_kg_h: np.ndarray
    fuel_percent: np.ndarray
    fuel_ms: np.ndarray
    retard_deg: np.ndarray
    duty_at: np.ndarray
    allowed: np.ndarray
    inside: np.ndarray


def own_tables(tune: Tune, rpm, duty_percent=(100.0,)) -> OwnTables:
    """Read the tune on breakpoints.

    Parameters
    ----------
    tune : Tune
    rpm, duty_percent : array
        Rising; duties 0 to 100. Where the valve is not pulsed the shares of its stages stand in their place.

    Raises
    ------
    InputError
        For breakpoints that do not rise or lie out of range.
    """
    sheet, room = tune.sheet, tune.room
    rpm, duty = (
        _rising("tables.rpm", rpm, 500.0, 12000.0, "rpm"),
        _rising("tables.duty_percent", duty_percent, 0.0, 100.0, "%"),
    )
    pulsing = Pulsing.of(sheet) if tune.pulsed else None
    if pulsing is None:
        duty = 100 * np.unique(tune.ramp.share[tune.ramp.share > 0])
    share = pulsing.share(duty / 100) if pulsing else duty / 100
    inside = (rpm >= room.rpm[0] - 1e-9) & (rpm <= room.rpm[-1] + 1e-9)
    shape = len(rpm), len(duty)
    held = np.broadcast_to(np.clip(rpm, room.rpm[0], room.rpm[-1])[:, None], shape)
    parts = np.broadcast_to(share[None, :], shape)
    peak = strongest(sheet, tune.ramp, held, parts)

    def read(name: str) -> np.ndarray:
        return np.where(parts > 0, room.at(name, held, parts), 0.0)

    ramp_share = np.where(inside, worst_over_rpm(sheet, tune.ramp, held[:, 0]), 0.0)
    return OwnTables(
        rpm,
        duty,
        read(added_fuel_key(sheet, "kg_h")),
        read("fuel_added_percent"),
        read("fuel_added_ms"),
        _retard(tune, held, parts),
        100 * (pulsing.duty(ramp_share) if pulsing else ramp_share),
        ~inside[:, None] | (peak <= room.most_at(held) + 1e-6),
        inside,
    )


def _retard(tune: Tune, rpm: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Retard at speeds and shares; below the smallest pulse that of it, so that a line from there to a larger dose has enough."""
    if tune.pulsed:
        share = np.maximum(share, Pulsing.of(tune.sheet).least)
    return tune.room.first_hit(rpm, strongest(tune.sheet, tune.ramp, rpm, share))


def chords(tune: Tune, own: OwnTables) -> str:
    """Say where a line between two breakpoints takes too little retard; empty where none does by more than half a degree."""
    rpm, duty, retard = own.rpm[own.inside], own.duty_percent, own.retard_deg[own.inside]
    across = _short(tune, rpm, duty, retard, "% valve duty", "column", over_rpm=False) if tune.pulsed else ""
    return " ".join(text for text in (across, _short(tune, rpm, duty, retard, "rpm", "row", over_rpm=True)) if text)


def _short(
    tune: Tune, rpm: np.ndarray, duty: np.ndarray, retard: np.ndarray, unit: str, what: str, *, over_rpm: bool
) -> str:
    """Compare the retard half way between breakpoints with the line that a controller draws there."""
    points, table = (rpm, retard) if over_rpm else (duty, retard.T)
    if len(points) < 2 or not retard.size:
        return ""
    middle = 0.5 * (points[1:] + points[:-1])
    at, duty = (middle, duty) if over_rpm else (rpm, middle)
    share = Pulsing.of(tune.sheet).share(duty / 100) if tune.pulsed else duty / 100
    need = _retard(tune, *np.broadcast_arrays(at[:, None], share[None, :]))
    short = ((need if over_rpm else need.T) - 0.5 * (table[1:] + table[:-1])).max(axis=1)
    k = int(short.argmax())
    if short[k] <= 0.5:
        return ""
    return f"Between {points[k]:g} and {points[k + 1]:g} {unit} a line takes up to {short[k]:.1f} degrees too little out: add a {what} at {middle[k]:g} {unit.split(maxsplit=1)[0]}."


def _rising(field: str, values, low: float, high: float, unit: str) -> np.ndarray:
    try:
        row = np.atleast_1d(np.asarray(values, float))
    except (TypeError, ValueError) as exc:
        raise InputError(field, str(values)[:40], unit, "a row of numbers", "They cannot be read as numbers.") from exc
    if row.ndim != 1:
        raise InputError(
            field, f"{row.ndim} dimensions", "", "a row of numbers", "A table has one row of breakpoints a side."
        )
    if not len(row) or len(row) > 40:
        raise InputError(field, len(row), "values", "1 to 40 values", "A table of a controller is no longer.")
    check_array(field, row, low, high, unit, "A table runs over what the engine and the valve can do.")
    check_rising(field, row, unit, "A table is read between its breakpoints.")
    return row
