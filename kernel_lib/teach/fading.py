"""How the mixture comes back while a lean stop acts: full excursion until the valve has shut, then what line and manifold still give."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from ..band import Band
from ..build_sheet import BuildSheet
from ..engine.charge import fresh_charge
from ..engine.setup import Setup
from ..plan import fuel as pf
from ..plan.plan import full_flow
from ..plan.stopping import GONE
from .delivery import SEEN, LateStop

_CONTENTS = np.linspace(0.0, 1.0, 41)


def draining(time_s, line_s: float, drain_s: float) -> np.ndarray:
    """Flow that a line behind a shut valve still gives, as a share of the full flow.

    Parameters
    ----------
    time_s : array
        Since the valve shut [s].
    line_s, drain_s : float
        Its liquid at the full flow, and the time until 95 % of it is gone [s].

    Notes
    -----
    A shape of our own through two things that are taken: the first flow is the full flow, and `drain_s`. With contents (1 - t / (m line_s))^m the flow is
    (1 - t / (m line_s))^(m - 1); from three times `line_s` on no m fits, and it falls exponentially from less than the full flow.
    """
    since = np.maximum(np.asarray(time_s, float), 0.0)
    if not line_s:
        return np.zeros(since.shape)
    k, left = drain_s / line_s, np.log(1 / GONE)
    if k >= 0.999 * left:
        return left / k * np.exp(-left * since / drain_s)
    m = _shape(round(k, 9))
    return np.maximum(1 - since / (m * line_s), 0.0) ** (m - 1)


@functools.lru_cache(maxsize=64)
def _shape(k: float) -> float:
    """Exponent m with m (1 - GONE^(1 / m)) = k."""
    return float(brentq(lambda m: m * (1 - GONE ** (1 / m)) - k, 1.0, 1e5))


@functools.lru_cache(maxsize=64)
def _unfuelled(sheet: BuildSheet, rpm: float) -> np.ndarray:
    """Lambda over the share of the full flow (`_CONTENTS`) where none of the added fuel comes."""
    setup, engine, control = Setup.of(sheet), sheet.engine, sheet.controller
    at = np.full(len(_CONTENTS), float(rpm))
    charge = fresh_charge(setup, at, _CONTENTS * full_flow(sheet))
    own = pf.fuel_supplied(setup, charge, at, engine.lambda_without_nitrous, control.metering, control.intake_sensor)
    return pf.lambda_with(setup, charge, own)


@dataclass(frozen=True, eq=False)
class Fading:
    """The mixture while a stop acts: time since the first lean cycle [s], share of the full flow that is drawn, lambda."""

    time_s: np.ndarray
    share: np.ndarray
    lambda_: np.ndarray


def fading(sheet: BuildSheet, stop: LateStop, end: str = "best") -> Fading:
    """Follow the mixture from the first lean cycle to the end of a stop, fuel failed for good.

    Parameters
    ----------
    sheet : BuildSheet
    stop : LateStop
        Of this sheet.
    end : {"best", "low", "high"}
        Of what is unknown of its parts.

    Raises
    ------
    InputError

    Notes
    -----
    Full excursion until the valve has shut; then the line by `draining`, through the manifold as a first-order lag. Both at once, where the budget puts one after
    the other, so the nitrous is gone a little earlier here. A fuel supply that fails altogether is taken to leave the same share of what is wanted.
    """
    parts = {name: float(getattr(band, end)) for name, band in stop.budget.parts.items()}
    step, shut = 2.5e-4, sum(parts[name] for name in (*SEEN, "valve"))
    time = np.arange(0.0, sum(parts.values()) + step, step)
    flow = np.where(time < shut, 1.0, draining(time - shut, stop.line_s, parts["line"]))
    tau = parts["manifold"] / np.log(1 / GONE)
    share = flow
    if tau:
        keep, now, drawn = float(np.exp(-step / tau)), 1.0, []
        for u in flow.tolist():
            drawn.append(now)
            now = u + (now - u) * keep
        share = np.array(drawn)
    values = _unfuelled(sheet, stop.budget.rpm)
    return Fading(time, share, np.interp(share, _CONTENTS, values) * stop.lean / float(values[-1]))


def past_stop(sheet: BuildSheet, stop: LateStop) -> Band:
    """Time for which the mixture is leaner than the stop [s]; as `fading`.

    Raises
    ------
    InputError
    """
    found = []
    for end in ("low", "best", "high"):
        course = fading(sheet, stop, end)
        found.append(float(course.time_s[course.lambda_ > stop.stop].max()))
    return Band(min(found), found[1], max(found), stop.total.because)
