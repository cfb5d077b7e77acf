"""Archives of format 1 are brought over by the next writer: NetCDF files of the older layout go, new ones come."""

from __future__ import annotations

import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.clock import RightClock
from stillwell.archive.netcdf.outputs import behind
from stillwell.pipeline.audit import audit
from stillwell.pipeline.committing import office_of
from stillwell.pipeline.rebuild import rebuild
from stillwell.pipeline.render import render
from tests.pipeline.season import clock

NAMES = ("archive_1.1", "archive_1.2", "archive_1.3", "archive_1.3_long")


@pytest.fixture(params=NAMES)
def root(request, tmp_path):
    """Unpack an archive of an earlier day."""
    with zipfile.ZipFile(Path(__file__).parent / f"{request.param}.zip") as packed:
        packed.extractall(tmp_path / "archive")
    return tmp_path / "archive"


def _netcdf(root):
    return {path for path in Archive(root).listing() if path.startswith("netcdf/")}


def test_files_of_the_older_layout_are_behind_and_no_fault(root):
    """Their digests are proved; that they are behind is a remark, and the archive is as it was written."""
    report = audit(root, recompute=False)
    assert report.faults == ()
    (said,) = [line for line in report.remarks if "NetCDF" in line]
    assert "of an older layout" in said
    assert "`stillwell render`" in said
    assert report.counts["NetCDF files rendered again"] == 0


def test_the_first_rendering_strikes_them_and_makes_the_new(root):
    """Files named by year go where a site has one file now; nothing is behind afterwards, all is proved by value."""
    before = _netcdf(root)
    sites = {path.split("/")[1] for path in before}
    made = render(root, by="T1", now=RightClock(clock(datetime(2030, 1, 1, tzinfo=UTC))))
    assert made.entry is not None
    assert made.entry.schema_version == "2.0"
    after = _netcdf(root)
    older = {path for path in before if path.rpartition("/")[2].startswith(("gaugings_", "daily_"))}
    assert older
    assert set(made.struck) == before - after >= older
    assert {f"netcdf/{site}/gaugings.nc" for site in sites} <= after
    assert set(made.files) == after
    assert list(behind(Archive(root), office_of(Archive(root)))) == []
    report = audit(root, recompute=False)
    assert report.faults == ()
    assert report.counts["NetCDF files rendered again"] == len(after)
    assert not any("NetCDF" in line for line in report.remarks)


@pytest.mark.parametrize(
    "root", [NAMES[0], *(pytest.param(name, marks=pytest.mark.soak) for name in NAMES[1:])], indirect=True
)
def test_what_older_entries_list_beside_their_rows_is_left_out_of_a_rebuilding(root, tmp_path):
    """A rebuilding makes no NetCDF with the rows; that is counted, and that of the rendering made alike."""
    now = RightClock(clock(datetime(2030, 1, 1, tzinfo=UTC)))
    listed = sum(file.path.startswith("netcdf/") for entry in Archive(root).ledger.entries() for file in entry.files)
    made = render(root, by="T1", now=now)
    rebuilt = rebuild(root, tmp_path / "again")
    assert rebuilt.left_out == listed
    assert not [sentence for sentence in rebuilt.different if "netcdf/" in sentence]
    assert _netcdf(tmp_path / "again") == set(made.files)
