"""Which workbooks there are: read from the notebooks' own metadata, so that the landing page needs no list."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

#: Names that can be asked for: a notebook directly in the folder, no other file, no other folder.
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*\.ipynb")


@dataclass(frozen=True, order=True)
class Workbook:
    """One entry of the landing page.

    Parameters
    ----------
    order : int
        Place in the list.
    name : str
        File name.
    title : str
        The page's title.
    question : str
        What the page answers, as the reader would ask it.
    summary : str
        One more sentence; may be empty.
    """

    order: int
    name: str
    title: str
    question: str
    summary: str = ""


def find(folder: Path) -> list[Workbook]:
    """Return the workbooks of a folder in reading order.

    Parameters
    ----------
    folder : Path
        Where the notebooks lie.

    Returns
    -------
    list of Workbook
        Sorted by `order`, then by name. A file that is no notebook is left out.
    """
    found = (_read(path) for path in folder.glob("*.ipynb") if NAME.fullmatch(path.name))
    return sorted(book for book in found if book is not None)


def is_workbook(folder: Path, name: str) -> bool:
    """Say whether a name from an address is a workbook of this folder, without touching any other path."""
    return NAME.fullmatch(name) is not None and (folder / name).is_file()


def _read(path: Path) -> Workbook | None:
    """Read one notebook's metadata: `title`, and `workbook` with order, question and summary."""
    try:
        metadata = json.loads(path.read_text(encoding="utf-8")).get("metadata", {})
    except (OSError, ValueError, AttributeError):
        return None
    own = metadata.get("workbook") or {}
    title = str(metadata.get("title") or path.stem.replace("_", " ").capitalize())
    question = str(own.get("question") or title)
    return Workbook(int(own.get("order", 999)), path.name, title, question, str(own.get("summary", "")))
