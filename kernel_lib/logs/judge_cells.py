"""The settled mixture of a log, cell by cell of engine speed and valve duty, over all its pulls."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .course_parts import CELL_COLUMNS
from .judge_case import Case

COLUMNS = ["pull", *CELL_COLUMNS, "burned"]
LEAST_ERROR = 0.004
"""A cell is known no better than this, however many samples it has: what a wide-band repeats within a pull, relative; a choice of our own."""


def cells(case: Case) -> pd.DataFrame:
    """Collect the cells of every pull.

    Parameters
    ----------
    case : Case

    Returns
    -------
    DataFrame
        A row a pull and cell: pull (number), rpm, valve_duty_percent (0 without nitrous), n, seconds, error (true lambda over target, less one, as it would be without the controller's own correction),
        error_95 with its parts noise_95 and systematic_95, bias (shown less true lambda), trim_percent, begin_s, end_s (first and last of its readings on the log's clock), burned (as error, with
        that correction: what went through the engine).
    """
    out = []
    for k, course in enumerate(case.courses):
        if course is None:
            continue
        table = course.cells()
        if table.empty:
            continue
        rows = pd.DataFrame({name: table[name] for name in CELL_COLUMNS if name in table})
        rows["pull"] = k
        out.append(rows)
    if not out:
        return pd.DataFrame(columns=COLUMNS, dtype=float)
    found = pd.concat(out, ignore_index=True)
    found["burned"] = found["error"]
    # a correction of the controller hides an error of the tune: without it lambda would stand by so much farther off
    found["error"] = (1 + found["error"]) * (1 + found["trim_percent"].fillna(0.0) / 100) - 1
    return found[found["n"] > 0].reset_index(drop=True)


def merged(found: pd.DataFrame, *, nitrous: bool, enough_s: float = 0.0) -> pd.DataFrame:
    """Bring the pulls of each cell together; where one of them alone is lean beyond doubt, that one stands for the cell.

    Parameters
    ----------
    found : DataFrame
        Of `cells`.
    nitrous : bool
        The cells with nitrous, or those without.
    enough_s : float
        Settled reading that a cell needs [s].

    Returns
    -------
    DataFrame
        A row a cell: as `cells`, error weighted by what each pull knows, error_95 no smaller than half their spread and what all pulls have in common; pulls, rich_pulls, lean_pulls (how many
        are off by more than their own error); apart (from the richest to the leanest pull); pull, begin_s, end_s of the one pull it is taken from, NaN where it is several.

    Notes
    -----
    A clean pull does not make a lean one good: a mean over both hides it, and so does a spread counted as error.
    """
    every = {name: found[name].to_numpy(float) for name in found}
    here = (every["valve_duty_percent"] > 0) == nitrous
    out = []
    for rpm, duty in sorted(set(zip(every["rpm"][here], every["valve_duty_percent"][here], strict=True))):
        one = here & (every["rpm"] == rpm) & (every["valve_duty_percent"] == duty)
        group = {name: values[one] for name, values in every.items()}
        if group["seconds"].sum() < enough_s:
            continue
        row = _together(group) | {"rpm": float(rpm), "valve_duty_percent": float(duty)}
        known = group["seconds"] >= enough_s
        if known.sum() > 1:
            sure = np.where(known, _leaner(group) - group["error_95"], -np.inf)
            k = int(sure.argmax())
            if sure[k] > max(row["error"] - row["error_95"], row["burned"] - row["error_95"], 0.0):
                row |= {name: float(group[name][k]) for name in _OWN}
        out.append(row)
    return pd.DataFrame(out, columns=[*COLUMNS[1:], *_MORE])


_OWN = ("error", "burned", "error_95", "noise_95", "systematic_95", "bias", "trim_percent", "pull", "begin_s", "end_s")
_MORE = ("pulls", "rich_pulls", "lean_pulls", "apart", "pull")


def _leaner(group: dict[str, np.ndarray]) -> np.ndarray:
    """Error with or without the controller's own correction, whichever is leaner."""
    return np.fmax(group["error"], group["burned"])


def _together(group: dict[str, np.ndarray]) -> dict[str, float]:
    """One cell out of its pulls; a pull that burned lean counts as lean whatever the controller's own correction hides."""
    noise = np.maximum(group["noise_95"], LEAST_ERROR)
    weight, fixed = 1 / noise**2, float(group["systematic_95"].mean())
    error, leaner, trim = group["error"], _leaner(group), group["trim_percent"][np.isfinite(group["trim_percent"])]
    apart, one = float(np.ptp(error)), len(error) == 1
    return {
        "n": int(group["n"].sum()),
        "seconds": float(group["seconds"].sum()),
        "error": float(np.average(error, weights=weight)),
        "burned": float(np.average(group["burned"], weights=weight)),
        "error_95": float(np.hypot(max(1 / np.sqrt(weight.sum()), apart / 2), fixed)),
        "noise_95": float(max(1 / np.sqrt(weight.sum()), apart / 2)),
        "systematic_95": fixed,
        "bias": float(np.average(group["bias"], weights=weight)),
        "trim_percent": float(trim.mean()) if len(trim) else np.nan,
        "begin_s": float(group["begin_s"][0]) if one else np.nan,
        "end_s": float(group["end_s"][0]) if one else np.nan,
        "pull": float(group["pull"][0]) if one else np.nan,
        "apart": apart,
        "pulls": len(set(group["pull"])),
        "rich_pulls": int((leaner + group["error_95"] < 0).sum()),
        "lean_pulls": int((leaner - group["error_95"] > 0).sum()),
    }


def alone(found: pd.DataFrame, enough_s: float) -> pd.DataFrame:
    """Cells with nitrous of every pull by itself, where that pull holds enough of them.

    Parameters
    ----------
    found : DataFrame
        Of `cells`.
    enough_s : float
        Settled reading that a cell needs [s].
    """
    return found[(found["valve_duty_percent"] > 0) & (found["seconds"] >= enough_s)].reset_index(drop=True)
