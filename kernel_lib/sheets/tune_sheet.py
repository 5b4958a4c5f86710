"""The tune sheet: two printed pages that go to the car. Everything on it is explained on the planner page."""

from __future__ import annotations

import datetime
from html import escape

import numpy as np
import pandas as pd

from .. import __version__
from ..band import Band
from ..build_sheet import Assumption, BuildSheet
from ..doubts import doubts
from ..plan.ladder import Step
from ..plan.own_tables import OwnTables, chords
from ..plan.ramp import ramp_sentence
from ..plan.room import added_fuel_key
from ..plan.tune import Tune
from ..text import banded, banded_in, listed, lowered, rounded
from ..units import in_from_mm, kg_from_lb, lb_from_kg, psi_from_kpa
from .plan_sheet import CAUTIONS
from .tune_tables import Grid, grids, held, jumps

_STYLE = """
:root{color:#1b1f24;background:#fbfaf7;font:14px/1.4 Charter,"Iowan Old Style",Cambria,Georgia,serif}
body{max-width:62rem;margin:1.4rem auto;padding:0 1.2rem}h1{font-size:1.5rem;line-height:1.2;margin:.1em 0 .3em}h2{font-size:1rem;margin:1em 0 .2em}
p{margin:.25em 0}ul{margin:.2em 0;padding-left:1.2em}li{margin:0}.quiet{color:#5b6470;font-size:.88em}.car{color:#8a3b12}
table{border-collapse:collapse;width:100%;border-top:1.5px solid #1b1f24;border-bottom:1.5px solid #1b1f24;font:12.5px/1.35 system-ui,sans-serif;
font-variant-numeric:tabular-nums}th{font-weight:600;text-align:right;border-bottom:1px solid #d9d5cc;padding:.2em .5em;vertical-align:bottom}
td{text-align:right;padding:.1em .5em}.plan td,.plan th{padding-left:.3em;padding-right:.3em}th:first-child,td:first-child{text-align:left}.words td,.words th{text-align:left}.unit{font-weight:400;color:#5b6470}
.stop{border-left:4px solid #9b1c1c;padding-left:.7em}.two{display:grid;grid-template-columns:1fr 1fr;gap:0 2.2em}.two>*{min-width:0}
.over{color:#9b1c1c}.wrap{overflow-x:auto}.sign{margin-top:1em;display:grid;grid-template-columns:1fr 1fr 1fr;gap:2em}.sign span{border-top:1px solid #1b1f24;padding-top:.2em}
@media (max-width:700px){.two{grid-template-columns:1fr}}
@media print{@page{margin:9mm}:root{font-size:7.6pt;line-height:1.15}body{margin:0;max-width:none;padding:0}table{font-size:6.9pt;line-height:1.1}p{margin:.15em 0}.plan td{white-space:nowrap}
h1{font-size:14pt}h2{font-size:9.6pt;margin:.6em 0 .15em}.second{break-before:page}.two{grid-template-columns:1fr 1fr}section{break-inside:avoid}}
"""


