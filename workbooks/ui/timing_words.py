"""What the timing page says: findings and explanations, every number in them computed."""

from __future__ import annotations

from html import escape

import numpy as np
import pandas as pd

from kernel_lib.band import (
    DENSITY_EXPONENT,
    FLAME_RATIO,
    KNOCK_NITROUS,
    PEAK_SHARE,
    WALL_HEAT_SHARE,
    WORK_SHARE,
)
from kernel_lib.plan.judgement import OBSTACLES
from kernel_lib.text import banded, rounded

from .display import coarse, flame, shown
from .timing_model import POWER, Result

REASONS = {
    "phasing": "keep 50 % burned where it was",
    "knock": "knock no nearer than without nitrous",
    "pressure": "peak pressure under your limit",
    "rule": "the trade's rule",
}
"""Why timing is pulled, in the reader's words."""

PLUG_RANGES = "two heat ranges colder for a first shot (common practice, no source)"


def degrees(value: float) -> str:
    """Write an angle to the half degree that a controller takes."""
    return "–" if not np.isfinite(value) else f"{round(2 * value) / 2:g}"


def pressure(bar: float, system: str) -> str:
    """Write a cylinder pressure: two figures of what the model knows."""
    to = shown("bar", system)
    return f"{rounded(to.there(bar), to.there(3.0) - to.there(0.0))} {to.unit}"


def _span(low: float, best: float, high: float) -> str:
    """Write ``best (low to high)`` in half degrees, without a sign where no retard is asked."""
    ends = [max(v, 0.0) for v in (low, best, high)]
    tail = degrees(ends[2]) if np.isfinite(ends[2]) else "more than 28"
    return f"{degrees(ends[1])} ({degrees(ends[0])} to {tail})"


def _row(table: pd.DataFrame, rpm: float) -> pd.Series:
    return table.iloc[(table["rpm"] - rpm).abs().argmin()]


