"""The four pictures of the charge explorer: each a finding, a figure, and three sentences."""

from __future__ import annotations

from html import escape

import numpy as np
import plotly.graph_objects as go

from kernel_lib import units
from kernel_lib.plan.fuel import TOO_LEAN_LAMBDA, WINDOW_LAMBDA

from . import display, theme
from . import explorer_words as words
from .explorer_model import BURNED, LAMBDA_SPAN, OXIDISING, REDUCING, Result
from .frame import box, html
from .session import Session

_DASHES = ("solid", "dash", "dot")
_GROUPS = (BURNED, REDUCING, OXIDISING)
_PLAIN = {"CO2": "CO₂", "H2O": "H₂O", "CO": "CO", "H2": "H₂", "O2": "O₂", "NO": "NO", "OH": "OH"}


class Picture:
    """A finding, a picture, three sentences."""

    def __init__(self) -> None:
        self.title, self.subtitle, self.text = html(), html("", "nw-hint"), html()
        self.figure = self.build()
        self.widget = box([self.title, self.subtitle, *self.extra(), self.figure, self.text], "nw-stack", "nw-picture")

    def build(self) -> theme.Figure:
        """Make the empty picture."""
        raise NotImplementedError

    def extra(self) -> list:
        """Widgets between title and picture."""
        return []

    def say(self, title: str, subtitle: str, sentences: list[str]) -> None:
        """Fill the words."""
        self.title.value = f"<h2>{escape(title)}</h2>"
        self.subtitle.value = f"<span>{escape(subtitle)}</span>"
        self.text.value = "".join(f"<p>{escape(s)}</p>" for s in sentences)


def _afr_axis(scale: float) -> dict:
    """Ticks that carry both: gauge AFR and lambda."""
    ticks = np.arange(np.ceil(LAMBDA_SPAN[0] * scale), LAMBDA_SPAN[1] * scale, max(1.0, round(scale / 14.7)))
    return {
        "tickvals": ticks,
        "ticktext": [f"{t:g}<br>{t / scale:.2f}" for t in ticks],
        "title": {"text": f"gauge AFR ({scale:g} at lambda 1), lambda below", "standoff": 6},
    }


def _trade_marks(scale: float, *, label: bool) -> tuple[list, list]:
    """Return shapes and annotations for the trade's window and its too-lean mark."""
    low, high, lean = (v * scale for v in (*WINDOW_LAMBDA, TOO_LEAN_LAMBDA))
    dashed = {"color": theme.TRADE, "width": 1.8, "dash": "dash"}
    shapes = [
        {
            "type": "rect",
            "x0": low,
            "x1": high,
            "y0": 0,
            "y1": 1,
            "yref": "paper",
            "line": {"width": 0},
            "fillcolor": theme.TRADE_BAND,
        }
    ]
    shapes += [
        {"type": "line", "x0": x, "x1": x, "y0": 0, "y1": 1, "yref": "paper", "line": dashed} for x in (low, high, lean)
    ]
    if not label:
        return shapes, []
    common = {
        "yref": "paper",
        "y": 1.0,
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"color": theme.TRADE, "size": 12},
    }
    return shapes, [
        {**common, "x": high, "xanchor": "right", "text": "trade's window"},
        {**common, "x": lean, "xanchor": "left", "text": "trade's too lean"},
    ]


