"""From when on a site's record can differ from the one that stands: the one rule. Writes nothing, derives nothing.

A record was last derived by a commit that names its inputs (``marks``). Held against the inputs of now, each kind of
change has an earliest moment at which a value (a row of ``discharge``) can come out otherwise:

==========================  ===========================================================================================
changed                     earliest moment
==========================  ===========================================================================================
stage                       the earliest moment of a row recorded since that commit, whatever it says. A value of one
                            sensor may let a value of another in or out up to ``gap_bridged_s`` away, and so on from
                            sensor to sensor; ``window.Window`` goes back so far.
conditions                  the earliest ``from`` of a row that stands now and did not then, or the other way round.
corrections                 the same; where a correction already acts over that moment, the start of that one, since
                            what acts together is summed up piece by piece between all starts and ends.
ratings, segments, shifts   the earliest moment at which another rating holds, or one with other numbers. Where only
                            shifts differ: the last moment of shifts before the first that differs, since shifts are
                            interpolated in time; the start of the rating where there is none, or where the stages
                            differ for which shifts are given.
staff readings              none: no value rests on them.
policy, rules, register of  unknown: the record is derived whole. So is a record that no recent entry derived, or whose
the site, the derivation    change the ledger and the rows at hand do not explain in full.
==========================  ===========================================================================================

Findings about stage depend on limits that are medians of the whole series. They are made again for the whole series
where stage, corrections or staff readings changed, and are kept elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import takewhile

import numpy as np
import pandas as pd

from stillwell.archive.at_commit import recorded_by
from stillwell.archive.ledger.input_digests import explained
from stillwell.archive.tables.current_rows import standing_rows
from stillwell.assessment.policy import Policy
from stillwell.hydrometry.gauging.gauge_height import microseconds
from stillwell.hydrometry.rating.which_rating_holds import Rated
from stillwell.prepare.context import SpanView
from stillwell.prepare.rating_tables import RatingTables, rated_in_order
from stillwell.prepare.watermarks import OF_RATINGS, LastMade, rating_digests, rows_name

NEVER = int(np.iinfo(np.int64).max)
"""Moment of a change that no value rests on."""
ALWAYS = int(np.iinfo(np.int64).min)
"""Moment of a change that bears on all there is."""

DATED = ("stage", "corrections", "conditions", "gauge_heights")
"""Tables of a site whose changes have an earliest moment, in addition to the tables of ratings."""
UNDER_STAGE_FINDINGS = ("stage", "corrections", "gauge_heights")
"""Tables that findings about stage depend on."""

NUMBERS = {
    "corrections": ["sensor", "from", "to", "start_m", "end_m"],
    "conditions": ["from", "to", "condition"],
    "ratings": ["gauged_from_m", "gauged_to_m", "covariance"],
    "rating_segments": ["segment", "from_m", "to_m", "coefficient", "zero_stage_m", "exponent"],
    "shifts": ["from", "stage_m", "shift_m", "uncertainty_m"],
}
"""By table, the columns that values rest on; the others say who and why."""

Row = tuple[str, ...]


@dataclass(frozen=True)
class Change:
    """What of a record can differ from the one that stands."""

    since_us: int
    """Earliest moment whose value can differ, microseconds since 1970 (UTC); ``NEVER`` where none can."""
    of_stage: bool
    """Whether findings about stage can differ."""


def change_of(
    view: SpanView, site: str, made: LastMade | None, now: Mapping[str, str], policy: Policy
) -> Change | None:
    """Say from when on a record can differ from the one that stands.

    Parameters
    ----------
    view : SpanView
        The archive as it stands.
    site : str
    made : LastMade or None
        The commit that derived the record last; None where it is not at hand.
    now : mapping of str to str
        Names and digests of its inputs, as of ``watermarks.record_marks``.
    policy : Policy
        In force now; where it was another one then, the record is derived whole.

    Returns
    -------
    Change or None
        None where the record must be derived whole.
    """
    if made is None:
        return None
    names = {name for name in made.made_from.keys() | now.keys() if made.made_from.get(name) != now.get(name)}
    tables = {table for table in DATED if any(_is_of(name, table, site) for name in names)}
    ratings = {rows_name(table) for table in OF_RATINGS}
    if any(not any(_is_of(name, table, site) for table in tables) for name in names - ratings):
        return None
    if not all(_explained(made, now, table, site) for table in tables):
        return None
    moments = [_SINCE[table](view, table, site, made) for table in sorted(tables & _SINCE.keys())]
    if names & ratings:
        rows = {table: view.read(table, [site] if table == "ratings" else None) for table in OF_RATINGS}
        then, today = (
            RatingTables({table: standing_rows(table, recorded_by(frame, moment)) for table, frame in rows.items()})
            for moment in (made.recorded_at, None)
        )
        if rating_digests(then, [site])[site] != {name: made.made_from.get(name) for name in ratings}:
            return None
        moments.append(_ratings_differ(*(rated_in_order(view_at, site, policy) for view_at in (then, today))))
    return Change(min(moments, default=NEVER), bool(tables & set(UNDER_STAGE_FINDINGS)))


def _is_of(name: str, table: str, site: str) -> bool:
    """Say whether an input is of a table's rows of the site, all or those of a year."""
    return name == f"{table}/{site}" or name.startswith(f"{table}/{site}/")


