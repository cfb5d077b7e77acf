"""Small sites put together into one file: no reader notices, neither now nor of any past moment."""

from __future__ import annotations

import random
import shutil
from functools import partial

import pandas as pd
import pyarrow.parquet as pq
import pytest

import stillwell
from stillwell.archive.archive import Archive
from stillwell.archive.batches import compaction_plan
from stillwell.archive.care.replica import replicate
from stillwell.pipeline.audit import audit
from stillwell.pipeline.ingest import compact, decide
from stillwell.pipeline.rebuild import rebuild
from stillwell.reading.select.sql import connect
from tests.pipeline import season
from tests.pipeline.season import NOW, registers, sheets

take = partial(season.take, render_now=False)
SITES = ("S1", "S2", "S3 über/x")
TABLES = ("sites", "gaugings", "points", "findings", "stage", "gauge_heights", "reviews", "deposits")
ROWS = 10
"""Rows of a row group in these tests, so that a few readings fill several."""


def _registers(folder):
    registers(folder)
    lines = [f"{site},Site {i} (invented),1{i},20,+00:00,CC0-1.0" for i, site in enumerate(SITES)]
    (folder / "sites.csv").write_text(
        "\n".join(["site,name,latitude,longitude,utc_offset,licence", *lines]) + "\n", encoding="utf-8"
    )
    return folder


def _logger(folder, draw, year):
    """Write stage of some sites, over the turn of a year now and then."""
    folder.mkdir(parents=True)
    start = pd.Timestamp(f"{year}-12-31T{draw.choice(('00', '20'))}:00Z")
    for i, site in enumerate(draw.sample(SITES, 2)):
        times = pd.date_range(start, periods=draw.randint(5, 30), freq="15min").strftime("%Y-%m-%dT%H:%MZ")
        stage = [round(draw.uniform(0.2, 2.0), 3) for _ in times]
        pd.DataFrame({"site": site, "time": times, "stage_m": stage}).to_csv(folder / f"stage_{i}.csv", index=False)
    return folder


def _more(root, tmp, draw, steps):
    for step in range(steps):
        kind = draw.choice(("sheet", "sheet", "again", "logger", "review"))
        folder = tmp / f"{step}-{draw.random()}"
        if kind == "logger":
            assert take(root, _logger(folder, draw, draw.choice((2023, 2024)))).entry is not None
        elif kind == "review" and len(held := Archive(root).standing("gaugings")):
            said = {"subject": draw.choice(sorted(held["gauging_id"])), "reason": f"draw {step}"}
            decide(
                root,
                "reviews",
                [said | {"decision": draw.choice(("approved", "withdrawn"))}],
                by="R1",
                now=NOW,
                render_now=False,
            )
        else:
            day, speed = draw.randint(1, 9), round(draw.uniform(0.2, 0.9), 3)
            take(root, sheets(folder, str(day), velocity=speed, site=draw.choice(SITES)))


@pytest.fixture(scope="module", params=[1, pytest.param(2, marks=pytest.mark.soak)])
def root(request, tmp_path_factory):
    """Make an archive of three sites by drawn sheets, corrections, reviews and logger files."""
    tmp, draw = tmp_path_factory.mktemp("buckets"), random.Random(request.param)
    root = tmp / "archive"
    take(root, _registers(tmp / "registers"))
    take(root, _logger(tmp / "logger", draw, 2024))
    _more(root, tmp, draw, 5)
    return root


@pytest.fixture(autouse=True)
def small_files(monkeypatch):
    """Let few rows fill a row group and a file, so that files are parted by site, year and row group."""
    monkeypatch.setattr(compaction_plan, "GROUP_ROWS", ROWS)
    monkeypatch.setattr(compaction_plan, "FILE_ROWS", 3 * ROWS)
    monkeypatch.setattr(compaction_plan.Lot.__init__, "__defaults__", ((), ROWS))


def _sorted(rows):
    return rows.sort_values(list(rows.columns), kind="stable", ignore_index=True)


def _answers(root, moments, alone):
    """Ask every reader for every table: of all sites and of each alone, as of moments, in SQL and as frames."""
    archive, opened = Archive(root), stillwell.open(root)
    told = {}
    base = connect(archive.at(moments[-1]), TABLES)
    for table in TABLES:
        knows = "site" in archive.read(table)
        for site in (None, *(alone if knows else ())):
            sites = None if site is None else [site]
            rows = archive.read(table, sites)
            told[table, site, "read"] = rows[rows["recorded_at"] <= moments[-1]]
            for number, moment in enumerate(moments[:: 3 if alone == SITES else 6]):
                told[table, site, number] = archive.standing(table, sites, moment)
            # in the order of site and key by itself; the others in any
            told[table, site, "opened"] = opened.table(table)(site=site, as_of=moments[-1]) if knows else rows[:0]
            where = "" if site is None else f"WHERE site = '{site}'"
            told[table, site, "sql"] = base.sql(f'SELECT * FROM "{table}" {where}').df().astype(str)
    base.close()
    told["", None, "sites"] = pd.DataFrame({"site": opened.known_sites})
    return {key: rows if key[2] == "opened" else _sorted(rows) for key, rows in told.items()}


def _alike(before, after):
    assert before.keys() == after.keys()
    for key, rows in before.items():
        pd.testing.assert_frame_equal(rows, after[key], obj=str(key))


@pytest.mark.parametrize("alone", [SITES[2:], pytest.param(SITES, marks=pytest.mark.soak)], ids=["one", "each"])
def test_no_reader_notices(root, tmp_path, alone):
    """Rows, standing rows, SQL and frames of every table, site and moment stay; audit, copy and rebuilding hold."""
    root = shutil.copytree(root, tmp_path / "archive")
    moments = [entry.recorded_at for entry in Archive(root).ledger.entries()]
    behind = Archive(root).ledger.inputs()
    before = _answers(root, moments, alone)
    entries, _ = compact(root, most=1, by="T1", now=NOW)
    files = [file for entry in entries for file in entry.files if file.table]
    assert any(len(file.sites) > 1 for file in files)
    assert any(pq.read_metadata(root / file.path).num_row_groups > 1 for file in files)
    _alike(before, _answers(root, moments, alone))
    assert Archive(root).ledger.inputs().rows == behind.rows
    assert audit(root, recompute=False).faults == ()  # the audit below proves these commits too

    draw = random.Random(9)
    _more(root, tmp_path, draw, 2)
    _alike(before, _answers(root, moments, alone))
    later = [entry.recorded_at for entry in Archive(root).ledger.entries()]
    before = _answers(root, later, alone)
    compact(root, most=1, keep_days=0, by="T1", now=NOW)
    _alike(before, _answers(root, later, alone))
    compact(root, most=1, keep_days=0, by="T1", now=NOW)
    assert audit(root).faults == ()
    _alike(before, _answers(root, later, alone))

    again = rebuild(root, tmp_path / "again")
    assert (again.different, again.carried) == ((), ())
    _alike(before, _answers(tmp_path / "again", later, alone))
    assert replicate(root, [tmp_path / "copy"], NOW()).short() == []
