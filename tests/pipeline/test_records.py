"""From recorded stage to a discharge record in the archive: ratings, shifts, corrections, days; proved and rebuilt."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from stillwell.archive.archive import Archive
from stillwell.errors import QueryError
from stillwell.pipeline import compare
from stillwell.pipeline.adopt import adopt, deposit_of
from stillwell.pipeline.audit import audit
from stillwell.pipeline.derive import derivations, derive
from stillwell.pipeline.rebuild import rebuild
from stillwell.reading.records import record
from stillwell.reading.select.spans import span_of
from tests.pipeline.season import NOW, season, take
from tests.pipeline.test_audit import rewritten

START = pd.Timestamp("2025-05-01T00:00Z")
LATER = pd.Timestamp("2025-06-01T00:00Z")


def _stage(folder, values, start=START, step="1h", site="S1", sensor="", name="stage"):
    """Write a logger file of one site."""
    folder.mkdir(exist_ok=True)
    times = pd.date_range(start, periods=len(values), freq=step)
    rows = pd.DataFrame(
        {"site": site, "sensor": sensor, "time": times.strftime("%Y-%m-%dT%H:%M:%SZ"), "stage_m": values}
    )
    rows.to_csv(folder / f"{name}.csv", index=False)
    return folder


def _rating(name="R1", since="2025-01-01T00:00Z", coefficient=10.0, **more):
    """Write down ``Q = C (h - 0.5)^2`` as a deposit of decisions."""
    rating = {"rating": name, "site": "S1", "valid_from": since, "by": "H1", "reason": "made up"} | more
    segment = {
        "rating": name,
        "segment": 1,
        "from_m": 0.5,
        "coefficient": coefficient,
        "zero_stage_m": 0.5,
        "exponent": 2.0,
    }
    return deposit_of(f"rating {name}", {"ratings": [rating], "rating_segments": [segment]})


def _of(root, table="discharge"):
    return (
        Archive(root).standing(table, ["S1"]).sort_values("time" if table == "discharge" else "day", ignore_index=True)
    )


@pytest.fixture(scope="module")
def with_record(tmp_path_factory):
    """Make an archive with two days of hourly stage at 1.5 m and a rating, derived."""
    tmp = tmp_path_factory.mktemp("record")
    root = season(tmp)
    take(root, _stage(tmp / "logger", [1.5] * 49))
    adopt(root, _rating(), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    return root


@pytest.fixture
def root(with_record, tmp_path):
    """Copy that archive."""
    return shutil.copytree(with_record, tmp_path / "archive")


def test_each_stage_becomes_the_discharge_of_its_moment(root):
    """``10 (1.5 - 0.5)^2 = 10`` m3/s; from 5 % and ``dQ/dh u_h = 20 x 0.005`` m3/s its uncertainty by hand."""
    rows = _of(root)
    np.testing.assert_allclose(10.0, rows["discharge_m3_s"])
    np.testing.assert_allclose(2 * np.hypot(0.05 * 10, 20 * 0.005), rows["uncertainty_m3_s"])
    assert set(rows["rating"]) == {"R1"}
    days = _of(root, "daily")
    assert list(days["day"])[:2] == ["2025-05-01", "2025-05-02"]
    np.testing.assert_allclose([10.0, 10.0], days["mean_m3_s"][:2])
    assert days["mean_m3_s"].isna().tolist() == [False, False, True]


def test_nothing_changed_makes_no_commit(root):
    """A second derivation has nothing to say."""
    number = Archive(root).ledger.head_number()
    assert derive(root, by="H1", now=NOW) == (None, {})
    assert Archive(root).ledger.head_number() == number


def test_a_change_of_rating_recomputes_only_where_it_applies(root):
    """A second rating from noon of the second day revises the values it holds for, and no other."""
    before = Archive(root).ledger.head().recorded_at
    adopt(root, _rating("R2", "2025-05-02T12:00Z", coefficient=20.0), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    rows = _of(root)
    later = rows["time"] >= pd.Timestamp("2025-05-02T12:00Z")
    assert set(rows.loc[~later, "revision"]) == {1}
    assert set(rows.loc[later, "revision"]) == {2}
    np.testing.assert_allclose(np.where(later, 20.0, 10.0), rows["discharge_m3_s"])
    # 11 hours at 10, one hour from 10 to 20, 12 hours at 20
    np.testing.assert_allclose((11 * 10 + 15 + 12 * 20) / 24, _of(root, "daily")["mean_m3_s"][1])
    then = Archive(root).at(before).standing("discharge", ["S1"])
    np.testing.assert_allclose(10.0, then["discharge_m3_s"])


def test_shifts_run_straight_between_and_are_held_outside(root):
    """``Q = 10 (h + s - 0.5)^2``, s from 0 to 0.24 m over a day: 0.12 m half-way; held before and after, marked."""
    shifts = [
        {"rating": "R1", "from": "2025-05-01T12:00Z", "shift_m": 0.0, "by": "H1", "reason": "scour"},
        {"rating": "R1", "from": "2025-05-02T12:00Z", "shift_m": 0.24, "by": "H1", "reason": "scour"},
    ]
    adopt(root, deposit_of("shifts", {"shifts": shifts}), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    rows = _of(root).set_index("time")
    at = {hour: rows.loc[START + pd.Timedelta(hours=hour)] for hour in (0, 12, 24, 36, 48)}
    np.testing.assert_allclose([0, 0, 0.12, 0.24, 0.24], [row["shift_m"] for row in at.values()], atol=1e-12)
    np.testing.assert_allclose(10 * 1.12**2, at[24]["discharge_m3_s"])
    assert ["shift held" in str(row["marks"]) for row in at.values()] == [True, False, False, False, True]


def test_corrections_lie_on_top_of_untouched_stage(root, tmp_path):
    """A drift from 0 to -0.2 m over a day is added while it holds; the recorded stage stays as it came."""
    folder = tmp_path / "corrections"
    folder.mkdir()
    (folder / "corrections.csv").write_text(
        "site,from,to,start_m,end_m,reason,by\nS1,2025-05-01T00:00Z,2025-05-02T00:00Z,0,-0.2,drift of the sensor,H1\n"
    )
    take(root, folder)
    derive(root, by="H1", now=NOW)
    rows = _of(root)
    np.testing.assert_allclose([1.5, 1.4, 1.5], rows["stage_m"].iloc[[0, 12, 24]])
    np.testing.assert_allclose(1.5, Archive(root).standing("stage", ["S1"])["stage_m"])


def test_ice_is_marked_and_the_far_end_is_not_rated(root, tmp_path):
    """A span of ice marks its values; beyond twice the highest gauged discharge nothing is given."""
    gauged = {"gauged_from_m": 0.8, "gauged_to_m": 1.5}
    adopt(root, _rating(**gauged, reason="with its range"), by="H1", now=NOW)
    span = {"from": "2025-05-01T05:00Z", "to": "2025-05-01T07:00Z"}
    condition = [{"site": "S1", **span, "condition": "ice", "reason": "seen", "by": "H1"}]
    adopt(root, deposit_of("ice", {"conditions": condition}), by="H1", now=NOW)
    take(root, _stage(tmp_path / "flood", [1.7, 2.0], start="2025-05-03T01:00Z"))
    derive(root, by="H1", now=NOW)
    rows = _of(root)
    assert rows["marks"].fillna("").str.contains("ice").sum() == 2
    flood = rows.tail(2)
    np.testing.assert_allclose([10 * 1.2**2, np.nan], flood["discharge_m3_s"])
    assert set(flood["marks"]) == {"above gauged"}


def test_a_second_logger_fills_what_the_first_lacks(tmp_path):
    """Where the first sensor is silent for longer than may be bridged the second counts, elsewhere the first."""
    root = season(tmp_path)
    take(root, _stage(tmp_path / "a", [1.0] * 4, sensor="a"))
    take(root, _stage(tmp_path / "b", [2.0] * 24, sensor="b"))
    adopt(root, _rating(), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    rows = _of(root)
    assert rows["sensor"].tolist() == ["a"] * 4 + ["b"] * 18
    assert len(Archive(root).standing("stage", ["S1"])) == 28


def test_stage_handed_in_again_adds_nothing_and_a_new_value_revises(root, tmp_path):
    """The same file twice is nothing new; another value at a time is the next revision, and no time goes back."""
    take(root, _stage(tmp_path / "again", [1.5] * 49, name="stage"))
    assert len(Archive(root).read("stage", ["S1"])) == 49
    take(root, _stage(tmp_path / "other", [1.6], start="2025-05-01T03:00Z"))
    rows = Archive(root).read("stage", ["S1"])
    assert len(rows) == 50
    assert rows["revision"].max() == 2
    derive(root, by="H1", now=NOW)
    doubts = Archive(root).standing("series_doubts", ["S1"])
    assert not doubts["code"].str.startswith("time-").any()


def test_the_record_is_proved_rebuilt_and_read_by_others(root, tmp_path):
    """Audit and rebuilding make every derived row again; xarray reads the files with bounds and marks."""
    adopt(root, _rating("R2", "2025-05-02T12:00Z", coefficient=20.0), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    assert audit(root).faults == ()
    assert rebuild(root, tmp_path / "again").different == ()
    with xr.open_dataset(root / "netcdf" / "S1" / "daily.nc") as data:
        np.testing.assert_allclose([10.0, (11 * 10 + 15 + 12 * 20) / 24], data["discharge"].values[:2])
        assert data["discharge"].attrs["cell_methods"].startswith("time: mean")
        assert (np.diff(data["time_bounds"].values, axis=1) == np.timedelta64(1, "D")).all()
    with xr.open_dataset(root / "netcdf" / "S1" / "discharge_2025.nc") as data:
        assert data.attrs["featureType"] == "timeSeries"
        assert len(data["time"]) == 49


def test_one_changed_value_of_a_record_is_named(root):
    """A forged discharge in a table with a fitting ledger would need a forged chain; the recomputation names it."""
    archive = Archive(root)
    listed = archive.table_files("discharge", ["S1"])[0]
    data = bytearray((root / listed.path).read_bytes())
    data[len(data) // 2] ^= 1
    (root / listed.path).write_bytes(bytes(data))
    assert listed.path in {fault.path for fault in audit(root, recompute=False).faults}


CORRECTION = "site,from,to,start_m,end_m,reason,by\nS1,2025-05-02T00:00Z,2025-05-01T00:00Z,0,0,x,H\n"
SEGMENT = "rating,segment,from_m,coefficient,zero_stage_m,exponent\nX,1,1,-2,0,2\n"
BAD = [
    ("shifts.csv", "rating,from,shift_m\nnone,2025-05-01T00:00Z,0.1\n", "the name of a rating"),
    ("corrections.csv", CORRECTION, "an end after"),
    ("stage.csv", "site,time,stage_m\nS9,2025-05-01T00:00Z,1\n", "the code of a site"),
    ("stage.csv", "site,time,stage_m\nS1,2025-05-01T00:00,1\n", "a time with its offset"),
    ("stage.csv", "site,time,stage_m\nS1,2025-05-01T00:00Z,high\n", "-100 to 9000 m"),
    ("stage.csv", "site,time,stage_m\nS1,2025-05-01T00:00Z,123456\n", "-100 to 9000 m"),
    ("rating_segments.csv", SEGMENT, "above 0"),
]


@pytest.mark.parametrize(("name", "text", "expected"), BAD)
def test_what_makes_no_record_is_returned_in_words(tmp_path, name, text, expected):
    """Unknown sites and ratings, spans turned round, times without offset, no figures: each with its line."""
    root = season(tmp_path)
    folder = tmp_path / "bad"
    folder.mkdir()
    (folder / name).write_text(text)
    problems = take(root, folder).prepared.problems
    assert len(problems) == 1
    assert expected in problems["expected"].iloc[0]
    assert problems["line"].iloc[0] == 2


def test_a_rating_with_a_step_is_returned_with_its_segments(tmp_path):
    """Two segments that do not meet make no rating; nothing of it holds, and nothing is derived."""
    root = season(tmp_path)
    rating = {"rating": "X", "site": "S1", "valid_from": "2025-01-01T00:00Z", "by": "H", "reason": "r"}
    segments = [
        {"rating": "X", "segment": i + 1, "from_m": low, "coefficient": c, "zero_stage_m": 0.5, "exponent": 2.0}
        for i, (low, c) in enumerate(((0.5, 10.0), (1.0, 20.0)))
    ]
    taken = adopt(root, deposit_of("X", {"ratings": [rating], "rating_segments": segments}), by="H", now=NOW)
    assert "step" in taken.prepared.problems["expected"].iloc[0]
    assert Archive(root).read("rating_segments").empty
    with pytest.raises(QueryError, match="nothing was derived"):
        derive(root, ["S1"], by="H", now=NOW)


def test_a_record_is_given_at_every_step(root):
    """Values, days, months, years and duration agree: two whole days at 10 m3/s are 1,728,000 m3."""
    archive = Archive(root)
    assert record(archive, "S1", "values").num_rows == 49
    until = datetime(2025, 5, 3, tzinfo=UTC)
    assert record(archive, "S1", "daily", span_of(None, until)).num_rows == 2
    duration = record(archive, "S1", "duration").to_pandas()
    assert set(np.round(duration.filter(like="m3_s").to_numpy().ravel(), 9)) >= {10.0}
    with pytest.raises(QueryError, match="expected one of"):
        record(archive, "S1", "hourly")
    with pytest.raises(QueryError, match="derive"):
        record(archive, "S2")


def test_many_sites_are_derived_in_lots(two_sites, tmp_path):
    """Lots of at most so many values, a site never parted: one commit each, and the same rows as all at once."""
    one, other = (shutil.copytree(two_sites, tmp_path / name) for name in ("one", "other"))
    lots = [set(rows["discharge"]["site"]) for _, rows in derivations(one, by="H1", now=NOW, at_once=60)]
    assert lots == [{"S1"}, {"S2"}]
    assert [set(rows["discharge"]["site"]) for _, rows in derivations(other, by="H1", now=NOW)] == [{"S1", "S2"}]
    for table in ("discharge", "daily"):
        rows = [Archive(root).standing(table).drop(columns=["recorded_at"]) for root in (one, other)]
        pd.testing.assert_frame_equal(*rows)
    assert audit(one).faults == ()


@pytest.fixture(scope="module")
def two_sites(tmp_path_factory):
    """Make an archive of two sites with two days of hourly stage and a rating each, and no record."""
    tmp = tmp_path_factory.mktemp("two")
    root = season(tmp, render_now=False)
    for site in ("S1", "S2"):
        take(root, _stage(tmp / site, [1.5] * 49, site=site), render_now=False)
        adopt(root, _rating(f"R{site}", site=site), by="H1", now=NOW, render_now=False)
    return root


@pytest.mark.parametrize("at_once", [compare.AT_ONCE, pytest.param(1, marks=pytest.mark.soak)])
def test_a_forged_value_is_named_whether_sites_of_a_commit_are_proved_together_or_not(
    two_sites, tmp_path, monkeypatch, at_once
):
    """Of two sites derived in one commit the forged row is named with its site, moment and values, and no other."""
    root = shutil.copytree(two_sites, tmp_path / "archive")
    derive(root, by="H1", now=NOW, render_now=False)
    monkeypatch.setattr(compare, "AT_ONCE", at_once)
    place = root / Archive(root).table_files("discharge", ["S2"])[0].path
    rewritten(root, place, lambda rows: rows.assign(discharge_m3_s=rows["discharge_m3_s"].where(rows.index != 3, 11.0)))
    sentences = [fault.sentence for fault in audit(root).faults if fault.kind == "recompute"]
    assert len(sentences) == 1
    assert "site S2, time 2025-05-01 03:00:00+00:00" in sentences[0]
    assert "expected discharge_m3_s" in sentences[0]
    assert "11.0" in sentences[0].partition("found")[2]


def _read(folder, heights, name="read"):
    """Write readings of the staff every six hours."""
    folder.mkdir(exist_ok=True)
    times = [(LATER + pd.Timedelta(hours=6 * i + 1)).isoformat() for i in range(len(heights))]
    rows = pd.DataFrame({"site": "S1", "read_at": times, "gauge_height_m": heights})
    rows.to_csv(folder / "gauge_heights.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def quiet_month(tmp_path_factory):
    """Make an archive with two days of hourly stage at 1.5 m in a month without gaugings, and a rating."""
    tmp = tmp_path_factory.mktemp("quiet")
    root = season(tmp)
    take(root, _stage(tmp / "logger", [1.5] * 49, start=LATER))
    adopt(root, _rating(), by="H1", now=NOW)
    return root


@pytest.fixture
def visited(quiet_month, tmp_path):
    """Copy that archive."""
    return shutil.copytree(quiet_month, tmp_path / "archive")


def _doubts(root, code):
    rows = Archive(root).standing("series_doubts", ["S1"])
    return rows[rows["code"] == code]


def test_a_sensor_that_leaves_the_staff_is_doubted_until_it_is_corrected(visited, tmp_path):
    """Five centimetres off at four visits in a row are one suspect row; a correction in force makes it a note."""
    take(visited, _read(tmp_path / "read", [1.5, 1.45, 1.45, 1.45, 1.45, 1.5]))
    derive(visited, by="H1", now=NOW)
    (row,) = _doubts(visited, "staff-differs").to_dict("records")
    assert (row["severity"], round(row["value"], 9)) == ("suspect", -0.05)
    assert row["message"].startswith("at 4 visits in a row the staff stood up to -0.050 m")
    assert (row["from"], row["to"]) == (LATER + pd.Timedelta(hours=7), LATER + pd.Timedelta(hours=25))
    correction = {
        "site": "S1",
        "from": "2025-06-01T05:00Z",
        "to": "2025-06-02T02:00Z",
        "start_m": -0.05,
        "end_m": -0.05,
    }
    corrected = deposit_of("c", {"corrections": [correction | {"reason": "weed", "by": "H1"}]})
    assert adopt(visited, corrected, by="H1", now=NOW).all_good
    derive(visited, by="H1", now=NOW)
    (row,) = _doubts(visited, "staff-differs").to_dict("records")
    assert (row["severity"], row["revision"]) == ("note", 2)
    assert audit(visited).faults == ()


def test_a_doubt_that_rested_on_a_wrong_reading_lapses(visited, tmp_path):
    """The reading is corrected: the doubt stays in the archive and says that it no longer holds."""
    take(visited, _read(tmp_path / "read", [1.5, 1.8, 1.5]))
    derive(visited, by="H1", now=NOW)
    assert _doubts(visited, "staff-differs")["severity"].tolist() == ["suspect"]
    take(visited, _read(tmp_path / "again", [1.5, 1.5, 1.5]))
    derive(visited, by="H1", now=NOW)
    (row,) = _doubts(visited, "staff-differs").to_dict("records")
    assert (row["severity"], row["revision"]) == ("note", 2)
    assert row["message"].startswith("no longer doubted")
    assert derive(visited, by="H1", now=NOW) == (None, {})


def test_stage_in_the_wrong_unit_is_doubted_and_not_converted(tmp_path):
    """Feet in a column of metres, a staff in metres: suspect, with the unit named; the values stay as they are."""
    root = season(tmp_path)
    truth = 1.2 + 0.3 * np.sin(np.arange(49) / 5)
    take(root, _stage(tmp_path / "logger", np.round(truth / 0.3048, 4), start=LATER))
    take(root, _read(tmp_path / "read", np.round(truth[1:49:6], 3)))
    adopt(root, _rating(), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    (row,) = _doubts(root, "unit-doubted").to_dict("records")
    assert row["severity"] == "suspect"
    assert row["message"].startswith("stage reads like ft and not like metres: 8 readings")
    np.testing.assert_allclose(_of(root)["stage_m"], np.round(truth / 0.3048, 4))


def test_visits_and_proposed_corrections_can_be_asked_for(visited, tmp_path):
    """What is proposed, handed in as it is with a code of who adopts it, leaves nothing at the visits it came from."""
    take(visited, _read(tmp_path / "read", [1.45, 1.45, 1.45]))
    proposed = record(Archive(visited), "S1", "corrections").to_pandas()
    folder = tmp_path / "adopted"
    folder.mkdir()
    proposed.assign(by="H1").to_csv(folder / "corrections.csv", index=False)
    assert take(visited, folder).all_good
    visits = record(Archive(visited), "S1", "visits").to_pandas()
    np.testing.assert_allclose(visits["left_m"], 0.0, atol=1e-9)
    with pytest.raises(QueryError, match="recorded stage"):
        record(Archive(visited), "S2", "visits")
