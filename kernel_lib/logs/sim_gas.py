"""What reaches the cylinders in a simulated pull: nitrous through valve, line and manifold; air; fuel by injectors, jet and wall film."""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import lfilter

from ..band import INJECTION_WAIT
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge
from ..engine.setup import Setup
from ..plan import fuel as pf
from ..plan.bottle_day import bottle_of
from ..plan.delivery import mixing_volume, valve
from ..plan.fuel_system import injector_flow
from ..plan.pulsing import Pulsing
from ..plan.room import added_fuel_key
from ..plan.stopping import line_s
from ..plan.supply import flow_law
from ..thermo import species as sp
from ..thermo.blowdown import Content, spray, warm
from ..units import k_from_c
from .sim_motion import HOLD_S, STEP_S, Kit, Motion
from .sim_scenario import Scenario, Truth

_M_NITROUS = sp.molar_mass("N2O")
_SEGMENT_S = 0.5  # of the pass: in each the bottle is drawn from evenly
_FASTEST_FILL_S = 0.02  # of a line: no valve fills it faster


def _recur(keep: np.ndarray, add: np.ndarray) -> np.ndarray:
    """Return m[0] = 0, m[k + 1] = keep[k] m[k] + add[k]."""
    pairs = zip(keep.tolist(), add.tolist(), strict=True)
    return np.array(list(itertools.accumulate(pairs, lambda m, p: p[0] * m + p[1], initial=0.0)))


def lagged(values: np.ndarray, tau_s: float) -> np.ndarray:
    """First-order lag on the fine clock, settled at its start."""
    if tau_s <= 0:
        return values
    left = np.exp(-STEP_S / tau_s)
    return lfilter([1 - left], [1, -left], values, zi=[left * values[0]])[0]


def delayed(time_s: np.ndarray, values: np.ndarray, by_s) -> np.ndarray:
    """Values of so long ago; before the start those of the start."""
    return np.interp(time_s - by_s, time_s, values)


def openings(kit: Kit, motion: Motion, truth: Truth) -> list[tuple[float, float]]:
    """From when to when the nitrous passes the valve [s]: commands, later by its opening and closing time.

    Told to open for less than its opening time it stays shut, told to close for less than its closing time it stays open.
    """
    if "valve" not in motion.events:
        return []
    on, off = motion.events["valve"], motion.events["shut"]
    commands = [(on, off)]
    if kit.pulsed:
        hz = valve(kit.sheet).pulse_hz
        starts = np.arange(on, off, 1 / hz)
        duty = np.interp(np.interp(starts, motion.time_s, motion.rpm), kit.rpm, kit.duty)
        commands = [(s, min(s + d / hz, off)) for s, d in zip(starts.tolist(), duty.tolist(), strict=True)]
    joined: list[tuple[float, float]] = []
    for start, end in commands:
        if joined and start - joined[-1][1] < truth.valve_close_s - 1e-9:
            joined[-1] = joined[-1][0], end
        else:
            joined.append((start, end))
    return [(a + truth.valve_open_s, b + truth.valve_close_s) for a, b in joined if b - a >= truth.valve_open_s]


def _passed(edges: np.ndarray, spans: list[tuple[float, float]]) -> np.ndarray:
    """Time for which the valve has passed nitrous by each edge [s]."""
    if not spans:
        return np.zeros_like(edges)
    points = np.array(spans).ravel()
    total = np.repeat(np.cumsum([b - a for a, b in spans]), 2)
    total[::2] -= [b - a for a, b in spans]
    return np.interp(edges, points, total)


@dataclass(frozen=True, eq=False)
class Nitrous:
    """Nitrous on its way, on the fine clock.

    Attributes
    ----------
    potential : array
        What the nozzle passes with the valve open [kg/s].
    valve, nozzle : array
        Through the valve and out of the nozzle [kg/s], means of a step.
    T, P : array
        Of the bottle [K], absolute [Pa].
    """

    potential: np.ndarray
    valve: np.ndarray
    nozzle: np.ndarray
    T: np.ndarray
    P: np.ndarray


