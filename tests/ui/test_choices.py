"""No list of choices holds None: ipywidgets 8.1 takes it for the entry, or for no entry, by the chance of hashing.

Found on a build machine: with PYTHONHASHSEED=6 a Dropdown of [("not stated", None)] shows nothing at all.
"""

import ast
from pathlib import Path

import pytest

PAGES = sorted((Path(__file__).resolve().parents[2] / "workbooks").rglob("*.py"))


def choices_of_none(text):
    """Lines on which a list of choices holds None."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, (ast.Assign, ast.AnnAssign)):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            given = node.value if any(getattr(t, "id", getattr(t, "attr", "")) == "options" for t in targets) else None
        else:
            given = node.value if isinstance(node, ast.keyword) and node.arg == "options" else None
        for part in ast.walk(given) if given is not None else ():
            last = part.elts[-1] if isinstance(part, ast.Tuple) and part.elts else None
            if isinstance(last, ast.Constant) and last.value is None:
                found.append(part.lineno)
    return found


@pytest.mark.parametrize("path", PAGES, ids=lambda p: p.name)
def test_no_list_holds_none(path):
    """What is not chosen is NO_CHOICE."""
    assert choices_of_none(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "text",
    ['w.Dropdown(options=[("none", None)])', 'd.options = [("none", None), *more]', 'options: list = [("none", None)]'],
)
def test_the_check_sees_none(text):
    """The three ways a list was given."""
    assert choices_of_none(text) == [1]
