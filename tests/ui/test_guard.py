"""The guard round callbacks: what it says, what it keeps to itself."""

import io
import logging

import pytest

from kernel_lib import InputError
from workbooks.ui import guard


@pytest.fixture
def journal():
    """Return what the log writes."""
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    guard.log.addHandler(handler)
    yield stream
    guard.log.removeHandler(handler)


def _run(callback):
    said = []
    guard.guarded(said.append)(callback)()
    return said


def test_refusal_is_said_in_its_own_words(journal):
    """A value that does not fit is the visitor's matter, not the log's."""
    refusal = InputError("boost", 3.0, "bar", "up to 2 bar", "It bursts.")

    def refuse():
        raise refusal

    assert _run(refuse) == [str(refusal)]
    assert _run(refuse) == ["boost is 3 bar; allowed: up to 2 bar. It bursts."]
    assert journal.getvalue() == ""


@pytest.mark.parametrize(
    "fault", [ValueError("secret place"), ZeroDivisionError("secret place"), KeyError("secret place")]
)
def test_fault_of_ours_is_logged_and_not_shown(journal, capsys, fault):
    """The visitor learns that nothing was computed; the traceback goes to the log alone."""

    def fail():
        raise fault

    said = _run(fail)
    assert said == [guard.NOTHING]
    assert "secret" not in said[0]
    assert "Traceback" not in said[0]
    assert "Nothing was computed" in said[0]
    assert "secret place" in journal.getvalue()
    assert "Traceback" in journal.getvalue()
    shown = capsys.readouterr()
    assert (shown.out, shown.err) == ("", "")


def test_success_clears_and_passes_arguments():
    """The empty sentence takes an older one away."""
    said, got = [], []

    @guard.guarded(said.append)
    def take(first, *, second):
        got.append((first, second))

    take(1, second=2)
    assert got == [(1, 2)]
    assert said == [""]
    assert take.__name__ == "take"


def test_stop_of_the_kernel_is_not_swallowed():
    """An interrupt is no fault of the page."""

    def interrupted():
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        _run(interrupted)
