"""When a fit is refused, and the sentence that says why."""

from __future__ import annotations

import numpy as np

from ..band import INJECTOR_SCALE, VALVE_LAG_ERROR, VE_ERROR
from ..build_sheet import BuildSheet
from ..plan.supply import is_weighed
from ..text import listed
from .fit_noise import Window
from .fit_solve import COOLING, INJECTOR, LEVEL, NOZZLE, TREND, VALVE, Solved
from .fit_told import SURE, coefficient_now, ratio, sd_of, slope

NEED_S = 1.5
"""Settled full throttle that a fit needs [s]: some twenty lags of a usual sensor, so that its own noise is below half a percent; a choice of our own."""
STRANGE_LAMBDA, STRANGE_S = 0.05, 0.3
"""A settled reading so far from the rest of its pull for so long is not told by any number of the sheet [lambda], [s]; choices of our own."""
ODD_SD, ODD_SHARE = 4.0, 0.015
"""A pull contradicts the others where it is off by so many standard deviations and by such a share of lambda; choices of our own."""
CONFLICT_SD = 3.5
"""An unknown so many standard deviations from what was thought of it contradicts the sheet; a choice of our own."""


def needs(sheet: BuildSheet, windows: list[Window]) -> str:
    """Say how much settled full throttle is there and how much is needed; "" where it is enough."""
    there = sum(w.seconds for w in windows)
    if there >= NEED_S:
        return ""
    step = float(np.median(np.diff(windows[0].time_s))) if windows else 0.01
    return (
        f"There are {there / step:.0f} settled readings of lambda at full throttle ({there:.1f} s), and a fit needs {NEED_S / step:.0f} ({NEED_S:g} s): with "
        f"fewer the noise of the gauge, {sheet.controller.sensor_delay_ms:.0f} ms slow, is as large as what is looked for. Log a longer pull."
    )


