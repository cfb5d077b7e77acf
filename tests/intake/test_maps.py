"""Foreign layouts through an intake map: rows computed by hand, times with two readings, maps that cannot be used."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from stillwell.errors import MapError, StillwellError
from stillwell.fingerprint import sha256
from stillwell.intake.interpret import interpret
from stillwell.intake.map_preview import preview
from stillwell.intake.maps.clocks import LocalTime
from stillwell.intake.maps.map_file import SURVEY_FEET, looks_like_map, map_from
from stillwell.intake.maps.text import read_foreign
from stillwell.intake.maps.times import time_with_offset
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.deposit import read_deposit
from stillwell.intake.values.units import converted
from stillwell.shared_types import Deposit, DepositFile
from tests.intake.making import POINTS, SITES, csv, folder, zipped

WORKED = Path(__file__).resolve().parents[2] / "sample_archive" / "maps"
NAMES = ("wide_sheets", "feet_header_below", "from_the_other_bank")

LONG = """kind = "map"
name = "a list"

[[files]]
match = ["list*.csv"]
delimiter = ";"
decimal = ","

[[files.tables]]
table = "gaugings"
once_per = ["No"]
columns = { "No" = "gauging" }
constants = { site = "S1" }
[files.tables.times.started_at]
columns = ["Day", "From"]
format = "%d.%m.%Y %H:%M"
zone = "Europe/Berlin"
[files.tables.times.ended_at]
columns = ["Day", "To"]
format = "%d.%m.%Y %H:%M"
zone = "Europe/Berlin"

[[files.tables]]
table = "points"
[files.tables.columns]
"No" = "gauging"
"x" = "position_m"
"d" = "depth_cm"
"r" = "relative_depth"
"v" = "velocity_m_s"
"k" = "kind"
[files.tables.counted]
vertical = { per = ["x", "d"], within = ["No"] }
"""
ROWS = """No;Day;From;To;x;d;r;v;k
7;01.05.2025;10:00;11:00;0,0;0;;;edge
7;01.05.2025;10:00;11:00;1,0;50;0,6;0,4;open
7;01.05.2025;10:00;11:00;2,0;0;;;edge
"""


def _taken(rows: str | bytes, text: str = LONG, name: str = "list.csv"):
    data = rows if isinstance(rows, bytes) else rows.encode()
    deposit = zipped({"sites.csv": SITES, name: data})
    return interpret([deposit], None, map_from(text))


def _worked(name: str):
    intake_map = map_from((WORKED / name / "map.toml").read_text(encoding="utf-8"))
    deposit = read_deposit(WORKED / name / "deposit")
    return deposit, intake_map, interpret([deposit], None, intake_map)


def _rows(frame, *names):
    plain = frame[list(names)].astype(object).where(frame[list(names)].notna(), None)
    return [tuple(row) for row in plain.itertuples(index=False)]


def test_a_wide_sheet_becomes_points():
    """Each column of velocities is a point of its vertical, rows without any are edges, each with its line."""
    _, _, made = _worked("wide_sheets")
    assert made.problems.empty, made.problems.to_dict("records")
    points = made.tables["points"]
    mine = points[points["gauging"] == "L7"].sort_values(["vertical", "relative_depth"])
    assert _rows(mine, "vertical", "position_m", "depth_m", "kind", "relative_depth", "velocity_m_s", "row_line") == [
        (1, 0.0, 0.0, "edge", None, None, 9),
        (2, 1.0, 0.4, "open", 0.6, 0.25, 10),
        (3, 2.0, 0.8, "open", 0.2, 0.45, 11),
        (3, 2.0, 0.8, "open", 0.8, 0.31, 11),
        (4, 3.0, 0.5, "open", 0.6, 0.30, 12),
        (5, 4.0, 0.0, "edge", None, None, 13),
    ]
    assert set(mine["row_file"]) == {"INV-LAG_L7.csv"}
    assert "weed – cut" in set(mine["remarks"])


def test_a_wide_sheet_becomes_gaugings_and_readings():
    """Fields above the header and in the name of the file become a gauging a sheet, in UTC by the zone's summer."""
    _, _, made = _worked("wide_sheets")
    gaugings = made.tables["gaugings"].astype({"started_at": "str", "ended_at": "str"})
    assert _rows(gaugings, "gauging", "site", "party", "start_bank", "started_at", "ended_at", "offset_given") == [
        ("L7", "INV-LAG", "INV-P7", "left", "2025-07-14 08:10:00+00:00", "2025-07-14 08:55:00+00:00", "+01:00"),
        ("L8", "INV-LAG", "INV-P7", "left", "2025-12-02 11:30:00+00:00", "2025-12-02 12:05:00+00:00", "+00:00"),
    ]
    heights = made.tables["gauge_heights"].astype({"read_at": "str"})
    assert _rows(heights, "gauging", "read_at", "gauge_height_m", "source") == [
        ("L7", "2025-07-14 08:10:00+00:00", 0.62, "staff"),
        ("L7", "2025-07-14 08:55:00+00:00", 0.60, "staff"),
        ("L8", "2025-12-02 11:30:00+00:00", 0.71, "staff"),
        ("L8", "2025-12-02 12:05:00+00:00", 0.71, "staff"),
    ]


