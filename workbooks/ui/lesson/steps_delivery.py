"""Steps of the lesson about delivery: pulses and neighbouring cylinders, and the lean stop; between them those about the bottle."""

from __future__ import annotations

import math

from kernel_lib import InputError
from kernel_lib.band import SENSOR_ERROR, Band
from kernel_lib.engine.setup import spray_speeds
from kernel_lib.plan import delivery as dv
from kernel_lib.plan.stopping import GONE
from kernel_lib.teach import delivery as td
from kernel_lib.teach.rules import RULES
from kernel_lib.text import banded

from .pictures_delivery import PulsePicture, StopPicture, line_of, ms, ms_band
from .step import CLOSE, OFF, RIGHT, Answer, Knob, LessonCar, LessonPicture, Number, Step
from .steps_bottle import BottleDensity, BottleWindow

PARTS = {
    "cylinder": "the way through the cylinder",
    "exhaust": "the way to the sensor",
    "sensor": "the sensor",
    "filter": "the controller's filter",
    "valve": "the valve",
    "line": "the line behind the valve, which empties by boiling",
    "manifold": "the manifold, which has to be drawn empty",
}


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _lambda(value: float, car: LessonCar) -> str:
    return f"lambda {value:.2f} (gauge AFR {car.scale * value:.1f})"


def _band(band: Band) -> str:
    if band.high - band.low < 0.005:
        return f"lambda {band.best:.2f}"
    return f"lambda {band.best:.2f} ({band.low:.2f} to {band.high:.2f})"


