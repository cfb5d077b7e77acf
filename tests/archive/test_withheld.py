"""Content that was decided to be withheld goes for good, wherever it lies and whenever the writer dies."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.sealed import Sealed, object_folder
from stillwell.archive.writing import tombstones
from stillwell.archive.writing.recovery import recover
from stillwell.archive.writing.tombstones import PLACE, complete, exchanged, withhold
from stillwell.errors import ArchiveDamaged

WHEN = datetime(2025, 5, 1, 8, tzinfo=UTC)
SECRET = "party,phone\nP1,not for others\n"


@pytest.fixture
def sealed(tmp_path, deposit):
    """Seal one deposit and return the archive's folder and the digest."""
    one = deposit(SECRET)
    Sealed(tmp_path).seal([one], WHEN, "tester", tmp_path / "work")
    return tmp_path, one.digest


def _holding(root):
    return [path for path in root.rglob("*") if path.is_file() and b"not for others" in path.read_bytes()]


def test_content_goes_from_its_place_and_from_what_was_put_aside(sealed):
    """A damaged copy that a repair put aside holds the same content: both go, and the decision stands there."""
    root, digest = sealed
    aside = root / "work" / "damaged" / "20250501T080000Z" / "sealed" / object_folder(digest) / "v1" / "content"
    aside.mkdir(parents=True)
    (aside / "season.csv").write_text(SECRET)
    assert len(_holding(root)) == 2
    withhold(root, digest, "decided", WHEN, "R1")
    assert _holding(root) == []
    assert Sealed(root).withheld(digest)
    tombstone = root / "sealed" / object_folder(digest) / "v1" / "content" / "withheld.json"
    assert json.loads(tombstone.read_bytes())["withheld_by_decision"] == "decided"


@pytest.mark.parametrize("between", [False, True])
def test_a_writer_finishes_what_another_began(sealed, monkeypatch, between):
    """Died before the tombstone took its place, or between the two renames: the next writer ends it."""
    root, digest = sealed
    with monkeypatch.context() as patch:
        patch.setattr(tombstones, "complete", lambda root: None)
        withhold(root, digest, "decided", WHEN, "R1")
    with pytest.raises(ArchiveDamaged, match=f"content of deposit {digest} be withheld, found none"):
        recover(root, Ledger(root))  # whose ledger knows no decision
    assert len(_holding(root)) == 1
    if between:
        (root / "sealed" / object_folder(digest)).rename(root / PLACE / digest / "old")
    assert exchanged(root) == [digest]
    assert len(_holding(root)) == 1
    complete(root)
    assert exchanged(root) == []
    assert _holding(root) == []
    assert Sealed(root).withheld(digest)
