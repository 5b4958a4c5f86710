"""What the fuel panel computes: injectors and pump over rpm, and for a wet kit its jets and valves."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from kernel_lib import BuildSheet, InputError, Plan
from kernel_lib.band import Band
from kernel_lib.engine.charge import fresh_charge
from kernel_lib.engine.setup import Setup
from kernel_lib.plan import fuel as pf
from kernel_lib.plan import fuel_system as fs
from kernel_lib.plan.judgement import at_peak, own_fuel_key
from kernel_lib.plan.plan import plan_supply

FIVE_PSI_KPA = 34.4738
_JETS = np.linspace(0.3, 2.6, 47)


@dataclass(frozen=True)
class Wet:
    """A wet pair: lambda over jet bore and over valve duty."""

    wanted: Band  # bore [mm], over the fuel's range and the jet's coefficient
    step_kpa: float  # by which the pressure is varied
    fuel: float  # kg/s
    rpm: float
    bores: np.ndarray
    lambda_: np.ndarray
    low: np.ndarray  # at 5 psi more
    high: np.ndarray  # at 5 psi less
    owned: list[tuple[float, float]]
    fitted: float | None
    fitted_lambda: float | None
    fitted_ends: tuple[float, float]  # over flow and coefficient, for the fitted or the wanted jet
    duty: np.ndarray
    drift: dict[str, np.ndarray] | None


@dataclass(frozen=True)
class FuelSide:
    """What the panel shows."""

    sheet: BuildSheet
    plan: Plan
    largest: fs.Largest
    bare_duty: np.ndarray
    pump_reason: str
    wet: Wet | None


@lru_cache(maxsize=8)
def compute(sheet: BuildSheet) -> FuelSide:
    """Compute the fuel side of a car."""
    plan, setup = plan_supply(sheet), Setup.of(sheet)
    rpm = plan.table["rpm"].to_numpy()
    charge = fresh_charge(setup, rpm, 0.0)
    bare = pf.fuel_for(setup, charge, sheet.engine.lambda_without_nitrous) * setup.cycles_per_second(rpm)
    return FuelSide(
        sheet, plan, fs.largest_shot(sheet), fs.injector_duty(sheet, setup, rpm, bare), fs.pump_flow(sheet, setup)[1],
        _wet(sheet, setup, plan) if sheet.nitrous.system == "wet" else None,
    )  # fmt: skip


def _wet(sheet: BuildSheet, setup: Setup, plan: Plan) -> Wet:
    row = at_peak(sheet, plan.table)
    rpm, nitrous = float(row["rpm"]), plan.flow.best
    low, fuel, high = (float(row[f"{own_fuel_key(sheet)}_kg_h{end}"]) / 3600 for end in ("_low", "", "_high"))
    if low <= 0:
        raise InputError(
            "nitrous.system",
            "wet",
            "",
            "a shot that needs fuel of its own",
            "The controller already gives all the fuel this shot needs.",
        )

    step = min(FIVE_PSI_KPA, 0.5 * sheet.value("nitrous.fuel_jet_pressure_kpa"))

    def at(bore, change: float = 0.0):
        return fs.wet_lambda(sheet, setup, rpm, nitrous, fs.jet_flow(sheet, setup, bore, change_kpa=change))

    fitted = sheet.nitrous.fuel_jet_diameter_mm
    jet, coefficient = fitted or fs.jet_for(sheet, setup, fuel).best, fs.jet_coefficient(sheet)
    ends = tuple(
        float(fs.wet_lambda(sheet, setup, rpm, flow, fs.jet_flow(sheet, setup, jet, coefficient=c)))
        for flow, c in ((plan.flow.low, coefficient.high), (plan.flow.high, coefficient.low))
    )
    duty = np.linspace(0.1, 1.0, 37)
    return Wet(
        wanted=fs.jet_band(sheet, setup, low, fuel, high), step_kpa=step, fuel=fuel, rpm=rpm, bores=_JETS, lambda_=at(_JETS), low=at(_JETS, step), high=at(_JETS, -step),
        owned=fs.jets_owned(sheet, setup, rpm, nitrous), fitted=fitted, fitted_lambda=None if fitted is None else float(at(fitted)), fitted_ends=ends, duty=duty,
        drift=fs.pulse_drift(sheet, setup, rpm, nitrous, float(fs.jet_flow(sheet, setup, jet)), duty),
    )  # fmt: skip
