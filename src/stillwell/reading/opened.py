"""An archive opened for analysis: its tables as frames, its gaugings and series as datasets. Writes nothing to it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from functools import cached_property
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.reading.printed.text import time_text
from stillwell.reading.select.bounds import LONGEST_S
from stillwell.reading.select.described import Described, describe
from stillwell.reading.select.moments import Moment, as_of_moment
from stillwell.reading.select.tables import Rows, Tables

if TYPE_CHECKING:
    import pyarrow as pa
    import xarray as xr
    from matplotlib.figure import Figure

    from stillwell.reading.select.filters import Question
    from stillwell.reading.select.sql import Session


class Opened(Tables):
    """The archive in a folder as it stood when it was opened, or as of an earlier moment.

    Parameters
    ----------
    path : str or path
        The archive's folder.
    as_of : datetime or str, optional
        Only what had been recorded by then; every question may ask as of another moment.

    Raises
    ------
    NotAnArchive
        If the folder is not an archive this version can read.
    QueryError
        If ``as_of`` is not a moment with its offset.

    Examples
    --------
    >>> import stillwell
    >>> a = stillwell.open("sample_archive/archive")
    >>> a.verticals(gauging_id="INV-KES.20241009T111000Z.INV-AC1", columns=["position_m", "depth_m"]).head(3)
       position_m  depth_m
    0        1.62     0.00
    1        1.98     0.18
    2        2.26     0.23
    """

    def __init__(self, path: str | PathLike[str], as_of: Moment | None = None) -> None:
        self._archive = Archive(Path(path).expanduser())
        self._as_of = as_of_moment(as_of)
        self._described: dict[str, Described] = {}
        self._cache: dict[tuple[Any, ...], pd.DataFrame] = {}
        self._idle: list[Session] = []

    @property
    def path(self) -> Path:
        """The archive's folder."""
        return self._archive.root

    @property
    def as_of(self) -> datetime | None:
        """The moment asked about; None for all that had been recorded when the archive was opened."""
        return self._as_of

    @cached_property
    def known_sites(self) -> list[str]:
        """Codes of the sites of which the archive holds any row."""
        files = (file for table in self._archive.tables() for file in self._archive.table_files(table))
        return sorted({site for file in files for site in file.sites})

    def tables(self) -> list[str]:
        """Name the archive's tables."""
        return self._archive.tables()

    def columns(self, table: str) -> pd.DataFrame:
        """Describe the columns of a table: kind, unit, meaning, words allowed, CF standard name, key.

        Parameters
        ----------
        table : str

        Returns
        -------
        DataFrame
            One row per column.

        Raises
        ------
        QueryError
            If the archive has no such table.

        Examples
        --------
        >>> import stillwell
        >>> stillwell.open("sample_archive/archive").columns("gauge_heights").loc["gauge_height_m", "unit"]
        'm'
        """
        return self.described(table).as_frame()

    def described(self, table: str) -> Described:
        """Read the archive's own description of a table, as ``columns`` lays it out."""
        if table not in self._described:
            self._described[table] = describe(self._archive, table)
        return self._described[table]

    def table(self, name: str) -> Rows:
        """Return a table by its name, ready to be asked; ``a.table("points")`` is ``a.points``.

        Raises
        ------
        QueryError
            If the archive has no such table.
        """
        self.described(name)
        return self._rows(name)

    def _rows(self, name: str) -> Rows:
        return Rows(self, name)

    def sql(self, question: str, as_of: Moment | None = None, *, longest_s: float = LONGEST_S) -> pd.DataFrame:
        """Answer one SELECT over the tables by their names.

        Parameters
        ----------
        question : str
            ``<table>`` holds the rows that stand, ``<table>_revisions`` every row.
        as_of : datetime or str, optional
            Only what had been recorded by then.
        longest_s : float
            Seconds it may take.

        Returns
        -------
        DataFrame
            With the units of the columns that keep the name of a table's.

        Raises
        ------
        QueryError
            If it is not one reading statement, takes too long, or cannot be answered.

        Examples
        --------
        >>> import stillwell
        >>> a = stillwell.open("sample_archive/archive")
        >>> a.sql("SELECT site, count(*) AS gaugings FROM gaugings GROUP BY site ORDER BY site")
              site  gaugings
        0  INV-KES        15
        1  INV-MIL         9
        2  INV-ORM        14
        3  INV-WIN        15
        """
        from stillwell.archive.tables.table_files import as_frame
        from stillwell.reading.select.sql import ask

        moment = self._as_of if as_of is None else as_of_moment(as_of)
        table = (
            self._answer(question, longest_s)
            if moment == self._as_of
            else ask(self._archive.at(moment), question, longest_s=longest_s)
        )
        frame = as_frame([table], table.schema)
        frame.attrs.update(self._about(moment) | {"units": self._units_of(table.column_names)})
        return frame

    def _answer(self, question: str, longest_s: float) -> pa.Table:
        """Answer a question in a session kept from the one before; a session that failed is given up."""
        from stillwell.reading.select.sql import Session

        try:
            session = self._idle.pop()
        except IndexError:
            session = Session(self._archive.at(self._as_of))
        try:
            table = session.ask(question, longest_s)
        except BaseException:
            session.close()
            raise
        self._idle.append(session)
        return table

    def gauging(self, gauging_id: str, *, revision: int | None = None, as_of: Moment | None = None) -> xr.Dataset:
        """Return one gauging with its verticals and points as a dataset, laid out as the archive's NetCDF files are.

        Parameters
        ----------
        gauging_id : str
        revision : int, optional
            This one, and not the one that stands.
        as_of : datetime or str, optional
            Only what had been recorded by then.

        Returns
        -------
        Dataset
            Trajectory profile of CF 9.5 with units, standard names and flags: one entry along ``gauging``, the
            verticals along ``vertical``, the points along ``obs`` with the place of their vertical in
            ``vertical_index``. A gauging without points is CF point data.

        Raises
        ------
        QueryError
            If there is no such gauging or revision, or none stands.

        Examples
        --------
        >>> import stillwell
        >>> ds = stillwell.open("sample_archive/archive").gauging("INV-KES.20241009T111000Z.INV-AC1")
        >>> ds["discharge"].attrs["units"], dict(ds.sizes)["gauging"]
        ('m3 s-1', 1)
        """
        from stillwell.reading.select.gauging_dataset import gauging_dataset

        moment = self._as_of if as_of is None else as_of_moment(as_of)
        made = gauging_dataset(self._archive.at(moment), self.described, gauging_id, revision)
        made.attrs |= self._file_attributes(moment)
        return made

    def series(
        self,
        site: str,
        what: str,
        start: Moment | None = None,
        end: Moment | None = None,
        *,
        as_of: Moment | None = None,
        **parts: str,
    ) -> xr.Dataset:
        """Return a series of a site as a dataset along ``time``, whose values are read when they are looked at.

        Parameters
        ----------
        site : str
        what : str
            Table of the series, as in stage, discharge, daily, gauge_heights.
        start, end : datetime or str, optional
            Half-open span; a day alone is its first moment in UTC.
        as_of : datetime or str, optional
            Only what had been recorded by then.
        **parts : str
            Which of several, where a site has several: ``sensor`` or ``gauge``.

        Returns
        -------
        Dataset
            Variables are named as the table's columns, with units, standard names and long names. Only times are
            in memory until a variable is computed with; then only the files of the span looked at are read.

        Raises
        ------
        QueryError
            If there is no such series, or there are several and none was chosen.

        Examples
        --------
        >>> import stillwell
        >>> a = stillwell.open("sample_archive/archive")
        >>> heights = a.series("INV-KES", "gauge_heights", "2025-05", "2025-07")
        >>> heights["gauge_height_m"].attrs["standard_name"]
        'water_surface_height_above_reference_datum'
        """
        from stillwell.reading.select.series_dataset import series_dataset

        moment = self._as_of if as_of is None else as_of_moment(as_of)
        made = series_dataset(self._archive.at(moment), self, site, what, (start, end), parts)
        made.attrs |= self._file_attributes(moment)
        return made

    def plot_gauging(self, gauging_id: str, *, as_of: Moment | None = None) -> Figure:
        """Draw the section of a gauging, its points coloured by velocity, over the discharge of each panel.

        Raises
        ------
        QueryError
            If there is no such gauging, it has no verticals, or matplotlib is not installed.
        """
        from stillwell.reading.plots import gauging_figure

        return gauging_figure(self.gauging(gauging_id, as_of=as_of))

    def plot_rating(self, site: str, *, as_of: Moment | None = None) -> Figure:
        """Draw the gaugings of a site, gauge height over discharge, with their uncertainty and the newest rating.

        Raises
        ------
        QueryError
            If there is no such site, or matplotlib is not installed.
        """
        from stillwell.hydrometry.rating.kinds import rating_of
        from stillwell.hydrometry.rating.which_rating_holds import ratings_in_order
        from stillwell.reading.plots import rating_figure

        gaugings, newest = self.gaugings(site=site, as_of=as_of), None
        if {"ratings", "rating_segments"} <= set(self.tables()):
            for row in ratings_in_order(self.ratings(site=site, as_of=as_of), site).iloc[-1:].to_dict("records"):
                name = str(row["rating"])
                newest = (name, rating_of(row, self.rating_segments(rating=name, as_of=as_of)))
        return rating_figure(gaugings, site, newest)

    def plot_series(
        self,
        site: str,
        what: str,
        start: Moment | None = None,
        end: Moment | None = None,
        *,
        as_of: Moment | None = None,
        **parts: str,
    ) -> Figure:
        """Draw a series of a site; arguments as for ``series``.

        Raises
        ------
        QueryError
            As ``series``, or if matplotlib is not installed.
        """
        from stillwell.reading.plots import series_figure

        return series_figure(self.series(site, what, start, end, as_of=as_of, **parts))

    def _answered(self, question_: Question, gaugings: Described | None, moment: datetime | None) -> pd.DataFrame:
        from stillwell.reading.select.rows import answer

        return answer(self._archive.at(moment), question_, gaugings, self._cache)

    def _about(self, moment: datetime | None) -> dict[str, Any]:
        """Say where an answer comes from, in words that survive in a file."""
        return {
            "archive": str(self.path),
            "commit": self._archive.ledger.head_number(),
            "as_of": "" if moment is None else time_text(moment),
        }

    def _file_attributes(self, moment: datetime | None) -> dict[str, Any]:
        return {f"stillwell_{name}": value for name, value in self._about(moment).items()}

    def _units_of(self, names: Iterable[str]) -> dict[str, str]:
        """Give a unit to the names that have the same one in every table that knows them."""
        known = [self.described(table) for table in self.tables()]
        units_by_name = {name: {t.units.get(name) for t in known if name in t.columns} for name in names}
        return {name: unit for name, units in units_by_name.items() if len(units) == 1 and (unit := units.copy().pop())}

    def __repr__(self) -> str:
        head = self._archive.ledger.head()
        last = f", the last on {head.recorded_at:%Y-%m-%d %H:%M} UTC" if head else ""
        by = f", as of {time_text(self._as_of)}" if self._as_of else ""
        commits = self._archive.ledger.head_number()
        return f"archive of {len(self.known_sites)} sites, {commits} commits{last}{by}"

    if not TYPE_CHECKING:

        def __getattr__(self, name: str) -> Rows:
            """Return a table this version has no name for but the archive holds."""
            if not name.startswith("_") and name in self.tables():
                return self._rows(name)
            if name.startswith("_"):
                raise AttributeError(name)
            msg = f"expected one of the archive's tables {', '.join(self.tables())}; found {name!r}"
            raise AttributeError(msg)
