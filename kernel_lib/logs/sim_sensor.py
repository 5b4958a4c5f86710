"""What the gauges of a simulated pull show: the wide-band through exhaust and lag, and every other channel with its noise."""

from __future__ import annotations

import functools

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from ..engine.setup import Setup
from ..thermo import species as sp
from ..thermo.wideband import shown_many
from .sim_gas import Gas, lagged
from .sim_motion import STEP_S, Kit, Motion
from .sim_scenario import Scenario, Truth

GAUGE_RANGE = (0.65, 1.50)
"""Lambda between which the gauge reads."""
EXHAUST_K, EXHAUST_SHUT_K = 1150.0, 800.0
"""Exhaust between valve and sensor at full and at shut throttle [K]; from memory."""
EXHAUST_MOLAR_MASS = 0.028
LOG_STEP_S = 0.01
WHITE, SCATTER = 0.004, 0.015
"""Noise of the reading [lambda], and of the mixture from one firing to the next."""

_WEIGHTS = (1.0, 1.6, 2.2, 2.8, 3.7)
_LAMBDAS = np.unique(
    np.concatenate([np.linspace(0.55, 0.95, 17), np.linspace(0.96, 1.04, 9), np.linspace(1.05, 1.6, 12)])
)
_FRACTIONS = np.linspace(0.0, 0.6, 25)


@functools.lru_cache(maxsize=4)
def _bias(setup: Setup) -> RegularGridInterpolator:
    """Lambda shown over true lambda; over hydrogen weight, lambda and nitrous fraction."""
    weight, lambda_, x = np.meshgrid(_WEIGHTS, _LAMBDAS, _FRACTIONS, indexing="ij")
    water = setup.air_water * (1 - x)
    shown = shown_many(setup.fuel, lambda_, x, water, weight)
    return RegularGridInterpolator((_WEIGHTS, _LAMBDAS, _FRACTIONS), shown / lambda_)


def shown_phi(setup: Setup, phi, nitrous_fraction, weight: float) -> np.ndarray:
    """1 / lambda as the sensor has it without any lag; beyond lambda 0.55 to 1.6 the bias of those ends."""
    phi = np.asarray(phi, float)
    lambda_ = np.clip(1 / np.maximum(phi, 0.1), _LAMBDAS[0], _LAMBDAS[-1])
    x = np.minimum(nitrous_fraction, _FRACTIONS[-1])
    points = np.column_stack([np.full(phi.shape, weight), lambda_, x])
    return phi / _bias(setup)(points)


def exhaust_flow(kit: Kit, motion: Motion, gas: Gas) -> np.ndarray:
    """Exhaust that passes on to the sensor [m3/s]."""
    setup = kit.setup
    rpm = np.clip(motion.rpm, setup.rpm_table[0], setup.rpm_table[-1])
    mass = gas.dry_air * sp.AIR_MOLAR_MASS * (1 + setup.air_water) + gas.nitrous_moles * sp.molar_mass("N2O") + gas.fuel
    load = np.clip(motion.pressure / setup.P_manifold, 0.0, 1.0)
    T = EXHAUST_SHUT_K + (EXHAUST_K - EXHAUST_SHUT_K) * load
    return (
        mass
        * setup.cycles_per_second(rpm)
        / EXHAUST_MOLAR_MASS
        * sp.R
        * T
        / (1e3 * kit.sheet.value("site.barometer_kpa"))
    )


def transported(volume: float, flow: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """When the exhaust at the sensor left the engine [s]: plug flow through a volume [m3]."""
    passed = np.concatenate([[0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1]) * STEP_S)])
    return np.interp(passed - volume, passed, time_s, left=time_s[0])


def sensed(kit: Kit, motion: Motion, gas: Gas, truth: Truth, scenario: Scenario, scatter=0.0) -> np.ndarray:
    """1 / lambda as the sensor gives it out on the fine clock, before clipping and noise.

    Parameters
    ----------
    scatter : array
        Of the mixture, relative.
    """
    time = motion.time_s
    there = shown_phi(kit.setup, gas.phi * (1 + scatter), gas.nitrous_fraction, truth.hydrogen_weight)
    volume = 1e-3 * kit.sheet.value("engine.exhaust_volume_to_sensor_l") * truth.transport_factor
    left = transported(volume, exhaust_flow(kit, motion, gas), time)
    left = left - scenario.through_cycles * 120 / motion.rpm
    return lagged(np.interp(left, time, there), truth.sensor_tau_s)


def scatter_of(motion: Motion, cylinders: int, rng: np.random.Generator) -> np.ndarray:
    """Relative scatter of the mixture from firing to firing."""
    firing = np.floor(np.cumsum(motion.rpm / 120 * cylinders * STEP_S)).astype(int)
    return SCATTER * rng.standard_normal(firing[-1] + 2)[firing]


