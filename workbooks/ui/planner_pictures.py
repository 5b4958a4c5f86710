"""The pictures of the planner page that run over engine speed: room and ramp, power, fuel, timing."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from kernel_lib import units

from . import display, theme
from . import planner_words as words
from .picture import Picture, apart, names
from .planner_model import KW, Result
from .session import Session

LIMIT = "#1b1f24"


def over_speed(fig: theme.Figure, rpm: np.ndarray) -> None:
    """Give a picture the speeds of the window."""
    room = 0.04 * (rpm[-1] - rpm[0])
    ticks = rpm[np.isclose(rpm % 500, 0)] if len(rpm) > 3 else rpm
    fig.update_xaxes(range=[rpm[0] - room, rpm[-1] + room], title_text="engine speed, rpm", tickvals=ticks)


def around(low: np.ndarray, high: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Outline of a band."""
    held = np.isfinite(low) & np.isfinite(high)
    return np.concatenate([x[held], x[held][::-1]]), np.concatenate([high[held], low[held][::-1]])


def _band() -> go.Scatter:
    return go.Scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")


class _Lines(Picture):
    """Lines over speed with their names at the right end."""

    labels: tuple[tuple[str, str], ...] = ()
    first = 0

    def name(self, fig: theme.Figure) -> None:
        """Add the traces of the names."""
        for label, color in self.labels:
            fig.add_trace(names(color, "middle right", text=[label]))

    def place(self, rpm: np.ndarray, lines: list[np.ndarray], top: float) -> None:
        """Put every name beside the end of its line."""
        ends = []
        for y in lines:
            held = np.flatnonzero(np.isfinite(y))
            ends.append(y[held[-1]] if len(held) else np.nan)
        places = apart(ends, 0.06 * top)
        for k, y in enumerate(places):
            self.put(self.first + k, x=[rpm[-1] + 0.012 * (rpm[-1] - rpm[0])], y=[y])

    def spread(self, rpm: np.ndarray, rows: list[np.ndarray], top: float) -> None:
        """Draw lines over speed, the last two rows as the band about them."""
        *lines, low, high = rows
        x, y = around(low, high, rpm)
        self.put(0, x=x, y=y)
        for k, line in enumerate(lines):
            self.put(1 + k, x=rpm, y=line)
        self.place(rpm, lines, top)

    def key(self, r: Result, _scale: float, system: str) -> tuple:
        return system, r.inputs.curve, tuple(r.tune.table["rpm"]), self.top(r, system)

    def top(self, r: Result, system: str) -> float:
        """Top of the axis."""
        raise NotImplementedError


def _ceiling(*rows: np.ndarray, step: float) -> float:
    most = max(float(np.nanmax(np.where(np.isfinite(v), v, 0.0))) for v in rows)
    return float(step * np.ceil(1.08 * most / step))