def test_feet_below_a_title():
    """3937 survey feet are 1200 m; rod and velocity are in international feet; noon is 12 PM at a fixed offset."""
    _, _, made = _worked("feet_header_below")
    assert made.problems.empty, made.problems.to_dict("records")
    points = made.tables["points"]
    survey = [float(Fraction(feet) * 1200 / 3937) for feet in (3937, 3940, 3943, 3943, 3946, 3949)]
    assert points["position_m"].tolist() == survey
    assert survey[0] == 1200
    assert points["depth_m"].tolist() == [0, 0.3048, 0.6096, 0.6096, 0.283464, 0]
    assert points["vertical"].tolist() == [1, 2, 3, 3, 4, 5]
    assert points["velocity_m_s"].tolist()[1:5] == [0.24384, 0.39624, 0.27432, 0.21336]
    assert points["relative_depth"].tolist()[1:5] == [0.6, 0.2, 0.8, 0.6]
    assert points["kind"].tolist() == ["edge", "open", "open", "open", "open", "edge"]
    assert points["row_line"].tolist() == [5, 6, 7, 8, 9, 10]
    gauging = made.tables["gaugings"].iloc[0]
    assert str(gauging["started_at"]) == "2025-06-03 18:45:00+00:00"
    assert str(gauging["ended_at"]) == "2025-06-03 19:30:00+00:00"
    assert gauging["remarks"] == "cañon in shade"
    assert gauging["water_temperature_c"] == 10
    assert gauging["discharge_m3_s"] == float(Fraction("7.1") * Fraction("0.3048") ** 3)


def test_a_season_from_the_right_bank():
    """Centimetres, a line of units, date and time apart, positions that fall, and a wall whose velocity is zero."""
    _, _, made = _worked("from_the_other_bank")
    assert made.problems.empty, made.problems.to_dict("records")
    gaugings = made.tables["gaugings"].astype({"started_at": "str"})
    assert _rows(gaugings, "gauging", "started_at", "start_bank", "discharge_m3_s", "row_line") == [
        ("T1", "2025-03-05 09:15:00+00:00", "right", 0.153, 3),
        ("T2", "2025-03-06 08:05:00+00:00", "right", None, 7),
    ]
    points = made.tables["points"]
    assert _rows(points, "gauging", "vertical", "position_m", "depth_m", "kind", "relative_depth", "velocity_m_s") == [
        ("T1", 1, 3.0, 0.0, "edge", None, None),
        ("T1", 2, 2.0, 0.5, "open", 0.6, 0.2),
        ("T1", 3, 1.0, 0.4, "open", 0.6, 0.1),
        ("T1", 4, 0.0, 0.3, "edge", None, 0.0),
        ("T2", 1, 0.0, 0.0, "edge", None, None),
        ("T2", 2, 1.0, 0.8, "open", 0.2, 0.3),
        ("T2", 2, 1.0, 0.8, "open", 0.8, 0.2),
        ("T2", 3, 2.0, 0.0, "edge", None, None),
    ]


@pytest.mark.parametrize("name", NAMES)
def test_without_a_map_the_same_bytes_are_returned_in_words(name):
    """A foreign deposit without its map feeds no table, and the reason names the tables there are."""
    deposit, _, _ = _worked(name)
    made = interpret([deposit])
    assert all(rows.empty for rows in made.tables.values())
    assert "intake map" in made.problems["expected"].iloc[0]
    assert all(f.path in made.problems["found"].iloc[0] for f in deposit.files)


