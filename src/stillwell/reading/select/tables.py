"""The tables of an opened archive, each ready to be asked by calling it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any, Protocol

import pandas as pd

from stillwell.reading.select.described import Described
from stillwell.reading.select.filters import Arguments, Question, Wanted, filters_of, question
from stillwell.reading.select.moments import Moment, as_of_moment


class Askable(Protocol):
    """An opened archive, as far as its tables need it."""

    @property
    def as_of(self) -> datetime | None:
        """The moment it is seen as of."""

    @property
    def known_sites(self) -> list[str]:
        """Its sites."""

    def tables(self) -> list[str]:
        """Name its tables."""

    def described(self, table: str) -> Described:
        """Read its description of a table."""

    def _answered(self, asked: Question, gaugings: Described | None, moment: datetime | None) -> pd.DataFrame:
        """Read the rows that are asked for, as of a moment."""

    def _about(self, moment: datetime | None) -> dict[str, Any]:
        """Say which archive it is, and what moment of it."""


class Rows:
    """One table of an opened archive; calling it reads rows.

    Parameters
    ----------
    opened : Askable
    name : str
    """

    def __init__(self, opened: Askable, name: str) -> None:
        self._opened = opened
        self.name = name

    def __call__(
        self,
        *,
        site: str | Iterable[str] | None = None,
        start: Moment | None = None,
        end: Moment | None = None,
        status: Wanted | None = None,
        within_pct: Wanted | None = None,
        instrument: Wanted | None = None,
        columns: str | Iterable[str] | None = None,
        as_of: Moment | None = None,
        revisions: bool = False,
        **where: Wanted | None,
    ) -> pd.DataFrame:
        """Read the rows that stand, or every row with ``revisions``.

        Parameters
        ----------
        site : str or several
        start, end : datetime or str, optional
            Half-open span. A row lies in it by the time it tells of (when it was read, checked, decided); a row that
            belongs to a gauging by when that started. A day alone is its first moment in UTC.
        status, within_pct, instrument : str or several
            Of the row, or of the gauging it belongs to.
        columns : str or several
            Only these, in this order; nothing else is read from the files than the answer needs.
        as_of : datetime or str, optional
            Only what had been recorded by then, in place of what the archive was opened with.
        revisions : bool
            Every row recorded, superseded and withdrawn ones too.
        **where
            Any other column of words, numbers of a list or yes and no, by its name.

        Returns
        -------
        DataFrame
            In the order of site, key and revision; ``attrs`` holds ``units`` by column, ``table``, ``archive``,
            ``commit`` (of the ledger when the archive was opened) and ``as_of``.

        Raises
        ------
        QueryError
            If a filter, value or column is not known; it names those that are.
        ArchiveDamaged
            If a file is missing or not as it was written.
        """
        opened = self._opened
        table = opened.described(self.name)
        gaugings = opened.described("gaugings") if "gaugings" in opened.tables() else None
        moment = opened.as_of if as_of is None else as_of_moment(as_of)
        given = {"status": status, "within_pct": within_pct, "instrument": instrument} | where
        asked = Arguments(site, start, end, columns, given)
        question_ = question(table, gaugings, opened.known_sites, asked, revisions)
        frame = opened._answered(question_, gaugings, moment)
        units = {name: unit for name, unit in table.units.items() if name in frame.columns}
        frame.attrs.update(opened._about(moment) | {"table": self.name, "units": units})
        return frame

    def __repr__(self) -> str:
        table = self._opened.described(self.name)
        lent = self._opened.described("gaugings") if table.of_gaugings and self.name != "gaugings" else None
        return (
            f"{self.name}: {table.description}\n"
            f"call it for its rows, as in {self.name}(); it is filtered by {', '.join(filters_of(table, lent))}\n"
            f"its columns are {', '.join(table.columns)}"
        )


class Tables:
    """The tables by name. One that an archive does not hold says so when it is called."""

    def _rows(self, name: str) -> Rows:
        raise NotImplementedError

    @property
    def sites(self) -> Rows:
        """Places where stage is recorded and gaugings are made."""
        return self._rows("sites")

    @property
    def datums(self) -> Rows:
        """Heights of the gauges' zeros over time."""
        return self._rows("datums")

    @property
    def instruments(self) -> Rows:
        """Meters."""
        return self._rows("instruments")

    @property
    def calibrations(self) -> Rows:
        """Ratings of rotating meters."""
        return self._rows("calibrations")

    @property
    def gaugings(self) -> Rows:
        """Gaugings with their results."""
        return self._rows("gaugings")

    @property
    def verticals(self) -> Rows:
        """Verticals and their panels as computed."""
        return self._rows("verticals")

    @property
    def points(self) -> Rows:
        """Point velocities."""
        return self._rows("points")

    @property
    def samples(self) -> Rows:
        """Raw samples of velocities."""
        return self._rows("samples")

    @property
    def gauge_heights(self) -> Rows:
        """Readings of gauges."""
        return self._rows("gauge_heights")

    @property
    def checks(self) -> Rows:
        """Checks of meters."""
        return self._rows("checks")

    @property
    def check_samples(self) -> Rows:
        """Samples of the checks of meters."""
        return self._rows("check_samples")

    @property
    def findings(self) -> Rows:
        """Findings, which travel with the numbers."""
        return self._rows("findings")

    @property
    def uncertainty_budget(self) -> Rows:
        """Parts of the uncertainty of gaugings."""
        return self._rows("uncertainty_budget")

    @property
    def reviews(self) -> Rows:
        """Decisions of people on records."""
        return self._rows("reviews")

    @property
    def policies(self) -> Rows:
        """Limits and choices of the office."""
        return self._rows("policies")

    @property
    def withholdings(self) -> Rows:
        """Decisions that sealed content be removed."""
        return self._rows("withholdings")

    @property
    def deposits(self) -> Rows:
        """What was handed in, and what became of it."""
        return self._rows("deposits")

    @property
    def stage(self) -> Rows:
        """Recorded stage."""
        return self._rows("stage")

    @property
    def corrections(self) -> Rows:
        """Corrections of recorded stage."""
        return self._rows("corrections")

    @property
    def ratings(self) -> Rows:
        """Ratings of sites."""
        return self._rows("ratings")

    @property
    def rating_segments(self) -> Rows:
        """Segments of ratings."""
        return self._rows("rating_segments")

    @property
    def shifts(self) -> Rows:
        """Shifts of ratings."""
        return self._rows("shifts")

    @property
    def discharge(self) -> Rows:
        """Discharge from recorded stage."""
        return self._rows("discharge")

    @property
    def daily(self) -> Rows:
        """Daily means."""
        return self._rows("daily")

    @property
    def conditions(self) -> Rows:
        """Conditions of the control over time, as ice and weed."""
        return self._rows("conditions")

    @property
    def series_doubts(self) -> Rows:
        """Findings on spans of recorded stage."""
        return self._rows("series_doubts")
