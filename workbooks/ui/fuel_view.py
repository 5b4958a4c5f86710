"""The fuel side on the page: injectors and pump over rpm, and for a wet kit its jets and valves."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from html import escape

import ipywidgets as w
import numpy as np
import plotly.graph_objects as go

from kernel_lib import BuildSheet, InputError, Plan, plan_shot
from kernel_lib.band import Band
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import fuel as pf
from kernel_lib.plan import fuel_system as fs
from kernel_lib.plan.judgement import own_fuel_key

from . import fuel_words as words
from . import theme
from .fields import NumberField, parse_number
from .frame import box, html, panel
from .guard import guarded
from .picture import font, names
from .session import Session

FIVE_PSI_KPA = 34.4738
_JETS = np.linspace(0.3, 2.6, 47)


@dataclass(frozen=True)
class Wet:
    """A wet pair: lambda over jet bore and over valve duty."""

    wanted: Band  # bore [mm], over the fuel's range and the jet's coefficient
    step_kpa: float  # by which the pressure is varied
    fuel: float  # kg/s
    rpm: float
    bores: np.ndarray
    lambda_: np.ndarray
    low: np.ndarray  # at 5 psi more
    high: np.ndarray  # at 5 psi less
    owned: list[tuple[float, float]]
    fitted: float | None
    fitted_lambda: float | None
    duty: np.ndarray
    drift: dict[str, np.ndarray] | None


@dataclass(frozen=True)
class FuelSide:
    """What the panel shows."""

    sheet: BuildSheet
    plan: Plan
    largest: fs.Largest
    bare_duty: np.ndarray
    pump_reason: str
    wet: Wet | None


@lru_cache(maxsize=8)
def compute(sheet: BuildSheet) -> FuelSide:
    """Compute the fuel side of a car."""
    plan, setup = plan_shot(sheet), Setup.of(sheet)
    rpm = plan.table["rpm"].to_numpy()
    charge = fresh_charge(setup, rpm, 0.0)
    bare = pf.fuel_for(setup, charge, sheet.engine.lambda_without_nitrous) * setup.cycles_per_second(rpm)
    return FuelSide(
        sheet, plan, fs.largest_shot(sheet), fs.injector_duty(sheet, setup, rpm, bare), fs.pump_flow(sheet, setup)[1],
        _wet(sheet, setup, plan) if sheet.nitrous.system == "wet" else None,
    )  # fmt: skip


def _wet(sheet: BuildSheet, setup: Setup, plan: Plan) -> Wet:
    row = plan.table.iloc[(plan.table["rpm"] - sheet.engine.peak_power_rpm).abs().argmin()]
    rpm, nitrous = float(row["rpm"]), plan.flow.best
    low, fuel, high = (float(row[f"{own_fuel_key(sheet)}_kg_h{end}"]) / 3600 for end in ("_low", "", "_high"))
    if low <= 0:
        raise InputError(
            "nitrous.system",
            "wet",
            "",
            "a shot that needs fuel of its own",
            "The controller already gives all the fuel this shot needs.",
        )

    step = min(FIVE_PSI_KPA, 0.5 * sheet.value("nitrous.fuel_jet_pressure_kpa"))

    def at(bore, change: float = 0.0):
        return fs.wet_lambda(sheet, setup, rpm, nitrous, fs.jet_flow(sheet, setup, bore, change_kpa=change))

    fitted = sheet.nitrous.fuel_jet_diameter_mm
    duty = np.linspace(0.1, 1.0, 37)
    return Wet(
        wanted=fs.jet_band(sheet, setup, low, fuel, high), step_kpa=step, fuel=fuel, rpm=rpm, bores=_JETS, lambda_=at(_JETS), low=at(_JETS, step), high=at(_JETS, -step),
        owned=fs.jets_owned(sheet, setup, rpm, nitrous), fitted=fitted, fitted_lambda=None if fitted is None else float(at(fitted)), duty=duty,
        drift=fs.pulse_drift(sheet, setup, rpm, nitrous, fuel, duty),
    )  # fmt: skip


class FuelView:
    """Pictures left, fields right; follows the session's sheet."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._title, self._text, self._assumes, self._error = (
            html(),
            html(),
            html("", "nw-assumes"),
            html("", "nw-field-error"),
        )
        self.duty, self.jet, self.pulse = _duty_figure(), _jet_figure(), _pulse_figure()
        self._wet = box([], "nw-stack")
        self._jet_text, self._pulse_text = html(), html()
        self._fields = _Fields(self)
        hint = html(
            "<span>Injector duty and share of the pump over rpm with the shot; bands: over what is unknown; black: the owner's limits</span>",
            "nw-hint",
        )
        self.widget = panel(
            self._title, [hint, self.duty, self._text, self._wet], [*self._fields.widgets, self._error], self._assumes
        )
        session.observe(guarded(self._say)(self.draw), ["sheet", "units"])
        self.duty.settle()
        guarded(self._say)(self.draw)()
        for figure in (self.duty, self.jet, self.pulse):
            figure.settle()

    def _say(self, sentence: str) -> None:
        self._error.value = escape(sentence)
        (self.widget.add_class if sentence else self.widget.remove_class)("nw-stale")

    def draw(self, _change: object = None) -> None:
        """Redraw for the session's sheet and units."""
        self._fields.show()
        side, system = compute(self.session.sheet), self.session.units
        scale = side.sheet.controller.gauge_scale
        _draw_duty(self.duty, side)
        self._title.value = f"<h2>{escape(words.title(side))}</h2>"
        self._text.value = "".join(f"<p>{escape(s)}</p>" for s in words.text(side))
        self._assumes.value = escape(words.assumes(side))
        if side.wet is None:
            self._wet.children = ()
            return
        _draw_jet(self.jet, side, scale, system)
        _draw_pulse(self.pulse, side, scale)
        self._jet_text.value = "".join(f"<p>{escape(s)}</p>" for s in words.jet_text(side, scale, system))
        self._pulse_text.value = "".join(f"<p>{escape(s)}</p>" for s in words.pulse_text(side, scale))
        if not self._wet.children:
            self._heads = html(), html()
            self._wet.children = (
                self._heads[0],
                self.jet,
                self._jet_text,
                self._heads[1],
                self.pulse,
                self._pulse_text,
            )
        self._heads[0].value = f"<h2>{escape(words.jet_title(side, system))}</h2>"
        self._heads[1].value = f"<h2>{escape(words.pulse_title(side, scale))}</h2>"


