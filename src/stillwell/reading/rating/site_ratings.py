"""The ratings of a site out of an archive, and how far gaugings lie from the one in force. Decides no order itself."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.assessment.policy import Policy
from stillwell.hydrometry.gauging.gauge_height import microseconds
from stillwell.hydrometry.rating.which_rating_holds import Otherwise, Rated, ratings_in_order, ratings_of
from stillwell.reading.rating.site_fit import numbers_of, rated_discharge

TABLES = ("ratings", "rating_segments", "shifts")


def otherwise_of(policy: Policy) -> Otherwise:
    """Take the uncertainties of ratings and shifts that came without their own from the office's policy."""
    return Otherwise(policy.value("rating_uncertainty_pct") / 100, policy.value("shift_uncertainty_m"))


def archive_ratings(archive: Archive, site: str, policy: Policy) -> list[Rated]:
    """Read the ratings of a site in the order they hold; none where the archive has no tables of them."""
    if not set(TABLES) <= set(archive.tables()):
        return []
    ratings = archive.standing("ratings", [site])
    if ratings.empty:
        return []
    segments, shifts = (archive.standing(name) for name in TABLES[1:])
    return ratings_of(ratings, segments, shifts, site, otherwise_of(policy))


def newest_rating(archive: Archive, site: str) -> pd.Series | None:
    """Return the row of the rating of a site that holds last; None without any."""
    rows = ratings_in_order(archive.standing("ratings", [site]), site)
    return None if rows.empty else rows.iloc[-1]


def departures(gaugings: pd.DataFrame, ratings: Sequence[Rated]) -> pd.Series:
    """Compute ``100 (Q/Qr(h + s) - 1)`` (%), Qr the rating in force at the start of each gauging and s its shift then.

    Parameters
    ----------
    gaugings : DataFrame
        ``started_at``, ``gauge_height_m``, ``discharge_m3_s``, ``discharge_at_gauge_m3_s``; a unique index.
    ratings : sequence of Rated

    Returns
    -------
    Series
        NaN where no rating held, the rating gives no flow, or gauge height or discharge are missing.
    """
    out = pd.Series(np.nan, index=gaugings.index)
    for rating in ratings:
        rows = gaugings[rating.holds_at(gaugings["started_at"])]
        if rows.empty:
            continue
        stage, q = numbers_of(rows, "gauge_height_m"), rated_discharge(rows)
        moved = rating.force.shifts
        shift = 0.0 if moved is None else moved.at(microseconds(rows["started_at"]), stage)[0]
        rated = rating.force.curve.discharge(stage + shift)
        out[rows.index] = 100 * (np.divide(q, rated, out=np.full(q.size, np.nan), where=rated > 0) - 1)
    return out
