"""What is public on a day, and what may not go out without more words. Decides only; reads and writes nothing.

A site's description that holds at the start of the day, in the site's standard time, decides for all its measurements.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import pandas as pd

from stillwell.errors import ArchiveError

NO_LICENCE = frozenset({"", "none", "noassertion", "not stated", "unknown", "tbd"})
"""Words that name no licence; the second and third are what SPDX writes for that."""
LATEST = pd.Timedelta(hours=-12)
"""Offset of the places where a day begins last; stands in where a site's own cannot be read."""


class CannotPublish(ArchiveError):
    """The archive, or what was asked for, does not allow publishing; nothing was written."""


@dataclass(frozen=True)
class Public:
    """Which sites go out on a day and which do not, and the description of those that do."""

    day: date
    register: pd.DataFrame
    """One row per site published: the description that holds on the day, by code."""
    closed: tuple[str, ...] = ()
    embargoed: tuple[str, ...] = ()

    @property
    def sites(self) -> tuple[str, ...]:
        """Codes of the sites published."""
        return tuple(self.register["site"])


def public_on(day: date, sites: pd.DataFrame, known: Sequence[str], asked: Sequence[str] | None = None) -> Public:
    """Decide which sites are public on a day.

    Parameters
    ----------
    day : date
    sites : DataFrame
        The register's rows that stand.
    known : sequence of str
        Sites of which the archive holds gaugings, in the register or not.
    asked : sequence of str, optional
        Only these sites.

    Returns
    -------
    Public

    Raises
    ------
    CannotPublish
        If a site asked for is not in the register, nothing is public, or a site to be published has no licence.

    Notes
    -----
    Closed never goes out. Embargoed goes out from the first day that begins at or after ``public_from``; without
    one it does not go out. A ``public_from`` yet to come holds a site back whatever its ``access`` says.
    """
    described = on_the_day(sites, day)
    missing = sorted(set(known if asked is None else asked) - set(described["site"]))
    if missing:
        msg = f"expected every site to publish in the register, found none for {', '.join(missing)}; nothing published"
        raise CannotPublish(msg)
    if asked is not None:
        described = described[described["site"].isin(set(asked))]
    closed = described["access"] == "closed"
    waiting = described["public_from"] > _begins(described, day)
    embargoed = ~closed & (waiting | ((described["access"] == "embargoed") & described["public_from"].isna()))
    register = described[~closed & ~embargoed].reset_index(drop=True)
    public = Public(day, register, tuple(described["site"][closed]), tuple(described["site"][embargoed]))
    if register.empty:
        msg = (
            f"expected something that is public on {day}, found {len(public.closed)} closed and "
            f"{len(public.embargoed)} embargoed sites; nothing was published"
        )
        raise CannotPublish(msg)
    _refuse_unlicensed(register)
    return public


def on_the_day(sites: pd.DataFrame, day: date) -> pd.DataFrame:
    """Pick each site's description that holds when a day begins; the earliest where all are yet to come."""
    ordered = sites.sort_values(["site", "valid_from"], na_position="first", kind="stable")
    holds = ordered["valid_from"].isna() | (ordered["valid_from"] <= _begins(ordered, day))
    now = ordered[holds].drop_duplicates("site", keep="last")
    later = ordered[~ordered["site"].isin(set(now["site"]))].drop_duplicates("site")
    return pd.concat([now, later]).sort_values("site", kind="stable").reset_index(drop=True)


def _begins(sites: pd.DataFrame, day: date) -> pd.Series:
    """Say when the day begins at each site, in UTC."""
    offsets = pd.Series([_offset(text) for text in sites["utc_offset"]], index=sites.index, dtype="timedelta64[us]")
    return pd.Timestamp(day, tz="UTC") - offsets


def _offset(text: object) -> pd.Timedelta:
    match = re.fullmatch(r"([+-])(\d{2}):(\d{2})", str(text))
    if match is None:
        return LATEST
    span = pd.Timedelta(hours=int(match[2]), minutes=int(match[3]))
    return -span if match[1] == "-" else span


def _refuse_unlicensed(register: pd.DataFrame) -> None:
    licences = register["licence"].fillna("").astype("str").str.strip().str.casefold()
    without = register["site"][licences.isin(NO_LICENCE)]
    if len(without):
        msg = (
            f"expected a licence (an SPDX identifier) for every site to publish, found none for {', '.join(without)}; "
            "nothing was published: hand in `sites` with the column licence, or leave these sites out"
        )
        raise CannotPublish(msg)
