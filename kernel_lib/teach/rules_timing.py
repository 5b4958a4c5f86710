"""The rules about timing and what a cycle bears: retard, plugs, the speeds between which nitrous flows, power and torque."""

from __future__ import annotations

import numpy as np

from .. import units
from ..band import Band
from ..errors import InputError
from ..plan.closeup import look, plug
from ..plan.power import shot_power
from ..plan.ramp import gear_rises
from ..plan.spark import GRID, REASONS
from ..plan.stopping import wash_out
from ..text import banded, rounded
from .rules_car import Car, Say
from .rules_kinds import CLOSE, CLOSE_SHARE, HOLDS, SHORT, Course, Held, RuleCheck, Stretch, at_once, unjudged
from .rules_told import RULES

UNKNOWNS = "nitrous flow, wall-heat share, density exponent, flame speed and knock over their ranges"

_WHY = {"phasing": "the place of the burn", "knock": "knock", "pressure": "peak pressure under the sheet's limit"}


def retard(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """Degrees taken out against the largest of the three reasons."""
    rule, table = RULES["retard"], car.window
    low, best, high = (table[f"retard_deg{end}"].to_numpy(float) for end in ("_low", "", "_high"))
    course = Course(table["rpm"].to_numpy(), table["rule_deg"].to_numpy(float), low, best, high)
    held = Held.over(course, close=CLOSE["deg"])
    k, most = held.k, float(GRID[-1])
    capped = Course(course.rpm, course.here, *(np.where(np.isinf(v), most, v) for v in (low, best, high)))
    held = held.about(k, capped)
    first, last = course.here[k], car.peak_rpm
    none = course.rpm[np.isinf(best)]
    parts = [
        f"At {none[0]:.0f} to {none[-1]:.0f} rpm no retard up to {most:.0f} degrees is enough." if len(none) else ""
    ]
    if np.isfinite(best[k]):
        reason = _WHY[max(REASONS, key=lambda name: float(table[f"{name}_deg"].iloc[k]))]
        beyond = "at least " if np.isinf(high[k]) else ""
        asked = f"{beyond}{banded(low[k], best[k], min(high[k], most))} degrees"
        told = (
            f"{reason} asks for {asked}" if best[k] > 0 else f"likely nothing is asked for (0 to {high[k]:.1f} degrees)"
        )
        parts.append(f"At {course.rpm[k]:.0f} rpm {told}, the rule gives {first:.1f}.")
    near = int(np.abs(course.rpm - last).argmin())
    if near != k and np.isfinite(best[near]):
        parts.append(f"At {last:.0f} rpm {best[near]:.1f} would likely do.")
    shorter = course.rpm[~(high <= course.here + CLOSE["deg"])]
    if len(shorter):
        parts.append(
            f"The cautious edge, which a first hit takes, lies beyond the rule at {'every speed' if len(shorter) == len(course.rpm) else f'{shorter[0]:.0f} to {shorter[-1]:.0f} rpm'}."
        )
    return held.check(rule, "deg", UNKNOWNS, " ".join(p for p in parts if p))


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
        return unjudged(rule, given, "ranges", f"{exc.reason} And {scale}.")
    because = (
        f"At {rpm:.0f} rpm, {out:.1f} degrees out, the walls take up {asked.heat_cycle:.1f} times the engine's own heat in each cycle and {asked.heat_own_max:.1f} times its highest of any speed in each second, "
        f"but {scale}."
    )
    return unjudged(rule, given, "ranges", because)


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
    """Where nitrous may begin against the speed from which a timing exists that keeps every limit."""
    rule, top = RULES["from"], float(car.rpm[-1])
    given, speeds = rule.numbers["rpm_from"], car.likely["rpm"].to_numpy()
    less = car.timing(car.plan.flow.low)
    low, best, high = (crossing(speeds, t["room_deg"].to_numpy(float)) for t in (less, car.likely, car.table))
    low, high = min(low, best), max(high, best)
    need = Band(*(min(v, top) for v in (low, best, high)), f"{UNKNOWNS}; low end: the least flow alone")
    first = (
        f"already at {speeds[0]:.0f} rpm, the lowest speed looked at"
        if best <= speeds[0]
        else f"from {round(best, -1):.0f} rpm on"
    )
    told = (
        f"The whole shot likely has a timing that keeps every limit {first}"
        if np.isfinite(best)
        else f"The whole shot has no timing that keeps every limit at any speed up to {top:.0f} rpm"
    )
    if not np.isfinite(high):
        edge = (
            f"at the cautious edge at no speed up to {top:.0f} rpm"
            if np.isfinite(best)
            else "nor has it at the cautious edge"
        )
    else:
        edge = f"at the cautious edge, by which a first hit goes, from {round(high, -1):.0f} rpm on"
    own = car.sheet.nitrous.spray_rpm_min
    because = f"{told}, {edge}. The sheet begins at {own:.0f} rpm. Below those speeds only a smaller dose fits: that is what a ramp or a smaller nozzle is for."
    found = at_once(rule, given, "rpm", need, because, close=CLOSE["rpm"])
    return _with_rpm(found, given, top if found.verdict != SHORT else need.best)


def window_to(car: Car, say: Say) -> RuleCheck:
    """Where nitrous must end against the wash-out before the rev limit."""
    sheet, rule = car.sheet, RULES["to"]
    given, limit, rise = rule.numbers["rpm_to"], sheet.engine.limit_rpm, max(gear_rises(sheet).values())
    gone = wash_out(sheet, float(car.rpm[-1]), "open", 1.0)["all"]
    need = Band(
        *(limit - rise * v for v in (gone.high, gone.best, gone.low)),
        "line and manifold clear as in the wash-out's range",
    )
    reached = need.low > sheet.engine.idle_rpm
    told = (
        say.speeds(need.low, need.best, need.high)
        if reached
        else f"{round(need.best, -1):.0f} rpm, at the cautious edge sooner than it can begin,"
    )
    because = (
        f"The engine gains {rise:.0f} rpm/s and the nitrous takes {banded(gone.low, gone.best, gone.high)} s to clear, so it has to close at {told} to be gone at the rev limit of {limit:.0f} rpm; the sheet ends at "
        f"{sheet.nitrous.spray_rpm_max:.0f} rpm. With the wheels loose it would have to close earlier still."
    )
    found = at_once(rule, given, "rpm", need, because, close=CLOSE["rpm"], sign=-1)
    ends = (need.best, given) if found.verdict == SHORT else (float(car.rpm[0]), given)
    return _with_rpm(found, *ends)


def _with_rpm(found: RuleCheck, low: float, high: float) -> RuleCheck:
    """Add the speeds that a verdict on an end of the window is about."""
    low, high = min(low, high), max(low, high)
    ranges = (Stretch(found.verdict, low, high),)
    return RuleCheck(**{**vars(found), "rpm": (low, high), "ranges": ranges})


def _gain(car: Car) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Speeds of the window, and power gained there: low at a first hit's timing, likely at the likely timing, high of both [hp]."""
    likely = car.likely[car.likely["rpm"].isin(car.rpm)]
    first = car.window
    low = np.fmin(first["power_gain_hp_low"].to_numpy(float), likely["power_gain_hp_low"].to_numpy(float))
    high = np.fmax(first["power_gain_hp_high"].to_numpy(float), likely["power_gain_hp_high"].to_numpy(float))
    return first["rpm"].to_numpy(), low, likely["power_gain_hp"].to_numpy(float), high


_TIMED = "likely at the timing it likely needs, low at that of a first hit; nitrous flow, evaporation and work share over their ranges"


def power(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """Power gained over speed."""
    rule, (rpm, low, best, high) = RULES["power"], _gain(car)
    shot = shot_power(car.sheet, car.plan.flow.best)
    course = Course(rpm, np.full(len(rpm), shot), low, best, high)
    held = Held.over(course, close=CLOSE_SHARE * shot)
    k = int(np.flatnonzero(np.isfinite(best))[0]) if np.isfinite(best).any() else held.k
    span = (
        f"{rounded(np.nanmin(best), 10.0)} to {rounded(np.nanmax(best), 10.0)} hp"
        if np.isfinite(best).any()
        else "an unknown power"
    )
    near = np.isfinite(best).any() and np.nanmax(np.abs(best - shot)) <= 2 * CLOSE_SHARE * shot
    because = (
        f"Timed as it likely has to be, the shot adds {span} from {rpm[0]:.0f} to {rpm[-1]:.0f} rpm where it is worth {rounded(shot, 10.0)} hp at the speed of peak power: {'nearly the same' if near else 'not the same'}. "
        f"A first hit's timing gives away more of it, most at low speed: at {rpm[k]:.0f} rpm the shot adds {banded(low[k], best[k], high[k])} hp with all that is unknown."
    )
    held = held.about(k, course)
    return held.check(rule, "hp", _TIMED, because)


def torque(car: Car, say: Say) -> RuleCheck:
    """Torque gained over speed."""
    rule, (rpm, *gains) = RULES["torque"], _gain(car)
    speed, peak = rpm * 2 * np.pi / 60, car.sheet.engine.peak_power_rpm * 2 * np.pi / 60
    given = units.w_from_hp(shot_power(car.sheet, car.plan.flow.best)) / peak
    low, best, high = (units.w_from_hp(v) / speed for v in gains)
    course = Course(rpm, np.full(len(rpm), given), low, best, high)
    held = Held.over(course, close=CLOSE_SHARE * given)
    k = held.k
    clutch = car.sheet.parts.clutch_torque_nm
    tail = (
        f" Held against the clutch on the sheet, {say.torque(clutch)}, it is the low end that counts."
        if clutch is not None and held.verdict == SHORT
        else ""
    )
    verb = "against" if held.verdict != HOLDS else "about the same as"
    because = f"At {rpm[k]:.0f} rpm the whole shot adds {say.torque(low[k], best[k], high[k])}, {verb} {say.about_torque(given)} at the speed of peak power.{tail}"
    return held.check(rule, "N m", _TIMED, because)
