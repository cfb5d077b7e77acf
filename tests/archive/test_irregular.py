"""Regular files only: links, pipes, empty folders and leftovers are named wherever they lie; rows are invented."""

from __future__ import annotations

import os
import shutil
import socket
from pathlib import Path

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.care.fixity import file_faults, ledger_faults, sealed_faults, strangers
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import INTENT
from stillwell.archive.sealed import object_folder
from stillwell.archive.writing.unfinished import unfinished_remarks
from stillwell.archive.writing.writer import open_writer
from stillwell.errors import ArchiveDamaged
from stillwell.pipeline.audit import audit
from stillwell.reading.select.files import selected_files
from stillwell.reading.select.sql import ask
from tests.archive.deaths import Death
from tests.pipeline.season import NOW, season


@pytest.fixture
def kept(tmp_path, write, rows, deposit):
    """Make a small archive of two commits."""
    root = tmp_path / "archive"
    tables = {"gaugings": rows("gaugings", 2, site=["alder", "birch"])}
    more = {"documents": {"provenance/1.json": b"{}"}, "replacing": {"README.txt": b"1", "netcdf/alder/a.nc": b"CDF"}}
    write(root, deposit({"a.csv": b"1\n", "b.csv": b"2\n"}), tables=tables, **more)
    write(root, deposit("second\n"), tables=tables)
    return root


def faults(root):
    """Collect the faults of all kinds."""
    archive = Archive(root)
    return ledger_faults(archive) or [*file_faults(archive), *sealed_faults(archive)]


def test_a_link_in_place_of_any_file_is_named_though_its_bytes_are_right(kept, tmp_path):
    """Every file of the archive in turn becomes a link to a true copy of itself elsewhere."""
    away = tmp_path / "away"
    files = sorted(p for p in kept.rglob("*") if p.is_file() and "work" not in p.relative_to(kept).parts)
    assert len(files) > 20
    for path in files:
        shutil.move(path, away)
        path.symlink_to(away)
        name = path.relative_to(kept).as_posix()
        assert any(name == fault.path and "a link" in fault.sentence for fault in faults(kept)), name
        path.unlink()
        shutil.move(away, path)
    assert faults(kept) == []


@pytest.mark.parametrize(
    "name", ["tables", "ledger", "sealed", "netcdf/alder", "provenance", "tables/gaugings/site=birch", "work"]
)
def test_a_link_in_place_of_a_folder_is_named(kept, tmp_path, name):
    """A folder that lies elsewhere is not the archive's, whatever it holds."""
    shutil.move(kept / name, tmp_path / "away")
    (kept / name).symlink_to(tmp_path / "away")
    assert any(fault.path == name and "a link" in fault.sentence for fault in faults(kept))


def test_a_link_in_place_of_a_folder_of_the_sealed_store_is_named(kept, tmp_path, deposit):
    """From the first folder of digits down to the folder of content."""
    path = kept / "sealed" / object_folder(deposit("second\n").digest)
    for folder in (path, path.parent, path.parent.parent.parent, path / "v1", path / "v1" / "content"):
        shutil.move(folder, tmp_path / "away")
        folder.symlink_to(tmp_path / "away")
        name = folder.relative_to(kept).as_posix()
        assert any(fault.path == name and "a link" in fault.sentence for fault in faults(kept)), name
        folder.unlink()
        shutil.move(tmp_path / "away", folder)
    assert faults(kept) == []


@pytest.mark.parametrize("folder", ["", "ledger", "tables/gaugings/site=alder", "sealed", "work/staging/00000003"])
@pytest.mark.parametrize("kind", ["pipe", "socket", "broken link"])
def test_a_pipe_a_socket_or_a_broken_link_is_named_and_not_waited_for(kept, folder, kind, monkeypatch):
    """Whatever lies among the files and is none."""
    (kept / folder).mkdir(parents=True, exist_ok=True)
    monkeypatch.chdir(kept / folder)
    if kind == "pipe":
        os.mkfifo("odd")
    elif kind == "socket":
        with socket.socket(socket.AF_UNIX) as made:
            made.bind("odd")
    else:
        Path("odd").symlink_to("nowhere")
    (fault,) = faults(kept)
    assert fault.path == f"{folder}/odd".lstrip("/")
    assert kind.rpartition(" ")[2] in fault.sentence


