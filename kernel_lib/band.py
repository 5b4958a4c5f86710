"""A number and how sure it is."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Band:
    """Bounds over a stated range and the likely value, all in the same unit.

    Attributes
    ----------
    low, best, high : float
        Low and high are bounds, not standard deviations.
    because : str
        The assumption behind the range.
    """

    low: float
    best: float
    high: float
    because: str


WALL_HEAT_SHARE = Band(
    0.0,
    0.5,
    1.0,
    "share of the evaporation heat that comes from walls and not from the charge: unknown, so all of 0 to 1",
)
DENSITY_EXPONENT = Band(
    0.0, 0.5, 1.0, "moles drawn in rise as (T_air/T_charge)^n: n is 0 to 1, 0.5 in usual inlet-temperature corrections"
)
ADDED_HEAT_EFFICIENCY = Band(
    0.34,
    0.38,
    0.42,
    "share of the added heat that reaches the crank: full-load points of a 2.0 L engine (248 g/kWh at 10.3 bar, 309 at 8.3; TSFS09 "
    "engine map) with friction of 1.5 to 2.8 bar (from memory) already paid; stated until the cycle computes it",
)
HYDROGEN_WEIGHT = Band(
    1.0,
    2.0,
    3.7,
    "how much more strongly than CO hydrogen acts on a wide-band sensor: 1 if both diffuse alike, 3.7 = "
    "sqrt(28/2) if as single molecules in fine pores",
)
