"""The step between file and verdict: which column is which, how sure that is, and how to correct it."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

import ipywidgets as w

from kernel_lib import InputError
from kernel_lib.logs.channels import CHANNELS, NEEDED, WANTED
from kernel_lib.logs.log_units import SCALED, UNITS_FOR
from kernel_lib.logs.match import MAX_FILE_BYTES, Mapping

from ..download import link
from ..exploration import labelled
from ..fields import NO_CHOICE, parse_number
from ..frame import box, html
from ..guard import guarded
from . import mapping_words as words
from .opened import Opened

MAY_BE_SCALED = tuple(key for key, units in UNITS_FOR.items() if set(units) & set(SCALED))
"""Quantities that may be logged as AFR, which says nothing without its scale."""


class Row:
    """One quantity: which column holds it, in which unit, on which scale, and why that is thought."""

    def __init__(self, key: str, changed: Callable[[str], None], guard: Callable[[Callable], Callable]) -> None:
        about = CHANNELS[key]
        self.key, self.quiet = key, False
        self.column = w.Dropdown(options=[("not in this log", NO_CHOICE)], tooltip=f"{about.label}: column")
        self.unit = w.Dropdown(options=[about.unit], tooltip=f"{about.label}: unit")
        self.scale = w.Text(continuous_update=False, tooltip=f"{about.label}: AFR shown at lambda 1")
        self.scale.add_class("nw-number")
        self.why = html("", "nw-hint", "nw-map-why")
        self.confirm = w.Button(
            description="so it is", tooltip=f"{about.label}: take column and unit as they stand here"
        )
        need = "needed" if key in NEEDED else "asked for by the ladder" if key in WANTED else ""
        mark = f'<span class="nw-quiet">{need}</span>' if need else ""
        self.unit_name, self.scale_name = (
            html("<label>unit</label>", "nw-label"),
            html("<label>scale</label>", "nw-label"),
        )
        scale = [box([self.scale_name, self.scale], "nw-row", "nw-map-scale")]
        cells = [
            box([html(f"<label>{escape(about.label)}</label>{mark}", "nw-label")], "nw-stack"),
            self.column,
            box([self.unit_name, self.unit, *(scale if key in MAY_BE_SCALED else [])], "nw-row"),
            box([self.confirm, self.why], "nw-stack"),
        ]
        self.widget = box(cells, "nw-field", "nw-map-row")
        heard = guard(lambda _c: None if self.quiet else changed(key))
        self.confirm.on_click(heard)
        for control in (self.column, self.unit, self.scale):
            control.observe(heard, "value")

    def show(self, names: list[tuple[str, int]], mapping: Mapping) -> None:
        """Show what a mapping says of this quantity."""
        match = mapping.get(self.key)
        found = match.column is not None
        units = list(UNITS_FOR.get(self.key, ()))
        unit = match.unit if found else (units[0] if units else "")
        units = [*units, *([unit] if unit not in units else [])]
        self.quiet = True
        try:
            if list(self.column.options) != names:
                self.column.options = names
            self.column.value = match.column if found else NO_CHOICE
            self.unit.options = [(u or "no unit", u) for u in units]
            self.unit.value = unit
            self.scale.value = f"{match.scale:g}" if found and match.scale else ""
        finally:
            self.quiet = False
        self._reveal(found and len(units) > 1, found and words.has_scale(unit))
        asked = self.key in mapping.asked
        self.confirm.layout.display = None if asked and found else "none"
        self.why.value = words.why(match, mapping.questions)
        (self.widget.add_class if asked else self.widget.remove_class)("nw-map-asked")

    def _reveal(self, unit: bool, scale: bool) -> None:
        """Show what there is to choose."""
        for there, parts in ((unit, (self.unit_name, self.unit)), (scale, (self.scale_name, self.scale))):
            for part in parts:
                part.layout.display = None if there else "none"

    def heard(self) -> None:
        """After a choice of the visitor's: what it asks for besides is there, even where it is refused."""
        found = self.column.value != NO_CHOICE
        self._reveal(found and len(self.unit.options) > 1, found and words.has_scale(self.unit.value))

    def chosen(self) -> tuple[int | None, str, float | None]:
        """What the visitor chose: column, unit, scale."""
        column = None if self.column.value == NO_CHOICE else self.column.value
        scale = None
        if column is not None and words.has_scale(self.unit.value) and self.scale.value.strip():
            scale = parse_number(f"{CHANNELS[self.key].label}: scale", self.scale.value, "AFR at lambda 1")
        return column, self.unit.value, scale


