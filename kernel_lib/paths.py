"""Where the data lies: inside the installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

_HERE = Path(__file__).resolve().parent


def data_dir() -> Path:
    """Return the folder ``data/`` that the kernel reads."""
    installed = _HERE / "data"
    return installed if installed.is_dir() else _HERE.parent / "data"
