"""The gaugings of one site and year as CF NetCDF: a function of rows, byte for byte the same every time.

Trajectory profiles (CF 9.5, indexed and contiguous ragged arrays): a gauging walks across the section, stops at
verticals, and reads points in each.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from schemas import ARCHIVE_TABLES, words
from schemas.derive import attributes, columns
from stillwell.archive import netcdf_text as text
from stillwell.archive.netcdf_globals import global_attributes

HOW = {"compression": "zlib", "shuffle": True, "fletcher32": True}
SECONDS = {"units": "seconds since 1970-01-01T00:00:00Z", "calendar": "standard", "units_metadata": "leap_seconds: utc"}
NOTHING = 9.969209968386869e36
"""The library's own fill value for doubles, stated in every variable that may lack values."""


_ORDERED_BY = {
    "verticals": ("gauging_id", "vertical", "position_m", "order_walked", "kind", "profile_method"),
    "points": ("gauging_id", "vertical", "relative_depth", "repeat", "read_at", "point_depth_m", "velocity_m_s"),
}
NEEDED = {
    "verticals": tuple(dict.fromkeys((*_ORDERED_BY["verticals"], *text.VERTICAL_NUMBERS.columns))),
    "points": tuple(dict.fromkeys((*_ORDERED_BY["points"], "revolutions", *text.POINT_NUMBERS.columns))),
    "findings": ("gauging_id", "severity", "code"),
}
"""Columns of the tables beside ``gaugings`` that a file is made of."""


@dataclass(frozen=True)
class SiteYear:
    """What one file holds: the standing rows of a site's gaugings that started in a calendar year, UTC."""

    site: Mapping[str, Any]
    """The row of the register."""
    year: int
    gaugings: pd.DataFrame
    verticals: pd.DataFrame
    points: pd.DataFrame
    findings: pd.DataFrame


class _Draft:
    """A dataset whose variables are all declared before any gets its values: each change back and forth costs."""

    def __init__(self, dataset: Any) -> None:
        self._dataset = dataset
        self._values: list[tuple[Any, Any]] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._dataset, name)

    def __getitem__(self, name: str) -> Any:
        return self._dataset[name]

    def later(self, variable: Any, values: Any) -> None:
        """Keep the values of a variable until all are declared."""
        self._values.append((variable, values))

    def fill(self) -> None:
        """Write the values."""
        for variable, values in self._values:
            variable.set_auto_maskandscale(False)
            variable[...] = values


def netcdf_path(site: str, year: int) -> str:
    """Name the file of a site and year."""
    from stillwell.archive.layout import site_folder

    return f"netcdf/{site_folder(site).removeprefix('site=')}/gaugings_{year}.nc"


def gaugings_netcdf(rows: SiteYear, office: Mapping[str, str]) -> bytes:
    """Write a site and year as NetCDF.

    Parameters
    ----------
    rows : SiteYear
        At least one gauging.
    office : mapping of str to str
        Name, identifier and contact role.

    Returns
    -------
    bytes
        NETCDF4_CLASSIC, with a checksum on every chunk.
    """
    gaugings = rows.gaugings.sort_values(["started_at", "gauging_id"], kind="stable").reset_index(drop=True)
    place = pd.Index(gaugings["gauging_id"])
    verticals = _numbered(rows.verticals, place).sort_values(["i", "position_m", "order_walked"], kind="stable")
    verticals = verticals.reset_index(drop=True)
    points = _under(verticals, _numbered(rows.points, place))
    walked = len(points) > 0
    # the library pads a file made in memory to a multiple of its buffer
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "gaugings.nc"
        with netCDF4.Dataset(path, "w", format="NETCDF4_CLASSIC") as dataset:
            dataset.set_fill_off()
            data = _Draft(dataset)
            _write_gaugings(data, gaugings, rows, walked)
            if walked:
                _write_verticals(data, gaugings, verticals, points, rows.site)
                _write_points(data, points)
            _write_crs(data)
            kind = "trajectoryProfile" if walked else "point"
            data.setncatts(global_attributes(rows.site, rows.year, gaugings, points, office, kind))
            data.fill()
        return path.read_bytes()


