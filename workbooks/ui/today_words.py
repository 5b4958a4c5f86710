"""What the page of today says: verdict, reasons and rows as sentences in the reader's units."""

from __future__ import annotations

from html import escape

from kernel_lib import BuildSheet
from kernel_lib.band import Band
from kernel_lib.plan.today import CHANGE, GO, HOLD, NOTHING, Reason, Today
from kernel_lib.plan.today_rows import MOST_PASSES, NOISE, REST_S, Change
from kernel_lib.text import banded, rounded

from . import display

STATES = {GO: ("holds", "Go"), CHANGE: ("watch", "Change"), HOLD: ("stop", "Hold")}
_LABELS = {
    "lambda": "lambda, if nothing is changed",
    "fuel": "fuel to add",
    "open_time": "injector open time to add",
    "jet": "fuel jet bore wanted",
    "flow": "nitrous flow",
    "power": "power it stands for",
    "pressure": "bottle pressure",
    "hold": "bottle temperature to hold",
    "duty": "injector duty, highest",
    "pump": "share of the pump, highest",
    "passes": "passes left",
}
_OWN_FUEL = {
    "speed-density": (
        "A speed-density controller follows barometer and air temperature for the engine's own fuel. It knows nothing of the fuel of "
        "the shot, of the bottle or of what is in the tank."
    ),
    "mass-air": (
        "A mass-air controller follows the air it meters, and so the barometer and the air temperature, for the engine's own fuel. It "
        "knows nothing of the fuel of the shot, of the bottle or of what is in the tank."
    ),
}


def _signed(text: str) -> str:
    return text.replace("-", "−")


def amount(band: Band, unit: str, system: str) -> str:
    """Write a number with its band in the reader's unit."""
    if unit == "°C":
        return _degrees(band.best, system)
    to = display.shown(unit, system)
    return f"{banded(to.there(band.low), to.there(band.best), to.there(band.high))} {to.unit}".strip()


def likely(band: Band, unit: str, system: str) -> str:
    """Write the likely number alone."""
    if unit == "°C":
        return _degrees(band.best, system)
    to = display.shown(unit, system)
    return f"{rounded(to.there(band.best), to.there(band.high) - to.there(band.low))} {to.unit}".strip()


def _degrees(celsius: float, system: str) -> str:
    """Write a temperature as a thermometer is read: whole degrees F, halves of degrees C."""
    to = display.shown("°C", system)
    value = to.there(celsius)
    return f"{display.plain(round(value) if system == display.US else round(2 * value) / 2)} {to.unit}"


def _bore(mm: float, system: str) -> str:
    return display.quantity(mm, "mm", system, 4 if system == display.US else 2)


def step(change: Change, system: str) -> tuple[str, str]:
    """Return a change with its sign and unit, and its band or ""."""
    unit = {"kPa gauge": "kPa differential"}.get(change.noise.unit, change.noise.unit)
    to = display.shown(unit, system)
    digits = {"": 3, "%": 0, "points": 0}.get(unit, 0)

    def write(value: float) -> str:
        text = f"{to.there(value):+.{digits}f}"
        return "0" if not float(text) else _signed(text)

    band, tail = change.change, to.unit.replace(" differential", "")
    texts = [write(v) for v in (band.low, band.best, band.high)]
    span = f"{texts[0]} to {texts[2]}" if texts[0] != texts[2] else ""
    return f"{texts[1]} {tail}".strip(), f"{span} {tail}".strip() if span else ""


def _with_span(change: Change, system: str) -> str:
    value, span = step(change, system)
    return f"{value} ({span})" if span else value


def headline(today: Today, system: str) -> str:
    """Return what follows the word of the verdict, short enough for one or two lines of a phone."""
    if today.verdict == GO:
        told = any(change.beyond for change in today.changes)
        return "Nothing beyond the noise in lambda, fuel and flow." if told else NOTHING
    reason = today.reasons[0]
    fuel, numbers = today.row("fuel"), reason.numbers
    return {
        "critical": "The bottle is too hot.",
        "not computed": "Today cannot be computed.",
        "blocker": "Do not spray.",
        "too lean": f"Lambda {numbers.get('lambda', 0):.2f} if nothing is changed.",
        "octane lower": "The octane is lower.",
        "ethanol lower": "Less ethanol, so less octane.",
        "octane unknown": "The octane is not known.",
        "above window": "The bottle is above its window.",
        "too little": "Too little nitrous for a pass.",
        "below window": f"Warm the bottle to {_target(reason, system)}.",
        "fuel": f"Fuel to add: {step(fuel, system)[0]}." if fuel else "The fuel.",
        "flow": "The nitrous flow is another.",
        "other fuel": "The fuel is another.",
    }[reason.kind]


