"""Nitrous that no column names: retard, added fuel and a falling bottle where the log holds no command; and columns that contradict each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..text import listed
from .command import DUTY_OFF
from .events import runs
from .finding import REPEAT, Finding
from .judge_case import Case, watch
from .judge_lean import index_of
from .mixture import MixtureModel

if TYPE_CHECKING:
    from .course import Course

NITROUS_KEYS = ("nitrous_duty_percent", "nitrous_on")
RETARD_PART = 0.6
"""Part of the smallest step's planned retard from which timing counts as taken back for nitrous; a choice of our own, no source."""
FUEL_PART, FUEL_LEAST = 0.5, 0.06
"""Part of the smallest step's planned added fuel by which injection has to rise within a pull, and the least rise, of the engine's own fuel; choices of our own, no source."""
FALLS_KPA, FALLS_ALONE_KPA = 20.0, 50.0
"""Fall of the bottle's pressure in a pull, over its noise, that speaks for nitrous beside another sign, and by itself [kPa]; choices of our own, no source."""
LASTS_S = 0.3
"""How long a sign has to last, and what a level is averaged over [s]; a choice of our own, no source."""


@dataclass(frozen=True)
class Signs:
    """What of nitrous a pull shows.

    Attributes
    ----------
    retard_deg, fuel_percent, falls_kpa : float
        How far timing lay behind the known-good one, by how much injection rose over the engine's own fuel, how far the bottle fell; NaN where it did not count.
    at_s : tuple of float
    """

    retard_deg: float
    fuel_percent: float
    falls_kpa: float
    at_s: tuple[float, float]

    @property
    def nitrous(self) -> bool:
        """Whether that can only be nitrous, or a rehearsal of it: two signs, or a bottle that falls a good deal."""
        seen = [self.retard_deg, self.fuel_percent, self.falls_kpa]
        return bool(np.isfinite(seen).sum() >= 2 or self.falls_kpa >= FALLS_ALONE_KPA)


def signs_of(case: Case) -> list[Signs]:
    """Look for nitrous in the pulls in which none is commanded.

    Parameters
    ----------
    case : Case

    Returns
    -------
    list of Signs
        Of the pulls that show any.
    """
    out = []
    for pull, course in zip(case.pulls, case.courses, strict=True):
        if pull.hits or course is None:
            continue
        index = index_of(case, course)
        nitrous = case.sheet.nitrous
        with np.errstate(invalid="ignore"):
            inside = (course.rpm >= nitrous.spray_rpm_min) & (course.rpm <= nitrous.spray_rpm_max)
        full = case.steady[index]
        use = full & inside
        least = max(round(LASTS_S / case.log.step_s), 3)
        retard, fuel = _retard(case, course, index, use, least), _fuel(case, course, full, least)
        falls = _falls(case, pull, least)
        if np.isfinite([retard, fuel, falls]).any():
            out.append(Signs(retard, fuel, falls, (case.seconds(pull.start), case.seconds(pull.stop))))
    return out


def _retard(case: Case, course: Course, index: np.ndarray, use: np.ndarray, least: int) -> float:
    """Median retard where it is that of the smallest step or more for long enough [deg]."""
    steps = case.tune.ladder.steps
    known = np.isfinite(steps[0].retard_deg) if steps else np.zeros(0, bool)
    if not known.any():
        return float("nan")
    planned = np.interp(course.rpm, steps[0].rpm[known], steps[0].retard_deg[known])
    retard = course.timing_base - case.log.get("timing_deg_btdc")[index]
    with np.errstate(invalid="ignore"):
        back = use & (planned > 0) & (retard >= RETARD_PART * planned)
    return float(np.median(retard[back])) if back.sum() >= least else float("nan")


