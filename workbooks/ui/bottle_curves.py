"""Curves of the bottle page: boiling line, closed bottle, and the two ways to raise a gauge."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from kernel_lib import InputError, units
from kernel_lib.thermo.fluid import T_CRITICAL, T_LAST, table
from kernel_lib.thermo.nitrous import mass_flux
from kernel_lib.thermo.vessel import vessel_state

from .bottle_model import T_SPAN

PUSH = 200 * units.pa_from_psi(1.0)
_WARMEST = 308.15  # K; nearer the critical point no shop goes


@dataclass(frozen=True)
class GaugeCurves:
    """Flow over gauge pressure, as shares of the flow now [%]: by warming and by a push of gas, for the models."""

    warm_T: np.ndarray
    warm_P: np.ndarray
    warm: dict[str, np.ndarray]
    push_P: np.ndarray
    push: dict[str, np.ndarray]
    rule_P: np.ndarray
    rule: np.ndarray
    P_now: float


@lru_cache(maxsize=64)
def gauge_curves(T: float, P_down: float, barometer: float) -> GaugeCurves:
    """Compute both ways to raise the gauge, from the saturated bottle at a temperature."""
    temperatures = np.append(np.linspace(268.15, T_LAST - 0.05, 34), T)
    temperatures.sort()
    push = np.linspace(0.0, 1.5 * PUSH, 10)
    line, now = table().at_T(temperatures, "P")[0], float(table().at_T(T, "P")[0])
    warm, pushed = {}, {}
    for model in ("HEM", "NHNE", "SPI"):
        base = float(mass_flux(T, P_down, model=model))
        warm[model] = 100 * mass_flux(temperatures, P_down, model=model) / base
        pushed[model] = 100 * mass_flux(T, P_down, model=model, P_up=now + push) / base
    rule_P = np.linspace(line[0], line[-1], 30)
    return GaugeCurves(
        temperatures,
        line - barometer,
        warm,
        now + push - barometer,
        pushed,
        rule_P - barometer,
        100 * np.sqrt((rule_P - P_down) / (now - P_down)),
        now - barometer,
    )


def step(curves: GaugeCurves) -> tuple[tuple[float, float], dict[str, tuple[float, float]]]:
    """What one step of `PUSH` does to the flow.

    Returns
    -------
    tuple
        The two temperatures between which warming makes that step [K], from now on, or up to 35 C where there is less room;
        and a model -> change of flow (by warming, by gas) [%].
    """
    low = min(curves.P_now, float(np.interp(_WARMEST, curves.warm_T, curves.warm_P)) - PUSH)
    ends, out = (low, low + PUSH), {}
    for model, line in curves.warm.items():
        a, b = np.interp(ends, curves.warm_P, line)
        out[model] = (100 * (b / a - 1), float(np.interp(curves.P_now + PUSH, curves.push_P, curves.push[model])) - 100)
    return tuple(float(v) for v in np.interp(ends, curves.warm_P, curves.warm_T)), out


@lru_cache(maxsize=32)
def closed_bottle(mass: float, volume: float) -> tuple[np.ndarray, np.ndarray]:
    """Temperature [K] and pressure [Pa] of a closed bottle, as far as 200 bar."""
    T = np.linspace(units.k_from_c(T_SPAN[0]), units.k_from_c(T_SPAN[1]), 76)
    points = []
    for t in T:
        try:
            points.append((t, vessel_state(float(t), mass, volume).P))
        except InputError:
            break  # beyond the equation of state
    found = np.array([point for point in points if point[1] < 2e7])
    return found[:, 0], found[:, 1]


def saturation_line() -> tuple[np.ndarray, np.ndarray]:
    """Temperature [K] and pressure [Pa] up to the critical point."""
    T = np.append(np.linspace(units.k_from_c(T_SPAN[0]), T_LAST, 60), T_CRITICAL - 0.011)
    return T, table().at_T(T, "P")[0]
