"""The rows of a comparison: a quantity by the plan, today, and whether the change is more than noise."""

from __future__ import annotations

import dataclasses
import functools
from dataclasses import dataclass

import numpy as np

from ..band import BOTTLE_TEMPERATURE, Band
from ..build_sheet import BuildSheet
from ..engine.charge import Charge, fresh_charge
from ..engine.setup import Setup
from ..errors import InputError
from ..thermo.fluid import T_LAST
from ..thermo.nitrous import DEFAULT, MODELS
from ..thermo.vessel import T_HOTTEST, bottle_volume, vessel_state
from ..units import c_from_k, k_from_c
from . import fuel as pf
from .bottle_day import day, gauge_pressure, hold_temperature
from .fuel_system import jet_flow, jet_for
from .judgement import own_fuel_key
from .plan import Plan
from .power import shot_power
from .supply import is_weighed, model_flows

REST_S, MOST_PASSES = 1200.0, 40
"""Wait between passes while those that are left are counted [s]; and where the count ends."""
_TREND = "trend over bottle temperature by model"


@dataclass(frozen=True)
class Noise:
    """What a change must pass to count: its size, unit and reason. All are ours."""

    size: float
    unit: str
    because: str


NOISE = {
    "lambda": Noise(0.01, "", "about what a wide-band sensor repeats; common practice, no source"),
    "fuel": Noise(3.0, "%", "3 % of the added fuel is under 1 % of all fuel, less than lambda 0.01"),
    "jet": Noise(1.5, "%", "1.5 % of the bore is 3 % of the fuel"),
    "flow": Noise(3.0, "%", "about 3 K of bottle temperature, no better than it is read"),
    "power": Noise(3.0, "%", "it follows the flow"),
    "pressure": Noise(200.0, "kPa gauge", "about 1.5 K of bottle temperature, as a thermometer on the wall repeats"),
    "hold": Noise(1.0, "K difference", "as a heater holds"),
    "duty": Noise(2.0, "points", "what a trim for battery voltage moves"),
    "pump": Noise(2.0, "points", "what a pump repeats"),
    "passes": Noise(0.5, "passes", "a whole pass"),
    "octane": Noise(1.0, "RON", "a pump label, or AKI taken as RON, is known no better"),
    "ethanol": Noise(10.0, "points by volume", "about 1 RON where most is ethanol; from memory"),
}
"""Noise by quantity: thresholds of our own, each with its reason."""

_MOVES = ("lambda", "fuel", "open_time", "jet", "flow")
"""What asks for a change beyond its noise; the other rows are told, and forbid where they pass a limit."""


@dataclass(frozen=True)
class Change:
    """A row: a quantity by the plan and today.

    Attributes
    ----------
    key : str
        "lambda" (if nothing is changed), "fuel" (to add), "open_time", "jet", "flow", "power", "pressure", "hold", "duty", "pump", "passes".
    unit : str
        Of `plan` and `now`, as build sheets have it.
    plan, now : Band
    change : Band
        Today less plan, in the unit of `noise`: what is unknown on both days alike is not in its band.
    noise : Noise
    rpm : float or None
        Engine speed it belongs to.
    """

    key: str
    unit: str
    plan: Band
    now: Band
    change: Band
    noise: Noise
    rpm: float | None = None

    @property
    def beyond(self) -> bool:
        """Whether the likely change is more than noise."""
        return abs(self.change.best) > self.noise.size

    @property
    def moves(self) -> bool:
        """Whether it asks for something to be changed."""
        return self.beyond and self.key in _MOVES


def lambda_unchanged(sheet: BuildSheet, today: BuildSheet, rpm, meant, actual) -> np.ndarray:
    """Lambda today if nothing is changed since the plan's day: the fitted fuel jet stays, or else fuel that was on target then.

    Parameters
    ----------
    sheet, today : BuildSheet
        Of the plan, of today.
    rpm, meant, actual : float or array
        Speed [rpm], nitrous by the plan and today [kg/s]; they broadcast.

    Notes
    -----
    The controller follows today's air as its metering makes it, but for the plan's fuel; what was added for the shot stays. With
    another fuel all of it flows through the same openings, by the square root of density.
    """
    engine, control = sheet.engine, sheet.controller
    then, now = Setup.of(sheet), Setup.of(today)

    def own(setup: Setup, charge: Charge) -> np.ndarray:
        return pf.fuel_supplied(
            setup, charge, rpm, engine.lambda_without_nitrous, control.metering, control.intake_sensor
        )

    before, charge = fresh_charge(then, rpm, meant), fresh_charge(now, rpm, actual)
    jet = sheet.nitrous.fuel_jet_diameter_mm if sheet.nitrous.system == "wet" else None
    if jet is None:
        added = pf.fuel_for(then, before, engine.lambda_with_nitrous) - own(then, before)
    else:
        added = jet_flow(sheet, then, jet) / then.cycles_per_second(rpm)
    supplied = own(dataclasses.replace(now, fuel=then.fuel), charge) + added
    return pf.lambda_with(now, charge, supplied * np.sqrt(now.fuel.density / then.fuel.density))


