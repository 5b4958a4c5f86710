"""The reasons of today as sentences in the reader's units."""

from __future__ import annotations

from kernel_lib import BuildSheet
from kernel_lib.plan.fuel_system import JET_SLACK
from kernel_lib.plan.today import Reason, Today
from kernel_lib.text import banded

from . import display
from .today_numbers import amount, bore_text, degrees, likely, with_span


def target_text(reason: Reason, system: str) -> str:
    """Write where to bring the bottle."""
    numbers = reason.numbers
    if numbers.get("target_c") is None:
        return "its window"
    where = degrees(numbers["target_c"], system)
    return f"{where} ({display.quantity(numbers['target_kpa'], 'kPa gauge', system, 0)})"


def _cool_to(reason: Reason, system: str) -> str:
    return "" if reason.numbers.get("target_c") is None else f" to {target_text(reason, system)}"


def _window(reason: Reason, system: str) -> str:
    to = display.shown("kPa gauge", system)
    low, high = (to.there(reason.numbers[key]) for key in ("low_kpa", "high_kpa"))
    return f"its window of {low:.0f} to {high:.0f} {to.unit}"


def sentence(reason: Reason, today: Today, sheet: BuildSheet, system: str) -> str:
    """Write a reason out."""
    if reason.text:
        new = "" if reason.numbers.get("new", True) else "The plan itself forbids it: "
        return new + reason.text
    return _SAY[reason.kind](reason, today, sheet, system)


def _critical(reason: Reason, _today: Today, _sheet: BuildSheet, system: str) -> str:
    n = reason.numbers
    shown = "" if n["pressure_kpa"] is None else f", about {amount(n['pressure_kpa'], 'kPa gauge', system)}"
    return (
        f"At {degrees(n['bottle_temperature_c'], system)}{shown} there is no liquid in the bottle, or next to none: what flows cannot "
        f"be computed. Keep away from the relief's outlet, bring the bottle into shade and let it cool{_cool_to(reason, system)}."
    )


def _above(reason: Reason, _today: Today, _sheet: BuildSheet, system: str) -> str:
    per = reason.numbers["per_kelvin_kpa"]
    if per is not None and system == display.US:
        per /= 1.8
    degree = "degree F" if system == display.US else "kelvin"
    full = (
        ""
        if per is None
        else f" It is liquid-full: every {degree} adds about {display.quantity(per, 'kPa lost', system, 0)}."
    )
    return (
        f"The bottle stands at {amount(reason.numbers['pressure_kpa'], 'kPa gauge', system)}, above {_window(reason, system)}.{full} Heater off; let it "
        f"cool to {target_text(reason, system)}."
    )


def _ends_below(reason: Reason, _today: Today, _sheet: BuildSheet, system: str) -> str:
    n = reason.numbers
    end = display.quantity(n["end_kpa"], "kPa gauge", system, 0)
    return (
        f"The first pass of {n['pass_s']:g} s would end at about {end}, below {_window(reason, system)}: begin at {target_text(reason, system)}, or make the pass "
        "shorter."
    )


def _not_weighed(reason: Reason, _today: Today, _sheet: BuildSheet, _system: str) -> str:
    return (
        f"Nobody has weighed the fitted nozzle in: its flow is known to a factor of {reason.numbers['factor']:.1f} only, in the plan and today. Weigh it in (bottle page) "
        "before the first hit."
    )


def _no_nozzle(_reason: Reason, _today: Today, _sheet: BuildSheet, _system: str) -> str:
    return "The sheet gives no nozzle: what really flows is not known, in the plan or today. State its bore and weigh it in (bottle page)."


def _jet_leaner(reason: Reason, _today: Today, _sheet: BuildSheet, system: str) -> str:
    n = reason.numbers
    return (
        f"The fitted {bore_text(n['bore_mm'], system)} fuel jet gives about lambda {n['lambda']:.2f} at {n['rpm']:.0f} rpm by the plan, leaner than the target of "
        f"{n['target']:.3f}: take a bigger one."
    )


def _below(reason: Reason, today: Today, _sheet: BuildSheet, system: str) -> str:
    tail = (
        f"There the plan's flow {'holds' if any(r.kind == 'other fuel' for r in today.reasons) else 'and fuel hold'}."
        if reason.numbers["target_is"] == "plan"
        else "Then type that temperature here: the fuel follows it."
    )
    if reason.numbers["target_c"] is None:
        return f"The bottle stands at {amount(reason.numbers['pressure_kpa'], 'kPa gauge', system)}, below {_window(reason, system)}, and no warming brings it there: have it filled."
    return (
        f"The bottle stands at {amount(reason.numbers['pressure_kpa'], 'kPa gauge', system)}, below {_window(reason, system)}: warm it to "
        f"{target_text(reason, system)}, never with a flame. {tail}"
    )


def _below_planned(reason: Reason, _today: Today, _sheet: BuildSheet, system: str) -> str:
    return (
        f"As in the plan the bottle stands below {_window(reason, system)}, at {amount(reason.numbers['pressure_kpa'], 'kPa gauge', system)}. Warmer, it "
        "passes more: the fuel has to follow."
    )


def _too_little(reason: Reason, _today: Today, _sheet: BuildSheet, system: str) -> str:
    n = reason.numbers
    fill, least = (display.quantity(n[k], "kg nitrous", system, 1) for k in ("fill_kg", "least_kg"))
    return f"{fill} in the bottle are too little for a pass of {n['pass_s']:g} s: at least about {least} must be in it. Have it filled."


def _too_lean(reason: Reason, _today: Today, _sheet: BuildSheet, _system: str) -> str:
    n = reason.numbers
    return (
        f"If nothing is changed lambda reaches about {n['lambda']:.2f} at {n['rpm']:.0f} rpm, past the trade's shut-off at {n['mark']:.3f} (common "
        f"practice, no source); the target is {n['target']:.3f}. Set the fuel first."
    )


