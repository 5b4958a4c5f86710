"""The rules about timing and what a cycle bears: retard, plugs, the speeds between which nitrous flows, power and torque."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .. import units
from ..band import Band
from ..errors import InputError
from ..plan.closeup import look, plug
from ..plan.power import shot_power
from ..plan.ramp import FULL_HIT, gear_rises
from ..plan.room import own_power_factor
from ..plan.spark import GRID, REASONS
from ..plan.stopping import wash_out
from ..text import banded, rounded
from .rules_car import Car, Say
from .rules_kinds import (
    CLOSE,
    CLOSE_SHARE,
    HOLDS,
    MORE,
    NOT_FIRST,
    SHORT,
    Course,
    Held,
    RuleCheck,
    Stretch,
    at_once,
    unjudged,
)
from .rules_told import RULES

UNKNOWNS = "nitrous flow, wall-heat share, density exponent, flame speed and knock over their ranges"

_WHY = {"phasing": "the place of the burn", "knock": "knock", "pressure": "peak pressure under the sheet's limit"}


def retard(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """Degrees taken out against the largest of the three reasons."""
    rule, table = RULES["retard"], car.window
    low, best, high = (table[f"retard_deg{end}"].to_numpy(float) for end in ("_low", "", "_high"))
    course = Course(table["rpm"].to_numpy(), table["rule_deg"].to_numpy(float), low, best, high)
    held = Held.over(course, close=CLOSE["deg"], first=rule.grave)
    k, most = held.k, float(GRID[-1])
    capped = Course(course.rpm, course.here, *(np.where(np.isinf(v), most, v) for v in (low, best, high)))
    held = held.about(k, capped)
    first, last = course.here[k], car.peak_rpm
    none = course.rpm[np.isinf(best)]
    parts = [
        f"At {none[0]:.0f} to {none[-1]:.0f} rpm no retard up to {most:.0f} degrees is enough." if len(none) else ""
    ]
    unknown = course.rpm[np.isnan(best)]
    if len(unknown):
        parts.append(f"At {', '.join(f'{v:.0f}' for v in unknown)} rpm the need is not known.")
    if np.isfinite(best[k]):
        reason = _WHY[max(REASONS, key=lambda name: float(table[f"{name}_deg"].iloc[k]))]
        beyond = "at least " if np.isinf(high[k]) else ""
        asked = f"{beyond}{banded(low[k], best[k], min(high[k], most))} degrees"
        edge = "edge not known" if np.isnan(high[k]) else f"0 to {min(high[k], most):.1f} degrees"
        told = f"{reason} asks for {asked}" if best[k] > 0 else f"likely nothing is asked for ({edge})"
        parts.append(f"At {course.rpm[k]:.0f} rpm {told}, the rule gives {first:.1f} (it counts {car.counted}).")
    near = int(np.abs(course.rpm - last).argmin())
    if near != k and np.isfinite(best[near]):
        parts.append(f"At {last:.0f} rpm {best[near]:.1f} would likely do.")
    shorter = course.rpm[~(high <= course.here + CLOSE["deg"])]
    if len(shorter):
        parts.append(
            f"The cautious edge, which a first hit takes, lies beyond the rule at {'every speed' if len(shorter) == len(course.rpm) else f'{shorter[0]:.0f} to {shorter[-1]:.0f} rpm'}.{_typed(car)}"
        )
    return held.check(rule, "deg", UNKNOWNS, " ".join(p for p in parts if p))


def _typed(car: Car) -> str:
    """Degrees that the shot planner takes out at a first hit; empty where it has none."""
    out = car.tune.table["retard_deg"].dropna() if car.tune is not None else ()
    if not len(out):
        return ""
    dose = " at the dose it brings in" if car.tune.ramp.kind != FULL_HIT else ""
    return f" The planner takes {out.min():g} to {out.max():g} degrees out{dose}."


def plugs(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """No scale of heat ranges: what the walls take up is all that can be said."""
    rule, rpm = RULES["plugs"], car.peak_rpm
    given, scale = (
        rule.numbers["heat_ranges"],
        "no scale says how many heat ranges that is: the maker's list decides, and the plugs as read after each step",
    )
    try:
        out = float(car.window.loc[car.window["rpm"] == rpm, "rule_deg"].iloc[0])
        asked = plug(car.sheet, look(car.sheet, rpm, car.plan.flow.best, out))
    except InputError as exc:
        return _plugs_told(unjudged(rule, given, "ranges", f"{exc.reason} And {scale}."))
    because = (
        f"At {rpm:.0f} rpm, {out:.1f} degrees out, the walls take up {asked.heat_cycle:.1f} times the engine's own heat in each cycle and {asked.heat_own_max:.1f} times its highest of any speed in each second, "
        f"but {scale}."
    )
    return _plugs_told(unjudged(rule, given, "ranges", because))


def _plugs_told(found: RuleCheck) -> RuleCheck:
    numbers = found.rule.numbers
    return replace(found, here_told=f"{numbers['heat_ranges_least']:g} or {numbers['heat_ranges']:g} heat ranges")


def crossing(rpm: np.ndarray, room: np.ndarray) -> float:
    """Speed from which on there is room, on a line between speeds; the first if there is room everywhere, infinite if not at the last [rpm]."""
    bad = np.flatnonzero(~(room >= 0))
    if not len(bad):
        return float(rpm[0])
    k = int(bad[-1])
    if k == len(rpm) - 1:
        return float("inf")
    if not np.isfinite(room[k]):
        return float(rpm[k + 1])
    return float(rpm[k] + (rpm[k + 1] - rpm[k]) * -room[k] / (room[k + 1] - room[k]))


def window_from(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """Where nitrous may begin against the speed from which the plan allows the whole shot, which goes by the cautious edge."""
    rule, top = RULES["from"], float(car.rpm[-1])
    given, speeds = rule.numbers["rpm_from"], car.likely["rpm"].to_numpy()
    likely, plan = (crossing(speeds, t["room_deg"].to_numpy(float)) for t in (car.likely, car.table))
    plan = max(likely, plan)
    need = Band(
        min(likely, top), min(plan, top), min(plan, top), f"{UNKNOWNS}; low end: with everything as it likely is"
    )
    lowest = float(speeds[0])
    allowed = f"from {_speed(plan, lowest)} on" if np.isfinite(plan) else f"at no speed up to {top:.0f} rpm"
    would = "with everything as it likely is " if np.isfinite(likely) else "not even with everything as it likely is"
    would += f"from {_speed(likely, lowest)} on" if np.isfinite(likely) else ""
    own = car.sheet.nitrous.spray_rpm_min
    blocked = (
        ", where the plan still blocks the whole shot" if own < plan - CLOSE["rpm"] else ", where the plan allows it"
    )
    because = (
        f"The plan goes by the cautious edge and allows the whole shot a timing that keeps every limit {allowed}, {would}. The sheet begins at {own:.0f} rpm{blocked}. Below that speed only a smaller dose fits: "
        "that is what a ramp or a smaller nozzle is for."
    )
    found = at_once(rule, given, "rpm", need, because, close=CLOSE["rpm"])
    told = f"{_speed(plan, lowest)} by the plan" if np.isfinite(plan) else f"no speed up to {top:.0f} rpm"
    told += f" (likely {_speed(likely, lowest)})" if np.isfinite(likely) and plan > likely + CLOSE["rpm"] else ""
    if found.shown == SHORT and need.best < top:
        ranges = (Stretch(SHORT, given, need.best), Stretch(HOLDS, need.best, top))
        return replace(found, rpm=(given, need.best), ranges=ranges, model_told=told)
    return replace(_with_rpm(found, given, top), model_told=told)


def _speed(rpm: float, lowest: float) -> str:
    """A speed to ten; the end of what was looked at as such."""
    return f"{lowest:.0f} rpm or lower" if rpm <= lowest else f"{round(rpm, -1):.0f} rpm"


def window_to(car: Car, say: Say) -> RuleCheck:
    """Where nitrous must end against the wash-out before the rev limit: the rule's end and the sheet's own, the worse of both."""
    sheet, rule = car.sheet, RULES["to"]
    said, own, limit = rule.numbers["rpm_to"], sheet.nitrous.spray_rpm_max, sheet.engine.limit_rpm
    rise, gone = max(gear_rises(sheet).values()), wash_out(sheet, float(car.rpm[-1]), "open", 1.0)["all"]
    need = Band(
        *(limit - rise * v for v in (gone.high, gone.best, gone.low)),
        "line and manifold clear as in the wash-out's range",
    )
    begins = float(car.rpm[0])
    none = need.best < begins
    told = f"so it has to close at {_close_at(say, need, begins)} to be gone at the rev limit of {limit:.0f} rpm"
    if none:
        told = f"too long for any speed of the window: not even closed at {begins:.0f} rpm would it likely be gone at the rev limit of {limit:.0f} rpm"
    ends = {v: at_once(rule, v, "rpm", need, "", close=CLOSE["rpm"], sign=-1) for v in dict.fromkeys((said, own))}
    later = max(ends)
    found = ends[later]
    if own == said:
        judged = f"The end at {own:.0f} rpm, the rule's and the sheet's own, is {_end_told(found.shown)}."
    else:
        judged = f"The rule's {said:.0f} rpm is {_end_told(ends[said].shown)}; this sheet's own {own:.0f} rpm is {_end_told(ends[own].shown)}."
    types = car.proposed("nitrous closes at")
    planner = (
        f" The planner goes by the cautious edge and closes at {types:.0f} rpm{', below the window' if types < begins else ''}."
        if types is not None
        else ""
    )
    because = (
        f"The engine gains {rise:.0f} rpm/s and the nitrous takes {banded(gone.low, gone.best, gone.high)} s to clear, {told}. "
        f"{judged}{planner} With the wheels loose it would have to close earlier still."
    )
    here_told = f"{said:.0f} rpm as said; {own:.0f} rpm on this sheet" if own != said else ""
    first = {SHORT: need.best, NOT_FIRST: need.low}.get(found.shown, begins)
    found = _with_rpm(found, float(max(first, begins)), float(later))
    model_told = "no speed of the window" if none else "" if need.low >= begins else _close_at(say, need, begins)
    return replace(found, because=because, here_told=here_told, model_told=model_told)


def _close_at(say: Say, need: Band, begins: float) -> str:
    """The speed to close at; an end below the window as such."""
    if need.low >= begins:
        return say.speeds(need.low, need.best, need.high)
    return f"{round(need.best, -1):.0f} rpm, at the cautious edge at no speed of the window,"


def _end_told(shown: str) -> str:
    if shown == NOT_FIRST:
        return "likely early enough, too late at the cautious edge"
    return "too late" if shown == SHORT else "early enough"


def _with_rpm(found: RuleCheck, low: float, high: float) -> RuleCheck:
    """Add the speeds that a verdict on an end of the window is about."""
    low, high = min(low, high), max(low, high)
    return replace(found, rpm=(low, high), ranges=(Stretch(found.shown, low, high),))


def _gain(car: Car) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Speeds of the window, and power gained there: low at a first hit's timing, likely at the likely timing, high of both [hp]."""
    likely = car.likely[car.likely["rpm"].isin(car.rpm)]
    first = car.window
    # where no timing of a first hit is known, no end is: those at the likely timing alone would pass for a band
    low = np.minimum(first["power_gain_hp_low"].to_numpy(float), likely["power_gain_hp_low"].to_numpy(float))
    high = np.maximum(first["power_gain_hp_high"].to_numpy(float), likely["power_gain_hp_high"].to_numpy(float))
    return first["rpm"].to_numpy(), low, likely["power_gain_hp"].to_numpy(float), high


