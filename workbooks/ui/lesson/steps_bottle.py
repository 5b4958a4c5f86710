"""Steps of the lesson about the bottle: what warming does to the flow, and why it is held in a window."""

from __future__ import annotations

import numpy as np

from kernel_lib import InputError
from kernel_lib.band import Band
from kernel_lib.plan.bottle_day import T_SUN
from kernel_lib.teach import bottle as tb
from kernel_lib.teach.delivery import middle_rpm
from kernel_lib.teach.rules import RULES
from kernel_lib.thermo.fluid import P_CRITICAL, T_CRITICAL
from kernel_lib.thermo.vessel import FILLING_DENSITY

from .. import display
from .delivery_words import mixture, percent, side, told
from .pictures_bottle import PLACES, DensityPicture, WindowPicture, gauge, roughly
from .step import CLOSE, OFF, RIGHT, Answer, Choice, Knob, LessonCar, LessonPicture, Sketch, Step

_NEAR = 5.0, 5.0, 3.0, 3.0, 3.0  # how near a drawing has to come, % of the first flow, from cold to warm
_CLOSE = 10.0  # how far off it may be and still be close, %
_SWING = 6.0  # what counts as up and down, %

BY_YOURS = " Fuel set by that makes {lam} at {rpm} instead of {target}: {side}."
BY_BOTH = " At {rpm} fuel set by your line makes {lam} warm: {side}. It makes {lam_cold} cold: {side_cold}."
DREW = {
    "high": "{end} end too high: you drew {drawn}, it is {computed}.",
    "low": "{end} end too low: you drew {drawn}, it is {computed}.",
}
WARM = {
    "straight": " Even the square root gives only {root}.",
    "root": " The square root, {root}, forgets that warm liquid is lighter.",
    "lighter": " The lighter liquid cancels the push, more or less, but does not beat it.",
    "lower": " Even the weight of the liquid only falls to {density}.",
}
COLD = {
    "high": " Colder liquid is heavier, but that does not make up for the lost push.",
    "low": " Colder liquid is heavier, which makes up for part of the lost push.",
}
FIRST = " At {base_P} itself you drew {drawn}, where the flow counts as {computed}."
WARM_RIGHT, COLD_RIGHT = "Your warm end is right.", "Your cold end is right."
BETWEEN = "Both ends are right, but not the way between: at {place} you drew {drawn}, it is {computed}. The flow climbs from cold and levels off, with no dip and no hump."
TURNS = "Your line turns {count} times. The flow does not go up and down: it climbs from cold and levels off where it is warm."
AT_PLACE = " Fuel set by your line makes {lam} at {place}: {side}."
AS_COMPUTED = "You drew it nearly flat where it is warm and falling where it is cold. So a tune made in the window holds across the window, and a cold bottle makes the mixture rich."


def _bare(pascal: float, system: str) -> str:
    """Write a gauge pressure where the sentence says that a gauge shows it."""
    return gauge(pascal, system).removesuffix(" gauge")


def lost(pascal: float, system: str) -> str:
    """Write a difference of pressure as coarsely."""
    return _bare(pascal, system)


def change(share: float) -> str:
    """Write a change of the flow in whole percent, signed."""
    value = round(100 * share)
    return f"{value:+d} %" if value else f"{value} %"


def changes(band: Band) -> str:
    """Write a change of the flow over the models."""
    if band.high - band.low < 0.005:
        return change(band.best)
    return f"{change(band.low).removesuffix(' %')} to {change(band.high)}"


