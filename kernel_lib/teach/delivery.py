"""What the lesson shows of delivery: single cycles under pulses, one cylinder in step with them, and how late a lean stop is."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np

from ..band import LINE_DRAIN, VALVE_LAG_ERROR, Band
from ..build_sheet import BuildSheet
from ..engine.setup import Setup, spray_speeds
from ..errors import check_number
from ..plan import delivery as dv
from ..plan.plan import full_flow
from ..plan.proposals import fuel_missing
from ..plan.stopping import Budget, line_s, stop_budget
from .rules_told import RULES

HALF = 0.5
"""Share of the full flow at which pulses are looked at: there they are strongest."""
NOTABLE = 0.015
"""Difference of lambda from which a swing is worth a question; our own choice."""
SWEEP_HZ = tuple(np.linspace(4.0, 40.0, 73).tolist())
"""Pulse frequencies that are looked at [Hz]."""
SAGGED = 0.15
"""How far past the lean stop a fuel supply that fails altogether takes lambda, where the added fuel alone does not reach it; our own choice."""
NEAREST = 0.05
"""How far beyond the target a lean stop is taken that the sheet states on its rich side [lambda]; our own choice."""
SEEN = ("cylinder", "exhaust", "sensor", "filter")
"""Parts of a stop that pass before it acts."""


def middle_rpm(sheet: BuildSheet) -> float:
    """Middle of the spray window, a whole number of 50 rpm above its low end."""
    speeds = spray_speeds(sheet)
    return float(speeds[0] + 50 * np.floor((speeds[-1] - speeds[0]) / 100))


def pulse_rate(sheet: BuildSheet) -> float:
    """Pulses per second to look at [Hz]: the sheet's where its valve pulses, the trade's (common practice, no source) where it does not."""
    return float(sheet.nitrous.pulse_hz) if sheet.nitrous.progressive else RULES["pulse"].numbers["pulse_hz"]


@dataclass(frozen=True, eq=False)
class Sweep:
    """Cycles over pulse frequency at one speed, half the flow meant, fuel set for the mean.

    Attributes
    ----------
    rpm : float
    hz : array
        Pulses [Hz].
    richest, leanest : array
        Lambda of single cycles.
    strongest, weakest : array
        Share of the full flow that single cycles get.
    spread : array
        Nitrous of the worst cylinder above the mean of all over half a second, as a share of that mean.
    """

    rpm: float
    hz: np.ndarray
    richest: np.ndarray
    leanest: np.ndarray
    strongest: np.ndarray
    weakest: np.ndarray
    spread: np.ndarray


@functools.lru_cache(maxsize=512)
def pulse_sweep(sheet: BuildSheet, rpm: float, hz: tuple[float, ...] = SWEEP_HZ) -> Sweep:
    """Sweep the pulse frequency at a speed.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : float
        Within the base pulls.
    hz : tuple of float
        Pulses [Hz].

    Raises
    ------
    InputError

    Notes
    -----
    As `delivery.lambda_ripple`; lambda over what a cycle gets is read between 41 points, within 0.001.
    """
    tau, contents, values = _mixed(sheet, float(rpm))
    rate = np.array(hz, float)
    weakest, strongest = (share(tau, rate, HALF, rpm) for share in (dv.trough_share, dv.peak_share))
    ends = [np.interp(share, contents, values) for share in (weakest, strongest)]
    spread = dv.standing_spread(tau, rate, HALF, rpm, sheet.engine.cylinders)
    return Sweep(float(rpm), rate, np.min(ends, axis=0), np.max(ends, axis=0), strongest, weakest, spread)


_CONTENTS = np.linspace(0.0, 1.0, 41)


@functools.lru_cache(maxsize=512)
def _mixed(sheet: BuildSheet, rpm: float) -> tuple[float, np.ndarray, np.ndarray]:
    """Mixing time [s], and lambda over the share of the full flow that a cycle gets where the fuel is set for half."""
    setup = Setup.of(sheet)
    rpm = float(setup.check_rpm(rpm))
    tau = float(dv.mixing(sheet, setup, rpm, HALF * _full(sheet)))
    return tau, _CONTENTS, dv.lambda_at_share(sheet, setup, rpm, HALF, _CONTENTS)


@functools.lru_cache(maxsize=16)
def _full(sheet: BuildSheet) -> float:
    return full_flow(sheet)


@dataclass(frozen=True)
class Cycles:
    """Single cycles at one speed and pulse frequency, half the flow meant.

    Attributes
    ----------
    rpm, hz : float
    strongest, weakest : float
        Share of the full flow that they get.
    most : Band
        The strongest with the valve's error.
    richest : float
        Lambda.
    leanest : Band
        Lambda; low and high for the valve's error, the fuel still set for what is meant.
    mixing_s : float
        Time constant of the manifold [s]; 0 where nitrous enters at the ports.
    per_pulse : float
        Intakes of the whole engine from one pulse to the next.
    """

    rpm: float
    hz: float
    strongest: float
    weakest: float
    most: Band
    richest: float
    leanest: Band
    mixing_s: float
    per_pulse: float


@functools.lru_cache(maxsize=512)
def pulsed_cycles(sheet: BuildSheet, rpm: float, hz: float) -> Cycles:
    """Look at the cycles of one pulse.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : float
        Within the base pulls.
    hz : float
        Pulses [Hz].

    Raises
    ------
    InputError

    Notes
    -----
    The valve's error (`VALVE_LAG_ERROR`) is some milliseconds of every pulse; the fuel is set for the meant half. A wet jet's fuel keeps the pulses of the
    meant share, as in the picture of the planner. At the low end either end of the wet cycles may be the leanest.
    """
    setup = Setup.of(sheet)
    rpm = float(setup.check_rpm(rpm))
    tau = _mixed(sheet, rpm)[0]
    low, high = (float(v) for v in dv.share_band(sheet, HALF, hz))
    shares = np.array([low, HALF, high])
    ends = np.array([dv.trough_share(tau, hz, shares, rpm), dv.peak_share(tau, hz, shares, rpm)])
    meant = ends[:, 1:2]
    lean = dv.lambda_at_share(sheet, setup, rpm, HALF, ends, meant)
    leanest = lean.max(axis=0)
    return Cycles(
        rpm,
        float(hz),
        float(ends[1, 1]),
        float(ends[0, 1]),
        Band(float(ends[1, 0]), float(ends[1, 1]), float(ends[1, 2]), VALVE_LAG_ERROR.because),
        float(lean[:, 1].min()),
        Band(float(leanest.min()), float(leanest[1]), float(leanest.max()), VALVE_LAG_ERROR.because),
        tau,
        rpm / 120 * setup.cylinders / float(hz),
    )


def mixture_swings(sheet: BuildSheet) -> bool:
    """Whether pulses make single cycles leaner than the mean by `NOTABLE`, in the middle of the spray window; if not, only the size of the burn swings.

    Raises
    ------
    InputError
    """
    leanest = pulsed_cycles(sheet, middle_rpm(sheet), pulse_rate(sheet)).leanest
    return leanest.best - sheet.engine.lambda_with_nitrous >= NOTABLE


@functools.lru_cache(maxsize=64)
def worst_beat(sheet: BuildSheet, hz: float) -> tuple[float, float]:
    """Largest standing spread over the speeds of the spray window, half the flow meant: a share of the mean, and where [rpm].

    Raises
    ------
    InputError
    """
    setup, speeds = Setup.of(sheet), spray_speeds(sheet)
    rpm = np.linspace(speeds[0], speeds[-1], 361)
    tau = dv.mixing(sheet, setup, rpm, HALF * _full(sheet))
    spread = dv.standing_spread(tau, hz, HALF, rpm, setup.cylinders)
    k = int(spread.argmax())
    return float(spread[k]), float(rpm[k])


def fastest_half(sheet: BuildSheet) -> float:
    """Highest pulse frequency at which the sheet's valve can pass half the flow [Hz].

    Raises
    ------
    InputError
        As `delivery.valve`.

    Notes
    -----
    Told to open for less than its opening time it does not open, told to shut for less than its closing time it does not shut.
    """
    valve = dv.valve(sheet)
    return HALF / max(valve.open_s, valve.close_s)


@dataclass(frozen=True)
class LateStop:
    """A lean stop from the failing of the fuel to the last of the nitrous, valve open for good.

    Attributes
    ----------
    stop : float
        Lambda of the stop.
    lean : float
        Lambda while it lasts.
    missing : float
        Lambda with the added fuel missing; the same as `lean` where that reaches the stop.
    budget : Budget
    cylinders : int
    line_ml, line_s : float
        Volume between valve and nozzle [mL], and the time of its liquid at the full flow [s].
    """

    stop: float
    lean: float
    missing: float
    budget: Budget
    cylinders: int
    line_ml: float
    line_s: float

    @property
    def reaches(self) -> bool:
        """Whether the missing of the added fuel alone reaches the stop."""
        return self.lean == self.missing

    @property
    def total(self) -> Band:
        """From the first bad cycle to the last [s]."""
        return self.budget.total

    @property
    def seen_s(self) -> float:
        """What passes before the stop acts, likely [s]."""
        return sum(self.budget.parts[p].best for p in SEEN)

    @property
    def without_sensor(self) -> Band:
        """What is left to a switch that acts at once: valve, line and manifold [s]."""
        rest = [band for name, band in self.budget.parts.items() if name not in SEEN]
        ends = (sum(getattr(band, end) for band in rest) for end in ("low", "best", "high"))
        return Band(*ends, "valve, line and manifold, one after the other")

    @property
    def cycles(self) -> float:
        """Working cycles of each cylinder in the likely time."""
        return self.budget.cycles

    @property
    def full_cycles(self) -> float:
        """Working cycles of each cylinder at the full excursion: until the valve has shut, likely."""
        return (self.seen_s + self.budget.parts["valve"].best) * self.budget.rpm / 120

    @property
    def events(self) -> Band:
        """Combustion events of the whole engine."""
        rate = self.budget.rpm / 120 * self.cylinders
        return Band(self.total.low * rate, self.total.best * rate, self.total.high * rate, self.total.because)

    @property
    def longest(self) -> str:
        """Name of the longest part, likely."""
        return max(self.budget.parts, key=lambda name: self.budget.parts[name].best)


@functools.lru_cache(maxsize=64)
def late_stop(sheet: BuildSheet, rpm: float) -> LateStop:
    """Follow a lean stop after the fuel of a full hit has failed.

    Parameters
    ----------
    sheet : BuildSheet
    rpm : float
        Within the base pulls.

    Raises
    ------
    InputError

    Notes
    -----
    The added fuel is gone from one cycle to the next. Where lambda then stays short of the stop, so that the stop would never act, the whole fuel supply is
    taken to fail, to `SAGGED` beyond the stop. A stop that is not leaner than the target is taken `NEAREST` beyond it. See `stopping.stop_budget` for the parts.
    """
    flow, target = _full(sheet), sheet.engine.lambda_with_nitrous
    own = sheet.limits.lean_stop_lambda
    stop = own if own > target else target + NEAREST
    missing = fuel_missing(sheet, rpm, flow)
    lean, budget = missing, stop_budget(sheet, rpm, float(np.clip(missing, 0.3, 5.0)), stop)
    if not budget.reached:
        lean = stop + SAGGED
        budget = stop_budget(sheet, rpm, lean, stop)
    line_ml = float(sheet.value("nitrous.valve_to_nozzle_ml"))
    return LateStop(stop, lean, missing, budget, sheet.engine.cylinders, line_ml, line_s(sheet, flow))


def with_line(stop: LateStop, line_ml: float) -> LateStop:
    """Return the same stop with another volume between valve and nozzle [mL].

    Raises
    ------
    InputError
    """
    line_ml = check_number("line_ml", line_ml, 0.0, 500.0, "mL", "Between valve and nozzle.")
    line = stop.line_s * line_ml / stop.line_ml
    drain = Band(*(v * line for v in (LINE_DRAIN.low, LINE_DRAIN.best, LINE_DRAIN.high)), LINE_DRAIN.because)
    budget = replace(stop.budget, parts=stop.budget.parts | {"line": drain})
    return replace(stop, budget=budget, line_ml=line_ml, line_s=line)
