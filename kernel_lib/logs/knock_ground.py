"""The background of a knock signal: what an engine shows by itself over speed, and from where on it is more than that."""

from __future__ import annotations

import itertools

import numpy as np
from scipy.special import ndtri

FALSE_ALARM = 1e-3
"""Chance of a burst in a pull of clean noise, the aim; a choice of our own."""
BIN_RPM, LEAST_IN_BIN = 500.0, 20
"""Width of a bin of the background [rpm], and samples it needs."""
TAIL, MOST_Z = 1.3, 12.0
"""Factor on a normal distribution's threshold for what is unknown of the background, and the most deviations that a heavier tail may ask for; tested over seeds."""
JUMP, JUMP_SPREADS = 1.8, 4.0
"""How many times as loud as the bin of speeds below, and by how many deviations, a background has to be to be asked about; choices of our own, no source."""
ROW, OF_ROW, ROW_SPREADS = 3, 5, 3.0
"""So many of so many readings in a row over so many deviations are a burst and are not learnt: a background's own peaks stand alone. Choices of our own, no source."""
WIDER, PASSES = 1.5, 4
"""How many times as wide as its neighbours a bin may be while bursts are looked for in it, and how often they are; choices of our own, no source."""


def jump_of(grid: np.ndarray, level: np.ndarray, middle: np.ndarray, spread: np.ndarray) -> tuple[float, float]:
    """Where the background is much louder than one bin below, and by how much."""
    with np.errstate(invalid="ignore", divide="ignore"):
        times = np.where(level[:-1] > 0, level[1:] / level[:-1], 0.0)
    apart = np.diff(middle) > JUMP_SPREADS * np.maximum(spread[1:], spread[:-1])
    near = np.diff(grid) <= 1.5 * BIN_RPM
    times = np.where(apart & near & (times >= JUMP), times, 0.0)
    if not (times > 0).any():
        return 0.0, 0.0
    k = int(times.argmax())
    return float(round(0.5 * (grid[k] + grid[k + 1]), -2)), float(times[k])


def background(
    rpm: np.ndarray, values: np.ndarray, *, rows: int = 1, own: bool = False
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float] | None:
    """Learn what an engine shows by itself, without the bursts that stand in it.

    Parameters
    ----------
    rpm, values : array
        Samples in the order of time, all known.
    rows : int
        Samples from one reading to the next.
    own : bool
        Whether nitrous was in the charge in some of them: then no bin may stand out of the trend of all.

    Returns
    -------
    tuple or None
        Speeds, median, deviation, and threshold in deviations; None where the signal stands still.

    Notes
    -----
    Several readings in a row high over the rest are left out and the rest is learnt anew, until none are left: else a burst widens its bin and lifts the threshold, and hides itself and the next.
    """
    keep = np.ones(len(rpm), bool)
    for _ in range(PASSES):
        ground = _bins(rpm[keep], values[keep], own=own, cap=True)
        if ground is None:
            break
        left = keep & ~_in_row(_deviations(rpm, values, ground) > ROW_SPREADS, rows)
        if left.sum() == keep.sum():
            break
        keep = left
    ground = _bins(rpm[keep], values[keep], own=own, cap=own)
    if ground is None:
        return None
    single = FALSE_ALARM / 1000  # of the samples of a pull
    z = TAIL * float(-ndtri(single))
    if not own:
        z = max(z, min(_heavy(_deviations(rpm[keep], values[keep], ground), single), MOST_Z))
    return *ground, z


def _deviations(rpm: np.ndarray, values: np.ndarray, ground: tuple) -> np.ndarray:
    grid, middle, spread = ground
    return (values - np.interp(rpm, grid, middle)) / np.interp(rpm, grid, spread)


def _in_row(over: np.ndarray, rows: int) -> np.ndarray:
    """Samples over something where most readings next to them are."""
    window = np.ones(OF_ROW * rows)
    if len(over) < len(window):
        return np.zeros(len(over), bool)
    full = np.convolve(over, window, "valid") > ROW * rows - 0.5
    return over & (np.convolve(full, window) > 0.5)


def _bins(
    rpm: np.ndarray, values: np.ndarray, *, own: bool, cap: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Speeds, median and deviation by bins; None where the signal stands still."""
    if not len(rpm):
        return None
    edges = np.arange(np.floor(rpm.min() / BIN_RPM), np.ceil(rpm.max() / BIN_RPM) + 1) * BIN_RPM
    grid, middle, spread, count = [], [], [], []
    for low, high in itertools.pairwise(edges):
        here = (rpm >= low) & (rpm < high)
        if here.sum() < LEAST_IN_BIN:
            continue
        slope = np.polyfit(rpm[here] - rpm[here].mean(), values[here], 1)[0] if np.ptp(rpm[here]) > 0 else 0.0
        flat = values[here] - slope * (rpm[here] - np.median(rpm[here]))
        grid.append(float(np.median(rpm[here])))
        middle.append(float(np.median(flat)))
        spread.append(1.4826 * float(np.median(np.abs(flat - middle[-1]))))
        count.append(int(here.sum()))
    if not grid:
        return None
    grid, middle, spread, count = (np.array(v, float) for v in (grid, middle, spread, count))
    if cap and len(grid) > 1:  # a burst widens the bin it lies in, and must not hide behind that
        usual = np.maximum(_trend(grid, spread), 0.5 * np.median(spread)) if len(grid) > 2 else spread.min()
        spread = np.minimum(spread, usual if own else WIDER * usual)
    steps = np.diff(np.unique(values))
    if len(steps) and (spread > 0).any():  # a signal in coarse steps scatters by half a step, whatever its median says
        spread = np.maximum(spread, 0.5 * float(np.median(steps)))
    pooled = float(np.sum(spread * count) / np.sum(count))
    if pooled <= 0:
        return None
    # a bin's own deviation counts as far as its samples tell it from the others'
    sure = count / (count + 60.0)
    spread = np.maximum(sure * spread + (1 - sure) * pooled, 0.7 * pooled)
    if own and len(grid) > 2:  # knock must not hide in a bin of its own
        middle = np.minimum(middle, _trend(grid, middle) + spread)
    return grid, middle, spread


def _heavy(out: np.ndarray, chance: float) -> float:
    """Deviations that the background passes with a chance, its highest fiftieth taken to fall off exponentially; by the median, for one odd reading is no tail."""
    from_here = float(np.quantile(out, 0.98))
    fall = float(np.median(out[out >= from_here] - from_here)) / float(np.log(2))
    return from_here + fall * float(np.log(0.02 / chance))


def _trend(grid: np.ndarray, middle: np.ndarray) -> np.ndarray:
    """Line through most of the bins: median of the slopes between them, and of what is left [Theil-Sen]."""
    i, j = np.triu_indices(len(grid), 1)
    steep = float(np.median((middle[j] - middle[i]) / (grid[j] - grid[i])))
    return steep * grid + float(np.median(middle - steep * grid))
