"""What a hit does not know: the ranges that are sampled, how likely each part of them is, and how samples are drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import qmc

from .. import band as b
from ..band import Band
from ..build_sheet import BuildSheet
from ..engine.setup import Setup
from ..errors import InputError, check_number
from .dose import Dosed, is_pulsed
from .fuel_system import jet_coefficient
from .power import wanted_flow
from .supply import flow_band

UNIFORM, TRIANGULAR = "uniform", "triangular"
(TEMPERATURE, NOZZLE, AIR, INJECTORS, JET, SENSOR, HYDROGEN, WALL, EXPONENT, FLAME, KNOCK, OCTANE, VALVE) = (
    "bottle temperature", "nozzle flow", "volumetric efficiency", "injector flow", "fuel jet", "lambda sensor", "hydrogen at the sensor",
    "heat from the walls", "air drawn in by cooling", "flame speed", "knock with nitrous", "octane in the tank", "valve times",
)  # fmt: skip


@dataclass(frozen=True)
class Unknown:
    """A range that is sampled.

    Attributes
    ----------
    name : str
    band : Band
    shape : str
        "uniform" for what may be anything in its range; "triangular", with its mode at the likely value, for the others: both choices of our own.
    """

    name: str
    band: Band
    shape: str = TRIANGULAR

    def at(self, u: np.ndarray) -> np.ndarray:
        """Value below which a share u of all samples lies."""
        low, best, high = self.band.low, self.band.best, self.band.high
        if high <= low:
            return np.full(np.shape(u), best)
        if self.shape == UNIFORM:
            return low + (high - low) * u
        mode = (best - low) / (high - low)
        with np.errstate(invalid="ignore"):
            rise, fall = np.sqrt(u * mode), 1 - np.sqrt((1 - u) * (1 - mode))
        return low + (high - low) * np.where(u < mode, rise, fall)


def unknowns(sheet: BuildSheet, bands: Mapping[str, Band] | None = None, dosed: Dosed | None = None) -> list[Unknown]:
    """List what is sampled for a car.

    Parameters
    ----------
    sheet : BuildSheet
    bands : mapping, optional
        Name -> range, in place of the usual one.
    dosed : Dosed, optional
        Whose pulses count; as the sheet says if None.

    Raises
    ------
    InputError
        For a name that is not sampled here.

    Notes
    -----
    The flow's range is that of `flow_band` without its error of temperature, over the likely flow; without a bore on the sheet, that of what the wanted
    horsepower needs over `WORK_SHARE`. With a bore the share of work has no part in lambda, pressure or knock.
    """
    out = [
        Unknown(TEMPERATURE, b.BOTTLE_TEMPERATURE),
        Unknown(NOZZLE, _flow_range(sheet)),
        Unknown(AIR, b.VE_ERROR),
        Unknown(INJECTORS, b.INJECTOR_SCALE) if sheet.nitrous.system == "dry" else Unknown(JET, _jet_range(sheet)),
        Unknown(SENSOR, b.SENSOR_ERROR),
        Unknown(HYDROGEN, b.HYDROGEN_WEIGHT),
        Unknown(WALL, b.WALL_HEAT_SHARE, UNIFORM),
        Unknown(EXPONENT, b.DENSITY_EXPONENT, UNIFORM),
        Unknown(FLAME, b.FLAME_RATIO),
        Unknown(KNOCK, b.KNOCK_NITROUS),
        Unknown(OCTANE, b.OCTANE_ERROR),
        *([Unknown(VALVE, b.VALVE_LAG_ERROR)] if is_pulsed(sheet, dosed) else []),
    ]
    bands = dict(bands or {})
    for name in bands:
        if name not in [u.name for u in out]:
            raise InputError("bands", name, "", "one of " + ", ".join(u.name for u in out), "Only these are sampled.")
    return [replace(u, band=bands.get(u.name, u.band)) for u in out]


def _flow_range(sheet: BuildSheet) -> Band:
    if sheet.nitrous.nozzle_diameter_mm is None:
        best = wanted_flow(sheet)
        ends = [wanted_flow(sheet, work) / best for work in (b.WORK_SHARE.low, b.WORK_SHARE.high)]
        return Band(min(ends), 1.0, max(ends), f"flow for the wanted horsepower: {b.WORK_SHARE.because}")
    flow = flow_band(sheet, T_error=Band(0.0, 0.0, 0.0, "counted by itself"))
    return Band(flow.low / flow.best, 1.0, flow.high / flow.best, flow.because)


def _jet_range(sheet: BuildSheet) -> Band:
    jet = jet_coefficient(sheet)
    return Band(jet.low / jet.best, 1.0, jet.high / jet.best, jet.because)


def draw(every: list[Unknown], samples: int, seed: int) -> dict[str, np.ndarray]:
    """Draw samples by a Latin hypercube: every range is cut into as many equally likely parts, each hit once.

    Parameters
    ----------
    every : list of Unknown
    samples : int
        16 to 100 000.
    seed : int
        The same one draws the same samples.

    Returns
    -------
    dict
        Name -> array (samples,), each independent of the others: what hangs together is made so where it acts, see `risk`.

    Raises
    ------
    InputError
    """
    samples = int(check_number("samples", samples, 16, 1e5, "", "Fewer tell nothing, more take for ever."))
    seed = int(check_number("seed", seed, 0, 2**31 - 1, "", "A whole number."))
    u = qmc.LatinHypercube(len(every), seed=seed).random(samples)
    return {unknown.name: unknown.at(u[:, k]) for k, unknown in enumerate(every)}


def likely(every: list[Unknown]) -> dict[str, np.ndarray]:
    """One sample with everything at its likely value."""
    return {unknown.name: np.array([unknown.band.best]) for unknown in every}


def flow_setup(setup: Setup, T_error: float) -> Setup:
    """The engine with its bottle so much warmer [K]."""
    return replace(setup, T_bottle=setup.T_bottle + T_error)
