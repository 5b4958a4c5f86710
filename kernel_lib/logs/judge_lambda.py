"""Is the settled mixture right: lambda with delay and bias out, cell by cell, against the target; and does the log hold enough of it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..band import SENSOR_ERROR
from ..plan.ladder import GATE_LAMBDA
from .cut import STEP_ROOM, step_seen
from .finding import GO_BACK, REPEAT, Finding
from .held import readings_a_second
from .judge_case import Case, apart, holds, unjudged, watch, within
from .judge_trims import BURNED, with_trim

ENOUGH_S = 0.3
"""Settled reading that a cell needs to be judged, all pulls together [s]; a choice of our own, no source."""
LEAN_SIDE = 0.5
"""Part of the error at 95 % that has to lie inside the gate too on the lean side; a choice of our own, no source."""
SPAN_NEEDED = 0.5
"""Part of the spray window's engine speeds in which lambda on nitrous has to be seen before more is sprayed; a choice of our own, no source."""
COARSE_LAMBDA, COARSE = 0.02, "coarse_lambda"
"""Steps of lambda up to which it can be judged; a choice of our own, no source; and their key among a finding's numbers."""


def judge_lambda(case: Case, cells: pd.DataFrame, each: pd.DataFrame | None = None) -> list[Finding]:
    """Hold the settled lambda on nitrous against the target.

    Parameters
    ----------
    case : Case
    cells : DataFrame
        Of `judge_cells.merged`, those with nitrous.
    each : DataFrame, optional
        Of `judge_cells.alone`: every pull by itself; the worst of them decides.
    """
    if not case.log.has("lambda_"):
        return [
            unjudged("lambda", "Lambda is not in the log", "Without lambda no mixture can be judged.", REPEAT, 90.0)
        ]
    if cells.empty:
        why = (
            "No reading is settled: it takes the nitrous to have arrived and mixed, and three times the sensor's lag after it. Hold the pull longer, "
            "from a lower speed or in a higher gear."
        )
        return [unjudged("lambda", "Lambda on nitrous never settled in this log", why, REPEAT, 60.0)]
    pulls = [] if each is None else [group for _, group in each.groupby("pull")]
    found = [_judged(case, table, len(cells)) for table in with_trim(cells)]
    if len(pulls) > 1:
        alone = [_judged(case, table, len(cells)) for group in pulls for table in with_trim(group)]
        found += [f for f in alone if f.state != "holds"]
    worst = [f for f in found if f.state != "holds"]
    return _distinct(worst) if worst else found[:1]


def _distinct(found: list[Finding]) -> list[Finding]:
    """The same place of the same pull once."""
    out: dict = {}
    for f in sorted(found, key=lambda f: -f.weight):
        out.setdefault(f.at_s, f)
    if len(out) > 1:
        out.pop(None, None)  # all pulls together say no more than those that are off
    return list(out.values())


def _judged(case: Case, cells: pd.DataFrame, points: int) -> Finding:
    """Judge one table of cells."""
    target = case.sheet.engine.lambda_with_nitrous
    off, err = (cells["error"] * target).to_numpy(), (cells["error_95"] * target).to_numpy()
    lean, near, rich = (int(v.argmax()) for v in (off - err, off + LEAN_SIDE * err, -off - err))
    sure_lean, sure_rich = off[lean] - err[lean] > GATE_LAMBDA, off[rich] + err[rich] < -GATE_LAMBDA
    maybe_lean = off[near] + LEAN_SIDE * err[near] > GATE_LAMBDA
    k = lean if sure_lean else rich if sure_rich else near if maybe_lean else int(np.abs(off).argmax())
    row = cells.iloc[k]
    numbers = {
        "rpm": float(row["rpm"]),
        "valve_duty_percent": float(row["valve_duty_percent"]),
        "lambda": float(target + off[k]),
        "target": float(target),
        "off_lambda": float(off[k]),
        "off_lambda_95": float(err[k]),
        "gauge_lambda": SENSOR_ERROR.high,
        "room_lambda": GATE_LAMBDA,
        "cells": points,
        "bias_lambda": float(cells["bias"].mean()),
    }
    return _told(case, cells, k, numbers, (sure_lean, sure_rich, maybe_lean))


