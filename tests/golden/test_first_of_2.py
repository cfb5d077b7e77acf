"""An archive of format 2.0 by a version that rendered otherwise is sound: its NetCDF files are behind, until rendered.

Its gaugings have the column and the NetCDF variable ``quality``, where this version has ``within_pct`` and
``within_percent``; its entries name the rendering 1. That version wrote it, by ``make_golden.make_recorded``.
"""

from __future__ import annotations

import re
import zipfile
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path

import netCDF4
import pytest

import stillwell
from stillwell.archive.archive import Archive
from stillwell.archive.ledger.clock import RightClock
from stillwell.archive.netcdf.outputs import RENDERING, behind
from stillwell.pipeline import derive
from stillwell.pipeline import ingest as pipeline
from stillwell.pipeline import render as rendering
from stillwell.pipeline.audit import audit, audit_part
from stillwell.pipeline.committing import office_of
from stillwell.pipeline.ingest import ingest
from stillwell.pipeline.rebuild import rebuild
from stillwell.pipeline.render import render
from stillwell.publishing.publish import publish
from tests.commands.test_commands import run
from tests.pipeline.season import clock
from tests.publishing.making import POLICY
from tests.room.conftest import opened

LATER = RightClock(clock(datetime(2030, 1, 1, tzinfo=UTC)))
FILES = {
    "netcdf/S1/daily.nc",
    "netcdf/S1/discharge_2025.nc",
    "netcdf/S1/gaugings.nc",
    "netcdf/S1/stage_2025.nc",
    "netcdf/S2/gaugings.nc",
}
WHY = "5: rendered by an earlier version"


@pytest.fixture
def root(tmp_path):
    """Unpack the archive."""
    with zipfile.ZipFile(Path(__file__).parent / "archive_2.0_first.zip") as packed:
        packed.extractall(tmp_path / "archive")
    return tmp_path / "archive"


def _late(root):
    return {one.path for one in behind(Archive(root), office_of(Archive(root)))}


def _variables(path):
    with netCDF4.Dataset(path) as data:
        return set(data.variables)


def _judged_alike(path, root):
    """Whether a file holds, of each gauging, the word that its rows have."""
    rows = Archive(root).standing("gaugings").set_index("gauging_id")["within_pct"]
    with netCDF4.Dataset(path) as data:
        names = [str(name) for name in data["gauging_id"][:]]
        meanings = data["within_percent"].flag_meanings.split()
        words = dict(zip(names, (meanings[int(v) - 1] for v in data["within_percent"][:]), strict=True))
    assert words
    return all(words[name] in (f"within_{rows[name]}_percent", f"{rows[name]}_8_percent") for name in words)


def test_that_version_wrote_what_this_test_is_about(root):
    """Format 2.0, rendering 1, and the column and variable of before, in every file that has one."""
    entries = Archive(root).ledger.entries()
    assert {entry.schema_version for entry in entries} == {"2.0"}
    named = [inputs["rendering"] for e in entries for path, inputs in e.made_from.items() if path in FILES]
    assert set(named) == {"1"}
    assert RENDERING > 1
    for site in ("S1", "S2"):
        held = _variables(root / "netcdf" / site / "gaugings.nc")
        assert "quality" in held
        assert "within_percent" not in held


def test_it_is_behind_and_no_fault(root):
    """Audits, whole and in part, find every digest right and remark that five files were rendered before."""
    report = audit(root)
    assert report.faults == ()
    assert (report.counts["NetCDF files behind"], report.counts["NetCDF files rendered again"]) == (5, 0)
    part = audit_part(root, 10**9)
    assert part.faults == ()
    for remarks in (report.remarks, part.remarks):
        (line,) = [line for line in remarks if "behind" in line]
        assert WHY in line
        assert "S1, S2" in line
        assert "`stillwell render` finishes this" in line


def test_changed_rows_are_named_before_the_version(root, tmp_path):
    """A file whose rows changed too is behind for that reason."""
    folder = tmp_path / "moved"
    folder.mkdir()
    (folder / "sites.csv").write_text("site,name,latitude,longitude,utc_offset\nS2,Site 2 (invented),12,21,+00:00\n")
    assert ingest(root, [folder], by="T1", now=LATER, render_now=False).all_good
    why = {one.path: one.reason for one in behind(Archive(root), office_of(Archive(root)))}
    assert why["netcdf/S2/gaugings.nc"] == "its inputs have changed"
    assert why["netcdf/S1/gaugings.nc"] == "rendered by an earlier version"


