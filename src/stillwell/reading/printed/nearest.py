"""Names an archive knows that are written much like one it does not know."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.moved_gaugings import sites_named

MOST_COMPARED = 5000
"""Names compared letter by letter: of more, only those that begin alike."""


def nearest(text: str, known: Iterable[str], most: int = 3) -> list[str]:
    """Pick the names written most like one: those that begin with it or hold it, then those of alike letters.

    Parameters
    ----------
    text : str
    known : iterable of str
    most : int

    Returns
    -------
    list of str
    """
    folded = {name.casefold(): name for name in sorted(known)}
    folded_text = text.casefold()
    if not folded_text:
        return []
    begins = [name for name in folded if name.startswith(folded_text)]
    holds = [name for name in folded if folded_text in name]
    compared = folded if len(folded) <= MOST_COMPARED else [name for name in folded if name[:4] == folded_text[:4]]
    alike = difflib.get_close_matches(folded_text, list(compared)[:MOST_COMPARED], most, 0.6)
    return [folded[name] for name in list(dict.fromkeys([*begins, *holds, *alike]))[:most]]


def nearest_gaugings(archive: Archive, text: str, most: int = 3) -> list[str]:
    """Pick the archive ids of gaugings written most like one.

    Parameters
    ----------
    archive : Archive
    text : str
    most : int

    Returns
    -------
    list of str
    """
    sites = set(archive.table_sites("gaugings"))
    named = [site for site in sites_named(pd.Series([text])).dropna() if site in sites]
    mine = archive.related(named) if named else None
    ids = archive.read("gaugings", mine, columns=["gauging_id"])["gauging_id"]
    return nearest(text, ids.drop_duplicates(), most)


def known_sites(archive: Archive) -> list[str]:
    """Name the sites an archive holds anything of.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of str
    """
    return sorted({site for table in archive.tables() for site in archive.table_sites(table)})
