"""What a nitrous flow is worth, and what flow a shot needs, by the cycle.

A shot's horsepower is counted at the engine's speed of peak power, at the crank, with the spark set so that 50 % burned falls where it
fell without nitrous. A knock or pressure limit may leave less; see `spark`.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from .. import units
from ..band import DENSITY_EXPONENT, WALL_HEAT_SHARE, WORK_SHARE
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge
from ..engine.firing import Firing, cases_of
from ..engine.setup import Setup
from ..errors import InputError, check_number
from ..thermo import species as sp

_T_STEP = 4.0  # K; what a flow is worth differs by less than 0.4 % between bottle temperatures so near
_NODES = np.array([0.0, 0.03, 0.08, 0.15, 0.25, 0.38, 0.52, 0.68, 0.84, 1.0])
_MOST = 0.9  # moles of nitrous per mole of the air drawn without it, up to which power is computed


@functools.lru_cache(maxsize=16)
def _firing(setup: Setup, lambda_without: float, timing_is: str) -> Firing:
    return Firing.of(setup, lambda_without, timing_is)


def firing_of(sheet: BuildSheet, setup: Setup | None = None) -> Firing:
    """Return how the engine of a sheet burns without nitrous; kept for sheets that differ in their nitrous only.

    Raises
    ------
    InputError
        Where no charge would burn in time with the known-good timing.
    """
    setup, engine = replace(Setup.of(sheet) if setup is None else setup, T_bottle=293.15), sheet.engine
    try:
        return _firing(setup, engine.lambda_without_nitrous, engine.timing_is)
    except InputError as exc:
        if exc.field not in ("timing_deg", "spark_deg_btdc", "duration_10_90_deg"):
            raise
        path, timing = "engine.full_throttle.timing_deg_btdc", list(engine.full_throttle.timing_deg_btdc)
        raise InputError(
            path, timing, "deg before TDC", "a timing at which the charge burns in time", exc.reason
        ) from exc


@functools.lru_cache(maxsize=64)
def _work(firing: Firing, setup: Setup, rpm: float, lambda_with: float, wall: float, exponent: float):
    """Flows [kg/s] and, of the whole engine, indicated work and friction above those without nitrous [W].

    The burn is taken as long as without nitrous: at an unchanged 50 % burned a burn 20 % shorter or longer moves the work by less than 1 %, and so no
    flow is refused for want of a flame.
    """
    flows = _MOST * _NODES * float(setup.air_moles(rpm) * setup.cycles_per_second(rpm)) * sp.molar_mass("N2O")
    charge = fresh_charge(setup, rpm, flows, wall_share=wall, exponent=exponent)
    cases = cases_of(setup, charge, rpm, lambda_with)
    out = firing.fire(cases, firing.own_burn(cases), float(firing.at("timing_deg_btdc", rpm)))
    scale = setup.cylinder.swept * float(setup.cycles_per_second(rpm))
    work, friction = (scale * (out[k].to_numpy() - float(firing.at(k, rpm))) for k in ("imep_gross", "friction_mep"))
    if not np.isfinite(work).all():
        why = f"With it the burn does not fit between the valves at {rpm:g} rpm."
        timing = float(firing.at("timing_deg_btdc", rpm))
        raise InputError(
            "engine.full_throttle.timing_deg_btdc", timing, "deg before TDC", "a burn between the valves", why
        )
    return flows, work, friction


def _curve(sheet: BuildSheet, work: float, wall: float, exponent: float) -> tuple[PchipInterpolator, float]:
    """Power added over nitrous flow, and the largest flow it holds [W], [kg/s]."""
    setup, engine = Setup.of(sheet), sheet.engine
    setup = replace(setup, T_bottle=_T_STEP * round(setup.T_bottle / _T_STEP))
    flows, indicated, friction = _work(
        firing_of(sheet, setup), setup, float(engine.peak_power_rpm), engine.lambda_with_nitrous, wall, exponent
    )
    return PchipInterpolator(flows, work * indicated - friction), float(flows[-1])


def shot_power(
    sheet: BuildSheet,
    flow: float,
    work: float = WORK_SHARE.best,
    wall: float = WALL_HEAT_SHARE.best,
    exponent: float = DENSITY_EXPONENT.best,
) -> float:
    """Power that a nitrous flow adds at this engine's speed of peak power.

    Parameters
    ----------
    sheet : BuildSheet
    flow : float
        [kg/s].
    work : float
        Share of the cycle's work that an engine delivers; see `WORK_SHARE`.
    wall, exponent : float
        As in `fresh_charge`.

    Returns
    -------
    float
        [hp at the crank].

    Raises
    ------
    InputError
        If nitrous would leave too little room for air.
    """
    curve, most = _curve(sheet, work, wall, exponent)
    if not 0 <= flow <= most:
        why = f"At {sheet.engine.peak_power_rpm:g} rpm more than {1e3 * most:.0f} g/s leaves too little room for air."
        raise InputError("nitrous_flow", flow, "kg/s", "less", why)
    return units.hp_from_w(float(curve(flow)))


def wanted_flow(
    sheet: BuildSheet,
    work: float = WORK_SHARE.best,
    wall: float = WALL_HEAT_SHARE.best,
    exponent: float = DENSITY_EXPONENT.best,
    *,
    shot_hp: float | None = None,
) -> float:
    """Nitrous flow that a shot needs [kg/s], the sheet's if no other is named; the other way round than `shot_power`.

    Raises
    ------
    InputError
        If no flow adds that power.
    """
    engine, shot = sheet.engine, sheet.nitrous.shot_hp if shot_hp is None else shot_hp
    if check_number("nitrous.shot_hp", shot, 0.0, 2000.0, "hp at the crank", "It is what the nitrous has to add.") == 0:
        return 0.0
    curve, most = _curve(sheet, work, wall, exponent)
    target = units.w_from_hp(shot)
    if float(curve(most)) < target:
        why = f"The largest flow that can be computed here adds {units.hp_from_w(float(curve(most))):.0f} hp at {engine.peak_power_rpm:g} rpm."
        raise InputError("nitrous.shot_hp", shot, "hp at the crank", "less", why)
    if float(curve(0.0)) > target:
        why = f"Going from lambda {engine.lambda_without_nitrous:g} to {engine.lambda_with_nitrous:g} alone adds more than the wanted power."
        raise InputError(
            "engine.lambda_with_nitrous",
            engine.lambda_with_nitrous,
            "",
            "a target that leaves work for the nitrous",
            why,
        )
    return float(brentq(lambda flow: float(curve(flow)) - target, 0.0, most, xtol=1e-9))
