"""Set up on one day, run on another: what changes against the plan, and whether it is more than noise."""

from __future__ import annotations

import dataclasses
import functools
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .. import build_fields as bf
from ..band import BOTTLE_TEMPERATURE, Band
from ..build_sheet import BuildSheet
from ..engine.charge import Charge, fresh_charge
from ..engine.setup import Setup
from ..errors import InputError, check_choice, check_number
from ..thermo import fuels
from ..thermo.nitrous import DEFAULT, MODELS
from ..thermo.vessel import LIQUID_FULL, T_HOTTEST, VAPOUR_ONLY, bottle_volume, vessel_state
from ..units import k_from_c
from . import fuel as pf
from .bottle_day import day, hold_temperature, least_fill
from .fuel_system import jet_for, jets_owned
from .judgement import no_timing, own_fuel_key
from .plan import Plan, plan_shot, shot_power
from .supply import bore_for, is_weighed, model_flows

GO, CHANGE, HOLD, NOTE = "go", "change", "hold", "note"
HOTTEST_C = bf.describe("nitrous.bottle_temperature_c")["high"]
"""Warmest bottle of a build sheet [C], just below the critical point of nitrous; above, this page says hold."""
REST_S, MOST_PASSES = 1200.0, 40
"""Wait between passes while those that are left are counted [s]; and where the count ends."""
OTHER_PLACE_KPA = 4.0
"""Weather moves a barometer by less; from memory."""
NOTHING = "Nothing beyond the noise."


@dataclass(frozen=True)
class Noise:
    """What a change must pass to count: its size, unit and reason. All are ours."""

    size: float
    unit: str
    because: str


NOISE = {
    "lambda": Noise(0.01, "", "about what a wide-band sensor repeats; common practice, no source"),
    "fuel": Noise(3.0, "%", "3 % of the added fuel is under 1 % of all fuel, less than lambda 0.01"),
    "jet": Noise(1.5, "%", "1.5 % of the bore is 3 % of the fuel"),
    "flow": Noise(3.0, "%", "about 3 K of bottle temperature, no better than it is read"),
    "power": Noise(3.0, "%", "it follows the flow"),
    "pressure": Noise(200.0, "kPa gauge", "about 1.5 K of bottle temperature, as a thermometer on the wall repeats"),
    "hold": Noise(1.0, "K difference", "as a heater holds"),
    "duty": Noise(2.0, "points", "what a trim for battery voltage moves"),
    "pump": Noise(2.0, "points", "what a pump repeats"),
    "passes": Noise(0.5, "passes", "a whole pass"),
    "octane": Noise(1.0, "RON", "a pump label, or AKI taken as RON, is known no better"),
    "ethanol": Noise(10.0, "points by volume", "about 1 RON where most is ethanol; from memory"),
}
"""Noise by quantity: thresholds of our own, each with its reason."""

_MOVES = ("lambda", "fuel", "jet", "flow")
"""What asks for a change beyond its noise; the other rows are told, and forbid where they pass a limit."""


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
class Change:
    """A row: a quantity by the plan and today.

    Attributes
    ----------
    key : str
        "lambda" (if nothing is changed), "fuel" (to add), "open_time", "jet", "flow", "power", "pressure", "hold", "duty", "pump", "passes".
    unit : str
        Of `plan` and `now`, as build sheets have it.
    plan, now : Band
    change : Band
        Today less plan, in the unit of `noise`: what is unknown on both days alike is not in its band.
    noise : Noise
    rpm : float or None
        Engine speed it belongs to.
    """

    key: str
    unit: str
    plan: Band
    now: Band
    change: Band
    noise: Noise
    rpm: float | None = None

    @property
    def beyond(self) -> bool:
        """Whether the likely change is more than noise."""
        return abs(self.change.best) > self.noise.size

    @property
    def moves(self) -> bool:
        """Whether it asks for something to be changed."""
        return self.beyond and self.key in _MOVES


@dataclass(frozen=True)
class Reason:
    """Why: weight "hold", "change" or "note"; what kind; its numbers in build-sheet units; a sentence where the kernel has one."""

    weight: str
    kind: str
    numbers: Mapping[str, Any] = field(default_factory=dict)
    text: str = ""


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
        For a wet system: (bore [mm], lambda it gives today) of the shop's own, nearest to the target first.
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


