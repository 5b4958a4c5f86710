"""Set up on one day, run on another: what changes against the plan, and whether it is more than noise."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import Any

from .. import build_fields as bf
from ..build_sheet import BuildSheet
from ..doubts import doubts, overfilled
from ..engine.setup import Setup
from ..errors import InputError, check_choice, check_number
from ..thermo import fuels
from ..thermo.vessel import T_HOTTEST
from .fuel_system import JET_SLACK, jets_owned
from .judgement import timing_sentences
from .plan import Plan, plan_shot, plan_supply
from .supply import bore_for
from .today_reasons import CHANGE, GO, HOLD, NOTE, Reason, bottle, forbids, not_measured, target
from .today_rows import (
    NOISE,
    Change,
    mixture_rows,
    pressure_of,
    row_at_peak,
    supply_rows,
)
from .tune import tune_of

HOTTEST_C = bf.describe("nitrous.bottle_temperature_c")["high"]
"""Warmest bottle of a build sheet [C], just below the critical point of nitrous; above, this page says hold."""
OTHER_PLACE_KPA = 4.0
"""Weather moves a barometer by less; from memory."""
NOTHING = "Nothing beyond the noise."


@dataclass(frozen=True)
class Now:
    """Today, in the units of a build sheet.

    Attributes
    ----------
    barometer_kpa, air_temperature_c, relative_humidity_percent, bottle_temperature_c, bottle_fill_kg : float
        As on the sheet; the bottle may be warmer than a sheet allows (up to 80 C): then the verdict is hold.
    fuel_name : str, optional
        Of `fuels.names()`. With neither this nor the next the fuel is the sheet's.
    ethanol_percent : float, optional
        Of a blend with gasoline, by volume.
    octane_ron : float, optional
        As today's pump says; unknown if None and the fuel is another.
    """

    barometer_kpa: float
    air_temperature_c: float
    relative_humidity_percent: float
    bottle_temperature_c: float
    bottle_fill_kg: float
    fuel_name: str | None = None
    ethanol_percent: float | None = None
    octane_ron: float | None = None

    @classmethod
    def of(cls, sheet: BuildSheet) -> Now:
        """Return the plan's own day."""
        return cls(**{name: sheet.value(path) for name, path in PATHS.items() if name != "octane_ron"})


PATHS = {
    "barometer_kpa": "site.barometer_kpa",
    "air_temperature_c": "site.air_temperature_c",
    "relative_humidity_percent": "site.relative_humidity_percent",
    "bottle_temperature_c": "nitrous.bottle_temperature_c",
    "bottle_fill_kg": "nitrous.bottle_fill_kg",
    "octane_ron": "fuel.octane_ron",
}
"""Today's numbers and the fields of the sheet they stand for."""


@dataclass(frozen=True)
class Today:
    """What `compare` returns.

    Attributes
    ----------
    verdict : str
        "go", "change" or "hold".
    reasons : tuple of Reason
        The weightiest first; empty where nothing is beyond the noise.
    changes : tuple of Change
        Without those that cannot be computed.
    jets : tuple
        For a wet system: (bore [mm], lambda it gives today) of the shop's own, those that are not leaner than the target first, the nearest of them before all.
    timing : str
        That timing with nitrous is not computed.
    sheet : BuildSheet or None
        Of today; None where the bottle is beyond what a sheet can hold.
    """

    verdict: str
    reasons: tuple[Reason, ...]
    changes: tuple[Change, ...]
    jets: tuple[tuple[float, float], ...]
    timing: str
    sheet: BuildSheet | None

    def row(self, key: str) -> Change | None:
        """Return the row of that key."""
        return next((change for change in self.changes if change.key == key), None)


planned = functools.lru_cache(maxsize=16)(plan_supply)
"""`plan_supply`, remembered: the plan's side does not change while today's numbers do."""


@functools.lru_cache(maxsize=8)
def timing_of(sheet: BuildSheet) -> str:
    """Say what the plan's timing is, for the day of the plan; it is not worked out anew for today."""
    sentences = timing_sentences(plan_shot(sheet).timing)
    return f"{' '.join(sentences)} Worked out for the day of the plan: not for a lower octane or a hotter charge."


def _ramp(base: BuildSheet) -> list[Reason]:
    """What the planner holds against the ramp kept on the sheet; nothing where none is kept."""
    if base.ramp.kind is None:
        return []
    return [Reason(HOLD, "blocker", {"new": False}, text) for text in tune_of(base).blockers]


