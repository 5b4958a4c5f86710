"""What is unknown of a car, how its gauge would read, and the least squares between: the numbers behind `fit`.

Notes
-----
phi = 1/lambda = s F D / O. O atoms are homogeneous in air and nitrous, O(k a, k C) = k O(a, C), and so the nitrous fraction and the gauge's bias do not change
either: air, coefficient and injector scale times one number leave every reading as it was. No log of lambda can see that direction; priors decide it.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from ..band import FILM_SHARE, FILM_TIME, HYDROGEN_WEIGHT, INJECTOR_SCALE, VALVE_LAG_ERROR, VE_ERROR, Band
from ..build_sheet import BuildSheet
from ..plan.fuel_system import jet_coefficient
from ..plan.supply import flow_band, is_weighed
from .fit_noise import Window, noise_of
from .mixture import MixtureModel
from .sensor import lagged

LEVEL, TREND, NOZZLE, INJECTOR = "air level", "air trend", "nozzle", "injectors"
MAIN = (LEVEL, TREND, NOZZLE, INJECTOR)
"""What a fit is after; the others are nuisances that keep its errors honest."""
COOLING, HYDROGEN, VALVE, BOTTLE, JET = "cooling", "hydrogen", "valve", "bottle", "jet"
WALL, WALL_ADDED, WALL_TIME, LATE = "own wall film", "added wall film", "time of the wall film", "pulsed flow late"
OWN_WALL, OWN_WALL_SD = 0.15, 0.11
"""Share of the controller's own fuel that comes late by way of the port's wall: `band.FILM_SHARE`, evenly, times what the controller leaves uncorrected, evenly 0 to 1;
mean and standard deviation. It counts at the begin of a pull, where the throttle has just been opened."""
WALL_TIMES = (FILM_TIME.low, FILM_TIME.best, FILM_TIME.high)
"""Time constants for which what the wall holds is tabulated [s]; a parabola between."""
SEEN = 2.0
"""A direction counts as fixed by the logs where they tell it twice as sharply as what was known before; a choice of our own."""
BORELESS = 0.3
"""How far the flow may be from what the wanted horsepower needs where the sheet has no bore, as a share; a guess of our own."""
LEAST_BOTTLE = 0.03
"""Of the flow, by a bottle whose pressure nobody logged, at least; a guess of our own."""
_ROOT3 = float(np.sqrt(3.0))
_EXACT = Band(0.0, 0.0, 0.0, "the pressure is logged")


class NoNumber(ArithmeticError):
    """The way to the best fit leads to mixtures for which nobody knows what a gauge shows: these logs cannot be of such a car."""


@dataclass(frozen=True)
class Unknown:
    """An unknown as a relative (or own) step from what the sheet says: prior standard deviation, and whether it is a nuisance."""

    name: str
    sd: float
    nuisance: bool = False


def unknowns(sheet: BuildSheet, windows: list[Window], *, bottle_logged: bool = True) -> list[Unknown]:
    """List what is fitted for a car and these pulls, with what is known before: bounds u of `band` as sd u / sqrt(3) [GUM], a weigh-in's error as two sd."""
    sprayed = any((w.flow > 0).any() for w in windows)
    air = VE_ERROR.high / _ROOT3
    out = [Unknown(LEVEL, air), Unknown(TREND, air), Unknown(INJECTOR, INJECTOR_SCALE.high / _ROOT3)]
    if any(w.wall.any() for w in windows):
        out.append(Unknown(WALL, OWN_WALL_SD, True))
        out.append(Unknown(WALL_TIME, _spread(FILM_TIME), True))
    if not sprayed:
        return out
    out.insert(2, Unknown(NOZZLE, _nozzle_sd(sheet)))
    out.append(Unknown(COOLING, cooling(sheet)[1], True))
    out.append(Unknown(HYDROGEN, _spread(HYDROGEN_WEIGHT), True))
    if any(w.wall_added.any() for w in windows):
        out.append(Unknown(WALL_ADDED, _spread(FILM_SHARE), True))
    if any((w.pulsed > 0).any() for w in windows):
        out.append(Unknown(VALVE, VALVE_LAG_ERROR.high / 1e3 / _ROOT3, True))
        out.append(Unknown(LATE, max(w.pulse_s for w in windows) / 2 / _ROOT3, True))
    if not bottle_logged:
        out.append(Unknown(BOTTLE, bottle_error(sheet) / _ROOT3, True))
    if sheet.nitrous.system == "wet":
        jet = jet_coefficient(sheet)
        out.append(Unknown(JET, _half(jet) / jet.best / _ROOT3, True))
    return out


