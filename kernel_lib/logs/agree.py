"""How columns move together, and on which scale an AFR is: what one column alone cannot tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..text import rounded
from . import log_units
from .channels import CHANNELS
from .evidence import COMMON_SCALES, Case, Look
from .match import SHEET_ONLY

if TYPE_CHECKING:
    from ..build_sheet import BuildSheet

Table = dict[tuple[str, int], list[Case]]
SCALE_AGREES = 0.02  # of itself: half the distance between the scales of gasoline with and without ethanol
_STROKE_SHARE = 1200.0  # injector open time [ms] times rpm over this is injector duty [%]: one injection in two turns
_WORTH = -3.5  # log-odds below which a case is not looked at again
_TEMPERATURES = ("coolant_c", "intake_c", "bottle_c")


def canonical(seen: Look, key: str, case: Case, sheet: BuildSheet, scale: float | None = None) -> np.ndarray:
    """Return a column's thinned rows in the unit of the kernel."""
    if case.unit in log_units.SCALED and scale is None:
        scale = sheet.controller.gauge_scale
    return log_units.convert(key, case.unit, seen.rows, scale=scale, barometer_kpa=sheet.value("site.barometer_kpa"))


def weigh(looks: list[Look], table: Table, found: dict[str, int], sheet: BuildSheet) -> None:
    """Add to every case what other columns say to it; `found` is the assignment made without them."""
    throttle = _rows("throttle_percent", looks, table, found, sheet)
    rpm = _rows("rpm", looks, table, found, sheet)
    if throttle is not None:
        _with_throttle(throttle, looks, table, sheet)
    if rpm is not None:
        _injectors(rpm, looks, table, sheet)
    _temperatures(table, found)
    _same_sensor(looks, table, sheet)
    for made in table.values():
        made.sort(key=lambda c: -c.score)


def _rows(key: str, looks: list[Look], table: Table, found: dict[str, int], sheet: BuildSheet) -> np.ndarray | None:
    column = found.get(key)
    if column is None or (table[key, column][0].score < 0.5):
        return None
    return canonical(looks[column], key, table[key, column][0], sheet)


def _middle(values: np.ndarray) -> float:
    """Median of what is there; NaN where nothing is, which speaks neither for nor against."""
    there = values[np.isfinite(values)]
    return float(np.median(there)) if len(there) else float("nan")


def _with_throttle(throttle: np.ndarray, looks: list[Look], table: Table, sheet: BuildSheet) -> None:
    """Nitrous flows at full throttle only; the manifold follows the throttle and at full throttle comes to what the sheet says."""
    shut, wide = throttle < 50, throttle > 85
    if shut.sum() < 5 or wide.sum() < 5:
        return
    full = sheet.value("engine.full_throttle_manifold_kpa")
    for (key, column), made in table.items():
        seen = looks[column]
        if key in ("nitrous_duty_percent", "nitrous_on") and not seen.flat:
            on = float(np.mean(seen.rows[shut] != 0))
            for case in made:
                case.score += 1.5 if on < 0.05 else -3.0 if on > 0.4 else 0.0
                if on < 0.05:
                    case.said.append("It is 0 wherever the throttle is shut.")
        elif key in ("lambda_", "lambda_2"):
            for case in made:
                full_lambda = _middle(canonical(seen, key, case, sheet)[wide])
                case.score += 0.5 if full_lambda < 0.98 else -2.0 if full_lambda > 1.03 else 0.0
        elif key == "manifold_kpa":
            for case in made:
                kpa = canonical(seen, key, case, sheet)
                at, closed = _middle(kpa[wide]), _middle(kpa[shut])
                if abs(at - full) < 5 and closed < at - 10:
                    case.score += 2.0
                    case.said.append(
                        f"At full throttle it is {rounded(at)} kPa absolute; the sheet has {rounded(full)}."
                    )
                elif closed > at:
                    case.score -= 3.0


