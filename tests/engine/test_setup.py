"""The build sheet in SI, and the dose that follows from a constant flow."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.setup import Setup, spray_speeds

WREN = BuildSheet.demo("wren_five")
BADGER = BuildSheet.demo("badger_eight")
SETUP = Setup.of(WREN)


def test_si_by_hand():
    """Wren: 5 cylinders of 92.0 x 99.4 mm at 97.8 kPa and 26 C."""
    assert (SETUP.cylinder.bore, SETUP.cylinder.stroke, SETUP.cylinder.rod) == pytest.approx((0.092, 0.0994, 0.163))
    assert SETUP.cylinder.swept == pytest.approx(np.pi / 4 * 0.092**2 * 0.0994, rel=1e-12)
    assert SETUP.T_air == pytest.approx(299.15)
    assert SETUP.T_bottle == pytest.approx(305.15)
    assert SETUP.P_manifold == pytest.approx(97800.0)
    assert SETUP.residual == pytest.approx(0.05)
    # Water boils off at 3.363 kPa at 26 C (steam tables, from memory); 55 % of it in 99.6 kPa. 1 % holds the air's effect.
    assert SETUP.air_water == pytest.approx(0.55 * 3.363 / 99.6, rel=1e-2)


def test_air_moles_by_hand():
    """n = VE P V/(R T), 89 % at 5500 rpm; between two points of the table on a line."""
    n = 0.89 * 97800.0 * SETUP.cylinder.swept / (8.314462618 * 299.15)
    assert SETUP.air_moles(5500.0) == pytest.approx(n, rel=1e-9)
    middle = (SETUP.air_moles(5000.0) + SETUP.air_moles(5500.0)) / 2
    assert SETUP.air_moles(5250.0) == pytest.approx(middle, rel=1e-12)
    assert SETUP.timing_deg(np.array([3000.0, 3250.0])) == pytest.approx([24.0, 24.5])


def test_four_stroke_cycles():
    """Every cylinder fires once in two turns."""
    assert SETUP.cycles_per_second(6000.0) == pytest.approx(6000 / 60 / 2 * 5)


@given(flow=st.floats(1e-4, 1.0), rpm=st.floats(1500.0, 6400.0), other=st.floats(1500.0, 6400.0))
def test_dose_falls_as_one_over_rpm(flow, rpm, other):
    assert SETUP.dose(flow, rpm) * rpm == pytest.approx(SETUP.dose(flow, other) * other, rel=1e-12)
    assert SETUP.dose(flow, rpm) * SETUP.cycles_per_second(rpm) == pytest.approx(flow, rel=1e-12)


def test_dose_by_hand():
    """40 g/s in five cylinders at 6000 rpm: 250 cycles a second, 160 mg each."""
    assert SETUP.dose(0.04, 6000.0) == pytest.approx(160e-6, rel=1e-12)


@pytest.mark.parametrize("rpm", [1499.0, 6401.0, float("nan"), "fast", True, [2000.0, 9000.0], []])
@pytest.mark.parametrize("method", ["air_moles", "timing_deg", "cycles_per_second"])
def test_no_guess_outside_the_table(method, rpm):
    with pytest.raises(InputError) as caught:
        getattr(SETUP, method)(rpm)
    assert caught.value.field == "rpm"


@pytest.mark.parametrize("flow", [-1e-9, 1.01, float("inf"), "much", None])
def test_bad_flow(flow):
    with pytest.raises(InputError) as caught:
        SETUP.dose(flow, 3000.0)
    assert caught.value.field == "nitrous_flow"


def test_spray_speeds():
    assert spray_speeds(WREN) == pytest.approx(np.arange(2500.0, 6001.0, 500.0))
    odd = WREN.replace({"nitrous.spray_rpm_min": 2620.0, "nitrous.spray_rpm_max": 3710.0})
    assert spray_speeds(odd) == pytest.approx([2620.0, 3000.0, 3500.0, 3710.0])
    past = WREN.replace({"nitrous.spray_rpm_min": 1000.0, "nitrous.spray_rpm_max": 6500.0})
    assert spray_speeds(past)[[0, -1]] == pytest.approx([1500.0, 6400.0])


def test_window_outside_the_table():
    rows = WREN.engine.full_throttle
    slow = WREN.replace(
        {
            "engine.full_throttle.rpm": [0.4 * v for v in rows.rpm[2:]],
            "engine.full_throttle.volumetric_efficiency_percent": rows.volumetric_efficiency_percent[2:],
            "engine.full_throttle.timing_deg_btdc": rows.timing_deg_btdc[2:],
            "engine.peak_power_rpm": 2200.0,
            "nitrous.spray_rpm_min": 3000.0,
        }
    )
    with pytest.raises(InputError) as caught:
        spray_speeds(slow)
    assert caught.value.field == "nitrous.spray_rpm_min"
    assert "2560" in caught.value.allowed


def test_assumptions_are_filled_in():
    setup = Setup.of(BADGER.replace({"engine.rod_mm": None}))
    assert setup.cylinder.rod == pytest.approx(1.65 * 0.0795)
    assert setup.P_manifold == pytest.approx(0.98 * 97540.0, rel=2e-4)