def _and(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _speeds(rows: pd.DataFrame) -> str:
    return _and([f"{rpm:.0f}" for rpm in rows["rpm"]]) + " rpm"


def answer(r: Result) -> list[str]:
    """The page's answer, a sentence or two a line."""
    table, shot = r.timing.table, r.inputs.shot_hp
    good, short = table[table["reachable"]], table[~table["reachable"]]
    out = []
    if len(good):
        rows = good.iloc[sorted({0, len(good) - 1})]
        told = _and(
            [
                f"at {row['rpm']:.0f} rpm {degrees(row['first_hit_deg'])} degrees less than without nitrous ({degrees(row['timing_deg_btdc'] - row['first_hit_deg'])} "
                f"before TDC; likely need {_span(row['retard_deg_low'], row['retard_deg'], row['retard_deg_high'])})"
                for _, row in rows.iterrows()
            ]
        )
        out.append(
            f"First hit with {shot:g} hp: {told}. The trade's rule says {degrees(table['rule_deg'].iloc[0])} at every speed."
        )
        out.append(_verdict_on_rule(good))
    if len(short):
        out.append(_unreachable(r, short))
    return [*out, *_own_knock(r)]


def _verdict_on_rule(good: pd.DataFrame) -> str:
    """Say where the rule is short of the likely need, where it is more, and which reason sets the first hit."""
    rule, need = good["rule_deg"].iloc[0], good["retard_deg"]
    short, more = good[need > rule + 0.5], good[need < rule - 0.5]
    parts = []
    if len(short):
        parts.append(f"short of the likely need at {_speeds(short)}")
    if len(more):
        parts.append(f"more than the likely need at {_speeds(more)}")
    said = (
        f"The rule is {' and '.join(parts)}"
        if parts
        else "The rule meets the likely need at every speed that is reachable"
    )
    kinds = [f"{REASONS[kind]} at {_speeds(rows)}" for kind, rows in good.groupby("governs", sort=False)]
    return f"{said}; but a first hit takes the cautious edge of what is not known, set by {'; '.join(kinds)}."


def _unreachable(r: Result, short: pd.DataFrame) -> str:
    most = [f"about {at_most(r, k)} hp at {rpm:.0f}" for k, rpm in zip(short.index, short["rpm"], strict=True)]
    why = "; ".join(dict.fromkeys(OBSTACLES[name] for name in short["obstacle"]))
    return f"Not reachable at {_speeds(short)}, at the cautious edge: {why}. At most {_and(most)} rpm."


def at_most(r: Result, k: int) -> str:
    """Largest reachable shot at a speed of the table [hp], down to a full five."""
    return f"{5 * np.floor(r.most_hp[k] / 5):.0f}"


def _own_knock(r: Result) -> list[str]:
    over = r.timing.table[np.asarray(r.timing.limits.knock) >= 1.0]
    if over.empty:
        return []
    return [
        f"By the correlation this engine already knocks at {_speeds(over)} without nitrous: it has no margin to spend. The correlation is good for differences "
        "only; listen to the engine."
    ]


def assumes(r: Result) -> str:
    """What all of it rests on."""
    sheet = r.sheet
    spread, rise = sheet.nitrous.cylinder_spread_percent, sheet.limits.exhaust_rise_k
    bands = (WALL_HEAT_SHARE, DENSITY_EXPONENT, FLAME_RATIO, KNOCK_NITROUS, WORK_SHARE)
    return (
        f"Assumes: the worst cylinder gets {spread:g} % more nitrous than the mean on the same fuel; burned gas may open the exhaust up to {rise:g} K hotter than the "
        f"engine's own hottest (both on the build sheet); timing on the sheet is {sheet.engine.timing_is}. Bands run over "
        + "; ".join(f"{b.low:g} to {b.high:g}: {b.because}" for b in bands)
        + ". Bounds over these ranges, not standard deviations. No measurement of burn, knock or pressure with nitrous was found."
    )


def need_title(r: Result) -> str:
    """Finding of the retard picture."""
    good = r.timing.table[r.timing.table["reachable"]]
    if good.empty:
        return f"No timing keeps {r.inputs.shot_hp:g} hp within every limit, at any speed"
    first, last = good.iloc[0], good.iloc[-1]
    return (
        f"{r.inputs.shot_hp:g} hp is likely to need {degrees(first['retard_deg'])} degrees at {first['rpm']:.0f} rpm and {degrees(last['retard_deg'])} at "
        f"{last['rpm']:.0f}; nobody knows it well"
    )


def need_table(r: Result) -> str:
    """The table under it, as HTML."""
    head = (
        '<thead><tr><th scope="col">speed, rpm</th><th scope="col">known-good timing, deg before TDC</th><th scope="col">phasing asks, deg</th>'
        '<th scope="col">knock asks, deg</th><th scope="col">pressure asks, deg</th><th scope="col">first hit, deg less</th>'
        '<th scope="col">first hit, deg before TDC</th></tr></thead>'
    )
    body = ""
    for _, row in r.timing.table.iterrows():
        asked = [_asked(row, reason) for reason in ("phasing", "knock", "pressure")]
        last = (
            [degrees(row["first_hit_deg"]), degrees(row["timing_deg_btdc"] - row["first_hit_deg"])]
            if row["reachable"]
            else ["not reachable", "–"]
        )
        cells = [f"{row['rpm']:.0f}", degrees(row["timing_deg_btdc"]), *asked, *last]
        body += "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>"
    return f'<table class="nw-table">{head}<tbody>{body}</tbody></table>'


def _asked(row: pd.Series, reason: str) -> str:
    low, best, high = (row[f"{reason}_deg{end}"] for end in ("_low", "", "_high"))
    if np.isnan(best):
        return "not known"
    if best <= 0 and high <= 0:
        return "none"
    return _span(low, best, high) if np.isfinite(best) else "more than 28"


def need_text(_r: Result) -> list[str]:
    """Sentences under it."""
    return [
        "Three reasons to pull timing. Phasing: nitrous may burn faster, so the same spark would put the burn too early. Knock: more heat and pressure act on the charge that "
        "burns last. Pressure: what the parts were given to hold. A reason that asks for nothing would even allow advance; nobody takes it.",
        "The shaded band is what is not known: how much of the evaporation heat comes from walls, and how fast the flame runs on nitrous. It is not a tolerance. A first hit takes its high edge; "
        "timing is earned back step by step, by logs and plugs.",
    ]


def pressure_title(r: Result, system: str) -> str:
    """Finding of the pressure picture."""
    own, shot = r.view.own_row, r.view.shot_row
    return (
        f"At {r.inputs.rpm:.0f} rpm the peak goes from {pressure(own['P_max'] / 1e5, system)} to {pressure(shot['P_max'] / 1e5, system)}, "
        f"{shot['theta_P_max_deg']:.0f} degrees after TDC"
    )


def pressure_text(r: Result, system: str) -> list[str]:
    """Sentences under it."""
    own, shot, i = r.view.own_row, r.view.shot_row, r.inputs
    return [
        f"Spark {degrees(shot['timing_deg_btdc'])} degrees before TDC, {degrees(i.retard_deg)} less than known-good. 50 % burned falls {_after(shot['ca50_deg'])} "
        f"(without nitrous {_after(own['ca50_deg'])}), the peak {_after(shot['theta_P_max_deg'])} (without {_after(own['theta_P_max_deg'])}). Best torque has 50 % "
        "burned some 8 to 10 degrees after TDC and the peak at some 14 to 16 (Heywood).",
        f"The thin line is your limit, {pressure(r.timing.limits.P_max / 1e5, system)}, which has to hold for the worst cylinder; drawn is the mean one. The cycle put the peaks of a measured engine "
        f"{100 * (PEAK_SHARE.high - 1):.0f} % too low at worst; against the engine's own peak that cancels.",
    ]


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
        "slows it. Flame speeds are computed for propane in place of gasoline; move the flame speed to see what 20 % either way does.",
    ]


