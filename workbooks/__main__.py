"""The start command: `python -m workbooks`, or `nitrous-workbook` once the package is installed."""

from __future__ import annotations

import argparse
import sys

from workbooks import bootstrap

EXIT_USAGE = 2


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one sentence."""

    def error(self, message: str) -> None:
        """Print the sentence and leave with 2."""
        self.exit(EXIT_USAGE, f"{self.prog}: {message}. See --help.\n")


def parse(argv: list[str]) -> argparse.Namespace:
    """Return the arguments of the start command."""
    parser = _Parser(prog="python -m workbooks", description="Show the workbooks, read-only, in the browser.")
    parser.add_argument("--port", type=int, help="port to listen on (default: 8866, or a free one if that is taken)")
    parser.add_argument("--host", help="address to listen on (default: this machine only)")
    parser.add_argument("--no-browser", action="store_true", help="do not open the browser")
    parser.add_argument("--password-file", help="file whose one line is the password that readers must give")
    parser.add_argument("--notebooks", help=argparse.SUPPRESS)
    parser.add_argument("--no-preheat", action="store_true", help="start kernels only when a page is opened")
    parser.add_argument("--cull-idle", type=int, default=30 * 60, help=argparse.SUPPRESS)
    parser.add_argument("--cull-interval", type=int, default=60, help=argparse.SUPPRESS)
    return parser.parse_args(argv)


def main(argv: list[str] | None = None) -> int:
    """Start the pages and keep them until Ctrl-C.

    Parameters
    ----------
    argv : list of str, optional
        Arguments after the command; those of the process if left out.

    Returns
    -------
    int
        0, or 2 with one sentence on what is wrong.
    """
    argv = sys.argv[1:] if argv is None else argv
    args = parse(argv)
    try:
        bootstrap.ensure("workbooks", argv)
    except bootstrap.BootstrapError as error:
        print(error, file=sys.stderr)
        return EXIT_USAGE
    from workbooks.serve import app, cli

    try:
        app.serve(cli.options_from(args))
    except (cli.UsageError, OSError) as error:
        print(error, file=sys.stderr)
        return EXIT_USAGE
    return 0


if __name__ == "__main__":
    sys.exit(main())
