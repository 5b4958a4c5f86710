"""The base log beside a log: what its own review asks holds for what is held against it."""

from __future__ import annotations

from dataclasses import replace

from ..text import lowered
from .finding import GO, GO_BACK, REPEAT, STOP, Finding
from .judge_case import Case, watch
from .judge_seen import heard
from .judge_verdict import cells_of, findings_of

OF_BASE_LOG = "of_base_log"
"""Mark among a finding's numbers that it tells of the base log, not of the log itself."""


def told_by_itself(case: Case) -> Case:
    """Return a base log with the findings of its own review kept beside it.

    Parameters
    ----------
    case : Case
        Of the base log.
    """
    return replace(case, told=tuple(findings_of(case, *cells_of(case))))


def judge_base_log(case: Case) -> list[Finding]:
    """Say what the base log's own review asks, by its heaviest reason.

    Parameters
    ----------
    case : Case
        Of the log that is held against it.

    Returns
    -------
    list of Finding
        Empty where there is no base log, or where that is ready by itself.

    Notes
    -----
    What stops a base log stops no nitrous log by itself, for it was another pull; but the engine of that pull was not fit for more, so the step before is the most that is left open.
    """
    first = case.base
    if first is None or case.kind == "nothing":
        return []
    if first.told is None or first.metric != case.metric:  # in the other units its sentences are made anew
        first = told_by_itself(replace(first, metric=case.metric))
    heaviest = first.told[0] if first.told else None
    if heaviest is None or heaviest.asks == GO:
        return []
    stops = heaviest.asks in (STOP, GO_BACK)
    told = f"Judged by itself the base log '{first.log.name}' says: do not spray yet, because {lowered(heaviest.title).rstrip('.')}. {heaviest.sentence}"
    told += " Times are those of the base log." if heaviest.at_s else ""
    if first.log.has("knock") and not heard(first):
        told += " Its knock signal is no background, and nothing is learnt from it."
    told += " Mend that, log another pull without nitrous, and judge this log beside it."
    title = f"The base log says do not spray yet: {lowered(heaviest.title)}"
    asks, weight = (GO_BACK, 79.0) if stops else (REPEAT, 53.0)
    if case.kind == "base" and stops:
        asks = STOP
    return [watch("base", asks, weight, title, told, {OF_BASE_LOG: True, "findings": sum(f.asks != GO for f in first.told)})]  # fmt: skip