def _half(band: Band) -> float:
    return (band.high - band.low) / 2


def _spread(band: Band) -> float:
    """Root mean square of how far a number that is evenly anywhere in its band is from the likely one; u / sqrt(3) where that is the middle."""
    return float(np.hypot(_half(band) / _ROOT3, (band.high + band.low) / 2 - band.best))


def _nozzle_sd(sheet: BuildSheet) -> float:
    """Error of the nozzle's flow: a weigh-in's (two standard deviations), the range of a nozzle nobody weighed, or that of a flow taken from horsepower."""
    if is_weighed(sheet):
        return sheet.nitrous.discharge_error / sheet.nitrous.discharge_coefficient / 2
    if sheet.nitrous.nozzle_diameter_mm is None:
        return BORELESS / _ROOT3
    band = flow_band(sheet, T_error=_EXACT)
    return _half(band) / band.best / _ROOT3


def bottle_error(sheet: BuildSheet) -> float:
    """What the bottle's unknown temperature adds to the flow's range, as a share of the flow."""
    if sheet.nitrous.nozzle_diameter_mm is None:
        return LEAST_BOTTLE
    wide, narrow = flow_band(sheet), flow_band(sheet, T_error=_EXACT)
    return max((_half(wide) - _half(narrow)) / wide.best, LEAST_BOTTLE)


@functools.lru_cache(maxsize=8)
def cooling(sheet: BuildSheet) -> tuple[np.ndarray, float]:
    """How the air beside the nitrous changes from no cooling to all of it, over the tables of `MixtureModel`, and the prior standard deviation of the part.

    Wall share and density exponent may each be anything from 0 to 1: both act as one number, where between the two ends the air lies.
    """
    best = MixtureModel.of(sheet)
    none, most = MixtureModel.of(sheet, 1.0, 0.0).air, MixtureModel.of(sheet, 0.0, 1.0).air
    span, k = most - none, int(np.searchsorted(best.ratio, 0.2))
    nodes, weights = (0.1127, 0.5, 0.8873), (5 / 18, 8 / 18, 5 / 18)  # Gauss
    off = [
        (a * b, (MixtureModel.of(sheet, w, n).air[k] - best.air[k]) / span[k])
        for a, w in zip(weights, nodes, strict=True)
        for b, n in zip(weights, nodes, strict=True)
    ]
    return span, float(np.sqrt(sum(p * d**2 for p, d in off)))


def speed_axis(sheet: BuildSheet, rpm) -> np.ndarray:
    """Where a speed lies in the full-throttle table: -1 at its begin, 1 at its end."""
    low, high = sheet.engine.full_throttle.rpm[0], sheet.engine.full_throttle.rpm[-1]
    return (2 * np.asarray(rpm, float) - low - high) / (high - low)


