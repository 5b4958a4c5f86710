"""Is the settled mixture right: lambda with delay and bias out, cell by cell, against the target."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..plan.ladder import GATE_LAMBDA
from .finding import GO_BACK, REPEAT, Finding
from .judge_case import Case, apart, holds, unjudged, watch

ENOUGH_S = 0.3
"""Settled reading that a cell needs to be judged, all pulls together [s]; a choice of our own, no source."""
TRIM_CHASES = 5.0
"""Own lambda correction at full throttle beyond which the controller does the tuning [%]; a choice of our own, no source."""


def judge_lambda(case: Case, cells: pd.DataFrame) -> list[Finding]:  # noqa: PLR0911
    """Hold the settled lambda on nitrous against the target.

    Parameters
    ----------
    case : Case
    cells : DataFrame
        Of `judge_cells.merged`, those with nitrous.
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
    target = case.sheet.engine.lambda_with_nitrous
    off, err = (cells["error"] * target).to_numpy(), (cells["error_95"] * target).to_numpy()
    lean, rich = int((off - err).argmax()), int((off + err).argmin())
    sure_lean, sure_rich = off[lean] - err[lean] > GATE_LAMBDA, off[rich] + err[rich] < -GATE_LAMBDA
    k = lean if sure_lean or (not sure_rich and np.abs(off).max() == off.max()) else rich
    if not sure_lean and not sure_rich:
        k = int(np.abs(off).argmax())
    row, words = cells.iloc[k], case.words
    numbers = {
        "rpm": float(row["rpm"]),
        "valve_duty_percent": float(row["valve_duty_percent"]),
        "lambda": float(target + off[k]),
        "target": float(target),
        "off_lambda": float(off[k]),
        "off_lambda_95": float(err[k]),
        "room_lambda": GATE_LAMBDA,
        "cells": len(cells),
        "bias_lambda": float(cells["bias"].mean()),
    }
    where = f"at {row['rpm']:.0f} rpm"
    told = (
        f"{_first(words.lambda_(target + off[k]))} {where}, settled and averaged over {row['seconds']:.1f} s, with the sensor's delay and the gauge's error on nitrous taken out: "
        f"{_off(off[k], err[k])} the target {target:.3f}; allowed is {GATE_LAMBDA:g} either way (the ladder's gate). {_bias(numbers['bias_lambda'])}{_trim(cells)}"
    )
    title = f"Lambda {target + off[k]:.2f} {where}"
    by = f"{_off(off[k], err[k])} the target {target:.3f}"
    if sure_lean and case.suspects:
        told += " A misfire is suspected in this log, which reads lean: it may not be lean at all."
        return [watch("lambda", GO_BACK, 35.0, f"{title}, if it was no misfire", told, numbers)]
    if sure_lean:
        return [watch("lambda", GO_BACK, 70.0 + _more(off[k]), f"{title}, {by}", told, numbers)]
    if sure_rich:
        return [watch("lambda", REPEAT, 60.0 + _more(off[k]), f"{title}, {by}", told, numbers)]
    if abs(off[k]) > GATE_LAMBDA:
        told += " Whether it is outside cannot be told from this log."
        return [watch("lambda", REPEAT, 40.0, f"{title}: {by}, not surely outside", told, numbers)]
    within = f"Lambda within {apart(off[k], err[k])} of {target:.3f} in {_counted(len(cells), 'cell')}"
    return [holds("lambda", 50.0, within, told, numbers)]


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
    return f"On nitrous the gauge reads {abs(bias):.3f} lambda {side} than it is."


def _trim(cells: pd.DataFrame) -> str:
    trim = float(cells["trim_percent"].mean())
    if not np.isfinite(trim) or abs(trim) < 0.5:
        return ""
    return f" The controller itself {'added' if trim > 0 else 'took out'} {abs(trim):.1f} % of fuel meanwhile; what stands here is what it would have been without."


