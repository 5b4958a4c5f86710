"""What the rule check says: its answer, and numbers with their units as a reader wants them."""

from __future__ import annotations

from collections.abc import Callable

from kernel_lib import BuildSheet
from kernel_lib.band import SENSOR_ERROR, Band
from kernel_lib.teach.rules import (
    CLOSE,
    CLOSE_SHARE,
    FUEL_MUCH,
    HOLDS,
    MORE,
    NOT_FIRST,
    SHORT,
    UNJUDGED,
    RuleCheck,
    Stretch,
    blocked,
    worst_of,
)
from kernel_lib.text import banded, listed, rounded

from . import display

ORDER = (SHORT, NOT_FIRST, MORE, HOLDS, UNJUDGED)
STATES = {HOLDS: "holds", SHORT: "stop", NOT_FIRST: "watch", MORE: "more", UNJUDGED: "note"}
HEADS = {
    SHORT: "Short here",
    NOT_FIRST: "Likely hold, short for a first hit",
    MORE: "More than needed here",
    HOLDS: "Hold here",
    UNJUDGED: "Cannot be judged",
}
BRIEF = {NOT_FIRST: "not for a first hit"}
"""A verdict where there is little room."""

_UNITS = {"deg": "degrees", "ranges": "heat ranges", "lambda": ""}
_WHOLE = ("rpm", "kPa gauge")  # shown to ten
_MODELLED = ("hp", "N m")  # even what the rule gives rests on the model there


def unit_of(check: RuleCheck, system: str) -> str:
    """Unit of a check as the reader sees it; power stays in hp, as a shot does."""
    if check.unit == "hp":
        return "hp"
    return _UNITS.get(check.unit, display.shown(check.unit, system).unit)


def there(check: RuleCheck, system: str) -> Callable[[float], float]:
    """The way to the reader's unit."""
    return (lambda v: v) if check.unit == "hp" else display.shown(check.unit, system).there


def _ten(value: float) -> str:
    return f"{round(value, -1):.0f}"


