"""What a rule of the trade is, and how it is held against a need of the model, over engine speed or at one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..band import Band
from ..build_fields import PRACTICE

HOLDS, SHORT, MORE, UNJUDGED = "holds", "short", "more than needed", "cannot be judged"
VERDICTS = (SHORT, HOLDS, MORE, UNJUDGED)
NOT_FIRST = "holds, but not for a first hit"
"""How a rule that may break something is shown where it meets the likely need but not the cautious edge, which a first hit takes."""
SHOWN = (SHORT, NOT_FIRST, MORE, HOLDS, UNJUDGED)
"""A verdict as a reader sees it."""
GRAVE = 2
"""Harm from which the cautious edge counts."""
FACT = "a fact of physics"
CLOSE = {
    "deg": 0.5,
    "rpm": 50.0,
    "ms": 10.0,
    "s": 0.1,
    "Hz": 0.5,
    "kPa gauge": 50.0,
    "% of the flow": 2.0,
    "% by mass": 0.5,
}
"""Unit -> difference from a need that nobody can set or see; choices of our own, no source. In lambda it is a sensor's error (`SENSOR_ERROR`)."""
CLOSE_SHARE = 0.05
"""The same of a power or a torque, as a share of it."""
_FINE = 10.0  # rpm between which a verdict may change


@dataclass(frozen=True)
class Rule:
    """A rule of the trade.

    Attributes
    ----------
    key, text : str
        Its name here, and the rule as the trade says it.
    numbers : Mapping
        Name with unit suffix -> value; where the rest of the kernel uses the same number it is that very one.
    origin : str
        Where it comes from, as far as physics can say; of no one car.
    harm : int
        What falling short may cost: 0 nothing, 1 a wrong expectation, 2 a late or blind safeguard, 3 the engine.
    basis : str
    """

    key: str
    text: str
    numbers: Mapping[str, float]
    origin: str
    harm: int
    basis: str = PRACTICE

    @property
    def grave(self) -> bool:
        """Whether falling short may cost more than a wrong expectation, so that the cautious edge counts."""
        return self.harm >= GRAVE


def verdict_of(shown: str) -> str:
    """One of the four verdicts for what is shown: likely enough counts as holding."""
    return HOLDS if shown == NOT_FIRST else shown


@dataclass(frozen=True)
class Stretch:
    """What is shown, one of `SHOWN`, and the speeds between which it stands [rpm]."""

    shown: str
    rpm_low: float
    rpm_high: float

    @property
    def verdict(self) -> str:
        """One of `VERDICTS`."""
        return verdict_of(self.shown)


@dataclass(frozen=True, eq=False)
class Course:
    """Rule and need over engine speed, in the unit of the check; where a value is not known, NaN, where none is enough, infinite.

    Attributes
    ----------
    rpm, here, low, best, high : array
        Speeds; what the rule gives; the need with its bounds.
    most : array or None
        Where too much does harm of its own: the most that likely does none.
    """

    rpm: np.ndarray
    here: np.ndarray
    low: np.ndarray
    best: np.ndarray
    high: np.ndarray
    most: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class RuleCheck:
    """A rule held against the model of a car.

    Attributes
    ----------
    rule : Rule
    here : Band or float
        What the rule gives for this car, at `at_rpm` where it depends on speed.
    unit : str
        Of `here`, `model` and `course`.
    model : Band or None
        What the model gives there; its ``because`` says what the band runs over. None where the model has no say.
    shown : str
        One of `SHOWN`: the verdict, with the cautious edge told apart.
    rpm : tuple of float or None
        The longest stretch of speeds over which that is so [rpm]; None where speed does not enter.
    ranges : tuple of Stretch
        Every stretch, rising; empty where speed does not enter.
    because : str
        One or two sentences.
    at_rpm : float or None
        Speed of `here` and `model`: where the rule falls shortest or comes nearest to it, unless the sentence is about another.
    course : Course or None
    missing : float
        Share of the likely need that the rule leaves out or, where less is safer, of what it gives that is too much; 0 where it is not short, 1 where nothing is enough.
    here_told, model_told : str
        What rule and model give, in words, where one number with its band does not tell it; else empty.
    label : str
        `shown` in this rule's own words, where those say it better; else empty.
    """

    rule: Rule
    here: Band | float
    unit: str
    model: Band | None
    shown: str
    rpm: tuple[float, float] | None
    ranges: tuple[Stretch, ...]
    because: str
    at_rpm: float | None = None
    course: Course | None = None
    missing: float = 0.0
    here_told: str = ""
    model_told: str = ""
    label: str = ""

    @property
    def verdict(self) -> str:
        """One of `VERDICTS`."""
        return verdict_of(self.shown)

    @property
    def word(self) -> str:
        """What a reader sees."""
        return self.label or self.shown


