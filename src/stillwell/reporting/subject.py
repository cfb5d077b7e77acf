"""Which report is meant, from one word: the id of a gauging, ``meter:X``, ``site:X`` or ``season:FROM/UNTIL``."""

from __future__ import annotations

from typing import Any

from stillwell.archive.archive import Archive
from stillwell.reporting.gauging import gauging_report
from stillwell.reporting.meter import meter_report
from stillwell.reporting.season import season_of, season_report
from stillwell.reporting.site import site_report


def report(archive: Archive, subject: str, as_of: Any = None) -> str:
    """Write a report.

    Parameters
    ----------
    archive : Archive
    subject : str
        Archive id of a gauging, or ``meter:CODE``, ``site:CODE``, ``season:2024-10-01/2025-10-01``.
    as_of : datetime, optional

    Returns
    -------
    str
        A self-contained HTML page.

    Raises
    ------
    QueryError
        If the archive holds nothing of that name, or a season is not so written.
    """
    kind, _, rest = subject.partition(":")
    if kind == "meter":
        return meter_report(archive, rest, as_of)
    if kind == "site":
        return site_report(archive, rest, as_of)
    if kind == "season":
        return season_report(archive, *season_of(rest), as_of)
    return gauging_report(archive, subject, as_of)
