"""What the record of a site was last derived from, and which records are behind. Writes nothing, reads no series.

The entry of a derivation names under ``record:SITE`` the inputs of each record that it derived, whether or not that
made any row. A record whose inputs are what its mark names needs no row of the site to be read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import AtCommit
from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.ledger.entries import Entry
from stillwell.archive.ledger.input_digests import COMPACTION, inputs_digest
from stillwell.fingerprint import canonical_json, sha256
from stillwell.prepare.context import Standing
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import key_names
from stillwell.shared_types import ListedFile

DERIVATION = 1
"""Raised whenever the same inputs come to other rows of a record; every record is then behind, and derived again."""

OF_SITE = ("conditions", "corrections", "gauge_heights", "sites", "stage")
"""Tables a record is derived from, by the running digests of their files of the site."""

OF_RATINGS = ("ratings", "rating_segments", "shifts")
"""Small tables a record is derived from, by the digest of the site's rows: not all of them know sites."""

LOOK_BACK = 1_000
"""Newest ledger entries among which the last derivation of a record is looked for."""

_RECORD = "record:"
_ROWS = "rows:"

Marks = dict[str, dict[str, str]]
"""By site, the names and digests of the inputs of its record."""


def mark_name(site: str) -> str:
    """Name the record of a site among what a commit derived."""
    return f"{_RECORD}{site}"


def rows_name(table: str) -> str:
    """Name the digest of a site's rows of a table of ratings among what its record was derived from."""
    return f"{_ROWS}{table}"


def marked_sites(entry: Entry) -> list[str]:
    """Name the sites whose records an entry says to have derived, in order."""
    return sorted(name.removeprefix(_RECORD) for name in entry.made_from if name.startswith(_RECORD))


def record_marks(
    archive: Archive,
    sites: Sequence[str],
    shipped: str,
    policy: str,
    rules: int,
    ratings: Standing | None = None,
) -> Marks:
    """Say what the records of some sites would be derived from now.

    Parameters
    ----------
    archive : Archive
        With every column of the schemas.
    sites : sequence of str
    shipped : str
        Text of the policy that ships with the software; an office's own says only what differs from it.
    policy : str
        Digest of the policy in force.
    rules : int
        By which rules rows are made; see ``shared_types.RULES``.
    ratings : Standing, optional
        The tables of ratings of the archive where they are at hand.

    Returns
    -------
    dict of str to dict of str to str
        By site. From the ledger and the tables of ratings alone.
    """
    inputs = archive.ledger.inputs()
    common = _by_which(policy, rules) | {"derivation": str(DERIVATION), "policy shipped": sha256(shipped.encode())}
    # files that do not name their sites, as a table's without sites, bear on every site
    common |= {name: digest for table in OF_SITE for name, digest in inputs.of(table, "").items()}
    of_ratings = rating_digests(archive if ratings is None else ratings, sites)
    marks: Marks = {}
    for site in sites:
        marks[site] = common | of_ratings[site]
        for table in OF_SITE:
            marks[site] |= inputs.of(table, site)
    return marks


def _by_which(policy: str, rules: int) -> dict[str, str]:
    return {"policy": policy, "rules": str(rules)}


def rating_digests(view: Standing, sites: Sequence[str]) -> Marks:
    """Digest the ratings, segments and shifts of sites that stand: sha256 of their cells, in order of their keys.

    Returns
    -------
    dict of str to dict of str to str
        By site and table. Neither another site's rating nor a compaction changes them.
    """
    standing = view.standing("ratings", sites)
    ratings = _cells(standing, "ratings")
    # segments and shifts know their rating only
    others = [
        _cells(rows[rows["rating"].isin(set(standing["rating"]))], table)
        for table in OF_RATINGS[1:]
        for rows in [view.standing(table)]
    ]
    names: dict[str, list[str]] = {}
    by_site: dict[str, list[dict[str, str]]] = {}
    for row in ratings:
        names.setdefault(row["site"], []).append(row["rating"])
        by_site.setdefault(row["site"], []).append(row)
    of_rating: list[dict[str, list[dict[str, str]]]] = [{}, {}]
    for by_rating, rows in zip(of_rating, others, strict=True):
        for row in rows:
            by_rating.setdefault(row["rating"], []).append(row)
    marks: Marks = {}
    for site in sites:
        rest = [[row for name in names.get(site, []) for row in by_rating.get(name, [])] for by_rating in of_rating]
        parts = zip(OF_RATINGS, [by_site.get(site, []), *rest], strict=True)
        marks[site] = {rows_name(table): sha256(canonical_json({"rows": rows})) for table, rows in parts}
    return marks


