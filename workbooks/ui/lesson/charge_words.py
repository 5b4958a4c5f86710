"""How the steps of the charge write what they compute."""

from __future__ import annotations

import numpy as np

from kernel_lib.teach.charge import choices, lesson_speeds
from kernel_lib.text import banded, rounded

from .. import display
from .step import LessonCar


def percent(spread: tuple[float, float, float]) -> str:
    """Write a share with its band in percent, the sign left to the words."""
    return banded(*(100 * v for v in spread))


def lost(spread: tuple[float, float, float]) -> str:
    """Write the share of the air that is lost; where cooling may win back all of it the low end is none."""
    low, best, high = spread
    return (
        f"{rounded(100 * max(best, 0.0), 100 * (high - low))} (none to {rounded(100 * high, 100 * (high - low))}) %"
        if low <= 0 < high
        else f"{percent(spread)} %"
    )


def flow_of(car: LessonCar) -> str:
    """Write the flow with the valve open for good, with its band."""
    flows, to = [choice[0] for choice in choices(car.sheet)], display.shown("g/s", car.system)
    return f"{banded(*(to.there(1e3 * v) for v in (min(flows), flows[0], max(flows))))} {to.unit}"


def speeds(car: LessonCar) -> dict[str, str]:
    """Write the speeds that the steps look at."""
    return dict(
        zip(("rpm_low", "rpm_peak", "rpm_high"), (f"{v:.0f} rpm" for v in lesson_speeds(car.sheet)), strict=True)
    )


def few(kelvin: float, system: str) -> str:
    """Write the size of a difference of model temperatures, to ten degrees."""
    text = display.coarse(abs(kelvin), system)
    return f"less than {display.coarse(10 / 1.8 if system == 'us' else 10, system)}" if text.startswith("0 ") else text


def window_places(car: LessonCar) -> tuple[float, ...]:
    """Five speeds of the spray window, its ends among them [rpm]."""
    low, _, high = lesson_speeds(car.sheet)
    step = 50 if high - low > 400 else 1
    return low, *(float(step * round(v / step)) for v in np.linspace(low, high, 5)[1:-1]), high
