"""Files of another layout, read with a deposited map: sealed, cited, and computed again with it."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.cli import app
from stillwell.intake.readers.deposit import read_deposit
from stillwell.pipeline.audit import audit
from tests.pipeline.season import take

MAPS = Path(__file__).resolve().parents[2] / "sample_archive" / "maps"
NAMES = ("wide_sheets", "feet_header_below", "from_the_other_bank")


def _run(*words):
    return CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)


@pytest.mark.parametrize("name", NAMES)
def test_a_worked_map_goes_in_and_is_proved_again(name, tmp_path):
    """The deposit becomes gaugings; the map is sealed and cited; the audit reads with the sealed map again."""
    root = tmp_path / "archive"
    take(root, MAPS / "sites.csv")
    map_path = MAPS / name / "map.toml"
    done = _run("ingest", MAPS / name / "deposit", "--map", map_path, "--archive", root)
    assert done.exit_code == 0, done.stderr
    archive = Archive(root)
    rows = archive.standing("gaugings")
    assert len(rows) > 0
    assert (rows["discharge_m3_s"] > 0).all()
    used = read_deposit(map_path).digest
    assert archive.sealed.contains(used)
    cited = archive.read("deposits")["intake_map"].dropna().unique().tolist()
    assert cited == [used]
    ingested = max(entry.number for entry in archive.ledger.entries() if entry.deposits)
    provenance = archive.document(f"provenance/{ingested:08d}.prov.json").decode()
    assert f'"prov:entity":"deposit:{used}"' in provenance
    assert audit(root).faults == ()
    again = _run("ingest", MAPS / name / "deposit", "--map", map_path, "--archive", root)
    assert "nothing new" in again.stderr


@pytest.mark.parametrize("name", NAMES)
def test_without_its_map_the_same_bytes_are_returned(name, tmp_path):
    """What no map explains is returned in words, sealed all the same."""
    root = tmp_path / "archive"
    take(root, MAPS / "sites.csv")
    done = _run("ingest", MAPS / name / "deposit", "--archive", root)
    assert done.exit_code == 1
    assert "expected" in done.stderr
    assert Archive(root).read("gaugings").empty


def test_a_dry_run_shows_the_first_rows_and_writes_nothing(tmp_path):
    """The rows as understood go to stdout; no archive is made."""
    root = tmp_path / "archive"
    deposit, map_path = MAPS / "wide_sheets" / "deposit", MAPS / "wide_sheets" / "map.toml"
    done = _run("ingest", deposit, "--map", map_path, "--dry-run", "--archive", root)
    assert done.exit_code == 0, done.stderr
    assert "points, as understood" in done.stdout
    assert "depth_m" in done.stdout
    assert not root.exists()
    assert _run("ingest", deposit, "--dry-run", "--archive", root).exit_code == 2


def test_a_map_that_cannot_be_used_is_a_wrong_call(tmp_path):
    """An unknown word in a map is said with its line; exit 2, nothing written."""
    bad = tmp_path / "map.toml"
    bad.write_text("[strange]\nthing = 1\n")
    done = _run("ingest", MAPS / "wide_sheets" / "deposit", "--map", bad, "--archive", tmp_path / "archive")
    assert done.exit_code == 2
    assert done.stderr.strip()
    assert not (tmp_path / "archive").exists()


def test_the_blank_workbook(tmp_path):
    """``template`` writes a workbook that is taken without a problem and adds nothing."""
    path = tmp_path / "blank.xlsx"
    assert _run("template", "--output", path, "--units", "feet").exit_code == 0
    done = _run("ingest", path, "--archive", tmp_path / "archive")
    assert done.exit_code == 0, done.stderr
    assert Archive(tmp_path / "archive").read("gaugings").empty
    assert _run("template", "--output", path, "--units", "cubits").exit_code == 2
