"""How far the timing has to come back: three reasons, each with its band, over rpm.

Phasing: 50 % burned where it fell without nitrous, in the mean cylinder, for it is no limit. Knock: the knock integral of the worst cylinder back to the engine's own at that speed. Pressure: the
peak of the worst cylinder under the owner's limit. Unknown are what walls give to evaporation, how far cooling draws in more, how much nitrous flows
and how fast the flame runs with it; every corner of their ranges is solved.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.interpolate import PchipInterpolator

from ..band import FLAME_RATIO, KNOCK_NITROUS, PEAK_SHARE
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge
from ..engine.firing import Burn, Firing, cases_of
from ..engine.setup import Setup
from . import fuel as pf
from .power import firing_of

RULE_DEG_PER_50_HP = 2.0
"""Retard; common practice, no source."""

REASONS = ("phasing", "knock", "pressure")
GRID = np.array([-10.0, -6.0, -2.0, 2.0, 6.0, 10.0, 15.0, 21.0, 28.0])
"""Retard at which the worst cylinder is fired [deg]; between them a monotone cubic, beyond the last nothing is searched."""

FINE = np.arange(GRID[0], GRID[-1] + 0.01, 0.05)
_KEPT = 60  # points of FINE, 3 deg

DOUBT_FULL_AT = 0.1
"""Nitrous fraction from which the bands of `FLAME_RATIO` and `KNOCK_NITROUS` count in full; without nitrous there is nothing to doubt."""


@dataclass(frozen=True)
class Corner:
    """One choice of the unknowns: nitrous flow [kg/s], wall share, density exponent, factor on the flame, share of the cycle's work (None: any).

    The share is set where the flow was found with it, for a shot of so many horsepower.
    """

    flow: float
    wall: float
    exponent: float
    flame: float
    work: float | None = None


def corners(choices: list[tuple]) -> list[Corner]:
    """Add the flame to choices of flow [kg/s], wall share, density exponent and perhaps share of work, the likely one first and only once."""
    best, *ends = ((*choice, None)[:4] for choice in choices)
    ends = list(
        dict.fromkeys((f, w, 0.0 if w == 1.0 else n, k) for f, w, n, k in ends)
    )  # all heat from walls: no cooling draws in more
    flames = (FLAME_RATIO.low, FLAME_RATIO.high)
    likely = Corner(*best[:3], FLAME_RATIO.best, best[3])
    return [likely, *(Corner(*heat, flame, work) for *heat, work in ends for flame in flames)]


def doubted(factor, nitrous_fraction) -> np.ndarray:
    """An end of a band about 1, drawn in towards 1 where there is less nitrous than `DOUBT_FULL_AT`."""
    return 1.0 + (np.asarray(factor) - 1.0) * np.minimum(1.0, np.asarray(nitrous_fraction) / DOUBT_FULL_AT)


@dataclass(frozen=True, eq=False)
class Case:
    """A car on nitrous at some speeds, at every corner: the charges of the mean and of the worst cylinder, corner by corner.

    Attributes
    ----------
    mean, worst : DataFrame
        From `cases_of`; a row a corner and speed, corners outermost.
    flame : array
        Factor on the flame speed ratio, row by row; see `doubted`.
    shape : tuple
        (corners, speeds).
    """

    firing: Firing
    rpm: np.ndarray
    mean: pd.DataFrame
    worst: pd.DataFrame
    flame: np.ndarray
    shape: tuple[int, int]

    @classmethod
    def of(cls, sheet: BuildSheet, rpm, choices: list[Corner], share=1.0) -> Case:
        """Charge the engine of a sheet with nitrous, or with a share of it that may differ over rpm, and from corner to corner."""
        setup, rpm = Setup.of(sheet), np.asarray(rpm, float)
        names = ("flow", "wall", "exponent", "flame")
        flow, wall, exponent, flame = (np.repeat([getattr(c, k) for c in choices], len(rpm)) for k in names)
        flow = flow * np.broadcast_to(share, (len(choices), len(rpm))).ravel()
        speeds = np.tile(rpm, len(choices))
        target = sheet.engine.lambda_with_nitrous
        mean = fresh_charge(setup, speeds, flow, wall_share=wall, exponent=exponent)
        more = fresh_charge(
            setup, speeds, flow * (1 + sheet.nitrous.cylinder_spread_percent / 100), wall_share=wall, exponent=exponent
        )
        leaner = pf.lambda_with(setup, more, pf.fuel_for(setup, mean, target))  # its fuel is that of the others
        return cls(
            firing_of(sheet, setup),
            rpm,
            cases_of(setup, mean, speeds, target),
            cases_of(setup, more, speeds, leaner),
            doubted(flame, mean.nitrous_fraction),
            (len(choices), len(rpm)),
        )

    def base(self, name: str) -> np.ndarray:
        """Column of the cycles without nitrous, row by row."""
        return np.tile(self.firing.at(name, self.rpm), self.shape[0])

    def knock_factor(self, end: float) -> np.ndarray:
        """An end of `KNOCK_NITROUS` for the worst cylinder, row by row."""
        return doubted(end, self.worst["nitrous_fraction"].to_numpy())

    @functools.cached_property
    def mean_burn(self) -> Burn:
        """Burn angles of the mean cylinder."""
        return self.firing.burn(self.mean, self.flame)

    @functools.cached_property
    def sweep(self) -> dict[str, _Rows]:
        """The worst cylinder over retard: P_max, knock_integral, T_burned_evo as functions of it, (rows,) at each; NaN rows are not known."""
        count = len(GRID)
        spread = self.worst.loc[self.worst.index.repeat(count)].reset_index(drop=True)
        burn = self.firing.burn(self.worst, self.flame).repeat(count)
        spark = np.repeat(self.base("timing_deg_btdc"), count) - np.tile(GRID, len(self.worst))
        out = self.firing.fire(spread, burn, spark)
        return {k: _Rows(out[k].to_numpy().reshape(-1, count)) for k in ("P_max", "knock_integral", "T_burned_evo")}


class _Rows:
    """Rows over retard, each a monotone cubic as far as its burn fits between the valves; a row that does not begin is not known."""

    def __init__(self, values: np.ndarray) -> None:
        fits = np.logical_and.accumulate(np.isfinite(values), axis=1)
        self.known = fits[:, :2].all(axis=1)
        last = np.maximum(fits.sum(axis=1) - 1, 0)
        self._end = GRID[last]
        held = np.where(fits, values, values[np.arange(len(values)), last][:, None])  # drawn on, to be cut off again
        self._curve = PchipInterpolator(GRID, np.where(self.known[:, None], held, 1.0), axis=1)

    @functools.cached_property
    def fine(self) -> np.ndarray:
        """Values on the fine grid of retard, (rows, retards); NaN where not known."""
        inside = self.known[:, None] & (FINE[None, :] <= self._end[:, None] + 1e-9)
        return np.where(inside, self._curve(FINE), np.nan)

    def at(self, retard: np.ndarray) -> np.ndarray:
        """Value of each row at its own retard."""
        place = np.clip((retard - FINE[0]) / (FINE[1] - FINE[0]), 0, len(FINE) - 1.001)
        out = np.full(len(retard), np.nan)
        good = np.isfinite(place)
        k, part = place[good].astype(int), place[good] % 1.0
        fine = self.fine[good]
        row = np.arange(good.sum())
        out[good] = fine[row, k] * (1 - part) + fine[row, k + 1] * part
        return out


@dataclass(frozen=True)
class Limits:
    """What the timing has to keep.

    Attributes
    ----------
    P_max : float
        Peak pressure of any cylinder [Pa].
    T_evo : float
        Burned gas at exhaust opening [K].
    knock : array
        Knock integral, speed by speed: the engine's own.
    """

    P_max: float
    T_evo: float
    knock: np.ndarray

    @classmethod
    def of(cls, sheet: BuildSheet, firing: Firing, rpm) -> Limits:
        """Take the owner's limits.

        A rise counts from the engine's own highest over rpm without nitrous; an absolute pressure is divided by the high end of `PEAK_SHARE`, for the
        cycle may be that much too low. Where the sheet states both, the lower counts; a rise that is only assumed gives way.
        """
        limits, own = sheet.limits, firing.table
        top = float(own["P_max"].max()) * (1 + limits.peak_pressure_rise_percent / 100)
        if limits.peak_pressure_bar is not None:
            absolute = 1e5 * limits.peak_pressure_bar / PEAK_SHARE.high
            top = min(absolute, top) if sheet.is_given("limits.peak_pressure_rise_percent") else absolute
        return cls(top, float(own["T_burned_evo"].max()) + limits.exhaust_rise_k, firing.at("knock_integral", rpm))


def first_below(values: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Smallest retard from which on a value keeps under its target for three degrees.

    Parameters
    ----------
    values : array, shape (rows, retards)
        On the fine grid.
    target : array, shape (rows,)

    Returns
    -------
    array, shape (rows,)
        [deg]; the first retard of the grid where it is kept from there, infinite where it is never kept, NaN where a row is not known.
    """
    over = values / target[:, None] - 1.0
    above = np.pad(~(over <= 0), ((0, 0), (0, _KEPT)), constant_values=False)  # what is not known is not kept
    count = np.cumsum(np.pad(above, ((0, 0), (1, 0))), axis=1)
    kept = count[:, _KEPT : _KEPT + values.shape[1]] == count[:, : values.shape[1]]
    first = kept.argmax(axis=1)
    row, before = np.arange(len(values)), np.maximum(first - 1, 0)
    a, b = over[row, before], over[row, first]
    with np.errstate(invalid="ignore", divide="ignore"):
        back = np.where(first > 0, b / (b - a), 0.0)
    found = np.where(kept.any(axis=1), FINE[first] - (FINE[1] - FINE[0]) * back, np.inf)
    return np.where(np.isfinite(values[:, 0]), found, np.nan)


def needs(case: Case, limits: Limits) -> dict[str, np.ndarray]:
    """Retard that each reason asks for.

    Returns
    -------
    dict
        "phasing", "knock", "pressure", and "knock_low", "knock_high" over `KNOCK_NITROUS`: arrays (corners, speeds) [deg]; infinite
        where no retard is enough, NaN where the flame leaves its table.
    """
    own = np.tile(limits.knock, case.shape[0])

    def below(column: str, target: np.ndarray) -> np.ndarray:
        return first_below(case.sweep[column].fine, target)

    asked = {
        "phasing": case.base("timing_deg_btdc") - case.mean_burn.phased_spark,
        "knock": below("knock_integral", own),
        "knock_low": below("knock_integral", own / case.knock_factor(KNOCK_NITROUS.low)),
        "knock_high": below("knock_integral", own / case.knock_factor(KNOCK_NITROUS.high)),
        "pressure": below("P_max", np.full(len(own), limits.P_max)),
    }
    return {name: values.reshape(case.shape) for name, values in asked.items()}
