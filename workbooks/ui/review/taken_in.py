"""A mapping out of a file beside what the visitor has settled: nothing that he confirmed is lost."""

from __future__ import annotations

from kernel_lib.logs.channels import CHANNELS
from kernel_lib.logs.match import Mapping
from kernel_lib.text import listed

from .opened import Opened

_BY_HAND = ("Set by you.", "Left out by you.")
"""How the kernel marks what was settled by hand."""


def by_hand(mapping: Mapping) -> dict[str, tuple]:
    """What the visitor settled: quantity to column, unit, scale."""
    return {
        key: (m.column, m.unit, m.scale) if m.name else (None, "", None)
        for key, m in mapping.matches.items()
        if any(said in m.evidence for said in _BY_HAND)
    }


def merged(file: Mapping, known: Mapping | None, opened: Opened) -> tuple[Mapping, str]:
    """Lay a mapping out of a file under what is confirmed.

    Parameters
    ----------
    file : Mapping
    known : Mapping or None
        From last time.
    opened : Opened
        The log it is opened for, with its mapping; `hand` holds what its visitor settled.

    Returns
    -------
    tuple
        The mapping that is known from now on, and a sentence on what was taken, kept and not found.
    """
    names, before = opened.raw.names, dict(known.matches) if known is not None else {}
    kept = {key: opened.mapping.get(key) for key in opened.hand}
    held = {m.name for m in kept.values() if m.name}
    taken, absent = {}, []
    for key, match in file.matches.items():
        if key in kept or match.name in held:
            continue
        if match.name and match.name not in names:
            absent.append(key)
            if key in before:
                continue
        taken[key] = match
    used = held | {m.name for m in taken.values() if m.name}
    rest = {key: m for key, m in before.items() if key not in taken and key not in kept and m.name not in used}
    return Mapping(rest | taken | kept), _said(len([k for k in taken if k not in absent]), list(kept), absent)


def _said(taken: int, kept: list[str], absent: list[str]) -> str:
    """What came of it."""

    def labels(keys: list[str]) -> str:
        return listed([CHANNELS[key].label for key in keys])

    out = [f"Looked up as the file says: {taken} {'quantity' if taken == 1 else 'quantities'}."]
    out += [f"Kept as you settled it: {labels(kept)}."] if kept else []
    out += [f"The columns that the file names for {labels(absent)} are not in this log."] if absent else []
    return " ".join(out)
