"""What every page has: masthead, panels, cautions."""

from __future__ import annotations

import re
from html import escape

import anywidget
import ipywidgets as w
import traitlets

from kernel_lib import __version__
from kernel_lib.sheets.plan_sheet import CAUTIONS

from . import display
from .guard import guarded
from .session import Session

PAGES = (
    ("start", "The car on paper"),
    ("charge_explorer", "AFR against charge temperature"),
    ("bottle", "Bottle, nozzle, fuel side"),
    ("timing", "Timing"),
    ("shot_planner", "Shot planner"),
    ("today", "Today"),
    ("why_targets", "Why the targets"),
    ("rule_check", "Rule check"),
    ("customer_brief", "Customer's brief"),
    ("pull_review", "Pull review"),
)


def html(text: str = "", *classes: str) -> w.HTML:
    """Return an HTML widget; whatever a visitor wrote must be escaped before it comes here."""
    widget = w.HTML(text)
    for name in classes:
        widget.add_class(name)
    return widget


def box(children: list, *classes: str) -> w.Box:
    """Return a plain box that only our own style sheet lays out."""
    widget = w.Box(children)
    for name in classes:
        widget.add_class(name)
    return widget


class Sight(anywidget.AnyWidget):
    """Knows which share of the box it lies in is on the screen, so that what is looked at is drawn first."""

    _esm = """
    function render({ model, el }) {
      const watch = new IntersectionObserver((seen) => {
        model.set("share", seen[seen.length - 1].intersectionRatio);
        model.save_changes();
      }, { threshold: [0, 0.25, 0.5, 0.75, 0.95] });
      requestAnimationFrame(() => { if (el.parentElement) watch.observe(el.parentElement); });
      return () => watch.disconnect();
    }
    export default { render };
    """
    share = traitlets.Float(0.0).tag(sync=True)


def panel(title: w.Widget, figure: list, notes: list, assumes: w.Widget | None = None) -> w.Box:
    """Return a panel: finding on top, figure left, notes right, what it assumes below."""
    rows = [title, box(figure, "nw-figure", "nw-stack"), box(notes, "nw-notes", "nw-stack")]
    return box([*rows, *([assumes] if assumes is not None else [])], "nw-panel")


def masthead(session: Session, here: str) -> w.Box:
    """Return the line on top: whose car, units, the other workbooks with the same set-up."""
    line, links, message = html("", "nw-car-line"), html("", "nw-links"), html("", "nw-field-error")
    switch = w.ToggleButtons(
        options=[("US units", display.US), ("metric", display.METRIC)],
        value=session.units,
        tooltips=["°F, psi, lb, in", "°C, kPa, kg, mm"],
    )
    switch.add_class("nw-units")

    def draw(_change: object = None) -> None:
        sheet = session.sheet
        kind = f"{sheet.nitrous.shot_hp:g} hp {sheet.nitrous.system}"
        fuel = sheet.fuel.name or sheet.make_fuel().name
        line.value = f"<b>{escape(sheet.car.name)}</b> · {kind} · {escape(fuel)}, {sheet.octane_ron:g} RON"
        links.value = " · ".join(
            f"<b>{title}</b>" if name == here else f'<a href="{escape(session.link(name))}">{title}</a>'
            for name, title in PAGES
        )
        message.value = escape(session.message)

    @guarded(lambda text: setattr(message, "value", escape(text)))
    def switched(change: dict) -> None:
        session.units = change["new"]

    switch.observe(switched, "value")
    session.observe(draw, ["sheet", "units", "message"])
    draw()
    return w.VBox([box([line, links, switch, session.address], "nw-masthead"), message])


