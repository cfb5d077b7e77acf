"""Gaugings that were corrected to another site than the one in their archive id. Decides only."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

_NAMED_AFTER = r"^(.*)\.\d{8}T\d{6}Z(?:\..*)?$"


def linked_by(gaugings: pd.DataFrame | None) -> tuple[tuple[str, str], ...]:
    """Pair the site a gauging is named after with the site its row gives, where they differ.

    Parameters
    ----------
    gaugings : DataFrame or None
        Rows of the archive table.

    Returns
    -------
    tuple of (str, str)
        Sorted, each pair once.
    """
    if gaugings is None or gaugings.empty:
        return ()
    named = sites_named(gaugings["gauging_id"])
    moved = named.notna() & (named != gaugings["site"])
    return tuple(sorted(set(zip(named[moved], gaugings.loc[moved, "site"], strict=True))))


def sites_named(gauging_ids: pd.Series) -> pd.Series:
    """Read the site off archive ids; missing where a text is no archive id."""
    return gauging_ids.astype("str").str.extract(_NAMED_AFTER, expand=False)


def linked_sites(sites: Iterable[str], links: Iterable[tuple[str, str]]) -> set[str]:
    """Add to some sites those that share a gauging with them, directly or by way of others."""
    linked, pairs = set(sites), list(links)
    while more := {site for link in pairs if linked & set(link) for site in link} - linked:
        linked |= more
    return linked
