"""Changes of the mixture whose cause is in the log: what was injected and drawn in beside what the gauge read, ready to be fitted by `delay_fit`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.signal import lfilter

from ..band import EXHAUST_T, FILM_TIME
from ..build_sheet import BuildSheet
from ..plan.stopping import THROUGH_CYLINDER
from . import events as ev
from .mixture import MixtureModel
from .sensor import transport_s

SHARP, WITHIN_S = 0.08, 0.12
"""Least change of 1/lambda, and the time it may take [s], that tells a delay; choices of our own."""
BEFORE_S, AFTER_S, LONGEST_S = 0.25, 0.55, 3.0
"""What is looked at before and after such a change, and in all [s]."""
FINER, STEP_OF = 5, 0.5
"""Steps of the model's clock in one of the log's, and the least change of the fuel within two samples, as a share of the most, that counts as a step."""
FASTEST_S = 0.005
"""Readings that follow each other faster are thinned to that [s]."""
REST_S = 1.0
"""A reading that keeps exactly one value for so long tells no time [s]; a choice of our own, no source."""
ENDS = (0.02, 0.04)
"""Distance from the end of a gauge's range within which it tells nothing, and of its readings that mark such an end [lambda]."""
COAST_K = 900.0
"""Exhaust between valve and sensor with the throttle shut [K]; from memory."""
LEAST_NITROUS = 1e-4
"""Flow of nitrous that counts as some [kg/s]."""
PART, FULL, CUT = 0, 1, 2


@dataclass(frozen=True, eq=False)
class Change:
    """A sharp change of the mixture, on a finer clock than the log's but for `read` and `use`.

    Attributes
    ----------
    time_s : array
    way, cycle : array
        From the valve to the sensor by the sheet, and an engine cycle [s].
    fuel, own_slow, own_slower, added_slow : array
        Fuel drawn in; what changes of it if all the engine's own goes by way of the wall, more where that is slower, and if all added fuel does [kg].
    per_fuel, washed : array
        1/lambda as a gauge shows it for a kilogram of fuel, and what changes of it if twice the nitrous washes out of a shut valve.
    nitrous : bool
        Whether there is any.
    read : array
        1/lambda read.
    use : array of bool
        Readings that count.
    size : float
        Of the change, 1/lambda.
    kind : int
        Throttle or fuel that comes back, fuel at full throttle, fuel cut.
    """

    time_s: np.ndarray
    way: np.ndarray
    cycle: np.ndarray
    fuel: np.ndarray
    own_slow: np.ndarray
    own_slower: np.ndarray
    added_slow: np.ndarray
    per_fuel: np.ndarray
    washed: np.ndarray
    nitrous: bool
    read: np.ndarray
    use: np.ndarray
    size: float
    kind: int

    @property
    def step_s(self) -> float:
        """Between samples of the log [s]."""
        return float(self.time_s[FINER] - self.time_s[0])

    @property
    def adds(self) -> bool:
        """Whether fuel is added or taken away beside the engine's own."""
        return bool(np.abs(self.added_slow).max() > 1e-3 * self.fuel.max())

    @property
    def washes(self) -> bool:
        """Whether nitrous washes out of a shut valve."""
        return bool(np.abs(self.washed * self.fuel).max() > 3e-3)


def changes(course: Any, sheet: BuildSheet) -> list[Change]:
    """List the sharp changes of a pull whose cause is in the log."""
    model, step = MixtureModel.of(sheet), float(course.time_s[1] - course.time_s[0])
    burned, fuel = _burned(model, course), np.nan_to_num(course.fuel)
    bent = _bent(model, course, burned, fuel)
    if bent is None or not np.isfinite(course.measured).any():
        return []
    way, cycle = way_to_sensor(sheet, course)
    lines = way, cycle, *_by_wall(model, course, fuel, step), *_per_fuel(model, course, bent)
    jump, near = _sharp(burned, step)
    usable = _in_range(course.measured) & _moves(course.measured, step) & np.isfinite(burned)
    thin = max(1, int(np.ceil(FASTEST_S / step - 1e-6)))
    out = []
    for a, b in ev.runs(near):
        first, last = max(a - round(BEFORE_S / step), 0), min(b + round(AFTER_S / step), len(burned))
        part = slice(first, min(last, first + round(LONGEST_S / step)))
        use = usable[part] & ~_nitrous_comes(course, part, cycle, step) & (np.arange(part.stop - first) % thin == 0)
        known = np.isfinite(burned[part]) & np.isfinite(lines[-2][part])
        if use.sum() * thin * step < BEFORE_S or not known.all() or not np.isfinite(way[part]).any():
            continue
        time_s = course.time_s[part]
        fine = np.linspace(time_s[0], time_s[-1], FINER * (len(time_s) - 1) + 1)
        rows = [np.interp(fine, time_s, _bridged(line[part])) for line in lines]
        rows.insert(2, _sharpened(time_s, fuel[part], fine))
        nitrous = bool(np.nanmax(course.flow[part]) > LEAST_NITROUS)
        kind = _kind(course.air[part], burned[part], use)
        out.append(Change(fine, *rows, nitrous, 1 / course.measured[part], use, float(jump[a:b].max()), kind))
    return out


