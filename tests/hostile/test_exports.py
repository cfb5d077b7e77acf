"""No answer runs: not in a spreadsheet that opens it, not in the terminal that shows it."""

from __future__ import annotations

import csv
import io
import json
from decimal import Decimal

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell.reading.printed.text import as_csv, as_json, as_table

RUN = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"
SEPARATORS = (",", ";", "\t")


def _cells(text, delimiter):
    """Read as a spreadsheet does that takes this delimiter and does not know ours: quotes count only at the start."""
    return [cell for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter) for cell in row]


@settings(max_examples=300)
@given(st.text(alphabet="=+-@\t\r\n;, 'a1\"\uff1d", max_size=12))
def test_no_text_is_run_however_cells_are_separated(text):
    """Whatever a text holds, no cell of its export starts with a sign of a formula, for any separator of a country."""
    exported = as_csv(pa.table({"remarks": [text, "x"]}))
    for delimiter in SEPARATORS:
        assert _cells(exported, delimiter)
        for cell in _cells(exported, delimiter):
            assert cell.lstrip(" \u3000")[:1] not in tuple("=+-@\uff1d"), (exported, cell)


@pytest.mark.parametrize("sign", RUN)
def test_a_sign_at_the_start_gets_an_apostrophe(sign):
    """Each sign a spreadsheet runs stands behind an apostrophe, also in the name of a column."""
    text = f"{sign}1+1"
    head, cell = next(csv.reader(io.StringIO(as_csv(pa.table({text: [text]}))))), as_csv(pa.table({"a": [text]}))
    assert head[0].startswith("'")
    assert cell.splitlines()[1].strip('"').startswith("'")


def test_other_text_is_exported_as_it_is():
    """An apostrophe goes nowhere else: not before words, times, or a minus inside a text."""
    texts = ["Site 1 (invented)", "2025-05-01T10:00Z", "a - b", "a, -b", "x=1", "", "'quoted'"]
    exported = list(csv.reader(io.StringIO(as_csv(pa.table({"a": texts})))))
    assert [[text] if text else [""] for text in texts] == exported[1:]


def test_numbers_stay_numbers():
    """A number may be negative, of whatever type the database gives it: whole, decimal or double."""
    answer = pa.table({"a": [-1.5], "b": [-2], "c": [Decimal("-3.25")], "d": [Decimal("-12345678901234567890")]})
    assert as_csv(answer).splitlines()[1] == "-1.5,-2,-3.25,-12345678901234567890"
    assert json.loads(as_json(answer)) == [{"a": -1.5, "b": -2, "c": -3.25, "d": -12345678901234567890}]


def test_a_terminal_is_told_nothing():
    """A table for a person spells out what would move the cursor, end the line or turn the writing round."""
    shown = as_table([{"a\x1b[2J": "x\x1b[2J\nb\u202ec"}], ["a\x1b[2J"])
    assert shown.count("\n") == 2
    assert not any(character in shown for character in "\x1b\u202e\r")
    assert "x\\u001b[2J\\u000ab\\u202ec" in shown