_TIMED = "likely at the timing it likely needs, low at that of a first hit; nitrous flow, evaporation and work share over their ranges"


def power(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """Power gained over speed."""
    rule, (rpm, low, best, high) = RULES["power"], _gain(car)
    shot = shot_power(car.sheet, car.plan.flow.best)
    course = Course(rpm, np.full(len(rpm), shot), low, best, high)
    held = Held.over(course, close=CLOSE_SHARE * shot)
    k = int(np.flatnonzero(np.isfinite(best))[0]) if np.isfinite(best).any() else held.k
    near = np.isfinite(best).any() and np.nanmax(np.abs(best - shot)) <= 2 * CLOSE_SHARE * shot
    how = {MORE: "less at every speed", SHORT: "more at some speeds"}.get(
        held.shown, "nearly the same" if near else "not the same"
    )
    because = (
        f"Timed as it likely has to be, the shot adds {_span_hp(best)} from {rpm[0]:.0f} to {rpm[-1]:.0f} rpm where it is worth {rounded(shot, 10.0)} hp at the speed of peak power: {how}. "
        f"A first hit's timing gives away more of it, most at low speed: at {rpm[k]:.0f} rpm the shot adds {banded(low[k], best[k], high[k])} hp with all that is unknown."
    )
    held = held.about(k, course)
    return held.check(rule, "hp", _TIMED, because, label="promises too much" if held.shown == MORE else "")


def _span_hp(best: np.ndarray) -> str:
    """The least and the most of a power over speed; one number where they read alike."""
    if not np.isfinite(best).any():
        return "an unknown power"
    least, most = (rounded(v, 10.0) for v in (np.nanmin(best), np.nanmax(best)))
    return f"about {most} hp" if least == most else f"{least} to {most} hp"


def torque(car: Car, say: Say) -> RuleCheck:
    """Torque gained over speed; with the engine's own against the clutch, where the high end counts."""
    rule, (rpm, *gains) = RULES["torque"], _gain(car)
    speed, peak = rpm * 2 * np.pi / 60, car.sheet.engine.peak_power_rpm * 2 * np.pi / 60
    given = units.w_from_hp(shot_power(car.sheet, car.plan.flow.best)) / peak
    low, best, high = (units.w_from_hp(v) / speed for v in gains)
    own = units.w_from_hp(car.window["power_own_hp"].to_numpy(float) * own_power_factor(car.sheet)) / speed
    course = Course(rpm, np.full(len(rpm), given), low, best, high)
    held = Held.over(course, close=CLOSE_SHARE * given)
    k = held.k
    verb = "about the same as" if held.shown == HOLDS else "against"
    because = f"At {rpm[k]:.0f} rpm the whole shot adds {say.torque(low[k], best[k], high[k])}, {verb} {say.about_torque(given)} at the speed of peak power.{_clutch(car, say, rpm, own, best, high)}"
    return held.check(rule, "N m", _TIMED, because)


def _clutch(car: Car, say: Say, rpm, own, best, high) -> str:
    """Hold the engine's own and the added torque against the clutch where it is most; empty where nothing is known."""
    clutch, total = car.sheet.parts.clutch_torque_nm, own + np.fmax(high, best)
    if clutch is None or not np.isfinite(total).any():
        return ""
    j = int(np.nanargmax(total))
    known = np.isfinite(high)
    if total[j] > clutch:
        over = f"{'the high end counts, and it' if known[j] else 'likely it'} is beyond what the clutch is said to hold"
    elif known.all():
        over = "the high end counts, and the clutch is said to hold it"
    else:
        over = "the high end counts and is not known at every speed, so that nothing says the clutch holds it"
    sums = say.sum_torque(own[j], best[j], total[j] if known[j] else np.nan)
    return f" With the engine's own, at {rpm[j]:.0f} rpm, {sums} against {say.torque(clutch)}: {over}."
