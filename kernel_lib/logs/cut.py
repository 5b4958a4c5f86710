"""Finding the pulls of a log and the nitrous in them, phase by phase."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import lfilter

from ..build_sheet import BuildSheet
from ..engine.setup import Setup
from ..plan.passage import course
from ..plan.stopping import wash_out
from ..plan.tune import Tune
from . import events as ev
from .command import GAP_S, SPEED, THROTTLE, commanded, commanded_share, full_throttle
from .events import Event
from .log import Log

BASE, NITROUS, FALSE_START, PART_THROTTLE = "base", "nitrous", "false start", "part throttle"
KINDS = (BASE, NITROUS, FALSE_START, PART_THROTTLE)
LIFTED, WINDOW, SWITCH, AT_LIMITER, AT_SHIFT, LOG_ENDS = "lift", "window", "switch", "limiter", "shift", "end of log"
ENDS = (LIFTED, WINDOW, SWITCH, AT_LIMITER, AT_SHIFT, LOG_ENDS)

LEAST_S, SHIFT_LIFT_S, BLIP_S = 0.7, 0.7, 0.15
"""Shortest pull, longest lift of a shift, longest loss of the throttle signal [s]; choices of our own."""
SETTLED, RAMP_TIMES, SENSOR_LAGS, READING_S = 0.05, 3.0, 3.0, 0.3
"""Distance to its own ramp at which a share has settled; mixing times for that of a step; lags of the sensor, and seconds, that a settled reading needs."""
UNSEEN_S = 0.15
"""Gap in which nitrous counts as not seen [s]: an excursion as it comes in is as short; a choice of our own, no source."""
SHUT_PERCENT = 50.0
"""Throttle below which a gauge of lambda may be beyond its end once nothing is commanded; a choice of our own, no source [%]."""
STEP_ROOM = 0.06
"""Of the planned dose, within which a step of the ladder is recognised; a choice of our own."""
SHARE_PLAY = 0.015
"""Share of the full flow that rounding of the duty may add to a commanded one; a choice of our own, no source."""
SPEED_PLAY_S = 0.15
"""Time round a moment in which engine speed may belong to it [s]; a choice of our own, no source."""


@dataclass(frozen=True)
class Hit:
    """Nitrous, from one command to one end, on the indices of the log.

    Attributes
    ----------
    command : slice
        Valve commanded.
    flow : slice
        From the first nitrous at the nozzle to the end of the wash-out, likely: ramp_in, spray and wash_out one after the other.
    ramp_in, spray, wash_out : slice
        Until what is drawn in has settled to its own ramp; settled; from the command to close until 95 % is gone. Spray is empty where nothing settles.
    ended_by : str
        One of `ENDS`.
    share : float
        Mean share of the full flow that was commanded, median over the spray; NaN where the log does not tell.
    short : bool
        Too short for a settled reading.
    outside_s : float
        Commanded off full throttle [s].
    breaks : tuple of slice
        Where the command was off for a while without ending the hit.
    unseen : tuple of slice
        Where the log has no speed, lambda or command from one reading to another `UNSEEN_S` or more behind it, from before the command to the end of the wash-out.
    begins_unseen, ends_unseen : bool
        Whether the log begins inside it or has a gap right before, and whether a gap follows the command.
    missing_s : float
        So much of the wash-out, and of what the sensor shows late of it, lies beyond the end of the log [s].
    """

    command: slice
    flow: slice
    ramp_in: slice
    spray: slice
    wash_out: slice
    ended_by: str
    share: float = float("nan")
    short: bool = False
    outside_s: float = 0.0
    breaks: tuple[slice, ...] = ()
    unseen: tuple[slice, ...] = ()
    begins_unseen: bool = False
    ends_unseen: bool = False
    missing_s: float = 0.0


@dataclass(frozen=True)
class Pull:
    """A stretch at full throttle.

    Attributes
    ----------
    start, stop : int
        Indices of the log, stop not included.
    kind : str
        One of `KINDS`; "part throttle": nitrous was commanded where there was no full throttle.
    hits : tuple of Hit
    events : tuple of Event
    gear_rise_rpm_s : float
        Usual rise of engine speed, median outside of events; NaN where speed is missing [rpm/s].
    notes : tuple of str
    """

    start: int
    stop: int
    kind: str
    hits: tuple[Hit, ...] = ()
    events: tuple[Event, ...] = ()
    gear_rise_rpm_s: float = float("nan")
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class StepSeen:
    """Which step of the ladder a pull was: its share of the planned dose (NaN if unknown), index of the step or None, and how that is known."""

    share: float
    index: int | None
    note: str


def cut(log: Log, sheet: BuildSheet) -> tuple[Pull, ...]:
    """Find the pulls of a log and the nitrous in them.

    Parameters
    ----------
    log : Log
    sheet : BuildSheet

    Returns
    -------
    tuple of Pull
        In the order of time.

    Raises
    ------
    InputError
        If the sheet's valve cannot be computed.
    """
    if len(log.time_s) < 2:
        return ()
    full, basis = full_throttle(log, sheet)
    told = log.has("nitrous_duty_percent") or log.has("nitrous_on")
    lifted = full if basis != SPEED else None
    command, raw = commanded(log, sheet, lifted) if told else (np.zeros(len(full), bool),) * 2
    notes = () if told else ("No nitrous channel is in the log: whether any was sprayed is not known.",)
    if basis != THROTTLE:
        notes += (f"Throttle is not in the log: pulls were found by {basis}.",)
    anew = ev.restarts(log.get("rpm"), log.step_s, sheet.driveline.free_rise_rpm_s)
    stretches = _joined(_stretches(log, full, basis, anew), ev.runs(command))
    share = commanded_share(log, sheet)
    return tuple(_pull(log, sheet, part, hits, full, raw, share, basis, anew + 1, notes) for part, hits in stretches)


def _stretches(log: Log, full: np.ndarray, basis: str, anew: np.ndarray) -> np.ndarray:
    """Full throttle with short losses and the lifts of shifts bridged, restarts cut, short ones left out."""
    rpm = ev.filled(ev.despiked(log.get("rpm")), ev.samples(GAP_S, log.step_s))
    mask = full.copy()
    for a, b in ev.runs(~full):
        if a == 0 or b == len(mask):
            continue
        seconds = (b - a) * log.step_s
        longest = 0.6 if basis == SPEED else BLIP_S
        if seconds <= longest or (seconds <= SHIFT_LIFT_S and _is_shift(rpm, a, b, log.step_s)):
            mask[a:b] = True
    for k in anew:
        mask[k - 1 : k + 1] = False
    found = ev.runs(mask)
    return found[(found[:, 1] - found[:, 0]) * log.step_s >= LEAST_S - 1e-9]


def _is_shift(rpm: np.ndarray, a: int, b: int, step_s: float) -> bool:
    after = min(b + ev.samples(0.3, step_s), len(rpm) - 1)
    before, low = rpm[a - 1], np.min(rpm[a : after + 1])
    return bool(low < (1 - ev.SHIFT_FALL) * before and rpm[after] >= 0.97 * low)


def _joined(stretches: np.ndarray, hits: np.ndarray) -> list[tuple[tuple[int, int, bool], list[tuple[int, int]]]]:
    """Give every hit to the pull it overlaps most; one that spans two makes them one; one that meets none is a stretch of its own."""
    parts = [[int(a), int(b), True, []] for a, b in stretches]
    for a, b in hits:
        met = [p for p in parts if p[0] < b and a < p[1]]
        if not met:
            parts.append([int(a), int(b), False, [(int(a), int(b))]])
            continue
        met[0][1] = met[-1][1]
        met[0][3] += [h for p in met[1:] for h in p[3]] + [(int(a), int(b))]
        parts = [p for p in parts if not any(p is m for m in met[1:])]
    parts.sort(key=lambda p: p[0])
    return [((p[0], p[1], p[2]), sorted(p[3])) for p in parts]


def _pull(log: Log, sheet: BuildSheet, part, spans, full, raw, share, basis: str, anew, notes: tuple[str, ...]) -> Pull:
    start, stop, at_full = part
    seen = np.ones_like(full) if basis == SPEED or not at_full else full
    found, rise = ev.events_in(log, sheet, start, stop, seen)
    if start in anew:
        found = (Event(ev.RESTART, start, start, "the log begins anew"), *found)
    hits = tuple(_hit(log, sheet, span, full, raw, share, basis, found) for span in spans)
    kind = BASE
    if hits:
        kind = PART_THROTTLE if not at_full else FALSE_START if all(_false(h) for h in hits) else NITROUS
        if np.isnan([h.share for h in hits]).any():
            notes += ("The log has a nitrous switch but no valve duty: how much was asked for is taken from the plan.",)
    return Pull(start, stop, kind, hits, found, rise, notes)


def _hit(log: Log, sheet: BuildSheet, span, full, raw, share, basis: str, found) -> Hit:
    a, b = span
    step, speed = log.step_s, log.get("rpm")
    rpm = [near_value(speed, k, step) for k in (a, b - 1)]
    known = share[a:b][np.isfinite(share[a:b]) & (share[a:b] > 0)]
    first, last = (
        float(np.median(k)) if len(k) else 1.0
        for k in (known[: max(len(known) // 4, 1)], known[-max(len(known) // 4, 1) :])
    )
    ended = _ended_by(log, sheet, b, full, basis, found, rpm[1])
    arrives, mixing, _ = times(sheet, rpm[0], first)
    closing = slice(max(b - 1, 0), b + ev.samples(0.15, step))
    shut = ended == LIFTED or (basis != SPEED and not full[closing].any())
    out = times(sheet, rpm[1], last)[2]["shut" if shut else "open"]
    begin = min(a + round(arrives / step), b)
    settled = min(begin + _settling(share[a:b], mixing, step), b)
    gone = min(b + round(out / step), len(speed))
    late = (sheet.controller.sensor_delay_ms + sheet.controller.filter_ms) / 1e3
    hit = Hit(slice(a, b), slice(begin, gone), slice(begin, settled), slice(settled, b), slice(b, gone), ended)
    steady = share[settled:b][np.isfinite(share[settled:b])]
    whole = float(np.median(steady)) if len(steady) else float(np.median(known)) if len(known) else float("nan")
    pauses = ev.runs(~raw[a:b]) + a if sheet.nitrous.progressive else ev.runs(np.zeros(0, bool))
    longest = 1.2 / sheet.nitrous.pulse_hz
    unseen, begins, ends = _unseen(log, slice(a, b), slice(begin, gone), sheet.nitrous.progressive)
    return replace(
        hit,
        unseen=unseen,
        begins_unseen=begins,
        ends_unseen=ends,
        share=whole,
        missing_s=max(float((b - len(speed)) * step + out + late), 0.0),
        short=bool((b - settled) * step < SENSOR_LAGS * late + READING_S),
        outside_s=0.0 if basis == SPEED else float((~full[a:b]).sum() * step),
        breaks=tuple(slice(int(p), int(q)) for p, q in pauses if (q - p) * step > longest),
    )


def _false(hit: Hit) -> bool:
    """Whether a hit was too short because it ended, not because the log has a gap or its end there."""
    return hit.short and not (hit.begins_unseen or hit.ends_unseen or hit.unseen or hit.ended_by == LOG_ENDS)


def _unseen(log: Log, command: slice, flow: slice, pulsed: bool) -> tuple[tuple[slice, ...], bool, bool]:
    """Gaps in a hit, and whether its begin and its end lie in one."""
    channels = ("rpm", "lambda_", *(key for key in ("nitrous_duty_percent", "nitrous_on") if log.has(key)))
    told = [np.isfinite(log.get(key)) for key in channels[2:]]
    mixture = ~np.isfinite(log.get("lambda_"))
    if (
        "lambda_" in log.spoilt
    ):  # a gauge beyond its end on the overrun: words, where the throttle has shut and nothing is commanded
        with np.errstate(invalid="ignore"):
            shut = log.spoilt["lambda_"] & (log.get("throttle_percent") < SHUT_PERCENT)
        mixture[command.stop :] &= ~shut[command.stop :]
    blank = ~np.isfinite(log.get("rpm")) | mixture
    blank |= ~np.logical_or.reduce(told) if told else False
    if pulsed and len(told) > 1:  # that it was commanded the switch says, how much of it only the duty
        blank[command] |= ~told[0][command]
    least, room = max(ev.samples(UNSEEN_S, log.step_s, 2) - 1, 1), ev.samples(ev.EDGE_S, log.step_s, 2)
    first, last = max(command.start - room, 0), min(max(flow.stop, command.stop + room), len(blank))
    gaps = [(a, b) for a, b in ev.runs(blank) if b - a >= least and a < last and b > first]
    begins = command.start <= room or any(a <= command.start and b >= first for a, b in gaps)
    ends = any(a <= command.stop + room and b > command.stop - room for a, b in gaps)
    return tuple(slice(int(a), int(b)) for a, b in gaps), bool(begins), bool(ends)


def near_value(values: np.ndarray, k: int, step_s: float) -> float:
    """Median round a sample; the nearest value that there is, where it is blank."""
    wide = ev.samples(0.06, step_s)
    for reach in (wide, 20 * wide, len(values)):
        some = values[max(k - reach, 0) : k + reach + 1]
        if np.isfinite(some).any():
            return float(np.nanmedian(some))
    return float("nan")


def times(sheet: BuildSheet, rpm: float, share: float) -> tuple[float, float, dict[str, float]]:
    """Times of a hit near a speed and a share: arrival, mixing, and wash-out by throttle, likely [s].

    Speed is taken to the next 250 rpm, share to the next tenth, so that they are kept; beyond the ends of the sheet's table those of its ends are taken.
    """
    table = Setup.of(sheet).rpm_table
    rpm = float(np.clip(250 * np.round((table[0] if np.isnan(rpm) else rpm) / 250), table[0], table[-1]))
    return _times(sheet, rpm, float(np.clip(np.round(share, 1), 0.1, 1.0)))


@functools.lru_cache(maxsize=256)
def _times(sheet: BuildSheet, rpm: float, share: float) -> tuple[float, float, dict[str, float]]:
    way = course(sheet, rpm, share)
    return way.arrives_s, way.mixing_s, {t: wash_out(sheet, rpm, t, share)["all"].best for t in ("open", "shut")}


def _settling(share: np.ndarray, mixing_s: float, step_s: float) -> int:
    """Samples from the first nitrous until what is drawn in lies within 5 % of the ramp; of a step, or where the ramp is not known, three mixing times."""
    most = int(np.ceil(RAMP_TIMES * mixing_s / step_s))
    asked = ev.filled(share, len(share))
    if not most or not len(asked) or not np.isfinite(asked).all() or not (asked > 0).any():
        return most
    keep = np.exp(-step_s / mixing_s)
    drawn = lfilter([1 - keep], [1, -keep], asked)
    near = np.abs(drawn - asked) <= SETTLED * asked
    far = np.flatnonzero(~near[: max(4 * most, 2)])
    return int(min(far[-1] + 1 if len(far) else 0, 2 * most)) if len(far) < len(near) else most


def _ended_by(log: Log, sheet: BuildSheet, b: int, full, basis: str, found, rpm: float) -> str:
    step, n, nitrous = log.step_s, len(full), sheet.nitrous
    room = ev.samples(0.15, step, 2)
    if b >= n - 1 or (not np.isfinite(log.get("rpm")[b : b + room]).any()):
        return LOG_ENDS
    if any(e.kind == ev.SHIFT and e.start - room <= b <= e.stop + room for e in found):
        return AT_SHIFT
    near = slice(max(b - room, 0), b + max(3, ev.samples(0.03, step)))
    if basis != SPEED and not full[near].all() and full[max(b - 3 * room, 0) : b].any():
        return LIFTED
    top = np.nanmax(log.get("rpm")[near], initial=0.0)
    if top >= ev.AT_LIMIT * sheet.engine.limit_rpm:
        return AT_LIMITER
    if rpm >= nitrous.spray_rpm_max - 75 or rpm <= nitrous.spray_rpm_min + 25:
        return WINDOW
    return SWITCH


def step_seen(log: Log, pull: Pull, tune: Tune) -> StepSeen:
    """Recognise the step of the ladder that a pull was.

    Parameters
    ----------
    log : Log
    pull : Pull
    tune : Tune
        The whole plan.

    Returns
    -------
    StepSeen
        Share: median over the settled spray of commanded over planned share at the same speed.
    """
    unknown = float("nan")
    if not pull.hits:
        return StepSeen(unknown, None, "Nothing was sprayed.")
    if not tune.pulsed:
        return StepSeen(
            unknown,
            None,
            "The valve is not pulsed: a step takes a nozzle of its own, and which was fitted is not in a log.",
        )
    share, rpm = commanded_share(log, tune.sheet), log.get("rpm")
    mask = np.zeros(len(rpm), bool)
    for hit in pull.hits:
        mask[hit.spray if hit.spray.stop > hit.spray.start else hit.command] = True
        for pause in hit.breaks:
            mask[pause] = False
    mask &= np.isfinite(share) & np.isfinite(rpm)
    mask[mask] = (rpm[mask] >= tune.room.rpm[0]) & (rpm[mask] <= tune.room.rpm[-1])
    planned = tune.share_at(rpm[mask]) if mask.any() else np.array([])
    mask[mask] = planned > 0
    if not mask.any():
        return StepSeen(unknown, None, "No valve duty was logged inside the planned window.")
    part = float(np.median(share[mask] / planned[planned > 0]))
    steps = np.array([step.share for step in tune.ladder.steps])
    near = int(np.abs(steps - part).argmin()) if len(steps) else None
    if near is None or abs(steps[near] - part) > STEP_ROOM:
        return StepSeen(part, None, f"{100 * part:.0f} % of the planned dose is no step of the ladder.")
    off = f"{100 * part:.0f}" != f"{100 * steps[near]:.0f}"
    return StepSeen(part, near, f"The log shows {100 * part:.0f} %." if off else "")
