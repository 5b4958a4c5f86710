"""Steps of the lesson: what the gauge shows, and where the flame is hottest."""

from __future__ import annotations

from kernel_lib.band import SENSOR_ERROR
from kernel_lib.teach import charge as tc
from kernel_lib.teach import leftover as tl

from ..display import figures, flame
from . import pictures_charge as pictures
from .charge_words import TOO_RICH, few, filled, speeds, told_side
from .step import CLOSE, OFF, RIGHT, Answer, Knob, LessonCar, Number, Step, fill


def _about(target: float, low: float, high: float) -> tuple[float, float, float]:
    """A span of lambda on whose steps the target lies."""
    step = 0.002
    below, above = max(round((target - low) / step), 0), max(round((high - target) / step), 0)
    return round(target - below * step, 4), round(target + above * step, 4), step


class Gauge(Step):
    """What the gauge shows."""

    key, title = "gauge", "What the gauge shows"
    question = "The gauge shows the target. Is that the mixture?"
    scene = (
        "Lambda is the oxygen that is there over the oxygen the fuel needs. With nitrous the oxygen of both counts, air and nitrous. A gauge AFR is the same lambda times {scale}, whatever the fuel.",
        "The full shot flows at {rpm_low}, where the dose is large. You have trimmed the fuel until the gauge shows your target, {target}. Say what the mixture in the cylinders really is, as lambda.",
    )
    why = (
        "A wide-band sensor weighs neither air nor fuel. From each volume of exhaust it finds how much oxygen is left over, or how much CO and H2 are left that still want oxygen. It was set up on the exhaust of air, in which a great "
        "deal of nitrogen thins everything.",
        "Nitrous brings less nitrogen with its oxygen. So the same rich mixture leaves more CO and H2 in each volume of exhaust. The sensor takes the stronger signal for a richer mixture. It flatters you: rich reads richer than it is. Trim the "
        "fuel until the gauge shows a rich target, and the engine is leaner than that.",
        "By this model the true target reads {sensor_low} at {rpm_low} and {sensor_high} at {rpm_high} on your gauge. Nobody has checked the model on a sensor in nitrous exhaust. The band covers the dose and how strongly hydrogen acts; the sensor's "
        "own error, about {error} lambda either way, comes on top. Take it as a direction: do not lean a nitrous mixture out to please a gauge.",
    )
    sources = "exhaust of rich mixtures: Heywood, Brettschneider 1979; the sensor is a limiting-current model, not verified on a sensor"
    FOUND = {
        True: "When the gauge shows {target}, the mixture is about lambda {true}, or {true_afr} in gauge numbers: leaner than it reads.{way}",
        False: "When the gauge shows {target}, the mixture is about lambda {true}, or {true_afr} in gauge numbers: with so little nitrous, or so near lambda 1, the two are the same.",
    }
    WAY = " That uses up about {part} % of the way from the target to the lean stop."
    SAID = {
        "right": "Your lambda lies within what the model knows. Aim for a gauge that reads a little richer than the target, and the mixture is where you want it.",
        "equal": "With so little nitrous, or so near lambda 1, the gauge can be taken at its word: the sensor's own error is larger than what nitrous does to it.",
        "same": "You take the gauge at its word. On air you could. On nitrous you leave the fuel as it is without a sign, and the mixture stays at lambda {got}, {side}.",
        "richer": "It is the other way round. If you believe the mixture is richer than the gauge says, you take fuel out to come back to the target: that makes lambda {got}, {side}.",
        "little": "The direction is right, leaner than it reads, but it is further off than you said. Fuel added for your number still leaves it at lambda {got}, {side}.",
        "much": "The direction is right, leaner than it reads, but it is nearer than you said. Fuel added for your number makes lambda {got}, {side}.",
        "lower": "Here the gauge can be taken at its word. If you believe the mixture is richer than it shows, you take fuel out: that makes lambda {got}, {side}.",
        "higher": "Here the gauge can be taken at its word. If you believe the mixture is leaner than it shows, you add fuel: that makes lambda {got}, {side}.",
    }
    NEAR = 0.03

    def _true(self, car: LessonCar) -> tuple[float, float, float]:
        return tc.gauge_table(car.sheet).lambda_at(car.sheet.engine.lambda_with_nitrous).at(0)

    def _leaner(self, car: LessonCar) -> bool:
        return self._true(car)[1] - car.sheet.engine.lambda_with_nitrous > 0.002

    def ask(self, car: LessonCar) -> Number:
        middle = round(car.sheet.engine.lambda_with_nitrous, 2)
        return Number(
            "the mixture in the cylinders",
            "lambda",
            (round(middle - 0.12, 3), round(middle + 0.12, 3), 0.002),
            round(middle - 0.12, 3),
            3,
        )

    def knob(self, car: LessonCar) -> Knob:
        target = car.sheet.engine.lambda_with_nitrous
        hint = "Let the gauge show something else. Go richer, and the gauge flatters more. Go up to lambda 1 and past it, and watch which way the error points."
        return Knob("the gauge shows", "lambda", _about(target, 0.72, 1.06), target, 3, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        table, engine, stop = tc.gauge_table(car.sheet), car.sheet.engine, car.sheet.limits.lean_stop_lambda
        target, true = engine.lambda_with_nitrous, self._true(car)
        sensor = table.shown_at(target)
        part = (true[1] - target) / (stop - target) if stop > target + 0.005 else float("nan")
        out = speeds(car) | {
            "scale": f"{car.scale:g}",
            "target": f"lambda {target:.3f} ({target * car.scale:.1f} on the gauge)",
            "true": f"{true[1]:.3f} ({true[0]:.3f} to {true[2]:.3f})",
            "true_afr": f"{true[1] * car.scale:.1f}",
            "sensor_low": self._reads(sensor.at(0), car),
            "sensor_high": self._reads(sensor.at(-1), car),
            "error": f"{SENSOR_ERROR.high:g}",
            "part": f"{100 * part:.0f}",
        }
        return out | {"way": fill(self.WAY, out) if 0.03 < part <= 1 else ""}

    @staticmethod
    def _reads(lambdas: tuple[float, float, float], car: LessonCar) -> str:
        return f"lambda {lambdas[1]:.3f}, {lambdas[1] * car.scale:.1f} ({lambdas[0] * car.scale:.1f} to {lambdas[2] * car.scale:.1f}),"

    def finding(self, car: LessonCar) -> str:
        return self.FOUND[self._leaner(car)]

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        (low, best, high), target, guess = self._true(car), car.sheet.engine.lambda_with_nitrous, float(answer)
        slack = 0.0015 + 0.1 * (high - target)
        if low - slack <= guess <= high + slack:
            return RIGHT, self.SAID["right" if self._leaner(car) else "equal"]
        if not self._leaner(car):
            key = "lower" if guess < best else "higher"
        else:
            same = abs(guess - target) < 0.0015
            key = "same" if same else "richer" if guess < target else "little" if guess < best else "much"
        got = tc.lambda_if_believed(car.sheet, best, guess)
        facts = {"got": f"{got:.2f}", "side": told_side(car, got)}
        near = key in ("little", "much", "lower", "higher") and abs(guess - best) < self.NEAR
        return CLOSE if near else OFF, filled(self.SAID[key], facts)

    def tried(self, car: LessonCar, value: float) -> str:
        true = tc.gauge_table(car.sheet).lambda_at(value)
        low, _, high = tc.lesson_speeds(car.sheet)
        (a, here, b), there = true.at(0), true.at(-1)[1]
        side = (
            "as it reads"
            if abs(here - value) < 0.002
            else "leaner than it reads"
            if here > value
            else "not as lean as it reads"
        )
        return f"Gauge {value * car.scale:.1f} (lambda {value:.3f}): the mixture is lambda {here:.3f} ({a:.3f} to {b:.3f}) at {low:.0f} rpm, {side}, and {there:.3f} at {high:.0f} rpm."

    def picture(self) -> pictures.GaugePicture:
        return pictures.GaugePicture()


class HottestFlame(Step):
    """Where the flame is hottest, and why that does not explain the target."""

    key, title = "flame", "The hottest flame"
    question = "At which lambda does this charge burn hottest?"
    scene = (
        "Take the full shot's charge at {rpm_peak}, pressed together up to the spark. It can be given more fuel or less. Your target is lambda {target}.",
        "One often hears that the target is rich because a rich flame is a cool flame. Before you look: at which lambda is the flame of this charge hottest?",
    )
    why = (
        "On paper fuel and oxygen match at lambda 1. But gas this hot comes apart again: some CO2 and H2O split into CO, H2 and free O2, and that takes heat. A little fuel too much holds it back, so the hottest flame lies on the rich side, "
        "and further over the hotter the gas. About its top the curve is flat.",
        "With nitrous this flame is about {hotter} hotter than without: less nitrogen to warm, and heat of the nitrous itself. {flame_line}",
        "Other things do change from the target to lambda {against}. The gas at exhaust opening is {exhaust}. While the flame is hot and come apart, its free oxygen goes from {oxygen_target} to {oxygen_one} %, its CO and H2 from {wanting_target} to {wanting_one} %; they join up again as the gas cools. "
        "The fuel cools a little less (upper end: {evaporation}). And the way to the lean side is your time when fuel is late: the next step.",
    )
    sources = "equilibrium: NASA polynomials, checked against NASA CEA; a cylinder loses heat, so read differences"
    COOL = {
        "flat": "But that hardly depends on the target: from the target to lambda {against} the flame changes by {change}. A cool flame is not what makes the target safe.",
        "cooler": "And leaner is not hotter: from the target to lambda {against} the flame gets {change} cooler. A cool flame is not what makes a target safe.",
        "hotter": "From the target to lambda {against} the flame gets {change} hotter, so the heat of the flame has some part in it. Now look at what else changes.",
    }
    FOUND = "The flame is hottest between lambda {hot_low} and {hot_high}, and at the target of {target} it is {below} below that. From the target to lambda {against} the flame changes by {change}; the gas at exhaust opening is {exhaust}."
    SAID = {
        "right": "That is where the computed flame peaks. At the target it is {below} cooler: weigh that against what else changes, and do not count on the heat of the flame to protect the engine.",
        "one": "That is where fuel and oxygen match on paper. Hot gas comes apart, and that moves the peak to the rich side; at lambda {said} the flame is {under} below it. ",
        "lean": "Lean mixtures do break engines, but not with a hotter flame: at lambda {said} it is past its peak, {under} below it. ",
        "rich": "At lambda {said} the flame is {under} below its peak, and it still gets hotter as the mixture gets leaner. ",
    }
    ACTING = {
        "lean": "The gas at exhaust opening is {exhaust} than at the target, and the hot flame holds {oxygen} % free oxygen in place of {oxygen_target} %. Wait for a hottest flame there to warn you, and by then the mixture is {side}.",
        "leaner still": "The exhaust is hottest near lambda {hot_exhaust}; at your number it is {exhaust} than at the target. But the hot flame holds {oxygen} % free oxygen there, in place of {oxygen_target} %. Wait for a hottest flame there to warn you, and by then the mixture is {side}.",
        "rich": "Believe that the peak lies on the rich side of your target, and you lean the mixture out to cool it: the flame gets hotter up to lambda {hot_high}, and the lean stop comes nearer.",
        "past rich stop": "Believe that the peak lies there, and you lean the mixture out to cool it: the flame gets hotter up to lambda {hot_high}, and the lean stop comes nearer. Your number itself is {side}.",
        "between": "Go leaner from there to leave the heat behind, and you meet the peak of the flame and the lean stop instead.",
        "between, past": "Go leaner from there to leave the heat behind, and you meet the peak of the flame instead; the lean stop is behind you already.",
        "beyond": "Your target lies on the lean side of the peak: go richer from there, and the flame gets hotter first, before it cools.",
    }

    def _flames(self, car: LessonCar) -> tl.Flames:
        return tl.flames(car.sheet, tc.lesson_speeds(car.sheet)[1])

    def ask(self, _car: LessonCar) -> Number:
        return Number("the hottest mixture", "lambda", (0.7, 1.2, 0.01), 0.7, 2)

    def knob(self, car: LessonCar) -> Knob:
        hint = "Move the mixture from the target to lambda 1 and past it. Watch the flame on the left, then the exhaust on the right and the oxygen in the sentence below."
        target = car.sheet.engine.lambda_with_nitrous
        return Knob("mixture", "lambda", _about(target, 0.75, 1.15), target, 3, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        f, target, system = self._flames(car), car.sheet.engine.lambda_with_nitrous, car.system
        against = 1.0 if target <= 0.95 else target + 0.1
        exhaust, change = (f.at(k, against) - f.at(k, target) for k in ("opening", "with_nitrous"))
        hotter = f.at("with_nitrous", target) - f.at("without", target)
        out = speeds(car) | {
            "target": f"{target:.3f}",
            "against": "1" if against == 1 else f"{against:.2f}",
            "hot_low": f"{f.hottest[0]:.2f}",
            "hot_high": f"{f.hottest[1]:.2f}",
            "below": few(f.with_nitrous.max() - f.at("with_nitrous", target), system),
            "change": few(change, system),
            "hotter": few(hotter, system),
            "exhaust": f"{few(exhaust, system)} {'hotter' if exhaust >= 0 else 'cooler'}",
            "oxygen_target": figures(100 * f.at("oxygen", target)),
            "oxygen_one": figures(100 * f.at("oxygen", against)),
            "wanting_target": figures(100 * f.at("wanting", target)),
            "wanting_one": figures(100 * f.at("wanting", against)),
            "evaporation": few(tl.fuel_cooling(car.sheet, target, against), system),
        }
        return out | {
            "flame_line": fill(
                self.COOL["flat" if abs(change) < max(15.0, 0.2 * hotter) else "cooler" if change < 0 else "hotter"],
                out,
            )
        }

    def finding(self, _car: LessonCar) -> str:
        return self.FOUND

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        f, guess, target = self._flames(car), float(answer), car.sheet.engine.lambda_with_nitrous
        low, high = f.hottest
        if low - 0.0151 <= guess <= high + 0.0151:
            return RIGHT, self.SAID["right"]
        side, exhaust = tc.mixture_side(car.sheet, guess), f.at("opening", guess) - f.at("opening", target)
        if guess > high:
            lead = "one" if abs(guess - 1) < 0.0151 else "lean"
            acting = "leaner still" if guess > f.hottest_exhaust + 0.02 else "lean"
        else:
            lead = "rich"
            if target > high:
                acting = "beyond"
            elif guess >= target:
                acting = "between" if guess < car.sheet.limits.lean_stop_lambda else "between, past"
            else:
                acting = "past rich stop" if side in TOO_RICH else "rich"
        facts = self.facts(car) | {
            "said": f"{guess:.2f}",
            "under": few(f.with_nitrous.max() - f.at("with_nitrous", guess), car.system),
            "exhaust": f"{few(exhaust, car.system)} {'hotter' if exhaust >= 0 else 'cooler'}",
            "oxygen": figures(100 * f.at("oxygen", guess)),
            "hot_exhaust": f"{f.hottest_exhaust:.2f}",
            "side": told_side(car, guess),
        }
        near = min(abs(guess - low), abs(guess - high)) < 0.05
        return CLOSE if near else OFF, filled(self.SAID[lead] + self.ACTING[acting], facts)

    def tried(self, car: LessonCar, value: float) -> str:
        f, target, system = self._flames(car), car.sheet.engine.lambda_with_nitrous, car.system

        def against(name: str) -> str:
            change = f.at(name, value) - f.at(name, target)
            return f"{few(change, system)} {'hotter' if change >= 0 else 'cooler'} than at the target"

        if abs(value - target) < 5e-4:
            lead = f"At the target the open flame is at about {flame(f.at('with_nitrous', value), system)}."
        else:
            lead = f"At lambda {value:.3f} the flame is {against('with_nitrous')}, the gas at exhaust opening {against('opening')}."
        return f"{lead} While it is hot, and come apart, it holds {figures(100 * f.at('oxygen', value))} % free oxygen and {figures(100 * f.at('wanting', value))} % CO and H2."

    def picture(self) -> pictures.FlamePicture:
        return pictures.FlamePicture()
