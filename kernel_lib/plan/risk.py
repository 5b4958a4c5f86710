"""How sure a hit is: thousands of cars like this one, each with its own bottle, nozzle, air, fuel, flame and octane.

The base map was tuned on the car, so errors of volumetric efficiency and injectors cancel in the controller's own fuel: lambda without nitrous is right
within the sensor's error. The added fuel keeps the injectors' (or the jet's) error. A warmer bottle flows more and cools less. The engine's own pressure
and knock, from which limits count, have the same volumetric efficiency.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.stats import rankdata

from ..band import Band
from ..build_sheet import BuildSheet
from ..errors import InputError, check_number
from .dose import Dosed
from .fault_rows import Sprayed
from .risk_model import OUTCOMES, Model
from .unknowns import Unknown, draw, likely, unknowns

QUANTILES = (5, 25, 50, 75, 95)
MOST_SPEEDS = 8
CHUNK = 2000
"""Cycles between two reports of progress."""


@dataclass(frozen=True)
class Chance:
    """How often something happens on one hit.

    Attributes
    ----------
    name : str
    share : float
        Of the samples, at any of the speeds.
    low, high : float
        95 % interval of the sampling alone (Wilson); the ranges themselves are guesses and are not in it.
    """

    name: str
    share: float
    low: float
    high: float

    @classmethod
    def of(cls, name: str, happens: np.ndarray) -> Chance:
        """Count samples."""
        n, p, z = len(happens), float(np.mean(happens)), 1.96
        middle, half = p + z * z / (2 * n), z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
        scale = 1 + z * z / n
        return cls(name, p, max((middle - half) / scale, 0.0), min((middle + half) / scale, 1.0))


EVENTS = ("lean", "lean worst", "lean shown", "pressure", "knock", "exhaust", "not computed")
"""Lambda of all cylinders past the lean stop; of the worst one; as a sensor shows it; the limits of `spark.Limits`; no cycle found."""


@dataclass(frozen=True, eq=False)
class Risk:
    """What `monte_carlo` returns.

    Attributes
    ----------
    rpm : array
        Speeds that were computed, up to `MOST_SPEEDS` of the dose.
    samples, seed : int
    quantiles : DataFrame
        A row a speed: rpm; for each of `OUTCOMES` NAME_plan (everything at its likely value) and NAME_5, _25, _50, _75, _95; not_computed (share).
    chances : dict
        Each of `EVENTS` -> Chance, on one hit through all speeds.
    ranked : DataFrame
        A row an input, the largest first; lambda, pressure, knock: its share of the rank variance (Spearman's correlation squared) of the highest value over
        rpm. Shares of inputs that act alone add up to about 1.
    inputs : list of Unknown
    drawn : dict
        Input -> array (samples,).
    outcomes : dict
        Each of `OUTCOMES` -> array (samples, speeds); NaN where not computed.
    lean_stop : float
        Lambda.
    """

    rpm: np.ndarray
    samples: int
    seed: int
    quantiles: pd.DataFrame
    chances: dict[str, Chance]
    ranked: pd.DataFrame
    inputs: list[Unknown]
    drawn: dict[str, np.ndarray]
    outcomes: dict[str, np.ndarray]
    lean_stop: float


def monte_carlo(
    sheet: BuildSheet,
    dosed: Dosed,
    *,
    samples: int = 2000,
    seed: int = 1,
    progress: Callable[[int, int], None] | None = None,
    bands: Mapping[str, Band] | None = None,
) -> Risk:
    """Sample one hit many times.

    Parameters
    ----------
    sheet : BuildSheet
    dosed : Dosed
    samples : int
        16 to 100 000.
    seed : int
        Makes it repeatable.
    progress : callable, optional
        Called with samples done and samples in all, often; what it raises ends the run.
    bands : mapping, optional
        Name of an input -> range, in place of the usual one; see `unknowns`.

    Returns
    -------
    Risk

    Raises
    ------
    InputError

    Notes
    -----
    Fuel and timing are those planned for the likely values and stay as they are: the first hit, before a log has taught anything. Pressure, knock and
    exhaust are those of the cylinder with most nitrous in the strongest cycle of the pulses.
    """
    every = unknowns(sheet, bands, dosed)
    drawn = draw(every, samples, seed)
    model = Model.of(Sprayed.of(sheet, _few(dosed)))
    plan = model.outcomes(likely(every))
    samples = int(check_number("samples", samples, 16, 1e5, "", "Fewer tell nothing."))
    step, parts = max(1, CHUNK // len(model.rpm)), []
    for start in range(0, samples, step):
        parts.append(model.outcomes({name: values[start : start + step] for name, values in drawn.items()}))
        if progress is not None:
            progress(min(start + step, samples), samples)
    outcomes = {name: np.concatenate([part[name] for part in parts]) for name in OUTCOMES}
    stop = sheet.limits.lean_stop_lambda
    return Risk(
        model.rpm,
        samples,
        seed,
        _quantiles(model.rpm, outcomes, plan),
        _chances(outcomes, stop),
        _ranked(drawn, outcomes),
        every,
        drawn,
        outcomes,
        stop,
    )


def _few(dosed: Dosed) -> Dosed:
    """The dose at up to `MOST_SPEEDS` of its speeds, the ends among them."""
    some = np.flatnonzero(dosed.share > 0)
    if not len(some):
        raise InputError("dosed", 0.0, "kg/s", "a dose above 0 at some speed", "Without nitrous there is no hit.")
    pick = some[np.unique(np.linspace(0, len(some) - 1, min(len(some), MOST_SPEEDS)).round().astype(int))]
    return replace(dosed, rpm=dosed.rpm[pick], share=dosed.share[pick], retard_deg=dosed.retard_deg[pick])


def _quantiles(rpm: np.ndarray, outcomes: dict[str, np.ndarray], plan: dict[str, np.ndarray]) -> pd.DataFrame:
    columns: dict[str, np.ndarray] = {"rpm": rpm}
    for name in OUTCOMES:
        columns[f"{name}_plan"] = plan[name][0]
        values = [_nan_quantile(outcomes[name][:, k]) for k in range(len(rpm))]
        for j, q in enumerate(QUANTILES):
            columns[f"{name}_{q}"] = np.array([v[j] for v in values])
    columns["not_computed"] = np.isnan(outcomes["pressure"]).mean(axis=0)
    return pd.DataFrame(columns)


def _nan_quantile(values: np.ndarray) -> np.ndarray:
    known = values[np.isfinite(values)]
    return np.quantile(known, np.array(QUANTILES) / 100) if len(known) else np.full(len(QUANTILES), np.nan)


def _chances(outcomes: dict[str, np.ndarray], stop: float) -> dict[str, Chance]:
    happens = {
        "lean": outcomes["lambda_mean"] > stop,
        "lean worst": outcomes["lambda_worst"] > stop,
        "lean shown": outcomes["lambda_shown"] > stop,
        **{
            name: ~(outcomes[name] <= 1.0) for name in ("pressure", "knock", "exhaust")
        },  # what is not computed is not kept
        "not computed": np.isnan(outcomes["pressure"]),
    }
    return {name: Chance.of(name, happens[name].any(axis=1)) for name in EVENTS}


def _ranked(drawn: dict[str, np.ndarray], outcomes: dict[str, np.ndarray]) -> pd.DataFrame:
    table = pd.DataFrame({"input": list(drawn)})
    for column, name in (("lambda", "lambda_worst"), ("pressure", "pressure"), ("knock", "knock")):
        known = np.isfinite(outcomes[name]).all(axis=1)
        most = outcomes[name][known].max(axis=1) if known.sum() > 2 else np.zeros(0)
        table[column] = [_rank_share(values[known], most) for values in drawn.values()]
    most = table[["lambda", "pressure", "knock"]].max(axis=1)
    return (
        table.assign(most=most)
        .sort_values("most", ascending=False, kind="stable")
        .drop(columns="most")
        .reset_index(drop=True)
    )


def _rank_share(x: np.ndarray, y: np.ndarray) -> float:
    """Spearman's rank correlation squared; 0 where either is constant."""
    if len(x) < 3 or np.ptp(x) == 0 or np.ptp(y) <= 1e-12 * max(1.0, np.abs(y).max()):
        return 0.0
    return float(np.corrcoef(rankdata(x), rankdata(y))[0, 1] ** 2)
