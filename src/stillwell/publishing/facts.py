"""What the documents of a bag say about it, collected once, so that none says it differently."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from urllib.parse import quote

import pandas as pd

from stillwell.archive.netcdf.global_attributes import LICENCE_BASE

_SPDX = re.compile(r"[A-Za-z0-9][A-Za-z0-9.+-]*")


@dataclass(frozen=True)
class LeftOut:
    """How much stayed behind, and why; counts only, so that it can be said in public."""

    closed_sites: int = 0
    closed_gaugings: int = 0
    embargoed_sites: int = 0
    embargoed_gaugings: int = 0
    withdrawn_gaugings: int = 0
    waiting_revisions: int = 0
    """Gaugings published of which a newer revision waits for a review."""
    codes_withheld: int = 0
    """Cells that should hold a person's code and did not look like one."""
    tables: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()

    @property
    def gaugings(self) -> int:
        """Gaugings left out for any reason."""
        return self.closed_gaugings + self.embargoed_gaugings + self.withdrawn_gaugings


@dataclass(frozen=True)
class Facts:
    """Who, where, when, how, how sure and under which licence, of one bag."""

    title: str
    day: date
    by: str
    office: Mapping[str, str]
    register: pd.DataFrame
    gaugings: pd.DataFrame
    findings: pd.DataFrame
    rows: Mapping[str, int]
    """Rows by table."""
    site_years: int
    left_out: LeftOut
    dataset: str
    """Digest that names the data set."""
    software_version: str
    asked: bool = False
    """Whether only some sites were asked for."""

    @property
    def owners(self) -> tuple[str, ...]:
        """Whoever owns the measurements, each once; the office where the register names nobody."""
        named = self.register["owner"].fillna(self.office["name"])
        return tuple(dict.fromkeys(named))

    @property
    def licences(self) -> tuple[str, ...]:
        """The licences, each once."""
        return tuple(dict.fromkeys(self.register["licence"].str.strip()))

    @property
    def period(self) -> tuple[str, str] | None:
        """First and last day (UTC) of a gauging, ISO 8601; None without gaugings."""
        if self.gaugings.empty:
            return None
        first, last = self.gaugings["started_at"].min(), self.gaugings["ended_at"].max()
        return f"{first:%Y-%m-%d}", f"{last:%Y-%m-%d}"

    @property
    def name(self) -> str:
        """The name of the data set, a URN; it is no DOI."""
        return f"urn:stillwell:dataset:{self.dataset}"

    @property
    def statuses(self) -> dict[str, int]:
        """Gaugings by status."""
        return counted(self.gaugings["status"])

    @property
    def abstract(self) -> str:
        """What the data set is, in three sentences."""
        words = ", ".join(f"{count} {word}" for word, count in self.statuses.items()) or "none"
        return (
            f"{len(self.gaugings)} gaugings (discharge measurements of streams) at {len(self.register)} sites: results "
            "with two estimates of uncertainty, verticals and their panels, point velocities, gauge heights, checks of "
            f"the meters, and findings. By status: {words}; provisional results are not yet reviewed and may change. "
            f"Rows are as they stood in the archive, as far as they were public on {self.day.isoformat()}."
        )


def counted(values: pd.Series) -> dict[str, int]:
    """Count words, the most frequent first, then by the alphabet."""
    counts = values.dropna().astype("str").value_counts()
    return {str(word): int(counts[word]) for word in sorted(counts.index, key=lambda w: (-counts[w], w))}


def licence_address(licence: str) -> str | None:
    """Give the page of an SPDX identifier; None for what cannot be one."""
    return f"{LICENCE_BASE}{quote(licence)}" if _SPDX.fullmatch(licence) else None
