"""What is simulated: a pull with at most one fault, the true numbers of the car behind it, and how they are drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ..band import (
    BOTTLE_TEMPERATURE,
    DENSITY_EXPONENT,
    FILM_SHARE,
    FILM_TIME,
    HYDROGEN_WEIGHT,
    INJECTION_WAIT,
    INJECTOR_SCALE,
    LINE_DRAIN,
    LINE_FILL,
    NOZZLE_COEFFICIENT,
    VALVE_LAG_ERROR,
    VE_ERROR,
    WALL_HEAT_SHARE,
    Band,
)
from ..build_sheet import BuildSheet
from ..errors import InputError, check_number
from ..plan.fuel_system import jet_coefficient
from ..plan.supply import is_weighed

_AIR_AT_RPM = 4000.0  # where the level of the air is told


@dataclass(frozen=True)
class Scenario:
    """A pull: cruise, full throttle, lift.

    Attributes
    ----------
    name : str
    car : str
        Demo build sheet.
    sheet : BuildSheet or None
        In place of the demo, if given.
    nitrous : bool
        Whether the nitrous is armed.
    step : float
        Step of the ladder, of the planned dose.
    rise_rpm_s : float
        Of the engine speed at full throttle without nitrous, in the mean over speed [rpm/s].
    lift_rpm : float
        Where the driver lifts [rpm].
    cruise_s, coast_s, tail_s : float
        Before the pull, with the fuel cut after it, and back on the throttle [s].
    spin : float
        Chance of one short flare of wheel spin.
    lean_stop : bool
        Whether the controller has one, at the sheet's limit.
    throttle_guard : bool
        Whether a lifted throttle closes the valve.
    fuel_lead_ms : float or None
        Added fuel before the valve; the sheet's if None. Below 0 it comes after.
    added_fuel, own_fuel : float
        What the controller gives, of the plan's.
    tuned : float
        Share of the error of air and injectors that the tuner has taken out of the controller's own fuel on base pulls.
    retard : float
        Share of the planned retard that is applied.
    bottle_c : float or None
        At the start [°C]; near the sheet's if None.
    rail_sag : float
        Share of the rail's pressure lost for each unit of fuel flow (of the injectors' whole) above 0.4 of it. The controller measures the rail and answers with longer openings.
    shift_rpm : float or None
        One gear change there [rpm].
    lift_after_s : float or None
        Lift so long after the valve was opened [s].
    knock : float
        Activity on nitrous, over the background.
    misfire_s : float
        For so long, from the middle of the pull, cycles fail to fire [s].
    valve_extra_ms : float
        Added to the valve's opening time [ms].
    trim : {"", "cruise", "full"}
        Where the controller corrects by its own sensor, and logs it.
    through_cycles : float
        Cycles from drawing in to pushing out, on top of the way through the exhaust.
    spread : float
        Times the spread of what is drawn; 0 is the likely car.
    whole : bool
        Draw the car from the whole of what the sheet and `band` say may be wrong, see `draw`; `spread` is then not looked at.
    fixed : mapping
        Truths by name that are not drawn.
    """

    name: str
    car: str = "wren_five"
    sheet: BuildSheet | None = None
    nitrous: bool = True
    step: float = 1.0
    rise_rpm_s: float = 500.0
    lift_rpm: float = 5900.0
    cruise_s: float = 1.5
    coast_s: float = 1.5
    tail_s: float = 1.5
    spin: float = 0.7
    lean_stop: bool = True
    throttle_guard: bool = True
    fuel_lead_ms: float | None = None
    added_fuel: float = 1.0
    own_fuel: float = 1.0
    tuned: float = 0.7
    retard: float = 1.0
    bottle_c: float | None = None
    rail_sag: float = 0.0
    shift_rpm: float | None = None
    lift_after_s: float | None = None
    knock: float = 0.0
    misfire_s: float = 0.0
    valve_extra_ms: float = 0.0
    trim: str = "cruise"
    through_cycles: float = 0.75
    spread: float = 1.0
    whole: bool = False
    fixed: Mapping[str, float] = field(default_factory=dict)


_BASE = {"nitrous": False, "lift_rpm": 6200.0}
SCENARIOS: dict[str, Scenario] = {
    s.name: s
    for s in (
        Scenario("clean"),
        Scenario("clean_half", step=0.5),
        Scenario("clean_three_quarters", step=0.75),
        Scenario("late_fuel", fuel_lead_ms=-370.0, lean_stop=False),
        Scenario("cold_bottle", bottle_c=16.0),
        Scenario("injector_limit", rail_sag=4.9, lean_stop=False),
        Scenario("shift", shift_rpm=4800.0, throttle_guard=False, lift_rpm=5700.0),
        Scenario("false_start", lift_after_s=0.35),
        Scenario("base", **_BASE),
        Scenario("base_lean", own_fuel=1 / 1.06, **_BASE),
        Scenario("knock", knock=1.0),
        Scenario("misfire_rich", added_fuel=2.4, misfire_s=2.0, lean_stop=False),
        Scenario("no_retard", retard=0.0),
        Scenario("weak_valve", valve_extra_ms=14.0),
        Scenario("trimmed", trim="full", added_fuel=1.2),
        Scenario("badger_base", car="badger_eight", nitrous=False, lift_rpm=6800.0, rise_rpm_s=750.0),
        Scenario(
            "badger_hit", car="badger_eight", step=0.5, lift_rpm=6500.0, rise_rpm_s=750.0, fixed={"line_fill": 0.4}
        ),
    )
}
"""Every scenario by its name, one fault each. Injector limit: the rail sags and the controller answers with longer openings until the injectors
stay open and the mixture goes lean. Shift: the throttle is lifted for a quarter second and the valve stays commanded."""


@dataclass(frozen=True)
class Truth:
    """What is true of the car and the day, hidden from the review.

    Attributes
    ----------
    coefficient : float
        Nozzle with its line, over the sheet's.
    injector_scale, jet_scale, meter_scale : float
        What injectors and fuel jet pass, and what an air meter reads, over the sheet's.
    air_level, air_slope : float
        Air drawn in over the sheet's: 1 + level + slope (rpm - 4000) / 1000.
    wall_share, density_exponent, hydrogen_weight : float
        As in `band`.
    sensor_tau_s, transport_factor : float
        Time constant of the sensor [s]; volume to it over the sheet's.
    line_fill, line_drain, film_share, film_time_s, injection_wait : float
        As in `band`; the wait in cycles.
    valve_open_s, valve_close_s : float
        [s].
    T_bottle, fill_kg : float
        At the start [K], [kg].
    discharge_coefficient : float
        `coefficient` times the sheet's; NaN where nobody weighed the nozzle.
    delay_total_s, transport_s, delay_rpm : float
        Way to the sensor (cylinder and exhaust) and its time constant, that way alone [s], and the speed at the middle of the pull for which they are stated.
    excursion_lambda, excursion_at_s : float
        Leanest mixture that all cylinders together draw in over one engine cycle while nitrous is in the charge and the driver has not lifted, and when
        [s]; NaN without nitrous.
    excursion_from_s, excursion_to_s, excursion_cycles : float
        First and last time that it is leaner than the sheet's lean stop [s], NaN if never, and cycles of each cylinder that are.
    nitrous_kg : float
        Drawn from the bottle.
    events : dict
        When things happened [s], see `sim_motion.Motion`; "lean stop" if it acted.
    """

    coefficient: float
    injector_scale: float
    jet_scale: float
    meter_scale: float
    air_level: float
    air_slope: float
    wall_share: float
    density_exponent: float
    hydrogen_weight: float
    sensor_tau_s: float
    transport_factor: float
    line_fill: float
    line_drain: float
    film_share: float
    film_time_s: float
    injection_wait: float
    valve_open_s: float
    valve_close_s: float
    T_bottle: float
    fill_kg: float
    discharge_coefficient: float = np.nan
    delay_total_s: float = np.nan
    transport_s: float = np.nan
    delay_rpm: float = np.nan
    excursion_lambda: float = np.nan
    excursion_at_s: float = np.nan
    excursion_from_s: float = np.nan
    excursion_to_s: float = np.nan
    excursion_cycles: float = 0.0
    nitrous_kg: float = 0.0
    events: Mapping[str, float] = field(default_factory=dict)

    def air(self, rpm) -> np.ndarray:
        """Air drawn in over the sheet's, at engine speeds."""
        return 1 + self.air_level + self.air_slope * (np.asarray(rpm, float) - _AIR_AT_RPM) / 1000


