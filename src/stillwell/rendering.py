"""What a commit writes beside the tables: provenance, Table Schemas, README and NetCDF; all follow from rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Protocol

import numpy as np
import pandas as pd

from schemas import ARCHIVE_TABLES
from schemas.derive import key_names
from stillwell.archive.archive import Archive
from stillwell.archive.layout import README
from stillwell.archive.links import sites_named
from stillwell.archive.netcdf import gaugings_netcdf, is_of_gaugings, netcdf_path
from stillwell.archive.netcdf_compare import unlike_listed
from stillwell.archive.netcdf_layout import NEEDED, laid_out
from stillwell.archive.netcdf_stage import stage_files
from stillwell.archive.portions import portions, rows_at
from stillwell.archive.provenance import commit_provenance, provenance_path
from stillwell.archive.readme import archive_readme, schema_documents
from stillwell.archive.reviews import newest_rows
from stillwell.archive.shelf import Shelf
from stillwell.archive.standing import GAUGING, newest_revisions, standing_rows
from stillwell.archive.writer import Writer
from stillwell.prepare import Circumstances, Prepared
from stillwell.prepare.again import REASON
from stillwell.records import Deposit, Fault

RENDERED = ("gaugings", "verticals", "points", "findings")

TOGETHER = 32
"""Sites rendered from rows held in memory at the same time."""
MOST_ROWS = 2**18
"""Points of these sites, unless one of them has more."""


AT = ["gauging_id", "site", "started_at"]


class Rows(Protocol):
    """Whatever can read the rows of some sites."""

    def __call__(self, table: str, sites: Sequence[str], columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Return the rows of every revision, all columns or some."""
        ...


class Beside(Mapping[str, bytes]):
    """Files made on a thread of their own while their caller goes on; whoever looks at them waits for them.

    Parameters
    ----------
    make : callable
        Returns the files by path; what it raises is raised to whoever looks.
    """

    def __init__(self, make: Callable[[], Mapping[str, bytes]]) -> None:
        # the libraries that write NetCDF and Parquet let other threads run
        pool = ThreadPoolExecutor(max_workers=1)
        self._made = pool.submit(make)
        pool.shutdown(wait=False)

    def __getitem__(self, path: str) -> bytes:
        return self._made.result()[path]

    def __iter__(self) -> Iterator[str]:
        return iter(self._made.result())

    def __len__(self) -> int:
        return len(self._made.result())


def documents(circumstances: Circumstances, deposits: Sequence[Deposit], prepared: Prepared) -> dict[str, bytes]:
    """Write the documents that are new with a commit.

    Parameters
    ----------
    circumstances : Circumstances
    deposits : sequence of Deposit
    prepared : Prepared

    Returns
    -------
    dict of str to bytes
        By path in the archive.
    """
    data = commit_provenance(
        number=circumstances.number,
        recorded_at=circumstances.recorded_at,
        by=circumstances.by,
        software_version=circumstances.software_version,
        policy_digest=circumstances.policy_digest,
        intake_map=circumstances.intake_map,
        deposits=deposits,
        gaugings=_made(circumstances, prepared),
        tables=prepared.tables,
    )
    return {provenance_path(circumstances.number): data}


def _made(circumstances: Circumstances, prepared: Prepared) -> pd.DataFrame:
    """Pick the revisions a commit makes; a row can also be there because a review changed its status."""
    rows = prepared.tables.get("gaugings")
    if rows is None:
        return pd.DataFrame(columns=list(_gauging_columns()))
    made = prepared.outcomes["action"].isin(["new", "revision"])
    taken = pd.MultiIndex.from_frame(prepared.outcomes.loc[made, GAUGING])
    again = pd.Series(circumstances.policy_digest != circumstances.policy_before, index=rows.index)
    again &= (rows["revision_reason"] == REASON) & (rows["policy_digest"] == circumstances.policy_digest)
    again &= rows["revision"] == rows.groupby("gauging_id")["revision"].transform("max")
    return rows[again | pd.MultiIndex.from_frame(rows[GAUGING]).isin(taken)]


