"""Is the engine ready for nitrous: its own full throttle, before the hit or in a log of its own."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..plan.guards import BASE_ROOM
from .base_timing import judge_early
from .events import runs, samples
from .finding import REPEAT, STOP, Finding
from .judge_case import Case, apart, holds, span, unjudged, watch, within
from .lean_spells import index_of
from .nitrous_hidden import judge_hidden

SPAN_NEEDED = 0.6
"""Part of the window's engine speeds that a base log has to cover; a choice of our own, no source."""
BASE_LEAN_STOP = 0.05
"""Lambda leaner than meant, without nitrous, at which nothing is sprayed until it is mended; a choice of our own, no source."""
SPELL_S, OPENING_S = 0.2, 0.2
"""A lean spell without nitrous counts from so long on, and only so long after the throttle opened [s]; choices of our own, no source."""


def judge_base(case: Case, cells: pd.DataFrame) -> list[Finding]:
    """Hold full throttle without nitrous against what the plan adds to; and say where it was not without.

    Parameters
    ----------
    case : Case
    cells : DataFrame
        Of `judge_cells.merged`, those without nitrous; of the base log too, where there is one.
    """
    mixture = _mixture(case, cells)
    told = any(f.asks in (REPEAT, STOP) and f.state != "unjudged" for f in mixture)
    return [*judge_hidden(case), *judge_early(case), *mixture, *([] if told else _spells(case))]


def _spells(case: Case) -> list[Finding]:
    """Say where it ran far too lean at full throttle without nitrous, before a hit or in a log without, however short that was."""
    meant, step, found = case.sheet.engine.lambda_without_nitrous, case.log.step_s, []
    lead = samples(case.sheet.nitrous.fuel_lead_ms / 1e3, step)
    for pull, course in zip(case.pulls, case.courses, strict=True):
        if course is None:
            continue
        here = index_of(case, course)
        until = min((hit.command.start - lead for hit in pull.hits), default=pull.stop)
        use = case.steady[here] & (here >= pull.start + samples(OPENING_S, step)) & (here < until)
        with np.errstate(invalid="ignore"):
            lean = use & (course.undelayed - course.undelayed_error - meant > BASE_LEAN_STOP)
        found += [(b - a, course, slice(a, b)) for a, b in runs(lean) if (b - a) * step >= SPELL_S - 1e-9]
    if not found:
        return []
    n, course, part = max(found, key=lambda f: f[0])
    at = (float(course.time_s[part.start]), float(course.time_s[part.stop - 1]))
    seconds, lambda_, rpm = n * step, float(np.median(course.undelayed[part])), float(np.median(course.rpm[part]))
    told = (
        f"Without nitrous {case.words.lambda_(lambda_)} at {rpm:.0f} rpm, {span(at)}, where {meant:.2f} is meant: for {seconds:.1f} s more than {BASE_LEAN_STOP:g} leaner, its error taken off. "
        "A settled reading may not show so short a spell, but the plan adds to a base that must be right. Find out what ran lean there, and log full throttle without nitrous over the whole window."
    )
    numbers = {"rpm": rpm, "lambda": lambda_, "meant_lambda": float(meant), "off_lambda": lambda_ - meant, "spell_s": seconds, "room_lambda": BASE_ROOM}  # fmt: skip
    title = f"Lambda without nitrous was {lambda_:.2f} for {seconds:.1f} s where {meant:.2f} is meant"
    return [watch("base", REPEAT, 58.0, title, told, numbers, at)]


