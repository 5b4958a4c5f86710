"""The one set of limits that the brief states, which is what the plan asks to be typed, and the dose up to the speed at which it closes."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..plan.tune import Tune, tune_rows


@dataclass(frozen=True)
class Asked:
    """What the plan asks to be typed.

    Attributes
    ----------
    lean, rich : float
        Mixture stops [lambda].
    lead_ms : float
        Fuel before nitrous [ms].
    close : float
        Speed at which the nitrous closes [rpm]; the sheet's where no speed is early enough.
    in_time : bool
        Whether there is a speed that is early enough.
    hold_s : float
        Added fuel and late spark stay after a shut-off [s].
    """

    lean: float
    rich: float
    lead_ms: float
    close: float
    in_time: bool
    hold_s: float


@functools.lru_cache(maxsize=16)
def asked(tune: Tune) -> Asked:
    """Return what the plan asks to be typed; of a tune in which something flows."""
    to_type = {p.name: p.value for p in tune.proposals}
    close, begin = to_type["nitrous closes at"], float(tune.dosed.rpm[0])
    return Asked(
        lean=to_type["lean stop"],
        rich=to_type["rich stop"],
        lead_ms=to_type["fuel before nitrous"],
        close=close if close > begin else float(tune.sheet.nitrous.spray_rpm_max),
        in_time=close > begin,
        hold_s=to_type["fuel and timing stay"],
    )


@functools.lru_cache(maxsize=16)
def asked_table(tune: Tune) -> pd.DataFrame:
    """Rows of a tune with the nitrous closed where the plan asks for it, a row at that speed among them; beyond it blank but for the engine's own."""
    table, close = tune.table, asked(tune).close
    if close >= float(table["rpm"].iloc[-1]):
        return table.reset_index(drop=True)
    if not np.isclose(table["rpm"], close).any():
        at = np.array([close])
        row = tune_rows(tune.sheet, tune.room, tune.ramp, at, tune.share_at(at))
        table = pd.concat([table, row]).sort_values("rpm")
    table = table.reset_index(drop=True)
    beyond = table["rpm"] > close + 1e-6
    table.loc[beyond, table.columns.difference(["rpm", "power_own_hp", "torque_own_nm"])] = np.nan
    return table


def flowing(tune: Tune) -> pd.DataFrame:
    """Rows where anything flows."""
    table = asked_table(tune)
    return table[table["share_percent"] > 0]


def best_row(tune: Tune) -> pd.Series:
    """The row of most power; the last where none is known, because no timing is."""
    rows = flowing(tune)
    known = rows["power_hp"].notna().any()
    return rows.loc[rows["power_hp"].idxmax()] if known else rows.iloc[-1]


def closes_early(tune: Tune) -> bool:
    """Whether the plan asks for an earlier closing than the sheet has."""
    return asked(tune).close < tune.sheet.nitrous.spray_rpm_max
