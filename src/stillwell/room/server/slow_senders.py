"""A limit of time on what a client sends: the server has none of its own, so a slow sender would hold a connection."""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 10.0
"""Seconds in which the head of a request, and a body where there is one, must be whole."""
LATE = (
    b"HTTP/1.1 408 Request Timeout\r\nconnection: close\r\ncontent-type: text/plain; charset=utf-8\r\n"
    b"content-length: %d\r\n\r\n%s"
)


class TimedHeads(H11Protocol):
    """Uvicorn's HTTP/1.1 protocol, which ends a connection whose request is not whole in time.

    The time runs from the opening of the connection, or the end of the answer before, and is not prolonged by what
    comes in. It does not run while an answer is made or sent.
    """

    head_s = HEAD_S

    def __init__(self, *args: Any, **how: Any) -> None:
        super().__init__(*args, **how)
        self._running_out: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Start the time of the first request."""
        super().connection_made(transport)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Take what came in, and stop the time once the request is whole."""
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """Start the time of the next request on this connection."""
        super().on_response_complete()
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the time of a connection that is gone."""
        super().connection_lost(exc)
        self._stop()

    def _watch(self) -> None:
        waited_for = self.conn.their_state in (h11.IDLE, h11.SEND_BODY) and not self.transport.is_closing()
        if not waited_for:
            self._stop()
        elif self._running_out is None:
            self._running_out = self.loop.call_later(self.head_s, self._end)

    def _stop(self) -> None:
        if self._running_out is not None:
            self._running_out.cancel()
            self._running_out = None

    def _end(self) -> None:
        self._running_out = None
        if self.transport.is_closing():
            return
        if self.conn.our_state is h11.IDLE:
            words = f"The request was not whole after {self.head_s:g} s; the connection is closed.\n".encode()
            self.transport.write(LATE % (len(words), words))
        self.transport.close()
