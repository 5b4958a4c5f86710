"""What the page of the review says of a log, as HTML; every text out of a file is escaped here."""

from __future__ import annotations

from html import escape

import numpy as np
import pandas as pd

from kernel_lib import units
from kernel_lib.logs.finding import Change, Finding, nothing_to_change
from kernel_lib.logs.review import Review
from kernel_lib.plan.ladder import Step
from kernel_lib.text import degrees, rounded
from kernel_lib.text import listed as text_listed

from .. import display
from .mapping_words import no_verdict
from .opened import Opened

VERDICTS = {
    "go": ("holds", "Go"),
    "repeat": ("watch", "Repeat"),
    "go back": ("watch", "Go back"),
    "stop": ("stop", "Stop"),
}
"""State and word of every verdict."""
MEANS = {
    "go": "The log holds what the plan asks of this step. What still has to hold before the next stands below.",
    "repeat": "The same step again: something has to be put right, or measured better, before anyone can say that it is safe.",
    "go back": "Not this step again as it is: mend what stands below, or spray the last step that held.",
    "stop": "Shut the bottle and leave it shut until what stands below is mended.",
}
MEANS_PLAN = "This step, not the next: the plan has to be mended before any larger one. Another pull of this step changes nothing in that."
MEANS_BASE = {
    "go": "Without nitrous the engine does what the plan takes for granted.",
    "repeat": "Nothing has been sprayed. The pull without nitrous has to be better, or better measured, before anything is.",
    "go back": "Nothing has been sprayed, and nothing should be until what stands below is mended.",
    "stop": "Do not spray this engine until what stands below is mended.",
}
MEANS_NOTHING = "Nothing in this log can be judged: it needs one pull at full throttle."
_UNJUDGED = '<span class="nw-state-note">not judged</span>'
_STATES = {"holds": "holds", "watch": "watch", "stop": "stop"}
KINDS = {"nitrous": "nitrous", "base": "without nitrous", "nothing": "no pull"}


def whose(opened: Opened) -> str:
    """Whose log it is, so that a demo is never taken for one's own."""
    return "demo log, simulated" if opened.demo else "your log"


def state(finding: Finding) -> str:
    """The mark of a finding."""
    if finding.state == "unjudged":
        return _UNJUDGED
    return f'<span class="nw-state-{_STATES[finding.state]}">{escape(finding.state)}</span>'


def verdict(opened: Opened, base: Opened | None, bases: list[Opened] = ()) -> str:
    """The verdict and what it means; or why there is none."""
    beside = f" · judged beside {escape(base.name)}, which holds a pull without nitrous" if base is not None else ""
    about = f'<p class="nw-quiet nw-review-of">{escape(opened.name)} · {whose(opened)}{beside}</p>'
    review = opened.shown
    if review is None:
        answerable = [key for key in opened.open_keys if opened.mapping.get(key).name]
        if answerable:
            told = escape(no_verdict(opened.open_keys))
            return f'{about}<p class="nw-caution"><span class="nw-state-watch">no verdict</span> {told}</p>'
        if not opened.refused:
            return f"{about}<p>Being read.</p>"
        return (
            f'{about}<p class="nw-caution"><span class="nw-state-stop">no verdict</span> {escape(opened.refused)}</p>'
        )
    kind, word = VERDICTS[review.verdict]
    means = {"base": MEANS_BASE, "nothing": dict.fromkeys(VERDICTS, MEANS_NOTHING)}.get(review.kind, MEANS)
    line = f'<p class="nw-review-verdict"><span class="nw-state-{kind}">{word}</span> {escape(headline(review))}</p>'
    apart = f'<p class="nw-caution">{escape(told)}</p>' if (told := disagree(bases, base)) else ""
    told = MEANS_PLAN if _only_the_plan(review) else means[review.verdict]
    return f"{about}{apart}{line}<p>{escape(told)} {escape(what_it_was(review))}</p>"