def compare(sheet: BuildSheet, now: Now) -> Today:
    """Compare today with the plan.

    Parameters
    ----------
    sheet : BuildSheet
        The plan's. Without a nozzle bore, that which would pass the wanted flow on the plan's day.
    now : Now

    Returns
    -------
    Today

    Raises
    ------
    InputError
        For a value of today that does not fit, or a sheet that cannot be planned. A day on which the shot cannot be computed
        is no error: the verdict is hold.
    """
    if not isinstance(sheet, BuildSheet):
        raise InputError("sheet", sheet, "", "a BuildSheet", "Today is compared with the car on paper.")
    _check(now)
    base = _with_nozzle(sheet)
    plan = planned(base)
    reasons, changes, jets, today = [*_octane(base, now), *_ramp(base)], (), (), None
    if now.bottle_temperature_c > HOTTEST_C:
        coolest = todays_sheet(base, replace(now, bottle_temperature_c=HOTTEST_C))
        reasons += [Reason(HOLD, "blocker", {"new": True}, d.sentence) for d in doubts(coolest) if d.weight == "stop"]
        pressure = pressure_of(coolest, now.bottle_temperature_c)
        numbers = {"bottle_temperature_c": now.bottle_temperature_c, "pressure_kpa": pressure, **target(base, coolest)}
        reasons.append(Reason(HOLD, "critical", numbers))
    else:
        today = todays_sheet(base, now)
    if today is not None and overfilled(today):  # nothing else is said of a bottle that must not be used
        reasons += [Reason(HOLD, "blocker", {"new": True}, d.sentence) for d in doubts(today) if d.weight == "stop"]
    elif today is not None:
        try:
            actual = planned(today)
            changes = (*mixture_rows(base, today, plan, actual), *supply_rows(base, today, plan, actual))
        except InputError as exc:
            reasons.append(Reason(HOLD, "not computed", text=str(exc)))
        else:
            result = Today(GO, (), changes, _jets(base, today, actual), "", today)
            reasons += [
                *forbids(base, today, plan, actual),
                *bottle(base, today, changes, actual),
                *_moves(base, now, result),
                *not_measured(sheet, base, plan),
            ]
            if {"below window", "above window"} & {
                r.kind for r in reasons
            }:  # no fuel is set for a bottle outside its window
                reasons = [r for r in reasons if r.kind not in ("fuel", "flow")]
            jets = result.jets
    verdict = next((weight for weight in (HOLD, CHANGE) if any(r.weight == weight for r in reasons)), GO)
    reasons.sort(key=lambda r: (HOLD, CHANGE, NOTE).index(r.weight))
    return Today(verdict, tuple(reasons), changes, jets, timing_of(base), today)


def _check(now: Now) -> None:
    if not isinstance(now, Now):
        raise InputError("now", now, "", "a Now", "It holds today's numbers.")
    for name, path in PATHS.items():
        about, value = bf.describe(path), getattr(now, name)
        if name == "bottle_temperature_c":
            about |= {"high": T_HOTTEST - 273.15, "why": "A hotter bottle is a fire."}
        if value is not None or name != "octane_ron":
            check_number(name, value, about["low"], about["high"], about["unit"], about["why"])
    if now.ethanol_percent is not None:
        if now.fuel_name is not None:
            why = "One of the two says what is in the tank."
            raise InputError("ethanol_percent", now.ethanol_percent, "%", "either it or fuel_name", why)
        check_number("ethanol_percent", now.ethanol_percent, 0.0, 100.0, "% by volume", "A share of the whole.")


@functools.lru_cache(maxsize=16)
def _with_nozzle(sheet: BuildSheet) -> BuildSheet:
    """Return the sheet with a bore: its own, or the one that passes the wanted flow on the plan's day."""
    if sheet.nitrous.nozzle_diameter_mm is not None:
        return sheet
    bore = bore_for(sheet, planned(sheet).wanted_flow)
    if bore is None:
        why = "No nozzle is on the sheet, and its line is not sure to feed the wanted shot."
        raise InputError("nitrous.line_bore_mm", sheet.nitrous.line_bore_mm, "mm", "a wider line", why)
    return sheet.replace({"nitrous.nozzle_diameter_mm": bore.best})


def todays_sheet(sheet: BuildSheet, now: Now) -> BuildSheet:
    """Return the sheet with today's numbers; the same sheet on the plan's own day.

    Raises
    ------
    InputError

    Notes
    -----
    A manifold pressure on the sheet scales with the barometer. The altitude is dropped where today's barometer differs. A
    measured density belongs to the plan's fuel.
    """
    changes = {
        path: float(getattr(now, name))
        for name, path in PATHS.items()
        if name != "octane_ron" and getattr(now, name) != sheet.value(path)
    }
    if "site.barometer_kpa" in changes:
        changes |= {"site.altitude_m": None} if sheet.site.altitude_m is not None else {}
        stated = sheet.engine.full_throttle_manifold_kpa
        if stated is not None:
            scaled = stated * now.barometer_kpa / sheet.value("site.barometer_kpa")
            about = bf.describe("engine.full_throttle_manifold_kpa")
            why = f"The manifold pressure on the sheet scales with it, here to {scaled:.1f} kPa: out of its range."
            if not about["low"] <= scaled <= about["high"]:
                raise InputError("barometer_kpa", now.barometer_kpa, "kPa absolute", "nearer to the plan's", why)
            changes["engine.full_throttle_manifold_kpa"] = scaled
    changes |= _fuel_changes(sheet, now)
    if now.octane_ron is not None and now.octane_ron != sheet.octane_ron:
        changes |= {"fuel.octane_ron": float(now.octane_ron), "fuel.octane_aki": None}
    return sheet.replace(changes) if changes else sheet


