"""Fixity names every file that is not as it was written, and nothing else. All rows and deposits are invented."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.care.fixity import file_faults, ledger_faults, sealed_faults, sealed_remarks
from stillwell.archive.care.repair import repair
from stillwell.archive.care.replica import replicate
from stillwell.archive.care.rolling_audit import next_part
from stillwell.archive.disk.layout import INTENT, LOCK
from stillwell.archive.sealed import Sealed, object_folder
from stillwell.archive.writing.recovery import Intent, declare
from stillwell.errors import ArchiveDamaged
from tests.archive.deaths import Death, dying_at

DOCUMENTS = {"provenance/00000001.prov.json": b"{}", "returned/00000001/reasons.json": b"[]"}
REPLACING = {"README.txt": b"first", "netcdf/alder/gaugings_2025.nc": b"CDF first", "schemas/x.json": b"{ }"}


@pytest.fixture
def kept(tmp_path, write, rows, deposit):
    """Make a small archive of two commits, the second of which replaces a document."""
    root = tmp_path / "archive"
    tables = {"gaugings": rows("gaugings", 2, site=["alder", "birch"])}
    write(root, deposit({"a.csv": b"1\n", "b.csv": b"2\n"}), tables=tables, documents=DOCUMENTS, replacing=REPLACING)
    write(root, deposit("second\n"), tables=tables, replacing={"README.txt": b"second"})
    return root


def faults(root):
    """Collect the faults of all kinds."""
    archive = Archive(root)
    return [*ledger_faults(archive), *file_faults(archive), *sealed_faults(archive)]


def flip(path, at):
    """Flip the lowest bit of one byte."""
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(data)


def test_a_sound_archive_has_no_fault_and_no_remark(kept):
    """What was written and left alone is as it was written."""
    assert faults(kept) == []
    assert sealed_remarks(Archive(kept)) == []


@pytest.mark.parametrize("at", [0, -1], ids=["first byte", "last byte"])
def test_a_flipped_bit_in_any_listed_file_names_just_that_file(kept, at):
    """The fault carries the path of the file, and no other file is blamed."""
    listed = sorted(Archive(kept).listing())
    assert len(listed) == 9
    for path in listed:
        before = (kept / path).read_bytes()
        flip(kept / path, at)
        found = file_faults(Archive(kept))
        assert [("file", path)] == [(f.kind, f.path) for f in found]
        assert Archive(kept).listing()[path].sha256 == found[0].details["expected sha256"]
        (kept / path).write_bytes(before)
    assert faults(kept) == []


def test_a_flipped_bit_in_any_ledger_entry_names_that_entry(kept):
    """The entry's own digest tells, before the chain does."""
    for number in (1, 2):
        path = f"ledger/{number:08d}.json"
        before = (kept / path).read_bytes()
        flip(kept / path, len(before) // 2)
        assert path in [f.path for f in Archive(kept).ledger.chain_faults()]
        (kept / path).write_bytes(before)


def test_a_flipped_bit_in_any_sealed_file_is_named(kept):
    """Content, declarations, inventories and their digests are all held against each other."""
    sealed = sorted(p for p in (kept / "sealed").rglob("*") if p.is_file())
    assert len(sealed) > 10
    for path in sealed:
        before = path.read_bytes()
        flip(path, 0)
        found = sealed_faults(Archive(kept))
        named = path.relative_to(kept).as_posix()
        assert found
        assert all(f.kind == "sealed" for f in found)
        # a damaged inventory is told by what disagrees with it, which lies in the same object
        folder = named.rsplit("/", 1)[0]
        assert any(named.startswith(f.path) or f.path.startswith(folder) for f in found), (named, found)
        path.write_bytes(before)


def test_a_file_cut_short_says_how_many_bytes_are_left(kept):
    """Size is told apart from content."""
    (kept / "README.txt").write_bytes(b"sec")
    (fault,) = file_faults(Archive(kept))
    assert (fault.path, "expected 6 bytes, found 3" in fault.sentence) == ("README.txt", True)


def test_a_missing_file_is_named(kept):
    """A file that is gone is a fault of its own."""
    (kept / "schemas" / "x.json").unlink()
    (fault,) = file_faults(Archive(kept))
    assert (fault.kind, fault.path) == ("file", "schemas/x.json")
    assert "found: No such file" in fault.sentence


@pytest.mark.parametrize(
    "path",
    [
        "tables/gaugings/site=alder/x.parquet",
        "tables/new/x.parquet",
        "netcdf/alder/x.nc",
        "provenance/9.json",
        "schemas/y.json",
        "returned/x",
    ],
)
def test_a_file_that_nothing_lists_is_named(kept, path):
    """Somebody's file among ours would be read by whoever reads whole folders."""
    (kept / path).parent.mkdir(parents=True, exist_ok=True)
    (kept / path).write_bytes(b"stranger")
    assert [path] == [f.path for f in file_faults(Archive(kept))]


def test_what_a_writer_is_writing_now_is_no_fault(kept, write, rows, deposit):
    """A commit that died before its entry leaves files that its intent names: they are swept later."""
    tables = {"gaugings": rows("gaugings", site="cedar")}
    with pytest.raises(Death):
        write(kept, deposit("third\n"), tables=tables, replacing={"README.txt": b"third"}, step=dying_at("staged"))
    assert (kept / INTENT).exists()
    assert list((kept / "tables").rglob("site=cedar/*.parquet"))
    assert faults(kept) == []
    (remark,) = sealed_remarks(Archive(kept))
    assert deposit("third\n").digest in remark


def test_without_its_intent_an_unlisted_table_file_is_a_fault(kept, write, rows, deposit):
    """The intent alone excuses the files of a commit that died."""
    with pytest.raises(Death):
        write(kept, deposit("third\n"), tables={"gaugings": rows("gaugings", site="cedar")}, step=dying_at("written"))
    (kept / INTENT).unlink()
    (fault,) = file_faults(Archive(kept))
    assert fault.path.startswith("tables/gaugings/site=cedar/")


def test_a_file_still_staged_after_the_commit_point_is_found_there(kept, write, deposit):
    """A commit whose entry stands is whole, also when its files were not moved into place."""
    with pytest.raises(Death):
        write(kept, deposit("third\n"), replacing={"README.txt": b"third"}, step=dying_at("committed"))
    assert (kept / "README.txt").read_bytes() == b"second"
    assert faults(kept) == []


@pytest.mark.parametrize("name", ["ledger/00000001.json", "../elsewhere.txt", "sealed/0=ocfl_1.1"])
def test_an_intent_that_names_what_no_commit_writes_removes_nothing(kept, write, name):
    """Somebody who may write in the work folder cannot have the next writer remove facts, or files elsewhere."""
    (kept.parent / "elsewhere.txt").write_text("kept")
    before = (kept / name).read_bytes()
    declare(kept, Intent(3, (name,), ()))

    assert [fault.path for fault in file_faults(Archive(kept))] == [INTENT]
    with pytest.raises(ArchiveDamaged, match="nothing was removed"):
        write(kept)
    assert (kept / name).read_bytes() == before


@pytest.mark.parametrize(
    "name",
    [
        "00000000.json",
        "checkpoints/00000000.json",
        "checkpoints/00000001.grown.json",
        "checkpoints/00000100.inputs.json",
    ],
)
def test_a_file_under_a_name_that_no_entry_or_checkpoint_has_is_named(kept, write, name):
    """Numbers begin with 1, and a checkpoint has parts only where one is due; no writer minds such a file."""
    (kept / "ledger" / name).parent.mkdir(exist_ok=True)
    (kept / "ledger" / name).write_text("{}")
    assert [fault.path for fault in faults(kept)] == [f"ledger/{name}"]
    assert write(kept).number == 3


@pytest.mark.parametrize("number", [1, 4, "damaged"])
def test_an_intent_that_no_writer_can_go_by_is_named_and_a_repair_puts_it_aside(kept, write, rows, tmp_path, number):
    """With it go the unlisted files of its commit; nothing listed is touched, and the next writer works."""
    replicate(kept, [tmp_path / "copy"], datetime(2025, 6, 1, tzinfo=UTC))
    orphan = kept / "tables" / "gaugings" / "00000003-0123456789ab.parquet"
    orphan.write_bytes(b"unlisted")
    declare(kept, Intent(number if number != "damaged" else 3, (orphan.relative_to(kept).as_posix(),), ()))
    if number == "damaged":
        flip(kept / INTENT, 20)

    assert INTENT in {fault.path for fault in file_faults(Archive(kept))}
    with pytest.raises(ArchiveDamaged, match=INTENT):
        write(kept)
    assert repair(kept, tmp_path / "copy", datetime(2025, 6, 2, tzinfo=UTC)) == ([], [])
    assert faults(kept) == []
    assert [path.read_bytes() for path in (kept / "work" / "damaged").rglob("*.parquet")] == [b"unlisted"]
    write(kept, tables={"gaugings": rows("gaugings")})
    assert faults(kept) == []


def test_a_damaged_intent_is_named(kept):
    """What a writer said it would write is held against its own digest too."""
    (kept / INTENT).write_bytes(b"{}")
    assert [f.path for f in file_faults(Archive(kept))] == [INTENT]


def test_a_commit_made_while_looking_is_no_fault(kept, write, deposit):
    """A reader that opened the archive before a commit may meet the newer bytes of a document."""
    early = Archive(kept)
    assert early.listing()["README.txt"].size == 6
    write(kept, deposit("third\n"), replacing={"README.txt": b"number three"}, documents={"provenance/3.json": b"{}"})
    assert file_faults(early) == []


def test_a_deposit_of_the_ledger_that_is_not_sealed_is_named(kept, deposit):
    """The facts a commit rests on must be there."""
    digest = deposit("second\n").digest
    shutil.rmtree(kept / "sealed" / object_folder(digest))
    found = sealed_faults(Archive(kept))
    assert any(object_folder(digest) in f.path and "found nothing" in f.sentence for f in found)
    assert all(f.kind == "sealed" for f in found)


def test_looking_writes_nothing(kept, tree):
    """Fixity is read-only, the lock included."""
    before, lock = tree(kept), (kept / LOCK).stat().st_mtime_ns
    faults(kept)
    assert before == tree(kept)
    assert lock == (kept / LOCK).stat().st_mtime_ns


@pytest.mark.parametrize("place", ["notes.txt", "old/notes.txt", "ledger/notes.txt", "ledger/00000002 copy.json"])
def test_a_file_that_no_commit_wrote_is_named_wherever_it_lies(kept, place):
    """Beside the README, in a folder of its own, beside the entries: it is named, also by an audit in parts."""
    path = kept / place
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(b"mine")
    assert [(f.kind, f.path) for f in faults(kept)] == [("file", place)]
    found, _, _ = next_part(Archive(kept), 1, datetime(2026, 11, 1, tzinfo=UTC))
    assert [fault.path for fault in found] == [place]


def test_an_entry_cut_off_the_end_of_the_ledger_is_told_by_what_it_listed(kept):
    """A chain does not tell that its last link is gone; the files that it listed do."""
    (kept / "ledger" / "00000002.json").unlink()
    assert any("commit 2, whose entry ledger/00000002.json is missing" in fault.sentence for fault in faults(kept))


def test_parts_go_round_as_far_as_the_budget_goes(kept):
    """A budget of just the first two objects looks at two, one byte less at one; then come those not looked at yet.

    What is found damaged keeps the moment it was last found good, and so is looked at first again.
    """
    when = [datetime(2026, 11, day, tzinfo=UTC) for day in range(1, 6)]
    digests = Sealed(kept).digests()
    size = {path: (kept / path).stat().st_size for path in Archive(kept).listing()}
    for digest in digests:
        place = kept / "sealed" / object_folder(digest)
        size[f"deposit {digest}"] = sum(path.stat().st_size for path in place.rglob("*") if path.is_file())
    first, second, *others = sorted(size)
    two, rest = size[first] + size[second], sum(size[name] for name in others)
    looked = {"objects looked at": 1, "bytes looked at": size[first], "objects in all": len(size)}
    assert next_part(Archive(kept), two - 1, when[0]) == ([], looked, "")
    assert next_part(Archive(kept), 0, when[1])[1]["bytes looked at"] == size[second]
    assert next_part(Archive(kept), rest, when[2])[1:] == (
        {"objects looked at": len(others), "bytes looked at": rest, "objects in all": len(size)},
        "2026-11-01T00:00:00.000000Z",
    )
    flip(kept / first, 0)
    (fault,), told, oldest = next_part(Archive(kept), two, when[3])
    assert (fault.path, told["objects looked at"], oldest) == (first, 2, "2026-11-01T00:00:00.000000Z")
    assert next_part(Archive(kept), 0, when[4])[1]["bytes looked at"] == size[first]
