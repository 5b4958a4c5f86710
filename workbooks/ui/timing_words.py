"""What the timing page says: findings and explanations, every number in them computed."""

from __future__ import annotations

from html import escape

import numpy as np
import pandas as pd

from kernel_lib.band import (
    DENSITY_EXPONENT,
    FLAME_RATIO,
    KNOCK_NITROUS,
    WALL_HEAT_SHARE,
    WORK_SHARE,
)
from kernel_lib.plan.judgement import OBSTACLES, own_knock
from kernel_lib.text import banded, listed, rounded
from kernel_lib.units import hp_from_w, w_from_hp

from .display import shown
from .timing_model import POWER, Result, half_up

REASONS = {"phasing": "phasing", "knock": "knock", "pressure": "your pressure limit", "rule": "the trade's rule"}
"""What sets a first hit, in the reader's words."""


def degrees(value: float) -> str:
    """Write an angle to the half degree that a controller takes."""
    return "–" if not np.isfinite(value) else f"{round(2 * value) / 2:g}"


def first_hit(row: pd.Series) -> tuple[str, str]:
    """Retard of a first hit, up to the half degree, and the timing that is left [deg before TDC]."""
    retard = half_up(row["first_hit_deg"])
    return f"{retard:g}", degrees(np.floor(2 * (row["timing_deg_btdc"] - retard)) / 2)


def pressure(bar: float, system: str) -> str:
    """Write a cylinder pressure: two figures of what the model knows."""
    to = shown("bar", system)
    return f"{rounded(to.there(bar), to.there(3.0)).replace(' ', '')} {to.unit}"


def _span(low: float, best: float, high: float) -> str:
    """Write ``best (low to high)`` in half degrees, without a sign where no retard is asked."""
    ends = [max(v, 0.0) for v in (low, best, high)]
    if not np.isfinite(low + best):
        return degrees(ends[1])
    tail = "not known" if np.isnan(high) else f"{half_up(ends[2]):g}" if np.isfinite(high) else "more than 28"
    return f"{degrees(ends[1])} ({degrees(ends[0])} to {tail})"


def row_at(table: pd.DataFrame, rpm: float) -> pd.Series:
    """Row next to a speed."""
    return table.iloc[(table["rpm"] - rpm).abs().argmin()]


def _speeds(rows: pd.DataFrame) -> str:
    return listed([f"{rpm:.0f}" for rpm in rows["rpm"]]) + " rpm"


def answer(r: Result) -> list[str]:
    """The page's answer, a sentence or two a line."""
    table, shot = r.timing.table, r.inputs.shot_hp
    good, short = table[table["reachable"]], table[~table["reachable"]]
    out = []
    if len(good):
        peak = int((good["rpm"] - r.sheet.engine.peak_power_rpm).abs().argmin())
        rows = good.iloc[sorted({0, peak, len(good) - 1})]
        told = "; ".join(
            f"at {row['rpm']:.0f} rpm {first_hit(row)[0]} degrees less than without nitrous, {first_hit(row)[1]} before TDC "
            f"[likely need {_span(row['retard_deg_low'], row['retard_deg'], row['retard_deg_high'])}]"
            for _, row in rows.iterrows()
        )
        out.append(
            f"First hit with {shot:g} hp: {told}. The trade's rule, 2 degrees per 50 hp (common practice, no source), says {table['rule_deg'].iloc[0]:.3g} at every speed."
        )
        row = good.iloc[peak]
        gain = banded(*ends_of(row, "power_gain_hp"))
        out.append(
            f"{_verdict_on_rule(good)} At that timing the {shot:g} hp shot gives about {gain} hp at {row['rpm']:.0f} rpm."
        )
    if len(short):
        out.append(_unreachable(r, short))
    return [*out, *own_knock(r.timing)]


def _verdict_on_rule(good: pd.DataFrame) -> str:
    """Say where the rule is short of the likely need, where it is more, and which reason sets the first hit."""
    rule, need = good["rule_deg"].iloc[0], good["retard_deg"]
    short, more = good[need > rule + 0.5], good[need < rule - 0.5]
    meets = good[(need - rule).abs() <= 0.5]
    parts = [
        *([f"short of the likely need at {_speeds(short)}"] if len(short) else []),
        *([f"within half a degree of the likely need at {_speeds(meets)}"] if len(meets) else []),
        *([f"more than is likely needed at {_speeds(more)}"] if len(more) else []),
    ]
    kinds = [f"{REASONS[kind]} at {_speeds(rows)}" for kind, rows in good.groupby("governs", sort=False)]
    return f"The rule is {listed(parts)}. A first hit takes the cautious edge of what is not known; it is set by {listed(kinds)}."


