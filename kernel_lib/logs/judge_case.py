"""What every judgement is given: the log, the plan, what was seen in the log; and the words for it in either unit system."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..build_sheet import BuildSheet
from ..plan.tune import Tune
from ..text import rounded
from ..units import f_from_c, lb_from_kg, psi_from_kpa
from .command import throttle_seen
from .events import GAP, LIFT, MISSED_SHIFT, SHIFT
from .finding import GO, REPEAT, STOP, VERDICTS, Finding
from .guards_seen import THROTTLE_ROOM
from .log import Log

CLEAN, NOT_READ, ODD = "clean", "not read", "odd one out"
PLUGS = (NOT_READ, CLEAN, "lean", "rich", "specks", "melted", ODD)
"""What a plug may be said to be."""
CYCLES_SURE = 3.0
"""Working cycles of a cylinder that something has to last to count as seen; a choice of our own, no source."""
COVERED = 0.8
"""Part of the samples that count that a channel has to hold for its judgement to hold; a choice of our own, no source."""
EDGE_S = 0.06
"""Next to a lift, a shift or a gap no reading is judged, for so long [s]; a choice of our own, no source."""


@dataclass(frozen=True)
class Words:
    """Numbers in the reader's units.

    Attributes
    ----------
    scale : float
        What the gauge shows at lambda 1 [AFR].
    metric : bool
    """

    scale: float
    metric: bool

    def lambda_(self, value: float, digits: int = 2) -> str:
        """True lambda, AFR on the gauge's scale beside it; on nitrous the gauge itself shows something else."""
        return f"lambda {value:.{digits}f} ({value * self.scale:.1f} on a {self.scale:g} scale)"

    def reading(self, value: float, digits: int = 3) -> str:
        """Lambda as read, and what the gauge shows."""
        return f"lambda {value:.{digits}f} ({value * self.scale:.1f} on this gauge)"

    def kpa(self, value: float, spread: float = 100.0) -> str:
        """Pressure in the reader's unit, without saying against what."""
        if self.metric:
            return f"{rounded(value, spread)} kPa"
        return f"{rounded(psi_from_kpa(value), psi_from_kpa(spread))} psi"

    def celsius(self, value: float) -> str:
        """Temperature."""
        return f"{value:.0f} °C" if self.metric else f"{f_from_c(value):.0f} °F"

    def kelvin(self, value: float) -> str:
        """Difference of temperatures."""
        return f"{value:.0f} K" if self.metric else f"{1.8 * value:.0f} °F"

    @property
    def fuel_unit(self) -> str:
        """Unit of a fuel flow."""
        return "kg/h" if self.metric else "lb/h"

    def fuel(self, kg_h: float) -> float:
        """Fuel flow in that unit."""
        return kg_h if self.metric else float(lb_from_kg(kg_h))