def _target(reason: Reason, system: str) -> str:
    numbers = reason.numbers
    if numbers.get("target_c") is None:
        return "its window"
    where = _degrees(numbers["target_c"], system)
    return f"{where} ({display.quantity(numbers['target_kpa'], 'kPa gauge', system, 0)})"


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
        f"At {_degrees(n['bottle_temperature_c'], system)}{shown} there is no liquid in the bottle, or next to none: what flows cannot "
        f"be computed. Keep away from the relief's outlet, bring the bottle into shade and let it cool to {_target(reason, system)}."
    )


def _above(reason: Reason, _today: Today, _sheet: BuildSheet, system: str) -> str:
    slope = "K adds about 300 kPa" if system == display.METRIC else "2 °F add about 50 psi"
    full = f" It is liquid-full: every {slope}." if reason.numbers["full"] else ""
    return (
        f"The bottle stands at {amount(reason.numbers['pressure_kpa'], 'kPa gauge', system)}, above {_window(reason, system)}.{full} Heater off; let it "
        f"cool to {_target(reason, system)}."
    )


def _below(reason: Reason, today: Today, _sheet: BuildSheet, system: str) -> str:
    tail = (
        f"There the plan's flow {'holds' if any(r.kind == 'other fuel' for r in today.reasons) else 'and fuel hold'}."
        if reason.numbers["target_is"] == "plan"
        else "Then type that temperature here: the fuel follows it."
    )
    return (
        f"The bottle stands at {amount(reason.numbers['pressure_kpa'], 'kPa gauge', system)}, below {_window(reason, system)}: warm it to "
        f"{_target(reason, system)}, never with a flame. {tail}"
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
        f"{_with_span(fuel, system)}."
    )
    time, jet = today.row("open_time"), today.row("jet")
    if time:
        out += (
            f" Open time to add there: {amount(time.now, 'ms', system)} instead of {likely(time.plan, 'ms', system)}."
        )
    if jet:
        out += f" Jet bore wanted: {_bore(jet.now.best, system)} instead of {_bore(jet.plan.best, system)}.{nearest(today, sheet, system)}"
    if lam.beyond:
        side = "richer" if lam.change.best < 0 else "leaner"
        out += (
            f" If nothing is changed, lambda is {banded(lam.now.low, lam.now.best, lam.now.high)} at {lam.rpm:.0f} rpm, {side} than the target of "
            f"{lam.plan.best:.3f}."
        )
    return out


def nearest(today: Today, sheet: BuildSheet, system: str) -> str:
    """Say which of the shop's jets comes nearest, or ""."""
    if not today.jets:
        return "" if not sheet.fuel_system.jets_mm else " None of the shop's jets comes near."
    bore, value = today.jets[0]
    fitted = " (fitted)" if bore == sheet.nitrous.fuel_jet_diameter_mm else ""
    return f" Of the shop's own, {_bore(bore, system)}{fitted} comes nearest: about lambda {value:.2f}."


def _flow(reason: Reason, today: Today, _sheet: BuildSheet, system: str) -> str:
    flow = today.row("flow")
    more = "more" if flow.change.best > 0 else "less"
    out = f"The bottle is not as the plan has it: the nozzle passes {more}, {_with_span(flow, system)}."
    if any(r.kind in ("below window", "above window") for r in today.reasons):
        return out
    if reason.numbers["target_is"] == "plan":
        return f"{out} At {_target(reason, system)} it passes what was planned."
    return f"{out} The middle of its window is {_target(reason, system)}."


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


