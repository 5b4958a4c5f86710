"""The pictures of one pull: over time and over engine speed; made when the first log is judged."""

from __future__ import annotations

import asyncio
from html import escape

import ipywidgets as w

from kernel_lib.logs.review import Review

from ..exploration import labelled
from ..frame import box, html
from ..guard import guarded, log
from ..risk_view import running_loop
from ..session import Session
from .looked import Looked
from .pictures_rpm import RPM_PICTURES
from .pictures_time import PICTURES

_BETWEEN = 0.05  # s between two pictures

NO_PULL = "<p>No pull at full throttle was found in this log: there is nothing to draw.</p>"
DOSE_UNKNOWN = (
    '<p class="nw-caution">Which nozzle was fitted is not stated: what is drawn as planned on nitrous is the whole dose, '
    "while the retard is judged only against that of the smallest step.</p>"
)


def _dose_unknown(review: Review) -> bool:
    """Whether nobody has said which nozzle was fitted where the log cannot tell."""
    return review.kind == "nitrous" and review.case is not None and not review.case.dose_known


class PullsView:
    """The pull that is looked at.

    Attributes
    ----------
    widget : Box
    """

    def __init__(self, session: Session) -> None:
        self.session, self.review, self.at, self.cells, self._quiet = session, None, 0, None, False
        self.choice = w.Dropdown(tooltip="which pull is drawn")
        self.error = html("", "nw-field-error")
        self.choice.observe(guarded(lambda s: setattr(self.error, "value", escape(s)))(self._chosen), "value")
        self.chooser = box([labelled("pull", self.choice)], "nw-row", "nw-chooser")
        self.over_time, self.over_rpm = box([], "nw-stack", "nw-review-time"), box([], "nw-stack")
        self.title = html("<h2>The pull over time</h2>")
        self.rpm_title = html("<h2>The same over engine speed</h2>")
        self.none = html()
        self.pictures: tuple[list, list] = [], []
        self._waiting: asyncio.TimerHandle | None = None
        self.widget = box(
            [self.title, self.none, self.chooser, self.error, self.over_time, self.rpm_title, self.over_rpm], "nw-stack"
        )

    def hide(self) -> None:
        """Nothing is judged."""
        self.review = None
        self.widget.layout.display = "none"
        if self._waiting:
            self._waiting.cancel()
            self._waiting = None

    def show(self, review: Review, at: int, cells: tuple | None) -> None:
        """Show a pull of a review; another review begins at the pull that matters most."""
        same = self.review is not None and self.review.log is review.log
        self.cells = cells
        self.review, self.at = review, self.at if same and self.at < len(review.pulls) else at
        self.widget.layout.display = None
        found = bool(review.pulls)
        for part in (self.title, self.over_time, self.over_rpm, self.rpm_title):
            part.layout.display = None if found else "none"
        self.none.value = NO_PULL if not found else DOSE_UNKNOWN if _dose_unknown(review) else ""
        self.chooser.layout.display = None if len(review.pulls) > 1 else "none"
        if not found:
            return
        self._quiet = True
        try:
            self.choice.options = [(Looked(review, k).label, k) for k in range(len(review.pulls))]
            self.choice.value = self.at
        finally:
            self._quiet = False
        self._draw()

    def _chosen(self, change: dict) -> None:
        if not self._quiet and change["new"] is not None:
            self.at = change["new"]
            self._draw()

    def _draw(self) -> None:
        """Draw one picture after the other, so that page and browser have time between them; all at once where no loop runs."""
        if self._waiting:
            self._waiting.cancel()
            self._waiting = None
        jobs = [(group, kind) for group, kinds in enumerate((PICTURES, RPM_PICTURES)) for kind in kinds]
        self._draw_in_turn(running_loop(), Looked(self.review, self.at, self.cells), jobs)

    def _draw_in_turn(self, loop: asyncio.AbstractEventLoop | None, looked: Looked, jobs: list) -> None:
        for k, (group, kind) in enumerate(jobs):
            try:
                self._draw_one(looked, group, kind)
            except Exception:
                log.exception("the picture %s could not be drawn", kind.__name__)
                self.error.value = "The page met a fault of its own: one of the pictures could not be drawn."
            if loop is not None and k + 1 < len(jobs):
                self._waiting = loop.call_later(_BETWEEN, self._draw_in_turn, loop, looked, jobs[k + 1 :])
                return
        self._waiting = None
        drawn = any(p.widget.layout.display != "none" for p in self.pictures[1])
        self.rpm_title.layout.display = None if drawn else "none"

    def _draw_one(self, looked: Looked, group: int, kind: type) -> None:
        picture = next((p for p in self.pictures[group] if type(p) is kind), None)
        fresh = picture is None
        picture = picture or kind()
        picture.draw(looked, self.session.sheet.controller.gauge_scale, self.session.units, self.session)
        if fresh:
            picture.settle()
            self.pictures[group].append(picture)
            slot = (self.over_time, self.over_rpm)[group]
            slot.children = (*slot.children, picture.widget)
