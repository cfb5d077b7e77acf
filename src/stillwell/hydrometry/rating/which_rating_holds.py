"""Which rating of a site holds at a moment, and which shift with it: the one rule, asked by everything that needs it.

Ratings hold in the order of ``valid_from``, each until the next one does. Of two valid from one moment the one recorded
last holds; of two recorded in one commit, the one whose name sorts last. Neither the order of rows nor of files counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from stillwell.hydrometry.gauging.gauge_height import microseconds
from stillwell.hydrometry.rating.kinds import rating_of
from stillwell.hydrometry.rating.rating import Rating
from stillwell.hydrometry.rating.shift import Shifts
from stillwell.hydrometry.rating.spans_in_force import RatingInForce, Table

ORDER = ["valid_from", "recorded_at", "rating"]
"""Columns by which ratings of a site follow each other; of one ``valid_from`` the last row holds."""
GRID = 2000
"""Stages at which the uncertainty of a rating is laid out, from zero flow to three times the highest gauged head."""


@dataclass(frozen=True)
class Otherwise:
    """Standard uncertainties where none was handed in: of a rating relative (1), of a shift in m."""

    rating: float
    shift_m: float


@dataclass(frozen=True)
class Rated:
    """A rating of a site: its row, the span ``[since, until)`` it holds, segments, shifts; ``force`` computes with it.

    ``until`` is None of the newest. Missing cells of ``row`` are None.
    """

    name: str
    row: Mapping[str, Any]
    since: pd.Timestamp
    until: pd.Timestamp | None
    segments: pd.DataFrame
    shifts: pd.DataFrame
    force: RatingInForce

    def holds_at(self, times: pd.Series) -> pd.Series:
        """Say at which times it holds."""
        return (times >= self.since) & (times < self.until if self.until is not None else True)

    @property
    def fitted(self) -> bool:
        """Whether its uncertainty came with it; else the office's policy gives it."""
        return self.force.uncertainty.at.size > 1


def ratings_in_order(ratings: pd.DataFrame, site: str) -> pd.DataFrame:
    """Select the ratings of a site that hold at some time, in the order they do, with ``until``.

    Parameters
    ----------
    ratings : DataFrame
        Rows of ``ratings`` that stand, in any order.
    site : str

    Returns
    -------
    DataFrame
        ``until`` is the next one's ``valid_from``, NaT of the last.
    """
    rows = ratings[ratings["site"] == site].sort_values(ORDER, kind="stable")
    rows = rows.drop_duplicates("valid_from", keep="last").reset_index(drop=True)
    return rows.assign(until=rows["valid_from"].shift(-1))


def ratings_passed_over(ratings: pd.DataFrame, site: str) -> pd.DataFrame:
    """Select the ratings of a site that never hold because another is valid from the same moment, with its name.

    Returns
    -------
    DataFrame
        Columns of ``ratings``, ``holds`` (the name of the one that does) and ``until`` (when that one ends).
    """
    winners = ratings_in_order(ratings, site)[["valid_from", "rating", "until"]].rename(columns={"rating": "holds"})
    rows = ratings[ratings["site"] == site].merge(winners, on="valid_from")
    return rows[rows["rating"] != rows["holds"]].sort_values(ORDER, kind="stable").reset_index(drop=True)


def ratings_of(
    ratings: pd.DataFrame, segments: pd.DataFrame, shifts: pd.DataFrame, site: str, otherwise: Otherwise
) -> list[Rated]:
    """Lay out the ratings of a site in the order they hold.

    Parameters
    ----------
    ratings, segments, shifts : DataFrame
        Rows that stand of ``ratings``, ``rating_segments`` and ``shifts``; those of other sites are left aside.
    site : str
    otherwise : Otherwise

    Returns
    -------
    list of Rated

    Raises
    ------
    RatingError
        Segments that make no rating.
    """
    out = []
    for row in ratings_in_order(ratings, site).to_dict("records"):
        name = row["rating"]
        mine = segments[segments["rating"] == name].sort_values("from_m", kind="stable")
        moved = shifts[shifts["rating"] == name].sort_values(["from", "stage_m"], kind="stable")
        plain = {str(column): None if pd.isna(value) else value for column, value in row.items()}
        since, until = pd.Timestamp(str(plain["valid_from"])), plain.pop("until")
        force = _in_force(plain, mine, moved, otherwise)
        out.append(Rated(str(name), plain, since, until, mine, moved, force))
    return out


def _in_force(
    row: Mapping[str, Any], segments: pd.DataFrame, shifts: pd.DataFrame, otherwise: Otherwise
) -> RatingInForce:
    """Make a rating ready to be used, from its row, its segments and its shifts."""
    rating = rating_of(row, segments)
    low, high = (float("nan") if row[name] is None else float(row[name]) for name in ("gauged_from_m", "gauged_to_m"))
    moved = None
    if len(shifts):
        moved = Shifts(
            microseconds(shifts["from"]),
            shifts["stage_m"].to_numpy(dtype="float64"),
            shifts["shift_m"].to_numpy(dtype="float64"),
            shifts["uncertainty_m"].fillna(otherwise.shift_m).to_numpy(dtype="float64"),
        )
    since = pd.Timestamp(str(row["valid_from"])).value // 1000
    return RatingInForce(since, rating, low, high, _uncertainty(rating, high, otherwise.rating), moved)


def _uncertainty(rating: Rating, highest_m: float, otherwise: float) -> Table:
    """Lay out the relative standard uncertainty of a rating; whatever its record holds, it is the same."""
    if np.isfinite(highest_m):
        foot = rating.zero_flow_m
        grid = np.linspace(foot + 1e-3, foot + max(3 * (highest_m - foot), 0.1), GRID)
        value = rating.uncertainty(grid)
        known = np.isfinite(value)
        if known.any():
            return Table(grid[known], value[known])
    return Table(np.zeros(1), np.array([otherwise]))