def judge_trims(case: Case, cells: pd.DataFrame) -> list[Finding]:
    """Say whether the controller's own correction was at work at full throttle.

    Parameters
    ----------
    case : Case
    cells : DataFrame
        With and without nitrous.
    """
    if not case.log.has("trim_percent"):
        why = "The controller's own lambda correction is not in the log: whatever it added or took out stands in the mixture that was judged."
        return [unjudged("trims", "No lambda correction in the log", why)]
    trims = cells["trim_percent"].to_numpy(float) if len(cells) else np.array([])
    if not np.isfinite(trims).any():
        return [
            unjudged(
                "trims", "No settled lambda correction", "No settled full-throttle reading goes with a correction."
            )
        ]
    k = int(np.nanargmax(np.abs(trims)))
    trim, row = float(trims[k]), cells.iloc[k]
    on = row["valve_duty_percent"] > 0
    numbers = {"trim_percent": trim, "rpm": float(row["rpm"]), "valve_duty_percent": float(row["valve_duty_percent"])}
    where = f"at {row['rpm']:.0f} rpm {'on' if on else 'without'} nitrous"
    if abs(trim) <= TRIM_CHASES:
        told = f"The largest is {trim:+.1f} % {where}; up to {TRIM_CHASES:g} % is allowed (a choice of our own), and it is taken out before the mixture is judged."
        return [holds("trims", 20.0, f"Own lambda correction up to {abs(trim):.1f} %", told, numbers)]
    told = (
        f"{trim:+.1f} % {where}; beyond {TRIM_CHASES:g} % (a choice of our own) the controller does the tuning, late, and by a gauge that is wrong on nitrous. "
        "Switch it off at full throttle and put the fuel into the table."
    )
    asks = GO_BACK if on and trim > 0 else REPEAT
    return [watch("trims", asks, 45.0, f"The controller corrects by {trim:+.0f} % {where}", told, numbers)]


SENSORS_AGREE = 0.03
"""Lambda by which two sensors may differ; a choice of our own, no source."""
STUCK_S = 1.0
"""A reading that moves by less than its own step for so long at full throttle is stuck [s]; a choice of our own, no source."""
LAG_DIFFERS_S = 0.06
"""Total lag of the sensor beyond which it is told to differ from the sheet's [s]; a choice of our own, no source."""


def judge_sensors(case: Case, settled: np.ndarray, full: np.ndarray) -> list[Finding]:
    """Say whether the lambda reading can be believed.

    Parameters
    ----------
    case : Case
    settled, full : array of bool
        On the log's clock: settled readings at full throttle, and full throttle at all.
    """
    if not case.log.has("lambda_"):
        return [unjudged("sensors", "No lambda reading", "Nothing to believe or doubt.", REPEAT, 50.0)]
    wrong = [*_two(case, settled), *_clipped(case, full), *_stuck(case, full), *_lag(case)]
    if wrong:
        return wrong
    two = case.log.has("lambda_2")
    title = "Two lambda sensors agree" if two else "The lambda reading moves as one should"
    told = "One sensor averages the cylinders that share its pipe: it cannot see one that is lean among others that are rich."
    return [holds("sensors", 20.0, title, told, {"sensors": 2 if two else 1})]


def _two(case: Case, settled: np.ndarray) -> list[Finding]:
    if not case.log.has("lambda_2"):
        return []
    gap = (case.log.get("lambda_2") - case.log.get("lambda_"))[settled]
    gap = gap[np.isfinite(gap)]
    if len(gap) < 5:
        return []
    off = float(np.median(gap))
    if abs(off) <= SENSORS_AGREE:
        return []
    first, second = (float(np.nanmedian(case.log.get(key)[settled])) for key in ("lambda_", "lambda_2"))
    told = (
        f"Settled, the first shows lambda {first:.2f} and the second lambda {second:.2f}; more than {SENSORS_AGREE:g} apart (a choice of our own) they are not averaged: either a bank runs "
        "leaner, or one of them is wrong. Swap them, or check both on one bank, then repeat."
    )
    numbers = {"first_lambda": first, "second_lambda": second, "apart_lambda": off}
    return [watch("sensors", REPEAT, 55.0, f"Two lambda sensors differ by {abs(off):.2f}", told, numbers)]


