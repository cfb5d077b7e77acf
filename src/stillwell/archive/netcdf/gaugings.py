"""The gaugings of one site as CF NetCDF: a function of rows, byte for byte the same every time.

Trajectory profiles (CF 9.5, indexed and contiguous ragged arrays): a gauging walks across the section, stops at
verticals, and reads points in each.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
from numpy.typing import NDArray

from stillwell.archive.netcdf import wording as text
from stillwell.archive.netcdf.arrays import NOTHING, SiteGaugings, shortened, variables_of
from stillwell.archive.netcdf.global_attributes import global_attributes
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import attributes, columns, meanings, variable_attributes

HOW = {"compression": "zlib", "shuffle": True, "fletcher32": True}
SECONDS = {"units": "seconds since 1970-01-01T00:00:00Z", "calendar": "standard", "units_metadata": "leap_seconds: utc"}
REFERENCE = {"coverage_content_type": "referenceInformation"}


Declared = tuple[Any, Any]
"""A variable and the values it gets when all are declared."""


def written_file(declare: Callable[[Any], Iterable[Declared]], attributes: Mapping[str, Any]) -> bytes:
    """Write a NetCDF file: every variable is declared, then the global attributes, then the values.

    Parameters
    ----------
    declare : callable
        Makes dimensions and variables in an open dataset.
    attributes : mapping
        Global attributes.

    Returns
    -------
    bytes
        NETCDF4_CLASSIC.
    """
    # the library pads a file made in memory to a multiple of its buffer
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "file.nc"
        with netCDF4.Dataset(path, "w", format="NETCDF4_CLASSIC") as data:
            data.set_fill_off()
            declared = list(declare(data))
            data.setncatts(attributes)
            for variable, values in declared:
                variable.set_auto_maskandscale(False)
                variable[...] = values
        return path.read_bytes()


class _Draft:
    """A dataset whose variables are all declared before any gets its values: each change back and forth costs."""

    def __init__(self, dataset: Any, rows: SiteGaugings) -> None:
        self._dataset = dataset
        self.declared: list[Declared] = []
        self.rows = rows

    def __getattr__(self, name: str) -> Any:
        return getattr(self._dataset, name)

    def __getitem__(self, name: str) -> Any:
        return self._dataset[name]

    def later(self, variable: Any, values: Any) -> None:
        """Keep the values of a variable until all are declared."""
        self.declared.append((variable, values))


def gaugings_netcdf(rows: SiteGaugings, site: Mapping[str, Any], office: Mapping[str, str]) -> bytes:
    """Write the gaugings of a site as NetCDF.

    Parameters
    ----------
    rows : SiteGaugings
        At least one gauging.
    site : mapping
        The row of the register.
    office : mapping of str to str
        Name, identifier and contact role.

    Returns
    -------
    bytes
        NETCDF4_CLASSIC, with a checksum on every chunk.
    """
    walked = rows.counts["obs"] > 0

    def declare(dataset: Any) -> list[Declared]:
        data = _Draft(dataset, rows)
        _write_gaugings(data, site, walked)
        if walked:
            _write_verticals(data, site)
            _write_points(data)
        _write_crs(data)
        return data.declared

    kind = "trajectoryProfile" if walked else "point"
    return written_file(declare, global_attributes(site, rows.years, rows.recorded, rows.arrays["depth"], office, kind))


def _write_gaugings(data: _Draft, site: Mapping[str, Any], walked: bool) -> None:
    """Write one entry per gauging; where none was walked, each is a point in space and time."""
    data.createDimension("gauging", data.rows.counts["gauging"])
    data.createDimension("bounds", 2)
    _words(data, "station_id", "gauging", attributes(column_of("gaugings", "site")) | REFERENCE)
    identity = {"long_name": column_of("gaugings", "gauging_id").description} | REFERENCE
    _words(data, "gauging_id", "gauging", identity | ({"cf_role": "trajectory_id"} if walked else {}))
    time = {"long_name": "middle of the gauging", "standard_name": "time", "bounds": "gauging_time_bounds"} | SECONDS
    _variable(data, "gauging_time", "f8", ("gauging",), time | {"coverage_content_type": "coordinate"})
    bounds = data.createVariable("gauging_time_bounds", "f8", ("gauging", "bounds"), **HOW)
    data.later(bounds, data.rows.arrays["gauging_time_bounds"])
    if not walked:
        _place(data, site, "gauging")
    _numbers(data, "gaugings", "gauging")
    _flags(data)
    data["discharge"].ancillary_variables = text.BESIDE_DISCHARGE
    if not walked:
        for variable in data.variables.values():
            if "coordinates" in variable.ncattrs():
                variable.coordinates = "gauging_time lat lon gauging_id station_id"
                variable.grid_mapping = "crs"


def _place(data: _Draft, site: Mapping[str, Any], dim: str) -> None:
    """Write latitude and longitude of the gauge along a dimension."""
    for name, column, axis in (("lat", "latitude", "Y"), ("lon", "longitude", "X")):
        place = attributes(column_of("sites", column)) | {"axis": axis, "coverage_content_type": "coordinate"}
        place["long_name"] = f"{column} of the gauge"
        values = np.full(data.rows.counts[dim], float(site[column]))
        _variable(data, name, "f8", (dim,), place, values=values)


def _flags(data: _Draft) -> None:
    """Write the worst finding, status, method and the other words that come from closed lists."""
    quality = {
        "long_name": "worst finding on the gauging; 9 without a discharge",
        "standard_name": "aggregate_quality_flag",
        "flag_values": np.array(text.QC_VALUES, dtype="i1"),
        "flag_meanings": text.QC_MEANINGS,
        "references": "IOC Manuals and Guides 54 vol. 3, primary flags",
        "coverage_content_type": "qualityInformation",
    }
    _variable(data, "discharge_qc", "i1", ("gauging",), quality | _with("gaugings"))
    _coded(data, "gaugings", "gauging")
    listed = {"long_name": "codes of the findings on the gauging", "coverage_content_type": "qualityInformation"}
    _words(data, "discharge_findings", "gauging", listed)


def _write_verticals(data: _Draft, site: Mapping[str, Any]) -> None:
    """Write one entry per vertical; latitude and longitude are the gauge's."""
    data.createDimension("vertical", data.rows.counts["vertical"])
    index = {"long_name": "gauging of the vertical", "instance_dimension": "gauging"} | REFERENCE
    _variable(data, "gauging_index", "i4", ("vertical",), index)
    identity = {"long_name": "archive id and number of the vertical"} | REFERENCE
    _words(data, "vertical_id", "vertical", identity | {"cf_role": "profile_id"})
    time = {"long_name": "mean time of the vertical's points; of the gauging where none was noted", "axis": "T"}
    time |= {"standard_name": "time", "coverage_content_type": "coordinate"} | SECONDS
    _variable(data, "time", "f8", ("vertical",), time)
    _place(data, site, "vertical")
    _numbers(data, "verticals", "vertical")
    _coded(data, "verticals", "vertical")
    size = {"long_name": "number of points in the vertical", "sample_dimension": "obs"} | REFERENCE
    _variable(data, "row_size", "i4", ("vertical",), size)


