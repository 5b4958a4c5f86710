"""What the bottle page computes: one bottle, one nozzle, a day of passes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.optimize import brentq

from kernel_lib import BuildSheet, InputError, units
from kernel_lib.band import (
    BOTTLE_TEMPERATURE,
    DENSITY_EXPONENT,
    WALL_FILM,
    WALL_HEAT_SHARE,
    WORK_SHARE,
    Band,
)
from kernel_lib.doubts import overfilled
from kernel_lib.engine.setup import Setup, spray_speeds
from kernel_lib.errors import check_number
from kernel_lib.plan import bottle_day as bd
from kernel_lib.plan import fuel as pf
from kernel_lib.plan import supply
from kernel_lib.plan.power import shot_power, wanted_flow
from kernel_lib.plan.transient import FirstInstant, first_instant
from kernel_lib.thermo.fluid import P_CRITICAL, T_LAST, saturation_temperature, table
from kernel_lib.thermo.vessel import (
    ABOVE_CRITICAL,
    VAPOUR_ONLY,
    VesselState,
    bottle_volume,
    mass_for,
    vessel_state,
    vessel_temperature,
)

KNOWN = ("temperature and weight", "gauge and weight", "temperature and gauge")
T_SPAN = (-10.0, 65.0)
_SHEET_T = 36.0  # °C; a build sheet holds no hotter bottle
PASSES = 10


@dataclass(frozen=True)
class Inputs:
    """The controls."""

    T_C: float
    fill: float
    gauge_kpa: float
    bore_mm: float
    loss_kpa: float | None
    pass_s: float
    wait_min: float
    heater_w: float
    acceleration_g: float
    known: str = KNOWN[0]

    @classmethod
    def of(cls, sheet: BuildSheet) -> Inputs:
        """Start with the sheet's bottle; a sheet without a bore gets the one that the wanted horsepower would need, or 1 mm."""
        nitrous = sheet.nitrous
        bore = nitrous.nozzle_diameter_mm
        if bore is None:
            wanted = supply.bore_for(sheet, wanted_flow(sheet))
            bore = 1.0 if wanted is None else round(wanted.best, 2)
        return cls(
            T_C=nitrous.bottle_temperature_c,
            fill=sheet.value("nitrous.bottle_fill_kg"),
            gauge_kpa=bd.gauge_pressure(sheet, bd.state_of(sheet).P) / 1e3,
            bore_mm=bore,
            loss_kpa=nitrous.line_loss_kpa,
            pass_s=nitrous.pass_s,
            wait_min=20.0,
            heater_w=nitrous.heater_w,
            acceleration_g=0.5,
        )


@dataclass(frozen=True)
class Result:
    """What the pictures and sentences are made of; SI, pressures absolute unless named gauge.

    What takes long is computed when it is first asked for, so that the picture looked at need not wait for the others.
    """

    inputs: Inputs
    sheet: BuildSheet  # with the controls' values
    state: VesselState
    barometer: float
    fill_range: tuple[float, float]  # what weight the gauge would allow at this temperature
    per_percent: float  # Pa that a bottle 1 % heavier would show more
    full_T: float | None
    sun_P: float | None
    hold_T: float | None
    flows: dict[str, tuple[float, float, float]] | None
    flow: Band | None
    power: Band | None
    planned: float  # flow that the session's own sheet sets the fuel for
    rpm: np.ndarray
    drift: tuple[np.ndarray, np.ndarray, np.ndarray] | None  # lambda over rpm: low, likely, high over the flow's band
    out_of_reach: float
    weighed: bool
    bore_given: bool  # by the session's own sheet
    overfilled: bool
    dry_T: float | None  # where the last liquid has boiled away [K], if that comes before the critical point

    @property
    def gauge(self) -> float:
        """Gauge pressure in the bottle [Pa]."""
        return self.state.P - self.barometer

    @cached_property
    def first(self) -> FirstInstant | None:
        """What comes before liquid."""
        return first_instant(self.sheet, self.flow.best, self.rpm, fuel_for=self.planned) if self.flow else None

    @cached_property
    def day(self) -> bd.Day | None:
        """Passes from the bottle as it stands; None where no liquid can be drawn."""
        nitrous = self.sheet.nitrous
        middle = 500.0 * (nitrous.window_low_kpa + nitrous.window_high_kpa) + self.barometer
        return self._passes(self.sheet, heater_W=self.inputs.heater_w, P_hold=middle)

    def _passes(self, sheet: BuildSheet, passes: int = PASSES, **more: float) -> bd.Day | None:
        i = self.inputs
        timing = {"pass_s": i.pass_s, "wait_s": 60 * i.wait_min, "left": self.out_of_reach}
        return _or_none(lambda: bd.day(sheet, passes, **(timing | more))) if self.flow else None

    def _ends(self, sheet: BuildSheet, day: bd.Day) -> tuple[float, float, float]:
        """Gauge after the first pass [Pa]: low, likely, high over how well the wall gives its heat."""
        others = [self._passes(sheet, 1, wait_s=0.0, film=film) for film in (WALL_FILM.low, WALL_FILM.high)]
        return tuple(1e3 * float(d.table["end_P_kPa"].iloc[0]) for d in (others[0], day, others[1]))

    @cached_property
    def ends(self) -> tuple[float, float, float] | None:
        """Gauge after the first pass of `day` [Pa], over the film coefficient."""
        return None if self.day is None else self._ends(self.sheet, self.day)

    @property
    def usable(self) -> int:
        """Passes of `day` in the window."""
        return 0 if self.day is None else usable_passes(self.sheet, self.day)

    @cached_property
    def held(self) -> tuple[int, tuple[float, float, float]] | None:
        """Usable passes of a bottle held first and not heated between, and the gauge after the first [Pa]; None if it cannot be."""
        if self.hold_T is None or units.c_from_k(self.hold_T) > _SHEET_T or not self.flow:
            return None
        start = self.sheet.replace({"nitrous.bottle_temperature_c": units.c_from_k(self.hold_T)})
        day = self._passes(start, P_least=1e3 * start.nitrous.window_low_kpa + self.barometer)
        return None if day is None else (usable_passes(start, day), self._ends(start, day))

    @property
    def refill(self) -> float:
        """Nitrous below which a pass ends in vapour [kg]."""
        if self.day is None:
            drawn = self.flow.best * self.inputs.pass_s
        else:
            drawn = float(self.day.table["start_kg"].iloc[0] - self.day.table["end_kg"].iloc[0])
        return bd.least_fill(self.sheet, drawn, self.out_of_reach)


