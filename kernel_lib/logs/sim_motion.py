"""The driver, the car and the controller's commands in a simulated pull."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from ..build_sheet import BuildSheet
from ..engine.setup import Setup
from ..errors import InputError
from ..plan.pulsing import Pulsing
from ..plan.tune import Tune, tune_of
from ..units import w_from_hp
from .sim_scenario import Scenario

STEP_S = 0.002
"""Step of what is computed [s]."""
MOTION_S = 0.004
"""Step of driver and car [s]."""
HOLD_S = 1.3
"""Retard and added fuel stay so long after the valve shuts, as the plan proposes for a lift [s]."""
CRUISE_RPM = 2200.0
COAST_PA = 28e3
_GEARS = (3.40, 2.10, 1.45, 1.08, 0.86)  # invented
_KMH_PER_RPM = 60 * 1.95 / 1000 / 3.9  # rolling circumference 1.95 m, final drive 3.9, invented


@dataclass(frozen=True, eq=False)
class Kit:
    """What the tune sheet puts into a car at a step of the ladder, over engine speed.

    Attributes
    ----------
    sheet : BuildSheet
    setup : Setup
    tune : Tune or None
        None without nitrous.
    rpm : array
        Every 10 rpm of the full-throttle table.
    duty, share : array
        Commanded valve duty and mean share of the full flow.
    retard_deg : array
    torque : array
        Without nitrous, over its mean.
    gain : array
        Torque with the full flow over that without.
    nozzle : float
        Flow of the fitted nozzle over the sheet's: a step of a valve that is not pulsed takes a nozzle of its own.
    """

    sheet: BuildSheet
    setup: Setup
    tune: Tune | None
    rpm: np.ndarray
    duty: np.ndarray
    share: np.ndarray
    retard_deg: np.ndarray
    torque: np.ndarray
    gain: np.ndarray
    nozzle: float

    @property
    def pulsed(self) -> bool:
        """Whether the valve is pulsed."""
        return self.tune is not None and self.tune.pulsed


@functools.lru_cache(maxsize=16)
def kit_of(sheet: BuildSheet, nitrous: bool, step: float) -> Kit:
    """Read the tune of a sheet at a step of the ladder; `tune_of` takes seconds the first time."""
    setup = Setup.of(sheet)
    rpm = np.arange(setup.rpm_table[0], setup.rpm_table[-1] + 1, 10.0)
    torque = np.interp(rpm, setup.rpm_table, setup.efficiency_table)
    zero = np.zeros_like(rpm)
    kit = Kit(sheet, setup, None, rpm, zero, zero, zero, torque / torque.mean(), zero, 1.0)
    if not nitrous:
        return kit
    tune = tune_of(sheet)
    found = [s for s in tune.ladder.steps if abs(s.share - step) < 1e-6]
    if not found:
        steps = ", ".join(f"{s.share:g}" for s in tune.ladder.steps)
        raise InputError("step", step, "of the plan", steps, "The ladder of this car has these steps.")
    held = np.clip(rpm, tune.room.rpm[0], tune.room.rpm[-1])
    share = tune.share_at(held)
    if tune.pulsed:
        pulsing = Pulsing.of(sheet)
        wanted = share if step == 1 else pulsing.floor(step * share)
        duty, nozzle = pulsing.duty(wanted), 1.0
        share = pulsing.share(duty)
    else:
        duty, nozzle, share = np.where(share > 0, 1.0, 0.0), step, step * share
    retard = np.interp(rpm, found[0].rpm, np.nan_to_num(found[0].retard_deg))
    own = np.interp(rpm, tune.table["rpm"], w_from_hp(tune.table["power_own_hp"].to_numpy()))
    gain = 0.9 * w_from_hp(sheet.nitrous.shot_hp) / own
    return Kit(sheet, setup, tune, rpm, duty, share, retard, kit.torque, gain, nozzle)


@dataclass(frozen=True, eq=False)
class Motion:
    """A pull on a clock of `STEP_S`.

    Attributes
    ----------
    time_s, rpm, throttle, pressure, gear, speed_km_h : array
        [s], [rpm], [%], manifold [Pa absolute], number, [km/h].
    rising : array
        Engine speed without the flare of wheel spin [rpm].
    events : dict of str to float
        When [s]: full throttle, fuel (added fuel commanded), valve, shut, lift, shift, spin, cut, tail; those that happened.
    """

    time_s: np.ndarray
    rpm: np.ndarray
    throttle: np.ndarray
    pressure: np.ndarray
    gear: np.ndarray
    speed_km_h: np.ndarray
    rising: np.ndarray
    events: dict[str, float]

    def between(self, first: str, last: str) -> np.ndarray:
        """Whether a time lies from one event to another; nowhere if the first did not happen."""
        start = self.events.get(first, np.inf)
        return (self.time_s >= start - 1e-9) & (self.time_s < self.events.get(last, np.inf) - 1e-9)


def throttle_pressure(kit: Kit, throttle: float) -> float:
    """Manifold pressure that a throttle lets stand [Pa]; invented, right at its ends."""
    part = (1 - np.exp(-throttle / 30)) / (1 - np.exp(-100 / 30))
    return COAST_PA + (kit.setup.P_manifold - COAST_PA) * part


class _Driver:
    """One pull, step by step: state of driver, car and the controller's nitrous logic."""

    def __init__(self, scenario: Scenario, kit: Kit, rng: np.random.Generator, stop_at: float | None) -> None:
        self.sc, self.kit, self.stop_at = scenario, kit, stop_at
        nitrous = kit.sheet.nitrous
        lead = nitrous.fuel_lead_ms if scenario.fuel_lead_ms is None else scenario.fuel_lead_ms
        self.lead, self.window = lead / 1e3, (nitrous.spray_rpm_min, nitrous.spray_rpm_max)
        self.mode, self.rpm, self.throttle, self.pressure = "cruise", CRUISE_RPM, 9.0, throttle_pressure(kit, 9.0)
        self.gear, self.inside, self.armed = 3, 0.0, None
        self.rise = scenario.rise_rpm_s * rng.uniform(0.95, 1.05)  # wind and road
        self.events: dict[str, float] = {}
        self.torque, self.gain, self.share = kit.torque.tolist(), kit.gain.tolist(), kit.share.tolist()
        self.full, self.low_rpm = kit.setup.P_manifold, float(kit.rpm[0])
        self.cruise_pressure = self.pressure
        flare, where, size = rng.uniform(), rng.uniform(2750.0, 3700.0), rng.uniform(110.0, 280.0)
        self.flare = (where, size) if flare < scenario.spin else (np.inf, 0.0)
        self.pressures = [throttle_pressure(kit, v) for v in np.arange(101.0)]

    def turn(self, t: float) -> None:
        """Let the driver decide."""
        sc, events = self.sc, self.events
        if self.mode == "cruise" and t >= sc.cruise_s:
            self.mode = "full"
        elif self.mode == "full":
            valve = events.get("valve")
            over = sc.lift_after_s is not None and valve is not None and t >= valve + sc.lift_after_s
            stopped = self.stop_at is not None and t >= self.stop_at + 0.5
            if self.rpm >= sc.lift_rpm or over or stopped:
                self.mode, events["lift"] = "coast", t
            elif sc.shift_rpm and "shift" not in events and self.rpm >= sc.shift_rpm:
                self.mode, events["shift"], self.from_rpm = "shift", t, self.rpm
        elif self.mode == "shift" and t >= events["shift"] + 0.25:
            ratio = _GEARS[self.gear] / _GEARS[self.gear - 1]
            self.mode, self.rise, self.gear = "full", self.rise * ratio, self.gear + 1
        elif self.mode == "coast" and t >= events["lift"] + sc.coast_s:
            self.mode, events["tail"] = "tail", t
        wanted = {"cruise": 9.0, "full": 100.0, "shift": 3.0, "coast": 0.0, "tail": 9.0}[self.mode]
        most = MOTION_S * (500.0 if wanted > self.throttle else 800.0)
        self.throttle += min(max(wanted - self.throttle, -most), most)
        if self.throttle >= 99.9 and "full throttle" not in events:
            events["full throttle"] = t
        if self.mode == "coast" and self.throttle < 5 and "cut" not in events:
            events["cut"] = t

    def control(self, t: float, rpm: float) -> None:
        """Let the controller open and shut the valve, once."""
        events = self.events
        if not self.sc.nitrous or "shut" in events:
            return
        open_enough = self.throttle >= self.kit.sheet.nitrous.throttle_min_percent
        if not self.sc.throttle_guard and self.armed is not None and self.mode in ("shift", "full"):
            open_enough = True
        may = open_enough and self.window[0] <= rpm <= self.window[1]
        may = may and (self.stop_at is None or t < self.stop_at)
        if self.armed is None and may:
            self.armed = t
        if self.armed is None:
            return
        if not may:
            events["shut"] = t
            return
        for name, after in (("fuel", max(-self.lead, 0.0)), ("valve", max(self.lead, 0.0))):
            if name not in events and t >= self.armed + after - 1e-9:
                events[name] = t

    def move(self, t: float, firing: float) -> None:
        """Move engine and manifold on by a step."""
        k = min(max(int((self.rpm - self.low_rpm) / 10), 0), len(self.torque) - 1)
        spraying = "valve" in self.events and "shut" not in self.events
        self.inside += ((self.share[k] if spraying else 0.0) - self.inside) * MOTION_S / 0.15
        low, full = self.pressures[int(self.throttle)], self.pressures[min(int(self.throttle) + 1, 100)]
        stands = low + (full - low) * (self.throttle % 1)
        self.pressure += (stands - self.pressure) * MOTION_S / 0.06
        load = (self.pressure - self.cruise_pressure) / (self.full - self.cruise_pressure)
        if self.mode == "shift":
            ratio = _GEARS[self.gear] / _GEARS[self.gear - 1]
            self.rpm -= self.from_rpm * (1 - ratio) * MOTION_S / 0.25
        elif self.mode in ("cruise", "tail"):
            wander = 5 * np.sin(2.6 * t) if self.mode == "cruise" else -0.4 * self.sc.rise_rpm_s
            self.rpm += MOTION_S * wander
        elif load >= 0:
            self.rpm += MOTION_S * self.rise * load * self.torque[k] * (1 + self.gain[k] * self.inside) * firing
        else:
            self.rpm -= MOTION_S * self.sc.rise_rpm_s
        self.rpm = max(self.rpm, self.low_rpm + 50)