def _unreachable(r: Result, short: pd.DataFrame) -> str:
    most = [f"about {at_most(r, k)} hp at {rpm:.0f}" for k, rpm in zip(short.index, short["rpm"], strict=True)]
    why = "; ".join(dict.fromkeys(OBSTACLES[name] for name in short["obstacle"]))
    return f"Not reachable at {_speeds(short)}, at the cautious edge: {why}. At most {listed(most)} rpm."


def at_most(r: Result, k: int) -> str:
    """Largest reachable shot at a speed of the table [hp], down to a full five."""
    return f"{5 * np.floor(r.most_hp[k] / 5):.0f}"


def assumes(r: Result, system: str) -> str:
    """What all of it rests on."""
    sheet, to = r.sheet, shown("K difference", system)
    spread, rise = sheet.nitrous.cylinder_spread_percent, to.there(sheet.limits.exhaust_rise_k)
    bands = {
        "wall-heat share": WALL_HEAT_SHARE,
        "density exponent": DENSITY_EXPONENT,
        "flame speed": FLAME_RATIO,
        "knock": KNOCK_NITROUS,
        "work": WORK_SHARE,
    }
    told = [
        f"the worst cylinder gets {spread:g} % more nitrous than the mean on the same fuel; at exhaust opening burned gas may be up to {rise:.0f} {to.unit} hotter than the engine's own hottest (both on the build sheet)",
        f"the known-good timing is {sheet.engine.timing_is}; the shot is what the slider says, not what the fitted nozzle passes (see the bottle page)",
        *(f"{name}: {b.low:g} to {b.high:g}; {b.because}" for name, b in bands.items()),
        "bounds over these ranges, not standard deviations; no measurement of burn, knock or pressure with nitrous was found",
    ]
    return "Assumes<ul>" + "".join(f"<li>{escape(text)}</li>" for text in told) + "</ul>"


def need_title(r: Result) -> str:
    """Finding of the retard picture."""
    good = r.timing.table[r.timing.table["reachable"]]
    if good.empty:
        return f"No timing keeps {r.inputs.shot_hp:g} hp within every limit, at any speed"
    first, last = good.iloc[0], good.iloc[-1]
    more = f" and {degrees(last['retard_deg'])} at {last['rpm']:.0f}" if len(good) > 1 else ", the only speed reachable"
    return f"{r.inputs.shot_hp:g} hp is likely to need {degrees(first['retard_deg'])} degrees at {first['rpm']:.0f} rpm{more}; nobody knows it well"


def need_table(r: Result) -> str:
    """The table under it, as HTML."""
    names = (
        "speed, rpm",
        "phasing asks",
        "knock asks",
        "pressure asks",
        "likely need",
        "first hit, less",
        "set by",
        "known-good, BTDC",
        "first hit, BTDC",
    )
    head = "<thead><tr>" + "".join(f'<th scope="col">{name}</th>' for name in names) + "</tr></thead>"
    body = ""
    for k, row in r.timing.table.iterrows():
        asked = [_asked(row, reason) for reason in ("phasing", "knock", "pressure")]
        if row["reachable"]:
            less, left = first_hit(row)
            tail = [
                _short(_span(*ends_of(row, "retard_deg"))),
                less,
                row["governs"],
                degrees(row["timing_deg_btdc"]),
                left,
            ]
        else:
            tail = ["–", "not reachable", f"at most {at_most(r, k)} hp", degrees(row["timing_deg_btdc"]), "–"]
        body += "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in [f"{row['rpm']:.0f}", *asked, *tail]) + "</tr>"
    return f'<table class="nw-table">{head}<tbody>{body}</tbody></table><p class="nw-hint">Degrees of crank; likely (low to high). BTDC: before top dead centre.</p>'


def _short(span: str) -> str:
    """Write a span for a narrow cell."""
    return span.replace(" to ", "–").replace("more than 28", ">28")


def _asked(row: pd.Series, reason: str) -> str:
    low, best, high = (row[f"{reason}_deg{end}"] for end in ("_low", "", "_high"))
    if np.isnan(best):
        return "not known"
    if best <= 0 and high <= 0:
        return "none"
    return _short(_span(low, best, high)) if np.isfinite(best) else "more than 28"


