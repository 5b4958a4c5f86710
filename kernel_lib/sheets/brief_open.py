"""What forbids a plan and what it leaves open, in the plain words of the customer's brief."""

from __future__ import annotations

import numpy as np

from ..build_sheet import BuildSheet
from ..doubts import doubts, part_doubts
from ..plan.proposals import TRADE_HOLD_S, entry_ends, hold_s, least_lead_ms
from ..plan.ramp import FINE, Breach, breach_sentences, breaches
from ..plan.tune import Tune, strongest
from ..text import listed
from .brief_asked import asked, closes_early

_TOO_LATE = "the spark would have to come so late that the exhaust gets too hot"
_WHY = {
    "pressure": _TOO_LATE,
    "knock": _TOO_LATE,
    "phasing": _TOO_LATE,
    "retard": "no spark is late enough to hold cylinder pressure and knock",
    "flame table": "so much nitrous lies beyond what was ever computed",
    "injectors": "the injectors cannot bring that fuel",
    "pump": "the fuel pump cannot bring that fuel",
    "oxygen share": "it passes your limit of oxygen",
    "half nitrous": "there would be more nitrous than air in the cylinder",
    "clutch": "the clutch would slip",
    "wheels": "it passes your limit of torque at the wheels",
    "power": "it passes your limit of power",
    "rule": "the exhaust gets too hot",
    "timing": "no timing keeps the engine within its limits",
}
_BY_TIMING = ("pressure", "knock", "phasing", "retard", "flame table", "rule")


def reasons(tune: Tune, *, metric: bool) -> list[str]:
    """Why nothing may be sprayed, in plain words; what has none yet stands as the plan says it, in the reader's units."""
    found = breaches(tune.sheet, tune.room, tune.ramp)
    told = {text: _plainly(tune, b) for text, b in zip(breach_sentences(found), found, strict=True)}
    pairs = zip(doubts(tune.sheet), doubts(tune.sheet, metric=metric), strict=True)
    told |= {both.sentence: one.sentence for both, one in pairs}
    return [told.get(text, text) for text in tune.blockers]


def _plainly(tune: Tune, b: Breach) -> str:
    share = "all" if b.share >= 1 - 1e-9 else f"up to {100 * b.share:.0f} %"
    why = f": more, and {_WHY[b.limit]}" if b.limit in _WHY else ""
    begin = f"From {b.low:.0f} to {b.high:.0f} rpm the plan asks for {share} of the nitrous flow, where at worst only {100 * b.allowed:.0f} % is allowed{why}."
    return " ".join([begin, *_also(tune, b)])


def _also(tune: Tune, b: Breach) -> list[str]:
    """Other limits that the same stretch of a dose breaks, each with its speeds."""
    room = tune.room
    rpm = np.unique(np.append(np.arange(b.low, b.high, FINE), b.high))
    share, first, out = strongest(tune.sheet, tune.ramp, rpm, tune.share_at(rpm)), b.limit, []
    for name, allowed in room.allowed.items():
        over = rpm[share > np.interp(rpm, room.rpm, allowed) + 1e-6]
        if name != first and not (name == "timing" and first in _BY_TIMING) and len(over):
            out.append(f"From {over[0]:.0f} to {over[-1]:.0f} rpm, besides, {_WHY[name]}.")
    return out


def open_items(tune: Tune, *, metric: bool) -> list[str]:
    """What somebody has to settle before a first pass: where the sheet differs from what the plan asks to be typed, what nobody knows, what is doubtful."""
    sheet, of_parts = tune.sheet, part_doubts(tune.sheet)
    own = [*_closing(tune), *_lead(tune), *_hold(tune), *_stops(tune), *_cuts(sheet)]
    return own + [d.sentence for d in doubts(sheet, metric=metric) if d.weight == "watch" and d not in of_parts]


def _closing(tune: Tune) -> list[str]:
    sheet, limit = tune.sheet, f"at the rev limit of {tune.sheet.engine.limit_rpm:g} rpm"
    if not asked(tune).in_time:
        return [
            f"To be gone {limit} the nitrous would have to close before it even opens: the rev limit, the line or the dose must change."
        ]
    if not closes_early(tune):
        return []
    return [
        f"The nitrous must close at {asked(tune).close:.0f} rpm to be gone {limit}; the sheet has {sheet.nitrous.spray_rpm_max:g}."
    ]


