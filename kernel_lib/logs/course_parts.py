"""Pieces of a `course`: the channels it reads, what counts as settled, and the cells of a table."""

from __future__ import annotations

import weakref
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..errors import InputError
from ..plan.pulsing import Pulsing
from ..plan.tune import Tune
from . import events as ev
from .command import commanded_share, full_throttle
from .cut import Pull
from .drawn import Drawn
from .log import Log
from .mixture import MixtureModel
from .sensor import Delay

HOLD_S = 1.0
"""How long added fuel and retard stay after the valve shuts where the tune says nothing [s]; the trade's second, common practice, no source."""
DUTIES = (20.0, 40.0, 60.0, 80.0, 100.0)
"""Valve duties of the table of retard where the sheet has none [%]; as the tune sheet prints them."""
LAGS = 3.0
"""Time constants of the sensor after which a reading has settled."""
NEAR, FAR = 0.05, 0.2
"""Distance of what is drawn in from what is commanded, as a share of it, within which a mixture has settled, and beyond which the sensor needs its time again."""
AROUND_S = 0.15
"""What is left out beside an event [s]; a choice of our own."""
STANDS, LOW, RISE_S = 0.985, 0.95, 0.3
"""Manifold pressure over that of full throttle from which on it counts as that, and one so low that it is still rising for so long [s]; choices of our own."""
RELAX_S = 0.5
"""Longest time over which readings are taken to hang together [s]."""


@dataclass(frozen=True, eq=False)
class Reading:
    """Channels of a piece of a log, as a course takes them.

    Attributes
    ----------
    time_s, rpm, measured, commanded, trim_percent : array
    at_full : array
        1 at full throttle, NaN elsewhere.
    air : array
        Air over that of full throttle: by the manifold pressure, or 1 at full throttle and NaN elsewhere.
    injected : array or None
        Fuel commanded [kg per cycle and cylinder].
    fuel_kpa, bottle_kpa : array
        Evened out over 0.2 s.
    bottle_raw : array
    sample_s : float
        From one lambda to the next [s].
    notes : tuple of str
    """

    time_s: np.ndarray
    rpm: np.ndarray
    measured: np.ndarray
    commanded: np.ndarray
    trim_percent: np.ndarray
    at_full: np.ndarray
    air: np.ndarray
    injected: np.ndarray | None
    fuel_kpa: np.ndarray
    bottle_kpa: np.ndarray
    bottle_raw: np.ndarray
    sample_s: float
    notes: tuple[str, ...]

    @classmethod
    def of(cls, log: Log, window: slice, model: MixtureModel) -> Reading:
        """Take them from a log.

        Raises
        ------
        InputError
            Without engine speed.
        """
        step = log.step_s
        data = {key: np.asarray(log.get(key)[window], float) for key in _KEYS}
        rpm = ev.filled(data["rpm"], ev.samples(0.3, step))
        if not np.isfinite(rpm).any():
            raise InputError(
                "rpm", None, "rpm", "known in the pull", "Without engine speed there is nothing to compute."
            )
        smooth = ev.samples(0.2, step)
        fuel, bottle = (_evened(data[key], smooth) for key in ("fuel_kpa", "bottle_kpa"))
        with np.errstate(invalid="ignore"):
            both = [np.where(data[key] > 0.2, data[key], np.nan) for key in ("lambda_", "lambda_2")]
            lambda_ = np.fmax(*both)  # the leaner of two sensors at each moment: one bank is enough to hurt
        full = _full(log, window, model)
        rate = log.rate_hz.get("lambda_", 1 / step)
        return cls(
            log.time_s[window], rpm, lambda_, _commanded(log, model)[window], data["trim_percent"],
            np.where(full, 1.0, np.nan), _air(data["manifold_kpa"], full, model, ev.samples(RISE_S, step)), _injected(data, rpm, fuel, model), fuel, bottle,
            data["bottle_kpa"], 1 / rate if rate > 0 else step, (),
        )  # fmt: skip

    def middle_rpm(self, pull: Pull, window: slice) -> float:
        """Median speed at full throttle."""
        inside = self.rpm[max(pull.start - window.start, 0) : pull.stop - window.start]
        inside = inside[np.isfinite(inside)]
        return float(np.median(inside if len(inside) else self.rpm[np.isfinite(self.rpm)]))


