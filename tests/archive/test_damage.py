"""Whatever is done to one file of an archive is named, and a copy mends it; counted on the invented season."""

from __future__ import annotations

import json
import random
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.care.fixity import file_faults, ledger_faults, sealed_faults
from stillwell.archive.care.repair import repair
from stillwell.archive.care.replica import replicate
from stillwell.errors import StillwellError

SAMPLE = Path(__file__).resolve().parents[2] / "sample_archive" / "archive"
WAYS = ("flip", "cut", "grow", "empty", "remove", "swap", "add")
NOW = datetime(2026, 11, 1, tzinfo=UTC)


@pytest.fixture
def root(tmp_path):
    """Copy the archive of the invented season, to be damaged."""
    return shutil.copytree(SAMPLE, tmp_path / "archive")


def _kept(root):
    return sorted(p for p in root.rglob("*") if p.is_file() and "work" not in p.relative_to(root).parts)


def _faults(root):
    try:
        archive = Archive(root)
        return [*ledger_faults(archive), *file_faults(archive), *sealed_faults(archive)]
    except StillwellError as error:
        # a ledger that cannot be followed is refused in words that name the entry
        return [error]


def _hurt(draw, how, path, files):
    """Damage a file in some way; return the files that differ now and a step that undoes it."""
    data = path.read_bytes()
    place = draw.randrange(len(data)) if data else 0
    if how == "add":
        stranger = path.with_name(f"{path.stem}-copy{path.suffix}")
        stranger.write_bytes(data)
        return [stranger], stranger.unlink
    if how == "swap":
        other = draw.choice([one for one in files if one.read_bytes() != data])
        theirs = other.read_bytes()
        path.write_bytes(theirs)
        other.write_bytes(data)
        return [path, other], lambda: (path.write_bytes(data), other.write_bytes(theirs))
    bit = bytes([data[place] ^ 1 << draw.randrange(8)]) if data else b"x"
    changed = {"flip": data[:place] + bit + data[place + 1 :], "cut": data[:-1], "grow": data + b"\n", "empty": b""}
    path.unlink() if how == "remove" else path.write_bytes(changed[how])
    return [path], lambda: path.write_bytes(data)


def _named(root, path, faults):
    """Say whether a fault names the file, or what disagrees with it in the same object of the sealed store."""
    name = path.relative_to(root).as_posix()
    folder = name.rpartition("/")[0] if name.startswith("sealed/") else name
    said = [(getattr(fault, "path", ""), str(getattr(fault, "sentence", fault))) for fault in faults]
    return any(
        (path and name.startswith(path)) or name in sentence or folder in f"{path} {sentence}"
        for path, sentence in said
    )


@pytest.mark.parametrize("count", [70, pytest.param(7_000, marks=pytest.mark.soak)])
def test_one_file_damaged_in_any_way_is_named(root, count):
    """A bit flipped, a byte cut or added, a file emptied, removed, swapped or put beside: all of them are found.

    Nothing says that there was a newest entry once it is gone, but every file that it listed is named then.
    """
    draw, files = random.Random(count), _kept(root)
    newest = max(path for path in files if path.parent.name == "ledger")
    listed = [root / file["path"] for file in json.loads(newest.read_bytes())["files"]]
    assert listed
    before = {path: path.read_bytes() for path in files}
    found = dict.fromkeys(WAYS, 0)
    for number in range(count):
        how = WAYS[number % len(WAYS)]
        hurt, undo = _hurt(draw, how, draw.choice(files), files)
        faults = _faults(root)
        # what a damaged ledger lists can be judged once the ledger is mended, and not before
        first = [path for path in hurt if path.parent.name == "ledger" and how != "add"] or hurt
        first = listed if first == [newest] and how == "remove" else first
        unnamed = [path for path in first if not _named(root, path, faults)]
        assert not unnamed, (how, unnamed, faults)
        found[how] += 1
        undo()
    assert found == dict.fromkeys(WAYS, count // len(WAYS))
    assert before == {path: path.read_bytes() for path in _kept(root)}
    assert _faults(root) == []


@pytest.mark.parametrize("rounds", [2, pytest.param(100, marks=pytest.mark.soak)])
def test_what_is_damaged_in_many_files_at_once_a_copy_mends(root, tmp_path, rounds):
    """Twenty files of any kind, damaged at once, come back byte for byte, and nothing else is touched."""
    replicate(root, [tmp_path / "copy"], NOW)
    whole = [(path, path.read_bytes()) for path in _kept(root)]
    mended = 0
    for seed in range(rounds):
        draw = random.Random(seed)
        hurt = draw.sample([path for path, data in whole if data], 20)
        for path in hurt:
            _hurt(draw, draw.choice(("flip", "cut", "grow", "empty", "remove")), path, [])
        restored, hopeless = repair(root, tmp_path / "copy", NOW)
        assert hopeless == []
        assert set(restored) == {path.relative_to(root).as_posix() for path in hurt}
        mended += len(restored)
        assert whole == [(path, path.read_bytes()) for path in _kept(root)]
    assert mended == 20 * rounds
    assert _faults(root) == []
