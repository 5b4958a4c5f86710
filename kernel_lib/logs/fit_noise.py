"""One pull as a fit reads it, and the noise of its readings: white, a slow drift, a drift along a line, and what is not known of the time of transitions."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from .course import DRIFT

BIN_S = 0.1
"""Samples are averaged over this time: a little more than a sensor's lag, so that what is left hangs together by slow drift alone [s]."""
DRIFT_S = 1.5
"""Time in which a gauge's slow drift forgets itself [s]; chosen among 1 to 3 s by the coverage over simulated cars 0 to 99, so judge it by others."""
LEAST_DRIFT = 0.001
"""A gauge is never taken to drift less, standard deviation in 1/lambda; chosen as `DRIFT_S`."""

TIMING_S = 0.06
"""How far model and log may be apart in time (line fill, wall film, valve), one standard deviation [s]; it makes transitions count for less."""
BEGUN_S = 0.5
"""Time over which a pulsed flow has begun, and its changes from then on come a pulse late [s]; a choice of our own."""


@dataclass(frozen=True, eq=False)
class Window:
    """One pull at full throttle: what the model needs and what the gauge showed, on one clock.

    Attributes
    ----------
    name : str
    time_s, rpm, air, flow, fuel, jet, shown : array
        Clock [s], speed, air over that of full throttle (NaN where not known), nitrous drawn in as the sheet has it [kg/s], fuel through the injectors and from jets
        [kg per cycle and cylinder], gauge's lambda.
    wall, wall_added : array
        How much more of the controller's own fuel, and of the fuel added for the nitrous, would be drawn in if all of it went by way of the port's wall [kg per cycle
        and cylinder]; a row a time constant of `WALL_TIMES`. In `fuel` the likely share of the added fuel has gone that way, none of the own.
    pulsed : array
        How much more flow a valve that passes 1 s a second longer would bring: pulses per second times the full flow, where it is pulsed [kg/s/s].
    use : array of bool
        Settled, and no shift, spin or gap in it.
    dead_s : array
        Exhaust to the sensor [s].
    tau_s : float
        The sensor's own [s].
    pulse_s : float
        From one pulse of the valve to the next; 0 where it is not pulsed.
    """

    name: str
    time_s: np.ndarray
    rpm: np.ndarray
    air: np.ndarray
    flow: np.ndarray
    fuel: np.ndarray
    wall: np.ndarray
    wall_added: np.ndarray
    jet: np.ndarray
    pulsed: np.ndarray
    shown: np.ndarray
    use: np.ndarray
    dead_s: np.ndarray
    tau_s: float
    pulse_s: float = 0.0

    def later(self, by_s: float) -> np.ndarray:
        """Flow whose changes come so much later; its begin does not, for the first pulse is given with the command."""
        if not by_s:
            return self.flow
        step, on = self.time_s[1] - self.time_s[0], self.flow > 0
        begun = np.maximum.accumulate(np.where(np.diff(on, prepend=False) & on, np.arange(len(on)), 0))
        grown = np.clip((np.arange(len(on)) - begun) * step / BEGUN_S, 0.0, 1.0)
        return np.interp(self.time_s - by_s * grown, self.time_s, self.flow)

    @functools.cached_property
    def bins(self) -> tuple[np.ndarray, np.ndarray]:
        """Bin of every used sample, and samples in each; bins less than half full are left out (-1)."""
        step = float(np.median(np.diff(self.time_s)))
        which = np.floor((self.time_s - self.time_s[0]) / BIN_S + 1e-9).astype(int)
        count = np.bincount(which, self.use)
        full = count * step >= 0.5 * BIN_S - 1e-9
        number = np.where(full, np.cumsum(full) - 1, -1)
        return np.where(self.use, number[which], -1), count[full]

    def binned(self, values: np.ndarray) -> np.ndarray:
        """Mean of a row over each bin."""
        which, count = self.bins
        keep = which >= 0
        return np.bincount(which[keep], values[keep], minlength=len(count)) / count

    @functools.cached_property
    def seconds(self) -> float:
        """Time that is used [s]."""
        return BIN_S * len(self.bins[1])


