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


def whole(value: float) -> str:
    """Write a percentage to the point, as a reader gives it."""
    return f"{value:.0f} %"


def whole_band(low: float, best: float, high: float) -> str:
    """Write a percentage with its band to the point: both ends on one grain, so that a prediction can be held against them."""
    return f"{best:.0f} ({low:.0f} to {high:.0f}) %"


def as_shown(value: float, spread: float) -> float:
    """The figure that `one` writes."""
    return float(rounded(value, spread).replace(" ", ""))


def lands(car: LessonCar, lambda_: float) -> str:
    """Write a lambda, where it lies beside target, stops and misfire limit of this car, and what that does."""
    engine, limits, scale = car.sheet.engine, car.sheet.limits, car.scale
    target, lean = mixture(engine.lambda_with_nitrous, scale), mixture(limits.lean_stop_lambda, scale)
    rich, misfire = mixture(limits.rich_stop_lambda, scale), mixture(limits.misfire_rich_lambda, scale)
    limit = {
        "lean stop": limits.lean_stop_lambda,
        "rich stop": limits.rich_stop_lambda,
        "misfire": limits.misfire_rich_lambda,
    }
    where = tf.landing(car.sheet, lambda_)
    at = "at" if where in limit and round(lambda_, 2) == round(limit[where], 2) else "past"
    said = {
        "lean stop": f"{at} this car's lean stop, {lean}. The nitrous is cut; if nothing cuts it, free oxygen meets a piston at its hottest.",
        "lean": f"leaner than {target} as meant, but short of the lean stop, {lean}. So nothing is cut and nothing warns you; each pull runs hotter and nearer to free oxygen than meant.",
        "target": "that is the target, as finely as anybody sets it. There is no harm in it.",
        "rich": f"richer than {target} as meant, but short of the rich stop, {rich}. That costs power, and plugs and oil take up fuel; no part burns.",
        "rich stop": f"{at} the rich stop, {rich}, short of the misfire limit, {misfire}. Power falls off, plugs foul, and the nitrous is cut.",
        "misfire": f"{at} the misfire limit, {misfire}. The charge may not light in every cycle; unburned oxygen then reads lean on the gauge, and more fuel makes it worse.",
    }
    return f"{mixture(lambda_, scale)}, {said[where]}"


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
