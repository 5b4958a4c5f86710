"""The start page: which car, what is doubtful, its numbers, and a first plan."""

from __future__ import annotations

import math
from html import escape

import ipywidgets as w
import numpy as np

from kernel_lib import BuildSheet, InputError, Plan, plan_shot, units
from kernel_lib import build_fields as bf
from kernel_lib.doubts import doubts
from kernel_lib.plan.judgement import own_fuel_key, timing_sentences
from kernel_lib.sheets.plan_sheet import plan_answer, plan_csv, plan_html
from kernel_lib.text import banded
from kernel_lib.thermo import fuels

from . import display, theme
from .download import link, stem
from .fields import NO_CHOICE, NumberField
from .frame import box, html, panel
from .guard import guarded
from .session import Session

_NUMBERS = (
    (
        "The shot",
        (
            "nitrous.shot_hp",
            "nitrous.nozzle_diameter_mm",
            "nitrous.bottle_fill_kg",
            "nitrous.bottle_temperature_c",
            "nitrous.spray_rpm_min",
            "nitrous.spray_rpm_max",
            "limits.injector_duty_percent",
        ),
    ),
    (
        "The engine",
        (
            "engine.compression_ratio",
            "engine.peak_power_rpm",
            "engine.lambda_without_nitrous",
            "engine.lambda_with_nitrous",
            "engine.full_throttle_manifold_kpa",
        ),
    ),
    (
        "Fuel and air",
        (
            "fuel.octane_ron",
            "fuel_system.injector_flow_cc_min",
            "fuel_system.rail_pressure_kpa",
            "site.barometer_kpa",
            "site.air_temperature_c",
            "site.relative_humidity_percent",
        ),
    ),
)
_WORDS = (
    ("The shot", ("nitrous.system", "nitrous.delivery")),
    ("The engine", ("engine.timing_is",)),
    ("Fuel and air", ("fuel.name", "controller.metering", "controller.intake_sensor")),
)


def choose_car(session: Session) -> w.Box:
    """Return the row in which a car is chosen, uploaded or taken away as a file."""
    demos = {name: BuildSheet.demo(name) for name in BuildSheet.demo_names()}

    def shown() -> str:
        return next((n for n, sheet in demos.items() if sheet == session.sheet), NO_CHOICE)

    demo = w.Dropdown(
        options=[("a car of your own", NO_CHOICE), *((sheet.car.name, n) for n, sheet in demos.items())],
        value=shown(),
        tooltip="demo car",
    )
    upload = w.FileUpload(
        accept=".toml", multiple=False, description="open a build sheet", tooltip="TOML file, up to 64 kB"
    )
    down, error = html("", "nw-links"), html("", "nw-field-error")

    def say(sentence: str) -> None:
        error.value = escape(sentence)

    @guarded(say)
    def pick(change: dict) -> None:
        if change["new"] != NO_CHOICE:
            session.sheet = demos[change["new"]]
            session.message = ""

    @guarded(say)
    def load(change: dict) -> None:
        for file in change["new"]:
            try:
                session.sheet = BuildSheet.from_bytes(bytes(file["content"]))
            except InputError as exc:
                raise InputError(
                    f"{str(file.get('name', 'file'))[:60]}: {exc.field}", exc.value, exc.unit, exc.allowed, exc.reason
                ) from exc
            session.message = ""

    def draw(_change: object = None) -> None:
        down.value = link(
            "download this build sheet", f"{stem(session.sheet)}.toml", "application/toml", session.sheet.to_toml()
        )
        if demo.value != shown():
            demo.value = shown()

    demo.observe(pick, "value")
    upload.observe(load, "value")
    session.observe(draw, "sheet")
    draw()
    parts = [html("<label>car</label>", "nw-label"), demo, upload, down]
    return box(
        [
            box(parts, "nw-row", "nw-chooser"),
            html(
                "<span>A build sheet is a TOML text of up to 64 kB; the download shows how it looks.</span>", "nw-hint"
            ),
            error,
        ],
        "nw-stack",
    )


