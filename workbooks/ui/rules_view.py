"""The page of the rule check: an answer, then a block a rule with its numbers, a strip over speed and the reason."""

from __future__ import annotations

from html import escape

import ipywidgets as w
import numpy as np

from kernel_lib.teach.rules import HOLDS, MORE, NOT_FIRST, SHORT, UNJUDGED, RuleCheck, check_rules

from . import display, theme
from . import rules_words as words
from .frame import box, html
from .guard import guarded
from .session import Session

_WIDTH, _HEIGHT = 400, 168
_LEFT, _RIGHT, _TOP, _BOTTOM = 46, 14, 18, 52
_MARKS = {HOLDS: "✓", SHORT: "■", NOT_FIRST: "▲", MORE: "◆", UNJUDGED: "○"}
_INK = {HOLDS: "#2f6b3a", SHORT: "#9b1c1c", NOT_FIRST: "#8a6100", MORE: "#3a5a8c", UNJUDGED: theme.QUIET}


class RuleCheckView:
    """The rules held against the session's sheet.

    Attributes
    ----------
    page : Box
    checks : list of RuleCheck
        The last good ones.
    """

    def __init__(self, session: Session) -> None:
        self.session, self.checks = session, []
        self.answer, self.message = html("", "nw-answer"), html("", "nw-field-error")
        self.blocks, self.assumes = html("", "nw-rules"), html("", "nw-assumes")
        self.page = box([self.answer, self.message, self.blocks, self.assumes], "nw-stack")
        self.draw = guarded(self._say)(self._redraw)
        session.observe(self.draw, ["sheet", "units"])
        self.draw()

    def _say(self, sentence: str) -> None:
        self.message.value = escape(sentence)
        for part in (self.answer, self.blocks):
            (part.add_class if sentence else part.remove_class)("nw-stale")

    def _redraw(self, _change: object = None) -> None:
        sheet, system = self.session.sheet, self.session.units
        checks = check_rules(sheet, metric=system == display.METRIC)
        first, *rest = words.answer(checks, sheet, system)
        told = "".join(f"<p>{_text(text)}</p>" for text in (first, *rest))
        groups = self._table(checks) + "".join(self._group(checks, shown) for shown in words.ORDER)
        self.checks = checks
        self.answer.value, self.blocks.value = told, groups
        self.assumes.value = f"<p>{escape(words.assumes(sheet))}</p>"

    def _table(self, checks: list[RuleCheck]) -> str:
        """All of them at a glance, each a link to its block."""
        rows = "".join(self._row(c) for shown in words.ORDER for c in self._of(checks, shown))
        head = "".join(f'<th scope="col">{name}</th>' for name in ("rule", "gives here", "the model", "verdict"))
        return f'<table class="nw-table nw-wordy nw-rules-table"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>'

    def _row(self, c: RuleCheck) -> str:
        sheet, system = self.session.sheet, self.session.units
        cells = [words.here_text(c, sheet, system), words.model_text(c, sheet, system)]
        numbers = "".join(f"<td>{_text(text)}</td>" for text in cells)
        speeds = f"<small>{escape(words.ranges_text(c))}</small>"
        return (
            f'<tr><th scope="row"><a href="#rule-{c.rule.key}">{_text(c.rule.text)}</a></th>{numbers}'
            f'<td><span class="nw-state-{words.STATES[c.shown]}">{c.word}</span>{speeds}</td></tr>'
        )

    @staticmethod
    def _of(checks: list[RuleCheck], shown: str) -> list[RuleCheck]:
        """Those shown alike, what may cost most first."""
        return sorted((c for c in checks if c.shown == shown), key=lambda c: (-c.rule.harm, -c.missing))

    def _group(self, checks: list[RuleCheck], shown: str) -> str:
        mine = self._of(checks, shown)
        if not mine:
            return ""
        blocks = "".join(self._block(c) for c in mine)
        return f"<section><h2>{words.HEADS[shown]} ({len(mine)})</h2>{blocks}</section>"

    def _block(self, c: RuleCheck) -> str:
        sheet, system = self.session.sheet, self.session.units
        rows = [("rule", words.here_text(c, sheet, system)), ("model", words.model_text(c, sheet, system))]
        span = words.ranges_text(c)
        verdict = f'<span class="nw-state-{words.STATES[c.shown]}">{c.word}</span>'
        if span:
            verdict += f" <span>{escape(span)}</span>"
        numbers = "".join(f"<dt>{name}</dt><dd>{_text(text)}</dd>" for name, text in rows)
        band = f" Band: {escape(c.model.because)}." if c.model is not None else ""
        return (
            f'<article class="nw-rule" id="rule-{c.rule.key}"><h3>{_text(c.rule.text)}</h3>'
            f'<div class="nw-rule-numbers"><p class="nw-rule-verdict">{verdict}</p><dl>{numbers}</dl>{strip(c, system)}</div>'
            f'<div class="nw-rule-why"><p>{_text(c.because)}</p>'
            f'<p class="nw-rule-origin"><b>Where it comes from.</b> {_text(c.rule.origin)} <i>{escape(words.rule_basis(c))}</i>{band}</p></div></article>'
        )


