"""A car's pulsed valve in one hand: what it can deliver, and what the strongest and the leanest cycle get of it."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from ..band import VALVE_LAG_ERROR
from ..build_sheet import BuildSheet
from ..engine.setup import Setup
from . import delivery as dv


@dataclass(frozen=True, eq=False)
class Pulsing:
    """The valve and the manifold of a car.

    Attributes
    ----------
    valve : Valve
    least, most : float
        Shares between which pulses deliver.
    """

    sheet: BuildSheet
    setup: Setup
    valve: dv.Valve
    least: float
    most: float

    @classmethod
    def of(cls, sheet: BuildSheet) -> Pulsing:
        """Take it from a build sheet.

        Raises
        ------
        InputError
            For a pulse too fast for the valve.
        """
        v = dv.valve(sheet)
        return cls(sheet, Setup.of(sheet), v, *dv.deliverable(v))

    def mixing(self, rpm) -> np.ndarray:
        """Mixing time without nitrous [s], the shortest: with it the charge is colder and mixes longer."""
        rpm = np.asarray(rpm, float)
        return np.array(_mixing(self.setup, dv.mixing_volume(self.sheet), tuple(rpm.ravel()))).reshape(rpm.shape)

    def band(self, share) -> tuple[np.ndarray, np.ndarray]:
        """What a share may be instead for the valve's error."""
        return dv.share_band(self.sheet, share)

    def between(self, share) -> np.ndarray:
        """Where a share lies between the largest that is pulsed and a valve open for good: there it does not close any more."""
        share = np.asarray(share, float)
        return (share > self.most + 1e-9) & (share < 1)

    def floor(self, share) -> np.ndarray:
        """Largest share not above the given one that the valve delivers."""
        share = np.asarray(share, float)
        return np.where(share >= 1, 1.0, np.where(share < self.least, 0.0, np.minimum(share, self.most)))

    def duty(self, share) -> np.ndarray:
        """Valve duty for a share, 0 to 1; in the gaps what a controller that draws a line would command."""
        share = np.asarray(share, float)
        return np.where(
            (share > 0) & (share < 1),
            np.clip(share + (self.valve.open_s - self.valve.close_s) * self.valve.pulse_hz, 0.0, 1.0),
            share,
        )

    def share(self, duty) -> np.ndarray:
        """Share at a valve duty, 0 to 1: 0 where it does not open, 1 where it does not close."""
        duty = np.asarray(duty, float)
        opens, closes = (
            duty >= self.valve.open_s * self.valve.pulse_hz - 1e-12,
            1 - duty >= self.valve.close_s * self.valve.pulse_hz - 1e-12,
        )
        pulsed = duty - (self.valve.open_s - self.valve.close_s) * self.valve.pulse_hz
        return np.where((duty >= 1) | (opens & ~closes), 1.0, np.where(opens, pulsed, 0.0))

    def strongest(self, rpm, share) -> np.ndarray:
        """Share that the strongest cycle gets, the valve's error counted.

        A share too small to be pulsed counts as the least that is, one too large as a valve open for good.
        """
        rpm, share = np.broadcast_arrays(np.asarray(rpm, float), np.asarray(share, float))
        held = np.where(share <= 0, 0.0, np.where(self.between(share), 1.0, np.maximum(share, self.least)))
        _, high = self.band(np.minimum(held, 1.0))
        return dv.peak_share(self.mixing(rpm), self.valve.pulse_hz, high, rpm)

    def mean_for(self, rpm, strongest) -> np.ndarray:
        """Largest mean share whose strongest cycle gets no more than this; 1 where all may flow, 0 where no pulse is small enough."""
        rpm, strongest = np.broadcast_arrays(np.asarray(rpm, float), np.asarray(strongest, float))
        mean = dv.mean_for_peak(self.mixing(rpm), self.valve.pulse_hz, np.clip(strongest, 0.0, 1.0), rpm)
        pulsed = mean - VALVE_LAG_ERROR.high / 1e3 * self.valve.pulse_hz
        return np.where(strongest >= 1, 1.0, self.floor(np.maximum(pulsed, 0.0)))

    def excess(self, rpm, share) -> np.ndarray:
        """How much leaner than the target the leanest cycle is [lambda], the valve's error counted; 0 where nothing is pulsed."""
        share = np.asarray(share, float)
        pulsed = (share > 0) & (share < 1)
        lean = np.where(pulsed, self.leanest(rpm, np.where(pulsed, share, 0.5)), 0.0)
        return np.where(pulsed, np.maximum(lean - self.sheet.engine.lambda_with_nitrous, 0.0), 0.0)

    def leanest(self, rpm, share) -> np.ndarray:
        """Lambda of the leanest cycle, fuel set for the mean: of a dry system the strongest, of a wet one, whose fuel is pulsed too, either end."""
        rpm, share = np.broadcast_arrays(np.asarray(rpm, float), np.asarray(share, float))
        tau, hz = self.mixing(rpm), self.valve.pulse_hz
        ends = [dv.peak_share(tau, hz, share, rpm)]
        if self.sheet.nitrous.system == "wet":
            ends.append(dv.trough_share(tau, hz, share, rpm))
        return np.max([dv.lambda_at_share(self.sheet, self.setup, rpm, share, end) for end in ends], axis=0)


@functools.lru_cache(maxsize=64)
def _mixing(setup: Setup, volume: float, rpm: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(dv.mixing_time(setup, np.array(rpm), volume).tolist())
