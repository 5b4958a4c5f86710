"""The customer's brief: two printed pages for the one who pays and does not tune."""

from __future__ import annotations

import datetime
from html import escape

from .. import __version__
from ..plan.tune import Tune
from . import brief_pictures as pictures
from . import brief_words as words
from .brief_open import open_items, reasons
from .brief_pictures import Shown
from .brief_words import Units
from .plan_sheet import CAUTIONS

QUESTION = "What will this car do, and what keeps it alive?"

_STYLE = """
&{color:#1b1f24;font:16px/1.45 Charter,"Bitstream Charter","Iowan Old Style",Cambria,Georgia,serif;max-width:1160px;margin:0 auto}
& p,& li{margin:0 0 .4em;max-width:none}& ul,& ol{margin:0 0 .4em;padding-left:1.15em}
& h1{font-size:1.9em;line-height:1.15;font-weight:600;margin:.1em 0 .35em}& h2{font-weight:600;font-size:1.25em;line-height:1.2;font-family:inherit;margin:0 0 .3em}
& .who,& .foot{color:#5b6470;font:.82em/1.4 system-ui,-apple-system,"Segoe UI",Roboto,sans-serif;margin:0 0 .4em}& .who b{color:#8a3b12;font-weight:600}
& .says{font-size:1.15em;max-width:92ch}& .more{columns:2;column-gap:2.4em;margin-bottom:.8em}& .more p{break-inside:avoid}& .halt{border:2px solid #9b1c1c;border-left-width:8px;padding:.6em .9em;margin:0 0 1em}
& .halt h2::before{content:"\\25A0\\00a0"}& .halt h2{color:#9b1c1c;font-size:1.35em}
& .cells{display:grid;grid-template-columns:repeat(3,minmax(0,1fr));gap:1.1em 2em;border-top:1px solid #1b1f24;padding-top:.8em;margin-bottom:1em}
& .wide{grid-column:span 2}& .pair{display:grid;grid-template-columns:1fr 1fr;gap:0 1.2em}
& svg{display:block;width:100%;max-width:440px;height:auto;margin:.2em 0 .5em;overflow:visible}
& .finding{font:600 .88em/1.3 system-ui,-apple-system,"Segoe UI",Roboto,sans-serif;margin:0 0 .2em}
& .all{grid-column:1/-1}& .all ul{columns:2;column-gap:2.4em}& .open{border-left:5px solid #8a6100;padding-left:.7em}& .open h2::before{content:"\\25B2\\00a0";color:#8a6100}
& .quiet{color:#5b6470;font-size:.88em}& .second{columns:2;column-gap:2.4em;border-top:1px solid #1b1f24;padding-top:.8em}
& .second section{margin:0 0 .9em}& section,& li{break-inside:avoid}& .rule{border-left:5px solid #1b1f24;padding-left:.7em}
& .cautions{border-top:1px solid #d9d5cc;padding-top:.7em;margin-top:.9em}& .cautions p{font-size:.88em}& .unsettled{font-weight:600;margin-top:1em}& .sign{display:grid;grid-template-columns:1fr 1fr .6fr;gap:2em;margin:2.4em 0 .4em}
& .sign span{border-top:1px solid #1b1f24;padding-top:.2em;font-size:.85em}
@media (max-width:979px){& .cells{grid-template-columns:1fr 1fr}& .wide,& .last{grid-column:1/-1}}
@media (max-width:599px){& .cells,& .pair{grid-template-columns:1fr}& .second,& .more,& .all ul{columns:1}& .sign{grid-template-columns:1fr;gap:2.6em}}
@media screen{.nw-workbook & .cautions{display:none}}
@media print{
@page{size:auto;margin:11mm 12mm}
&{font-size:9.4pt;line-height:1.27;max-width:none}& h1{font-size:16pt}& .halt,& .cells{-webkit-print-color-adjust:exact;print-color-adjust:exact}
& .cells{grid-template-columns:repeat(3,minmax(0,1fr));gap:4pt 14pt;padding-top:4pt;margin-bottom:0}& .wide{grid-column:span 2}& .last{grid-column:auto}& .pair{grid-template-columns:1fr 1fr}
& p,& li{margin-bottom:.22em}& .more,& .all ul{columns:2}& .second{columns:2;column-gap:16pt;break-before:page;border:0;padding-top:0;font-size:10pt;line-height:1.32}& .second section{margin-bottom:6pt}
& .sign{grid-template-columns:1fr 1fr .6fr;margin-top:24pt}& .open li{font-size:8.8pt;line-height:1.2}& .cells p{font-size:8.9pt;line-height:1.2}& .cells p.quiet{font-size:8pt}& .cells svg{margin:1pt 0 2pt}& .cells h2{margin:0 0 2pt}& .halt{padding:3pt 8pt;margin-bottom:5pt}& .unsettled{margin-top:5pt}
body.nw-workbook:has(.nw-brief){zoom:1}.nw-workbook :is(.jp-Cell,.jp-OutputArea-child,.widget-html,.widget-box):has(.nw-brief){break-inside:auto!important}body.nw-workbook:has(.nw-brief) :is(.nw-masthead,.nw-take,section.nw-cautions,footer.nw-footer){display:none!important}
body.nw-workbook:has(.nw-brief) .jp-RenderedMarkdown h1{font-size:16pt;margin:0 0 4pt}
}
""".replace("&", ".nw-brief.nw-brief")
"""Of everything within ``nw-brief``, named twice (&) to weigh more than the rules of a page around it; the last lines are for the workbook that holds it."""

