"""What the lesson's engine steps compute of a car, and how they write it: shared by words and pictures."""

from __future__ import annotations

import numpy as np

from kernel_lib.band import Band
from kernel_lib.engine.setup import spray_speeds
from kernel_lib.plan.spark import GRID
from kernel_lib.teach import burn as tb
from kernel_lib.teach import fuel as tf
from kernel_lib.teach import retard as tr
from kernel_lib.text import banded, rounded

from ..timing_model import half_up
from ..timing_words import degrees
from .step import LessonCar

RON_STEP = 4.0
"""More octane numbers in the tank, as the timing page has them."""


def speed(rpm: float) -> str:
    """Write an engine speed."""
    return f"{rpm:.0f} rpm"


def mixture(lambda_: float, scale: float) -> str:
    """Write lambda, gauge AFR beside it."""
    return f"lambda {lambda_:.2f} (gauge {lambda_ * scale:.1f})"


def percent(low: float, best: float, high: float) -> str:
    """Write a percentage with its band."""
    return f"{banded(low, best, high)} %"


def one(value: float, spread: float) -> str:
    """Write one figure of a band as finely as the band allows."""
    return f"{rounded(value, spread)} %"


def ends(band: Band) -> tuple[float, float, float]:
    """Low, likely, high."""
    return band.low, band.best, band.high


def counted(number: str) -> str:
    """Write so many degrees."""
    return f"{number} degree{'' if number in ('1', '0.5') else 's'}"


def angle(value: float) -> str:
    """Write a retard to the half degree, with its unit, or why there is none."""
    if np.isnan(value):
        return "not known"
    return counted(degrees(value)) if np.isfinite(value) else f"more than {GRID[-1]:g} degrees"


def angle_up(value: float) -> str:
    """Write a retard rounded up, as a first hit takes it."""
    return angle(half_up(value) if np.isfinite(value) else value)


def window(car: LessonCar) -> tuple[float, ...]:
    """Engine speeds of the spray window."""
    return tuple(float(v) for v in spray_speeds(car.sheet))


def evaporation_of(car: LessonCar) -> tf.Evaporation:
    """Charge of the likely flow over the spray window."""
    return tf.evaporation(car.sheet, car.plan.flow.best, window(car))


def fuel_at_peak(car: LessonCar) -> tf.ShotFuel:
    """Fuel of what the shot is likely to add, at the speed where a shot is counted."""
    return tf.shot_fuel(car.sheet, car.plan.power.best, (float(car.sheet.engine.peak_power_rpm),))


def fuel_over_speed(car: LessonCar) -> tf.ShotFuel:
    """The same over the spray window."""
    return tf.shot_fuel(car.sheet, car.plan.power.best, window(car))


def first_hit_at(car: LessonCar) -> tuple[float, float, bool]:
    """Speed near peak power, the retard there, and whether it is a first hit's; where no speed is reachable, the rule's."""
    table = car.plan.timing.table
    good = table[table["reachable"].to_numpy(bool)]
    rows = good if len(good) else table
    row = rows.iloc[int((rows["rpm"] - car.sheet.engine.peak_power_rpm).abs().to_numpy().argmin())]
    reachable = bool(row["reachable"])
    return float(row["rpm"]), half_up(float(row["first_hit_deg"] if reachable else row["rule_deg"])), reachable


def _corners(car: LessonCar) -> tuple:
    return tuple(car.plan.timing.choices)


def burn_of(car: LessonCar) -> tb.BurnRate:
    """The burn at that speed."""
    return tb.burn_rate(car.sheet, first_hit_at(car)[0], _corners(car))


def load_of(car: LessonCar) -> tb.Load:
    """What is asked of fuel, plug and coil there."""
    rpm, retard, _ = first_hit_at(car)
    return tb.load(car.sheet, rpm, _corners(car), retard)


def retard_of(car: LessonCar) -> tr.Retard:
    """Retard over the places of the sketch."""
    worth = max(car.sheet.nitrous.shot_hp, car.plan.power.best)
    return tr.retard_over_speed(car.sheet, _corners(car), worth, tr.places_of(car.sheet))
