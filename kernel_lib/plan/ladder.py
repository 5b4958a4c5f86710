"""The ladder: from a first small shot to the full one, each step with fuel, timing, what to look at, and the gate before the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..band import Band
from ..build_sheet import BuildSheet
from ..engine.setup import Setup
from ..text import listed
from .fuel_system import jet_band
from .power import shot_power
from .pulsing import Pulsing
from .room import DoseMap, added_fuel_key
from .supply import bore_for, is_weighed

STEPS_KNOWN, STEPS_UNKNOWN = (0.5, 0.75, 1.0), (0.3, 0.5, 0.75, 1.0)
"""Shares of the planned dose; a choice of our own, no source."""

GATE_LAMBDA = 0.03
"""How far settled lambda may lie from the target, either way, for the next step; a choice of our own, no source."""
GATE_TIMING_DEG = 1.0
"""How much less retard than planned may stand in the log; a choice of our own, no source."""

LOADED = {
    "piston": "pistons",
    "rods": "rods",
    "head_gasket": "head gasket",
    "head_fasteners": "head fasteners",
    "leak_down_percent": "leak-down",
    "ring_end_gap_mm": "ring end gap",
}
"""Parts that carry the load, and what they are called."""


@dataclass(frozen=True, eq=False)
class Step:
    """A step of the ladder.

    Attributes
    ----------
    share : float
        Of the planned dose.
    hp : float
        What it is worth at the speed of peak power, likely [hp].
    flow : array
        Nitrous over `rpm`, likely [kg/s].
    fuel_kg_h : Band
        Fuel to add at the speed nearest to that of peak power [kg/h].
    retard_deg : array
        Over `rpm`, to the half degree up; NaN where the step does not spray.
    rpm : array
    bore_mm : Band or None
        Of each nozzle [mm], where the valve is not pulsed: a step then takes a nozzle of its own, the whole dose the fitted one.
    jet_mm : Band or None
        Of each fuel jet of a wet system [mm], for the fuel at the speed nearest to that of peak power.
    obstacle : str
        Why this step may not be sprayed, or "".
    log, plugs, gate : list of str
    """

    share: float
    hp: float
    flow: np.ndarray
    fuel_kg_h: Band
    retard_deg: np.ndarray
    rpm: np.ndarray
    bore_mm: Band | None
    jet_mm: Band | None
    obstacle: str
    log: list[str]
    plugs: str
    gate: list[str]

    @property
    def retard(self) -> str:
        """Smallest and largest retard, in words [deg]."""
        angles = self.retard_deg[np.isfinite(self.retard_deg)]
        if not len(angles):
            return "–"
        return f"{angles.min():g}" if angles.min() == angles.max() else f"{angles.min():g} to {angles.max():g}"


@dataclass(frozen=True, eq=False)
class Ladder:
    """Steps, and why it starts where it starts."""

    steps: list[Step]
    reason: str


def unknown_parts(sheet: BuildSheet) -> list[str]:
    """Parts that carry the load and that the sheet does not know."""
    return [label for name, label in LOADED.items() if getattr(sheet.parts, name) is None]


def ladder(sheet: BuildSheet, room: DoseMap, rpm, share, pulsing: Pulsing | None) -> Ladder:
    """Divide a planned dose into steps.

    Parameters
    ----------
    sheet : BuildSheet
    room : DoseMap
    rpm, share : array
        The planned dose: share of the full flow over speed.
    pulsing : Pulsing or None
        None where the valve is not pulsed: a step then takes a nozzle of its own.

    Returns
    -------
    Ladder
    """
    rpm, share = np.asarray(rpm, float), np.asarray(share, float)
    if not len(rpm):
        return Ladder([], "Nothing flows at any speed: there is no ladder to climb.")
    unknown = unknown_parts(sheet)
    fractions = STEPS_UNKNOWN if unknown else STEPS_KNOWN
    first = f"the first step is {100 * fractions[0]:.0f} % of the plan"
    reason = (
        f"Nobody has written down {listed(unknown)}: {first}, and each part found out before it makes the ladder shorter."
        if unknown
        else f"The parts that carry the load are on the sheet: {first}."
    )
    if not is_weighed(sheet) and sheet.nitrous.nozzle_diameter_mm is not None:
        reason += " The nozzle has not been weighed in: do that before the first step, every flow here follows from it."
    steps = [_step(sheet, room, rpm, share, f, pulsing, last=f == fractions[-1]) for f in fractions]
    return Ladder(steps, f"{reason} Steps of this size are a choice of our own, no source.")


def _step(
    sheet: BuildSheet,
    room: DoseMap,
    rpm: np.ndarray,
    planned: np.ndarray,
    fraction: float,
    pulsing: Pulsing | None,
    *,
    last: bool,
) -> Step:
    share = planned * fraction if pulsing is None else pulsing.floor(planned * fraction)
    strongest = share if pulsing is None else pulsing.strongest(rpm, share)
    retard = np.where(share > 0, room.first_hit(rpm, strongest), np.nan)
    k = int(np.abs(np.where(share > 0, rpm, np.inf) - sheet.engine.peak_power_rpm).argmin())
    key = added_fuel_key(sheet, "kg_h")
    ends = [float(room.at(f"{key}{end}", rpm[k], share[k])) for end in ("_low", "", "_high")]
    wet = sheet.nitrous.system == "wet" and ends[0] > 0 and share[k] > 0
    part = 1.0 if pulsing is None else share[k]  # a pulsed jet is sized for the whole flow
    jet = jet_band(sheet, Setup.of(sheet), *(v / 3600 / part for v in ends)) if wet else None
    flow = share * room.full_flow
    bore = _nozzle(sheet, room, float(flow.max())) if pulsing is None and flow.max() > 0 else None
    over = strongest > room.most_at(rpm) + 1e-6
    obstacle = (
        f"breaks a limit at {rpm[over][0]:.0f} rpm, where {100 * room.most_at(rpm[over][0]):.0f} % of the full flow is allowed"
        if over.any()
        else ""
    )
    return Step(
        share=fraction,
        hp=shot_power(sheet, float(flow[k])),
        flow=flow,
        fuel_kg_h=Band(*ends, "the plan's fuel over what is unknown"),
        retard_deg=retard,
        rpm=rpm,
        bore_mm=bore,
        jet_mm=jet,
        obstacle=obstacle,
        log=_log(sheet),
        plugs=_plugs(sheet),
        gate=_gate(sheet, last=last),
    )


def _nozzle(sheet: BuildSheet, room: DoseMap, flow: float) -> Band | None:
    """Bore of each nozzle for a flow [mm]: the fitted one where it is that flow."""
    fitted = sheet.nitrous.nozzle_diameter_mm
    if fitted is not None and abs(flow / room.full_flow - 1) < 1e-6:
        return Band(fitted, fitted, fitted, "the fitted nozzle")
    return bore_for(sheet, flow)


def _log(sheet: BuildSheet) -> list[str]:
    dry = ["injector duty"] if sheet.nitrous.system == "dry" else []
    pulsed = ["valve duty"] if sheet.nitrous.progressive else []
    return [
        "time",
        "engine speed",
        "throttle",
        "lambda",
        "timing",
        *pulsed,
        "nitrous switch",
        "bottle pressure",
        "fuel pressure",
        *dry,
        "knock signal",
        "intake temperature",
    ]


def _plugs(sheet: BuildSheet) -> str:
    return (
        f"Shut off at full throttle at the end of the pull, then read all {sheet.engine.cylinders} plugs: no specks on the porcelain, no blue or melted "
        "ground strap, all alike (common practice, no source). A plug that differs is a cylinder that differs."
    )


def _gate(sheet: BuildSheet, *, last: bool) -> list[str]:
    limits, target = sheet.limits, sheet.engine.lambda_with_nitrous
    return [
        f"two pulls in a row with lambda within {GATE_LAMBDA:g} of {target:.2f} and never leaner than the stop at {limits.lean_stop_lambda:.3f}",
        "no knock, by ear and by the knock signal",
        "timing in the log where the table has it, within one degree",
        f"fuel pressure steady within 5 %{f', injector duty below {limits.injector_duty_percent:g} %' if sheet.nitrous.system == 'dry' else ''}",
        "bottle pressure within its window at the start of each pull",
        "plugs all alike and clean",
        *([] if last else ["then the next step, not two at once"]),
    ]
