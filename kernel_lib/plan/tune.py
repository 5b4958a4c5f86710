"""The tune: the dose as it will really come in, with the fuel and timing that go with it, row by row and on the tuner's own breakpoints."""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .. import units
from ..build_sheet import BuildSheet
from ..engine.setup import spray_speeds
from ..errors import InputError
from .dose import Dosed
from .guards import Guard, guards
from .ladder import Ladder, ladder
from .plan import plan_supply
from .proposals import Proposal, proposals
from .pulsing import Pulsing
from .ramp import OVER_RPM, OVER_TIME, Ramp, breach_sentences, breaches, ramp_of, ramp_sentence, worst_over_rpm
from .rehearsal import Rehearsal, rehearsal
from .room import DoseMap, added_fuel_key, dose_map, map_key, nothing_fits
from .timing import LATER

AT_SHARE = (
    "nitrous_kg_s",
    "nitrous_lb_s",
    "dose_mg",
    "nitrous_fraction",
    "oxygen_share",
    "fuel_speed_density_kg_h",
    "fuel_speed_density_lb_h",
    "fuel_mass_air_kg_h",
    "fuel_mass_air_lb_h",
    "fuel_added_percent",
    "fuel_added_ms",
    "injector_duty_percent",
    "pump_percent",
)
"""Banded columns that follow the mean dose."""

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
        strongest cycle), the columns of `AT_SHARE` and `AT_STRONGEST` with ``_low`` and ``_high``, power_gain_hp (banded), power_hp, power_own_hp, torque_nm,
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
        )

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
        return guards(self.sheet, self.dosed, f"The nitrous: {ramp_sentence(self.ramp)}", metric=metric)

    @functools.cached_property
    def proposals(self) -> list[Proposal]:
        """A value for every limit; none where nothing flows."""
        return proposals(self.sheet, self.dosed, pulsed=self.pulsed) if len(self.dosed.rpm) else []


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
    rpm = spray_speeds(sheet)
    table = tune_rows(sheet, room, ramp, rpm, worst_over_rpm(sheet, ramp, rpm))
    return Tune(sheet, room, ramp, table, _blockers(sheet, room, ramp, table))


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
    low, high = pulsing.band(share) if pulsing else (share, share)
    peak = strongest(sheet, ramp, rpm, share)
    out = {
        "rpm": rpm,
        "share_percent": 100 * share,
        "valve_duty_percent": 100 * pulsing.duty(share) if pulsing else np.full(len(rpm), np.nan),
        "strongest_percent": 100 * peak,
    }
    for name in AT_SHARE:
        out[name] = room.at(name, rpm, share)
        out[f"{name}_low"], out[f"{name}_high"] = room.at(f"{name}_low", rpm, low), room.at(f"{name}_high", rpm, high)
    for name in AT_STRONGEST:
        out[name] = room.at(name, rpm, share)
        out[f"{name}_low"], out[f"{name}_high"] = room.at(f"{name}_low", rpm, low), room.at(f"{name}_high", rpm, peak)
    retard = room.first_hit(rpm, peak)
    for end, at in (("", share), ("_low", low), ("_high", high)):
        later = (retard - room.at("first_hit_deg", rpm, at)) / LATER
        now, then = (room.at(f"{name}{end}", rpm, at) for name in ("power_gain_hp", "power_gain_hp_later"))
        out[f"power_gain_hp{end}"] = now + later * (then - now)
    speed = rpm * 2 * np.pi / 60
    own = room.at("power_own_hp", rpm, 0.0)
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
    if not (table["share_percent"] > 0).any():
        out.insert(
            0,
            "This ramp opens nowhere: no share that the valve can pulse keeps every limit. Take a smaller nozzle, a faster pulse, or a window from a higher speed.",
        )
    return [*breach_sentences(breaches(sheet, room, ramp)), *_lean_cycles(sheet, ramp, table), *out]


_KEPT: dict[tuple, list[str]] = {}


def _of_full_hit(sheet: BuildSheet) -> list[str]:
    """The full hit's own blockers but those of its timing, which a ramp may cure; kept, for a moved control asks again and again."""
    key = map_key(sheet, valve=sheet.nitrous.system == "wet")
    if key not in _KEPT:
        while len(_KEPT) >= 16:
            _KEPT.pop(next(iter(_KEPT)), None)
        _KEPT[key] = list(plan_supply(sheet).blockers)
    return _KEPT[key]


