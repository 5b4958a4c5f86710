"""Gather what a log shows before anything is judged: pulls, courses, bottle, knock, guards, misfire, step."""

from __future__ import annotations

import importlib
from typing import Any

from ..build_sheet import BuildSheet
from ..plan.tune import Tune
from .cut import cut, step_seen
from .judge_case import Case
from .log import Log


def _there(module: str, name: str) -> Any:
    """Return a function of a module of this package, or None while there is none."""
    try:
        return getattr(importlib.import_module(f"{__package__}.{module}"), name, None)
    except ImportError:
        return None


def case_of(
    log: Log,
    sheet: BuildSheet,
    tune: Tune,
    *,
    plugs: dict[int, str] | None = None,
    metric: bool = False,
    base: Case | None = None,
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

    Raises
    ------
    InputError
    """
    pulls = cut(log, sheet)
    courses, delay = _courses(log, pulls, sheet, tune)
    return Case(sheet, log, tune, pulls, courses, delay, plugs=plugs or {}, metric=metric, base=base)


def _courses(log: Log, pulls: tuple, sheet: BuildSheet, tune: Tune) -> tuple[tuple, Any]:
    course = _there("course", "course")
    if course is None:
        return (None,) * len(pulls), None
    return tuple(course(log, pull, sheet, tune) for pull in pulls), None


__all__ = ["case_of", "step_seen"]
