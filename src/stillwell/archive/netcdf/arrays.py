"""Rows of many sites laid out at once as the arrays of their NetCDF files. Decides values and their order only."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from stillwell.archive.netcdf import wording as text
from stillwell.archive.netcdf.global_attributes import Recorded
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.base import Column, Variable
from stillwell.schemas.derive import meanings, variables

NOTHING = 9.969209968386869e36
"""The library's own fill value for doubles, stated in every variable that may lack values."""
_OF_VERTICALS = ("gauging_id", "vertical")
_OF_POINTS = ("gauging_id", "vertical", "read_at", "point_depth_m")


def variables_of(table: str) -> tuple[tuple[Column, Variable], ...]:
    """List the columns of an archive table that become variables, as the schemas say."""
    return variables(table, ARCHIVE_TABLES[table])


def _needed(table: str, first: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*first, *(column.name for column, _ in variables_of(table)))))


NEEDED = {
    "verticals": _needed("verticals", _OF_VERTICALS),
    "points": _needed("points", _OF_POINTS),
    "findings": ("gauging_id", "severity", "code"),
}
"""Columns of the tables beside ``gaugings`` that a file is made of."""

Ints = NDArray[np.int64]
Arrays = dict[str, NDArray[Any]]


@dataclass(frozen=True)
class SiteGaugings:
    """What one file holds: the standing gaugings of a site."""

    site: str
    years: tuple[int, int]
    """First and last year (UTC) in which they started."""
    recorded: Recorded
    arrays: Mapping[str, NDArray[Any]]
    """Values by variable."""
    counts: Mapping[str, int]
    """Length of the dimensions gauging, vertical and obs."""


def laid_out(
    gaugings: pd.DataFrame, verticals: pd.DataFrame, points: pd.DataFrame, findings: pd.DataFrame
) -> Iterator[SiteGaugings]:
    """Lay rows out, file by file.

    Parameters
    ----------
    gaugings : DataFrame
        At most one row per gauging.
    verticals, points, findings : DataFrame
        With the columns of ``NEEDED``; rows of other gaugings are left out.

    Yields
    ------
    SiteGaugings
        By site. Gaugings by start and id, verticals by place along the section, points by depth; a point at
        which nothing was read, or without a depth, is left out.
    """
    gaugings = gaugings.sort_values(["site", "started_at", "gauging_id"], kind="stable").reset_index(drop=True)
    place = pd.Index(gaugings["gauging_id"])
    site, year = gaugings["site"], gaugings["started_at"].dt.year.to_numpy()
    begins = np.flatnonzero(site.ne(site.shift()).to_numpy(dtype=bool))
    verticals, owner = _of_gaugings(verticals, place, ("position_m", "order_walked"))
    points, under = _of_verticals(points, place, owner, verticals["vertical"].to_numpy(dtype="int64"))
    of = {
        "gauging": _of_gauging(gaugings, _place_of(findings, place), findings),
        "vertical": _of_vertical(gaugings, verticals, owner, points, under),
        "obs": {"depth": _numbers(points["point_depth_m"], np.nan)} | _named("points", points),
    }
    bounds = {"gauging": np.r_[begins, len(gaugings)]}
    bounds["vertical"] = np.searchsorted(owner, bounds["gauging"])
    bounds["obs"] = np.searchsorted(under, bounds["vertical"])
    lines = _history(gaugings)
    rank = pd.factorize(gaugings["gauging_id"], sort=True)[0]
    for number, begin in enumerate(begins.tolist()):
        spans = {dim: slice(int(at[number]), int(at[number + 1])) for dim, at in bounds.items()}
        arrays = {name: values[spans[dim]] for dim, columns in of.items() for name, values in columns.items()}
        arrays["gauging_index"] = arrays["gauging_index"] - begin
        counts = {dim: span.stop - span.start for dim, span in spans.items()}
        mine = spans["gauging"]
        years = int(year[mine.start]), int(year[mine.stop - 1])
        yield SiteGaugings(str(site[begin]), years, _recorded(gaugings, lines, rank, mine), arrays, counts)