@pytest.mark.parametrize("name", NAMES)
def test_a_preview_shows_the_first_rows(name):
    """A look beforehand shows the first rows of each table that is fed, as they would be taken."""
    deposit, intake_map, made = _worked(name)
    shown = preview(deposit, intake_map, 2)
    assert {"gaugings", "points"} <= set(shown)
    for table, rows in shown.items():
        assert 0 < len(rows) <= 2
        assert list(rows.columns[:2]) == ["row_file", "row_line"]
        known = made.tables[table].set_index(["row_file", "row_line"])
        for row in rows.itertuples(index=False):
            assert (row.row_file, row.row_line) in known.index


def test_the_worked_maps_and_the_plain_sheets_go_side_by_side():
    """Files of our own layout beside the foreign ones are read as usual, and a note says which map was used."""
    made = _taken(ROWS)
    assert made.problems.empty, made.problems.to_dict("records")
    assert (len(made.tables["sites"]), len(made.tables["gaugings"]), len(made.tables["points"])) == (1, 1, 3)
    assert made.notes["note"].str.contains(map_from(LONG).digest[:16]).any()


@pytest.mark.parametrize(
    ("zone", "text", "readings"),
    [
        ("Europe/Berlin", "26.10.2025 02:30", ("was both 2025-10-26T02:30+02:00 and 2025-10-26T02:30+01:00",)),
        ("Europe/Berlin", "30.03.2025 02:30", ("passed over", "2025-03-30T01:30+01:00 or 2025-03-30T03:30+02:00")),
        ("America/Denver", "02.11.2025 01:15", ("2025-11-02T01:15-06:00 and 2025-11-02T01:15-07:00",)),
        ("America/Denver", "09.03.2025 02:15", ("2025-03-09T01:15-07:00 or 2025-03-09T03:15-06:00",)),
        ("Australia/Lord_Howe", "06.04.2025 01:45", ("2025-04-06T01:45+11:00 and 2025-04-06T01:45+10:30",)),
        ("Australia/Lord_Howe", "05.10.2025 02:10", ("2025-10-05T01:40+10:30 or 2025-10-05T02:40+11:00",)),
    ],
)
def test_a_time_with_two_readings_is_never_guessed(zone, text, readings):
    """In the hour that comes twice and in the hour that is left out both readings are told.

    The days are those of the law: last Sundays of March and October in the Union, second Sunday of March and first of
    November in the States, first Sundays of April and October (half an hour) on Lord Howe (remembered).
    """
    how = LocalTime(("t",), "%d.%m.%Y %H:%M", None, zone)
    iso, expected = time_with_offset(text, how)
    assert iso == ""
    for words in readings:
        assert words in expected
    iso, expected = time_with_offset(f"{text} +01:00", how)
    assert (iso[-6:], expected) == ("+01:00", "")


@pytest.mark.parametrize(("day", "words"), [("26.10.2025", "was both"), ("30.03.2025", "passed over")])
def test_the_gauging_of_such_a_time_is_returned(day, words):
    """A gauging started in such an hour goes back with line, columns and both readings; another is taken."""
    good = ROWS + ROWS.split("\n", 1)[1].replace("7;01", "8;01")
    made = _taken(good.replace("7;01.05.2025;10:00;11:00", f"7;{day};02:30;04:00"))
    assert made.tables["gaugings"]["gauging"].tolist() == ["8"]
    assert set(made.tables["points"]["gauging"]) == {"8"}
    problem = made.problems.iloc[0]
    assert (problem["gauging"], problem["line"], problem["column"]) == ("7", 2, "Day + From")
    assert words in problem["expected"]
    assert f"{day} 02:30" in problem["found"]
    assert len(made.problems) == 1


def test_digits_that_run_together_need_all_of_them():
    """111 may be 1:11 or 11:01, so it is no time; 0111 is."""
    how = LocalTime(("t",), "%d.%m.%Y %H%M", "+01:00")
    assert time_with_offset("01.05.2025 0111", how) == ("2025-05-01T01:11:00+01:00", "")
    assert time_with_offset("01.05.2025 111", how)[1] == "a time written as %d.%m.%Y %H%M"


@pytest.mark.parametrize(
    ("digits", "ending", "exact"),
    [
        ("3937", "_m", Fraction(1200)),
        ("1", "_m", Fraction(1200, 3937)),
        ("1", "_m2", Fraction(1200, 3937) ** 2),
        ("1", "_m3_s", Fraction(1200, 3937) ** 3),
        ("12.34", "_m_s", Fraction("12.34") * Fraction(1200, 3937)),
    ],
)
def test_a_survey_foot_is_1200_over_3937_metres(digits, ending, exact):
    """The survey foot is 1200/3937 m exactly (NIST Handbook 44, as remembered), rounded once."""
    assert converted(digits, SURVEY_FEET[ending][1]) == float(exact)


