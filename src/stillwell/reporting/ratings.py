"""Ratings and records where an archive holds them: lines and series to draw. Absent or empty tables are no error."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.archive import Archive
from stillwell.drawing.hydrograph import Series
from stillwell.drawing.rating import Line
from stillwell.errors import ArchiveError
from stillwell.hydrometry.rating.band import band
from stillwell.hydrometry.rating.rating import Rating
from stillwell.hydrometry.rating.resolver import Rated
from stillwell.reading.rating.in_force import archive_ratings
from stillwell.reporting.limits import policy_of
from stillwell.reporting.page import us

Floats = NDArray[np.float64]

STAGES = 240
"""Stages a rating is drawn at."""
K = 2.0
"""Coverage factor of an expanded uncertainty, about 95 %."""
FURTHER = 0.15
"""Share of the gauged range a rating is drawn beyond it."""


def optional(archive: Archive, table: str, sites: Sequence[str] | None = None, as_of: Any = None) -> pd.DataFrame:
    """Read the rows of a table that stand; none at all where the archive has no such table."""
    if table not in archive.tables():
        return pd.DataFrame()
    try:
        return archive.standing(table, sites, as_of)
    except ArchiveError:
        return pd.DataFrame()


@dataclass(frozen=True)
class Shown:
    """A rating as a report shows it: the rating, its line to draw, and the stages gauged, m."""

    rated: Rated
    line: Line
    gauged: tuple[float, float] | None
    office_pct: float | None = None
    """Expanded uncertainty the office gives a rating that came without its own, in percent; None where it has one."""


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
    policy = policy_of(archive, as_of=as_of).policy
    office_pct = K * policy.value("rating_uncertainty_pct")
    return [_shown(rated, gauged_m, office_pct) for rated in archive_ratings(archive, site, policy, as_of)]


def _shown(rated: Rated, gauged_m: Floats, office_pct: float) -> Shown:
    force, known = rated.force, gauged_m[np.isfinite(gauged_m)]
    gauged = None
    if np.isfinite(force.lowest_m) and np.isfinite(force.highest_m):
        gauged = (force.lowest_m, force.highest_m)
    elif known.size:
        gauged = (float(known.min()), float(known.max()))
    line = rating_line(force.curve, gauged, known, *_scatter(rated.row))
    own = line.lower is not None
    if not own:
        q, part = line.discharge_m3_s, office_pct / 100
        line = replace(line, lower=q * max(1 - part, 0.0), upper=q * (1 + part))
    return Shown(rated, line, gauged, None if own else office_pct)


def _scatter(row: Mapping[str, Any]) -> tuple[float, float]:
    """Read the standard error (of ln Q) and degrees of freedom; NaN of both unless both are there."""
    error, freedom = row.get("standard_error_pct"), row.get("freedom")
    if error is None or freedom is None or pd.isna(error) or pd.isna(freedom):
        return float("nan"), float("nan")
    return float(error) / 100, float(freedom)


def rating_line(
    rating: Rating,
    gauged: tuple[float, float] | None,
    known: Floats,
    standard_error: float = float("nan"),
    freedom: float = float("nan"),
) -> Line:
    """Lay a rating out for drawing, from its stage of zero flow to somewhat above what was gauged.

    Parameters
    ----------
    rating : Rating
    gauged : pair of float, optional
        Lowest and highest stage gauged, m; without it all of the rating counts as beyond.
    known : float array
        Stages of gaugings to be shown, m.
    standard_error, freedom
        As of ``hydrometry.rating.band.band``; without them there is no band.
    """
    low = rating.zero_flow_m
    tops = [*known.tolist(), *(gauged or ()), rating.support_m[1]]
    high = max(max(tops), low + 0.1)
    high += FURTHER * (high - low)
    stage = np.unique(np.r_[np.linspace(low, high, STAGES), [s for s in gauged or () if low < s < high]])
    beyond = np.ones(stage.size, dtype=bool) if gauged is None else (stage < gauged[0]) | (stage > gauged[1])
    lower = upper = None
    if freedom > 0:
        limits = band(rating, standard_error, freedom, stage)
        if np.isfinite(limits.mean_relation).any():
            lower, upper = limits.lower, limits.upper
    return Line(stage, rating.discharge(stage), beyond, lower, upper)


def record_of(archive: Archive, site: str, as_of: Any = None) -> Series | None:
    """Read the discharge record of a site as a series to draw; None without one."""
    rows = optional(archive, "discharge", [site], as_of)
    if rows.empty:
        return None
    rows = rows.sort_values("time", kind="stable")
    value = rows["discharge_m3_s"].to_numpy(dtype=np.float64)
    half = rows["uncertainty_m3_s"].to_numpy(dtype=np.float64)
    return Series(us(rows["time"]).to_numpy(), value, value - half, value + half, _marks(rows))


def _marks(rows: pd.DataFrame) -> dict[str, NDArray[np.bool_]]:
    """Say where each word of the marks holds."""
    if "marks" not in rows:
        return {}
    marks = rows["marks"].fillna("").astype("str")
    said = sorted({word for cell in marks.unique() for word in cell.split("; ") if word})
    codes, cells = pd.factorize(marks)
    return {word: np.array([word in cell.split("; ") for cell in cells])[codes] for word in said}
