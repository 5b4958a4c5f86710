"""Which step this was, whether the plan lets the next one be, what guards did, and what the plugs say."""

from __future__ import annotations

import numpy as np

from ..plan.ramp import breach_sentences, breaches
from ..text import listed, lowered
from .cut import STEP_ROOM
from .finding import GO, GO_BACK, REPEAT, STOP, Finding
from .guards_seen import Missed
from .judge_case import CLEAN, NOT_READ, ODD, Case, holds, unjudged, watch
from .judge_supply import planned_low

ENDED_BADLY = ("lean stop", "rich stop", "fuel pressure")
"""Guards whose acting says that something is wrong, though nothing was missed."""
LESSER = {
    "bottle window": REPEAT,
    "coolant": REPEAT,
    "rich stop": GO_BACK,
    "gear": GO_BACK,
    "fuel pressure": GO_BACK,
    "speed above the window": GO_BACK,
}
"""What a guard that was missed asks for; every other one is a stop. Choices of our own, no source."""


def judge_step(case: Case) -> list[Finding]:
    """Say which step of the ladder the log shows."""
    step, steps = case.step, case.tune.ladder.steps
    if step is not None and steps and not np.isfinite(step.share):
        asks, more = (GO, "") if case.dose_known else (REPEAT, " State it (on the page; the command takes --part), and judge the log again.")  # fmt: skip
        return [unjudged("step", "Which step of the ladder this was is not in the log", step.note + more, asks, 27.0)]
    if step is None or not steps:
        why = "Valve duty and nitrous switch are not in the log, or nothing flows by the plan."
        return [unjudged("step", "Which step of the ladder this was cannot be told", why, REPEAT, 20.0)]
    percent = 100 * step.share
    numbers = {"share_of_plan": step.share, "index": step.index}
    if step.share > steps[-1].share + STEP_ROOM:
        told = f"The log shows {percent:.0f} % of the planned dose. More than the plan has no fuel, no timing and no limit that was looked at. {step.note}".strip()
        return [watch("step", STOP, 83.0, f"{percent:.0f} % of the planned dose, more than any step", told, numbers)]
    if step.index is None:
        below = [s.share for s in steps if s.share < step.share]
        near = f"between the steps of {listed([f'{100 * s.share:.0f} %' for s in steps])}"
        told = f"The log shows {percent:.0f} % of the planned dose, {near}: fuel and timing of a step go with its own dose. {step.note}".strip()
        numbers["step_below"] = below[-1] if below else None
        return [watch("step", "go", 27.0, f"{percent:.0f} % of the planned dose, none of the ladder's steps", told, numbers)]  # fmt: skip
    now = steps[step.index]
    told = f"This is step {step.index + 1} of {len(steps)}: {100 * now.share:.0f} % of the planned dose, about {now.hp:.0f} hp at the crank. {step.note}".strip()
    if now.obstacle:
        said = f"{told} The plan says of it: it {now.obstacle}."
        return [watch("step", GO_BACK, 68.0, f"This step {now.obstacle}", said, numbers)]
    return [holds("step", 18.0, f"Step {step.index + 1} of {len(steps)}: {100 * now.share:.0f} % of the planned dose", told, numbers)]  # fmt: skip


def judge_plan(case: Case) -> list[Finding]:
    """Say what the plan itself forbids."""
    blockers = case.tune.blockers
    if not blockers:
        return [
            holds("plan", 5.0, "The plan forbids nothing", "No limit of the build sheet is broken by the planned dose.")
        ]
    more = f" And {len(blockers) - 1} more; see the tune sheet." if len(blockers) > 1 else ""
    if _below_the_limits(case):
        step = case.tune.ladder.steps[case.step.index]
        told = f"{blockers[0]}{more} The step of this log, {100 * step.share:.0f} % of the planned dose, keeps those limits; no step above it may be sprayed before the plan is mended, however good this log is."
        return [watch("plan", REPEAT, 42.0, f"The plan forbids a larger step than this one: {lowered(blockers[0]).rstrip('.')}", told, {"blockers": len(blockers)})]  # fmt: skip
    told = f"{blockers[0]}{more} However good this log is, the plan has to be mended before the next step up."
    return [watch("plan", GO_BACK, 66.0, f"The plan itself forbids the next step: {lowered(blockers[0]).rstrip('.')}", told, {"blockers": len(blockers)})]  # fmt: skip


