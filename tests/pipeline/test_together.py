"""Commits proved together come to what each comes to alone, whatever the others would say of it."""

from __future__ import annotations

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import stillwell.archive.tables.many_files as many_files
import stillwell.pipeline.prove as proving
from stillwell.archive.archive import Archive
from stillwell.archive.revisions.snapshot import History
from stillwell.pipeline.audit import audit
from tests.pipeline.season import registers, season, sheets, take


def _reading(folder, *lines):
    """Write readings of the gauge that belong to no gauging of their deposit."""
    folder.mkdir()
    (folder / "gauge_heights.csv").write_text("\n".join(["site,read_at,gauge_height_m", *lines]) + "\n")
    return folder


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """Make an archive whose commits say something of one another, each by the order in which they came.

    Gaugings of one day disagree, overlap, were copied, and are of a party that takes few verticals; readings near a
    gauging came after it, at one and at the other site, also in place of earlier ones.
    """
    tmp = tmp_path_factory.mktemp("plain")
    root = tmp / "archive"
    take(root, registers(tmp / "registers"), render_now=False)
    commits = [
        [sheets(tmp / "a", "1")],
        [sheets(tmp / "b", "1", instrument="M2", velocity=0.9)],
        [sheets(tmp / "c", "1", site="S2", instrument="M2", velocity=0.3)],
        [_reading(tmp / "d", "S1,2025-05-01T10:30Z,9.9", "S2,2025-05-02T10:20Z,1.5")],
        [sheets(tmp / "e", "2", site="S2"), sheets(tmp / "f", "3", velocity=0.5)],
        [sheets(tmp / "g", "4", velocity=0.5), _reading(tmp / "h", "S2,2025-05-02T10:20Z,1.7")],
        [sheets(tmp / "i", "2", instrument="M2", site="S2", velocity=0.7)],
        [_reading(tmp / "j", "S1,2025-05-05T10:30Z,1.9")],
        [sheets(tmp / "k", "5", velocity=0.2)],
    ]
    for deposits in commits:
        take(root, *deposits, render_now=False)
    return root


def _prover(root):
    archive = Archive(root, complete=True)
    entries = archive.ledger.entries()
    history = History({name: archive.read(name) for name in archive.tables()})
    recorded = {
        (name, moment): int(rows)
        for name in history.tables()
        for moment, rows in archive.read(name)["recorded_at"].value_counts().items()
    }
    return proving.Prover(archive, entries, history, recorded), [entry.number for entry in entries]


def test_every_plain_commit_is_proved_among_the_others(plain):
    """The rows that ingest made of each commit alone are those made of all at once, with every finding."""
    found = Archive(plain).read("findings")
    assert {"same-day-differ", "times-overlap", "sheet-copied", "party-few-verticals"} <= set(found["code"])
    prover, numbers = _prover(plain)
    lots = list(prover.lots(numbers))
    assert [1] in lots
    assert max(lots, key=len) == numbers[1:]
    assert set(prover._sound(numbers[1:])) == set(numbers[1:])


@pytest.mark.parametrize("column", [pytest.param("message", marks=pytest.mark.soak), "value"])
def test_a_finding_that_a_later_commit_would_cause_is_a_fault_of_the_earlier(plain, column, tmp_path):
    """A row changed by hand is named with its commit, whether commits are proved together or each alone."""
    import shutil

    root = shutil.copytree(plain, tmp_path / "archive")
    entry = next(e for e in Archive(root).ledger.entries() if any(f.table == "findings" for f in e.files))
    path = root / next(f.path for f in entry.files if f.table == "findings")
    table = pq.read_table(path)
    at = table.schema.names.index(column)
    cells = table.column(at).to_pylist()
    cells[0] = "another" if column == "message" else 7.25
    field = table.schema.field(at)
    pq.write_table(table.set_column(at, field, pa.array(cells, field.type)), path)
    prover, numbers = _prover(root)
    alone = [prover.prove(number) for number in numbers]
    together = [proved for lot in prover.lots(numbers) for proved in prover.prove_lot(lot)]
    assert sorted(together, key=lambda one: one.number) == alone
    assert [one.number for one in alone if one.faults] == [entry.number]


@pytest.fixture
def mixed(tmp_path):
    """Make an archive in which commits of every other kind stand between the plain ones."""
    root = season(tmp_path, render_now=False)
    review = tmp_path / "review"
    review.mkdir()
    (review / "reviews.csv").write_text(
        "subject,decision,by,decided_at,reason\nS1.20250501T100000Z.M1,approved,H1,2025-06-01T00:00Z,checked\n"
    )
    other = tmp_path / "other"
    (registers(other) / "instruments.csv").write_text("instrument,kind\nM1,acoustic point\nM3,acoustic point\n")
    commits = [
        [sheets(tmp_path / "a", "3")],
        [sheets(tmp_path / "b", "1", velocity=0.5)],
        [review],
        [sheets(tmp_path / "c", "1", party="P2")],
        [sheets(tmp_path / "d", "4"), sheets(tmp_path / "e", "5", site="S9")],
        [sheets(tmp_path / "f", "2", site="S2", corrects="S1.20250502T100000Z.M1")],
        [other],
        [sheets(tmp_path / "g", "6", instrument="M3")],
        [sheets(tmp_path / "h", "7", party="p1")],
        [sheets(tmp_path / "i", "8", site="S2")],
    ]
    for deposits in commits:
        take(root, *deposits, render_now=False)
    return root


@pytest.mark.parametrize("many", [pytest.param(2, marks=pytest.mark.soak), 10**6])
def test_commits_that_do_not_fit_are_proved_alone(mixed, many, monkeypatch):
    """Revisions, clashes, unknown and twin codes, reviews, moved gaugings and registers: nothing is a fault."""
    monkeypatch.setattr(many_files, "MANY", many)
    alone = []
    whole = proving.Prover.prove
    monkeypatch.setattr(proving.Prover, "prove", lambda self, number: alone.append(number) or whole(self, number))
    report = audit(mixed)
    assert report.faults == ()
    numbers = {entry.number for entry in Archive(mixed).ledger.entries()}
    assert report.counts["rows computed again"] == report.counts["rows held against their schemas"]
    assert alone
    assert len(alone) == len(set(alone)) < len(numbers)


def test_a_deposit_taken_twice_is_proved_with_its_own_commit(tmp_path):
    """The same bytes in two commits are two commits with rows of their own."""
    root = season(tmp_path, "1", render_now=False)
    twice = sheets(tmp_path / "twice", "2", site="S9")
    take(root, twice, render_now=False)
    take(root, twice, again=True, render_now=False)
    prover, numbers = _prover(root)
    assert [lot for lot in prover.lots(numbers) if lot[0] in numbers[-2:]] == [numbers[-2:-1], numbers[-1:]]
    assert [proved.faults for lot in prover.lots(numbers) for proved in prover.prove_lot(lot)] == [()] * len(numbers)
