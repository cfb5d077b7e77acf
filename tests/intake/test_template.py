"""The workbook a field party fills in: what it holds, and that it comes back through the door."""

from __future__ import annotations

import io
from itertools import pairwise

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell.errors import StillwellError
from stillwell.fingerprint import sha256
from stillwell.intake.interpret import interpret
from stillwell.intake.template import TABLES, UNITS, CannotMake, handed_in_as, template_workbook
from stillwell.intake.values.units import converted, spellings
from stillwell.schemas import DEPOSIT_TABLES, words
from stillwell.schemas.derive import columns
from stillwell.shared_types import Deposit, DepositFile
from tests.intake.making import folder, points

SITE = {"site": "S1", "name": "One (invented)", "latitude": 10, "longitude": 20, "utc_offset": "+02:00"}
GAUGING = {"gauging": "G1", "site": "S1", "started_at": "2025-05-01T10:00+02:00", "ended_at": "2025-05-01T11:00+02:00"}


@pytest.fixture(scope="module", params=UNITS)
def template(request):
    """Make a template in each of the units once."""
    return request.param, template_workbook(request.param)


def _opened(data):
    return openpyxl.load_workbook(io.BytesIO(data))


def _handed_in(book):
    data = book
    if not isinstance(book, bytes):
        out = io.BytesIO()
        book.save(out)
        data = out.getvalue()
    return interpret([Deposit("t.xlsx", "workbook", sha256(data), (DepositFile("t.xlsx", data),))])


def _write(book, table, *rows):
    sheet = book[table]
    places = {cell.value: cell.column for cell in sheet[1]}
    for row in rows:
        line = sheet.max_row + 1
        for name, value in row.items():
            sheet.cell(line, places[name], value)


def test_a_blank_template_is_taken_without_rows(template):
    """A workbook nobody filled in holds no rows and nothing wrong."""
    made = _handed_in(template[1])
    assert made.problems.empty
    assert made.notes.empty
    assert all(rows.empty for rows in made.tables.values())


def test_the_sheets_are_the_tables(template):
    """There is a sheet for every table, with every column of its schema once, in the units asked for."""
    units, data = template
    book = _opened(data)
    assert [name for name in book.sheetnames if name in DEPOSIT_TABLES] == list(TABLES)
    for table in TABLES:
        canonical = [c.name for c in columns(DEPOSIT_TABLES[table])]
        known = spellings(canonical)
        given_names = [cell.value for cell in book[table][1]]
        assert [known[name][0] for name in given_names] == [
            name for name in canonical if name not in ("deposit", "row_file", "row_line", "offset_given")
        ]
        in_si = ("_m", "_m_s", "_m3_s", "_m2", "_km2", "_c")
        assert units == "metric" or not [name for name in given_names if name.endswith(in_si)]
        assert units == "feet" or all(known[name][1] is None for name in given_names)
        assert book[table].freeze_panes == "A2"


def test_every_column_has_a_note(template):
    """Each header says what the column holds, what is expected and whether it is needed."""
    book = _opened(template[1])
    assert TABLES
    for table in TABLES:
        for cell, column in zip(
            book[table][1], [c for c in columns(DEPOSIT_TABLES[table]) if c.name not in HIDDEN], strict=True
        ):
            note = cell.comment.text
            assert column.description[1:] in note
            assert ("Needed in every row" in note) == (column.required and column.empty is None)
            assert cell.font.bold
            if column.kind == "time":
                assert "2025-05-01T10:00+02:00" in note


HIDDEN = ("deposit", "row_file", "row_line", "offset_given")


def test_ranges_are_told_in_the_units_of_the_workbook():
    """200 m are 656.2 ft, -5 degrees Celsius 23 degrees Fahrenheit (by hand)."""
    notes = {
        cell.value: cell.comment.text
        for table in ("points", "gaugings")
        for cell in _opened(template_workbook("feet"))[table][1]
    }
    assert "0 to 656.2 ft." in notes["depth_ft"]
    assert "23 to 140 degrees Fahrenheit" in notes["water_temperature_f"]
    assert "-65.62 to 65.62 ft/s" in notes["velocity_ft_s"]


