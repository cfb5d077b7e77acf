"""Hostile deposits are refused in words, in bounded time and memory, and nothing is ever raised but DepositError."""

from __future__ import annotations

import io
import os
import zipfile

import openpyxl
import pytest

from stillwell.errors import DepositError
from stillwell.fingerprint import sha256
from stillwell.intake.interpret import interpret
from stillwell.intake.readers.deposit import find_deposits, read_deposit
from stillwell.shared_types import Deposit, DepositFile
from tests.intake.making import GAUGINGS, POINTS, SITES, folder, points, zipped

GOOD = {"sites.csv": SITES, "gaugings.csv": GAUGINGS, "points.csv": POINTS}


def _workbook(change=None, **sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, text in ({"sites": SITES, "gaugings": GAUGINGS, "points": POINTS} | sheets).items():
        sheet = book.create_sheet(name)
        for line in text.splitlines():
            sheet.append([_cell(c) for c in line.split(",")])
    if change:
        change(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _cell(text):
    try:
        return float(text)
    except ValueError:
        return text or None


def _book(data):
    return Deposit("book.xlsx", "workbook", sha256(data), (DepositFile("book.xlsx", data),))


def test_a_zip_and_a_workbook_hold_the_same_tables():
    """The same tables in a folder, a zip, folders inside it, and a workbook give the same rows."""
    plain = interpret([folder()]).tables["points"]
    inside = {f"season/{name}": text for name, text in GOOD.items()}
    for deposit in (zipped(GOOD), zipped(inside), _book(_workbook())):
        made = interpret([deposit])
        assert made.problems.empty, made.problems.to_dict("records")
        assert made.tables["points"]["depth_m"].equals(plain["depth_m"])


@pytest.mark.parametrize(
    ("deposit", "words"),
    [
        (zipped({"../points.csv": POINTS}), "../points.csv"),
        (zipped({"/points.csv": POINTS}), "/points.csv"),
        (zipped({"a\\..\\..\\points.csv": POINTS}), "points.csv"),
        (zipped(GOOD, mode=0o120777), "symbolic link"),
        (zipped({"points.csv": b"0" * 30_000_000}), "bytes"),
        (zipped({f"{i}.csv": "" for i in range(2100)}), "2100"),
        (Deposit("x.zip", "zip", "0" * 64, (DepositFile("x.zip", b"PK\x03\x04 no zip"),)), "list of files"),
    ],
    ids=["climbing", "absolute", "backslashes", "link", "bomb", "many", "broken"],
)
def test_hostile_zips_are_refused(deposit, words):
    """A zip that climbs, links, explodes or is none is given back whole."""
    made = interpret([deposit, folder()])
    reasons = made.problems[made.problems["deposit"] == deposit.digest]
    assert words in reasons["found"].iloc[0]
    assert len(made.tables["gaugings"]) == 1


def test_a_zip_within_a_zip_is_not_opened():
    """A nested archive is no table; it is noted and stays sealed."""
    inner = zipped(GOOD).files[0].data
    made = interpret([zipped({"inner.zip": inner})])
    assert made.tables["points"].empty
    assert made.notes["note"].str.contains("not a table").any()


def test_a_formula_is_refused_by_its_cell():
    """A workbook cell that computes is named; nothing of its sheet is taken."""

    def formula(book):
        book["points"]["D3"] = "=1+1"

    made = interpret([_book(_workbook(formula))])
    assert "formula in sheet points, cell D3" in made.problems["found"].iloc[0]
    assert made.tables["points"].empty


def test_a_date_cell_without_offset_is_refused():
    """A date cell has no offset from UTC and is never guessed at."""
    from datetime import datetime

    def date(book):
        book["gaugings"]["C2"] = datetime(2025, 5, 1, 10)

    made = interpret([_book(_workbook(date))])
    assert "cell C2" in made.problems["found"].iloc[0]


def test_declared_entities_are_refused():
    """XML that declares entities of its own is never parsed."""
    data = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_workbook())) as source, zipfile.ZipFile(data, "w") as target:
        for entry in source.infolist():
            content = source.read(entry)
            if entry.filename == "xl/workbook.xml":
                content = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "b">]>' + content
            target.writestr(entry.filename, content)
    made = interpret([_book(data.getvalue())])
    assert "workbook.xml" in made.problems["found"].iloc[0]


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04", b"\xd0\xcf\x11\xe0 old format", b"not a workbook"])
def test_what_is_no_workbook_is_said(data):
    """Bytes that are no workbook are a reason, not an exception."""
    made = interpret([_book(data)])
    assert len(made.problems) == 1
    assert made.problems["expected"].iloc[0].startswith("a workbook")


def test_folders_are_read_without_following_links(tmp_path):
    """A symbolic link in a folder is refused by name; nothing outside is read."""
    (tmp_path / "secret.txt").write_text("secret")
    deposit = tmp_path / "deposit"
    deposit.mkdir()
    (deposit / "points.csv").symlink_to(tmp_path / "secret.txt")
    with pytest.raises(DepositError, match="symbolic link"):
        read_deposit(deposit)


def test_pipes_are_refused(tmp_path):
    """A pipe in a folder would hold the reader for ever."""
    os.mkfifo(tmp_path / "points.csv")
    with pytest.raises(DepositError, match="device or pipe"):
        read_deposit(tmp_path)


def test_an_inbox_lists_deposits_by_name(tmp_path):
    """Folders, zips, workbooks and CSV files are deposits; hidden files and other endings are not."""
    (tmp_path / "b").mkdir()
    for name in ("a.csv", "c.zip", "d.xlsx", ".hidden.csv", "~$d.xlsx", "readme.txt"):
        (tmp_path / name).write_text("x")
    assert [p.name for p in find_deposits(tmp_path)] == ["a.csv", "b", "c.zip", "d.xlsx"]
    with pytest.raises(DepositError, match="readme"):
        read_deposit(tmp_path / "readme.txt")
    with pytest.raises(DepositError, match="nowhere"):
        find_deposits(tmp_path / "nowhere")


def test_the_digest_of_a_folder_is_that_of_its_files(tmp_path):
    """A folder's digest depends on relative paths and bytes, not on where it lies or in which order it was written."""
    digests = []
    for where, order in (("x", (0, 1)), ("y", (1, 0))):
        names = ["a.csv", "sub/b.csv"]
        for i in order:
            path = tmp_path / where / names[i]
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(names[i])
        digests.append(read_deposit(tmp_path / where).digest)
    assert digests[0] == digests[1]
    (tmp_path / "y" / "a.csv").write_text("other")
    assert read_deposit(tmp_path / "y").digest != digests[0]


def test_a_very_large_number_of_bad_cells_is_told_cell_by_cell():
    """Ten thousand bad cells give ten thousand reasons and no exception."""
    made = interpret([folder(points=points(*(f"{i},{i},NaN,open,0.6,0.4" for i in range(100, 10_100))))])
    assert len(made.problems[made.problems["column"] == "depth_m"]) == 10_000
    assert made.tables["gaugings"].empty