def _octane_lower(reason: Reason, _today: Today, _sheet: BuildSheet, _system: str) -> str:
    n = reason.numbers
    what = (
        f"Today's fuel has {n['octane_ron']:.4g} RON"
        if n["stated"]
        else f"Today's fuel has typically {n['octane_ron']:.4g} RON"
    )
    return f"{what}, the plan was made for {n['plan_ron']:.4g}: it knocks sooner, and nitrous asks for more, not less."


def _ethanol_lower(reason: Reason, _today: Today, _sheet: BuildSheet, _system: str) -> str:
    n = reason.numbers
    return (
        f"{n['ethanol_percent']:.3g} % ethanol by volume instead of {n['plan_percent']:.3g} %: less octane than the plan's {n['plan_ron']:.4g} RON, by how "
        "much nobody has measured. Type today's octane if the pump states it."
    )


def _octane_unknown(reason: Reason, _today: Today, _sheet: BuildSheet, _system: str) -> str:
    return f"Nobody knows the octane of today's fuel; the plan was made for {reason.numbers['plan_ron']:.4g} RON. Type it in."


def _octane_unchecked(reason: Reason, _today: Today, _sheet: BuildSheet, _system: str) -> str:
    return f"The octane of today's fuel was not checked; the plan's is {reason.numbers['plan_ron']:.4g} RON. Read it on the pump and type it in."


def _fuel(_reason: Reason, today: Today, sheet: BuildSheet, system: str) -> str:
    fuel, lam = today.row("fuel"), today.row("lambda")
    out = (
        f"Fuel to add at {fuel.rpm:.0f} rpm: {amount(fuel.now, fuel.unit, system)} instead of {likely(fuel.plan, fuel.unit, system)}, "
        f"{with_span(fuel, system)}."
    )
    time, jet = today.row("open_time"), today.row("jet")
    if time:
        out += (
            f" Open time to add there: {amount(time.now, 'ms', system)} instead of {likely(time.plan, 'ms', system)}."
        )
    if jet:
        out += f" Jet bore wanted: {bore_text(jet.now.best, system)} instead of {bore_text(jet.plan.best, system)}.{nearest(today, sheet, system)}"
    if lam.beyond:
        side = "richer" if lam.change.best < 0 else "leaner"
        out += f" If nothing is changed, lambda is {banded(lam.now.low, lam.now.best, lam.now.high)} at {lam.rpm:.0f} rpm, {side} than the plan's {lam.plan.best:.3f}."
    return out


def nearest(today: Today, sheet: BuildSheet, system: str) -> str:
    """Say which of the shop's jets comes nearest, or ""."""
    if not today.jets:
        return "" if not sheet.fuel_system.jets_mm else " None of the shop's jets comes near."
    bore, value = today.jets[0]
    if value > sheet.engine.lambda_with_nitrous + JET_SLACK:
        return f" None of the shop's own is big enough: the biggest, {bore_text(max(j[0] for j in today.jets), system)}, gives about lambda {min(j[1] for j in today.jets):.2f}. Do not spray with any of them."
    fitted = " (fitted)" if bore == sheet.nitrous.fuel_jet_diameter_mm else ""
    return f" Of the shop's own, {bore_text(bore, system)}{fitted} is the nearest that is not leaner: about lambda {value:.2f}."


def _flow(reason: Reason, today: Today, _sheet: BuildSheet, system: str) -> str:
    flow = today.row("flow")
    more = "more" if flow.change.best > 0 else "less"
    out = f"The bottle is not as the plan has it: the nozzle passes {more}, {with_span(flow, system)}."
    if any(r.kind in ("below window", "above window", "ends below") for r in today.reasons):
        return out
    if reason.numbers["target_c"] is None:
        return out
    if reason.numbers["target_is"] == "plan":
        return f"{out} At {target_text(reason, system)} it passes what was planned."
    return f"{out} The middle of its window is {target_text(reason, system)}."


def _other_fuel(reason: Reason, _today: Today, _sheet: BuildSheet, _system: str) -> str:
    n = reason.numbers
    return (
        f"{n['now']} in the tank, the plan was made for {n['was']}. The engine's own fuel is off as well, with nitrous and without, unless a sensor in "
        "the fuel line corrects it: mend that first. The fuel to add takes it for mended."
    )


def _other_place(reason: Reason, _today: Today, _sheet: BuildSheet, system: str) -> str:
    n = reason.numbers
    now, plan = (display.quantity(n[k], "kPa absolute", system, 2) for k in ("barometer_kpa", "plan_kpa"))
    return f"A barometer of {now} against {plan} in the plan is another place, not other weather. A forecast's sea-level pressure does not belong here."


def _passes(reason: Reason, _today: Today, _sheet: BuildSheet, _system: str) -> str:
    n = reason.numbers
    return f"The bottle holds about {n['now'].best:.0f} passes of {n['pass_s']:g} s, {n['plan'].best:.0f} in the plan."


_SAY = {
    "critical": _critical,
    "above window": _above,
    "below window": _below,
    "ends below": _ends_below,
    "not weighed": _not_weighed,
    "no nozzle": _no_nozzle,
    "jet leaner": _jet_leaner,
    "below window as planned": _below_planned,
    "too little": _too_little,
    "too lean": _too_lean,
    "octane lower": _octane_lower,
    "ethanol lower": _ethanol_lower,
    "octane unknown": _octane_unknown,
    "octane not checked": _octane_unchecked,
    "fuel": _fuel,
    "flow": _flow,
    "other fuel": _other_fuel,
    "other place": _other_place,
    "passes": _passes,
}
