"""The rules of the trade: what is said, with which numbers, and where it comes from as far as physics can say."""

from __future__ import annotations

from types import MappingProxyType

from .. import units
from ..build_fields import PRACTICE, SECTIONS
from ..plan.closeup import TRADE_PLUG_RANGES
from ..plan.fuel import RULE_LB_H_PER_100_HP, TOO_LEAN_LAMBDA, WINDOW_LAMBDA
from ..plan.proposals import TRADE_HOLD_S, TRADE_HZ, TRADE_LEAD_MS
from ..plan.spark import RULE_DEG_PER_50_HP
from .rules_kinds import FACT, Rule

TRADE_SCALE: float = SECTIONS["controller"].model_fields["gauge_scale"].default
"""Gauge AFR at lambda 1 in which the trade counts."""


def _usual(section: str, name: str) -> float:
    """What a build sheet assumes by common practice: the trade's number."""
    return float(SECTIONS[section].model_fields[name].default)


def _rule(key: str, text: str, numbers: dict[str, float], harm: int, origin: str, **more: str) -> Rule:
    return Rule(key, text, MappingProxyType(numbers), " ".join(origin.split()), harm, **more)


LEAST_PLUG_RANGES = 1
"""Heat ranges colder for a small shot; common practice, from memory."""
_LOW_KPA, _HIGH_KPA = _usual("nitrous", "window_low_kpa"), _usual("nitrous", "window_high_kpa")
_FROM, _TO = _usual("nitrous", "spray_rpm_min"), _usual("nitrous", "spray_rpm_max")
_THROTTLE, _AIM = _usual("nitrous", "throttle_min_percent"), _usual("engine", "lambda_with_nitrous")
_GAUGE = [TRADE_SCALE * v for v in (*WINDOW_LAMBDA, _AIM, TOO_LEAN_LAMBDA)]

_OXYGEN = 36.0, 23.0  # % by mass, as the trade rounds them

