"""The pictures of the bottle page."""

from __future__ import annotations

from html import escape

import numpy as np
import plotly.graph_objects as go

from kernel_lib import units
from kernel_lib.engine.setup import Setup
from kernel_lib.thermo.fluid import P_CRITICAL, T_CRITICAL
from kernel_lib.thermo.vessel import ABOVE_CRITICAL

from . import bottle_words as words
from . import display, theme
from .bottle_curves import GaugeCurves, closed_bottle, gauge_curves, saturation_line
from .bottle_model import T_SPAN, Result
from .frame import html
from .picture import Picture, font, names
from .session import Session

GAS = "#009e73"  # a push of gas


class _BottlePicture(Picture):
    def key(self, r: Result, scale: float, system: str) -> tuple:
        nitrous = r.sheet.nitrous
        return scale, system, nitrous.window_low_kpa, nitrous.window_high_kpa, r.barometer


def _pressure(pascal, system: str):
    return display.shown("kPa gauge", system).there(np.asarray(pascal) / 1e3)


def _unit(system: str) -> str:
    return display.shown("kPa gauge", system).unit


def _window(r: Result, system: str, axis: str = "y") -> list[dict]:
    """The shop's working window as a shape across the picture."""
    low, high = (_pressure(1e3 * v, system) for v in (r.sheet.nitrous.window_low_kpa, r.sheet.nitrous.window_high_kpa))
    other = "x" if axis == "y" else "y"
    band = {
        f"{axis}0": float(low),
        f"{axis}1": float(high),
        f"{other}0": 0,
        f"{other}1": 1,
        f"{axis}ref": axis,
        f"{other}ref": "paper",
    }
    return [{"type": "rect", "line": {"width": 0}, "fillcolor": theme.TRADE_BAND, "layer": "below", **band}]


class SaturationPicture(_BottlePicture):
    """Pressure over temperature: the boiling line, and this bottle closed."""

    def build(self) -> theme.Figure:
        fig = theme.figure(380)
        fig.add_trace(theme.line(theme.WITHOUT, name="boiling line", width=1.6))
        fig.add_trace(theme.line(theme.WITH, name="this bottle, closed"))
        mark = {"symbol": "x-thin", "size": 11, "color": theme.INK, "line": {"width": 2, "color": theme.INK}}
        fig.add_trace(
            go.Scatter(
                mode="markers+text", marker=mark, text=["critical point"], textposition="bottom right", cliponaxis=False
            )
        )
        fig.add_trace(theme.this_car())
        fig.add_trace(names(theme.WITH, "middle left", text=["this bottle, closed   "]))
        return fig

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        T, P = saturation_line()
        unit, degree = _unit(system), display.shown("°C", system).unit
        line, closed, critical, car, _ = self.figure.data
        line.x, line.y = words.t_axis(T, system), _pressure(P - r.barometer, system)
        critical.x, critical.y = (
            [words.t_axis(T_CRITICAL, system)],
            [float(_pressure(P_CRITICAL - r.barometer, system))],
        )
        for trace, name in (
            (line, "boiling line"),
            (closed, "this bottle"),
            (critical, "critical point"),
            (car, "now"),
        ):
            trace.hovertemplate = f"%{{x:.0f}} {degree}: %{{y:.0f}} {unit}<extra>{name}</extra>"
        self.figure.layout.shapes = _window(r, system)
        y = float(_pressure(1e3 * r.sheet.nitrous.window_high_kpa, system))
        label = {"x": 0, "xref": "paper", "xanchor": "left", "y": y, "yanchor": "bottom", "showarrow": False}
        self.figure.layout.annotations = [{**label, "text": "working window", "font": font(theme.TRADE)}]
        ends = [words.t_axis(units.k_from_c(v), system) for v in T_SPAN]
        self.figure.update_xaxes(title_text=f"temperature, {degree}", range=ends)
        self.figure.update_yaxes(title_text=f"pressure, {unit}", range=[0, float(_pressure(1.5e7, system))])

    def data(self, r: Result, _scale: float, system: str) -> None:
        T, P = closed_bottle(round(r.state.mass, 6), r.state.volume)
        x, y = words.t_axis(T, system), _pressure(P - r.barometer, system)
        self.put(1, x=x, y=y)
        self.put(3, x=[words.t_axis(r.state.T, system)], y=[float(_pressure(r.gauge, system))])
        k = int(np.argmin(np.abs(P - 1.2e7)))
        self.put(4, x=x[k : k + 1], y=y[k : k + 1])

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "Gauge pressure over bottle temperature; grey: liquid and vapour side by side, blue: this bottle as full as it is, orange: the shop's window"
        return words.saturation_title(r, system), subtitle, words.saturation_text(r, system)


