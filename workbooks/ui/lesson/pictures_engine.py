"""Pictures of the lesson's engine steps that run over engine speed: air, fuel, retard."""

from __future__ import annotations

import numpy as np

from kernel_lib.text import banded, listed
from kernel_lib.units import c_from_k

from .. import display, theme
from ..picture import apart, names
from ..timing_pictures import KNOCK, PHASING, PRESSURE
from .engine_numbers import angle_up, evaporation_of, fuel_at_peak, fuel_over_speed, mixture, retard_of, speed
from .step import Answer, LessonCar, LessonPicture, guess_line

_RIGHT = 150  # px for names of lines


class EnginePicture(LessonPicture):
    """A picture that sends only what has changed."""

    def put(self, index: int, **arrays) -> None:
        """Send arrays to a trace, but not those it has already."""
        sent = self.__dict__.setdefault("_sent", {})
        for name, value in arrays.items():
            array = np.asarray(value, float)
            before = sent.get((index, name))
            if before is None or not np.array_equal(before, array, equal_nan=True):
                sent[index, name] = array
                self.figure.data[index][name] = array

    def frame(self, key: tuple, axes: dict) -> None:
        """Lay out anew only where what is shown of it has changed."""
        if self.__dict__.get("_framed") != key:
            self._framed = key
            self.figure.update_layout(axes)


class OverSpeed(EnginePicture):
    """Lines over engine speed, each named at its right end."""

    band = True

    def lines(self) -> list[tuple[str, object]]:
        """Name and trace of every line, from the back."""
        raise NotImplementedError

    def build(self) -> theme.Figure:
        fig = theme.figure(360, right=_RIGHT)
        fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
        self._count = len(self.lines())
        for _, trace in self.lines():
            fig.add_trace(trace)
        for name, trace in self.lines():
            fig.add_trace(names(trace.line.color, "middle right", text=[name]))
        for trace in guess_line():
            fig.add_trace(trace)
        return fig

    def draw(self, rpm: np.ndarray, rows: list, low: np.ndarray, high: np.ndarray, room: float) -> None:
        """Move band, lines and their names, which stay `room` apart."""
        held = np.isfinite(low) & np.isfinite(high)
        self.put(0, x=np.concatenate([rpm[held], rpm[held][::-1]]), y=np.concatenate([high[held], low[held][::-1]]))
        ends = []
        for k, y in enumerate(rows):
            self.put(1 + k, x=rpm, y=y)
            known = np.flatnonzero(np.isfinite(y))
            ends.append(float(y[known[-1]]) if len(known) else np.nan)
        for k, y in enumerate(apart(ends, room)):
            self.put(1 + self._count + k, x=[rpm[-1] + 0.012 * (rpm[-1] - rpm[0])], y=[y])

    def said(self, x, y, at: int = 0) -> None:
        """Draw the prediction; its name stands at one of its points."""
        first = 1 + 2 * self._count
        self.put(first, x=x, y=y)
        self.put(first + 1, x=[x[at]], y=[y[at]])

    @staticmethod
    def across(rpm: np.ndarray) -> dict:
        """The horizontal axis."""
        room = 0.03 * (rpm[-1] - rpm[0])
        return {"range": [rpm[0] - room, rpm[-1] + room], "title": {"text": "engine speed, rpm"}}


class AirPicture(OverSpeed):
    """Air that is left over speed."""

    def lines(self) -> list:
        hover = "%{y:.0f} % at %{x:.0f} rpm<extra></extra>"
        return [
            ("without nitrous", theme.line(theme.WITHOUT, hovertemplate=f"without nitrous: {hover}")),
            ("with nitrous", theme.line(theme.WITH, width=3, hovertemplate=f"with nitrous: {hover}")),
        ]

    def guess(self, car: LessonCar, answer: Answer) -> None:
        rpm, self._said = evaporation_of(car).rpm, float(answer)
        self.said([rpm[0], rpm[0] + 0.12 * (rpm[-1] - rpm[0])], [answer, answer], 1)

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        e = evaporation_of(car)
        air, T = e.at(value / 100)
        said = self.__dict__.get("_said", 100.0)
        span = [10.0 * np.floor(min(52.0, 100 * e.air_low[0], said - 2) / 10.0), max(120.0, said + 10.0)]
        axes = {
            "xaxis": self.across(e.rpm),
            "yaxis": {"range": span, "title": {"text": "air drawn, % of that without"}},
        }
        self.frame((car.sheet, car.plan.flow.best, said), axes)
        self.draw(
            e.rpm,
            [np.full(len(e.rpm), 100.0), 100 * air],
            100 * e.air_low,
            100 * e.air_high,
            0.055 * (span[1] - span[0]),
        )
        to = display.shown("°C", car.system)
        cold = f"{to.there(c_from_k(float(T[0]))):.0f} {to.unit}"
        return (
            f"With {value:.0f} % of the heat from the metal {100 * air[0]:.0f} % of the air is left at {speed(e.rpm[0])}, at {cold}",
            "Air drawn in one cycle over engine speed, all of the nitrous flowing. Shaded: everything that is not known of the boiling.",
        )


