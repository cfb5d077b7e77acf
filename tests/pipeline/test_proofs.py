"""Commits are proved each alone, in any order and process, and a kept proof counts only while nothing has changed."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import stillwell.pipeline.audit as auditing
import stillwell.pipeline.audit_parts as looking
import stillwell.pipeline.prove as proving
from stillwell.archive.archive import Archive
from stillwell.archive.care import proofs
from stillwell.archive.revisions.snapshot import History
from stillwell.archive.workers import Crew
from stillwell.errors import ProcessLost
from stillwell.pipeline.audit import audit
from stillwell.pipeline.ingest import compact
from tests.pipeline.season import NOW, season, sheets, take


@pytest.fixture(scope="module")
def several(tmp_path_factory):
    """Make an archive of several small commits."""
    tmp = tmp_path_factory.mktemp("several")
    root = season(tmp, render_now=False)
    for label in ("3", "4"):
        take(root, sheets(tmp / label, label), render_now=label == "4")
    return root


@pytest.fixture(scope="module")
def once_proved(several, tmp_path_factory):
    """Prove every commit of it."""
    root = shutil.copytree(several, tmp_path_factory.mktemp("proved") / "archive")
    assert audit(root, keep=True).faults == ()
    return root


@pytest.fixture
def root(several, tmp_path):
    """Copy the archive."""
    return shutil.copytree(several, tmp_path / "archive")


@pytest.fixture
def proved(once_proved, tmp_path):
    """Copy the archive with the proofs of its commits."""
    return shutil.copytree(once_proved, tmp_path / "archive")


def _kept(root, row_for_row=()):
    archive = Archive(root, complete=True)
    return proofs.KeptProofs(archive, archive.ledger.entries(), row_for_row)


def _since(root):
    return _kept(root).since


def _all(root):
    return set(range(1, Archive(root).ledger.head_number() + 1))


def test_a_full_audit_keeps_a_proof_of_every_commit(root):
    """Each commit of a sound archive is proved, and the audit says so."""
    assert audit(root).faults == ()
    assert _since(root) == {}
    report = audit(root, keep=True)
    assert set(_since(root)) == _all(root)
    assert any(f"commits proved: {len(_all(root))} of {len(_all(root))}" in one for one in report.remarks)


def test_without_time_the_newest_unproved_commit_comes_first_then_the_oldest_proof(root, monkeypatch):
    """With no time left after one commit each audit proves the next in turn."""
    monkeypatch.setattr(auditing, "IN_TIME", 1)
    numbers = sorted(_all(root), reverse=True)
    for i in range(1, 3):
        assert audit(root, minutes=0).faults == ()
        assert set(_since(root)) == set(numbers[:i])
    audit(root, keep=True)
    kept = _kept(root)
    kept.added({2}, (), datetime(2026, 1, 1, tzinfo=UTC))
    assert kept.in_turn()[0] == 2


@pytest.mark.parametrize("how", ["torn", "forged", "gone"])
def test_a_proofs_file_not_as_written_proves_nothing(proved, how):
    """Proofs that are torn, forged or gone are no fault; their commits are proved again."""
    root = proved
    assert set(_since(root)) == _all(root)
    path = root / proofs.PLACE
    data = path.read_bytes()
    if how == "torn":
        path.write_bytes(data[: len(data) // 2])
    elif how == "forged":
        said = json.loads(data)
        said["proofs"] = dict.fromkeys(said["proofs"], "2099-01-01T00:00:00Z")
        path.write_text(json.dumps(said))
    else:
        path.unlink()
    assert _since(root) == {}
    assert audit(root, keep=True).faults == ()
    assert set(_since(root)) == _all(root)


def test_another_software_voids_every_proof(proved, monkeypatch):
    """A proof by software of another version or with another rule is none."""
    root = proved
    assert set(_since(root)) == _all(root)
    monkeypatch.setattr(proofs, "software", lambda: "another")
    assert _kept(root).in_turn() == sorted(_all(root), reverse=True)


def _compacted(root, keep_days):
    """Compact whatever can be, and name the commits whose rows lie elsewhere now."""
    compact(root, most=1, keep_days=keep_days, by="T1", now=NOW)
    entries = Archive(root).ledger.entries()
    gone = {path for entry in entries for path in entry.replaced}
    return {e.number for e in entries if gone & {f.path for f in e.files if f.table}}


def test_a_compaction_voids_the_proofs_of_the_commits_whose_rows_it_moved(proved):
    """Rows in other files are proved again; commits that hold no rows of replaced files stay proved."""
    root = proved
    before = _since(root)
    moved = _compacted(root, keep_days=7)
    assert moved
    assert set(before) - moved
    assert set(_since(root)) == set(before) - moved


def test_proofs_outlive_a_compaction_that_is_proved_before_its_sources_are_swept(proved):
    """An audit that holds the new rows against the files they came from keeps the moments of earlier proofs."""
    root = proved
    before = _since(root)
    assert _compacted(root, keep_days=7)
    report = audit(root, minutes=0)
    assert report.faults == ()
    newest = max(_all(root))
    assert {n: t for n, t in _since(root).items() if n != newest} == before


def test_proofs_do_not_outlive_a_compaction_whose_sources_are_swept(proved):
    """Where the replaced files are gone nothing shows that the rows are the same, so that they are proved again."""
    root = proved
    moved = _compacted(root, keep_days=7)
    compact(root, most=1000, keep_days=-1, by="T1", now=NOW)
    audit(root, minutes=0)
    assert moved
    assert not moved & set(_since(root))


def _tamper(root):
    """Change a number in a table file and name the commit it belongs to."""
    entry = [e for e in Archive(root).ledger.entries() if any(f.table == "verticals" for f in e.files)][-1]
    path = root / next(f.path for f in entry.files if f.table == "verticals")
    table = pq.read_table(path)
    place = table.schema.get_field_index("depth_m")
    column = table.column(place).to_pylist()
    column[1] += 0.5
    field = table.schema.field(place)
    pq.write_table(table.set_column(place, field, pa.array(column, field.type)), path)


@pytest.fixture
def helped(monkeypatch):
    """Let the caller wait for the processes that help to begin, as it does not, so that they do parts of any work."""
    monkeypatch.setattr(Crew, "_ready", lambda self: sum(future.result(timeout=60) > 0 for future in self._begun))


def _damaged(root, what):
    """Damage something of an archive."""
    if what == "a row":
        _tamper(root)
    elif what == "a deposit":
        path = max(path for path in (root / "sealed").rglob("points.csv"))
        path.write_bytes(path.read_bytes().replace(b"0.4", b"0.5", 1))
    elif what == "a NetCDF file":
        path = max((root / "netcdf").rglob("*.nc"))
        path.write_bytes(path.read_bytes()[:-1])


@pytest.mark.parametrize(
    ("what", "most"),
    [
        ("a row", 10**9),
        ("a NetCDF file", 0),
        *(pytest.param(what, 10**9, marks=pytest.mark.soak) for what in ("nothing", "a deposit", "a NetCDF file")),
        pytest.param("a row", 0, marks=pytest.mark.soak),
    ],
)
def test_an_audit_says_the_same_whoever_does_its_parts(root, helped, monkeypatch, what, most):
    """Faults, counts and remarks are the same, in the same order, with processes that help and without."""
    monkeypatch.setattr(auditing, "MOST_ROWS", most)
    _damaged(root, what)
    alone = audit(root, now=NOW())
    assert bool(alone.faults) == (what != "nothing")
    assert any(fault.kind == "recompute" for fault in alone.faults) == (what == "a row")
    shared = audit(root, now=alone.audited_at, processes=2)
    assert (shared.faults, shared.counts, shared.remarks) == (alone.faults, alone.counts, alone.remarks)


def test_commits_are_proved_alike_in_any_order(root):
    """What the proof of a commit comes to does not depend on those proved before it."""
    _tamper(root)
    archive = Archive(root, complete=True)
    entries = archive.ledger.entries()
    results = []
    for step in (1, -1):
        prover = proving.Prover(archive, entries, History({name: archive.read(name) for name in archive.tables()}), {})
        results.append({n: prover.prove(n) for n in sorted(_all(root))[::step]})
    assert results[0] == results[1]


def _die(*_):
    os.kill(os.getpid(), signal.SIGKILL)


def test_an_audit_whose_process_is_killed_ends_with_a_sentence(root, helped, monkeypatch):
    """A helper that is killed at its work ends the audit in words, and nothing of the archive is changed."""
    before = {path: path.read_bytes() for path in root.rglob("*") if path.is_file()}
    monkeypatch.setattr(looking, "_open", _die)
    with pytest.raises(ProcessLost, match=r"expected 2 processes .* one ended before it was done"):
        audit(root, processes=2)
    assert {path: path.read_bytes() for path in root.rglob("*") if path.is_file()} == before


_PARENT = """
import os, time
from stillwell.archive.workers import spawned
if __name__ == "__main__":
    with spawned(1) as pool:
        print(pool.submit(os.getpid).result(), flush=True)
        pool.submit(time.sleep, 60)
        time.sleep(60)
"""


def test_a_process_that_helps_ends_when_its_parent_is_killed(tmp_path):
    """A helper in the middle of its work is gone within seconds of its parent."""
    script = tmp_path / "parent.py"
    script.write_text(_PARENT)
    with subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, text=True) as parent:
        helper = int(parent.stdout.readline())
        time.sleep(0.3)
        parent.kill()
    for _ in range(50):
        if not _runs(helper):
            return
        time.sleep(0.1)
    os.kill(helper, signal.SIGKILL)
    pytest.fail("the helper outlived its parent by five seconds")


def _runs(process: int) -> bool:
    """Say whether a process runs; one that ended and was not waited for yet does not."""
    shown = subprocess.run(["ps", "-o", "stat=", "-p", str(process)], capture_output=True, text=True, check=False)
    return bool(shown.stdout.strip()) and not shown.stdout.startswith("Z")
