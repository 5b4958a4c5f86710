"""Small pictures as inline SVG: lines with bands, bars before and after, a window on a scale. Each says its finding in its title.

Colour is never alone: without nitrous is grey and dashed, with nitrous blue and solid, a band pale with thin edges, a limit thin and black, what
a log holds rust; every line carries its name.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np

from ..errors import InputError

WITHOUT, WITH, LIMIT, LOGGED = "without", "with", "limit", "logged"
_GREY, _BLUE, _INK, _QUIET, _RULE, _ACCENT = "#6b7280", "#0072b2", "#1b1f24", "#5b6470", "#d9d5cc", "#8a3b12"
_STROKE = {
    WITHOUT: f'stroke="{_GREY}" stroke-width="1.8" stroke-dasharray="5 3"',
    WITH: f'stroke="{_BLUE}" stroke-width="2.4"',
    LIMIT: f'stroke="{_INK}" stroke-width="1"',
    LOGGED: f'stroke="{_ACCENT}" stroke-width="1.6"',
}
_FILL = {WITHOUT: "#4b525c", WITH: "#005a8f", LIMIT: _INK, LOGGED: _ACCENT}
WIDTH = 280
"""Of every picture, in its own units; text is 12 of them high."""


@dataclass(frozen=True, eq=False)
class Line:
    """A line, its name beside it, and its band.

    Attributes
    ----------
    y : array
        NaN where it has no value.
    kind : str
        `WITHOUT`, `WITH`, `LIMIT` or `LOGGED` (what this car did).
    label : str
    at : float
        Where the name stands, 0 to 1 along the axis.
    above : bool
        Name above the line, else below.
    low, high : array, optional
    """

    y: np.ndarray
    kind: str
    label: str
    at: float = 0.5
    above: bool = True
    low: np.ndarray | None = None
    high: np.ndarray | None = None


@dataclass(frozen=True)
class Bar:
    """What is used of a limit, as shares of it: before, likely and at most after; those numbers, and the limit, as text."""

    label: str
    numbers: str
    limit: str
    before: float
    after: float
    most: float


def picture(title: str, height: float, body: str) -> str:
    """Wrap the parts of a picture; its title is its finding."""
    return (
        f'<svg viewBox="0 0 {WIDTH} {height:g}" role="img" font-family="system-ui,-apple-system,\'Segoe UI\',Roboto,sans-serif" font-size="12" fill="{_INK}">'
        f"<title>{escape(title)}</title>{body}</svg>"
    )


def _text(x: float, y: float, text: str, *, anchor: str = "start", fill: str = _INK, bold: bool = False) -> str:
    weight = ' font-weight="600"' if bold else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{fill}"{weight}>{escape(text)}</text>'


def ticks(low: float, high: float, most: int = 6) -> np.ndarray:
    """Round numbers that span a range, as many as asked for at most."""
    if not (np.isfinite(low) and np.isfinite(high) and high > low):
        raise InputError("axis", (low, high), "", "low below high, both finite", "There is nothing to draw.")
    raw = (high - low) / (most - 1)
    scale = 10.0 ** np.floor(np.log10(raw))
    step = next(s for s in (1, 2, 2.5, 5, 10) if s * scale >= raw * (1 - 1e-9)) * scale
    first = np.floor(low / step + 1e-9)
    return step * np.arange(first, max(np.ceil(high / step - 1e-9), first + 1) + 0.5)


def _runs(known: np.ndarray) -> list[np.ndarray]:
    """Indices of unbroken stretches."""
    k = np.flatnonzero(known)
    return [run for run in np.split(k, np.flatnonzero(np.diff(k) > 1) + 1) if len(run)]


def _points(x: np.ndarray, y: np.ndarray) -> str:
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))


def lines(
    title: str, x, every: list[Line], *, unit: str, x_unit: str = "rpm", height: float = 170, zero: bool = True
) -> str:
    """Draw lines over engine speed, or over time.

    Parameters
    ----------
    title : str
        The finding.
    x : array
        Rising, two at least.
    every : list of Line
    unit, x_unit : str
        At the axes.
    height : float
    zero : bool
        The axis begins at 0.

    Raises
    ------
    InputError
        If there is nothing to draw.
    """
    x = np.asarray(x, float)
    values = np.concatenate([np.ravel(v) for line in every for v in (line.y, line.low, line.high) if v is not None])
    values = values[np.isfinite(values)]
    if len(x) < 2 or not len(values):
        raise InputError("x", len(x), "points", "two at least, with a value", "There is nothing to draw.")
    low, high = min(float(values.min()), 0.0) if zero else float(values.min()), float(values.max())
    marks = ticks(low, high if high > low else low + 1.0, 5)
    wide = max(len(f"{mark:g}") for mark in marks)
    left, right, top, bottom = max(34.0, 6.0 + 7.0 * wide), WIDTH - 6.0, 32.0, height - 20.0

    def across(v):
        return left + (np.asarray(v, float) - x[0]) / (x[-1] - x[0]) * (right - left)

    def up(v):
        return bottom - (np.asarray(v, float) - marks[0]) / (marks[-1] - marks[0]) * (bottom - top)

    body = _text(0, 11, unit, fill=_QUIET)
    for mark in marks:
        body += f'<path d="M{left} {float(up(mark)):.1f}H{right}" stroke="{_RULE}" stroke-width="1"/>'
        body += _text(left - 4, float(up(mark)) + 4, f"{mark:g}", anchor="end", fill=_QUIET)
    for mark in ticks(x[0], x[-1], 4):
        if across(mark) >= left + 14 and mark <= x[-1]:
            place = float(across(mark))
            body += _text(min(place, right - 12), bottom + 15, f"{mark:.0f}", anchor="middle", fill=_QUIET)
    body += _text(left - 4, bottom + 15, x_unit, anchor="end", fill=_QUIET)
    for line in sorted(every, key=lambda one: one.low is None):
        body += _line(line, across(x), up)
    return picture(title, height, body + "".join(_name(line, x, across, up) for line in every))


def _line(line: Line, x: np.ndarray, up) -> str:
    out = ""
    if line.low is not None and line.high is not None:
        for run in _runs(np.isfinite(line.low) & np.isfinite(line.high)):
            around = _points(
                np.concatenate([x[run], x[run][::-1]]), up(np.concatenate([line.high[run], line.low[run][::-1]]))
            )
            out += (
                f'<polygon points="{around}" fill="{_BLUE}" fill-opacity="0.18" stroke="{_BLUE}" stroke-width="0.6"/>'
            )
    for run in _runs(np.isfinite(line.y)):
        out += f'<polyline points="{_points(x[run], up(line.y[run]))}" fill="none" {_STROKE[line.kind]}/>'
    return out


def _name(line: Line, x: np.ndarray, across, up) -> str:
    known = np.isfinite(line.y)
    if not line.label or not known.any():
        return ""
    half = 3.9 * len(line.label)
    place = float(np.clip(across(x[0] + line.at * (x[-1] - x[0])), 36 + half, WIDTH - 6 - half))
    over = np.linspace(place - half, place + half, 9)  # clear of the line along the whole name
    passed = up(np.interp(over, across(x[known]), line.y[known]))
    y = float(passed.min()) - 6 if line.above else float(passed.max()) + 14
    return (
        f'<text x="{place:.1f}" y="{y:.1f}" text-anchor="middle" fill="{_FILL[line.kind]}" font-weight="600" stroke="#fff" stroke-width="3" stroke-opacity="0.85" '
        f'stroke-linejoin="round" paint-order="stroke">{escape(line.label)}</text>'
    )


def bars(title: str, rows: list[Bar]) -> str:
    """Draw what is used of each limit: before in grey, after in blue up to the likely value and pale up to the most; the limit a black line.

    Raises
    ------
    InputError
        If there is no row.
    """
    if not rows:
        raise InputError("rows", 0, "bars", "one at least", "There is nothing to draw.")
    reach = max(1.0, *(max(row.before, row.after, row.most) for row in rows)) * 1.01
    body, y, length = "", 0.0, WIDTH - 4.0

    def wide(share: float) -> float:
        return length * max(share, 0.0) / reach

    for row in rows:
        body += _text(0, y + 11, row.label, bold=True) + _text(length, y + 11, row.limit, anchor="end")
        body += f'<rect x="0" y="{y + 14.5}" width="{wide(row.before):.1f}" height="5" fill="#c9ccd1" stroke="{_GREY}" stroke-width="0.8" stroke-dasharray="3 2"/>'
        body += f'<rect x="0" y="{y + 21}" width="{wide(row.most):.1f}" height="6" fill="{_BLUE}" fill-opacity="0.18" stroke="{_BLUE}" stroke-width="0.8"/>'
        body += f'<rect x="0" y="{y + 21}" width="{wide(row.after):.1f}" height="6" fill="{_BLUE}"/>'
        body += f'<path d="M{wide(1.0):.1f} {y + 13.5}v15" stroke="{_INK}" stroke-width="1.4"/>'
        body += _text(0, y + 39, row.numbers)
        y += 46.0
    body += f'<path d="M0 {y + 6}h14" stroke="{_GREY}" stroke-width="5" stroke-dasharray="3 2"/>' + _text(
        18, y + 10, "before"
    )
    body += f'<path d="M70 {y + 6}h14" stroke="{_BLUE}" stroke-width="6"/>' + _text(88, y + 10, "after, likely")
    body += (
        f'<rect x="163" y="{y + 2.5}" width="13" height="7" fill="{_BLUE}" fill-opacity="0.18" stroke="{_BLUE}" stroke-width="0.8"/>'
        + _text(180, y + 10, "worst")
    )
    body += f'<path d="M224 {y}v12" stroke="{_INK}" stroke-width="1.4"/>' + _text(229, y + 10, "limit")
    return picture(title, y + 14, body)


def window(
    title: str,
    low: tuple[float, str],
    high: tuple[float, str],
    marks: list[tuple[float, str]],
    *,
    outside: tuple[str, str] = ("", ""),
) -> str:
    """Draw a window on a scale.

    Parameters
    ----------
    title : str
        The finding.
    low, high : tuple
        Its ends, each a value and how it is written.
    marks : list of tuple
        Values with their names, above the scale; drawn one above the other where they would touch.
    outside : tuple of str
        What happens below and above the window.

    Raises
    ------
    InputError
        If the ends are out of order.
    """
    if not low[0] < high[0]:
        raise InputError("window", (low[0], high[0]), "", "the first below the second", "A window has two ends.")
    every = [low[0], high[0], *(value for value, _ in marks)]
    room = 0.32 * (max(every) - min(every))
    begin, end = min(every) - room, max(every) + room

    def across(v: float) -> float:
        return 4 + (v - begin) / (end - begin) * (WIDTH - 8)

    names, taken = "", []
    for k, (value, name) in enumerate(sorted(marks)):
        wide, x = 7.0 * len(name), across(value)
        alone = k == len(marks) - 1  # names before the last end at their mark, so that no mark runs through one
        left = min(max(x - wide / 2, 0.0), WIDTH - wide) if alone else max(x - wide, 0.0)
        level = next(v for v in range(len(marks)) if all(v != used or left > edge + 4 for used, edge in taken))
        taken.append((level, left + wide))
        names += f'<path d="M{x:.1f} {-14 * level - 2}V26" stroke="{_INK}" stroke-width="1.4"/>'
        names += _text(left + wide / 2, -14 * level - 6, name, anchor="middle", bold=True)
    top = 14.0 * (1 + max((level for level, _ in taken), default=-1)) + 4
    a, b = across(low[0]), across(high[0])
    body = f'<rect x="{a:.1f}" y="6" width="{b - a:.1f}" height="18" fill="{_BLUE}" fill-opacity="0.18" stroke="{_BLUE}" stroke-width="1"/>'
    body += f'<path d="M4 24H{WIDTH - 4}" stroke="{_QUIET}" stroke-width="1"/>'
    body += _text(a, 39, low[1], anchor="middle") + _text(b, 39, high[1], anchor="middle") + names
    body += _text(4, 55, outside[0], fill=_QUIET) + _text(WIDTH - 4, 55, outside[1], anchor="end", fill=_QUIET)
    return picture(title, top + 60, f'<g transform="translate(0 {top:.0f})">{body}</g>')
