"""One gauging as an xarray dataset, from its rows, laid out as the archive's NetCDF files are."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import netCDF4
import numpy as np
import pandas as pd
import xarray as xr
from xarray.backends import NetCDF4DataStore

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.moved_gaugings import sites_named
from stillwell.archive.netcdf.arrays import NEEDED, laid_out
from stillwell.archive.netcdf.gaugings import gaugings_netcdf
from stillwell.archive.revisions.reviews import newest_rows
from stillwell.archive.tables.current_rows import standing_rows
from stillwell.errors import QueryError
from stillwell.reading.policy import policy_by


def gauging_dataset(archive: Archive, gauging_id: str, revision: int | None, as_of: datetime | None) -> xr.Dataset:
    """Lay one gauging out as a dataset.

    Parameters
    ----------
    archive : Archive
    gauging_id : str
    revision : int or None
        The one that stands when None.
    as_of : datetime or None

    Returns
    -------
    Dataset
        In memory.

    Raises
    ------
    QueryError
        If there is no such gauging or revision, or none stands.
    """
    row = _row(archive, gauging_id, revision, as_of)
    site, number = str(row["site"].iloc[0]), int(row["revision"].iloc[0])
    tables = {name: _beside(archive, name, site, gauging_id, number, as_of) for name in NEEDED}
    (rows,) = laid_out(row, **tables)
    data = gaugings_netcdf(rows, _register(archive, site, as_of), _office(archive, as_of))
    with netCDF4.Dataset("gauging", memory=data) as file:
        made = xr.open_dataset(_stored(file)).load()
    if "row_size" in made:
        place = np.repeat(np.arange(made.sizes["vertical"]), made["row_size"].to_numpy().astype("int64"))
        words = {"long_name": "place along vertical of the vertical the point was read in"}
        made = made.assign_coords(vertical_index=("obs", place, words))
    made.attrs |= {"title": f"Gauging {gauging_id}, revision {number}", "id": f"{gauging_id}/{number}"}
    made.attrs["summary"] = (
        f"Discharge measurement {gauging_id}, revision {number}: result, verticals and point velocities, with status "
        "and findings. Laid out from the Parquet tables of the archive, which hold every revision."
    )
    return made


def _stored(file: netCDF4.Dataset) -> Any:
    return NetCDF4DataStore(file)  # type: ignore[no-untyped-call]


def _row(archive: Archive, gauging_id: str, revision: int | None, as_of: datetime | None) -> pd.DataFrame:
    sites = archive.related(list(sites_named(pd.Series([gauging_id], dtype="str")).dropna()))
    rows = archive.read("gaugings", sites)
    rows = rows[rows["gauging_id"] == gauging_id]
    if rows.empty:
        msg = f"expected the id of a gauging in this archive, found {gauging_id!r}; gaugings() names them in gauging_id"
        raise QueryError(msg)
    rows = rows if as_of is None else rows[rows["recorded_at"] <= pd.Timestamp(as_of)]
    newest = newest_rows(rows)
    if revision is None:
        chosen = standing_rows("gaugings", rows, rows)
        missing = "none of them stands: it was withdrawn, or recorded later than asked; name a revision to see it"
    else:
        chosen = newest[newest["revision"] == revision].reset_index(drop=True)
        missing = f"not revision {revision}"
    if chosen.empty:
        known = ", ".join(str(number) for number in newest["revision"]) or "no revision"
        msg = f"{gauging_id}: found {known}, but {missing}"
        raise QueryError(msg)
    return chosen


def _beside(
    archive: Archive, table: str, site: str, gauging_id: str, revision: int, as_of: datetime | None
) -> pd.DataFrame:
    rows = archive.read(table, [site], [*dict.fromkeys([*NEEDED[table], "revision", "recorded_at"])])
    mine = (rows["gauging_id"] == gauging_id) & (rows["revision"] == revision)
    if as_of is not None:
        mine &= rows["recorded_at"] <= pd.Timestamp(as_of)
    return rows.loc[mine, list(NEEDED[table])].reset_index(drop=True)


def _register(archive: Archive, site: str, as_of: datetime | None) -> dict[str, Any]:
    """Return the newest description of a site."""
    rows = archive.standing("sites", [site], as_of)
    rows = rows[rows["site"] == site].sort_values("valid_from", na_position="first", kind="stable")
    if rows.empty:
        msg = f"expected a row of the register for the site {site}, found none by then"
        raise QueryError(msg)
    return {str(name): value for name, value in rows.iloc[-1].to_dict().items()}


def _office(archive: Archive, as_of: datetime | None) -> dict[str, str]:
    known = "policies" in archive.tables()
    return dict(policy_by(archive.standing("policies", as_of=as_of) if known else pd.DataFrame()).office)
