"""Units as logs write them, and the way from each to the unit of the kernel."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .. import units
from ..errors import InputError, check_choice, check_number

AFR = "AFR"
SCALED = (AFR,)
"""Units that mean nothing without a scale: the AFR shown at lambda 1."""
SCALE_RANGE = (6.0, 16.0)


@dataclass(frozen=True)
class Setting:
    """What a conversion leans on besides the value: scale (AFR at lambda 1) and barometer [kPa absolute]."""

    scale: float | None
    barometer_kpa: float


Conversion = Callable[[np.ndarray, Setting], np.ndarray]


def _times(factor: float) -> Conversion:
    return lambda x, _: x * factor


def _same(x, _):
    return x


def _gauge(kpa: Callable) -> Conversion:
    """Absolute reading, gauge wanted."""
    return lambda x, s: kpa(x) - s.barometer_kpa


def _absolute(kpa: Callable, sign: float = 1.0) -> Conversion:
    """Reading over (or, with sign -1, below) the barometer, absolute wanted."""
    return lambda x, s: s.barometer_kpa + sign * kpa(x)


def _plain(kpa: Callable) -> Conversion:
    return lambda x, _: kpa(x)


def _kpa(x):
    return x


def _kpa_from_bar(x):
    return x * 100


def _kpa_from_mpa(x):
    return x * 1000


def _kpa_from_mbar(x):
    return x / 10


_TIME = {"s": _same, "ms": _times(1e-3), "us": _times(1e-6), "min": _times(60.0), "h": _times(3600.0)}
_SHARE = {"%": _same, "0 to 1": _times(100.0), "0 to 255": _times(100 / 255)}
_LAMBDA = {
    "lambda": _same,
    AFR: lambda x, s: x / s.scale,
    "1/lambda": lambda x, _: 1 / np.where(x > 0, x, np.nan),
    "lambda x 100": _times(1 / 100),
    "lambda x 1000": _times(1 / 1000),
}
_GAUGE = {
    "kPa gauge": _same,
    "psi gauge": _plain(units.kpa_from_psi),
    "bar gauge": _plain(_kpa_from_bar),
    "MPa gauge": _plain(_kpa_from_mpa),
    "kPa absolute": _gauge(_kpa),
    "psi absolute": _gauge(units.kpa_from_psi),
    "bar absolute": _gauge(_kpa_from_bar),
}
_MANIFOLD = {
    "kPa absolute": _same,
    "mbar absolute": _plain(_kpa_from_mbar),
    "bar absolute": _plain(_kpa_from_bar),
    "psi absolute": _plain(units.kpa_from_psi),
    "inHg absolute": _plain(units.kpa_from_inhg),
    "kPa gauge": _absolute(_kpa),
    "bar gauge": _absolute(_kpa_from_bar),
    "psi gauge": _absolute(units.kpa_from_psi),
    "inHg gauge": _absolute(units.kpa_from_inhg),
    "kPa vacuum": _absolute(_kpa, -1.0),
    "inHg vacuum": _absolute(units.kpa_from_inhg, -1.0),
}
_TEMPERATURE = {"°C": _same, "°F": _plain(units.c_from_f), "K": _plain(units.c_from_k)}
_TIMING = {"deg before TDC": _same, "deg after TDC": _times(-1.0)}


def _above(threshold: float, *, below: bool = False) -> Conversion:
    def convert(x, _):
        on = x < threshold if below else x > threshold
        return np.where(np.isfinite(x), on.astype(float), np.nan)

    return convert


_SWITCH = {"1 = on": _above(0.5), "0 = on": _above(0.5, below=True), "V, on above 2": _above(2.0)}
_TRIM = {
    "%": _same,
    "% around 100": lambda x, _: x - 100.0,
    "factor around 1": lambda x, _: (x - 1.0) * 100.0,
    "0 to 1": _times(100.0),
}
_SPEED = {"km/h": _same, "mph": _times(units.m_from_ft(5280.0) / 1000), "m/s": _times(3.6)}

_FAMILY: dict[str, dict[str, Conversion]] = {
    "time_s": _TIME,
    "rpm": {"rpm": _same, "1/s": _times(60.0), "1000 rpm": _times(1000.0)},
    "throttle_percent": _SHARE,
    "lambda_": _LAMBDA,
    "lambda_2": _LAMBDA,
    "lambda_target": _LAMBDA,
    "timing_deg_btdc": _TIMING,
    "nitrous_duty_percent": _SHARE,
    "nitrous_on": _SWITCH,
    "bottle_kpa": _GAUGE,
    "bottle_c": _TEMPERATURE,
    "fuel_kpa": _GAUGE,
    "injector_duty_percent": _SHARE,
    "injector_ms": {"ms": _same, "us": _times(1e-3)},
    "intake_c": _TEMPERATURE,
    "coolant_c": _TEMPERATURE,
    "knock": {"own scale": _same},
    "manifold_kpa": _MANIFOLD,
    "trim_percent": _TRIM,
    "battery_v": {"V": _same, "mV": _times(1e-3)},
    "gear": {"gear": _same},
    "speed_km_h": _SPEED,
}
UNITS_FOR: dict[str, tuple[str, ...]] = {key: tuple(family) for key, family in _FAMILY.items()}
"""What a column of each quantity may be in, the kernel's own unit first."""

