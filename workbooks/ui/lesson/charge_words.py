"""How the steps of the charge write what they compute."""

from __future__ import annotations

import numpy as np

from kernel_lib.teach.charge import choices, lesson_speeds, mixture_side
from kernel_lib.text import banded, rounded

from .. import display
from .step import LessonCar, fill

SIDE = {
    "lean stop": "past the lean stop of {stop}: hot free oxygen at full load, parts at risk",
    "at lean stop": "on the lean stop of {stop}: no margin left",
    "lean": "leaner than the target of {target}, with {part} % of the way to the lean stop used up",
    "target": "on the target",
    "target past": "on this sheet's target, which is itself past the lean stop of {stop}",
    "rich": "richer than the target of {target}, short of the rich stop of {rich}: some power lost, nothing broken at once",
    "at rich stop": "on the rich stop of {rich}: power falls and plugs begin to foul",
    "rich stop": "past the rich stop of {rich}: power falls and plugs foul",
    "misfire": "so rich that power falls and cylinders may misfire (past {misfire}, from memory); a misfire reads lean",
}
SHORT = {
    "lean stop": "past the lean stop of {stop}",
    "at lean stop": "on the lean stop of {stop}",
    "lean": "lean, short of the lean stop",
    "target": "on the target",
    "target past": "on a target past the lean stop",
    "rich": "rich, short of the rich stop",
    "at rich stop": "on the rich stop of {rich}",
    "rich stop": "past the rich stop of {rich}",
    "misfire": "so rich that cylinders may misfire",
}
TOO_LEAN, TOO_RICH = ("lean stop", "at lean stop", "target past"), ("at rich stop", "rich stop", "misfire")


def told_side(car: LessonCar, lambda_: float, words: dict[str, str] = SIDE) -> str:
    """Write where a mixture lies between the sheet's limits."""
    engine, limits = car.sheet.engine, car.sheet.limits
    target, stop = engine.lambda_with_nitrous, limits.lean_stop_lambda
    facts = {
        "target": f"{target:.3f}",
        "stop": f"{stop:.3f}",
        "rich": f"{limits.rich_stop_lambda:.2f}",
        "misfire": f"{limits.misfire_rich_lambda:.2f}",
        "part": f"{100 * (lambda_ - target) / (stop - target):.0f}" if stop > target else "",
    }
    return fill(words[mixture_side(car.sheet, lambda_)], facts)


def filled(template: str, facts: dict[str, str]) -> str:
    """Fill a template that speaks of one answer, so that it passes through the filling of the step unchanged."""
    return fill(template, facts).replace("{", "{{").replace("}", "}}")


def as_shown(spread: tuple[float, float, float]) -> tuple[float, float, float]:
    """Return low, likely and high of a share as `percent` prints them [%]."""
    width = 100 * (spread[2] - spread[0])
    wide = width if width > 1e-3 * abs(100 * spread[1]) else None
    return tuple(float(rounded(100 * v, wide).replace(" ", "")) for v in spread)


def beside(guess: float, shown: tuple[float, float, float]) -> int:
    """Say whether a whole percentage lies below (-1), in (0) or above (1) the band as shown."""
    low, _, high = shown
    return -1 if guess < np.floor(low) else 1 if guess > np.ceil(high) else 0


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