def test_survey_feet_need_a_map():
    """Without a map a column in survey feet is unknown, and the depth it would have held is missing."""
    made = interpret([folder(points=POINTS.replace("depth_m", "depth_ftus"))])
    assert made.notes["note"].str.contains("depth_ftus").any()
    assert made.tables["gaugings"].empty


REFUSED = [
    ("colour = 1", 'kind = "map"', 'kind = "map"\ncolour = 1', 2, "one of kind, name, about, files"),
    ("kind", 'kind = "map"', 'kind = "policy"', 1, '"map"'),
    ("name", 'name = "a list"', "name = 7", 2, "a text"),
    ("file key", 'decimal = ","', 'decimals = ","', 7, "one of match"),
    ("decimal", 'decimal = ","', 'decimal = "·"', 7, "one of ., ,"),
    ("delimiter", 'delimiter = ";"', 'delimiter = ";;"', 6, "one character"),
    ("mark twice", 'delimiter = ";"', 'delimiter = ","', 7, "another mark"),
    ("encoding", 'decimal = ","', 'decimal = ","\nencoding = "ebcdic"', 8, "one of utf-8"),
    ("header", 'decimal = ","', 'decimal = ","\nheader_line = 0', 8, "a whole number"),
    ("flag for number", 'decimal = ","', 'decimal = ","\nheader_line = true', 8, "a whole number"),
    ("first line", 'decimal = ","', 'decimal = ","\nheader_line = 4\nfirst_line = 4', 9, "a whole number from 5"),
    ("field", 'decimal = ","', 'decimal = ","\nname = "{a}{b}.csv"', 8, "something between"),
    ("match", 'match = ["list*.csv"]', 'match = "list.csv"', 5, "a list of texts"),
    ("table", 'table = "points"', 'table = "velocities"', 24, "one of sites"),
    ("no policy", 'table = "points"', 'table = "policies"', 24, "one of sites"),
    ("column", '"d" = "depth_cm"', '"d" = "depth_yd"', 28, "a column of points"),
    ("trail", '"d" = "depth_cm"', '"d" = "row_line"', 28, "a column of points"),
    ("two sources", '"r" = "relative_depth"', '"r" = "depth_m"', 29, "one source for depth_m"),
    ("constant twice", 'constants = { site = "S1" }', 'constants = { site = "S1", gauging = "1" }', 13, "one source"),
    ("constant", 'constants = { site = "S1" }', "constants = { site = [1] }", 13, "a text, a number"),
    ("zone", 'zone = "Europe/Berlin"\n[files.tables.times.e', 'zone = "Berlin"\n[files.tables.times.e', 17, "IANA"),
    ("zone path", 'zone = "Europe/Berlin"\n[files.tables.times.e', 'zone = "../x"\n[files.tables.times.e', 17, "IANA"),
    ("both", 'zone = "Europe/Berlin"\n[files.tables.times.e', 'zone = "UTC"\noffset = "+01:00"\n[files.tables.times.e',
     16, "one of an offset"),
    ("offset", 'zone = "Europe/Berlin"\n[files.tables.times.e', 'offset = "+25:00"\n[files.tables.times.e', 17,
     "an offset from UTC"),
    ("format", 'format = "%d.%m.%Y %H:%M"\nzone = "Europe/Berlin"\n[files.tables.times.e',
     'format = "%c"\nzone = "Europe/Berlin"\n[files.tables.times.e', 16, "a date and a time"),
    ("not a time", "[files.tables.times.ended_at]", "[files.tables.times.remarks]", 18, "a time column"),
    ("not a count", "vertical = { per", "position_m = { per", 33, "one source for position_m"),
    ("no count", "vertical = { per", "exposure_s = { per", 33, "that counts"),
    ("count key", 'within = ["No"] }', 'inside = ["No"] }', 33, "one of per, within"),
    ("words", "[files.tables.counted]", '[files.tables.words.remarks]\n"a" = "b"\n[files.tables.counted]', 32,
     "a column that columns names"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "old", "new", "line", "words"), REFUSED, ids=[r[0] for r in REFUSED])
