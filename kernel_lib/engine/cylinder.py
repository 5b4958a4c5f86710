"""The cylinder: its volume and walls over crank angle, and when it is closed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..build_fields import ROD_TO_STROKE, Engine
from ..build_sheet import BuildSheet
from ..errors import InputError, check_array, check_number


def cylinder_volume(theta_deg, bore: float, stroke: float, rod: float, compression_ratio: float) -> np.ndarray:
    """Volume above the piston.

    Parameters
    ----------
    theta_deg : float or array
        Crank angle after top dead centre [deg].
    bore, stroke, rod : float
        [m].
    compression_ratio : float
        Full volume over clearance volume.

    Returns
    -------
    array
        [m3].

    Raises
    ------
    InputError

    Notes
    -----
    Slider-crank [Heywood eq. 2.4-2.6], no pin offset.
    """
    bore = check_number("bore", bore, 0.03, 0.2, "m", "Car engines.")
    stroke = check_number("stroke", stroke, 0.03, 0.2, "m", "Car engines.")
    rod = check_number("rod", rod, 0.55 * stroke, 0.4, "m", "A shorter rod cannot turn over the crank.")
    ratio = check_number("compression_ratio", compression_ratio, 5.0, 20.0, "", "Spark-ignition engines.")
    theta = np.radians(check_array("theta_deg", theta_deg, -360.0, 360.0, "deg", "One revolution either way."))
    area = np.pi / 4 * bore**2
    crank = stroke / 2
    travel = rod + crank - crank * np.cos(theta) - np.sqrt(rod**2 - (crank * np.sin(theta)) ** 2)
    return area * stroke / (ratio - 1) + area * travel


@dataclass(frozen=True)
class Cylinder:
    """One cylinder between intake closing and exhaust opening.

    Attributes
    ----------
    bore, stroke, rod : float
        [m].
    compression_ratio : float
    intake_closing_deg : float
        [deg after bottom dead centre].
    exhaust_opening_deg : float
        [deg before bottom dead centre].
    """

    bore: float
    stroke: float
    rod: float
    compression_ratio: float
    intake_closing_deg: float
    exhaust_opening_deg: float

    @classmethod
    def of(cls, engine: object) -> Cylinder:
        """Take the cylinder out of a build sheet, its engine section, a `Setup`, or another `Cylinder`.

        Raises
        ------
        InputError
            For anything else.
        """
        if isinstance(engine, BuildSheet):
            engine = engine.engine
        if isinstance(engine, Engine):
            rod = engine.rod_mm if engine.rod_mm is not None else ROD_TO_STROKE * engine.stroke_mm
            return cls(
                engine.bore_mm / 1e3,
                engine.stroke_mm / 1e3,
                rod / 1e3,
                engine.compression_ratio,
                engine.intake_closing_deg_abdc,
                engine.exhaust_opening_deg_bbdc,
            )
        found = getattr(engine, "cylinder", engine)
        if not isinstance(found, cls):
            raise InputError("engine", engine, "", "a build sheet or a Cylinder", "The cycle runs in its cylinder.")
        return found

    @property
    def closing(self) -> float:
        """Intake closing [deg after top dead centre]."""
        return -180.0 + self.intake_closing_deg

    @property
    def opening(self) -> float:
        """Exhaust opening [deg after top dead centre]."""
        return 180.0 - self.exhaust_opening_deg

    @property
    def swept(self) -> float:
        """[m3]."""
        return np.pi / 4 * self.bore**2 * self.stroke

    def volume(self, theta_deg) -> np.ndarray:
        """Volume above the piston [m3]; see `cylinder_volume`."""
        return cylinder_volume(theta_deg, self.bore, self.stroke, self.rod, self.compression_ratio)

    def area(self, theta_deg) -> np.ndarray:
        """Walls that the gas touches [m2]: flat head and crown, and the liner between."""
        flat = np.pi / 4 * self.bore**2
        return 2 * flat + np.pi * self.bore * self.volume(theta_deg) / flat

    def piston_speed(self, rpm) -> np.ndarray:
        """Mean piston speed [m/s]."""
        return 2 * self.stroke * np.asarray(rpm, float) / 60
