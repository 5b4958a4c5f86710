"""The timing of a plan: what to take out over rpm, what governs it, what it leaves of the power, and where no retard is enough."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .. import units
from ..band import DENSITY_EXPONENT, FLAME_RATIO, KNOCK_NITROUS, WALL_HEAT_SHARE, WORK_SHARE
from ..build_sheet import BuildSheet
from .power import shot_power, wanted_flow
from .spark import FINE, REASONS, RULE_DEG_PER_50_HP, Case, Corner, Limits, corners, needs

LATER = 5.0
"""Degrees beyond the first hit's retard."""

_STEPS = 5  # of the flow, to find how much of it is reachable


@dataclass(frozen=True, eq=False)
class Shares:
    """Share of the full flow over rpm, averaged over the pulses, and how far the valve may be off.

    Attributes
    ----------
    low, best, high : float or array
        0 to 1, or above for a larger nozzle.
    """

    low: np.ndarray
    best: np.ndarray
    high: np.ndarray

    def of(self, flows: list[float]) -> np.ndarray:
        """Share for each choice of the flow, the likely one first: small flows go with the small share, (choices, speeds)."""
        low, best, high = np.broadcast_arrays(
            *(np.atleast_1d(np.asarray(v, float)) for v in (self.low, self.best, self.high))
        )
        return np.array([best, *(low if flow < flows[0] else high for flow in flows[1:])])


