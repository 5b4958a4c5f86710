"""What is in the cylinder: air pushed aside by nitrous vapour, cooled by its evaporation, and how far it is compressed."""

from __future__ import annotations

import functools
import threading
from collections.abc import Mapping
from dataclasses import dataclass

import cantera as ct
import numpy as np
from scipy.optimize import brentq
from scipy.optimize.elementwise import find_root

from ..band import DENSITY_EXPONENT, WALL_HEAT_SHARE
from ..errors import InputError, check_array, check_number
from ..thermo import species as sp
from ..thermo.compositions import compositions
from ..thermo.equilibrium import equilibrate, expand
from ..thermo.fluid import T_TRIPLE, evaporation_heat
from ..thermo.mixture import LAMBDA_MAX, LAMBDA_MIN, Mixture, oxygen_share
from ..thermo.reactants import enthalpy
from .setup import Setup

_CP_DRY_AIR, _CP_VAPOUR = (
    29.1,
    33.6,
)  # J/(mol K) between 180 and 320 K, within 0.3 % and 1 % [NASA polynomials of nasa_gas.yaml]
_T_RESIDUAL = 1400.0  # K; burned gas left in the cylinder at full throttle, from memory (1300 to 1500)
_M_NITROUS = sp.molar_mass("N2O")
_LOCK = threading.RLock()


@dataclass(frozen=True)
class Charge:
    """Fresh oxidiser of one cylinder and cycle, in the port, nitrous evaporated, no fuel and no residual gas.

    Attributes
    ----------
    dry_air, water, nitrous : array
        [mol].
    T : array
        [K].
    evaporated : array
        Share of the nitrous that evaporates in the port; below 1 where the charge would otherwise fall under 182.3 K.
    nitrous_fraction : array
        Moles of N2O per mole of (dry air + N2O).
    water_fraction : array
        Moles of water per mole of fresh oxidiser.
    """

    dry_air: np.ndarray
    water: np.ndarray
    nitrous: np.ndarray
    T: np.ndarray
    evaporated: np.ndarray

    @property
    def nitrous_fraction(self) -> np.ndarray:
        return self.nitrous / (self.nitrous + self.dry_air)

    @property
    def water_fraction(self) -> np.ndarray:
        return self.water / (self.water + self.nitrous + self.dry_air)

    def at(self, index) -> Charge:
        """Return some elements as a charge of their own: an index, a slice, or an array of them."""
        pick = np.atleast_1d(np.arange(np.size(self.T))[index])
        return Charge(
            *(np.atleast_1d(v)[pick] for v in (self.dry_air, self.water, self.nitrous, self.T, self.evaporated))
        )

    @property
    def oxygen_share(self) -> np.ndarray:
        """O2 equivalent share of the dry oxidiser [mol/mol]."""
        return oxygen_share(self.nitrous_fraction)

    @property
    def oxygen_atoms(self) -> np.ndarray:
        """O atoms of O2 and N2O [mol]."""
        return 2 * sp.DRY_AIR["O2"] * self.dry_air + self.nitrous


def fresh_charge(
    setup: Setup,
    rpm,
    nitrous_flow,
    *,
    wall_share=WALL_HEAT_SHARE.best,
    exponent=DENSITY_EXPONENT.best,
) -> Charge:
    """Charge of one cylinder at full throttle with nitrous flowing at constant mass per second.

    Parameters
    ----------
    setup : Setup
    rpm : float or array
        [rpm], within the full-throttle table.
    nitrous_flow : float or array
        Of the whole engine [kg/s].
    wall_share : float or array
        Share of the evaporation heat that comes from walls and not from the charge, 0 to 1.
    exponent : float or array
        Moles drawn in rise as (T_air/T)^exponent, 0 to 1.

    Returns
    -------
    Charge
        Of the shape to which the four broadcast.

    Raises
    ------
    InputError
        Out of range, or if nitrous leaves no room for air.

    Notes
    -----
    At constant manifold pressure n_air + n_N2O = n_0 (T_air/T)^a, and the air gives up what evaporation asks:
    n_air cp (T_air - T) = (1 - w) m_N2O [h_vapour(T) - h_liquid(T_bottle)]. Both are solved together. Fuel is not counted:
    its evaporation is in the measured volumetric efficiency. Neither is moisture that freezes out, which would give back up
    to 25 kJ per kg of air (half saturated, 25 C); it lies within the range of `wall_share`.
    """
    wall = check_array("wall_share", wall_share, 0.0, 1.0, "", "It is a share.")
    exponent = check_array("exponent", exponent, 0.0, 1.0, "", "Inlet-temperature corrections lie between.")
    base = setup.air_moles(rpm)
    nitrous = setup.dose(nitrous_flow, rpm) / _M_NITROUS
    speed, base, nitrous, wall, exponent = np.broadcast_arrays(setup.check_rpm(rpm), base, nitrous, wall, exponent)
    cp = (1 - setup.air_water) * _CP_DRY_AIR + setup.air_water * _CP_VAPOUR

    def air(T, n0, n, power):
        return n0 * (setup.T_air / T) ** power - n

    def surplus(T, n0, n, power, share):
        heat = (1 - share) * n * _M_NITROUS * _evaporation_heat(setup.T_bottle, T, setup.P_manifold)
        return air(T, n0, n, power) * cp * (setup.T_air - T) - heat

    room = air(setup.T_air, base, nitrous, exponent) / base
    if (room <= 0.05).any():
        why = f"At {speed.flat[room.argmin()]:.0f} rpm its vapour would fill the cylinder and leave no room for air."
        raise InputError("nitrous_flow", float(np.max(nitrous_flow)), "kg/s", "less", why)
    T, evaporated = _charge_temperature(surplus, setup.T_air, base, nitrous, exponent, wall)
    moist = air(T, base, nitrous, exponent)
    return Charge(
        dry_air=(1 - setup.air_water) * moist,
        water=setup.air_water * moist,
        nitrous=nitrous + 0.0,
        T=T,
        evaporated=evaporated,
    )