class GaugePicture(_BottlePicture):
    """Flow over gauge pressure, raised by warming and by a push of gas."""

    def build(self) -> theme.Figure:
        fig = theme.figure(360, right=24)
        for color in (theme.WITH_BAND, "rgba(0,158,115,0.18)"):
            fig.add_trace(go.Scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=color, hoverinfo="skip"))
        fig.add_trace(theme.line(theme.WITH, name="by warming"))
        fig.add_trace(theme.line(GAS, name="by a push of gas"))
        fig.add_trace(theme.line(theme.TRADE, name="square root of pressure", dash="dash", width=1.8))
        fig.add_trace(theme.this_car())
        fig.add_trace(names(theme.WITH, "bottom right", text=["by warming"]))
        fig.add_trace(names(GAS, "middle left", text=["by a push of gas "]))
        fig.add_trace(names(theme.TRADE, "top center", text=["square root of pressure (trade)"]))
        return fig

    def curves(self, r: Result) -> GaugeCurves:
        """Curves from this bottle's temperature, or from where there is liquid still."""
        T = min(r.state.T, T_CRITICAL - 1.0) if r.state.regime != ABOVE_CRITICAL else 298.15
        return gauge_curves(round(max(T, 268.2), 2), Setup.of(r.sheet).P_manifold, r.barometer)

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        for trace in self.figure.data[2:6]:
            trace.hovertemplate = f"%{{x:.0f}} {_unit(system)}: %{{y:.0f}} %<extra>{trace.name or 'now'}</extra>"
        self.figure.layout.shapes = _window(r, system, "x")
        self.figure.update_xaxes(title_text=f"bottle pressure, {_unit(system)}")
        self.figure.update_yaxes(title_text="flow, % of that at this temperature", range=[50, 200])

    def data(self, r: Result, _scale: float, system: str) -> None:
        c = self.curves(r)
        for k, (P, lines) in enumerate(((c.warm_P, c.warm), (c.push_P, c.push))):
            x, every = _pressure(P, system), np.array(list(lines.values()))
            self.put(k, x=np.concatenate([x, x[::-1]]), y=np.concatenate([every.min(axis=0), every.max(axis=0)[::-1]]))
            self.put(k + 2, x=x, y=lines["HEM"])
        x = _pressure(c.rule_P, system)
        self.put(4, x=x, y=c.rule)
        self.put(5, x=[float(_pressure(c.P_now, system))], y=[100.0])
        warm = _pressure(c.warm_P, system)
        self.put(6, x=warm[16:17], y=c.warm["HEM"][16:17] - 2)
        top = int(np.argmin(np.abs(c.push["HEM"] - 165)))
        self.put(7, x=_pressure(c.push_P[top : top + 1], system), y=c.push["HEM"][top : top + 1])
        self.put(8, x=x[9:10], y=c.rule[9:10] + 12)

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        c = self.curves(r)
        subtitle = "Flow over gauge pressure, 100 % at this bottle's temperature; lines: choked equilibrium model, bands: over the three models"
        return words.gauge_title(c, system), subtitle, words.gauge_text(c)


