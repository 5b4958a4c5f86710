"""What the pictures are made of: one pull of one log, in the seconds of the log."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from kernel_lib.logs.base_log import OF_BASE_LOG
from kernel_lib.logs.finding import VERDICTS, Finding
from kernel_lib.logs.review import Review

_BEFORE_S, _AFTER_S = 1.0, 2.0
PHASES = (("ramp_in", "ramp-in"), ("spray", "spray"), ("wash_out", "wash-out"))
"""Parts of a hit, and what they are called."""


@dataclass(frozen=True, eq=False)
class Looked:
    """One pull of a review.

    Attributes
    ----------
    review : Review
    at : int
        Which of its pulls.
    cells : tuple of DataFrame or None
        The settled mixture of all pulls cell by cell, without and with nitrous.
    """

    review: Review
    at: int
    cells: tuple | None = None

    @property
    def sheet(self) -> Any:
        """The build sheet it was judged against."""
        return self.review.sheet

    @property
    def pull(self) -> Any:
        """The pull."""
        return self.review.pulls[self.at]

    @property
    def course(self) -> Any:
        """What was expected beside what was measured; None where nothing could be."""
        return self.review.courses[self.at]

    @cached_property
    def zero_s(self) -> float:
        """When full throttle began, in the log [s]."""
        time = self.review.log.time_s
        return float(time[min(self.pull.start, len(time) - 1)])

    @property
    def throttle_s(self) -> float:
        """How long full throttle lasted [s]."""
        time = self.review.log.time_s
        return float(time[min(self.pull.stop, len(time) - 1)]) - self.zero_s

    @cached_property
    def course_t(self) -> np.ndarray:
        """Times of the course in the log [s]."""
        return np.asarray(self.course.time_s, float)

    @cached_property
    def window(self) -> slice:
        """What of the log the pictures show."""
        time = self.review.log.time_s
        if self.course is not None and len(self.course.time_s):
            ends = self.course.time_s[0], self.course.time_s[-1]
        else:
            last = max([self.pull.stop, *(hit.flow.stop for hit in self.pull.hits)])
            ends = self.zero_s - _BEFORE_S, float(time[min(last, len(time) - 1)]) + _AFTER_S
        step = self.review.log.step_s
        return slice(*np.searchsorted(time, [ends[0] - 0.5 * step, ends[1] + 0.5 * step]))

    @cached_property
    def t(self) -> np.ndarray:
        """Times of what is shown in the log [s]."""
        return self.review.log.time_s[self.window]

    @property
    def end_s(self) -> float:
        """When full throttle ended, in the log [s]."""
        return self.zero_s + self.throttle_s

    def logged(self, key: str) -> np.ndarray | None:
        """A channel over `t`; None where the log has none."""
        log = self.review.log
        if not log.has(key):
            return None
        found = log.get(key)[self.window]
        return found if np.isfinite(found).any() else None

    def expected(self, name: str) -> np.ndarray | None:
        """A part of the course over `course_t`; None where it has none."""
        found = getattr(self.course, name, None)
        if found is None:
            return None
        found = np.asarray(found, float)
        found = np.broadcast_to(found, self.course_t.shape)
        return found if np.isfinite(found).any() else None

    @cached_property
    def phases(self) -> list[tuple[str, float, float]]:
        """Name, begin and end of every part of every hit [s in the log]."""
        time = self.review.log.time_s
        out = []
        for hit in self.pull.hits:
            for key, name in PHASES:
                part = getattr(hit, key)
                begin, end = (time[min(max(k, 0), len(time) - 1)] for k in (part.start, part.stop))
                if end > begin:
                    out.append((name, float(begin), float(end)))
        return out

    def finding(self, *keys: str) -> Finding | None:
        """The worst finding of these kinds that belongs to this pull; one of the whole log only where it is the only pull."""
        begin, end = (self.t[0], self.t[-1]) if len(self.t) else (-np.inf, np.inf)
        only = len(self.review.pulls) == 1
        found = [
            f
            for f in self.review.findings
            if f.key in keys
            and OF_BASE_LOG not in f.numbers
            and (only if f.at_s is None else (f.at_s[0] <= end and f.at_s[1] >= begin))
        ]
        return max(found, key=lambda f: (VERDICTS.index(f.asks), f.weight), default=None)

    @property
    def label(self) -> str:
        """What the pull is called where one is chosen."""
        hits = len(self.pull.hits)
        sprayed = f", {hits} hits" if hits > 1 else ""
        return f"{self.at + 1}: {self.pull.kind}, {self.throttle_s:.1f} s at full throttle from {self.zero_s:.1f} s{sprayed}"
