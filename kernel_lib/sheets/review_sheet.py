"""The review on paper: what the log says, why, and what to change, on one or two printed pages."""

from __future__ import annotations

import datetime
from html import escape

import numpy as np
import pandas as pd

from .. import __version__
from ..logs.channels import CHANNELS
from ..logs.finding import GO, GO_BACK, REPEAT, STOP, Change, Finding, nothing_to_change
from ..logs.review import Review
from ..text import degrees, plus_minus, rounded
from ..units import psi_from_kpa
from .plan_sheet import CAUTIONS
from .review_pictures import pictures

MARKS = {GO: "✓", REPEAT: "▲", GO_BACK: "▲", STOP: "■"}
"""Shapes of the verdicts; a word stands beside each."""
STATES = {"holds": "✓ holds", "watch": "▲ watch", "stop": "■ stop", "unjudged": "○ not judged"}

_STYLE = """
:root{color:#1b1f24;background:#fbfaf7;font:15px/1.45 Charter,"Iowan Old Style",Cambria,Georgia,serif}
body{max-width:62rem;margin:1.4rem auto;padding:0 1.2rem}h1{font-size:1.6rem;line-height:1.2;margin:.1em 0 .3em}h2{font-size:1.05rem;margin:1.1em 0 .3em}
p{margin:.3em 0;max-width:88ch}ul{margin:.2em 0;padding-left:1.2em}.quiet{color:#5b6470;font-size:.88em}.car{color:#8a3b12}
.verdict{border-left:8px solid #5b6470;padding:.2em .9em;margin:.6em 0}.go{border-color:#2f6b3a}.repeat,.back{border-color:#8a6100}.halt{border-color:#9b1c1c}
.holds{color:#2f6b3a}.watch{color:#8a6100}.stop{color:#9b1c1c}.unjudged{color:#5b6470}.state{font:600 .86em system-ui,sans-serif;white-space:nowrap}
.finding{display:grid;grid-template-columns:7.5em 1fr;gap:.1em 1em;border-top:1px solid #d9d5cc;padding:.35em 0}.finding p{margin:0}
table{border-collapse:collapse;width:100%;border-top:1.5px solid #1b1f24;border-bottom:1.5px solid #1b1f24;font:13px/1.4 system-ui,sans-serif;font-variant-numeric:tabular-nums}
th{font-weight:600;text-align:left;border-bottom:1px solid #d9d5cc;padding:.25em .5em;vertical-align:bottom}td{padding:.15em .5em;vertical-align:top}.number{text-align:right;white-space:nowrap}
.short{columns:2;column-gap:2em;padding-left:1.1em}.short li{break-inside:avoid;margin:0 0 .25em}.two{display:grid;grid-template-columns:1fr 1fr;gap:.6em 2em}svg{display:block;width:100%;max-width:440px;height:auto}.over{font:600 .85em/1.3 system-ui,sans-serif}.wrap{overflow-x:auto}
@media (max-width:700px){.two,.finding{grid-template-columns:1fr}.short{columns:1}}
@media print{.wrap{overflow:visible}.wrap table{font-size:7.2pt}.wrap th,.wrap td{padding:.1em .35em}.wrap td:first-child{overflow-wrap:anywhere}tr:first-child{break-after:avoid}.quiet{font-size:.85em;line-height:1.2}@page{margin:10mm}:root{font-size:8.6pt;line-height:1.2;background:#fff}body{margin:0;max-width:none;padding:0}h1{font-size:14pt}h2{font-size:10pt;margin:.7em 0 .2em}p{margin:.2em 0}.finding{padding:.2em 0}table{font-size:7.5pt}
.two{grid-template-columns:1fr 1fr}.finding,figure,tr,.pull{break-inside:avoid}h2{break-after:avoid}.pictures{grid-template-columns:repeat(4,1fr);gap:.3em 1em}.verdict,.halt{-webkit-print-color-adjust:exact;print-color-adjust:exact}}
"""
_KIND = {GO: "go", REPEAT: "repeat", GO_BACK: "back", STOP: "halt"}