def _sharp(burned: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:
    """How much 1/lambda changes round every sample, and where that is sharp; what lies close together is one."""
    reach = max(round(0.5 * WITHIN_S / step), 1)
    jump = np.zeros(len(burned))
    jump[reach:-reach] = np.abs(burned[2 * reach :] - burned[: -2 * reach])
    jump = np.nan_to_num(jump)
    near = jump > SHARP
    for a, b in ev.runs(~near):
        if a > 0 and b < len(near) and (b - a) * step < BEFORE_S:
            near[a:b] = True
    return jump, near


def _bridged(values: np.ndarray) -> np.ndarray:
    known = np.flatnonzero(np.isfinite(values))
    return np.interp(np.arange(len(values)), known, values[known])


def _sharpened(time_s: np.ndarray, fuel: np.ndarray, fine: np.ndarray) -> np.ndarray:
    """Fuel on a finer clock; a cut, or its end, which the log's clock has smeared over two samples, stands as a step that keeps the area."""
    out, step, most = np.interp(fine, time_s, fuel), float(time_s[1] - time_s[0]), float(np.max(fuel))
    for k in range(1, len(fuel) - 1):
        a, v, b = fuel[k - 1], fuel[k], fuel[k + 1]
        ends = abs(a - b) > STEP_OF * most and min(a, b) < 1e-3 * most
        if ends and min(a, b) <= v <= max(a, b) and (v - b) / (a - b) < 0.999:
            at = time_s[k - 1] + step * ((v - b) / (a - b) + 0.5)
            inside = (fine > time_s[k - 1]) & (fine < time_s[k + 1])
            out[inside] = np.where(fine[inside] < at, a, b)
    return out


def _kind(air: np.ndarray, burned: np.ndarray, use: np.ndarray) -> int:
    last = int(np.flatnonzero(use)[-1])
    if burned[0] > 0.5 and burned.min() < 0.2 and np.nanmin(air[: max(len(air) // 6, 1)]) > 0.9:
        return CUT
    return FULL if np.nanmin(air[: last + 1]) > 0.95 else PART


def _burned(model: MixtureModel, course: Any) -> np.ndarray:
    """1/lambda of the model as a gauge shows it; 0 without fuel."""
    lambda_ = course.lambda_model
    shown = model.shown(lambda_, course.nitrous_fraction)
    shown = np.where(np.isfinite(shown), shown, lambda_)
    with np.errstate(divide="ignore", invalid="ignore"):
        phi = 1 / shown
    return np.where(np.isfinite(course.fuel) & (course.fuel <= 0), 0.0, phi)


def _bent(model: MixtureModel, course: Any, burned: np.ndarray, fuel: np.ndarray) -> np.ndarray | None:
    """What a gauge shows of 1/lambda, over it; on a line where there is no fuel, None where there is none at all."""
    with np.errstate(divide="ignore", invalid="ignore"):
        over = np.where(fuel > 0, burned * model.lambda_(course.rpm, course.flow, fuel, course.air), np.nan)
    return _bridged(over) if np.isfinite(over).any() else None


def _per_fuel(model: MixtureModel, course: Any, bent: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """1/lambda shown for a kilogram of fuel, and what changes of it if twice the nitrous washes out: in which time a line empties nobody knows."""
    one, air, flow = np.ones(len(bent)), np.maximum(course.air, 0.05), np.nan_to_num(course.flow)
    with np.errstate(divide="ignore", invalid="ignore"):
        per = bent / model.lambda_(course.rpm, course.flow, one, air)
        twice = bent / model.lambda_(course.rpm, 2 * flow, one, air)
    washes = (course.share <= 0) & (flow > 0.1 * LEAST_NITROUS)
    return per, np.where(washes, np.nan_to_num(twice - per), 0.0)


def _by_wall(model: MixtureModel, course: Any, fuel: np.ndarray, step: float) -> tuple[np.ndarray, ...]:
    """What changes of the fuel drawn in if all the engine's own goes by way of the wall, more where the wall is slower, and if all added fuel does."""
    own = fuel
    if np.nanmax(course.share) > 0 and "jet" not in course.fuel_basis:
        own = np.minimum(fuel, np.nan_to_num(model.fuel_own(course.rpm, course.flow) * course.air, nan=np.inf))
    halves = (0.5 * (FILM_TIME.best + end) for end in (FILM_TIME.low, FILM_TIME.high))
    fast, slow = (_lag(own, half, step) for half in halves)
    added = fuel - own
    return _lag(own, FILM_TIME.best, step) - own, 0.5 * (slow - fast), _lag(added, FILM_TIME.best, step) - added


def wetted(course: Any, sheet: BuildSheet, share: float) -> np.ndarray:
    """Fuel drawn in over what was injected if a share of the engine's own goes by way of the wall; 1 where that is not known."""
    model, fuel = MixtureModel.of(sheet), np.nan_to_num(course.fuel)
    slow = _by_wall(model, course, fuel, float(course.time_s[1] - course.time_s[0]))[0]
    return 1 + share * np.nan_to_num(np.divide(slow, fuel, out=np.zeros(len(fuel)), where=fuel > 0))


def _lag(values: np.ndarray, tau_s: float, step: float) -> np.ndarray:
    keep = np.exp(-step / tau_s)
    return lfilter([1 - keep], [1.0, -keep], values, zi=[keep * values[0]])[0]


def _in_range(measured: np.ndarray) -> np.ndarray:
    """Readings away from the ends of the gauge's range, where it has been at an end."""
    low, high = np.nanmin(measured), np.nanmax(measured)
    with np.errstate(invalid="ignore"):
        use = np.isfinite(measured)
        for end in (low, high):
            at = np.abs(measured - end) <= ENDS[0]
            if at.sum() >= 8 and (end > 1.2 or end < 0.72):
                use &= np.abs(measured - end) > ENDS[1]
    return use


def _moves(measured: np.ndarray, step: float) -> np.ndarray:
    """Readings that are not part of a long rest at one value: a sensor that died shows nothing."""
    use = np.ones(len(measured), bool)
    for a, b in ev.runs(np.diff(measured) == 0):
        if (b - a) * step >= REST_S:
            use[a : b + 1] = False
    return use


def _nitrous_comes(course: Any, part: slice, cycle: np.ndarray, step: float) -> np.ndarray:
    """Samples of a change from which on nitrous that comes in may be seen: drawn in it takes three strokes to be pushed out, at the least."""
    low, high = course.flow_low[part], course.flow_high[part]
    coming = np.nan_to_num(high) > LEAST_NITROUS
    steady = np.nan_to_num(low) > 0.5 * np.nan_to_num(high)
    first = np.flatnonzero(coming & ~steady & (course.share[part] > 0))
    out = np.zeros(len(coming), bool)
    if len(first):
        strokes = THROUGH_CYLINDER * float(np.nan_to_num(cycle[part][first[0]]))
        out[first[0] + int(strokes / step) :] = True
    return out


def way_to_sensor(sheet: BuildSheet, course: Any) -> tuple[np.ndarray, np.ndarray]:
    """From the valve to the sensor of what arrives at each moment, by the sheet, and an engine cycle [s]; part throttle counted: less and colder exhaust takes longer."""
    time_s, rpm = course.time_s, course.rpm
    air = np.nan_to_num(course.air, nan=1.0)
    hot = (COAST_K + (EXHAUST_T.best - COAST_K) * np.clip(air, 0.0, 1.0)) / EXHAUST_T.best
    through = np.asarray(transport_s(sheet, rpm, np.nan_to_num(course.flow))) / (np.maximum(air, 0.05) * hot)
    cycle, known = 120 / np.where(rpm > 0, rpm, np.nan), np.isfinite(through)
    if not known.any():
        return np.full(len(rpm), np.nan), cycle
    through = np.interp(time_s, time_s[known], through[known])
    passed = np.concatenate([[0.0], np.cumsum(0.5 * (1 / through[1:] + 1 / through[:-1]) * np.diff(time_s))])
    left = np.interp(passed - 1, passed, time_s, left=np.nan)
    return np.where(np.isfinite(left), time_s - left, through), cycle
