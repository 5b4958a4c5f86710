"""What the driver and the controller asked for: where a log is at full throttle, and where nitrous is commanded, how much of it."""

from __future__ import annotations

import weakref

import numpy as np

from ..build_sheet import BuildSheet
from ..plan.delivery import valve
from ..plan.pulsing import Pulsing
from ..plan.ramp import gear_rises
from . import events as ev
from .log import Log

GAP_S = 1.0
"""Longest gap in the data that is bridged [s]; a choice of our own."""
THROTTLE_PLAY, PRESSURE_PLAY = 3.0, 6.0
"""What a throttle signal [%] or a manifold pressure [kPa] may waver at full throttle; choices of our own."""
ENDS_FROM, ENDS_S = 0.8, 0.5
"""Part of full throttle from which a throttle that stops short may have its ends set wrong, and how long manifold pressure has to say so [s]; choices of our own, no source."""
DUTY_ON, DUTY_OFF = 4.0, 2.0
"""Valve duty from which the valve counts as commanded, and below which not [%]; no valve opens at so little."""
BRIDGED_PULSES = 3.0
"""Pulse periods without command that do not end a hit."""
THROTTLE, PRESSURE, SPEED = "throttle", "manifold pressure", "engine speed"
"""What full throttle was seen by."""


def full_throttle(log: Log, sheet: BuildSheet) -> tuple[np.ndarray, str]:
    """Say where a log is at full throttle.

    Parameters
    ----------
    log : Log
    sheet : BuildSheet

    Returns
    -------
    tuple
        A mask on the log's clock, and by what it was seen: `THROTTLE`, `PRESSURE` or `SPEED`; where one is blank the next is taken.

    Notes
    -----
    Throttle: from `nitrous.throttle_min_percent` on. Pressure: within 6 kPa of the sheet's at full throttle, engine running. Speed: a smoothed rise of 0.3 of the
    slowest gear's; part throttle cannot be told from full then.
    """
    longest = ev.samples(GAP_S, log.step_s)
    rpm = ev.filled(ev.despiked(log.get("rpm")), longest)
    least = sheet.nitrous.throttle_min_percent
    with np.errstate(invalid="ignore"):
        running = ~(rpm < 0.6 * sheet.engine.idle_rpm)
        turning = rpm > 1.2 * sheet.engine.idle_rpm
    throttle = ev.filled(ev.despiked(throttle_seen(log, sheet), 3), longest)
    mask, left, basis = ev.hysteresis(throttle, least, least - THROTTLE_PLAY) & running, np.isnan(throttle), THROTTLE
    if left.any() and log.has("manifold_kpa"):
        pressure = ev.filled(ev.despiked(log.get("manifold_kpa")), longest)
        at = sheet.value("engine.full_throttle_manifold_kpa")
        high = ev.hysteresis(pressure, at - PRESSURE_PLAY, at - 2 * PRESSURE_PLAY) & turning
        basis = PRESSURE if left.all() else basis
        mask, left = np.where(left, high, mask), left & np.isnan(pressure)
    if left.any():
        basis = SPEED if left.all() else basis
        mask = np.where(left, _rising(rpm, log.step_s, sheet), mask)
    return mask, basis


def throttle_end(log: Log, sheet: BuildSheet) -> float:
    """Return where the throttle ends in a log [%] in which it never comes to full throttle though manifold pressure does; NaN in any other.

    It has to stand there for half of the time at such pressure, not far below full throttle: a pedal half down holds no such line.
    """
    throttle, pressure, least = log.get("throttle_percent"), log.get("manifold_kpa"), sheet.nitrous.throttle_min_percent
    with np.errstate(invalid="ignore"):
        full = pressure >= sheet.value("engine.full_throttle_manifold_kpa") - PRESSURE_PLAY
        full &= np.isfinite(throttle) & (log.get("rpm") > 1.2 * sheet.engine.idle_rpm)
    if full.sum() * log.step_s < ENDS_S:
        return float("nan")
    top = float(np.percentile(throttle[full], 99))
    stands = np.mean(throttle[full] >= top - THROTTLE_PLAY)
    return top if ENDS_FROM * least <= top < least and stands >= 0.5 else float("nan")


def throttle_seen(log: Log, sheet: BuildSheet) -> np.ndarray:
    """Return the throttle, 100 % at the end that manifold pressure shows where that is not set [%]."""
    end = throttle_end(log, sheet)
    return log.get("throttle_percent") if np.isnan(end) else log.get("throttle_percent") * (100.0 / end)


def _rising(rpm: np.ndarray, step_s: float, sheet: BuildSheet) -> np.ndarray:
    good = np.isfinite(rpm)
    if good.sum() < 5:
        return np.zeros(len(rpm), bool)
    rise = ev.slope(np.interp(np.arange(len(rpm)), np.flatnonzero(good), rpm[good]), step_s, 0.4)
    slowest = min(gear_rises(sheet).values())
    mask = ev.hysteresis(rise, 0.3 * slowest, 0.15 * slowest) & good
    out = np.zeros(len(rpm), bool)
    for a, b in ev.runs(mask):
        if rpm[b - 1] - rpm[a] >= 500 and rpm[b - 1] > 2 * sheet.engine.idle_rpm:
            out[a:b] = True
    return out


