"""NetCDF files of gaugings: valid CF, opened by xarray, the same as the tables, the same bytes every time."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import warnings
from datetime import UTC, datetime
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import xarray as xr

from stillwell.archive.archive import Archive
from stillwell.archive.netcdf.compare import differing_values, netcdf_faults
from stillwell.archive.netcdf.outputs import RENDERING, behind, outputs
from stillwell.pipeline import ingest as pipeline
from stillwell.pipeline.audit import audit
from stillwell.pipeline.committing import office_of
from stillwell.pipeline.ingest import compact, ingest
from stillwell.pipeline.rebuild import rebuild
from stillwell.pipeline.render import Rendered, render
from tests.pipeline.season import NOW, registers, sheets, take

SAMPLE = Path(__file__).resolve().parents[2] / "sample_archive" / "archive"
CHECKER_DEFECTS = ["check_domain_variables", "check_single_cf_role"]
"""Two checks skipped by name: the first crashes on valid ragged files, the second forbids a second cf_role, which
CF 9.5 allows in a trajectoryProfile."""


@pytest.fixture(scope="module")
def without_points(tmp_path_factory):
    """Make an archive whose sites hold results as handed in only."""
    tmp = tmp_path_factory.mktemp("plain")
    folder = registers(tmp / "registers")
    (folder / "gaugings.csv").write_text(
        "gauging,site,started_at,ended_at,method,discharge_m3_s\n"
        "A,S1,2025-07-01T10:00Z,2025-07-01T11:00Z,moving-boat profiler,3.3\n"
        "B,S1,2025-08-01T10:00Z,2025-08-01T10:05Z,observed zero,\n"
        "C,S2,2025-07-01T10:00Z,2025-07-01T11:00Z,float,\n".replace("float,", "float,1.5")
    )
    root = tmp / "archive"
    ingest(root, [folder], by="T1")
    return root


def cf_issues(path, tmp_path):
    """Run the CF checker and list what it finds."""
    with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
        warnings.simplefilter("ignore")  # the checker's own libraries warn of their future
        from compliance_checker.runner import CheckSuite, ComplianceChecker

        CheckSuite.load_all_available_checkers()
        out = str(tmp_path / "checked.json")
        passed, errors = ComplianceChecker.run_checker(
            str(path), ["cf:1.11"], 0, "strict", output_filename=out, output_format="json", skip_checks=CHECKER_DEFECTS
        )
    report = json.loads(Path(out).read_text())["cf:1.11"]
    found = [
        f"{result['name']}: {message}"
        for level in ("high_priorities", "medium_priorities", "low_priorities")
        for result in report[level]
        for message in result["msgs"]
    ]
    return found if passed and not errors else [*found, "the checker failed"]


@pytest.mark.soak
@pytest.mark.parametrize("name", ["INV-ORM/gaugings.nc", "INV-KES/gaugings.nc"])
def test_cf_checker_finds_nothing_in_the_sample(name, tmp_path):
    """compliance-checker 6.1, cf:1.11, reports neither error nor warning on files with points and some without."""
    assert cf_issues(SAMPLE / "netcdf" / name, tmp_path) == []


def test_cf_checker_finds_nothing(tmp_path):
    """compliance-checker 6.1, cf:1.11, reports neither error nor warning on a gauging with points and one without."""
    root, without = tmp_path / "archive", tmp_path / "without"
    without.mkdir()
    (without / "gaugings.csv").write_text(
        "gauging,site,started_at,ended_at,method,discharge_m3_s\n"
        "A,S1,2025-07-01T10:00Z,2025-07-01T11:00Z,moving-boat profiler,3.3\n"
    )
    assert take(root, registers(tmp_path / "registers"), sheets(tmp_path / "a", "1"), without).all_good
    path = root / "netcdf" / "S1" / "gaugings.nc"
    with xr.open_dataset(path) as data:
        assert (data.sizes["gauging"], data.attrs["featureType"]) == (2, "trajectoryProfile")
    assert cf_issues(path, tmp_path) == []


def test_cf_checker_finds_nothing_where_nothing_was_waded(without_points, tmp_path):
    """A site without any vertical is valid point data."""
    assert cf_issues(without_points / "netcdf" / "S1" / "gaugings.nc", tmp_path) == []


def test_xarray_opens_what_the_tables_hold():
    """Decoded by xarray, every result, vertical and point is the number in the tables."""
    archive = Archive(SAMPLE)
    rows = archive.standing("gaugings", sites=["INV-ORM"])
    rows = rows.sort_values(["started_at", "gauging_id"])
    verticals = archive.standing("verticals", sites=["INV-ORM"])
    points = archive.standing("points", sites=["INV-ORM"])
    with xr.open_dataset(SAMPLE / "netcdf" / "INV-ORM" / "gaugings.nc") as data:
        assert data.attrs["featureType"] == "trajectoryProfile"
        ids = [str(name) for name in data["gauging_id"].values]
        assert ids == rows["gauging_id"].tolist()
        np.testing.assert_array_equal(data["discharge"], rows["discharge_m3_s"])
        np.testing.assert_array_equal(data["gauge_height"], rows["gauge_height_m"])
        middle = rows["started_at"] + (rows["ended_at"] - rows["started_at"]) / 2
        assert data["gauging_time"].values.astype("datetime64[s]").tolist() == middle.dt.tz_localize(None).tolist()
        first = 0
        for i, gauging_id in enumerate(ids):
            mine = verticals[verticals["gauging_id"] == gauging_id].sort_values("position_m", kind="stable")
            at = np.flatnonzero(data["gauging_index"].values == i)
            np.testing.assert_array_equal(data["distance_along_tag_line"].values[at], mine["position_m"])
            np.testing.assert_array_equal(data["panel_discharge"].values[at], mine["discharge_m3_s"])
            size = int(data["row_size"].values[at].sum())
            read = points[(points["gauging_id"] == gauging_id) & points["normal_velocity_m_s"].notna()]
            assert size == len(read)
            velocity = data["normal_velocity"].values[first : first + size]
            assert sorted(velocity) == sorted(read["normal_velocity_m_s"])
            first += size
        assert first == data.sizes["obs"]


def test_missing_is_missing_and_zero_is_zero(without_points):
    """An observed zero is 0, what was not measured is missing, and status, method and flag say what the row says."""
    with xr.open_dataset(without_points / "netcdf" / "S1" / "gaugings.nc") as data:
        assert data["discharge"].values.tolist() == [3.3, 0.0]
        assert np.isnan(data["section_area"].values).all()
        meanings = data["discharge_method"].attrs["flag_meanings"].split()
        assert [meanings[int(v) - 1] for v in data["discharge_method"].values] == [
            "moving-boat_profiler",
            "observed_zero",
        ]
        assert "vertical" not in data.sizes
        assert data.attrs["featureType"] == "point"


def test_flags_follow_from_findings():
    """discharge_qc is 4 where a finding is unusable, 3 where one is suspect, else 1."""
    archive = Archive(SAMPLE)
    findings = archive.standing("findings")
    flags = set()
    for path in sorted((SAMPLE / "netcdf").rglob("gaugings.nc")):
        with xr.open_dataset(path) as data:
            for name, flag in zip(data["gauging_id"].values, data["discharge_qc"].values, strict=True):
                grave = set(findings[findings["gauging_id"] == str(name)]["severity"])
                assert int(flag) == (4 if "unusable" in grave else 3 if "suspect" in grave else 1)
                flags.add(int(flag))
    assert flags == {1, 3, 4}


def test_every_chunk_has_a_checksum_and_one_changed_byte_is_seen(tmp_path):
    """fletcher32 is on for every variable with dimensions; a reader stumbles over a changed chunk by itself."""
    source = SAMPLE / "netcdf" / "INV-MIL" / "gaugings.nc"
    with netCDF4.Dataset(source) as data:
        assert data.data_model == "NETCDF4_CLASSIC"
        assert all(v.filters()["fletcher32"] and v.filters()["zlib"] for v in data.variables.values() if v.dimensions)


def test_rendered_again_from_the_tables_it_is_the_same():
    """Every file follows from rows alone, and none is behind."""
    archive = Archive(SAMPLE)
    office = office_of(archive)
    wanted = list(outputs(archive, office))
    assert len(wanted) > 10
    assert list(behind(archive, office)) == []
    assert list(netcdf_faults(archive, wanted, office)) == []


def test_files_are_compared_value_by_value(tmp_path):
    """What the file says of itself and its layout are no difference; one changed value is named with its place, as is a
    loss, and an attribute of a variable, such as another unit.
    """
    path = Path(shutil.copy(SAMPLE / "netcdf" / "INV-MIL" / "gaugings.nc", tmp_path / "file.nc"))
    whole = path.read_bytes()
    with netCDF4.Dataset(path, "a") as data:
        data.institution = "Another office"
    assert differing_values(path.read_bytes(), whole) == []
    for key, other in (("units", "ft3 s-1"), ("flag_of_a_stranger", "1")):
        changed = Path(shutil.copy(path, tmp_path / "changed.nc"))
        with netCDF4.Dataset(changed, "a") as data:
            data["discharge"].setncattr(key, other)
        (sentence,) = differing_values(changed.read_bytes(), whole)
        assert f"discharge: expected {key}" in sentence
        assert f"found {other!r}" in sentence
    with netCDF4.Dataset(path, "a") as data:
        data["discharge"][1] = data["discharge"][1] + 1e-9
    found = differing_values(path.read_bytes(), whole)
    assert len(found) == 1
    assert found[0].startswith("discharge[1]: expected")
    with netCDF4.Dataset(path, "a") as data:
        data.renameVariable("section_area", "surface")
    sentences = differing_values(path.read_bytes(), whole)
    assert any("the variable section_area as rendered again, found none" in sentence for sentence in sentences)


def test_a_rendering_rewrites_only_the_sites_a_commit_touched(tmp_path):
    """A gauging at one site leaves the files of other sites alone; a register of a site renews its own."""
    root = tmp_path / "archive"
    take(root, registers(tmp_path / "registers"), sheets(tmp_path / "a", "1"), sheets(tmp_path / "b", "2", site="S2"))
    before = {p.relative_to(root).as_posix(): p.read_bytes() for p in (root / "netcdf").rglob("*.nc")}
    assert sorted(before) == ["netcdf/S1/gaugings.nc", "netcdf/S2/gaugings.nc"]
    take(root, sheets(tmp_path / "c", "3"))
    after = {p.relative_to(root).as_posix(): p.read_bytes() for p in (root / "netcdf").rglob("*.nc")}
    assert after["netcdf/S2/gaugings.nc"] == before["netcdf/S2/gaugings.nc"]
    assert after["netcdf/S1/gaugings.nc"] != before["netcdf/S1/gaugings.nc"]
    with xr.open_dataset(root / "netcdf" / "S1" / "gaugings.nc") as data:
        assert data.sizes["gauging"] == 2


@pytest.fixture(scope="module")
def tilted(tmp_path_factory):
    """Take a gauging whose points hold a tilt of the probe, each another one, and return the archive's folder."""
    folder = tmp_path_factory.mktemp("tilted")
    sheet = sheets(folder / "a", "1")
    header, *lines = (sheet / "points.csv").read_text().splitlines()
    said = [f"{line},{i + 0.5}" for i, line in enumerate(lines)]
    (sheet / "points.csv").write_text("\n".join([f"{header},tilt_deg", *said]) + "\n")
    assert take(folder / "archive", registers(folder / "registers"), sheet).all_good
    return folder / "archive"


