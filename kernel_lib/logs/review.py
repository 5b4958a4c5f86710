"""The review of a log: read, mapped, cut, laid beside the plan, judged; first line first."""

from __future__ import annotations

import functools
import json
import logging
from collections.abc import Mapping as Dict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ..build_sheet import BuildSheet
from ..errors import InputError, check_choice, check_number
from ..plan.ladder import Step
from ..plan.tune import Tune, tune_of
from .base_log import judge_base_log, told_by_itself
from .finding import GO, Change, Finding
from .fit import Fit, fit
from .in_a_row import before
from .judge_case import PLUGS, Case, by_weight, worst
from .judge_changes import changes, told_withheld
from .judge_fuel import APART, apart
from .judge_seen import case_of
from .judge_verdict import cells_of, findings_of, gates_of, headline_of, next_step
from .log import Log
from .nitrous_hidden import signs_of, unconfirmed

_LOG = logging.getLogger(__name__)
FAULT = "The fit met a fault of this program, which it has written down; what is judged above does not rest on it."


@dataclass(frozen=True, eq=False)
class StepSeen:
    """The step of the ladder that a log shows, and the one to take next.

    Attributes
    ----------
    share : float
        Mean share of the planned dose; NaN where it is not known, 0 without nitrous.
    index : int or None
        Of the ladder's steps; None where it is none of them.
    note : str
    next : Step or None
        What the verdict leaves open; None after a stop, and after the last step.
    next_is : {"the first step", "the next step", "the same step", "the step before", ""}
    """

    share: float
    index: int | None
    note: str = ""
    next: Step | None = None
    next_is: str = ""


@dataclass(frozen=True, eq=False)
class Review:
    """What one log says.

    Attributes
    ----------
    sheet, log, mapping, tune : BuildSheet, Log, Mapping or None, Tune
    pulls, courses : tuple
        What was found, and for each what was expected beside what was measured (None where nothing could be).
    delay : Delay or None
        Of the lambda sensor.
    findings : tuple of Finding
        Worst first.
    changes : tuple of Change
    verdict : {"go", "repeat", "go back", "stop"}
        Of a base log: ready, pull again, do not spray.
    headline : str
        The verdict and its heaviest reason with its number.
    kind : {"nitrous", "base", "nothing"}
    step : StepSeen or None
    gates : tuple of str
        What has to hold before the next step is sprayed.
    metric : bool
        The units of the sentences.
    case : Case
        What the judgements were given: what was seen of bottle, knock, guards, misfire.
    """

    sheet: BuildSheet
    log: Log
    mapping: Any
    tune: Tune
    pulls: tuple
    courses: tuple
    delay: Any
    findings: tuple[Finding, ...]
    changes: tuple[Change, ...]
    verdict: str
    headline: str
    kind: str
    step: StepSeen | None
    gates: tuple[str, ...]
    metric: bool = False
    case: Case | None = field(default=None, repr=False)

    @functools.cached_property
    def fit(self) -> Fit | None:
        """What this log says about the build sheet, or why it says nothing; computed when first asked for.

        A fault of our own in the fit does not take the judgement with it: it is logged, and the fit says so.
        """
        if self.kind == "nothing":
            return None
        try:
            return fit_of([self])
        except InputError as exc:
            return Fit(refused=str(exc))
        except Exception:
            _LOG.exception("fit of a log")
            return Fit(refused=FAULT)

    @property
    def name(self) -> str:
        """Of the log."""
        return self.log.name

    def to_dict(self) -> dict[str, Any]:
        """Return everything that can be written down: plain numbers, None where one is not known, times in the log's seconds."""
        from .review_dict import as_dict

        return as_dict(self)

    def to_json(self) -> str:
        """Return `to_dict` as JSON; no NaN, no path."""
        return json.dumps(self.to_dict(), ensure_ascii=False, indent=1, allow_nan=False)


def review_log(
    source: str | Path | bytes,
    sheet: BuildSheet,
    *,
    mapping: Any = None,
    plugs: Dict[int, str] | None = None,
    metric: bool = False,
    name: str = "",
    base: Any = None,
    tune: Tune | None = None,
    part: float | None = None,
    earlier: Sequence[Review] = (),
) -> Review:
    """Read a log file and judge it.

    Parameters
    ----------
    source : str, Path or bytes
        A file, or its content.
    sheet : BuildSheet
        Of the car, as it was on that day.
    mapping : Mapping, optional
        Which column is which; proposed from the file if None.
    plugs : mapping of int to str, optional
        Cylinder, from 1 -> one of `judge_case.PLUGS`.
    metric : bool
        Units of the sentences.
    name : str
        What to call the log; the file's name if empty.
    base : str, Path, bytes, Log or Review, optional
        A log without nitrous of the same car.
    tune : Tune, optional
        The plan; made from the sheet if None, which takes seconds the first time.
    part : float, optional
        Of the plan's flow that the fitted nozzle passes: which step this was, where the valve is not pulsed. Not known if None.
    earlier : sequence of Review, optional
        Of the logs of the pulls before this one, the oldest first: their clean pulls of the same step count for the ladder's gate.

    Returns
    -------
    Review

    Raises
    ------
    InputError
        For what is no log, holds no engine speed or lambda, or a sheet that cannot be planned.
    """
    from .mapping import apply, propose
    from .read import read_log

    raw = read_log(source, name)
    mapping = propose(raw, sheet) if mapping is None else mapping
    log = apply(raw, mapping, sheet)
    if isinstance(base, str | Path | bytes):
        other = read_log(base)
        base = apply(other, propose(other, sheet, mapping), sheet)
    return review(
        log, sheet, mapping=mapping, plugs=plugs, metric=metric, base=base, tune=tune, part=part, earlier=earlier
    )


