"""The pictures of a sampled hit: lambda over speed, margins over speed, and what matters most. Each reads `sheet`, `dosed` and `risk` of a result."""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go

from . import risk_words as words
from . import theme
from .picture import Picture, apart, font, names
from .session import Session

_THIN = {"color": theme.INK, "width": 1}
_MARGINS = (("pressure", "peak pressure", "#cc79a7"), ("knock", "knock", "#009e73"), ("exhaust", "exhaust", "#e69f00"))
_OUTCOMES = (("lambda", "lambda"), ("pressure", "peak pressure"), ("knock", "knock"))
_GAP = 0.07  # between panels, of the width


def _tint(color: str, share: float) -> str:
    """A colour as an area."""
    return f"rgba({int(color[1:3], 16)},{int(color[3:5], 16)},{int(color[5:7], 16)},{share:g})"


def _area(color: str, share: float, **rest) -> go.Scatter:
    return go.Scatter(
        mode="lines", line={"width": 0}, fill="toself", fillcolor=_tint(color, share), hoverinfo="skip", **rest
    )


def _around(rpm: np.ndarray, table: Any, name: str, low: int, high: int) -> dict:
    """Outline of the area between two quantiles, where both are known."""
    a, b = (table[f"{name}_{q}"].to_numpy() for q in (low, high))
    held = np.isfinite(a) & np.isfinite(b)
    return {"x": np.concatenate([rpm[held], rpm[held][::-1]]), "y": np.concatenate([b[held], a[held][::-1]])}


