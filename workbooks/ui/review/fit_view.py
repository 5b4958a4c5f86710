"""What the logs say about the build sheet: which numbers they fix, before and after, and the way into the sheet."""

from __future__ import annotations

import math
from html import escape
from typing import Any

import ipywidgets as w
import numpy as np

from kernel_lib import build_fields as bf
from kernel_lib.logs.fit import Fit, updated
from kernel_lib.logs.fit_told import TREND_TOLD
from kernel_lib.text import listed, plus_minus, rounded

from .. import display
from ..download import link, stem
from ..frame import box, html
from ..guard import guarded
from ..session import Session
from .pictures_rpm import FitPicture
from .words import scrolling

TAKEN = "The build sheet of this page now carries these numbers, and so does its address: every log is judged anew."


def title(fit: Fit) -> str:
    """The finding of the fit."""
    if fit.refused:
        return "Nothing is fitted to these logs"
    if not fit.sheet_changes:
        off = [v for name, v, e in fit.combinations if abs(v - (name != TREND_TOLD)) > e]
        if off:
            return "These logs put nothing into the build sheet, though not all of them fits it"
        return "These logs bear the build sheet out: nothing is to be moved"
    names = dict.fromkeys(bf.describe(path).get("label", path) for path in fit.sheet_changes)
    return f"These logs move the build sheet: {listed(list(names))}"


def told(fit: Fit, of: str, left_out: list[tuple[str, str]] = ()) -> str:
    """What was fitted and what the logs fix, in words."""
    out = [f'<p class="nw-quiet">Fitted to {escape(of)}, by least squares; errors hold 19 times in 20.</p>']
    if fit.refused:
        return f"<p>{escape(fit.refused)}</p>"
    out += [f'<p class="nw-quiet">Left out: {escape(name)}. {escape(why)}</p>' for name, why in left_out]
    if math.isfinite(fit.rms_before) and math.isfinite(fit.rms_after):
        out.append(
            f"<p>Between model and gauge stood lambda {fit.rms_before:.3f} (root mean square), after the fit {fit.rms_after:.3f}.</p>"
        )
    if fit.combinations:
        rows = "".join(f"<li>{escape(name)}: {_number(v, e)}</li>" for name, v, e in fit.combinations)
        out.append(f"<p>What the logs fix by themselves:</p><ul>{rows}</ul>")
    out += [f"<p>{escape(note)}</p>" for note in fit.notes]
    return "".join(out)


def table(fit: Fit) -> str:
    """Every unknown before and after."""
    if not fit.parameters:
        return ""
    head = "".join(f'<th scope="col">{h}</th>' for h in ("unknown", "on the sheet", "after these logs", "told by"))
    rows = "".join(
        f'<tr><th scope="row">{escape(p.name)}{f", {escape(p.unit)}" if p.unit else ""}</th><td>{_number(p.before, p.before_error)}</td>'
        f'<td>{_number(p.after, p.error)}</td><td class="nw-told">{escape(_by(p.identifiable))}<span class="nw-quiet"> {escape(p.because)}</span></td></tr>'
        for p in fit.parameters
    )
    return scrolling(
        "before and after the fit",
        f'<table class="nw-table nw-wordy nw-review-fit"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>',
    )


def _by(identifiable: str) -> str:
    return {
        "by these logs": "these logs.",
        "only together": "the logs only together with another.",
        "not": "not these logs.",
    }.get(identifiable, identifiable)


def _number(value: float, error: float) -> str:
    return escape(plus_minus(value, error))


def changes(fit: Fit, system: str) -> str:
    """What the button would put into the sheet."""
    rows = []
    for path, value in fit.sheet_changes.items():
        about = bf.describe(path)
        unit = about.get("unit", "")
        if isinstance(value, tuple | list):
            shown = ", ".join(display.quantity(float(v), "", system) for v in value) + f" {unit}"
        elif isinstance(value, int | float):
            shown = display.quantity(float(value), unit, system)
        else:
            shown = str(value)
        rows.append(f"<li>{escape(about.get('label', path))}: {escape(shown)}</li>")
    return f"<p>Into the build sheet would go:</p><ul>{''.join(rows)}</ul>" if rows else ""