def review(
    log: Log,
    sheet: BuildSheet,
    *,
    mapping: Any = None,
    plugs: Dict[int, str] | None = None,
    metric: bool = False,
    base: Log | Review | None = None,
    tune: Tune | None = None,
    part: float | None = None,
    earlier: Sequence[Review] = (),
) -> Review:
    """Judge a log.

    Parameters are those of `review_log`.

    Raises
    ------
    InputError
    """
    plugs = _check_plugs(sheet, plugs)
    tune = tune_of(sheet) if tune is None else tune
    first = None if base is None else _base_case(base, sheet, tune, metric)
    if part is not None:
        check_number("part", part, 0.0, 1.0, "of the planned flow", "What the fitted nozzle passes.", open_low=True)
    case = case_of(log, sheet, tune, plugs=plugs, metric=metric, base=first, part=part, asked=unconfirmed(mapping))
    return judged(replace(case, before=before(case, earlier)) if earlier else case, mapping)


def judged(case: Case, mapping: Any = None) -> Review:
    """Judge what was seen, and say what to change.

    Parameters
    ----------
    case : Case
    mapping : Mapping, optional
        Kept with the review.
    """
    base, on = cells_of(case)
    findings = told_withheld(case, by_weight([*findings_of(case, base, on), *judge_base_log(case)]), on)
    verdict = worst(findings)
    after, which = next_step(case, verdict)
    seen = case.step
    step = None
    if case.kind == "base":
        step = StepSeen(0.0, None, "No nitrous in this log.", after, which)
    elif seen is not None:
        step = StepSeen(seen.share, seen.index, seen.note, after, which)
    return Review(
        case.sheet,
        case.log,
        mapping,
        case.tune,
        case.pulls,
        case.courses,
        case.delay,
        tuple(findings),
        tuple(changes(case, findings, base, on)),
        verdict,
        headline_of(case, verdict, findings),
        case.kind,
        step,
        tuple(gates_of(case, verdict, findings, after)),
        case.metric,
        case,
    )


def _base_case(base: Log | Review, sheet: BuildSheet, tune: Tune, metric: bool) -> Case | None:
    """What was seen in a base log, with the findings of its own review; it is judged once."""
    if isinstance(base, Review):
        if base.case is not None:
            _check_base(base.case)
        return base.case and replace(base.case, told=base.findings)
    first = case_of(base, sheet, tune, metric=metric)
    _check_base(first)
    return told_by_itself(first)


def _check_base(first: Case) -> None:
    """Refuse a base log that is none."""
    sprayed = first.kind == "nitrous" or any(s.nitrous for s in signs_of(first))
    if sprayed:
        why = "Nitrous is commanded in it, or its timing, injectors or bottle show some; a base log holds none."
        raise InputError("base log", first.log.name or "the one given", "", "a log without nitrous", why)


def _check_plugs(sheet: BuildSheet, plugs: Dict[int, str] | None) -> dict[int, str]:
    """Return plugs by cylinder, or say which is none."""
    out, n = {}, sheet.engine.cylinders
    for cylinder, word in (plugs or {}).items():
        if isinstance(cylinder, bool) or not isinstance(cylinder, int) or not 1 <= cylinder <= n:
            raise InputError("plugs", cylinder, "", f"a cylinder, 1 to {n}", "The engine has no such cylinder.")
        out[cylinder] = check_choice("plugs", word, PLUGS, f"What the plug of cylinder {cylinder} shows.")
    return dict(sorted(out.items()))


def fit_of(reviews: Sequence[Review]) -> Fit:
    """Fit the car to the pulls of one or several logs of the same build sheet.

    Parameters
    ----------
    reviews : sequence of Review
        Not empty, of one build sheet.

    Returns
    -------
    Fit
        Refused where a misfire is suspected or a lambda reading cannot be believed.
    """
    courses, names, doubts = [], [], []
    for review in reviews:
        doubts += _doubts(review)
        for k, course in enumerate(review.courses):
            courses.append(course)
            names.append(f"{review.name}, pull {k + 1}" if len(review.courses) > 1 else review.name)
    delays = [r.delay for r in reviews if r.delay is not None]
    known = [d for d in delays if d.identifiable] or delays
    delay = min(known, key=lambda d: d.error_s, default=None)
    return fit(courses, reviews[0].sheet, delay=delay, names=names, doubts=doubts)


def _doubts(review: Review) -> list[str]:
    """What forbids a fit to a log."""
    where = f" ({review.name})"
    out = []
    if review.case is not None and review.case.kind == "nitrous" and not review.case.dose_known:
        out.append(f"Which nozzle was fitted is not stated, so nobody knows what was sprayed: state it first{where}.")
    if review.case is not None and review.case.suspects:
        out.append(f"A misfire is suspected, which reads lean: nothing is fitted to it{where}.")
    out += [f"{f.title}: nothing is fitted to a reading that cannot be believed{where}." for f in review.findings if f.key == "sensors" and f.asks != GO]  # fmt: skip
    out += [f"{f.title}: nothing is fitted to fuel that did not come{where}." for f in review.findings if f.key in ("fuel_pressure", "injector") and f.asks != GO and APART not in f.numbers]  # fmt: skip
    if apart(review.findings) and review.kind == "nitrous":  # without it that is what a fit is for
        out.append(f"The fuel injected and the lambda read do not belong together: nothing is fitted to them{where}.")
    return out
