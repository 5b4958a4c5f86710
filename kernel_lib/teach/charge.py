"""The oxygen of a charge and what a gauge makes of it: what the first steps of the lesson compute."""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass

import numpy as np

from ..band import DENSITY_EXPONENT, HYDROGEN_WEIGHT, WALL_HEAT_SHARE, Band
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge
from ..engine.setup import Setup, spray_speeds
from ..errors import check_number
from ..plan.plan import full_flow, plan_supply
from ..plan.supply import flow_band
from ..plan.timing import choices_for_shot
from ..thermo import species as sp
from ..thermo.fluid import saturation
from ..thermo.mixture import oxygen_share
from ..thermo.wideband import shown_many

_O = sp.molar_mass("O2") / 2
_TRUE = np.union1d(np.linspace(0.6, 1.3, 57), [1.0])


@dataclass(frozen=True, eq=False)
class Spread:
    """Bounds and the likely value, element by element, in one unit."""

    low: np.ndarray
    best: np.ndarray
    high: np.ndarray

    def at(self, k: int) -> tuple[float, float, float]:
        """Return low, likely and high of one element."""
        return float(self.low[k]), float(self.best[k]), float(self.high[k])


def lesson_speeds(sheet: BuildSheet) -> tuple[float, float, float]:
    """Speeds that the lesson looks at: the ends of the spray window, and in it the one nearest to peak power [rpm].

    Raises
    ------
    InputError
        As `spray_speeds`.

    Returns
    -------
    low, peak, high : float
    """
    rpm = spray_speeds(sheet)
    return float(rpm[0]), float(rpm[np.abs(rpm - sheet.engine.peak_power_rpm).argmin()]), float(rpm[-1])


@functools.lru_cache(maxsize=16)
def choices(sheet: BuildSheet) -> tuple[tuple[float, float, float], ...]:
    """Flow with the valve open for good [kg/s], wall-heat share and density exponent: the likely ones, then their ends.

    Raises
    ------
    InputError
        Where no flow adds the wanted horsepower.

    Notes
    -----
    As in `plan_shot`: with a nozzle the flow has its own band, without one it follows from the horsepower in every corner.
    """
    if sheet.nitrous.nozzle_diameter_mm is None:
        return tuple(choice[:3] for choice in choices_for_shot(sheet, sheet.nitrous.shot_hp))
    flow = flow_band(sheet)
    heat = ((b.low, b.high) for b in (WALL_HEAT_SHARE, DENSITY_EXPONENT))
    ends = itertools.product((flow.low, flow.high), *heat)
    return ((flow.best, WALL_HEAT_SHARE.best, DENSITY_EXPONENT.best), *ends)


@functools.lru_cache(maxsize=16)
def shot_worth(sheet: BuildSheet) -> Band:
    """What the full shot adds at the engine's speed of peak power [hp at the crank], as in the plan.

    Raises
    ------
    InputError
        As `plan_supply`.
    """
    return plan_supply(sheet, rpm=[lesson_speeds(sheet)[1]]).power


@dataclass(frozen=True)
class OxygenCounts:
    """Oxygen of dry air and of nitrous oxide, counted in several ways.

    Attributes
    ----------
    mass_air, mass_nitrous : float
        Oxygen in the gas by mass [kg/kg].
    mole_air, mole_nitrous : float
        O2 by mole; of nitrous oxide once it has come apart into N2 and half an O2 [mol/mol].
    volume_ratio : float
        Oxygen in a volume of nitrous gas over that in the same volume of air at the same pressure and temperature.
    liquid_ratio : float
        Oxygen in a volume of liquid nitrous at the bottle's temperature over that in the same volume of the engine's air.
    """

    mass_air: float
    mass_nitrous: float
    mole_air: float
    mole_nitrous: float
    volume_ratio: float
    liquid_ratio: float


