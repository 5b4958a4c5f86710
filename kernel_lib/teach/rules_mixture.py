"""The rules about mixture: fuel, gauge, lean stop, fuel lead, oxygen."""

from __future__ import annotations

import numpy as np

from .. import units
from ..band import HYDROGEN_WEIGHT, SENSOR_ERROR, Band
from ..engine.charge import fresh_charge
from ..plan import passage
from ..plan.fault_list import INJECTOR
from ..plan.fuel import TOO_LEAN_LAMBDA
from ..plan.judgement import own_fuel_key
from ..plan.proposals import entry_ends, fuel_missing
from ..plan.stopping import stop_budget
from ..plan.supply import is_weighed
from ..text import rounded
from ..thermo import fuels
from ..thermo import species as sp
from ..thermo.wideband import true_lambda
from .rules_car import Car, Say
from .rules_kinds import (
    CLOSE,
    HOLDS,
    MORE,
    NOT_FIRST,
    SHORT,
    Course,
    Held,
    RuleCheck,
    at_once,
    between,
    classify,
    fine_speeds,
    merged,
    overall,
    share_missing,
    unjudged,
)
from .rules_told import RULES

FUEL_MUCH = 1.3
"""Times the likely fuel, from which an excess counts as too much: it no longer burns well; a choice of our own, no source."""

LEADS_S = np.round(np.arange(-0.3, 0.61, 0.01), 2)
"""Leads looked at [s]."""


def lambda_by_rule(target: float, total, need, given) -> np.ndarray:
    """Lambda where `given` comes in the place of the added fuel that is needed; all in one unit, `total` with the needed."""
    return target * total / (total - need + given)


def fuel_scale(car: Car) -> float:
    """How much more of this fuel than of gasoline goes with the same air, by mass: by their stoichiometric air, at one lambda."""
    return fuels.get("gasoline").afr_stoich / car.setup.fuel.afr_stoich


_SAME_FUEL = 0.02
"""Difference of that from 1 within which a fuel counts as gasoline; gasolines differ by as much."""


def fuel(car: Car, say: Say) -> RuleCheck:
    """Added fuel against what this metering needs."""
    sheet, table, rule = car.sheet, car.window, RULES["fuel"]
    key, target = f"{own_fuel_key(sheet)}_kg_h", sheet.engine.lambda_with_nitrous
    low, best, high, total = (table[name].to_numpy() for name in (f"{key}_low", key, f"{key}_high", "fuel_total_kg_h"))
    said = units.kg_from_lb(rule.numbers["lb_h_per_100_hp"]) * sheet.nitrous.shot_hp / 100
    scale = fuel_scale(car)
    scaled = abs(scale - 1) > _SAME_FUEL
    given = said * scale if scaled else said
    here = np.full(len(table), given)
    seen = SENSOR_ERROR.high / target * total  # fuel that moves lambda by a sensor's error
    course = Course(table["rpm"].to_numpy(), here, low, best, high)
    much = here > np.maximum(FUEL_MUCH * best, best + seen)
    held = Held.over(course, close=seen, too_much=much, first=rule.grave)
    k = held.k
    mixed = float(lambda_by_rule(target, total[k], best[k], given))
    wet = sheet.nitrous.system == "wet"
    told = "the fuel jet has to bring" if wet else "the injectors have to add"
    side = {SHORT: ", leaner than a sensor's error leaves open", MORE: ", richer than serves"}.get(held.shown, "")
    edge = ""
    if high[k] > given + seen[k]:
        until = (
            "lambda has shown where between the two this car lies"
            if is_weighed(sheet)
            else "the flow has been measured"
        )
        edge = f" The cautious edge, {say.about_fuel(high[k])}, lies beyond the rule: a first hit goes by that until {until}."
    other = "mass-air" if sheet.controller.metering == "speed-density" else "speed-density"
    turned = table[f"fuel_{other.replace('-', '_')}_kg_h"].to_numpy()[k]
    counts = f" The rule counts the {sheet.nitrous.shot_hp:g} hp on the sheet{_worth(car, say)}"
    if scaled:
        counts += (
            f" and means gasoline; this fuel needs {rounded(scale, 0.1)} times as much for the same air{' (it is the same fuel that comes through the jet)' if wet else ''}, so that its "
            f"{say.fuel(said)} stand for {say.fuel(given)}, by which it is judged"
        )
    away = " (below 0 fuel is to be taken away)" if low[k] < 0 else ""
    because = (
        f"At {course.rpm[k]:.0f} rpm {told} {say.fuel(low[k], best[k], high[k])}{away} with this car's {sheet.controller.metering} metering ({other} would ask for {say.about_fuel(turned)}).{counts}. {say.fuel(given)} bring "
        f"lambda to {mixed:.2f} where {target:.2f} is wanted{side}.{edge}"
    )
    here_told = f"{say.fuel(said)} as said; {say.fuel(given)} scaled to this fuel" if scaled else ""
    about = "nitrous flow, wall-heat share and density exponent over their ranges"
    return held.check(rule, "kg/h", about, because, here_told=here_told)


