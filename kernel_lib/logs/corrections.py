"""What to change before the next pull: fuel cell by cell, damped and bounded; timing, bottle, guards, lead, hardware, log."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..band import SENSOR_ERROR
from ..build_sheet import BuildSheet
from ..plan.rehearsal import FIRING_ROOM

ADDING, TAKING = 0.6, 0.4
"""Part of an error that one step mends where fuel is added, and where it is taken out; choices of our own, no source: the plan's bands are wide, and too much taken out is worse."""
MOST = 0.05
"""Most that one step changes, of all fuel of the cell; a choice of our own, no source."""
AGREEING = 2
"""Pulls that have to be rich in a cell before fuel is taken out there; a choice of our own, no source."""
TOLD = 0.005
"""A change of less than this of all fuel is not told: less than a controller's table resolves; a choice of our own, no source."""
LEAN_DOUBT = 0.05
"""Lean by more than this of lambda, where a misfire cannot be told from it, no fuel is recommended; a choice of our own, no source."""


@dataclass(frozen=True)
class FuelStep:
    """Change of all fuel of a cell.

    Attributes
    ----------
    change, low, high : float
        Of all fuel there, and its band for what the error is not known by.
    bounded_by : str
        What held it back.
    """

    change: float
    low: float
    high: float
    bounded_by: str


def fuel_step(
    error: float, error_95: float, *, target: float, richest: float, agreeing: int = 1, most: float = MOST
) -> FuelStep:
    """Find the change of fuel for an error of lambda.

    Parameters
    ----------
    error : float
        True lambda over the target, less one; the controller's own correction taken out.
    error_95 : float
        What it may be off by.
    target : float
        Lambda that is meant.
    richest : float
        Lambda past which no change may bring the mixture.
    agreeing : int
        Pulls that are rich in this cell, none of them lean.
    most : float
        Largest change of one step.

    Returns
    -------
    FuelStep

    Notes
    -----
    Lambda goes as one over the fuel, so that an error e asks for e of all fuel. It is shrunk by its error (zero inside it; where fuel is taken out the gauge's own
    error, `band.SENSOR_ERROR`, is counted too), damped, and bounded: never more than `most`, never past the target on the lean side nor `richest` on the rich
    side. It rises with e everywhere.
    """
    known = error_95, float(np.hypot(error_95, SENSOR_ERROR.high / target))
    change = _step(error, known, agreeing)
    ends = sorted((_step(error - error_95, known, agreeing), _step(error + error_95, known, agreeing)))
    now = target * (1 + error)
    floor = now / richest - 1 if now > richest else 0.0  # most that may be added
    room = min(now / target - 1, 0.0)  # most that may be taken out
    low, held, high = (float(np.clip(v, max(-most, room), min(most, max(floor, 0.0)))) for v in (ends[0], change, ends[1]))  # fmt: skip
    told = []
    if abs(held) < abs(change) - 1e-12:
        told.append(
            f"at most {100 * most:g} % of all fuel a step"
            if abs(held) >= most - 1e-9
            else f"lambda {richest:.2f}, no richer"
        )
    if held > 0:
        told.append(f"{100 * ADDING:.0f} % of the error")
    elif held < 0:
        told.append(f"{100 * TAKING:.0f} % of the error")
    elif error + known[1] < 0 and agreeing < AGREEING:
        told.append(f"{AGREEING} pulls have to agree before fuel is taken out")
    return FuelStep(held, min(low, held), max(high, held), "; ".join(told))


def _step(error: float, known: tuple[float, float], agreeing: int) -> float:
    """Shrunk by what it is known to, lean and rich, and damped; not yet bounded."""
    if error > 0:
        return ADDING * max(error - known[0], 0.0)
    return -TAKING * max(-error - known[1], 0.0) if agreeing >= AGREEING else 0.0


def fuel_steps(
    sheet: BuildSheet,
    found: pd.DataFrame,
    *,
    nitrous: bool,
    base_change: dict[float, float],
    keep: bool = False,
) -> pd.DataFrame:
    """Find the change of fuel in every cell.

    Parameters
    ----------
    sheet : BuildSheet
    found : DataFrame
        Of `judge_cells.merged`; with nitrous also own_share, the engine's own part of all fuel by the plan.
    nitrous : bool
        Whether these are the cells with nitrous.
    base_change : dict
        Speed -> change of the engine's own fuel that the same step makes in the base table, which is not made here again; empty where there is none.
    keep : bool
        Take nothing out.

    Returns
    -------
    DataFrame
        rpm, valve_duty_percent, error, error_95 (as used), change, low, high (of all fuel), bounded_by.

    Notes
    -----
    Fuel that the base table gets leaves less to add here, but never more to take out: it is not mended before a log shows it.
    """
    engine = sheet.engine
    target = engine.lambda_with_nitrous if nitrous else engine.lambda_without_nitrous
    richest = sheet.limits.rich_stop_lambda + FIRING_ROOM
    out = []
    for _, row in found.iterrows():
        error = float(row["error"])
        if nitrous and base_change:
            left = error - float(row["own_share"]) * _near(base_change, float(row["rpm"]))
            error = max(left, min(error, 0.0))
        agreeing = 0 if keep or row.get("lean_pulls", 0) else int(row["rich_pulls"])
        step = fuel_step(error, float(row["error_95"]), target=target, richest=richest, agreeing=agreeing)
        out.append(
            {
                "rpm": row["rpm"],
                "valve_duty_percent": row["valve_duty_percent"],
                "error": error,
                "error_95": row["error_95"],
                "change": step.change,
                "low": step.low,
                "high": step.high,
                "bounded_by": step.bounded_by,
            }
        )
    columns = ["rpm", "valve_duty_percent", "error", "error_95", "change", "low", "high", "bounded_by"]
    return pd.DataFrame(out, columns=columns)


def _near(changes: dict[float, float], rpm: float) -> float:
    """Change of the base at the nearest speed that is known."""
    return changes[min(changes, key=lambda r: abs(r - rpm))]