def commanded(log: Log, sheet: BuildSheet, full: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Say where the nitrous valve is commanded, pulses of it bridged.

    Parameters
    ----------
    log : Log
    sheet : BuildSheet
    full : array, optional
        Full throttle; a pause in which the throttle is lifted ends a hit.

    Returns
    -------
    tuple of array
        The mask with pauses bridged, and without. Valve duty counts where it is logged, the switch elsewhere: with both logged the switch arms. Where duty is blank for a short while, its last value counts, and the switch too
        if nitrous is commanded right before or behind, or the switch was thrown there.
    """
    on = _told(log, full)
    pulsed = sheet.nitrous.progressive
    longest = BRIDGED_PULSES / sheet.nitrous.pulse_hz if pulsed else 0.05
    joined = on.copy()
    for a, b in ev.runs(~on):
        inner = a > 0 and b < len(on)
        if inner and (b - a) * log.step_s < longest and (full is None or full[a:b].all()):
            joined[a:b] = True
    for a, b in ev.runs(joined):
        if (b - a) * log.step_s < valve(sheet).open_s - 1e-9:
            joined[a:b] = False
    return joined, on


def _told(log: Log, full: np.ndarray | None) -> np.ndarray:
    """Where duty or switch say that nitrous is commanded."""
    longest = ev.samples(GAP_S, log.step_s)
    duty, switch = (ev.filled(log.get(key), longest, held=True) for key in ("nitrous_duty_percent", "nitrous_on"))
    with np.errstate(invalid="ignore"):
        thrown = switch >= 0.5
        on = np.where(np.isnan(duty), thrown, ev.hysteresis(duty, DUTY_ON, DUTY_OFF))
    if not thrown.any():
        return on
    for a, b in ev.runs(np.isnan(log.get("nitrous_duty_percent")) & np.isfinite(duty)):
        told = thrown[a:b] if full is None else thrown[a:b] & (on[a:b] | full[a:b])
        if len(set(thrown[a - 1 : b + 1].tolist())) > 1:
            on[a:b] = told
        elif on[a - 1] or on[b]:
            on[a:b] |= told
    return on


_KEPT: weakref.WeakKeyDictionary[Log, tuple[tuple, np.ndarray]] = weakref.WeakKeyDictionary()


def commanded_share(log: Log, sheet: BuildSheet) -> np.ndarray:
    """Return the mean share of the full flow that the logged valve duty commands, on the log's clock; NaN where no duty is logged.

    Notes
    -----
    Raw pulses (two or more in five periods) are averaged over three periods first; n samples a pulse tell no more than 1/n. Without pulses the switch is the
    share. A duty that is blank in a part of a hit that the switch tells is a line, from none where it begins. Kept for a log as long as its channels are the same arrays.
    """
    key = sheet, log.data.get("nitrous_duty_percent"), log.data.get("nitrous_on")
    kept = _KEPT.get(log)
    if kept is None or any(a is not b for a, b in zip(kept[0], key, strict=True)):
        kept = _KEPT[log] = key, _share(log, sheet)
        kept[1].setflags(write=False)
    return kept[1]


def _share(log: Log, sheet: BuildSheet) -> np.ndarray:
    if not sheet.nitrous.progressive:
        on = commanded(log, sheet)[0] if log.has("nitrous_duty_percent") or log.has("nitrous_on") else None
        return np.full(len(log.time_s), np.nan) if on is None else on.astype(float)
    raw = log.get("nitrous_duty_percent")
    duty = ev.filled(raw, ev.samples(GAP_S, log.step_s), held=True)
    if np.isnan(raw).any() and log.has("nitrous_on"):
        for a, b in ev.runs(commanded(log, sheet)[0]):
            known = np.flatnonzero(np.isfinite(raw[a:b]))
            if not len(known) or len(known) == b - a:
                continue
            at, told = known + a, raw[known + a]
            if known[0] > 0:  # blank as the hit begins: held, it would have no dose
                at, told = np.append(a - 1, at), np.append(0.0, told)
            duty[a:b] = np.interp(np.arange(a, b), at, told)
    return np.where(np.isnan(duty), np.nan, nominal_share(sheet, smooth_duty(log, sheet, duty) / 100))


def smooth_duty(log: Log, sheet: BuildSheet, duty: np.ndarray) -> np.ndarray:
    """Valve duty [%] with raw pulses averaged away, and only those; where a hit begins or ends, over the part of the periods inside it."""
    period, n = 1 / sheet.nitrous.pulse_hz, len(duty)
    whole = np.nan_to_num(duty)
    on = whole > 50
    ends = (whole < DUTY_ON) | (whole > 100 - DUTY_ON)
    edges = np.zeros(n)
    edges[1:] = (on[1:] != on[:-1]) & ends[1:] & ends[:-1]
    wide, three = ev.samples(5 * period, log.step_s) | 1, ev.samples(3 * period, log.step_s)
    if wide >= n or not edges.any():
        return duty
    raw = ev.box_mean(edges, wide) * wide >= 3.5
    inside = commanded(log, sheet)[0].astype(float)
    mean = ev.box_mean(whole * inside, three) / np.maximum(ev.box_mean(inside, three), 1 / three)
    return np.where(raw, mean * inside, duty)


def nominal_share(sheet: BuildSheet, duty: np.ndarray) -> np.ndarray:
    """Share that a controller means by a valve duty, 0 to 1: the inverse of `Pulsing.duty`; what the valve makes of it near its ends is not counted."""
    v = Pulsing.of(sheet).valve
    share = np.clip(duty - (v.open_s - v.close_s) * v.pulse_hz, 0.0, 1.0)
    return np.where(duty >= 1 - 1e-9, 1.0, share)
