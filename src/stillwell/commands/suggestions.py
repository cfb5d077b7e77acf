"""What a name that an archive does not know was perhaps meant to be, and the command that names what it does know."""

from __future__ import annotations

import shlex
from pathlib import Path


def gauging_hint(root: Path, asked: str) -> str:
    """Propose gaugings where none is called so.

    Parameters
    ----------
    root : Path
        The archive.
    asked : str

    Returns
    -------
    str
        ``{at}`` stands for the archive.
    """
    from stillwell.archive.archive import Archive
    from stillwell.reading.printed.nearest import known_sites, nearest_gaugings

    archive = Archive(root)
    if asked in known_sites(archive):
        site = shlex.quote(asked)
        return (
            f"that is a site: `stillwell list --site {site}{{at}}` names its gaugings, "
            f"`stillwell report site:{site} --output site.html{{at}}` writes a page on it"
        )
    return _nearest_or_all(nearest_gaugings(archive, asked), "`stillwell list{at}` names all gaugings")


def site_hint(root: Path, asked: str, then: str = "") -> str:
    """Propose sites where none is called so.

    Parameters
    ----------
    root : Path
        The archive.
    asked : str
    then : str
        What to say of a site the archive knows.

    Returns
    -------
    str
        ``{at}`` stands for the archive.
    """
    from stillwell.archive.archive import Archive
    from stillwell.reading.printed.nearest import known_sites, nearest

    sites = known_sites(Archive(root))
    return (
        then if asked in sites else _nearest_or_all(nearest(asked, sites), "`stillwell list sites{at}` names the sites")
    )


def meter_hint(root: Path, asked: str) -> str:
    """Propose meters where none is called so.

    Parameters
    ----------
    root : Path
        The archive.
    asked : str

    Returns
    -------
    str
        ``{at}`` stands for the archive.
    """
    from stillwell.archive.archive import Archive
    from stillwell.reading.printed.nearest import nearest

    meters = Archive(root).read("instruments", columns=["instrument"])["instrument"].drop_duplicates()
    return _nearest_or_all(nearest(asked, meters), "`stillwell list instruments{at}` names the meters")


def report_hint(root: Path, subject: str) -> str:
    """Propose subjects of a report where there is none of that name; as ``gauging_hint``."""
    kind, _, rest = subject.partition(":")
    if kind == "site":
        return site_hint(root, rest)
    if kind == "meter":
        return meter_hint(root, rest)
    if kind == "season":
        return "a season is two days, the second not included, as in season:2024-10-01/2025-10-01"
    return gauging_hint(root, subject)


def _nearest_or_all(near: list[str], names_all: str) -> str:
    return f"nearest: {', '.join(near)}; {names_all}" if near else names_all
