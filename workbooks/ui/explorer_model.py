"""What the charge explorer computes: one charge, a map round it, slices through it, and its oxygen over rpm."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from kernel_lib import BuildSheet, InputError
from kernel_lib.band import DENSITY_EXPONENT, WALL_HEAT_SHARE
from kernel_lib.engine.charge import (
    Charge,
    SparkState,
    flow_for_fraction,
    fresh_charge,
    opening_temperature,
    spark_state,
)
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import fuel as pf
from kernel_lib.plan.power import wanted_flow
from kernel_lib.thermo import fuels
from kernel_lib.thermo.equilibrium import T_RANGE, FlameLine, FlameMap, flame_line, flame_map
from kernel_lib.thermo.mixture import Mixture, oxygen_share
from kernel_lib.thermo.wideband import shown_lambda

OWN_FUEL = "this car's fuel"
LAMBDA_SPAN = (0.70, 1.20)
SPANS_T = {"intake": (230.0, 430.0), "spark": (450.0, 950.0)}
SPANS_P = {"intake": (40e3, 110e3), "spark": (3e5, 40e5)}
_MAP_SIZE, _LINE_SIZE = 60, 41
REDUCING, OXIDISING, BURNED = ("CO", "H2"), ("O2", "NO", "OH"), ("CO2", "H2O")


@dataclass(frozen=True)
class Inputs:
    """The controls. `T` and `P` None: those of this car's own charge."""

    rpm: float
    lambda_: float
    shot_hp: float
    fraction: float | None = None  # if set, it rules and the shot does not
    state: str = "intake"
    hold: str = "HP"
    T: float | None = None
    P: float | None = None
    fuel: str = OWN_FUEL

    @classmethod
    def of(cls, sheet: BuildSheet) -> Inputs:
        """Start at this car's shot, target and speed of peak power."""
        return cls(
            rpm=sheet.engine.peak_power_rpm, lambda_=sheet.engine.lambda_with_nitrous, shot_hp=sheet.nitrous.shot_hp
        )


@dataclass(frozen=True)
class Result:
    """What the pictures and sentences are made of; SI."""

    inputs: Inputs
    flow: float
    charge: Charge
    own_T: tuple[float, float, float]  # low, likely, high at the chosen state
    own_P: float
    spark: SparkState
    T: float
    P: float
    map: FlameMap
    line: FlameLine
    bare: FlameLine
    point_T: float
    shown_lambda: float
    rpm: np.ndarray
    share_rpm: np.ndarray
    share: tuple[np.ndarray, np.ndarray, np.ndarray]  # low, likely, high
    base_share: float
    opening_T: tuple[float, float]  # burned gas at exhaust opening, at this lambda and at the too-lean mark
    missing_share: float  # share of the added fuel whose loss reaches the too-lean mark


@lru_cache(maxsize=32)
def _setup(sheet: BuildSheet, fuel: str) -> Setup:
    setup = Setup.of(sheet)
    return setup if fuel == OWN_FUEL else replace(setup, fuel=fuels.get(fuel))


@lru_cache(maxsize=256)
def _flow_for_shot(sheet: BuildSheet, shot_hp: float) -> float:
    """Nitrous flow of a shot: a matter of the car, not of what is burned for comparison."""
    return wanted_flow(sheet, shot_hp=shot_hp)


@lru_cache(maxsize=8)
def _line(fuel: fuels.Fuel, T: float, P: float, hold: str, composition: tuple[float, float, float]) -> FlameLine:
    """Slice over lambda; the composition is nitrous, water and residual fraction. Kept while other controls move."""
    return flame_line(fuel, np.linspace(*LAMBDA_SPAN, _LINE_SIZE), T, P, hold, **_named(composition))


@lru_cache(maxsize=8)
def _map(fuel: fuels.Fuel, state: str, P: float, hold: str, composition: tuple[float, float, float]) -> FlameMap:
    """Map over lambda and charge temperature, kept likewise."""
    axes = np.linspace(*LAMBDA_SPAN, _MAP_SIZE), np.linspace(*SPANS_T[state], _MAP_SIZE)
    return flame_map(fuel, *axes, P, hold, **_named(composition))


def _named(composition: tuple[float, float, float]) -> dict[str, float]:
    return dict(zip(("nitrous_fraction", "water_fraction", "residual_fraction"), composition, strict=True))