_WHITE = 0.0005 * 2.0 ** np.arange(0, 7)
_DRIFT = LEAST_DRIFT * 1.6 ** np.arange(0, 5)


def noise_of(window: Window, residual: np.ndarray, slopes: np.ndarray, modelled: np.ndarray) -> np.ndarray:
    """Matrix that turns a pull's residuals in 1/lambda into independent ones of variance one; see `solve`."""
    time = window.binned(window.time_s)
    known = np.isfinite(modelled)  # what a gap beside a used reading would be is not known, and its slope counts
    modelled = np.interp(window.time_s, window.time_s[known], modelled[known])
    timing = (TIMING_S * window.binned(np.gradient(modelled, window.time_s))) ** 2
    scale = np.linalg.norm(slopes, axis=0)
    basis = slopes[:, scale > 1e-9] / scale[scale > 1e-9]
    drift, white = (v.ravel() for v in np.meshgrid(_DRIFT, _WHITE, indexing="ij"))
    told, logs = whitened(time, drift, white[:, None] ** 2 + timing, np.column_stack([residual, basis]))
    k = int(np.argmin(_restricted(told, logs)))
    found = whitened(time, drift[k : k + 1], white[k] ** 2 + timing[None], np.eye(len(time)))[0][0]
    line = DRIFT * window.binned(1 / window.shown) ** 2 * np.interp(time, time[[0, -1]], (-1.0, 1.0))
    return _with_line(found, found @ line)


def _with_line(found: np.ndarray, line: np.ndarray) -> np.ndarray:
    """Whitener for noise of which a line (whitened, one standard deviation) of unknown size is a part besides."""
    power = float(line @ line)
    if power < 1e-12:
        return found
    return found - (1 - (1 + power) ** -0.5) / power * np.outer(line, line @ found)


def whitened(
    time: np.ndarray, drift: np.ndarray, variance: np.ndarray, columns: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Take drift and white noise out of columns, step by step (a Kalman filter of one state).

    Parameters
    ----------
    time : array, (n,)
        [s].
    drift : array, (m,)
        Standard deviations of a drift that forgets itself in `DRIFT_S`.
    variance : array, (m, n)
        Of the white noise.
    columns : array, (n, c)

    Returns
    -------
    tuple of array
        Independent innovations (m, n, c), and the logarithm of the determinant of the noise (m,).
    """
    keep = np.exp(-np.diff(time, prepend=time[0]) / DRIFT_S)
    out = np.empty((len(drift), *columns.shape))
    power, mean, logs = drift**2, np.zeros((len(drift), columns.shape[1])), np.zeros(len(drift))
    for k, share in enumerate(keep):
        power = share**2 * power + (1 - share**2) * drift**2
        mean = share * mean
        total = power + variance[:, k]
        off = columns[k] - mean
        out[:, k] = off / np.sqrt(total)[:, None]
        mean = mean + (power / total)[:, None] * off
        power = power * variance[:, k] / total
        logs += np.log(total)
    return out, logs


def _restricted(told: np.ndarray, logs: np.ndarray) -> np.ndarray:
    """Minus twice the restricted log likelihood of residuals (first column) whose part along the others is free, noise by noise."""
    r, j = told[:, :, 0], told[:, :, 1:]
    inner = np.einsum("mni,mnj->mij", j, j)
    inner += 1e-8 * np.trace(inner, axis1=1, axis2=2)[:, None, None] * np.eye(inner.shape[1])
    cross = np.einsum("mni,mn->mi", j, r)
    fitted = np.linalg.solve(inner, cross[:, :, None])[:, :, 0]
    return logs + np.linalg.slogdet(inner)[1] + (r**2).sum(axis=1) - (cross * fitted).sum(axis=1)
