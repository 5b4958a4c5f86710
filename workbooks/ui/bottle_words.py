"""What the bottle page says: findings, answers and warnings, every number in them computed."""

from __future__ import annotations

import numpy as np

from kernel_lib import units
from kernel_lib.band import BOTTLE_TEMPERATURE, Band
from kernel_lib.plan.bottle_day import SLENDERNESS, T_SUN
from kernel_lib.plan.fuel import TOO_LEAN_LAMBDA
from kernel_lib.plan.supply import line_share
from kernel_lib.text import banded
from kernel_lib.thermo.fluid import P_CRITICAL, T_CRITICAL
from kernel_lib.thermo.vessel import ABOVE_CRITICAL, LIQUID_FULL, VAPOUR_ONLY

from . import display
from .bottle_curves import PUSH, GaugeCurves, step
from .bottle_model import KNOWN, PASSES, Result, steepness

MODEL_NAMES = {
    "HEM": "boiling in equilibrium, choked (HEM)",
    "NHNE": "between the two (NHNE)",
    "SPI": "no boiling at all (SPI)",
}


def kpa(pascal: float, system: str) -> str:
    """Write a gauge pressure."""
    return display.quantity(pascal / 1e3, "kPa gauge", system, 0)


def step_size(system: str) -> str:
    """Write the step by which the two ways to raise the gauge are compared."""
    return "200 psi" if system == display.US else f"{PUSH / 1e3:.0f} kPa"


def mass(kg: float, system: str, digits: int = 2) -> str:
    """Write a mass of nitrous."""
    return display.quantity(kg, "kg", system, digits)


def flow(band: Band, system: str) -> str:
    """Write a flow with its band."""
    to = display.shown("g/s", system)
    return f"{banded(*(to.there(1e3 * v) for v in (band.low, band.best, band.high)))} {to.unit}"


def _plain_flow(kg_s: float, system: str) -> str:
    to = display.shown("g/s", system)
    return f"{to.there(1e3 * kg_s):.2g} {to.unit}"


def answer(r: Result, system: str) -> list[str]:
    """The page's answer."""
    if r.overfilled:
        return [_bottle(r, system)]
    return [_bottle(r, system), *([_nozzle(r, system), _day(r, system)] if r.flow else [_no_liquid(r, system)])]


def _bottle(r: Result, system: str) -> str:
    s, T = r.state, display.temperature(r.state.T, system)
    inside = {
        ABOVE_CRITICAL: "above the critical point: a dense gas, no liquid",
        LIQUID_FULL: "liquid-full, no vapour left",
        VAPOUR_ONLY: "vapour only",
    }.get(
        s.regime,
        f"{mass(s.liquid_mass, system)} liquid under {_little(s.vapour_mass, system).removeprefix('about ')} of vapour",
    )
    first = f"At {T} this bottle with {mass(s.mass, system)} of nitrous stands at {kpa(r.gauge, system)}: {inside}."
    low, high = r.fill_range
    if r.inputs.known == KNOWN[2]:
        if high > 1.001 * low:
            return (
                f"{first} Thermometer and gauge lie on the boiling line as well as they can be read, where the gauge shows the same for anything from "
                f"{mass(low, system)} to {mass(high, system)}: it does not tell the weight, a scale does."
            )
        return f"{first} Off the boiling line temperature and gauge together fix the weight, if both are right."
    if s.regime == LIQUID_FULL or (s.regime == ABOVE_CRITICAL and r.dry_T is None) or r.per_percent > 1e5:
        more = (
            "more than the equation of state holds"
            if np.isinf(r.per_percent)
            else display.quantity(r.per_percent / 1e3, "kPa lost", system, 0)
        )
        return f"{first} So full, the gauge is ambiguous: a bottle 1 % heavier would show {more} more at the same temperature."
    return first