class Pulses(Step):
    """Single cycles under a pulsed valve."""

    key, title = "pulses", "Pulses and neighbours"
    question = "When a valve pulses, how lean does the leanest single cycle get?"
    scene = (
        "A pulsed valve is never half open. It opens and shuts {hz} times a second, and passes half the flow by staying open for half of the time. {case}",
        "The engine turns at {rpm}. The fuel is right for the mean, so the mixture in the mean is {target}, and that is what the sensor shows. The lean stop stands at {stop}. "
        "Now think of one cylinder in one cycle.",
    )
    why = (
        "A pulse is slow beside an engine. From one pulse to the next it takes {period}, and {intakes} intakes go by, one cylinder after the other. About half of them in a row meet the pulse, "
        "and the next half meet the pause. {mixing} So the strongest cycle here draws {strongest} of the full flow and the weakest {weakest}, "
        "where each was meant to have {share}. {neighbours}",
        "In a dry system the fuel does not pulse. It is set for the mean, so a cylinder in the pulse burns lean and one in the pause burns rich. In a wet system the fuel comes in the same pulses, "
        "if both valves work alike. Then lambda hardly moves, but one cycle still burns much more of both than the next. Pressure and knock follow the strongest cycle, so the timing must suit it. The sensor sees "
        "the exhaust of many cycles mixed and shows the mean. It is blind to all this.",
        "Part of it evens out in time, since each cylinder meets another part of the pulse in each cycle. What is left is worst at {spread_rpm}: one cylinder is {spread} above the mean of all. "
        "{in_step} Faster pulses blur better in a manifold, but {fastest}. The shot planner draws a map of it for your own car.",
    )
    sources = "well-mixed manifold; the valve's error from memory; the pulse rate is common practice"

    def ask(self, _car: LessonCar) -> Number:
        return Number("leanest single cycle", "lambda", (0.70, 1.20, 0.005), 0.75, 3)

    @staticmethod
    def _cycles(car: LessonCar) -> td.Cycles:
        return td.pulsed_cycles(car.sheet, td.middle_rpm(car.sheet), td.pulse_rate(car.sheet))

    def knob(self, car: LessonCar) -> Knob:
        speeds = spray_speeds(car.sheet)
        top = speeds[0] + 50 * math.floor((speeds[-1] - speeds[0]) / 50)
        start = td.middle_rpm(car.sheet)
        hint = "Slide the speed down and up. Watch the leanest cycle at {hz_unit}, and where the peaks of the lower curve go: that is where pulses and cycles keep step."
        return Knob("engine speed", "rpm", (float(speeds[0]), float(max(top, speeds[0] + 50)), 50.0), start, 0, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        sheet, c = car.sheet, self._cycles(car)
        wet, pulsed = sheet.nitrous.system == "wet", sheet.nitrous.progressive
        low = float(spray_speeds(sheet)[0])
        spread, spread_rpm = td.worst_beat(sheet, c.hz)
        case = "This car's valve does so." if pulsed else (
            "This car's valve does not pulse: it opens once and stays open, and none of what follows happens to it. Take it as if it were pulsed, at the rate that is common practice."
        )  # fmt: skip
        if wet:
            case += " The jet's fuel is taken to be pulsed along with the nitrous."
        try:
            fastest = f"this valve can pass half the flow only up to about {td.fastest_half(sheet):.0f} pulses a second"
        except InputError:
            fastest = "the opening and closing times on this sheet do not fit together"
        gap, stop, target = self._gap(car), sheet.limits.lean_stop_lambda, sheet.engine.lambda_with_nitrous
        if c.leanest.best > stop:
            against = f"It is past the lean stop at {stop:.3f}, and the stop does not see it."
        elif c.leanest.high > stop:
            against = f"With the valve's error it passes the lean stop at {stop:.3f}, and the stop does not see it."
        else:
            against = f"The lean stop at {stop:.3f} is not passed by it."
        return {
            "hz": f"{c.hz:g}",
            "hz_unit": f"{c.hz:g} Hz",
            "case": case,
            "rpm": f"{c.rpm:.0f} rpm",
            "target": f"lambda {target:.3f} (gauge AFR {car.scale * target:.1f})",
            "stop": f"lambda {stop:.3f}",
            "misfire": f"lambda {sheet.limits.misfire_rich_lambda:.2f}",
            "period": ms(1 / c.hz),
            "intakes": f"about {c.per_pulse:.0f}",
            "mixing": self._mixing(c),
            "neighbours": self._neighbours(car, c.per_pulse),
            "strongest": _percent(c.strongest),
            "weakest": _percent(max(c.weakest, 0.0)),
            "share": _percent(td.HALF),
            "leanest": _band(c.leanest),
            "gauge": f"gauge AFR {car.scale * c.leanest.best:.1f}",
            "gap": f"{gap:.2f}",
            "who": "The leanest single cycle comes"
            if pulsed
            else "If this valve were pulsed, the leanest single cycle would come",
            "against": against,
            "draws": "draws" if pulsed else "would draw",
            "stays": "stays" if pulsed else "would stay",
            "since": ", since the fuel pulses along" if wet else "",
            "spread": f"{100 * spread:.0f} %" if spread >= 0.01 else "about a percent",
            "spread_rpm": f"{round(spread_rpm, -1):.0f} rpm",
            "in_step": self._in_step(car, low, spread, spread_rpm),
            "fastest": fastest,
        }

    @staticmethod
    def _in_step(car: LessonCar, low: float, spread: float, spread_rpm: float) -> str:
        """What happens where pulses and cycles keep step, at the lowest speed; or that they do so already."""
        beat = float(td.pulse_sweep(car.sheet, low, (low / 120,)).spread[0])
        if spread > 0.5 * beat:
            return (
                f"There pulses and cycles all but keep step: each cylinder draws {spread_rpm / 120:.0f} times a second, and one and the same cylinder meets the same part of the pulse "
                "again and again."
            )
        return (
            f"It is another matter when pulses and cycles keep step. At {low:.0f} rpm each cylinder draws {low / 120:.0f} times a second. Pulsed at that very rate, one and the same "
            f"cylinder would stay {_percent(beat)} above the mean."
        )

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

    def _even(self, car: LessonCar) -> bool:
        """Whether the mixture hardly swings: the fuel pulses along, or there is little to swing."""
        return self._gap(car) < 0.015

    def finding(self, car: LessonCar) -> str:
        stays = "Over the speeds of the spray window one cylinder {stays} up to {spread} above the mean of all."
        if self._even(car):
            return f"{{who}} to {{leanest}}, {{gauge}}: hardly leaner than the mean{{since}}. But the strongest cycle {{draws}} {{strongest}} of the full flow, the weakest {{weakest}}. {stays}"
        return f"{{who}} to {{leanest}}, {{gauge}}: leaner than the mean by {{gap}}. {{against}} {stays}"

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        leanest, target, a = self._cycles(car).leanest, car.sheet.engine.lambda_with_nitrous, float(answer)
        low, high, even = min(leanest.low, leanest.best - 0.01), max(leanest.high, leanest.best + 0.01), self._even(car)
        low = min(low, target - 0.01) if even else low
        if low - 1e-9 <= a <= high + 1e-9:
            if even:
                return (
                    RIGHT,
                    "You saw that the mixture hardly swings here. Mind the strongest cycle all the same: it sets pressure and knock, and so the timing.",
                )
            return (
                RIGHT,
                "You counted on cycles leaner than the mean. Keep that distance in mind when you set the mean and the lean stop: the sensor will not remind you.",
            )
        if a > high:
            return CLOSE if a - high <= 0.02 else OFF, self._too_lean(even)
        return self._too_rich(a, low, target)

    @staticmethod
    def _too_lean(even: bool) -> str:
        if even:
            return (
                "That is more swing of the mixture than there is{since}. Whoever adds fuel for it drowns all cycles, below {misfire} to the point of misfire. "
                "What swings is the size of the burn, so look to the timing instead."
            )
        return (
            "You expect more swing than the computed one. Whoever makes the mean rich enough for that gives away power, and below {misfire} the engine may misfire, which reads lean and calls for still more "
            "fuel."
        )

    @staticmethod
    def _too_rich(a: float, low: float, target: float) -> tuple[str, str]:
        if a < target - 0.01:
            return OFF, (
                "You have even the leanest cycle richer than the mean. A mean has cycles on both sides of it. Whoever takes every cycle to be on the rich side leans the mean until "
                "the sensor looks right, and single cycles then run leaner than anyone knows."
            )
        if a <= target + 0.01:
            return OFF, (
                "You let the manifold even it all out. It does not at this pulse rate. Whoever trusts the sensor for every cycle sets the mean on the edge, and the leanest cycle is already "
                "{gap} past it: knock and heat begin there, unseen."
            )
        return CLOSE if low - a <= 0.02 else OFF, (
            "You saw that single cycles are leaner, but by less than they are. A lean stop or a mean that just clears your value is too near: the leanest cycle lies {gap} "
            "beyond the mean, and it is the one that knocks."
        )

    def tried(self, car: LessonCar, value: float) -> str:
        rpm = self._held(car, value)
        hz = td.pulse_rate(car.sheet)
        c = td.pulsed_cycles(car.sheet, rpm, hz)
        spread = float(td.pulse_sweep(car.sheet, rpm, (hz,)).spread[0])
        return (
            f"At {rpm:.0f} rpm and {hz:g} Hz single cycles run from lambda {c.richest:.2f} to {c.leanest.best:.2f}, and one cylinder stays up to {100 * spread:.1f} % above the mean. "
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


class LeanStop(Step):
    """A stop on lambda is late."""

    key, title = "lean_stop", "A stop comes late"
    question = "The fuel fails. How long until the last nitrous is burned?"
    scene = (
        "A full hit at {rpm}. {failure} There are {way} of pipe between the engine and the sensor, whose time constant is {sensor}, and the controller filters the reading with {filter}.{stop_case}",
        "Count from the first lean cycle until {gone} of the nitrous is gone and the last lean cycle has burned.",
    )
    why = (
        "A lean stop can only see what has already burned. The bad mixture is drawn in, burned and pushed out. It travels to the sensor, the sensor takes its time, and the controller "
        "smooths the reading. That takes {seen} here, and longer the less the mixture is past the stop. Then the valve has to shut. And what lies behind the valve still goes into the engine: the liquid in the line boils away, and the manifold is drawn empty. "
        "The longest part is {longest}, with {longest_ms}.",
        "In that time each cylinder burns {cycles} lean cycles. How many it stands nobody can say: a lean flame with nitrous leaves oxygen to spare over hot metal, and brings "
        "knock nearer. So a stop limits the damage. It does not prevent it. A slower filter makes it later still. A stop set too near to the target trips on the "
        "sensor's own error, {error} either way (from memory). And a fault that stays short of the stop is never seen at all.",
        "What helps sits ahead of the sensor. A switch on the pressure of the added fuel, in series with the valve, does not wait for the exhaust: {switch} are left then, "
        "and a fading pump may be caught before the mixture is lean. It does not see a plugged jet. A short line behind the valve leaves less to burn. Fuel ahead of the nitrous, by {lead} here, covers the start of a "
        "hit. {hold} And a good base needs no rescue: tested pump, clean filter, fuel to spare.",
    )
    sources = (
        "delays added up one after the other; sensor and filter as two lags; line and exhaust temperature from memory"
    )

    def ask(self, car: LessonCar) -> Number:
        top = max(3000.0, 1000.0 * math.ceil(2e-3 * 1e3 * self._stop(car).total.high))
        return Number("from the first lean cycle to the last", "ms", (0.0, top, 10.0), 0.75 * top, 0)

    @staticmethod
    def _stop(car: LessonCar) -> td.LateStop:
        return td.late_stop(car.sheet, td.middle_rpm(car.sheet))

    def knob(self, car: LessonCar) -> Knob:
        own = self._stop(car).line_ml
        top = max(30.0, 5.0 * math.ceil(0.4 * own))
        hint = "Make the room between valve and nozzle smaller, as with a valve right at the nozzle. Watch which bars shrink and which stay."
        return Knob("volume between valve and nozzle", "mL", (0.1, top, 0.1), round(own, 1), 1, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        s, sheet = self._stop(car), car.sheet
        if s.reaches:
            failure = f"The added fuel fails from one cycle to the next, and the mixture jumps to {_lambda(s.lean, car)}. The lean stop stands at lambda {s.stop:.3f}."
        else:
            failure = (
                f"With the added fuel alone missing, the mixture would come to lambda {s.missing:.2f}, and the lean stop at {s.stop:.3f} would never see it. So take the whole fuel supply to fail, to {_lambda(s.lean, car)}."
            )  # fmt: skip
        own = sheet.limits.lean_stop_lambda
        stop_case = (
            ""
            if own == s.stop
            else f" The sheet's own stop at {own:.3f} is not leaner than the target; it is taken at {s.stop:.3f}."
        )
        hold = (
            f"Retard and added fuel have to stay on meanwhile (common practice: {RULES['hold'].numbers['hold_s']:g} s)."
        )
        return {
            "rpm": f"{s.budget.rpm:.0f} rpm",
            "failure": failure,
            "stop_case": stop_case,
            "way": f"{sheet.value('engine.exhaust_volume_to_sensor_l'):.1f} L",
            "sensor": f"{sheet.controller.sensor_delay_ms:g} ms",
            "filter": f"{sheet.controller.filter_ms:g} ms",
            "gone": f"{100 * (1 - GONE):.0f} %",
            "total": ms_band(s.total),
            "events": banded(s.events.low, s.events.best, s.events.high),
            "cycles": f"{s.cycles:.0f}",
            "cylinders": f"{s.cylinders}",
            "lean": _lambda(s.lean, car),
            "seen": ms(s.seen_s),
            "longest": PARTS[s.longest],
            "longest_ms": ms(s.budget.parts[s.longest].best),
            "switch": ms_band(s.without_sensor),
            "behind": ms(s.without_sensor.best - s.budget.parts["valve"].best),
            "what_behind": "line and nozzle" if not dv.mixing_volume(sheet) else "line and manifold",
            "lead": f"{sheet.nitrous.fuel_lead_ms:g} ms",
            "hold": hold,
            "error": f"lambda {SENSOR_ERROR.high:.2f}",
            "never": "" if s.reaches else " With only the added fuel gone this stop would never act at all.",
        }

    def finding(self, _car: LessonCar) -> str:
        return (
            "About {total} pass, {events} combustion events of the engine and {cycles} lean cycles in each cylinder. Only {seen} of it pass before the stop sees it; "
            "the rest is valve and what lies behind it.{never}"
        )

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        s, a = self._stop(car), float(answer) / 1e3
        slack = max(0.02, 0.1 * s.total.best)  # no band is narrower than a reading of the slider
        low, high = min(s.total.low, s.total.best - slack), max(s.total.high, s.total.best + slack)
        if low <= a <= high:
            return (
                RIGHT,
                "You counted the whole chain. So you will not lean on the stop as if it were a shield, and you will look for what acts before the sensor.",
            )
        near = 0.75 * low <= a <= 1.33 * high
        if a > high:
            return CLOSE if near else OFF, (
                "It is late, but not so late. Whoever thinks a stop useless leaves it off or wide, and then a failed pump burns lean until the driver lifts. "
                "It still ends the harm after {cycles} cycles or so."
            )
        if a <= 60 / s.budget.rpm * 2:
            return OFF, (
                "You took the stop to act at once, within a cycle. It cannot see a mixture before it has burned. Whoever runs close to the edge because the stop will catch it "
                "burns {cycles} cycles in each cylinder at {lean}: long enough for knock and for a hole in a piston."
            )
        if a < s.seen_s:
            return OFF, (
                "That is less than exhaust, sensor and filter take before the stop acts at all, {seen}. Whoever plans on so quick a stop sets the mean too near to the edge, and each "
                "cylinder burns {cycles} cycles at {lean} before it is over."
            )
        return CLOSE if near else OFF, (
            "You counted too little of what lies behind the valve: {what_behind} go on for {behind} after it has shut. Whoever cuts added fuel and retard with "
            "the valve makes that last part lean and early: the stop itself then breaks the engine."
        )

    def tried(self, car: LessonCar, value: float) -> str:
        s = line_of(self._stop(car), value)
        return (
            f"With {value:.1f} mL behind the valve it takes {ms_band(s.total)}, {s.cycles:.0f} lean cycles in each cylinder; with a fuel-pressure switch {ms_band(s.without_sensor)}. "
            f"{ms(s.seen_s)} of it belong to exhaust, sensor and filter and stay as they are."
        )

    def picture(self) -> LessonPicture:
        return StopPicture()


STEPS: tuple[Step, ...] = (Pulses(), BottleDensity(), BottleWindow(), LeanStop())
