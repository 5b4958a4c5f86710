"""Steps of the lesson: what boiling nitrous does to the air, and what the trade's fuel rule leaves out."""

from __future__ import annotations

from kernel_lib import units
from kernel_lib.band import ADDED_HEAT_EFFICIENCY
from kernel_lib.teach import fuel as tf
from kernel_lib.teach.rules import RULES
from kernel_lib.text import banded, rounded
from kernel_lib.thermo import fuels
from kernel_lib.thermo.fluid import T_TRIPLE

from .. import display
from .engine_numbers import (
    as_shown,
    ends,
    evaporation_of,
    fuel_at_peak,
    fuel_over_speed,
    lands,
    mixture,
    one,
    percent,
    speed,
    whole,
    whole_band,
)
from .pictures_engine import AirPicture, FuelPicture
from .step import CLOSE, OFF, RIGHT, Answer, Knob, LessonCar, LessonPicture, Number, Step

AIR_NEAR, FUEL_NEAR, ALIKE = 4.0, 10.0, 3.0
"""Points within which a prediction counts at most as the likely figure: of air, of the rule's fuel; and as a round hundred."""


def near(low: float, high: float, most: float) -> float:
    """Points about the likely figure that count as it: a quarter of the band, not more than `most`."""
    return min(most, max(1.5, 0.25 * (high - low)))