def test_a_map_that_cannot_be_used_names_its_line(what, old, new, line, words):
    """An unknown key, a wrong type or two sources for one column refuse the map, with the line."""
    assert LONG.count(old) == 1, what
    with pytest.raises(MapError) as told:
        map_from(LONG.replace(old, new))
    assert f"line {line}," in str(told.value), told.value
    assert words in str(told.value)
    assert isinstance(told.value, StillwellError)


def test_a_map_that_is_no_toml_is_refused_with_its_line():
    """A slip in the TOML itself is told with the line the parser gives."""
    with pytest.raises(MapError, match="line 2"):
        map_from('kind = "map"\nname = list\n')
    with pytest.raises(MapError, match=r"\[\[files\]\]"):
        map_from('kind = "map"\nname = "x"\n')


@pytest.mark.parametrize("form", ["%d.%m.%Y %H:%M %d", "%d.%m.%Y %H:%M %", "%d.%m %H:%M", "%d.%m.%Y", "%x %X"])
def test_a_format_must_be_one_that_reads_a_whole_time(form):
    """A format without a year or a minute, with a part twice, or of a locale is refused before any file is read."""
    with pytest.raises(MapError, match="line 16"):
        map_from(LONG.replace("%d.%m.%Y %H:%M", form, 1))


def test_a_hostile_map_is_refused():
    """Nesting without end is no map, and is said in words."""
    deep = 'kind = "map"\nname = ' + "[" * 5000
    assert not looks_like_map(deep)
    with pytest.raises(MapError):
        map_from(deep)


@pytest.mark.parametrize(
    ("pattern", "name", "fields"),
    [
        ("{a}_{b}.csv", "S1_7.csv", {"a": "S1", "b": "7"}),
        ("{a}_{b}.csv", "S1_7_x.CSV", {"a": "S1", "b": "7_x"}),
        ("no {a} of {b}", "No 7 of S1", {"a": "7", "b": "S1"}),
        ("{a}_{b}_{c}", "_x__y", None),
        ("{a}_{b}.csv", "S1_.csv", None),
        ("{a}_{b}.csv", "S1.csv", None),
        ("_".join(f"{{{c}}}" for c in "abcdefgh") + ".csv", "_" * 250 + ".txt", None),
    ],
)
def test_fields_of_a_name_end_where_the_next_text_begins(pattern, name, fields):
    """A field of a name ends before the first place of the text after it; a name that does not fit is told."""
    layout = map_from(LONG.replace('decimal = ","', f'decimal = ","\nname = "{pattern}"')).files[0]
    if fields is None:
        with pytest.raises(CannotRead, match="a file named"):
            read_foreign(name, ROWS.encode(), layout)
    else:
        read = read_foreign(f"folder/{name}", ROWS.encode(), layout)
        assert {key: set(read.column(key).to_pylist()) for key in fields} == {
            key: {value} for key, value in fields.items()
        }


def test_a_map_is_recognised():
    """A text is a map when it says so at its top, and nothing else is."""
    assert looks_like_map(LONG)
    assert not looks_like_map('[limits]\nkind = "map"\n')
    assert not looks_like_map("kind = map")
    assert not looks_like_map("")


def test_a_deposited_map_is_no_policy():
    """A map handed in by itself feeds no table, is no broken policy, and stays sealed."""
    data = LONG.encode()
    made = interpret([Deposit("list.toml", "toml", sha256(data), (DepositFile("list.toml", data),))])
    assert made.problems.empty
    assert made.tables["policies"].empty
    assert made.notes["note"].str.contains("intake map").any()


UNREADABLE = [
    ("column", ROWS.replace(";v;", ";w;"), "the column 'v'", "'w'", None),
    (
        "header twice",
        ROWS.replace("k\n", "k;v\n").replace("e\n", "e;\n").replace("n\n", "n;\n"),
        "the column 'v' once",
        "more than one",
        None,
    ),
    ("ragged", ROWS.replace("1,0;50;0,6;0,4;open", "1,0;50;0,6;0,4"), "9 cells", "8", 3),
    ("encoding", ROWS.replace("open", "öpen").encode("latin-1"), "utf-8 text, as the map says", "0xF6", 3),
    ("mark", ROWS.encode("utf-16"), "utf-8 text, as the map says", "UTF-16", 1),
    ("NUL", ROWS.replace("open", "o\0pen"), "utf-8 text", "0x00", 3),
    ("empty", "", "a header on line 1", "none", 1),
    ("quote", ROWS.replace("open", '"open'), "quoted", "unexpected end", 3),
    ("gauging differs", ROWS.replace("11:00;1,0", "11:30;1,0"), "the same wherever 'No'", "on line 2", 3),
]


