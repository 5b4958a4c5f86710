"""What the pictures of the valve are made of: pulses at one speed, beats over all of them, a hit coming in, and what a stop takes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from kernel_lib import BuildSheet
from kernel_lib.band import Band
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import delivery as dv
from kernel_lib.plan.passage import CASES, courses, lead_needed
from kernel_lib.plan.proposals import TRADE_HZ, TRADE_LEAD_MS, fuel_missing
from kernel_lib.plan.stopping import Budget, stop_budget, wash_out

TRADE_LEAD_S = TRADE_LEAD_MS / 1e3
"""Common practice, no source, as is `TRADE_HZ`."""

HZ = np.linspace(4.0, 40.0, 49)
_SPEEDS = 45


@dataclass(frozen=True)
class Spot:
    """What is looked at: a sheet, a speed [rpm], the mean share of the full flow there, pulses [Hz], fuel lead [s], whether the valve pulses here."""

    sheet: BuildSheet
    rpm: float
    share: float
    hz: float
    lead_s: float
    pulsed: bool

    @classmethod
    def of(cls, r: Any) -> Spot:
        """Take it from a page's result; outside the dosed speeds nothing flows."""
        rpm, dosed = float(r.inputs.rpm), r.dosed
        inside = len(dosed.rpm) > 0 and dosed.rpm[0] <= rpm <= dosed.rpm[-1]
        share = float(np.interp(rpm, dosed.rpm, dosed.share)) if inside else 0.0
        hz, lead_s = float(r.inputs.pulse_hz), r.inputs.lead_ms / 1e3
        return cls(r.sheet, rpm, share, hz, lead_s, is_pulsed(r) and 0 < share < 1)


def is_pulsed(r: Any) -> bool:
    """Whether the dose of a result is pulsed; one without a tune goes by its sheet."""
    return getattr(getattr(r, "tune", None), "pulsed", r.sheet.nitrous.progressive)


@dataclass(frozen=True, eq=False)
class Pulses:
    """Cycles under pulses at one speed.

    Attributes
    ----------
    time_ms : array
        Since the nitrous began to flow, two pulses.
    lambda_, low, high, trade : array
        Of a cylinder that begins to draw then; the ends for the valve's error; with the trade's frequency.
    intake_ms, intake_lambda : array
        The engine's own intakes, one after the other.
    tau : float
        Mixing time [s].
    peak, trough : float
        Shares of the strongest and the weakest cycle.
    trade_swing : float
        Lambda between leanest and richest with the trade's frequency.
    """

    time_ms: np.ndarray
    lambda_: np.ndarray
    low: np.ndarray
    high: np.ndarray
    trade: np.ndarray
    intake_ms: np.ndarray
    intake_lambda: np.ndarray
    tau: float
    peak: float
    trough: float
    trade_swing: float


@lru_cache(maxsize=64)
def pulses(spot: Spot) -> Pulses:
    """Follow the cycles at one speed; the valve pulses there."""
    sheet, setup, rpm, share, hz = spot.sheet, Setup.of(spot.sheet), spot.rpm, spot.share, spot.hz
    tau = float(dv.mixing(sheet, setup, rpm))
    low, high = (float(v) for v in dv.share_band(sheet, share, hz))
    time = np.linspace(0.0, 2 / hz, 161)
    intakes = np.arange(0.0, 2 / hz, 120 / rpm / sheet.engine.cylinders)
    meant = dv.cycle_share(tau, hz, share, rpm, time * hz)
    trade = dv.cycle_share(tau, TRADE_HZ, share, rpm, time * TRADE_HZ)
    content = [
        meant,
        dv.cycle_share(tau, hz, low, rpm, time * hz),
        dv.cycle_share(tau, hz, high, rpm, time * hz),
        trade,
    ]
    fuel = [meant, meant, meant, trade]
    drawn = dv.cycle_share(tau, hz, share, rpm, intakes * hz)
    value = dv.lambda_at_share(
        sheet, setup, rpm, share, np.concatenate([*content, drawn]), np.concatenate([*fuel, drawn])
    )
    likely, one, other, trade = value[: 4 * len(time)].reshape(4, -1)
    ends = np.array([likely, one, other])
    swing = dv.lambda_ripple(sheet, setup, rpm, share, TRADE_HZ)
    return Pulses(
        1e3 * time,
        likely,
        ends.min(axis=0),
        ends.max(axis=0),
        trade,
        1e3 * intakes,
        value[4 * len(time) :],
        tau,
        float(dv.peak_share(tau, hz, share, rpm)),
        float(dv.trough_share(tau, hz, share, rpm)),
        float(swing.leanest - swing.richest),
    )


@dataclass(frozen=True, eq=False)
class Beats:
    """Standing spread between cylinders over speed and pulse frequency.

    Attributes
    ----------
    rpm, percent : array
        Speeds; spread [% of the mean], (frequencies of `HZ`, speeds).
    """

    rpm: np.ndarray
    percent: np.ndarray

    @property
    def quietest(self) -> tuple[float, float, float]:
        """Frequency of the map with the least worst spread [Hz], that spread [%], and where it is [rpm]."""
        k = int(self.percent.max(axis=1).argmin())
        return float(HZ[k]), float(self.percent[k].max()), float(self.rpm[self.percent[k].argmax()])


