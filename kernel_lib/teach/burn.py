"""How fast the charge burns on nitrous, as far as anybody knows, and what plug, coil and fuel are asked for."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from ..band import KNOCK_NITROUS, Band
from ..build_sheet import BuildSheet
from ..engine.burn import RAPID, burned_share
from ..engine.charge import fresh_charge
from ..engine.firing import cases_of
from ..engine.knock import OCTANE_EXPONENT
from ..engine.setup import Setup
from ..errors import InputError, check_number
from ..plan.closeup import breakdown_voltage
from ..plan.spark import Case, Corner, doubted
from ..thermo import flame
from ..thermo.equilibrium import equilibrate
from ..thermo.mixture import Mixture

FACTORS = np.linspace(0.8, 1.2, 41)
"""Flame speeds with nitrous over the computed ones, for which the likely burn is held."""

_RETARDS = np.arange(-16.0, 30.1, 2.0)  # deg, between which knock is read


@dataclass(frozen=True, eq=False)
class BurnRate:
    """The burn with nitrous beside the engine's own, at one speed and the same spark.

    Attributes
    ----------
    rpm, spark_deg, nitrous_fraction : float
        [rpm], known-good timing [deg before TDC], [-].
    own : tuple of float
        Delay from spark to the first burned gas and 10-90 % duration without nitrous [deg].
    delay_deg, duration_deg : array
        With nitrous at the likely charge, for every one of `FACTORS`; NaN where the flame leaves its table.
    corners : array, shape (2, corners)
        Delay and duration at every corner of what is unknown.
    percent : Band
        Duration with nitrous over that without, times 100.
    shift_deg : Band
        How much earlier 50 % burned comes at an unchanged spark [deg]; below 0: later.
    speed : Band
        Flame speed with nitrous over that without at the same state, where half of the likely charge has burned.
    hotter_K : float
        Flame temperature above that without nitrous at that state [K].
    all_known : bool
        Whether no corner leaves the table of flames.
    """

    rpm: float
    spark_deg: float
    nitrous_fraction: float
    own: tuple[float, float]
    delay_deg: np.ndarray
    duration_deg: np.ndarray
    corners: np.ndarray
    percent: Band
    shift_deg: Band
    speed: Band
    hotter_K: float
    all_known: bool

    def at(self, factor: float) -> tuple[float, float]:
        """Delay and duration [deg] at one of `FACTORS`, or on a line between two."""
        factor = check_number("factor", factor, FACTORS[0], FACTORS[-1], "", "The computed flames are doubted so far.")
        return tuple(float(np.interp(factor, FACTORS, v)) for v in (self.delay_deg, self.duration_deg))

    def burned(self, theta_deg, delay_deg, duration_deg) -> np.ndarray:
        """Share burned over crank angle [deg after TDC] with the known-good spark; delay and duration broadcast."""
        since = np.asarray(theta_deg, float) + self.spark_deg - delay_deg
        return burned_share(since * RAPID / duration_deg)


@functools.lru_cache(maxsize=16)
def burn_rate(sheet: BuildSheet, rpm: float, corners: tuple[Corner, ...]) -> BurnRate:
    """Find the burn of the mean cylinder with nitrous at the likely corner (first) and at all others.

    Raises
    ------
    InputError
        Where the likely flame leaves its table.

    Notes
    -----
    See `Firing.burn`. Unknown are flow, wall-heat share, density exponent and the flame speed (`FLAME_RATIO`).
    """
    case = Case.of(sheet, [rpm], list(corners))
    burn, own, x = case.mean_burn, case.firing.own_burn(case.mean), float(case.mean["nitrous_fraction"].iloc[0])
    if not np.isfinite(burn.duration_deg[0]):
        why = f"At {rpm:.0f} rpm the charge is {100 * x:.0f} % nitrous by mole: its flame leaves the table of computed flames."
        raise InputError("nitrous_flow", corners[0].flow, "kg/s", "less nitrous", why)
    likely = case.mean.loc[[0] * len(FACTORS)].reset_index(drop=True)
    swept = case.firing.burn(likely, FACTORS)
    fired = case.firing.fire(case.mean.iloc[[0]], _row(burn, 0), burn.phased_spark[:1]).iloc[0]
    T, P, lambda_ = float(fired["T_50"]), float(fired["P_50"]), float(case.mean["lambda"].iloc[0])
    ratio = float(flame.ratio_where_inside(1 / lambda_, T, P, x))
    ends = [float(v) for v in ratio * doubted([0.8, 1.2], x)]
    flames = [equilibrate(Mixture(case.firing.setup.fuel, lambda_, share), T, P, "HP").T for share in (x, 0.0)]
    percent, shift = 100 * burn.duration_deg / own.duration_deg, case.base("timing_deg_btdc") - burn.phased_spark
    return BurnRate(
        rpm=rpm,
        spark_deg=float(case.base("timing_deg_btdc")[0]),
        nitrous_fraction=x,
        own=(float(own.delay_deg[0]), float(own.duration_deg[0])),
        delay_deg=swept.delay_deg,
        duration_deg=swept.duration_deg,
        corners=np.array([burn.delay_deg, burn.duration_deg]),
        percent=_band(percent, "flame speed, nitrous flow, wall-heat share, density exponent"),
        shift_deg=_band(shift, "flame speed, nitrous flow, wall-heat share, density exponent"),
        speed=Band(ends[0], ratio, ends[1], "propane by proxy, rates, pressures beyond validation"),
        hotter_K=flames[0] - flames[1],
        all_known=bool(np.isfinite(burn.duration_deg).all()),
    )


def _row(burn, k: int):
    return type(burn)(burn.delay_deg[k : k + 1], burn.duration_deg[k : k + 1], burn.ca50_deg[k : k + 1])


def _band(values: np.ndarray, because: str) -> Band:
    return Band(float(np.nanmin(values)), float(values[0]), float(np.nanmax(values)), because)


@functools.cache
def rich_flames(nitrous_fraction: float = 0.1) -> Band:
    """Flame speed ratio of rich engine charges over the table: equivalence ratio 1.05 to 1.3, 550 to 900 K, 10 to 80 atm.

    Raises
    ------
    InputError
        As `flame.speed_ratio`.
    """
    grid = np.meshgrid(np.linspace(1.05, 1.3, 6), np.linspace(550.0, 900.0, 8), 101325.0 * np.geomspace(10, 80, 7))
    ratio = flame.speed_ratio(*grid, nitrous_fraction)
    return Band(
        float(ratio.min()), float(np.median(ratio)), float(ratio.max()), "states of the table, no band on the rates"
    )


@dataclass(frozen=True, eq=False)
class Load:
    """What a cycle with nitrous asks for, over the engine's own at the same speed: the mean cylinder.

    Attributes
    ----------
    rpm, retard_deg : float
    knock, voltage, heat, power : Band
        Knock integral, breakdown voltage of the plug's gap, heat to the walls per cycle, and work per cycle, each over the engine's own.
    voltage_own_kV : float
    heat_none : float
        Likely heat to the walls per cycle with no retard, over the engine's own; NaN where that does not burn between the valves.
    heat_second : float
        Likely heat to the walls per second over the engine's own highest over rpm.
    ron : float
    curve : array, shape (2, retards)
        Retard [deg] and the likely knock integral over the engine's own.
    """

    rpm: float
    retard_deg: float
    knock: Band
    voltage: Band
    heat: Band
    power: Band
    voltage_own_kV: float
    heat_none: float
    heat_second: float
    ron: float
    curve: np.ndarray

    def knock_at(self, ron_more: float) -> float:
        """Likely knock integral over the engine's own with so many more octane numbers in the tank [RON]."""
        return self.knock.best * _octane_factor(self.ron, ron_more)

    def degrees(self, ron_more: float) -> float:
        """Retard that more octane saves (below 0: costs) at an unchanged knock integral [deg]; NaN beyond what was fired."""
        target = self.knock.best / _octane_factor(self.ron, ron_more)
        retard, knock = self.curve
        return self.retard_deg - float(np.interp(-np.log(target), -np.log(knock), retard, np.nan, np.nan))