def _below_the_limits(case: Case) -> bool:
    """Whether all that the plan forbids is a dose beyond what is allowed, and the step of this log is below that."""
    tune, step = case.tune, case.step
    if step is None or step.index is None or tune.ladder.steps[step.index].obstacle:
        return False
    if step.index == len(tune.ladder.steps) - 1:
        return False
    return set(tune.blockers) <= set(breach_sentences(breaches(tune.sheet, tune.room, tune.ramp)))


def _shown(case: Case, value: float, unit: str) -> str:
    """A guard's value in the reader's unit."""
    words = case.words
    if unit == "kPa":
        return f"{words.kpa(value, 10)} gauge"
    if unit == "°C":
        return words.celsius(value)
    if unit == "lambda":
        return words.reading(value)
    return f"{value:.0f} {unit}".strip()


def _reached(case: Case, miss: Missed) -> str:
    """How far it went; of a gauge that gave no number that it was beyond its lean end."""
    if miss.guard == "lean stop" and case.log.ends_between(miss.begin_s, miss.end_s):
        return "beyond the lean end of the gauge"
    return _shown(case, miss.value, miss.unit)


def _title(case: Case, miss: Missed) -> str:
    name = f"{miss.guard[0].upper()}{miss.guard[1:]}"
    if miss.guard == "bottle window":
        return f"{name} did not hold the nitrous back: {_shown(case, miss.value, miss.unit)}"
    return f"{name} did not end the nitrous: {_reached(case, miss)} for {miss.seconds:.2f} s"


def _follows(case: Case, miss: Missed) -> bool:
    """Whether it only follows from another: with the throttle shut, a rail that follows the manifold falls with it."""
    if miss.guard != "fuel pressure" or case.sheet.fuel_system.rail_reference != "manifold":
        return False
    return any(m.guard == "throttle" and m.begin_s - 0.2 <= miss.end_s and miss.begin_s <= m.end_s + 0.2 for m in case.missed)  # fmt: skip


def _asked(case: Case, miss: Missed) -> tuple[str, str]:
    """What a missed guard asks for, and why it is less than usual."""
    doubted = any(s.begin_s - 0.5 <= miss.end_s and miss.begin_s <= s.end_s + 0.5 for s in case.suspects)
    if doubted and miss.guard in ("lean stop", "rich stop"):
        return GO_BACK, " A misfire is suspected there, and what it reads is no mixture."
    return LESSER.get(miss.guard, STOP), ""


