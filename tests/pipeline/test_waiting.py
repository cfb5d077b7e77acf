"""Every writer waits its turn; deriving and compacting work before the lock, and redo what changed meanwhile."""

from __future__ import annotations

import shutil
import subprocess
import sys

import pandas as pd
import pytest
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.archive.disk.layout import LOCK
from stillwell.archive.disk.lock import hold_lock
from stillwell.cli import app
from stillwell.errors import ArchiveLocked
from stillwell.pipeline import derive as deriving
from stillwell.pipeline import ingest
from stillwell.pipeline.adopt import adopt, deposit_of
from stillwell.pipeline.audit import audit
from stillwell.pipeline.committing import utc_now
from stillwell.pipeline.derive import derivations, derive
from stillwell.pipeline.ingest import compact
from tests.pipeline.season import NOW, season, sheets, take


def logger(folder, values, site="S1", since="2025-05-01T00:00Z"):
    """Write an hour of stage each for a site."""
    folder.mkdir()
    times = pd.date_range(since, periods=len(values), freq="1h").strftime("%Y-%m-%dT%H:%M:%SZ")
    pd.DataFrame({"site": site, "time": times, "stage_m": values}).to_csv(folder / "stage.csv", index=False)
    return folder


def rating(site, coefficient=10.0):
    """Write down ``Q = C (h - 0.5)^2`` for a site."""
    one = {"rating": f"R-{site}", "site": site, "valid_from": "2025-01-01T00:00Z", "by": "H1", "reason": "made up"}
    segment = {"segment": 1, "from_m": 0.5, "coefficient": coefficient, "zero_stage_m": 0.5, "exponent": 2.0}
    return deposit_of(one["rating"], {"ratings": [one], "rating_segments": [{"rating": one["rating"]} | segment]})


@pytest.fixture(scope="module")
def underived(tmp_path_factory):
    """Make an archive of two sites with stage and a rating each, and no record."""
    tmp = tmp_path_factory.mktemp("underived")
    root = season(tmp)
    for site in ("S1", "S2"):
        take(root, logger(tmp / site, [1.5] * 49, site))
        adopt(root, rating(site), by="H1", now=NOW)
    return root


@pytest.fixture
def root(underived, tmp_path):
    """Copy that archive."""
    return shutil.copytree(underived, tmp_path / "archive")


def test_nobody_waits_longer_than_told(root, tmp_path):
    """Each writing command is refused once it waited as long as it may, and says how long."""
    sheet = str(sheets(tmp_path / "d", "5"))
    digest = Archive(root).ledger.entry(2).deposits[0]["deposit"]
    calls = {
        "ingest": [sheet],
        "review": ["S1.20250501T100000Z.M1", "--by", "H", "--reason", "t"],
        "derive": [],
        "compact": ["--most", "1"],
        "recompute": [],
        "withhold": [digest, "--by", "H", "--reason", "t"],
    }
    before = Archive(root).ledger.head_number()
    with hold_lock(root / LOCK, utc_now()):
        for command, words in calls.items():
            said = CliRunner().invoke(app, [command, *words, "--archive", str(root), "--wait", "0.05"])
            assert said.exit_code == 1, (command, said.output)
            assert "after waiting 0." in said.stderr, command
    assert Archive(root).ledger.head_number() == before
    assert "--wait" in CliRunner().invoke(app, ["rate", "--help"], env={"COLUMNS": "200"}).output


def test_the_lock_is_free_while_records_are_derived(root, tmp_path, monkeypatch):
    """Another writer commits while a site is being derived; what it changed is derived again, the rest is kept."""
    real, seen = deriving.derived_from_change, []

    def slow(view, site, told, *more):
        rows = real(view, site, told, *more)
        seen.append((site, told.number))
        if len(seen) == 1:
            take(root, logger(tmp_path / "more", [2.5] * 4, "S1", "2025-05-03T01:00Z"))
        return rows

    monkeypatch.setattr(deriving, "derived_from_change", slow)
    commits = [entry.number for entry, _ in derivations(root, by="H1", now=NOW)]
    monkeypatch.undo()
    assert [site for site, _ in seen] == ["S1", "S2", "S1"]
    assert all(number == 0 for _, number in seen)
    assert commits == [12, 14]  # the rendering of each follows it
    assert deriving.sites_of(Archive(root).ledger.entry(12)) == ["S2"]
    rows = Archive(root).standing("discharge", ["S1"])
    assert len(rows) == 53
    assert set(rows["recorded_at"]) == {pd.Timestamp(Archive(root).ledger.entry(14).recorded_at)}
    assert derive(root, by="H1", now=NOW) == (None, {})
    assert audit(root).faults == ()


