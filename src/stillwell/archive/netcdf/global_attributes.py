"""Global attributes of a NetCDF file of gaugings, all computed from its rows; none is typed and none is the clock's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.netcdf.wording import CONVENTIONS, NAMES

LICENCE_BASE = "https://spdx.org/licenses/"
KEYWORDS = "river discharge, stream gauging, velocity-area method, stage, hydrometry"


@dataclass(frozen=True)
class Recorded:
    """What the global attributes state about the gaugings in a file."""

    history: Sequence[str]
    """A line for each, in the order recorded."""
    oldest: datetime
    newest: datetime
    """When they were recorded."""
    start: datetime
    end: datetime


def global_attributes(
    site: Mapping[str, Any],
    years: tuple[int, int],
    recorded: Recorded,
    depths: NDArray[np.float64],
    office: Mapping[str, str],
    kind: str,
) -> dict[str, Any]:
    """Describe a file: what, where, when, by whom, from which rows.

    Parameters
    ----------
    site : mapping
        Row of the register.
    years : tuple of int
        First and last year (UTC) of their start.
    recorded : Recorded
        Of the gaugings in the file.
    depths : float array
        Depth of every point in the file, m.
    office : mapping of str to str
    kind : str
        CF feature type.

    Returns
    -------
    dict
        By name, in the order written.
    """
    name, span = f"{site['name']}", span_of(years)
    river = "" if _blank(site.get("river")) else f" on {site['river']}"
    owner = office["name"] if _blank(site.get("owner")) else str(site["owner"])
    licence = "not stated" if _blank(site.get("licence")) else f"{LICENCE_BASE}{site['licence']}"
    return {
        "Conventions": CONVENTIONS,
        "featureType": kind,
        "title": f"Gaugings at {name}{river}, {span}",
        "summary": (
            f"Discharge measurements at {name}{river}, {span} (UTC): result, verticals and point "
            "velocities of the revision that stands of each, with status and findings. Rendered from the Parquet "
            "tables of the archive, which hold every revision."
        ),
        "keywords": KEYWORDS,
        "id": f"{site['site']}.gaugings",
        "naming_authority": office["identifier"],
        "standard_name_vocabulary": NAMES,
        "license": licence,
        "processing_level": "computed from field sheets; each gauging provisional or approved as discharge_status says",
        "source": "field measurements by velocity-area and other methods, as discharge_method says",
        "comment": (
            "Wading, floods and ice kill; nothing in this file says that entering the water is safe. Times count UTC "
            "seconds. Verticals carry the position of the gauge."
        ),
        "acknowledgement": f"measured by the field parties of {owner}",
        **_people(owner, office),
        **_history(recorded),
        **_extent(site, recorded, depths, kind),
    }


def span_of(years: tuple[int, int]) -> str:
    """Write a span of years in words."""
    first, last = years
    return str(first) if first == last else f"{first} to {last}"


SERIES = {
    "stage": ("Recorded stage of {name}{river}, {year}", "Stage as recorded"),
    "discharge": ("Discharge record of {name}{river}, {year}", "Discharge at each recorded stage"),
    "daily": ("Daily discharge of {name}{river}, {year}", "Mean, least and greatest discharge of each standard day"),
}


def series_attributes(
    site: Mapping[str, Any], rows: pd.DataFrame, office: Mapping[str, str], table: str, when: str
) -> dict[str, Any]:
    """Describe a file of a record: what, where, when, by whom, from which rows; parameters as ``global_attributes``."""
    river = "" if _blank(site.get("river")) else f" on {site['river']}"
    owner = office["name"] if _blank(site.get("owner")) else str(site["owner"])
    licence = "not stated" if _blank(site.get("licence")) else f"{LICENCE_BASE}{site['licence']}"
    title, what = SERIES[table]
    start = rows[when].min()
    span = span_of((start.year, rows[when].max().year))
    end = rows["ends_at" if "ends_at" in rows else when].max()
    newest, oldest = rows["recorded_at"].max(), rows["recorded_at"].min()
    versions = ", ".join(sorted(set(rows["software_version"])))
    return {
        "Conventions": CONVENTIONS,
        "featureType": "timeSeries",
        "title": title.format(name=site["name"], river=river, year=span),
        "summary": (
            f"{what} at {site['name']}{river}, {span} (UTC), from recorded stage, ratings and shifts, with its "
            "uncertainty and marks. Rendered from the Parquet tables of the archive, which hold every revision."
        ),
        "keywords": KEYWORDS,
        "id": f"{site['site']}.{table}" + ("" if table == "daily" else f".{start.year}"),
        "naming_authority": office["identifier"],
        "standard_name_vocabulary": NAMES,
        "license": licence,
        "processing_level": "derived from stage and ratings; provisional",
        "source": "recorded stage through the ratings and shifts in force at each moment",
        "comment": "A record is an estimate; marks say where it is extrapolated, estimated or iced. Times are UTC.",
        "acknowledgement": f"recorded by {owner}",
        **_people(owner, office),
        "history": f"{newest:%Y-%m-%dT%H:%M:%S.%fZ} derived by stillwell {versions}",
        "date_created": f"{oldest:%Y-%m-%dT%H:%M:%SZ}",
        "date_modified": f"{newest:%Y-%m-%dT%H:%M:%SZ}",
        "product_version": f"{newest:%Y%m%dT%H%M%S.%fZ}",
        **_where(site, start, end),
        "cdm_data_type": "Station",
    }


def stage_attributes(site: Mapping[str, Any], rows: pd.DataFrame, office: Mapping[str, str]) -> dict[str, Any]:
    """Describe a file of recorded stage; parameters as ``global_attributes``."""
    river = "" if _blank(site.get("river")) else f" on {site['river']}"
    deposits = ", ".join(f"{deposit[:16]}" for deposit in sorted(set(rows["deposit"])))
    attributes = series_attributes(site, rows.assign(software_version=""), office, "stage", "time")
    return attributes | {
        "summary": (
            f"Stage at {site['name']}{river}, {rows['time'].min().year} (UTC), as its loggers recorded it, without "
            "corrections. Rendered from the Parquet tables of the archive, which hold every revision, each figure as "
            "written, and the corrections."
        ),
        "processing_level": "as recorded, uncorrected",
        "source": "loggers of stage, read into one unit by an intake map where one was used",
        "comment": "Stage is above the zero of the gauge. Corrections of stage are not applied here. Times are UTC.",
        "history": f"{rows['recorded_at'].max():%Y-%m-%dT%H:%M:%S.%fZ} taken from deposits {deposits}",
    }


def _blank(value: Any) -> bool:
    return value is None or bool(pd.isna(value)) or str(value) == ""


def _people(owner: str, office: Mapping[str, str]) -> dict[str, str]:
    role = office["contact_role"]
    return {
        "institution": owner,
        "creator_name": owner,
        "creator_type": "institution",
        "publisher_name": f"{office['name']} ({role})",
        "publisher_type": "institution",
    }


def _history(recorded: Recorded) -> dict[str, str]:
    """Say which revisions were recorded when, by which software, from which deposits."""
    return {
        "history": "\n".join(recorded.history),
        "date_created": f"{recorded.oldest:%Y-%m-%dT%H:%M:%SZ}",
        "date_modified": f"{recorded.newest:%Y-%m-%dT%H:%M:%SZ}",
        "product_version": f"{recorded.newest:%Y%m%dT%H%M%S.%fZ}",
    }


def _extent(site: Mapping[str, Any], recorded: Recorded, depths: NDArray[np.float64], kind: str) -> dict[str, Any]:
    extent = _where(site, recorded.start, recorded.end)
    extent["cdm_data_type"] = "Point" if kind == "point" else "Trajectory"
    if depths.size:
        extent |= {
            "geospatial_vertical_min": float(depths.min()),
            "geospatial_vertical_max": float(depths.max()),
            "geospatial_vertical_units": "m",
            "geospatial_vertical_positive": "down",
        }
    return extent


def _where(site: Mapping[str, Any], start: Any, end: Any) -> dict[str, Any]:
    lat, lon = float(site["latitude"]), float(site["longitude"])
    return {
        "time_coverage_start": f"{start:%Y-%m-%dT%H:%M:%SZ}",
        "time_coverage_end": f"{end:%Y-%m-%dT%H:%M:%SZ}",
        "time_coverage_duration": _duration(end - start),
        "geospatial_bounds": f"POINT ({lat} {lon})",
        "geospatial_bounds_crs": "EPSG:4326",
        "geospatial_lat_min": lat,
        "geospatial_lat_max": lat,
        "geospatial_lat_units": "degrees_north",
        "geospatial_lon_min": lon,
        "geospatial_lon_max": lon,
        "geospatial_lon_units": "degrees_east",
    }


def _duration(span: timedelta) -> str:
    """Write a span as an ISO 8601 duration."""
    seconds = int(span.total_seconds())
    days, rest = divmod(seconds, 86_400)
    hours, rest = divmod(rest, 3600)
    minutes, seconds = divmod(rest, 60)
    return f"P{days}DT{hours}H{minutes}M{seconds}S"
