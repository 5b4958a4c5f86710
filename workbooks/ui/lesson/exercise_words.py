"""Words of the closing exercise."""

from __future__ import annotations

from kernel_lib import BuildSheet
from kernel_lib.plan.judgement import at_peak, own_fuel_key
from kernel_lib.plan.plan import Plan
from kernel_lib.teach.exercise import CLOSE, OFF, RIGHT, SAFE, Entry, Hidden, Judged, Unmet
from kernel_lib.text import banded

from .. import display


def engine(case: Unmet, system: str) -> str:
    """Describe the car that has to be set up."""
    s, e = case.sheet, case.sheet.engine
    full = e.full_throttle
    best = max(range(len(full.rpm)), key=lambda k: full.volumetric_efficiency_percent[k])
    return (
        f"{s.car.name}: {e.cylinders} cylinders, bore {display.quantity(e.bore_mm, 'mm', system)}, stroke {display.quantity(e.stroke_mm, 'mm', system)}, "
        f"compression {e.compression_ratio:g}. It fills best at {full.rpm[best]:g} rpm and makes {e.peak_power_hp:g} hp at {e.peak_power_rpm:g} rpm without nitrous, "
        f"lambda {e.lambda_without_nitrous:g}. Fuel {s.make_fuel().name}, {s.octane_ron:g} RON; fuel is metered by {s.controller.metering}. "
        f"The owner wants {s.nitrous.shot_hp:g} hp, {s.nitrous.system}, lambda {e.lambda_with_nitrous:g}, sprayed between {s.nitrous.spray_rpm_min:g} and "
        f"{s.nitrous.spray_rpm_max:g} rpm. The owner accepts {s.limits.peak_pressure_rise_percent:g} % more peak pressure than the engine's own highest."
    )


def typed(entry: Entry, value: float, system: str) -> str:
    """Write what was entered."""
    return display.quantity(value, entry.unit, system)


def need(entry: Entry, system: str) -> str:
    """Write what was needed."""
    to = display.shown(entry.unit, system)
    low, best, high = (to.there(v) for v in (entry.need.low, entry.need.best, entry.need.high))
    if entry.key == "from_rpm":
        return f"{best:.0f} rpm"
    if entry.key == "fuel":
        return f"{banded(low, best, high)} {to.unit}"
    if entry.key == "hold":
        return f"{best:.1f} s with the throttle open, {high:.1f} s after a lift"
    return f"likely {best:g} deg; a first hit takes {high:g} deg"


def verdict(case: Unmet, j: Judged) -> str:
    """Name the difference of one entry, and what it would do."""
    key, more = j.entry.key, j.given >= j.entry.need.high
    if key == "fuel":
        return _fuel(case, j)
    if key == "from_rpm":
        return {
            OFF: "Below that speed one of the limits cannot be kept with all of it in: the dose of each cycle grows as the engine turns slower.",
            CLOSE: "Safe. You give away power that the engine could take lower down.",
            SAFE: "Safe, and you give away most of what the owner asked for.",
            RIGHT: "That is the lowest speed of the plan at which every limit can be kept.",
        }[j.kind]
    if key == "hold":
        return {
            OFF: "Nitrous is still on its way when the fuel goes: the last cycles burn lean, with timing for an engine without it.",
            CLOSE: "Enough with the throttle open, too short after a lift: little fresh air comes then to wash the manifold out.",
            SAFE: "Safe. It stays on much longer than anything is left to wash out, which costs a rich, late-timed moment.",
            RIGHT: "That covers the lift as well, where the manifold washes out slowly.",
        }[j.kind]
    return {
        OFF: "Far too much: what burns that late leaves through the exhaust valve as heat, and the power is gone."
        if more
        else "Less than the likely need: pressure comes too early in the stroke or too high. This is how pistons and head gaskets go.",
        CLOSE: "It covers the likely need, but not what nobody knows of this engine. Earn those degrees step by step, from logs and plugs.",
        SAFE: "More than a first hit needs. It costs power, and what burns late leaves hot through the exhaust valve.",
        RIGHT: "That covers the likely need and what is not known.",
    }[j.kind]