def _nozzle(r: Result, system: str) -> str:
    k = 0  # where the dose is biggest
    low, best, high = (float(line[k]) for line in r.drift)
    drift = f"With the fuel set for {_plain_flow(r.planned, system)}, lambda at {r.rpm[k]:.0f} rpm would be {best:.2f} ({min(low, high):.2f} to {max(low, high):.2f})."
    known = "" if r.weighed else " Nobody has weighed this nozzle in: the band is what models leave open."
    if not r.bore_given:
        known = " The sheet gives no nozzle: this is a bore to try, chosen for the wanted horsepower. The band is what models leave open."
    return (
        f"The {display.bore(r.inputs.bore_mm, system)} nozzle{_times(r)} passes about {flow(r.flow, system)}, which is worth about "
        f"{banded(r.power.low, r.power.best, r.power.high)} hp on this engine; {r.sheet.nitrous.shot_hp:g} hp are wanted.{known} {drift}"
    )


def _times(r: Result) -> str:
    return "" if r.sheet.nitrous.nozzles == 1 else f" (each of {r.sheet.nitrous.nozzles})"


def _day(r: Result, system: str) -> str:
    nitrous = r.sheet.nitrous
    tare = r.sheet.value("nitrous.bottle_empty_kg")
    scale = (
        f", {mass(r.refill + tare, system, 1)} on the scale with the bottle"
        if r.sheet.is_given("nitrous.bottle_empty_kg")
        else ""
    )
    hold = f"Hold about {display.temperature(r.hold_T, system)}. " if r.hold_T else ""
    if r.gauge > 1e3 * nitrous.window_high_kpa:
        usable = "Above its window no pass is counted: let it cool first."
    elif r.usable == 0:
        low = kpa(1e3 * nitrous.window_low_kpa, system)
        usable = f"As it stands, the first pass of {r.inputs.pass_s:g} s {_first_end(r, system)}; the window begins at {low}."
    else:
        more = " or more" if r.usable == PASSES else ""
        heat = "with this heater" if r.inputs.heater_w else "without a heater"
        usable = f"As it stands it is good for {'about ' if not more else ''}{r.usable}{more} passes of {r.inputs.pass_s:g} s, {r.inputs.wait_min:g} min apart, {heat}, before the pressure leaves the window."
    if r.held is not None:
        count, end = r.held
        many = f"{count}{' or more' if count == PASSES else ''} pass{'' if count == 1 else 'es'}"
        usable += f" Held there first, and no heater between passes: {many if count else f'even then the first ends at {_about(end, system)}'}."
    return f"{hold}{usable} {_lasts(r)}Refill when less than about {mass(r.refill, system, 1)} of nitrous is left{scale}: below, a pass ends in vapour."


def _lasts(r: Result) -> str:
    """How many passes its liquid lasts, whatever the pressure."""
    if r.day is None:
        return ""
    count = int((r.day.table["ended"] == "time").sum())
    return f"Its liquid lasts for {f'{count} or more' if count == PASSES else f'about {count}'} passes. "


def _first_end(r: Result, system: str) -> str:
    if r.day is None:
        return "finds no liquid within the pick-up's reach"
    first = r.day.table.iloc[0]
    if first["ended"] != "time":
        return f"runs out of liquid after {first['seconds']:.1f} s"
    return f"ends at {_about(r.ends, system)}" if r.ends else f"ends at {kpa(1e3 * first['end_P_kPa'], system)}"


def _about(ends: tuple[float, float, float], system: str) -> str:
    """Write a gauge pressure with its band."""
    to = display.shown("kPa gauge", system)
    low, best, high = (f"{to.there(v / 1e3):.0f}" for v in ends)
    return f"about {best} {to.unit}" + (f" ({low} to {high})" if low != high else "")


def _no_liquid(r: Result, system: str) -> str:
    if r.state.regime == VAPOUR_ONLY:
        return "There is no liquid to draw: for this purpose the bottle is empty. No flow, no pass and no power are computed."
    if r.state.regime == ABOVE_CRITICAL:
        edge = display.temperature(T_CRITICAL, system)
        return (
            f"Above {edge} there is no liquid at any pressure: what leaves is a dense gas whose flow follows every degree. No flow, no pass and no power "
            "are computed. Do not spray; let the bottle cool in the shade, and keep away from its relief."
        )
    return "Too near the critical point to compute a flow: let the bottle cool."


