"""The changes that findings ask for, in the tuner's units."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from ..plan.bottle_day import gauge_pressure, hold_temperature
from ..plan.proposals import least_lead_ms
from ..plan.rehearsal import FIRING_ROOM
from ..plan.today_rows import pressure_of
from ..text import listed, lowered
from ..thermo.vessel import bottle_volume, vessel_state
from ..units import c_from_k, f_from_c, k_from_c
from .after_close import after_close
from .corrections import AGREEING, LEAN_DOUBT, MOST, TOLD, fuel_steps
from .finding import GO, GO_BACK, REPEAT, STOP, Change, Finding
from .judge_case import Case
from .judge_fuel import apart, flow_doubt, scale_doubt
from .judge_gaps import ALWAYS_ON
from .judge_lambda import COARSE
from .judge_lean import lead_seen
from .judge_supply import DEAD
from .timing_changes import timing_changes

_LOGGED = {
    "timing_deg_btdc": "timing",
    "fuel_kpa": "fuel pressure",
    "bottle_kpa": "bottle pressure",
    "knock": "a knock signal",
    "throttle_percent": "throttle",
}
"""Channels whose absence leaves a judgement open, and what they are called."""


def changes(case: Case, findings: list[Finding], base: pd.DataFrame, on: pd.DataFrame) -> list[Change]:
    """List what to change, fuel first.

    Parameters
    ----------
    case : Case
    findings : list of Finding
    base, on : DataFrame
        Cells without and with nitrous, of `judge_cells.merged`.
    """
    if any(f.title == ALWAYS_ON for f in findings):  # what is laid beside it belongs to no nitrous
        return _log(case)
    return [
        *_fuel(case, findings, base, on),
        *timing_changes(case, findings),
        *_bottle(case, findings),
        *_guards(findings),
        *_lead(case, findings),
        *_hardware(findings),
        *_log(case),
    ]


def withheld(case: Case, findings: list[Finding], on: pd.DataFrame) -> str:
    """Why no fuel is recommended; "" where it may be."""

    def asked(*keys: str, asks: tuple[str, ...] = (REPEAT, GO_BACK, STOP)) -> bool:
        return any(f.key in keys and f.asks in asks for f in findings)

    target = case.sheet.engine.lambda_with_nitrous
    lean = len(on) > 0 and float((on["error"] * target).max()) > LEAN_DOUBT
    reasons = (
        (asked("plugs", "knock", asks=(STOP,)), "damage or knock comes first; what the mixture has to do with it is not known yet"),
        (bool(case.suspects), "a misfire is suspected, which reads lean"),
        (asked("sensors"), "the lambda reading cannot be believed"),
        (any(COARSE in f.numbers for f in findings), "lambda is logged in steps too coarse for it"),
        (any(f.key == "fuel_pressure" and f.asks != GO and DEAD not in f.numbers for f in findings), "fuel pressure is mended first: a table that is set to a sagging pump is wrong with a sound one"),
        (after_close(findings), "it reads lean after the valve was told to close, and whether nitrous still flows is not known"),
        (bool(apart(findings)), "the fuel injected and the lambda read do not belong together"),
        (not case.can_tell and lean, f"it reads lean by more than {LEAN_DOUBT:g} and a misfire cannot be ruled out"),
    )  # fmt: skip
    return next((why for true, why in reasons if true), "")


def told_withheld(case: Case, findings: list[Finding], on: pd.DataFrame) -> list[Finding]:
    """Say beside the mixture why no fuel is recommended, where it is off."""
    why = withheld(case, findings, on)
    if not why and _bottle_wrong(findings):
        why = "another flow came than the fuel is set for; bring the bottle there first"
    if not why and _dose_unknown(case):
        why = "which nozzle and jet were fitted is not known; state it"
    doubt = stopped(case, findings) or flow_doubt(case) or scale_doubt(case)
    if why:
        said = f" No fuel is recommended from this log: {why}."
        return [replace(f, sentence=f.sentence + said) if f.key == "lambda" and f.asks != GO and f.state != "unjudged" else f for f in findings]  # fmt: skip
    if doubt and len(on) and (on["error"] + on["error_95"] < 0).any():
        said = f" No fuel is taken out: {doubt}."
        return [replace(f, sentence=f.sentence + said) if f.key == "lambda" and f.state != "unjudged" else f for f in findings]  # fmt: skip
    return [replace(f, sentence=f.sentence + _left_in(case, f, on)) if _rich(f) else f for f in findings]


def _rich(f: Finding) -> bool:
    """Whether a finding asks for something because the settled mixture is rich."""
    return f.key == "lambda" and f.asks != GO and f.numbers.get("off_lambda", 0.0) < 0


def _left_in(case: Case, f: Finding, on: pd.DataFrame) -> str:
    """Say why no fuel is taken out where it reads rich, and what to do; "" where some is."""
    at = (on["rpm"] == f.numbers["rpm"]) & (on["valve_duty_percent"] == f.numbers["valve_duty_percent"])
    if not at.any():
        return ""
    change = fuel_steps(case.sheet, on.assign(own_share=1.0), nitrous=True, base_change={})["change"].to_numpy()
    row, wet = on[at].iloc[0], case.sheet.nitrous.system == "wet"
    if change[at.to_numpy()][0] <= -TOLD:
        every = not wet or bool((change < 0).all())
        return "" if every else " No fuel is taken out: one jet serves every engine speed, and not every speed seen is surely rich in enough pulls. Pull again at this step."  # fmt: skip
    n = int(row["rich_pulls"])
    if row["lean_pulls"] > 0:
        return " No fuel is taken out: another pull of this log reads lean there. Find out why the pulls differ and pull again at this step."
    if n < AGREEING:
        has = "none of this log is" if n == 0 else f"{n} of this log {'is' if n == 1 else 'are'}"
        return f" No fuel is taken out: {AGREEING} pulls of one log have to be surely rich there, and {has}. Pull again at this step, {AGREEING} pulls in one log, and see whether they agree."
    return " No fuel is taken out: with its error and the gauge's own taken off, less is left than a table resolves. Check the gauge in free air and pull again at this step."


def stopped(case: Case, findings: list[Finding]) -> str:
    """Why no fuel is taken out of a log that holds a stop, a lean spell, too little retard, an odd dose or a dead fuel pressure; "" where none, or a base mixture's own."""
    if any(DEAD in f.numbers for f in findings):
        return "fuel pressure never moves, and so nobody knows what the injectors gave"
    found = [f for f in findings if f.asks == STOP and not (case.kind == "base" and f.key == "base")]
    if found:
        return f"this log holds a stop ({lowered(found[0].title).rstrip('.')})"
    other = [f for f in findings if f.key in ("lean", "retard", "step") and f.asks != GO and f.state == "watch"]
    return f"something else comes first ({lowered(other[0].title).rstrip('.')})" if other else ""


