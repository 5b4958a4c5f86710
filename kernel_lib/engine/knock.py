"""When the end gas would ignite by itself.

The correlation is blind to lambda, has no negative temperature coefficient and knows nothing of residual nitric oxide or of surface
ignition; high-ethanol octane lies outside its data. It serves for differences from an engine's own known-good timing, never as an
absolute promise.
"""

from __future__ import annotations

import numpy as np

from ..errors import check_array

A, OCTANE_EXPONENT, PRESSURE_EXPONENT, ACTIVATION = 17.68e-3, 3.402, -1.7, 3800.0
"""Constants of `induction_time`: [s] with pressure in atm, -, -, [K]."""

_ATM = 101325.0


def induction_time(P, T, octane) -> np.ndarray:
    """Time to self-ignition at constant state.

    Parameters
    ----------
    P, T : float or array
        Of the unburned gas [Pa], [K]: 1e4 to 5e7, 250 to 2500.
    octane : float or array
        Research octane number, 40 to 130. A label in AKI, (R+M)/2, is converted by the build sheet (AKI + 4.5, from memory).

    Returns
    -------
    array
        [s].

    Raises
    ------
    InputError

    Notes
    -----
    tau = 17.68 ms (ON/100)^3.402 p^-1.7 exp(3800 K/T), p in atm [Douaud & Eyzat 1978 (SAE 780080)].
    """
    P = check_array("P", P, 1e4, 5e7, "Pa", "From an intake under vacuum to a broken cylinder head.")
    T = check_array("T", T, 250.0, 2500.0, "K", "End gas.")
    octane = check_array("octane", octane, 40.0, 130.0, "RON", "Fuels of the correlation and its neighbours.")
    return A * (octane / 100) ** OCTANE_EXPONENT * (P / _ATM) ** PRESSURE_EXPONENT * np.exp(ACTIVATION / T)


def livengood_wu(t, P, T, octane) -> np.ndarray:
    """Knock integral up to each of a row of times.

    Parameters
    ----------
    t : array, shape (n,)
        [s], rising.
    P, T : array, shape (n,)
        [Pa], [K].
    octane : float
        RON.

    Returns
    -------
    array, shape (n,)
        Sum of dt / induction time, by trapezoids; the end gas ignites where it reaches 1 [Livengood & Wu 1955].
    """
    t = np.asarray(t, float)
    rate = 1.0 / induction_time(P, T, octane)
    return np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(t))])


def onset(t, P, T, octane) -> float | None:
    """Time at which the knock integral reaches 1 [s], on a line between the rows; None if it does not.

    Parameters are those of `livengood_wu`.
    """
    done = livengood_wu(t, P, T, octane)
    return float(np.interp(1.0, done, t)) if done[-1] >= 1.0 else None