_KEYS = (
    "rpm",
    "lambda_",
    "lambda_2",
    "trim_percent",
    "manifold_kpa",
    "fuel_kpa",
    "bottle_kpa",
    "injector_ms",
    "injector_duty_percent",
)
_KEPT: weakref.WeakKeyDictionary[Log, tuple] = weakref.WeakKeyDictionary()


def _whole(log: Log, model: MixtureModel) -> tuple[np.ndarray, np.ndarray]:
    """Full throttle and commanded share of a whole log; kept as long as the log is, for every pull asks."""
    kept = _KEPT.get(log)
    if kept is None or kept[0] != model.sheet:
        kept = model.sheet, full_throttle(log, model.sheet)[0], commanded_share(log, model.sheet)
        _KEPT[log] = kept
    return kept[1], kept[2]


def _full(log: Log, window: slice, model: MixtureModel) -> np.ndarray:
    return _whole(log, model)[0][window]


def _commanded(log: Log, model: MixtureModel) -> np.ndarray:
    return _whole(log, model)[1]


def _evened(values: np.ndarray, samples: int) -> np.ndarray:
    """Median over some samples; gaps stay."""
    if not np.isfinite(values).any() or samples < 3:
        return values
    return np.where(np.isfinite(values), ev.despiked(ev.filled(values, len(values)), samples | 1), np.nan)


def _air(kpa: np.ndarray, full: np.ndarray, model: MixtureModel, rise: int) -> np.ndarray:
    """Air over that of full throttle by the manifold pressure, the log's own at full throttle where that is near the sheet's; without it 1 at full throttle.

    Its noise near full throttle is taken out, but not for so many samples after a pressure that was lower: there it still fills.
    """
    sheet = model.setup.P_manifold / 1e3
    there = kpa[full & np.isfinite(kpa)]
    own = float(np.median(there)) if len(there) >= 20 else sheet
    part = kpa / (own if abs(own / sheet - 1) < 0.12 else sheet)
    with np.errstate(invalid="ignore"):
        low = (part < LOW).astype(float)
        fills = np.convolve(low, np.ones(rise + 1))[: len(part)] > 0.5
        return np.where((part > 1.0) | ((part > STANDS) & ~fills) | (full & np.isnan(part)), 1.0, part)


def _injected(data: dict, rpm, fuel_kpa, model: MixtureModel) -> np.ndarray | None:
    for key, name in (("injector_ms", "open_ms"), ("injector_duty_percent", "duty_percent")):
        if np.isfinite(data[key]).any():
            return model.fuel_injected(rpm, **{name: data[key]}, fuel_kpa=fuel_kpa, manifold_kpa=data["manifold_kpa"])
    return None


def full_flows(tune: Tune, model: MixtureModel) -> tuple[float, float, float]:
    """Flow of the open valve: likely, low, high [kg/s], as the plan has it."""
    k = int(np.abs(tune.room.share - 1.0).argmin())
    ends = (float(tune.room.columns[f"nitrous_kg_s{end}"][k].astype(float).mean()) for end in ("_low", "_high"))
    return (model.full_flow, *(end / float(tune.room.share[k]) for end in ends))


def hold_s(tune: Tune) -> float:
    """How long added fuel and retard stay after the valve shuts [s]."""
    found = [p.value for p in tune.proposals if p.name == "fuel and timing stay"]
    return float(found[0]) if found else HOLD_S


def duty_of(tune: Tune, share: np.ndarray) -> np.ndarray:
    """Valve duty [%] of a share; 100 where the valve is open and not pulsed."""
    return 100 * Pulsing.of(tune.sheet).duty(share) if tune.pulsed else np.where(share > 0, 100.0, 0.0)