def warnings(r: Result, system: str) -> list[str]:
    """What must be said before anything else."""
    out, nitrous = [], r.sheet.nitrous
    rated = nitrous.bottle_rated_fill_kg
    sun = display.temperature(T_SUN, system)
    at_sun = (
        f"about {kpa(r.sun_P - r.barometer, system)}"
        if r.sun_P
        else f"more than {kpa(5e7, system)}, beyond what the equation of state holds"
    )
    if r.overfilled:
        full = "" if r.full_T is None else f" It turns liquid-full at {display.temperature(r.full_T, system)}."
        out.append(
            f"Overfilled: {mass(r.state.mass, system)} in a bottle rated for {mass(rated, system)}. In the sun, at {sun}, it would reach {at_sun}.{full} Do not use, "
            "heat or drive it: have a licensed filler bring it to its rated weight."
        )
    elif r.state.T < T_CRITICAL - 0.5 and r.gauge > 1e3 * nitrous.window_high_kpa:
        out.append(
            f"Above the window: let it cool before a pass. In the sun, at {sun}, this bottle would stand at {at_sun}."
        )
    if r.state.T >= T_CRITICAL - 0.5 and r.dry_T is None:
        out.append(
            f"At or above the critical point ({display.temperature(T_CRITICAL, system)}, {kpa(P_CRITICAL - r.barometer, system)}) gauge and temperature run away together: at {sun} this bottle would "
            f"stand at {at_sun}. Never heat a bottle with a flame, never defeat its relief device."
        )
    return out


def saturation_title(r: Result, system: str) -> str:
    """The saturation picture's finding."""
    if r.dry_T is not None:
        dry = display.temperature(r.dry_T, system)
        return f"The gauge is a thermometer up to {dry}; there the last of this bottle's liquid has boiled away"
    if r.full_T is None:
        return f"The gauge tells this bottle's temperature up to {display.temperature(T_CRITICAL, system)}"
    return f"From {display.temperature(r.full_T, system)} on this bottle has no room left for vapour, and the gauge climbs {steepness(r):.1f} times as fast"


def saturation_text(r: Result, system: str) -> list[str]:
    """Sentences under the saturation picture."""
    nitrous = r.sheet.nitrous
    low, high = (kpa(1e3 * v, system) for v in (nitrous.window_low_kpa, nitrous.window_high_kpa))
    out = [
        "Where liquid and vapour stand side by side the gauge is a thermometer and nothing else: it says nothing about how much liquid is left.",
        f"The window, {low.removesuffix(' gauge')} to {high}, is the shop's. It stays, whatever the flow does: pressure is what keeps vapour out of the pick-up and the line, makes one "
        "pass like the next, and must not pass what the valve opens against.",
    ]
    if r.full_T is not None:
        out.append(
            f"Liquid swells: filled to {mass(r.state.mass, system)}, this bottle has no vapour left from {display.temperature(r.full_T, system)} on. Its first few grams "
            "then take the pressure down to the curve at once."
        )
    return out


def gauge_title(curves: GaugeCurves, system: str) -> str:
    """The gauge picture's finding."""
    (cold, warm), steps = step(curves)
    by_heat, by_gas = steps["HEM"]
    ends = f"{display.temperature(cold, system)} to {display.temperature(warm, system)}"
    return f"{step_size(system)} from warming ({ends}) moves the flow by {by_heat:+.0f} %, the same from a push of gas by {by_gas:+.0f} %"


def gauge_text(curves: GaugeCurves) -> list[str]:
    """Sentences under the gauge picture."""
    steps = step(curves)[1]
    others = "; ".join(f"{m} {steps[m][0]:+.0f} and {steps[m][1]:+.0f} %" for m in ("NHNE", "SPI"))
    return [
        "One gauge, two meanings. Warming raises the pressure and makes the liquid lighter: more push on less mass, and near the window the two nearly cancel; from a cold bottle up the first still wins. A gas pushed in on top raises "
        "the pressure on liquid that stays as heavy and boils later: all of it counts.",
        f"This is a model result for saturated liquid at the nozzle, not a measurement ({MODEL_NAMES['HEM']}; {others}). The trade's square root of pressure "
        "(orange) is right only at unchanged density.",
        "Test it on your own nozzle: two weigh-ins at bottle temperatures some 10 °C (18 °F) apart, below. And it is no licence to leave the window.",
    ]


