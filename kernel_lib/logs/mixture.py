"""What mixture a moment of a log should have had: oxygen, fuel and the gauge, for whole rows of samples at once."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from ..band import DENSITY_EXPONENT, HYDROGEN_WEIGHT, WALL_HEAT_SHARE
from ..build_sheet import BuildSheet
from ..engine.airflow import moist_air_moles
from ..engine.charge import fresh_charge
from ..engine.setup import Setup
from ..errors import InputError, check_number
from ..plan.delivery import mixing_volume
from ..plan.fuel_system import injector_flow, jet_flow
from ..plan.plan import full_flow
from ..thermo import species as sp
from ..thermo.compositions import compositions
from ..thermo.wideband import shown_many

MOST = 0.9
"""Nitrous, in moles over the moist air drawn in without it, up to which the tables reach."""
_M_NITROUS = sp.molar_mass("N2O")
_WEIGHTS = (HYDROGEN_WEIGHT.low, HYDROGEN_WEIGHT.best, HYDROGEN_WEIGHT.high)
_LAMBDA = np.concatenate([np.linspace(0.5, 1.0, 51), np.linspace(1.0, 2.0, 51)[1:]])
_FRACTION = np.linspace(0.0, 0.6, 61)


@dataclass(frozen=True, eq=False)
class Gauge:
    """What a wide-band gauge shows over lambda and nitrous fraction, and the way back; (weights, lambdas, fractions)."""

    shown: np.ndarray
    true: np.ndarray


@dataclass(frozen=True, eq=False)
class MixtureModel:
    """The charge of a car over engine speed and nitrous flow; rows of samples in, rows out.

    Speeds outside the full-throttle table, and more nitrous than the tables hold, give NaN, as NaN does.

    Attributes
    ----------
    sheet : BuildSheet
    setup : Setup
    full_flow : float
        Nitrous with the valve open for good, likely [kg/s].
    wall_share, exponent : float
        As in `fresh_charge`.
    ratio, air, temperature, exhaust : array
        Over moles of nitrous per mole of the moist air drawn in without it: moist air left, and burned gas at the target, both per mole of
        that air; temperature of the charge [K].

    Notes
    -----
    The charge of `fresh_charge` is homogeneous: as much more air and nitrous makes as much more charge of the same temperature. So one row of numbers over
    that ratio holds every speed, every flow and every volumetric efficiency, without error but that of lines between 901 points (1e-5).
    """

    sheet: BuildSheet
    setup: Setup
    full_flow: float
    wall_share: float
    exponent: float
    ratio: np.ndarray
    air: np.ndarray
    temperature: np.ndarray
    exhaust: np.ndarray

    @classmethod
    def of(
        cls, sheet: BuildSheet, wall_share: float = WALL_HEAT_SHARE.best, exponent: float = DENSITY_EXPONENT.best
    ) -> MixtureModel:
        """Tabulate a car; kept.

        Raises
        ------
        InputError
            As `fresh_charge`, and where the sheet says neither bore nor a shot that can be computed.
        """
        return _model(
            sheet,
            check_number("wall_share", wall_share, 0.0, 1.0, "", "It is a share."),
            check_number("exponent", exponent, 0.0, 1.0, "", "Inlet-temperature corrections lie between."),
        )

    def drawn(self, rpm, air=1.0) -> np.ndarray:
        """Moist air that a cylinder draws in a cycle without nitrous [mol]; `air` scales the volumetric efficiency."""
        table, setup = self._full_throttle, self.setup
        return np.asarray(air, float) * np.interp(
            np.asarray(rpm, float), setup.rpm_table, table, left=np.nan, right=np.nan
        )

    @functools.cached_property
    def _full_throttle(self) -> np.ndarray:
        s = self.setup
        return moist_air_moles(s.efficiency_table, s.P_manifold, s.T_air, s.cylinder.swept)

    def nitrous(self, rpm, flow) -> np.ndarray:
        """Nitrous of a cylinder and cycle [mol] for a flow of the whole engine [kg/s]."""
        rpm = np.asarray(rpm, float)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(flow, float) * 120 / (rpm * self.setup.cylinders * _M_NITROUS)

    def _at(self, table: np.ndarray, rpm, flow, air) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Read a table: its value, moist air without nitrous, nitrous [mol]."""
        base, nitrous = self.drawn(rpm, air), self.nitrous(rpm, flow)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.interp(nitrous / base, self.ratio, table, left=np.nan, right=np.nan), base, nitrous

    def dry_air(self, rpm, flow, air=1.0) -> np.ndarray:
        """Dry air of a cylinder and cycle beside the nitrous [mol]."""
        left, base, _ = self._at(self.air, rpm, flow, air)
        return (1 - self.setup.air_water) * left * base

    def oxygen(self, rpm, flow, air=1.0) -> np.ndarray:
        """O atoms of O2 and N2O [mol per cycle and cylinder].

        Parameters
        ----------
        rpm : array
        flow : array
            Nitrous of the whole engine [kg/s].
        air : float or array
            Times the volumetric efficiency of the sheet.
        """
        return 2 * sp.DRY_AIR["O2"] * self.dry_air(rpm, flow, air) + self.nitrous(rpm, flow)

    def nitrous_fraction(self, rpm, flow, air=1.0) -> np.ndarray:
        """Moles of N2O per mole of (dry air + N2O)."""
        nitrous = self.nitrous(rpm, flow)
        return nitrous / (nitrous + self.dry_air(rpm, flow, air))

    def water_fraction(self, rpm, flow, air=1.0) -> np.ndarray:
        """Moles of water per mole of fresh oxidiser."""
        left, base, nitrous = self._at(self.air, rpm, flow, air)
        return self.setup.air_water * left * base / (left * base + nitrous)

    def charge_temperature(self, rpm, flow, air=1.0) -> np.ndarray:
        """Charge in the port, nitrous evaporated [K]."""
        return self._at(self.temperature, rpm, flow, air)[0]

    def mixing_s(self, rpm, flow, air=1.0) -> np.ndarray:
        """Time constant of the manifold [s], 0 where nitrous enters at the ports; as `plan.delivery.mixing`."""
        left, base, nitrous = self._at(self.air, rpm, flow, air)
        volume = (left * base + nitrous) * sp.R * self.charge_temperature(rpm, flow, air) / self.setup.P_manifold
        return mixing_volume(self.sheet) / (volume * self.setup.cylinders * np.asarray(rpm, float) / 120)

    def exhaust_moles(self, rpm, flow, air=1.0) -> np.ndarray:
        """Burned gas of a cylinder and cycle at full throttle [mol]; at the target with nitrous, its lambda changes it little."""
        left, base, _ = self._at(self.exhaust, rpm, flow, air)
        return left * base

    def lambda_(self, rpm, flow, fuel, air=1.0) -> np.ndarray:
        """Lambda of a charge that gets `fuel` [kg per cycle and cylinder]; infinite without fuel."""
        fuel = np.asarray(fuel, float)
        with np.errstate(divide="ignore", invalid="ignore"):
            return self.oxygen(rpm, flow, air) * self.setup.fuel.molar_mass / (fuel * self.setup.fuel.oxygen_demand)

    def fuel_for(self, rpm, flow, lambda_, air=1.0) -> np.ndarray:
        """Fuel that brings a charge to a lambda [kg per cycle and cylinder]."""
        return (
            self.oxygen(rpm, flow, air)
            * self.setup.fuel.molar_mass
            / (np.asarray(lambda_, float) * self.setup.fuel.oxygen_demand)
        )

    def fuel_own(self, rpm, flow, air=1.0) -> np.ndarray:
        """Fuel that the controller gives by itself [kg per cycle and cylinder], see `plan.fuel.fuel_supplied`.

        A mass-air meter follows what `air` says; speed-density goes by the volumetric efficiency of the sheet whatever it is.
        """
        control, rpm = self.sheet.controller, np.asarray(rpm, float)
        if control.metering == "mass-air":
            dry = self.dry_air(rpm, flow, air)
        else:
            dry = (1 - self.setup.air_water) * self.drawn(rpm) + 0.0 * np.asarray(flow, float)
            if control.intake_sensor == "in cooled stream":
                dry = dry * self.setup.T_air / self.charge_temperature(rpm, flow, air)
        fuel = self.setup.fuel
        return (
            2
            * sp.DRY_AIR["O2"]
            * dry
            * fuel.molar_mass
            / (fuel.oxygen_demand * self.sheet.engine.lambda_without_nitrous)
        )

    def fuel_added(self, rpm, flow) -> np.ndarray:
        """Fuel that the plan adds for a settled flow [kg per cycle and cylinder]; the likely charge, whatever this model's is."""
        likely = MixtureModel.of(self.sheet)
        there = likely.fuel_for(rpm, flow, self.sheet.engine.lambda_with_nitrous) - likely.fuel_own(rpm, flow)
        return np.where(np.asarray(flow, float) > 0, there, np.where(np.isfinite(there), 0.0, np.nan))

    def fuel_jet(self, rpm, share, fuel_kpa=None) -> np.ndarray:
        """Fuel of the jets of a wet system, open for `share` of the time [kg per cycle and cylinder]; NaN where the sheet has no jet."""
        bore, rpm = self.sheet.nitrous.fuel_jet_diameter_mm, np.asarray(rpm, float)
        if bore is None:
            return np.full(np.broadcast_shapes(rpm.shape, np.shape(share)), np.nan)
        flow = float(jet_flow(self.sheet, self.setup, bore))
        if fuel_kpa is not None:
            flow = flow * self._root(fuel_kpa, self.sheet.value("nitrous.fuel_jet_pressure_kpa"))
        return np.asarray(share, float) * flow * 120 / (np.where(rpm > 0, rpm, np.nan) * self.setup.cylinders)

    def fuel_injected(self, rpm, *, open_ms=None, duty_percent=None, fuel_kpa=None, manifold_kpa=None) -> np.ndarray:
        """Fuel through the injectors [kg per cycle and cylinder].

        Parameters
        ----------
        rpm : array
        open_ms, duty_percent : array, optional
            Open time [ms] or injector duty [%] as commanded, dead time in it; one of them.
        fuel_kpa : array, optional
            Fuel pressure [kPa gauge]; NaN, or None: that of the sheet.
        manifold_kpa : array, optional
            Absolute [kPa]; NaN, or None: that of full throttle.

        Raises
        ------
        InputError
            If neither is given.

        Notes
        -----
        One opening a working cycle, as `plan.fuel_system.injector_duty`: one that is open for the whole cycle gives what is left of it after the dead time. (It closes
        no more then and may pass up to the dead time more: not counted, the lean side.) Flow goes with the root of the pressure across the injector.
        """
        rpm, system = np.asarray(rpm, float), self.sheet.fuel_system
        if open_ms is None and duty_percent is None:
            raise InputError("injector", None, "", "open time or injector duty", "Without it nobody knows the fuel.")
        with np.errstate(divide="ignore", invalid="ignore"):
            cycle = 120 / rpm
            told = np.asarray(open_ms, float) / 1e3 if open_ms is not None else duty_percent * cycle / 100
        passing = np.maximum(np.minimum(told, cycle) - system.injector_dead_time_ms / 1e3, 0.0)
        flow = injector_flow(self.sheet, self.setup) * system.injectors / self.setup.cylinders
        if fuel_kpa is not None:
            gauge = system.rail_pressure_kpa
            if system.rail_reference == "manifold":
                gauge = gauge + self.setup.P_manifold / 1e3 - self.sheet.value("site.barometer_kpa")
            flow = flow * self._root(fuel_kpa, gauge, manifold_kpa)
        return np.where(np.isnan(told), np.nan, passing * flow)

    def _root(self, fuel_kpa, planned_kpa: float, manifold_kpa=None) -> np.ndarray:
        """Flow over the planned one for gauge pressures of the fuel [kPa], the planned one at full throttle; 1 where it is not known."""
        barometer, full = self.sheet.value("site.barometer_kpa"), self.setup.P_manifold / 1e3
        now = full if manifold_kpa is None else np.where(np.isfinite(manifold_kpa), manifold_kpa, full)
        across = np.maximum(np.asarray(fuel_kpa, float) + barometer - now, 0.0)
        root = np.sqrt(across / (planned_kpa + barometer - full))
        return np.where(np.isfinite(root), root, 1.0)

    def shown(self, lambda_, nitrous_fraction, weight: float = HYDROGEN_WEIGHT.best) -> np.ndarray:
        """Lambda on a gauge, see `thermo.wideband`; NaN beyond lambda 0.5 to 2 where there is nitrous."""
        return self._bent(self._gauge.shown, lambda_, nitrous_fraction, weight)

    def true(self, shown, nitrous_fraction, weight: float = HYDROGEN_WEIGHT.best) -> np.ndarray:
        """Lambda of the charge where a gauge shows `shown`; NaN where that is not known."""
        return self._bent(self._gauge.true, shown, nitrous_fraction, weight)

    @property
    def _gauge(self) -> Gauge:
        return _gauge(self.sheet)

    def _bent(self, tables: np.ndarray, lambda_, nitrous_fraction, weight: float) -> np.ndarray:
        weight = check_number("weight", weight, *(_WEIGHTS[k] for k in (0, -1)), "", HYDROGEN_WEIGHT.because)
        lambda_, x = np.broadcast_arrays(np.asarray(lambda_, float), np.asarray(nitrous_fraction, float))
        parts = _lagrange(weight)
        table = sum(p * t for p, t in zip(parts, tables, strict=True) if p)
        bent = lambda_ + _bilinear(table, lambda_, x)
        return np.where(x <= 0, lambda_, bent)


