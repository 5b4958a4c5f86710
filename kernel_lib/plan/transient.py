"""The first instant and the last liquid: what arrives before liquid does, and after it has gone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..build_sheet import BuildSheet
from ..engine.setup import Setup
from ..errors import check_number
from ..thermo.fluid import saturation
from ..thermo.nitrous import vapour_flow
from ..units import k_from_c
from . import fuel as pf
from .supply import nozzle_area

GAS_COEFFICIENT = 0.8
"""Discharge coefficient of a small hole for gas; from memory."""


@dataclass(frozen=True)
class FirstInstant:
    """What the engine gets when the valve opens.

    Attributes
    ----------
    fill_s : float
        At most until liquid has filled what lies between valve and nozzle [s].
    vapour_s : float
        How long the vapour that stood in an unpurged line flows before liquid [s].
    vapour_flow : float
        Nitrous in that time, and wherever the pick-up draws vapour [kg/s].
    lambda_none, lambda_vapour : array
        Over `rpm`: with the fuel of the full shot but no nitrous yet, and with vapour.
    rpm : array
    """

    fill_s: float
    vapour_s: float
    vapour_flow: float
    lambda_none: np.ndarray
    lambda_vapour: np.ndarray
    rpm: np.ndarray


def first_instant(sheet: BuildSheet, flow: float, rpm, *, fuel_for: float | None = None) -> FirstInstant:
    """Compute the first instant of a hit, and with it what an uncovered pick-up does.

    Parameters
    ----------
    sheet : BuildSheet
        With a nozzle bore.
    flow : float
        Of liquid [kg/s].
    rpm : array
    fuel_for : float, optional
        Nitrous flow that the fuel is set for [kg/s]; `flow` if None.

    Returns
    -------
    FirstInstant

    Notes
    -----
    Unpurged: the whole line from bottle to valve holds saturated vapour at the bottle's pressure, as it does when the line is
    warmer than the bottle; it passes the nozzle choked. Between valve and nozzle there is nothing before the hit.
    """
    nitrous, setup = sheet.nitrous, Setup.of(sheet)
    flow = check_number("flow", flow, 0.0, 1.0, "kg/s", "More than 1 kg/s is a rocket.", open_low=True)
    meant = (
        flow
        if fuel_for is None
        else check_number("fuel_for", fuel_for, 0.0, 1.0, "kg/s", "More than 1 kg/s is a rocket.")
    )
    T = k_from_c(nitrous.bottle_temperature_c)
    line = nitrous.line_length_m * np.pi / 4 * (nitrous.line_bore_mm / 1e3) ** 2
    state = saturation(T)
    vapour = min(vapour_flow(nozzle_area(sheet), GAS_COEFFICIENT, T, setup.P_manifold), flow)
    rpm = np.atleast_1d(np.asarray(rpm, dtype=float))
    return FirstInstant(
        fill_s=state.liquid_density * 1e-6 * sheet.value("nitrous.valve_to_nozzle_ml") / flow,
        vapour_s=state.vapour_density * line / vapour,
        vapour_flow=vapour,
        lambda_none=pf.lambda_at_flow(sheet, setup, rpm, meant, 0.0),
        lambda_vapour=pf.lambda_at_flow(sheet, setup, rpm, meant, vapour),
        rpm=rpm,
    )