def spread_rows(r: Result, system: str) -> list[tuple[str, str, str]]:
    """The models side by side: name, flow, share of the likely flow."""
    out = []
    for model, name in MODEL_NAMES.items():
        low, best, high = r.flows[model]
        out.append((name, flow(Band(low, best, high, ""), system), f"{100 * best / r.flow.best:.0f} %"))
    return out


def spread_note(r: Result) -> str:
    """What the spread between the models means."""
    if r.weighed:
        return "Weighed in: all models agree at that temperature, and differ only in what another temperature does."
    return (
        "Not weighed in: the same bore by three models. Measured flows of nitrous through small holes lie near the first, with coefficients of 0.7 to 0.8; the last, "
        "which knows no boiling, is more than twice what was measured. The band above runs from the first to the second."
    )


def no_flow(r: Result) -> str:
    """Why nothing flows on this page."""
    if r.overfilled:
        return "an overfilled bottle is not to be used"
    if r.state.regime == ABOVE_CRITICAL:
        return "above the critical point there is no liquid"
    return "the bottle holds vapour only" if r.state.regime == VAPOUR_ONLY else "too near the critical point"


def drift_title(r: Result, scale: float) -> str:
    """The finding of the mixture picture."""
    low, best, high = (scale * float(line[0]) for line in r.drift)
    ends = f"{min(low, high):.1f} to {max(low, high):.1f}"
    if abs(r.flow.best / r.planned - 1) < 0.005:
        return f"This is the flow the fuel is set for; what is unknown of it leaves gauge AFR at {r.rpm[0]:.0f} rpm between {ends.replace(' to ', ' and ')}"
    side = "leaner" if best > scale * float(r.drift[1][-1]) or r.flow.best > r.planned else "richer"
    return f"With nothing else changed this flow makes {r.rpm[0]:.0f} rpm {side}: gauge {best:.1f} ({ends})"


def drift_text(r: Result, scale: float, system: str) -> list[str]:
    """Sentences under the mixture picture."""
    share = 100 * (r.flow.best / r.planned - 1)
    planned = _plain_flow(r.planned, system)
    lean = max(float(np.max(line)) for line in r.drift)
    given = "as much" if abs(share) < 0.5 else f"{share:+.0f} %"
    out = [
        f"The fuel is set for {planned}; this bottle and nozzle give {given}. More nitrous on the same fuel is leaner, less is richer, and both most where the "
        "dose is biggest, at low speed."
    ]
    if lean >= TOO_LEAN_LAMBDA:
        out.append(
            f"Within what is unknown the mixture may reach gauge {lean * scale:.1f}, past the trade's too-lean mark of {TOO_LEAN_LAMBDA * scale:.1f} (common practice, no "
            "source): weigh the nozzle in before the first hit, or begin smaller and richer."
        )
    return out


def day_title(r: Result, system: str) -> str:
    """The passes' finding."""
    if r.flow is None:
        return f"No pass: {no_flow(r)}"
    if r.day is None:
        return "No pass: the liquid lies out of the pick-up's reach"
    first = r.day.table.iloc[0]
    fall = display.quantity(first["start_P_kPa"] - first["end_P_kPa"], "kPa lost", system, 0)
    lost = 100 * (1 - first["end_flow_kg_s"] / first["start_flow_kg_s"])
    return f"A pass of {first['seconds']:.3g} s takes {fall} off the gauge and {lost:.0f} % off the flow"


