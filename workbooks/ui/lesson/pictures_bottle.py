"""Pictures of the lesson about the bottle."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from kernel_lib import units
from kernel_lib.teach import bottle as tb
from kernel_lib.thermo.fluid import P_CRITICAL, T_CRITICAL
from kernel_lib.thermo.vessel import bottle_volume

from .. import display, theme
from ..bottle_curves import closed_bottle, saturation_line
from ..bottle_model import T_SPAN
from ..picture import apart, font, names
from .step import Answer, LessonCar, LessonPicture, guess_line

PLACES = (60.0, 80.0, 100.0, 110.0, 125.0)
"""Of the gauge, % of that of the bottle from which flow is counted."""
_SHARES = np.linspace(*tb.GAUGE, 53)
_TOP = 1.5e7  # Pa gauge, upper end of the window's picture


def gauge(pascal: float, system: str) -> str:
    """Write a gauge pressure to ten psi or fifty kPa."""
    to = display.shown("kPa gauge", system)
    step = 10 if system == display.US else 50
    return f"{step * round(to.there(pascal / 1e3) / step):.0f} {to.unit}"


def roughly(pascal: float, system: str) -> str:
    """Write the gauge of a bottle full of liquid, which a percent more or less of fill moves by far: to a hundred psi or five hundred kPa."""
    to = display.shown("kPa gauge", system)
    step = 100 if system == display.US else 500
    return f"{step * round(to.there(pascal / 1e3) / step):.0f} {to.unit}"


def _pressure(pascal, car: LessonCar) -> np.ndarray:
    return display.shown("kPa gauge", car.system).there(np.asarray(pascal, float) / 1e3)


def _degrees(kelvin, car: LessonCar) -> np.ndarray:
    return display.shown("°C", car.system).there(units.c_from_k(np.asarray(kelvin, float)))


class DensityPicture(LessonPicture):
    """Flow over the gauge: models, square root, weight of the liquid."""

    def __init__(self) -> None:
        self._answer: tuple[tuple[float, ...], tuple[float, ...]] | None = None
        super().__init__()

    def build(self) -> theme.Figure:
        fig = theme.figure(height=360, right=118)
        fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
        fig.add_trace(theme.line(theme.WITHOUT, width=1.6))
        fig.add_trace(theme.line(theme.TRADE, dash="dash", width=2.0))
        fig.add_trace(theme.line(theme.WITH))
        fig.add_trace(theme.this_car())
        for color in (theme.WITHOUT, theme.TRADE, theme.WITH):
            fig.add_trace(names(color, "middle right"))
        fig.add_traces(guess_line())
        for k, text in ((5, "   liquid's weight"), (6, "   square root"), (7, "   computed")):
            fig.data[k].text = [text]
        fig.update_yaxes(title_text="flow, % of the first", range=[58, 134])
        return fig

    def guess(self, car: LessonCar, answer: Answer) -> None:
        self._answer = (PLACES, tuple(answer))
        self._draw_guess(car)

    def _draw_guess(self, car: LessonCar) -> None:
        if self._answer is None:
            return
        places, heights = self._answer
        first = float(tb.gauge_flow(car.sheet, [1.0]).P[0])
        x = _pressure(np.array(places) / 100 * first, car)
        line, name = self.figure.data[8], self.figure.data[9]
        line.x, line.y, name.x, name.y = x, np.array(heights), x[1:2], np.array(heights[1:2])
        self.figure.layout.yaxis.range = [min(58.0, min(heights) - 4), max(134.0, max(heights) + 6)]

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        g, at = tb.gauge_flow(car.sheet, _SHARES), tb.gauge_flow(car.sheet, [value / 100])
        x, unit = _pressure(g.P, car), display.shown("kPa gauge", car.system).unit
        degree = display.shown("°C", car.system).unit
        band, weight, rule, flow, ring = self.figure.data[:5]
        there = [f"{gauge(P, car.system)}, {T:.0f} {degree}" for P, T in zip(g.P, _degrees(g.T, car), strict=True)]
        band.x, band.y = np.concatenate([x, x[::-1]]), 100 * np.concatenate([g.high, g.low[::-1]])
        for trace, y, what in (
            (weight, g.density, "weight of the liquid"),
            (rule, g.rule, "square root"),
            (flow, g.likely, "likely flow"),
        ):
            trace.x, trace.y, trace.text = x, 100 * y, there
            trace.hovertemplate = f"%{{text}}: %{{y:.0f}} %<extra>{what}</extra>"
        ring.x, ring.y = _pressure(at.P, car), 100 * at.likely
        ring.hovertemplate = f"{gauge(float(at.P[0]), car.system)}: %{{y:.0f}} %<extra>this bottle</extra>"
        ends = apart([100 * float(v[-1]) for v in (g.density, g.rule, g.likely)], 5.0)
        for trace, y in zip(self.figure.data[5:8], ends, strict=True):
            trace.x, trace.y = x[-1:], [y]
        self.figure.update_xaxes(
            title_text=f"gauge of the bottle, {unit}", range=[float(x[0]), float(x[-1])], tickformat=".0f"
        )
        self._draw_guess(car)
        low, high, rule_now = (100 * float(v[0]) for v in (at.low, at.high, at.rule))
        span = f"{low:.0f} to {high:.0f} %" if high - low >= 0.5 else f"{high:.0f} %"
        to = display.temperature(float(at.T[0]), car.system)
        title = f"At {gauge(float(at.P[0]), car.system)} ({to}) the nozzle passes {span} of the first flow; the square root of pressure says {rule_now:.0f} %"
        return (
            title,
            "Flow of liquid from a warmed or cooled bottle, three models (band; line: the one planned with); dashed: the trade's square root; grey: weight of the same room of liquid. A model result.",
        )


class WindowPicture(LessonPicture):
    """Pressure over temperature: boiling line, this bottle closed, the window."""

    def build(self) -> theme.Figure:
        fig = theme.figure(height=360, right=20)
        fig.add_trace(theme.line(theme.WITHOUT, width=1.6))
        fig.add_trace(theme.line(theme.WITH))
        mark = {"symbol": "x-thin", "size": 11, "color": theme.INK, "line": {"width": 2, "color": theme.INK}}
        fig.add_trace(
            go.Scatter(
                mode="markers+text",
                marker=mark,
                text=["critical point"],
                textposition="bottom right",
                textfont=font(theme.INK),
            )
        )
        fig.add_trace(theme.this_car())
        fig.add_trace(names(theme.WITH, "middle left", text=["this bottle, closed  "]))
        fig.add_trace(names(theme.WITHOUT, "bottom right", text=["boiling line"]))
        return fig

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        sheet, w, f = car.sheet, tb.window(car.sheet), tb.filled(car.sheet, value / 100)
        barometer = 1e3 * sheet.value("site.barometer_kpa")
        unit, degree = display.shown("kPa gauge", car.system).unit, display.shown("°C", car.system).unit
        boil, closed, critical, ring, name, boil_name = self.figure.data
        T, P = saturation_line()
        boil_x, boil_y = _degrees(T, car), _pressure(P - barometer, car)
        boil.x = boil_x
        T_closed, P_closed = closed_bottle(round(f.mass, 6), bottle_volume(w.rated))
        closed_x, closed_y = _degrees(T_closed, car), _pressure(P_closed - barometer, car)
        closed.x, critical.x = closed_x, [float(_degrees(T_CRITICAL, car))]
        own = units.k_from_c(sheet.nitrous.bottle_temperature_c)
        ring.x = [float(_degrees(own, car))]
        critical_y, ring_y = (
            [float(_pressure(P - barometer, car))] for P in (P_CRITICAL, np.interp(own, T_closed, P_closed))
        )
        seen = P_closed - barometer <= 0.8 * _TOP
        name.x, name.y = closed_x[seen][-1:], closed_y[seen][-1:]
        boil_name.x, boil_name.y = boil_x[15:16], boil_y[15:16]
        step = 50.0 if car.system == display.US else 500.0  # no more than is known of a closed bottle
        for trace, y, what in (
            (boil, boil_y, "boiling line"),
            (closed, closed_y, "this bottle, closed"),
            (critical, critical_y, "critical point"),
            (ring, ring_y, "now"),
        ):
            trace.y, trace.customdata = y, step * np.round(np.asarray(y) / step)
            trace.hovertemplate = f"%{{x:.0f}} {degree}: about %{{customdata:.0f}} {unit}<extra>{what}</extra>"
        self._marks(car, w)
        self.figure.update_xaxes(
            title_text=f"temperature of the bottle, {degree}",
            range=[float(_degrees(units.k_from_c(v), car)) for v in T_SPAN],
        )
        self.figure.update_yaxes(
            title_text=f"pressure, {unit}", range=[0, float(_pressure(_TOP, car))], tickformat=".0f"
        )
        full = (
            "keeps some vapour up to the critical point"
            if f.full_T is None
            else f"has no vapour left from {display.temperature(f.full_T, car.system)} on"
        )
        if not f.liquid:
            full = "holds vapour only in the window"
        return (
            f"Filled to {value:.0f} % of its rated weight the bottle {full}",
            "Pressure over temperature; blue: the closed bottle; grey: where liquid and vapour stand together; shaded: the window; ring: at the sheet's temperature.",
        )

    def _marks(self, car: LessonCar, w: tb.Window) -> None:
        """The window, and what the valve opens against."""
        low, high = (float(_pressure(v, car)) for v in (w.low, w.high))
        shapes = [
            {
                "type": "rect",
                "x0": 0,
                "x1": 1,
                "xref": "paper",
                "y0": low,
                "y1": high,
                "line": {"width": 0},
                "fillcolor": theme.TRADE_BAND,
                "layer": "below",
            }
        ]
        label = {"x": 0, "xref": "paper", "xanchor": "left", "yanchor": "bottom", "showarrow": False}
        own = "window" if car.sheet.is_given("nitrous.window_low_kpa") else "window (common practice)"
        notes = [{**label, "y": high, "text": own, "font": font(theme.TRADE)}]
        if w.valve is not None:
            y = float(_pressure(w.valve, car))
            shapes.append(
                {
                    "type": "line",
                    "x0": 0,
                    "x1": 1,
                    "xref": "paper",
                    "y0": y,
                    "y1": y,
                    "line": {"color": theme.INK, "width": 1},
                }
            )
            notes.append(
                {
                    **label,
                    "x": 1,
                    "xanchor": "right",
                    "y": y,
                    "text": "the valve opens no further",
                    "font": font(theme.INK),
                }
            )
        self.figure.layout.shapes, self.figure.layout.annotations = shapes, notes
