"""What derived rows rest on: all that stood then and acts in their span, and nothing else."""

from __future__ import annotations

from datetime import UTC, datetime

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.archive.at_commit import commit_at
from stillwell.archive.provenance.sources import acting, sources

DAY = pd.Timestamp("2025-05-01T00:00Z")
DIGESTS = {name: str(i) * 64 for i, name in enumerate(("d1", "d2", "d3", "d4", "d5"), 1)}


class _Stood:
    """An archive of a few tables, every row of which stands."""

    def __init__(self, tables, rows):
        self.tables, self.rows = tables, rows

    def read(self, table, sites=None, columns=None):
        found = self.tables.get(table, self.rows(table, 0))
        return found if columns is None else found[list(columns)]

    standing = read

    @property
    def ledger(self):
        """Commits a minute apart, from the first moment on."""
        return _Entries([(DAY + pd.Timedelta(minutes=i)).to_pydatetime() for i in range(60)])


def _hours(*hours):
    return [DAY + pd.Timedelta(hours=hour) for hour in hours]


def _used(tables, rows, first, last, apart_s=0.0):
    made = rows("discharge", 2, site="S", time=_hours(first, last), revision=1)
    found = sources(_Stood(tables, rows), "S", {"discharge": made}, apart_s)
    names = {digest[:16]: name for name, digest in DIGESTS.items()}
    return {f"{name.rpartition('/')[0]}/{names[name.rpartition('/')[2]]}" for name in found.used if name != "site:S"}


def test_only_stage_in_the_span_and_what_may_be_bridged_to_it(rows):
    """Deposits of hours 0, 10 and 20: a record of hours 9 to 11 rests on the second, with 9 h bridged on all."""
    deposits = [DIGESTS[name] for name in ("d1", "d2", "d3")]
    stage = rows("stage", 3, site="S", sensor=[None, "x", None], time=_hours(0, 10, 20), deposit=deposits)
    assert {"series:S/x/d2"} == _used({"stage": stage}, rows, 9, 11)
    assert {"series:S//d1", "series:S/x/d2", "series:S//d3"} == _used({"stage": stage}, rows, 9, 11, 9 * 3600.0)


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [
        (0, 4, set()),
        (6, 9, {"A/d1"}),
        (9, 10, {"A/d1", "B/d3", "B/d4"}),
        (10, 15, {"B/d3", "B/d4"}),
        (21, 30, {"C/d5"}),
    ],
)
def test_ratings_hold_until_the_next(rows, first, last, expected):
    """A from 5 h, B from 10 h with segments of a later deposit, C of 20 h recorded after another of that moment."""
    ratings = rows(
        "ratings",
        4,
        site="S",
        rating=["A", "B", "gone", "C"],
        valid_from=_hours(5, 10, 20, 20),
        recorded_at=_hours(1, 1, 1, 2),
        deposit=[DIGESTS[name] for name in ("d1", "d3", "d2", "d5")],
    )
    segments = rows("rating_segments", 2, rating=["B", "B"], segment=[1, 2], deposit=[DIGESTS["d3"], DIGESTS["d4"]])
    used = _used({"ratings": ratings, "rating_segments": segments}, rows, first, last)
    assert {f"adoption:{name}" for name in expected} == used


def test_corrections_and_conditions_that_meet_the_span(rows):
    """Spans are half-open: one that ends where the record starts does not act, one that starts where it ends does."""
    spans = {"from": _hours(0, 6, 12), "to": _hours(5, 7, 13), "deposit": [DIGESTS[n] for n in ("d1", "d2", "d3")]}
    tables = {
        "corrections": rows("corrections", 3, site="S", sensor=None, **spans),
        "conditions": rows("conditions", 3, site="S", **spans),
    }
    assert {"correction:S//d2", "condition:S/d2", "correction:S//d3", "condition:S/d3"} == _used(tables, rows, 5, 12)


def test_rows_that_take_the_place_of_others_revise_the_newest_record_of_their_span(rows):
    """Of records at minutes 3, 7 and 9, the last of them beyond the span, the second is revised: commit 8."""
    recorded = [DAY + pd.Timedelta(minutes=minutes) for minutes in (3, 7, 9)]
    kept = rows("discharge", 3, site="S", time=_hours(2, 4, 6), recorded_at=recorded)
    first, again = (rows("discharge", 2, site="S", time=_hours(2, 5), revision=[1, number]) for number in (1, 2))
    archive = _Stood({"discharge": kept}, rows)
    assert sources(archive, "S", {"discharge": first}, 0.0).extents["discharge"].revises == ""
    assert sources(archive, "S", {"discharge": again}, 0.0).extents["discharge"].revises == "record:S/8/discharge"


HOURS = st.lists(st.integers(0, 20), min_size=1, max_size=8)


@given(HOURS, st.integers(-2, 22), st.integers(0, 5))
def test_moments_that_bear_on_a_span(hours, first, length):
    """Interpolated between neighbours and held outside, a span depends on the moments kept and on no other."""
    moments = pd.Series(sorted(_hours(*hours)))
    since, until = DAY + pd.Timedelta(hours=first), DAY + pd.Timedelta(hours=first + length)
    kept = set(moments[acting(moments, since, until)])
    needed = {m for m in moments if since <= m <= until}
    before, after = [m for m in moments if m <= since], [m for m in moments if m >= until]
    needed |= ({max(before)} if before else set()) | ({min(after)} if after else set())
    assert needed == kept


class _Entries:
    def __init__(self, moments):
        self.moments = moments

    def head_number(self):
        return len(self.moments)

    def entry(self, number):
        return type("Entry", (), {"recorded_at": self.moments[number - 1]})()


@given(st.sets(st.integers(0, 59), min_size=1), st.integers(0, 59))
def test_the_commit_of_a_moment(minutes, asked):
    """By halving is found what counting finds: the last commit not after the moment."""
    moments = [datetime(2026, 1, 1, 0, minute, tzinfo=UTC) for minute in sorted(minutes)]
    moment = pd.Timestamp("2026-01-01T00:00Z") + pd.Timedelta(minutes=asked)
    assert sum(one <= moment for one in moments) == commit_at(_Entries(moments), moment)
