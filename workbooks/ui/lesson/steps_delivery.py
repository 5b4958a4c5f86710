"""Steps of the lesson about delivery: pulses and neighbouring cylinders; after it those about the bottle and the lean stop."""

from __future__ import annotations

import math

from kernel_lib import InputError
from kernel_lib.engine.setup import spray_speeds
from kernel_lib.teach import delivery as td

from .delivery_words import limits_of, mixture, percent, percent_band, side, told
from .pictures_delivery import PulsePicture, ms
from .step import CLOSE, OFF, RIGHT, Answer, Knob, LessonCar, LessonPicture, Number, Step
from .steps_bottle import BottleDensity, BottleWindow
from .steps_stop import LeanStop

MUCH_SWING = "You expect {more} more swing of the mixture than there is. Whoever makes the mean richer by that much runs it at {landed}: {side}."
RICHER = "You have even the leanest cycle richer than the mean. A mean has cycles on both sides of it."
EVENED = "You let the manifold even it all out. It does not at this pulse rate."
LITTLE_SWING = "You saw that single cycles are leaner than the mean, but by {less} less than they are."
ON_YOUR_COUNT = " Lean the mean until, on your count, every cycle just clears the lean stop: the leanest then burns at {landed}, and the sensor does not see it."
TO_THE_STOP = (
    " Lean the mean up to the lean stop: the leanest cycle then burns at {landed}, and the sensor does not see it."
)
BEYOND = " The leanest cycle lies {gap} beyond the mean, and the sensor does not see it."
LEAN_RIGHT = "You counted on cycles leaner than the mean. Keep that distance in mind when you set the mean and the lean stop: the sensor will not remind you."
MORE_THAN_ALL = "More than the whole flow does not come through an open valve."
MUCH = "That is more than the strongest cycle draws, {most}."
TIMED_LATE = " Whoever times the spark for {mine} of the full flow, where the strongest cycle draws {strongest}, sparks later than any cycle needs: lost power and hotter exhaust, but no more knock."
BELOW_MEAN = "The strongest cycle cannot draw less than the mean, {share}."
ALL_ALIKE = "You let the manifold make all cycles alike. It does not at this pulse rate."
LITTLE = "You saw that cycles differ, but by less than they do: the strongest draws {most}."
TIMED_EARLY = " Whoever times the spark for {mine} of the full flow has it too early for the strongest cycle, which draws {strongest}: nearer to knock, at a mixture that looks right."
MOST_RIGHT = "You saw what a pulse does to single cycles. The strongest burns {times} times the meant nitrous: choose the spark for it, not for the mean."
VERDICTS = (
    MUCH_SWING, RICHER, EVENED, LITTLE_SWING, ON_YOUR_COUNT, TO_THE_STOP, BEYOND, LEAN_RIGHT, MORE_THAN_ALL, MUCH, TIMED_LATE, BELOW_MEAN, ALL_ALIKE, LITTLE, TIMED_EARLY, MOST_RIGHT
)  # fmt: skip


def _band(band) -> str:
    if band.high - band.low < 0.005:
        return f"lambda {band.best:.2f}"
    return f"lambda {band.best:.2f} ({band.low:.2f} to {band.high:.2f})"


