"""An archive made again from sealed bytes and ledger alone."""

from __future__ import annotations

import shutil
from dataclasses import replace

import pytest

from stillwell.archive.archive import Archive
from stillwell.errors import ArchiveError
from stillwell.pipeline.audit import audit
from stillwell.pipeline.ingest import compact, decide
from stillwell.pipeline.rebuild import rebuild
from stillwell.pipeline.withhold import withhold
from tests.pipeline.season import NOW, season, sheets, take

ID = "S1.20250501T100000Z.M1"


@pytest.fixture(scope="module")
def once_long(tmp_path_factory):
    """Make an archive with revisions, a review, and a compaction."""
    tmp_path = tmp_path_factory.mktemp("long")
    root = season(tmp_path)
    take(root, sheets(tmp_path / "more", "3", "4"))
    take(root, sheets(tmp_path / "revised", "2", velocity=0.5))
    decide(root, "reviews", [{"subject": ID, "decision": "approved", "reason": "looked at"}], by="R1", now=NOW)
    compact(root, most=1, by="T1", now=NOW)
    take(root, sheets(tmp_path / "last", "9"))
    return root


@pytest.fixture
def long(once_long, tmp_path):
    """Copy that archive."""
    return shutil.copytree(once_long, tmp_path / "archive")


def test_everything_follows_from_sealed_and_ledger(long, tmp_path):
    """With nothing but both, every file gets the digest the ledger lists, and every entry its bytes."""
    root = long
    ingests = ["ingest", "ingest", "render", "ingest", "render", "ingest", "render", "ingest", "render"]
    reasons = [entry.reason for entry in Archive(root).ledger.entries()]
    assert reasons == [*ingests, "compaction", "ingest", "render"]
    bare = tmp_path / "bare"
    bare.mkdir()
    for name in ("sealed", "ledger"):
        shutil.copytree(root / name, bare / name)
    made = rebuild(bare, tmp_path / "again")
    assert (made.commits, made.different, made.carried, made.left_out) == (12, (), (), 0)
    for path in sorted((root / "ledger").glob("*.json")):
        assert path.read_bytes() == (tmp_path / "again" / "ledger" / path.name).read_bytes()
    assert Archive(root).listing() == Archive(tmp_path / "again").listing()


@pytest.mark.soak
def test_a_changed_digest_in_the_ledger_is_named(long, tmp_path):
    """What cannot be made again as listed is named with its commit."""
    root = long
    again = tmp_path / "again"
    rebuild(root, again)
    listed = next(f.path for f in Archive(root).ledger.entry(4).files if f.table == "gaugings")
    honest = Archive(root).ledger.entry(4)
    lied = [f if f.path != listed else replace(f, sha256="0" * 64) for f in honest.files]
    assert [f.path for f in lied if f.sha256 == "0" * 64] == [listed]
    (root / "ledger" / "00000004.json").write_bytes(type(honest)(**(vars(honest) | {"files": tuple(lied)})).to_json())
    for number in range(5, 13):
        (root / "ledger" / f"{number:08d}.json").unlink()
    assert rebuild(root, tmp_path / "third").different == (f"commit 4: {listed}",)


def test_commits_that_rest_on_withheld_content_are_carried_over(long, tmp_path):
    """Rows that cannot be computed again are taken over, and said to be; all digests still fit."""
    root = long
    digest = Archive(root).ledger.entry(4).deposits[0]["deposit"]
    withhold(root, digest, by="R1", reason="the law", now=NOW)
    made = rebuild(root, tmp_path / "again")
    assert (made.different, made.carried) == ((), (4,))


def test_a_folder_with_something_in_it_is_refused(tmp_path):
    """Nothing is written over anything."""
    root = season(tmp_path)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "note.txt").write_text("mine")
    with pytest.raises(ArchiveError, match="empty folder"):
        rebuild(root, tmp_path / "full")
    assert [p.name for p in (tmp_path / "full").iterdir()] == ["note.txt"]


def test_a_rebuilding_that_stands_is_proved_by_its_digests_and_left_as_it_is(tmp_path):
    """Given again, as after a power cut, it ends well; a damaged file or another chain in the folder is refused."""
    root, into = season(tmp_path), tmp_path / "again"
    made = rebuild(root, into)
    before = {path: path.stat().st_mtime_ns for path in into.rglob("*")}
    assert rebuild(root, into) == replace(made, stood=True)
    assert rebuild(root, into, start_over=True).stood
    assert before == {path: path.stat().st_mtime_ns for path in into.rglob("*")}
    table = next((into / "tables").rglob("*.parquet"))
    data = table.read_bytes()
    table.write_bytes(data + b"x")
    with pytest.raises(ArchiveError, match=f"{table.name} is damaged"):
        rebuild(root, into)
    table.write_bytes(data)
    take(root, sheets(tmp_path / "later", "9"))
    with pytest.raises(ArchiveError, match="empty folder"):
        rebuild(root, into)


class Cut(BaseException):
    """The process is gone."""


def test_a_rebuilding_cut_short_is_cleared_by_a_word_of_its_own(tmp_path):
    """It is refused as it is, begun again with ``start_over``, and nothing but a rebuilding is ever cleared."""
    root, into = season(tmp_path), tmp_path / "again"

    def cut(step, done, total):
        if done == 1:
            raise Cut

    with pytest.raises(Cut):
        rebuild(root, into, cut)
    with pytest.raises(ArchiveError, match="cut short; --start-over clears it"):
        rebuild(root, into)
    assert rebuild(root, into, start_over=True).different == ()
    assert Archive(root).listing() == Archive(into).listing()
    assert audit(into).faults == ()

    with pytest.raises(Cut):
        rebuild(root, tmp_path / "other", cut)
    take(tmp_path / "other", sheets(tmp_path / "own", "9", velocity=0.7))
    with pytest.raises(ArchiveError, match="something else in it; it was left alone"):
        rebuild(root, tmp_path / "other", start_over=True)
    assert [entry.reason for entry in Archive(tmp_path / "other").ledger.entries()] == ["ingest", "ingest", "render"]