class DriftPicture(_BottlePicture):
    """The models side by side, and where the mixture goes if nothing else is changed."""

    def build(self) -> theme.Figure:
        fig = theme.figure(320)
        fig.add_trace(
            go.Scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
        )
        fig.add_trace(theme.line(theme.WITHOUT, name="as planned", dash="dot", width=1.6))
        fig.add_trace(theme.line(theme.WITH, name="with this bottle and nozzle"))
        fig.add_trace(theme.line(theme.TRADE, name="trade's too lean", dash="dash", width=1.8))
        fig.add_trace(names(theme.WITH, "top center", text=["with this bottle and nozzle"]))
        fig.add_trace(names(theme.TRADE, "top left", text=["trade's too lean"]))
        return fig

    def extra(self) -> list:
        self.table = html()
        return [self.table]

    def frame(self, r: Result, scale: float, _system: str, session: Session) -> None:
        for trace in self.figure.data[1:4]:
            trace.hovertemplate = f"%{{x:.0f}} rpm: gauge AFR %{{y:.2f}}<extra>{trace.name}</extra>"
        self.figure.update_xaxes(title_text="engine speed, rpm", range=[float(r.rpm[0]), float(r.rpm[-1])])
        self.figure.update_yaxes(title_text=f"gauge AFR ({scale:g} at lambda 1)")
        target = session.sheet.engine.lambda_with_nitrous * scale
        self.figure.data[1].x, self.figure.data[1].y = r.rpm, np.full(len(r.rpm), target)

    def data(self, r: Result, scale: float, _system: str) -> None:
        self.put(3, x=r.rpm[[0, -1]], y=[words.too_lean() * scale] * 2)
        self.put(5, x=r.rpm[-1:], y=[words.too_lean() * scale])
        if r.drift is None:
            return
        low, best, high = (scale * v for v in r.drift)
        self.put(0, x=np.concatenate([r.rpm, r.rpm[::-1]]), y=np.concatenate([low, high[::-1]]))
        self.put(2, x=r.rpm, y=best)
        k = len(r.rpm) // 2
        self.put(4, x=r.rpm[k : k + 1], y=best[k : k + 1])

    def words(self, r: Result, scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = (
            "Gauge AFR over rpm with the fuel of the build sheet and this flow; band: over what is unknown of the flow"
        )
        if r.drift is None:
            self.table.value = ""
            return f"No flow to compare: {words.no_flow(r)}", subtitle, []
        rows = "".join(
            f"<tr><td>{escape(a)}</td><td>{escape(b)}</td><td>{escape(c)}</td></tr>"
            for a, b, c in words.spread_rows(r, system)
        )
        head = "<thead><tr><th>model of the nozzle</th><th>flow now</th><th>of the likely</th></tr></thead>"
        self.table.value = f'<table class="nw-table">{head}{rows}</table>'
        return words.drift_title(r, scale), subtitle, [words.spread_note(r), *words.drift_text(r, scale, system)]


class DayPicture(_BottlePicture):
    """Pressure and flow over the passes of a day."""

    def build(self) -> theme.Figure:
        fig = theme.figure(420, grid={"rows": 2, "columns": 1, "pattern": "independent", "ygap": 0.16})
        fig.add_trace(theme.line(theme.WITH, name="pressure"))
        fig.add_trace(theme.line(theme.WITH, name="flow", xaxis="x2", yaxis="y2"))
        fig.update_layout({"xaxis2": theme.axis_style(), "yaxis2": theme.axis_style()})
        return fig

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        flow, unit = display.shown("g/s", system), _unit(system)
        pressure, drawn = self.figure.data
        pressure.hovertemplate = f"%{{x:.0f}} s of nitrous: %{{y:.0f}} {unit}<extra></extra>"
        drawn.hovertemplate = f"%{{x:.0f}} s of nitrous: %{{y:.3g}} {flow.unit}<extra></extra>"
        self.figure.layout.shapes = _window(r, system)
        self.figure.layout.xaxis2.title.text = "nitrous time, s (the waits are left out)"
        self.figure.layout.yaxis.title.text = unit
        self.figure.layout.yaxis2.title.text = f"flow, {flow.unit}"
        self.figure.layout.yaxis2.rangemode = "tozero"

    def data(self, r: Result, _scale: float, system: str) -> None:
        if r.day is None:
            for k in (0, 1):
                self.put(k, x=[], y=[])
            return
        sprayed, x, y, z = 0.0, [], [], []
        for _, part in r.day.course[r.day.course["flow_kg_s"] > 0].groupby("pass"):
            t = part["time_s"].to_numpy()
            x += [*(sprayed + t - t[0]), np.nan]
            y += [*_pressure(1e3 * part["P_kPa"].to_numpy(), system), np.nan]
            z += [*display.shown("g/s", system).there(1e3 * part["flow_kg_s"].to_numpy()), np.nan]
            sprayed += t[-1] - t[0]
        self.put(0, x=x, y=y)
        self.put(1, x=x, y=z)

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "Gauge pressure (orange: the window) and flow while nitrous flows, pass after pass"
        return words.day_title(r, system), subtitle, words.day_text(r, system)


class FirstPicture(_BottlePicture):
    """Lambda in the first instant and with vapour, over rpm."""

    def build(self) -> theme.Figure:
        fig = theme.figure(320)
        fig.add_trace(theme.line(theme.WITHOUT, name="liquid, as set", dash="dot", width=1.6))
        fig.add_trace(theme.line(theme.WITH, name="vapour"))
        fig.add_trace(theme.line(theme.WITHOUT, name="fuel but no nitrous yet"))
        for name, color in (
            ("liquid, as set", theme.WITHOUT),
            ("vapour from line or pick-up", theme.WITH),
            ("fuel but no nitrous yet", theme.WITHOUT),
        ):
            fig.add_trace(names(color, "top center", text=[name]))
        return fig

    def frame(self, r: Result, scale: float, _system: str, session: Session) -> None:
        for trace in self.figure.data[:3]:
            trace.hovertemplate = f"%{{x:.0f}} rpm: gauge AFR %{{y:.1f}}<extra>{trace.name}</extra>"
        self.figure.update_xaxes(title_text="engine speed, rpm", range=[float(r.rpm[0]), float(r.rpm[-1])])
        self.figure.update_yaxes(title_text=f"gauge AFR ({scale:g} at lambda 1)")
        target = session.sheet.engine.lambda_with_nitrous * scale
        self.figure.data[0].x, self.figure.data[0].y = r.rpm, np.full(len(r.rpm), target)

    def data(self, r: Result, scale: float, _system: str) -> None:
        if r.first is None:
            return
        k = len(r.rpm) // 2
        target = r.sheet.engine.lambda_with_nitrous * scale
        lines = (np.full(len(r.rpm), target), scale * r.first.lambda_vapour, scale * r.first.lambda_none)
        for n, y in enumerate(lines):
            if n:
                self.put(n, x=r.rpm, y=y)
            self.put(n + 3, x=r.rpm[k : k + 1], y=y[k : k + 1])

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "Gauge AFR over rpm with the fuel of the shot flowing; what a sensor shows comes later and smoothed"
        if r.first is None:
            return f"No first instant: {words.no_flow(r)}", subtitle, []
        return words.first_title(r), subtitle, words.first_text(r, system)