@functools.lru_cache(maxsize=24)
def _model(sheet: BuildSheet, wall_share: float, exponent: float) -> MixtureModel:
    setup, rpm = Setup.of(sheet), float(sheet.engine.full_throttle.rpm[0])
    base, per_second = float(setup.air_moles(rpm)), float(setup.cycles_per_second(rpm))
    ratio = np.linspace(0.0, MOST, 901)
    charge = fresh_charge(setup, rpm, ratio * base * per_second * _M_NITROUS, wall_share=wall_share, exponent=exponent)
    moist, lambdas = charge.dry_air + charge.water, np.full(len(ratio), sheet.engine.lambda_with_nitrous)
    gas = compositions(setup.fuel, lambdas, charge.nitrous_fraction, charge.water_fraction, 0.0)
    oxidiser = charge.dry_air * sp.AIR_MOLAR_MASS + charge.water * sp.molar_mass("H2O") + charge.nitrous * _M_NITROUS
    burned = oxidiser * (1 + 1 / gas.oxidiser_to_fuel) / gas.exhaust_mass
    return MixtureModel(
        sheet, setup, full_flow(sheet), wall_share, exponent, ratio, moist / base, charge.T, burned / base
    )


@functools.lru_cache(maxsize=24)
def _gauge(sheet: BuildSheet) -> Gauge:
    """Difference between gauge and truth, both ways, over lambda and nitrous fraction; the moisture is that of the day."""
    setup = Setup.of(sheet)
    moisture = setup.air_water / (1 - setup.air_water) * (1 - _FRACTION)  # moles over those of dry air and nitrous
    water, x = moisture / (1 + moisture), _FRACTION
    weights = np.array(_WEIGHTS)[:, None, None]
    shown = shown_many(setup.fuel, _LAMBDA[:, None], x, water, weights)
    shown[:, _LAMBDA == 1.0, :] = 1.0  # neither oxygen nor fuel is left there
    true = np.full(shown.shape, np.nan)
    for w, k in np.ndindex(len(weights), len(x)):
        known = np.isfinite(shown[w, :, k])
        true[w, :, k] = np.interp(_LAMBDA, shown[w, known, k], _LAMBDA[known], left=np.nan, right=np.nan)
    return Gauge(shown - _LAMBDA[:, None], true - _LAMBDA[:, None])


