"""A step of the lesson: what octane and a colder plug each guard."""

from __future__ import annotations

import numpy as np

from kernel_lib.plan.closeup import TRADE_PLUG_RANGES
from kernel_lib.teach.burn import Load
from kernel_lib.teach.rules import RULES
from kernel_lib.text import banded, rounded

from .. import display
from ..timing_words import degrees
from .engine_numbers import RON_STEP, angle, counted, ends, first_hit_at, load_of, percent, speed
from .pictures_burn import LoadPicture
from .step import CLOSE, OFF, RIGHT, Answer, Choice, Knob, LessonCar, LessonPicture, Step


class OctanePlugs(Step):
    """Octane eases knock alone; the plug's heat and the coil's voltage are another matter."""

    key, title = "octane_plugs", "Octane and plugs"
    question = "You fill in a fuel with {step} octane numbers more and change nothing else. What gets easier?"
    scene = (
        "At {rpm}, on {retard_is} retard of {retard}, a cycle with nitrous is set beside one without. Three things count: how near the last of the charge comes to lighting by itself, how much heat goes into walls and plug, and how "
        "much voltage the coil must give to jump the plug's gap.",
        "The sheet has a fuel of {ron}. Now the tank holds {step} numbers more. Nothing else changes: same spark, same shot, same plugs.",
    )
    why = (
        "Octane is one thing only: how long the charge can be squeezed and heated before it lights by itself. By the correlation {step} numbers more take the knock integral down by {knock_fall}; that is worth {step_deg} of timing here, and as much less would "
        "cost {less_deg}. The burn that the spark starts is the same burn, with the same heat and pressure. A real change of fuel may also change how it boils and burns; only the octane number is counted here.",
        "The plug's tip sits in that heat. {heat_says} A tip that glows lights the charge before the spark, and then no retard and no octane helps. A colder "
        "plug has a shorter way for heat from tip to head, so its tip runs cooler. It does not cool the charge. The trade goes {ranges} heat ranges colder ({basis}). A range has no unit, so we cannot check the number; too cold a plug fouls.",
        "The coil: the denser the gas at the spark, the more voltage the gap takes, about {volts} without nitrous and {voltage} times that with it. Nitrous makes the charge denser, and a later spark fires into gas that has been squeezed further. A spark that is blown out leaves "
        "unburned oxygen, which reads lean on the gauge. Check gap and coil before you add fuel. What the model cannot see is hot spots: sharp edges, deposits, an old plug. Read the plugs after every step.",
    )
    sources = "Douaud & Eyzat 1978, Livengood & Wu 1955 (knock); Woschni 1967 (heat); Pashley, Stone & Roberts 2000 (voltage, constants from memory); heat ranges: common practice"

    def ask(self, _car: LessonCar) -> Choice:
        return Choice(
            (
                "All three. High octane makes a milder burn, so knock, plug heat and coil voltage all come down.",
                "Knock and plug heat. High octane burns cooler; only the coil has to give as much as before.",
                "Knock alone. Plug and coil have to bear as much as before.",
                "Nothing. High octane is the stronger fuel: it makes more power, and more heat at the plug.",
            )
        )

    def knob(self, car: LessonCar) -> Knob:
        ron = load_of(car).ron
        low, high = max(-8.0, np.ceil(40.0 - ron)), min(12.0, np.floor(130.0 - ron))
        hint = "Change the octane in the tank. One bar moves. Watch the two that do not: for those you have plug, gap and coil, not the pump."
        return Knob("octane in the tank, against the sheet's", "RON", (float(low), float(high), 1.0), 0.0, 0, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        q, (rpm, retard, hit) = load_of(car), first_hit_at(car)
        step = min(RON_STEP, float(np.floor(130.0 - q.ron)))
        fall = 1 - q.knock_at(step) / q.knock.best
        return {
            "step": f"{step:g}",
            "rpm": speed(rpm),
            "retard": angle(retard),
            "retard_is": "a first hit's" if hit else "the trade rule's",
            "ron": f"{q.ron:g} RON",
            "knock": percent(*(100 * v for v in ends(q.knock))),
            "knock_fall": f"about {100 * fall:.0f} %",
            "step_deg": _about(q.degrees(step)),
            "less_deg": _about(-q.degrees(-step)),
            "spend": _spend(q.degrees(step)),
            "knock_best": f"{100 * q.knock.best:.0f} %",
            "knock_less": f"{100 * q.knock_at(-step):.0f} %",
            "heat": banded(*ends(q.heat)),
            "heat_says": _heat_says(q),
            "heat_bears": _heat_bears(q),
            "voltage": banded(*ends(q.voltage)),
            "volts": f"{q.voltage_own_kV:.0f} kV",
            "power": banded(*ends(q.power)),
            "gap": display.quantity(
                car.sheet.engine.plug_gap_mm, "mm", car.system, 3 if car.system == display.US else 2
            ),
            "ranges": f"{TRADE_PLUG_RANGES:g}",
            "basis": RULES["plugs"].basis,
        }

    def finding(self, _car: LessonCar) -> str:
        return (
            "Knock alone gets easier: {step} numbers more take {knock_fall} off the knock integral, worth {step_deg} of timing. Heat to the walls stays at {heat} times the engine's own in each cycle, the coil's voltage at {voltage} times. "
            "The knock integral itself ends at {knock} of the engine's own, in the mean cylinder."
        )

    def verdict(self, _car: LessonCar, answer: Answer) -> tuple[str, str]:
        return (
            (
                OFF,
                "High octane does not make a milder burn: it only lights less easily by itself. If you act on it you keep the old plugs and gap, since the fuel seems to take care of them. The tip still has to bear {heat_bears} and may glow. The coil still has to give {voltage} times "
                "the voltage and may miss. Neither shows as knock.",
            ),
            (
                CLOSE,
                "Half of it: knock does come down, the coil is not helped. But the fuel burns no cooler, for octane is no measure of heat. If you act on it you leave hot plugs in. The tip still has to bear {heat_bears}. It can glow and light the charge before the spark, and more octane does not stop that.",
            ),
            (
                RIGHT,
                "Octane buys time before the charge lights by itself, {step_deg} of timing here, and nothing else. Do not spend it twice. {spend} Plug and gap have to be chosen for the shot, whatever is in the tank.",
            ),
            (
                OFF,
                "Octane is no measure of strength: a tank with more octane need not hold more heat, and here not a horsepower comes from it until somebody changes the timing. If you act on it you buy less octane to spare the plug. The plug gains nothing, and {step} numbers less take the knock integral from {knock_best} to {knock_less} of the engine's own; in timing, {less_deg}.",
            ),
        )[int(answer)]

    def tried(self, car: LessonCar, value: float) -> str:
        q = load_of(car)
        bought = q.degrees(value)
        worth = (
            "nothing to be won or lost"
            if value == 0
            else f"worth {_about(abs(bought))} of timing {'more' if value > 0 else 'less'} than the sheet's fuel"
        )
        return f"With {q.ron + value:g} RON the knock integral ends at {100 * q.knock_at(value):.0f} % of the engine's own: {worth}. Heat stays at {rounded(q.heat.best, q.heat.high - q.heat.low)} times, voltage at {rounded(q.voltage.best, q.voltage.high - q.voltage.low)} times the engine's own."

    def picture(self) -> LessonPicture:
        return LoadPicture()


def _about(deg: float) -> str:
    """Write degrees that a model knows to the half."""
    return (
        "more than can be read off here"
        if not np.isfinite(deg)
        else "less than half a degree"
        if abs(deg) < 0.5
        else f"about {counted(degrees(deg))}"
    )


def _spend(deg: float) -> str:
    """What putting back more timing than the octane bought does."""
    if not np.isfinite(deg) or deg < 0.5:
        return "Put back more timing than it bought, and the charge is nearer to knock than on the old fuel."
    return f"Put {_about(2 * deg)} back in for it, and the charge is nearer to knock than on the old fuel."


def _heat_says(q: Load) -> str:
    """What the walls take, on this timing and on the known-good one."""
    told = f"The walls take about {q.heat.best:.1f} times the engine's own heat in each cycle, {q.heat_second:.1f} times its highest in each second"
    return (
        f"{told}; with no retard it would be {q.heat_none:.1f} times."
        if q.heat_none - q.heat.best > 0.05
        else f"{told}."
    )


def _heat_bears(q: Load) -> str:
    """The most heat the tip may have to bear."""
    most = max(q.heat.high, q.heat_none)
    return (
        f"up to {most:.1f} times the engine's own heat in each cycle"
        if most > 1.05
        else "all of the engine's own heat in each cycle"
    )
