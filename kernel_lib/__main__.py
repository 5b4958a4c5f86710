"""The same without a screen: ``python -m kernel_lib plan BUILD.toml --out DIR``."""

from __future__ import annotations

import argparse
import sys

from . import BuildSheet, InputError, plan_shot
from .plan.tune import tune_of
from .sheets.write import write_plan


class _Parser(argparse.ArgumentParser):
    def error(self, message: str):  # one sentence, exit code 2
        self.exit(2, f"{message[0].upper()}{message[1:]}.\n")


def main(argv: list[str] | None = None) -> int:
    """Run a command; return 0, or 2 after one clear sentence on standard error."""
    parser = _Parser(prog="python -m kernel_lib", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    plan = commands.add_parser(
        "plan", help="plan a build sheet: writes plan.csv, tune_sheet.html, plan.html, tables.csv, brief.html"
    )
    plan.add_argument("build", help="build sheet (TOML)")
    plan.add_argument("--out", required=True, help="folder to write into")
    args = parser.parse_args(argv)
    try:
        sheet = BuildSheet.load(args.build)
        result = plan_shot(sheet)
        tune = tune_of(sheet)
        for path in write_plan(result, tune, args.out):
            print(path)
    except InputError as exc:
        print(exc, file=sys.stderr)
        return 2
    for text in tune.blockers:
        print(f"Do not spray yet. {text}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