def test_attributes_are_those_of_the_schemas(tilted):
    """Unit, meaning and standard name of every variable that is a column are the schema's own."""
    from stillwell.schemas import ARCHIVE_TABLES
    from stillwell.schemas.derive import UDUNITS, attributes, columns, meanings

    with netCDF4.Dataset(tilted / "netcdf" / "S1" / "gaugings.nc") as data:
        for table in ("gaugings", "verticals", "points"):
            made = [(c, v) for c in columns(ARCHIVE_TABLES[table]) if (v := c.variable(table)) and not v.own]
            assert len(made) > 10
            for column, variable in made:
                found = {key: data[variable.name].getncattr(key) for key in data[variable.name].ncattrs()}
                expected = attributes(column)
                if meanings(column):
                    expected = {"long_name": column.description, "standard_name": "status_flag"}
                else:
                    expected["units"] = UDUNITS.get(expected.get("units", "1"), expected.get("units", "1"))
                assert expected.items() <= found.items(), column.name


def test_the_tilt_of_the_probe_reaches_netcdf(tilted):
    """Each point has the tilt handed in with it, in the order of the verticals and depths."""
    with xr.open_dataset(tilted / "netcdf" / "S1" / "gaugings.nc") as data:
        assert data["tilt"].attrs["units"] == "degree"
        rows = Archive(tilted).standing("points").dropna(subset=["velocity_m_s"])
        assert sorted(data["tilt"].values) == sorted(rows["tilt_deg"]) != []


