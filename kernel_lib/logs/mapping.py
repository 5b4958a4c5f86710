"""Which column of a log is which quantity: proposed with evidence, asked where not sure."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import linear_sum_assignment

from ..text import rounded
from . import agree, evidence, log_units, words
from .channels import CHANNELS, NEEDED, WANTED
from .clock import apply
from .knock_column import other_knock
from .log_units import UNITS_FOR
from .match import SHEET_ONLY, SURE_ENOUGH, WAITS, Mapping, Match

if TYPE_CHECKING:
    from ..build_sheet import BuildSheet
    from .read import RawLog

__all__ = ["SURE_ENOUGH", "UNITS_FOR", "Mapping", "Match", "apply", "propose"]

_ASK_FROM = -1.5  # log-odds from which a column is asked about at all, for what is needed or wanted; others from 0
_STILL_FITS = -4.5  # score of its values from which a column of last time is taken again: unusual, not absurd
_LAMBDAS = ("lambda_", "lambda_2", "lambda_target")


def propose(raw: RawLog, sheet: BuildSheet, known: Mapping | None = None) -> Mapping:
    """Propose which column is which quantity.

    Parameters
    ----------
    raw : RawLog
    sheet : BuildSheet
        The car: its speeds, rail pressure, weather and gauge scale.
    known : Mapping or None
        That of last time: kept where its columns are there and their values still fit.

    Returns
    -------
    Mapping
        A match for every quantity, without column where none fits; what is not sure is among its questions.

    Notes
    -----
    Each column is weighed for each quantity in log-odds (name, unit, values against this car, how columns move together) and all
    are assigned at once, so that no column is two things.
    """
    looks, expect = evidence.look(raw), evidence.expected(sheet)
    kept, complaints = _from_last_time(raw, looks, sheet, expect, known)
    taken = {m.column for m in kept.values() if m.column is not None}
    table: agree.Table = {}
    for key in CHANNELS:
        for column, seen in enumerate(looks):
            if key in kept or column in taken or seen.values.size == 0:
                continue
            made = evidence.cases(seen, key, raw.columns[column], sheet, expect)
            if made:
                table[key, column] = made
    keys = [key for key in CHANNELS if key not in kept]
    found = _assign(table, keys, len(looks))
    held = _kept_cases(kept)
    agree.weigh(looks, table | held, found | {key: m.column for key, m in kept.items() if m.column is not None}, sheet)
    found = _assign(table, keys, len(looks))
    matches = {key: kept.get(key) or _match(key, found, table, looks) for key in CHANNELS}
    throttle = _throttle(matches, looks, sheet)
    if "fuel_kpa" not in kept and matches["fuel_kpa"].column is not None:
        matches["fuel_kpa"] = _over_what(matches["fuel_kpa"], looks[matches["fuel_kpa"].column], sheet)
    for key in ("nitrous_duty_percent", "nitrous_on"):
        if key not in kept:
            taken = {m.column for m in matches.values()}
            matches[key] = _upside_down(_without_numbers(matches[key], taken, raw, looks), looks, throttle, sheet)
    if "knock" not in kept:
        taken = {m.column for m in matches.values()}
        matches["knock"] = other_knock(matches["knock"], taken, raw, looks)
    asked: list[tuple[str, str]] = []
    for key in CHANNELS:
        match = _remembered(_scaled(matches[key], matches, looks, throttle, sheet), complaints.get(key, ""))
        matches[key] = match
        open_ = match.name and not match.doubt.startswith(WAITS)
        if not match.settled and (open_ or key in NEEDED or key in complaints):
            asked.append((match.doubt, key))
        elif match.used and key in _LAMBDAS[:2]:
            asked += [(said, key) for said in match.evidence if said.startswith(SHEET_ONLY)]
    return Mapping(matches, tuple(q for q, _ in asked), tuple(key for _, key in asked))


def _upside_down(match: Match, looks: list[evidence.Look], throttle: np.ndarray | None, sheet: BuildSheet) -> Match:
    """Ask for a nitrous column that says on for most of the time at part throttle, unless somebody has confirmed it."""
    if throttle is None or not match.used or looks[match.column].flat:
        return match
    shut = throttle < 50
    if shut.sum() < 20:
        return match
    on = float(
        np.mean(agree.canonical(looks[match.column], match.key, evidence.Case(match.unit, 0.0), sheet)[shut] > 0)
    )
    if on < 0.5:
        return match
    doubt = f"'{match.name[:60]}' says on for {100 * on:.0f} % of the time at part throttle: is it upside down, or no {CHANNELS[match.key].label}?"
    return replace(match, doubt=doubt, sure=0.5)


def _over_what(match: Match, seen: evidence.Look, sheet: BuildSheet) -> Match:
    """Ask for a fuel pressure that states no gauge or absolute and comes to the sheet's with the barometer on top."""
    apart = log_units.meant(match.key, seen.unit)
    if not match.used or not match.unit.endswith("gauge"):
        return match
    if apart is not None and len(apart) == 1:
        return match
    rail, baro = sheet.fuel_system.rail_pressure_kpa, sheet.value("site.barometer_kpa")
    top = float(np.nanpercentile(agree.canonical(seen, match.key, evidence.Case(match.unit, 0.0), sheet), 90))
    if abs(top - rail - baro) > 0.25 * baro:
        return match
    other = match.unit.replace("gauge", "absolute")
    doubt = f"'{match.name[:60]}' (fuel pressure) runs to {rounded(seen.most)}: is it in {match.unit}, or in {other}, which would be the pressure of the sheet?"
    return replace(match, doubt=doubt, sure=0.5)


