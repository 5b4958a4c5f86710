"""What the pictures of the valve say: title, subtitle and sentences, every number in them computed."""

from __future__ import annotations

from typing import Any

from kernel_lib import InputError
from kernel_lib.band import FILM_SHARE, FILM_TIME, IDLE_PRESSURE, LINE_DRAIN, LINE_FILL, VALVE_LAG_ERROR, Band
from kernel_lib.plan import delivery as dv
from kernel_lib.plan.proposals import TRADE_HOLD_S
from kernel_lib.text import listed

from . import valve_model as model

Said = tuple[str, str, list[str]]


def _ms(seconds: float) -> str:
    """Write a time in whole milliseconds, to ten where it is long."""
    value = 1e3 * seconds
    return f"{round(value, -1) if abs(value) >= 100 else round(value):.0f} ms".replace("-0 ", "0 ")


def _span(band: Band, unit: str = "s") -> str:
    return f"{band.best:.2f} {unit} ({band.low:.2f} to {band.high:.2f})"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def ripple(r: Any) -> Said:
    """Of the pulses at one speed."""
    spot, sheet = model.Spot.of(r), r.sheet
    subtitle = "Lambda of a cycle over the moment it begins to draw, two pulses long; dots: the engine's intakes; band: the valve's error."
    if not spot.share:
        return f"At {spot.rpm:.0f} rpm no nitrous flows", subtitle, []
    if not spot.pulsed:
        return f"At {spot.rpm:.0f} rpm the valve is open for good: no pulses, no ripple", subtitle, [_delivers(r)]
    p, stop = model.pulses(spot), sheet.limits.lean_stop_lambda
    rich, lean, worst = float(p.lambda_.min()), float(p.lambda_.max()), float(p.high.max())
    cycles = f"keep lambda {lean:.2f}" if lean - rich < 0.01 else f"run between lambda {rich:.2f} and {lean:.2f}"
    title = f"At {spot.hz:g} Hz and {spot.rpm:.0f} rpm single cycles {cycles}"
    fuel = "fuel is set for the mean" if sheet.nitrous.system == "dry" else "the jet's fuel is pulsed along"
    strongest = f"The strongest cycle gets {_percent(p.peak)} of the full flow, the weakest {_percent(p.trough)}, the mean {_percent(spot.share)}: peak pressure, knock and timing are judged for the strongest, {fuel}."
    if lean > stop:
        against = f"Even as planned, single cycles pass the lean stop at {stop:.3f}. A sensor shows the mean and does not see them."
    elif worst > stop:
        against = f"With the valve's error single cycles reach {worst:.2f}, past the lean stop at {stop:.3f}. A sensor shows the mean and does not see them."
    else:
        against = (
            f"With the valve's error counted the leanest cycle reaches {worst:.2f}; the lean stop is at {stop:.3f}."
        )
    if spot.hz == model.TRADE_HZ:
        trade = f"{model.TRADE_HZ:g} Hz is the trade's habit (common practice, no source)."
    else:
        trade = f"The trade's {model.TRADE_HZ:g} Hz (common practice, no source) would swing by {p.trade_swing:.2f}, this by {lean - rich:.2f}."
    return title, subtitle, [f"{strongest} {against}", f"{_mixing(r, p.tau)} {trade}", _delivers(r)]


def _mixing(r: Any, tau: float) -> str:
    spot = model.Spot.of(r)
    drawing = dv.DRAWS * 120 / spot.rpm
    times = f"A pulse lasts {_ms(1 / spot.hz)}, a cylinder draws for {_ms(drawing)} of it."
    if not tau:
        return f"{times} At a port nothing mixes, so single cycles get all of a pulse or none; what is sprayed while the intake valve is shut waits in the runner and evens out a little, which is not counted."
    return f"{times} The manifold of {r.sheet.value('engine.manifold_volume_l'):.1f} L evens out with a time constant of {_ms(tau)}."


def _delivers(r: Any) -> str:
    """What the valve's own times allow."""
    spot = model.Spot.of(r)
    try:
        valve = dv.valve(r.sheet, spot.hz)
        low, high = dv.deliverable(valve)
    except InputError as exc:
        return str(exc)
    error = VALVE_LAG_ERROR.high / 1e3 * spot.hz
    told = f"Opening in {_ms(valve.open_s)} and closing in {_ms(valve.close_s)} the valve delivers {_percent(low)} to {_percent(high)} of the full flow at {spot.hz:g} Hz, or all, or nothing; {_ms(VALVE_LAG_ERROR.high / 1e3)} of error move that by {_percent(error)} of the full flow (from memory)."
    if spot.pulsed and low <= spot.share <= high:
        return f"{told} A share of {_percent(spot.share)} is {_percent(float(dv.duty_of_share(valve, spot.share)))} valve duty."
    return told