def _cells(rows: pd.DataFrame, table: str) -> list[dict[str, str]]:
    """Write rows as the text of their cells, without those that are missing, in order of the table's key."""
    rows = rows.sort_values(key_names(ARCHIVE_TABLES[table]), kind="stable")
    columns = {str(name): zip(rows[name].astype(object), rows[name].notna(), strict=True) for name in rows.columns}
    out: list[dict[str, str]] = [{} for _ in range(len(rows))]
    for name, cells in columns.items():
        for row, (value, known) in zip(out, cells, strict=True):
            if known:
                row[name] = str(value)
    return out


def records_behind(archive: Archive, marks: Mapping[str, Mapping[str, str]]) -> list[str]:
    """Name the sites whose records were not derived from these inputs, in order.

    Parameters
    ----------
    archive : Archive
    marks : mapping of str to mapping of str to str
        As of ``record_marks``.
    """
    made = archive.ledger.inputs().made
    return sorted(site for site, inputs in marks.items() if made.get(mark_name(site)) != inputs_digest(inputs))


@dataclass(frozen=True)
class LastMade:
    """The commit that derived a record last, what it names as its inputs, and the files of the site that came since."""

    number: int
    recorded_at: datetime
    made_from: Mapping[str, str]
    files: tuple[ListedFile, ...]
    """Table files of the site in later entries, in the order of the ledger; without those of compactions."""


def last_made(ledger: Ledger, sites: Sequence[str]) -> dict[str, LastMade]:
    """Find the commits that derived some records last, among the newest ``LOOK_BACK`` of the ledger.

    Returns
    -------
    dict of str to LastMade
        By site; without the records that none of these derived.
    """
    waiting = {mark_name(site): site for site in sites}
    since: dict[str, list[ListedFile]] = {site: [] for site in sites}
    made: dict[str, LastMade] = {}
    head = ledger.head_number()
    for number in range(head, max(head - LOOK_BACK, 0), -1):
        entry = ledger.entry(number)
        for name in waiting.keys() & entry.made_from.keys():
            site = waiting.pop(name)
            files = tuple(reversed(since.pop(site)))
            made[site] = LastMade(number, entry.recorded_at, entry.made_from[name], files)
        if not waiting:
            break
        if entry.reason != COMPACTION:
            for file in sorted(entry.files, key=lambda file: file.path, reverse=True):
                for site in since.keys() & set(file.sites):
                    since[site].append(file)
    return made


def marks_unlike(view: AtCommit, entry: Entry, policy: str) -> list[str]:
    """Say which inputs a derivation names, beside those of the ledger, that are not what they were.

    Parameters
    ----------
    view : AtCommit
        The archive as it stood before the entry.
    entry : Entry
        Digests of table files in it are proved with the chain; see ``Inputs.unlike``.
    policy : str
        Digest of the policy that was in force.

    Returns
    -------
    list of str
        A sentence for each.
    """
    sites = marked_sites(entry)
    expected = rating_digests(view, sites) if sites else {}
    return [
        f"expected {name} {digest} to be named as made from, found {digest_named or 'none'} of {mark_name(site)}"
        for site in sites
        for name, digest in sorted((expected[site] | _by_which(policy, entry.rules)).items())
        if (digest_named := entry.made_from[mark_name(site)].get(name, "")) != digest
    ]
