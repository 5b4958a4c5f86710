"""What the charge explorer says: findings and explanations, every number in them computed."""

from __future__ import annotations

import numpy as np

from kernel_lib.band import WALL_HEAT_SHARE
from kernel_lib.plan.fuel import TOO_LEAN_LAMBDA, WINDOW_LAMBDA

from .display import coarse, degrees, figures, flame, temperature
from .explorer_model import Result

_STATE = {"intake": "in the intake", "spark": "at the spark"}
_HOLD = {"HP": "open flame", "UV": "closed vessel"}


def gauge(lambda_: float, scale: float) -> str:
    """Write a lambda as a gauge of that scale shows it."""
    return f"{lambda_ * scale:.1f}"


def _at(r: Result, lambda_: float) -> float:
    """Flame temperature along the slice [K]."""
    return float(np.interp(lambda_, r.line.lambda_, r.line.T))


def _x(r: Result, name: str, lambda_: float) -> float:
    return float(np.interp(lambda_, r.line.lambda_, r.line.X[name]))


def own_charge(r: Result, system: str) -> str:
    """Where this car's own charge sits, with its band."""
    low, best, high = r.own_T
    ends = [temperature(t, system) for t in (low, high) if np.isfinite(t)]
    band = (
        f" ({' to '.join(ends)} over a wall-heat share of {WALL_HEAT_SHARE.low:g} to {WALL_HEAT_SHARE.high:g})"
        if len(ends) == 2
        else (f" (up to {ends[0]}; with no heat from the walls the port falls below what the model covers)")
    )
    return f"This car's own charge {_STATE[r.inputs.state]} is about {temperature(best, system)}{band}."


def answer(r: Result, scale: float, system: str) -> str:
    """The page's answer in three sentences."""
    i, x = r.inputs, float(r.charge.nitrous_fraction)
    return (
        f"At {i.rpm:.0f} rpm this shot is {100 * x:.0f} % of the air and nitrous by mole, and the oxygen share rises from "
        f"{100 * r.base_share:.0f} % to {100 * float(r.charge.oxygen_share):.1f} %. Lambda {i.lambda_:.3f} is {gauge(i.lambda_, scale)} on an ideal gauge; a real "
        f"sensor in nitrous exhaust would show about {gauge(r.shown_lambda, scale)}. As {'an' if i.hold == 'HP' else 'a'} {_HOLD[i.hold]} from "
        f"{temperature(r.T, system)} it burns at about {flame(r.point_T, system)}."
    )


def map_title(r: Result, scale: float, system: str) -> str:
    """The map's finding."""
    low, lean = WINDOW_LAMBDA[0], TOO_LEAN_LAMBDA
    across = abs(_at(r, lean) - _at(r, low))
    rows = r.map.T[:, int(np.abs(r.map.lambda_ - r.inputs.lambda_).argmin())]
    slope = float(rows[-1] - rows[0]) / (r.map.T_charge[-1] - r.map.T_charge[0])
    return (
        f"From {gauge(low, scale)} to {gauge(lean, scale)} the flame changes by only {degrees(across, system)}; a charge {degrees(50, system)} hotter moves "
        f"it by {degrees(50 * slope, system)}"
    )


def map_subtitle(r: Result) -> str:
    """What the map plots."""
    return (
        f"Burned-gas temperature, {_HOLD[r.inputs.hold]}, over gauge AFR and temperature of the charge {_STATE[r.inputs.state]}; "
        f"{float(r.charge.nitrous_fraction):.2f} nitrous fraction"
    )


def map_text(r: Result, scale: float, system: str) -> list[str]:
    """Three sentences under the map."""
    peak = float(r.line.lambda_[int(np.argmax(r.line.T))])
    side = "richer than" if peak < 0.995 else "at"
    return [
        f"The ring is this car: gauge {gauge(r.inputs.lambda_, scale)}, charge at {temperature(r.T, system)}, flame at about {flame(r.point_T, system)}.",
        f"The hottest mixture of this charge lies at lambda {peak:.2f} (gauge {gauge(peak, scale)}), {side} stoichiometric, because hot products come apart and "
        "some oxygen stays free while some fuel stays unburned.",
        f"Orange marks are the trade's, not the model's: its window {gauge(WINDOW_LAMBDA[0], scale)} to {gauge(WINDOW_LAMBDA[1], scale)} and its too-lean mark "
        f"{gauge(TOO_LEAN_LAMBDA, scale)} (common practice, no source).",
    ]


def flat_is_not_safe(r: Result, scale: float, system: str) -> list[str]:
    """Why a flat map does not make lean harmless: shown beside it at once."""
    target, lean = r.inputs.lambda_, TOO_LEAN_LAMBDA
    o2_here, o2_lean = _x(r, "O2", target), _x(r, "O2", lean)
    rich_here, rich_lean = (_x(r, "CO", v) + _x(r, "H2", v) for v in (target, lean))
    sentences = [
        f"Left-over oxygen: from gauge {gauge(target, scale)} to {gauge(lean, scale)} free O2 in the flame goes from {figures(100 * o2_here)} to "
        f"{figures(100 * o2_lean)} % while the gas that could take it up (CO and H2) falls from {figures(100 * rich_here)} to {figures(100 * rich_lean)} %.",
    ]
    change = r.opening_T[1] - r.opening_T[0]
    word = "hotter" if change >= 0 else "cooler"
    sentences.append(
        f"Exhaust: expanded to where the exhaust valve opens, the gas at {gauge(lean, scale)} is about {coarse(abs(change), system)} {word} than at "
        f"{gauge(target, scale)} (burned at once at the spark and expanded without heat loss: good for the difference)."
    )
    if np.isfinite(r.missing_share):
        part = (
            "it is already past that mark"
            if r.missing_share == 0
            else "no loss of added fuel alone reaches that mark"
            if r.missing_share > 1
            else f"if {100 * r.missing_share:.0f} % of the added fuel comes late, this car is there"
        )
        sentences.append(f"Lost time: the too-lean mark is {100 * (1 - target / lean):.0f} % of all fuel away; {part}.")
    return sentences


