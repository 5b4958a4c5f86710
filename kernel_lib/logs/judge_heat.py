"""What a pull is not judged by otherwise: coolant, intake air, battery, and the lambda that the controller aims at."""

from __future__ import annotations

import numpy as np

from ..plan.guards import BASE_ROOM, WARM_C
from ..plan.ladder import GATE_LAMBDA
from .finding import REPEAT, Finding
from .judge_case import Case, span, watch

COOLANT_HOT_C, INTAKE_HOT_C = 110.0, 65.0
"""Coolant and intake air above which no pull is judged for the next step [°C]: hotter walls and air bring knock nearer; choices of our own, no source."""
BATTERY_LOW_V = 12.0
"""Battery at full throttle below which pump, injectors and valves do less than they were set up for [V]; a choice of our own, no source."""
LASTS_S = 0.3
"""For how long at full throttle a limit has to be passed [s]; a choice of our own, no source."""


def judge_heat(case: Case) -> list[Finding]:
    """Say where engine, air or battery were not as a pull needs them.

    Parameters
    ----------
    case : Case
        Cold coolant is told of a log without nitrous; with nitrous a guard looks at it.
    """
    words = case.words
    out = [
        _past(case, "coolant_c", COOLANT_HOT_C, 1, "Coolant", words.celsius, "The engine knocks sooner than one at its usual temperature. Find out why it is so hot, let it cool, and pull again."),
        _past(case, "intake_c", INTAKE_HOT_C, 1, "Intake air", words.celsius, "Hot air brings knock nearer and changes the fuel that is needed. Let it cool, or find out where the sensor takes its air from, and pull again."),
        _past(case, "battery_v", BATTERY_LOW_V, -1, "Battery", _volts, "Fuel pump, injectors and nitrous valve do less at low voltage than they were set up for. Charge it, check the alternator, and pull again."),
    ]  # fmt: skip
    if case.kind == "base":
        out.append(_past(case, "coolant_c", WARM_C, -1, "Coolant", words.celsius, "A cold engine gets more fuel than a warm one, and this pull says nothing about that. Warm it up and pull again."))  # fmt: skip
    return [f for f in out if f is not None] + _aim(case)


def _volts(value: float) -> str:
    return f"{value:.1f} V"


def _past(case: Case, key: str, limit: float, side: int, name: str, written, why: str) -> Finding | None:
    """Find a channel past its limit at full throttle."""
    values = case.log.get(key)
    with np.errstate(invalid="ignore"):
        past = case.steady & (side * values > side * limit)
    if past.sum() * case.log.step_s < LASTS_S:
        return None
    index = np.flatnonzero(past)
    furthest = float(side * np.quantile(side * values[past], 0.9))
    at = case.seconds(index[0]), case.seconds(index[-1])
    title = f"{name} at {written(furthest)} at full throttle"
    told = f"{title}, {span(at)}; {written(limit)} or {'less' if side > 0 else 'more'} is allowed (a choice of our own). {why}"
    return watch("engine", REPEAT, 54.0, title, told, {key: furthest, "limit": limit, "seconds": float(past.sum() * case.log.step_s)}, at)  # fmt: skip


def _aim(case: Case) -> list[Finding]:
    """Hold the lambda that the controller aims at against the one that is meant."""
    log, engine = case.log, case.sheet.engine
    if not log.has("lambda_target"):
        return []
    on, spray = (np.zeros(len(log.time_s), bool) for _ in range(2))
    for hit in case.hits:
        on[hit.flow] = True
        spray[hit.spray] = True
    wet = case.sheet.nitrous.system == "wet"  # the controller keeps its own target, the jet adds
    with_ = max(engine.lambda_with_nitrous, engine.lambda_without_nitrous) if wet else engine.lambda_with_nitrous
    aim, out = log.get("lambda_target"), []
    for where, use, meant, room in (
        ("on nitrous", spray & case.steady, with_, GATE_LAMBDA),
        ("without nitrous", case.steady & ~on, engine.lambda_without_nitrous, BASE_ROOM),
    ):
        with np.errstate(invalid="ignore"):
            lean = use & (aim > meant + room)
        if lean.sum() * log.step_s < LASTS_S:
            continue
        index, value = np.flatnonzero(lean), float(np.median(aim[lean]))
        at = case.seconds(index[0]), case.seconds(index[-1])
        title = f"The controller aims at lambda {value:.2f} {where}; {meant:.2f} is meant"
        told = (
            f"{title}, {span(at)}. Where it corrects by its own reading it takes fuel out until it is there. Put the lambda that is meant into its table of targets, or switch the correction off at full "
            "throttle, and pull again."
        )
        out.append(watch("trims", REPEAT, 53.0, title, told, {"aims_lambda": value, "meant_lambda": meant}, at))
    return out
