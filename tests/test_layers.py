"""Imports point one way, and nothing grows past what a reader can hold."""

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
KERNEL = sorted((ROOT / "kernel_lib").rglob("*.py"))
ALL = KERNEL + sorted((ROOT / "workbooks").rglob("*.py"))

BASE = {"band", "errors", "paths", "text", "units"}
BUILD = {"build_fields", "build_kinds", "build_read", "build_sheet", "doubts"}
THERMO = BASE | {"thermo"}
ENGINE = THERMO | BUILD | {"engine"}
PLAN = ENGINE | {"plan"}
MAY_IMPORT = {
    **dict.fromkeys(BASE, BASE),
    **dict.fromkeys(BUILD, THERMO | BUILD | {"engine.airflow"}),
    "thermo": THERMO,
    "engine.airflow": THERMO | {"engine.airflow"},
    "engine": ENGINE,
    "plan": PLAN,
    "teach": PLAN | {"teach"},
    "logs": PLAN | {"logs", ""},
    "sheets": PLAN | {"sheets", "teach", "logs", ""},
}
FOREIGN = {"asammdf", "numba", "CoolProp", "cantera", "numpy", "pandas", "pydantic", "scipy", "tomlkit"}


def name_of(path):
    return str(path.relative_to(ROOT))


def imported(path):
    """Absolute dotted names that a file imports, wherever in it they stand."""
    package = path.relative_to(ROOT).parts[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            stem = package[: len(package) - node.level + 1] if node.level else ()
            module = ".".join([*stem, *([node.module] if node.module else [])])
            yield from (f"{module}.{alias.name}" for alias in node.names)


def within(name, layers):
    return any(name == layer or name.startswith(f"{layer}.") for layer in layers)


def layer_of(path):
    own = ".".join(path.relative_to(ROOT / "kernel_lib").with_suffix("").parts)
    return own if own in MAY_IMPORT else own.split(".")[0]


def known(name):
    """Strip ``kernel_lib`` and, where a name and not a module is imported, that name; "" is the package itself."""
    parts = name.split(".")[1:]
    while parts and not ((ROOT / "kernel_lib").joinpath(*parts).with_suffix(".py").exists()):
        if (ROOT / "kernel_lib").joinpath(*parts).is_dir():
            break
        parts = parts[:-1]
    return ".".join(parts)


@pytest.mark.parametrize("path", KERNEL, ids=name_of)
def test_imports_point_one_way(path):
    layer = layer_of(path)
    for name in imported(path):
        if not within(name, ["kernel_lib"]) or layer in ("__init__", "__main__"):
            continue
        target = known(name)
        assert target in MAY_IMPORT[layer] or within(target, MAY_IMPORT[layer] - {""}), f"{layer} imports {name}"


@pytest.mark.parametrize("path", KERNEL, ids=name_of)
def test_kernel_needs_no_page(path):
    """No widget and no plot below the pages: only these packages and the standard library."""
    for name in imported(path):
        top = name.split(".")[0]
        assert top in FOREIGN | {"kernel_lib"} or top in sys.stdlib_module_names, name


def test_the_check_sees_a_wrong_way_import():
    """Relative imports are resolved: the four layers are all found, and engine stands in none of thermo's."""
    assert {"thermo", "engine", "plan", "sheets"} <= {layer_of(path) for path in KERNEL}
    seen = {name for path in KERNEL if layer_of(path) == "plan" for name in imported(path)}
    assert "kernel_lib.engine.charge.fresh_charge" in seen
    assert known("kernel_lib.engine.charge.fresh_charge") == "engine.charge"
    assert not within("engine.charge", MAY_IMPORT["thermo"])
    assert not within("plan.plan", MAY_IMPORT["engine"])


@pytest.mark.parametrize("path", ALL, ids=name_of)
def test_modules_stay_under_400_lines(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) < 400


@pytest.mark.parametrize("path", ALL, ids=name_of)
def test_functions_stay_under_60_lines(path):
    """Lines of code: the docstring does not count."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            about = node.body[0] if ast.get_docstring(node) is not None else None
            doc = about.end_lineno - about.lineno + 1 if about else 0
            assert node.end_lineno - node.lineno + 1 - doc < 60, node.name
