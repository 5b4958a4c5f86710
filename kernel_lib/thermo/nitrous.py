"""What a nozzle passes of nitrous oxide, liquid or vapour."""

from __future__ import annotations

import CoolProp.CoolProp as cp
import numpy as np

from ..errors import InputError, check_array, check_choice, check_number
from .fluid import (
    P_MOST,
    T_CRITICAL,
    T_LAST,
    T_MOST,
    T_TRIPLE,
    Saturation,
    check_saturated,
    make_state,
    saturation,
    shared_state,
    single_phase,
    table,
)

__all__ = [
    "DEFAULT",
    "MODELS",
    "T_CRITICAL",
    "T_TRIPLE",
    "Saturation",
    "mass_flux",
    "nozzle_flow",
    "saturation",
    "throttled_share",
    "vapour_flow",
]

MODELS = ("SPI", "HEM", "NHNE")
DEFAULT = "HEM"
_NODES = 64
_SAME = 1e-8  # pressures nearer than this are one: the saturation table holds 1e-9
_CHOKES_ABOVE = 0.3  # of the pressure at which bubbles begin; saturated N2O chokes between 0.7 and 0.95 of it


def mass_flux(T, P_down, *, model: str = DEFAULT, P_up=None) -> np.ndarray:
    """Flow of liquid nitrous through a hole, per area and at a discharge coefficient of 1.

    Parameters
    ----------
    T : float or array
        Of the liquid before the nozzle [K].
    P_down : float or array
        Behind it, absolute [Pa].
    model : {"SPI", "HEM", "NHNE"}
        See `nozzle_flow`.
    P_up : float or array, optional
        Before it, absolute [Pa]; None: saturated, as liquid stands in a bottle with vapour above it.

    Returns
    -------
    array
        [kg/(m2 s)], of the shape to which the three broadcast.

    Raises
    ------
    InputError
        As `nozzle_flow`.
    """
    check_choice("model", model, MODELS, "These are the models this project has.")
    T = check_array("T", T, T_TRIPLE, T_MOST, "K", "Nitrous freezes below; no bottle is hotter.")
    if (T > T_LAST).any():
        raise InputError("T", float(T.max()), "K", "below 309.5 K", _GAS)
    P_down = check_array("P_down", P_down, 0.0, P_MOST, "Pa", "Absolute pressure behind the nozzle.")
    line = table().at_T(T, "P")[0]
    if P_up is None:
        P_up = line
    P_up = check_array("P_up", P_up, 1e3, P_MOST, "Pa", "The equation of state reaches to 50 MPa.")
    T, P_down, P_up, line = np.broadcast_arrays(T, P_down, P_up, line)
    if (P_up < line * (1 - 1e-6)).any():
        k = int(np.argmin(P_up / line))
        raise InputError(
            "P_up",
            float(P_up.flat[k]),
            "Pa",
            f"at least the saturation pressure, {line.flat[k]:.4g} Pa at {T.flat[k]:.1f} K",
            "Below the saturation line there is vapour before the nozzle and no liquid: use vapour_flow.",
        )
    equal = np.abs(P_up - P_down) <= _SAME * P_up
    if ((P_up < P_down) & ~equal).any():
        k = int(np.argmin(P_up - P_down))
        raise InputError(
            "P_up", float(P_up.flat[k]), "Pa", "at least the pressure behind the nozzle", "Nothing flows backwards."
        )
    density, h0, s0 = _upstream(T, P_up, line)
    out = _flux(model, P_up, P_down, line, density, h0, s0)
    return np.where(equal, 0.0, out)[()]


_GAS = "Above the critical temperature there is no liquid but a dense gas: use vapour_flow with a pressure."


