"""How late a wide-band sensor tells: what is burned travels to it and is lagged there; the way forward, and back out of a noisy log.

What is lagged is phi = 1/lambda: the sensor's signal follows concentrations in the exhaust, which go with fuel over air.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from ..band import EXHAUST_T
from ..build_sheet import BuildSheet
from ..errors import InputError, check_number
from ..plan.stopping import THROUGH_CYLINDER
from ..thermo import species as sp
from .mixture import MixtureModel

WINDOWS = (5, 7, 9, 13, 17, 25, 33)
"""Samples over which a reading may be evened out when its lag is taken out; odd. A choice of our own."""
AGREE = 2.0
"""A wider window is taken as long as it agrees with every narrower one within so many standard errors of their difference; a choice of our own."""

EDGE = 0.75
"""Of what phi changes within the narrowest window, how much counts as standard error: at an edge it may be on either side. Found by coverage, see tests."""

TAU_SHARE, DEAD_SHARE = 1 / 3, 0.5
"""How far a sensor's time constant, and the way to it, may be from the sheet's, as a share of it; the first for 50 to 100 ms of published sensors, both from memory."""


def transport_s(sheet: BuildSheet, rpm, flow, T: float = EXHAUST_T.best) -> np.ndarray:
    """Exhaust from the valve to the sensor at full throttle [s], plug flow at one temperature.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : array
    flow : array
        Nitrous drawn in [kg/s].
    T : float
        Of the exhaust on its way [K].

    Returns
    -------
    array
        NaN outside the full-throttle table.
    """
    model, rpm = MixtureModel.of(sheet), np.asarray(rpm, float)
    volume, P = 1e-3 * sheet.value("engine.exhaust_volume_to_sensor_l"), 1e3 * sheet.value("site.barometer_kpa")
    return volume * P / (model.exhaust_moles(rpm, flow) * model.setup.cylinders * rpm / 120 * sp.R * T)


def dead_s(sheet: BuildSheet, rpm, flow) -> np.ndarray:
    """From the middle of drawing in to the arrival at the sensor [s]: three quarters of a cycle, then `transport_s`; arguments as there."""
    rpm = np.asarray(rpm, float)
    rpm = np.where(rpm > 0, rpm, np.nan)
    return THROUGH_CYLINDER * 120 / rpm + transport_s(sheet, rpm, flow)


@dataclass(frozen=True)
class Delay:
    """How late a reading is.

    Attributes
    ----------
    dead_scale : float
        Times `dead_s` of the sheet.
    tau_s : float
        Time constant of the sensor [s].
    total_s : float
        Dead time at `rpm` and the time constant together [s].
    error_s : float
        Of that, in 19 of 20 cases [s].
    identifiable : bool
        Whether the log told it; else it is what the sheet says.
    because : str
    tau_error_s, dead_error_s : float
        Standard errors [s].
    sheet_total_s : float
        Total by the sheet at that speed [s].
    rpm : float
    transitions : int
        How many there were to see it by.
    """

    dead_scale: float
    tau_s: float
    total_s: float
    error_s: float
    identifiable: bool
    because: str
    tau_error_s: float
    dead_error_s: float
    sheet_total_s: float
    rpm: float
    transitions: int = 0

    @classmethod
    def of_sheet(cls, sheet: BuildSheet, rpm: float, because: str = "") -> Delay:
        """What a build sheet says, where no log has told: the sensor's time constant within a third, the way to it within a half."""
        tau = sheet.controller.sensor_delay_ms / 1e3
        table = sheet.engine.full_throttle.rpm
        dead = float(dead_s(sheet, min(max(rpm, table[0]), table[-1]), 0.0))
        errors = TAU_SHARE * tau / 3**0.5, DEAD_SHARE * dead / 3**0.5
        why = because or (
            f"From the build sheet: time constant {1e3 * tau:.0f} ms within a third, exhaust and cylinder {1e3 * dead:.0f} ms within a half; the log was not asked."
        )
        total = dead + tau
        return cls(1.0, tau, total, 2 * float(np.hypot(*errors)), False, why, *errors, total, float(rpm))


