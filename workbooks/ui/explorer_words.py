"""What the charge explorer says: findings and explanations, every number in them computed."""

from __future__ import annotations

import numpy as np

from kernel_lib.band import WALL_HEAT_SHARE
from kernel_lib.plan.fuel import TOO_LEAN_LAMBDA, WINDOW_LAMBDA

from .display import coarse, degrees, figures, flame, quantity, temperature
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
    if x < 1e-3:
        first = (
            f"Without nitrous the charge at {i.rpm:.0f} rpm is air, with an oxygen share of {100 * r.base_share:.1f} %."
        )
    else:
        what = "this shot is" if i.fraction is None else "the nitrous fraction is held at"
        first = (
            f"At {i.rpm:.0f} rpm {what} about {100 * x:.0f} % of the air and nitrous by mole, and the oxygen share rises from "
            f"{100 * r.base_share:.1f} % to {100 * float(r.charge.oxygen_share):.1f} %."
        )
    return (
        f"{first} Lambda {i.lambda_:.3f} is {gauge(i.lambda_, scale)} on an ideal gauge; a real sensor in nitrous exhaust would show about "
        f"{gauge(r.shown_lambda, scale)} (modelled, not verified against a sensor). As {'an' if i.hold == 'HP' else 'a'} {_HOLD[i.hold]} from "
        f"{temperature(r.T, system)} it burns at about {flame(r.point_T, system)}."
    )


def map_title(r: Result, scale: float, system: str) -> str:
    """The map's finding."""
    low, lean = WINDOW_LAMBDA[0], TOO_LEAN_LAMBDA
    between = [_at(r, v) for v in np.linspace(low, lean, 15)]
    across = coarse(max(max(between) - min(between), 5.6), system)
    free = [figures(100 * _x(r, "O2", v)) for v in (low, lean)]
    return (
        f"The flame does not tell you when you are too lean: {gauge(low, scale)} and {gauge(lean, scale)} lie within {across}, but free oxygen "
        f"goes from {free[0]} to {free[1]} %"
    )


def map_subtitle(r: Result) -> str:
    """What the map plots."""
    return (
        f"Burned-gas temperature, {_HOLD[r.inputs.hold]}, over gauge AFR and temperature of the charge {_STATE[r.inputs.state]}; "
        f"{float(r.charge.nitrous_fraction):.2f} nitrous fraction"
    )


def map_text(r: Result, scale: float, system: str) -> list[str]:
    """Three sentences under the map."""
    rows = r.map.T[:, int(np.abs(r.map.lambda_ - r.inputs.lambda_).argmin())]
    slope = float(rows[-1] - rows[0]) / (r.map.T_charge[-1] - r.map.T_charge[0])
    peak = float(r.line.lambda_[int(np.argmax(r.line.T))])
    side = "richer than" if peak < 0.995 else "at"
    own = r.inputs.T is None and r.inputs.P is None
    ring = "The ring is this car" if own else "The ring is what you set, the white mark this car's own charge"
    return [
        f"{ring}: gauge {gauge(r.inputs.lambda_, scale)}, charge at {temperature(r.T, system)}, flame at about {flame(r.point_T, system)}. A charge {degrees(50, system)} hotter "
        f"moves the flame by about {coarse(50 * slope, system)}.",
        f"The hottest mixture of this charge lies at lambda {peak:.2f} (gauge {gauge(peak, scale)}), {side} stoichiometric, because hot products come apart and "
        "some oxygen stays free while some fuel stays unburned.",
        f"Orange marks are the trade's, not the model's: its window {gauge(WINDOW_LAMBDA[0], scale)} to {gauge(WINDOW_LAMBDA[1], scale)} and its too-lean mark "
        f"{gauge(TOO_LEAN_LAMBDA, scale)} (common practice, no source).",
    ]


def flat_is_not_safe(r: Result, scale: float, system: str) -> list[str]:
    """Why a flat map does not make lean harmless: shown beside it at once."""
    target, lean = r.inputs.lambda_, TOO_LEAN_LAMBDA
    if target >= lean:
        return [
            f"This mixture is at or past the trade's too-lean mark, {gauge(lean, scale)} (common practice, no source): it holds "
            f"{figures(100 * _x(r, 'O2', target))} % of free oxygen and {figures(100 * _reducing(r, target))} % of CO and H2 to take it up. That the flame "
            "is no hotter than a rich one is no comfort."
        ]
    change = r.opening_T[1] - r.opening_T[0]
    word = "hotter" if change >= 0 else "cooler"
    out = [
        f"Left-over oxygen: from gauge {gauge(target, scale)} to {gauge(lean, scale)} free O2 in the flame goes from "
        f"{figures(100 * _x(r, 'O2', target))} to {figures(100 * _x(r, 'O2', lean))} % while the gas that could take it up (CO and H2) goes from "
        f"{figures(100 * _reducing(r, target))} to {figures(100 * _reducing(r, lean))} %.",
        f"Exhaust: expanded to where the exhaust valve opens, the gas at {gauge(lean, scale)} is about {coarse(abs(change), system)} {word} than at "
        f"{gauge(target, scale)} (burned at once at the spark and expanded without heat loss: good for the difference).",
    ]
    if np.isfinite(r.missing_share):
        part = (
            "no loss of added fuel alone reaches it"
            if r.missing_share > 1
            else f"if about {100 * r.missing_share:.0f} % of the added fuel comes late, this car is there"
        )
        out.append(f"Lost time: the too-lean mark is {100 * (1 - target / lean):.0f} % of all fuel away; {part}.")
    return out


