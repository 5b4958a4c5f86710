"""What a review says: findings by weight, changes, a verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

GO, REPEAT, GO_BACK, STOP = "go", "repeat", "go back", "stop"
VERDICTS = (GO, REPEAT, GO_BACK, STOP)
"""From the best to the worst: the worst of the findings decides."""
Verdict = Literal["go", "repeat", "go back", "stop"]
State = Literal["holds", "watch", "stop", "unjudged"]


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at.

    Attributes
    ----------
    key : str
        What was looked at: lambda, lean, retard, bottle, injector, fuel_pressure, knock, guard, misfire, sensors, trims, base, samples, step, plan, plugs, engine.
    state : {"holds", "watch", "stop", "unjudged"}
    asks : {"go", "repeat", "go back", "stop"}
        The best verdict this finding leaves open.
    weight : float
        Order among findings that ask the same, the heaviest first, 0 to 100.
    title : str
        The finding in half a sentence, with its number and unit; US units where `metric` was False when it was made.
    sentence : str
        What was measured, what it is held against, how sure that is.
    at_s : tuple of float or None
        From when to when in the log [s].
    numbers : dict
        Plain numbers behind it, keys with units; for JSON, pictures and tests.
    """

    key: str
    state: State
    asks: Verdict
    weight: float
    title: str
    sentence: str
    at_s: tuple[float, float] | None = None
    numbers: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Change:
    """One thing to change before the next pull.

    Attributes
    ----------
    what : {"fuel", "base fuel", "timing", "bottle", "guard", "lead", "hardware", "log"}
    sentence : str
        What to do, by how much, at which speed and valve duty.
    rpm, valve_duty_percent : float or None
        Where; None: everywhere.
    amount, low, high : float or None
        By how much and its band.
    unit : str
    bounded_by : str
        What held the amount back: damping, a limit; "" if nothing did.
    """

    what: str
    sentence: str
    rpm: float | None = None
    valve_duty_percent: float | None = None
    amount: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    bounded_by: str = ""


def nothing_to_change(verdict: str) -> str:
    """Say that no change is asked for: of a log that does not go, that what it names comes first."""
    return (
        "Nothing to change for this step."
        if verdict == GO
        else "No table to change: what stands under the verdict comes first."
    )
