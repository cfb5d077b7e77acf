"""Which NetCDF files an archive should hold, what each is made from, and which of them are behind. Writes nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from stillwell.archive.archive import Archive
from stillwell.archive.batches.compaction_plan import years_within
from stillwell.archive.disk.layout import netcdf_folder, site_of_folder
from stillwell.archive.ledger.input_digests import ANY_YEAR, Inputs, inputs_digest
from stillwell.fingerprint import canonical_json, sha256

RENDERING = 2
"""Raised whenever the same rows are rendered to other bytes; every file is then behind, and is made again.

2: the variable ``within_percent`` in the place of ``quality``.
"""

NUMBER = "rendering"
"""Name of this number among the inputs of a file."""

OF_GAUGINGS = ("gaugings", "verticals", "points", "findings")
"""Tables from which the file of a site's gaugings is made, beside its register."""

BY_YEAR = ("stage", "discharge")
"""Series with one file for each site and year; the days of a site stand in one file."""


@dataclass(frozen=True)
class Output:
    """One NetCDF file that an archive should hold."""

    path: str
    table: str
    """The table it is named after: ``gaugings``, ``daily``, ``stage`` or ``discharge``."""
    site: str
    year: int
    """Year (UTC) of its values; 0 where the file holds every year."""
    made_from: Mapping[str, str] = field(repr=False)
    """Names and digests of its inputs."""


@dataclass(frozen=True)
class Behind:
    """A file that is not what its inputs would make now, and why."""

    path: str
    reason: str
    site: str
    output: Output | None
    """None where no file should be there."""


def netcdf_path(table: str, site: str, year: int = 0) -> str:
    """Name the file of a table and site, or of a year of it."""
    return f"netcdf/{netcdf_folder(site)}/{table}{f'_{year}' if year else ''}.nc"


def office_digest(office: Mapping[str, str]) -> str:
    """Digest the names an office gives itself, which stand in every file: sha256 of their canonical JSON."""
    return sha256(canonical_json(dict(office)))


def outputs(archive: Archive, office: Mapping[str, str], sites: Iterable[str] | None = None) -> Iterator[Output]:
    """Say which NetCDF files an archive should hold, from the ledger alone.

    Parameters
    ----------
    archive : Archive
    office : mapping of str to str
    sites : iterable of str, optional
        Only the files of these.

    Yields
    ------
    Output
        By site. A site that the register does not name has none. Of a series whose files do not tell their years, as
        before format 2.0, the years are read from the statistics of the table files.
    """
    inputs = archive.ledger.inputs()
    common = {"office": office_digest(office), NUMBER: str(RENDERING)}
    wanted = set(inputs.sites("sites"))
    for site in sorted(wanted if sites is None else wanted & set(sites)):
        about = common | inputs.of("sites", site)
        if inputs.of("gaugings", site):
            rows = _of_gaugings(inputs, archive.related([site]))
            yield Output(netcdf_path("gaugings", site), "gaugings", site, 0, about | rows)
        if days := inputs.of("daily", site):
            yield Output(netcdf_path("daily", site), "daily", site, 0, about | days)
        for table in BY_YEAR:
            for year in _years(archive, inputs, table, site):
                rows = inputs.of(table, site, year)
                yield Output(netcdf_path(table, site, year), table, site, year, about | rows)


def _of_gaugings(inputs: Inputs, related: Iterable[str]) -> dict[str, str]:
    """Name the inputs of a site's gaugings; a gauging that was moved has revisions at more than one site."""
    return {
        name: digest for site in related for table in OF_GAUGINGS for name, digest in inputs.of(table, site).items()
    }


def _years(archive: Archive, inputs: Inputs, table: str, site: str) -> list[int]:
    years = set(inputs.years(table, site))
    if ANY_YEAR in years:
        for file in archive.table_files(table, [site]):
            if not file.years:
                years.update(years_within(archive.root, file.path, table))
    return sorted(years - {ANY_YEAR})


def behind(archive: Archive, office: Mapping[str, str], sites: Iterable[str] | None = None) -> Iterator[Behind]:
    """Name the NetCDF files that are not made from what their inputs are now.

    Parameters
    ----------
    archive : Archive
    office : mapping of str to str
    sites : iterable of str, optional
        Only the files of these.

    Yields
    ------
    Behind
        By path. A file of a layout before format 2.0 is behind with no output: the next rendering strikes it.
    """
    made = archive.ledger.inputs().made
    wanted = {output.path: output for output in outputs(archive, office, sites)}
    folders = None if sites is None else {f"netcdf/{netcdf_folder(site)}" for site in sites}
    listed = {path for path in archive.ledger.live_tables() if path.startswith("netcdf/")}
    here = {path for path in listed if folders is None or path.rpartition("/")[0] in folders}
    for path in sorted(wanted.keys() | here):
        output = wanted.get(path)
        if path not in made:
            reason = "of an older layout" if path in listed else "never rendered"
        elif output is None:
            reason = "nothing is left to render"
        elif made[path] != inputs_digest(output.made_from):
            reason = _why(made[path], output)
        else:
            continue
        yield Behind(path, reason, output.site if output else site_of_folder(path.split("/")[1]), output)


def _why(made: str, output: Output) -> str:
    """Tell a file that only an earlier version rendered otherwise from one whose rows or names have changed."""
    earlier = (dict(output.made_from) | {NUMBER: str(number)} for number in range(1, RENDERING))
    if any(made == inputs_digest(inputs) for inputs in earlier):
        return "rendered by an earlier version"
    return "its inputs have changed"


def is_of_this_rendering(made_from: Mapping[str, str]) -> bool:
    """Say whether a file whose inputs an entry names was rendered as this software renders."""
    return made_from.get(NUMBER) == str(RENDERING)


SITES_NAMED = 5
"""Sites that a sentence on files behind names; those beyond are counted."""


def behind_words(late: Sequence[Behind]) -> str:
    """Say how many files are behind, of which sites and why; empty where none is."""
    if not late:
        return ""
    sites = sorted({one.site for one in late})
    named = ", ".join(sites[:SITES_NAMED])
    more = f" and {len(sites) - SITES_NAMED} more" if len(sites) > SITES_NAMED else ""
    why = Counter(one.reason for one in late)
    reasons = "; ".join(f"{count}: {reason}" for reason, count in sorted(why.items()))
    files = "1 NetCDF file is" if len(late) == 1 else f"{len(late)} NetCDF files are"
    return f"{files} behind, of {named}{more} ({reasons}); `stillwell render` finishes this"
