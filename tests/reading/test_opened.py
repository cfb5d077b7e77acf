"""The tables of an opened archive: the rows that stand, filters, as-of, and which files are opened."""

from __future__ import annotations

import doctest
import importlib
import itertools
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest

import stillwell
from stillwell.archive.archive import Archive
from stillwell.errors import ArchiveDamaged, NotAnArchive, QueryError
from tests.pipeline.season import season, sheets, take

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_archive" / "archive"
FIRST = "S1.20250501T100000Z.M1"
REVIEW = "subject,decision,by,decided_at,reason\n{},{},H1,2025-06-0{}T00:00Z,looked at\n"


def review(folder: Path, gauging_id: str, decision: str, day: int = 1) -> Path:
    """Write a decision on a gauging."""
    folder.mkdir()
    (folder / "reviews.csv").write_text(REVIEW.format(gauging_id, decision, day))
    return folder


@pytest.fixture(scope="module")
def history(tmp_path_factory):
    """Make an archive in which a gauging was approved, one corrected, one moved to another site, one withdrawn."""
    tmp = tmp_path_factory.mktemp("history")
    root = season(tmp, "1", "2", "3", "4")
    take(root, review(tmp / "approve", FIRST, "approved"))
    take(root, sheets(tmp / "again", "1", "2", velocity=0.5))
    take(root, sheets(tmp / "moved", "3", site="S2", corrects=FIRST.replace("501T", "503T"), velocity=0.6))
    take(root, review(tmp / "withdraw", FIRST.replace("501T", "504T"), "withdrawn", 2))
    take(root, sheets(tmp / "other", "9", site="S2", instrument="M2", party="P2"))
    return root


@pytest.fixture(scope="module")
def sample():
    """Open the archive of the invented season."""
    return stillwell.open(SAMPLE)


def alike(found: pd.DataFrame, expected: pd.DataFrame, order: list[str]) -> None:
    """Compare frames whatever the order of their rows."""
    frames = [f.sort_values(order, kind="stable").reset_index(drop=True) for f in (found, expected)]
    pd.testing.assert_frame_equal(*frames)


@pytest.mark.parametrize("which", ["history", "sample"])
def test_every_table_holds_the_rows_that_stand_and_every_revision(which, request):
    """Each table is what the archive's own reading gives, row for row: what stands, and all there is."""
    root = SAMPLE if which == "sample" else request.getfixturevalue("history")
    opened, archive = stillwell.open(root), Archive(root)
    for name in archive.tables():
        order = opened.described(name).order
        alike(opened.table(name)(), archive.standing(name), order)
        alike(opened.table(name)(revisions=True), archive.read(name), order)


@pytest.mark.parametrize("every", [4, pytest.param(1, marks=pytest.mark.soak)])
def test_an_as_of_question_is_answered_from_what_had_been_recorded(history, every):
    """Between any two commits each table is what it was then; the archive then was a prefix of its ledger."""
    archive = Archive(history)
    moments = [entry.recorded_at for entry in archive.ledger.entries()]
    assert len(moments) > 8
    for moment in moments[::every]:
        opened = stillwell.open(history, as_of=moment)
        for name in ("gaugings", "points", "findings", "gauge_heights", "sites", "reviews"):
            order = opened.described(name).order
            alike(opened.table(name)(), archive.at(moment).standing(name), order)
            alike(stillwell.open(history).table(name)(as_of=moment), archive.at(moment).standing(name), order)
    before = stillwell.open(history, as_of=moments[0] - timedelta(seconds=1))
    assert [len(before.table(name)()) for name in ("sites", "gaugings", "points")] == [0] * 3