def _only_the_plan(review: Review) -> bool:
    """Whether nothing but the plan itself keeps the next step shut."""
    asked = [f for f in review.findings if f.asks != "go"]
    return review.verdict == "repeat" and all(f.key == "plan" for f in asked)


def disagree(bases: list[Opened], base: Opened | None) -> str:
    """Said where the open logs without nitrous have not the same verdict."""
    found = [(o.name, VERDICTS[o.shown.verdict][1]) for o in bases if o.shown is not None]
    if len({word for _, word in found}) < 2:
        return ""
    held = f"This log is held against {base.name}." if base is not None else "This log is held against none of them."
    told = text_listed([f"{name} says {word.lower()}" for name, word in found])
    return f"The open logs without nitrous do not agree: {told}. {held} Find out which is right before anyone sprays."


def headline(review: Review) -> str:
    """The headline without the word of the verdict before it."""
    text = review.headline.strip()
    word = VERDICTS[review.verdict][1]
    if text.lower().startswith((f"{word.lower()}:", f"{word.lower()},")):
        text = text[len(word) + 1 :].lstrip()
    return text[:1].upper() + text[1:]


def what_it_was(review: Review) -> str:
    """Which step of the ladder the log shows."""
    step = review.step
    if step is None or review.kind != "nitrous":
        return ""
    ladder = review.tune.ladder.steps
    share = f"{100 * step.share:.0f} % of the planned dose" if np.isfinite(step.share) else "a dose that is not known"
    if step.index is None:
        return step.note or f"The log shows {share}, no step of the ladder."
    return f"The log shows step {step.index + 1} of {len(ladder)} of the ladder, {share}."


def gates(review: Review) -> str:
    """What has to hold before the next step is sprayed."""
    if not review.gates:
        return ""
    rows = "".join(f"<li>{escape(text)}</li>" for text in review.gates)
    return f"<h3>Before anyone sprays again</h3><ul>{rows}</ul>"


def next_step(review: Review) -> str:
    """The step of the ladder that the verdict leaves open."""
    step = review.step
    if step is None or step.next is None:
        return ""
    name = (step.next_is or "the next step").strip()
    return f"<h3>{escape(name[:1].upper() + name[1:])}</h3>{_step_text(step.next)}"


def _step_text(step: Step) -> str:
    obstacle = f'<p><span class="nw-state-stop">not open</span> {escape(step.obstacle)}</p>' if step.obstacle else ""
    hp = f"{rounded(step.hp, 10)} hp" if np.isfinite(step.hp) else "a power that is not known"
    said = f"{100 * step.share:.0f} % of the planned dose, likely {hp} at the crank at the speed of peak power; retard {step.retard} degrees."
    rows = "".join(f"<li>{escape(text)}</li>" for text in step.gate)
    return f"{obstacle}<p>{escape(said)}</p><p>Its gate:</p><ul>{rows}</ul>"


def reasons(review: Review) -> str:
    """Every finding, the heaviest first; what holds and what was not judged stands together at the end."""
    heavy = [f for f in review.findings if f.state in ("watch", "stop") or f.asks != "go"]
    rest = [f for f in review.findings if f not in heavy]
    out = "".join(_reason(f) for f in heavy)
    if not heavy:
        out = "<p>Nothing in this log speaks against it.</p>"
    held = "".join(f"<li>{state(f)} {escape(f.title)}{_detail(f)}</li>" for f in rest)
    also = f'<h3>Looked at as well</h3><ul class="nw-review-held">{held}</ul>' if held else ""
    return f"{out}{also}"


def _reason(finding: Finding) -> str:
    when = f' <span class="nw-quiet">{_when(*finding.at_s)} in the log</span>' if finding.at_s else ""
    return (
        f'<section class="nw-review-reason"><h3>{state(finding)} {escape(finding.title)}{when}</h3>'
        f"<p>{escape(finding.sentence)}</p></section>"
    )


