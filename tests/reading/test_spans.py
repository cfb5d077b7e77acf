"""One rule of time and one selection: API, reading room, commands, Python and SQL give the same rows for a question."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

import stillwell
from stillwell.archive.archive import Archive
from stillwell.errors import QueryError
from stillwell.pipeline.adopt import adopt
from stillwell.pipeline.derive import derive
from stillwell.reading.select.spans import RULE, Condition, fits, in_sql, of_values, span_in, span_of
from stillwell.reading.select.sql import connect
from tests.commands.test_commands import run
from tests.pipeline.season import NOW, registers, take
from tests.reading.recorded_stage import logger, rating
from tests.room.conftest import SAMPLE, opened

EAST = "EAST"
DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """Five days of hourly stage, on the hour, at a site whose days start at 22:00 UTC the evening before."""
    tmp = tmp_path_factory.mktemp("spans")
    folder = registers(tmp / "registers")
    with (folder / "sites.csv").open("a") as sites:
        sites.write(f"{EAST},East (invented),10,20,+02:00,CC0-1.0\n")
    root = tmp / "archive"
    take(root, folder)
    take(root, logger(tmp / "a", "a", 24 * 5 + 1, EAST, pd.Timestamp("2025-04-30T22:00Z")))
    adopt(root, rating("E", "2025-01-01T00:00Z", site=EAST), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    return root


def _asked(root, client, table, start, end):
    """Ask one question through every door; return the times each gives."""
    column = "day" if table == "daily" else "time"
    found = {"python": stillwell.open(root).table(table)(site=EAST, start=start, end=end)[column]}
    step = {"daily": "daily", "discharge": "values"}.get(table)
    if step:
        code, out, _ = run("record", EAST, "--step", step, "--from", start, "--to", end, "--format", "json", root=root)
        assert code == 0
        found["command"] = pd.Series([row[column] for row in json.loads(out)])
    asked = {"datetime": f"{start}/{end}", "limit": "1000"}
    for name, more in (("api", {"site": EAST}), ("api by SQL", {})):
        said = client.get(f"/collections/{table}/items", params=asked | more).json()
        found[name] = pd.Series([feature["properties"][column] for feature in said["features"]])
    data = client.get(f"/download/{table}.parquet", params={"site": EAST, "datetime": f"{start}/{end}"}).content
    found["download"] = pq.read_table(io.BytesIO(data)).to_pandas()[column]
    if table != "daily":
        found["series"] = stillwell.open(root).series(EAST, table, start, end)["time"].to_series()
        query = {"series": "stage:a" if table == "stage" else table, "from": start, "to": end}
        window = client.get(f"/sites/{EAST}/series.json", params=query).json()
        found["window"] = pd.Series(range(window["values_in_window"]))
    return found


@pytest.mark.parametrize("table", ["stage", "discharge"])
def test_every_door_gives_a_day_its_24_hours(root, table):
    """From a date to the next there are 24 hourly values, none of them at the end, through every door."""
    with opened(root) as client:
        found = _asked(root, client, table, "2025-05-02", "2025-05-03")
        assert {name: len(rows) for name, rows in found.items()} == dict.fromkeys(found, 24)
        for name, rows in found.items():
            if name != "window":
                times = pd.to_datetime(rows, utc=True)
                assert times.min() == pd.Timestamp("2025-05-02T00:00Z"), name
                assert times.max() == pd.Timestamp("2025-05-02T23:00Z"), name
        alone = client.get(f"/collections/{table}/items?datetime=2025-05-02").json()
        assert alone["numberMatched"] == 24
        moment = client.get(f"/collections/{table}/items?datetime=2025-05-02T05:00Z").json()
        assert [f["properties"]["time"] for f in moment["features"]] == ["2025-05-02T05:00:00Z"]


@pytest.mark.parametrize(
    ("start", "end"),
    [("2025-05-02", "2025-05-04"), ("2025-05-02T00:00+02:00", "2025-05-04T00:00+02:00")],
)
def test_days_go_by_their_date_or_by_the_moment_they_start(root, start, end):
    """Dates select days by their date, moments by their start at the site's offset: 2 and 3 May by either."""
    with opened(root) as client:
        found = _asked(root, client, "daily", start, end)
    assert len(found) > 2
    for name, rows in found.items():
        assert sorted(str(day)[:10] for day in rows) == ["2025-05-02", "2025-05-03"], name


