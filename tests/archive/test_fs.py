"""Writing so that a crash leaves a file whole or absent."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from types import SimpleNamespace

import pytest

from stillwell.archive.disk import fs


def refuse(code):
    """Make a call that fails."""

    def call(*_):
        raise OSError(code, os.strerror(code))

    return call


def test_a_file_is_whole_and_leaves_nothing_beside_it(tmp_path):
    """The content is there under its name, in a folder made for it, and no temporary file stays."""
    fs.write_file(tmp_path / "a" / "b" / "c.txt", b"depth")

    assert (tmp_path / "a" / "b" / "c.txt").read_bytes() == b"depth"
    assert [p.name for p in (tmp_path / "a" / "b").iterdir()] == ["c.txt"]


def test_bytes_reach_the_disk_before_their_name_and_the_name_before_the_return(tmp_path, monkeypatch):
    """Order: fsync of the file, rename, fsync of the folder."""
    calls = []
    real = fs.System()

    def fsync(descriptor):
        calls.append("folder" if stat.S_ISDIR(os.fstat(descriptor).st_mode) else "file")
        real.fsync(descriptor)

    monkeypatch.setattr(fs.system, "fsync", fsync)
    monkeypatch.setattr(fs.system, "replace", lambda a, b: (calls.append("rename"), real.replace(a, b)))

    fs.write_files([(tmp_path / "a", b"1"), (tmp_path / "b", b"2")])

    assert calls == ["file", "file", "rename", "rename", "folder"]


@pytest.mark.parametrize("call", ["write", "fsync", "replace"])
def test_a_refusing_disk_leaves_the_old_file(tmp_path, monkeypatch, call):
    """What stood before still stands whole, and nothing half-written stays."""
    fs.write_file(tmp_path / "a", b"old")
    monkeypatch.setattr(fs.system, call, refuse(errno.ENOSPC))

    with pytest.raises(OSError, match="No space left"):
        fs.write_file(tmp_path / "a", b"new")

    assert (tmp_path / "a").read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


def test_an_exclusive_file_never_replaces(tmp_path):
    """A second file of the same name is refused and the first is untouched."""
    fs.create_exclusive(tmp_path / "1.json", b"first")

    with pytest.raises(FileExistsError):
        fs.create_exclusive(tmp_path / "1.json", b"second")

    assert (tmp_path / "1.json").read_bytes() == b"first"
    assert [p.name for p in tmp_path.iterdir()] == ["1.json"]


def test_an_exclusive_file_without_hard_links(tmp_path, monkeypatch):
    """Where the disk knows no hard links the file is still whole and still never replaces."""
    monkeypatch.setattr(fs.system, "link", refuse(errno.EPERM))
    fs.create_exclusive(tmp_path / "1.json", b"first")

    with pytest.raises(FileExistsError):
        fs.create_exclusive(tmp_path / "1.json", b"second")

    assert (tmp_path / "1.json").read_bytes() == b"first"
    assert [p.name for p in tmp_path.iterdir()] == ["1.json"]


def test_an_exclusive_file_on_a_refusing_disk(tmp_path, monkeypatch):
    """An error of the disk is passed on and leaves nothing."""
    monkeypatch.setattr(fs.system, "link", refuse(errno.EIO))

    with pytest.raises(OSError, match="Input/output error"):
        fs.create_exclusive(tmp_path / "1.json", b"first")

    assert list(tmp_path.iterdir()) == []


def test_a_folder_is_published_whole_or_refused(tmp_path):
    """A folder takes its final name at once, and never that of another that holds something."""
    fs.write_file(tmp_path / "made" / "x", b"1")
    fs.publish_folder(tmp_path / "made", tmp_path / "deep" / "final")
    fs.write_file(tmp_path / "made" / "x", b"2")

    with pytest.raises(OSError, match="not empty"):
        fs.publish_folder(tmp_path / "made", tmp_path / "deep" / "final")

    assert (tmp_path / "deep" / "final" / "x").read_bytes() == b"1"


def test_emptied_folders_go_and_others_stay(tmp_path):
    """Folders are removed upwards while empty, and never the one named as the end."""
    fs.make_folder(tmp_path / "a" / "b" / "c")
    fs.write_file(tmp_path / "a" / "kept", b"")

    fs.remove_empty_folders(tmp_path / "a" / "b" / "c", tmp_path)
    fs.remove_empty_folders(tmp_path / "never" / "there", tmp_path)

    assert sorted(p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*")) == ["a", "a/kept"]


def test_removing_what_is_not_there_is_no_error(tmp_path):
    """Sweeping twice is sweeping once."""
    fs.remove_files([tmp_path / "none", tmp_path / "no" / "folder"])
    fs.remove_tree(tmp_path / "none")

    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("release", "told"), [("5.7.19", False), ("5.8.0", True), ("5.10.1-x", True), ("6.1", True), ("4.19", False)]
)
def test_a_whole_filesystem_is_asked_only_where_the_kernel_tells_its_errors(monkeypatch, release, told):
    """Syncfs reports errors of writing back from Linux 5.8 on (man 2 syncfs); before, single files are asked."""
    monkeypatch.setattr(os, "uname", lambda: SimpleNamespace(sysname="Linux", release=release))
    assert (fs.System().syncfs is not None) == told
    monkeypatch.setattr(os, "uname", lambda: SimpleNamespace(sysname="Other", release=release))
    assert fs.System().syncfs is None


DISK = {
    "write_file": (lambda at: fs.write_file(at / "old" / "new", b""), {"old"}),
    "create_exclusive": (lambda at: fs.create_exclusive(at / "old" / "new", b""), {"old"}),
    "append_file": (lambda at: fs.append_file(at / "old" / "new", b""), {"old"}),
    "move_into_place": (lambda at: fs.move_into_place([(at / "old" / "a", at / "there" / "b")]), {"old", "there"}),
    "publish_folder": (lambda at: fs.publish_folder(at / "old" / "full", at / "there" / "b"), {"old", "there"}),
    "make_folder": (lambda at: fs.make_folder(at / "old" / "x" / "y"), {"old", "old/x"}),
    "remove_file": (lambda at: fs.remove_file(at / "old" / "a"), {"old"}),
    "remove_tree": (lambda at: fs.remove_tree(at / "old" / "full"), {"old"}),
    "remove_empty_folders": (lambda at: fs.remove_empty_folders(at / "old" / "empty" / "deep", at), {"old"}),
}
"""Each change of names on the disk, and the folders whose names it changes."""


@pytest.mark.parametrize("call", sorted(DISK))
def test_a_folder_whose_names_changed_is_synced_afterwards(tmp_path, monkeypatch, call):
    """Every folder in which a name was given or taken away is fsynced after the last such change (man 2 fsync)."""
    for folder in ("old/full", "old/empty/deep", "there"):
        (tmp_path / folder).mkdir(parents=True)
    for file in ("old/a", "old/full/b"):
        (tmp_path / file).write_bytes(b"")
    calls, real = [], fs.System()

    def noted(change):
        return lambda *paths: (calls.append(None), change(*paths))[1]

    def fsync(descriptor):
        calls.append(os.fstat(descriptor).st_ino)
        real.fsync(descriptor)

    for name in ("replace", "link", "mkdir", "rmdir"):
        monkeypatch.setattr(fs.system, name, noted(getattr(real, name)))
    monkeypatch.setattr(fs.system, "fsync", fsync)
    act, expected = DISK[call]
    act(tmp_path)
    last = max((i for i, number in enumerate(calls) if number is None), default=-1)
    assert {(tmp_path / folder).stat().st_ino for folder in expected} <= set(calls[last + 1 :])


def test_an_answer_replaces_nothing_and_goes_where_it_can(tmp_path):
    """A file that is there stays, a folder that is not there is named, a device takes what it is given."""
    there, missing = tmp_path / "answer.csv", tmp_path / "none" / "answer.csv"
    fs.write_answer(there, b"first")
    with pytest.raises(FileExistsError):
        fs.write_answer(there, b"second")
    with pytest.raises(FileNotFoundError) as refused:
        fs.write_answer(missing, b"first")
    fs.write_answer(Path(os.devnull), b"first")
    assert there.read_bytes() == b"first"
    assert refused.value.filename == str(missing)
    assert [p.name for p in tmp_path.iterdir()] == ["answer.csv"]


def test_a_pipe_takes_an_answer_as_it_comes(tmp_path):
    """Whoever reads a named pipe gets the bytes; no other file appears."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        fs.write_answer(pipe, b"depth")
        assert os.read(reader, 100) == b"depth"
    finally:
        os.close(reader)
    assert [p.name for p in tmp_path.iterdir()] == ["pipe"]
