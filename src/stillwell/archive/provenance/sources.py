"""Names of the entities that derived rows rest on: those that stood then and act in the span of the rows."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Set
from dataclasses import dataclass

import numpy as np
import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import commit_at
from stillwell.archive.provenance.beside_gaugings import handed_in_names
from stillwell.archive.provenance.mapping import DERIVED
from stillwell.archive.provenance.names import record_name, safe
from stillwell.hydrometry.rating.which_rating_holds import ratings_in_order


@dataclass(frozen=True)
class Extent:
    """The rows of one derived table: how many, over which span, and the name of the record they revise, if any."""

    rows: int
    since: pd.Timestamp
    until: pd.Timestamp
    revises: str = ""


@dataclass(frozen=True)
class Sources:
    """The sources of the rows that a commit derived at one site."""

    site: str
    extents: Mapping[str, Extent]
    """By derived table."""
    used: tuple[str, ...]
    """Names of entities, sorted."""
    apart_s: float
    """The longest gap that was bridged, in s."""


def sources(archive: Archive, site: str, tables: Mapping[str, pd.DataFrame], apart_s: float) -> Sources:
    """Name the entities that derived rows of a site rest on.

    Parameters
    ----------
    archive : Archive
        As it stood when they were derived.
    site : str
    tables : mapping of str to DataFrame
        Rows derived, of this site and maybe of others.
    apart_s : float
        How far in time a value still acts on another, in s: the longest gap that is bridged.

    Returns
    -------
    Sources
        Names only what acts in the span of the rows: all stage handed in there, revised or not, since all of it is
        checked; the ratings that hold in it with the shifts around it; corrections and conditions that meet it.
    """
    mine = {name: rows[rows["site"] == site] for name, rows in sorted(tables.items())}
    extents = {name: _extent(archive, site, name, rows) for name, rows in mine.items() if len(rows)}
    beyond = pd.Timedelta(seconds=apart_s)
    since = min(extent.since for extent in extents.values()) - beyond
    until = max(extent.until for extent in extents.values()) + beyond
    used = {f"site:{safe(site)}"}
    stage = archive.read("stage", [site], ["sensor", "time", "deposit"])
    inside = stage[((stage["time"] >= since) & (stage["time"] <= until)).to_numpy()]
    used |= handed_in_names("stage", inside.assign(site=site))
    for table in ("corrections", "conditions"):
        used |= names_between(table, archive.standing(table, [site]), since, until)
    ratings = ratings_in_order(archive.standing("ratings", [site]), site)
    acting_then = (ratings["valid_from"] <= until) & (ratings["until"].isna() | (ratings["until"] > since))
    used |= rating_names(archive.standing, set(ratings.loc[acting_then, "rating"]), since, until)
    return Sources(site, extents, tuple(sorted(used)), apart_s)


def names_between(table: str, rows: pd.DataFrame, since: pd.Timestamp, until: pd.Timestamp) -> set[str]:
    """Name the entities of the rows whose half-open span ``from`` to ``to`` meets the moments since to until."""
    return handed_in_names(table, rows[(rows["from"] <= until) & (rows["to"] > since)])


def rating_names(
    current: Callable[[str], pd.DataFrame], ratings: Set[str], since: pd.Timestamp, until: pd.Timestamp
) -> set[str]:
    """Name the rows and segments of some ratings, and their shifts from the last before a span to the first after it.

    ``current`` reads the current rows of a table.
    """
    rows_of = {table: current(table) for table in ("ratings", "rating_segments", "shifts")}
    mine = {table: rows[rows["rating"].isin(ratings)] for table, rows in rows_of.items()}
    names = handed_in_names("ratings", mine["ratings"]) | handed_in_names("rating_segments", mine["rating_segments"])
    for _, shifts in mine["shifts"].sort_values("from", kind="stable").groupby("rating", sort=False):
        names |= handed_in_names("shifts", shifts[acting(shifts["from"], since, until)])
    return names


def acting(moments: pd.Series, since: pd.Timestamp, until: pd.Timestamp) -> np.ndarray:
    """Mark the moments, in order, that act on a span: all within it, the last before and the first after."""
    before, after = moments[moments <= since], moments[moments >= until]
    low = before.iloc[-1] if len(before) else since
    high = after.iloc[0] if len(after) else until
    return ((moments >= low) & (moments <= high)).to_numpy(dtype=bool)


def _extent(archive: Archive, site: str, table: str, rows: pd.DataFrame) -> Extent:
    since = rows[DERIVED[table].since].min()
    until = rows[[DERIVED[table].since, DERIVED[table].until]].max().max()
    return Extent(len(rows), since, until, _revised(archive, site, table, rows, since, until))


def _revised(
    archive: Archive, site: str, table: str, rows: pd.DataFrame, since: pd.Timestamp, until: pd.Timestamp
) -> str:
    """Name the newest record that had rows in the span, where some of the new ones take the place of others."""
    if not (rows["revision"] > 1).any():
        return ""
    start = DERIVED[table].since
    earlier = archive.read(table, [site], [start, "recorded_at"])
    newest = earlier.loc[((earlier[start] >= since) & (earlier[start] <= until)).to_numpy(), "recorded_at"].max()
    number = commit_at(archive.ledger, newest)
    return record_name(site, number, table)
