"""One guard round every callback: our own refusals become a sentence, anything else is logged and said plainly."""

from __future__ import annotations

import functools
import logging
import sys
from collections.abc import Callable

from kernel_lib import InputError

log = logging.getLogger("workbooks")
if not log.handlers:  # a kernel's sys.stderr goes to the visitor's page; the real one goes to the server's log
    log.addHandler(logging.StreamHandler(sys.__stderr__))
    log.propagate = False

NOTHING = (
    "Nothing was computed: the page met a fault of its own. The last good result stays; reload the page if it stays so."
)


def guarded(say: Callable[[str], None], tell: Callable[[InputError], str] = str) -> Callable[[Callable], Callable]:
    """Return a decorator that runs a callback and tells its refusal through `say`; ``""`` where all went well.

    Parameters
    ----------
    say : callable
        Takes one sentence, as plain text.
    tell : callable
        Turns a refusal into that sentence.
    """

    def decorate(callback: Callable) -> Callable:
        @functools.wraps(callback)
        def run(*args, **kwargs) -> None:
            try:
                callback(*args, **kwargs)
            except InputError as exc:
                say(tell(exc))
            except Exception:
                log.exception("callback %s failed", callback.__qualname__)
                say(NOTHING)
            else:
                say("")

        return run

    return decorate
