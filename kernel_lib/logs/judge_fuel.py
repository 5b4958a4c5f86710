"""Whether the fuel injected and the lambda read belong together, and whether a flow is known well enough to take fuel out."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ..band import DENSITY_EXPONENT, INJECTOR_SCALE, JET_COEFFICIENT, SENSOR_ERROR, VE_ERROR, WALL_HEAT_SHARE
from .course import INJECTORS, JETS
from .finding import GO, REPEAT, Finding
from .judge_case import Case, holds, span, unjudged, watch
from .match import SHEET_ONLY
from .mixture import MixtureModel

ENOUGH_S = 0.3
"""Settled reading that a comparison of injected fuel and lambda needs [s]; a choice of our own, no source."""
SPEED_STEP, SPEED_ENOUGH_S = 500.0, 0.2
"""Width of a stretch of engine speed that is looked at by itself [rpm], and settled reading that it needs [s]; choices of our own, no source."""
SPEED_ROOM = 0.03
"""By how much more one stretch of speed may be off than all of them together: air differs from speed to speed; a choice of our own, no source."""
KNOWN_SHARE = 0.5
"""Part of the settled readings whose injected fuel has to be known; a choice of our own, no source."""
FLOW_LOW = 0.02
"""Nitrous flow below the planned one from which no fuel is taken out, as a share; a choice of our own, no source."""
APART = "fuel_over_lambda_percent"
"""Key among a finding's numbers: how much more fuel was injected than the lambda read belongs to [%]."""


def judge_fuel(case: Case) -> list[Finding]:
    """Hold the injected fuel against the lambda read, with nitrous, or in a log without it over all full throttle.

    Parameters
    ----------
    case : Case

    Returns
    -------
    list of Finding
        Empty where no injector channel is there, which another judgement says.

    Notes
    -----
    Settled readings only. What may stand between the two is added in squares: injector flow, air drawn in, nitrous flow, charge, jet, gauge.
    """
    worst, seconds, blank, jets = None, 0.0, 0, False
    for course in case.courses:
        if course is None or course.fuel_basis not in (INJECTORS, JETS):
            continue
        want = course.settled & np.isfinite(course.undelayed) & ((course.share > 0) == (case.kind == "nitrous"))
        use = want & np.isfinite(course.lambda_model) & (course.lambda_model > 0)
        blank += int(want.sum() - use.sum())
        seconds += use.sum() * case.log.step_s
        jets = jets or course.fuel_basis == JETS
        found = _furthest(case, course, use) if use.sum() * case.log.step_s >= ENOUGH_S else None
        if found is not None and (worst is None or found[0] > worst[0]):
            worst = found
    if worst is None and not blank:
        return []
    if worst is None or seconds < KNOWN_SHARE * (seconds + blank * case.log.step_s):
        told = f"Injected fuel is known for {seconds:.1f} s of {seconds + blank * case.log.step_s:.1f} s of settled lambda; whether the two belong together cannot be told."
        return [unjudged("injector", "Injected fuel is blank for most of the settled lambda", told, GO, 22.0)]
    return [_told(case, "injectors and the jet, as it was planned," if jets else "injectors", *worst[1:])]


def _told(case: Case, what: str, off: float, band: float, rpm: float | None, at: tuple[float, float]) -> Finding:
    """Say how far apart injected fuel and lambda are."""
    where = f" at {rpm:.0f} rpm" if rpm is not None else ""
    numbers = {APART: 100 * off, "band_percent": 100 * band, "rpm": rpm}
    more = "more" if off > 0 else "less"
    if abs(off) <= band:
        told = f"The {what} gave {abs(100 * off):.0f} % {more} fuel than the lambda read belongs to{where}; up to {100 * band:.0f} % may lie in injector flow, air, nitrous flow and gauge."
        return holds("injector", 14.0, "Injected fuel and lambda belong together", told, numbers)
    told = (
        f"By open time the {what} gave {abs(100 * off):.0f} % {more} fuel than the lambda read belongs to{where} ({span(at)}); {100 * band:.0f} % is what injector flow, air, nitrous flow and "
        "gauge may be off by. One of them is wrong: a correction that is not in the log, a wrong injector size or dead time, another fuel pressure, a lambda reading that is not the engine's, or another "
        f"nitrous flow{', or cylinders that misfire, which reads lean' if case.suspects else ''}. Nothing follows from such a log for the next step."
    )
    if case.kind == "base":
        told += " If the engine is sound and nothing corrects, the fit shows what injector flow and air the sheet should have."
    title = f"The fuel injected and the lambda read do not belong together: {abs(100 * off):.0f} % {more} fuel{where}"
    return watch("injector", REPEAT, 59.0, title, told, numbers, at)


