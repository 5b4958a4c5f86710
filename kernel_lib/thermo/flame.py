"""How fast the flame runs: a published base speed, and what nitrous oxide does to it.

Nobody has published flame speeds of gasoline with air and nitrous oxide at engine state. `speed_ratio` comes from computed
one-dimensional flames of propane (data/flame_speed): a proxy, at pressures beyond those for which the mechanism was validated. Its band,
`FLAME_RATIO`, is wide for that reason.
"""

from __future__ import annotations

import functools

import numpy as np
import pandas as pd
from scipy.interpolate import NdBSpline, make_interp_spline

from ..errors import InputError, check_array
from ..paths import data_dir
from .fuels import Fuel

PHI, T_UNBURNED, P_ATM, NITROUS = (0.7, 1.5), (330.0, 950.0), (5.0, 120.0), (0.0, 0.55)
"""Range of the table: equivalence ratio, [K], [atm], moles N2O per mole of (dry air + N2O)."""

_ATM = 101325.0
_WHY = "The table of computed flames ends there, and it is not extended by guess."

# B_M [m/s], B_2 [m/s], phi_M [Metghalchi & Keck 1982]; "gasoline" is their reference fuel RMFD-303 (indolene)
_BASE = {
    "methanol": (0.3692, -1.4051, 1.11),
    "propane": (0.3422, -1.3865, 1.08),
    "iso-octane": (0.2632, -0.8472, 1.13),
    "gasoline": (0.2758, -0.7834, 1.13),
}


def base_speed(fuel: Fuel | str, phi, T, P, diluent=0.0) -> np.ndarray:
    """Laminar flame speed in air.

    Parameters
    ----------
    fuel : Fuel or str
        Methanol, propane, iso-octane; any other counts as gasoline (RMFD-303), which serves for ratios only.
    phi : float or array
        Equivalence ratio, 0.6 to 1.8.
    T, P : float or array
        Unburned gas [K], [Pa].
    diluent : float or array
        Burned gas in the charge, mass fraction, 0 to 0.3.

    Returns
    -------
    array
        [m/s].

    Raises
    ------
    InputError

    Notes
    -----
    S = (B_M + B_2 (phi - phi_M)^2) (T/298 K)^a (p/1 atm)^b (1 - 2.1 Y), a = 2.18 - 0.8 (phi - 1), b = -0.16 + 0.22 (phi - 1)
    [Metghalchi & Keck 1982]. Fitted, to 10 %, on phi 0.8-1.5, 298-700 K, 0.4-50 atm, Y 0-0.2: an engine at 50 % burned lies
    beyond the last temperature (`within_fit`), so only ratios of it are used here.
    """
    phi = check_array("phi", phi, 0.6, 1.8, "", "Outside, the fitted parabola runs to zero.")
    T = check_array("T", T, 250.0, 1500.0, "K", "Unburned gas.")
    P = check_array("P", P, 1e4, 5e7, "Pa", "From an intake under vacuum to a broken cylinder head.")
    Y = check_array("diluent", diluent, 0.0, 0.3, "", "More burned gas does not burn.")
    peak, bend, at = _BASE.get(fuel.name if isinstance(fuel, Fuel) else fuel, _BASE["gasoline"])
    speed = peak + bend * (phi - at) ** 2
    hot = (T / 298.0) ** (2.18 - 0.8 * (phi - 1))
    return speed * hot * (P / _ATM) ** (-0.16 + 0.22 * (phi - 1)) * (1 - 2.1 * Y)


def within_fit(phi, T, P, diluent=0.0) -> np.ndarray:
    """Whether `base_speed` is inside the range it was fitted on."""
    inside = (np.asarray(phi) >= 0.8) & (np.asarray(phi) <= 1.5) & (np.asarray(T) >= 298.0) & (np.asarray(T) <= 700.0)
    pressure = np.asarray(P) / _ATM
    return inside & (pressure >= 0.4) & (pressure <= 50.0) & (np.asarray(diluent) <= 0.2)


