"""The start command: addresses, one sentence for a mistake, the password."""

import re
import socket
import subprocess
import sys
import urllib.parse
from types import SimpleNamespace

import pytest

from tests.serving_tools import PROTOCOL, RunningServer, environment
from workbooks.__main__ import main, parse
from workbooks.serve import cli, config
from workbooks.serve.sockets import KernelSocket


@pytest.fixture
def refused(capsys):
    """Return a function that calls the command and gives back the one sentence it leaves with."""

    def _call(*arguments):
        with pytest.raises(SystemExit) as left:
            sys.exit(main(["--no-browser", *arguments]))
        out, sentence = capsys.readouterr()
        assert left.value.code == 2
        assert out == ""
        assert len(sentence.strip().splitlines()) == 1
        return sentence

    return _call


def test_exit_code_of_the_process():
    """The process itself leaves with 2 and a sentence, without a traceback."""
    command = [sys.executable, "-m", "workbooks", "--no-browser", "--port", "70000"]
    done = subprocess.run(command, env=environment(), capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("--port 70000 is not a port")
    assert len(done.stderr.strip().splitlines()) == 1


def test_port_in_use(refused):
    """The taken port is named."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        assert port in refused("--port", port)


@pytest.mark.parametrize("port", ["70000", "-1", "many"])
def test_not_a_port(refused, port):
    """The sentence says what a port is."""
    assert "port" in refused("--port", port)


def test_password_file_missing(refused, tmp_path):
    """The file is named."""
    assert "nowhere.txt" in refused("--password-file", str(tmp_path / "nowhere.txt"))


@pytest.mark.parametrize(("text", "word"), [("\n", "empty"), ("one\ntwo\n", "more than one line")])
def test_password_file_useless(refused, tmp_path, text, word):
    """An empty file is no password, nor is a file of two lines."""
    path = tmp_path / "password.txt"
    path.write_text(text, encoding="utf-8")
    assert word in refused("--password-file", str(path))


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "127.example"])
def test_open_host_needs_a_password(host):
    """Other machines are let in only with a password."""
    with pytest.raises(cli.UsageError, match="--password-file"):
        cli.options_from(parse(["--host", host]))


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "127.0.0.2"])
def test_this_machine_needs_none(host):
    """On this machine alone no password is asked for."""
    assert cli.options_from(parse(["--host", host, "--port", "0"])).hashed_password == ""


def test_unknown_host(refused, tmp_path):
    """A host that is not this machine's is refused."""
    path = tmp_path / "password.txt"
    path.write_text("open sesame", encoding="utf-8")
    assert "not" in refused("--host", "192.0.2.1", "--password-file", str(path))


def test_address_without_query_is_completed(server):
    """A workbook's bare address, typed by hand, works: it is sent on with the default query."""
    status, _, text = server.get("/voila/render/probe.ipynb")
    assert status == 200
    assert f"query: {config.DEFAULT_QUERY}" in text


def test_query_too_long_isrefused(server):
    """An address longer than a build sheet can be is answered with a sentence."""
    status, _, text = server.get("/voila/render/probe.ipynb?sheet=" + "x" * config.MAX_QUERY_BYTES)
    assert status == 414
    assert "too long" in text


def test_landing_page(server):
    """The workbooks stand there as questions, in order, linked with a query; the cautions and version follow."""
    _, _, text = server.get("/")
    links = re.findall(r'href="(/voila/render/[^"]+)"', text)
    assert links == ["/voila/render/probe.ipynb?units=us", "/voila/render/crash.ipynb?units=us"]
    assert "Does the slider move?" in text
    for word in ("oxidiser", "Never inhale it", "closed course", "licensed tuner", f"version {config.version()}"):
        assert word in text
    assert "hidden.ipynb" not in text


def test_old_list_leads_to_the_landing_page(server):
    """The file list of the server underneath is not there."""
    assert "Before anyone touches the bottle" in server.get("/voila/tree")[2]
    assert "Before anyone touches the bottle" in server.get("/voila/tree/below")[2]


def test_password_protects_the_pages(pages, tmp_path):
    """Without it there is the login page and no socket; a wrong one is refused; with it the workbook opens."""
    path = tmp_path / "password.txt"
    path.write_text("open $esame\n", encoding="utf-8")
    with RunningServer(pages, tmp_path, "--no-preheat", "--password-file", str(path)) as server:
        for closed in ("/", "/voila/render/probe.ipynb?units=us", "/voila/tree"):
            assert "These pages ask for a password" in server.get(closed)[2]
        assert server.get("/voila/alive/00000000-0000-0000-0000-000000000000")[0] in (200, 403)
        assert "That is not the password" in _log_in(server, "open")
        assert "Before anyone touches the bottle" in _log_in(server, "open $esame")
        text, kernel_id = server.open_page()
        assert "query: units=us" in text
        from websockets.sync.client import connect

        with pytest.raises(Exception, match="HTTP 403"):
            connect(server.channels(kernel_id), subprotocols=[PROTOCOL], proxy=None)


def _log_in(server, password):
    """Send the login form and return the page that follows."""
    form = urllib.parse.urlencode({"password": password, "_xsrf": server.cookie("_xsrf")})
    return server.get("/login?next=%2F", data=form.encode())[2]


def test_configuration_in_the_working_directory_is_ignored(pages, tmp_path):
    """A file that would move the port and open the files changes nothing."""
    text = '{"Voila": {"port": 1}, "VoilaConfiguration": {"template": "lab", "file_allowlist": [".*"]}}'
    (tmp_path / "voila.json").write_text(text, encoding="utf-8")
    with RunningServer(pages, tmp_path, "--no-preheat") as server:
        assert "Before anyone touches the bottle" in server.get("/")[2]
        assert server.get("/voila/files/notes.txt")[0] == 404
        assert f"at {server.url}/" in server.log.read_text(encoding="utf-8")


def test_limits_agree():
    """The page's own limit for a file is the server's."""
    script = (config.TEMPLATE_DIR / "static" / "handbook.js").read_text(encoding="utf-8")
    megabytes = int(re.search(r"MAX_FILE_BYTES = (\d+) \* 1024 \* 1024", script)[1])
    assert megabytes * config.MIB == config.MAX_TRANSPORT_BYTES
    assert config.MAX_UPLOAD_BYTES <= config.MAX_TRANSPORT_BYTES < config.MAX_MESSAGE_BYTES


def test_a_healthy_page_outlives_its_pings():
    """The server looks for the last answer when the next ping goes out: the timeout must leave room for it."""
    open_socket = SimpleNamespace(ping_interval=30_000, ws_connection=object())
    assert KernelSocket.ping_timeout.fget(open_socket) >= 2 * open_socket.ping_interval


def test_no_message_is_dropped_for_speed():
    """A dropped status message leaves the slider that waits for it mute; at the stock 1 MB/s a fast hand gets there."""
    assert config.build_config(config.Options()).ZMQChannelsWebsocketConnection.limit_rate is False


def test_no_clock_on_a_cell_that_waits_for_a_visitor():
    """A preheated kernel stands in its first cell until somebody opens the page; a limit would serve a dead page after it."""
    assert config.build_config(config.Options()).VoilaExecutor.timeout is None
