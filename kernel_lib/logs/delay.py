"""How late a reading is, found in the log itself: at changes of the mixture whose cause is logged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.signal import lfilter

from ..band import EXHAUST_T, FILM_TIME, INJECTION_WAIT
from ..build_sheet import BuildSheet
from ..plan.stopping import THROUGH_CYLINDER
from . import events as ev
from .mixture import MixtureModel
from .sensor import TAU_SHARE, Delay, dead_s, lagged, transport_s

SHARP, WITHIN_S = 0.08, 0.12
"""Least change of 1/lambda, and the time it may take [s], that tells a delay; choices of our own."""
BEFORE_S, AFTER_S = 0.25, 0.55
"""What is looked at before and after such a change [s]."""
FINER, STEP_OF = 5, 0.5
"""Steps of the model's clock in one of the log's, and the least change of 1/lambda within two samples that counts as a step."""
MOST = 10
"""Changes that are looked at, the largest."""
HEIGHT, LEVEL, SHIFT_S = (0.15, 0.06), (0.15, 0.02), (0.03, 0.003, 0.005)
"""How far the height of a change may be off, its level [1/lambda], and its time [s], one standard deviation; all are fitted for every change. Of height and level
the second is that of a fuel cut, which ends at nothing; of the time the second that of a change at full throttle, the third that of a fuel cut: at part
throttle nobody knows how fast the exhaust moves. Choices of our own."""
FILM = (0.06, 0.06)
"""Share of all fuel that goes by way of the port's wall without the injectors making up for it, and its standard deviation; a guess of our own below `band.FILM_SHARE`."""
NOISE = (0.006, 0.3)
"""Scatter of 1/lambda as read, and its correlation from sample to sample, to begin with."""
DEAD_SD = 0.5
"""What is known of the way to the sensor before, standard deviation as a share of it; wide, for loggers add to it."""
ENDS = (0.02, 0.04)
"""Distance from the end of a gauge's range within which it tells nothing, and of its readings that mark such an end [lambda]."""
COAST_K = 900.0
"""Exhaust between valve and sensor with the throttle shut [K]; from memory."""
LEAST, MOST_EVER, STEPS = (-0.5, 0.005), (8.0, 2.0), (0.02, 0.001, 0.001)
"""Bounds of dead time (of the sheet's) and time constant [s], and the steps in which slopes are found."""
ROUNDS = 8
KNOWN = 0.5
"""A delay counts as told by the log where its error is less than this share of what it was before."""


@dataclass(frozen=True, eq=False)
class Change:
    """A sharp change of the mixture, on a finer clock than the log's but for the reading: clock [s], dead time by the sheet [s], 1/lambda that was burned as a gauge shows it, 1/lambda read, what
    may be used, what the wall's film changes of 1/lambda, its size and its kind."""

    time_s: np.ndarray
    dead: np.ndarray
    burned: np.ndarray
    read: np.ndarray
    use: np.ndarray
    by_wall: np.ndarray
    size: float
    kind: int

    @property
    def known(self) -> np.ndarray:
        """What is known of height, level, wall film and time before, standard deviations."""
        cut = self.kind == CUT
        return np.array([HEIGHT[cut], LEVEL[cut], FILM[1], SHIFT_S[self.kind]])


PART, FULL, CUT = 0, 1, 2


def estimate(courses: Sequence[Any], sheet: BuildSheet) -> Delay:
    """Find dead time and lag of the lambda reading.

    Parameters
    ----------
    courses : sequence of Course
        Of one log; None among them is left out.
    sheet : BuildSheet

    Returns
    -------
    Delay
        That of the sheet where no change is sharp enough, or its cause is not in the log.

    Notes
    -----
    Least squares over time constant and dead time; of every change height and level are nuisances, so that only its timing and shape count. Residuals are
    taken to hang together from sample to sample (first order). Nitrous coming in is left out: nobody knows when the line is full to a tenth of a second.
    What is not known of the injections' own wait is in the error (half of `band.INJECTION_WAIT`: over all cylinders it averages out).
    """
    there = [c for c in courses if c is not None]
    middles = [m for m in (_middle(c) for c in there) if np.isfinite(m)]
    rpm = float(np.median(middles)) if middles else float(sheet.engine.peak_power_rpm)
    if not any("injector" in c.fuel_basis for c in there):
        return Delay.of_sheet(
            sheet, rpm, _told(sheet, rpm, "no injector channel is logged, so that nobody knows when fuel changed")
        )
    found = sorted((ch for c in there for ch in changes(c, sheet)), key=lambda ch: -ch.size)[:MOST]
    if not found:
        return Delay.of_sheet(
            sheet, rpm, _told(sheet, rpm, "no change of the mixture in this log is sharp enough to see it by")
        )
    return _fitted(found, sheet, rpm)


