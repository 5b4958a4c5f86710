"""A forward simulation of a pull with a known truth: what the review is tested against, and where the demo logs come from.

It shares no code with the review's own model: charge, fuel and bottle come from the layers below, everything between is its own.
A car is drawn from one seed and a day from another, so that several logs may be of one car.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np

from ..build_sheet import BuildSheet
from .log import Log
from .sim_gas import Gas, gas_of, lagged
from .sim_motion import STEP_S, Kit, Motion, drive, kit_of
from .sim_scenario import SCENARIOS, Scenario, Truth, check_scenario, draw
from .sim_sensor import LOG_STEP_S, channels, exhaust_flow, misfires, scatter_of, sensed
from .sim_write import STYLES, write

__all__ = ["SCENARIOS", "STYLES", "Fine", "Scenario", "Simulated", "Truth", "simulate", "write"]

LEAN_STOP_DELAY_S = 0.1
"""So long beyond the limit before the stop acts."""
_TRIM_PERIOD_S, _TRIM_SIZE = 0.9, 0.02  # limit cycle at cruise, from memory
_TRIM_RATE, _TRIM_MOST = (
    1.2,
    0.12,
)  # of a correction at full throttle: 1 / s for each unit of 1 / lambda, and its end; from memory


@dataclass(frozen=True, eq=False)
class Fine:
    """All that is true, on a clock of 2 ms.

    Attributes
    ----------
    kit : Kit
    motion : Motion
    gas : Gas
    shown : array
        1 / lambda as the sensor gives it out, before noise and the gauge's range.
    trim : array
        The controller's own correction of its fuel.
    """

    kit: Kit
    motion: Motion
    gas: Gas
    shown: np.ndarray
    trim: np.ndarray


@dataclass(frozen=True, eq=False)
class Simulated:
    """A log, and the truth behind it."""

    log: Log
    truth: Truth
    fine: Fine
    scenario: Scenario


@functools.cache
def _demo(name: str) -> BuildSheet:
    return BuildSheet.demo(name)


def simulate(scenario: Scenario, seed: int, *, car: int | None = None) -> Simulated:
    """Drive a pull and log it.

    Parameters
    ----------
    scenario : Scenario
    seed : int
        Of the day: bottle, wheel spin, noise.
    car : int, optional
        Of the car: nozzle, injectors, air, sensor; `seed` if None.

    Returns
    -------
    Simulated
        The log has every channel at 100 Hz.

    Raises
    ------
    InputError
        For a scenario that cannot be driven.

    Notes
    -----
    The controller does what the tune sheet says; the lean stop acts on its own filtered reading.
    """
    check_scenario(scenario)
    sheet = scenario.sheet or _demo(scenario.car)
    kit = kit_of(sheet, scenario.nitrous, scenario.step)
    truth = draw(scenario, sheet, seed if car is None else car, seed)
    fine = _run(scenario, kit, truth, seed, None)
    stop = _lean_stop(sheet, fine) if scenario.lean_stop else None
    if stop is not None:
        fine = _run(scenario, kit, truth, seed, stop)
    rng = np.random.default_rng([19, seed])
    time, data = channels(kit, fine.motion, fine.gas, scenario, fine.trim, fine.shown, rng)
    log = Log(f"{sheet.car.name}, {scenario.name.replace('_', ' ')}", time, data, dict.fromkeys(data, 1 / LOG_STEP_S))
    truth = _derived(sheet, truth, fine, scenario, stop)
    return Simulated(log, truth, fine, scenario)


def _run(scenario: Scenario, kit: Kit, truth: Truth, seed: int, stop_at: float | None) -> Fine:
    """Drive, fill and read once; once more where the controller corrects itself at full throttle."""
    motion = drive(scenario, kit, np.random.default_rng([13, seed]), stop_at)
    rng = np.random.default_rng([17, seed])
    scatter, lost = scatter_of(motion, kit.setup.cylinders, rng), misfires(scenario, motion, rng)
    cruise = _cruise_trim(motion) if scenario.trim else np.zeros_like(motion.rpm)
    gas, shown = _read(scenario, kit, motion, truth, cruise, scatter, lost)
    if scenario.trim != "full":
        return Fine(kit, motion, gas, shown, cruise)
    trim = cruise + _full_trim(kit, motion, gas, shown, truth)
    return Fine(kit, motion, *_read(scenario, kit, motion, truth, trim, scatter, lost), trim)


def _read(scenario, kit, motion, truth, trim, scatter, lost) -> tuple[Gas, np.ndarray]:
    """Gas of every instant, and what the sensor makes of it."""
    gas = gas_of(scenario, kit, motion, truth, trim)
    seen = replace(gas, phi=gas.phi * (1 - lost)) if lost.any() else gas
    return gas, sensed(kit, motion, seen, truth, scenario, scatter)


def _cruise_trim(motion: Motion) -> np.ndarray:
    """Small limit cycle of a controller round lambda 1, before the pull and after it."""
    wave = 2 * np.abs(2 * ((motion.time_s / _TRIM_PERIOD_S) % 1) - 1) - 1
    return np.where((motion.throttle < 30) & ~motion.between("cut", "tail"), _TRIM_SIZE * wave, 0.0)


def _full_trim(kit: Kit, motion: Motion, gas: Gas, shown: np.ndarray, truth: Truth) -> np.ndarray:
    """Correction that follows the reading towards the target of the moment, by what the reading was without it."""
    engine, late = kit.sheet.engine, round((truth.sensor_tau_s + 0.04) / STEP_S)
    with_nitrous = gas.nitrous_fraction > 0.02
    wanted = 1 / np.where(with_nitrous, engine.lambda_with_nitrous, engine.lambda_without_nitrous)
    full = motion.between("full throttle", "lift") & (motion.time_s > motion.events["full throttle"] + 0.4)
    own = np.where(with_nitrous, 0.8, 1.0)  # share of the fuel that it acts on
    trim = [0.0] * len(shown)
    rows = zip(full.tolist(), wanted.tolist(), shown.tolist(), own.tolist(), strict=True)
    for k, (on, target, read, part) in enumerate(rows):
        if on:
            now = read * (1 + part * trim[k - late])
            trim[k] = min(max(trim[k - 1] + _TRIM_RATE * (target - now) * STEP_S, -_TRIM_MOST), _TRIM_MOST)
    return np.array(trim)


def _lean_stop(sheet: BuildSheet, fine: Fine) -> float | None:
    """When the controller's lean stop acts [s]; None if never."""
    motion = fine.motion
    if "valve" not in motion.events:
        return None
    lambda_ = lagged(1 / np.maximum(fine.shown, 0.3), sheet.controller.filter_ms / 1e3)
    on, off = motion.events["valve"] + 0.15, motion.events["shut"]
    over = (lambda_ > sheet.limits.lean_stop_lambda) & (motion.time_s > on) & (motion.time_s < off)
    wanted = round(LEAN_STOP_DELAY_S / STEP_S)
    run = np.convolve(over, np.ones(wanted), "full")[: len(over)] >= wanted - 0.5
    return float(motion.time_s[run.argmax()]) if run.any() else None