_ALL = (
    _rule(
        "fuel",
        f"{RULE_LB_H_PER_100_HP:g} lb/h of fuel for every 100 hp of a dry shot",
        {"lb_h_per_100_hp": RULE_LB_H_PER_100_HP},
        3,
        """Fuel for the oxygen that so much power takes. Nitrous brings heat of its own as it comes apart, so less fuel does than the power alone
        would suggest. But the vapour also pushes air aside: a controller that works from manifold pressure goes on fuelling that air, one that meters air does
        not. The rule's one number lies between the two and knows neither metering nor target; it is said of gasoline, and a fuel that needs less air for its weight needs more of it.""",
    ),
    _rule(
        "retard",
        f"{RULE_DEG_PER_50_HP:g} degrees of timing out for every 50 hp",
        {"deg_per_50_hp": RULE_DEG_PER_50_HP},
        3,
        """A constant flow puts more nitrous into each cycle the slower the engine turns, and peak pressure, knock and the place of the burn follow the
        dose of a cycle, not the horsepower. None of the three is both a straight line in horsepower and the same at every speed. The rule is both, so it can be right at one speed
        only.""",
    ),
    _rule(
        "plugs",
        "Plugs one or two heat ranges colder, by the size of the shot",
        {"heat_ranges": TRADE_PLUG_RANGES, "heat_ranges_least": LEAST_PLUG_RANGES},
        2,
        """More heat to the walls in every cycle warms the plug's tip with them, and a tip that glows lights the charge before the spark. A heat range has no unit: no
        scale common to makers says how many degrees or watts one step is.""",
        basis=f"{PRACTICE}; one for a small shot from memory",
    ),
    _rule(
        "gauge",
        f"{_GAUGE[0]:.1f} to {_GAUGE[1]:.1f} on the gauge while nitrous flows, {_GAUGE[2]:.1f} aimed at",
        {
            "lambda_rich": WINDOW_LAMBDA[0],
            "lambda_lean": WINDOW_LAMBDA[1],
            "lambda_aim": _AIM,
            "gauge_scale_afr": TRADE_SCALE,
        },
        2,
        """Flame temperature hardly differs across this window, so it is no cooling trick. It leaves no free oxygen over hot metal, and some way to the lean side when fuel
        comes late. The gauge itself is off: nitrous brings less nitrogen, so a rich exhaust is less diluted and reads richer than it is.""",
    ),
    _rule(
        "lean",
        f"Too lean from {_GAUGE[3]:.1f} on the gauge: shut the nitrous off",
        {"lambda_stop": TOO_LEAN_LAMBDA, "gauge_scale_afr": TRADE_SCALE},
        2,
        """The mark lies where free oxygen begins to appear in places of a mixture that is never quite even. It protects only if a loss of fuel carries the mixture past it, and only
        after exhaust transport, sensor, filter, valve and wash-out: several cycles burn lean before the nitrous is gone.""",
    ),
    _rule(
        "lead",
        f"Fuel {TRADE_LEAD_MS:g} ms before the nitrous",
        {"lead_ms": TRADE_LEAD_MS},
        3,
        """Added fuel waits for the next injection and partly creeps along the port's wall; nitrous waits for its valve and for the line behind it to fill. The difference of the two
        delays is the lead needed, and it may have either sign. Fuel far ahead drowns the engine at low speed.""",
    ),
    _rule(
        "pulse",
        f"A progressive valve pulsed at {TRADE_HZ:g} Hz",
        {"pulse_hz": TRADE_HZ},
        2,
        """Slow pulses reach single cycles: some get more nitrous than the fuel is set for. A plenum evens them out if it takes longer to fill than a pulse lasts; behind a port nozzle nothing does. The
        valve's own opening and closing times bound the rate from above.""",
    ),
    _rule(
        "throttle",
        f"No nitrous below {_THROTTLE:g} % throttle",
        {"throttle_percent": _THROTTLE},
        2,
        """The nitrous does not know of the throttle: with less air the same flow is a larger part of the charge. How much air a part-open throttle passes depends on
        plate, bore and speed.""",
    ),
    _rule(
        "from",
        f"Nitrous from {_FROM:g} rpm",
        {"rpm_from": _FROM},
        3,
        """At a constant flow the dose of a cycle grows as the speed falls. Somewhere no timing holds peak pressure and knock any more without sending the heat into the exhaust. Where that is depends on shot,
        displacement and limits, not on a round number.""",
    ),
    _rule(
        "to",
        f"Nitrous until {_TO:g} rpm, or some hundreds short of the limiter",
        {"rpm_to": _TO},
        2,
        """Valve, line and manifold take time to clear while the engine goes on speeding up; what is left must be gone when the rev limiter cuts: the trade counts back from there, and a build sheet that says nothing ends at the round number. The distance to the limit is a time, so it depends on how fast the engine
        gains speed.""",
    ),
    _rule(
        "half",
        "Half the valve duty is half the power",
        {"duty_share": 0.5},
        1,
        """A valve takes longer to open than to close, or the reverse, so that its open time is not the time it is told. And power does not follow the flow in a quite straight line, for nitrous pushes air
        aside.""",
    ),
    _rule(
        "hold",
        f"Added fuel and timing stay {TRADE_HOLD_S:g} s after the valve shuts",
        {"hold_s": TRADE_HOLD_S},
        3,
        """The line behind the valve empties by boiling, then the manifold clears as the engine draws from it. After a lift hardly any air comes to thin what is left, so that takes longest.""",
    ),
    _rule(
        "bottle",
        f"Bottle warmed to {units.psi_from_kpa(_LOW_KPA):.0f} to {units.psi_from_kpa(_HIGH_KPA):.0f} psi",
        {"window_low_kpa": _LOW_KPA, "window_high_kpa": _HIGH_KPA},
        1,
        """Above liquid the pressure stands for the temperature. In the window the flow is the one the fuel was set for, liquid reaches the pick-up under a firm pressure and the valve still lifts. Flow is not the strongest of
        these reasons: it changes little while the liquid gets lighter as it warms.""",
    ),
    _rule(
        "root",
        "Flow follows the square root of bottle pressure",
        {"exponent": 0.5},
        1,
        """True of a liquid that stays one and keeps its density. Nitrous boils in the nozzle, and warmed from cold to hot its liquid loses a good part of its density while the pressure
        rises.""",
    ),
    _rule(
        "oxygen",
        f"Nitrous is {_OXYGEN[0]:g} % oxygen by weight, air {_OXYGEN[1]:g} %",
        {"nitrous_percent_by_mass": _OXYGEN[0], "air_percent_by_mass": _OXYGEN[1]},
        0,
        """Molar masses: one oxygen atom of 16 in 44 for nitrous; about a fifth of air's molecules, a little heavier than the rest. It is no ratio of powers: nitrous takes the place of air, brings heat of its own, and the fuel has to be
        there.""",
        basis=FACT,
    ),
    _rule(
        "power",
        "A shot is the same horsepower at every rpm",
        {"hp_share": 1.0},
        0,
        """The same nitrous a second carries the same heat a second, so the power gained would be the same but for friction, cooling and, above all, timing: where the dose of a cycle is large, more retard gives part of it
        back.""",
    ),
    _rule(
        "torque",
        "A shot pushes alike at every rpm: so many horsepower feel the same anywhere",
        {"torque_share": 1.0},
        1,
        """What lies behind naming a shot by its horsepower alone. It cannot be true together with the same horsepower: torque is power over speed. The torque added grows as the speed falls, and with it what gearbox, clutch, rods and tyres have to
        carry.""",
    ),
)

RULES: dict[str, Rule] = {rule.key: rule for rule in _ALL}
"""Every rule, in the order they are read."""
