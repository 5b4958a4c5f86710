"""The engine fired: charges burn as its own timing says they do, scaled by the flame.

`Firing.of` finds how long the charge burns without nitrous, `Firing.burn` how long with it, `Firing.fire` runs the cycle at a chosen spark.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..band import WORK_SHARE
from . import combustion as cb
from .charge import Charge, closing_state, fresh_charge
from .cycle import run_cycles
from .heat import friction_pressure
from .setup import Setup

STEP = 2.0
"""Step of a plan's cycles [deg]: within 2e-4 of peak pressure and 1e-3 of the knock integral of a fine one."""


@dataclass(frozen=True, eq=False)
class Firing:
    """How an engine burns without nitrous, over its full-throttle table.

    Attributes
    ----------
    setup : Setup
    lambda_without : float
    timing_is : str
        "best torque": 50 % burned falls at `combustion.BEST_CA50` with the known-good timing. Else the duration comes from
        `combustion.CORRELATION`, but 50 % burned falls not earlier than that: timing held back by knock is later than best.
    rpm : array
        The speeds of the full-throttle table [rpm].
    duration_deg, delay_deg : array
        10-90 % burn duration, and spark to first burned gas [deg].
    duration_length, delay_length : array
        `combustion.flame_length` at 50 % burned and at the spark [m].
    table : DataFrame
        The cycles without nitrous, a row a speed: see `fire`.
    """

    setup: Setup
    lambda_without: float
    timing_is: str
    rpm: np.ndarray
    duration_deg: np.ndarray
    delay_deg: np.ndarray
    duration_length: np.ndarray
    delay_length: np.ndarray
    table: pd.DataFrame

    @classmethod
    def of(cls, setup: Setup, lambda_without: float, timing_is: str) -> Firing:
        """Calibrate the burn on the known-good timing.

        Raises
        ------
        InputError
            For a timing at which no charge would burn in time.
        """
        cb.check_timing_is(timing_is)
        rpm = setup.rpm_table
        timing = setup.timing_deg(rpm)
        cases = cases_of(setup, fresh_charge(setup, rpm, 0.0), rpm, lambda_without)
        duration = cb.duration_from_timing(timing)
        if timing_is != "best torque":
            duration = np.maximum(duration, _correlated(setup, cases, duration))
        delay = cb.DELAY_SHARE * duration
        out = _run(setup, cases, timing, delay, duration)
        at_spark, at_half = _lengths(setup, cases, out, timing, 1.0)
        table = _outcome(setup, cases, out, timing, delay, duration)
        return cls(setup, lambda_without, timing_is, rpm, duration, delay, at_half, at_spark, table)

    def at(self, name: str, rpm) -> np.ndarray:
        """Return a column of the cycles without nitrous at any speed of the table, on a line between its points."""
        return np.interp(self.setup.check_rpm(rpm), self.rpm, self.table[name].to_numpy(float))

    def own_burn(self, cases: pd.DataFrame) -> Burn:
        """Burn angles of the engine without nitrous, for charges from `cases_of`."""
        rpm = cases["rpm"].to_numpy()
        delay, duration = (np.interp(rpm, self.rpm, v) for v in (self.delay_deg, self.duration_deg))
        return Burn(delay, duration, np.interp(rpm, self.rpm, self.table["ca50_deg"].to_numpy()))

    def burn(self, cases: pd.DataFrame, factor=1.0, start: Burn | None = None) -> Burn:
        """Burn angles of charges with nitrous.

        Parameters
        ----------
        cases : DataFrame
            From `cases_of`.
        factor : float or array
            On the flame speed ratio of nitrous.
        start : Burn, optional
            Angles near the ones sought, for half the work; those of the engine without nitrous if None.

        Returns
        -------
        Burn
            NaN where the flame leaves the table of `flame.speed_ratio`.

        Notes
        -----
        The engine's own angles times the ratio of `combustion.flame_length`, with over without nitrous, both at the spark (delay) and at 50 % burned
        (duration) of cycles whose 50 % burned falls where it falls without nitrous. They are kept when the spark moves: in a measured propane
        engine (CFR) the angle from spark to 50 % burned grew by 10 % with 10.5 deg of retard and shrank by 2 % with 30 deg of advance; the
        10-90 % duration grew by 23 % with that retard. Leaving the latter out puts pressure and knock of a retarded cycle a little too high.
        """
        rpm, own = cases["rpm"].to_numpy(), self.own_burn(cases)
        own_angles = np.array([own.delay_deg, own.duration_deg])
        own_lengths = np.array([np.interp(rpm, self.rpm, v) for v in (self.delay_length, self.duration_length)])
        factor = np.broadcast_to(factor, rpm.shape)

        def again(angles: np.ndarray) -> np.ndarray:
            """Angles that belong to the states met with these angles."""
            spark = Burn(*angles, own.ca50_deg).phased_spark
            known, lengths = _fits(self.setup, spark, *angles), np.full(angles.shape, np.nan)
            if known.any():
                some = cases[known]
                out = _run(self.setup, some, spark[known], *angles[:, known])
                lengths[:, known] = _lengths(self.setup, some, out, spark[known], factor[known])
            return own_angles * lengths / own_lengths

        angles = own_angles if start is None else np.array([start.delay_deg, start.duration_deg])
        for _ in range(2 if start is None else 1):
            first = again(angles)
            angles = _ahead(angles, first, again(first))
        return Burn(*angles, own.ca50_deg)

    def fire(self, cases: pd.DataFrame, burn: Burn, spark_deg) -> pd.DataFrame:
        """Run charges at a spark.

        Parameters
        ----------
        cases : DataFrame
            From `cases_of`.
        burn : Burn
            Of the same rows.
        spark_deg : float or array
            [deg before TDC].

        Returns
        -------
        DataFrame
            Columns of `run_cycles`, and timing_deg_btdc, delay_deg, duration_deg, friction_mep, brake_mep [Pa], brake_W (one cylinder [W]); rows
            without a known burn, or whose burn does not fit between the valves, are NaN throughout.
        """
        spark = np.broadcast_to(np.asarray(spark_deg, float), len(cases))
        known = _fits(self.setup, spark, burn.delay_deg, burn.duration_deg)
        if not known.any():
            return pd.DataFrame(np.nan, index=cases.index, columns=self.table.columns)
        out = _run(self.setup, cases[known], spark[known], burn.delay_deg[known], burn.duration_deg[known])
        table = _outcome(
            self.setup,
            cases.reindex(cases.index[known]),
            out,
            spark[known],
            burn.delay_deg[known],
            burn.duration_deg[known],
        )
        return table.reindex(cases.index)


