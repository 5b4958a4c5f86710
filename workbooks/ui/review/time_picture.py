"""One small picture over time: the plan and its band behind, what was logged before it, the parts of the hit shaded."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape
from typing import Any

import numpy as np

from .. import theme
from ..frame import box
from ..picture import Picture, apart, font
from .looked import Looked

LOGGED, PLAN, PLAN_BAND, PLAIN = theme.ACCENT, theme.WITH, theme.WITH_BAND, theme.WITHOUT
THIN = {"color": theme.INK, "width": 1}
SHADES = {"ramp-in": "rgba(0,114,178,0.10)", "spray": "rgba(0,114,178,0.05)", "wash-out": "rgba(107,114,128,0.13)"}
_LABEL_PX = 15
AREAS, LINES = 3, 6
"""Traces of every picture: those of one pull may need more of them than those of the next."""


@dataclass
class Line:
    """A line of a picture: where, in which colour, and what it is called at its end."""

    t: np.ndarray
    y: np.ndarray
    name: str
    color: str
    width: float = 1.8
    dash: str = "solid"
    step: bool = False


@dataclass
class Area:
    """A band."""

    t: np.ndarray
    low: np.ndarray
    high: np.ndarray
    color: str = PLAN_BAND


@dataclass
class Drawn:
    """Everything in a picture.

    Attributes
    ----------
    unit : str
        Of the upright axis, with its name.
    limits : list of tuple
        Value and name of thin black lines.
    least : float
        The axis shows at least so much.
    """

    unit: str
    lines: list[Line] = field(default_factory=list)
    areas: list[Area] = field(default_factory=list)
    limits: list[tuple[float, str]] = field(default_factory=list)
    least: float = 0.0
    digits: int = 0
    span: tuple[float, float] | None = None


def outline(t: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Outline of a band, each stretch without a gap for itself."""
    t, low, high = (np.asarray(a, float) for a in (t, low, high))
    held = np.isfinite(low) & np.isfinite(high)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], held.astype(int), [0]])))
    xs, ys = [], []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        part = slice(begin, end)
        xs += [t[part], t[part][::-1], [np.nan]]
        ys += [high[part], low[part][::-1], [np.nan]]
    return (np.concatenate(xs)[:-1], np.concatenate(ys)[:-1]) if xs else (np.empty(0), np.empty(0))


def area(where: Area | None) -> dict:
    """A band as properties of a trace; nothing where there is none."""
    x, y = outline(where.t, where.low, where.high) if where else (np.empty(0), np.empty(0))
    return {"x": x, "y": y, "fillcolor": where.color if where else PLAN_BAND}


def stroke(line: Line | None, unit: str, digits: int) -> dict:
    """A line as properties of a trace; nothing where there is none."""
    if line is None:
        return {"x": np.empty(0), "y": np.empty(0)}
    return {
        "x": np.asarray(line.t, float),
        "y": np.asarray(line.y, float),
        "line": {"color": line.color, "width": line.width, "dash": line.dash, "shape": "hv" if line.step else "linear"},
        "hovertemplate": f"{escape(line.name)}: %{{y:.{digits}f}} {escape(unit)} at %{{x:.2f}} s<extra></extra>",
    }


def beside(picture: Picture) -> None:
    """Put what a picture says beside it, under its title."""
    parts = [picture.title, picture.subtitle, picture.figure, picture.sight]
    picture.widget.children = [box(parts, "nw-figure", "nw-stack"), box([picture.text], "nw-notes", "nw-stack")]
    picture.widget.remove_class("nw-stack")
    picture.widget.add_class("nw-review-row")