class _Fields:
    """What can be typed here goes straight into the build sheet."""

    def __init__(self, view: FuelView) -> None:
        self._session = view.session
        change = self._session.change
        self._pressure = NumberField(
            "fuel pressure at the jet, flowing",
            "kPa gauge",
            lambda v: change({"nitrous.fuel_jet_pressure_kpa": v}),
            hint="gauge at the fuel valve while fuel flows",
        )
        self._jet = NumberField(
            "fuel jet bore, each", "mm", lambda v: change({"nitrous.fuel_jet_diameter_mm": v}), hint="drill gauge"
        )
        self._pump = NumberField(
            "pump flow",
            "L/h",
            lambda v: change({"fuel_system.pump_flow_l_h": v}),
            hint="measured at rail pressure and running voltage",
        )
        self._pump_at = NumberField(
            "at a pressure of", "kPa gauge", lambda v: change({"fuel_system.pump_flow_pressure_kpa": v})
        )
        self._own, self._own_error = w.Text(continuous_update=False), html("", "nw-field-error")
        self._own.observe(guarded(lambda s: setattr(self._own_error, "value", escape(s)))(self._typed), "value")
        self._own_label = html("", "nw-label")
        self._pick = w.Dropdown(options=[("as in the sheet", None)], tooltip="fit an own jet")
        self._pick.observe(guarded(view._say)(self._picked), "value")
        self._quiet = False
        own = box(
            [
                self._own_label,
                self._own,
                html("<span>typed once, commas between; kept in the build sheet</span>", "nw-hint"),
                self._own_error,
            ],
            "nw-field",
            "nw-stack",
        )
        pick = box(
            [html("<label>fit one of them as the fuel jet</label>", "nw-label"), self._pick], "nw-field", "nw-stack"
        )
        self._wet_only = box([self._pressure.widget, self._jet.widget, own, pick], "nw-stack")
        self.widgets = [html("<h3>On the car</h3>"), self._pump.widget, self._pump_at.widget, self._wet_only]

    def _typed(self, change: dict) -> None:
        if self._quiet:
            return
        to = words.bore_unit(self._session.units)
        parts = [part for part in change["new"].replace(";", ",").split(",") if part.strip()]
        bores = [round(to.back(parse_number("jets in the shop", part, to.unit)), 4) for part in parts]
        self._session.change({"fuel_system.jets_mm": bores or None})

    def _picked(self, change: dict) -> None:
        if not self._quiet and change["new"] is not None:
            self._session.change({"nitrous.fuel_jet_diameter_mm": change["new"]})

    def show(self) -> None:
        """Display the session's sheet."""
        sheet, system = self._session.sheet, self._session.units
        to = words.bore_unit(system)
        self._quiet = True
        try:
            for field, path in (
                (self._pump, "fuel_system.pump_flow_l_h"),
                (self._pump_at, "fuel_system.pump_flow_pressure_kpa"),
                (self._pressure, "nitrous.fuel_jet_pressure_kpa"),
                (self._jet, "nitrous.fuel_jet_diameter_mm"),
            ):
                value = sheet.value(path)
                field.show(float("nan") if value is None else value, system)
            self._own_label.value = f"<label>jets in the shop, {to.unit}</label>"
            self._own.value = ", ".join(
                f"{to.there(b):.{words.bore_digits(system)}f}" for b in sheet.fuel_system.jets_mm or ()
            )
            self._own_error.value = ""
            options = [
                ("as in the sheet", None),
                *((words.bore(b, system), b) for b in sorted(sheet.fuel_system.jets_mm or ())),
            ]
            self._pick.options = options
            fitted = sheet.nitrous.fuel_jet_diameter_mm
            self._pick.value = fitted if fitted in [v for _, v in options] else None
        finally:
            self._quiet = False
        self._wet_only.layout.display = None if sheet.nitrous.system == "wet" else "none"


