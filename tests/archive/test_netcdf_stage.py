"""Recorded stage as NetCDF: what the loggers gave, read back by xarray, and proved by the audit."""

from __future__ import annotations

import netCDF4
import numpy as np
import pandas as pd
import pytest
import xarray as xr

from stillwell.archive.archive import Archive
from stillwell.archive.netcdf.outputs import netcdf_path
from stillwell.pipeline.audit import audit
from tests.archive.test_netcdf import cf_issues
from tests.pipeline.season import registers, take

HOURS = pd.date_range("2024-12-31T20:00Z", periods=9, freq="h")


def _stage(folder, stage, sensor="", raw=()):
    folder.mkdir()
    times = HOURS.strftime("%Y-%m-%dT%H:%M:%SZ")
    rows = pd.DataFrame({"site": "S1", "sensor": sensor, "time": times, "stage_m": stage})
    if len(raw):
        rows = rows.assign(raw_value=raw, raw_unit="cm")
    rows.to_csv(folder / "stage.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """Two loggers at one site over the turn of a year, one of them with the figures it gave."""
    tmp = tmp_path_factory.mktemp("stage")
    take(tmp / "a", registers(tmp / "registers"))
    take(tmp / "a", _stage(tmp / "one", np.arange(9) / 100 + 1, "float"))
    take(tmp / "a", _stage(tmp / "two", np.arange(9) / 100 + 2, "radar", raw=[f"{300 - i}.0" for i in range(9)]))
    return tmp / "a"


def test_every_value_comes_back_with_its_sensor(root):
    """Each year holds its own hours of both loggers, to the last digit, and its site once for each."""
    for year, count in ((2024, 4), (2025, 5)):
        with xr.open_dataset(root / netcdf_path("stage", "S1", year), decode_cf=True) as data:
            frame = data[["stage", "time", "sensor_index"]].to_dataframe()
            assert list(data["station_id"].values.astype(str)) == ["S1/float", "S1/radar"]
            np.testing.assert_array_equal(data["lat"], [11.0, 11.0])
        for index, base in ((0, 1), (1, 2)):
            mine = frame[frame["sensor_index"] == index]
            hours = [i for i, at in enumerate(HOURS) if at.year == year]
            assert len(mine) == count
            np.testing.assert_array_equal(mine["stage"], np.array(hours) / 100 + base)
            np.testing.assert_array_equal(mine["time"], HOURS[hours].tz_localize(None))


def test_cf_checker_finds_nothing(root, tmp_path):
    """compliance-checker 6.1, cf:1.11, reports neither error nor warning on two loggers of one site."""
    assert cf_issues(root / netcdf_path("stage", "S1", 2024), tmp_path) == []


def test_a_figure_given_is_kept_beside_stage_and_one_not_given_is_missing(root):
    """300 cm less one a step from the radar; nothing from the float."""
    with xr.open_dataset(root / netcdf_path("stage", "S1", 2024)) as data:
        raw = data["raw_value"].to_numpy()
        radar = data["sensor_index"].to_numpy() == 1
    np.testing.assert_array_equal(raw[radar], [300, 299, 298, 297])
    assert np.isnan(raw[~radar]).all()


def test_a_newer_value_is_rendered_and_the_audit_proves_it(root, tmp_path):
    """A stage handed in anew replaces the one in the file of its year, and in no other."""
    before = (root / netcdf_path("stage", "S1", 2024)).read_bytes()
    folder = _stage(tmp_path / "new", np.arange(9) / 100 + 1, "float")
    rows = pd.read_csv(folder / "stage.csv").iloc[-1:].assign(stage_m=9.0)
    rows.to_csv(folder / "stage.csv", index=False)
    take(root, folder)
    with xr.open_dataset(root / netcdf_path("stage", "S1", 2025)) as data:
        assert 9.0 in data["stage"]
    assert (root / netcdf_path("stage", "S1", 2024)).read_bytes() == before
    assert not audit(root, recompute=False).faults


def test_a_value_changed_in_the_file_is_named(root, tmp_path):
    """Written again with the ledger's digest out of play, a value that is not its row's is told by place and amount."""
    from stillwell.archive.netcdf.compare import differing_values

    path = root / netcdf_path("stage", "S1", 2024)
    other = tmp_path / "other.nc"
    other.write_bytes(path.read_bytes())
    with netCDF4.Dataset(other, "a") as data:
        data["stage"][2] = 5.0
    (sentence,) = differing_values(other.read_bytes(), path.read_bytes())
    assert "stage[2]" in sentence


def test_a_file_that_is_lost_is_named_by_the_audit(tmp_path):
    """The ledger lists it like every other file."""
    take(tmp_path / "a", registers(tmp_path / "registers"))
    take(tmp_path / "a", _stage(tmp_path / "one", np.arange(9) / 100 + 1))
    assert Archive(tmp_path / "a").ledger.listed(netcdf_path("stage", "S1", 2025)) is not None
    (tmp_path / "a" / netcdf_path("stage", "S1", 2025)).unlink()
    assert any(
        netcdf_path("stage", "S1", 2025) == fault.path for fault in audit(tmp_path / "a", recompute=False).faults
    )
