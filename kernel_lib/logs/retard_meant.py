"""Which retard is right at each moment of a pull: that of its step, and where another dose is in the charge, that of the dose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..build_sheet import BuildSheet
from ..plan.ladder import Step
from ..plan.own_tables import own_tables
from ..plan.pulsing import Pulsing
from ..plan.room import READ_SHORT
from ..plan.tune import Tune, strongest
from . import events as ev
from .command import GAP_S, smooth_duty
from .course_parts import DUTIES, Reading, duty_of, hold_s
from .cut import SHARE_PLAY, SPEED_PLAY_S, STEP_ROOM
from .drawn import Drawn
from .log import Log


@dataclass(frozen=True, eq=False)
class Meant:
    """Retard over a course, from the command until fuel and timing go back [deg].

    Attributes
    ----------
    right : array
        What the engine needs at that moment: of the step of the hit where its own dose is commanded; where less is commanded and in the charge, no more than
        that asks for; where more is, no less than half a degree below what that asks for.
    of_step : array
        What the tuner was told to type in for the step, whatever the dose of the moment.
    dose : array
        What is commanded, or still in the charge if that is more, over what the step has at that speed; 1 where it is the same but for rounding, pulses and the speed near by.
    """

    right: np.ndarray
    of_step: np.ndarray
    dose: np.ndarray


@dataclass(frozen=True, eq=False)
class _Own:
    """The dose of a hit: its step of the ladder, or None, and its fraction of the planned dose."""

    step: Step | None
    fraction: float


def pulse_play(log: Log, sheet: BuildSheet) -> float:
    """What the samples of a pulse do not tell of its share, where the log holds the pulses themselves: one of them."""
    if not sheet.nitrous.progressive:
        return 0.0
    duty = ev.filled(log.get("nitrous_duty_percent"), ev.samples(GAP_S, log.step_s), held=True)
    raw = not np.array_equal(smooth_duty(log, sheet, duty), duty, equal_nan=True)
    return sheet.nitrous.pulse_hz * log.step_s if raw else 0.0


def retard_meant(log: Log, tune: Tune, read: Reading, gas: Drawn, spans: list[slice], part: float) -> Meant:
    """Find the retard that is right at each moment.

    Parameters
    ----------
    log : Log
    tune : Tune
    read : Reading
    gas : Drawn
    spans : list of slice
        Hits.
    part : float
        Of the plan's flow that the fitted nozzle passes, where the valve is not pulsed.
    """
    n = len(read.time_s)
    right, of_step, dose = np.zeros(n), np.zeros(n), np.ones(n)
    if not spans:
        return Meant(right, of_step, dose)
    room, hold = tune.room, hold_s(tune)
    rpm = np.clip(np.nan_to_num(read.rpm, nan=float(room.rpm[0])), room.rpm[0], room.rpm[-1])
    pulses, step = pulse_play(log, tune.sheet), float(read.time_s[1] - read.time_s[0])
    held = _in_charge(tune, gas)
    there = np.fmax(gas.meant, held)
    for span in spans:
        here = (read.time_s >= read.time_s[span.start]) & (read.time_s <= read.time_s[span.stop - 1] + hold)
        here &= gas.meant > 0
        own = _own(tune, rpm[span], gas.share[span], part)
        times, most = np.ones(n), held
        if tune.pulsed:
            times, largest = _times(tune, own, rpm, there, span, SHARE_PLAY + pulses, ev.samples(SPEED_PLAY_S, step))
            most = np.where((times == 1) & (pulses > 0), np.minimum(held, largest), held)
        typed = _typed(tune, own, rpm[here], gas.meant[here])
        base = _base(tune, own, rpm[here], there[here], typed, times[here])
        need = room.at("first_hit_deg", rpm[here], strongest(tune.sheet, tune.ramp, rpm[here], most[here]))
        right[here] = np.fmax(right[here], np.fmax(base, need + READ_SHORT - 0.5))
        of_step[here], dose[here] = np.fmax(of_step[here], typed), times[here]
    known = np.isfinite(read.rpm)
    return Meant(np.where(known, right, np.nan), np.where(known, of_step, np.nan), dose)


def _in_charge(tune: Tune, gas: Drawn) -> np.ndarray:
    """Share that is commanded, or that the charge still holds where that is more: a dose that falls, or ends, goes out only as it is drawn in."""
    if not tune.pulsed:
        return gas.meant
    drawn = np.divide(gas.flow, gas.open_flow, out=np.zeros(len(gas.flow)), where=gas.open_flow > 0)
    return np.clip(np.fmax(gas.share, drawn), 0.0, 1.0)


def _own(tune: Tune, rpm: np.ndarray, share: np.ndarray, part: float) -> _Own:
    """The step of a hit, by the median of what was commanded; no more than the ladder's last one."""
    steps, fraction = tune.ladder.steps, part
    if tune.pulsed:
        planned = tune.share_at(rpm)
        both = (planned > 0) & (share > 0)
        fraction = float(np.median(share[both] / planned[both])) if both.any() else np.nan
    near = min(steps, key=lambda s: abs(s.share - fraction), default=None) if np.isfinite(fraction) else None
    if near is not None and abs(near.share - fraction) <= STEP_ROOM and np.isfinite(near.retard_deg).any():
        return _Own(near, near.share)
    return _Own(None, min(fraction, steps[-1].share) if steps and np.isfinite(fraction) else fraction)