def _worth(car: Car, say: Say) -> str:
    """Set the label's horsepower apart from what the flow is likely worth, by which the lesson counts; empty where they are one."""
    label, power = car.sheet.nitrous.shot_hp, car.plan.power
    if abs(label - power.best) < 0.5:
        return ""
    worth = rounded(power.best, max(power.high - power.low, 1.0))
    by_it = units.kg_from_lb(RULES["fuel"].numbers["lb_h_per_100_hp"]) * power.best / 100
    return f", not the {worth} hp that nozzle and bottle are likely worth, by which the lesson counts (there the rule says {say.about_fuel(by_it)})"


def behind_gauge(car: Car) -> Course:
    """True lambda behind the reading that the trade aims at, over speed; from `HYDROGEN_WEIGHT` and the nitrous over its range."""
    table, aim = car.window, RULES["gauge"].numbers["lambda_aim"]
    rpm = table["rpm"].to_numpy()
    water = np.broadcast_to(fresh_charge(car.setup, rpm, car.plan.flow.best).water_fraction, len(table))

    def behind(nitrous, weight: float) -> np.ndarray:
        rows = zip(nitrous, water, strict=True)
        return np.array([true_lambda(car.setup.fuel, aim, float(x), weight, float(w)) for x, w in rows])

    best = behind(table["nitrous_fraction"], HYDROGEN_WEIGHT.best)
    ends = [
        behind(table[f"nitrous_fraction_{end}"], weight)
        for end in ("low", "high")
        for weight in (HYDROGEN_WEIGHT.low, HYDROGEN_WEIGHT.high)
    ]
    return Course(rpm, np.full(len(table), aim), np.min(ends, axis=0), best, np.max(ends, axis=0))


