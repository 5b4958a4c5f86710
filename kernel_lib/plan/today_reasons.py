"""Why today is a go, a change or a hold: the bottle, the plan of today, and what nobody measured."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ..build_sheet import BuildSheet
from ..doubts import overfilled
from ..errors import InputError
from ..units import c_from_k
from . import fuel as pf
from .bottle_day import day, full_temperature, hold_temperature, least_fill
from .plan import Plan
from .supply import is_weighed
from .today_rows import NOISE, Change, lambda_unchanged, pressure_of

GO, CHANGE, HOLD, NOTE = "go", "change", "hold", "note"


@dataclass(frozen=True)
class Reason:
    """Why: weight "hold", "change" or "note"; what kind; its numbers in build-sheet units; a sentence where the kernel has one."""

    weight: str
    kind: str
    numbers: Mapping[str, Any] = field(default_factory=dict)
    text: str = ""


def target(base: BuildSheet, today: BuildSheet) -> dict[str, Any]:
    """Where to bring today's bottle: to the plan's own temperature if its gauge then lies in the window, else where `hold_temperature` says.

    None for a bottle that must not be warmed, or that no temperature brings there.
    """
    nitrous, nowhere = today.nitrous, {"target_c": None, "target_kpa": None, "target_is": "unknown"}
    if overfilled(today):
        return nowhere

    def there(T_c: float, which: str) -> dict[str, Any]:
        pressure = pressure_of(today, T_c)
        return {"target_c": T_c, "target_kpa": pressure.best, "target_is": which} if pressure else nowhere

    plan = there(base.nitrous.bottle_temperature_c, "plan")
    if plan["target_kpa"] is not None and nitrous.window_low_kpa <= plan["target_kpa"] <= nitrous.window_high_kpa:
        return plan
    try:
        return there(c_from_k(hold_temperature(today)), "window")
    except InputError:
        return nowhere


def not_measured(sheet: BuildSheet, base: BuildSheet, plan: Plan) -> list[Reason]:
    """Say what the plan itself leaves open: a nozzle nobody weighed, a fuel jet that is leaner than the target."""
    out = []
    if not is_weighed(sheet):
        kind = "no nozzle" if sheet.nitrous.nozzle_diameter_mm is None else "not weighed"
        out.append(Reason(CHANGE, kind, {"factor": plan.flow.high / plan.flow.low}))
    rpm = plan.table["rpm"].to_numpy()
    was = lambda_unchanged(base, base, rpm, plan.flow.best, plan.flow.best)
    target, k = base.engine.lambda_with_nitrous, int(was.argmax())
    if was[k] > target + NOISE["lambda"].size:
        numbers = {
            "lambda": float(was[k]),
            "rpm": float(rpm[k]),
            "target": target,
            "bore_mm": base.nitrous.fuel_jet_diameter_mm,
        }
        out.append(Reason(CHANGE, "jet leaner", numbers))
    return out


def forbids(base: BuildSheet, today: BuildSheet, plan: Plan, actual: Plan) -> list[Reason]:
    """List what the plan of today calls a blocker, and a mixture too lean if nothing is changed."""

    def bare(sentence: str) -> str:
        return re.sub(r"[0-9.]+", "#", sentence)

    before = {bare(sentence) for sentence in plan.blockers}
    out = [Reason(HOLD, "blocker", {"new": bare(text) not in before}, text) for text in actual.blockers]
    rpm = plan.table["rpm"].to_numpy()
    lambdas = lambda_unchanged(base, today, rpm, plan.flow.best, actual.flow.best)
    k = int(lambdas.argmax())
    target = base.engine.lambda_with_nitrous
    if lambdas[k] >= pf.TOO_LEAN_LAMBDA and lambdas[k] > target + NOISE["lambda"].size:
        numbers = {"lambda": float(lambdas[k]), "rpm": float(rpm[k]), "mark": pf.TOO_LEAN_LAMBDA, "target": target}
        out.append(Reason(HOLD, "too lean", numbers))
    return out


def bottle(base: BuildSheet, today: BuildSheet, changes: Sequence[Change], actual: Plan) -> list[Reason]:
    """Say where the bottle stands by its window, and whether a pass is in it."""
    sheet, rows, out = today, {change.key: change for change in changes}, []
    row, passes = rows.get("pressure"), rows["passes"]
    nitrous, fill = sheet.nitrous, sheet.value("nitrous.bottle_fill_kg")
    if passes.now.best < 1:
        least = least_fill(sheet, actual.flow.best * nitrous.pass_s)
        out.append(Reason(HOLD, "too little", {"fill_kg": fill, "least_kg": least, "pass_s": nitrous.pass_s}))
    if row is None or out:
        return out  # nothing to warm or cool
    numbers = {
        "pressure_kpa": row.now,
        "low_kpa": nitrous.window_low_kpa,
        "high_kpa": nitrous.window_high_kpa,
        **target(base, sheet),
    }
    if row.now.best > nitrous.window_high_kpa:
        out.append(Reason(HOLD, "above window", numbers | _steepness(sheet)))
    elif row.now.best < nitrous.window_low_kpa:
        as_planned = not row.beyond and row.plan.best < nitrous.window_low_kpa
        out.append(
            Reason(NOTE if as_planned else CHANGE, "below window as planned" if as_planned else "below window", numbers)
        )
    else:
        end = day(sheet, 1, pass_s=nitrous.pass_s, wait_s=0.0).table["end_P_kPa"].iloc[0]
        if end < nitrous.window_low_kpa:
            out.append(Reason(CHANGE, "ends below", {**numbers, "end_kpa": float(end), "pass_s": nitrous.pass_s}))
    if passes.change.best < 0:
        out.append(Reason(NOTE, "passes", {"now": passes.now, "plan": passes.plan, "pass_s": nitrous.pass_s}))
    return out


def _steepness(sheet: BuildSheet) -> dict[str, float | None]:
    """How much a kelvin adds to a liquid-full bottle [kPa]; None where there is vapour left."""
    full, T_c = full_temperature(sheet), sheet.nitrous.bottle_temperature_c
    if full is None or c_from_k(full) > T_c:
        return {"per_kelvin_kpa": None}
    ends = pressure_of(sheet, T_c), pressure_of(sheet, T_c + 0.5)
    return {"per_kelvin_kpa": None if None in ends else 2 * (ends[1].best - ends[0].best)}
