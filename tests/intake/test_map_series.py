"""Keys of maps for logger series: counted times, straight lines, air pressure, odd lines, words for nothing."""

from __future__ import annotations

import csv as plain_csv
import io
from datetime import datetime, timedelta
from fractions import Fraction

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell.errors import MapError
from stillwell.intake.interpret import MOST_LISTED, interpret
from stillwell.intake.maps.clocks import CountedTime, LocalTime
from stillwell.intake.maps.map_file import Counted, map_from
from stillwell.intake.maps.rows import counted_numbers
from stillwell.intake.maps.text import read_foreign
from stillwell.intake.maps.times import moments, time_with_offset
from stillwell.intake.readers.sheet import Sheet
from stillwell.intake.values.decimal_linear import Line, on_line
from tests.intake.making import zipped

MAP = """kind = "map"
name = "a logger"

[[files]]
match = ["log*.csv"]
delimiter = ";"
decimal = ","

[[files.tables]]
table = "stage"
constants = { site = "S1" }
times.time = { columns = ["t"], counts = "seconds", since = "1970-01-01", offset = "+00:00" }
linear.stage_cm = { column = "v", unit = "div", factor = -2, constant = 500 }
"""
ROWS = "t;v\n1000000000;10,5\n1000000900;11\n"
BAROMETER = """
[[files]]
match = ["air*.csv"]
[[files.series]]
name = "air"
column = "p"
unit = "hPa"
no_value = ["x"]
time = { columns = ["t"], counts = "seconds", since = "1970-01-01", offset = "+00:00" }
"""
WATER = (
    'from_pressure.stage_m = { column = "v", unit = "hPa", sensor_m = 1.5, density_kg_m3 = 1000, '
    'gravity_m_s2 = 9.8, air_series = "air", bridged_s = 1200 }'
)
LINEAR = MAP.splitlines()[-1]
CLOCK = MAP.splitlines()[-2]


def _taken(rows: str = ROWS, text: str = MAP, **others: str):
    files = {"log.csv": rows.encode(), **{f"{name}.csv": body.encode() for name, body in others.items()}}
    return interpret([zipped(files)], None, map_from(text))


def _read(texts: list[str], clock, decimal: str = "."):
    named = {name: pa.array(texts, pa.string()) for name in clock.named}
    found = moments(named, clock, decimal)
    return pd.DatetimeIndex(found.time_us.view("datetime64[us]")), found


def test_a_straight_line_of_a_decimal_comma():
    """500 cm less twice 10.5 is 4.79 m; the figure and its unit are kept."""
    stage = _taken().tables["stage"]
    assert stage["stage_m"].tolist() == [4.79, 4.78]
    assert stage["raw_value"].tolist() == ["10,5", "11"]
    assert stage["raw_unit"].tolist() == ["div", "div"]
    assert stage["time"].astype("str").tolist() == ["2001-09-09 01:46:40+00:00", "2001-09-09 02:01:40+00:00"]


@settings(deadline=None, max_examples=200)
@given(
    st.lists(st.decimals(-(10**7), 10**7, allow_nan=False, places=5) | st.decimals(-1, 1, places=14), max_size=20),
    st.fractions(-1000, 1000, max_denominator=4000),
    st.fractions(-1000, 1000, max_denominator=1000),
)
def test_a_line_is_exact_and_rounded_once(numbers, factor, constant):
    """What is computed is the float nearest to the exact result, as rational arithmetic gives it."""
    texts = [f"{number:f}" for number in numbers]
    expected = [float(factor * Fraction(text) + constant) for text in texts]
    assert on_line(pa.array(texts, pa.string()), Line(factor, constant)).tolist() == expected


@pytest.mark.parametrize(
    "text", ["1e3", "+.5", "5.", "-0.0", "12345678901234567890", "1e-300", "0.1234567890123456789", "1E+20"]
)
def test_odd_numbers_are_exact_too(text):
    """Exponents, missing digits and more digits than a float holds go the same way."""
    line = Line(Fraction(1, 3), Fraction(7, 2))
    assert on_line(pa.array([text, None]), line).tolist()[0] == float(Fraction(text) / 3 + Fraction(7, 2))
    assert np.isnan(on_line(pa.array([None], pa.string()), line)).all()


