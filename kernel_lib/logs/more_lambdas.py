"""Lambda columns beyond the two that a mapping holds: they are read too, or asked for; none is dropped in silence."""

from __future__ import annotations

import re
from dataclasses import dataclass
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np

from . import agree, evidence, log_units, words
from .channels import CHANNELS
from .events import runs
from .match import Match

if TYPE_CHECKING:
    from ..build_sheet import BuildSheet
    from .match import Mapping
    from .read import RawLog

FITS = -4.5
"""Score of its values from which a column that is called lambda is taken for one: unusual, not absurd; a choice of our own, no source."""
SAME, APART, APART_S = 0.003, 0.02, 0.05
"""Median distance up to which two columns are one reading [lambda], and the distance that they may keep [lambda] for no longer than so long [s]; choices of our own, no source."""
FOLLOWS, FOLLOWS_APART = 0.8, 0.25
"""Correlation with the first sensor, and distance from it as a share, of a column without a telling name that is asked for; choices of our own, no source."""
_LETTERS = ("A", "C", "F", "K", "c", "f", "k")
"""Letters behind a name that may tell a sensor as well as a unit."""
_READINGS = {"lambda", "phi"}
_NO_READINGS = {"target", "trim", "other", "temperature", "pressure", "voltage", "injector", "switch", "level", "duty", "valve", "time", "speed", "battery"}  # fmt: skip
_PLACES = re.compile(
    r"\d+|[lrabi]|ii|cyl(inder)?s?|zyl(inder)?|cilindro|cylindre|bank|bench|banc|left|right|links|rechts|gauche|droite|izquierda|derecha|front|rear|vorn|hinten|"
    r"inner|outer|sensor|sonde|second|zweite\w*|avg|average|mean|max|min|fuel|air|ratio|broad|band|wide|equivalence|o2|oxygen"
)


@dataclass(frozen=True, eq=False)
class More:
    """Further lambda columns of a log.

    Attributes
    ----------
    read : tuple of Match
        What they are read as.
    unread : tuple of str
        What has to be asked of those that are not read, in sentences.
    """

    read: tuple[Match, ...] = ()
    unread: tuple[str, ...] = ()


def more_lambdas(raw: RawLog, mapping: Mapping, sheet: BuildSheet) -> More:
    """Find the lambda columns that a mapping does not hold.

    Parameters
    ----------
    raw : RawLog
    mapping : Mapping
        Bound to this log. Where somebody has left the second sensor out by hand, no further one is looked for.
    sheet : BuildSheet

    Returns
    -------
    More
    """
    second = mapping.get("lambda_2")
    if second.settled and not second.name:
        return More()
    taken = {m.column for m in mapping.matches.values() if m.name and m.column is not None}
    free = [c for c in range(len(raw.names)) if c not in taken]
    columns = [c for c in free if _called(raw.names[c], raw.units[c])]
    throttle = _throttle(raw, mapping, sheet)
    first, expect = mapping.get("lambda_"), evidence.expected(sheet)
    read, unread = [], _nameless(raw, [c for c in free if c not in columns], first)
    for column, seen in zip(columns, _looks(raw, columns), strict=True):
        if seen.flat:
            continue
        name = seen.name[:60]
        unit, fits = _unit(seen, first, sheet, expect)
        plain = _plain(evidence.label_of(seen))
        scale = _scale(seen, raw, first, throttle, sheet) if unit in log_units.SCALED else None
        if log_units.meant("lambda_", seen.unit) == ():  # a letter that names the sensor reads as a unit
            unread += [f"'{seen.name[:60]}' is called lambda and states {seen.unit}."] if fits >= 0 else []
        elif unit and fits >= FITS and plain and (unit not in log_units.SCALED or scale is not None):
            read.append(Match("lambda_2", column, seen.name, unit, scale, sure=1.0))
        elif plain or (unit and fits >= 0):
            why = (
                "its scale is not known" if plain and fits >= FITS and unit else "its name or its values do not say it"
            )
            unread.append(f"'{name}', which runs {seen.runs()}, may be a further lambda sensor, but {why}.")
    return More(tuple(read), tuple(unread))


def leanest(first: np.ndarray, second: np.ndarray | None, more: dict[str, np.ndarray], step_s: float) -> tuple[np.ndarray | None, list[str]]:  # fmt: skip
    """Bring further sensors into the second: the leanest of them at every moment.

    Parameters
    ----------
    first, second : array
        Lambda on the log's clock; second None where the log has none.
    more : dict of str to array
        Name -> lambda on the log's clock.
    step_s : float
        Of that clock [s].

    Returns
    -------
    tuple
        The second sensor (None where there is none), and the names that went into it; columns that only repeat the first or the second do not.
    """
    used, channel = [], CHANNELS["lambda_"]
    for name, column in more.items():
        with np.errstate(invalid="ignore"):
            values = np.where((column >= channel.low) & (column <= channel.high), column, np.nan)
        if not np.isfinite(values).any() or any(_same(values, other, step_s) for other in (first, second) if other is not None):  # fmt: skip
            continue
        second = values if second is None else np.fmax(second, values)
        used.append(name)
    return second, used