def _text(text: str) -> str:
    """Escape, and keep a per cent sign with its number."""
    return escape(text).replace(" %", "\u00a0%")


def strip(c: RuleCheck, system: str) -> str:
    """Rule and model over engine speed, verdicts under it; nothing where speed does not enter or the need is not known."""
    if c.course is None or c.verdict == UNJUDGED or len(c.course.rpm) < 2:
        return ""
    to = words.there(c, system)
    rpm = c.course.rpm
    here, low, best, high = (
        np.array([to(v) if np.isfinite(v) else np.nan for v in values])
        for values in (c.course.here, c.course.low, c.course.best, c.course.high)
    )
    most = np.full(len(rpm), np.nan) if c.course.most is None else np.array([to(v) for v in c.course.most])
    every = np.concatenate([here, low, best, high, most])
    bottom, top = float(np.nanmin(every)), float(np.nanmax(every))
    bottom = min(bottom, 0.0) if c.unit != "lambda" else bottom - 0.02
    top += 0.06 * (top - bottom)

    def x(v: float) -> float:
        return _LEFT + (v - rpm[0]) / (rpm[-1] - rpm[0]) * (_WIDTH - _LEFT - _RIGHT)

    def y(v: float) -> float:
        return _HEIGHT - _BOTTOM - (v - bottom) / (top - bottom) * (_HEIGHT - _TOP - _BOTTOM)

    known = np.isfinite(low) & np.isfinite(high)
    edge = [f"{x(a):.1f},{y(b):.1f}" for a, b in zip(rpm[known], high[known], strict=True)]
    edge += [f"{x(a):.1f},{y(b):.1f}" for a, b in zip(rpm[known][::-1], low[known][::-1], strict=True)]
    finding = f"{c.rule.text}: {c.word} {words.ranges_text(c)}"
    parts = [
        _axes(x, y, rpm, bottom, top, _axis_label(c, system)),
        f'<polygon points="{" ".join(edge)}" fill="{theme.WITH}" fill-opacity="0.18"/>' if known.sum() > 1 else "",
        _line(x, y, rpm, best, f'stroke="{theme.WITH}" stroke-width="2.2"'),
        _line(x, y, rpm, most, f'stroke="{theme.WITH}" stroke-width="1.6" stroke-dasharray="2 3"'),
        _line(x, y, rpm, here, f'stroke="{theme.TRADE}" stroke-width="2.2" stroke-dasharray="7 4"'),
        _names(x, y, rpm, here, best),
        _name_most(x, y, rpm, most),
        _bar(x, c),
    ]
    if c.at_rpm is not None and np.isfinite(at := np.interp(c.at_rpm, rpm, best)):
        parts.append(
            f'<circle cx="{x(c.at_rpm):.1f}" cy="{y(at):.1f}" r="5" fill="none" stroke="{theme.ACCENT}" stroke-width="2.2"/>'
        )
    return (
        f'<svg class="nw-rule-strip" role="img" aria-label="{escape(finding)}" viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" '
        f'height="{_HEIGHT}" font-family="{escape(theme.FONT)}" font-size="12" fill="{theme.INK}">{"".join(parts)}</svg>'
    )


def _axis_label(c: RuleCheck, system: str) -> str:
    return "lambda" if c.unit == "lambda" else words.unit_of(c, system)


def _line(x, y, rpm, values, style: str) -> str:
    good = np.isfinite(values)
    if good.sum() < 2:
        return ""
    points = " ".join(f"{x(a):.1f},{y(b):.1f}" for a, b in zip(rpm[good], values[good], strict=True))
    return f'<polyline points="{points}" fill="none" {style}/>'