def _octane_factor(ron: float, more: float) -> float:
    """Knock integral after over before: it scales with the octane number alone [Douaud & Eyzat 1978]."""
    check_number("octane_ron", ron + more, 40.0, 130.0, "RON", "Fuels of the correlation and its neighbours.")
    return (ron / (ron + more)) ** OCTANE_EXPONENT


@functools.lru_cache(maxsize=16)
def load(sheet: BuildSheet, rpm: float, corners: tuple[Corner, ...], retard_deg: float) -> Load:
    """Fire the mean cylinder at a retard, at the likely corner (first) and at all others.

    Raises
    ------
    InputError
        Where the likely charge does not burn there.

    Notes
    -----
    Knock: see `knock.induction_time`; its band counts `KNOCK_NITROUS`. Voltage: see `closeup.breakdown_voltage`. Heat: Woschni; the plug's tip
    is taken to share in it.
    """
    setup, case = Setup.of(sheet), Case.of(sheet, [rpm], list(corners))
    firing = case.firing
    timing = float(firing.at("timing_deg_btdc", rpm))
    bare = cases_of(setup, fresh_charge(setup, rpm, 0.0), rpm, firing.lambda_without)
    own = firing.fire(bare, firing.own_burn(bare), timing).iloc[0]
    shot = firing.fire(case.mean, case.mean_burn, timing - retard_deg)
    if not np.isfinite(shot["P_max"].iloc[0]):
        why = f"At {rpm:.0f} rpm, {retard_deg:g} degrees later than known-good, this charge does not burn between the valves or its flame is not known."
        raise InputError("retard_deg", retard_deg, "deg", "another timing, or less nitrous", why)
    because = "flame speed, nitrous flow, wall-heat share, density exponent"
    knock = shot["knock_integral"].to_numpy() / own["knock_integral"]
    doubt = [doubted(end, case.mean["nitrous_fraction"].to_numpy()) for end in (KNOCK_NITROUS.low, KNOCK_NITROUS.high)]
    ends = np.concatenate([knock[:1], knock * doubt[0], knock * doubt[1]])
    volts = [breakdown_voltage(v["P_spark"], v["T_spark"], sheet.engine.plug_gap_mm) for v in (shot.dropna(), own)]
    heat = shot["heat_loss"].to_numpy() / own["heat_loss"]
    count = len(_RETARDS)
    first = case.mean.loc[[0] * count].reset_index(drop=True)
    swept = firing.fire(first, _row(case.mean_burn, 0).repeat(count), timing - _RETARDS)
    known = np.isfinite(swept["knock_integral"].to_numpy())
    highest = float((firing.table["heat_loss"] * firing.table["rpm"]).max())
    return Load(
        rpm=rpm,
        retard_deg=retard_deg,
        knock=_band(ends, f"{because}, knock with nitrous"),
        voltage=_band(np.asarray(volts[0]) / float(volts[1]), because),
        heat=_band(heat, because),
        power=_band(shot["imep_gross"].to_numpy() / own["imep_gross"], because),
        voltage_own_kV=float(volts[1]),
        heat_none=float(np.interp(0.0, _RETARDS, swept["heat_loss"].to_numpy()) / own["heat_loss"]),
        heat_second=float(shot["heat_loss"].iloc[0]) * rpm / highest,
        ron=setup.octane_ron,
        curve=np.array([_RETARDS[known], swept["knock_integral"].to_numpy()[known] / own["knock_integral"]]),
    )
