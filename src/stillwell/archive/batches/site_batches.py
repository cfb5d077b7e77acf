"""Batches of whole sites, so that only so many rows are in memory at a time. Decides only; reads no row."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence

from stillwell.archive.archive import Archive
from stillwell.archive.filled_groups import packed


def rows_at(archive: Archive, table: str, sites: Sequence[str] | None = None) -> Counter[str]:
    """Count the rows an archive holds of a table by site, every revision; under no name where it knows no sites.

    The rows of a file of several sites count in equal parts: enough to say how many sites go into a batch.
    """
    counts: Counter[str] = Counter()
    for file in archive.table_files(table, sites):
        named = file.sites or ("",)
        counts.update(dict.fromkeys(named, -(-file.rows // len(named))))
    return counts


def site_batches(sites: Iterable[str], sizes: Mapping[str, int], most: int, together: int = 0) -> Iterator[list[str]]:
    """Group sites, in their order, into batches of at most so many rows; a site with more is a batch by itself.

    Parameters
    ----------
    sites : iterable of str
    sizes : mapping of str to int
        Rows by site; none where one is not named.
    most : int
        Rows of a batch.
    together : int
        Sites of a batch at most; any number without.

    Returns
    -------
    iterator of list of str
    """
    return packed(sites, lambda site: sizes.get(site, 0), most, together)


def table_batches(
    archive: Archive, table: str, most: int, sites: Sequence[str] | None = None
) -> Iterator[list[str] | None]:
    """Group the sites of which an archive holds rows of a table, in order of their codes, into batches.

    Parameters
    ----------
    archive : Archive
    table : str
    most : int
        Rows of a batch.
    sites : sequence of str, optional
        Only these.

    Yields
    ------
    list of str or None
        None, once, for a table that knows no sites or has no row.
    """
    sizes = rows_at(archive, table, sites)
    if "" in sizes or not sizes:
        yield None
    else:
        yield from site_batches(sorted(sizes.keys() if sites is None else sizes.keys() & set(sites)), sizes, most)
