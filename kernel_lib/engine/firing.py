"""The engine fired: charges burn as its own timing says they do, scaled by the flame.

`Firing.of` finds how long the charge burns without nitrous; `Firing.fire` runs the cycle of any charge at a chosen spark or a chosen 50 % burned.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


from . import combustion as cb
from ..band import WORK_SHARE
from .charge import Charge, closing_state, fresh_charge
from .cycle import run_cycles
from .heat import friction_pressure
from .setup import Setup

STEP = 1.0
"""Step of a plan's cycles [deg]: within 2e-5 of peak pressure and 3e-4 of the knock integral of a fine one."""

_PASSES = 3


@dataclass(frozen=True, eq=False)
class Firing:
    """How an engine burns without nitrous, over its full-throttle table.

    Attributes
    ----------
    setup : Setup
    lambda_without : float
    timing_is : str
        "best torque": 50 % burned falls at `combustion.BEST_CA50` with the known-good timing. Else the duration comes from
        `combustion.CORRELATION`, but 50 % burned not earlier than that: timing held back by knock is later than best.
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
        duration = least = cb.duration_from_timing(timing)
        for _ in range(1 if timing_is == "best torque" else 6):
            delay = cb.DELAY_SHARE * duration
            out = _run(setup, cases, timing, delay, duration)
            at_spark, at_half = _lengths(setup, cases, out, timing, 1.0)
            if timing_is != "best torque":
                duration = np.maximum(least, cb.CORRELATION * at_half / setup.cylinder.stroke)
        delay = cb.DELAY_SHARE * duration
        out = _run(setup, cases, timing, delay, duration)
        at_spark, at_half = _lengths(setup, cases, out, timing, 1.0)
        table = _outcome(setup, cases, out, timing, delay, duration)
        return cls(setup, lambda_without, timing_is, rpm, duration, delay, at_half, at_spark, table)

    def at(self, name: str, rpm) -> np.ndarray:
        """Return a column of the cycles without nitrous at any speed of the table, on a line between its points."""
        return np.interp(self.setup.check_rpm(rpm), self.rpm, self.table[name].to_numpy(float))

    def fire(
        self, cases: pd.DataFrame, *, spark_deg=None, ca50_deg=None, factor=1.0, passes: int = _PASSES
    ) -> pd.DataFrame:
        """Run charges at a spark, or so that 50 % has burned at an angle.

        Parameters
        ----------
        cases : DataFrame
            From `cases_of`.
        spark_deg : float or array, optional
            [deg before TDC].
        ca50_deg : float or array, optional
            [deg after TDC]; the spark that this takes is found.
        factor : float or array
            On the flame speed ratio of nitrous.
        passes : int
            How often burn angles are brought into line with the state at spark and at 50 % burned.

        Returns
        -------
        DataFrame
            Columns of `run_cycles`, and timing_deg_btdc, delay_deg, duration_deg, friction_mep, brake_mep [Pa], brake_W (one cylinder [W]); rows whose flame
            leaves the table of `flame.speed_ratio`, or whose burn does not fit between the valves, are NaN throughout.
        """
        rpm = cases["rpm"].to_numpy()
        base = {k: np.interp(rpm, self.rpm, getattr(self, k)) for k in ("duration_deg", "delay_deg", "duration_length", "delay_length")}
        duration, delay = base["duration_deg"].copy(), base["delay_deg"].copy()
        lost = np.zeros(len(cases), bool)
        for k in range(passes):
            spark = delay + cb.HALF * duration - ca50_deg if spark_deg is None else np.broadcast_to(spark_deg, len(cases))
            lost |= ~_fits(self.setup, spark, delay, duration)
            keep = ~lost
            if not keep.any():
                break
            out = _run(self.setup, cases[keep], spark[keep], delay[keep], duration[keep]).reindex(cases.index)
            if k == passes - 1:
                break
            with np.errstate(invalid="ignore"):
                at_spark, at_half = _lengths(self.setup, cases[keep], out[keep], spark[keep], np.broadcast_to(factor, len(cases))[keep])
            delay[keep] = base["delay_deg"][keep] * at_spark / base["delay_length"][keep]
            duration[keep] = base["duration_deg"][keep] * at_half / base["duration_length"][keep]
            lost |= ~np.isfinite(delay) | ~np.isfinite(duration)
            delay[lost], duration[lost] = base["delay_deg"][lost], base["duration_deg"][lost]
        if lost.all():
            out = pd.DataFrame(np.nan, index=cases.index, columns=self.table.columns)
        table = _outcome(self.setup, cases, out, spark, delay, duration)
        table.loc[lost] = np.nan
        return table


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
            "gas_constant": state.P / state.T,
        }
    )


def _run(setup: Setup, cases: pd.DataFrame, spark, delay, duration) -> pd.DataFrame:
    full = cases.assign(spark_deg_btdc=spark, delay_deg=delay, duration_10_90_deg=duration)
    return run_cycles(setup, full, step_deg=STEP).table


def _fits(setup: Setup, spark, delay, duration) -> np.ndarray:
    """Whether the burn lies between the valves, and the spark where an engine may have it."""
    start = delay - spark
    end = start + duration / cb.RAPID
    with np.errstate(invalid="ignore"):
        return (start > setup.cylinder.closing) & (end < setup.cylinder.opening) & (np.abs(spark) < 60.0)


def _lengths(setup: Setup, cases: pd.DataFrame, out: pd.DataFrame, spark, factor) -> tuple[np.ndarray, np.ndarray]:
    """Flame lengths at the spark and at 50 % burned."""
    phi, x = 1.0 / cases["lambda"].to_numpy(), cases["nitrous_fraction"].to_numpy()
    per_T = cases["density_closing"].to_numpy() / cases["gas_constant"].to_numpy()  # density over P/T: it does not change
    lengths = []
    for T, P, theta in (
        (out["T_spark"].to_numpy(), out["P_spark"].to_numpy(), -np.asarray(spark)),
        (out["T_50"].to_numpy(), out["P_50"].to_numpy(), out["ca50_deg"].to_numpy()),
    ):
        at = cb.Flame(phi, x, T, P, per_T * P / T, theta)
        lengths.append(
            cb.flame_length(setup.cylinder, setup.fuel, cases["rpm"].to_numpy(), at, residual=setup.residual, factor=factor)
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
