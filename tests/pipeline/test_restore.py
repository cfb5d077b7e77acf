"""A withdrawn gauging is restored by deciding provisional, wherever the archive is asked."""

from __future__ import annotations

import numpy as np
import xarray as xr
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.clock import RightClock
from stillwell.cli import app
from stillwell.pipeline import ingest
from stillwell.pipeline.audit import audit
from stillwell.pipeline.rebuild import rebuild
from stillwell.reading.select.sql import ask
from tests.pipeline.season import NOW, season, sheets, take

ID = "S1.20250501T100000Z.M1"


def _decide(root, decision, subject=ID, now=NOW, render_now=True):
    rows = [{"subject": subject, "decision": decision, "reason": "test"}]
    return ingest.decide(root, "reviews", rows, by="H1", now=now, render_now=render_now)


def _shown(root, moment=None):
    found = ask(Archive(root).at(moment), f"SELECT status FROM gaugings WHERE gauging_id = '{ID}'").to_pylist()
    return [row["status"] for row in found]


def test_provisional_after_withdrawn_restores_everywhere(tmp_path):
    """Tables, as-of answers and NetCDF show it again with both revisions; audit and rebuilding make the same rows."""
    root = season(tmp_path)
    take(root, sheets(tmp_path / "second", "1", velocity=0.5))
    files = {path: path.read_bytes() for path in (root / "netcdf").rglob("*.nc")}
    moments = []
    for decision in ("withdrawn", "provisional"):
        assert _decide(root, decision).all_good
        moments.append(Archive(root).ledger.head().recorded_at)
    assert _shown(root) == ["provisional"]
    assert _shown(root, moments[0]) == []
    assert _shown(root, moments[1]) == ["provisional"]
    rows = Archive(root).standing("gaugings").set_index("gauging_id")
    assert rows.loc[ID, "revision"] == 2
    assert {path.name for path in files} == {path.name for path in (root / "netcdf").rglob("*.nc")}
    for path, before in files.items():
        old = tmp_path / f"before_{path.name}"
        old.write_bytes(before)
        with xr.open_dataset(path) as now, xr.open_dataset(old) as then:
            np.testing.assert_array_equal(now["discharge"].values, then["discharge"].values)
            np.testing.assert_array_equal(now["discharge_status"].values, then["discharge_status"].values)
    assert audit(root).faults == ()
    assert rebuild(root, tmp_path / "again").different == ()


def test_approval_of_a_withdrawn_gauging_is_returned_with_what_restores_it(tmp_path):
    """Nothing is approved in silence: the decision is returned, and after provisional it is taken."""
    root = season(tmp_path, render_now=False)
    _decide(root, "withdrawn", render_now=False)
    problems = _decide(root, "approved", render_now=False).prepared.problems
    assert "provisional first, which restores" in problems["expected"].iloc[0]
    assert len(Archive(root).read("reviews")) == 1
    call = ["review", ID, "--decision", "provisional", "--by", "H1", "--reason", "r", "--archive", str(root)]
    call.append("--clock-is-right")
    assert CliRunner().invoke(app, call).exit_code == 0
    assert _decide(root, "approved", now=RightClock(NOW)).all_good
    assert _shown(root) == ["approved"]
    assert audit(root).faults == ()