def oxygen_counts(sheet: BuildSheet) -> OxygenCounts:
    """Count oxygen in both gases.

    Raises
    ------
    InputError
        If the bottle is too warm to hold liquid.

    Notes
    -----
    Ideal gases; air dry and as in the manifold of the sheet.
    """
    setup = Setup.of(sheet)
    mass_air = 2 * sp.DRY_AIR["O2"] * _O / sp.AIR_MOLAR_MASS
    mass_nitrous = _O / sp.molar_mass("N2O")
    air = setup.P_manifold * sp.AIR_MOLAR_MASS / (sp.R * setup.T_air)
    return OxygenCounts(
        mass_air,
        mass_nitrous,
        float(oxygen_share(0.0)),
        float(oxygen_share(1.0)),
        1 / (2 * sp.DRY_AIR["O2"]),
        mass_nitrous * saturation(setup.T_bottle).liquid_density / (mass_air * air),
    )


@dataclass(frozen=True, eq=False)
class Gain:
    """What a shot brings into a cylinder, over engine speed.

    Attributes
    ----------
    rpm : array
        [rpm].
    more : Spread
        Oxygen atoms of the charge over those without nitrous, less 1.
    air_lost : Spread
        Share of the air that is no longer drawn; below 0 where cooling wins back more than the vapour pushes out.
    share : Spread
        Oxygen by mole of the dry oxidiser, as in `oxygen_share`.
    dose : Spread
        Nitrous per cycle and cylinder [kg].
    """

    rpm: np.ndarray
    more: Spread
    air_lost: Spread
    share: Spread
    dose: Spread


def oxygen_gain(sheet: BuildSheet, rpm, part: float = 1.0) -> Gain:
    """Compare charges with and without nitrous.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : array
        [rpm].
    part : float
        Of the full flow, 0 to 2.

    Raises
    ------
    InputError
        As `fresh_charge`, where so much leaves no room for air.
    """
    part = check_number("part", part, 0.0, 2.0, "", "A share of this car's shot.")
    return _gain(sheet, tuple(np.atleast_1d(np.asarray(rpm, float)).tolist()), part)


@functools.lru_cache(maxsize=128)
def _gain(sheet: BuildSheet, speeds: tuple[float, ...], part: float) -> Gain:
    setup, rpm = Setup.of(sheet), np.array(speeds)
    flow, wall, exponent = (np.array(v)[:, None] for v in zip(*choices(sheet), strict=True))
    charge, bare = (
        fresh_charge(setup, rpm, part * flow, wall_share=wall, exponent=exponent),
        fresh_charge(setup, rpm, 0.0),
    )
    return Gain(
        rpm,
        _spread(charge.oxygen_atoms / bare.oxygen_atoms - 1),
        _spread(1 - charge.dry_air / bare.dry_air),
        _spread(charge.oxygen_share),
        _spread(setup.dose(part * flow, rpm)),
    )


def _spread(rows: np.ndarray) -> Spread:
    """Likely values stand in the first row."""
    return Spread(rows.min(axis=0), rows[0], rows.max(axis=0))


def lambda_if_counted(sheet: BuildSheet, more, said):
    """Return the mixture when all the fuel is set for one gain in oxygen and another is there.

    Parameters
    ----------
    sheet : BuildSheet
    more, said : float or array
        Oxygen above that without nitrous, as a share: what there is, and what the fuel was set for.

    Notes
    -----
    Fuel for the target follows the oxygen that was counted.
    """
    return sheet.engine.lambda_with_nitrous * (1 + more) / (1 + said)


def lambda_if_believed(sheet: BuildSheet, true: float, believed: float) -> float:
    """Return the mixture after one that is `true` was taken for `believed` and corrected from there to the target."""
    return sheet.engine.lambda_with_nitrous * true / believed


