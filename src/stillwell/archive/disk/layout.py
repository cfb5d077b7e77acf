"""Where everything lies in an archive: names and paths, relative to its folder. Touches no disk."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import PurePosixPath
from urllib.parse import quote, unquote

from stillwell.errors import ArchiveError
from stillwell.fingerprint import sha256

README = "README.txt"
SEALED = "sealed"
LEDGER = "ledger"
CHECKPOINTS = "ledger/checkpoints"
TABLES = "tables"
SCHEMAS = "schemas"
WORK = "work"
LOCK = "work/lock"
INTENT = "work/intent.json"
STAGING = "work/staging"
MAKING = "work/making"

DOCUMENTS = ("netcdf", "provenance", "returned", SCHEMAS)
"""Folders of documents."""
WRITTEN = (README, TABLES, *DOCUMENTS)
"""All that a commit may write beside what it seals, by the first part of its path."""

KEEP_DAYS: float = 7
"""Days that files replaced by a compaction stay on disk by default, for readers that opened the archive before."""

READABLE_MAJOR = 2
"""Major schema version this software reads; an archive with a newer one is refused."""

CHECKPOINT_EVERY = 100
"""Commits between two checkpoints of the listing."""

SEVERAL = "sites"
"""Folder of a table for files of several sites."""
_ENTRY = re.compile(r"(\d{8})\.json")
PARTS = ("grown", "inputs")
"""Names of the parts of a checkpoint beside the first."""
_LONGEST_SITE = 120


def entry_path(number: int) -> str:
    """Name the file of a ledger entry."""
    return f"{LEDGER}/{number:08d}.json"


def checkpoint_path(number: int) -> str:
    """Name the file of the checkpoint after an entry."""
    return f"{CHECKPOINTS}/{number:08d}.json"


def part_path(number: int, part: str) -> str:
    """Name the file of a part of a checkpoint; the first part has no name."""
    return f"{CHECKPOINTS}/{number:08d}.{part}.json" if part else checkpoint_path(number)


def entry_number(name: str) -> int | None:
    """Read the number off the name of an entry or checkpoint; None for any other file. Numbers begin with 1."""
    match = _ENTRY.fullmatch(name)
    return (int(match[1]) or None) if match else None


def is_of_ledger(path: str) -> bool:
    """Say whether a path is that of a ledger entry or of a checkpoint's first part, which are proved by the chain."""
    folder, _, name = path.rpartition("/")
    return folder in (LEDGER, CHECKPOINTS) and entry_number(name) is not None


def schema_path(table: str) -> str:
    """Name the Table Schema of a table."""
    return f"{SCHEMAS}/{table}.json"


def staging_folder(number: int) -> str:
    """Name the folder in which a commit stages what it will move."""
    return f"{STAGING}/{number:08d}"


def site_folder(site: str) -> str:
    """Name the partition of a site, percent-encoded; a very long code is cut and told apart by its digest."""
    encoded = quote(site, safe="")
    if len(encoded) > _LONGEST_SITE:
        encoded = f"{encoded[: _LONGEST_SITE - 20]}~{sha256(site.encode())[:12]}"
    return f"site={encoded}"


def netcdf_folder(site: str) -> str:
    """Name the folder of a site's NetCDF files."""
    return site_folder(site).removeprefix("site=")


def site_of_folder(name: str) -> str:
    """Read the code of a site off the name of its folder of NetCDF files; the name itself where the code was cut."""
    return name if "~" in name else unquote(name)


def table_path(table: str, sites: Sequence[str], number: int, digest: str) -> str:
    """Name a table file by table, commit and digest, and by its sites: one, the first and last of several, or none.

    The folder of several sites has no name and value with ``=``, which readers would take for a column.
    """
    name = f"{number:08d}-{digest[:12]}.parquet"
    if not sites:
        return f"{TABLES}/{table}/{name}"
    if len(sites) == 1:
        return f"{TABLES}/{table}/{site_folder(sites[0])}/{name}"
    return f"{TABLES}/{table}/{SEVERAL}/{netcdf_folder(sites[0])}..{netcdf_folder(sites[-1])}/{name}"


def commit_of(path: str) -> int:
    """Read the number of the commit off the path of a table file."""
    return int(path.rpartition("/")[2].partition("-")[0])


def commit_named(path: str) -> int:
    """Read the number of a commit off the beginning of any file's name; 0 where it begins with none."""
    number = path.rpartition("/")[2][:8]
    return int(number) if len(number) == 8 and number.isdecimal() else 0


def is_inside(path: str) -> bool:
    """Say whether a path, relative to the archive's folder, leads into it: neither absolute nor climbing."""
    plain = path and not path.startswith("/") and "\\" not in path and "\0" not in path
    return bool(plain) and ".." not in path.split("/")


def check_document_path(path: str) -> None:
    """Refuse a document outside the folders for documents.

    Raises
    ------
    ArchiveError
        If the path is absolute, climbs, or leads elsewhere.
    """
    parts = PurePosixPath(path).parts
    plain = path == "/".join(parts) and is_inside(path)
    if not plain or (path != README and (len(parts) < 2 or parts[0] not in DOCUMENTS)):
        folders = ", ".join(DOCUMENTS)
        msg = f"expected {README} or a document in {folders}, found {path!r}; nothing was written"
        raise ArchiveError(msg)