def heat_title(r: Result, system: str) -> str:
    """Finding of the end-gas picture."""
    own, shot = r.view.own_row, r.view.shot_row
    return f"The last of the charge gets up to {flame(shot['T_end_max'], system)}, {flame(own['T_end_max'], system)} without nitrous"


def heat_text(r: Result, system: str) -> list[str]:
    """Sentences under it."""
    own, shot = r.view.own_row, r.view.shot_row
    hotter = shot["T_burned_evo"] - own["T_burned_evo"]
    return [
        "Cold nitrous cools the charge, the higher pressure of its burn heats what is left: which wins depends on how much of the evaporation heat comes from the walls. Move it.",
        f"Burned gas opens the exhaust at about {flame(shot['T_burned_evo'], system)}, {coarse(abs(hotter), system)} {'hotter' if hotter >= 0 else 'cooler'} than without: later timing "
        "leaves more heat in it. It is the gas as the valve opens, not what a probe in the manifold shows.",
    ]


def knock_title(r: Result) -> str:
    """Finding of the knock picture."""
    share = 100 * r.view.shot_row["knock_integral"] / r.view.own_row["knock_integral"]
    return f"The knock integral ends at {share:.0f} % of what this engine lives with at this speed"


def knock_text(r: Result) -> list[str]:
    """Sentences under it."""
    return [
        "It adds up how much of the time to self-ignition the last of the charge has used; at 1 it would ignite by itself. The correlation is from 1978, blind to lambda and to nitrous itself, and "
        "serves to compare an engine with itself, never as a promise.",
        f"Octane counts as RON ({r.sheet.octane_ron:g} here; a pump label in AKI is taken as RON minus 4.5, from memory). Hot spots ignite without knocking first: neither retard nor octane cures them.",
    ]


def power_title(r: Result, system: str) -> str:
    """Finding of the power picture."""
    good = r.timing.table[r.timing.table["reachable"]]
    if good.empty:
        return "There is no power to show: no speed is reachable"
    row = _row(good, r.sheet.engine.peak_power_rpm)
    to = shown("hp", system)
    gain = banded(*(to.there(row[f"power_gain_hp{end}"]) for end in ("_low", "", "_high")))
    return (
        f"On a first hit's timing the {r.inputs.shot_hp:g} hp shot adds about {gain} {to.unit} at {row['rpm']:.0f} rpm"
    )


