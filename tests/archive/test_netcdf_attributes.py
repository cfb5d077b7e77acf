"""What a NetCDF file says of itself: attributes that CF 1.11 and ACDD 1.3 want, and figures from the tables."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.netcdf.arrays import laid_out, shortened
from stillwell.archive.netcdf.gaugings import gaugings_netcdf
from stillwell.archive.netcdf.global_attributes import (
    Recorded,
    _duration,
    global_attributes,
    series_attributes,
    stage_attributes,
)
from stillwell.archive.netcdf.outputs import outputs
from stillwell.archive.netcdf.render import rendered
from stillwell.archive.netcdf.wording import meaning
from stillwell.pipeline.committing import office_of

ARCHIVE = Archive(Path(__file__).resolve().parents[2] / "sample_archive" / "archive")
NAMED = ("coordinates", "ancillary_variables", "grid_mapping", "bounds")
WHEN = {
    "stage": ("time", "time"),
    "discharge": ("time", "time"),
    "daily": ("starts_at", "ends_at"),
    "gaugings": ("started_at", "ended_at"),
}
ROLES = {"gaugings": ["profile_id", "trajectory_id"]}
SECOND = "seconds since 1970-01-01T00:00:00Z"


@pytest.fixture(scope="module")
def files():
    """Render every file of the invented season anew, by table and path."""
    office = office_of(ARCHIVE)
    made = dict(rendered(ARCHIVE, list(outputs(ARCHIVE, office)), office))
    assert len(made) > 10
    return [
        (path.rpartition("/")[2].partition(".")[0].partition("_")[0], netCDF4.Dataset(path, memory=data))
        for path, data in sorted(made.items())
    ]


def _said(variable, name):
    return variable.getncattr(name) if name in variable.ncattrs() else ""


def _rows(table, data):
    """Read the rows that stand of the gaugings, or of the site and the years, of a file."""
    site = data.id.split(".")[0]
    rows = ARCHIVE.standing(table, [site])
    if table == "gaugings":
        return rows
    year = rows[WHEN[table][0]].dt.year
    return rows if table == "daily" else rows[year == int(data.id.rpartition(".")[2])]


def test_every_variable_says_what_it_is_and_where(files):
    """All but bounds have a name in words; what is measured has coordinates and a datum; what is named is there."""
    assert len(files) > 10
    for table, data in files:
        of_time = {_said(v, "bounds") for v in data.variables.values()} - {""}
        said = {name: v for name, v in data.variables.items() if name not in of_time}
        assert [name for name, v in said.items() if not _said(v, "long_name")] == []
        named = {word for v in said.values() for key in NAMED for word in _said(v, key).split()}
        assert named - set(data.variables) == set()
        places = [v for v in said.values() if _said(v, "axis") or _said(v, "standard_name") == "time"]
        assert {_said(v, "axis") for v in places} >= {"T", "X", "Y"}
        assert {v.units for v in places if _said(v, "standard_name") == "time"} == {SECOND}
        assert {v.coverage_content_type for v in places} == {"coordinate"}
        measured = [v for v in said.values() if v.dtype == "f8" and v.dimensions and v not in places]
        assert len(measured) >= 1
        assert [v.name for v in measured if not _said(v, "coordinates")] == []
        assert {_said(v, "grid_mapping") for v in measured} - {
            "crs" if v.dimensions != ("gauging",) else "" for v in measured
        } == set()
        roles = sorted(filter(None, (_said(v, "cf_role") for v in said.values())))
        assert roles == ROLES.get(table, ["timeseries_id"])


def test_what_an_index_points_to_is_a_dimension(files):
    """CF 9.3: an index names the dimension of its instances, a count that of its samples."""
    found = {
        (table, v.name): _said(v, "instance_dimension") or _said(v, "sample_dimension")
        for table, data in files
        for v in data.variables.values()
        if v.name in ("sensor_index", "gauging_index", "row_size")
    }
    expected = {("stage", "sensor_index"): "sensor", ("gaugings", "gauging_index"): "gauging"}
    assert found == expected | {("gaugings", "row_size"): "obs"}


def test_days_stand_at_their_middle_between_their_bounds(files):
    """A day's time is half of the sum of its start and end, as the table holds them; a value's is its moment."""
    assert len(files) > 10
    seen = set()
    for table, data in files:
        if table == "gaugings":
            continue
        rows = _rows(table, data).sort_values(WHEN[table][0], kind="stable")
        start, end = (rows[name].astype("datetime64[us, UTC]").astype("int64").to_numpy() / 1e6 for name in WHEN[table])
        np.testing.assert_allclose(np.sort(data["time"][:]), (start + end) / 2, rtol=0, atol=1e-6)
        if table == "daily":
            np.testing.assert_array_equal(data[data["time"].bounds][:], np.stack([start, end], axis=1))
        seen.add(table)
    assert seen == {"stage", "discharge", "daily"}


def test_a_file_says_what_it_covers_and_when_it_was_recorded(files):
    """First start and last end, first and last recording, of the rows of the file as the tables hold them."""
    assert len(files) > 10
    for table, data in files:
        rows, (start, end) = _rows(table, data), WHEN[table]
        first, last = rows[start].min(), rows[end].max()
        assert data.time_coverage_start == f"{first:%Y-%m-%dT%H:%M:%SZ}"
        assert data.time_coverage_end == f"{last:%Y-%m-%dT%H:%M:%SZ}"
        assert pd.Timedelta(data.time_coverage_duration) == (last - first).floor("s")
        assert data.date_created == f"{rows['recorded_at'].min():%Y-%m-%dT%H:%M:%SZ}"
        assert data.date_modified == f"{rows['recorded_at'].max():%Y-%m-%dT%H:%M:%SZ}"
        assert data.history.splitlines()[-1].startswith(f"{rows['recorded_at'].max():%Y-%m-%dT%H:%M:%S.%fZ}")


def test_the_history_of_gaugings_is_in_the_order_recorded(files):
    """One line for each gauging, by moment and then by id."""
    assert len(files) > 10
    for table, data in files:
        if table == "gaugings":
            rows = _rows(table, data).sort_values(["recorded_at", "gauging_id"])
            assert [line.split()[1] for line in data.history.splitlines()] == rows["gauging_id"].tolist()


SITE = {"site": "S", "name": "Alder", "river": "Lune", "owner": "Board", "licence": "CC0-1.0"}
SITE |= {"latitude": 54.5, "longitude": -2.25}
OFFICE = {"name": "Office", "identifier": "org.invented", "contact_role": "records"}
RECORDED = Recorded(
    ["a", "b"], *(datetime(2025, month, 1, tzinfo=UTC) for month in (1, 2)),
    datetime(2024, 12, 30, 10, tzinfo=UTC), datetime(2025, 1, 1, 13, 4, 5, tzinfo=UTC),
)  # fmt: skip


def test_a_file_of_gaugings_by_hand():
    """Two days, three hours, four minutes and five seconds of gaugings over points from 0.1 to 0.7 m deep."""
    said = global_attributes(SITE, (2024, 2025), RECORDED, np.array([0.3, 0.7, 0.1]), OFFICE, "trajectoryProfile")
    assert said["title"] == "Gaugings at Alder on Lune, 2024 to 2025"
    assert said["time_coverage_duration"] == "P2DT3H4M5S"
    assert (said["geospatial_vertical_min"], said["geospatial_vertical_max"]) == (0.1, 0.7)
    assert (said["geospatial_lat_min"], said["geospatial_lon_max"]) == (54.5, -2.25)
    assert said["geospatial_bounds"] == "POINT (54.5 -2.25)"
    assert said["license"] == "https://spdx.org/licenses/CC0-1.0"
    assert (said["institution"], said["publisher_name"]) == ("Board", "Office (records)")
    assert (said["cdm_data_type"], said["history"]) == ("Trajectory", "a\nb")
    assert (said["date_created"], said["date_modified"]) == ("2025-01-01T00:00:00Z", "2025-02-01T00:00:00Z")


@pytest.mark.parametrize("blank", ["", None, np.nan])
def test_what_a_site_does_not_say_is_not_made_up(blank):
    """Without a river, an owner or a licence: no river in the title, the office owns it, the licence is not stated."""
    site = SITE | {"river": blank, "owner": blank, "licence": blank}
    moments = pd.to_datetime(["2025-01-01T00:00Z", "2025-01-02T00:00Z"])
    rows = pd.DataFrame(
        {"time": moments, "recorded_at": moments, "software_version": ["2", "1"], "deposit": ["b", "a"]}
    )
    of_gaugings = global_attributes(site, (2025, 2025), RECORDED, np.zeros(0), OFFICE, "point")
    of_values = series_attributes(site, rows, OFFICE, "discharge", "time")
    of_stage = stage_attributes(site, rows, OFFICE)
    assert of_gaugings["title"] == "Gaugings at Alder, 2025"
    assert of_values["title"] == "Discharge record of Alder, 2025"
    assert of_stage["summary"].startswith("Stage at Alder, 2025 (UTC)")
    assert stage_attributes(SITE, rows, OFFICE)["summary"].startswith("Stage at Alder on Lune, 2025 (UTC)")
    assert (
        series_attributes(SITE, rows, OFFICE, "discharge", "time")["title"] == "Discharge record of Alder on Lune, 2025"
    )
    assert {said["license"] for said in (of_gaugings, of_values, of_stage)} == {"not stated"}
    assert {said["institution"] for said in (of_gaugings, of_values, of_stage)} == {"Office"}
    assert of_gaugings["cdm_data_type"] == "Point"
    assert not [key for key in of_gaugings if key.startswith("geospatial_vertical")]
    assert of_values["history"] == "2025-01-02T00:00:00.000000Z derived by stillwell 1, 2"
    assert of_stage["history"] == "2025-01-02T00:00:00.000000Z taken from deposits a, b"


def test_a_word_becomes_a_meaning_of_letters_digits_and_what_cf_allows():
    """CF 3.5: letters, digits, underscore, hyphen, period, plus and at sign; anything else is an underscore."""
    assert meaning("two points (0.2, 0.8)") == "two_points__0.2__0.8_"
    assert meaning("a-b.c+d@e_f") == "a-b.c+d@e_f"


def test_words_of_closed_lists_are_read_back_by_their_meanings(files):
    """CF 3.5: as many values or masks as meanings; each coded word is that of the table, none where it has none."""
    columns = {"discharge_status": "status", "discharge_method": "method", "section_method": "section_method"}
    read = 0
    for table, data in files:
        flags = [v for v in data.variables.values() if _said(v, "flag_meanings")]
        for v in flags:
            values = v.flag_values if "flag_values" in v.ncattrs() else v.flag_masks
            assert len(v.flag_meanings.split()) == len(values) == len(set(values.tolist()))
        if table == "gaugings":
            rows = _rows(table, data).set_index("gauging_id")
            ids = data["gauging_id"][:].tolist()
            for name, column in columns.items():
                meanings = dict(zip(data[name].flag_values.tolist(), data[name].flag_meanings.split(), strict=True))
                found = [meanings.get(value) for value in data[name][:].tolist()]
                said = [None if pd.isna(word) else meaning(word) for word in rows.loc[ids, column]]
                assert found == said
                read += len(said) - said.count(None)
    assert read > 10


@pytest.mark.parametrize(("count", "kind"), [(0, "point"), (1, "trajectoryProfile"), (2, "trajectoryProfile")])
def test_a_single_point_makes_a_profile(count, kind):
    """A gauging with a point that was read is a trajectory of profiles (CF 9.1), one without is a point."""
    tables = [ARCHIVE.standing(name) for name in ("gaugings", "verticals", "points", "findings")]
    read = tables[2].dropna(subset=["velocity_m_s", "point_depth_m"])
    mine = [rows[rows["gauging_id"] == read["gauging_id"].iloc[0]] for rows in (*tables, read)]
    (rows,) = laid_out(mine[0], mine[1], mine[4].head(count), mine[3])
    with netCDF4.Dataset("a", memory=gaugings_netcdf(rows, SITE, OFFICE)) as data:
        assert data.featureType == kind
        assert len(data.dimensions.get("obs", ())) == count
        assert ("depth" in data.variables) == (count > 0)


@pytest.mark.parametrize(
    ("span", "text"),
    [
        (timedelta(0), "P0DT0H0M0S"),
        (timedelta(seconds=86_399), "P0DT23H59M59S"),
        (timedelta(days=1), "P1DT0H0M0S"),
        (timedelta(days=400, hours=1, minutes=1, seconds=1), "P400DT1H1M1S"),
    ],
)
def test_a_duration_is_written_in_days_hours_minutes_and_seconds(span, text):
    """As ISO 8601 has it; a day is 86,400 seconds."""
    assert _duration(span) == text


def test_letters_end_with_the_longest_text():
    """Columns in which no row has a letter are left out at the end; of nothing but blanks one stays."""
    letters = np.array([[b"a", b"", b"", b""], [b"b", b"c", b"", b""], [b"", b"", b"d", b""]])
    assert shortened(letters).tolist() == letters[:, :3].tolist()
    assert shortened(letters[:2]).tolist() == letters[:2, :2].tolist()
    assert shortened(np.full((2, 3), b"")).shape == (2, 1)