def day_text(r: Result, system: str) -> list[str]:
    """Sentences under the passes."""
    if r.day is None:
        return []
    rows = r.day.table
    back = rows["back_min"].iloc[0]
    hold = kpa(500.0 * (r.sheet.nitrous.window_low_kpa + r.sheet.nitrous.window_high_kpa), system)
    if r.inputs.heater_w:
        wait = (
            f"With {r.inputs.heater_w:g} W the bottle is back at {hold} {back:.0f} min after the first pass: that long in the lanes."
            if np.isfinite(back)
            else f"With {r.inputs.heater_w:g} W the bottle is not back at {hold} within {r.inputs.wait_min:g} min: wait longer, or heat more."
        )
    else:
        wait = "Without a heater the metal and the air give some of it back while the car waits."
    ended = rows["ended"].iloc[-1] == "run-out"
    tail = (
        f"In pass {int(rows['pass'].iloc[-1])} the liquid runs out after {rows['seconds'].iloc[-1]:.1f} s."
        if ended
        else f"After {len(rows)} passes {mass(rows['end_kg'].iloc[-1], system)} are left."
    )
    return [
        "Drawing liquid makes room, the rest boils into it and cools itself; the metal of the bottle gives heat back.",
        f"{wait} {tail}",
        "Real bottles fall somewhat faster: the liquid drawn lies at the bottom, which is colder than the mean.",
    ]


def first_title(r: Result) -> str:
    """The first instant's finding."""
    if r.sheet.nitrous.purge:
        return f"Purged, the nozzle still waits up to {1e3 * r.first.fill_s:.0f} ms for liquid, and the mixture is rich meanwhile"
    return f"Not purged, the line gives vapour for about {r.first.vapour_s:.1f} s: {100 * r.first.vapour_flow / r.flow.best:.0f} % of the flow, and a rich mixture"


def _little(kg: float, system: str) -> str:
    return f"less than {mass(0.01, system)}" if kg < 0.01 else f"about {mass(kg, system)}"


def first_text(r: Result, system: str) -> list[str]:
    """Sentences under the first instant."""
    f, k = r.first, 0
    rpm = f.rpm[k]
    out = [
        f"Fuel is set for liquid. Until liquid has filled the {r.sheet.value('nitrous.valve_to_nozzle_ml'):.2g} mL between valve and nozzle, at most {1e3 * f.fill_s:.0f} ms, the engine "
        f"has the fuel of the shot and no nitrous: lambda {f.lambda_none[k]:.2f} at {rpm:.0f} rpm, which may misfire, and a misfire reads lean.",
        f"An unpurged line that is warmer than the bottle is full of vapour; it passes about {100 * f.vapour_flow / r.flow.best:.0f} % of the liquid's flow: lambda {f.lambda_vapour[k]:.2f} at {rpm:.0f} rpm, "
        f"{f.lambda_vapour[-1]:.2f} at {f.rpm[-1]:.0f}. The sheet says: {'purged' if r.sheet.nitrous.purge else 'no purge'}.",
        "The same vapour comes when the pick-up uncovers, at the end of the bottle or in a corner: rich, and then leaner with a jump when liquid returns. Do not lean the "
        "fuel to mend it, and let no closed loop do so.",
    ]
    end = "rear" if r.sheet.nitrous.pick_up == "rear" else "front"
    out.append(
        f"With the pick-up to the {end} and {r.inputs.acceleration_g:g} g of acceleration {_little(r.out_of_reach, system)} of liquid lie out of its reach (level bottle along the car, "
        f"{SLENDERNESS:g} times as long as wide, no sloshing); they count in the refill weight."
    )
    return out


def assumes(r: Result, system: str) -> str:
    """What the pictures rest on."""
    doubt = display.degrees(BOTTLE_TEMPERATURE.high, system)
    out = f"Assumes nitrous in equilibrium at one temperature, known within {doubt}; space in the bottle by its rated fill (68 % of the water it holds)"
    if r.flow:
        loss = display.quantity(line_share(r.sheet)[1] / 1e3, "kPa lost", system, 0)
        line = "the line is in the weighed-in coefficient" if r.weighed else f"{loss} lost in line and valve"
        out += f"; {line}; flow: {r.flow.because}"
    return out + "."


def t_axis(kelvin, system: str):
    """Temperatures as displayed."""
    return display.shown("°C", system).there(units.c_from_k(kelvin))


def too_lean() -> float:
    """The trade's mark."""
    return TOO_LEAN_LAMBDA
