"""Hold the rows a commit recorded against the rows it comes to again, and name what differs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np
import pandas as pd

from stillwell import __version__
from stillwell.archive.at_commit import AtCommit
from stillwell.archive.batches.site_batches import site_batches
from stillwell.archive.ledger.chain import Entry
from stillwell.archive.revisions.snapshot import EveryRow
from stillwell.archive.tables.table_buffer import TableBuffer
from stillwell.fingerprint import sha256
from stillwell.sameness import compared_cells
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import key_names
from stillwell.shared_types import Fault

AT_ONCE = 500_000
"""Rows held beside each other at a time, of whole sites."""
SHOWN = 20
"""Differences named per table and commit; the count is always whole."""

Recorded = Mapping[tuple[str, pd.Timestamp], int]
"""Rows by table and moment of their commit."""

Rounded = Counter[int]
"""Numbers that are the same as stored only to rounding, by number of the commit."""


def compared(
    entry: Entry, history: EveryRow, recorded: Recorded, again: Mapping[str, pd.DataFrame], rounded: Rounded
) -> Iterator[Fault]:
    """Compare what a commit recorded with what it comes to again.

    Parameters
    ----------
    entry : Entry
    history : EveryRow
    recorded : mapping
        How many rows each commit recorded, wherever they lie.
    again : mapping of str to DataFrame
        The rows it comes to, by table.
    rounded : Counter
        Gets the numbers of this commit.

    Yields
    ------
    Fault
        Of kind ``recompute``.
    """
    yield from compared_by_lots(entry, history, recorded, [(None, again)], rounded)


def compared_by_lots(
    entry: Entry,
    history: EveryRow,
    recorded: Recorded,
    lots: Iterable[tuple[Sequence[str] | None, Mapping[str, pd.DataFrame]]],
    rounded: Rounded,
) -> Iterator[Fault]:
    """Compare what a commit recorded with what it comes to again, some sites after the others.

    Parameters
    ----------
    entry, history, recorded
        As of ``compared``.
    lots : iterable of (sequence of str or None, mapping of str to DataFrame)
        Sites, every one once, and the rows the commit comes to at these; None for all sites.
    rounded : Counter
        Gets the numbers of this commit.

    Yields
    ------
    Fault
        As of ``compared``.
    """
    listed = listed_sites(entry)
    looked: Counter[str] = Counter()
    for sites, again in lots:
        for name in sorted({*again, *listed}):
            mine = [site for site in listed.get(name, []) if sites is None or site in sites]
            if name not in again and not mine and sites is not None:
                continue
            for stored, made in _pairs(entry, history, name, mine, again):
                looked[name] += len(stored)
                yield from _differences(name, entry, stored, made, rounded)
    for name in sorted({*listed, *looked}):
        elsewhere = recorded.get((name, pd.Timestamp(entry.recorded_at)), 0) - looked[name]
        if elsewhere:
            expected = "expected every row of the commit at the sites it lists"
            yield Fault("recompute", _where(name, entry), f"{expected}, found {elsewhere} at others")


def unlike(
    entries: Sequence[Entry],
    history: EveryRow,
    recorded: Recorded,
    again: Mapping[str, pd.DataFrame],
    rounded: Rounded,
) -> set[int]:
    """Name the commits, of several, whose rows cannot be shown to be those that they come to again, all at once.

    Parameters
    ----------
    entries : sequence of Entry
        All by this version of the software, or none.
    history : EveryRow
    recorded : mapping
        As of ``compared``.
    again : mapping of str to DataFrame
        The rows they come to together, by table.
    rounded : Counter
        Gets the numbers of these commits; those of a commit that is named are not all of it.

    Returns
    -------
    set of int
        Numbers; ``compared`` says of each what differs, if anything.
    """
    number_at = {pd.Timestamp(entry.recorded_at): entry.number for entry in entries}
    listed = {entry.number: listed_sites(entry) for entry in entries}
    names = {*again, *(name for tables in listed.values() for name in tables)}
    names |= {name for name, moment in recorded if moment in number_at}
    ignored = _free(entries[0])
    out: set[int] = set()
    for name in sorted(names):
        sites = sorted({site for tables in listed.values() for site in tables.get(name, ())})
        stored = history.recorded_among(name, list(number_at), sites)
        made = again.get(name, stored.iloc[:0])
        out |= _miscounted(name, number_at, recorded, stored, made)
        if "site" in stored:
            places = stored[["recorded_at", "site"]].drop_duplicates().itertuples(index=False)
            out |= {number_at[at] for at, site in places if site not in listed[number_at[at]].get(name, ())}
        out |= _differing(name, number_at, out, stored, made, ignored, rounded)
    return out


def _miscounted(
    name: str, number_at: Mapping[pd.Timestamp, int], recorded: Recorded, stored: pd.DataFrame, made: pd.DataFrame
) -> set[int]:
    """Name the commits of which another number of rows is stored, at the sites they list or in all, than made again."""
    here, there = (rows["recorded_at"].value_counts().to_dict() for rows in (stored, made))
    return {
        number
        for at, number in number_at.items()
        if not here.get(at, 0) == there.get(at, 0) == recorded.get((name, at), 0)
    }


def _differing(
    name: str,
    number_at: Mapping[pd.Timestamp, int],
    left_out: set[int],
    stored: pd.DataFrame,
    made: pd.DataFrame,
    ignored: set[str],
    rounded: Rounded,
) -> set[int]:
    """Name the commits with a row that differs, but for those left out already."""
    moments = [at for at, number in number_at.items() if number not in left_out]
    order = ["recorded_at", *row_order(name, stored)]
    left, right = (
        rows[rows["recorded_at"].isin(moments)].sort_values(order, kind="stable", ignore_index=True)
        for rows in (stored, made)
    )
    differs = np.zeros(len(left), dtype=bool)
    for column in (c for c in right.columns if c not in ignored):
        same, near = compared_cells(left[column], right[column])
        differs |= ~same
        rounded.update(number_at[at] for at in left.loc[near, "recorded_at"])
    return {number_at[at] for at in left.loc[differs, "recorded_at"].unique()}


def judged_by_another(before: AtCommit, entry: Entry, history: EveryRow, text: str) -> bool:
    """Say whether an office without a policy of its own had its rows judged by another than the one shipped now."""
    if len(before.standing("policies")):
        return False
    listed = listed_sites(entry)
    rows = {name: history.recorded_at(name, entry.recorded_at, sites) for name, sites in listed.items()}
    digests = {digest for one in rows.values() if "policy_digest" in one for digest in one["policy_digest"]}
    own = {sha256(one.encode()) for one in rows["policies"]["text"]} if "policies" in rows else set()
    return bool(digests - own - {sha256(text.encode())})


def listed_sites(entry: Entry) -> dict[str, list[str]]:
    """Name the tables a commit wrote to, and the sites of each."""
    sites_of: dict[str, set[str]] = {}
    for file in entry.files:
        if file.table:
            sites_of.setdefault(file.table, set()).update(file.sites)
    return {name: sorted(sites) for name, sites in sites_of.items()}


def _pairs(
    entry: Entry, history: EveryRow, name: str, sites: list[str], again: Mapping[str, pd.DataFrame]
) -> Iterator[tuple[pd.DataFrame, pd.DataFrame]]:
    """Pair the rows of a table that a commit recorded with those it comes to again, site by site where it is large."""
    moment = entry.recorded_at
    if isinstance(again, TableBuffer) and name in again.files:
        for site in sorted({*sites, *again.sites(name)}):
            yield history.recorded_at(name, moment, [site]), again.rows(name, [site])
        return
    if name in again and len(again[name]) > AT_ONCE and "site" in again[name] and name in history.tables():
        at = {str(site): int(count) for site, count in again[name]["site"].value_counts().items()}
        for lot in site_batches(sorted({*sites, *at}), at, AT_ONCE):
            yield history.recorded_at(name, moment, lot), again[name][again[name]["site"].isin(lot)]
        return
    stored = history.recorded_at(name, moment, sites) if name in history.tables() else pd.DataFrame()
    yield stored, again.get(name, stored.iloc[:0])


def _where(name: str, entry: Entry) -> str:
    return f"tables/{name} commit {entry.number}"


def _differences(
    name: str, entry: Entry, stored: pd.DataFrame, again: pd.DataFrame, rounded: Rounded
) -> Iterator[Fault]:
    where = _where(name, entry)
    if len(stored) != len(again):
        yield Fault("recompute", where, f"expected {len(again)} rows computed again, found {len(stored)} stored")
        return
    if stored.empty:
        return
    ignored = _free(entry)
    order = row_order(name, stored)
    left = stored.sort_values(order, kind="stable").reset_index(drop=True)
    right = again.sort_values(order, kind="stable").reset_index(drop=True)
    for column in (c for c in right.columns if c not in ignored):
        a, b = left[column], right[column]
        same, near = compared_cells(a, b)
        rounded[entry.number] += int(near.sum())
        differs = np.flatnonzero(~same)
        for i in differs[:SHOWN]:
            row = ", ".join(f"{k} {left.loc[i, k]}" for k in order)
            sentence = f"{row}: expected {column} {b[i]!r} as computed again, found {a[i]!r} stored"
            yield Fault("recompute", where, sentence, {"differing rows": str(differs.size)})


def _free(entry: Entry) -> set[str]:
    """Name the columns in which the rows of a commit by another version of the software differ of necessity."""
    return {"software_version"} if entry.software.get("version") != __version__ else set()


def row_order(name: str, rows: pd.DataFrame) -> list[str]:
    """Name the columns that identify the rows of a commit."""
    return [*key_names(ARCHIVE_TABLES[name])] + (["revision"] if "revision" in rows else [])
