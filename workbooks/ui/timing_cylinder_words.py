"""What the timing page says of one cylinder and its plug; every number in it computed."""

from __future__ import annotations

import pandas as pd

from kernel_lib.band import FLAME_RATIO, PEAK_SHARE
from kernel_lib.plan.closeup import TRADE_PLUG_RANGES
from kernel_lib.text import banded

from .display import bore_digits, coarse, flame, quantity, shown
from .timing_model import Result
from .timing_words import degrees, ends_of, first_hit, pressure, row_at

PLUG_RANGES = f"{TRADE_PLUG_RANGES} heat ranges colder for a first shot (common practice, no source)"


def _at_first_hit(r: Result) -> pd.Series | None:
    """Row of the table next to the speed looked at; None where nothing is reachable there."""
    row = row_at(r.timing.table, r.inputs.rpm)
    return row if row["reachable"] else None


def pressure_title(r: Result, system: str) -> str:
    """Finding of the pressure picture."""
    own, shot = r.view.own_row, r.view.shot_row
    over = ": over your limit" if shot["P_max"] > r.timing.limits.P_max else ""
    return (
        f"At {r.inputs.rpm:.0f} rpm the peak goes from {pressure(own['P_max'] / 1e5, system)} to {pressure(shot['P_max'] / 1e5, system)}, "
        f"{shot['theta_P_max_deg']:.0f} degrees after TDC{over}"
    )


def pressure_text(r: Result, system: str) -> list[str]:
    """Sentences under it."""
    own, shot, i = r.view.own_row, r.view.shot_row, r.inputs
    return [
        f"Spark {degrees(shot['timing_deg_btdc'])} degrees before TDC, {degrees(abs(i.retard_deg))} {'less' if i.retard_deg >= 0 else 'more'} than known-good{_recommended(r)}. 50 % burned falls {_after(shot['ca50_deg'])} "
        f"(without nitrous {_after(own['ca50_deg'])}), the peak {_after(shot['theta_P_max_deg'])} (without {_after(own['theta_P_max_deg'])}). Best torque has 50 % "
        "burned some 8 to 10 degrees after TDC and the peak at some 14 to 16 (Heywood's handbook).",
        f"The thin line is your limit, {pressure(r.timing.limits.P_max / 1e5, system)}, which has to hold for the worst cylinder; drawn is the mean one at the likely values of what is not known."
        + _worst_pressure(r, system),
    ]


def _recommended(r: Result) -> str:
    row = _at_first_hit(r)
    return "" if row is None else f" (first hit at {row['rpm']:.0f} rpm: {first_hit(row)[0]} less)"


def _worst_pressure(r: Result, system: str) -> str:
    row, to = _at_first_hit(r), shown("bar", system)
    measured = f" The cycle put the peaks of a measured engine up to {100 * (PEAK_SHARE.high - 1):.0f} % too low; against the engine's own peak that cancels."
    if row is None:
        return measured
    band = banded(*(to.there(v) for v in ends_of(row, "peak_pressure_bar")))
    return f" At {row['rpm']:.0f} rpm, on a first hit's timing, the worst one reaches {band} {to.unit}.{measured}"


def _after(theta: float) -> str:
    return f"{abs(theta):.0f} degrees {'after' if theta >= 0 else 'before'} TDC"


def burn_title(r: Result) -> str:
    """Finding of the burn picture."""
    own, shot = r.view.own_row, r.view.shot_row
    change = shot["duration_deg"] / own["duration_deg"] - 1
    how = (
        "as long as"
        if abs(change) < 0.02
        else f"{100 * abs(change):.0f} % {'shorter' if change < 0 else 'longer'} than"
    )
    return f"From 10 to 90 % burned it takes about {shot['duration_deg']:.0f} degrees, {how} without nitrous"


def burn_text(r: Result) -> list[str]:
    """Sentences under it."""
    return [
        f"Whether nitrous burns faster is an open question: the charge is {100 * r.view.nitrous_fraction:.0f} % nitrous by mole, its flame hotter, but its chemistry holds the flame back and the cold charge "
        f"slows it. Flame speeds are computed for propane in place of gasoline; move the flame speed to see what {100 * (FLAME_RATIO.high - 1):.0f} % either way does.",
    ]