planned = functools.lru_cache(maxsize=16)(plan_shot)
"""`plan_shot`, remembered: the plan's side does not change while today's numbers do."""


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
    plan, target = planned(base), hold_target(base)
    reasons, changes, jets, today = _octane(base, now), (), (), None
    if now.bottle_temperature_c > HOTTEST_C:
        reasons.append(Reason(HOLD, "critical", {"bottle_temperature_c": now.bottle_temperature_c, **target}))
    else:
        today = todays_sheet(base, now)
        try:
            actual = planned(today)
        except InputError as exc:
            reasons.append(Reason(HOLD, "not computed", text=str(exc)))
        else:
            changes = tuple([*_mixture(base, today, plan, actual), *_supply(base, today, plan, actual)])
            reasons += [*_holds(today, actual, plan, changes), *_bottle(base, today, target, changes)]
            reasons += _moves(base, now, changes)
            jets = _jets(base, today, actual)
    verdict = next((weight for weight in (HOLD, CHANGE) if any(r.weight == weight for r in reasons)), GO)
    reasons.sort(key=lambda r: (HOLD, CHANGE, NOTE).index(r.weight))
    return Today(verdict, tuple(reasons), changes, jets, no_timing(sheet), today)


def _check(now: Now) -> None:
    if not isinstance(now, Now):
        raise InputError("now", now, "", "a Now", "It holds today's numbers.")
    for name, path in PATHS.items():
        about, value = bf.describe(path), getattr(now, name)
        if value is None and name == "octane_ron":
            continue
        high, why = about["high"], about["why"]
        if name == "bottle_temperature_c":
            high, why = T_HOTTEST - 273.15, "A hotter bottle is a fire."
        check_number(name, value, about["low"], high, about["unit"], why)
    if now.ethanol_percent is not None:
        if now.fuel_name is not None:
            why = "One of the two says what is in the tank."
            raise InputError("ethanol_percent", now.ethanol_percent, "%", "either it or fuel_name", why)
        check_number("ethanol_percent", now.ethanol_percent, 0.0, 100.0, "% by volume", "A share of the whole.")


def _with_nozzle(sheet: BuildSheet) -> BuildSheet:
    """Return the sheet with a bore: its own, or the one that passes the wanted flow on the plan's day."""
    if sheet.nitrous.nozzle_diameter_mm is not None:
        return sheet
    out = sheet
    for _ in range(4):  # the line's share of the loss depends on the bore
        out = sheet.replace({"nitrous.nozzle_diameter_mm": bore_for(out, planned(sheet).wanted_flow).best})
    return out


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


def lambda_unchanged(sheet: BuildSheet, today: BuildSheet, rpm, meant, actual) -> np.ndarray:
    """Lambda today if nothing is changed since the fuel was on target on the plan's day.

    Parameters
    ----------
    sheet, today : BuildSheet
        Of the plan, of today.
    rpm, meant, actual : float or array
        Speed [rpm], nitrous by the plan and today [kg/s]; they broadcast.

    Notes
    -----
    The controller follows today's air as its metering makes it, but for the plan's fuel; what was added for the shot stays. With
    another fuel all of it flows through the same openings, by the square root of density.
    """
    engine, control = sheet.engine, sheet.controller
    then, now = Setup.of(sheet), Setup.of(today)

    def own(setup: Setup, charge: Charge) -> np.ndarray:
        return pf.fuel_supplied(
            setup, charge, rpm, engine.lambda_without_nitrous, control.metering, control.intake_sensor
        )

    before, charge = fresh_charge(then, rpm, meant), fresh_charge(now, rpm, actual)
    added = pf.fuel_for(then, before, engine.lambda_with_nitrous) - own(then, before)
    supplied = own(dataclasses.replace(now, fuel=then.fuel), charge) + added
    return pf.lambda_with(now, charge, supplied * np.sqrt(now.fuel.density / then.fuel.density))


def flow_trend(sheet: BuildSheet, today: BuildSheet) -> Band:
    """Nitrous flow today over that of the plan: the models' trends over bottle temperature; the nozzle is the same."""
    ends = []
    for each in (sheet, today):
        flows = model_flows(each, k_from_c(each.nitrous.bottle_temperature_c))
        ends.append({model: flows[model][1] for model in (MODELS if is_weighed(sheet) else ("HEM", "NHNE"))})
    ratios = {model: ends[1][model] / ends[0][model] for model in ends[0]}
    return Band(min(ratios.values()), ratios[DEFAULT], max(ratios.values()), "trend over bottle temperature by model")


def _row_at_peak(sheet: BuildSheet, plan: Plan) -> int:
    return int((plan.table["rpm"] - sheet.engine.peak_power_rpm).abs().to_numpy().argmin())


def _column(plan: Plan, name: str, k: int) -> Band:
    low, best, high = (float(plan.table[f"{name}{end}"].iloc[k]) for end in ("_low", "", "_high"))
    return Band(low, best, high, "the ranges of the plan")


def _over(values: list[float], because: str) -> Band:
    """Likely first, ends over all."""
    return Band(float(np.min(values)), float(values[0]), float(np.max(values)), because)


def _percent(of: Callable[[float], float], base: float, scale: float, flows: list[float]) -> Band:
    """Change of a function of the nitrous flow [%], over flows."""
    return _over([100 * (of(flow) - base) / scale for flow in flows], "trend over bottle temperature by model")
