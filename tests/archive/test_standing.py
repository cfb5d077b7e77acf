"""Which rows stand: the newest approved revision, else the newest provisional; a withdrawn one never."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.archive.tables.current_rows import contradicted, newest_revisions, standing_gaugings, standing_rows

STATUSES = ("approved", "provisional", "withdrawn")
ROW = st.tuples(st.sampled_from("abc"), st.integers(1, 3), st.integers(0, 9), st.sampled_from(STATUSES))


def frame(made):
    """Rows of gaugings: id, revision, moment, status."""
    rows = pd.DataFrame(made, columns=["gauging_id", "revision", "moment", "status"])
    rows["recorded_at"] = pd.Timestamp("2025-05-01T08:00Z") + pd.to_timedelta(rows["moment"], unit="s")
    dtypes = {"gauging_id": "str", "revision": "Int64", "status": "str", "recorded_at": "datetime64[us, UTC]"}
    return rows.astype(dtypes).drop(columns="moment")


def by_the_book(made):
    """Say it with loops: per revision the status last recorded, then the newest approved or provisional."""
    stands = {}
    for gauging in {row[0] for row in made}:
        status, row_of = {}, {}
        for number, (name, revision, moment, said) in enumerate(made):
            if name == gauging and (revision not in status or moment >= status[revision][0]):
                status[revision] = (moment, said)
                row_of[revision] = number
        for wanted in ("approved", "provisional"):
            able = [revision for revision, (_, said) in status.items() if said == wanted]
            if able:
                stands[gauging] = row_of[max(able)]
                break
    return sorted(stands.values())


@given(st.lists(ROW, max_size=12))
def test_the_rule_said_with_loops(made):
    """The same rows stand as when the rule is followed gauging by gauging."""
    assert by_the_book(made) == list(standing_gaugings(frame(made)).index)


@pytest.mark.parametrize(
    ("made", "stands"),
    [
        ([("a", 1, 0, "provisional"), ("a", 2, 1, "provisional")], [2]),
        ([("a", 1, 0, "approved"), ("a", 2, 1, "provisional")], [1]),
        ([("a", 1, 0, "approved"), ("a", 2, 1, "approved")], [2]),
        ([("a", 1, 0, "provisional"), ("a", 2, 1, "provisional"), ("a", 1, 2, "approved")], [1]),
        ([("a", 1, 0, "approved"), ("a", 1, 1, "provisional"), ("a", 2, 2, "provisional")], [2]),
        ([("a", 1, 0, "provisional"), ("a", 2, 1, "withdrawn")], [1]),
        ([("a", 1, 0, "approved"), ("a", 1, 1, "withdrawn")], []),
        ([], []),
    ],
)
def test_cases_of_the_contract(made, stands):
    """Candidates wait, promotion takes their place, demotion and withdrawal give it back."""
    assert stands == list(standing_gaugings(frame(made))["revision"])


@given(st.lists(ROW, max_size=12))
def test_rows_of_a_gauging_stand_with_its_revision(made):
    """Verticals, points and findings stand exactly where (gauging_id, revision) does."""
    gaugings = frame(made)
    verticals = gaugings[["gauging_id", "revision"]].drop_duplicates().assign(vertical=1)

    stands = set(map(tuple, standing_gaugings(gaugings)[["gauging_id", "revision"]].to_numpy()))
    found = set(map(tuple, standing_rows("verticals", verticals, gaugings)[["gauging_id", "revision"]].to_numpy()))

    assert stands == found


def test_registers_stand_with_their_newest_revision():
    """One row per key, a missing cell of the key being a value like any other."""
    rows = pd.DataFrame(
        {
            "site": pd.Series(["a", "a", "a", "b"], dtype="str"),
            "valid_from": pd.to_datetime([None, "2020-01-01T00:00Z", None, None], utc=True).as_unit("us"),
            "revision": pd.array([2, 1, 1, 1], dtype="Int64"),
            "recorded_at": pd.to_datetime(["2025-01-02T00:00Z"] * 4, utc=True).as_unit("us"),
            "name": ["new", "from 2020", "old", "other"],
        }
    )

    assert list(newest_revisions(rows, ["site", "valid_from"])["name"]) == ["new", "from 2020", "other"]
    assert list(standing_rows("sites", rows, rows.iloc[:0])["name"]) == ["new", "from 2020", "other"]


def test_rows_that_know_no_revision_all_stand():
    """Deposits are a log."""
    rows = pd.DataFrame({"deposit": ["d", "d"]})

    assert len(standing_rows("deposits", rows, rows)) == 2


def test_values_of_the_newest_revision_that_contradict_each_other_do_not_stand():
    """Two rows of one key and revision: neither stands, nor what was before; in an older revision they are past."""
    said = [("a", 1), ("a", 3), ("a", 3), ("b", 2), ("b", 2), ("b", 3), ("c", 1)]
    rows = pd.DataFrame(said, columns=["site", "revision"]).assign(recorded_at=pd.Timestamp("2025-06-01T00:00Z"))
    rows = rows.iloc[::-1]
    assert contradicted(rows, ["site"]).index.tolist() == [2, 1]
    assert newest_revisions(rows, ["site"]).index.tolist() == [6, 5]
    assert contradicted(rows.loc[[0, 1, 3, 6]], ["site"]).empty
    assert contradicted(rows.loc[[6, 3]], ["site"]).empty