def _charge_temperature(surplus, T_air, base, nitrous, exponent, wall) -> tuple[np.ndarray, np.ndarray]:
    """Root of the heat balance; where there is none above the triple point, that point and the share it evaporates."""
    coldest = np.full(base.shape, T_TRIPLE)
    at_coldest = surplus(coldest, base, nitrous, exponent, wall)
    short = at_coldest < 0
    safe = np.where(short, 0.0, nitrous)
    T = find_root(surplus, (coldest, np.full(base.shape, T_air + 1.0)), args=(base, safe, exponent, wall)).x
    from_air = surplus(coldest, base, nitrous, exponent, np.ones_like(wall))
    asked = from_air - at_coldest
    evaporated = np.divide(from_air, asked, out=np.ones(base.shape), where=short)
    return np.where(short, T_TRIPLE, T), evaporated


@functools.lru_cache(maxsize=64)
def _heat_fit(T_bottle: float, P: float) -> np.ndarray:
    """Cubic through the heat of evaporation at four temperatures; within 0.05 % between."""
    nodes = np.array([183.0, 225.0, 280.0, 335.0])
    return np.polyfit(nodes, evaporation_heat(T_bottle, nodes, P), 3)


def _evaporation_heat(T_bottle: float, T: np.ndarray, P: float) -> np.ndarray:
    return np.polyval(_heat_fit(T_bottle, P), T)


def mixture(setup: Setup, charge: Charge, lambda_: float, index: int = 0, *, residual: bool = False) -> Mixture:
    """Return one element of a charge with fuel to `lambda_`, with or without the residual gas of the setup."""
    return Mixture(
        setup.fuel,
        lambda_,
        float(np.atleast_1d(charge.nitrous_fraction)[index]),
        water_fraction=float(np.atleast_1d(charge.water_fraction)[index]),
        residual_fraction=setup.residual if residual else 0.0,
    )


@dataclass(frozen=True)
class SparkState:
    """The charge at intake closing and at the spark, residual gas mixed in.

    Attributes
    ----------
    T_closing, P_closing, T, P : float
        At intake closing and at the spark [K], [Pa].
    theta_deg : float
        Crank angle of the spark [deg after top dead centre].
    """

    T_closing: float
    P_closing: float
    T: float
    P: float
    theta_deg: float


def spark_state(setup: Setup, charge: Charge, lambda_: float, timing_deg: float, index: int = 0) -> SparkState:
    """Compress a charge to the spark without heat loss.

    Parameters
    ----------
    setup : Setup
    charge : Charge
    lambda_ : float
    timing_deg : float
        Spark [deg before top dead centre], -20 to 60.
    index : int
        Which element of the charge.

    Returns
    -------
    SparkState

    Raises
    ------
    InputError

    Notes
    -----
    From `closing_state`, frozen composition at constant entropy.
    """
    timing = check_number(
        "timing_deg", timing_deg, -20.0, 60.0, "deg before TDC", "Ignition timing of spark-ignition engines."
    )
    state = closing_state(setup, charge.at(index), lambda_)
    T_closing, P_closing = float(state.T[0]), float(state.P[0])
    whole = mixture(setup, charge, lambda_, index, residual=True)
    V1, V2 = setup.cylinder.volume(np.array([setup.cylinder.closing, -timing]))
    T, P = _at_constant_entropy(whole.X, T_closing, P_closing, float(V2 / V1))
    return SparkState(T_closing, P_closing, T, P, -timing)


