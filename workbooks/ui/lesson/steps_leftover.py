"""Step of the lesson: what is left over on either side of lambda 1, and the time there is when fuel is late."""

from __future__ import annotations

import numpy as np

from kernel_lib.plan.fault_list import LATE_S
from kernel_lib.teach import leftover as tl
from kernel_lib.teach.charge import lesson_speeds
from kernel_lib.teach.rules import RULES
from kernel_lib.text import rounded

from ..display import figures
from . import pictures_charge as pictures
from .charge_words import speeds
from .step import CLOSE, OFF, RIGHT, Answer, Knob, LessonCar, Number, Step, fill

_EITHER_SIDE = 0.1  # lambda about 1 at which the words look
_BURNS = 1.4  # lambda past which a full-load charge may fail to light


class Leftover(Step):
    """Late fuel, and what is left over."""

    key, title = "leftover", "Left over, and late fuel"
    question = "The added fuel comes late. How lean does it get?"
    scene = (
        "At {rpm_low}, full throttle, the nitrous valve opens for the full shot. The engine ran at lambda {before}; the target with nitrous is {target}, the lean stop is set to {stop}.",
        "Something holds up the added fuel: it is called for {late} ms after the nitrous valve. Say how lean the leanest cycle gets before the fuel is there.",
    )
    why = (
        "The last step looked into the hot flame, where gas comes apart. Cooled, in the exhaust, it has joined up again: at lambda 1 nothing is left over. On the rich side fuel is: at lambda {rich} it holds {wanting_rich} % CO and H2 and next to no free oxygen, so little is there that attacks metal. On the lean side oxygen is left, {oxygen_lean} % at lambda "
        "{lean}, against {oxygen_air} % with air alone. Hot oxygen finds other things to burn: an edge of the piston, a plug.",
        "{time_line} One engine cycle takes {cycle} ms at this speed. A sensor can only see what has burned; yours takes about {sensor} ms to follow, the way down the exhaust not counted. {tail} Two things help: fuel that is there first, and a target that starts far enough from the lean side.",
        "{distance_line} This distance has to cover every fault that takes fuel away or brings nitrous: a weak pump, a clogged injector, a warm bottle. Common practice calls for the fuel {lead_trade} ms "
        "ahead of the nitrous; your sheet says {lead_sheet} ms. Free oxygen, hotter exhaust and this distance are the reasons for a rich target, more than the heat of the flame.",
    )
    sources = "cooled exhaust: Heywood; delays of valves, lines and wall film: from memory, with their band"
    FOUND = {
        "past": "The leanest cycle reaches lambda {leanest}: past the lean stop, for about {past} ms.",
        "near": "The leanest cycle most likely gets no further than lambda {leanest}, short of the lean stop; at the far end of what is unknown it passes it.",
        "inside": "The leanest cycle gets to lambda {leanest} and stays short of the lean stop.",
    }
    TIME = {
        "at once": "If none of the added fuel comes, the first cycle that draws this nitrous is past the lean stop.",
        "soon": "If none of the added fuel comes, this charge passes the lean stop {time} ms after the first nitrous leaves the nozzle.",
        "never": "Even if none of the added fuel comes, this charge most likely stays short of the lean stop: the shot is small, or the controller fuels it by itself.",
    }
    TAIL = {
        True: "So the first lean cycles are through before anything acts.",
        False: "So a stop can act in time on a shot of this size; a larger one leaves less.",
    }
    DISTANCE = {
        True: "The distance from the target to the lean stop is {fuel} % of all the fuel{added_line}.",
        False: "On this sheet the target is no richer than the lean stop, so there is no distance between them; mend that first.",
    }
    ADDED = ", or {added} % of the added fuel"
    SAID = {
        "start": "Before the nitrous came the engine already ran at lambda {before}, so the leanest cycle cannot be richer than that. ",
        "right": "You are about right. That is what one late relay or an empty fuel line does, and why the fuel has to be there before the nitrous.",
        "enough": "You are about right. On this car fuel this late most likely stays short of the lean stop; the next fault would start from less margin.",
        "safe": "You thought the mixture stays short of the lean stop. Most likely it does not: with fuel this late a hit begins with lean cycles, at full load, and you would not have guarded against them.",
        "less": "You saw it go past the lean stop, but it goes further than you said. A lead or a guard chosen from your number would let lean cycles through.",
        "more": "It does not get as lean as you said. The longer the lead you set against it, the more fuel comes before the nitrous: a rich gulp, and from some length on a misfire or a stumble.",
        "harmless": "You feared the lean side more than this car has to. A long lead set against it brings a rich gulp before every hit; fuel this late is still a fault to mend.",
        "can": "Your number lies within the band, so it can be true; what follows is about the likely case. ",
        "slightly": "It goes leaner than you said, without passing the lean stop. It costs margin, not parts, as long as nothing else is wrong.",
    }

    def _rpm(self, car: LessonCar) -> float:
        return lesson_speeds(car.sheet)[0]

    def _late(self, car: LessonCar) -> tl.LateFuel:
        return tl.late_fuel(car.sheet, self._rpm(car), LATE_S)

    def ask(self, car: LessonCar) -> Number:
        top = 1.8 if self._late(car).leanest.best < 1.6 else 3.0
        return Number("the leanest cycle", "lambda", (0.7, top, 0.01), 0.7, 2)

    def knob(self, _car: LessonCar) -> Knob:
        hint = "Change how late the fuel is. Below zero it comes ahead of the nitrous. Find where the likely line no longer crosses the lean stop, then where the band does not."
        return Knob("fuel after the nitrous", "ms", (-200.0, 200.0, 10.0), 1e3 * LATE_S, 0, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        sheet, rpm, late = car.sheet, self._rpm(car), self._late(car)
        margin, left = tl.margin(sheet, rpm), tl.leftovers(sheet, rpm)
        lean, target = 1 + _EITHER_SIDE, sheet.engine.lambda_with_nitrous
        rich = target if target <= 0.97 else 1 - _EITHER_SIDE
        time = [1e3 * v for v in (margin.time_s.best, margin.time_s.low, margin.time_s.high)]
        out = speeds(car) | {
            "before": f"{sheet.engine.lambda_without_nitrous:.3f}",
            "target": f"{target:.3f}",
            "stop": f"{sheet.limits.lean_stop_lambda:.3f}",
            "late": f"{1e3 * LATE_S:.0f}",
            "leanest": f"{late.leanest.best:.2f} ({late.leanest.low:.2f} to {late.leanest.high:.2f})",
            "past": rounded(1e3 * late.past_s, 1e3 * late.past_s),
            "rich": f"{rich:.3f}",
            "wanting_rich": figures(100 * float(np.interp(rich, left.lambda_, left.wanting))),
            "oxygen_lean": figures(100 * float(np.interp(lean, left.lambda_, left.oxygen))),
            "oxygen_air": figures(100 * float(np.interp(lean, left.lambda_, left.oxygen_air))),
            "lean": f"{lean:.1f}",
            "sensor": f"{sheet.controller.sensor_delay_ms:.0f}",
            "cycle": f"{1e3 * margin.cycle_s:.0f}",
            "time": f"{time[0]:.0f} ({time[1]:.0f} to {time[2]:.0f})"
            if np.isfinite(time[2])
            else f"{time[0]:.0f} (or more)",
            "fuel": f"{100 * margin.fuel:.1f}",
            "added": f"{100 * margin.added:.0f}",
            "lead_trade": f"{RULES['lead'].numbers['lead_ms']:.0f}",
            "lead_sheet": f"{sheet.nitrous.fuel_lead_ms:.0f}",
        }
        added = fill(self.ADDED, out) if np.isfinite(margin.added) and margin.added <= 1 else ""
        short = margin.time_s.best < margin.cycle_s + sheet.controller.sensor_delay_ms / 1e3
        out |= {
            "tail": self.TAIL[bool(short)],
            "time_line": fill(
                self.TIME["never" if not np.isfinite(time[0]) else "at once" if time[0] < 0.5 else "soon"], out
            ),
            "added_line": added,
        }
        return out | {"distance_line": fill(self.DISTANCE[margin.fuel > 0], out)}

    def finding(self, car: LessonCar) -> str:
        late, stop = self._late(car), car.sheet.limits.lean_stop_lambda
        return self.FOUND["past" if late.leanest.best > stop else "near" if late.leanest.high > stop else "inside"]

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        found, guess = self._late(car).leanest, float(answer)
        stop, before = car.sheet.limits.lean_stop_lambda, car.sheet.engine.lambda_without_nitrous
        slack = 0.02 + 0.1 * max(found.best - before, 0.0)
        near = CLOSE if found.low - 1e-9 <= guess <= found.high + 1e-9 or abs(guess - found.best) <= 2 * slack else OFF
        start = self.SAID["start"] if guess < before - 0.005 else ""
        if found.best > stop >= guess:
            return OFF, start + self.SAID["safe"]
        if abs(guess - found.best) <= slack:
            return RIGHT, start + self.SAID["right" if found.best > stop else "enough"]
        if found.low <= guess <= found.high:
            start += self.SAID["can"]
        if guess < found.best:
            return near, start + self.SAID["less" if found.best > stop else "slightly"]
        return near, start + self.SAID["harmless" if found.best <= stop < guess else "more"]

    def tried(self, car: LessonCar, value: float) -> str:
        late, stop = tl.late_fuel(car.sheet, self._rpm(car), value / 1e3), car.sheet.limits.lean_stop_lambda
        when = (
            f"{value:.0f} ms late"
            if value > 0
            else f"{-value:.0f} ms early"
            if value < 0
            else "called for with the nitrous"
        )
        band = f"{late.leanest.best:.2f} ({late.leanest.low:.2f} to {late.leanest.high:.2f})"
        if late.leanest.best > _BURNS:
            return f"Fuel {when}: the leanest cycle reaches lambda {band}, so lean that it may not light and leave its charge to the next."
        if late.leanest.best > stop:
            return f"Fuel {when}: the leanest cycle reaches lambda {band}, past the lean stop for about {rounded(1e3 * late.past_s, 1e3 * late.past_s)} ms."
        if late.leanest.high > stop:
            return f"Fuel {when}: the leanest cycle reaches lambda {band}; only at the far end of what is unknown does it pass the lean stop."
        return f"Fuel {when}: no cycle passes the lean stop, the leanest is lambda {band}."

    def picture(self) -> pictures.LeftoverPicture:
        return pictures.LeftoverPicture()