def _without_numbers(match: Match, taken: set[int | None], raw: RawLog, looks: list[evidence.Look]) -> Match:
    """Ask for a column that is called nitrous and holds no numbers, where no other was found."""
    if match.name or match.settled:
        return match
    for column, seen in enumerate(looks):
        if seen.values.size or column in taken or words.name_weight(evidence.label_of(seen), match.key) < 3:
            continue
        said = next((note for note in raw.notes if note.startswith(f"Column '{seen.name}' holds words")), "")
        why = f"{said} Write it as 0 and 1" if said else f"'{seen.name[:60]}' holds no numbers. Export it anew"
        doubt = f"{why}, or leave it out: it may be the {CHANNELS[match.key].label}."
        unit = UNITS_FOR[match.key][0]
        return Match(match.key, column, seen.name, unit, None, (), doubt, 0.5)
    return match


def _from_last_time(raw, looks, sheet, expect, known) -> tuple[dict[str, Match], dict[str, str]]:
    """Keep what still fits of last time; what does not is said."""
    kept: dict[str, Match] = {}
    complaints: dict[str, str] = {}
    for key, match in (known.matches if known is not None else {}).items():
        if not match.settled:
            continue
        name = match.name[:60]
        if not match.name:
            kept[key] = replace(match, column=None, evidence=("Left out, as last time.",))
        elif match.name not in raw.names:
            complaints[key] = f"Last time it was '{name}', which this log does not have."
        else:
            column = raw.names.index(match.name)
            seen = looks[column]
            score = evidence.score_as(key, match.unit, match.scale, seen, sheet, expect)
            if score > _STILL_FITS:
                unit = match.unit + (f" on a {match.scale:g} scale" if match.scale else "")
                odd = " That is unusual for this car." if score < 0 else ""
                said = f"As last time: '{name}', in {unit}; it runs {seen.runs()}.{odd}"
                kept[key] = replace(match, column=column, evidence=(said,), doubt="", sure=0.99)
            else:
                runs = seen.runs() if seen.values.size else "empty"
                complaints[key] = f"Last time it was '{name}' in {match.unit}; it now runs {runs}, which does not fit."
    return kept, complaints


def _remembered(match: Match, complaint: str) -> Match:
    """Add what has changed since last time."""
    if not complaint:
        return match
    if match.used:
        return replace(match, evidence=(*match.evidence, complaint))
    return replace(match, doubt=f"{complaint} {match.doubt}".strip())


