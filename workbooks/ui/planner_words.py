"""What the planner page says: findings and explanations, every number in them computed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kernel_lib import units
from kernel_lib.engine.setup import Setup
from kernel_lib.plan.fuel_system import jet_band
from kernel_lib.plan.power import firing_of, shot_power
from kernel_lib.plan.proposals import TRADE_HOLD_S, hold_s
from kernel_lib.plan.pulsing import Pulsing
from kernel_lib.plan.ramp import (
    OVER_TIME,
    STAGES,
    gear_rises,
    over_time,
    per_gear,
    ramp_sentence,
    slowest_rise,
    worst_over_rpm,
)
from kernel_lib.plan.room import LIMITS, NONE, READ_ERROR, READ_SHORT, added_fuel_key
from kernel_lib.plan.spark import Limits
from kernel_lib.plan.supply import bore_for
from kernel_lib.plan.tune import strongest
from kernel_lib.text import banded, listed, rounded

from . import display
from .planner_model import KW, PROPOSED, Result

_SHORT = {
    "pressure": "exhaust heat (pressure)",
    "knock": "exhaust heat (knock)",
    "phasing": "exhaust heat (phasing)",
    "rule": "exhaust heat",
    "retard": "pressure or knock",
    "flame table": "flame table ends",
    "injectors": "injectors",
    "pump": "pump",
    "oxygen share": "oxygen share",
    "half nitrous": "half nitrous",
    "clutch": "clutch",
    "wheels": "wheel torque",
    "power": "your power limit",
    NONE: "no limit so far",
}


def ramp_over(r: Result, rpm: np.ndarray) -> np.ndarray:
    """Share of the ramp over speed."""
    return worst_over_rpm(r.sheet, r.tune.ramp, rpm)


def strongest_over(r: Result, rpm: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Share of its strongest cycle."""
    return strongest(r.sheet, r.tune.ramp, rpm, share)


def own_fuel(r: Result) -> str:
    """Column of this car's added fuel [kg/h]."""
    return added_fuel_key(r.sheet, "kg_h")


def _flowing(r: Result) -> pd.DataFrame:
    return r.tune.table[r.tune.table["share_percent"] > 0]


def _flow(kg_s: float, system: str) -> str:
    to = display.shown("g/s", system)
    return f"{rounded(to.there(1e3 * kg_s), 0.1 * to.there(1e3 * kg_s))} {to.unit}"


def _ends(row: pd.Series, name: str) -> tuple[float, float, float]:
    return tuple(float(row[f"{name}{e}"]) for e in ("_low", "", "_high"))


def _in(values: tuple[float, ...], unit: str, system: str) -> str:
    to = display.shown(unit, system)
    return f"{banded(*(to.there(v) for v in values))} {to.unit}"


def _at_peak(r: Result) -> pd.Series:
    rows = _flowing(r)
    return rows.iloc[(rows["rpm"] - r.sheet.engine.peak_power_rpm).abs().argmin()]


def binding_labels(r: Result) -> list[str]:
    """Names of the limits where they begin to bind."""
    return [_SHORT[b] for n, b in enumerate(r.room.binds) if n == 0 or b != r.room.binds[n - 1]]


def answer(r: Result, system: str) -> list[str]:
    """The page's answer."""
    rows = _flowing(r)
    out = [f"Do not spray yet. {text}" for text in r.tune.blockers]
    if r.tune.blockers and not r.tune.pulsed and r.tune.ramp.kind != STAGES:
        out.append(f"{_smaller(r, system)} Or let it come in by two stages, or through a pulsed valve: choose below.")
    if rows.empty:
        return out or ["Nothing flows at any speed."]
    first, peak = rows.iloc[0], _at_peak(r)
    key = own_fuel(r)
    how = ", pulsed" if r.tune.pulsed else ", in stages" if r.tune.ramp.kind == STAGES else ""
    out.append(
        f"{r.sheet.car.name}{how}: {ramp_sentence(r.tune.ramp)} At {first['rpm']:.0f} rpm that is {_flow(first['nitrous_kg_s'], system)} with "
        f"{_in(_ends(first, key), 'kg/h', system)} of added fuel and {first['retard_deg']:g} degrees out, to {first['timing_deg_btdc']:g} before TDC; at "
        f"{peak['rpm']:.0f} rpm {_flow(peak['nitrous_kg_s'], system)}, {_in(_ends(peak, key), 'kg/h', system)} and {peak['retard_deg']:g} degrees, to {peak['timing_deg_btdc']:g}."
    )
    begin = "" if r.tune.blockers else " Begin with step 1 of the ladder, after the rehearsal with the bottle shut."
    out.append(
        f"It {'would add' if r.tune.blockers else 'adds'} about {banded(*_ends(peak, 'power_gain_hp'))} hp at {peak['rpm']:.0f} rpm; {r.sheet.nitrous.shot_hp:g} hp were wanted.{begin}"
    )
    return out