def classify(here, low, best, high, *, close, sign=1, too_much=False, first=False, never_more=False) -> np.ndarray:
    """What is shown, element by element.

    Parameters
    ----------
    here, low, best, high : array
        What the rule gives; the need and its bounds.
    close : float or array
        Difference from the need that nobody can set or see; within it a need counts as met.
    sign : {1, -1}
        1: more is safer; -1: less is safer.
    too_much : bool or array
        Where an excess does harm of its own.
    first : bool
        Whether the cautious edge counts: the rule may break something.
    never_more : bool
        Whether less than the rule gives is never to be invited.

    Returns
    -------
    array of str

    Notes
    -----
    Short: less safe than the *likely* need by more than `close`. More than needed: beyond the *cautious* edge of the band by more than `close`, so
    that no choice of the unknowns asks for as much, or an excess that does harm of its own. Between the two it holds; where the edge counts and lies
    beyond the rule by more than `close`, or is not known, it does not hold for a first hit. A likely need that is not known cannot be judged; one that
    nothing meets (infinite) leaves every rule short.
    """
    here, best, edge = (sign * np.asarray(v, float) for v in (here, best, high if sign > 0 else low))
    edge = np.where(np.isnan(edge), np.inf, edge)
    short = here < best - close
    much = ~short & ((here > np.maximum(edge, best) + close) | np.asarray(too_much, bool))
    much = much & (not never_more)
    held = np.where((here < edge - close) & first, NOT_FIRST, HOLDS)
    out = np.where(short, SHORT, np.where(much, MORE, held))
    return np.where(np.isnan(best), UNJUDGED, out)


def share_missing(here: float, need: float, sign: int = 1) -> float:
    """Share of a need that a rule leaves out or, where less is safer, of what it gives that is too much; 0 to 1."""
    lack, whole = sign * (need - here), max(abs(need if sign > 0 else here), 1e-12)
    return float(min(max(lack / whole, 0.0), 1.0))


def fine_speeds(rpm: np.ndarray) -> np.ndarray:
    """Speeds between those of a course, where a verdict may change [rpm]."""
    return np.linspace(rpm[0], rpm[-1], max(2, round((rpm[-1] - rpm[0]) / _FINE) + 1))


def between(rpm: np.ndarray, values) -> np.ndarray:
    """Values at `fine_speeds`, on lines."""
    there = np.broadcast_to(np.nan_to_num(values, nan=np.nan, posinf=1e4), len(rpm))
    return np.interp(fine_speeds(rpm), rpm, there)


def stretches(course: Course, *, close, sign: int, too_much, **how) -> tuple[Stretch, ...]:
    """What is shown over speed, rule and need on lines between the speeds of a course, merged where it is alike."""
    names = classify(
        *(between(course.rpm, v) for v in (course.here, course.low, course.best, course.high)),
        close=between(course.rpm, close),
        sign=sign,
        too_much=between(course.rpm, np.asarray(too_much, float)) > 0.5,
        **how,
    )
    return merged(course.rpm, names)


def merged(rpm: np.ndarray, names: np.ndarray) -> tuple[Stretch, ...]:
    """Stretches of what is shown at `fine_speeds`."""
    fine = fine_speeds(rpm)
    cuts = np.flatnonzero(names[1:] != names[:-1]) + 1
    first, last = np.append(0, cuts), np.append(cuts - 1, len(fine) - 1)
    return tuple(Stretch(str(names[a]), float(fine[a]), float(fine[b])) for a, b in zip(first, last, strict=True))


