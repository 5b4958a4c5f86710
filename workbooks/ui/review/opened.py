"""The logs that are open on a page, and the work on one of them: plain objects, so that the work can run in a thread."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from kernel_lib import BuildSheet, InputError
from kernel_lib.logs.channels import VITAL
from kernel_lib.logs.judge_case import Before
from kernel_lib.logs.judge_verdict import cells_of
from kernel_lib.logs.log import Log
from kernel_lib.logs.mapping import apply, propose
from kernel_lib.logs.match import Mapping
from kernel_lib.logs.read import RawLog, read_log
from kernel_lib.logs.review import Review, judged, review
from kernel_lib.paths import data_dir

from ...serve.config import MAX_UPLOAD_BYTES, MIB

MOST_LOGS = 12
DEMO_CAR = "wren_five"
_NAME_LENGTH = 60
NEWEST = "newest"
"""The base log of a log for which the visitor chose none: the newest that lies open."""
FIT = "fit"
"""Where a review keeps its fit, once that is computed."""


def megabytes(size: int) -> str:
    """Write a size of a file."""
    return f"{size / MIB:.1f} MB"


def check_size(name: str, size: int) -> None:
    """Refuse a file beyond the limit of the page.

    Raises
    ------
    InputError
        Naming its size.
    """
    if size > MAX_UPLOAD_BYTES:
        raise InputError(
            f"{name}: its size",
            round(size / MIB, 1),
            "MB",
            f"up to {MAX_UPLOAD_BYTES // MIB} MB on this page",
            "Nothing of it was read. Cut the log to the pulls, or judge the whole file with the command `python -m kernel_lib review`.",
        )


def plain_name(name: object) -> str:
    """What a file is called: its last part, printable, not long."""
    text = "".join(c for c in str(name).replace("\\", "/").rsplit("/", 1)[-1] if c.isprintable()).strip()
    return text if len(text) <= _NAME_LENGTH else f"{text[: _NAME_LENGTH - 8]}...{text[-5:]}"


def demo_logs() -> dict[str, Path]:
    """Demo logs by the words of their names, in the order of the alphabet."""
    files = sorted((data_dir() / "logs").glob("*.csv"))
    return {path.stem.partition("_")[2].replace("_", " "): path for path in files}


@dataclass(frozen=True, eq=False)
class Order:
    """What a log is to be judged against.

    Attributes
    ----------
    sheet : BuildSheet
    metric : bool
    known : Mapping or None
        From last time.
    base : Review or None
        Of an open log without nitrous that goes with it.
    beside : tuple
        Which that is.
    before : Before
        Clean pulls of the same step in the logs that were opened before.
    """

    sheet: BuildSheet
    metric: bool
    known: Mapping | None = None
    base: Review | None = None
    beside: tuple = ()
    before: Before = field(default_factory=Before)


@dataclass(eq=False)
class Opened:
    """One log.

    Attributes
    ----------
    name : str
        Plain text out of the file's name.
    demo : bool
        Whether it came with the project.
    content : bytes
        The file; empty once it has been read.
    mapping : Mapping or None
        Which column is which; None until it has been read.
    by_hand : bool
        Whether the visitor has changed it.
    plugs : dict
        What was read on the plug of each cylinder, counted from 1.
    review : Review or None
        The last one that was made.
    refused : str
        Why there is none, as a sentence.
    rate_hz : float or None
        Samples a second of a log that holds no time.
    part : float or None
        Step of the ladder whose nozzle was fitted, where the valve is not pulsed, 1 for the whole dose; None: not stated.
    base : Opened, None or str
        The log without nitrous it is held against: chosen, none by choice, or `NEWEST`.
    hand : dict
        Quantity to column, unit and scale that the visitor settled before a mapping was opened.
    version : int
        Grows with every change that the visitor makes.
    version_read : int
        Grows with every change of how the file is read.
    read : tuple
        What the review was made from.
    cells : tuple of DataFrame or None
        The settled mixture cell by cell, without and with nitrous.
    done : tuple or None
        What it was last judged for, see `key`.
    dead : bool
        Whether the file is no log at all.
    """

    name: str
    content: bytes = b""
    demo: bool = False
    raw: RawLog | None = None
    mapping: Mapping | None = None
    by_hand: bool = False
    log: Log | None = None
    plugs: dict[int, str] = field(default_factory=dict)
    review: Review | None = None
    refused: str = ""
    rate_hz: float | None = None
    part: float | None = None
    base: object = NEWEST
    hand: dict[str, tuple] = field(default_factory=dict)
    version: int = 0
    version_read: int = 0
    read: tuple = ()
    cells: tuple | None = None
    done: tuple | None = None
    dead: bool = False

    def key(self, order: Order) -> tuple:
        """What a review of it depends on."""
        return order.sheet, order.metric, order.beside, order.before, self.version

    def reread(self) -> None:
        """Note that the file is to be read another way than before."""
        self.version += 1
        self.version_read += 1

    @property
    def questions(self) -> tuple[str, ...]:
        """What has to be answered about its columns."""
        return self.mapping.questions if self.mapping is not None else ()

    @property
    def open_keys(self) -> tuple[str, ...]:
        """Quantities that are asked about and have to be known before there is a verdict."""
        asked = self.mapping.asked if self.mapping is not None else ()
        return tuple(key for key in VITAL if key in asked and not (key == "time_s" and self.rate_hz))

    @property
    def shown(self) -> Review | None:
        """The review that may be shown: none while a column it rests on is a question."""
        return None if self.open_keys else self.review


@dataclass(frozen=True, eq=False)
class Done:
    """What came of the work on a log."""

    key: tuple
    raw: RawLog | None = None
    mapping: Mapping | None = None
    log: Log | None = None
    review: Review | None = None
    refused: InputError | None = None
    read: tuple = ()
    cells: tuple | None = None


def work(opened: Opened, order: Order, tell: Callable[[str], None]) -> Done:
    """Read, recognise, put on one clock and judge a log as far as that goes; what it refuses is in the result.

    Nothing of `opened` is changed here: the page may be drawn meanwhile.
    """
    quick = _again(opened, order)
    if quick is not None:
        return quick
    key, read, sheet = opened.key(order), _read_key(opened, order), order.sheet
    plugs, rate_hz, part = dict(opened.plugs), opened.rate_hz, opened.part
    raw, mapping, log, found, refused, cells = opened.raw, opened.mapping, None, None, None, None
    try:
        if raw is None:
            tell("Reading the file.")
            raw = read_log(opened.content, opened.name)
        if mapping is None or not opened.by_hand:
            tell("Looking which column is which.")
            mapping = propose(raw, sheet, order.known)
            for quantity, chosen in opened.hand.items():
                mapping = mapping.with_match(quantity, *chosen, raw=raw)
        log = apply(raw, mapping, sheet, rate_hz=rate_hz)
        tell("Judging it against the plan of this car; the plan alone takes some seconds where it is new.")
        found = review(log, sheet, mapping=mapping, plugs=plugs, metric=order.metric, base=order.base, part=part)
        cells = cells_of(found.case)
    except InputError as exc:
        refused = exc
    return Done(key, raw, mapping, log, found, refused, read, cells)


def _read_key(opened: Opened, order: Order) -> tuple:
    """What the reading and cutting of a log depends on, not its judgement."""
    return order.sheet, order.beside, opened.version_read


def _again(opened: Opened, order: Order) -> Done | None:
    """Judge anew what was seen before, where only plugs or units have changed; None where that is not enough."""
    old = opened.review
    if old is None or old.case is None or opened.read != _read_key(opened, order):
        return None
    key = opened.key(order)
    plugs = dict(sorted(opened.plugs.items()))
    found = judged(replace(old.case, plugs=plugs, metric=order.metric, before=order.before), old.mapping)
    if FIT in vars(old):  # neither plugs nor units move it
        vars(found)[FIT] = old.fit
    return Done(key, opened.raw, opened.mapping, opened.log, found, read=opened.read, cells=opened.cells)


def take(opened: Opened, done: Done, refusal: Callable[[InputError], str]) -> None:
    """Put what came of the work into the log. A review that could not be made anew is gone: it was of other columns or another car."""
    opened.raw, opened.dead, opened.content = done.raw, done.raw is None, b""
    if done.key[-1] != opened.version:  # changed while it was being judged: it is judged again
        return
    opened.mapping, opened.log, opened.done, opened.review = done.mapping, done.log, done.key, done.review
    opened.read, opened.cells = done.read, done.cells
    opened.refused = refusal(done.refused) if done.refused is not None else ""
