"""What the planner page computes: how the nitrous comes in, and the tune that goes with it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from kernel_lib import BuildSheet, InputError
from kernel_lib.engine.setup import spray_speeds
from kernel_lib.plan.dose import Dosed
from kernel_lib.plan.own_tables import OwnTables, own_tables
from kernel_lib.plan.ramp import FULL_HIT, OVER_RPM, OVER_TIME, STAGES, Ramp, drawn, propose, propose_stages, typed
from kernel_lib.plan.room import DoseMap, dose_map
from kernel_lib.plan.tune import Tune, ramp_of, tune_of
from kernel_lib.sheets.write import DUTIES

PROPOSED, DRAWN, POINTS, TIMED, STAGED, FULL = (
    "proposed",
    "drawn",
    "points",
    "over time",
    "stages",
    "full hit",
)
WAYS = (PROPOSED, DRAWN, POINTS, TIMED, STAGED, FULL)
PULSED_WAYS = (PROPOSED, DRAWN, POINTS, TIMED)
KW, TORQUE = "power", "torque"
CUTS = ("limiter_cuts", "shift_cuts", "traction_cuts")


@dataclass(frozen=True)
class Inputs:
    """The controls.

    Attributes
    ----------
    way : str
        One of `WAYS`.
    margin, steepest, first, last, first_stage : float
        Shares, 0 to 1; `steepest` per 1000 rpm.
    bend : float
    at, share : tuple
        Typed points: [rpm] or [s], and [%].
    pulse_hz, lead_ms, rpm : float
        The speed is that at which the valve is looked at.
    tables_rpm, tables_duty : tuple
        The tuner's own breakpoints [rpm], [%].
    cuts : tuple
        What rev limiter, shift and traction control cut.
    curve : str
        `KW` or `TORQUE`.
    """

    way: str
    margin: float
    steepest: float
    first: float
    last: float
    first_stage: float
    bend: float
    at: tuple[float, ...]
    share: tuple[float, ...]
    pulse_hz: float
    lead_ms: float
    rpm: float
    tables_rpm: tuple[float, ...]
    tables_duty: tuple[float, ...]
    cuts: tuple[str, str, str]
    curve: str = KW

    @classmethod
    def of(cls, sheet: BuildSheet) -> Inputs:
        """Start at what the sheet states, or at a proposal where it states nothing."""
        ramp, window = sheet.ramp, spray_speeds(sheet)
        room = dose_map(sheet)
        base = ramp_of(sheet, room)
        points = base if base.kind in (OVER_RPM, OVER_TIME) else Ramp(OVER_RPM, window, np.ones(len(window)), "")
        way = {
            FULL_HIT: FULL,
            OVER_RPM: POINTS,
            OVER_TIME: TIMED,
            STAGES: STAGED,
            None: PROPOSED if sheet.nitrous.progressive else FULL,
        }[ramp.kind]
        at = tuple(round(float(v), 3) for v in points.at)
        share = tuple(float(np.floor(1000 * v) / 10) for v in points.share)
        stage = base.share[0] if base.kind == STAGES and len(base.share) > 1 else 0.5
        return cls(
            way=way,
            margin=ramp.margin_percent / 100,
            steepest=ramp.steepest_percent / 100,
            first=share[0] / 100,
            last=share[-1] / 100,
            first_stage=float(np.clip(stage, 0.1, 0.9)),
            bend=1.0,
            at=at,
            share=share,
            pulse_hz=sheet.nitrous.pulse_hz,
            lead_ms=sheet.nitrous.fuel_lead_ms,
            rpm=float(window[len(window) // 2]),
            tables_rpm=tuple(map(float, sheet.tables.rpm or window)),
            tables_duty=tuple(map(float, sheet.tables.duty_percent or DUTIES)),
            cuts=tuple(getattr(sheet.controller, name) for name in CUTS),
        )


@dataclass(frozen=True, eq=False)
class Result:
    """What the pictures and sentences are made of.

    Attributes
    ----------
    inputs : Inputs
    sheet : BuildSheet
        The session's, with this page's pulse frequency and fuel lead on it.
    room : DoseMap
    tune : Tune
    """

    inputs: Inputs
    sheet: BuildSheet
    room: DoseMap
    tune: Tune

    @property
    def dosed(self) -> Dosed:
        """The dose and its timing."""
        return self.tune.dosed

    @cached_property
    def tables(self) -> OwnTables:
        """The tune on the tuner's own breakpoints."""
        return own_tables(self.tune, self.inputs.tables_rpm, self.inputs.tables_duty)

    @property
    def changes(self) -> dict:
        """What was chosen here, as changes of the session's build sheet: what its links then carry."""
        i, ramp = self.inputs, self.tune.ramp
        out: dict = dict.fromkeys(("ramp.rpm", "ramp.time_s", "ramp.share_percent"))
        if ramp.kind == FULL_HIT or len(ramp.at):
            out["ramp.kind"] = ramp.kind
        if ramp.kind != FULL_HIT and len(ramp.at):
            out["ramp.time_s" if ramp.kind == OVER_TIME else "ramp.rpm"] = [float(v) for v in ramp.at]
            out["ramp.share_percent"] = [float(np.floor(1e4 * v + 1e-6) / 100) for v in ramp.share]
        return out | {
            "nitrous.progressive": self.sheet.nitrous.progressive,
            "nitrous.pulse_hz": i.pulse_hz,
            "nitrous.fuel_lead_ms": i.lead_ms,
            **{f"controller.{name}": kind for name, kind in zip(CUTS, i.cuts, strict=True)},
            "ramp.margin_percent": 100 * i.margin,
            "ramp.steepest_percent": 100 * i.steepest,
            "tables.rpm": list(i.tables_rpm),
            "tables.duty_percent": list(i.tables_duty),
        }