def overall(ranges: tuple[Stretch, ...]) -> str:
    """One word for a window: short where it is short anywhere, then not for a first hit; more than needed only where it is so at every speed judged."""
    found = {s.shown for s in ranges} - {UNJUDGED}
    if not found:
        return UNJUDGED
    for worse in (SHORT, NOT_FIRST):
        if worse in found:
            return worse
    return MORE if found == {MORE} else HOLDS


@dataclass(frozen=True, eq=False)
class Held:
    """A rule held against a need over speed: what `RuleCheck` wants to know, before its sentence.

    Attributes
    ----------
    k : int
        Index of the speed that counts.
    """

    course: Course
    shown: str
    ranges: tuple[Stretch, ...]
    k: int
    missing: float

    @classmethod
    def over(cls, course: Course, *, close, sign: int = 1, too_much=False, first=False, never_more=False) -> Held:
        """Judge a course; the speed that counts is where the rule falls shortest of what can be seen, or comes nearest to it."""
        how = {"close": close, "sign": sign, "too_much": too_much, "first": first, "never_more": never_more}
        ranges = stretches(course, **how)
        shown, known = overall(ranges), np.isfinite(course.best)
        lack = np.where(known, sign * (course.best - course.here) - close, -np.inf)
        k = int(lack.argmax())
        none = bool(np.isinf(course.best).any())
        missing = 1.0 if none else share_missing(course.here[k], course.best[k], sign)
        return cls(course, shown, ranges, k, missing if shown == SHORT else 0.0)

    def shown_as(self, shown: str) -> Held:
        """The same, shown otherwise where it holds."""
        ranges = tuple(replace(s, shown=shown) if s.shown == self.shown else s for s in self.ranges)
        return replace(self, shown=shown, ranges=ranges)

    def about(self, k: int, course: Course | None = None) -> Held:
        """The same looked at from another speed, or with a course fit to be drawn."""
        return replace(self, k=k, course=course or self.course)

    def check(
        self, rule: Rule, unit: str, assumption: str, because: str, here: Band | float | None = None, **told: str
    ) -> RuleCheck:
        """Put a rule and a sentence to it."""
        c, k = self.course, self.k
        alike = [s for s in self.ranges if s.shown == self.shown]
        longest = max(alike, key=lambda s: s.rpm_high - s.rpm_low) if alike else None
        model = (
            Band(float(c.low[k]), float(c.best[k]), float(c.high[k]), assumption) if self.shown != UNJUDGED else None
        )
        return RuleCheck(
            rule,
            float(c.here[k]) if here is None else here,
            unit,
            model,
            self.shown,
            (longest.rpm_low, longest.rpm_high) if longest else None,
            self.ranges,
            because,
            float(c.rpm[k]),
            c,
            self.missing,
            **told,
        )


def at_once(
    rule: Rule,
    here: Band | float,
    unit: str,
    model: Band,
    because: str,
    *,
    close: float,
    sign: int = 1,
    value: float | None = None,
    too_much: bool = False,
    at_rpm: float | None = None,
) -> RuleCheck:
    """Hold a rule against a need that does not run over speed; `value`: what of a banded `here` is compared."""
    given = value if value is not None else here.best if isinstance(here, Band) else here
    how = {"close": close, "sign": sign, "too_much": too_much, "first": rule.grave}
    shown = str(classify(given, model.low, model.best, model.high, **how))
    missing = share_missing(given, model.best, sign) if shown == SHORT else 0.0
    return RuleCheck(rule, here, unit, model, shown, None, (), because, at_rpm, None, missing)


def unjudged(rule: Rule, here: Band | float, unit: str, because: str) -> RuleCheck:
    """Say that the model has no say, and why."""
    return RuleCheck(rule, here, unit, None, UNJUDGED, None, (), because)
