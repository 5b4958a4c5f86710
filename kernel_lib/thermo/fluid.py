"""Nitrous oxide as a real fluid: saturation, one phase alone, heat of evaporation [Lemmon & Span 2006, through CoolProp]."""

from __future__ import annotations

import functools
import threading
from dataclasses import dataclass

import CoolProp.CoolProp as cp
import numpy as np
from scipy.interpolate import CubicSpline

from ..errors import InputError, check_array, check_number

_FLUID = "NitrousOxide"
T_TRIPLE = cp.PropsSI("Ttriple", _FLUID)
"""Triple point [K]: nitrous freezes below."""
T_CRITICAL = cp.PropsSI("Tcrit", _FLUID)
"""Critical point [K]: no liquid above."""
P_CRITICAL = cp.PropsSI("pcrit", _FLUID)
"""Critical pressure [Pa]."""
P_MOST = 50e6
"""The equation of state holds up to here [Pa]."""
T_MOST = 500.0
"""No bottle, line or intake is hotter [K]."""
T_LAST = T_CRITICAL - 0.01
"""Saturation is computed up to here [K]."""


@dataclass(frozen=True)
class Saturation:
    """Liquid and vapour side by side in a bottle.

    Attributes
    ----------
    T, P : float
        [K], absolute [Pa].
    liquid_density, vapour_density : float
        [kg/m3].
    vaporisation_enthalpy : float
        [J/kg].
    """

    T: float
    P: float
    liquid_density: float
    vapour_density: float
    vaporisation_enthalpy: float


@dataclass(frozen=True)
class Fluid:
    """One phase alone.

    Attributes
    ----------
    T, P : float
        [K], absolute [Pa].
    phase : str
        "liquid", "vapour" or "above critical": a gas as dense as a liquid, which no pressure turns into one.
    density, enthalpy, entropy : float
        [kg/m3], [J/kg], [J/(kg K)]; enthalpy and entropy count from CoolProp's own zero.
    """

    T: float
    P: float
    phase: str
    density: float
    enthalpy: float
    entropy: float


def check_saturated(field: str, T) -> np.ndarray:
    """Return temperatures at which liquid and vapour can stand side by side; raise InputError otherwise."""
    return check_array(
        field,
        T,
        T_TRIPLE,
        T_LAST,
        "K",
        "Above the critical temperature (309.5 K, 36.4 C) a bottle holds no liquid; below 182.3 K nitrous freezes.",
    )


def saturation(T: float) -> Saturation:
    """Saturated nitrous oxide.

    Parameters
    ----------
    T : float
        [K], from the triple point (182.33) to just below the critical point (309.52).

    Returns
    -------
    Saturation

    Raises
    ------
    InputError
    """
    T = float(check_saturated("T", check_number("T", T, 0.0, T_MOST, "K", "No bottle is hotter.")))
    liquid = {key: cp.PropsSI(key, "T", T, "Q", 0, _FLUID) for key in ("P", "D", "H")}
    vapour = {key: cp.PropsSI(key, "T", T, "Q", 1, _FLUID) for key in ("D", "H")}
    return Saturation(T, liquid["P"], liquid["D"], vapour["D"], vapour["H"] - liquid["H"])


class _Table:
    """Saturation as splines over w = sqrt(1 - T/Tc), in which it is smooth up to the critical point; within 1e-6."""

    def __init__(self) -> None:
        w = np.linspace(np.sqrt(1 - T_LAST / T_CRITICAL), np.sqrt(1 - T_TRIPLE / T_CRITICAL), 320)
        T = np.clip(T_CRITICAL * (1 - w**2), T_TRIPLE, T_LAST)
        state = cp.AbstractState("HEOS", _FLUID)
        rows: dict[str, list[float]] = {k: [] for k in ("lnP", "rho_l", "rho_v", "h_l", "h_v", "s_l", "s_v")}
        for value in T:
            for side, quality in (("l", 0.0), ("v", 1.0)):
                state.update(cp.QT_INPUTS, quality, value)
                rows[f"rho_{side}"].append(state.rhomass())
                rows[f"h_{side}"].append(state.hmass())
                rows[f"s_{side}"].append(state.smass())
            rows["lnP"].append(np.log(state.p()))
        self._column = {name: k for k, name in enumerate(rows)}
        self._of_w = CubicSpline(w, np.column_stack(list(rows.values())))
        self._w_of_lnP = CubicSpline(rows["lnP"][::-1], w[::-1])
        self._w_of_s = CubicSpline(rows["s_l"][::-1], w[::-1])
        self.P_low, self.P_high = np.exp(rows["lnP"][-1]), np.exp(rows["lnP"][0])
        self.s_low, self.s_high = rows["s_l"][-1], rows["s_l"][0]

    def at_T(self, T, *names: str) -> tuple[np.ndarray, ...]:
        """Return the named properties at temperatures."""
        lines = self._of_w(np.sqrt(np.maximum(1 - np.asarray(T) / T_CRITICAL, 0.0)))
        return tuple(np.exp(lines[..., 0]) if name == "P" else lines[..., self._column[name]] for name in names)

    def T_of_P(self, P) -> np.ndarray:
        """Return the saturation temperature."""
        return T_CRITICAL * (1 - self._w_of_lnP(np.log(P)) ** 2)

    def T_of_liquid_entropy(self, s) -> np.ndarray:
        """Return the temperature at which saturated liquid has that entropy."""
        return T_CRITICAL * (1 - self._w_of_s(s) ** 2)


