"""The ladder's history: a row a log, side by side."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from .finding import Finding
from .review import Review

COLUMNS = [
    "name",
    "kind",
    "share_of_plan",
    "verdict",
    "headline",
    "worst_settled_lambda",
    "leanest_lambda",
    "least_retard_margin_deg",
    "peak_injector_duty_percent",
    "bottle_start_kpa",
    "knock",
]
"""Of `history`; kPa gauge."""


def history(reviews: Iterable[Review]) -> pd.DataFrame:
    """Lay several logs side by side, in the order given.

    Parameters
    ----------
    reviews : iterable of Review

    Returns
    -------
    DataFrame
        A row a log: name, kind, share_of_plan, verdict, headline, worst_settled_lambda (true, farthest from its target), leanest_lambda (true, with nitrous in the
        charge), least_retard_margin_deg (below 0: less than planned), peak_injector_duty_percent, bottle_start_kpa (gauge), knock ("none", "on nitrous", "without
        nitrous", "not judged"). NaN where the log does not tell.
    """
    return pd.DataFrame([_row(review) for review in reviews], columns=COLUMNS)


def _row(review: Review) -> dict:
    by_key: dict[str, list[Finding]] = {}
    for f in review.findings:
        by_key.setdefault(f.key, []).append(f)

    def number(key: str, *names: str) -> float:
        for f in by_key.get(key, ()):
            for name in names:
                if name in f.numbers and f.numbers[name] is not None:
                    return float(f.numbers[name])
        return float("nan")

    short = number("retard", "short_deg")
    lambda_ = number("base" if review.kind == "base" else "lambda", "lambda")
    return {
        "name": review.name,
        "kind": review.kind,
        "share_of_plan": review.step.share if review.step else float("nan"),
        "verdict": review.verdict,
        "headline": review.headline,
        "worst_settled_lambda": lambda_,
        "leanest_lambda": number("lean", "lambda"),
        "least_retard_margin_deg": -short if np.isfinite(short) else number("retard", "least_margin_deg"),
        "peak_injector_duty_percent": number("injector", "most_percent"),
        "bottle_start_kpa": number("bottle", "start_kpa"),
        "knock": _knock(by_key.get("knock", [])),
    }


def _knock(found: list[Finding]) -> str:
    if not found or all(f.state == "unjudged" for f in found):
        return "not judged"
    if any(f.numbers.get("nitrous") for f in found):
        return "on nitrous"
    return "without nitrous" if any(f.numbers.get("bursts") for f in found) else "none"
