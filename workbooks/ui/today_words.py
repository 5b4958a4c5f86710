"""What the page of today says: verdict, reasons and rows as sentences in the reader's units."""

from __future__ import annotations

from html import escape

from kernel_lib import BuildSheet
from kernel_lib.plan.today import CHANGE, GO, HOLD, NOTHING, Today
from kernel_lib.plan.today_rows import MOST_PASSES, NOISE, REST_S, Change
from kernel_lib.text import banded

from . import display
from .today_numbers import amount, bore_text, likely, step
from .today_sentences import sentence, target_text

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
    "passes": "passes until the liquid is gone",
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
        "ends below": f"Warm the bottle to {target_text(reason, system)}.",
        "not weighed": "Weigh the nozzle in first.",
        "no nozzle": "No nozzle on the sheet.",
        "jet leaner": "The fuel jet is too small.",
        "below window": f"Warm the bottle to {target_text(reason, system)}.",
        "fuel": f"Fuel to add: {step(fuel, system)[0]}." if fuel else "The fuel.",
        "flow": "The nitrous flow is another.",
        "other fuel": "The fuel is another.",
    }[reason.kind]


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
        both = f"{bore_text(change.plan.best, system)} → {bore_text(change.now.best, system)}"
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
        "Nothing was touched since the plan's day: a stated fuel jet is still fitted, or the fuel of the shot was on its target then; volumetric efficiency over rpm is the plan's; "
        "the manifold's pressure follows the barometer; the thermometers of both days err alike.",
        f"Passes: {REST_S / 60:.0f} minutes between them, heater of {sheet.nitrous.heater_w:g} W, {MOST_PASSES} at most.",
    ]
    if sheet.nitrous.nozzle_diameter_mm is None and today.sheet is not None:
        bore = bore_text(today.sheet.nitrous.nozzle_diameter_mm, system)
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
