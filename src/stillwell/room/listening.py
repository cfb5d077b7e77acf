"""Listening on a socket: loopback, or elsewhere when told so, with a warning."""

from __future__ import annotations

import ipaddress
import sys
from collections.abc import Sequence
from pathlib import Path

import uvicorn

from stillwell.archive.archive import Archive
from stillwell.errors import QueryError
from stillwell.room.app import make_application

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
    """
    if not is_loopback(host) and not elsewhere:
        msg = f"expected a loopback host as 127.0.0.1, found {host!r}; say explicitly that it may listen elsewhere"
        raise QueryError(msg)
    Archive(archive_path)
    if not is_loopback(host):
        sys.stderr.write(WARNING.format(host=host) + "\n")
    shown = f"[{host}]" if ":" in host and not host.startswith("[") else host
    sys.stderr.write(f"reading room of {archive_path}: http://{shown}:{port}/ (read only; Ctrl-C closes it)\n")
    app = make_application(archive_path, host, port, names)
    uvicorn.run(
        app,
        host=host.strip("[]"),
        port=port,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        timeout_graceful_shutdown=3,
    )
