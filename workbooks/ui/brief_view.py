"""The customer's brief on its page: the same text and pictures as the file that it offers."""

from __future__ import annotations

from html import escape

import ipywidgets as w

from kernel_lib.plan.tune import tune_of
from kernel_lib.sheets.brief import brief_body, brief_html

from . import display
from .download import link, stem
from .frame import box, html
from .guard import guarded
from .session import Session


class BriefView:
    """The brief of the session's sheet in the session's units.

    Attributes
    ----------
    page : Box
    take, body : HTML
        The file to take along, and the brief.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.take, self.body = html("", "nw-take"), html("", "nw-brief-body")
        self.page = box([self.take, self.body], "nw-stack")
        self._draw = guarded(self._fail)(self._redraw)
        session.observe(self._draw, ["sheet", "units"])
        self._draw()

    def _redraw(self, _change: object = None) -> None:
        tune, metric = tune_of(self.session.sheet), self.session.units == display.METRIC
        body = brief_body(tune, metric=metric)
        name = f"{stem(self.session.sheet)}_brief.html"
        file = link("download this brief", name, "text/html", brief_html(tune, metric=metric))
        about = "One file that opens without this program and prints on two sheets, as does this page."
        self.take.value = f'<p>{file}</p><p class="nw-quiet">{about}</p>'
        self.body.value = body

    def _fail(self, sentence: str) -> None:
        """Say that there is no plan to tell of; nothing of the last one stays."""
        if sentence:
            self.take.value = ""
            self.body.value = f'<p class="nw-caution"><span class="nw-state-stop">Do not spray.</span> There is no plan for this car. {escape(sentence)}</p>'


def customer_brief(session: Session) -> w.Box:
    """Return the customer's brief."""
    return BriefView(session).page
