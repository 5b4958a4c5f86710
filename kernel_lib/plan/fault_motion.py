"""Faults of engine speed and throttle: too low, too high, shifted, let go. See `fault_list`."""

from __future__ import annotations

import itertools

import numpy as np

from ..band import IDLE_PRESSURE
from ..engine.charge import fresh_charge
from ..errors import InputError
from ..text import rounded
from ..thermo import species as sp
from .fault_rows import Scenario, Sprayed
from .ramp import gear_rises
from .stopping import wash_out

GEAR_STEP = 0.75
"""Speed kept in a shift of unknown ratios; a choice of our own, no source."""


def low_speed(s: Sprayed) -> Scenario:
    name, rpm = "hit at too low rpm", float(s.setup.rpm_table[0])
    if rpm >= s.dosed.rpm[0]:
        why = f"The full-throttle table begins at {rpm:.0f} rpm, no lower than the nitrous: below, nothing is computed."
        return Scenario(name, why, why=why, guard="rpm window")

    tell = f"The dose and timing of {s.dosed.rpm[0]:.0f} rpm come at {rpm:.0f} rpm: {rounded(s.dosed.rpm[0] / rpm)} times the nitrous in each cycle."

    try:
        rows = s.rows(at=[0], rpm=[rpm])
    except InputError as exc:
        return Scenario(name, tell, why=exc.reason, guard="rpm window")
    return Scenario(name, tell, rows, guard="rpm window")


def gear_step(s: Sprayed) -> float:
    """Speed after a shift over the speed before, the widest of the gears with nitrous."""
    drive = s.sheet.driveline
    ratios = (drive.gear_ratios or ())[drive.gear_min - 1 :]
    return min((b / a for a, b in itertools.pairwise(ratios)), default=GEAR_STEP)


def shift(s: Sprayed) -> Scenario:
    step = gear_step(s)
    at = np.flatnonzero(s.dosed.rpm * step >= s.setup.rpm_table[0])
    basis = "the widest gear step" if s.sheet.driveline.gear_ratios else "gear ratios not known: a quarter, by choice"
    if not len(at):
        why = f"From every speed of this dose a shift ends below {s.setup.rpm_table[0]:.0f} rpm, where the full-throttle table begins."
        return Scenario("shift without torque cut", why, why=why, guard="nothing")
    rows = s.rows(at=at, rpm=s.dosed.rpm[at] * step)
    return Scenario(
        "shift without torque cut",
        lambda k: (
            f"In a shift at {s.dosed.rpm[at[k]]:.0f} rpm the engine falls to {step * s.dosed.rpm[at[k]]:.0f} rpm ({basis}) with the dose, fuel and timing "
            f"of before: {rounded(1 / step)} times the nitrous in each cycle."
        ),
        rows,
        guard="nothing",
    )


def _in_gear(s: Sprayed) -> str:
    """Which guard has the nitrous gone before the limiter in the fastest gear."""
    rise = max(gear_rises(s.sheet).values())
    return "rpm window" if rise * _gone(s) <= s.sheet.engine.limit_rpm - s.dosed.rpm[-1] else "nothing"


def limiter(s: Sprayed) -> Scenario:
    cuts, name = s.sheet.controller.limiter_cuts, "limiter hit while spraying"
    rpm, fuel = s.dosed.rpm[-1], float((s.own_rate + s.added_rate)[-1])
    spark = f"A spark cut sends {s.units.fuel(fuel)} of fuel with all its oxygen unburned into the exhaust, where it may go off."
    left = (
        f"A fuel cut leaves the jet's {s.units.fuel(s.added_rate[-1])} with all the oxygen and a spark."
        if s.wet
        else "A fuel cut leaves all the oxygen, a spark, and what fuel stands on the port walls: a lean burn, then none."
    )
    both = "A cut of both sends air and nitrous through; the first cycles afterwards are lean until the port walls are wet again."
    said = {"spark": spark, "fuel": left, "both": both, "unknown": f"Nobody has said what it cuts. {left} {spark}"}[
        cuts
    ]
    tell, guard = f"At {rpm:.0f} rpm and above: {said}", _in_gear(s)
    if cuts in ("fuel", "unknown") and s.wet:
        return Scenario(name, tell, s.rows(at=[-1], own=0.0), by="lean", guard=guard)
    return Scenario(name, tell, why="a cut cylinder is not computed", guard=guard)


