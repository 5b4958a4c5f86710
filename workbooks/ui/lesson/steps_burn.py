"""Steps of the lesson: how fast the charge burns, and what the retard is for."""

from __future__ import annotations

import numpy as np

from kernel_lib.band import FLAME_RATIO
from kernel_lib.engine.combustion import BEST_CA50
from kernel_lib.plan.timing import LATER
from kernel_lib.teach import retard as tr
from kernel_lib.teach.burn import rich_flames
from kernel_lib.teach.rules import RULES
from kernel_lib.text import banded, listed

from .. import display
from ..timing_words import pressure
from .engine_numbers import (
    angle,
    angle_up,
    burn_of,
    ends,
    one,
    percent,
    retard_of,
    speed,
)
from .pictures_burn import BurnPicture
from .pictures_engine import RetardPicture
from .step import CLOSE, OFF, RIGHT, Answer, Knob, LessonCar, LessonPicture, Number, Sketch, Step

BURN_NEAR, BURN_CLOSE = 3.0, 10.0
"""Points of burn duration: about the computed middle; just outside the band."""

SAME_DEG, HIT_DEG, OVER_DEG, SHORT_DEG = 1.5, 3.0, 5.0, 1.0
"""Degrees: up to which a line counts as level; about the first hit; beyond it as much too much; below the likely need as short."""


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
        spread = b.percent.high - b.percent.low
        return {
            "rpm": speed(b.rpm),
            "own": f"{b.own[1]:.0f} degrees",
            "share": f"{100 * b.nitrous_fraction:.0f} %",
            "hotter": display.coarse(b.hotter_K, car.system),
            "burn": percent(*ends(b.percent)),
            "burn_low": one(b.percent.low, spread),
            "burn_best": one(b.percent.best, spread),
            "burn_high": one(b.percent.high, spread),
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
        if not b.percent.low <= said <= b.percent.high:
            close = b.percent.low - BURN_CLOSE <= said <= b.percent.high + BURN_CLOSE
            near, where = (CLOSE, "Just outside what is computed: ") if close else (OFF, "Far from what is computed: ")
            if said < b.percent.low:
                return near, where + (
                    "the fast end of the doubt is {burn_low}. A strong oxidiser does not make a fast flame. If you act on it you pull timing for a burn that is not there: power goes, and the gas is "
                    "still burning hot when the exhaust valve opens. Nobody has measured it, so it cannot be called impossible."
                )
            return near, where + (
                "the slow end of the doubt is {burn_high}. If you act on it you leave the timing in, or even add some. Should the fast end be true, {fast} with that spark, and peak pressure and knock "
                "come with it. Nobody has measured it, but this is the dangerous way to be wrong."
            )
        if abs(said - b.percent.best) <= BURN_NEAR:
            return (
                RIGHT,
                "That is about the computed middle. Take it as a fair guess, not as knowledge: {burn_low} and {burn_high} fit what is known as well. Time a first hit for the fast end all the same.",
            )
        if abs(said - 100.0) <= BURN_NEAR:
            return (
                RIGHT,
                "You said that it makes no difference. Nobody can prove you wrong: it lies in the range. But do not leave the timing in for it. At the fast end {fast} at an unchanged spark, and that end cannot be ruled out either.",
            )
        if said < b.percent.best:
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


class RetardFor(Step):
    """Three needs over speed, beside the rule that is one number."""

    key, title = "retard", "What the retard is for"
    question = "How much timing has to come out for a first hit, speed by speed?"
    scene = (
        "Take all of the shot at every speed of this car's window. Three things ask for a later spark. The burn may come too early. The last of the charge may light by itself. And peak pressure may pass what the parts were given to "
        "hold, here {limit}.",
        "The trade takes out {rule_50} for every fifty horsepower, the same at every speed ({basis}): {rule} here. A first hit has to hold at the cautious end of what is not known. Draw what you would take out of the "
        "known-good timing.",
    )
    why = (
        "Phasing: for best torque half of the charge has burned some {best} after top dead centre. If nitrous burns faster, the same spark puts that too early, and the gas pushes against a rising piston. Knock: the last of the "
        "charge is squeezed and heated by what has burned, until it lights by itself. More heat and pressure bring that on; the cold from boiling holds it off. Which of them wins nobody knows well.",
        "Pressure: the same flow each second is shared among fewer cycles when the engine turns slowly, so each gets more. With no retard at all the fullest cylinder would peak at about {peak_first} at {speed_first} and at {peak_last} at {speed_last}; the limit is {limit}. A later "
        "spark lets the gas burn in a larger space. {falls} The trade's one number cannot do that: it is the same at every speed.",
        "Why the cautious edge? The two errors do not cost the same. Too little retard can break a part within one pull. Too much costs power, {lost}, and hotter gas leaves through the exhaust valve. That heat also sets an end: where the need "
        "passes it, no timing is right and the dose has to come down. Timing is earned back later, step by step.",
    )
    sources = "Douaud & Eyzat 1978, Livengood & Wu 1955 (knock); Woschni 1967 (heat); Heywood (best place of the burn)"

    def ask(self, car: LessonCar) -> Sketch:
        return Sketch(
            "engine speed, rpm", "timing taken out", "deg", tr.places_of(car.sheet), (-5.0, 35.0, 0.5), -5.0, 1
        )

    def knob(self, _car: LessonCar) -> Knob:
        low, high = (100 * tr.SHARES[k] for k in (0, -1))
        hint = "Take less of the shot. Watch the three needs: which of them goes first, and from where on every speed can be reached."
        return Knob("share of the full shot", "%", (low, high, low), 100.0, 0, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        r, system = retard_of(car), car.system
        k, rule = r.row(1.0), RULES["retard"]
        known = np.flatnonzero(np.isfinite(r.lost_hp))
        lost = "how much is not known here"
        if len(known):
            lost = f"about {max(float(r.lost_hp[known[-1]]), 0.0):.0f} hp for {LATER:g} degrees at {speed(r.rpm[known[-1]])}"
        out = {
            "limit": pressure(r.P_limit / 1e5, system),
            "rule_50": f"{rule.numbers['deg_per_50_hp']:g} degrees",
            "basis": rule.basis,
            "rule": angle(float(r.rule[k][0])),
            "best": f"{BEST_CA50:g} degrees",
            "peak_first": _peak(r.peak_none[0], system),
            "peak_last": _peak(r.peak_none[-1], system),
            "falls": "That need falls as speed rises."
            if r.peak_none[0] > r.peak_none[-1]
            else "Here the engine's own pressure rises with speed and hides it.",
            "speed_first": speed(r.rpm[0]),
            "speed_last": speed(r.rpm[-1]),
            "likely_first": angle(r.likely[k][0]),
            "likely_last": angle(r.likely[k][-1]),
            **_ends_known(np.maximum(r.edge[k], r.rule[k])),
            "edge_first": angle_up(r.edge[k][0]),
            "edge_last": angle_up(r.edge[k][-1]),
            "lost": lost,
            "short": speeds_told(r.rpm[~r.reachable[k]]),
            "obstacles": listed(list(dict.fromkeys(_OBSTACLES[o] for o in r.obstacle[k] if o)))
            if (~r.reachable[k]).any()
            else "nothing",
        }
        for n, rpm in enumerate(r.rpm):
            out |= {
                f"speed_{n}": speed(rpm),
                f"likely_{n}": angle(r.likely[k][n]),
                f"edge_{n}": angle_up(max(r.edge[k][n], r.rule[k][n])),
            }
        return out

    def finding(self, car: LessonCar) -> str:
        r = retard_of(car)
        short = (
            " At {short} a first hit with all of the shot has no right timing: {obstacles}. There less nitrous has to flow."
            if (~r.reachable[-1]).any()
            else ""
        )
        return (
            "The likely need is {likely_first} at {speed_first} and {likely_last} at {speed_last}; the cautious edge, which a first hit takes, is {edge_first} and {edge_last}. The trade's rule says {rule} at every speed."
            + short
        )

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        r = retard_of(car)
        likely, top = r.likely[-1], np.maximum(r.edge[-1], r.rule[-1])
        said = np.asarray(answer, float)
        short = np.where(np.isnan(likely), -np.inf, likely - said)  # infinite where no retard is enough
        over = np.where(np.isfinite(top), said - top, -np.inf)
        under = np.where(np.isnan(top), -np.inf, top - said)
        shape = _shape_said(said, top)
        tail = (
            " At {short} no drawing can be right with all of the shot: take less there."
            if (~r.reachable[-1]).any()
            else ""
        )
        k = int(short.argmax())
        if short[k] > SHORT_DEG:
            much = int(over.argmax())
            also = (
                f" At {{speed_{much}}} you took out much more than {{edge_{much}}}, which only costs power."
                if over[much] > OVER_DEG
                else ""
            )
            lack = (
                "you put timing in, against a likely need to take out"
                if said[k] < 0
                else "you are short even of the likely need"
            )
            return OFF, (f"{shape} At {{speed_{k}}} {lack}, {{likely_{k}}}. {_HURTS[r.governs[-1][k]]}{also}{tail}")
        k = int(over.argmax())
        if over[k] > OVER_DEG:
            return (
                OFF,
                f"{shape} At {{speed_{k}}} you took out far more than the cautious edge, {{edge_{k}}}. No part breaks at once, but the shot gives little, and the gas is still hot when the exhaust valve opens: valves and headers pay.{tail}",
            )
        k = int(under.argmax())
        if under[k] > HIT_DEG:
            return (
                CLOSE,
                f"{shape} At {{speed_{k}}} you cover the likely need, {{likely_{k}}}, but not the cautious edge, {{edge_{k}}}. If the likely case is true it holds. On a first hit nobody knows that, and the engine pays for the bet.{tail}",
            )
        k = int(over.argmax())
        if over[k] > HIT_DEG:
            return (
                CLOSE,
                f"{shape} At {{speed_{k}}} you are past the cautious edge, {{edge_{k}}}: safe, at the price of some power and a hotter exhaust.{tail}",
            )
        return (
            RIGHT,
            f"{shape} You are within a few degrees of the cautious edge at every speed, and do not throw much power away. This is where a first hit starts, and logs and plugs earn the rest back.{tail}",
        )

    def tried(self, car: LessonCar, value: float) -> str:
        r = retard_of(car)
        k = r.row(value / 100)
        first = _REASON[r.governs[k][0]] if r.likely[k][0] >= 0.25 or not np.isfinite(r.likely[k][0]) else "nothing"
        last = _REASON[r.governs[k][-1]] if r.likely[k][-1] >= 0.25 or not np.isfinite(r.likely[k][-1]) else "nothing"
        reach = (
            "every speed can be reached"
            if r.reachable[k].all()
            else f"not reachable: {speeds_told(r.rpm[~r.reachable[k]])}"
        )
        return (
            f"With {value:.0f} % of the shot the likely need at {speed(r.rpm[0])} is {angle(r.likely[k][0])}, set by {first}, and at {speed(r.rpm[-1])} {angle(r.likely[k][-1])}, set by {last}; {reach}. "
            f"The trade's rule would say {angle(float(r.rule[k][0]))}."
        )

    def picture(self) -> LessonPicture:
        return RetardPicture()


_REASON = {"phasing": "phasing", "knock": "knock", "pressure": "your pressure limit"}
_HURTS = {
    "phasing": "The burn then comes too early and pushes against the rising piston: pressure and heat that give no torque.",
    "knock": "The last of the charge then lights by itself and hammers on ring lands and gasket.",
    "pressure": "Peak pressure then passes the limit: it is rods, ring lands and gasket that find out.",
}
_OBSTACLES = {
    "exhaust": "the retard it takes would open the exhaust on gas hotter than the sheet allows",
    "retard": "no retard that was searched is enough",
    "flame table": "the flame leaves the table of computed flames",
}


def _peak(pascal: float, system: str) -> str:
    return pressure(pascal / 1e5, system) if np.isfinite(pascal) else "a pressure that is not known"


def _ends_known(top: np.ndarray) -> dict[str, str]:
    """The first hit's retard at the first and at the last speed where it is known."""
    known = np.flatnonzero(np.isfinite(top))
    first, last = (float(top[known[k]]) if len(known) else np.nan for k in (0, -1))
    return {"top_first": angle_up(first), "top_last": angle_up(last)}


def speeds_told(rpm) -> str:
    """List engine speeds; "no speed" where there is none."""
    return f"{listed([f'{v:.0f}' for v in rpm])} rpm" if len(rpm) else "no speed"


def _course(values: np.ndarray) -> str:
    """Whether a line is level, falls, rises, or does neither all along."""
    known = values[np.isfinite(values)]
    if len(known) < 2 or np.ptp(known) <= SAME_DEG:
        return "level"
    steps, change = np.diff(known), known[-1] - known[0]
    if change < -SAME_DEG and (steps <= SAME_DEG).all():
        return "falling"
    return "rising" if change > SAME_DEG and (steps >= -SAME_DEG).all() else "bent"


def _shape_said(said: np.ndarray, top: np.ndarray) -> str:
    """Say how the drawn line runs beside the computed one."""
    mine, true = _course(said), _course(top)
    if mine == true:
        return {
            "level": "You drew about the same at every speed, and for this car that is the shape.",
            "falling": "You have the shape: most at low speed, where each cycle gets most nitrous.",
            "rising": "You have the shape: more as speed rises, for this car.",
            "bent": "You have the shape: neither end is the extreme.",
        }[true]
    drew = {
        "level": "You took out about the same at every speed, as the trade does",
        "falling": "You took out less as speed rises",
        "rising": "You took out more as speed rises, as one does without nitrous when speed brings advance",
        "bent": "Your line turns round on its way",
    }[mine]
    need = {
        "level": "but here the cautious edge is about the same at every speed",
        "falling": "but the need falls with speed, from {top_first} to {top_last}, because each cycle gets less nitrous",
        "rising": "but here the need rises with speed, from {top_first} to {top_last}",
        "bent": "but here the need turns round on its way",
    }[true]
    return f"{drew}, {need}."
