"""Changes of timing that too little retard asks for: of the step's own table only, and never for a dose that was itself wrong."""

from __future__ import annotations

import numpy as np

from ..plan.ramp import OVER_TIME
from ..text import degrees
from .cut import SPEED_PLAY_S
from .events import samples
from .finding import Change, Finding
from .judge_case import Case, widened
from .retard_margin import Margin, margins

ROW_RPM = 500.0
"""Distance of the speeds at which degrees are told [rpm]; a choice of our own, no source."""
TOLD_DEG = 0.5
"""Degrees short of which less is not told: a controller's table takes half degrees; a choice of our own, no source."""


def timing_changes(case: Case, findings: list[Finding]) -> list[Change]:
    """List the degrees missing in the table of the step, speed by speed, or when they have to be in.

    Parameters
    ----------
    case : Case
    findings : list of Finding
    """
    short = next((f for f in findings if f.key == "retard" and "short_deg" in f.numbers), None)
    if short is None:
        return []
    if short.numbers["coming_in"]:
        told = f"Let the whole retard be in when the nitrous valve is told to open, not {1e3 * _late_s(case, short):.0f} ms later; tie it to the button, with the added fuel."
        return [Change("timing", told, short.numbers["rpm"], None, None, None, None, "ms")]
    if short.numbers["in_wash_out"]:
        hold = next((p.value for p in case.tune.proposals if p.name == "fuel and timing stay"), None)
        told = f"Keep the retard{f' {hold:.1f} s' if hold else ''} after the valve is told to close, until the nitrous is gone."
        return [Change("timing", told, None, None, hold, None, None, "s")]
    every, out = margins(case), []
    if short.numbers["in_shift"]:
        told = "Keep the retard in through a shift, and while the throttle opens again, for as long as nitrous is in the charge."
        out.append(Change("timing", told))
    return [*out, *_of_dose(case, every), *_of_step(case, every)]


def _late_s(case: Case, short: Finding) -> float:
    """From the command of the hit to the end of the spell without retard [s]."""
    begins = [case.seconds(h.command.start) for h in case.hits]
    before = [b for b in begins if b <= short.at_s[1]]
    return short.at_s[1] - (before[-1] if before else short.at_s[0])


def _own(case: Case, held: Margin) -> np.ndarray:
    """Samples that say what the table of the step lacks: its own dose, and no other near by; of a ramp over time, which has no share of its own at a speed, less of it too."""
    dose = held.course.dose
    own = (dose == 1) | ((dose < 1) & (case.tune.ramp.kind == OVER_TIME))
    return held.steady & ~widened(~own, samples(SPEED_PLAY_S, case.log.step_s))


def _of_step(case: Case, every: list[Margin]) -> list[Change]:
    """Missing degrees of the step's own table, speed by speed."""
    rows: dict[float, float] = {}
    for held in every:
        use, rpm, missing = _own(case, held), held.course.rpm, held.taken - np.fmin(held.of_step, held.right)
        for row in np.unique(ROW_RPM * np.round(rpm[use] / ROW_RPM)):
            there = use & (np.abs(rpm - row) <= ROW_RPM / 2)
            if there.sum() >= 3:
                rows[float(row)] = min(rows.get(float(row), 0.0), float(np.quantile(missing[there], 0.1)))
    out = []
    for row, missing in sorted(rows.items()):
        if missing < -TOLD_DEG:
            more = float(np.ceil(-2 * missing - 0.2) / 2)
            told = f"Take {degrees(more)} degrees more out at {row:.0f} rpm while nitrous flows and until it is gone; check it with a timing light, bottle shut."
            out.append(Change("timing", told, row, None, -more, -more, -more, "degrees", ""))
    return out


def _of_dose(case: Case, every: list[Margin]) -> list[Change]:
    """Where the retard was short of another dose than the step's: the dose is mended, not the timing."""
    low, high, more = np.inf, -np.inf, False
    for held in every:
        off = held.short & ~held.rough & ~_own(case, held)
        if off.any():
            rpm = held.course.rpm[off]
            low, high = min(low, float(rpm.min())), max(high, float(rpm.max()))
            more |= bool((held.course.dose[off] > 1).any())
    if high < low:
        return []
    where = f"at {low:.0f} rpm" if high - low < 1 else f"from {low:.0f} to {high:.0f} rpm"
    told = (
        f"Mend the dose first: {where} {'more' if more else 'less'} than the step's own was commanded, and the retard that is missing there is that of the dose. "
        "No degrees follow from it for the table of timing: set the whole table of the valve to one step, pull again, and judge that."
    )
    return [Change("timing", told)]