def _reducing(r: Result, lambda_: float) -> float:
    return _x(r, "CO", lambda_) + _x(r, "H2", lambda_)


def line_title(r: Result, system: str) -> str:
    """The temperature slice's finding."""
    if float(r.charge.nitrous_fraction) < 1e-3:
        return "Without nitrous both lines are one"
    gain = r.point_T - float(np.interp(r.inputs.lambda_, r.bare.lambda_, r.bare.T))
    return f"Nitrous makes this flame about {coarse(gain, system)} hotter at the same charge temperature"


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
    """The products' finding; one O2 takes up two of CO or H2."""
    free, asks = _x(r, "O2", r.inputs.lambda_), _reducing(r, r.inputs.lambda_) / 2
    ratio, here = asks / max(free, 1e-9), f"At gauge {gauge(r.inputs.lambda_, scale)}"
    if ratio > 1.25:
        times = "more than 100 times" if ratio > 100 else f"{figures(ratio)} times"
        return f"{here} CO and H2 could take up {times} the free oxygen"
    if ratio >= 0.8:
        return f"{here} free oxygen and what could take it up are about even"
    return f"{here} there is {figures(1 / max(ratio, 1e-3))} times the oxygen that CO and H2 could take up"


def products_text(r: Result, scale: float) -> list[str]:
    """Three sentences under the products."""
    target, lean = r.inputs.lambda_, TOO_LEAN_LAMBDA
    co, h2 = figures(100 * _x(r, "CO", target)), figures(100 * _x(r, "H2", target))
    balance = _reducing(r, target) / 2 / max(_x(r, "O2", target), 1e-9)
    side = (
        "more than the free oxygen can burn"
        if balance > 1.25
        else "about what the free oxygen can burn"
        if balance >= 0.8
        else "too little to take up the oxygen beside it"
    )
    bare = float(np.interp(target, r.bare.lambda_, r.bare.X["NO"]))
    ratio = _x(r, "NO", target) / bare if bare > 1e-9 else np.nan
    return [
        f"Left of lambda 1 carbon and hydrogen are left wanting; this point holds {co} % CO and {h2} % H2, {side}.",
        f"Right of it oxygen is left over: {figures(100 * _x(r, 'O2', target))} % at this point, {figures(100 * _x(r, 'O2', lean))} % at the trade's "
        f"{gauge(lean, scale)}.",
        f"NO at this point is {figures(ratio)} times that without nitrous, a trace of how much hotter and richer in oxygen atoms the flame is."
        if np.isfinite(ratio)
        else "NO at this point is a trace too small to compare.",
    ]


def flow(r: Result, system: str) -> str:
    """Write the nitrous flow."""
    return quantity(1e3 * r.flow, "g/s", system, 3 if system == "us" else 0)


def share_title(r: Result, window: tuple[float, float]) -> str:
    """The oxygen picture's finding."""
    if r.flow < 1e-6:
        return "Without nitrous the oxygen share is that of air at every speed"
    low, high = _within(r, window)
    first, last = (100 * float(np.interp(v, r.share_rpm, r.share[1])) for v in (low, high))
    return (
        f"The same flow makes the oxygen share {first:.0f} % at {low:.0f} rpm and {last:.0f} % at {high:.0f} rpm: constant flow is a "
        "bigger dose at low speed"
    )


def _within(r: Result, window: tuple[float, float]) -> tuple[float, float]:
    """Return the ends of the spray window as far as the picture holds them."""
    low, high = (float(np.clip(v, r.share_rpm[0], r.share_rpm[-1])) for v in window)
    return low, high


def share_text(r: Result, window: tuple[float, float], system: str) -> list[str]:
    """Three sentences under the oxygen picture."""
    low, high = _within(r, window)
    at = [100 * (float(np.interp(v, r.share_rpm, r.share[1])) - r.base_share) for v in (low, high)]
    out = [
        "The valve passes the same mass every second, and a slower engine takes fewer gulps of it: the dose of each gulp goes as one over "
        "rpm."
    ]
    if at[1] > 0.01:
        out.append(
            f"Nitrous adds {at[0]:.1f} points of oxygen share at {low:.0f} rpm and {at[1]:.1f} at {high:.0f} rpm, {at[0] / at[1]:.1f} times as much at "
            "the low end."
        )
    if r.share_rpm[0] > r.rpm[0]:
        out.append(f"Below {r.share_rpm[0]:.0f} rpm this flow would leave no room for air.")
    out.append(
        f"The band belongs to this one flow, {flow(r, system)}, and runs over the wall-heat share and over how much air the cooling wins back; "
        "how much flow the shot needs is uncertain too, and the plan's band holds both."
    )
    return out


def assumes(r: Result, system: str) -> str:
    """What the pictures rest on."""
    start = (
        "the charge in the port, fuel evaporated, no residual gas"
        if r.inputs.state == "intake"
        else ("the charge compressed without heat loss to the known-good timing, residual gas mixed in")
    )
    return (
        f"Assumes {start}; chemical equilibrium without heat loss; the flow from the energy balance of the shot. Temperatures of the flame are within about 3 K of NASA CEA "
        f"for what is computed, which is not what a cylinder holds: heat loss and time take a few hundred {'°F' if system == 'us' else 'K'} off. "
        f"{own_charge(r, system)}"
    )
