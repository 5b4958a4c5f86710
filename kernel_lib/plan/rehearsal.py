"""Rehearsal with the bottle shut: what fuel and timing must show before any nitrous flows, with pass marks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..band import INJECTOR_SCALE, SENSOR_ERROR
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge
from ..engine.setup import Setup
from . import fuel as pf
from .fuel_system import injector_duty, jet_flow

STEPS = np.arange(1.0, 0.0, -0.05)
FIRING_ROOM = 0.02
"""Lambda kept above the richest mixture that fires; a choice of our own, no source."""
CAUGHT_S = 10.0
"""How long the fuel of a wet jet is caught [s]; a choice of our own."""


@dataclass(frozen=True, eq=False)
class Rehearsal:
    """What a pull with the bottle shut must show.

    Attributes
    ----------
    fuel_share : float
        Of the added fuel that is switched on, the same at every speed: the largest that still fires; 0 where none does or a jet cannot be throttled.
    table : DataFrame
        A row a speed: rpm, lambda_, lambda_low, lambda_high (pass marks), gauge_afr with its ends, fuel_on_kg_h (what is switched on), injector_duty_percent, timing_deg_btdc (timing
        light, the whole retard), own_timing_deg_btdc.
    caught_ml : float or None
        Wet: fuel of all jets in `CAUGHT_S` into a measuring glass [mL]; None where there is no jet.
    sentences : list of str
    """

    fuel_share: float
    table: pd.DataFrame
    caught_ml: float | None
    sentences: list[str]


def rehearsal(sheet: BuildSheet, rpm, added_kg_s, retard_deg) -> Rehearsal:
    """Compute what the engine shows with added fuel and retard but no nitrous.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : array
        [rpm].
    added_kg_s : array
        Fuel that the plan adds there [kg/s].
    retard_deg : array
        Retard of the plan there [deg].

    Returns
    -------
    Rehearsal

    Notes
    -----
    Without nitrous every metering gives the fuel of the air, so lambda = lambda_without m_own / (m_own + share m_added). Pass marks: the range of the
    injectors' scale on the added part, and the sensor's own error.
    """
    setup, engine, control = Setup.of(sheet), sheet.engine, sheet.controller
    rpm = np.asarray(rpm, float)
    if not len(rpm):
        return Rehearsal(0.0, pd.DataFrame(), None, ["Nothing flows at any speed: there is nothing to rehearse."])
    air = fresh_charge(setup, rpm, 0.0)
    own = pf.fuel_for(setup, air, engine.lambda_without_nitrous) * setup.cycles_per_second(rpm)
    added, retard = np.maximum(np.asarray(added_kg_s, float), 0.0), np.asarray(retard_deg, float)

    def lambda_of(share: float) -> np.ndarray:
        return engine.lambda_without_nitrous * own / (own + share * added)

    floor = sheet.limits.misfire_rich_lambda + FIRING_ROOM
    wet = sheet.nitrous.system == "wet"
    choices = [1.0] if wet and not sheet.nitrous.progressive else STEPS
    share = next((float(s) for s in choices if lambda_of(s).min() >= floor), 0.0)
    ends = [lambda_of(share * (1 + e)) for e in (INJECTOR_SCALE.high, INJECTOR_SCALE.low)]
    low, high = np.minimum(*ends) - SENSOR_ERROR.high, np.maximum(*ends) + SENSOR_ERROR.high
    own_timing = setup.timing_deg(rpm)
    through = own if wet else own + share * added
    table = pd.DataFrame(
        {
            "rpm": rpm,
            "lambda_": lambda_of(share),
            "lambda_low": low,
            "lambda_high": high,
            "gauge_afr": lambda_of(share) * control.gauge_scale,
            "gauge_afr_low": low * control.gauge_scale,
            "gauge_afr_high": high * control.gauge_scale,
            "fuel_on_kg_h": 3600 * share * added,
            "injector_duty_percent": injector_duty(sheet, setup, rpm, through),
            "timing_deg_btdc": own_timing - retard,
            "own_timing_deg_btdc": own_timing,
        }
    )
    bore = sheet.nitrous.fuel_jet_diameter_mm
    caught = float(jet_flow(sheet, setup, bore)) / setup.fuel.density * 1e6 * CAUGHT_S if wet and bore else None
    return Rehearsal(share, table, caught, _sentences(sheet, share, table, caught, floor, float(lambda_of(1.0).min())))


def _sentences(
    sheet: BuildSheet, share: float, table: pd.DataFrame, caught: float | None, floor: float, whole: float
) -> list[str]:
    wet, scale = sheet.nitrous.system == "wet", sheet.controller.gauge_scale
    out = [
        "Shut the bottle, vent the line until it is quiet, and pull the nitrous valve's plug: what follows runs without a drop of nitrous."
    ]
    if share > 0:
        row = table.iloc[0]
        out.append(
            f"Switch on {100 * share:.0f} % of the added fuel and the whole retard. At {row['rpm']:.0f} rpm and full throttle the gauge must go from "
            f"{sheet.engine.lambda_without_nitrous * scale:.1f} to {row['gauge_afr']:.1f} ({row['gauge_afr_low']:.1f} to {row['gauge_afr_high']:.1f}), the timing light from "
            f"{row['own_timing_deg_btdc']:.0f} to {row['timing_deg_btdc']:.1f} degrees before TDC. Pass: every speed within its marks; fail: do not open the bottle."
        )
        if share < 1:
            out.append(
                f"All of the added fuel would bring lambda {whole:.2f}, past {floor:.2f} where firing grows doubtful (from memory), and a misfire reads lean: "
                "so only that share of it."
            )
    else:
        out.append(
            f"With the added fuel alone the mixture would be lambda {whole:.2f}, richer than {floor:.2f}, where firing grows doubtful (from memory): do not "
            "rehearse the fuel at full throttle. Rehearse the timing with a light, and the fuel into a measuring glass."
        )
    if share > 0 and sheet.controller.metering == "mass-air" and not wet:
        out.append(
            "Switch it on as fuel per hour or as injector time: a table in per cent of the controller's own fuel gives more here, where the meter sees all the air."
        )
    if caught is not None:
        out.append(
            f"Engine off, jet into a measuring glass: {CAUGHT_S:.0f} s of the fuel valve must give about {caught:.0f} mL with the likely coefficient of the jet; what "
            "it gives is the jet's measured flow."
        )
    elif wet:
        out.append(f"Engine off, jet into a measuring glass for {CAUGHT_S:.0f} s: it gives the jet's measured flow.")
    out.append(
        "Let go of the throttle: fuel and timing must come back to where they were within the time the plan keeps them. Keep a rich stop off meanwhile: the mixture is meant to be that rich."
    )
    return out
