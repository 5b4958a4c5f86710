"""Nitrous beyond the plan for part of a hit: what a median over the whole of it does not show."""

from __future__ import annotations

import numpy as np

from . import events as ev
from .command import GAP_S, commanded_share
from .cut import SHARE_PLAY, SPEED_PLAY_S, STEP_ROOM
from .finding import REPEAT, STOP, Finding
from .judge_case import Case, span, watch
from .nitrous_hidden import LASTS_S
from .retard_meant import pulse_play


def judge_dose(case: Case) -> list[Finding]:
    """Say where more was commanded for a while than the plan has at that speed, or than the rest of its pull.

    Parameters
    ----------
    case : Case

    Returns
    -------
    list of Finding
        Empty where it was not, or the valve is not pulsed: then no log shows it.
    """
    steps = case.tune.ladder.steps
    if not case.tune.pulsed or not steps:
        return []
    share, planned = commanded_share(case.log, case.sheet), _planned(case)
    most, play = steps[-1].share + STEP_ROOM, SHARE_PLAY + pulse_play(case.log, case.sheet)
    on = np.zeros(len(share), bool)
    for hit in case.hits:
        on[hit.command] = True
    with np.errstate(invalid="ignore"):
        over = on & (share > most * planned + play)
    found = _longest(case, over)
    if found is not None:
        return [_beyond(case, share, planned, found)]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(on & (planned > 0), share / planned, np.nan)
    for pull in case.pulls:
        own = [np.nanmedian(p) for p in (part[h.spray] for h in pull.hits) if np.isfinite(p).any()]
        if not own:
            continue
        usual = float(max(own))
        inside = np.zeros(len(share), bool)
        inside[pull.start : pull.stop] = True
        with np.errstate(invalid="ignore"):
            more = inside & on & (share > (usual + STEP_ROOM) * planned + play)
        found = _longest(case, more)
        if found is not None:
            return [_uneven(case, part, usual, found)]
    return []


def _planned(case: Case) -> np.ndarray:
    """Share that the whole planned dose has at the speeds of the log; the largest near by in time; NaN where speed is unknown."""
    room, step = case.tune.room, case.log.step_s
    rpm = ev.filled(ev.despiked(case.log.get("rpm")), ev.samples(GAP_S, step))
    own = case.tune.share_at(np.clip(np.nan_to_num(rpm, nan=room.rpm[0]), room.rpm[0], room.rpm[-1]))
    own = np.where(np.isfinite(rpm), own, -np.inf)
    reach = ev.samples(SPEED_PLAY_S, step)
    wide = np.concatenate([np.full(reach, -np.inf), own, np.full(reach, -np.inf)])
    most = np.lib.stride_tricks.sliding_window_view(wide, 2 * reach + 1).max(axis=1)
    return np.where(np.isfinite(most), most, np.nan)


def _longest(case: Case, mask: np.ndarray) -> tuple[int, int] | None:
    """The longest stretch of a mask that lasts long enough."""
    least = max(round(LASTS_S / case.log.step_s), 3)
    some = [(int(a), int(b)) for a, b in ev.runs(mask) if b - a >= least]
    return max(some, key=lambda r: r[1] - r[0], default=None)


def _beyond(case: Case, share: np.ndarray, planned: np.ndarray, found: tuple[int, int]) -> Finding:
    here = slice(*found)
    at = case.seconds(found[0]), case.seconds(found[1] - 1)
    seconds = (found[1] - found[0]) * case.log.step_s
    shared, meant = 100 * float(np.nanmedian(share[here])), 100 * float(np.nanmedian(planned[here]))
    rpm = float(np.nanmedian(case.log.get("rpm")[here]))
    told = (
        f"{span(at).capitalize()} {shared:.0f} % of the full flow was commanded at about {rpm:.0f} rpm, where the whole planned dose is {meant:.0f} %. "
        f"More than the plan has no fuel, no timing and no limit that was looked at; {LASTS_S:g} s of it are enough to stop for (a choice of our own). Find out why the valve was driven so far: axis of the table, a second stage, a switch."
    )
    numbers = {"seconds": seconds, "share_percent": shared, "planned_percent": meant, "rpm": rpm}
    title = f"More nitrous commanded than the whole plan has, for {seconds:.1f} s: {shared:.0f} % of the full flow, planned {meant:.0f} %"
    return watch("step", STOP, 86.0, title, told, numbers, at)


def _uneven(case: Case, part: np.ndarray, usual: float, found: tuple[int, int]) -> Finding:
    at = case.seconds(found[0]), case.seconds(found[1] - 1)
    seconds = (found[1] - found[0]) * case.log.step_s
    high = 100 * float(np.nanmedian(part[slice(*found)]))
    told = (
        f"{span(at).capitalize()} {high:.0f} % of the planned dose was commanded, in a pull that is otherwise one of {100 * usual:.0f} %: such a pull is no step of the ladder, and says of none that it was clean. "
        "Set the whole table to one step, then pull again."
    )
    title = f"{high:.0f} % of the planned dose for {seconds:.1f} s in a pull of {100 * usual:.0f} %"
    numbers = {"seconds": seconds, "part_percent": high, "usual_percent": 100 * usual}
    return watch("step", REPEAT, 64.0, title, told, numbers, at)
