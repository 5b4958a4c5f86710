"""Least squares over the changes of a log: way to the sensor, time constant, and what else is unknown and would pass for a delay."""

from __future__ import annotations

import numpy as np

from ..band import INJECTION_WAIT
from ..plan.stopping import THROUGH_CYLINDER
from .delay_changes import CUT, FINER, PART, Change
from .sensor import lagged_rows

WAY, TAU, WAIT, LOGGER, FILM, AIR, FILM_TIME = range(7)
"""What all changes share: way from the valve to the sensor over the sheet's; time constant [s]; wait of the injection beyond the likely one [cycles]; what a logger
adds [s]; share of the engine's own fuel that goes by way of the wall without the injectors making up for it; how late the manifold pressure is told [s]; and the
wall's time constant, 0 the likely one, 1 halfway to the end of its band."""
LIKELY = (1.0, np.nan, 0.0, 0.0, 0.06, 0.0, 0.0)
SPREAD = (0.25, np.nan, 0.25 * (INJECTION_WAIT.high - INJECTION_WAIT.low) / 3**0.5, 0.02, 0.06, 0.002, 0.6)
"""What is known of them before, and its standard deviation; the time constant is the sheet's. Of the bands of `band` half, for over all cylinders and cycles they
average out; the rest guesses of our own."""
LEAST = np.array([-0.5, 0.005, -0.75, -0.02, -0.5, -0.03, -2.0])
MOST = np.array([8.0, 2.0, 0.75, 0.5, 0.9, 0.03, 2.0])
STEPS = (0.02, 0.001, 0.02, 0.001, 0.01, 0.001, 0.1, 0.001)
"""Bounds, and the steps in which slopes are found; the last that of a change's own time [s]."""
HEIGHT, LEVEL, START = (0.15, 0.06), (0.15, 0.02), 0.05
"""How far the height of a change may be off, its level [1/lambda], and what the sensor still has to make up at its start [1/lambda], one standard deviation; all are
fitted for every change. The second is that of a fuel cut, which ends at nothing. Choices of our own."""
ADDED, WASHED = 0.09, 1.0
"""Standard deviation of the share of added fuel that goes by way of the wall (half of `band.FILM_SHARE`), and of the nitrous that washes out over the likely."""
PART_S = 0.01
"""How far the time of a change at part throttle may be off, where nobody knows how hot the exhaust is [s], one standard deviation; others by the log's step."""
NOISE = (0.004, 0.004)
"""Scatter of 1/lambda as read, to begin with: the gauge's own, and that of the mixture, which hangs together as long as the sensor lags."""
ROUNDS = 8


