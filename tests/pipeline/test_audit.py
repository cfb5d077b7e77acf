"""An audit finds nothing in a sound archive and names what is wrong in any other."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from functools import partial
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

import stillwell.archive.revisions.stored_history as history
import stillwell.pipeline.audit as proving
import stillwell.pipeline.compare as comparing
import stillwell.prepare.batch as batches
from stillwell.archive.disk.layout import entry_path
from stillwell.archive.ledger.entries import self_checked
from stillwell.fingerprint import sha256
from stillwell.pipeline.audit import audit, audit_part
from tests.pipeline.season import season, sheets
from tests.pipeline.season import take as take_in

SAMPLE = Path(__file__).resolve().parents[2] / "sample_archive" / "archive"


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """Make an archive of several commits, with a revision, a review and a deposit partly returned."""
    return _made(tmp_path_factory.mktemp("season"), render_now=True)


@pytest.fixture(scope="module")
def unrendered(tmp_path_factory):
    """Make the same without NetCDF, so that no entry names the digests of the rows before it."""
    return _made(tmp_path_factory.mktemp("unrendered"), render_now=False)


def _made(tmp, render_now):
    take = partial(take_in, render_now=False)
    root = season(tmp, render_now=False)
    take(root, sheets(tmp / "corrected", "1", velocity=0.5))
    folder = tmp / "review"
    folder.mkdir()
    (folder / "reviews.csv").write_text(
        "subject,decision,by,decided_at,reason\nS1.20250501T100000Z.M1,approved,H1,2025-06-01T00:00Z,checked\n"
    )
    take(
        root,
        folder,
        sheets(tmp / "other", "1", party="P2"),
        sheets(tmp / "moved", "2", site="S2", corrects="S1.20250502T100000Z.M1"),
    )
    take_in(root, sheets(tmp / "after", "1", "4", velocity=0.6), render_now=render_now)
    return root


@pytest.fixture
def copy(sound, tmp_path):
    """Copy the archive, to be damaged."""
    import shutil

    return shutil.copytree(sound, tmp_path / "archive")


@pytest.fixture
def plain(unrendered, tmp_path):
    """Copy the archive without NetCDF, to be rewritten."""
    import shutil

    return shutil.copytree(unrendered, tmp_path / "archive")


@pytest.fixture(params=[pytest.param("held", marks=pytest.mark.soak), "read as needed"])
def rows_are(request, monkeypatch):
    """Prove an archive with all its rows at hand, and as one that is too large for that."""
    if request.param != "held":
        _as_needed(monkeypatch)
        monkeypatch.setattr(batches, "AT_ONCE", 1)


def _as_needed(monkeypatch):
    """Let audits read rows as they need them, as of an archive that is too large to hold."""
    for name in ("MOST_ROWS", "PORTION"):
        monkeypatch.setattr(proving, name, 1)
    monkeypatch.setattr(history, "MOST_CELLS", 1)
    monkeypatch.setattr(comparing, "AT_ONCE", 1)


def test_a_sound_archive_has_no_faults(sound, monkeypatch):
    """Every digest, the chain, every schema and every number computed again agree, whether rows are held or not."""
    held = audit(sound)
    assert held.faults == ()
    assert held.counts["rows computed again"] > 60
    _as_needed(monkeypatch)
    monkeypatch.setattr(batches, "AT_ONCE", 1)
    as_needed = audit(sound)
    assert (as_needed.faults, as_needed.counts) == ((), held.counts)


KINDS = ("sealed", "ledger", "tables", "provenance", "schemas", "README.txt")
PLACES = ("first", "middle", "last")


@pytest.mark.parametrize(
    ("folder", "place"),
    [
        pytest.param(kind, place, marks=[] if n % 3 == m else [pytest.mark.soak], id=f"{kind}-{place}")
        for n, kind in enumerate(KINDS)
        for m, place in enumerate(PLACES)
    ],
)
def test_one_flipped_bit_is_named(copy, folder, place):
    """One bit flipped in any kind of file makes the audit name that file."""
    files = sorted(
        p for p in copy.rglob("*") if p.is_file() and p.relative_to(copy).parts[0] == folder and p.stat().st_size
    )
    path = files[len(files) // 2]
    data = bytearray(path.read_bytes())
    at = {"first": 0, "middle": len(data) // 2, "last": len(data) - 1}[place]
    data[at] ^= 1
    path.write_bytes(data)
    report = audit(copy, recompute=False)
    faults = report.faults
    assert faults
    # what belongs to a sealed object is named by its folder or file
    named = path.relative_to(copy).as_posix()
    assert any(named.startswith(fault.path) or fault.path in named or named in fault.sentence for fault in faults), (
        faults
    )


@pytest.mark.parametrize(
    "lost", [(1,), (1, 2, 3, 4), *(pytest.param(numbers, marks=pytest.mark.soak) for numbers in ((2,), (1, 3)))]
)
def test_missing_entries_of_the_ledger_are_named_in_a_report(copy, lost):
    """An audit, whole or in parts, answers with a report that names every entry that is missing, the first too."""
    for number in lost:
        (copy / entry_path(number)).unlink()
    for report in (audit(copy), audit_part(copy, 1)):
        said = {fault.path for fault in report.faults if "found none with number" in fault.sentence}
        assert said == {entry_path(number) for number in lost}


def test_a_missing_file_is_named(copy):
    """A listed file that is gone is a fault with its path."""
    path = sorted((copy / "tables" / "points").rglob("*.parquet"))[0]
    path.unlink()
    assert path.relative_to(copy).as_posix() in {fault.path for fault in audit(copy).faults}


@pytest.mark.parametrize("place", [1, *(pytest.param(n, marks=pytest.mark.soak) for n in (2, -2))])
def test_a_missing_ledger_entry_is_named(copy, place):
    """An entry that is gone from within the ledger is a fault with its path, for a whole audit and for a part."""
    path = sorted((copy / "ledger").glob("*.json"))[place]
    path.unlink()
    for report in (audit(copy), audit_part(copy, 10**6)):
        missing = [fault for fault in report.faults if fault.path == path.relative_to(copy).as_posix()]
        assert [fault.kind for fault in missing] == ["ledger"]
        assert "found none" in missing[0].sentence


def _rewrite_points(copy):
    """Change a depth in a table and rewrite the ledger so that every digest agrees again."""

    def changed(frame):
        frame.loc[1, "discharge_m3_s"] += 0.001
        return frame

    rewritten(copy, sorted((copy / "tables" / "verticals").rglob("*.parquet"))[0], changed)


def rewritten(copy, path, change):
    """Change the rows of a table file and rewrite the ledger so that every digest agrees again."""
    table = pq.read_table(path)
    frame = change(table.to_pandas())
    import pyarrow as pa

    nullable = pa.schema([field.with_nullable(True) for field in table.schema], table.schema.metadata)
    pq.write_table(pa.Table.from_pandas(frame, schema=nullable), path, compression="zstd")
    previous = ""
    for entry in sorted((copy / "ledger").glob("*.json")):
        said = json.loads(entry.read_bytes())
        said.pop("digest")
        for file in said["files"]:
            if file["path"] == path.relative_to(copy).as_posix():
                file |= {"sha256": sha256(path.read_bytes()), "size": path.stat().st_size}
        said["previous"] = previous
        entry.write_bytes(self_checked(said))
        previous = sha256(entry.read_bytes())


def test_a_rendering_betrays_a_table_file_that_wasrewritten(copy):
    """Where the chain was made to agree, a later rendering still names the digest of the rows it was made from."""
    _rewrite_points(copy)
    faults = audit(copy).faults
    assert {fault.kind for fault in faults} == {"ledger"}
    assert "verticals/S1" in faults[0].sentence


def test_a_number_that_does_not_follow_from_the_deposits_is_named(plain, rows_are):
    """Even where every digest was made to agree, computing again finds the number, its row and its column."""
    _rewrite_points(plain)
    faults = audit(plain).faults
    assert {fault.kind for fault in faults} == {"recompute"}
    assert "discharge_m3_s" in faults[0].sentence
    assert "vertical 2" in faults[0].sentence
    assert audit(plain, recompute=False).faults == ()


def test_cells_that_are_not_as_their_schema_says_are_named(plain):
    """Of each column with wrong cells of one kind the first is named, with what was expected of it."""

    def damaged(frame):
        frame.loc[1, "depth_m"], frame.loc[2, "depth_m"] = -0.5, 200.5
        frame.loc[[3, 4], "kind"] = ["lake", None]
        frame.loc[2, "exposure_s"] = 0.0
        frame["vertical"] = frame["vertical"].astype("Int64")
        frame.loc[1, "vertical"] = 0
        frame.loc[4, "position_m"] = float("nan")
        return frame

    rewritten(plain, sorted((plain / "tables" / "points").rglob("*.parquet"))[0], damaged)
    faults = audit(plain, recompute=False).faults
    assert {(fault.kind, fault.path) for fault in faults} == {("schema", "tables/points")}
    assert sorted(fault.sentence for fault in faults) == [
        "column depth_m: expected greater_than_or_equal_to(0), found -0.5",
        "column depth_m: expected less_than_or_equal_to(200), found 200.5",
        "column exposure_s: expected greater_than(0), found 0.0",
        "column kind: expected isin(['open', 'edge', 'dry', 'ice']), found 'lake'",
        "column kind: expected not_nullable, found nan",
        "column position_m: expected not_nullable, found nan",
        "column vertical: expected greater_than_or_equal_to(1), found 0",
    ]


@pytest.mark.soak
def test_the_sample_is_proved_alike_however_its_rows_are_read(monkeypatch):
    """Records, a policy, corrections to another site: the same counts, nothing wrong, whether rows are held or not."""
    held = audit(SAMPLE)
    _as_needed(monkeypatch)
    as_needed = audit(SAMPLE)
    assert as_needed.faults == held.faults == ()
    assert as_needed.counts == held.counts
    assert as_needed.remarks == held.remarks


def test_a_row_where_its_commit_wrote_none_is_a_fault(plain, rows_are):
    """A row that says it was recorded by a commit whose entry lists nothing of its site is not passed over."""
    entries = sorted((plain / "ledger").glob("*.json"))
    of = {entry: json.loads(entry.read_bytes()) for entry in entries}
    moments = {said["number"]: pd.Timestamp(said["recorded_at"]) for said in of.values()}
    paths = sorted((plain / "tables" / "verticals" / "site=S2").rglob("*.parquet"))
    alone = next(n for n, said in enumerate(of.values(), 1) if not any("S2" in f["path"] for f in said["files"]))
    rewritten(plain, paths[0], lambda frame: frame.assign(recorded_at=moments[alone]))
    found = audit(plain).faults
    assert f"tables/verticals commit {alone}" in {fault.path for fault in found if fault.kind == "recompute"}


READ_ONLY = """
import os, sys
from pathlib import Path
from stillwell.archive.archive import Archive
from stillwell.pipeline.audit import audit, audit_part
from stillwell.reading.printed.show import show_gauging
from stillwell.reading.select.sql import ask
root = Path(sys.argv[1])
def everything():
    page = show_gauging(Archive(root), "S1.20250501T100000Z.M1")
    rows = ask(Archive(root), "SELECT count(*) AS n FROM gaugings").to_pylist()
    return len(audit(root).faults), len(page) > 500, rows[0]["n"]
