"""A closed bottle: filled bottles computed by CoolProp, conservation of what is inside, and there and back again."""

import CoolProp.CoolProp as cp
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from reference import check, rows
from scipy.optimize import brentq

from kernel_lib.errors import InputError
from kernel_lib.thermo import fluid, vessel

N2O = "NitrousOxide"
VOLUME = 6.6e-3  # m3
REGIMES = (vessel.TWO_PHASES, vessel.LIQUID_FULL, vessel.VAPOUR_ONLY, vessel.ABOVE_CRITICAL)

temperatures = st.floats(215.0, 353.0)
fillings = st.floats(2.0, 1000.0)  # kg/m3


def state_or_none(T, density):
    """State, or None where the bottle would pass the end of the equation of state."""
    try:
        return vessel.vessel_state(T, density * VOLUME, VOLUME)
    except InputError:
        return None


# Filled bottles


@pytest.mark.parametrize("row", rows("nitrous_saturation", quantity="filled_pressure"), ids=lambda r: f"{r['T_C']:g}C")
def test_pressure_of_a_filled_bottle(row):
    T = row["T_C"] + 273.15
    found = vessel.vessel_state(T, 680.0 * VOLUME, VOLUME)
    check(found.P * 1e-6, row)
    assert found.regime == vessel.ABOVE_CRITICAL
    assert found.P == pytest.approx(cp.PropsSI("P", "T", T, "D", 680.0, N2O), rel=1e-9)


@pytest.mark.parametrize("row", rows("nitrous_saturation", quantity="filled_liquid_full"), ids=["680"])
def test_a_rated_fill_is_liquid_full_from_30_6_C_on(row):
    mass = 680.0 * VOLUME
    full = vessel.liquid_full_temperature(mass, VOLUME)
    check(full - 273.15, row)
    own = brentq(lambda T: cp.PropsSI("D", "T", T, "Q", 0, N2O) - 680.0, 290.0, 309.0)
    assert full == pytest.approx(own, abs=1e-4)
    below, above = (vessel.vessel_state(full + d, mass, VOLUME) for d in (-0.01, 0.01))
    assert (below.regime, above.regime) == (vessel.TWO_PHASES, vessel.LIQUID_FULL)
    assert above.P == pytest.approx(below.P, rel=2e-3)


@pytest.mark.parametrize("row", rows("nitrous_saturation", quantity="filling_density"), ids=["CFR"])
def test_rated_fill_and_volume(row):
    check(vessel.FILLING_DENSITY, row)
    assert vessel.bottle_volume(4.5) == pytest.approx(4.5 / row["value"], rel=1e-12)


@pytest.mark.parametrize("density", [100.0, 300.0, 450.0])
def test_a_little_nitrous_never_fills_a_bottle(density):
    assert vessel.liquid_full_temperature(density * VOLUME, VOLUME) is None


@given(T=st.floats(200.0, 308.0))
@settings(deadline=None, max_examples=40)
def test_liquid_full_temperature_and_back(T):
    mass = cp.PropsSI("D", "T", T, "Q", 0, N2O) * VOLUME
    assert vessel.liquid_full_temperature(mass, VOLUME) == pytest.approx(T, abs=1e-3)


# Any bottle


@given(T=temperatures, density=fillings)
@settings(deadline=None, max_examples=150)
def test_what_is_inside_adds_up(T, density):
    """Mass and volume are kept, the regime is told, and the pressure is CoolProp's for that temperature and density."""
    found = state_or_none(T, density)
    if found is None:
        assert cp.PropsSI("P", "T", T, "D", density, N2O) > 49.9e6
        return
    assert found.regime in REGIMES
    assert found.liquid_mass + found.vapour_mass == pytest.approx(found.mass, rel=1e-9)
    assert found.P == pytest.approx(cp.PropsSI("P", "T", T, "D", density, N2O), rel=2e-6)
    assert 0.0 <= found.liquid_share <= 1.0
    if found.regime == vessel.TWO_PHASES:
        liquid, vapour = (cp.PropsSI("D", "T", T, "Q", q, N2O) for q in (0, 1))
        assert found.liquid_mass / liquid + found.vapour_mass / vapour == pytest.approx(VOLUME, rel=2e-6)
        assert found.liquid_mass / liquid == pytest.approx(found.liquid_share * VOLUME, rel=2e-6, abs=1e-9)
        quality = cp.PropsSI("Q", "T", T, "D", density, N2O)
        assert found.vapour_mass / found.mass == pytest.approx(quality, abs=3e-6)
    assert (found.regime == vessel.ABOVE_CRITICAL) == (fluid.T_LAST < T)


@given(T=st.floats(215.0, 352.0), density=fillings, step=st.floats(0.05, 5.0))
@settings(deadline=None, max_examples=80)
def test_a_warmer_closed_bottle_shows_more(T, density, step):
    cold, warm = state_or_none(T, density), state_or_none(min(T + step, 353.0), density)
    assume(cold and warm)
    assert warm.P > cold.P


