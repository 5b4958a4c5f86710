"""The four pictures of the charge explorer."""

from __future__ import annotations

from html import escape

import numpy as np
import plotly.graph_objects as go

from kernel_lib import units
from kernel_lib.plan.fuel import TOO_LEAN_LAMBDA, WINDOW_LAMBDA

from . import display, theme
from . import explorer_words as words
from .explorer_model import BURNED, LAMBDA_SPAN, OXIDISING, REDUCING, Result
from .frame import html
from .picture import Picture, font, names
from .session import Session

_DASHES = ("solid", "dash", "dot")
_GROUPS = (BURNED, REDUCING, OXIDISING)
_PLAIN = {"CO2": "CO₂", "H2O": "H₂O", "CO": "CO", "H2": "H₂", "O2": "O₂", "NO": "NO", "OH": "OH"}


_LABEL_AT = {"CO2": 26, "H2O": 5, "CO": 6, "H2": 3, "O2": 36, "NO": 33, "OH": 22}  # where a line carries its name


def _afr_axis(scale: float) -> dict:
    """Ticks that carry both: gauge AFR and lambda."""
    ticks = np.arange(np.ceil(LAMBDA_SPAN[0] * scale), LAMBDA_SPAN[1] * scale, max(1.0, round(scale / 14.7)))
    return {
        "range": [LAMBDA_SPAN[0] * scale, LAMBDA_SPAN[1] * scale],
        "tickvals": ticks,
        "ticktext": [f"{t:g}<br>{t / scale:.2f}" for t in ticks],
        "title": {"text": f"gauge AFR ({scale:g} at lambda 1), lambda below", "standoff": 6},
    }


def _trade_marks(scale: float, x: str = "x", y: str = "paper") -> list[dict]:
    """Return the trade's window and its too-lean mark as shapes."""
    low, high, lean = (v * scale for v in (*WINDOW_LAMBDA, TOO_LEAN_LAMBDA))
    common = {"xref": x, "yref": y, "y0": 0, "y1": 1}
    dashed = {"color": theme.TRADE, "width": 1.8, "dash": "dash"}
    window = {"type": "rect", "x0": low, "x1": high, "line": {"width": 0}, "fillcolor": theme.TRADE_BAND, **common}
    return [window, *({"type": "line", "x0": v, "x1": v, "line": dashed, **common} for v in (low, high, lean))]


def _trade_labels(scale: float) -> list[dict]:
    common = {"yref": "paper", "y": 1.0, "yanchor": "bottom", "showarrow": False, "font": font(theme.TRADE)}
    return [
        {**common, "x": WINDOW_LAMBDA[1] * scale, "xanchor": "right", "text": "trade's window"},
        {**common, "x": TOO_LEAN_LAMBDA * scale, "xanchor": "left", "text": "trade's too lean"},
    ]


class _ExplorerPicture(Picture):
    def key(self, r: Result, scale: float, system: str) -> tuple:
        return scale, system, r.inputs.state