def settled(
    read: Reading, gas: Drawn, spans: list[slice], pull: Pull, window: slice, delay: Delay, dead: np.ndarray, tune: Tune
) -> np.ndarray:
    """Where a reading stands for its mixture."""
    time_s, n = read.time_s, len(read.time_s)
    step = float(time_s[1] - time_s[0])
    index = np.arange(n) + window.start
    lag = LAGS * delay.tau_s
    late = float(np.nanmedian(dead)) if np.isfinite(dead).any() else 0.0
    on = (index >= pull.start) & (index < pull.stop) & np.isfinite(read.at_full)
    with np.errstate(invalid="ignore"):
        off = np.abs(gas.flow - gas.share * gas.open_flow) / (np.maximum(gas.share, 0.05) * gas.open_flow)
    stands = on & (off <= FAR)
    lead = tune.sheet.nitrous.fuel_lead_ms / 1e3
    for span in spans:  # fuel alone, before and after the nitrous
        first, last = time_s[span.start], time_s[span.stop - 1]
        stands &= ~((time_s >= first - lead - 0.1) & (time_s <= first))
        stands &= ~((time_s > last) & (time_s <= last + hold_s(tune) + 0.5))
    out = stands.copy()
    for a, b in ev.runs(stands):
        out[a : min(b, a + round(lag / step))] = False
        out[max(b - round((late + AROUND_S) / step), a) : b] = False
    out &= off <= NEAR
    for event in pull.events:
        begin, end = time_s[0] + (event.start - window.start) * step, time_s[0] + (event.stop - window.start) * step
        out &= ~((time_s >= begin - AROUND_S - late) & (time_s <= end + AROUND_S))
    return out & np.isfinite(read.measured)


CELL_COLUMNS = (
    "rpm",
    "valve_duty_percent",
    "n",
    "seconds",
    "error",
    "error_95",
    "noise_95",
    "systematic_95",
    "bias",
    "trim_percent",
    "begin_s",
    "end_s",
)
"""Of `cells`."""


def cells(course, rpm_step: float, duty_step: float) -> pd.DataFrame:
    """See `Course.cells`."""
    error = course.undelayed / course.target - 1
    use = course.settled & np.isfinite(error) & np.isfinite(course.undelayed_error)
    if not use.any():
        return pd.DataFrame(columns=list(CELL_COLUMNS), dtype=float)
    step = float(np.median(np.diff(course.time_s)))
    together = relaxation(error, use, step)
    rpm = rpm_step * np.round(course.rpm / rpm_step)
    duty = np.where(course.share > 0, np.maximum(duty_step * np.round(course.duty_percent / duty_step), duty_step), 0.0)
    rows = []
    for speed, valve in sorted(set(zip(rpm[use].tolist(), duty[use].tolist(), strict=True))):
        here = use & (rpm == speed) & (duty == valve)
        n, spread = int(here.sum()), error[here]
        apart = max(n * step / together, 1.0)
        least = float(np.median(course.noise_error[here] / course.target[here])) / 2
        noise = 2 * max(float(spread.std(ddof=1)) if n > 2 else 0.0, least) / np.sqrt(apart)
        fixed = float(np.mean(course.bias_error[here] / course.target[here]))
        trim = course.trim_percent[here]
        rows.append((
            speed, valve, n, n * step, float(spread.mean()), float(np.hypot(noise, fixed)), noise, fixed,
            float(np.mean(course.gauge_bias[here])), float(np.nanmean(trim)) if np.isfinite(trim).any() else np.nan,
            *(float(course.time_s[k]) for k in np.flatnonzero(here)[[0, -1]]),
        ))  # fmt: skip
    return pd.DataFrame(rows, columns=list(CELL_COLUMNS))


def relaxation(values: np.ndarray, use: np.ndarray, step: float) -> float:
    """Time over which neighbouring values hang together [s]: twice the integral of their correlation up to where it is gone, `RELAX_S` at most."""
    parts = [values[a:b] - values[a:b].mean() for a, b in ev.runs(use) if b - a >= 8]
    if not parts:
        return RELAX_S
    most = max(round(RELAX_S / step), 1)
    whole = sum(float((p * p).sum()) for p in parts)
    if whole <= 0:
        return step
    total = 1.0
    for k in range(1, most + 1):
        now = sum(float((p[k:] * p[:-k]).sum()) for p in parts if len(p) > k) / whole
        if now <= 0:
            break
        total += 2 * now
    return float(min(max(total, 1.0) * step, RELAX_S))