def _fuel(case: Case, findings: list[Finding], base: pd.DataFrame, on: pd.DataFrame) -> list[Change]:
    if withheld(case, findings, on):
        return []
    own = fuel_steps(
        case.sheet, base, nitrous=False, base_change={}, keep=bool(stopped(case, findings) or scale_doubt(case))
    )
    own = own[own["change"].abs() >= TOLD]
    out = [_base_change(row) for _, row in own.iterrows()]
    if on.empty or _bottle_wrong(findings) or _dose_unknown(case):
        return out
    mended = {float(r): float(c) for r, c in zip(own["rpm"], own["change"], strict=True)}
    if mended:  # a speed that asks for nothing gets nothing
        mended = {float(r): 0.0 for r in base["rpm"]} | mended
    cells = on.assign(own_share=[_own_share(case, r, d) for r, d in zip(on["rpm"], on["valve_duty_percent"], strict=True)])  # fmt: skip
    keep = bool(stopped(case, findings) or flow_doubt(case) or scale_doubt(case))
    steps = fuel_steps(case.sheet, cells, nitrous=True, base_change=mended, keep=keep)
    if case.sheet.nitrous.system == "wet":
        return [*out, *_jet_change(case, steps)]
    return [*out, *(_added_change(case, row) for _, row in steps.iterrows() if abs(row["change"]) >= TOLD)]