def review_html(review: Review, *, others: pd.DataFrame | None = None, date: datetime.date | None = None) -> str:
    """Return a review as one HTML page that needs no other file.

    Parameters
    ----------
    review : Review
        Its own units are those of the page.
    others : DataFrame, optional
        `logs.history.history` of every log that was opened with this one.
    date : date, optional
        Today if None.
    """
    sheet, day = review.sheet, date or datetime.date.today()
    car = escape(sheet.car.name)
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Review: {escape(review.name)}</title><style>{_STYLE}</style></head><body>
<p class="quiet"><span class="car">{car}</span> · {escape(sheet.car.owner)} · {escape(sheet.car.shop)} · {day.isoformat()} · log {escape(review.name)}</p>
<div class="verdict {_KIND[review.verdict]}"><p class="state">{MARKS[review.verdict]} {escape(review.verdict)}</p><h1>{escape(review.headline)}</h1></div>
{_list("Before the next spray", review.gates)}{_step(review)}{_changes(review.changes, review.verdict)}
{_why(review.findings)}
{_drawn(review)}{_fit(review)}{_history(others, metric=review.metric)}{_mapping(review)}
<h2>Cautions</h2>{"".join(f'<p class="quiet">{escape(text)}</p>' for text in CAUTIONS)}
<p class="quiet">A review rests on this log, on the build sheet, and on one sensor that averages the cylinders. kernel {__version__} · Cantera, NASA polynomials · CoolProp [Lemmon &amp; Span 2006]</p>
</body></html>
"""


def _list(title: str, sentences) -> str:
    if not sentences:
        return ""
    return f"<section><h2>{escape(title)}</h2><ul>{''.join(f'<li>{escape(text)}</li>' for text in sentences)}</ul></section>"


def _step(review: Review) -> str:
    step = review.step
    if step is None or step.next is None:
        return ""
    after = step.next
    told = f"{100 * after.share:.0f} % of the plan, about {after.hp:.0f} hp at the crank, {after.retard} degrees out."
    gate = "; ".join(after.gate)
    return f"<section><h2>Step: {escape(step.next_is)}</h2><p>{escape(told)} {escape(after.obstacle)}</p><p class='quiet'>Its gate: {escape(gate)}.</p></section>"


def _changes(every: tuple[Change, ...], verdict: str) -> str:
    if not every:
        return f"<section><h2>What to change</h2><p>{nothing_to_change(verdict)}</p></section>"
    body = "".join(
        f"<tr><td>{escape(c.what)}</td><td>{escape(c.sentence)}</td><td class='number'>{_amount(c)}</td><td>{escape(c.bounded_by)}</td></tr>"
        for c in every
    )
    head = "<tr><th>what</th><th>how</th><th class='number'>amount (low to high)</th><th>held back by</th></tr>"
    return f"<section><h2>What to change</h2><div class='wrap'><table>{head}{body}</table></div></section>"


def _amount(change: Change) -> str:
    if change.amount is None:
        return ""
    if change.what == "bottle":  # it is brought to a temperature
        return escape(f"to {change.amount:.0f} {change.unit}")
    if change.unit == "degrees":  # as the sentence beside it
        return escape(f"{'+' if change.amount > 0 else ''}{degrees(change.amount)} degrees".replace("-", "\u2212"))
    known = change.low is not None and change.high is not None
    spread = change.high - change.low if known else None
    text = f"{'+' if change.amount > 0 else ''}{rounded(change.amount, spread)}"
    if spread:
        text += f" ({rounded(change.low, spread)} to {rounded(change.high, spread)})"
    return escape(f"{text} {change.unit}".strip().replace("-", "\u2212"))


def _why(findings: tuple[Finding, ...]) -> str:
    """What speaks against going on, in full; what holds and what could not be judged, short."""
    heavy = [f for f in findings if f.asks != GO or f.state in ("watch", "stop")]
    out = "".join(_finding(f) for f in heavy)
    for state, title in (("holds", "What holds"), ("unjudged", "What this log cannot tell")):
        some = [f for f in findings if f not in heavy and f.state == state]
        if some:
            told = "".join(
                f"<li><b>{escape(f.title)}.</b> <span class='quiet'>{escape(f.sentence)}</span></li>" for f in some
            )
            out += f"<h2>{title}</h2><ul class='short'>{told}</ul>"
    return f"<section>{'<h2>Why, the heaviest first</h2>' if heavy else ''}{out}</section>"


def _finding(f: Finding) -> str:
    return (
        f'<div class="finding"><p class="state {f.state}">{STATES[f.state]}</p><div><p><b>{escape(f.title[:1].upper() + f.title[1:])}</b></p>'
        f'<p class="quiet">{escape(f.sentence)}</p></div></div>'
    )


def _drawn(review: Review) -> str:
    shown = pictures(review, metric=review.metric)
    if not shown:
        return ""
    body = "".join(
        f'<figure style="margin:0"><p class="over">{escape(text)}</p>{image}</figure>' for text, image in shown
    )
    return f'<section class="pull"><h2>The pull</h2><div class="two pictures">{body}</div><p class="quiet">Rust: this log. Blue: the plan, its band pale. Black: limits.</p></section>'


def _fit(review: Review) -> str:
    fit = review.fit
    if fit is None:
        return ""
    if fit.refused:
        return f"<section><h2>What the logs say about the build sheet</h2><p>{escape(fit.refused)}</p></section>"
    rows = "".join(
        f"<tr><td>{escape(f'{p.name}, {p.unit}' if p.unit else p.name)}</td><td class='number'>{_pair(p.before, p.before_error)}</td><td class='number'>{_pair(p.after, p.error)}</td>"
        f"<td>{escape(p.identifiable)}</td><td>{escape(p.because)}</td></tr>"
        for p in fit.parameters
    )
    fixed = "".join(f"<li>{escape(text)}: {_pair(value, error)}</li>" for text, value, error in fit.combinations)
    head = "<tr><th>number</th><th class='number'>sheet</th><th class='number'>with the logs</th><th>fixed by</th><th>because</th></tr>"
    notes = "".join(f'<p class="quiet">{escape(text)}</p>' for text in fit.notes)
    return f"<section><h2>What the logs say about the build sheet</h2><ul>{fixed}</ul><div class='wrap'><table>{head}{rows}</table></div>{notes}</section>"


def _pair(value: float | None, error: float | None) -> str:
    return escape(plus_minus(float("nan") if value is None else value, error))


def _history(others: pd.DataFrame | None, *, metric: bool) -> str:
    if others is None or len(others) < 2:
        return ""
    unit, to = ("kPa", 1.0) if metric else ("psi", psi_from_kpa(1.0))
    head = f"<tr><th>log</th><th>kind</th><th class='number'>of the plan, %</th><th>verdict</th><th class='number'>settled lambda, farthest off</th><th class='number'>leanest lambda</th><th class='number'>bottle at the start, {unit}</th><th>knock</th></tr>"
    rows = ""
    for _, row in others.iterrows():
        cells = [row["name"], row["kind"]]
        numbers = [
            100 * row["share_of_plan"],
            row["worst_settled_lambda"],
            row["leanest_lambda"],
            to * row["bottle_start_kpa"],
        ]
        a, b, c, d = (rounded(v) if np.isfinite(v) else "–" for v in numbers)
        rows += f"<tr><td>{escape(str(cells[0]))}</td><td>{escape(str(cells[1]))}</td><td class='number'>{a}</td><td>{escape(row['verdict'])}</td><td class='number'>{b}</td><td class='number'>{c}</td><td class='number'>{d}</td><td>{escape(row['knock'])}</td></tr>"
    return f"<section><h2>The logs side by side</h2><div class='wrap'><table>{head}{rows}</table></div></section>"


def _mapping(review: Review) -> str:
    if review.mapping is None:
        return ""
    rows = [m for m in review.mapping.matches.values() if m.used]
    told = "; ".join(f"{CHANNELS[m.key].label} from “{m.name}”{f' in {m.unit}' if m.unit else ''}" for m in rows)
    notes = " ".join(review.log.notes)
    return f'<section><h2>What was read</h2><p class="quiet">{escape(told)}. {escape(notes)}</p></section>'
