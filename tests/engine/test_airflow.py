"""The air around the car: standard atmosphere and humidity."""

import math
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kernel_lib.engine import airflow
from kernel_lib.errors import InputError

REFERENCE = Path(__file__).resolve().parents[1] / "reference"


def rows(name, quantity):
    table = pd.read_csv(REFERENCE / f"{name}.csv")
    found = table[table["quantity"] == quantity].to_dict("records")
    assert found
    return found


@pytest.mark.parametrize("row", rows("standard_atmosphere", "pressure"), ids=lambda r: f"{r['altitude_m']}m")
def test_standard_atmosphere(row):
    """International Standard Atmosphere at geometric altitude; taking it as geopotential is off by up to 0.02 %."""
    assert airflow.isa_pressure(row["altitude_m"]) == pytest.approx(row["value"], rel=row["tol_rel"])


@given(a=st.floats(0.0, 4000.0), step=st.floats(1.0, 500.0))
def test_higher_is_thinner(a, step):
    assert airflow.isa_pressure(a + step) < airflow.isa_pressure(a)


@given(z=st.floats(50.0, 4000.0))
def test_hydrostatic_law(z):
    """d ln p/dz = -g M/(R T), T = 288.15 K - 6.5 K/km; 0.2 % holds the change of g with height (0.13 % at 4 km)."""
    slope = (math.log(airflow.isa_pressure(z + 10.0)) - math.log(airflow.isa_pressure(z - 10.0))) / 20.0
    assert slope == pytest.approx(-9.80665 * 0.0289644 / (8.31432 * (288.15 - 0.0065 * z)), rel=2e-3)


@pytest.mark.parametrize("row", rows("moist_air", "saturation_pressure"), ids=lambda r: f"{r['T_K']}K")
@pytest.mark.parametrize("humidity", [0.2, 0.6, 1.0])
def test_water_vapour_is_humidity_times_saturation(row, humidity):
    P = 101325.0
    fraction = airflow.water_vapour_fraction(row["T_K"], P, humidity)
    assert fraction * P / humidity == pytest.approx(row["value"], rel=row["tol_rel"])


def test_dry_air_holds_no_water():
    assert airflow.water_vapour_fraction(298.15, 1e5, 0.0) == 0.0


@given(T=st.floats(274.0, 318.0), P=st.floats(0.6e5, 1.1e5), a=st.floats(0.05, 0.9))
def test_moister_warmer_thinner_holds_more(T, P, a):
    here = airflow.water_vapour_fraction(T, P, a)
    assert 0.0 < here < 0.2
    assert airflow.water_vapour_fraction(T, P, a + 0.05) > here
    assert airflow.water_vapour_fraction(T + 1.0, P, a) > here
    assert airflow.water_vapour_fraction(T, P - 1e3, a) > here


@pytest.mark.parametrize("altitude", [math.nan, math.inf, -math.inf, "1000", None, True, -6000.0, 1e6])
def test_absurd_altitude(altitude):
    with pytest.raises(InputError) as caught:
        airflow.isa_pressure(altitude)
    spoken(caught.value, "m")


@pytest.mark.parametrize(
    ("T", "P", "humidity", "unit"),
    [
        (math.nan, 1e5, 0.5, "K"),
        (20.0, 1e5, 0.5, "K"),
        (-5.0, 1e5, 0.5, "K"),
        (5000.0, 1e5, 0.5, "K"),
        ("warm", 1e5, 0.5, "K"),
        (298.15, -1.0, 0.5, "Pa"),
        (298.15, 0.0, 0.5, "Pa"),
        (298.15, math.inf, 0.5, "Pa"),
        (298.15, None, 0.5, "Pa"),
        (298.15, 1e5, 1.2, ""),
        (298.15, 1e5, 60.0, ""),
        (298.15, 1e5, -0.1, ""),
        (298.15, 1e5, math.nan, ""),
        (298.15, 1e5, "dry", ""),
    ],
)
def test_absurd_air(T, P, humidity, unit):
    with pytest.raises(InputError) as caught:
        airflow.water_vapour_fraction(T, P, humidity)
    spoken(caught.value, unit)


def spoken(error, unit):
    assert error.unit == unit
    assert all(isinstance(part, str) and part for part in (error.field, error.allowed, error.reason))
    assert error.field in str(error)
    assert error.allowed in str(error)
    assert "Traceback" not in str(error)
