"""Where rows stand, in few words that say neither more nor less."""

from __future__ import annotations

from itertools import pairwise

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.archive.provenance.line_ranges import MOST_RUNS, places

ROWS = st.lists(
    st.tuples(
        st.sampled_from("ab"), st.sampled_from(["p.csv", "q r.csv", "book.xlsx:points"]), st.integers(2, 40) | st.none()
    ),
    max_size=60,
)


def _frame(rows):
    frame = pd.DataFrame(rows, columns=["key", "row_file", "row_line"])
    return frame.astype({"key": "str", "row_file": "str", "row_line": "Int64"})


def _lines(text):
    """Read lines back, as a person would."""
    pairs = (run.split("-") for run in text.split(","))
    return [line for pair in pairs for line in range(int(pair[0]), int(pair[-1]) + 1)]


@given(ROWS)
def test_the_lines_told_are_the_lines_there_are(rows):
    """Read back, a text names every line of its key and file once, in order; too scattered, the first and the last."""
    expected = {}
    for key, file, line in (row for row in rows if row[2] is not None):
        expected.setdefault((key,), {}).setdefault(file, set()).add(line)
    found = places(_frame(rows), ["key"])
    assert set(expected) == set(found)
    for key, files in expected.items():
        assert sorted(files) == [text.rpartition(" ")[0] for text in found[key]]
        for text in found[key]:
            file, _, lines = text.rpartition(" ")
            there = sorted(files[file])
            runs = 1 + sum(b - a > 1 for a, b in pairwise(there))
            if runs > MOST_RUNS:
                assert f"~{there[0]}-{there[-1]}" == lines
            else:
                assert there == _lines(lines)
                assert runs == lines.count(",") + 1


@pytest.mark.parametrize(
    ("lines", "expected"),
    [([7], "7"), ([2, 3, 4], "2-4"), ([4, 2, 3, 9], "2-4,9"), ([5, 5, 6], "5-6"),
     (range(1, 17, 2), "1,3,5,7,9,11,13,15"), (range(1, 19, 2), "~1-17")],
)  # fmt: skip
def test_examples(lines, expected):
    """One line, a run, two runs in any order, a line that feeds two rows; eight runs are named, nine are too many."""
    assert {("a",): [f"p.csv {expected}"]} == places(_frame([("a", "p.csv", line) for line in lines]), ["key"])


def test_rows_that_know_no_line_say_nothing():
    """No table, no rows and rows without a line have no place."""
    assert places(None, ["key"]) == {}
    assert places(_frame([]), ["key"]) == {}
    assert places(_frame([("a", "p.csv", None)]), ["key"]) == {}