def _mixture(case: Case, cells: pd.DataFrame) -> list[Finding]:
    """Hold the mixture without nitrous against the one that is meant."""
    alone = case.kind == "base"
    if not case.log.has("lambda_"):
        return [unjudged("base", "The base mixture is not in the log", "Log lambda at full throttle without nitrous.", REPEAT, 80.0 if alone else 40.0)]  # fmt: skip
    if cells.empty:
        told = "The plan adds fuel to a base that must be right, and no settled full throttle without nitrous stands in this log. Log a pull without nitrous over the whole window."
        return [unjudged("base", "No settled full throttle without nitrous", told, REPEAT if alone else "go", 70.0 if alone else 26.0)]  # fmt: skip
    meant = case.sheet.engine.lambda_without_nitrous
    err = (cells["error_95"] * meant).to_numpy()
    both = np.stack([(cells[name] * meant).to_numpy() for name in ("error", "burned")])
    outside = np.abs(both) - err > BASE_ROOM
    worse = (outside * (1.0 + (both > 0)) + np.abs(both)).argmax(
        axis=0
    )  # with the controller's own correction or without
    off = np.take_along_axis(both, worse[None], axis=0)[0]
    sure = np.abs(off) - err > BASE_ROOM
    k = int(np.where(sure, np.abs(off), -1.0).argmax()) if sure.any() else int(np.abs(off).argmax())
    row, words = cells.iloc[k], case.words
    numbers = {
        "rpm": float(row["rpm"]),
        "lambda": float(meant + off[k]),
        "meant_lambda": float(meant),
        "off_lambda": float(off[k]),
        "off_lambda_95": float(err[k]),
        "room_lambda": BASE_ROOM,
        "cells": len(cells),
    }
    side = "leaner" if off[k] > 0 else "richer"
    by = f"{apart(off[k], err[k])} (± {apart(err[k], err[k])}) {side} than"
    told = f"Without nitrous {words.lambda_(meant + off[k])} at {row['rpm']:.0f} rpm, {by} the {meant:.2f} meant; allowed is {BASE_ROOM:g} either way."
    shown = f"{meant + off[k]:.2f}"
    log = case.base.log if case.base is not None and row.get("of_base", False) else case.log
    if log is not case.log:
        told += " The base log says so; this log holds too little settled reading at that speed."
    if np.isfinite(row["begin_s"]) and log.ends_between(row["begin_s"], row["end_s"]):
        shown = "beyond the lean end of the gauge"
        told = f"Without nitrous lambda is {shown} at {row['rpm']:.0f} rpm, where the log gives no number; {meant:.2f} is meant, allowed is {BASE_ROOM:g} either way."
    if sure[k]:
        asks = STOP if off[k] > BASE_LEAN_STOP - 1e-9 else REPEAT
        told += " The plan adds to a base that must be right: mend the engine's own fuel first."
        return [watch("base", asks, 81.0, f"Lambda without nitrous is {shown} at {row['rpm']:.0f} rpm where {meant:.2f} is meant", told, numbers), *_cover(case, cells)]  # fmt: skip
    if abs(off[k]) > BASE_ROOM:
        told += " Whether it is outside cannot be told from this log."
        return [watch("base", REPEAT if alone else "go", 36.0, f"Lambda without nitrous {meant + off[k]:.2f} at {row['rpm']:.0f} rpm, not surely within {BASE_ROOM:g} of {meant:.2f}", told, numbers), *_cover(case, cells)]  # fmt: skip
    return [
        *_cover(case, cells),
        holds("base", 44.0, f"Lambda without nitrous within {within(off[k])} of {meant:.2f}", told, numbers),
    ]  # fmt: skip


def _cover(case: Case, cells: pd.DataFrame) -> list[Finding]:
    """Say where a base log leaves out much of the window."""
    if case.kind != "base":
        return []
    nitrous = case.sheet.nitrous
    low, high = float(nitrous.spray_rpm_min), float(nitrous.spray_rpm_max)
    seen = sorted(cells["rpm"])
    inside = [rpm for rpm in seen if low - 250 <= rpm <= high + 250]
    # cells stand 500 rpm apart, each for its own width
    covered = min(len(inside) * 500.0, high - low) / (high - low)
    if covered >= SPAN_NEEDED:
        return []
    told = (
        f"Settled readings stand at {seen[0]:.0f} to {seen[-1]:.0f} rpm; the spray window runs from {low:.0f} to {high:.0f} rpm, and {100 * SPAN_NEEDED:.0f} % of it is asked (a choice of our own). "
        "Pull again over the whole window, in a higher gear if it passes too fast."
    )
    numbers = {"covered_percent": 100 * covered, "low_rpm": float(seen[0]), "high_rpm": float(seen[-1])}
    return [watch("base", REPEAT, 46.0, f"Only {100 * covered:.0f} % of the spray window was seen without nitrous", told, numbers)]  # fmt: skip