class MapPicture(Picture):
    def build(self) -> theme.Figure:
        fig = theme.figure(420, right=10, bottom=60)
        contours = {"coloring": "heatmap", "showlabels": True, "labelfont": {"size": 11, "color": "#ffffff"}}
        bar = {"thickness": 12, "outlinewidth": 0, "title": {"side": "right"}, "tickfont": {"size": 12}}
        fig.add_trace(
            go.Contour(
                colorscale="Cividis",
                contours=contours,
                line={"width": 0.6, "color": "rgba(255,255,255,0.6)"},
                colorbar=bar,
                ncontours=14,
            )
        )
        own = {"symbol": "line-ew-open", "size": 22, "color": "#ffffff", "line": {"width": 3}}
        fig.add_trace(
            go.Scatter(
                mode="markers",
                marker=own,
                error_y={"type": "data", "symmetric": False, "color": "#ffffff", "thickness": 1.5, "width": 5},
            )
        )
        fig.add_trace(theme.this_car())
        return fig

    def extra(self) -> list:
        self.warning = html("", "nw-warning")
        return [self.warning]

    def draw(self, r: Result, scale: float, system: str, _session: Session) -> None:
        """Redraw for a result."""
        to = display.shown("°C", system)

        def deg(kelvin):
            return to.there(units.c_from_k(np.asarray(kelvin)))

        contour, own, car = self.figure.data
        low, best, high = r.own_T
        shapes, notes = _trade_marks(scale, label=True)
        afr, y, z = r.map.lambda_ * scale, deg(r.map.T_charge), deg(r.map.T)
        with self.figure.batch_update():
            contour.x, contour.y, contour.z = afr, y, z
            contour.colorbar.title.text = f"burned gas, {to.unit}"
            contour.hovertemplate = (
                f"gauge AFR %{{x:.1f}}, charge %{{y:.0f}} {to.unit}: %{{z:.0f}} {to.unit}<extra></extra>"
            )
            own.x, own.y = [r.inputs.lambda_ * scale], [deg(best)]
            own.error_y.array, own.error_y.arrayminus = [_gap(deg(high) - deg(best))], [_gap(deg(best) - deg(low))]
            own.hovertemplate = f"this car's own charge: %{{y:.0f}} {to.unit}<extra></extra>"
            car.x, car.y = [r.inputs.lambda_ * scale], [deg(r.T)]
            car.hovertemplate = f"gauge AFR %{{x:.1f}}, charge %{{y:.0f}} {to.unit}: {deg(r.point_T):.0f} {to.unit}<extra>this car</extra>"
            self.figure.layout.shapes, self.figure.layout.annotations = shapes, notes
            self.figure.update_xaxes(range=[afr[0], afr[-1]], **_afr_axis(scale))
            self.figure.update_yaxes(range=[y[0], y[-1]], title_text=f"charge temperature, {to.unit}")
        sentences = words.flat_is_not_safe(r, scale, system)
        self.warning.value = "<p><b>A flat flame temperature does not make lean harmless.</b></p>" + "".join(
            f"<p>{escape(s)}</p>" for s in sentences
        )
        self.say(words.map_title(r, scale, system), words.map_subtitle(r), words.map_text(r, scale, system))


def _gap(value: float) -> float:
    return float(value) if np.isfinite(value) else 0.0


class TemperaturePicture(Picture):
    def build(self) -> theme.Figure:
        fig = theme.figure(330, right=110, bottom=60)
        for name, color in (("without nitrous", theme.WITHOUT), ("with nitrous", theme.WITH)):
            fig.add_trace(theme.line(color, name=name))
        fig.add_trace(theme.this_car())
        return fig

    def draw(self, r: Result, scale: float, system: str, _session: Session) -> None:
        """Redraw for a result."""
        to = display.shown("°C", system)
        bare, with_, car = self.figure.data
        shapes, notes = _trade_marks(scale, label=True)
        with self.figure.batch_update():
            for trace, line in ((bare, r.bare), (with_, r.line)):
                trace.x, trace.y = line.lambda_ * scale, to.there(units.c_from_k(line.T))
                trace.hovertemplate = f"gauge AFR %{{x:.1f}}: %{{y:.0f}} {to.unit}<extra>{trace.name}</extra>"
                notes.append(_end_label(trace, line.lambda_[-1] * scale, to.there(units.c_from_k(line.T[-1]))))
            car.x, car.y = [r.inputs.lambda_ * scale], [to.there(units.c_from_k(r.point_T))]
            car.hovertemplate = f"gauge AFR %{{x:.1f}}: %{{y:.0f}} {to.unit}<extra>this car</extra>"
            self.figure.layout.shapes, self.figure.layout.annotations = shapes, notes
            self.figure.update_xaxes(range=[LAMBDA_SPAN[0] * scale, LAMBDA_SPAN[1] * scale], **_afr_axis(scale))
            self.figure.update_yaxes(title_text=f"burned gas, {to.unit}")
        subtitle = f"Burned-gas temperature over gauge AFR; both from {display.temperature(r.T, system)} and {display.quantity(r.P / 1e3, 'kPa abs', system, 1)}"
        self.say(words.line_title(r, system), subtitle, words.line_text(r, system))


