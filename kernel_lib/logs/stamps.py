"""Time stamps as loggers write them: restarts, swapped rows, repeated stamps, and the step of the clock."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from ..errors import InputError

LEAST_S = 2.0
MAX_SAMPLES = 2_000_000
RATE_HZ = (2.0, 1000.0)
GAP_SAMPLES, GAP_S = 5, 0.25
LONG_GAP_S = 10.0
"""Where a log too long for one clock is cut."""
JOIN_S = 5.0
"""Gap that is laid between parts whose clock started again [s]: long enough that nothing is drawn across it; a choice of our own, no source."""
LEAST_PART_S, LEFT_SHARE = 0.5, 0.02
"""A part shorter than this [s] holds no pull and is left out, as long as all of them are no more than this share of the rows; choices of our own, no source."""
COUNTERS_S = (65.536, 655.36)
"""Where counters of 16 bits begin again that count thousandths and hundredths of a second [s]."""
_SWAP_STEPS = 3  # a row that comes at most so many steps late is a swapped one, later it is a restart


@dataclass(frozen=True, eq=False)
class Stamps:
    """Rising stamps.

    Attributes
    ----------
    time_s : array
        Strictly rising, from 0 [s].
    rows : array or slice
        Which rows of the log they belong to, in this order.
    groups : array or None
        First row of every stamp within `rows`, where stamps were repeated.
    notes : list of str
    """

    time_s: np.ndarray
    rows: np.ndarray | slice
    groups: np.ndarray | None
    notes: list[str]


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def mend(time: np.ndarray) -> Stamps:
    """Bring stamps into order.

    Parameters
    ----------
    time : array
        As logged, any start [s]; NaN where a row has none.

    Raises
    ------
    InputError
        If time never rises, or for less than two seconds.
    """
    notes: list[str] = []
    rows: np.ndarray | slice = slice(None)
    good = np.isfinite(time)
    if not good.all():
        rows = np.flatnonzero(good)
        time = time[rows]
        notes.append(f"{_rows(int((~good).sum()))} without time left out.")
    if time.size < 2 or not (np.diff(time) > 0).any():
        raise InputError(
            "time", "never rising", "", "a column that rises row by row", "Without it no pull can be found."
        )
    time = _counter(time, notes)
    if (np.diff(time) < 0).any():
        order, time = _order(time, notes)
        rows = order if isinstance(rows, slice) else rows[order]
    groups = None
    new = np.diff(time) > 0
    if not new.all():
        groups = np.concatenate([[0], np.flatnonzero(new) + 1])
        _refuse_coarse(time, groups)
        notes.append(
            f"{_rows(int((~new).sum()))} repeated the time of the row before; values of one time were averaged."
        )
        time = time[groups]
    if time.size < 2 or time[-1] - time[0] < LEAST_S:
        span = float(time[-1] - time[0]) if time.size else 0.0
        raise InputError(
            "time", span, "s", f"at least {LEAST_S:g} s that rise", "A pull lasts longer; is its unit right?"
        )
    return Stamps(time - time[0], rows, groups, notes)


def _counter(time: np.ndarray, notes: list[str]) -> np.ndarray:
    """Carry on a clock that is a counter of 16 bits, in thousandths or hundredths of a second, and begins again when it is full."""
    steps = np.diff(time)
    back = np.flatnonzero(steps < 0)
    if not len(back):
        return time
    room = 5 * float(np.median(steps[steps > 0]))
    for full in COUNTERS_S:
        turns = back[(steps[back] + full > 0) & (steps[back] + full <= room) & (time[back] < full)]
        if len(turns) == len(back):
            out = time.copy()
            for k in turns:
                out[k + 1 :] += full
            times = "once" if len(turns) == 1 else f"{len(turns)} times"
            notes.append(f"The clock is a counter that begins again at {full:g} s, {times}; it was carried on.")
            return out
    return time


def _refuse_coarse(time: np.ndarray, groups: np.ndarray) -> None:
    """Refuse stamps that many rows share and that are too far apart for a log: decimals are missing."""
    apart, each = np.median(np.diff(time[groups])) if groups.size > 1 else 0.0, time.size / groups.size
    if each >= 3 and apart > 1.0001 / RATE_HZ[0]:
        why = "Export the time with its fractions of a second, or state how many samples a second the log has."
        raise InputError("time", f"{each:.0f} rows share each {apart:.3g} s", "", "stamps of each row's own", why)


def _order(time: np.ndarray, notes: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows, swapped ones put in order, and their stamps: a part that started again is laid behind the one before, with a gap.

    Raises
    ------
    InputError
        If time runs back all over.
    """
    steps = np.diff(time)
    step = float(np.median(steps[steps > 0]))
    # A row is swapped when it comes a few steps late and the next ones are on time again; else the clock started anew.
    cuts, top, seen = [0], -np.inf, 0
    for i in (np.flatnonzero(steps < 0) + 1).tolist():
        top, seen = max(top, float(time[seen:i].max())), i
        soon = time[i + 1 : i + 1 + _SWAP_STEPS]
        if top - time[i] > _SWAP_STEPS * step or (soon.size and soon.max() < top):
            cuts.append(i)
            top = -np.inf
    edges = np.array([*cuts, time.size])
    whole = np.argsort([time[b] for b in cuts])
    spans = [(float(time[b:e].min()), float(time[b:e].max())) for b, e in itertools.pairwise(edges.tolist())]
    if len(cuts) > 1 and all(0 <= spans[b][0] - spans[a][1] <= JOIN_S for a, b in itertools.pairwise(whole.tolist())):
        notes.append(f"The file holds its {len(cuts)} parts in another order than their time; they were put in order.")
        own = np.argsort(time, kind="stable")
        return own, time[own]
    order, stamps, kept, swapped, end = [], [], [], 0, -np.inf
    for begin, stop in itertools.pairwise(edges.tolist()):
        part = time[begin:stop]
        if len(cuts) > 1 and float(part.max() - part.min()) < LEAST_PART_S:
            continue
        own = np.argsort(part, kind="stable")
        swapped += int((np.diff(part) < 0).sum())
        late = max(end + JOIN_S - float(part.min()), 0.0) if part.min() < end + JOIN_S and kept else 0.0
        order.append(begin + own)
        stamps.append(part[own] + late)
        kept.append((begin, stop, float(part.min()) + late))
        end = float(stamps[-1][-1])
    held = sum(stop - begin for begin, stop, _ in kept)
    if time.size - held > LEFT_SHARE * time.size:
        why = "The order of its rows cannot be told; export it again, by time."
        raise InputError("time", f"running back {len(cuts) - 1} times", "", "a column that rises row by row", why)
    if swapped:
        places = "one place" if swapped == 1 else f"{swapped} places"
        notes.append(f"Time ran back by a row or two in {places}; the rows were put in order.")
    if len(cuts) > 1:
        _say_joined(kept, time.size - held, notes)
    return np.concatenate(order), np.concatenate(stamps)