def power_text(r: Result, system: str) -> list[str]:
    """Sentences under it."""
    good, to = r.timing.table[r.timing.table["reachable"]], shown("hp", system)
    if good.empty:
        return []
    first, last = good.iloc[0], good.iloc[-1]
    gains = [rounded(to.there(row["power_gain_hp"]), 10.0) for row in (first, last)]
    stated = r.sheet.engine.peak_power_hp
    own = float(r.firing.table["brake_W"].max()) * r.firing.setup.cylinders / 745.7
    out = [
        f"A shot is named by what it adds at the speed of peak power with the burn where it belongs. The nitrous flows at the same rate at every speed, so the gain in power hardly changes: about {gains[0]} {to.unit} at "
        f"{first['rpm']:.0f} rpm and {gains[1]} at {last['rpm']:.0f}; the gain in torque is largest at low speed. Retard beyond the likely need costs the rest.",
    ]
    if stated is not None:
        out.append(
            f"Without nitrous the cycle gives {rounded(to.there(own), 10.0)} {to.unit} at its best, the sheet says {rounded(to.there(stated))}. Gas exchange is left out of the cycle."
        )
    return out


def margin_title(r: Result, system: str) -> str:
    """Finding of the margin picture."""
    best = max(r.changes, key=lambda c: c.degrees)
    return (
        f"At {r.inputs.rpm:.0f} rpm {change(best.name, best.amount, system)} buys about {degrees(best.degrees)} degrees"
    )


def change(name: str, amount: float, system: str) -> str:
    """Name a change of `knock_changes` with its size."""
    if name == "octane":
        return f"{abs(amount):g} RON {'more' if amount > 0 else 'less'}"
    if name == "lambda":
        return f"lambda {abs(amount):.2f} {'leaner' if amount > 0 else 'richer'}"
    to = shown("K difference", system)
    return f"a charge {to.there(abs(amount)):.0f} {to.unit} {'warmer' if amount > 0 else 'cooler'}"


def margin_text(_r: Result) -> list[str]:
    """Sentences under it."""
    return [
        "Degrees of timing that a change saves (right) or costs (left) at an unchanged knock integral, for the mean cylinder at the speed and retard chosen. The charge's temperature is changed at an unchanged amount of it.",
        "Lambda acts here through temperature, pressure and burn rate alone, for the correlation does not know it; what richness does to knock otherwise is not in this bar.",
    ]


def plug_title(r: Result) -> str:
    """Finding of the plug picture."""
    p = r.plug
    return f"The coil has to give {100 * (p.voltage_kV / p.voltage_own_kV - 1):.0f} % more than without nitrous, and the plug's tip takes up more heat"


def plug_text(r: Result) -> list[str]:
    """Sentences under it."""
    p, gap = r.plug, r.sheet.engine.plug_gap_mm
    near = (
        f"a gap of {p.gap_same_mm:.2f} mm would ask for no more than before"
        if p.gap_same_mm >= 0.3
        else "no gap that still lights the charge brings it back"
    )
    return [
        f"The denser the gas at the spark, the more voltage breaks the gap down: about {p.voltage_own_kV:.0f} kV without and {p.voltage_kV:.0f} kV with nitrous at {gap:g} mm; {near}. Later timing "
        "sparks into denser gas and asks for more. A blow-out reads lean on the gauge (unburned oxygen): rule it out before you add fuel. How nitrous itself resists breakdown is not counted.",
        f"Heat to the walls is {p.heat_cycle:.1f} times the engine's own in each cycle at this speed, and {p.heat_own_max:.1f} times its highest in each second; the tip shares in it. That is why the trade fits plugs {PLUG_RANGES}: a tip that glows "
        "lights the charge before the spark, and no retard helps then. Too cold a plug fouls instead. Read the plugs after each step; the maker's list decides.",
    ]


def curve_name(r: Result) -> str:
    """Name of what the power picture plots."""
    return "power at the crank" if r.inputs.curve == POWER else "torque at the crank"