def assumes(r: Result) -> str:
    """What all of it rests on."""
    angle, power, bar = (READ_ERROR[name] for name in ("first_hit_deg", "power_gain_hp", "peak_pressure_bar_high"))
    return (
        f"assumes the cautious edge of what is not known at every speed, the worst cylinder {r.sheet.nitrous.cylinder_spread_percent:g} % above the mean, a well mixed plenum, and steady "
        f"full throttle. Read between computed doses (every 0.1 to 0.25 of the flow) and speeds: within {angle:g} degrees, {power:g} hp and {bar:g} bar of a direct computation; to a retard "
        f"{READ_SHORT:g} degrees are added for that."
    )


def room_title(r: Result, system: str) -> str:
    room = r.room
    low, high = room.most[0], room.most[-1]
    hp = [shot_power(r.sheet, v * room.full_flow) for v in (min(low, 1.5), min(high, 1.5))]
    more = "at least " if room.binds[-1] == NONE else ""
    return (
        f"At {room.rpm[0]:.0f} rpm the limits allow {_flow(low * room.full_flow, system)}, a shot of about {5 * np.floor(hp[0] / 5):.0f} hp; at {room.rpm[-1]:.0f} rpm {more}"
        f"{_flow(high * room.full_flow, system)}, about {5 * np.floor(hp[1] / 5):.0f} hp"
    )


def room_text(r: Result, system: str) -> list[str]:
    room, ramp = r.room, r.tune.ramp
    groups: dict[str, list[float]] = {}
    for rpm, name in zip(room.rpm, room.binds, strict=True):
        groups.setdefault(name, []).append(rpm)
    told = [
        f"{LIMITS[n]} ({v[0]:.0f} to {v[-1]:.0f} rpm)" if len(v) > 1 else f"{LIMITS[n]} ({v[0]:.0f} rpm)"
        for n, v in groups.items()
    ]
    limits = Limits.of(r.sheet, firing_of(r.sheet), room.rpm)
    bar, hot = display.shown("bar", system), display.flame(limits.T_evo, system)
    out = [
        f"What binds: {listed(told)}. The limits: peak pressure {rounded(bar.there(limits.P_max / 1e5), bar.there(3.0))} {bar.unit} in the worst cylinder, burned gas {hot} where the exhaust opens, "
        "knock no nearer than the engine's own."
    ]
    half, whole = (shot_power(r.sheet, v * room.full_flow) for v in (0.5, 1.0))
    out.append(
        f"The trade counts half the flow as half the horsepower (common practice, no source): here half of it is worth about {half:.0f} hp of {whole:.0f} at the speed of peak power, a little "
        f"{'more' if half > 0.5 * whole else 'less'} than half."
    )
    if r.tune.pulsed:
        pulsing = Pulsing.of(r.sheet)
        out.append(
            f"A valve pulsed at {r.sheet.nitrous.pulse_hz:g} Hz delivers {100 * pulsing.least:.0f} to {100 * pulsing.most:.0f} % of the flow, or all of it; its strongest cycle gets more than the "
            "mean, and that cycle has to keep the limits (dotted). The gap between the dotted line and the ramp is what pulsing costs."
        )
        rise = slowest_rise(r.sheet, room, ramp) if ramp.kind == OVER_TIME else None
        if ramp.kind == OVER_TIME:
            slowest = min(gear_rises(r.sheet).values())
            out.append(
                f"Over time the dose does not know the speed: drawn for the slowest gear, {slowest:.0f} rpm/s, from the bottom of the window. "
                + (
                    f"It keeps its limits as long as the engine gains at least {50 * np.ceil(rise / 50):.0f} rpm/s; uphill or with a trailer it may not."
                    if rise is not None
                    else "At no rise of speed does it keep them."
                )
            )
        elif r.inputs.way == PROPOSED:
            out.append(_by_gear(r))
    else:
        out.append(_smaller(r, system))
    out.append(
        "The cylinder pressure limit is yours (build sheet); the exhaust limit, the margin and the steepest rise are choices of our own, no source."
    )
    return out


