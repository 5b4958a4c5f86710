"""No number in the words was typed: physical numbers come from the kernel, facts of the trade from where they are marked as such."""

import ast
import json
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
NOTEBOOKS = sorted((ROOT / "workbooks").glob("*.ipynb"))
SPOKEN = sorted([*(ROOT / "workbooks" / "ui").rglob("*.py"), *(ROOT / "kernel_lib" / "sheets").glob("*.py")])
UNIT = r"(?:%|deg\b|°|degrees\b|rpm\b|hp\b|kW\b|lb\b|lb/[hs]\b|kg\b|kg/h\b|g/s\b|ms\b|s\b|seconds?\b|K\b|bar\b|psi\b|kPa\b|Hz\b|mm\b|AFR\b|L\b|N m\b)"
PHYSICAL = re.compile(rf"(?<![\w.{{-])\d+(?:\.\d+)?\s?{UNIT}|\blambda (?:\d\.\d+|[02-9])\b|\bAFR \d")

TRADE = re.compile(r"common practice|\btrade", re.IGNORECASE)
"""A sentence that says so may hold the trade's number."""
DEFINED = {
    "50 % burned": "a point of the burn, by definition",
    "90 % burned": "a point of the burn, by definition",
    "95 % of the nitrous is gone": "what wash-out means here",
    "per 1000 rpm": "a unit",
    "every 1000 rpm": "the step of a picture",
    "a bottle 1 % heavier": "a question's own size",
    "200 psi": "a question's own size",
    "10 °C (18 °F)": "advice of our own: how far apart two weigh-ins should be",
    "5 s and more": "advice of our own: how long a weigh-in should be",
    "In 8 s": "a weigh-in's own length",
    "(68 % of the water it holds)": "the filling density of 49 CFR 173.304a",
    "21 %": "oxygen in air, ISO 2533",
    "3 K of NASA CEA": "what tests/thermo hold",
    "9 degrees after TDC": "where best torque is taken, from Heywood's handbook",
    "8 to 10 degrees": "Heywood's handbook, named beside it",
}
"""Numbers that are no model's: each with what it is."""


def docstrings(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and ast.get_docstring(
            node
        ):
            yield node.body[0].value


def prose(path):
    """Strings of a module that a reader might see: neither docstrings nor style sheets, with a blank in them."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    said = {id(node) for node in docstrings(tree)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in said:
            text = node.value
            if " " in text and not re.search(r"[{;]\s*[a-z-]+:|function |px\b", text):
                yield node.lineno, text


@pytest.mark.parametrize("path", SPOKEN, ids=lambda p: str(p.relative_to(ROOT)))
def test_no_physical_number_is_typed_in_a_sentence(path):
    found = []
    for line, text in prose(path):
        left = text
        for known in DEFINED:
            left = left.replace(known, "")
        if PHYSICAL.search(left) and not TRADE.search(text):
            found.append((line, PHYSICAL.search(left)[0], text[:90]))
    assert found == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
def test_no_number_is_typed_in_a_notebooks_prose(path):
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    words = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown"]
    assert [re.search(r"\d", text) for text in words if re.search(r"\d", text)] == []


@pytest.mark.parametrize(
    "text", ["Add 30 lb/h.", "some 4 % more", "AFR 12.7", "lambda 0.9 is", "lasts 1.5 s", "at 3000 rpm", "10 Hz"]
)
def test_the_net_catches(text):
    assert PHYSICAL.search(text)


@pytest.mark.parametrize("text", ["lambda 1 burns exactly", "N2O and O2", "Heywood 1988", "one of two stages"])
def test_the_net_lets_go(text):
    assert not PHYSICAL.search(text)
