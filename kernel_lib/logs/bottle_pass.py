"""The bottle through a hit: measured pressure beside what a bottle of that pressure does when so much is drawn."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field

import numpy as np

from ..band import BOTTLE_TEMPERATURE, WALL_FILM, Band
from ..build_sheet import BuildSheet
from ..engine.setup import Setup
from ..errors import InputError
from ..plan.bottle_day import bottle_of
from ..plan.plan import full_flow
from ..plan.supply import flow_band, flow_law, is_weighed, line_share
from ..text import listed
from ..thermo.blowdown import Content, Flow, spray
from ..thermo.fluid import T_LAST, saturation_temperature
from ..thermo.nitrous import MODELS, mass_flux
from ..thermo.vessel import liquid_full_temperature, vessel_temperature
from ..units import k_from_c
from .command import commanded_share
from .cut import Hit
from .events import despiked, filled, runs, samples
from .log import Log

LEAST_S, BEFORE_S, NOISE_S = 0.3, 0.3, 0.09
"""Shortest hit that is looked at, time before it in which the start is read, window of the median [s]."""
FILL_KNOWN, FILL_ASSUMED = 0.1, 0.5
"""What may be missing from a fill that the sheet states, and from one that it assumes, as a share of it; choices of our own."""
GAUGE_PLAY = 15.0
"""A pressure sensor's own play within a hit [kPa]; a choice of our own, no source."""
HELD_PART, HELD_LEAST, HELD_KPA = 0.1, 0.5, 60.0
"""Part of the likely fall, and of the least one of its band, below both of which a bottle counts as not having fallen; likely fall from which that is told [kPa]; choices of our own, no source."""
REFILL_PART, HEATED_KPA_S = 0.5, 5.0
"""Part of a fall that the bottle's wall may give back, and rise by a heater [kPa/s], beyond which the bottle was filled or changed in between; choices of our own, no source."""
FLOW_UNKNOWN = 0.1
"""Error of the flow where it follows from the wanted horsepower; a choice of our own, no source."""
NO_DUTY = "No valve duty is in the log: the whole flow is taken to have been asked for."
REFILLED = "Between two hits the pressure rose by more than the bottle's wall and a heater give back: the bottle is taken for filled or changed there."
STEADY, PIECES = 0.04, 4
"""Spread of the commanded share up to which it counts as one, and pieces it is divided into otherwise."""


@dataclass(frozen=True, eq=False)
class BottlePass:
    """What the bottle did in a hit.

    Attributes
    ----------
    time_s : array
        Of the log, over the command [s].
    measured_kpa, low_kpa, best_kpa, high_kpa : array
        Gauge pressure, measured (median-filtered) and expected from the measured start; the expected ones blank where nothing can be computed [kPa].
    start_kpa, end_kpa, mean_kpa : float
        Measured, gauge [kPa].
    temperature_c : float
        Of the liquid at the start, from the pressure; NaN where that gives none.
    fill_kg, drawn_kg : float
        In the bottle before, and drawn by the command, likely.
    flow_relative : float
        Flow expected at the start over the sheet's, likely, from the pressure.
    flow_band, flow_end_band : Band
        The same with its band, and that at the median of the last tenth.
    window_ok : bool
        Whether the start lies in the sheet's window.
    liquid_full : bool
        Whether the bottle held no vapour at the start: then pressure says little of temperature.
    fell_faster : bool
        Whether it fell further than the band and the sensor's play allow.
    held : bool
        Whether it did not fall, though a good deal should have been drawn.
    because : str
        What the expected course rests on, a sentence.
    notes : tuple of str
    """

    time_s: np.ndarray
    measured_kpa: np.ndarray
    low_kpa: np.ndarray
    best_kpa: np.ndarray
    high_kpa: np.ndarray
    start_kpa: float
    end_kpa: float
    mean_kpa: float
    temperature_c: float
    fill_kg: float
    drawn_kg: float
    flow_relative: float
    flow_band: Band
    flow_end_band: Band
    window_ok: bool
    liquid_full: bool
    fell_faster: bool
    held: bool
    because: str
    notes: tuple[str, ...] = field(default=())