@pytest.mark.parametrize(
    ("counts", "since", "text", "expected"),
    [
        ("seconds", datetime(1970, 1, 1), "1000000000", "2001-09-09 01:46:40"),
        ("seconds", datetime(1970, 1, 1), "-1.25", "1969-12-31 23:59:58.750"),
        ("milliseconds", datetime(1970, 1, 1), "1000000000123", "2001-09-09 01:46:40.123"),
        ("milliseconds", datetime(1970, 1, 1), "1.000000000123e12", "2001-09-09 01:46:40.123"),
        ("days", datetime(1899, 12, 30), "25569", "1970-01-01"),
        ("days", datetime(1899, 12, 30), "44927.5", "2023-01-01 12:00"),
        ("days", datetime(1899, 12, 30), "44927.000000001", "2023-01-01 00:00:00.000086"),
        ("minutes", datetime(2020, 2, 28), "2880", "2020-03-01"),
        ("hours", datetime(2020, 1, 1, 6), "0.5", "2020-01-01 06:30"),
    ],
)
def test_counted_times(counts, since, text, expected):
    """A count since a moment is that moment and so many units; spreadsheet day 25569 is 1970-01-01 (remembered)."""
    times, found = _read([text, "", "soon"], CountedTime("t", counts, since, "+00:00"))
    assert times[0] == pd.Timestamp(expected)
    assert found.known.tolist() == [True, False, False]
    assert [bad[:2] for bad in found.bad] == [(2, CountedTime("t", counts, since).expected)]


def test_counted_times_at_an_offset_and_rounded():
    """A clock an hour ahead shows 10:15 when it is 09:15 in UTC; days of few digits are rounded where that is said."""
    days = CountedTime("t", "days", datetime(1899, 12, 30), "+01:00", None, 1_000_000)
    times, _ = _read(["45811,4270833333"], days, ",")
    assert times[0] == pd.Timestamp("2025-06-03 09:15")


@pytest.mark.parametrize("text", ["99999999999999", "1e15", "1e300", "-9999999999"])
def test_a_count_that_no_clock_can_show_is_told(text):
    """Milliseconds read as seconds are of no year a gauge was read in."""
    _, found = _read([text], CountedTime("t", "seconds", datetime(1970, 1, 1), "+00:00"))
    assert not found.known.any()
    assert "number of seconds since 1970-01-01 00:00" in found.bad[0][1]


def test_a_date_and_a_part_of_the_day():
    """Half past six in the evening is 18.5 / 24 of the day."""
    clock = LocalTime(("d",), "%Y %j", "-07:00", None, None, "f", 1_000_000)
    named = {"d": pa.array(["2024 060", "2024 060", "2024 366"]), "f": pa.array(["0,770833", "1,5", "x"])}
    found = moments(named, clock, ",")
    times = pd.DatetimeIndex(found.time_us.view("datetime64[us]"))
    assert times[0] == pd.Timestamp("2024-03-01 01:30:00")
    assert [bad[0] for bad in found.bad] == [1, 2]
    assert "a part of the day from 0 to 1" in found.bad[0][1]


@pytest.mark.parametrize(
    ("years_from", "text", "expected"),
    [(None, "68", 2068), (None, "69", 1969), (1950, "49", 2049), (1950, "50", 1950), (2000, "99", 2099)],
)
def test_two_digit_years_are_those_the_map_says(years_from, text, expected):
    """Two digits mean one of the hundred years that begin with the stated one; 29 February only in a leap year."""
    clock = LocalTime(("t",), "%d.%m.%y %H:%M", "+00:00", None, years_from)
    times, found = _read([f"03.05.{text} 10:00"], clock)
    assert times[0].year == expected
    assert time_with_offset(f"03.05.{text} 10:00", clock)[0].startswith(str(expected))
    assert not found.bad


