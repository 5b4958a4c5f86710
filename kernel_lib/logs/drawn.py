"""What the engine drew in by what a log says was commanded: nitrous through valve, line and manifold, and the fuel that went with it."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from ..band import (
    BOTTLE_TEMPERATURE,
    FILM_SHARE,
    FILM_TIME,
    INJECTION_WAIT,
    LINE_DRAIN,
    LINE_FILL,
    WALL_FILM,
)
from ..build_sheet import BuildSheet
from ..errors import InputError
from ..plan.bottle_day import bottle_of, gauge_pressure, state_of
from ..plan.delivery import valve
from ..plan.pulsing import Pulsing
from ..plan.stopping import GONE, line_s
from ..plan.supply import flow_band, flow_law
from ..plan.tune import Tune
from ..thermo.blowdown import Content, spray
from ..thermo.fluid import T_LAST, saturation
from ..thermo.vessel import LIQUID_FULL, bottle_volume, vessel_state, vessel_temperature
from ..units import k_from_c
from .cut import Hit
from .mixture import MixtureModel

PASS_S = 90.0
"""How long a bottle is drawn from for the curve of a pass [s]."""


@dataclass(frozen=True, eq=False)
class PassCurve:
    """A bottle that is drawn from with the valve open: nitrous gone [kg], gauge pressure [kPa], flow [kg/s], rising in what is gone."""

    gone: np.ndarray
    kpa: np.ndarray
    flow: np.ndarray


@dataclass(frozen=True, eq=False)
class Supply:
    """What a car's bottle pushes through its nozzle.

    Attributes
    ----------
    likely : float
        Full flow of the plan [kg/s].
    low, high : float
        Over the likely flow.
    planned : tuple of PassCurve
        Low, likely and high pressure from the sheet's bottle on; empty where the sheet has no bore.
    """

    sheet: BuildSheet
    likely: float
    low: float
    high: float
    planned: tuple[PassCurve, ...]

    def flow_at(self, kpa: np.ndarray, start_kpa: float) -> np.ndarray:
        """Flow of the open valve at a gauge pressure of the bottle that began a pass at another [kg/s]; the likely one where it is not known."""
        if not self.planned or not np.isfinite(start_kpa):
            return np.full(np.shape(kpa), self.likely)
        curve = _curve_from(self.sheet, 10.0 * round(start_kpa / 10))
        if curve is None:
            return np.full(np.shape(kpa), self.likely)
        flow = np.interp(kpa, curve.kpa[::-1], curve.flow[::-1])
        return np.where(np.isfinite(kpa), flow, self.likely)


@functools.lru_cache(maxsize=16)
def supply_of(sheet: BuildSheet, likely: float, low: float, high: float) -> Supply:
    """Take bottle and nozzle of a sheet; flows [kg/s], the ends those of a car without a bore."""
    if sheet.nitrous.nozzle_diameter_mm is None:
        return Supply(sheet, likely, low / likely, high / likely, ())
    band, T = flow_band(sheet), k_from_c(sheet.nitrous.bottle_temperature_c)
    cases = (
        (BOTTLE_TEMPERATURE.low, WALL_FILM.low),
        (0.0, WALL_FILM.best),
        (BOTTLE_TEMPERATURE.high, WALL_FILM.high),
    )
    fill = state_of(sheet).mass
    curves = tuple(_drawn_down(sheet, min(T + error, T_LAST - 0.1), fill, film) for error, film in cases)
    return Supply(sheet, likely, band.low / band.best, band.high / band.best, () if None in curves else curves)


def _drawn_down(sheet: BuildSheet, T: float, fill: float, film: float) -> PassCurve | None:
    """Follow a pass from a temperature [K]; None where the bottle holds nothing to draw."""
    try:
        run = spray(
            bottle_of(sheet, film),
            Content(T, T, fill),
            PASS_S,
            flow_law(sheet),
            T_air=k_from_c(sheet.site.air_temperature_c),
        )
    except InputError:
        return None
    kpa = np.minimum.accumulate(gauge_pressure(sheet, run.P) / 1e3)
    return PassCurve(run.mass[0] - run.mass, kpa, run.flow)


@functools.lru_cache(maxsize=64)
def _curve_from(sheet: BuildSheet, start_kpa: float) -> PassCurve | None:
    """Pass of the sheet's bottle that begins at a gauge pressure [kPa]; colder than -30 C or past the critical point there is none."""
    P = 1e3 * (start_kpa + sheet.value("site.barometer_kpa"))
    fill, volume = state_of(sheet).mass, bottle_volume(sheet.nitrous.bottle_rated_fill_kg)
    try:
        T = vessel_temperature(P, fill, volume)
        if vessel_state(T, fill, volume).regime != LIQUID_FULL and P > saturation(T_LAST - 0.2).P:
            return None
    except InputError:
        return None
    return _drawn_down(sheet, T, fill, WALL_FILM.best)