@dataclass(frozen=True)
class Before:
    """Clean pulls of the same step in the logs before a log.

    Attributes
    ----------
    pulls : int
    names : tuple of str
        Of the logs that hold them, the last one first.
    """

    pulls: int = 0
    names: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Case:
    """A log, cut and laid beside the plan.

    Attributes
    ----------
    sheet, log, tune : BuildSheet, Log, Tune
    pulls : tuple of Pull
    courses : tuple
        What was expected beside what was measured, of each pull; None where it has none.
    delay : Delay or None
        Of the sensor.
    step : Any
        Step of the ladder that was seen, or None.
    bottle : tuple
        (hit, what the bottle did) of the hits that were held against the bottle's model, in their order.
    knock, missed, unchecked, fired, suspects : Any
        What was seen of knock, guards, misfire.
    can_tell, blind : bool, str
        Whether a misfire could be seen at all, and if not, why.
    base : Case or None
        A log without nitrous that goes with this one.
    plugs : dict
        Cylinder, from 1 -> one of `PLUGS`.
    metric : bool
    asked : tuple of str
        Questions about columns that may be nitrous and are not confirmed.
    part : float or None
        Of the plan's flow that the fitted nozzle passes, as stated.
    before : Before
        Clean pulls of the same step in the logs before this one.
    told : tuple of Finding or None
        Of a base log beside another log: the findings of its own review, worst first; None where it was not judged.
    """

    sheet: BuildSheet
    log: Log
    tune: Tune
    pulls: tuple = ()
    courses: tuple = ()
    delay: Any = None
    step: Any = None
    bottle: tuple = ()
    knock: Any = None
    missed: tuple = ()
    unchecked: tuple = ()
    fired: tuple = ()
    suspects: tuple = ()
    can_tell: bool = True
    blind: str = ""
    base: Case | None = None
    plugs: dict[int, str] = field(default_factory=dict)
    metric: bool = False
    asked: tuple[str, ...] = ()
    part: float | None = None
    before: Before = Before()
    told: tuple[Finding, ...] | None = None

    @property
    def words(self) -> Words:
        """How numbers are written."""
        return Words(self.sheet.controller.gauge_scale, self.metric)

    @property
    def kind(self) -> str:
        """What this log is: "nitrous", "base" or "nothing"."""
        if any(pull.hits for pull in self.pulls):
            return "nitrous"
        return "base" if self.pulls else "nothing"

    @property
    def dose_known(self) -> bool:
        """Whether the log, or who handed it in, says which dose was sprayed: of a valve that is not pulsed no log does."""
        return self.tune.pulsed or self.part is not None

    @property
    def hits(self) -> list:
        """Every hit, in order."""
        return [hit for pull in self.pulls for hit in pull.hits]

    @functools.cached_property
    def throttle(self) -> np.ndarray:
        """Throttle on the log's clock, 100 % where it is fully open [%]; NaN where it is not in the log."""
        return throttle_seen(self.log, self.sheet)

    @functools.cached_property
    def steady(self) -> np.ndarray:
        """Samples of the log at full throttle, no shift, lift or gap next to them."""
        log, room = self.log, round(EDGE_S / self.log.step_s)
        out = np.zeros(len(log.time_s), bool)
        for pull in self.pulls:
            out[pull.start : pull.stop] = True
        with np.errstate(invalid="ignore"):
            bad = self.throttle < self.sheet.nitrous.throttle_min_percent - THROTTLE_ROOM
        for pull in self.pulls:
            for event in pull.events:
                if event.kind in (SHIFT, MISSED_SHIFT, LIFT, GAP):
                    bad[event.start : event.stop] = True
        bad |= ~out
        return out & ~widened(bad, room)

    def seconds(self, index: int) -> float:
        """Time of a sample of the log [s]; the first or the last where it lies outside."""
        return float(self.log.time_s[min(max(int(index), 0), len(self.log.time_s) - 1)])


def worst(findings: list[Finding]) -> str:
    """Return the worst verdict that any of them asks."""
    return max((f.asks for f in findings), key=VERDICTS.index, default=REPEAT)


def by_weight(findings: list[Finding]) -> list[Finding]:
    """Worst first; among findings that ask the same, the heaviest."""
    return sorted(findings, key=lambda f: (-VERDICTS.index(f.asks), -f.weight, f.key))


def holds(
    key: str, weight: float, title: str, sentence: str, numbers: dict | None = None, at: tuple | None = None
) -> Finding:
    """A judgement that finds nothing wrong."""
    return Finding(key, "holds", GO, weight, title, sentence, at, numbers or {})


def watch(
    key: str,
    asks: str,
    weight: float,
    title: str,
    sentence: str,
    numbers: dict | None = None,
    at: tuple | None = None,
) -> Finding:
    """A judgement that asks for care."""
    return Finding(key, "stop" if asks == STOP else "watch", asks, weight, title, sentence, at, numbers or {})


def unjudged(key: str, title: str, because: str, asks: str = GO, weight: float = 10.0) -> Finding:
    """A judgement that the log does not allow."""
    return Finding(key, "unjudged", asks, weight, title, because)


def apart(value: float, spread: float) -> str:
    """Write a difference of lambda with the digits it is known to: three decimals at most."""
    return f"{abs(value):.3f}" if spread < 0.01 else f"{abs(value):.2f}"


def within(value: float) -> str:
    """Write how near something stays, in whole hundredths of lambda, rounded up: a gauge knows no more."""
    return f"{max(np.ceil(round(100 * abs(value), 6)), 1) / 100:.2f}"


def widened(mask: np.ndarray, samples: int) -> np.ndarray:
    """True also so many samples before and after."""
    if samples <= 0 or not len(mask):
        return np.asarray(mask, bool)
    kernel = np.ones(2 * samples + 1)
    return np.convolve(np.asarray(mask, float), kernel)[samples : samples + len(mask)] > 0.5


def cycles(rpm: np.ndarray, step_s: float) -> float:
    """Working cycles of each cylinder in these samples."""
    return float(np.nansum(rpm) / 120 * step_s)


def span(at: tuple[float, float]) -> str:
    """From when to when, in words."""
    return f"at {at[0]:.2f} s" if at[1] - at[0] < 0.05 else f"from {at[0]:.2f} to {at[1]:.2f} s"
