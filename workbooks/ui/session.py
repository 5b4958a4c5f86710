"""What the panels of a page share: the build sheet, the units, and the address that carries both."""

from __future__ import annotations

import os
from urllib.parse import parse_qs, urlencode

import anywidget
import traitlets

from kernel_lib import BuildSheet, InputError, plan_shot
from kernel_lib.plan.faults import faults
from kernel_lib.plan.tune import tune_of

from ..serve.config import MAX_QUERY_BYTES
from . import display

DEMO, PREHEAT = "wren_five", "VOILA_PREHEAT"
_UNITS_ROOM = 32  # characters of an address besides sheet and mapping


class Address(anywidget.AnyWidget):
    """Keeps the browser's address in step, so that a reload or a bookmark finds the same set-up."""

    _esm = """
    function render({ model }) {
      const write = () => {
        const query = model.get("query");
        if (query && location.pathname.includes("/voila/")) history.replaceState(null, "", location.pathname + "?" + query);
      };
      model.on("change:query", write);
      write();
    }
    export default { render };
    """
    query = traitlets.Unicode().tag(sync=True)


class Session(traitlets.HasTraits):
    """One visitor's page.

    Attributes
    ----------
    sheet : BuildSheet
        Always a valid one.
    units : {"us", "metric"}
    message : str
        What was wrong with the link the page was opened by; plain text.
    mapping : str
        Which column of a log is which, as the address carries it; not checked here.
    """

    sheet = traitlets.Instance(BuildSheet)
    units = traitlets.Enum(display.SYSTEMS, display.US)
    message = traitlets.Unicode()
    mapping = traitlets.Unicode()

    def __init__(self, query: str = "") -> None:
        super().__init__(sheet=BuildSheet.demo(DEMO))
        values = parse_qs(query.removeprefix("?"), keep_blank_values=True)
        units = values.get("units", [display.US])[0]
        if units in display.SYSTEMS:
            self.units = units
        self.mapping = values.get("map", [""])[0]
        if "sheet" in values:
            try:
                self.sheet = BuildSheet.from_query(query)
            except InputError as exc:
                self.message = f"The link could not be read, so this page shows the demo car. {exc}"
        self.address = Address(query=self.query)
        self.observe(self._write_address, ["sheet", "units", "mapping"])

    @property
    def query(self) -> str:
        """The whole set-up as a query string; a sheet too long for a link leaves only the units, a mapping too long is left out."""
        query = urlencode({"units": self.units})
        try:
            query = f"{query}&{self.sheet.to_query()}"
        except InputError:
            return query
        return query + self._mapping_piece if self.mapping_travels else query

    @property
    def _mapping_piece(self) -> str:
        return f"&{urlencode({'map': self.mapping})}" if self.mapping else ""

    @property
    def mapping_travels(self) -> bool:
        """Whether the address has room for the mapping."""
        try:
            return len(self.sheet.to_query()) + len(self._mapping_piece) + _UNITS_ROOM <= MAX_QUERY_BYTES
        except InputError:
            return False

    def link(self, notebook: str) -> str:
        """Return the address of another workbook with this set-up."""
        return f"{notebook}.ipynb?{self.query}"

    def change(self, changes: dict) -> None:
        """Edit the sheet; raises InputError and changes nothing where a value does not fit."""
        self.sheet = self.sheet.replace(changes)

    def _write_address(self, _change: object) -> None:
        self.address.query = self.query


def open_session() -> Session:
    """Return the session of the page being opened: from its address under Voila, else the demo car."""
    if not any(os.environ.get(name) for name in (PREHEAT, "VOILA_REQUEST_URL")):
        return Session()
    from voila.utils import get_query_string  # only there is an address to wait for

    if os.environ.get(PREHEAT):  # compiled code and tables are there before the visitor is
        plan_shot(BuildSheet.demo(DEMO))
    return Session(get_query_string() or "")


def preheat_plan() -> None:
    """In a kernel that waits for a visitor, compute what a log is judged against."""
    if os.environ.get(PREHEAT):
        tune_of(BuildSheet.demo(DEMO))


def preheat_planner() -> None:
    """In a kernel that waits for a visitor, compute what only the planner shows."""
    if os.environ.get(PREHEAT):
        demo = BuildSheet.demo(DEMO)
        faults(demo, tune_of(demo).dosed)
