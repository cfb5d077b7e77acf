"""One commit: in order, alone, whole, and nothing written where something is wrong."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone

import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import checkpoint_path
from stillwell.archive.ledger import chain
from stillwell.archive.ledger.clock import RightClock
from stillwell.archive.writing.writer import STEPS, Commit, open_writer
from stillwell.errors import ArchiveDamaged, ArchiveError, ArchiveLocked, NotAnArchive
from stillwell.shared_types import RULES
from tests.archive.deaths import Death, dying_at

WHEN = datetime(2025, 5, 1, 8, tzinfo=UTC)


def test_the_steps_come_in_order(tmp_path, write):
    """Every named moment comes once, in the order named."""
    seen = []

    write(tmp_path, step=seen.append)

    assert list(STEPS) == seen


def test_the_first_writer_makes_the_folder(tmp_path, write, deposit):
    """An archive begins with its first commit; after it nothing is left in work but the lock."""
    root = tmp_path / "new" / "archive"

    write(root, deposit("a\n"))

    assert [p.name for p in (root / "work").iterdir()] == ["lock"]
    assert Archive(root).ledger.head_number() == 1


def test_nothing_is_made_where_nothing_may_be_made(tmp_path):
    """Without leave to create, a missing archive is refused and stays missing."""
    with (
        pytest.raises(NotAnArchive, match="nothing was written"),
        open_writer(tmp_path / "no", software_version="0", by="x", create=False),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_folder_of_other_things_is_left_alone(tmp_path, tree, write):
    """A writer never begins among somebody's files, nor in place of a file."""
    (tmp_path / "holiday.jpg").write_bytes(b"x")
    for place in (tmp_path, tmp_path / "holiday.jpg"):
        with pytest.raises(NotAnArchive, match="nothing was written"):
            write(place)
    assert [p.name for p in tmp_path.iterdir()] == ["holiday.jpg"]


def test_a_work_folder_alone_is_no_obstacle(tmp_path, write):
    """Others may keep their home in work before the first commit."""
    (tmp_path / "work" / "flows").mkdir(parents=True)

    assert write(tmp_path).number == 1
    assert (tmp_path / "work" / "flows").is_dir()


def test_an_archive_that_lost_its_ledger_is_not_begun_anew(tmp_path, write, deposit, tree):
    """Where tables or documents stand without any entry, a writer stops and changes nothing."""
    write(tmp_path, deposit("a\n"), documents={"README.txt": b"hello"})
    (tmp_path / "ledger" / "00000001.json").unlink()
    before = tree(tmp_path)

    with pytest.raises(ArchiveDamaged, match="expected a ledger beside README"):
        write(tmp_path)
    assert before == tree(tmp_path)


def test_two_writers_are_one_too_many(tmp_path, write, clock):
    """The second is told, and the first is not disturbed."""
    with open_writer(tmp_path, software_version="0", by="x", now=clock) as first:
        with pytest.raises(ArchiveLocked, match=f"process {os.getpid()}"):
            write(tmp_path, wait_s=0.2)
        first.commit(Commit())

    assert write(tmp_path).number == 2


def test_recorded_at_only_ever_grows(tmp_path, write):
    """A right clock that stands still or was set back gives a later moment all the same; another zone means UTC."""
    zone = timezone(timedelta(hours=-7))
    clocks = [WHEN, WHEN, WHEN - timedelta(days=400), (WHEN + timedelta(hours=1)).astimezone(zone)]
    moments = [write(tmp_path, now=RightClock(lambda now=now: now)).recorded_at for now in clocks]

    tick = timedelta(microseconds=1)
    assert [WHEN, WHEN + tick, WHEN + 2 * tick, WHEN + timedelta(hours=1)] == moments
    assert moments == [entry.recorded_at for entry in Archive(tmp_path).ledger.entries()]


def test_one_writer_commits_again(tmp_path, rows, clock, deposit):
    """After a commit the writer sees it, and stands ready for the next with a new number and moment."""
    with open_writer(tmp_path, software_version="0.1", by="tester", now=clock) as writer:
        assert (writer.number, len(writer.archive.read("sites"))) == (1, 0)
        first = writer.commit(Commit([deposit("a\n")], tables={"sites": rows("sites")}))
        assert (writer.number, len(writer.archive.read("sites"))) == (2, 1)
        assert writer.archive.has_deposit(deposit("a\n").digest)
        second = writer.commit(Commit(tables={"sites": rows("sites", revision=2)}))

    assert first.recorded_at < second.recorded_at
    assert len(Archive(tmp_path).read("sites")) == 2
    assert second.software == {"name": "stillwell", "version": "0.1", "rules": str(RULES)}
    assert Archive(tmp_path).ledger.chain_faults() == []


def test_the_entry_says_what_was_taken_in_the_order_handed_in(tmp_path, deposit, write):
    """Digest, name and kind of every deposit, with the caller's notes, in the order handed in."""
    handed = [deposit(text, f"{text}.csv") for text in "zay"]

    entry = write(tmp_path, *handed, counts={"new": 3})

    assert [d.digest for d in handed] == [note["deposit"] for note in entry.deposits]
    assert [(n["name"], n["kind"], n["outcome"]) for n in entry.deposits[:1]] == [("z.csv", "csv", "taken")]
    assert (entry.by, entry.reason, entry.counts) == ("tester", "test", {"new": 3})


