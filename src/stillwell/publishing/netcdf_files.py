"""NetCDF of what goes out: the archive's own file where it is not behind and holds just that, else rendered again."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from typing import Any

import netCDF4
import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.disk.layout import site_folder
from stillwell.archive.netcdf.global_attributes import LICENCE_BASE
from stillwell.archive.netcdf.outputs import BY_YEAR, behind, netcdf_path
from stillwell.archive.netcdf.render import ORDER, gaugings_files, series_file
from stillwell.publishing.public import Public
from stillwell.publishing.rows import Going
from stillwell.schemas import SERIES_TIME

SiteYears = Mapping[str, Iterable[tuple[str, int]]]
"""Sites and years of which rows of a series go out, by its table; the year is 0 where a file holds every year."""


def site_years(table: str, rows: pd.DataFrame) -> set[tuple[str, int]]:
    """Name the sites and years of some rows of a series: those of the files that go out with them."""
    year = rows[SERIES_TIME[table]].dt.year if table in BY_YEAR else pd.Series(0, index=rows.index)
    pairs = pd.DataFrame({"site": rows["site"], "year": year}).drop_duplicates()
    return {(str(site), int(number)) for site, number in pairs.itertuples(index=False)}


def netcdf_files(
    archive: Archive, public: Public, going: Going, office: Mapping[str, str], years: SiteYears
) -> Iterator[tuple[str, bytes]]:
    """Give the NetCDF files of what goes out.

    Parameters
    ----------
    archive : Archive
    public : Public
    going : Going
    office : mapping of str to str
        Name, identifier and contact role.
    years : SiteYears
        Of the series, as of ``site_years``.

    Yields
    ------
    str, bytes
        Path in the payload, and content.
    """
    licences = dict(zip(public.register["site"], public.register["licence"], strict=True))
    late = {one.path for one in behind(archive, office)}
    right = {path for path in archive.ledger.live_tables() if path.startswith("netcdf/")} - late
    yield from _series_files(archive, public, going, office, licences, right, years)
    grouped: Any = going.gaugings.groupby("site", sort=True)
    for site, rows in grouped:
        path = netcdf_path("gaugings", site)
        data = archive.document(path) if path in right else b""
        if not data or not _holds_just(data, rows, str(licences[site])):
            data = _rendered(going, public, office, site)
        yield path_in_bag(path, site), data


def _series_files(
    archive: Archive,
    public: Public,
    going: Going,
    office: Mapping[str, str],
    licences: Mapping[str, str],
    right: Set[str],
    years: SiteYears,
) -> Iterator[tuple[str, bytes]]:
    """Give recorded stage and records, site by site; a site's go out whole or not at all."""
    register = {str(row["site"]): row for row in public.register.to_dict("records")}
    for table in SERIES_TIME:
        cached = "", pd.DataFrame()
        for site, year in sorted(years.get(table, ())):
            path = netcdf_path(table, site, year)
            data = archive.document(path) if path in right else b""
            if not data or _licence_of(data) != f"{LICENCE_BASE}{licences[site]}":
                cached = cached if cached[0] == site else (site, going.of(table, [site]))
                part = cached[1][cached[1][SERIES_TIME[table]].dt.year == year] if year else cached[1]
                about = {str(name): value for name, value in register[site].items()}
                data = series_file(table, about, part.sort_values(ORDER[table], ignore_index=True), office)
            yield path_in_bag(path, site), data


def _licence_of(data: bytes) -> str:
    with netCDF4.Dataset("held in memory", memory=data) as file:
        return str(file.getncattr("license"))


def path_in_bag(path: str, site: str) -> str:
    """Name a file without a per cent sign, which readers of manifests do not agree on."""
    folder = site_folder(site).removeprefix("site=")
    return path.replace(folder, folder.replace("%", "="), 1)


def _holds_just(data: bytes, rows: pd.DataFrame, licence: str) -> bool:
    """Return whether a file holds exactly these gaugings, at these revisions, under this licence."""
    with netCDF4.Dataset("held in memory", memory=data) as file:
        names = [bytes(row).rstrip(b"\0").decode("utf-8") for row in _bytes_of(file["gauging_id"])]
        revisions = set(zip(names, (int(value) for value in file["revision"][:].filled(0)), strict=True))
        return revisions == set(zip(rows["gauging_id"], rows["revision"].astype("int64"), strict=True)) and (
            file.getncattr("license") == f"{LICENCE_BASE}{licence}"
        )


def _bytes_of(variable: Any) -> Any:
    variable.set_auto_maskandscale(False)
    variable.set_auto_chartostring(False)
    return variable[:].view("S1").reshape(variable.shape)


def _rendered(going: Going, public: Public, office: Mapping[str, str], site: str) -> bytes:
    def rows(table: str, sites: Sequence[str], columns: Sequence[str] | None = None) -> pd.DataFrame:
        known = public.register if table == "sites" else going.of(table, sites)
        return known.loc[known["site"].isin(set(sites)), columns or list(known.columns)].reset_index(drop=True)

    return dict(gaugings_files(rows, [site], office, {site}))[site]
