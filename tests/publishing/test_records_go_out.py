"""Records of public sites go out with what they rest on, and name no gauging that stays behind."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from prov.model import ProvDocument

from stillwell.archive.archive import Archive
from stillwell.pipeline import adopt as adopting
from stillwell.pipeline.committing import office_policy
from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import decide
from stillwell.publishing import publish, rows
from stillwell.publishing.public import public_on
from stillwell.reading.rating.site_fit import candidates, fitted
from tests.pipeline.season import clock

SAMPLE = Path(__file__).parents[2] / "sample_archive" / "archive"


@pytest.fixture(scope="module")
def bag(tmp_path_factory):
    """Fit a rating, withdraw one of its gaugings, derive and publish: the bag's payload, and that gauging."""
    tmp = tmp_path_factory.mktemp("records")
    root = shutil.copytree(SAMPLE, tmp / "archive")
    now = clock(datetime(2026, 1, 1, tzinfo=UTC))
    found = candidates(Archive(root), "INV-KES")
    since = datetime(2024, 10, 1, tzinfo=UTC)
    deposit = adopting.rating_deposit(
        "INV-KES", "INV-KES-B", fitted(found), gaugings=found.names, valid_from=since, by="INV-H1", reason="a trial"
    )
    adopting.adopt(root, deposit, by="INV-H1", now=now)
    gone = found.names[0].rpartition("/")[0]
    decide(root, "reviews", [{"subject": gone, "decision": "withdrawn", "reason": "a trial"}], by="INV-H1", now=now)
    derive(root, by="INV-H1", now=now)
    publish(Archive(root), tmp / "bag", day=date(2026, 2, 1), by="INV-DM", policy=office_policy()[0])
    return tmp / "bag" / "data", gone, found.names


def test_netcdf_of_a_record_holds_the_rows_that_go_out(bag):
    """Read by xarray, the days of every year are those of the table, value by value; so is recorded stage."""
    data, _, _ = bag
    days = pd.read_parquet(data / "tables" / "daily.parquet")
    days = days[days["site"] == "INV-KES"].sort_values("starts_at")
    assert len(set(days["starts_at"].dt.year)) > 1
    with xr.open_dataset(data / "netcdf" / "INV-KES" / "daily.nc") as file:
        np.testing.assert_array_equal(file["discharge"], days["mean_m3_s"])
    stage = pd.read_parquet(data / "tables" / "stage.parquet")
    stage = stage[(stage["site"] == "INV-ORM") & (stage["time"].dt.year == 2024)].sort_values("time")
    with xr.open_dataset(data / "netcdf" / "INV-ORM" / "stage_2024.nc") as file:
        np.testing.assert_array_equal(file["stage"], stage["stage_m"])


def test_tables_are_written_by_lots_of_sites_and_are_the_same_files(monkeypatch):
    """A lot for each site comes to the bytes of one lot for all; no frame in hand then holds rows of two sites."""
    archive = Archive(SAMPLE)
    public = public_on(date(2026, 2, 1), archive.standing("sites"), archive.table_sites("gaugings"))
    made, sites, tables = {}, {}, ("stage", "points", "sites", "gauge_heights")
    for most in (rows.AT_ONCE, 1):
        monkeypatch.setattr(rows, "AT_ONCE", most)
        going = rows.going(archive, public)
        for name in tables:
            frames = [going.as_published(name, lot)[0] for lot in going.lots(name)]
            sites[name, most] = [frame["site"].nunique() for frame in frames]
            made[name, most] = b"".join(rows.parquet(name, frames, going.described[name], {}))
    monkeypatch.undo()
    assert [made[name, 1] == made[name, rows.AT_ONCE] for name in tables] == [True] * len(tables)
    assert sites["points", rows.AT_ONCE] == [4]
    assert sites["points", 1] == [1, 1, 1, 1]


def test_provenance_leads_from_a_record_to_its_rating_and_stage(bag):
    """The step that made the days used the rating as adopted and the logger's deposit; another library reads it."""
    data, _, names = bag
    text = (data / "provenance.prov.json").read_text(encoding="utf-8")
    assert ProvDocument.deserialize(content=text, format="json").get_records()
    said = json.loads(text)
    made = {r["prov:entity"]: r["prov:activity"] for r in said["wasGeneratedBy"].values()}
    days = max((name for name in made if name.startswith("record:INV-KES/") and name.endswith("/daily")), key=str)
    used = {r["prov:entity"] for r in said["used"].values() if r["prov:activity"] == made[days]}
    assert {name.partition(":")[0] for name in used} >= {"adoption", "series"}
    fitted_to = {
        r["prov:usedEntity"]
        for r in said["wasDerivedFrom"].values()
        if r["prov:generatedEntity"].startswith("adoption:INV-KES-B/") and r["prov:usedEntity"].startswith("gauging:")
    }
    assert fitted_to == {f"gauging:{name}" for name in names[1:]}


def test_a_gauging_that_stays_behind_is_not_named(bag):
    """The withdrawn one was among those the rating was fitted to; neither provenance nor the rating says its name."""
    data, gone, names = bag
    ratings = pd.read_parquet(data / "tables" / "ratings.parquet").set_index("rating")
    assert ratings.loc["INV-KES-B", "gaugings"].split("; ") == names[1:]
    assert gone not in (data / "provenance.prov.json").read_text(encoding="utf-8")