class TimePicture(Picture):
    """A picture over the time of a pull. A class of its own says what is drawn and what it shows."""

    height = 190
    keys: tuple[str, ...] = ()
    title_else = ""
    told_of: tuple[str, ...] = ("logged", "valve duty", "gauge")
    subtitle_text = ""

    def __init__(self) -> None:
        super().__init__()
        self._filled: tuple | None = None
        beside(self)

    def build(self) -> theme.Figure:
        fig = theme.figure(self.height, left=76, right=112, bottom=40)
        for _ in range(AREAS):
            fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=PLAN_BAND, hoverinfo="skip")
        for _ in range(LINES):
            fig.add_scatter(mode="lines")
        return fig

    def drawn(self, r: Looked, system: str) -> Drawn | None:
        """Return what is drawn, or None where the log and the plan hold nothing of it."""
        raise NotImplementedError

    def draw(self, r: Any, _scale: float, system: str, _session: Any) -> None:
        """Redraw for a pull; the picture goes away where there is nothing of it."""
        drawn = self.drawn(r, system)
        self.widget.layout.display = "none" if drawn is None else None
        if drawn is None:
            return
        key = (r.review.log, r.at, r.course, system)
        if key != self._filled:  # plugs change what is said, not what is drawn
            self.fill(r, drawn)
            self._filled = key
        found = r.finding(*self.keys)
        title = found.title if found is not None else self.neutral(drawn, r)
        mark = f'<span class="nw-state-{found.state}"></span>' if found and found.state in ("watch", "stop") else ""
        self.title.value = f"<h2>{mark}{escape(title)}</h2>"
        self.subtitle.value = f"<span>{escape(self.subtitle_text)}</span>"
        said = [found.sentence if found is not None else "", self.note(r)]
        self.text.value = "".join(f"<p>{escape(text)}</p>" for text in said if text)

    def neutral(self, drawn: Drawn, r: Looked) -> str:
        """Title where no finding belongs to this pull: how far what was logged ran at full throttle."""
        logged = next((line for line in drawn.lines if line.name in self.told_of), None)
        if logged is None:
            return self.title_else
        held = np.asarray(logged.y, float)[(logged.t >= r.zero_s) & (logged.t <= r.end_s)]
        held = held[np.isfinite(held)]
        if not len(held):
            return self.title_else
        where = "" if r.pull.hits else "Without nitrous: "
        name, _, unit = drawn.unit.partition(", ")
        low, high = (f"{v:.{min(drawn.digits, 2)}f}".replace("-", "−") for v in (held.min(), held.max()))
        told = f"{where}{name} {low if low == high else f'{low} to {high}'} {unit} at full throttle"
        return " ".join(f"{told[:1].upper()}{told[1:]}".split())

    def note(self, _r: Looked) -> str:
        """A quiet remark on what is drawn."""
        return ""

    def fill(self, r: Looked, drawn: Drawn) -> None:
        """Put everything into the figure."""
        low, high = self._span(drawn)
        begin, end = float(r.t[0]), float(r.t[-1])
        with self.figure.batch_update():
            unit = drawn.unit.rpartition(", ")[2] if ", " in drawn.unit else ""
            for k in range(AREAS):
                self.figure.data[k].update(area(drawn.areas[k] if k < len(drawn.areas) else None))
            for k in range(LINES):
                line = drawn.lines[k] if k < len(drawn.lines) else None
                self.figure.data[AREAS + k].update(stroke(line, unit, drawn.digits))
            self.figure.layout.shapes = [
                *shades(r),
                *(
                    {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": y, "y1": y, "line": THIN}
                    for y, _ in drawn.limits
                    if low <= y <= high
                ),
            ]
            self.figure.layout.annotations = [*self.extra_labels(r), *self._labels(drawn, low, high, end)]
            self.figure.update_xaxes(range=[begin, end], title_text="time in the log, s", title_font_size=12)
            self.figure.update_yaxes(
                range=[low, high], title_text=drawn.unit.replace(", ", ",<br>"), title_font_size=12
            )

    def extra_labels(self, _r: Looked) -> list[dict]:
        """Labels besides those of the lines."""
        return []

    @staticmethod
    def _span(drawn: Drawn) -> tuple[float, float]:
        """Ends of the upright axis."""
        if drawn.span is not None:
            return drawn.span
        values = [line.y for line in drawn.lines] + [e for a in drawn.areas for e in (a.low, a.high)]
        values.append(np.array([y for y, _ in drawn.limits]))
        every = np.concatenate([np.asarray(v, float).ravel() for v in values])
        every = every[np.isfinite(every)]
        low, high = (float(every.min()), float(every.max())) if len(every) else (0.0, 1.0)
        room = max(0.08 * (high - low), 0.5 * (drawn.least - (high - low)), 1e-6)
        return low - room, high + room

    def _labels(self, drawn: Drawn, low: float, high: float, _end: float) -> list[dict]:
        """Names at the right of the lines, apart from each other."""
        named = [(ends(line, low, high), line.name, line.color) for line in drawn.lines if line.name]
        named += [(y, text, theme.INK) for y, text in drawn.limits]
        named = [n for n in named if np.isfinite(n[0]) and n[1]]
        least = (high - low) * _LABEL_PX / (self.height - 66)
        places = within(apart([y for y, _, _ in named], least), least, low, high)
        return [
            {"x": 1.008, "xref": "paper", "xanchor": "left", "y": y, "yanchor": "middle", "showarrow": False, "align": "left", "text": escape(text), "font": font(color)}
            for y, (_, text, color) in zip(places, named, strict=True)
        ]  # fmt: skip


def ends(line: Line, low: float, high: float) -> float:
    """Where a line ends inside the picture; the middle of it where it never is."""
    held = np.asarray(line.y, float)
    held = held[np.isfinite(held) & (held >= low) & (held <= high)]
    return float(held[-1]) if len(held) else 0.5 * (low + high)


def within(places: list[float], least: float, low: float, high: float) -> list[float]:
    """Move labels that stand outside back in, and those they meet out of their way."""
    out = list(places)
    top, foot = high, low
    for k in np.argsort(places)[::-1]:
        out[k] = min(out[k], top)
        top = out[k] - least
    for k in np.argsort(places):
        out[k] = max(out[k], foot)
        foot = out[k] + least
    return out


def shades(r: Looked) -> list[dict]:
    """The parts of the hits as areas behind everything."""
    return [
        {"type": "rect", "x0": a, "x1": b, "y0": 0, "y1": 1, "yref": "paper", "line": {"width": 0}, "fillcolor": SHADES[name], "layer": "below"}
        for name, a, b in r.phases
    ]  # fmt: skip


def shade_names(r: Looked) -> list[dict]:
    """The names of those parts above the picture; a part too short for its name keeps it beside the others."""
    width = float(r.t[-1] - r.t[0]) or 1.0
    out = []
    for name, a, b in r.phases:
        short = (b - a) / width < 0.07
        anchor = {"ramp-in": "right", "wash-out": "left"}.get(name, "center") if short else "center"
        x = {"right": b, "left": a, "center": 0.5 * (a + b)}[anchor]
        out.append(
            {"x": x, "xanchor": anchor, "y": 1.0, "yref": "paper", "yanchor": "bottom", "showarrow": False, "text": name, "font": font(theme.QUIET)}
        )  # fmt: skip
    return out
