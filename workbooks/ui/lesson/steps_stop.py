"""Step of the lesson about the lean stop: why it is late."""

from __future__ import annotations

import math

from kernel_lib.band import SENSOR_ERROR
from kernel_lib.plan import delivery as dv
from kernel_lib.plan.stopping import GONE
from kernel_lib.teach import delivery as td
from kernel_lib.teach.fading import past_stop
from kernel_lib.teach.rules import RULES
from kernel_lib.text import banded

from .delivery_words import mixture, told
from .pictures_delivery import StopPicture, line_of, ms, ms_band
from .step import CLOSE, OFF, RIGHT, Answer, Knob, LessonCar, LessonPicture, Number, Step

PARTS = {
    "cylinder": "the way through the cylinder",
    "exhaust": "the way to the sensor",
    "sensor": "the sensor",
    "filter": "the controller's filter",
    "valve": "the valve",
    "line": "the line behind the valve, which empties by boiling",
    "manifold": "the manifold, which has to be drawn empty",
}

AT_ONCE = (
    "You took the stop to act at once, within a cycle. It cannot see a mixture before it has burned. Whoever runs close to the edge because the stop will catch it burns {course}. "
    "How many of them an engine stands nobody can say."
)
BEFORE_SEEN = (
    "That is less than exhaust, sensor and filter take before the stop acts at all, {seen}. Whoever plans on so quick a stop sets the mean too near to the edge, and each "
    "cylinder burns {course}."
)
TOO_LITTLE = (
    "You counted {off} too little of what lies behind the valve: {what_behind} go on for {behind} after it has shut. Whoever cuts added fuel and retard with "
    "the valve makes that last part lean and early: the stop itself may then break the engine."
)
TOO_MUCH = (
    "It is late, but not so late: you counted {off} too much. Whoever thinks a stop useless leaves it off or wide, and then a failed pump burns lean until the driver lifts. "
    "With the stop the nitrous is gone after {cycles} cycles or so."
)
WHOLE = "You counted the whole chain. So you will not lean on the stop as if it were a shield, and you will look for what acts before the sensor."
VERDICTS = (AT_ONCE, BEFORE_SEEN, TOO_LITTLE, TOO_MUCH, WHOLE)


