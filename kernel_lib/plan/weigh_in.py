"""The bottle on the scale before and after a spray: what the nozzle really passes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import simpson

from ..band import BOTTLE_TEMPERATURE
from ..build_sheet import BuildSheet
from ..errors import InputError, check_number
from ..thermo.fluid import T_LAST, T_TRIPLE
from ..thermo.nitrous import mass_flux
from .bottle_day import temperature_fall
from .supply import nozzle_area

_WIDEN = 2 / np.sqrt(3)


def _as_weighed(sheet: BuildSheet, before: float) -> BuildSheet:
    """Return the sheet with the fill that the scale showed, if the bottle's empty weight is known and it was weighed with it."""
    fill = before - sheet.value("nitrous.bottle_empty_kg")
    weighed = sheet.is_given("nitrous.bottle_empty_kg") and 0.05 < fill <= 1.2 * sheet.nitrous.bottle_rated_fill_kg
    return sheet.replace({"nitrous.bottle_fill_kg": round(fill, 4)}) if weighed else sheet


@dataclass(frozen=True)
class WeighIn:
    """What a weigh-in found.

    Attributes
    ----------
    coefficient, error : float
        Relative to HEM, line and valve included; within the error 19 times in 20, see `weigh_in`.
    flow, flow_error : float
        [kg/s].
    T : float
        Mean of the liquid [K].
    parts : dict
        Which error comes from what, as shares of the coefficient.
    """

    coefficient: float
    error: float
    flow: float
    flow_error: float
    T: float
    parts: dict[str, float]


def weigh_in(
    sheet: BuildSheet,
    before: float,
    after: float,
    seconds: float,
    T: float,
    *,
    scale_error: float,
    time_error: float = 0.2,
    T_error: float = BOTTLE_TEMPERATURE.high,
) -> WeighIn:
    """Discharge coefficient from a bottle weighed before and after spraying.

    Parameters
    ----------
    sheet : BuildSheet
        With the nozzle's bore.
    before, after : float
        Weight of the bottle [kg], with or without its own, but both alike.
    seconds : float
        Valve open [s].
    T : float
        Of the bottle at the start [K].
    scale_error, time_error, T_error : float
        Bounds of one weighing [kg], of the time [s], of the temperature [K].

    Returns
    -------
    WeighIn

    Raises
    ------
    InputError
        Out of range; a bottle that gained weight, lost more than its liquid, or less than the scale can tell.

    Notes
    -----
    Errors that lie anywhere within the stated bounds u have the standard deviation u/sqrt(3); the error is twice the root of the
    sum of their squares (k = 2, about 95 %) [GUM]. coefficient = mass / (area x time x mean HEM flux), the flux over the temperatures from start to end; the bottle's fall
    is computed from what was drawn. Vapour in the line at the start passes less, and so makes the coefficient too low and the fuel
    too lean: purge first.
    """
    before = check_number("before", before, 0.1, 200.0, "kg", "A bottle with nitrous in it.")
    after = check_number("after", after, 0.0, 200.0, "kg", "The same bottle, weighed the same way.")
    seconds = check_number(
        "seconds", seconds, 0.5, 120.0, "s", "Shorter, the valve's own times count; longer, the bottle is cold."
    )
    scale_error = check_number("scale_error", scale_error, 1e-4, 1.0, "kg", "Of one weighing.")
    time_error = check_number("time_error", time_error, 0.0, 10.0, "s", "Of the valve's open time.")
    T_error = check_number("T_error", T_error, 0.0, 20.0, "K", "Of the liquid's temperature.")
    drawn = before - after
    if drawn <= 0:
        raise InputError(
            "after",
            after,
            "kg",
            f"less than before, {before:g} kg",
            "A bottle that was sprayed from cannot gain weight.",
        )
    both = np.sqrt(2) * scale_error
    if drawn < 4 * both:
        why = f"The bottle lost {1e3 * drawn:.0f} g and the scale may be wrong by {1e3 * both:.0f} g: spray longer or use a finer scale."
        raise InputError("after", after, "kg", f"at least {1e3 * 4 * both:.0f} g lost", why)
    end = T - temperature_fall(_as_weighed(sheet, before), T, drawn, seconds)
    path = np.linspace(T, end, 5)
    P_down = 1e3 * sheet.value("site.barometer_kpa")

    def mean_flux(shift: float) -> float:
        return float(simpson(mass_flux(np.clip(path + shift, T_TRIPLE, T_LAST), P_down), dx=0.25))

    flux, area = mean_flux(0.0), nozzle_area(sheet)
    coefficient = drawn / (seconds * area * flux)
    parts = {
        "scale": float(both / drawn),
        "time": time_error / seconds,
        "temperature": max(abs(mean_flux(d) / flux - 1) for d in (-T_error, min(T_error, T_LAST - T))),
    }
    share = float(_WIDEN) * float(np.sqrt(sum(v**2 for v in parts.values())))
    flow = drawn / seconds
    flow_share = float(_WIDEN) * float(np.hypot(parts["scale"], parts["time"]))
    return WeighIn(coefficient, coefficient * share, flow, flow * flow_share, float(np.mean(path)), parts)
