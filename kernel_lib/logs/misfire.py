"""A misfire reads lean: where the reading leans without a cause and the engine stumbles, no fuel may be recommended."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter, percentile_filter

from ..build_sheet import BuildSheet
from .command import commanded_share
from .cut import Hit, Pull
from .events import GAP, LIFT, LIMITER, MISSED_SHIFT, SHIFT, WHEEL_SPIN, bridged, despiked, filled, runs, samples, slope
from .log import Log

LEANS = 0.04
"""How far a reading has to lean to be looked at [lambda]; a choice of our own, no source."""
STUMBLE = 0.4
"""Share of its usual value by which the rise of engine speed has to drop; a choice of our own, no source."""
RICH_ROOM = 0.03
"""Over the lambda at which firing grows doubtful, within which a lean spike is suspect by itself; a choice of our own."""
WINDOW_S, USUAL_S, SURE = 0.2, 4.0, 3.0
"""Windows of the slope and of what is usual [s], and deviations that a drop must stand out by."""
SEEN_LATE_S = 0.6
"""How long after the stumble the sensor may still show it [s]."""
LEAST_HZ = 20.0
"""Samples of engine speed a second below which no stumble is seen."""
FUEL_DROP, NITROUS_RISE = 0.04, 0.15
"""Share of fuel lost, or of the nitrous gained in half a second, that explains a lean reading of 0.04."""


@dataclass(frozen=True)
class Suspect:
    """Where a misfire is suspected.

    Attributes
    ----------
    begin_s, end_s, rpm : float
    why : str
        A sentence.
    leans : float
        By how much the reading is leaner than expected at most [lambda].
    drop : float
        Share of its usual value that the rise of engine speed lost at most; NaN where it cannot be seen.
    rich : bool
        Whether the mixture was near the rich end at which firing grows doubtful.
    """

    begin_s: float
    end_s: float
    rpm: float
    why: str
    leans: float
    drop: float
    rich: bool


def can_tell(log: Log, pull: Pull) -> tuple[bool, str]:
    """Say whether engine speed is sampled fast and fine enough in a pull to see a stumble, and if not, why.

    Notes
    -----
    A drop of 40 % of the usual rise must stand out of the scatter of the rise over 0.2 s by three deviations, at 20 samples a second at least.
    """
    rate = log.rate_hz.get("rpm") or 1 / log.step_s
    if rate < LEAST_HZ:
        return False, f"engine speed is sampled {rate:.0f} times a second only"
    rise, usual, noise, _ = _motion(log, pull)
    if not len(rise) or not np.isfinite(noise):
        return False, "engine speed is missing"
    least = STUMBLE * float(np.median(usual))
    if least <= SURE * noise:
        return False, "engine speed scatters, or climbs too slowly, for a stumble to stand out"
    return True, ""


def misfire_suspicion(
    log: Log,
    pull: Pull,
    sheet: BuildSheet,
    *,
    expected: np.ndarray | None = None,
    lambda_model: np.ndarray | None = None,
) -> list[Suspect]:
    """Look for readings that may be misfires.

    Parameters
    ----------
    log : Log
    pull : Pull
    sheet : BuildSheet
    expected : array, optional
        What the gauge should show, lags and all, on the samples ``pull.start`` to ``pull.stop``; what it usually is within 4 s if None.
    lambda_model : array, optional
        What the mixture should be there, for its distance to the rich end; the sheet's target on nitrous if None.

    Returns
    -------
    list of Suspect
        Stretches where the reading leans by more than 0.04 without less fuel or more nitrous, and speed stumbles; or leans by that for less than half a second
        near the rich end. Empty does not say that there was none, see `can_tell`.
    """
    part = slice(pull.start, pull.stop)
    reading = despiked(filled(log.get("lambda_")[part], pull.stop - pull.start))
    if not np.isfinite(reading).any():
        return []
    step = log.step_s
    expected = _expected(reading, pull, step) if expected is None else expected
    quiet = _quiet(log, pull)
    with np.errstate(invalid="ignore"):
        leans = (reading - expected > LEANS) & quiet
    leans &= ~_explained(log, sheet, pull)
    model = _model(sheet, pull, lambda_model)
    tells = can_tell(log, pull)[0]
    drop = _drop(log, pull, quiet) if tells else np.full(len(reading), np.nan)
    out = []
    for a, b in runs(bridged(leans, samples(0.3, step))):
        if (b - a) * step < 0.05:
            continue
        back = max(a - samples(SEEN_LATE_S, step), 0)
        least = float(np.nanmax(drop[back:b])) if tells else float("nan")
        rich = bool(
            min(np.nanmin(model[back:b]), np.nanmin(expected[back:b])) < sheet.limits.misfire_rich_lambda + RICH_ROOM
        )
        spike = (b - a) * step < 0.5
        if (tells and least > STUMBLE) or (rich and spike):
            out.append(_told(log, pull, a, b, float(np.nanmax((reading - expected)[a:b])), least, rich))
    return out


def _expected(reading: np.ndarray, pull: Pull, step_s: float) -> np.ndarray:
    """What the reading usually is, with and without nitrous apart: its running lower third, so that a long lean spell does not count as usual."""
    known, inside = np.flatnonzero(np.isfinite(reading)), np.zeros(len(reading), bool)
    values, out = np.interp(np.arange(len(reading)), known, reading[known]), np.empty(len(reading))
    for hit in pull.hits:
        inside[max(hit.command.start - pull.start, 0) : max(hit.flow.stop - pull.start, 0)] = True
    for mask in (inside, ~inside):
        if mask.any():
            out[mask] = _running(values[mask], USUAL_S, step_s, 100 / 3)
    return out


def _running(values: np.ndarray, seconds: float, step_s: float, percent: float) -> np.ndarray:
    """Running percentile."""
    wide = min(samples(seconds, step_s, 3) | 1, max((len(values) - 1) | 1, 1))
    return percentile_filter(values, percent, size=wide, mode="nearest")


def _told(log: Log, pull: Pull, a: int, b: int, leans: float, drop: float, rich: bool) -> Suspect:
    rpm = log.get("rpm")[pull.start + a : pull.start + b]
    stumbles = np.isfinite(drop) and drop > STUMBLE
    why = f"The reading leans by {leans:.2f} lambda with no less fuel and no more nitrous"
    why += (
        f", and engine speed stumbles: {f'it gains {100 * drop:.0f} % less than just before' if drop < 1 else 'it falls'}."
        if stumbles
        else "."
    )
    if rich:
        why += " The mixture is near the rich end, where firing grows doubtful (from memory)."
    t = log.time_s
    begin, end = float(t[pull.start + a]), float(t[pull.start + b - 1])
    middle = float(np.nanmedian(rpm)) if np.isfinite(rpm).any() else float("nan")
    return Suspect(begin, end, middle, why, leans, drop, rich)


def _motion(log: Log, pull: Pull) -> tuple[np.ndarray, np.ndarray, float, np.ndarray]:
    """Rise of engine speed, its running upper third (a long stumble is not usual), the scatter of the rise [rpm/s], and where speed is quiet."""
    raw = log.get("rpm")[pull.start : pull.stop]
    known = np.flatnonzero(np.isfinite(raw))
    if len(known) < 10:
        return np.array([]), np.array([]), float("nan"), np.array([], bool)
    rpm = np.interp(np.arange(len(raw)), known, raw[known])
    step, quiet = log.step_s, _quiet(log, pull)
    rise = slope(despiked(rpm, 3), step, WINDOW_S)
    wide = min(samples(USUAL_S, step, 3) | 1, (len(rise) - 1) | 1)
    usual = median_filter(
        np.where(quiet, rise, np.median(rise[quiet]) if quiet.any() else np.median(rise)), size=wide, mode="nearest"
    )
    jitter = rpm[2:] - 2 * rpm[1:-1] + rpm[:-2]  # a line leaves nothing of it but noise
    sigma = 1.4826 * float(np.median(np.abs(jitter))) / np.sqrt(6)
    n = max(samples(WINDOW_S, step, 3) | 1, 3)
    noise = sigma / step * np.sqrt(12 / (n * (n * n - 1)))
    return rise, usual, float(noise), quiet


def _drop(log: Log, pull: Pull, quiet: np.ndarray) -> np.ndarray:
    """Share of the usual rise that is missing; 0 beside shifts, lifts and loose wheels, and where it lies in the noise."""
    rise, usual, noise, _ = _motion(log, pull)
    some = np.maximum(usual, 1e-9)
    out = (usual - rise) / some
    return np.where(quiet & (usual - rise > SURE * noise) & (usual > 0), out, 0.0)


def _quiet(log: Log, pull: Pull) -> np.ndarray:
    """Where nothing else shakes speed or reading; wheels that grip again make speed fall for a while longer, the sensor is late."""
    quiet = np.ones(pull.stop - pull.start, bool)
    quiet[: samples(0.3, log.step_s)] = False  # the throttle has just opened
    for event in pull.events:
        if event.kind in (SHIFT, LIFT, GAP, MISSED_SHIFT, LIMITER, WHEEL_SPIN):
            after = samples(SEEN_LATE_S if event.kind not in (WHEEL_SPIN, GAP) else 0.3, log.step_s)
            quiet[
                max(event.start - pull.start - samples(0.15, log.step_s), 0) : max(event.stop - pull.start + after, 0)
            ] = False
    for hit in pull.hits:
        _mute(quiet, hit, pull, log.step_s)
    return quiet


def _mute(quiet: np.ndarray, hit: Hit, pull: Pull, step_s: float) -> None:
    """Leave out where nitrous begins and ends: power changes there by itself."""
    for k, after in ((hit.command.start, hit.ramp_in.stop), (hit.command.stop, hit.wash_out.stop)):
        quiet[max(k - pull.start, 0) : max(after - pull.start + samples(0.2, step_s), 0)] = False


def _explained(log: Log, sheet: BuildSheet, pull: Pull) -> np.ndarray:
    """Where less fuel or more nitrous than the half second before explains a lean reading."""
    n, part, out = pull.stop - pull.start, slice(pull.start, pull.stop), np.zeros(pull.stop - pull.start, bool)
    late, wide = samples(SEEN_LATE_S, log.step_s), samples(0.5, log.step_s, 3) | 1
    for key in ("fuel_kpa", "injector_ms"):
        values = filled(log.get(key)[part], n)
        if not np.isfinite(values).all():
            continue
        usual = median_filter(values, size=min(2 * wide + 1, (n - 1) | 1), mode="nearest")
        drop = (
            despiked(values) < (1 - FUEL_DROP) * usual
            if key == "injector_ms"
            else despiked(values) < (1 - 2 * FUEL_DROP) * usual
        )
        out |= _reaching(drop, late)
    share = commanded_share(log, sheet)[part]
    if np.isfinite(share).all():
        before = np.concatenate([np.full(min(wide, n), share[0]), share[:-wide]])[:n] if n > wide else share
        out |= _reaching(share - before > NITROUS_RISE * np.maximum(before, 0.2), late)
    return out


def _reaching(mask: np.ndarray, late: int) -> np.ndarray:
    """Stretch what happened to as long as the sensor may still show it."""
    out = mask.copy()
    for _, b in runs(mask):
        out[b : b + late] = True
    return out


def _model(sheet: BuildSheet, pull: Pull, lambda_model: np.ndarray | None) -> np.ndarray:
    n = pull.stop - pull.start
    if lambda_model is not None:
        return np.where(np.isfinite(lambda_model), lambda_model, np.inf)
    out = np.full(n, sheet.engine.lambda_without_nitrous)
    for hit in pull.hits:
        out[max(hit.flow.start - pull.start, 0) : max(hit.flow.stop - pull.start, 0)] = sheet.engine.lambda_with_nitrous
    return out
