"""A withholding is one act: decided and done under one lock, finished if cut short, named while it is not."""

from __future__ import annotations

import shutil
from dataclasses import fields

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.care.repair import repair
from stillwell.archive.care.replica import replicate
from stillwell.archive.disk import fs
from stillwell.archive.sealed import Sealed
from stillwell.archive.writing import recovery, tombstones
from stillwell.archive.writing.tombstones import PLACE
from stillwell.archive.writing.writer import STEPS, Writer, open_writer
from stillwell.errors import ArchiveDamaged, Withheld
from stillwell.pipeline.audit import audit
from stillwell.pipeline.ingest import decide
from stillwell.pipeline.withhold import withhold
from tests.archive.deaths import Death, dying_at
from tests.pipeline.season import NOW, season

SECRET = b"2025-05-01T10:00Z"


@pytest.fixture
def root(tmp_path):
    """Make an archive of two commits."""
    return season(tmp_path)


def subject(root):
    """Name the deposit of the second commit."""
    return str(Archive(root).ledger.entry(2).deposits[0]["deposit"])


def holds(root):
    """Say whether the sealed content still lies anywhere under the archive but in rows made from it."""
    left = [p for top in ("sealed", "work") for p in (root / top).rglob("*") if p.is_file()]
    return any(SECRET in path.read_bytes() for path in left)


def die_at(monkeypatch, step):
    """Let the writer die at a step of its commit."""
    real = Writer.__init__

    def made(self, *args, **more):
        real(self, *args, **more)
        self._step = dying_at(step)

    monkeypatch.setattr(Writer, "__init__", made)


@pytest.mark.parametrize("step", STEPS[STEPS.index("declared") : STEPS.index("closed")])
def test_death_at_any_step_leaves_it_undone_or_named_and_finished_by_the_next_writer(root, monkeypatch, step):
    """Before the commit point nothing was decided; after it the audit says what is not finished, until it is."""
    digest = subject(root)
    with monkeypatch.context() as patch:
        die_at(patch, step)
        with pytest.raises(Death):
            withhold(root, digest, by="R1", reason="the law", now=NOW)
    decided = Archive(root).ledger.head_number() == 4
    assert decided == (STEPS.index(step) >= STEPS.index("committed"))
    report = audit(root, recompute=False, now=NOW())
    assert report.faults == ()
    assert any("commit 4 is under way or was cut short" in line for line in report.remarks)
    named = any(f"withholding of deposit {digest} was decided on and is not finished" in r for r in report.remarks)
    assert named == decided
    with open_writer(root, software_version="0", by="T", now=NOW):
        pass
    assert Sealed(root).withheld(digest) == decided == (not holds(root))
    report = audit(root, recompute=False, now=NOW())
    assert report.faults == ()
    assert not any("not finished" in line or "cut short" in line for line in report.remarks)


def _dying(real, left):
    """Wrap a call to the disk so that the process is gone once so many were made."""

    def call(*args):
        if left[0] <= 0:
            raise Death
        left[0] -= 1
        return real(*args)

    return call


@pytest.mark.parametrize("every", [5, pytest.param(1, marks=pytest.mark.soak)])
def test_death_at_every_call_to_the_disk_after_the_commit_point(root, tmp_path, monkeypatch, every):
    """The change of places and the removal may die at any call: no fault, and the next writer removes the content."""
    digest = subject(root)
    with monkeypatch.context() as patch:
        die_at(patch, "moved")
        with pytest.raises(Death):
            withhold(root, digest, by="R1", reason="the law", now=NOW)
    for calls in range(0, 200, every):
        copy = shutil.copytree(root, tmp_path / f"copy{calls}")
        left = [calls]

        with monkeypatch.context() as patch:
            for each in fields(fs.System):
                patch.setattr(fs.system, each.name, _dying(getattr(fs.System(), each.name), left))
            patch.setattr(shutil, "rmtree", _dying(shutil.rmtree, left))
            try:
                with open_writer(copy, software_version="0", by="T", now=NOW):
                    pass
            except Death:
                pass
            else:
                break
        report = audit(copy, recompute=False, now=NOW()) if calls % (3 * every) == 0 else None
        assert report is None or report.faults == (), (calls, report.faults)
        with open_writer(copy, software_version="0", by="T", now=NOW):
            pass
        assert Sealed(copy).withheld(digest)
        assert not holds(copy)
        shutil.rmtree(copy)
    assert calls > 20


def test_content_that_stays_against_a_decision_is_a_fault_until_it_is_withheld(root):
    """A decision alone, such as an earlier version left when it was cut short, is not all well."""
    digest = subject(root)
    decide(root, "withholdings", [{"subject": digest, "reason": "the law"}], by="R1", now=NOW)
    (fault,) = audit(root, recompute=False, now=NOW()).faults
    assert f"stillwell withhold {digest}" in fault.sentence
    assert withhold(root, digest[:10], by="R1", reason="the law", now=NOW) == digest
    assert audit(root, recompute=False, now=NOW()).faults == ()
    assert not holds(root)


def test_one_lock_over_decision_and_removal(root, monkeypatch):
    """Nobody writes between the two: the lock is taken once."""
    taken = []
    real = tombstones.withhold
    monkeypatch.setattr("stillwell.archive.writing.writer.hold_lock", _counting(taken))
    monkeypatch.setattr(tombstones, "withhold", lambda *args: (taken.append("removed"), real(*args)))
    withhold(root, subject(root), by="R1", reason="the law", now=NOW)
    assert taken == ["taken", "removed", "let go"]


