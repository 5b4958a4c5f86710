"""The rules about mixture: fuel, gauge, lean stop, fuel lead, oxygen."""

from __future__ import annotations

import numpy as np

from .. import units
from ..band import HYDROGEN_WEIGHT, SENSOR_ERROR, Band
from ..engine.charge import fresh_charge
from ..plan import passage
from ..plan.judgement import own_fuel_key
from ..plan.proposals import fuel_missing
from ..plan.stopping import stop_budget
from ..thermo import species as sp
from ..thermo.wideband import true_lambda
from .rules_car import Car, Say
from .rules_kinds import CLOSE, HOLDS, MORE, SHORT, Course, Held, RuleCheck, at_once, unjudged
from .rules_told import RULES

FUEL_MUCH = 1.3
"""Times the likely fuel, from which an excess counts as too much: it no longer burns well; a choice of our own, no source."""

LEADS_S = np.round(np.arange(-0.3, 0.61, 0.01), 2)
"""Leads looked at [s]."""


def lambda_by_rule(target: float, total, need, given) -> np.ndarray:
    """Lambda where `given` comes in the place of the added fuel that is needed; all in one unit, `total` with the needed."""
    return target * total / (total - need + given)


def fuel(car: Car, say: Say) -> RuleCheck:
    """Added fuel against what this metering needs."""
    sheet, table, rule = car.sheet, car.window, RULES["fuel"]
    key, target = f"{own_fuel_key(sheet)}_kg_h", sheet.engine.lambda_with_nitrous
    low, best, high, total = (table[name].to_numpy() for name in (f"{key}_low", key, f"{key}_high", "fuel_total_kg_h"))
    given = units.kg_from_lb(rule.numbers["lb_h_per_100_hp"]) * sheet.nitrous.shot_hp / 100
    here = np.full(len(table), given)
    seen = SENSOR_ERROR.high / target * total  # fuel that moves lambda by a sensor's error
    course = Course(table["rpm"].to_numpy(), here, low, best, high)
    held = Held.over(course, close=seen, too_much=here > np.maximum(FUEL_MUCH * best, best + seen))
    k = held.k
    mixed = float(lambda_by_rule(target, total[k], best[k], given))
    told = "the fuel jet has to bring" if sheet.nitrous.system == "wet" else "the injectors have to add"
    side = {SHORT: ", leaner than a sensor's error leaves open", MORE: ", richer than serves", HOLDS: ""}[held.verdict]
    edge = " The cautious edge lies beyond the rule." if held.verdict != SHORT and high[k] > given + seen[k] else ""
    other = "mass-air" if sheet.controller.metering == "speed-density" else "speed-density"
    turned = table[f"fuel_{other.replace('-', '_')}_kg_h"].to_numpy()[k]
    because = (
        f"At {course.rpm[k]:.0f} rpm {told} {say.fuel(low[k], best[k], high[k])} with this car's {sheet.controller.metering} metering ({other} would ask for {say.about_fuel(turned)}). The rule's {say.fuel(given)} bring lambda to "
        f"{mixed:.2f} where {target:.2f} is wanted{side}.{edge}"
    )
    return held.check(rule, "kg/h", "nitrous flow, wall-heat share and density exponent over their ranges", because)


