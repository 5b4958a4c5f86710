"""The only conversions of units, each named both ways; every one broadcasts over arrays.

Factors are exact by definition (international pound, inch, avoirdupois; mechanical horsepower of
550 ft lbf/s) [NIST SP 811, appendix B].
"""

from __future__ import annotations

ZERO_CELSIUS_K = 273.15
_KG_PER_LB = 0.45359237
_M_PER_IN = 0.0254
_G0 = 9.80665
_W_PER_HP = 550 * 0.3048 * _KG_PER_LB * _G0
_PA_PER_PSI = _KG_PER_LB * _G0 / _M_PER_IN**2
_PA_PER_INHG = 3386.389  # conventional inch of mercury, NIST SP 811
_M_PER_FT = 0.3048


def k_from_c(t):
    """Kelvin from degrees Celsius."""
    return t + ZERO_CELSIUS_K


def c_from_k(t):
    """Degrees Celsius from kelvin."""
    return t - ZERO_CELSIUS_K


def f_from_c(t):
    """Degrees Fahrenheit from Celsius."""
    return t * 1.8 + 32.0


def c_from_f(t):
    """Degrees Celsius from Fahrenheit."""
    return (t - 32.0) / 1.8


def w_from_hp(p):
    """Watt from mechanical horsepower."""
    return p * _W_PER_HP


def hp_from_w(p):
    """Mechanical horsepower from watt."""
    return p / _W_PER_HP


def kw_from_hp(p):
    """Kilowatt from mechanical horsepower."""
    return p * (_W_PER_HP / 1000)


def hp_from_kw(p):
    """Mechanical horsepower from kilowatt."""
    return p / (_W_PER_HP / 1000)


def kg_from_lb(m):
    """Kilogram from pound."""
    return m * _KG_PER_LB


def lb_from_kg(m):
    """Pound from kilogram."""
    return m / _KG_PER_LB


def kg_s_from_lb_h(m):
    """Kilogram per second from pound per hour."""
    return m * (_KG_PER_LB / 3600)


def lb_h_from_kg_s(m):
    """Pound per hour from kilogram per second."""
    return m / (_KG_PER_LB / 3600)


def pa_from_psi(p):
    """Pascal from pound-force per square inch."""
    return p * _PA_PER_PSI


def psi_from_pa(p):
    """Pound-force per square inch from pascal."""
    return p / _PA_PER_PSI


def kpa_from_psi(p):
    """Kilopascal from pound-force per square inch."""
    return p * (_PA_PER_PSI / 1000)


def psi_from_kpa(p):
    """Pound-force per square inch from kilopascal."""
    return p / (_PA_PER_PSI / 1000)


def kpa_from_inhg(p):
    """Kilopascal from conventional inch of mercury."""
    return p * (_PA_PER_INHG / 1000)


def inhg_from_kpa(p):
    """Conventional inch of mercury from kilopascal."""
    return p / (_PA_PER_INHG / 1000)


def mm_from_in(x):
    """Millimetre from inch."""
    return x * (_M_PER_IN * 1000)


def in_from_mm(x):
    """Inch from millimetre."""
    return x / (_M_PER_IN * 1000)


def m_from_ft(x):
    """Metre from foot."""
    return x * _M_PER_FT


def ft_from_m(x):
    """Foot from metre."""
    return x / _M_PER_FT


def nm_from_lbft(m):
    """Newton metre from pound-force foot."""
    return m * (_KG_PER_LB * _G0 * _M_PER_FT)


def lbft_from_nm(m):
    """Pound-force foot from newton metre."""
    return m / (_KG_PER_LB * _G0 * _M_PER_FT)


def l_from_gal(v):
    """Litre from US gallon."""
    return v * 231 * _M_PER_IN**3 * 1000


def gal_from_l(v):
    """US gallon from litre."""
    return v / (231 * _M_PER_IN**3 * 1000)
