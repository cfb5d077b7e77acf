"""What the rows of a derivation rest on, by name: whatever stood then and acts in their span. Reads, writes nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.provenance.names import handed_in_name, record_name, safe
from stillwell.archive.provenance.series import with_sensor
from stillwell.hydrometry.rating.resolver import ratings_in_order

SPANS = {"discharge": ("time", "time"), "daily": ("starts_at", "ends_at"), "series_doubts": ("from", "to")}
"""By derived table: columns of the start and end of what a row tells."""


@dataclass(frozen=True)
class Extent:
    """The rows of one derived table: how many, over which span, and the name of the record they revise, if any."""

    rows: int
    since: pd.Timestamp
    until: pd.Timestamp
    revises: str = ""


@dataclass(frozen=True)
class Sources:
    """What the rows that a commit derived at one site came out of."""

    site: str
    extents: Mapping[str, Extent]
    """By derived table."""
    used: tuple[str, ...]
    """Names of entities, sorted."""
    apart_s: float
    """The longest gap that was bridged, in s."""


def sources(archive: Archive, site: str, tables: Mapping[str, pd.DataFrame], apart_s: float) -> Sources:
    """Say what derived rows of a site rest on.

    Parameters
    ----------
    archive : Archive
        As it stood when they were derived.
    site : str
    tables : mapping of str to DataFrame
        Rows derived, of this site and maybe of others.
    apart_s : float
        How far in time a value still bears on another, in s: the longest gap that is bridged.

    Returns
    -------
    Sources
        Names only what acts in the span of the rows: all stage handed in there, revised or not, since all of it is
        doubted; the ratings that hold in it with the shifts around it; corrections and conditions that meet it.
    """
    mine = {name: rows[rows["site"] == site] for name, rows in sorted(tables.items())}
    extents = {name: _extent(archive, site, name, rows) for name, rows in mine.items() if len(rows)}
    beyond = pd.Timedelta(seconds=apart_s)
    since = min(extent.since for extent in extents.values()) - beyond
    until = max(extent.until for extent in extents.values()) + beyond
    used = {f"site:{safe(site)}"}
    stage = with_sensor(archive.read("stage", [site], ["sensor", "time", "deposit"]))
    inside = stage[((stage["time"] >= since) & (stage["time"] <= until)).to_numpy()]
    used |= _named("series", inside.assign(site=site), ["site", "sensor"])
    for table, prefix, key in (
        ("corrections", "correction", ["site", "sensor"]), ("conditions", "condition", ["site"]),
    ):  # fmt: skip
        rows = with_sensor(archive.standing(table, [site]))
        used |= _named(prefix, rows[(rows["from"] <= until) & (rows["to"] > since)], key)
    return Sources(site, extents, tuple(sorted(used | _ratings(archive, site, since, until))), apart_s)


def _named(prefix: str, rows: pd.DataFrame, key: list[str]) -> set[str]:
    """Name what deposits say, once for each key and deposit met."""
    pairs = rows[[*key, "deposit"]].drop_duplicates().to_numpy(dtype=object).tolist()
    return {handed_in_name(prefix, tuple(map(str, parts)), str(deposit)) for *parts, deposit in pairs}


def _ratings(archive: Archive, site: str, since: pd.Timestamp, until: pd.Timestamp) -> set[str]:
    """Name the ratings that hold in a span, rows and segments, and their shifts from last before to first after."""
    rows = ratings_in_order(archive.standing("ratings", [site]), site)
    held = rows[(rows["valid_from"] <= until) & (rows["until"].isna() | (rows["until"] > since))]
    names = set(held["rating"])
    segments, shifts = (archive.standing(name) for name in ("rating_segments", "shifts"))
    used = _named("adoption", held, ["rating"])
    used |= _named("adoption", segments[segments["rating"].isin(names)], ["rating"])
    for rating in sorted(names):
        mine = shifts[shifts["rating"] == rating].sort_values("from", kind="stable")
        used |= _named("shift", mine[acting(mine["from"], since, until)], ["rating"])
    return used


def acting(moments: pd.Series, since: pd.Timestamp, until: pd.Timestamp) -> np.ndarray:
    """Say which of some moments, in order, bear on a span: all within, the last before and the first after."""
    before, after = moments[moments <= since], moments[moments >= until]
    low = before.iloc[-1] if len(before) else since
    high = after.iloc[0] if len(after) else until
    return ((moments >= low) & (moments <= high)).to_numpy(dtype=bool)


def _extent(archive: Archive, site: str, table: str, rows: pd.DataFrame) -> Extent:
    start, end = SPANS[table]
    since, until = rows[start].min(), rows[[start, end]].max().max()
    return Extent(len(rows), since, until, _revised(archive, site, table, rows, since, until))


def _revised(
    archive: Archive, site: str, table: str, rows: pd.DataFrame, since: pd.Timestamp, until: pd.Timestamp
) -> str:
    """Name the newest record that had rows in the span, where some of the new ones take the place of others."""
    if not (rows["revision"] > 1).any():
        return ""
    start = SPANS[table][0]
    kept = archive.read(table, [site], [start, "recorded_at"])
    newest = kept.loc[((kept[start] >= since) & (kept[start] <= until)).to_numpy(), "recorded_at"].max()
    number = commit_at(archive.ledger, newest)
    return record_name(site, number, table)


def commit_at(ledger: Ledger, moment: pd.Timestamp) -> int:
    """Find the number of the commit recorded at a moment, by halving; the last one not after it."""
    low, high = 0, ledger.head_number()
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if ledger.entry(middle).recorded_at <= moment else (low, middle - 1)
    return low