def _same(values: np.ndarray, other: np.ndarray, step_s: float) -> bool:
    """Whether a column says at every moment what another says."""
    apart = np.abs(values - other)
    known = apart[np.isfinite(apart)]
    if len(known) < 0.9 * np.isfinite(values).sum() or not len(known) or np.median(known) > SAME:
        return False
    return all((b - a) * step_s <= APART_S for a, b in runs(np.nan_to_num(apart) > APART))


def _called(name: str, unit: str) -> bool:
    """Whether a head speaks of a reading of lambda."""
    stated = log_units.unit_text(name, unit)
    named = words.concepts(name)
    said = named if stated in _LETTERS else named | log_units.speaks_of(stated)
    may = stated in _LETTERS or _known(name, unit)
    return may and bool(said & _READINGS) and not said & _NO_READINGS


def _known(name: str, unit: str) -> bool:
    """Whether lambda may be in the unit that a head states."""
    return log_units.meant("lambda_", log_units.unit_text(name, unit)) != ()


def _nameless(raw: RawLog, columns: list[int], first: Match) -> list[str]:
    """Ask for columns whose heads say nothing and that rise and fall with the first sensor, in its range."""
    unsaid = [c for c in columns if not words.concepts(raw.names[c]) and _known(raw.names[c], raw.units[c])]
    if not unsaid or first.column is None or first.unit not in ("lambda", "AFR"):
        return []
    one, *others = _looks(raw, [first.column, *unsaid])
    return [
        f"'{seen.name[:60]}', which runs {seen.runs()}, moves with '{one.name[:60]}' and may be a further lambda sensor."
        for seen in others
        if not seen.flat and _follows(one.rows, seen.rows)
    ]


def _follows(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether a column moves with another and is of its size; one that is the same to the last digits adds nothing."""
    known = np.isfinite(one) & np.isfinite(other) & (one > 0)
    if known.sum() < 20 or np.ptp(one[known]) == 0 or np.ptp(other[known]) == 0:
        return False
    ratio = other[known] / one[known]
    alike = abs(float(np.median(ratio)) - 1) < FOLLOWS_APART and np.corrcoef(one[known], other[known])[0, 1] > FOLLOWS
    return bool(alike and np.ptp(ratio) > APART)


def _plain(label: str) -> bool:
    """Whether a head says lambda and where, and nothing else."""
    rest = [w for w in words.plain(label).split() if not words.concepts(w) & _READINGS]
    return all(_PLACES.fullmatch(w) for w in rest)


def _looks(raw: RawLog, columns: list[int]) -> list[evidence.Look]:
    part = SimpleNamespace(
        rows=raw.rows,
        names=[raw.names[c] for c in columns],
        units=[raw.units[c] for c in columns],
        columns=[raw.columns[c] for c in columns],
    )
    return evidence.look(part)


def _throttle(raw: RawLog, mapping: Mapping, sheet: BuildSheet) -> np.ndarray | None:
    match = mapping.get("throttle_percent")
    if not match.used or match.column is None:
        return None
    return agree.canonical(
        _looks(raw, [match.column])[0], match.key, evidence.Case(match.unit, 0.0), sheet, match.scale
    )


def _unit(seen: evidence.Look, first: Match, sheet: BuildSheet, expect: dict) -> tuple[str, float]:
    """Unit in which the values fit lambda best, and how well."""
    offered = log_units.meant("lambda_", seen.unit) or ("lambda", "AFR", *(("1/lambda",) if words.says_phi(seen.name) else ()))  # fmt: skip
    scale = first.scale or sheet.controller.gauge_scale
    scored = [
        (evidence.score_as("lambda_", u, scale if u in log_units.SCALED else None, seen, sheet, expect), u)
        for u in offered
    ]
    best = max(scored, default=(-12.0, ""))
    return best[1], best[0]


def _scale(seen: evidence.Look, raw: RawLog, first: Match, throttle: np.ndarray | None, sheet: BuildSheet) -> float | None:  # fmt: skip
    """What a further AFR shows at lambda 1: as its head says, as its proportion to the first sensor says, or where it settles; None where nothing tells."""
    stated = log_units.stated_scale(seen.name, seen.unit)
    if stated is not None:
        return stated
    if first.column is not None and first.unit == "lambda":
        one = _looks(raw, [first.column])[0]
        if agree.proportional(one.rows, seen.rows):
            ratio = float(np.nanmedian(seen.rows / np.where(one.rows > 0, one.rows, np.nan)))
            near = min((sheet.controller.gauge_scale, *evidence.COMMON_SCALES), key=lambda s: abs(ratio / s - 1))
            return ratio if abs(ratio / near - 1) < 0.01 else None
    if first.scale is not None and agree.settles_at(seen, throttle, first.scale):
        return first.scale
    return agree.scale_of(seen, throttle, sheet)[0]
