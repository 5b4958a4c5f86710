"""What ends: nitrous going out after the valve is told to close, and a lean or rich stop from the bad mixture to the last of the nitrous."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from ..band import EXHAUST_T, IDLE_PRESSURE, LINE_DRAIN, Band
from ..build_sheet import BuildSheet
from ..engine.charge import Charge, fresh_charge, mixture
from ..engine.setup import Setup
from ..errors import InputError, check_choice, check_number
from ..thermo import species as sp
from ..thermo.fluid import saturation
from ..units import k_from_c
from .delivery import drawn_volume, mixing_volume, valve
from .plan import full_flow

GONE = 0.05
"""Share of the nitrous that may be left when it counts as gone."""

THROUGH_CYLINDER = 0.75
"""Cycles from the middle of drawing in to the middle of pushing out."""


def line_s(sheet: BuildSheet, flow: float) -> float:
    """Liquid that the line between valve and nozzle holds, at a flow [s]."""
    density = saturation(k_from_c(sheet.nitrous.bottle_temperature_c)).liquid_density
    return density * 1e-6 * sheet.value("nitrous.valve_to_nozzle_ml") / flow


def wash_out(sheet: BuildSheet, rpm: float, throttle: str = "open", share: float = 1.0) -> dict[str, Band]:
    """Time from the command to close until 95 % of the nitrous is gone, in parts that follow each other [s].

    Parameters
    ----------
    sheet : BuildSheet
    rpm : float
    throttle : {"open", "shut"}
        Shut: let go, while the engine keeps its speed.
    share : float
        Of the full flow before; it changes the manifold's time a little.

    Returns
    -------
    dict
        "valve", "line", "manifold" and their sum "all".

    Raises
    ------
    InputError

    Notes
    -----
    Open: first order, tau ln 20. Shut: the engine empties the manifold (n moles, rate n / tau) while the throttle passes only the air of idle, r of what
    it passed before; the nitrous fraction then falls as dx/dt = -x r n_0 / (n tau), to 5 % at tau ln(1 + 19 / r): the open throttle is r = 1. Line and manifold one
    after the other is the cautious side.
    """
    check_choice("throttle", throttle, ("open", "shut"), "It decides how much air flows.")
    share = check_number("share", share, 0.0, 1.0, "", "A share of the full flow.")
    setup = Setup.of(sheet)
    rpm = float(setup.check_rpm(rpm))
    full, charge = _drawn(sheet, rpm, share)
    tau, line, close = (
        mixing_volume(sheet) / float(drawn_volume(setup, rpm, charge)[0]),
        line_s(sheet, full),
        valve(sheet).close_s,
    )
    parts = {
        "valve": Band(close, close, close, "the sheet"),
        "line": Band(*(v * line for v in (LINE_DRAIN.low, LINE_DRAIN.best, LINE_DRAIN.high)), LINE_DRAIN.because),
    }
    if throttle == "open":
        parts["manifold"] = Band(*(tau * float(np.log(1 / GONE)),) * 3, "the manifold mixes well")
    else:
        idle = np.array([IDLE_PRESSURE.high, IDLE_PRESSURE.best, IDLE_PRESSURE.low]) / setup.P_manifold
        air = np.minimum(idle * sheet.engine.idle_rpm / rpm, 1.0)
        parts["manifold"] = Band(*(tau * np.log1p((1 / GONE - 1) / air)), IDLE_PRESSURE.because)
    return parts | {"all": _sum(parts)}


@functools.lru_cache(maxsize=64)
def _drawn(sheet: BuildSheet, rpm: float, share: float) -> tuple[float, Charge]:
    """Full flow [kg/s], and the charge of a cylinder that gets a share of it."""
    full = full_flow(sheet)
    return full, fresh_charge(Setup.of(sheet), np.array([rpm]), share * full)


def _sum(parts: dict[str, Band]) -> Band:
    low, best, high = (float(sum(getattr(p, k) for p in parts.values())) for k in ("low", "best", "high"))
    return Band(low, best, high, "the parts one after the other")


@dataclass(frozen=True)
class Budget:
    """What a stop takes.

    Attributes
    ----------
    parts : dict
        Name -> Band [s], in their order; without "sensor" and what follows where the stop is never reached.
    reached : bool
        Whether the excursion ever crosses the stop.
    rpm : float
    """

    parts: dict[str, Band]
    reached: bool
    rpm: float

    @property
    def total(self) -> Band | None:
        """From the first bad cycle to the last [s]; None where the stop is never reached."""
        return _sum(self.parts) if self.reached else None

    @property
    def total_s(self) -> float:
        """Likely; infinite where the stop is never reached [s]."""
        return self.total.best if self.reached else np.inf

    @property
    def cycles(self) -> float:
        """Working cycles of each cylinder in that time."""
        return self.total_s * self.rpm / 120


def stop_budget(
    sheet: BuildSheet, rpm: float, excursion: float, stop: float | None = None, share: float = 1.0
) -> Budget:
    """How long an engine burns a bad mixture before a stop has ended it.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : float
    excursion : float
        Lambda to which the mixture steps from the target with nitrous.
    stop : float, optional
        Lambda of the stop, rich or lean; the sheet's lean stop if None.
    share : float
        Of the full flow.

    Returns
    -------
    Budget
        Parts "cylinder" (burned and pushed out), "exhaust" (transport to the sensor), "sensor" and "filter" (until the stop is crossed), "valve", "line",
        "manifold".

    Raises
    ------
    InputError

    Notes
    -----
    Exhaust: plug flow at one temperature and the barometer's pressure. Sensor and filter: two first-order lags in a row. Lambda is that of the gas; a sensor
    shows nitrous mixtures off, see `wideband`. Every cycle until the nitrous is gone counts as bad.
    """
    excursion = check_number("excursion", excursion, 0.3, 5.0, "lambda", "Outside, nothing burns.")
    share = check_number("share", share, 0.0, 1.0, "", "A share of the full flow.")
    stop = check_number(
        "stop", sheet.limits.lean_stop_lambda if stop is None else stop, 0.5, 1.5, "lambda", "A stop lies within."
    )
    target = sheet.engine.lambda_with_nitrous
    if stop == target:
        raise InputError("stop", stop, "lambda", f"other than the target {target:g}", "It would stop every pull.")
    setup = Setup.of(sheet)
    rpm = float(setup.check_rpm(rpm))
    parts = {
        "cylinder": Band(*(THROUGH_CYLINDER * 120 / rpm,) * 3, "drawn in to pushed out"),
        "exhaust": _transport(sheet, setup, rpm, share),
    }
    part = (stop - target) / (excursion - target) if excursion != target else np.inf
    if not 0 < part < 1 - 1e-9:
        return Budget(parts, False, rpm)
    sensor, slow = sheet.controller.sensor_delay_ms / 1e3, sheet.controller.filter_ms / 1e3
    shown, filtered = crossing_time(part, sensor, 0.0), crossing_time(part, sensor, slow)
    parts["sensor"] = Band(shown, shown, shown, "the sheet's time constant")
    parts["filter"] = Band(*(filtered - shown,) * 3, "the sheet's time constant")
    out = wash_out(sheet, rpm, "open", share)
    del out["all"]
    return Budget(parts | out, True, rpm)


def _transport(sheet: BuildSheet, setup: Setup, rpm: float, share: float) -> Band:
    """Exhaust from the valve to the sensor [s]."""
    volume, P = 1e-3 * sheet.value("engine.exhaust_volume_to_sensor_l"), 1e3 * sheet.value("site.barometer_kpa")
    _, charge = _drawn(sheet, rpm, share)
    mix = mixture(setup, charge, sheet.engine.lambda_with_nitrous)
    mass = (
        charge.dry_air * sp.AIR_MOLAR_MASS + charge.water * sp.molar_mass("H2O") + charge.nitrous * sp.molar_mass("N2O")
    )
    burned = mass * (1 + 1 / mix.oxidiser_to_fuel) / sum(x * sp.molar_mass(name) for name, x in mix.exhaust.items())
    per_kelvin = float(volume * P / (burned[0] * setup.cycles_per_second(rpm) * sp.R))
    return Band(*(per_kelvin / T for T in (EXHAUST_T.high, EXHAUST_T.best, EXHAUST_T.low)), EXHAUST_T.because)


def crossing_time(part: float, first_s: float, second_s: float) -> float:
    """Time in which two first-order lags in a row have gone through a part of a step [s].

    Raises
    ------
    InputError
    """
    part = check_number("part", part, 0.0, 1 - 1e-9, "", "A lag never gets to the end.")
    first, second = (
        check_number("time constant", v, 0.0, 10.0, "s", "Sensors and filters.") for v in (first_s, second_s)
    )
    if 0.0 in (first, second):
        return -(first + second) * float(np.log1p(-part))

    def left(t: float) -> float:
        if abs(first - second) < 1e-6 * first:
            return (1 + t / first) * np.exp(-t / first) - (1 - part)
        return (first * np.exp(-t / first) - second * np.exp(-t / second)) / (first - second) - (1 - part)

    return float(brentq(left, 0.0, 40 * (first + second), xtol=1e-9)) if part else 0.0