def _say_joined(kept: list[tuple[int, int, float]], left: int, notes: list[str]) -> None:
    """Say which parts stand one behind the other, and what was left out."""
    again = len(kept) - 1
    if again:
        times = "once" if again == 1 else f"{again} times"
        begin, _, at = kept[1]
        notes.append(
            f"Time started again {times}: the parts stand one behind the other, at least {JOIN_S:g} s apart; "
            f"row {begin + 1} is at {at - kept[0][2]:.1f} s."
        )
    if left:
        notes.append(f"{_rows(left)} whose time ran back for less than {LEAST_PART_S:g} s left out.")


def step_of(time: np.ndarray) -> float:
    """Return the mean step of stamps without their gaps, rounded where the rounding does not add up to half a step [s]."""
    steps = np.diff(time)
    middle = float(np.median(steps))
    plain = steps[steps < 2.5 * middle]
    step = float(plain.mean())
    nice = float(f"{step:.3g}")
    return nice if abs(nice - step) * plain.size < 0.5 * step else step


def clock(time: np.ndarray, step: float, notes: list[str]) -> tuple[float, float, np.ndarray]:
    """Return start, step and the uniform clock [s] for stamps whose fastest needed channel has this step.

    Raises
    ------
    InputError
        For a log slower than two values a second.
    """
    if step > 1.0001 / RATE_HZ[0]:
        why = "At full throttle a second is many engine cycles; log at 20 to 100 a second."
        raise InputError("sampling", 1 / step, "values a second", f"at least {RATE_HZ[0]:g}", why)
    if step < 1 / RATE_HZ[1]:
        notes.append(f"Sampled {1 / step:.0f} times a second; read {RATE_HZ[1]:.0f} times a second.")
        step = 1 / RATE_HZ[1]
    start, end = float(time[0]), float(time[-1])
    if (end - start) / step >= MAX_SAMPLES:
        breaks = np.flatnonzero(np.diff(time) > LONG_GAP_S)
        edges = np.concatenate([[-1], breaks, [time.size - 1]])
        spans = time[edges[1:]] - time[edges[:-1] + 1]
        best = int(np.argmax(spans))
        if breaks.size:
            notes.append(
                f"The log has {breaks.size} gaps of more than {LONG_GAP_S:g} s and is too long for one clock; its longest part "
                f"was kept ({spans[best]:.0f} s)."
            )
        start, end = float(time[edges[best] + 1]), float(time[edges[best + 1]])
    if (end - start) / step >= MAX_SAMPLES:
        step = (end - start) / (MAX_SAMPLES - 1)
        notes.append(f"The log is too long for its own step; it was read every {1000 * step:.1f} ms.")
        if step > 1 / RATE_HZ[0]:
            raise InputError(
                "time", end - start, "s", "up to 11 days in one log", "Is the unit of the time column right?"
            )
    return start, step, np.arange(int((end - start) / step + 1e-6) + 1) * step
