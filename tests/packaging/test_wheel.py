"""What is built is what runs: the wheel, installed elsewhere, serves the pages from another working directory."""

import os
import shutil
import subprocess
import sys
import sysconfig
import venv
import zipfile

import pytest

from tests.serving_tools import ROOT, RunningServer


@pytest.fixture(scope="session")
def wheel(tmp_path_factory):
    """Return the wheel built from the checkout's tracked and new files."""
    source, out = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("dist")
    for name in ("pyproject.toml", "README.md"):
        if (ROOT / name).is_file():
            shutil.copy(ROOT / name, source)
    for name in ("kernel_lib", "workbooks", "data"):
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__", ".ipynb_checkpoints"))
    if not (source / "README.md").is_file():
        (source / "README.md").write_text("none yet", encoding="utf-8")
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(source)]
    done = subprocess.run(build, capture_output=True, text=True, check=False, env={**os.environ, "PYTHONWARNINGS": ""})
    assert done.returncode == 0, done.stdout + done.stderr
    return next(out.glob("*.whl"))


@pytest.fixture(scope="session")
def elsewhere(wheel, tmp_path_factory):
    """Return the folder of an environment with the wheel in it and this environment's dependencies."""
    home = tmp_path_factory.mktemp("elsewhere")
    venv.create(home, with_pip=False, symlinks=True)
    site = home / "lib" / f"python{sys.version_info.major}.{sys.version_info.minor}" / "site-packages"
    # An editable install of the checkout must not win over the wheel: its files come first on the path.
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    install = [
        sys.executable,
        "-m",
        "pip",
        "install",
        "--quiet",
        "--no-deps",
        "--no-index",
        "--target",
        str(site),
        str(wheel),
    ]
    done = subprocess.run(install, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return home


def test_wheel_holds_what_the_pages_need(wheel):
    """Template, styles, scripts and data are inside; tests and the environment are not."""
    names = set(zipfile.ZipFile(wheel).namelist())
    template = "workbooks/share/jupyter/voila/templates/handbook/"
    for wanted in ("conf.json", "index.html.j2", "landing.html", "static/handbook.css", "static/handbook.js"):
        assert template + wanted in names
    for tracked in (ROOT / "workbooks").glob("*.ipynb"):
        assert f"workbooks/{tracked.name}" in names
    assert not [name for name in names if name.startswith(("tests/", ".venv"))]


def test_pages_start_from_the_wheel(elsewhere, tmp_path):
    """The landing page and, where there is one, the first workbook come out of the installed package."""
    python = elsewhere / "bin" / "python"
    share = sysconfig.get_path("data") + "/share/jupyter"
    environment = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "PYTHONWARNINGS")}
    environment["JUPYTER_PATH"] = share
    where = "import workbooks, kernel_lib; print(workbooks.__file__, kernel_lib.__file__)"
    found = subprocess.run(
        [python, "-c", where], env=environment, cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert found.stdout.count(str(elsewhere)) == 2
    command = [str(python), "-m", "workbooks"]
    with RunningServer(None, tmp_path, "--no-preheat", command=command, env=environment) as server:
        assert "Before anyone touches the bottle" in server.get("/")[2]
        assert "--nw-accent" in server.get("/voila/templates/handbook/static/handbook.css")[2]
        for book in sorted((ROOT / "workbooks").glob("*.ipynb"))[:1]:
            text, _ = server.open_page(book.name)
            assert "The numbers of this part are missing" not in text
            assert len(text) > 5000
