"""The map of flame temperatures against one exact equilibrium a cell: it claims 0.5 K, also where lambda passes 1."""

import numpy as np
import pytest

from kernel_lib.thermo import fuels
from kernel_lib.thermo.equilibrium import equilibrate, flame_map
from kernel_lib.thermo.mixture import Mixture

CLAIM = 0.5  # K

MAPS = [
    # fuel, nitrous fraction, water fraction, residual fraction, T from, T to [K], P [Pa], hold
    ("iso-octane", 0.0, 0.0, 0.0, 250.0, 450.0, 1e5, "HP"),
    ("iso-octane", 0.25, 0.0, 0.0, 250.0, 450.0, 1e5, "HP"),
    ("iso-octane", 0.5, 0.0, 0.0, 700.0, 900.0, 20e5, "UV"),
    ("gasoline", 0.1, 0.02, 0.05, 280.0, 420.0, 1e5, "HP"),
    ("E85", 0.0, 0.0, 0.1, 600.0, 900.0, 30e5, "UV"),
    ("methanol", 1.0, 0.0, 0.0, 260.0, 500.0, 0.5e5, "HP"),
    ("propane", 0.0, 0.0, 0.0, 250.0, 450.0, 100e5, "HP"),
    ("n-heptane", 0.0, 0.0, 0.25, 300.0, 600.0, 25e5, "HP"),  # cool flame: the bend at lambda 1 is sharpest
    ("iso-octane", 0.5, 0.0, 0.0, 250.0, 1000.0, 1e5, "UV"),  # a long axis of temperature
    ("gasoline", 1.0, 0.0, 0.0, 250.0, 1000.0, 5e5, "UV"),
]


def exact(fuel, lambda_, T, P, hold, x, w, r):
    return equilibrate(Mixture(fuels.get(fuel), lambda_, x, water_fraction=w, residual_fraction=r), T, P, hold).T


def worst(fuel, lambdas, temperatures, P, hold, extra, cells):
    x, w, r = extra
    found = flame_map(
        fuels.get(fuel), lambdas, temperatures, P, hold, nitrous_fraction=x, water_fraction=w, residual_fraction=r
    ).T
    assert found.shape == (len(temperatures), len(lambdas))
    return max(abs(found[i, j] - exact(fuel, lambdas[j], temperatures[i], P, hold, *extra)) for i, j in cells)


@pytest.mark.parametrize(("fuel", "x", "w", "r", "low", "high", "P", "hold"), MAPS)
def test_random_cells(fuel, x, w, r, low, high, P, hold):
    rng = np.random.default_rng(20)
    lambdas, temperatures = np.linspace(0.7, 1.3, 60), np.linspace(low, high, 60)
    near_one = np.argmin(abs(lambdas - 1.0)) + np.arange(-3, 4)
    cells = [(rng.integers(60), rng.integers(60)) for _ in range(12)] + [(rng.integers(60), j) for j in near_one]
    cells += [(0, 0), (59, 59), (0, 59), (59, 0)]
    assert worst(fuel, lambdas, temperatures, P, hold, (x, w, r), cells) <= CLAIM


@pytest.mark.parametrize("hold", ["HP", "UV"])
def test_uneven_and_coarse_axes(hold):
    lambdas, temperatures = np.array([0.62, 0.8, 0.97, 0.999, 1.001, 1.04, 1.4]), np.array([260.0, 300.0, 700.0])
    cells = [(i, j) for i in range(3) for j in range(7)]
    assert worst("gasoline", lambdas, temperatures, 2e5, hold, (0.1, 0.0, 0.0), cells) <= CLAIM


def test_all_rich_and_all_lean_and_single_cell():
    for lambdas in (np.linspace(0.7, 0.95, 11), np.linspace(1.05, 1.3, 11), np.array([1.0]), np.array([0.87])):
        temperatures = np.array([310.0])
        cells = [(0, j) for j in range(len(lambdas))]
        assert worst("iso-octane", lambdas, temperatures, 1e5, "HP", (0.2, 0.0, 0.0), cells) <= CLAIM


def test_hotter_charge_hotter_flame_everywhere():
    T = flame_map(fuels.get("gasoline"), np.linspace(0.7, 1.3, 31), np.linspace(250, 450, 21), 1e5, "HP").T
    assert np.all(np.isfinite(T))
    assert np.all(np.diff(T, axis=0) > 0)
