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
FOLLOWS, STEPS_FOLLOW, FOLLOWS_APART = 0.8, 0.55, 0.25
"""Correlation with the first sensor, that of their steps, and distance from it as a share, of a column without a telling name that is asked for; choices of our own, no source."""
_CLEAR = {
    *("time", "rpm", "speed", "throttle", "pedal", "target", "timing", "nitrous", "duty", "bottle", "pressure", "temperature", "rail", "injector", "width", "coolant"),
    *("manifold", "map", "boost", "knock", "trim", "battery", "voltage", "gear", "retard"),
}  # fmt: skip
"""What a name has to speak of to say clearly that its column is no lambda sensor; other words (raw, exhaust, on, a number) leave that open."""
_ANOTHER = re.compile(
    r"model\w*|limit(er)?|\w*grenze\w*|error|fehler|delta|idle|\w*leerlauf\w*|ralenti|oil|oel|ol|huile|aceite|egt|heater|heizung|torque|power|ambient|baro\w*|wheel|maf|airmass|"
    r"\w*luftmasse\w*|ethanol|narrowband|\w*(tgt|targ|soll|cmd|aim)\w*"
)
"""Words of a name that say so too."""
_OXYGEN = re.compile(r"\b(o 2|wbo|uego|hego|laf|lamda|lamdas|oxygen|oxysensor|oxygene|oxigeno|sauerstoff|mixture|wide ?band)\b")  # fmt: skip
"""Words that speak of a sensor of lambda without its name."""
BESIDE = 0.6
"""Part of the usual proportion to the first sensor by which a reading may stand beside it and still be looked at; what is farther off is a gauge's sign for no reading; a choice of our own, no source."""
_READ_AS = ("lambda_", "lambda_2", "time_s", "rpm")
"""Quantities whose question stands for a column by itself."""
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
    open_ = {m.column for key, m in mapping.matches.items() if m.name and not m.used and key not in _READ_AS}
    trim = mapping.get("trim_percent")
    open_ |= {trim.column} if trim.sure < 1 else set()  # a sensor may be called as the correction made by it
    taken = {m.column for m in mapping.matches.values() if m.name and m.column is not None} - open_
    free = [c for c in range(len(raw.names)) if c not in taken]
    columns = [c for c in free if _called(raw.names[c], raw.units[c])]
    throttle = _throttle(raw, mapping, sheet)
    first, expect = mapping.get("lambda_"), evidence.expected(sheet)
    read, unread = [], _unclear(raw, [c for c in free if c not in columns], first, sheet, expect)
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
    """Whether lambda may be in the unit that a head states; behind a name "min" is the least as well as a minute."""
    stated = log_units.unit_text(name, unit)
    return log_units.meant("lambda_", stated) != () or (not unit.strip() and log_units.norm(stated) == "min")


def _unclear(raw: RawLog, columns: list[int], first: Match, sheet: BuildSheet, expect: dict) -> list[str]:
    """Ask for columns whose heads do not clearly say another quantity: those that rise and fall with the first sensor in its range, and those called a sensor whose values fit."""
    unsaid = [c for c in columns if _may_be(raw.names[c], raw.units[c])]
    if not unsaid or first.column is None:
        return []
    one, *others = _looks(raw, [first.column, *unsaid])
    scale = first.scale or (sheet.controller.gauge_scale if first.unit in log_units.SCALED else None)
    lambda_ = agree.canonical(one, first.key, evidence.Case(first.unit, 0.0), sheet, scale)
    asked = []
    for seen in others:
        moves = None if seen.flat or np.all(np.diff(seen.rows) >= 0) else _follows(lambda_, seen, sheet)
        begin = f"'{seen.name[:60]}', which runs {seen.runs()},"
        if moves:
            asked.append(f"{begin} moves with '{one.name[:60]}' and may be a further lambda sensor.")
        elif moves is not None and _speaks(seen) and _unit(seen, first, sheet, expect)[1] >= 0:
            asked.append(f"{begin} may be a further lambda sensor, but its name or its values do not say it.")
    return asked


def _may_be(name: str, unit: str) -> bool:
    """Whether a head leaves it open that its column is a lambda sensor."""
    bare = " ".join(w for w in words.plain(name).split() if w != "ego")  # a sensor, or the correction made by it
    said = words.concepts(bare) | log_units.speaks_of(log_units.unit_text(name, unit))
    return _known(name, unit) and not said & _CLEAR and not any(_ANOTHER.fullmatch(w) for w in bare.split())


def _speaks(seen: evidence.Look) -> bool:
    """Whether a head speaks of lambda, or of a sensor of it."""
    return bool(words.concepts(seen.name) & _READINGS) or _OXYGEN.search(words.plain(seen.name)) is not None


def _follows(one: np.ndarray, seen: evidence.Look, sheet: BuildSheet) -> bool | None:
    """Whether a column moves with lambda and is of its size, on any usual scale or as its inverse; None for one that is the same to the last digits and adds nothing."""
    scales = (1.0, 100.0, 1000.0, sheet.controller.gauge_scale, *evidence.COMMON_SCALES)
    inverse = (True,) if words.says_phi(seen.name) or words.is_nameless(seen.name) or _speaks(seen) else ()
    for way in (False, *inverse):
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = (1 / seen.rows if way else seen.rows) / one
        there = np.isfinite(ratio)
        known = there & (ratio > 0)
        if known.sum() < 20:
            continue
        middle = float(np.median(ratio[known]))
        near = min(abs(middle / s - 1) for s in scales)
        with np.errstate(invalid="ignore"):
            known &= np.abs(ratio / middle - 1) < BESIDE
        a, b = one[known], (ratio * one)[known]
        if known.sum() < max(20, there.sum() / 2) or np.ptp(a) == 0 or np.ptp(b) == 0:
            continue
        if near < FOLLOWS_APART and np.ptp(ratio[known]) <= APART * middle:
            return None
        if near < FOLLOWS_APART and _together(a, b):
            return True
    return False


def _together(a: np.ndarray, b: np.ndarray) -> bool:
    """Whether two columns rise and fall together, the whole of them or from row to a later row; a bank that runs lean for a while does so in steps alone."""
    steps = [(a[n:] - a[:-n], b[n:] - b[:-n], STEPS_FOLLOW) for n in (10, 30) if len(a) > 2 * n]
    pairs = [(x, y, least) for x, y, least in ((a, b, FOLLOWS), *steps) if np.ptp(x) > 0 and np.ptp(y) > 0]
    return any(np.corrcoef(x, y)[0, 1] > least for x, y, least in pairs)


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
