"""Ratings and records where an archive holds them: lines and series to draw. Absent or empty tables are no error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.archive import Archive
from stillwell.assessment.policy import Policy
from stillwell.drawing.rating import Line
from stillwell.drawing.thinning import usual_step
from stillwell.drawing.window import Series
from stillwell.errors import ArchiveError
from stillwell.hydrometry.rating.which_rating_holds import Rated
from stillwell.reading.policy import policy_shown
from stillwell.reading.rating.site_ratings import archive_ratings
from stillwell.reporting.page import us

Floats = NDArray[np.float64]

STAGES = 160
"""Stages a rating is drawn at, evenly, and as many by ratio."""
LEAST_HEAD = 1e-3
"""Share of the greatest head drawn at which stages by ratio begin."""
K = 2.0
"""Coverage factor of an expanded uncertainty, about 95 %."""
FURTHER = 0.15
"""Share of the greatest head a rating is drawn above it."""


def optional(archive: Archive, table: str, sites: Sequence[str] | None = None, as_of: Any = None) -> pd.DataFrame:
    """Read the rows of a table that stand; none at all where the archive has no such table."""
    if table not in archive.tables():
        return pd.DataFrame()
    try:
        return archive.at(as_of).standing(table, sites)
    except ArchiveError:
        return pd.DataFrame()


@dataclass(frozen=True)
class Shown:
    """A rating as a page shows it: the rating, its line to draw, and the stages gauged, m."""

    rated: Rated
    line: Line
    gauged: tuple[float, float] | None
    office_pct: float | None = None
    """Expanded uncertainty the office gives a rating that came without its own, in percent; None where it has one."""

    @property
    def zero_m(self) -> float:
        """Stage of zero flow, m."""
        return self.rated.force.curve.zero_flow_m


def shown_ratings(archive: Archive, site: str, gauged_m: Floats, as_of: Any = None) -> list[Shown]:
    """Lay out the ratings of a site for drawing, in the order they hold.

    Parameters
    ----------
    archive : Archive
    site : str
    gauged_m : float array
        Stages of the site's gaugings, for a rating that does not say what was gauged.
    as_of : datetime, optional

    Returns
    -------
    list of Shown
    """
    policy = policy_shown(archive.at(as_of)).policy
    return [shown_rating(rated, gauged_m, policy) for rated in archive_ratings(archive.at(as_of), site, policy)]


def shown_rating(rated: Rated, gauged_m: Floats, policy: Policy) -> Shown:
    """Lay out a rating for drawing, with the interval the record derived from it has too.

    Parameters
    ----------
    rated : Rated
    gauged_m : float array
        Stages of the site's gaugings, m.
    policy : Policy
        Gives the uncertainty of a rating that came without its own.
    """
    force, known = rated.force, gauged_m[np.isfinite(gauged_m)]
    gauged = None
    if np.isfinite(force.lowest_m) and np.isfinite(force.highest_m):
        gauged = (force.lowest_m, force.highest_m)
    elif known.size:
        gauged = (float(known.min()), float(known.max()))
    office_pct = None if rated.fitted else K * policy.value("rating_uncertainty_pct")
    return Shown(rated, _line(rated, gauged, known), gauged, office_pct)


def _line(rated: Rated, gauged: tuple[float, float] | None, known: Floats) -> Line:
    """Lay a rating out from its stage of zero flow to somewhat above what was gauged.

    Half of its stages lie evenly, half by equal ratios of the head, so that it is smooth on plain and on log axes.
    """
    curve = rated.force.curve
    low = curve.zero_flow_m
    tops = [*known.tolist(), *(gauged or ()), curve.support_m[1]]
    head = (1 + FURTHER) * max(max(tops) - low, 0.1)
    marks = [stage for stage in gauged or () if low < stage < low + head]
    heads = np.r_[np.linspace(0.0, head, STAGES), np.geomspace(LEAST_HEAD * head, head, STAGES)]
    stage = np.unique(np.r_[low + heads, marks])
    beyond = np.ones(stage.size, dtype=bool) if gauged is None else (stage < gauged[0]) | (stage > gauged[1])
    q, part = curve.discharge(stage), K * rated.force.uncertainty(stage)
    return Line(stage, q, beyond, q * np.maximum(1 - part, 0.0), q * (1 + part), rated.name)


def record_of(archive: Archive, site: str, as_of: Any = None) -> Series | None:
    """Read the discharge record of a site as a series to draw; None without one."""
    rows = optional(archive, "discharge", [site], as_of)
    if rows.empty:
        return None
    rows = rows.sort_values("time", kind="stable")
    value = rows["discharge_m3_s"].to_numpy(dtype=np.float64)
    half = rows["uncertainty_m3_s"].to_numpy(dtype=np.float64)
    times = us(rows["time"]).to_numpy()
    codes, marks = pd.factorize(
        rows["marks"].fillna("").astype("str") if "marks" in rows else pd.Series("", rows.index)
    )
    return Series(
        title="Discharge",
        unit="m³/s",
        times=times,
        values=value,
        step=usual_step(times),
        half=half,
        codes=codes.astype(np.int64),
        marks=tuple(marks),
    )
