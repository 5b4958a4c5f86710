"""The logs that lie open, and the one worker that reads and judges them in a thread while the page stays usable."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from kernel_lib import InputError
from kernel_lib.logs.in_a_row import before
from kernel_lib.logs.judge_case import Before
from kernel_lib.logs.match import Mapping
from kernel_lib.logs.review import Review, fit_of

from .. import display
from ..guard import log
from ..risk_view import running_loop
from ..session import Session
from .mapping_words import plainly
from .opened import MOST_LOGS, Done, Opened, Order, check_size, plain_name, take, work
from .taken_in import by_hand, merged

FAULT = "The page met a fault of its own with this log, and there is no verdict. The other logs are not touched by it."


class Desk:
    """The open logs of a page.

    Parameters
    ----------
    session : Session
    drawn : callable
        Called when anything has changed.
    tell : callable
        Takes a sentence on what is being done; "" when nothing is.

    Attributes
    ----------
    logs : list of Opened
    at : int
        Which of them is looked at.
    known : Mapping or None
        From last time: out of the address, a file, or a correction on this page.
    fit : Fit or None
        To the logs in `fitted`.
    left_out : list of tuple
        Name, and why it was not fitted to.
    before : tuple or None
        What held before a mapping was opened: log, its mapping and how it was made, and what was known.
    task : asyncio.Task or None
        The worker, while it works.
    """

    def __init__(self, session: Session, drawn: Callable[[], None], tell: Callable[[str], None]) -> None:
        self.session, self.drawn, self.tell = session, drawn, tell
        self.logs: list[Opened] = []
        self.at, self.known, self.note, self.task = 0, None, "", None
        self.fit, self.fitted, self.left_out = None, [], []
        self.before: tuple | None = None
        self._made, self._fit_done = (None, [], [], []), ((), session.sheet)
        if session.mapping:
            try:
                self.known = Mapping.from_text(session.mapping)
            except InputError as exc:
                self.note = f"The mapping in the address could not be read, so none is used. {exc}"
                session.mapping = ""

    @property
    def looked(self) -> Opened | None:
        """The log that is looked at."""
        return self.logs[self.at] if self.logs else None

    @property
    def metric(self) -> bool:
        """Whether the page shows metric units."""
        return self.session.units == display.METRIC

    def open(self, name: str, content: bytes, *, demo: bool = False) -> None:
        """Put a log on the desk and look at it.

        Raises
        ------
        InputError
            For a file beyond the limit, or one log too many.
        """
        name = plain_name(name) or "log"
        check_size(name, len(content))
        if len(self.logs) >= MOST_LOGS:
            raise InputError(
                "open logs",
                len(self.logs) + 1,
                "",
                f"up to {MOST_LOGS}",
                "Remove one; what is judged can be downloaded.",
            )
        taken = {o.name for o in self.logs}
        given = name
        for k in range(2, MOST_LOGS + 2):
            if given not in taken:
                break
            given = f"{name} ({k})"
        self.logs.append(Opened(given, content, demo))
        self.at = len(self.logs) - 1
        self.hurry()

    def remove(self) -> None:
        """Take the log that is looked at from the desk."""
        if self.logs:
            self.logs.pop(self.at)
            self.at = max(0, min(self.at, len(self.logs) - 1))
            self.hurry()

    def look(self, at: int) -> None:
        """Look at another log."""
        if 0 <= at < len(self.logs):
            self.at = at
            self.drawn()

    def correct(self, mapping: Mapping) -> None:
        """Take a mapping that the visitor made for the log that is looked at."""
        opened = self.looked
        if opened is not None:
            opened.mapping, opened.by_hand = mapping, True
            opened.reread()
            self.known = self.known if opened.demo else mapping
            self.hurry()

    def set_rate(self, rate_hz: float | None) -> None:
        """Take how fast the log that is looked at was sampled."""
        if self.looked is not None:
            self.looked.rate_hz = rate_hz
            self.looked.reread()
            self.hurry()

    def set_part(self, part: float | None) -> None:
        """Take which step's nozzle was fitted."""
        if self.looked is not None:
            self.looked.part = part
            self.looked.reread()
            self.hurry()

    def load(self, mapping: Mapping) -> str:
        """Take a mapping out of a file, for the log that is looked at and for those to come; what the visitor settled stays.

        Returns
        -------
        str
            What was taken and what was kept, as a sentence.
        """
        opened = self.looked
        if opened is None or opened.mapping is None or opened.raw is None:
            self.known = mapping
            return ""
        self.before = (opened, opened.mapping, opened.by_hand, dict(opened.hand), self.known)
        opened.hand = opened.hand | by_hand(opened.mapping)
        self.known, said = merged(mapping, self.known, opened)
        opened.by_hand = False
        opened.reread()
        self.hurry()
        return said

    def undo(self) -> None:
        """Go back to the mapping before the last file was opened."""
        if self.before is None:
            return
        opened, mapping, hand_made, hand, known = self.before
        self.before, self.known = None, known
        if opened in self.logs:
            opened.mapping, opened.by_hand, opened.hand = mapping, hand_made, hand
            opened.reread()
        self.hurry()

    def set_base(self, base: Opened | None) -> None:
        """Take which log without nitrous the log that is looked at is held against; None: none."""
        if self.looked is not None:
            self.looked.base = base
            self.hurry()

    def read_plug(self, cylinder: int, said: str) -> None:
        """Note what a plug of the log that is looked at says."""
        if self.looked is not None:
            self.looked.plugs = self.looked.plugs | {cylinder: said}
            self.looked.version += 1
            self.hurry()

    def hurry(self, _change: object = None) -> None:
        """See that everything is judged as it now stands: in a thread, or at once where no loop runs."""
        self.drawn()
        loop = running_loop()
        if loop is None:
            while (opened := self._next()) is not None:
                self._finish(opened, self._try(opened, self._order(opened), self.tell))
            if self._fit_done != self._fit_key():
                self._fitted(self._fit_key(), self._fit(*self._fit_order()))
            self.tell("")
        elif self.task is None and (self._next() is not None or self._fit_done != self._fit_key()):
            self.task = loop.create_task(self._run(loop))

    def _next(self) -> Opened | None:
        """The log that waits: the one that is looked at first."""
        waiting = [o for o in self.logs if not o.dead and o.done != o.key(self._order(o))]
        looked = self.looked
        return next((o for o in waiting if o is looked), waiting[0] if waiting else None)

    def bases(self, opened: Opened) -> list[Opened]:
        """Open logs without nitrous of the same car, beside which a log may be judged, the newest last."""
        if opened.review is not None and opened.review.kind == "base":
            return []
        found = [o for o in self.logs if o is not opened and o.demo == opened.demo and o.shown is not None]
        return [o for o in found if o.shown.kind == "base" and o.shown.sheet == self.session.sheet]

    def base_for(self, opened: Opened) -> Opened | None:
        """The log without nitrous beside which a log is judged: the chosen one, else the last one opened."""
        found = self.bases(opened)
        if opened.base is None or not found:
            return None
        return opened.base if opened.base in found else found[-1]

    def _order(self, opened: Opened) -> Order:
        base = self.base_for(opened)
        beside = () if base is None else (base.name, base.version_read)
        known = None if opened.demo else self.known
        return Order(
            self.session.sheet, self.metric, known, None if base is None else base.review, beside, self._before(opened)
        )

    def _before(self, opened: Opened) -> Before:
        """Clean pulls of the same step in the logs that were opened before; none until the log itself has been judged."""
        if opened.shown is None or opened.shown.case is None:
            return Before()
        earlier: list[Review] = []
        for other in self.logs[: self.logs.index(opened)]:
            if other.demo == opened.demo and not other.dead:
                earlier = (
                    [*earlier, other.shown] if other.shown is not None else []
                )  # not judged: nobody knows what it was
        return before(opened.shown.case, earlier) if earlier else Before()

    def _to_fit(self) -> list[Opened]:
        """The logs that are fitted together: the visitor's own, and demo logs only where there are none of his."""
        judged = [o for o in self.logs if o.shown is not None and o.shown.kind != "nothing"]
        return [o for o in judged if not o.demo] or judged

    def _fit_key(self) -> tuple:
        return tuple(id(o.shown) for o in self.logs), self.session.sheet

    @staticmethod
    def _fit(reviews: list[Review], logs: list[Opened], before: tuple) -> tuple:
        """Fit the car to every log, and to some of them together; where that is refused, to those that can be fitted.

        Parameters
        ----------
        reviews : list of Review
            Of all logs.
        logs : list of Opened
            To fit together.
        before : tuple
            What came of it last.

        Returns
        -------
        tuple
            Fit, the logs it was made to, name and reason of those that were left out, and what it was made from.
        """
        try:
            for each in reviews:
                _ = each.fit  # kept by the review
            made_of = [(o.log, o.review.sheet) for o in logs]
            if not logs or made_of == before[-1]:
                return before if logs else (None, [], [], [])
            found = logs[0].review.fit if len(logs) == 1 else fit_of([o.review for o in logs])
            sound = [o for o in logs if not o.review.fit.refused] if found.refused and len(logs) > 1 else []
            if not sound:
                return found, logs, [], made_of
            left_out = [(o.name, o.review.fit.refused) for o in logs if o not in sound]
            return fit_of([o.review for o in sound]), sound, left_out, made_of
        except Exception:
            log.exception("logs could not be fitted")
            return None, [], [], []

    def _fit_order(self) -> tuple:
        return [o.shown for o in self.logs if o.shown is not None], self._to_fit(), self._made

    def _fitted(self, key: tuple, made: tuple) -> None:
        self._fit_done, self._made = key, made
        self.fit, self.fitted, self.left_out, _ = made
        self.drawn()

    async def _run(self, loop: asyncio.AbstractEventLoop) -> None:
        """Judge one after the other; the loop goes on serving the page."""

        def told(text: str) -> None:
            loop.call_soon_threadsafe(self.tell, text)

        try:
            while (opened := self._next()) is not None or self._fit_done != self._fit_key():
                if opened is not None:
                    done = await loop.run_in_executor(None, self._try, opened, self._order(opened), told)
                    self._finish(opened, done)
                    continue
                key = self._fit_key()
                told("Fitting the car to the logs.")
                self._fitted(key, await loop.run_in_executor(None, self._fit, *self._fit_order()))
        finally:
            self.task = None
            self.tell("")

    @staticmethod
    def _try(opened: Opened, order: Order, tell: Callable[[str], None]) -> Done | Exception:
        try:
            return work(opened, order, lambda text: tell(f"{opened.name}: {text}"))
        except Exception as exc:
            log.exception("a log could not be judged")
            return exc

    def _finish(self, opened: Opened, done: Done | Exception) -> None:
        """Keep what came of the work, unless the log was changed or taken away meanwhile."""
        if opened not in self.logs:
            return
        try:
            if isinstance(done, Exception):
                opened.refused, opened.review = FAULT, None
                opened.done = opened.key(self._order(opened))
            else:
                take(opened, done, lambda exc: plainly(exc, self.session.units))
                self._remember(opened)
            self.drawn()
        except Exception:
            log.exception("a judged log could not be shown")
            self.tell(FAULT)

    def _remember(self, opened: Opened) -> None:
        """Put the mapping of the visitor's own log into the address."""
        if opened.demo or opened.mapping is None or opened.review is None:
            return
        try:
            self.session.mapping = opened.mapping.to_text()
        except InputError as exc:
            self.session.mapping, self.note = "", str(exc)

    def travels(self) -> str:
        """Whether the mapping is in the address, in words."""
        if not self.session.mapping:
            return self.note
        if self.session.mapping_travels:
            return "It is in the address of this page as well: a bookmark of it opens with this mapping."
        return "The address has no room for it beside the build sheet: keep the file."
