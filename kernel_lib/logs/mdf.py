"""A measurement file of the ASAM MDF kind, through the package asammdf (an optional extra)."""

from __future__ import annotations

import io
import warnings
from contextlib import suppress
from typing import Any

import numpy as np

from .read_names import clean, unique
from .read_table import MAX_COLUMNS, MAX_VALUES, MIN_ROWS, Parts
from .read_text import no_log

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
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # asammdf's own, over other packages
        try:
            from asammdf import MDF
        except ImportError as exc:
            why = f"This is an MDF file; to read it, install the optional package: {_INSTALL}"
            raise no_log(name, why, "a text file of columns (CSV); MDF with its optional package") from exc
        try:
            file = MDF(io.BytesIO(data))
        except Exception as exc:  # whatever a damaged file does inside a foreign package
            raise no_log(name, "The MDF file is damaged and cannot be read.") from exc
        try:
            channels, notes = _channels(file, name)
        finally:
            with suppress(Exception):
                file.close()
    return _together(channels, notes, name)


def _channels(file: Any, name: str) -> tuple[list[tuple[str, str, np.ndarray, np.ndarray]], list[str]]:
    """Return name, unit, time stamps and values of every channel of numbers; and what was left out."""
    out, words, broken = [], [], []
    masters = dict(file.masters_db)
    size = sum(int(g.channel_group.cycles_nr) * len(g.channels) for g in file.groups)
    if size > MAX_VALUES:
        raise _too_many(name)
    for g, group in enumerate(file.groups):
        if int(group.channel_group.cycles_nr) == 0:
            continue
        for k, channel in enumerate(group.channels):
            if masters.get(g) == k:
                continue
            label = clean(str(channel.name)) or f"channel {g + 1}.{k + 1}"
            try:
                signal = file.get(group=g, index=k, ignore_invalidation_bits=True, ignore_value2text_conversions=True)
                time, values = np.asarray(signal.timestamps, float), np.asarray(signal.samples)
                lost = signal.invalidation_bits
            except Exception:  # whatever a damaged file does inside a foreign package
                broken.append(label)
                continue
            if values.ndim != 1 or values.dtype.kind not in "biuf" or len(values) != len(time):
                words.append(label)
                continue
            values = values.astype(float)
            if lost is not None and len(lost) == len(values):
                values[np.asarray(lost, bool)] = np.nan
            out.append((label, clean(str(signal.unit or "")), time, values))
    notes = []
    for left, why in ((words, "hold no plain numbers"), (broken, "cannot be read")):
        if left:
            shown = ", ".join(f"'{n}'" for n in left[:5]) + (", ..." if len(left) > 5 else "")
            notes.append(f"Channels that {why} were left out: {shown}.")
    return out, notes


def _together(channels: list[tuple[str, str, np.ndarray, np.ndarray]], notes: list[str], name: str) -> Parts:
    if not channels:
        raise no_log(name, "There is no channel of numbers in it.", "an MDF file with channels of numbers over time")
    if len(channels) > MAX_COLUMNS:
        raise no_log(f"{len(channels)} channels", "A logger does not write so many.", f"up to {MAX_COLUMNS} channels")
    clocks = {id(time): time for _, _, time, _ in channels}
    stamps = np.concatenate(list(clocks.values()))
    union = np.unique(stamps[np.isfinite(stamps)])
    if len(union) < MIN_ROWS:
        raise no_log(name, f"It holds {len(union)} moments of time.", f"{MIN_ROWS} moments at least")
    if len(union) * (len(channels) + 1) > MAX_VALUES:
        raise _too_many(name)
    columns, again = [union], 0
    for _, _, time, values in channels:
        column = np.full(len(union), np.nan)
        good = np.isfinite(time)
        column[np.searchsorted(union, time[good])] = np.where(np.isfinite(values), values, np.nan)[good]
        again = max(again, int(good.sum()) - len(np.unique(time[good])))
        columns.append(column)
    if again:
        notes.append(f"Up to {again} time stamps of a channel come twice; the later value was kept.")
    rates = len({(len(time), time[0], time[-1]) for _, _, time, _ in channels})
    if rates > 1:
        notes.append(
            f"Channels have {rates} clocks of their own; they stand on the union of all their time stamps, blank between."
        )
    names = unique(["time", *(label for label, _, _, _ in channels)], notes)
    return names, ["s", *(unit for _, unit, _, _ in channels)], columns, notes


def _too_many(name: str) -> Exception:
    most = f"{MAX_VALUES // 1_000_000} million values"
    why = f"On one clock it holds more than {most}; export fewer channels or a shorter part."
    return no_log(name, why, f"up to {most}")
