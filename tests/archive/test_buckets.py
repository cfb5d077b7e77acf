"""Which files a compaction puts together: neighbours, no large file without need, no row again and again."""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest

from stillwell.archive.batches.compaction_plan import (
    FILE_ROWS,
    GROUP_ROWS,
    MOST_ROWS,
    PAYS,
    SEVERAL_YEARS,
    Lot,
    by_commit,
    neighbours,
    worthwhile,
    year_of,
    years_within,
)
from stillwell.archive.disk.layout import table_path
from stillwell.archive.tables.table_files import table_files
from stillwell.errors import ArchiveDamaged
from stillwell.shared_types import ListedFile


def _file(number, rows, *sites):
    return ListedFile(f"tables/points/{number:08d}-x.parquet", 1, f"{number}", "points", tuple(sites), rows)


def test_files_of_neighbouring_sites_fill_a_file():
    """Ten thousand small sites come to as few ranges as their rows fill files, none overlapping another."""
    files = [_file(i, 365, f"S{i:05d}") for i in random.Random(1).sample(range(10_000), 10_000)]
    near = list(neighbours(files))
    assert len(near) == -(-10_000 // (FILE_ROWS // 365))
    assert sorted(file.path for one in near for file in one) == sorted(file.path for file in files)
    limits = [(min(f.sites[0] for f in one), max(f.sites[-1] for f in one)) for one in near]
    assert all(before[1] < after[0] for before, after in pairwise(limits))


def test_a_large_file_is_left_out_unless_the_others_are_a_quarter_of_it():
    """A file over a row group is written again with at least a quarter of its rows beside it, else not."""
    large, others = _file(1, 4 * GROUP_ROWS, "A"), [_file(2, GROUP_ROWS - 1, "A"), _file(3, 1, "A")]
    assert worthwhile([large, *others]) == [large, *others]
    assert worthwhile([large, others[0]]) == [others[0]]
    assert worthwhile([_file(4, MOST_ROWS, "A"), large, *others]) == [large, *others]


def test_rows_are_not_written_again_every_night():
    """After 2,000 nights of 300 rows a row was written again a few times for each factor of its file's growth."""
    held, written, number = [], 0, 0
    for night in range(2_000):
        number += 1
        held.append(_file(number, 300, f"S{night % 50:02d}"))
        for near in list(neighbours(held)):
            worth = worthwhile(near)
            if len(worth) > 8:
                rows, number = sum(file.rows for file in worth), number + 1
                sites = sorted({site for file in worth for site in file.sites})
                held = [file for file in held if file not in worth] + [_file(number, rows, *sites)]
                written += rows
    total = 2_000 * 300
    assert sum(file.rows for file in held) == total
    assert len(held) < 8 * 4
    # up to a row group a file is written again every ninth night; beyond, each time grows it by a quarter or more
    assert written / total < GROUP_ROWS / 300 / 8 + 11 * PAYS


def test_no_commit_takes_more_rows_than_are_held_in_memory():
    """Lots stay in order, none is left out, and each commit has two million rows at most."""
    lots = [Lot("points", (_file(i, rows, "A"),)) for i, rows in enumerate([MOST_ROWS, 1, MOST_ROWS - 1, 5, 6])]
    parts = list(by_commit(lots))
    assert [one for part in parts for one in part] == lots
    assert [sum(lot.rows for lot in part) for part in parts] == [MOST_ROWS, MOST_ROWS, 11]


@pytest.mark.parametrize("sites", [("a b", "c/d=e"), ("..", "ü" * 99), ("site=1", "z")])
def test_a_folder_of_several_sites_is_no_value_of_a_column(sites):
    """No part of the path has an equals sign, climbs or is too long for a filesystem."""
    parts = Path(table_path("points", sites, 7, "0" * 64)).parts
    assert len(parts) == 5
    assert parts[:3] == ("tables", "points", "sites")
    assert not any("=" in part or part in (".", "..") or len(part.encode()) > 255 for part in parts)


def test_files_of_an_ingest_keep_their_path(rows):
    """One file for each site, as before there were files of several."""
    made = table_files("points", rows("points", 2, site=["a b", "c"]), 7)
    assert [path.rpartition("/")[0] for path, _, _ in made] == ["tables/points/site=a%20b", "tables/points/site=c"]


@pytest.mark.parametrize(
    ("table", "years", "one"),
    [("stage", (2025,), 2025), ("stage", (2024, 2025), SEVERAL_YEARS), ("points", (), SEVERAL_YEARS)],
)
def test_only_a_file_of_a_series_has_a_year_and_only_if_it_holds_one(tmp_path, table, years, one):
    """Values of two years, and rows of no series, go with no year."""
    assert year_of(tmp_path, ListedFile("tables/x.parquet", 1, "0", table, ("A",), 1, years)) == one


def test_years_are_read_from_the_file_where_the_ledger_does_not_tell_them(tmp_path):
    """From the first to the last value, over all row groups; a file that cannot be read is damaged."""
    moments = pd.to_datetime(["2023-12-31T23:59Z", "2024-06-01T00:00Z", "2025-01-01T00:00Z"]).as_unit("us")
    pd.DataFrame({"time": moments}).to_parquet(tmp_path / "a.parquet", row_group_size=1)
    assert list(years_within(tmp_path, "a.parquet", "stage")) == [2023, 2024, 2025]
    (tmp_path / "a.parquet").write_bytes(b"no table")
    with pytest.raises(ArchiveDamaged, match=r"a\.parquet: expected a table file"):
        years_within(tmp_path, "a.parquet", "stage")