@dataclass(frozen=True, eq=False)
class Drawn:
    """What came into the engine, on a piece of a log.

    Attributes
    ----------
    share : array
        Mean share of the full flow that is commanded; 0 where the valve is shut.
    meant : array
        The same, the last share held while its nitrous goes out.
    flow, flow_low, flow_high : array
        Nitrous drawn in by the whole engine, pulses averaged [kg/s].
    open_flow : array
        Of the open valve [kg/s].
    bottle_kpa : tuple of array
        Planned gauge pressure, low, likely, high [kPa]; NaN where nothing is known of it.
    """

    share: np.ndarray
    meant: np.ndarray
    flow: np.ndarray
    flow_low: np.ndarray
    flow_high: np.ndarray
    open_flow: np.ndarray
    bottle_kpa: tuple[np.ndarray, np.ndarray, np.ndarray]


def shares(time_s: np.ndarray, rpm, commanded, spans: list[slice], tune: Tune, part: float = 1.0) -> np.ndarray:
    """Share of the full flow that is commanded.

    Parameters
    ----------
    time_s, rpm : array
    commanded : array
        `command.commanded_share`; NaN where only a switch is known.
    spans : list of slice
        Hits.
    tune : Tune
        Its ramp is taken where no duty is logged.
    part : float
        Of the plan's flow that the fitted nozzle passes, where a step takes a nozzle of its own.
    """
    out, room = np.zeros(len(time_s)), tune.room
    planned = tune.share_at(np.clip(np.nan_to_num(rpm, nan=room.rpm[0]), room.rpm[0], room.rpm[-1]))
    for span in spans:
        asked = np.asarray(commanded, float)[span]
        if tune.pulsed:
            pulsing = Pulsing.of(tune.sheet)
            told = pulsing.share(pulsing.duty(np.nan_to_num(asked)))
            out[span] = np.where(np.isnan(asked), planned[span], told)
        else:
            out[span] = np.where(
                np.nan_to_num(asked, nan=1.0) > 0, part * np.where(planned[span] > 0, planned[span], 1.0), 0.0
            )
    return out


def drawn(
    model: MixtureModel, supply: Supply, time_s, rpm, air, share: np.ndarray, spans: list[slice], bottle_kpa
) -> Drawn:
    """Follow the nitrous from the command to the cylinder.

    Parameters
    ----------
    model : MixtureModel
    supply : Supply
    time_s, rpm, air : array
        Clock [s], speed [rpm], air over that of full throttle.
    share : array
        `shares`.
    spans : list of slice
        Hits.
    bottle_kpa : array
        Logged pressure of the bottle, evened out [kPa gauge]; NaN where it is not.

    Notes
    -----
    Opening time, then the line that has to fill, closing time, then the line that drains (as `plan.passage` and `plan.stopping` have them), then the manifold
    as a first-order lag with the speed of the moment. Low: the line fills slowest, valve and flow at their low ends; high the other way.
    """
    sheet, step = model.sheet, float(time_s[1] - time_s[0])
    before = [
        np.nanmedian(v)
        if np.isfinite(v := bottle_kpa[max(s.start - max(round(0.3 / step), 1), 0) : s.start + 1]).any()
        else np.nan
        for s in spans
    ]
    open_flow, gone = np.full(len(time_s), supply.likely), np.zeros(len(time_s))
    for span, start in zip(spans, before, strict=True):
        tail = slice(span.start, len(time_s))
        open_flow[tail] = supply.flow_at(bottle_kpa[tail], float(start))
    rough = np.cumsum(share * open_flow) * step
    gone[:] = rough
    planned = tuple(np.interp(gone, c.gone, c.kpa) for c in supply.planned)
    if supply.planned and spans and not np.isfinite(bottle_kpa).any():
        likely = supply.planned[1]
        open_flow = np.interp(gone, likely.gone, likely.flow)
    if len(planned) != 3:
        planned = (np.full(len(time_s), np.nan),) * 3
    low_share, high_share = _ends(sheet, share)
    meant = _held(share)
    tau = np.nan_to_num(
        model.mixing_s(rpm, np.minimum(share * open_flow, 2 * supply.likely)) / np.maximum(air, 1e-3), nan=0.1
    )
    flows = []
    for part, size, fill in (
        (share, 1.0, LINE_FILL.best),
        (low_share, supply.low, LINE_FILL.high),
        (high_share, supply.high, LINE_FILL.low),
    ):
        nozzle = _nozzle(sheet, time_s, part, open_flow * size, spans, fill, supply.likely)
        flows.append(_mixed(nozzle * open_flow * size, tau, step))
    return Drawn(share, meant, flows[0], flows[1], flows[2], open_flow, planned)