def need_text(r: Result) -> list[str]:
    """Sentences under it."""
    return [
        "Three reasons to pull timing. Phasing: nitrous may burn faster, so the same spark would put the burn too early. Knock: more heat and pressure act on the charge that "
        "burns last. Pressure: what the parts were given to hold. A reason that asks for nothing would even allow advance; nobody takes it.",
        "Knock may ask for less with more nitrous: the cold it brings can outweigh the heat of its burn. Its high edge is the case in which all that cold comes from the walls.",
        "The shaded band is what is not known: how much of the evaporation heat comes from walls, and how fast the flame runs on nitrous. It is not a tolerance. A first hit takes its high edge; "
        "timing is earned back step by step, by logs and plugs. "
        + (
            "The sheet lets it be less than the rule."
            if r.sheet.limits.retard_below_rule
            else "It is never less than the rule, unless the build sheet says so or the exhaust would get too hot."
        ),
    ]


def ends_of(row: pd.Series, name: str) -> tuple[float, float, float]:
    """Low, likely and high of a column."""
    return tuple(float(row[f"{name}{end}"]) for end in ("_low", "", "_high"))


def power_title(r: Result, system: str) -> str:
    """Finding of the power picture."""
    good = r.timing.table[r.timing.table["reachable"]]
    if good.empty:
        return "There is no power to show: no speed is reachable"
    row = row_at(good, r.sheet.engine.peak_power_rpm)
    gain = f"{banded(*ends_of(row, 'power_gain_hp'))} hp"
    if r.inputs.curve != POWER:
        to, speed = shown("N m", system), row["rpm"] * 2 * np.pi / 60
        gain = f"{banded(*(to.there(w_from_hp(v) / speed) for v in ends_of(row, 'power_gain_hp')))} {to.unit}"
    return f"On a first hit's timing the {r.inputs.shot_hp:g} hp shot adds about {gain} at {row['rpm']:.0f} rpm"


def power_text(r: Result, system: str) -> list[str]:
    """Sentences under it."""
    good, to = r.timing.table[r.timing.table["reachable"]], shown("hp", system)
    if good.empty:
        return []
    rows = good.iloc[sorted({0, len(good) - 1})]
    gains = listed(
        [f"{banded(*ends_of(row, 'power_gain_hp'))} hp at {row['rpm']:.0f} rpm" for _, row in rows.iterrows()]
    )
    stated, own = (
        r.sheet.engine.peak_power_hp,
        hp_from_w(float(r.firing.table["brake_W"].max()) * r.firing.setup.cylinders),
    )
    out = [
        f"A shot is named by what it adds at the speed of peak power with the burn where it belongs; the retard of a first hit costs some of it. Here it adds {gains}. Nitrous flows at the same rate at every speed, so in torque "
        "it adds most at low speed.",
    ]
    if stated is not None:
        both = [rounded(to.there(v), to.there(5.0)) for v in (own, stated)]
        out.append(
            f"Without nitrous the cycle gives {both[0]} {to.unit} at its best, the sheet says {both[1]}. Gas exchange is left out of the cycle."
        )
    return out


def margin_title(r: Result, system: str) -> str:
    """Finding of the margin picture."""
    best = max((c for c in r.changes if c.name != "lambda" and np.isfinite(c.degrees)), key=lambda c: c.degrees)
    return (
        f"At {r.inputs.rpm:.0f} rpm {change(best.name, best.amount, system)} buys about {degrees(best.degrees)} degrees"
    )


def change(name: str, amount: float, system: str) -> str:
    """Name a change of `knock_changes` with its size."""
    if name == "octane":
        return f"{abs(amount):g} RON {'more' if amount > 0 else 'less'}"
    if name == "lambda":
        return (
            f"lambda {abs(amount):.2f} leaner: no reason to lean" if amount > 0 else f"lambda {abs(amount):.2f} richer"
        )
    to = shown("K difference", system)
    return f"a charge {to.there(abs(amount)):.0f} {to.unit} {'warmer' if amount > 0 else 'cooler'}"


def margin_text(_r: Result) -> list[str]:
    """Sentences under it."""
    return [
        "Degrees of timing that a change saves (right) or costs (left) at an unchanged knock integral, for the mean cylinder at the speed and retard chosen. The charge's temperature is changed at an unchanged amount of it. The sheet's timing is taken as good on the sheet's fuel: another octane on the sheet alone does not move the answer on top.",
        "Lambda acts here through temperature, pressure and burn rate alone, for the correlation does not know it; what richness does to knock otherwise is not in these bars. A bar that favours lean is no reason to lean: lean burned gas is hotter at the valve and leaves free oxygen.",
    ]


def curve_name(r: Result) -> str:
    """Name of what the power picture plots."""
    return "power at the crank" if r.inputs.curve == POWER else "torque at the crank"
