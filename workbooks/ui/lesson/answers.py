"""What a reader has predicted: checked, kept, written down and read back."""

from __future__ import annotations

import json

from kernel_lib import InputError

from .step import Answer, Ask, Choice, LessonCar, Number, Step

_LONGEST = 100_000  # characters that a browser may give back


def checked(ask: Ask, answer: object) -> Answer:
    """Return a prediction that fits its question.

    Raises
    ------
    InputError
        Where nothing was chosen, or what a browser sent does not fit.
    """
    if isinstance(ask, Choice):
        if isinstance(answer, bool) or not isinstance(answer, int) or not 0 <= answer < len(ask.options):
            raise InputError(
                "your prediction",
                answer,
                "",
                "one of the sentences",
                "The answer is shown when you have committed one.",
            )
        return answer
    low, high, _ = ask.span
    if isinstance(ask, Number):
        return _inside(ask.label, answer, ask.unit, low, high)
    if not isinstance(answer, list | tuple) or len(answer) != len(ask.places):
        raise InputError(ask.label, answer, ask.unit, f"{len(ask.places)} heights", "One for each handle.")
    return tuple(_inside(ask.label, height, ask.unit, low, high) for height in answer)


def _inside(label: str, value: object, unit: str, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise InputError(label, value, unit, f"{low:g} to {high:g} {unit}".strip(), "The question reaches no further.")
    return float(value)


def written(answers: dict[str, Answer]) -> str:
    """Return predictions as text for the visitor's browser to keep."""
    return json.dumps(answers)


def read_back(text: str, steps: tuple[Step, ...], car: LessonCar) -> dict[str, Answer]:
    """Return the predictions in a kept text that still fit their questions; what does not is left out."""
    try:
        kept = json.loads(text[:_LONGEST])
    except (ValueError, RecursionError):
        return {}
    out: dict[str, Answer] = {}
    for step in steps if isinstance(kept, dict) else ():
        if step.key in kept:
            try:
                out[step.key] = checked(step.ask(car), kept[step.key])
            except InputError:
                continue
    return out
