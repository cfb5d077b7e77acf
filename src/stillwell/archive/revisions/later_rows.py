"""The rows of a series from a moment on, and the rows recorded after a commit; no file that holds none is opened."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.disk.layout import commit_of
from stillwell.archive.tables.partial_reads import Since
from stillwell.schemas import SERIES_TIME


def rows_since(archive: Archive, table: str, site: str, moment: datetime) -> pd.DataFrame:
    """Read the rows of every revision of a series at a site whose moment is this one or a later one.

    Parameters
    ----------
    archive : Archive
    table : str
        A name of ``SERIES_TIME``.
    site : str
    moment : datetime
        With its offset from UTC.

    Returns
    -------
    DataFrame
        As of ``Archive.read``. A file whose years (UTC) are listed and all over by then is not opened.

    Raises
    ------
    ArchiveDamaged
        If a file is missing or not as it was written.
    """
    files = [
        file
        for file in archive.table_files(table, [site])
        if not file.years or max(file.years) >= moment.astimezone(UTC).year
    ]
    return archive.rows_of(table, files, [site], span=Since(SERIES_TIME[table], moment))


def rows_recorded_after(archive: Archive, table: str, site: str, number: int, moment: datetime) -> pd.DataFrame:
    """Read the rows of a table and site that were recorded after a commit, wherever a compaction has put them.

    Parameters
    ----------
    archive : Archive
    table, site : str
    number : int
        Of the commit: a file that an earlier one wrote holds no such row, and is not opened.
    moment : datetime
        Of the commit.

    Returns
    -------
    DataFrame
        As of ``Archive.read``.

    Raises
    ------
    ArchiveDamaged
        If a file is missing or not as it was written.
    """
    files = [file for file in archive.table_files(table, [site]) if commit_of(file.path) > number]
    return archive.rows_of(table, files, [site], span=Since("recorded_at", moment + timedelta(microseconds=1)))