def test_a_leap_day_of_no_such_year():
    """00 is a leap year from 2000 and none from 1900."""
    for first, known in ((1950, True), (1801, False)):
        clock = LocalTime(("t",), "%d.%m.%y %H:%M", "+00:00", None, first)
        assert _read(["29.02.00 10:00"], clock)[1].known.tolist() == [known]


FORMATS = [
    "%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M", "%m/%d/%Y %I:%M:%S %p", "%m/%d/%y %I:%M %p", "%Y%m%d%H%M", "%Y/%j %H:%M",
    "%d-%b-%Y %H:%M", "%Y-%m-%dT%H:%M:%S.%f", "%H:%M %d.%m.%y", "%d.%m.%Y %H%M",
]  # fmt: skip


@settings(deadline=None, max_examples=60)
@given(
    st.sampled_from(FORMATS),
    st.sampled_from([("+05:45", None), ("-07:00", None), (None, "Europe/Berlin"), (None, "Australia/Lord_Howe")]),
    st.lists(st.datetimes(datetime(1971, 1, 1), datetime(2037, 1, 1)), min_size=1, max_size=30),
    st.sampled_from(["", "x", " ", "99", "13/13/2020 11:00 PM", "24:00 01.01.20"]),
)
def test_a_column_of_times_is_read_as_each_of_them(form, place, when, odd):
    """All times at once are what one at a time gives, words about those with two readings included."""
    clock = LocalTime(("t",), form, *place)
    texts = [*(moment.strftime(form) for moment in when), odd]
    times, found = _read(texts, clock)
    bad = {row: expected for row, expected, _ in found.bad}
    for row, text in enumerate(texts):
        iso, expected = time_with_offset(text.strip(), clock)
        if iso:
            moment = datetime.fromisoformat(iso)
            assert (times[row].tz_localize("UTC"), found.known[row]) == (pd.Timestamp(moment).tz_convert("UTC"), True)
            assert timedelta(minutes=int(found.offset_min[row])) == moment.utcoffset()
        else:
            assert bad.get(row, "") == (expected if text.strip() else "")


@pytest.mark.parametrize(("zone", "month"), [("Europe/Berlin", 10), ("Europe/Berlin", 3), ("America/Denver", 11)])
def test_the_hour_of_a_change_of_clocks_is_returned_row_by_row(zone, month):
    """Each time of the hour that came twice, or not at all, is told with its row; the others are read."""
    clock = LocalTime(("t",), "%Y-%m-%d %H:%M", None, zone)
    walls = pd.date_range(f"2025-{month:02d}-01", periods=30 * 24 * 4, freq="15min")
    _, found = _read(walls.strftime("%Y-%m-%d %H:%M").tolist(), clock)
    assert len(found.bad) == 4
    assert all("was both" in expected or "passed over" in expected for _, expected, _ in found.bad)
    assert found.known.sum() == len(walls) - 4


def test_an_offset_in_the_format_follows_the_seconds():
    """An offset begins with a sign or is Z, so seconds may run into it; a malformed one beside a good one is told."""
    clock = LocalTime(("t",), "%Y-%m-%dT%H:%M:%S%z")
    times, found = _read(["2025-05-01T10:00:00Z", "2025-05-01T10:00:00-0730", "2025-05-01T10:00:00", ""], clock)
    assert times[:2].tolist() == [pd.Timestamp("2025-05-01 10:00"), pd.Timestamp("2025-05-01 17:30")]
    assert [bad[0] for bad in found.bad] == [2]
    assert time_with_offset("2025-05-01T10:00:00-07:30", clock)[0] == "2025-05-01T10:00:00-07:30"


CELLS = st.text(alphabet='ab,;"\n. é', max_size=4)


