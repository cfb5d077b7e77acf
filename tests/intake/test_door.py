"""Text, units and times at the door."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from fractions import Fraction

import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.intake.interpret import interpret
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.csv_text import read_csv
from stillwell.intake.values import cells
from stillwell.intake.values.units import SUFFIXES, converted, spellings
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.derive import columns
from tests.intake.making import GAUGINGS, HEAD, POINTS, SITES, csv, folder

LOCAL = [
    ("2025-05-01T10:00+02:00", "2025-05-01T08:00:00", "+02:00"),
    ("2025-05-01T10:00:30.25Z", "2025-05-01T10:00:30.250000", "+00:00"),
    ("20250501T1000-0700", "2025-05-01T17:00:00", "-07:00"),
    ("2025-05-01 10:00+02", "2025-05-01T08:00:00", "+02:00"),
    ("2025-05-01T24:00-07:00", "2025-05-02T07:00:00", "-07:00"),
    ("2025-05-01T10:00:00+05:30", "2025-05-01T04:30:00", "+05:30"),
]
NOT_TIMES = ["2025-05-01T10:00", "2025-05-01", "01.05.2025 10:00+02:00", "2025-02-30T10:00Z", "2025-05-01T10:00+15:00",
             "2025-05-01T10:00 CEST", "45777.4", "2025-05-01T24:30Z", "noon"]  # fmt: skip


@pytest.mark.parametrize(("text", "utc", "offset"), LOCAL)
def test_times_with_an_offset_become_utc(text, utc, offset):
    """A time with its offset is kept in UTC beside the offset as given."""
    moments, offsets, bad = cells.times(pa.array([text, ""]))
    assert moments.iloc[0].isoformat() == utc + "+00:00"
    assert offsets.iloc[0] == offset
    assert list(bad) == [False, False]
    assert moments.isna().tolist() == [False, True]


@pytest.mark.parametrize("text", NOT_TIMES)
def test_a_time_without_offset_is_refused(text):
    """What is no ISO 8601 time with an offset is bad, whatever it might mean."""
    moments, _, bad = cells.times(pa.array([text]))
    assert bad.all()
    assert moments.isna().all()


@given(st.datetimes(datetime(1900, 1, 1), datetime(2100, 1, 1)).map(lambda t: t.replace(tzinfo=UTC)))
def test_times_survive_the_round_trip(moment):
    """A time written out in ISO 8601 comes back to the microsecond."""
    moments, _, _ = cells.times(pa.array([moment.isoformat()]))
    assert moments.iloc[0].to_pydatetime() == moment


UNITS = [(si, other, unit) for si, others in SUFFIXES.items() for other, unit in others.items()]


@pytest.mark.parametrize(
    ("digits", "suffix", "si"),
    [
        ("1", "_ft", 0.3048),
        ("3.1", "_ft", 0.94488),
        ("1", "_in", 0.0254),
        ("1", "_ft3_s", 0.028316846592),
        ("1", "_ft2", 0.09290304),
        ("68", "_f", 20.0),
        ("1", "_mi2", 2.589988110336),
        ("12.5", "_cm", 0.125),
        ("250", "_l_s", 0.25),
    ],
)
def test_units_convert_exactly(digits, suffix, si):
    """The foot is 0.3048 m exactly; cubic foot, square mile and Fahrenheit follow (NIST Handbook 44, as remembered)."""
    unit = next(unit for _, other, unit in UNITS if other == suffix)
    assert converted(digits, unit) == si


@given(st.decimals(-1000, 1000, places=4), st.sampled_from(UNITS))
def test_conversion_is_rounded_once(value, unit):
    """Every conversion is the double nearest to the exact product."""
    u = unit[2]
    exact = (Fraction(value) - Fraction(u.zero)) * Fraction(u.numerator) / Fraction(u.denominator)
    assert converted(str(value), u) == pytest.approx(float(exact), rel=1e-15, abs=0)


@pytest.mark.parametrize(
    "text", ["NaN", "inf", "-inf", "N/A", "-", "1e999", "1,5", "0x10", "1_000", "１２", "12 m", "=1+1"]
)
def test_text_that_is_no_number_is_bad(text):
    """A number cell holds digits; not a number, infinity and marks for missing are not guessed at."""
    _, bad = cells.numbers(pa.array([text]), None)
    assert bad.all()


@pytest.mark.parametrize(("text", "value"), [("1.5", 1.5), ("+2", 2.0), ("-.5", -0.5), ("1e-3", 0.001), ("3.", 3.0)])
def test_numbers(text, value):
    """Plain decimals, with sign or exponent, are numbers."""
    numbers, bad = cells.numbers(pa.array([text]), None)
    assert (list(numbers), bad.any()) == ([value], False)


def test_counts_and_flags():
    """Whole numbers and true or false are read; anything else is bad."""
    values, bad = cells.counts(pa.array(["3", "4.0", "", "2.5", "x", "-1"]))
    assert list(bad) == [False, False, False, True, True, True]
    assert values.tolist()[:2] == [3, 4]
    flags, bad = cells.flags(pa.array(["true", "No", "", "maybe"]))
    assert list(bad) == [False, False, False, True]
    assert flags.tolist()[:2] == [True, False]


def test_feet_and_metres_of_one_section_agree():
    """A sheet in feet gives the same canonical rows as the same sheet in metres."""
    feet = (
        POINTS.replace("position_m", "position_ft")
        .replace("depth_m", "depth_ft")
        .replace("velocity_m_s", "velocity_ft_s")
    )
    rows = interpret([folder(points=feet)]).tables["points"]
    assert rows["position_m"].tolist() == [0, 0.3048, 0.6096]
    assert rows["depth_m"].tolist() == [0, 0.1524, 0]
    assert rows["velocity_m_s"].tolist()[1] == 0.12192


def test_two_columns_for_one_quantity_return_the_file():
    """Depth in metres and in feet beside each other is ambiguous: nothing of the file is taken."""
    both = POINTS.replace("kind", "depth_ft,kind").replace(",edge", ",,edge").replace(",open", ",,open")
    made = interpret([folder(points=both)])
    assert made.tables["gaugings"].empty
    assert "both depth_m and depth_ft" in made.problems["found"].iloc[0]
    methods = made.problems.loc[made.problems["column"] == "method", "found"].tolist()
    assert set(methods) == {"no method, and problems in points.csv, listed here"}


def test_points_whose_gaugings_cannot_be_read_name_that_file():
    """A label is not called unknown where the file that holds it could not be read."""
    made = interpret([folder(gaugings=GAUGINGS.encode() + b"\xfc\n")])
    orphans = made.problems.loc[made.problems["file"] == "points.csv", "found"].tolist()
    assert orphans
    assert [found for found in orphans if not found.endswith("problems in gaugings.csv, listed here")] == []


def test_an_end_before_its_start_is_shown_with_the_start():
    """Both moments are told, so that nobody must look the other up."""
    made = interpret([folder(gaugings=GAUGINGS.replace("T11:00+", "T09:00+"))])
    found = made.problems.loc[made.problems["column"] == "ended_at", "found"].iloc[0]
    assert re.fullmatch(r"ended_at \S+T07:00:00\+00:00, started_at \S+T08:00:00\+00:00", found)


def _rewritten(text, delimiter=";", comma=True):
    cells_ = [
        [c.replace(".", ",") if comma and not c.count(":") else c for c in line.split(",")] for line in text.split("\n")
    ]
    return "\n".join(delimiter.join(row) for row in cells_)


@pytest.mark.parametrize(
    "change",
    [
        lambda t: t.encode("utf-8-sig"),
        lambda t: t.replace("\n", "\r\n").encode(),
        lambda t: _rewritten(t).encode(),
        lambda t: _rewritten(t, "\t", comma=False).encode(),
        lambda t: t.replace("gauging", '"gauging"', 1).encode(),
        lambda t: t.replace("\n", "\n\n").encode(),
        lambda t: t.rstrip("\n").encode(),
        lambda t: t.replace("gauging,", " Gauging ,", 1).encode(),
    ],
    ids=[
        "byte order mark",
        "CRLF",
        "semicolon and comma",
        "tabs",
        "quotes",
        "blank lines",
        "no last line end",
        "spaces",
    ],
)
def test_habits_of_writing_give_the_same_rows(change):
    """However a sheet was saved, the same cells give the same rows."""
    plain = interpret([folder()]).tables["points"]
    other = interpret([folder(points=change(POINTS), gaugings=change(GAUGINGS), sites=change(SITES))])
    assert other.problems.empty, other.problems.to_dict("records")
    said = [c for c in plain if c not in ("deposit", "row_line")]
    assert plain[said].equals(other.tables["points"][said])


@pytest.mark.parametrize(
    ("data", "words", "line"),
    [
        (POINTS.encode("utf-16"), "UTF-16", None),
        (POINTS.replace("open", "öpen").encode("latin-1"), "0xF6", 3),
        (POINTS.replace("0.4", "0\x00.4").encode(), "NUL", 3),
        (b"", "empty", None),
        (POINTS.replace("kind", "depth_m").encode(), "depth_m more than once", 1),
        (POINTS.replace("0.5,open", "0,5,open").encode(), "decimal commas", 3),
        (POINTS.replace("G1,2,1", '"G1,2,1').encode(), "unexpected end", None),
        (_rewritten(POINTS).replace("0,6", "0.6").encode(), "some numbers with a comma", None),
        (("a," * 600 + "b\n").encode(), "601", 1),
    ],
)
def test_what_cannot_be_read_is_said_in_words(data, words, line):
    """A file that is no such table is returned with what was found, and its line where there is one."""
    made = interpret([folder(points=data)])
    reasons = made.problems[made.problems["file"] == "points.csv"]
    assert words in reasons["found"].iloc[0]
    assert line is None or reasons["line"].iloc[0] == line
    assert made.tables["gaugings"].empty
    assert len(made.tables["sites"]) == 1


def test_lines_are_counted_as_an_editor_counts_them():
    """A quoted cell over two lines moves the rows below it, and the line named is the one an editor shows."""
    head = HEAD.replace("\n", ",remarks\n")
    rows = 'G1,1,0,0,edge,,,"two\nlines"\nG1,2,1,-0.5,open,0.6,0.4,\nG1,3,2,0,edge,,,\n'
    made = interpret([folder(points=head + rows)])
    assert made.problems["line"].tolist() == [4]
    assert list(read_csv((head + rows).encode()).lines) == [2, 4, 5]


def test_unknown_columns_are_noted_and_left():
    """A column nobody knows stays in the sealed bytes; the rest is taken."""
    made = interpret([folder(sites=SITES.replace("utc_offset", "utc_offset,mood").replace("+02:00", "+02:00,calm"))])
    assert made.problems.empty
    assert made.notes["note"].str.contains("mood").any()


def test_a_single_csv_is_known_by_its_name():
    """sites.csv is a table of sites; a name that is no table is returned with the names there are."""
    assert len(interpret([csv("sites.csv", SITES.encode())]).tables["sites"]) == 1
    made = interpret([csv("things.csv", SITES.encode())])
    assert "gauge_heights" in made.problems["expected"].iloc[0]


def test_a_batch_is_its_deposits_one_by_one():
    """Deposits understood together give the rows each gives alone, in the order handed in."""
    first = folder()
    second = folder(points=_rewritten(POINTS))
    together = interpret([first, second]).tables["points"]
    alone = [interpret([d]).tables["points"] for d in (first, second)]
    assert together["depth_m"].tolist() == [v for rows in alone for v in rows["depth_m"]]
    assert together["deposit"].tolist() == [first.digest] * 3 + [second.digest] * 3


def test_mixed_marks_are_refused():
    """A comma in a file separated by commas cannot be a decimal mark."""
    with pytest.raises(CannotRead):
        cells.decimal_mark([pa.array(["1,5"])], ",")


LABEL, KIND = (next(c for c in columns(DEPOSIT_TABLES["points"]) if c.name == name) for name in ("gauging", "kind"))
FOOT = spellings({c.name: c for c in columns(DEPOSIT_TABLES["points"])})["depth_ft"][1]
WORDS = st.sampled_from(["", "0.6", "+1.5", "1e400", "nan", "0,5", "5", "5.0", "yes", "NO", "maybe", "Edge", "\u202ex"])
READERS = {
    "numbers": lambda part: (pd.Series(cells.numbers(part, None)[0]), cells.numbers(part, None)[1]),
    "feet": lambda part: (pd.Series(cells.numbers(part, FOOT)[0]), cells.numbers(part, FOOT)[1]),
    "counts": cells.counts,
    "flags": cells.flags,
    "kinds": lambda part: cells.texts(part, KIND),
    "labels": lambda part: cells.texts(part, LABEL),
}


@pytest.mark.parametrize("reader", list(READERS))
@given(st.lists(WORDS, max_size=60))
def test_cells_that_are_alike_are_read_as_each_by_itself(reader, words):
    """Values, missing cells and bad ones are the same whether a cell is read once or as often as it stands."""
    text = pa.array(words, pa.string())
    expected, bad = READERS[reader](text)
    found, wrong = cells.each_once(text, READERS[reader])
    pd.testing.assert_series_equal(found, expected)
    assert wrong.tolist() == bad.tolist()
