"""A measurement file of the ASAM MDF kind, through the package asammdf (an optional extra) in a process of its own."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import numpy as np

from .read_names import clean, unique
from .read_table import MAX_COLUMNS, MAX_VALUES, MIN_ROWS, Parts
from .read_text import no_log

SECONDS = 120.0
"""Longer, and the file is taken for damaged."""
_CHILD = Path(__file__).with_name("mdf_child.py")
_INSTALL = 'pip install "nitrous-workbook[mdf]"'


def read_mdf(data: bytes, name: str) -> Parts:
    """Read every channel of numbers of an MDF file onto the union of their time stamps, NaN between.

    Parameters
    ----------
    data : bytes
    name : str
        For the refusals.

    Returns
    -------
    names, units : list of str
        The first is the time [s].
    columns : list of array
    notes : list of str

    Raises
    ------
    InputError
        If asammdf is not installed, or the file is damaged, empty or too large.
    """
    if importlib.util.find_spec("asammdf") is None:
        why = f"This is an MDF file; to read it, install the optional package: {_INSTALL}"
        raise no_log(name, why, "a text file of columns (CSV); MDF with its optional package")
    told, arrays = _asked(data, name)
    if told["too many"]:
        raise _too_many(name)
    notes = []
    for left, why in ((told["words"], "hold no plain numbers"), (told["broken"], "cannot be read")):
        if left:
            shown = ", ".join(f"'{clean(n)}'" for n in left[:5]) + (", ..." if len(left) > 5 else "")
            notes.append(f"Channels that {why} were left out: {shown}.")
    return _together(told["channels"], arrays, notes, name)


def _asked(data: bytes, name: str) -> tuple[dict, list[np.ndarray]]:
    """Ask the other process: what there is, then clocks and channels."""
    command = [sys.executable, "-W", "ignore", str(_CHILD), str(MAX_VALUES)]
    try:
        done = subprocess.run(command, input=data, capture_output=True, timeout=SECONDS, check=True)
        head, _, rest = done.stdout.partition(b"\n")
        told = json.loads(head)
        lengths = told["clocks"] + [told["clocks"][clock] for _, _, clock in told["channels"]]
        values = np.frombuffer(rest, "<f8")
        return told, np.split(values, np.cumsum(lengths)[:-1]) if lengths else []
    except (OSError, subprocess.SubprocessError, ValueError, KeyError, IndexError) as exc:
        raise no_log(name, "The MDF file is damaged and cannot be read.") from exc


def _together(channels: list[list], arrays: list[np.ndarray], notes: list[str], name: str) -> Parts:
    if not channels:
        raise no_log(name, "There is no channel of numbers in it.", "an MDF file with channels of numbers over time")
    if len(channels) > MAX_COLUMNS:
        raise no_log(f"{len(channels)} channels", "A logger does not write so many.", f"up to {MAX_COLUMNS} channels")
    clocks, values = arrays[: -len(channels)], arrays[-len(channels) :]
    stamps = np.concatenate(clocks)
    union = np.unique(stamps[np.isfinite(stamps)])
    if len(union) < MIN_ROWS:
        raise no_log(name, f"It holds {len(union)} moments of time.", f"{MIN_ROWS} moments at least")
    if len(union) * (len(channels) + 1) > MAX_VALUES:
        raise _too_many(name)
    good = [np.isfinite(clock) for clock in clocks]
    at = [np.searchsorted(union, clock[g]) for clock, g in zip(clocks, good, strict=True)]
    columns = [union]
    for (_, _, k), value in zip(channels, values, strict=True):
        column = np.full(len(union), np.nan)
        column[at[k]] = np.where(np.isfinite(value), value, np.nan)[good[k]]
        columns.append(column)
    again = max(len(places) - len(np.unique(places)) for places in at)
    if again:
        notes.append(f"Up to {again} time stamps of a channel come twice; the later value was kept.")
    if any(len(places) < len(union) for places in at):
        notes.append(
            "Channels have clocks of their own; they stand on the union of all their time stamps, blank between."
        )
    labels = [clean(label) or f"channel {k + 1}" for k, (label, _, _) in enumerate(channels)]
    return unique(["time", *labels], notes), ["s", *(clean(unit) for _, unit, _ in channels)], columns, notes, {}


def _too_many(name: str) -> Exception:
    most = f"{MAX_VALUES // 1_000_000} million values"
    why = f"On one clock it holds more than {most}; export fewer channels or a shorter part."
    return no_log(name, why, f"up to {most}")
