"""Pictures of a log for the printed review: what was planned behind, what the log holds before it."""

from __future__ import annotations

import numpy as np

from ..logs.review import Review
from ..units import psi_from_kpa
from . import svg

POINTS = 420
"""Of a line on paper, at most."""


def pictures(review: Review, *, metric: bool = False) -> list[tuple[str, str]]:
    """Draw the pull that matters: the first with nitrous, else the first.

    Parameters
    ----------
    review : Review
    metric : bool
        kPa, else psi.

    Returns
    -------
    list of tuple
        A line of text over each picture, and the picture; what the log does not hold is left out.
    """
    course = chosen(review)
    if course is None:
        return []
    every = (_lambda(review, course), _timing(review, course), _bottle(review, metric=metric), _duty(review, course))
    return [drawn for drawn in every if drawn is not None]


def chosen(review: Review):
    """Course of the pull that is drawn, or None."""
    known = [(p, c) for p, c in zip(review.pulls, review.courses, strict=True) if c is not None]
    sprayed = [c for p, c in known if p.hits]
    return sprayed[0] if sprayed else known[0][1] if known else None


def _thin(course) -> slice:
    """Full throttle with a little before and after, in so many points."""
    inside = np.flatnonzero(course.air >= 0.9)
    first, last = (inside[0], inside[-1] + 1) if len(inside) else (0, len(course.time_s))
    return slice(int(first), int(last), max(1, (last - first) // POINTS))


def _some(*values: np.ndarray | None) -> bool:
    return all(v is not None and np.isfinite(v).sum() > 2 for v in values)


def _logged(review: Review, course, key: str) -> np.ndarray:
    """A channel of the log on the course's clock, which is a part of the log's."""
    first = int(np.searchsorted(review.log.time_s, course.time_s[0] - 1e-9))
    return review.log.get(key)[first : first + len(course.time_s)]


def _lambda(review: Review, course) -> tuple[str, str] | None:
    if not _some(course.measured):
        return None
    few, stop = _thin(course), review.sheet.limits.lean_stop_lambda
    own = np.where(np.isfinite(course.undelayed) & (course.undelayed < 1.15), course.undelayed, np.nan)
    every = [
        svg.Line(course.target[few], svg.WITH, "target", at=0.85, above=False),
        svg.Line(np.full(len(course.time_s[few]), stop), svg.LIMIT, f"lean stop {stop:g}", at=0.85),
        svg.Line(own[few], svg.LOGGED, "in the cylinder", at=0.45),
    ]
    text = "Lambda: the log with the sensor's delay and its bias on nitrous taken out, against the target"
    return text, svg.lines(text, course.time_s[few], every, unit="lambda", x_unit="s", zero=False)


def _timing(review: Review, course) -> tuple[str, str] | None:
    logged = _logged(review, course, "timing_deg_btdc")
    if not _some(logged, course.timing_planned):
        return None
    few = _thin(course)
    every = [
        svg.Line(course.timing_base[few], svg.WITHOUT, "without nitrous", at=0.25),
        svg.Line(course.timing_planned[few], svg.WITH, "planned", at=0.75, above=False),
        svg.Line(logged[few], svg.LOGGED, "logged", at=0.5),
    ]
    text = "Timing: what the log holds against what was to be typed in"
    return text, svg.lines(text, course.time_s[few], every, unit="deg before TDC", x_unit="s", zero=False)


def _bottle(review: Review, *, metric: bool) -> tuple[str, str] | None:
    for _, seen in review.case.bottle if review.case else ():
        if seen is None or not _some(seen.measured_kpa, seen.best_kpa):
            continue
        unit, to = ("kPa gauge", 1.0) if metric else ("psi gauge", psi_from_kpa(1.0))
        few = slice(None, None, max(1, len(seen.time_s) // POINTS))
        every = [
            svg.Line(to * seen.best_kpa[few], svg.WITH, "expected", low=to * seen.low_kpa[few], high=to * seen.high_kpa[few], at=0.35),
            svg.Line(to * seen.measured_kpa[few], svg.LOGGED, "logged", at=0.75, above=False),
        ]  # fmt: skip
        text = "Bottle pressure through the spray, against the model of a bottle drawn from"
        return text, svg.lines(text, seen.time_s[few], every, unit=unit, x_unit="s", zero=False)
    return None


def _duty(review: Review, course) -> tuple[str, str] | None:
    logged, limit = _logged(review, course, "injector_duty_percent"), review.sheet.limits.injector_duty_percent
    if not _some(logged):
        return None
    few = _thin(course)
    every = [
        svg.Line(np.full(len(course.time_s[few]), limit), svg.LIMIT, f"limit {limit:g} %", at=0.2),
        svg.Line(course.injector_duty_planned[few], svg.WITH, "planned", at=0.6, above=False),
        svg.Line(logged[few], svg.LOGGED, "logged", at=0.8),
    ]
    text = "Injector duty against the limit"
    return text, svg.lines(text, course.time_s[few], every, unit="% of the time", x_unit="s", zero=True)
