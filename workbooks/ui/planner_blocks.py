"""The parts of the planner page that are words and tables: guards, rehearsal, ladder, tune sheet."""

from __future__ import annotations

from html import escape

import ipywidgets as w
import numpy as np

from kernel_lib.band import Band
from kernel_lib.plan.guards import PHASES
from kernel_lib.plan.own_tables import chords
from kernel_lib.sheets.tune_sheet import tune_html
from kernel_lib.sheets.tune_tables import Grid, copied, csv_of, grids, held, jumps
from kernel_lib.text import banded, listed

from . import display
from .download import link, stem
from .frame import html
from .picture import Block
from .planner_model import Result
from .session import Session


def table(
    head: list[tuple[str, str]], rows: list[list[str]], *, marked: set[tuple[int, int]] = frozenset(), kind: str = ""
) -> str:
    """Return a table: (name, unit) above, text in the cells; marked cells break a limit."""
    top = "".join(
        f'<th scope="col">{escape(name)}<br><span class="nw-quiet">{escape(unit)}</span></th>' for name, unit in head
    )
    body = "".join(
        "<tr>" + "".join(_cell(text, m, (k, m) in marked) for m, text in enumerate(row)) + "</tr>"
        for k, row in enumerate(rows)
    )
    return f'<div class="nw-table-scroll"><table class="nw-table{kind}"><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>'


def _cell(text: str, column: int, marked: bool) -> str:
    tag, close = ('th scope="row"', "th") if column == 0 else ("td", "td")
    mark = ' <span class="nw-over" title="breaks a limit">▪</span>' if marked and text else ""
    return f"<{tag}>{escape(text)}{mark}</{close}>"