def _history(gaugings: pd.DataFrame) -> list[str]:
    """Write a line of history for each gauging."""
    moment, moments = pd.factorize(gaugings["recorded_at"])
    written = [f"{at:%Y-%m-%dT%H:%M:%S.%fZ}" for at in moments]
    columns = (gaugings[name].tolist() for name in ("gauging_id", "revision", "software_version", "deposit"))
    return [
        f"{written[at]} {gauging} revision {revision} by stillwell {software} from deposit {deposit[:16]}"
        for at, gauging, revision, software, deposit in zip(moment, *columns, strict=True)
    ]


def _recorded(gaugings: pd.DataFrame, lines: Sequence[str], rank: Ints, span: slice) -> Recorded:
    """Tell what the global attributes tell of the gaugings of a file; ``rank`` is the order of their ids."""
    times = gaugings[["recorded_at", "started_at", "ended_at"]].iloc[span]
    order = np.lexsort((rank[span], times["recorded_at"].astype("int64").to_numpy()))
    history = [lines[span.start + place] for place in order.tolist()]
    oldest, newest = times["recorded_at"].min(), times["recorded_at"].max()
    return Recorded(history, oldest, newest, times["started_at"].min(), times["ended_at"].max())


def _place_of(rows: pd.DataFrame, place: pd.Index) -> Ints:
    return np.asarray(place.get_indexer(pd.Index(rows["gauging_id"])), dtype=np.int64)


def _of_gaugings(rows: pd.DataFrame, place: pd.Index, order: Sequence[str]) -> tuple[pd.DataFrame, Ints]:
    """Sort rows by their gauging and some columns; also return the place of each row's gauging."""
    i = _place_of(rows, place)
    keys = [_numbers(rows[name], np.nan) for name in order]
    by = np.lexsort((*keys[::-1], i))
    by = by[np.searchsorted(i[by], 0) :]
    return rows.iloc[by].reset_index(drop=True), i[by]


def _of_verticals(points: pd.DataFrame, place: pd.Index, owner: Ints, vertical: Ints) -> tuple[pd.DataFrame, Ints]:
    """Sort points by their vertical and depth; also return the place of each point's vertical."""
    i, number = _place_of(points, place), points["vertical"].to_numpy(dtype="int64")
    reach = max(vertical.max(initial=0), number.max(initial=0)) + 1
    key, by_key = owner * reach + vertical, np.argsort(owner * reach + vertical, kind="stable")
    at = np.searchsorted(key[by_key], i * reach + number)
    v = by_key[np.minimum(at, by_key.size - 1)] if by_key.size else np.zeros(len(points), dtype=np.int64)
    matched = (i >= 0) & (key[v] == i * reach + number) if by_key.size else np.zeros(len(points), dtype=bool)
    read = points["velocity_m_s"].notna() | points["revolutions"].notna()
    rows = np.flatnonzero(matched & read.to_numpy() & points["point_depth_m"].notna().to_numpy())
    depth, repeat = (_numbers(points[name], np.nan)[rows] for name in ("relative_depth", "repeat"))
    rows = rows[np.lexsort((repeat, depth, v[rows]))]
    return points.iloc[rows].reset_index(drop=True), v[rows]


def _of_gauging(gaugings: pd.DataFrame, i: Ints, findings: pd.DataFrame) -> Arrays:
    start, end = epoch(gaugings["started_at"]), epoch(gaugings["ended_at"])
    flag = np.ones(len(gaugings), dtype=np.int64)
    worst = findings["severity"].map(text.SEVERITY_FLAG).to_numpy(dtype="float64")
    known = (i >= 0) & ~np.isnan(worst)
    np.maximum.at(flag, i[known], worst[known].astype(np.int64))
    out = {
        "station_id": _letters(gaugings["site"]),
        "gauging_id": _letters(gaugings["gauging_id"]),
        "gauging_time": (start + end) / 2,
        "gauging_time_bounds": np.stack([start, end], axis=1),
        "discharge_qc": np.where(gaugings["discharge_m3_s"].isna(), 9, flag),
        "discharge_findings": _letters(_codes(i, findings["code"], len(gaugings))),
    }
    return out | _named("gaugings", gaugings) | _coded("gaugings", gaugings)


