"""What the fuel panel says."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from kernel_lib.band import VALVE_LAG_ERROR
from kernel_lib.plan.fuel import TOO_LEAN_LAMBDA
from kernel_lib.plan.fuel_system import JET_SLACK, jet_coefficient
from kernel_lib.text import banded

from . import display

if TYPE_CHECKING:
    from .fuel_model import FuelSide


def bore_unit(system: str) -> display.Shown:
    """Return the unit of bores."""
    return display.shown("mm", system)


def _first_over(side: FuelSide, key: str, limit: float, end: str) -> float | None:
    table = side.plan.table
    over = table.loc[table[f"{key}{end}"] > limit, "rpm"]
    return None if over.empty else float(over.iloc[0])


def title(side: FuelSide) -> str:
    """The finding of the first picture."""
    duty, pump = side.plan.table["injector_duty_percent"].max(), side.plan.table["pump_percent"].max()
    known = "" if side.pump_reason else f" and {pump:.0f} % of the pump"
    return f"With the likely flow the shot takes up to {duty:.0f} % injector duty{known}"


def text(side: FuelSide) -> list[str]:
    """Sentences under the first picture."""
    limits = side.sheet.limits
    out = []
    for key, limit, name in (
        ("injector_duty_percent", limits.injector_duty_percent, "injectors"),
        ("pump_percent", limits.pump_percent, "pump"),
    ):
        if key == "pump_percent" and side.pump_reason:
            continue
        likely, worst = (_first_over(side, key, limit, end) for end in ("", "_high"))
        if likely is not None:
            out.append(
                f"The {name} pass the limit of {limit:g} % from {likely:.0f} rpm."
                if name == "injectors"
                else f"The pump passes its limit of {limit:g} % from {likely:.0f} rpm."
            )
        elif worst is not None:
            out.append(f"At the high end of what is unknown the {name} may pass {limit:g} % from {worst:.0f} rpm.")
        else:
            out.append(
                f"The {name} stay{'s' if name == 'pump' else ''} within {limit:g} % at every speed of the window, whatever the unknowns are."
            )
    out.append(_largest(side))
    if side.pump_reason:
        out.append(side.pump_reason)
    if side.sheet.nitrous.system == "wet":
        out.append(
            "Wet: the jet brings the fuel of the shot, so the injectors carry only their own; the pump feeds both."
        )
    return out


def _largest(side: FuelSide) -> str:
    largest = side.largest
    hp = banded(largest.hp.low, largest.hp.best, largest.hp.high)
    if largest.passed_without:
        return "The limit is passed even without nitrous: no shot fits this fuel system."
    if not largest.limit and not largest.pump_known:
        return (
            f"The injectors do not run out up to about {hp} hp; the pump is not checked, because its flow is not known."
        )
    if not largest.limit:
        return f"Neither runs out up to about {hp} hp, beyond which nitrous would be almost half of what the cylinders hold at the low end of the window."
    return f"The largest shot this fuel system answers is about {hp} hp; the {largest.limit} run{'s' if largest.limit == 'pump' else ''} out first, near {largest.rpm:.0f} rpm."


def assumes(side: FuelSide) -> str:
    """What the panel rests on."""
    wet = f"; {jet_coefficient(side.sheet).because}" if side.wet else ""
    return (
        "Assumes injectors whose flow goes with the square root of the pressure across them, one opening a cycle, dead time counted; a pump that holds the rail's pressure up to "
        f"its stated flow; the plan's flow and fuel with their bands{wet}."
    )


def jet_title(side: FuelSide, system: str) -> str:
    """The finding of the jet picture."""
    wet, to = side.wet, bore_unit(system)
    wanted = banded(*(to.there(v) for v in (wet.wanted.low, wet.wanted.best, wet.wanted.high)))
    return f"The wanted mixture asks for a fuel jet of about {wanted} {to.unit}"


def jet_text(side: FuelSide, scale: float, system: str) -> list[str]:
    """Sentences under the jet picture."""
    wet, nitrous = side.wet, side.sheet.nitrous
    pressure = display.quantity(side.sheet.value("nitrous.fuel_jet_pressure_kpa"), "kPa gauge", system, 0)
    k = int(np.argmin(np.abs(wet.bores - wet.wanted.best)))
    rich, lean = scale * wet.low[k], scale * wet.high[k]
    step = display.quantity(wet.step_kpa, "kPa lost", system, 0)
    target = side.sheet.engine.lambda_with_nitrous
    out = [
        f"Gauge AFR over jet bore at {wet.rpm:.0f} rpm with the likely nitrous flow, the jet's likely coefficient and {pressure} at the jet while fuel flows; band: {step} more and "
        f"less, which moves the gauge AFR of the wanted jet from {rich:.1f} to {lean:.1f}; dots: jets in the shop; ring: the one fitted. What is unknown of flow and coefficient is in the bore "
        "above, not in this band.",
        *_own_jets(side, scale, system, target),
    ]
    if wet.fitted is not None:
        out.append(
            f"The fitted {display.bore(wet.fitted, system)} jet gives about {wet.fitted_lambda * scale:.1f}, {_side(wet.fitted_lambda, target)}."
        )
    out.append(
        "The jet's own coefficient is as unknown as the nozzle's: catch the fuel of half a minute in a can at that pressure (away from ignition, engine cold) and put the "
        "coefficient on the sheet."
        if nitrous.fuel_jet_coefficient is None
        else f"The jet's coefficient on the sheet, {nitrous.fuel_jet_coefficient:.2f}, is a measured one."
    )
    return out


def _side(value: float, target: float) -> str:
    if value >= TOO_LEAN_LAMBDA:
        return "past the trade's too-lean mark: do not spray"
    if value > target + JET_SLACK:
        return "leaner than wanted"
    return "on the target" if value > target - 0.005 else "richer than wanted"


def _own_jets(side: FuelSide, scale: float, system: str, target: float) -> list[str]:
    """Choose from the shop's own, from the rich side."""
    wet = side.wet
    if not side.sheet.fuel_system.jets_mm:
        return []
    rich = [jet for jet in wet.owned if jet[1] <= target + JET_SLACK]
    if not rich:
        return ["None of the jets in the shop is big enough for the wanted mixture: do not spray with any of them."]
    best = max(rich, key=lambda jet: jet[1])
    out = f"Of the shop's own take the {display.bore(best[0], system)} jet: gauge {best[1] * scale:.1f} (wanted {target * scale:.1f}), the nearest that is not leaner."
    lean = [jet for jet in wet.owned if jet[1] > target + JET_SLACK]
    if lean:
        near = min(lean, key=lambda jet: jet[1])
        out += f" The next smaller, {display.bore(near[0], system)}, gives {near[1] * scale:.1f}, {_side(near[1], target)}."
    return [out]


