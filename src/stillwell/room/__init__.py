"""The reading room: an archive as web pages and JSON, on this machine only. It has no way to write anything."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.applications import Starlette

HOST = "127.0.0.1"
PORT = 8311

__all__ = ["HOST", "PORT", "application", "serve"]


def application(archive_path: Path, host: str = HOST, port: int = PORT, names: Sequence[str] = ()) -> Starlette:
    """Make the application that answers for an archive; nothing is read before the first question.

    Parameters
    ----------
    archive_path : Path
    host, port
        Where it will listen; only requests that name it, or this machine, are answered.
    names : sequence of str
        Other names of the machine under which it may be asked, when it listens elsewhere than on loopback.

    Returns
    -------
    Starlette
    """
    from stillwell.room.server.app import make_application

    return make_application(Path(archive_path), host, port, names)


def serve(
    archive_path: Path, host: str = HOST, port: int = PORT, *, elsewhere: bool = False, names: Sequence[str] = ()
) -> None:
    """Open the reading room until it is interrupted.

    Parameters
    ----------
    archive_path : Path
    host, port
        Where to listen.
    elsewhere : bool
        Allow a host other than loopback; a warning is written first.
    names : sequence of str
        As in ``application``.

    Raises
    ------
    NotAnArchive
        If there is no archive in the folder.
    QueryError
        If ``host`` is not loopback and ``elsewhere`` was not given.
    """
    from stillwell.room.server.listening import listen

    listen(Path(archive_path), host, port, elsewhere=elsewhere, names=names)