def _fuel_changes(sheet: BuildSheet, now: Now) -> dict[str, Any]:
    """Fields of another fuel; none if today's is made of the same."""
    if now.fuel_name is None and now.ethanol_percent is None:
        return {}
    if now.fuel_name is not None:
        name: str | None = now.fuel_name
        check_choice("fuel_name", name, fuels.names(), "Only fuels of known composition can be computed.")
    else:
        name = {0.0: "gasoline", 100.0: "ethanol"}.get(now.ethanol_percent)
    parts = None if name else {"gasoline": 100.0 - now.ethanol_percent, "ethanol": float(now.ethanol_percent)}
    fuel = fuels.get(name) if name else fuels.blend({k: v / 100 for k, v in parts.items()}, by="volume")
    was = sheet.make_fuel().composition
    if all(abs(fuel.composition.get(k, 0.0) - was.get(k, 0.0)) < 1e-6 for k in {*fuel.composition, *was}):
        return {}
    return {"fuel.name": name, "fuel.blend_percent_by_volume": parts, "fuel.density_kg_m3": None}


def other_fuel(sheet: BuildSheet, now: Now) -> bool:
    """Whether today's fuel is made of something else than the plan's."""
    return bool(_fuel_changes(sheet, now))


def ethanol_share(sheet: BuildSheet) -> float | None:
    """Ethanol in a sheet's fuel [% by volume], if it is gasoline, ethanol or both."""
    if sheet.fuel.name is not None:
        return {"gasoline": 0.0, "E10": 10.0, "E85": 85.0, "ethanol": 100.0}.get(sheet.fuel.name)
    parts = sheet.fuel.blend_percent_by_volume
    return parts.get("ethanol", 0.0) if set(parts) <= {"gasoline", "ethanol"} else None


def _octane(sheet: BuildSheet, now: Now) -> list[Reason]:
    """Hold on a fuel whose octane is lower or unknown; say where it was not checked."""
    changed, plan, stated = _fuel_changes(sheet, now), sheet.octane_ron, now.octane_ron
    if stated is not None:
        low = stated < plan - NOISE["octane"].size
        return [Reason(HOLD, "octane lower", {"octane_ron": stated, "plan_ron": plan, "stated": True})] if low else []
    if not changed:
        return []
    other = sheet.replace(changed)
    was, share = ethanol_share(sheet), ethanol_share(other)
    if was is not None and share is not None:
        numbers = {"ethanol_percent": share, "plan_percent": was, "plan_ron": plan}
        lower = share < was - NOISE["ethanol"].size
        return [Reason(HOLD, "ethanol lower", numbers) if lower else Reason(NOTE, "octane not checked", numbers)]
    typical = fuels.get(other.fuel.name).ron if other.fuel.name else None
    if typical is None:
        return [Reason(HOLD, "octane unknown", {"plan_ron": plan})]
    numbers = {"octane_ron": typical, "plan_ron": plan, "stated": False}
    lower = typical < plan - NOISE["octane"].size
    return [Reason(HOLD, "octane lower", numbers) if lower else Reason(NOTE, "octane not checked", numbers)]


def _moves(base: BuildSheet, now: Now, result: Today) -> list[Reason]:
    """Say what has to be set anew, and what was only told."""
    out = []
    if any(change.moves for change in result.changes if change.key != "flow"):
        out.append(Reason(CHANGE, "fuel", {"metering": base.controller.metering, "system": base.nitrous.system}))
    flow = result.row("flow")
    if flow.moves:
        out.append(Reason(CHANGE, "flow", {"change_percent": flow.change, **target(base, result.sheet)}))
    if _fuel_changes(base, now):
        weight = CHANGE if result.row("lambda").moves else NOTE
        out.append(Reason(weight, "other fuel", {"was": base.make_fuel().name, "now": result.sheet.make_fuel().name}))
    was = base.value("site.barometer_kpa")
    if abs(now.barometer_kpa - was) > OTHER_PLACE_KPA:
        out.append(Reason(NOTE, "other place", {"barometer_kpa": now.barometer_kpa, "plan_kpa": was}))
    return out


def _jets(base: BuildSheet, today: BuildSheet, actual: Plan) -> tuple[tuple[float, float], ...]:
    if base.nitrous.system == "dry":
        return ()
    rpm = float(actual.table["rpm"].iloc[row_at_peak(base, actual)])
    owned, target = jets_owned(today, Setup.of(today), rpm, actual.flow.best), base.engine.lambda_with_nitrous
    return tuple(sorted(owned, key=lambda jet: (jet[1] > target + JET_SLACK, abs(jet[1] - target))))
