"""The plan as it is sprayed, and what goes into the cylinders when something about it is wrong."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..build_sheet import BuildSheet
from ..engine.charge import Charge, fresh_charge
from ..engine.firing import Firing
from ..engine.setup import Setup
from ..errors import InputError
from ..text import rounded
from ..units import c_from_k, f_from_c, lb_from_kg, lb_h_from_kg_s, psi_from_pa
from . import delivery as dv
from . import fuel as pf
from .dose import Dosed, is_pulsed
from .power import firing_of


@dataclass(frozen=True, eq=False)
class Rows:
    """What goes into the cylinders, an element a speed.

    Attributes
    ----------
    setup : Setup
    rpm, retard_deg, octane_ron : array
    mean, worst : Charge
        All cylinders together, and the one that gets most nitrous.
    lambda_mean, lambda_worst : array
    at : array of int
        Which of the dosed speeds each element stems from.
    """

    setup: Setup
    rpm: np.ndarray
    retard_deg: np.ndarray
    octane_ron: np.ndarray
    mean: Charge
    worst: Charge
    lambda_mean: np.ndarray
    lambda_worst: np.ndarray
    at: np.ndarray


@dataclass(frozen=True)
class Units:
    """How sentences write quantities: metric or US; `barometer`: from which gauge pressures count [Pa]."""

    metric: bool
    barometer: float

    def nitrous(self, flow: float) -> str:
        """Flow of nitrous [kg/s]."""
        return f"{rounded(1e3 * flow)} g/s" if self.metric else f"{rounded(lb_from_kg(flow))} lb/s"

    def fuel(self, flow: float) -> str:
        """Flow of fuel [kg/s]."""
        return f"{rounded(3600 * flow)} kg/h" if self.metric else f"{rounded(lb_h_from_kg_s(flow))} lb/h"

    def mass(self, kg: float) -> str:
        """A mass [kg]."""
        return f"{rounded(1e3 * kg)} g" if self.metric else f"{rounded(lb_from_kg(kg))} lb"

    def temperature(self, kelvin: float) -> str:
        """A temperature [K], whole degrees."""
        celsius = c_from_k(float(kelvin))
        return f"{celsius:.0f} °C" if self.metric else f"{f_from_c(celsius):.0f} °F"

    def pressure(self, pascal: float) -> str:
        """A difference of pressure [Pa]."""
        return f"{pascal / 1e5:.1f} bar" if self.metric else f"{psi_from_pa(pascal):.0f} psi"

    def gauge(self, pascal: float) -> str:
        """An absolute pressure [Pa], as a gauge shows it."""
        return self.pressure(pascal - self.barometer)


@dataclass(frozen=True, eq=False)
class Sprayed:
    """A dose with the fuel that goes with it.

    Attributes
    ----------
    sheet : BuildSheet
    dosed : Dosed
        Without the speeds at which nothing flows.
    strongest : array
        Nitrous of the strongest cycle over the mean of the pulses, 1 where the valve does not pulse.
    metric : bool
        Units of its sentences.
    """

    sheet: BuildSheet
    dosed: Dosed
    strongest: np.ndarray
    metric: bool = True

    @classmethod
    def of(cls, sheet: BuildSheet, dosed: Dosed, *, metric: bool = True) -> Sprayed:
        """Take a dose.

        Raises
        ------
        InputError
            If nothing flows at any speed, or the dose cannot be computed.
        """
        flows = dosed.share > 0
        if not flows.any():
            raise InputError("dosed", 0.0, "kg/s", "a dose above 0 at some speed", "Without nitrous nothing can fail.")
        dosed = replace(dosed, rpm=dosed.rpm[flows], share=dosed.share[flows], retard_deg=dosed.retard_deg[flows])
        strongest = np.ones(len(dosed.rpm))
        if is_pulsed(sheet, dosed):
            tau = dv.mixing(sheet, Setup.of(sheet), dosed.rpm, dosed.flow)
            strongest = dv.peak_share(tau, sheet.nitrous.pulse_hz, dosed.share, dosed.rpm) / dosed.share
        return cls(sheet, dosed, strongest, metric)

    @property
    def units(self) -> Units:
        """How its sentences write quantities."""
        return Units(self.metric, 1e3 * self.sheet.value("site.barometer_kpa"))

    @functools.cached_property
    def setup(self) -> Setup:
        return Setup.of(self.sheet)

    @functools.cached_property
    def firing(self) -> Firing:
        return firing_of(self.sheet, self.setup)

    @property
    def wet(self) -> bool:
        return self.sheet.nitrous.system == "wet"

    @property
    def spread(self) -> float:
        """Nitrous of the worst cylinder over the mean."""
        return 1 + self.sheet.nitrous.cylinder_spread_percent / 100

    def own(self, charge: Charge, rpm, sensor: str | None = None) -> np.ndarray:
        """Fuel that the controller gives by itself [kg per cycle and cylinder]."""
        control, engine = self.sheet.controller, self.sheet.engine
        sensor = control.intake_sensor if sensor is None else sensor
        return pf.fuel_supplied(self.setup, charge, rpm, engine.lambda_without_nitrous, control.metering, sensor)

    @functools.cached_property
    def charge(self) -> Charge:
        """Mean charge, as planned."""
        return fresh_charge(self.setup, self.dosed.rpm, self.dosed.flow)

    @functools.cached_property
    def own_rate(self) -> np.ndarray:
        """The controller's own fuel, as planned, of the whole engine [kg/s]."""
        return self.own(self.charge, self.dosed.rpm) * self.setup.cycles_per_second(self.dosed.rpm)

    @functools.cached_property
    def added_rate(self) -> np.ndarray:
        """Fuel added for the nitrous, of the whole engine [kg/s]."""
        needed = pf.fuel_for(self.setup, self.charge, self.sheet.engine.lambda_with_nitrous)
        return needed * self.setup.cycles_per_second(self.dosed.rpm) - self.own_rate

    def rows(
        self,
        *,
        at=None,
        rpm=None,
        flow=1.0,
        spread: float | None = None,
        pulse=None,
        own=1.0,
        added=1.0,
        injector: float = 1.0,
        retard=None,
        octane: float = 0.0,
        T_bottle: float | None = None,
        sensor: str | None = None,
    ) -> Rows:
        """Charge the cylinders with something changed.

        Parameters
        ----------
        at : array of int, optional
            Dosed speeds that are looked at; all if None.
        rpm : array, optional
            Speeds at which the engine turns instead; nitrous and added fuel per second stay.
        flow, own, added : float or array
            On nitrous, on the controller's own fuel, on the added fuel.
        spread : float, optional
            Nitrous of the worst cylinder over the mean.
        pulse : float, optional
            Nitrous of the strongest cycle over the mean of the pulses, instead of the dose's.
        injector : float
            Flow of the worst cylinder's injectors over that of the others.
        retard : array, optional
            Instead of the dose's [deg].
        octane : float
            Change [RON].
        T_bottle : float, optional
            Instead of the sheet's [K].
        sensor : str, optional
            Where the intake sensor sits instead.

        Raises
        ------
        InputError
            As `fresh_charge`.
        """
        at = np.arange(len(self.dosed.rpm)) if at is None else np.asarray(at, int)
        rpm = self.dosed.rpm[at] if rpm is None else np.asarray(rpm, float)
        setup = self.setup if T_bottle is None else replace(self.setup, T_bottle=T_bottle)
        pulse = self.strongest[at] if pulse is None else pulse
        more = pulse * (self.spread if spread is None else spread)
        nitrous = flow * self.dosed.flow[at]
        mean, worst = fresh_charge(setup, rpm, nitrous), fresh_charge(setup, rpm, nitrous * more)
        given = own * self.own(mean, rpm, sensor)
        shot = added * self.added_rate[at] / setup.cycles_per_second(rpm)
        part = (1 - injector) / setup.cylinders  # what one cylinder's injector takes from the mean
        if self.wet:
            fuel, fuel_worst = given * (1 - part) + shot, given * injector + shot * pulse
        else:
            fuel, fuel_worst = (given + shot) * (1 - part), (given + shot) * injector
        lambdas = (_lambda(setup, charge, f) for charge, f in ((mean, fuel), (worst, fuel_worst)))
        retard = self.dosed.retard_deg[at] if retard is None else np.broadcast_to(retard, rpm.shape)
        return Rows(setup, rpm, retard, np.full(rpm.shape, setup.octane_ron + octane), mean, worst, *lambdas, at)


