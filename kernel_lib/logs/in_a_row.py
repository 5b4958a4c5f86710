"""Clean pulls of one step in logs that follow one another: a pull a file is how most people log."""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from .finding import GO, Finding
from .judge_case import Before, Case
from .judge_lambda import of_step

if TYPE_CHECKING:
    from .log import Log
    from .review import Review

SAME_RPM = 2.0
"""Median distance up to which engine speed of two pulls, sample by sample, is that of one pull in two files [rpm]; a choice of our own, no source."""
SAME_S = 1.0
"""Least length of two pulls that are compared so [s]; a choice of our own, no source."""

_KEPT: weakref.WeakKeyDictionary[Case, list[int]] = weakref.WeakKeyDictionary()


def clean_pulls(case: Case, findings: Sequence[Finding]) -> int:
    """Nitrous pulls of the step seen, the last ones of the log in a row, in which nothing was found that asks for more than to go on.

    Notes
    -----
    What the plan forbids is no fault of a pull; every other finding without a time is one of all of them.
    """
    asked = [f for f in findings if f.asks != GO and f.key != "plan"]
    if any(f.at_s is None for f in asked):
        return 0
    count = 0
    for k in _nitrous(case):
        a, b = case.seconds(case.pulls[k].start), case.seconds(case.pulls[k].stop) + 2.0
        count = 0 if any(f.at_s[0] <= b and a <= f.at_s[1] for f in asked) else count + 1
    return count


def in_a_row(case: Case, findings: Sequence[Finding]) -> tuple[int, tuple[str, ...]]:
    """Clean pulls in a row with those of the logs before, and the names of these logs; they count only where no pull of this log breaks the row.

    Parameters
    ----------
    case : Case
        Its `before` as `before` counts it.
    findings : sequence of Finding
    """
    own = clean_pulls(case, findings)
    if not own or own < len(_nitrous(case)):
        return own, ()
    return own + case.before.pulls, case.before.names


def before(case: Case, earlier: Sequence[Review]) -> Before:
    """Count the clean pulls of the same step in the logs before a log, back to the first that is not clean.

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
    Logs without nitrous in between do not count and do not end the row, unless they say not to spray. A log of another build sheet does: something was
    changed in between. A pull that stands in two files counts once.
    """
    pulls, names, seen = 0, [], [case]
    if case.step is None or case.step.index is None:
        return Before()
    for review in reversed(earlier):
        other = review.case
        if other is None or other.sheet != case.sheet:
            break
        if review.kind != "nitrous":
            if review.verdict != GO and review.kind == "base":
                break
            continue
        if other.step is None or other.step.index != case.step.index:
            break
        fresh = [k for k in _nitrous(other) if not any(_stands_in(other, k, known) for known in seen)]
        clean = clean_pulls(other, review.findings)
        found = min(clean, len(fresh))
        if found:
            pulls, names = pulls + found, [*names, review.name]
        if clean < len(_nitrous(other)):
            break
        seen.append(other)
    return Before(pulls, tuple(names))


def _nitrous(case: Case) -> list[int]:
    """Places of the nitrous pulls of the step that a log shows; kept, for a page asks again and again."""
    if case not in _KEPT:
        here = set(of_step(case))
        _KEPT[case] = [k for k, pull in enumerate(case.pulls) if pull.kind == "nitrous" and k in here]
    return _KEPT[case]


def _stands_in(case: Case, k: int, other: Case) -> bool:
    """Whether a pull of one log is in another log too: a file opened twice, or cut another way."""
    return any(_same(_speeds(case.log, case.pulls[k]), _speeds(other.log, other.pulls[j])) for j in _nitrous(other))


def _speeds(log: Log, pull) -> tuple[np.ndarray, float]:
    return log.get("rpm")[pull.start : pull.stop], log.step_s


def _same(one: tuple[np.ndarray, float], two: tuple[np.ndarray, float]) -> bool:
    """Whether two traces of engine speed are one, from their beginnings on or from their ends back."""
    (a, step), (b, other) = one, two
    n = min(len(a), len(b))
    if abs(step - other) > 1e-6 or n * step < SAME_S:
        return False
    with np.errstate(invalid="ignore"):
        apart = [np.abs(a[:n] - b[:n]), np.abs(a[len(a) - n :] - b[len(b) - n :])]
    return any(np.isfinite(d).any() and float(np.nanmedian(d)) <= SAME_RPM for d in apart)
