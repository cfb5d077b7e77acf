"""Who is heard at the door, and what every answer says."""

from __future__ import annotations

import html
import os
import re
import socket
import subprocess
import sys
import time
from contextlib import suppress

import pytest

from stillwell.errors import NotAnArchive, QueryError
from stillwell.room import serve
from stillwell.room.server.guard import POLICY, allowed_hosts
from stillwell.room.server.listening import is_loopback
from stillwell.room.server.slow_senders import HEAD_S, TimedHeads
from tests.room.conftest import SAMPLE, opened


def _port(room):
    return room.base_url.port


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "evil.example:{port}", "localhost:{port}.x"]
)
def test_another_host_is_not_heard(room, host):
    """A request that names another host, or no port, is answered 421 and told nothing of the archive."""
    answer = room.get("/", headers={"host": host.format(port=_port(room))})
    assert answer.status_code == 421
    assert "INV-WIN" not in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1:{port}", "localhost:{port}", "LOCALHOST:{port}", "[::1]:{port}"])
def test_loopback_by_any_of_its_names_is_heard(room, host):
    """The room answers under each name of loopback."""
    assert room.get("/", headers={"host": host.format(port=_port(room))}).status_code == 200


def test_two_hosts_are_not_heard(room):
    """A request with two Host headers is not answered with a page."""
    port = _port(room)
    said = _raw(room, f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nHost: evil.example\r\nConnection: close\r\n\r\n")
    assert b" 421 " in said.split(b"\r\n")[0] or b" 400 " in said.split(b"\r\n")[0]


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND"])
@pytest.mark.parametrize("path", ["/", "/sites/INV-WIN", "/collections/sites/items", "/nowhere"])
def test_nothing_but_reading(room, method, path):
    """Any method but GET and HEAD is answered 405, wherever it goes."""
    answer = room.request(method, path)
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET, HEAD"


def test_head_is_get_without_a_body(room):
    """HEAD answers as GET does, without a body."""
    answer = room.head("/sites/INV-WIN")
    assert (answer.status_code, answer.content) == (200, b"")


@pytest.mark.parametrize(
    "path",
    ["/", "/static/room.css", "/nowhere", "/collections", "/download/sites.csv", "/findings?page=x", "/sites/%00"],
)
def test_every_answer_carries_the_safety_headers(room, path):
    """Pages, files, JSON and refusals carry the same safety headers."""
    headers = room.get(path).headers
    assert headers["content-security-policy"] == POLICY
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cross-origin-resource-policy"] == "same-origin"


def test_no_policy_allows_inline_script():
    """The content security policy has no way for script or style that stands in a page."""
    assert "unsafe" not in POLICY
    assert "nonce" not in POLICY
    assert POLICY.startswith("default-src 'none'; script-src 'self'; style-src 'self'")


CLIMBS = [
    "/files/../ledger/00000001.json",
    "/files/..%2f..%2f..%2f..%2fetc%2fpasswd",
    "/files/%2e%2e/%2e%2e/etc/passwd",
    "/files//etc/passwd",
    "/files/%2fetc%2fpasswd",
    "/files/work/lock",
    "/files/ledger/00000001.json",
    "/files/sealed/0=ocfl_1.1",
    "/files/README.txt%00.nc",
    "/files/netcdf/INV-WIN/../../../../etc/passwd",
    "/static/../app.py",
    "/static/..%2fapp.py",
    "/static/%2e%2e%2fshelf.py",
    "/download/../../etc/passwd.csv",
    "/download/..%2f..%2fetc%2fpasswd.csv",
    "/bytes?deposit=..%2f..%2f..&file=passwd",
    "/bytes/raw?deposit=../../../../etc/passwd&number=0",
    "/deposits/..%2f..%2fetc%2fpasswd",
    "/tables/..%2fledger",
    "/sites/..%2f..%2fetc%2fpasswd",
    "//etc/passwd",
    "/%2e%2e/%2e%2e/etc/passwd",
    "/gaugings/..\\..\\etc\\passwd",
]


@pytest.mark.parametrize("path", CLIMBS)
def test_no_path_climbs_out(room, path):
    """A path that climbs, or leads to a file the ledger does not list, is answered 404 or 400 without its bytes."""
    port = _port(room)
    said = _raw(room, f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n")
    status, _, body = said.partition(b"\r\n")
    assert status.split()[1] in (b"404", b"400")
    assert b"root:" not in body
    assert b"import annotations" not in body


def _raw(room, text):
    with socket.create_connection(("127.0.0.1", _port(room)), timeout=30) as line:
        line.sendall(text.encode("latin-1"))
        parts = []
        while part := line.recv(65536):
            parts.append(part)
    return b"".join(parts)


def test_only_loopback_unless_told():
    """Listening elsewhere is refused unless it is asked for explicitly."""
    with pytest.raises(QueryError, match="expected a loopback host"):
        serve(SAMPLE, host="0.0.0.0")
    assert [is_loopback(h) for h in ("127.0.0.1", "::1", "localhost", "0.0.0.0", "192.0.2.1", "a.example")] == [
        True, True, True, False, False, False,
    ]  # fmt: skip


def test_no_room_without_an_archive(tmp_path):
    """Opening a room on a folder that is no archive is refused before listening."""
    with pytest.raises(NotAnArchive):
        serve(tmp_path)


def test_names_of_hosts():
    """An address that stands for all is no name; further names are heard with the port or their own."""
    heard = allowed_hosts("0.0.0.0", 8311, ("Room.Example", "other.example:443"))
    assert heard == {"127.0.0.1:8311", "localhost:8311", "[::1]:8311", "room.example:8311", "other.example:443"}
    assert "[2001:db8::1]:80" in allowed_hosts("2001:db8::1", 80)
    assert "2001:db8::1" not in {n.partition("]")[0] for n in allowed_hosts("2001:db8::1", 80)}


def test_warns_when_listening_elsewhere(tmp_path):
    """Listening on all addresses, when told to, is warned of on stderr."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    code = f"from stillwell.room import serve; serve({str(SAMPLE)!r}, host='0.0.0.0', port={port}, elsewhere=True)"
    done = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, env=os.environ, text=True)
    try:
        assert "warning: the reading room listens on 0.0.0.0" in done.stderr.readline()
    finally:
        done.terminate()
        done.communicate(timeout=20)


def test_importing_the_commands_imports_no_web_framework():
    """The commands start without starlette, jinja2 or uvicorn."""
    code = "import stillwell.cli, stillwell.room, sys; print({'starlette', 'uvicorn', 'jinja2'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


def test_reading_changes_nothing(copy):
    """After every kind of page was read, each file of the archive is as it was, and none was added."""

    def state():
        return {p: (p.stat().st_mtime_ns, p.stat().st_size) for p in copy.rglob("*")}

    before = state()
    with opened(copy) as room:
        for path in ("/", "/sites/INV-WIN", "/findings", "/ledger", "/trace?of=INV-AC2", "/download/points.nc"):
            assert room.get(path).status_code == 200
    assert state() == before


def test_a_name_given_is_heard(copy):
    """A further name given for listening elsewhere is heard with the port."""
    with opened(copy, names=("room.example",)) as room:
        assert room.get("/about", headers={"host": f"room.example:{_port(room)}"}).status_code == 200


def _heard(sock):
    said = b""
    while part := sock.recv(4096):
        said += part
    return said


def test_a_request_that_trickles_in_is_ended(room, monkeypatch):
    """A head sent a byte at a time is ended after the time it may take, on a new connection and on a kept one."""
    assert HEAD_S == 10
    monkeypatch.setattr(TimedHeads, "head_s", 0.4)
    whole = f"GET /about HTTP/1.1\r\nHost: 127.0.0.1:{_port(room)}\r\n\r\n".encode()
    for kept in (False, True):
        with socket.create_connection(("127.0.0.1", _port(room)), timeout=5) as sock:
            if kept:
                sock.sendall(whole)
                assert sock.recv(4096).startswith(b"HTTP/1.1 200")
            start = time.monotonic()
            with suppress(OSError):
                for byte in whole[:-2] * 3:
                    sock.sendall(bytes([byte]))
                    time.sleep(0.02)
            assert time.monotonic() - start < 2
            said = b""
            with suppress(ConnectionResetError):
                said = _heard(sock)
            assert kept or said.startswith(b"HTTP/1.1 408") or not said


def test_a_silent_connection_is_ended(room, monkeypatch):
    """A connection on which nothing comes is told 408 and closed."""
    monkeypatch.setattr(TimedHeads, "head_s", 0.3)
    with socket.create_connection(("127.0.0.1", _port(room)), timeout=5) as sock:
        said = _heard(sock)
    assert said.startswith(b"HTTP/1.1 408 ")
    assert b"not whole after 0.3 s" in said


def test_an_answer_may_take_longer_than_a_head(room, monkeypatch):
    """The time is for what comes in: an answer that is read slowly is sent whole."""
    monkeypatch.setattr(TimedHeads, "head_s", 0.2)
    with socket.create_connection(("127.0.0.1", _port(room)), timeout=5) as sock:
        sock.sendall(
            f"GET /download/points.csv HTTP/1.1\r\nHost: 127.0.0.1:{_port(room)}\r\nConnection: close\r\n\r\n".encode()
        )
        time.sleep(0.5)
        said = _heard(sock)
    assert said.endswith(b"0\r\n\r\n")
    assert len(said) > 100_000


@pytest.mark.parametrize(
    ("address", "near"),
    [
        ("/?pag=2", "page"),
        ("/sites/INV-WIN?rateing=x", "rating"),
        ("/findings?severty=suspect", "severity"),
        ("/search?Q=x", "q"),
        ("/meters?x=1", ""),
        ("/download/sites.csv?sight=INV-WIN", "site"),
        ("/collections/findings/items?limits=3", "limit"),
        ("/trace.json?off=x", "of"),
    ],
)
def test_a_parameter_nobody_reads_is_refused_with_the_nearest(room, address, near):
    """Pages, downloads and JSON alike answer 400 to a parameter they do not know, and name the nearest."""
    answer = room.get(address)
    assert answer.status_code == 400
    text = html.unescape(answer.text)
    assert ("did you mean" in text) == bool(near)
    assert f"did you mean {near}" in text or not near


def test_marks_of_direction_are_visible_in_the_search_box(room):
    """Control characters and marks of direction asked for stand in the box and on the page as escapes."""
    text = room.get("/search", params={"q": "ab\u202egpj\u0007\u2066x"}).text
    box = re.search(r'<input id="q"[^>]*>', text)[0]
    assert 'value="ab\\u202egpj\\u0007\\u2066x"' in box
    assert "For <bdi>ab\\u202egpj" in text