def compute(sheet: BuildSheet, inputs: Inputs) -> Result:
    """Compute for one position of the controls.

    Raises
    ------
    InputError
        Naming the control that does not fit; nothing is computed then.
    """
    room = dose_map(sheet)
    with_valve = _with_valve(sheet, inputs.pulse_hz, inputs.lead_ms, inputs.way in PULSED_WAYS, inputs.cuts)
    result = Result(
        inputs, with_valve, room, _tune(with_valve, replace(inputs, rpm=0.0, tables_rpm=(), tables_duty=(), curve=""))
    )
    result.tables  # noqa: B018  (refuses breakpoints that do not rise)
    return result


@lru_cache(maxsize=64)
def _with_valve(
    sheet: BuildSheet, pulse_hz: float, lead_ms: float, pulsed: bool, cuts: tuple[str, str, str]
) -> BuildSheet:
    """The sheet with this page's valve and answers; a valve that is looked at with pulses is taken to be pulsed."""
    nitrous = sheet.nitrous
    changes = {
        f"controller.{name}": kind
        for name, kind in zip(CUTS, cuts, strict=True)
        if kind != getattr(sheet.controller, name)
    }
    if pulse_hz != nitrous.pulse_hz:
        changes["nitrous.pulse_hz"] = pulse_hz
    if lead_ms != nitrous.fuel_lead_ms:
        changes["nitrous.fuel_lead_ms"] = lead_ms
    if pulsed and not nitrous.progressive:
        changes["nitrous.progressive"] = True
    return sheet.replace(changes) if changes else sheet


@lru_cache(maxsize=4)
def _tune(sheet: BuildSheet, i: Inputs) -> Tune:
    """Kept while only what is looked at moves: speed, curve, breakpoints."""
    return tune_of(sheet, _ramp(sheet, dose_map(sheet), i))


def _ramp(sheet: BuildSheet, room: DoseMap, i: Inputs) -> Ramp:
    if i.way == PROPOSED:
        return propose(sheet, room, margin=i.margin, steepest=i.steepest)
    if i.way == DRAWN:
        return drawn(sheet, i.first, i.last, i.bend)
    if i.way == STAGED:
        return propose_stages(sheet, room, i.first_stage, margin=i.margin)
    if i.way == FULL:
        return Ramp(FULL_HIT, room.rpm[:1], np.ones(1), "drawn")
    if i.way in (POINTS, TIMED):
        return typed(OVER_TIME if i.way == TIMED else OVER_RPM, i.at, i.share)
    raise InputError("nitrous comes in", i.way, "", "one of " + ", ".join(WAYS), "The page offers no other.")