def _numbered(rows: pd.DataFrame, place: pd.Index) -> pd.DataFrame:
    i = place.get_indexer(pd.Index(rows["gauging_id"]))
    return rows[i >= 0].assign(i=i[i >= 0])


def _under(verticals: pd.DataFrame, points: pd.DataFrame) -> pd.DataFrame:
    """Order points by their vertical, leaving out rows of verticals at which nothing was read."""
    key = pd.MultiIndex.from_arrays([verticals["i"], verticals["vertical"].astype("int64")])
    v = key.get_indexer(pd.MultiIndex.from_arrays([points["i"], points["vertical"].astype("int64")]))
    read = points["velocity_m_s"].notna() | points["revolutions"].notna()
    points = points.assign(v=v)[(v >= 0) & read.to_numpy() & points["point_depth_m"].notna().to_numpy()]
    return points.sort_values(["v", "relative_depth", "repeat"], kind="stable").reset_index(drop=True)


def _write_gaugings(data: _Draft, gaugings: pd.DataFrame, rows: SiteYear, walked: bool) -> None:
    """Write one entry per gauging; where none was walked, each is a point in space and time."""
    data.createDimension("gauging", len(gaugings))
    data.createDimension("bounds", 2)
    site = [str(rows.site["site"])] * len(gaugings)
    station = attributes(column_of("gaugings", "site")) | {"coverage_content_type": "referenceInformation"}
    _words(data, "station_id", "gauging", site, station)
    identity = {
        "long_name": column_of("gaugings", "gauging_id").description,
        "coverage_content_type": "referenceInformation",
    }
    _words(
        data,
        "gauging_id",
        "gauging",
        gaugings["gauging_id"],
        identity | ({"cf_role": "trajectory_id"} if walked else {}),
    )
    start, end = epoch(gaugings["started_at"]), epoch(gaugings["ended_at"])
    _times(data, gaugings, start, end)
    if not walked:
        _place(data, rows.site, "gauging", len(gaugings))
    _numbers(data, text.GAUGING_NUMBERS, gaugings, ("gauging",))
    _flags(data, gaugings, rows.findings)
    data["discharge"].ancillary_variables = text.BESIDE_DISCHARGE
    if not walked:
        for variable in data.variables.values():
            if "coordinates" in variable.ncattrs():
                variable.coordinates = "gauging_time lat lon gauging_id station_id"
                variable.grid_mapping = "crs"


def _place(data: _Draft, site: Mapping[str, Any], dim: str, count: int) -> None:
    """Write latitude and longitude of the gauge along a dimension."""
    for name, column, axis in (("lat", "latitude", "Y"), ("lon", "longitude", "X")):
        place = attributes(column_of("sites", column)) | {"axis": axis, "coverage_content_type": "coordinate"}
        place["long_name"] = f"{column} of the gauge"
        _variable(data, name, "f8", (dim,), np.full(count, float(site[column])), place)


def _times(data: _Draft, gaugings: pd.DataFrame, start: NDArray[np.float64], end: NDArray[np.float64]) -> None:
    time = {"long_name": "middle of the gauging", "standard_name": "time", "bounds": "gauging_time_bounds"} | SECONDS
    _variable(
        data, "gauging_time", "f8", ("gauging",), (start + end) / 2, time | {"coverage_content_type": "coordinate"}
    )
    bounds = data.createVariable("gauging_time_bounds", "f8", ("gauging", "bounds"), **HOW)
    data.later(bounds, np.stack([start, end], axis=1))