class Pulses(Step):
    """Single cycles under a pulsed valve."""

    key, title = "pulses", "Pulses and neighbours"
    question = "When a valve pulses, {asked}?"
    scene = (
        "A pulsed valve opens and shuts {hz} times a second, and passes half the flow by staying open for half of the time. {case}",
        "{meant} Think of one cylinder in one cycle.",
    )
    why = (
        "A pulse is slow beside an engine. From one to the next it takes {period}, and {intakes} intakes go by. About half of them in a row meet the pulse, "
        "the others the pause. {mixing} So the strongest cycle here draws {strongest} of the full flow and the weakest {weakest}. {neighbours}",
        "In a dry system the fuel does not pulse: a cycle in the pulse burns lean, one in the pause rich. In a wet system the fuel pulses along, "
        "if both valves work alike, and lambda hardly moves. Either way pressure and knock follow the strongest cycle, so the timing must suit it. The sensor shows the mean of many cycles. "
        "It is blind to all this.",
        "Part of it evens out, since each cylinder meets another part of the pulse in each cycle. What is left is worst at {spread_rpm}: {spread} above the mean of all. "
        "{in_step} Faster pulses blur better in a manifold, but {fastest}.",
    )
    sources = "well-mixed manifold; the valve's error from memory; the pulse rate is common practice"

    def ask(self, car: LessonCar) -> Number:
        if not td.mixture_swings(car.sheet):
            return Number("strongest single cycle", "% of the full flow", (0.0, 150.0, 1.0), 25.0, 0)
        return Number("leanest single cycle", "lambda", (0.70, 1.20, 0.005), 0.75, 3)

    @staticmethod
    def _cycles(car: LessonCar) -> td.Cycles:
        return td.pulsed_cycles(car.sheet, td.middle_rpm(car.sheet), td.pulse_rate(car.sheet))

    def knob(self, car: LessonCar) -> Knob:
        speeds = spray_speeds(car.sheet)
        top = speeds[0] + 50 * math.floor((speeds[-1] - speeds[0]) / 50)
        start = td.middle_rpm(car.sheet)
        hint = "Slide the speed down and up. Watch the {watched} at {hz_unit}, and the peaks of the lower curve: there pulses and cycles keep step."
        return Knob("engine speed", "rpm", (float(speeds[0]), float(max(top, speeds[0] + 50)), 50.0), start, 0, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        sheet, c = car.sheet, self._cycles(car)
        wet, swings = sheet.nitrous.system == "wet", td.mixture_swings(sheet)
        spread, spread_rpm = td.worst_beat(sheet, c.hz)
        try:
            fastest = f"this valve can pass half the flow only up to about {td.fastest_half(sheet):.0f} pulses a second"
        except InputError:
            fastest = "the opening and closing times on this sheet do not fit together"
        facts = limits_of(car) | {
            "hz": f"{c.hz:g}",
            "hz_unit": f"{c.hz:g} Hz",
            "asked": "how lean does the leanest single cycle get"
            if swings
            else "how much does the strongest single cycle draw",
            "watched": "leanest cycle" if swings else "strongest cycle",
            "rpm": f"{c.rpm:.0f} rpm",
            "target": f"lambda {sheet.engine.lambda_with_nitrous:.3f} (gauge AFR {car.scale * sheet.engine.lambda_with_nitrous:.1f})",
            "period": ms(1 / c.hz),
            "intakes": f"about {c.per_pulse:.0f}",
            "mixing": self._mixing(c),
            "neighbours": self._neighbours(car, c.per_pulse),
            "strongest": percent(c.strongest),
            "most": percent_band(c.most),
            "times": f"{c.strongest / td.HALF:.1f}",
            "weakest": percent(max(c.weakest, 0.0)),
            "share": percent(td.HALF),
            "leanest": _band(c.leanest),
            "gauge": f"gauge AFR {car.scale * c.leanest.best:.1f}",
            "gap": f"{self._gap(car):.2f}",
            "since": ", since the fuel pulses along" if wet else "",
            "spread": percent(spread) if spread >= 0.01 else "about a percent",
            "spread_rpm": f"{round(spread_rpm, -1):.0f} rpm",
            "in_step": self._in_step(car, float(spray_speeds(sheet)[0]), spread, spread_rpm),
            "fastest": fastest,
        }
        return facts | self._told_of(car, c, swings)

    @staticmethod
    def _told_of(car: LessonCar, c: td.Cycles, swings: bool) -> dict[str, str]:
        """Words that depend on the car: whether its valve pulses, what was meant, and how the lean stop stands."""
        sheet, stop = car.sheet, car.sheet.limits.lean_stop_lambda
        pulsed, target = sheet.nitrous.progressive, sheet.engine.lambda_with_nitrous
        case = "This car's valve does so." if pulsed else (
            "This car's valve stays open and does nothing of the kind: take it as if it were pulsed, at the rate of common practice."
        )  # fmt: skip
        if swings:
            meant = f"At {c.rpm:.0f} rpm the fuel is right for the mean, lambda {target:.3f} (gauge AFR {car.scale * target:.1f}), which the sensor shows. The lean stop stands at lambda {stop:.3f}."
        else:
            meant = f"At {c.rpm:.0f} rpm each cycle is meant to draw {percent(td.HALF)} of what an open valve gives."
        if c.leanest.best > stop:
            against = f"It is past the lean stop at {stop:.3f}, and the stop does not see it."
        elif c.leanest.high > stop:
            against = f"With the valve's error it passes the lean stop at {stop:.3f}, and the stop does not see it."
        else:
            against = f"The lean stop at {stop:.3f} is not passed by it."
        return {
            "case": case,
            "meant": meant,
            "against": against,
            "if_pulsed": "" if pulsed else "If this valve were pulsed: ",
            "first_word": "The" if pulsed else "the",
        }

    @staticmethod
    def _in_step(car: LessonCar, low: float, spread: float, spread_rpm: float) -> str:
        """What happens where pulses and cycles keep step, at the lowest speed; or that they do so already."""
        beat = float(td.pulse_sweep(car.sheet, low, (low / 120,)).spread[0])
        if spread > 0.5 * beat:
            return f"There pulses and cycles all but keep step: each cylinder draws {spread_rpm / 120:.0f} times a second, and meets the same part of the pulse again and again."
        return f"It is another matter when pulses and cycles keep step. Pulsed {low / 120:.0f} times a second, as often as each cylinder draws at {low:.0f} rpm, one and the same cylinder would stay {percent(beat)} above the mean."

    @staticmethod
    def _mixing(c: td.Cycles) -> str:
        if not c.mixing_s:
            return (
                "Nozzles at the ports have no manifold to blur the pulses, so a cylinder gets all or next to nothing."
            )
        if c.mixing_s < 0.7 / c.hz:
            return f"The manifold blurs the pulses, but it takes only about {ms(c.mixing_s)} to follow a change."
        return f"The manifold takes about {ms(c.mixing_s)} to follow a change, which blurs the better part of a pulse."

    @staticmethod
    def _neighbours(car: LessonCar, per_pulse: float) -> str:
        """Who meets the pulse together."""
        cycles = per_pulse / 2 / car.sheet.engine.cylinders
        if cycles < 0.9:
            return "So some cylinders in the firing order meet the pulse, and their neighbours the pause."
        many = (
            "about one strong cycle and then one weak one"
            if cycles < 1.5
            else f"about {cycles:.0f} strong cycles and then as many weak ones"
        )
        return f"Each cylinder gets {many}, and its neighbour the same a moment later."

    def _gap(self, car: LessonCar) -> float:
        """How much leaner than the mean the leanest cycle is."""
        return self._cycles(car).leanest.best - car.sheet.engine.lambda_with_nitrous

    def finding(self, car: LessonCar) -> str:
        stays = "Over the speeds of the spray window one cylinder stays up to {spread} above the mean of all."
        if not td.mixture_swings(car.sheet):
            return f"{{if_pulsed}}{{first_word}} strongest single cycle draws {{most}} of the full flow, {{times}} times what was meant, the weakest {{weakest}}. The mixture hardly moves{{since}}: the leanest cycle comes to {{leanest}}. {stays}"
        return f"{{if_pulsed}}{{first_word}} leanest single cycle comes to {{leanest}}, {{gauge}}: leaner than the mean by {{gap}}. {{against}} {stays}"

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        if td.mixture_swings(car.sheet):
            return self._of_mixture(car, float(answer))
        return self._of_share(car, float(answer))

    def _of_mixture(self, car: LessonCar, a: float) -> tuple[str, str]:
        """Judge the leanest cycle."""
        leanest, target, facts = self._cycles(car).leanest, car.sheet.engine.lambda_with_nitrous, self.facts(car)
        low = min(leanest.low, round(leanest.low, 2), leanest.best - 0.01) - 1e-9
        high = max(leanest.high, round(leanest.high, 2), leanest.best + 0.01) + 1e-9
        if low <= a <= high:
            return RIGHT, LEAN_RIGHT
        if a > high:
            landed = target - (a - leanest.best)
            more = {"more": f"{a - leanest.best:.2f}", "landed": mixture(car, landed), "side": side(car, [landed])}
            return CLOSE if a - high <= 0.02 else OFF, told(MUCH_SWING, facts, **more)
        stop = car.sheet.limits.lean_stop_lambda
        believed = a - target if a > target + 0.01 else 0.0  # a mean past the stop would be seen
        then = BEYOND if stop <= target else ON_YOUR_COUNT if a > target + 0.01 else TO_THE_STOP
        more = {"landed": mixture(car, stop + leanest.best - target - believed), "less": f"{leanest.best - a:.2f}"}
        if a < target - 0.01:
            return OFF, told(RICHER + then, facts, **more)
        if a <= target + 0.01:
            return OFF, told(EVENED + then, facts, **more)
        return CLOSE if low - a <= 0.02 else OFF, told(LITTLE_SWING + then, facts, **more)

    def _of_share(self, car: LessonCar, a: float) -> tuple[str, str]:
        """Judge the strongest cycle [%]."""
        c, mean, facts = self._cycles(car), 100 * td.HALF, self.facts(car)
        best, mine = round(100 * c.strongest), percent(a / 100)
        low, high = min(round(100 * c.most.low), best - 3), max(round(100 * c.most.high), best + 3)
        if low <= a <= high:
            return RIGHT, MOST_RIGHT
        if a > high:
            opening = MORE_THAN_ALL if a > 100 else MUCH
            return CLOSE if a - high <= 5 else OFF, told(opening + TIMED_LATE, facts, mine=mine)
        if abs(a - mean) <= 2:
            return OFF, told(ALL_ALIKE + TIMED_EARLY, facts, mine=mine)
        opening = BELOW_MEAN if a < mean else LITTLE
        return CLOSE if low - a <= 5 else OFF, told(opening + TIMED_EARLY, facts, mine=mine)

    def tried(self, car: LessonCar, value: float) -> str:
        rpm = self._held(car, value)
        hz = td.pulse_rate(car.sheet)
        c = td.pulsed_cycles(car.sheet, rpm, hz)
        spread = float(td.pulse_sweep(car.sheet, rpm, (hz,)).spread[0])
        swing = f"from lambda {c.richest:.2f} to {c.leanest.best:.2f}"
        if not td.mixture_swings(car.sheet):
            weakest, strongest = f"{100 * max(c.weakest, 0.0):.0f}", percent(c.strongest)
            swing = f"from {weakest} to {strongest} of the full flow, while lambda stays near {c.leanest.best:.2f}"
        return (
            f"At {rpm:.0f} rpm and {hz:g} Hz single cycles run {swing}, and one cylinder stays up to {100 * spread:.1f} % above the mean. "
            f"A pulse for every cycle would be {rpm / 120:.0f} Hz here."
        )

    @staticmethod
    def _held(car: LessonCar, value: float) -> float:
        """A speed of the spray window: the slider's last step may lie beyond a window narrower than itself."""
        speeds = spray_speeds(car.sheet)
        return float(min(max(value, speeds[0]), speeds[-1]))

    def picture(self) -> LessonPicture:
        return PulsePicture()

    def warm(self, car: LessonCar) -> None:
        self.facts(car)
        for rpm in {self._held(car, v) for v in (*self.knob(car).span[:2], self.knob(car).start)}:
            td.pulse_sweep(car.sheet, rpm)


STEPS: tuple[Step, ...] = (Pulses(), BottleDensity(), BottleWindow(), LeanStop())
