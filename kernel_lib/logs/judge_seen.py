"""Gather what a log shows before anything is judged: pulls, courses, bottle, knock, guards, misfire, step."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..build_sheet import BuildSheet
from ..errors import InputError
from ..plan.tune import Tune
from .bottle_pass import bottle_course
from .course import PLANNED, Course, course
from .cut import NITROUS, PART_THROTTLE, STEP_ROOM, StepSeen, cut, step_seen
from .delay import estimate, of_one_sensor
from .delay_changes import wetted
from .delay_fit import FILM, LIKELY
from .finding import GO
from .guards_seen import FIRED, MISSED, UNCHECKED, guards_missed
from .judge_case import Case
from .judge_spark import judge_knock
from .knock_seen import knock_activity
from .log import Log
from .misfire import can_tell, misfire_suspicion
from .mixture import MixtureModel
from .sensor import dead_s, lagged

THROUGHOUT = 0.3
"""Part of the settled readings that may be richer than what counts as lean throughout; a choice of our own."""
DELAY_PULLS = 6
"""Pulls that the sensor's delay is looked for in: more tell little more, and take time; a choice of our own."""
BOTTLE_HITS = 4
"""Hits that are held against the bottle's model, half of them those that fell most for what was drawn, and the one that fell least beside them; the others are read at their start; a choice of our own."""


def case_of(
    log: Log,
    sheet: BuildSheet,
    tune: Tune,
    *,
    plugs: dict[int, str] | None = None,
    metric: bool = False,
    base: Case | None = None,
    part: float | None = None,
    asked: tuple[str, ...] = (),
) -> Case:
    """Cut a log and lay it beside the plan.

    Parameters
    ----------
    log : Log
    sheet : BuildSheet
    tune : Tune
    plugs : dict
        Cylinder -> what its plug shows.
    metric : bool
    base : Case or None
    part : float, optional
        Of the plan's flow that the fitted nozzle passes, where the valve is not pulsed.
    asked : tuple of str
        Questions about columns that may be nitrous and are not confirmed.

    Raises
    ------
    InputError
    """
    pulls = cut(log, sheet)
    courses, delay = _courses(
        log, pulls, sheet, tune, part, () if base is None else of_one_sensor(base.log, base.courses[:DELAY_PULLS])
    )
    hits = [hit for pull in pulls for hit in pull.hits]
    guards = guards_missed(log, pulls, sheet, tune)
    learn = {} if base is None or not heard(base) else {"base_log": base.log, "base_pulls": base.pulls}
    suspects, tells, blind = _misfire(log, pulls, courses, sheet)
    return Case(
        sheet,
        log,
        tune,
        pulls,
        courses,
        delay,
        step=_step(log, pulls, tune, part),
        bottle=_bottle(log, hits, sheet),
        knock=knock_activity(log, pulls, **learn) if log.has("knock") else None,
        missed=tuple(g for g in guards if g.state == MISSED),
        fired=tuple(g.guard for g in guards if g.state == FIRED),
        unchecked=tuple(g.guard for g in guards if g.state == UNCHECKED),
        suspects=suspects,
        can_tell=tells,
        blind=blind,
        base=base,
        plugs=plugs or {},
        metric=metric,
        asked=asked,
        part=part,
    )


def heard(base: Case) -> bool:
    """Whether the knock signal of a base log may be learnt from: not where it knocks itself, or where the sensor is not believed.

    Parameters
    ----------
    base : Case
    """
    return all(f.asks == GO for f in judge_knock(base))


def _step(log: Log, pulls: tuple, tune: Tune, part: float | None) -> StepSeen | None:
    """The largest step of the pulls; None where nothing was sprayed."""
    hit = [pull for pull in pulls if pull.kind in (NITROUS, PART_THROTTLE)] or [pull for pull in pulls if pull.hits]
    if hit and part is not None and not tune.pulsed:
        steps = np.array([step.share for step in tune.ladder.steps])
        near = int(np.abs(steps - part).argmin()) if len(steps) else None
        index = near if near is not None and abs(steps[near] - part) <= STEP_ROOM else None
        return StepSeen(part, index, "As stated: which nozzle was fitted is not in a log.")
    seen = [step_seen(log, pull, tune) for pull in hit]
    return max(seen, key=lambda s: -1.0 if np.isnan(s.share) else s.share, default=None)