def reasons_html(today: Today, sheet: BuildSheet, system: str) -> str:
    """Return the reasons as paragraphs, each with its state."""
    word = {HOLD: ("stop", "hold"), CHANGE: ("watch", "change"), "note": ("note", "note")}
    return "".join(
        f'<p><span class="nw-state-{word[r.weight][0]}">{word[r.weight][1]}</span> {escape(sentence(r, today, sheet, system))}</p>'
        for r in today.reasons
    )


def table_html(today: Today, sheet: BuildSheet, system: str) -> str:
    """Return the changes, two lines a row: what, and from where to where."""
    if not today.changes:
        return ""
    rows = "".join(_row_html(change, sheet, system) for change in today.changes)
    return (
        '<table class="nw-table nw-changes"><caption>What changes</caption><thead><tr><th scope="col">plan → today</th>'
        f'<th scope="col">change</th></tr></thead><tbody>{rows}</tbody></table>'
    )


def _row_html(change: Change, sheet: BuildSheet, system: str) -> str:
    label, unit = _LABELS[change.key], change.unit
    if change.key == "passes":
        label = f"{label}, {sheet.nitrous.pass_s:g} s each"
    if change.rpm is not None:
        label += f" <small>at {change.rpm:.0f} rpm</small>"
    both = f"{likely(change.plan, unit, system)} → {amount(change.now, unit, system)}"
    if change.key == "lambda":
        scale = sheet.controller.gauge_scale
        both = (
            f"{change.plan.best:.3f} → {banded(change.now.low, change.now.best, change.now.high)}; "
            f"gauge {scale * change.plan.best:.1f} → {scale * change.now.best:.1f}"
        )
    elif change.key == "passes":
        both = f"{change.plan.best:.0f} → {change.now.best:.0f} ({change.now.low:.0f} to {change.now.high:.0f})"
    elif change.key == "jet":
        both = f"{_bore(change.plan.best, system)} → {_bore(change.now.best, system)}"
    value, span = step(change, system)
    state, word = ("watch", "beyond") if change.moves else ("holds", "within")
    if change.beyond and not change.moves:
        state, word = "note", "differs"
    small = f"<small>{escape(span or word)}</small>"
    said = f'<span class="nw-state-{state}" title="{word} the noise">{escape(value)}</span>'
    return f'<tr><th scope="row">{label}<small class="nw-both">{escape(both)}</small></th><td>{said}{small}</td></tr>'


def assumes_html(today: Today, sheet: BuildSheet, system: str) -> str:
    """Say what the noise is, what the controller corrects, and what was taken for granted."""
    names = {
        "lambda": "lambda",
        "fuel": "fuel to add",
        "jet": "jet bore",
        "flow": "nitrous flow",
        "pressure": "bottle pressure",
        "octane": "octane",
        "ethanol": "ethanol",
    }
    noise = "; ".join(f"{name} {_size(key, system)} ({NOISE[key].because})" for key, name in names.items())
    points = [
        f"Noise, thresholds of our own: {noise}.",
        _OWN_FUEL[sheet.controller.metering],
        "On the plan's day the fuel of the shot was set to its target and has not been touched since; volumetric efficiency over rpm is the plan's; "
        "the manifold's pressure follows the barometer; the thermometers of both days err alike.",
        f"Passes: {REST_S / 60:.0f} minutes between them, heater of {sheet.nitrous.heater_w:g} W, {MOST_PASSES} at most.",
    ]
    if sheet.nitrous.nozzle_diameter_mm is None and today.sheet is not None:
        bore = _bore(today.sheet.nitrous.nozzle_diameter_mm, system)
        points.insert(
            1, f"No nozzle bore is on the sheet: reckoned with {bore}, which passes the wanted flow on the plan's day."
        )
    return "Assumes<ul>" + "".join(f"<li>{escape(text)}</li>" for text in points) + "</ul>"


def _short(value: float) -> str:
    return display.plain(float(f"{value:.2g}"))


def _size(key: str, system: str) -> str:
    noise = NOISE[key]
    unit = {"kPa gauge": "kPa differential"}.get(noise.unit, noise.unit)
    to = display.shown(unit, system)
    return f"{_short(to.there(noise.size))} {to.unit}".replace(" differential", "").strip()
