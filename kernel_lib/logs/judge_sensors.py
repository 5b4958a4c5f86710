"""Can the lambda reading be believed: sensors that agree, none clipped nor stuck, and as late as a sensor is."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..text import listed
from .events import runs
from .finding import GO, REPEAT, Finding
from .judge_case import COVERED, Case, holds, span, unjudged, watch
from .reading_late import judge_late

SENSORS_AGREE = 0.03
"""Lambda by which any two sensors may differ; a choice of our own, no source."""
APART_S = 0.3
"""Over so long they are evened out before [s], so that they have to differ for most of it; a choice of our own, no source."""
STUCK_S, STILL = 1.0, 1e-3
"""A reading that moves by no more than the second [lambda] for so long at full throttle [s] is stuck; choices of our own, no source."""
COARSE, COARSE_LONGER = 0.004, 2.5
"""A log whose readings stand so far apart [lambda] may stand still so many times longer; choices of our own, no source."""
CLOSED, MOVES = 30.0, 0.03
"""Throttle below which an engine is not under load [%], and what a reading moves by at least between there and full throttle [lambda]; choices of our own, no source."""
COUNTED = {2: "Two", 3: "Three", 4: "Four", 5: "Five", 6: "Six", 7: "Seven", 8: "Eight"}
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
    sensors = case.log.sensors
    wrong = [
        *_differ(case, sensors, full | settled),
        *_clipped(case, full),
        *_stuck(case, full),
        *_lag(case),
        *judge_late(case),
    ]
    if wrong:
        return wrong
    told = "One sensor averages the cylinders that share its pipe: it cannot see one that is lean among others that are rich."
    title = "Nothing speaks against the lambda reading"
    if len(sensors) > 1:
        evened = _evened(case, sensors, full | settled)
        compared = np.isfinite(evened).sum(axis=0).max(initial=0) > 1
        title = (
            f"{COUNTED.get(len(sensors), len(sensors))} lambda sensors agree"
            if compared
            else "The lambda sensors could not be compared"
        )
        told = f"At full throttle they stay within {SENSORS_AGREE:g} of each other (a choice of our own). {told}" if compared else f"They do not read together at full throttle. {told}"  # fmt: skip
    return [holds("sensors", 20.0, title, told, {"sensors": len(sensors)})]


def _differ(case: Case, sensors: dict[str, np.ndarray], full: np.ndarray) -> list[Finding]:
    """Find where sensors differ for longer than their pipes do; name the one that stands apart, or those."""
    if len(sensors) < 2:
        return []
    blank = _blank(case, sensors, full)
    if blank:
        return blank
    evened = _evened(case, sensors, full)
    with np.errstate(invalid="ignore"):
        spread = _most(evened) + _most(-evened)
    spells = _joined(case, spread)
    if not spells:
        return []
    a, b = max(spells, key=lambda each: np.nanmax(spread[slice(*each)]))
    with np.errstate(invalid="ignore"):
        here = {name: float(np.median(seen)) for name, values in sensors.items() if len(seen := _known(values[a:b][full[a:b]]))}  # fmt: skip
    return [_apart(case, here, (a, b), spells)] if len(here) > 1 else []


def _joined(case: Case, spread: np.ndarray) -> list[tuple[int, int]]:
    """Stretches in which sensors differ; two of one pull are one where nothing in between was compared."""
    out: list[tuple[int, int]] = []
    for a, b in runs(np.nan_to_num(spread) > SENSORS_AGREE):
        same = any(pull.start <= out[-1][0] and b <= pull.stop for pull in case.pulls) if out else False
        if same and not np.isfinite(spread[out[-1][1] : a]).any():
            out[-1] = (out[-1][0], int(b))
        else:
            out.append((int(a), int(b)))
    return out


def _known(values: np.ndarray) -> np.ndarray:
    return values[np.isfinite(values)]


def _most(values: np.ndarray) -> np.ndarray:
    """The most of some rows at every moment; NaN where fewer than two of them are known."""
    most = np.where(np.isfinite(values), values, -np.inf).max(axis=0)
    return np.where(np.isfinite(values).sum(axis=0) > 1, most, np.nan)


def _evened(case: Case, sensors: dict[str, np.ndarray], full: np.ndarray) -> np.ndarray:
    """What each sensor reads beside the middle of all, a row a sensor, evened out; NaN outside of full throttle."""
    traces = np.array(list(sensors.values()))
    middle, many = np.full(traces.shape[1], np.nan), full & (np.isfinite(traces).sum(axis=0) > 1)
    middle[many] = np.nanmedian(traces[:, many], axis=0)
    wide = max(round(APART_S / case.log.step_s), 1) | 1
    rolling = pd.DataFrame((traces - middle).T).rolling(wide, center=True, min_periods=max(wide // 2, 1))
    return np.where(many, rolling.median().to_numpy().T, np.nan)


def _apart(case: Case, here: dict[str, float], spell: tuple[int, int], spells: list[tuple[int, int]]) -> Finding:
    """Say which sensors stand apart: on the smaller side of the widest step between them, the leaner where both are as many."""
    names = sorted(here, key=here.get)
    steps = np.diff([here[name] for name in names])
    cut = max(range(len(steps)), key=lambda k: (round(float(steps[k]), 6), k)) + 1
    rich, lean = names[:cut], names[cut:]
    odd, rest, side = (lean, rich, "leaner") if len(lean) <= len(rich) else (rich, lean, "richer")
    end = odd[-1] if side == "leaner" else odd[0]
    by = abs(here[end] - float(np.median([here[name] for name in rest])))
    beside = listed(rest) if len(rest) <= 2 else f"the {len(rest)} other sensors"  # fmt: skip
    if by <= SENSORS_AGREE:  # they are strewn, none stands by itself
        odd, rest, side, end = names[-1:], names[:1], "leaner", names[-1]
        by, beside = here[names[-1]] - here[names[0]], rest[0]
    up_to = "up to " if len(odd) > 1 else ""
    verb = "reads" if len(odd) == 1 else "read"
    past_end = bool(case.log.past_end[slice(*spell)].any()) and side == "leaner"
    amount = f"at least {_by(by)}" if past_end else f"{up_to}{_by(by)}"
    title = f"Lambda sensors differ: {listed(odd)} {verb} {amount} {side} than {beside}"
    times = tuple(case.seconds(k) for k in (spell[0], spell[1] - 1))
    shown = listed([f"{name} {here[name]:.2f}" for name in names[::-1]])
    more = (
        f" They differ in {len(spells)} stretches; this is the one where they differ most." if len(spells) > 1 else ""
    )
    more += " Where a gauge was beyond its lean end, that end stands for it." if past_end else ""
    told = (
        f"Median lambda {span(times)}: {shown}.{more} More than {SENSORS_AGREE:g} apart for most of {APART_S:g} s (choices of our own) they are not averaged; "
        f"the leanest at every moment is judged. Either what {listed(odd)} {verb} runs {side}, or {'that sensor is' if len(odd) == 1 else 'those sensors are'} wrong. Check injector, plug and, where it has one of its own, "
        f"the nitrous jet of {'the cylinder or bank' if len(odd) == 1 else 'the cylinders or bank'} there; change sensors over and see whether the reading goes with the sensor. Then repeat."
    )
    numbers = {"apart_lambda": by if side == "leaner" else -by, "leanest_lambda": here[names[-1]], "richest_lambda": here[names[0]], "sensors": len(here)}  # fmt: skip
    whole = (case.seconds(spells[0][0]), case.seconds(spells[-1][1] - 1))
    return watch("sensors", REPEAT, 55.0, title, told, numbers | {"spell_s": times[1] - times[0]}, whole)


def _by(value: float) -> str:
    """Lambda in two decimals; in three where two would hide that it is more than what is allowed."""
    return f"{value:.2f}" if round(value, 2) > SENSORS_AGREE else f"{value:.3f}"


def _blank(case: Case, sensors: dict[str, np.ndarray], full: np.ndarray) -> list[Finding]:
    """Find a sensor of several that is blank for much of full throttle, or of the nitrous in it."""
    on = np.zeros(len(full), bool)
    for hit in case.hits:
        on[hit.flow] = True
    known = np.any([np.isfinite(values) for values in sensors.values()], axis=0)
    for what, use in (("with nitrous", full & on & known), ("at full throttle", full & known)):
        for name, values in sensors.items():
            part = float(np.mean(np.isfinite(values[use]))) if use.any() else 1.0
            if part >= COVERED:
                continue
            others = "the other shows" if len(sensors) == 2 else "the others show"
            lost = f"blank for {100 * (1 - part):.0f} % of the time {what}"
            told = (
                f"Of {len(sensors)} lambda sensors {name} is {lost} in which another reads; {100 * COVERED:.0f} % of it has to be read (a choice of our own). The cylinders on that sensor may have run leaner than {others}. "
                "Find out why it was not read, or leave its column out by hand, and pull again."
            )
            at = tuple(case.seconds(k) for k in np.flatnonzero(use)[[0, -1]])
            title = f"Lambda sensor {name} is {lost}" if "'" in name else f"{name[:1].upper()}{name[1:]} of two for lambda is {lost}"  # fmt: skip
            return [Finding("sensors", "unjudged", REPEAT, 56.0, title, told, at, {"read_percent": 100 * part})]
    return []


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
            marked = name == "lean" and bool(case.log.past_end[full].any())
            past = f"beyond the lean end of the gauge ({end:.2f} or leaner)"
            where = past if marked else f"at its {name} end, {end:.2f},"
            told = (
                f"At full throttle {100 * share:.0f} % of the readings stand {where.rstrip(',')}, the {name} end of what this log shows: there the sensor says only "
                f"'{name}er than that'{', or it hangs in free air' if name == 'lean' else ''}. Check heater, wiring and exhaust leaks, then repeat."
            )
            numbers = {"share_percent": 100 * share, "end_lambda": end}
            out.append(
                watch(
                    "sensors",
                    REPEAT,
                    58.0,
                    f"The lambda reading stands {where} for {100 * share:.0f} % of full throttle",
                    told,
                    numbers,
                )
            )
    return out


def _stuck(case: Case, full: np.ndarray) -> list[Finding]:
    """Find a reading that stands still at full throttle, or hardly moves from part throttle to full."""
    values, step = case.log.get("lambda_"), case.log.step_s
    seen = np.where(
        full & ~case.log.past_end, values, np.nan
    )  # beyond its lean end a gauge gives no number to stand still at
    known = seen[np.isfinite(seen)]
    if len(known) * step < STUCK_S:
        return []
    parted = np.diff(np.unique(np.round(known[1:][np.diff(known) == 0], 5)))  # between values it rests at
    coarse = len(parted) > 0 and parted.min() >= COARSE
    wide = round(STUCK_S * (COARSE_LONGER if coarse else 1) / step)
    rolling = pd.Series(seen).rolling(wide)
    with np.errstate(invalid="ignore"):
        still = (rolling.max() - rolling.min()).to_numpy() <= STILL
    if still.any():
        b = int(still.argmax())
        at, middle = (case.seconds(b - wide + 1), case.seconds(b)), float(np.nanmedian(seen[b - wide + 1 : b + 1]))
        told = f"It shows lambda {middle:.3f} and nothing else for {wide * step:.1f} s of full throttle, {span(at)}: no sensor of a running engine is that still. Check it, then repeat."
        return [watch("sensors", REPEAT, 70.0, f"The lambda reading is stuck at {middle:.3f}", told, {"lambda": middle}, at)]  # fmt: skip
    closed = case.log.get("throttle_percent") < CLOSED
    if (closed & np.isfinite(values)).sum() * step >= STUCK_S:
        # each by itself: most of a long log is cruise
        kinds = [values[np.isfinite(values) & which] for which in (closed, full)]
        ends = np.array([np.quantile(kind, (0.02, 0.98)) for kind in kinds if len(kind)])
        low, high = float(ends[:, 0].min()), float(ends[:, 1].max())
        if high - low < MOVES:
            told = (
                f"With the throttle closed and with it open it stays between lambda {low:.3f} and {high:.3f} for 24 readings of 25: a mixture moves by more than that. "
                "This is a target, a simulated channel or a dead sensor. Check which column it is, then repeat."
            )
            moves = f"moves by {high - low:.3f}" if high - low >= 0.0005 else "does not move"
            return [watch("sensors", REPEAT, 69.0, f"The lambda reading {moves} between closed and full throttle", told, {"moves_lambda": float(high - low)})]  # fmt: skip
    return []


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
        f"A stop that acts on this reading acts {1e3 * abs(delay.total_s - expected):.0f} ms {'later' if delay.total_s > expected else 'sooner'} than planned; put the lag into the sheet."
    )
    numbers = {
        "found_ms": 1e3 * delay.total_s,
        "found_ms_95": 1e3 * delay.error_s,
        "sheet_ms": 1e3 * expected,
    }
    return [
        watch("sensors", GO, 25.0, f"The lambda reading lags {1e3 * delay.total_s:.0f} ms, not the sheet's {1e3 * expected:.0f} ms", told, numbers)
    ]  # fmt: skip
