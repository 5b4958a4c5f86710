"""Steps of the lesson: the charge. Oxygen and low speed here; the gauge and the flame, and what is left over, in files of their own."""

from __future__ import annotations

import numpy as np

from kernel_lib import InputError
from kernel_lib.band import SENSOR_ERROR
from kernel_lib.teach import charge as tc
from kernel_lib.text import banded

from ..display import figures
from . import pictures_charge as pictures
from .charge_words import (
    SHORT,
    TOO_LEAN,
    TOO_RICH,
    as_shown,
    beside,
    filled,
    flow_of,
    lost,
    percent,
    speeds,
    told_side,
    window_places,
)
from .step import CLOSE, OFF, RIGHT, Answer, Knob, LessonCar, Number, Sketch, Step, fill
from .steps_gauge import Gauge, HottestFlame
from .steps_leftover import Leftover


class Oxygen(Step):
    """How much oxygen the shot brings."""

    key, title = "oxygen", "How much oxygen"
    question = "How much more oxygen does the shot bring into a cylinder?"
    scene = (
        "The throttle is wide open at {rpm_peak} and so is the nitrous valve, which passes {flow}. Nitrous oxide, N2O, is {mass_nitrous} % oxygen by mass. Air is {mass_air} %.",
        "Think of one cylinder and one intake stroke. Without nitrous it draws air, and that air holds so much oxygen. Say how much more oxygen is in the cylinder with the shot, in percent of that.",
    )
    why = (
        "Percent more oxygen than what? By mass nitrous is {mass_nitrous} % oxygen and air {mass_air} %. Once nitrous has come apart, one third of the molecules, {mole_nitrous} %, are oxygen; in air it is "
        "{mole_air} %. A volume of nitrous gas holds {volume_times} times the oxygen of the same volume of air; a volume of the liquid about {liquid_times} times. All of these are true, "
        "and all are about the gas alone. None says what your cylinder gets.",
        "The cylinder gets a dose, and the dose takes room. Its vapour pushes out air; its cold makes the rest denser and draws some air back in. Here {air_lost} of the air is lost in the end. "
        "What the nitrous brings is more than that. So oxygen makes up {share} % of this charge by mole, in place of {mole_air} %, and there is more charge as well. That is how {more} % more oxygen comes about.",
        "Fuel follows the oxygen, not the horsepower: all the fuel of this engine has to change by about {fuel_more} % between its own target and the target with nitrous. Power can rise by a larger share, "
        "because nitrous gives heat of its own when it comes apart, and because friction hardly grows.",
    )
    sources = "atoms: NASA polynomials; liquid nitrous: Lemmon & Span 2006"
    FOUND = "At {rpm_peak} the shot brings {more} % more oxygen into each cylinder in each cycle."
    POWER = " It is worth about {power_more} % more power at the crank, counted at the speed of peak power: power and oxygen are two numbers."
    WHENCE = {
        "mass": "Your number is close to the oxygen in nitrous by mass. That is what the gas is made of, not what it does to a charge that is mostly air. ",
        "ratio": "Your number is close to how much richer in oxygen nitrous is than air, kilogram for kilogram. But most of the charge is still air. ",
        "volume": "Your number is close to how much more oxygen a volume of nitrous gas holds than a volume of air. But the cylinder is not filled with nitrous. ",
        "power": "Your number is close to the gain in power. Oxygen rises by a different share, because nitrous also gives heat of its own and friction hardly grows. ",
        "": "",
    }
    SAID = {
        "right": "You had it: {said} % against the likely {best} %. ",
        "within": "Your {said} % can be true, but it is not the likely {best} %, and acting on it is another matter. ",
        "above": "You counted more oxygen than the model can find, even at the high end of its band, {high} %. ",
        "below": "You counted less oxygen than the model can find, even at the low end of its band, {low} %. ",
    }
    ACTING = "Fuel for {said} % makes lambda {got} with the likely oxygen: {side}."
    HIGH = " If the high end is true it makes lambda {got_high}, {side_high}. So begin with a small part of the shot until the flow is known better."
    LOW = " If the low end is true it makes lambda {got_low}, {side_low}."

    def _more(self, car: LessonCar) -> tc.Gain:
        return tc.oxygen_gain(car.sheet, [tc.lesson_speeds(car.sheet)[1]])

    def _power_more(self, car: LessonCar) -> float:
        own = car.sheet.engine.peak_power_hp
        return float("nan") if own is None else tc.shot_worth(car.sheet).best / own

    def ask(self, car: LessonCar) -> Number:
        top = 200.0 if float(self._more(car).more.best[0]) < 1.3 else 600.0
        return Number("more oxygen in the cylinder than without nitrous", "%", (0.0, top, 1.0), 0.0)

    def knob(self, _car: LessonCar) -> Knob:
        hint = "Take the shot down and watch the bars. The upper three never move: they belong to the gas. The lower two belong to your charge."
        return Knob("part of the full shot", "%", (0.0, 100.0, 5.0), 100.0, 0, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        counts, gain, engine = tc.oxygen_counts(car.sheet), self._more(car), car.sheet.engine
        own, worth = engine.peak_power_hp, tc.shot_worth(car.sheet)
        low, best, high = (
            (1 + v) * engine.lambda_without_nitrous / engine.lambda_with_nitrous - 1 for v in gain.more.at(0)
        )
        return speeds(car) | {
            "flow": flow_of(car),
            "mass_nitrous": f"{100 * counts.mass_nitrous:.0f}",
            "mass_air": f"{100 * counts.mass_air:.0f}",
            "mole_nitrous": f"{100 * counts.mole_nitrous:.0f}",
            "mole_air": f"{100 * counts.mole_air:.0f}",
            "volume_times": figures(counts.volume_ratio),
            "liquid_times": figures(counts.liquid_ratio),
            "air_lost": lost(gain.air_lost.at(0)),
            "share": percent(gain.share.at(0)),
            "more": percent(gain.more.at(0)),
            "fuel_more": percent((low, best, high)),
            "power_more": "some" if own is None else percent((worth.low / own, worth.best / own, worth.high / own)),
        }

    def finding(self, car: LessonCar) -> str:
        return self.FOUND + (self.POWER if np.isfinite(self._power_more(car)) else "")

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        spread, guess = self._more(car).more.at(0), float(answer) / 100
        shown = as_shown(spread)
        got_low, got, got_high = (float(tc.lambda_if_counted(car.sheet, v, guess)) for v in spread)
        near, where = abs(got - car.sheet.engine.lambda_with_nitrous), beside(float(answer), shown)
        off = abs(guess - spread[1])
        right = off < 0.01 or (off <= 0.25 * spread[1] and near <= SENSOR_ERROR.high)
        key = "right" if right else ("below", "within", "above")[where + 1]
        side = tc.mixture_side(car.sheet, got)
        template = ("" if right else self.WHENCE[self._whence(car, guess)]) + self.SAID[key] + self.ACTING
        if side not in TOO_LEAN and tc.mixture_side(car.sheet, got_high) in TOO_LEAN:
            template += self.HIGH
        if side not in TOO_RICH and tc.mixture_side(car.sheet, got_low) in TOO_RICH:
            template += self.LOW
        facts = {
            "said": f"{answer:.0f}",
            **{name: f"{v:g}" for name, v in zip(("low", "best", "high"), shown, strict=True)},
            **{name: f"{v:.2f}" for name, v in (("got", got), ("got_low", got_low), ("got_high", got_high))},
            "side": told_side(car, got),
            "side_low": told_side(car, got_low, SHORT),
            "side_high": told_side(car, got_high, SHORT),
        }
        far = not right and where != 0 and side in (*TOO_LEAN, *TOO_RICH)
        return RIGHT if right else OFF if far else CLOSE, filled(template, facts)

    def _whence(self, car: LessonCar, guess: float) -> str:
        counts = tc.oxygen_counts(car.sheet)
        known = {
            "mass": counts.mass_nitrous,
            "ratio": counts.mass_nitrous / counts.mass_air - 1,
            "volume": counts.volume_ratio - 1,
            "power": self._power_more(car),
        }
        near = {name: abs(guess - value) for name, value in known.items() if abs(guess - value) < 0.04}
        return min(near, key=near.get) if near else ""

    def tried(self, car: LessonCar, value: float) -> str:
        gain = tc.oxygen_gain(car.sheet, [tc.lesson_speeds(car.sheet)[1]], value / 100)
        if value == 0:
            return "Without nitrous the cylinder holds the oxygen of its air and no more; what the gas is made of has not changed."
        return (
            f"At {value:.0f} % of the shot the cylinder gets {percent(gain.more.at(0))} % more oxygen and loses {lost(gain.air_lost.at(0))} of its air. "
            "What the gas is made of has not changed."
        )

    def picture(self) -> pictures.OxygenPicture:
        return pictures.OxygenPicture()


class LowSpeed(Step):
    """The same shot over engine speed."""

    key, title = "low_speed", "The same shot, slower engine"
    question = "Where in the rev range does the same shot hit hardest?"
    scene = (
        "Leave the valve wide open from {rpm_low} to {rpm_high}, the whole spray window. It passes {flow} all the time; it does not know how fast the engine turns. At {rpm_peak} that is {more_peak} % more "
        "oxygen in the cylinder.",
        "Draw how much more oxygen each cylinder gets over engine speed, in percent of what it draws without nitrous.",
    )
    why = (
        "The valve meters by the second, the engine breathes by the stroke. At half the speed there are half as many strokes in a second, so each stroke gets twice the nitrous. Per cycle and cylinder this shot is "
        "{dose_low} mg at {rpm_low} and {dose_high} mg at {rpm_high}. How well the cylinder fills shifts the share a little; the engine's speed shifts it most.",
        "Everything that matters happens in one cycle: how much fuel is missing, how fast the pressure rises, how far the spark has to come back. So fuel and timing that suit one speed do not suit another. A shot's horsepower "
        "hides this, because it is counted at one speed only.",
        "This is why nitrous has a lowest speed, and why many bring it in bit by bit. {equal_line} The band comes from what we do not know: the flow, and how much of the cold stays in the charge.",
    )
    sources = ""
    FOUND = {
        True: "At {rpm_low} the shot brings {more_low} % more oxygen, at {rpm_high} {more_high} %: about {times} times as much at the low end.",
        False: "At {rpm_low} the shot brings {more_low} % more oxygen, at {rpm_high} {more_high} %: over this window the dose hardly falls.",
    }
    EQUAL = {
        True: "On this car about {equal} % of the shot at {rpm_low} brings as much more oxygen as all of it at {rpm_high}.",
        False: "On this car the window is narrow, so all of the shot is nearly the same dose at both ends.",
    }
    RIGHT_LINE = "Your line follows the computed one. Fuel for it, with the likely oxygen, keeps all speeds at lambda {richest} to {leanest}; the target is {target}."
    HIGH = " If the high end of the band is true it makes lambda {got_high} at {rpm_low}, {side_high}: the band matters most where the dose is largest."
    SHAPE = {
        "flat": "You drew much the same at every speed; the computed line falls with speed. ",
        "rising": "You drew more at high speed; it is the other way round. ",
        "other": "Your line goes up and down; the computed one falls evenly with speed. ",
        "gentle": "You saw it fall with speed, but it falls more steeply than you drew. ",
        "steep": "You saw it fall with speed, but it falls less steeply than you drew. ",
        "level": "In proportion your line falls as the computed one does; its height is another matter. ",
        "falls": "You saw it fall with speed; how high it lies is another matter. ",
    }
    LEVEL_SHAPE = {
        "flat": "You drew much the same at every speed, and over this narrow window so it is; its height is another matter. ",
        "rising": "You drew more at high speed; over this narrow window it hardly changes, and if so it falls. ",
        "other": "Your line goes up and down; over this narrow window the computed one hardly changes. ",
        "falls": "You drew it falling with speed; over this narrow window it hardly does. ",
    }
    HEIGHT = {
        "little": "You drew too little at every speed: lean everywhere, and the spark too early. ",
        "much": "You drew too much at every speed: rich everywhere, and the spark later than needed. ",
        "mixed": "",
    }
    WITHIN = "Every point lies within the band, so it can be true, but it is not likely. "
    ACTING = "Fuel for your line, with the likely oxygen: "
    PLACE = {
        "little": "at {rpm} rpm you drew {drawn} % where it is {more} %, too little: lambda {got}, {side}",
        "much": "at {rpm} rpm you drew {drawn} % where it is {more} %, too much: lambda {got}, {side}",
        "even": "at {rpm} rpm you drew {drawn} % where it is {more} %: lambda {got}, {side}",
    }

    def _gain(self, car: LessonCar, rpm, part: float = 1.0) -> tc.Gain:
        return tc.oxygen_gain(car.sheet, rpm, part)

    def _falls(self, car: LessonCar) -> bool:
        low, _, high = tc.lesson_speeds(car.sheet)
        best = self._gain(car, [low, high]).more.best
        return bool(best[0] > 1.2 * best[1])

    def ask(self, car: LessonCar) -> Sketch:
        low, peak, high = tc.lesson_speeds(car.sheet)
        inner = (
            50 * np.round(np.linspace(low, high, 5)[1:-1] / 50) if high - low > 400 else np.linspace(low, high, 5)[1:-1]
        )
        more = self._gain(car, [low, peak]).more
        top = 150.0 if float(more.best[0]) < 1.1 else 50 * np.ceil(float(more.best[0]) * 3)
        start = min(5 * round(20 * float(more.best[1])), top)
        return Sketch(
            "engine speed, rpm",
            "more oxygen than without nitrous",
            "%",
            (low, *map(float, inner), high),
            (0.0, float(top), 1.0),
            float(start),
        )

    def knob(self, car: LessonCar) -> Knob:
        top = 150.0
        try:
            self._gain(car, [tc.lesson_speeds(car.sheet)[0]], top / 100)
        except InputError:
            top = 100.0
        hint = "Change the shot. Find the size at which the low end gets what the full shot brings at the top (thin line): that is what a ramp lets in there."
        return Knob("shot, in parts of this car's", "%", (20.0, top, 1.0), 100.0, 0, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        low, peak, high = tc.lesson_speeds(car.sheet)
        gain = self._gain(car, [low, peak, high])
        out = speeds(car) | {
            "flow": flow_of(car),
            "more_low": percent(gain.more.at(0)),
            "more_peak": percent(gain.more.at(1)),
            "more_high": percent(gain.more.at(2)),
            "dose_low": banded(*(1e6 * v for v in gain.dose.at(0))),
            "dose_high": banded(*(1e6 * v for v in gain.dose.at(2))),
            "times": figures(float(gain.more.best[0] / gain.more.best[2])),
            "equal": f"{100 * tc.equal_part(car.sheet, low, high):.0f}",
        }
        return out | {"equal_line": fill(self.EQUAL[self._falls(car)], out)}

    def finding(self, car: LessonCar) -> str:
        return self.FOUND[self._falls(car)]

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        drawn, more = np.array(answer, float) / 100, self._gain(car, window_places(car)).more
        got, target = tc.lambda_if_counted(car.sheet, more.best, drawn), car.sheet.engine.lambda_with_nitrous
        sides = [tc.mixture_side(car.sheet, float(v)) for v in got]
        harm, falls, shape = any(s in (*TOO_LEAN, *TOO_RICH) for s in sides), self._falls(car), self._shape(drawn, more)
        good = shape in ("gentle", "steep", "level", "falls") if falls else shape == "flat"
        if good and (np.abs(drawn - more.best) <= np.maximum(0.015, 0.15 * more.best)).all():
            facts = {"leanest": f"{got.max():.2f}", "richest": f"{got.min():.2f}", "target": f"{target:.3f}"}
            high = float(tc.lambda_if_counted(car.sheet, more.high, drawn)[0])
            facts |= speeds(car) | {"got_high": f"{high:.2f}", "side_high": told_side(car, high, SHORT)}
            return RIGHT, filled(
                self.RIGHT_LINE + (self.HIGH if tc.mixture_side(car.sheet, high) in TOO_LEAN else ""), facts
            )
        within = all(beside(100 * v, as_shown(more.at(k))) == 0 for k, v in enumerate(drawn))
        words = self.SHAPE if falls else self.LEVEL_SHAPE
        shape = shape if shape in words else "falls"
        height = "little" if (got > target + 0.005).all() else "much" if (got < target - 0.005).all() else "mixed"
        lead = words[shape] + self.HEIGHT[height] + (self.WITHIN if within and good else "")
        places = "; ".join(self._place(car, k, answer[k], more.at(k), float(got[k])) for k in self._telling(got))
        close = within or not harm if good else not falls and not harm
        return CLOSE if close else OFF, filled(lead, {}) + filled(self.ACTING, {}) + places + "."

    def _shape(self, drawn: np.ndarray, more: tc.Spread) -> str:
        """Name the shape of a drawn line against the computed one: what a reader would see in points as well as in proportion."""
        steps, rest = np.diff(drawn), 0.005 + 0.05 * float(drawn.max())
        if drawn.max() - drawn.min() <= rest:
            return "flat"
        if (steps > rest).any() and (steps < -rest).any():
            return "other"
        if drawn[-1] > drawn[0]:
            return "rising"
        ratio = self._steepness(drawn) / max(self._steepness(more.best), 0.05)
        points = (drawn[0] - drawn[-1]) / max(float(more.best[0] - more.best[-1]), 0.01)
        if 0.6 < ratio < 1.6:
            return "level"
        return "gentle" if max(ratio, points) < 0.8 else "steep" if min(ratio, points) > 1.25 else "falls"

    @staticmethod
    def _telling(got: np.ndarray) -> list[int]:
        """Both ends, and between them the leanest or richest place where it lies beyond both."""
        tell, inner = {0, len(got) - 1}, range(1, len(got) - 1)
        for worst in (max(inner, key=lambda k: got[k]), min(inner, key=lambda k: got[k])):
            if got[worst] > max(got[0], got[-1]) + 0.02 or got[worst] < min(got[0], got[-1]) - 0.02:
                tell.add(worst)
        return sorted(tell)

    def _place(self, car: LessonCar, k: int, drawn: float, more: tuple[float, float, float], got: float) -> str:
        target = car.sheet.engine.lambda_with_nitrous
        facts = {
            "rpm": f"{window_places(car)[k]:.0f}",
            "drawn": f"{drawn:.0f}",
            "more": percent(more),
            "got": f"{got:.2f}",
            "side": told_side(car, got, SHORT),
        }
        key = "even" if abs(got - target) <= 0.005 else "little" if got > target else "much"
        return filled(self.PLACE[key], facts)

    @staticmethod
    def _steepness(heights: np.ndarray) -> float:
        """Low end over high end, as a logarithm."""
        return float(np.log(max(heights[0], 1e-3) / max(heights[-1], 1e-3)))

    def tried(self, car: LessonCar, value: float) -> str:
        low, _, high = tc.lesson_speeds(car.sheet)
        gain, full = self._gain(car, [low, high], value / 100), self._gain(car, [high])
        here, there = float(gain.more.best[0]), float(full.more.best[0])
        word = "about as much as" if abs(here / there - 1) < 0.05 else "more than" if here > there else "less than"
        return (
            f"With {value:.0f} % of this shot there is {percent(gain.more.at(0))} % more oxygen at {low:.0f} rpm, {word} the full shot brings at {high:.0f} rpm, "
            f"and {percent(gain.more.at(1))} % more at {high:.0f} rpm."
        )

    def picture(self) -> pictures.LowSpeedPicture:
        return pictures.LowSpeedPicture()


STEPS: tuple[Step, ...] = (Oxygen(), LowSpeed(), Gauge(), HottestFlame(), Leftover())