@settings(deadline=None, max_examples=200)
@given(st.lists(st.tuples(CELLS, CELLS, CELLS), max_size=8), st.sampled_from(['"', "minimal"]), st.booleans())
def test_rows_are_those_of_a_plain_reader(rows, quoting, windows):
    """However cells are quoted, columns and lines are what a reader of one row at a time gives."""
    out = io.StringIO()
    style = plain_csv.QUOTE_ALL if quoting == '"' else plain_csv.QUOTE_MINIMAL
    end = "\r\n" if windows else "\n"
    plain_csv.writer(out, delimiter=";", quoting=style, lineterminator=end).writerows([("t", "v", "w"), *rows])
    layout = map_from(MAP).files[0]
    read = read_foreign("log.csv", out.getvalue().encode(), layout)
    line, expected = 2, []
    for row in rows:
        if any(cell.strip() for cell in row):
            expected.append((line, *(cell.strip() for cell in row)))
        line += 1 + sum(cell.count("\n") for cell in row)
    found = zip(read.lines.tolist(), *(read.column(name).to_pylist() for name in "tvw"), strict=True)
    assert list(found) == expected


def test_lines_of_comments_units_and_an_end():
    """Lines above, beside and below the data are passed over; every row keeps the line an editor shows."""
    text = MAP.replace(
        'decimal = ","', 'decimal = ","\nheader_line = 3\nfirst_line = 5\nfooter_lines = 2\ncomments = ["#", "t;"]'
    )
    rows = "a;b;c\n# all\nt;v\ns;div\n1000000000;1\n# more\nt;v\n\n1000000900;2;\nthe end\n-- --\n"
    made = _taken(rows, text)
    assert made.problems.empty, made.problems.to_dict("records")
    assert made.tables["stage"]["row_line"].tolist() == [5, 9]
    assert made.notes["note"].str.contains("lines passed over that begin with '#': 1").any()


def test_a_file_without_a_header():
    """Names come from the map, and line 1 is data."""
    made = _taken(ROWS.split("\n", 1)[1], MAP.replace('decimal = ","', 'decimal = ","\nheader = ["t", "v"]'))
    assert made.tables["stage"]["row_line"].tolist() == [1, 2]
    ragged = _taken("1000000000;1\n1000000900\n", MAP.replace('decimal = ","', 'decimal = ","\nheader = ["t", "v"]'))
    assert "2 cells, as in the map" in ragged.problems["expected"].iloc[0]
    assert ragged.problems["line"].iloc[0] == 2


def test_words_for_nothing_are_counted():
    """Only the words written in the map mean nothing; a blank cell they do not name is returned."""
    text = MAP.replace("linear", 'no_value = { "v" = ["NaN", "-9999"] }\nlinear')
    rows = ROWS + "1000001800;NaN\n1000002700;-9999\n1000003600;NaN\n1000004500;\n1000005400;-9999,0\n"
    made = _taken(rows, text)
    assert made.tables["stage"]["row_line"].tolist() == [2, 3, 8]
    assert made.problems["line"].tolist() == [7]
    expected = "rows not taken, with no value in 'v': 3 ('-9999' 1, 'NaN' 2), lines 4 to 6"
    assert expected in made.notes["note"].tolist()


@pytest.mark.parametrize(
    ("air", "excess"),
    [
        ("vented = true", 98.0),
        ("air = 90, air_unit = 'hPa'", 8.0),
        ("air = 0.09, air_unit = 'bar'", 8.0),
        ("air_column = 'w', air_unit = 'kPa'", 18.0),
    ],
)
def test_pressure_with_what_is_known_of_the_air(air, excess):
    """98 hPa at a vented sensor are 1 m of water at 1000 kg/m3 and 9.8 m/s2; air takes its part off."""
    water = WATER.replace('air_series = "air", bridged_s = 1200', air)
    made = _taken("t;v;w\n1000000000;98;8,0\n", MAP.replace(LINEAR, water))
    assert made.problems.empty, made.problems.to_dict("records")
    np.testing.assert_allclose([1.5 + excess / 98], made.tables["stage"]["stage_m"], rtol=0, atol=1e-12)


