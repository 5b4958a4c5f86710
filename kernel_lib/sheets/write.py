"""The files of a plan, and of a review."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from ..errors import InputError
from ..logs.review import Review
from ..plan.own_tables import own_tables
from ..plan.plan import Plan
from ..plan.tune import Tune
from .brief import brief_html
from .plan_sheet import plan_csv, plan_html
from .review_sheet import review_html
from .tune_sheet import tune_html
from .tune_tables import csv_of, grids


def write_plan(plan: Plan, tune: Tune, folder: str | Path) -> list[Path]:
    """Write ``plan.csv`` and ``plan.html`` (all of it at once), ``tune_sheet.html``, ``tables.csv`` and ``brief.html`` (as it comes in).

    Parameters
    ----------
    plan : Plan
    tune : Tune
        Of the same sheet.
    folder : str or Path
        Made if it is not there.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    folder, sheet = Path(folder), tune.sheet
    tables = sheet.tables
    own = own_tables(tune, tables.rpm or tune.table["rpm"], tables.duty_percent or DUTIES)
    files = {
        "plan.csv": plan_csv(plan),
        "tune_sheet.html": tune_html(tune, own),
        "plan.html": plan_html(sheet, plan),
        "tables.csv": csv_of(tune, grids(tune, own, metric=False)),
        "brief.html": brief_html(tune),
    }
    return _written(folder, files)


def write_review(review: Review, folder: str | Path, others: pd.DataFrame | None = None) -> list[Path]:
    """Write ``review.json`` and ``review.html``.

    Parameters
    ----------
    review : Review
    folder : str or Path
        Made if it is not there.
    others : DataFrame, optional
        As in `review_html`.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    return _written(Path(folder), {"review.json": review.to_json(), "review.html": review_html(review, others=others)})


def write_text(folder: str | Path, name: str, text: str) -> Path:
    """Write one more file beside them.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    return _written(Path(folder), {name: text})[0]


def _written(folder: Path, files: dict[str, str]) -> list[Path]:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            (folder / name).write_text(text, encoding="utf-8")
    except OSError as exc:
        raise InputError("--out", str(folder), "", "a folder that can be written", f"{exc.strerror or exc}.") from exc
    return [folder / name for name in files]


DUTIES = (20.0, 40.0, 60.0, 80.0, 100.0)
"""Valve duties of the tables where the sheet states none [%]."""