def _flags(data: _Draft, gaugings: pd.DataFrame, findings: pd.DataFrame) -> None:
    """Write quality, status, method and the other words that come from closed lists."""
    worst = findings.assign(flag=findings["severity"].map(text.SEVERITY_FLAG)).groupby("gauging_id")["flag"].max()
    flag = gaugings["gauging_id"].map(worst).fillna(1).astype("int64").to_numpy()
    flag = np.where(gaugings["discharge_m3_s"].isna(), 9, flag)
    quality = {
        "long_name": "worst finding on the gauging; 9 without a discharge",
        "standard_name": "aggregate_quality_flag",
        "flag_values": np.array(text.QC_VALUES, dtype="i1"),
        "flag_meanings": text.QC_MEANINGS,
        "references": "IOC Manuals and Guides 54 vol. 3, primary flags",
        "coverage_content_type": "qualityInformation",
    }
    _variable(data, "discharge_qc", "i1", ("gauging",), flag, quality | _with("gaugings"))
    _coded(data, "discharge_status", "gaugings", "status", gaugings["status"], words.STATUSES, "gauging")
    _coded(data, "discharge_method", "gaugings", "method", gaugings["method"], words.METHODS, "gauging")
    _coded(
        data,
        "section_method",
        "gaugings",
        "section_method",
        gaugings["section_method"],
        words.SECTION_METHODS,
        "gauging",
    )
    _coded(
        data, "field_quality", "gaugings", "field_quality", gaugings["field_quality"], words.FIELD_QUALITIES, "gauging"
    )
    _coded(data, "quality", "gaugings", "quality", gaugings["quality"], words.FIELD_QUALITIES, "gauging")
    yes = gaugings["recomputable"].map({True: "yes", False: "no"})
    _coded(data, "recomputable", "gaugings", "recomputable", yes, ("no", "yes"), "gauging")
    codes = (
        findings.sort_values("code").drop_duplicates(["gauging_id", "code"]).groupby("gauging_id")["code"].agg(" ".join)
    )
    listed = {"long_name": "codes of the findings on the gauging", "coverage_content_type": "qualityInformation"}
    _words(data, "discharge_findings", "gauging", [codes.get(str(name), "") for name in gaugings["gauging_id"]], listed)


def _write_verticals(
    data: _Draft, gaugings: pd.DataFrame, verticals: pd.DataFrame, points: pd.DataFrame, site: Mapping[str, Any]
) -> None:
    """Write one entry per vertical; latitude and longitude are the gauge's."""
    n = len(verticals)
    data.createDimension("vertical", n)
    index = {
        "long_name": "gauging of the vertical",
        "instance_dimension": "gauging",
        "coverage_content_type": "referenceInformation",
    }
    _variable(data, "gauging_index", "i4", ("vertical",), verticals["i"].to_numpy(), index)
    names = verticals["gauging_id"] + "." + verticals["vertical"].astype("int64").astype("str")
    identity = {"long_name": "archive id and number of the vertical", "coverage_content_type": "referenceInformation"}
    _words(data, "vertical_id", "vertical", names, identity | {"cf_role": "profile_id"})
    middle = ((epoch(gaugings["started_at"]) + epoch(gaugings["ended_at"])) / 2)[verticals["i"].to_numpy()]
    read = epoch(points["read_at"])
    known = ~np.isnan(read)
    count = np.bincount(points["v"].to_numpy()[known], minlength=n)
    total = np.bincount(points["v"].to_numpy()[known], weights=read[known], minlength=n)
    at = np.where(count > 0, total / np.maximum(count, 1), middle)
    time = {"long_name": "mean time of the vertical's points; of the gauging where none was noted", "axis": "T"}
    time |= {"standard_name": "time", "coverage_content_type": "coordinate"} | SECONDS
    _variable(data, "time", "f8", ("vertical",), at, time)
    _place(data, site, "vertical", n)
    _numbers(data, text.VERTICAL_NUMBERS, verticals, ("vertical",))
    _coded(data, "vertical_kind", "verticals", "kind", verticals["kind"], words.KINDS, "vertical")
    method = verticals["profile_method"]
    _coded(data, "profile_method", "verticals", "profile_method", method, words.PROFILE_METHODS, "vertical")
    size = {"long_name": "number of points in the vertical", "sample_dimension": "obs"}
    counts = np.bincount(points["v"].to_numpy(), minlength=n)
    size |= {"coverage_content_type": "referenceInformation"}
    _variable(data, "row_size", "i4", ("vertical",), counts, size)


def _write_points(data: _Draft, points: pd.DataFrame) -> None:
    data.createDimension("obs", len(points))
    depth = attributes(column_of("points", "point_depth_m"))
    depth |= {"positive": "down", "axis": "Z", "coverage_content_type": "coordinate"}
    _variable(data, "depth", "f8", ("obs",), points["point_depth_m"].to_numpy(dtype="float64"), depth)
    _numbers(data, text.POINT_NUMBERS, points, ("obs",))


