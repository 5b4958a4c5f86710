"""What is sprayed where: the dose over rpm, with the timing that goes with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..build_sheet import BuildSheet
from ..engine.setup import spray_speeds
from ..errors import check_number
from .plan import full_flow
from .power import shot_power
from .spark import RULE_DEG_PER_50_HP


@dataclass(frozen=True, eq=False)
class Dosed:
    """A dose over rpm.

    Attributes
    ----------
    rpm : array
        Rising [rpm].
    share : array
        Of the full flow, averaged over the pulses, 0 to 1.
    retard_deg : array
        From the known-good timing [deg]; 0 where nothing flows.
    full_flow : float
        With the valve open for good, likely [kg/s].
    pulsed : bool or None
        Whether pulses make the share; as the sheet says if None.
    """

    rpm: np.ndarray
    share: np.ndarray
    retard_deg: np.ndarray
    full_flow: float
    pulsed: bool | None = None

    @property
    def flow(self) -> np.ndarray:
        """Nitrous, likely [kg/s]."""
        return self.share * self.full_flow


def is_pulsed(sheet: BuildSheet, dosed: Dosed | None = None) -> bool:
    """Whether a share of the flow is made by pulses."""
    if dosed is not None and dosed.pulsed is not None:
        return dosed.pulsed
    return sheet.nitrous.progressive and sheet.ramp.kind not in ("full hit", "stages")


def dosed_of(sheet: BuildSheet, shot_share: float = 1.0) -> Dosed:
    """The same share of the full flow at every speed of the spray window, with the trade's rule for the timing."""
    share = check_number("shot_share", shot_share, 0.0, 1.0, "", "A share of the full flow.")
    rpm, full = spray_speeds(sheet), full_flow(sheet)
    rule = RULE_DEG_PER_50_HP * shot_power(sheet, share * full) / 50
    return Dosed(rpm, np.full(len(rpm), share), np.full(len(rpm), rule), full)
