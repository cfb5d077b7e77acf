"""A register keeps what is new and numbers it."""

from __future__ import annotations

import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from stillwell.archive.revisions.registers import new_rows, new_values


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


MOMENTS = pd.date_range("2025-05-01T00:00Z", periods=2, freq="1h").as_unit("us")
GIVEN = st.lists(st.tuples(st.integers(0, 1), st.sampled_from("pqr"), st.sampled_from([None, 1.0, 2.0])), max_size=7)


def series(said):
    """Make values of two moments, each from a deposit."""
    made = {"site": "alder", "sensor": None, "time": [MOMENTS[at] for at, _, _ in said]}
    frame = pd.DataFrame(made | {"stage_m": [v for _, _, v in said], "deposit": [d for _, d, _ in said]})
    kinds = {"site": "str", "sensor": "str", "stage_m": "float64", "deposit": "str"}
    frame["time"] = pd.to_datetime(frame["time"], utc=True).dt.as_unit("us")
    return frame.astype(kinds).assign(row_file="f", row_line=range(2, len(frame) + 2))


def by_hand(said, states):
    """Number the values of each deposit and moment in turn; ``states`` holds revision and values of each moment."""
    out = []
    for at, deposit in dict.fromkeys((at, deposit) for at, deposit, _ in said):
        mine = {v for a, d, v in said if (a, d) == (at, deposit)}
        mine = mine - {None} or mine
        number, before = states.get(at, (0, set()))
        if mine != before:
            states[at] = (number + len(mine), mine)
            out += [(at, value, number + len(mine)) for value in mine]
    return out


def told(frame):
    """List moment, value and revision of each row."""
    at = [MOMENTS.get_loc(time) for time in frame["time"]]
    values = [None if pd.isna(value) else value for value in frame["stage_m"]]
    return list(zip(at, values, frame["revision"].tolist(), strict=True))


@given(GIVEN, GIVEN)
def test_values_of_a_series_are_numbered_as_by_hand(before, after):
    """All values that one deposit gives of a moment are one state of it, with the number of its last; equals are none.

    Rows come deposit by deposit; those of the second batch are others than those of the first.
    """
    before = sorted(before, key=lambda row: row[1])
    after = sorted(((at, deposit.upper(), value) for at, deposit, value in after), key=lambda row: row[1])
    states = {}
    empty = series([]).assign(revision=pd.array([], dtype="Int64"))
    first, second = by_hand(before, states), by_hand(after, states)
    kept = new_values(series(before), empty)
    key = lambda row: (row[0], row[2], row[1] or 0.0)  # noqa: E731
    assert sorted(told(kept), key=key) == sorted(first, key=key)
    assert sorted(told(new_values(series(after), kept)), key=key) == sorted(second, key=key)