def edit_car(session: Session) -> w.Box:
    """Return the main numbers as fields; what does not fit stays as typed, with a sentence, and changes nothing."""
    numbers: dict[str, NumberField] = {}
    choices: dict[str, w.Dropdown] = {}
    columns = []
    for title, paths in _NUMBERS:
        children = [html(f"<h3>{title}</h3>")]
        for path in dict(_WORDS)[title]:
            choices[path], shown = _choice(session, path)
            children.append(shown)
        for path in paths:
            numbers[path] = _number(session, path)
            children.append(numbers[path].widget)
        columns.append(box(children, "nw-stack"))

    def draw(_change: object = None) -> None:
        for path, field in numbers.items():
            field.show(_shown_number(session.sheet, path), session.units)
        for path, choice in choices.items():
            value = session.sheet.value(path) or NO_CHOICE
            if choice.value != value:
                choice.value = value

    session.observe(draw, ["sheet", "units"])
    draw()
    return box(columns, "nw-columns-3")


def _shown_number(sheet: BuildSheet, path: str) -> float:
    value = sheet.octane_ron if path == "fuel.octane_ron" else sheet.value(path)
    return math.nan if value is None else value


def _number(session: Session, path: str) -> NumberField:
    about = bf.describe(path)

    def commit(value: float) -> None:
        if path == "fuel.octane_ron":
            session.change({path: value, "fuel.octane_aki": None})
        else:
            session.change({path: value})

    hint = about["where"] or (
        "assumed until stated: " + about["basis"] if about["basis"] and not session.sheet.is_given(path) else ""
    )
    return NumberField(
        about["label"], about["unit"], commit, hint=hint, limits=(about["low"], about["high"], about["why"])
    )


def _choice(session: Session, path: str) -> tuple[w.Dropdown, w.Box]:
    about = bf.describe(path)
    section, name = path.split(".")
    if path == "fuel.name":
        options: list = [("a blend, as in the sheet", NO_CHOICE), *((n, n) for n in fuels.names())]
    else:
        options = [(o, o) for o in bf.SECTIONS[section].model_fields[name].annotation.__args__]
    choice = w.Dropdown(options=options, value=session.sheet.value(path) or NO_CHOICE, tooltip=about["label"])
    error = html("", "nw-field-error")

    @guarded(lambda text: setattr(error, "value", escape(text)))
    def chosen(change: dict) -> None:
        if change["new"] == (session.sheet.value(path) or NO_CHOICE):
            return
        if path != "fuel.name":
            session.change({path: change["new"]})
        elif change["new"] != NO_CHOICE:
            session.change({path: change["new"], "fuel.blend_percent_by_volume": None, "fuel.density_kg_m3": None})
        else:
            raise InputError(
                about["label"],
                "a blend",
                "",
                "a fuel by name here",
                "A blend is stated in the file, in percent by volume.",
            )

    choice.observe(chosen, "value")
    return choice, box(
        [html(f"<label>{escape(about['label'])}</label>", "nw-label"), choice, error], "nw-field", "nw-stack"
    )