def shown_phi(sheet: BuildSheet, windows: list[Window], steps: dict[str, float]) -> list[np.ndarray]:
    """1/lambda that the gauge would show in every pull, sample by sample, with these steps from the sheet."""
    if not windows:
        return []
    keys = ("rpm", "air", "fuel", "wall", "wall_added", "jet", "pulsed")
    rpm, load, fuel, wall, wall_added, jet, pulsed = (_joined(windows, key) for key in keys)
    flow = np.concatenate([w.later(w.pulse_s / 2 + steps.get(LATE, 0.0)) for w in windows])
    model = MixtureModel.of(sheet)
    part = steps.get(COOLING, 0.0)
    if part:
        model = replace(model, air=model.air + part * cooling(sheet)[0])
    air = load * (1 + steps.get(LEVEL, 0.0)) * (1 + steps.get(TREND, 0.0) * speed_axis(sheet, rpm))
    flow = flow + pulsed * steps.get(VALVE, 0.0)
    flow = np.maximum(flow * (1 + steps.get(NOZZLE, 0.0)) * (1 + steps.get(BOTTLE, 0.0)), 0.0)
    now = float(np.clip(FILM_TIME.best + steps.get(WALL_TIME, 0.0), FILM_TIME.low, FILM_TIME.high))
    held, likely = parabola(now, WALL_TIMES), parabola(FILM_TIME.best, WALL_TIMES)
    fuel = fuel + (OWN_WALL + steps.get(WALL, 0.0)) * (held @ wall)
    share = FILM_SHARE.best + steps.get(WALL_ADDED, 0.0)
    fuel = fuel + (share * held - FILM_SHARE.best * likely) @ wall_added
    fuel = fuel * (1 + steps.get(INJECTOR, 0.0)) + jet * (1 + steps.get(JET, 0.0))
    weight = np.clip(HYDROGEN_WEIGHT.best + steps.get(HYDROGEN, 0.0), HYDROGEN_WEIGHT.low, HYDROGEN_WEIGHT.high)
    phi = 1 / model.shown(model.lambda_(rpm, flow, fuel, air), model.nitrous_fraction(rpm, flow, air), float(weight))
    ends = np.cumsum([len(w.rpm) for w in windows])[:-1]
    return [lagged(w.time_s, p, w.dead_s, w.tau_s) for w, p in zip(windows, np.split(phi, ends), strict=True)]


def _joined(windows: list[Window], key: str) -> np.ndarray:
    return np.concatenate([getattr(w, key) for w in windows], axis=-1)


def parabola(x: float, nodes: tuple[float, ...]) -> np.ndarray:
    """Shares of the values at the nodes for a point between them (Lagrange)."""
    return np.array([np.prod([(x - b) / (a - b) for b in nodes if b != a]) for a in nodes])


@dataclass(frozen=True, eq=False)
class Solved:
    """A fit in numbers.

    Attributes
    ----------
    names : tuple of str
        Of the unknowns, MAIN first.
    steps, sd : array
        From the sheet; prior standard deviations.
    information : array
        Of the logs alone, at the solution.
    residuals : list of (array, array)
        Per pull: shown less modelled, before and after, in 1/lambda.
    whitener : list of array
        Of each pull, see `noise_of`.
    jacobian : list of array
        Of each pull, not whitened.
    """

    names: tuple[str, ...]
    steps: np.ndarray
    sd: np.ndarray
    prior_sd: np.ndarray
    information: np.ndarray
    residuals: list[tuple[np.ndarray, np.ndarray]]
    whitener: list[np.ndarray]
    jacobian: list[np.ndarray]

    @functools.cached_property
    def covariance(self) -> np.ndarray:
        """With what was known before."""
        return np.linalg.inv(self.information + np.diag(self.prior_sd**-2.0))

    @functools.cached_property
    def main(self) -> list[int]:
        """Places of what the fit is after."""
        return [k for k, name in enumerate(self.names) if name in MAIN]

    @functools.cached_property
    def seen(self) -> tuple[np.ndarray, np.ndarray]:
        """Singular values of the logs' own Jacobian in units of the priors, nuisances taken out with theirs, and the directions (rows)."""
        m, n = self.main, [k for k in range(len(self.names)) if k not in self.main]
        of, sd = self.information, self.sd
        left = of[np.ix_(m, m)]
        if n:
            cross = of[np.ix_(m, n)]
            left = left - cross @ np.linalg.solve(of[np.ix_(n, n)] + np.diag(sd[n] ** -2.0), cross.T)
        scaled = left * np.outer(sd[m], sd[m])
        values, directions = np.linalg.eigh((scaled + scaled.T) / 2)
        return np.sqrt(np.maximum(values[::-1], 0.0)), directions[:, ::-1].T

    def data_sd(self, slope: np.ndarray) -> float:
        """Standard deviation of a sum of the main unknowns by the logs alone; infinite where they do not see it."""
        values, directions = self.seen
        part = directions @ (slope * self.sd[self.main])
        blind = values < 1e-3
        if (np.abs(part[blind]) > 1e-2 * np.linalg.norm(part)).any():
            return np.inf
        return float(np.sqrt(np.sum((part[~blind] / values[~blind]) ** 2)))

    def fixed_share(self, name: str) -> float:
        """How much of an unknown lies in the directions that the logs fix, 0 to 1."""
        values, directions = self.seen
        k = [self.names[i] for i in self.main].index(name)
        return float(np.sum(directions[values > SEEN, k] ** 2))