def _kept_cases(kept: dict[str, Match]) -> agree.Table:
    return {
        (key, m.column): [evidence.Case(m.unit, 9.0, [], True, True, 2.0)]
        for key, m in kept.items()
        if m.column is not None
    }


def _assign(table: agree.Table, keys: list[str], columns: int) -> dict[str, int]:
    """Give every quantity the column that makes the whole most likely, or none."""
    score = np.full((len(keys), columns + len(keys)), -60.0)
    for row, key in enumerate(keys):
        score[row, columns + row] = _ASK_FROM if key in NEEDED or key in WANTED else 0.0
        for column in range(columns):
            made = table.get((key, column))
            if made:
                score[row, column] = max(made[0].score, -50.0) - 1e-6 * column
    rows, places = linear_sum_assignment(score, maximize=True)
    return {keys[r]: int(c) for r, c in zip(rows, places, strict=True) if c < columns}


def _sure(key: str, column: int, found: dict[str, int], table: agree.Table) -> tuple[float, int | None]:
    """Return how sure a match is against no column and against the nearest other column, and which that is."""
    owner = {c: k for k, c in found.items()}
    score = table[key, column][0].score
    rival, best = None, 0.0
    for (other_key, other), made in table.items():
        if other_key != key or other == column:
            continue
        theirs = table[owner[other], other][0].score if other in owner else 0.0
        mine = table.get((owner[other], column), [None])[0] if other in owner else None
        swapped = made[0].score - max(theirs, 0.0) + (max(mine.score, 0.0) if mine and key in _LAMBDAS[:2] else 0.0)
        if swapped > best and not (owner.get(other) in _LAMBDAS[:2] and key in _LAMBDAS[:2]):
            rival, best = other, swapped
    return 1 / (1 + math.exp(-float(np.clip(score - best, -30, 30)))), rival


def _match(key: str, found: dict[str, int], table: agree.Table, looks: list[evidence.Look]) -> Match:
    """Write the match of a quantity, with what is not sure about it."""
    label = CHANNELS[key].label
    if key not in found:
        return Match(key, None, doubt=_nearest(key, table, looks))
    column = found[key]
    made, seen = table[key, column], looks[column]
    case, name = made[0], seen.name[:60]
    sure, rival = _sure(key, column, found, table)
    doubt, said = "", list(case.said)
    if rival is not None and agree.alike(key, seen.rows, looks[rival].rows):
        said.append(f"'{looks[rival].name[:60]}' says the same.")
        sure, rival = 1 / (1 + math.exp(-float(np.clip(case.score, -30, 30)))), None
    if sure < SURE_ENOUGH and rival is not None:
        doubt = f"Both '{name}' and '{looks[rival].name[:60]}' could be the {label}: which is it?"
    elif sure < SURE_ENOUGH:
        why = "its name does not say so" if not case.named else "its values are unusual for this car"
        doubt = f"Is '{name}', which runs {seen.runs()}, the {label}? It looks like it in {case.unit}, but {why}."
    other = next((c for c in made[1:] if c.unit != case.unit), None)
    if other is not None and not seen.flat:
        unit_sure = 1 / (1 + math.exp(-min(case.score - other.score, 30.0)))
        if unit_sure < SURE_ENOUGH:
            doubt = doubt or f"'{name}' ({label}) runs {seen.runs()}: is it in {case.unit} or in {other.unit}?"
            sure = min(sure, unit_sure)
        elif not case.stated:
            said += _why_unit(key, made)
    if log_units.asked_as(case.unit) and not case.stated:
        doubt = (
            doubt
            if rival is not None
            else f"'{name}' ({label}) runs to {rounded(seen.most)}: are these {log_units.asked_as(case.unit)}?"
        )
        sure = min(sure, 0.6)
    return Match(key, column, seen.name, case.unit, None, tuple(said), doubt, round(sure, 3))


