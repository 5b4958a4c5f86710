"""What a fit found, in words and numbers: every unknown before and after, and the sums of them that logs can see."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..band import SENSOR_ERROR
from ..build_sheet import BuildSheet
from ..engine.setup import Setup
from ..plan.plan import full_flow
from ..plan.supply import is_weighed, nozzle_area
from ..text import listed, plus_minus
from ..thermo.nitrous import mass_flux
from ..units import k_from_c
from .fit_noise import Window
from .fit_solve import INJECTOR, LEVEL, NOZZLE, TREND, Solved

BY_LOGS, TOGETHER, NOT = "by these logs", "only together", "not"
ALONE, PART = 0.8, 0.2
"""An unknown of which more than the first lies in the directions that the logs fix is told by them, less than the second is not; choices of our own."""
SURE = 1.96
"""Standard deviations of an interval that holds 19 times in 20."""
USEFUL = 0.05
"""A ratio that the logs alone tell no better than this is not shown as told by them; a choice of our own."""
VE = "engine.full_throttle.volumetric_efficiency_percent"
FLOW, COEFFICIENT = "fuel_system.injector_flow_cc_min", "nitrous.discharge_coefficient"
AIR_OVER_INJECTORS = "volumetric efficiency over injector flow, times the sheet's"
TREND_TOLD = (
    "trend of the volumetric efficiency, change from the middle of the full-throttle table to its end, as a share"
)
NOZZLE_OVER_INJECTORS = "nozzle coefficient over injector flow, times the sheet's"
OXYGEN = "oxygen of air and nitrous together over injector flow, times the plan's"


@dataclass(frozen=True)
class Parameter:
    """An unknown before and after the logs.

    Attributes
    ----------
    name : str
    path : str or None
        Where it stands on the build sheet, if it does.
    before, before_error, after, error : float
        Value and error, 19 times in 20 within.
    identifiable : {"by these logs", "only together", "not"}
    because : str
    unit : str
        "" where it is a ratio to the sheet.
    """

    name: str
    path: str | None
    before: float
    before_error: float
    after: float
    error: float
    identifiable: str
    because: str
    unit: str = ""


@dataclass(frozen=True, eq=False)
class Curve:
    """Settled readings of a pull over engine speed [rpm]: what the gauge showed, and what it should have by the sheet before and after the fit [lambda]."""

    name: str
    rpm: np.ndarray
    shown: np.ndarray
    before: np.ndarray
    after: np.ndarray
    nitrous: np.ndarray


def coefficient_now(sheet: BuildSheet) -> float | None:
    """Discharge coefficient for which the sheet's flow stands, line and valve in it; None where the flow does not come from a bore."""
    if sheet.nitrous.nozzle_diameter_mm is None:
        return None
    if is_weighed(sheet):
        return sheet.nitrous.discharge_coefficient
    flux = float(mass_flux(k_from_c(sheet.nitrous.bottle_temperature_c), Setup.of(sheet).P_manifold))
    return full_flow(sheet) / (nozzle_area(sheet) * flux)


def slope(solved: Solved, **weights: float) -> np.ndarray:
    """Weights of a sum of the unknowns, by their names with _ for blanks."""
    out = np.zeros(len(solved.names))
    for name, weight in weights.items():
        out[solved.names.index(name.replace("_", " "))] = weight
    return out


def sd_of(solved: Solved, weights: np.ndarray) -> float:
    """Standard deviation of a sum of the unknowns, with what was known before."""
    return float(np.sqrt(weights @ solved.covariance @ weights))


def ratio_slope(solved: Solved, over: str, under: str = INJECTOR) -> tuple[float, np.ndarray]:
    """One factor over another, and its slopes over the unknowns."""
    steps = dict(zip(solved.names, solved.steps, strict=True))
    value = float((1 + steps[over]) / (1 + steps[under]))
    return value, slope(
        solved, **{over.replace(" ", "_"): value / (1 + steps[over]), under: -value / (1 + steps[under])}
    )


def ratio(solved: Solved, over: str, under: str = INJECTOR) -> tuple[float, float]:
    """One factor over another and its error, 19 times in 20."""
    value, weights = ratio_slope(solved, over, under)
    return value, SURE * sd_of(solved, weights)


def combinations(solved: Solved, windows: list[Window]) -> tuple[tuple[str, float, float], ...]:
    """Sums of the unknowns that these logs tell by themselves: words, value, error (19 times in 20)."""
    main = [solved.names[k] for k in solved.main]
    out = []

    def told(weights: np.ndarray) -> bool:
        return SURE * solved.data_sd(weights[solved.main]) <= USEFUL

    if told(ratio_slope(solved, LEVEL)[1]):
        out.append((AIR_OVER_INJECTORS, *ratio(solved, LEVEL)))
    trend = slope(solved, air_trend=1.0)
    if told(trend):
        out.append((TREND_TOLD, float(solved.steps @ trend), SURE * sd_of(solved, trend)))
    if NOZZLE in main:
        if told(ratio_slope(solved, NOZZLE)[1]):
            out.append((NOZZLE_OVER_INJECTORS, *ratio(solved, NOZZLE)))
        out.extend(_oxygen(solved, windows))
    return tuple(out)


