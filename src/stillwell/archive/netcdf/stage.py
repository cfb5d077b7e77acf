"""Recorded stage of a site and year as CF NetCDF: every value as the loggers gave it, sensor by sensor.

A function of the rows of ``stage`` that stand and of the site's row, the same every time. Corrections are no part of
it: they are entries of their own, applied where a record is derived.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from stillwell.archive.netcdf.arrays import NOTHING, epoch, variables_of
from stillwell.archive.netcdf.gaugings import HOW, SECONDS, Declared, written_file
from stillwell.archive.netcdf.global_attributes import stage_attributes
from stillwell.archive.netcdf.series import place
from stillwell.schemas.derive import variable_attributes

TABLE = "stage"
SENSOR = "sensor"
"""Dimension of the sensors of a site; each is a time series of its own."""
NEEDED = ["site", SENSOR, "time", "stage_m", "raw_value", "raw_unit", "deposit", "revision", "recorded_at"]
"""Columns that a file is made from."""


def stage_netcdf(site: Mapping[str, Any], rows: pd.DataFrame, office: Mapping[str, str]) -> bytes:
    """Write a site and year as NetCDF, an indexed ragged array of time series.

    Parameters
    ----------
    site : mapping
        Row of the register.
    rows : DataFrame
        Of one calendar year (UTC), in order of time; at least one.
    office : mapping of str to str

    Returns
    -------
    bytes
        NETCDF4_CLASSIC, with a checksum on every chunk.
    """
    codes, sensors = pd.factorize(rows["sensor"].fillna(""), sort=True)
    names = [f"{site['site']}/{sensor}" if sensor else str(site["site"]) for sensor in sensors]

    def declare(data: Any) -> Iterator[Declared]:
        data.createDimension("obs", len(rows))
        data.createDimension(SENSOR, len(names))
        yield from _sensors(data, site, names)
        yield from _values(data, rows, codes)

    return written_file(declare, stage_attributes(site, rows, office))


def _sensors(data: Any, site: Mapping[str, Any], names: list[str]) -> Iterator[Declared]:
    raw = [name.encode("utf-8") for name in names]
    longest = max(len(name) for name in raw)
    data.createDimension("strlen_station_id", longest)
    station = data.createVariable("station_id", "S1", (SENSOR, "strlen_station_id"), **HOW)
    station.setncatts(
        {
            "long_name": "code of the site, and the sensor where it has a name",
            "standard_name": "platform_id",
            "cf_role": "timeseries_id",
            "coverage_content_type": "referenceInformation",
        }
    )
    station._Encoding = "utf-8"
    station.set_auto_chartostring(False)
    yield station, np.array(raw, dtype=f"S{longest}").view("S1").reshape(len(raw), longest)
    yield from place(data, site, (SENSOR,))


def _values(data: Any, rows: pd.DataFrame, codes: Any) -> Iterator[Declared]:
    which = data.createVariable("sensor_index", "i4", ("obs",), **HOW)
    which.setncatts(
        {
            "long_name": "which sensor recorded the value",
            "instance_dimension": SENSOR,
            "coverage_content_type": "referenceInformation",
        }
    )
    yield which, codes.astype("i4")
    time = data.createVariable("time", "f8", ("obs",), **HOW)
    time.setncatts({"standard_name": "time", "axis": "T", "coverage_content_type": "coordinate"} | SECONDS)
    time.setncattr("long_name", "when it was recorded")
    yield time, epoch(rows["time"])
    for column, made in variables_of(TABLE):
        variable = data.createVariable(made.name, "f8", ("obs",), fill_value=NOTHING, **HOW)
        variable.setncatts(variable_attributes(column, made) | _PLACED)
        yield variable, rows[column.name].to_numpy(dtype="float64")
    if rows["raw_value"].notna().any():
        raw = data.createVariable("raw_value", "f8", ("obs",), fill_value=NOTHING, **HOW)
        units = sorted(set(rows["raw_unit"].dropna()))
        raw.setncatts(
            {
                "long_name": "figure the sensor gave, from which stage was made",
                "comment": f"In {', '.join(units) or 'a unit that is not stated'}; the table holds it as written.",
                "coverage_content_type": "physicalMeasurement",
            }
            | _PLACED
        )
        figures = pd.to_numeric(rows["raw_value"], errors="coerce").to_numpy(dtype="float64", na_value=np.nan)
        yield raw, np.where(np.isnan(figures), NOTHING, figures)


_PLACED = {"coordinates": "time lat lon station_id", "grid_mapping": "crs"}
