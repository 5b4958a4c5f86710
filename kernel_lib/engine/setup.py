"""The build sheet in SI, once: what the engine models take."""

from __future__ import annotations

import functools
from dataclasses import dataclass, fields

import numpy as np

from .. import units
from ..build_sheet import BuildSheet
from ..errors import InputError, check_array, check_number
from ..thermo.fuels import Fuel
from .airflow import moist_air_moles, water_vapour_fraction
from .cylinder import Cylinder


@dataclass(frozen=True, eq=False)
class Setup:
    """An engine on a day, ready to compute with.

    Attributes
    ----------
    fuel : Fuel
    cylinders : int
    cylinder : Cylinder
        One of them.
    octane_ron : float
    T_air : float
        Air in the manifold without nitrous [K].
    P_manifold : float
        At full throttle, absolute [Pa].
    air_water : float
        Mole fraction of water in the moist air.
    T_bottle : float
        [K].
    residual : float
        Burned gas left in the cylinder, mass fraction.
    rpm_table, efficiency_table, timing_table : array
        Full throttle without nitrous: speed [rpm], volumetric efficiency [-], timing [deg before top dead centre].
    """

    fuel: Fuel
    cylinders: int
    cylinder: Cylinder
    octane_ron: float
    T_air: float
    P_manifold: float
    air_water: float
    T_bottle: float
    residual: float
    rpm_table: np.ndarray
    efficiency_table: np.ndarray
    timing_table: np.ndarray

    @functools.cached_property
    def _key(self) -> tuple:
        values = (getattr(self, field.name) for field in fields(self))
        return tuple(tuple(v.tolist()) if isinstance(v, np.ndarray) else v for v in values)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Setup) and self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)

    @classmethod
    def of(cls, sheet: BuildSheet) -> Setup:
        """Take what the models need out of a build sheet; its assumptions filled in."""
        engine, site = sheet.engine, sheet.site
        T_air = units.k_from_c(site.air_temperature_c)
        barometer = 1e3 * sheet.value("site.barometer_kpa")
        table = engine.full_throttle
        return cls(
            fuel=sheet.make_fuel(),
            cylinders=engine.cylinders,
            cylinder=Cylinder.of(sheet),
            octane_ron=sheet.octane_ron,
            T_air=T_air,
            P_manifold=1e3 * sheet.value("engine.full_throttle_manifold_kpa"),
            air_water=water_vapour_fraction(T_air, barometer, site.relative_humidity_percent / 100),
            T_bottle=units.k_from_c(sheet.nitrous.bottle_temperature_c),
            residual=engine.residual_percent / 100,
            rpm_table=np.array(table.rpm),
            efficiency_table=np.array(table.volumetric_efficiency_percent) / 100,
            timing_table=np.array(table.timing_deg_btdc),
        )

    def check_rpm(self, rpm) -> np.ndarray:
        """Return `rpm` as an array if the full-throttle table holds it."""
        return check_array(
            "rpm",
            rpm,
            self.rpm_table[0],
            self.rpm_table[-1],
            "rpm",
            "The full-throttle table of the build sheet does not reach further, and it is not extended by guess.",
        )

    def air_moles(self, rpm) -> np.ndarray:
        """Moist air that a cylinder draws in a cycle without nitrous [mol], between the points of the table on a line."""
        efficiency = np.interp(self.check_rpm(rpm), self.rpm_table, self.efficiency_table)
        return moist_air_moles(efficiency, self.P_manifold, self.T_air, self.cylinder.swept)

    def timing_deg(self, rpm) -> np.ndarray:
        """Known-good timing without nitrous [deg before top dead centre]."""
        return np.interp(self.check_rpm(rpm), self.rpm_table, self.timing_table)

    def cycles_per_second(self, rpm) -> np.ndarray:
        """Working cycles of the whole engine per second."""
        return self.check_rpm(rpm) / 120 * self.cylinders

    def dose(self, nitrous_flow, rpm) -> np.ndarray:
        """Nitrous per cycle and cylinder [kg] for a flow [kg/s]: it falls as 1/rpm."""
        flow = check_array("nitrous_flow", nitrous_flow, 0.0, 1.0, "kg/s", "More than 1 kg/s is a rocket.")
        return flow / self.cycles_per_second(rpm)


def spray_speeds(sheet: BuildSheet, step: float = 500.0) -> np.ndarray:
    """Speeds of the spray window that the full-throttle table holds: its ends, and every `step` rpm between.

    Raises
    ------
    InputError
        If the table and the window do not overlap.
    """
    step = check_number("step", step, 10.0, 5000.0, "rpm", "A table needs a few speeds.")
    table, nitrous = sheet.engine.full_throttle.rpm, sheet.nitrous
    low, high = max(table[0], nitrous.spray_rpm_min), min(table[-1], nitrous.spray_rpm_max)
    if low >= high:
        raise InputError(
            "nitrous.spray_rpm_min",
            nitrous.spray_rpm_min,
            "rpm",
            f"below {table[-1]:g} rpm",
            "The full-throttle table holds no speed of the spray window.",
        )
    inner = np.arange(np.ceil(low / step) * step, high, step)
    return np.unique(np.concatenate([[low], inner, [high]]))
