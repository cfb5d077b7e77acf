"""A bag is a BagIt 1.0 bag (RFC 8493, read), whole at its place or not there; held against the independent library."""

from __future__ import annotations

import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import bagit
import pytest

from stillwell.archive.disk import fs
from stillwell.publishing.bag import in_manifest, new_bag, one_line
from stillwell.publishing.public import CannotPublish

KILLED = """
import os, signal, sys
from pathlib import Path
from stillwell.archive.disk import fs
from stillwell.publishing.bag import new_bag

left = [int(sys.argv[2])]

def replace(old, new):
    left[0] -= 1
    if not left[0]:
        os.kill(os.getpid(), signal.SIGKILL)
    os.replace(old, new)

fs.system.replace = replace
with new_bag(Path(sys.argv[1])) as bag:
    for n in range(2):
        bag.add(f"{n}.txt", b"text")
    bag.seal({})
"""
"""Renames: two files, six tag files, the bag."""


def _bag(out, files=(("a.txt", b"one"), ("b/c.txt", b"three"))):
    with new_bag(out) as bag:
        for path, data in files:
            bag.add(path, data)
        bag.seal({"Source-Organization": "An office\n(invented)", "Bagging-Date": "2026-03-01"})
    return out


def test_the_independent_library_finds_it_valid(tmp_path):
    """The library validates completeness, every digest, and reads the lines of bag-info.txt."""
    bag = bagit.Bag(str(_bag(tmp_path / "bag")))
    bag.validate()
    assert bag.version_info == (1, 0)
    assert sorted(bag.algorithms) == ["sha256", "sha512"]
    assert bag.info["Payload-Oxum"] == f"{len(b'one') + len(b'three')}.2"
    assert bag.info["Source-Organization"] == "An office (invented)"


def test_declaration_and_manifests_are_as_the_rfc_writes_them(tmp_path):
    """bagit.txt is two lines; a manifest line is digest, blanks and path with slashes (RFC 8493 2.1.1 and 2.1.3)."""
    out = _bag(tmp_path / "bag")
    assert (out / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    lines = (out / "manifest-sha256.txt").read_text().splitlines()
    assert [line.split("  ")[1] for line in lines] == ["data/a.txt", "data/b/c.txt"]
    # sha256 of b"one", by sha256sum
    assert lines[0].startswith("7692c3ad3540bb803c020b3aee66cd8887123234ea0c6e7143c0add73ff431ed ")


def test_per_cent_and_line_ends_in_paths_are_encoded():
    """Those characters and only those (RFC 8493 2.1.3)."""
    assert in_manifest("data/50%\r\nof it.txt") == "data/50%25%0D%0Aof it.txt"


@pytest.mark.parametrize("path", ["../a", "/a", "a//b", "a/../b", "", "a\nb", "50%", "a\\b", "a:b"])
def test_a_path_that_not_every_reader_takes_is_refused(tmp_path, path):
    """Nothing climbs out of the payload, and nothing is left behind."""
    with pytest.raises(CannotPublish, match="plain path"):
        _bag(tmp_path / "bag", [(path, b"")])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["folder", "file", "link"])
def test_what_is_there_stays_as_it_is(tmp_path, kind):
    """A bag never replaces or joins what has its name already."""
    out = tmp_path / "bag"
    {"folder": out.mkdir, "file": out.touch, "link": lambda: out.symlink_to("nowhere")}[kind]()
    with pytest.raises(CannotPublish, match="found one; nothing was written"):
        _bag(out)
    assert [p.name for p in tmp_path.iterdir()] == ["bag"]


def test_the_very_bag_that_is_there_is_left_as_it_is_and_told(tmp_path):
    """A publication given again, as after a power cut, ends well: not a byte of the bag is touched."""
    out = _bag(tmp_path / "bag")
    before = {path: (path.stat().st_ino, path.stat().st_mtime_ns) for path in out.rglob("*")}
    with new_bag(out) as bag:
        bag.add("a.txt", b"one")
        bag.add("b/c.txt", b"three")
        bag.seal({"Source-Organization": "An office\n(invented)", "Bagging-Date": "2026-03-01"})
    assert bag.stood
    assert before == {path: (path.stat().st_ino, path.stat().st_mtime_ns) for path in out.rglob("*")}
    assert [p.name for p in tmp_path.iterdir()] == ["bag"]


@pytest.mark.parametrize("what", ["changed", "more", "less", "link"])
def test_a_bag_that_differs_in_one_file_is_refused_and_left_as_it_is(tmp_path, what):
    """The refusal names the file."""
    out = _bag(tmp_path / "bag")
    file = out / "data" / ("new.txt" if what == "more" else "a.txt")
    if what in ("less", "link"):
        file.unlink()
    if what == "link":
        (tmp_path / "elsewhere").write_bytes(b"one")
        file.symlink_to(tmp_path / "elsewhere")
    elif what != "less":
        file.write_bytes(b"eno")
    before = {path.name for path in out.rglob("*")}
    with pytest.raises(CannotPublish, match=f"1 of .* files differ, such as data/{file.name}; it was left as it was"):
        _bag(out)
    assert before == {path.name for path in out.rglob("*")}
    assert not fs.temporary(out).exists()