def strange(windows: list[Window], solved: Solved) -> str:
    """Name a pull with readings that nothing on the sheet explains; "" where there is none."""
    for w, (_, after) in zip(windows, solved.residuals, strict=True):
        phi = w.binned(1 / w.shown)
        off = (np.median(after) - after) / phi**2  # leaner is above 0, in lambda
        time = w.binned(w.time_s)
        for side in (1, -1):
            run = 0
            for k, far in enumerate(side * off > STRANGE_LAMBDA):
                run = run + 1 if far else 0
                if run * (time[1] - time[0]) >= STRANGE_S - 1e-9:
                    at, by = time[k - run // 2], float(off[k - run + 1 : k + 1].mean())
                    return _strange(w, float(at), by)
    return ""


def _strange(w: Window, at: float, by: float) -> str:
    side = "leaner" if by > 0 else "richer"
    why = (
        "A misfire reads lean, rich ones too; so does fuel that did not come. Nothing is fitted to it."
        if by > 0
        else "Fuel that nobody logged, or nitrous that did not come. Nothing is fitted to it."
    )
    return (
        f"In {w.name}, near {at:.1f} s, the gauge reads {abs(by):.2f} lambda {side} than in the rest of the pull without a cause in the fuel, the nitrous or "
        f"the air of the log. {why}"
    )


def odd_pulls(windows: list[Window], solved: Solved) -> str:
    """Name the pull that contradicts the others; "" where they agree."""
    if len(windows) < 2:
        return ""
    found = []
    for k, (w, (_, after)) in enumerate(zip(windows, solved.residuals, strict=True)):
        on = w.binned((w.flow > 0).astype(float)) > 0.5
        for which, word in ((~on, "without nitrous"), (on, "with nitrous")):
            if which.sum() < 3 or not _compared(windows, k, word):
                continue
            offset, sd = _own_offset(solved, k, after, which)
            share = offset * float(np.mean(w.binned(w.shown)[which]))
            if abs(offset) > ODD_SD * sd and abs(share) > ODD_SHARE:
                found.append((abs(offset) / sd, w.name, word, share))
    if not found:
        return ""
    _, name, word, share = max(found)
    side = "richer" if share > 0 else "leaner"
    others = "the other" if len(windows) == 2 else "the others"
    return (
        f"The pulls contradict each other: {word}, {name} reads {100 * abs(share):.1f} % {side} than {others} would have it, more than readings scatter. Something "
        "changed between them (fuel pressure, fuel, a leak, the gauge, weather that is not on the sheet): find it, or leave that pull out."
    )


def _compared(windows: list[Window], k: int, word: str) -> bool:
    """Whether another pull has enough readings of that kind."""
    for j, other in enumerate(windows):
        on = other.binned((other.flow > 0).astype(float)) > 0.5
        if j != k and (on if word == "with nitrous" else ~on).sum() >= 3:
            return True
    return False


def _own_offset(solved: Solved, k: int, residual: np.ndarray, which: np.ndarray) -> tuple[float, float]:
    """Offset in 1/lambda that a part of one pull would take, the fit following, and its standard deviation."""
    e, j, r = (solved.whitener[k] @ v for v in (which.astype(float), solved.jacobian[k], residual))
    cross = j.T @ e
    left = float(e @ e - cross @ solved.covariance @ cross)
    return float(e @ r) / left, left**-0.5


def too_far(sheet: BuildSheet, solved: Solved) -> str:
    """Say what the hardware would have to be where the logs ask for more than the sheet can be wrong; "" where they do not."""
    level, error = ratio(solved, LEVEL)
    most = VE_ERROR.high + INJECTOR_SCALE.high
    if abs(level - 1) - error > most:
        injectors = sheet.fuel_system.injector_flow_cc_min
        return (
            f"The logs ask for {100 * (level - 1):+.0f} % volumetric efficiency over injector flow; both together may be wrong by {100 * most:.0f} %. Either the "
            f"injectors pass {injectors / level:.0f} cm3/min and not {injectors:g}, or the table of the volumetric efficiency is {100 * (level - 1):+.0f} % off, or "
            "the gauge is. The hardware is not what the sheet says: find out which before anything is changed."
        )
    k = solved.names.index(TREND)
    trend = float(solved.steps[k])
    if abs(trend) - SURE * sd_of(solved, slope(solved, air_trend=1.0)) > VE_ERROR.high:
        return (
            f"The logs ask for a volumetric efficiency that is {100 * trend:+.0f} % off at the end of the table and {-100 * trend:+.0f} % at its begin against its "
            f"middle; {100 * VE_ERROR.high:.0f} % is what such a table may be wrong. Measure it again, or look for fuel that runs short at one end."
        )
    return _conflict(sheet, solved)


def _conflict(sheet: BuildSheet, solved: Solved) -> str:
    """Nitrous that brings more or less oxygen than nozzle and cooling together can, or a pulsed valve that passes for another time than it is said to."""
    if NOZZLE not in solved.names:
        return ""
    off = {name: float(solved.steps[k] / solved.sd[k]) for k, name in enumerate(solved.names)}
    if VALVE in solved.names:
        v = solved.names.index(VALVE)
        longer, sd = float(solved.steps[v]), float(np.sqrt(solved.covariance[v, v]))
        if abs(longer) - SURE * sd > VALVE_LAG_ERROR.high / 1e3:
            return _slow_valve(sheet, longer)
    if max(abs(off[NOZZLE]), abs(off[COOLING])) < CONFLICT_SD:
        return ""
    k = solved.names.index(NOZZLE)
    rest = [i for i, n in enumerate(solved.names) if n not in (NOZZLE, LEVEL, TREND, INJECTOR)]
    per = solved.information[k, rest] / solved.information[k, k]  # the nozzle that would stand for them
    would = 1 + float(solved.steps[k] + per @ solved.steps[rest])
    side = "more" if would > 1 else "less"
    now = coefficient_now(sheet)
    nozzle = (
        f"the nitrous flow would have to be {would:.2f} times the plan's"
        if now is None
        else f"the nozzle's coefficient would have to be about {would * now:.2f}, and the sheet has {now:.2f}"
    )
    weighed = " Weigh the nozzle in again." if is_weighed(sheet) else " Weigh the nozzle in."
    causes = [
        "the bottle",
        "the valve",
        "fuel pressure",
        "a jet" if sheet.nitrous.system == "wet" else "the added fuel",
    ]
    return (
        f"On nitrous the gauge reads as if {side} oxygen came in than nozzle and cooling together can bring: {nozzle}. The hardware is not what the sheet says; "
        f"look at {listed(causes)}.{weighed}"
    )


def _slow_valve(sheet: BuildSheet, longer: float) -> str:
    """What the pulsed valve would have to do, that passes so much longer a pulse [s]."""
    lag = sheet.nitrous.nitrous_valve_lag_ms
    side = "longer" if longer > 0 else "shorter"
    return (
        f"Where the valve is pulsed the gauge reads as if it passed {1e3 * abs(longer):.0f} ms {side} in every pulse than its times on the sheet say: opening less closing "
        f"time would have to be about {lag - 1e3 * longer:.0f} ms, and the sheet has {lag:g} ms. The hardware is not what the sheet says; look at the valve, its voltage "
        "and the bottle's pressure, and time it."
    )