def test_a_rendering_finishes_it(root, tmp_path):
    """Every file is made anew in one commit; nothing is behind, and the audit proves every file by value."""
    made = render(root, by="T1", now=LATER)
    assert set(made.files) == FILES
    assert {inputs["rendering"] for inputs in made.entry.made_from.values()} == {str(RENDERING)}
    assert _late(root) == set()
    for site in ("S1", "S2"):
        path = root / "netcdf" / site / "gaugings.nc"
        assert "quality" not in _variables(path)
        assert _judged_alike(path, root)
    report = audit(root)
    assert report.faults == ()
    assert report.counts["NetCDF files rendered again"] == 5
    assert not any("behind" in line for line in report.remarks)
    listed = sum(
        file.path.startswith("netcdf/") for entry in Archive(root).ledger.entries()[:-1] for file in entry.files
    )
    rebuilt = rebuild(root, tmp_path / "again")
    assert rebuilt.left_out == listed >= len(FILES)
    assert not [sentence for sentence in rebuilt.different if "netcdf/" in sentence]
    assert _late(tmp_path / "again") == set()


def test_a_rebuilding_says_what_it_left_out(root, tmp_path):
    """Files of the earlier rendering are neither among those with the digest listed nor different; all files count."""
    said = run("rebuild", "--into", tmp_path / "again", root=root)[1]
    listed = [file.path for entry in Archive(root).ledger.entries() for file in entry.files]
    left = sum(path.startswith("netcdf/") for path in listed)
    assert f"{left} more are NetCDF of an earlier version, which is not made again" in said
    assert "netcdf/" not in said
    same, total = map(int, re.search(r"(\d+) of (\d+) files have the digest listed", said).groups())
    others = sum(map(int, re.findall(r"^(\d+) more ", said, re.MULTILINE)))
    assert same + others + said.count("differs: ") == total == len(listed)


def test_a_night_finishes_it(root, monkeypatch):
    """The flow's page says that five files were made; the night is sound and nothing is behind after it."""
    from stillwell.flows import nightly, tasks

    pages = {}
    for module, name in ((derive, "derivations"), (rendering, "render_all"), (pipeline, "compact")):
        monkeypatch.setattr(module, name, partial(getattr(module, name), now=LATER))
    monkeypatch.setattr(tasks, "create_markdown_artifact", lambda key, markdown: pages.update({key: markdown}))
    monkeypatch.setattr("stillwell.pipeline.night_parts.os.cpu_count", lambda: 1)
    for name in ("audit_archive", "derive", "render", "compact"):
        monkeypatch.setattr(tasks, name, getattr(tasks, name).fn)
    nightly.nightly.fn(root)
    assert WHY in pages["audit-report"]
    assert "5 files" in pages["netcdf"]
    assert _late(root) == set()


def test_what_goes_out_is_rendered_as_today(root, tmp_path):
    """A publication takes no file that is behind: its variables are those of today."""
    bag = publish(Archive(root), tmp_path / "bag", day=date(2030, 1, 1), by="T1", policy=POLICY).path
    paths = sorted((bag / "data" / "netcdf").rglob("gaugings.nc"))
    assert paths
    for path in paths:
        assert "quality" not in _variables(path)
        assert _judged_alike(path, root)


def test_reading_room_and_python_say_so_and_answer_from_the_rows(root):
    """The page of a site says which of its files are behind; rows and data sets have today's column."""
    with opened(root) as client:
        page = client.get("/sites/S1").text
        rows = client.get("/gaugings/S1.20250501T100000Z.M1")
    for name in ("gaugings.nc", "stage_2025.nc", "discharge_2025.nc", "daily.nc"):
        assert f"{name}</bdi></a> behind" in page
    assert rows.status_code == 200
    data = stillwell.open(root).gauging("S1.20250501T100000Z.M1")
    assert "within_percent" in data
    assert "quality" not in data