def _end_label(trace: go.Scatter, x: float, y: float) -> dict:
    """Name a line at its right end."""
    font = {"color": trace.line.color, "size": 12}
    return {"x": x, "y": y, "text": trace.name, "xanchor": "left", "xshift": 5, "showarrow": False, "font": font}


class ProductsPicture(Picture):
    def build(self) -> theme.Figure:
        fig = theme.figure(
            360, left=44, bottom=60, grid={"rows": 1, "columns": 3, "pattern": "independent", "xgap": 0.22}
        )
        for k, group in enumerate(_GROUPS):
            axes = {"xaxis": f"x{k + 1}", "yaxis": f"y{k + 1}"}
            for name, dash in zip(group, _DASHES, strict=False):
                fig.add_trace(
                    theme.line(
                        theme.WITHOUT, dash=dash, width=1.6, name=f"{_PLAIN[name]} without nitrous", meta=name, **axes
                    )
                )
                fig.add_trace(theme.line(theme.WITH, dash=dash, name=f"{_PLAIN[name]} with nitrous", meta=name, **axes))
            fig.update_layout(
                {f"xaxis{k + 1}": theme.axis_style(), f"yaxis{k + 1}": theme.axis_style() | {"rangemode": "tozero"}}
            )
        return fig

    def draw(self, r: Result, scale: float, _system: str, _session: Session) -> None:
        """Redraw for a result."""
        car = r.inputs.lambda_ * scale
        shapes, notes = [], []
        with self.figure.batch_update():
            for trace in self.figure.data:
                source = r.line if trace.line.color == theme.WITH else r.bare
                trace.x, trace.y = source.lambda_ * scale, 100 * source.X[trace.meta]
                trace.hovertemplate = f"gauge AFR %{{x:.1f}}: %{{y:.2f}} %<extra>{trace.name}</extra>"
                if trace.line.color == theme.WITH:
                    notes.append(_species_label(trace, source.lambda_ * scale, 100 * source.X[trace.meta]))
            for k, title in enumerate(("burned", "reducing", "oxidising")):
                axis = "" if k == 0 else str(k + 1)
                marks, _ = _trade_marks(scale, label=False)
                own = {
                    "type": "line",
                    "x0": car,
                    "x1": car,
                    "y0": 0,
                    "y1": 1,
                    "line": {"color": theme.ACCENT, "width": 2},
                }
                shapes += [{**m, "xref": f"x{axis}", "yref": f"y{axis} domain"} for m in (*marks[::3], own)]
                notes.append(
                    {
                        "text": f"<b>{title}</b>, % by mole",
                        "xref": f"x{axis} domain",
                        "yref": "paper",
                        "x": 0,
                        "y": 1.0,
                        "yanchor": "bottom",
                        "showarrow": False,
                    }
                )
            self.figure.layout.shapes, self.figure.layout.annotations = shapes, notes
            ticks = _afr_axis(scale)
            wide = {"tickvals": ticks["tickvals"][::2], "ticktext": ticks["ticktext"][::2]}
            self.figure.update_xaxes(range=[LAMBDA_SPAN[0] * scale, LAMBDA_SPAN[1] * scale], **wide)
            self.figure.layout.xaxis2.title.text = ticks["title"]["text"]
        subtitle = "Equilibrium products over gauge AFR: blue with nitrous, grey without; rust line: this car; orange: the trade's window and too-lean mark"
        self.say(words.products_title(r, scale), subtitle, words.products_text(r, scale))


