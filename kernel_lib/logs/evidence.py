"""What speaks for a column being a quantity: its name, its unit, its values against this car, how it moves with others."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from ..text import rounded
from . import log_units, words
from .channels import CHANNELS

if TYPE_CHECKING:
    from ..build_sheet import BuildSheet
    from .read import RawLog

THIN = 5000  # rows looked at
PRIOR = -3.0  # log-odds of a column nobody has looked at being one certain quantity: some twenty are known
COMMON_SCALES = (14.7, 14.1, 9.8, 9.0, 6.4)
"""AFR at lambda 1 of gauges: gasoline, its blend with a tenth of ethanol, E85, ethanol, methanol; common practice, no source."""
_LAMBDA_KEYS = ("lambda_", "lambda_2", "lambda_target")
_STEPS_LOOKED_AT = 20_000
_RARE = 0.01  # part of the values of a long log that may be no such quantity at all [%]
_UNUSUAL_TIME = {"us": 0.5, "min": 2.5, "h": 3.0}
_STATED_FLOOR, _BEYOND = -2.0, -9.0
"""What its name and unit both say stays so where the values are unusual, down to values that are none at all: a fault looks so."""
NOUGHTS = 0.5
"""Share of noughts up to which a column of lambda is one that drops out; a choice of our own, no source."""
PEGGED = 4.0
"""Times its median from which a value of lambda or AFR is no reading: a gauge beyond its lean end; a choice of our own, no source."""
SLOWEST_RPM = 100.0
"""A column that never reaches so much is no engine speed in rpm, whatever it is called: no engine idles there; a choice of our own, no source."""
_SHARES = ("throttle_percent", "nitrous_duty_percent", "injector_duty_percent")
_SPECIFIC = {
    "rpm": 2.5,
    "lambda": 3.0,
    "AFR": 3.0,
    "1/lambda": 3.0,
    "km/h": 2.5,
    "mph": 2.5,
    "deg before TDC": 2.0,
    "V": 0.5,
}
_SPECIFIC |= {
    "psi gauge": 1.0,
    "bar gauge": 1.0,
    "kPa gauge": 1.0,
    "inHg absolute": 2.0,
    "mbar absolute": 1.5,
    "gear": 3.0,
}


@dataclass(frozen=True, eq=False)
class Look:
    """A column as it was looked at.

    Attributes
    ----------
    name, unit : str
        Its head, and the unit it states ("" for none).
    values : array
        Thinned, only numbers.
    rows : array
        On the common thinned rows, bridged; to be held against other columns.
    points : array
        Its values at every hundredth of their order, the lowest first.
    low, middle, high : float
        Hundredth, median and hundredth from the top.
    least, most : float
        Its extremes, of all rows.
    long : bool
        Whether a pull may be less than a hundredth of its rows.
    """

    name: str
    unit: str
    values: np.ndarray
    rows: np.ndarray
    points: np.ndarray
    low: float
    middle: float
    high: float
    least: float
    most: float
    long: bool

    @property
    def flat(self) -> bool:
        """Whether it never moves."""
        return bool(self.values.size == 0 or self.least == self.most)

    def runs(self) -> str:
        """Say from where to where it runs."""
        return f"from {_short(self.least)} to {_short(self.most)}"


def _short(value: float) -> str:
    """Write a number without the noughts that say nothing here."""
    text = rounded(value)
    return text.rstrip("0").rstrip(".") if "." in text else text


@dataclass
class Case:
    """What speaks for one column being one quantity, in one unit."""

    unit: str
    score: float
    said: list[str] = field(default_factory=list)
    named: bool = False
    stated: bool = False
    fits: float = 0.0


def look(raw: RawLog) -> list[Look]:
    """Thin every column; nothing is changed."""
    rows = np.unique(np.linspace(0, max(raw.rows - 1, 0), min(raw.rows, THIN)).astype(int))
    out = []
    for name, unit, column in zip(raw.names, raw.units, raw.columns, strict=True):
        at = np.flatnonzero(np.isfinite(column))
        values = column[at[:: len(at) // THIN + 1]]
        bridged = np.interp(rows, at, column[at]) if at.size else np.full(len(rows), np.nan)
        points = np.percentile(values, np.arange(101)) if values.size else np.full(101, np.nan)
        low, middle, high = points[[1, 50, 99]].tolist()
        least, most = (float(np.nanmin(column)), float(np.nanmax(column))) if at.size else (low, high)
        long = at.size > THIN
        if long:
            points[[0, 100]] = np.percentile(column[at], (_RARE, 100 - _RARE))
        stated = log_units.unit_text(name, unit)
        out.append(Look(name, stated, values, bridged, points, low, middle, high, least, most, long))
    return out


def expected(sheet: BuildSheet) -> dict[str, tuple]:
    """Return where the hundredth, the median and the hundredth from the top of a quantity lie in a log of pulls of this car."""
    limit, rail = sheet.engine.limit_rpm, sheet.fuel_system.rail_pressure_kpa
    baro, air = sheet.value("site.barometer_kpa"), sheet.site.air_temperature_c
    share = ((-1.0, 5.0), (-1.0, 103.0), (12.0, 103.0))
    lam = ((0.5, 1.06), (0.68, 1.16), (0.8, 3.0))
    fuel = ((0.3 * rail, 1.3 * rail), (0.6 * rail, 1.5 * rail), (0.7 * rail, 1.8 * rail))
    return {
        "rpm": ((-1.0, 0.75 * limit), (0.1 * limit, 1.02 * limit), (0.42 * limit, 1.1 * limit)),
        "throttle_percent": ((-5.0, 60.0), (-5.0, 103.0), (75.0, 105.0)),
        "lambda_": lam,
        "lambda_2": lam,
        "lambda_target": ((0.6, 1.06), (0.7, 1.06), (0.75, 1.3)),
        "timing_deg_btdc": ((-15.0, 35.0), (3.0, 45.0), (8.0, 60.0)),
        "nitrous_duty_percent": share,
        "nitrous_on": ((-0.1, 0.5), (-0.1, 1.0), (0.5, 1.0)),
        "bottle_kpa": ((1500.0, 9000.0), (2800.0, 9500.0), (2800.0, 10500.0)),
        "bottle_c": ((-25.0, 45.0), (-10.0, 45.0), (-5.0, 50.0)),
        "fuel_kpa": fuel,
        "injector_duty_percent": ((-0.5, 60.0), (0.8, 101.0), (15.0, 115.0)),
        "injector_ms": ((-0.1, 12.0), (0.9, 30.0), (3.0, 40.0)),
        "intake_c": ((air - 25, air + 40), (air - 15, air + 40), (air - 15, air + 60)),
        "coolant_c": ((10.0, 105.0), (55.0, 112.0), (60.0, 120.0)),
        "knock": ((-1e9, 1e9),) * 3,
        "manifold_kpa": ((10.0, 1.04 * baro), (20.0, 1.04 * baro), (0.88 * baro, 1.06 * baro)),
        "trim_percent": ((-40.0, 10.0), (-20.0, 20.0), (-10.0, 40.0)),
        "battery_v": ((9.5, 15.2), (11.4, 15.2), (11.8, 15.8)),
        "gear": ((-1.0, 6.0), (0.0, 8.0), (1.0, 9.0)),
        "speed_km_h": ((-1.0, 220.0), (10.0, 300.0), (30.0, 400.0)),
    }


def _range_score(points: np.ndarray, key: str, expect: tuple, *, long: bool = False) -> float:
    """Score where values lie, given at every hundredth of their order, from 2 downwards; of a long log the ends may reach where hundredths do not."""
    points = np.sort(points)
    if not np.isfinite(points[[1, 50, 99]]).all():
        return -12.0
    channel = CHANNELS[key]
    inside = np.mean((points >= channel.low) & (points <= channel.high))
    score = 2.0 if inside > 0.97 else 2.0 - 30.0 * (0.97 - inside)
    told = points[[1, 50, 99]].tolist()
    if long:
        told[0] = float(np.clip(expect[0][1], points[0], points[1])) if told[0] > expect[0][1] else told[0]
        told[2] = float(np.clip(expect[2][0], points[99], points[100])) if told[2] < expect[2][0] else told[2]
    for (low, high), value in zip(expect, told, strict=True):
        beyond = max(low - value, value - high, 0.0) / max(high - low, 1e-9)
        if beyond > 0:
            score -= min(1.0 + 3.0 * beyond, 4.0)
    return float(score)


def _convert(key: str, unit: str, values: np.ndarray, scale: float | None, sheet: BuildSheet) -> np.ndarray:
    return log_units.convert(key, unit, values, scale=scale, barometer_kpa=sheet.value("site.barometer_kpa"))


def value_score(seen: Look, key: str, unit: str, sheet: BuildSheet, expect: tuple) -> float:
    """Score the values of a column as one quantity in one unit; an AFR without scale takes the scale that fits best."""
    scales: tuple = (None,)
    if unit in log_units.SCALED:
        stated = log_units.stated_scale(seen.name, seen.unit)
        scales = (stated,) if stated else tuple(dict.fromkeys((sheet.controller.gauge_scale, *COMMON_SCALES)))
    points = _measured(key, seen.points)
    return max(_range_score(_convert(key, unit, points, scale, sheet), key, expect, long=seen.long) for scale in scales)


def _measured(key: str, points: np.ndarray) -> np.ndarray:
    """Return the points of a column without what a lambda gauge writes where it measures nothing: noughts, and numbers far beyond its end."""
    if key not in _LAMBDA_KEYS or not np.any(points > 0):
        return points
    nought = (points == 0) | (points > PEGGED * np.median(points[points > 0]))
    if not 0 < np.mean(nought) < NOUGHTS:
        return points
    return np.percentile(points[~nought], np.arange(101))


def stepped(column: np.ndarray) -> tuple[float, float, float, float, float] | None:
    """Return how a column steps: share rising, share standing, share of even steps, median step, span; None where it is no time."""
    t = column[np.isfinite(column)]
    steps = np.diff(t[:_STEPS_LOOKED_AT])
    moved = steps[steps > 0]
    if t.size < 20 or moved.size < 5:
        return None
    rising, standing = float(np.mean(steps >= 0)), float(np.mean(steps == 0))
    if rising < 0.9 or standing > 0.97:
        return None
    middle = float(np.median(moved))
    even = float(np.mean(np.abs(moved - middle) <= 0.5 * middle))
    return rising, standing, even, middle, float(moved.sum()) * t.size / (steps.size + 1)


def time_score(how: tuple[float, float, float, float, float], unit: str) -> float:
    """Score a column as time in a unit: it rises nearly always, in steps and over a span that a log has."""
    rising, standing, even, step, span = how
    second = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0}[unit]
    score = 3.0 + 2.0 * even - 30.0 * (1.0 - rising) - 3.0 * standing - _UNUSUAL_TIME.get(unit, 0.0)
    for value, low, high in ((step * second, 0.004, 0.21), (span * second, 3.0, 4 * 3600.0)):
        if not low <= value <= high:
            score -= min(1.5 + abs(np.log10(value / (low if value < low else high))) * 1.5, 5.0)
    return score


def cases(seen: Look, key: str, raw_column: np.ndarray, sheet: BuildSheet, expect: dict) -> list[Case]:
    """Return the case for each unit in which a column could be a quantity, the best first; none where its unit is another's."""
    weight = words.name_weight(label_of(seen), key, log_units.speaks_of(seen.unit))
    meant = log_units.meant(key, seen.unit)
    if meant == () or weight <= -4.5 or (key == "knock" and weight <= 0):
        return []
    if not words.is_nameless(label_of(seen)) and weight < -3 and not (meant and _SPECIFIC.get(meant[0], 0) >= 2.5):
        return []
    how = stepped(raw_column) if key == "time_s" else None
    if key == "time_s" and how is None:
        return []
    out = []
    offered = meant or log_units.UNITS_FOR[key]
    if key == "rpm" and meant == ("rpm",) and seen.points[-1] < SLOWEST_RPM:
        offered = ("rpm", "1000 rpm")
    for unit in offered:
        case = Case(unit, PRIOR + weight, named=weight >= 1.0, stated=meant == (unit,))
        if case.named:
            case.said.append(f"Its name says so: '{seen.name[:60]}'.")
        if meant is not None:
            case.score += _SPECIFIC.get(unit, 0.5)
            case.said.append(f"Its unit is stated: {seen.unit}.")
        case.fits = _fit(seen, key, unit, how, sheet, expect, case)
        case.score += case.fits + _custom(seen, key, unit, meant is not None)
        out.append(case)
    return sorted(out, key=lambda c: -c.score)