def tune_html(tune: Tune, own: OwnTables, *, metric: bool = False, date: datetime.date | None = None) -> str:
    """Return the tune sheet as one HTML page that needs no other file and prints on two sheets.

    Parameters
    ----------
    tune : Tune
    own : OwnTables
        On the tuner's breakpoints.
    metric : bool
        kg/h, g/s and mm, else lb/h, lb/s and inch.
    date : date, optional
        Today if None.
    """
    sheet, day = tune.sheet, date or datetime.date.today()
    car = escape(sheet.car.name)
    stops = "".join(f'<p class="stop"><b>Do not spray yet.</b> {escape(text)}</p>' for text in tune.blockers)
    flowing = tune.table[tune.table["share_percent"] > 0]
    tables = grids(tune, own, metric=metric)
    marked = "▪ breaks a limit there." if any(g.warning for g in tables) else ""
    notes = (marked, held(tune, own), jumps(tune, own), chords(tune, own))
    first = f"""<p class="quiet"><span class="car">{car}</span> · {escape(sheet.car.owner)} · {escape(sheet.car.shop)} · {day.isoformat()} · {escape(sheet.make_fuel().name)},
{sheet.octane_ron:g} RON · {sheet.nitrous.system}, {escape(sheet.controller.metering)}</p>
<h1>Tune sheet: {sheet.nitrous.shot_hp:g} hp wanted, {escape(lowered(ramp_sentence(tune.ramp)[:-1]))}</h1>{stops}
<section><h2>The plan, speed by speed</h2>{_plan_table(tune, flowing, metric=metric)}
<p class="quiet">Likely (low to high): bounds over what is not known, not standard deviations. Power at the crank. Timing out is rounded up to half a degree.</p></section>
<section class="two">{"".join(_grid(g) for g in tables)}</section>
{"".join(f'<p class="quiet">{escape(text)}</p>' for text in notes if text)}
<section><h2>Assumed</h2><p class="quiet">{escape(_assumed(tune))}</p></section>"""
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Tune sheet: {car}</title><style>{_STYLE}</style></head><body>{first}
<div class="second">{_second(tune, metric=metric) if len(flowing) else ""}<h2>Cautions</h2>{"".join(f'<p class="quiet">{escape(text)}</p>' for text in CAUTIONS)}
<p class="quiet">kernel {__version__} · Cantera, NASA polynomials · CoolProp [Lemmon &amp; Span 2006] · common practice marks facts of the trade without a source.</p></div></body></html>
"""


def _plan_table(tune: Tune, rows: pd.DataFrame, *, metric: bool) -> str:
    if rows.empty:
        return "<p>Nothing flows at any speed.</p>"
    key = added_fuel_key(tune.sheet, "kg_h" if metric else "lb_h")
    flow, flow_unit, to = ("nitrous_kg_s", "g/s", 1e3) if metric else ("nitrous_lb_s", "lb/s", 1.0)
    target = tune.sheet.engine.lambda_with_nitrous * tune.sheet.controller.gauge_scale
    head = [
        ("speed", "rpm"), ("valve duty" if tune.pulsed else "flow open", "%"), ("nitrous", flow_unit), ("fuel to add", "kg/h" if metric else "lb/h"), ("timing out", "deg"), ("timing", "deg BTDC"),
        ("gauge", "AFR, target"), ("injector duty", "%"), ("power added", "hp"), ("peak pressure", "bar" if metric else "psi"), ("rule: timing, fuel", f"deg, {'kg/h' if metric else 'lb/h'}"),
    ]  # fmt: skip
    body = ""
    for _, row in rows.iterrows():
        duty = row["valve_duty_percent"]
        rule = kg_from_lb(row["rule_fuel_lb_h"]) if metric else row["rule_fuel_lb_h"]
        cells = [
            f"{row['rpm']:.0f}", f"{row['share_percent']:.0f}" if not np.isfinite(duty) else "open" if duty >= 100 else f"{np.floor(2 * duty + 1e-6) / 2:g}", banded_in(row, flow, to), banded_in(row, key), f"{row['retard_deg']:g}",
            f"{row['timing_deg_btdc']:g}", f"{target:.1f}", f"{row['injector_duty_percent']:.0f}", banded_in(row, "power_gain_hp"), banded_in(row, "peak_pressure_bar", 1.0 if metric else psi_from_kpa(100.0)), f"{row['rule_deg']:.1f}, {rule:.3g}",
        ]  # fmt: skip
        body += "<tr>" + "".join(f"<td>{escape(c)}</td>" for c in cells) + "</tr>"
    return f'<div class="wrap"><table class="plan">{_head(head)}{body}</table></div>'


def _head(head: list[tuple[str, str]]) -> str:
    return "<tr>" + "".join(f'<th>{escape(a)}<br><span class="unit">{escape(b)}</span></th>' for a, b in head) + "</tr>"


def _grid(grid: Grid) -> str:
    head = [("speed", "rpm"), *((name, grid.over if k == 0 else "") for k, name in enumerate(grid.columns))]
    body = "".join(
        f"<tr><td>{rpm:g}</td>{''.join(_mark(grid, k, m) for m in range(len(grid.columns)))}</tr>"
        for k, rpm in enumerate(grid.rows)
    )
    return f'<div><h2>{escape(grid.title)}, {escape(grid.unit)}</h2><div class="wrap"><table>{_head(head)}{body}</table></div></div>'


def _mark(grid: Grid, k: int, m: int) -> str:
    text = grid.cell(k, m)
    over = bool(text) and not grid.allowed[k, m]
    return f'<td class="over">{text} ▪</td>' if over else f"<td>{text}</td>"


def _second(tune: Tune, *, metric: bool) -> str:
    limits = "".join(
        f"<tr><td>{escape(p.name)}</td><td>{p.value:.{p.digits}f} {escape(p.unit)}</td><td>{p.sheet:.{p.digits}f}</td><td>{escape(p.reason)} ({escape(p.basis)})</td></tr>"
        for p in tune.proposals
    )
    phases: dict[str, list[str]] = {}
    for guard in tune.guards(metric=metric):
        phases.setdefault(guard.phase, []).append(guard.sentence)
    told = "".join(f"<p><b>{escape(phase)}.</b> {escape(' '.join(texts))}</p>" for phase, texts in phases.items())
    rehearsal = tune.rehearsal
    return f"""<section><h2>Limits</h2><table class="words"><tr><th>limit</th><th>to type</th><th>this sheet rests on</th><th>why</th></tr>{limits}</table></section>