def test_a_site_that_changes_each_time_is_derived_under_the_lock(root, tmp_path, monkeypatch):
    """After ``ROUNDS`` tries before the lock a site is derived under it, where nothing can change."""
    before, under, seen = deriving.derived_from_change, deriving.derived, []

    def ahead(view, site, told, *more):
        rows = before(view, site, told, *more)
        seen.append(told.number)
        number = len(seen)
        take(root, logger(tmp_path / f"more{number}", [2.0], "S1", f"2025-05-03T{number:02d}:00Z"))
        return rows

    def locked(view, sites, told):
        seen.append(told.number)
        return under(view, sites, told)

    monkeypatch.setattr(deriving, "derived_from_change", ahead)
    monkeypatch.setattr(deriving, "derived", locked)
    entry, tables = derive(root, ["S1"], by="H1", now=NOW)
    monkeypatch.undo()
    assert seen == [0] * deriving.ROUNDS + [entry.number]
    assert len(tables["discharge"]) == 49 + deriving.ROUNDS
    assert audit(root).faults == ()


def test_another_policy_meanwhile_derives_again(root, tmp_path, monkeypatch):
    """Rows judged by a policy that no longer holds when they are written are not written."""
    policy = tmp_path / "policy.toml"
    policy.write_text("[limits]\nrating_uncertainty_pct = { value = 20, source = 'made up' }\n")
    real, seen = deriving.derived_from_change, []

    def slow(view, site, told, *more):
        rows = real(view, site, told, *more)
        seen.append(told.policy_digest)
        if len(seen) == 1:
            take(root, policy)
        return rows

    monkeypatch.setattr(deriving, "derived_from_change", slow)
    derive(root, ["S1"], by="H1", now=NOW)
    monkeypatch.undo()
    assert len(seen) == 2
    assert set(Archive(root).read("discharge")["policy_digest"]) == {seen[1]} != {seen[0]}
    assert audit(root).faults == ()


def test_what_a_compaction_reads_before_the_lock_stays_true(root, tmp_path, monkeypatch):
    """A deposit taken while a compaction reads keeps its files, another compaction's work stands; no row is twice."""
    real, seen = ingest.read_lots, []

    def slow(archive, lots):
        read = real(archive, lots)
        seen.append(len(read))
        if len(seen) == 1:
            take(root, sheets(tmp_path / "more", "7"))
            assert len(compact(root, most=len(archive.table_files("reviews")) + 2, by="T1", now=NOW)[0]) == 1
        return read

    monkeypatch.setattr(ingest, "read_lots", slow)
    before = len(Archive(root).ledger.entries())
    compact(root, most=1, by="T1", now=NOW)
    monkeypatch.undo()
    archive = Archive(root)
    assert seen[0] >= 2
    assert [entry.reason for entry in archive.ledger.entries()][before:].count("compaction") >= 1
    assert sorted(archive.standing("gaugings")["started_at"].dt.day) == [1, 2, 7]
    for name in ("gaugings", "gauge_heights", "points"):
        assert not archive.read(name).duplicated().any()
    assert audit(root).faults == ()


INGESTER = """
import sys, time
from pathlib import Path
from stillwell.pipeline.ingest import ingest
root, inbox, number = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
for deposit in sorted(inbox.glob(f"{number}-*")):
    ingest(root, [deposit], by=f"T{number}", wait_s=300)
"""


@pytest.mark.parametrize("each", [2, pytest.param(40, marks=pytest.mark.soak)])
def test_derive_and_compact_beside_two_ingesters(root, tmp_path, each):
    """Beside two processes that ingest without a pause neither is refused, nothing is lost, and the audit is clean."""
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    for site in ("S1", "S2"):
        for number in range(each):
            day = pd.Timestamp("2025-06-01T00:00Z") + pd.Timedelta(days=number)
            logger(inbox / f"{site}-{number:03d}", [1.5, 1.6, 1.7], site, day.isoformat())
    command = [sys.executable, "-c", INGESTER, str(root), str(inbox)]
    beside = [subprocess.Popen([*command, site]) for site in ("S1", "S2")]
    refused, rounds = 0, 0
    while any(one.poll() is None for one in beside):
        rounds += 1
        for act in (lambda: derive(root, by="H1", wait_s=300), lambda: compact(root, most=3, by="H1", wait_s=300)):
            try:
                act()
            except ArchiveLocked:
                refused += 1
    assert [one.wait() for one in beside] == [0, 0]
    assert refused == 0
    assert rounds > 0
    derive(root, by="H1", wait_s=300)
    archive = Archive(root)
    assert [len(archive.standing("stage", [s])) for s in ("S1", "S2")] == [49 + 3 * each] * 2
    assert [len(archive.standing("discharge", [s])) for s in ("S1", "S2")] == [49 + 3 * each] * 2
    assert audit(root).faults == ()