def _injectors(rpm: np.ndarray, looks: list[Look], table: Table, sheet: BuildSheet) -> None:
    """Open time times speed is injector duty."""
    times = [
        (c, case) for (key, c), made in table.items() if key == "injector_ms" for case in made if case.score > _WORTH
    ]
    duties = [
        (c, case)
        for (key, c), made in table.items()
        if key == "injector_duty_percent"
        for case in made
        if case.score > _WORTH
    ]
    for column, case in times:
        predicted = canonical(looks[column], "injector_ms", case, sheet) * rpm / _STROKE_SHARE
        for other, duty_case in duties:
            if other == column:
                continue
            duty = canonical(looks[other], "injector_duty_percent", duty_case, sheet)
            open_now = np.isfinite(duty) & (duty > 3)
            if open_now.sum() > 10 and np.median(np.abs(predicted[open_now] / duty[open_now] - 1)) < 0.06:
                for one in (case, duty_case):
                    one.score += 2.5
                    one.said.append("Injector open time times engine speed gives the injector duty.")


def _temperatures(table: Table, found: dict[str, int]) -> None:
    """One logger writes its temperatures in one unit: the clear one speaks for the others."""
    for key in _TEMPERATURES:
        made = table.get((key, found.get(key, -1)), [])
        if not made or (len(made) > 1 and made[0].score - made[1].score < 2.0):
            continue
        for (other, column), theirs in table.items():
            if other in _TEMPERATURES and other != key and column != found[key]:
                for case in theirs:
                    if case.unit == made[0].unit and not case.stated and case.fits > 0:
                        case.score += 2.0
                        case.said.append(f"The {CHANNELS[key].label} of this log is in {case.unit} too.")
        return


def _same_sensor(looks: list[Look], table: Table, sheet: BuildSheet) -> None:
    """Two columns that are the same, or lambda and AFR in the proportion of a known scale, are one sensor: the one in lambda is read, the other left.

    Two columns in one unit and another proportion are two sensors that disagree: both stay.
    """
    columns = [c for (key, c), made in table.items() if key == "lambda_" and made and made[0].score > -2]
    for a in columns:
        for b in columns:
            one, other = table["lambda_", a][0], table["lambda_", b][0]
            if a >= b or not _one_sensor((looks[a], one.unit), (looks[b], other.unit), sheet):
                continue
            drop, kept = (a, b) if (one.unit, other.unit) == ("AFR", "lambda") else (b, a)
            for key in ("lambda_", "lambda_2"):
                for case in table.get((key, drop), []):
                    case.score -= 12.0
            for case in table["lambda_", kept]:
                on = " on another scale" if one.unit != other.unit else ""
                case.said.append(f"'{looks[drop].name[:60]}' is the same reading{on}.")


def _one_sensor(first: tuple[Look, str], second: tuple[Look, str], sheet: BuildSheet) -> bool:
    """Whether two columns of lambda are one reading, written twice or on two scales."""
    (a, unit_a), (b, unit_b) = first, second
    if not proportional(a.rows, b.rows):
        return False
    ratio = _middle(b.rows / np.where(a.rows > 0, a.rows, np.nan))
    if unit_a == unit_b:
        return abs(ratio - 1) < 0.002
    if {unit_a, unit_b} != {"lambda", "AFR"}:
        return True
    ratio, gauge = (1 / ratio, a) if unit_a == "AFR" else (ratio, b)
    stated = log_units.stated_scale(gauge.name, gauge.unit)
    scales = (stated,) if stated else (sheet.controller.gauge_scale, *COMMON_SCALES)
    return any(abs(ratio / scale - 1) < 0.01 for scale in scales)


