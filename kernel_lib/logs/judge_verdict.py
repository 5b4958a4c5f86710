"""All findings of a log, worst first; the verdict, its headline, its gates and the step it leaves open."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..plan.ladder import Step
from ..text import listed, lowered
from . import judge_cells as jc
from .after_close import judge_after
from .events import GAP, LIFT, MISSED_SHIFT, SHIFT, WHEEL_SPIN
from .finding import GO, GO_BACK, REPEAT, STOP, Finding
from .in_a_row import in_a_row
from .judge_base import judge_base
from .judge_case import Case, by_weight, unjudged
from .judge_fuel import judge_fuel, judge_scale, scale_gate
from .judge_gaps import judge_gaps, judge_knock_left, judge_second, judge_shut_throttle, judge_throttle_ends
from .judge_heat import judge_heat
from .judge_lambda import ENOUGH_S, judge_lambda, judge_samples, judge_span
from .judge_lean import index_of, judge_lean, judge_misfire
from .judge_sensors import judge_sensors
from .judge_spark import judge_knock, judge_retard
from .judge_step import judge_guards, judge_plan, judge_plugs, judge_step, plugs_gate
from .judge_supply import judge_bottle, judge_fuel_pressure, judge_injector, static_and_lean
from .judge_trims import judge_trims
from .over_plan import judge_dose

UNSETTLED = (SHIFT, MISSED_SHIFT, WHEEL_SPIN, LIFT, GAP)
"""Events in which no reading counts as settled."""
LOGGED = ("lambda", "lean", "base", "samples")
"""What nothing but a log can tell."""
SEEN_OTHERWISE = ("retard", "knock", "fuel_pressure", "injector", "bottle", "guard", "misfire", "trims")
"""What may be made sure of without a log: by a timing light, the plugs, a gauge, the controller's settings."""


def cells_of(case: Case) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Cells without and with nitrous, of all pulls; without nitrous the log decides at the speeds that it holds itself, and the base log fills the others."""
    found = jc.cells(case)
    own = jc.merged(found, nitrous=False, enough_s=ENOUGH_S).assign(of_base=False)
    if case.base is not None:
        filled = jc.merged(jc.cells(case.base), nitrous=False, enough_s=ENOUGH_S).assign(of_base=True)
        filled = filled[~filled["rpm"].isin(own["rpm"])]
        own = pd.concat([own, filled]) if len(own) and len(filled) else own if len(own) else filled
        own = own.sort_values("rpm").reset_index(drop=True)
    return own, jc.merged(found, nitrous=True, enough_s=ENOUGH_S)


def findings_of(case: Case, base: pd.DataFrame, on: pd.DataFrame) -> list[Finding]:
    """Judge everything.

    Parameters
    ----------
    case : Case
    base, on : DataFrame
        Of `cells_of`.

    Returns
    -------
    list of Finding
        Worst first.
    """
    if case.kind == "nothing":
        return [_nothing(case)]
    settled, full = _masks(case)
    shared = [
        *judge_base(case, base),
        *judge_after(case),
        *judge_fuel_pressure(case),
        *judge_injector(case),
        *judge_fuel(case),
        *judge_scale(case),
        *judge_knock(case),
        *judge_sensors(case, settled, full),
        *judge_heat(case),
        *judge_gaps(case),
        *judge_second(case),
        *judge_knock_left(case),
        *judge_throttle_ends(case),
        *judge_shut_throttle(case),
        *judge_trims(
            case, pd.concat([on, base], ignore_index=True) if len(on) and len(base) else on if len(on) else base
        ),
        *judge_samples(case, on if case.kind == "nitrous" else base),
    ]
    if case.kind == "base":
        return by_weight([_of_base(f) for f in [*shared, *_unknown_nitrous(case), *_forbidden(case)]])
    suspects = tuple((float(s.begin_s), float(s.end_s), bool(getattr(s, "rich", False))) for s in case.suspects)
    lean = judge_lean(case, suspects)
    every = jc.cells(case)
    mixture = judge_lambda(case, on, jc.alone(every, ENOUGH_S))
    reads_lean = any(f.key in ("lean", "lambda") and f.asks in (GO_BACK, STOP) for f in [*lean, *mixture])
    found = [
        *mixture,
        *lean,
        *judge_misfire(case, reads_lean),
        *judge_retard(case),
        *judge_bottle(case),
        *judge_guards(case),
        *judge_step(case),
        *judge_dose(case),
        *judge_plan(case),
        *judge_plugs(case),
        *judge_span(case, every),
        *shared,
    ]
    return by_weight(static_and_lean(found))


def _nothing(case: Case) -> Finding:
    told = f"Nowhere is the throttle open beyond {case.sheet.nitrous.throttle_min_percent:g} % for as long as a pull takes, and no nitrous was commanded. Log one pull at full throttle, from low in the window to its end."
    return unjudged("samples", "No pull at full throttle in this log", told, REPEAT, 90.0)


def _of_base(f: Finding) -> Finding:
    """Without nitrous there is no step to go back to: what asks for that asks to wait until it is mended."""
    return f if f.asks != GO_BACK else Finding(f.key, "stop", STOP, f.weight, f.title, f.sentence, f.at_s, f.numbers)


def _unknown_nitrous(case: Case) -> list[Finding]:
    if case.log.has("nitrous_duty_percent") or case.log.has("nitrous_on"):
        return []
    told = "No nitrous channel is in the log; it is taken for a log without nitrous. If any was sprayed, nothing here holds."
    return [unjudged("samples", "No nitrous channel in the log: taken for a pull without nitrous", told, GO, 22.0)]


def _forbidden(case: Case) -> list[Finding]:
    """What the plan forbids; before the first step it is told, the ladder's own obstacles decide."""
    return [
        f if f.asks == GO else Finding(f.key, "watch", GO, 21.0, f.title, f.sentence, f.at_s, f.numbers)
        for f in judge_plan(case)
    ]


