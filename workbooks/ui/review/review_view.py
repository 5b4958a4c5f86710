"""The pull review: open logs, see which column is which, the verdict first, its reasons, what to change, the pictures, the fit."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

import ipywidgets as w

from kernel_lib import BuildSheet, InputError
from kernel_lib.logs.finding import VERDICTS
from kernel_lib.logs.history import history
from kernel_lib.logs.judge_case import NOT_READ, PLUGS
from kernel_lib.logs.review import Review
from kernel_lib.sheets.review_sheet import review_html

from ...serve.config import MAX_UPLOAD_BYTES, MIB
from ..download import link, stem
from ..exploration import labelled
from ..fields import NO_CHOICE
from ..frame import box, html
from ..guard import guarded, log
from ..session import Session
from . import intro, words
from .desk import Desk
from .fit_view import FitBlock
from .history_picture import HistoryPicture
from .mapping_view import MappingView
from .opened import DEMO_CAR, FIT, Opened, demo_logs
from .pulls_view import PullsView

FORMATS = ".csv,.tsv,.txt,.log,.dat,.asc,.mf4,.mdf"


class Plugs:
    """What no log holds: what was read on the plugs, a choice a cylinder, and which nozzle was fitted."""

    def __init__(self, desk: Desk, cylinders: int) -> None:
        self.desk, self.quiet = desk, False
        self.choices = {k: self._choice(k) for k in range(1, cylinders + 1)}
        cells = [labelled(f"cylinder {k}", choice) for k, choice in self.choices.items()]
        about = (
            "One lambda sensor averages the cylinders, so no log alone says go for each of them. Shut off at full throttle, read every plug, "
            "and say here what stands on it; the verdict follows."
        )
        self.part = w.Dropdown(options=[("not stated", NO_CHOICE)], tooltip="nozzle that was fitted")
        self.part.observe(lambda c: None if self.quiet else desk.set_part(c["new"] or None), "value")
        self.nozzle = labelled("nozzle that was fitted", self.part)
        self.read = html("", "nw-review-plugs-read")
        self.widget = box(
            [self.nozzle, html("<h3>Plugs</h3>"), html(f"<span>{about}</span>", "nw-hint"), *cells, self.read],
            "nw-stack",
            "nw-review-plugs",
        )

    def _choice(self, cylinder: int) -> w.Dropdown:
        choice = w.Dropdown(options=list(PLUGS), value=NOT_READ, tooltip=f"plug of cylinder {cylinder}")
        choice.observe(lambda c: None if self.quiet else self.desk.read_plug(cylinder, c["new"]), "value")
        return choice

    def show(self, opened: Opened) -> None:
        """Show what was said of the plugs of a log; only where nitrous was sprayed."""
        sprayed = opened.shown is not None and opened.shown.kind == "nitrous"
        self.widget.layout.display = None if sprayed else "none"
        if not sprayed:
            return
        tune = opened.review.tune
        steps = [(f"that of the step of {100 * s.share:.0f} %", s.share) for s in tune.ladder.steps if s.share < 1]
        self.nozzle.layout.display = "none" if tune.pulsed else None
        said = [f"cylinder {k}: {opened.plugs.get(k, NOT_READ)}" for k in self.choices]
        self.read.value = f"<p>{escape(', '.join(said))}.</p>"
        self.quiet = True
        try:
            self.part.options = [("not stated", NO_CHOICE), ("that of the whole dose", 1.0), *steps]
            self.part.value = opened.part or NO_CHOICE
            for cylinder, choice in self.choices.items():
                choice.value = opened.plugs.get(cylinder, NOT_READ)
        finally:
            self.quiet = False


class PullReview:
    """The page of one visitor.

    Attributes
    ----------
    desk : Desk
        The open logs.
    page : Box
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.progress, self.error = html("", "nw-hint", "nw-review-progress"), html("", "nw-field-error")
        self.list, self.strange = html(), html("", "nw-warning")
        self.empty, self.answer = html("", "nw-review-empty"), html("", "nw-answer", "nw-review-answer")
        self.gates, self.reasons, self.changes = html(), html(), html()
        self.fault, self.notes, self.files = html("", "nw-field-error"), html(), html("", "nw-links")
        self.fault_fit = html("", "nw-field-error", "nw-screen")
        self.history_title, self.history = html(), html()
        self.desk = Desk(session, self.draw, self._tell)
        self.mapping = MappingView(self.desk.correct, self.desk.load, self.desk.set_rate, self.desk.undo)
        self.pulls, self.fit = PullsView(session), FitBlock(session)
        self.ladder, self.plugs_slot = HistoryPicture(), box([], "nw-stack")
        self._plugs: Plugs | None = None
        self._quiet, self._drawn, self._offered, self._faults = False, None, [], {}
        self.page = self._layout()
        again = guarded(self._say)(self.desk.hurry)
        session.observe(again, ["sheet", "units"])
        self.draw()

    def _layout(self) -> w.Box:
        limit = f"up to {MAX_UPLOAD_BYTES // MIB} MB"
        self.upload = w.FileUpload(
            accept=FORMATS,
            multiple=True,
            description="open a log",
            tooltip=f"CSV or MDF, {limit} a log; several at once",
        )
        self.upload.observe(guarded(self._say)(self._uploaded), "value")
        self.demos = demo_logs()
        self.demo = w.Dropdown(
            options=[("none", ""), *((name, name) for name in self.demos)], tooltip="simulated logs of a demo car"
        )
        self.demo.observe(guarded(self._say)(self._demo_chosen), "value")
        self.which = w.Dropdown(tooltip="which log is looked at")
        self.which.observe(guarded(self._say)(self._chosen), "value")
        self.base = w.Dropdown(tooltip="log without nitrous that this log is held against")
        self.base.observe(guarded(self._say)(self._base_chosen), "value")
        self.base_field = labelled("base log to hold it against", self.base)
        self.remove = w.Button(description="remove this log", tooltip="take the log that is looked at from the page")
        self.remove.on_click(guarded(self._say)(lambda _b: self.desk.remove()))
        opening = [self.upload, html("<label>demo log</label>", "nw-label"), self.demo]
        hint = f"<span>CSV as any logger writes it, or MDF; {limit} a log, several at once. Logs are read on this machine, kept only as long as the page is open.</span>"
        self.looking = box(
            [labelled("log looked at", self.which), self.remove, self.base_field], "nw-row", "nw-chooser"
        )
        top = [
            box(opening, "nw-row", "nw-chooser"),
            html(hint, "nw-hint", "nw-screen"),
            self.error,
            self.progress,
            self.list,
            self.looking,
        ]
        why, what = html("<h2>Why</h2>"), html("<h2>What to change</h2>")
        left = box([self.answer, self.gates], "nw-figure", "nw-stack")
        right = box([self.plugs_slot, self.files, self.fault], "nw-notes", "nw-stack")
        self.only_judged = [self.gates, right, why, self.reasons, what, self.changes]
        self.judged = box(
            [self.strange, box([left, right], "nw-panel", "nw-review-first"), why, self.reasons, what, self.changes,
             self.pulls.widget, self.notes],
            "nw-stack",
        )  # fmt: skip
        self.past = box([self.history_title, self.history, self.ladder.slot], "nw-stack")
        return box(
            [
                box(top, "nw-stack"),
                self.empty,
                self.mapping.widget,
                self.judged,
                self.fit.widget,
                self.fit.done,
                self.fault_fit,
                self.past,
            ],
            "nw-stack",
            "nw-review",
        )

    def _say(self, sentence: str) -> None:
        self.error.value = escape(sentence)

    def _tell(self, sentence: str) -> None:
        self.progress.value = f"<span>{escape(sentence)}</span>"

    def _uploaded(self, change: dict) -> None:
        """Open what was sent; one that is refused leaves the others. The page does not keep the files twice."""
        files, refused = change["new"], []
        if not files:
            return
        for file in files:
            try:
                self.desk.open(str(file.get("name", "")), bytes(file["content"]))
            except InputError as exc:
                refused.append(str(exc))
        self.upload.value = ()
        if refused:
            raise _Refused(" ".join(refused))

    def _demo_chosen(self, change: dict) -> None:
        name = change["new"]
        if self._quiet or not name:
            return
        self.desk.open(f"demo log: {name}", self.demos[name].read_bytes(), demo=True)
        self._quiet = True
        try:
            self.demo.value = ""
        finally:
            self._quiet = False

    def _chosen(self, change: dict) -> None:
        if not self._quiet and change["new"] is not None:
            self.desk.look(change["new"])

    def _base_chosen(self, change: dict) -> None:
        if not self._quiet:
            at = change["new"]
            self.desk.set_base(self.desk.logs[at] if at != NO_CHOICE else None)

    def _draw_bases(self, opened: Opened) -> None:
        """What a log may be held against; nothing where no log without nitrous is open."""
        found, base = self.desk.bases(opened), self.desk.base_for(opened)
        self.base_field.layout.display = None if found else "none"
        self._quiet = True
        try:
            self.base.options = [("none", NO_CHOICE), *((o.name, self.desk.logs.index(o)) for o in found)]
            self.base.value = self.desk.logs.index(base) if base is not None else NO_CHOICE
        finally:
            self._quiet = False

    def draw(self) -> None:
        """Draw everything as it now stands."""
        opened, logs = self.desk.looked, self.desk.logs
        self.empty.value = "" if logs else intro.explained(self.session.sheet, kept=self.desk.known is not None)
        self.list.value = words.listed(logs, self.desk.at)
        self._quiet = True
        try:
            self.which.options = [(f"{k + 1}: {o.name}", k) for k, o in enumerate(logs)]
            self.which.value = self.desk.at if logs else None
        finally:
            self._quiet = False
        self.looking.layout.display = None if logs else "none"
        for part in (self.judged, self.mapping.widget):
            part.layout.display = None if opened is not None else "none"
        if opened is not None:
            self._draw_bases(opened)
            self.mapping.show(opened, self.desk.travels())
            self._draw_log(opened)
        self.fault_fit.value = missing(
            "the fit", lambda: self.fit.show(self.desk.fit, words.fitted(self.desk.fitted), self.desk.left_out)
        )
        self._draw_past()

    def _draw_log(self, opened: Opened) -> None:
        review = opened.shown
        self.answer.value = words.verdict(opened, self.desk.base_for(opened), self.desk.bases(opened))
        car, demo = self.session.sheet.car.name, BuildSheet.demo(DEMO_CAR).car.name
        strange = words.strange_car(opened, car, demo)
        self.strange.value = f"<p>{escape(strange)}</p>" if strange else ""
        self.strange.layout.display = None if strange else "none"
        self._draw_plugs(opened)
        self.notes.value = words.notes(opened)
        for part in self.only_judged:
            part.layout.display = None if review is not None else "none"
        if review is None:
            self.pulls.hide()
            self._drawn = None
            return
        reviews = [o.shown for o in self.desk.logs]
        parts = []
        if review is not self._drawn:
            self.gates.value = words.gates(review) + words.next_step(review)
            self.reasons.value, self.changes.value = words.reasons(review), words.changes(review)
            parts.append(("the pictures", lambda: self.pulls.show(review, worst_pull(review), opened.cells)))
        ready = FIT in vars(review)
        if not ready:
            self.files.value = '<span class="nw-quiet">The files to take along follow when the fit is made.</span>'
        elif review is not self._drawn or reviews != self._offered:
            parts.append(("the files to take along", lambda: setattr(self.files, "value", self._files(review))))
        for name, draw in parts:
            self._faults[name] = missing(name, draw)
        self.fault.value = " ".join(filter(None, self._faults.values()))
        self._drawn, self._offered = review, reviews if ready else []

    def _draw_plugs(self, opened: Opened) -> None:
        cylinders = int(self.session.sheet.engine.cylinders)
        if self._plugs is None or len(self._plugs.choices) != cylinders:
            self._plugs = Plugs(self.desk, cylinders)
            self.plugs_slot.children = [self._plugs.widget]
        self._plugs.show(opened)

    def _files(self, review: Review) -> str:
        name = f"{stem(self.session.sheet)}_review"
        judged = [o.shown for o in self.desk.logs if o.shown is not None]
        page = review_html(review, others=history(judged) if len(judged) > 1 else None)
        return " · ".join(
            (
                link("this review as a sheet to print (HTML)", f"{name}.html", "text/html", page),
                link("as data (JSON)", f"{name}.json", "application/json", review.to_json()),
            )
        )

    def _draw_past(self) -> None:
        """The ladder's history: a row a log that was judged."""
        judged = [o for o in self.desk.logs if o.shown is not None]
        several = len(judged) > 1
        self.past.layout.display = None if several else "none"
        if not several:
            return
        table = history([o.review for o in judged])
        self.history_title.value = f"<h2>{escape(words.history_title(judged))}</h2>"
        self.history.value = words.history(table, [o.name for o in judged], self.session.units)
        self.ladder.show(table, [self.desk.logs.index(o) + 1 for o in judged], self.session)


class _Refused(InputError):
    """Several refusals as one."""

    def __init__(self, text: str) -> None:
        super().__init__("log", "", "", "", "")
        self.text = text

    def __str__(self) -> str:
        return self.text


def missing(name: str, draw: Callable[[], None]) -> str:
    """Draw a part of the page; where that fails the verdict stays, and what is missing is said."""
    try:
        draw()
    except Exception:
        log.exception("%s of a review could not be shown", name)
        return f"The page met a fault of its own: {name} could not be shown."
    return ""


def worst_pull(review: Review) -> int:
    """The pull that the heaviest finding points at; else the first with nitrous."""
    time = review.log.time_s
    heavy = sorted(review.findings, key=lambda f: (-VERDICTS.index(f.asks), -f.weight))
    for finding in heavy:
        if finding.at_s is None or finding.asks == "go":
            continue
        for k, pull in enumerate(review.pulls):
            if time[pull.start] - 1 <= finding.at_s[0] <= time[min(pull.stop, len(time) - 1)] + 3:
                return k
    return next((k for k, pull in enumerate(review.pulls) if pull.hits), 0)


def pull_review(session: Session) -> w.Box:
    """Return the pull review of a session."""
    return PullReview(session).page
