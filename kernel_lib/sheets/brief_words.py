"""The sentences of the customer's brief; every number in them comes from the tune or its sheet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .. import units as u
from ..build_fields import Parts, describe
from ..build_sheet import BuildSheet
from ..errors import InputError
from ..plan.bottle_day import hold_temperature, least_fill
from ..plan.guards import BASE_ROOM, WARM_C
from ..plan.proposals import PRACTICE, PRESSURE_DROP, TRADE_HOLD_S, close_rpm, lean_budget
from ..plan.ramp import OVER_RPM, ramp_sentence
from ..plan.tune import Tune
from ..text import banded, banded_in, lowered, rounded
from ..thermo import fuels
from .brief_asked import asked, best_row, closes_early, flowing
from .brief_open import open_items
from .tune_sheet import assumed_values

_ETHANOL = next(iter(fuels.get("ethanol").composition))
MUCH_ETHANOL = 0.3
"""Mole fraction of ethanol in a fuel from which each fill is tested; a choice of our own, no source."""


@dataclass(frozen=True)
class Units:
    """How the brief writes its numbers: metric or US; a shot stays in hp, as the trade counts it."""

    metric: bool

    def _of(self, metric: tuple[str, Callable], us: tuple[str, Callable]) -> tuple[str, Callable]:
        return metric if self.metric else us

    @property
    def power(self) -> tuple[str, Callable]:
        """From hp."""
        return self._of(("kW", u.kw_from_hp), ("hp", float))

    @property
    def torque(self) -> tuple[str, Callable]:
        """From N m."""
        return self._of(("N m", float), ("lb ft", u.lbft_from_nm))

    @property
    def gauge(self) -> tuple[str, Callable]:
        """Bottle and fuel pressure, from kPa."""
        return self._of(("bar", lambda kpa: kpa / 100), ("psi", u.psi_from_kpa))

    @property
    def mass(self) -> tuple[str, Callable]:
        """From kg."""
        return self._of(("kg", float), ("lb", u.lb_from_kg))

    def pressure(self, kpa: float) -> str:
        """Write a pressure on a gauge."""
        unit, to = self.gauge
        return f"{to(kpa):.{1 if to(kpa) < 10 else 0}f} {unit}"

    def temperature(self, celsius: float) -> str:
        """Write a temperature."""
        return f"{celsius:.0f} °C" if self.metric else f"{u.f_from_c(celsius):.0f} °F"

    def kg(self, mass: float) -> str:
        """Write a mass."""
        unit, to = self.mass
        return f"{rounded(to(mass), 0.1 * to(mass))} {unit}"


def power_ends(row: pd.Series) -> tuple[float, float, float]:
    """Power with nitrous at a speed [hp]: low, likely, high."""
    return tuple(float(row["power_own_hp"] + row[f"power_gain_hp{end}"]) for end in ("_low", "", "_high"))


def answer(tune: Tune, units: Units) -> list[str]:
    """What was asked, what the car will do, and how it gets there; of a plan that nothing forbids."""
    sheet, row = tune.sheet, best_row(tune)
    unit, to = units.power
    ends = power_ends(row)
    share = sheet.driveline.efficiency_percent
    known = "this sheet's" if sheet.is_given("driveline.efficiency_percent") else "from memory"
    steps, left = tune.ladder.steps, len(open_items(tune, metric=units.metric))
    gain = to(float(row["power_gain_hp"]))
    settle = f" {left} point{' is' if left == 1 else 's are'} still open." if left else ""
    there = ", where the nitrous closes" if row["rpm"] == asked(tune).close else ""
    return [
        f"You asked for {sheet.nitrous.shot_hp:g} hp more, {sheet.nitrous.pass_s:g} s at a time. With the whole plan the car makes about {banded(*(to(v) for v in ends))} {unit} at "
        f"{row['rpm']:.0f} rpm{there}, against {rounded(to(row['power_own_hp']))} without: likely {rounded(gain, 0.1 * gain)} more.",
        f"This is at the crank; about {share:g} % reaches the wheels ({known}): a chassis dynamometer would show about "
        f"{rounded(to(ends[1]) * share / 100, to(ends[2] - ends[0]))} {unit}.",
        f"It comes in {len(steps)} steps, the first worth about {rounded(to(steps[0].hp), 0.1 * to(steps[0].hp))} {unit}; each must pass its checks.{settle}",
    ]


def fuel_card(tune: Tune) -> str:
    """Fuel to burn with."""
    sheet, row = tune.sheet, best_row(tune)
    way = "through the injectors" if sheet.nitrous.system == "dry" else "through a jet"
    return (
        f"Nitrous brings oxygen, so fuel is added {way}: about {banded_in(row, 'fuel_added_percent')} % on the engine's own at {row['rpm']:.0f} rpm. Leaner than "
        f"{sheet.engine.lambda_with_nitrous * sheet.controller.gauge_scale:.1f} on the gauge (higher is leaner) may give more power; this plan leaves it."
    )


def spark_card(tune: Tune) -> str:
    """Spark later."""
    retard = flowing(tune)["retard_deg"].dropna()
    if retard.empty:
        return "This charge burns hotter and harder; no spark is late enough for so much of it."
    much = f"{retard.min():g} to {retard.max():g}" if retard.min() < retard.max() else f"{retard.max():g}"
    return f"This charge burns hotter and harder: the spark comes {much} degrees later, from before the first nitrous until the last is gone."


def dose_card(tune: Tune) -> str:
    """How it comes in; a ramp over speed only as far as it is let."""
    begin, plan = "The slower the engine, the more each stroke takes in", lowered(ramp_sentence(tune.ramp))
    if tune.ramp.kind != OVER_RPM:
        return f"{begin}. Here: {plan}"
    if closes_early(tune):
        rows = flowing(tune)
        first, last = (
            f"{r['share_percent']:.0f} % of the flow at {r['rpm']:.0f} rpm" for _, r in rows.iloc[[0, -1]].iterrows()
        )
        plan = f"{first}, {last.replace(' of the flow', '')}, where it closes."
    return f"{begin}, so it comes in with speed: {plan}"


def bottle_card(tune: Tune, units: Units) -> str:
    """A bottle in its window."""
    try:
        hold = f"About {units.temperature(u.c_from_k(hold_temperature(tune.sheet)))} holds it there."
    except InputError:
        hold = "There is too little in it to hold it there."
    return f"Fuel is set for this window; outside, another amount of nitrous arrives. {hold}"


def stops_card(tune: Tune) -> str:
    """Switches that close it."""
    return f"Only beyond {tune.sheet.nitrous.throttle_min_percent:g} % throttle and within these speeds. Have each switch shown to you."


def limit_note(sheet: BuildSheet, units: Units) -> str:
    """Whose limits those are."""
    rise, absolute = sheet.limits.peak_pressure_rise_percent, sheet.limits.peak_pressure_bar
    given = sheet.is_given("limits.peak_pressure_rise_percent")
    knock = "Against the engine's own without nitrous, the later spark lowers nearness to knock."
    if absolute is not None and not given:
        bar = f"{absolute:g} bar" if units.metric else f"{u.psi_from_kpa(100 * absolute):.0f} psi"
        return f"You allow {bar} of cylinder pressure. {knock}"
    return f"{'You allow' if given else 'Assumed: you allow'} {rise:g} % above the engine's own pressure. {knock}"


def before_use(tune: Tune, units: Units) -> list[str]:
    """What must be true before each pass."""
    sheet, nitrous = tune.sheet, tune.sheet.nitrous
    octane = f"{sheet.fuel.octane_ron:g} RON" if sheet.fuel.octane_aki is None else f"{sheet.fuel.octane_aki:g} AKI"
    rail = (
        sheet.value("nitrous.fuel_jet_pressure_kpa") if nitrous.system == "wet" else sheet.fuel_system.rail_pressure_kpa
    )
    gap = f"{sheet.engine.plug_gap_mm:.2g} mm" if units.metric else f"{u.in_from_mm(sheet.engine.plug_gap_mm):.3f} in"
    stated = "" if sheet.is_given("engine.plug_gap_mm") else " (assumed)"
    scale, own = sheet.controller.gauge_scale, sheet.engine.lambda_without_nitrous
    drawn = _drawn(tune)[1]
    empty = (
        f" ({units.mass[1](nitrous.bottle_empty_kg):.1f} {units.mass[0]})"
        if nitrous.bottle_empty_kg is not None
        else ""
    )
    return [
        f"Fuel: {sheet.make_fuel().name}, {octane} or better, fresh.{_ethanol(sheet)}",
        f"Plugs: your tuner's choice, gap {gap}{stated}, read after every step.",
        f"Bottle: gauge in its window. Weigh it: the empty bottle's own weight{empty} plus at least {units.kg(least_fill(sheet, drawn))} of nitrous, or the pass ends in vapour.",
        f"Coolant above {units.temperature(WARM_C)} ({PRACTICE}).",
        f"Fuel pressure within {100 * PRESSURE_DROP:.0f} % of {units.pressure(rail)}.",
        f"Mixture gauge at full throttle without nitrous: {(own - BASE_ROOM) * scale:.1f} to {(own + BASE_ROOM) * scale:.1f}.",
        "Closed, dry course; nobody near; fire extinguisher at hand.",
    ]


def _ethanol(sheet: BuildSheet) -> str:
    """How a fuel with much ethanol is tested; empty for others."""
    if sheet.make_fuel().composition.get(_ETHANOL, 0.0) < MUCH_ETHANOL:
        return ""
    blend = sheet.fuel.blend_percent_by_volume or {}
    shows = f": it must show {blend['ethanol']:g} % by volume" if "ethanol" in blend else ""
    return f" Test every fill with an ethanol tester, not by the label{shows}."


def ends_it(tune: Tune) -> list[str]:
    """The guards."""
    sheet, dosed, ask = tune.sheet, tune.dosed, asked(tune)
    nitrous, scale = sheet.nitrous, sheet.controller.gauge_scale
    _, budget = lean_budget(sheet, dosed, 0, ask.lean)
    at = f"with added fuel missing at {dosed.rpm[0]:.0f} rpm"
    late = (
        f"No stop is instant: {at}, the lean stop takes about {budget.total_s:.1f} s, {budget.cycles:.0f} firings a cylinder."
        if budget.reached
        else f"No stop sees everything: {at}, the mixture stays short of the lean stop."
    )
    loose = close_rpm(sheet, dosed, sheet.driveline.free_rise_rpm_s) <= ask.close
    slip = "If the wheels spin or a shift is missed, the limiter may come first: no nitrous on poor grip."
    return [
        f"Mixture gauge above {ask.lean * scale:.1f} or below {ask.rich * scale:.1f}; fuel pressure {100 * PRESSURE_DROP:.0f} % low; knock; "
        f"throttle below {nitrous.throttle_min_percent:g} %; speed outside {dosed.rpm[0]:.0f} to {ask.close:.0f} rpm.",
        late,
        *([slip] if loose else []),
        "A valve stuck open: only a second valve before it, or the bottle's own, ends it. Ask whether this car has one.",
    ]


def driver_rule(tune: Tune) -> str:
    """After a shut-off."""
    wait = max(asked(tune).hold_s, TRADE_HOLD_S)
    return (
        f"If the nitrous shuts off by itself: foot off for at least {wait:g} s, switch off, drive in. No second try until somebody has found out why. "
        "If the engine stops with the bottle open: do not crank it, not once. Ignition off, bottle shut, call your tuner."
    )


def _drawn(tune: Tune) -> tuple[float, float, float]:
    """Nitrous of a pass at its largest flow [kg]: low, likely, high."""
    rows, seconds = flowing(tune), tune.sheet.nitrous.pass_s
    row = rows.loc[rows["nitrous_kg_s"].idxmax()]
    return tuple(float(row[f"nitrous_kg_s{end}"]) * seconds for end in ("_low", "", "_high"))


def passes_left(tune: Tune) -> int:
    """Passes that the liquid in the bottle lasts for, each at its largest flow."""
    sheet, drawn = tune.sheet, _drawn(tune)[1]
    spare = sheet.value("nitrous.bottle_fill_kg") - least_fill(sheet, drawn)
    return 0 if spare < 0 else int(spare / drawn) + 1


def one_pass(tune: Tune, units: Units) -> str:
    """Nitrous and cost of a pass."""
    sheet, drawn = tune.sheet, _drawn(tune)
    price, unit = sheet.nitrous.price_per_kg, sheet.car.currency.strip()
    assumed = "" if sheet.is_given("nitrous.pass_s") else " (assumed)"
    told = f"A pass of {sheet.nitrous.pass_s:g} s{assumed} takes about {units.kg(drawn[1])} of nitrous, at most {units.kg(drawn[2])}{', purging on top' if sheet.nitrous.purge else ''}. "
    count = passes_left(tune)
    told += (
        f"The {units.kg(sheet.value('nitrous.bottle_fill_kg'))} in the bottle last for about {count}, kept in its window. "
        if count
        else "The bottle does not hold enough for one. "
    )
    if price is None:
        return told + "Cost not stated."
    money = f" {unit}" if unit else ", in the currency of the sheet's price"
    return (
        told
        + f"Nitrous costs about {banded(*(price * m for m in drawn))}{money} a pass; fuel, plugs and wear not counted."
    )


def unknowns(tune: Tune) -> list[str]:
    """What nobody knows."""
    sheet, row = tune.sheet, best_row(tune)
    return [
        "How much cold reaches the air, how fast the flame runs, how evenly cylinders share: not found measured with nitrous; hence the bands.",
        _gauge(sheet, float(row["gauge_afr_sensor"])),
        f"{len(assumed_values(sheet))} numbers were assumed; the tune sheet lists them.",
    ]


def _gauge(sheet: BuildSheet, shown: float) -> str:
    if not np.isfinite(shown):
        return "What the gauge shows with nitrous in the exhaust."
    true = sheet.engine.lambda_with_nitrous * sheet.controller.gauge_scale
    return f"With nitrous, a true {true:.1f} may show as {shown:.1f} on the gauge (modelled, not verified)."


def parts(tune: Tune) -> str:
    """Which parts nobody looked at, and what that means."""
    sheet = tune.sheet
    labels = [describe(f"parts.{name}")["label"] for name in Parts.model_fields if getattr(sheet.parts, name) is None]
    cast = " Cast pistons break at the first knock." if sheet.parts.piston == "cast" else ""
    if len(labels) == len(Parts.model_fields):
        return f"Nobody stated anything about: {'; '.join(labels)}.{cast}"
    told = f"Not stated: {'; '.join(labels)}. The others" if labels else "All"
    return f"{told} were stated, not inspected.{cast}"


UPKEEP = (
    "Daily: lines, fittings, wiring, leaks; weigh the bottle; try every switch, bottle shut.",
    "After each outing: plugs; oil (fuel in it: change it); the log.",
    "Each season: filters, valve seats, leak-down; the bottle's test date.",
)
"""Common practice, no source."""

VOIDS = (
    "Another fuel, nozzle, jet, valve, bottle, injector, pump, pressure, plug, sensor or table; work on engine, intake, exhaust or gearbox; a bridged guard, moved limit or skipped step; "
    "knock or overheating: ask for a new plan. Other weather: for a check."
)
LAW = (
    "Local law and your contracts decide about insurance, warranty and any public road, even with it carried connected. "
    "Ask first, in writing. This is no legal advice."
)
SIGNED = "Signatures say that this brief was read and explained. They are no certification of parts, car or plan."
UNSETTLED = "Not before the points still open are settled."
