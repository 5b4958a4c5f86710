"""What the mapping step says."""

from __future__ import annotations

from html import escape

from kernel_lib import InputError
from kernel_lib.logs.channels import CHANNELS, WANTED
from kernel_lib.logs.log_units import SCALED
from kernel_lib.logs.match import Mapping, Match
from kernel_lib.logs.read import RawLog
from kernel_lib.text import listed

from .. import display

_SURE = 0.95
_LONGEST = 44


NO_MAPPING = 'This file is no mapping. A mapping is the small text file that this page writes under "take this mapping along"; nothing was changed.'
_NITROUS = "which column is the nitrous valve, or that none of those asked about is"


def plainly(exc: InputError, system: str) -> str:
    """Write a refusal of a column, its scale or a mapping as the reader of a page wants it."""
    if exc.field == "file":
        return NO_MAPPING
    first, _, rest = exc.field.partition(".")
    key, _, part = rest.partition(".")
    if first == "mapping" and key in CHANNELS:
        label = CHANNELS[key].label
        if part == "scale" and exc.value is None:
            return f"{label.capitalize()} needs its scale, the AFR that the gauge shows at lambda 1: {exc.allowed}. {exc.reason}"
        if part == "scale":
            return f"A scale of {exc.value!s:.20} AFR for {label} is not possible: the gauge shows {exc.allowed} at lambda 1. {exc.reason}"
        return f"{label.capitalize()}: {part or 'the mapping'} cannot be {exc.value!s:.60}. Possible: {exc.allowed}. {exc.reason}"
    if exc.field.startswith("column for "):
        label = exc.field.removeprefix("column for ")
        return exc.reason if exc.value == "none found" else f"The column of {label}: {exc.reason}"
    return display.refusal(exc, system)


def no_verdict(keys: tuple[str, ...]) -> str:
    """What has to be answered before there is a verdict."""
    asked = [CHANNELS[key].label for key in keys if not key.startswith("nitrous")]
    told = [f"which column is {listed(asked)}"] if asked else []
    told += [_NITROUS] if any(key.startswith("nitrous") for key in keys) else []
    return f"Answer first {' and '.join(told)}: the question stands above. Until then this log is not judged."


def has_scale(unit: str) -> bool:
    """Whether a unit says nothing without its scale."""
    return unit in SCALED


def column(name: str, index: int) -> str:
    """A column as it stands in a list to choose from."""
    name = " ".join(str(name).split()) or f"column {index + 1}"
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 3]}..."


def sureness(match: Match) -> tuple[str, str]:
    """State and word of how sure a match is."""
    if not match.settled:
        return "watch", "not sure, so not used"
    return "holds", "sure" if match.sure >= _SURE else "likely"


def why(match: Match, asked: tuple[str, ...] = ()) -> str:
    """How sure, and the evidence; not again what is asked above."""
    told = " ".join(escape(text) for text in (*match.evidence, match.doubt) if text and text not in asked)
    if match.column is None:
        return f"<span>{told}</span>"
    state, word = sureness(match)
    return f'<span><span class="nw-state-{state}">{word}</span> {told}</span>'


def title(mapping: Mapping) -> str:
    """The finding of the mapping step."""
    found = [m for m in mapping.matches.values() if m.used]
    if mapping.questions:
        count = len(mapping.questions)
        return f"{count} {'question' if count == 1 else 'questions'} about the columns of this log"
    return f"{len(found)} columns of this log are recognised"


def said(mapping: Mapping, raw: RawLog, *, pulsed: bool = True) -> str:
    """What is missing, and which column is which in a sentence that can be unfolded; a valve that is not pulsed has no duty, its switch tells all."""
    found = [
        f"{CHANNELS[m.key].label} from <q>{escape(column(m.name, m.column or 0))}</q>"
        for m in mapping.matches.values()
        if m.used
    ]
    have = {m.key for m in mapping.matches.values() if m.used}
    valve = {"nitrous_duty_percent", "nitrous_on"}
    have |= {"nitrous_on"} if have & valve else set()
    have |= set() if pulsed else {"nitrous_duty_percent"}
    missing = [CHANNELS[key].label for key in WANTED if key not in have and key not in mapping.asked]
    told = [f"{', '.join(found)}."] if found else []
    told += [escape(note) for note in raw.notes]
    rows = "".join(f"<p>{text}</p>" for text in told)
    lack = f"<p>Not in this log: {escape(listed(missing))}. What they would tell stays unjudged.</p>" if missing else ""
    return f"{lack}<details><summary>which they are, and how the file was read</summary>{rows}</details>"


def questions(mapping: Mapping) -> str:
    """The questions, first of all."""
    return "".join(f"<p>{escape(text)}</p>" for text in mapping.questions)