def _derived(sheet: BuildSheet, truth: Truth, fine: Fine, scenario: Scenario, stop: float | None) -> Truth:
    """Add to a truth what follows from it."""
    motion, gas, time = fine.motion, fine.gas, fine.motion.time_s
    events = dict(motion.events) | ({} if stop is None else {"lean stop": stop})
    middle = int(np.searchsorted(time, 0.5 * (events["full throttle"] + events["lift"])))
    volume = 1e-3 * sheet.value("engine.exhaust_volume_to_sensor_l") * truth.transport_factor
    rpm = float(motion.rpm[middle])
    transport = volume / float(exhaust_flow(fine.kit, motion, gas)[middle]) + scenario.through_cycles * 120 / rpm
    out = {
        "transport_s": transport,
        "delay_total_s": transport + truth.sensor_tau_s,
        "delay_rpm": rpm,
        "events": events,
    }
    inside = (gas.nitrous_fraction > 0.01) & (time < events["lift"]) & (motion.throttle > 50)
    if inside.any():
        lambda_ = cycle_mean(1 / np.maximum(gas.phi, 0.2), motion.rpm)
        k = int(np.argmax(np.where(inside, lambda_, 0.0)))
        over = inside & (lambda_ > sheet.limits.lean_stop_lambda)
        out |= {
            "excursion_lambda": float(lambda_[k]),
            "excursion_at_s": float(time[k]),
            "excursion_from_s": float(time[over][0]) if over.any() else np.nan,
            "excursion_to_s": float(time[over][-1]) if over.any() else np.nan,
            "excursion_cycles": float((motion.rpm[over] / 120).sum() * STEP_S),
            "nitrous_kg": float(gas.nitrous.valve.sum() * STEP_S),
        }
    return replace(truth, **out)


def cycle_mean(values: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """Mean over the engine cycle round each instant of the fine clock."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    place, half = np.arange(len(values)) + 0.5, 60 / rpm / STEP_S
    low, high = np.maximum(place - half, 0.0), np.minimum(place + half, len(values))
    ends = np.arange(len(values) + 1.0)
    return (np.interp(high, ends, total) - np.interp(low, ends, total)) / (high - low)