def _bottle_wrong(findings: list[Finding]) -> bool:
    """Whether another flow came than the fuel is set for: then the bottle is mended, not the fuel."""
    return any(f.key == "bottle" and f.asks != GO for f in findings)


def _dose_unknown(case: Case) -> bool:
    """Whether it is not known what was fitted: a valve that is not pulsed, and no step stated."""
    return case.kind == "nitrous" and not case.tune.pulsed and (case.step is None or not np.isfinite(case.step.share))


def _place(case: Case, rpm: float, duty_percent: float) -> tuple[float, float]:
    """Speed of the map, and share of the full flow for a valve duty; of a valve that is not pulsed that of the nozzle which was fitted, as far as it is known."""
    room = case.tune.room
    share = duty_percent / 100
    if not case.tune.pulsed and case.step is not None and np.isfinite(case.step.share):
        share *= case.step.share
    if case.tune.pulsed:
        from ..plan.pulsing import Pulsing

        share = float(Pulsing.of(case.sheet).share(min(share, 1.0)))
    return float(np.clip(rpm, room.rpm[0], room.rpm[-1])), float(np.clip(share, 0.0, 1.0))


def _planned(case: Case, rpm: float, duty_percent: float) -> dict[str, float]:
    """Fuel by the plan in a cell: total, added [kg/h], added [ms]."""
    from ..plan.room import added_fuel_key

    rpm, share = _place(case, rpm, duty_percent)
    names = {
        "total": "fuel_total_kg_h",
        "added": added_fuel_key(case.sheet, "kg_h"),
        "ms": "fuel_added_ms",
        "percent": "fuel_added_percent",
    }
    return {name: float(case.tune.room.at(column, rpm, share)) for name, column in names.items()}


def _own_share(case: Case, rpm: float, duty_percent: float) -> float:
    """The engine's own part of all fuel in a cell."""
    plan = _planned(case, rpm, duty_percent)
    part = 1 - plan["added"] / plan["total"] if plan["total"] > 0 else 1.0
    return part if np.isfinite(part) else 1.0


def _band(row: pd.Series) -> str:
    """Say between what the amount of a change lies; one number where a bound holds it."""
    low, high = sorted((abs(100 * row["low"]), abs(100 * row["high"])))
    if f"{low:.1f}" != f"{high:.1f}":
        return f"{low:.1f} to {high:.1f} %"
    return f"at most {100 * MOST:g} % a step" if high >= 100 * MOST - 0.05 else "as much as its limit lets it"


def _verb(change: float) -> str:
    return "Add" if change > 0 else "Take out"


def _base_change(row: pd.Series) -> Change:
    percent = 100 * row["change"]
    told = (
        f"{_verb(percent)} {abs(percent):.1f} % of the engine's own fuel at {row['rpm']:.0f} rpm ({_band(row)}), in the base table, not in the nitrous table: "
        f"without nitrous lambda stands {100 * abs(row['error']):.1f} % {'lean' if row['error'] > 0 else 'rich'} there."
    )
    return Change("base fuel", told, float(row["rpm"]), 0.0, percent, 100 * row["low"], 100 * row["high"], "% of the engine's own fuel", row["bounded_by"])  # fmt: skip


def _caveat(case: Case, change: float) -> str:
    """What an addition rests on where flow or scale are not sure."""
    doubt = "; ".join(d for d in (flow_doubt(case), scale_doubt(case)) if d) if change > 0 else ""
    return f" To be confirmed, for the amount hangs on it: {doubt}." if doubt else ""


def _added_change(case: Case, row: pd.Series) -> Change:
    """Change of the nitrous table at one speed and valve duty."""
    plan, words = _planned(case, row["rpm"], row["valve_duty_percent"]), case.words
    percent, low, high = (100 * row[name] for name in ("change", "low", "high"))
    flow = row["change"] * plan["total"]
    also = [f"{abs(words.fuel(flow)):.1f} {words.fuel_unit}"]
    if plan["added"] > 0 and np.isfinite(plan["ms"]):
        also.append(f"{abs(flow * plan['ms'] / plan['added']):.2f} ms of open time")
    if plan["added"] > 0:
        also.append(f"{abs(100 * flow / plan['added']):.0f} % of the added fuel")
    where = f"at {row['rpm']:.0f} rpm" + (
        f" and {row['valve_duty_percent']:.0f} % valve duty" if case.tune.pulsed else ""
    )
    told = f"{_verb(percent)} {abs(percent):.1f} % of all fuel {where} ({_band(row)}), that is {', '.join(also)}; in the nitrous table.{_caveat(case, percent)}"
    return Change("fuel", told, float(row["rpm"]), float(row["valve_duty_percent"]), percent, low, high, "% of all fuel", row["bounded_by"])  # fmt: skip


