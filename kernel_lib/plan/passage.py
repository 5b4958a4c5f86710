"""What happens in time when a hit comes in: nitrous and fuel, each with its delays. What ends is in `stopping`."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np

from ..band import FILM_SHARE, FILM_TIME, INJECTION_WAIT, LINE_FILL, SENSOR_ERROR, VALVE_LAG_ERROR, Band
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge
from ..engine.setup import Setup
from ..errors import InputError, check_array, check_choice, check_number
from . import fuel as pf
from .delivery import mixing, valve
from .plan import full_flow
from .stopping import line_s

CASES = ("likely", "fuel early", "fuel late")
"""Choices of the unknowns of coming in: as they are taken to be, and all of them to one side."""


@dataclass(frozen=True, eq=False)
class Course:
    """How nitrous and fuel come in at one speed.

    Attributes
    ----------
    sheet : BuildSheet
    setup : Setup
    rpm, share : float
        Speed, and mean share of the full flow.
    full_flow : float
        Nitrous with the valve open for good [kg/s].
    added : float
        Fuel that goes with the settled dose [kg per cycle and cylinder].
    mixing_s : float
        Time constant of the manifold [s]; 0 at a port.
    arrives_s : float
        From the nitrous valve's command to the first nitrous at the nozzle [s].
    fuel_s : float
        From the fuel's command to the first of it drawn in [s].
    slow_share, slow_s : float
        Share of the added fuel that comes with a lag, and the time constant of that [s].
    """

    sheet: BuildSheet
    setup: Setup
    rpm: float
    share: float
    full_flow: float
    added: float
    mixing_s: float
    arrives_s: float = 0.0
    fuel_s: float = 0.0
    slow_share: float = 1.0
    slow_s: float = 0.0

    def charge(self, content):
        """Fresh charge of one cylinder that gets `content` of the full flow."""
        return fresh_charge(self.setup, self.rpm, content * self.full_flow)

    def own(self, charge) -> np.ndarray:
        """Fuel that the controller gives by itself [kg per cycle and cylinder]."""
        return _own(self.sheet, self.setup, charge, self.rpm)

    def nitrous(self, time_s) -> np.ndarray:
        """Share of the full flow that is drawn in, at a time since the nitrous valve's command."""
        return self.share * _follow(np.asarray(time_s) - self.arrives_s, 1.0, self.mixing_s)

    def fuel(self, time_s) -> np.ndarray:
        """Share of the added fuel that is drawn in, at a time since the fuel's command."""
        return _follow(np.asarray(time_s) - self.fuel_s, self.slow_share, self.slow_s)

    def lambda_(self, time_s: np.ndarray, lead_s) -> np.ndarray:
        """Lambda over time since the nitrous valve's command for leads of the fuel, (leads, times)."""
        charge = self.charge(self.nitrous(time_s))
        parts = self.fuel(time_s + np.atleast_1d(np.asarray(lead_s, float))[:, None])
        return pf.lambda_with(self.setup, charge, self.own(charge) + self.added * parts)


def _own(sheet: BuildSheet, setup: Setup, charge, rpm: float) -> np.ndarray:
    without, control = sheet.engine.lambda_without_nitrous, sheet.controller
    return pf.fuel_supplied(setup, charge, rpm, without, control.metering, control.intake_sensor)


def _follow(time_s, slow_share: float, slow_s: float) -> np.ndarray:
    """Step at time 0 of which a share comes with a first-order lag."""
    after = np.maximum(time_s, 0.0)
    return np.where(time_s >= 0, 1 - slow_share * (np.exp(-after / slow_s) if slow_s else 0.0), 0.0)


def course(sheet: BuildSheet, rpm: float, share: float = 1.0, case: str = "likely") -> Course:
    """Find the times of coming in.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : float
    share : float
        Of the full flow, averaged over the pulses.
    case : {"likely", "fuel early", "fuel late"}
        Of the unknowns: line fill, valve, injection, wall film.

    Raises
    ------
    InputError

    Notes
    -----
    Nitrous: opening time, then the line's volume of liquid at the flow (a share of it, `LINE_FILL`), then the manifold as a first-order lag. Dry fuel: the next
    injection, then a share by way of the wall film (two numbers, as transient-fuel compensation takes it; from memory). Wet fuel: opening time (the fuel
    valve is taken to close as fast as the nitrous valve), line, and the manifold. Pulses are not resolved.
    """
    check_choice("case", case, CASES, "It decides which end of the unknowns is taken.")
    return courses(sheet, rpm, share)[case]


@functools.lru_cache(maxsize=16)
def courses(sheet: BuildSheet, rpm: float, share: float) -> dict[str, Course]:
    """Every case of `course`, from one look at the engine."""
    share = check_number("share", share, 0.0, 1.0, "", "A share of the full flow.", open_low=True)
    setup, full = Setup.of(sheet), full_flow(sheet)
    rpm = float(setup.check_rpm(rpm))
    there = fresh_charge(setup, rpm, share * full)
    added = float(pf.fuel_for(setup, there, sheet.engine.lambda_with_nitrous) - _own(sheet, setup, there, rpm))
    settled = Course(sheet, setup, rpm, share, full, added, float(mixing(sheet, setup, rpm, share * full)))
    line = line_s(sheet, share * full)
    return {case: _case(settled, line, case) for case in CASES}


