"""What the timing page computes: retard over rpm for a shot, and one cylinder at one speed and timing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from kernel_lib import BuildSheet, InputError
from kernel_lib.band import FLAME_RATIO, WALL_HEAT_SHARE
from kernel_lib.engine.firing import Firing
from kernel_lib.engine.setup import spray_speeds
from kernel_lib.plan.closeup import Change, Plug, View, knock_changes, look, plug
from kernel_lib.plan.power import firing_of, wanted_flow
from kernel_lib.plan.timing import Timing, choices_for_shot, reachable_hp, timing_plan

RETARD_SPAN, SHOT_SPAN = (-5.0, 30.0), (5.0, 250.0)
POWER, TORQUE = "power", "torque"
_STEP = 1000.0  # rpm; the plan itself goes by 500


@dataclass(frozen=True)
class Inputs:
    """The controls.

    Attributes
    ----------
    shot_hp, rpm, retard_deg : float
    wall, flame : float
        The two unknowns of the cylinder that is looked at.
    curve : str
        `POWER` or `TORQUE`.
    """

    shot_hp: float
    rpm: float
    retard_deg: float
    wall: float = WALL_HEAT_SHARE.best
    flame: float = FLAME_RATIO.best
    curve: str = POWER

    @classmethod
    def of(cls, sheet: BuildSheet) -> Inputs:
        """Start at this car's shot, its speed of peak power within the window, and the first hit's retard there, or the trade's rule."""
        rpm = spray_speeds(sheet)
        shot, at = sheet.nitrous.shot_hp, float(rpm[np.abs(rpm - sheet.engine.peak_power_rpm).argmin()])
        with _said_of_shot(shot):
            table = _timing(sheet, shot)[0].table
        near = table.iloc[(table["rpm"] - at).abs().argmin()]
        retard = near["first_hit_deg"] if near["reachable"] else near["rule_deg"]
        return cls(shot, at, half_up(min(float(retard), RETARD_SPAN[1])))


@contextmanager
def _said_of_shot(shot_hp: float) -> Iterator[None]:
    """Tell a flow that cannot be computed as the shot it belongs to."""
    try:
        yield
    except InputError as exc:
        if exc.field != "nitrous_flow":
            raise
        raise InputError("nitrous.shot_hp", shot_hp, "hp at the crank", "less, or a higher speed", exc.reason) from exc


def half_up(angle: float) -> float:
    """Round an angle up to the half degree that a controller takes: a first hit is never set short of its need."""
    return float(np.ceil(2 * angle - 1e-6) / 2)


@dataclass(frozen=True)
class Result:
    """What the pictures and sentences are made of. Each part is computed when it is first looked at."""

    inputs: Inputs
    sheet: BuildSheet
    timing: Timing
    flow: float
    view: View

    @cached_property
    def most_hp(self) -> np.ndarray:
        """Largest shot that is reachable, at the speeds of the table [hp]."""
        return _reachable(self.sheet)

    @cached_property
    def changes(self) -> list[Change]:
        """What octane, charge temperature and lambda do to knock here."""
        i = self.inputs
        return _changes(self.sheet, i.rpm, self.flow, i.retard_deg)

    @cached_property
    def plug(self) -> Plug:
        """What the plug is asked for here."""
        return plug(self.sheet, self.view)

    @property
    def firing(self) -> Firing:
        """The engine without nitrous."""
        return firing_of(self.sheet)


@lru_cache(maxsize=32)
def _timing(sheet: BuildSheet, shot_hp: float) -> tuple[Timing, float]:
    rpm = spray_speeds(sheet, _STEP)
    return timing_plan(sheet, rpm, choices_for_shot(sheet, shot_hp), shot_hp, most=False), wanted_flow(
        sheet, shot_hp=shot_hp
    )


@lru_cache(maxsize=8)
def _reachable(sheet: BuildSheet) -> np.ndarray:
    rpm = spray_speeds(sheet, _STEP)
    for most in (SHOT_SPAN[1], 200.0, 150.0, 100.0, 50.0):
        try:
            return reachable_hp(sheet, rpm, most)
        except InputError:
            continue
    return np.zeros(len(rpm))


@lru_cache(maxsize=32)
def _changes(sheet: BuildSheet, rpm: float, flow: float, retard: float) -> list[Change]:
    return knock_changes(sheet, rpm, flow, retard)


def compute(sheet: BuildSheet, inputs: Inputs) -> Result:
    """Compute for one position of the controls.

    Raises
    ------
    InputError
        Naming the control that does not fit; nothing is computed then.
    """
    if inputs.curve not in (POWER, TORQUE):
        raise InputError("curve", inputs.curve, "", f"{POWER} or {TORQUE}", "The page offers no other.")
    with _said_of_shot(inputs.shot_hp):
        timing, flow = _timing(sheet, inputs.shot_hp)
        view = look(sheet, inputs.rpm, flow, inputs.retard_deg, wall=inputs.wall, flame=inputs.flame)
    return Result(inputs, sheet, timing, flow, view)