def _when(begin: float, end: float) -> str:
    first, last = f"{begin:.2f}", f"{end:.2f}"
    return f"at {first} s" if first == last else f"{first} to {last} s"


def _detail(finding: Finding) -> str:
    return f' <span class="nw-quiet">{escape(finding.sentence)}</span>' if finding.sentence else ""


def changes(review: Review) -> str:
    """What to change, in a table."""
    if not review.changes:
        return f"<p>{nothing_to_change(review.verdict)}</p>"
    rows = "".join(
        f'<tr><th scope="row">{escape(c.what)}</th><td>{where(c)}</td><td>{amount(c)}</td>'
        f"<td>{escape(c.sentence)}{_bounded(c)}</td></tr>"
        for c in review.changes
    )
    head = '<tr><th scope="col">what</th><th scope="col">where</th><th scope="col">by how much</th><th scope="col">how, and what bounds it</th></tr>'
    return scrolling(
        "what to change",
        f'<table class="nw-table nw-wordy nw-review-changes"><thead>{head}</thead><tbody>{rows}</tbody></table>',
    )


def where(change: Change) -> str:
    """Engine speed and valve duty of a change."""
    parts = [f"{change.rpm:.0f} rpm"] if change.rpm is not None else []
    parts += [f"{change.valve_duty_percent:.0f} % valve duty"] if change.valve_duty_percent is not None else []
    return escape(", ".join(parts) or "everywhere")


def amount(change: Change) -> str:
    """How much, with its band."""
    if change.amount is None:
        return "–"
    if change.what == "bottle":  # what to bring it to, not by how much
        return escape(f"to {change.amount:.0f} {change.unit}".strip())
    ends = [change.low, change.high]
    spread = abs(ends[1] - ends[0]) if None not in ends else None

    finest = {} if not spread else {"digits": 0 if spread >= 10 else 1 if spread >= 0.5 else 2}

    def signed(value: float) -> str:
        if change.unit == "degrees":
            text = degrees(abs(value))
        else:
            text = f"{abs(value):.{finest['digits']}f}" if finest else rounded(abs(value))
        text = "0" if float(text.replace(" ", "")) == 0 else text
        return text if text == "0" else f"{'+' if value > 0 else '−'}{text}"

    band = f" ({signed(ends[0])} to {signed(ends[1])})" if spread else ""
    return escape(f"{signed(change.amount)}{band} {change.unit}".strip())


def _bounded(change: Change) -> str:
    return f' <span class="nw-quiet">Held back: {escape(change.bounded_by)}</span>' if change.bounded_by else ""


def listed(logs: list[Opened], at: int) -> str:
    """The logs that are open."""
    if not logs:
        return ""
    rows = "".join(
        f"<tr{' class=nw-review-at' if k == at else ''}><td>{k + 1}</td><td>{escape(o.name)}</td><td>{whose(o)}</td>"
        f"<td>{_kind(o)}</td><td>{_state(o)}</td></tr>"
        for k, o in enumerate(logs)
    )
    head = "<tr><th>no.</th><th>log</th><th>whose</th><th>what is in it</th><th>verdict</th></tr>"
    return scrolling(
        "open logs",
        f'<table class="nw-table nw-wordy nw-review-logs"><thead>{head}</thead><tbody>{rows}</tbody></table>',
    )


def _kind(opened: Opened) -> str:
    if opened.shown is None:
        return "–"
    pulls = len(opened.review.pulls)
    return f"{KINDS[opened.review.kind]}, {pulls} {'pull' if pulls == 1 else 'pulls'}"


def _state(opened: Opened) -> str:
    if opened.shown is not None:
        kind, word = VERDICTS[opened.shown.verdict]
        return f'<span class="nw-state-{kind}">{word}</span>'
    if opened.open_keys:
        return '<span class="nw-state-watch">asks about its columns</span>'
    return '<span class="nw-state-stop">no verdict</span>' if opened.refused else "being read"