@functools.lru_cache(maxsize=1)
def table() -> _Table:
    """Return the saturation table, made once (0.1 s)."""
    return _Table()


def saturation_temperature(P) -> np.ndarray:
    """Temperature at which liquid and vapour stand side by side at a pressure [K].

    Parameters
    ----------
    P : float or array
        Absolute [Pa], from the triple point (88 kPa) to just below the critical pressure (7.245 MPa).

    Raises
    ------
    InputError
    """
    lines = table()
    why = "Above the critical pressure (72.5 bar) there is no boiling; below 0.88 bar nitrous freezes."
    return lines.T_of_P(check_array("P", P, lines.P_low, lines.P_high, "Pa", why))


def single_phase(T: float, P: float) -> Fluid:
    """One phase of nitrous at a temperature and a pressure.

    Parameters
    ----------
    T : float
        [K], 182.33 to 500.
    P : float
        Absolute [Pa], up to 50 MPa.

    Returns
    -------
    Fluid

    Raises
    ------
    InputError
        Out of range, or where the phase would not be one: within 1e-6 of the saturation line.
    """
    T = check_number("T", T, T_TRIPLE, T_MOST, "K", "Nitrous freezes below; no bottle is hotter.")
    P = check_number("P", P, 1e3, P_MOST, "Pa", "The equation of state reaches to 50 MPa.")
    if T > T_LAST:
        phase = "above critical" if P > P_CRITICAL or T > T_CRITICAL else "vapour"
    else:
        line = float(table().at_T(T, "P")[0])
        if abs(P / line - 1) < 1e-6:
            raise InputError("P", P, "Pa", "off the saturation line", "On it liquid and vapour stand side by side.")
        phase = "liquid" if P > line else "vapour"
    state = shared_state({"liquid": cp.iphase_liquid, "vapour": cp.iphase_gas}.get(phase))
    state.update(cp.PT_INPUTS, P, T)
    return Fluid(T, P, phase, state.rhomass(), state.hmass(), state.smass())


def make_state(phase: int | None = None) -> cp.AbstractState:
    """Return a fresh state of CoolProp (0.1 ms); near saturation it needs the phase said."""
    state = cp.AbstractState("HEOS", _FLUID)
    if phase is not None:
        state.specify_phase(phase)
    return state


_THREAD = threading.local()


def shared_state(phase: int | None = None) -> cp.AbstractState:
    """Return this thread's state for a phase; read what you need before anything else may update it."""
    states = _THREAD.__dict__.setdefault("states", {})
    if phase not in states:
        states[phase] = make_state(phase)
    return states[phase]


def evaporation_heat(T_liquid: float, T_vapour, P: float) -> np.ndarray:
    """Heat to turn saturated liquid into vapour at another temperature.

    Parameters
    ----------
    T_liquid : float
        Of the liquid in the bottle [K].
    T_vapour : float or array
        Of the vapour in the port [K], 182.33 to 500.
    P : float
        Absolute pressure of the vapour [Pa].

    Returns
    -------
    array
        [J/kg], enthalpy of the vapour less enthalpy of the liquid; about 220 to 240 kJ/kg at intake temperatures. Kinetic
        energy and the pump work of the bottle's pressure are in the enthalpies.

    Raises
    ------
    InputError
    """
    T_liquid = float(check_saturated("T_liquid", T_liquid))
    P = check_number("P", P, 1e3, 2e5, "Pa", "Intake pressure of an engine without boost.")
    T = check_array("T_vapour", T_vapour, T_TRIPLE, T_MOST, "K", "Nitrous freezes below; no intake is hotter.")
    state, out = shared_state(cp.iphase_gas), np.empty(T.size)
    for k, value in enumerate(T.ravel()):
        state.update(cp.PT_INPUTS, P, value)
        out[k] = state.hmass()
    return out.reshape(T.shape)[()] - cp.PropsSI("H", "T", T_liquid, "Q", 0, _FLUID)