def test_documents_that_did_not_change_are_not_listed_again(tmp_path, write):
    """Equal bytes write nothing; other bytes replace; a new document may not take a listed one's place."""
    write(tmp_path, documents={"README.txt": b"1"}, replacing={"netcdf/a.nc": b"1"})
    same = write(tmp_path, documents={"README.txt": b"1"}, replacing={"netcdf/a.nc": b"1"})
    other = write(tmp_path, replacing={"netcdf/a.nc": b"2", "schemas/x.json": b"{}"})

    assert () == same.files == same.moves
    assert ["netcdf/a.nc", "schemas/x.json"] == [file.path for file in other.files] == [m.final for m in other.moves]
    assert (tmp_path / "netcdf" / "a.nc").read_bytes() == b"2"
    with pytest.raises(ArchiveError, match=r"README\.txt: expected a new document"):
        write(tmp_path, documents={"README.txt": b"2"})


@pytest.mark.parametrize(
    "wrong",
    [
        {"documents": {"../outside.txt": b""}},
        {"replacing": {"ledger/00000001.json": b""}},
        {"documents": {"README.txt": b"1"}, "replacing": {"README.txt": b"2"}},
        {"tables": {"deposits": pd.DataFrame({"deposit": ["x"]})}},
        {"replaced": ["tables/none.parquet"]},
    ],
)
def test_a_commit_that_cannot_be_written_as_asked_writes_nothing(tmp_path, write, tree, deposit, wrong):
    """It is refused before the first byte, and the next commit goes its way."""
    write(tmp_path)
    before = tree(tmp_path)

    with pytest.raises(ArchiveError, match=r"nothing (was )?written"):
        write(tmp_path, deposit("a\n"), **wrong)

    assert before == tree(tmp_path)
    assert [p.name for p in (tmp_path / "work").iterdir()] == ["lock"]
    assert write(tmp_path).number == 2


def test_notes_on_strangers_are_refused(tmp_path, deposit):
    """A note must be on a deposit of the commit."""
    with (
        open_writer(tmp_path, software_version="0", by="x") as writer,
        pytest.raises(ArchiveError, match="abc"),
    ):
        writer.commit(Commit([deposit("a\n")], [{"deposit": "abc"}]))


def test_compaction_takes_files_off_the_list(tmp_path, rows, write):
    """New files stand for the replaced ones row for row; the old files stay on disk, unlisted."""
    for revision in (1, 2):
        write(tmp_path, tables={"sites": rows("sites", 1, revision=revision)})
    old = Archive(tmp_path).table_paths("sites")
    whole = Archive(tmp_path).read("sites")

    write(tmp_path, tables={"sites": whole}, replaced=old)

    archive = Archive(tmp_path)
    assert len(archive.table_paths("sites")) == 1
    pd.testing.assert_frame_equal(whole, archive.read("sites"))
    assert all((tmp_path / path).exists() for path in old)


def test_checkpoints_come_by_themselves(tmp_path, write, monkeypatch):
    """Every so many commits, and again by the next writer if one died before it."""
    monkeypatch.setattr(chain, "CHECKPOINT_EVERY", 2)

    write(tmp_path)
    with pytest.raises(Death):
        write(tmp_path, step=dying_at("moved"))
    missing = (tmp_path / checkpoint_path(2)).exists()
    write(tmp_path)

    assert (missing, (tmp_path / checkpoint_path(2)).exists()) == (False, True)
    assert Archive(tmp_path).ledger.chain_faults() == []


def test_a_full_disk_is_passed_on_and_the_next_commit_works(tmp_path, write, rows, deposit, monkeypatch):
    """An error of the disk in mid-commit leaves the archive as it was, for readers and the next writer."""
    write(tmp_path, tables={"sites": rows("sites")})
    budget = [4]
    real = fs.System()

    def fsync(descriptor):
        budget[0] -= 1
        if budget[0] < 0:
            raise OSError(28, "No space left on device")
        real.fsync(descriptor)

    with monkeypatch.context() as patch:
        patch.setattr(fs.system, "fsync", fsync)
        with pytest.raises(OSError, match="No space left"):
            write(tmp_path, deposit("a\n"), tables={"sites": rows("sites", revision=2)})

    assert len(Archive(tmp_path).read("sites")) == 1
    assert write(tmp_path, deposit("a\n"), tables={"sites": rows("sites", revision=2)}).number == 2
    assert len(Archive(tmp_path).read("sites")) == 2


def test_opening_looks_at_no_table_file(tmp_path, write, rows, monkeypatch):
    """A writer opens an archive of any size at the same cost: it lists neither tables nor sealed bytes."""
    write(tmp_path, tables={"sites": rows("sites", 3, site=["a", "b", "c"])})
    script = (
        "import sys\nfrom pathlib import Path\nfrom stillwell.archive.writing.writer import open_writer\nseen = []\n"
        "sys.addaudithook(lambda event, args: seen.append(str(args[0])) "
        "if event in ('open', 'os.listdir', 'os.scandir', 'glob.glob') else None)\n"
        "with open_writer(Path(sys.argv[1]), software_version='0', by='x'): pass\n"
        "inside = {s[len(sys.argv[1]):].split('/')[1] for s in seen if s.startswith(sys.argv[1] + '/')}\n"
        "print(*sorted(inside))"
    )
    said = subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=True, capture_output=True, text=True)

    assert said.stdout.strip() == "ledger work"
