"""The pictures of the timing page that run over speed, and what buys margin; those of one cylinder: timing_cylinder."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from kernel_lib import units

from . import display, theme
from . import timing_words as words
from .frame import html
from .picture import Picture, apart, names
from .session import Session
from .timing_cylinder_words import plug_text, plug_title
from .timing_model import POWER, Result

PHASING, KNOCK, PRESSURE = "#e69f00", "#009e73", "#cc79a7"  # Okabe-Ito, one for each reason


class NeedPicture(Picture):
    """Retard over rpm: three reasons, the likely need and its band, the first hit, the trade's rule."""

    def build(self) -> theme.Figure:
        fig = theme.figure(400, right=132)
        fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
        for color, dash in ((PHASING, "dot"), (KNOCK, "dash"), (PRESSURE, "dashdot")):
            fig.add_trace(theme.line(color, dash=dash, width=1.8))
        for color in (theme.WITH, theme.ACCENT):  # points too: one speed alone is no line
            fig.add_trace(theme.line(color, width=3))
            fig.data[-1].mode = "lines+markers"
        fig.add_trace(theme.line(theme.TRADE, dash="dash"))
        for k, (label, color) in enumerate(
            (
                ("phasing", PHASING),
                ("knock", KNOCK),
                ("pressure", PRESSURE),
                ("likely need", theme.WITH),
                ("first hit", theme.ACCENT),
                ("trade's rule", theme.TRADE),
            )
        ):
            fig.add_trace(names(color, "middle right", text=[label]))
            fig.data[1 + k].hovertemplate = f"{label}: %{{y:.1f}} deg at %{{x:.0f}} rpm<extra></extra>"
        return fig

    def key(self, r: Result, _scale: float, _system: str) -> tuple:
        return (r.inputs.shot_hp, r.sheet)

    def frame(self, r: Result, _scale: float, _system: str, _session: Session) -> None:
        table = r.timing.table
        rpm, short = table["rpm"].to_numpy(), ~table["reachable"].to_numpy()
        edges = np.concatenate([[rpm[0]], 0.5 * (rpm[1:] + rpm[:-1]), [rpm[-1]]])
        shapes, notes = [], []
        for group in np.split(np.flatnonzero(short), np.flatnonzero(np.diff(np.flatnonzero(short)) > 1) + 1):
            if not len(group):
                continue
            left, right = edges[group[0]], edges[group[-1] + 1]
            shapes.append(
                {"type": "rect", "xref": "x", "yref": "paper", "x0": left, "x1": right, "y0": 0, "y1": 1, "line": {"width": 0}, "fillcolor": "rgba(91,100,112,0.16)", "layer": "below"}
            )  # fmt: skip
            most = "<br>".join(f"{words.at_most(r, k)} hp at {rpm[k]:.0f}" for k in group)
            centre = len(group) > 1 or 0 < group[0] < len(rpm) - 1
            place = {"x": 0.5 * (left + right), "xanchor": "center"} if centre else {"x": left, "xanchor": "left"}
            notes.append(
                {**place, "y": 0.99, "yref": "paper", "yanchor": "top", "showarrow": False, "text": f"not reachable:<br>at most<br>{most}", "font": {"size": 11, "color": theme.QUIET}, "bgcolor": "rgba(251,250,247,0.75)"}
            )  # fmt: skip
        self.figure.layout.shapes, self.figure.layout.annotations = shapes, notes
        room = 0.04 * (rpm[-1] - rpm[0])
        self.figure.update_xaxes(range=[rpm[0] - room, rpm[-1] + room], title_text="engine speed, rpm", tickvals=rpm)
        self.figure.update_yaxes(range=[-0.05 * self._top(r), self._top(r)], title_text="timing taken out, degrees")

    @staticmethod
    def _top(r: Result) -> float:
        """Top of the axis: what is drawn, and room above it for notes."""
        table = r.timing.table
        drawn = np.concatenate(
            [
                _drawn(table[name])
                for name in ("retard_deg_high", "pressure_deg", "phasing_deg", "first_hit_deg", "rule_deg")
            ]
        )
        return float(4 * np.ceil(1.35 * max(6.0, float(np.nanmax(drawn))) / 4))

    def data(self, r: Result, _scale: float, _system: str) -> None:
        table = r.timing.table
        rpm, ends = table["rpm"].to_numpy(), []
        lines = [_drawn(table[f"{reason}_deg"]) for reason in ("phasing", "knock", "pressure")]
        lines += [_drawn(table[name]) for name in ("retard_deg", "first_hit_deg", "rule_deg")]
        for k, y in enumerate(lines):
            self.put(1 + k, x=rpm, y=y)
            held = np.flatnonzero(np.isfinite(y))
            ends.append((rpm[-1], y[held[-1]]) if len(held) else (np.nan, np.nan))
        places = apart([end[1] for end in ends], 0.05 * self._top(r))
        for k, end in enumerate(ends):
            self.put(7 + k, x=[end[0] + 0.01 * (rpm[-1] - rpm[0])], y=[places[k]])
        low, high = (_drawn(table[f"retard_deg{end}"]) for end in ("_low", "_high"))
        held = np.isfinite(low) & np.isfinite(high)
        self.put(0, x=np.concatenate([rpm[held], rpm[held][::-1]]), y=np.concatenate([high[held], low[held][::-1]]))
        self.table.value = words.need_table(r)

    def words(self, r: Result, _scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "Retard from the known-good timing every 1000 rpm (the tune sheet: 500): what each reason asks for, the likely need with its band, the first hit, the rule."
        return words.need_title(r), subtitle, words.need_text(r)

    def __init__(self) -> None:
        super().__init__()
        self.table = html("", "nw-table-scroll")
        self.widget.children = (*self.widget.children[:-1], self.table, self.widget.children[-1])


def _drawn(values) -> np.ndarray:
    """Values as a line can show them: what asks for nothing lies on zero, what cannot be met is left out."""
    values = np.asarray(values, float)
    return np.where(np.isfinite(values), np.maximum(values, 0.0), np.nan)


class PowerPicture(Picture):
    """Power or torque over rpm at the first hit's timing."""

    def build(self) -> theme.Figure:
        fig = theme.figure(340, right=118)
        fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
        fig.add_trace(theme.line(theme.WITHOUT))
        fig.add_trace(theme.line(theme.WITH))
        fig.data[2].mode = "lines+markers"
        fig.add_trace(names(theme.WITHOUT, "middle right", text=["without"]))
        fig.add_trace(names(theme.WITH, "middle right", text=["with nitrous"]))
        return fig

    def key(self, r: Result, _scale: float, system: str) -> tuple:
        return system, r.inputs.curve, r.inputs.shot_hp, r.sheet

    def _values(self, r: Result, system: str) -> tuple[np.ndarray, list[np.ndarray], str]:
        table = r.timing.table
        own, gains = (
            table["power_own_hp"].to_numpy(),
            [table[f"power_gain_hp{e}"].to_numpy() for e in ("_low", "", "_high")],
        )
        rows = [own, *(own + gain for gain in gains)]
        if r.inputs.curve == POWER:
            to = display.shown("hp", system)
            return table["rpm"].to_numpy(), [to.there(v) for v in rows], to.unit
        to = display.shown("N m", system)
        speed = table["rpm"].to_numpy() * 2 * np.pi / 60
        return table["rpm"].to_numpy(), [to.there(units.w_from_hp(v) / speed) for v in rows], to.unit

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        rpm, rows, unit = self._values(r, system)
        room = 0.04 * (rpm[-1] - rpm[0])
        self.figure.update_xaxes(range=[rpm[0] - room, rpm[-1] + room], title_text="engine speed, rpm", tickvals=rpm)
        top = np.nanmax([np.nanmax(np.where(np.isfinite(v), v, 0.0)) for v in rows])
        self.figure.update_yaxes(range=[0, 1.1 * top], title_text=f"{words.curve_name(r)}, {unit}")
        for k, what in ((1, "without nitrous"), (2, "with nitrous, likely")):
            self.figure.data[k].hovertemplate = f"{what}: %{{y:.0f}} {unit} at %{{x:.0f}} rpm<extra></extra>"

    def data(self, r: Result, _scale: float, system: str) -> None:
        rpm, (own, low, best, high), _ = self._values(r, system)
        held = np.isfinite(best)
        self.put(0, x=np.concatenate([rpm[held], rpm[held][::-1]]), y=np.concatenate([high[held], low[held][::-1]]))
        self.put(1, x=rpm, y=own)
        self.put(2, x=rpm, y=best)
        ends = [own[-1], best[held][-1] if held.any() else np.nan]
        places = apart(ends, 0.06 * 1.1 * float(np.nanmax(own)))
        for k, y in enumerate(places):
            self.put(3 + k, x=[rpm[-1] + 0.01 * (rpm[-1] - rpm[0])], y=[y])

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "At the crank, full throttle, timing of a first hit; band over what is not known. Where nothing is drawn the shot is not reachable."
        return words.power_title(r, system), subtitle, words.power_text(r, system)


class MarginPicture(Picture):
    """What octane, charge temperature and lambda buy, in degrees."""

    def build(self) -> theme.Figure:
        fig = theme.figure(280, left=262, right=24)
        fig.add_trace(
            go.Bar(orientation="h", marker={"color": theme.WITH}, hovertemplate="%{x:.1f} degrees<extra></extra>")
        )
        return fig

    def key(self, _r: Result, _scale: float, system: str) -> tuple:
        return (system,)

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        labels = [words.change(c.name, c.amount, system) for c in r.changes]
        self.figure.update_yaxes(tickvals=list(range(len(labels))), ticktext=labels, range=[-0.6, len(labels) - 0.4])
        self.figure.update_xaxes(
            range=[-8.5, 8.5],
            title_text="degrees saved (right) or cost (left)",
            zeroline=True,
            zerolinecolor=theme.QUIET,
        )

    def data(self, r: Result, _scale: float, _system: str) -> None:
        self.put(0, x=[c.degrees for c in r.changes], y=list(range(len(r.changes))))

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        return (
            words.margin_title(r, system),
            "Timing that a change is worth against knock, at the chosen speed and timing and the likely values of what is not known.",
            words.margin_text(r),
        )


class PlugPicture(Picture):
    """What plug and coil are asked for, over the engine's own."""

    def build(self) -> theme.Figure:
        fig = theme.figure(220, left=208, right=30)
        fig.add_trace(
            go.Bar(orientation="h", marker={"color": theme.WITH}, hovertemplate="%{x:.2f} times<extra></extra>")
        )
        line = {
            "type": "line",
            "x0": 1,
            "x1": 1,
            "yref": "paper",
            "y0": 0,
            "y1": 1,
            "line": {"color": theme.WITHOUT, "width": 2},
        }
        fig.update_layout(shapes=[line])
        labels = ["heat to the walls per second", "heat to the walls per cycle", "voltage at the plug"]
        fig.update_yaxes(tickvals=[0, 1, 2], ticktext=labels, range=[-0.6, 2.6])
        return fig

    def key(self, r: Result, _scale: float, _system: str) -> tuple:
        return (self._top(r),)

    @staticmethod
    def _top(r: Result) -> float:
        p = r.plug
        return float(0.5 * np.ceil(1.1 * max(p.heat_cycle, p.heat_own_max, p.voltage_kV / p.voltage_own_kV) / 0.5))

    def frame(self, r: Result, _scale: float, _system: str, _session: Session) -> None:
        self.figure.update_xaxes(range=[0, self._top(r)], title_text="times the engine's own (grey line)")

    def data(self, r: Result, _scale: float, _system: str) -> None:
        p = r.plug
        self.put(0, x=[p.heat_own_max, p.heat_cycle, p.voltage_kV / p.voltage_own_kV], y=[0, 1, 2])

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "Per second is counted against the engine's highest over rpm, the others at this speed."
        return plug_title(r), subtitle, plug_text(r, system)