def _written(check: RuleCheck, values: list[float], *, given: bool) -> str:
    """One value, or low, likely, high, without a unit; what a rule gives is exact, what a model gives as fine as it knows."""
    if check.unit == "lambda":
        digits = 3 if given or values[-1] - values[0] < 0.03 else 2
        told = [f"{v:.{digits}f}" for v in values]
    elif check.unit in _WHOLE:
        told = [_ten(v) for v in values]
    elif len(values) == 3 and not given:
        return banded(*values)
    elif check.unit == "deg":
        told = [f"{round(v, 1):g}" for v in values]
    else:
        told = [f"{float(f'{v:.2g}' if check.unit in _MODELLED else f'{v:.3g}'):g}" for v in values]
    if len(told) == 1 or told[0] == told[-1]:
        return told[len(told) // 2]
    if check.rule.key == "bottle":
        return f"{told[0]} to {told[2]}"
    return f"{told[1]} ({told[0]} to {told[2]})"


def amount(check: RuleCheck, what: Band | float, sheet: BuildSheet, system: str, *, given: bool) -> str:
    """A rule's or a model's number, with unit; lambda first, gauge AFR beside it."""
    to = there(check, system)
    values = [what.low, what.best, what.high] if isinstance(what, Band) else [float(what)]
    told = f"{_written(check, [to(v) for v in values], given=given)} {unit_of(check, system)}".strip()
    if check.unit != "lambda":
        return told
    scale = sheet.controller.gauge_scale
    beside = [f"{scale * v:.1f}" for v in values]
    ends = f" ({beside[0]} to {beside[-1]})" if len(beside) == 3 and beside[0] != beside[-1] else ""
    return f"lambda {told}, gauge {beside[len(beside) // 2]}{ends}"


def here_text(check: RuleCheck, sheet: BuildSheet, system: str) -> str:
    """What the rule gives."""
    if check.here_told:
        return check.here_told
    return amount(check, check.here, sheet, system, given=True)


def model_text(check: RuleCheck, sheet: BuildSheet, system: str) -> str:
    """What the model gives, and at which speed."""
    if check.model is None:
        return "has no say"
    if check.model_told:
        return check.model_told
    at = "" if check.at_rpm is None else f" at {check.at_rpm:.0f} rpm"
    return f"{amount(check, check.model, sheet, system, given=False)}{at}"


def ranges_text(check: RuleCheck) -> str:
    """Where over speed the verdict stands, and then which other stands where."""
    if not check.ranges:
        if check.model is None:
            return ""
        return "speed does not enter" if check.at_rpm is None else f"at {check.at_rpm:.0f} rpm"
    mine = [_span(s) for s in check.ranges if s.shown == check.shown]
    others = [f"{BRIEF.get(s.shown, s.shown)} {_span(s)}" for s in check.ranges if s.shown != check.shown]
    return "; ".join([" and ".join(mine), *others]) + " rpm"


def _span(s: Stretch) -> str:
    return f"{_ten(s.rpm_low)} to {_ten(s.rpm_high)}"


def answer(checks: list[RuleCheck], sheet: BuildSheet, system: str) -> list[str]:
    """What blocks the sheet, how many rules hold, and which of the others is the most dangerous here."""
    count = {shown: sum(c.shown == shown for c in checks) for shown in ORDER}
    names = {
        NOT_FIRST: "likely hold{s} but {is_} short for a first hit",
        SHORT: "{is_} short",
        MORE: "{is_} more than needed",
        UNJUDGED: "{is_} beyond what the model can judge",
    }
    rest = [
        f"{count[v]} " + name.format(s="s" if count[v] == 1 else "", is_="is" if count[v] == 1 else "are")
        for v, name in names.items()
        if count[v]
    ]
    first = f"Of {len(checks)} rules of the trade {count[HOLDS]} hold{'s' if count[HOLDS] == 1 else ''} for this car"
    counted = f"{first}; {listed(rest)}." if rest else f"{first}."
    stands = _blocked(sheet)
    worst = worst_of(checks)
    if worst is not None:
        return [*stands, counted, f"The most dangerous here: {_worst(worst, sheet, system)}"]
    grave = [c for c in checks if c.rule.harm == max(c.rule.harm for c in checks)]
    if all(c.verdict == UNJUDGED for c in grave):
        return [*stands, counted, f"Not one of those that may cost the engine could be judged. {grave[0].because}"]
    edge = worst_of(checks, NOT_FIRST)
    told = "None that can be judged is short."
    if edge is not None:
        told = f"None that can be judged is short of the likely need; the gravest for a first hit: {_worst(edge, sheet, system)}"
    return [*stands, counted, told]


def _blocked(sheet: BuildSheet) -> list[str]:
    """Say first what forbids to spray at all."""
    why = blocked(sheet)
    if not why:
        return []
    more = f" So do {len(why) - 1} more on the shot planner." if len(why) > 1 else ""
    return [f"No rule makes up for this: the sheet is blocked as it stands. {why[0]}{more}"]


_SHARED = ("deg", "kg/h", "ms", "s", "Hz")
"""Units in which a share of the need says something."""


def _worst(worst: RuleCheck, sheet: BuildSheet, system: str) -> str:
    """One rule: what it gives where the model finds how much."""
    at = "It" if worst.at_rpm is None or worst.model_told else f"At {worst.at_rpm:.0f} rpm it"
    gives = here_text(worst, sheet, system)
    need = worst.model_told or amount(worst, worst.model, sheet, system, given=False)
    share = worst.unit in _SHARED and 0 < worst.missing < 1
    lack = f": {rounded(100 * worst.missing, 10.0)} % of the likely need is missing" if share else ""
    quoted = f"{worst.rule.text[0].upper()}{worst.rule.text[1:]}"
    return f"“{quoted}”. {at} gives {gives} where the model finds {need}{lack}."


def rule_basis(check: RuleCheck) -> str:
    """Where the rule stands, as a sentence."""
    basis = check.rule.basis
    return f"{basis[0].upper()}{basis[1:]}."


def assumes(sheet: BuildSheet) -> str:
    """How verdicts are meant, and what was taken for granted."""
    ramp = (
        " A ramp, as on the shot planner, gives less where the whole does not fit, and asks for less there."
        if sheet.nitrous.progressive
        else ""
    )
    steps = [f"{CLOSE[unit]:g} {_UNITS.get(unit, unit)}" for unit in ("deg", "s", "ms", "rpm")]
    close = listed([*steps, f"{SENSOR_ERROR.high:g} in lambda", f"{100 * CLOSE_SHARE:.0f} % of a power"])
    return (
        "Assumes the whole shot at every speed of the spray window, at full throttle, as the trade counts it; brackets are bounds over what is not known, not standard deviations."
        f"{ramp} Short: less safe than the likely need by more than can be set or seen ({close}). More than needed: beyond the cautious edge, so that no choice of the unknowns asks for as much, or, for "
        f"fuel, from {FUEL_MUCH:g} times the likely need. Between the two a rule holds; where it may break something and the cautious edge, by which a first hit goes, lies beyond it, it holds but not for a first hit."
    )
