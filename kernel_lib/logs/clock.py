"""From columns to a log: one clock, the units of the kernel, nothing bridged that was not measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError, check_number
from ..text import listed, lowered
from . import spoilt as sp
from . import stamps as st
from .channels import CHANNELS, NEEDED
from .cut import UNSEEN_S
from .knock_column import NOT_READ, unread
from .log import Log, in_quotes
from .log_units import convert
from .match import SHEET_ONLY, Mapping, Match
from .more_lambdas import leanest, more_lambdas
from .time_columns import refuse_own_clocks

if TYPE_CHECKING:
    from ..build_sheet import BuildSheet
    from .read import RawLog


UNCONFIRMED = "left out until it is confirmed"
"""In the note of a column that may be a quantity and is not used."""
OWN_STEPS, SLOW_STEPS, LAMBDA_STEPS = 5, 2.5, 1.5
"""Of what decides about an engine on nitrous: own steps that are bridged of a quick channel, of one slower than ten a second (one reading lost), of a slow lambda (none); choices of our own, no source."""


def apply(raw: RawLog, mapping: Mapping, sheet: BuildSheet, *, rate_hz: float | None = None) -> Log:
    """Bring the columns of a mapping onto one clock, in the units of the kernel.

    Parameters
    ----------
    raw : RawLog
    mapping : Mapping
        Columns are found by their names; what is not sure is left out, and said.
    sheet : BuildSheet
        For its barometer, between gauge and absolute pressures.
    rate_hz : float or None
        Samples a second, for a log without time.

    Returns
    -------
    Log

    Raises
    ------
    InputError
        Where time, engine speed or lambda is missing, not sure or empty; time does not rise for two seconds; a column is not there; channels have
        clocks of their own; nitrous is beyond its limits for a good part of what is not 0.

    Notes
    -----
    The clock has the step of the faster of engine speed and lambda. Between its own samples a channel is a straight line, a switch
    or gear its last value; nothing lies where its samples are further apart than `bridged_s`, nor where something was measured that is no number or makes no sense.
    """
    mapping = mapping.bound(raw)
    _refuse_strangers(raw, mapping)
    notes: list[str] = []
    chosen = {key: _needed(key, mapping, raw) for key in NEEDED if key != "time_s" or rate_hz is None}
    for key, match in mapping.matches.items():
        if match.used and match.column is not None:
            chosen.setdefault(key, match)
        elif match.name and not match.used:
            notes.append(f"{CHANNELS[key].label.capitalize()} {UNCONFIRMED}: {match.doubt}")
    notes += [said for key in ("lambda_", "lambda_2") if key in chosen for said in chosen[key].evidence if said.startswith(SHEET_ONLY)]  # fmt: skip
    left = unread(raw, mapping.matches.get("knock"), {match.column for match in mapping.matches.values()})
    notes += [NOT_READ + listed([f"'{name}'" for name in left]) + "."] if left else []
    if "time_s" in chosen:
        refuse_own_clocks(raw, chosen["time_s"])
    times = _stamps(raw, chosen.pop("time_s", None), rate_hz, notes)
    read = {key: _values(raw, match, times, sheet, notes) for key, match in chosen.items()}
    columns = {key: values for key, (values, *_) in read.items()}
    own = {key: _own(values, times.time_s) for key, values in columns.items()}
    _refuse_senseless(own, chosen)
    fastest = min(own[key][1] for key in ("rpm", "lambda_"))
    start, step, clock = st.clock(times.time_s, fastest, notes)
    data, rates, hidden, beyond = {}, {}, {}, {}
    for key, values in columns.items():
        if own[key] is None:
            notes.append(f"{CHANNELS[key].label.capitalize()} has no value that makes sense and is left out.")
            continue
        where, own_step = own[key]
        data[key] = _onto(
            clock + start, step, times.time_s, values, where, bridged_s(key, own_step), CHANNELS[key].steps
        )
        rates[key] = 1 / own_step
        _mark(key, read[key], times.time_s, clock + start, data[key], (hidden, beyond))
    on = (clock, start, step)
    lambdas = _further(raw, mapping, sheet, times, on, data, rates, (hidden, beyond), notes)
    return Log(raw.name, clock, data, rates, [*raw.notes, *times.notes, *notes], hidden, beyond, lambdas)


def _mark(key: str, read: tuple, time_s: np.ndarray, there: np.ndarray, on: np.ndarray, marks: tuple[dict, dict]) -> None:  # fmt: skip
    """Take out of a channel on the clock what is unknown, and add to what is hidden and what is beyond the lean end of a gauge."""
    values, *found = read
    for places, kept in zip(found, marks, strict=True):
        if places is not None:
            seen = sp.between(time_s, np.where(places, np.nan, values), places, there)
            kept[key] = kept.get(key, False) | seen
    if found[0] is not None:
        on[sp.between(time_s, values, found[0], there)] = np.nan


def _further(
    raw: RawLog,
    mapping: Mapping,
    sheet: BuildSheet,
    times: st.Stamps,
    on: tuple,
    data: dict,
    rates: dict,
    marks: tuple,
    notes: list[str],
) -> dict[str, np.ndarray]:
    """Read lambda columns beyond two into the second sensor, the leanest of them at every moment; ask for those that cannot be read.

    Returns
    -------
    dict
        Every lambda sensor by its column's name; empty where there is one alone.
    """
    more, (clock, start, step), made, found = more_lambdas(raw, mapping, sheet), on, {}, {}
    label = CHANNELS["lambda_2"].label.capitalize()
    notes += [f"{label} {UNCONFIRMED}: {asked} Choose it, or take it out of the file if it is none." for asked in more.unread]  # fmt: skip
    for match in more.read:
        found[match.name] = _values(raw, match, times, sheet, notes)
        own = _own(found[match.name][0], times.time_s)
        if own is None:
            continue
        where, own_step = own
        made[match.name] = _onto(
            clock + start, step, times.time_s, found[match.name][0], where, bridged_s("lambda_2", own_step), False
        )
    second, used = leanest(data["lambda_"], data.get("lambda_2"), made, step)
    named = {mapping.get(key).name: data[key] for key in ("lambda_", "lambda_2") if key in data}
    for name in used:
        _mark("lambda_2", found[name], times.time_s, clock + start, made[name], marks)
        named[name] = made[name]
    if used:
        data["lambda_2"] = second
        rates.setdefault("lambda_2", rates["lambda_"])
        told = listed([in_quotes(name) for name in used])
        notes.append(f"{label}: {told} {'are' if len(used) > 1 else 'is'} read with it; at every moment the leanest of them stands.")  # fmt: skip
    return named if len(named) > 1 else {}


def _refuse_senseless(own: dict, chosen: dict[str, Match]) -> None:
    """Refuse a column without a value that makes sense, where nothing can be done or judged without it."""
    whys = dict.fromkeys(("rpm", "lambda_"), "No value of it makes sense; is it another column, unit or scale?")
    why = "It holds no value that makes sense, so that nobody knows whether nitrous was sprayed; leave the column out if none was."
    for key, said in (whys | dict.fromkeys(("nitrous_duty_percent", "nitrous_on"), why)).items():
        if key in own and own[key] is None:
            raise InputError(f"column for {CHANNELS[key].label}", chosen[key].name, "", _allowed(key), said)


def _allowed(key: str) -> str:
    channel = CHANNELS[key]
    return f"a column from {channel.low:g} to {channel.high:g} {channel.unit}".strip()


def _refuse_strangers(raw: RawLog, mapping: Mapping) -> None:
    """Refuse a file of which nothing fits at all, naming what comes nearest."""
    if any(m.name for m in mapping.matches.values()):
        return
    looked = listed([lowered(CHANNELS[key].label) for key in NEEDED])
    near = " ".join(m.doubt for key in NEEDED if (m := mapping.get(key)).doubt)
    raise InputError(
        "log",
        f"{len(raw.names)} columns of which none fits",
        "",
        f"a log with {looked} at least",
        near or "Is it a log of a car?",
    )


def _needed(key: str, mapping: Mapping, raw: RawLog) -> Match:
    """Return the match of a quantity nothing can be done without."""
    match, label = mapping.get(key), CHANNELS[key].label
    if match.used and match.column is not None:
        return match
    if match.name:
        raise InputError(
            f"column for {label}", match.name, "", "one that is confirmed", match.doubt or "It is not sure."
        )
    extra = " Or state how many samples a second it has." if key == "time_s" else ""
    known = match.doubt or f"There are {len(raw.names)} columns; choose the one."
    raise InputError(f"column for {label}", "none found", "", f"a column of {label}", f"{known}{extra}")


def _stamps(raw: RawLog, match: Match | None, rate_hz: float | None, notes: list[str]) -> st.Stamps:
    if match is not None and rate_hz is None:
        return st.mend(convert("time_s", match.unit, raw.columns[match.column], scale=None, barometer_kpa=0.0))
    rate = check_number("rate_hz", rate_hz, *st.RATE_HZ, "1/s", "Logs of pulls are written at these rates.")
    notes.append(f"The log was read at {rate:g} samples a second, as stated.")
    if raw.rows / rate < st.LEAST_S:
        raise InputError("time", raw.rows / rate, "s", f"at least {st.LEAST_S:g} s", "A pull lasts longer.")
    return st.Stamps(np.arange(raw.rows) / rate, slice(None), None, [])


def _values(raw: RawLog, match: Match, times: st.Stamps, sheet: BuildSheet, notes: list[str]) -> tuple[np.ndarray, np.ndarray | None, np.ndarray | None]:  # fmt: skip
    """Return a column on its stamps in the unit of the kernel, NaN where it makes no sense; where what was measured is unknown, and where it stands for "leaner than that"."""
    channel = CHANNELS[match.key]
    column = raw.columns[match.column][times.rows]
    values = convert(match.key, match.unit, column, scale=match.scale, barometer_kpa=sheet.value("site.barometer_kpa"))
    with np.errstate(invalid="ignore"):
        outside = (values < channel.low) | (values > channel.high)
    marks = sp.marks_of(raw, match, times.rows, values, channel.low, channel.high)
    sp.refuse_nitrous(match, values, channel)
    values = np.where(outside, np.nan, values) if outside.any() else values
    count = int(outside.sum()) - (sp.count_lean(marks) if marks is not None else 0)
    if count:
        unit = f" {channel.unit}" if channel.unit else ""
        notes.append(
            f"{channel.label.capitalize()}: {count} of {len(values)} values outside {channel.low:g} to {channel.high:g}{unit} left out."
        )
    if times.groups is not None:
        values = _merged(values, times.groups, channel.steps)
        marks = None if marks is None else np.maximum.reduceat(marks, times.groups)
    if marks is None:
        return values, None, None
    values = values.copy()
    unknown, beyond = sp.settled(values, marks, times.time_s, channel.high, notes)
    return values, *(places if places.any() else None for places in (unknown, beyond))


def _merged(values: np.ndarray, groups: np.ndarray, steps: bool) -> np.ndarray:
    """Return one value for each stamp: the mean of its rows, of a switch the last."""
    good = np.isfinite(values)
    count = np.add.reduceat(good.astype(float), groups)
    if steps:
        last = np.maximum.accumulate(np.where(good, np.arange(len(values)), -1))
        ends = np.append(groups[1:], len(values)) - 1
        return np.where(count > 0, values[last[ends]], np.nan)
    with np.errstate(invalid="ignore"):
        return np.add.reduceat(np.where(good, values, 0.0), groups) / np.where(count > 0, count, np.nan)


def _own(values: np.ndarray, time: np.ndarray) -> tuple[np.ndarray | None, float] | None:
    """Return where a channel has values (None: everywhere) and its own step [s]; None for a channel without any."""
    good = np.isfinite(values)
    if good.all():
        return None, st.step_of(time)
    where = np.flatnonzero(good)
    return (where, st.step_of(time[where])) if where.size >= 2 else None


def bridged_s(key: str, own_step: float) -> float:
    """Return how far two values of a channel may lie apart for a line to be drawn between them [s].

    Parameters
    ----------
    key : str
    own_step : float
        Of the channel [s].

    Notes
    -----
    Five of its own steps. Of lambda less than the gap in which nitrous counts as not seen, of timing, knock and fuel pressure no more than a quarter of a second, however slow the channel is one step of its own; of what
    decides nothing by itself a quarter of a second at least.
    """
    own = OWN_STEPS * own_step
    if key in sp.LAMBDAS:
        return max(min(own, UNSEEN_S - 0.5 * own_step), LAMBDA_STEPS * own_step)
    if key in sp.GUARDED:
        return max(min(own, st.GAP_S), SLOW_STEPS * own_step)
    return max(own, st.GAP_S)


def _onto(clock, step, time, values, where, limit, steps: bool) -> np.ndarray:
    """Return a channel on the clock; NaN before, after and in its gaps."""
    if where is None and len(clock) == len(time) and np.abs(clock - time).max() < 1e-3 * step:
        return values.copy()
    if where is not None:
        time, values = time[where], values[where]
    slack = 1e-6 * step
    if steps:
        out = values[np.clip(np.searchsorted(time, clock + slack, side="right") - 1, 0, None)]
    else:
        out = np.interp(clock, time, values)
    out[(clock < time[0] - 0.5 * step) | (clock > time[-1] + 0.5 * step)] = np.nan
    for left in np.flatnonzero(np.diff(time) > limit * 1.0001):
        begin, end = np.searchsorted(clock, (time[left] + slack, time[left + 1] - slack))
        out[begin:end] = np.nan
    return out
