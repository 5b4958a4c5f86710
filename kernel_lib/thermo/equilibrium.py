"""What the charge burns to: equilibrium at constant pressure (open flame) or constant volume (closed vessel).

Cantera solves each state. `flame_map` solves few of them and interpolates, fast enough for a slider.
"""

from __future__ import annotations

import functools
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import cantera as ct
import numpy as np
from scipy.interpolate import BarycentricInterpolator, CubicSpline

from ..errors import InputError, check_array, check_choice, check_number
from . import species as sp
from .fuels import Fuel
from .mixture import LAMBDA_MAX, LAMBDA_MIN, Mixture, water_gas_products
from .reactants import T_RANGE, WHY_T, State, unburned

PRODUCTS = ("CO2", "H2O", "CO", "H2", "O2", "N2", "Ar", "NO", "OH", "O", "H", "N", "HO2", "NO2", "HCO", "NH", "HNO")
"""Product species. Chosen by dropping, from 24 candidates, the one that mattered least until the flame temperature left
0.25 K of the full C-H-O-N-Ar set (lambda 0.6-1.4, nitrous fraction 0-0.5, 250-900 K, 1-60 bar; 0.5 K at fraction 1)."""

LOCK = threading.RLock()


class _Fractions(dict):
    def __missing__(self, key: str) -> float:
        return 0.0


@functools.cache
def products_phase() -> ct.Solution:
    """The one gas of `PRODUCTS`; to be used under `LOCK`, and never handed out."""
    return ct.Solution(thermo="ideal-gas", species=[sp.cantera_species(name) for name in PRODUCTS])


def _solve(gas: ct.Solution, hold: str, first: float, second: float) -> None:
    """Bring `gas` to equilibrium at (h, P) or (u, v); start from whatever composition it has."""
    try:
        setattr(gas, hold, (first, second))
        gas.equilibrate(hold, solver="element_potential", rtol=1e-10)
    except ct.CanteraError:
        gas.equilibrate("TP", solver="gibbs", rtol=1e-8)
        setattr(gas, hold, (first, second))
        gas.equilibrate(hold, solver="auto", rtol=1e-10, max_iter=500)


def _seed(gas: ct.Solution, mix: Mixture, P: float) -> None:
    """Start: cooled exhaust of the same atoms, dissociated at a typical flame temperature."""
    gas.TPX = 2600.0, P, {k: v for k, v in water_gas_products(**mix.elements).items() if v > 0}
    gas.equilibrate("TP", solver="element_potential", rtol=1e-8)


def _targets(mix: Mixture, T: float, P: float, hold: str, **fuel) -> tuple[float, float]:
    before = unburned(mix, T, P, **fuel)
    return (before.enthalpy_mass, P) if hold == "HP" else (before.energy_mass, 1 / before.density)


def _check_hold(hold: object) -> str:
    return check_choice("hold", hold, ("HP", "UV"), "HP is an open flame, UV a closed vessel.")


def equilibrate(
    mix: Mixture, T: float, P: float, hold: str, *, fuel_phase: str = "gas", fuel_T: float | None = None
) -> State:
    """Burn `mix` to chemical equilibrium without heat loss.

    Parameters
    ----------
    mix : Mixture
    T, P : float
        Before burning [K], [Pa].
    hold : {"HP", "UV"}
        Constant pressure (open flame) or constant volume (closed vessel).
    fuel_phase, fuel_T
        As in `unburned`.

    Returns
    -------
    State
        The burned gas; ``.X["CO"]`` and kin by Cantera's names.

    Raises
    ------
    InputError
        For arguments out of range, or where Cantera finds no solution.

    Notes
    -----
    Species: `PRODUCTS`, ideal gas, NASA polynomials shipped with Cantera. Against NASA CEA (newer OH data): temperature
    within 2.5 K, O2 about 4 % and NO about 2 % apart.
    """
    _check_hold(hold)
    first, second = _targets(mix, T, P, hold, fuel_phase=fuel_phase, fuel_T=fuel_T)
    with LOCK:
        gas = products_phase()
        try:
            _seed(gas, mix, P)
            _solve(gas, hold, first, second)
        except ct.CanteraError as exc:
            raise InputError(
                "mix",
                f"lambda {mix.lambda_:g} at {T:g} K",
                "",
                "a charge that burns",
                "No equilibrium was found for it.",
            ) from exc
        return _state(gas)


