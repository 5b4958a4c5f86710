"""Published numbers: one row one number, inputs in typed columns with their units in the header.

Every row carries its tolerance (`tol_rel`, `tol_abs`; the wider of the two counts), its source and the basis of
the number: transcribed, computed by a named program, or from memory.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

HERE = Path(__file__).parent


def rows(name: str, **where: object) -> list[dict]:
    """Return the rows of ``name.csv`` whose columns equal `where`, in file order; an empty answer is an error."""
    table = pd.read_csv(HERE / f"{name}.csv")
    for column, wanted in where.items():
        table = table[table[column] == wanted]
    if table.empty:
        raise LookupError(f"no row in {name}.csv with {where}")
    return table.to_dict("records")


def tolerance(row: dict) -> float:
    """Absolute tolerance of a row, in the row's own unit."""
    return max(float(row["tol_rel"]) * abs(float(row["value"])), float(row["tol_abs"]))


def check(value: float, row: dict) -> None:
    """Assert that `value`, in the row's own unit, is the row's number within the row's tolerance."""
    off, allowed = abs(value - float(row["value"])), tolerance(row)
    assert off <= allowed, (
        f"{row['quantity']}: {value:.6g} {row['unit']}, reference {float(row['value']):.6g}, off {off:.3g}, "
        f"allowed {allowed:.3g} [{row['source']}; {row['basis']}]"
    )