def renderings(writer: Writer, circumstances: Circumstances, prepared: Prepared) -> dict[str, bytes]:
    """Write the documents that a commit may change: README, schemas, and NetCDF of the site-years it touches.

    Parameters
    ----------
    writer : Writer
    circumstances : Circumstances
    prepared : Prepared

    Returns
    -------
    dict of str to bytes
        By path in the archive.
    """
    office = circumstances.policy.office
    fixed = {README: archive_readme(office)} | schema_documents()
    stage = prepared.tables.get("stage")
    if stage is not None:
        sites = prepared.tables.get("sites", stage.iloc[:0])
        fixed |= dict(stage_files(writer.archive, stage, sites, office))
    touched, joined = _touched(writer.archive, prepared)
    if not touched:
        return fixed
    shelf = prepared.tables if isinstance(prepared.tables, Shelf) else None
    large = {} if shelf is None else shelf.files
    small = [name for name in (*RENDERED, "sites") if name in prepared.tables and name not in large]
    fresh = {name: prepared.tables[name] for name in small}
    places = {name: rows.groupby("site", sort=False).indices for name, rows in fresh.items()}

    def new(table: str, sites: Sequence[str], columns: Sequence[str] | None) -> pd.DataFrame | None:
        if shelf is not None and table in large:
            return shelf.rows(table, sites, columns)
        at = [places[table][site] for site in sites if site in places.get(table, ())]
        if not at:
            return None
        rows = fresh[table] if columns is None else fresh[table][list(columns)]
        mine = np.sort(np.concatenate(at))
        return rows if len(mine) == len(rows) else rows.iloc[mine]

    def with_new(table: str, sites: Sequence[str], columns: Sequence[str] | None = None) -> pd.DataFrame:
        kept, rows = writer.archive.read(table, sites, columns), new(table, sites, columns)
        if rows is None:
            return kept
        return pd.concat([kept, rows], ignore_index=True) if len(kept) else rows

    sizes = rows_at(writer.archive, "points", list(touched))
    sizes.update({file.site: file.rows for _, _, file in large.get("points", ())})
    out = dict(fixed)
    for group in _groups(sorted(touched), joined, sizes):
        wanted = {site: touched[site] for site in group if site in touched}
        out |= site_years(with_new, writer.archive.related(group), office, wanted)
    return out


def _concerned(archive: Archive, fresh: Sequence[pd.DataFrame]) -> list[str]:
    """Name the sites of rows, and those their gaugings stood at before, which the commit may be the first to part."""
    sites = {site for rows in fresh for site in rows["site"].unique()}
    named = {site for rows in fresh for site in sites_named(rows["gauging_id"].drop_duplicates()).dropna()}
    return archive.related(sorted(sites | named))