def test_a_file_may_lack_no_variable(tilted, tmp_path, monkeypatch):
    """A variable gone from a file is a difference; a file of an earlier rendering is behind and not compared."""
    whole = (tilted / "netcdf" / "S1" / "gaugings.nc").read_bytes()
    path = tmp_path / "file.nc"
    path.write_bytes(whole)
    with netCDF4.Dataset(path, "a") as data:
        data.renameVariable("tilt", "slant")
    (sentence,) = differing_values(path.read_bytes(), whole)
    assert sentence.startswith("expected the variable tilt")
    archive = Archive(tilted)
    assert list(behind(archive, office_of(archive))) == []
    monkeypatch.setattr("stillwell.archive.netcdf.outputs.RENDERING", RENDERING + 1)
    assert {one.path for one in behind(archive, office_of(archive))} == {"netcdf/S1/gaugings.nc"}


def test_a_site_whose_gaugings_were_all_withdrawn_says_so(tmp_path):
    """Nothing stands then; the file holds what was withdrawn, with that status, until something stands again."""
    root = tmp_path / "archive"
    take(root, registers(tmp_path / "registers"), sheets(tmp_path / "a", "1"))
    folder = tmp_path / "review"
    folder.mkdir()
    (folder / "reviews.csv").write_text(
        "subject,decision,by,decided_at,reason\nS1.20250501T100000Z.M1,withdrawn,H1,2025-06-01T00:00Z,wrong river\n"
    )
    take(root, folder)
    path = root / "netcdf" / "S1" / "gaugings.nc"
    with xr.open_dataset(path) as data:
        meanings = data["discharge_status"].attrs["flag_meanings"].split()
        assert [meanings[int(v) - 1] for v in data["discharge_status"].values] == ["withdrawn"]
    take(root, sheets(tmp_path / "b", "2"))
    with xr.open_dataset(path) as data:
        assert [str(name) for name in data["gauging_id"].values] == ["S1.20250502T100000Z.M1"]


