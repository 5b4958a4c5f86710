"""Retard in the log less the retard that is right at each moment: where it is judged, and how exactly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..plan.ladder import GATE_TIMING_DEG
from .command import PRESSURE_PLAY
from .course import Course
from .events import GAP, LIFT, MISSED_SHIFT, SHIFT
from .guards_seen import THROTTLE_ROOM
from .judge_case import Case, widened
from .judge_lean import index_of, with_nitrous

SHORT_STOP_DEG = 4.0
"""Retard short of what is right by more than this is a stop; a choice of our own, no source."""
LIFTED_S = 0.03
"""Next to a lifted throttle no retard is judged, for so long [s], a sample at least: the known-good timing is that of full throttle; a choice of our own, no source."""


@dataclass(frozen=True, eq=False)
class Margin:
    """Retard of one pull, on the samples of its course [deg].

    Attributes
    ----------
    pull : int
        Its number.
    course : Course
    use : array of bool
        What ought to be judged: nitrous in the charge, throttle open, engine speed known.
    rough : array of bool
        Of these, where engine speed falls through a shift or the throttle has only just opened: it is known to no more than `SHORT_STOP_DEG` which timing is right.
    lifted : array of bool
        Not judged, for the throttle is lifted: the valve commanded and nitrous in the charge all the same.
    taken : array
        Known-good timing less that in the log; NaN where one is not known.
    right, of_step : array
        What is right for the dose of the moment, and what the step has in its table; where nobody has said which nozzle was fitted, no more than the smallest step's.
    """

    pull: int
    course: Course
    use: np.ndarray
    rough: np.ndarray
    lifted: np.ndarray
    taken: np.ndarray
    right: np.ndarray
    of_step: np.ndarray

    @property
    def deg(self) -> np.ndarray:
        """Taken out less what is right, below 0: too little; NaN where it is not judged."""
        return np.where(self.use, self.taken - self.right, np.nan)

    @property
    def judged(self) -> np.ndarray:
        """Samples that are judged."""
        return np.isfinite(self.deg)

    @property
    def steady(self) -> np.ndarray:
        """Those of them that are judged to the gate of the ladder."""
        return self.judged & ~self.rough

    @property
    def short(self) -> np.ndarray:
        """Samples with less retard than is allowed."""
        with np.errstate(invalid="ignore"):
            return self.judged & (self.deg < -np.where(self.rough, SHORT_STOP_DEG, GATE_TIMING_DEG))


def margins(case: Case) -> list[Margin]:
    """Hold the retard in the log against what is right, pull by pull.

    Parameters
    ----------
    case : Case
    """
    timing, opened, out = case.log.get("timing_deg_btdc"), _opened(case), []
    for k, (pull, course) in enumerate(zip(case.pulls, case.courses, strict=True)):
        if course is None or not pull.hits:
            continue
        index = index_of(case, course)
        right, of_step = (_at_most(case, course, wanted) for wanted in (course.retard_planned, course.retard_of_step))
        there = with_nitrous(course) & (right > 0)
        use = there & (opened | case.steady)[index]
        taken, lifted = course.timing_base - timing[index], there & ~use & (course.share > 0)
        out.append(Margin(k, course, use, use & ~case.steady[index], lifted, taken, right, of_step))
    return out


def _at_most(case: Case, course: Course, retard: np.ndarray) -> np.ndarray:
    """The same; where nobody has said which nozzle was fitted, no more than the smallest step's."""
    steps = case.tune.ladder.steps
    if case.dose_known or not steps or not np.isfinite(steps[0].retard_deg).any():
        return retard
    known = np.isfinite(steps[0].retard_deg)
    return np.minimum(retard, np.interp(course.rpm, steps[0].rpm[known], steps[0].retard_deg[known]))


def _opened(case: Case) -> np.ndarray:
    """Samples of the log in a pull, with the throttle open and engine speed known; a shift with the throttle held open is one of them."""
    log, sheet = case.log, case.sheet
    inside = np.zeros(len(log.time_s), bool)
    for pull in case.pulls:
        inside[pull.start : pull.stop] = True
    throttle, least = case.throttle, sheet.nitrous.throttle_min_percent - THROTTLE_ROOM
    at_full = sheet.value("engine.full_throttle_manifold_kpa") - PRESSURE_PLAY
    with np.errstate(invalid="ignore"):
        shut = throttle < least
        open_ = (throttle >= least) | (np.isnan(throttle) & (log.get("manifold_kpa") >= at_full))
    for pull in case.pulls:
        for event in pull.events:
            here = slice(event.start, event.stop)
            if event.kind == GAP:
                shut[here] = True
            elif event.kind in (SHIFT, MISSED_SHIFT, LIFT):
                shut[here] |= ~open_[here]
    return inside & ~widened(shut | ~inside, max(round(LIFTED_S / log.step_s), 1))
