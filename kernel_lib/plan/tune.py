"""The tune: the dose as it will really come in, with the fuel and timing that go with it, row by row and on the tuner's own breakpoints."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .. import units
from ..build_sheet import BuildSheet
from ..engine.setup import spray_speeds
from .dose import Dosed
from .guards import Guard, guards
from .ladder import Ladder, ladder
from .plan import BANDED, plan_supply
from .proposals import Proposal, proposals
from .pulsing import Pulsing
from .ramp import (
    FULL_HIT,
    OVER_RPM,
    OVER_TIME,
    STAGES,
    Ramp,
    breach_sentences,
    breaches,
    ramp_of,
    ramp_sentence,
    worst_over_rpm,
)
from .rehearsal import Rehearsal, rehearsal
from .room import DoseMap, added_fuel_key, dose_map, map_key, nothing_fits, own_power_factor
from .timing import LATER

AT_STRONGEST = ("peak_pressure_bar", "knock_ratio", "exhaust_K")
"""Banded columns that follow the strongest cycle."""


@dataclass(frozen=True, eq=False)
class Tune:
    """What goes into the car.

    Attributes
    ----------
    sheet : BuildSheet
    room : DoseMap
    ramp : Ramp
    table : DataFrame
        A row a speed of the window, rising: rpm, share_percent, valve_duty_percent (NaN where the valve is not pulsed), strongest_percent (share of the
        strongest cycle), leanest_lambda (of the leanest, not below the target), the columns of `plan.BANDED` and `AT_STRONGEST` with ``_low`` and ``_high``, power_gain_hp (banded), power_hp, power_own_hp, torque_nm,
        torque_own_nm, full_power_hp (all of it at once; NaN where that is not reachable), retard_deg (first hit, up to the half degree), timing_deg_btdc
        (what is left), rule_deg, rule_fuel_lb_h. Where nothing flows, blank but for the engine's own.
    blockers : list of str
        What has to be mended before this ramp is sprayed.
    """

    sheet: BuildSheet
    room: DoseMap
    ramp: Ramp
    table: pd.DataFrame
    blockers: list[str]

    @property
    def pulsed(self) -> bool:
        """Whether the valve is pulsed."""
        return self.ramp.kind in (OVER_RPM, OVER_TIME)

    @functools.cached_property
    def dosed(self) -> Dosed:
        """The dose and its timing, where anything flows."""
        rows = self.table[self.table["share_percent"] > 0]
        return Dosed(
            rows["rpm"].to_numpy(),
            rows["share_percent"].to_numpy() / 100,
            rows["retard_deg"].fillna(0.0).to_numpy(),
            self.room.full_flow,
            self.pulsed,
        )

    @property
    def most_duty(self) -> float:
        """Largest valve duty that is pulsed [%]."""
        pulsing = Pulsing.of(self.sheet)
        return 100 * float(pulsing.duty(pulsing.most))

    def share_at(self, rpm) -> np.ndarray:
        """Share of the flow at engine speeds of the window."""
        return worst_over_rpm(self.sheet, self.ramp, rpm)

    def step_duties(self, rpm) -> list[np.ndarray]:
        """Valve duty of every step of the ladder at engine speeds [%]; of a pulsed valve."""
        pulsing, share = Pulsing.of(self.sheet), self.share_at(np.maximum(rpm, self.room.rpm[0]))
        return [
            100 * pulsing.duty(share if step.share == 1 else pulsing.floor(step.share * share))
            for step in self.ladder.steps
        ]

    @property
    def stage_note(self) -> str:
        """Where stages open, and what has to be in by then; empty without stages."""
        if self.ramp.kind != STAGES or not len(self.dosed.rpm):
            return ""
        told = [
            f"{rpm:.0f} rpm ({retard:g} degrees out)"
            for rpm, retard in zip(self.dosed.rpm, self.dosed.retard_deg, strict=True)
            if np.isclose(self.ramp.at, rpm).any()
        ]
        return f"Stages open at {' and '.join(told)}: give your axes a breakpoint there and one 10 rpm before, or the timing of an open stage comes in too late."

    @functools.cached_property
    def ladder(self) -> Ladder:
        """The steps up to this dose."""
        d = self.dosed
        return ladder(self.sheet, self.room, d.rpm, d.share, Pulsing.of(self.sheet) if self.pulsed else None)

    @functools.cached_property
    def rehearsal(self) -> Rehearsal:
        """The pull with the bottle shut."""
        rows = self.table[self.table["share_percent"] > 0]
        added = rows[added_fuel_key(self.sheet, "kg_h")].to_numpy() / 3600
        return rehearsal(self.sheet, rows["rpm"], added, rows["retard_deg"].fillna(0.0))

    def guards(self, *, metric: bool = True) -> list[Guard]:
        """One pass along its timeline."""
        return list(_guards(self, metric))

    @functools.cached_property
    def proposals(self) -> list[Proposal]:
        """A value for every limit; none where nothing flows."""
        return proposals(self.sheet, self.dosed, pulsed=self.pulsed) if len(self.dosed.rpm) else []


@functools.lru_cache(maxsize=8)
def _guards(tune: Tune, metric: bool) -> tuple[Guard, ...]:
    """Kept: page and printed sheet tell the same pass."""
    return tuple(guards(tune.sheet, tune.dosed, f"The nitrous: {ramp_sentence(tune.ramp)}", metric=metric))


def strongest(sheet: BuildSheet, ramp: Ramp, rpm, share) -> np.ndarray:
    """Share that the strongest cycle gets: pulses and the valve's own error counted; the share itself where the valve is not pulsed."""
    share = np.asarray(share, float)
    return Pulsing.of(sheet).strongest(rpm, share) if ramp.kind in (OVER_RPM, OVER_TIME) else share