class Evaporating(Step):
    """Air that is left while nitrous boils, and why nobody knows it well."""

    key, title = "evaporation", "What boiling nitrous does"
    question = "How much air does the engine still draw while nitrous boils in the intake?"
    scene = (
        "Nitrous leaves the nozzle as a liquid and boils on its way to the cylinder. That does two things which pull against each other. The vapour takes up room "
        "that air had. And boiling takes heat: what it takes from the air makes the air cold and dense, so that more of it fits.",
        "Take {rpm}, the low end of this car's spray window, full throttle, all of the nitrous flowing ({flow}). Call the air that one cycle draws without nitrous one hundred per "
        "cent. How much air does it draw with nitrous?",
    )
    why = (
        "At {rpm} the vapour alone would fill {vapour} of the room that the air had. To boil the liquid and warm its vapour takes about {heat}. If none of it comes from the air, the charge stays "
        "at {T_air} and only {air_low} of the air is left. If all of it comes from the air, the charge falls to {T_all}{frozen}. Cold gas is denser, so more is drawn in. With a middling guess of how much of the cold the engine can use, that "
        "makes {air_all}; could it use all of the cold, {air_high}. That is the most hopeful end.",
        "Two things are not known. Drops that land on the runner or on the valve take their heat from metal, and that heat does not cool the air. The share may be anything from none to all: it hangs on "
        "the nozzle's aim, the spray and the hot metal. Nor does all of the cold turn into more air, for valves and runners do not pass it all on. We found no measurement on an engine. So we "
        "carry the whole range along, and set a first hit for the end that hurts.",
        "What it means for fuel: air that was pushed out needs no fuel any more. {metering} Oxygen still goes up, to {oxygen} of what it was, since the nitrous brings more than the lost air held. The same "
        "cold also holds off knock. That is why this one unknown comes back when you set the timing.",
    )
    sources = "Lemmon & Span 2006 (heat of evaporation); the range of the wall's share is a bound, no measurement found"

    def ask(self, _car: LessonCar) -> Number:
        return Number("air drawn with nitrous, against without", "%", (20.0, 160.0, 1.0), 140.0)

    def knob(self, _car: LessonCar) -> Knob:
        hint = "Say where the heat comes from. At the left all of it comes from the air, at the right all of it comes from the metal. Watch how much air comes back, and at which speeds it matters most. How much of the cold the engine can use stays at its middling guess."
        return Knob("heat that comes from the metal", "%", (0.0, 100.0, 5.0), 50.0, 0, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        e, system, target = evaporation_of(car), car.system, car.sheet.engine.lambda_with_nitrous
        low, best, high = air_left(car)
        oxygen = [100 * float(v[0]) for v in (e.oxygen_low, e.oxygen, e.oxygen_high)]
        to = display.shown("kg", system)
        return {
            "rpm": speed(e.rpm[0]),
            "rpm_high": speed(e.rpm[-1]),
            "flow": _flow(car),
            "air_low": whole(low),
            "air_best": whole(best),
            "air_high": whole(high),
            "air_all": whole(100 * float(e.air[0, 0])),
            "air_top": whole_band(*(100 * float(v[-1]) for v in (e.air_low, e.likely, e.air_high))),
            "vapour": f"{rounded(100 * float(e.vapour[0]), 1.0)} %",
            "heat": f"{rounded(e.heat / 1e3 / to.there(1.0), 10.0)} kJ for each {to.unit}",
            "T_air": display.temperature(e.T_air, system),
            "T_all": display.temperature(float(e.T[0, 0]), system),
            "frozen": ", where nitrous freezes and not all of it boils" if float(e.T[0, 0]) < T_TRIPLE + 0.1 else "",
            "oxygen": percent(*oxygen),
            "metering": _metering(car),
            "target": mixture(target, car.scale),
        }

    def finding(self, _car: LessonCar) -> str:
        return (
            "Likely {air_best} of the air is still drawn at {rpm}, but it may be {air_low} to {air_high}: nobody knows how much of the heat the metal gives. At {rpm_high}, where each cycle gets less nitrous, it is {air_top}. "
            "Flow and pressure are held; only what boiling leaves unknown is in the range."
        )

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        low, best, high = air_left(car)
        said = float(answer)
        inside = low <= said <= high
        meter = car.sheet.controller.metering == "mass-air"
        if abs(said - best) <= near(low, high, AIR_NEAR):
            then = (
                "This car's meter follows whatever air comes, so its fuel does not hang on your figure; the power you expect and the timing do."
                if meter
                else "Fuel that is worked out for it is a first guess: a small first shot and the sensor have the last word."
            )
            return RIGHT, (
                "That is the likely figure, as near as anybody can say. The truth may still lie anywhere from {air_low} to {air_high}. "
                + then
            )
        kind = CLOSE if inside else OFF
        if said < best:
            head = (
                "That can be true, if the metal gives most of the heat. In the likely case more air is left, {air_best}."
                if inside
                else "That is too little air: even if nothing is cooled, the vapour leaves {air_low}, and likely {air_best} is left."
            )
        elif abs(said - 100.0) <= ALIKE:
            head = (
                "You took the nitrous as something on top, with all of the air still there. A speed-density controller makes the same mistake. "
                + (
                    "It comes about true at the most hopeful end, {air_high}, and no sooner; likely {air_best} is left."
                    if inside or abs(high - 100.0) <= ALIKE
                    else "Even the most hopeful end is {air_high}; likely {air_best} is left."
                )
            )
        elif said < 100.0:
            head = (
                "That can be true, if the air gives most of the heat. In the likely case the vapour pushes out more, and {air_best} is left."
                if inside
                else "That is more air than even the most hopeful end leaves, {air_high}; likely {air_best} is left."
            )
        else:
            head = (
                "You let the cold win: more air than without nitrous. The cold is real, but the vapour takes its room first. "
                + (
                    "Only the most hopeful end, {air_high}, comes out so, with all the heat taken from the air and all of the cold used; likely {air_best} is left."
                    if inside
                    else "The most hopeful end is {air_high}, with all the heat taken from the air; likely {air_best} is left."
                )
            )
        return kind, f"{head} {_acting_on_air(car, said)}"

    def tried(self, car: LessonCar, value: float) -> str:
        e = evaporation_of(car)
        air, T = e.at(value / 100)
        where = (
            "all of it from the air"
            if value == 0
            else "none of it from the air"
            if value == 100
            else "the rest from the air"
        )
        return (
            f"With {value:.0f} % of the heat from the metal and {where} the charge at {speed(e.rpm[0])} is at {display.temperature(float(T[0]), car.system)} and {100 * air[0]:.0f} % of the air is left; at "
            f"{speed(e.rpm[-1])} {100 * air[-1]:.0f} %. The most that this one unknown does here is {100 * float(e.air[0, 0] - e.air[-1, 0]):.0f} points of air; the rest of the shaded range is how much of the cold the engine can use."
        )

    def picture(self) -> LessonPicture:
        return AirPicture()


def air_left(car: LessonCar) -> tuple[float, float, float]:
    """Low, likely and high share of the air at the window's low end, to the per cent that is shown."""
    e = evaporation_of(car)
    return tuple(float(round(100 * float(v[0]))) for v in (e.air_low, e.likely, e.air_high))


def _acting_on_air(car: LessonCar, said: float) -> str:
    """What it does to the likely charge to set fuel by a figure for the air."""
    e, target = evaporation_of(car), car.sheet.engine.lambda_with_nitrous
    where = lands(car, float(e.lambda_if(target, said / 100)))
    if car.sheet.controller.metering != "mass-air":
        return f"Fuel worked out for your figure burns, in the likely case, at {where}"
    return (
        "By itself that spoils no mixture on this car: its meter sees the air that really comes and takes the lost air's fuel away, so {target} stays near. The harm comes if you overrule the meter and "
        f"fuel the air by your figure: then the likely charge burns at {where}"
    )


def _flow(car: LessonCar) -> str:
    """The likely nitrous flow, as finely as it is known."""
    to, flow = display.shown("g/s", car.system), car.plan.flow
    return f"about {rounded(to.there(1e3 * flow.best), to.there(1e3 * (flow.high - flow.low)))} {to.unit}"


def _metering(car: LessonCar) -> str:
    """What this car's controller makes of the lost air."""
    control = car.sheet.controller
    if control.metering == "mass-air":
        return "This car's controller has a mass-air meter: it sees that less air comes and takes fuel away by itself. All of the fuel for the nitrous has to be added."
    cooled = (
        " Its sensor sits in the cooled stream, so it even adds fuel for the cold."
        if control.intake_sensor != "before nitrous"
        else ""
    )
    return f"This car's controller is speed-density: it reads pressure, not what the gas is made of, and goes on giving fuel for air that is no longer there.{cooled}"


class FuelRule(Step):
    """Why the trade's fuel rule about works, and where it does not."""

    key, title = "fuel_rule", "The fuel rule"
    question = "How near is the trade's fuel rule for this car?"
    scene = (
        "The trade adds {rule_100} of fuel for every hundred horsepower of shot ({basis}). {label_says}For the {hp} that this set-up is likely to add, the rule says {rule}; that is the figure we use here.",
        "This car burns {fuel} and its controller is {controller}. Call the rule's fuel one hundred per cent. How much has to be added at {rpm}, where a shot is counted, so that the charge burns at "
        "{target}?",
    )
    why = (
        "Nitrous vapour pushes air out of the intake. A speed-density controller reads pressure and cannot tell the vapour from air. It goes on giving fuel for the lost air, and the nitrous can use that fuel. So "
        "less has to be added: {speed_density} of the rule. A mass-air meter sees only the air that is left and takes the fuel for the rest away. There all of it has to be added: {mass_air}. "
        "The same shot on the same engine, and two answers. The rule gives one.",
        "Why is the rule not absurd? Its fuel alone would have to give {on_fuel} of its heat to the crank, and an engine gives about {known}. But nitrous has heat of its own: it sets free {own_heat} as it comes apart. Counted "
        "with that heat, it takes {on_both}. {heat_says}",
        "The rule also knows neither fuel nor target. {fuel_says} A richer target needs more fuel for the whole charge, not for the nitrous alone. And the trade takes the horsepower from the label, here {label}; we gave the rule {hp}, what the flow is likely worth. Nozzle and bottle set what really flows. So use it to see whether a figure is sane, and set the fuel from the charge.",
    )
    sources = "NASA polynomials (heat of formation of nitrous oxide); TSFS09 (what share of the heat reaches the crank)"

    def ask(self, _car: LessonCar) -> Number:
        return Number("fuel to add", "% of the rule", (0.0, 400.0, 1.0), 20.0)

    def knob(self, car: LessonCar) -> Knob:
        target = round(car.sheet.engine.lambda_with_nitrous, 3)
        span = (round(max(target - 0.1, 0.6), 3), round(target + 0.1, 3), 0.001)
        hint = "Move the target and leave the shot as it is. Watch how much fuel a richer charge takes, though not a drop of it is for more nitrous."
        return Knob("lambda aimed at on nitrous", "lambda", span, target, 3, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        shot, system, sheet = fuel_at_peak(car), car.system, car.sheet
        own, heat = shot.band(sheet.controller.metering), tf.heat_account(car.sheet, fuel_at_peak(car))
        bands = {m: shot.band(m) for m in tf.METERINGS}
        to, mass = display.shown("kg/h", system), display.shown("kg", system)
        hundred = RULES["fuel"].numbers["lb_h_per_100_hp"]
        return {
            "rule_100": f"{to.there(units.kg_from_lb(hundred)):.3g} {to.unit}",
            "rule": f"{rounded(to.there(3600 * shot.rule), 1.0)} {to.unit}",
            "basis": RULES["fuel"].basis,
            "hp": f"{rounded(shot.hp, max(car.plan.power.high - car.plan.power.low, 1.0))} hp",
            "label": f"{sheet.nitrous.shot_hp:g} hp",
            "label_says": _label_says(car, shot),
            "rpm": speed(shot.rpm[0]),
            "fuel": sheet.fuel.name or sheet.make_fuel().name,
            "controller": "a speed-density one"
            if sheet.controller.metering == "speed-density"
            else "one with a mass-air meter",
            "target": mixture(sheet.engine.lambda_with_nitrous, car.scale),
            "own": percent(own.low, own.best, own.high),
            "own_best": one(own.best, own.high - own.low),
            "own_low": one(own.low, own.high - own.low),
            "own_high": one(own.high, own.high - own.low),
            "added": f"{banded(*(to.there(36 * v * shot.rule) for v in (own.low, own.best, own.high)))} {to.unit}",
            "speed_density": percent(*ends(bands["speed-density"])),
            "mass_air": percent(*ends(bands["mass-air"])),
            "on_fuel": f"{100 * heat.on_fuel:.0f} %",
            "on_both": percent(*(100 * v for v in ends(heat.on_both))),
            "known": f"{100 * ADDED_HEAT_EFFICIENCY.low:.0f} to {100 * ADDED_HEAT_EFFICIENCY.high:.0f} %",
            "own_heat": f"{rounded(tf.nitrous_own_heat() / 1e6 / mass.there(1.0))} MJ for each {mass.unit}",
            "heat_says": _ROOM[heat.room],
            "fuel_says": _fuel_says(car),
            "lambda_rule": mixture(float(shot.lambda_at(100.0)[0]), car.scale),
        }

    def finding(self, car: LessonCar) -> str:
        own = fuel_at_peak(car).band(car.sheet.controller.metering)
        how = "near enough" if abs(own.best - 100) <= FUEL_NEAR else "too little" if own.best > 100 else "too much"
        return (
            f"For this car the rule is {how}: it takes {{own}} of the rule's fuel, {{added}}, for {{hp}} at the target. The range is what boiling and the cycle's work leave unknown; what the nozzle really passes comes on top. With the rule's fuel the likely charge burns at "
            "{lambda_rule}."
        )

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        shot, said = fuel_at_peak(car), float(answer)
        own = shot.band(car.sheet.controller.metering)
        spread, most = own.high - own.low, near(own.low, own.high, FUEL_NEAR)
        low, best, high = (as_shown(v, spread) for v in ends(own))
        if min(best, own.best) - most <= said <= max(best, own.best) + most:
            return (
                RIGHT,
                "That is the likely figure. Within {own_low} to {own_high} nobody can say better before the first pull, so begin at the rich end of that range and take fuel out by the sensor, not the other way round.",
            )
        inside = min(low, own.low) <= said <= max(high, own.high)
        trusted = "You trusted the rule as it stands. " if abs(said - 100.0) <= ALIKE else ""
        if said < best:
            head = (
                "That can be true, at the low end of what is unknown, {own_low} to {own_high}; likely it takes {own_best}."
                if inside
                else "That is less than even the low end of what is unknown, {own_low}; likely it takes {own_best}."
            )
        else:
            head = (
                "That can be true, at the high end of what is unknown, {own_low} to {own_high}; likely it takes {own_best}."
                if inside
                else "That is more than even the high end of what is unknown, {own_high}; likely it takes {own_best}."
            )
        where = lands(car, float(shot.lambda_at(said)[0]))
        return CLOSE if inside else OFF, f"{trusted}{head} With your fuel the likely charge burns at {where}"

    def tried(self, car: LessonCar, value: float) -> str:
        shot, target = fuel_at_peak(car), car.sheet.engine.lambda_with_nitrous
        metering = car.sheet.controller.metering
        now, start = shot.band(metering, lambda_=value), shot.band(metering)
        change = now.best - start.best
        how = (
            "That is the target of the sheet"
            if abs(change) < 0.5
            else f"That is {abs(change):.0f} points {'more' if change > 0 else 'less'} than at the sheet's {mixture(target, car.scale)}, with the same nitrous"
        )
        return f"To burn at {mixture(value, car.scale)} this car needs {percent(*ends(now))} of the rule's fuel. {how}: lambda is a matter of the whole charge."

    def picture(self) -> LessonPicture:
        return FuelPicture()

    def warm(self, car: LessonCar) -> None:
        super().warm(car)
        fuel_over_speed(car)


def _label_says(car: LessonCar, shot: tf.ShotFuel) -> str:
    """The rule on the label's horsepower, with a space behind it; nothing where the label and the likely figure are one."""
    label, to = car.sheet.nitrous.shot_hp, display.shown("kg/h", car.system)
    if abs(label - shot.hp) < 0.5:
        return ""
    return f"The label says {label:g} hp, which makes {rounded(to.there(3600 * shot.rule * label / shot.hp), 1.0)} {to.unit}. "


_ROOM = {
    "plain": "That leaves room for what a rich charge does not burn.",
    "little": "An engine can give that, with little room left for what a rich charge does not burn.",
    "none": "That is at the upper end of what an engine gives. It leaves no room for what a rich charge does not burn: on this fuel the rule's fuel is hardly all that is burned for the shot.",
    "beyond": "That is still a lot: on this fuel the rule's fuel is hardly all that is burned for the shot.",
    "impossible": "That is still more than an engine gives: on this fuel the rule's fuel cannot be all that is burned for the shot.",
}
"""Whether an engine can do it on the rule's fuel and the nitrous' own heat."""


def _fuel_says(car: LessonCar) -> str:
    """How this car's fuel stands to gasoline."""
    ratio = fuels.get("gasoline").afr_stoich / car.sheet.make_fuel().afr_stoich
    if abs(ratio - 1) < 0.04:
        return (
            "It is a weight of gasoline, which this car burns; alcohol would need far more weight for the same oxygen."
        )
    return f"It is a weight of gasoline: of this car's fuel it takes {ratio:.1f} times the weight for the same oxygen."
