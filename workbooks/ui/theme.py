"""Colours and figure defaults; a colour means the same on every page."""

from __future__ import annotations

import plotly.graph_objects as go

from .figure import Figure

PAPER, INK, QUIET, RULE, ACCENT = "#fbfaf7", "#1b1f24", "#5b6470", "#d9d5cc", "#8a3b12"
WITHOUT, WITH, TRADE, GUESS = "#6b7280", "#0072b2", "#d55e00", "#a0457f"
WITH_BAND = "rgba(0,114,178,0.18)"
TRADE_BAND = "rgba(213,94,0,0.12)"
FONT = 'system-ui, -apple-system, "Segoe UI", Roboto, "Liberation Sans", sans-serif'

_AXIS = {
    "showgrid": True,
    "gridcolor": "#ebe7de",
    "gridwidth": 1,
    "zeroline": False,
    "showline": True,
    "linecolor": QUIET,
    "ticks": "outside",
    "tickcolor": QUIET,
    "ticklen": 4,
    "automargin": False,  # it would lay every picture out twice
    "fixedrange": True,
    "title": {"standoff": 8},
}


def figure(height: int, left: int = 62, right: int = 16, bottom: int = 50, **layout) -> Figure:
    """Return an empty figure in the look of the pages: no frame, no title (the finding stands above it as text)."""
    fig = Figure()
    fig.update_layout(
        height=height,
        paper_bgcolor=PAPER,
        plot_bgcolor=PAPER,
        font={"family": FONT, "size": 13, "color": INK},
        margin={"l": left, "r": right, "t": 26, "b": bottom},
        showlegend=False,
        hovermode="closest",
        dragmode=False,
        hoverlabel={"font": {"family": FONT, "size": 13}, "bgcolor": "#ffffff", "bordercolor": QUIET},
        **layout,
    )
    fig.update_xaxes(**_AXIS)
    fig.update_yaxes(**_AXIS)
    return fig


def line(color: str, *, dash: str = "solid", width: float = 2.2, **rest) -> go.Scatter:
    """Return an empty line."""
    return go.Scatter(mode="lines", line={"color": color, "dash": dash, "width": width}, **rest)


def this_car() -> go.Scatter:
    """Return the mark of this car's point: a ring in the accent."""
    marker = {"symbol": "circle-open", "size": 15, "color": ACCENT, "line": {"width": 3}}
    return go.Scatter(mode="markers", marker=marker, cliponaxis=False)


def axis_style() -> dict:
    """Return what `figure` gives its axes, for axes added later."""
    return dict(_AXIS)
