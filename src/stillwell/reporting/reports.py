"""Reports: pages with styles and drawings in them, without links or script; one archive gives the same bytes."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from stillwell.archive.archive import Archive
from stillwell.errors import QueryError
from stillwell.pages.data.archive_view import View
from stillwell.pages.data.cache import Kept
from stillwell.pages.data.series import series_of
from stillwell.pages.data.window import whole_window
from stillwell.pages.gauging import gauging_page
from stillwell.pages.meter import meter_page
from stillwell.pages.provenance import rests_on
from stillwell.pages.ratings import ratings_at
from stillwell.pages.season import season_of, season_page
from stillwell.pages.site import site_page, site_row
from stillwell.pages.templating import environment, whole_style


def report(archive: Archive, subject: str, as_of: datetime | None = None) -> str:
    """Write a report.

    Parameters
    ----------
    archive : Archive
    subject : str
        Archive id of a gauging, or ``meter:CODE``, ``site:CODE``, ``season:2024-10-01/2025-10-01``.
    as_of : datetime, optional
        Show the archive as it stood then.

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


def gauging_report(archive: Archive, gauging: str, as_of: datetime | None = None) -> str:
    """Write the report of a gauging; arguments as of ``report``."""
    view = _view(archive, as_of)
    try:
        values = gauging_page(view, gauging)
    except QueryError as error:
        first = None if as_of is None else _first_recorded(archive, gauging)
        if first is None:
            raise
        msg = f"{error} by {as_of}; it was first recorded {first:%Y-%m-%d %H:%M} UTC"
        raise QueryError(msg) from error
    return _rendered(view, "gauging", values | {"rests": rests_on(view, gauging, values["g"]["revision"])})


def _first_recorded(archive: Archive, gauging: str) -> datetime | None:
    """Return when a gauging was first recorded; None of one that never was."""
    known = archive.read("gaugings", archive.sites_of([gauging]))
    recorded = known.loc[known["gauging_id"] == gauging, "recorded_at"]
    return None if recorded.empty else recorded.min()


def meter_report(archive: Archive, meter: str, as_of: datetime | None = None) -> str:
    """Write the report of a meter; arguments as of ``report``."""
    view = _view(archive, as_of)
    return _rendered(view, "meter", meter_page(view, meter))


def site_report(archive: Archive, site: str, as_of: datetime | None = None) -> str:
    """Write the report of a site, with all its ratings, the newest drawn; arguments as of ``report``."""
    view = _view(archive, as_of)
    row = site_row(view, site)
    series, ratings = series_of(view, site).all, ratings_at(view, site)[::-1]
    window = whole_window(series[0]) if series else None
    return _rendered(view, "site", site_page(view, row, window, ratings, (False, True) if ratings else (False,)))


def season_report(archive: Archive, since: datetime, until: datetime, as_of: datetime | None = None) -> str:
    """Write the report of a season.

    Parameters
    ----------
    archive : Archive
    since, until : datetime
        Gaugings started at or after the one and before the other are the season's; both with an offset from UTC.
    as_of : datetime, optional

    Returns
    -------
    str
        A self-contained HTML page.

    Raises
    ------
    QueryError
        If the season ends before it begins, or a moment lacks its offset.
    """
    view = _view(archive, as_of)
    return _rendered(view, "season", season_page(view, since, until))


def _view(archive: Archive, as_of: datetime | None) -> View:
    then = archive.at(as_of)
    return View(then, then.number, Kept(), linked=False)


def _rendered(view: View, template: str, values: dict[str, Any]) -> str:
    common: dict[str, Any] = {"style": whole_style(), "as_of": view.as_of, "head": view.number,
              "head_at": view.head.recorded_at if view.head else None}  # fmt: skip
    return environment("stillwell.reporting", linked=False).get_template(f"{template}.html").render(common | values)
