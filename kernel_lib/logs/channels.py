"""What a log may hold: every quantity the review knows, its unit here, and where it makes sense."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Channel:
    """A quantity of a log.

    Attributes
    ----------
    key : str
        Name in the kernel, with its unit.
    label, unit : str
        As a reader sees them; unit "" where it has none.
    low, high : float
        Beyond, it is no such quantity: a sensor that has failed, or another column [unit].
    steps : bool
        Whether it jumps between values (a switch, a gear): never interpolated.
    """

    key: str
    label: str
    unit: str
    low: float
    high: float
    steps: bool = False


CHANNELS: dict[str, Channel] = {
    c.key: c
    for c in (
        Channel("time_s", "time", "s", -1e7, 2e9),
        Channel("rpm", "engine speed", "rpm", 0, 15000),
        Channel("throttle_percent", "throttle", "%", -5, 110),
        Channel("lambda_", "lambda", "", 0.4, 3.0),
        Channel("lambda_2", "lambda, second sensor", "", 0.4, 3.0),
        Channel("lambda_target", "lambda that the controller aims at", "", 0.5, 1.6),
        Channel("timing_deg_btdc", "timing", "deg before TDC", -30, 70),
        Channel("nitrous_duty_percent", "nitrous valve duty", "%", 0, 100),
        Channel("nitrous_on", "nitrous switch", "", 0, 1, steps=True),
        Channel("bottle_kpa", "bottle pressure", "kPa gauge", 0, 20000),
        Channel("bottle_c", "bottle temperature", "°C", -60, 80),
        Channel("fuel_kpa", "fuel pressure", "kPa gauge", 0, 2000),
        Channel("injector_duty_percent", "injector duty", "%", 0, 120),
        Channel("injector_ms", "injector open time", "ms", 0, 60),
        Channel("intake_c", "intake temperature", "°C", -60, 150),
        Channel("coolant_c", "coolant temperature", "°C", -60, 180),
        Channel("knock", "knock signal", "own scale", -1e9, 1e9),
        Channel("manifold_kpa", "manifold pressure", "kPa absolute", 5, 130),
        Channel("trim_percent", "the controller's own lambda correction", "%", -60, 60),
        Channel("battery_v", "battery", "V", 4, 20),
        Channel("gear", "gear", "", -1, 12, steps=True),
        Channel("speed_km_h", "road speed", "km/h", 0, 500),
    )
}
"""Every quantity, by its key."""

NEEDED = ("time_s", "rpm", "lambda_")
"""Without these nothing can be judged."""
WANTED = (
    "throttle_percent",
    "timing_deg_btdc",
    "nitrous_duty_percent",
    "nitrous_on",
    "bottle_kpa",
    "fuel_kpa",
    "injector_duty_percent",
    "knock",
)
"""What the ladder asks a log to hold; each that is missing leaves something unjudged, and the review says what."""
VITAL = ("time_s", "rpm", "lambda_", "nitrous_duty_percent", "nitrous_on")
"""Quantities without which, as long as they are a question, there is no verdict."""
