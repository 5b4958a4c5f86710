"""The sentences of the customer's brief; every number in them comes from the tune or its sheet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .. import units as u
from ..build_fields import Parts, describe
from ..build_sheet import BuildSheet
from ..doubts import doubts, part_doubts
from ..errors import InputError
from ..plan.bottle_day import hold_temperature, least_fill
from ..plan.guards import BASE_ROOM, WARM_C
from ..plan.proposals import PRACTICE, PRESSURE_DROP, TRADE_HOLD_S, close_rpm, hold_s, lean_budget, least_lead_ms
from ..plan.ramp import OVER_RPM, Breach, breach_sentences, breaches, ramp_sentence
from ..plan.tune import Tune
from ..text import banded, banded_in, listed, lowered, rounded


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
        return self._of(("kPa", float), ("psi", u.psi_from_kpa))

    @property
    def mass(self) -> tuple[str, Callable]:
        """From kg."""
        return self._of(("kg", float), ("lb", u.lb_from_kg))

    def pressure(self, kpa: float) -> str:
        """Write a pressure on a gauge."""
        unit, to = self.gauge
        return f"{to(kpa):.0f} {unit}"

    def temperature(self, celsius: float) -> str:
        """Write a temperature."""
        return f"{celsius:.0f} °C" if self.metric else f"{u.f_from_c(celsius):.0f} °F"

    def kg(self, *mass: float) -> str:
        """Write a mass, or a band of it."""
        unit, to = self.mass
        return f"{banded(*(to(m) for m in mass)) if len(mass) == 3 else rounded(to(mass[0]), 0.1 * to(mass[0]))} {unit}"


def flowing(tune: Tune) -> pd.DataFrame:
    """Rows of the tune where anything flows."""
    return tune.table[tune.table["share_percent"] > 0]


def best_row(tune: Tune) -> pd.Series:
    """The row of most power; the last where none is known, because no timing is."""
    rows = flowing(tune)
    known = rows["power_hp"].notna().any()
    return rows.loc[rows["power_hp"].idxmax()] if known else rows.iloc[-1]


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
    steps = tune.ladder.steps
    gain, left = to(float(row["power_gain_hp"])), len(open_items(tune))
    settle = f" {left} point{' is' if left == 1 else 's are'} still open, below." if left else ""
    return [
        f"You asked for {sheet.nitrous.shot_hp:g} hp more, {sheet.nitrous.pass_s:g} s at a time. With all of the plan the car makes about {banded(*(to(v) for v in ends))} {unit} at "
        f"{row['rpm']:.0f} rpm, against {rounded(to(row['power_own_hp']))} without: likely {rounded(gain, 0.1 * gain)} {unit} more, with the spark set for safety.",
        f"This is power at the crank. About {share:g} % of it reaches the wheels ({known}): a chassis dynamometer would show about "
        f"{rounded(to(ends[1]) * share / 100, to(ends[2] - ends[0]))} {unit}.",
        f"It comes in {len(steps)} steps, the first worth about {rounded(to(steps[0].hp), 0.1 * to(steps[0].hp))} {unit}; each must pass its checks before the next.{settle}",
    ]


_WHY = {
    "pressure": "the spark would have to come so late that the exhaust gets too hot",
    "retard": "no spark is late enough to hold cylinder pressure and knock",
    "flame table": "so much nitrous lies beyond what was ever computed",
    "injectors": "the injectors cannot bring that fuel",
    "pump": "the fuel pump cannot bring that fuel",
    "oxygen share": "it passes your limit of oxygen",
    "half nitrous": "there would be more nitrous than air in the cylinder",
    "clutch": "the clutch would slip",
    "wheels": "it passes your limit of torque at the wheels",
    "power": "it passes your limit of power",
    "rule": "the exhaust gets too hot",
}
_WHY |= {"knock": _WHY["pressure"], "phasing": _WHY["pressure"]}


def reasons(tune: Tune) -> list[str]:
    """Why nothing may be sprayed, in plain words; what has none yet stands as the plan says it."""
    found = breaches(tune.sheet, tune.room, tune.ramp)
    told = dict(zip(breach_sentences(found), found, strict=True))
    return [_plainly(told[text]) if text in told else text for text in tune.blockers]


def _plainly(b: Breach) -> str:
    share = "all" if b.share >= 1 - 1e-9 else f"up to {100 * b.share:.0f} %"
    why = _WHY.get(b.limit)
    return f"From {b.low:.0f} to {b.high:.0f} rpm the plan asks for {share} of the nitrous flow, where at worst only {100 * b.allowed:.0f} % is allowed{f': more, and {why}' if why else ''}."


def open_items(tune: Tune) -> list[str]:
    """What the plan leaves for somebody to settle before a first pass."""
    sheet, dosed = tune.sheet, tune.dosed
    nitrous, control, of_parts = sheet.nitrous, sheet.controller, part_doubts(sheet)
    out = []
    by = close_rpm(sheet, dosed)
    if nitrous.spray_rpm_max > by:
        early = f"by {50 * np.floor(by / 50):.0f} rpm" if by > dosed.rpm[0] else "before it even opens"
        out.append(
            f"The nitrous closes at {nitrous.spray_rpm_max:g} rpm. To be gone at the rev limit of {sheet.engine.limit_rpm:g} rpm it would have to close {early}."
        )
    out += _cuts(sheet)
    if not control.timing_follows:
        out.append(
            "By the sheet, added fuel and late spark do not stay after a shut-off: every shut-off then ends lean and early. They must stay."
        )
    lead, enough = least_lead_ms(sheet, dosed)
    if lead > nitrous.fuel_lead_ms:
        out.append(
            f"Fuel leads the nitrous by {nitrous.fuel_lead_ms:g} ms; to keep every first cycle from turning lean it {'needs' if enough else 'needs more than'} {lead:.0f} ms."
        )
    if sheet.limits.lean_stop_lambda <= sheet.engine.lambda_with_nitrous:
        out.append("The lean stop is not leaner than the mixture aimed at: it would end every pass.")
    return out + [d.sentence for d in doubts(sheet) if d.weight == "watch" and d not in of_parts]


def _cuts(sheet: BuildSheet) -> list[str]:
    control, kinds = sheet.controller, {}
    for name, kind in (
        ("rev limiter", control.limiter_cuts),
        ("shifts", control.shift_cuts),
        ("traction control", control.traction_cuts),
    ):
        kinds.setdefault(kind, []).append(name)
    out = []
    if "unknown" in kinds:
        out.append(
            f"Nobody has written down what these cut: {listed(kinds['unknown'])}. On nitrous, a single cut of fuel alone can burn a piston."
        )
    if "fuel" in kinds:
        out.append(
            f"These cut fuel alone, which on nitrous can burn a piston: {listed(kinds['fuel'])}. They must cut the spark."
        )
    return out


def fuel_card(tune: Tune) -> str:
    """Fuel to burn with."""
    sheet, row = tune.sheet, best_row(tune)
    way = "through the injectors" if sheet.nitrous.system == "dry" else "through a jet of its own"
    return (
        f"Nitrous brings oxygen, so more fuel comes with it {way}: about {banded_in(row, 'fuel_added_percent')} % at {row['rpm']:.0f} rpm. The aim, "
        f"{sheet.engine.lambda_with_nitrous * sheet.controller.gauge_scale:.1f} on the mixture gauge (lower is richer), leaves the last power on the lean side alone."
    )


def spark_card(tune: Tune) -> str:
    """Spark later."""
    retard = flowing(tune)["retard_deg"].dropna()
    if retard.empty:
        return "This charge burns hotter and presses harder; no spark is late enough for so much of it."
    much = f"{retard.min():g} to {retard.max():g}" if retard.min() < retard.max() else f"{retard.max():g}"
    return f"This charge burns hotter and presses harder, so the spark comes {much} degrees later, from before the first nitrous until the last is gone."


def dose_card(tune: Tune) -> str:
    """How it comes in."""
    begin, plan = "The slower the engine, the more nitrous each stroke takes in", lowered(ramp_sentence(tune.ramp))
    return f"{begin}, so it comes in with speed: {plan}" if tune.ramp.kind == OVER_RPM else f"{begin}. Here: {plan}"


def bottle_card(tune: Tune, units: Units) -> str:
    """A bottle in its window."""
    nitrous, to = tune.sheet.nitrous, units.gauge[1]
    try:
        hold = f"Held at about {units.temperature(u.c_from_k(hold_temperature(tune.sheet)))} it stands there."
    except InputError:
        hold = "There is too little in it to hold it there."
    return f"The fuel is set for a bottle at {to(nitrous.window_low_kpa):.0f} to {units.pressure(nitrous.window_high_kpa)}; outside, another amount of nitrous arrives. {hold}"


def stops_card(tune: Tune) -> str:
    """Switches that close it."""
    return f"It may flow only beyond {tune.sheet.nitrous.throttle_min_percent:g} % throttle and must shut by itself when speed, mixture or fuel pressure is wrong: have each switch shown to you."


def limit_note(sheet: BuildSheet, units: Units) -> str:
    """Whose limits those are."""
    rise, absolute = sheet.limits.peak_pressure_rise_percent, sheet.limits.peak_pressure_bar
    given = sheet.is_given("limits.peak_pressure_rise_percent")
    if absolute is not None and not given:
        bar = f"{absolute:g} bar" if units.metric else f"{u.psi_from_kpa(100 * absolute):.0f} psi"
        return f"You allow {bar} of cylinder pressure, and no more knock than the engine's own."
    return f"{'You allow' if given else 'The plan assumes that you allow'} {rise:g} % more cylinder pressure than the engine's own, and no more knock."


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
    return [
        f"Fuel: {sheet.make_fuel().name}, {octane} or better, fresh.",
        f"Plugs: your tuner's choice, gap {gap}{stated}, read after every step.",
        f"Bottle: gauge in its window; at least {units.kg(least_fill(sheet, drawn))} of nitrous in it, or the pass ends in vapour.",
        f"Coolant above {units.temperature(WARM_C)} ({PRACTICE}).",
        f"Fuel pressure within {100 * PRESSURE_DROP:.0f} % of {units.pressure(rail)}.",
        f"Mixture gauge at full throttle without nitrous: {(own - BASE_ROOM) * scale:.1f} to {(own + BASE_ROOM) * scale:.1f}.",
        "A closed, dry course; nobody near; a fire extinguisher at hand.",
    ]


def ends_it(tune: Tune) -> list[str]:
    """The guards."""
    sheet, dosed = tune.sheet, tune.dosed
    limits, nitrous, scale = sheet.limits, sheet.nitrous, sheet.controller.gauge_scale
    _, budget = lean_budget(sheet, dosed, 0)
    at = f"without the added fuel, at {dosed.rpm[0]:.0f} rpm,"
    late = (
        f"No stop is instant: {at} the lean stop takes about {budget.total_s:.1f} s, {budget.cycles:.0f} firings of each cylinder."
        if budget.reached
        else f"No stop sees everything: {at} the mixture stays short of the lean stop."
    )
    loose = close_rpm(sheet, dosed, sheet.driveline.free_rise_rpm_s) <= nitrous.spray_rpm_max
    slip = "If the wheels spin or a shift is missed, the limiter may come before the nitrous is gone: no nitrous on poor grip."
    return [
        f"Mixture gauge above {limits.lean_stop_lambda * scale:.1f} or below {limits.rich_stop_lambda * scale:.1f}; {100 * PRESSURE_DROP:.0f} % of the fuel pressure lost; knock; "
        f"throttle below {nitrous.throttle_min_percent:g} %; speed outside {dosed.rpm[0]:.0f} to {nitrous.spray_rpm_max:g} rpm.",
        late,
        *([slip] if loose else []),
        "Only a second valve, or the bottle's own, ends a valve stuck open.",
    ]


def driver_rule(tune: Tune) -> str:
    """After a shut-off."""
    wait = max(hold_s(tune.sheet, tune.dosed, "shut"), TRADE_HOLD_S)
    return (
        f"If the nitrous shuts off by itself: foot off for at least {np.ceil(10 * wait) / 10:g} s, switch off, drive in. No second try until somebody has found out why. "
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
    told = f"A pass of {sheet.nitrous.pass_s:g} s{assumed} takes at most about {units.kg(*drawn)} of nitrous{', purging on top' if sheet.nitrous.purge else ''}. "
    count = passes_left(tune)
    told += (
        f"The {units.kg(sheet.value('nitrous.bottle_fill_kg'))} in the bottle last for about {count} of them, kept in its window. "
        if count
        else "The bottle does not hold enough for one. "
    )
    if price is None:
        return told + "Cost not stated."
    money = f" {unit}" if unit else ", in the currency of the sheet's price"
    return (
        told
        + f"The nitrous costs about {banded(*(price * m for m in drawn))}{money} a pass; fuel, plugs and wear not counted."
    )


def unknowns(tune: Tune) -> list[str]:
    """What nobody knows."""
    sheet, row = tune.sheet, best_row(tune)
    return [
        "How much of the cold reaches the air, how fast the flame runs, how evenly the cylinders share: no measurement with nitrous was found; hence the bands.",
        _gauge(sheet, float(row["gauge_afr_sensor"])),
        f"{len(sheet.assumptions())} numbers nobody stated were assumed; the tune sheet lists them.",
    ]


def _gauge(sheet: BuildSheet, shown: float) -> str:
    if not np.isfinite(shown):
        return "What the gauge shows with nitrous in the exhaust."
    true = sheet.engine.lambda_with_nitrous * sheet.controller.gauge_scale
    return f"The gauge: with nitrous in the exhaust a true {true:.1f} may show as {shown:.1f} (modelled, not verified)."


def parts(tune: Tune) -> str:
    """Which parts nobody looked at, and what that means."""
    sheet = tune.sheet
    labels = [describe(f"parts.{name}")["label"] for name in Parts.model_fields if getattr(sheet.parts, name) is None]
    rest = "Anything else is" if len(labels) == len(Parts.model_fields) else "The rest is"
    told = f"Not stated: {'; '.join(labels)}. {rest}" if labels else "Nobody looked at any for this brief; all are"
    cast = " Cast pistons break at the first knock." if sheet.parts.piston == "cast" else ""
    return f"{told} what the build sheet says.{cast}"


UPKEEP = (
    "Daily: lines, fittings, wiring; sniff and listen for leaks; weigh the bottle; try every switch with the bottle shut.",
    "After each outing: plugs; oil (fuel in it: change it); the log for lean, rich and knock.",
    "Each season: filters, valve seats, leak-down; the bottle's test date.",
)
"""Common practice, no source."""

VOIDS = (
    "Another fuel, nozzle, jet, valve, bottle, injector, pump, pressure, plug, sensor or table; work on engine, intake, exhaust or gearbox; a guard bridged, a limit moved, a step skipped; "
    "knock or overheating. Then ask for a new plan; in other weather, for a check."
)
LAW = (
    "Local law and your contracts decide whether this may be used, or carried connected, on a public road, and what it does to insurance and warranty. "
    "Ask before you drive, and have it in writing. This is no legal advice."
)
SIGNED = "Signatures say that this brief was read and explained. They are no certification of parts, car or plan."