def _normal(rng: np.random.Generator, middle: float, low: float, high: float, sigma: float, spread: float) -> float:
    """Draw from a normal distribution cut off at its ends."""
    for _ in range(100):
        value = middle + sigma * rng.standard_normal()
        if low <= value <= high:
            return float(middle + spread * (value - middle))
    return float(middle)


def _within(rng: np.random.Generator, band: Band, spread: float) -> float:
    """Draw within a band, half of it either side of the likely value."""
    u = rng.uniform(-1.0, 1.0)
    reach = band.high - band.best if u > 0 else band.best - band.low
    return float(band.best + 0.5 * spread * u * reach)


def draw(scenario: Scenario, sheet: BuildSheet, car: int, seed: int) -> Truth:
    """Draw a car (from `car`) and a day (from `seed`).

    Parameters
    ----------
    scenario : Scenario
    sheet : BuildSheet
    car, seed : int

    Returns
    -------
    Truth

    Raises
    ------
    InputError
        For a fixed truth of an unknown name.

    Notes
    -----
    Normal with half the stated error as its standard deviation, cut off at the error: nozzle (the sheet's error; one nobody weighed 8 %), injectors
    3 %, jet 3 %, meter 2 %, air 2 % and 0.8 % per 1000 rpm. Wall share and density exponent 0.5 with deviation 0.07 (cut off at 0.2). Uniform: sensor 60 to 110 ms, volume
    0.8 to 1.2. What comes in and goes out: half of the bands of `band`. All but the bands: a choice of our own.

    With `whole`, evenly over all of each band of `band` (air: 3 % in the middle of the table and 3 % at its ends against that), a weighed nozzle normal with half the
    sheet's error, not cut off, and the sensor's time constant within a third, the way to it within a half of the sheet's.
    """
    if scenario.whole:
        values = _whole(scenario, sheet, np.random.default_rng([7, car]), np.random.default_rng([11, seed]))
        return _truth(scenario, sheet, values)
    a, b, wide = np.random.default_rng([7, car]), np.random.default_rng([11, seed]), scenario.spread
    nitrous = sheet.nitrous
    rel = nitrous.discharge_error / nitrous.discharge_coefficient if is_weighed(sheet) else 0.08
    opening = nitrous.nitrous_valve_close_ms + nitrous.nitrous_valve_lag_ms + scenario.valve_extra_ms
    start = nitrous.bottle_temperature_c if scenario.bottle_c is None else scenario.bottle_c
    values = {
        "coefficient": _normal(a, 1.0, 1 - rel, 1 + rel, rel / 2, wide),
        "injector_scale": _normal(a, 1.0, 0.97, 1.03, 0.015, wide),
        "jet_scale": _normal(a, 1.0, 0.97, 1.03, 0.015, wide),
        "meter_scale": _normal(a, 1.0, 0.98, 1.02, 0.01, wide),
        "air_level": _normal(a, 0.0, -0.02, 0.02, 0.01, wide),
        "air_slope": _normal(a, 0.0, -0.008, 0.008, 0.004, wide),
        "wall_share": _normal(a, 0.5, 0.3, 0.7, 0.07, wide),
        "density_exponent": _normal(a, 0.5, 0.3, 0.7, 0.07, wide),
        "hydrogen_weight": _normal(a, 2.0, 1.0, 3.7, 0.6, wide),
        "sensor_tau_s": 0.085 + wide * a.uniform(-0.025, 0.025),
        "transport_factor": 1 + wide * a.uniform(-0.2, 0.2),
        "line_fill": _within(a, LINE_FILL, wide),
        "line_drain": _within(a, LINE_DRAIN, wide),
        "film_share": _within(a, FILM_SHARE, wide),
        "film_time_s": _within(a, FILM_TIME, wide),
        "injection_wait": _within(a, INJECTION_WAIT, wide),
        "valve_open_s": opening / 1e3 + _normal(a, 0.0, -0.004, 0.004, 0.0015, wide),
        "valve_close_s": nitrous.nitrous_valve_close_ms / 1e3,
        "T_bottle": start + 273.15 + _normal(b, -0.4, -1.4, 0.3, 0.5, wide),
        "fill_kg": sheet.value("nitrous.bottle_fill_kg") * (1 - 0.07 * wide * b.uniform()),
    }
    return _truth(scenario, sheet, values)