@lru_cache(maxsize=32)
def _planned_flow(sheet: BuildSheet) -> float:
    return wanted_flow(sheet) if sheet.nitrous.nozzle_diameter_mm is None else supply.flow_band(sheet).best


@lru_cache(maxsize=64)
def _trial(sheet: BuildSheet, T_C: float, fill: float, bore: float, loss: float | None) -> BuildSheet:
    changes = {
        "nitrous.bottle_temperature_c": min(T_C, _SHEET_T),
        "nitrous.bottle_fill_kg": fill,
        "nitrous.nozzle_diameter_mm": bore,
    }
    if loss != sheet.nitrous.line_loss_kpa:
        changes["nitrous.line_loss_kpa"] = loss
    return sheet.replace(changes)


def settle(sheet: BuildSheet, i: Inputs) -> tuple[float, VesselState, tuple[float, float]]:
    """Return the bottle's temperature [K], its state, and the weights that its gauge would allow.

    Raises
    ------
    InputError
        If what is known contradicts itself.
    """
    volume = bottle_volume(sheet.nitrous.bottle_rated_fill_kg)
    barometer = 1e3 * sheet.value("site.barometer_kpa")
    fill = i.fill
    if i.known != KNOWN[2]:
        most = 1.25 * sheet.nitrous.bottle_rated_fill_kg
        fill = check_number(
            "nitrous.bottle_fill_kg",
            i.fill,
            0.0,
            most,
            "kg nitrous",
            "An empty bottle has no state; no filler fills so much.",
            open_low=True,
        )
    if i.known == KNOWN[1]:
        T = _from_gauge(1e3 * i.gauge_kpa + barometer, fill, volume, barometer)
        state = vessel_state(T, fill, volume)
        return T, state, mass_for(T, state.P, volume)
    T = units.k_from_c(check_number("bottle temperature", i.T_C, *T_SPAN, "°C", "A bottle in a car."))
    if i.known == KNOWN[0]:
        state = vessel_state(T, fill, volume)
        return T, state, mass_for(T, state.P, volume)
    P = 1e3 * i.gauge_kpa + barometer
    low, high = _fill_range(T, P, volume)
    if low == high and not 0.02 * sheet.nitrous.bottle_rated_fill_kg <= low <= 1100 * volume:
        why = f"At {i.T_C:g} °C that pressure would be {low:.2f} kg in this bottle: gauge or thermometer is wrong."
        raise InputError("bottle gauge", i.gauge_kpa, "kPa gauge", "a pressure that this bottle can have", why)
    fill = min(max(i.fill, low), high)
    return T, vessel_state(T, fill, volume), (low, high)


def _from_gauge(P: float, fill: float, volume: float, barometer: float) -> float:
    """Temperature of a bottle by gauge and weight [K]."""
    ends = [_or_none(lambda t=t: vessel_state(units.k_from_c(t), fill, volume).P) for t in T_SPAN]
    low, high = ((P if end is None else end) for end in ends)
    if not low <= P <= (5e7 if ends[1] is None else high):
        allowed = f"{(low - barometer) / 1e3:.0f} to {(high - barometer) / 1e3:.0f} kPa gauge"
        why = "With that weight no temperature of the page makes the bottle show it: is the weight without the bottle's own?"
        raise InputError("bottle gauge", (P - barometer) / 1e3, "kPa gauge", allowed, why)
    return vessel_temperature(P, fill, volume)


