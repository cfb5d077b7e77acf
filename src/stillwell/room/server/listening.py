"""Listening on a socket: loopback by default; elsewhere only on request, with a warning."""

from __future__ import annotations

import errno
import ipaddress
import socket
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import uvicorn
from starlette.applications import Starlette

from stillwell.archive.archive import Archive
from stillwell.errors import PortTaken, QueryError
from stillwell.room.server.app import make_application
from stillwell.room.server.slow_senders import TimedHeads

WARNING = (
    "warning: the reading room listens on {host}, not on loopback. Everyone who reaches this machine can read the "
    "whole archive, embargoed sites too: there is no password and no encryption. Stop it unless that is meant."
)


def is_loopback(host: str) -> bool:
    """Return whether a host can be reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def listen(archive_path: Path, host: str, port: int, *, elsewhere: bool, names: Sequence[str]) -> None:
    """Open the reading room; the arguments are those of ``stillwell.room.serve``.

    Raises
    ------
    NotAnArchive
        If there is no archive in the folder.
    QueryError
        If ``host`` is not loopback and ``elsewhere`` was not given.
    PortTaken
        If it cannot listen there; no address is written then.
    """
    if not is_loopback(host) and not elsewhere:
        msg = f"expected a loopback host as 127.0.0.1, found {host!r}; say explicitly that it may listen elsewhere"
        raise QueryError(msg)
    Archive(archive_path)
    if not is_loopback(host):
        sys.stderr.write(WARNING.format(host=host) + "\n")
    shown = f"[{host}]" if ":" in host and not host.startswith("[") else host
    door = _door(host.strip("[]"), port)
    port = door.getsockname()[1]
    sys.stderr.write(f"reading room of {archive_path}: http://{shown}:{port}/ (read only; Ctrl-C closes it)\n")
    with suppress(KeyboardInterrupt):
        uvicorn.Server(server_config(make_application(archive_path, host, port, names))).run(sockets=[door])


def server_config(app: Starlette) -> uvicorn.Config:
    """Return how the server is run, wherever it listens."""
    return uvicorn.Config(
        app,
        http=TimedHeads,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        timeout_graceful_shutdown=3,
    )


def _door(host: str, port: int) -> socket.socket:
    """Take the port before its address is written.

    Raises
    ------
    PortTaken
        If another program holds it, or the system gives no such address.
    """
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        return socket.create_server((host, port), family=family, backlog=2048)
    except OSError as error:
        why = "another program listens there" if error.errno == errno.EADDRINUSE else (error.strerror or str(error))
        msg = f"expected a free port to listen on, found none at {host} port {port}: {why}; nothing was opened"
        raise PortTaken(msg) from error