def gauge(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """No model finds an aim right: what the gauge hides and what margin is left is all that can be said."""
    sheet, rule = car.sheet, RULES["gauge"]
    aim, scale, mark = rule.numbers["lambda_aim"], sheet.controller.gauge_scale, TOO_LEAN_LAMBDA
    course = behind_gauge(car)
    k = int(course.best.argmax())
    truly, off = course.best[k], scale * (course.best[k] - aim)
    more = truly - aim > SENSOR_ERROR.high
    because = (
        f"No model finds that {scale * aim:.1f} is the right aim. What it does say: at {course.rpm[k]:.0f} rpm a reading of lambda {aim:.3f} (gauge {scale * aim:.1f}) is truly {truly:.3f} ({course.low[k]:.3f} to "
        f"{course.high[k]:.3f}), {off:.1f} on the gauge leaner than shown, {'more than' if more else 'within'} a sensor's error of {SENSOR_ERROR.high:g}. That leaves {max(mark - truly, 0.0):.2f} of lambda to the mark of "
        f"{mark:.3f} (gauge {scale * mark:.1f}) from which the trade calls it too lean. The sheet aims at lambda {sheet.engine.lambda_with_nitrous:.3f}."
    )
    band = Band(rule.numbers["lambda_rich"], aim, rule.numbers["lambda_lean"], rule.basis)
    return unjudged(rule, band, "lambda", because)


def lean(car: Car, say: Say) -> RuleCheck:
    """Whether a stop at the mark would see all of the added fuel fail, and when."""
    sheet, rule = car.sheet, RULES["lean"]
    mark, flow = rule.numbers["lambda_stop"], car.plan.flow
    scale, target = sheet.controller.gauge_scale, sheet.engine.lambda_with_nitrous
    if target >= mark:
        because = f"The sheet's own target, lambda {target:.3f}, is not richer than the mark: such a stop would end every pull."
        return unjudged(rule, mark, "lambda", because)
    low, best, high = (
        np.array([fuel_missing(sheet, rpm, f) for rpm in car.rpm]) for f in (flow.low, flow.best, flow.high)
    )
    low, high = np.minimum(low, best), np.maximum(high, best)
    course = Course(car.rpm, np.full(len(car.rpm), mark), low, best, high)
    # the loss must show beyond the sensor's error; a mark further off is never invited
    held = Held.over(course, close=-SENSOR_ERROR.high, sign=-1, first=rule.grave, never_more=True)
    k = held.k
    nearer = car.proposed("lean stop")
    if held.shown == HOLDS and nearer is not None and nearer < mark - SENSOR_ERROR.high:
        held = held.shown_as(NOT_FIRST)
    seen = f"At {car.rpm[k]:.0f} rpm, with all of the added fuel missing, lambda comes to {say.lambdas(low[k], best[k], high[k])}: "
    if held.shown == SHORT:
        seen += f"a stop at lambda {mark:.3f} (gauge {scale * mark:.1f}) may never see it, so small is the loss."
    else:
        budget = stop_budget(sheet, float(car.rpm[k]), best[k], mark)
        seen += (
            f"a stop at lambda {mark:.3f} (gauge {scale * mark:.1f}) sees it, and the nitrous is gone {budget.total_s:.1f} s or {budget.cycles:.0f} cycles of each cylinder later."
            if budget.reached
            else "the stop is not crossed in time."
        )
    types = f" The planner proposes to type {nearer:.3f} (gauge {scale * nearer:.1f})." if nearer is not None else ""
    about = "lambda with all of the added fuel missing, which has to lie a sensor's error beyond the stop; nitrous flow over its range"
    whole = weak_injector(car)[1] <= mark
    labels = {
        HOLDS: "holds for a whole loss" if whole else "",
        NOT_FIRST: "sees a whole loss; a first hit takes a nearer stop",
    }
    because = f"{seen} {_weak(car, mark)}{types}"
    return held.check(rule, "lambda", about, because, label=labels.get(held.shown, ""))


def weak_injector(car: Car) -> tuple[float, float]:
    """Lambda of the cylinder behind a weak injector (`INJECTOR` of its flow), and of all together, at the speed of peak power."""
    row = car.window.loc[car.window["rpm"] == car.peak_rpm].iloc[0]
    wet, system = car.sheet.nitrous.system == "wet", car.sheet.fuel_system
    added = row[f"{own_fuel_key(car.sheet)}_kg_h"] / row["fuel_total_kg_h"]
    lost = (1 - INJECTOR) * min(1.0, car.setup.cylinders / system.injectors) * ((1 - added) if wet else 1.0)
    target = car.sheet.engine.lambda_with_nitrous
    return target / (1 - lost), target / (1 - lost / car.setup.cylinders)


def _weak(car: Car, mark: float) -> str:
    """Say that a stop by all cylinders together does not see one of them."""
    one, mean = weak_injector(car)
    if mean > mark:
        return (
            f"One injector at {100 * INJECTOR:.0f} % brings all together to lambda {mean:.2f}, which it sees as well."
        )
    return f"It does not catch one weak injector: at {100 * INJECTOR:.0f} % its cylinder runs at lambda {one:.2f} and all together show {mean:.2f}."


def _lead_stop(car: Car) -> float:
    """Lambda that no cycle is to pass while the fuel comes: the lean stop, or what the engine runs at by itself."""
    return max(car.sheet.limits.lean_stop_lambda, car.sheet.engine.lambda_without_nitrous)


def lead_ends(car: Car) -> dict[str, np.ndarray]:
    """Least lead with which no cycle of a full hit is leaner than the lean stop, and most with which none is richer than the misfire limit.

    Returns
    -------
    dict
        "least" and "most", each with "low", "best", "high" over the unknowns, (speeds, 3) [ms]; infinite where no lead looked at is enough, or minus infinite
        where none is little enough.
    """
    sheet, stop = car.sheet, _lead_stop(car)
    least, most = [], []
    for rpm in car.rpm:
        found = [passage.extremes(sheet, float(rpm), 1.0, LEADS_S, case=case) for case in passage.CASES]
        kept = [leanest <= stop for _, leanest in found]
        fires = [richest >= sheet.limits.misfire_rich_lambda for richest, _ in found]
        least.append([1e3 * LEADS_S[v.argmax()] if v.any() else np.inf for v in kept])
        most.append([1e3 * LEADS_S[len(v) - 1 - v[::-1].argmax()] if v.any() else -np.inf for v in fires])
    out = {"least": np.array(least), "most": np.array(most)}
    return {name: np.stack([v.min(axis=1), v[:, 0], v.max(axis=1)], axis=1) for name, v in out.items()}


def lead(car: Car, say: Say) -> RuleCheck:  # noqa: ARG001
    """Fuel lead against both sides: no cycle past the lean stop if the fuel is late, none too rich to fire if it is early."""
    rule, target, stop = RULES["lead"], car.sheet.engine.lambda_with_nitrous, _lead_stop(car)
    if target >= stop:
        because = f"The sheet's own target on nitrous, lambda {target:.3f}, is not richer than lambda {stop:.3f}, which no cycle is to pass: no fuel lead can keep under it."
        return unjudged(rule, rule.numbers["lead_ms"], "ms", because)
    given, longest, shortest = rule.numbers["lead_ms"], 1e3 * LEADS_S[-1], 1e3 * LEADS_S[0]
    ends = lead_ends(car)
    low, best, high = (np.minimum(v, longest + 10.0) for v in ends["least"].T)
    fewest, most, _ = (np.maximum(v, shortest - 10.0) for v in ends["most"].T)
    rpm, here = car.rpm, np.full(len(car.rpm), given)
    course = Course(rpm, here, low, best, high, most=np.where(most >= longest, np.nan, most))
    late = classify(*(between(rpm, v) for v in (here, low, best, high)), close=CLOSE["ms"], first=True)
    early = classify(*(between(rpm, v) for v in (here, fewest, most, most)), close=CLOSE["ms"], sign=-1, first=True)
    both = between(rpm, high - fewest) <= CLOSE["ms"]
    names = np.where(np.isin(early, (HOLDS, MORE)), late, np.where(late == SHORT, SHORT, early))
    names = np.where(both, names, SHORT)
    ranges = merged(rpm, names)
    shown = overall(ranges)
    k = int((high - fewest).argmax()) if not both.all() else int(high.argmax())
    lacks = [share_missing(given, v) for v in best if v > given + CLOSE["ms"]] if shown == SHORT else []
    missing = 1.0 if lacks and np.isinf(ends["least"][:, 1]).any() else max(lacks, default=0.0)
    held = Held(course, shown, ranges, k, missing)
    because = _lead_told(car, ends, k, given, both)
    about = "line fill, valve, injection and wall film (or fuel line) over their ranges; no cycle past the lean stop"
    sides = {side: [_ms(v, side) for v in values[k]] for side, values in ends.items()}
    told = f"at least {_with_ends(sides['least'])}, at most {_with_ends(sides['most'])}, at {rpm[k]:.0f} rpm"
    label = "short: cannot be held both ways" if shown == SHORT and not both.all() else ""
    return held.check(rule, "ms", about, because, model_told=told, label=label)


def _ten(rpm: float) -> str:
    return f"{round(rpm, -1):.0f}"


def _with_ends(told: list[str]) -> str:
    """Likely, and the ends where they differ, with the unit."""
    low, best, high = told
    if low == high:
        return _unit(best)
    if "ms" in low + best + high:
        return f"{_unit(best)} ({_unit(low)} to {_unit(high)})"
    return f"{best} ({low} to {high}) ms"


def _unit(told: str) -> str:
    return told if "ms" in told else f"{told} ms"


def _ms(value: float, side: str) -> str:
    """A least or a most lead; where what was looked at ends before it, the end as such."""
    shortest, longest = (f"{1e3 * v:.0f}".replace("-", "−") for v in (LEADS_S[0], LEADS_S[-1]))
    if np.isinf(value):
        return f"more than {longest}" if value > 0 else f"less than {shortest}"
    if side == "least" and value <= 1e3 * LEADS_S[0]:
        return f"{shortest} ms or less"
    if side == "most" and value >= 1e3 * LEADS_S[-1]:
        return f"{longest} ms or more"
    return f"{value:.0f}".replace("-", "−")


def _lead_told(car: Car, ends: dict[str, np.ndarray], k: int, given: float, both: np.ndarray) -> str:
    """Say both sides, whether a lead keeps them, and what the planner types."""
    sheet, rpm, stop = car.sheet, float(car.rpm[k]), _lead_stop(car)
    limit = sheet.limits.misfire_rich_lambda
    least = ends["least"][k]
    rich, likely = (
        float(passage.extremes(sheet, rpm, 1.0, np.array([given / 1e3]), case=case)[0][0])
        for case in ("fuel early", "likely")
    )
    before = " (below 0 fuel may come after the nitrous valve's command)" if least[1] < 0 else ""
    out = [
        f"Late side: that no cycle of a full hit at {rpm:.0f} rpm passes lambda {stop:.3f} likely takes {_unit(_ms(least[1], 'least'))}{before}, at the cautious edge {_unit(_ms(least[2], 'least'))}.",
        f"Early side: with {given:.0f} ms the richest cycle likely comes to lambda {likely:.2f}, at the cautious edge {rich:.2f}, where firing grows doubtful below about {limit:.2f}.",
    ]
    if not both.all():
        bad = fine_speeds(car.rpm)[~both]
        where = f"at {_ten(bad[0])} to {_ten(bad[-1])} rpm" if both.any() else "at any speed of the window"
        out.append(
            f"No lead is safe both ways here {where}: a smaller dose at that speed or a shorter line is what helps."
        )
    types = car.proposed("fuel before nitrous")
    if types is not None:
        end = float(entry_ends(sheet, car.tune.dosed, np.array([types / 1e3]))[0][0])
        may = (
            f", with which the other end of what is unknown comes to lambda {end:.2f} and may misfire"
            if end < limit
            else ""
        )
        out.append(
            f"The planner proposes {types:.0f} ms{', the longest it looks at,' if types >= 1e3 * LEADS_S[-1] else ''} for the dose it brings in{may}: settle it with the bottle shut first."
        )
    return " ".join(out)


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
