"""Only a review raises a record, and nothing is ever overwritten."""

from __future__ import annotations

import pandas as pd
import pytest

from stillwell.archive.revisions.reviews import reviewed_rows

AT = pd.Timestamp("2025-06-01T00:00Z")


def gaugings(*rows):
    """Make rows of gaugings."""
    columns = ["gauging_id", "revision", "status", "candidate"]
    frame = pd.DataFrame(rows, columns=columns).assign(recorded_at=AT)
    return frame.astype({"gauging_id": "str", "status": "str", "candidate": "boolean", "revision": "Int64"})


def reviews(*rows):
    """Make decisions, a day apart."""
    frame = pd.DataFrame(rows, columns=["subject", "decision"]).astype("str")
    return frame.assign(decided_at=[AT + pd.Timedelta(days=i) for i in range(len(frame))])


def outcome(frame):
    """Read what became of each revision."""
    return list(zip(frame["gauging_id"], frame["revision"], frame["status"], frame["candidate"], strict=True))


def test_approval_raises_the_newest_revision_and_ends_its_waiting():
    """An approved correction stands and is no candidate any more."""
    known = gaugings(("a", 1, "approved", False), ("a", 2, "provisional", True))

    got, _ = reviewed_rows(reviews(("a", "approved")), known, gaugings())

    assert outcome(got) == [("a", 2, "approved", False)]


def test_withdrawal_takes_every_revision():
    """A withdrawn gauging leaves nothing standing behind it."""
    known = gaugings(("a", 1, "approved", False), ("a", 2, "provisional", True), ("b", 1, "provisional", False))

    got, _ = reviewed_rows(reviews(("a", "withdrawn")), known, gaugings())

    assert outcome(got) == [("a", 1, "withdrawn", False), ("a", 2, "withdrawn", False)]


def test_an_approval_can_be_taken_back():
    """Provisional undoes approved."""
    got, _ = reviewed_rows(reviews(("a", "provisional")), gaugings(("a", 1, "approved", False)), gaugings())

    assert outcome(got) == [("a", 1, "provisional", False)]


def test_reviews_of_the_same_commit_reach_its_own_gaugings_once():
    """A fresh row carries its reviewed status; it is not recorded twice."""
    got, _ = reviewed_rows(reviews(("a", "approved")), gaugings(), gaugings(("a", 1, "provisional", False)))

    assert outcome(got) == [("a", 1, "approved", False)]


def test_inclusion_in_a_rating_changes_no_status():
    """Included and excluded speak to ratings only."""
    got, _ = reviewed_rows(reviews(("a", "excluded")), gaugings(("a", 1, "approved", False)), gaugings())

    assert outcome(got) == []


def test_provisional_restores_what_was_withdrawn():
    """Every revision of a withdrawn gauging is provisional again, whatever it was before; others stay as they are."""
    known = gaugings(("a", 1, "withdrawn", False), ("a", 2, "withdrawn", False), ("b", 1, "withdrawn", False))

    got, void = reviewed_rows(reviews(("a", "provisional")), known, gaugings())

    assert outcome(got) == [("a", 1, "provisional", False), ("a", 2, "provisional", False)]
    assert void.tolist() == [False]


def test_approval_of_what_is_withdrawn_is_void():
    """It changes nothing and is said to; approved after it was restored it stands, also in one deposit."""
    known = gaugings(("a", 1, "withdrawn", False))

    got, void = reviewed_rows(reviews(("a", "approved"), ("a", "provisional"), ("a", "approved")), known, gaugings())

    assert outcome(got) == [("a", 1, "approved", False)]
    assert void.tolist() == [True, False, False]


def test_the_first_rules_restored_nothing():
    """Commits of archives that name no rules are proved as they were made: the review stands and changes nothing."""
    known = gaugings(("a", 1, "withdrawn", False))

    got, void = reviewed_rows(reviews(("a", "provisional"), ("a", "approved")), known, gaugings(), rules=1)

    assert outcome(got) == []
    assert void.tolist() == [False, False]


def test_a_revision_recorded_again_counts_once_and_as_it_was_last():
    """Its status of the day is that of the row recorded last: only from there a decision changes it."""
    first, last = gaugings(("a", 1, "provisional", False)), gaugings(("a", 1, "approved", False))
    known = pd.concat([last.assign(recorded_at=AT + pd.Timedelta(days=1)), first], ignore_index=True)

    withdrawn, _ = reviewed_rows(reviews(("a", "withdrawn")), known, gaugings())
    approved, _ = reviewed_rows(reviews(("a", "approved")), known, gaugings())

    assert outcome(withdrawn) == [("a", 1, "withdrawn", False)]
    assert outcome(approved) == []


@pytest.mark.parametrize(("rules", "brought_back"), [(1, False), (2, True), (3, True)])
def test_from_the_second_rules_on_a_withdrawn_gauging_can_be_brought_back(rules, brought_back):
    """To approve what is withdrawn is void, to call it provisional brings it back; by the first rules neither."""
    known = gaugings(("a", 1, "withdrawn", False))

    approved, void = reviewed_rows(reviews(("a", "approved")), known, gaugings(), rules)
    provisional, taken = reviewed_rows(reviews(("a", "provisional")), known, gaugings(), rules)

    assert outcome(approved) == []
    assert void.tolist() == [brought_back]
    assert outcome(provisional) == ([("a", 1, "provisional", False)] if brought_back else [])
    assert taken.tolist() == [False]


def test_a_review_reaches_its_own_subject_only():
    """Of a known gauging and another of the same commit, each is changed by what was decided of it."""
    known, fresh = gaugings(("a", 1, "provisional", False)), gaugings(("b", 1, "provisional", False))

    got, void = reviewed_rows(reviews(("a", "approved")), known, fresh)

    assert outcome(got) == [("a", 1, "approved", False), ("b", 1, "provisional", False)]
    assert void.tolist() == [False]