def beats(r: Any) -> Beats:
    """Map the spread over the dosed speeds; not empty."""
    return Beats(*_spread(*_breathing(r), tuple(HZ.tolist()), _SPEEDS))


def worst_beat(r: Any) -> tuple[float, float]:
    """Largest spread over the dosed speeds at the chosen frequency [%], and where [rpm]."""
    speeds, (row,) = _spread(*_breathing(r), (float(r.inputs.pulse_hz),), 8 * _SPEEDS)
    return float(row.max()), float(speeds[row.argmax()])


def _breathing(r: Any) -> tuple[Setup, float, tuple, tuple]:
    return (
        Setup.of(r.sheet),
        dv.mixing_volume(r.sheet),
        tuple(r.dosed.rpm.tolist()),
        tuple(np.round(r.dosed.share, 4).tolist()),
    )


@lru_cache(maxsize=32)
def _spread(
    setup: Setup, volume: float, rpm: tuple, share: tuple, hz: tuple, count: int
) -> tuple[np.ndarray, np.ndarray]:
    speeds = np.linspace(rpm[0], rpm[-1] if len(rpm) > 1 else rpm[0] + 1.0, count)
    speeds = np.minimum(speeds, setup.rpm_table[-1])
    tau, part = dv.mixing_time(setup, speeds, volume), np.interp(speeds, rpm, share)
    return speeds, 100 * dv.standing_spread(tau, np.array(hz)[:, None], part, speeds, setup.cylinders)


@dataclass(frozen=True, eq=False)
class Lead:
    """A hit coming in at one speed with three leads of the fuel.

    Attributes
    ----------
    time_ms : array
        Since the nitrous valve's command.
    chosen, low, high, none, needed : array
        Lambda: with the chosen lead and the ends of what is unknown, without lead, and with the least one that is likely to be needed.
    nitrous : array
        Share of the settled dose.
    least : Band
        [s].
    richest, leanest : Band
        Lambda with the chosen lead: low and high over what is unknown.
    """

    time_ms: np.ndarray
    chosen: np.ndarray
    low: np.ndarray
    high: np.ndarray
    none: np.ndarray
    needed: np.ndarray
    nitrous: np.ndarray
    least: Band
    richest: Band
    leanest: Band


@lru_cache(maxsize=64)
def lead(spot: Spot) -> Lead:
    """Follow a hit; some nitrous flows there."""
    ways, least = courses(spot.sheet, spot.rpm, spot.share), lead_needed(spot.sheet, spot.rpm, spot.share)
    begin = -max(spot.lead_s, least.best, 0.0) - 0.05
    time = np.union1d(np.linspace(begin, 0.9, 240), [ways["likely"].arrives_s, -spot.lead_s, 0.0])
    chosen, none, needed = ways["likely"].lambda_(time, [spot.lead_s, 0.0, least.best + 1e-4])
    every = np.array([chosen, *(ways[case].lambda_(time, spot.lead_s)[0] for case in CASES[1:])])
    rich, lean = every.min(axis=1), every.max(axis=1)
    return Lead(
        1e3 * time,
        chosen,
        every.min(axis=0),
        every.max(axis=0),
        none,
        needed,
        ways["likely"].nitrous(time) / spot.share,
        least,
        Band(float(rich.min()), float(rich[0]), float(rich.max()), least.because),
        Band(float(lean.min()), float(lean[0]), float(lean.max()), least.because),
    )


@dataclass(frozen=True, eq=False)
class Stops:
    """What a lean stop takes with the added fuel missing, and what is left to wash out without one.

    Attributes
    ----------
    rpm, lean : array
        Lowest, looked-at and highest speed, each once; lambda with the added fuel missing.
    budgets : list of Budget
        For each of them.
    at : float
        Speed of the two below [rpm].
    open_, lift : dict
        Parts of the wash-out with the throttle open, and after a lift.
    """

    rpm: np.ndarray
    lean: np.ndarray
    budgets: list[Budget]
    at: float
    open_: dict[str, Band]
    lift: dict[str, Band]


def stops(r: Any) -> Stops:
    """Compute them for a dose; not empty. What is looked at outside the dose stands for its nearest speed."""
    d = r.dosed
    at = float(np.clip(r.inputs.rpm, d.rpm[0], d.rpm[-1]))
    rpm = tuple(sorted({float(d.rpm[0]), at, float(d.rpm[-1])}))
    return _stops(r.sheet, rpm, tuple(np.interp(rpm, d.rpm, d.share).tolist()), at, d.full_flow)


@lru_cache(maxsize=32)
def _stops(sheet: BuildSheet, rpm: tuple, share: tuple, at: float, full: float) -> Stops:
    lean, budgets = zip(*(_stop(sheet, n, s, full) for n, s in zip(rpm, share, strict=True)), strict=True)
    here = share[rpm.index(at)]
    return Stops(
        np.array(rpm),
        np.array(lean),
        list(budgets),
        at,
        wash_out(sheet, at, "open", here),
        wash_out(sheet, at, "shut", here),
    )


@lru_cache(maxsize=64)
def _stop(sheet: BuildSheet, rpm: float, share: float, full: float) -> tuple[float, Budget]:
    lean = fuel_missing(sheet, rpm, share * full)
    return lean, stop_budget(sheet, rpm, lean, None, share)
