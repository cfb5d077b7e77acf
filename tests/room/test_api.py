"""The JSON endpoints: as described, honest about limits, and without a fault whatever is asked."""

from __future__ import annotations

import numpy as np
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance, status_code_conformance

from stillwell.archive.archive import Archive
from stillwell.drawing.hydrograph import hydrograph_svg
from stillwell.drawing.thinning import usual_step
from stillwell.pages.data.archive_view import ArchiveViews
from stillwell.pages.data.series import Kind, SeriesOfSite, SiteSeries
from stillwell.room import application
from stillwell.room.openapi import description
from stillwell.room.query_params import PARAMETERS
from stillwell.room.server.app import PAGES
from stillwell.room.windows import as_json, moves, window_of
from tests.room.conftest import SAMPLE

SCHEMA = schemathesis.openapi.from_asgi("/openapi.json", application(SAMPLE, port=80), headers={"Host": "127.0.0.1"})
BOUNDED = settings(
    max_examples=12,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
    derandomize=True,
)


@SCHEMA.parametrize()
@BOUNDED
def test_no_question_makes_a_fault(case):
    """Whatever fits the description, or does not, is answered as the description says and never with a 5xx."""
    answer = case.call(headers={"Host": "127.0.0.1"})
    case.validate_response(
        answer, checks=[not_a_server_error, status_code_conformance, response_schema_conformance], additional_checks=[]
    )


def test_every_parameter_that_is_read_is_in_the_one_table():
    """Each address reads parameters of the one table only, and the description names those its address reads."""
    read = {path: {*names, "as_of"} for path, _, names in PAGES}
    assert len(read) > 20
    assert set().union(*read.values()) == set(PARAMETERS)
    described = _described()
    for path, names in described.items():
        address = path.replace("{collectionId}", "{collection}")
        assert names == read[address], path


def _described():
    """Return the parameters of a query of each address described."""
    paths = description(ArchiveViews(SAMPLE).view())["paths"]
    assert len(paths) == 6
    return {path: {p["name"] for p in one["get"]["parameters"] if p["in"] == "query"} for path, one in paths.items()}


def test_every_collection_answers(room):
    """Each collection named has its own address and its rows."""
    named = room.get("/collections").json()["collections"]
    archive = Archive(SAMPLE)
    assert [c["id"] for c in named] == [*archive.tables(), *sorted(archive.standing("sites")["site"])]
    for collection in named:
        links = {link["rel"]: link["href"] for link in collection["links"]}
        assert room.get(links["self"]).json()["id"] == collection["id"]
        assert room.get(links["items"]).json()["type"] == "FeatureCollection"


def test_paging_gives_every_row_once(room):
    """Going on from page to page gives each row once, as many as are said to match."""
    address, seen = "/collections/findings/items?limit=250", []
    while address:
        said = room.get(address).json()
        seen += [f["id"] for f in said["features"]]
        assert said["numberReturned"] == len(said["features"]) <= 250
        address = next((link["href"] for link in said["links"] if link["rel"] == "next"), None)
    assert len(seen) == len(set(seen)) == said["numberMatched"] == len(Archive(SAMPLE).standing("findings"))


def test_features_stand_where_their_site_is(room):
    """A row of a site has the site's point; a table without sites has none."""
    site = Archive(SAMPLE).standing("sites").set_index("site").loc["INV-ORM"]
    feature = room.get("/collections/INV-ORM/items?limit=1").json()["features"][0]
    assert feature["geometry"] == {"type": "Point", "coordinates": [site["longitude"], site["latitude"]]}
    assert room.get("/collections/instruments/items?limit=1").json()["features"][0]["geometry"] is None


def test_a_box_of_degrees_and_a_time_narrow(room):
    """A box and a time leave only rows of sites in the box and of that time."""
    gaugings = Archive(SAMPLE).standing("gaugings")
    said = room.get("/collections/gaugings/items?bbox=-29.7,47.1,-29.5,47.25&limit=1000").json()
    assert sorted(f["properties"]["gauging_id"] for f in said["features"]) == sorted(
        gaugings[gaugings["site"] == "INV-ORM"]["gauging_id"]
    )
    said = room.get("/collections/gaugings/items?datetime=2025-01-01/2025-02-01&limit=1000").json()
    january = gaugings["started_at"].dt.strftime("%Y-%m") == "2025-01"
    assert sorted(f["properties"]["gauging_id"] for f in said["features"]) == sorted(gaugings[january]["gauging_id"])


def test_series_json_holds_the_readings(room):
    """A window wide enough holds every reading of the gauge, with its moment."""
    rows = Archive(SAMPLE).standing("gauge_heights").query("site == 'INV-MIL'").sort_values("read_at")
    said = room.get("/sites/INV-MIL/series.json").json()
    assert said["times_ms"] == (rows["read_at"].astype("int64") // 1000).tolist()
    assert said["values"] == rows["gauge_height_m"].tolist()
    assert (said["least"], said["greatest"]) == (rows["gauge_height_m"].min(), rows["gauge_height_m"].max())
    some = room.get("/sites/INV-MIL/series.json?from=2025-01-01&to=2025-04-01&width=10").json()
    assert some["values_in_window"] == int(rows["read_at"].between("2025-01-01", "2025-04-01").sum())


def _fifty_years():
    count = 1_753_000
    times = np.arange(count, dtype=np.int64) * 900_000_000
    values = 1.5 + np.sin(np.arange(count) / 5000.0) + np.random.default_rng(5).normal(size=count) / 50
    values[777_777] = 8.5
    kind = Kind("stage", "time", "stage_m", "m", "stage", ())
    series = SiteSeries(
        kind=kind, name="stage", title="stage", unit="m", times=times, values=values, step=usual_step(times)
    )
    return SeriesOfSite((series,))


def test_a_page_of_fifty_years_is_small():
    """The drawing and the JSON of 50 years of quarter hours stay far under 1.5 MB and keep the flood's peak."""
    window = window_of(_fifty_years(), {})
    said = as_json("S1", window)
    assert said["greatest"] == 8.5
    assert 8.5 in said["values"]
    assert len(said["values"]) <= 2000
    assert len(hydrograph_svg(window)) < 100_000
    assert said["values_in_window"] == 1_753_000


def test_windows_stay_within_the_record():
    """Each move leads to a window that can be asked for and is no longer than the record."""
    of_site = _fifty_years()
    window = window_of(of_site, {"from": "1970-03-01", "to": "1970-03-03"})
    for _ in range(40):
        for _, word, query in moves(window):
            moved = window_of(of_site, query)
            assert window.whole[0] <= moved.start < moved.end <= window.whole[1] + 1_000_000, word
        window = window_of(of_site, moves(window)[3][2])
    assert window.end - window.start <= 61_000_000


def test_trace_json_reaches_the_bytes(room):
    """A trace back ends at sealed files with path, digest and size."""
    said = room.get("/trace.json?of=INV-WIN.20250813T170000Z.INV-AC2").json()
    files = [node for node in said["nodes"] if node["kind"] == "file"]
    assert files
    assert all((SAMPLE / node["details"]["path"]).stat().st_size == int(node["details"]["bytes"]) for node in files)


@pytest.mark.parametrize("path", ["/collections/none", "/collections/sites/items?limit=x", "/trace.json?of=zzz"])
def test_problems_are_problem_json(room, path):
    """What cannot be answered is told as problem+json with its status in it."""
    answer = room.get(path)
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["status"] == answer.status_code
