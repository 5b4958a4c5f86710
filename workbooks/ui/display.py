"""Display units: US or metric. The kernel and the build sheet never see them."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from kernel_lib import InputError
from kernel_lib import build_fields as bf
from kernel_lib import units as u

US, METRIC = "us", "metric"
SYSTEMS = (US, METRIC)


@dataclass(frozen=True)
class Shown:
    """A unit as displayed, and the way there and back from the build sheet's own unit."""

    unit: str
    there: Callable[[float], float]
    back: Callable[[float], float]


def _same(value: float) -> float:
    return value


_IN_US = {
    "°C": Shown("°F", u.f_from_c, u.c_from_f),
    "kPa absolute": Shown("inHg absolute", u.inhg_from_kpa, u.kpa_from_inhg),
    "kPa abs": Shown("psi abs", u.psi_from_kpa, u.kpa_from_psi),
    "kPa gauge": Shown("psi gauge", u.psi_from_kpa, u.kpa_from_psi),
    "kPa differential": Shown("psi differential", u.psi_from_kpa, u.kpa_from_psi),
    "kPa lost": Shown("psi", u.psi_from_kpa, u.kpa_from_psi),
    "kg nitrous": Shown("lb nitrous", u.lb_from_kg, u.kg_from_lb),
    "kg": Shown("lb", u.lb_from_kg, u.kg_from_lb),
    "m": Shown("ft", u.ft_from_m, u.m_from_ft),
    "mm": Shown("in", u.in_from_mm, u.mm_from_in),
    "L/h": Shown("gal/h", u.gal_from_l, u.l_from_gal),
    "N m": Shown("lb ft", u.lbft_from_nm, u.nm_from_lbft),
    "kg/h": Shown("lb/h", u.lb_from_kg, u.kg_from_lb),
    "g/s": Shown("lb/s", lambda v: u.lb_from_kg(v / 1e3), lambda v: 1e3 * u.kg_from_lb(v)),
    "K difference": Shown("°F", lambda v: 1.8 * v, lambda v: v / 1.8),
    "bar": Shown("psi", lambda v: u.psi_from_kpa(100 * v), lambda v: u.kpa_from_psi(v) / 100),
}
_IN_METRIC = {
    "hp": Shown("kW", u.kw_from_hp, u.hp_from_kw),
    "kPa lost": Shown("kPa", _same, _same),
    "K difference": Shown("K", _same, _same),
}


def shown(unit: str, system: str) -> Shown:
    """Return how a unit of the build sheet is displayed; a shot stays in hp, as the trade counts it everywhere."""
    return (_IN_US if system == US else _IN_METRIC).get(unit, Shown(unit, _same, _same))


def plain(value: float, digits: int = 5) -> str:
    """Write an input as it was meant: five significant digits at most, no trailing zeros, no exponent; nothing if it is unknown."""
    if math.isnan(value):
        return ""
    text = f"{value:.{digits}g}"
    return f"{value:.0f}" if "e" in text else text


def typed(value: float, unit: str, system: str) -> str:
    """Write a value of a build-sheet unit into a field: four digits where it had to be converted."""
    to = shown(unit, system)
    return plain(to.there(value), 5 if to.unit == unit else 4)


def quantity(value: float, unit: str, system: str, digits: int | None = None) -> str:
    """Write a value of a build-sheet unit in display units, unit behind it."""
    to = shown(unit, system)
    number = typed(value, unit, system) if digits is None else f"{to.there(value):.{digits}f}"
    return f"{number} {to.unit}".strip()


def bore_digits(system: str) -> int:
    """Decimals of a drilled bore."""
    return 3 if system == US else 2


def bore(mm: float, system: str) -> str:
    """Write a drilled bore."""
    return quantity(mm, "mm", system, bore_digits(system))


def temperature(kelvin: float, system: str) -> str:
    """Write a temperature, whole degrees."""
    return quantity(u.c_from_k(kelvin), "°C", system, 0)


def degrees(kelvin: float, system: str) -> str:
    """Write a temperature difference, whole degrees."""
    return quantity(kelvin, "K difference", system, 0)


def flame(kelvin: float, system: str) -> str:
    """Write a flame temperature to the ten degrees that the model knows."""
    to = shown("°C", system)
    return f"{round(to.there(u.c_from_k(kelvin)), -1):.0f} {to.unit}"


def coarse(kelvin: float, system: str) -> str:
    """Write a difference of model temperatures to ten degrees."""
    to = shown("K difference", system)
    return f"{round(to.there(kelvin), -1):.0f} {to.unit}"


def figures(value: float, count: int = 2) -> str:
    """Write a model's number with two figures, no exponent."""
    if value == 0:
        return "0"
    if abs(value) < 1e-4:
        return "less than 0.0001"
    digits = max(0, count - 1 - math.floor(math.log10(abs(value))))
    return f"{round(value, count - 1 - math.floor(math.log10(abs(value)))):.{digits}f}"


_NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


def refusal(exc: InputError, system: str) -> str:
    """Write a refusal as the reader of a page wants it: the field by its label, numbers in display units."""
    about = bf.describe(exc.field)
    unit = about.get("unit", exc.unit)
    if exc.unit == "Pa":
        return _told(exc, "absolute pressure", "kPa abs", system, 1e-3)
    return _told(exc, about.get("label", exc.field), unit, system, 1.0)


def _told(exc: InputError, label: str, unit: str, system: str, factor: float) -> str:
    to = shown(unit, system)
    same = to.unit == unit and factor == 1.0
    value, allowed = exc.value, exc.allowed
    if not same and isinstance(value, int | float) and not isinstance(value, bool):
        value = float(plain(to.there(factor * value), 4))
        if exc.unit and exc.unit.split()[0] in allowed:
            allowed = _NUMBER.sub(lambda m: plain(to.there(factor * float(m[0])), 4), allowed)
            allowed = (
                allowed.replace(exc.unit, to.unit)
                if exc.unit in allowed
                else allowed.replace(exc.unit.split()[0], to.unit.split()[0])
            )
    return str(InputError(label, value, to.unit, allowed, exc.reason))