class MapPicture(_ExplorerPicture):
    """Flame temperature over AFR and charge temperature."""

    def build(self) -> theme.Figure:
        fig = theme.figure(420, right=10, bottom=60)
        contours = {"coloring": "heatmap", "showlabels": True, "labelfont": {"size": 11, "color": "#ffffff"}}
        bar = {"thickness": 12, "outlinewidth": 0, "title": {"side": "right"}, "tickfont": {"size": 12}}
        thin = {"width": 0.6, "color": "rgba(255,255,255,0.6)"}
        fig.add_trace(go.Contour(colorscale="Cividis", contours=contours, line=thin, colorbar=bar, ncontours=8))
        own = {"symbol": "line-ew-open", "size": 22, "color": "#ffffff", "line": {"width": 3}}
        ends = {"type": "data", "symmetric": False, "color": "#ffffff", "thickness": 1.5, "width": 5}
        fig.add_trace(go.Scatter(mode="markers", marker=own, error_y=ends))
        fig.add_trace(theme.this_car())
        return fig

    def extra(self) -> list:
        self.warning = html("", "nw-warning")
        return [self.warning]

    def frame(self, r: Result, scale: float, system: str, _session: Session) -> None:
        contour, own, car = self.figure.data
        unit = display.shown("°C", system).unit
        here = f"gauge AFR %{{x:.1f}}, charge %{{y:.0f}} {unit}"
        contour.colorbar.title.text = f"burned gas, {unit}"
        contour.hovertemplate = f"{here}: %{{z:.0f}} {unit}<extra></extra>"
        own.hovertemplate = f"this car's own charge: %{{y:.0f}} {unit}<extra></extra>"
        car.hovertemplate = f"{here}<extra>this car</extra>"
        self.figure.layout.shapes, self.figure.layout.annotations = _trade_marks(scale), _trade_labels(scale)
        y = _deg(r.map.T_charge[[0, -1]], system)
        self.figure.update_xaxes(**_afr_axis(scale))
        self.figure.update_yaxes(range=list(y), title_text=f"charge temperature, {unit}")

    def data(self, r: Result, scale: float, system: str) -> None:
        afr = r.inputs.lambda_ * scale
        low, best, high = _deg(np.array(r.own_T), system)
        self.put(0, x=r.map.lambda_ * scale, y=_deg(r.map.T_charge, system), z=_deg(r.map.T, system))
        self.put(1, x=[afr], y=[best])
        ends = self.figure.data[1].error_y
        ends.array, ends.arrayminus = [_finite(high - best)], [_finite(best - low)]
        self.put(2, x=[afr], y=_deg(np.array([r.T]), system))

    def words(self, r: Result, scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        sentences = "".join(f"<p>{escape(s)}</p>" for s in words.flat_is_not_safe(r, scale, system))
        self.warning.value = f"<p><b>A flat flame temperature does not make lean harmless.</b></p>{sentences}"
        return words.map_title(r, scale, system), words.map_subtitle(r), words.map_text(r, scale, system)


def _deg(kelvin: np.ndarray, system: str) -> np.ndarray:
    return display.shown("°C", system).there(units.c_from_k(kelvin))


def _finite(value: float) -> float:
    return float(value) if np.isfinite(value) else 0.0


class TemperaturePicture(_ExplorerPicture):
    """Flame temperature along the slice, with and without nitrous."""

    def build(self) -> theme.Figure:
        fig = theme.figure(330, right=110, bottom=60)
        for name, color in (("without nitrous", theme.WITHOUT), ("with nitrous", theme.WITH)):
            fig.add_trace(theme.line(color, name=name))
        fig.add_trace(theme.this_car())
        for trace in fig.data[:2]:
            fig.add_trace(names(trace.line.color, "middle right", text=[trace.name]))
        return fig

    def frame(self, _r: Result, scale: float, system: str, _session: Session) -> None:
        unit = display.shown("°C", system).unit
        for trace in self.figure.data[:3]:
            name = trace.name or "this car"
            trace.hovertemplate = f"gauge AFR %{{x:.1f}}: %{{y:.0f}} {unit}<extra>{name}</extra>"
        self.figure.layout.shapes, self.figure.layout.annotations = _trade_marks(scale), _trade_labels(scale)
        self.figure.update_xaxes(**_afr_axis(scale))
        self.figure.update_yaxes(title_text=f"burned gas, {unit}")

    def data(self, r: Result, scale: float, system: str) -> None:
        for k, line in enumerate((r.bare, r.line)):
            x, y = line.lambda_ * scale, _deg(line.T, system)
            self.put(k, x=x, y=y)
            self.put(k + 3, x=x[-1:], y=y[-1:])
        self.put(2, x=[r.inputs.lambda_ * scale], y=_deg(np.array([r.point_T]), system))

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        start = f"{display.temperature(r.T, system)} and {display.quantity(r.P / 1e3, 'kPa abs', system, 1)}"
        subtitle = f"Burned-gas temperature over gauge AFR; both from {start}"
        return words.line_title(r, system), subtitle, words.line_text(r, system)


class ProductsPicture(_ExplorerPicture):
    """What is in the burned gas: burned, reducing, oxidising."""

    def build(self) -> theme.Figure:
        grid = {"rows": 1, "columns": 3, "pattern": "independent", "xgap": 0.22}
        fig = theme.figure(360, left=44, bottom=60, grid=grid)
        for k, group in enumerate(_GROUPS, start=1):
            axes = {"xaxis": f"x{k}", "yaxis": f"y{k}"}
            for name, dash in zip(group, _DASHES, strict=False):
                for color, width, with_ in ((theme.WITHOUT, 1.6, "without"), (theme.WITH, 2.2, "with")):
                    label = f"{_PLAIN[name]} {with_} nitrous"
                    fig.add_trace(theme.line(color, dash=dash, width=width, name=label, meta=name, **axes))
            fig.add_trace(theme.line(theme.ACCENT, name="this car", hoverinfo="skip", **axes))
            fig.add_trace(names(theme.WITH, "top center", text=[_PLAIN[name] for name in group], **axes))
            fig.update_layout(
                {f"xaxis{k}": theme.axis_style(), f"yaxis{k}": theme.axis_style() | {"rangemode": "tozero"}}
            )
        return fig

    def frame(self, _r: Result, scale: float, _system: str, _session: Session) -> None:
        for trace in self.figure.data:
            if trace.meta is not None:
                trace.hovertemplate = f"gauge AFR %{{x:.1f}}: %{{y:.2f}} %<extra>{trace.name}</extra>"
        shapes, titles = [], []
        head = {"yref": "paper", "x": 0, "y": 1.0, "yanchor": "bottom", "showarrow": False}
        for k, title in enumerate(("burned", "reducing", "oxidising"), start=1):
            axis = "" if k == 1 else str(k)
            shapes += _trade_marks(scale, f"x{axis}", f"y{axis} domain")[::3]
            titles.append({**head, "text": f"<b>{title}</b>, % by mole", "xref": f"x{axis} domain"})
        self.figure.layout.shapes, self.figure.layout.annotations = shapes, titles
        axis = _afr_axis(scale)
        title = axis.pop("title")
        self.figure.update_xaxes(**axis | {"tickvals": axis["tickvals"][::2], "ticktext": axis["ticktext"][::2]})
        self.figure.layout.xaxis2.title.text = title["text"]

    def data(self, r: Result, scale: float, _system: str) -> None:
        afr = r.line.lambda_ * scale
        tops: dict[str, float] = {}
        for k, trace in enumerate(self.figure.data):
            if trace.meta is not None:
                y = 100 * (r.line if trace.line.color == theme.WITH else r.bare).X[trace.meta]
                tops[trace.yaxis] = max(tops.get(trace.yaxis, 0.0), float(y.max()))
                self.put(k, x=afr, y=y)
            elif trace.mode == "lines":
                self.put(k, x=[r.inputs.lambda_ * scale] * 2, y=[0.0, tops[trace.yaxis]])
            else:
                at = {name: _LABEL_AT[name] for name in _GROUPS[int(trace.xaxis[1:] or 1) - 1]}
                self.put(k, x=afr[list(at.values())], y=[100 * r.line.X[name][i] for name, i in at.items()])

    def words(self, r: Result, scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = (
            "Equilibrium products over gauge AFR: blue with nitrous, grey without; rust line: this car; orange: the "
            "trade's window and too-lean mark"
        )
        return words.products_title(r, scale), subtitle, words.products_text(r, scale)


class OxygenPicture(_ExplorerPicture):
    """Oxygen share over rpm at constant nitrous flow."""

    def build(self) -> theme.Figure:
        fig = theme.figure(330)
        fill = {"fill": "toself", "fillcolor": theme.WITH_BAND, "hoverinfo": "skip"}
        fig.add_trace(go.Scatter(mode="lines", line={"width": 0}, **fill))
        fig.add_trace(theme.line(theme.WITHOUT, name="air alone"))
        fig.add_trace(theme.line(theme.WITH, name="with nitrous, likely"))
        fig.add_trace(theme.this_car())
        fig.add_trace(names(theme.WITHOUT, "bottom center", text=["air alone"]))
        fig.add_trace(names(theme.WITH, "top right", text=["with nitrous, likely"]))
        return fig

    def frame(self, r: Result, _scale: float, _system: str, session: Session) -> None:
        nitrous = session.sheet.nitrous
        for trace in self.figure.data[1:4]:
            trace.hovertemplate = f"%{{x:.0f}} rpm: %{{y:.1f}} %<extra>{trace.name or 'this car'}</extra>"
        edge = {
            "type": "line",
            "y0": 0,
            "y1": 1,
            "yref": "paper",
            "line": {"color": theme.TRADE, "width": 1.8, "dash": "dash"},
        }
        window = nitrous.spray_rpm_min, nitrous.spray_rpm_max
        self.figure.layout.shapes = [{**edge, "x0": x, "x1": x} for x in window]
        label = {"x": window[0], "y": 1, "yref": "paper", "xanchor": "left", "yanchor": "bottom", "showarrow": False}
        self.figure.layout.annotations = [{**label, "text": "spray window", "font": font(theme.TRADE)}]
        self.figure.update_xaxes(title_text="engine speed, rpm", range=[r.rpm[0], r.rpm[-1]])
        self.figure.update_yaxes(title_text="oxygen share, % by mole", rangemode="normal")

    def data(self, r: Result, _scale: float, _system: str) -> None:
        low, likely, high = (100 * s for s in r.share)
        self.put(0, x=np.concatenate([r.share_rpm, r.share_rpm[::-1]]), y=np.concatenate([low, high[::-1]]))
        self.put(1, x=r.rpm, y=np.full_like(r.rpm, 100 * r.base_share))
        self.put(2, x=r.share_rpm, y=likely)
        self.put(3, x=[r.inputs.rpm], y=[100 * float(r.charge.oxygen_share)])
        self.put(4, x=r.rpm[-2:-1], y=[100 * r.base_share])
        self.put(5, x=r.share_rpm[1:2], y=likely[1:2])

    def words(self, r: Result, _scale: float, system: str, session: Session) -> tuple[str, str, list[str]]:
        nitrous = session.sheet.nitrous
        subtitle = (
            f"Oxygen-equivalent share of the charge over rpm at {words.flow(r, system)} of nitrous, all the time the valve "
            "is open; orange: the spray window"
        )
        window = (nitrous.spray_rpm_min, nitrous.spray_rpm_max)
        return words.share_title(r, window), subtitle, words.share_text(r, window, system)