def test_rows_of_gaugings_go_by_the_start_of_their_gauging():
    """Findings of a span are those of the gaugings started in it, by frame, by SQL and in Python alike."""
    gaugings = Archive(SAMPLE).standing("gaugings").sort_values("started_at")
    start, end = gaugings["started_at"].iloc[5], gaugings["started_at"].iloc[20]
    inside = set(gaugings["gauging_id"].iloc[5:20])
    findings = Archive(SAMPLE).standing("findings")
    expected = int(findings["gauging_id"].isin(inside).sum())
    span = f"{start:%Y-%m-%dT%H:%M:%SZ}/{end:%Y-%m-%dT%H:%M:%SZ}"
    assert len(stillwell.open(SAMPLE).findings(start=start, end=end)) == expected > 0
    with opened(SAMPLE) as client:
        assert client.get(f"/collections/findings/items?datetime={span}").json()["numberMatched"] == expected
        sites = [
            client.get(f"/collections/findings/items?datetime={span}&site={site}").json()["numberMatched"]
            for site in gaugings["site"].unique()
        ]
    assert sum(sites) == expected


def test_conditions_mean_the_same_in_a_frame_and_in_sql():
    """Whatever is asked, the rows that meet it are those SQL picks; missing cells meet nothing."""
    archive, rng = Archive(SAMPLE), np.random.default_rng(8)
    rows = archive.standing("gauge_heights")
    times = pd.DatetimeIndex(rows["read_at"].sort_values().unique())
    connection = connect(archive, tables=["gauge_heights"])
    counts = []
    for _ in range(15):
        first, last = np.sort(rng.choice(len(times), 2, replace=False))
        asked = [
            *span_of(times[first], times[last]).conditions("read_at"),
            *of_values({"site": rng.choice(rows["site"].unique(), 2, replace=False).tolist()}),
            *([Condition("gauge", "in", ("staff",))] if rng.random() < 0.3 else []),
        ]
        where, values = in_sql(asked, "r")
        counted = connection.execute(f"SELECT count(*) FROM gauge_heights r WHERE {where}", values).fetchone()
        counts.append(int(fits(rows, asked).sum()))
        assert counted == (counts[-1],)
    assert max(counts) > 5


def test_what_is_no_span_is_refused_in_words():
    """An end not after its start, a time without an offset, nonsense: refused; open ends and months are read."""
    for text, said in (
        ("2025-05-02/2025-05-02", "after the start"),
        ("2025-05-02T10:00", "offset"),
        ("2025-13-01/..", "expected a moment"),
        ("9999-12-31", "9999"),
        ("a/b", "expected a moment"),
    ):
        with pytest.raises(QueryError, match=said):
            span_in(text, "datetime")
    month = span_in("2025-02", "datetime")
    assert (month.start.at, month.end.at) == (pd.Timestamp("2025-02-01T00Z"), pd.Timestamp("2025-03-01T00Z"))
    assert span_in("../2025-05-01", "datetime").start is None
    assert not span_in("../..", "datetime")


@pytest.mark.parametrize("page", ["reading_room.md", "python_api.md", "json.md", "reports.md"])
def test_the_pages_give_the_rule_in_one_sentence(page):
    """Every page that tells of spans gives the same sentence, which is the one the API's own description gives."""
    assert RULE in (DOCS / page).read_text(encoding="utf-8")
    with opened(SAMPLE) as client:
        assert RULE in client.get("/openapi.json").text