def _ends(sheet: BuildSheet, share: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if not sheet.nitrous.progressive:
        return share, share
    return Pulsing.of(sheet).band(np.clip(share, 0.0, 1.0))


def _held(share: np.ndarray) -> np.ndarray:
    """Keep the last share that was commanded."""
    last = np.maximum.accumulate(np.where(share > 0, np.arange(len(share)), -1))
    return np.where(last >= 0, share[np.maximum(last, 0)], 0.0)


@functools.lru_cache(maxsize=64)
def _line_kg(sheet: BuildSheet) -> float:
    """Liquid that the line between valve and nozzle holds [kg]."""
    return line_s(sheet, 1.0)


def _nozzle(sheet: BuildSheet, time_s, share, open_flow, spans: list[slice], fill: float, full: float) -> np.ndarray:
    """Share of the full flow that leaves the nozzle; where a sample is met half way, its mean."""
    v, step, out = valve(sheet), float(time_s[1] - time_s[0]), np.zeros(len(time_s))
    line = _line_kg(sheet)
    drain = LINE_DRAIN.best * line / full / np.log(1 / GONE)
    for span in spans:
        on, off = time_s[span.start] - step / 2, time_s[span.stop - 1] + step / 2
        known = share[span][share[span] > 0]
        if not len(known):
            continue
        flow = max(float(known[0] * open_flow[span.start]), 1e-4)
        arrives, closes = on + v.open_s + fill * line / flow, off + v.close_s
        if arrives >= closes:
            continue
        held = share.copy()
        held[span.stop :] = share[span.stop - 1]
        inside = np.clip((time_s - arrives) / step + 0.5, 0.0, 1.0) * np.clip((closes - time_s) / step + 0.5, 0.0, 1.0)
        since = np.maximum(time_s - closes, 0.0)
        tail = np.exp(-since / drain) if drain > 0 else (since <= 0).astype(float)
        after = np.clip((time_s - closes) / step + 0.5, 0.0, 1.0) * tail
        out = np.maximum(out, held * np.minimum(inside + after, 1.0))
    return out


def _mixed(nozzle: np.ndarray, tau: np.ndarray, step: float) -> np.ndarray:
    """First-order lag with a time constant of each sample [s], empty at first."""
    if not (nozzle > 0).any() or not (tau > 0).any():
        return nozzle
    keep = np.exp(-step / np.maximum(tau, 1e-6)).tolist()
    given, content, out = nozzle.tolist(), 0.0, []
    for k, u in zip(keep, given, strict=True):
        content = u + (content - u) * k
        out.append(content)
    return np.array(out)


def waited(time_s: np.ndarray, fuel: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """Fuel as it is drawn in, three quarters of a cycle after it was commanded, likely (`band.INJECTION_WAIT`)."""
    wait = INJECTION_WAIT.best * 120 / np.maximum(np.nan_to_num(rpm, nan=3000.0), 300.0)
    return np.interp(time_s - wait, time_s, fuel)


def by_wall(fuel: np.ndarray, step: float) -> np.ndarray:
    """Added fuel of which a share goes by way of the port's wall, likely."""
    keep = np.exp(-step / FILM_TIME.best)
    known = np.nan_to_num(fuel)
    slow, _ = lfilter([1 - keep], [1.0, -keep], known, zi=[keep * known[0]])
    return fuel + FILM_SHARE.best * (slow - known)


def spans_of(hits: tuple[Hit, ...], window: slice) -> list[slice]:
    """Commands of hits on a piece of a log; those outside left out."""
    length = window.stop - window.start
    found = [(max(h.command.start - window.start, 0), min(h.command.stop - window.start, length)) for h in hits]
    return [slice(a, b) for a, b in found if b > a]
