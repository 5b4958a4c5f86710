"""The pictures of the fuel panel."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from kernel_lib.plan.fuel import TOO_LEAN_LAMBDA

from . import display, theme
from . import fuel_words as words
from .fuel_model import FuelSide
from .picture import font, names


def duty_figure() -> theme.Figure:
    """Shares of injectors and pump over rpm."""
    fig = theme.figure(340, right=30)
    for color in (theme.WITH_BAND, "rgba(204,121,167,0.18)"):
        fig.add_trace(go.Scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=color, hoverinfo="skip"))
    fig.add_trace(theme.line(theme.WITHOUT, name="injectors without nitrous"))
    fig.add_trace(theme.line(theme.WITH, name="injectors with the shot"))
    fig.add_trace(theme.line("#cc79a7", name="pump with the shot"))
    for color, name in ((theme.WITHOUT, "injectors, no nitrous"), (theme.WITH, "injectors"), ("#cc79a7", "pump")):
        fig.add_trace(names(color, "top center", text=[name]))
    fig.update_xaxes(title_text="engine speed, rpm")
    fig.update_yaxes(title_text="share used, %", rangemode="tozero")
    for trace in fig.data[2:5]:
        trace.hovertemplate = f"%{{x:.0f}} rpm: %{{y:.0f}} %<extra>{trace.name}</extra>"
    return fig


def draw_duty(fig: theme.Figure, side: FuelSide) -> None:
    """Draw the duty picture of a result."""
    table, limits = side.plan.table, side.sheet.limits
    rpm = table["rpm"].to_numpy()
    round_trip = np.concatenate([rpm, rpm[::-1]])
    known = not side.pump_reason
    with fig.batch_update():
        for k, key in enumerate(("injector_duty_percent", "pump_percent")):
            low, high = table[f"{key}_low"].to_numpy(), table[f"{key}_high"].to_numpy()
            shown = k == 0 or known
            fig.data[k].x, fig.data[k].y = (round_trip, np.concatenate([low, high[::-1]])) if shown else ([], [])
        lines = (
            side.bare_duty,
            table["injector_duty_percent"].to_numpy(),
            table["pump_percent"].to_numpy() if known else np.array([]),
        )
        for k, y in enumerate(lines):
            x = rpm if len(y) else np.array([])
            at = slice(len(y) * (2 + 2 * k) // 8, len(y) * (2 + 2 * k) // 8 + 1)
            fig.data[2 + k].x, fig.data[2 + k].y = x, y
            fig.data[5 + k].x, fig.data[5 + k].y = x[at], y[at]
        edge = {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "line": {"color": theme.INK, "width": 1}}
        marks = [
            (limits.injector_duty_percent, "limit, injectors"),
            *([(limits.pump_percent, "limit, pump")] if known else []),
        ]
        fig.layout.shapes = [{**edge, "y0": y, "y1": y} for y, _ in marks]
        label = {
            "x": 1,
            "xref": "paper",
            "xanchor": "right",
            "yanchor": "bottom",
            "showarrow": False,
            "font": font(theme.INK),
        }
        same = len({y for y, _ in marks}) < len(marks)
        shown = [(marks[0][0], "limit of both")] if same else marks
        least = min(y for y, _ in shown)
        fig.layout.annotations = [
            {**label, "y": y, "text": text, "yanchor": "bottom" if y > least or len(shown) == 1 else "top"}
            for y, text in shown
        ]
        fig.update_xaxes(range=[float(rpm[0]), float(rpm[-1])])


def jet_figure() -> theme.Figure:
    """Mixture over jet bore."""
    fig = theme.figure(340)
    fig.add_trace(
        go.Scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
    )
    fig.add_trace(theme.line(theme.WITH, name="likely"))
    fig.add_trace(theme.line(theme.TRADE, name="trade's too lean", dash="dash", width=1.8))
    dot = {"symbol": "circle", "size": 9, "color": theme.INK}
    fig.add_trace(go.Scatter(mode="markers", marker=dot, name="in the shop", cliponaxis=False))
    fig.add_trace(theme.this_car())
    fig.add_trace(names(theme.TRADE, "top left", text=["trade's too lean"]))
    return fig


def draw_jet(fig: theme.Figure, side: FuelSide, scale: float, system: str) -> None:
    """Draw the jet picture of a result."""
    wet, to = side.wet, words.bore_unit(system)
    keep = (wet.lambda_ > 0.6) & (wet.lambda_ < 1.15)
    x = to.there(wet.bores[keep])
    band, likely, lean, owned, fitted, label = fig.data
    low, mid, high = (scale * line[keep] for line in (wet.low, wet.lambda_, wet.high))
    with fig.batch_update():
        band.x, band.y = np.concatenate([x, x[::-1]]), np.concatenate([low, high[::-1]])
        likely.x, likely.y = x, mid
        lean.x, lean.y = x[[0, -1]], np.full(2, scale * TOO_LEAN_LAMBDA)
        label.x, label.y = x[-1:], [scale * TOO_LEAN_LAMBDA]
        owned.x, owned.y = [to.there(b) for b, _ in wet.owned], [scale * v for _, v in wet.owned]
        shown = wet.fitted is not None and 0.6 < wet.fitted_lambda < 1.15
        fitted.x, fitted.y = ([to.there(wet.fitted)], [scale * wet.fitted_lambda]) if shown else ([], [])
        digits = display.bore_digits(system)
        for trace, name in ((likely, "likely"), (owned, "in the shop"), (fitted, "fitted")):
            trace.hovertemplate = f"%{{x:.{digits}f}} {to.unit}: gauge AFR %{{y:.1f}}<extra>{name}</extra>"
        fig.update_xaxes(title_text=f"fuel jet bore, {to.unit}")
        fig.update_yaxes(title_text=f"gauge AFR ({scale:g} at lambda 1)")


def pulse_figure() -> theme.Figure:
    """Mixture over valve duty."""
    fig = theme.figure(300)
    fig.add_trace(
        go.Scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
    )
    fig.add_trace(theme.line(theme.WITH, name="likely"))
    fig.add_trace(theme.line(theme.TRADE, name="trade's too lean", dash="dash", width=1.8))
    fig.update_xaxes(title_text="valve duty of both valves, %", range=[10, 100])
    return fig


def draw_pulse(fig: theme.Figure, side: FuelSide, scale: float) -> None:
    """Draw the pulse picture of a result."""
    wet = side.wet
    x = 100 * wet.duty
    band, likely, lean = fig.data
    with fig.batch_update():
        band.x = np.concatenate([x, x[::-1]])
        band.y = scale * np.concatenate([wet.drift["low"], wet.drift["high"][::-1]])
        likely.x, likely.y = x, scale * wet.drift["likely"]
        lean.x, lean.y = x[[0, -1]], np.full(2, scale * TOO_LEAN_LAMBDA)
        for trace in (likely, lean):
            trace.hovertemplate = f"%{{x:.0f}} %: gauge AFR %{{y:.1f}}<extra>{trace.name}</extra>"
        fig.update_yaxes(title_text=f"gauge AFR ({scale:g} at lambda 1)")