<section><h2>One pass</h2>{told}</section>
<section><h2>Rehearsal with the bottle shut</h2>{"".join(f"<p>{escape(text)}</p>" for text in rehearsal.sentences)}{_rehearsal_table(tune, metric=metric)}</section>
<section><h2>Ladder</h2><p>{escape(tune.ladder.reason)}</p>{_ladder_table(tune, metric=metric)}
<p><b>Gate:</b> {escape("; ".join(tune.ladder.steps[0].gate))}. <b>Log:</b> {escape(listed(tune.ladder.steps[0].log))}. <b>Plugs:</b> {escape(tune.ladder.steps[0].plugs)}</p></section>"""


def _rehearsal_table(tune: Tune, *, metric: bool) -> str:
    if tune.rehearsal.fuel_share <= 0:
        return ""
    rows = tune.rehearsal.table
    cells = [
        ("speed, rpm", [f"{v:.0f}" for v in rows["rpm"]]),
        ("gauge, AFR", [f"{v:.1f}" for v in rows["gauge_afr"]]),
        ("pass, AFR", [f"{a:.1f}-{b:.1f}" for a, b in zip(rows["gauge_afr_low"], rows["gauge_afr_high"], strict=True)]),
        (
            "fuel on, kg/h" if metric else "fuel on, lb/h",
            [f"{v if metric else lb_from_kg(v):.1f}" for v in rows["fuel_on_kg_h"]],
        ),
        ("timing light, deg BTDC", [f"{v:g}" for v in rows["timing_deg_btdc"]]),
        ("injector duty, %", [f"{v:.0f}" for v in rows["injector_duty_percent"]]),
    ]
    return (
        "<table>"
        + "".join(f"<tr><td>{name}</td>{''.join(f'<td>{v}</td>' for v in values)}</tr>" for name, values in cells)
        + "</table>"
    )


def _ladder_table(tune: Tune, *, metric: bool) -> str:
    bores, jets = (any(getattr(step, name) for step in tune.ladder.steps) for name in ("bore_mm", "jet_mm"))
    head = [
        ("step", ""),
        ("of the plan", "%"),
        ("worth", "hp"),
        ("nitrous, most", "g/s" if metric else "lb/s"),
        ("fuel to add", ("kg/h" if metric else "lb/h") + " at peak power"),
        ("timing out", "deg"),
        *([("nozzle, each", "mm" if metric else "in")] if bores else []),
        *([("fuel jet, each", "mm" if metric else "in")] if jets else []),
        ("", ""),
    ]
    body = "".join(
        f"<tr>{''.join(f'<td>{escape(c)}</td>' for c in _step(k, step, bores=bores, jets=jets, metric=metric))}</tr>"
        for k, step in enumerate(tune.ladder.steps)
    )
    return f"<table>{_head(head)}{body}</table>"


def _step(k: int, step: Step, *, bores: bool, jets: bool, metric: bool) -> list[str]:
    ends = [v if metric else lb_from_kg(v) for v in (step.fuel_kg_h.low, step.fuel_kg_h.best, step.fuel_kg_h.high)]
    flow = step.flow.max()

    def drilled(band: Band | None) -> str:
        return (
            "" if band is None else banded(*(v if metric else in_from_mm(v) for v in (band.low, band.best, band.high)))
        )

    return [
        f"{k + 1}", f"{100 * step.share:.0f}", f"{step.hp:.0f}", f"{1e3 * flow:.0f}" if metric else f"{lb_from_kg(flow):.3f}", banded(*ends), step.retard,
        *([drilled(step.bore_mm)] if bores else []), *([drilled(step.jet_mm)] if jets else []), "not under these limits" if step.obstacle else "",
    ]  # fmt: skip


def assumed_values(sheet: BuildSheet) -> list[Assumption]:
    """Values that nobody stated, as this sheet lists them; the ramp has its own line, rows of numbers stand on the planner page."""
    return [
        a for a in sheet.assumptions() if not isinstance(a.value, tuple) and not a.path.startswith(("ramp.", "car."))
    ]


def _assumed(tune: Tune) -> str:
    """What stands behind the numbers, short; the planner page has it in full."""
    sheet = tune.sheet
    shown = {True: "yes", False: "no"}
    told = [
        f"{a.label} {shown.get(a.value, a.value) if isinstance(a.value, bool | str) else rounded(a.value)} {a.unit}".strip()
        for a in assumed_values(sheet)
    ]
    doubtful = [d.sentence for d in doubts(sheet)]
    text = f"Steady full throttle; cautious edge of what is not known; worst cylinder {sheet.nitrous.cylinder_spread_percent:g} % above the mean. Not on the build sheet and assumed: {'; '.join(told)}."
    return f"{text} Missing or doubtful: {' '.join(doubtful)}" if doubtful else text