def _told(sheet: BuildSheet, rpm: float, why: str) -> str:
    delay = Delay.of_sheet(sheet, rpm)
    return f"From the build sheet, {1e3 * delay.total_s:.0f} ms (± {1e3 * delay.error_s:.0f}) in all: {why}."


def _middle(course: Any) -> float:
    full = course.rpm[np.isfinite(course.injector_duty_planned)]
    full = full[np.isfinite(full)]
    return float(np.median(full)) if len(full) else np.nan


def changes(course: Any, sheet: BuildSheet) -> list[Change]:
    """List the sharp changes of a pull whose cause is in the log."""
    model, step = MixtureModel.of(sheet), float(course.time_s[1] - course.time_s[0])
    burned = _burned(model, course)
    if not np.isfinite(burned).any() or not np.isfinite(course.measured).any():
        return []
    usable = _in_range(course.measured) & np.isfinite(burned)
    reach = max(round(0.5 * WITHIN_S / step), 1)
    jump = np.zeros(len(burned))
    jump[reach:-reach] = np.abs(burned[2 * reach :] - burned[: -2 * reach])
    jump = np.nan_to_num(jump)
    dead, slow = unit_dead(sheet, course), _slower(model, course, step) - burned
    out = []
    near = jump > SHARP
    for a, b in ev.runs(~near):
        if a > 0 and b < len(near) and (b - a) * step < BEFORE_S:
            near[a:b] = True
    for a, b in ev.runs(near):
        first, last = max(a - round(BEFORE_S / step), 0), min(b + round(AFTER_S / step), len(burned))
        part = slice(first, last)
        coming = _nitrous_changes(course, part)
        use = usable[part] & ~coming
        if (
            use.sum() * step < BEFORE_S
            or not np.isfinite(burned[part] + slow[part]).all()
            or not np.isfinite(dead[part]).any()
        ):
            continue
        time_s = course.time_s[part]
        fine = np.linspace(time_s[0], time_s[-1], FINER * (len(time_s) - 1) + 1)
        whole = _sharpened(time_s, burned[part], fine), _sharpened(time_s, (burned + slow)[part], fine)
        rows = (
            fine,
            np.interp(fine, time_s, _bridged(dead[part])),
            whole[0],
            1 / course.measured[part],
            use,
            whole[1] - whole[0],
        )
        out.append(Change(*rows, float(jump[a:b].max()), _kind(course.air[part], burned[part], use)))
    return out


def _bridged(values: np.ndarray) -> np.ndarray:
    known = np.flatnonzero(np.isfinite(values))
    return np.interp(np.arange(len(values)), known, values[known])


def _sharpened(time_s: np.ndarray, values: np.ndarray, fine: np.ndarray) -> np.ndarray:
    """Values on a finer clock; a fall of most of them within two samples, which the log's clock has smeared, stands as a step that keeps the area."""
    out, step = np.interp(fine, time_s, values), float(time_s[1] - time_s[0])
    for k in range(1, len(values) - 1):
        a, v, b = values[k - 1], values[k], values[k + 1]
        if abs(a - b) > STEP_OF and min(a, b) <= v <= max(a, b) and (v - b) / (a - b) < 0.999:
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


def _slower(model: MixtureModel, course: Any, step: float) -> np.ndarray:
    """1/lambda if all fuel went by way of the wall."""
    keep, fuel = np.exp(-step / FILM_TIME.best), np.nan_to_num(course.fuel)
    fuel, _ = lfilter([1 - keep], [1.0, -keep], fuel, zi=[keep * fuel[0]])
    return 1 / np.maximum(model.lambda_(course.rpm, course.flow, fuel, np.maximum(course.air, 0.05)), 0.3)


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