def test_closed_words_are_offered(template):
    """A column with a closed list of words offers exactly those, and true or false where it is a flag."""
    book = _opened(template[1])
    for table in TABLES:
        offered = {}
        for validation in book[table].data_validations.dataValidation:
            letter = str(validation.sqref).split("2:")[0]
            offered[book[table][f"{letter}1"].value] = validation.formula1.strip('"').split(",")
            assert len(validation.formula1) <= 255
        expected = {
            c.name: list(c.words or ("true", "false"))
            for c in columns(DEPOSIT_TABLES[table])
            if c.words or c.kind == "flag"
        }
        assert offered == expected
    assert book["points"].data_validations.dataValidation
    assert words.METHODS[0] in book["gaugings"].data_validations.dataValidation[0].formula1


def test_words_and_times_stand_in_columns_of_text(template):
    """Columns of words and times are text, so that no program turns a label or a time into a date."""
    sheet = _opened(template[1])["gaugings"]
    form = {cell.value: sheet.column_dimensions[cell.column_letter].number_format for cell in sheet[1]}
    assert {form[name] for name in ("started_at", "ended_at", "gauging", "site", "sheet_number")} == {"@"}
    assert form["salinity_ppt"] == "General"


def test_a_filled_template_is_taken(template):
    """Rows typed in by a person come back as canonical rows without a problem."""
    units, data = template
    book = _opened(data)
    x, d, v = (handed_in_as(name, units)[0] for name in ("position_m", "depth_m", "velocity_m_s"))
    _write(book, "sites", SITE)
    _write(book, "gaugings", GAUGING | {"start_bank": "left", "remarks": "calm"})
    _write(
        book,
        "points",
        {"gauging": "G1", "vertical": 1, x: 0, d: 0, "kind": "edge"},
        {"gauging": "G1", "vertical": 2, x: 2.5, d: 1.5, "relative_depth": 0.6, v: 0.5, "velocity_is_normal": True},
        {"gauging": "G1", "vertical": 3, x: 5, d: 0, "kind": "edge"},
    )
    made = _handed_in(book)
    assert made.problems.empty, made.problems.to_dict("records")
    taken = made.tables["points"]
    foot = 1 if units == "metric" else 0.3048
    assert taken["position_m"].tolist() == [0, 2.5 * foot, 5 * foot]
    assert taken["depth_m"].tolist() == [0, pytest.approx(1.5 * foot, rel=1e-15), 0]
    assert taken["velocity_m_s"].tolist()[1] == pytest.approx(0.5 * foot, rel=1e-15)
    assert taken["row_line"].tolist() == [2, 3, 4]
    assert taken["row_file"].iloc[0] == "t.xlsx:points"
    assert made.tables["gaugings"]["method"].tolist() == ["wading verticals"]


def test_the_example_is_not_read_but_would_be_good(template):
    """The filled example feeds nothing where it stands; copied to the sheets it is a gauging without a problem."""
    book = _opened(template[1])
    examples = [name for name in book.sheetnames if name.startswith("example ")]
    assert {"example gaugings", "example points"} <= set(examples)
    assert _handed_in(book).tables["points"].empty
    for name in examples:
        rows = list(book[name].iter_rows(values_only=True))
        assert [c.value for c in book[name.removeprefix("example ")][1]] == list(rows[0])
        for row in rows[1:]:
            book[name.removeprefix("example ")].append(row)
    made = _handed_in(book)
    assert made.problems.empty, made.problems.to_dict("records")
    assert made.notes.empty
    assert len(made.tables["points"]) == 6
    assert made.tables["sites"]["name"].str.contains("invented").all()


def test_the_sheet_to_read_first_warns_and_promises_nothing(template):
    """The first sheet says local rules decide, names floods and ice, and nowhere says that wading is safe."""
    text = " ".join(str(row[0]) for row in _opened(template[1])["READ ME"].iter_rows(values_only=True))
    for said in ("rules of your own office", "flood", "Ice", "not permission", "offset from UTC", template[0]):
        assert said in text
    assert text.count("wading is safe") == text.count(
        "Nothing this workbook or the archive computes says that wading is safe"
    )


def _cells(book):
    return {
        sheet.title: [[(cell.value, cell.comment and cell.comment.text) for cell in row] for row in sheet.iter_rows()]
        for sheet in book.worksheets
    }


