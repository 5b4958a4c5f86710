"""A kernel lives as long as its reader: it is freed by the closing page, else by culling, and its death is told."""

import os
import signal
import time

import psutil

from tests.serving_tools import RunningServer


def test_closing_page_may_stop_its_kernel(server):
    """The page got the cookie that its shutdown beacon needs; without the cookie the beacon is refused."""
    _, kernel_id = server.open_page()
    token = server.cookie("_xsrf")
    assert token
    assert server.get(f"/voila/api/shutdown/{kernel_id}", data=b"")[0] == 403
    assert server.is_alive(kernel_id)
    assert server.get(f"/voila/api/shutdown/{kernel_id}", data=b"", headers={"X-XSRFToken": token})[0] == 204
    assert not server.is_alive(kernel_id)


def test_page_sets_the_cookie_itself(server):
    """A reader who never saw the landing page has the cookie too."""
    server._cookies.clear()
    server.open_page()
    assert server.cookie("_xsrf")


def test_abandoned_kernel_is_culled(pages, tmp_path):
    """A kernel without a connection is stopped after the idle time; the waiting ones of the pool are kept."""
    with RunningServer(pages, tmp_path, "--cull-idle", "2", "--cull-interval", "1") as server:
        time.sleep(4)
        text, kernel_id = server.open_page()
        assert "query: units=us" in text
        assert server.is_alive(kernel_id)
        assert server.wait_until_gone(kernel_id, 12)


def test_dead_kernel_is_reported_not_restarted(server):
    """A killed kernel stays dead, so that its page can say so."""
    _, kernel_id = server.open_page()
    os.kill(_kernel_pid(server, kernel_id), signal.SIGKILL)
    assert server.wait_until_gone(kernel_id, 5)
    time.sleep(4)
    assert not server.is_alive(kernel_id)


def test_preheated_readers(pages, tmp_path):
    """Each reader of a preheated page sees their own query in a kernel of their own, even after the pool died."""
    with RunningServer(pages, tmp_path) as server:
        time.sleep(4)
        seen = [server.open_page(query=f"units=us&reader={number}") for number in range(2)]
        for member in psutil.Process(server.process.pid).children():
            member.kill()
        time.sleep(0.5)
        seen.append(server.open_page(query="units=us&reader=2"))
        assert server.is_alive(seen[-1][1])
    for number, (text, _) in enumerate(seen):
        assert f"reader={number}" in text.split("query: units=us")[1][:30]
    assert len({kernel_id for _, kernel_id in seen}) == 3


def _kernel_pid(server, kernel_id):
    """Return the process of a kernel, known by its connection file."""
    for member in psutil.Process(server.process.pid).children(recursive=True):
        if any(kernel_id in argument for argument in member.cmdline()):
            return member.pid
    raise AssertionError("no such kernel process")
