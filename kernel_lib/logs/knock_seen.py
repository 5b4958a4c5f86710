"""Knock activity: a signal on a scale of its own, held against what the same engine shows at the same speed without nitrous."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .cut import Pull
from .events import GAP, LIFT, MISSED_SHIFT, SHIFT, despiked, filled, runs, samples
from .held import readings_a_second
from .knock_ground import FALSE_ALARM, background, jump_of
from .log import Log

LEVEL, COUNT, RETARD, NONE = "level", "count", "retard", "none"
LEAST_IN_ALL, REACH_RPM = 120, 500.0
"""Samples of the whole that a background needs, and how far beyond its ends it is trusted [rpm]."""
UNSEEN = 0.2
"""Part of the nitrous at speeds without background up to which the rest stands for all of it; a choice of our own, no source."""
OWN_NOTE = "Without nitrous the log holds too little of these speeds: the background is that of the pull itself, from which bursts stand out but not knock throughout. Log a base pull."
MOST_RETARD = 20.0
"""Largest knock retard that a controller takes [deg]; beyond it is another scale. From memory."""

CALM_PART, TURNS_HZ = 0.5, 2.0
"""Part of the samples that repeat the one before, and how often a second it turns from falling to rising, from and up to which a signal that comes to 0 is degrees taken out even where it rests there for less than half of the log; choices of our own, no source."""


@dataclass(frozen=True)
class Burst:
    """Knock activity.

    Attributes
    ----------
    begin_s, end_s, rpm : float
        When and at which speed.
    times : float
        Height over the background, in thresholds (1 is just knock); of a count its rise, of a retard the degrees.
    nitrous : bool
        Whether nitrous flowed.
    pull : int
        Which of the pulls.
    """

    begin_s: float
    end_s: float
    rpm: float
    times: float
    nitrous: bool
    pull: int


@dataclass(frozen=True, eq=False)
class KnockSeen:
    """What the knock signal of a log says.

    Attributes
    ----------
    kind : {"level", "count", "retard", "none"}
    bursts : tuple of Burst
    unjudged : str
        Why nothing can be said; "" where something can.
    rpm, background, threshold : array
        Of a level: what the engine shows by itself over speed, and from where it counts, on the signal's own scale.
    false_alarm : float
        Chance of a burst in a pull of clean noise that the threshold aims at.
    louder : float
        Median on nitrous over that of the background at the same speed; NaN where not known. A charge that burns faster is louder without knock.
    own : bool
        Whether the background is that of the pull itself, nitrous and all: then only single bursts stand out, steady knock does not.
    note : str
    unseen : float
        Part of the samples on nitrous at speeds without background, which is not judged.
    jump : tuple of float
        From which speed on [rpm] the background is suddenly so many times as loud; (0, 0) where it is not.
    """

    kind: str
    bursts: tuple[Burst, ...] = ()
    unjudged: str = ""
    rpm: np.ndarray = None  # type: ignore[assignment]
    background: np.ndarray = None  # type: ignore[assignment]
    threshold: np.ndarray = None  # type: ignore[assignment]
    false_alarm: float = FALSE_ALARM
    louder: float = float("nan")
    own: bool = False
    note: str = ""
    unseen: float = 0.0
    jump: tuple[float, float] = (0.0, 0.0)


def knock_activity(
    log: Log, pulls: Sequence[Pull], base_log: Log | None = None, base_pulls: Sequence[Pull] = ()
) -> KnockSeen:
    """Look for knock in the pulls of a log.

    Parameters
    ----------
    log : Log
    pulls : sequence of Pull
    base_log : Log, optional
        Of the same car and sensor without nitrous, with `base_pulls`, to learn the background from as well.
    base_pulls : sequence of Pull

    Returns
    -------
    KnockSeen

    Notes
    -----
    A count: whole numbers that only climb; any rise is knock. A retard: in steps, at rest at 0; any move away from it is knock. Else a level: median and scaled
    median deviation in bins of 500 rpm over full throttle without nitrous (of the logarithm where all is above 0, for such signals scatter in proportion), deviations
    of all bins pooled where they agree; a burst lies over z times it, z from the false-alarm rate over the samples of a pull, times 1.3, and more where the background's own highest fiftieth falls off more slowly. Speeds further than
    500 rpm from any background are not judged. Where the log holds too little without nitrous, the pull itself is the background (`own`): median in bins, held down to
    the trend of all bins.
    """
    signal = log.get("knock")
    if not log.has("knock"):
        return KnockSeen(NONE, unjudged="No knock signal in the log.")
    parts = [_part(log, pull, k) for k, pull in enumerate(pulls)]
    if not parts:
        return KnockSeen(NONE, unjudged="No pull in the log.")
    kind = _kind(signal, log.step_s)
    if kind in (COUNT, RETARD):
        return _stepped(kind, signal, parts)
    others = [_part(base_log, pull, k) for k, pull in enumerate(base_pulls)] if base_log is not None else []
    return _level(parts, others, max(_rows(each) for each in (log, base_log) if each is not None))


def _rows(log: Log) -> int:
    """Samples from one reading of the signal to the next."""
    rate = readings_a_second(log, "knock")
    return max(round(1 / (rate * log.step_s)), 1) if rate else 1


@dataclass(frozen=True, eq=False)
class _Part:
    """A pull: time, speed, signal, where nitrous is or was in the charge, where it is quiet enough to learn from."""

    time: np.ndarray
    rpm: np.ndarray
    signal: np.ndarray
    nitrous: np.ndarray
    quiet: np.ndarray
    number: int
    before: float


def _part(log: Log, pull: Pull, number: int) -> _Part:
    begin = pull.start
    stop = max([pull.stop, *(h.flow.stop for h in pull.hits)])
    nitrous, quiet = np.zeros(stop - begin, bool), np.ones(stop - begin, bool)
    for hit in pull.hits:
        nitrous[max(hit.command.start - begin, 0) : hit.flow.stop - begin] = True
    quiet[pull.stop - begin :] = False
    room = samples(0.1, log.step_s)
    for event in pull.events:
        if event.kind in (SHIFT, LIFT, GAP, MISSED_SHIFT):
            quiet[max(event.start - begin - room, 0) : event.stop - begin + room] = False
    part = slice(begin, stop)
    rpm = despiked(filled(log.get("rpm")[part], stop - begin))
    signal = log.get("knock")
    earlier = signal[max(begin - samples(1.0, log.step_s), 0) : begin + 1]
    before = float(earlier[np.isfinite(earlier)][-1]) if np.isfinite(earlier).any() else float("nan")
    return _Part(log.time_s[part], rpm, signal[part], nitrous, quiet & ~nitrous, number, before)


def _kind(signal: np.ndarray, step_s: float) -> str:
    known = signal[np.isfinite(signal)]
    steps = np.diff(known)
    whole = np.abs(known - np.round(known)) < 1e-6
    if whole.all() and known.min() >= 0 and len(steps) and (steps >= 0).mean() > 0.999:
        return COUNT  # a reset now and then is allowed
    scaled = np.abs(known) * 20  # in steps of a twentieth of a degree at the finest
    rests = np.abs(known) < 1e-9
    one_side = (known >= 0).mean() > 0.999 or (known <= 0).mean() > 0.999
    # cropped to the hit it rests for less than half; a level does not stand still, or turns all the time
    moves = np.diff(np.abs(known))
    ways = np.sign(moves[np.abs(moves) > 1e-9])
    turns = int((np.diff(ways) > 0).sum()) / max(len(known) * step_s, 1e-9)
    calm = rests.any() and len(ways) < (1 - CALM_PART) * len(moves) and turns < TURNS_HZ
    if (
        (rests.mean() > 0.5 or calm)
        and one_side
        and np.abs(known).max() <= MOST_RETARD
        and np.mean(np.abs(scaled - np.round(scaled)) < 0.3) > 0.9
    ):
        return RETARD
    return LEVEL


def _stepped(kind: str, signal: np.ndarray, parts: list[_Part]) -> KnockSeen:
    bursts = []
    for part in parts:
        known = np.flatnonzero(np.isfinite(part.signal))
        if not len(known):
            continue
        values = np.abs(part.signal[known]) if kind == RETARD else part.signal[known]
        before = abs(part.before) if kind == RETARD else part.before
        rise = np.diff(np.concatenate([[before if np.isfinite(before) else values[0]], values])) > 1e-6
        for a, b in _grouped(np.flatnonzero(rise), part, known):
            height = values[b] - (values[a - 1] if a else before)
            nitrous = bool(part.nitrous[known[a] : known[b] + 1].any())
            i, j = known[a], known[b]
            bursts.append(
                Burst(float(part.time[i]), float(part.time[j]), float(part.rpm[i]), float(height), nitrous, part.number)
            )
    if float(np.nanmax(signal) - np.nanmin(signal)) <= 0:
        return KnockSeen(
            kind, unjudged="The knock signal never moves in this log: nothing shows that the sensor works."
        )
    what = "a count of knocks" if kind == COUNT else "degrees taken out for knock"
    note = f"The signal is read as {what}: any rise counts."
    return KnockSeen(kind, tuple(bursts), note=note)


def _grouped(at: np.ndarray, part: _Part, known: np.ndarray) -> list[tuple[int, int]]:
    """Rises less than 0.3 s apart as one."""
    if not len(at):
        return []
    cuts = np.flatnonzero(np.diff(part.time[known[at]]) > 0.3) + 1
    return [(int(g[0]), int(g[-1])) for g in np.split(at, cuts)]


def _level(parts: list[_Part], others: list[_Part], rows: int) -> KnockSeen:
    learn, base = ([(p, p.quiet) for p in each if p.quiet.any()] for each in (parts + others, others))
    seen = _held(parts, learn, rows)
    if base and not seen.bursts:  # what stands before the hit is held against the base log alone, too
        by_base = _held(parts, base, rows)
        seen = by_base if by_base.bursts else seen
    if seen.unjudged and any(p.nitrous.any() for p in parts):
        own = _held(parts, learn + [(p, p.nitrous) for p in parts], rows, own=True)
        return own if not own.unjudged else seen
    if seen.unseen > UNSEEN and not seen.bursts:
        own = _held(parts, learn + [(p, p.nitrous) for p in parts], rows, own=True)
        return own if own.bursts else seen
    return seen


def _held(parts: list[_Part], learn: list[tuple[_Part, np.ndarray]], rows: int, *, own: bool = False) -> KnockSeen:
    """Hold every pull against the background of some samples."""
    rpm = np.concatenate([p.rpm[use] for p, use in learn]) if learn else np.array([])
    values = np.concatenate([p.signal[use] for p, use in learn]) if learn else np.array([])
    good = np.isfinite(rpm) & np.isfinite(values)
    rpm, values = rpm[good], values[good]
    if len(rpm) < LEAST_IN_ALL:
        told = f"Only {len(rpm)} samples at full throttle without nitrous: too few to know what the engine sounds like by itself. Log a base pull."
        return KnockSeen(LEVEL, unjudged=told)
    heard = np.concatenate([p.signal[np.isfinite(p.signal)] for p in parts])
    logarithmic = bool(values.min() > 0 and heard.min() > 0)
    ground = background(rpm, np.log(values) if logarithmic else values, rows=rows, own=own)
    if ground is None:
        return KnockSeen(LEVEL, unjudged="The signal does not move at full throttle: nothing shows that it works.")
    bursts, louder, left, total = [], [], 0, 0
    for part in parts:
        found, ratio, unseen, on = _bursts(part, ground, logarithmic)
        bursts += found
        louder += ratio
        left, total = left + unseen, total + on
    if total and left > 0.5 * total and not bursts:
        told = "Without nitrous the log holds other speeds than on it: the background there is not known. Log a base pull over the whole window."
        return KnockSeen(LEVEL, unjudged=told)
    note = OWN_NOTE if own else f"Background learnt from {len(rpm)} samples without nitrous."
    if left:
        note += f" {100 * left / total:.0f} % of the nitrous lies at speeds without background and is not judged."
    grid, middle, spread, z = ground
    shown = [np.exp(v) if logarithmic else v for v in (middle, middle + z * spread)]
    ratio = float(np.median(louder)) if louder and not own else float("nan")
    jump = jump_of(grid, shown[0], middle, spread)
    return KnockSeen(LEVEL, tuple(bursts), "", grid, *shown, louder=ratio, own=own, note=note, unseen=left / max(total, 1), jump=jump)  # fmt: skip


def _bursts(part: _Part, ground, logarithmic: bool) -> tuple[list[Burst], list[float], int, int]:
    """Bursts of a pull, how much louder each sample on nitrous is, samples on nitrous without background, and all of them."""
    grid, middle, spread, z = ground
    good = np.isfinite(part.signal) & np.isfinite(part.rpm)
    near = np.zeros(len(good), bool)
    near[good] = np.min(np.abs(part.rpm[good][:, None] - grid[None, :]), axis=1) <= REACH_RPM
    use = good & near & (part.nitrous | part.quiet)
    signal = np.where(use, part.signal, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        signal = np.log(signal) if logarithmic else signal
        line, wide = np.interp(part.rpm, grid, middle), np.interp(part.rpm, grid, spread)
        height = (signal - line) / (z * wide)
        over = height > 1
        ratio = np.exp(signal - line) if logarithmic else signal / np.where(line == 0, np.nan, line)
    found = []
    for a, b in runs(over):
        k = a + int(np.nanargmax(height[a:b]))
        if found and part.time[a] - found[-1].end_s < 0.1:
            last = found.pop()
            tall = max(last.times, float(height[k]))
            found.append(
                Burst(
                    last.begin_s,
                    float(part.time[b - 1]),
                    last.rpm,
                    tall,
                    last.nitrous or bool(part.nitrous[k]),
                    part.number,
                )
            )
            continue
        times = float(height[k])
        found.append(
            Burst(
                float(part.time[a]),
                float(part.time[b - 1]),
                float(part.rpm[k]),
                times,
                bool(part.nitrous[k]),
                part.number,
            )
        )
    on = part.nitrous & np.isfinite(ratio)
    return found, ratio[on].tolist(), int((part.nitrous & good & ~near).sum()), int((part.nitrous & good).sum())