def _told(case: Case, cells: pd.DataFrame, k: int, numbers: dict, is_: tuple[bool, bool, bool]) -> Finding:
    """Write a judgement of settled lambda down."""
    row, words = cells.iloc[k], case.words
    off, err, target = numbers["off_lambda"], numbers["off_lambda_95"], numbers["target"]
    sure_lean, sure_rich, maybe_lean = is_
    begin, end = row.get("begin_s", np.nan), row.get("end_s", np.nan)
    at = (float(begin), float(end)) if np.isfinite(begin) and np.isfinite(end) else None
    past_end = at is not None and off > GATE_LAMBDA and case.log.ends_between(*at)
    sure_lean |= past_end  # a mean over what was at least so lean
    digits = 3 if err < 0.01 else 2
    where = f"at {row['rpm']:.0f} rpm"
    by = f"{_off(off, err)} the target {target:.{digits}f}"
    told = (
        f"{_first(words.lambda_(target + off, digits))} {where}, settled and averaged over {row['seconds']:.1f} s, with the sensor's delay and the gauge's error on nitrous taken out: "
        f"{by}; allowed is {GATE_LAMBDA:g} either way (the ladder's gate). What the gauge itself may be wrong by, {SENSOR_ERROR.high:g} lambda either way (from memory), is not in the ±. "
        f"{_bias(numbers['bias_lambda'])}{_trim(cells)}{_spread(row, target)}"
    )
    title = f"Lambda {target + off:.{digits}f} {where}"
    if past_end:
        by = f"{off:.2f} or more leaner than the target {target:.2f}"
        title = f"Lambda beyond the lean end of the gauge {where}"
        told = (
            f"{title}, where the log gives no number: {by}; allowed is {GATE_LAMBDA:g} either way (the ladder's gate)."
        )
    if sure_lean and case.suspects:
        told += " A misfire is suspected in this log, which reads lean: it may not be lean at all."
        return watch("lambda", GO_BACK, 35.0, f"{title}, if it was no misfire", told, numbers, at)
    if sure_lean:
        return watch("lambda", GO_BACK, 70.0 + _more(off), f"{title}, {by}", told, numbers, at)
    if sure_rich:
        return watch("lambda", REPEAT, 60.0 + _more(off), f"{title}, {by}", told, numbers, at)
    if maybe_lean or abs(off) > GATE_LAMBDA:
        told += (
            " Most likely it is outside, but the ± reaches back inside."
            if abs(off) > GATE_LAMBDA
            else " Most likely it is inside, but the ± reaches outside on the lean side."
        )
        return watch("lambda", REPEAT, 40.0, f"{title}: {by}, not surely {'outside' if abs(off) > GATE_LAMBDA else 'inside'}", told, numbers, at)  # fmt: skip
    title = f"Lambda within {within(off)} of {target:.2f} at {_points(case, numbers['cells'])}"
    return holds("lambda", 50.0, title, told, numbers)


def _points(case: Case, n: int) -> str:
    """How many places of the table were seen, in words."""
    return _counted(n, "point") + " of speed and duty" if case.tune.pulsed else _counted(n, "speed")


def _spread(row: pd.Series, target: float) -> str:
    """Say how far the pulls lie apart at a place, where that is more than they are known by."""
    between = float(row.get("apart", 0.0)) * target
    if not np.isfinite(between) or between <= GATE_LAMBDA:
        return ""
    return f" The {row['pulls']:.0f} pulls lie {between:.2f} apart there; the worst of them decides."


def _first(text: str) -> str:
    return text[:1].upper() + text[1:]


def _more(off: float) -> float:
    """Weight for what lies beyond the gate."""
    return float(min(20.0, 200 * (abs(off) - GATE_LAMBDA)))


def _off(off: float, err: float) -> str:
    """Say on which side, by how much, and how sure."""
    return f"{apart(off, err)} (± {apart(err, err)}) {'leaner' if off > 0 else 'richer'} than"


def _counted(n: int, word: str) -> str:
    return f"{n} {word}{'' if n == 1 else 's'}"


def _bias(bias: float) -> str:
    """Say what the gauge shows beside the truth."""
    if not np.isfinite(bias):
        return ""
    side = "leaner" if bias > 0 else "richer"
    if abs(bias) < 0.0005:
        return "At that mixture the gauge reads on nitrous what it is."
    return f"On nitrous the gauge reads {abs(bias):.3f} lambda {side} than it is."


def _trim(cells: pd.DataFrame) -> str:
    trim = float(cells["trim_percent"].mean())
    if not np.isfinite(trim) or abs(trim) < 0.5:
        return ""
    what = "as it burned, with that" if cells.attrs.get(BURNED) else "what it would have been without"
    return f" The controller itself {'added' if trim > 0 else 'took out'} {abs(trim):.1f} % of fuel meanwhile; what stands here is {what}."