def nitrous_flow(kit: Kit, motion: Motion, truth: Truth) -> Nitrous:
    """Follow nitrous from the bottle to the nozzle.

    Notes
    -----
    The line behind the valve fills in `line_fill` of the time that its volume of liquid takes at the full flow, in which the nozzle passes nothing, and has
    drained to 5 % after `line_drain` times that time. What fills it comes out in the end: mass is kept.
    """
    time, edges = motion.time_s, np.append(motion.time_s, motion.time_s[-1] + STEP_S)
    law, scale = flow_law(kit.sheet), truth.coefficient * kit.nozzle
    spans = openings(kit, motion, truth)
    open_s = _passed(edges, spans)
    start = Content(truth.T_bottle, truth.T_bottle, truth.fill_kg)
    if not spans:
        T, P = _standing(kit.sheet, start, time)
        none = np.zeros_like(time)
        return Nitrous(scale * _law_of(law, T, P), none, none, T, P)
    line = line_s(kit.sheet, 1.0)  # kg that the line holds
    full = scale * law(truth.T_bottle, _standing(kit.sheet, start, time[:1])[1][0])
    fill_s = max(truth.line_fill * line / full, _FASTEST_FILL_S)
    filling, after = np.minimum(open_s, fill_s), np.maximum(open_s - fill_s, 0.0)
    filled = np.diff(filling) / fill_s * line / STEP_S
    passing = np.diff(after) / STEP_S
    T, P = _drawn_from(kit.sheet, start, time, motion, (filled / full + passing), lambda T, P: scale * law(T, P))
    potential = scale * _law_of(law, T, P)
    held, since = float(filled.sum() * STEP_S), np.maximum(edges - spans[-1][1], 0.0)
    drained = -np.diff(_left_in_line(since * full / line, truth.line_drain)) * held / STEP_S
    return Nitrous(potential, filled + passing * potential, passing * potential + drained, T, P)


def _left_in_line(s: np.ndarray, drain: float) -> np.ndarray:
    """Share of a line's content that is left after s times its volume of liquid at the full flow; 5 % after `drain`.

    (1 - s / n)^n begins with the full flow and ends at n; 5 % is left at 0.95 for n = 1, at 3 for n without end. Beyond 3 a first-order lag.
    """
    if drain >= 2.996:
        return np.exp(-s * 2.996 / drain)
    powers = 1 / np.array([1.0, 1.5, 2.0, 3.0, 5.0, 10.0, 40.0, 400.0])
    power = float(np.interp(drain, (1 - 0.05**powers) / powers, powers))
    return np.maximum(1 - s * power, 0.0) ** (1 / power)


def _law_of(law, T: np.ndarray, P: np.ndarray) -> np.ndarray:
    """Flow law over arrays that change slowly."""
    at = np.unique(np.append(np.arange(0, len(T), 25), len(T) - 1))
    return np.interp(np.arange(len(T)), at, [law(float(T[k]), float(P[k])) for k in at])