def _counting(taken):
    from contextlib import contextmanager

    from stillwell.archive.disk.lock import hold_lock

    @contextmanager
    def held(*args, **more):
        with hold_lock(*args, **more):
            taken.append("taken")
            yield
        taken.append("let go")

    return held


def test_what_is_damaged_is_not_decided_on(root):
    """A tombstone states digests of the content, so that it must be read first; nothing is written."""
    digest = subject(root)
    path = next((root / "sealed").rglob("points.csv"))
    data = path.read_bytes()
    path.write_bytes(data[:-1] + b"x")
    with pytest.raises(ArchiveDamaged):
        withhold(root, digest, by="R1", reason="the law", now=NOW)
    path.write_bytes(data)
    withhold(root, digest, by="R1", reason="the law", now=NOW)
    # a decision to withhold writes no row that a NetCDF file is made from
    assert [entry.reason for entry in Archive(root).ledger.entries()] == ["ingest", "ingest", "render", "ingest"]


def test_a_withholding_given_again_tells_the_decision_that_stands_and_writes_nothing(root):
    """Whoever gives the command again, as after a power cut, sees who decided, and no second decision is made."""
    digest, stood = subject(root), []
    withhold(root, digest, by="R1", reason="the law", now=NOW, stood=stood.append)
    assert stood == []
    head = Archive(root).ledger.head_digest()
    assert withhold(root, digest[:12], by="R2", reason="again", now=NOW, stood=stood.append) == digest
    assert [(row["by"], row["reason"]) for row in stood] == [("R1", "the law")]
    assert Archive(root).ledger.head_digest() == head


def test_a_withholding_cut_short_after_its_commit_is_finished_by_the_same_command(root, monkeypatch):
    """It finds the decision made, finishes the removal, and ends well."""
    digest, stood = subject(root), []
    with monkeypatch.context() as patch:
        die_at(patch, "committed")
        with pytest.raises(Death):
            withhold(root, digest, by="R1", reason="the law", now=NOW)
    assert not Sealed(root).withheld(digest)
    assert withhold(root, digest, by="R1", reason="the law", now=NOW, stood=stood.append) == digest
    assert len(stood) == 1
    assert Sealed(root).withheld(digest)
    assert not holds(root)


def test_a_tombstone_that_no_decision_speaks_for_is_no_withholding(root, tmp_path):
    """Somebody put it there; the command says that the content is gone and writes nothing."""
    digest, other = subject(root), shutil.copytree(root, tmp_path / "other")
    withhold(other, digest, by="R1", reason="the law", now=NOW)
    place = Sealed(root).object_path(digest)
    shutil.rmtree(root / place)
    shutil.copytree(other / place, root / place)
    with pytest.raises(Withheld):
        withhold(root, digest, by="R1", reason="the law", now=NOW)
    assert Archive(root).ledger.head_number() == 3


def test_damaged_bytes_that_a_repair_kept_aside_go_too(root):
    """Content put into the work folder is content all the same."""
    aside = root / "work" / "damaged" / "20260101T000000Z" / Sealed(root).object_path(subject(root))
    shutil.copytree(root / Sealed(root).object_path(subject(root)), aside)
    withhold(root, subject(root), by="R1", reason="the law", now=NOW)
    assert not holds(root)


def _forged(root, digest, how):
    """Put into the work folder what makes a writer withhold content, though nobody decided it."""
    head = Archive(root).ledger.head_number()
    if how == "intent":
        recovery.declare(root, recovery.Intent(head, (), (), ((digest, "0" * 64),)))
    else:
        (root / PLACE / digest / "new").mkdir(parents=True)
        (root / PLACE / digest / "new" / "inventory.json").write_bytes(b"{}")


@pytest.mark.parametrize("how", ["intent", "exchange"])
def test_no_content_goes_without_a_decision_whatever_lies_in_the_work_folder(root, tmp_path, how):
    """The audit names it, writers stop in words, a repair puts it aside; not a sealed byte is lost."""
    digest = subject(root)
    replicate(root, [tmp_path / "copy"], NOW())
    before = {path: path.read_bytes() for path in (root / "sealed").rglob("*") if path.is_file()}
    _forged(root, digest, how)
    (fault,) = audit(root, recompute=False, now=NOW()).faults
    assert digest in fault.path
    assert "expected a decision" in fault.sentence
    with pytest.raises(ArchiveDamaged, match="nothing was removed"), open_writer(root, software_version="0", by="T"):
        pass
    repair(root, tmp_path / "copy", NOW())
    with open_writer(root, software_version="0", by="T", now=NOW):
        pass
    assert before == {path: path.read_bytes() for path in (root / "sealed").rglob("*") if path.is_file()}
    assert audit(root, recompute=False, now=NOW()).faults == ()


def test_a_tombstone_without_a_decision_takes_no_copy_with_it_and_content_comes_back(root, tmp_path):
    """Somebody put it in place of content: copies keep theirs, and a repair brings it back."""
    digest, other, copy = subject(root), shutil.copytree(root, tmp_path / "other"), tmp_path / "copy"
    replicate(root, [copy], NOW())
    withhold(other, digest, by="R1", reason="the law", now=NOW)
    place = Sealed(root).object_path(digest)
    shutil.rmtree(root / place)
    shutil.copytree(other / place, root / place)
    assert replicate(root, [copy], NOW()).short() == [f"deposit {digest}"]
    assert not Sealed(copy).withheld(digest)
    assert audit(root, recompute=False, now=NOW()).faults != ()
    assert repair(root, copy, NOW())[1] == []
    assert Sealed(root).read(digest) == Sealed(copy).read(digest)
    assert audit(root, recompute=False, now=NOW()).faults == ()
