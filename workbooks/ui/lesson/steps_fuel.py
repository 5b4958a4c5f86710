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
from .engine_numbers import ends, evaporation_of, fuel_at_peak, fuel_over_speed, mixture, one, percent, speed
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
        "at {T_air} and only {air_low} of the air is left. If all of it comes from the air, the charge falls as far as {T_low}{frozen}. Cold gas is denser, so more is drawn in: at the most hopeful "
        "end the air is back at {air_high}.",
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
        hint = "Say where the heat comes from. At the left all of it comes from the air, at the right all of it comes from the metal. Watch how much air comes back, and at which speeds it matters most."
        return Knob("heat that comes from the metal", "%", (0.0, 100.0, 5.0), 50.0, 0, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        e, system, target = evaporation_of(car), car.system, car.sheet.engine.lambda_with_nitrous
        low, best, high = (100 * float(v[0]) for v in (e.air_low, e.likely, e.air_high))
        oxygen = [100 * float(v[0]) for v in (e.oxygen_low, e.oxygen, e.oxygen_high)]
        lambdas = {"all": 1.0, "low": e.air_low[0], "high": e.air_high[0]}
        to = display.shown("kg", system)
        return {
            "rpm": speed(e.rpm[0]),
            "rpm_high": speed(e.rpm[-1]),
            "flow": _flow(car),
            "air": percent(low, best, high),
            "air_low": one(low, high - low),
            "air_best": one(best, high - low),
            "air_high": one(high, high - low),
            "air_top": percent(*(100 * float(v[-1]) for v in (e.air_low, e.likely, e.air_high))),
            "vapour": f"{rounded(100 * float(e.vapour[0]), 1.0)} %",
            "heat": f"{rounded(e.heat / 1e3 / to.there(1.0), 10.0)} kJ for each {to.unit}",
            "T_air": display.temperature(e.T_air, system),
            "T_low": display.temperature(float(e.T_low[0]), system),
            "frozen": ", where nitrous freezes and not all of it boils" if float(e.T_low[0]) < T_TRIPLE + 0.1 else "",
            "oxygen": percent(*oxygen),
            "metering": _metering(car),
            "target": mixture(target, car.scale),
            **{f"lambda_{k}": mixture(float(e.lambda_if(target, air)), car.scale) for k, air in lambdas.items()},
        }

    def finding(self, _car: LessonCar) -> str:
        return (
            "Likely {air_best} of the air is still drawn at {rpm}, but it may be {air_low} to {air_high}: nobody knows how much of the heat the metal gives. At {rpm_high}, where each cycle gets less nitrous, it is {air_top}. "
            "Flow and pressure are held; only what boiling leaves unknown is in the range."
        )

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        e = evaporation_of(car)
        low, best, high = (100 * float(v[0]) for v in (e.air_low, e.likely, e.air_high))
        said, inside = float(answer), low - 0.5 <= float(answer) <= high + 0.5
        if abs(said - best) <= near(low, high, AIR_NEAR):
            return RIGHT, (
                "That is the likely figure, as near as anybody can say. The truth may still lie anywhere from {air_low} to {air_high}. Fuel that is worked out for it is a first guess: a small first shot and the sensor have the last word."
            )
        if said < best and not inside:
            return OFF, (
                "That is too little air: even if nothing is cooled, the vapour leaves {air_low}. You would set too little fuel for the shot. Fuel worked out for {air_low} already burns at {lambda_low} in the likely case, where {target} is "
                "wanted. Yours would be leaner still, with free oxygen over hot metal."
            )
        if said < best:
            return CLOSE, (
                "That can be true, if the metal gives most of the heat. But in the likely case there is more air than you think. Your fuel would then be short: leaner than {target}, down to {lambda_low} at the end of the range. Of the two ways to be "
                "wrong this is the one that hurts."
            )
        if abs(said - 100.0) <= ALIKE:
            inside = high >= 100.0 - ALIKE
            return CLOSE if inside else OFF, (
                "You took the nitrous as something on top, with all of the air still there. A speed-density controller makes the same mistake. "
                + (
                    "It is true only at the most hopeful end. "
                    if inside
                    else "Even the most hopeful end is {air_high}. "
                )
                + "Fuel worked out for all of the air burns at {lambda_all} in the likely case, where {target} is wanted: richer than meant. That costs power and may foul plugs, but breaks little."
            )
        if said < 100.0:
            return CLOSE if inside else OFF, (
                (
                    "That can be true, if the air gives most of the heat. "
                    if inside
                    else "That is more air than even the most hopeful end leaves, {air_high}. "
                )
                + "In the likely case the vapour pushes out more than you think. Your fuel would be on the rich side: richer than {target}, but not past {lambda_all}. That costs power, no parts."
            )
        drown = (
            float(e.lambda_if(car.sheet.engine.lambda_with_nitrous, said / 100)) < car.sheet.limits.misfire_rich_lambda
        )
        return CLOSE if inside else OFF, (
            "You let the cold win: more air than without nitrous. The cold is real, but the vapour takes its room first. The most hopeful end is {air_high}, with all the heat taken from the air. Fuel worked out for your figure would burn richer than {lambda_all}"
            + (", so rich that the engine may misfire." if drown else ": power thrown away.")
        )

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
            f"{speed(e.rpm[-1])} {100 * air[-1]:.0f} %. The most that this one unknown does here is {100 * float(e.air[0, 0] - e.air[-1, 0]):.0f} points of air."
        )

    def picture(self) -> LessonPicture:
        return AirPicture()


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
        "The trade adds {rule_100} of fuel for every hundred horsepower of shot ({basis}). For the {hp} that this set-up is likely to add, the rule says {rule}.",
        "This car burns {fuel} and its controller is {controller}. Call the rule's fuel one hundred per cent. How much has to be added at {rpm}, where a shot is counted, so that the charge burns at "
        "{target}?",
    )
    why = (
        "Nitrous vapour pushes air out of the intake. A speed-density controller reads pressure and cannot tell the vapour from air. It goes on giving fuel for the lost air, and the nitrous can use that fuel. So "
        "less has to be added: {speed_density} of the rule. A mass-air meter sees only the air that is left and takes the fuel for the rest away. There all of it has to be added: {mass_air}. "
        "The same shot on the same engine, and two answers. The rule gives one.",
        "Why is the rule not absurd? Its fuel alone would have to give {on_fuel} of its heat to the crank, and an engine gives about {known}. But nitrous has heat of its own: it sets free {own_heat} as it comes apart. Counted "
        "with that heat, {on_both} is enough. {heat_says}",
        "The rule also knows neither fuel nor target. {fuel_says} A richer target needs more fuel for the whole charge, not for the nitrous alone. And the rule takes the horsepower from the label: what really flows is set by nozzle and "
        "bottle. So use it to see whether a figure is sane, and set the fuel from the charge.",
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
            "heat_says": _heat_says(heat),
            "fuel_says": _fuel_says(car),
            **{
                f"lambda_{name}": mixture(float(shot.lambda_at(share)[0]), car.scale)
                for name, share in (("rule", 100.0), ("low", own.low), ("high", own.high))
            },
        }

    def finding(self, car: LessonCar) -> str:
        own = fuel_at_peak(car).band(car.sheet.controller.metering)
        how = "near enough" if abs(own.best - 100) <= FUEL_NEAR else "too little" if own.best > 100 else "too much"
        return (
            f"For this car the rule is {how}: it takes {{own}} of the rule's fuel, {{added}}, for {{hp}} at the target. The range is what boiling and the cycle's work leave unknown; what the nozzle really passes comes on top. With the rule's fuel the likely charge burns at "
            "{lambda_rule}."
        )

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        shot = fuel_at_peak(car)
        own, said = shot.band(car.sheet.controller.metering), float(answer)
        inside = own.low <= said <= own.high
        if abs(said - own.best) <= near(own.low, own.high, FUEL_NEAR):
            return (
                RIGHT,
                "That is the likely figure. Within {own_low} to {own_high} nobody can say better before the first pull, so begin at the rich end of that range and take fuel out by the sensor, not the other way round.",
            )
        lean = float(shot.lambda_at(said)[0]) >= car.sheet.limits.lean_stop_lambda
        stop = (
            " That is past this car's lean stop: the nitrous would be cut, and if nothing cuts it, free oxygen meets a piston at its hottest."
            if lean
            else " It would not trip this car's lean stop, so nothing would warn you: each pull runs a little leaner and hotter than meant."
        )
        if abs(said - 100.0) <= ALIKE:
            side = (
                stop
                if own.best > 100
                else " That is the safe side: power lost, and with much too much fuel a misfire, but no part burned."
            )
            return (
                CLOSE if inside else OFF,
                "You trusted the rule as it stands. With its fuel the likely charge of this car burns at {lambda_rule}, where {target} is wanted."
                + side,
            )
        if said < own.best:
            return CLOSE if inside else OFF, (
                (
                    "That can be true, at the low end of what is unknown. In the likely case it is short: leaner than {target}, down to {lambda_low} at that end."
                    if inside
                    else "That is less than even the low end of what is unknown, {own_low}, and that already burns at {lambda_low} in the likely case. Yours is leaner still."
                )
                + stop
            )
        drown = float(shot.lambda_at(said)[0]) < car.sheet.limits.misfire_rich_lambda
        return CLOSE if inside else OFF, (
            (
                "That can be true, at the high end of what is unknown. In the likely case it is rich: between {target} and {lambda_high}."
                if inside
                else "That is more than even the high end of what is unknown, {own_high}. In the likely case it burns richer than {lambda_high}."
            )
            + (
                " It is so rich that the charge may not light in every cycle; unburned oxygen then reads lean on the gauge, and adding fuel makes it worse."
                if drown
                else " The engine lives, but gives less than it could, and plugs and oil take up fuel."
            )
        )

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


def _heat_says(heat: tf.HeatAccount) -> str:
    """Whether an engine can do it on the rule's fuel and the nitrous' own heat."""
    if heat.on_both.low > ADDED_HEAT_EFFICIENCY.high:
        return "On this fuel that is still more than an engine gives: the rule's fuel cannot be all that is burned for the shot."
    if heat.on_both.best > ADDED_HEAT_EFFICIENCY.high:
        return "On this fuel that is still a lot: the rule's fuel is hardly all that is burned for the shot."
    return "That leaves room for what a rich charge does not burn."


def _fuel_says(car: LessonCar) -> str:
    """How this car's fuel stands to gasoline."""
    ratio = fuels.get("gasoline").afr_stoich / car.sheet.make_fuel().afr_stoich
    if abs(ratio - 1) < 0.04:
        return (
            "It is a weight of gasoline, which this car burns; alcohol would need far more weight for the same oxygen."
        )
    return f"It is a weight of gasoline: of this car's fuel it takes {ratio:.1f} times the weight for the same oxygen."
