"""What faults and risk say on a page: findings and explanations, every number in them computed."""

from __future__ import annotations

from html import escape

import numpy as np

from kernel_lib.plan import unknowns as un
from kernel_lib.plan.faults import NOTHING, Fault
from kernel_lib.plan.risk import Chance, Risk
from kernel_lib.text import listed, rounded
from kernel_lib.units import c_from_k

from . import display

BEYOND = {
    "lean": "past the lean stop",
    "rich": "too rich to fire in every cycle",
    "pressure": "peak pressure past your limit",
    "knock": "more knock than the engine's own",
    "exhaust": "exhaust past your limit",
}
EVENTS = {
    "lean": "lambda of all cylinders past the lean stop",
    "lean worst": "lambda of the worst cylinder past the lean stop",
    "lean shown": "lean stop crossed as the sensor shows it",
    "pressure": "peak pressure past your limit",
    "knock": "more knock than the engine's own",
    "exhaust": "exhaust past your limit",
    "not computed": "no cycle found: the charge leaves the tables",
}
"""What `Risk.chances` counts, in the reader's words."""

INPUTS = {un.NOZZLE: "nitrous flow", un.AIR: "air drawn in", un.JET: "fuel jet's flow", un.VALVE: "valve's times"}
"""Shorter names of inputs, where the kernel's are too long for a bar."""


def fault_title(every: list[Fault]) -> str:
    """Title over the fault table."""
    failing = every[1:]
    past = [f for f in failing if f.beyond]
    alone = [f for f in past if f.caught_by == NOTHING]
    return f"{len(failing)} faults: {len(past)} pass a limit, and nothing ends {len(alone)} of those"


def fault_text(every: list[Fault]) -> list[str]:
    """Sentences under the title of the fault table."""
    plan, failing = every[0], every[1:]
    alone = [f.name for f in failing if f.beyond and f.caught_by == NOTHING]
    late = [f for f in failing if f.caught_by == "lean stop"]
    out = []
    if plan.beyond:
        out.append(
            f"As planned the worst cylinder is itself {listed([BEYOND[b] for b in plan.beyond])}: read the others against it."
        )
    if alone:
        out.append(f"No guard ends {listed(alone)}: keep these from happening; they cannot be stopped in time.")
    if late:
        worst = max(late, key=lambda f: f.cycles)
        out.append(
            f"The lean stop comes late: with {worst.name} each cylinder has burned {worst.cycles:.0f} bad cycles ({1e3 * worst.how_late_s:.0f} ms) before the nitrous is gone."
        )
    out.append(
        "Each at the speed where it does most; pressure, knock and exhaust of the worst cylinder, likely values. How far each fault goes is a choice of our own, no source."
    )
    return out


def fault_html(every: list[Fault], system: str) -> str:
    """The fault table: two rows a fault, its numbers and what it is on this car."""
    bar, hot = display.shown("bar", system), display.shown("°C", system)
    head = (
        ("fault", ""), ("speed", "rpm"), ("lambda", "all / worst"), ("O2 left", "% of exhaust"), ("peak pressure", bar.unit), ("knock", "× own"),
        ("exhaust opens at", hot.unit), ("ended by", ""), ("after", "ms / cycles"),
    )  # fmt: skip
    cells = "".join(
        f"<th>{escape(name)}{f'<br><span class=nw-quiet>{escape(unit)}</span>' if unit else ''}</th>"
        for name, unit in head
    )
    rows = "".join(_fault_rows(f, bar, hot) for f in every)
    return f'<div><table class="nw-table nw-faults"><thead><tr>{cells}</tr></thead>{rows}</table></div>'


def _fault_rows(f: Fault, bar: display.Shown, hot: display.Shown) -> str:
    knock = "–" if np.isnan(f.knock_ratio) else f"{f.knock_ratio:.2f}"
    left = "–" if np.isnan(f.oxygen_left) else f"{100 * f.oxygen_left:.1f}"
    pressure = "–" if np.isnan(f.P_max) else rounded(bar.there(f.P_max / 1e5), bar.there(3.0)).replace(" ", "")
    exhaust = "–" if np.isnan(f.T_evo) else f"{round(hot.there(c_from_k(f.T_evo)), -1):.0f}"
    late = "–" if np.isnan(f.how_late_s) else f"{round(1e3 * f.how_late_s, -1):.0f} / {f.cycles:.0f}"
    numbers = [
        "–" if np.isnan(f.rpm) else f"{f.rpm:.0f}",
        _over(_lambdas(f), f, "lean", "rich"),
        left,
        _over(pressure, f, "pressure"),
        _over(knock, f, "knock"),
        _over(exhaust, f, "exhaust"),
        escape(f.caught_by),
        late,
    ]
    said = f.happens + (f" No cycle: {f.why}." if not f.computed and f.why not in f.happens else "")
    cells = "".join(f"<td>{n}</td>" for n in numbers)
    return (
        f'<tbody><tr><th scope="row">{escape(f.name)}</th>{cells}</tr>'
        f'<tr><td colspan="{1 + len(numbers)}" class="nw-fault-says">{escape(said)}</td></tr></tbody>'
    )


def _lambdas(f: Fault) -> str:
    if np.isnan(f.lambda_):
        return "–"
    if not np.isfinite(f.lambda_):
        return "no fuel"
    one, worst = (f"{v:.2f}" for v in (f.lambda_, f.lambda_worst))
    return one if one == worst else f"{one} / {worst}"


def _over(text: str, f: Fault, *limits: str) -> str:
    """Mark a number that passes a limit by shape and colour."""
    return f'<span class="nw-over">▪ {text}</span>' if set(limits) & set(f.beyond) else text


