"""Ends of a trace: the sealed files, each with its path in the archive, sha512 and size."""

from __future__ import annotations

import json
from collections.abc import Iterable

from stillwell.archive.archive import Archive
from stillwell.archive.disk.layout import SEALED
from stillwell.archive.sealed import object_folder
from stillwell.fingerprint import sha512
from stillwell.reading.trace.graph import ALWAYS, Facts, Link


def add_files(archive: Archive, facts: Facts, names: Iterable[str], links: Iterable[Link]) -> set[Link]:
    """Tie the lines of a trace to the sealed files they stand in, reading and checking every byte of their deposits.

    Parameters
    ----------
    archive : Archive
    facts : Facts
        Gains the files.
    names : iterable of str
        Ids of the trace's nodes.
    links : iterable of tuple
        Its edges.

    Returns
    -------
    set of tuple
        Edges to the files. A deposit of which the trace names no line is tied to all its files.

    Raises
    ------
    ArchiveDamaged
        If a deposit is not here, or not as it was sealed.
    """
    rows_of: dict[str, list[str]] = {name: [] for name in names if name.startswith("deposit:")}
    for start, end, _, _ in links:
        if end in rows_of and start.startswith("rows:"):
            rows_of[end].append(start)
    out: set[Link] = set()
    for deposit, rows in rows_of.items():
        files = _files(archive, facts, deposit.removeprefix("deposit:"))
        for row in rows:
            details = dict(facts.described[row][1])
            out |= {(row, file, "stand in", ALWAYS) for file in _holding(files, details.get("file", ""))}
        if not rows:
            out |= {(deposit, file, "holds", ALWAYS) for file in files.values()}
    return out


def _files(archive: Archive, facts: Facts, digest: str) -> dict[str, str]:
    """Read a sealed deposit and describe its files; return ids by path in the deposit."""
    deposit = archive.sealed.read(digest)
    folder = f"{SEALED}/{object_folder(digest)}"
    manifest = json.loads((archive.root / folder / "inventory.json").read_bytes())["manifest"]
    out = {}
    for file in deposit.files:
        sealed = sha512(file.data)
        name = f"file:{digest}/{file.path}"
        details = [
            ("path", f"{folder}/{manifest[sealed][0]}"),
            ("sha512", sealed),
            ("bytes", str(len(file.data))),
        ]
        facts.describe(name, file.path, details)
        out[file.path] = name
    return out


def _holding(files: dict[str, str], path: str) -> list[str]:
    """Find the sealed file a line stands in: itself, the workbook of the sheet, or the one archive file it is in."""
    sheet_of = path.rpartition(":")[0]
    for candidate in (path, sheet_of):
        if candidate in files:
            return [files[candidate]]
    return list(files.values()) if len(files) == 1 else []
