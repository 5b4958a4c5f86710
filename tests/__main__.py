"""Run everything: `python3 -m tests`. Makes the environment first where there is none, then calls pytest part by part."""

from __future__ import annotations

import os
import subprocess
import sys

from workbooks import bootstrap

NO_TESTS = 5

#: For the kernels that run the notebooks: pytest's own filter does not reach them. Deprecations inside other
#: people's packages are left to those packages.
KERNEL_WARNINGS = ",".join(
    ["error", "default::DeprecationWarning", "default::PendingDeprecationWarning", "default::ImportWarning"]
)

#: Name, marker and options of each run of pytest. The browser tests keep an event loop for their whole run, on which later
#: `asyncio.run` calls would fail; what measures time or waits for a server has the machine to itself.
PARTS = {
    "what can run side by side": ("not browser and not alone", ["-n", "2", "--dist", "loadfile"]),
    "what runs alone": ("alone and not browser", []),
    "the pages in a browser": ("browser", []),
}


def main(argv: list[str]) -> int:
    """Run the tests.

    Parameters
    ----------
    argv : list of str
        Passed on to pytest, for example `-k name` or a path.

    Returns
    -------
    int
        0 if every part passed; the exit code of the first that did not.
    """
    try:
        bootstrap.ensure("tests", argv, extras=("test",))
    except bootstrap.BootstrapError as error:
        print(error, file=sys.stderr)
        return 2
    codes = []
    for name, (marker, options) in PARTS.items():
        print(f"\n--- {name} ---", flush=True)
        codes.append(_pytest(marker, [*options, *argv]))
    if argv and any(code != NO_TESTS for code in codes):
        codes = [code for code in codes if code != NO_TESTS]
    return next((code for code in codes if code != 0), 0)


def _pytest(marker: str, argv: list[str]) -> int:
    """Run pytest in a process of its own and return its exit code."""
    places = [] if any(os.path.exists(argument.split("::")[0]) for argument in argv) else ["tests", "workbooks"]
    command = [sys.executable, "-m", "pytest", "-m", marker, *argv, *places]
    environment = {**os.environ, "PYTHONWARNINGS": os.environ.get("PYTHONWARNINGS", KERNEL_WARNINGS)}
    return subprocess.run(command, cwd=bootstrap.ROOT, env=environment, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
