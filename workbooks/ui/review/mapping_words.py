"""What the mapping step says."""

from __future__ import annotations

from html import escape

from kernel_lib.logs.channels import CHANNELS, WANTED
from kernel_lib.logs.log_units import SCALED
from kernel_lib.logs.match import Mapping, Match
from kernel_lib.logs.read import RawLog
from kernel_lib.text import listed

_SURE = 0.95
_LONGEST = 44


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


def why(match: Match) -> str:
    """How sure, and the evidence."""
    told = " ".join(escape(text) for text in (*match.evidence, match.doubt) if text)
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


def said(mapping: Mapping, raw: RawLog) -> str:
    """What is missing, and which column is which in a sentence that can be unfolded."""
    found = [
        f"{CHANNELS[m.key].label} from <q>{escape(column(m.name, m.column or 0))}</q>"
        for m in mapping.matches.values()
        if m.used
    ]
    have = {m.key for m in mapping.matches.values() if m.used}
    missing = [CHANNELS[key].label for key in WANTED if key not in have]
    told = [f"{', '.join(found)}."] if found else []
    told += [escape(note) for note in raw.notes]
    rows = "".join(f"<p>{text}</p>" for text in told)
    lack = f"<p>Not in this log: {escape(listed(missing))}. What they would tell stays unjudged.</p>" if missing else ""
    return f"{lack}<details><summary>which they are, and how the file was read</summary>{rows}</details>"


def questions(mapping: Mapping) -> str:
    """The questions, first of all."""
    return "".join(f"<p>{escape(text)}</p>" for text in mapping.questions)
