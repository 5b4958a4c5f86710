"""The pictures of the customer's brief: a finding in words, and an inline SVG that shows it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .. import units as u
from ..errors import InputError
from ..plan.bottle_day import gauge_pressure, state_of
from ..plan.power import firing_of
from ..plan.ramp import breaches
from ..plan.spark import Limits
from ..plan.tune import Tune
from ..text import listed, rounded
from .brief_asked import asked, asked_table, closes_early, flowing
from .brief_words import Units
from .svg import LIMIT, WITH, WITHOUT, Bar, Line, bars, lines, window


@dataclass(frozen=True)
class Shown:
    """A picture and its finding, which is also its title; `head` stands over it instead where the page says the finding already."""

    finding: str
    svg: str
    head: str = ""


def _curves(tune: Tune, own: str, total: str, to) -> list[np.ndarray]:
    """Without nitrous, with, and the ends of it, over the rows of the table."""
    table = asked_table(tune)
    power_own = table["power_own_hp"].to_numpy()
    out = [table[own].to_numpy(), table[total].to_numpy()]
    for end in ("_low", "_high"):
        out.append(table[own].to_numpy() * (power_own + table[f"power_gain_hp{end}"].to_numpy()) / power_own)
    return [np.array([to(float(v)) for v in values]) for values in out]


def _band(with_: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[int, str]:
    """Where a curve is highest, and how that is written with its band."""
    k = int(np.nanargmax(with_))
    spread = high[k] - low[k]
    return k, f"{rounded(with_[k], spread)} ({rounded(low[k], spread)} to {rounded(high[k], spread)})"


def _drive(tune: Tune, finding: str, curves: list[np.ndarray], unit: str, *, rising: bool) -> Shown:
    without, with_, low, high = curves
    every = [
        Line(with_, WITH, "with nitrous", 0.28 if rising else 0.5, above=True, low=low, high=high),
        Line(without, WITHOUT, "without", 0.8 if rising else 0.5, above=False),
    ]
    return Shown(finding, lines(finding, asked_table(tune)["rpm"].to_numpy(), every, unit=unit, height=190))


def power(tune: Tune, units: Units) -> Shown:
    """Power over speed, with and without, compared where it is highest with."""
    unit, to = units.power
    curves, rpm = _curves(tune, "power_own_hp", "power_hp", to), asked_table(tune)["rpm"].to_numpy()
    k, ends = _band(*curves[1:])
    own = float(curves[0][k])
    finding = f"Power at {rpm[k]:.0f} rpm: {rounded(own, 0.02 * own)} {unit} becomes about {ends}"
    return replace(_drive(tune, finding, curves, unit, rising=True), head="Power at the crank")


def torque(tune: Tune, units: Units) -> Shown:
    """Torque over speed, with and without, each at its own highest, as the planner compares them."""
    unit, to = units.torque
    curves, rpm = _curves(tune, "torque_own_nm", "torque_nm", to), asked_table(tune)["rpm"].to_numpy()
    k, ends = _band(*curves[1:])
    m = int(np.nanargmax(curves[0]))
    own = rounded(float(curves[0][m]), 0.02 * float(curves[0][m]))
    finding = f"Most torque: {own} {unit} becomes about {ends}, at {rpm[k]:.0f} rpm"
    return _drive(tune, finding, curves, unit, rising=False)


def mixture(tune: Tune) -> Shown | None:
    """The mixture aimed at between the stops to type; None where those are out of order."""
    sheet, ask = tune.sheet, asked(tune)
    low, aim, high = (v * sheet.controller.gauge_scale for v in (ask.rich, sheet.engine.lambda_with_nitrous, ask.lean))
    if not low < high:
        return None
    finding = f"Mixture gauge: aimed at {aim:.1f}, shut off below {low:.1f} and above {high:.1f}"
    return Shown(
        finding,
        window(
            finding,
            (low, f"{low:.1f}"),
            (high, f"{high:.1f} AFR"),
            [(aim, f"aim {aim:.1f}")],
            outside=("too rich", "too lean"),
        ),
    )


def spark(tune: Tune) -> Shown | None:
    """Ignition timing with and without; None where no timing is known."""
    table, rows = asked_table(tune), flowing(tune)
    rpm = table["rpm"].to_numpy()
    if rows["retard_deg"].isna().all():
        return None
    own = tune.room.at("timing_deg_btdc", rpm, 0.0)
    k = rows["retard_deg"].idxmax()
    finding = f"Spark at {rows['rpm'][k]:.0f} rpm: {rows['timing_deg_btdc'][k]:g} instead of {own[k]:.0f} degrees before top dead centre"
    every = [
        Line(own, WITHOUT, "without nitrous", 0.6),
        Line(table["timing_deg_btdc"].to_numpy(), WITH, "with nitrous: later", 0.6, above=False),
    ]
    return Shown(finding, lines(finding, rpm, every, unit="degrees before top dead centre", height=132))


def dose(tune: Tune) -> Shown:
    """Share of the nitrous flow over speed, and the most that the limits allow."""
    table = asked_table(tune)
    rpm = table["rpm"].to_numpy()
    share = table["share_percent"].to_numpy(float)
    most = 100 * np.minimum(tune.room.most_at(rpm), 1.0)
    peak = np.fmax(table["strongest_percent"].to_numpy(float), share)
    over = peak > most + 0.1
    if over.any():
        k = int(np.nanargmax(peak - most))
        finding = f"Nitrous flow at {rpm[k]:.0f} rpm: {peak[k]:.0f} % asked for, {most[k]:.0f} % allowed"
    else:
        kept = "" if breaches(tune.sheet, tune.room, tune.ramp) else "; no stroke gets more than is allowed"
        first, last = (int(v) for v in np.flatnonzero(share > 0)[[0, -1]])
        finding = f"Nitrous flow: {share[first]:.0f} % at {rpm[first]:.0f} rpm, {share[last]:.0f} % at {rpm[last]:.0f} rpm{kept}"
    banded = tune.pulsed and (peak > share + 0.5).any()
    every = [
        Line(most, LIMIT, "most allowed", 0.22 if over.any() else 0.32, above=not over.any()),
        Line(
            share,
            WITH,
            "asked for" if over.any() else "planned",
            0.7,
            above=bool(over.any()),
            low=share if banded else None,
            high=peak if banded else None,
        ),
    ]
    return Shown(
        finding,
        lines(
            finding, rpm, every, unit="% of the full flow" + ("; pale: single strokes" if banded else ""), height=132
        ),
    )


def bottle(tune: Tune, units: Units) -> Shown:
    """The bottle's window and where the sheet's bottle stands."""
    nitrous, (unit, to) = tune.sheet.nitrous, units.gauge
    low, high = to(nitrous.window_low_kpa), to(nitrous.window_high_kpa)
    try:
        now = to(gauge_pressure(tune.sheet, state_of(tune.sheet).P) / 1e3)
        told = f"{now:.0f}" if low <= now <= high or round(now) not in (round(low), round(high)) else f"{now:.1f}"
        marks = [(now, f"as planned {told}")]
        where = "inside it" if low <= now <= high else "below it: warm it" if now < low else "above it: let it cool"
        where = f"; the plan's bottle at {told} stands {where}"
    except InputError:
        marks, where = [], ""
    finding = f"Bottle gauge: {low:.0f} to {high:.0f} {unit}{where}"
    return Shown(
        finding,
        window(finding, (low, f"{low:.0f}"), (high, f"{high:.0f} {unit}"), marks, outside=("too cold", "too warm")),
    )


def speed(tune: Tune) -> Shown:
    """The window of engine speed that the plan asks for, against the rev limit."""
    sheet, low, high = tune.sheet, float(tune.dosed.rpm[0]), asked(tune).close
    marks = [(sheet.engine.limit_rpm, f"rev limit {sheet.engine.limit_rpm:g}")]
    early = ", to be gone at the rev limit" if closes_early(tune) else ""
    finding = f"Engine speed: nitrous from {low:.0f} to {high:.0f} rpm only{early}"
    return Shown(
        finding, window(finding, (low, f"{low:.0f}"), (high, f"{high:.0f} rpm"), marks, outside=("shut", "shut"))
    )


def margin(tune: Tune, units: Units) -> Shown | None:
    """What is used of each limit, before and after; None where nothing of it is known."""
    rows = [row for row in _margins(tune, units) if np.isfinite([row.before, row.after, row.most]).all()]
    if not rows:
        return None
    most, over = max(row.most for row in rows), [row for row in rows if row.most > 1.005]
    near = [row for row in rows if row.most > min(0.995, most - 0.005)]
    worst = "at worst"
    if over:
        names = listed([f"{_NAMES[row.label]} ({100 * row.most:.0f} %)" for row in over])
        told = f"{names} pass{'' if len(over) > 1 else 'es'} the limit {worst}"
    elif most > 0.995:
        told = f"{listed([_NAMES[row.label] for row in near])} reach{'' if len(near) > 1 else 'es'} the limit {worst}; nothing passes one"
    else:
        told = f"nearest to its limit, {100 * most:.0f} % of it {worst}: {listed([_NAMES[row.label] for row in near])}"
    told = told[0].upper() + told[1:]
    return Shown(told, bars(told, rows))


_NAMES = {
    "Pressure": "cylinder pressure",
    "Exhaust hotter by": "exhaust heat",
    "Nearness to knock": "nearness to knock",
    "Injectors": "injector duty",
    "Fuel pump": "the fuel pump",
    "Clutch": "the clutch",
}


def _bar(label: str, unit: str, used: tuple[float, float, float], limit: float, factor: float = 1.0) -> Bar:
    """Before, likely and worst against a limit; `factor` to the unit that is shown."""
    before, after, most, end = (rounded(factor * float(v), 0.1 * factor * limit) for v in (*used, limit))
    return Bar(label, f"{before} → {after}, worst {most}", f"limit {end} {unit}", *(float(v) / limit for v in used))


def _margins(tune: Tune, units: Units) -> list[Bar]:
    sheet, rows, rpm = tune.sheet, flowing(tune), tune.room.rpm
    out = _cylinder(tune, units)
    for label, name, limit in (
        ("Injectors", "injector_duty_percent", sheet.limits.injector_duty_percent),
        ("Fuel pump", "pump_percent", sheet.limits.pump_percent),
    ):
        before = tune.room.at(name, rpm, 0.0)
        by_jet = label == "Injectors" and sheet.nitrous.system == "wet"
        if np.isfinite(rows[name]).all() and np.isfinite(before).all() and not by_jet:
            out.append(_bar(label, "%", (before.max(), *_most(rows, name)), limit))
    clutch = sheet.parts.clutch_torque_nm
    if clutch is not None:
        most = (rows["torque_own_nm"] * (1 + rows["power_gain_hp_high"] / rows["power_own_hp"])).max()
        unit, to = units.torque
        used = (asked_table(tune)["torque_own_nm"].max(), rows["torque_nm"].max(), most)
        out.append(_bar("Clutch", unit, used, clutch, float(to(1.0))))
    return out


def _cylinder(tune: Tune, units: Units) -> list[Bar]:
    """Pressure, exhaust and knock; the first two count from the engine's own highest over speed."""
    rows, firing = flowing(tune), firing_of(tune.sheet)
    limits, hot = Limits.of(tune.sheet, firing, tune.room.rpm), tune.sheet.limits.exhaust_rise_k
    unit, to = ("bar", 1.0) if units.metric else ("psi", u.psi_from_kpa(100.0))
    warm, kelvin = ("°C", 1.0) if units.metric else ("°F", 1.8)
    own_hot, own = limits.T_evo - hot, float(firing.table["P_max"].max()) / 1e5
    exhaust = [rows[name].max() - own_hot for name in ("exhaust_K", "exhaust_K_high")]
    return [
        _bar("Pressure", unit, (own, *_most(rows, "peak_pressure_bar")), limits.P_max / 1e5, to),
        _bar("Exhaust hotter by", warm, (0.0, *exhaust), hot, kelvin),
        _bar("Nearness to knock", "% of own", (1.0, *_most(rows, "knock_ratio")), 1.0, 100.0),
    ]


def _most(rows: pd.DataFrame, name: str) -> tuple[float, float]:
    """Largest likely value of a column, and largest of its high end."""
    return float(rows[name].max()), float(rows[f"{name}_high"].max())