@dataclass(frozen=True)
class FlameMap:
    """Burned-gas temperature over charge temperature and lambda.

    Attributes
    ----------
    lambda_ : array, shape (m,)
    T_charge : array, shape (n,)
        [K].
    T : array, shape (n, m)
        Burned-gas temperature [K].
    """

    lambda_: np.ndarray
    T_charge: np.ndarray
    T: np.ndarray


@dataclass(frozen=True)
class FlameLine:
    """Burned gas along lambda.

    Attributes
    ----------
    lambda_ : array, shape (m,)
    T, P : array, shape (m,)
        [K], [Pa].
    X : mapping
        Species of `PRODUCTS` -> mole fraction, shape (m,).
    """

    lambda_: np.ndarray
    T: np.ndarray
    P: np.ndarray
    X: Mapping[str, np.ndarray]


def _rising(field: str, value: object, low: float, high: float, unit: str, why: str) -> np.ndarray:
    array = np.atleast_1d(check_array(field, value, low, high, unit, why))
    if array.ndim != 1 or (np.diff(array) <= 0).any():
        raise InputError(field, value, unit, "one row of rising numbers", "It is an axis of the picture.")
    return array


def _lambda_nodes(low: float, high: float, residual: float) -> np.ndarray:
    """Nodes from low to high, dense about lambda 1 where the temperature bends: the cooler the flame, the sharper."""
    bend, density = (0.2, 8.0) if residual <= 0.1 else (0.04, 12.0)
    ends = np.arcsinh((np.array([low, high]) - 1.0) / bend)
    nodes = 1.0 + bend * np.sinh(np.linspace(*ends, max(6, int(np.ceil(density * (ends[1] - ends[0]))))))
    nodes[[0, -1]] = low, high
    return nodes


def _temperature_nodes(low: float, high: float) -> np.ndarray:
    """Chebyshev nodes, more of them for a longer axis."""
    count = 4 + int(np.ceil(max(0.0, high - low - 300.0) / 250.0))
    return 0.5 * (low + high) - 0.5 * (high - low) * np.cos(np.pi * np.arange(count) / (count - 1))


def flame_map(
    fuel: Fuel,
    lambda_,
    T,
    P: float,
    hold: str,
    *,
    nitrous_fraction: float = 0.0,
    water_fraction: float = 0.0,
    residual_fraction: float = 0.0,
) -> FlameMap:
    """Burned-gas temperature on a grid of lambda and charge temperature.

    Parameters
    ----------
    fuel : Fuel
    lambda_ : array, shape (m,)
        Rising.
    T : array, shape (n,)
        Temperature of the charge, fuel vapour included [K], rising.
    P : float
        Pressure of the charge [Pa].
    hold : {"HP", "UV"}
    nitrous_fraction, water_fraction, residual_fraction : float
        As in `Mixture`.

    Returns
    -------
    FlameMap

    Raises
    ------
    InputError

    Notes
    -----
    Exact equilibria on about 20 x 5 nodes; cubic spline over lambda, polynomial over temperature. Within 0.5 K of
    cell-by-cell equilibrium on the full species set (lambda 0.6-1.4, nitrous fraction up to 0.5, residual up to 0.1,
    1-60 bar; tests/bench); with more residual gas within 1 K of `equilibrate`.
    """
    _check_hold(hold)
    lambda_ = _rising("lambda_", lambda_, LAMBDA_MIN, LAMBDA_MAX, "", "Outside, soot forms or nothing burns.")
    T = _rising("T", T, *T_RANGE, "K", WHY_T)
    lam, temp = _lambda_nodes(lambda_[0], lambda_[-1], residual_fraction), _temperature_nodes(T[0], T[-1])
    lam, temp = (lambda_ if len(lambda_) <= len(lam) else lam), (T if len(T) <= len(temp) else temp)
    nodes = np.empty((len(temp), len(lam)))
    for j, value in enumerate(lam):
        mix = Mixture(
            fuel, float(value), nitrous_fraction, water_fraction=water_fraction, residual_fraction=residual_fraction
        )
        nodes[:, j] = [state[0] for state in _march([(mix, t) for t in temp], P, hold)]
    over_lambda = nodes if lam is lambda_ else CubicSpline(lam, nodes, axis=1)(lambda_)
    grid = over_lambda if temp is T else BarycentricInterpolator(temp, over_lambda, axis=0)(T)
    return FlameMap(lambda_, T, grid)