def beat(r: Any) -> Said:
    """Of the beats between pulses and cycles."""
    subtitle = "Nitrous that the worst cylinder gets above the mean of all, averaged over half a second; white: pulses in step with the cycles."
    if not len(r.dosed.rpm):
        return "No nitrous flows, so nothing can beat", subtitle, []
    b, hz, low = model.beats(r), float(r.inputs.pulse_hz), float(r.dosed.rpm[0])
    if not b.percent.any():
        return "The valve is open for good at every speed: nothing can beat", subtitle, []
    (worst, at), pulsed = model.worst_beat(r), model.is_pulsed(r)
    stays = "stays" if pulsed else "would stay"
    title = f"{'At' if pulsed else 'Pulsed at'} {hz:g} Hz one cylinder {stays} {worst:.1f} % above the mean at {round(at, -1):.0f} rpm"
    why = f"Where a pulse comes once a cycle, every cycle of a cylinder meets the same part of a pulse, and what is uneven stays so. Below {low / 120:.1f} Hz, the cycle rate at {low:.0f} rpm, none comes once a cycle, below {low / 240:.1f} Hz none every second cycle. In step every third cycle or rarer leaves less, as the map shows."
    spread = r.sheet.nitrous.cylinder_spread_percent
    judged = f"The sheet counts {spread:g} % for the worst cylinder, ports, plenum and pulses together. "
    judged += "The pulses alone take more than that." if worst > spread else f"Pulses take {worst:.1f} % of it."
    best, least, other = b.quietest
    choice = f"Of {model.HZ[0]:g} to {model.HZ[-1]:g} Hz the least over this dose is {least:.1f} % at {best:.1f} Hz, the worst of it at {round(other, -1):.0f} rpm; the ripple and the valve's own times have their say too."
    if not pulsed:
        choice += " The valve is not pulsed here; the map says what pulses would do."
    if r.sheet.nitrous.delivery == "port":
        judged += (
            " At ports this is the most it can be: the runner evens out what is sprayed while the intake valve is shut."
        )
    return title, subtitle, [why, f"{judged} {choice}"]


def _when(seconds: float) -> str:
    """Write a lead as what has to be done."""
    if abs(seconds) < 0.003:
        return "together with"
    return f"{_ms(abs(seconds))} {'before' if seconds > 0 else 'after'}"


def lead(r: Any) -> Said:
    """Of the fuel's lead."""
    spot, limits = model.Spot.of(r), r.sheet.limits
    subtitle = "Likely course of a hit; band: your lead with all that is unknown to one side or the other."
    if not spot.share:
        return f"At {spot.rpm:.0f} rpm no nitrous flows", subtitle, []
    d = model.lead(spot)
    least, lean, rich = d.least, d.leanest, d.richest
    title = f"At {spot.rpm:.0f} rpm fuel {_when(least.best)} the nitrous valve likely makes no cycle leaner than before; at worst it has to come {_when(least.high)} it"
    enough = spot.lead_s >= least.high
    yours = f"Your lead of {_ms(spot.lead_s)} {'keeps every cycle as rich as before and after, at the worst too' if enough else 'keeps every cycle as rich as before and after in the likely case, not at the worst' if spot.lead_s >= least.best else 'is short of what likely keeps every cycle as rich as before and after'}: the leanest cycle is {_ends(lean)}, the richest {_ends(rich)}."
    if lean.high > limits.lean_stop_lambda:
        yours += f" Past {limits.lean_stop_lambda:.3f} the lean stop may end the hit before it has begun."
    if rich.low < limits.misfire_rich_lambda:
        yours += (
            f" Below {limits.misfire_rich_lambda:.2f} it may misfire, and a misfire reads lean: do not add fuel for it."
        )
    trade = f"The trade says {_ms(model.TRADE_LEAD_S)} (common practice, no source)."
    line = f"between {_percent(LINE_FILL.low)} and {_percent(LINE_FILL.high)} of the line from valve to nozzle has to fill first"
    if r.sheet.nitrous.system == "dry":
        fuel = f"{_percent(FILM_SHARE.low)} to {_percent(FILM_SHARE.high)} of the added fuel goes by way of the port's wall and comes with {FILM_TIME.low:g} to {FILM_TIME.high:g} s of delay"
    else:
        fuel = (
            "the fuel's line may be full or empty, and its mist mixes in the manifold like the nitrous"
            if r.sheet.nitrous.delivery == "plenum"
            else "the fuel's line may be full or empty"
        )
    return (
        title,
        subtitle,
        [
            f"{yours} {trade}",
            f"Nobody knows it well: {line}, and {fuel} (from memory). Two sides: too late is lean, too early drowns the engine at low speed. The lead to type, among the limits below, asks less: that no cycle passes the lean stop. Settle it with the bottle shut and on a log.",
        ],
    )


