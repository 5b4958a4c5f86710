"""Words that several steps about delivery and bottle share: shares, mixtures, and what a mixture off the target does."""

from __future__ import annotations

from collections.abc import Iterable

from kernel_lib.band import Band

from .step import LessonCar, fill

MISFIRES = "so rich that it may misfire (limit {misfire}), which reads lean"
MAY_MISFIRE = "rich, and it may pass the misfire limit ({misfire})"
SOOTS = "rich, short of the misfire limit ({misfire}): soot and lost power"
PAST_STOP = "lean, past the lean stop ({stop}), towards knock and burnt metal"
MAY_PASS = "lean, nearer to knock, and it may pass the lean stop ({stop})"
UNSEEN = "lean, nearer to knock, and the lean stop ({stop}) does not see it"
SIDES = (MISFIRES, MAY_MISFIRE, SOOTS, PAST_STOP, MAY_PASS, UNSEEN)


def told(template: str, facts: dict[str, str], **more: str) -> str:
    """Fill words with what depends on a prediction; the outcome may be filled again."""
    return fill(template, facts | more).replace("{", "{{").replace("}", "}}")


def percent(share: float) -> str:
    """Write a share in whole percent."""
    return f"{100 * share:.0f} %"


def percent_band(band: Band) -> str:
    """Write a share with what is unknown of it."""
    low, best, high = (f"{100 * v:.0f}" for v in (band.low, band.best, band.high))
    return f"{best} %" if low == high else f"{best} % ({low} to {high})"


def mixture(car: LessonCar, *values: float) -> str:
    """Write lambda, or the span of several, with gauge AFR beside it."""
    low, high = min(values), max(values)
    if high - low < 0.005:
        return f"lambda {low:.2f} (gauge AFR {car.scale * low:.1f})"
    return f"lambda {low:.2f} to {high:.2f} (gauge AFR {car.scale * low:.1f} to {car.scale * high:.1f})"


def side(car: LessonCar, values: Iterable[float]) -> str:
    """Write on which side of the target a mixture off it lies, and how that stands to lean stop and misfire limit."""
    low, high = min(values := tuple(values)), max(values)
    limits = car.sheet.limits
    if low + high < 2 * car.sheet.engine.lambda_with_nitrous:
        misfire = limits.misfire_rich_lambda
        template = MISFIRES if high < misfire else MAY_MISFIRE if low < misfire else SOOTS
    else:
        stop = limits.lean_stop_lambda
        template = PAST_STOP if low > stop else MAY_PASS if high > stop else UNSEEN
    return fill(template, limits_of(car))


def limits_of(car: LessonCar) -> dict[str, str]:
    """Return the limits of the mixture, as text."""
    limits = car.sheet.limits
    return {"stop": f"lambda {limits.lean_stop_lambda:.3f}", "misfire": f"lambda {limits.misfire_rich_lambda:.2f}"}