def mixture_side(sheet: BuildSheet, lambda_: float) -> str:
    """Say where a mixture lies between this sheet's limits, as it reads with two decimals.

    Returns
    -------
    str
        From lean to rich: ``"lean stop"`` (past it), ``"at lean stop"``, ``"lean"``, ``"target"``, ``"rich"``, ``"at rich stop"``,
        ``"rich stop"`` (past it), ``"misfire"``; ``"target past"`` on a target that is itself past the lean stop.
    """
    target, limits, near = sheet.engine.lambda_with_nitrous, sheet.limits, 0.005
    stop, rich = limits.lean_stop_lambda, limits.rich_stop_lambda
    first = (
        ("target past" if target > stop else "target", abs(lambda_ - target) <= near),
        ("at lean stop", abs(lambda_ - stop) <= near),
        ("lean stop", lambda_ > stop),
        ("lean", lambda_ > target),
        ("misfire", round(float(lambda_), 2) < limits.misfire_rich_lambda),
        ("at rich stop", abs(lambda_ - rich) <= near),
        ("rich stop", lambda_ < rich),
        ("rich", True),
    )
    return next(name for name, holds in first if holds)


@functools.lru_cache(maxsize=16)
def equal_part(sheet: BuildSheet, rpm: float, other_rpm: float) -> float:
    """Share of the flow that brings at one speed as much more oxygen as the full shot at another; likely, at most 2.

    Raises
    ------
    InputError
    """
    setup, full = Setup.of(sheet), full_flow(sheet)

    def more(speed: float, parts: np.ndarray) -> np.ndarray:
        bare = fresh_charge(setup, speed, 0.0).oxygen_atoms
        return fresh_charge(setup, speed, parts * full).oxygen_atoms / bare - 1

    target, most = float(more(other_rpm, np.array([1.0]))[0]), 2.0 if other_rpm < rpm else 1.0
    parts = np.linspace(0.0, most, 201)
    return float(np.interp(target, more(rpm, parts), parts))


@dataclass(frozen=True, eq=False)
class GaugeTable:
    """What is in the cylinders when the gauge shows a lambda; over the spray window.

    Attributes
    ----------
    rpm : array
        [rpm].
    true : array
        Lambda of the charge, rising.
    shown : array, shape (cases, rpm, true)
        Lambda on the gauge; the likely case first.
    """

    rpm: np.ndarray
    true: np.ndarray
    shown: np.ndarray

    def lambda_at(self, shown: float) -> Spread:
        """Return the lambda of the charge, an element a speed, when the gauge shows `shown` (0.7 to 1.2).

        Raises
        ------
        InputError
        """
        shown = check_number("shown", shown, 0.7, 1.2, "lambda", "What the table holds.")
        rows = [
            [np.interp(shown, row[np.isfinite(row)], self.true[np.isfinite(row)]) for row in case]
            for case in self.shown
        ]
        return _spread(np.array(rows))

    def shown_at(self, true: float) -> Spread:
        """Return what the gauge shows, an element a speed, of a charge of lambda `true` (0.65 to 1.3).

        Raises
        ------
        InputError
        """
        true = check_number("true", true, 0.65, 1.3, "lambda", "What the table holds.")
        return _spread(np.array([[np.interp(true, self.true, row) for row in case] for case in self.shown]))


@functools.lru_cache(maxsize=8)
def gauge_table(sheet: BuildSheet) -> GaugeTable:
    """Tabulate what a wide-band gauge shows of this car's full shot.

    Raises
    ------
    InputError

    Notes
    -----
    `wideband.shown_many`: limiting-current model, not verified against a sensor. Its band runs over the nitrous fraction and over how strongly hydrogen
    acts (`HYDROGEN_WEIGHT`); the sensor's own error is not in it.
    """
    setup, rpm = Setup.of(sheet), spray_speeds(sheet)
    flow, wall, exponent = (np.array(v)[:, None] for v in zip(*choices(sheet), strict=True))
    charge = fresh_charge(setup, rpm, flow, wall_share=wall, exponent=exponent)
    fraction, weight = _spread(charge.nitrous_fraction), HYDROGEN_WEIGHT
    x = np.array([fraction.best, *(f for f in (fraction.low, fraction.high) for _ in range(2))])
    times = np.array([weight.best, weight.low, weight.high, weight.low, weight.high])
    water = setup.air_water / (1 - setup.air_water) * (1 - x)
    water = (water / (1 + water))[..., None]
    return GaugeTable(rpm, _TRUE, shown_many(setup.fuel, _TRUE, x[..., None], water, times[:, None, None]))