def _case(settled: Course, line: float, case: str) -> Course:
    sheet, nitrous, cycle = settled.sheet, settled.sheet.nitrous, 120 / settled.rpm
    end = ("best", "low", "high")[CASES.index(case)]  # of what delays the fuel
    other = {"best": "best", "low": "high", "high": "low"}[end]  # of what delays the nitrous
    arrives = valve(sheet).open_s + getattr(VALVE_LAG_ERROR, other) / 1e3 + getattr(LINE_FILL, other) * line
    if nitrous.system == "dry":
        fuel = getattr(INJECTION_WAIT, end) * cycle, getattr(FILM_SHARE, end), getattr(FILM_TIME, end)
    else:
        jet = settled.added * float(settled.setup.cycles_per_second(settled.rpm))
        held = 1e-6 * nitrous.fuel_valve_to_jet_ml * settled.setup.fuel.density
        fill = getattr(LINE_FILL, end) * held / jet if jet > 0 else 0.0
        opening = max(nitrous.nitrous_valve_close_ms + nitrous.fuel_valve_lag_ms, 0.0) / 1e3
        fuel = opening + fill, 1.0, settled.mixing_s
    return replace(settled, arrives_s=arrives, fuel_s=fuel[0], slow_share=fuel[1], slow_s=fuel[2])


@dataclass(frozen=True, eq=False)
class Passage:
    """Coming in, intake by intake of the whole engine.

    Attributes
    ----------
    time_s : array
        Since the nitrous valve's command [s].
    nitrous_share, fuel_share : array
        Of the full nitrous flow, and of the added fuel.
    lambda_ : array
    """

    time_s: np.ndarray
    nitrous_share: np.ndarray
    fuel_share: np.ndarray
    lambda_: np.ndarray


def entry(
    sheet: BuildSheet, rpm: float, share: float, lead_s: float, *, case: str = "likely", until_s: float = 1.0
) -> Passage:
    """Follow a hit from 0.1 s before the first command.

    Parameters
    ----------
    sheet : BuildSheet
    rpm, share : float
        As in `course`.
    lead_s : float
        Fuel before nitrous [s]; below 0 fuel comes after it.
    case : str
    until_s : float
        Since the nitrous valve's command [s].

    Raises
    ------
    InputError
    """
    lead_s, until_s = (
        _check_leads(lead_s),
        check_number("until_s", until_s, 0.05, 10.0, "s", "A hit has settled by then."),
    )
    way = course(sheet, rpm, share, case)
    time = np.arange(-max(float(lead_s), 0.0) - 0.1, until_s, 120 / way.rpm / sheet.engine.cylinders)
    return Passage(time, way.nitrous(time), way.fuel(time + lead_s), way.lambda_(time, lead_s)[0])


def _check_leads(lead_s) -> np.ndarray:
    return check_array("lead_s", lead_s, -1.0, 2.0, "s", "Longer, the engine has drowned before the nitrous comes.")


def extremes(
    sheet: BuildSheet, rpm: float, share: float, lead_s, *, case: str = "likely"
) -> tuple[np.ndarray, np.ndarray]:
    """Richest and leanest lambda of a hit over leads of the fuel [s]; arrays of the shape of `lead_s`.

    Raises
    ------
    InputError
    """
    leads = _check_leads(lead_s)
    out = _extremes(course(sheet, rpm, share, case), leads.ravel())
    return out[0].reshape(leads.shape), out[1].reshape(leads.shape)


def _extremes(way: Course, leads: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    end = max(way.arrives_s + 10 * way.mixing_s, way.fuel_s - leads.min() + 10 * way.slow_s)
    steps = np.append(way.fuel_s - leads, way.arrives_s)
    time = np.union1d(np.linspace(-max(leads.max(), 0.0), end, 400), [steps - 1e-9, steps + 1e-9])
    values = way.lambda_(time, leads)
    return values.min(axis=1), values.max(axis=1)


def lead_needed(sheet: BuildSheet, rpm: float, share: float = 1.0) -> Band:
    """Least fuel lead with which no cycle of a hit gets leaner than it is before or after it [s].

    Parameters
    ----------
    sheet : BuildSheet
    rpm, share : float
        As in `course`.

    Returns
    -------
    Band
        From all unknowns on the side where fuel is early to all where it is late; below 0 fuel may come after the nitrous valve's command.

    Raises
    ------
    InputError
        If no lead up to 2 s is enough.

    Notes
    -----
    A sensor's error (0.02 lambda, `SENSOR_ERROR`) leaner than the leaner of the two is allowed; a choice of our own, no source.
    """
    engine, ways = sheet.engine, courses(sheet, rpm, share)
    allowed = max(engine.lambda_without_nitrous, engine.lambda_with_nitrous) + SENSOR_ERROR.high
    way = ways["likely"]
    since = np.linspace(0.0, max(6 * way.mixing_s, 1e-3), 1500)  # the first nitrous
    charge, fuel = way.charge(way.nitrous(way.arrives_s + since + 1e-12)), way.setup.fuel
    enough = charge.oxygen_atoms * fuel.molar_mass / (allowed * fuel.oxygen_demand) - way.own(charge)
    wanted = enough / way.added if way.added > 0 else np.zeros_like(since)  # of the added fuel
    found = {case: _least_lead(way, since, wanted) for case, way in ways.items()}
    why = "line fill, valve, injection and wall film (or fuel line) over their ranges"
    return Band(found["fuel early"], found["likely"], found["fuel late"], why)


def _least_lead(way: Course, since: np.ndarray, wanted: np.ndarray) -> float:
    """Lead that brings what is wanted of the fuel at each time since the first nitrous, and no fuel later than the last of them."""
    part = np.clip((wanted - (1 - way.slow_share)) / way.slow_share, 0.0, 1 - 1e-12)
    needs = np.where(wanted > 0, way.fuel_s - way.slow_s * np.log1p(-part) - since, way.fuel_s - since[-1])
    lead = float(needs.max()) - way.arrives_s
    if lead > 2.0:
        raise InputError("share", way.share, "", "less", "No lead of the fuel up to 2 s keeps every cycle rich enough.")
    return lead
