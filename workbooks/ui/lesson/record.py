"""The record of a lesson: what was predicted, what was computed, on paper."""

from __future__ import annotations

import datetime
from html import escape

from kernel_lib.sheets.plan_sheet import CAUTIONS, STYLE

Row = tuple[str, str, str, str, str]
"""Step, prediction, judgement, difference, computed answer."""


def record_body(rows: list[Row], car: str, day: datetime.date) -> str:
    """Return the record as HTML."""
    whose = f'<p class="nw-quiet quiet">{escape(car)} · {day.isoformat()} · name: ____________________</p>'
    if not rows:
        return "<h2>Your record</h2><p>Empty so far: every prediction you commit is written here, beside what was computed. Print this page, or keep it as a file.</p>"
    body = "".join(
        f"<tr><td>{escape(title)}</td><td>{escape(said)}</td><td><b>{escape(judged)}</b> {escape(difference)}</td><td>{escape(found)}</td></tr>"
        for title, said, judged, difference, found in rows
    )
    head = "<tr><th>step</th><th>you said</th><th>the difference</th><th>computed</th></tr>"
    return f'<h2>Your record</h2>{whose}<table class="nw-table nw-wordy">{head}{body}</table>'


def record_page(car: str, body: str) -> str:
    """Return the record as one HTML page that needs no other file."""
    cautions = "".join(f'<p class="quiet">{escape(text)}</p>' for text in CAUTIONS)
    words = "td,th,td:first-child,th:first-child{text-align:left;vertical-align:top;padding:.3em .6em}"
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Lesson: {escape(car)}</title><style>{STYLE}{words}</style></head><body><h1>Why the targets exist: predictions and answers</h1>{body}<h2>Cautions</h2>{cautions}</body></html>
"""