def _nitrous_changes(course: Any, part: slice) -> np.ndarray:
    """Samples of a change from which on nitrous that comes in may be seen."""
    low, high = course.flow_low[part], course.flow_high[part]
    coming = np.nan_to_num(high) > 1e-4
    steady = np.nan_to_num(low) > 0.5 * np.nan_to_num(high)
    first = np.flatnonzero(coming & ~steady & (course.share[part] > 0))
    out = np.zeros(len(coming), bool)
    if len(first):
        out[first[0] :] = True
    return out


def unit_dead(sheet: BuildSheet, course: Any) -> np.ndarray:
    """Dead time by the sheet of what arrives at each moment [s], part throttle counted: less and colder exhaust takes longer."""
    time_s, rpm = course.time_s, course.rpm
    air = np.nan_to_num(course.air, nan=1.0)
    hot = (COAST_K + (EXHAUST_T.best - COAST_K) * np.clip(air, 0.0, 1.0)) / EXHAUST_T.best
    through = np.nan_to_num(transport_s(sheet, rpm, np.nan_to_num(course.flow)), nan=np.nan) / (
        np.maximum(air, 0.05) * hot
    )
    known = np.isfinite(through)
    if not known.any():
        return np.full(len(rpm), np.nan)
    through = np.interp(time_s, time_s[known], through[known])
    passed = np.concatenate([[0.0], np.cumsum(0.5 * (1 / through[1:] + 1 / through[:-1]) * np.diff(time_s))])
    left = np.interp(passed - 1, passed, time_s, left=np.nan)
    way = np.where(np.isfinite(left), time_s - left, through)
    return way + THROUGH_CYLINDER * 120 / np.where(rpm > 0, rpm, np.nan)


def _fitted(found: list[Change], sheet: BuildSheet, rpm: float) -> Delay:
    before = Delay.of_sheet(sheet, rpm)
    table = sheet.engine.full_throttle.rpm
    unit = float(dead_s(sheet, min(max(rpm, table[0]), table[-1]), 0.0))
    tau_sd = TAU_SHARE * before.tau_s / 3**0.5
    solver = _Solver(found, np.array([1.0, before.tau_s]), np.array([DEAD_SD, tau_sd]))
    (scale, tau), covariance = solver.solve()
    wait = 0.25 * (INJECTION_WAIT.high - INJECTION_WAIT.low) * 120 / rpm / 3**0.5
    variance = float(np.array([unit, 1.0]) @ covariance @ np.array([unit, 1.0])) + wait**2
    total, error = float(scale * unit + tau), 2 * float(np.sqrt(variance))
    prior = 2 * float(np.hypot(DEAD_SD * unit, tau_sd))
    if error > KNOWN * prior:
        return Delay.of_sheet(sheet, rpm, _told(sheet, rpm, "the changes in this log are too small beside its noise"))
    number = f"{len(found)} sharp changes" if len(found) > 1 else "one sharp change"
    why = f"Seen at {number} of the mixture whose cause is in the log (fuel cut, throttle, fuel ahead of the nitrous); {1e3 * total:.0f} ms (± {1e3 * error:.0f}) in all."
    dead_error, tau_error = (float(np.sqrt(v)) for v in np.diag(covariance))
    return Delay(
        float(scale), float(tau), total, error, True, why, tau_error, float(np.hypot(dead_error * unit, wait)),
        before.sheet_total_s, rpm, len(found),
    )  # fmt: skip