def _clipped(case: Case, full: np.ndarray) -> list[Finding]:
    """Find readings that stand at one end of their range at full throttle: free air, or a clip."""
    values = case.log.get("lambda_")
    seen = values[full & np.isfinite(values)]
    if len(seen) < 20:
        return []
    every = values[np.isfinite(values)]
    out = []
    for name, end, most in (("lean", float(every.max()), 0.02), ("rich", float(every.min()), 0.05)):
        share = float(np.mean(np.abs(seen - end) < 1e-6))
        if share > most and (end > 1.05 if name == "lean" else end < 0.75):
            told = (
                f"At full throttle {100 * share:.0f} % of the readings stand at lambda {end:.2f}, the {name} end of what this log shows: there the sensor says only "
                f"'{name}er than that'{', or it hangs in free air' if name == 'lean' else ''}. Check heater, wiring and exhaust leaks, then repeat."
            )
            numbers = {"share_percent": 100 * share, "end_lambda": end}
            out.append(
                watch(
                    "sensors",
                    REPEAT,
                    58.0,
                    f"The lambda reading stands at its {name} end, {end:.2f}, for {100 * share:.0f} % of full throttle",
                    told,
                    numbers,
                )
            )
    return out


def _stuck(case: Case, full: np.ndarray) -> list[Finding]:
    values = case.log.get("lambda_")
    seen = values[full & np.isfinite(values)]
    if len(seen) * case.log.step_s < STUCK_S or np.ptp(seen) > 1e-3:
        return []
    told = f"It shows lambda {np.median(seen):.3f} and nothing else for {len(seen) * case.log.step_s:.1f} s of full throttle: no sensor of an engine is that still. Check it, then repeat."
    return [
        watch("sensors", REPEAT, 70.0, f"The lambda reading is stuck at {np.median(seen):.3f}", told, {"lambda": float(np.median(seen))})
    ]  # fmt: skip


def _lag(case: Case) -> list[Finding]:
    """Say where the lag that was found is far from the sheet's."""
    delay = case.delay
    if delay is None or not getattr(delay, "identifiable", False):
        return []
    expected = getattr(delay, "sheet_total_s", None)
    if expected is None or abs(delay.total_s - expected) <= LAG_DIFFERS_S + delay.error_s:
        return []
    told = (
        f"Found in this log: {1e3 * delay.total_s:.0f} ms (± {1e3 * delay.error_s:.0f}) from the cylinder to the reading; the build sheet makes it {1e3 * expected:.0f} ms. The lag found is used here. "
        "A stop that acts on this reading acts that much later or sooner; put it into the sheet."
    )
    numbers = {
        "found_ms": 1e3 * delay.total_s,
        "found_ms_95": 1e3 * delay.error_s,
        "sheet_ms": 1e3 * expected,
    }
    return [
        watch("sensors", "go", 25.0, f"The lambda reading lags {1e3 * delay.total_s:.0f} ms, not the sheet's {1e3 * expected:.0f} ms", told, numbers)
    ]  # fmt: skip


def judge_samples(case: Case, cells: pd.DataFrame) -> list[Finding]:
    """Say whether the log holds enough to judge by.

    Parameters
    ----------
    case : Case
    cells : DataFrame
        On nitrous, or for a base log without.
    """
    out = []
    rate = case.log.rate_hz.get("lambda_")
    if rate is not None and rate < 20:
        told = f"Lambda is sampled {rate:.0f} times a second. Pulses, entry and wash-out pass within tenths of a second: log it 50 to 100 times (common practice, no source)."
        out.append(watch("samples", REPEAT, 35.0, f"Lambda sampled only {rate:.0f} times a second", told, {"rate_hz": rate}))  # fmt: skip
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
