"""The door of the reading room: which requests are heard at all, and what every answer says to a browser."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Sequence

from starlette.datastructures import MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

METHODS = ("GET", "HEAD")
LONGEST_QUERY = 4096

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-frame-options": "DENY",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
"""What every answer carries."""


def allowed_hosts(host: str, port: int, names: Sequence[str] = ()) -> frozenset[str]:
    """List the values of a Host header that are heard.

    Parameters
    ----------
    host : str
        Where the room listens; an address that stands for all of them is not a name to be asked by.
    port : int
    names : sequence of str
        Further names, with or without a port.

    Returns
    -------
    frozenset of str
        In lower case.
    """
    named = ["127.0.0.1", "localhost", "[::1]", *(n for n in names if not _has_port(n))]
    bare = host.strip("[]")
    try:
        address = ipaddress.ip_address(bare)
    except ValueError:
        named.append(bare)
    else:
        if not address.is_unspecified:
            named.append(f"[{bare}]" if address.version == 6 else bare)
    hosts = {f"{name}:{port}" for name in named} | (set(named) if port == 80 else set())
    return frozenset(name.lower() for name in hosts | set(filter(_has_port, names)))


def _has_port(name: str) -> bool:
    return re.fullmatch(r"(\[[^]]*\]|[^:]*):\d+", name) is not None


class Guard:
    """Let through only reading requests that name this room; add the safety headers to every answer.

    Parameters
    ----------
    app : ASGI application
    hosts : frozenset of str
    """

    def __init__(self, app: ASGIApp, hosts: frozenset[str]) -> None:
        self.app = app
        self.hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one connection."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return

        async def send_safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("cache-control", "no-cache")
            await send(message)

        refusal = self._refusal(scope)
        await (refusal or self.app)(scope, receive, send_safely)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        named = [value for name, value in scope["headers"] if name == b"host"]
        if len(named) != 1 or named[0].decode("latin-1").lower() not in self.hosts:
            words = "The reading room answers only under the name it was opened with, as in http://127.0.0.1:8311/.\n"
            return PlainTextResponse(words, 421)
        if scope["method"] not in METHODS:
            words = "The reading room is read only: GET and HEAD, nothing else. Nothing was changed.\n"
            return PlainTextResponse(words, 405, {"allow": ", ".join(METHODS)})
        if len(scope["query_string"]) > LONGEST_QUERY:
            return PlainTextResponse(f"The question is longer than {LONGEST_QUERY} characters.\n", 414)
        return None
