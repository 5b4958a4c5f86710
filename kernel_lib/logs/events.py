"""What happens inside a pull beside the nitrous: shifts, loose wheels, lifts, the limiter, gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter, minimum_filter1d, uniform_filter1d
from scipy.signal import savgol_filter

from ..build_sheet import BuildSheet
from .log import Log

SHIFT, WHEEL_SPIN, LIFT, LIMITER = "shift", "wheel spin", "lift", "limiter"
MISSED_SHIFT, GAP, RESTART = "missed shift", "gap", "restart"
EVENTS = (SHIFT, WHEEL_SPIN, LIFT, LIMITER, MISSED_SHIFT, GAP, RESTART)

SHIFT_FALL, SHIFT_S = 0.09, 0.5
"""Least fall of engine speed in a shift, and the time it may take [s]; choices of our own: the closest gears of cars are 1.1 apart."""
FREE_RISE = 2.5
"""Rise over the pull's running median rise from which wheels are loose; a choice of our own, no source."""
EDGE_S = 0.1
"""So close to its begin or end a gap hides that of a hit [s]; a choice of our own, no source."""
AT_LIMIT = 0.985
"""Of the rev limit, from which the limiter is taken to act; a choice of our own, no source."""


@dataclass(frozen=True)
class Event:
    """Something that happened in a pull.

    Attributes
    ----------
    kind : str
        One of `EVENTS`.
    start, stop : int
        On the log's clock, stop not included.
    note : str
        What was seen, in half a sentence.
    """

    kind: str
    start: int
    stop: int
    note: str = ""