class BottleDensity(Step):
    """Warming raises the gauge and makes the liquid lighter."""

    key, title = "bottle_density", "Bottle pressure and flow"
    question = "The bottle is warmed and its gauge climbs. What does the flow do?"
    scene = (
        "A part-used bottle with liquid and vapour in it stands at {base_T}, and its gauge shows {base_P}. Warmed to {hot_T} the gauge shows {hot_P}, {step} more. "
        "Cooled to {cold_T} it shows {cold_P}.",
        "Nozzle, line and valve stay as they are. The gauge at {base_T} counts as a hundred percent, and so does the flow there. Draw the flow over the gauge, "
        "from the cold bottle to the warm one.",
    )
    why = (
        "Two things happen when a closed bottle is warmed. The vapour above the liquid pushes harder, and the gauge shows that. At the same time the liquid swells and "
        "gets lighter. From {base_T} to {hot_T} the same room holds only {density} of the weight. More push drives less weight through the nozzle, so the two "
        "nearly cancel. From a cold bottle up, the push still wins, and the flow falls by {cold} when the bottle cools to {cold_T}.",
        "Common practice has it that {root_rule}, which would be {rule} here. That rule is sound for a liquid that keeps its weight and does not boil. Water in a "
        "hose obeys it. It also suits a gas that pushes on cool liquid: then the liquid stays heavy, and the models give {pushed} more flow at the same gauge. "
        "A warmed bottle is another case with the same reading. The gauge cannot tell you which of the two you have.",
        "Liquid nitrous stands at its boiling point and starts to boil in the nozzle, and how fast it boils is not well known. So there are three models: one boils at once, one not at "
        "all, one lies between. They disagree, from {hot} at the warm end, and nobody has measured your nozzle over bottle temperature. Two "
        "weigh-ins at two bottle temperatures would. This is no leave to let the bottle go where it likes: the next step says why.",
    )
    sources = "Lemmon & Span 2006; Dyer 2007, Solomon 2011; three models, no measurement of a car's nozzle found"

    def ask(self, _car: LessonCar) -> Sketch:
        return Sketch("gauge, % of the first reading", "flow", "% of the first flow", PLACES, (50.0, 140.0, 1.0), 80.0)

    def knob(self, _car: LessonCar) -> Knob:
        hint = "Warm and cool the bottle by its gauge. Watch how far the blue band and the dashed square root part, above the first reading and below it."
        return Knob("gauge", "% of the first reading", (60.0, 125.0, 1.0), 125.0, 0, hint)

    @staticmethod
    def _ends(car: LessonCar) -> tb.GaugeFlow:
        return tb.gauge_flow(car.sheet, [v / 100 for v in PLACES])

    def facts(self, car: LessonCar) -> dict[str, str]:
        g, s = self._ends(car), car.system
        pushed = [float(v[-1]) - 1 for v in g.pushed.values()]
        hot = (float(g.low[-1]), float(g.high[-1]))
        return {
            "base_T": display.temperature(tb.BASE_T, s),
            "base_P": _bare(g.P[2], s),
            "hot_T": display.temperature(g.T[-1], s),
            "hot_P": _bare(g.P[-1], s),
            "cold_T": display.temperature(g.T[0], s),
            "cold_P": _bare(g.P[0], s),
            "step": lost(g.P[-1] - g.P[2], s),
            "hot": changes(Band(hot[0] - 1, float(g.likely[-1]) - 1, hot[1] - 1, "")),
            "cold": f"{100 * (1 - g.high[0]):.0f} to {100 * (1 - g.low[0]):.0f} %",
            "density": f"{100 * g.density[-1]:.0f} %",
            "root_rule": RULES["root"].text[0].lower() + RULES["root"].text[1:],
            "rule": change(float(g.rule[-1]) - 1),
            "root": percent(float(g.rule[-1])),
            "pushed": f"{100 * min(pushed):.0f} to {100 * max(pushed):.0f} %",
            "rpm": f"{middle_rpm(car.sheet):.0f} rpm",
            "target": mixture(car, car.sheet.engine.lambda_with_nitrous),
        }

    def finding(self, _car: LessonCar) -> str:
        return (
            "Warmed from {base_T} to {hot_T} the bottle shows {step} more and the flow changes by only {hot}, by the model taken; the square root would say {rule}. "
            "Cooled to {cold_T} it falls by {cold}."
        )

    def verdict(self, car: LessonCar, answer: Answer) -> tuple[str, str]:
        g = self._ends(car)
        low, high = np.round(100 * g.low), np.round(100 * g.high)  # as they are shown
        near = np.array(_NEAR)
        drawn = np.array(answer, float)
        off = np.where(drawn > high + near, drawn - high, np.where(drawn < low - near, drawn - low, 0.0))
        if tb.turns(tuple(drawn), _SWING) > 1:
            return OFF, self._turning(car, drawn, off)
        if not off.any():
            return RIGHT, AS_COMPUTED
        kind = CLOSE if np.abs(off).max() <= _CLOSE and off[-1] <= 0 else OFF
        if off[0] or off[-1]:
            return kind, self._ends_told(car, drawn, off) + self._first(car, drawn, off)
        worst = int(np.abs(off).argmax())
        return kind, self._at(car, worst, drawn, BETWEEN, BY_YOURS)

    def _ends_told(self, car: LessonCar, drawn: np.ndarray, off: np.ndarray) -> str:
        """Judge the warm end, then the cold end."""
        g = self._ends(car)
        if off[-1] > 0:
            why = WARM["straight" if drawn[-1] > 100 * g.rule[-1] + _NEAR[-1] else "root"]
        else:
            why = WARM["lower" if drawn[-1] < 100 * g.density[-1] - _NEAR[-1] else "lighter"]
        way = ["high" if v > 0 else "low" for v in off]
        if off[0] and off[-1]:
            cold = self._at(car, 0, drawn, " " + DREW[way[0]], end="Cold")
            there = self._made(car, 0, drawn)
            if there:
                there = {"lam_cold": there["lam"], "side_cold": there["side"]}
                return (
                    self._at(car, -1, drawn, DREW[way[-1]], why, end="Warm")
                    + cold
                    + self._at(car, -1, drawn, BY_BOTH, **there)
                )
            return self._at(car, -1, drawn, DREW[way[-1]], why, BY_YOURS, end="Warm") + cold
        if off[-1]:
            return self._at(car, -1, drawn, DREW[way[-1]], why, BY_YOURS, end="Warm") + " " + COLD_RIGHT
        return WARM_RIGHT + " " + self._at(car, 0, drawn, DREW[way[0]], COLD[way[0]], BY_YOURS, end="Cold")

    def _first(self, car: LessonCar, drawn: np.ndarray, off: np.ndarray) -> str:
        k = PLACES.index(100.0)
        return self._at(car, k, drawn, FIRST) if off[k] and not (off[0] and off[-1]) else ""

    def _turning(self, car: LessonCar, drawn: np.ndarray, off: np.ndarray) -> str:
        """Judge a line that goes up and down: where it is the furthest off to either side."""
        worst = [int(k) for k in (off.argmax(), off.argmin()) if off[k]]
        count = f"{tb.turns(tuple(drawn), _SWING)}"
        return told(TURNS, {}, count=count) + "".join(
            self._at(car, k, drawn, "", AT_PLACE) for k in dict.fromkeys(worst)
        )

    def _made(self, car: LessonCar, k: int, drawn: np.ndarray) -> dict[str, str]:
        """What fuel by the drawing makes at one place; nothing where so much nitrous is not to be computed."""
        g, rpm = self._ends(car), middle_rpm(car.sheet)
        try:
            made = [tb.lambda_fuelled_for(car.sheet, rpm, float(drawn[k]) / 100, float(v[k])) for v in (g.low, g.high)]
        except InputError:
            return {}
        return {"lam": mixture(car, *made), "side": side(car, made)}

    def _at(self, car: LessonCar, k: int, drawn: np.ndarray, *templates: str, **more: str) -> str:
        """Fill words about one place of the drawing; those about the fuel only where that much can be computed."""
        g = self._ends(car)
        low, high = (f"{round(100 * float(v[k]))}" for v in (g.low, g.high))
        more |= {
            "drawn": percent(drawn[k] / 100),
            "computed": f"{high} %" if low == high else f"{low} to {high} %",
            "place": _bare(g.P[k], car.system),
        } | self._made(car, k, drawn)
        return told("".join(t for t in templates if "lam" in more or "{lam}" not in t), self.facts(car), **more)

    def tried(self, car: LessonCar, value: float) -> str:
        g, s = tb.gauge_flow(car.sheet, [value / 100]), car.system
        spread = changes(Band(float(g.low[0]) - 1, float(g.likely[0]) - 1, float(g.high[0]) - 1, ""))
        return (
            f"At {gauge(g.P[0], s)} the bottle is at {display.temperature(g.T[0], s)}: the flow has changed by {spread}, the square root says {change(g.rule[0] - 1)}, "
            f"and the liquid weighs {100 * g.density[0]:.0f} % as much."
        )

    def picture(self) -> LessonPicture:
        return DensityPicture()