def _fill_range(T: float, P: float, volume: float) -> tuple[float, float]:
    """Weights that a thermometer and a gauge allow; a gauge within the thermometer's error of the boiling line stands on it."""
    if P < P_CRITICAL and abs(float(saturation_temperature(P)) - T) <= BOTTLE_TEMPERATURE.high and T <= T_LAST:
        liquid, vapour = (float(v) for v in table().at_T(T, "rho_l", "rho_v"))
        return vapour * volume, liquid * volume
    return mass_for(T, P, volume)


def explore(sheet: BuildSheet, i: Inputs) -> Result:
    """Compute everything for one position of the controls.

    Raises
    ------
    InputError
        Naming the control that does not fit; nothing is computed then.
    """
    if i.known not in KNOWN:
        raise InputError("known", i.known, "", "one of " + ", ".join(KNOWN), "The page offers no other.")
    for name, value, most, unit in (
        ("pass", i.pass_s, 120.0, "s"),
        ("time between passes", i.wait_min, 600.0, "min"),
        ("bottle heater", i.heater_w, 3000.0, "W"),
    ):
        check_number(name, value, 0.1 if unit == "s" else 0.0, most, unit, "A day at the track.")
    T, state, fill_range = settle(sheet, i)
    trial = _trial(sheet, units.c_from_k(T), state.mass, i.bore_mm, i.loss_kpa)
    too_full = overfilled(trial)
    liquid = not too_full and state.regime not in (ABOVE_CRITICAL, VAPOUR_ONLY) and units.c_from_k(T) <= _SHEET_T
    common = {
        "inputs": i,
        "sheet": trial,
        "state": state,
        "barometer": 1e3 * sheet.value("site.barometer_kpa"),
        "fill_range": fill_range,
        "per_percent": _per_percent(state),
        "full_T": bd.full_temperature(trial),
        "sun_P": _or_none(lambda: vessel_state(bd.T_SUN, state.mass, state.volume).P),
        "hold_T": _or_none(lambda: bd.hold_temperature(trial)),
        "planned": _planned_flow(sheet),
        "rpm": spray_speeds(sheet),
        "weighed": supply.is_weighed(trial),
        "bore_given": sheet.nitrous.nozzle_diameter_mm is not None,
        "overfilled": too_full,
        "dry_T": _dry_temperature(state),
        "out_of_reach": min(bd.out_of_reach(trial, i.acceleration_g), state.liquid_mass),
    }
    return Result(**common, **(_flowing(sheet, trial, T) if liquid else _NOT_FLOWING))


_NOT_FLOWING = dict.fromkeys(("flows", "flow", "power", "drift"))


def _or_none(compute):
    try:
        return compute()
    except InputError:
        return None


def _per_percent(state: VesselState) -> float:
    more = _or_none(lambda: vessel_state(state.T, 1.01 * state.mass, state.volume).P)
    return float("inf") if more is None else more - state.P


def _flowing(sheet: BuildSheet, trial: BuildSheet, T: float) -> dict:
    """What needs liquid and may be refused."""
    setup, rpm = Setup.of(sheet), spray_speeds(sheet)
    flow, planned = supply.flow_band(trial), _planned_flow(sheet)
    drift = tuple(pf.lambda_at_flow(sheet, setup, rpm, planned, f) for f in (flow.low, flow.best, flow.high))
    return {"flows": supply.model_flows(trial, T), "flow": flow, "power": _power(trial, flow), "drift": drift}


def _dry_temperature(state: VesselState) -> float | None:
    density = state.mass / state.volume

    def spare(T: float) -> float:
        return density - float(table().at_T(T, "rho_v")[0])

    return None if spare(T_LAST) > 0 else float(brentq(spare, 213.15, T_LAST)) if spare(213.15) > 0 else 213.15


def _power(trial: BuildSheet, flow: Band) -> Band:
    """Horsepower that the flow stands for; its ends lie at corners of the unknowns (less air won back, less power)."""
    low = shot_power(trial, flow.low, WORK_SHARE.low, WALL_HEAT_SHARE.high, DENSITY_EXPONENT.low)
    high = shot_power(trial, flow.high, WORK_SHARE.high, WALL_HEAT_SHARE.low, DENSITY_EXPONENT.high)
    return Band(low, shot_power(trial, flow.best), high, flow.because)


def usable_passes(sheet: BuildSheet, day: bd.Day) -> int:
    """Passes from the first on that end with liquid and with the pressure inside the window's low end."""
    good = (day.table["end_P_kPa"] >= sheet.nitrous.window_low_kpa) & (day.table["ended"] == "time")
    return int(good.cumprod().sum())


def steepness(r: Result) -> float:
    """How many times as fast the gauge climbs with temperature once this bottle is full of liquid."""
    T = min(r.full_T, T_LAST - 1.5)
    line = table().at_T(np.array([T - 1.0, T]), "P")[0]
    closed = vessel_state(T + 1.0, r.state.mass, r.state.volume).P - vessel_state(T, r.state.mass, r.state.volume).P
    return float(closed / (line[1] - line[0]))