def test_a_barometer_in_a_file_of_its_own():
    """Pressure of the air is interpolated between readings 1200 s apart or less; rows without are left and counted."""
    air = "t,p\n999999400,1000\n1000000600,1002\n1000000700,x\n1000003000,1001\n"
    rows = "t;v\n1000000000;1099\n1000000600;1100\n1000000900;1100\n1000009000;1100\n"
    made = _taken(rows, MAP.replace(LINEAR, WATER) + BAROMETER, air_1=air)
    assert made.problems.empty, made.problems.to_dict("records")
    stage = made.tables["stage"]
    np.testing.assert_allclose([1.5 + 98 / 98, 1.5 + 98 / 98], stage["stage_m"], rtol=0, atol=1e-12)
    assert stage["row_line"].tolist() == [2, 3]
    note = "rows not taken, without a pressure of the air at their time: 2, lines 4 to 5"
    assert note in made.notes["note"].tolist()


def test_a_barometer_that_contradicts_itself_or_is_not_there():
    """Two pressures at one time are told with the files, and so is a series that no file holds."""
    text = MAP.replace(LINEAR, WATER) + BAROMETER
    twice = _taken(ROWS, text, air_1="t,p\n1000000000,1000\n", air_2="t,p\n1000000000,1001\n")
    assert "one pressure of the air at a time" in twice.problems["expected"].iloc[0]
    assert "air_1.csv, air_2.csv" in twice.problems["found"].iloc[0]
    none = _taken(ROWS, text)
    assert none.problems["expected"].tolist() == ["a file of the deposit that holds the series 'air'"]
    broken = _taken(ROWS, text, air_1="t,p\n1000000000,high\n")
    assert (broken.problems["file"].iloc[0], broken.problems["line"].iloc[0]) == ("air_1.csv", 2)
    for made in (twice, none, broken):
        assert made.tables["stage"].empty


def test_many_bad_cells_are_told_in_few_words():
    """Of a column that cannot be read the first cells are told, then how many more there are and where."""
    made = _taken("t;v\n" + "1000000000;a\n" * 200)
    assert len(made.problems) == MOST_LISTED + 1
    assert made.problems["found"].iloc[-1] == "others in 150 more rows, lines 52 to 201, which are left out as well"
    assert made.tables["stage"].empty


@settings(deadline=None, max_examples=100)
@given(st.lists(st.tuples(st.sampled_from("ab"), st.sampled_from("xyz")), max_size=30), st.booleans(), st.booleans())
def test_numbers_that_a_map_counts(rows, per, within):
    """A number goes up whenever the columns counted by change, from 1 within the others."""
    columns = {"g": pa.array([g for g, _ in rows], pa.string()), "x": pa.array([x for _, x in rows], pa.string())}
    rule = Counted(("x",) if per else (), ("g",) if within else ())
    said, number, expected = {}, {}, []
    for i, (g, x) in enumerate(rows):
        key, mine = g if within else "", x if per else i
        number[key] = number.get(key, 0) + (said.get(key) != mine)
        said[key] = mine
        expected.append(str(number[key]))
    foreign = Sheet(tuple(columns), tuple(columns.values()), np.arange(len(rows)))
    assert counted_numbers(foreign, rule).to_pylist() == expected


