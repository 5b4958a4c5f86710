"""Pictures of the lesson about delivery: cycles over the pulse rate, and the course of a lean stop."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from kernel_lib import InputError
from kernel_lib.band import Band
from kernel_lib.engine.setup import spray_speeds
from kernel_lib.teach import delivery as td
from kernel_lib.teach.rules import RULES
from kernel_lib.text import banded

from .. import theme
from ..picture import font, names
from .delivery_words import percent_band
from .step import Answer, LessonCar, LessonPicture, guess_line

_THIN = {"color": theme.INK, "width": 1}
_ROWS = (
    ("cylinder", "through the cylinder"),
    ("exhaust", "exhaust to the sensor"),
    ("sensor", "sensor"),
    ("filter", "filter"),
    ("valve", "valve"),
    ("line", "line behind the valve"),
    ("manifold", "manifold"),
)
_LOWER, _UPPER = ("weakest cycle", "richest cycle"), ("strongest cycle", "leanest cycle")
_SWITCH = "with a pressure switch"


class PulsePicture(LessonPicture):
    """Above, lambda of single cycles over the pulse rate; below, what stays with one cylinder."""

    def __init__(self) -> None:
        self._answer: float | None = None
        super().__init__()

    def build(self) -> theme.Figure:
        fig = theme.figure(height=360, left=70)
        fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
        for _ in range(2):
            fig.add_trace(theme.line(theme.WITH))
        fig.add_trace(theme.line(theme.WITH, yaxis="y2"))
        fig.add_trace(theme.this_car())
        fig.add_trace(theme.this_car())
        for text, place in (("leanest cycle", "top right"), ("richest cycle", "bottom right")):
            fig.add_trace(names(theme.WITH, place, text=[text]))
        fig.add_traces(guess_line())
        fig.data[5].yaxis = "y2"
        fig.update_layout(
            yaxis2={
                **theme.axis_style(),
                "domain": [0.0, 0.3],
                "anchor": "x",
                "title": {"text": "spread, %", "standoff": 4},
            }
        )
        fig.layout.yaxis.domain = [0.4, 1.0]
        fig.update_xaxes(title_text="pulses per second, Hz", range=[td.SWEEP_HZ[0], td.SWEEP_HZ[-1]], anchor="y2")
        fig.data[3].hovertemplate = "%{x:.0f} Hz: %{y:.1f} %<extra>above the mean</extra>"
        return fig

    def guess(self, car: LessonCar, answer: Answer) -> None:  # noqa: ARG002
        self._answer = float(answer)
        line, name = self.figure.data[8], self.figure.data[9]
        line.x, line.y = [td.SWEEP_HZ[0], td.SWEEP_HZ[-1]], [self._answer] * 2
        name.x, name.y = [0.5 * (td.SWEEP_HZ[0] + td.SWEEP_HZ[-1])], [self._answer]

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        sheet, speeds = car.sheet, spray_speeds(car.sheet)
        rpm, hz = float(min(max(value, speeds[0]), speeds[-1])), td.pulse_rate(car.sheet)
        s, here = td.pulse_sweep(sheet, rpm), td.pulsed_cycles(sheet, rpm, hz)
        now = 100 * float(td.pulse_sweep(sheet, rpm, (hz,)).spread[0])
        swings = td.mixture_swings(sheet)
        low, high = (s.richest, s.leanest) if swings else (100 * s.weakest, 100 * s.strongest)
        band, lower, upper, spread, ring, ring2, upper_name, lower_name = self.figure.data[:8]
        band.x, band.y = np.concatenate([s.hz, s.hz[::-1]]), np.concatenate([high, low[::-1]])
        shown = "lambda %{y:.2f}, gauge AFR %{customdata:.1f}" if swings else "%{y:.0f} % of the full flow"
        for trace, y, what in ((lower, low, _LOWER[swings]), (upper, high, _UPPER[swings])):
            trace.x, trace.y, trace.customdata = s.hz, y, car.scale * y
            trace.hovertemplate = f"%{{x:.0f}} Hz: {shown}<extra>{what}</extra>"
        spread.x, spread.y = s.hz, 100 * s.spread
        ring.x, ring.y, ring2.x, ring2.y = [hz], [here.leanest.best if swings else 100 * here.strongest], [hz], [now]
        k = int(np.searchsorted(s.hz, 14.0))
        for trace, y, what in ((upper_name, high, _UPPER[swings]), (lower_name, low, _LOWER[swings])):
            trace.x, trace.y, trace.text = s.hz[k : k + 1], y[k : k + 1], [what]
        self._frame(car)
        pulsed = "" if sheet.nitrous.progressive else " This valve is not pulsed: as if it were."
        below = (
            f"below, spread: nitrous of the worst cylinder above the mean over half a second; ring: this car.{pulsed}"
        )
        if not swings:
            most = percent_band(here.most)
            title = f"At {hz:g} Hz and {rpm:.0f} rpm the strongest cycle draws {most} of the full flow, and one cylinder stays up to {now:.1f} % above the mean"
            return (
                title,
                f"Half the flow meant: share of the full flow that the strongest and the weakest cycle draw; {below}",
            )
        lean = here.leanest
        told = f" ({lean.low:.2f} to {lean.high:.2f})" if lean.high - lean.low >= 0.005 else ""
        title = f"At {hz:g} Hz and {rpm:.0f} rpm the leanest cycle comes to lambda {lean.best:.2f}{told}, and one cylinder stays up to {now:.1f} % above the mean"
        return title, f"Half the flow, fuel for the mean: lambda of the richest and leanest cycle; {below}"

    def _frame(self, car: LessonCar) -> None:
        """Axes and marks; they stay while the speed moves."""
        sheet, speeds = car.sheet, spray_speeds(car.sheet)
        target, stop = sheet.engine.lambda_with_nitrous, sheet.limits.lean_stop_lambda
        ends = [td.pulse_sweep(sheet, float(v)) for v in (speeds[0], td.middle_rpm(sheet), speeds[-1])]
        swings = td.mixture_swings(sheet)
        levels = {"target": target, "lean stop": stop} if swings else {"meant": 100 * td.HALF}
        if swings:
            values = [target, stop, *(float(e.leanest.max()) for e in ends), *(float(e.richest.min()) for e in ends)]
        else:
            values = [0.0, 100.0]
        values += [] if self._answer is None else [self._answer]
        room = 0.02 if swings else 4.0
        self.figure.layout.yaxis.range = [min(values) - room, max(values) + 1.5 * room]
        self.figure.layout.yaxis.title.text = "lambda of a cycle" if swings else "share of the full flow, %"
        self.figure.layout.yaxis2.range = [0.0, 1.15 * 100 * max(float(e.spread.max()) for e in ends)]
        level = {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "line": _THIN}
        upright = {"type": "line", "yref": "paper", "y0": 0, "y1": 1}
        trade = RULES["pulse"].numbers["pulse_hz"]
        shapes = [{**level, "y0": y, "y1": y} for y in levels.values()]
        shapes.append(
            {**upright, "x0": trade, "x1": trade, "line": {"color": theme.TRADE, "width": 1.8, "dash": "dash"}}
        )
        note = {
            "showarrow": False,
            "xref": "paper",
            "x": 1,
            "xanchor": "right",
            "yanchor": "bottom",
            "font": font(theme.INK),
        }
        notes = [
            {**note, "y": y, "text": text, "yanchor": "bottom" if text == "lean stop" else "top"}
            for text, y in levels.items()
        ]
        if not swings:  # on the right both cycles come down to it
            notes[0] |= {"x": 0, "xanchor": "left", "yanchor": "bottom"}
        top = {"showarrow": False, "yref": "paper", "y": 1, "yanchor": "bottom"}
        notes.append({**top, "x": trade, "text": f"common practice: {trade:g} Hz", "font": font(theme.TRADE)})
        try:
            fastest = td.fastest_half(sheet)
        except InputError:
            fastest = np.inf
        if td.SWEEP_HZ[0] < fastest < td.SWEEP_HZ[-1]:
            shapes.append({**upright, "x0": fastest, "x1": fastest, "line": _THIN})
            notes.append({**top, "x": fastest, "text": "valve: no faster", "font": font(theme.INK)})
        self.figure.layout.shapes, self.figure.layout.annotations = shapes, notes


def ms(seconds: float) -> str:
    """Write a time in milliseconds, two figures where it is long."""
    value = 1e3 * seconds
    return f"{round(value, -int(np.log10(value)) + 1) if value >= 100 else round(value):.0f} ms"


def ms_band(band: Band) -> str:
    """Write a time with what is unknown of it."""
    low, best, high = (ms(v).removesuffix(" ms") for v in (band.low, band.best, band.high))
    return f"{best} ms" if low == high else f"{best} ms ({low} to {high})"


def line_of(stop: td.LateStop, value: float) -> td.LateStop:
    """Return a stop with the volume that a slider of tenths shows [mL]; its own where that rounds to it."""
    return stop if abs(value - stop.line_ml) <= 0.0501 else td.with_line(stop, value)


class StopPicture(LessonPicture):
    """A lean stop, part after part."""

    def __init__(self) -> None:
        self._answer: float | None = None
        super().__init__()

    def build(self) -> theme.Figure:
        fig = theme.figure(height=360, left=156, right=24)
        for color in (theme.WITHOUT, theme.WITH, "rgba(0,114,178,0.35)"):
            fig.add_trace(
                go.Bar(orientation="h", marker={"color": color}, hovertemplate="%{y}: %{x:.0f} ms<extra></extra>")
            )
        ends = {"type": "data", "symmetric": False, "color": theme.INK, "thickness": 1.2, "width": 5}
        fig.add_trace(
            go.Scatter(
                mode="markers",
                marker={"size": 1, "color": theme.INK},
                error_x=ends,
                hovertemplate="all: %{x:.0f} ms<extra></extra>",
            )
        )
        fig.add_trace(
            go.Scatter(
                mode="text", textposition="middle right", textfont=font(theme.INK), cliponaxis=False, hoverinfo="skip"
            )
        )
        fig.add_traces(guess_line())
        fig.data[6].textposition = "bottom right"
        fig.update_layout(barmode="overlay", bargap=0.35)
        order = [_SWITCH, *(name for _, name in reversed(_ROWS))]
        fig.update_yaxes(
            type="category", categoryorder="array", categoryarray=order, range=[-0.6, len(order) - 0.4], showgrid=False
        )
        fig.update_xaxes(title_text="since the first lean cycle, ms")
        return fig

    def guess(self, car: LessonCar, answer: Answer) -> None:  # noqa: ARG002
        self._answer = float(answer)
        line, name = self.figure.data[5], self.figure.data[6]
        top = _ROWS[0][1]
        line.x, line.y = [self._answer] * 2, [_SWITCH, top]
        name.x, name.y = [self._answer], [top]

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        first = td.late_stop(car.sheet, td.middle_rpm(car.sheet))
        s = line_of(first, value)
        widths = 1e3 * np.array([s.budget.parts[key].best for key, _ in _ROWS])
        starts = np.concatenate([[0.0], np.cumsum(widths)[:-1]])
        labels, seen = np.array([name for _, name in _ROWS]), len(td.SEEN)
        before, after, switch, total, told = self.figure.data[:5]
        for bars, part in ((before, slice(0, seen)), (after, slice(seen, None))):
            bars.y, bars.x, bars.base = labels[part], widths[part], starts[part]
        rest, whole = s.without_sensor, s.total
        switch.y, switch.x = [_SWITCH], [1e3 * rest.best]
        total.y, total.x = [labels[-1], _SWITCH], [1e3 * whole.best, 1e3 * rest.best]
        total.error_x.array = [1e3 * (b.high - b.best) for b in (whole, rest)]
        total.error_x.arrayminus = [1e3 * (b.best - b.low) for b in (whole, rest)]
        told.y, told.x = labels[:-1], (starts + widths)[:-1]
        told.text = [f" {ms(w / 1e3)}" for w in widths[:-1]]
        top = 1e3 * max(first.total.high, s.total.high)
        top = max(top, self._answer or 0.0)
        self.figure.layout.xaxis.range = [0.0, 1.12 * top]
        title = f"From the first lean cycle until the nitrous is gone it takes {ms_band(whole)}, {banded(s.events.low, s.events.best, s.events.high)} combustion events"
        return (
            title,
            f"A lean stop at {s.budget.rpm:.0f} rpm, part after part, likely; grey: before the stop acts; blue: valve and what is behind it; thin lines: what is unknown; last: a switch on the fuel pressure that acts at once.",
        )
