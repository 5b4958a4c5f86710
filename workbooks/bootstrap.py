"""Make the environment that the pages and the tests need, once, inside the checkout. Standard library only."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
STAMP = VENV / "workbooks-stamp.json"
OLDEST = (3, 11)
#: Set for the process that was started inside the new environment, so that a mistake cannot go in circles.
MARK = "WORKBOOKS_BOOTSTRAPPED"
#: Compiles the engine's cycle and leaves it on the disk, so that no visitor waits for it.
COMPILE = "from kernel_lib.engine.cycle import warm_up; warm_up()"


class BootstrapError(Exception):
    """The environment cannot be made; the text is one sentence for the person at the keyboard."""


def ensure(module: str, argv: list[str], extras: tuple[str, ...] = ()) -> None:
    """Return if everything can be imported here; otherwise make `.venv`, and run the same command in it.

    Parameters
    ----------
    module : str
        What `python -m` was called with.
    argv : list of str
        Its arguments.
    extras : tuple of str
        Optional dependencies that are needed too, for example `("test",)`.

    Raises
    ------
    BootstrapError
        Python too old, no `venv` module, or pip failed.
    """
    check_python()
    lacking = missing(requirements(extras))
    if not lacking:
        return
    if os.environ.get(MARK):
        raise BootstrapError(f"{VENV} still lacks {', '.join(lacking)}: delete that folder and start again.")
    if not (ROOT / "pyproject.toml").is_file():
        raise BootstrapError(f"This installation lacks {', '.join(lacking)}: install the package again with pip.")
    if not is_current(extras):
        build(extras)
    run_inside(module, argv)


def check_python() -> None:
    """Raise if this Python is too old."""
    if sys.version_info < OLDEST:
        wanted, found = ".".join(map(str, OLDEST)), ".".join(map(str, sys.version_info[:3]))
        raise BootstrapError(f"Python {wanted} or newer is needed, this is {found}: start it with a newer python3.")


def requirements(extras: tuple[str, ...]) -> list[str]:
    """Return the requirement lines of the checkout's pyproject.toml, or of the installed distribution."""
    pyproject = ROOT / "pyproject.toml"
    if pyproject.is_file():
        import tomllib

        project = tomllib.loads(pyproject.read_text(encoding="utf-8"))["project"]
        lines = list(project["dependencies"])
        for extra in extras:
            lines += project["optional-dependencies"][extra]
        return lines
    try:
        found = importlib.metadata.requires("nitrous-workbook") or []
    except importlib.metadata.PackageNotFoundError:
        return []
    return [line.split(";")[0].strip() for line in found if "extra ==" not in line]


def missing(lines: list[str]) -> list[str]:
    """Return the requirements that this environment does not meet."""
    return [line for line in lines if not _met(line)]


def _met(line: str) -> bool:
    """Say whether one requirement is installed in a version that fits."""
    name = re.match(r"[A-Za-z0-9._-]+", line)[0]
    try:
        found = importlib.metadata.version(name)
        from packaging.requirements import Requirement
    except (importlib.metadata.PackageNotFoundError, ImportError):
        return False
    return Requirement(line).specifier.contains(found, prereleases=True)


def fingerprint() -> dict[str, str]:
    """Return what the environment depends on."""
    text = (ROOT / "pyproject.toml").read_bytes()
    return {"pyproject": hashlib.sha256(text).hexdigest(), "python": sys.version, "base": sys.base_prefix}


def is_current(extras: tuple[str, ...]) -> bool:
    """Say whether `.venv` was made from this pyproject.toml by this Python, with at least these extras."""
    try:
        stamp = json.loads(STAMP.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    fits = all(stamp.get(key) == value for key, value in fingerprint().items())
    return fits and set(extras) <= set(stamp.get("extras", [])) and venv_python().is_file()


def venv_python() -> Path:
    """Return the interpreter inside `.venv`."""
    return VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def build(extras: tuple[str, ...]) -> None:
    """Make `.venv`, install the checkout into it, editable, with the extras, and compile what would make a visitor wait."""
    print(f"Preparing {VENV} (once; this takes a few minutes) ...", file=sys.stderr, flush=True)
    inside = Path(sys.prefix).resolve() == VENV.resolve()
    if not inside:
        _run([sys.executable, "-m", "venv", "--clear", str(VENV)], _venv_failed)
    target = f"{ROOT}[{','.join(extras)}]" if extras else str(ROOT)
    pip = [str(venv_python()), "-m", "pip", "install", "--disable-pip-version-check", "--quiet", "--editable", target]
    _run(pip, _pip_failed)
    _run(
        [str(venv_python()), "-c", COMPILE],
        lambda lines: f"The engine's cycle could not be compiled: {' '.join(lines)}",
    )
    STAMP.write_text(json.dumps({**fingerprint(), "extras": sorted(extras)}), encoding="utf-8")


def run_inside(module: str, argv: list[str]) -> None:
    """Replace this process by the same command in `.venv`; where that is impossible, run it and pass its exit code."""
    command = [str(venv_python()), "-m", module, *argv]
    environment = {**os.environ, MARK: "1"}
    if module == "tests":
        environment["PYTHONPATH"] = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH", "")]))
    if os.name == "nt":
        raise SystemExit(subprocess.run(command, env=environment, check=False).returncode)
    sys.stdout.flush()
    os.execve(command[0], command, environment)


def _run(command: list[str], explain) -> None:
    """Run a command quietly; on failure raise the sentence that explains its last lines."""
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False)
    if done.returncode != 0:
        raise BootstrapError(explain(done.stdout.strip().splitlines()[-6:]))


def _venv_failed(lines: list[str]) -> str:
    """Say why `.venv` could not be made."""
    if any("ensurepip" in line or "No module named venv" in line for line in lines):
        version = f"{sys.version_info.major}.{sys.version_info.minor}"
        return f"This Python has no working venv module: install it (on Debian: apt install python{version}-venv)."
    return f"{VENV} could not be made: {' '.join(lines)}"


def _pip_failed(lines: list[str]) -> str:
    """Say that pip failed, with its own last lines."""
    return "pip could not install the packages; its last lines were:\n  " + "\n  ".join(lines)