def _duty_figure() -> theme.Figure:
    fig = theme.figure(340, right=30)
    for color in (theme.WITH_BAND, "rgba(204,121,167,0.18)"):
        fig.add_trace(go.Scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=color, hoverinfo="skip"))
    fig.add_trace(theme.line(theme.WITHOUT, name="injectors without nitrous"))
    fig.add_trace(theme.line(theme.WITH, name="injectors with the shot"))
    fig.add_trace(theme.line("#cc79a7", name="pump with the shot"))
    for color, name in ((theme.WITHOUT, "injectors, no nitrous"), (theme.WITH, "injectors"), ("#cc79a7", "pump")):
        fig.add_trace(names(color, "top center", text=[name]))
    fig.update_xaxes(title_text="engine speed, rpm")
    fig.update_yaxes(title_text="share used, %", rangemode="tozero")
    for trace in fig.data[2:5]:
        trace.hovertemplate = f"%{{x:.0f}} rpm: %{{y:.0f}} %<extra>{trace.name}</extra>"
    return fig


def _draw_duty(fig: theme.Figure, side: FuelSide) -> None:
    table, limits = side.plan.table, side.sheet.limits
    rpm = table["rpm"].to_numpy()
    round_trip = np.concatenate([rpm, rpm[::-1]])
    known = not side.pump_reason
    with fig.batch_update():
        for k, key in enumerate(("injector_duty_percent", "pump_percent")):
            low, high = table[f"{key}_low"].to_numpy(), table[f"{key}_high"].to_numpy()
            shown = k == 0 or known
            fig.data[k].x, fig.data[k].y = (round_trip, np.concatenate([low, high[::-1]])) if shown else ([], [])
        lines = (
            side.bare_duty,
            table["injector_duty_percent"].to_numpy(),
            table["pump_percent"].to_numpy() if known else np.array([]),
        )
        for k, y in enumerate(lines):
            x = rpm if len(y) else np.array([])
            at = slice(len(y) * (2 + 2 * k) // 8, len(y) * (2 + 2 * k) // 8 + 1)
            fig.data[2 + k].x, fig.data[2 + k].y = x, y
            fig.data[5 + k].x, fig.data[5 + k].y = x[at], y[at]
        edge = {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "line": {"color": theme.INK, "width": 1}}
        marks = [
            (limits.injector_duty_percent, "limit, injectors"),
            *([(limits.pump_percent, "limit, pump")] if known else []),
        ]
        fig.layout.shapes = [{**edge, "y0": y, "y1": y} for y, _ in marks]
        label = {
            "x": 1,
            "xref": "paper",
            "xanchor": "right",
            "yanchor": "bottom",
            "showarrow": False,
            "font": font(theme.INK),
        }
        same = len({y for y, _ in marks}) < len(marks)
        shown = [(marks[0][0], "limit of both")] if same else marks
        least = min(y for y, _ in shown)
        fig.layout.annotations = [
            {**label, "y": y, "text": text, "yanchor": "bottom" if y > least or len(shown) == 1 else "top"}
            for y, text in shown
        ]
        fig.update_xaxes(range=[float(rpm[0]), float(rpm[-1])])


def _jet_figure() -> theme.Figure:
    fig = theme.figure(340)
    fig.add_trace(
        go.Scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
    )
    fig.add_trace(theme.line(theme.WITH, name="likely"))
    fig.add_trace(theme.line(theme.TRADE, name="trade's too lean", dash="dash", width=1.8))
    dot = {"symbol": "circle", "size": 9, "color": theme.INK}
    fig.add_trace(go.Scatter(mode="markers", marker=dot, name="in the shop", cliponaxis=False))
    fig.add_trace(theme.this_car())
    fig.add_trace(names(theme.TRADE, "top left", text=["trade's too lean"]))
    return fig


def _draw_jet(fig: theme.Figure, side: FuelSide, scale: float, system: str) -> None:
    wet, to = side.wet, words.bore_unit(system)
    keep = (wet.lambda_ > 0.6) & (wet.lambda_ < 1.15)
    x = to.there(wet.bores[keep])
    band, likely, lean, owned, fitted, label = fig.data
    low, mid, high = (scale * line[keep] for line in (wet.low, wet.lambda_, wet.high))
    with fig.batch_update():
        band.x, band.y = np.concatenate([x, x[::-1]]), np.concatenate([low, high[::-1]])
        likely.x, likely.y = x, mid
        lean.x, lean.y = x[[0, -1]], np.full(2, scale * pf.TOO_LEAN_LAMBDA)
        label.x, label.y = x[-1:], [scale * pf.TOO_LEAN_LAMBDA]
        owned.x, owned.y = [to.there(b) for b, _ in wet.owned], [scale * v for _, v in wet.owned]
        shown = wet.fitted is not None and 0.6 < wet.fitted_lambda < 1.15
        fitted.x, fitted.y = ([to.there(wet.fitted)], [scale * wet.fitted_lambda]) if shown else ([], [])
        digits = words.bore_digits(system)
        for trace, name in ((likely, "likely"), (owned, "in the shop"), (fitted, "fitted")):
            trace.hovertemplate = f"%{{x:.{digits}f}} {to.unit}: gauge AFR %{{y:.1f}}<extra>{name}</extra>"
        fig.update_xaxes(title_text=f"fuel jet bore, {to.unit}")
        fig.update_yaxes(title_text=f"gauge AFR ({scale:g} at lambda 1)")


def _pulse_figure() -> theme.Figure:
    fig = theme.figure(300)
    fig.add_trace(
        go.Scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
    )
    fig.add_trace(theme.line(theme.WITH, name="likely"))
    fig.add_trace(theme.line(theme.TRADE, name="trade's too lean", dash="dash", width=1.8))
    fig.update_xaxes(title_text="valve duty of both valves, %", range=[10, 100])
    return fig


def _draw_pulse(fig: theme.Figure, side: FuelSide, scale: float) -> None:
    wet = side.wet
    x = 100 * wet.duty
    band, likely, lean = fig.data
    with fig.batch_update():
        band.x = np.concatenate([x, x[::-1]])
        band.y = scale * np.concatenate([wet.drift["low"], wet.drift["high"][::-1]])
        likely.x, likely.y = x, scale * wet.drift["likely"]
        lean.x, lean.y = x[[0, -1]], np.full(2, scale * pf.TOO_LEAN_LAMBDA)
        for trace in (likely, lean):
            trace.hovertemplate = f"%{{x:.0f}} %: gauge AFR %{{y:.1f}}<extra>{trace.name}</extra>"
        fig.update_yaxes(title_text=f"gauge AFR ({scale:g} at lambda 1)")


def fuel_side(session: Session) -> w.Box:
    """Return the fuel panel of a session."""
    return FuelView(session).widget
