"""Conversions: both ways, and against published factors."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kernel_lib import units

PAIRS = [
    ("k_from_c", "c_from_k"),
    ("f_from_c", "c_from_f"),
    ("w_from_hp", "hp_from_w"),
    ("kw_from_hp", "hp_from_kw"),
    ("kg_from_lb", "lb_from_kg"),
    ("kg_s_from_lb_h", "lb_h_from_kg_s"),
    ("pa_from_psi", "psi_from_pa"),
    ("kpa_from_psi", "psi_from_kpa"),
    ("kpa_from_inhg", "inhg_from_kpa"),
    ("mm_from_in", "in_from_mm"),
    ("m_from_ft", "ft_from_m"),
    ("nm_from_lbft", "lbft_from_nm"),
    ("l_from_gal", "gal_from_l"),
]

# One unit in SI as NIST SP 811 (2008), appendix B.8, prints it; the tolerance is half its last digit.
NIST_SP_811 = [
    ("pa_from_psi", 6.894757e3, 5e-4),
    ("kpa_from_psi", 6.894757, 5e-7),
    ("kpa_from_inhg", 3.386389, 5e-7),
    ("kg_from_lb", 0.45359237, 1e-15),
    ("kg_s_from_lb_h", 1.259979e-4, 5e-11),
    ("w_from_hp", 7.456999e2, 5e-5),
    ("kw_from_hp", 7.456999e-1, 5e-8),
    ("mm_from_in", 25.4, 1e-13),
    ("m_from_ft", 0.3048, 1e-15),
    ("nm_from_lbft", 1.355818, 5e-7),
    ("l_from_gal", 3.785412, 5e-7),
]


def test_every_conversion_is_in_a_pair():
    public = {name for name in vars(units) if "_from_" in name}
    assert public == {name for pair in PAIRS for name in pair}


@pytest.mark.parametrize("pair", PAIRS, ids="/".join)
@given(x=st.floats(-1e6, 1e6))
def test_round_trip(pair, x):
    """A few roundings of 2e-16 each; for the scales with an offset they are of the size of the offset."""
    there, back = (getattr(units, name) for name in pair)
    assert back(there(x)) == pytest.approx(x, rel=1e-14, abs=2e-13)
    assert there(back(x)) == pytest.approx(x, rel=1e-14, abs=2e-13)


@pytest.mark.parametrize(("name", "factor", "tolerance"), NIST_SP_811)
def test_published_factor(name, factor, tolerance):
    assert getattr(units, name)(1.0) == pytest.approx(factor, rel=0, abs=tolerance)


@pytest.mark.parametrize(("c", "k", "f"), [(0.0, 273.15, 32.0), (100.0, 373.15, 212.0), (-40.0, 233.15, -40.0)])
def test_temperature_scales(c, k, f):
    """Definition of the Celsius scale; ice and steam on the Fahrenheit scale, and where the two meet."""
    assert units.k_from_c(c) == pytest.approx(k, abs=1e-12)
    assert units.c_from_k(k) == pytest.approx(c, abs=1e-12)
    assert units.f_from_c(c) == pytest.approx(f, abs=1e-12)
    assert units.c_from_f(f) == pytest.approx(c, abs=1e-12)


@given(torque=st.floats(1.0, 2000.0), rpm=st.floats(500.0, 12000.0))
def test_horsepower_is_torque_times_speed(torque, rpm):
    """hp = lb ft x rpm / 5252.113, from 550 ft lbf/s = 33000 ft lbf/min; three definitions in one identity."""
    watt = units.nm_from_lbft(torque) * rpm * 2 * math.pi / 60
    assert units.hp_from_w(watt) == pytest.approx(torque * rpm * 2 * math.pi / 33000, rel=1e-12)


@pytest.mark.parametrize("pair", PAIRS, ids="/".join)
def test_arrays_go_through(pair):
    x = np.array([[1.0, 2.0], [3.0, 4.0]])
    for name in pair:
        got = getattr(units, name)(x)
        assert got.shape == x.shape
        assert got[1, 0] == getattr(units, name)(3.0)
