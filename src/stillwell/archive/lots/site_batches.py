"""Sites parted so that not many rows are in hand at a time. Decides only; reads no row."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence

from stillwell.archive.archive import Archive
from stillwell.archive.packing import packed


def rows_at(archive: Archive, table: str, sites: Sequence[str] | None = None) -> Counter[str]:
    """Count the rows an archive holds of a table by site, every revision; under no name where it knows no sites.

    The rows of a file of several sites count in equal parts: enough to say how many sites go into a lot.
    """
    counts: Counter[str] = Counter()
    for file in archive.table_files(table, sites):
        named = file.sites or ("",)
        counts.update(dict.fromkeys(named, -(-file.rows // len(named))))
    return counts


def portions(sites: Iterable[str], sizes: Mapping[str, int], most: int, together: int = 0) -> Iterator[list[str]]:
    """Part sites, in their order, into lots of so many rows; a site with more is a lot by itself.

    Parameters
    ----------
    sites : iterable of str
    sizes : mapping of str to int
        Rows by site; none where one is not named.
    most : int
        Rows of a lot.
    together : int
        Sites of a lot at most; any number without.

    Returns
    -------
    iterator of list of str
    """
    return packed(sites, lambda site: sizes.get(site, 0), most, together)