def drive(scenario: Scenario, kit: Kit, rng: np.random.Generator, stop_at: float | None = None) -> Motion:
    """Drive a pull.

    Parameters
    ----------
    scenario : Scenario
    kit : Kit
    rng : Generator
        For wheel spin and misfire.
    stop_at : float, optional
        When the lean stop shuts the valve [s].

    Returns
    -------
    Motion

    Raises
    ------
    InputError
        If the pull never comes to its end.
    """
    driver, t, rows = _Driver(scenario, kit, rng, stop_at), 0.0, []
    events, stumble = driver.events, rng.uniform(0.0, 1.0, 20000)
    while "tail" not in events or t < events["tail"] + scenario.tail_s:
        driver.turn(t)
        flare = 0.0
        if driver.rpm >= driver.flare[0] and "spin" not in events:
            events["spin"] = t
        if "spin" in events and t < events["spin"] + 0.3:
            flare = driver.flare[1] * np.sin(np.pi * (t - events["spin"]) / 0.3) ** 2
        rpm = driver.rpm + flare
        driver.control(t, rpm)
        if scenario.misfire_s and driver.rpm > 3600 and "misfire" not in events:
            events["misfire"], events["fires again"] = t, t + scenario.misfire_s
        firing = 1.0
        if "misfire" in events and t < events["fires again"]:
            jolt = stumble[len(rows) // 6 % 20000]
            firing, rpm = (-0.6 if jolt < 0.3 else 0.9), rpm - (35 if jolt < 0.3 else 0)
        rows.append((t, rpm, driver.throttle, driver.pressure, driver.gear, driver.rpm))
        driver.move(t, firing)
        t = len(rows) * MOTION_S
        if t > 600:
            raise InputError("lift_rpm", scenario.lift_rpm, "rpm", "a speed that is reached", "The pull never ends.")
    return _fine(np.array(rows), events)


def _fine(rows: np.ndarray, events: dict[str, float]) -> Motion:
    """Put the pull on the fine clock."""
    time = np.arange(0.0, rows[-1, 0], STEP_S)
    rpm, throttle, pressure, rising = (np.interp(time, rows[:, 0], rows[:, k]) for k in (1, 2, 3, 5))
    gear = rows[np.searchsorted(rows[:, 0], time + 1e-9, side="right") - 1, 4]
    speed = rising * _KMH_PER_RPM / np.array(_GEARS)[gear.astype(int) - 1]
    return Motion(time, rpm, throttle, pressure, gear, speed, rising, dict(events))
