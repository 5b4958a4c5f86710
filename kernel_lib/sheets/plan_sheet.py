"""The plan on paper: one self-contained HTML page, and the table as CSV."""

from __future__ import annotations

from html import escape

import pandas as pd

from .. import __version__
from ..build_sheet import BuildSheet
from ..doubts import doubts
from ..plan.judgement import at_peak, own_fuel_key, timing_sentences
from ..plan.plan import Plan
from ..text import banded, rounded
from ..units import kg_from_lb

STYLE = """
:root{color:#1b1f24;background:#fbfaf7;font:16px/1.5 Charter,"Iowan Old Style",Cambria,Georgia,serif}
body{max-width:64rem;margin:2rem auto;padding:0 1.2rem}h1{font-size:1.7rem;margin:.2em 0}h2{font-size:1.15rem;margin:1.6em 0 .3em}
p,li{max-width:70ch}.quiet{color:#5b6470;font-size:.9rem}.car{color:#8a3b12}
table{border-collapse:collapse;width:100%;border-top:1.5px solid #1b1f24;border-bottom:1.5px solid #1b1f24;
font:14px/1.45 system-ui,sans-serif;font-variant-numeric:tabular-nums}
th{font-weight:600;text-align:right;border-bottom:1px solid #d9d5cc;padding:.35em .6em;vertical-align:bottom}
td{text-align:right;padding:.2em .6em}th:first-child,td:first-child{text-align:left}.unit{font-weight:400;color:#5b6470}
.stop{border-left:4px solid #9b1c1c;padding-left:.7em}.wrap{overflow-x:auto}
@media print{@page{margin:14mm}body{margin:0;max-width:none;font-size:11pt}table{font-size:9pt}h2,table{break-inside:avoid}}
"""

_TABLES = (
    (
        "Timing, power and what the worst cylinder sees at the first hit's timing",
        (
            ("rule_deg", "trade's rule", "deg less", 1),
            ("retard_deg", "likely need", "deg less", 1),
            ("first_hit_deg", "first hit", "deg less", 1),
            ("power_gain_hp", "power gained", "hp", 1),
            ("peak_pressure_bar", "peak pressure", "bar", 1),
            ("knock_ratio", "knock integral over the engine's own", "", 1),
        ),
    ),
    (
        "Nitrous and charge",
        (
            ("nitrous_kg_s", "nitrous", "g/s", 1e3),
            ("nitrous_lb_s", "nitrous", "lb/s", 1),
            ("dose_mg", "dose", "mg per cycle and cylinder", 1),
            ("nitrous_fraction", "nitrous in air + nitrous", "% by mole", 100),
            ("oxygen_share", "oxygen share", "%", 100),
            ("charge_T_K", "charge temperature", "K", 1),
        ),
    ),
    (
        "Fuel to add",
        (
            ("fuel_speed_density_kg_h", "speed-density", "kg/h", 1),
            ("fuel_speed_density_lb_h", "speed-density", "lb/h", 1),
            ("fuel_mass_air_kg_h", "mass-air", "kg/h", 1),
            ("fuel_mass_air_lb_h", "mass-air", "lb/h", 1),
            ("rule_fuel_lb_h", "30 lb/h per 100 hp, common practice", "lb/h", 1),
        ),
    ),
    (
        "Fuel to add, as this car's controller takes it",
        (
            ("fuel_added_ms", "injector open longer by", "ms", 1),
            ("fuel_added_percent", "more than it gives by itself", "%", 1),
            ("fuel_total_kg_h", "all fuel", "kg/h", 1),
            ("fuel_total_lb_h", "all fuel", "lb/h", 1),
            ("injector_duty_percent", "injector duty", "%", 1),
            ("pump_percent", "of the pump's flow", "%", 1),
            ("nitrous_to_added_fuel", "nitrous to added fuel", "kg/kg", 1),
            ("nitrous_to_all_fuel", "nitrous to all fuel", "kg/kg", 1),
        ),
    ),
    (
        "Mixture",
        (
            ("lambda", "lambda target", "", 1),
            ("gauge_afr", "gauge, ideal sensor", "AFR", 1),
            ("gauge_afr_sensor", "gauge, modelled sensor in nitrous exhaust (not verified)", "AFR", 1),
        ),
    ),
)

CAUTIONS = (
    "Nitrous oxide is an oxidiser in a high-pressure cylinder: frostbite, asphyxiation, intake explosion, cylinder rupture. Wear gloves and eye "
    "protection; no oil or grease on fittings; never trap liquid between two closed valves; vent the relief outside a ventilated cabin; keep the "
    "bottle shut while anyone works on the car. Never inhale it. Do not crank an engine whose intake may have filled through a leaking valve.",
    "Never heat a bottle with a flame, never defeat a relief device, never fill beyond the rated weight. Fill, test and transport by the local code "
    "and a licensed supplier. Use on a closed course.",
    "A plan is a calculation from the numbers given, with the bands shown. It does not replace a licensed tuner's judgement, a wide-band reading, "
    "plugs read after each step, or the maker's instructions for the parts fitted. Wrong numbers can destroy an engine and hurt people near it.",
)
"""Shown on every page and sheet."""