def test_history_is_told_as_it_happened(history):
    """The approved revision stands beside its correction, a moved gauging leaves its site, a withdrawn one is gone."""
    a = stillwell.open(history)
    assert [FIRST, FIRST.replace("501T", "502T")] == list(a.gaugings(site="S1")["gauging_id"])
    assert list(a.gaugings(site="S1")["revision"]) == [1, 2]
    assert [FIRST.replace("501T", "503T"), "S2.20250509T100000Z.M2"] == list(a.gaugings(site="S2")["gauging_id"])
    assert list(a.points(site="S2", instrument="M1")["velocity_m_s"].dropna().unique()) == [0.6]
    moments = [entry.recorded_at for entry in Archive(history).ledger.entries() if entry.deposits]
    assert len(a.gaugings(site="S1", as_of=moments[1])) == 4
    assert list(a.gaugings(gauging_id=FIRST, as_of=moments[2])["status"]) == ["approved"]
    assert sorted(a.points(gauging_id=FIRST, revisions=True)["revision"].unique()) == [1, 2]
    assert list(a.gaugings(revisions=True, status="withdrawn")["status"].unique()) == ["withdrawn"]
    gone = a.points(revisions=True, status="withdrawn")
    assert [FIRST.replace("501T", "504T")] == list(gone["gauging_id"].unique())


def test_values_are_those_pyarrow_reads(sample):
    """Every cell of a table without revisions is what pyarrow reads from the same files."""
    direct = ds.dataset([str(p) for p in sorted((SAMPLE / "tables" / "check_samples").glob("*.parquet"))]).to_table()
    found = sample.check_samples()
    assert direct.column_names == list(found.columns)
    key = ["check", "sample", "receiver"]
    expected = direct.to_pandas().sort_values(key).reset_index(drop=True)
    for name in found:
        mine, theirs = found[name], expected[name]
        assert list(mine.isna()) == list(theirs.isna()), name
        assert list(mine.dropna()) == list(theirs.dropna()), name


def test_frames_say_units_and_where_they_come_from(sample):
    """Attributes hold a unit for each column that has one, the archive, its newest commit and the moment asked."""
    found = sample.gaugings(columns=["gauging_id", "discharge_m3_s", "gauge_height_m"], as_of="2025-10-16T10:00+02:00")
    assert found.attrs["units"] == {"discharge_m3_s": "m3 s-1", "gauge_height_m": "m"}
    assert ("gaugings", str(SAMPLE), 4) == tuple(found.attrs[n] for n in ("table", "archive", "commit"))
    assert found.attrs["as_of"] == "2025-10-16T08:00:00Z"
    assert sample.gaugings().attrs["as_of"] == ""


def test_filters_keep_what_pandas_would(sample):
    """Every filter keeps the rows that the same condition on the whole table keeps."""
    whole = sample.gaugings()
    day = pd.Timestamp("2025-05-14T11:00Z")
    for asked, kept in (
        ({"site": "INV-ORM"}, whole["site"] == "INV-ORM"),
        ({"site": ["INV-ORM", "INV-WIN"]}, whole["site"].isin(["INV-ORM", "INV-WIN"])),
        ({"start": day}, whole["started_at"] >= day),
        ({"end": day}, whole["started_at"] < day),
        (
            {"start": "2025", "end": "2025-04"},
            (whole["started_at"].dt.year == 2025) & (whole["started_at"].dt.month < 4),
        ),
        ({"status": "approved"}, whole["status"] == "approved"),
        ({"within_pct": ("5", "8")}, whole["within_pct"].isin(["5", "8"])),
        ({"instrument": "INV-RE1"}, whole["instrument"] == "INV-RE1"),
        ({"candidate": False}, ~whole["candidate"]),
        ({"verticals": 21}, whole["verticals"] == 21),
        ({"party": "INV-P1", "site": "INV-KES"}, (whole["party"] == "INV-P1") & (whole["site"] == "INV-KES")),
    ):
        expected = whole[kept.to_numpy(dtype=bool, na_value=False)].reset_index(drop=True)
        pd.testing.assert_frame_equal(expected, sample.gaugings(**asked))
        ids = set(expected["gauging_id"])
        if "verticals" not in asked:
            assert ids == set(sample.verticals(**asked)["gauging_id"]) | (ids - set(sample.verticals()["gauging_id"]))
    assert len(sample.gaugings(start=day, end=day + timedelta(seconds=1))) == 1


def test_half_open_spans_part_a_table(sample):
    """Consecutive spans share no row and lose none."""
    edges = ["2024-10", "2025-01-15", "2025-04", "2025-05-21T11:00Z", "2025-12"]
    for name in ("gaugings", "points", "gauge_heights", "checks"):
        table = sample.table(name)
        parts = [table(start=a, end=b) for a, b in itertools.pairwise(edges)]
        assert sum(len(part) for part in parts) == len(table()), name
        assert all(len(part) for part in parts[:3]), name