def _jet_change(case: Case, steps: pd.DataFrame) -> list[Change]:
    """Change of the one fuel jet of a wet system: as much as the place that needs most, and taken out only where every place is rich."""
    plans = [_planned(case, r, d) for r, d in zip(steps["rpm"], steps["valve_duty_percent"], strict=True)]
    share = np.array([p["added"] / p["total"] if p["total"] > 0 else np.nan for p in plans])
    known = np.isfinite(share) & (share > 0)
    if not known.any():
        return []
    steps, share, plans = steps[known], share[known], [p for p, k in zip(plans, known, strict=True) if k]
    of_jet = steps["change"].to_numpy() / share
    k = int(of_jet.argmax())
    target = case.sheet.engine.lambda_with_nitrous
    room = target * (1 + steps["error"].to_numpy()) / (case.sheet.limits.rich_stop_lambda + FIRING_ROOM) - 1
    jet = float(min(of_jet[k], max(float((room / share).min()), 0.0))) if of_jet[k] > 0 else float(of_jet[k])
    row, plan, words = steps.iloc[k], plans[k], case.words
    if abs(jet * share[k]) < TOLD:
        return []
    held = jet / of_jet[k]
    bounded = row["bounded_by"] if held > 0.999 else "another engine speed would grow richer than its limit"
    low, high = 100 * held * row["low"] / share[k], 100 * held * row["high"] / share[k]
    percent, flow = 100 * jet, abs(words.fuel(jet * plan["added"]))
    bore = 100 * abs((1 + jet) ** 0.5 - 1)
    need = "needs most" if jet > 0 else "can spare least"
    told = (
        f"{_verb(jet)} {abs(percent):.0f} % of the fuel jet's flow, {flow:.1f} {words.fuel_unit} and {abs(100 * jet * share[k]):.1f} % of all fuel at {row['rpm']:.0f} rpm, which {need}: "
        f"a bore {'larger' if jet > 0 else 'smaller'} by about {bore:.0f} %. One jet serves every engine speed.{_caveat(case, jet)}"
    )
    return [Change("fuel", told, None, None, percent, low, high, "% of the fuel jet's flow", bounded)]


def _bottle(case: Case, findings: list[Finding]) -> list[Change]:
    """Temperature to bring the bottle to."""
    if not any(f.key == "bottle" and f.asks != GO and "window_low_kpa" in f.numbers for f in findings):
        return []
    sheet, words = case.sheet, case.words
    try:
        T_c, kpa = _target(case)
    except ValueError:
        return []
    told = (
        f"Bring the bottle to about {words.celsius(T_c)}, {words.kpa(kpa)} gauge, by heater jacket or warm water (never a flame), and look at the gauge just before the pull. "
        f"The fuel is set for {words.celsius(sheet.nitrous.bottle_temperature_c)}."
    )
    amount, unit = (T_c, "°C") if case.metric else (float(f_from_c(T_c)), "°F")
    return [Change("bottle", told, None, None, amount, None, None, unit, "")]


def _target(case: Case) -> tuple[float, float]:
    """Temperature [°C] and gauge pressure [kPa] to bring the bottle to: the plan's if it lies in the window, else the middle of that."""
    sheet, nitrous = case.sheet, case.sheet.nitrous
    planned = pressure_of(sheet)
    if planned is not None and nitrous.window_low_kpa <= planned.best <= nitrous.window_high_kpa:
        return nitrous.bottle_temperature_c, planned.best
    T_c = c_from_k(hold_temperature(sheet))
    fill, volume = sheet.value("nitrous.bottle_fill_kg"), bottle_volume(nitrous.bottle_rated_fill_kg)
    return T_c, gauge_pressure(sheet, vessel_state(k_from_c(T_c), fill, volume).P) / 1e3


