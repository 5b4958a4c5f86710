"""How a field of a build sheet is described: a number, a row of numbers, a choice between words, free text."""

from __future__ import annotations

from typing import Any

from pydantic import Field


def num(
    label: str,
    unit: str,
    low: float,
    high: float,
    why: str,
    *,
    where: str = "",
    default: Any = ...,
    basis: str = "",
) -> Any:
    """Describe a number: its limits, why they are there, and where it is read on the car."""
    return Field(
        default,
        ge=low,
        le=high,
        allow_inf_nan=False,
        json_schema_extra={
            "label": label,
            "unit": unit,
            "low": low,
            "high": high,
            "why": why,
            "where": where,
            "basis": basis,
        },
    )


def word(label: str, why: str, *, where: str = "", default: Any = ..., basis: str = "") -> Any:
    """Describe a choice between words."""
    return Field(default, json_schema_extra={"label": label, "unit": "", "why": why, "where": where, "basis": basis})


def text(label: str, default: Any = "") -> Any:
    """Describe free text."""
    return Field(
        default,
        max_length=400,
        json_schema_extra={"label": label, "unit": "", "why": "A page has to hold it.", "where": "", "basis": ""},
    )


def numbers(
    label: str, unit: str, low: float, high: float, why: str, *, least: int = 2, default: Any = ..., basis: str = ""
) -> Any:
    """Describe a row of numbers."""
    return Field(
        default,
        min_length=least,
        max_length=40,
        strict=False,
        json_schema_extra={
            "label": label,
            "unit": unit,
            "low": low,
            "high": high,
            "why": why,
            "where": "",
            "basis": basis,
            "row": True,
        },
    )