def _standing(sheet: BuildSheet, start: Content, time: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Bottle that nobody draws from."""
    course = warm(bottle_of(sheet), start, 0.01, T_air=k_from_c(sheet.site.air_temperature_c))
    return np.full_like(time, start.T), np.full_like(time, course.P[0])


def _drawn_from(sheet: BuildSheet, start: Content, time, motion: Motion, share, flow) -> tuple[np.ndarray, np.ndarray]:
    """Temperature and pressure of the bottle: a blowdown at the mean flow of every half second, then at rest."""
    bottle, air = bottle_of(sheet), k_from_c(sheet.site.air_temperature_c)
    on, off = motion.events["valve"], motion.events["shut"] + 0.02
    edges = np.append(np.arange(on, off - 0.05, _SEGMENT_S), off)
    content, t, T, P = start, [], [], []
    for a, b in itertools.pairwise(edges):
        mean = float(share[(time >= a) & (time < b)].mean())
        run = spray(bottle, content, b - a, lambda T, P, m=mean: m * flow(T, P), T_air=air)
        content = run.content
        t, T, P = [*t, *(a + run.t)], [*T, *run.T], [*P, *run.P]
    rest = warm(bottle, content, max(time[-1] - off, 0.01), T_air=air)
    t, T, P = [*t, *(off + rest.t)], [*T, *rest.T], [*P, *rest.P]
    return np.interp(time, t, T), np.interp(time, t, P)


@functools.lru_cache(maxsize=64)
def _displacement(setup: Setup, wall: float, exponent: float) -> tuple[CubicSpline, CubicSpline]:
    """Moist air drawn in, and charge temperature [K], over nitrous; both moles over those of air without nitrous.

    The balance of `fresh_charge` holds only such ratios, so one look at one speed serves them all.
    """
    rpm, ratio = (
        float(setup.rpm_table[len(setup.rpm_table) // 2]),
        np.concatenate([np.linspace(0.0, 0.6, 49), np.linspace(0.65, 0.9, 6)]),
    )
    base = float(setup.air_moles(rpm))
    flow = ratio * base * _M_NITROUS * float(setup.cycles_per_second(rpm))
    charge = fresh_charge(setup, rpm, flow, wall_share=wall, exponent=exponent)
    return CubicSpline(ratio, (charge.dry_air + charge.water) / base), CubicSpline(ratio, charge.T)


@dataclass(frozen=True, eq=False)
class Gas:
    """What is in the cylinders at the time it is drawn in, on the fine clock.

    Attributes
    ----------
    nitrous : Nitrous
    drawn : array
        Nitrous drawn in by the whole engine [kg/s].
    dry_air, nitrous_moles, fuel : array
        Per cycle and cylinder [mol], [mol], [kg].
    phi : array
        1 / lambda, mean of the cylinders, no scatter.
    nitrous_fraction : array
    open_ms, duty : array
        Injectors [ms], injector duty [%].
    rail : array
        Pressure across the injectors [kPa].
    hit : array of bool
        Added fuel and retard commanded.
    cut : array of bool
        Fuel cut.
    """

    nitrous: Nitrous
    drawn: np.ndarray
    dry_air: np.ndarray
    nitrous_moles: np.ndarray
    fuel: np.ndarray
    phi: np.ndarray
    nitrous_fraction: np.ndarray
    open_ms: np.ndarray
    duty: np.ndarray
    rail: np.ndarray
    hit: np.ndarray
    cut: np.ndarray


def _mixed(inflow: np.ndarray, tau: np.ndarray) -> np.ndarray:
    """What is drawn from a well mixed manifold [kg/s], means of a step; mass is kept."""
    if not tau.any():
        return inflow
    keep = np.exp(-STEP_S / tau)
    held = _recur(keep, inflow * tau * (1 - keep))
    return inflow - np.diff(held) / STEP_S


def gas_of(scenario: Scenario, kit: Kit, motion: Motion, truth: Truth, trim: np.ndarray) -> Gas:
    """Compute air, nitrous and fuel of every instant.

    Parameters
    ----------
    scenario : Scenario
    kit : Kit
    motion : Motion
    truth : Truth
    trim : array
        The controller's own correction of its fuel, 0.02 is 2 % more.
    """
    setup = replace(kit.setup, T_bottle=truth.T_bottle)
    rpm = np.clip(motion.rpm, setup.rpm_table[0], setup.rpm_table[-1])
    load, per_second = motion.pressure / setup.P_manifold, setup.cycles_per_second(rpm)
    base = setup.air_moles(rpm) * truth.air(rpm)
    air_of, T_of = _displacement(setup, truth.wall_share, truth.density_exponent)
    flow = nitrous_flow(kit, motion, truth)
    volume = mixing_volume(kit.sheet)
    still = volume * setup.P_manifold / (base * per_second * sp.R * setup.T_air)
    drawn = _mixed(flow.nozzle, still)
    for _ in range(2):  # the charge is colder with nitrous and drawn more slowly
        ratio = np.clip(drawn / _M_NITROUS / per_second / (base * load), 0.0, 0.88)
        T = T_of(ratio)
        tau = still * (T / setup.T_air) ** (truth.density_exponent - 1)
        drawn = _mixed(flow.nozzle, tau)
    moles = drawn / _M_NITROUS / per_second
    ratio = np.clip(moles / (base * load), 0.0, 0.88)
    dry = (1 - setup.air_water) * base * load * air_of(ratio)
    injected, open_ms, duty, rail, hit, cut = injectors(scenario, kit, motion, truth, (rpm, dry, T_of(ratio)), trim)
    jet = _mixed(jet_fuel(scenario, kit, motion, truth), tau) / per_second
    fuel = injected + jet
    phi = fuel * setup.fuel.oxygen_demand / setup.fuel.molar_mass / (2 * sp.DRY_AIR["O2"] * dry + moles)
    return Gas(flow, drawn, dry, moles, fuel, phi, moles / (moles + dry), open_ms, duty, rail, hit, cut)


def added_fuel(kit: Kit, motion: Motion) -> np.ndarray:
    """Fuel that the plan adds at an instant's speed and commanded valve duty [kg/s]."""
    room, key = kit.tune.room, added_fuel_key(kit.sheet, "kg_h")
    if not kit.pulsed:
        peak = float(np.clip(kit.sheet.engine.peak_power_rpm, room.rpm[0], room.rpm[-1]))
        return np.full_like(motion.rpm, float(room.at(key, peak, kit.nozzle)) / 3600)
    pulsing = Pulsing.of(kit.sheet)
    share = pulsing.share(np.interp(motion.rpm, kit.rpm, kit.duty))
    return room.at(key, np.clip(motion.rpm, room.rpm[0], room.rpm[-1]), share) / 3600


def jet_fuel(scenario: Scenario, kit: Kit, motion: Motion, truth: Truth) -> np.ndarray:
    """Fuel out of the jet of a wet system [kg/s]; what fills its line at first does not come out."""
    if kit.tune is None or kit.sheet.nitrous.system == "dry" or "fuel" not in motion.events:
        return np.zeros_like(motion.rpm)
    nitrous, flow = kit.sheet.nitrous, added_fuel(kit, motion) * scenario.added_fuel * truth.jet_scale
    opening = (nitrous.nitrous_valve_close_ms + nitrous.fuel_valve_lag_ms) / 1e3
    fill = 0.5 * 1e-6 * nitrous.fuel_valve_to_jet_ml * kit.setup.fuel.density / float(flow[0])
    on, off = motion.events["fuel"] + opening + fill, motion.events["shut"] + nitrous.nitrous_valve_close_ms / 1e3
    return np.where((motion.time_s >= on) & (motion.time_s < off), flow, 0.0)


def injectors(scenario: Scenario, kit: Kit, motion: Motion, truth: Truth, charge: tuple, trim: np.ndarray) -> tuple:
    """Fuel that injectors bring into a cylinder [kg per cycle], open time [ms], injector duty [%], pressure across [kPa], hit, cut."""
    sheet, setup, (rpm, dry, T) = kit.sheet, kit.setup, charge
    control, system, time = sheet.controller, sheet.fuel_system, motion.time_s
    per_second, ahead = setup.cycles_per_second(rpm), INJECTION_WAIT.best * 120 / rpm
    load = np.interp(time + ahead, time, motion.pressure) / setup.P_manifold  # as controllers do for a moved throttle
    seen = setup.air_moles(rpm) * (1 - setup.air_water) * load
    if control.metering == "mass-air":
        seen = np.interp(time + ahead, time, dry) * truth.meter_scale
    elif control.intake_sensor == "in cooled stream":
        seen = seen * setup.T_air / T
    own = seen * _fuel_per_air(kit) * _richness(sheet, load) * scenario.own_fuel * (1 + trim)
    off_by = (truth.meter_scale if control.metering == "mass-air" else 1 / truth.air(rpm)) * truth.injector_scale
    own = own * (1 + scenario.tuned * (1 / off_by - 1))
    cut = motion.between("cut", "tail")
    hit = np.zeros(len(time), bool)
    added = np.zeros_like(rpm)
    if kit.tune is not None and "fuel" in motion.events:
        held = motion.events["shut"] + HOLD_S
        hit = (time >= motion.events["fuel"]) & (time < held)
        if sheet.nitrous.system == "dry":
            give = hit & ((motion.throttle >= 20) | (time < motion.events["shut"]))
            added = np.where(give, added_fuel(kit, motion) * scenario.added_fuel, 0.0) / per_second
    own = np.where(cut, 0.0, own)
    each = injector_flow(sheet, setup) * system.injectors / setup.cylinders
    weak = scenario.rail_sag * np.maximum((own + added) / each * rpm / 120 - 0.4, 0.0)
    push = np.maximum(1 - lagged(weak, 0.08), 0.26)
    dead, cycle = system.injector_dead_time_ms, 120e3 / rpm
    asked = (own + added) / each / np.sqrt(push) * 1e3
    open_ms = np.where(asked > 0, np.minimum(asked + dead, cycle), 0.0)
    given = np.maximum(open_ms - dead, 0.0) * 1e-3 * each * np.sqrt(push) * truth.injector_scale
    part = np.divide(added, own + added, out=np.zeros_like(own), where=(own + added) > 0)
    drawn = [_by_wall(motion, rpm, truth, given * p, s) for p, s in ((1 - part, 0.25), (part, 1.0))]
    return drawn[0] + drawn[1], open_ms, open_ms / cycle * 100, push * system.rail_pressure_kpa, hit, cut


def _by_wall(motion: Motion, rpm: np.ndarray, truth: Truth, given: np.ndarray, uncompensated: float) -> np.ndarray:
    """Fuel as it is drawn in: the wait for the injection, then a share by way of the port's wall."""
    waited = delayed(motion.time_s, given, truth.injection_wait * 120 / rpm)
    film = truth.film_share * uncompensated
    return (1 - film) * waited + film * lagged(waited, truth.film_time_s)


@functools.lru_cache(maxsize=16)
def _fuel_per_air(kit: Kit) -> float:
    """Fuel that the controller gives for a mole of dry air at full throttle [kg]."""
    engine, rpm = kit.sheet.engine, float(kit.rpm[len(kit.rpm) // 2])
    air = fresh_charge(kit.setup, rpm, 0.0)
    fuel = pf.fuel_supplied(kit.setup, air, rpm, engine.lambda_without_nitrous, "mass-air", "before nitrous")
    return float(fuel / air.dry_air)


def _richness(sheet: BuildSheet, load: np.ndarray) -> np.ndarray:
    """Fuel over that for the full-throttle lambda: lambda 1 up to 80 % of the full pressure, blended from there to 92 %."""
    return sheet.engine.lambda_without_nitrous + (1 - sheet.engine.lambda_without_nitrous) * np.clip(
        (load - 0.8) / 0.12, 0.0, 1.0
    )