def judge_samples(case: Case, cells: pd.DataFrame) -> list[Finding]:
    """Say whether the log holds enough to judge by.

    Parameters
    ----------
    case : Case
    cells : DataFrame
        On nitrous, or for a base log without.
    """
    out = []
    rate, stamped = readings_a_second(case.log, "lambda_"), case.log.rate_hz.get("lambda_")
    if rate is not None and rate < 20:
        held = f", though rows come {stamped:.0f} times" if stamped > 1.5 * rate else ""
        told = f"Lambda is sampled {rate:.0f} times a second{held}. Pulses, entry and wash-out pass within tenths of a second: log it 50 to 100 times (common practice, no source)."
        out.append(watch("samples", REPEAT, 35.0, f"Lambda sampled only {rate:.0f} times a second", told, {"rate_hz": rate}))  # fmt: skip
    out += _coarse(case)
    short = [pull for pull in case.pulls if pull.kind == "false start"]
    nitrous = [pull for pull in case.pulls if pull.hits and pull.kind != "false start"]
    if short:
        hit = short[0].hits[0] if short[0].hits else None
        seconds = case.seconds(hit.command.stop) - case.seconds(hit.command.start) if hit else 0.0
        told = f"The nitrous valve was commanded for {seconds:.2f} s: it had hardly arrived when it ended, and no reading settled. Nothing follows from such a pull, neither good nor bad."
        numbers = {"commanded_s": seconds, "false_starts": len(short)}
        at = (case.seconds(hit.command.start), case.seconds(hit.command.stop)) if hit else None
        asks, weight = (REPEAT, 80.0) if not nitrous else ("go", 15.0)
        out.append(watch("samples", asks, weight, f"A false start: {seconds:.2f} s of nitrous", told, numbers, at))
    if not cells.empty:
        total = float(cells["seconds"].sum())
        told = f"{total:.1f} s of settled reading at {cells['rpm'].min():.0f} to {cells['rpm'].max():.0f} rpm; shifts, wheel spin and gaps are left out."
        out.append(holds("samples", 15.0, f"{total:.1f} s of settled reading", told, {"settled_s": total}))
    elif not short:
        out.append(
            unjudged(
                "samples", "No settled reading", "Nothing in this log is settled long enough to judge.", REPEAT, 45.0
            )
        )
    return out


def _coarse(case: Case) -> list[Finding]:
    """Say where lambda is written in steps that hide what is judged."""
    values = case.log.get("lambda_")
    moves = np.abs(np.diff(values))
    moves = moves[np.isfinite(moves) & (moves > 1e-6)]
    if not len(moves) or moves.min() <= COARSE_LAMBDA:
        return []
    step = float(moves.min())
    told = f"Lambda is written in steps of {step:.2f}; what is judged is {GATE_LAMBDA:g} (the ladder's gate), and up to {COARSE_LAMBDA:g} is fine enough for it (a choice of our own). Log it with a digit more; no fuel is recommended from this log."
    return [watch("samples", REPEAT, 59.0, f"Lambda is logged in steps of {step:.2f}", told, {COARSE: step})]


def judge_span(case: Case, found: pd.DataFrame) -> list[Finding]:
    """Say where lambda on nitrous was seen in too little of the spray window at this step.

    Parameters
    ----------
    case : Case
    found : DataFrame
        Of `judge_cells.cells`.
    """
    on = found[found["valve_duty_percent"] > 0] if len(found) else found
    if on.empty:
        return []  # told with lambda
    seconds = on[on["pull"].isin(of_step(case))].groupby("rpm")["seconds"].sum()
    seen = np.array([rpm for rpm, s in seconds.items() if s >= ENOUGH_S])
    if not len(seen):
        told = "What settled here settled in other pulls, with less nitrous: nothing follows for this step. Hold the pull longer, or in a higher gear."
        return [watch("samples", REPEAT, 50.0, "Lambda on nitrous never settled at this step", told)]
    nitrous = case.sheet.nitrous
    low, high = float(nitrous.spray_rpm_min), float(nitrous.spray_rpm_max)
    inside = seen[(seen >= low - 250) & (seen <= high + 250)]
    covered = min(len(inside) * 500.0, high - low) / (high - low)  # a cell is 500 rpm wide
    if covered >= SPAN_NEEDED:
        return []
    at = f"{seen[0]:.0f} rpm only" if len(seen) == 1 else f"{seen[0]:.0f} to {seen[-1]:.0f} rpm only"
    told = (
        f"Settled lambda on nitrous stands at {at}; the spray window runs from {low:.0f} to {high:.0f} rpm, and {100 * SPAN_NEEDED:.0f} % of it is asked before more is sprayed "
        "(a choice of our own). Hold the pull longer, or in a higher gear."
    )
    numbers = {"covered_percent": 100 * covered, "low_rpm": float(seen[0]), "high_rpm": float(seen[-1])}
    return [watch("samples", REPEAT, 50.0, f"Lambda on nitrous was seen at {at}", told, numbers)]


def of_step(case: Case) -> list[int]:
    """Nitrous pulls of the step that the log shows, by their place; all where that is not known."""
    every = [k for k, pull in enumerate(case.pulls) if pull.hits]
    if case.step is None or not np.isfinite(case.step.share) or not case.tune.pulsed:
        return every
    shares = {k: step_seen(case.log, case.pulls[k], case.tune).share for k in every}
    return [k for k in every if abs(shares[k] - case.step.share) <= STEP_ROOM] or every