def judge_guards(case: Case) -> list[Finding]:
    """Say which guard should have ended the nitrous, or never let it begin."""
    out = []
    for miss in case.missed:
        if _follows(case, miss):
            continue
        if miss.guard == "bottle window" and planned_low(
            case, miss.value
        ):  # told with the bottle: the sheet plans it there
            continue
        asks, why = _asked(case, miss)
        at = (float(miss.begin_s), float(miss.end_s))
        weight = {STOP: 87.0, GO_BACK: 64.0, REPEAT: 50.0, GO: 23.0}[asks]
        numbers = {
            "guard": miss.guard,
            "seconds": miss.seconds,
            "allowed_s": miss.allowed_s,
            "value": miss.value,
            "limit": miss.limit,
            "unit": miss.unit,
        }
        reached = f" Furthest: {_reached(case, miss)}, limit {_shown(case, miss.limit, miss.unit)}."
        told = f"{miss.sentence}{reached} The valve stayed commanded all the same: the guard is not set, set too wide, or not wired.{why}"
        out.append(watch("guard", asks, weight, _title(case, miss), told, numbers, at))
    ended = [name for name in dict.fromkeys(case.fired) if name in ENDED_BADLY]
    if ended and not any(f.asks != GO for f in out):
        names = listed([f"the {name}" for name in ended])
        told = f"The nitrous was ended by {names}: it did what it is there for, and what it saw has to be found and mended before the next pull."
        out.append(watch("guard", GO_BACK, 69.0, f"The nitrous was ended by {names}", told, {"guard": ended[0]}))
    fired = f" Ended by a guard: {listed(list(dict.fromkeys(case.fired)))}." if case.fired else ""
    names = list(dict.fromkeys(case.unchecked))
    if names:
        told = f"Not in the log, and so not checked: {listed(names)}.{fired}"
        out.append(unjudged("guard", f"{len(names)} guard{'s' if len(names) > 1 else ''} could not be checked", told))
    if out:
        return out
    alone = (
        f" The lean and the rich stop are looked at by {next(iter(case.log.sensors))} alone, as a controller does."
        if len(case.log.sensors) > 1
        else ""
    )
    return [holds("guard", 24.0, "No guard was missed while the valve was commanded", f"While the valve was commanded nothing in this log should have ended the nitrous and did not.{alone}{fired}")]  # fmt: skip


def judge_plugs(case: Case) -> list[Finding]:
    """Say what the plugs show, cylinder by cylinder."""
    n, plugs = case.sheet.engine.cylinders, case.plugs
    read = {k: word for k, word in plugs.items() if word != NOT_READ}
    numbers = {"cylinders": n, "read": len(read), "plugs": {str(k): v for k, v in sorted(plugs.items())}}
    hard = {k: word for k, word in read.items() if word in ("melted", "specks")}
    if hard:
        names = listed([f"{k} ({word})" for k, word in sorted(hard.items())])
        told = f"Cylinder {names}: specks on the porcelain are aluminium of the piston, a melted strap is heat beyond what the plug carries (common practice, no source). Bottle shut; find the cause in that cylinder first."
        return [watch("plugs", STOP, 97.0, f"Plug of cylinder {names}", told, numbers)]
    unlike = {k: word for k, word in read.items() if word in ("lean", "rich", ODD)}
    words = set(read.values())
    if len(read) == n and len(words) == 1 and words <= {"lean", "rich"}:
        word = words.pop()
        told = f"All {n} plugs look {word}: that is the mixture of every cylinder and no cylinder that differs. If the lambda reading does not say the same, one of the two is wrong (common practice, no source)."
        return [
            watch("plugs", GO_BACK if word == "lean" else REPEAT, 79.0, f"All {n} plugs look {word}", told, numbers)
        ]
    if unlike:
        names = listed([f"{k} ({word})" for k, word in sorted(unlike.items())])
        told = f"Cylinder {names}: a plug that differs is a cylinder that differs, and the lambda sensor shows only the mean. Mend distribution, injector or nozzle there before any more nitrous."
        return [watch("plugs", GO_BACK, 79.0, f"Plug of cylinder {names} unlike the others", told, numbers)]
    if len(read) < n:
        told = f"{len(read)} of {n} plugs read. One sensor averages the cylinders: a lean one among rich ones shows on its plug only. Shut off at full throttle at the end of the pull, then read them all (common practice, no source)."
        return [unjudged("plugs", f"{'No plug' if not read else f'{len(read)} of {n} plugs'} read", told, "go", 28.0)]
    if all(word == CLEAN for word in read.values()):
        return [holds("plugs", 34.0, f"All {n} plugs clean and alike", "No specks, nothing melted, none unlike the others.", numbers)]  # fmt: skip
    return []


def plugs_gate(case: Case) -> str:
    """The gate that plugs put before the next step; "" where all are read."""
    n = case.sheet.engine.cylinders
    if sum(word != NOT_READ for word in case.plugs.values()) >= n:
        return ""
    return f"Read all {n} plugs first: one sensor averages the cylinders, and a lean one among rich ones shows on its plug only."