class LeanStop(Step):
    """A stop on lambda is late."""

    key, title = "lean_stop", "A stop comes late"
    question = "The fuel fails. How long until the last nitrous is burned?"
    scene = (
        "A full hit at {rpm}. {failure} There are {way} of pipe between the engine and the sensor, whose time constant is {sensor}, and the controller filters the reading with {filter}.{stop_case}",
        "Count from the first lean cycle until {gone} of the nitrous is gone.",
    )
    why = (
        "A lean stop can only see what has already burned. The bad mixture is drawn in, burned and pushed out. It travels to the sensor, the sensor takes its time, and the controller "
        "smooths the reading. That takes {seen} here, and longer the less the mixture is past the stop. Then the valve has to shut. And what lies behind the valve still goes into the engine: the liquid in the line boils away, and the manifold is drawn empty. "
        "The longest part is {longest}, with {longest_ms}.",
        "How many lean cycles an engine stands nobody can say: a lean flame with nitrous leaves oxygen to spare over hot metal, and brings "
        "knock nearer. A stop limits the damage. It does not prevent it. A slower filter makes it later still. A stop set too near to the target trips on the "
        "sensor's own error, {error} either way (from memory). And a fault that stays short of the stop is never seen at all.",
        "{helps} The switch does not see a plugged jet. Fuel ahead of the nitrous, by {lead} here, covers the start of a "
        "hit. {hold} A good base needs no rescue: tested pump, clean filter, fuel to spare.",
    )
    sources = (
        "delays added up one after the other; sensor and filter as two lags; line and exhaust temperature from memory"
    )

    def ask(self, car: LessonCar) -> Number:
        top = max(3000.0, 1000.0 * math.ceil(2e-3 * 1e3 * self._stop(car).total.high))
        return Number("from the first lean cycle until the nitrous is gone", "ms", (0.0, top, 10.0), 0.75 * top, 0)

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
            failure = f"The added fuel fails from one cycle to the next, and the mixture jumps to {mixture(car, s.lean)}. The lean stop stands at lambda {s.stop:.3f}."
        else:
            failure = (
                f"With the added fuel alone missing, the mixture would come to lambda {s.missing:.2f}, and the lean stop at {s.stop:.3f} would never see it. So take the whole fuel supply to fail, to {mixture(car, s.lean)}."
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
            "lean": mixture(car, s.lean),
            "course": self._course(car, s),
            "helps": self._helps(s),
            "seen": ms(s.seen_s),
            "longest": PARTS[s.longest],
            "longest_ms": ms(s.budget.parts[s.longest].best),
            "behind": ms(s.without_sensor.best - s.budget.parts["valve"].best),
            "what_behind": "line and nozzle" if not dv.mixing_volume(sheet) else "line and manifold",
            "lead": f"{sheet.nitrous.fuel_lead_ms:g} ms",
            "hold": hold,
            "error": f"lambda {SENSOR_ERROR.high:.2f}",
            "never": "" if s.reaches else " With only the added fuel gone this stop would never act at all.",
        }

    @staticmethod
    def _course(car: LessonCar, s: td.LateStop) -> str:
        """How many cycles at the full excursion, and how many while it falls back."""
        rate, past = s.budget.rpm / 120, past_stop(car.sheet, s)
        first = f"about {s.full_cycles:.0f} cycles at {mixture(car, s.lean)} before the valve has shut, then about {round(s.cycles) - round(s.full_cycles)} more while line and manifold empty"
        if past.best > 0.97 * s.total.best:
            return f"{first}, all of them leaner than the stop"
        span = banded(*(round(rate * v) for v in (past.low, past.best, past.high)))
        return f"{first} and the mixture falls back; {span} of all are leaner than the stop"

    @staticmethod
    def _helps(s: td.LateStop) -> str:
        """What shortens it, the most useful first."""
        short = td.with_line(s, 0.0).total
        line = f"a valve right at the nozzle, with no line to empty: {ms(short.best)} are left of {ms(s.total.best)}"
        switch = (
            f"a switch on the pressure of the added fuel, in series with the valve. It does not wait for the exhaust: {ms(s.without_sensor.best)} are left, "
            "and a fading pump may be caught in time"
        )
        first, then = (line, switch) if short.best < s.without_sensor.best else (switch, line)
        return f"What helps most is {first}. Next comes {then}."

    def finding(self, _car: LessonCar) -> str:
        return (
            "About {total} pass, {events} combustion events of the engine. Each cylinder burns {course}. Only {seen} pass before the stop sees it; "
            "the rest is valve and what lies behind it.{never}"
        )

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        s, a, facts = self._stop(car), float(answer) / 1e3, self.facts(car)
        slack = max(0.02, 0.1 * s.total.best)  # no band is narrower than a reading of the slider
        shown = [float(ms(v).removesuffix(" ms")) / 1e3 for v in (s.total.low, s.total.high)]
        low, high = min(s.total.low, shown[0], s.total.best - slack), max(s.total.high, shown[1], s.total.best + slack)
        if low <= a <= high:
            return RIGHT, WHOLE
        near = 0.75 * low <= a <= 1.33 * high
        off = ms(abs(a - s.total.best))
        if a > high:
            return CLOSE if near else OFF, told(TOO_MUCH, facts, off=off)
        if a <= 60 / s.budget.rpm * 2:
            return OFF, told(AT_ONCE, facts)
        if a < s.seen_s:
            return OFF, told(BEFORE_SEEN, facts)
        return CLOSE if near else OFF, told(TOO_LITTLE, facts, off=off)

    def tried(self, car: LessonCar, value: float) -> str:
        s = line_of(self._stop(car), value)
        past = past_stop(car.sheet, s).best * s.budget.rpm / 120
        return (
            f"With {value:.1f} mL behind the valve it takes {ms_band(s.total)}, {s.cycles:.0f} cycles in each cylinder, of which {past:.0f} are leaner than the stop; with a fuel-pressure switch {ms_band(s.without_sensor)}. "
            f"{ms(s.seen_s)} of it belong to exhaust, sensor and filter and stay as they are."
        )

    def picture(self) -> LessonPicture:
        return StopPicture()