def _whole(scenario: Scenario, sheet: BuildSheet, a: np.random.Generator, b: np.random.Generator) -> dict[str, float]:
    """Truths from all of the bands, of a car and of a day."""
    nitrous, table = sheet.nitrous, sheet.engine.full_throttle.rpm

    def over(band: Band, rng: np.random.Generator = a) -> float:
        return float(rng.uniform(band.low, band.high))

    if is_weighed(sheet):
        coefficient = 1 + nitrous.discharge_error / nitrous.discharge_coefficient / 2 * float(a.standard_normal())
    else:
        coefficient = over(NOZZLE_COEFFICIENT) / NOZZLE_COEFFICIENT.best
    jet = jet_coefficient(sheet)
    middle, half = (table[0] + table[-1]) / 2, (table[-1] - table[0]) / 2
    level, trend = 1 + over(VE_ERROR), over(VE_ERROR)
    opening = nitrous.nitrous_valve_close_ms + nitrous.nitrous_valve_lag_ms + scenario.valve_extra_ms
    start = nitrous.bottle_temperature_c if scenario.bottle_c is None else scenario.bottle_c
    return {
        "coefficient": coefficient,
        "injector_scale": 1 + over(INJECTOR_SCALE),
        "jet_scale": over(jet) / jet.best,
        "meter_scale": float(a.uniform(0.98, 1.02)),
        "air_level": level * (1 + trend * (_AIR_AT_RPM - middle) / half) - 1,
        "air_slope": level * trend * 1000 / half,
        "wall_share": over(WALL_HEAT_SHARE),
        "density_exponent": over(DENSITY_EXPONENT),
        "hydrogen_weight": over(HYDROGEN_WEIGHT),
        "sensor_tau_s": sheet.controller.sensor_delay_ms / 1e3 * float(a.uniform(2 / 3, 4 / 3)),
        "transport_factor": float(a.uniform(0.5, 1.5)),
        "line_fill": over(LINE_FILL),
        "line_drain": over(LINE_DRAIN),
        "film_share": over(FILM_SHARE),
        "film_time_s": over(FILM_TIME),
        "injection_wait": over(INJECTION_WAIT),
        "valve_open_s": max(opening + over(VALVE_LAG_ERROR), 0.0) / 1e3,
        "valve_close_s": nitrous.nitrous_valve_close_ms / 1e3,
        "T_bottle": start + 273.15 + over(BOTTLE_TEMPERATURE, b),
        "fill_kg": sheet.value("nitrous.bottle_fill_kg") * (1 - 0.07 * float(b.uniform())),
    }


