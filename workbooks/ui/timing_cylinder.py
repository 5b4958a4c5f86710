"""The pictures of one cylinder on the timing page, all over crank angle: pressure, burned share, end gas, knock integral."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from kernel_lib import units

from . import display, theme
from . import timing_cylinder_words as words
from .picture import Picture, apart, font, names
from .session import Session
from .timing_model import Result

_SHOWN = (-70.0, 110.0)  # deg after TDC


class _CylinderPicture(Picture):
    """Two lines over crank angle, without and with nitrous."""

    height, right = 300, 118

    def build(self) -> theme.Figure:
        fig = theme.figure(self.height, right=self.right)
        fig.add_trace(theme.line(theme.WITHOUT))
        fig.add_trace(theme.line(theme.WITH))
        fig.add_trace(names(theme.WITHOUT, "middle right", text=["without"]))
        fig.add_trace(names(theme.WITH, "middle right", text=["with nitrous"]))
        fig.update_xaxes(
            range=list(_SHOWN), title_text="crank angle, degrees after TDC", tickvals=np.arange(-60, 121, 30)
        )
        return fig

    def key(self, _r: Result, _scale: float, system: str) -> tuple:
        return (system,)

    def lines(self, r: Result, system: str) -> list[tuple[np.ndarray, np.ndarray]]:
        """Angle and value of the two lines."""
        raise NotImplementedError

    def span(self, r: Result, system: str) -> tuple[float, float]:
        """Ends of the upright axis."""
        raise NotImplementedError

    def label_at(self, _k: int, x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
        """Where a line, the first or the second, carries its name."""
        return float(x[-1]), float(y[-1])

    def data(self, r: Result, _scale: float, system: str) -> None:
        low, high = self.span(r, system)
        ends, least = [], 16.0 / self.height * (high - low)
        for k, (x, y) in enumerate(self.lines(r, system)):
            held = np.isfinite(y) & (x >= _SHOWN[0]) & (x <= _SHOWN[1])
            self.put(k, x=x[held], y=y[held])
            ends.append(self.label_at(k, x[held], y[held]))
        for k, place in enumerate(apart([end[1] for end in ends], least)):
            self.put(2 + k, x=[ends[k][0] + 2.0], y=[place])


class PressurePicture(_CylinderPicture):
    """Pressure over crank angle."""

    height = 360

    def span(self, r: Result, system: str) -> tuple[float, float]:
        top = max(r.view.shot_row["P_max"], r.view.own_row["P_max"], r.timing.limits.P_max) / 1e5
        return 0.0, display.shown("bar", system).there(
            float(20 * np.ceil(1.08 * top / 20))
        )  # in steps: a small move does not rescale it

    def build(self) -> theme.Figure:
        fig = super().build()
        for color in (theme.WITHOUT, theme.WITH):
            fig.add_trace(
                go.Scatter(mode="markers", marker={"symbol": ["circle", "diamond"], "size": 10, "color": color})
            )
            fig.add_trace(go.Scatter(mode="markers", marker={"symbol": "triangle-up", "size": 11, "color": color}))
        return fig

    def key(self, r: Result, _scale: float, system: str) -> tuple:
        return self.span(r, system), r.sheet

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        to = display.shown("bar", system)
        limit = to.there(r.timing.limits.P_max / 1e5)
        line = {
            "type": "line",
            "xref": "paper",
            "x0": 0,
            "x1": 1,
            "y0": limit,
            "y1": limit,
            "line": {"color": "#000000", "width": 1},
        }
        note = {
            "x": _SHOWN[0],
            "y": limit,
            "xanchor": "left",
            "yanchor": "bottom",
            "showarrow": False,
            "text": "your limit",
            "font": font("#000000"),
        }
        self.figure.layout.shapes, self.figure.layout.annotations = [line], [note]
        self.figure.update_yaxes(range=list(self.span(r, system)), title_text=f"pressure, {to.unit} absolute")
        for k, what in enumerate(("without nitrous", "with nitrous")):
            self.figure.data[k].hovertemplate = f"{what}: %{{y:.0f}} {to.unit} at %{{x:.0f}} deg<extra></extra>"
            self.figure.data[4 + 2 * k].hovertemplate = f"{what}: %{{text}}<extra></extra>"
            self.figure.data[4 + 2 * k].text = ["50 % burned", "peak"]
            self.figure.data[5 + 2 * k].hovertemplate = f"spark {what}<extra></extra>"

    def lines(self, r: Result, system: str) -> list[tuple[np.ndarray, np.ndarray]]:
        to = display.shown("bar", system)
        return [(t["theta_deg"].to_numpy(), to.there(t["P"].to_numpy() / 1e5)) for t in (r.view.own, r.view.shot)]

    def data(self, r: Result, scale: float, system: str) -> None:
        super().data(r, scale, system)
        for k, ((x, y), row) in enumerate(zip(self.lines(r, system), (r.view.own_row, r.view.shot_row), strict=True)):
            at = [row["ca50_deg"], row["theta_P_max_deg"]]
            self.put(4 + 2 * k, x=at, y=np.interp(at, x, y))
            self.put(5 + 2 * k, x=[-row["timing_deg_btdc"]], y=np.interp([-row["timing_deg_btdc"]], x, y))

    def label_at(self, k: int, x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
        angle = 40.0 if k else 48.0
        return angle, float(np.interp(angle, x, y)) * (1.06 if k else 0.45)

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "Pressure in the mean cylinder over crank angle. Triangle: spark; dot: 50 % burned; diamond: peak."
        return words.pressure_title(r, system), subtitle, words.pressure_text(r, system)


class BurnPicture(_CylinderPicture):
    """Burned share over crank angle."""

    height = 240

    def span(self, _r: Result, _system: str) -> tuple[float, float]:
        return 0.0, 105.0

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        self.figure.update_yaxes(range=list(self.span(r, system)), title_text="burned, %")

    def lines(self, r: Result, _system: str) -> list[tuple[np.ndarray, np.ndarray]]:
        return [(t["theta_deg"].to_numpy(), 100 * t["burned_share"].to_numpy()) for t in (r.view.own, r.view.shot)]

    def label_at(self, k: int, x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
        at = min(int(np.searchsorted(y, (62.0, 40.0)[k])), len(x) - 1)
        return float(x[at]) + (3.0 if k else -32.0), float(y[at])  # one on either side of the two

    def words(self, r: Result, _scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        return words.burn_title(r), "Share of the charge that has burned, over crank angle.", words.burn_text(r)


class HeatPicture(_CylinderPicture):
    """Temperature of the unburned gas over crank angle, until all has burned."""

    height = 260

    def key(self, r: Result, _scale: float, system: str) -> tuple:
        return self.span(r, system)

    def span(self, r: Result, system: str) -> tuple[float, float]:
        top = float(100 * np.ceil(max(r.view.own_row["T_end_max"], r.view.shot_row["T_end_max"]) / 100 + 0.2))
        to = display.shown("°C", system)
        return to.there(units.c_from_k(300.0)), to.there(units.c_from_k(top))

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        unit = display.shown("°C", system).unit
        self.figure.update_yaxes(range=list(self.span(r, system)), title_text=f"unburned gas, {unit}")

    def lines(self, r: Result, system: str) -> list[tuple[np.ndarray, np.ndarray]]:
        to, out = display.shown("°C", system), []
        for t in (r.view.own, r.view.shot):
            left = t["burned_share"].to_numpy() < 0.999
            T = np.where(left, to.there(units.c_from_k(t["T_unburned"].to_numpy())), np.nan)
            out.append((t["theta_deg"].to_numpy(), T))
        return out

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        return (
            words.heat_title(r, system),
            "Temperature of what has not burned yet, over crank angle, until all has.",
            words.heat_text(r, system),
        )


class KnockPicture(_CylinderPicture):
    """Knock integral growing over crank angle."""

    height = 260

    def key(self, r: Result, _scale: float, system: str) -> tuple:
        return self.span(r, system), r.inputs.rpm

    def span(self, r: Result, _system: str) -> tuple[float, float]:
        most = max(1.1, *(1.15 * row["knock_integral"] for row in (r.view.own_row, r.view.shot_row)))
        return 0.0, float(0.2 * np.ceil(most / 0.2))

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        own = float(r.view.own_row["knock_integral"])
        shapes, notes = [], []
        for y, text in ((1.0, "self-ignition by the correlation"), (own, "this engine without nitrous")):
            shapes.append(
                {
                    "type": "line",
                    "xref": "paper",
                    "x0": 0,
                    "x1": 1,
                    "y0": y,
                    "y1": y,
                    "line": {"color": "#000000", "width": 1},
                }
            )
            notes.append(
                {
                    "x": _SHOWN[0],
                    "y": y,
                    "xanchor": "left",
                    "yanchor": "bottom",
                    "showarrow": False,
                    "text": text,
                    "font": font("#000000"),
                }
            )
        self.figure.layout.shapes, self.figure.layout.annotations = shapes, notes
        self.figure.update_yaxes(range=list(self.span(r, system)), title_text="knock integral")

    def lines(self, r: Result, _system: str) -> list[tuple[np.ndarray, np.ndarray]]:
        return [(t["theta_deg"].to_numpy(), t["knock_integral"].to_numpy()) for t in (r.view.own, r.view.shot)]

    def label_at(self, k: int, _x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
        """The line without nitrous ends on a line that is named already."""
        return 62.0, np.nan if k == 0 else float(y[-1]) - 0.09 * float(max(1.1, y[-1]))

    def words(self, r: Result, _scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        return words.knock_title(r), "Knock integral over crank angle, counted to 90 % burned.", words.knock_text(r)