class MappingView:
    """All quantities of the log that is looked at.

    Attributes
    ----------
    widget : Box
    corrected : callable
        Called with the mapping that the visitor made.
    loaded : callable
        Called with a mapping out of a file; returns what came of it in words.
    rated : callable
        Called with the samples a second of a log that holds no time.
    """

    def __init__(
        self,
        corrected: Callable[[Mapping], None],
        loaded: Callable[[Mapping], str],
        rated: Callable[[float | None], None],
        undone: Callable[[], None] = lambda: None,
    ) -> None:
        self.corrected, self.loaded, self.rated, self.opened, self.quiet = corrected, loaded, rated, None, False
        self.title, self.said, self.questions = html(), html(), html("", "nw-warning")
        self.error, self.file_error, self.take = html("", "nw-field-error"), html("", "nw-field-error"), html()
        guard = guarded(self._say, lambda e: words.plainly(e, ""))
        self.rows = {key: Row(key, self._changed, guard) for key in CHANNELS}
        self._asked: list[str] = []
        self.asked = box([], "nw-stack", "nw-map")
        self.grid = box([row.widget for row in self.rows.values()], "nw-stack", "nw-map")
        self.rate = w.Text(continuous_update=False, tooltip="samples a second")
        self.rate.add_class("nw-number")
        self.rate.observe(guard(self._rate_typed), "value")
        self.rate_field = labelled("samples a second: this log has no column of time", self.rate)
        self.fold = w.ToggleButton(value=False, tooltip="the columns of this log, to look at and to correct")
        self.fold.observe(lambda _c: self._folded(), "value")
        self.upload = w.FileUpload(
            accept=".toml", multiple=False, description="open a mapping", tooltip="a mapping taken along, a small file"
        )
        self.upload.observe(guarded(self._say_file, lambda e: words.plainly(e, ""))(self._load), "value")
        self.undo = w.Button(description="undo: the mapping before", tooltip="go back to the mapping before the file")
        self.undo.on_click(guarded(self._say_file)(lambda _b: self._undo(undone)))
        self.undo.layout.display = "none"
        self.loaded_said = html("", "nw-hint")
        along = box([self.take, self.upload, self.undo, self.loaded_said, self.file_error], "nw-row", "nw-chooser")
        top = [self.title, self.questions, self.rate_field, self.asked, self.error, self.said, self.fold, self.grid]
        self.widget = box([*top, along], "nw-stack", "nw-mapping")
        self._folded()

    def show(self, opened: Opened, note: str) -> None:
        """Show the mapping of a log: what is asked, the rest folded away."""
        mapping, raw = opened.mapping, opened.raw
        self.widget.layout.display = None if mapping is not None else "none"
        if mapping is None or raw is None:
            return
        new = self.opened is not opened
        self.opened = opened
        names = [("not in this log", NO_CHOICE), *((words.column(n, k), k) for k, n in enumerate(raw.names))]
        for row in self.rows.values():
            row.show(names, mapping)
        asked = [key for key in self.rows if key in mapping.asked]
        if asked != self._asked:
            self._asked = asked
            self.grid.children = [row.widget for key, row in self.rows.items() if key not in asked]
            self.asked.children = [self.rows[key].widget for key in asked]
        self.asked.layout.display = None if asked else "none"
        self.title.value = f"<h2>{escape(words.title(mapping))}</h2>"
        self.said.value = words.said(mapping, raw, pulsed=opened.review is None or opened.review.tune.pulsed)
        self.questions.value = words.questions(mapping)
        self.questions.layout.display = None if mapping.questions else "none"
        file = link("take this mapping along", "log_mapping.toml", "application/toml", mapping.to_toml())
        self.take.value = f'{file} <span class="nw-quiet">{escape(note)}</span>'
        self.error.value = ""
        self.rate_field.layout.display = "none" if mapping.get("time_s").used else None
        self.quiet = True
        self.rate.value = f"{opened.rate_hz:g}" if opened.rate_hz else ""
        self.quiet = False
        if new:
            self.fold.value = False
            self.loaded_said.value = self.file_error.value = ""
            self.undo.layout.display = "none"

    def _rate_typed(self, change: dict) -> None:
        if not self.quiet:
            typed = change["new"].strip()
            self.rated(parse_number("samples a second", typed, "Hz") if typed else None)

    def _folded(self) -> None:
        self.grid.layout.display = None if self.fold.value else "none"
        self.fold.description = "fold the columns away" if self.fold.value else "show and correct the columns"

    def _say(self, sentence: str) -> None:
        self.error.value = escape(sentence)

    def _say_file(self, sentence: str) -> None:
        self.file_error.value = escape(sentence)

    def _changed(self, key: str) -> None:
        """Take a correction; what does not fit is said and stays as chosen."""
        opened = self.opened
        if opened is None or opened.mapping is None:
            return
        self.rows[key].heard()
        self.corrected(opened.mapping.with_match(key, *self.rows[key].chosen(), raw=opened.raw))

    def _load(self, change: dict) -> None:
        self.loaded_said.value = ""
        for file in change["new"]:
            try:
                mapping = Mapping.from_toml(bytes(file["content"])[: MAX_FILE_BYTES + 1])
            except InputError as exc:
                if exc.field == "mapping":
                    raise InputError("file", "", "", "", "") from exc
                raise
            self.loaded_said.value = f"<span>{escape(self.loaded(mapping))}</span>"
            self.undo.layout.display = None

    def _undo(self, undone: Callable[[], None]) -> None:
        undone()
        self.undo.layout.display = "none"
        self.loaded_said.value = "<span>The mapping is the one before the file.</span>"
