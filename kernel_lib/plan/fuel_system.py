"""Whether injectors, pump and jets can answer: duty, flow, bores, and where they run out."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from ..band import DENSITY_EXPONENT, JET_COEFFICIENT, WALL_HEAT_SHARE, WORK_SHARE, Band
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge
from ..engine.setup import Setup, spray_speeds
from ..errors import check_array, check_number
from ..thermo import species as sp
from . import fuel as pf
from .power import shot_power


def injector_flow(sheet: BuildSheet, setup: Setup) -> float:
    """Steady flow of one open injector at full throttle on this car's fuel [kg/s].

    Notes
    -----
    Orifice: mass flow goes with the square root of density and of the pressure across it.
    """
    system = sheet.fuel_system
    across = system.rail_pressure_kpa
    if system.rail_reference == "atmosphere":
        across += sheet.value("site.barometer_kpa") - setup.P_manifold / 1e3
    volume = system.injector_flow_cc_min * 1e-6 / 60 * np.sqrt(across / system.injector_flow_pressure_kpa)
    return float(volume * np.sqrt(setup.fuel.density * system.injector_test_density_kg_m3))


def injector_duty(sheet: BuildSheet, setup: Setup, rpm, fuel_flow) -> np.ndarray:
    """Injector duty, dead time counted [%].

    Parameters
    ----------
    sheet : BuildSheet
    setup : Setup
    rpm : float or array
    fuel_flow : float or array
        Through all injectors [kg/s].

    Returns
    -------
    array
        Of one opening a working cycle; above 100 the injector cannot give it.
    """
    system = sheet.fuel_system
    fuel_flow = check_array("fuel_flow", fuel_flow, 0.0, 5.0, "kg/s", "Fuel of one engine.")
    rpm = check_array("rpm", rpm, 0.0, 20000.0, "rpm", "Car engines turn slower.")
    share = fuel_flow / (system.injectors * injector_flow(sheet, setup))
    return 100 * (share + system.injector_dead_time_ms / 1e3 * rpm / 120)


def pump_flow(sheet: BuildSheet, setup: Setup) -> tuple[float | None, str]:
    """Fuel that the pump brings at rail pressure [kg/s], or None and the reason why nobody knows."""
    system = sheet.fuel_system
    if system.pump_flow_l_h is None or system.pump_flow_pressure_kpa is None:
        return None, "The pump's flow, or the pressure it was measured at, is not known."
    needed = max(
        system.rail_pressure_kpa, sheet.value("nitrous.fuel_jet_pressure_kpa") if sheet.nitrous.system == "wet" else 0
    )
    if needed > system.pump_flow_pressure_kpa + 5:
        return None, (
            f"The pump's flow is stated at {system.pump_flow_pressure_kpa:g} kPa and the rail holds {needed:g} kPa, where a pump brings less: "
            "measure it at that pressure and at running voltage."
        )
    return system.pump_flow_l_h / 3.6e6 * setup.fuel.density, ""


JET_SLACK = 0.0015
"""Of lambda: a jet so little leaner than the target counts as on it."""


@dataclass(frozen=True)
class Largest:
    """The largest shot that the fuel side answers.

    Attributes
    ----------
    hp : Band
        Low: fits whatever the unknowns are, of what could be checked.
    limit : str
        "injectors", "pump", or "" where neither runs out before nitrous fills 45 moles per 100 of the air at some speed of the window.
    rpm : float
        Where it runs out first in the likely case.
    passed_without : bool
        Whether the limit is passed even without nitrous.
    pump_known : bool
        Whether the pump was checked at all.
    """

    hp: Band
    limit: str
    rpm: float
    passed_without: bool
    pump_known: bool


def largest_shot(sheet: BuildSheet) -> Largest:
    """Find the largest shot for which injectors and pump stay within the owner's limits over the spray window.

    Raises
    ------
    InputError
        If the sheet cannot be computed.
    """
    setup, rpm = Setup.of(sheet), spray_speeds(sheet)
    room = 0.45 * float(np.min(setup.air_moles(rpm) * setup.cycles_per_second(rpm))) * sp.molar_mass("N2O")
    flows = np.linspace(0.0, room, 41)
    found = []
    for wall, exponent in ((WALL_HEAT_SHARE.best, DENSITY_EXPONENT.best), *itertools.product((0.0, 1.0), repeat=2)):
        use = _use(sheet, setup, rpm, flows, wall, exponent)
        ends = {name: _first_above_one(flows, values.max(axis=1)) for name, values in use.items()}
        found.append((min(ends.values()), wall, exponent, use, ends))
    powers = [
        shot_power(sheet, flow, work, wall, exponent) if flow else 0.0
        for flow, wall, exponent, _, _ in found
        for work in (WORK_SHARE.best, WORK_SHARE.low, WORK_SHARE.high)
    ]
    flow, _, _, use, ends = found[0]
    limit = min(ends, key=ends.get) if flow < flows[-1] else ""
    row = use[limit or "injectors"][int(np.abs(flows - flow).argmin())]
    because = "limits of injector duty and of the pump; work of the cycle, wall-heat share and density exponent over their ranges"
    band = Band(max(min(powers), 0.0), max(powers[0], 0.0), max(*powers, 0.0), because)
    return Largest(band, limit, float(rpm[int(row.argmax())]), flow == 0.0, "pump" in use)


def _first_above_one(flows: np.ndarray, share: np.ndarray) -> float:
    """Flow up to which a limit is kept: 0 if not even without nitrous, the last if it always is."""
    over = np.flatnonzero(share > 1)
    if not len(over):
        return float(flows[-1])
    k = int(over[0])
    return 0.0 if k == 0 else float(np.interp(1.0, share[k - 1 : k + 1], flows[k - 1 : k + 1]))


def _use(sheet: BuildSheet, setup: Setup, rpm, flows, wall: float, exponent: float) -> dict[str, np.ndarray]:
    """Share of each limit that is used, over flows and rpm."""
    engine, control, wet = sheet.engine, sheet.controller, sheet.nitrous.system == "wet"
    charge = fresh_charge(setup, rpm[None, :], flows[:, None], wall_share=wall, exponent=exponent)
    per_second = setup.cycles_per_second(rpm)[None, :]
    needed = pf.fuel_for(setup, charge, engine.lambda_with_nitrous) * per_second
    own = pf.fuel_supplied(
        setup, charge, rpm[None, :], engine.lambda_without_nitrous, control.metering, control.intake_sensor
    )
    through = own * per_second if wet else needed
    duty = injector_duty(sheet, setup, rpm[None, :], through) / sheet.limits.injector_duty_percent
    pump, _ = pump_flow(sheet, setup)
    out = {"injectors": duty}
    if pump is not None:
        out["pump"] = needed / (pump * sheet.limits.pump_percent / 100)
    shape = (len(flows), len(rpm))  # a controller that does not see nitrous gives the same at every flow
    return {name: np.broadcast_to(values, shape) for name, values in out.items()}


def jet_pressure(sheet: BuildSheet, setup: Setup, change_kpa: float = 0.0) -> float:
    """Pressure across the fuel jet at full throttle [Pa]; `change_kpa` raises the gauge pressure."""
    gauge = sheet.value("nitrous.fuel_jet_pressure_kpa") + change_kpa
    across = gauge + sheet.value("site.barometer_kpa") - setup.P_manifold / 1e3
    return 1e3 * check_number(
        "nitrous.fuel_jet_pressure_kpa", across, 1.0, 2000.0, "kPa", "No fuel flows against that pressure."
    )


def jet_coefficient(sheet: BuildSheet) -> Band:
    """Discharge coefficient of the fuel jets: measured (within 3 %), or the range of small orifices."""
    given = sheet.nitrous.fuel_jet_coefficient
    if given is None:
        return JET_COEFFICIENT
    return Band(0.97 * given, given, 1.03 * given, "measured fuel jet, within 3 % (a guess of our own)")


def jet_flow(
    sheet: BuildSheet, setup: Setup, bore_mm, *, change_kpa: float = 0.0, coefficient: float | None = None
) -> np.ndarray:
    """Fuel that the jets pass together [kg/s].

    Parameters
    ----------
    sheet : BuildSheet
    setup : Setup
    bore_mm : float or array
        Of each jet; one a nozzle.
    change_kpa : float
        Added to the fuel pressure [kPa].
    coefficient : float, optional
        The likely one if None.

    Notes
    -----
    Orifice: m = C A sqrt(2 rho dp) [Heywood sec. 7.2].
    """
    bore = check_array("bore_mm", bore_mm, 0.1, 6.0, "mm", "Bores drilled for fuel.")
    coefficient = jet_coefficient(sheet).best if coefficient is None else coefficient
    coefficient = check_number("coefficient", coefficient, 0.05, 1.5, "", "Of a small orifice.")
    area = sheet.nitrous.nozzles * np.pi / 4 * (bore / 1e3) ** 2
    return coefficient * area * np.sqrt(2 * setup.fuel.density * jet_pressure(sheet, setup, change_kpa))


def jet_for(sheet: BuildSheet, setup: Setup, fuel_flow: float) -> Band:
    """Bore of each jet that passes a fuel flow [mm]; the ends are those of the coefficient."""
    fuel_flow = check_number("fuel_flow", fuel_flow, 0.0, 1.0, "kg/s", "Fuel of a shot.", open_low=True)
    c = jet_coefficient(sheet)
    low, best, high = (
        float(np.sqrt(fuel_flow / jet_flow(sheet, setup, 1.0, coefficient=v))) for v in (c.high, c.best, c.low)
    )
    return Band(low, best, high, c.because)


def jet_band(sheet: BuildSheet, setup: Setup, low: float, best: float, high: float) -> Band:
    """Bore of each jet for a fuel flow with its range [kg/s], [mm]; the ends hold the coefficient's range as well."""
    ends = [jet_for(sheet, setup, flow) for flow in (low, best, high)]
    return Band(ends[0].low, ends[1].best, ends[2].high, f"the plan's fuel with its range; {ends[1].because}")


