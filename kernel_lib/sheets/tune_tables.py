"""The tables of a tune as they are typed into a controller: for the eye, for the clipboard, as CSV."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..plan.tune import OwnTables, Tune
from ..units import lb_from_kg


@dataclass(frozen=True, eq=False)
class Grid:
    """A table: what it is, its unit, rows (speeds), columns, values, decimals; NaN is left empty.

    Attributes
    ----------
    title, unit : str
    rows, columns : array
        Speeds [rpm]; valve duties [%], or empty for a row of one value a speed.
    values : array, shape (rows, columns)
    digits : int
    allowed : array of bool
        Where a limit is broken the value is marked.
    over : str
        What the columns are.
    """

    title: str
    unit: str
    rows: np.ndarray
    columns: np.ndarray
    values: np.ndarray
    digits: int
    allowed: np.ndarray
    over: str = "% valve duty"

    def cell(self, k: int, m: int) -> str:
        """Write a value."""
        value = self.values[k, m]
        return "" if not np.isfinite(value) else f"{value:.{self.digits}f}"

    @property
    def tsv(self) -> str:
        """Tab-separated text: duties in the first row, speeds in the first column."""
        head = ["rpm", *(f"{c:g}" for c in self.columns)]
        body = [[f"{r:g}", *(self.cell(k, m) for m in range(len(self.columns)))] for k, r in enumerate(self.rows)]
        return "\n".join("\t".join(row) for row in [head, *body]) + "\n"


def grids(tune: Tune, own: OwnTables, *, metric: bool) -> list[Grid]:
    """The tables on the tuner's own breakpoints: valve duty of the ramp, fuel to add, retard.

    Parameters
    ----------
    tune : Tune
    own : OwnTables
    metric : bool
        kg/h, else lb/h.
    """

    def grid(title: str, unit: str, values: np.ndarray, digits: int) -> Grid:
        over = "% valve duty" if tune.pulsed else "% of the flow open"
        return Grid(title, unit, own.rpm, own.duty_percent, values, digits, own.allowed, over)

    duty = Grid(
        "Valve duty of the ramp" if tune.pulsed else "Valve: share of the flow that is open",
        "%",
        own.rpm,
        np.array([100.0]),
        np.floor(2 * own.duty_at[:, None] + 1e-6) / 2,
        1,
        np.ones((len(own.rpm), 1), bool),
    )
    fuel = own.fuel_kg_h if metric else lb_from_kg(own.fuel_kg_h)
    out = [duty, grid("Fuel to add", "kg/h" if metric else "lb/h", fuel, 2 if metric else 1)]
    if tune.sheet.nitrous.system == "dry":
        out += [
            grid("Fuel to add, of what the controller gives by itself", "%", own.fuel_percent, 1),
            grid("Injector open longer by", "ms", own.fuel_ms, 2),
        ]
    return [*out, grid("Timing to take out", "deg", own.retard_deg, 1)]


def csv_of(tables: list[Grid]) -> str:
    """All tables in one CSV, each under a line with its title and unit."""
    out = []
    for table in tables:
        out.append(f'"{table.title}, {table.unit}"')
        out.append(table.tsv.strip().replace("\t", ","))
        out.append("")
    return "\n".join(out)