class _Solver:
    """Dead time, time constant, and the time of every change, by Levenberg and Marquardt; height, level and film of a change are solved in every step."""

    def __init__(self, found: list[Change], first: np.ndarray, spread: np.ndarray) -> None:
        self.found, self.first, self.spread = found, first, spread
        self.noise, self.together = NOISE

    def parts(self, p: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
        """Misses of every change in errors of one, and as they are."""
        return [_rest(c, p[0], p[1], p[2 + k], self.together, self.noise) for k, c in enumerate(self.found)]

    def misses(self, p: np.ndarray) -> list[np.ndarray]:
        """Misses in errors of one, what was known before last."""
        return [*(w for w, _ in self.parts(p)), (p[:2] - self.first) / self.spread]

    def slopes(self, p: np.ndarray, now: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
        """Normal matrix and gradient."""
        normal, gradient = np.zeros((len(p), len(p))), np.zeros(len(p))
        for k, change in enumerate(self.found):
            which = np.array([0, 1, 2 + k])
            moved = [p[which] + h * (np.arange(3) == i) for i, h in enumerate(STEPS)]
            rows = [
                (_rest(change, *q, self.together, self.noise)[0] - now[k]) / h
                for q, h in zip(moved, STEPS, strict=True)
            ]
            jac = np.stack(rows, axis=1)
            normal[np.ix_(which, which)] += jac.T @ jac
            gradient[which] += jac.T @ now[k]
        normal[[0, 1], [0, 1]] += 1 / self.spread**2
        gradient[:2] += now[-1] / self.spread
        return normal, gradient

    def better(self, p: np.ndarray, now: list[np.ndarray]) -> tuple[np.ndarray, list[np.ndarray]]:
        """Descend until nothing more is won."""
        damping, cost = 1e-2, _cost(now)
        for _ in range(ROUNDS):
            normal, gradient = self.slopes(p, now)
            for _ in range(5):
                there = p - np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
                there[:2] = np.clip(there[:2], LEAST, MOST_EVER)
                then = self.misses(there)
                if _cost(then) <= cost:
                    break
                damping *= 6
            else:
                break
            won, p, now, cost, damping = cost - _cost(then), there, then, _cost(then), damping / 5
            if won < 1e-3 * cost:
                break
        return p, now

    def solve(self) -> tuple[np.ndarray, np.ndarray]:
        """Dead time's scale and time constant, and their covariance."""
        p = np.concatenate([self.first, np.zeros(len(self.found))])
        p, _ = self.better(p, self.misses(p))
        self.noise, self.together = _scatter([left for _, left in self.parts(p)])
        p, now = self.better(p, self.misses(p))
        return p[:2], np.linalg.inv(self.slopes(p, now)[0])[:2, :2]


def _cost(misses: list[np.ndarray]) -> float:
    return sum(float(r @ r) for r in misses)


def _rest(
    change: Change, scale: float, tau: float, late: float, rho: float, sigma: float
) -> tuple[np.ndarray, np.ndarray]:
    """What is left of a change after the best height, level and film: in errors of one, with what is known of them before; and as it is."""
    dead, use, known = scale * change.dead + late, change.use, change.known
    model = lagged(change.time_s, change.burned, dead, tau)[::FINER]
    by_wall = lagged(change.time_s, change.by_wall, dead, tau)[::FINER]
    shape = np.stack([model - float(model[use].mean()), np.ones(len(model)), by_wall], axis=1)[use]
    off = change.read[use] - model[use]
    white = _white(np.column_stack([shape, off]), rho) / (sigma * np.sqrt(1 - rho**2))
    white = np.vstack([white, np.column_stack([np.diag(1 / known[:3]), [0.0, 0.0, FILM[0] / known[2]]])])
    design, wanted = white[:, :-1], white[:, -1]
    found = np.linalg.solve(design.T @ design, design.T @ wanted)
    return np.append(wanted - design @ found, late / known[3]), off - shape @ found


def _white(rows: np.ndarray, rho: float) -> np.ndarray:
    """Take the correlation from sample to sample out of columns."""
    out = rows.copy()
    out[1:] -= rho * rows[:-1]
    out[0] *= np.sqrt(1 - rho**2)
    return out


def _scatter(rests: list[np.ndarray]) -> tuple[float, float]:
    """Standard deviation of what is left, and its correlation from sample to sample."""
    whole = sum(float(r @ r) for r in rests)
    n = sum(len(r) for r in rests)
    near = sum(float(r[1:] @ r[:-1]) for r in rests)
    return max(float(np.sqrt(whole / max(n - 2, 1))), 0.002), float(np.clip(near / max(whole, 1e-12), 0.0, 0.95))