def _guards(findings: list[Finding]) -> list[Change]:
    out = []
    for f in findings:
        if f.key == "guard" and f.asks != GO and "seconds" in f.numbers:
            told = f"Set the guard '{f.numbers['guard']}' so that it {'keeps' if f.numbers['guard'] == 'bottle window' else 'closes'} the nitrous valve {'shut ' if f.numbers['guard'] == 'bottle window' else ''}by itself, and prove it with the bottle shut."
            out.append(Change("guard", told))
    return list({c.sentence: c for c in out}.values())


def _lead(case: Case, findings: list[Finding]) -> list[Change]:
    """Fuel lead, where the mixture went lean as the nitrous came in."""
    late = [f for f in findings if f.key == "lean" and f.numbers.get("cause") == "late fuel" and f.asks != GO]
    if not late or case.suspects or not len(case.tune.dosed.rpm):
        return []
    sheet = case.sheet
    planned, _ = least_lead_ms(sheet, case.tune.dosed)
    lead = max(planned, sheet.nitrous.fuel_lead_ms)
    seen = None
    for pull, course in zip(case.pulls, case.courses, strict=True):
        for hit in pull.hits if course is not None else ():
            found = lead_seen(case, hit)
            seen = found if seen is None or (found is not None and found < seen) else seen
    if seen is not None:
        missing = lead - 1e3 * seen
        told = (
            f"Bring the added fuel {missing:.0f} ms earlier, so that it comes {lead:.0f} ms before the nitrous valve's command; in this log it came {abs(1e3 * seen):.0f} ms {'before' if seen >= 0 else 'after'} it. "
            "Prove it with the bottle shut: gauge and injector open time must move first."
        )
        return [Change("lead", told, None, None, missing, None, None, "ms", "")]
    told = f"Let the added fuel come at least {lead:.0f} ms before the nitrous valve's command, and log the injector open time: when it came is not in this log."
    return [Change("lead", told, None, None, lead, None, None, "ms", "")]


def _hardware(findings: list[Finding]) -> list[Change]:
    out = []
    sags = any(f.key == "fuel_pressure" and f.asks != GO and DEAD not in f.numbers for f in findings)
    for f in findings:
        if f.key == "injector" and f.asks != GO and "most_percent" in f.numbers and not sags:
            over = f.numbers["most_percent"] / f.numbers["limit_percent"]
            told = f"Injectors of at least {100 * (over - 1):.0f} % more flow, or a dose that much smaller in fuel at {f.numbers['rpm']:.0f} rpm and above."
            out.append(
                Change("hardware", told, f.numbers["rpm"], None, 100 * (over - 1), None, None, "% more injector flow")
            )
        if f.key == "plugs" and f.asks in (GO_BACK, STOP):
            out.append(
                Change(
                    "hardware",
                    f"{f.title}: find out why before anything else (injector, distribution, leak-down, plug and its heat range).",
                )
            )
        if DEAD in f.numbers:
            out.append(Change("hardware", "Mend the fuel pressure sensor, its wiring or its column: it never moves."))
        elif f.key == "fuel_pressure" and f.asks != GO:
            out.append(Change("hardware", "Find why the fuel pressure falls before anything else: filter, pump voltage under load, pump, regulator."))  # fmt: skip
    return out


def _log(case: Case) -> list[Change]:
    """Channels to add."""
    missing = [name for key, name in _LOGGED.items() if not case.log.has(key)]
    if (
        case.sheet.nitrous.system == "dry"
        and not case.log.has("injector_duty_percent")
        and not case.log.has("injector_ms")
    ):
        missing.append("injector open time")
    if case.kind == "nitrous" and case.tune.pulsed and not case.log.has("nitrous_duty_percent"):
        missing.append("valve duty")
    if not missing:
        return []
    them = "it" if len(missing) == 1 else "them"
    return [Change("log", f"Log also {listed(missing)}: without {them} something here stays unjudged.")]