def _fuel(case: Case, course: Course, use: np.ndarray, least: int) -> float:
    """Rise of what is injected over the engine's own fuel within a pull [%]; nothing where the nitrous brings its fuel by a jet."""
    log, steps = case.log, case.tune.ladder.steps
    if case.sheet.nitrous.system == "wet" or not steps or not (log.has("injector_ms") or log.has("injector_duty_percent")):  # fmt: skip
        return float("nan")
    model = MixtureModel.of(case.sheet)
    good = use & np.isfinite(course.fuel) & np.isfinite(course.rpm)
    if good.sum() < 2 * least:
        return float("nan")
    rpm = course.rpm[good]
    own = model.fuel_own(rpm, np.zeros(len(rpm)))
    ratio = course.fuel[good] / np.where(own > 0, own, np.nan)
    levels = np.array([np.median(part) for part in np.array_split(ratio, max(len(ratio) // least, 2))])
    flow = case.tune.share_at(rpm) * steps[0].share * model.full_flow
    added = model.fuel_added(rpm, flow) / own
    levels, added = levels[levels > 0], added[np.isfinite(added)]  # no fuel at full throttle is a channel that failed
    if not len(levels) or not len(added):
        return float("nan")
    planned, rise = float(np.median(added)), float(levels.max() / levels.min() - 1)
    return 100 * rise if rise > max(FUEL_PART * planned, FUEL_LEAST) else float("nan")


def _falls(case: Case, pull, least: int) -> float:
    """Fall of the bottle's pressure from the begin of a pull to its end, where it is more than noise [kPa]."""
    pressure = case.log.get("bottle_kpa")[pull.start : pull.stop]
    pressure = pressure[np.isfinite(pressure)]
    if len(pressure) < 3 * least:
        return float("nan")
    noise = 1.4826 * float(np.median(np.abs(np.diff(pressure)))) / np.sqrt(2 * least)
    levels = [float(np.median(part)) for part in np.array_split(pressure, len(pressure) // least)]
    falls = levels[0] - min(levels[1:])
    return falls if falls > FALLS_KPA + 5 * noise else float("nan")


def judge_hidden(case: Case) -> list[Finding]:
    """Say where a log shows nitrous, or may, that is not in its columns.

    Parameters
    ----------
    case : Case
    """
    out = [*_unconfirmed(case), *_contradict(case)]
    signs = signs_of(case)
    sure = [s for s in signs if s.nitrous]
    if sure:
        s = sure[0]
        told = (
            f"Where no nitrous is commanded in this log, {_said(case, s)}. That is nitrous, or a rehearsal of it, and nothing of it can be judged without its column. "
            "Name the column of the valve's duty or of its switch; for a base log pull again with nitrous, its fuel and its retard off."
        )
        numbers = {"retard_deg": s.retard_deg, "fuel_percent": s.fuel_percent, "bottle_falls_kpa": s.falls_kpa}
        out.append(watch("samples", REPEAT, 92.0, "This log shows nitrous that no column names", told, numbers, s.at_s))
        return out
    back = [s for s in signs if np.isfinite(s.retard_deg)]
    if back:
        s = max(back, key=lambda each: each.retard_deg)
        told = (
            f"In a pull without nitrous the timing lay {s.retard_deg:.0f} degrees behind the known-good timing of the build sheet, as it should on nitrous only. "
            "Either nitrous was sprayed and its column is missing, or the sheet's timing is not the car's: settle which, then pull again."
        )
        title = f"Timing {s.retard_deg:.0f} degrees behind the known-good without nitrous"
        out.append(watch("samples", REPEAT, 58.0, title, told, {"retard_deg": s.retard_deg}, s.at_s))
    return out


def _said(case: Case, s: Signs) -> str:
    """Which signs, in words."""
    said = []
    if np.isfinite(s.retard_deg):
        said.append(f"the timing is taken back by {s.retard_deg:.0f} degrees")
    if np.isfinite(s.fuel_percent):
        said.append(f"injection rises by {s.fuel_percent:.0f} % over the engine's own fuel")
    if np.isfinite(s.falls_kpa):
        said.append(f"the bottle falls by {case.words.kpa(s.falls_kpa, 10)}")
    return listed(said)


def _unconfirmed(case: Case) -> list[Finding]:
    """A log without nitrous is none as long as a column that may be nitrous is not confirmed."""
    if case.kind == "nitrous" or not case.asked:
        return []
    told = (
        f"{' '.join(case.asked)} Until that is confirmed or left out by hand, nobody knows whether nitrous was sprayed."
    )
    return [watch("samples", REPEAT, 91.0, "A column that may be nitrous is not confirmed", told)]


def _contradict(case: Case) -> list[Finding]:
    """Switch on at full throttle, valve duty nought, for longer than a moment."""
    if not case.log.has(*NITROUS_KEYS):
        return []
    rpm, nitrous = case.log.get("rpm"), case.sheet.nitrous
    with np.errstate(invalid="ignore"):
        armed = (case.log.get("nitrous_on") >= 0.5) & (case.log.get("nitrous_duty_percent") < DUTY_OFF)
        armed &= (rpm >= nitrous.spray_rpm_min) & (rpm <= nitrous.spray_rpm_max)
    for pull in case.pulls:
        if pull.hits:
            continue
        for a, b in runs(armed[pull.start : pull.stop] & case.steady[pull.start : pull.stop]):
            seconds = (b - a) * case.log.step_s
            if seconds >= LASTS_S:
                at = (case.seconds(pull.start + a), case.seconds(pull.start + b - 1))
                told = "The nitrous switch is on at full throttle inside the spray window, and the valve duty stands at 0 %. One of the two is not what it is taken for, or the nitrous was armed and held back: say which, or log a pull with the switch off."
                title = f"Switch on and valve duty 0 % for {seconds:.1f} s at full throttle"
                return [watch("samples", REPEAT, 90.0, title, told, {"seconds": seconds}, at)]
    return []


def unconfirmed(mapping) -> tuple[str, ...]:
    """Questions about columns that may be nitrous and are neither confirmed nor left out by hand.

    Parameters
    ----------
    mapping : Mapping or None
    """
    if mapping is None:
        return ()
    some = [mapping.get(key) for key in NITROUS_KEYS]
    return tuple(m.doubt or f"'{m.name[:60]}' may be nitrous." for m in some if m.name and not m.used)
