"""The same without a screen: ``python -m kernel_lib plan BUILD.toml --out DIR``, ``python -m kernel_lib review LOG.csv --build BUILD.toml --out DIR``."""

from __future__ import annotations

import argparse
import functools
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from . import BuildSheet, InputError, plan_shot
from .plan.tune import tune_of

if TYPE_CHECKING:
    from .logs.log import Log
    from .logs.mapping import Mapping
    from .logs.review import Review


class _Parser(argparse.ArgumentParser):
    def error(self, message: str):  # one sentence, exit code 2
        self.exit(2, f"{message[0].upper()}{message[1:]}.\n")


def main(argv: list[str] | None = None) -> int:
    """Run a command; return 0, or 2 after one clear sentence on standard error."""
    args = _parser().parse_args(argv)
    try:
        return _plan(args) if args.command == "plan" else _review(args)
    except InputError as exc:
        print(exc, file=sys.stderr)
        return 2


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="python -m kernel_lib", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    plan = commands.add_parser(
        "plan", help="plan a build sheet: writes plan.csv, tune_sheet.html, plan.html, tables.csv, brief.html"
    )
    plan.add_argument("build", help="build sheet (TOML)")
    plan.add_argument("--out", required=True, help="folder to write into")
    review = commands.add_parser(
        "review",
        help="judge a log of a pull: writes review.json, review.html, and mapping.toml (mapping_base.toml) where something is asked",
    )
    review.add_argument("log", help="log (CSV in any shape, or MDF 4)")
    review.add_argument("--build", required=True, help="build sheet of the car, as it was on that day (TOML)")
    review.add_argument("--out", required=True, help="folder to write into")
    review.add_argument("--base", help="a log of the same car without nitrous")
    review.add_argument("--mapping", help="which column is which (TOML), as the page writes it")
    review.add_argument("--base-mapping", help="the same for the base log; without it that of the log is tried")
    review.add_argument(
        "--part",
        type=_part,
        help="part of the planned flow that the fitted nozzle passes, 0.5 for half; only where the valve is not pulsed",
    )
    review.add_argument(
        "--earlier",
        action="append",
        default=[],
        metavar="LOG",
        help="log of a pull before this one, the oldest first, once for each: its clean pulls count for the ladder, and the review shows them side by side",
    )
    review.add_argument("--metric", action="store_true", help="kPa, kg and degrees Celsius in the sentences")
    return parser


def _part(text: str) -> float:
    try:
        part = float(text)
    except ValueError:
        part = 0.0
    if not 0 < part <= 1:
        raise argparse.ArgumentTypeError(
            f"{text[:40]!r} is no part of the planned flow; give a number over 0 up to 1, 0.5 for half"
        )
    return part


def _plan(args: argparse.Namespace) -> int:
    from .sheets.write import write_plan

    sheet = BuildSheet.load(args.build)
    result, tune = plan_shot(sheet), tune_of(sheet)
    for path in write_plan(result, tune, args.out):
        print(path)
    for text in tune.blockers:
        print(f"Do not spray yet. {text}")
    return 0


def _review(args: argparse.Namespace) -> int:
    from .logs.channels import VITAL
    from .logs.history import history
    from .logs.mapping import Mapping, apply, propose
    from .logs.read import read_log
    from .logs.review import review
    from .sheets.write import write_review, write_text

    sheet = BuildSheet.load(args.build)
    known = Mapping.from_toml(_text(args.mapping)) if args.mapping else None
    raw = read_log(args.log)
    mapping = propose(raw, sheet, known)
    if mapping.questions:  # to be answered in this file, and given back with --mapping
        print(write_text(args.out, "mapping.toml", mapping.draft_toml()))
    log = apply(raw, mapping, sheet)
    base, asked = _base(args, sheet, mapping) if args.base else (None, [])
    judge = functools.partial(review, sheet=sheet, metric=args.metric, base=base, part=args.part)
    earlier = []
    for path in args.earlier:
        other, own = _other(path, sheet, known, "earlier log")
        asked += [f"Earlier log '{other.name}': {text}" for text in _told_first(own, other)]
        if any(key in own.asked for key in VITAL):
            asked.append(
                f"Earlier log '{other.name}' is left out, and what came before it: what is asked of it decides."
            )
            earlier = []
        else:
            earlier.append(judge(other, mapping=own, earlier=tuple(earlier)))
    found = judge(log, mapping=mapping, earlier=tuple(earlier))
    for path in write_review(found, args.out, history([*earlier, found]) if earlier else None):
        print(path)
    for text in (*_told_first(mapping, log), *asked):
        print(text)
    print(found.headline)
    return 0


def _base(args: argparse.Namespace, sheet: BuildSheet, mapping: Mapping) -> tuple[Review, list[str]]:
    """Read and judge the base log by its own mapping, or by that of the log; what is asked of it stands in a file of its own."""
    from .logs.mapping import Mapping
    from .logs.review import review

    known = Mapping.from_toml(_text(args.base_mapping, "--base-mapping")) if args.base_mapping else mapping
    log, own = _other(args.base, sheet, known, "base log", args.out)
    told = [f"Base log: {text}" for text in _told_first(own, log)]
    return review(log, sheet, mapping=own, metric=args.metric), told


def _other(path: str, sheet: BuildSheet, known: Mapping | None, what: str, out=None) -> tuple[Log, Mapping]:
    """Read a further log; what is refused names it."""
    from .logs.mapping import apply, propose
    from .logs.read import clean_name, read_log
    from .sheets.write import write_text

    try:
        raw = read_log(path)
        own = propose(raw, sheet, known)
        if out is not None and own.questions:  # to be answered in this file, and given back with --base-mapping
            print(write_text(out, "mapping_base.toml", own.draft_toml()))
        return apply(raw, own, sheet), own
    except InputError as exc:
        raise InputError(
            f"{what} '{clean_name(path)}': {exc.field}", exc.value, exc.unit, exc.allowed, exc.reason
        ) from exc


def _told_first(mapping: Mapping, log: Log) -> list[str]:
    """What has to be read before the verdict: open questions, and what was left out until somebody confirms it."""
    from .logs.clock import UNCONFIRMED

    asked = [f"Asked: {text}" for text in mapping.questions]
    left = [text for text in log.notes if UNCONFIRMED in text and not any(q in text for q in mapping.questions)]
    return asked + left


def _text(path: str, option: str = "--mapping") -> str:
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except OSError as exc:
        raise InputError(option, path, "", "a file that can be read", f"{exc.strerror or exc}.") from exc
    except UnicodeDecodeError as exc:
        raise InputError(option, path, "", "a file of text", "It is no UTF-8 text.") from exc


if __name__ == "__main__":
    sys.exit(main())