# What a unit's text may stand for; each quantity takes what it has a use for.
_TEXTS = {
    text: tuple(filter(None, meant.split(", ")))
    for texts, meant in (
        ("s sec secs second seconds sek sekunden seg segundos", "s"),
        ("ms msec msecs millisecond milliseconds millis", "ms"),
        ("us usec μs µs microseconds micros", "us"),
        ("min minutes minuten minutos", "min"),
        ("h hours std", "h"),
        ("rpm 1/min /min min-1 min^-1 u/min umin upm tr/min trmin t/min r/min rev/min giri/min", "rpm"),
        ("1/s hz rps rev/s", "1/s"),
        ("krpm x1000rpm 1000rpm x1000 /1000 1000/min", "1000 rpm, lambda x 1000"),
        ("% pct percent prozent %dc %duty %open pourcent porciento", "%, % around 100"),
        ("fraction frac 0-1 0..1", "0 to 1, factor around 1"),
        ("0-255 0..255 counts raw8", "0 to 255"),
        ("lambda la lam λ", "lambda"),
        ("afr a/f :1 afr:1 kg/kg g/g", "AFR"),
        ("phi φ eqr", "1/lambda"),
        ("x100 *100 lambdax100 lambda*100", "lambda x 100"),
        ("*1000 lambdax1000 lambda*1000", "lambda x 1000"),
        (
            "° deg degree degrees grad degca °ca °kw degkw °crk degcrk °cad degbtdc °btdc btdc °bvt °vot degbt",
            "deg before TDC",
        ),
        ("degatdc °atdc atdc °not °nach", "deg after TDC"),
        ("psi lb/in2 lbf/in2 lb/sqin #", "psi gauge, psi absolute"),
        ("psig psi(g) psigauge", "psi gauge"),
        ("psia psi(a) psiabs", "psi absolute"),
        ("bar bars", "bar gauge, bar absolute"),
        ("barg bar(g) bargauge bar(u)", "bar gauge"),
        ("bara bar(a) barabs", "bar absolute"),
        ("kpa", "kPa gauge, kPa absolute, kPa vacuum"),
        ("kpag kpa(g) kpagauge", "kPa gauge"),
        ("kpaa kpa(a) kpaabs", "kPa absolute"),
        ("mpa", "MPa gauge"),
        ("mbar hpa mbara hpaabs", "mbar absolute"),
        ('inhg in.hg "hg inhga', "inHg absolute, inHg gauge, inHg vacuum"),
        ("°c degc c celsius deg.c ºc gradc °celsius", "°C"),
        ("°f degf f fahrenheit deg.f ºf", "°F"),
        ("k kelvin °k", "K"),
        ("v volt volts vdc", "V"),
        ("mv millivolt millivolts", "mV"),
        ("km/h kmh kph kmph", "km/h"),
        ("mph mi/h miles/h", "mph"),
        ("m/s mps", "m/s"),
        ("on/off off/on 0/1 bool boolean flag ein/aus switch", "1 = on"),
        ("gear gang", "gear"),
        (
            "kg/cm2 kgf/cm2 atm mmhg pa lb/h lb/hr kg/h g/s l/h cc/min mg mg/cyc mg/stk nm ftlb lbft hp kw ps g m km mi cc l a amp db ohm ppm",
            "",
        ),
    )
    for text in texts.split()
}
_TEXTS |= dict.fromkeys(("v", "volt", "volts", "vdc"), ("V", "V, on above 2"))
_PRESSURES = ("psi", "bar", "kPa", "MPa", "mbar", "inHg")
_ANY = {"knock": ("own scale",), "gear": ("gear",), "nitrous_on": ("1 = on", "0 = on")}
_LEAVES_OPEN = {
    "knock": {"v", "mv", "db", "%", "count", "counts", "a", "", "raw"},
    "gear": {""},
    "nitrous_on": {"%", ""},
}


def norm(text: str) -> str:
    """Return a unit's text as it is looked up: small letters, no blanks, no brackets around it."""
    text = unicodedata.normalize("NFC", text[:60]).strip().strip("[]{}").strip()
    if text.startswith("(") and text.endswith(")"):
        text = text[1:-1]
    text = re.sub(r"\s+", "", text).lower().replace("²", "2").replace("⁻¹", "-1")
    text = re.sub(r"\(?(absolute|absolut|abs)\.?\)?$", "abs", text)
    return re.sub(r"\(?(gauge|gage|relative|rel)\.?\)?$", "gauge", text)


_ASKED = {
    "0 to 255": "steps of 255 for 100 %",
    "1000 rpm": "thousands of rpm",
    "lambda x 100": "hundredths of lambda",
    "lambda x 1000": "thousandths of lambda",
}
"""Units that are asked for where the column does not state them, and what they are called in the question."""


