"""One gauging as an xarray dataset, from its rows, laid out as the archive's NetCDF files are."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import netCDF4
import numpy as np
import pandas as pd
import xarray as xr
from xarray.backends import NetCDF4DataStore

from stillwell.archive.archive import Archive
from stillwell.archive.netcdf.arrays import NEEDED, laid_out
from stillwell.archive.netcdf.gaugings import gaugings_netcdf
from stillwell.archive.tables.current_rows import described_last, newest_rows, standing_rows
from stillwell.errors import QueryError
from stillwell.reading.policy import default_policy_text, policy_in_force
from stillwell.reading.select.described import Described
from stillwell.reading.select.filters import Question
from stillwell.reading.select.rows import answer


def gauging_dataset(
    archive: Archive, described: Callable[[str], Described], gauging_id: str, revision: int | None
) -> xr.Dataset:
    """Lay one gauging out as a dataset.

    Parameters
    ----------
    archive : Archive
        As it stands, or as it stood at a moment.
    described : callable
        Gives its description of a table.
    gauging_id : str
    revision : int or None
        The one that stands when None.

    Returns
    -------
    Dataset
        In memory.

    Raises
    ------
    QueryError
        If there is no such gauging or revision, or none stands.
    """
    row = _row(archive, described("gaugings"), gauging_id, revision)
    site, number = str(row["site"].iloc[0]), int(row["revision"].iloc[0])
    where = {"gauging_id": (gauging_id,), "revision": (number,)}
    tables = {
        name: answer(
            archive,
            Question(described(name), where=where, columns=columns, revisions=True),
            described("gaugings"),
        )
        for name, columns in NEEDED.items()
    }
    (rows,) = laid_out(row, **tables)
    office = policy_in_force(archive, None, default_policy_text())[0].office
    data = gaugings_netcdf(rows, _register(archive, site), office)
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


def _row(archive: Archive, gaugings: Described, gauging_id: str, revision: int | None) -> pd.DataFrame:
    rows = answer(archive, Question(gaugings, where={"gauging_id": (gauging_id,)}, revisions=True), gaugings)
    newest = newest_rows(rows)
    if revision is None:
        chosen = standing_rows("gaugings", rows)
        missing = "none of them stands: it was withdrawn, or recorded later than asked; name a revision to see it"
    else:
        chosen = newest[newest["revision"] == revision].reset_index(drop=True)
        missing = f"not revision {revision}"
    if chosen.empty:
        known = ", ".join(str(number) for number in newest["revision"]) or "no revision"
        msg = f"{gauging_id}: found {known}, but {missing}"
        raise QueryError(msg)
    return chosen


def _register(archive: Archive, site: str) -> dict[str, Any]:
    """Return the newest description of a site."""
    rows = described_last(archive.standing("sites", [site]))
    if rows.empty:
        msg = f"expected a row of the register for the site {site}, found none by then"
        raise QueryError(msg)
    return {str(name): value for name, value in rows.iloc[-1].to_dict().items()}