def test_the_same_template_says_the_same_whenever_it_is_made(template):
    """Cells, notes and the dates inside a template do not depend on when it is written."""
    units, data = template
    one, other = _opened(data), _opened(template_workbook(units))
    assert _cells(one) == _cells(other)
    assert one.properties.modified == one.properties.created == other.properties.modified


def test_only_the_tables_asked_for():
    """A template of some tables has their sheets alone; what is unknown is refused in words."""
    book = _opened(template_workbook(tables=["points", "gaugings"]))
    assert [n for n in book.sheetnames if n in DEPOSIT_TABLES] == ["points", "gaugings"]
    for asked in ({"units": "yards"}, {"tables": ["velocities"]}, {"tables": []}, {"tables": ["points", "points"]}):
        with pytest.raises(CannotMake, match="expected units of metric, feet") as told:
            template_workbook(**asked)
        assert isinstance(told.value, StillwellError)


@given(st.decimals(0, 100, places=2))
@settings(max_examples=30)
def test_columns_in_feet_convert_back(value):
    """Every column of a template in feet is one that intake converts to the canonical one."""
    assert TABLES
    for table in TABLES:
        names = [c.name for c in columns(DEPOSIT_TABLES[table])]
        known = spellings(names)
        assert names
        for name in names:
            handed, unit = handed_in_as(name, "feet")
            assert known[handed] == (name, unit)
            assert unit is None or isinstance(converted(str(value), unit), float)


FEET = points("2,1,{},open,.6,.4", "3,2,{},open,.2,.5", "3,2,{},open,.8,.3", "4,3,{},open,.6,.4")


@pytest.mark.parametrize(
    ("depths", "count"),
    [
        (("1.1", "1.25", "1.25", "2"), 0),
        (("1.12", "1.25", "1.25", "2"), 1),
        (("1.12", "1.26", "1.26", "1.150"), 2),
        (("0.3", "1.33", "1.33", "1.149"), 2),
    ],
)
def test_depths_between_graduations_are_noted(depths, count):
    """Depths in feet between the marks of a rod in tenths, read to half a tenth, are counted a vertical at a time.

    Common practice, no source. 0.3 and 1.150 are on a graduation exactly, which binary fractions would miss.
    """
    sheet = FEET.format(*depths).replace("position_m", "position_ft").replace("depth_m", "depth_ft")
    made = interpret([folder(points=sheet)])
    assert made.problems.empty
    said = made.notes["note"][made.notes["note"].str.contains("graduation")].tolist()
    assert len(said) == (count > 0)
    if count:
        assert f"gauging G1: {count} of 5 depths are not on a graduation of 0.05 ft" in said[0]
        assert "common practice, no source" in said[0]


def test_depths_in_metres_have_no_such_rod():
    """A depth handed in in metres is not held against a rod in feet, nor is one with a decimal comma misread."""
    assert interpret([folder(points=FEET.format("1.12", "1.26", "1.26", "1.13"))]).notes.empty
    sheet = FEET.format("1.10", "1.25", "1.25", "1.13").replace("depth_m", "depth_ft")
    commas = sheet.replace(",", ";").replace(".", ",")
    notes = interpret([folder(points=commas)]).notes["note"]
    assert notes.str.contains("1 of 5 depths").sum() == 1


def test_each_gauging_is_counted_for_itself():
    """A note is about one gauging; one whose depths are on the marks has none."""
    rows = ["G1", "G2", "G3"]
    text = FEET.replace("depth_m", "depth_ft")
    head, body = text.split("\n", 1)
    parts = [body.format(*depths) for depths in (("1.1",) * 4, ("1.11",) * 4, ("1.12", "1.2", "1.2", "1.3"))]
    sheet = head + "\n" + "".join(part.replace("G1,", f"{label},") for part, label in zip(parts, rows, strict=True))
    gaugings = "gauging,site,started_at,ended_at\n" + "".join(
        f"{label},S1,2025-05-0{i}T10:00+02:00,2025-05-0{i}T11:00+02:00\n" for i, label in enumerate(rows, 1)
    )
    notes = interpret([folder(points=sheet, gaugings=gaugings)]).notes["note"].tolist()
    said = [note.split(" depths")[0] for note in notes]
    assert said == ["gauging G2: 3 of 5", "gauging G3: 1 of 5"]
    assert all(a < b for a, b in pairwise(said))