@pytest.mark.parametrize(("what", "rows", "expected", "found", "line"), UNREADABLE, ids=[row[0] for row in UNREADABLE])
def test_a_file_that_is_not_as_the_map_says_is_returned(what, rows, expected, found, line):
    """A file written otherwise is returned whole with its line, while the rest of the deposit is taken."""
    made = _taken(rows)
    problem = made.problems.iloc[0]
    assert expected in problem["expected"], what
    assert found in problem["found"]
    assert line is None or problem["line"] == line
    assert made.tables["gaugings"].empty
    assert len(made.tables["sites"]) == 1


@pytest.mark.parametrize(
    ("cell", "other", "column"),
    [("50;0,6;0,4", "50;0,6;0.4", "v"), ("50;0,6;0,4", "5O;0,6;0,4", "d"), ("50;0,6;0,4", "1.050,0;0,6;0,4", "d")],
)
def test_a_number_with_another_mark_is_returned(cell, other, column):
    """Where the map says comma a point is no decimal mark, nor a mark of thousands; the foreign column is named."""
    made = _taken(ROWS.replace(cell, other))
    problem = made.problems.iloc[0]
    assert (problem["gauging"], problem["line"], problem["column"]) == ("7", 3, column)
    assert "decimal comma" in problem["expected"]
    assert made.tables["gaugings"].empty


def test_a_value_out_of_range_keeps_its_line():
    """What is wrong beyond its form is judged as ever, by the line of the foreign file."""
    made = _taken(ROWS.replace("1,0;50;", "1,0;-50;"))
    problem = made.problems.iloc[0]
    assert (problem["gauging"], problem["line"], problem["column"], problem["found"]) == ("7", 3, "depth_m", "-0.5")


def test_columns_the_map_does_not_name_are_noted():
    """A column named as ours but not by the map is left, and so is any other; both are in a note."""
    rows = "\n".join(row + (";remarks;mood" if i == 0 else ";x;y") for i, row in enumerate(ROWS.splitlines()))
    made = _taken(rows)
    assert made.problems.empty
    assert made.tables["points"]["remarks"].isna().all()
    assert made.notes["note"].str.contains("remarks, mood").any()
    quiet = _taken(rows, LONG.replace('decimal = ","', 'decimal = ","\nignored = ["remarks", "mood"]'))
    assert not quiet.notes["note"].str.contains("mood").any()


def test_a_file_described_twice_is_returned():
    """Two descriptions of one file leave open which is meant."""
    made = _taken(
        ROWS, LONG + '\n[[files]]\nmatch = ["*t.csv"]\n[[files.tables]]\ntable = "sites"\ncolumns.a = "name"\n'
    )
    assert "describes every file once" in made.problems["expected"].iloc[0]
    assert made.tables["gaugings"].empty


def test_a_single_file_goes_through_a_map():
    """A deposit of one CSV of any name is read when the map's pattern fits, whatever the case of its letters."""
    made = interpret([csv("LIST-2025.CSV", ROWS.encode())], None, map_from(LONG))
    assert len(made.tables["points"]) == 3
    assert made.problems.empty


def test_fields_above_the_header_must_be_there():
    """A field the map expects above the header is missed in words; one in a name that does not fit too."""
    text = LONG.replace('decimal = ","', 'decimal = ","\nheader_line = 3\nabove = ["Site"]\nname = "list {Party}.csv"')
    text = text.replace('constants = { site = "S1" }', 'constants = {}').replace(
        'columns = { "No" = "gauging" }', 'columns = { "No" = "gauging", "Site" = "site", "Party" = "party" }'
    )  # fmt: skip
    made = _taken("Site: S1\n\n" + ROWS, text, "list P1.csv")
    assert made.problems.empty, made.problems.to_dict("records")
    assert _rows(made.tables["gaugings"], "site", "party", "row_line") == [("S1", "P1", 4)]
    assert "'Site' above the header" in _taken("Sit: S1\n\n" + ROWS, text, "list P1.csv").problems["expected"].iloc[0]
    assert "'Site' once" in _taken("Site: S1\nSite;S2\n" + ROWS, text, "list P1.csv").problems["expected"].iloc[0]
    assert "named list {Party}.csv" in _taken("Site: S1\n\n" + ROWS, text, "list.csv").problems["expected"].iloc[0]