def runs(mask: np.ndarray) -> np.ndarray:
    """Begin and end (not included) of every stretch of True, (stretches, 2)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], np.asarray(mask, bool), [False]]).astype(np.int8)))
    return edges.reshape(-1, 2)


def bridged(mask: np.ndarray, longest: int) -> np.ndarray:
    """The same with pauses of up to `longest` samples closed."""
    out = np.array(mask, bool)
    for start, stop in runs(~out):
        if stop - start <= longest and start > 0 and stop < len(out):
            out[start:stop] = True
    return out


def samples(seconds: float, step_s: float, least: int = 1) -> int:
    """Samples in a time, at least so many."""
    return max(least, round(seconds / step_s))


def filled(values: np.ndarray, longest: int, *, held: bool = False) -> np.ndarray:
    """Bridge blanks of up to `longest` samples between two values, by a line or with the value before; longer ones stay blank."""
    values = np.asarray(values, float)
    good = np.isfinite(values)
    if good.all() or not good.any():
        return values
    known = np.flatnonzero(good)
    at = np.arange(len(values))
    before = np.clip(np.searchsorted(known, at, side="right") - 1, 0, None)
    out = values[known[before]] if held else np.interp(at, known, values[known])
    for start, stop in runs(~good):
        if stop - start > longest or start == 0 or stop == len(values):
            out[start:stop] = np.nan
    return out


def despiked(values: np.ndarray, size: int = 5) -> np.ndarray:
    """Running median; blanks stay blank."""
    values = np.asarray(values, float)
    good = np.isfinite(values)
    if len(values) < size or not good.any():
        return values
    whole = values if good.all() else np.interp(np.arange(len(values)), np.flatnonzero(good), values[good])
    out = median_filter(whole, size=size, mode="nearest")
    return out if good.all() else np.where(good, out, np.nan)


def hysteresis(values: np.ndarray, on: float, off: float) -> np.ndarray:
    """True from where the value reaches `on` to the last sample before it falls below `off`; blanks are False."""
    with np.errstate(invalid="ignore"):
        high, keep = values >= on, values >= off
    out = np.zeros(len(values), bool)
    for start, stop in runs(keep):
        hit = high[start:stop]
        if hit.any():
            out[start + int(hit.argmax()) : stop] = True
    return out


def slope(values: np.ndarray, step_s: float, window_s: float) -> np.ndarray:
    """Slope of the line through a window round every sample [per s]; of the whole where it is shorter."""
    n = len(values)
    width = samples(window_s, step_s, 3) | 1
    width = width if width <= n else (n - 1) | 1
    if width > n:
        width -= 2
    if width < 3:
        return np.zeros(n)
    return savgol_filter(values, width, 1, deriv=1, delta=step_s)


@dataclass(frozen=True, eq=False)
class _Stretch:
    """A pull cut out of its log: median-filtered speed without blanks, its slope, the running median of that; the sheet."""

    log: Log
    sheet: BuildSheet
    start: int
    rpm: np.ndarray
    rise: np.ndarray
    usual: np.ndarray

    @property
    def step(self) -> float:
        return self.log.step_s

    def channel(self, key: str) -> np.ndarray:
        return self.log.get(key)[self.start : self.start + len(self.rpm)]


def events_in(log: Log, sheet: BuildSheet, start: int, stop: int, full: np.ndarray) -> tuple[tuple[Event, ...], float]:
    """Find what happened in a pull.

    Parameters
    ----------
    log : Log
    sheet : BuildSheet
    start, stop : int
        Of the pull.
    full : array
        Where the log is at full throttle, on its whole clock.

    Returns
    -------
    tuple
        Events in the order of time, and the rise of engine speed, median outside of them [rpm/s].
    """
    raw = log.get("rpm")[start:stop]
    found = [
        Event(GAP, start + a, start + b, f"{(b - a) * log.step_s:.2f} s without engine speed")
        for a, b in _gaps(raw, log)
    ]
    known = np.flatnonzero(np.isfinite(raw))
    if len(known) < 5:
        return tuple(found), float("nan")
    rpm = despiked(np.interp(np.arange(len(raw)), known, raw[known]))
    rise = slope(rpm, log.step_s, 0.15)
    wide = min(samples(1.5, log.step_s, 3) | 1, (len(rise) - 1) | 1)
    here = _Stretch(log, sheet, start, rpm, rise, median_filter(rise, size=wide, mode="nearest"))
    fast = _fast(here)
    shifts = _shifts(here, fast, full)
    found += shifts + _loose(here, fast, shifts) + _limiter(here) + _lifts(here, full, shifts)
    quiet = np.ones(len(rpm), bool)
    for event in found:
        quiet[max(event.start - start - 3, 0) : event.stop - start + 3] = False
    usual = float(np.median(rise[quiet])) if quiet.sum() >= 5 else float(np.median(rise))
    found = [Event(e.kind, int(e.start), int(e.stop), e.note) for e in found]
    return tuple(sorted(found, key=lambda e: (e.start, e.kind))), usual


def _gaps(raw: np.ndarray, log: Log) -> np.ndarray:
    blank = runs(~np.isfinite(raw))
    return blank[(blank[:, 1] - blank[:, 0]) >= samples(0.1, log.step_s, 2)]


def _fast(here: _Stretch) -> np.ndarray:
    """Stretches in which speed rises far faster than usual, and gains more by it than noise would."""
    noise = 1.4826 * float(np.median(np.abs(here.rise - here.usual)))
    usual = np.maximum(here.usual, 0.0)
    limit = np.maximum(FREE_RISE * usual, usual + max(800.0, 6 * noise))
    found = []
    for a, b in runs(here.rise > limit):
        if (b - a) * here.step >= 0.04 and float(np.sum((here.rise - usual)[a:b])) * here.step >= 80.0:
            found.append((a, b))
    return np.array(found, int).reshape(-1, 2)


def _shifts(here: _Stretch, fast: np.ndarray, full: np.ndarray) -> list[Event]:
    """Falls of engine speed as between two gears, with the pull going on from the lower speed."""
    n, wide = len(here.rpm), samples(SHIFT_S, here.step, 2)
    if n <= wide + 2:
        return []
    lowest = minimum_filter1d(here.rpm, wide, origin=-(wide // 2), mode="nearest")  # of what follows
    fall = lowest < (1 - SHIFT_FALL) * here.rpm
    out = []
    for a, b in runs(fall):
        span = here.rpm[a : b + wide]
        low = a + int(span.argmin())
        top = a + int(here.rpm[a : low + 1].argmax())
        drop = here.rpm[top] - here.rpm[low]
        if drop < max(SHIFT_FALL * here.rpm[top], 250.0) or n - low < samples(0.15, here.step, 2):
            continue
        if any(p <= top + 2 and q >= top - samples(0.5, here.step) for p, q in fast) and _came_back(here, top, low):
            continue
        if out and here.start + top <= out[-1].stop:
            continue
        begin, end = _falling(here, top, low)
        told = _cut_seen(here, full, begin, end)
        note = f"{here.rpm[top]:.0f} to {here.rpm[low]:.0f} rpm{told}"
        out.append(Event(SHIFT, here.start + begin, here.start + end, note))
    return out


def _falling(here: _Stretch, top: int, low: int) -> tuple[int, int]:
    """Trim a fall to where speed really falls."""
    down = np.flatnonzero(here.rise[top : low + 1] < 0)
    return (top + int(down[0]), top + int(down[-1]) + 1) if len(down) else (top, low + 1)


def _came_back(here: _Stretch, top: int, low: int) -> bool:
    """Whether a fall ends on the line that speed was on before it rose fast, and not below it."""
    before = max(top - samples(1.2, here.step), 0)
    line = here.rpm[before] + here.usual[before] * (low - before) * here.step
    return here.rpm[low] > line - 0.35 * (here.rpm[top] - here.rpm[low])


def _cut_seen(here: _Stretch, full: np.ndarray, begin: int, end: int) -> str:
    """What shows that it was a shift."""
    room = samples(0.15, here.step)
    a, b = max(begin - room, 0), min(end + room, len(here.rpm))
    seen = []
    throttle, timing = here.channel("throttle_percent")[a:b], here.channel("timing_deg_btdc")[a:b]
    if not full[here.start + a : here.start + b].all() or _low(throttle) < here.sheet.nitrous.throttle_min_percent - 3:
        seen.append("throttle")
    before = here.channel("timing_deg_btdc")[max(a - 2 * room, 0) : a + 1]
    if np.isfinite(timing).any() and np.isfinite(before).any() and _low(timing) < float(np.nanmedian(before)) - 6:
        seen.append("timing")
    gear = here.channel("gear")
    gears = gear[[max(a - room, 0), min(b + room, len(gear) - 1)]]
    if np.isfinite(gears).all() and gears[1] > gears[0]:
        seen.append("gear")
    return f", seen in {' and '.join(seen)}" if seen else ", no cut logged"


def _low(values: np.ndarray) -> float:
    return float(np.nanmin(values)) if np.isfinite(values).any() else np.inf


def _loose(here: _Stretch, fast: np.ndarray, shifts: list[Event]) -> list[Event]:
    """Wheel spin and missed shifts among the fast rises."""
    out, n = [], len(here.rpm)
    for a, b in fast:
        if any(
            s.start - here.start - samples(0.25, here.step) <= b and a < s.stop - here.start + samples(0.3, here.step)
            for s in shifts
        ):
            continue  # a flare before the next gear, or the clutch coming in
        whole = slice(a, min(b + samples(1.5, here.step), n))
        over = here.rpm[whole] - here.rpm[a] - max(here.usual[a], 0.0) * np.arange(whole.stop - a) * here.step
        peak = a + int(over[: b - a + samples(0.3, here.step)].argmax())
        gained, over = over[peak - a], over[peak - a :]
        back = np.flatnonzero(over < 0.3 * gained)
        if here.rpm[peak] >= AT_LIMIT * here.sheet.engine.limit_rpm and gained >= 300:
            out.append(
                Event(
                    MISSED_SHIFT, here.start + a, here.start + peak + 1, f"{gained:.0f} rpm up at once, to the limiter"
                )
            )
        elif out and here.start + a <= out[-1].stop:
            continue
        elif len(back):
            out.append(
                Event(
                    WHEEL_SPIN,
                    here.start + a,
                    here.start + peak + int(back[0]) + 1,
                    f"{gained:.0f} rpm over the line, and back",
                )
            )
        else:
            told = f"{gained:.0f} rpm over the line, and not back within the pull"
            out.append(Event(WHEEL_SPIN, here.start + a, here.start + peak + 1, told))
    return out


def _limiter(here: _Stretch) -> list[Event]:
    at = hysteresis(here.rpm, AT_LIMIT * here.sheet.engine.limit_rpm, (AT_LIMIT - 0.03) * here.sheet.engine.limit_rpm)
    return [
        Event(LIMITER, here.start + a, here.start + b, f"up to {here.rpm[a:b].max():.0f} rpm")
        for a, b in runs(at)
        if (b - a) * here.step >= 0.03
    ]


def _lifts(here: _Stretch, full: np.ndarray, shifts: list[Event]) -> list[Event]:
    room, out = samples(0.25, here.step), []
    for a, b in runs(~full[here.start : here.start + len(here.rpm)]) + here.start:
        if not any(s.start - room <= b and a <= s.stop + room for s in shifts):
            out.append(Event(LIFT, int(a), int(b), f"{(b - a) * here.step:.2f} s off full throttle"))
    return out


def restarts(rpm: np.ndarray, step_s: float, free_rise_rpm_s: float) -> np.ndarray:
    """Samples at which engine speed jumps as no engine can: the log begins anew there.

    Notes
    -----
    A step of two samples beyond 1500 rpm and twice the free rise, after which speed stays there: medians over 0.3 s on either side differ by 1000 rpm, so
    that spikes and drop-outs pass.
    """
    n, wide = len(rpm), samples(0.3, step_s, 3)
    if n < 8:
        return np.array([], int)
    smooth, out = despiked(rpm, 3), []
    with np.errstate(invalid="ignore"):
        jump = np.abs(smooth[2:] - smooth[:-2]) > max(1500.0, 4 * free_rise_rpm_s * step_s)
    for a, b in runs(jump):
        k = 1 + int(a + b) // 2
        before, after = rpm[max(k - wide, 0) : k - 1], rpm[k + 1 : k + wide]
        known = np.isfinite(before).any() and np.isfinite(after).any()
        if known and abs(np.nanmedian(after) - np.nanmedian(before)) > 1000:
            out.append(k)
    return np.array(out, int)


def box_mean(values: np.ndarray, size: int) -> np.ndarray:
    """Running mean."""
    return uniform_filter1d(values, size=max(size, 1), mode="nearest")