def proportional(a: np.ndarray, b: np.ndarray) -> bool:
    """Whether two moving columns keep one proportion within half a percent."""
    good = np.isfinite(a) & np.isfinite(b) & (a != 0)
    if good.sum() < 20 or np.ptp(a[good]) == 0:
        return False
    ratio = b[good] / a[good]
    low, middle, high = np.percentile(ratio, (5, 50, 95))
    return bool(middle > 0 and high - low < 0.01 * middle and np.ptp(a[good]) > 0.05 * abs(np.median(a[good])))


def alike(key: str, a: np.ndarray, b: np.ndarray) -> bool:
    """Whether two columns say the same, so that it does not matter which is read; clocks may start anywhere."""
    if key == "time_s":
        a, b = a - a[0], b - b[0]
    size = float(np.ptp(a))
    return bool(np.isfinite(size) and size > 0 and np.mean(np.abs(a - b) <= 0.01 * size) > 0.98)


def cruise(values: np.ndarray, throttle: np.ndarray | None) -> float | None:
    """Return where an AFR settles at part throttle; None where it does not or no throttle is known."""
    if throttle is None:
        return None
    part = np.isfinite(values) & (throttle < 50) & (values > 0)
    part &= values < 0.97 * np.nanmax(values) if part.any() else False
    inside = np.sort(values[part])
    if inside.size < 20:
        return None
    first = np.searchsorted(inside, inside / 1.04)
    count = np.arange(inside.size) - first
    best = int(np.argmax(count))
    return float(np.mean(inside[first[best] : best + 1])) if count[best] > 0.4 * inside.size else None


def settles_at(seen: Look, throttle: np.ndarray | None, scale: float) -> bool:
    """Whether an AFR settles at part throttle where a scale has its lambda 1."""
    settled = cruise(seen.rows, throttle)
    return settled is not None and abs(settled / scale - 1) <= SCALE_AGREES


def scale_of(seen: Look, throttle: np.ndarray | None, sheet: BuildSheet) -> tuple[float | None, str, str]:
    """Return the AFR at lambda 1 of a column, what says so, and what has to be asked where nothing does.

    Notes
    -----
    In order: the column's own head; where it settles at part throttle, which is near lambda 1 under closed loop, held against the
    gauge scale of the sheet; without part throttle, that scale where the sheet states it and full throttle makes sense on it.
    """
    own, name = sheet.controller.gauge_scale, seen.name[:60]
    stated = log_units.stated_scale(seen.name, seen.unit)
    if stated is not None:
        return stated, f"Its head states the scale: {stated:g} at lambda 1.", ""
    head = f"Column '{name}' runs {seen.runs()} and says no scale"
    settled = cruise(seen.rows, throttle)
    if settled is not None:
        if abs(settled / own - 1) <= SCALE_AGREES:
            return (
                own,
                f"At part throttle it settles near {settled:.3g}: lambda 1 on the {own:g} scale of the sheet.",
                "",
            )
        near = min(COMMON_SCALES, key=lambda s: abs(settled / s - 1))
        guess = f"the {near:g} scale" if abs(settled / near - 1) <= SCALE_AGREES else "no usual scale"
        ask = f"{head}; at part throttle it settles near {settled:.3g}, which is lambda 1 on {guess}, not on the {own:g} of the sheet."
        return None, "", f"{ask} Which AFR does the gauge show at lambda 1?"
    rich = seen.rows[throttle > 85] if throttle is not None and (throttle > 85).sum() > 10 else seen.values
    at = float(np.nanmedian(rich)) / own
    if sheet.is_given("controller.gauge_scale") and 0.72 <= at <= 1.05:
        said = f"{SHEET_ONLY}: there is no part throttle, where it would settle at lambda 1. Column '{name}' is taken on the {own:g} scale that the sheet states, and full throttle is lambda {at:.2f} on it."
        return own, f"{said} Does the gauge show {own:g} at lambda 1?", ""
    basis = "as the sheet says" if sheet.is_given("controller.gauge_scale") else "which the sheet only assumes"
    return None, "", f"{head}: is it AFR on a {own:g} scale ({basis}; full throttle would be lambda {at:.2f})?"