def label_of(seen: Look) -> str:
    """Return the name without the unit behind it, which speaks for itself."""
    bare = seen.name.rstrip(" )]}")
    head = bare.removesuffix(seen.unit) if seen.unit else bare
    return head.rstrip(" ([{_./|,-") or seen.name if head and not head[-1].isalnum() and head != bare else seen.name


def _fit(seen: Look, key: str, unit: str, how: tuple | None, sheet: BuildSheet, expect: dict, case: Case) -> float:
    """Score the values and say what they show."""
    if key == "time_s":
        score = time_score(how, unit)
        if score > 0:
            case.said.append(f"It rises in {100 * how[0]:.0f} % of its steps, {seen.runs()} {unit}.")
        return score
    if key in ("nitrous_duty_percent", "nitrous_on") and seen.flat and seen.values.size and seen.values[0] == 0:
        case.said.append("It stays at 0: no nitrous in this log.")
        return 1.0 + (unit in ("%", "1 = on"))
    score = value_score(seen, key, unit, sheet, expect[key])
    if key == "rpm" and float(_convert(key, unit, seen.points[-1:], None, sheet)[0]) < SLOWEST_RPM:
        return _BEYOND
    if case.named and case.stated and score > _BEYOND:
        score = max(score, _STATED_FLOOR)
    if score > 0:
        case.said.append(f"It runs {seen.runs()}, which fits {_called(key, unit)}.")
    elif score > -3:
        case.said.append(f"It runs {seen.runs()}, which is unusual for {_called(key, unit)}.")
    return score + _shape(seen, key, unit, case)