@given(T=temperatures, density=fillings, more=st.floats(1.01, 1.5))
@settings(deadline=None, max_examples=80)
def test_a_fuller_bottle_never_shows_less(T, density, more):
    less, full = state_or_none(T, density), state_or_none(T, min(density * more, 1000.0))
    assume(less and full)
    assert full.P >= less.P * (1 - 1e-9)


@given(T=temperatures, density=fillings)
@settings(deadline=None, max_examples=80)
def test_temperature_from_pressure_and_back(T, density):
    found = state_or_none(T, density)
    assume(found is not None)
    assert vessel.vessel_temperature(found.P, found.mass, VOLUME) == pytest.approx(T, abs=2e-3)


@given(T=temperatures, density=fillings)
@settings(deadline=None, max_examples=80)
def test_mass_from_temperature_and_pressure_and_back(T, density):
    """In two phases the gauge tells only the ends; alone the phase tells the mass."""
    found = state_or_none(T, density)
    assume(found is not None)
    least, most = vessel.mass_for(T, found.P, VOLUME)
    if found.regime == vessel.TWO_PHASES:
        ends = [cp.PropsSI("D", "T", T, "Q", q, N2O) * VOLUME for q in (1, 0)]
        assert (least, most) == pytest.approx(ends, rel=1e-5)
        assert least <= found.mass <= most
    elif least == most:
        # Near the critical point a whisker of pressure is much mass: judged by the pressure it stands for.
        again = cp.PropsSI("P", "T", T, "D", least / VOLUME, N2O)
        assert again == pytest.approx(found.P, rel=1e-6)
    else:
        assert abs(found.P / cp.PropsSI("P", "T", T, "Q", 0, N2O) - 1) <= 2.1e-3
        assert least * (1 - 0.05) <= found.mass <= most * (1 + 0.05)


@given(T=temperatures, density=fillings, volume=st.floats(1e-3, 0.1))
@settings(deadline=None, max_examples=40)
def test_twice_the_bottle_with_twice_the_nitrous_is_the_same(T, density, volume):
    one = state_or_none(T, density)
    assume(one is not None)
    other = vessel.vessel_state(T, density * volume, volume)
    assert other.P == pytest.approx(one.P, rel=1e-8)
    assert other.liquid_share == pytest.approx(one.liquid_share, abs=1e-9)


@pytest.mark.parametrize("density", [250.0, 452.0, 680.0])
def test_no_step_across_the_critical_temperature(density):
    """Pressure over temperature is one line through the critical point, whatever the regimes are called."""
    T = np.arange(fluid.T_CRITICAL - 1.0, fluid.T_CRITICAL + 1.0, 0.01)
    P = np.array([vessel.vessel_state(t, density * VOLUME, VOLUME).P for t in T])
    slopes = np.diff(P) / 0.01
    assert slopes.min() > 0
    assert slopes.max() < 1.3 * slopes.min()


# Bad input


def state(T=295.0, mass=4.0, volume=VOLUME):
    return vessel.vessel_state(T, mass, volume)


BAD = (float("nan"), float("inf"), None, True, "some", [1.0])
CASES = [
    *(("T", "K", lambda v=v: state(T=v)) for v in (*BAD, 182.0, 353.2, -10.0)),
    *(("mass", "kg", lambda v=v: state(mass=v)) for v in (*BAD, 0.0, -1.0, 7.93, 1e6)),
    ("mass", "kg", lambda: state(T=350.0, mass=6.0)),
    *(("volume", "m3", lambda v=v: state(volume=v)) for v in (*BAD, 0.0, -1.0, 6.6)),
    *(("P", "Pa", lambda v=v: vessel.vessel_temperature(v, 4.0, VOLUME)) for v in (*BAD, 0.0, 2e4, 45e6, 1e9)),
    *(("mass", "kg", lambda v=v: vessel.vessel_temperature(5e6, v, VOLUME)) for v in (*BAD, 0.0, 20.0)),
    *(("mass", "kg", lambda v=v: vessel.liquid_full_temperature(v, VOLUME)) for v in (*BAD[:5], 0.0, 20.0)),
    *(("T", "K", lambda v=v: vessel.mass_for(v, 5e6, VOLUME)) for v in (*BAD, 180.0, 400.0)),
    *(("P", "Pa", lambda v=v: vessel.mass_for(295.0, v, VOLUME)) for v in (*BAD, 0.0, -1.0, 1e9)),
    *(("volume", "m3", lambda v=v: vessel.mass_for(295.0, 6e6, v)) for v in BAD),
    *(("rated_fill", "kg", lambda v=v: vessel.bottle_volume(v)) for v in (*BAD, 0.0, -2.0, 500.0)),
]


@pytest.mark.parametrize(("field", "unit", "call"), CASES)
def test_bad_input_is_refused_in_words(field, unit, call):
    with pytest.raises(InputError) as caught:
        call()
    error = caught.value
    assert (error.field, error.unit) == (field, unit)
    assert error.allowed.strip()
    assert error.reason.strip().endswith(".")
    assert field in str(error)