class RoomPicture(_Lines):
    """Largest flow that the limits allow over speed, the ramp below it, and its strongest cycle."""

    labels = (("allowed", LIMIT), ("all of it", theme.WITHOUT), ("strongest cycle", theme.WITH), ("ramp", theme.ACCENT))
    first = 6

    def build(self) -> theme.Figure:
        fig = theme.figure(400, right=112)
        fig.add_scatter(
            mode="lines", line={"width": 0}, fill="toself", fillcolor="rgba(91,100,112,0.14)", hoverinfo="skip"
        )
        fig.add_trace(theme.line(LIMIT, width=1.4))
        fig.add_trace(theme.line(theme.WITHOUT, dash="dash", width=1.6))
        fig.add_trace(theme.line(theme.WITH, dash="dot", width=1.8))
        fig.add_trace(theme.line(theme.ACCENT, width=3))
        fig.add_trace(
            go.Scatter(
                mode="text",
                textposition="top center",
                textfont={"size": 11, "color": theme.QUIET},
                hoverinfo="skip",
                cliponaxis=False,
            )
        )
        self.name(fig)
        return fig

    def key(self, r: Result, _scale: float, system: str) -> tuple:
        return system, tuple(r.room.rpm), tuple(r.room.binds), self.top(r, system)

    def top(self, r: Result, system: str) -> float:
        to = display.shown("g/s", system).there
        return _ceiling(to(1e3 * r.room.full_flow * np.maximum(r.room.most, 1.0)), step=to(5.0)) * 1.06

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        over_speed(self.figure, r.room.rpm)
        unit = display.shown("g/s", system).unit
        self.figure.update_yaxes(range=[0, self.top(r, system)], title_text=f"nitrous, {unit}")
        for k, what in ((1, "allowed"), (2, "all of it at once"), (3, "strongest cycle"), (4, "ramp, mean")):
            self.figure.data[k].hovertemplate = f"{what}: %{{y:.3~g}} {unit} at %{{x:.0f}} rpm<extra></extra>"
        labels = words.binding_labels(r)
        places = ["top right", *["top center"] * (len(labels) - 2), "top left"] if len(labels) > 1 else ["top right"]
        self.figure.data[5].update(text=labels, textposition=places)

    def data(self, r: Result, _scale: float, system: str) -> None:
        to, full, room = display.shown("g/s", system).there, 1e3 * r.room.full_flow, r.room
        top = self.top(r, system)
        allowed = to(full * room.most)
        fine = np.unique(np.concatenate([room.rpm, np.linspace(room.rpm[0], room.rpm[-1], 81)]))
        share = words.ramp_over(r, fine)
        strongest = words.strongest_over(r, fine, share)
        self.put(
            0, x=np.concatenate([room.rpm, room.rpm[::-1]]), y=np.concatenate([allowed, np.full(len(allowed), top)])
        )
        lines = [
            (room.rpm, allowed),
            (room.rpm, to(full) * np.ones(len(room.rpm))),
            (fine, to(full * strongest)),
            (fine, to(full * share)),
        ]
        for k, (x, y) in enumerate(lines):
            self.put(1 + k, x=x, y=np.where(y > 0, y, np.nan) if k > 1 else y)
        marks = [n for n, b in enumerate(room.binds) if n == 0 or b != room.binds[n - 1]]
        self.put(5, x=[room.rpm[n] for n in marks], y=[min(allowed[n] + 0.025 * top, 0.95 * top) for n in marks])
        ends = [np.asarray(y, float) for _, y in lines]
        if not r.tune.pulsed:
            ends[2] = np.full(1, np.nan)
        self.place(room.rpm, ends, top)

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = (
            "Nitrous flow over engine speed: the most that every limit allows at the cautious edge of what is not known, with the limit that binds; the "
            "ramp's mean; and the strongest single cycle it makes."
        )
        return words.room_title(r, system), subtitle, words.room_text(r, system)


class DrivePicture(_Lines):
    """Power or torque over speed: without, with the ramp, and all of it at once."""

    labels = (("without", theme.WITHOUT), ("ramp", theme.WITH), ("full hit", theme.TRADE))
    first = 4

    def build(self) -> theme.Figure:
        fig = theme.figure(340, right=88)
        fig.add_trace(_band())
        fig.add_trace(theme.line(theme.WITHOUT))
        fig.add_trace(theme.line(theme.WITH, width=3))
        fig.add_trace(theme.line(theme.TRADE, dash="dash"))
        self.name(fig)
        return fig

    def _rows(self, r: Result, system: str) -> tuple[np.ndarray, list[np.ndarray], str]:
        table = r.tune.table
        rpm, own = table["rpm"].to_numpy(), table["power_own_hp"].to_numpy()
        rows = [
            own,
            *(own + table[f"power_gain_hp{e}"].to_numpy() for e in ("_low", "", "_high")),
            table["full_power_hp"].to_numpy(),
        ]
        if r.inputs.curve == KW:
            to = display.shown("hp", system)
            return rpm, [to.there(v) for v in rows], to.unit
        to = display.shown("N m", system)
        return rpm, [to.there(units.w_from_hp(v) / (rpm * 2 * np.pi / 60)) for v in rows], to.unit

    def top(self, r: Result, system: str) -> float:
        return _ceiling(*self._rows(r, system)[1], step=20.0)

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        over_speed(self.figure, r.tune.table["rpm"].to_numpy())
        unit = self._rows(r, system)[2]
        what = "power" if r.inputs.curve == KW else "torque"
        self.figure.update_yaxes(range=[0, self.top(r, system)], title_text=f"{what} at the crank, {unit}")
        for k, label in ((1, "without nitrous"), (2, "with the ramp, likely"), (3, "all of it at once, likely")):
            self.figure.data[k].hovertemplate = f"{label}: %{{y:.0f}} {unit} at %{{x:.0f}} rpm<extra></extra>"

    def data(self, r: Result, _scale: float, system: str) -> None:
        rpm, (own, low, best, high, full), _ = self._rows(r, system)
        x, y = around(low, high, rpm)
        self.put(0, x=x, y=y)
        for k, line in ((1, own), (2, best), (3, full)):
            self.put(k, x=rpm, y=line)
        self.place(rpm, [own, best, full], self.top(r, system))

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "At the crank, full throttle, with the timing of this plan; band over what is not known. The full hit is drawn only where every limit allows it."
        return words.drive_title(r), subtitle, words.drive_text(r, system)


