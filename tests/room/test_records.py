"""Records and ratings in the room: what is drawn is what the archive holds, at any moment asked for."""

from __future__ import annotations

import html
import io
import re

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from stillwell.archive.archive import Archive
from stillwell.drawing.gaugings import MOST_GAUGINGS, evenly_spread
from stillwell.drawing.hydrograph import hydrograph_svg
from stillwell.drawing.thinning import thinned, thinned_limits
from stillwell.pages import urls
from stillwell.pages.data.archive_view import ArchiveViews
from stillwell.pages.data.series import series_of
from stillwell.pages.marked_gaugings import count_gaugings, gaugings_in, marked, stage_discharge
from stillwell.pages.ratings import policy_of, ratings_at, shown_rating
from stillwell.reading.rating.site_ratings import departures
from stillwell.reporting import report
from stillwell.room.windows import window_of
from tests.room.conftest import SAMPLE, archive_of, deposit, opened


@pytest.fixture(scope="module")
def view():
    """Return the sample archive as the room reads it."""
    return ArchiveViews(SAMPLE).view()


def _rows(table, site):
    rows = Archive(SAMPLE).standing(table, [site])
    return rows.sort_values("time" if "time" in rows else "starts_at").reset_index(drop=True)


def _microseconds(times):
    return times.dt.as_unit("us").astype("int64").to_numpy()