def _lean_cycles(sheet: BuildSheet, ramp: Ramp, table: pd.DataFrame) -> list[str]:
    """Say where the leanest dosed cycle of a pulsed valve passes the lean stop."""
    if ramp.kind not in (OVER_RPM, OVER_TIME):
        return []
    rows = table[table["share_percent"] > 0]
    if rows.empty:
        return []
    lean = Pulsing.of(sheet).leanest(rows["rpm"].to_numpy(), rows["share_percent"].to_numpy() / 100)
    if lean.max() <= sheet.limits.lean_stop_lambda:
        return []
    k = int(lean.argmax())
    return [
        f"Between pulses at {sheet.nitrous.pulse_hz:g} Hz the leanest cycle reaches about lambda {lean[k]:.2f} at {rows['rpm'].iloc[k]:.0f} rpm, past the lean stop at "
        f"{sheet.limits.lean_stop_lambda:.3f}: the fuel is set for the mean. Pulse faster, dose less there, or let the nitrous enter where it can mix."
    ]


@dataclass(frozen=True, eq=False)
class OwnTables:
    """Tables on the tuner's own breakpoints, (speeds, valve duties).

    Attributes
    ----------
    rpm, duty_percent : array
    fuel_kg_h, fuel_percent, fuel_ms : array
        Fuel to add as this car meters it; 0 where nothing flows. Outside the window fuel and retard are those of its end, so that a controller which draws a
        line across the end has them in full inside.
    retard_deg : array
        Up to the half degree.
    duty_at : array
        Valve duty of the ramp at those speeds [%], 0 outside the window.
    allowed : array of bool
        Whether every limit is kept there.
    inside : array of bool
        Which speeds lie in the window.
    """

    rpm: np.ndarray
    duty_percent: np.ndarray
    fuel_kg_h: np.ndarray
    fuel_percent: np.ndarray
    fuel_ms: np.ndarray
    retard_deg: np.ndarray
    duty_at: np.ndarray
    allowed: np.ndarray
    inside: np.ndarray


def own_tables(tune: Tune, rpm, duty_percent=(100.0,)) -> OwnTables:
    """Read the tune on breakpoints.

    Parameters
    ----------
    tune : Tune
    rpm, duty_percent : array
        Rising; duties 0 to 100. Where the valve is not pulsed the shares of its stages stand in their place.

    Raises
    ------
    InputError
        For breakpoints that do not rise or lie out of range.
    """
    sheet, room = tune.sheet, tune.room
    rpm, duty = (
        _rising("tables.rpm", rpm, 500.0, 12000.0, "rpm"),
        _rising("tables.duty_percent", duty_percent, 0.0, 100.0, "%"),
    )
    pulsing = Pulsing.of(sheet) if tune.pulsed else None
    if pulsing is None:
        duty = 100 * np.unique(tune.ramp.share[tune.ramp.share > 0])
    share = pulsing.share(duty / 100) if pulsing else duty / 100
    inside = (rpm >= room.rpm[0] - 1e-9) & (rpm <= room.rpm[-1] + 1e-9)
    shape = len(rpm), len(duty)
    held = np.broadcast_to(np.clip(rpm, room.rpm[0], room.rpm[-1])[:, None], shape)
    parts = np.broadcast_to(share[None, :], shape)
    peak = strongest(sheet, tune.ramp, held, parts)

    def read(name: str) -> np.ndarray:
        return np.where(parts > 0, room.at(name, held, parts), 0.0)

    ramp_share = np.where(inside, worst_over_rpm(sheet, tune.ramp, held[:, 0]), 0.0)
    return OwnTables(
        rpm,
        duty,
        read(added_fuel_key(sheet, "kg_h")),
        read("fuel_added_percent"),
        read("fuel_added_ms"),
        room.first_hit(held, peak),
        100 * (pulsing.duty(ramp_share) if pulsing else ramp_share),
        ~inside[:, None] | (peak <= room.most_at(held) + 1e-6),
        inside,
    )


def _rising(field: str, values, low: float, high: float, unit: str) -> np.ndarray:
    try:
        row = np.atleast_1d(np.asarray(values, float))
    except (TypeError, ValueError) as exc:
        raise InputError(field, str(values)[:40], unit, "a row of numbers", "They cannot be read as numbers.") from exc
    if row.ndim != 1:
        raise InputError(
            field, f"{row.ndim} dimensions", "", "a row of numbers", "A table has one row of breakpoints a side."
        )
    if not len(row) or len(row) > 40:
        raise InputError(field, len(row), "values", "1 to 40 values", "A table of a controller is no longer.")
    for value in row:
        if not low <= value <= high:
            raise InputError(
                field,
                float(value),
                unit,
                f"{low:g} to {high:g} {unit}",
                "A table runs over what the engine and the valve can do.",
            )
    for before, after in itertools.pairwise(row):
        if after <= before:
            raise InputError(
                field,
                float(after),
                unit,
                f"more than {before:g}, which stands before it",
                "A table is read between its breakpoints.",
            )
    return row