class FitBlock:
    """The fit to all logs that are open."""

    def __init__(self, session: Session) -> None:
        self.session, self.fit = session, None
        self.title, self.said, self.table, self.into = html(), html(), html(), html()
        self.error, self.done, self.take = html("", "nw-field-error"), html("", "nw-hint"), html()
        self.button = w.Button(
            description="put these into the build sheet", tooltip="change the build sheet of this page"
        )
        self.button.on_click(guarded(self._say, lambda e: display.refusal(e, session.units))(lambda _b: self._put()))
        self.slot, self.picture = box([], "nw-stack"), None
        row = box([self.button, self.take], "nw-row")
        self.widget = box(
            [
                self.title,
                box([self.said, self.slot], "nw-review-two"),
                self.table,
                self.into,
                row,
                self.error,
            ],
            "nw-stack",
            "nw-picture",
            "nw-review-fit-block",
        )
        self.widget.layout.display = "none"

    def show(self, fit: Fit | None, of: str, left_out: list[tuple[str, str]] = ()) -> None:
        """Show a fit, or nothing."""
        self.fit = fit
        self.widget.layout.display = None if fit is not None else "none"
        if fit is None:
            return
        self.title.value = f"<h2>{escape(title(fit))}</h2>"
        self.said.value, self.table.value = told(fit, of, left_out), table(fit)
        changed = bool(fit.sheet_changes) and not fit.refused
        self.into.value = changes(fit, self.session.units) if changed else ""
        self.button.layout.display = None if changed else "none"
        self.take.value, self.error.value = "", ""
        if changed:
            try:
                sheet = updated(self.session.sheet, fit)
            except Exception as exc:
                self._say(str(exc))
            else:
                name = f"{stem(sheet)}_fitted.toml"
                self.take.value = link("download the updated build sheet", name, "application/toml", sheet.to_toml())
        self._draw(fit)

    def _draw(self, fit: Fit) -> None:
        points = curve_points(fit)
        if points is None:
            self.slot.layout.display = "none"
            return
        self.slot.layout.display = None
        fresh = self.picture is None
        self.picture = self.picture or FitPicture()
        self.picture.draw(points, 1.0, self.session.units, self.session)
        self.picture.title.value = f"<h3>{escape(picture_title(points))}</h3>"
        self.picture.subtitle.value = "<span>Logged lambda over that of the model, less one, for settled samples over engine speed: with the sheet as it is, and after the fit.</span>"
        if fresh:
            self.picture.settle()
            self.slot.children = [self.picture.widget]

    def _say(self, sentence: str) -> None:
        self.error.value = escape(sentence)

    def _put(self) -> None:
        if self.fit is None or not self.fit.sheet_changes:
            return
        listing, was = changes(self.fit, self.session.units), self.session.sheet
        told = listing.replace("Into the build sheet would go:", "Changed in the build sheet:")
        self.done.value = f"{told}<span>{escape(TAKEN)}</span>"
        try:
            self.session.change(self.fit.sheet_changes)
        finally:
            if self.session.sheet == was:
                self.done.value = ""


def curve_points(fit: Fit) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Engine speed, and logged over modelled lambda before and after [%]."""
    if fit.refused or not fit.curves:
        return None
    parts = [(c.rpm, 100 * (c.shown / c.before - 1), 100 * (c.shown / c.after - 1)) for c in fit.curves]
    joined: Any = tuple(np.concatenate([np.asarray(p[k], float) for p in parts]) for k in range(3))
    return joined if len(joined[0]) else None


def picture_title(points: tuple) -> str:
    """The finding of the picture."""
    before, after = (float(np.sqrt(np.nanmean(p**2))) for p in points[1:])
    return f"Logged lambda stood {rounded(before, before)} % from the model, after the fit {rounded(after, after)} %"
