"""Every row accounted for: it belongs to exactly one commit, and that commit says why it is there. Writes nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.archive import Archive
from stillwell.archive.disk.layout import entry_path
from stillwell.archive.disk.regular_files import read_regular
from stillwell.archive.ledger.entries import Entry
from stillwell.archive.ledger.input_digests import COMPACTION
from stillwell.archive.tables.table_files import arrow_schema, read_files
from stillwell.fingerprint import sha256
from stillwell.shared_types import Fault, ListedFile

TAKES_IN = "ingest"
"""Reason of a commit whose rows follow from its deposits."""
FOLLOWS = ("derive", "recompute")
"""Reasons of commits whose rows follow from what stood before them; these have no deposits."""
RENDERS = "render"
"""Reason of a commit that writes no rows."""
REASONS = (TAKES_IN, *FOLLOWS, COMPACTION, RENDERS)


@dataclass(frozen=True)
class Accounts:
    """Rows that no commit explains and commits that explain none of theirs, and compactions proved row for row."""

    faults: tuple[Fault, ...]
    row_for_row: frozenset[int]
    """Numbers of the compactions of which every replaced file is still there and the rows are the same."""


def accounts(archive: Archive, entries: Sequence[Entry], recorded: Counter[tuple[str, pd.Timestamp]]) -> Accounts:
    """Name rows that no commit explains, and commits that explain none of theirs.

    Parameters
    ----------
    archive : Archive
    entries : sequence of Entry
        Every one, in order.
    recorded : Counter
        Rows read, by table and moment of their commit.

    Returns
    -------
    Accounts
        Faults are of kind ``rows``.
    """
    faults = [*_unexplained(entries), *_moments(entries, recorded)]
    proved: set[int] = set()
    listed: dict[str, ListedFile] = {}
    for entry in entries:
        if entry.reason == COMPACTION:
            unlike, whole = _compaction(archive.root, entry, listed)
            faults += unlike
            proved |= {entry.number} if whole and not unlike else set()
        listed.update((file.path, file) for file in entry.files)
    return Accounts(tuple(faults), frozenset(proved))


def _unexplained(entries: Sequence[Entry]) -> Iterator[Fault]:
    """Hold each entry's reason against its deposits and its rows."""
    for entry in entries:
        where, tables = entry_path(entry.number), sorted({file.table for file in entry.files if file.table})
        if entry.reason not in REASONS:
            expected = f"expected one of the reasons {', '.join(REASONS)}, found {entry.reason!r}"
            yield Fault("rows", where, f"{expected}; nothing says what its rows follow from")
        elif entry.reason != TAKES_IN and entry.deposits:
            yield Fault("rows", where, f"expected no deposits in a commit of reason {entry.reason}, found some")
        elif entry.reason == RENDERS and tables:
            yield Fault("rows", where, f"expected no rows in a commit of reason render, found rows of {_named(tables)}")
        elif entry.reason == TAKES_IN and tables and not entry.deposits:
            expected = f"expected deposits that the rows of {_named(tables)} follow from"
            yield Fault("rows", where, f"{expected}, found none; nobody made these rows")


def _moments(entries: Sequence[Entry], recorded: Mapping[tuple[str, pd.Timestamp], int]) -> Iterator[Fault]:
    """Hold the moments of rows against those of the entries that list their table."""
    listed: dict[pd.Timestamp, set[str]] = {}
    for entry in entries:
        moment = pd.Timestamp(entry.recorded_at)
        if moment in listed:
            sentence = f"expected a moment of its own, found {moment.isoformat()}, which an earlier commit has"
            yield Fault("rows", entry_path(entry.number), sentence)
        # a compaction writes rows of earlier commits, and none of its own
        tables = set() if entry.reason == COMPACTION else {file.table for file in entry.files if file.table}
        listed.setdefault(moment, set()).update(tables)
    for (table, moment), rows in sorted(recorded.items()):
        if table not in listed.get(moment, set()):
            expected = f"expected the moment of a commit that lists rows of {table}, found {moment.isoformat()}"
            yield Fault("rows", f"tables/{table}", f"{expected} in {rows} rows; no commit explains them")


def _compaction(root: Path, entry: Entry, listed: Mapping[str, ListedFile]) -> tuple[list[Fault], bool]:
    """Hold a compaction against the files it replaced: as many rows, and the same where they are still there.

    The flag says whether all of them are.
    """
    faults: list[Fault] = []
    whole = True
    old, new = dict[str, list[ListedFile]](), dict[str, list[ListedFile]]()
    for path in entry.replaced:
        if path in listed and listed[path].table:
            old.setdefault(listed[path].table, []).append(listed[path])
    for file in entry.files:
        if file.table:
            new.setdefault(file.table, []).append(file)
    for table in sorted(old.keys() | new.keys()):
        before, after = old.get(table, []), new.get(table, [])
        replaced, written = (sum(file.rows for file in files) for files in (before, after))
        where = f"tables/{table} commit {entry.number}"
        if replaced != written:
            faults.append(
                Fault("rows", where, f"expected the {replaced} rows of the files it replaced, found {written}")
            )
        elif all(_is_whole(root, file) for file in (*before, *after)):
            one, other = _digests(root, before), _digests(root, after)
            if not np.array_equal(one, other):
                sentence = "expected the rows of the files it replaced, found others in their place"
                faults.append(Fault("rows", where, sentence))
        else:
            whole = False
    return faults, whole


def _is_whole(root: Path, file: ListedFile) -> bool:
    """Say whether a file is still there as it was written; one that is damaged and live is a fault of its own."""
    try:
        return sha256(read_regular(root / file.path)) == file.sha256
    except OSError:
        return False


def _digests(root: Path, files: Sequence[ListedFile]) -> NDArray[np.uint64]:
    """Digest every row of some files, in an order that does not depend on that of the rows."""
    parts = [
        pd.util.hash_pandas_object(read_files([root / file.path], schema=arrow_schema(file.table)), index=False)
        for file in files
    ]
    return np.sort(np.concatenate([part.to_numpy(dtype="uint64") for part in parts]))


def _named(tables: Sequence[str]) -> str:
    return ", ".join(tables)