class FuelPicture(OverSpeed):
    """Fuel to add over speed, in percent of the trade's rule, for both kinds of metering."""

    def lines(self) -> list:
        hover = "%{y:.0f} % of the rule at %{x:.0f} rpm<extra></extra>"
        return [
            ("common practice", theme.line(theme.TRADE, dash="dash", hovertemplate=f"the rule: {hover}")),
            (
                "other metering",
                theme.line(theme.WITH, dash="dot", width=1.8, hovertemplate=f"the other metering: {hover}"),
            ),
            ("this car", theme.line(theme.WITH, width=3, hovertemplate=f"this car: {hover}")),
        ]

    def guess(self, car: LessonCar, answer: Answer) -> None:
        self._said = float(answer)
        rpm = fuel_over_speed(car).rpm
        self.said([rpm[0], 0.7 * rpm[0] + 0.3 * rpm[-1], rpm[-1]], [answer] * 3, 1)

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        shot, own = fuel_over_speed(car), car.sheet.controller.metering
        other = "mass-air" if own == "speed-density" else "speed-density"
        mine, theirs = shot.percent(own, value), shot.percent(other, value)
        ends = [
            shot.percent(metering, car.sheet.engine.lambda_with_nitrous + shift)
            for metering in (own, other)
            for shift in (-0.1, 0.0)
        ]
        top = 50.0 * np.ceil(1.1 * max(160.0, self.__dict__.get("_said", 0.0), *(float(v.max()) for v in ends)) / 50.0)
        bottom = min(0.0, 50.0 * np.floor(float(min(mine.min(), theirs[0].min())) / 50.0))
        axes = {
            "xaxis": self.across(shot.rpm),
            "yaxis": {"range": [bottom, top], "title": {"text": "fuel to add, % of the rule's"}},
        }
        self.frame((car.sheet, shot.hp, top, bottom), axes)
        rows = [np.full(len(shot.rpm), 100.0), theirs[0], mine[0]]
        self.draw(shot.rpm, rows, mine.min(axis=0), mine.max(axis=0), 0.055 * (top - bottom))
        now = fuel_at_peak(car).band(own, lambda_=value)
        return (
            f"At {mixture(value, car.scale)} this car needs {banded(now.low, now.best, now.high)} % of the rule's fuel at {shot_speed(car)}",
            f"Fuel to add for the shot over engine speed. Bold: this car's own metering, {own}, shaded what is not known of it. Dotted: the same car with {other} metering.",
        )


def shot_speed(car: LessonCar) -> str:
    """Speed at which a shot is counted."""
    return f"{car.sheet.engine.peak_power_rpm:.0f} rpm"


class RetardPicture(OverSpeed):
    """Retard over speed: three reasons, likely need with its band, first hit, the trade's rule."""

    def lines(self) -> list:
        out = []
        for name, color, dash, width in (
            ("common practice", theme.TRADE, "dash", 2.2),
            ("likely need", theme.WITH, "solid", 6),
            ("first hit", theme.ACCENT, "solid", 3),
            ("phasing", PHASING, "dot", 2.4),  # thin over bold: the reason that sets the need stays in sight
            ("knock", KNOCK, "dash", 1.8),
            ("pressure", PRESSURE, "dashdot", 1.8),
        ):
            hover = f"{name}: %{{y:.1f}} deg at %{{x:.0f}} rpm<extra></extra>"
            out.append((name, theme.line(color, dash=dash, width=width, hovertemplate=hover)))
            if width >= 3:
                out[-1][1].mode = "lines+markers"
        return out

    def guess(self, car: LessonCar, answer: Answer) -> None:
        self.said(retard_of(car).rpm, np.asarray(answer, float), 1)

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        r = retard_of(car)
        k = r.row(value / 100)
        rows = [drawn(r.rule[k]), drawn(r.likely[k]), drawn(r.first_hit[k])]
        rows += [drawn(r.needs[reason][k]) for reason in ("phasing", "knock", "pressure")]
        axes = {
            "xaxis": self.across(r.rpm),
            "yaxis": {"range": [-6, 36], "title": {"text": "timing taken out, degrees"}},
        }
        self.frame((car.sheet, car.plan.flow.best), axes)
        self.draw(r.rpm, rows, drawn(r.low[k]), drawn(r.edge[k]), 2.3)
        short = [f"{rpm:.0f}" for rpm in r.rpm[~r.reachable[k]]]
        none = f"; at {listed(short)} rpm no retard keeps every limit" if short else ""
        return (
            f"With {value:.0f} % of the shot the cautious edge is {angle_up(r.edge[k][0])} at {speed(r.rpm[0])} and {angle_up(r.edge[k][-1])} at {speed(r.rpm[-1])}{none}",
            "Retard from the known-good timing over engine speed: what each reason asks for, likely; the likely need, shaded up to the cautious edge; the first hit where every limit can be kept.",
        )


def drawn(values) -> np.ndarray:
    """Values as a line can show them: what asks for nothing lies on zero, what cannot be met is left out."""
    values = np.asarray(values, float)
    return np.where(np.isfinite(values), np.maximum(values, 0.0), np.nan)
