"""Nobody can run code, read a file or see the inside of the server."""

import re
import socket
import time

import psutil
import pytest
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

from tests.serving_tools import PROTOCOL, ROOT, SECRET, frame


@pytest.mark.parametrize("channel", ["shell", "control"])
@pytest.mark.parametrize("msg_type", ["execute_request", "inspect_request", "complete_request", "history_request"])
def test_no_request_runs_or_reads_code(server, opened, tmp_path, channel, msg_type):
    """The request is dropped; one that is allowed, sent after it, is answered."""
    _, kernel_id = opened
    marker = tmp_path / "marker"
    code = {"code": f"open({str(marker)!r}, 'w').close()", "silent": False, "store_history": False, "cursor_pos": 1}
    replies = []
    with connect(server.channels(kernel_id), subprotocols=[PROTOCOL], max_size=None, proxy=None) as page:
        page.send(frame(channel, msg_type, code))
        page.send(frame(channel, "kernel_info_request", {}))
        while not any(b"kernel_info_reply" in reply for reply in replies):
            replies.append(page.recv(timeout=10))
        time.sleep(0.3)
    assert not marker.exists()
    answered = msg_type.replace("request", "reply").encode()
    assert not any(b'"' + answered + b'"' in reply for reply in replies)


@pytest.mark.parametrize(
    "path",
    [
        "/voila/files/probe.ipynb",
        "/voila/files/notes.txt",
        "/voila/files/../pyproject.toml",
        "/voila/render/notes.txt?units=us",
        "/voila/render/below/hidden.ipynb?units=us",
        "/voila/render/..%2f..%2fetc%2fpasswd?units=us",
        "/voila/render/../probe.ipynb/?units=us",
        "/voila/static/../conf.json",
        "/voila/static/..%2f..%2f..%2f..%2fetc%2fpasswd",
        "/voila/templates/handbook/static/../index.html.j2",
        "/voila/templates/handbook/static/..%2findex.html.j2",
        "/voila/templates/handbook/conf.json",
        "/voila/api/contents/",
        "/voila/api/contents/probe.ipynb",
        "/api/contents/probe.ipynb",
        "/api/kernels",
        "/files/probe.ipynb",
        "/nbconvert/html/probe.ipynb",
        "/terminals/websocket/1",
        "/probe.ipynb",
    ],
)
def test_no_file_is_readable(server, path):
    """Neither a notebook's source nor any other file comes out; nothing is listed."""
    with socket.create_connection(("127.0.0.1", server.port), 10) as raw:
        raw.sendall(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nConnection: close\r\n\r\n".encode())
        answer = b"".join(iter(lambda: raw.recv(65536), b"")).decode("utf-8", "replace")
    assert re.match(r"HTTP/1.1 40[0-9] ", answer), answer[:200]
    for inside in (SECRET, "cell_type", "root:", "base_template", "Traceback", str(ROOT)):
        assert inside not in answer


def test_source_is_not_in_the_page(opened):
    """The page shows what its cells print, not the cells."""
    text, _ = opened
    assert "query: units=us" in text
    assert SECRET not in text
    assert "get_query_string" not in text


def test_source_is_not_on_the_socket(server, opened):
    """What a kernel announces about running cells does not reach the page."""
    _, kernel_id = opened
    with connect(server.channels(kernel_id), subprotocols=[PROTOCOL], max_size=None, proxy=None) as page:
        page.send(frame("shell", "comm_info_request", {"target_name": "jupyter.widget"}))
        seen = b""
        while b"comm_info_reply" not in seen:
            seen = page.recv(timeout=10)
            assert b"execute_input" not in seen


def test_template_cannot_be_chosen_by_the_visitor(server):
    """A query that names another template or theme changes nothing."""
    text, _ = server.open_page(query="template=lab&theme=dark&voila-template=lab&units=us")
    assert "handbook.css" in text
    assert "theme-light" in text
    assert "cdn.jsdelivr" not in text


def test_crash_shows_no_traceback(server):
    """A page whose cell crashes says so without a path, a source line or the error's text."""
    text, _ = server.open_page("crash.ipynb")
    assert "The numbers of this part are missing" in text
    for inside in ("Traceback", "boom", SECRET, "RuntimeError", str(ROOT)):
        assert inside not in text


@pytest.mark.parametrize("path", ["/", "/voila/render/probe.ipynb?units=us", "/nowhere", "/login"])
def test_content_security_policy(server, path):
    """Every page forbids fetching from elsewhere and being framed."""
    policy = server.get(path)[1]["Content-Security-Policy"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'self'"
    assert rules["connect-src"] == "'self' data: blob:"
    assert rules["frame-ancestors"] == "'self'"
    assert not re.search(r"https?:|wss?:|\*", policy)


@pytest.mark.parametrize("path", ["/", "/voila/render/probe.ipynb?units=us", "/nowhere"])
def test_page_names_no_other_machine(server, path):
    """No page loads anything from an address with a host."""
    text = server.get(path)[2]
    assert not re.findall(r"(?:src|href)=[\"'](?:https?:)?//[^\"']+", text)
    assert "cdn" not in text.lower()


def test_listens_on_this_machine_only(server):
    """The server and all its kernels listen on loopback addresses."""
    process = psutil.Process(server.process.pid)
    listening = [
        connection.laddr.ip
        for member in (process, *process.children(recursive=True))
        for connection in member.net_connections("inet")
        if connection.status == psutil.CONN_LISTEN
    ]
    assert "127.0.0.1" in listening
    assert set(listening) <= {"127.0.0.1", "::1"}


def test_foreign_host_header_is_refused(server):
    """A name that was re-pointed to this machine does not open the pages to another site's script."""
    assert server.get("/", headers={"Host": f"elsewhere.example:{server.port}"})[0] == 403


def test_foreign_origin_gets_no_socket(server, opened):
    """A page of another site cannot talk to a kernel."""
    _, kernel_id = opened
    with pytest.raises(Exception, match="HTTP 403"):
        connect(server.channels(kernel_id), subprotocols=[PROTOCOL], origin="http://elsewhere.example", proxy=None)


def test_message_limit(server, opened):
    """A message up to the stated size passes; one beyond closes its connection, and only that."""
    from workbooks.serve.config import MAX_MESSAGE_BYTES, MAX_TRANSPORT_BYTES

    _, kernel_id = opened
    with connect(server.channels(kernel_id), subprotocols=[PROTOCOL], max_size=None, proxy=None) as page:
        page.send(frame("shell", "comm_msg", {"comm_id": "none", "data": "x" * MAX_TRANSPORT_BYTES}))
        page.send(frame("shell", "kernel_info_request", {}))
        while b"kernel_info_reply" not in page.recv(timeout=20):
            pass
        with pytest.raises(ConnectionClosed):
            _send_and_read_on(page, frame("shell", "comm_msg", {"comm_id": "none", "data": "x" * MAX_MESSAGE_BYTES}))
    assert server.is_alive(kernel_id)


def _send_and_read_on(page, message):
    """Send a message and read whatever comes, until the connection ends."""
    page.send(message)
    while True:
        page.recv(timeout=10)