def _explained(made: LastMade, now: Mapping[str, str], table: str, site: str) -> bool:
    """Say whether the files listed since are all that changed a table's rows of the site."""
    before, after = (
        {name: digest for name, digest in inputs.items() if _is_of(name, table, site)}
        for inputs in (made.made_from, now)
    )
    return explained(before, after, [file for file in made.files if file.table == table], site)


def _stage_since(view: SpanView, table: str, site: str, made: LastMade) -> int:
    rows = view.recorded_after(table, site, made.number, made.recorded_at)
    return int(microseconds(rows["time"]).min()) if len(rows) else ALWAYS


def _conditions_since(view: SpanView, table: str, site: str, made: LastMade) -> int:
    return min((_moment(row) for row in _exchanged(view, table, site, made)[0]), default=NEVER)


def _corrections_since(view: SpanView, table: str, site: str, made: LastMade) -> int:
    differ, all_of_them = _exchanged(view, table, site, made)
    first = min((_moment(row) for row in differ), default=NEVER)
    return min([first, *(_moment(row) for row in all_of_them if _moment(row) < first < _moment(row, "to"))])


_SINCE = {"stage": _stage_since, "conditions": _conditions_since, "corrections": _corrections_since}
"""By table, the rule of its earliest moment; no value rests on the others of ``DATED``."""


def _exchanged(view: SpanView, table: str, site: str, made: LastMade) -> tuple[list[pd.Series], list[pd.Series]]:
    """Give the rows of spans that stand now and did not then or the other way round, and all that stand or stood."""
    rows = view.read(table, [site])
    then, now = (standing_rows(table, recorded_by(rows, moment))[NUMBERS[table]] for moment in (made.recorded_at, None))
    both = pd.concat([then, now], ignore_index=True)
    lone = ~both.duplicated(keep=False)
    return [row for _, row in both[lone].iterrows()], [row for _, row in both.iterrows()]


def _moment(row: pd.Series, column: str = "from") -> int:
    return pd.Timestamp(row[column]).value // 1000


def _ratings_differ(then: Sequence[Rated], now: Sequence[Rated]) -> int:
    """Find the earliest moment at which another rating holds than did, or one with other numbers or shifts."""
    starts = sorted({rating.force.valid_from_us for rating in (*then, *now)})
    for start, end in zip(starts, [*starts[1:], NEVER], strict=True):
        old, new = (_holding(ratings, start) for ratings in (then, now))
        if old is None or new is None:
            if old is not new:
                return start
        elif _numbers(old) != _numbers(new):
            return start
        elif (since := _shifts_differ(old.shifts, new.shifts)) < end:
            return max(since, start)
    return NEVER


def _holding(ratings: Sequence[Rated], moment: int) -> Rated | None:
    return next((rating for rating in reversed(ratings) if rating.force.valid_from_us <= moment), None)


def _numbers(rating: Rated) -> tuple[str, Row, tuple[Row, ...]]:
    row = tuple(str(rating.row.get(name)) for name in NUMBERS["ratings"])
    return rating.name, row, tuple(_rows(rating.segments, "rating_segments"))


def _rows(rows: pd.DataFrame, table: str) -> list[Row]:
    """Write the numbers of rows as text, as exact as they are."""
    return [tuple(map(repr, row)) for row in rows[NUMBERS[table]].itertuples(index=False, name=None)]


def _shifts_differ(then: pd.DataFrame, now: pd.DataFrame) -> int:
    """Find the last moment up to which two rows of shifts of one rating, in order, give the same shifts."""
    old, new = _rows(then, "shifts"), _rows(now, "shifts")
    if old == new:
        return NEVER
    stages = [frozenset(rows["stage_m"].dropna()) for rows in (then, now)]
    before, after = ([set_ for _, set_ in _by_moment(rows)] for rows in (then, now))
    same = sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(before, after, strict=False)))
    if stages[0] != stages[1] or not same:
        return ALWAYS
    return _by_moment(then)[same - 1][0]


def _by_moment(rows: pd.DataFrame) -> list[tuple[int, list[Row]]]:
    """Put shifts of one moment together, in order."""
    out: dict[int, list[Row]] = {}
    for moment, row in zip(microseconds(rows["from"]).tolist(), _rows(rows, "shifts"), strict=True):
        out.setdefault(moment, []).append(row)
    return list(out.items())
