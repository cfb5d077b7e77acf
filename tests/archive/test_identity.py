"""Which gauging a row belongs to, and whether it says anything new."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.archive.revisions.identity import CORRECTED, FIRST, NAMED, Kept, decide, digests, gauging_ids


def gauging(**changes):
    """Make one gauging, with changes."""
    row = {
        "gauging": "7",
        "site": "alder",
        "started_at": pd.Timestamp("2025-05-01T08:30:00Z").as_unit("us"),
        "instrument": "m1",
        "party": "north",
        "corrects": None,
        "remarks": None,
        "water_temperature_c": 8.5,
        "deposit": "d1",
        "row_file": "gaugings.csv",
        "row_line": 2,
    }
    return pd.DataFrame([row | changes]).astype({"remarks": "str", "corrects": "str"})


def points(depths=(0.0, 0.5, 0.0), **changes):
    """Make the points of one gauging."""
    n = len(depths)
    frame = pd.DataFrame(
        {
            "g": np.zeros(n, dtype="int64"),
            "vertical": pd.array(range(1, n + 1), dtype="Int64"),
            "depth_m": depths,
            "relative_depth": [np.nan, 0.6, np.nan][:n],
            "repeat": pd.array([1] * n, dtype="Int64"),
            "velocity_is_normal": pd.array([pd.NA] * n, dtype="boolean"),
            "kind": ["edge", "open", "edge"][:n],
            "deposit": "d1",
            "row_line": range(2, n + 2),
        }
    )
    return frame.assign(**changes)


NO_HEIGHTS = pd.DataFrame({"g": np.array([], dtype="int64"), "gauge": [], "read_at": []})


def digest(g, p):
    """Digest one gauging."""
    return digests(g, p, NO_HEIGHTS)[0][0]


def test_ids_are_site_start_and_instrument():
    """The id holds the start in UTC, and the instrument only where one is named."""
    frame = pd.concat([gauging(), gauging(instrument=None)], ignore_index=True)

    ids = gauging_ids(frame["site"], frame["started_at"], frame["instrument"].astype("str"))

    assert list(ids) == ["alder.20250501T083000Z.m1", "alder.20250501T083000Z"]


@pytest.mark.parametrize("where", [{"row_line": 99}, {"row_file": "other.csv"}, {"deposit": "d2"}, {"gauging": "x"}])
def test_where_a_row_stood_is_not_what_it_says(where):
    """File, line, deposit and label take no part in the digest."""
    assert digest(gauging(), points()) == digest(gauging(**where), points())


@pytest.mark.parametrize("said", [{"water_temperature_c": 8.6}, {"remarks": "ice at the bank"}, {"party": "delta"}])
def test_what_a_row_says_changes_the_digest(said):
    """Any other cell does take part."""
    assert digest(gauging(), points()) != digest(gauging(**said), points())


def test_a_changed_point_changes_the_digest_and_row_order_does_not():
    """Rows are digested in the order of their key."""
    shuffled = points().iloc[[2, 0, 1]].reset_index(drop=True)

    assert digest(gauging(), points()) == digest(gauging(), shuffled)
    assert digest(gauging(), points()) != digest(gauging(), points(depths=(0.0, 0.51, 0.0)))


def test_an_empty_column_added_later_changes_no_digest():
    """A column in which nothing is held takes no part."""
    assert digest(gauging(), points()) == digest(gauging().assign(new_column=np.nan), points().assign(more=np.nan))


def test_negative_zero_is_zero():
    """Minus nought and nought are one observation."""
    assert digest(gauging(), points()) == digest(gauging(), points(depths=(-0.0, 0.5, 0.0)))


def test_many_gaugings_digest_as_each_alone():
    """A batch changes nothing: each gauging's digest is the one it has by itself."""
    both = pd.concat([gauging(), gauging(site="birch", remarks="high")], ignore_index=True)
    rows = pd.concat([points(), points(depths=(0.0, 0.9, 0.0)).assign(g=1)], ignore_index=True)

    alone = [digest(gauging(), points()), digest(gauging(site="birch", remarks="high"), points(depths=(0.0, 0.9, 0.0)))]

    assert alone == list(digests(both, rows, NO_HEIGHTS)[0])


def kept(*revisions):
    """Keep some revisions under one key."""
    return Kept({"k": "k"}, {"k": [*revisions]})


@pytest.mark.parametrize(
    ("known", "said", "action", "revision"),
    [
        (Kept(), ("k", "", "north", "a"), "new", 1),
        (kept((1, "a", "north", "provisional")), ("k", "", "north", "a"), "unchanged", 1),
        (kept((1, "a", "north", "provisional")), ("k", "", "delta", "a"), "unchanged", 1),
        (kept((1, "a", "north", "provisional")), ("k", "", "north", "b"), "revision", 2),
        (kept((1, "a", "north", "provisional")), ("k", "", "", "b"), "revision", 2),
        (kept((1, "a", "", "provisional")), ("k", "", "north", "b"), "revision", 2),
        (kept((1, "a", "north", "provisional")), ("k", "", "delta", "b"), "clash", 1),
        (kept((1, "a", "north", "provisional")), ("z", "k", "delta", "b"), "revision", 2),
        (kept((1, "a", "north", "provisional")), ("z", "q", "north", "b"), "unknown", 0),
        (kept((1, "a", "", "provisional"), (2, "b", "", "provisional")), ("k", "", "", "a"), "unchanged", 1),
    ],
)
def test_what_becomes_of_a_gauging(known, said, action, revision):
    """New, revision, unchanged, clash and unknown, as the contract lists them."""
    decision = decide(known, *said)

    assert (action, revision) == (decision.action, decision.revision)


def test_a_correction_of_an_approved_record_is_a_candidate():
    """What touches an approved record waits for a review."""
    assert decide(kept((1, "a", "north", "approved")), "k", "", "north", "b").candidate
    assert not decide(kept((1, "a", "north", "provisional")), "k", "", "north", "b").candidate


def test_a_corrected_start_is_found_again_by_its_new_key():
    """A gauging that was moved in time keeps its id, also when it is next handed in without saying what it corrects."""
    known = kept((1, "a", "north", "provisional"))
    decide(known, "moved", "k", "north", "b")

    again = decide(known, "moved", "", "north", "c")

    assert (again.action, again.gauging_id, again.revision) == ("revision", "k", 3)


@given(
    st.lists(
        st.tuples(st.sampled_from(["k", "m"]), st.sampled_from(["", "north", "delta"]), st.sampled_from("abc")),
        min_size=1,
    )
)
def test_handing_in_the_same_things_twice_changes_nothing(said):
    """Whatever was taken once is unchanged the second time."""
    known = Kept()
    first = [decide(known, key, "", party, rows) for key, party, rows in said]
    second = [decide(known, key, "", party, rows) for key, party, rows in said]

    assert len(second) == len(said)
    for before, after in zip(first, second, strict=True):
        assert after.action == ("clash" if before.action == "clash" else "unchanged") or before.action == "clash"


def test_a_revision_says_why_it_was_made():
    """The first is the first, one of the same key was corrected, one that names the id it corrects says so."""
    kept = Kept()
    said = [("", "one"), ("", "two"), ("A", "three"), ("", "four")]
    made = [decide(kept, "A", corrects, "P1", digest) for corrects, digest in said]
    assert [(one.action, one.revision) for one in made] == [
        ("new", 1),
        ("revision", 2),
        ("revision", 3),
        ("revision", 4),
    ]
    assert [one.reason for one in made] == [FIRST, CORRECTED, NAMED, CORRECTED]