def test_a_site_without_any_gauging_left_has_no_file(tmp_path):
    """Its only gauging corrected to another site: the file is listed no longer, and swept in time."""
    folder = registers(tmp_path / "registers")
    root = tmp_path / "archive"
    take(root, folder, sheets(tmp_path / "first", "1"))
    path = "netcdf/S1/gaugings.nc"
    stale = (root / path).read_bytes()
    moved = take(root, sheets(tmp_path / "moved", "1", site="S2", corrects="S1.20250501T100000Z.M1"))
    assert (moved.entry.replaced, moved.rendered.struck, moved.rendered.entry.replaced) == ((), (path,), (path,))
    assert set(Archive(root).listing()) >= {"netcdf/S2/gaugings.nc"}
    assert path not in Archive(root).listing()
    assert audit(root, recompute=False).faults == ()  # the audit below proves these commits too
    assert rebuild(root, tmp_path / "again").different == ()
    compact(root, most=99, keep_days=0, by="T1", now=lambda: datetime(2027, 1, 1, tzinfo=UTC))
    assert not (root / path).exists()
    take(root, sheets(tmp_path / "anew", "7"))
    assert (root / path).read_bytes() != stale
    assert audit(root).faults == ()


def _stands_at(root, moved, where):
    """Hold the files of both sites to the gaugings that stand there, the moved one at a site."""
    for site, others in (("S1", ["S1.20250502T100000Z.M1"]), ("S2", ["S2.20250503T100000Z.M1"])):
        with xr.open_dataset(root / "netcdf" / site / "gaugings.nc") as data:
            names = {str(name) for name in data["gauging_id"].values}
        assert names == {*others, *([moved] if site == where else [])}


@pytest.mark.parametrize("back", [pytest.param(False, marks=pytest.mark.soak), True])
def test_a_gauging_corrected_to_another_site_leaves_the_file_of_the_first(tmp_path, back):
    """Both files say where it stands now, from the rendering on that follows the move, also when it is moved back."""
    root, moved = tmp_path / "archive", "S1.20250501T100000Z.M1"
    take(
        root,
        registers(tmp_path / "registers"),
        sheets(tmp_path / "first", "1", "2"),
        sheets(tmp_path / "b", "3", site="S2"),
    )
    take(root, sheets(tmp_path / "moved", "1", site="S2", corrects=moved))
    _stands_at(root, moved, "S2")
    if back:
        take(root, sheets(tmp_path / "back", "1", site="S1", corrects=moved, velocity=0.5))
        _stands_at(root, moved, "S1")
    assert audit(root).faults == ()


def test_a_file_that_no_gauging_stands_behind_is_behind_until_it_is_struck(tmp_path, monkeypatch):
    """A rendering that did not follow its commit leaves both files behind, no fault; the next makes it good."""
    root = tmp_path / "archive"
    take(root, registers(tmp_path / "registers"), sheets(tmp_path / "first", "1"))
    with monkeypatch.context() as cut:
        cut.setattr(pipeline, "render_after", lambda *_, **__: Rendered(locked=True))
        take(root, sheets(tmp_path / "moved", "1", site="S2", corrects="S1.20250501T100000Z.M1"))
    late = [one.path for one in behind(Archive(root), office_of(Archive(root)))]
    assert late == ["netcdf/S1/gaugings.nc", "netcdf/S2/gaugings.nc"]
    report = audit(root)
    assert (report.faults, report.counts["NetCDF files behind"]) == ((), 2)
    made = render(root, by="T1", now=NOW)
    assert (made.struck, Archive(root).ledger.listed("netcdf/S1/gaugings.nc")) == (("netcdf/S1/gaugings.nc",), None)
    report = audit(root)
    assert (report.faults, report.counts["NetCDF files behind"]) == ((), 0)
