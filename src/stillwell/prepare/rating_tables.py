"""The tables of ratings as they stand or stood, read once and asked several times. Writes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from stillwell.assessment.policy import Policy
from stillwell.hydrometry.rating.which_rating_holds import Rated, ratings_of
from stillwell.prepare.context import Standing
from stillwell.reading.rating.site_ratings import TABLES as OF_RATINGS
from stillwell.reading.rating.site_ratings import otherwise_of


class RatingTables:
    """Rows of ratings, segments and shifts that stand, of one moment; a ``Standing`` of these tables.

    Parameters
    ----------
    rows : mapping of str to DataFrame
        By name of table.
    """

    def __init__(self, rows: Mapping[str, pd.DataFrame]) -> None:
        self._rows = rows

    @classmethod
    def of(cls, view: Standing) -> RatingTables:
        """Read them of every site."""
        return cls({table: view.standing(table) for table in OF_RATINGS})

    def standing(self, table: str, sites: Sequence[str] | None = None) -> pd.DataFrame:
        """Return the rows that stand, of these sites where the table knows any."""
        rows = self._rows[table]
        return rows if sites is None or "site" not in rows else rows[rows["site"].isin(list(sites))]


def rated_in_order(view: Standing, site: str, policy: Policy) -> list[Rated]:
    """Lay out the ratings of a site in the order they hold, each with its segments and shifts."""
    ratings = view.standing(OF_RATINGS[0], [site])
    segments, shifts = (view.standing(table) for table in OF_RATINGS[1:])
    return ratings_of(ratings, segments, shifts, site, otherwise_of(policy))
