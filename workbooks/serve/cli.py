"""From the command line to a checked set of options, or to one sentence that says what is wrong."""

from __future__ import annotations

import argparse
import socket
from pathlib import Path

from jupyter_server.auth import passwd

from workbooks.serve.config import DEFAULT_HOST, DEFAULT_PORT, PACKAGE_DIR, Options, is_loopback


class UsageError(Exception):
    """What was asked for cannot be done; the text is for the person who asked."""


def options_from(args: argparse.Namespace) -> Options:
    """Check the arguments of the start command.

    Parameters
    ----------
    args : argparse.Namespace
        With `port`, `host`, `no_browser`, `password_file`, `notebooks`, `no_preheat` and the culling times.

    Returns
    -------
    Options
        With a port that is free at this moment.

    Raises
    ------
    UsageError
        A port in use, a host that is not this machine's, a password file that is missing or empty, an open host
        without a password.
    """
    host = args.host or DEFAULT_HOST
    hashed = hashed_password(args.password_file) if args.password_file else ""
    if not is_loopback(host) and not hashed:
        raise UsageError(
            f"--host {host} lets other machines in: give --password-file as well, a file whose one line is the password."
        )
    folder = Path(args.notebooks).resolve() if args.notebooks else PACKAGE_DIR
    if not folder.is_dir():
        raise UsageError(f"There is no folder {args.notebooks} with workbooks.")
    return Options(
        port=free_port(host, args.port),
        host=host,
        notebook_dir=folder,
        hashed_password=hashed,
        preheat=not args.no_preheat,
        open_browser=not args.no_browser,
        cull_idle_seconds=args.cull_idle,
        cull_interval_seconds=args.cull_interval,
    )


def hashed_password(path: str) -> str:
    """Return the hash of the password in a file.

    Parameters
    ----------
    path : str
        A file of one line: the password, or a hash of it that starts with `argon2:`.

    Returns
    -------
    str
        What the login page compares with.
    """
    try:
        text = Path(path).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"The password file {path} cannot be read: {_reason(error)}.") from error
    if not text:
        raise UsageError(f"The password file {path} is empty: write the password into its first line.")
    if "\n" in text:
        raise UsageError(f"The password file {path} has more than one line: it must hold the password alone.")
    return text if text.startswith("argon2:") else passwd(text)


def free_port(host: str, wanted: int | None) -> int:
    """Return a port that can be listened on.

    Parameters
    ----------
    host : str
        Address to listen on.
    wanted : int, optional
        The port asked for; None tries the usual one and then any that is free; 0 takes any.

    Returns
    -------
    int
        A port that was free a moment ago.
    """
    if wanted is None:
        try:
            return _bind(host, DEFAULT_PORT)
        except OSError:
            wanted = 0
    if not 0 <= wanted <= 65535:
        raise UsageError(f"--port {wanted} is not a port: give a number from 0 (any free one) to 65535.")
    try:
        return _bind(host, wanted)
    except socket.gaierror as error:
        raise UsageError(f"--host {host} is not a name or address of this machine.") from error
    except OSError as error:
        raise UsageError(f"Port {wanted} on {host} cannot be used: {_reason(error)}. Choose another --port.") from error


def _bind(host: str, port: int) -> int:
    """Bind a port for a moment and return its number."""
    family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    with socket.socket(family, kind, protocol) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        probe.bind(address)
        return probe.getsockname()[1]


def _reason(error: Exception) -> str:
    """Return the system's few words about an error."""
    return (getattr(error, "strerror", None) or "it is not text").lower()