def flame_line(
    fuel: Fuel,
    lambda_,
    T: float,
    P: float,
    hold: str,
    *,
    nitrous_fraction: float = 0.0,
    water_fraction: float = 0.0,
    residual_fraction: float = 0.0,
) -> FlameLine:
    """Burned gas along lambda, each point solved.

    Parameters are those of `flame_map`, but `T` is one temperature [K].

    Returns
    -------
    FlameLine

    Raises
    ------
    InputError
    """
    _check_hold(hold)
    lambda_ = _rising("lambda_", lambda_, LAMBDA_MIN, LAMBDA_MAX, "", "Outside, soot forms or nothing burns.")
    mixtures = [
        Mixture(
            fuel, float(value), nitrous_fraction, water_fraction=water_fraction, residual_fraction=residual_fraction
        )
        for value in lambda_
    ]
    states = _march([(mix, T) for mix in mixtures], P, hold)
    X = np.array([state[2] for state in states])
    return FlameLine(
        lambda_,
        np.array([state[0] for state in states]),
        np.array([state[1] for state in states]),
        MappingProxyType({name: X[:, k] for k, name in enumerate(PRODUCTS)}),
    )


def _march(cases: list[tuple[Mixture, float]], P: float, hold: str) -> list[tuple[float, float, np.ndarray]]:
    """Solve neighbouring cases in turn, each started from the one before: (T, P, X) of each."""
    out = []
    with LOCK:
        gas = products_phase()
        elements = None
        for mix, T in cases:
            targets = _targets(mix, T, P, hold)
            if mix.elements != elements:
                _seed(gas, mix, P)
                elements = mix.elements
            try:
                _solve(gas, hold, *targets)
            except ct.CanteraError as exc:
                raise InputError(
                    "lambda_", mix.lambda_, "", "a charge that burns", "No equilibrium was found."
                ) from exc
            out.append((gas.T, gas.P, gas.X))
    return out


def expand(burned: State, volume_ratio: float) -> State:
    """Expand burned gas without heat loss, in equilibrium all the way.

    Parameters
    ----------
    burned : State
        From `equilibrate`.
    volume_ratio : float
        Volume after over volume before, 1 to 20.

    Returns
    -------
    State

    Raises
    ------
    InputError

    Notes
    -----
    Constant entropy; what came apart recombines and gives its heat back on the way.
    """
    ratio = check_number("volume_ratio", volume_ratio, 1.0, 20.0, "", "A piston cannot expand gas further.")
    with LOCK:
        gas = products_phase()
        gas.TPX = burned.T, burned.P, dict(burned.X)
        entropy, volume = gas.entropy_mass, gas.volume_mass * ratio
        gas.SV = entropy, volume
        gas.equilibrate("SV", solver="element_potential", rtol=1e-10)
        return _state(gas)


def _state(gas: ct.Solution) -> State:
    return State(
        T=gas.T,
        P=gas.P,
        X=MappingProxyType(_Fractions(gas.mole_fraction_dict())),
        enthalpy_mass=gas.enthalpy_mass,
        energy_mass=gas.int_energy_mass,
        density=gas.density,
        molar_mass=gas.mean_molecular_weight / 1000,
    )
