"""A frame that promises more than it holds costs its sender the connection, and nobody anything else."""

import threading
import time

import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from tests.serving_tools import PROTOCOL, RunningServer, frame
from workbooks.serve.memory_guard import MAX_OFFSETS, MalformedFrame, check_frame

MIB = 1024 * 1024
ADDRESS_SPACE = 3 * 1024 * MIB

ABSURD = {
    "count of 2**40": (2**40).to_bytes(8, "little") + bytes(64),
    "count of 2**63": (2**63).to_bytes(8, "little") + bytes(64),
    "count of 0": bytes(80),
    "count beyond the frame": (4000).to_bytes(8, "little") + bytes(64),
    "offset beyond the frame": (3).to_bytes(8, "little") + (2**50).to_bytes(8, "little") * 3,
    "text": "{}",
    "empty": b"",
    "not a message": (3).to_bytes(8, "little") + b"".join(n.to_bytes(8, "little") for n in (32, 37, 39)) + b"shell{}",
}


@pytest.fixture(scope="module")
def limited(pages, tmp_path_factory):
    """Return a server that cannot take the machine down with it."""
    with RunningServer(
        pages, tmp_path_factory.mktemp("limited"), "--no-preheat", address_space=ADDRESS_SPACE
    ) as server:
        yield server


@pytest.fixture(scope="module")
def kernel_id(limited):
    """Return the kernel of a page opened there."""
    return limited.open_page()[1]


def _peak_while(server, action, seconds=2.0):
    """Return by how much the server's resident memory rose during and after an action [bytes]."""
    process = psutil.Process(server.process.pid)
    start = process.memory_info().rss
    thread = threading.Thread(target=action, daemon=True)
    thread.start()
    end, peak = time.monotonic() + seconds, start
    while thread.is_alive() or time.monotonic() < end:
        peak = max(peak, process.memory_info().rss)
        time.sleep(0.02)
        assert time.monotonic() < end + 20
    return peak - start


def test_absurd_frames_cost_only_their_sender(limited, kernel_id):
    """Every kind closes its own connection; memory stays flat, another page and the first kernel go on."""
    outcomes = {}

    def attack():
        for name, message in ABSURD.items():
            outcomes[name] = "open"
            with connect(limited.channels(kernel_id), subprotocols=[PROTOCOL], max_size=None, proxy=None) as page:
                page.send(message)
                try:
                    while True:
                        page.recv(timeout=4)
                except ConnectionClosed:
                    outcomes[name] = "closed"
                except TimeoutError:
                    pass

    risen = _peak_while(limited, attack)
    assert outcomes == dict.fromkeys(ABSURD, "closed")
    assert risen < 60 * MIB
    assert limited.get("/", timeout=3)[0] == 200
    with connect(limited.channels(kernel_id), subprotocols=[PROTOCOL], max_size=None, proxy=None) as page:
        page.send(frame("shell", "kernel_info_request", {}))
        while b"kernel_info_reply" not in page.recv(timeout=10):
            pass


@pytest.mark.parametrize("protocols", [None, ["something.else"]])
def test_client_without_the_protocol_is_refused(limited, kernel_id, protocols):
    """The legacy protocol, whose binary frames are read by the wrong parser, is not spoken."""
    with pytest.raises(InvalidStatus, match="400"):
        connect(limited.channels(kernel_id), subprotocols=protocols, proxy=None)
    assert limited.get("/", timeout=3)[0] == 200


def test_well_formed_frame_passes():
    """The guard lets through what a page sends."""
    check_frame(frame("shell", "comm_msg", {"comm_id": "a", "data": {}}))


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(data):
    """Whatever passes the guard has offsets in order and inside the frame."""
    try:
        check_frame(data)
    except MalformedFrame:
        return
    count = int.from_bytes(data[:8], "little")
    offsets = [int.from_bytes(data[8 * i : 8 * i + 8], "little") for i in range(1, count + 1)]
    assert count <= MAX_OFFSETS
    assert [8 * (count + 1), *offsets, len(data)] == sorted([8 * (count + 1), *offsets, len(data)])


@pytest.mark.parametrize("message", [m for m in ABSURD.values() if m != ABSURD["not a message"]])
def test_guard_refuses(message):
    """Each absurd frame is refused by the guard itself, in no time."""
    with pytest.raises(MalformedFrame):
        check_frame(message)