def test_columns_come_as_asked_and_nothing_else_is_read(sample, monkeypatch):
    """A question names its columns in its own order, and only they and what decides are read from the files."""
    read = []
    whole = pq.ParquetFile.read_row_groups

    def spy(self, groups, columns=None, **more):
        read.append(set(columns))
        return whole(self, groups, columns=columns, **more)

    monkeypatch.setattr(pq.ParquetFile, "read_row_groups", spy)
    found = sample.gauge_heights(site="INV-ORM", columns=["gauge_height_m", "read_at"])
    assert list(found.columns) == ["gauge_height_m", "read_at"]
    order = {"site", "gauge", "read_at", "revision", "recorded_at"}
    assert all(columns <= {"gauge_height_m"} | order for columns in read)
    read.clear()
    sample.check_samples(columns="snr_db")
    assert [{"snr_db"}] == read


def test_a_question_on_one_site_opens_no_file_of_another(sample, monkeypatch):
    """Whatever is asked of a site, only files of that site, and files of no site, are opened."""
    opened = []
    for name in ("ParquetFile", "read_metadata"):
        plain = getattr(pq, name)

        def spy(path, *more, plain=plain, **named):
            opened.append(Path(path))
            return plain(path, *more, **named)

        monkeypatch.setattr(pq, name, spy)
    fresh = stillwell.open(SAMPLE)
    for table in fresh.tables():
        if "site" in fresh.described(table).columns:
            fresh.table(table)(site="INV-WIN")
            fresh.table(table)(site="INV-WIN", revisions=True)
    fresh.points(gauging_id="INV-WIN.20250212T151000Z.INV-AC1")
    fresh.series("INV-WIN", "gauge_heights", "2025", gauge="")["gauge_height_m"].load()
    fresh.gauging("INV-WIN.20250212T151000Z.INV-AC1")
    assert {"site=INV-WIN"} == {path.parent.name for path in opened if path.parent.name.startswith("site=")}
    assert len(opened) > 10


def test_what_is_not_known_is_refused_in_words_that_name_what_is(sample):
    """A wrong filter, value, column, table or moment is a question error that names what there is."""
    for ask, said in (
        (lambda: sample.gaugings(sites="INV-ORM"), "site, start, end.*found 'sites'; did you mean site"),
        (lambda: sample.checks(site="INV-ORM"), "checks: expected a filter of start, end, check, instrument"),
        (lambda: sample.sites(start="2025"), "sites: expected a filter of site"),
        (lambda: sample.checks(within_pct="5"), "found 'within_pct'"),
        (lambda: sample.gaugings(site="ORM"), "INV-KES, INV-MIL, INV-ORM, INV-WIN; found 'ORM'"),
        (lambda: sample.points(status="aproved"), "provisional, approved, withdrawn; found 'aproved'"),
        (lambda: sample.gaugings(within_pct="6"), "2, 5, 8, beyond; found '6'"),
        (lambda: sample.gaugings(instrument="AC1"), "INV-AC1, .*; found 'AC1'"),
        (lambda: sample.points(instrument="AC1"), "INV-AC1, .*; found 'AC1'"),
        (lambda: sample.gaugings(candidate="yes"), "True or False, found 'yes'"),
        (lambda: sample.gaugings(verticals=True), "a whole number, found True"),
        (lambda: sample.points(gauging_id="INV-ORM.1"), "id of a gauging .* found 'INV-ORM.1'"),
        (lambda: sample.gaugings(columns="discharge"), "expected columns of gauging_id, .*; found 'discharge'"),
        (lambda: sample.gaugings(start="2025-05-01T10:00"), "start: expected a moment with its offset"),
        (lambda: sample.gaugings(end=datetime(2025, 5, 1)), "end: expected a moment with its offset"),
        (lambda: sample.gaugings(start="spring"), "start: expected a moment.*found 'spring'"),
        (lambda: sample.gaugings(start="2025", end="2024"), "expected an end after the start"),
        (lambda: sample.gaugings(as_of="2025-10-15"), "as_of: expected a moment with its offset"),
        (lambda: stillwell.open(SAMPLE, as_of="yesterday"), "as_of"),
        (lambda: sample.table("gauging"), "calibrations, .* withholdings; found 'gauging'"),
        (lambda: sample.sql("DROP TABLE gaugings"), "expected one SELECT"),
    ):
        with pytest.raises(QueryError, match=said):
            ask()
    with pytest.raises(AttributeError, match=r"gaugings.*found 'gauging_table'"):
        _ = sample.gauging_table
    with pytest.raises(NotAnArchive):
        stillwell.open(ROOT / "docs")