_FILE = "body{margin:1.6rem;background:#fbfaf7}@media print{body{margin:0;background:#fff}}"


def brief_html(tune: Tune, *, metric: bool = False, date: datetime.date | None = None) -> str:
    """Return the customer's brief as one HTML page that needs no other file and prints on two sheets.

    Parameters
    ----------
    tune : Tune
    metric : bool
        kW, N m, kPa and kg, else hp, lb ft, psi and lb.
    date : date, optional
        Today if None.
    """
    car = escape(tune.sheet.car.name)
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Customer's brief: {car}</title><style>{_FILE}</style></head><body>{brief_body(tune, metric=metric, date=date, title=QUESTION)}</body></html>
"""


def brief_body(tune: Tune, *, metric: bool = False, date: datetime.date | None = None, title: str = "") -> str:
    """Return the brief alone, with its own style, to stand within a page.

    Parameters
    ----------
    tune : Tune
    metric : bool
    date : date, optional
    title : str
        Its heading; none if empty, where the page has its own.
    """
    sheet, units, day = tune.sheet, Units(metric), date or datetime.date.today()
    who = " · ".join(
        escape(v)
        for v in (f"for {sheet.car.owner}" if sheet.car.owner.strip() else "", sheet.car.shop, day.isoformat())
        if v.strip()
    )
    head = f'<p class="who">Customer\'s brief · <b>{escape(sheet.car.name)}</b> · {who}</p>' + (
        f"<h1>{escape(title)}</h1>" if title else ""
    )
    flows = len(tune.dosed.rpm) > 0
    first = _halt(tune, units) if tune.blockers else _says(words.answer(tune, units))
    cells = f'<div class="cells">{_cells(tune, units)}</div>' if flows else ""
    return f'<style>{_STYLE}</style><div class="nw-brief">{head}{first}{cells}<div class="second">{_second(tune, units)}</div>{_end(tune, units)}</div>'


def _says(sentences: list[str]) -> str:
    first, *more = (f"<p>{escape(text)}</p>" for text in sentences)
    return f'<div class="says">{first}</div><div class="more">{"".join(more)}</div>'


def _halt(tune: Tune, units: Units) -> str:
    """What stands first where nothing may be sprayed: why, and what has to happen before."""
    asked = f"You asked for {tune.sheet.nitrous.shot_hp:g} hp more. The plan is not released, and this brief promises nothing: leave the bottle shut."
    steps = (
        "Your tuner changes set-up or plan until none of these reasons is left.",
        "A new tune sheet no longer says do not spray.",
        "You read a new brief before the first pass.",
    )
    before = "".join(f"<li>{escape(text)}</li>" for text in steps)
    return f'<div class="halt"><h2>Do not spray yet.</h2><p>{escape(asked)}</p><p><b>Why.</b></p>{_list(reasons(tune, metric=units.metric))}<p><b>What must happen first.</b></p><ol>{before}</ol></div>'


def _cells(tune: Tune, units: Units) -> str:
    blocked = bool(tune.blockers)
    cards = (
        ("Fuel to burn with", words.fuel_card(tune), pictures.mixture(tune)),
        ("Spark later", words.spark_card(tune), pictures.spark(tune)),
        ("How the nitrous comes in", words.dose_card(tune), pictures.dose(tune)),
        ("A bottle in its window", words.bottle_card(tune, units), pictures.bottle(tune, units)),
        ("Switches that shut it off", words.stops_card(tune), pictures.speed(tune)),
    )
    told = "".join(
        _section(title, ("" if shown is None else shown.svg) + f"<p>{escape(text)}</p>") for title, text, shown in cards
    )
    title, note = f"What it {'would cost' if blocked else 'costs'} in margin", words.limit_note(tune.sheet, units)
    costs = _section(title, _shown(pictures.margin(tune, units)) + f'<p class="quiet">{escape(note)}</p>')
    open_ = open_items(tune, metric=units.metric)
    kind = "open all" if len(open_) > 3 or blocked else "open last"
    settle = f"<h2>Still open: settle first</h2>{_list(open_)}"
    still = f'<section class="{kind}">{settle}</section>' if open_ else ""
    if blocked:
        return costs + told + still
    pair = "".join(f"<div>{_shown(one)}</div>" for one in (pictures.power(tune, units), pictures.torque(tune, units)))
    pale = "Pale: what is not known. Steady full throttle."
    does = f'<section class="wide"><h2>What the car will do</h2><div class="pair">{pair}</div><p class="quiet">{pale}</p></section>'
    return does + costs + told + still


def _second(tune: Tune, units: Units) -> str:
    flows, out = len(tune.dosed.rpm) > 0, ""
    if flows:
        once = ", once released" if tune.blockers else ""
        out += _section(f"Must be true before each use{once}", _list(words.before_use(tune, units)))
        out += _section("What must end a pass", _list(words.ends_it(tune)))
        rule = f"<p>{escape(words.driver_rule(tune))}</p>"
        out += f'<section class="rule"><h2>The driver\'s rule</h2>{rule}</section>'
        out += _section("Nitrous and cost of a pass", f"<p>{escape(words.one_pass(tune, units))}</p>")
    if not tune.blockers:
        out += _section(f"Upkeep ({words.PRACTICE})", _list(words.UPKEEP))
    out += _section("What nobody knows", _list(words.unknowns(tune))) if flows else ""
    for title, text in (
        ("Parts nobody inspected", words.parts(tune)),
        ("What voids the plan", words.VOIDS),
        ("Road, insurance, warranty", words.LAW),
    ):
        out += _section(title, f"<p>{escape(text)}</p>")
    return out


def _end(tune: Tune, units: Units) -> str:
    """Cautions, signatures, where it comes from."""
    cautions = "".join(f"<p>{escape(text)}</p>" for text in CAUTIONS)
    unsettled = not tune.blockers and len(open_items(tune, metric=units.metric)) > 0
    before = f'<p class="unsettled">{words.UNSETTLED}</p>' if unsettled else ""
    sign = (
        '<p class="quiet">Not for signature: the plan is not released.</p>'
        if tune.blockers
        else f'{before}<div class="sign"><span>Owner</span><span>Tuner</span><span>Date</span></div><p class="quiet">{words.SIGNED}</p>'
    )
    return f'<section class="cautions"><h2>Cautions</h2>{cautions}</section>{sign}<p class="foot">kernel {__version__} · Cantera, NASA polynomials · CoolProp [Lemmon &amp; Span 2006]</p>'


def _shown(shown: Shown | None) -> str:
    return "" if shown is None else f'<p class="finding">{escape(shown.head or shown.finding)}</p>{shown.svg}'


def _section(title: str, inside: str) -> str:
    return f"<section><h2>{escape(title)}</h2>{inside}</section>"


def _list(sentences) -> str:
    return "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in sentences) + "</ul>"
