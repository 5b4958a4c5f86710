"""The tables of a tune as they are typed into a controller: for the eye, for the clipboard, as CSV."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..plan.own_tables import OwnTables
from ..plan.room import added_fuel_key
from ..plan.tune import Tune
from ..text import csv_cell, listed
from ..units import lb_from_kg


@dataclass(frozen=True, eq=False)
class Grid:
    """A table over engine speed.

    Attributes
    ----------
    title, unit, over : str
        What it holds, and what its columns are.
    rows : array
        Speeds [rpm].
    columns : list of str
    values : array, shape (rows, columns)
        NaN is left empty.
    digits : int
    allowed : array of bool
        Where a limit is broken the value is marked.
    """

    title: str
    unit: str
    over: str
    rows: np.ndarray
    columns: list[str]
    values: np.ndarray
    digits: int
    allowed: np.ndarray

    def cell(self, k: int, m: int) -> str:
        """Write a value."""
        value = self.values[k, m]
        return "" if not np.isfinite(value) else f"{value:.{self.digits}f}"

    @property
    def warning(self) -> str:
        """Which cells break a limit, in words; empty where none does."""
        bad = [
            f"{name} at {listed([f'{v:g}' for v in self.rows[~self.allowed[:, m]]])} rpm"
            for m, name in enumerate(self.columns)
            if not self.allowed[:, m].all()
        ]
        return f"breaks a limit: {self.over} {'; '.join(bad)}" if bad else ""

    @property
    def tsv(self) -> str:
        """Tab-separated text: columns in the first row, speeds in the first column."""
        head = ["rpm", *self.columns]
        body = [[f"{r:g}", *(self.cell(k, m) for m in range(len(self.columns)))] for k, r in enumerate(self.rows)]
        return "\n".join("\t".join(row) for row in [head, *body]) + "\n"

    @property
    def heading(self) -> str:
        """Title, unit, what the columns are, and what is forbidden, in a line."""
        return "; ".join(part for part in (f"{self.title}, {self.unit}", f"columns: {self.over}", self.warning) if part)


def grids(tune: Tune, own: OwnTables, *, metric: bool) -> list[Grid]:
    """The tables on the tuner's own breakpoints.

    Parameters
    ----------
    tune : Tune
    own : OwnTables
    metric : bool
        kg/h, else lb/h.

    Returns
    -------
    list of Grid
        A pulsed valve: its duty for every step of the ladder, then fuel and timing over valve duty. Else what is open, fuel and timing for every step.
    """
    return _over_duty(tune, own, metric=metric) if tune.pulsed else _over_steps(tune, own, metric=metric)


def _fuel(kg_h: np.ndarray, metric: bool) -> tuple[str, np.ndarray]:
    return ("kg/h", kg_h) if metric else ("lb/h", lb_from_kg(kg_h))


def _over_duty(tune: Tune, own: OwnTables, *, metric: bool) -> list[Grid]:
    columns, steps = [f"{c:g}" for c in own.duty_percent], tune.ladder.steps

    def grid(title: str, unit: str, values: np.ndarray, digits: int) -> Grid:
        return Grid(title, unit, "valve duty, %", own.rpm, columns, values, digits, own.allowed)

    duties = [np.where(own.inside, v, 0.0) for v in tune.step_duties(own.rpm)]
    duty = Grid(
        "Valve duty", "%", "step of the ladder", own.rpm, [f"step {k + 1}" for k in range(len(steps))],
        np.floor(2 * np.array(duties).reshape(len(steps), len(own.rpm)).T + 1e-6) / 2, 1, np.ones((len(own.rpm), len(steps)), bool),
    )  # fmt: skip
    out = [duty, grid("Fuel to add", *_fuel(own.fuel_kg_h, metric), 1)]
    if tune.sheet.nitrous.system == "dry":
        out += [
            grid("Fuel to add, of what the controller gives by itself", "%", own.fuel_percent, 1),
            grid("Injector open longer by", "ms", own.fuel_ms, 2),
        ]
    return [*out, grid("Timing to take out", "deg", own.retard_deg, 1)]


def _over_steps(tune: Tune, own: OwnTables, *, metric: bool) -> list[Grid]:
    steps, room = tune.ladder.steps, tune.room
    rpm = np.clip(own.rpm, room.rpm[0], room.rpm[-1])
    shares = [step.share * tune.share_at(rpm) for step in steps]
    columns = [f"step {k + 1}" for k in range(len(steps))]
    shape = (len(rpm), len(steps))
    fuel = (
        np.array([room.at(added_fuel_key(tune.sheet, "kg_h"), rpm, s) * (s > 0) for s in shares]).reshape(shape[::-1]).T
    )
    retard = np.array([room.first_hit(rpm, s) for s in shares]).reshape(shape[::-1]).T
    open_ = np.array([100 * s * own.inside for s in shares]).reshape(shape[::-1]).T
    allowed = np.array([~own.inside | (s <= room.most_at(rpm) + 1e-6) for s in shares]).reshape(shape[::-1]).T

    def grid(title: str, unit: str, values: np.ndarray, digits: int) -> Grid:
        return Grid(title, unit, "step of the ladder", own.rpm, columns, values, digits, allowed)

    return [
        grid("Nitrous flow, of the fitted nozzle's", "%", open_, 0),
        grid("Fuel to add", *_fuel(fuel, metric), 1),
        grid("Timing to take out", "deg", retard, 1),
    ]


def held(tune: Tune, own: OwnTables) -> str:
    """Say what stands in rows outside the window; nothing where there are none."""
    if own.inside.all():
        return ""
    low, high = tune.room.rpm[0], tune.room.rpm[-1]
    return (
        f"Outside {low:.0f} to {high:.0f} rpm no nitrous flows; fuel and timing are those of the window's end, so that a controller that draws lines between breakpoints has them in full "
        "inside, and keeps them through the wash-out."
    )


def jumps(tune: Tune, own: OwnTables) -> str:
    """Say what a controller that draws lines does between the largest duty that is pulsed and an open valve; or where stages open."""
    if tune.pulsed:
        top = tune.most_duty
        if ((own.duty_at > top + 1e-6) & own.inside).any():
            return f"Above {top:.0f} % valve duty the valve no longer closes between pulses: whatever stands there, or on a line through it, is an open valve. The limits were checked for that."
        return ""
    return tune.stage_note


def copied(tune: Tune, tables: list[Grid]) -> str:
    """All tables as text to copy, what forbids to spray in the first lines."""
    stops = "".join(f"Do not spray yet. {text}\n" for text in tune.blockers)
    return stops + "\n".join(f"{g.heading}\n{g.tsv}" for g in tables)


def csv_of(tune: Tune, tables: list[Grid]) -> str:
    """All tables in one CSV, each under a line with its title; what forbids to spray in the first lines."""
    out = [csv_cell(f"Do not spray yet. {text}") for text in tune.blockers]
    for table in tables:
        out += [csv_cell(table.heading), table.tsv.strip().replace("\t", ","), ""]
    return "\n".join(out)
