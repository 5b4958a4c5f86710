"""Clean pulls of one step in logs that follow one another: a pull a file is how most people log."""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.signal import correlate, correlation_lags

from .finding import GO, GO_BACK, STOP, Finding
from .judge_case import Before, Case
from .judge_lambda import of_step

if TYPE_CHECKING:
    from .log import Log
    from .review import Review

GRID_S, EVENED_S = 0.005, 0.15
"""Step on which the noise of two pulls is laid side by side, and length over which what is no noise is evened out [s]; choices of our own, no source."""
ALIKE = 0.5
"""Correlation of the noise of engine speed and of lambda from which two pulls are one that stands in two files; a choice of our own, no source."""
SAME_S = 1.0
"""Least that two pulls have to overlap to be compared so [s]; a choice of our own, no source."""
REST_S = 2.0
"""Full throttle that begins again no later than this is the same pull [s]; a choice of our own, no source."""

_KEPT: weakref.WeakKeyDictionary[Case, list[int]] = weakref.WeakKeyDictionary()


def clean_pulls(case: Case, findings: Sequence[Finding]) -> int:
    """Nitrous pulls of the step that a log shows; none where anything in the log asks for more than to go on.

    Notes
    -----
    A finding carries the time of its worst spell alone, and so says of no pull that it was free of it. What the plan forbids is no fault of a pull.
    """
    return len(_nitrous(case)) if _sound(findings) else 0


def in_a_row(case: Case, findings: Sequence[Finding]) -> tuple[int, tuple[str, ...]]:
    """Clean pulls in a row with those of the logs before, and the names of these logs.

    Parameters
    ----------
    case : Case
        Its `before` as `before` counts it.
    findings : sequence of Finding
    """
    own = clean_pulls(case, findings)
    return (own + case.before.pulls, case.before.names) if own else (0, ())


def before(case: Case, earlier: Sequence[Review]) -> Before:
    """Count the clean pulls of the same step in the logs before a log, back to the first log that is not clean.

    Parameters
    ----------
    case : Case
        Of the log.
    earlier : sequence of Review
        The logs before it, the oldest first.

    Returns
    -------
    Before

    Notes
    -----
    A log without a pull, or without nitrous, does not count; it ends the row only where it says stop, go back or do not spray. A log of another build sheet or
    of another step ends it: something was changed in between. A pull that stands in two files counts once.
    """
    pulls, names, seen = 0, [], [case]
    if case.step is None or case.step.index is None:
        return Before()
    for review in reversed(earlier):
        other = review.case
        if other is None or other.sheet != case.sheet or review.verdict in (GO_BACK, STOP):
            break
        if review.kind == "nothing" or (review.kind == "base" and review.verdict == GO):
            continue
        clean = clean_pulls(other, review.findings)
        if not clean or other.step is None or other.step.index != case.step.index:
            break
        fresh = sum(not any(_stands_in(other, k, known) for known in seen) for k in _nitrous(other))
        if fresh:
            pulls, names = pulls + fresh, [*names, review.name]
        seen.append(other)
    return Before(pulls, tuple(names))


def _sound(findings: Sequence[Finding]) -> bool:
    """Whether nothing but the plan asks for more than to go on."""
    return all(f.asks == GO or f.key == "plan" for f in findings)


def _nitrous(case: Case) -> list[int]:
    """Places of the nitrous pulls of the step that a log shows, of one with a dab of the throttle in it that of its first part; kept, for a page asks again and again."""
    if case not in _KEPT:
        here, runs, last = set(of_step(case)), [], -np.inf
        for k, pull in enumerate(case.pulls):
            if pull.kind != "nitrous" or k not in here:
                continue
            if case.seconds(pull.start) - last > REST_S:
                runs.append(k)
            last = case.seconds(pull.stop)
        _KEPT[case] = runs
    return _KEPT[case]


def _stands_in(case: Case, k: int, other: Case) -> bool:
    """Whether a pull of one log is in another log too: a file opened twice, cut another way, or written at another rate."""
    one = _noise(case.log, case.pulls[k])
    return any(_same(one, _noise(other.log, other.pulls[j])) for j in _nitrous(other))


def _noise(log: Log, pull) -> tuple[np.ndarray, np.ndarray]:
    """What engine speed and lambda do from moment to moment in a pull: the same in no other pull."""
    part = slice(pull.start, pull.stop)
    time = log.time_s[part]
    grid = np.arange(time[0], time[-1], GRID_S)
    out = []
    for key in ("rpm", "lambda_"):
        values = log.get(key)[part]
        good = np.isfinite(values)
        if good.sum() < 2:
            return np.zeros(0), np.zeros(0)
        drawn = np.interp(grid, time[good], values[good])
        rest = drawn - uniform_filter1d(drawn, round(EVENED_S / GRID_S), mode="nearest")
        most = 3 * 1.4826 * float(np.median(np.abs(rest)))
        out.append(np.clip(rest, -most, most))
    return out[0], out[1]


def _same(one: tuple[np.ndarray, np.ndarray], two: tuple[np.ndarray, np.ndarray]) -> bool:
    """Whether two pulls are one: laid over each other where their engine speed fits best, the noise of both channels is alike."""
    if min(len(one[0]), len(two[0])) < SAME_S / GRID_S:
        return False
    lags = correlation_lags(len(one[0]), len(two[0]))
    fits = correlate(one[0], two[0], method="fft")
    enough = np.minimum(len(one[0]), len(two[0]) + lags) - np.maximum(lags, 0) >= SAME_S / GRID_S
    lag = int(lags[np.where(enough, fits, -np.inf).argmax()])
    a, b = max(lag, 0), max(-lag, 0)
    n = min(len(one[0]) - a, len(two[0]) - b)
    return all(_alike(x[a : a + n], y[b : b + n]) for x, y in zip(one, two, strict=True))


def _alike(x: np.ndarray, y: np.ndarray) -> bool:
    size = float(np.sqrt((x @ x) * (y @ y)))
    return size > 0 and float(x @ y) / size > ALIKE