def _ends(band: Band) -> str:
    if band.high - band.low < 0.005:
        return f"lambda {band.best:.2f}"
    return f"lambda {band.best:.2f} ({band.low:.2f} to {band.high:.2f})"


def stop(r: Any) -> Said:
    """Of stop and wash-out."""
    subtitle = "From the first bad cycle until 95 % of the nitrous is gone, with the added fuel missing; below, the wash-out alone. Thin lines: what is unknown."
    if not len(r.dosed.rpm):
        return "No nitrous flows, so there is nothing to stop", subtitle, []
    s, limit = model.stops(r), r.sheet.limits.lean_stop_lambda
    reached = [k for k, b in enumerate(s.budgets) if b.reached]
    never = [k for k in range(len(s.rpm)) if k not in reached]
    out = []
    if reached:
        k = max(reached, key=lambda i: s.budgets[i].cycles)
        b = s.budgets[k]
        title = f"A lean stop takes about {b.total_s:.1f} s; at {s.rpm[k]:.0f} rpm each cylinder burns {b.cycles:.0f} lean cycles meanwhile"
        told = listed(
            [
                f"{s.budgets[i].total_s:.2f} s and {s.budgets[i].cycles:.0f} cycles at {s.rpm[i]:.0f} rpm (lambda {s.lean[i]:.2f})"
                for i in reached
            ]
        )
        seen = sum(b.parts[p].best for p in ("cylinder", "exhaust", "sensor", "filter"))
        out.append(
            f"{told[0].upper()}{told[1:]}. Of the {b.total_s:.2f} s at {s.rpm[k]:.0f} rpm {_ms(seen)} pass before the stop sees it; after that the valve shuts, and what is behind it still burns. A stop on lambda limits damage, it does not prevent it: fuel pressure watched ahead of the hit is sooner."
        )
    else:
        title = f"The lean stop at {limit:.3f} is not reached even with all the added fuel missing"
    if never:
        told = listed([f"{s.lean[k]:.2f} at {s.rpm[k]:.0f} rpm" for k in never])
        out.append(f"Without the added fuel lambda comes to {told}: the stop at {limit:.3f} never sees it there.")
    a, c = s.open_["all"], s.lift["all"]
    verdict = "The trade's 1 s of added fuel and retard after the valve (common practice, no source) "
    verdict += (
        "covers both"
        if max(a.high, c.high) <= TRADE_HOLD_S
        else "covers the likely case, not the worst"
        if max(a.best, c.best) <= TRADE_HOLD_S
        else "is short of it"
    )
    mixes = s.open_["manifold"].best > 0
    lift = (
        f"after a lift, after {_span(c)}, since little air comes to thin it: the fraction stays high while fuel may be cut"
        if mixes
        else "a port holds no more than its line, after a lift as well, but then meets little air"
    )
    out.append(
        f"Shut off at {s.at:.0f} rpm with the throttle open, nitrous is gone after {_span(a)}; {lift}. {verdict}."
    )
    drained = f"Most of that is the line behind the valve: it empties in {LINE_DRAIN.low:g} to {LINE_DRAIN.high:g} times the time of its liquid, boiling off; a shorter one helps most."
    idle = f"After a lift the throttle is taken to pass the air of idle at {IDLE_PRESSURE.low / 1e3:.0f} to {IDLE_PRESSURE.high / 1e3:.0f} kPa absolute (from memory)."
    out.append(" ".join([*([drained] if s.open_["line"].best > 0.5 * a.best else []), *([idle] if mixes else [])]))
    return title, subtitle, out


def assumes() -> list[str]:
    """What all four rest on."""
    return [
        "a manifold that mixes at once, full throttle, one speed; pulses square between opening and closing; at a port no mixing",
        f"line that has to fill: {LINE_FILL.because}",
        f"line behind a shut valve: {LINE_DRAIN.because}",
        f"wall film of the added fuel: {FILM_SHARE.because}",
        f"valve: {VALVE_LAG_ERROR.because}",
        "lambda is that of the gas drawn in, not what a sensor shows; cylinders fire evenly and draw alike",
    ]
