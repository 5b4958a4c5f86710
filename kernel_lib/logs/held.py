"""How often a reading really changes: a logger may write one value into many rows."""

from __future__ import annotations

import numpy as np

from .log import Log

QUICK_PART = 0.1
"""Part of the stretches of one value that may be shorter than the time between two readings; a choice of our own, no source."""
LEAST_STRETCHES = 8
"""Stretches of one value below which nothing is told of a log; a choice of our own, no source."""


def readings_a_second(log: Log, key: str) -> float | None:
    """Return how often a channel was read [1/s]: as stamped, or less where a value is held over many rows; None where the log has none.

    Parameters
    ----------
    log : Log
    key : str

    Notes
    -----
    The stretches of one and the same value are counted. A coarse but quick reading stands still at times and steps row by row at others; a held one never steps sooner than it is read. A value in a
    single row between two longer stretches comes from bringing the rows onto one clock.
    """
    stamped = log.rate_hz.get(key)
    values = log.get(key)
    values = values[np.isfinite(values)]
    if stamped is None or len(values) < 2:
        return stamped
    edges = np.flatnonzero(np.diff(values) != 0)
    lengths = np.diff(edges)  # the first and the last stretch are cut by the log's ends
    if len(lengths) > 2:
        between = np.zeros(len(lengths), bool)
        between[1:-1] = (lengths[1:-1] == 1) & (lengths[:-2] >= 3) & (lengths[2:] >= 3)
        lengths = (lengths + np.append(between[1:], False))[~between]
    if len(lengths) < LEAST_STRETCHES:
        return stamped
    return min(stamped, 1 / (float(np.quantile(lengths, QUICK_PART)) * log.step_s))