def _gone(s: Sprayed, throttle: str = "open") -> float:
    """Time until 95 % of the nitrous is gone, at the last dosed speed [s]."""
    return wash_out(s.sheet, float(s.dosed.rpm[-1]), throttle, float(s.dosed.share[-1]))["all"].best


def _in_time(s: Sprayed) -> str:
    """Which guard has the nitrous gone before a free engine is at its limiter."""
    left = s.sheet.engine.limit_rpm - s.dosed.rpm[-1]
    return "rpm window" if s.sheet.driveline.free_rise_rpm_s * _gone(s) <= left else "nothing"


def wheel_spin(s: Sprayed) -> Scenario:
    rise, last, limit = s.sheet.driveline.free_rise_rpm_s, s.dosed.rpm[-1], s.sheet.engine.limit_rpm

    gone = _gone(s)
    tell = (
        f"At {rise:.0f} rpm/s the engine runs through the window in {rounded((last - s.dosed.rpm[0]) / rise)} s; from its end at {last:.0f} rpm it gains "
        f"{round(rise * gone, -2):.0f} rpm until the nitrous is gone, where the limiter stands at {limit:.0f}. The cycle is that at the window's end."
    )

    return Scenario("wheel spin", tell, s.rows(at=[-1]), guard=_in_time(s))


def missed_shift(s: Sprayed) -> Scenario:
    rise, last, limit = s.sheet.driveline.free_rise_rpm_s, s.dosed.rpm[-1], s.sheet.engine.limit_rpm

    until, gone = max(limit - last, 0.0) / rise, _gone(s)
    end = "before the nitrous is gone: the limiter cuts on nitrous" if until < gone else "when the nitrous is gone"
    tell = (
        f"Without load the engine is at its limiter {1e3 * until:.0f} ms after the window's end, {end} (that takes {1e3 * gone:.0f} ms). "
        f"Only a window that ends at {50 * np.floor((limit - rise * gone) / 50):.0f} rpm would be closed in time."
    )

    return Scenario("missed shift", tell, s.rows(at=[-1]), guard=_in_time(s))


def lift(s: Sprayed) -> Scenario:
    k = len(s.dosed.rpm) // 2
    rpm, engine = float(s.dosed.rpm[k]), s.sheet.engine
    air = min(IDLE_PRESSURE.best / s.setup.P_manifold * engine.idle_rpm / rpm, 1.0)
    own = fresh_charge(s.setup, np.array([rpm]), 0.0)
    nitrous = float(s.setup.dose(s.dosed.flow[k], rpm)) / sp.molar_mass("N2O")
    fraction = nitrous / (nitrous + air * float(own.dry_air[0]))
    atoms = nitrous + air * float(own.oxygen_atoms[0])
    fuel = float(air * float(np.squeeze(s.own(own, rpm))) + s.added_rate[k] / s.setup.cycles_per_second(rpm))
    value = atoms * s.setup.fuel.molar_mass / (fuel * s.setup.fuel.oxygen_demand)
    open_s, shut_s = (wash_out(s.sheet, rpm, how, float(s.dosed.share[k]))["all"].best for how in ("open", "shut"))
    text = (
        f"At {rpm:.0f} rpm the throttle shuts: little air comes, and the manifold keeps its nitrous for {rounded(shut_s)} s instead of {rounded(open_s)} s. A "
        f"valve that stays open then makes {100 * fraction:.0f} % nitrous of it, with the added fuel lambda {value:.2f}."
    )
    return Scenario("lift in the middle", text, why="part throttle is not computed", guard="throttle", lambda_=value)