if os.geteuid() == 0:
    everything()  # whatever is imported late is imported while that is allowed
    os.setgid(65534)
    os.setuid(65534)
assert not os.access(root, os.W_OK) and not os.access(root / "ledger", os.W_OK)
print(*everything())
"""


def test_reading_and_audit_work_on_a_read_only_archive(tmp_path):
    """Without any right to write, list, show, query and audit give the same answers and leave no trace."""
    sound = season(tmp_path)
    paths = [sound, *sound.rglob("*")]
    for path in paths:
        path.chmod(0o555 if path.is_dir() else 0o444)
    for folder in sound.parents:
        if os.geteuid() == 0:
            folder.chmod(folder.stat().st_mode | 0o011)
    before = {p: p.stat().st_mtime_ns for p in paths}
    done = subprocess.run([sys.executable, "-c", READ_ONLY, str(sound)], capture_output=True, text=True, check=False)
    for path in paths:
        path.chmod(0o755 if path.is_dir() else 0o644)
    assert done.stdout.split() == ["0", "True", "2"], done.stderr
    assert {p: p.stat().st_mtime_ns for p in sorted(sound.rglob("*"))} == {p: before[p] for p in sorted(paths[1:])}


def test_standing_rows_need_no_code_of_ours(sound):
    """A stranger with pandas alone finds the rows that stand by the rule of the README."""
    rows = pd.read_parquet(sound / "tables" / "gaugings", partitioning=None)
    newest = rows.sort_values("recorded_at").drop_duplicates(["gauging_id", "revision"], keep="last")
    able = newest[newest["status"] != "withdrawn"].sort_values(["status", "revision"], ascending=[False, True])
    ours = able.sort_values("status", key=lambda s: s == "approved", kind="stable").drop_duplicates(
        "gauging_id", keep="last"
    )
    assert ours.set_index("gauging_id")["revision"].to_dict() == {
        "S1.20250501T100000Z.M1": 2,
        "S1.20250502T100000Z.M1": 2,
        "S1.20250504T100000Z.M1": 1,
    }
