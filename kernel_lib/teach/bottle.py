"""What the lesson shows of the bottle: flow over its gauge, and why it is held in a window."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from ..band import Band
from ..build_sheet import BuildSheet
from ..doubts import overfilled
from ..engine.setup import Setup
from ..errors import InputError, check_array, check_number
from ..plan import bottle_day as bd
from ..plan import fuel as pf
from ..plan.plan import full_flow
from ..thermo.fluid import P_CRITICAL, T_LAST, saturation_temperature, table
from ..thermo.nitrous import DEFAULT, MODELS, mass_flux
from ..thermo.vessel import (
    LIQUID_FULL,
    TWO_PHASES,
    bottle_volume,
    liquid_full_temperature,
    vessel_state,
)

BASE_T = 298.15
"""Bottle from which flow and gauge are counted [K], 25 C."""
GAUGE = (0.6, 1.25)
"""How far the gauge goes, as a share of that at `BASE_T`: about 4 to 35 C."""
COLD_T = 278.15
"""A bottle on a cold morning [K], 5 C."""
STEP_P = 350e3
"""A gauge off its mark by as much as an eye lets pass [Pa]; 50 psi, our own choice."""


@dataclass(frozen=True, eq=False)
class GaugeFlow:
    """Flow of saturated liquid through one nozzle over the bottle's gauge, everything relative to `BASE_T`.

    Attributes
    ----------
    gauge : array
        Pressure over the barometer, as a share of that at `BASE_T`.
    P : array
        The same [Pa gauge].
    T : array
        Of the bottle [K].
    flows : dict
        Model -> flow, as a share.
    density : array
        Of the liquid, as a share.
    rule : array
        Flow by the square root of pressure.
    pushed : dict
        Model -> flow where a gas pushes on liquid that stays at `BASE_T`; not a number below the base, where nothing pushes.
    """

    gauge: np.ndarray
    P: np.ndarray
    T: np.ndarray
    flows: dict[str, np.ndarray]
    density: np.ndarray
    rule: np.ndarray
    pushed: dict[str, np.ndarray]

    @property
    def likely(self) -> np.ndarray:
        """By the model that is planned with."""
        return self.flows[DEFAULT]

    @property
    def low(self) -> np.ndarray:
        """Least of the models."""
        return np.min(list(self.flows.values()), axis=0)

    @property
    def high(self) -> np.ndarray:
        """Most of the models."""
        return np.max(list(self.flows.values()), axis=0)


def gauge_flow(sheet: BuildSheet, gauge) -> GaugeFlow:
    """Flow at gauge pressures.

    Parameters
    ----------
    sheet : BuildSheet
        Its barometer and manifold; the nozzle cancels.
    gauge : array
        Pressure over the barometer, as a share of that at `BASE_T`, 0.3 to 1.27.

    Raises
    ------
    InputError

    Notes
    -----
    Saturated liquid at the nozzle, no loss before it. All three models are taken from the same flow at `BASE_T`, as after a weigh-in there. A model result: no
    measurement of a car's nozzle over bottle temperature was found.
    """
    gauge = check_array("gauge", gauge, 0.3, 1.27, "", "Between a frozen bottle and the critical point.")
    return _gauge_flow(1e3 * sheet.value("site.barometer_kpa"), Setup.of(sheet).P_manifold, tuple(np.ravel(gauge)))


@functools.lru_cache(maxsize=128)
def _gauge_flow(barometer: float, P_down: float, gauge: tuple[float, ...]) -> GaugeFlow:
    base, base_density = (float(v) for v in table().at_T(BASE_T, "P", "rho_l"))
    share = np.array(gauge)
    P = share * (base - barometer)
    T = np.minimum(np.atleast_1d(saturation_temperature(P + barometer)), T_LAST - 0.01)
    over = share >= 1
    flows, pushed = {}, {}
    for model in MODELS:
        there = float(mass_flux(BASE_T, P_down, model=model))
        flows[model] = mass_flux(T, P_down, model=model) / there
        pushed[model] = np.full(len(share), np.nan)
        if over.any():
            up = np.maximum(P[over] + barometer, base)
            pushed[model][over] = mass_flux(np.full(over.sum(), BASE_T), P_down, model=model, P_up=up) / there
    density = table().at_T(T, "rho_l")[0] / base_density
    rule = np.sqrt((P + barometer - P_down) / (base - P_down))
    return GaugeFlow(share, P, T, flows, density, rule, pushed)


def turns(heights, least: float) -> int:
    """How often a line goes from up to down or from down to up, swings up to `least` not counted.

    Parameters
    ----------
    heights : sequence of float
    least : float
        In the unit of `heights`.
    """
    count, way, top, bottom = 0, 0, heights[0], heights[0]
    for height in heights[1:]:
        top, bottom = max(top, height), min(bottom, height)
        now = 1 if height - bottom > least else -1 if top - height > least else 0
        if now and now == -way:
            count += 1
        if now:  # from here on the next swing is measured
            way, top, bottom = now, height, height
    return count


def warming(sheet: BuildSheet, T_from: float, T_to: float) -> tuple[float, Band, float, float]:
    """What warming a bottle with liquid and vapour in it does.

    Parameters
    ----------
    sheet : BuildSheet
    T_from, T_to : float
        [K], below the critical point.

    Returns
    -------
    float
        Rise of the pressure [Pa].
    Band
        Flow after over flow before; low and high over the models.
    float
        The same by the square root of pressure.
    float
        Density of the liquid after over before.

    Raises
    ------
    InputError
    """
    P_down = Setup.of(sheet).P_manifold
    T = np.array(
        [check_number("temperature", v, 233.15, T_LAST, "K", "There is liquid up to there.") for v in (T_from, T_to)]
    )
    P, density = table().at_T(T, "P", "rho_l")
    found = {m: mass_flux(T, P_down, model=m) for m in MODELS}
    ratio = {m: float(v[1] / v[0]) for m, v in found.items()}
    band = Band(min(ratio.values()), ratio[DEFAULT], max(ratio.values()), "three models of the flow of boiling liquid")
    return float(P[1] - P[0]), band, float(np.sqrt((P[1] - P_down) / (P[0] - P_down))), float(density[1] / density[0])


@functools.lru_cache(maxsize=256)
def lambda_fuelled_for(sheet: BuildSheet, rpm: float, fuelled: float, flow: float) -> float:
    """Lambda where fuel was set for `fuelled` times the planned nitrous and `flow` times comes; 1 and 1 is the target.

    Raises
    ------
    InputError
    """
    full = full_flow(sheet)
    at = np.array([float(rpm)])
    return float(pf.lambda_at_flow(sheet, Setup.of(sheet), at, np.array([fuelled * full]), np.array([flow * full]))[0])


@dataclass(frozen=True)
class Window:
    """A bottle and the window in which it is held; pressures are gauge [Pa], temperatures [K].

    Attributes
    ----------
    low, high, low_T, high_T : float
        Ends of the window, and where saturated nitrous stands at them.
    mass, rated : float
        Nitrous in the bottle, and its rated fill [kg].
    full_T : float or None
        Where this bottle has no vapour left; None if that never comes.
    rated_full_T : float
        The same of a bottle at its rated fill.
    climb : float or None
        How many times as fast the gauge climbs from there on; None where it never comes.
    sun : float or None
        Gauge in the sun (`bottle_day.T_SUN`); None where the equation of state ends.
    valve : float or None
        Pressure against which the valve still opens, if the sheet states it.
    fall : float or None
        What one pass takes off the gauge in mid-window; None where the bottle does not hold it, or holds more than it may.
    cold_step, window_step : Band
        What `STEP_P` more on the gauge does to the flow, from a cold bottle and from the middle of the window; shares, over the models.
    """

    low: float
    high: float
    low_T: float
    high_T: float
    mass: float
    rated: float
    full_T: float | None
    rated_full_T: float
    climb: float | None
    sun: float | None
    valve: float | None
    fall: float | None
    cold_step: Band
    window_step: Band


@functools.lru_cache(maxsize=32)
def window(sheet: BuildSheet) -> Window:
    """Look at a sheet's bottle and window.

    Raises
    ------
    InputError
    """
    nitrous, barometer = sheet.nitrous, 1e3 * sheet.value("site.barometer_kpa")
    low, high = 1e3 * nitrous.window_low_kpa, 1e3 * nitrous.window_high_kpa
    low_T, high_T = (float(saturation_temperature(min(P + barometer, 0.999 * P_CRITICAL))) for P in (low, high))
    middle_T = float(saturation_temperature(min((low + high) / 2 + barometer, 0.99 * P_CRITICAL)))
    mass, rated = sheet.value("nitrous.bottle_fill_kg"), nitrous.bottle_rated_fill_kg
    full_T, volume = bd.full_temperature(sheet), bottle_volume(rated)
    valve = nitrous.valve_opens_against_kpa
    return Window(
        low,
        high,
        low_T,
        high_T,
        mass,
        rated,
        full_T,
        liquid_full_temperature(rated, volume),
        climb(mass, volume),
        _sun(mass, volume, barometer),
        None if valve is None else 1e3 * valve,
        _fall(sheet, middle_T),
        _step(sheet, COLD_T),
        _step(sheet, middle_T),
    )


def _step(sheet: BuildSheet, T: float) -> Band:
    """Change of the flow with `STEP_P` more on the gauge, half of it to either side."""
    P = float(table().at_T(T, "P")[0])
    ends = (float(saturation_temperature(min(P + d * STEP_P / 2, 0.995 * P_CRITICAL))) for d in (-1, 1))
    band = warming(sheet, *ends)[1]
    return Band(band.low - 1, band.best - 1, band.high - 1, band.because)


def _fall(sheet: BuildSheet, T: float) -> float | None:
    """What a pass takes off the gauge of a bottle at a temperature [Pa]."""
    if overfilled(sheet):
        return None
    seconds = sheet.nitrous.pass_s
    try:
        colder = T - bd.temperature_fall(sheet, T, full_flow(sheet) * seconds, seconds)
    except InputError:
        return None
    return float(table().at_T(T, "P")[0] - table().at_T(max(colder, 200.0), "P")[0])


def _sun(mass: float, volume: float, barometer: float) -> float | None:
    try:
        return vessel_state(bd.T_SUN, mass, volume).P - barometer
    except InputError:
        return None


def climb(mass: float, volume: float) -> float | None:
    """How many times as fast a bottle's pressure climbs with temperature once it is full of liquid; None where it never is.

    Parameters
    ----------
    mass, volume : float
        Of the nitrous [kg], of the space [m3].

    Raises
    ------
    InputError

    Notes
    -----
    One kelvin below and one above the temperature from which no vapour is left.
    """
    T = liquid_full_temperature(mass, volume)
    if T is None or not 210.0 < T < T_LAST - 1.5:
        return None
    P = [vessel_state(T + d, mass, volume).P for d in (-1.0, 0.0, 1.0)]
    return (P[2] - P[1]) / (P[1] - P[0])


@dataclass(frozen=True)
class Filled:
    """A bottle at another fill: where it is full of liquid, how steep then, what it holds in mid-window, gauge there and in the sun (None: out of reach)."""

    mass: float
    full_T: float | None
    climb: float | None
    liquid: bool
    at_high: float | None
    sun: float | None


@functools.lru_cache(maxsize=256)
def filled(sheet: BuildSheet, share: float) -> Filled:
    """Look at the sheet's bottle with `share` of its rated fill in it, 0.05 to 1.25.

    Raises
    ------
    InputError

    Notes
    -----
    `liquid` and `at_high` (gauge [Pa]) are those of the temperature at which saturated nitrous stands at the window's high end.
    """
    share = check_number("share", share, 0.05, 1.25, "", "Of the rated fill.")
    barometer, own = 1e3 * sheet.value("site.barometer_kpa"), window(sheet)
    mass, volume = share * own.rated, bottle_volume(own.rated)
    try:
        state = vessel_state(own.high_T, mass, volume)
        liquid, at_high = state.regime in (TWO_PHASES, LIQUID_FULL), state.P - barometer
    except InputError:
        liquid, at_high = True, None
    return Filled(
        mass, liquid_full_temperature(mass, volume), climb(mass, volume), liquid, at_high, _sun(mass, volume, barometer)
    )
