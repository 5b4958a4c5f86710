"""The first start makes the environment once, knows when it is out of date, and says in a sentence what went wrong."""

import json
import subprocess
import sys

import pytest

from workbooks import bootstrap


@pytest.fixture
def checkout(tmp_path, monkeypatch):
    """Return a checkout of its own for the bootstrap to work in."""
    text = '[project]\nname = "x"\ndependencies = ["nowhere-to-be-found>=1"]\n[project.optional-dependencies]\ntest = ["pytest"]\n'
    (tmp_path / "pyproject.toml").write_text(text, encoding="utf-8")
    monkeypatch.setattr(bootstrap, "ROOT", tmp_path)
    monkeypatch.setattr(bootstrap, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(bootstrap, "STAMP", tmp_path / ".venv" / "stamp.json")
    monkeypatch.delenv(bootstrap.MARK, raising=False)
    return tmp_path


@pytest.fixture
def commands(monkeypatch, checkout):
    """Return the list of commands that would have been run; making a venv only makes its interpreter's file."""
    seen = []
    assert checkout == bootstrap.ROOT

    def _run(command, **_):
        seen.append(command[1:4])
        bootstrap.venv_python().parent.mkdir(parents=True, exist_ok=True)
        bootstrap.venv_python().touch()
        return subprocess.CompletedProcess(command, 0, stdout="")

    monkeypatch.setattr(bootstrap.subprocess, "run", _run)
    monkeypatch.setattr(bootstrap.os, "execve", lambda *arguments: seen.append(arguments[1][1:]))
    return seen


def test_nothing_is_made_where_everything_is_there(monkeypatch):
    """In an environment with the dependencies the command simply goes on."""
    monkeypatch.setattr(bootstrap, "build", lambda *_: pytest.fail("made an environment"))
    monkeypatch.setattr(bootstrap, "run_inside", lambda *_: pytest.fail("left this environment"))
    bootstrap.ensure("workbooks", [], extras=("test",))


def test_environment_is_made_once(commands):
    """The first start makes it and goes on inside; the second only goes on inside."""
    bootstrap.ensure("workbooks", ["--port", "1"])
    made = [["-m", "venv", "--clear"], ["-m", "pip", "install"], ["-c", bootstrap.COMPILE]]
    assert commands == [*made, ["-m", "workbooks", "--port", "1"]]
    del commands[:]
    bootstrap.ensure("workbooks", [])
    assert commands == [["-m", "workbooks"]]


@pytest.mark.usefixtures("commands")
def test_environment_follows_the_metadata(checkout):
    """More extras, changed dependencies or another Python make it again; fewer extras do not."""
    bootstrap.ensure("tests", [], extras=("test",))
    assert bootstrap.is_current(())
    assert bootstrap.is_current(("test",))
    stamp = json.loads(bootstrap.STAMP.read_text(encoding="utf-8"))
    bootstrap.STAMP.write_text(json.dumps({**stamp, "extras": []}), encoding="utf-8")
    assert not bootstrap.is_current(("test",))
    bootstrap.STAMP.write_text(json.dumps({**stamp, "python": "3.11 of another machine"}), encoding="utf-8")
    assert not bootstrap.is_current(())
    bootstrap.STAMP.write_text(json.dumps(stamp), encoding="utf-8")
    with (checkout / "pyproject.toml").open("a", encoding="utf-8") as file:
        file.write("# changed\n")
    assert not bootstrap.is_current(())


def test_old_python_is_refused(monkeypatch):
    """The sentence names both versions."""
    monkeypatch.setattr(sys, "version_info", (3, 10, 2))
    with pytest.raises(bootstrap.BootstrapError, match=r"3\.11 or newer is needed, this is 3\.10\.2"):
        bootstrap.ensure("workbooks", [])


@pytest.mark.parametrize(
    ("output", "sentence"),
    [
        ("The virtual environment was not created because ensurepip is not available.", "no working venv module"),
        ("No space left on device", "could not be made: No space left on device"),
    ],
)
def test_venv_failure_is_explained(checkout, monkeypatch, output, sentence):
    """Without the venv module the sentence says what to install."""
    monkeypatch.setattr(bootstrap.subprocess, "run", lambda c, **_: subprocess.CompletedProcess(c, 1, stdout=output))
    with pytest.raises(bootstrap.BootstrapError, match=sentence):
        bootstrap.ensure("workbooks", [])
    assert not (checkout / ".venv" / "stamp.json").exists()


def test_pip_failure_shows_its_last_lines(checkout, monkeypatch):
    """The reason is in the message, and no stamp claims that all is well."""
    (checkout / ".venv" / "bin").mkdir(parents=True)
    outcomes = iter([(0, ""), (1, "long ago\n" * 20 + "ERROR: no matching distribution")])

    def _run(command, **_):
        code, text = next(outcomes)
        return subprocess.CompletedProcess(command, code, stdout=text)

    monkeypatch.setattr(bootstrap.subprocess, "run", _run)
    with pytest.raises(bootstrap.BootstrapError, match=r"pip could not install(.|\n)*no matching distribution"):
        bootstrap.ensure("workbooks", [])
    assert not bootstrap.STAMP.exists()


def test_no_circle(checkout, monkeypatch):
    """If the new environment still lacks something the start ends, and says what."""
    monkeypatch.setenv(bootstrap.MARK, "1")
    with pytest.raises(bootstrap.BootstrapError, match="nowhere-to-be-found"):
        bootstrap.ensure("workbooks", [])
    assert checkout.is_dir()


def test_requirement_in_the_wrong_version_is_missing():
    """A package that is there but too old counts as missing."""
    assert bootstrap.missing(["pytest>=1", "pytest>=999", "nowhere-to-be-found"]) == [
        "pytest>=999",
        "nowhere-to-be-found",
    ]