def _called(key: str, unit: str) -> str:
    """Name a quantity of this car and the unit that is meant, where there is a choice."""
    label = CHANNELS[key].label
    plain = len(log_units.UNITS_FOR[key]) == 1 or unit in (label, "1 = on")
    return label if plain else f"{label} in {unit}"


def _shape(seen: Look, key: str, unit: str, case: Case) -> float:
    """Score what a quantity alone does: a throttle stands at its stop, a switch knows two values, a gear few."""
    values, score = seen.values, 0.0
    if key == "throttle_percent" and not seen.flat:
        top = np.mean(values >= seen.high - 0.01 * abs(seen.high))
        if top > 0.05:
            score += 0.7
            case.said.append(f"{100 * top:.0f} % of its values stand at its stop.")
    if key in ("nitrous_on", "nitrous_duty_percent", "gear"):
        kinds = len(np.unique(values[:THIN]))
        if key == "nitrous_on":
            score += 1.5 if kinds <= 2 and (seen.most <= 1 or unit.startswith("V")) else -4.0
        elif key == "nitrous_duty_percent":
            score += -1.5 if kinds <= 2 and seen.most <= 1 else 0.5
        else:
            score += 1.0 if kinds <= 10 and np.all(values == np.round(values)) else -5.0
    if key in _SHARES and unit == "0 to 255" and seen.most <= 104:
        score -= 6.0
    if key in _SHARES and unit == "0 to 1" and seen.points[-1] > 1.5:
        score -= 9.0
    if key in _SHARES and unit == "%" and seen.most <= 1.05:
        score -= 3.0
    return score


