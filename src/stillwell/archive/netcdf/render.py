"""NetCDF files made from the rows that stand, many at once. A file without rows is not made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any, Protocol

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.batches.site_batches import rows_at, site_batches
from stillwell.archive.filled_groups import packed
from stillwell.archive.ledger.moved_gaugings import linked_sites
from stillwell.archive.netcdf.arrays import NEEDED, laid_out
from stillwell.archive.netcdf.gaugings import gaugings_netcdf
from stillwell.archive.netcdf.outputs import OF_GAUGINGS, Output
from stillwell.archive.netcdf.series import series_netcdf
from stillwell.archive.netcdf.stage import NEEDED as STAGE_COLUMNS
from stillwell.archive.netcdf.stage import stage_netcdf
from stillwell.archive.tables.current_rows import GAUGING, described_last, newest_revisions, newest_rows, standing_rows
from stillwell.intake.values.constant import taken
from stillwell.schemas import ARCHIVE_TABLES, SERIES_TIME
from stillwell.schemas.derive import key_names

TOGETHER = 32
"""Sites whose gaugings are rendered from rows held in memory at the same time."""
MOST_ROWS = 2**18
"""Points of these sites, unless one of them has more."""
YEARS_ROWS = 2**16
"""Rows of a series whose years are read together, unless one year has more."""

ORDER = {"stage": ["time", "sensor"], "discharge": ["time"], "daily": ["starts_at"]}
"""Order of the rows of a series in its file."""


class Rows(Protocol):
    """Whatever can read the rows of some sites."""

    def __call__(self, table: str, sites: Sequence[str], columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Return the rows of every revision, all columns or some."""
        ...


def rendered(archive: Archive, wanted: Sequence[Output], office: Mapping[str, str]) -> Iterator[tuple[str, bytes]]:
    """Render some of the files that an archive should hold.

    Parameters
    ----------
    archive : Archive
    wanted : sequence of Output
    office : mapping of str to str
        Name, identifier and contact role.

    Yields
    ------
    str, bytes
        Path and content. A file of which no row stands is left out.
    """
    paths = {output.site: output.path for output in wanted if output.table == "gaugings"}
    for group in _groups(archive, sorted(paths)):
        for site, data in gaugings_files(archive.read, archive.related(group), office, set(group)):
            yield paths[site], data
    series = [output for output in wanted if output.table != "gaugings"]
    for (table, site), outputs in groupby(series, key=lambda output: (output.table, output.site)):
        yield from _series(archive, table, site, list(outputs), office)


def _groups(archive: Archive, sites: Sequence[str]) -> Iterator[list[str]]:
    """Part sites into groups that are rendered one after the other; those that share a gauging stay in one group."""
    links = archive.links()
    linked = {site for link in links for site in link}
    done: set[str] = set()
    for site in sites:
        if site in linked and site not in done:
            group = sorted(linked_sites([site], links) & set(sites))
            done.update(group)
            yield group
    yield from site_batches(
        (site for site in sites if site not in linked), rows_at(archive, "points", sites), MOST_ROWS, TOGETHER
    )


def gaugings_files(
    rows: Rows, sites: Sequence[str], office: Mapping[str, str], wanted: set[str]
) -> Iterator[tuple[str, bytes]]:
    """Render the gaugings of some sites, each site to one file.

    Parameters
    ----------
    rows : Rows
        Reads a table's rows of some sites, every revision.
    sites : sequence of str
        The sites wanted and those that share a gauging with them.
    office : mapping of str to str
    wanted : set of str

    Yields
    ------
    str, bytes
        Site and content.
    """
    gaugings = rows("gaugings", sites)
    standing = {"gaugings": _with_withdrawn(standing_rows("gaugings", gaugings), gaugings)}
    for name, needed in NEEDED.items():
        columns = [*dict.fromkeys([*GAUGING, *needed])]
        standing[name] = standing_rows(name, rows(name, sites, columns), gaugings)
    described = {str(row["site"]): row for row in newest_by_site(rows("sites", sites))}
    for of_site in laid_out(*(standing[name] for name in OF_GAUGINGS)):
        if of_site.site in wanted and of_site.site in described:
            yield of_site.site, gaugings_netcdf(of_site, described[of_site.site], office)


def _with_withdrawn(standing: pd.DataFrame, gaugings: pd.DataFrame) -> pd.DataFrame:
    """Add the withdrawn gaugings of a site at which nothing else stands: its file then says so, flag by flag."""
    gone = newest_rows(gaugings)
    gone = gone.sort_values("revision", kind="stable").drop_duplicates("gauging_id", keep="last")
    gone = gone[(gone["status"] == "withdrawn") & ~gone["gauging_id"].isin(set(standing["gauging_id"]))]
    alone = gone[~gone["site"].isin(set(standing["site"]))]
    return pd.concat([standing, alone], ignore_index=True) if len(alone) else standing


def newest_by_site(register: pd.DataFrame) -> list[dict[str, Any]]:
    """Take the row of each site's register that holds now, from rows of every revision."""
    stands = newest_revisions(register, key_names(ARCHIVE_TABLES["sites"]))
    return [{str(name): value for name, value in row.items()} for row in described_last(stands).to_dict("records")]


def _series(
    archive: Archive, table: str, site: str, outputs: Sequence[Output], office: Mapping[str, str]
) -> Iterator[tuple[str, bytes]]:
    about = newest_by_site(archive.read("sites", [site]))
    columns = STAGE_COLUMNS if table == "stage" else None
    rows_a_year = _rows_a_year(archive, table, site)
    for some in packed(outputs, lambda _: rows_a_year, YEARS_ROWS) if about else ():
        # some years at a time: what is needed in between does not grow with the years of a site
        years = [output.year for output in some if output.year]
        whole = archive.read(table, [site], columns, years or None)
        for output in some:
            rows = whole
            if output.year:
                rows = taken(rows, (rows[SERIES_TIME[table]].dt.year == output.year).to_numpy(dtype=bool))
            rows = newest_revisions(rows, key_names(ARCHIVE_TABLES[table]))
            if len(rows):
                ordered = rows.sort_values(ORDER[table], kind="stable").reset_index(drop=True)
                yield output.path, series_file(table, about[0], ordered, office)
        del whole, rows  # before the next ones are read


def _rows_a_year(archive: Archive, table: str, site: str) -> int:
    """Estimate the rows of one year of a series by what the ledger lists."""
    files = archive.table_files(table, [site])
    years = len({year for file in files for year in file.years})
    return sum(file.rows for file in files) // max(years, 1)


def series_file(table: str, about: Mapping[str, Any], rows: pd.DataFrame, office: Mapping[str, str]) -> bytes:
    """Write a series of a site, or a year of it, as NetCDF; rows in the order of ``ORDER``, at least one."""
    return stage_netcdf(about, rows, office) if table == "stage" else series_netcdf(table, about, rows, office)
