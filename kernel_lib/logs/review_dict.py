"""A review as plain data: for JSON, for the command, for whoever keeps it."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from .review import Review

FORM = 1
"""Version of the form below; it grows when a key changes its meaning."""
DIGITS = 6
"""Significant digits of a number that is written down: more than any sensor tells, and a hundredth of a second in a log of an hour; a choice of our own, no source."""


def plain(value: Any) -> Any:  # noqa: PLR0911
    """Return a value as JSON takes it: NaN and infinity are None, arrays lists, dataclasses dicts.

    Objects that are none of these are left out as their class's name, never as an address in memory.
    """
    if value is None or isinstance(value, bool | str | int):
        return value
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") if np.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): plain(each) for key, each in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(each) for each in value.tolist()]
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(each) for each in value]
    if isinstance(value, slice):
        return [plain(value.start), plain(value.stop)]
    if isinstance(value, pd.DataFrame):
        return [plain(row) for row in value.to_dict("records")]
    if is_dataclass(value):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value) if f.repr}
    return type(value).__name__


def as_dict(review: Review) -> dict[str, Any]:
    """Return a review as plain data.

    Parameters
    ----------
    review : Review

    Returns
    -------
    dict
        Numbers in the units their keys name, times in seconds of the log; None where a number is not known.
    """
    from .. import __version__

    return plain(
        {
            "form": FORM,
            "kernel_version": __version__,
            "log": review.name,
            "build_sheet": review.sheet.car.name,
            "kind": review.kind,
            "verdict": review.verdict,
            "headline": review.headline,
            "gates": review.gates,
            "step": _step(review),
            "findings": [plain(each) for each in review.findings],
            "changes": [plain(each) for each in review.changes],
            "pulls": _pulls(review),
            "plugs": review.case.plugs if review.case else {},
            "sensor": plain(review.delay),
            "fit": _fit(review),
            "mapping": _mapping(review),
            "plan": _plan(review),
            "notes": list(review.log.notes),
        }
    )


def _step(review: Review) -> dict[str, Any] | None:
    step = review.step
    if step is None:
        return None
    after = step.next
    return {
        "share_of_plan": step.share,
        "index": step.index,
        "note": step.note,
        "next_is": step.next_is,
        "next": after
        and {"share_of_plan": after.share, "hp": after.hp, "obstacle": after.obstacle, "gate": after.gate},
    }


def _pulls(review: Review) -> list[dict[str, Any]]:
    time = review.log.time_s

    def at(index: int) -> float:
        return float(time[min(max(int(index), 0), len(time) - 1)])

    def between(part: slice) -> list[float]:
        return [at(part.start), at(part.stop)]

    names = ("command", "flow", "ramp_in", "spray", "wash_out")
    return [
        {
            "kind": pull.kind,
            "start_s": at(pull.start),
            "stop_s": at(pull.stop),
            "hits": [
                {f"{name}_s": between(getattr(hit, name)) for name in names} | {"ended_by": hit.ended_by}
                for hit in pull.hits
            ],
            "events": [_event(each) for each in pull.events],
        }
        for pull in review.pulls
    ]


def _event(event: Any) -> dict[str, Any]:
    out = plain(event)
    return out if isinstance(out, dict) else {"kind": str(out)}


def _mapping(review: Review) -> list[dict[str, Any]] | None:
    """Which column is what, with the evidence."""
    if review.mapping is None:
        return None
    keys = ("key", "name", "unit", "scale", "evidence", "doubt", "sure")
    return [
        {key: getattr(match, key) for key in keys}
        for match in review.mapping.matches.values()
        if match.column is not None
    ]


def _fit(review: Review) -> dict[str, Any] | None:
    fit = review.fit
    if fit is None:
        return None
    out = {
        "refused": fit.refused,
        "sheet_changes": fit.sheet_changes,
        "notes": fit.notes,
        "parameters": list(fit.parameters),
    }
    return out | {name: getattr(fit, name) for name in ("combinations",) if hasattr(fit, name)}


def _plan(review: Review) -> dict[str, Any]:
    """What the log was held against."""
    tune, engine, limits = review.tune, review.sheet.engine, review.sheet.limits
    return {
        "ramp": tune.ramp.kind,
        "blockers": list(tune.blockers),
        "lambda_without_nitrous": engine.lambda_without_nitrous,
        "lambda_with_nitrous": engine.lambda_with_nitrous,
        "lean_stop_lambda": limits.lean_stop_lambda,
        "rich_stop_lambda": limits.rich_stop_lambda,
        "injector_duty_limit_percent": limits.injector_duty_percent,
        "fuel_lead_ms": review.sheet.nitrous.fuel_lead_ms,
        "ladder_shares": [step.share for step in tune.ladder.steps],
    }
