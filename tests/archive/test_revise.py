"""A register keeps what is new and numbers it."""

from __future__ import annotations

import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from stillwell.archive.revise import new_rows


def rows(*said):
    """Make rows handed in."""
    frame = pd.DataFrame(said, columns=["site", "value"]).astype({"site": "str", "value": "float64"})
    return frame.assign(deposit="d", row_file="f", row_line=range(2, len(frame) + 2))


def kept(*said):
    """Make rows that are kept."""
    frame = pd.DataFrame(said, columns=["site", "value", "revision"])
    return frame.astype({"site": "str", "value": "float64", "revision": "Int64"}).assign(deposit="old")


def numbered(frame):
    """Read site, value and revision of each row."""
    return [
        (None if pd.isna(s) else s, v, r)
        for s, v, r in zip(frame["site"], frame["value"], frame["revision"], strict=True)
    ]


def test_first_rows_are_revision_one():
    """A key never seen starts at one."""
    assert numbered(new_rows(rows(("a", 1), ("b", 2)), kept(), ["site"])) == [("a", 1.0, 1), ("b", 2.0, 1)]


def test_equal_rows_make_no_revision_and_changed_ones_the_next():
    """Only what differs from the newest of its key is new."""
    known = kept(("a", 1, 1), ("a", 5, 2), ("b", 2, 1))

    assert numbered(new_rows(rows(("a", 5), ("b", 3)), known, ["site"])) == [("b", 3.0, 2)]


def test_a_blank_key_is_a_key():
    """A missing cell in a key is a value like any other."""
    assert numbered(new_rows(rows((None, 4)), kept((None, 3, 1)), ["site"])) == [(None, 4.0, 2)]


def test_missing_equals_missing_and_zero_does_not():
    """Missing is not zero."""
    known = kept(("a", None, 1))

    assert numbered(new_rows(rows(("a", None)), known, ["site"])) == []
    assert numbered(new_rows(rows(("a", 0)), known, ["site"])) == [("a", 0.0, 2)]


@given(
    st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 2))),
    st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 2))),
)
def test_agrees_with_a_plain_loop(before, after):
    """The vectorised rule is the one a person would follow row by row."""
    newest: dict[str, tuple[int, int]] = {}
    known, expected = [], []
    for said, out in ((before, known), (after, expected)):
        for key, value in said:
            number, last = newest.get(key, (0, None))
            if last != value:
                newest[key] = (number + 1, value)
                out.append((key, float(value), number + 1))

    assert expected == numbered(new_rows(rows(*after), kept(*known), ["site"]))