def wet_lambda(sheet: BuildSheet, setup: Setup, rpm, nitrous_flow, jet_fuel) -> np.ndarray:
    """Lambda where a wet pair brings `nitrous_flow` and `jet_fuel` [kg/s]; they broadcast with rpm."""
    engine, control = sheet.engine, sheet.controller
    charge = fresh_charge(setup, rpm, nitrous_flow)
    own = pf.fuel_supplied(setup, charge, rpm, engine.lambda_without_nitrous, control.metering, control.intake_sensor)
    return pf.lambda_with(setup, charge, own + np.asarray(jet_fuel) / setup.cycles_per_second(rpm))


def jets_owned(sheet: BuildSheet, setup: Setup, rpm: float, nitrous_flow: float) -> list[tuple[float, float]]:
    """Return the shop's own bores that could serve as the fuel jet, with the lambda each gives: (mm, lambda), small to large.

    Those far off (lambda outside 0.6 to 1.1) are left out.
    """
    out = []
    for bore in sorted(set(sheet.fuel_system.jets_mm or ())):
        value = float(wet_lambda(sheet, setup, rpm, nitrous_flow, jet_flow(sheet, setup, bore)))
        if 0.6 <= value <= 1.1:
            out.append((bore, value))
    return out


def open_share(duty, lag_ms: float, pulse_hz: float) -> np.ndarray:
    """Share of the time a pulsed valve passes: its duty less what it opens later than it closes; all of it at full duty.

    Parameters
    ----------
    duty : float or array
        Commanded, 0 to 1.
    lag_ms : float
        Opening less closing time [ms].
    pulse_hz : float
    """
    duty = check_array("duty", duty, 0.0, 1.0, "", "A share of the time.")
    lag_ms = check_number("lag_ms", lag_ms, -50.0, 50.0, "ms", "Valves take 5 to 15 ms either way.")
    pulse_hz = check_number("pulse_hz", pulse_hz, 0.5, 200.0, "Hz", "Valves follow no faster.")
    lost = lag_ms / 1e3 * pulse_hz
    return np.where(duty >= 1, 1.0, np.where(duty <= 0, 0.0, np.clip(duty - lost, 0.0, 1.0)))