def asked_as(unit: str) -> str:
    """Return what a unit that nobody takes for granted is called in a question; "" for any other."""
    return _ASKED.get(unit, "")


def unit_text(name: str, unit: str) -> str:
    """Return the unit a column states: its own, or one behind its name in brackets or after a blank, bar, dot or stroke."""
    if unit.strip():
        return unit.strip()
    if norm(name) in ("rpm", "1/min", "u/min"):
        return name.strip()
    found = re.search(r"[\[({]([^\[\](){}]{1,20})[\])}]\s*$", name)
    if found:
        return found[1].strip()
    found = re.search(r"[ _./|,-]([^\s_.|,-]{1,12})\s*$", name)
    if found and norm(found[1]) in _TEXTS and norm(found[1]) not in _WORDS_TOO:
        return found[1].strip()
    found = re.search(r"(?:[\w)] ?([*/×])|[ _](x)) ?(100|1000)\s*$", name)
    if found:
        return f"{'/' if found[1] == '/' else 'x' if found[2] else '*'}{found[3]}"
    found = re.search(r"\w_([CFKcfk])\s*$", name)
    return found[1] if found else ""


_WORDS_TOO = {
    "lambda",
    "afr",
    "gear",
    "gang",
    "switch",
    "flag",
    "la",
    "lam",
    "phi",
    "c",
    "f",
    "k",
    "g",
    "m",
    "l",
    "a",
    "h",
    "#",
    "raw8",
}
_WORDS_TOO |= {"second", "rpm", "std", "count", "counts"}


def meant(key: str, text: str) -> tuple[str, ...] | None:
    """Return which units of a quantity a stated text may mean.

    Returns
    -------
    tuple of str or None
        Empty where the text is the unit of something else; None where it says nothing that is known.
    """
    asked = norm(text)
    if not asked or stated_scale("", text) is not None:
        return None
    if asked not in _TEXTS:
        return None
    if asked in _LEAVES_OPEN.get(key, ()):
        return _ANY.get(key)
    own = UNITS_FOR[key]
    found = tuple(u for u in own if u in _TEXTS[asked])
    if key == "rpm" and asked in ("x100", "*100", "*1000"):
        return None
    if key == "rpm" and asked == "hz":
        return ("1/s",)
    return found


def speaks_of(text: str) -> frozenset[str]:
    """Return what a stated unit adds to a name, in the words of `words.concepts`: a pressure, a temperature, a speed."""
    units_ = _TEXTS.get(norm(text), ())
    out = {"pressure"} if any(u.split()[0] in _PRESSURES for u in units_) else set()
    out |= {"temperature"} if any(u in _TEMPERATURE for u in units_) else set()
    return frozenset(out | ({"rpm"} if "rpm" in units_ else set()))


def stated_scale(name: str, unit: str) -> float | None:
    """Return the AFR at lambda 1 that a column's head states, such as 14.7 in ``AFR (14.7)``; None if it states none."""
    for found in re.finditer(r"(?<![\d.,])(\d{1,2}[.,]\d{1,3})(?![\d.,]*\d)", f"{name} {unit}"):
        scale = float(found[1].replace(",", "."))
        if SCALE_RANGE[0] <= scale <= SCALE_RANGE[1]:
            return scale
    return None


def check(key: str, unit: str, scale: float | None, field: str = "mapping") -> None:
    """Raise `InputError` where a unit does not belong to the quantity, or a scale is missing or is none."""
    check_choice(f"{field}.{key}.unit", unit, UNITS_FOR[key], "These units are known for it.")
    if scale is not None:
        check_number(
            f"{field}.{key}.scale", scale, *SCALE_RANGE, "AFR", "It is the AFR that the gauge shows at lambda 1."
        )
    if unit in SCALED and scale is None:
        raise InputError(
            f"{field}.{key}.scale",
            None,
            "AFR",
            f"{SCALE_RANGE[0]:g} to {SCALE_RANGE[1]:g} AFR",
            "An air-fuel ratio means nothing without the one that its gauge shows at lambda 1.",
        )


def convert(key: str, unit: str, values: np.ndarray, *, scale: float | None, barometer_kpa: float) -> np.ndarray:
    """Return a column in the unit of the kernel.

    Parameters
    ----------
    key : str
        Of `channels.CHANNELS`.
    unit : str
        One of ``UNITS_FOR[key]``.
    values : array
        The column as it was logged.
    scale : float or None
        AFR shown at lambda 1, where the unit is AFR.
    barometer_kpa : float
        Of the day [kPa absolute]; between gauge and absolute pressures.

    Raises
    ------
    InputError
        For a unit that is none of this quantity, or an AFR without scale.
    """
    check(key, unit, scale)
    with np.errstate(all="ignore"):
        return _FAMILY[key][unit](np.asarray(values, float), Setting(scale, barometer_kpa))