class FirstPlan:
    """The answer first: what flows, what fuel goes with it, and what speaks against it."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.answer, self.doubts = html("", "nw-answer"), html("", "nw-doubts")
        self._title, self._hint, self._text = html(), html("", "nw-hint"), html()
        self._assumes, self._links, self._error = (
            html("", "nw-assumes"),
            html("", "nw-links"),
            html("", "nw-field-error"),
        )
        self.figure = self._build()
        self.picture = panel(
            self._title,
            [self._hint, self.figure, self._text, self._links],
            [html("<h3>Missing or doubtful</h3>"), self.doubts],
            self._assumes,
        )
        self.plan: Plan | None = None
        session.observe(guarded(self._say)(self._draw), ["sheet", "units"])
        guarded(self._say)(self._draw)()
        self.figure.settle()

    def _say(self, sentence: str) -> None:
        if sentence:
            self.answer.value = f'<p class="nw-state-stop">{escape(sentence)}</p><p>The picture below shows the last car that could be computed.</p>'
        (self.picture.add_class if sentence else self.picture.remove_class)("nw-stale")

    @staticmethod
    def _build() -> theme.Figure:
        fig = theme.figure(330)
        fig.add_scatter(mode="lines", line={"width": 0}, fill="toself", fillcolor=theme.WITH_BAND, hoverinfo="skip")
        fig.add_trace(theme.line(theme.WITH, name="computed, likely"))
        fig.add_trace(theme.line(theme.TRADE, dash="dash", name="the trade's 30 lb/h per 100 hp"))
        return fig

    def _draw(self, _change: object = None) -> None:
        sheet = self.session.sheet
        self.doubts.value = "".join(
            f'<p><span class="nw-state-{d.weight}">{d.weight}</span> {escape(d.sentence)}</p>' for d in doubts(sheet)
        )
        plan = self.plan = plan_shot(sheet)
        reachable = plan.timing.table["reachable"].any()
        timing = f"<p>{escape(timing_sentences(plan.timing)[0])}</p>" if reachable else ""
        stops = "".join(
            f'<p><span class="nw-state-stop">do not spray yet</span> {escape(text)}</p>' for text in plan.blockers
        )
        self.answer.value = (
            f"<p>{escape(plan_answer(sheet, plan, metric=self.session.units == display.METRIC))}</p>{stops}{timing}"
        )
        self._draw_fuel(sheet, plan)
        self._assumes.value = "Assumes<ul>" + "".join(f"<li>{escape(text)}</li>" for text in plan.assumptions) + "</ul>"
        self._links.value = " · ".join(
            (
                link(
                    "the whole plan as a sheet to print (HTML)",
                    f"{stem(sheet)}_plan.html",
                    "text/html",
                    plan_html(sheet, plan),
                ),
                link("as a table (CSV)", f"{stem(sheet)}_plan.csv", "text/csv", plan_csv(plan)),
            )
        )

    def _draw_fuel(self, sheet: BuildSheet, plan: Plan) -> None:
        key = f"{own_fuel_key(sheet)}_kg_h"
        to = display.shown("kg/h", self.session.units)
        rpm, low, best, high = (plan.table[c].to_numpy() for c in ("rpm", f"{key}_low", key, f"{key}_high"))
        low, best, high = to.there(low), to.there(best), to.there(high)
        rule = to.there(units.kg_from_lb(plan.table["rule_fuel_lb_h"].to_numpy()))
        band, likely, trade = self.figure.data
        with self.figure.batch_update():
            band.x, band.y = np.concatenate([rpm, rpm[::-1]]), np.concatenate([low, high[::-1]])
            for trace, y in ((likely, best), (trade, rule)):
                trace.x, trace.y = rpm, y
                trace.hovertemplate = f"%{{x:.0f}} rpm: %{{y:.1f}} {to.unit}<extra>{trace.name}</extra>"
            label = {"showarrow": False, "xanchor": "right", "yanchor": "bottom", "x": rpm[-1]}
            self.figure.layout.annotations = [
                {**label, "y": best[-1], "text": "computed, likely", "font": {"color": theme.WITH, "size": 12}},
                {
                    **label,
                    "y": rule[-1],
                    "text": "30 lb/h per 100 hp (trade)",
                    "yanchor": "top",
                    "font": {"color": theme.TRADE, "size": 12},
                },
            ]
            self.figure.update_xaxes(title_text="engine speed, rpm", range=[rpm[0], rpm[-1]])
            self.figure.update_yaxes(title_text=f"fuel to add, {to.unit}", rangemode="tozero")
        k = int(np.abs(rpm - sheet.engine.peak_power_rpm).argmin())
        self._title.value = f"<h2>{escape(_fuel_title(low[k], best[k], high[k], rule[k], to.unit))}</h2>"
        self._hint.value = f"<span>Fuel to add over rpm while the full shot flows, {escape(sheet.controller.metering)} metering; band: bounds, not deviations</span>"
        self._text.value = "".join(f"<p>{escape(s)}</p>" for s in _fuel_text(sheet, plan))


def _fuel_title(low: float, best: float, high: float, rule: float, unit: str) -> str:
    verdict = "falls short" if rule < low else "is more than needed" if rule > high else "lies within the band"
    return f"The trade's rule gives {rule:.3g} {unit}; this car needs about {banded(low, best, high)} {unit}: the rule {verdict}"


def _fuel_text(sheet: BuildSheet, plan: Plan) -> list[str]:
    fuel = sheet.make_fuel()
    ratio = fuels.get("gasoline").nitrous_stoich / fuel.nitrous_stoich
    out = [
        {
            "speed-density": "A speed-density controller sees pressure, not what the gas is: it already fuels the air that nitrous pushed aside.",
            "mass-air": "A mass-air meter no longer sees the air that nitrous pushed aside: the shot must bring the fuel for all of its oxygen.",
        }[sheet.controller.metering]
    ]
    if ratio > 1.03:
        out.append(f"The rule was made for gasoline; this fuel needs {ratio:.2f} times the mass for the same oxygen.")
    return [*out, *plan.notes[1:]]


def first_plan(session: Session) -> FirstPlan:
    """Return the first plan of a session's car: ``answer`` and ``picture``."""
    return FirstPlan(session)