REFUSED = [
    ("counts", 'counts = "seconds"', 'counts = "weeks"', 12, "one of milliseconds"),
    ("since", 'since = "1970-01-01"', 'since = "the start"', 12, "the moment counted from"),
    ("no since", 'since = "1970-01-01", ', "", 12, "the moment counted from"),
    ("no place", ', offset = "+00:00"', "", 12, "one of an offset"),
    ("two columns", 'columns = ["t"]', 'columns = ["t", "v"]', 12, "one column of seconds"),
    ("format too", 'counts = "seconds"', 'counts = "seconds", format = "%Y"', 12, "nothing beside counts"),
    ("since alone", 'counts = "seconds", since', 'format = "%Y-%m-%d %H:%M", since', 12, "counts beside it"),
    ("years", CLOCK, CLOCK.replace('counts = "seconds", since = "1970-01-01"',
     'format = "%d.%m.%Y %H:%M", years_from = 1950'), 12, "a format with %y"),
    ("rounded", CLOCK, CLOCK.replace('counts = "seconds", since = "1970-01-01"',
     'format = "%d.%m.%Y %H:%M", rounded_s = 1'), 12, "a written time is kept"),
    ("rounded to nothing", 'offset = "+00:00" }', 'offset = "+00:00", rounded_s = 0 }', 12, "seconds to round to"),
    ("time twice", CLOCK, CLOCK.replace('counts = "seconds", since = "1970-01-01"',
     'format = "%d.%m.%Y %H:%M", day_fraction = "f"'), 12, "a date without a time"),
    ("no factor", "factor = -2, ", "", 13, "a number"),
    ("factor 0", "factor = -2", "factor = 0", 13, "other than 0"),
    ("text for a number", "constant = 500", 'constant = "500"', 13, "a number"),
    ("infinite", "constant = 500", "constant = inf", 13, "a number"),
    ("line key", "factor = -2", "slope = -2", 13, "one of column, unit, factor, constant"),
    ("line of words", "linear.stage_cm", "linear.mark", 13, "that is a number"),
    ("no column of ours", "linear.stage_cm", "linear.stage_yd", 13, "a column of stage"),
    ("fed twice", LINEAR, LINEAR + '\ncolumns = { "v" = "stage_m" }', 13, "one source for stage_m"),
    ("range in psi", LINEAR, 'from_range.stage_m = { column = "v", unit = "psi", sensor_m = 1 }', 13, "one of m, cm"),
    ("range to cm", LINEAR, 'from_range.stage_cm = { column = "v", unit = "m", sensor_m = 1 }', 13, "a height in m"),
    ("no sensor", LINEAR, 'from_range.stage_m = { column = "v", unit = "m" }', 13, "one height of the sensor"),
    ("two sensors", LINEAR, 'from_range.stage_m = { column = "v", unit = "m", sensor_m = 1, sensor_cm = 1 }', 13,
     "one height of the sensor"),
    ("no air", LINEAR, WATER.replace(', air_series = "air", bridged_s = 1200', ""), 13, "one of vented, air"),
    ("two airs", LINEAR, WATER.replace(" }", ", vented = true }"), 13, "one of vented, air"),
    ("not vented", LINEAR, WATER.replace('air_series = "air", bridged_s = 1200', "vented = false"), 13, "true"),
    ("no series", LINEAR, WATER, 13, "a series of the map (none)"),
    ("no bridge", LINEAR, WATER.replace(", bridged_s = 1200", ""), 13, "bridged_s with air_series"),
    ("unit of nothing", LINEAR, WATER.replace(" }", ", air_unit = 'Pa' }"), 13, "air_unit with air or air_column"),
    ("density", LINEAR, WATER.replace("1000", "1"), 13, "900 to 1300"),
    ("gravity", LINEAR, WATER.replace("9.8", "32.2"), 13, "9.7 to 9.9"),
    ("unit of pressure", LINEAR, WATER.replace('"hPa"', '"mmHg"'), 13, "one of Pa, hPa"),
    ("footer", 'decimal = ","', 'decimal = ","\nfooter_lines = -1', 8, "a whole number from 0"),
    ("comments", 'decimal = ","', 'decimal = ","\ncomments = [""]', 8, "beginnings of lines"),
    ("header twice", 'decimal = ","', 'decimal = ","\nheader = ["t", "t"]', 8, "each once"),
    ("header and its line", 'decimal = ","', 'decimal = ","\nheader = ["t"]\nheader_line = 1', 9, "beside header"),
    ("no value", LINEAR, LINEAR + '\nno_value = { "v" = "NaN" }', 14, "a list of texts"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "old", "new", "line", "words"), REFUSED, ids=[r[0] for r in REFUSED])
def test_a_map_of_a_series_that_cannot_be_used_names_its_line(what, old, new, line, words):
    """What is missing, strange or said twice refuses the map in words, with the line."""
    assert MAP.count(old) == 1, what
    with pytest.raises(MapError) as told:
        map_from(MAP.replace(old, new))
    assert f"line {line}," in str(told.value), told.value
    assert words in str(told.value), told.value
