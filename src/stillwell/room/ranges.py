"""Parts of a file over HTTP: one range of bytes, held against the file's own tag (RFC 9110, sections 13 and 14)."""

from __future__ import annotations

import re
from collections.abc import Mapping

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from stillwell.fingerprint import sha256

_ONE = re.compile(r"bytes=(\d{0,15})-(\d{0,15})", re.ASCII)


def tag_of(data: bytes) -> str:
    """Return the entity tag of a file's bytes; the same bytes have the same tag."""
    return f'"{sha256(data)[:32]}"'


def wants_part(request: Request, tag: str) -> bool:
    """Say whether one range of a file of this tag is asked for.

    A range that is not understood, several at once, or one of a file with another tag asks for the whole file.
    """
    held = request.headers.get("if-range", tag)
    asked = _ONE.fullmatch(request.headers.get("range", "").strip().lower())
    if request.method != "GET" or held != tag or asked is None:
        return False
    first, last = asked.groups()
    return bool(first or last) and not (first and last and int(last) < int(first))


def whole_or_part(request: Request, data: bytes, media: str, headers: Mapping[str, str], tag: str = "") -> Response:
    """Answer with a file, or with the range of it that is asked for.

    Parameters
    ----------
    request : Request
    data : bytes
        The whole file.
    media : str
    headers : mapping of str to str
    tag : str
        Its entity tag, where it is not that of its bytes.

    Returns
    -------
    Response
        200 with all, 206 with a range, 304 where the caller has it, 416 where the file ends before the range.
    """
    tag = tag or tag_of(data)
    sent = dict(headers) | {"etag": tag, "accept-ranges": "bytes"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers={"etag": tag})
    if not wants_part(request, tag):
        return Response(data, media_type=media, headers=sent)
    first, end = _span(request.headers["range"].strip().lower(), len(data))
    if first >= end:
        words = f"The file has {len(data)} bytes; expected a range that begins within them.\n"
        return PlainTextResponse(words, 416, {"content-range": f"bytes */{len(data)}", "etag": tag})
    sent["content-range"] = f"bytes {first}-{end - 1}/{len(data)}"
    return Response(data[first:end], 206, sent, media)


def _span(text: str, size: int) -> tuple[int, int]:
    """Read a range as the first byte and the byte after the last; an empty one where nothing of the file lies in it."""
    asked = _ONE.fullmatch(text)
    assert asked is not None
    first, last = asked.groups()
    if not first:
        return max(size - int(last), 0) if int(last) else size, size
    end = int(last) + 1 if last else size
    return int(first), min(max(end, 0), size)
