"""The notebooks hold prose and calls; what they do is in modules."""

import ast
from pathlib import Path

import nbformat
import pytest

import workbooks
from workbooks.ui.frame import PAGES

FOLDER = Path(workbooks.__file__).parent
NAMES = sorted(path.name for path in FOLDER.glob("*.ipynb"))
FORBIDDEN = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.For, ast.While, ast.Lambda, ast.Try, ast.With)


@pytest.fixture(params=NAMES)
def notebook(request):
    """Return one notebook."""
    return nbformat.read(FOLDER / request.param, as_version=4)


def _code(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def test_every_page_of_the_masthead_is_there():
    """The links of the masthead and the notebooks are the same set."""
    assert sorted(f"{name}.ipynb" for name, _ in PAGES) == NAMES


def test_cells_are_few_and_short(notebook):
    """At most twelve cells of at most eight lines."""
    assert 3 <= len(notebook.cells) <= 12
    assert len(_code(notebook)) <= 10
    for cell in notebook.cells:
        assert 1 <= len(cell.source.splitlines()) <= 8


def test_cells_only_call(notebook):
    """No definition, no loop; imports only from this project."""
    modules = []
    for cell in _code(notebook):
        for node in ast.walk(ast.parse(cell.source)):
            assert not isinstance(node, FORBIDDEN), cell.source
            if isinstance(node, ast.Import):
                modules += [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                modules += [f"{node.module}.{alias.name}" for alias in node.names]
    assert "workbooks.ui" in modules
    assert all(m == "workbooks.ui" or m.startswith(("workbooks.ui.", "kernel_lib")) for m in modules)


def test_first_cell_only_imports(notebook):
    """A warm kernel runs it before anyone has asked for a page: it must not read the address."""
    for node in ast.parse(_code(notebook)[0].source).body:
        assert isinstance(node, ast.Import | ast.ImportFrom)


def test_outputs_are_stripped(notebook):
    """Nothing computed is kept in the repository."""
    for cell in _code(notebook):
        assert cell.outputs == []
        assert cell.execution_count is None


def test_metadata(notebook):
    """What tab, landing page and kernel need."""
    about = notebook.metadata
    assert about.title
    assert about.kernelspec.name == "python3"
    assert isinstance(about.workbook.order, int)
    assert about.workbook.question.endswith("?")
    assert about.workbook.summary.endswith(".")


def test_order_and_title_agree_with_the_masthead():
    """The same titles in the same order as in the masthead."""
    metadata = [nbformat.read(FOLDER / name, as_version=4).metadata for name in NAMES]
    ordered = sorted(metadata, key=lambda m: m.workbook.order)
    assert [m.title for m in ordered] == [title for _, title in PAGES]
    assert len({m.workbook.order for m in metadata}) == len(metadata)


def test_page_begins_with_masthead_and_ends_with_cautions(notebook):
    """Every page says whose car it is, and what can hurt."""
    code = [cell.source for cell in _code(notebook)]
    assert "ui.masthead(session" in code[1]
    assert "ui.open_session()" in code[1]
    assert code[-1] == "ui.cautions()"
    assert notebook.cells[-1].cell_type == "code"
    prose = [cell.source for cell in notebook.cells if cell.cell_type == "markdown"]
    assert prose[0].startswith("# ")
