"""Pictures of the lesson's steps on the charge."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from kernel_lib import units
from kernel_lib.teach import charge as tc
from kernel_lib.teach import leftover as tl

from .. import display, theme
from ..picture import font, names
from .charge_words import few, percent, window_places
from .step import Answer, LessonCar, LessonPicture, guess_line

_THIN = {"color": theme.INK, "width": 1}
_PALE = "rgba(0,114,178,0.35)"


def _band() -> go.Scatter:
    return go.Scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")


def _level(y: float, text: str, axis: str = "x", side: str = "bottom") -> tuple[dict, dict]:
    """A thin level line with its name at the left end."""
    where = {"xref": f"{axis} domain", "y0": y, "y1": y, "x0": 0, "x1": 1}
    label = {"x": 0.01, "xref": f"{axis} domain", "xanchor": "left", "y": y, "yanchor": side, "showarrow": False}
    return {"type": "line", "line": _THIN, **where}, {**label, "text": text, "font": font(theme.INK)}


class _Picture(LessonPicture):
    def put(self, k: int, x, y, text: list[str] | None = None) -> None:
        """Move a trace."""
        trace = self.figure.data[k]
        trace.x, trace.y = np.asarray(x, float), np.asarray(y, float)
        if text is not None:
            trace.text = text

    def put_band(self, k: int, x: np.ndarray, spread: tc.Spread, scale: float = 1.0) -> None:
        """Move a band."""
        edges = np.concatenate([scale * spread.high, scale * spread.low[::-1]])
        self.put(k, np.concatenate([x, x[::-1]]), edges)


class OxygenPicture(_Picture):
    """Five ways to count oxygen against air."""

    NAMES = (
        "same mass of gas",
        "same volume of gas",
        "mole for mole, come apart",
        "this charge, mole for mole",
        "this cylinder, each cycle",
    )

    def build(self) -> theme.Figure:
        fig = theme.figure(360, left=16)
        bar = {"orientation": "h", "width": 0.4, "hovertemplate": "%{x:.0f} % more oxygen than air<extra></extra>"}
        fig.add_trace(go.Bar(marker={"color": _PALE, "line": {"color": theme.WITH, "width": 1}}, **bar))
        ends = {"type": "data", "symmetric": False, "color": theme.INK, "thickness": 1.4, "width": 5}
        fig.add_trace(go.Bar(marker={"color": theme.WITH}, error_x=ends, **bar))
        fig.add_trace(names(theme.INK, "middle right", text=[]))
        fig.add_traces(guess_line())
        fig.update_yaxes(range=[-0.45, 5.05], showticklabels=False, ticks="", showgrid=False, showline=False)
        fig.update_xaxes(title_text="more oxygen than air, %")
        fig.data[3].hovertemplate = "you: %{x:.0f} %<extra></extra>"
        return fig

    def guess(self, _car: LessonCar, answer: Answer) -> None:
        self.put(3, [answer, answer], [-0.45, 4.62])
        self.put(4, [answer], [4.62])

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        counts, rpm = tc.oxygen_counts(car.sheet), tc.lesson_speeds(car.sheet)[1]
        gain = tc.oxygen_gain(car.sheet, [rpm], value / 100)
        air = counts.mole_air
        gas = [counts.mass_nitrous / counts.mass_air - 1, counts.volume_ratio - 1, counts.mole_nitrous / air - 1]
        bands = [tuple(v / air - 1 for v in gain.share.at(0)), gain.more.at(0)]
        best = np.array([100 * b[1] for b in bands])
        self.put(0, 100 * np.array(gas), [4, 3, 2])
        self.put(1, best, [1, 0])
        ends = self.figure.data[1].error_x
        ends.array = [100 * (b[2] - b[1]) for b in bands]
        ends.arrayminus = [100 * (b[1] - b[0]) for b in bands]
        told = [f"{100 * v:.0f} %" for v in gas] + [f"{percent(b)} %" for b in bands]
        self.put(2, [0] * 5, np.arange(4, -1, -1) + 0.36, [f"{n}: {t}" for n, t in zip(self.NAMES, told, strict=True)])
        drawn = self.figure.data[3].x
        self.figure.layout.xaxis.range = [
            0,
            max(160.0, 110 * bands[1][2], *(1.1 * np.asarray([] if drawn is None else drawn, float))),
        ]
        title = f"Nitrous gas holds {100 * gas[0]:.0f} % more oxygen than the same mass of air, this cylinder {percent(bands[1])} % more"
        return (
            title,
            f"More oxygen than air at {rpm:.0f} rpm, counted in five ways; pale: the gas alone; full: this charge, with its band",
        )


class LowSpeedPicture(_Picture):
    """More oxygen over engine speed."""

    def build(self) -> theme.Figure:
        fig = theme.figure(360, right=24)
        fig.add_trace(_band())
        fig.add_trace(
            theme.line(theme.WITH, hovertemplate="%{x:.0f} rpm: %{y:.0f} % more oxygen<extra>computed</extra>")
        )
        fig.add_trace(names(theme.WITH, "top right", text=[]))
        fig.add_traces(guess_line())
        fig.update_xaxes(title_text="engine speed, rpm")
        fig.update_yaxes(title_text="more oxygen than without nitrous, %")
        self.drawn = 0.0
        return fig

    def guess(self, car: LessonCar, answer: Answer) -> None:
        places = window_places(car)
        self.drawn = max(answer)
        self.put(3, places, answer)
        self.put(4, [places[-2]], [answer[-2]])

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        low, _, high = tc.lesson_speeds(car.sheet)
        rpm = np.linspace(low, high, 25)
        gain, full = tc.oxygen_gain(car.sheet, rpm, value / 100), tc.oxygen_gain(car.sheet, [low, high])
        self.put_band(0, rpm, gain.more, 100)
        self.put(1, rpm, 100 * gain.more.best)
        self.put(2, [rpm[1]], [100 * gain.more.best[1]], ["the full shot" if value == 100 else f"{value:.0f} % of it"])
        shape, label = _level(100 * float(full.more.best[1]), f"full shot at {high:.0f} rpm", side="top")
        self.figure.layout.shapes, self.figure.layout.annotations = [shape], [label]
        top = 1.08 * max(100 * float(gain.more.high.max()), 100 * float(full.more.high.max()), self.drawn)
        self.figure.layout.yaxis.range = [0, top]
        part = "this shot" if value == 100 else f"{value:.0f} % of this shot"
        title = f"At {low:.0f} rpm {part} brings {percent(gain.more.at(0))} % more oxygen, at {high:.0f} rpm {percent(gain.more.at(-1))} %"
        return (
            title,
            "Oxygen of the charge over that without nitrous; valve open all the time, full throttle; blue with its band",
        )


class GaugePicture(_Picture):
    """What the mixture is when the gauge shows a lambda."""

    def build(self) -> theme.Figure:
        fig = theme.figure(360, right=24)
        fig.add_trace(_band())
        for color, what in ((theme.WITHOUT, "on the gauge"), (theme.WITH, "in the cylinders")):
            fig.add_trace(theme.line(color, hovertemplate=f"%{{x:.0f}} rpm: lambda %{{y:.3f}}<extra>{what}</extra>"))
        fig.add_trace(names(theme.WITHOUT, "bottom left", text=["what the gauge shows"]))
        fig.add_trace(names(theme.WITH, "top right", text=["what the mixture is"]))
        fig.add_traces(guess_line())
        fig.update_xaxes(title_text="engine speed, rpm")
        fig.update_yaxes(title_text="lambda", tickformat=".2f")
        self.drawn: float | None = None
        return fig

    def guess(self, car: LessonCar, answer: Answer) -> None:
        low, _, high = tc.lesson_speeds(car.sheet)
        self.drawn = float(answer)
        self.put(5, [low, low + 0.2 * (high - low)], [answer] * 2)
        self.put(6, [low + 0.2 * (high - low)], [answer])

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        table, stop = tc.gauge_table(car.sheet), car.sheet.limits.lean_stop_lambda
        true, rpm = table.lambda_at(value), table.rpm
        self.put_band(0, rpm, true)
        self.put(1, rpm, np.full(len(rpm), value))
        self.put(2, rpm, true.best)
        over = float(true.best[0]) >= value  # the mixture's line lies above the gauge's, or below it past lambda 1
        self.figure.data[3].textposition = "bottom left" if over else "top left"
        self.figure.data[4].textposition = "top right" if over else "bottom right"
        shape, label = _level(stop, "lean stop")
        self.figure.layout.shapes, self.figure.layout.annotations = [shape], [label]
        seen = [value - 0.02, value + 0.01, stop + 0.015, float(true.high.max()) + 0.01, float(true.low.min()) - 0.01]
        seen += [] if self.drawn is None else [self.drawn - 0.01, self.drawn + 0.01]
        self.figure.layout.yaxis.range = [min(seen), max(seen)]
        gap = (0.012 if over else -0.012) * (max(seen) - min(seen))
        self.put(3, rpm[-1:], [value - gap])
        self.put(4, rpm[:1], (true.high if over else true.low)[:1] + gap)
        self.figure.layout.xaxis.range = [float(rpm[0]), float(rpm[-1])]
        low, best, high = true.at(0)
        title = f"Gauge {value * car.scale:.1f} (lambda {value:.3f}) is really lambda {best:.3f} ({low:.3f} to {high:.3f}) at {rpm[0]:.0f} rpm, {best * car.scale:.1f} in gauge numbers"
        return (
            title,
            "Lambda of the full shot's charge when the gauge shows one number; limiting-current model, not verified on a sensor",
        )


class FlamePicture(_Picture):
    """Flame and exhaust over lambda, on scales of the same span."""

    def build(self) -> theme.Figure:
        grid = {"rows": 1, "columns": 2, "pattern": "independent", "xgap": 0.16}
        fig = theme.figure(360, grid=grid)
        right = {"xaxis": "x2", "yaxis": "y2"}
        for color, rest in ((theme.WITHOUT, {}), (theme.WITH, {}), (theme.WITH, right)):
            fig.add_trace(theme.line(color, **rest))
        fig.add_trace(names(theme.WITHOUT, "bottom center", text=["without"]))
        fig.add_trace(names(theme.WITH, "top right", text=["with nitrous"]))
        fig.add_trace(theme.this_car())
        fig.add_trace(theme.this_car().update(right))
        fig.add_traces(guess_line())
        fig.data[7].hovertemplate = "you: lambda %{x:.2f}<extra></extra>"
        fig.update_layout(xaxis2=theme.axis_style(), yaxis2=theme.axis_style())
        fig.update_xaxes(range=[0.7, 1.2], title_text="lambda", tickformat=".1f", dtick=0.1)
        self.drawn: float | None = None
        return fig

    def guess(self, _car: LessonCar, answer: Answer) -> None:
        self.drawn = float(answer)

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        f = tl.flames(car.sheet, tc.lesson_speeds(car.sheet)[1])
        x, unit = f.lambda_, display.shown("°C", car.system).unit
        lines = [self._degrees(v, car) for v in (f.without, f.with_nitrous, f.opening)]
        for k, y in enumerate(lines):
            self.put(k, x, y)
            self.figure.data[k].hovertemplate = f"lambda %{{x:.2f}}: %{{y:.0f}} {unit}<extra></extra>"
        inside, above = int(lines[0].argmax()), int(np.searchsorted(x, 0.95))
        room = 0.12 * (max(map(np.max, lines[:2])) - min(map(np.min, lines[:2])))
        self.put(3, [x[inside]], [lines[0].max() - 0.8 * room])
        self.put(4, [x[above]], [lines[1][above]])
        self.put(5, [value], self._degrees(np.array([f.at("with_nitrous", value)]), car))
        self.put(6, [value], self._degrees(np.array([f.at("opening", value)]), car))
        low, high = min(lines[0].min(), lines[1].min()), max(lines[0].max(), lines[1].max())
        span = high - low + 2 * room
        centre = 0.5 * (lines[2].min() + lines[2].max())
        self.figure.layout.yaxis.range = [low - room, high + room]
        self.figure.layout.yaxis2.range = [centre - span / 2, centre + span / 2]
        if self.drawn is not None:
            at = self.drawn
            self.put(7, [at, at], [low - room, high + 0.4 * room])
            self.put(8, [at], [high + 0.4 * room])
        self._marks(car, unit)
        return (
            self._title(car, f),
            "Left: open flame from the charge at the spark; right: that gas at exhaust opening, idealised: burned at once, no heat lost, so far hotter than a probe shows (read differences); both scales span the same; ring: the mixture you set",
        )

    @staticmethod
    def _degrees(kelvin: np.ndarray, car: LessonCar) -> np.ndarray:
        return display.shown("°C", car.system).there(units.c_from_k(kelvin))

    def _marks(self, car: LessonCar, unit: str) -> None:
        target = car.sheet.engine.lambda_with_nitrous
        line = {"type": "line", "line": _THIN, "x0": target, "x1": target, "y0": 0, "y1": 1}
        self.figure.layout.shapes = [{**line, "xref": f"x{a}", "yref": f"y{a} domain"} for a in ("", "2")]
        head = {"yref": "paper", "y": 1.0, "yanchor": "bottom", "showarrow": False, "x": 0, "xanchor": "left"}
        self.figure.layout.annotations = [
            {**head, "xref": "x domain", "text": f"<b>flame</b>, {unit}"},
            {**head, "xref": "x2 domain", "text": f"<b>exhaust opening</b>, {unit}, no heat lost"},
            {
                **head,
                "xref": "x2",
                "x": target,
                "xanchor": "left",
                "y": 0.02,
                "text": " target",
                "font": font(theme.INK),
            },
        ]

    @staticmethod
    def _title(car: LessonCar, f: tl.Flames) -> str:
        target = car.sheet.engine.lambda_with_nitrous
        flame, exhaust = (f.at(k, 1.0) - f.at(k, target) for k in ("with_nitrous", "opening"))
        words = [f"{few(v, car.system)} {'hotter' if v >= 0 else 'cooler'}" for v in (flame, exhaust)]
        return f"From the target to lambda 1 the flame gets {words[0]}, the gas at exhaust opening {words[1]}"


class LeftoverPicture(_Picture):
    """Lambda while late fuel comes in, and beside it what each lambda leaves over."""

    def build(self) -> theme.Figure:
        grid = {"rows": 1, "columns": 2, "pattern": "independent", "xgap": 0.1}
        fig = theme.figure(360, grid=grid)
        right = {"xaxis": "x2", "yaxis": "y2"}
        fig.add_trace(_band())
        fig.add_trace(theme.line(theme.WITH, hovertemplate="%{x:.0f} ms: lambda %{y:.2f}<extra></extra>"))
        for color, dash, what in (
            (theme.WITH, "dash", "CO and H2"),
            (theme.WITH, "solid", "O2"),
            (theme.WITHOUT, "solid", "O2 without nitrous"),
        ):
            fig.add_trace(
                theme.line(
                    color, dash=dash, hovertemplate=f"lambda %{{y:.2f}}: %{{x:.1f}} % {what}<extra></extra>", **right
                )
            )
        fig.add_trace(theme.this_car())
        fig.add_trace(names(theme.WITH, "middle right", text=[" CO and H₂", " O₂"], **right))
        fig.add_traces(guess_line())
        fig.data[7].hovertemplate = "you: lambda %{y:.2f}<extra></extra>"
        fig.update_layout(
            xaxis={"domain": [0, 0.6]}, xaxis2=theme.axis_style() | {"domain": [0.7, 1.0]}, yaxis2=theme.axis_style()
        )
        fig.update_xaxes(title_text="time since the nitrous valve, ms", range=[-200, 600], selector=0)
        fig.layout.xaxis2.title.text = "left over, %"
        fig.update_yaxes(tickformat=".2f")
        fig.layout.yaxis.title.text = "lambda"
        self.drawn: float | None = None
        return fig

    def guess(self, _car: LessonCar, answer: Answer) -> None:
        self.drawn = float(answer)
        self.put(7, [-200, 600], [answer] * 2)
        self.put(8, [480], [answer])

    def reveal(self, car: LessonCar, value: float) -> tuple[str, str]:
        sheet, rpm = car.sheet, tc.lesson_speeds(car.sheet)[0]
        late, left, stop = (
            tl.late_fuel(sheet, rpm, value / 1e3),
            tl.leftovers(sheet, rpm),
            sheet.limits.lean_stop_lambda,
        )
        time = 1e3 * late.time_s
        some = (time >= -200) & (time <= 600)
        self.put_band(
            0, time[some], tc.Spread(*(v[some] for v in (late.lambda_.low, late.lambda_.best, late.lambda_.high)))
        )
        self.put(1, time[some], late.lambda_.best[some])
        k = int(late.lambda_.best.argmax())
        self.put(5, [np.clip(time[k], -200, 600)], [late.lambda_.best[k]])
        top = max(1.2, 0.03 + tl.late_fuel(sheet, rpm, 0.2).leanest.high, 0.03 + (self.drawn or 0.0))
        low = min(0.78, float(late.lambda_.low.min()) - 0.02, (self.drawn or 1.0) - 0.02)
        rich, lean = left.lambda_ <= 1, left.lambda_ >= 1
        self.put(2, 100 * left.wanting[rich], left.lambda_[rich])
        self.put(3, 100 * left.oxygen[lean], left.lambda_[lean])
        self.put(4, 100 * left.oxygen_air[lean], left.lambda_[lean])
        at = [0.9, 1.0 + 0.4 * (min(top, 1.6) - 1.0)]
        self.put(
            6,
            [100 * float(np.interp(v, left.lambda_, y)) for v, y in zip(at, (left.wanting, left.oxygen), strict=True)],
            at,
        )
        shown = (left.lambda_ >= low) & (left.lambda_ <= top)
        most = 100 * max(float(left.wanting[shown].max()), float(left.oxygen[shown].max()))
        self.figure.layout.xaxis2.range = [0, 1.25 * most]
        self.figure.layout.yaxis.range = self.figure.layout.yaxis2.range = [low, top]
        self._marks(stop)
        when = f"{value:.0f} ms late" if value > 0 else f"{-value:.0f} ms early" if value < 0 else "with the nitrous"
        band = f"{late.leanest.best:.2f} ({late.leanest.low:.2f} to {late.leanest.high:.2f})"
        title = f"Fuel {when}: the leanest cycle has lambda {band}, the lean stop is at {stop:.3f}"
        return (
            title,
            f"Left: lambda of each intake at {rpm:.0f} rpm, full shot at once, with its band; right: what each lambda leaves in cooled exhaust, grey without nitrous",
        )

    def _marks(self, stop: float) -> None:
        shape, label = _level(stop, "lean stop")
        one = {
            "type": "line",
            "line": {**_THIN, "dash": "dot"},
            "xref": "x2 domain",
            "yref": "y2",
            "x0": 0,
            "x1": 1,
            "y0": 1,
            "y1": 1,
        }
        self.figure.layout.shapes = [shape, {**shape, "xref": "x2 domain", "yref": "y2"}, one]
        self.figure.layout.annotations = [label]