def in_hundred(chance: Chance) -> str:
    """Write a chance as so many hits of 100."""
    if chance.share == 0:
        return f"none of the samples (below {_percent(chance.high)} in 100)"
    if chance.share == 1:
        return "every sample"
    return f"{_percent(chance.share)} in 100 ({_percent(chance.low)} to {_percent(chance.high)})"


def _percent(share: float) -> str:
    return f"{100 * share:.0f}" if share >= 0.095 else f"{100 * share:.1f}"


def _short(chance: Chance) -> str:
    return f"{_percent(chance.share)} of 100 hits" if chance.share else "no sampled hit"


def risk_title(risk: Risk) -> str:
    """Title over lambda's distribution."""
    c = risk.chances
    return f"The worst cylinder passes the lean stop on {_short(c['lean worst'])}, the mean of all on {_short(c['lean'])}; peak pressure passes its limit on {_short(c['pressure'])}"


def risk_text(risk: Risk) -> list[str]:
    """Sentences under lambda's distribution."""
    c = risk.chances
    mixture = "; ".join(f"{EVENTS[name]}: {in_hundred(c[name])}" for name in ("lean", "lean worst", "lean shown"))
    rest = "; ".join(
        f"{EVENTS[name]}: {in_hundred(c[name])}"
        for name in ("pressure", "knock", "exhaust", "not computed")
        if c[name].share or name == "pressure"
    )
    low, high = (float(risk.quantiles[f"lambda_mean_{q}"].iloc[0]) for q in (5, 95))
    return [
        f"{risk.samples} samples of one hit through all these speeds, before a log has taught anything; in brackets what so many samples leave open.",
        f"Mixture: {mixture}.",
        f"Load: {rest}.",
        f"At {risk.rpm[0]:.0f} rpm nine of ten hits lie between lambda {low:.2f} and {high:.2f}. {_narrows(risk)}",
    ]


def _narrows(risk: Risk) -> str:
    """What would narrow lambda's spread: the first input that can be measured on a car."""
    means = {
        un.NOZZLE: "Weighing the nozzle in", un.JET: "Measuring the fuel jet's flow", un.INJECTORS: "A flow bench for the injectors", un.SENSOR: "A checked wide-band",
        un.VALVE: "Timing the valve", un.TEMPERATURE: "A thermometer on the bottle", un.AIR: "A better volumetric efficiency",
    }  # fmt: skip
    ranked = risk.ranked.sort_values("lambda", ascending=False, kind="stable")
    first = next((n for n, v in zip(ranked["input"], ranked["lambda"], strict=True) if n in means and v > 0), None)
    return "" if first is None else f"{means[first]} would narrow it most, of what can be measured before the hit."


def margins_title(risk: Risk) -> str:
    """Title over the margins."""
    names = {"pressure": "peak pressure", "knock": "knock", "exhaust": "exhaust"}
    worst = max(names, key=lambda n: risk.chances[n].share)
    if risk.chances[worst].share == 0:
        return "Peak pressure, knock and exhaust stay within their limits in every sample"
    k = int(np.nanargmax(risk.quantiles[f"{worst}_95"]))
    return f"The thinnest margin is {names[worst]}: at {risk.rpm[k]:.0f} rpm one hit of 20 reaches {100 * risk.quantiles[f'{worst}_95'].iloc[k]:.0f} % of it"


def margins_text(_risk: Risk) -> list[str]:
    """Sentences under the margins."""
    return [
        "Peak pressure and exhaust relative to your limits, knock to the engine's own at that speed; all of the cylinder with most nitrous. The knock correlation is good for differences only."
    ]


def drivers_title(risk: Risk) -> str:
    """Title over the ranked inputs."""
    table = risk.ranked.set_index("input")
    if not (table.to_numpy() > 0).any():
        return "Nothing that was sampled moves the outcome"
    lam, pressure = table["lambda"].idxmax(), table["pressure"].idxmax()
    if lam == pressure:
        return f"{name_of(lam).capitalize()} matters most, for lambda and for peak pressure"
    return f"{name_of(lam).capitalize()} matters most for lambda, {name_of(pressure)} for peak pressure"


def drivers_text(risk: Risk) -> list[str]:
    """Sentences under the ranked inputs."""
    first = risk.ranked["input"].iloc[0]
    band = {u.name: u.band for u in risk.inputs}[first]
    return [
        f"Largest of all: {name_of(first)}. Its range here: {band.because}.",
        "Share of the variance of ranks (Spearman's correlation, squared) of the worst value over speed. What can be measured, the nozzle's flow, the octane, the "
        "sensor, is worth measuring where its bar is long; flame speed and wall heat nobody measures on a car.",
    ]


def name_of(name: str) -> str:
    """Name of an input for a reader."""
    return INPUTS.get(name, name)


def assumes(risk: Risk) -> str:
    """What the samples assume, in one quiet line."""
    flat = listed([name_of(u.name) for u in risk.inputs if u.shape == un.UNIFORM])
    return (
        f"Assumes: {flat} anywhere in their ranges alike, all others most often at the likely value (triangles); ranges are guesses, so the chances are no better than "
        f"they. The base map was tuned on the car: errors of air and injectors cancel in the engine's own fuel. Seed {risk.seed} repeats it."
    )


def counts(done: int, of: int) -> str:
    """Progress in words."""
    return f"{done} of {of} hits computed"


def plain_html(sentences: list[str]) -> str:
    """Sentences as paragraphs."""
    return "".join(f"<p>{escape(s)}</p>" for s in sentences)