def _lead(tune: Tune) -> list[str]:
    """Fuel ahead of nitrous: too short is lean, too long may be too rich to fire."""
    sheet, dosed = tune.sheet, tune.dosed
    has, scale = sheet.nitrous.fuel_lead_ms, sheet.controller.gauge_scale
    least = asked(tune).lead_ms
    enough = any(least_lead_ms(sheet, dosed, stop)[1] for stop in (asked(tune).lean, None))
    doubtful = sheet.limits.misfire_rich_lambda
    at_least, at_own = entry_ends(sheet, dosed, np.array([least, has]) / 1e3)[0]
    gauge = f"{scale * min(at_least, at_own):.1f} on the gauge; doubtful below {scale * doubtful:.1f}, from memory"
    if least > has or not enough:
        more = "" if enough else "more than "
        told = f"Fuel must come {more}{least:.0f} ms before the nitrous, or first strokes may be lean; the sheet has {has:g}."
        if at_least >= doubtful:
            return [told]
        return [
            f"{told} But so early it may be too rich to fire ({gauge}): no lead is safe both ways. Take less at first, or a shorter line."
        ]
    if round(least) == round(has) or at_own >= doubtful:
        return []
    even = "" if at_least >= doubtful else f" Even {least:.0f} ms may: rehearse with the bottle shut."
    return [
        f"Fuel must come {least:.0f} ms before the nitrous; the sheet's {has:g} may be too rich to fire ({gauge}).{even}"
    ]


def _hold(tune: Tune) -> list[str]:
    sheet, hold = tune.sheet, asked(tune).hold_s
    if not sheet.controller.timing_follows:
        return [
            f"By the sheet, added fuel and late spark do not stay after a shut-off: each then ends lean and early. They must stay {hold:g} s."
        ]
    if hold <= TRADE_HOLD_S:
        return []
    lift = hold_s(sheet, tune.dosed) <= TRADE_HOLD_S
    when = "too short after a lift, which the driver's rule asks for" if lift else "too short"
    return [
        f"Added fuel and late spark must stay {hold:g} s after a shut-off; the sheet's {TRADE_HOLD_S:g} s is {when}."
    ]


def _stops(tune: Tune) -> list[str]:
    """Mixture stops that are not what the plan asks for, on the gauge."""
    sheet, ask = tune.sheet, asked(tune)
    scale, limits = sheet.controller.gauge_scale, sheet.limits
    pairs = (("lean", ask.lean, limits.lean_stop_lambda), ("rich", ask.rich, limits.rich_stop_lambda))
    apart = [(name, want, has) for name, want, has in pairs if abs(want - has) > 5e-4]
    if not apart:
        return []
    want, has = (listed([f"{name} {_apart(scale * a, scale * b)[k]}" for name, a, b in apart]) for k in (0, 1))
    never = ""
    if limits.lean_stop_lambda <= sheet.engine.lambda_with_nitrous:
        never = " Its lean stop is not leaner than the mixture aimed at: it would end every pass."
    return [f"Mixture stops must be {want}; the sheet has {has}.{never}"]


def _apart(a: float, b: float) -> tuple[str, str]:
    """Write two gauge readings with a digit more where they would look alike."""
    digits = 1 if f"{a:.1f}" != f"{b:.1f}" else 2
    return f"{a:.{digits}f}", f"{b:.{digits}f}"


def _cuts(sheet: BuildSheet) -> list[str]:
    control, kinds = sheet.controller, {}
    for name, kind in (
        ("rev limiter", control.limiter_cuts),
        ("shifts", control.shift_cuts),
        ("traction control", control.traction_cuts),
    ):
        kinds.setdefault(kind, []).append(name)
    out = []
    if "unknown" in kinds:
        out.append(
            f"Nobody has written down what these cut: {listed(kinds['unknown'])}. On nitrous, one cut of fuel alone can burn a piston."
        )
    if "fuel" in kinds:
        out.append(
            f"These cut fuel alone, which on nitrous can burn a piston: {listed(kinds['fuel'])}. They must cut the spark."
        )
    return out