def flow_trend(sheet: BuildSheet, today: BuildSheet) -> Band:
    """Nitrous flow today over that of the plan: the models' trends over bottle temperature; the nozzle is the same."""
    ends = []
    for each in (sheet, today):
        flows = model_flows(each, k_from_c(each.nitrous.bottle_temperature_c))
        ends.append({model: flows[model][1] for model in (MODELS if is_weighed(sheet) else ("HEM", "NHNE"))})
    ratios = {model: ends[1][model] / ends[0][model] for model in ends[0]}
    return Band(min(ratios.values()), ratios[DEFAULT], max(ratios.values()), _TREND)


def row_at_peak(sheet: BuildSheet, plan: Plan) -> int:
    """Return the row of the plan next to the speed of peak power."""
    return int((plan.table["rpm"] - sheet.engine.peak_power_rpm).abs().to_numpy().argmin())


def _column(plan: Plan, name: str, k: int) -> Band:
    low, best, high = (float(plan.table[f"{name}{end}"].iloc[k]) for end in ("_low", "", "_high"))
    return Band(low, best, high, "the ranges of the plan")


def _over(values: list[float], because: str) -> Band:
    """Likely first, ends over all."""
    return Band(float(np.min(values)), float(values[0]), float(np.max(values)), because)


def added_fuel(sheet: BuildSheet, rpm: float, flow: float) -> float:
    """Fuel to add for a nitrous flow [kg/s], by this car's metering [kg/s]."""
    setup, engine, control = Setup.of(sheet), sheet.engine, sheet.controller
    charge = fresh_charge(setup, rpm, flow)
    own = pf.fuel_supplied(setup, charge, rpm, engine.lambda_without_nitrous, control.metering, control.intake_sensor)
    return float((pf.fuel_for(setup, charge, engine.lambda_with_nitrous) - own) * setup.cycles_per_second(rpm))


def mixture_rows(sheet: BuildSheet, today: BuildSheet, plan: Plan, actual: Plan) -> list[Change]:
    """Lambda if nothing is changed, fuel to add, nitrous flow, and the power it stands for.

    Notes
    -----
    A change of the added fuel is told relative to the plan's, but to no less than 5 % of all fuel: where the controller adds
    nearly all by itself, a percentage of the rest would mean nothing.
    """
    k = row_at_peak(sheet, plan)
    rpm, trend = float(plan.table["rpm"].iloc[k]), flow_trend(sheet, today)
    flows = [actual.flow.best, plan.flow.best * trend.low, plan.flow.best * trend.high]
    key = f"{own_fuel_key(sheet)}_kg_h"
    was, now = _column(plan, key, k), _column(actual, key, k)
    scale = max(abs(was.best), 0.05 * float(plan.table["fuel_total_kg_h"].iloc[k]))
    fuels = [3600 * added_fuel(today, rpm, flow) for flow in flows]
    out = [
        _lambda_row(sheet, today, plan, flows),
        Change("fuel", "kg/h", was, now, _share(fuels, was.best, scale), NOISE["fuel"], rpm),
    ]
    if sheet.nitrous.system == "dry":
        ms = _column(plan, "fuel_added_ms", k), _column(actual, "fuel_added_ms", k)
        if now.best > 0 and ms[0].best > 0:
            times = [ms[1].best * fuel / now.best for fuel in fuels]
            out.append(Change("open_time", "ms", *ms, _share(times, ms[0].best), NOISE["fuel"], rpm))
    elif was.best > 0 and min(fuels) > 0:
        then, setup = Setup.of(sheet), Setup.of(today)
        jets = jet_for(sheet, then, was.best / 3600), [jet_for(today, setup, fuel / 3600) for fuel in fuels]
        change = _share([jet.best for jet in jets[1]], jets[0].best)
        out.append(Change("jet", "mm", jets[0], jets[1][0], change, NOISE["jet"], rpm))
    powers = [shot_power(today, flow) for flow in flows]
    out += [
        Change(
            "flow", "g/s", _times(plan.flow, 1e3), _times(actual.flow, 1e3), _share(flows, plan.flow.best), NOISE["flow"]
        ),
        Change(
            "power", "hp at the crank", plan.power, actual.power, _share(powers, plan.power.best), NOISE["power"],
            sheet.engine.peak_power_rpm,
        ),
    ]  # fmt: skip
    return out