class FuelPicture(_Lines):
    """Fuel to add over speed, for both ways of metering, beside the trade's rule."""

    labels = (("speed-density", theme.WITH), ("mass-air", "#009e73"), ("trade's rule", theme.TRADE))
    first = 4

    def build(self) -> theme.Figure:
        fig = theme.figure(340, right=106)
        fig.add_trace(_band())
        fig.add_trace(theme.line(theme.WITH))
        fig.add_trace(theme.line("#009e73"))
        fig.add_trace(theme.line(theme.TRADE, dash="dash"))
        self.name(fig)
        return fig

    def _rows(self, r: Result, system: str) -> list[np.ndarray]:
        table, to = r.tune.table, display.shown("kg/h", system).there
        own = words.own_fuel(r)
        rows = [table[f"fuel_{m}_kg_h"] for m in ("speed_density", "mass_air")]
        rule = table["rule_fuel_lb_h"].map(units.kg_from_lb)
        return [to(np.asarray(v, float)) for v in (*rows, rule, table[f"{own}_low"], table[f"{own}_high"])]

    def top(self, r: Result, system: str) -> float:
        return max(_ceiling(*self._rows(r, system), step=2.0), 2.0)

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        over_speed(self.figure, r.tune.table["rpm"].to_numpy())
        unit = display.shown("kg/h", system).unit
        self.figure.update_yaxes(range=[0, self.top(r, system)], title_text=f"fuel to add, {unit}")
        own = r.sheet.controller.metering
        for k, label in ((1, "speed-density"), (2, "mass-air"), (3, "30 lb/h per 100 hp, common practice")):
            self.figure.data[k].hovertemplate = f"{label}: %{{y:.3~g}} {unit} at %{{x:.0f}} rpm<extra></extra>"
            if k < 3:
                self.figure.data[k].line.width = 3 if label == own else 1.4
                self.figure.data[k].line.dash = "solid" if label == own else "dot"
                self.figure.data[self.first + k - 1].text = [f"{label}{' (this car)' if label == own else ''}"]
        self.figure.update_layout(margin={"r": 168})

    def data(self, r: Result, _scale: float, system: str) -> None:
        self.spread(r.tune.table["rpm"].to_numpy(), self._rows(r, system), self.top(r, system))

    def words(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "Added to what the controller gives by itself while this dose flows; band over what is not known. The rule follows the dose."
        return words.fuel_title(r, system), subtitle, words.fuel_text(r, system)


class RetardPicture(_Lines):
    """Retard over speed: for this ramp, for all of it at once, likely need, the rule."""

    labels = (
        ("this plan", theme.ACCENT),
        ("likely need", theme.WITH),
        ("full hit", theme.WITHOUT),
        ("trade's rule", theme.TRADE),
    )
    first = 5

    def build(self) -> theme.Figure:
        fig = theme.figure(340, right=102)
        fig.add_trace(_band())
        fig.add_trace(theme.line(theme.ACCENT, width=3))
        fig.data[1].mode = "lines+markers"
        fig.add_trace(theme.line(theme.WITH))
        fig.add_trace(theme.line(theme.WITHOUT, dash="dot"))
        fig.add_trace(theme.line(theme.TRADE, dash="dash"))
        self.name(fig)
        for k, (label, _) in enumerate(self.labels):
            fig.data[1 + k].hovertemplate = f"{label}: %{{y:.1f}} deg at %{{x:.0f}} rpm<extra></extra>"
        return fig

    @staticmethod
    def _rows(r: Result) -> list[np.ndarray]:
        table, room = r.tune.table, r.room
        rpm = table["rpm"].to_numpy()
        share = table["share_percent"].to_numpy() / 100
        likely, low, high = (
            np.where(share > 0, room.at(f"retard_deg{e}", rpm, share), np.nan) for e in ("", "_low", "_high")
        )
        allowed = room.most_at(rpm) >= 1.0
        full = np.where(allowed, room.at("first_hit_deg", rpm, np.ones(len(rpm))), np.nan)
        return [table["retard_deg"].to_numpy(), likely, full, table["rule_deg"].to_numpy(), low, high]

    def top(self, r: Result, _system: str) -> float:
        return max(_ceiling(*self._rows(r), step=4.0), 8.0)

    def frame(self, r: Result, _scale: float, system: str, _session: Session) -> None:
        over_speed(self.figure, r.tune.table["rpm"].to_numpy())
        self.figure.update_yaxes(range=[-0.4, self.top(r, system)], title_text="timing taken out, degrees")

    def data(self, r: Result, _scale: float, system: str) -> None:
        self.spread(r.tune.table["rpm"].to_numpy(), self._rows(r), self.top(r, system))

    def words(self, r: Result, _scale: float, _system: str, _session: Session) -> tuple[str, str, list[str]]:
        subtitle = "From the known-good timing, at the actual dose of the ramp: likely need with its band at the mean dose, and what this plan takes, set by the strongest cycle."
        return words.retard_title(r), subtitle, words.retard_text(r)