def _lambda(setup: Setup, charge: Charge, fuel_mass) -> np.ndarray:
    """Lambda; infinite where no fuel comes."""
    fuel_mass = np.broadcast_to(np.asarray(fuel_mass, float), charge.T.shape)
    out = np.full(charge.T.shape, np.inf)
    some = fuel_mass > 1e-12
    if some.any():
        out[some] = pf.lambda_with(setup, charge.at(some), fuel_mass[some])
    return out


@dataclass(frozen=True, eq=False)
class Scenario:
    """One thing that goes wrong.

    Attributes
    ----------
    name : str
    tell : str or callable
        Sentences: what happens on this car; or element of the rows -> sentences.
    rows : Rows or None
        None where nothing is burned that could be computed.
    by : str
        Which number makes a speed the worst: "lean", "rich", "knock", "exhaust", or "load": the largest of pressure, knock and exhaust over
        their limits.
    guard : str
        Which guard ends it, or "lambda": whichever of the lean and the rich stop is crossed.
    why : str
        Why no cycle is computed, where none is.
    lasts_s : array or None
        How long the lambda stays past the lean stop, for what passes by itself [s], an element a row.
    lambda_ : float
        Of the mean, where there are no rows but it is known.
    """

    name: str
    tell: str | Callable[[int], str]
    rows: Rows | None = None
    by: str = "load"
    guard: str = "lambda"
    why: str = ""
    lasts_s: np.ndarray | None = None
    lambda_: float = np.nan

    def says(self, k: int) -> str:
        """Sentences for an element of the rows."""
        return self.tell if isinstance(self.tell, str) else self.tell(k)