def _by_gear(r: Result) -> str:
    """Say the proposal gear by gear over time, with the torque that the wheels may get in each."""
    i, told = r.inputs, []
    ramps = per_gear(r.sheet, r.room, r.tune.ramp, margin=i.margin, steepest=i.steepest)
    for gear, ramp in ramps.items():
        t, share = over_time(r.sheet, ramp)[gear]
        name = f"gear {gear}" if gear else f"at the assumed rise of {min(gear_rises(r.sheet).values()):.0f} rpm/s"
        reached = float(t[np.flatnonzero(np.isclose(share, share[-1]))[0]])
        told.append(f"{name}: {100 * share[0]:.0f} % at once, {100 * share[-1]:.0f} % from {reached:.1f} s on")
    return f"If your controller ramps over time, {'; '.join(told)}. Over speed is the better way: it knows when the engine gains speed slowly."


def _smaller(r: Result, system: str) -> str:
    least = float(r.room.most.min()) * (1 - r.inputs.margin)
    if least >= 1:
        return "All of it fits at every speed of the window."
    bore = bore_for(r.sheet, least * r.room.full_flow)
    told = (
        ""
        if bore is None
        else f", a bore of about {banded(*(display.shown('mm', system).there(v) for v in (bore.low, bore.best, bore.high)))} {display.shown('mm', system).unit}"
    )
    return f"Without pulses and without stages a nozzle of {100 * least:.0f} % of this one's flow fits from the bottom of the window, the margin of {100 * r.inputs.margin:.0f} % kept{told}."


def drive_title(r: Result) -> str:
    rows = _flowing(r)
    if rows.empty:
        return "Nothing is added"
    what = "power_gain_hp"
    top = rows.loc[rows[what].idxmax()]
    return f"The ramp adds {banded(*_ends(rows.iloc[0], what))} hp at {rows['rpm'].iloc[0]:.0f} rpm and {banded(*_ends(top, what))} hp at {top['rpm']:.0f} rpm"


def drive_text(r: Result, system: str) -> list[str]:
    rows = _flowing(r)
    if rows.empty:
        return []
    curve = "torque_nm"
    top, own = rows.loc[rows[curve].idxmax()], r.tune.table["torque_own_nm"].max()
    to = display.shown("N m", system)
    out = [
        f"Torque peaks at about {rounded(to.there(top[curve]), to.there(15.0))} {to.unit} at {top['rpm']:.0f} rpm, against {rounded(to.there(own), to.there(10.0))} without: that is what clutch and shafts feel."
    ]
    peak = _at_peak(r)
    worth = shot_power(r.sheet, float(peak["nitrous_kg_s"]))
    out.insert(
        0,
        f"The flow at {peak['rpm']:.0f} rpm is worth about {worth:.0f} hp with the burn where best torque wants it; this plan's later timing leaves {peak['power_gain_hp']:.0f}.",
    )
    clutch = r.sheet.parts.clutch_torque_nm
    if clutch is not None:
        out.append(
            f"The clutch on the sheet holds {display.quantity(clutch, 'N m', system, 0)}; the high end of the torque is held below it."
        )
    missing = r.tune.table["full_power_hp"].isna()
    if missing.any():
        out.append(
            f"All of it at once is not allowed at {listed([f'{v:.0f}' for v in r.tune.table.loc[missing, 'rpm']])} rpm."
        )
    if r.inputs.curve == KW and system == display.METRIC:
        out.append("The shot itself stays in hp, as the trade counts it.")
    return out


def fuel_title(r: Result, system: str) -> str:
    rows = _flowing(r)
    if rows.empty:
        return "No fuel to add"
    key = own_fuel(r)
    return f"Add {_in(_ends(rows.iloc[0], key), 'kg/h', system)} at {rows['rpm'].iloc[0]:.0f} rpm, {_in(_ends(rows.iloc[-1], key), 'kg/h', system)} at {rows['rpm'].iloc[-1]:.0f} rpm ({r.sheet.controller.metering})"