def fitted(logs: list[Opened]) -> str:
    """What was fitted to."""
    return text_listed([o.name for o in logs]) if logs else ""


def notes(opened: Opened) -> str:
    """What was mended or left out of the log on the way."""
    said = opened.log.notes if opened.log is not None else []
    if not said:
        return ""
    rows = "".join(f"<li>{escape(text)}</li>" for text in said)
    return f"<h3>How the file was read</h3><ul>{rows}</ul>"


def strange_car(opened: Opened, car: str, demo_car: str) -> str:
    """Said where a demo log is judged against another car than the one it was made with."""
    if not opened.demo or car == demo_car:
        return ""
    return f"This demo log is of the demo car {demo_car}; here it is judged against {car}, and says nothing about it."


def scrolling(name: str, table: str) -> str:
    """A table that may be wider than its page, so that keys can move it."""
    return f'<div class="nw-review-scroll" tabindex="0" role="region" aria-label="{escape(name)}">{table}</div>'


def history_title(judged: list[Opened]) -> str:
    """The finding of the history."""
    words = [f"{VERDICTS[o.review.verdict][1].lower()}" for o in judged]
    counts = {word: words.count(word) for word in dict.fromkeys(words)}
    told = ", ".join(f"{n} {word}" for word, n in counts.items())
    return f"{len(judged)} logs side by side: {told}"


def history(table: pd.DataFrame, names: list[str], system: str) -> str:
    """The ladder's history: a row a log, a column a quantity."""
    shown = [c for c in table.columns if c not in ("name", "headline")]
    head = "".join(f'<th scope="col">{escape(_label(c, system))}</th>' for c in shown)
    rows = "".join(
        f'<tr><th scope="row">{escape(name)}</th>{"".join(f"<td>{_cell(c, row[c], system)}</td>" for c in shown)}</tr>'
        for name, (_, row) in zip(names, table.iterrows(), strict=True)
    )
    return scrolling(
        "the logs side by side",
        f'<table class="nw-table nw-review-history"><thead><tr><th scope="col">log</th>{head}</tr></thead><tbody>{rows}</tbody></table>',
    )


SHARE, LEAN = "share_of_plan", "leanest_lambda"
"""Columns of the history that are drawn."""
_ENDS = {"_percent": "%", "_deg": "deg", "_kpa": "kPa gauge", "_rpm": "rpm", "_s": "s", "_c": "°C", "_hp": "hp"}


def _unit(column: str) -> tuple[str, str]:
    """Ending and unit of a column's name."""
    return next(((end, unit) for end, unit in _ENDS.items() if column.endswith(end)), ("", ""))


def _label(column: str, system: str) -> str:
    if column == SHARE:
        return "of the plan, %"
    end, unit = _unit(column)
    name = column.removesuffix(end).strip("_").replace("_", " ")
    return f"{name}, {display.shown(unit, system).unit}" if unit else name


def _cell(column: str, value: object, system: str) -> str:
    if column == "verdict" and value in VERDICTS:
        kind, word = VERDICTS[value]
        return f'<span class="nw-state-{kind}">{word}</span>'
    if isinstance(value, str):
        return escape(value)
    number = float(value) if value is not None else np.nan
    if not np.isfinite(number):
        return "–"
    if column == SHARE:
        return f"{100 * number:.0f}"
    if "lambda" in column:
        return f"{number:.3f}"
    there = display.shown(_unit(column)[1], system).there(number)
    text = f"{there + 0.0:.1f}" if column.endswith("_deg") else f"{there:.0f}"
    return text.removeprefix("-") if float(text) == 0 else text.replace("-", "−")


def pressure(kpa: np.ndarray, system: str) -> np.ndarray:
    """Gauge pressures in the reader's unit."""
    return kpa if system == display.METRIC else units.psi_from_kpa(kpa)