@functools.cache
def table() -> pd.DataFrame:
    """Return the computed flames: phi, T_unburned_K, p_atm, nitrous_fraction, S_L_cm_s, T_burned_K, use ("grid" or "left out")."""
    return pd.read_csv(data_dir() / "flame_speed" / "flames.csv")


@functools.cache
def _logarithm() -> NdBSpline:
    """Cubic spline of ln(speed ratio) over phi, T, ln(p/atm), nitrous fraction."""
    keys = ["phi", "T_unburned_K", "p_atm", "nitrous_fraction"]
    speed = table().query("use == 'grid'").set_index(keys)["S_L_cm_s"].sort_index()
    axes = [level.to_numpy(float) for level in speed.index.levels]
    log = np.log(speed.to_numpy()).reshape([len(axis) for axis in axes])
    axes[2] = np.log(axes[2])
    weights, knots = log - log[..., :1], []
    for k, axis in enumerate(axes):
        along = make_interp_spline(axis, weights, 3, axis=k)
        weights = np.moveaxis(along.c, 0, k)
        knots.append(along.t)
    return NdBSpline(tuple(knots), weights, 3)


def inside(phi, T, P, nitrous_fraction) -> np.ndarray:
    """Whether the table of `speed_ratio` holds a state; a charge without nitrous needs none."""
    ends = ((phi, PHI), (T, T_UNBURNED), (np.asarray(P) / _ATM, P_ATM), (nitrous_fraction, NITROUS))
    held = np.all(np.broadcast_arrays(*((np.asarray(v) >= lo) & (np.asarray(v) <= hi) for v, (lo, hi) in ends)), axis=0)
    return held | (np.asarray(nitrous_fraction) == 0)


def speed_ratio(phi, T, P, nitrous_fraction) -> np.ndarray:
    """Flame speed with nitrous oxide over flame speed without, at the same phi, temperature and pressure.

    Parameters
    ----------
    phi : float or array
        Equivalence ratio, the oxygen of both oxidisers counted, 0.7 to 1.5.
    T, P : float or array
        Unburned gas [K], 330 to 950, and [Pa], 5 to 120 atm.
    nitrous_fraction : float or array
        Moles of N2O per mole of (dry air + N2O), 0 to 0.55.

    Returns
    -------
    array
        Exactly 1 without nitrous.

    Raises
    ------
    InputError
        Outside the table: it is not extrapolated.

    Notes
    -----
    Spline of the logarithm over the flames of data/flame_speed (propane, GRI-Mech 3.0, Cantera). `FLAME_RATIO` is its band.
    """
    phi, T, P, x = np.broadcast_arrays(*(np.asarray(v, float) for v in (phi, T, P, nitrous_fraction)))
    for field, values, (low, high), unit, scale in (
        ("phi", phi, PHI, "", 1.0),
        ("T", T, T_UNBURNED, "K", 1.0),
        ("P", P, P_ATM, "Pa", _ATM),
        ("nitrous_fraction", x, NITROUS, "", 1.0),
    ):
        bad = ((values < low * scale) | (values > high * scale) | ~np.isfinite(values)) & (x != 0)
        if bad.any():
            raise InputError(
                field, float(values[bad].flat[0]), unit, f"{low * scale:g} to {high * scale:g} {unit}".strip(), _WHY
            )
    return ratio_where_inside(phi, T, P, x)


def ratio_where_inside(phi, T, P, nitrous_fraction) -> np.ndarray:
    """`speed_ratio` without its refusal: NaN outside the table."""
    phi, T, P, x = np.broadcast_arrays(*(np.asarray(v, float) for v in (phi, T, P, nitrous_fraction)))
    out, held = np.full(phi.shape, np.nan), inside(phi, T, P, x)
    some = held & (x > 0)
    out[held] = 1.0
    if some.any():
        point = np.stack([phi[some], T[some], np.log(P[some] / _ATM), x[some]], axis=-1)
        out[some] = np.exp(_logarithm()(point))
    return out