def _list(items: list[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in items) + "</ul>"


class GuardsBlock(Block):
    """One pass along its timeline, and a value for every limit."""

    def write(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str]:
        tune = r.tune
        told = tune.guards(metric=system == display.METRIC)
        if not told:
            return "Nothing flows, so nothing has to stop it", ""
        out = ""
        for phase in PHASES:
            rows = [g for g in told if g.phase == phase]
            items = "".join(
                f'<li>{escape(g.sentence)} <span class="nw-quiet">{escape(g.basis)}</span></li>' for g in rows
            )
            out += f"<h3>{escape(phase)}</h3><ul>{items}</ul>"
        rows = [
            [p.name, f"{p.value:.{p.digits}f} {p.unit}", f"{p.sheet:.{p.digits}f}", f"{p.reason}; {p.basis}"]
            for p in tune.proposals
        ]
        head = [("limit", ""), ("to type", ""), ("this page rests on", ""), ("why", "")]
        stay = next(p for p in tune.proposals if p.unit == "s")
        title = f"One pass: nothing before {len([g for g in told if g.phase == PHASES[0]])} things are true, nitrous closes first, fuel and timing stay {stay.value:.{stay.digits}f} s"
        return title, f'<div class="nw-guards">{out}</div>{table(head, rows, kind=" nw-wordy")}'


class RehearsalBlock(Block):
    """The pull with the bottle shut."""

    def write(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str]:
        if not len(r.dosed.rpm):
            return "Nothing to rehearse", ""
        rehearsal, fuel = r.tune.rehearsal, display.shown("kg/h", system)
        body = f"<div>{''.join(f'<p>{escape(text)}</p>' for text in rehearsal.sentences)}</div>"
        if rehearsal.fuel_share > 0:
            rows = [
                [
                    f"{row.rpm:.0f}",
                    f"{row.gauge_afr:.1f}",
                    f"{row.gauge_afr_low:.1f} to {row.gauge_afr_high:.1f}",
                    f"{row.lambda_:.2f}",
                    f"{fuel.there(row.fuel_on_kg_h):.1f}",
                    f"{row.injector_duty_percent:.0f}",
                    f"{row.own_timing_deg_btdc:.3g}",
                    f"{row.timing_deg_btdc:.3g}",
                ]
                for row in rehearsal.table.itertuples()
            ]
            head = [
                ("speed", "rpm"),
                ("gauge", "AFR"),
                ("pass", "AFR"),
                ("lambda", ""),
                ("fuel on", fuel.unit),
                ("injector duty", "%"),
                ("light, off", "deg BTDC"),
                ("light, on", "deg BTDC"),
            ]
            body += table(head, rows)
            title = f"Rehearse with the bottle shut: {100 * rehearsal.fuel_share:.0f} % of the added fuel must bring the gauge to {rehearsal.table['gauge_afr'].iloc[0]:.1f} at {rehearsal.table['rpm'].iloc[0]:.0f} rpm"
        else:
            rows = [
                [f"{row.rpm:.0f}", f"{row.own_timing_deg_btdc:.3g}", f"{row.timing_deg_btdc:.3g}"]
                for row in rehearsal.table.itertuples()
            ]
            body += table([("speed", "rpm"), ("light, off", "deg before TDC"), ("light, on", "deg before TDC")], rows)
            title = "Rehearse timing with a light and fuel into a glass: all of this fuel without nitrous would drown the engine"
        return title, f'<div class="nw-split">{body}</div>'


class LadderBlock(Block):
    """Steps from a first small shot to this one."""

    def write(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str]:
        ladder = r.tune.ladder
        if not ladder.steps:
            return "No ladder: nothing flows", f"<p>{escape(ladder.reason)}</p>"
        flow, fuel = (display.shown(u, system) for u in ("g/s", "kg/h"))
        drilled = [name for name in ("bore_mm", "jet_mm") if any(getattr(step, name) for step in ladder.steps)]
        rows = []
        for k, step in enumerate(ladder.steps):
            added = (fuel.there(v) for v in (step.fuel_kg_h.low, step.fuel_kg_h.best, step.fuel_kg_h.high))
            most = flow.there(1e3 * step.flow.max())
            rows.append([
                f"{k + 1}", f"{100 * step.share:.0f}", f"{step.hp:.0f}", f"{most:.3f}" if system == display.US else f"{most:.0f}", banded(*added), step.retard,
                *(_bore(getattr(step, name), system) for name in drilled),
            ])  # fmt: skip
        mm = display.shown("mm", system).unit
        head = [
            ("step", ""),
            ("of the plan", "%"),
            ("worth", "hp"),
            ("nitrous, most", flow.unit),
            ("fuel to add", f"{fuel.unit} at peak power"),
            ("timing out", "deg"),
        ]
        head += [({"bore_mm": "nozzle", "jet_mm": "fuel jet"}[name], f"{mm} each") for name in drilled]
        blocked = [
            f"Step {k + 1} {s.obstacle}: it waits until the plan allows it."
            for k, s in enumerate(ladder.steps)
            if s.obstacle
        ]
        where = "valve duty" if r.tune.pulsed else "fuel and timing"
        body = f'<div class="nw-split"><div><p>{escape(ladder.reason)}</p>{table(head, rows)}<p>For {where} step by step, over speed, see the tables of the tune sheet.</p>'
        body += "".join(f'<p class="nw-state-watch">{escape(text)}</p>' for text in blocked)
        step = ladder.steps[0]
        body += f"<p>Log at every step: {escape(listed(step.log))}.</p></div>"
        body += f"<div><h3>Gate before the next step</h3>{_list(step.gate)}<h3>Plugs</h3><p>{escape(step.plugs)}</p></div></div>"
        return f"{len(ladder.steps)} steps, the first worth about {step.hp:.0f} hp; each has a gate", body


def _bore(band: Band | None, system: str) -> str:
    to = display.shown("mm", system)
    return "" if band is None else banded(*(to.there(v) for v in (band.low, band.best, band.high)))


class SheetBlock(Block):
    """The tables on the tuner's own breakpoints, to copy, to take along, to print."""

    def __init__(self) -> None:
        self.copy = w.Textarea(rows=8, layout=w.Layout(width="auto"))
        self.copy.add_class("nw-copy")
        super().__init__("nw-tunesheet")

    def extra(self) -> list:
        return [html("<label>to copy, tab-separated</label>", "nw-label"), self.copy]

    def write(self, r: Result, _scale: float, system: str, _session: Session) -> tuple[str, str]:
        metric = system == display.METRIC
        tables = grids(r.tune, r.tables, metric=metric)
        body = "".join(self._table(grid) for grid in tables)
        marked = "▪ breaks a limit at that speed." if any(g.warning for g in tables) else ""
        notes = "".join(
            f"<p>{escape(text)}</p>"
            for text in (marked, held(r.tune, r.tables), jumps(r.tune, r.tables), chords(r.tune, r.tables))
            if text
        )
        self.copy.value = copied(r.tune, tables)
        return (
            "The tune sheet: tables on your own breakpoints, to copy, to take along, to print",
            f'<div class="nw-split">{body}</div>{notes}{self._links(r, tables, metric=metric)}',
        )

    @staticmethod
    def _table(grid: Grid) -> str:
        rows = [[f"{rpm:g}", *(grid.cell(k, m) for m in range(len(grid.columns)))] for k, rpm in enumerate(grid.rows)]
        over = {(k, m + 1) for k, m in zip(*np.nonzero(~grid.allowed), strict=True)}
        head = [("speed", "rpm"), *((name, grid.over if k == 0 else "") for k, name in enumerate(grid.columns))]
        return f"<div><h3>{escape(grid.title)}, {escape(grid.unit)}</h3>{table(head, rows, marked=over)}</div>"

    @staticmethod
    def _links(r: Result, tables: list[Grid], *, metric: bool) -> str:
        name = stem(r.sheet)
        page = tune_html(r.tune, r.tables, metric=metric)
        parts = [
            link("the tune sheet, two pages to print (HTML)", f"{name}_tune_sheet.html", "text/html", page),
            link("the tables (CSV)", f"{name}_tables.csv", "text/csv", csv_of(r.tune, tables)),
        ]
        return f"<p>Take along: {' · '.join(parts)}</p>"