def solve(sheet: BuildSheet, windows: list[Window], every: list[Unknown], *, prior: bool = True) -> Solved:
    """Fit the unknowns to what the gauge showed.

    Parameters
    ----------
    sheet : BuildSheet
    windows : list of Window
    every : list of Unknown
    prior : bool
        Whether what was known of the main unknowns before counts; without, only as far as a solution has to be one (sd 30 times as wide).

    Raises
    ------
    NoNumber
        Where the way to a solution leaves what the model knows.

    Notes
    -----
    Residuals in 1/lambda over bins of 0.1 s, whitened by each pull's own noise: white, plus a drift with 1.5 s, plus slope times timing error, plus a drift along a
    line of a stated size. The first two amplitudes are those of the largest restricted likelihood on a grid, from that pull alone at the sheet's own values: a pull
    more then never takes information away.
    """
    every = sorted(every, key=lambda u: u.nuisance)
    names, sd = tuple(u.name for u in every), np.array([u.sd for u in every])
    used = np.where([u.nuisance or prior for u in every], sd, 30 * sd)
    measured = [w.binned(1 / w.shown) for w in windows]

    def predicted(z: np.ndarray) -> list[np.ndarray]:
        if not np.isfinite(z).all():
            raise NoNumber
        steps = dict(zip(names, z * sd, strict=True))
        found = [w.binned(phi) for w, phi in zip(windows, shown_phi(sheet, windows, steps), strict=True)]
        if not all(np.isfinite(phi).all() for phi in found):
            raise NoNumber
        return found

    start = np.zeros(len(sd))
    first = predicted(start)
    slopes = _jacobian(predicted, start, first)
    by_sheet = shown_phi(sheet, windows, {})
    white = [
        noise_of(w, m - p, j, phi) for w, m, p, j, phi in zip(windows, measured, first, slopes, by_sheet, strict=True)
    ]

    def residual(z: np.ndarray) -> np.ndarray:
        parts = [n @ (p - m) for n, p, m in zip(white, predicted(z), measured, strict=True)]
        return np.concatenate([*parts, z * sd / used])

    def jacobian(z: np.ndarray) -> np.ndarray:
        parts = [n @ j for n, j in zip(white, _jacobian(predicted, z) if z.any() else slopes, strict=True)]
        return np.vstack([*parts, np.diag(sd / used)])

    found = least_squares(residual, start, jac=jacobian, method="lm", xtol=1e-4, ftol=1e-6)
    last = predicted(found.x)
    at_end = [j / sd for j in _jacobian(predicted, found.x, last)]
    told = [n @ j for n, j in zip(white, at_end, strict=True)]
    information = sum((j.T @ j for j in told), np.zeros((len(sd), len(sd))))
    residuals = [(m - a, m - b) for m, a, b in zip(measured, first, last, strict=True)]
    return Solved(names, found.x * sd, sd, used, information, residuals, white, at_end)


def _jacobian(predicted: Callable, z: np.ndarray, at: list[np.ndarray] | None = None) -> list[np.ndarray]:
    """Slopes of every pull's prediction over the unknowns in units of their standard deviations, by differences."""
    at, step = predicted(z) if at is None else at, 0.02
    columns = [[p - a for p, a in zip(predicted(z + step * e), at, strict=True)] for e in np.eye(len(z))]
    return [np.stack([column[k] / step for column in columns], axis=1) for k in range(len(at))]
