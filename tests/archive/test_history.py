"""Rows read as they are asked for: what is answered for one site, several, and none the table knows."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.revisions.snapshot import HeldArchive, History
from stillwell.archive.revisions.stored_history import StoredHistory

SAMPLE = Archive(Path(__file__).resolve().parents[2] / "sample_archive" / "archive")
LATE = pd.Timestamp("2030-01-01T00:00Z")


@pytest.fixture
def archive(tmp_path, rows, write):
    """Make an archive of three commits, each with a gauging at alder, the second with one at birch as well."""
    for number, sites in enumerate((["alder"], ["alder", "birch"], ["alder"])):
        moment = pd.Timestamp("2025-06-01T00:00Z") + pd.Timedelta(days=number)
        names = [f"{site}-{number}" for site in sites]
        made = rows("gaugings", len(sites), site=sites, gauging_id=names, recorded_at=moment)
        write(tmp_path / "archive", tables={"gaugings": made})
    return Archive(tmp_path / "archive")


def test_sites_the_table_does_not_know_have_no_rows_but_its_columns(archive):
    """Of a stranger nothing is told, in the columns and the types of the table."""
    known = archive.read("gaugings")
    for sites in (["cedar"], []):
        none = StoredHistory(archive).rows("gaugings", LATE, sites)
        assert none.empty
        assert none.dtypes.to_dict() == known.dtypes.to_dict()


@pytest.mark.parametrize("sites", [["birch", "alder"], ["alder", "cedar"], None])
def test_rows_come_in_the_order_recorded_whichever_sites_are_asked(archive, sites):
    """Several sites together are told commit by commit, from 0."""
    found = StoredHistory(archive).rows("gaugings", LATE, sites)
    expected = ["alder-0", "alder-1", "birch-1", "alder-2"]
    assert found["gauging_id"].tolist() == [n for n in expected if sites is None or n.split("-")[0] in sites]
    assert found.index.tolist() == list(range(len(found)))


def test_only_what_was_recorded_before_or_at_the_moment(archive):
    """Before a moment is without it; recorded at a moment is of that commit alone."""
    second = pd.Timestamp("2025-06-02T00:00Z")
    stored = StoredHistory(archive)
    assert stored.rows("gaugings", second, None)["gauging_id"].tolist() == ["alder-0"]
    assert stored.recorded_at("gaugings", second, ["alder", "birch"])["gauging_id"].tolist() == ["alder-1", "birch-1"]


TABLES = ("gaugings", "points", "findings", "sites", "ratings", "instruments", "reviews")


@pytest.mark.parametrize("table", TABLES)
def test_earlier_states_are_those_of_the_archive(table):
    """Rows at hand, rows as they are read and the archive itself tell the same of what stood before a commit."""
    held, read = History({name: SAMPLE.read(name) for name in {"gaugings", table}}), StoredHistory(SAMPLE)
    moments = sorted(SAMPLE.read(table)["recorded_at"].unique())
    site = SAMPLE.read("gaugings")["site"].iloc[0]
    for before, moment in pairwise(moments):
        for sites in (None, [site], ["stranger"]):
            stood = SAMPLE.at(before).standing(table, sites)
            names = [name for name in stood.columns if name != "recorded_at"]
            known = SAMPLE.read(table, sites)
            told = set(known.loc[known["recorded_at"] <= before, "deposit"].map(lambda digest: (digest,)))
            for snapshot in (held.before(moment), read.before(moment)):
                assert snapshot.codes(table, ["deposit"], sites) == told
                found = snapshot.standing(table, sites)
                assert list(found.columns) == list(stood.columns)
                expected, mine = (f.sort_values(names, ignore_index=True) for f in (stood, found))
                pd.testing.assert_frame_equal(mine, expected)
    assert len(moments) > 0


def test_an_archive_whose_rows_are_at_hand_reads_the_years_asked_for():
    """The sample's stage of one year is part of all, and the same from files and from rows at hand."""
    held = HeldArchive(SAMPLE, History({name: SAMPLE.read(name) for name in SAMPLE.tables()}))
    columns = ["site", "time", "stage_m"]
    rows = [one.read("stage", None, columns, [2024]).sort_values(columns, ignore_index=True) for one in (SAMPLE, held)]
    assert set(rows[1]["time"].dt.year) == {2024}
    assert 0 < len(rows[1]) < len(held.read("stage"))
    pd.testing.assert_frame_equal(*rows)


@pytest.mark.parametrize("table", TABLES)
def test_some_columns_of_what_stands_are_those_columns_of_all_of_it(table):
    """Rows that stand, now and after the first commit, of all sites and of one, do not depend on the columns read."""
    for archive in (SAMPLE, SAMPLE.at(SAMPLE.ledger.entry(1).recorded_at)):
        for sites in (None, ["INV-KES"]):
            whole = archive.standing(table, sites)
            names = [whole.columns[-1], whole.columns[0]]
            pd.testing.assert_frame_equal(archive.standing(table, sites, names), whole[names])


def test_a_moment_counts_the_commits_recorded_by_then_and_their_rows():
    """From the moment of a commit until that of the next, rows, codes and number are those of the commits so far."""
    entries, deposits = SAMPLE.ledger.entries(), SAMPLE.read("deposits")
    assert len(entries) > 2
    for entry, later in pairwise(entries):
        known = deposits[deposits["commit"] <= entry.number]
        for moment in (entry.recorded_at, later.recorded_at - timedelta(microseconds=1)):
            then = SAMPLE.at(moment)
            assert then.number == entry.number
            assert sorted(then.read("deposits", columns=["deposit"])["deposit"]) == sorted(known["deposit"])
            assert then.codes("deposits", ["deposit"]) == {(digest,) for digest in known["deposit"]}
    before = SAMPLE.at(entries[0].recorded_at - timedelta(microseconds=1))
    assert (before.number, len(before.read("deposits")), before.codes("deposits", ["deposit"])) == (0, 0, set())