def test_a_damaged_or_missing_file_is_an_error_in_words(history, tmp_path):
    """A table file that lost a byte, or is gone, is said to be damaged; nothing is answered from it."""
    root = tmp_path / "copy"
    shutil.copytree(history, root)
    path = next((root / "tables" / "points" / "site=S1").glob("*.parquet"))
    data = bytearray(path.read_bytes())
    data[40] ^= 0xFF
    path.write_bytes(data)
    with pytest.raises(ArchiveDamaged, match="run an audit"):
        stillwell.open(root).points(site="S1")
    path.unlink()
    with pytest.raises(ArchiveDamaged, match="run an audit"):
        stillwell.open(root).points(site="S1")
    assert len(stillwell.open(root).points(site="S2"))


def test_a_table_the_archive_does_not_hold_says_so_when_called(sample):
    """The name of a table known here but not there is an attribute, and an error in words when it is called."""
    missing = [name for name in ("stage", "discharge", "daily", "ratings", "shifts") if name not in sample.tables()]
    for name in missing:
        with pytest.raises(QueryError, match=f"expected one of the archive's tables .*; found '{name}'"):
            getattr(sample, name)()
    assert "gaugings" in sample.tables()


def test_moments_of_numpy_and_dates_count_as_utc(sample):
    """A date, a day in words and a moment of numpy's name the same instant in UTC."""
    spans = ("2025-05-14", datetime(2025, 5, 14, tzinfo=UTC), datetime(2025, 5, 14).date(), np.datetime64("2025-05-14"))
    found = [sample.gaugings(start=start) for start in spans]
    assert len({len(rows) for rows in found}) == 1
    assert 0 < len(found[0]) < len(sample.gaugings())


def test_sql_answers_with_units(sample):
    """An answer in SQL counts what pandas counts, and a column that keeps its name keeps its unit."""
    found = sample.sql("SELECT site, max(discharge_m3_s) AS discharge_m3_s, count(*) AS n FROM gaugings GROUP BY site")
    whole = sample.gaugings().groupby("site")["discharge_m3_s"]
    assert whole.max().to_dict() == found.set_index("site")["discharge_m3_s"].to_dict()
    assert whole.size().to_dict() == found.set_index("site")["n"].to_dict()
    assert found.attrs["units"] == {"discharge_m3_s": "m3 s-1"}
    early = sample.sql("SELECT count(*) AS n FROM reviews", as_of="2025-10-15T12:00Z")
    assert 0 == early["n"].iloc[0] < len(sample.reviews())


def test_an_archive_says_what_it_is(sample):
    """The archive, a table and its columns describe themselves."""
    assert "archive of 4 sites" in repr(sample)
    assert "filtered by site, start, end" in repr(sample.gaugings)
    said = sample.columns("gaugings")
    assert said.loc["discharge_m3_s", "unit"] == "m3 s-1"
    assert said.loc["status", "words"] == "provisional, approved, withdrawn"
    assert list(said.index[said["key"]])[:1] == ["gauging_id"]


def test_importing_stays_light():
    """Importing the package and looking at ``open`` loads neither pandas nor pyarrow nor xarray."""
    code = "import sys, stillwell; stillwell.open; print({'pandas', 'pyarrow', 'xarray', 'numpy'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


@pytest.mark.parametrize("name", ["stillwell", "stillwell.reading.opened"])
def test_examples_in_the_words_of_the_code_run(name, monkeypatch):
    """Every example in a docstring gives what it shows."""
    monkeypatch.chdir(ROOT)
    done = doctest.testmod(importlib.import_module(name))
    assert done.attempted > 0
    assert done.failed == 0