def _write_points(data: _Draft) -> None:
    data.createDimension("obs", data.rows.counts["obs"])
    depth = attributes(column_of("points", "point_depth_m"))
    depth |= {"positive": "down", "axis": "Z", "coverage_content_type": "coordinate"}
    _variable(data, "depth", "f8", ("obs",), depth)
    _numbers(data, "points", "obs")


def _write_crs(data: _Draft) -> None:
    crs = data.createVariable("crs", "i4")
    crs.long_name = "coordinate reference system of lat and lon"
    crs.grid_mapping_name = "latitude_longitude"
    crs.semi_major_axis = 6378137.0
    crs.inverse_flattening = 298.257223563
    crs.coverage_content_type = "referenceInformation"
    data.later(crs, np.int32(0))


def _with(table: str) -> dict[str, str]:
    coordinates = {"coordinates": text.COORDINATES[table]}
    return coordinates | ({"grid_mapping": "crs"} if table != "gaugings" else {})


def _numbers(data: _Draft, table: str, dim: str) -> None:
    for column, variable in variables_of(table):
        if meanings(column) is None:
            attrs = variable_attributes(column, variable) | _with(table)
            _variable(data, variable.name, "f8", (dim,), attrs, fill=NOTHING)


def _coded(data: _Draft, table: str, dim: str) -> None:
    """Write words of closed lists as numbers from 1, with their meanings."""
    for column, variable in variables_of(table):
        if known := meanings(column):
            attrs = {
                "long_name": column.description,
                "standard_name": "status_flag",
                "flag_values": np.arange(1, len(known) + 1, dtype="i1"),
                "flag_meanings": " ".join(variable.meanings or map(text.meaning, known)),
            }
            _variable(data, variable.name, "i1", (dim,), attrs | REFERENCE | _with(table), fill=-1)


def _words(data: _Draft, name: str, dim: str, attrs: Mapping[str, Any]) -> None:
    letters = shortened(data.rows.arrays[name])
    length = f"strlen_{name}"
    data.createDimension(length, letters.shape[1])
    variable = data.createVariable(name, "S1", (dim, length), **HOW)
    variable.setncatts(dict(attrs))
    variable._Encoding = "utf-8"
    variable.set_auto_chartostring(False)
    data.later(variable, letters)


def _variable(
    data: _Draft,
    name: str,
    kind: str,
    dims: tuple[str, ...],
    attrs: Mapping[str, Any],
    *,
    fill: float | None = None,
    values: NDArray[Any] | None = None,
) -> None:
    variable = data.createVariable(name, kind, dims, fill_value=fill, **HOW)
    variable.setncatts(dict(attrs))
    data.later(variable, (data.rows.arrays[name] if values is None else values).astype(kind))


@cache
def column_of(table: str, name: str) -> Any:
    """Find what a model says of a column."""
    return next(c for c in columns(ARCHIVE_TABLES[table]) if c.name == name)