def plan_html(sheet: BuildSheet, plan: Plan) -> str:
    """Return the plan as one HTML page that needs no other file."""
    nitrous, engine = sheet.nitrous, sheet.engine
    car = escape(sheet.car.name)
    blockers = "".join(f'<p class="stop"><b>Do not spray yet.</b> {escape(text)}</p>' for text in plan.blockers)
    reachable = plan.timing.table["reachable"].any()
    timing = f"<p>{escape(timing_sentences(plan.timing)[0])}</p>" if reachable else ""
    tables = "".join(_table(title, columns, plan.table) for title, columns in _TABLES)
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Plan: {car}</title><style>{STYLE}</style></head><body>
<p class="quiet"><span class="car">{car}</span> · {escape(sheet.car.owner)} · {escape(sheet.car.shop)}</p>
<h1>{nitrous.shot_hp:g} hp, {nitrous.system}, {nitrous.spray_rpm_min:g} to {nitrous.spray_rpm_max:g} rpm</h1>
<p>{escape(plan_answer(sheet, plan))}</p>{blockers}{timing}{tables}
<p class="quiet">Each model figure stands as likely (low to high): bounds over the ranges named below, not standard deviations. Power is at the
crank, counted at {engine.peak_power_rpm:g} rpm.</p>
<h2>Know</h2>{_list(plan.notes)}<h2>Missing or doubtful</h2>{_list([d.sentence for d in doubts(sheet)] or ["Nothing found."])}
<h2>Assumed</h2>{_list([*plan.assumptions, *_assumed(sheet)])}
<h2>Cautions</h2>{"".join(f"<p>{escape(text)}</p>" for text in CAUTIONS)}
<p class="quiet">kernel {__version__}. Thermodynamics: Cantera with NASA polynomials; nitrous oxide: CoolProp [Lemmon &amp; Span 2006].</p>
</body></html>
"""


def plan_answer(sheet: BuildSheet, plan: Plan, *, metric: bool = False) -> str:
    """Return the plan in two sentences, in lb or in g and kg."""
    row = at_peak(sheet, plan.table)
    key = own_fuel_key(sheet)
    first, last = plan.table.iloc[0], plan.table.iloc[-1]
    if metric:
        nitrous = banded(*(1e3 * v for v in _band(row, "nitrous_kg_s"))) + " g/s"
        fuel, rule = banded(*_band(row, f"{key}_kg_h")) + " kg/h", f"{kg_from_lb(row['rule_fuel_lb_h']):.3g} kg/h"
    else:
        nitrous = banded(*_band(row, "nitrous_lb_s")) + " lb/s"
        fuel, rule = banded(*_band(row, f"{key}_lb_h")) + " lb/h", f"{row['rule_fuel_lb_h']:.3g} lb/h"
    power = plan.power
    stands = (
        ""
        if power.low == power.high
        else f" It is worth about {banded(power.low, power.best, power.high)} hp on this engine, {sheet.nitrous.shot_hp:g} hp were wanted."
    )
    return (
        f"About {nitrous} of nitrous and {fuel} of added fuel ({sheet.controller.metering}); the low fuel belongs to the low flow.{stands} "
        f"The trade's rule says {rule}. "
        f"The oxygen share of the charge is {100 * first['oxygen_share']:.0f} % at {first['rpm']:.0f} rpm and "
        f"{100 * last['oxygen_share']:.0f} % at {last['rpm']:.0f} rpm, against 21 % in air."
    )


def _band(row: pd.Series, name: str) -> tuple[float, float, float]:
    return tuple(float(row.get(f"{name}{tail}", row[name])) for tail in ("_low", "", "_high"))


def _table(title: str, columns, table: pd.DataFrame) -> str:
    shown = [c for c in columns if table[c[0]].notna().any()]
    head = "".join(
        f'<th>{escape(label)}<br><span class="unit">{escape(unit)}</span></th>' for _, label, unit, _ in shown
    )
    body = ""
    for _, row in table.iterrows():
        cells = "".join(f"<td>{_cell(row, name, factor)}</td>" for name, _, _, factor in shown)
        body += f"<tr><td>{row['rpm']:.0f}</td>{cells}</tr>"
    return f'<h2>{escape(title)}</h2><div class="wrap"><table><tr><th>speed<br><span class="unit">rpm</span></th>{head}</tr>{body}</table></div>'


def _cell(row: pd.Series, name: str, factor: float) -> str:
    if f"{name}_low" in row:
        return banded(*(factor * v for v in _band(row, name)))
    return rounded(factor * row[name]) if name != "gauge_afr" else f"{row[name]:.1f}"


def _assumed(sheet: BuildSheet) -> list[str]:
    def show(value) -> str:
        return f"{value:.4g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)

    return [f"{a.label}: {show(a.value)} {a.unit} ({a.basis}).".replace("  ", " ") for a in sheet.assumptions()]


def _list(sentences: list[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in sentences) + "</ul>"


def plan_csv(plan: Plan) -> str:
    """Return the table as CSV, what governs each row in its last column."""
    return plan.table.assign(governed_by=plan.governed_by).to_csv(index=False, float_format="%.5g")
