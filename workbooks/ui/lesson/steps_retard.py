"""A step of the lesson: what the retard is for, speed by speed."""

from __future__ import annotations

import numpy as np

from kernel_lib.engine.combustion import BEST_CA50
from kernel_lib.plan.timing import LATER
from kernel_lib.teach import retard as tr
from kernel_lib.teach.rules import RULES
from kernel_lib.text import listed, lowered

from ..timing_model import half_up
from ..timing_words import degrees, pressure
from .engine_numbers import angle, angle_up, counted, retard_of, speed
from .pictures_engine import RetardPicture
from .step import CLOSE, OFF, RIGHT, Answer, Knob, LessonCar, LessonPicture, Sketch, Step

SAME_DEG, HIT_DEG, OVER_DEG = 1.5, 3.0, 5.0
"""Degrees: up to which a line counts as level; over the first hit, up to which it counts as met, and beyond which as much too much."""

UNDER_DEG, SHORT_DEG = 2.0, 5.0
"""Degrees below the cautious edge: up to which it counts as met; beyond which as far short, however small the likely need."""


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
        said, likely, edge = np.asarray(answer, float), shown_need(r.likely[-1]), shown_edge(r)
        known = np.isfinite(edge)
        tail = (
            " At {short} no drawing can be right with all of the shot: take less there."
            if (~r.reachable[-1]).any()
            else ""
        )
        if not known.any():
            return (
                OFF,
                "There is no retard to be found for a first hit at any speed of this window, so any line is a bet."
                + tail,
            )
        under, over = np.where(known, edge - said, -np.inf), np.where(known, said - edge, -np.inf)
        low, high, shape = int(under.argmax()), int(over.argmax()), _shape_said(said, edge)
        kind = OFF if under[low] > SHORT_DEG or over[high] > OVER_DEG else CLOSE
        if under[low] > UNDER_DEG:
            parts = [shape, _too_little(r, said, under), _likely_too(r, said, likely, low)]
            if over[high] > HIT_DEG:
                parts.append(_too_much(said, over, high) + " That part costs power and heats the exhaust.")
            return kind, " ".join(parts) + tail
        left = (
            f" At {{speed_{low}}} you are {counted(degrees(under[low]))} below it: a first hit is rounded up, never down."
            if under[low] >= 0.5
            else ""
        )
        if over[high] > HIT_DEG:
            price = (
                " No part breaks at once, but the shot gives little, and the gas is still hot when the exhaust valve opens: valves and headers pay."
                if over[high] > OVER_DEG
                else " That is the careful side, at the price of some power and a hotter exhaust."
            )
            return kind, f"{shape} {_too_much(said, over, high)}{price}{left}{tail}"
        return (
            RIGHT,
            f"{shape} You are about at the cautious edge at every speed, and do not throw much power away.{left} This is where a first hit starts, and logs and plugs earn the rest back.{tail}",
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
    "rule": "The computed need is below the trade's rule there; what is missing is the rule's margin, which covers what no model sees.",
    "phasing": "The burn then comes too early and pushes against the rising piston: pressure and heat that give no torque.",
    "knock": "The last of the charge then lights by itself and hammers on ring lands and gasket.",
    "pressure": "Peak pressure then passes the limit: it is rods, ring lands and gasket that find out.",
}
_OBSTACLES = {
    "exhaust": "the retard it takes would open the exhaust on gas hotter than the sheet allows",
    "retard": "no retard that was searched is enough",
    "flame table": "the flame leaves the table of computed flames",
}


def shown_need(values: np.ndarray) -> np.ndarray:
    """Likely retard to the half degree that is shown."""
    return np.where(np.isfinite(values), np.round(2 * np.nan_to_num(values, posinf=0.0)) / 2, values)


def shown_edge(r: tr.Retard) -> np.ndarray:
    """What a first hit with all of the shot takes, up to the half degree that is shown; NaN where there is none."""
    top = np.maximum(r.edge[-1], r.rule[-1])
    return np.array([half_up(v) if np.isfinite(v) else np.nan for v in top])


def _took(deg: float) -> str:
    """Say what was drawn at a speed."""
    if abs(deg) < 0.25:
        return "you leave the timing as it is"
    return f"you {'take out' if deg > 0 else 'put in'} {counted(degrees(abs(deg)))}"


def _too_little(r: tr.Retard, said: np.ndarray, under: np.ndarray) -> str:
    """Say where and how far a line lies below the cautious edge, which was asked for."""
    k, few = int(under.argmax()), under > UNDER_DEG
    where = "at every speed" if few.all() else f"at {speeds_told(r.rpm[few])}"
    most = f"most so at {{speed_{k}}}: there" if few.sum() > 1 else "where"
    by = r.edge_governs[-1][k]
    then = _HURTS[by] if by == "rule" else f"Should the cautious end be true, {lowered(_HURTS[by])}"
    return f"You take out too little for the cautious edge {where}, {most} {_took(said[k])}, the edge is {{edge_{k}}}, so you are {counted(degrees(under[k]))} short. {then}"


def _likely_too(r: tr.Retard, said: np.ndarray, likely: np.ndarray, low: int) -> str:
    """A second remark: whether the line covers the likely need."""
    lack = np.where(np.isfinite(likely), likely - said, -np.inf)
    k = int(lack.argmax())
    if lack[k] >= 0.25:
        worse = "" if r.governs[-1][k] == r.edge_governs[-1][low] else f" {_HURTS[r.governs[-1][k]]}"
        odds = " This is no bet any more: it is likely to go wrong." if lack[k] > UNDER_DEG else ""
        return f"Not even the likely need is covered: at {{speed_{k}}} it is {{likely_{k}}}, {counted(degrees(lack[k]))} more than yours.{odds}{worse}"
    return f"The likely need is covered at every speed, {{likely_{low}}} there. If it is true the engine holds, but on a first hit nobody knows that."


def _too_much(said: np.ndarray, over: np.ndarray, k: int) -> str:
    """Say where a line lies most above the cautious edge."""
    return f"At {{speed_{k}}} you take out {counted(degrees(said[k]))} where the cautious edge is {{edge_{k}}}: {counted(degrees(over[k]))} too much."


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
    need = {
        "level": "but here the cautious edge is about the same at every speed",
        "falling": "but the need falls with speed, from {top_first} to {top_last}, because each cycle gets less nitrous",
        "rising": "but here the need rises with speed, from {top_first} to {top_last}",
        "bent": "but here the need turns round on its way",
    }[true]
    if (said < -0.25).all():
        return "You put timing in at every speed, but a first hit asks to take some out: " + (
            "from {top_first} to {top_last} over the window."
        )
    if (np.abs(said) < 0.25).all():
        return f"You left the timing as it is at every speed, {need}."
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
    return f"{drew}, {need}."