def fuel_text(r: Result, system: str) -> list[str]:
    rows = _flowing(r)
    if rows.empty:
        return []
    key, peak = own_fuel(r), _at_peak(r)
    to, rule = display.shown("kg/h", system), units.kg_from_lb(peak["rule_fuel_lb_h"])
    more = peak["fuel_added_percent"]
    share = 100 / (100 + more) if more > -100 else np.nan
    out = [
        f"At {peak['rpm']:.0f} rpm the controller gives {100 * share:.0f} % of all the fuel by itself from its base map, as it meters ({r.sheet.controller.metering}); the plan adds the other "
        f"{100 * (1 - share):.0f} %. The trade's 30 lb/h per 100 hp (common practice, no source) says {rounded(to.there(rule))} {to.unit} for this dose, the plan {rounded(to.there(peak[key]), 0.05 * abs(to.there(peak[key])))}."
    ]
    if r.sheet.nitrous.system == "dry":
        out.append(
            f"As injector time that is {rows['fuel_added_ms'].iloc[0]:.1f} ms more an opening at {rows['rpm'].iloc[0]:.0f} rpm and {rows['fuel_added_ms'].iloc[-1]:.1f} ms at {rows['rpm'].iloc[-1]:.0f} rpm; injector duty "
            f"then reaches {rows['injector_duty_percent_high'].max():.0f} % at the high end."
        )
    else:
        setup, fuel = Setup.of(r.sheet), [peak[f"{key}{e}"] / 3600 for e in ("_low", "", "_high")]
        full = r.room.full_flow / peak["nitrous_kg_s"]
        jets = jet_band(r.sheet, setup, *(v * full for v in fuel)) if fuel[0] > 0 else None
        to = display.shown("mm", system)
        told = (
            ""
            if jets is None
            else f": about {banded(*(to.there(v) for v in (jets.low, jets.best, jets.high)))} {to.unit} each for the whole flow"
        )
        out.append(
            f"Wet: a jet pair brings fuel and nitrous together{told}. The pair fits one flow; in steps of the ladder jet and nozzle change together."
        )
        out.append(
            "A jet adds the same fuel at every speed; where this picture is not level, the mixture drifts by as much."
        )
    out.append("For other valve duties and your own breakpoints see the tables of the tune sheet below.")
    return out


def retard_title(r: Result) -> str:
    rows = _flowing(r)
    if rows.empty:
        return "No timing to change"
    a, b = rows.iloc[0], rows.iloc[-1]
    return f"Take out {a['retard_deg']:g} degrees at {a['rpm']:.0f} rpm and {b['retard_deg']:g} at {b['rpm']:.0f} rpm; the trade's rule says {a['rule_deg']:.1f} and {b['rule_deg']:.1f}"


def retard_text(r: Result) -> list[str]:
    rows = _flowing(r)
    if rows.empty:
        return []
    hold, lifted = hold_s(r.sheet, r.dosed), hold_s(r.sheet, r.dosed, "shut")
    first = r.tune.dosed
    held = (
        "covers both"
        if lifted <= TRADE_HOLD_S
        else "covers the open throttle only"
        if hold <= TRADE_HOLD_S
        else "is short"
    )
    out = [
        "The distance from the likely need to this plan is caution about what nobody has measured, not need: the ladder earns it back, step by step, with logs and plugs.",
        "A first hit takes the cautious edge of knock, pressure and phasing, never less than the rule (unless the sheet says so). It is computed for the strongest cycle of the ramp in the worst "
        "cylinder, so it is more than the mean asks.",
        f"The whole retard of the speed is in before the first drop, and stays while the ramp comes in: {first.retard_deg[0]:g} degrees at {first.rpm[0]:.0f} rpm. A little late costs a little power.",
        f"After the shut-off keep retard and added fuel for {hold:.1f} s with the throttle open, {lifted:.1f} s after a lift, at the high end of what is unknown. The trade's 1 s (common practice, no source) {held}.",
    ]
    if r.tune.pulsed:
        out.append("Retard over valve duty is in the tables of the tune sheet below.")
    return out