class RiskPicture(Picture):
    """Lambda over speed: where nine of ten and half of all hits lie."""

    def build(self) -> theme.Figure:
        fig = theme.figure(360, right=128)
        fig.add_trace(_area(theme.WITH, 0.14))
        fig.add_trace(_area(theme.WITH, 0.26))
        fig.add_trace(theme.line(theme.WITH))
        fig.data[2].mode = "lines+markers"
        fig.add_trace(theme.line(theme.WITH, dash="dot", width=1.6))
        for k, what in ((2, "middle of all hits"), (3, "worst cylinder, 1 hit of 20")):
            fig.data[
                k
            ].hovertemplate = (
                f"{what}: lambda %{{y:.3f}}, gauge AFR %{{customdata:.1f}} at %{{x:.0f}} rpm<extra></extra>"
            )
        for text in ("9 of 10 hits", "half of all", "worst cylinder,<br>1 hit of 20"):
            fig.add_trace(names(theme.WITH, "middle right", text=[text]))
        return fig

    def key(self, r: Any, _scale: float, _system: str) -> tuple:
        return r.risk.seed, r.risk.samples, id(r.risk), r.sheet.limits

    @staticmethod
    def _span(r: Any) -> tuple[float, float]:
        """Ends of the upright axis: what is drawn, the target and the lean stop."""
        table, target = r.risk.quantiles, r.sheet.engine.lambda_with_nitrous
        values = np.concatenate([table["lambda_mean_5"], table["lambda_worst_95"], [target, r.risk.lean_stop + 0.01]])
        return 0.02 * np.floor(np.nanmin(values) / 0.02), 0.02 * np.ceil(np.nanmax(values) / 0.02)

    def frame(self, r: Any, _scale: float, _system: str, _session: Session) -> None:
        rpm = r.risk.rpm
        target, stop = r.sheet.engine.lambda_with_nitrous, r.risk.lean_stop
        low, high = self._span(r)
        levels = ((target, "target"), (stop, "lean stop"))
        self.figure.layout.shapes = [
            {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": y, "y1": y, "line": _THIN} for y, _ in levels
        ]
        self.figure.layout.annotations = [
            {"x": 0.01, "xref": "paper", "xanchor": "left", "y": y, "yanchor": "bottom", "showarrow": False, "text": text, "font": font(theme.INK)}
            for y, text in levels
        ]  # fmt: skip
        room = max(0.03 * (rpm[-1] - rpm[0]), 20.0)
        self.figure.update_xaxes(range=[rpm[0] - room, rpm[-1] + room], title_text="engine speed, rpm")
        self.figure.update_yaxes(range=[low, high], title_text="lambda")

    def data(self, r: Any, scale: float, _system: str) -> None:
        table, rpm = r.risk.quantiles, r.risk.rpm
        self.put(0, **_around(rpm, table, "lambda_mean", 5, 95))
        self.put(1, **_around(rpm, table, "lambda_mean", 25, 75))
        lines = [table[name].to_numpy() for name in ("lambda_mean_50", "lambda_worst_95")]
        for k, y in enumerate(lines):
            self.put(2 + k, x=rpm, y=y, customdata=scale * y)
        low, high = self._span(r)
        last = table.iloc[-1]
        places = apart(
            [float(last["lambda_mean_5"]), float(last["lambda_mean_75"]), float(last["lambda_worst_95"])],
            0.075 * (high - low),
        )
        for k, y in enumerate(places):
            self.put(4 + k, x=[rpm[-1]] if np.isfinite(y) else [], y=[y] if np.isfinite(y) else [])

    def words(self, r: Any, _scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "True lambda of all cylinders over speed: where 9 of 10 hits (pale) and half of all (dark) lie, their middle, and the worst cylinder of 1 hit in 20."
        return words.risk_title(r.risk), subtitle, words.risk_text(r.risk)


class MarginsPicture(Picture):
    """Peak pressure, knock and exhaust over their limits, beside each other."""

    def build(self) -> theme.Figure:
        fig = theme.figure(300, right=12)
        width = (1 - 2 * _GAP) / 3
        for k, (_, label, color) in enumerate(_MARGINS):
            at = "" if k == 0 else str(k + 1)
            where = {"xaxis": f"x{at}", "yaxis": "y"}
            fig.add_trace(_area(color, 0.18, **where))
            fig.add_trace(_area(color, 0.34, **where))
            fig.add_trace(theme.line(color, **where))
            fig.data[-1].mode = "lines+markers"
            fig.data[-1].hovertemplate = f"{label}, middle of all hits: %{{y:.0f}} % at %{{x:.0f}} rpm<extra></extra>"
            left = k * (width + _GAP)
            axis = {
                **theme.axis_style(),
                "domain": [left, left + width],
                "nticks": 4,
                "title": {"text": "rpm", "standoff": 6},
            }
            fig.update_layout({f"xaxis{at}": axis})
            fig.add_annotation(x=left + width / 2, xref="paper", xanchor="center", y=1.02, yref="paper", yanchor="bottom", showarrow=False, text=label, font=font(theme.INK))  # fmt: skip
        fig.add_shape(type="line", x0=0, x1=1, xref="paper", y0=100, y1=100, line=_THIN)
        fig.update_yaxes(title_text="of the limit, %")
        return fig

    def key(self, r: Any, _scale: float, _system: str) -> tuple:
        return (id(r.risk),)

    def frame(self, r: Any, _scale: float, _system: str, _session: Session) -> None:
        table, rpm = r.risk.quantiles, r.risk.rpm
        every = np.concatenate([100 * table[f"{name}_{q}"] for name, _, _ in _MARGINS for q in (5, 95)])
        every = np.append(every[np.isfinite(every)], [96.0, 104.0])
        self.figure.update_yaxes(range=[10 * np.floor(every.min() / 10), 10 * np.ceil(every.max() / 10)])
        room = max(0.05 * (rpm[-1] - rpm[0]), 20.0)
        self.figure.update_xaxes(range=[rpm[0] - room, rpm[-1] + room])

    def data(self, r: Any, _scale: float, _system: str) -> None:
        table, rpm = r.risk.quantiles, r.risk.rpm
        shown = 100 * table[[c for c in table.columns if c.startswith(tuple(n for n, _, _ in _MARGINS))]]
        for k, (name, _, _) in enumerate(_MARGINS):
            self.put(3 * k, **_around(rpm, shown, name, 5, 95))
            self.put(3 * k + 1, **_around(rpm, shown, name, 25, 75))
            self.put(3 * k + 2, x=rpm, y=shown[f"{name}_50"].to_numpy())

    def words(self, r: Any, _scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "Over speed, in per cent of the limit (line at 100): 9 of 10 hits, half of all, and the middle."
        return words.margins_title(r.risk), subtitle, words.margins_text(r.risk)


class DriversPicture(Picture):
    """Which input matters most, for lambda, peak pressure and knock."""

    def build(self) -> theme.Figure:
        fig = theme.figure(400, left=176, right=14)
        width = (1 - 2 * _GAP) / 3
        for k, (_, label) in enumerate(_OUTCOMES):
            at = "" if k == 0 else str(k + 1)
            bar = go.Bar(orientation="h", marker={"color": theme.WITH}, xaxis=f"x{at}", yaxis="y")
            bar.hovertemplate = f"%{{x:.0f}} % of what moves {label}<extra></extra>"
            fig.add_trace(bar)
            left = k * (width + _GAP)
            axis = {
                **theme.axis_style(),
                "domain": [left, left + width],
                "range": [0, 100],
                "tickvals": [0, 50, 100],
                "title": {"text": "share, %", "standoff": 6},
            }
            fig.update_layout({f"xaxis{at}": axis})
            fig.add_annotation(x=left, xref="paper", xanchor="left", y=1.01, yref="paper", yanchor="bottom", showarrow=False, text=label, font=font(theme.INK))  # fmt: skip
        return fig

    def key(self, r: Any, _scale: float, _system: str) -> tuple:
        return (id(r.risk),)

    def frame(self, r: Any, _scale: float, _system: str, _session: Session) -> None:
        labels = [words.name_of(name) for name in r.risk.ranked["input"]]
        self.figure.update_yaxes(
            tickvals=list(range(len(labels))), ticktext=labels, range=[len(labels) - 0.4, -0.6], showgrid=False
        )

    def data(self, r: Any, _scale: float, _system: str) -> None:
        table = r.risk.ranked
        for k, (name, _) in enumerate(_OUTCOMES):
            self.put(k, x=100 * table[name].to_numpy(), y=np.arange(len(table)))

    def words(self, r: Any, _scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "How much of the spread of the worst value over speed each input makes."
        return words.drivers_title(r.risk), subtitle, words.drivers_text(r.risk)