def line_title(r: Result, system: str) -> str:
    """The temperature slice's finding."""
    gain = r.point_T - float(np.interp(r.inputs.lambda_, r.bare.lambda_, r.bare.T))
    return f"Nitrous makes this flame {coarse(gain, system)} hotter at the same charge temperature"


def line_text(r: Result, system: str) -> list[str]:
    """Three sentences under the temperature slice."""
    own = r.own_T[1]
    bare_peak = float(r.bare.lambda_[int(np.argmax(r.bare.T))])
    return [
        "Both lines start from the same temperature and pressure: the gap is what less nitrogen to heat, and the heat N2O gives when it comes apart, do.",
        f"In the car the two do not start alike: evaporation brings this charge to about {temperature(own, system)} {_STATE[r.inputs.state]}, which takes part of the gap "
        "back.",
        f"Without nitrous the peak lies at lambda {bare_peak:.2f}, with it at {float(r.line.lambda_[int(np.argmax(r.line.T))]):.2f}: near the top both lines are flat, so "
        "temperature alone tells rich from lean badly.",
    ]


def products_title(r: Result, scale: float) -> str:
    """The products' finding."""
    rich, free = (_x(r, "CO", r.inputs.lambda_) + _x(r, "H2", r.inputs.lambda_)), _x(r, "O2", r.inputs.lambda_)
    ratio = rich / free if free > 0 else np.inf
    if ratio >= 2:
        return f"At gauge {gauge(r.inputs.lambda_, scale)} reducing gas outweighs free oxygen {figures(min(ratio, 9999))} to 1"
    if ratio >= 0.5:
        return f"At gauge {gauge(r.inputs.lambda_, scale)} reducing gas and free oxygen are about even"
    return f"At gauge {gauge(r.inputs.lambda_, scale)} free oxygen outweighs reducing gas {figures(1 / max(ratio, 1e-4))} to 1"


def products_text(r: Result, scale: float) -> list[str]:
    """Three sentences under the products."""
    target, lean = r.inputs.lambda_, TOO_LEAN_LAMBDA
    bare = float(np.interp(target, r.bare.lambda_, r.bare.X["NO"]))
    ratio = _x(r, "NO", target) / bare if bare > 1e-9 else np.nan
    return [
        f"Left of lambda 1 carbon and hydrogen are left wanting: {figures(100 * _x(r, 'CO', target))} % CO and {figures(100 * _x(r, 'H2', target))} % H2 at this point; they "
        "shield the piston from oxygen.",
        f"Right of it oxygen is left over; already at the trade's {gauge(lean, scale)} there is {figures(100 * _x(r, 'O2', lean))} % of it in the flame, against "
        f"{figures(100 * _x(r, 'O2', target))} % here.",
        f"NO at this point is {figures(ratio)} times that without nitrous, a trace of how much hotter and richer in oxygen atoms the flame is."
        if np.isfinite(ratio)
        else "NO at this point is a trace too small to compare.",
    ]


def share_title(r: Result) -> str:
    """The oxygen picture's finding."""
    first, last = r.share[1][0], r.share[1][-1]
    return (
        f"The same shot makes the oxygen share {100 * first:.0f} % at {r.rpm[0]:.0f} rpm and {100 * last:.0f} % at {r.rpm[-1]:.0f}: "
        "constant flow is a bigger dose at low speed"
    )


def share_text(r: Result, window: tuple[float, float]) -> list[str]:
    """Three sentences under the oxygen picture."""
    low, high = window
    at = [float(np.interp(v, r.rpm, r.share[1])) - r.base_share for v in (low, high)]
    return [
        "The valve passes the same mass every second, and a slower engine takes fewer gulps of it: the dose of each gulp goes as one over rpm.",
        f"At {low:.0f} rpm nitrous adds {100 * at[0]:.1f} points of oxygen share, at {high:.0f} only {100 * at[1]:.1f}: {at[0] / at[1]:.1f} times as much.",
        f"The flow is {1e3 * r.flow:.0f} g/s; the band runs over the wall-heat share and over how much air the cooling wins back.",
    ]


def assumes(r: Result, system: str) -> str:
    """What the pictures rest on."""
    start = (
        "the charge in the port, fuel evaporated, no residual gas"
        if r.inputs.state == "intake"
        else ("the charge compressed without heat loss to the known-good timing, residual gas mixed in")
    )
    return (
        f"Assumes {start}; chemical equilibrium without heat loss; the flow from the energy balance of the shot. Temperatures of the flame are within 2.5 K of NASA CEA "
        f"for what is computed, which is not what a cylinder holds: heat loss and time take a few hundred {'°F' if system == 'us' else 'K'} off. "
        f"{own_charge(r, system)}"
    )
