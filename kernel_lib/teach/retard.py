"""What the retard is for: three needs over engine speed and over the share of the shot, and what happens without it."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from ..build_sheet import BuildSheet
from ..engine.setup import spray_speeds
from ..errors import InputError
from ..plan.spark import REASONS, Case, Corner, corners
from ..plan.timing import Shares, timing_plan

SHARES = (0.2, 0.4, 0.6, 0.8, 1.0)
"""Of the flow, for which the needs are held."""

PLACES = 6


@dataclass(frozen=True, eq=False)
class Retard:
    """Retard from the known-good timing [deg], shares by speeds unless said otherwise.

    Attributes
    ----------
    rpm : array, shape (speeds,)
    needs : dict of array
        "phasing", "knock", "pressure": what each reason asks for, likely; below 0 advance would be allowed, infinite where no retard is enough, NaN where
        the flame leaves its table.
    likely : array
        The largest of the three, not below 0.
    low, edge : array
        The same at the hopeful and at the cautious end of what is unknown.
    first_hit : array
        Edge or rule, whichever is more; NaN where not reachable.
    rule : array
        The trade's.
    reachable : array of bool
    governs, edge_governs : array of str
        What sets the likely need; what sets the first hit's, which may be "rule".
    obstacle : array of str
        What stands in the way where not reachable: "exhaust", "retard" (none is enough), "flame table"; else "".
    peak_none, knock_none : array, shape (speeds,)
        With all of the shot and no retard, worst cylinder at the likely corner: peak pressure [Pa], knock integral over the engine's own.
    P_limit : float
        [Pa].
    lost_hp : array, shape (speeds,)
        What five more degrees than the first hit cost, all of the shot; NaN where not known.
    """

    rpm: np.ndarray
    needs: dict[str, np.ndarray]
    likely: np.ndarray
    low: np.ndarray
    edge: np.ndarray
    first_hit: np.ndarray
    rule: np.ndarray
    reachable: np.ndarray
    governs: np.ndarray
    edge_governs: np.ndarray
    obstacle: np.ndarray
    peak_none: np.ndarray
    knock_none: np.ndarray
    P_limit: float
    lost_hp: np.ndarray

    def row(self, share: float) -> int:
        """Index of one of `SHARES`.

        Raises
        ------
        InputError
        """
        near = int(np.abs(np.array(SHARES) - share).argmin())
        if abs(SHARES[near] - share) > 1e-6:
            raise InputError("share", share, "", ", ".join(f"{s:g}" for s in SHARES), "Only these are held.")
        return near


def places_of(sheet: BuildSheet) -> tuple[float, ...]:
    """Six engine speeds over the spray window, on round numbers where the window is wide enough [rpm]."""
    window = spray_speeds(sheet)
    even = np.linspace(window[0], window[-1], PLACES)
    inner = np.round(even[1:-1] / 100.0) * 100.0
    whole = np.concatenate([even[:1], inner, even[-1:]])
    return tuple(float(v) for v in (whole if (np.diff(whole) > 0).all() else even))


@functools.lru_cache(maxsize=16)
def retard_over_speed(sheet: BuildSheet, every: tuple[Corner, ...], worth_hp: float, rpm: tuple[float, ...]) -> Retard:
    """Solve the three needs at some speeds for every share of `SHARES`.

    Parameters
    ----------
    sheet : BuildSheet
    every : tuple of Corner
        Of a plan's timing, the likely one first.
    worth_hp : float
        What the whole flow is worth, for the trade's rule.
    rpm : tuple of float

    Raises
    ------
    InputError
        As `timing_plan`.
    """
    speeds, count = np.asarray(rpm, float), len(rpm)
    choices = list(dict.fromkeys((c.flow, c.wall, c.exponent, c.work) for c in every))
    share = np.repeat(SHARES, count)
    plan = timing_plan(
        sheet, np.tile(speeds, len(SHARES)), choices, worth_hp, share=Shares(share, share, share), most=False, keep=True
    )

    def rows(values) -> np.ndarray:
        return np.asarray(values).reshape(len(SHARES), count)

    table, asked = plan.table, {}
    for reason in REASONS:
        asked[reason] = rows(table[f"{reason}_deg"])
    stacked = np.array([asked[reason] for reason in REASONS])
    bare = Case.of(sheet, speeds, corners(choices)[:1])
    none = {name: bare.sweep[name].at(np.zeros(count)) for name in ("P_max", "knock_integral")}
    reachable = rows(table["reachable"].to_numpy(bool))
    return Retard(
        rpm=speeds,
        needs=asked,
        likely=rows(table["retard_deg"]),
        low=rows(table["retard_deg_low"]),
        edge=rows(table["retard_deg_high"]),
        first_hit=np.where(reachable, rows(table["first_hit_deg"]), np.nan),
        rule=rows(table["rule_deg"]),
        reachable=reachable,
        governs=np.array(REASONS)[np.nan_to_num(stacked, nan=-99.0, posinf=999.0).argmax(axis=0)],
        edge_governs=rows(table["governs"]),
        obstacle=rows(table["obstacle"]),
        peak_none=none["P_max"],
        knock_none=none["knock_integral"] / bare.base("knock_integral"),
        P_limit=plan.limits.P_max,
        lost_hp=rows(table["power_gain_hp"] - table["power_gain_hp_later"])[-1],
    )