def _truth(scenario: Scenario, sheet: BuildSheet, values: dict[str, float]) -> Truth:
    """Put in what is fixed."""
    unknown = set(scenario.fixed) - set(values)
    if unknown:
        raise InputError("fixed", sorted(unknown)[0], "", ", ".join(values), "There is no truth of that name.")
    values |= scenario.fixed
    given = sheet.nitrous.discharge_coefficient if is_weighed(sheet) else np.nan
    return Truth(**values, discharge_coefficient=values["coefficient"] * given)


def check_scenario(scenario: Scenario) -> None:
    """Refuse a scenario that cannot be driven.

    Raises
    ------
    InputError
    """
    check_number("step", scenario.step, 0.05, 1.0, "of the plan", "A step of the ladder.")
    check_number("rise_rpm_s", scenario.rise_rpm_s, 50.0, 4000.0, "rpm/s", "An engine with a car, or on a brake.")
    check_number("lift_rpm", scenario.lift_rpm, 2600.0, 12000.0, "rpm", "Above the start of the pull.")
    check_number("cruise_s", scenario.cruise_s, 0.2, 120.0, "s", "Before the pull.")
    check_number("spread", scenario.spread, 0.0, 1.0, "", "The bounds are those of the bands.")
    if scenario.trim not in ("", "cruise", "full"):
        raise InputError("trim", scenario.trim, "", "'', 'cruise' or 'full'", "Where the controller corrects itself.")
