"""What a wide-band lambda sensor shows on nitrous exhaust.

The sensor's current follows oxygen (lean) or CO and H2 (rich) per mole of exhaust. Nitrous brings less nitrogen, so the same
lambda gives a stronger signal: a rich mixture reads richer than it is. Limiting-current model, not verified against a sensor.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq
from scipy.optimize.elementwise import find_root

from ..band import HYDROGEN_WEIGHT
from ..errors import InputError, check_array, check_number
from .compositions import exhaust_of
from .fuels import Fuel
from .mixture import Mixture

_SCALE_LOW, _SCALE_HIGH = 0.5, 2.5


def signal(mix: Mixture, hydrogen_weight: float = HYDROGEN_WEIGHT.best) -> float:
    """Oxygen at the sensor in O2 equivalents per mole of exhaust, negative where CO and H2 ask for it.

    Parameters
    ----------
    mix : Mixture
        The charge whose cooled exhaust is read.
    hydrogen_weight : float
        How much more strongly than CO hydrogen acts, 0.5 to 5.

    Returns
    -------
    float
        [mol/mol].

    Raises
    ------
    InputError
    """
    weight = check_number(
        "hydrogen_weight", hydrogen_weight, 0.5, 5.0, "", "Diffusion of H2 against CO in a porous barrier."
    )
    gas = mix.exhaust
    return gas["O2"] - (gas["CO"] + weight * gas["H2"]) / 2


def shown_lambda(mix: Mixture, hydrogen_weight: float = HYDROGEN_WEIGHT.best) -> float:
    """Lambda that a sensor calibrated on air shows for this charge.

    Parameters
    ----------
    mix : Mixture
    hydrogen_weight : float
        As in `signal`; the same in calibration and use.

    Returns
    -------
    float
        Lambda of the nitrous-free mixture of the same fuel and moisture with the same signal.

    Raises
    ------
    InputError
        If the signal lies outside what the sensor's scale holds (lambda 0.5 to 2.5).
    """
    target = signal(mix, hydrogen_weight)
    if not mix.nitrous_fraction:
        return float(mix.lambda_)

    def miss(lambda_: float) -> float:
        return signal(Mixture(mix.fuel, lambda_, water_fraction=mix.water_fraction), hydrogen_weight) - target

    if miss(_SCALE_LOW) > 0 or miss(_SCALE_HIGH) < 0:
        raise InputError(
            "lambda_",
            float(mix.lambda_),
            "",
            "a signal within lambda 0.5 to 2.5 on air",
            f"With a nitrous fraction of {mix.nitrous_fraction:.2f} the sensor is off its scale.",
        )
    return brentq(miss, _SCALE_LOW, _SCALE_HIGH, xtol=1e-6)


def true_lambda(
    fuel: Fuel,
    shown: float,
    nitrous_fraction: float,
    hydrogen_weight: float = HYDROGEN_WEIGHT.best,
    water_fraction: float = 0.0,
) -> float:
    """Lambda of the charge when the sensor shows `shown`: `shown_lambda` turned round.

    Parameters
    ----------
    fuel : Fuel
    shown : float
        Lambda on the gauge, 0.5 to 2.
    nitrous_fraction, water_fraction : float
        As in `Mixture`.
    hydrogen_weight : float
        As in `signal`.

    Returns
    -------
    float

    Raises
    ------
    InputError
    """
    shown = check_number("shown", shown, 0.5, 2.0, "", "Wide-band sensors read between.")
    target = signal(Mixture(fuel, shown, water_fraction=water_fraction), hydrogen_weight)

    def miss(lambda_: float) -> float:
        return signal(Mixture(fuel, lambda_, nitrous_fraction, water_fraction=water_fraction), hydrogen_weight) - target

    return brentq(miss, 0.5, 5.0, xtol=1e-6)


def shown_many(fuel: Fuel, lambda_, nitrous_fraction, water_fraction, hydrogen_weight) -> np.ndarray:
    """What `shown_lambda` says of many charges at once.

    Parameters
    ----------
    fuel : Fuel
    lambda_, nitrous_fraction, water_fraction, hydrogen_weight : array
        As in `Mixture` and `signal`; they broadcast.

    Returns
    -------
    array
        NaN where the signal lies outside the sensor's scale.

    Raises
    ------
    InputError
    """
    weight = check_array(
        "hydrogen_weight", hydrogen_weight, 0.5, 5.0, "", "Diffusion of H2 against CO in a porous barrier."
    )
    lambda_, nitrous, water, weight = np.broadcast_arrays(lambda_, nitrous_fraction, water_fraction, weight)

    def shows(at, x, moisture, times):
        gas = exhaust_of(fuel, at, x, moisture)
        return gas["O2"] - (gas["CO"] + times * gas["H2"]) / 2

    def miss(at, moisture, times, wanted):
        return shows(at, np.zeros_like(at), moisture, times) - wanted

    target = shows(lambda_, nitrous, water, weight)
    ends = np.full(target.shape, _SCALE_LOW), np.full(target.shape, _SCALE_HIGH)
    found = find_root(miss, ends, args=(water, weight, target))
    return np.where(found.success, found.x, np.nan)
