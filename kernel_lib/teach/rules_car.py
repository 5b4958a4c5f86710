"""The car that the rules are held against: its whole shot at every speed, computed once, and numbers in the reader's units."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .. import units
from ..band import DENSITY_EXPONENT, WALL_HEAT_SHARE, WORK_SHARE
from ..build_sheet import BuildSheet
from ..engine.setup import Setup, spray_speeds
from ..errors import InputError
from ..plan.plan import HORSEPOWER, Plan, dose_table, plan_supply
from ..plan.timing import timing_plan
from ..plan.tune import Tune, tune_of
from ..text import banded


@dataclass(frozen=True, eq=False)
class Car:
    """A car with the whole of its shot at every speed, likely and at every corner of the unknowns.

    Attributes
    ----------
    sheet : BuildSheet
    setup : Setup
    rpm : array
        Speeds of the spray window [rpm].
    """

    sheet: BuildSheet
    setup: Setup
    rpm: np.ndarray

    @classmethod
    def of(cls, sheet: BuildSheet) -> Car:
        """Take it from a build sheet.

        Raises
        ------
        InputError
            If the sheet's full-throttle table holds no speed of its window.
        """
        return cls(sheet, Setup.of(sheet), spray_speeds(sheet))

    @functools.cached_property
    def peak_rpm(self) -> float:
        """Speed of the window next to that of peak power [rpm]."""
        return float(self.rpm[np.abs(self.rpm - self.sheet.engine.peak_power_rpm).argmin()])

    @functools.cached_property
    def plan(self) -> Plan:
        """Nitrous, charge and fuel in the window."""
        return plan_supply(self.sheet, rpm=self.rpm)

    @functools.cached_property
    def table(self) -> pd.DataFrame:
        """`dose_table` of the whole shot at every speed of the full-throttle table up to the window's end, but those below the window at which it cannot be computed at every corner."""
        every = np.unique(np.concatenate([self.setup.rpm_table, self.rpm]))
        every = every[every <= self.rpm[-1]]
        while True:
            try:
                return dose_table(self.sheet, every, 1.0)
            except InputError:
                if every[0] >= self.rpm[0]:
                    raise
                every = every[1:]

    @property
    def _wide(self) -> np.ndarray:
        """Speeds of `table` [rpm]."""
        return self.table["rpm"].to_numpy()

    @functools.cached_property
    def window(self) -> pd.DataFrame:
        """Rows of `table` within the window."""
        return self.table[self.table["rpm"].isin(self.rpm)].reset_index(drop=True)

    @functools.cached_property
    def tune(self) -> Tune | None:
        """What the shot planner makes of the sheet; None where it cannot."""
        try:
            return tune_of(self.sheet)
        except InputError:
            return None

    def proposed(self, name: str) -> float | None:
        """What the shot planner proposes to type for a limit; None where nothing flows."""
        found = [p.value for p in self.tune.proposals if p.name == name] if self.tune is not None else []
        return found[0] if found else None

    @property
    def counted_hp(self) -> float:
        """Power that the trade's retard is counted from [hp]: what the flow is worth, not less than what was asked for."""
        return max(self.sheet.nitrous.shot_hp, self.plan.power.best)

    @property
    def counted(self) -> str:
        """That power, and whose it is."""
        asked, worth = self.sheet.nitrous.shot_hp, self.plan.power.best
        if self.plan.governed_by[0] == HORSEPOWER or round(asked) == round(worth):
            return f"the {asked:g} hp asked for"
        if worth < asked:
            return f"the {asked:g} hp asked for, more than the {worth:.0f} that nozzle and bottle are worth"
        return f"the {worth:.0f} hp that nozzle and bottle are worth, not the {asked:g} asked for"

    def timing(self, flow: float) -> pd.DataFrame:
        """Timing with one flow [kg/s], everything else as it likely is."""
        choice = (flow, WALL_HEAT_SHARE.best, DENSITY_EXPONENT.best, WORK_SHARE.best)
        return timing_plan(self.sheet, self._wide, [choice], self.counted_hp, most=False, keep=True).table

    @functools.cached_property
    def likely(self) -> pd.DataFrame:
        """Timing of the whole shot at the likely values alone."""
        return self.timing(self.plan.flow.best)


@dataclass(frozen=True)
class Say:
    """Numbers as a reader's sentence holds them.

    Attributes
    ----------
    metric : bool
        kg/h, kPa, N m, degrees Celsius, else lb/h, psi, lb ft, Fahrenheit.
    """

    metric: bool

    def _told(self, unit: str, *values: float) -> str:
        return f"{banded(*values) if len(values) == 3 else f'{values[0]:.3g}'} {unit}"

    def fuel(self, *kg_h: float) -> str:
        """One value, or low, likely, high."""
        return self._told("kg/h", *kg_h) if self.metric else self._told("lb/h", *(units.lb_from_kg(v) for v in kg_h))

    def about_fuel(self, kg_h: float) -> str:
        """A model's likely value alone, to two figures."""
        value, unit = (kg_h, "kg/h") if self.metric else (units.lb_from_kg(kg_h), "lb/h")
        return f"{float(f'{value:.2g}'):g} {unit}"

    def about_torque(self, nm: float) -> str:
        """A model's likely value alone, to two figures."""
        value, unit = (nm, "N m") if self.metric else (units.lbft_from_nm(nm), "lb ft")
        return f"{float(f'{value:.2g}'):g} {unit}"

    def torque(self, *nm: float) -> str:
        """One value, or low, likely, high."""
        return self._told("N m", *nm) if self.metric else self._told("lb ft", *(units.lbft_from_nm(v) for v in nm))

    def sum_torque(self, own: float, added: float, most: float) -> str:
        """Engine's own plus added, and the most of both together; NaN where that is not known."""
        told = [
            f"{float(f'{v if self.metric else units.lbft_from_nm(v):.{n}g}'):g}"
            for v, n in ((own, 3), (added, 2), (most, 2))
        ]
        edge = f"up to {told[2]}" if np.isfinite(most) else "edge not known"
        return f"{told[0]} + {told[1]} ({edge}) {'N m' if self.metric else 'lb ft'}"

    def pressure(self, kpa: float) -> str:
        """Gauge pressure, to ten."""
        value, unit = (kpa, "kPa") if self.metric else (units.psi_from_kpa(kpa), "psi")
        return f"{round(value, -1):.0f} {unit}"

    @staticmethod
    def lambdas(low: float, best: float, high: float) -> str:
        """Lambda to two decimals, with its ends where they differ."""
        told = [f"{v:.2f}" for v in (low, best, high)]
        return told[1] if told[0] == told[2] else f"{told[1]} ({told[0]} to {told[2]})"

    @staticmethod
    def speeds(low: float, best: float, high: float) -> str:
        """Engine speeds, to ten."""
        return f"{round(best, -1):.0f} ({round(low, -1):.0f} to {round(high, -1):.0f}) rpm"

    def temperature(self, kelvin: float) -> str:
        """Whole degrees."""
        c = units.c_from_k(kelvin)
        return f"{c:.0f} °C" if self.metric else f"{units.f_from_c(c):.0f} °F"

    def cooler(self, kelvin: float) -> str:
        """A difference."""
        return f"{kelvin:.0f} °C" if self.metric else f"{1.8 * kelvin:.0f} °F"
