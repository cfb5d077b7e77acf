"""What readers see."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import fields, replace
from datetime import timedelta

import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import entry_path
from stillwell.archive.disk.nested_paths import refuse_itself
from stillwell.archive.ledger.entries import Entry
from stillwell.errors import ArchiveDamaged, ArchiveError, DepositError, NotAnArchive
from stillwell.fingerprint import sha256
from stillwell.schemas import ARCHIVE_TABLES


def test_what_was_committed_is_read(tmp_path, rows, deposit, write):
    """Rows, documents, deposits and listing of two commits."""
    one, two = deposit("a\n"), deposit("b\n")
    write(
        tmp_path,
        one,
        tables={"sites": rows("sites", 2, site=["alder", "birch"])},
        documents={"README.txt": b"hello"},
    )
    write(tmp_path, two, tables={"sites": rows("sites", 1, name="renamed", revision=2)})
    archive = Archive(tmp_path)

    assert list(archive.read("sites")["site"]) == ["alder", "alder", "birch"]
    assert list(archive.read("sites", sites=["birch", "cedar"])["site"]) == ["birch"]
    assert list(archive.read("sites", ["alder"], ["name"])["name"]) == ["name-0", "renamed"]
    assert archive.document("README.txt") == b"hello"
    assert archive.has_deposit(one.digest)
    assert archive.has_deposit(two.digest)
    assert two == archive.sealed.read(two.digest)
    assert archive.tables() == ["sites"]
    assert len(archive.table_paths("sites")) == 3
    assert [p for p in sorted(archive.listing()) if p != "README.txt"] == sorted(archive.table_paths("sites"))


def test_a_table_without_rows_has_its_columns(tmp_path, rows, write, schemas_of):
    """With its schema in the archive or only in the software; an unknown table is refused by name."""
    write(tmp_path, documents=schemas_of("points"))
    archive = Archive(tmp_path)

    for name in ("points", "gaugings"):
        pd.testing.assert_frame_equal(rows(name, 0), archive.read(name))
        pd.testing.assert_frame_equal(rows(name, 0), archive.standing(name))
    assert archive.tables() == ["points"]
    with pytest.raises(ArchiveError, match="found 'ponts'"):
        archive.read("ponts")


def test_a_stranger_s_folder_is_no_archive(tmp_path):
    """Nothing there, a file, or a folder of other things: said in words."""
    (tmp_path / "file").write_text("x")
    for place in (tmp_path / "none", tmp_path / "file", tmp_path):
        with pytest.raises(NotAnArchive, match="expected an archive"):
            Archive(place)


def test_a_newer_kind_of_archive_is_refused(tmp_path, write):
    """A newer major version of the schema is neither read nor written; a newer minor one is read."""
    entry = write(tmp_path)
    path = tmp_path / entry_path(1)
    path.write_bytes(replace(entry, schema_version="2.9").to_json())
    assert Archive(tmp_path).ledger.head_number() == 1
    path.write_bytes(replace(entry, schema_version="3.0").to_json())

    with pytest.raises(NotAnArchive, match=r"found 3\.0; a newer stillwell"):
        Archive(tmp_path)
    with pytest.raises(NotAnArchive, match="a newer stillwell"):
        write(tmp_path)


@pytest.fixture
def revised(tmp_path, rows, write):
    """An archive in which a gauging was taken, corrected, and its first revision approved, a day apart."""
    moments = pd.date_range("2025-06-01T00:00Z", periods=3, freq="D").as_unit("us")
    for moment, revision, status in zip(moments, (1, 2, 1), ("provisional", "provisional", "approved"), strict=True):
        common = {"gauging_id": "alder.20250501T080000Z", "revision": revision, "recorded_at": moment}
        tables = {"gaugings": rows("gaugings", 1, status=status, **common)}
        if status == "provisional":
            tables["verticals"] = rows("verticals", 2, vertical=[1, 2], depth_m=float(revision), **common)
        write(tmp_path, tables=tables, now=lambda moment=moment: moment.to_pydatetime())
    return Archive(tmp_path), list(moments)


def test_the_standing_revision_now_and_as_of(revised):
    """A question as of a moment is answered with what had been recorded by then, that moment included."""
    archive, (first, second, third) = revised
    before = first - timedelta(microseconds=1)
    asked = {before: [], first: [1], second: [2], third - timedelta(seconds=1): [2], third: [1], None: [1]}

    for moment, revisions in asked.items():
        assert revisions == list(archive.at(moment).standing("gaugings")["revision"])
        depths = archive.at(moment).standing("verticals", ["alder"])["depth_m"]
        assert [float(r) for r in revisions for _ in range(2)] == list(depths)
    assert list(archive.standing("gaugings")["status"]) == ["approved"]
    assert len(archive.read("gaugings")) == 3


def test_a_gauging_corrected_to_another_site_stands_once(tmp_path, rows, write):
    """A question about either site knows all revisions, so a moved gauging stands at one site only."""
    name = "alder.20250501T080000Z.m1"
    for revision, site in ((1, "alder"), (2, "birch")):
        common = {"gauging_id": name, "revision": revision, "site": site}
        tables = {
            "gaugings": rows("gaugings", 1, status="provisional", **common),
            "verticals": rows("verticals", 1, **common),
        }
        write(tmp_path, tables=tables)
    archive = Archive(tmp_path)

    for table in ("gaugings", "verticals"):
        assert list(archive.standing(table, ["alder"])["revision"]) == []
        assert list(archive.standing(table, ["birch"])["revision"]) == [2]
        assert list(archive.standing(table)["revision"]) == [2]


def test_reading_writes_nothing(tmp_path, rows, deposit, write, monkeypatch):
    """A read-only folder is read whole, through no writing call, and no file or folder in it is touched."""
    one = deposit("a\n")
    write(tmp_path, one, tables={"sites": rows("sites")}, documents={"README.txt": b"hello"})
    before = {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*")}
    for path in [*before, tmp_path]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    for call in fields(fs.System):
        monkeypatch.setattr(fs.system, call.name, None)
    try:
        archive = Archive(tmp_path)
        archive.standing("sites")
        archive.document("README.txt")
        archive.sealed.read(one.digest)
        assert archive.sealed.verify() + archive.ledger.chain_faults() == []
    finally:
        for path in [tmp_path, *before]:
            path.chmod(0o755 if path.is_dir() else 0o644)

    assert before == {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*")}


def test_readers_need_no_lock(tmp_path, rows, write):
    """While a writer holds the archive a reader reads, and sees the last commit."""
    write(tmp_path, tables={"sites": rows("sites")})
    seen = []

    write(tmp_path, step=lambda name: seen.append(len(Archive(tmp_path).read("sites"))))

    assert {1} == set(seen)


def test_a_view_is_of_one_moment(tmp_path, rows, write):
    """What is committed later does not appear in a view already looked at; documents are given as now."""
    write(tmp_path, tables={"sites": rows("sites")}, replacing={"README.txt": b"old"})
    archive = Archive(tmp_path)
    archive.listing()
    write(tmp_path, tables={"sites": rows("sites", 1, revision=2)}, replacing={"README.txt": b"new"})

    assert len(archive.read("sites")) == 1
    assert archive.document("README.txt") == b"new"
    assert len(Archive(tmp_path).read("sites")) == 2


@pytest.mark.parametrize("damage", [b"hellp", b"", None])
def test_a_document_that_is_not_as_written_is_not_given_out(tmp_path, write, damage):
    """Changed, emptied or missing; and what no commit lists is not given out either."""
    write(tmp_path, documents={"README.txt": b"hello"})
    (tmp_path / "README.txt").unlink()
    if damage is not None:
        (tmp_path / "README.txt").write_bytes(damage)

    with pytest.raises(ArchiveDamaged, match=r"README\.txt"):
        Archive(tmp_path).document("README.txt")
    with pytest.raises(ArchiveError, match="lists"):
        Archive(tmp_path).document("schemas/none.json")


def test_a_missing_table_file_is_named(tmp_path, rows, write):
    """A listed file that is gone stops the reading."""
    entry = write(tmp_path, tables={"sites": rows("sites")})
    (tmp_path / entry.files[0].path).unlink()

    with pytest.raises(ArchiveDamaged, match=entry.files[0].path):
        Archive(tmp_path).read("sites")


def test_sealed_but_never_taken_is_not_known(tmp_path, deposit, write):
    """A deposit whose commit died after sealing must be taken when it comes again."""
    one = deposit("a\n")
    write(tmp_path)
    Archive(tmp_path).sealed.seal(
        [one], pd.Timestamp("2025-05-01T08:00Z").to_pydatetime(), "x", tmp_path / "work" / "s"
    )

    assert Archive(tmp_path).sealed.contains(one.digest)
    assert not Archive(tmp_path).has_deposit(one.digest)


def test_reading_imports_no_schemas(tmp_path, rows, write, schemas_of):
    """A reader of a described archive starts without pandera, which costs a second."""
    write(tmp_path, tables={"gaugings": rows("gaugings", 2)}, documents=schemas_of("gaugings", "sites"))
    script = (
        "import sys; from pathlib import Path; from stillwell.archive.archive import Archive\n"
        "a = Archive(Path(sys.argv[1])); a.standing('gaugings'); a.standing('sites')\n"
        "sys.exit('pandera' in sys.modules)"
    )

    assert subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=False).returncode == 0


def test_every_listed_digest_is_the_file_s(tmp_path, rows, write):
    """The ledger states sha256 and size of every file it lists."""
    tables = {name: rows(name) for name in ARCHIVE_TABLES}
    entry = write(tmp_path, tables=tables, documents={"README.txt": b"x"}, replacing={"netcdf/alder/a.nc": b"nc"})

    assert len(ARCHIVE_TABLES) + 2 == len(entry.files)
    for file in entry.files:
        data = (tmp_path / file.path).read_bytes()
        assert (len(data), sha256(data)) == (file.size, file.sha256)
    assert entry == Entry.from_json((tmp_path / entry_path(1)).read_bytes(), "")


def test_an_archive_is_not_taken_into_itself(tmp_path):
    """The archive, a part of it and a folder around it are refused, each by its name; a folder beside it is not."""
    root, beside = tmp_path / "all" / "archive", tmp_path / "all" / "season"
    places = {"the archive itself": root, "a part of it": root / "tables", "a folder that holds it": tmp_path / "all"}
    for folder in (root / "tables", beside):
        folder.mkdir(parents=True)
    refuse_itself(root, [beside])
    for words, place in places.items():
        with pytest.raises(DepositError, match=f"found {words}: {place}; nothing was taken"):
            refuse_itself(root, [beside, place])


def test_rows_of_a_site_are_read_in_the_order_recorded(tmp_path, rows, write):
    """Also where each commit wrote another site beside it: rows of one file come before those of a later commit."""
    moments = [pd.Timestamp("2025-06-01T00:00Z") + pd.Timedelta(days=i) for i in range(3)]
    for moment, other in zip(moments, ("cedar", "birch", "aspen-below"), strict=True):
        write(tmp_path, tables={"gaugings": rows("gaugings", 2, site=["aspen", other], recorded_at=moment)})
    read = Archive(tmp_path).read("gaugings", ["aspen"])
    assert read["recorded_at"].tolist() == moments