class BottleWindow(Step):
    """Why a bottle is held between two pressures, if the flow hardly moves."""

    key, title = "bottle_window", "The bottle's window"
    question = "If warming hardly moves the flow, why hold the bottle in a window at all?"
    scene = (
        "This shop holds the bottle between {low_P} and {high_P} when a pass begins. With liquid and vapour in it that is {low_T} to {high_T}.",
        "You have just seen that the flow changes little over such a span. Still nobody sprays from a bottle outside it. Which reason holds?",
    )
    _options = (
        "More pressure is more power: at the upper end of the window the shot is the strongest.",
        "Only there does the gauge tell how much nitrous is left for the next pass.",
        "Passes are alike, liquid comes to the nozzle, and the valve still opens against it.",
        "Higher is better until the relief disc lets go, and the window is the margin to that.",
    )
    why = (
        "A window makes one pass like the next. {tolerance} off the mark move the flow by {cold_step} from a bottle at {morning}, but only by {window_step} in mid-window. {fall} "
        "And the liquid stands at its boiling point: what pressure it loses in line and valve turns some of it to vapour on the way. A cold bottle has less to lose. Vapour at the nozzle makes the mixture "
        "rich, and leaner with a jump when liquid comes back.",
        "The upper end has its own reasons. {valve} And liquid swells when it is warmed. {full} From there on the gauge climbs {climb}, for liquid does not give way as vapour does. "
        "So the fill weight belongs to the window. The law's fill limit, {fill_limit} of the water it would hold (from memory), leaves room to swell.",
        "At {critical_T} and {critical_P} liquid and vapour become one. Above, there is no liquid at any pressure, but a dense gas whose flow nobody has tuned for. A bottle left in a closed car at {sun_T} goes "
        "far past that, {sun}, or its relief lets go. Heat it with an electric jacket and a switch that watches the pressure, never with a flame, and never block the relief disc. It is there for "
        "the day on which all else has failed.",
    )
    sources = "Lemmon & Span 2006 through CoolProp; fill limit from memory; the window itself is common practice"

    def ask(self, _car: LessonCar) -> Choice:
        return Choice(self._options)

    def knob(self, car: LessonCar) -> Knob:
        share = 100 * tb.window(car.sheet).mass / tb.window(car.sheet).rated
        start = float(min(max(round(share), 10), 125))
        hint = "Fill and empty the bottle. Watch where the blue line leaves the boiling line, and what the gauge shows before it does."
        return Knob("fill", "% of the rated weight", (10.0, 125.0, 1.0), start, 0, hint)

    def facts(self, car: LessonCar) -> dict[str, str]:
        w, s = tb.window(car.sheet), car.system
        temperature = lambda kelvin: display.temperature(kelvin, s)  # noqa: E731
        kg = lambda value: display.quantity(value, "kg", s, 1)  # noqa: E731
        if w.valve is None:
            valve = "A valve can only lift against so much pressure; this sheet does not say how much, so look it up."
        else:
            room = "which is beyond the window"
            if w.valve <= w.low:
                room = "which is below the window: valve and window do not go together"
            elif w.valve <= w.high:
                room = "which is inside the window, so the window has to end lower"
            valve = f"This valve opens against {gauge(w.valve, s)} and no more, {room}."
        fall = (
            "What a pass takes off the gauge is not computed, for this fill bears none."
            if w.fall is None
            else f"A pass cools the rest of it and takes about {lost(w.fall, s)} off the gauge, so the pass has to begin high enough."
        )
        rated_full = f"at its rated {kg(w.rated)} it has no room for vapour from {temperature(w.rated_full_T)} on."
        if abs(w.mass / w.rated - 1) < 0.01:
            full = f"This bottle is full: {rated_full}"
        elif w.full_T is None:
            full = f"With {kg(w.mass)} this bottle keeps some vapour up to {temperature(T_CRITICAL)}; {rated_full}"
        else:
            full = f"With {kg(w.mass)} this bottle is full of liquid from {temperature(w.full_T)} on; {rated_full}"
        rated_climb = tb.climb(w.rated, w.rated / FILLING_DENSITY)
        return {
            "low_P": gauge(w.low, s).removesuffix(" gauge"),
            "high_P": gauge(w.high, s),
            "low_T": temperature(w.low_T),
            "high_T": temperature(w.high_T),
            "tolerance": lost(tb.STEP_P, s),
            "morning": temperature(tb.COLD_T),
            "cold_step": changes(w.cold_step),
            "window_step": changes(w.window_step),
            "fall": fall,
            "valve": valve,
            "full": full,
            "rated_full": temperature(w.rated_full_T),
            "climb": "much faster" if rated_climb is None else f"about {rated_climb:.1f} times as fast",
            "fill_limit": f"{FILLING_DENSITY / 10:.0f} %",
            "critical_T": temperature(T_CRITICAL),
            "critical_P": gauge(P_CRITICAL - 1e3 * car.sheet.value("site.barometer_kpa"), s),
            "sun_T": temperature(T_SUN),
            "sun": "beyond what is computed" if w.sun is None else f"to about {roughly(w.sun, s)} as it is filled",
        }

    def finding(self, _car: LessonCar) -> str:
        return (
            "The window is there for passes that repeat, for liquid at the nozzle, and for a valve that opens, not for more flow. {tolerance} move the flow by {window_step} in mid-window, "
            "but by {cold_step} at {morning}; a bottle at its rated fill has no room left from {rated_full} on, and climbs {climb} from there."
        )

    def verdict(self, _car: LessonCar, answer: Answer) -> tuple[str, str]:
        return (
            (OFF, "In the window {tolerance} more on the gauge move the flow by {window_step}, so there is no stronger shot to be had. Whoever heats the "
                  "bottle for power gets none, and stands nearer to {critical_T}, a valve that sticks and a full bottle that climbs."),
            (OFF, "As long as liquid and vapour are in it, the gauge shows the temperature and nothing else: nearly empty or half full, it reads the same. Whoever trusts it "
                  "starts a pass with too little. The pick-up then draws vapour: rich, weak and uneven, and whoever leans the fuel for it is lean with the next bottle. Only a scale tells what is left."),
            (RIGHT, "Held in the window the bottle gives the same pass each time, and the tune fits what comes. The full bottle belongs to it too: weigh it, and know from where it climbs."),
            (OFF, "The disc is the last guard, not the goal. Well below it the valve may no longer lift, so that no nitrous comes on top of fuel and retard, and past {critical_T} there is no "
                  "liquid left to meter. Whoever heats towards it gains no flow and risks the bottle."),
        )[int(answer)]  # fmt: skip

    def tried(self, car: LessonCar, value: float) -> str:
        f, w, s = tb.filled(car.sheet, value / 100), tb.window(car.sheet), car.system
        there = display.temperature(w.high_T, s)
        if value > 100:
            start = f"Overfilled to {value:.0f} %, not to be used: "
        else:
            start = f"Filled to {value:.0f} % of its rated weight, "
        if not f.liquid:
            return f"{start}the bottle holds vapour only at {there}: for a pass it is empty, though the gauge still shows {gauge(f.at_high, s)}."
        sun = "beyond what is computed" if f.sun is None else f"about {roughly(f.sun, s)}"
        if f.full_T is None:
            return f"{start}the bottle keeps some vapour up to the critical point; at {there} the gauge shows {gauge(f.at_high, s)}, and in the sun {sun}."
        full = f"the bottle has no vapour left from {display.temperature(f.full_T, s)} on"
        if f.at_high is None:
            at = "more than is computed"
        else:
            at = f"about {roughly(f.at_high, s)}" if f.full_T < w.high_T else gauge(f.at_high, s)
        return f"{start}{full}; at {there} the gauge shows {at}, and in the sun {sun}."

    def picture(self) -> LessonPicture:
        return WindowPicture()