def _lagrange(weight: float) -> tuple[float, ...]:
    """Shares of the three tables for a hydrogen weight between them: a parabola."""
    nodes = _WEIGHTS
    return tuple(
        float(np.prod([(weight - b) / (a - b) for b in nodes if b != a])) if weight not in nodes else float(weight == a)
        for a in nodes
    )


def _bilinear(table: np.ndarray, lambda_: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Read a table over `_LAMBDA` and `_FRACTION`; NaN outside."""
    rich = lambda_ <= 1.0
    with np.errstate(invalid="ignore"):
        u = np.where(rich, (lambda_ - 0.5) * 100, 50 + (lambda_ - 1.0) * 50)
        v = x * 100
        inside = (u >= 0) & (u <= len(_LAMBDA) - 1) & (v >= 0) & (v <= len(_FRACTION) - 1)
    u, v = np.where(inside, u, 0.0), np.where(inside, v, 0.0)
    i, j = np.minimum(u.astype(int), len(_LAMBDA) - 2), np.minimum(v.astype(int), len(_FRACTION) - 2)
    u, v = u - i, v - j
    low = table[i, j] * (1 - v) + table[i, j + 1] * v
    high = table[i + 1, j] * (1 - v) + table[i + 1, j + 1] * v
    return np.where(inside, low * (1 - u) + high * u, np.nan)