def explore(sheet: BuildSheet, inputs: Inputs) -> Result:
    """Compute everything for one position of the controls.

    Raises
    ------
    InputError
        Naming the control that does not fit; nothing is computed then.
    """
    setup = _setup(sheet, _check_words(inputs).fuel)
    if inputs.fraction is None:
        flow = _flow_for_shot(sheet, inputs.shot_hp)
    else:
        flow = flow_for_fraction(setup, inputs.rpm, inputs.fraction)
    try:
        charge = fresh_charge(setup, inputs.rpm, flow)
    except InputError as exc:
        if exc.field != "nitrous_flow":
            raise
        raise InputError("shot", inputs.shot_hp, "hp", "less, or a higher speed", exc.reason) from exc
    timing = float(setup.timing_deg(inputs.rpm))
    spark = spark_state(setup, charge, inputs.lambda_, timing)
    own_T, own_P = _own_state(setup, inputs, flow, charge, spark, timing)
    T = own_T[1] if inputs.T is None else inputs.T
    P = own_P if inputs.P is None else inputs.P
    x, water = float(charge.nitrous_fraction), float(charge.water_fraction)
    residual = setup.residual if inputs.state == "spark" else 0.0
    burned = (x, water, residual)
    grid = _map(setup.fuel, inputs.state, P, inputs.hold, burned)
    line = _line(setup.fuel, T, P, inputs.hold, burned)
    bare = _line(setup.fuel, T, P, inputs.hold, (0.0, setup.air_water, residual))
    point = flame_line(setup.fuel, [inputs.lambda_], T, P, inputs.hold, **_named(burned))
    share_rpm, share = _share_band(setup, flow)
    mix = Mixture(setup.fuel, inputs.lambda_, x, water_fraction=water)
    return Result(
        inputs=inputs,
        flow=flow,
        charge=charge,
        own_T=own_T,
        own_P=own_P,
        spark=spark,
        T=T,
        P=P,
        map=grid,
        line=line,
        bare=bare,
        point_T=float(point.T[0]),
        shown_lambda=shown_lambda(mix),
        rpm=setup.rpm_table,
        share_rpm=share_rpm,
        share=share,
        base_share=float(oxygen_share(0.0)),
        opening_T=tuple(opening_temperature(setup, charge, v, spark) for v in (inputs.lambda_, pf.TOO_LEAN_LAMBDA)),
        missing_share=_missing_share(sheet, setup, charge, inputs),
    )


def _check_words(inputs: Inputs) -> Inputs:
    for field, value, words in (
        ("state", inputs.state, tuple(SPANS_T)),
        ("hold", inputs.hold, ("HP", "UV")),
        ("fuel", inputs.fuel, (OWN_FUEL, *fuels.names())),
    ):
        if value not in words:
            raise InputError(field, value, "", "one of " + ", ".join(words), "The page offers no other.")
    return inputs


def _share_band(setup: Setup, flow: float) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Speeds at which the flow leaves room for air, and the oxygen share there: low, likely, high.

    Cold dense air thins the nitrous, so the ends are corners of the two unknowns.
    """
    wall = np.array([[WALL_HEAT_SHARE.low], [WALL_HEAT_SHARE.best], [WALL_HEAT_SHARE.high]])
    exponent = np.array([[DENSITY_EXPONENT.high], [DENSITY_EXPONENT.best], [DENSITY_EXPONENT.high]])
    for first in range(len(setup.rpm_table) - 1):
        rpm = setup.rpm_table[first:]
        try:
            return rpm, tuple(fresh_charge(setup, rpm, flow, wall_share=wall, exponent=exponent).oxygen_share)
        except InputError:
            continue
    raise InputError("shot", 1e3 * flow, "g/s", "less", "At no speed of the table does this flow leave room for air.")


def _own_state(setup: Setup, inputs: Inputs, flow: float, charge: Charge, spark: SparkState, timing: float):
    """Where this car's own charge sits: temperature (low, likely, high over the wall-heat share) and pressure."""
    ends = fresh_charge(setup, inputs.rpm, flow, wall_share=np.array([WALL_HEAT_SHARE.low, WALL_HEAT_SHARE.high]))
    if inputs.state == "intake":
        return (float(ends.T[0]), float(charge.T), float(ends.T[1])), setup.P_manifold
    T = [
        spark_state(setup, ends, inputs.lambda_, timing, k).T if ends.T[k] >= T_RANGE[0] else float("nan")
        for k in (0, 1)
    ]
    return (T[0], spark.T, T[1]), spark.P


def _missing_share(sheet: BuildSheet, setup: Setup, charge: Charge, inputs: Inputs) -> float:
    """Share of the added fuel that may be missing before the too-lean mark is reached; above 1: never, 0: already there."""
    needed = pf.fuel_for(setup, charge, inputs.lambda_)
    own = pf.fuel_supplied(
        setup,
        charge,
        inputs.rpm,
        sheet.engine.lambda_without_nitrous,
        sheet.controller.metering,
        sheet.controller.intake_sensor,
    )
    added = float(needed - own)
    if added <= 0:
        return float("nan")
    return max(0.0, (1 - inputs.lambda_ / pf.TOO_LEAN_LAMBDA) * float(needed) / added)