def _fuel(case: Unmet, j: Judged) -> str:
    lambda_, engine, limits = j.lambda_, case.sheet.engine, case.sheet.limits
    shown = f"Lambda would be {banded(lambda_.low, lambda_.best, lambda_.high)}, gauge AFR about {lambda_.best * case.sheet.controller.gauge_scale:.1f}, where {engine.lambda_with_nitrous:g} is wanted"
    if j.kind == RIGHT:
        return f"{shown}. Inside what the model knows."
    if lambda_.best > limits.lean_stop_lambda:
        return f"{shown}: past the lean stop of {limits.lean_stop_lambda:g}. Free oxygen on hot pistons is what the added fuel is there to prevent."
    if lambda_.best < limits.misfire_rich_lambda:
        return f"{shown}: so rich that it may misfire, and a misfire reads lean on the gauge. Adding fuel to cure it makes it worse."
    side = (
        "Too lean to begin with, though not yet at the lean stop"
        if j.given < j.entry.need.low
        else "Rich: safe for a first hit, slow, and nearer to a misfire"
    )
    return f"{shown}. {side}."


def evidence(case: Hidden, scale: float) -> str:
    """Tell the readings behind which a fault hides."""
    f, p = case.choices[case.truth], case.planned
    ended = f" The {f.caught_by} ended it." if f.caught_by in ("lean stop", "rich stop") else ""
    return (
        f"One hit, looked at where it went furthest, at {f.rpm:.0f} rpm: the mixture came to lambda {f.lambda_:.2f} (AFR {scale * f.lambda_:.1f} on a gauge without lag or "
        f"bias); planned was {p.lambda_:.2f} ({scale * p.lambda_:.1f}).{ended} One thing was wrong with the car. Which?"
    )


def own(plan: Plan, sheet: BuildSheet, system: str) -> str:
    """Tell what the reader's own car needs, to start from."""
    row, to = at_peak(sheet, plan.table), display.shown("kg/h", system)
    fuel = banded(*(to.there(float(row[f"{own_fuel_key(sheet)}_kg_h{end}"])) for end in ("_low", "", "_high")))
    timing = plan.timing.table
    fits = timing[timing["reachable"]]
    start = f"On your own car, {sheet.car.name}, all of {sheet.nitrous.shot_hp:g} hp takes {fuel} {to.unit} at {row['rpm']:.0f} rpm by {sheet.controller.metering}"
    if fits.empty:
        return f"{start}, and no speed takes it all."
    low, high = fits.iloc[0], at_peak(sheet, fits)
    return (
        f"{start}; it fits from {low['rpm']:.0f} rpm on, where a first hit takes {low['first_hit_deg']:.0f} degrees out, and {high['first_hit_deg']:.0f} at {high['rpm']:.0f} rpm. "
        "Start from that: fuel goes with the oxygen and the horsepower, retard with the dose of a cycle, which goes with one over the speed and over the size of the "
        "engine; what stays on goes with the line and the manifold."
    )


def found(case: Hidden, said: int, scale: float) -> str:
    """Name the difference between what was said and what it was."""
    true, yours = case.choices[case.truth], case.choices[said]
    beyond = f" It passes these limits: {', '.join(true.beyond)}."
    if said == case.truth:
        return f"{true.happens}{beyond}"
    side = "leaner" if yours.lambda_ > true.lambda_ else "richer"
    return (
        f"It was: {true.name}. {true.happens}{beyond} Yours, {yours.name}, would have come out {side}: AFR {scale * yours.lambda_:.1f} (lambda {yours.lambda_:.2f}) at "
        f"{yours.rpm:.0f} rpm, where it does most. {yours.happens}"
    )
