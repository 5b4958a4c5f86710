"""Nitrous oxide as a real fluid: saturation, and the heat it takes to evaporate [Lemmon & Span 2006, through CoolProp]."""

from __future__ import annotations

from dataclasses import dataclass

import CoolProp.CoolProp as cp
import numpy as np

from ..errors import check_array, check_number

_FLUID = "NitrousOxide"
T_TRIPLE = cp.PropsSI("Ttriple", _FLUID)
"""Triple point [K]: nitrous freezes below."""
T_CRITICAL = cp.PropsSI("Tcrit", _FLUID)
"""Critical point [K]: no liquid above."""
P_CRITICAL = cp.PropsSI("pcrit", _FLUID)
"""Critical pressure [Pa]."""


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


def _check_saturated(field: str, T: float) -> float:
    return check_number(
        field,
        T,
        T_TRIPLE,
        T_CRITICAL - 0.01,
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
    T = _check_saturated("T", T)
    liquid = {key: cp.PropsSI(key, "T", T, "Q", 0, _FLUID) for key in ("P", "D", "H")}
    vapour = {key: cp.PropsSI(key, "T", T, "Q", 1, _FLUID) for key in ("D", "H")}
    return Saturation(T, liquid["P"], liquid["D"], vapour["D"], vapour["H"] - liquid["H"])


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
    T_liquid = _check_saturated("T_liquid", T_liquid)
    P = check_number("P", P, 1e3, 2e5, "Pa", "Intake pressure of an engine without boost.")
    T = check_array("T_vapour", T_vapour, T_TRIPLE, 500.0, "K", "Nitrous freezes below; no intake is hotter.")
    liquid = cp.PropsSI("H", "T", T_liquid, "Q", 0, _FLUID)
    return _vapour_enthalpy(T, P) - liquid


def _vapour_enthalpy(T: np.ndarray, P: float) -> np.ndarray:
    """Of the vapour [J/kg]; near saturation CoolProp needs the phase said."""
    flat = np.atleast_1d(T).ravel()
    state = cp.AbstractState("HEOS", _FLUID)
    state.specify_phase(cp.iphase_gas)
    out = np.empty(flat.shape)
    for k, value in enumerate(flat):
        state.update(cp.PT_INPUTS, P, value)
        out[k] = state.hmass()
    return out.reshape(np.shape(T)) if np.ndim(T) else out[0]