@pytest.mark.parametrize(("series", "value"), [("discharge", "discharge_m3_s"), ("daily", "mean_m3_s")])
def test_a_wide_window_holds_the_record(room, series, value):
    """Values, moments and uncertainties of a window wide enough are those of the record, unit and all."""
    rows = _rows(series, "INV-KES").dropna(subset=[value])
    said = room.get(f"/sites/INV-KES/series.json?series={series}&width=5000").json()
    times = rows["time" if series == "discharge" else "starts_at"]
    assert said["unit"] == "m³/s"
    assert said["times_ms"] == (_microseconds(times) // 1000).tolist()
    assert said["values"] == rows[value].tolist()
    assert said["uncertainty"] == rows["uncertainty_m3_s"].tolist()


def test_the_first_series_of_a_site_is_its_discharge(room):
    """A site with a record opens with its discharge; one without, with the readings of its gauge."""
    assert room.get("/sites/INV-KES/series.json").json()["series"] == "discharge"
    assert room.get("/sites/INV-MIL/series.json").json()["series"].startswith("gauge_heights")


@pytest.mark.parametrize("width", [40, 1000, 5000])
@pytest.mark.parametrize("site", ["INV-KES", "INV-ORM"])
def test_marks_hold_where_the_record_says(view, site, width):
    """Every marked value lies in a span of its mark; every span holds a marked value or the step after one."""
    rows = _rows("discharge", site)
    window = window_of(series_of(view, site), {"series": "discharge"}, width)
    times, marks = _microseconds(rows["time"]), rows["marks"].fillna("").str.split("; ")
    words = {word for cell in marks for word in cell if word}
    assert {word for word, _ in window.marks} == words
    assert words >= {"below gauged", "above gauged"}
    step = int(np.median(np.diff(times)))
    for word, spans in window.marks:
        marked = times[[word in cell for cell in marks]]
        inside = np.zeros(marked.size, dtype=bool)
        for since, until in spans:
            inside |= (marked >= since) & (marked < until)
            assert ((marked + step >= since) & (marked < until)).any()
        assert inside.all()


@pytest.mark.parametrize("width", [10, 333])
def test_the_band_holds_the_interval_of_every_value(view, width):
    """However short the picture, no limit of any value lies outside the band of its span, and no peak is lost."""
    rows = _rows("discharge", "INV-ORM").dropna(subset=["discharge_m3_s", "uncertainty_m3_s"])
    window = window_of(series_of(view, "INV-ORM"), {"series": "discharge"}, width)
    edges, times = window.band, _microseconds(rows["time"])
    cell = np.clip((times - window.start) * width // (window.end - window.start), 0, width - 1)
    place = np.searchsorted(np.unique(cell), cell)
    assert edges.times.size == np.unique(cell).size
    low, high = (rows["discharge_m3_s"] + sign * rows["uncertainty_m3_s"] for sign in (-1, 1))
    assert (edges.low[place] <= low.to_numpy()).all()
    assert (edges.high[place] >= high.to_numpy()).all()
    assert set(edges.low) <= set(low)
    assert set(edges.high) <= set(high)
    assert window.thinned.values.max() == rows["discharge_m3_s"].max()


def test_a_hole_breaks_the_band_as_it_breaks_the_line(view):
    """Where a logger was silent, line and band are lifted, in a close window and in one that is thinned."""
    gap = Archive(SAMPLE).standing("series_doubts", ["INV-ORM"]).query("code == 'gap'").iloc[0]
    query = {"series": "discharge", "from": "2025-02-26", "to": "2025-03-01"}
    window = window_of(series_of(view, "INV-ORM"), query, 300)
    end = int(_microseconds(pd.Series([gap["to"]]))[0])
    assert end in window.thinned.times[window.thinned.breaks]
    assert end in window.band.times[window.band.breaks]
    times = np.delete(np.arange(20_000, dtype=np.int64), slice(7_000, 9_000)) * 3_600_000_000
    values = np.sin(times / 3e14)
    picked = thinned(times, values, 0, int(times[-1]), 200, 3.6e9)
    edges = thinned_limits(picked, 0, times, values - 1, values + 1, (0, int(times[-1])), 200)
    assert picked.thinned
    assert picked.times[picked.breaks].tolist() == [9_000 * 3_600_000_000]
    assert edges.breaks.sum() == 1
    assert edges.times[edges.breaks][0] - edges.times[np.flatnonzero(edges.breaks)[0] - 1] > 1_900 * 3_600_000_000


def test_uncertainty_is_drawn_only_where_it_is_expanded(view):
    """The standard uncertainty of a reading of the gauge makes no band that says 95 %."""
    of_site = series_of(view, "INV-KES")
    assert {s.kind.table: s.half is not None for s in of_site.all} == {
        "discharge": True,
        "daily": True,
        "stage": False,
        "gauge_heights": False,
    }


def test_the_page_says_marks_and_reviews_in_words(room):
    """Estimated, extrapolated, ice, approved and provisional stand in words under the hydrograph."""
    texts = {
        site: html.unescape(re.sub(r"<[^>]+>", "", room.get(f"/sites/{site}").text)) for site in ("INV-KES", "INV-ORM")
    }
    gaugings = Archive(SAMPLE).standing("gaugings", ["INV-KES"]).dropna(subset=["discharge_m3_s"])
    counts = gaugings["status"].value_counts()
    assert (
        f"{len(gaugings)} gaugings on it: {counts['approved']} approved, {counts['provisional']} provisional"
        in (texts["INV-KES"])
    )
    assert "estimated; below the lowest gauging (extrapolated)" in texts["INV-KES"]
    assert "shift held beyond the visits" in texts["INV-KES"]
    assert "; ice: see the stripes" in texts["INV-ORM"]
    assert "spike in the recorded stage" in texts["INV-ORM"]
    assert "border ice seen by the second party" in texts["INV-ORM"]


@pytest.mark.parametrize("series", ["discharge", "daily"])
def test_the_greatest_value_is_followed_to_its_bytes(room, series):
    """The link beside the greatest value leads to a trace that ends at lines of the logger's sealed file."""
    page = room.get(f"/sites/INV-ORM/hydrograph?series={series}").text
    greatest = _rows(series, "INV-ORM").set_index("time" if series == "discharge" else "day")
    value = greatest["discharge_m3_s" if series == "discharge" else "mean_m3_s"]
    link = html.unescape(re.search(r'<a href="([^"]+)">Follow it to its bytes', page)[1])
    trace = room.get(link)
    assert trace.status_code == 200
    day = value.idxmax()
    assert (f"INV-ORM/{day}" if series == "daily" else f"{day:%Y-%m-%dT%H:%M}") in trace.text.replace("%2F", "/")
    assert "stage.csv" in trace.text


def test_the_rating_drawn_is_the_one_handed_in(view):
    """The curve is C (h - e)^beta of the table, its band the office's figure, dashed beyond what was gauged."""
    (rating,) = ratings_at(view, "INV-KES")
    segment = Archive(SAMPLE).standing("rating_segments").query("rating == 'INV-KES-A'").iloc[0]
    policy = policy_of(view)
    line = shown_rating(rating, np.array([0.2, 0.5, 0.9]), policy).line
    above = np.maximum(line.stage_m - segment["zero_stage_m"], 0.0)
    q = line.discharge_m3_s
    np.testing.assert_allclose(q, segment["coefficient"] * above ** segment["exponent"], rtol=1e-12)
    part = 2 * policy.value("rating_uncertainty_pct") / 100
    np.testing.assert_allclose(line.upper - q, part * q, atol=1e-12)
    np.testing.assert_allclose(q - line.lower, part * q, atol=1e-12)
    np.testing.assert_array_equal(line.beyond, (line.stage_m < 0.16) | (line.stage_m > 0.85))
    assert {0.16, 0.85} <= set(line.stage_m)
    assert line.stage_m.max() > 0.9


def test_departures_are_from_the_shifted_rating(view):
    """A gauging's departure is against the rating in force at its start, at a stage moved by the shift of that time."""
    gaugings = view.standing("gaugings", "INV-KES")
    found = departures(gaugings, ratings_at(view, "INV-KES"))
    shifts = Archive(SAMPLE).standing("shifts").query("rating == 'INV-KES-A'").sort_values("from")
    moved = np.interp(
        gaugings["started_at"].astype("int64").to_numpy("float64"),
        shifts["from"].astype("int64").to_numpy("float64"),
        shifts["shift_m"].to_numpy(),
    )
    assert (moved != 0).any()
    rated = 11.9 * np.maximum(gaugings["gauge_height_m"].to_numpy() + moved - 0.115, 0) ** 1.91
    flowing = rated > 0
    expected = 100 * (gaugings["discharge_m3_s"].to_numpy()[flowing] / rated[flowing] - 1)
    np.testing.assert_allclose(found.to_numpy()[flowing], expected, rtol=1e-9, atol=1e-9)
    assert found[~flowing].isna().all()


def test_report_and_room_give_one_departure(room):
    """The report of a gauging and its page say the same departure from the rating then in force, shift and all."""
    gauging = "INV-KES.20250403T180000Z.INV-AC2"
    page = re.sub(r"<[^>]+>", " ", room.get(urls.gauging(gauging)).text)
    text = re.sub(r"<[^>]+>", "", report(Archive(SAMPLE), gauging))
    told = re.search(r"It lies ([+-][\d.]+) % from rating INV-KES-A[^.]*moved by its shift", text)
    assert re.search(r"From the rating then in force\s+([+-][\d.]+)\s+%", page)[1] == told[1]


@pytest.mark.parametrize("log", [False, True])
def test_gaugings_on_the_rating_are_labelled(room, log):
    """Every gauging drawn is a link that says its numbers and its departure; most have their date beside them."""
    page = room.get(f"/sites/INV-ORM?scale={'log' if log else 'linear'}").text
    drawing = page.partition('id="rating"')[2].partition("</svg>")[0]
    said = re.findall(r'aria-label="(gauging INV-ORM[^"]+)"', drawing)
    gaugings = Archive(SAMPLE).standing("gaugings", ["INV-ORM"])
    assert len(said) == len(gaugings)
    assert all("% from the rating in force" in text for text in said)
    dates = re.findall(r"halo beside[^>]*>(\d{4}-\d{2}-\d{2})<", drawing)
    assert len(dates) > len(gaugings) / 2
    assert set(dates) <= set(gaugings["started_at"].dt.strftime("%Y-%m-%d"))
    assert 'class="band"' in drawing
    assert 'class="beyond"' in drawing
    assert ("above zero flow" in drawing) == log


def test_gaugings_of_another_ratings_time_are_faint(view):
    """On one of several ratings, gaugings made while it did not hold are drawn faint, the others not."""
    (rating,) = ratings_at(view, "INV-ORM")
    gaugings = view.standing("gaugings", "INV-ORM")
    middle = gaugings["started_at"].sort_values().iloc[5]
    later = type(rating)(**(vars(rating) | {"since": middle}))
    svg = stage_discharge(view, marked(view, gaugings), later)
    assert svg.count('class="gauging faint"') == int((gaugings["started_at"] < middle).sum())


def test_a_rating_that_is_not_there_is_refused(room):
    """A rating asked for by a name the site does not have is refused in words."""
    answer = room.get("/sites/INV-KES?rating=INV-ORM-A")
    assert answer.status_code == 400
    assert "INV-KES-A" in html.unescape(answer.text)


@pytest.mark.parametrize(
    "query",
    [
        "stage?site=INV-KES&datetime=2025-04-01/2025-04-02",
        "discharge?site=INV-ORM&datetime=2025-01-09/2025-01-11",
        "daily?site=INV-KES",
        "ratings?site=INV-ORM",
        "rating_segments?rating=INV-KES-A",
        "shifts?rating=INV-KES-A",
    ],
)
def test_records_and_ratings_are_given_out(room, query):
    """Stage, discharge, daily values and ratings come as CSV, Parquet and NetCDF, narrowed as asked."""
    table, _, asked = query.partition("?")
    rows = Archive(SAMPLE).standing(table)
    for name, value in (part.split("=") for part in asked.split("&")):
        if name == "datetime":
            first, last = (pd.Timestamp(day, tz="UTC") for day in value.split("/"))
            rows = rows[(rows["time"] >= first) & (rows["time"] < last)]
        else:
            rows = rows[rows[name] == value]
    assert len(rows) > 0
    frame = pq.read_table(io.BytesIO(room.get(f"/download/{table}.parquet?{asked}").content)).to_pandas()
    number = next(name for name in rows if rows[name].dtype == "float64" and rows[name].notna().any())
    assert sorted(frame[number].dropna()) == sorted(rows[number].dropna())
    assert len(room.get(f"/download/{table}.csv?{asked}").text.splitlines()) == len(rows) + 1
    assert room.get(f"/download/{table}.nc?{asked}").content[:4] == b"\x89HDF"


def test_hostile_marks_sensors_and_ratings_stay_labels(tmp_path):
    """What a logger or an office wrote as mark, sensor, rating or reason is shown as text."""
    bad = "<img src=x onerror=alert(1)>"
    first, second = deposit(tmp_path / "one"), tmp_path / "two"
    second.mkdir()
    moments = [f"2025-05-01T{hour:02d}:00:00Z" for hour in range(20)]
    lines = [f'S1,{at},0.{40 + i},"{bad}","{bad}"\n' for i, at in enumerate(moments)]
    (second / "stage.csv").write_text("site,time,stage_m,sensor,mark\n" + "".join(lines), encoding="utf-8")
    (second / "ratings.csv").write_text(
        "rating,site,valid_from,gauged_from_m,gauged_to_m,by,reason\n"
        f'"{bad}",S1,2025-04-01T00:00Z,0.1,0.5,"{bad}","{bad}"\n',
        encoding="utf-8",
    )
    (second / "rating_segments.csv").write_text(
        f'rating,segment,from_m,coefficient,zero_stage_m,exponent\n"{bad}",1,0.1,3,0.1,2\n', encoding="utf-8"
    )
    (second / "conditions.csv").write_text(
        f'site,from,to,condition,reason,by\nS1,2025-05-01T02:00Z,2025-05-01T05:00Z,ice,"{bad}","{bad}"\n',
        encoding="utf-8",
    )
    root = archive_of(tmp_path / "archive", first, second)
    archive = Archive(root)
    assert archive.standing("stage")["mark"].tolist() == [bad] * 20, "the deposit was not taken as it is"
    assert archive.standing("ratings")["rating"].tolist() == [bad]
    with opened(root) as room:
        for address in (
            "/sites/S1",
            "/sites/S1/hydrograph",
            "/tables/stage",
            "/tables/ratings",
            urls.trace(f"rating:{bad}"),
        ):
            text = room.get(address).text
            assert text.count("<img") == 1, address
            assert html.escape(bad, quote=False) in text, address
        marks = room.get("/sites/S1/series.json").json()["marks"]
        assert [mark["mark"] for mark in marks] == [bad]


def test_gaugings_in_a_window_have_their_interval(view):
    """The larger uncertainty is drawn, of a result that handed in (95 %), and none at a reading of the gauge."""
    gaugings = view.standing("gaugings", "INV-ORM")
    rows = marked(view, gaugings)
    inside = gaugings_in(window_of(series_of(view, "INV-ORM"), {}), rows).set_index("gauging_id")
    gaugings = gaugings.set_index("gauging_id")
    half = gaugings[["uncertainty_table_m3_s", "uncertainty_scatter_m3_s"]].max(axis=1)
    assert set(gaugings["handed_in_uncertainty_level"].dropna()) == {95}
    given = gaugings["handed_in_uncertainty_pct"] / 100 * gaugings["discharge_m3_s"].abs()
    assert given[half.isna()].notna().any()
    assert inside["uncertainty"].dropna().to_dict() == pytest.approx(half.fillna(given).dropna().to_dict())
    heights = gaugings_in(window_of(series_of(view, "INV-ORM"), {"series": "stage"}), rows)
    assert len(heights) > 0
    assert heights["uncertainty"].isna().all()
    assert (heights["value"] == heights["stage_m"]).all()


def test_of_very_many_gaugings_some_are_drawn_and_it_is_said(view):
    """Of more gaugings than a picture holds, as many are drawn evenly spread in time, and the words count all."""
    one = view.standing("gaugings", "INV-ORM").assign(departure_pct=np.nan).iloc[[0]]
    many = one.loc[one.index.repeat(1_000)].reset_index(drop=True)
    many["started_at"] = pd.date_range("2024-10-05", "2025-09-01", periods=1_000, tz="UTC").as_unit("us")
    many["gauging_id"] = [f"G{i}" for i in range(1_000)]
    window = window_of(series_of(view, "INV-ORM"), {})
    rows = gaugings_in(window, marked(view, many))
    drawn_ids = evenly_spread(rows)["gauging_id"].str[1:].astype(int).tolist()
    assert (drawn_ids[0], drawn_ids[-1], len(drawn_ids)) == (0, 999, MOST_GAUGINGS)
    assert max(np.diff(drawn_ids)) <= 3
    words = count_gaugings(rows)
    assert words.startswith("1000 gaugings on it: 1000 provisional.")
    assert "400 of them are drawn" in words
    assert hydrograph_svg(window, rows).count('class="gauging"') == MOST_GAUGINGS
    (rating,) = ratings_at(view, "INV-ORM")
    assert stage_discharge(view, marked(view, many), rating).count('class="gauging"') == MOST_GAUGINGS