class Solver:
    """Levenberg and Marquardt over what all changes share and the time of each; what is linear is solved for every change in every step."""

    def __init__(self, found: list[Change], tau_s: float, tau_spread_s: float) -> None:
        self.found, self.shared = found, len(LIKELY)
        self.first, self.spread = np.array(LIKELY), np.array(SPREAD)
        self.first[TAU], self.spread[TAU] = tau_s, tau_spread_s
        self.noise = NOISE
        self.white = self._whitening(tau_s)

    def _whitening(self, tau_s: float) -> list[np.ndarray]:
        """Of every change, what makes its misses independent and of one."""
        gauge, mixture = self.noise
        out = []
        for change in self.found:
            t = change.time_s[::FINER][change.use]
            together = mixture**2 * np.exp(-np.abs(t[:, None] - t) / tau_s)
            out.append(np.linalg.inv(np.linalg.cholesky(together + gauge**2 * np.eye(len(t)))))
        return out

    def parts(self, p: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
        """Misses of every change in errors of one, and as they are."""
        n, every = self.shared, zip(self.found, self.white, strict=True)
        return [_rest(c, p[:n], p[n + k], white) for k, (c, white) in enumerate(every)]

    def misses(self, p: np.ndarray) -> list[np.ndarray]:
        """Misses in errors of one, what was known before last."""
        return [*(w for w, _ in self.parts(p)), (p[: self.shared] - self.first) / self.spread]

    def slopes(self, p: np.ndarray, now: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
        """Normal matrix and gradient."""
        n = self.shared
        normal, gradient = np.zeros((len(p), len(p))), np.zeros(len(p))
        for k, (change, white) in enumerate(zip(self.found, self.white, strict=True)):
            which = np.append(np.arange(n), n + k)
            rows = []
            for i, h in enumerate(STEPS):
                q = p[which] + h * (np.arange(n + 1) == i)
                rows.append((_rest(change, q[:n], q[n], white)[0] - now[k]) / h)
            jac = np.stack(rows, axis=1)
            normal[np.ix_(which, which)] += jac.T @ jac
            gradient[which] += jac.T @ now[k]
        normal[range(n), range(n)] += 1 / self.spread**2
        gradient[:n] += now[-1] / self.spread
        return normal, gradient

    def better(self, p: np.ndarray, now: list[np.ndarray]) -> tuple[np.ndarray, list[np.ndarray]]:
        """Descend until nothing more is won."""
        damping, cost, n = 1e-2, _cost(now), self.shared
        for _ in range(ROUNDS):
            normal, gradient = self.slopes(p, now)
            for _ in range(5):
                there = p - np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
                there[:n] = np.clip(there[:n], LEAST, MOST)
                then = self.misses(there)
                if _cost(then) <= cost:
                    break
                damping *= 6
            else:
                break
            won, p, now, cost, damping = cost - _cost(then), there, then, _cost(then), damping / 5
            if won < 1e-3 * cost:
                break
        return p, now

    def solve(self) -> tuple[np.ndarray, np.ndarray]:
        """What all changes share, and its covariance."""
        p = np.concatenate([self.first, np.zeros(len(self.found))])
        p, _ = self.better(p, self.misses(p))
        self.noise = _scatter(self.found, [left for _, left in self.parts(p)], float(p[TAU]))
        self.white = self._whitening(float(p[TAU]))
        p, now = self.better(p, self.misses(p))
        n = self.shared
        return p[:n], np.linalg.inv(self.slopes(p, now)[0])[:n, :n]


def _cost(misses: list[np.ndarray]) -> float:
    return sum(float(r @ r) for r in misses)


def _rest(change: Change, shared: np.ndarray, late: float, white: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What is left of a change after the best of what is linear in it: in errors of one, with what is known of them before; and as it is."""
    time_s, use, tau = change.time_s, change.use, float(shared[TAU])
    dead = shared[WAY] * change.way + THROUGH_CYLINDER * change.cycle + shared[LOGGER] + late
    then = time_s - shared[WAIT] * change.cycle
    fuel, slow, slower, added = (
        np.interp(then, time_s, x) for x in (change.fuel, change.own_slow, change.own_slower, change.added_slow)
    )
    per = change.per_fuel if change.nitrous else np.interp(time_s + shared[AIR], time_s, change.per_fuel)
    burned = per * (fuel + shared[FILM] * (slow + shared[FILM_TIME] * slower))
    rows, spread = [burned], [START, HEIGHT[change.kind == CUT], LEVEL[change.kind == CUT]]
    if change.adds:
        rows.append(per * added)
        spread.append(ADDED)
    if change.washes:
        rows.append(change.washed * fuel)
        spread.append(WASHED)
    model, *more = lagged_rows(time_s, rows, dead, tau)[:, ::FINER]
    start = np.exp((time_s[0] - time_s[::FINER]) / tau)
    columns = [start, model - float(model[use].mean()), np.ones(len(model)), *more]
    shape, off = np.stack(columns, axis=1)[use], change.read[use] - model[use]
    design = np.vstack([white @ shape, np.diag(1 / np.array(spread))])
    wanted = np.append(white @ off, np.zeros(len(spread)))
    found = np.linalg.solve(design.T @ design, design.T @ wanted)
    own = PART_S if change.kind == PART else change.step_s / 12**0.5
    return np.append(wanted - design @ found, late / own), off - shape @ found


def _scatter(found: list[Change], rests: list[np.ndarray], tau_s: float) -> tuple[float, float]:
    """Scatter of the gauge, and of the mixture that it lags, by what is left and how neighbours hang together."""
    n = sum(len(r) for r in rests)
    whole = sum(float(r @ r) for r in rests) / max(n - 2, 1)
    near = sum(float(r[1:] @ r[:-1]) for r in rests) / max(n - len(rests), 1)
    step = float(np.median([np.median(np.diff(c.time_s[::FINER][c.use])) for c in found]))
    mixture = float(np.clip(near * np.exp(step / tau_s), 0.1 * whole, 0.9 * whole))
    return max(np.sqrt(whole - mixture), 0.001), max(np.sqrt(mixture), 0.001)