def _upstream(T: np.ndarray, P_up: np.ndarray, line: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Density, enthalpy and entropy before the nozzle: saturated liquid, or liquid pushed beyond saturation."""
    density, h, s = (np.array(v, dtype=float) for v in table().at_T(T, "rho_l", "h_l", "s_l"))
    pressed = np.flatnonzero(P_up > line * (1 + 1e-6))
    state = shared_state(cp.iphase_liquid) if len(pressed) else None
    for k in pressed:
        state.update(cp.PT_INPUTS, P_up.flat[k], T.flat[k])
        density.flat[k], h.flat[k], s.flat[k] = state.rhomass(), state.hmass(), state.smass()
    return density, h, s


def _flux(model: str, P_up, P_down, line, density, h0, s0) -> np.ndarray:
    bernoulli = np.sqrt(2 * density * np.maximum(P_up - P_down, 0.0))
    if model == "SPI":
        return bernoulli
    kept = model == "HEM"
    boiling = _boiling_flux(P_up, P_down, density, h0, s0, keep_maximum=kept)
    if kept:
        return boiling
    above, drop = np.maximum(P_up - P_down, 0.0), line - P_down
    share = np.where(drop > 0, 1 / (1 + np.sqrt(above / np.where(drop > 0, drop, 1.0))), 0.0)
    return (1 - share) * bernoulli + share * boiling


def _boiling_flux(P_up, P_down, density, h0, s0, *, keep_maximum: bool) -> np.ndarray:
    """Flow in thermal equilibrium along the isentrope: G = rho sqrt(2 (h0 - h)) where the pressure is P_down, or its maximum."""
    lines = table()
    begins = lines.at_T(
        np.clip(lines.T_of_liquid_entropy(np.clip(s0, lines.s_low, lines.s_high)), T_TRIPLE, T_LAST), "P"
    )[0]
    begins = np.minimum(begins, P_up)
    lowest = np.maximum(P_down, lines.P_low)  # below the triple point it would freeze: taken there
    at_down = _two_phase_flux(np.minimum(lowest, begins), h0, s0)
    at_down = np.where(P_down >= begins, _liquid_flux(P_up, P_down, begins, density, h0), at_down)
    if not keep_maximum:
        return at_down
    floor = np.maximum(lowest, _CHOKES_ABOVE * begins)
    ramp = np.linspace(0.0, 1.0, _NODES).reshape((-1,) + (1,) * np.ndim(begins))
    P = np.maximum(begins - ramp * np.maximum(begins - floor, 0.0), lines.P_low)
    choked = np.maximum(_peak(_two_phase_flux(P, h0, s0)), np.where(lowest <= floor, 0.0, at_down))
    return np.where(P_down >= begins, at_down, choked)


def _liquid_flux(P_up, P, begins, density, h0) -> np.ndarray:
    """Flow that stays liquid: enthalpy and density on a line from upstream to where bubbles would begin."""
    h_b, rho_b = table().at_T(
        np.clip(table().T_of_P(np.maximum(begins, table().P_low)), T_TRIPLE, T_LAST), "h_l", "rho_l"
    )
    way = (P_up - P) / np.maximum(P_up - begins, 1.0)
    return (density + way * (rho_b - density)) * np.sqrt(2 * np.maximum(way * (h0 - h_b), 0.0))


def _two_phase_flux(P, h0, s0) -> np.ndarray:
    h_l, h_v, s_l, s_v, rho_l, rho_v = table().at_T(
        np.clip(table().T_of_P(P), T_TRIPLE, T_LAST), "h_l", "h_v", "s_l", "s_v", "rho_l", "rho_v"
    )
    x = np.clip((s0 - s_l) / (s_v - s_l), 0.0, 1.0)
    drop = np.maximum(h0 - (h_l + x * (h_v - h_l)), 0.0)
    return np.sqrt(2 * drop) / ((1 - x) / rho_l + x / rho_v)


def _peak(flux: np.ndarray) -> np.ndarray:
    """Maximum along the first axis, through a parabola where it lies inside."""
    k = np.argmax(flux, axis=0)
    inner = np.clip(k, 1, flux.shape[0] - 2)
    a, b, c = (np.take_along_axis(flux, np.expand_dims(inner + d, 0), axis=0)[0] for d in (-1, 0, 1))
    bend = a - 2 * b + c
    top = b - (a - c) ** 2 / (8 * np.where(bend < 0, bend, -1.0))
    return np.where((k == inner) & (bend < 0), top, flux.max(axis=0))


def nozzle_flow(area, discharge_coefficient, T, P_down, *, model: str = DEFAULT, P_up=None) -> np.ndarray:
    """Liquid nitrous that a nozzle passes.

    Parameters
    ----------
    area : float or array
        Of the bore [m2].
    discharge_coefficient : float or array
        Measured flow over the model's; what a weigh-in finds. It belongs to the model it was found with.
    T : float or array
        Of the liquid before the nozzle [K].
    P_down : float or array
        Behind it, absolute [Pa].
    model : {"SPI", "HEM", "NHNE"}
        Single-phase incompressible; homogeneous equilibrium, choked; non-homogeneous, non-equilibrium.
    P_up : float or array, optional
        Before it, absolute [Pa]; None: saturated.

    Returns
    -------
    float or array
        [kg/s].

    Raises
    ------
    InputError
        Out of range; no liquid (`T` at or above the critical point, or `P_up` below saturation); `P_up` below `P_down`.

    Notes
    -----
    SPI: G = sqrt(2 rho (P_up - P_down)), the liquid never boils. HEM: liquid and vapour in equilibrium at one speed along
    the isentrope, G = rho sqrt(2 (h0 - h)), held at its maximum where it chokes. NHNE [Dyer 2007, corrected by Solomon
    2011]: (k SPI + HEM)/(1 + k) with k = sqrt((P_up - P_down)/(P_sat - P_down)); for saturated liquid the mean of the two.
    Its HEM is taken at P_down itself, not at the maximum: so the published curve is met. Below 0.88 bar nitrous would
    freeze; NHNE's HEM is taken at 0.88 bar there: 0.5 % of NHNE at 0.7 bar, about 1 % at 0.55.

    Published coefficients of small sharp-edged and rounded holes lie at 0.60 to 0.82. The default is HEM because the
    measured static-fire series in tests/reference/nozzle_flow.csv asks it for 0.79 and 0.73, inside that range, where NHNE needs 0.49
    and 0.45, and SPI 0.31. A hole shorter than a few bores gives the
    liquid no time to boil and passes more. No measurement of a car's nozzle was found: weigh it.
    """
    area = check_array("area", area, 0.0, 1e-3, "m2", "A bore of up to 36 mm.")
    coefficient = check_array("discharge_coefficient", discharge_coefficient, 0.0, 3.0, "", "See a weigh-in.")
    return (area * coefficient * mass_flux(T, P_down, model=model, P_up=P_up))[()]


def vapour_flow(area: float, discharge_coefficient: float, T: float, P_down: float, *, P_up: float | None = None):
    """Nitrous that a nozzle passes where no liquid reaches it: vapour, or the dense gas above the critical point.

    Parameters
    ----------
    area, discharge_coefficient : float
        [m2]; that of a gas (0.7 to 0.9 for small holes; from memory).
    T : float
        Before the nozzle [K].
    P_down : float
        Behind it, absolute [Pa].
    P_up : float, optional
        Before it, absolute [Pa]; None: saturated vapour, below the critical point only.

    Returns
    -------
    float
        [kg/s].

    Raises
    ------
    InputError
        Out of range, or if there is liquid at that temperature and pressure.

    Notes
    -----
    Isentrope of the real gas, in equilibrium with what condenses, held at its maximum where it chokes.
    """
    area = check_number("area", area, 0.0, 1e-3, "m2", "A bore of up to 36 mm.")
    coefficient = check_number("discharge_coefficient", discharge_coefficient, 0.0, 3.0, "", "See a weigh-in.")
    T = check_number("T", T, T_TRIPLE, T_MOST, "K", "Nitrous freezes below; no bottle is hotter.")
    P_down = check_number("P_down", P_down, 0.0, P_MOST, "Pa", "Absolute pressure behind the nozzle.")
    if P_up is None:
        P_up, h0, s0 = (float(v) for v in table().at_T(check_saturated("T", T), "P", "h_v", "s_v"))
    else:
        fluid = single_phase(T, P_up)
        if fluid.phase == "liquid":
            raise InputError(
                "P_up", P_up, "Pa", "below saturation", "There is liquid before the nozzle: use nozzle_flow."
            )
        h0, s0 = fluid.enthalpy, fluid.entropy
    if P_up < P_down * (1 - _SAME):
        raise InputError("P_up", P_up, "Pa", "at least the pressure behind the nozzle", "Nothing flows backwards.")
    if P_up - P_down <= _SAME * P_up:
        return 0.0
    return area * coefficient * _most_gas(P_down, P_up, h0, s0)


def _most_gas(P_down: float, P_up: float, h0: float, s0: float) -> float:
    """Largest G along the isentrope of a gas between two pressures: a coarse grid, and a fine one round its best."""
    low, high, state = max(P_down, 0.2 * P_up), P_up, make_state()
    for _ in range(2):
        P = np.linspace(high, low, _NODES // 2)
        flux = np.array([_gas_flux(state, p, P_up, h0, s0) for p in P])
        k = int(flux.argmax())
        high, low = P[max(k - 1, 0)], P[min(k + 1, len(P) - 1)]
    return float(flux.max())


def _gas_flux(state, P: float, P_up: float, h0: float, s0: float) -> float:
    """G where the pressure is P; below the saturation line with what condenses."""
    lines = table()
    if P >= P_up:
        return 0.0
    if lines.P_low < P < lines.P_high:
        T = lines.T_of_P(P)
        s_l, s_v = lines.at_T(np.clip(T, T_TRIPLE, T_LAST), "s_l", "s_v")
        if s_l < s0 < s_v:
            return float(_two_phase_flux(P, h0, s0))
    (state.specify_phase if P <= lines.P_low else lambda _phase: state.unspecify_phase())(cp.iphase_gas)
    try:
        state.update(cp.PSmass_INPUTS, float(P), s0)
    except ValueError:
        return 0.0  # it would freeze: the maximum lies above
    return state.rhomass() * np.sqrt(2 * max(h0 - state.hmass(), 0.0))


def throttled_share(T: float, P_down: float, loss: float, *, model: str = DEFAULT) -> float:
    """Share of a nozzle's flow that is left where saturated liquid loses pressure in the line before it.

    Parameters
    ----------
    T : float
        Of the liquid in the bottle [K].
    P_down : float
        Behind the nozzle, absolute [Pa].
    loss : float
        Between bottle and nozzle [Pa].
    model : {"SPI", "HEM", "NHNE"}

    Returns
    -------
    float
        0 to 1: times the nozzle's coefficient it is the coefficient of nozzle and line together, referred to the bottle.

    Raises
    ------
    InputError

    Notes
    -----
    SPI: sqrt(1 - loss / (P - P_down)). HEM: the liquid has boiled a little at constant enthalpy before it reaches the nozzle, and
    goes on along the isentrope from there; this costs more than the pressure alone. NHNE: both, with equal weights.
    """
    T = float(check_saturated("T", T))
    P, h0 = (float(v) for v in table().at_T(T, "P", "h_l"))
    P_down = check_number("P_down", P_down, 0.0, P, "Pa", "Nothing flows backwards.")
    why = "The line cannot lose more than the bottle has over what lies behind the nozzle."
    loss = check_number("loss", loss, 0.0, P - P_down, "Pa", why)
    check_choice("model", model, MODELS, "These are the models this project has.")
    whole = float(mass_flux(T, P_down, model=model))
    if loss == 0.0 or whole == 0.0:
        return 1.0
    spi = float(np.sqrt(2 * table().at_T(T, "rho_l")[0] * (P - loss - P_down)))
    P_in = max(P - loss, table().P_low)
    h_l, h_v, s_l, s_v = table().at_T(float(table().T_of_P(P_in)), "h_l", "h_v", "s_l", "s_v")
    s0 = float(s_l + (h0 - h_l) / (h_v - h_l) * (s_v - s_l))
    lowest = max(P_down, table().P_low)
    if model == "NHNE":
        return 0.5 * (spi + float(_two_phase_flux(min(lowest, P_in), h0, s0))) / whole
    if model == "SPI":
        return spi / whole
    fall = np.linspace(P_in, max(lowest, _CHOKES_ABOVE * P_in), _NODES)
    return float(_peak(_two_phase_flux(fall, h0, s0))) / whole
