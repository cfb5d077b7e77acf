"""Workbooks as other programs save them: what they hold is taken, what cannot be read is named by sheet and cell."""

from __future__ import annotations

import io
import math
import re
import zipfile
from datetime import datetime
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from stillwell.fingerprint import sha256
from stillwell.intake.interpret import interpret
from stillwell.intake.readers.deposit import read_deposit
from stillwell.intake.template import CannotMake, template_workbook
from stillwell.shared_types import Deposit, DepositFile
from tests.hostile.making import with_part

BOOKS = Path(__file__).parents[1] / "data" / "workbooks"
NAMES = ("libreoffice.xlsx", "writer.xlsx")


def _made(data: bytes):
    return interpret([Deposit("b.xlsx", "workbook", sha256(data), (DepositFile("b.xlsx", data),))])


def _changed(change) -> bytes:
    """Change the workbook of the other writer with openpyxl."""
    book = openpyxl.load_workbook(BOOKS / "writer.xlsx")
    change(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _part_of(data: bytes, text: bytes) -> str:
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        return next(n for n in book.namelist() if n.startswith("xl/worksheets/sheet") and text in book.read(n))


@pytest.mark.parametrize("name", NAMES)
def test_a_workbook_saved_by_another_program_is_taken_whole(name):
    """Both gaugings with all verticals, readings and checks come in; depths follow the formula of the fixture."""
    made = interpret([read_deposit(BOOKS / name)])
    assert made.problems.empty
    gaugings = made.tables["gaugings"].set_index("gauging")
    assert list(gaugings.index) == ["A", "B"]
    # 10:00 at +02:00, and 15:20 at +02:00
    assert gaugings.loc["A", "started_at"] == pd.Timestamp("2025-06-12T08:00Z")
    assert gaugings.loc["B", "ended_at"] == pd.Timestamp("2025-06-12T13:20Z")
    assert set(gaugings["offset_given"]) == {"+02:00"}
    points = made.tables["points"]
    assert points.groupby("gauging")["vertical"].nunique().to_dict() == {"A": 24, "B": 24}
    inner = points[points["kind"] == "open"]
    assert len(inner) > 50
    for row in inner.itertuples():
        assert row.depth_m == round(0.25 + 0.9 * math.sin(math.pi * (row.vertical - 1) / 23), 2)
        assert row.position_m == (row.vertical - 1) * 0.5
    assert len(made.tables["gauge_heights"]) == 4
    assert set(made.tables["gauge_heights"]["site"]) == {"INV-WB"}
    assert made.tables["checks"].groupby(["sample", "receiver"]).ngroups == 60
    assert set(made.tables["checks"]["check"]) == {"WB-C1"}


def test_both_programs_say_the_same():
    """Two files of the same cells, laid out by different programs, are the same rows."""
    one, other = (interpret([read_deposit(BOOKS / name)]).tables for name in NAMES)
    for table in ("gaugings", "points", "gauge_heights", "checks"):
        left, right = (rows[table].drop(columns=["deposit", "row_file"]) for rows in (one, other))
        pd.testing.assert_frame_equal(left, right)


def test_a_date_cell_without_a_stated_offset_returns_its_gauging_only():
    """Nothing is guessed: the time is named with its cell, and the gauging whose times are text is taken."""

    def without(book):
        del book["offset"]
        del book["gauge_heights"], book["checks"]
        for cell, text in (("C3", "2025-06-12T14:00+02:00"), ("D3", "2025-06-12T15:20+02:00")):
            book["gaugings"][cell] = text

    made = _made(_changed(without))
    assert list(made.tables["gaugings"]["gauging"]) == ["B"]
    assert set(made.problems["gauging"]) == {"A"}
    assert "'2025-06-12T10:00:00 (date cell C2, no offset in sheet offset)'" in set(made.problems["found"])


def test_a_date_where_no_time_belongs_is_refused():
    """A label that a program turned into a date is not taken for the date; the other sheets are read."""

    def dated(book):
        book["instruments"]["A2"] = datetime(2025, 2, 1)

    made = _made(_changed(dated))
    assert "a date cell in sheet instruments, cell A2" in list(made.problems["found"])
    assert made.tables["instruments"].empty
    assert len(made.tables["gaugings"]) == 2


@pytest.mark.parametrize("offset", ["2", "+2:00", "+15:00", "CEST"])
def test_an_offset_that_is_none_is_refused(offset):
    """The sheet offset holds an offset from UTC or nothing; so does the option of the template."""
    made = _made(_changed(lambda book: book["offset"].__setitem__("A2", offset)))
    assert "an offset from UTC such as +02:00 in sheet offset" in made.problems["expected"].iloc[0]
    assert made.tables["gaugings"].empty
    with pytest.raises(CannotMake, match="an offset from UTC"):
        template_workbook(offset=offset)


def test_cells_merged_across_columns_are_refused_by_sheet():
    """What a cell over two columns means for each of them is nowhere said."""
    made = _made(_changed(lambda book: book["instruments"].merge_cells("B2:C2")))
    assert made.problems["found"].tolist() == ["B2:C2 in sheet instruments"]
    assert len(made.tables["gaugings"]) == 2


@pytest.mark.parametrize("index", [b"999999", b"-1", b"1.5", b"99999999999999999999"])
def test_a_text_that_does_not_exist_is_named_by_sheet_and_cell(index):
    """The index of a shared text is one of those there are; a negative one is not counted from the end."""
    data = (BOOKS / "writer.xlsx").read_bytes()
    part = _part_of(data, b'r="L61"')
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        cell = re.search(rb'<c r="(D2)"[^>]* t="s"><v>(\d+)</v>', book.read(part))
    broken = with_part(data, part, cell[0], cell[0].replace(b"<v>" + cell[2], b"<v>" + index))
    made = _made(broken)
    assert "cell D2" in made.problems["found"].iloc[0]
    assert "checks" in made.problems["found"].iloc[0] or part in made.problems["found"].iloc[0]
    assert made.tables["checks"].empty


def test_a_part_of_relations_is_not_taken_for_a_sheet():
    """Its content type may be stated, but a relation that calls it a sheet is refused."""
    data = (BOOKS / "libreoffice.xlsx").read_bytes()
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        target = re.search(rb'Target="(worksheets/sheet3.xml)"', book.read("xl/_rels/workbook.xml.rels"))
    astray = with_part(data, "xl/_rels/workbook.xml.rels", target[1], b"worksheets/_rels/sheet3.xml.rels")
    made = _made(astray)
    assert made.problems["expected"].iloc[0] == "sheets among the sheets"
    assert made.tables["gaugings"].empty
