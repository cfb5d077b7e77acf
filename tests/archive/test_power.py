"""Power lost at any call to the disk: what a commit reported done is there, and the next writer has a sound archive."""

from __future__ import annotations

import shutil

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.batches.compaction_plan import scattered
from stillwell.archive.care.fixity import file_faults, ledger_faults, sealed_faults
from stillwell.archive.disk import fs
from stillwell.archive.ledger import chain
from stillwell.archive.ledger.clock import RightClock
from stillwell.archive.writing.compact import compaction, sweep
from stillwell.archive.writing.writer import open_writer, utc_now
from tests.archive.power import Cuts, File, Folder, PowerDisk

EVERY = [pytest.param(1, marks=pytest.mark.soak), 9]
"""Calls from one cut to the next."""


def sound(root, *, swept):
    """Hold the disk against the ledger; when swept, nothing else may be there."""
    archive = Archive(root)
    assert [*ledger_faults(archive), *file_faults(archive), *sealed_faults(archive)] == []
    if not swept:
        return
    present = {p.relative_to(root).as_posix() for p in root.rglob("*") if p.is_file()}
    others = {p for p in present if p.split("/")[0] not in ("sealed", "ledger", "work")}
    assert set(archive.listing()) == others
    assert [p for p in sorted(present) if p.startswith("work/") or p.endswith(".part")] == ["work/lock"]
    assert [p for p in root.rglob("*") if p.is_dir() and not any(p.iterdir())] == []


def rows_seen(root):
    """Read every row, and every document."""
    archive = Archive(root)
    documents = {p: archive.document(p) for p, f in archive.listing().items() if not f.table}
    return documents, {name: archive.read(name).to_dict("records") for name in archive.tables()}


@pytest.fixture
def season(tmp_path, rows, deposit, write):
    """Write an archive with one commit, beside its folder an empty one; and say what the second would write."""
    top = tmp_path / "top"
    top.mkdir()
    tables = {"sites": rows("sites", 2, site=["alder", "birch"]), "reviews": rows("reviews")}
    write(top / "a", deposit("first\n"), tables=tables, replacing={"netcdf/alder/a.nc": b"1", "README.txt": b"1"})
    second = {
        "tables": {"sites": rows("sites", 2, site=["alder", "cedar"], revision=2)},
        "documents": {"provenance/2.json": b"{}"},
        "replacing": {"netcdf/alder/a.nc": b"2", "netcdf/cedar/c.nc": b"2"},
    }
    return top, (deposit("second\n"), deposit({"a/b": b"x"}, "folder")), second


@pytest.mark.parametrize("every", EVERY)
@pytest.mark.parametrize("whole", [False, True])
def test_a_commit(season, tmp_path, write, monkeypatch, whole, every):
    """Readers see the commit before or after, whole; once it was reported only the one after; the next commit works."""
    top, deposits, second = season
    if whole:
        monkeypatch.setattr(fs, "MANY", 3)
    before = rows_seen(top / "a")
    cuts = Cuts(tmp_path, monkeypatch, every=every, whole=whole)
    calls = cuts.of(top, lambda: write(top / "a", *deposits, **second))
    after = rows_seen(top / "a")
    seen = set()
    for number, place in cuts.places():
        head = Archive(place / "a").ledger.head_number()
        assert head == 2 or number < calls
        sound(place / "a", swept=False)
        assert rows_seen(place / "a") == (after if head == 2 else before)
        write(place / "a", *(() if head == 2 else deposits), **({} if head == 2 else second))
        sound(place / "a", swept=True)
        assert rows_seen(place / "a") == after
        assert all(Archive(place / "a").sealed.read(d.digest).files for d in deposits)
        seen.add(head)
    assert calls > (80 if whole else 90)
    assert seen == {1, 2}


@pytest.mark.parametrize("every", EVERY)
def test_the_first_commit_of_an_archive(tmp_path, rows, deposit, write, monkeypatch, every):
    """A first commit cut short is begun again by the next, whatever of it is on the disk."""
    (tmp_path / "top").mkdir()
    first = {"tables": {"sites": rows("sites", 2, site=["alder", "birch"])}, "documents": {"schemas/x.json": b"1"}}
    cuts = Cuts(tmp_path, monkeypatch, every=every)
    calls = cuts.of(tmp_path / "top", lambda: write(tmp_path / "top" / "a", deposit("first\n"), **first))
    for number, place in cuts.places():
        there = (place / "a" / "ledger" / "00000001.json").exists()
        assert there or number < calls
        write(place / "a", deposit("first\n"), **({} if there else first))
        sound(place / "a", swept=True)
    assert calls > 30


@pytest.mark.parametrize("every", EVERY)
def test_the_writer_that_cleans_up(season, tmp_path, write, monkeypatch, every):
    """Sweeping and finishing may lose power too; the writer after that does the rest."""
    top, deposits, second = season
    for step, head in (("written", 1), ("committed", 2)):
        left = tmp_path / step / "top"
        shutil.copytree(top, left)
        with pytest.raises(KeyboardInterrupt):
            write(left / "a", *deposits, step=_stop_at(step), **second)
        cuts = Cuts(tmp_path / step, monkeypatch, every=every)
        cuts.of(left, lambda left=left: _open(left / "a"))
        for _, place in cuts.places():
            assert Archive(place / "a").ledger.head_number() == head
            sound(place / "a", swept=False)
            _open(place / "a")
            sound(place / "a", swept=True)
        assert len(cuts.found) > 1