def emptied(archive: Archive, tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """Name the listed files of site-years at which no gauging is left, since a commit corrects it to another.

    Parameters
    ----------
    archive : Archive
        As it stands before the commit.
    tables : mapping of str to DataFrame
        Rows of the commit.

    Returns
    -------
    list of str
        Paths; a site-year all of whose gaugings are withdrawn keeps its file, which says so.
    """
    fresh = tables.get("gaugings")
    if fresh is None or not (fresh["revision"] > 1).any():
        return []
    kept = archive.read("gaugings", _concerned(archive, [fresh]))
    rows = pd.concat([kept, fresh], ignore_index=True)
    here = _with_withdrawn(standing_rows("gaugings", rows, rows), rows)
    left = {netcdf_path(site, year) for site, year in _site_years(here)}
    return sorted({netcdf_path(site, year) for site, year in _site_years(kept)} & archive.listing().keys() - left)


def _site_years(gaugings: pd.DataFrame) -> set[tuple[str, int]]:
    pairs = gaugings[["site"]].assign(year=gaugings["started_at"].dt.year).drop_duplicates()
    return {(str(site), int(year)) for site, year in pairs.itertuples(index=False)}


def _groups(sites: Sequence[str], joined: set[str], sizes: Mapping[str, int]) -> Iterator[list[str]]:
    """Part sites into groups to be rendered one after the other; those that share a gauging stay in one group."""
    if joined:
        yield sorted(joined)
    yield from portions((site for site in sites if site not in joined), sizes, MOST_ROWS, TOGETHER)


def _touched(archive: Archive, prepared: Prepared) -> tuple[dict[str, set[int] | None], set[str]]:
    """Say which years of which sites a commit changes, None meaning every year, and which sites share a gauging."""
    touched: dict[str, set[int] | None] = {}
    joined: set[str] = set()
    fresh = [prepared.tables[name] for name in ("gaugings", "findings") if name in prepared.tables]
    if fresh:
        kept = archive.read("gaugings", _concerned(archive, fresh))
        mine = prepared.tables.get("gaugings", kept.iloc[:0])[AT]
        if len(kept):
            ids = {gauging_id for rows in fresh for gauging_id in rows["gauging_id"].unique()}
            mine = pd.concat([mine, kept.loc[kept["gauging_id"].isin(ids), AT]])
        for site, year in _site_years(mine):
            years = touched.setdefault(site, set())
            if years is not None:
                years.add(year)
        places = mine[["gauging_id", "site"]].drop_duplicates()
        joined = set(places.loc[places["gauging_id"].duplicated(keep=False), "site"])
    sites = prepared.tables.get("sites")
    for site in () if sites is None else sites["site"]:
        touched[site] = None
    return touched, joined


def site_years(
    rows: Rows, sites: Sequence[str], office: Mapping[str, str], wanted: Mapping[str, set[int] | None]
) -> Iterator[tuple[str, bytes]]:
    """Render the site-years wanted, each from the rows that stand.

    Parameters
    ----------
    rows : Rows
        Reads a table's rows of some sites, every revision.
    sites : sequence of str
        The sites wanted and those that share a gauging with them.
    office : mapping of str to str
    wanted : mapping of str to set of int, or None
        Years by site; None for all.

    Yields
    ------
    str, bytes
        Path and content.
    """
    gaugings = rows("gaugings", sites)
    standing = {"gaugings": _with_withdrawn(standing_rows("gaugings", gaugings, gaugings), gaugings)}
    for name, needed in NEEDED.items():
        columns = [*dict.fromkeys([*GAUGING, *needed])]
        standing[name] = standing_rows(name, rows(name, sites, columns), gaugings)
    register = newest_revisions(rows("sites", sites), key_names(ARCHIVE_TABLES["sites"]))
    newest = register.sort_values("valid_from", na_position="first", kind="stable").drop_duplicates("site", keep="last")
    described = {row["site"]: row for row in newest.to_dict("records")}
    for rows_of in laid_out(*(standing[name] for name in RENDERED)):
        site, year = rows_of.site, rows_of.year
        years = wanted.get(site, set())
        if site in described and (years is None or year in years):
            row = {str(k): v for k, v in described[site].items()}
            yield netcdf_path(site, year), gaugings_netcdf(rows_of, row, office)


def _with_withdrawn(standing: pd.DataFrame, gaugings: pd.DataFrame) -> pd.DataFrame:
    """Add the withdrawn gaugings of a site-year in which nothing else stands: its file then says so, flag by flag."""
    gone = newest_rows(gaugings)
    gone = gone.sort_values("revision", kind="stable").drop_duplicates("gauging_id", keep="last")
    gone = gone[(gone["status"] == "withdrawn") & ~gone["gauging_id"].isin(set(standing["gauging_id"]))]
    held = set(zip(standing["site"], standing["started_at"].dt.year, strict=True))
    alone = [pair not in held for pair in zip(gone["site"], gone["started_at"].dt.year, strict=True)]
    return pd.concat([standing, gone[alone]], ignore_index=True) if any(alone) else standing


def _gauging_columns() -> Iterator[str]:
    from schemas.derive import columns

    return (c.name for c in columns(ARCHIVE_TABLES["gaugings"]))


def rendered_again(archive: Archive, office: Mapping[str, str]) -> Iterator[Fault]:
    """Render every NetCDF file of gaugings again and name those whose values are not what their rows make.

    Parameters
    ----------
    archive : Archive
    office : mapping of str to str

    Yields
    ------
    Fault
        Of kind ``netcdf``.
    """
    sites = sorted(set(archive.standing("sites")["site"]))
    joined = {site for link in archive.links() for site in link} & set(sites)

    made: set[str] = set()

    def rendered() -> Iterator[tuple[str, bytes]]:
        for group in _groups(sites, joined, rows_at(archive, "points", sites)):
            for path, data in site_years(archive.read, archive.related(group), office, dict.fromkeys(group)):
                made.add(path)
                yield path, data

    yield from unlike_listed(archive, rendered(), "expected a file of the gaugings that stand, found none listed")
    for path in sorted(path for path in archive.listing() if is_of_gaugings(path) and path not in made):
        sentence = "expected no file, since no gauging of that site and year is left, found one listed"
        yield Fault("netcdf", path, sentence)