def _why_unit(key: str, made: list[evidence.Case]) -> list[str]:
    """Say why a unit was taken that the column does not state, where there was a choice."""
    if key in ("rpm", "battery_v", "nitrous_on", "timing_deg_btdc", "injector_ms"):
        return []
    unit, out = made[0].unit, []
    apart = next((c.unit for c in made if c.unit.split()[0] != unit.split()[0]), None)
    if apart is not None:
        out.append(f"Taken as {unit}: as {apart} its values would fit less well.")
    if unit.endswith("gauge") and key != "manifold_kpa":
        out.append("Taken over the barometer, as is usual there.")
    return out


def _nearest(key: str, table: agree.Table, looks: list[evidence.Look]) -> str:
    """Say that no column fits, and which comes nearest."""
    near = [(made[0].score, column) for (k, column), made in table.items() if k == key]
    none = f"No column was found for {CHANNELS[key].label}"
    if not near:
        for seen in looks:
            named = words.name_weight(evidence.label_of(seen), key) >= 3
            if named and key == "time_s" and seen.values.size and np.mean(np.diff(seen.rows) > 0) < 0.1:
                return f"{none}: '{seen.name[:60]}' {_not_rising(seen)}."
            if named and seen.flat and seen.values.size:
                rest = (
                    " That is what a count of knocks, or what is taken out for knock, shows where there is none: if it is one, name it by hand."
                    if key == "knock" and seen.middle == 0
                    else ""
                )
                return f"{none}: '{seen.name[:60]}' stands at {rounded(seen.middle)} all through and measures nothing.{rest}"
            if seen.unit and named:
                return f"{none}; '{seen.name[:60]}' is called so, but in {seen.unit} it cannot be read."
        return f"{none}: none has its name, its unit or its values."
    column = max(near)[1]
    seen, case = looks[column], table[key, column][0]
    if seen.flat and seen.values.size and case.named:
        return f"{none}: '{seen.name[:60]}' stands at {rounded(seen.middle)} all through and measures nothing."
    why = (
        "its values do not fit" if case.fits < 0 else "another quantity fits it better, or its name says nothing of it"
    )
    return f"{none}; nearest is '{seen.name[:60]}', which runs {seen.runs()}, but {why}."


def _not_rising(seen: evidence.Look) -> str:
    """Say what a column of time does instead of rising."""
    back = float(np.mean(np.diff(seen.rows) < 0))
    return "runs backwards: turn the rows round" if back > 0.9 else "does not rise row by row"


def _throttle(matches: dict[str, Match], looks: list[evidence.Look], sheet: BuildSheet) -> np.ndarray | None:
    match = matches["throttle_percent"]
    if match.column is None or match.sure < 0.5:
        return None
    return agree.canonical(looks[match.column], match.key, evidence.Case(match.unit, 0.0), sheet)


def _scaled(match: Match, matches: dict[str, Match], looks, throttle, sheet: BuildSheet) -> Match:
    """Find the scale of an AFR; where nothing tells it, it is asked and the match is not sure."""
    if match.column is None or match.unit not in log_units.SCALED or match.scale is not None:
        return match
    first = matches["lambda_"]
    if match.key == "lambda_target" and not first.used and first.unit in log_units.SCALED:
        return replace(match, doubt=f"{WAITS} '{first.name[:60]}', which is asked.", sure=min(match.sure, 0.5))
    scale, said, ask = agree.scale_of(looks[match.column], throttle, sheet)
    own = log_units.stated_scale(match.name, looks[match.column].unit) is not None
    if (
        first.scale is not None
        and not own
        and (
            match.key == "lambda_target"
            or (match.key == "lambda_2" and agree.settles_at(looks[match.column], throttle, first.scale))
        )
    ):
        scale, said, ask = first.scale, f"Taken on the {first.scale:g} scale of '{first.name[:60]}'.", ""
    if scale is None:
        doubt = f"{match.doubt} {ask}".strip()
        return replace(match, doubt=doubt, sure=min(match.sure, 0.5))
    return replace(match, scale=scale, evidence=(*match.evidence, said))