def _masks(case: Case) -> tuple[np.ndarray, np.ndarray]:
    """Settled readings, and full throttle outside of what upsets a reading, on the log's clock."""
    n = len(case.log.time_s)
    settled, full = np.zeros(n, bool), np.zeros(n, bool)
    margin = round(0.3 / case.log.step_s)
    for pull, course in zip(case.pulls, case.courses, strict=True):
        full[pull.start + margin : pull.stop] = True
        for event in pull.events:
            if event.kind in UNSETTLED:
                full[max(event.start - margin, 0) : event.stop + margin] = False
        if course is not None:
            settled[index_of(case, course)[course.settled]] = True
    return settled, full


def headline_of(case: Case, verdict: str, findings: list[Finding]) -> str:
    """First line: the verdict, what a "go" still hangs on, and the heaviest reason.

    Parameters
    ----------
    case : Case
    verdict : str
    findings : list of Finding
        Worst first.
    """
    reason = lowered(findings[0].title).rstrip(".") if findings else "nothing was judged"
    if case.kind == "base":
        return f"Ready for the first step: {reason}." if verdict == GO else f"Do not spray yet, because {reason}."
    wanted = []
    if verdict == GO:
        wanted = ["the plugs"] if plugs_gate(case) else []
        wanted += ["a second clean pull"] if in_a_row(case, findings)[0] < 2 else []
    once = (
        f", once {listed(wanted)} bear{'s' if len(wanted) == 1 and 'pull' in wanted[0] else ''} it out"
        if wanted
        else ""
    )
    return f"{verdict.capitalize()}{once}: {reason}."