def lagged(time_s, phi, dead, tau_s: float) -> np.ndarray:
    """What a sensor makes of a course of phi.

    Parameters
    ----------
    time_s : array
        Uniform clock [s].
    phi : array
        1/lambda in the cylinder; NaN in gaps.
    dead : float or array
        Dead time of what arrives at that moment [s].
    tau_s : float
        Time constant [s]; 0: none.

    Returns
    -------
    array
        Steady before the first sample; NaN where what arrives is not known.

    Notes
    -----
    dy/dt = (phi(t - dead) - y) / tau, solved exactly for lines between the samples; gaps are bridged by a line for what comes after them.
    """
    time_s, phi, tau_s, step = _checked(time_s, phi, tau_s)
    known = np.isfinite(phi)
    if not known.any():
        return np.full(len(phi), np.nan)
    then = time_s - _filled(dead, len(time_s))
    x = np.interp(then, time_s[known], phi[known])
    gap = np.interp(then, time_s, (~known).astype(float)) > 1e-9
    if tau_s <= 0:
        return np.where(gap, np.nan, x)
    return np.where(gap, np.nan, _first_order(x, step, tau_s))


def lagged_rows(time_s: np.ndarray, rows: Sequence[np.ndarray], dead: np.ndarray, tau_s: float) -> np.ndarray:
    """`lagged` of several courses at once, without gaps and unchecked."""
    then = time_s - dead
    return _first_order(np.stack([np.interp(then, time_s, row) for row in rows]), float(time_s[1] - time_s[0]), tau_s)


def _first_order(x: np.ndarray, step: float, tau_s: float) -> np.ndarray:
    """Lag of lines between samples, along the last axis; settled at its start."""
    keep = np.exp(-step / tau_s)
    ramp = tau_s / step * (1 - keep)
    now, before = 1 - ramp, ramp - keep
    return lfilter([now, before], [1.0, -keep], x, zi=(1 - now) * x[..., :1])[0]