def _stop_at(step):
    def stop(name):
        if name == step:
            raise KeyboardInterrupt

    return stop


def _open(root):
    with open_writer(root, software_version="0", by="x"):
        pass


@pytest.mark.parametrize("every", EVERY)
def test_a_checkpoint(season, tmp_path, rows, write, monkeypatch, every):
    """A checkpoint is there with all its parts, or not at all, and is written by the next writer then."""
    top, _, _ = season
    monkeypatch.setattr(chain, "CHECKPOINT_EVERY", 2)
    cuts = Cuts(tmp_path, monkeypatch, every=every)
    cuts.of(top, lambda: write(top / "a", tables={"reviews": rows("reviews", revision=2)}))
    half = 0
    for _, place in cuts.places():
        sound(place / "a", swept=False)
        _open(place / "a")
        sound(place / "a", swept=True)
        if Archive(place / "a").ledger.head_number() == 2:
            half += 1
            there = sorted(p.name for p in (place / "a" / "ledger" / "checkpoints").iterdir())
            assert there == ["00000002.grown.json", "00000002.inputs.json", "00000002.json"]
    assert half > 0


@pytest.mark.parametrize("every", EVERY)
def test_a_compaction_and_its_sweep(season, tmp_path, rows, write, monkeypatch, every):
    """The same rows are there before, after and between; what was swept is not listed."""
    top, _, _ = season
    root = top / "a"
    for revision in (2, 3):
        write(root, tables={"sites": rows("sites", 2, site=["alder", "birch"], revision=revision)})
    before = rows_seen(root)[1]["sites"]

    def work():
        with open_writer(root, software_version="0", by="x", now=RightClock(utc_now)) as writer:
            entry = writer.commit(compaction(writer.archive, scattered(writer.archive, 1), {}))
            sweep(writer, writer.recorded_at)
        assert entry.number == 4
        assert {file.sites for file in entry.files if file.table == "sites"} == {("alder", "birch")}

    cuts = Cuts(tmp_path, monkeypatch, every=every)
    calls = cuts.of(top, work)
    for number, place in cuts.places():
        assert Archive(place / "a").ledger.head_number() == 4 or number < calls
        sound(place / "a", swept=False)
        found = rows_seen(place / "a")[1]["sites"]
        assert sorted(map(str, found)) == sorted(map(str, before))
        _open(place / "a")
        sound(place / "a", swept=False)


def test_what_was_not_synced_may_be_gone(tmp_path, monkeypatch):
    """The double itself: bytes, names and renames outlast a cut exactly when they were synced."""
    top = tmp_path / "top"
    top.mkdir()
    (top / "b").write_bytes(b"old")
    disk = PowerDisk(monkeypatch, top)
    with (top / "a").open("wb") as handle:
        fs.system.write(handle, b"new")
        handle.flush()
        assert disk.after_a_cut(None) == {"b": b"old"}
        assert disk.after_a_cut(-1) == {"a": b"", "b": b"old"}
        fs.system.fsync(handle.fileno())
    assert disk.after_a_cut(None) == {"b": b"old"}
    assert disk.after_a_cut(-1) == {"a": b"new", "b": b"old"}
    fs.system.mkdir(top / "d")
    fs.system.replace(top / "a", top / "d" / "a")
    fs.sync_folders([top])
    # the old name waits for the new one, which nobody synced
    assert disk.after_a_cut(None) == {"a": b"new", "b": b"old", "d": None}
    drawn = [disk.after_a_cut(seed) for seed in range(20)]
    assert {("a" in one, "d/a" in one) for one in drawn} == {(True, False), (True, True), (False, True)}
    fs.sync_folders([top / "d"])
    assert disk.after_a_cut(None) == {"b": b"old", "d": None, "d/a": b"new"}
    assert isinstance(disk.root, Folder)
    assert isinstance(disk.root.now("b"), File)


@pytest.mark.parametrize(
    "where", ["move_into_place", "publish_folders", "create_exclusive", "write_files", "make_folders"]
)
def test_a_fsync_left_out_is_noticed(season, tmp_path, write, monkeypatch, where):
    """With the fsync of folders left out of any one function of the door, a reported commit is lost or damaged."""
    top, deposits, second = season
    real = getattr(fs, where)

    def without(*args, **more):
        with monkeypatch.context() as patch:
            patch.setattr(fs, "sync_folders", lambda paths: None)
            return real(*args, **more)

    monkeypatch.setattr(fs, where, without)
    cuts = Cuts(tmp_path, monkeypatch, (None,), every=5)
    calls = cuts.of(top, lambda: write(top / "a", *deposits, **second))
    lost = 0
    for number, place in cuts.places():
        try:
            assert Archive(place / "a").ledger.head_number() == 2 or number < calls
            sound(place / "a", swept=False)
        except (AssertionError, OSError):
            lost += 1
    assert lost
