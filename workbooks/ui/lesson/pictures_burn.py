"""Pictures of the lesson's engine steps that look into the cylinder: the burn over crank angle, and what a cycle asks for."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from .. import theme
from ..picture import names
from .engine_numbers import burn_of, load_of, speed
from .pictures_engine import EnginePicture
from .step import Answer, LessonCar, guess_line

_THETA = np.arange(-40.0, 81.0, 1.0)


class BurnPicture(EnginePicture):
    """Share burned over crank angle at an unchanged spark."""

    def build(self) -> theme.Figure:
        fig = theme.figure(360)
        fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
        hover = "%{y:.0f} % burned %{x:.0f} degrees after TDC<extra></extra>"
        fig.add_trace(theme.line(theme.WITHOUT, hovertemplate=f"without nitrous: {hover}"))
        fig.add_trace(theme.line(theme.WITH, width=3, hovertemplate=f"with nitrous: {hover}"))
        fig.add_trace(names(theme.WITHOUT, "middle right", text=["without nitrous"]))
        fig.add_trace(names(theme.WITH, "middle left", text=["with nitrous"]))
        for trace in guess_line():
            fig.add_trace(trace)
        fig.update_xaxes(
            range=[-42, 82], title_text="crank angle, degrees after top dead centre", tickvals=np.arange(-40, 81, 20)
        )
        fig.update_yaxes(range=[-3, 106], title_text="share of the charge burned, %")
        return fig

    def guess(self, car: LessonCar, answer: Answer) -> None:
        b = burn_of(car)
        delay, duration = (0.01 * float(answer) * v for v in b.own)
        y = 100 * b.burned(_THETA, delay, duration)
        self.put(5, x=_THETA, y=y)
        self.put(6, x=[_reached(y, 93.0)], y=[94.0])

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        b = burn_of(car)
        known = np.isfinite(b.corners[1])
        every = 100 * b.burned(_THETA[None, :], b.corners[0][known][:, None], b.corners[1][known][:, None])
        low, high = every.min(axis=0), every.max(axis=0)
        own, shot = 100 * b.burned(_THETA, *b.own), 100 * b.burned(_THETA, *b.at(value / 100))
        self.put(0, x=np.concatenate([_THETA, _THETA[::-1]]), y=np.concatenate([high, low[::-1]]))
        self.put(1, x=_THETA, y=own)
        self.put(2, x=_THETA, y=shot)
        self.put(3, x=[_reached(own, 26.0) + 2], y=[25.0])
        self.put(4, x=[_reached(shot, 68.0) - 2], y=[68.0])
        sooner = _reached(own, 50.0) - _reached(shot, 50.0)
        how = (
            f"{abs(sooner):.0f} degrees {'earlier' if sooner > 0 else 'later'} than"
            if abs(sooner) >= 0.5
            else "where it is"
        )
        return (
            f"With the flame at {value:.0f} % of the computed speed the middle of the burn comes {how} without nitrous",
            f"Share burned over crank angle at {speed(b.rpm)}, spark unchanged {b.spark_deg:.0f} degrees before top dead centre. Shaded: everything that cannot be ruled out.",
        )


def _reached(burned: np.ndarray, share: float) -> float:
    """Crank angle at which a share has burned."""
    return float(np.interp(share, burned, _THETA))


class LoadPicture(EnginePicture):
    """Knock, heat and voltage over the engine's own."""

    def build(self) -> theme.Figure:
        fig = theme.figure(360, left=190, right=110)
        fig.add_trace(
            go.Bar(
                orientation="h",
                width=0.5,
                marker={"color": theme.WITH},
                error_x={"type": "data", "symmetric": False, "color": theme.INK, "thickness": 1.5, "width": 5},
                hovertemplate="%{x:.1f} times the engine's own<extra></extra>",
            )
        )
        fig.add_trace(theme.line(theme.WITHOUT, hoverinfo="skip"))
        fig.add_trace(names(theme.WITHOUT, "top center", text=["the engine's own"]))
        fig.add_trace(names(theme.GUESS, "middle right"))
        labels = ["voltage the coil must give", "heat to walls and plug", "nearness to knock"]
        fig.update_yaxes(tickvals=[0, 1, 2], ticktext=labels, range=[-0.6, 2.75], showgrid=False)
        fig.update_xaxes(title_text="times the engine's own, in one cycle")
        self._told = ""
        return fig

    def guess(self, _car: LessonCar, answer: Answer) -> None:
        told = (
            ("falls", "falls", "falls"),
            ("stays", "falls", "falls"),
            ("stays", "stays", "falls"),
            ("stays", "rises", "stays"),
        )
        self.figure.data[3].text = [f"you: {word}" for word in told[int(answer)]]
        self.put(3, y=[0.0, 1.0, 2.0])

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        q = load_of(car)
        scale = q.knock_at(value) / q.knock.best
        best = np.array([q.voltage.best, q.heat.best, scale * q.knock.best])
        high = np.array([q.voltage.high, q.heat.high, scale * q.knock.high])
        low = np.array([q.voltage.low, q.heat.low, scale * q.knock.low])
        worst = q.knock.high * max(1.0, q.knock_at(-4.0 if q.ron > 44 else 0.0) / q.knock.best)
        top = float(0.5 * np.ceil(1.02 * max(q.voltage.high, q.heat.high, worst, 1.2) / 0.5))
        self.frame((car.sheet, car.plan.flow.best, top), {"xaxis": {"range": [0, top]}})
        bar = self.figure.data[0]
        self.put(0, x=best, y=[0, 1, 2])
        bar.error_x.array, bar.error_x.arrayminus = high - best, best - low
        self.put(1, x=[1.0, 1.0], y=[-0.6, 2.5])
        self.put(2, x=[1.0], y=[2.5])
        self.put(3, x=[top] * 3)
        return (
            f"With {q.ron + value:g} RON in the tank the knock integral ends at {100 * best[2]:.0f} % of the engine's own; heat and voltage do not move",
            f"One cycle with all of the shot at {speed(q.rpm)}, {q.retard_deg:g} degrees later than known-good, over one without. Lines: everything that is not known.",
        )