def _times(
    tune: Tune, own: _Own, rpm: np.ndarray, there: np.ndarray, span: slice, play: float, reach: int
) -> tuple[np.ndarray, np.ndarray]:
    """Dose over that of the step, 1 within the play, as it was at the last command afterwards; and the largest share of the step at the speeds near by."""
    part = slice(span.start, len(rpm))
    planned = tune.share_at(rpm[part])
    pulsing, fraction = Pulsing.of(tune.sheet), own.fraction if np.isfinite(own.fraction) else 1.0
    share = planned if fraction == 1 else pulsing.floor(fraction * planned)
    share = pulsing.share(pulsing.duty(share))
    wide = np.lib.stride_tricks.sliding_window_view(np.pad(share, reach, mode="edge"), 2 * reach + 1)
    room = STEP_ROOM * planned + play
    largest = wide.max(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = (there[part] > largest + room) | (there[part] < wide.min(axis=1) - room)
        found = np.where(off, there[part] / share, 1.0)
    out, last = (np.ones(len(rpm)), np.ones(len(rpm))), span.stop - span.start
    found[last:] = found[last - 1]
    out[0][part], out[1][part] = found, largest
    return out


def _typed(tune: Tune, own: _Own, rpm: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Retard of the step, on lines between its speeds; between the steps the table over valve duty at the hit's own dose."""
    if own.step is not None:
        known = np.isfinite(own.step.retard_deg)
        return np.interp(rpm, own.step.rpm[known], own.step.retard_deg[known])
    if not tune.pulsed:
        return tune.room.first_hit(rpm, share)
    return _table(tune, rpm, own.fraction * tune.share_at(rpm) if np.isfinite(own.fraction) else share)


def _base(
    tune: Tune, own: _Own, rpm: np.ndarray, share: np.ndarray, typed: np.ndarray, times: np.ndarray
) -> np.ndarray:
    """Retard of the step; of a smaller dose what that asks for, up to the half degree that a controller takes; between the steps that of the table over valve duty."""
    if own.step is None:
        return np.where(times == 1, typed, _table(tune, rpm, share)) if tune.pulsed else typed
    less = times < 1
    if not less.any():
        return typed
    own_dose = tune.room.first_hit(rpm[less], strongest(tune.sheet, tune.ramp, rpm[less], share[less]))
    out = typed.copy()
    out[less] = np.fmin(own_dose, typed[less])
    return out


def _table(tune: Tune, rpm: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Read the table over valve duty on lines as a controller does, held at its ends."""
    tables = tune.sheet.tables
    own = own_tables(tune, tables.rpm or tune.table["rpm"].to_numpy(), tables.duty_percent or DUTIES)
    columns, duty = own.duty_percent, duty_of(tune, share)
    across = np.array([np.interp(rpm, own.rpm, column) for column in own.retard_deg.T])
    if len(columns) == 1:
        return across[0]
    duty = np.clip(duty, columns[0], columns[-1])
    k = np.clip(np.searchsorted(columns, duty, side="right") - 1, 0, len(columns) - 2)
    v = (duty - columns[k]) / (columns[k + 1] - columns[k])
    at = np.arange(len(rpm))
    return across[k, at] * (1 - v) + across[k + 1, at] * v
