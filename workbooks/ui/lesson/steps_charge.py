"""Steps of the lesson: the charge. Oxygen and low speed here; the gauge and the flame, and what is left over, in files of their own."""

from __future__ import annotations

import numpy as np

from kernel_lib import InputError
from kernel_lib.teach import charge as tc

from ..display import figures
from . import pictures_charge as pictures
from .charge_words import flow_of, lost, percent, speeds, window_places
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
        "right": "Your number lies within what the model knows. Fuel added in that proportion would land near the target.",
        "rich stop": "You counted more oxygen than there is. Fuel for your number would pass the rich stop: power falls, plugs foul, and cylinders may misfire.",
        "rich": "You counted more oxygen than there is. Fuel for your number would be richer than the target: some power lost, nothing broken at once.",
        "lean": "You counted less oxygen than there is. Fuel for your number would be leaner than the target, and part of the margin to the lean stop would be gone.",
        "lean stop": "You counted much less oxygen than there is. Fuel for your number would be past the lean stop: hot free oxygen, and parts at risk on the first pull.",
    }

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
        low, best, high = self._more(car).more.at(0)
        guess, engine, limits = float(answer) / 100, car.sheet.engine, car.sheet.limits
        if np.floor(100 * low) / 100 - 1e-9 <= guess <= np.ceil(100 * high) / 100 + 1e-9:
            return RIGHT, self.SAID["right"]
        got = engine.lambda_with_nitrous * (1 + best) / (1 + guess)
        if guess > high:
            side = "rich stop" if got < limits.rich_stop_lambda else "rich"
        else:
            side = "lean stop" if got > limits.lean_stop_lambda else "lean"
        near = CLOSE if side in ("rich", "lean") else OFF
        return near, self.WHENCE[self._whence(car, guess)] + self.SAID[side]

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
    SAID = {
        "right": "Your line follows the computed one within its band. Fuel and timing drawn from it would suit the engine at every speed.",
        "level": "The shape of your line is right, but not its height. Fuel and retard drawn from it would be off at every speed in the same direction.",
        "flat": "You drew much the same at every speed. Fuel and retard set for the top would be short at the bottom: lean and too early where the dose is largest.",
        "rising": "You drew more at high speed. It is the other way round: fuel and retard would be missing at low speed, where a hit breaks parts, and be too much at the top.",
        "gentle": "You saw it fall with speed, but it falls more steeply. At the low end fuel and retard drawn from your line would still be short.",
        "steep": "You saw it fall with speed, but less steeply than you drew. Measured against the top, the low end would get too much fuel and retard: dull, not broken.",
        "other": "Your line goes up and down where the computed one runs evenly. Fuel and retard drawn from it would be short at some speeds and too much at others.",
    }  # fmt: skip

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
            "dose_low": f"{1e6 * gain.dose[0]:.0f}",
            "dose_high": f"{1e6 * gain.dose[2]:.0f}",
            "times": figures(float(gain.more.best[0] / gain.more.best[2])),
            "equal": f"{100 * tc.equal_part(car.sheet, low, high):.0f}",
        }
        return out | {"equal_line": fill(self.EQUAL[self._falls(car)], out)}

    def finding(self, car: LessonCar) -> str:
        return self.FOUND[self._falls(car)]

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        drawn, more = np.array(answer, float) / 100, self._gain(car, window_places(car)).more
        slack = np.maximum(0.02, 0.1 * more.best)
        if ((drawn >= more.low - slack) & (drawn <= more.high + slack)).all() and self._steepness(
            drawn
        ) > 0.6 * self._steepness(more.best):
            return RIGHT, self.SAID["right"]
        steps, rest = np.diff(drawn), 0.02 + 0.05 * float(drawn.max())
        if drawn.max() - drawn.min() <= rest:
            return (OFF, self.SAID["flat"]) if self._falls(car) else (CLOSE, self.SAID["level"])
        if (steps > rest).any() and (steps < -rest).any():
            return OFF, self.SAID["other"]
        if drawn[-1] > drawn[0]:
            return OFF, self.SAID["rising"]
        ratio = self._steepness(drawn) / max(self._steepness(more.best), 0.05)
        if 0.6 < ratio < 1.6:
            return CLOSE, self.SAID["level"]
        return CLOSE, self.SAID["gentle" if ratio <= 0.6 else "steep"]

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