def bottle_course(log: Log, hit: Hit, sheet: BuildSheet) -> BottlePass | None:
    """Hold the bottle's pressure through a hit against a bottle that is drawn from.

    Parameters
    ----------
    log : Log
    hit : Hit
    sheet : BuildSheet

    Returns
    -------
    BottlePass or None
        None where the log has no bottle pressure there, or the hit is shorter than 0.3 s.

    Notes
    -----
    Temperature from the start pressure and the fill (the sheet's less what this log drew before); share as commanded. The band adds up, one by one: wall film,
    error of the flow, fill, 3 K of temperature, and downwards the pressure the line loses, for nobody knows on which end of it the gauge sits.
    """
    a, b = hit.command.start, hit.command.stop
    pressure, step = log.get("bottle_kpa"), log.step_s
    before = pressure[max(a - samples(BEFORE_S, step), 0) : max(a, 1)]
    if (b - a) * step < LEAST_S or not np.isfinite(before).any() or np.isfinite(pressure[a:b]).sum() < 3:
        return None
    measured = despiked(filled(pressure[a:b], b - a), samples(NOISE_S, step) | 1)
    tail = np.flatnonzero(np.isfinite(measured))[-max((b - a) // 10, 3) :]
    start, end, mean = float(np.nanmedian(before)), float(np.median(measured[tail])), float(np.nanmean(measured))
    share = commanded_share(log, sheet)
    flow = full_flow(sheet)
    since, refilled = _since(pressure, share, a, step)
    fill = max(sheet.value("nitrous.bottle_fill_kg") - flow * float(np.nansum(share[since:a])) * step, 0.05)
    asked = np.nan_to_num(share[a:b], nan=1.0)
    here = _Start(sheet, start, fill, asked, step, *_temperature(sheet, start, fill))
    falls = _falls(here)
    low, best, high = (start + f for f in falls)
    jumps = np.abs(np.diff(pressure[a:b][np.isfinite(pressure[a:b])]))
    room = GAUGE_PLAY + 3 * 1.4826 * float(np.median(jumps)) / np.sqrt(2 * len(tail))
    now, then = _relative(sheet, start), _relative(sheet, end)
    trend = (now.best + then.best) / 2 if np.isfinite(now.best + then.best) else 1.0
    window = sheet.nitrous.window_low_kpa, sheet.nitrous.window_high_kpa
    return BottlePass(
        log.time_s[a:b], measured, low, best, high, start, end, mean,
        here.T - 273.15, fill, flow * float(asked.mean()) * step * (b - a) * trend,
        now.best, now, then,
        bool(window[0] <= start <= window[1]), here.liquid_full,
        bool(np.median(low[tail]) - end > room) if np.isfinite(low).any() else False,
        not hit.short and _held(start - end, *(start - float(np.median(model[tail])) for model in (best, high))),
        _because(here), here.notes + refilled + (() if np.isfinite(share[a:b]).any() else (NO_DUTY,)),
    )  # fmt: skip


def _held(fell: float, expected: float, least: float) -> bool:
    """Whether a bottle that should have fallen by so much, and by no less than the least, did not [kPa]."""
    return bool(expected >= HELD_KPA and abs(fell) < min(HELD_PART * expected, HELD_LEAST * least))


def _since(pressure: np.ndarray, share: np.ndarray, a: int, step: float) -> tuple[int, tuple[str, ...]]:
    """Sample from which on this bottle was drawn from: that of the log, or the last one at which it was filled or changed; and what is to be said."""
    with np.errstate(invalid="ignore"):
        before = [(p, q) for p, q in runs(share[:a] > 0) if (q - p) * step >= LEAST_S]
    level, near = functools.partial(_level, pressure), samples(BEFORE_S, step)
    begins = [p for p, _ in before[1:]] + [a]
    for (p, q), nxt in reversed(list(zip(before, begins, strict=False))):
        first, low, now = level(p - near, p), level(q, q + near), level(nxt - near, nxt)
        warmed = REFILL_PART * max(first - low, 0.0) + HEATED_KPA_S * (nxt - q) * step + GAUGE_PLAY
        if now - low > warmed:
            return q, (REFILLED,)
    return 0, ()


def _level(pressure: np.ndarray, a: int, b: int) -> float:
    """Median of a stretch; NaN where nothing is known there."""
    part = pressure[max(a, 0) : max(b, 0)]
    part = part[np.isfinite(part)]
    return float(np.median(part)) if len(part) else float("nan")


@dataclass(frozen=True, eq=False)
class _Start:
    """A bottle before a hit, and the share that is asked of it."""

    sheet: BuildSheet
    start_kpa: float
    fill: float
    share: np.ndarray
    step: float
    T: float
    liquid_full: bool
    notes: tuple[str, ...]


def _temperature(sheet: BuildSheet, start_kpa: float, fill: float) -> tuple[float, bool, tuple[str, ...]]:
    """Temperature of the liquid [K], whether the bottle is full of it, and what is to be said."""
    volume, P = bottle_of(sheet).volume, 1e3 * (start_kpa + sheet.value("site.barometer_kpa"))
    try:
        T = vessel_temperature(P, fill, volume)
    except InputError:
        told = f"No bottle with {fill:.1f} kg in it shows {start_kpa:.0f} kPa gauge with liquid to draw: another fill, or a gauge that is off."
        return float("nan"), False, (told,)
    full = liquid_full_temperature(fill, volume)
    if full is not None and full <= T:
        told = "So full and so warm there is no vapour in the bottle: its pressure says more of the fill than of the temperature, and falls steeply at first."
        return T, True, (told,)
    if T >= T_LAST:
        return float("nan"), False, ("At this pressure nitrous has no liquid left: warmer than its critical point.",)
    return T, False, ()


@functools.lru_cache(maxsize=8)
def _law(sheet: BuildSheet) -> Flow:
    """Flow over temperature and pressure; without a bore the wanted flow, with the trend of equilibrium flow."""
    if sheet.nitrous.nozzle_diameter_mm is not None:
        return flow_law(sheet)
    T, P_down = np.linspace(213.0, T_LAST, 161), Setup.of(sheet).P_manifold
    flux = mass_flux(T, P_down)
    planned = np.interp(k_from_c(sheet.nitrous.bottle_temperature_c), T, flux)
    flow = full_flow(sheet) / planned * flux
    return lambda T_now, _P: float(np.interp(T_now, T, flow))


@functools.lru_cache(maxsize=32)
def _flow_error(sheet: BuildSheet) -> tuple[float, float]:
    """Least and most flow, over the likely one."""
    if sheet.nitrous.nozzle_diameter_mm is None:
        return 1 - FLOW_UNKNOWN, 1 + FLOW_UNKNOWN
    band = flow_band(sheet, T_error=Band(0.0, 0.0, 0.0, "the pressure gives it"))
    return band.low / band.best, band.high / band.best


@functools.lru_cache(maxsize=8)
def _line_loss(sheet: BuildSheet) -> float:
    """Pressure that the line loses at the full flow [kPa]."""
    return 0.0 if sheet.nitrous.nozzle_diameter_mm is None else line_share(sheet)[1] / 1e3


def _falls(here: _Start) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Change of pressure since the start, low, likely and high, over the command [kPa]."""
    n = len(here.share)
    if np.isnan(here.T):
        return (np.full(n, np.nan),) * 3
    mean, steady = float(here.share.mean()), float(np.ptp(here.share)) < STEADY
    try:
        one = _fall(here, np.array([mean]))
        best = one if steady else _fall(here, np.array([p.mean() for p in np.array_split(here.share, PIECES)]))
    except InputError:
        return (np.full(n, np.nan),) * 3
    down, up = -_line_loss(here.sheet) * here.share**2, np.zeros(n)
    for pair in _choices(here):
        off = [fall - one for fall in (_first(here, mean, tries) for tries in pair) if fall is not None]
        if off:
            down, up = down + np.minimum(np.min(off, axis=0), 0.0), up + np.maximum(np.max(off, axis=0), 0.0)
    return best + down, best, best + up


def _choices(here: _Start) -> list[list[list[dict]]]:
    """What is unknown, each to both sides; of several values for a side the first counts that such a bottle can have."""
    missing = FILL_ASSUMED if here.sheet.nitrous.bottle_fill_kg is None else FILL_KNOWN
    out = [
        [[{"film": WALL_FILM.low}], [{"film": WALL_FILM.high}]],
        [[{"flow": f}] for f in _flow_error(here.sheet)],
        [[{"fill": here.fill * (1 - part * missing)} for part in (1.0, 0.6, 0.3, 0.1)]],
    ]
    if not here.liquid_full:
        full = liquid_full_temperature(here.fill, bottle_of(here.sheet).volume) or T_LAST
        warm = min(here.T + BOTTLE_TEMPERATURE.high, full - 0.05, T_LAST - 0.05)
        out.append([[{"T": here.T + BOTTLE_TEMPERATURE.low}], [{"T": warm}]])
    return out


def _first(here: _Start, mean: float, tries: list[dict]) -> np.ndarray | None:
    for choice in tries:
        try:
            return _fall(here, np.array([mean]), **choice)
        except InputError:
            continue
    return None


def _fall(here: _Start, shares: np.ndarray, *, film=WALL_FILM.best, flow=1.0, fill=None, T=None) -> np.ndarray:
    """Change of pressure over the command for shares in equal pieces of it [kPa]; InputError where such a bottle cannot be."""
    sheet, n = here.sheet, len(here.share)
    bottle, law = bottle_of(sheet, film), _law(sheet)
    if fill is not None:
        T, _, _ = _temperature(sheet, here.start_kpa, fill)
    T = here.T if T is None else T
    content = Content(T, T, here.fill if fill is None else fill)
    times, pressures, clock = [], [], 0.0
    seconds = n * here.step / len(shares)
    for share in shares:
        run = spray(
            bottle,
            content,
            seconds,
            lambda T, P, f=flow * share: f * law(T, P),
            T_air=k_from_c(sheet.site.air_temperature_c),
        )
        times.append(clock + run.t), pressures.append(run.P)
        content, clock = run.content, clock + seconds
        if run.ended != "time":
            break
    P = np.concatenate(pressures)
    return np.interp(np.arange(n) * here.step, np.concatenate(times), P - P[0]) / 1e3


def _relative(sheet: BuildSheet, kpa: float) -> Band:
    """Flow from a bottle at a gauge pressure over the planned one; the models of flow differ in their trend."""
    P, P_down = 1e3 * (kpa + sheet.value("site.barometer_kpa")), Setup.of(sheet).P_manifold
    try:
        T = float(saturation_temperature(P))
    except InputError:
        nan = float("nan")
        return Band(nan, nan, nan, "no liquid at this pressure")
    both = np.array([min(T, T_LAST), k_from_c(sheet.nitrous.bottle_temperature_c)])
    models = MODELS if is_weighed(sheet) else ("HEM", "NHNE")
    parts = [float(np.divide(*mass_flux(both, P_down, model=m))) for m in models]
    return Band(
        min(parts),
        parts[models.index("HEM")],
        max(parts),
        f"trend over temperature by {listed(list(models))}; liquid at its boiling pressure",
    )


def _because(here: _Start) -> str:
    sheet = here.sheet
    stated = "stated" if sheet.nitrous.bottle_fill_kg is not None else "assumed"
    line = _line_loss(sheet)
    return (
        f"The model takes temperature from the start pressure, fill {here.fill:.1f} kg ({stated}), heat from the wall over its range, and flow "
        f"{100 * (_flow_error(sheet)[0] - 1):+.0f} to {100 * (_flow_error(sheet)[1] - 1):+.0f} %"
        + (f", up to {round(line, -1):.0f} kPa lost in the line, should the gauge sit at its end" if line >= 5 else "")
        + "."
    )
