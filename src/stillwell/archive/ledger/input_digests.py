"""What derived things rest on, as digests that follow from the ledger alone. Reads and writes no file.

For each table and site, and for each year of a series, the ledger gives a running digest over the table files that
hold rows of it. Compaction leaves the rows as they are and so the digests too. A commit that derives something names
these digests as its inputs; where they have changed since, what was derived is behind.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Self

from stillwell.archive.ledger.entries import Entry, checked, self_checked
from stillwell.fingerprint import canonical_json, sha256
from stillwell.shared_types import ListedFile

COMPACTION = "compaction"
"""Reason of a commit that writes rows the archive already holds."""

ANY_YEAR = 0
"""Year under which a series file is followed whose entry names no years, as before format 2.0."""

Place = tuple[str, str]
"""Table and site; the site is empty where the table knows no sites."""


@dataclass
class Inputs:
    """Running digests of rows, and what each derived thing was made from.

    ``rows`` holds, for each place and year, ``d_n = sha256(d_(n-1) + f_n)``: ``f_n`` is the sha256 of the n-th file
    that holds rows of them, in the order of the ledger and by path within an entry, as hexadecimal text; ``d_0`` is
    empty. ``made`` holds, for each thing derived, the sha256 of the canonical JSON of the inputs it was last made from.
    """

    rows: dict[Place, dict[int, str]] = field(default_factory=dict)
    made: dict[str, str] = field(default_factory=dict)

    def add(self, entry: Entry) -> None:
        """Follow one entry."""
        if entry.reason != COMPACTION:
            for file in sorted(entry.files, key=lambda file: file.path):
                if file.table:
                    self._follow(file)
        self.made.update((name, inputs_digest(inputs)) for name, inputs in entry.made_from.items())

    def _follow(self, file: ListedFile) -> None:
        for site in file.sites or ("",):
            years = self.rows.setdefault((file.table, site), {})
            for year in file.years or (ANY_YEAR,):
                years[year] = followed(years.get(year, ""), file)

    def of(self, table: str, site: str, year: int | None = None) -> dict[str, str]:
        """Name the digests of a table's rows of a site, all of them or those of one year of a series.

        Parameters
        ----------
        table, site : str
        year : int, optional
            With a year, the digest of files whose years are not known is named too.

        Returns
        -------
        dict of str to str
            Digests by ``table/site``, or ``table/site/year`` for a year of a series; empty where there are no rows.
        """
        years = self.rows.get((table, site), {})
        wanted = sorted(years) if year is None else [y for y in (ANY_YEAR, year) if y in years]
        return {digest_name(table, site, y): years[y] for y in wanted}

    def sites(self, table: str) -> list[str]:
        """Name the sites of which a table holds rows."""
        return sorted(site for name, site in self.rows if name == table)

    def years(self, table: str, site: str) -> list[int]:
        """Name the years of a series of a site; ``ANY_YEAR`` among them where a file does not tell its own."""
        return sorted(self.rows.get((table, site), {}))

    def unlike(self, entry: Entry) -> list[str]:
        """Say which inputs an entry names with another digest than they have before it.

        Parameters
        ----------
        entry : Entry
            The next one; what it names without a site, such as the office, is not of the ledger and left alone.

        Returns
        -------
        list of str
            A sentence for each.
        """
        return [
            f"expected what stood before to be named as made from, found {name} of {made} with {digest or 'no digest'}"
            for made, inputs in sorted(entry.made_from.items())
            for name, digest in sorted(inputs.items())
            if "/" in name and digest not in self._digests(name)
        ]

    def _digests(self, name: str) -> set[str]:
        """Look up what ``of`` names; the end of a name may be a year, or belong to the site."""
        table, _, rest = name.partition("/")
        site, _, year = rest.rpartition("/")
        of_year = self.rows.get((table, site), {}).get(int(year)) if year.isdecimal() else None
        return {digest for digest in (of_year, self.rows.get((table, rest), {}).get(ANY_YEAR)) if digest}

    def copied(self) -> Self:
        """Return one of its own, that follows other entries from here on."""
        return type(self)({place: dict(years) for place, years in self.rows.items()}, dict(self.made))

    def to_json(self) -> bytes:
        """Write it as a part of a checkpoint."""
        rows = [[*place, year, digest] for place, years in self.rows.items() for year, digest in years.items()]
        return self_checked({"rows": sorted(rows), "made": self.made, "kind": "inputs"})

    @classmethod
    def from_json(cls, data: bytes, where: str) -> Inputs:
        """Read what ``to_json`` wrote.

        Raises
        ------
        ArchiveDamaged
            If it is not as it was written.
        """
        fields: dict[str, Any] = checked(data, where)
        rows: dict[Place, dict[int, str]] = {}
        for table, site, year, digest in fields["rows"]:
            rows.setdefault((table, site), {})[year] = digest
        return cls(rows, fields["made"])


def followed(digest: str, file: ListedFile) -> str:
    """Return the running digest of rows, empty of none, after one more file of them, by the formula of ``Inputs``."""
    return sha256((digest + file.sha256).encode())


def digest_name(table: str, site: str, year: int = ANY_YEAR) -> str:
    """Name the running digest of a table's rows, of a site and of a year where it has them."""
    name = f"{table}/{site}" if site else table
    return f"{name}/{year}" if year else name


def explained(before: Mapping[str, str], now: Mapping[str, str], files: Iterable[ListedFile], site: str) -> bool:
    """Say whether some files, and nothing else, lead from the digests of a table's rows of a site then to those now.

    Parameters
    ----------
    before, now : mapping of str to str
        As of ``Inputs.of``.
    files : iterable of ListedFile
        Of the table and the site, in the order of ``Inputs.add``.
    site : str
    """
    digests = dict(before)
    for file in files:
        for year in file.years or (ANY_YEAR,):
            name = digest_name(file.table, site, year)
            digests[name] = followed(digests.get(name, ""), file)
    return digests == dict(now)


def inputs_digest(inputs: Mapping[str, str]) -> str:
    """Digest what something was made from: sha256 of the canonical JSON of names and digests."""
    return sha256(canonical_json(dict(inputs)))