def _furthest(case: Case, course, use: np.ndarray) -> tuple | None:
    """(how far beyond its band, how much more fuel, its band, speed or None for all, when) of the worst stretch of a pull."""
    off = course.undelayed / np.where(use, course.lambda_model, np.nan) - 1
    speed = SPEED_STEP * np.round(course.rpm / SPEED_STEP)
    parts = [(None, use, 0.0)]
    for rpm in np.unique(speed[use]):
        here = use & (speed == rpm)
        if here.sum() * case.log.step_s >= SPEED_ENOUGH_S:
            parts.append((float(rpm), here, SPEED_ROOM))
    out = None
    for rpm, here, more in parts:
        middle, band = float(np.median(off[here])), _band(case, course, here) + more
        if out is None or abs(middle) - band > out[0]:
            when = course.time_s[here]
            out = abs(middle) - band, middle, band, rpm, (float(when[0]), float(when[-1]))
    return out


def _band(case: Case, course, use: np.ndarray) -> float:
    """What may stand between injected fuel and lambda in these readings, as a share."""
    sheet = case.sheet
    likely = course.undelayed[use]
    parts = [VE_ERROR.high, INJECTOR_SCALE.high, SENSOR_ERROR.high / float(np.median(likely))]
    parts.append(float(np.median(course.undelayed_error[use] / likely)))
    at = course.rpm[use], course.flow[use], course.fuel[use], course.air[use]
    if (at[1] > 0).any():
        model = MixtureModel.of(sheet)
        ends = [model.lambda_(at[0], flow[use], *at[2:]) for flow in (course.flow_low, course.flow_high)]
        parts.append(_half(ends, course.lambda_model[use]))
        charge = [
            MixtureModel.of(sheet, wall, exponent).lambda_(*at)
            for wall in (WALL_HEAT_SHARE.low, WALL_HEAT_SHARE.high)
            for exponent in (DENSITY_EXPONENT.low, DENSITY_EXPONENT.high)
        ]
        parts.append(_half(charge, course.lambda_model[use]))
    if course.fuel_basis == JETS:
        own = float(np.median(MixtureModel.of(sheet).fuel_own(at[0], at[1]) / at[2]))
        play = 0.5 * (JET_COEFFICIENT.high - JET_COEFFICIENT.low) / JET_COEFFICIENT.best
        parts.append(max(1 - own, 0.0) * play)
    known = np.array(parts)
    return float(np.sqrt(np.sum(known[np.isfinite(known)] ** 2)))


def _half(ends: list[np.ndarray], likely: np.ndarray) -> float:
    """Half of how far these mixtures lie apart, as a share; NaN where one of them is not known."""
    shares = [end / likely for end in ends]
    each = np.array([np.median(s[np.isfinite(s)]) if np.isfinite(s).any() else np.nan for s in shares])
    return 0.5 * float(np.ptp(each))


def apart(findings: Iterable[Finding]) -> bool:
    """Whether injected fuel and lambda were found not to belong together."""
    return any(APART in f.numbers and f.asks != GO for f in findings)


def flow_doubt(case: Case) -> str:
    """Why the nitrous flow is not sure enough to take fuel out; "" where it is."""
    if case.kind != "nitrous":
        return ""
    if not case.log.has("bottle_kpa"):
        return "bottle pressure is not in the log, and so nobody knows how much nitrous flowed"
    flows = [float(seen.flow_relative) if seen is not None else np.nan for _, seen in case.bottle]
    if not flows or not np.isfinite(flows).all():
        return "bottle pressure does not tell how much nitrous flowed"
    least = min(flows)
    if least < 1 - FLOW_LOW:
        return f"by the bottle's pressure {100 * (1 - least):.1f} % less nitrous flowed than planned, which reads rich by itself"
    return ""


def scale_doubt(case: Case) -> str:
    """Why the gauge's scale is not sure enough to take fuel out; "" where it is."""
    return "the scale of the lambda gauge is not confirmed" if judge_scale(case) else ""


def judge_scale(case: Case) -> list[Finding]:
    """Say where the scale of the lambda gauge rests on the build sheet alone."""
    notes = [n for n in case.log.notes if n.startswith(SHEET_ONLY)]
    if not notes:
        return []
    scale = case.sheet.controller.gauge_scale
    title = f"The scale of the lambda gauge, {scale:g} at lambda 1, is the sheet's word alone"
    return [watch("sensors", GO, 36.0, title, notes[0], {"scale_to_confirm": scale})]


def scale_gate(findings: list[Finding]) -> list[str]:
    """What has to be confirmed about the gauge's scale."""
    scales = [f.numbers["scale_to_confirm"] for f in findings if "scale_to_confirm" in f.numbers]
    return [f"Confirm that the gauge shows {scales[0]:g} at lambda 1: on another scale every lambda here is another."] if scales else []  # fmt: skip
