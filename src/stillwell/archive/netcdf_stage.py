"""Recorded stage of a site and year as CF NetCDF: every value as the loggers gave it, sensor by sensor.

A function of the rows of ``stage`` that stand and of the site's row, the same every time. Corrections are no part of
it: they are entries of their own, applied where a record is derived.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from schemas import ARCHIVE_TABLES
from schemas.derive import key_names, variable_attributes
from stillwell.archive.archive import Archive
from stillwell.archive.netcdf import HOW, SECONDS, Declared, written_file
from stillwell.archive.netcdf_compare import unlike_listed
from stillwell.archive.netcdf_globals import stage_attributes
from stillwell.archive.netcdf_layout import NOTHING, epoch, variables_of
from stillwell.archive.netcdf_series import newest_row, place, series_path
from stillwell.archive.standing import newest_revisions
from stillwell.intake.constant import taken
from stillwell.records import Fault

TABLE = "stage"
SENSOR = "sensor"
"""Dimension of the sensors of a site; each is a time series of its own."""
NEEDED = ["site", SENSOR, "time", "stage_m", "raw_value", "raw_unit", "deposit", "revision", "recorded_at"]
"""Columns that a file is made from."""


def stage_files(
    archive: Archive, fresh: pd.DataFrame, sites: pd.DataFrame, office: Mapping[str, str]
) -> Iterator[tuple[str, bytes]]:
    """Render the years that new rows touch, from what stands with them.

    Parameters
    ----------
    archive : Archive
        As it stood before the new rows.
    fresh : DataFrame
        New rows of ``stage``.
    sites : DataFrame
        New rows of ``sites``, that the archive does not hold yet.
    office : mapping of str to str

    Yields
    ------
    str, bytes
        Path and content.
    """
    key = key_names(ARCHIVE_TABLES[TABLE])
    for site in sorted(fresh["site"].unique()):
        mine = taken(fresh[NEEDED], (fresh["site"] == site).to_numpy(dtype=bool))
        kept = archive.read(TABLE, [site], NEEDED)
        register = pd.concat([archive.read("sites", [site]), sites[sites["site"] == site]], ignore_index=True)
        register = newest_revisions(register, key_names(ARCHIVE_TABLES["sites"]))
        new, old = (rows["time"].dt.year.to_numpy() for rows in (mine, kept))
        # a year at a time: what is needed in between does not grow with the years of a deposit
        for year in np.unique(new):
            both = pd.concat([taken(kept, old == year), taken(mine, new == year)], ignore_index=True)
            yield from _years(site, register, newest_revisions(both, key), office)


def stage_again(archive: Archive, office: Mapping[str, str]) -> Iterator[Fault]:
    """Render stage again and name the files whose values are not what their rows make.

    Parameters
    ----------
    archive : Archive
    office : mapping of str to str

    Yields
    ------
    Fault
        Of kind ``netcdf``. A year without a file is none: archives before schema 1.3 have no files of stage, and get
        that of a year with the next value of it.
    """
    for site in sorted({file.site for file in archive.table_files(TABLE)}):
        made = _years(site, archive.standing("sites", [site]), archive.standing(TABLE, [site]), office)
        listed = ((path, data) for path, data in made if archive.ledger.listed(path) is not None)
        yield from unlike_listed(archive, listed, "expected a file of recorded stage, found none listed")


def _years(
    site: str, register: pd.DataFrame, rows: pd.DataFrame, office: Mapping[str, str]
) -> Iterator[tuple[str, bytes]]:
    if register.empty:
        return
    about = newest_row(register)
    for year, part in rows.groupby(rows["time"].dt.year, sort=True):
        ordered = part.sort_values(["time", "sensor"], kind="stable").reset_index(drop=True)
        yield series_path(TABLE, site, int(str(year))), stage_netcdf(about, int(str(year)), ordered, office)


def stage_netcdf(site: Mapping[str, Any], year: int, rows: pd.DataFrame, office: Mapping[str, str]) -> bytes:
    """Write a site and year as NetCDF, an indexed ragged array of time series.

    Parameters
    ----------
    site : mapping
        Row of the register.
    year : int
        Calendar year, UTC.
    rows : DataFrame
        In order of time; at least one.
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

    return written_file(declare, stage_attributes(site, year, rows, office))


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