def tune_of(sheet: BuildSheet, ramp: Ramp | None = None) -> Tune:
    """Plan the dose as it comes in.

    Parameters
    ----------
    sheet : BuildSheet
    ramp : Ramp, optional
        The sheet's, or a proposed one, if None.

    Returns
    -------
    Tune

    Raises
    ------
    InputError
        If the shot cannot be computed at all.
    """
    room = dose_map(sheet)
    ramp = ramp_of(sheet, room) if ramp is None else ramp
    rpm = _row_speeds(sheet, room, ramp)
    table = tune_rows(sheet, room, ramp, rpm, worst_over_rpm(sheet, ramp, rpm))
    return Tune(sheet, room, ramp, table, _blockers(sheet, room, ramp, table))


def _row_speeds(sheet: BuildSheet, room: DoseMap, ramp: Ramp) -> np.ndarray:
    """Every 500 rpm of the window; for stages also where one opens, and just before."""
    rpm = spray_speeds(sheet)
    if ramp.kind != STAGES:
        return rpm
    opening = ramp.at[(ramp.at > room.rpm[0]) & (ramp.at <= room.rpm[-1])]
    return np.unique(np.concatenate([rpm, opening, opening - 10.0]))


def tune_rows(sheet: BuildSheet, room: DoseMap, ramp: Ramp, rpm, share) -> pd.DataFrame:
    """Read every column of a tune off the map, at speeds and shares.

    Parameters
    ----------
    sheet : BuildSheet
    room : DoseMap
    ramp : Ramp
        Its kind says whether the valve is pulsed.
    rpm, share : array
        Of one shape.

    Returns
    -------
    DataFrame
        As `Tune.table`.
    """
    rpm, share = np.asarray(rpm, float), np.asarray(share, float)
    pulsing = Pulsing.of(sheet) if ramp.kind in (OVER_RPM, OVER_TIME) else None
    if pulsing:
        share = pulsing.share(
            pulsing.duty(share)
        )  # what the valve makes of it: too little is nothing, too much an open valve
    low, high = pulsing.band(share) if pulsing else (share, share)
    peak = strongest(sheet, ramp, rpm, share)
    out = {
        "rpm": rpm,
        "share_percent": 100 * share,
        "valve_duty_percent": 100 * pulsing.duty(share) if pulsing else np.full(len(rpm), np.nan),
        "strongest_percent": 100 * peak,
    }
    for name in BANDED:
        out[name] = room.at(name, rpm, share)
        out[f"{name}_low"], out[f"{name}_high"] = room.at(f"{name}_low", rpm, low), room.at(f"{name}_high", rpm, high)
    for name in AT_STRONGEST:
        out[name] = room.at(name, rpm, share)
        out[f"{name}_low"], out[f"{name}_high"] = room.at(f"{name}_low", rpm, low), room.at(f"{name}_high", rpm, peak)
    leaner = pulsing.excess(rpm, share) if pulsing else np.zeros(len(rpm))
    out["leanest_lambda"] = sheet.engine.lambda_with_nitrous + leaner
    out["exhaust_K_high"] = out["exhaust_K_high"] + np.interp(rpm, room.rpm, room.lean_exhaust_K) * leaner
    retard = room.first_hit(rpm, peak)
    for end, at in (("", share), ("_low", low), ("_high", high)):
        later = (retard - room.at("first_hit_deg", rpm, at)) / LATER
        now, then = (room.at(f"{name}{end}", rpm, at) for name in ("power_gain_hp", "power_gain_hp_later"))
        out[f"power_gain_hp{end}"] = now + later * (then - now)
    speed = rpm * 2 * np.pi / 60
    own = room.at("power_own_hp", rpm, 0.0) * own_power_factor(sheet)
    full = (
        np.where(room.most_at(rpm) >= 1.0, room.at("power_gain_hp", rpm, np.ones_like(rpm)), np.nan)
        if room.share[-1] >= 1
        else np.full(len(rpm), np.nan)
    )
    out |= {
        "power_own_hp": own,
        "power_hp": own + out["power_gain_hp"],
        "torque_own_nm": units.w_from_hp(own) / speed,
        "torque_nm": units.w_from_hp(own + out["power_gain_hp"]) / speed,
        "full_power_hp": own + full,
        "retard_deg": retard,
        "timing_deg_btdc": room.at("timing_deg_btdc", rpm, 0.0) - retard,
        "rule_deg": room.at("rule_deg", rpm, share),
        "rule_fuel_lb_h": room.at("rule_fuel_lb_h", rpm, share),
    }
    table = pd.DataFrame(out)
    own_columns = ["rpm", "share_percent", "power_own_hp", "torque_own_nm", "full_power_hp"]
    table.loc[share <= 0, table.columns.difference(own_columns)] = np.nan
    return table


