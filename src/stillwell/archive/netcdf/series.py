"""Records of a site as CF NetCDF time series: discharge value by value, and by the day with bounds.

A function of the rows of ``discharge`` and ``daily`` that stand and of the site's row, the same every time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.netcdf.arrays import NOTHING, epoch, variables_of
from stillwell.archive.netcdf.gaugings import HOW, SECONDS, Declared, column_of, written_file
from stillwell.archive.netcdf.global_attributes import series_attributes
from stillwell.archive.netcdf.wording import QC_MEANINGS, QC_VALUES, meaning
from stillwell.schemas import SERIES_TIME, words
from stillwell.schemas.derive import attributes, variable_attributes

WHEN = {table: SERIES_TIME[table] for table in ("discharge", "daily")}
"""Column of the time of each, by table."""


def series_netcdf(table: str, site: Mapping[str, Any], rows: pd.DataFrame, office: Mapping[str, str]) -> bytes:
    """Write the record of a site, or a year of it, as NetCDF.

    Parameters
    ----------
    table : str
        ``discharge`` or ``daily``.
    site : mapping
        Row of the register.
    rows : DataFrame
        In order of time; at least one.
    office : mapping of str to str

    Returns
    -------
    bytes
        NETCDF4_CLASSIC, with a checksum on every chunk.
    """

    def declare(data: Any) -> Iterator[Declared]:
        data.createDimension("time", len(rows))
        yield _time(data, table, rows)
        yield from place(data, site)
        yield from _numbers(data, table, rows)
        yield from _flags(data, rows)
        yield from _words(data, site, rows)

    return written_file(declare, series_attributes(site, rows, office, table, WHEN[table]))


def _time(data: Any, table: str, rows: pd.DataFrame) -> Declared:
    time = data.createVariable("time", "f8", ("time",), **HOW)
    common = {"standard_name": "time", "axis": "T", "coverage_content_type": "coordinate"} | SECONDS
    start = epoch(rows[WHEN[table]])
    if table == "discharge":
        time.setncatts(common | {"long_name": "moment of the recorded stage"})
        return time, start
    time.setncatts(common | {"long_name": "middle of the standard day", "bounds": "time_bounds"})
    data.createDimension("bounds", 2)
    bounds = data.createVariable("time_bounds", "f8", ("time", "bounds"), **HOW)
    end = epoch(rows["ends_at"])
    bounds.set_auto_maskandscale(False)
    bounds[...] = np.stack([start, end], axis=1)
    return time, (start + end) / 2


def place(data: Any, site: Mapping[str, Any], dimensions: tuple[str, ...] = ()) -> Iterator[Declared]:
    """Declare where the gauge stands: once, or once for each instance along a dimension; and what that refers to.

    Parameters
    ----------
    data : netCDF4.Dataset
    site : mapping
        Row of the register.
    dimensions : tuple of str

    Yields
    ------
    Declared
    """
    shape = tuple(len(data.dimensions[name]) for name in dimensions)
    for name, column, axis in (("lat", "latitude", "Y"), ("lon", "longitude", "X")):
        variable = data.createVariable(name, "f8", dimensions)
        common = attributes(column_of("sites", column)) | {"axis": axis, "coverage_content_type": "coordinate"}
        variable.setncatts(common | {"long_name": f"{column} of the gauge"})
        yield variable, np.full(shape, float(site[column]))
    crs = data.createVariable("crs", "i4")
    crs.setncatts(
        {
            "long_name": "coordinate reference system of lat and lon",
            "grid_mapping_name": "latitude_longitude",
            "semi_major_axis": 6378137.0,
            "inverse_flattening": 298.257223563,
            "coverage_content_type": "referenceInformation",
        }
    )
    yield crs, np.int32(0)


def _numbers(data: Any, table: str, rows: pd.DataFrame) -> Iterator[Declared]:
    for column, made in variables_of(table):
        attrs = variable_attributes(column, made) | {"coordinates": "lat lon station_id", "grid_mapping": "crs"}
        if made.name == "discharge":
            attrs["ancillary_variables"] = "discharge_uncertainty discharge_qc marks"
        variable = data.createVariable(made.name, "f8", ("time",), fill_value=NOTHING, **HOW)
        variable.setncatts(attrs)
        values = rows[column.name].to_numpy(dtype="float64", na_value=np.nan)
        yield variable, np.where(np.isnan(values), NOTHING, values)


def _flags(data: Any, rows: pd.DataFrame) -> Iterator[Declared]:
    """Write the quality flag, and the marks apart from it."""
    flag = data.createVariable("discharge_qc", "i1", ("time",), **HOW)
    flag.setncatts(
        {
            "long_name": "records are not evaluated value by value; 9 without a discharge",
            "standard_name": "aggregate_quality_flag",
            "flag_values": np.array(QC_VALUES, dtype="i1"),
            "flag_meanings": QC_MEANINGS,
            "references": "IOC Manuals and Guides 54 vol. 3, primary flags",
            "coverage_content_type": "qualityInformation",
        }
    )
    known = rows["discharge_m3_s" if "discharge_m3_s" in rows else "mean_m3_s"].notna().to_numpy()
    yield flag, np.where(known, 2, 9).astype("i1")
    marks = data.createVariable("marks", "u1" if data.data_model == "NETCDF4" else "i2", ("time",), **HOW)
    marks.setncatts(
        {
            "long_name": "how the value came about",
            "standard_name": "status_flag",
            "flag_masks": np.array([1 << i for i in range(len(words.MARKS))], dtype="i2"),
            "flag_meanings": " ".join(meaning(word) for word in words.MARKS),
            "coverage_content_type": "qualityInformation",
        }
    )
    yield marks, bits_of(rows["marks"]).astype("i2")


def bits_of(marks: pd.Series) -> NDArray[np.int64]:
    """Read marks in words as bits, in the order of ``schemas.words.MARKS``."""
    codes, texts = pd.factorize(marks)
    bits = np.array([sum(1 << words.MARKS.index(word) for word in str(text).split("; ")) for text in texts] + [0])
    return np.asarray(bits[codes], dtype=np.int64)


def _words(data: Any, site: Mapping[str, Any], rows: pd.DataFrame) -> Iterator[Declared]:
    raw = str(site["site"]).encode("utf-8")
    data.createDimension("strlen_station_id", len(raw))
    station = data.createVariable("station_id", "S1", ("strlen_station_id",), **HOW)
    station.setncatts(
        attributes(column_of("sites", "site"))
        | {"cf_role": "timeseries_id", "coverage_content_type": "referenceInformation"}
    )
    station._Encoding = "utf-8"
    station.set_auto_chartostring(False)
    yield station, np.array([raw], dtype=f"S{len(raw)}").view("S1")