FULL = Shares(1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Timing:
    """What `timing_plan` returns.

    Attributes
    ----------
    table : DataFrame
        One row an rpm. Angles are retard from the known-good timing [deg]; each also with ``_low`` and ``_high``: phasing_deg, knock_deg,
        pressure_deg (what each reason asks for; negative: advance would be allowed; infinite: no retard is enough; NaN: the flame leaves its
        table) and retard_deg (the likely need: the largest of the three, not below 0; blank where not reachable). Then timing_deg_btdc (known-good),
        rule_deg, first_hit_deg, reachable, governs, obstacle, room_deg (retard left between the need and the exhaust's limit; below 0: none), most_kg_s and most_hp (the likely flow that is reachable and what it is worth, where the whole is not). At the first-hit timing, each with ``_low`` and
        ``_high``: power_gain_hp, peak_pressure_bar, knock_ratio (worst cylinder over the engine's own at that speed), exhaust_K (worst
        cylinder); and power_hp, power_own_hp, torque_nm, torque_own_nm.
    limits : Limits
    sheet : BuildSheet
    choices : list of Corner
        What the bands run over, the likely one first.
    """

    table: pd.DataFrame
    limits: Limits
    sheet: BuildSheet
    choices: list[Corner]


def timing_plan(
    sheet: BuildSheet,
    rpm,
    choices: list[tuple],
    shot_hp: float,
    *,
    share: Shares = FULL,
    most: bool = True,
    keep: bool = False,
) -> Timing:
    """Solve the three reasons over rpm.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : array
        [rpm].
    choices : list of tuple
        Nitrous flow [kg/s], wall share, density exponent, and share of work where the flow was found with it: likely, then every corner.
    shot_hp : float
        What the whole flow is worth [hp], for the trade's rule.
    share : Shares
        Of the flow, speed by speed.
    most : bool
        Whether to find how much is reachable where the whole is not; it takes as long again, see also `reachable_hp`.

    keep : bool
        Whether to keep, where a speed is not reachable, what the need alone would ask for, and to add power_gain_hp_later, the gain with `LATER` more
        retard: for a map that is read between its points.

    Returns
    -------
    Timing

    Notes
    -----
    The first hit takes the cautious edge of the governing reason, not less than the rule unless the sheet says so
    (``limits.retard_below_rule``), and not so much that burned gas opens the exhaust hotter than its limit: where that
    limit, or the table of flames, stands in the way, or no retard searched is enough, the speed is not reachable.
    """
    every = corners(choices)
    case = Case.of(sheet, rpm, every, share.of([corner.flow for corner in every]))
    limits = Limits.of(sheet, case.firing, case.rpm)
    asked = needs(case, limits)
    rule = RULE_DEG_PER_50_HP * shot_hp / 50 * np.broadcast_to(share.best, len(case.rpm))
    table = pd.DataFrame(
        {"rpm": case.rpm, "timing_deg_btdc": case.firing.at("timing_deg_btdc", case.rpm), "rule_deg": rule}
    )
    for reason in REASONS:
        low, high = asked.get(f"{reason}_low", asked[reason]), asked.get(f"{reason}_high", asked[reason])
        table[f"{reason}_deg"] = asked[reason][0]
        table[f"{reason}_deg_low"], table[f"{reason}_deg_high"] = low.min(axis=0), high.max(axis=0)
    found = _first_hit(sheet, case, limits, asked, rule)
    table["room_deg"] = _room(case, limits, found)
    for name, column in found.items():
        table[name] = column
    _outcome(case, every, table)
    table["most_hp"] = table["most_kg_s"] = np.nan
    short = ~table["reachable"].to_numpy()
    if short.any() and most:
        full = table.loc[short, "room_deg"].to_numpy()
        flows = every[0].flow * _largest_share(sheet, case.rpm[short], every, full)
        table.loc[short, "most_kg_s"], table.loc[short, "most_hp"] = flows, [shot_power(sheet, f) for f in flows]
    blank = [c for c in table.columns if c.startswith(("retard_deg", "first_hit", *_AT_FIRST_HIT))]
    if keep:
        later = np.tile(table["first_hit_deg"].to_numpy() + LATER, case.shape[0])
        _banded(table, case, "power_gain_hp_later", *_gains(case, every, later))
    else:
        table.loc[short, blank] = np.nan
    return Timing(table, limits, sheet, every)


_AT_FIRST_HIT = ("power_gain_hp", "peak_pressure_bar", "knock_ratio", "exhaust_K", "power_hp", "torque_nm")


def _first_hit(sheet: BuildSheet, case: Case, limits: Limits, asked: dict, rule) -> dict[str, np.ndarray]:
    """Need with its ends, first-hit retard, what governs it, whether it is reachable and what stands in the way."""
    likely = np.maximum(0.0, np.max([asked[r][0] for r in REASONS], axis=0))
    low = np.maximum(0.0, np.min(np.max([asked["phasing"], asked["knock_low"], asked["pressure"]], axis=0), axis=0))
    edges = {"phasing": asked["phasing"], "knock": asked["knock_high"], "pressure": asked["pressure"]}
    ends = np.array([edges[r].max(axis=0) for r in REASONS])
    high = np.maximum(0.0, ends.max(axis=0))
    governs = np.array(REASONS, dtype=object)[np.argmax(np.nan_to_num(ends, nan=-99.0, posinf=999.0), axis=0)]
    floor = np.zeros(len(high)) if sheet.limits.retard_below_rule else np.broadcast_to(rule, len(high))
    governs[high < floor] = "rule"
    wanted = np.maximum(high, floor)
    cap = _latest(case, limits)
    obstacle = np.full(len(wanted), "", dtype=object)
    obstacle[high > cap] = "exhaust"  # the need must be met; the rule alone gives way
    obstacle[np.isinf(high)] = "retard"
    obstacle[np.isnan(high)] = "flame table"
    return {
        "retard_deg": likely,
        "retard_deg_low": low,
        "retard_deg_high": high,
        "first_hit_deg": np.where(np.isfinite(high), np.maximum(np.minimum(wanted, cap), high), np.nan),
        "reachable": obstacle == "",
        "governs": governs,
        "obstacle": obstacle,
    }


def _latest(case: Case, limits: Limits) -> np.ndarray:
    """Largest retard at which no corner opens its exhaust too hot [deg]; minus infinity where none is small enough."""
    hot = ~(case.sweep["T_burned_evo"].fine <= limits.T_evo)  # where the burn no longer fits counts as too hot
    cool = np.where(hot.any(axis=1), hot.argmax(axis=1) - 1, hot.shape[1] - 1)
    return np.where(cool < 0, -np.inf, FINE[cool]).reshape(case.shape).min(axis=0)


def _outcome(case: Case, every: list[Corner], table: pd.DataFrame) -> None:
    """Add power, pressure, knock and exhaust at the first-hit timing."""
    retard = np.tile(table["first_hit_deg"].to_numpy(), case.shape[0])
    row = {name: values.at(retard) for name, values in case.sweep.items()}
    own = case.base("knock_integral")
    ratio = row["knock_integral"] / own
    _banded(table, case, "peak_pressure_bar", row["P_max"] / 1e5)
    _banded(
        table,
        case,
        "knock_ratio",
        *(ratio * case.knock_factor(end) for end in (1.0, KNOCK_NITROUS.low, KNOCK_NITROUS.high)),
    )
    _banded(table, case, "exhaust_K", row["T_burned_evo"])
    _banded(table, case, "power_gain_hp", *_gains(case, every, retard))
    own_W = case.firing.at("brake_W", case.rpm) * case.firing.setup.cylinders
    table["power_own_hp"] = units.hp_from_w(own_W)
    table["power_hp"] = table["power_own_hp"] + table["power_gain_hp"]
    speed = case.rpm * 2 * np.pi / 60
    table["torque_own_nm"] = own_W / speed
    table["torque_nm"] = units.w_from_hp(table["power_hp"].to_numpy()) / speed


def _gains(case: Case, every: list[Corner], retard: np.ndarray) -> list[np.ndarray]:
    """Power gained [hp] at a retard of every row, with the likely, the least and the largest share of the cycle's work."""
    fired = case.firing.fire(case.mean, case.mean_burn, case.base("timing_deg_btdc") - retard)
    scale = case.firing.setup.cylinder.swept * np.tile(case.firing.setup.cycles_per_second(case.rpm), case.shape[0])
    work = scale * (fired["imep_gross"].to_numpy() - case.base("imep_gross"))
    friction = scale * (fired["friction_mep"].to_numpy() - case.base("friction_mep"))
    shares = np.repeat([corner.work or WORK_SHARE.best for corner in every], case.shape[1])
    free = np.repeat([corner.work is None for corner in every], case.shape[1])
    return [
        units.hp_from_w(np.where(free, share, shares) * work - friction)
        for share in (WORK_SHARE.best, WORK_SHARE.low, WORK_SHARE.high)
    ]


def _banded(table: pd.DataFrame, case: Case, name: str, *values: np.ndarray) -> None:
    """Put the likely corner of the first of `values` first, and the ends over all of them beside it."""
    every = np.array([v.reshape(case.shape) for v in values])
    table[name] = every[0, 0]
    table[f"{name}_low"], table[f"{name}_high"] = every.min(axis=(0, 1)), every.max(axis=(0, 1))


def _room(case: Case, limits: Limits, found: dict) -> np.ndarray:
    """Retard left between the need and the exhaust's limit [deg]; minus infinity where there is no timing at all."""
    high = found["retard_deg_high"]
    return np.where(np.isfinite(high), _latest(case, limits) - np.nan_to_num(high, posinf=0.0), -np.inf)


def _largest_share(sheet: BuildSheet, rpm: np.ndarray, every: list[Corner], full: np.ndarray) -> np.ndarray:
    """Largest share of the flow at which a speed is reachable; 0 where not even the least step is; `full`: the room with all of it."""
    steps = np.array([0.04, *np.linspace(0.0, 1.0, _STEPS + 1)[1:-1]])
    room = np.vstack([np.empty((len(steps), len(rpm))), full])
    for k, share in enumerate(steps):
        case = Case.of(sheet, rpm, every, share)
        limits = Limits.of(sheet, case.firing, rpm)
        room[k] = _room(case, limits, _first_hit(sheet, case, limits, needs(case, limits), 0.0))
    return last_kept(np.append(steps, 1.0), room)


def last_kept(shares: np.ndarray, slack: np.ndarray) -> np.ndarray:
    """Share up to which a limit is kept.

    Parameters
    ----------
    shares : array, shape (shares,)
        Rising.
    slack : array, shape (shares, speeds)
        What is left up to the limit, in any unit; below 0 (or NaN) it is broken.

    Returns
    -------
    array, shape (speeds,)
        Where the slack first runs out, on a line between steps, or the lower step where it is not known at the upper; 0 where not even the first step
        keeps the limit, the last share where all do.
    """
    out = np.full(slack.shape[1], float(shares[-1]))
    for column in range(slack.shape[1]):
        good = slack[:, column] >= 0
        if good.all():
            continue
        k = int(good.argmin()) - 1
        if k < 0:
            out[column] = 0.0
            continue
        a, b = slack[k, column], slack[k + 1, column]
        out[column] = shares[k] + ((shares[k + 1] - shares[k]) * a / (a - b) if np.isfinite(b) else 0.0)
    return out


BANDS = {
    "flame speed ratio": FLAME_RATIO,
    "knock integral with nitrous": KNOCK_NITROUS,
}
"""What the timing's bands run over, beside nitrous flow, wall-heat share and density exponent."""


def reachable_hp(sheet: BuildSheet, rpm, up_to_hp: float) -> np.ndarray:
    """Largest shot [hp] that a timing keeps within every limit, speed by speed; `up_to_hp` where more would do as well.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : array
        [rpm].
    up_to_hp : float

    Raises
    ------
    InputError
        If no flow adds so much.
    """
    every = corners(choices_for_shot(sheet, up_to_hp))
    case = Case.of(sheet, rpm, every)
    limits = Limits.of(sheet, case.firing, case.rpm)
    full = _room(case, limits, _first_hit(sheet, case, limits, needs(case, limits), 0.0))
    return up_to_hp * _largest_share(sheet, case.rpm, every, full)


def choices_for_shot(sheet: BuildSheet, shot_hp: float) -> list[tuple[float, float, float, float]]:
    """Flow, wall share, density exponent and share of work that make a shot of so many horsepower: likely, then every corner.

    Raises
    ------
    InputError
        If no flow adds that power.
    """
    likely = (wanted_flow(sheet, shot_hp=shot_hp), WALL_HEAT_SHARE.best, DENSITY_EXPONENT.best, WORK_SHARE.best)
    ends = itertools.product((WORK_SHARE.low, WORK_SHARE.high), ((0.0, 0.0), (0.0, 1.0), (1.0, 0.0)))
    return [likely, *((wanted_flow(sheet, work, *heat, shot_hp=shot_hp), *heat, work) for work, heat in ends)]
