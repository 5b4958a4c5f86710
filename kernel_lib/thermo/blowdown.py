"""A bottle that is drawn from: it boils, cools, and is warmed again by its wall and a heater."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import CoolProp.CoolProp as cp
import numpy as np
from scipy.interpolate import CubicSpline

from ..errors import InputError, check_number
from .fluid import T_CRITICAL, T_LAST, make_state, table
from .integrate import integrate
from .vessel import LIQUID_FULL, TWO_PHASES, VAPOUR_ONLY, VesselState, vessel_state

_COLDEST = 213.15  # K; a bottle that cold has left every window long ago
Flow = Callable[[float, float], float]
"""Liquid drawn [kg/s] at a temperature [K] and an absolute pressure [Pa]."""


@dataclass(frozen=True)
class Bottle:
    """The vessel.

    Attributes
    ----------
    volume : float
        [m3].
    wall_heat_capacity : float
        Of the metal [J/K].
    inner_conductance, outer_conductance : float
        From wall to nitrous and from the air to the wall [W/K].
    """

    volume: float
    wall_heat_capacity: float
    inner_conductance: float
    outer_conductance: float

    def __post_init__(self) -> None:
        check_number("volume", self.volume, 1e-4, 0.2, "m3", "Car bottles hold 0.5 to 60 L.")
        check_number("wall_heat_capacity", self.wall_heat_capacity, 100.0, 1e6, "J/K", "0.1 to 1000 kg of metal.")
        for name in ("inner_conductance", "outer_conductance"):
            check_number(name, getattr(self, name), 0.0, 1e4, "W/K", "A bottle of car size.")


@dataclass(frozen=True)
class Content:
    """Temperature of the nitrous and of the wall [K], and nitrous in it [kg]."""

    T: float
    T_wall: float
    mass: float


@dataclass(frozen=True)
class Course:
    """What happened over time; arrays of one length.

    Attributes
    ----------
    t, T, T_wall, P, mass, liquid_mass, flow : array
        [s], [K], [K], absolute [Pa], [kg], [kg], [kg/s].
    ended : str
        "time", "run-out" (no liquid left to draw) or "target" (pressure reached).
    enthalpy_out, heat_in : float
        Carried off by what was drawn, and given by heater and air [J].
    """

    t: np.ndarray
    T: np.ndarray
    T_wall: np.ndarray
    P: np.ndarray
    mass: np.ndarray
    liquid_mass: np.ndarray
    flow: np.ndarray
    ended: str
    enthalpy_out: float
    heat_in: float

    @property
    def content(self) -> Content:
        """The bottle at the end."""
        return Content(float(self.T[-1]), float(self.T_wall[-1]), float(self.mass[-1]))


def spray(
    bottle: Bottle,
    content: Content,
    seconds: float,
    flow: Flow,
    *,
    T_air: float,
    heater: float = 0.0,
    left: float = 0.0,
) -> Course:
    """Draw liquid until time is up or no liquid is left.

    Parameters
    ----------
    bottle : Bottle
    content : Content
    seconds : float
        [s], up to 600.
    flow : callable
        (T [K], P [Pa absolute]) -> liquid drawn [kg/s].
    T_air : float
        Round the bottle [K].
    heater : float
        Into the wall [W].
    left : float
        Liquid that the pick-up does not reach [kg].

    Returns
    -------
    Course

    Raises
    ------
    InputError
        Out of range, no liquid at the start, or above the critical point.

    Notes
    -----
    Nitrous at one temperature, liquid and vapour in equilibrium; the wall at another, each with its balance of energy:
    C dT/dt = Q - m' v T dP/dT with C the heat capacity at constant volume of what is inside (two phases: of both together),
    v the specific volume of the liquid drawn; for two phases T dP/dT = P + (u_v - u_l)/(v_v - v_l) [Clausius-Clapeyron]. Real
    bottles are colder at the bottom, where the liquid is drawn, by an amount nobody measures: not counted.
    """
    seconds = check_number("seconds", seconds, 0.0, 600.0, "s", "A spray is short.")
    state = _check_content(bottle, content)
    left = check_number("left", left, 0.0, 100.0, "kg", "Liquid that cannot be drawn.")
    if state.regime == VAPOUR_ONLY or state.liquid_mass <= left:
        raise InputError(
            "content.mass", content.mass, "kg", "more", "There is no liquid to draw: the bottle has run out."
        )
    return _run(bottle, content, seconds, flow, T_air, heater, left, None)


def warm(
    bottle: Bottle,
    content: Content,
    seconds: float,
    *,
    T_air: float,
    heater: float = 0.0,
    P_target: float | None = None,
) -> Course:
    """Let a closed bottle stand, with or without a heater, until time is up or a pressure is reached.

    Parameters are those of `spray`; `P_target` is absolute [Pa].
    """
    seconds = check_number("seconds", seconds, 0.0, 1e6, "s", "Up to eleven days.")
    state = _check_content(bottle, content)
    if P_target is not None:
        P_target = check_number("P_target", P_target, 1e5, 10e6, "Pa", "Pressure of a bottle fit for use.")
    course = _run(
        bottle,
        content,
        0.0 if P_target is not None and state.P >= P_target else seconds,
        None,
        T_air,
        heater,
        0.0,
        P_target,
    )
    return replace(course, ended="target") if len(course.t) == 1 and P_target is not None else course


def _check_content(bottle: Bottle, content: Content) -> VesselState:
    state = vessel_state(content.T, content.mass, bottle.volume)
    check_number(
        "content.T",
        content.T,
        _COLDEST,
        T_LAST,
        "K",
        "Above the critical point (309.5 K) there is no liquid; colder is no use.",
    )
    check_number("content.T_wall", content.T_wall, _COLDEST, 373.15, "K", "Of the metal.")
    return state


class _Lines:
    """Saturation as a plain function of T, fast enough for an integrator: cubics in w = sqrt(1 - T/Tc), as `fluid.table` has them.

    P, v_l, h_l, rho_l, rho_v, A', B, B', where U = m A + V B is the energy of two phases.
    """

    def __init__(self) -> None:
        w = np.linspace(math.sqrt(1 - T_LAST / T_CRITICAL), math.sqrt(1 - (_COLDEST - 1.0) / T_CRITICAL), 500)
        T = T_CRITICAL * (1 - w**2)
        P, rho_l, rho_v, h_l, h_v = table().at_T(T, "P", "rho_l", "rho_v", "h_l", "h_v")
        u_l, u_v = h_l - P / rho_l, h_v - P / rho_v
        B = (u_v - u_l) / (1 / rho_v - 1 / rho_l)
        slope_A, slope_B = (CubicSpline(w, line)(w, 1) / (-2 * w * T_CRITICAL) for line in (u_l - B / rho_l, B))
        cubics = CubicSpline(w, np.column_stack([P, 1 / rho_l, h_l, rho_l, rho_v, slope_A, B, slope_B])).c
        self._first, self._step, self._last = float(w[0]), float(w[1] - w[0]), len(w) - 2
        self._cubics = [[tuple(column) for column in piece.T.tolist()] for piece in cubics.transpose(1, 0, 2)]

    def __call__(self, T: float) -> list[float]:
        w = math.sqrt(max(1 - T / T_CRITICAL, 0.0))
        k = min(max(int((w - self._first) / self._step), 0), self._last)
        x = w - self._first - k * self._step
        return [((a * x + b) * x + c) * x + d for a, b, c, d in self._cubics[k]]


@functools.lru_cache(maxsize=1)
def _two_phase() -> _Lines:
    return _Lines()


def _rates_two_phases(bottle: Bottle, T: float, mass: float) -> tuple[float, float, float, float, float]:
    """Pressure, T dP/dT, heat capacity, volume and enthalpy of the liquid drawn."""
    P, v_l, h_l, _, _, slope_A, B, slope_B = _two_phase()(T)
    return P, P + B, mass * slope_A + bottle.volume * slope_B, v_l, h_l


def _rates_one_phase(bottle: Bottle, T: float, mass: float, state) -> tuple[float, float, float, float, float]:
    """The same for liquid or vapour alone."""
    state.update(cp.DmassT_INPUTS, mass / bottle.volume, T)
    slope = state.first_partial_deriv(cp.iP, cp.iT, cp.iDmass)
    return state.p(), T * slope, mass * state.cvmass(), bottle.volume / mass, state.hmass()


_EVENTS = ("switch", "run-out", "target", "edge")
_SLACK = 1e-8  # of the density, round a change of regime; grows with every change, so that none repeats without end
_MOST_SLACK = 1e-3


def _run(bottle, content, seconds, flow, T_air, heater, left, P_target) -> Course:
    T_air = check_number("T_air", T_air, 223.15, 343.15, "K", "Air round the bottle.")
    heater = check_number("heater", heater, 0.0, 5000.0, "W", "Heaters for bottles lie below.")
    y, t, ended, slack = [content.T, content.T_wall, content.mass, 0.0, 0.0], 0.0, "time", _SLACK
    regime = vessel_state(content.T, content.mass, bottle.volume).regime
    rows = [(t, *y)]
    while t < seconds and ended == "time":
        rates = _rates(regime)

        def change(y: list[float], rates=rates) -> list[float]:
            P, TdP, capacity, volume, enthalpy = rates(bottle, y[0], y[2])
            drawn = _drawn(flow, y[0], P)
            inner = bottle.inner_conductance * (y[1] - y[0])
            given = heater + bottle.outer_conductance * (T_air - y[1])
            slopes = (inner - drawn * volume * TdP) / capacity, (given - inner) / bottle.wall_heat_capacity
            return [*slopes, -drawn, drawn * enthalpy, given]

        events = _events(bottle, regime, slack, left if flow else None, P_target, rates)
        hit, passed = integrate(change, t, y, seconds, events, most_step=seconds / 8)
        rows += passed
        t, *y = rows[-1]
        if hit is None:
            break
        ended = _EVENTS[hit]
        if ended == "edge":
            why = "On the way the bottle leaves what is computed."
            raise InputError("content.T", float(y[0]), "K", f"{_COLDEST:g} to {T_LAST:g} K", why)
        if ended == "switch":
            regime, ended, slack = _next_regime(bottle, regime, y), "time", min(4 * slack, _MOST_SLACK)
    return _course(bottle, np.array(rows), flow, ended)


def _rates(regime: str):
    if regime == TWO_PHASES:
        return _rates_two_phases
    return functools.partial(
        _rates_one_phase, state=make_state(cp.iphase_liquid if regime == LIQUID_FULL else cp.iphase_gas)
    )


def _drawn(flow: Flow | None, T: float, P: float) -> float:
    if flow is None:
        return 0.0
    return check_number("flow", flow(T, P), 0.0, 5.0, "kg/s", "A bottle of a car gives less, and takes none back.")


def _densities(y) -> tuple[float, float]:
    lines = _two_phase()(min(y[0], T_LAST))
    return lines[3], lines[4]


def _next_regime(bottle: Bottle, regime: str, y) -> str:
    if regime != TWO_PHASES:
        return TWO_PHASES
    liquid, vapour = _densities(y)
    density = y[2] / bottle.volume
    return LIQUID_FULL if abs(density - liquid) < abs(density - vapour) else VAPOUR_ONLY


def _events(bottle, regime, slack, left, P_target, rates) -> Callable[[list[float]], tuple[float, ...]]:
    """Four numbers, positive until: the regime changes, the liquid runs out, the pressure is reached, the computed range ends.

    `left` None: nothing is drawn.
    """

    def events(y: list[float]) -> tuple[float, float, float, float]:
        density, (liquid, vapour) = y[2] / bottle.volume, _densities(y)
        run_out = 1.0
        if regime == LIQUID_FULL:
            switch = density / liquid - 1
        elif regime == VAPOUR_ONLY:
            switch = 1 - density / vapour
        else:
            switch = min(1 - density / liquid, density / vapour - 1)
            if left is not None:
                run_out = (density - vapour) / (liquid - vapour) * bottle.volume * liquid - left
        target = 1.0 if P_target is None else P_target - rates(bottle, y[0], y[2])[0]
        return switch + slack, run_out, target, min(T_LAST - y[0], y[0] - _COLDEST)

    return events


def _course(bottle: Bottle, rows: np.ndarray, flow: Flow | None, ended: str) -> Course:
    t, T, T_wall, mass, enthalpy, heat = rows.T
    P, liquid = np.array([_look(bottle, a, m) for a, m in zip(T.tolist(), mass.tolist(), strict=True)]).T
    drawn = np.array([_drawn(flow, a, p) for a, p in zip(T.tolist(), P.tolist(), strict=True)])
    return Course(t, T, T_wall, P, mass, liquid, drawn, ended, float(enthalpy[-1]), float(heat[-1]))


def _look(bottle: Bottle, T: float, mass: float) -> tuple[float, float]:
    """Pressure and liquid in the bottle, as `vessel_state` has them."""
    P, _, _, liquid, vapour, *_ = _two_phase()(min(T, T_LAST))
    density = mass / bottle.volume
    if vapour < density < liquid:
        return P, (density - vapour) / (liquid - vapour) * bottle.volume * liquid
    state = vessel_state(min(T, T_LAST), mass, bottle.volume)
    return state.P, state.liquid_mass
