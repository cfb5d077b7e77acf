"""Evidence that checks look at, and the rows their findings are about."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache, cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from stillwell.assessment.policy import Policy
from stillwell.hydrometry.gauging.gauge_height import microseconds

FOUND = ("g", "key", "value", "limit", "row_file", "row_line")
"""Columns of what a check finds; ``g`` is the row of the gauging."""

SEEN = (
    "gauging_id", "site", "started_at", "ended_at", "instrument", "party", "visit", "discharge_m3_s", "area_m2",
    "gauge_height_m", "verticals", "width_m", "uncertainty_table_m3_s", "points_digest", "recomputable", "g",
)  # fmt: skip


@dataclass(frozen=True)
class Evidence:
    """A batch of gaugings with everything computed of them. Rows of one frame belong to a gauging by ``g``."""

    gaugings: pd.DataFrame
    results: pd.DataFrame
    policy: Policy
    sites: pd.DataFrame
    instruments: pd.DataFrame
    history: pd.DataFrame
    """What stood at the sites before the batch, as the archive's gaugings."""
    ties: pd.DataFrame
    """The checks of the meter before and after each gauging, one row per gauging."""
    verticals: pd.DataFrame = field(default_factory=pd.DataFrame)
    """As of ``gauging.compute.Computed``, like ``points`` and ``readings``; without rows where only gaugings are held
    against others."""
    points: pd.DataFrame = field(default_factory=pd.DataFrame)
    readings: pd.DataFrame = field(default_factory=pd.DataFrame)

    @cached_property
    def seen(self) -> pd.DataFrame:
        """The batch with the gaugings that stood before it; see ``seen``."""
        return seen(self)


@dataclass(frozen=True)
class Check:
    """One kind of finding.

    ``sentence`` may use ``{key}``, ``{value}`` and ``{limit}``; ``limit`` names the policy's limit, whose source
    is then the finding's; without one ``source`` says where the rule comes from.
    """

    code: str
    severity: str
    about: str
    """Table and column, joined by a dot."""
    sentence: str
    find: Callable[[Evidence], pd.DataFrame]
    limit: str = ""
    source: str = ""
    season: bool = False
    """Whether it looks beyond the gauging itself, at others or at checks of the meter."""

    @property
    def table(self) -> str:
        """Table the finding is about."""
        return self.about.partition(".")[0]

    @property
    def column(self) -> str:
        """Column the finding is about."""
        return self.about.partition(".")[2]


def seen(e: Evidence) -> pd.DataFrame:
    """Join the batch with what stood before it: one row per gauging, with ``g`` of those in the batch, else -1.

    Parameters
    ----------
    e : Evidence

    Returns
    -------
    DataFrame
        With the columns of ``SEEN``; a gauging handed in anew stands in place of what stood of it.
    """
    own = e.gaugings.drop(columns=[c for c in e.results if c in e.gaugings])
    batch = pd.concat([own, e.results], axis=1).assign(g=np.arange(len(e.gaugings)))
    earlier = e.history.assign(g=-1)
    if len(earlier):
        earlier = earlier[~earlier["gauging_id"].isin(set(batch["gauging_id"]))]
    names = [name for name in SEEN if name in batch]
    both = pd.concat([earlier[[n for n in names if n in earlier]], batch[names]], ignore_index=True)
    return in_order(both, "site")


def in_order(rows: pd.DataFrame, column: str) -> pd.DataFrame:
    """Sort by a code, the start and the archive id; words are compared only where the others are equal."""
    codes, _ = pd.factorize(rows[column], sort=True)
    start = microseconds(rows["started_at"])
    order = np.lexsort((start, codes))
    if np.any((np.diff(codes[order]) == 0) & (np.diff(start[order]) == 0)):
        names, _ = pd.factorize(rows["gauging_id"], sort=True)
        order = np.lexsort((names, start, codes))
    return rows.iloc[order].reset_index(drop=True)


@cache
def nothing() -> pd.DataFrame:
    """Return the empty frame of a check that finds nothing, as most do for most gaugings; not to be written to."""
    return pd.DataFrame(columns=list(FOUND))


def of_gaugings(e: Evidence, mask: ArrayLike, value: ArrayLike = np.nan, limit: ArrayLike = np.nan) -> pd.DataFrame:
    """Point at whole gaugings.

    Parameters
    ----------
    e : Evidence
    mask : array of bool, shape (gaugings,)
    value, limit : array or number
        In the unit of the check's column.

    Returns
    -------
    DataFrame
        With the columns of ``FOUND``.
    """
    return of_rows(e.gaugings, mask, value, limit)


def of_rows(
    gaugings: pd.DataFrame, mask: ArrayLike, value: ArrayLike = np.nan, limit: ArrayLike = np.nan
) -> pd.DataFrame:
    """Point at rows of a frame of gaugings; see ``of_gaugings``."""
    rows = np.flatnonzero(np.asarray(mask, dtype=bool))
    if not rows.size:
        return nothing()
    frame = gaugings[["row_file", "row_line"]].iloc[rows].reset_index(drop=True)
    return _pointed_at(rows, ["gauging"] * rows.size, rows, value, limit, frame)


def of_verticals(e: Evidence, mask: ArrayLike, value: ArrayLike = np.nan, limit: ArrayLike = np.nan) -> pd.DataFrame:
    """Point at verticals; see ``of_gaugings``."""
    rows = np.flatnonzero(np.asarray(mask, dtype=bool))
    if not rows.size:
        return nothing()
    g, number = e.verticals["g"].to_numpy()[rows], e.verticals["vertical"].to_numpy()[rows]
    frame = e.points[["row_file", "row_line"]].iloc[e.verticals["point"].to_numpy()[rows]].reset_index(drop=True)
    return _pointed_at(g, [f"vertical {n}" for n in number.tolist()], rows, value, limit, frame)


def of_points(e: Evidence, mask: ArrayLike, value: ArrayLike = np.nan, limit: ArrayLike = np.nan) -> pd.DataFrame:
    """Point at points; see ``of_gaugings``."""
    rows = np.flatnonzero(np.asarray(mask, dtype=bool))
    if not rows.size:
        return nothing()
    frame = e.points.iloc[rows].reset_index(drop=True)
    points = zip(frame["vertical"], frame["relative_depth"], frame["repeat"], strict=True)
    keys = [_point_key(*point) for point in points]
    return _pointed_at(frame["g"].to_numpy(), keys, rows, value, limit, frame)


def _point_key(vertical: int, depth: float, repeat: int) -> str:
    where = "" if np.isnan(depth) else f" at {depth:g}"
    return f"vertical {vertical}{where}" + (f" repeat {repeat}" if repeat > 1 else "")


def _pointed_at(
    g: NDArray[np.int64],
    keys: list[str],
    rows: NDArray[np.int64],
    value: ArrayLike,
    limit: ArrayLike,
    frame: pd.DataFrame,
) -> pd.DataFrame:
    def picked(values: ArrayLike) -> NDArray[np.float64]:
        array = np.asarray(values, dtype="float64")
        return array[rows] if array.ndim else np.full(rows.size, array)

    return pd.DataFrame(
        {
            "g": g,
            "key": pd.Series(keys, dtype="str"),
            "value": picked(value),
            "limit": picked(limit),
            "row_file": frame["row_file"],
            "row_line": frame["row_line"],
        }
    )


def numbers(column: pd.Series) -> NDArray[np.float64]:
    """Read a column as floats, missing as NaN."""
    return column.to_numpy(dtype="float64", na_value=np.nan)
