"""Fit the car to its logs: which numbers of the build sheet the pulls bear out, which they move, and which they cannot tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..build_sheet import BuildSheet
from ..errors import InputError
from ..plan.supply import is_weighed
from ..text import banded
from .fit_noise import BIN_S, Window
from .fit_refuse import NEED_S, needs, odd_pulls, strange, too_far
from .fit_solve import INJECTOR, LEVEL, NOZZLE, TREND, NoNumber, Solved, solve, speed_axis, unknowns
from .fit_told import (
    ALONE,
    COEFFICIENT,
    FLOW,
    SURE,
    VE,
    Curve,
    Parameter,
    coefficient_now,
    combinations,
    gauge_note,
    in_words,
    parameters,
    ratio,
    sd_of,
    slope,
)
from .fit_window import Read, delay_changes, delay_rows, delay_seen, read

NARROWER, MOVED = 0.7, 0.5
"""The coefficient is changed where its error shrinks below the first share, or it moves by more than the second share of its error; choices of our own."""
ERROR, LEAST_ERROR = "nitrous.discharge_error", 0.01
"""No coefficient from a log is taken to be known better; a choice of our own."""
NO_SUCH_CAR = "These pulls hold readings that no car of this build sheet can show: nothing is fitted to them."


@dataclass(frozen=True, eq=False)
class Fit:
    """What the logs say about the build sheet.

    Attributes
    ----------
    parameters : tuple of Parameter
    combinations : tuple of (str, float, float)
        What the logs tell by themselves: words, value, error (19 times in 20).
    names : tuple of str
        Rows of the covariances: relative steps from the sheet, nuisances last.
    covariance, data_information : array or None
        With what was known before, and the information (inverse covariance) of the logs alone, which may be singular.
    rms_before, rms_after : float
        Of shown less modelled lambda, settled samples.
    curves : tuple of Curve
    refused : str
        Why nothing was fitted; "" where it was.
    sheet_changes : dict
        Dotted key -> value for `BuildSheet.replace`; only what the logs moved.
    notes : tuple of str
    windows : tuple of Window
        What was used of the pulls.
    solved : Solved or None
        The least squares behind it.
    """

    parameters: tuple[Parameter, ...] = ()
    combinations: tuple[tuple[str, float, float], ...] = ()
    names: tuple[str, ...] = ()
    covariance: np.ndarray | None = None
    data_information: np.ndarray | None = None
    rms_before: float = float("nan")
    rms_after: float = float("nan")
    curves: tuple[Curve, ...] = ()
    refused: str = ""
    sheet_changes: dict[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    windows: tuple[Window, ...] = ()
    solved: Solved | None = None

    @property
    def in_words(self) -> tuple[str, ...]:
        """Sentences: what these logs fix, what only together, what not; the refusal where nothing was fitted."""
        return (self.refused,) if self.refused else in_words(self.combinations, self.parameters)


def fit(
    courses: Sequence[Any],
    sheet: BuildSheet,
    *,
    prior: bool = True,
    delay: Any = None,
    names: Sequence[str] = (),
    doubts: Sequence[str] = (),
) -> Fit:
    """Fit nozzle coefficient, injector scale, volumetric efficiency and sensor delay to pulls.

    Parameters
    ----------
    courses : sequence of Course
        Pulls of one or several logs; None among them are left out.
    sheet : BuildSheet
        The one they were computed with.
    prior : bool
        Whether what was known before counts; without, only sums of the unknowns mean anything, see `combinations`.
    delay : Delay, optional
        Of the sensor, as `delay.estimate` found it; that of the courses where None.
    names : sequence of str, optional
        What to call the pulls.
    doubts : sequence of str, optional
        Sentences that forbid a fit from the start: a suspected misfire, sensors that disagree.

    Returns
    -------
    Fit
        Refused, with a sentence, where the pulls hold too little or contradict each other.

    Raises
    ------
    InputError
        For what is no build sheet.

    Notes
    -----
    Weighted least squares with Gaussian priors: see `fit_solve`.
    """
    if not isinstance(sheet, BuildSheet):
        raise InputError("sheet", sheet, "", "a BuildSheet", "The fit changes the car on paper.")
    delay = delay_seen(courses, delay)
    given = read(courses, sheet, delay, names)
    rows = delay_rows(sheet, delay)
    refused = next(iter(doubts), "") or given.refused or needs(sheet, given.windows)
    if refused:
        return Fit(parameters=tuple(rows), refused=refused)
    return _fit(sheet, given, rows, prior, delay)


def _fit(sheet: BuildSheet, given: Read, rows: list[Parameter], prior: bool, delay: Any) -> Fit:
    windows = given.windows
    every = unknowns(sheet, windows, bottle_logged=given.bottle_logged)
    try:
        solved = solve(sheet, windows, every, prior=prior)
    except NoNumber:
        return Fit(parameters=tuple(rows), refused=NO_SUCH_CAR, notes=given.notes)
    told = parameters(sheet, solved, rows)
    curves = tuple(_curve(w, r) for w, r in zip(windows, solved.residuals, strict=True))
    kept = {
        "names": solved.names,
        "covariance": solved.covariance,
        "data_information": solved.information,
        "rms_before": _rms([c.before - c.shown for c in curves]),
        "rms_after": _rms([c.after - c.shown for c in curves]),
        "curves": curves,
        "windows": tuple(windows),
        "solved": solved,
    }
    refused = strange(windows, solved) or odd_pulls(windows, solved) or too_far(sheet, solved)
    if refused:
        still = tuple(_unmoved(p) for p in told)
        return Fit(still, refused=refused, notes=given.notes, **kept)
    changes, notes = _changes(sheet, solved, windows, delay)
    notes = (*given.notes, *notes, gauge_note(sheet))
    return Fit(told, combinations(solved, windows), sheet_changes=changes, notes=notes, **kept)


def updated(sheet: BuildSheet, found: Fit) -> BuildSheet:
    """Return the sheet with what the logs moved.

    Raises
    ------
    InputError
        As `BuildSheet.replace`.
    """
    return sheet.replace(found.sheet_changes) if found.sheet_changes else sheet


def _unmoved(p: Parameter) -> Parameter:
    return Parameter(
        p.name, p.path, p.before, p.before_error, p.before, p.before_error, p.identifiable, p.because, p.unit
    )


def _curve(window: Window, residuals: tuple[np.ndarray, np.ndarray]) -> Curve:
    phi = window.binned(1 / window.shown)
    before, after = (1 / (phi - r) for r in residuals)
    return Curve(window.name, window.binned(window.rpm), 1 / phi, before, after, window.binned(window.flow) > 0)


def _rms(parts: list[np.ndarray]) -> float:
    return float(np.sqrt(np.mean(np.concatenate(parts) ** 2)))


def _changes(sheet: BuildSheet, solved: Solved, windows: list[Window], delay: Any) -> tuple[dict[str, Any], list[str]]:
    """What goes into the sheet: sums that the logs fix, put into one of their parts by a convention, which is said."""
    changes: dict[str, Any] = {}
    notes: list[str] = []
    alone = solved.fixed_share(INJECTOR) >= ALONE
    steps = dict(zip(solved.names, solved.steps, strict=True))
    if alone:
        changes[FLOW] = round(sheet.fuel_system.injector_flow_cc_min * (1 + steps[INJECTOR]), 1)
        level, error = 1 + steps[LEVEL], SURE * sd_of(solved, slope(solved, air_level=1.0))
    else:
        level, error = ratio(solved, LEVEL)
    trend, trend_error = steps[TREND], SURE * sd_of(solved, slope(solved, air_trend=1.0))
    moved = abs(level - 1) > error or abs(trend) > trend_error
    own = sum(BIN_S * float((w.binned((w.flow > 0).astype(float)) < 0.5).sum()) for w in windows)
    if moved and own < NEED_S:
        notes.append(
            f"The volumetric efficiency stays: only {own:.1f} s of the settled readings are without nitrous, {NEED_S:g} s are needed, and on nitrous a fault of valve "
            "or bottle would pass for one of the engine. Log a base pull."
        )
    elif moved:
        changes[VE] = _efficiency(sheet, level, trend)
        low, high = min(w.rpm[w.use].min() for w in windows), max(w.rpm[w.use].max() for w in windows)
        notes.append(
            f"The volumetric efficiency is changed over the whole table, by a level and a straight trend; the readings span {round(low, -1):.0f} to "
            f"{round(high, -1):.0f} rpm, beyond that the trend is carried on."
        )
        if not alone:
            notes.append(
                "What the logs tell is volumetric efficiency over injector flow. It is put into the volumetric efficiency and the injector flow is kept: a "
                "convention. The injector open time that the plan computes is right either way."
            )
    if NOZZLE in solved.names:
        more, said = _nozzle(sheet, solved)
        changes |= more
        notes.extend(said)
    more, said = delay_changes(sheet, delay)
    return changes | more, [*notes, *said]


def _efficiency(sheet: BuildSheet, level: float, trend: float) -> list[float]:
    """The full-throttle table with level and trend, rounded to 0.1 %."""
    table = sheet.engine.full_throttle
    factor = level * (1 + trend * speed_axis(sheet, table.rpm))
    return [round(float(v), 1) for v in np.array(table.volumetric_efficiency_percent) * factor]


def _nozzle(sheet: BuildSheet, solved: Solved) -> tuple[dict[str, Any], list[str]]:
    """Changes of the nozzle's coefficient where the logs told more than was known, and what to say about it."""
    value, error = ratio(solved, NOZZLE)
    k, now = solved.names.index(NOZZLE), coefficient_now(sheet)
    before = SURE * float(solved.prior_sd[k])
    after = SURE * float(np.sqrt(solved.covariance[k, k]))
    if now is None:
        return {}, ["The sheet has no nozzle bore, so there is no coefficient to change."]
    if not is_weighed(sheet):
        return {}, [
            f"The nozzle was never weighed in. Lambda on nitrous goes with a coefficient of {banded(*(now * (value + d) for d in (-error, 0.0, error)))}; it is not "
            "put on the sheet, where it would pass for a weigh-in: weigh the nozzle."
        ]
    if after > NARROWER * before and abs(value - 1) < MOVED * before:
        return {}, [
            "The nozzle's coefficient stays: these logs tell it no better than it was known. What they ask for on nitrous beyond that is fuel: see the "
            "changes of the added fuel."
        ]
    return {COEFFICIENT: round(now * value, 3), ERROR: max(round(now * error, 3), LEAST_ERROR)}, [
        "The coefficient is what the nozzle passes if the injectors pass what the sheet says: it comes from the weigh-in and lambda together."
    ]