def _axes(x, y, rpm, bottom: float, top: float, label: str) -> str:
    """Frame at the left and below, a few ticks, the unit on top of the axis."""
    step = _step(top - bottom)
    ticks = np.arange(np.ceil(bottom / step) * step, top + 1e-9, step)
    digits = max(0, -int(np.floor(np.log10(step))))
    out = [f'<text x="2" y="11" fill="{theme.QUIET}">{escape(label)}</text>']
    for v in ticks:
        out.append(f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y(v):.1f}" y2="{y(v):.1f}" stroke="#ebe7de"/>')
        out.append(f'<text x="{_LEFT - 6}" y="{y(v) + 4:.1f}" text-anchor="end">{v + 0.0:.{digits}f}</text>')
    base = y(bottom)
    out.append(f'<path d="M{_LEFT} {_TOP} V{base:.1f} H{_WIDTH - _RIGHT}" fill="none" stroke="{theme.QUIET}"/>')
    middle = round((rpm[0] + rpm[-1]) / 2, -3)
    for v, anchor in ((rpm[0], "start"), (middle, "middle"), (rpm[-1], "end")):
        told = f"{v:.0f} rpm" if v == rpm[-1] else f"{v:.0f}"
        out.append(f'<text x="{x(v):.1f}" y="{base + 15:.1f}" text-anchor="{anchor}">{told}</text>')
    return "".join(out)


def _step(span: float) -> float:
    """A round step that gives two to five ticks."""
    size = 10.0 ** np.floor(np.log10(span / 3))
    return float(size * next(k for k in (1, 2, 5, 10) if span / (k * size) <= 4))


def _names(x, y, rpm, here, best) -> str:
    """Say on the lines which is which, apart from each other, at the end where they stand further apart."""
    gaps = np.abs(np.nan_to_num(here - best, nan=-1.0))
    right = gaps[-1] >= gaps[0]
    k = len(rpm) - 1 if right else 0
    if not (np.isfinite(here[k]) and np.isfinite(best[k])):
        good = np.flatnonzero(np.isfinite(here + best))
        if not len(good):
            return ""
        k = int(good[-1] if right else good[0])
    above = here[k] > best[k]
    anchor, at = ("end", x(rpm[-1]) - 3) if right else ("start", x(rpm[0]) + 9)
    out = []
    for name, value, up, ink in (("rule", here[k], above, "#b34700"), ("model", best[k], not above, theme.WITH)):
        place = min(max(y(value) + (-6 if up else 14), _TOP + 8), _HEIGHT - _BOTTOM - 3)
        out.append(
            f'<text x="{at:.1f}" y="{place:.1f}" text-anchor="{anchor}" fill="{ink}" font-weight="600" paint-order="stroke" stroke="{theme.PAPER}" stroke-width="3">{name}</text>'
        )
    return "".join(out)


def _name_most(x, y, rpm, most) -> str:
    """Say on its line what the most is."""
    good = np.flatnonzero(np.isfinite(most))
    if len(good) < 2:
        return ""
    k = int(good[-1])
    return f'<text x="{x(rpm[k]) - 3:.1f}" y="{max(y(most[k]) - 6, _TOP + 8):.1f}" text-anchor="end" fill="{theme.WITH}" paint-order="stroke" stroke="{theme.PAPER}" stroke-width="3">at most</text>'


def _bar(x, c: RuleCheck) -> str:
    """Verdicts over speed: solid where short, hatched elsewhere by rule and outline, each with its mark and, where it fits, its word."""
    y, tall, out = _HEIGHT - 24, 18, []
    for s in c.ranges:
        a, b = x(s.rpm_low), x(s.rpm_high)
        ink, wide = _INK[s.shown], b - a
        solid, mark, word = s.shown == SHORT, _MARKS[s.shown], words.BRIEF.get(s.shown, s.shown)
        told = f"{mark} {word}" if wide > 7.5 * len(word) + 20 else mark if wide > 14 else ""
        out.append(
            f'<rect x="{a:.1f}" y="{y}" width="{max(wide, 1.5):.1f}" height="{tall}" fill="{ink if solid else "none"}" stroke="{ink}"/>'
            f'<text x="{(a + b) / 2:.1f}" y="{y + 13}" text-anchor="middle" fill="{"#ffffff" if solid else ink}">{told}</text>'
        )
    return "".join(out)


def rule_check(session: Session) -> w.Box:
    """Return the page of the rule check."""
    return RuleCheckView(session).page