def _species_label(trace: go.Scatter, x: np.ndarray, y: np.ndarray) -> dict:
    """Name a species where its line stands highest, off the edges."""
    k = min(max(int(np.argmax(y)), 4), len(y) - 5)
    font = {"color": theme.WITH, "size": 12}
    return {
        "x": x[k],
        "y": y[k],
        "xref": trace.xaxis,
        "yref": trace.yaxis,
        "text": _PLAIN[trace.meta],
        "yanchor": "bottom",
        "showarrow": False,
        "font": font,
        "bgcolor": "rgba(251,250,247,0.8)",
    }


class OxygenPicture(Picture):
    def build(self) -> theme.Figure:
        fig = theme.figure(330)
        fig.add_trace(
            go.Scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
        )
        fig.add_trace(theme.line(theme.WITHOUT, name="air alone"))
        fig.add_trace(theme.line(theme.WITH, name="with nitrous"))
        fig.add_trace(theme.this_car())
        return fig

    def draw(self, r: Result, _scale: float, _system: str, session: Session) -> None:
        """Redraw for a result."""
        band, air, best, car = self.figure.data
        low, likely, high = (100 * s for s in r.share)
        nitrous = session.sheet.nitrous
        window = (nitrous.spray_rpm_min, nitrous.spray_rpm_max)
        edge = {
            "type": "line",
            "y0": 0,
            "y1": 1,
            "yref": "paper",
            "line": {"color": theme.TRADE, "width": 1.8, "dash": "dash"},
        }
        with self.figure.batch_update():
            band.x, band.y = np.concatenate([r.rpm, r.rpm[::-1]]), np.concatenate([low, high[::-1]])
            air.x, air.y = r.rpm, np.full_like(r.rpm, 100 * r.base_share)
            best.x, best.y = r.rpm, likely
            car.x, car.y = [r.inputs.rpm], [100 * float(r.charge.oxygen_share)]
            for trace in (air, best, car):
                trace.hovertemplate = f"%{{x:.0f}} rpm: %{{y:.1f}} %<extra>{trace.name or 'this car'}</extra>"
            self.figure.layout.shapes = [{**edge, "x0": x, "x1": x} for x in window]
            note = {"showarrow": False, "font": {"size": 12}}
            self.figure.layout.annotations = [
                {
                    **note,
                    "x": window[0],
                    "y": 1,
                    "yref": "paper",
                    "text": "spray window",
                    "xanchor": "left",
                    "yanchor": "bottom",
                    "font": {"color": theme.TRADE, "size": 12},
                },
                {
                    **note,
                    "x": r.rpm[-1],
                    "y": 100 * r.base_share,
                    "text": "air alone",
                    "xanchor": "right",
                    "yanchor": "top",
                    "font": {"color": theme.WITHOUT, "size": 12},
                },
                {
                    **note,
                    "x": r.rpm[1],
                    "y": likely[1],
                    "text": "with nitrous, likely",
                    "xanchor": "left",
                    "yanchor": "bottom",
                    "xshift": 8,
                    "font": {"color": theme.WITH, "size": 12},
                },
            ]
            self.figure.update_xaxes(title_text="engine speed, rpm", range=[r.rpm[0], r.rpm[-1]])
            self.figure.update_yaxes(title_text="oxygen share, % by mole", range=[20, max(34.0, float(high.max()) + 1)])
        subtitle = f"Oxygen-equivalent share of the charge over rpm at {1e3 * r.flow:.0f} g/s of nitrous, all the time the valve is open; orange: the spray window"
        self.say(words.share_title(r), subtitle, words.share_text(r, window))
