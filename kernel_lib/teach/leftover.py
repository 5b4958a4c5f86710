"""How hot a charge burns over lambda, what is left over on either side, and what late fuel does to it."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from ..band import Band
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge, opening_temperature, spark_state
from ..engine.setup import Setup
from ..errors import check_number
from ..plan import fuel as pf
from ..plan.delivery import mixing
from ..plan.passage import CASES, entry, extremes
from ..plan.plan import full_flow
from ..thermo import species as sp
from ..thermo.compositions import exhaust_of
from ..thermo.equilibrium import flame_line
from .charge import Spread, choices

LAMBDA = np.round(np.arange(0.70, 1.2001, 0.0125), 4)
_OPENING = LAMBDA[::2]


@dataclass(frozen=True, eq=False)
class Flames:
    """Burned gas of one car's charge over lambda, at one speed and the full shot.

    Attributes
    ----------
    rpm : float
    lambda_ : array
    with_nitrous, without : array
        Open flame from the charge at the spark [K].
    closed : array
        With nitrous, as a closed vessel [K].
    opening : array
        With nitrous, gas at exhaust opening [K]; see `opening_temperature`: good for differences.
    oxygen, wanting : array
        With nitrous, in the hot open flame: O2, and CO with H2 [mole fraction].
    """

    rpm: float
    lambda_: np.ndarray
    with_nitrous: np.ndarray
    without: np.ndarray
    closed: np.ndarray
    opening: np.ndarray
    oxygen: np.ndarray
    wanting: np.ndarray

    def at(self, name: str, lambda_: float) -> float:
        """Return one of the lines at a lambda, straight between its points."""
        return float(np.interp(lambda_, self.lambda_, getattr(self, name)))

    @property
    def hottest(self) -> tuple[float, float]:
        """Lambda of the hottest charge with nitrous: as a closed vessel, and as an open flame."""
        return _peak(self.lambda_, self.closed), _peak(self.lambda_, self.with_nitrous)

    @property
    def hottest_exhaust(self) -> float:
        """Lambda at which the gas at exhaust opening is hottest."""
        return _peak(self.lambda_, self.opening)


def _peak(x: np.ndarray, y: np.ndarray) -> float:
    fine = np.linspace(x[0], x[-1], 1001)
    return float(fine[CubicSpline(x, y)(fine).argmax()])


@functools.lru_cache(maxsize=8)
def flames(sheet: BuildSheet, rpm: float) -> Flames:
    """Burn the full shot's charge over lambda.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : float
        Within the full-throttle table [rpm].

    Raises
    ------
    InputError

    Notes
    -----
    Chemical equilibrium without heat loss from the charge at the known-good timing, residual gas mixed in, at the likely flow and evaporation. The state at
    the spark is that of the target. Open flame: what the front meets. Closed vessel: all burned at once. A cylinder lies between.
    """
    setup, target = Setup.of(sheet), sheet.engine.lambda_with_nitrous
    timing = float(setup.timing_deg(rpm))
    lines = {}
    for name, flow in (("with", full_flow(sheet)), ("without", 0.0)):
        charge = fresh_charge(setup, rpm, flow)
        state = spark_state(setup, charge, target, timing)
        mixed = {
            "nitrous_fraction": float(charge.nitrous_fraction),
            "water_fraction": float(charge.water_fraction),
            "residual_fraction": setup.residual,
        }
        lines[name] = flame_line(setup.fuel, LAMBDA, state.T, state.P, "HP", **mixed)
        if flow:
            closed = flame_line(setup.fuel, LAMBDA, state.T, state.P, "UV", **mixed).T
            opening = [opening_temperature(setup, charge, float(v), state) for v in _OPENING]
    hot = lines["with"].X
    return Flames(
        rpm,
        LAMBDA,
        lines["with"].T,
        lines["without"].T,
        closed,
        np.interp(LAMBDA, _OPENING, opening),
        hot["O2"],
        hot["CO"] + hot["H2"],
    )


def fuel_cooling(sheet: BuildSheet, lambda_: float, leaner: float) -> float:
    """How much further the fuel of one lambda could cool the charge without nitrous than that of a leaner one, at most [K].

    Notes
    -----
    All the difference evaporates and takes its heat from the air: an upper end. Part of it evaporates on the walls.
    """
    lambda_, leaner = (check_number("lambda_", v, 0.5, 2.0, "", "Mixtures that burn.") for v in (lambda_, leaner))
    fuel = Setup.of(sheet).fuel
    more = (1 / lambda_ - 1 / leaner) / fuel.afr_stoich
    return more * fuel.vaporisation_enthalpy / (29.1 / sp.AIR_MOLAR_MASS)


@dataclass(frozen=True, eq=False)
class Leftovers:
    """What is left over in cooled exhaust [mole fraction], over lambda: O2, CO with H2, and the O2 that the charge without nitrous leaves."""

    lambda_: np.ndarray
    oxygen: np.ndarray
    wanting: np.ndarray
    oxygen_air: np.ndarray


@functools.lru_cache(maxsize=8)
def leftovers(sheet: BuildSheet, rpm: float, low: float = 0.6, high: float = 1.6) -> Leftovers:
    """Find what the full shot leaves over at one speed; see `exhaust_of`.

    Raises
    ------
    InputError
    """
    setup = Setup.of(sheet)
    charge = fresh_charge(setup, rpm, full_flow(sheet))
    lambda_ = np.union1d(np.linspace(low, high, 101), [1.0])
    gas = exhaust_of(setup.fuel, lambda_, charge.nitrous_fraction, charge.water_fraction)
    air = exhaust_of(setup.fuel, lambda_, 0.0, setup.air_water)
    oxygen, co, h2 = np.broadcast_arrays(gas["O2"], gas["CO"], gas["H2"])
    return Leftovers(lambda_, oxygen, co + h2, np.broadcast_to(air["O2"], lambda_.shape))


@dataclass(frozen=True)
class Margin:
    """How far the target is from the lean stop.

    Attributes
    ----------
    fuel : float
        Share of all the fuel that may be missing until the lean stop is reached.
    added : float
        The same as a share of the added fuel; NaN where the nitrous asks for none.
    time_s : Band
        From the first nitrous at the nozzle until a cylinder passes the lean stop if none of the added fuel comes [s]; infinite where it never does.
    cycle_s : float
        How long one engine cycle takes [s].
    """

    fuel: float
    added: float
    time_s: Band
    cycle_s: float


@functools.lru_cache(maxsize=16)
def margin(sheet: BuildSheet, rpm: float) -> Margin:
    """Measure the way from the target to the lean stop at the full shot.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : float

    Raises
    ------
    InputError

    Notes
    -----
    The manifold fills as a first-order lag (`delivery.mixing`); nitrous into the ports has no such lag. The controller goes on giving what its metering
    makes it give.
    """
    setup, engine, stop = Setup.of(sheet), sheet.engine, sheet.limits.lean_stop_lambda
    fuel = 1 - engine.lambda_with_nitrous / stop
    charge = fresh_charge(setup, rpm, full_flow(sheet))
    needed = float(pf.fuel_for(setup, charge, engine.lambda_with_nitrous))
    added = needed - float(_own(sheet, setup, charge, rpm))
    times = [_until(sheet, setup, rpm, stop, *choice) for choice in choices(sheet)]
    because = "flow, wall-heat share and density exponent over their ranges; the manifold mixes well"
    return Margin(
        fuel,
        fuel * needed / added if added > 0 else float("nan"),
        Band(min(times), times[0], max(times), because),
        120 / float(rpm),
    )


def _own(sheet: BuildSheet, setup: Setup, charge, rpm: float):
    control = sheet.controller
    return pf.fuel_supplied(
        setup, charge, rpm, sheet.engine.lambda_without_nitrous, control.metering, control.intake_sensor
    )


def _until(
    sheet: BuildSheet, setup: Setup, rpm: float, stop: float, flow: float, wall: float, exponent: float
) -> float:
    """Time from the first nitrous until the own fuel alone is leaner than `stop` [s]."""
    content = np.linspace(0.0, 1.0, 401)
    charge = fresh_charge(setup, rpm, content * flow, wall_share=wall, exponent=exponent)
    lambda_ = pf.lambda_with(setup, charge, _own(sheet, setup, charge, rpm))
    past = np.flatnonzero(lambda_ > stop)
    if not len(past):
        return float("inf")
    k = int(past[0])
    if k == 0:
        return 0.0
    at = float(np.interp(stop, lambda_[k - 1 : k + 1], content[k - 1 : k + 1]))
    return -float(mixing(sheet, setup, rpm, flow)) * float(np.log1p(-min(at, 1 - 1e-9)))


@dataclass(frozen=True, eq=False)
class LateFuel:
    """A hit whose added fuel is late.

    Attributes
    ----------
    late_s : float
        From the nitrous valve's command to that of the fuel [s]; below 0 the fuel is early.
    leanest : Band
        Lambda of the leanest cycle.
    past_s : float
        How long the mixture stays past the lean stop, likely [s].
    time_s : array
        Intakes of the whole engine, since the nitrous valve's command [s].
    lambda_ : Spread
        Of each of them; bounds over the cases of `passage`.
    """

    late_s: float
    leanest: Band
    past_s: float
    time_s: np.ndarray
    lambda_: Spread


@functools.lru_cache(maxsize=64)
def late_fuel(sheet: BuildSheet, rpm: float, late_s: float) -> LateFuel:
    """Let the added fuel of the full shot come late.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : float
    late_s : float
        -0.5 to 0.5 [s].

    Raises
    ------
    InputError

    Notes
    -----
    `passage`: the band runs over its three cases. Full throttle, all of the flow at once.
    """
    late = check_number("late_s", late_s, -0.5, 0.5, "s", "A delay of relays, valves and lines.")
    ways = [entry(sheet, rpm, 1.0, -late, case=case, until_s=0.8) for case in CASES]
    ends = [float(extremes(sheet, rpm, 1.0, np.array([-late]), case=case)[1][0]) for case in CASES]
    rows, time = np.array([way.lambda_ for way in ways]), ways[0].time_s
    past = float((rows[0] > sheet.limits.lean_stop_lambda).sum() * (time[1] - time[0]))
    because = "line fill, valve, injection and wall film over their ranges"
    leanest = Band(min(ends), ends[0], max(ends), because)
    return LateFuel(late, leanest, past, time, Spread(rows.min(axis=0), rows[0], rows.max(axis=0)))
