"""Gaugings and series as datasets: values and attributes against NetCDF and Parquet read directly; laziness."""

from __future__ import annotations

import builtins
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import xarray as xr

import stillwell
from stillwell.archive.tables.table_files import arrow_schema
from stillwell.archive.writing.writer import Commit, open_writer
from stillwell.errors import QueryError
from stillwell.reading.select.files import selected_files
from stillwell.schemas import ARCHIVE_TABLES, SCHEMA_VERSION
from stillwell.schemas.base import Count, Flag, Number, Recorded, Text, Time, col
from stillwell.schemas.derive import table_schema
from tests.making import frame
from tests.pipeline.season import season, sheets, take

SAMPLE = Path(__file__).parents[2] / "sample_archive" / "archive"
WALKED = "INV-KES.20250212T112000Z.INV-AC1"


class Levels(Recorded):
    """An invented series of two sensors."""

    site: Text = col("code of the site", standard_name="platform_id", required=True, key=True)
    sensor: Text = col("code of the sensor", key=True)
    time: Time = col("when it was recorded", standard_name="time", required=True, key=True)
    level_m: Number = col(
        "level of the water", units="m", standard_name="water_surface_height_above_reference_datum", required=True
    )
    battery_v: Number = col("battery voltage", units="V")
    count: Count = col("readings in the mean", units="1")
    dry: Flag = col("whether the sensor was dry")
    mark: Text = col("what the logger said", isin=["plain", "odd"])


class Days(Recorded):
    """An invented series of days in words."""

    site: Text = col("code of the site", standard_name="platform_id", required=True, key=True)
    day: Text = col("day", required=True, key=True)
    mean_m3_s: Number = col("mean discharge", units="m3 s-1")


@pytest.fixture(scope="module")
def sample():
    """Open the archive of the invented season."""
    return stillwell.open(SAMPLE)


