"""Every rule of thumb of the trade, recomputed for the car at hand.

The whole shot is taken at every speed of the spray window, as the trade counts it. A rule is held against the *likely* need; see
`rules_kinds.classify` for the verdicts. Where a rule that may break something meets that need but not the cautious edge, which a first hit takes, it is
shown so (`RuleCheck.shown`) and counted apart.
"""

from __future__ import annotations

import functools

from ..build_fields import describe
from ..build_sheet import BuildSheet
from ..errors import InputError
from . import rules_mixture, rules_timing, rules_valve
from .rules_car import Car, Say
from .rules_kinds import (
    CLOSE,
    CLOSE_SHARE,
    FACT,
    HOLDS,
    MORE,
    NOT_FIRST,
    SHORT,
    SHOWN,
    UNJUDGED,
    VERDICTS,
    Course,
    Rule,
    RuleCheck,
    Stretch,
    unjudged,
)
from .rules_mixture import FUEL_MUCH
from .rules_told import RULES

__all__ = [
    "CLOSE",
    "CLOSE_SHARE",
    "FACT",
    "FUEL_MUCH",
    "HOLDS",
    "MORE",
    "NOT_FIRST",
    "RULES",
    "SHORT",
    "SHOWN",
    "UNJUDGED",
    "VERDICTS",
    "Course",
    "Rule",
    "RuleCheck",
    "Stretch",
    "blocked",
    "check_rules",
    "worst_of",
]

_CHECKS = {
    "fuel": rules_mixture.fuel,
    "retard": rules_timing.retard,
    "plugs": rules_timing.plugs,
    "gauge": rules_mixture.gauge,
    "lean": rules_mixture.lean,
    "lead": rules_mixture.lead,
    "pulse": rules_valve.pulse,
    "throttle": rules_valve.throttle,
    "from": rules_timing.window_from,
    "to": rules_timing.window_to,
    "half": rules_valve.half,
    "hold": rules_valve.hold,
    "bottle": rules_valve.bottle,
    "root": rules_valve.root,
    "oxygen": rules_mixture.oxygen,
    "power": rules_timing.power,
    "torque": rules_timing.torque,
}


def check_rules(sheet: BuildSheet, *, metric: bool = True) -> list[RuleCheck]:
    """Hold every rule against a car.

    Parameters
    ----------
    sheet : BuildSheet
    metric : bool
        Units within the sentences; numbers beside them are the kernel's own.

    Returns
    -------
    list of RuleCheck
        In the order of `RULES`; some seconds the first time, kept. What cannot be computed for a car cannot be judged, and its sentence says
        why.

    Raises
    ------
    InputError
        For anything but a build sheet.
    """
    return list(_checked(_on_paper(sheet), bool(metric)))


def _on_paper(sheet: BuildSheet) -> BuildSheet:
    """Return a build sheet, or refuse what is none."""
    if not isinstance(sheet, BuildSheet):
        raise InputError("sheet", sheet, "", "a BuildSheet", "A rule is held against the car on paper.")
    return sheet


@functools.lru_cache(maxsize=16)
def _checked(sheet: BuildSheet, metric: bool) -> tuple[RuleCheck, ...]:
    return tuple(_one(sheet, key, Say(metric)) for key in RULES)


@functools.lru_cache(maxsize=8)
def _car(sheet: BuildSheet) -> Car:
    return Car.of(sheet)


def _one(sheet: BuildSheet, key: str, say: Say) -> RuleCheck:
    try:
        return _CHECKS[key](_car(sheet), say)
    except InputError as exc:
        return unjudged(RULES[key], *_bare(key), _refused(exc))
    except Exception:
        if RAISES:
            raise
        return unjudged(RULES[key], *_bare(key), _FAILED)


RAISES = False
"""Whether what is not foreseen is raised, as tests want it, in place of leaving one rule out and keeping the others."""
_FAILED = "Not computed for this car: its computation failed here, which is a fault of this program. The other rules do not hang on it."


def _refused(exc: InputError) -> str:
    """Say what stands in the way."""
    label = describe(exc.field).get("label", exc.field.replace("_", " "))
    return f"Not computed for this car. {exc.reason} What would do for the {label}: {exc.allowed}."


def _bare(key: str) -> tuple[float, str]:
    """First of a rule's own numbers, with a unit that can stand by it where there is no car to count with."""
    name, value = next(iter(RULES[key].numbers.items()))
    return float(value), _NAMED.get(name, "")


_NAMED = {
    "lb_h_per_100_hp": "lb/h per 100 hp",
    "deg_per_50_hp": "deg per 50 hp",
    "heat_ranges": "ranges",
    "lambda_rich": "lambda",
    "lambda_stop": "lambda",
    "lead_ms": "ms",
    "pulse_hz": "Hz",
    "throttle_percent": "%",
    "rpm_from": "rpm",
    "rpm_to": "rpm",
    "duty_share": "of the power",
    "hold_s": "s",
    "window_low_kpa": "kPa gauge",
    "exponent": "power of the pressure",
    "nitrous_percent_by_mass": "% by mass",
    "hp_share": "of the power",
    "torque_share": "of the torque",
}


def blocked(sheet: BuildSheet) -> list[str]:
    """What forbids to spray this sheet as it stands, as the shot planner says it; empty where nothing does or it cannot be computed.

    Raises
    ------
    InputError
        For anything but a build sheet.
    """
    sheet = _on_paper(sheet)
    try:
        car = _car(sheet)
    except InputError:
        return []
    return list(car.tune.blockers) if car.tune is not None else []


def worst_of(checks: list[RuleCheck], shown: str = SHORT) -> RuleCheck | None:
    """The most dangerous of the rules that are short, or shown otherwise: what may break most, then what leaves out the largest share of its need; None if none is."""
    found = [c for c in checks if c.shown == shown]
    return max(found, key=lambda c: (c.rule.harm, c.missing)) if found else None
