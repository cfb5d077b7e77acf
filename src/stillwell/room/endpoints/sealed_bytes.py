"""Sealed bytes: some lines of a file as it was handed in, and the whole of it. Every byte is checked first."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import dataclass
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response

from stillwell.archive.disk.layout import SEALED
from stillwell.archive.sealed import object_folder
from stillwell.fingerprint import sha256, sha512
from stillwell.pages.data.archive_view import View
from stillwell.room.endpoints.ledger import known_deposit
from stillwell.room.page import page
from stillwell.room.query_params import BadQuestion, NotFound, whole_number
from stillwell.room.ranges import whole_or_part
from stillwell.shared_types import Deposit, DepositFile

AROUND = 12
"""Lines shown before and after those asked for."""
MOST_LINES = 400
LONGEST_LINE = 2000
LARGEST = 64 * 2**20
"""Bytes of a file in a zip that are unpacked to be shown."""


@dataclass(frozen=True)
class Place:
    """Where a row stood: the sealed file, and the part of it where the file is a zip or a workbook."""

    number: int
    file: DepositFile
    inner: str
    data: bytes | None
    """The text to be shown; None where it cannot be shown as lines."""


def lines_page(view: View, request: Request) -> Response:
    """Answer with lines of a sealed file."""
    asked = request.query_params
    digest = known_deposit(view, asked.get("deposit", ""))
    deposit = view.archive.sealed.read(digest)
    place = _place(deposit, asked.get("file", ""))
    first, last = _span(asked.get("lines", ""))
    shown, total = _shown(place.data, first, last)
    return page(
        view,
        request,
        "lines",
        digest=digest,
        deposit=deposit,
        place=place,
        first=first,
        last=last,
        shown=shown,
        total=total,
        sha512=sha512(place.file.data),
        sha256=sha256(place.file.data),
        size=len(place.file.data),
        object_path=f"{SEALED}/{object_folder(digest)}",
        cut=total > 0 and len(shown) == MOST_LINES,
    )


def raw(view: View, request: Request) -> Response:
    """Answer with a sealed file whole, by its place in its deposit."""
    digest = known_deposit(view, request.query_params.get("deposit", ""))
    deposit = view.archive.sealed.read(digest)
    number = whole_number(request.query_params, "number")
    if number >= len(deposit.files):
        msg = f"The deposit has {len(deposit.files)} files, counted from 0; there is no file {number}."
        raise NotFound(msg)
    file = deposit.files[number]
    name = file.path.rpartition("/")[2]
    headers = {"content-disposition": f"attachment; filename*=UTF-8''{quote(name, safe='')}"}
    return whole_or_part(request, file.data, "application/octet-stream", headers)


def _span(text: str) -> tuple[int, int]:
    """Read which lines are asked for, as in 7 or 7-12; none is 0, 0."""
    if not text:
        return 0, 0
    match = re.fullmatch(r"(\d{1,9})(?:-(\d{1,9}))?", text.partition(",")[0].strip(), re.ASCII)
    if not match:
        msg = f"expected lines as 7 or 7-12, found {text[:80]!r}"
        raise BadQuestion(msg)
    first = int(match[1])
    return first, max(int(match[2] or first), first)


def _place(deposit: Deposit, path: str) -> Place:
    """Find the sealed file of a path: itself, the workbook of a sheet, the zip of a file in it."""
    by_path = {file.path: number for number, file in enumerate(deposit.files)}
    if path in by_path:
        file = deposit.files[by_path[path]]
        return Place(by_path[path], file, "", _text(file.data))
    book, _, sheet = path.rpartition(":")
    if book in by_path:
        return Place(by_path[book], deposit.files[by_path[book]], sheet, None)
    if len(deposit.files) == 1 and path:
        return Place(0, deposit.files[0], path, _unpacked(deposit.files[0].data, path))
    msg = f"The deposit {deposit.name} has no file {path[:200]!r}; it has {', '.join(sorted(by_path))[:500]}."
    raise NotFound(msg)


def _unpacked(data: bytes, path: str) -> bytes | None:
    """Read one file of a zip, named exactly and of bounded size; None where there is none to be shown."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entry = archive.getinfo(path)
            if entry.file_size > LARGEST:
                return None
            with archive.open(entry) as stream:
                return _text(stream.read(LARGEST + 1))
    except (zipfile.BadZipFile, KeyError, NotImplementedError, EOFError, OSError, RuntimeError, ValueError):
        return None


def _text(data: bytes) -> bytes | None:
    return None if b"\0" in data[:4096] and not data.startswith((b"\xff\xfe", b"\xfe\xff")) else data


def _shown(data: bytes | None, first: int, last: int) -> tuple[list[tuple[int, str, bool]], int]:
    """Cut the lines asked for, and some around them, out of a file: number, text, and whether it was asked for."""
    if data is None:
        return [], 0
    encoding = "utf-16" if data.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8"
    lines = data.decode(encoding, errors="replace").replace("\r\n", "\n").split("\n")
    lines = lines[:-1] if lines and lines[-1] == "" else lines
    low = max(first - AROUND, 1)
    high = min((last or MOST_LINES) + AROUND, len(lines), low + MOST_LINES - 2)
    numbers = ([1] if low > 1 else []) + list(range(low, high + 1))
    return [(n, lines[n - 1][:LONGEST_LINE], bool(first) and first <= n <= last) for n in numbers], len(lines)