@dataclass(frozen=True)
class ClosingState:
    """The charge of a cylinder when the intake valve closes, residual gas mixed in; arrays of the charge's shape.

    Attributes
    ----------
    T, P : array
        [K], [Pa].
    mass : array
        [kg].
    molar_mass : array
        [kg/mol].
    """

    T: np.ndarray
    P: np.ndarray
    mass: np.ndarray
    molar_mass: np.ndarray


def closing_state(setup: Setup, charge: Charge, lambda_) -> ClosingState:
    """State of a charge at intake closing.

    Parameters
    ----------
    setup : Setup
    charge : Charge
        Of one row of elements.
    lambda_ : float or array

    Returns
    -------
    ClosingState

    Raises
    ------
    InputError

    Notes
    -----
    Fresh charge and residual gas (1400 K) mix at constant enthalpy, then an ideal gas fills the cylinder. Heat from the walls and fuel
    evaporation are left out: they pull opposite ways.
    """
    checked = check_array("lambda_", lambda_, LAMBDA_MIN, LAMBDA_MAX, "", "Outside, soot forms or nothing burns.")
    lambdas = np.broadcast_to(checked, np.shape(charge.T))
    gas = compositions(setup.fuel, lambdas, charge.nitrous_fraction, charge.water_fraction, setup.residual)
    target = (1 - setup.residual) * enthalpy(gas.fresh, charge.T) + setup.residual * gas.exhaust_enthalpy(_T_RESIDUAL)

    T = np.array(charge.T, float)
    for _ in range(12):  # Newton on a nearly straight line
        h = enthalpy(gas.whole, T)
        step = (target - h) / (enthalpy(gas.whole, T + 1.0) - h)
        T = T + step
        if np.abs(step).max() < 1e-6:
            break
    oxidiser = charge.dry_air * sp.AIR_MOLAR_MASS + charge.water * sp.molar_mass("H2O") + charge.nitrous * _M_NITROUS
    mass = oxidiser * (1 + 1 / gas.oxidiser_to_fuel) / (1 - setup.residual)
    P = mass / gas.molar_mass * sp.R * T / float(setup.cylinder.volume(setup.cylinder.closing))
    return ClosingState(T, P, mass, gas.molar_mass)


@functools.cache
def _frozen_phase(names: tuple[str, ...]) -> ct.Solution:
    return ct.Solution(thermo="ideal-gas", species=[sp.cantera_species(name) for name in names])


def _at_constant_entropy(X: Mapping[str, float], T: float, P: float, volume_ratio: float) -> tuple[float, float]:
    """Frozen composition: (T, P) after the volume has changed by `volume_ratio`."""
    with _LOCK:
        gas = _frozen_phase(tuple(X))
        gas.TPX = T, P, dict(X)
        gas.SV = gas.entropy_mass, gas.volume_mass * volume_ratio
        return gas.T, gas.P


def flow_for_fraction(setup: Setup, rpm: float, nitrous_fraction: float) -> float:
    """Nitrous flow that gives a nitrous fraction at one speed.

    Parameters
    ----------
    setup : Setup
    rpm : float
    nitrous_fraction : float
        Moles of N2O per mole of (dry air + N2O), 0 to 0.9.

    Returns
    -------
    float
        [kg/s], whole engine.

    Raises
    ------
    InputError
    """
    fraction = check_number("nitrous_fraction", nitrous_fraction, 0.0, 0.9, "", "More leaves an engine without air.")
    if not fraction:
        return 0.0
    most = 0.94 * float(setup.air_moles(rpm) * setup.cycles_per_second(rpm)) * _M_NITROUS

    def miss(flow: float) -> float:
        return float(fresh_charge(setup, rpm, flow).nitrous_fraction) - fraction

    if miss(most) < 0:
        why = "So much nitrous cools the charge and draws in more air: no flow that leaves room for air makes it."
        raise InputError("nitrous_fraction", fraction, "", "less", why)
    return brentq(miss, 0.0, most, xtol=1e-6)


def opening_temperature(setup: Setup, charge: Charge, lambda_: float, state: SparkState, index: int = 0) -> float:
    """Temperature at exhaust opening of gas burned at once at the spark and expanded without heat loss [K].

    Parameters are those of `spark_state`, and the state it gave.

    Raises
    ------
    InputError

    Notes
    -----
    Constant-volume equilibrium at the spark, then `expand`. Too high by the heat that walls take; meant for differences
    between mixtures.
    """
    burned = equilibrate(mixture(setup, charge, lambda_, index, residual=True), state.T, state.P, "UV")
    V1, V2 = setup.cylinder.volume(np.array([state.theta_deg, setup.cylinder.opening]))
    return expand(burned, float(V2 / V1)).T