def _oxygen(solved: Solved, windows: list[Window]) -> list[tuple[str, float, float]]:
    """The one number that lambda on nitrous tells: how much oxygen the fuel met, where most nitrous flows."""
    values, slopes, speeds = [], [], []
    for w, (before, after), jacobian in zip(windows, solved.residuals, solved.jacobian, strict=True):
        flow, measured = w.binned(w.flow), w.binned(1 / w.shown)
        on = flow > 0.5 * max(float(flow.max(initial=0.0)), 1e-9)
        modelled = measured - after
        values.extend((((measured - before) / modelled)[on]).tolist())
        slopes.extend((jacobian / modelled[:, None])[on])
        speeds.extend(w.binned(w.rpm)[on].tolist())
    if not values:
        return []
    value, weights = float(np.mean(values)), -np.mean(slopes, axis=0)
    where = f", {round(min(speeds), -2):.0f} to {round(max(speeds), -2):.0f} rpm"
    return [(OXYGEN + where, value, SURE * value * sd_of(solved, weights))]


def parameters(sheet: BuildSheet, solved: Solved | None, delay_rows: list[Parameter]) -> tuple[Parameter, ...]:
    """Every unknown before and after; after as before where nothing was solved."""
    rows = []
    for name, label, path, scale, add, unit in _rows(sheet):
        if solved is None or name not in solved.names:
            continue
        k = solved.names.index(name)
        share = solved.fixed_share(name)
        kind = BY_LOGS if share >= ALONE else TOGETHER if share >= PART else NOT
        rows.append(
            Parameter(
                label,
                path,
                add,
                SURE * float(solved.prior_sd[k]) * scale,
                add + float(solved.steps[k]) * scale,
                SURE * sd_of(solved, np.eye(len(solved.names))[k]) * scale,
                kind,
                _because(sheet, name, kind),
                unit,
            )
        )
    return (*rows, *delay_rows)


def _rows(sheet: BuildSheet) -> list[tuple[str, str, str | None, float, float, str]]:
    """Unknown, label, path, what a step of 1 is worth, value on the sheet, unit."""
    coefficient = coefficient_now(sheet)
    nozzle = (
        (NOZZLE, "nitrous flow, times the plan's", None, 1.0, 1.0, "")
        if coefficient is None
        else (NOZZLE, "nozzle coefficient, line and valve included", COEFFICIENT, coefficient, coefficient, "")
    )
    injectors = sheet.fuel_system.injector_flow_cc_min
    return [
        (LEVEL, "volumetric efficiency, times the sheet's", VE, 1.0, 1.0, ""),
        (TREND, TREND_TOLD, VE, 1.0, 0.0, ""),
        nozzle,
        (INJECTOR, "injector flow", FLOW, injectors, injectors, "cm3/min"),
    ]


def _because(sheet: BuildSheet, name: str, kind: str) -> str:
    if name == TREND:
        if kind == BY_LOGS:
            return "Lambda over engine speed tells it."
        return "The settled readings span too little engine speed, or scatter too much."
    if name == NOZZLE:
        return _nozzle_because(sheet, kind)
    if kind == BY_LOGS:
        return "The logs tell it together with the weigh-in."
    if kind == NOT:
        return "The readings scatter too much to tell it."
    return (
        "Lambda tells volumetric efficiency over injector flow and no more: twice the air through injectors of twice the flow reads alike. How the two "
        "share what was found is what was thought of them before."
    )


def _nozzle_because(sheet: BuildSheet, kind: str) -> str:
    if kind == BY_LOGS:
        return "Lambda on nitrous tells it."
    base = (
        "Lambda on nitrous tells how much oxygen came in all, not whether more of it is nitrous or air that the cold charge drew in besides: how far "
        "evaporation cools the charge is not known."
    )
    weighed = "So the weigh-in stays what tells the nozzle." if is_weighed(sheet) else "A weigh-in tells the nozzle."
    return f"{base} {weighed}"


def in_words(combined: tuple[tuple[str, float, float], ...], rows: tuple[Parameter, ...]) -> tuple[str, ...]:
    """Say which sums and which single numbers the logs fix, and which only what was known before does."""
    out = []
    if combined:
        fixed = listed([f"{text}, {plus_minus(value, error)}" for text, value, error in combined])
        out.append(f"These logs fix, 19 times in 20 within: {fixed}.")
    for kind, word in (
        (BY_LOGS, "Of single numbers they tell"),
        (TOGETHER, "Not told apart by any lambda, only together:"),
        (NOT, "Told by what was known before alone:"),
    ):
        names = [p.name for p in rows if p.identifiable == kind and not any(p.name == text for text, _, _ in combined)]
        if names:
            out.append(f"{word} {listed(names)}.")
    return tuple(out)


def gauge_note(sheet: BuildSheet) -> str:
    """Say what the gauge itself adds."""
    share = 100 * SENSOR_ERROR.high / sheet.engine.lambda_without_nitrous
    return (
        f"All of this is on the scale of this gauge. If it reads {SENSOR_ERROR.high:g} lambda off, which a good one may, volumetric efficiency over injector "
        f"flow is off by {share:.0f} % too; for the next pull with the same gauge that does not matter."
    )