@dataclass(frozen=True)
class Burn:
    """Burn angles of some charges [deg].

    Attributes
    ----------
    delay_deg, duration_deg : array
        Spark to the first burned gas, and 10 to 90 % burned; NaN where the flame is not known.
    ca50_deg : array
        Where 50 % burned falls without nitrous [deg after TDC].
    """

    delay_deg: np.ndarray
    duration_deg: np.ndarray
    ca50_deg: np.ndarray

    @property
    def phased_spark(self) -> np.ndarray:
        """Spark that puts 50 % burned where it falls without nitrous [deg before TDC]."""
        return self.delay_deg + cb.HALF * self.duration_deg - self.ca50_deg

    def repeat(self, count: int) -> Burn:
        """Return every row `count` times in turn."""
        return Burn(*(np.repeat(v, count) for v in (self.delay_deg, self.duration_deg, self.ca50_deg)))


def _ahead(start: np.ndarray, first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Where a sequence of points, (coordinates, rows), that closes in by one factor a step will end (Aitken)."""
    before, after = first - start, second - first
    square = (before**2).sum(axis=0)
    factor = np.divide((before * after).sum(axis=0), square, out=np.zeros_like(square), where=square > 1e-12)
    factor = np.clip(factor, -0.5, 0.8)
    return second + after * factor / (1 - factor)


def cases_of(setup: Setup, charge: Charge, rpm, lambda_) -> pd.DataFrame:
    """Return charges as the state columns of `run_cycles`, a row an element."""
    charge = charge.at(slice(None))
    rpm, lambda_ = np.broadcast_to(rpm, charge.T.shape), np.broadcast_to(lambda_, charge.T.shape)
    state = closing_state(setup, charge, lambda_)
    return pd.DataFrame(
        {
            "rpm": np.array(rpm, float),
            "P_ivc": state.P,
            "T_ivc": state.T,
            "fuel": [setup.fuel] * len(rpm),
            "lambda": lambda_,
            "nitrous_fraction": charge.nitrous_fraction,
            "residual_fraction": setup.residual,
            "water_fraction": charge.water_fraction,
            "octane_ron": setup.octane_ron,
            "density_closing": state.mass / float(setup.cylinder.volume(setup.cylinder.closing)),
        }
    )


def _run(setup: Setup, cases: pd.DataFrame, spark, delay, duration) -> pd.DataFrame:
    full = cases.assign(spark_deg_btdc=spark, delay_deg=delay, duration_10_90_deg=duration)
    return run_cycles(setup, full, step_deg=STEP).table


def _correlated(setup: Setup, cases: pd.DataFrame, duration: np.ndarray) -> np.ndarray:
    """Durations by `combustion.CORRELATION`, of cycles whose 50 % burned falls where best torque has it [deg]."""

    def again(duration: np.ndarray) -> np.ndarray:
        delay = cb.DELAY_SHARE * duration
        spark = delay + cb.HALF * duration - cb.BEST_CA50
        out = _run(setup, cases, spark, delay, duration)
        return cb.CORRELATION / setup.cylinder.stroke * _lengths(setup, cases, out, spark, 1.0)[1]

    for _ in range(2):
        first = again(duration)
        duration = _ahead(duration[None], first[None], again(first)[None])[0]
    return duration


def _fits(setup: Setup, spark, delay, duration) -> np.ndarray:
    """Whether the burn lies between the valves, and the spark where an engine may have it."""
    start = delay - spark
    end = start + duration / cb.RAPID
    with np.errstate(invalid="ignore"):
        return (start > setup.cylinder.closing) & (end < setup.cylinder.opening) & (spark >= -60.0) & (spark <= 80.0)


def _lengths(setup: Setup, cases: pd.DataFrame, out: pd.DataFrame, spark, factor) -> tuple[np.ndarray, np.ndarray]:
    """Flame lengths at the spark and at 50 % burned."""
    phi, x = 1.0 / cases["lambda"].to_numpy(), cases["nitrous_fraction"].to_numpy()
    # density over P/T does not change while nothing burns
    per_T = cases["density_closing"].to_numpy() / (cases["P_ivc"].to_numpy() / cases["T_ivc"].to_numpy())
    lengths = []
    for T, P, theta in (
        (out["T_spark"].to_numpy(), out["P_spark"].to_numpy(), -np.asarray(spark)),
        (out["T_50"].to_numpy(), out["P_50"].to_numpy(), out["ca50_deg"].to_numpy()),
    ):
        at = cb.Flame(phi, x, T, P, per_T * P / T, theta)
        lengths.append(
            cb.flame_length(
                setup.cylinder, setup.fuel, cases["rpm"].to_numpy(), at, residual=setup.residual, factor=factor
            )
        )
    return lengths[0], lengths[1]


def _outcome(setup: Setup, cases: pd.DataFrame, out: pd.DataFrame, spark, delay, duration) -> pd.DataFrame:
    rpm = cases["rpm"].to_numpy()
    friction = friction_pressure(np.nan_to_num(out["P_max"].to_numpy()), setup.cylinder.piston_speed(rpm))
    brake = WORK_SHARE.best * out["imep_gross"].to_numpy() - friction
    return out.assign(
        rpm=rpm,
        timing_deg_btdc=spark,
        friction_mep=friction,
        delay_deg=delay,
        duration_deg=duration,
        brake_mep=brake,
        brake_W=brake * setup.cylinder.swept * rpm / 120,
    )
