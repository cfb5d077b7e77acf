"""Proofs of commits that are kept in the work folder; no facts, and losing them only means proving again.

A proof names its commit by number and digest, the software, and the table files that hold the commit's rows now. It
counts only while all of them are the same; a compaction, which puts the rows into other files, voids it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import schemas
from stillwell import __version__
from stillwell.archive import fs
from stillwell.archive.archive import Archive
from stillwell.archive.entries import Entry, checked, self_checked
from stillwell.archive.layout import WORK
from stillwell.archive.regular import read_regular
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import canonical_json, folder_digest, sha256
from stillwell.records import ListedFile

PLACE = f"{WORK}/proofs.json"
NEVER = ""


@dataclass(frozen=True)
class Statement:
    """What a proof of a commit made now would name: the same words mean that nothing it rests on has changed."""

    number: int
    digest: str


def software() -> str:
    """Name the software by its version and a digest of its files, so that a changed rule is another software."""
    places = [Path(__file__).resolve().parents[1], Path(schemas.__file__).resolve().parent]
    files = [
        (f"{place.name}/{path.relative_to(place).as_posix()}", path.read_bytes())
        for place in places
        for path in sorted(place.rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts
    ]
    return f"{__version__} {folder_digest(files)}"


def statements(archive: Archive, entries: Sequence[Entry], made_by: str) -> list[Statement]:
    """Say for every commit what a proof of it made now would name.

    Parameters
    ----------
    archive : Archive
    entries : sequence of Entry
        All of them, in order.
    made_by : str
        As of ``software``.

    Returns
    -------
    list of Statement
        In the order of the ledger.
    """
    listing, holders = archive.listing(), _holders(entries)
    out = []
    for entry, digest in zip(entries, archive.ledger.digests(), strict=True):
        files = sorted({path for file in entry.files if file.table for path in _now(file.path, holders)})
        lie = [[path, listing[path].sha256 if path in listing else ""] for path in files]
        out.append(Statement(entry.number, sha256(canonical_json([entry.number, digest, made_by, lie]))))
    return out


def _holders(entries: Iterable[Entry]) -> Mapping[str, list[str]]:
    """Name the files that hold the rows of each table file that was replaced."""
    files: dict[str, ListedFile] = {}
    holders: dict[str, list[str]] = {}
    for entry in entries:
        new = [file for file in entry.files if file.table]
        for path in entry.replaced:
            if old := files.get(path):
                holders[path] = [file.path for file in new if _may_hold(file, old) and file.path != path]
        files |= {file.path: file for file in new}
    return holders


def _may_hold(file: ListedFile, old: ListedFile) -> bool:
    return file.table == old.table and (not old.sites or not set(old.sites).isdisjoint(file.sites))


def _now(path: str, holders: Mapping[str, list[str]]) -> list[str]:
    if path not in holders:
        return [path]
    return [last for holder in holders[path] for last in _now(holder, holders)]


def kept(root: Path, wanted: Sequence[Statement]) -> dict[int, str]:
    """Read since when commits are proved that still are; a proof that is torn, forged or void is not among them.

    Parameters
    ----------
    root : Path
    wanted : sequence of Statement

    Returns
    -------
    dict of int to str
        Moments by number.
    """
    try:
        said: Any = checked(read_regular(root / PLACE), PLACE).get("proofs")
    except (OSError, ArchiveDamaged):
        return {}
    if not isinstance(said, dict):
        return {}
    return {one.number: str(said[one.digest]) for one in wanted if one.digest in said}


def keep(root: Path, wanted: Sequence[Statement], proved: Mapping[int, str]) -> None:
    """Keep the proofs of commits, by number with their moments, and let go of all others.

    Raises
    ------
    OSError
        If the disk refuses.
    """
    proofs = {one.digest: proved[one.number] for one in wanted if one.number in proved}
    fs.write_file(root / PLACE, self_checked({"kind": "proofs", "proofs": proofs, "version": 1}))


def in_turn(wanted: Sequence[Statement], proved: Mapping[int, str]) -> list[int]:
    """Order commits as they are to be proved: never proved ones first, newest first, then the oldest proofs."""
    return [one.number for one in sorted(wanted, key=lambda one: (proved.get(one.number, NEVER), -one.number))]
