"""A repair puts aside what no commit wrote, and what a repair that died left is finished by the next."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from dataclasses import fields
from datetime import UTC, datetime

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.care.fixity import file_faults, ledger_faults, opened, sealed_faults
from stillwell.archive.care.repair import plan_repair, repair
from stillwell.archive.care.replica import replicate
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import INTENT, entry_path
from stillwell.archive.sealed import Sealed, object_folder
from stillwell.archive.writing.unfinished import unfinished_remarks
from tests.archive.deaths import Death, dying_at

NOW = datetime(2025, 6, 1, tzinfo=UTC)


@pytest.fixture
def pair(tmp_path, write, rows, deposit):
    """Make an archive of three commits and a copy of it."""
    root = tmp_path / "archive"
    for number in range(1, 4):
        tables = {"gaugings": rows("gaugings", 2, site=["alder", "birch"])}
        write(root, deposit(f"{number}\n"), tables=tables, replacing={"README.txt": f"{number}".encode()})
    replicate(root, [tmp_path / "copy"], NOW)
    return root, tmp_path / "copy"


def faults(root):
    """Collect the faults of all kinds."""
    archive = Archive(root)
    return [*ledger_faults(archive), *file_faults(archive), *sealed_faults(archive)]


@pytest.mark.parametrize("number", [1, 2, 3])
def test_an_entry_renamed_to_number_0_comes_back_whole(pair, tree, number):
    """Under its own number it is restored; under the number that no entry has it goes aside."""
    root, copy = pair
    (root / entry_path(number)).rename(root / entry_path(0))
    gone = []
    assert repair(root, copy, NOW, aside=gone.append) == ([entry_path(number)], [])
    assert gone == [entry_path(0)]
    assert tree(root) == tree(copy)
    assert faults(root) == []


FILES = [
    "notes.txt",
    "ledger/notes.txt",
    "ledger/.00000002.json.part",
    "ledger/checkpoints/00000001.grown.json",
    "tables/gaugings/site=alder/00000002-0123456789ab.parquet",
    "tables/gaugings/site=alder/.x.parquet.part",
    "netcdf/elsewhere/gaugings.nc",
    "sealed/abc/stray.txt",
    "sealed/.x.part",
]


@pytest.mark.parametrize("name", FILES)
def test_a_file_that_no_commit_wrote_is_put_aside_and_kept(pair, tree, name):
    """The audit names it; after the repair it lies in the work folder and nothing is named."""
    root, copy = pair
    (root / name).parent.mkdir(parents=True, exist_ok=True)
    (root / name).write_bytes(b"stray")
    assert [fault.path for fault in faults(root)] == [name]
    assert plan_repair(root, copy).aside == (name,)
    assert repair(root, copy, NOW) == ([], [])
    (kept,) = (path for path in (root / "work" / "damaged").rglob("*") if path.is_file())
    assert (kept.read_bytes(), kept.as_posix().endswith(name)) == (b"stray", True)
    assert tree(root) == tree(copy)
    assert faults(root) == []


@pytest.mark.parametrize("name", ["tables/new", "tables/gaugings/site=cedar", "returned", "notes/a", "sealed/abc"])
def test_an_empty_folder_that_no_commit_explains_is_put_aside(pair, name):
    """As a repair leaves one that died after it had emptied it."""
    root, copy = pair
    (root / name).mkdir(parents=True)
    assert [fault.path for fault in faults(root)] == [name]
    repair(root, copy, NOW)
    assert not (root / name).exists()
    assert faults(root) == []


@pytest.mark.parametrize("name", ["tables/pipe", "ledger/00000000.json", "pipe", "work/pipe"])
def test_a_pipe_or_a_link_where_nothing_belongs_is_put_aside(pair, tmp_path, name):
    """It is moved as it is: neither read nor followed."""
    root, copy = pair
    for make in (os.mkfifo, lambda path: path.symlink_to(tmp_path)):
        make(root / name)
        assert [fault.path for fault in faults(root)] == [name]
        repair(root, copy, datetime.now(UTC))
        assert not os.path.lexists(root / name)
        assert faults(root) == []


def test_a_folder_that_is_empty_only_until_its_file_is_restored_stays(pair, tree):
    """The files that declare the sealed store come from the software, into folders that lost them."""
    root, copy = pair
    (lost,) = (root / "sealed" / "extensions").rglob("*.json")
    lost.unlink()
    assert repair(root, copy, NOW) == ([lost.relative_to(root).as_posix()], [])
    assert tree(root) == tree(copy)
    assert faults(root) == []


@pytest.mark.parametrize("number", [2, 100])
def test_what_is_called_a_checkpoint_and_is_none_is_put_aside(pair, write, deposit, number):
    """It would make a ledger of three entries look as if it had lost those up to its number, and stop every writer."""
    root, copy = pair
    place = root / "ledger" / "checkpoints" / f"{number:08d}.json"
    place.parent.mkdir(exist_ok=True)
    shutil.copyfile(root / entry_path(2), place)
    assert ledger_faults(opened(root)) != []
    repair(root, copy, NOW)
    assert not place.exists()
    assert faults(root) == []
    assert write(root, deposit("4\n")).number == 4


def test_a_checkpoint_that_tells_of_missing_entries_stays(pair, write, deposit, monkeypatch):
    """An older copy has none of them; that there were more is not forgotten."""
    root, copy = pair
    monkeypatch.setattr("stillwell.archive.ledger.chain.CHECKPOINT_EVERY", 5)
    for number in (4, 5):
        write(root, deposit(f"{number}\n"))
    for number in (4, 5):
        (root / entry_path(number)).unlink()
    repair(root, copy, NOW)
    assert [fault.path for fault in ledger_faults(opened(root))][:2] == [entry_path(4), entry_path(5)]


@pytest.mark.parametrize("name", ["tables", "sealed", "ledger", "work"])
def test_a_file_in_place_of_a_folder_makes_room_for_it(pair, tree, name):
    """It goes aside, and the folder comes back with all that the copy holds."""
    root, copy = pair
    shutil.rmtree(root / name)
    (root / name).write_bytes(b"no folder")
    repair(root, copy, NOW)
    assert tree(root) == tree(copy)
    assert faults(root) == []
    kept = [path.read_bytes() for path in (root / "work" / "damaged").rglob("*") if path.is_file()]
    assert b"no folder" in kept


@pytest.mark.parametrize("name", ["work", "work/lock"])
@pytest.mark.parametrize("kind", ["link", "pipe"])
def test_what_stands_in_place_of_the_lock_or_its_folder_is_put_aside(pair, write, deposit, tmp_path, name, kind):
    """No writer can hold such a lock, so nobody is at work; the next writer has a lock again."""
    root, copy = pair
    (root / name).rename(tmp_path / "away")
    os.mkfifo(root / name) if kind == "pipe" else (root / name).symlink_to(tmp_path / "away")
    assert name in [fault.path for fault in faults(root)]
    repair(root, copy, NOW)
    assert faults(root) == []
    assert write(root, deposit("4\n")).number == 4


def test_what_the_next_writer_finishes_is_left_to_it(pair, write, rows, deposit):
    """Files of a commit that died are of its intent, and no repair puts them aside."""
    root, copy = pair
    with pytest.raises(Death):
        write(root, deposit("4\n"), tables={"gaugings": rows("gaugings", 1, site="cedar")}, step=dying_at("written"))
    assert (root / INTENT).exists()
    assert plan_repair(root, copy).aside == ()
    assert repair(root, copy, NOW) == ([], [])
    assert len(unfinished_remarks(Archive(root))) == 1
    write(root, deposit("4\n"), tables={"gaugings": rows("gaugings", 1, site="cedar")})
    assert faults(root) == []


def test_files_of_a_commit_whose_entry_is_missing_wait_for_a_copy_that_has_it(pair, tmp_path, tree, write, deposit):
    """An older copy cannot know them; a newer one brings the entry back, and they are its files."""
    root, copy = pair
    write(root, deposit("4\n"), replacing={"returned/four.json": b"4"}, documents={"provenance/4.json": b"4"})
    shutil.copytree(root, tmp_path / "newer")
    (root / entry_path(4)).unlink()
    (root / "tables" / "gaugings" / "00000004-0123456789ab.parquet").write_bytes(b"of commit 4")
    assert "tables/gaugings/00000004-0123456789ab.parquet" not in plan_repair(root, copy).aside
    repair(root, tmp_path / "newer", NOW)
    assert Archive(root).ledger.head_number() == 4


def _dying_after(patch, calls):
    """Let the disk take so many more calls, then die at each."""
    left = [calls]

    def dying(call):
        def made(*args):
            left[0] -= 1
            if left[0] < 0:
                raise Death
            return call(*args)

        return made

    for one in fields(fs.system):
        if (call := getattr(fs.system, one.name)) is not None:
            patch.setattr(fs.system, one.name, dying(call))
    return left


def _hurt(root):
    """Damage, remove and add: an entry, a table, a whole sealed object, a stray file alone in its folder."""
    (root / entry_path(2)).rename(root / entry_path(0))
    table = next((root / "tables").rglob("*.parquet"))
    table.write_bytes(b"damaged")
    shutil.rmtree(root / "sealed" / object_folder(Sealed(root).digests()[0]).split("/")[0])
    (root / "notes" / "deep").mkdir(parents=True)
    (root / "notes" / "deep" / "stray.txt").write_bytes(b"stray")


@pytest.mark.parametrize("every", [5, pytest.param(1, marks=pytest.mark.soak)])
def test_a_repair_that_died_at_any_call_is_finished_by_the_next(pair, tree, tmp_path, every):
    """However far it came, the same repair given again leaves the archive as the copy is, and nothing to name."""
    root, copy = pair
    _hurt(root)
    calls = 0
    while True:
        trial = shutil.copytree(root, tmp_path / "trial")
        with pytest.MonkeyPatch.context() as patch:
            left = _dying_after(patch, calls)
            with suppress(Death):
                repair(trial, copy, NOW)
        done = left[0] >= 0
        repair(trial, copy, datetime.now(UTC))
        assert tree(trial) == tree(copy), calls
        assert faults(trial) == [], calls
        shutil.rmtree(trial)
        if done:
            break
        calls += every
    assert calls > 20
