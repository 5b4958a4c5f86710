"""The same pull over engine speed: lambda error speed by speed, retard applied, fuel to change; and the fit's before and after."""

from __future__ import annotations

from html import escape
from typing import Any

import numpy as np

from kernel_lib.plan.ladder import GATE_LAMBDA

from .. import theme
from ..picture import Picture, font
from .looked import Looked
from .time_picture import LOGGED, PLAIN, PLAN, PLAN_BAND, THIN, beside

GATE = "ladder's gate"


class RpmPicture(Picture):
    """Points with their errors over engine speed; a class of its own says which."""

    height = 280
    unit = ""
    keys: tuple[str, ...] = ()
    title_else = ""
    subtitle_text = ""

    def __init__(self) -> None:
        super().__init__()
        beside(self)

    def build(self) -> theme.Figure:
        fig = theme.figure(self.height, left=76, right=112)
        fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=PLAN_BAND, hoverinfo="skip")
        fig.add_trace(theme.line(PLAN))
        for color in (PLAIN, PLAN, LOGGED):
            bars = {"type": "data", "array": [], "color": color, "thickness": 1.4, "width": 3}
            fig.add_scatter(mode="markers", marker={"color": color, "size": 8 if color != LOGGED else 5}, error_y=bars)
        return fig

    def parts(self, r: Looked) -> dict[int, dict] | None:
        """Return what goes into which trace (0 band, 1 line, 2 grey, 3 blue, 4 rust points), or None where there is nothing."""
        raise NotImplementedError

    def limits(self, _r: Looked) -> list[tuple[float, str]]:
        """Thin lines and their names."""
        return []

    def draw(self, r: Any, _scale: float, _system: str, _session: Any) -> None:
        """Redraw for a review; the picture goes away where there is nothing of it."""
        parts = self.parts(r)
        self.widget.layout.display = "none" if parts is None else None
        if parts is None:
            return
        limits = self.limits(r)
        names = ("", "planned", "without nitrous", "with nitrous", "logged")
        with self.figure.batch_update():
            for k, trace in enumerate(self.figure.data):
                part = parts.get(k, {"x": np.empty(0), "y": np.empty(0)})
                bars = {"error_y": {"array": part.get("error", np.zeros(len(part["x"])))}} if k > 1 else {}
                trace.update({"x": part["x"], "y": part["y"], **bars})
                if k:
                    trace.hovertemplate = (
                        f"{part.get('name', names[k])}: %{{y:.2f}} {self.unit} at %{{x:.0f}} rpm<extra></extra>"
                    )
            low, high, begin, end = self._ends(parts, limits)
            self.figure.layout.shapes = [
                {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": y, "y1": y, "line": THIN} for y, _ in limits
            ]
            self.figure.layout.annotations = [
                *self._labels(parts, names),
                *(
                    {"x": 1.008, "xref": "paper", "xanchor": "left", "y": y, "yanchor": "middle", "showarrow": False, "text": escape(text), "font": font(theme.INK)}
                    for y, text in limits
                ),
            ]  # fmt: skip
            self.figure.update_xaxes(range=[begin, end], title_text="engine speed, rpm", title_font_size=12)
            self.figure.update_yaxes(range=[low, high], title_text=self.axis(r), title_font_size=12)
        found = r.finding(*self.keys) if self.keys else None
        self.title.value = f"<h2>{escape(self.say(r, found.title if found else self.title_else))}</h2>"
        self.subtitle.value = ""
        self.text.value = f"<p>{escape(self.subtitle_text)}</p>"

    def axis(self, r: Looked) -> str:
        """Name and unit of the upright axis."""
        raise NotImplementedError

    def say(self, _r: Looked, title: str) -> str:
        """The finding."""
        return title

    @staticmethod
    def _labels(parts: dict, names: tuple[str, ...]) -> list[dict]:
        """Which points are which, in a row above the picture."""
        colors, out, x = (theme.QUIET, PLAN, PLAIN, PLAN, LOGGED), [], 0.0
        for k, part in sorted(parts.items()):
            if k == 0 or not len(part["x"]):
                continue
            text = f"{'—' if k == 1 else '●'} {escape(part.get('name', names[k]))}"
            out.append(
                {"x": x, "xref": "paper", "xanchor": "left", "y": 1.0, "yref": "paper", "yanchor": "bottom", "showarrow": False, "text": text, "font": font(colors[k])}
            )  # fmt: skip
            x += 0.03 + 0.0115 * len(text)
        return out

    @staticmethod
    def _ends(parts: dict, limits: list) -> tuple[float, float, float, float]:
        ys = [np.asarray(p["y"], float) + s * np.asarray(p.get("error", 0.0)) for p in parts.values() for s in (-1, 1)]
        y = np.concatenate([*ys, [v for v, _ in limits]])
        x = np.concatenate([np.asarray(p["x"], float) for p in parts.values()])
        y, x = y[np.isfinite(y)], x[np.isfinite(x)]
        if not len(x) or not len(y):
            return 0.0, 1.0, 0.0, 1.0
        room, side = max(0.1 * (y.max() - y.min()), 0.5), max(0.04 * (x.max() - x.min()), 100.0)
        return float(y.min() - room), float(y.max() + room), float(x.min() - side), float(x.max() + side)


def signed(value: float) -> str:
    """A number with its sign."""
    return f"{value:+.1f}".replace("-", "−")


def span(values: np.ndarray) -> str:
    """Smallest and largest of some numbers; one where they are alike."""
    low, high = signed(float(np.min(values))), signed(float(np.max(values)))
    return low if low == high else f"{low} to {high}"


class CellsPicture(RpmPicture):
    """How far lambda stands off the target at every speed, settled samples only."""

    unit = "%"
    keys = ("lambda", "base")
    title_else = "How far lambda stands off the target, speed by speed"
    subtitle_text = (
        "True lambda over target less one, mean of settled samples of all pulls at each engine speed and valve duty, with its error (19 times in 20 within). "
        "Above zero is leaner than the target. Lines: the gate of the ladder with nitrous."
    )

    def parts(self, r: Looked) -> dict[int, dict] | None:
        out: dict[int, dict] = {}
        for k, table in zip((2, 3), r.cells or (), strict=False):
            if len(table):
                x, y, e = (table[name].to_numpy(float) for name in ("rpm", "error", "error_95"))
                out[k] = {"x": x, "y": 100 * y, "error": 100 * e}
        return out or None

    def limits(self, r: Looked) -> list[tuple[float, str]]:
        room = 100 * GATE_LAMBDA / r.sheet.engine.lambda_with_nitrous
        return [(0.0, "target"), (room, GATE), (-room, GATE)]

    def axis(self, _r: Looked) -> str:
        return "lambda off target, %"

    def say(self, r: Looked, title: str) -> str:
        parts = self.parts(r) or {}
        told = [
            f"{span(part['y'])} % {name}"
            for k, name in ((3, "with nitrous"), (2, "without nitrous"))
            if (part := parts.get(k)) is not None
        ]
        return f"Settled lambda stands off its target by {', '.join(told)}" if told else title


class RetardPicture(RpmPicture):
    """Retard over engine speed while the charge carries settled nitrous."""

    unit = "degrees"
    keys = ("retard",)
    title_else = "Retard applied, speed by speed"
    subtitle_text = (
        "Degrees taken out against the timing without nitrous, while settled nitrous flows: planned, and as logged."
    )

    def parts(self, r: Looked) -> dict[int, dict] | None:
        logged = r.logged("timing_deg_btdc")
        if logged is None or r.course is None or not r.pull.hits:
            return None
        rpm, base, plan = (r.expected(n) for n in ("rpm", "timing_base", "retard_planned"))
        if base is None or plan is None or rpm is None:
            return None
        spray = np.zeros(len(r.course_t), bool)
        for name, a, b in r.phases:
            spray |= (name == "spray") & (r.course_t >= a) & (r.course_t <= b)
        if not spray.any():
            return None
        taken = base - np.interp(r.course_t, r.t, logged)
        order = np.argsort(rpm[spray])
        x = rpm[spray][order]
        return {1: {"x": x, "y": plan[spray][order]}, 4: {"x": x[::4], "y": taken[spray][order][::4]}}

    def axis(self, _r: Looked) -> str:
        return "retard, degrees"

    def say(self, r: Looked, title: str) -> str:
        parts = self.parts(r)
        if parts is None:
            return title
        ends = [(v.min(), v.max()) for v in (p["y"][np.isfinite(p["y"])] for p in (parts[4], parts[1])) if len(v)]
        if len(ends) < 2:
            return title
        logged, plan = (f"{a:.1f} to {b:.1f}".replace("-", "−") for a, b in ends)
        return f"Retard logged {logged} degrees, planned {plan}"


class FuelChangePicture(RpmPicture):
    """What is proposed to change in fuel, over engine speed."""

    unit = ""
    title_else = "Fuel to change, speed by speed"
    subtitle_text = "Proposed change and its band, bounded as the table says; base fuel grey, added fuel blue. Never larger than the table allows in one step."

    def parts(self, r: Looked) -> dict[int, dict] | None:
        out = {}
        for k, what, name in ((2, "base fuel", "base fuel"), (3, "fuel", "added fuel")):
            rows = [
                c for c in r.review.changes if c.what == what and c.rpm is not None and c.amount is not None and c.unit == self._unit(r)
            ]  # fmt: skip
            if rows:
                half = [0.5 * (c.high - c.low) if None not in (c.low, c.high) else 0.0 for c in rows]
                out[k] = {
                    "x": np.array([c.rpm for c in rows]),
                    "y": np.array([c.amount for c in rows]),
                    "error": np.array(half),
                    "name": name,
                }
        return out or None

    @staticmethod
    def _unit(r: Looked) -> str:
        return next((c.unit for c in r.review.changes if c.what in ("fuel", "base fuel") and c.amount is not None), "")

    def limits(self, _r: Looked) -> list[tuple[float, str]]:
        return [(0.0, "as it is")]

    def axis(self, r: Looked) -> str:
        return f"change, {self._unit(r)}"


class FitPicture(Picture):
    """Lambda of the model over that of the log, before and after the fit."""

    def build(self) -> theme.Figure:
        fig = theme.figure(280, right=16)
        fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=PLAN_BAND, hoverinfo="skip")
        for color, name in ((PLAIN, "before"), (PLAN, "after")):
            fig.add_scatter(mode="markers", marker={"color": color, "size": 6}, name=name, hovertemplate=f"{name}: %{{y:.3f}} at %{{x:.0f}} rpm<extra></extra>")  # fmt: skip
        return fig

    def draw(self, r: Any, _scale: float, _system: str, _session: Any) -> None:
        """Redraw for a fit: `rpm`, `before`, `after` of lambda."""
        rpm, before, after = (np.asarray(v, float) for v in r)
        with self.figure.batch_update():
            for k, y in ((1, before), (2, after)):
                self.figure.data[k].update({"x": rpm, "y": y})
            every = np.concatenate([before, after, [0.0]])
            every = every[np.isfinite(every)]
            room = max(0.1 * float(np.ptp(every)), 0.5)
            self.figure.layout.shapes = [
                {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": 0, "y1": 0, "line": THIN}
            ]
            self.figure.layout.annotations = [
                {"x": x, "xref": "paper", "xanchor": "left", "y": 1.0, "yref": "paper", "yanchor": "bottom", "showarrow": False, "text": f"● {name}", "font": font(color)}
                for x, name, color in ((0.0, "before", PLAIN), (0.14, "after", PLAN))
            ]  # fmt: skip
            self.figure.update_xaxes(title_text="engine speed, rpm", title_font_size=12, autorange=True)
            self.figure.update_yaxes(
                title_text="logged over model, %", range=[float(every.min()) - room, float(every.max()) + room]
            )


RPM_PICTURES = (CellsPicture, RetardPicture, FuelChangePicture)