@pytest.mark.parametrize("which", ["table", "entry", "sealed", "inventory"])
def test_a_pipe_in_place_of_a_file_is_named_and_the_whole_audit_ends(tmp_path, which):
    """Nothing waits for what will never come."""
    root = season(tmp_path)
    places = {
        "table": next((root / "tables" / "gaugings").rglob("*.parquet")),
        "entry": root / "ledger" / "00000002.json",
        "sealed": next((root / "sealed").rglob("gaugings.csv")),
        "inventory": next((root / "sealed").rglob("inventory.json")),
    }
    path = places[which]
    path.unlink()
    os.mkfifo(path)
    found = audit(root, now=NOW()).faults
    assert any(f.path == path.relative_to(root).as_posix() and "a pipe" in f.sentence for f in found)


@pytest.mark.parametrize("kind", ["link", "pipe"])
def test_no_reader_follows_a_link_or_waits_for_a_pipe_in_place_of_a_table_file(tmp_path, kind):
    """Tables and questions say in words that the file is not as it was written."""
    root = season(tmp_path)
    for table, read in {
        "gaugings": lambda archive: archive.read("gaugings"),
        "findings": lambda archive: ask(archive, "SELECT count(*) FROM findings"),
        "points": lambda archive: selected_files(archive, "points", None),
    }.items():
        path = next((root / "tables" / table).rglob("*.parquet"))
        moved = path.rename(tmp_path / path.name)
        path.symlink_to(moved) if kind == "link" else os.mkfifo(path)
        with pytest.raises(ArchiveDamaged, match=path.name):
            read(Archive(root))
        path.unlink()
        moved.rename(path)


@pytest.mark.parametrize(
    "name", ["tables/new", "tables/gaugings/site=cedar", "returned", "ledger/old", "notes/a", "sealed/abc"]
)
def test_an_empty_folder_is_named(kept, name):
    """No commit makes one; one that held what a commit wrote has lost it."""
    (kept / name).mkdir(parents=True)
    assert [f.path for f in faults(kept)] == [name]
    assert all("an empty folder" in fault.sentence for fault in faults(kept))


def test_an_empty_folder_in_a_sealed_object_is_named(kept, deposit):
    """Also between sealed bytes."""
    digest = deposit("second\n").digest
    name = f"sealed/{object_folder(digest)}/v1/content/sub"
    (kept / name).mkdir()
    assert [fault.path for fault in faults(kept)] == [name]


@pytest.mark.parametrize(
    "name",
    ["tables/gaugings/site=alder/.x.parquet.part", ".README.txt.part", "ledger/.00000003.json.part", "sealed/.x.part"],
)
def test_a_leftover_that_no_writer_will_sweep_is_named(kept, name):
    """A hidden name that no intent speaks of stays for ever; so the audit says so."""
    (kept / name).write_bytes(b"half")
    assert [fault.path for fault in faults(kept)] == [name]


def test_what_a_crash_leaves_is_a_note_until_the_next_writer(kept, write, deposit, rows, monkeypatch):
    """A commit that dies while it writes leaves hidden names and empty folders: no fault, named, and swept."""

    def die():
        raise Death

    with monkeypatch.context() as patch:
        patch.setattr(fs.system, "replace", lambda a, b: die() if "site=cedar" in str(b) else a.replace(b))
        with pytest.raises(Death):
            write(kept, deposit("third\n"), tables={"gaugings": rows("gaugings", site="cedar")})
    assert list((kept / "tables").rglob("site=cedar/.*.part"))
    (kept / "tables" / "gaugings" / "site=cedar" / "deeper").mkdir()
    assert [f.path for f in faults(kept)] == ["tables/gaugings/site=cedar/deeper"]
    (kept / "tables" / "gaugings" / "site=cedar" / "deeper").rmdir()
    assert faults(kept) == []
    (remark,) = unfinished_remarks(Archive(kept))
    assert "commit 3" in remark
    (part,) = (kept / "tables").rglob("site=cedar/.*.part")
    part.unlink()
    assert faults(kept) == []
    with open_writer(kept, software_version="0", by="x"):
        pass
    assert faults(kept) == []
    assert unfinished_remarks(Archive(kept)) == []
    assert not (kept / "tables" / "gaugings" / "site=cedar").exists()


def test_without_its_intent_what_the_crash_left_is_a_fault(kept, write, deposit, rows, monkeypatch):
    """The intent alone explains a hidden name."""
    (kept / "tables" / "gaugings" / "site=alder" / ".y.parquet.part").write_bytes(b"")
    assert not (kept / INTENT).exists()
    assert [f.path for f in strangers(Archive(kept))] == ["tables/gaugings/site=alder/.y.parquet.part"]
