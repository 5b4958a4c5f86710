"""The pictures of the valve: pulses at one speed, beats over all of them, a hit coming in, what a stop takes.

Each reads `sheet`, `dosed` and `inputs` (rpm, pulse_hz, lead_ms) of a page's result.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go

from . import theme
from . import valve_model as model
from . import valve_words as words
from .picture import Picture, font, names
from .session import Session
from .timing_pictures import apart

_PARTS = (
    ("through cylinder and exhaust", ("cylinder", "exhaust"), "#9aa0a8"),
    ("sensor", ("sensor",), "#e69f00"),
    ("filter", ("filter",), "#56b4e9"),
    ("valve", ("valve",), "#cc79a7"),
    ("line behind the valve", ("line",), "#0072b2"),
    ("manifold", ("manifold",), "#009e73"),
)
_THIN = {"color": theme.INK, "width": 1}


def _level(y: float, text: str, side: str = "bottom") -> tuple[dict, dict]:
    """A level line with its name at the left end."""
    shape = {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": y, "y1": y, "line": _THIN}
    label = {"x": 0.01, "xref": "paper", "xanchor": "left", "y": y, "yanchor": side, "showarrow": False, "text": text, "font": font(theme.INK)}  # fmt: skip
    return shape, label


def _levels(fig: theme.Figure, levels: list[tuple[dict, dict]]) -> None:
    fig.layout.shapes, fig.layout.annotations = [s for s, _ in levels], [a for _, a in levels]


def _band(x: np.ndarray, low: np.ndarray, high: np.ndarray) -> dict:
    return {"x": np.concatenate([x, x[::-1]]), "y": np.concatenate([high, low[::-1]])}


class RipplePicture(Picture):
    """Lambda of the cycles over two pulses."""

    def build(self) -> theme.Figure:
        fig = theme.figure(340, right=92)
        fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
        fig.add_trace(theme.line(theme.TRADE, dash="dash", width=1.8))
        fig.add_trace(theme.line(theme.WITH))
        dot = {"symbol": "circle", "size": 6, "color": theme.ACCENT}
        fig.add_trace(go.Scatter(mode="markers", marker=dot, cliponaxis=False))
        fig.add_trace(names(theme.WITH, "middle right", text=["a cycle"]))
        fig.add_trace(names(theme.TRADE, "middle right", text=[f"at {model.TRADE_HZ:g} Hz"]))
        for k, what in ((1, f"at {model.TRADE_HZ:g} Hz"), (2, "drawn from then on"), (3, "an intake of this engine")):
            fig.data[
                k
            ].hovertemplate = f"%{{x:.0f}} ms: lambda %{{y:.3f}}, gauge AFR %{{customdata:.1f}}<extra>{what}</extra>"
        return fig

    def key(self, r: Any, _scale: float, _system: str) -> tuple:
        return r.sheet.limits, r.sheet.engine, r.inputs.pulse_hz, self._span(r)

    @staticmethod
    def _span(r: Any) -> tuple[float, float]:
        """Ends of the upright axis: what is drawn, the target and the lean stop."""
        target, stop = r.sheet.engine.lambda_with_nitrous, r.sheet.limits.lean_stop_lambda
        spot, values = model.Spot.of(r), [target - 0.06, target + 0.06, stop + 0.01]
        if spot.pulsed:
            p = model.pulses(spot)
            values += [p.low.min(), p.high.max(), p.trade.min(), p.trade.max()]
        return 0.02 * np.floor(min(values) / 0.02), 0.02 * np.ceil(max(values) / 0.02)

    def frame(self, r: Any, _scale: float, _system: str, _session: Session) -> None:
        limits, target = r.sheet.limits, r.sheet.engine.lambda_with_nitrous
        low, high = self._span(r)
        levels = [_level(target, "target"), _level(limits.lean_stop_lambda, "lean stop")]
        levels += [_level(limits.rich_stop_lambda, "rich stop")] if low < limits.rich_stop_lambda else []
        _levels(self.figure, levels)
        self.figure.update_xaxes(
            range=[0, 2000 / r.inputs.pulse_hz], title_text="time since the valve began to pass, ms"
        )
        self.figure.update_yaxes(range=[low, high], title_text="lambda of the cycle")

    def data(self, r: Any, scale: float, _system: str) -> None:
        spot = model.Spot.of(r)
        if not spot.pulsed:
            for k in range(6):
                self.put(k, x=[], y=[])
            return
        p = model.pulses(spot)
        other = abs(spot.hz - model.TRADE_HZ) > 0.25
        self.put(0, **_band(p.time_ms, p.low, p.high))
        self.put(
            1, x=p.time_ms if other else [], y=p.trade if other else [], customdata=scale * p.trade if other else []
        )
        self.put(2, x=p.time_ms, y=p.lambda_, customdata=scale * p.lambda_)
        self.put(3, x=p.intake_ms, y=p.intake_lambda, customdata=scale * p.intake_lambda)
        low, high = self._span(r)
        places = apart([float(p.lambda_[-1]), float(p.trade[-1]) if other else np.nan], 0.06 * (high - low))
        for k, y in enumerate(places):
            self.put(4 + k, x=[p.time_ms[-1]] if np.isfinite(y) else [], y=[y] if np.isfinite(y) else [])

    def words(self, r: Any, _scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        return words.ripple(r)


class BeatPicture(Picture):
    """Standing spread between cylinders over engine speed and pulse frequency."""

    def build(self) -> theme.Figure:
        fig = theme.figure(380, right=10)
        bar = {"thickness": 12, "outlinewidth": 0, "title": {"side": "right", "text": "worst cylinder above mean, %"}, "tickfont": {"size": 12}}  # fmt: skip
        fig.add_trace(go.Heatmap(colorscale="Cividis", colorbar=bar, zsmooth="best", zmin=0))
        for dash in ("solid", "dash"):
            fig.add_trace(theme.line("#ffffff", dash=dash, width=1.4, hoverinfo="skip"))
        fig.add_trace(names("#ffffff", "middle left", text=["a pulse a cycle"]))
        fig.add_trace(names("#ffffff", "middle left", text=["a pulse every second cycle"]))
        fig.add_trace(theme.line(theme.TRADE, dash="dash", width=1.8, hoverinfo="skip"))
        fig.add_trace(names(theme.TRADE, "top left", text=["trade: 10 Hz"]))
        fig.add_trace(theme.line(theme.ACCENT, width=2.4, hoverinfo="skip"))
        fig.add_trace(theme.this_car())
        fig.data[0].hovertemplate = "%{x:.0f} rpm, %{y:.1f} Hz: %{z:.1f} %<extra></extra>"
        fig.data[8].hovertemplate = "%{x:.0f} rpm, %{y:.1f} Hz<extra>this car</extra>"
        fig.update_yaxes(range=[float(model.HZ[0]), float(model.HZ[-1])], title_text="pulse frequency, Hz")
        return fig

    def key(self, r: Any, _scale: float, _system: str) -> tuple:
        return tuple(r.dosed.rpm[[0, -1]]) if len(r.dosed.rpm) else ()

    def frame(self, r: Any, _scale: float, _system: str, _session: Session) -> None:
        ends = self.key(r, 1.0, "")
        if ends:
            self.figure.update_xaxes(range=[float(v) for v in ends], title_text="engine speed, rpm")

    def data(self, r: Any, _scale: float, _system: str) -> None:
        if not len(r.dosed.rpm):
            self.put(0, x=[], y=[], z=[])
            for k in range(1, 9):
                self.put(k, x=[], y=[])
            return
        b, hz = model.beats(r), r.inputs.pulse_hz
        self.put(0, x=b.rpm, y=model.HZ, z=b.percent)
        ends, top = b.rpm[[0, -1]], model.HZ[-1]
        for k, part in enumerate((1.0, 0.5)):
            rate = part * b.rpm / 120
            seen = rate <= top
            self.put(1 + k, x=b.rpm[seen], y=rate[seen])
            at = np.interp(0.9 * top, rate, b.rpm)  # where its name stands
            self.put(3 + k, x=[at - 0.02 * (ends[1] - ends[0])], y=[part * at / 120])
        self.put(5, x=ends, y=[model.TRADE_HZ] * 2)
        self.put(6, x=ends[1:], y=[model.TRADE_HZ])
        self.put(7, x=ends, y=[hz, hz])
        self.put(8, x=[np.clip(r.inputs.rpm, *ends)], y=[hz])

    def words(self, r: Any, _scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        return words.beat(r)


class LeadPicture(Picture):
    """Lambda of a hit coming in, with three leads of the fuel."""

    def build(self) -> theme.Figure:
        fig = theme.figure(360, right=58)
        fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
        fig.add_trace(theme.line(theme.WITHOUT, dash="dot", width=1.8))
        fig.add_trace(theme.line("#009e73", dash="dashdot", width=1.8))
        fig.add_trace(theme.line(theme.WITH))
        fig.add_trace(theme.line(theme.QUIET, width=1.2, yaxis="y2"))
        for color in (theme.WITHOUT, "#009e73", theme.WITH, theme.QUIET):
            fig.add_trace(names(color, "top center"))
        fig.data[8].yaxis, fig.data[8].textposition = "y2", "middle left"
        for k in (1, 2, 3):
            fig.data[k].hovertemplate = "%{x:.0f} ms: lambda %{y:.3f}, gauge AFR %{customdata:.1f}<extra></extra>"
        fig.data[4].hovertemplate = "%{x:.0f} ms: %{y:.0f} % of the dose<extra></extra>"
        side = {"overlaying": "y", "side": "right", "range": [0, 300], "tickvals": [0, 50, 100], "showgrid": False}
        fig.update_layout(
            yaxis2={**theme.axis_style(), **side, "title": {"text": "nitrous, % of the dose", "standoff": 4}}
        )
        fig.update_xaxes(title_text="time since the nitrous valve's command, ms")
        fig.update_yaxes(title_text="lambda", selector={"overlaying": None})
        return fig

    def key(self, r: Any, _scale: float, _system: str) -> tuple:
        spot, limits = model.Spot.of(r), r.sheet.limits
        if not spot.share:
            return (None,)
        drawn = model.lead(spot)
        return limits, spot.lead_s, self._span(r, drawn), float(drawn.time_ms[0]), float(drawn.time_ms[-1])

    @staticmethod
    def _span(r: Any, drawn: model.Lead) -> tuple[float, float]:
        """Ends of the upright axis; a spike beyond lambda 1.3 leaves the picture, no name stands for it."""
        limits = r.sheet.limits
        low = min(drawn.low.min(), drawn.none.min(), drawn.needed.min(), limits.misfire_rich_lambda)
        high = max(drawn.high.max(), drawn.none.max(), limits.lean_stop_lambda)
        return 0.05 * np.floor(low / 0.05), 0.05 * np.ceil(min(high + 0.01, 1.3) / 0.05)

    @staticmethod
    def _places(drops: list[float], same: list[bool]) -> list[tuple[float, int]]:
        """Where each name stands: over its line's drop, a step higher where another stands nearby."""
        out: list[tuple[float, int]] = []
        for k, x in enumerate(drops):
            near = [step for (other, step), gone in zip(out, same, strict=False) if abs(other - x) < 180 and not gone]
            out.append((x, next(n for n in range(4) if n not in near) if not same[k] else 0))
        return out

    def frame(self, r: Any, _scale: float, _system: str, _session: Session) -> None:
        spot, limits = model.Spot.of(r), r.sheet.limits
        if not spot.share:
            _levels(self.figure, [])
            return
        drawn = model.lead(spot)
        misfire = _level(limits.misfire_rich_lambda, "may misfire below", side="top")
        _levels(self.figure, [_level(limits.lean_stop_lambda, "lean stop"), misfire])
        self.figure.update_xaxes(range=[float(drawn.time_ms[0]), float(drawn.time_ms[-1])])
        low, high = self._span(r, drawn)
        self.figure.layout.yaxis.range = [low - 0.02, high]
        self.figure.data[5].text, self.figure.data[6].text = ["no lead"], ["just enough, likely"]
        self.figure.data[7].text, self.figure.data[8].text = [f"{1e3 * spot.lead_s:.0f} ms lead"], ["nitrous"]

    def data(self, r: Any, scale: float, _system: str) -> None:
        spot = model.Spot.of(r)
        if not spot.share:
            for k in range(9):
                self.put(k, x=[], y=[])
            return
        d = model.lead(spot)
        self.put(0, **_band(d.time_ms, d.low, d.high))
        lines = (d.none, d.needed, d.chosen)
        for k, y in enumerate(lines):
            self.put(1 + k, x=d.time_ms, y=y, customdata=scale * y)
        self.put(4, x=d.time_ms, y=100 * d.nitrous)
        low, high = self._span(r, d)
        same = [abs(spot.lead_s) < 0.005, abs(d.least.best - spot.lead_s) < 0.005, False]
        places = self._places([float(d.time_ms[np.flatnonzero(y < y[0] - 1e-3)[:1]].sum()) for y in lines], same)
        for k, (x, step) in enumerate(places):
            self.put(5 + k, x=[x], y=[lines[k][0] + (0.03 + 0.06 * step) * (high - low) if not same[k] else np.nan])
        self.put(8, x=d.time_ms[-1:], y=[108.0])

    def words(self, r: Any, _scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        return words.lead(r)


class StopPicture(Picture):
    """What a stop takes, part after part, and the wash-out beside the trade's second."""

    def build(self) -> theme.Figure:
        fig = theme.figure(340, left=150, right=24, bottom=84)
        for name, _, color in _PARTS:
            fig.add_trace(go.Bar(orientation="h", marker={"color": color}, name=name))
            fig.data[-1].hovertemplate = f"{name}: %{{x:.0f}} ms<extra></extra>"
        ends = {"type": "data", "symmetric": False, "color": theme.INK, "thickness": 1.2, "width": 5}
        fig.add_trace(
            go.Scatter(mode="markers", marker={"size": 1, "color": theme.INK}, error_x=ends, showlegend=False)
        )
        fig.data[-1].hovertemplate = "all: %{x:.0f} ms<extra></extra>"
        legend = {
            "orientation": "h",
            "y": -0.2,
            "yanchor": "top",
            "x": -0.2,
            "traceorder": "normal",
            "font": {"size": 12},
        }
        fig.update_layout(barmode="stack", bargap=0.35, showlegend=True, legend=legend)
        trade = {"type": "line", "x0": 1e3, "x1": 1e3, "yref": "paper", "y0": 0, "y1": 1, "line": {"color": theme.TRADE, "width": 1.8, "dash": "dash"}}  # fmt: skip
        label = {"x": 1e3, "y": 1, "yref": "paper", "yanchor": "bottom", "showarrow": False, "text": "trade: 1 s", "font": font(theme.TRADE)}  # fmt: skip
        fig.update_layout(shapes=[trade], annotations=[label])
        return fig

    @staticmethod
    def _rows(r: Any) -> list[tuple[str, dict, Any]]:
        """Label, parts and total of each bar, from below."""
        s = model.stops(r)
        stop = [
            (f"lean stop, {rpm:.0f} rpm", b.parts if b.reached else {}, b.total)
            for rpm, b in zip(s.rpm, s.budgets, strict=True)
        ]
        return [
            (f"after a lift, {s.at:.0f} rpm", s.lift, s.lift["all"]),
            (f"shut-off, {s.at:.0f} rpm", s.open_, s.open_["all"]),
            *stop[::-1],
        ]

    def key(self, r: Any, _scale: float, _system: str) -> tuple:
        return tuple((label, total) for label, _, total in self._rows(r)) if len(r.dosed.rpm) else ()

    def frame(self, r: Any, _scale: float, _system: str, _session: Session) -> None:
        rows = self._rows(r) if len(r.dosed.rpm) else []
        labels = [label if total else f"{label}:<br>never reached" for label, _, total in rows]
        self.figure.update_yaxes(tickvals=list(range(len(rows))), ticktext=labels, range=[-0.6, len(rows) - 0.4])
        top = max([1.05, *(t.high for _, _, t in rows if t)])
        self.figure.update_xaxes(range=[0, 1e3 * 0.1 * np.ceil(top / 0.1)], title_text="time, ms")

    def data(self, r: Any, _scale: float, _system: str) -> None:
        rows = self._rows(r) if len(r.dosed.rpm) else []
        y = np.arange(len(rows))
        for k, (_, parts, _) in enumerate(_PARTS):
            self.put(k, x=[1e3 * sum(row[p].best for p in parts if p in row) for _, row, _ in rows], y=y)
        held = [k for k, (_, _, total) in enumerate(rows) if total]
        totals = [rows[k][2] for k in held]
        self.put(len(_PARTS), x=[1e3 * t.best for t in totals], y=held)
        ends = self.figure.data[len(_PARTS)].error_x
        ends.array, ends.arrayminus = (
            [1e3 * (t.high - t.best) for t in totals],
            [1e3 * (t.best - t.low) for t in totals],
        )

    def words(self, r: Any, _scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        return words.stop(r)