def pulse_title(side: FuelSide, scale: float) -> str:
    """The finding of the pulse picture."""
    drift = scale * side.wet.drift["likely"]
    k = int(np.argmin(np.abs(side.wet.duty - 0.3)))
    return f"Pulsed, the pair drifts: gauge {drift[k]:.1f} at {100 * side.wet.duty[k]:.0f} % valve duty against {drift[-1]:.1f} fully open"


def pulse_text(side: FuelSide, scale: float) -> list[str]:
    """Sentences under the pulse picture."""
    nitrous, wet = side.sheet.nitrous, side.wet
    k = int(np.argmin(np.abs(wet.duty - 0.3)))
    ends = sorted((scale * wet.drift["low"][k], scale * wet.drift["high"][k]))
    plain = (
        "" if nitrous.progressive else " This car's valve is not pulsed: the picture says what would happen if it were."
    )
    top = int(np.argmax(wet.drift["high"]))
    lean = float(wet.drift["high"][top])
    past = (
        f"Within the band the pair may reach gauge {lean * scale:.1f} at {100 * wet.duty[top]:.0f} % duty, past the trade's too-lean mark of {TOO_LEAN_LAMBDA * scale:.1f} (common practice, no "
        "source): do not pulse this pair before it is measured."
    )
    return [
        *([past] if lean >= TOO_LEAN_LAMBDA else []),
        f"Both valves get the same pulse at {nitrous.pulse_hz:g} Hz, but the nitrous valve opens later than it closes by {nitrous.nitrous_valve_lag_ms:g} ms and the fuel valve by "
        f"{nitrous.fuel_valve_lag_ms:g} ms: a share of every pulse that counts most when pulses are short. The jet is the {'wanted' if wet.fitted is None else 'fitted'} one.{plain}",
        f"The band is {VALVE_LAG_ERROR.high:g} ms more or less between the two valves: gauge {ends[0]:.1f} to {ends[1]:.1f} at {100 * wet.duty[k]:.0f} %. Nobody knows it without measuring: fuel and nitrous caught "
        "over a hundred pulses.",
    ]