def _write_crs(data: _Draft) -> None:
    crs = data.createVariable("crs", "i4")
    crs.long_name = "coordinate reference system of lat and lon"
    crs.grid_mapping_name = "latitude_longitude"
    crs.semi_major_axis = 6378137.0
    crs.inverse_flattening = 298.257223563
    crs.coverage_content_type = "referenceInformation"
    data.later(crs, np.int32(0))


def _with(table: str) -> dict[str, str]:
    where = {"gaugings": text.GAUGING_NUMBERS, "verticals": text.VERTICAL_NUMBERS, "points": text.POINT_NUMBERS}
    coordinates = {"coordinates": where[table].coordinates}
    return coordinates | ({"grid_mapping": "crs"} if table != "gaugings" else {})


def _numbers(data: _Draft, spec: text.Numbers, rows: pd.DataFrame, dims: tuple[str, ...]) -> None:
    for name in spec.columns:
        column = column_of(spec.table, name)
        variable = text.RENAMED.get((spec.table, name), name)
        attrs: dict[str, Any] = attributes(column) | {
            "coverage_content_type": text.COVERAGE.get(variable, "physicalMeasurement")
        }
        attrs |= _with(spec.table)
        attrs["units"] = text.UDUNITS.get(attrs.get("units", "1"), attrs.get("units", "1"))
        if column.units == "degree_Celsius":
            attrs["units_metadata"] = "temperature: on_scale"
        if attrs.get("standard_name", "").endswith(" standard_error"):
            attrs["standard_error_multiplier"] = 2.0
        if variable in text.CELL_METHODS:
            attrs["cell_methods"] = text.CELL_METHODS[variable]
        values = rows[name].to_numpy(dtype="float64", na_value=np.nan)
        _variable(data, variable, "f8", dims, np.where(np.isnan(values), NOTHING, values), attrs, fill=NOTHING)


def _coded(
    data: _Draft, name: str, table: str, column: str, values: pd.Series, meanings: Sequence[str], dim: str
) -> None:
    """Write words of a closed list as numbers from 1, with their meanings; -1 where the word is missing."""
    attrs = {
        "long_name": column_of(table, column).description,
        "standard_name": "status_flag",
        "flag_values": np.arange(1, len(meanings) + 1, dtype="i1"),
        "flag_meanings": " ".join(text.meaning(word) for word in meanings),
        "coverage_content_type": "referenceInformation",
    }
    place = pd.Index(list(meanings)).get_indexer(pd.Index(values))
    numbers = np.where(place >= 0, place + 1, -1)
    _variable(data, name, "i1", (dim,), numbers, attrs | _with(table), fill=-1)


def _words(data: _Draft, name: str, dim: str, values: Sequence[str] | pd.Series, attrs: Mapping[str, Any]) -> None:
    raw = [str(value).encode("utf-8") for value in values]
    longest = max(1, *(len(value) for value in raw)) if raw else 1
    length = f"strlen_{name}"
    data.createDimension(length, longest)
    variable = data.createVariable(name, "S1", (dim, length), **HOW)
    variable.setncatts(dict(attrs))
    variable._Encoding = "utf-8"
    variable.set_auto_chartostring(False)
    data.later(variable, np.array(raw, dtype=f"S{longest}").view("S1").reshape(len(raw), longest))


def _variable(
    data: _Draft,
    name: str,
    kind: str,
    dims: tuple[str, ...],
    values: NDArray[Any],
    attrs: Mapping[str, Any],
    fill: float | None = None,
) -> None:
    variable = data.createVariable(name, kind, dims, fill_value=fill, **HOW)
    variable.setncatts(dict(attrs))
    data.later(variable, values.astype(kind))


def epoch(times: pd.Series) -> NDArray[np.float64]:
    """Count seconds since 1970; NaN where a time is missing."""
    whole = times.dt.as_unit("us").astype("int64").to_numpy() / 1e6
    return np.where(times.isna().to_numpy(), np.nan, whole)


def column_of(table: str, name: str) -> Any:
    """Find what a model says of a column."""
    return next(c for c in columns(ARCHIVE_TABLES[table]) if c.name == name)