def misfires(scenario: Scenario, motion: Motion, rng: np.random.Generator) -> np.ndarray:
    """Of 1 / lambda as the sensor sees it, what is lost to cycles that do not fire: their oxygen reads lean."""
    if not scenario.misfire_s:
        return np.zeros_like(motion.time_s)
    when = motion.between("misfire", "fires again")
    bursts = np.repeat(rng.uniform(0.35, 0.75, len(when) // 20 + 1), 20)[: len(when)]
    return np.where(when, bursts, 0.0)


def _slow(rng: np.random.Generator, time: np.ndarray, size: float) -> np.ndarray:
    """Drift over some seconds."""
    period, phase = rng.uniform(6.0, 15.0), rng.uniform(0, 2 * np.pi)
    return size * np.sin(2 * np.pi * time / period + phase)


def reading(shown: np.ndarray, time: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Lambda on the gauge: its range, drift and noise."""
    lambda_ = 1 / np.clip(shown, 1 / (GAUGE_RANGE[1] + 1), None)
    noisy = lambda_ + _slow(rng, time, 0.003) + WHITE * rng.standard_normal(len(time))
    return np.round(np.clip(noisy, *GAUGE_RANGE), 3)


def channels(kit: Kit, motion: Motion, gas: Gas, scenario: Scenario, trim: np.ndarray, shown: np.ndarray, rng) -> tuple:
    """Clock at 100 Hz and every channel of the log on it."""
    every = round(LOG_STEP_S / STEP_S)
    time = motion.time_s[::every]
    n, sheet, setup = len(time), kit.sheet, kit.setup
    at = {k: v[::every] for k, v in vars(motion).items() if isinstance(v, np.ndarray)}
    barometer, noise = 1e3 * sheet.value("site.barometer_kpa"), rng.standard_normal
    rail = gas.rail[::every]
    if sheet.fuel_system.rail_reference == "manifold":
        rail = rail + (at["pressure"] - barometer) / 1e3
    steady = sheet.engine.full_throttle.timing_deg_btdc
    known = np.interp(at["rpm"], setup.rpm_table, steady) + 14 * np.clip(1 - at["pressure"] / setup.P_manifold, 0, 1)
    retard = np.where(gas.hit[::every], np.interp(at["rpm"], kit.rpm, kit.retard_deg), 0.0) * scenario.retard
    data = {
        "rpm": np.round(at["rpm"] + 4 * noise(n)),
        "throttle_percent": np.round(np.clip(at["throttle"] + 0.15 * noise(n), 0, 100), 1),
        "lambda_": reading(shown[::every], time, rng),
        "timing_deg_btdc": np.round(known - retard, 1),
        "fuel_kpa": np.round(rail + _slow(rng, time, 1.0) + 1.5 * noise(n), 1),
        "injector_duty_percent": np.round(gas.duty[::every], 1),
        "injector_ms": np.round(gas.open_ms[::every], 2),
        "intake_c": np.round(sheet.site.air_temperature_c + _slow(rng, time, 0.4) + 0.1 * noise(n), 1),
        "coolant_c": np.round(88 + 0.12 * time + 0.1 * noise(n), 1),
        "knock": np.round(_knock(scenario, at["rpm"], gas.nitrous_fraction[::every], rng), 3),
        "manifold_kpa": np.round(at["pressure"] / 1e3 + 0.3 * noise(n), 1),
        "battery_v": np.round(13.9 + 0.04 * noise(n), 2),
        "gear": at["gear"],
        "speed_km_h": np.round(at["speed_km_h"] + 0.15 * noise(n), 1),
    }
    if scenario.trim:
        data["trim_percent"] = np.round(100 * trim[::every], 1)
    if sheet.nitrous.nozzle_diameter_mm is not None:
        on = motion.between("valve", "shut")[::every]
        bottle = (gas.nitrous.P[::every] - barometer) / 1e3
        data["nitrous_on"] = on.astype(float)
        data["bottle_kpa"] = np.round(bottle * (1 + 0.003 * np.clip(noise(), -1.5, 1.5)) + 6 * noise(n), 0)
        if kit.pulsed or not scenario.nitrous:
            data["nitrous_duty_percent"] = np.round(np.where(on, 100 * np.interp(at["rpm"], kit.rpm, kit.duty), 0.0), 1)
    return time, data


def _knock(scenario: Scenario, rpm: np.ndarray, nitrous: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Knock signal: a background that grows with speed, and bursts on nitrous where there is knock."""
    background = 0.25 + 0.11 * (rpm / 1000) ** 1.4
    signal = background * np.exp(0.08 * rng.standard_normal(len(rpm)))
    bursts = (rng.uniform(size=len(rpm)) < 0.12) & (nitrous > 0.05) & (rpm > 3200) & (rpm < 5200)
    return signal * np.where(bursts, 1 + scenario.knock * rng.uniform(1.5, 3.5, len(rpm)), 1.0)