def _lambda_row(sheet: BuildSheet, today: BuildSheet, plan: Plan, flows: list[float]) -> Change:
    """Lambda at the speed where it moves farthest."""
    rpm = plan.table["rpm"].to_numpy()
    was = lambda_unchanged(sheet, sheet, rpm, plan.flow.best, plan.flow.best)
    moves = [lambda_unchanged(sheet, today, rpm, plan.flow.best, flow) - was for flow in flows]
    k = int(np.abs(moves[0]).argmax())
    change, then = _over([float(move[k]) for move in moves], _TREND), float(was[k])
    now = Band(then + change.low, then + change.best, then + change.high, _TREND)
    return Change("lambda", "", _point(then), now, change, NOISE["lambda"], float(rpm[k]))


def supply_rows(sheet: BuildSheet, today: BuildSheet, plan: Plan, actual: Plan) -> list[Change]:
    """Bottle pressure, temperature to hold, injectors, pump, passes; what cannot be computed is left out."""
    out = []
    P = pressure_of(sheet), pressure_of(today)
    if None not in P:
        out.append(Change("pressure", "kPa gauge", *P, _point(P[1].best - P[0].best), NOISE["pressure"]))
    try:
        T = [c_from_k(hold_temperature(each)) for each in (sheet, today)]
        if max(T) < c_from_k(
            T_LAST
        ):  # a bottle with too little in it would have to be heated beyond the critical point
            out.append(Change("hold", "°C", *map(_point, T), _point(T[1] - T[0]), NOISE["hold"]))
    except InputError:
        pass  # no temperature brings so little or so much into the window
    for key, column in (("duty", "injector_duty_percent"), ("pump", "pump_percent")):
        if plan.table[column].notna().all():
            k = int(plan.table[column].to_numpy().argmax())
            was, now = _column(plan, column, k), _column(actual, column, k)
            rpm = float(plan.table["rpm"].iloc[k])
            out.append(Change(key, "%", was, now, _point(now.best - was.best), NOISE[key], rpm))
    count = passes_left(sheet, plan.flow), passes_left(today, actual.flow)
    out.append(Change("passes", "passes", *count, _point(count[1].best - count[0].best), NOISE["passes"]))
    return out


def pressure_of(sheet: BuildSheet, temperature_c: float | None = None) -> Band | None:
    """Gauge pressure of a sheet's bottle [kPa], the ends those of its temperature's error; None where it has no state."""
    T = k_from_c(sheet.nitrous.bottle_temperature_c if temperature_c is None else temperature_c)
    fill, volume = sheet.value("nitrous.bottle_fill_kg"), bottle_volume(sheet.nitrous.bottle_rated_fill_kg)
    at = [T, T + BOTTLE_TEMPERATURE.low, min(T + BOTTLE_TEMPERATURE.high, T_HOTTEST)]
    try:
        P = [gauge_pressure(sheet, vessel_state(each, fill, volume).P) / 1e3 for each in at]
    except InputError:
        return None
    return _over(P, BOTTLE_TEMPERATURE.because)


@functools.lru_cache(maxsize=32)
def passes_left(sheet: BuildSheet, flow: Band) -> Band:
    """Whole passes in a sheet's bottle, `MOST_PASSES` at most, `REST_S` of waiting and the sheet's heater between them."""
    nitrous = sheet.nitrous
    try:
        hold = vessel_state(hold_temperature(sheet), sheet.value("nitrous.bottle_fill_kg"), _volume(sheet)).P
        table = day(
            sheet, MOST_PASSES, pass_s=nitrous.pass_s, wait_s=REST_S, heater_W=nitrous.heater_w, P_hold=hold
        ).table
    except InputError:
        return _point(0.0)
    count = int((table["ended"] == "time").sum())
    ends = [count, int(count * flow.best / flow.high), min(int(count * flow.best / flow.low), MOST_PASSES)]
    return _over(ends, "the range of the flow")


def _volume(sheet: BuildSheet) -> float:
    return bottle_volume(sheet.nitrous.bottle_rated_fill_kg)


def _point(value: float) -> Band:
    return Band(value, value, value, "")


def _times(band: Band, factor: float) -> Band:
    return Band(factor * band.low, factor * band.best, factor * band.high, band.because)


def _share(values: list[float], base: float, scale: float | None = None) -> Band:
    """Change from a base [%], relative to it or to `scale`."""
    return _over([100 * (value - base) / (scale or base) for value in values], _TREND)