def _courses(
    log: Log, pulls: tuple, sheet: BuildSheet, tune: Tune, part: float | None, beside: tuple
) -> tuple[tuple, Any]:
    """What was expected beside what was measured, pull by pull, with the delay that the log itself tells, and courses of the base log beside it."""
    if not pulls:
        return (), None
    fitted = 1.0 if part is None or tune.pulsed else part
    some = sorted(range(len(pulls)), key=lambda k: (not pulls[k].hits, k))[:DELAY_PULLS]
    first = {k: _course(log, pulls[k], sheet, tune, None, fitted) for k in some}
    delay = estimate(of_one_sensor(log, list(first.values())), sheet, beside)
    if delay.identifiable:
        first = {}
    told = delay if delay.identifiable else None
    rest = {k: _course(log, p, sheet, tune, told, fitted) for k, p in enumerate(pulls) if k not in first}
    return tuple((first | rest)[k] for k in range(len(pulls))), delay


def _course(log: Log, pull: Any, sheet: BuildSheet, tune: Tune, delay: Any, part: float) -> Course | None:
    """Lay a pull beside the plan; None where the log does not hold enough of it, which the findings say."""
    try:
        return course(log, pull, sheet, tune, delay, part=part)
    except InputError:
        return None


def _bottle(log: Log, hits: list, sheet: BuildSheet) -> tuple:
    """(hit, what the bottle did) of the hits that say most; in their order."""
    if not log.has("bottle_kpa"):
        return ()
    pressure = log.get("bottle_kpa")

    def fall(hit: Any) -> float:
        part = pressure[hit.command]
        part = part[np.isfinite(part)]
        return float(part[0] - part[-1]) / max(len(part), 1) if len(part) > 3 else -np.inf

    def start(hit: Any) -> float:
        part = pressure[max(hit.command.start - 10, 0) : hit.command.start + 1]
        known = part[np.isfinite(part)]
        return min(known.mean() - sheet.nitrous.window_low_kpa, sheet.nitrous.window_high_kpa - known.mean()) if len(known) else np.inf  # fmt: skip

    if len(hits) > BOTTLE_HITS:
        steep = sorted(hits, key=fall, reverse=True)[: BOTTLE_HITS // 2]
        worst = sorted(hits, key=start)[: BOTTLE_HITS - len(steep)]
        flat = sorted((hit for hit in hits if not hit.short and np.isfinite(fall(hit))), key=fall)[:1]
        hits = [hit for hit in hits if any(hit is other for other in (*steep, *worst, *flat))]
    return tuple((hit, bottle_course(log, hit, sheet)) for hit in hits)


def _misfire(log: Log, pulls: tuple, courses: tuple, sheet: BuildSheet) -> tuple[tuple, bool, str]:
    """Suspected misfires with nitrous, whether one could be seen at all, and if not, why."""
    out, tells, why = [], True, ""
    for pull, each in zip(pulls, courses, strict=True):
        if not pull.hits:
            continue
        told, because = can_tell(log, pull)
        tells, why = tells and told, why or because
        expected, model = (None, None) if each is None else _expected(log, pull, each, sheet)
        out += misfire_suspicion(log, pull, sheet, expected=expected, lambda_model=model)
    return tuple(sorted(out, key=lambda s: -s.leans)), tells, why


def _expected(log: Log, pull: Any, each: Course, sheet: BuildSheet) -> tuple[np.ndarray | None, np.ndarray | None]:
    """What the gauge should show with the fuel that was injected, and that mixture, on the samples of a pull."""
    at = round((float(each.time_s[0]) - float(log.time_s[0])) / log.step_s)
    part = slice(pull.start - at, pull.stop - at)
    if part.start < 0 or part.stop > len(each.time_s):
        return None, None
    if each.fuel_basis == PLANNED:
        return (each.shown_target + _leaner_throughout(each, each.shown_target))[part], each.target[part]
    delay = each.delay
    dead = delay.dead_scale * dead_s(sheet, each.rpm, np.nan_to_num(each.flow))
    with np.errstate(divide="ignore", invalid="ignore"):
        shown = MixtureModel.of(sheet).shown(each.lambda_model, np.nan_to_num(each.nitrous_fraction))
        by_wall = wetted(each, sheet, LIKELY[FILM])  # a throttle that opens reads lean for it, and no cycle misfires
        read = 1 / lagged(each.time_s, by_wall / shown, dead, delay.tau_s)
    read = np.where(np.isfinite(read), read, each.shown_target)
    return (read + _leaner_throughout(each, read))[part], each.lambda_model[part]


def _leaner_throughout(each: Course, expected: np.ndarray) -> float:
    """How much leaner the settled reading is than expected in all but the richest third: so steady a lean is a mixture, no misfire."""
    off = (each.measured - expected)[each.settled]
    off = off[np.isfinite(off)]
    return max(float(np.quantile(off, THROUGHOUT)), 0.0) if len(off) else 0.0
