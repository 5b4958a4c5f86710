"""When the end gas would ignite: the published correlation, its integral, and their laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kernel_lib.engine import knock
from kernel_lib.errors import InputError
from tests.reference import check, rows

ATM = 101325.0

pressures = st.floats(1e5, 4e7)
temperatures = st.floats(300.0, 2000.0)
octanes = st.floats(45.0, 125.0)


@pytest.mark.parametrize("row", rows("knock", quantity="induction_time"), ids=lambda r: f"{r['p_atm']:g}atm")
def test_induction_time(row):
    check(1e3 * float(knock.induction_time(row["p_atm"] * ATM, row["T_K"], row["octane_ron"])), row)


@pytest.mark.parametrize("name", ["A", "OCTANE_EXPONENT", "PRESSURE_EXPONENT", "ACTIVATION"])
def test_constant(name):
    (row,) = rows("knock", quantity=name)
    check(getattr(knock, name) * (1e3 if row["unit"] == "ms" else 1.0), row)


def test_pressure_is_counted_in_atmospheres():
    """One and the same number of bar and of atmospheres is 2.26 % apart: the trap of the transcriptions."""
    (row,) = rows("knock", quantity="bar_for_atm")
    ratio = knock.induction_time(50e5, 850.0, 95.0) / knock.induction_time(50 * ATM, 850.0, 95.0)
    check(100 * (float(ratio) - 1), row)


def test_onset_on_a_ramp():
    (row,) = rows("knock", quantity="onset_on_a_ramp")
    t = np.linspace(0.0, 8e-3, 4001)
    P = (row["p_atm"] + row["p_rate_atm_s"] * t) * ATM
    check(1e3 * knock.onset(t, P, row["T_K"] + row["T_rate_K_s"] * t, row["octane_ron"]), row)


@given(P=pressures, T=temperatures, octane=octanes)
def test_at_constant_state_the_end_gas_ignites_after_the_induction_time(P, T, octane):
    tau = float(knock.induction_time(P, T, octane))
    t = np.linspace(0.0, 1.5 * tau, 7)
    held = np.full_like(t, P), np.full_like(t, T)
    assert knock.onset(t, *held, octane) == pytest.approx(tau, rel=1e-9)
    assert knock.livengood_wu(t, *held, octane) == pytest.approx(t / tau, rel=1e-9, abs=1e-12)


def test_no_onset_is_no_number():
    t = np.linspace(0.0, 1e-4, 11)
    found = knock.onset(t, np.full_like(t, 20e5), np.full_like(t, 700.0), 95.0)
    assert found is None or np.isnan(found)


@given(P=pressures, T=temperatures, octane=octanes, more=st.floats(1.001, 1.2))
def test_pressure_and_heat_hasten_octane_delays(P, T, octane, more):
    tau = knock.induction_time(P, T, octane)
    assert knock.induction_time(P * more, T, octane) == pytest.approx(tau * more**-1.7, rel=1e-12)
    assert knock.induction_time(P, T * more, octane) < tau
    assert knock.induction_time(P, T, min(octane * more, 130.0)) > tau


@given(T=temperatures, share=st.floats(0.1, 0.9))
def test_the_integral_adds_up(T, share):
    """Cut anywhere, the two parts make the whole; it never falls."""
    t = np.linspace(0.0, 5e-3, 51)
    P, T = 2e6 * (1 + t / 5e-3), np.full_like(t, T)
    cut = int(share * 50)
    whole = knock.livengood_wu(t, P, T, 95.0)
    first, rest = (
        knock.livengood_wu(t[: cut + 1], P[: cut + 1], T[: cut + 1], 95.0),
        knock.livengood_wu(t[cut:], P[cut:], T[cut:], 95.0),
    )
    assert whole[0] == 0.0
    assert (np.diff(whole) > 0).all()
    assert first[-1] + rest[-1] == pytest.approx(whole[-1], rel=1e-12)


def test_arrays_broadcast():
    P, T = np.array([[20e5], [40e5]]), np.array([700.0, 800.0, 900.0])
    out = knock.induction_time(P, T, 95.0)
    assert out.shape == (2, 3)
    assert out[1, 2] == pytest.approx(float(knock.induction_time(40e5, 900.0, 95.0)), rel=1e-15)


@pytest.mark.parametrize(
    ("args", "field", "value", "unit"),
    [
        ((9e3, 800.0, 95.0), "P", "9000", "Pa"),
        ((6e7, 800.0, 95.0), "P", "6e+07", "Pa"),
        ((4e6, 200.0, 95.0), "T", "200", "K"),
        ((4e6, 2600.0, 95.0), "T", "2600", "K"),
        ((4e6, 800.0, 30.0), "octane", "30", ""),
        ((4e6, 800.0, 140.0), "octane", "140", ""),
        ((float("nan"), 800.0, 95.0), "P", "nan", "Pa"),
        ((np.array([4e6, 1e3]), 800.0, 95.0), "P", "1000", "Pa"),
    ],
)
def test_refusals(args, field, value, unit):
    with pytest.raises(InputError) as caught:
        knock.induction_time(*args)
    assert caught.value.field == field
    assert value in str(caught.value)
    assert unit in str(caught.value)