def undelayed(
    time_s,
    shown,
    dead,
    tau_s: float,
    *,
    tau_error: float = 0.0,
    dead_error: float = 0.0,
    sample_s: float = 0.0,
    least_s: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Take dead time and lag out of a reading: `lagged` turned round, as far as its noise allows.

    Parameters
    ----------
    time_s, shown : array
        Uniform clock [s], and 1/lambda as it was read; NaN in gaps.
    dead : float or array
        Dead time of what arrives at that moment [s].
    tau_s : float
        [s].
    tau_error, dead_error : float
        Standard errors of the two [s].
    sample_s : float
        From one real reading to the next, where that is longer than the clock's step [s].
    least_s : float
        Narrowest window [s]: where a valve pulses one pulse, so that the mean over the pulses is told.

    Returns
    -------
    tuple of array
        phi on the clock of what was burned, and its standard error; NaN where the reading has a gap, or too little of it is left.

    Notes
    -----
    phi = y + tau dy/dt, value and slope from a parabola through a window of samples (Savitzky-Golay). The window is the widest that still agrees with all
    narrower ones (Lepski's choice, from memory), so that edges stay sharp and quiet parts are evened out. Noise is what the narrow estimate scatters about a wide one, by the median, pulses and single cycles with it. The error holds that noise, the
    slope times the error of tau, and `EDGE` of what phi changes within the narrowest window and the error of the dead time.
    """
    time_s, shown, tau_s, step = _checked(time_s, shown, tau_s)
    n = len(shown)
    stride = max(1, round(sample_s / step)) if sample_s else 1
    least = 1 + 2 * int(np.ceil((least_s / (stride * step) - 1e-6) / 2)) if least_s else 1
    windows = tuple(dict.fromkeys(max(w, least) for w in WINDOWS))
    values, slopes, noise = _every_window(shown, tau_s / step, stride, windows)
    best, slope, error = _widest_that_agrees(values, slopes / step, noise)
    near = stride + int(np.ceil(dead_error / step))
    reach = windows[0] // 2 * stride + near - stride
    error = np.sqrt(error**2 + (tau_error * slope) ** 2 + (EDGE * _change(best, reach, near)) ** 2)
    burned = np.maximum.accumulate(time_s - _filled(dead, n)) + 1e-9 * np.arange(n)
    with np.errstate(invalid="ignore"):
        return (
            np.interp(time_s, burned, best, left=np.nan, right=np.nan),
            np.interp(time_s, burned, error, left=np.nan, right=np.nan),
        )


def _checked(time_s, phi, tau_s: float) -> tuple[np.ndarray, np.ndarray, float, float]:
    time_s, phi = np.asarray(time_s, float), np.asarray(phi, float)
    tau_s = check_number("tau_s", tau_s, 0.0, 10.0, "s", "Time constants of sensors.")
    if time_s.ndim != 1 or time_s.shape != phi.shape or len(time_s) < 2:
        raise InputError(
            "time_s", str(time_s.shape), "samples", "two or more, as many as phi", "A course has a clock beside it."
        )
    step = float(time_s[-1] - time_s[0]) / (len(time_s) - 1)
    if step <= 0:
        raise InputError("time_s", step, "s", "a rising clock", "A lag runs forward.")
    return time_s, phi, tau_s, step


def _filled(dead, n: int) -> np.ndarray:
    """Dead time at every sample; where the speed was not known, on a line between its neighbours."""
    dead = np.broadcast_to(np.asarray(dead, float), (n,))
    known = np.isfinite(dead)
    if known.all():
        return dead
    if not known.any():
        raise InputError(
            "dead", None, "s", "known somewhere", "Without engine speed nobody knows how late a reading is."
        )
    return np.interp(np.arange(n), np.flatnonzero(known), dead[known])


def _parabola(samples: int, stride: int) -> tuple[np.ndarray, np.ndarray]:
    """Weights of value and slope (per sample) in the middle of a window."""
    k = (np.arange(samples) - samples // 2) * 1.0
    inverse = np.linalg.pinv(np.stack([np.ones(samples), k, k * k], axis=1))
    if stride == 1:
        return inverse[0], inverse[1]
    spread = np.zeros((2, (samples - 1) * stride + 1))
    spread[0, ::stride], spread[1, ::stride] = inverse[0], inverse[1] / stride
    return spread[0], spread[1]


def _every_window(
    shown: np.ndarray, tau: float, stride: int, windows: tuple[int, ...]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Estimate by every window: phi, slope (per sample), and the noise of each (windows,)."""
    values, slopes, gains = [], [], []
    for samples in windows:
        value, slope = _parabola(samples, stride)
        width = len(value)
        found = []
        for weights in (value + tau * slope, slope):
            out = np.full(len(shown), np.nan)
            if len(shown) >= width:
                out[width // 2 : len(shown) - width // 2] = np.correlate(shown, weights, "valid")
            found.append(out)
        values.append(found[0])
        slopes.append(found[1])
        gains.append(float(np.sqrt(((value + tau * slope) ** 2).sum())))
    values, slopes, gains = np.array(values), np.array(slopes), np.array(gains)
    return values, slopes, _noise(values, gains)


def _noise(values: np.ndarray, gains: np.ndarray) -> np.ndarray:
    """Standard error of every window's estimate: what it scatters about the widest, or what white noise that explains the narrowest would do."""
    wide = values[-1]
    known = np.isfinite(wide)
    if known.sum() < 30:
        wide, known = values[0], np.isfinite(values[0])
        if known.sum() < 6:
            return np.full(len(gains), np.nan)
        third = np.diff(wide[known], 3)
        return gains / gains[0] * 1.4826 * float(np.median(np.abs(third))) / np.sqrt(20)
    seen = 1.4826 * np.median(np.abs(values[:, known] - wide[known]), axis=1)
    white = seen[0] / np.sqrt(max(gains[0] ** 2 - gains[-1] ** 2, 1e-30)) * gains
    return np.maximum(np.maximum(seen, white), 1e-6)


def _widest_that_agrees(values, slopes, noise) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Estimate, slope and standard error by the widest window that agrees with all narrower ones, there and at the two samples on either side."""
    chosen = np.zeros(values.shape[1], int)
    going = np.isfinite(values[0])
    for k in range(1, len(values)):
        for j in range(k):
            allowed = AGREE * np.sqrt(max(noise[j] ** 2 - noise[k] ** 2, 0.0))
            with np.errstate(invalid="ignore"):
                going = going & (np.abs(values[k] - values[j]) <= allowed)
        chosen[going] = k
    around = np.pad(chosen, 2, mode="edge")
    chosen = np.min([around[j : j + len(chosen)] for j in range(5)], axis=0)
    at = chosen, np.arange(len(chosen))
    return values[at], slopes[at], np.where(np.isfinite(values[at]), noise[chosen], np.nan)


def _change(x: np.ndarray, reach: int, near: int) -> np.ndarray:
    """How much a value may belong to a neighbour: the largest difference to those up to `near` away, and on a slope that goes on up to `reach`, where some are
    higher and some lower, the lesser of the two. The top of a peak is smeared by what is lower round it, never raised."""
    higher, lower, beside = np.zeros(len(x)), np.zeros(len(x)), np.zeros(len(x))
    for k in range(1, reach + 1):
        step = x[k:] - x[:-k]
        for part, rise in ((slice(None, -k), step), (slice(k, None), -step)):
            higher[part] = np.fmax(higher[part], rise)
            lower[part] = np.fmax(lower[part], -rise)
            if k <= near:
                beside[part] = np.fmax(beside[part], np.abs(rise))
    return np.maximum(beside, np.minimum(higher, lower))