_TERMS = (
    (
        "lambda",
        "oxygen supplied over oxygen the fuel needs, counting both air and nitrous; below 1 is rich, 1 burns exactly",
    ),
    ("gauge AFR", "lambda times the gauge's own scale: lambda in disguise, not a mass ratio once nitrous flows"),
    ("oxygen share", "oxygen in the charge, with what nitrous will release counted in; plain air has 21 %"),
    ("nitrous fraction", "share of nitrous among air and nitrous molecules"),
    (
        "wall-heat share",
        "how much of the heat that boils the nitrous comes from metal instead of from the air; nobody knows it well",
    ),
    (
        "open flame, closed vessel",
        "burned free to expand, or with the volume held, which is hotter; a cylinder matches neither",
    ),
    ("spray window", "the speeds, at full throttle, in which nitrous may flow"),
    ("dose", "nitrous per cylinder and cycle"),
    (
        "liquid-full",
        "a bottle so full, or so warm, that no vapour is left in it; its pressure then climbs steeply with every degree",
    ),
    ("critical point", "the temperature above which there is no liquid nitrous at any pressure"),
    ("working window", "the bottle pressures between which the shop sprays"),
    ("choked", "flow as large as it can get: less pressure behind the nozzle draws no more through it"),
    ("weigh-in", "the bottle weighed before and after a spray: it tells what the nozzle really passes"),
    ("discharge coefficient", "what a nozzle passes over what a model says for its bore"),
    ("plenum, ripple", "the volume before the intake runners, where pulses mix; what is left of the pulses behind it"),
    (
        "speed-density, mass-air",
        "two ways of metering air: from manifold pressure and temperature, or by a meter that sees the air alone",
    ),
    ("wide-band", "the lambda sensor that reads rich and lean mixtures, behind the gauge"),
    ("valve supervision", "a second valve in series that closes when the first should be shut and is not"),
    ("ramp", "how the dose rises with engine speed, or with time, instead of coming all at once"),
    (
        "strongest cycle",
        "with a pulsed valve single cycles get more than the mean; the one that gets most has to keep the limits",
    ),
    ("wash-out", "the nitrous still on its way in line and manifold after the valve has shut"),
    ("fuel lead", "fuel commanded before nitrous, so that no cycle turns lean while both are on their way"),
    ("lean stop, rich stop", "the mixtures at which the nitrous is shut off"),
    ("rehearsal", "a pull with the bottle shut, to see that fuel and timing answer the button"),
    ("ladder, gate", "the steps from a first small shot to the full one; what has to hold before the next"),
    ("purge", "nitrous blown off at the valve before a pass, so that liquid stands in the line"),
    ("pick-up", "the tube through which liquid leaves the bottle"),
    (
        "HEM, NHNE, SPI",
        "three models of liquid nitrous in a nozzle: it boils at once and as far as it can; in between; it does not boil at all",
    ),
    ("boiling line", "where liquid and vapour stand side by side: to every temperature belongs one pressure"),
    ("dry, wet", "fuel added through the engine's injectors; fuel brought by a jet of its own beside the nitrous"),
    ("closed loop", "the engine controller trimming the fuel by the lambda sensor"),
    ("dead time", "what an injector takes to open before fuel flows"),
    ("valve duty, injector duty", "share of the time a valve, or an injector, is open"),
    ("TDC", "top dead centre: the piston highest; timing is counted in degrees of crank before it"),
    ("phasing", "where in the stroke the charge burns; best torque has half of it burned some 9 degrees after TDC"),
    (
        "knock integral",
        "how much of its time to self-ignition the last of the charge has used up when the flame arrives; knock from 1",
    ),
    ("first hit", "the first spray with a new shot: timing at the cautious edge of what is not known"),
)


def glossed(text: str) -> str:
    """Explain the words of the glossary where each first stands in an escaped text: shown when pointed at or focused.

    Longer words win; a word inside markup is left alone.
    """
    says = {name.strip(): meaning for names, meaning in _TERMS for name in names.split(",")}
    told: set[str] = set()

    def explain(match: re.Match) -> str:
        word = match[0]
        if word.lower() in told:
            return word
        told.add(word.lower())
        meaning = says.get(word) or says[word[0].lower() + word[1:]]
        return f'<dfn class="nw-term" tabindex="0">{word}<span class="nw-says" role="tooltip">{escape(meaning)}</span></dfn>'

    ways = sorted({way for name in says for way in (name, name[0].upper() + name[1:])}, key=len, reverse=True)
    return re.sub(rf"(?<![\w<-])(?:{'|'.join(map(re.escape, ways))})(?![\w-])", explain, text)


def terms() -> w.HTML:
    """Return the words a newcomer needs, explained."""
    rows = "".join(f"<dt>{escape(word)}</dt><dd>{escape(text)}</dd>" for word, text in _TERMS)
    return html(f'<section class="nw-terms"><h2>Words</h2><dl>{rows}</dl></section>')


def cautions() -> w.HTML:
    """Return the cautions and the footer."""
    text = "".join(f"<p>{escape(sentence)}</p>" for sentence in CAUTIONS)
    foot = (
        f"kernel {__version__} · thermodynamics: Cantera with NASA polynomials · nitrous oxide: CoolProp (Lemmon &amp; Span 2006) · "
        "demo cars, shop and owners are invented"
    )
    return html(
        f'<section class="nw-cautions" aria-label="Cautions"><h2>Cautions</h2>{text}</section><footer class="nw-footer">{foot}</footer>'
    )