def test_what_a_publication_under_another_name_left_is_named(tmp_path):
    """It is kept, since nobody but its publisher knows whether it is wanted; the same name clears it."""
    (fs.temporary(tmp_path / "other") / "data").mkdir(parents=True)
    (tmp_path / ".mine.part").write_bytes(b"no bag")
    with new_bag(tmp_path / "bag") as bag:
        bag.seal({})
    assert bag.cut_short == (".other.part",)
    with new_bag(tmp_path / "other") as bag:
        bag.seal({})
    assert bag.cut_short == ()
    assert sorted(p.name for p in tmp_path.iterdir()) == [".mine.part", "bag", "other"]


class _Failing:
    """A disk on which one call of fsync fails."""

    def __init__(self, at):
        self.at, self.calls = at, 0

    def __call__(self, descriptor):
        """Count, and fail when it is time."""
        self.calls += 1
        if self.calls == self.at:
            raise OSError(28, "No space left on device")


def test_a_failing_disk_leaves_nothing(tmp_path, monkeypatch):
    """At whichever fsync the disk fails, there is no bag and no scrap of one, and the next try works."""
    counting = _Failing(at=0)
    monkeypatch.setattr(fs.system, "fsync", counting)
    _bag(tmp_path / "whole")
    assert counting.calls > 10
    for at in range(1, counting.calls):
        (tmp_path / str(at)).mkdir()
        monkeypatch.setattr(fs.system, "fsync", _Failing(at))
        with pytest.raises(CannotPublish, match="No space left on device; nothing was published"):
            _bag(tmp_path / str(at) / "bag")
        left = [p.name for p in (tmp_path / str(at)).iterdir()]
        assert left == [], at
        bagit.Bag(str(_bag(tmp_path / str(at) / "bag"))).validate()


def test_a_disk_that_fails_after_the_rename_is_told_apart(tmp_path, monkeypatch):
    """When only the last fsync fails the bag is there, whole; the error says so, and that a crash may take it."""
    counting = _Failing(at=0)
    monkeypatch.setattr(fs.system, "fsync", counting)
    _bag(tmp_path / "first" / "bag")
    monkeypatch.setattr(fs.system, "fsync", _Failing(at=counting.calls))
    with pytest.raises(CannotPublish, match="it is there whole, but a crash may still take it"):
        _bag(tmp_path / "second" / "bag")
    bagit.Bag(str(tmp_path / "second" / "bag")).validate()


def test_of_two_at_once_one_publishes_and_the_other_is_refused(tmp_path):
    """Two threads that want one name: the bag that is there afterwards is whole, and only one was told it is theirs."""
    out = tmp_path / "bag"

    def attempt(word):
        try:
            return _bag(out, [(f"{word}{n}.txt", word.encode()) for n in range(20)])
        except CannotPublish:
            return None

    with ThreadPoolExecutor(max_workers=4) as pool:
        said = list(pool.map(attempt, "abcd"))
    assert said.count(out) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["bag"]
    bagit.Bag(str(out)).validate()
    assert {p.name[0] for p in (out / "data").iterdir()} == {"abcd"[said.index(out)]}


def test_what_a_killed_publish_left_is_swept(tmp_path):
    """Scraps under the temporary name are removed, not mixed in."""
    scraps = fs.temporary(tmp_path / "bag") / "data"
    scraps.mkdir(parents=True)
    (scraps / "old.txt").write_text("old")
    bagit.Bag(str(_bag(tmp_path / "bag"))).validate()
    assert [p.name for p in tmp_path.iterdir()] == ["bag"]
    assert not (tmp_path / "bag" / "data" / "old.txt").exists()


@pytest.mark.parametrize("at", [1, 5, 9])
def test_a_killed_process_leaves_no_bag_and_the_next_try_works(tmp_path, at):
    """A real process killed at a rename leaves nothing under the bag's name, and locks nobody out."""
    done = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path / "bag"), str(at)], check=False)
    assert done.returncode == -signal.SIGKILL
    assert not (tmp_path / "bag").exists()
    bagit.Bag(str(_bag(tmp_path / "bag"))).validate()
    assert [p.name for p in tmp_path.iterdir()] == ["bag"]


def test_a_bag_that_was_not_sealed_is_not_there(tmp_path):
    """Without its manifests a bag gets no name."""
    with new_bag(tmp_path / "bag") as bag:
        bag.add("a.txt", b"one")
    assert list(tmp_path.iterdir()) == []


def test_words_on_one_line():
    """Line ends, control characters and marks that turn the writing direction become blanks."""
    assert one_line("An\noffice\u202e of\x07 none ") == "An office of none"
