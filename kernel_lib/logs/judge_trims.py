"""The controller's own lambda correction: was it at work at full throttle, and did the engine burn lean by it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..plan.ladder import GATE_LAMBDA
from .finding import GO_BACK, REPEAT, Finding
from .judge_case import Case, apart, holds, unjudged, watch

TRIM_CHASES = 5.0
"""Own lambda correction at full throttle beyond which the controller does the tuning [%]; a choice of our own, no source."""
TRIM_TAKES, TRIM_LEAN = 1.0, 0.015
"""Fuel taken out by the controller [%] while the mixture burns leaner than meant by more than this [lambda]: a fault; choices of our own, no source."""
TRIM_ACTS = 0.5
"""Own lambda correction from which the mixture is judged with and without it [%]; a choice of our own, no source."""
BURNED = "burned"
"""Mark of a table of cells whose error is that of the mixture as it burned, the controller's own correction in it."""


def with_trim(cells: pd.DataFrame) -> list[pd.DataFrame]:
    """Tables to judge: without the controller's own correction, and where one acted, as it burned.

    Parameters
    ----------
    cells : DataFrame
        Of `judge_cells`.
    """
    if not len(cells) or not (cells["trim_percent"].abs() >= TRIM_ACTS).any():
        return [cells]
    burned = cells.assign(error=cells["burned"])
    burned.attrs[BURNED] = True
    return [cells, burned]


def judge_trims(case: Case, cells: pd.DataFrame) -> list[Finding]:
    """Say whether the controller's own correction was at work at full throttle, and whether it took fuel out of a lean mixture.

    Parameters
    ----------
    case : Case
    cells : DataFrame
        With and without nitrous.
    """
    if not case.log.has("trim_percent"):
        why = "The controller's own lambda correction is not in the log: whatever it added or took out stands in the mixture that was judged."
        return [unjudged("trims", "No lambda correction in the log", why)]
    trims = cells["trim_percent"].to_numpy(float) if len(cells) else np.array([])
    if not np.isfinite(trims).any():
        return [
            unjudged(
                "trims", "No settled lambda correction", "No settled full-throttle reading goes with a correction."
            )
        ]
    wrong = _takes_out(case, cells)
    blind = (cells["valve_duty_percent"].to_numpy(float) > 0) & ~np.isfinite(trims)
    if blind.any() and not wrong:
        why = "The controller's own lambda correction is blank for some or all of the settled readings on nitrous: whatever it added or took out there stands in the mixture that was judged."
        wrong = [unjudged("trims", "Lambda correction blank on nitrous", why)]
    k = int(np.nanargmax(np.abs(trims)))
    trim, row = float(trims[k]), cells.iloc[k]
    on = row["valve_duty_percent"] > 0
    numbers = {"trim_percent": trim, "rpm": float(row["rpm"]), "valve_duty_percent": float(row["valve_duty_percent"])}
    where = f"at {row['rpm']:.0f} rpm {'on' if on else 'without'} nitrous"
    if abs(trim) <= TRIM_CHASES:
        told = f"The largest is {trim:+.1f} % {where}; up to {TRIM_CHASES:g} % is allowed (a choice of our own). The mixture is judged with it and without it; the worse of the two decides."
        return wrong or [
            holds(
                "trims",
                20.0,
                f"Own lambda correction up to {abs(trim):.1f} %"
                if abs(trim) >= 0.05
                else "No lambda correction of the controller's own",
                told,
                numbers,
            )
        ]
    told = (
        f"{trim:+.1f} % {where}; beyond {TRIM_CHASES:g} % (a choice of our own) the controller does the tuning, late, and by a gauge that is wrong on nitrous. "
        "Switch it off at full throttle and put the fuel into the table."
    )
    asks = GO_BACK if on and trim > 0 else REPEAT
    return [
        *wrong,
        watch(
            "trims",
            asks,
            45.0,
            f"The controller {'adds' if trim > 0 else 'takes out'} {abs(trim):.0f} % of fuel {where}",
            told,
            numbers,
        ),
    ]


def _takes_out(case: Case, cells: pd.DataFrame) -> list[Finding]:
    """Find where the controller took fuel out of a mixture that was lean already."""
    engine = case.sheet.engine
    on = cells["valve_duty_percent"].to_numpy(float) > 0
    meant = np.where(on, engine.lambda_with_nitrous, engine.lambda_without_nitrous)
    trim = cells["trim_percent"].to_numpy(float)
    off, err = (cells[name].to_numpy(float) * meant for name in ("burned", "error_95"))
    with np.errstate(invalid="ignore"):
        wrong = (trim <= -TRIM_TAKES) & (off > TRIM_LEAN)
    if not wrong.any():
        return []
    k = int(np.where(wrong, off + on, -1.0).argmax())  # with nitrous first
    rpm, where = float(cells["rpm"].iloc[k]), "on" if on[k] else "without"
    title = f"The controller takes {abs(trim[k]):.1f} % of fuel out {where} nitrous while lambda is lean"
    told = (
        f"{title}: {apart(off[k], err[k])} (± {apart(err[k], err[k])}) leaner than the {meant[k]:.2f} meant at {rpm:.0f} rpm, as it burned. Either the correction works the wrong way, or its sign in "
        "this column is the other way round, or it aims at another lambda. Switch it off at full throttle, bottle shut, and look again."
    )
    numbers = {"trim_percent": float(trim[k]), "rpm": rpm, "burned_off_lambda": float(off[k]), "off_lambda_95": float(err[k])}  # fmt: skip
    asks = GO_BACK if on[k] and off[k] > GATE_LAMBDA else REPEAT
    return [watch("trims", asks, 64.0, title, told, numbers)]