def gates_of(case: Case, verdict: str, findings: list[Finding], after: Step | None) -> list[str]:
    """What has to hold before anything more is sprayed.

    Parameters
    ----------
    case : Case
    verdict : str
    findings : list of Finding
    after : Step or None
        The step that the verdict leaves open.
    """
    if verdict == STOP:
        first = "Bottle shut until this is mended" if case.kind == "nitrous" else "Spray nothing until this is mended"
        later = [lowered(f.title) for f in findings if f.asks in (REPEAT, GO_BACK) and f.state == "watch"]
        rest = [f"When that is mended, settle these too before the next pull: {'; '.join(later)}."] if later else []
        return [*(f"{first}: {lowered(f.title)}." for f in findings if f.asks == STOP), *rest]
    stated = (
        []
        if case.dose_known or case.kind != "nitrous"
        else [
            "State which nozzle was fitted (on the page; the command takes --part), and judge the log again: without it neither step nor retard is known."
        ]
    )
    blamed = [f for f in findings if f.asks == verdict == GO_BACK]
    if case.suspects:
        blamed = [f for f in blamed if f.key not in ("lambda", "lean")]
    out = [*stated, *(f"Settle first: {lowered(f.title)}." for f in blamed)]
    if case.kind == "base":
        return [
            *out,
            *_blind(findings),
            *scale_gate(findings),
            "Rehearse fuel and timing with the bottle shut, as the tune sheet says, before the first step.",
        ]
    if case.kind == "nothing":
        return ["Log a pull at full throttle."]
    plugs = plugs_gate(case)
    out += [plugs] if plugs else []
    out += _two_clean(case, findings)
    out += [*_blind(findings), *scale_gate(findings)]
    if any(f.key == "plan" and f.asks == REPEAT for f in findings):
        out.append("No step above this one before the plan is mended: the tune sheet says where it breaks a limit.")
    if verdict == GO and after is None and case.step is not None and case.step.index == len(case.tune.ladder.steps) - 1:
        out.append("This was the whole planned dose: the ladder ends here.")
    if after is not None and after.obstacle:
        out.append(f"The step of {100 * after.share:.0f} % {after.obstacle}: it may not be sprayed as planned.")
    return out


def _two_clean(case: Case, findings: list[Finding]) -> list[str]:
    """The gate of two clean pulls in a row; where logs before this one hold some of them, what that rests on."""
    good, names = in_a_row(case, findings)
    if not names:
        held = "no clean pull" if not good else "1 clean pull"
        return [f"Two clean pulls in a row at this step: this log holds {held}."] if good < 2 else []
    others = listed([f"'{name}'" for name in names])
    told = f"this log and {others} hold {good}"
    return [
        f"Two clean pulls in a row at this step: {told}. That counts only if these were the last pulls in a row, with nothing changed in between."
    ]


def _blind(findings: list[Finding]) -> list[str]:
    """Gates that name what the log could not tell: what has to be logged, and what may be seen by other means."""
    unknown = [f for f in findings if f.state == "unjudged"]
    log = [f for f in unknown if f.key in LOGGED and f.asks != GO]
    see = [f for f in unknown if f.key in SEEN_OTHERWISE or (f.key == "samples" and f.asks == GO)]
    out = [f"Log again what decides: {listed([lowered(f.title) for f in log])}."] if log else []
    if see:
        out.append(
            f"Make sure by other means of what this log does not show: {listed([lowered(f.title) for f in see])}."
        )
    return out


def next_step(case: Case, verdict: str) -> tuple[Step | None, str]:
    """The step of the ladder that a verdict leaves open, and which that is."""
    steps, seen = case.tune.ladder.steps, case.step
    if verdict == STOP or not steps or case.kind == "nothing":
        return None, ""
    if case.kind == "base":
        return (steps[0], "the first step") if verdict == GO else (None, "")
    if seen is None or not np.isfinite(seen.share):
        return None, ""
    shares = np.array([s.share for s in steps])
    lower = np.flatnonzero(shares < seen.share - 1e-9) if seen.index is None else np.arange(seen.index)
    same = (int(lower[-1]) if len(lower) else None) if seen.index is None else seen.index
    upper = len(lower) if seen.index is None else seen.index + 1
    if verdict == GO:
        return (steps[upper], "the next step") if upper < len(steps) else (None, "")
    if verdict == REPEAT:
        return (steps[same], "the same step" if seen.index is not None else "the step before") if same is not None else (steps[0], "the first step")  # fmt: skip
    return (steps[int(lower[-1])], "the step before") if len(lower) else (None, "")