def gauge(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """True lambda behind the reading that is aimed at."""
    sheet, table, rule = car.sheet, car.window, RULES["gauge"]
    aim, scale = rule.numbers["lambda_aim"], sheet.controller.gauge_scale
    water = np.broadcast_to(
        fresh_charge(car.setup, table["rpm"].to_numpy(), car.plan.flow.best).water_fraction, len(table)
    )

    def behind(nitrous, weight: float) -> np.ndarray:
        rows = zip(nitrous, water, strict=True)
        return np.array([true_lambda(car.setup.fuel, aim, float(x), weight, float(w)) for x, w in rows])

    best = behind(table["nitrous_fraction"], HYDROGEN_WEIGHT.best)
    ends = [
        behind(table[f"nitrous_fraction_{end}"], weight)
        for end in ("low", "high")
        for weight in (HYDROGEN_WEIGHT.low, HYDROGEN_WEIGHT.high)
    ]
    course = Course(table["rpm"].to_numpy(), np.full(len(table), aim), np.min(ends, axis=0), best, np.max(ends, axis=0))
    held = Held.over(course, close=SENSOR_ERROR.high)
    k = int(best.argmax())
    held = held.about(k, course)
    off = scale * (best[k] - aim)
    size = (
        f"more than a sensor's error of {SENSOR_ERROR.high:g}"
        if held.verdict == SHORT
        else f"within a sensor's error of {SENSOR_ERROR.high:g}"
    )
    because = (
        f"At {course.rpm[k]:.0f} rpm a reading of lambda {aim:.3f} (gauge {scale * aim:.1f}) is truly {best[k]:.3f} ({course.low[k]:.3f} to {course.high[k]:.3f}): {off:.1f} on the gauge leaner than shown, {size}. "
        f"No model finds that {scale * aim:.1f} itself is the right aim; the sheet aims at lambda {sheet.engine.lambda_with_nitrous:.3f}."
    )
    band = Band(rule.numbers["lambda_rich"], aim, rule.numbers["lambda_lean"], rule.basis)
    return held.check(
        rule,
        "lambda",
        f"limiting-current model, not verified against a sensor; hydrogen's weight {HYDROGEN_WEIGHT.low:g} to {HYDROGEN_WEIGHT.high:g}, nitrous over its range",
        because,
        band,
    )


def lean(car: Car, say: Say) -> RuleCheck:
    """Whether a stop at the mark would see all of the added fuel fail, and when."""
    sheet, rule = car.sheet, RULES["lean"]
    mark, flow = rule.numbers["lambda_stop"], car.plan.flow
    scale, target = sheet.controller.gauge_scale, sheet.engine.lambda_with_nitrous
    if target >= mark:
        return unjudged(
            rule,
            mark,
            "lambda",
            f"The sheet's own target, lambda {target:.3f}, is not richer than the mark: such a stop would end every pull.",
        )
    low, best, high = (
        np.array([fuel_missing(sheet, rpm, f) for rpm in car.rpm]) for f in (flow.low, flow.best, flow.high)
    )
    course = Course(car.rpm, np.full(len(car.rpm), mark), low, best, high)
    never_too_early = Course(car.rpm, course.here, np.full(len(car.rpm), -np.inf), best, high)
    held = Held.over(never_too_early, close=-SENSOR_ERROR.high, sign=-1)  # the loss must show beyond the sensor's error
    held = held.about(held.k, course)
    k = held.k
    x, water = (
        float(car.window["nitrous_fraction"].iloc[k]),
        float(np.ravel(fresh_charge(car.setup, car.rpm[k], flow.best).water_fraction)[0]),
    )
    truly = true_lambda(car.setup.fuel, mark, x, HYDROGEN_WEIGHT.best, water)
    seen = f"At {car.rpm[k]:.0f} rpm, with all of the added fuel missing, lambda comes to {say.lambdas(low[k], best[k], high[k])}: "
    if held.verdict == SHORT:
        seen += f"a stop at lambda {mark:.3f} (gauge {scale * mark:.1f}) may never see it, so small is the loss."
    else:
        budget = stop_budget(sheet, float(car.rpm[k]), best[k], mark)
        seen += (
            f"a stop at lambda {mark:.3f} (gauge {scale * mark:.1f}) sees it, and the nitrous is gone {budget.total_s:.1f} s or {budget.cycles:.0f} cycles of each cylinder later."
            if budget.reached
            else "the stop is not crossed in time."
        )
    because = f"{seen} Where the gauge shows {scale * mark:.1f} the mixture is truly at about lambda {truly:.3f} with all the nitrous in it."
    return held.check(
        rule,
        "lambda",
        "lambda with all of the added fuel missing, which has to lie a sensor's error beyond the stop; nitrous flow over its range",
        because,
    )


def lead(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """Fuel lead against the least with which no cycle of a full hit passes the lean stop."""
    sheet, rule = car.sheet, RULES["lead"]
    given, stop = rule.numbers["lead_ms"], max(sheet.limits.lean_stop_lambda, sheet.engine.lambda_without_nitrous)
    need = np.array([[_least_lead(car, float(rpm), case, stop) for rpm in car.rpm] for case in passage.CASES])
    best, low, high = need[0], need.min(axis=0), need.max(axis=0)
    rich = np.array([float(passage.extremes(sheet, float(rpm), 1.0, np.array([given / 1e3]))[0][0]) for rpm in car.rpm])
    held = Held.over(Course(car.rpm, np.full(len(car.rpm), given), low, best, high), close=CLOSE["ms"])
    k = held.k if held.verdict == SHORT else int(high.argmax())
    longest = 1e3 * LEADS_S[-1]
    course = Course(car.rpm, held.course.here, *(np.where(np.isinf(v), longest, v) for v in (low, best, high)))
    held = held.about(k, course)
    if np.isinf(best[k]):
        told = f"no lead up to {longest:.0f} ms is enough"
    else:
        least = "at most " if best[k] <= 1e3 * LEADS_S[0] else ""
        told = f"likely takes {least}{best[k]:.0f} ms, at the cautious edge {'more than ' if np.isinf(high[k]) else ''}{course.high[k]:.0f} ms"
    early = " (below 0 fuel may come after the nitrous valve's command)" if best[k] < 0 else ""
    j = int(rich.argmin())
    much = "so rich that it may misfire" if rich[j] < sheet.limits.misfire_rich_lambda else "which still fires"
    because = (
        f"That no cycle of a full hit at {car.rpm[k]:.0f} rpm passes lambda {stop:.3f} {told}{early}. With {given:.0f} ms the richest cycle comes to lambda {rich[j]:.2f} at {car.rpm[j]:.0f} rpm, {much} "
        f"(limit about {sheet.limits.misfire_rich_lambda:.2f}): settle it with the bottle shut."
    )
    return held.check(rule, "ms", "line fill, valve, injection and wall film (or fuel line) over their ranges", because)


def _least_lead(car: Car, rpm: float, case: str, stop: float) -> float:
    """Least lead with which no cycle of a full hit is leaner than `stop`; infinite where none looked at is enough [ms]."""
    kept = passage.extremes(car.sheet, rpm, 1.0, LEADS_S, case=case)[1] <= stop
    return 1e3 * float(LEADS_S[kept.argmax()]) if kept.any() else float("inf")


def oxygen_by_mass() -> tuple[float, float]:
    """Oxygen in nitrous oxide and in dry air [% by mass], from atomic masses and the air of this project."""
    atom = sp.molar_mass("O2") / 2
    return 100 * atom / sp.molar_mass("N2O"), 100 * sp.DRY_AIR["O2"] * 2 * atom / sp.AIR_MOLAR_MASS


def oxygen(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """The one fact among them, and what it does not mean."""
    rule, rpm, flow = RULES["oxygen"], car.peak_rpm, car.plan.flow.best
    nitrous, air = oxygen_by_mass()
    told = rule.numbers["nitrous_percent_by_mass"]
    own, shot = (fresh_charge(car.setup, rpm, f) for f in (0.0, flow))
    more = 100 * float(np.squeeze(shot.oxygen_atoms / own.oxygen_atoms) - 1)
    displaced = 100 * float(1 - np.squeeze(shot.dry_air / own.dry_air))
    share = 100 * float(
        np.squeeze(
            shot.nitrous
            * sp.molar_mass("N2O")
            / (shot.nitrous * sp.molar_mass("N2O") + shot.dry_air * sp.AIR_MOLAR_MASS)
        )
    )
    moved = (
        f"pushes {displaced:.0f} % of the air aside"
        if displaced >= 0.5
        else f"draws in {-displaced:.0f} % more air"
        if displaced <= -0.5
        else "leaves the air as it was"
    )
    because = (
        f"Molar masses give {nitrous:.1f} and {air:.1f} %. It does not mean {nitrous / air:.1f} times the power: at {rpm:.0f} rpm nitrous is {share:.0f} % of the oxidiser by weight and {moved}, so that the charge "
        f"holds {more:.0f} % more oxygen; nitrous also brings heat of its own."
    )
    return at_once(
        rule, told, "% by mass", Band(nitrous, nitrous, nitrous, "molar masses"), because, close=CLOSE["% by mass"]
    )
