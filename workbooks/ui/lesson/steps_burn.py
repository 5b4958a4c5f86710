"""A step of the lesson: how fast the charge burns."""

from __future__ import annotations

import numpy as np

from kernel_lib.band import FLAME_RATIO
from kernel_lib.teach.burn import rich_flames
from kernel_lib.text import banded

from .. import display
from .engine_numbers import (
    burn_of,
    ends,
    speed,
    whole,
    whole_band,
)
from .pictures_burn import BurnPicture
from .step import CLOSE, OFF, RIGHT, Answer, Knob, LessonCar, LessonPicture, Number, Step

BURN_NEAR, BURN_CLOSE = 3.0, 10.0
"""Points of burn duration: about the computed middle; just outside the band."""


class BurnSpeed(Step):
    """An open question, with what is known."""

    key, title = "burn_rate", "Does it burn faster?"
    question = "Does the charge burn faster with nitrous, and by how much?"
    scene = (
        "The known-good timing fits how long this engine's charge burns. At {rpm} that is {own} of crank from one tenth to nine tenths burned. With all of the shot, {share} of the air and nitrous molecules are nitrous, and the "
        "flame is about {hotter} hotter.",
        "Call that burn without nitrous one hundred per cent. How long does it take with nitrous? Less means faster.",
    )
    why = (
        "No test of burn time with nitrous in an engine was found. What stands here is computed: flames of propane, in place of this car's fuel, from a published list of reactions. In this car's charge, half burned, the flame runs at "
        "{speed} times its speed without. Over the states that rich engine charges pass through, with one part of nitrous in ten, the figure is {rich_low} to {rich_high}. We doubt it by {doubt} either way, because the fuel is not the "
        "same and engine pressures lie beyond those at which the list was checked.",
        "Hotter need not mean much faster. A flame lives on hydrogen atoms. With oxygen they branch into more of their kind; with nitrous they turn into nitrogen and one plain radical, and the chain stops growing there. So the nitrous "
        "holds back the very flame that it heats. And the cold from boiling slows it once more. More heat per cycle, yes. A racing flame, nobody has shown.",
        "To know it you would need pressure over crank angle from inside a cylinder, with nitrous and without, at the same spark and lambda, at several speeds and shots, and the nitrous weighed. Until somebody does that, treat it as a range. A first hit is "
        "timed for the fast end, where {fast}. If the slow end is true you lose some power at first, and you win it back step by step from logs and plugs.",
    )
    sources = "flames computed with Cantera, GRI-Mech 3.0 and propane by proxy; Hires, Tabaczynski & Novak 1978 (from flame speed to burn angles); no measurement with nitrous found"

    def ask(self, _car: LessonCar) -> Number:
        return Number("burn with nitrous, against without", "%", (20.0, 200.0, 1.0), 190.0)

    def knob(self, _car: LessonCar) -> Knob:
        hint = "Move the flame from the slow end of what cannot be ruled out to the fast end. The spark stays where it is. Watch where half of the charge has burned."
        return Knob(
            "flame speed, against the computed",
            "%",
            (100 * FLAME_RATIO.low, 100 * FLAME_RATIO.high, 1.0),
            100.0,
            0,
            hint,
        )

    def facts(self, car: LessonCar) -> dict[str, str]:
        b, rich = burn_of(car), rich_flames()
        return {
            "rpm": speed(b.rpm),
            "own": f"{b.own[1]:.0f} degrees",
            "share": f"{100 * b.nitrous_fraction:.0f} %",
            "hotter": display.coarse(b.hotter_K, car.system),
            "burn": whole_band(*ends(b.percent)),
            "burn_low": whole(b.percent.low),
            "burn_best": whole(b.percent.best),
            "burn_high": whole(b.percent.high),
            "speed": banded(*ends(b.speed)),
            "rich_low": f"{rich.low:.2f}",
            "rich_high": f"{rich.high:.2f}",
            "doubt": f"{100 * (FLAME_RATIO.high - 1):.0f} %",
            "fast": _sooner(b.shift_deg.high),
            "slow": _sooner(b.shift_deg.low),
            "likely": _sooner(b.shift_deg.best),
        }

    def finding(self, car: LessonCar) -> str:
        b = burn_of(car)
        how = (
            "about as long"
            if abs(b.percent.best - 100) < BURN_NEAR
            else "a little shorter"
            if b.percent.best < 100
            else "a little longer"
        )
        told = (
            ""
            if b.all_known
            else " At one end of what is unknown the flame leaves our table, so the range may be wider still."
        )
        return f"Nobody knows. Computed, the burn takes {{burn}} of what it takes without nitrous, {how} at the likely values; every figure in that range fits what is known. At an unchanged spark {{likely}} then.{told}"

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        b, said = burn_of(car), float(answer)
        low, best, high = (float(round(v)) for v in ends(b.percent))  # as they are shown
        if not low <= said <= high:
            close = low - BURN_CLOSE <= said <= high + BURN_CLOSE
            near, where = (CLOSE, "Just outside what is computed: ") if close else (OFF, "Far from what is computed: ")
            if said < low:
                return near, where + (
                    "the fast end of the doubt is {burn_low}. A strong oxidiser does not make a fast flame. If you act on it you pull timing for a burn that is not there: power goes, and the gas is "
                    "still burning hot when the exhaust valve opens. Nobody has measured it, so it cannot be called impossible."
                )
            return near, where + (
                "the slow end of the doubt is {burn_high}. If you act on it you leave the timing in, or even add some. Should the fast end be true, {fast} with that spark, and peak pressure and knock "
                "come with it. Nobody has measured it, but this is the dangerous way to be wrong."
            )
        if abs(said - best) <= BURN_NEAR:
            return (
                RIGHT,
                "That is about the computed middle. Take it as a fair guess, not as knowledge: {burn_low} and {burn_high} fit what is known as well. Time a first hit for the fast end all the same.",
            )
        if abs(said - 100.0) <= BURN_NEAR:
            return (
                RIGHT,
                "You said that it makes no difference. Nobody can prove you wrong: it lies in the range. But do not leave the timing in for it. At the fast end {fast} at an unchanged spark, and that end cannot be ruled out either.",
            )
        if said < best:
            return (
                RIGHT,
                "Nobody can prove you wrong: it lies in the fast half of the range. Acting on it is the careful way. The timing for it costs some power if the burn is slower, and saves the engine if it is not: {fast} at an unchanged spark.",
            )
        return (
            RIGHT,
            "Nobody can prove you wrong: it lies in the slow half of the range. But acting on it is a bet. You would leave timing in, and if the fast end is true, {fast}: more pressure, more knock, no warning on the gauge.",
        )

    def tried(self, car: LessonCar, value: float) -> str:
        b = burn_of(car)
        delay, duration = b.at(value / 100)
        half = _half(b, delay, duration)
        own = _half(b, *b.own)
        return (
            f"With a flame at {value:.0f} % of the computed speed the burn takes {duration:.0f} degrees, {100 * duration / b.own[1]:.0f} % of that without nitrous. Half of the charge has burned {_after(half)}; without nitrous {_after(own)}. "
            "Air, cold and flow are held at their likely values."
        )

    def picture(self) -> LessonPicture:
        return BurnPicture()


def _half(b, delay: float, duration: float) -> float:
    """Where half of the charge has burned [deg after TDC]."""
    theta = np.linspace(-60.0, 120.0, 721)
    return float(np.interp(0.5, b.burned(theta, delay, duration), theta))


def _after(theta: float) -> str:
    return f"{abs(theta):.0f} degrees {'after' if theta >= 0 else 'before'} top dead centre"


def _sooner(shift: float) -> str:
    """Say how much earlier the middle of the burn comes."""
    if abs(shift) < 0.5:
        return "the middle of the burn hardly moves"
    return f"the middle of the burn comes {abs(shift):.0f} degrees {'too early' if shift > 0 else 'too late'}"
