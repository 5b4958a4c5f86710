"""The build sheet in a readable form; what is assumed says so, and why."""

from __future__ import annotations

from html import escape

import ipywidgets as w

from kernel_lib import BuildSheet
from kernel_lib import build_fields as bf

from . import display
from .frame import html
from .session import Session


def car_on_paper(session: Session) -> w.HTML:
    """Return the whole build sheet in a readable form; what is assumed says so, and why."""
    view = html("", "nw-paper")

    def draw(_change: object = None) -> None:
        sheet, system = session.sheet, session.units
        assumed = {a.path: a for a in sheet.assumptions()}
        parts = [_section(sheet, name, model, assumed, system) for name, model in bf.SECTIONS.items() if name != "car"]
        view.value = f'<div class="nw-sections">{"".join(parts)}</div>{_full_throttle(sheet)}'

    session.observe(draw, ["sheet", "units"])
    draw()
    return view


_SECTION_TITLES = {
    "site": "Air on the day",
    "engine": "Engine",
    "fuel": "Fuel",
    "fuel_system": "Fuel system",
    "nitrous": "Nitrous system",
    "controller": "Engine controller",
    "limits": "Owner's limits",
    "parts": "What carries the load",
    "ramp": "How the nitrous comes in",
    "driveline": "Driveline",
    "tables": "Breakpoints of the tables",
}


def _section(sheet: BuildSheet, name: str, model: type, assumed: dict, system: str) -> str:
    rows = ""
    for key in model.model_fields:
        path = f"{name}.{key}"
        about = bf.describe(path)
        if not about or (sheet.value(path) is None and name not in ("parts", "nitrous")):
            continue
        rows += _row(about["label"], _written(sheet.value(path), about["unit"], system), assumed.get(path))
    if not rows:
        return ""
    return f'<section><h3>{_SECTION_TITLES[name]}</h3><table class="nw-table">{rows}</table></section>'


def _row(label: str, value: str, assumption) -> str:
    mark = f'<span class="nw-assumed">assumed: {escape(assumption.basis)}</span>' if assumption else ""
    return f"<tr><td>{escape(label)}{mark}</td><td>{value}</td></tr>"


def _written(value: object, unit: str, system: str) -> str:
    if value is None:
        return '<span class="nw-state-watch">not known</span>'
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        return escape(", ".join(f"{v:g} % {k}" for k, v in value.items()))
    if isinstance(value, tuple):
        to = display.shown(unit, system)
        return escape(f"{', '.join(display.plain(to.there(v), 4) for v in value)} {to.unit}")
    if isinstance(value, int | float):
        return escape(display.quantity(value, unit, system))
    return escape(str(value))


def _full_throttle(sheet: BuildSheet) -> str:
    table = sheet.engine.full_throttle
    rows = "".join(
        f"<tr><td>{rpm:.0f}</td><td>{ve:g}</td><td>{timing:g}</td></tr>"
        for rpm, ve, timing in zip(table.rpm, table.volumetric_efficiency_percent, table.timing_deg_btdc, strict=True)
    )
    return (
        '<section><h3>Full throttle without nitrous</h3><table class="nw-table"><thead><tr><th>speed, rpm</th><th>volumetric efficiency, %</th>'
        f"<th>timing, deg before TDC</th></tr></thead>{rows}</table></section>"
    )