def _blockers(sheet: BuildSheet, room: DoseMap, ramp: Ramp, table: pd.DataFrame) -> list[str]:
    """Everything that forbids this ramp; what it cures of the full hit is left out."""
    out = list(_of_full_hit(sheet))
    nothing = nothing_fits(room)
    if nothing:
        return [nothing, *out]
    beyond = _beyond(room, ramp)
    if beyond:
        out.insert(0, beyond)
    elif not (table["share_percent"] > 0).any():
        out.insert(
            0,
            "This ramp opens nowhere: no share that the valve can pulse keeps every limit. Take a smaller nozzle, a faster pulse, or a window from a higher speed.",
        )
    out = [*_too_little(sheet, ramp, table["rpm"].to_numpy()), *out]
    return [*breach_sentences(breaches(sheet, room, ramp)), *_lean_cycles(sheet, ramp, table), *out]


def _beyond(room: DoseMap, ramp: Ramp) -> str:
    """Say where the points of a ramp lie past the window; empty where they do not."""
    if ramp.kind in (OVER_TIME, FULL_HIT) or not len(ramp.at) or ramp.at[0] <= room.rpm[-1]:
        return ""
    return f"The ramp begins at {ramp.at[0]:.0f} rpm, past the window of {room.rpm[0]:.0f} to {room.rpm[-1]:.0f} rpm: nothing flows inside it."


_KEPT: dict[tuple, list[str]] = {}


def _of_full_hit(sheet: BuildSheet) -> list[str]:
    """The full hit's own blockers but those of its timing, which a ramp may cure; kept, for a moved control asks again and again."""
    key = map_key(sheet, valve=sheet.nitrous.system == "wet")
    if key not in _KEPT:
        while len(_KEPT) >= 16:
            _KEPT.pop(next(iter(_KEPT)), None)
        _KEPT[key] = list(plan_supply(sheet).blockers)
    return _KEPT[key]


def _too_little(sheet: BuildSheet, ramp: Ramp, rpm: np.ndarray) -> list[str]:
    """Say where a ramp asks for less than the valve can pulse: there it may open or not."""
    if ramp.kind not in (OVER_RPM, OVER_TIME):
        return []
    pulsing, share = Pulsing.of(sheet), worst_over_rpm(sheet, ramp, rpm)
    little = rpm[(share > 0) & (share < pulsing.least - 1e-9)]
    if not len(little):
        return []
    return [
        f"At {little[0]:.0f} to {little[-1]:.0f} rpm the ramp asks for less than the {100 * pulsing.least:.0f} % that this valve can pulse at {sheet.nitrous.pulse_hz:g} Hz: it may open or not. Begin with "
        "that much, or at a higher speed."
    ]


def _lean_cycles(sheet: BuildSheet, ramp: Ramp, table: pd.DataFrame) -> list[str]:
    """Say where the leanest dosed cycle of a pulsed valve passes the lean stop."""
    if ramp.kind not in (OVER_RPM, OVER_TIME):
        return []
    rows = table[table["share_percent"] > 0]
    if rows.empty:
        return []
    lean = rows["leanest_lambda"].to_numpy()
    if lean.max() <= sheet.limits.lean_stop_lambda:
        return []
    k = int(lean.argmax())
    return [
        f"Between pulses at {sheet.nitrous.pulse_hz:g} Hz the leanest cycle reaches about lambda {lean[k]:.2f} at {rows['rpm'].iloc[k]:.0f} rpm, past the lean stop at "
        f"{sheet.limits.lean_stop_lambda:.3f}: the fuel is set for the mean. Pulse faster, dose less there, or let the nitrous enter where it can mix."
    ]