def _custom(seen: Look, key: str, unit: str, stated: bool) -> float:
    """Weigh units by what is usual where nothing else tells: gauge pressures in fuel and bottle, advance before TDC."""
    out = 0.0
    if key in _LAMBDA_KEYS and unit == "1/lambda":
        out = 0.0 if words.says_phi(seen.name) else -5.0
    elif key in _LAMBDA_KEYS and unit == "AFR" and not stated:
        out = 0.3 if words.says_afr(seen.name) else -0.3
    elif key in ("bottle_kpa", "fuel_kpa") and unit.endswith("absolute"):
        out = 0.0 if stated and unit in (log_units.meant(key, seen.unit) or ())[:1] else -5.0
    elif unit in ("lambda x 100", "lambda x 1000"):
        out = 0.0 if stated else -0.5 if words.name_weight(seen.name, key) >= 5 else -6.0
    elif key == "manifold_kpa" and unit.endswith("vacuum"):
        out = 1.0 if words.says_vacuum(seen.name) else -4.0
    elif key == "manifold_kpa" and unit.endswith("gauge"):
        out = -1.0 if seen.low > 0 else 0.0
    elif unit in ("0 = on", "deg after TDC"):
        out = 0.0 if stated else -4.0
    elif key == "trim_percent" and unit == "0 to 1":
        out = -1.0
    return out


def score_as(key: str, unit: str, scale: float | None, seen: Look, sheet: BuildSheet, expect: dict) -> float:
    """Score a column under a unit and scale that are given, as when they are those of last time."""
    if key == "time_s":
        return 1.0
    try:
        values = _convert(key, unit, _measured(key, seen.points), scale, sheet)
    except InputError:
        return -12.0
    if key in ("nitrous_duty_percent", "nitrous_on") and seen.flat and seen.values.size and seen.values[0] == 0:
        return 1.0
    return _range_score(values, key, expect[key], long=seen.long)