def pulse_drift(
    sheet: BuildSheet, setup: Setup, rpm: float, nitrous_flow: float, jet_fuel: float, duty
) -> dict[str, np.ndarray]:
    """Lambda over valve duty where nitrous and fuel valve are pulsed together but open unlike.

    Parameters
    ----------
    sheet : BuildSheet
    setup : Setup
    rpm : float
    nitrous_flow, jet_fuel : float
        With both valves open for good [kg/s].
    duty : array
        Commanded, 0 to 1.

    Returns
    -------
    dict
        "likely", and "low" and "high" over 5 ms more or less between the two lags; each of the shape of `duty`.
    """
    nitrous = sheet.nitrous
    lags = {"likely": 0.0, "low": -5.0, "high": 5.0}
    fuel = open_share(duty, nitrous.fuel_valve_lag_ms, nitrous.pulse_hz) * jet_fuel
    runs = {
        name: wet_lambda(
            sheet,
            setup,
            rpm,
            open_share(duty, nitrous.nitrous_valve_lag_ms + extra, nitrous.pulse_hz) * nitrous_flow,
            fuel,
        )
        for name, extra in lags.items()
    }
    ends = np.array([runs["low"], runs["high"], runs["likely"]])
    return {"likely": runs["likely"], "low": ends.min(axis=0), "high": ends.max(axis=0)}