def _codes(i: Ints, codes: pd.Series, count: int) -> list[str]:
    """Join the codes found of each gauging, each once, by name."""
    code, names = pd.factorize(codes, sort=True)
    pairs = np.unique(i[i >= 0] * len(names) + code[i >= 0]) if len(names) else np.zeros(0, dtype=np.int64)
    sorted_names = names.take(pairs % max(len(names), 1)).tolist()
    ends = np.searchsorted(pairs, np.arange(1, count + 1) * len(names)).tolist()
    return [" ".join(sorted_names[a:b]) for a, b in zip([0, *ends], ends, strict=False)]


def _of_vertical(
    gaugings: pd.DataFrame, verticals: pd.DataFrame, owner: Ints, points: pd.DataFrame, under: Ints
) -> Arrays:
    middle = ((epoch(gaugings["started_at"]) + epoch(gaugings["ended_at"])) / 2)[owner]
    read = epoch(points["read_at"])
    known = ~np.isnan(read)
    count = np.bincount(under[known], minlength=owner.size)
    total = np.bincount(under[known], weights=read[known], minlength=owner.size)
    names = verticals["gauging_id"] + "." + verticals["vertical"].astype("int64").astype("str")
    out = {
        "gauging_index": owner,
        "vertical_id": _letters(names),
        "time": np.where(count > 0, total / np.maximum(count, 1), middle),
        "row_size": np.bincount(under, minlength=owner.size),
    }
    return out | _named("verticals", verticals) | _coded("verticals", verticals)


def _named(table: str, rows: pd.DataFrame) -> Arrays:
    pairs = variables_of(table)
    return {v.name: _numbers(rows[column.name], NOTHING) for column, v in pairs if meanings(column) is None}


def _numbers(values: pd.Series, nothing: float) -> NDArray[np.float64]:
    numbers = values.to_numpy(dtype="float64", na_value=np.nan)
    return numbers if np.isnan(nothing) else np.where(np.isnan(numbers), nothing, numbers)


def _coded(table: str, rows: pd.DataFrame) -> Arrays:
    """Write words of closed lists as numbers from 1; -1 where a word is missing."""
    out: Arrays = {}
    for column, variable in variables_of(table):
        known = meanings(column)
        if known is None:
            continue
        values = rows[column.name]
        values = values.map({True: "yes", False: "no"}) if column.kind == "flag" else values
        place = pc.index_in(pa.Array.from_pandas(values, type=pa.string()), pa.array(known))
        out[variable.name] = pc.fill_null(pc.add(place, 1), -1).to_numpy(zero_copy_only=False)
    return out


def _letters(values: pd.Series | list[str]) -> NDArray[np.bytes_]:
    """Write texts as rows of UTF-8 bytes of one length, filled up with zeros; see ``shortened``."""
    array = pa.array(values, pa.string(), from_pandas=True)
    array = array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array
    longest = max(1, pc.max(pc.binary_length(array)).as_py() or 0)
    padded = pc.ascii_rpad(array, longest, "\0")
    return np.frombuffer(padded.buffers()[2] or b"", "S1", len(array) * longest).reshape(len(array), longest)


def shortened(letters: NDArray[np.bytes_]) -> NDArray[np.bytes_]:
    """Leave out the columns of letters in which no row has any, but the first."""
    used = np.flatnonzero((letters != b"").any(axis=0))
    return letters[:, : int(used[-1]) + 1 if used.size else 1]


def epoch(times: pd.Series) -> NDArray[np.float64]:
    """Count seconds since 1970; NaN where a time is missing."""
    whole = times.dt.as_unit("us").astype("int64").to_numpy() / 1e6
    return np.where(times.isna().to_numpy(), np.nan, whole)