def heat_title(r: Result, system: str) -> str:
    """Finding of the end-gas picture."""
    own, shot = r.view.own_row, r.view.shot_row
    return f"The last of the charge gets up to {flame(shot['T_end_max'], system)}, {flame(own['T_end_max'], system)} without nitrous"


def heat_text(r: Result, system: str) -> list[str]:
    """Sentences under it."""
    own, shot = r.view.own_row, r.view.shot_row
    hotter, row, to = shot["T_burned_evo"] - own["T_burned_evo"], _at_first_hit(r), shown("°C", system)
    worst = ""
    if row is not None:
        low, best, high = (round(to.there(T - 273.15), -1) for T in ends_of(row, "exhaust_K"))
        worst = f" On a first hit's timing the worst cylinder: about {best:.0f} ({low:.0f} to {high:.0f}) {to.unit}."
    return [
        "Cold nitrous cools the charge, the higher pressure of its burn heats what is left: which wins depends on how much of the evaporation heat comes from the walls: move the wall-heat share to see.",
        f"When the exhaust valve opens the burned gas is at about {flame(shot['T_burned_evo'], system)}, {coarse(abs(hotter), system)} {'hotter' if hotter >= 0 else 'cooler'} than without; the sheet's limit is {flame(r.timing.limits.T_evo, system)}. The later the timing, the more heat "
        f"is left in it.{worst} It is the gas as the valve opens, not what a probe in the manifold shows.",
    ]


def knock_title(r: Result) -> str:
    """Finding of the knock picture."""
    share = 100 * r.view.shot_row["knock_integral"] / r.view.own_row["knock_integral"]
    return f"The knock integral ends at {share:.0f} % of this engine's own at this speed{': nearer to knock than without nitrous' if share > 100.5 else ''}"


def knock_text(r: Result) -> list[str]:
    """Sentences under it."""
    row, worst = _at_first_hit(r), ""
    if row is not None:
        low, best, high = (f"{100 * v:.0f}" for v in ends_of(row, "knock_ratio"))
        worst = f" That is the mean cylinder at the likely values; on a first hit's timing the worst one comes to {best} ({low} to {high}) %."
    return [
        "It adds up how much of the time to self-ignition the last of the charge has used; at 1 it would ignite by itself. The correlation is from 1978, blind to lambda and to nitrous itself, and "
        f"serves to compare an engine with itself, never as a promise.{worst}",
        f"Octane counts as RON ({r.sheet.octane_ron:g} here; a pump label in AKI is taken as RON minus 4.5, from memory). Hot spots ignite without knocking first: neither retard nor octane cures them.",
    ]


def plug_title(r: Result) -> str:
    """Finding of the plug picture."""
    p = r.plug
    change = round(100 * (p.voltage_kV / p.voltage_own_kV - 1))
    coil = "as much as" if not change else f"some {abs(change)} % {'more' if change > 0 else 'less'} than"
    return f"The coil has to give {coil} without nitrous; the walls take up {p.heat_cycle:.1f} times the heat in each cycle"


def plug_text(r: Result, system: str) -> list[str]:
    """Sentences under it."""
    p, gap = r.plug, quantity(r.sheet.engine.plug_gap_mm, "mm", system, bore_digits(system))
    same = quantity(p.gap_same_mm, "mm", system, bore_digits(system))
    near = (
        f"a gap of about {same} would ask for no more than before"
        if p.gap_same_mm >= 0.3
        else "no gap that still lights the charge brings it back"
    )
    return [
        f"The denser the gas at the spark, the more voltage breaks the gap down: about {p.voltage_own_kV:.0f} kV without and {p.voltage_kV:.0f} kV with nitrous at {gap}, by a published fit for sharp new electrodes that may be off by a few kV; {near}. Later timing "
        "sparks into denser gas and asks for more. A blow-out reads lean on the gauge (unburned oxygen): rule it out before you add fuel. How nitrous itself resists breakdown is not counted.",
        f"Heat to the walls is {p.heat_cycle:.1f} times the engine's own in each cycle at this speed, and {p.heat_own_max:.1f} times its highest in each second; the tip shares in it. That is why the trade fits plugs {PLUG_RANGES}: a tip that glows "
        "lights the charge before the spark, and no retard helps then. Too cold a plug fouls instead. Read the plugs after each step; the maker's list decides.",
    ]