def levels(start: str, periods: int, sensor: str, level: float, revision: int = 1, day: int = 1) -> pd.DataFrame:
    """Make hourly rows of one sensor, recorded on a day of 2026."""
    at = pd.date_range(start, periods=periods, freq="h", tz="UTC")
    rows = frame("invented_levels", [{}], kept=True).iloc[np.zeros(periods, dtype=int)].reset_index(drop=True)
    return rows.assign(
        site="S1",
        sensor=pd.Series([sensor] * periods, dtype="str"),
        time=pd.Series(at).dt.as_unit("us"),
        level_m=level + np.arange(periods) / 1000,
        count=pd.array([4, None] * (periods // 2), dtype="Int64"),
        dry=pd.array([True, None] * (periods // 2), dtype="boolean"),
        mark=pd.Series(["plain", None] * (periods // 2), dtype="str"),
        revision=pd.array([revision] * periods, dtype="Int64"),
        recorded_at=pd.Series([pd.Timestamp(f"2026-02-{day:02d}T00:00Z")] * periods).dt.as_unit("us"),
    )


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """Make an archive with two invented series: three years of levels, a part of them revised later, and days."""
    models = {"invented_levels": Levels, "invented_days": Days}
    patch = pytest.MonkeyPatch()
    for name, model in models.items():
        patch.setitem(ARCHIVE_TABLES, name, model)
    root = season(tmp_path_factory.mktemp("recorded"), "1")
    described = {
        f"schemas/{name}.json": json.dumps(table_schema(name, model, SCHEMA_VERSION)).encode()
        for name, model in models.items()
    }
    days = [
        {"site": "S1", "day": f"2024-0{m}-15", "mean_m3_s": float(m), "revision": 1, "recorded_at": "2026-02-01T00:00Z"}
        for m in range(1, 10)
    ]
    commits = [
        {
            "invented_levels": levels("2022-12-31T12:00", 48, "A", 1.0),
            "invented_days": frame("invented_days", days, kept=True),
        },
        {"invented_levels": pd.concat([levels("2024-01-01", 48, "A", 3.0), levels("2024-01-01", 24, "B", 9.0)])},
        {"invented_levels": levels("2023-06-01", 48, "A", 2.0)},
        {"invented_levels": levels("2023-06-01T10:00", 4, "A", 20.0, revision=2, day=9)},
    ]
    for number, tables in enumerate(commits):
        with open_writer(
            root, software_version="0", by="T", now=lambda n=number: datetime(2026, 2, n + 1, tzinfo=UTC)
        ) as w:
            w.commit(Commit(tables=tables, replacing=described if number == 0 else {}, reason="test"))
    yield root
    patch.undo()
    arrow_schema.cache_clear()


@pytest.mark.parametrize("which", range(4))
def test_a_gauging_is_its_part_of_the_netcdf_of_its_site_and_year(sample, which):
    """Values, attributes and flags of each variable are those xarray reads for it from the archive's own file."""
    gaugings = sample.gaugings(start="2025", recomputable=True)
    row = gaugings.groupby("site").nth(1).iloc[which]
    made = sample.gauging(row["gauging_id"])
    with xr.open_dataset(SAMPLE / "netcdf" / row["site"] / "gaugings.nc") as year:
        i = list(year["gauging_id"].to_numpy()).index(row["gauging_id"])
        mine = year["gauging_index"].to_numpy() == i
        of_obs = np.repeat(mine, year["row_size"].to_numpy().astype(int))
        expected = year.isel(gauging=[i], vertical=np.flatnonzero(mine), obs=np.flatnonzero(of_obs)).load()
    expected["gauging_index"][:] = 0
    assert set(expected.variables) | {"vertical_index"} == set(made.variables)
    for name, variable in expected.variables.items():
        np.testing.assert_array_equal(variable.to_numpy(), made[name].to_numpy(), err_msg=name)
        xr.testing.assert_identical(xr.Variable((), 0, variable.attrs), xr.Variable((), 0, made[name].attrs))
    depths = made["water_depth"].to_numpy()[made["vertical_index"].to_numpy()] * made["relative_depth"].to_numpy()
    if row["site"] != "INV-WIN":
        np.testing.assert_allclose(depths, made["depth"].to_numpy())
    assert made.attrs["id"] == f"{row['gauging_id']}/{row['revision']}"
    assert made.attrs["stillwell_archive"] == str(SAMPLE)


def test_a_gauging_can_be_written_and_read_again(sample, tmp_path):
    """The dataset of a gauging goes to NetCDF and comes back the same."""
    made = sample.gauging(WALKED)
    made.to_netcdf(tmp_path / "one.nc")
    with xr.open_dataset(tmp_path / "one.nc") as again:
        xr.testing.assert_equal(made, again.load())


def test_a_gauging_as_of_a_day_and_a_revision(tmp_path):
    """As of a moment a gauging is what it was then; a revision can be named; what does not stand is said in words."""
    root = season(tmp_path, "1")
    then = stillwell.open(root).gaugings()["recorded_at"].max()
    take(root, sheets(tmp_path / "again", "1", velocity=0.5))
    a, one = stillwell.open(root), "S1.20250501T100000Z.M1"
    speeds = [set(a.gauging(one, **how)["velocity"].to_numpy()) for how in ({}, {"as_of": then}, {"revision": 1})]
    assert [{0.5}, {0.4}, {0.4}] == speeds
    assert a.gauging(one, as_of=then).attrs["stillwell_as_of"] != ""
    for how, said in (
        ({"revision": 3}, "found 1, 2, but not revision 3"),
        ({"as_of": then - timedelta(days=1)}, "none of them stands"),
    ):
        with pytest.raises(QueryError, match=said):
            a.gauging(one, **how)
    with pytest.raises(QueryError, match=r"found 'S1\.x'"):
        a.gauging("S1.x")


def test_a_gauging_without_points_is_a_point_in_time(sample):
    """A gauging of which only a result was handed in has no verticals, and its result is in the dataset."""
    one = sample.gaugings(recomputable=False).iloc[0]
    made = sample.gauging(one["gauging_id"])
    assert made.attrs["featureType"] == "point"
    assert "vertical" not in made.sizes
    assert made["discharge"].item() == one["discharge_m3_s"]


def test_a_series_of_gauge_heights_is_its_rows_by_time(sample):
    """Values are those of the frame, in the order of time, with the units and names of the schema."""
    rows = (
        sample.gauge_heights(site="INV-ORM", start="2025", end="2025-07").query("gauge.isna()").sort_values("read_at")
    )
    made = sample.series("INV-ORM", "gauge_heights", "2025", "2025-07", gauge="")
    np.testing.assert_array_equal(rows["gauge_height_m"].to_numpy(), made["gauge_height_m"].to_numpy())
    np.testing.assert_array_equal(rows["source"].fillna("").to_numpy(object), made["source"].to_numpy())
    np.testing.assert_array_equal(rows["read_at"].dt.tz_localize(None).to_numpy(), made["time"].to_numpy())
    assert {"long_name", "units", "standard_name"} == set(made["gauge_height_m"].attrs)
    assert (made["station_id"].item(), made["station_id"].attrs["cf_role"]) == ("INV-ORM", "timeseries_id")
    register = sample.sites(site="INV-ORM").iloc[0]
    assert (register["latitude"], register["longitude"]) == (made["lat"].item(), made["lon"].item())


def test_a_series_of_several_files_with_revisions_stands_as_its_rows_do(recorded):
    """Of one sensor the newest revision of each moment stands, whichever file it came in; so it was before, as of."""
    a = stillwell.open(recorded)
    made = a.series("S1", "invented_levels", sensor="A")
    rows = a.invented_levels(site="S1", sensor="A")
    assert made.sizes["time"] == len(rows) == 144
    for name in ("level_m", "battery_v"):
        np.testing.assert_array_equal(rows[name].to_numpy(), made[name].to_numpy())
    np.testing.assert_array_equal(rows["count"].to_numpy("float64", na_value=np.nan), made["count"].to_numpy())
    np.testing.assert_array_equal(rows["dry"].fillna(False).to_numpy(bool), made["dry"].to_numpy() == 1)
    assert (made["dry"].attrs["flag_meanings"], made["dry"].dtype) == ("missing no yes", np.int8)
    assert bool((np.diff(made["time"].to_numpy()) > np.timedelta64(0)).all())
    assert (made["level_m"] >= 20).sum() == 4
    before = a.series("S1", "invented_levels", sensor="A", as_of="2026-02-08T00:00Z")
    assert ((before["level_m"] >= 20).sum(), before.sizes["time"]) == (0, 144)
    part = a.series("S1", "invented_levels", "2023-06-01T09:00Z", "2023-06-01T12:00Z", sensor="A")
    np.testing.assert_allclose(part["level_m"].to_numpy(), [2.009, 20.0, 20.001])


def test_rows_of_a_series_with_revisions_are_what_the_archive_gives(recorded):
    """The quick way to the rows that stand gives what the archive's own reading gives, in order of key."""
    a = stillwell.open(recorded)
    for how in ({}, {"as_of": datetime(2026, 2, 8, tzinfo=UTC)}):
        expected = a._archive.at(how.get("as_of")).standing("invented_levels").sort_values(["site", "sensor", "time"])
        pd.testing.assert_frame_equal(expected.reset_index(drop=True), a.invented_levels(**how))
    assert len(a.invented_levels(revisions=True)) == len(a.invented_levels()) + 4
    odd = a.invented_levels(start="2023-06-01T10:00Z", end="2023-06-01T11:00Z", columns="level_m")
    assert list(odd["level_m"]) == [20.0]


def test_a_series_reads_values_only_where_they_are_looked_at(recorded, monkeypatch):
    """Opening reads times and key alone; a year's values come from the files of that year, each column once."""
    read = []
    whole = pq.ParquetFile.read_row_groups

    def spy(self, groups, columns=None, **more):
        read.append((self.metadata.num_rows, tuple(columns)))
        return whole(self, groups, columns=columns, **more)

    monkeypatch.setattr(pq.ParquetFile, "read_row_groups", spy)
    a = stillwell.open(recorded)
    made = a.series("S1", "invented_levels", sensor="A")
    known = {"site", "sensor", "time", "revision", "recorded_at"}
    levels_read = [columns for rows, columns in read if rows != 2 and "time" in columns]
    assert len(levels_read) == 4
    assert all(set(columns) <= known for columns in levels_read)
    read.clear()
    year = made["level_m"].sel(time="2024")
    assert read == []
    assert year.to_numpy()[0] == 3.0
    assert read == [(72, ("level_m",))]
    assert made["level_m"].isel(time=[0, -1, 3]).to_numpy().tolist() == pytest.approx([1.0, 3.047, 1.003])
    assert float(made["level_m"][5]) == 1.005
    assert {columns for _, columns in read} == {("level_m",)}
    assert len(read) == 2


def test_a_span_opens_no_row_group_outside_of_it(recorded):
    """By footers alone a file that ends before a span or starts after it is left out."""
    archive = stillwell.open(recorded)._archive
    times = [pd.Timestamp(t, tz="UTC") for t in ("2023-06-01", "2023-07-01")]
    assert len(selected_files(archive, "invented_levels", ["S1"])) == 4
    kept = selected_files(archive, "invented_levels", ["S1"], [("time", *times)])
    assert sorted(held.footer.num_rows for held in kept) == [4, 48]


def test_files_that_follow_each_other_are_joined_without_reading_their_keys(recorded, monkeypatch):
    """Where footers alone put the files of one sensor one after the other, only the column asked for is read."""
    read = []
    whole = pq.ParquetFile.read_row_groups

    def spy(self, groups, columns=None, **more):
        read.append(tuple(columns))
        return whole(self, groups, columns=columns, **more)

    monkeypatch.setattr(pq.ParquetFile, "read_row_groups", spy)
    a = stillwell.open(recorded, as_of="2026-02-08T00:00Z")
    rows = a.invented_levels(end="2024", columns="level_m")
    assert read == [("level_m",), ("level_m",)]
    expected = a.invented_levels(end="2024").sort_values("time")
    assert list(rows["level_m"]) == list(expected["level_m"])
    assert len(rows) == 96


def test_a_series_of_days_in_words(recorded):
    """Days written as words lie at their first moments, in frames and series alike."""
    a = stillwell.open(recorded)
    made = a.series("S1", "invented_days", "2024-03", "2024-06")
    assert (
        list(made["mean_m3_s"].to_numpy())
        == [3.0, 4.0, 5.0]
        == list(a.invented_days(start="2024-03", end="2024-06")["mean_m3_s"])
    )
    assert made["time"].to_numpy()[0] == np.datetime64("2024-03-15")


def test_a_series_that_is_not_there_or_not_one_is_said_in_words(sample, recorded):
    """A table that is no series, several sensors, a sensor or part unknown: each names what there is."""
    a = stillwell.open(recorded)
    for ask, said in (
        (lambda: sample.series("INV-KES", "gaugings"), "a series of .*gauge_heights.*; found 'gaugings'"),
        (lambda: sample.series("KES", "gauge_heights"), "found 'KES'"),
        (lambda: a.series("S1", "invented_levels"), "one sensor of 'A', 'B'; found none chosen"),
        (lambda: a.series("S1", "invented_levels", sensor="C"), "one sensor of 'A', 'B'; found 'C'"),
        (lambda: a.series("S1", "invented_levels", gauge="A"), "expected sensor to tell series apart; found 'gauge'"),
    ):
        with pytest.raises(QueryError, match=said):
            ask()
    empty = a.series("S1", "invented_levels", "1990", "1991")
    assert (empty.sizes["time"], empty["level_m"].to_numpy().shape) == (0, (0,))


def test_records_of_a_year_are_their_rows_with_the_names_of_the_netcdf_files(sample):
    """Discharge and daily means have the rows' values and the archive's NetCDF times, cell methods and units."""
    files = ("discharge", "discharge_m3_s", "discharge_2025.nc"), ("daily", "mean_m3_s", "daily.nc")
    for what, column, file in files:
        made = sample.series("INV-KES", what, "2025", "2026")
        rows = sample.table(what)(site="INV-KES", start="2025", end="2026")
        np.testing.assert_array_equal(rows[column].to_numpy(), made[column].to_numpy())
        with xr.open_dataset(SAMPLE / "netcdf" / "INV-KES" / file) as year:
            both = np.intersect1d(year["time"].to_numpy(), made["time"].to_numpy())
            assert len(both) > 250
            np.testing.assert_array_equal(
                year["discharge"].sel(time=both).to_numpy(), made[column].sel(time=both).to_numpy()
            )
            for name in ("units", "standard_name", "cell_methods", "long_name"):
                assert year["discharge"].attrs[name] == made[column].attrs[name]
            for name in ("standard_name", "standard_error_multiplier"):
                assert year["discharge_uncertainty"].attrs[name] == made["uncertainty_m3_s"].attrs[name]
            if what == "daily":
                mine = made["time_bounds"].sel(time=both).to_numpy()
                np.testing.assert_array_equal(year["time_bounds"].sel(time=both).to_numpy(), mine)
    assert made["day"].to_numpy()[0] == "2025-01-01"


def test_drawings_show_what_was_asked(sample):
    """Each drawing is a figure with the values on its axes and their units in its labels."""
    made = sample.gauging(WALKED)
    section, *_ = sample.plot_gauging(WALKED).axes
    assert made.attrs["title"] == section.get_title()
    drawn = np.asarray(section.collections[-1].get_offsets())
    np.testing.assert_allclose(drawn[:, 1], made["depth"].to_numpy())
    flow, width = made["panel_discharge"].to_numpy(), made["panel_width"].to_numpy()
    filled = [bar.get_width() for bar in section.patches]
    np.testing.assert_allclose(filled, np.nan_to_num(width * abs(flow) / np.nanmax(flow)), atol=1e-12)
    largest = 100 * np.nanmax(flow) / np.nansum(abs(flow))
    assert [text.get_text() for text in section.texts] == [f"largest share: {largest:.1f} %"]
    rows = sample.gaugings(site="INV-ORM").dropna(subset=["gauge_height_m", "discharge_m3_s"])
    axes = sample.plot_rating("INV-ORM").axes[0]
    assert sum(len(c.lines[0].get_xdata()) for c in axes.containers) == len(rows)
    rating = sample.ratings(site="INV-KES").iloc[-1]["rating"]
    one = sample.rating_segments(rating=rating).iloc[0]
    drawn = next(x for x in sample.plot_rating("INV-KES").axes[0].lines if x.get_label() == rating)
    head = np.maximum(np.asarray(drawn.get_ydata()) - one["zero_stage_m"], 0)
    np.testing.assert_allclose(drawn.get_xdata(), one["coefficient"] * head ** one["exponent"])
    flow = sample.plot_series("INV-KES", "discharge", "2025-03", "2025-04").axes[0].lines[0]
    assert len(flow.get_ydata()) == 31 * 24
    np.testing.assert_allclose(
        np.nanmax(flow.get_ydata()),
        sample.discharge(site="INV-KES", start="2025-03", end="2025-04")["discharge_m3_s"].max(),
    )
    heights = sample.series("INV-KES", "gauge_heights", "2025", gauge="")
    line = sample.plot_series("INV-KES", "gauge_heights", "2025", gauge="").axes[0].lines[0]
    np.testing.assert_array_equal(line.get_ydata(), heights["gauge_height_m"].to_numpy())
    without = sample.gaugings(recomputable=False)["gauging_id"].iloc[0]
    with pytest.raises(QueryError, match="expected verticals to draw"):
        sample.plot_gauging(without)


def test_without_matplotlib_a_drawing_says_what_brings_it(sample, monkeypatch):
    """Where matplotlib is not installed the error names the extra that brings it."""
    plain = builtins.__import__

    def without(name, *more):
        if name.startswith("matplotlib"):
            raise ImportError(name)
        return plain(name, *more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(QueryError, match=r"stillwell\[plots\]"):
        sample.plot_rating("INV-ORM")
