"""Copies, repair, compaction and withholding, on archives as an ingest makes them."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from pathlib import Path

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.care.repair import repair
from stillwell.archive.care.replica import replicate
from stillwell.archive.disk import fs
from stillwell.archive.sealed import Sealed, object_folder
from stillwell.archive.writing import tombstones
from stillwell.archive.writing.writer import open_writer
from stillwell.errors import ArchiveError, DepositError, Withheld
from stillwell.pipeline.audit import audit, audit_part
from stillwell.pipeline.ingest import compact, decide
from stillwell.pipeline.withhold import withhold
from stillwell.reading.select.sql import ask
from tests.pipeline.season import NOW, season, sheets, take

TABLES = ("gaugings", "verticals", "points", "findings", "gauge_heights", "reviews", "uncertainty_budget")


def _files(root: Path) -> list[Path]:
    """List what an archive must keep: all but its work folder."""
    return sorted(p for p in root.rglob("*") if p.is_file() and "work" not in p.relative_to(root).parts)


def test_a_copy_is_the_archive_byte_for_byte(tmp_path):
    """A fresh copy holds the same files and passes the audit; a second run writes nothing."""
    root, copy = season(tmp_path), tmp_path / "copy"
    first = replicate(root, [copy], NOW())
    assert first.short() == []
    assert [(p.relative_to(root), p.read_bytes()) for p in _files(root)] == [
        (p.relative_to(copy), p.read_bytes()) for p in _files(copy)
    ]
    assert audit(copy).faults == ()
    assert replicate(root, [copy], NOW()).written == {str(copy): 0}


def test_copies_are_counted_and_a_bad_one_is_mended(tmp_path):
    """Each object has as many good copies as folders hold it whole; a damaged copy is written again."""
    root, one, two = season(tmp_path), tmp_path / "one", tmp_path / "two"
    replicate(root, [one, two], NOW())
    path = next(p for p in Archive(root).listing() if p.endswith(".parquet"))
    (one / path).write_bytes(b"damaged")
    again = replicate(root, [one, two], NOW())
    assert again.written == {str(one): 1, str(two): 0}
    assert set(again.counts()) == {3}


def test_damage_in_the_archive_never_reaches_the_last_good_copy(tmp_path):
    """A file damaged here stays good there, and is counted so."""
    root, copy = season(tmp_path), tmp_path / "copy"
    replicate(root, [copy], NOW())
    path = next(p for p in Archive(root).listing() if p.endswith(".parquet"))
    good = (copy / path).read_bytes()
    (root / path).write_bytes(good[:-1] + b"x")
    sealed = next(p for p in _files(root) if p.name == "gaugings.csv")
    sealed.write_bytes(b"damaged")
    counted = replicate(root, [copy], NOW())
    assert counted.good[path] == [False, True]
    assert [good for name, good in counted.good.items() if name.startswith("deposit")].count([False, True]) == 1
    assert (copy / path).read_bytes() == good
    assert audit(copy).faults == ()


def test_another_archive_is_not_copied_over(tmp_path):
    """A folder that holds other commits, or more of them, is left alone."""
    root, other = season(tmp_path / "a"), season(tmp_path / "b", "5")
    before = [(p, p.read_bytes()) for p in _files(other)]
    with pytest.raises(ArchiveError, match="left alone"):
        replicate(root, [other], NOW())
    assert before == [(p, p.read_bytes()) for p in _files(other)]


@pytest.mark.parametrize("seed", [0, *(pytest.param(s, marks=pytest.mark.soak) for s in range(1, 12))])
def test_whatever_file_is_lost_or_damaged_a_copy_restores_it(tmp_path, seed):
    """Any files flipped, cut, emptied or removed, facts or what follows from them, come back as they were."""
    root, copy = season(tmp_path), tmp_path / "copy"
    take(root, sheets(tmp_path / "more", "3"))
    replicate(root, [copy], NOW())
    whole = [(p, p.read_bytes()) for p in _files(root)]
    draw = random.Random(seed)
    hurt = draw.sample(whole, 12)
    for path, data in hurt:
        how = draw.choice(("flip", "cut", "empty", "remove"))
        place = draw.randrange(len(data))
        changed = {"flip": data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :], "cut": data[:-1], "empty": b""}
        path.unlink() if how == "remove" else path.write_bytes(changed[how])
    assert audit(root).faults if (root / "ledger" / "00000001.json").exists() else True
    restored, hopeless = repair(root, copy, NOW())
    assert hopeless == []
    assert set(restored) == {p.relative_to(root).as_posix() for p, _ in hurt}
    assert whole == [(p, p.read_bytes()) for p in _files(root)]
    assert audit(root).faults == ()


def test_what_no_copy_holds_is_named_and_the_damaged_bytes_are_kept(tmp_path):
    """Without a good copy nothing is made up; what a good copy replaced lies in the work folder."""
    root, copy = season(tmp_path), tmp_path / "copy"
    replicate(root, [copy], NOW())
    first, second = [p for p in Archive(root).listing() if p.endswith(".parquet")][:2]
    for base, path in ((root, first), (copy, first), (root, second)):
        (base / path).write_bytes(b"damaged")
    restored, hopeless = repair(root, copy, NOW())
    assert (restored, hopeless) == ([second], [first])
    assert [p.read_bytes() for p in (root / "work" / "damaged").rglob(Path(second).name)] == [b"damaged"]


def test_compaction_changes_no_row_and_no_past_state(tmp_path):
    """Before and after, every table is the same row for row, now and as of every commit; then the old files go."""
    root = season(tmp_path)
    for day in range(3, 6):
        take(root, sheets(tmp_path / f"d{day}", str(day)), render_now=False)
    take(root, sheets(tmp_path / "again", "4", velocity=0.5))
    moments = [entry.recorded_at for entry in Archive(root).ledger.entries()][::2]
    reader = Archive(root)
    before = {t: [reader.at(m).standing(t) for m in moments] for t in TABLES}
    asked = [ask(reader.at(m), "SELECT * FROM gaugings ORDER BY gauging_id") for m in moments]
    files = len(reader.table_files("gaugings"))
    (entry,), gone = compact(root, most=2, keep_days=7, by="T1", now=NOW)
    assert gone == []
    assert len(Archive(root).table_files("gaugings")) < files
    for name, states in before.items():
        order = [*states[-1].columns[:3], "recorded_at"]
        for moment, state in zip(moments, states, strict=True):
            for archive in (Archive(root), reader):
                found = archive.at(moment).standing(name)
                assert (
                    state.sort_values(order)
                    .reset_index(drop=True)
                    .equals(found.sort_values(order).reset_index(drop=True))
                )
    assert asked == [ask(Archive(root).at(m), "SELECT * FROM gaugings ORDER BY gauging_id") for m in moments]
    assert audit(root, recompute=False).faults == ()  # the audit below proves these commits too
    _, swept = compact(root, most=2, keep_days=0, by="T1", now=NOW)
    assert sorted(swept) == sorted(entry.replaced)
    assert audit(root).faults == ()


def test_withheld_content_is_gone_and_its_tombstone_tells_why(tmp_path):
    """No byte of the content is left in archive or copy; digests, who and why are; the audit tells it from damage."""
    root, copy = season(tmp_path), tmp_path / "copy"
    folder = tmp_path / "people"
    folder.mkdir()
    (folder / "sites.csv").write_text(
        "site,name,latitude,longitude,utc_offset\nS9,Erna Muster (invented),10,20,+00:00\n"
    )
    digest = take(root, folder).deposits[0].digest
    replicate(root, [copy], NOW())
    withhold(root, digest[:12], by="R1", reason="asked for by the person", now=NOW)
    assert not [p for p in (root / "sealed").rglob("*") if p.is_file() and b"Erna" in p.read_bytes()]
    with pytest.raises(Withheld):
        Sealed(root).read(digest)
    stone = json.loads((root / "sealed" / object_folder(digest) / "v1" / "content" / "withheld.json").read_bytes())
    assert (stone["deposit"], stone["by"], len(stone["files"])) == (digest, "R1", 1)
    report = audit(root)
    assert report.faults == ()
    assert any(digest in remark and "asked for by the person" in remark for remark in report.remarks)
    replicate(root, [copy], NOW())
    assert not [p for p in (copy / "sealed").rglob("*") if p.is_file() and b"Erna" in p.read_bytes()]
    assert audit(copy, recompute=False).faults == ()  # its commits are those proved above


@pytest.mark.parametrize("by", ["a b", "R1\t", "\u202eR1", "", "R" * 600])
def test_a_decision_by_what_is_no_code_is_refused_before_anything_is_written(tmp_path, by):
    """The person who decides is named by a code: words say so, no byte of the archive changes, the content stays."""
    root = season(tmp_path)
    digest = Archive(root).ledger.entry(2).deposits[0]["deposit"]
    before = _bytes_of(root)
    with pytest.raises(DepositError, match=r"by: expected .*; nothing was written"):
        withhold(root, digest, by=by, reason="asked for by the person", now=NOW)
    with pytest.raises(DepositError, match="nothing was written"):
        decide(root, "reviews", [{"subject": "S1", "decision": "approved", "reason": "why"}], by=by, now=NOW)
    assert _bytes_of(root) == before


def _bytes_of(root):
    """Read every file but the lock, which says who held it last."""
    return {path: path.read_bytes() for path in sorted(root.rglob("*")) if path.is_file() and path.name != "lock"}


def test_a_tombstone_without_a_decision_is_a_fault(tmp_path):
    """Nobody can hide content by putting a tombstone in its place by hand."""
    root = season(tmp_path)
    digest = Archive(root).ledger.entry(2).deposits[0]["deposit"]
    tombstones.withhold(root, digest, "no decision", NOW(), "X")
    assert [f.kind for f in audit(root, recompute=False).faults] == ["sealed"]


def test_a_withholding_cut_short_is_finished_by_the_next_writer(tmp_path, monkeypatch):
    """Death between the two renames leaves the tombstone ready; the next command puts it in its place."""
    root = season(tmp_path)
    digest = Archive(root).ledger.entry(2).deposits[0]["deposit"]
    calls = []

    def die(made, final):
        calls.append(final)
        if len(calls) == 3:
            raise OSError("the disk is gone")
        return publish(made, final)

    publish = fs.publish_folder
    monkeypatch.setattr(fs, "publish_folder", die)
    with pytest.raises(OSError, match="gone"):
        withhold(root, digest, by="R1", reason="the law", now=NOW)
    monkeypatch.undo()
    with open_writer(root, software_version="0", by="T", now=NOW):
        pass
    assert Sealed(root).withheld(digest)
    assert audit(root).faults == ()


def test_an_audit_in_parts_comes_round_and_names_a_flipped_bit(tmp_path):
    """Each part looks at what was looked at longest ago, within its bytes; a round finds any damage."""
    root = season(tmp_path)
    path = next(p for p in Archive(root).listing() if p.endswith(".parquet"))
    data = bytearray((root / path).read_bytes())
    data[40] ^= 1
    (root / path).write_bytes(bytes(data))
    faults, looked, parts = [], 0, 0
    total = audit_part(root, 1).counts["objects in all"]
    while looked < total - 1:
        report = audit_part(root, 60_000)
        looked += report.counts["objects looked at"]
        parts += 1
        assert report.counts["bytes looked at"] <= 60_000 or report.counts["objects looked at"] == 1
        faults += report.faults
    assert {fault.path for fault in faults} == {path}
    assert parts > 3


def test_a_review_is_a_sealed_decision_and_one_on_nothing_is_returned(tmp_path):
    """Approval names who, when and why; an id that does not exist changes nothing."""
    root = season(tmp_path)
    subject = "S1.20250501T100000Z.M1"
    decide(
        root,
        "reviews",
        [{"subject": subject, "decision": "approved", "reason": 'as, it "should" be'}],
        by="R1",
        now=NOW,
    )
    row = Archive(root).standing("reviews").iloc[0]
    assert (row["by"], row["reason"]) == ("R1", 'as, it "should" be')
    assert set(Archive(root).standing("gaugings").query("gauging_id == @subject")["status"]) == {"approved"}
    nothing = decide(root, "reviews", [{"subject": "S1.x", "decision": "approved", "reason": "?"}], by="R1", now=NOW)
    assert not nothing.all_good
    done = subprocess.run(
        [sys.executable, "-m", "stillwell.cli", "review", subject, "--decision", "withdrawn", "--by", "R1", "--reason",
         "wrong river", "--clock-is-right", "--archive", str(root)], capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert subject in done.stdout
    assert subject not in set(Archive(root).standing("gaugings")["gauging_id"])
