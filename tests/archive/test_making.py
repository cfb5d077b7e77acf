"""How files to make are shared among processes, and what makers that died leave."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.archive.archive import Archive
from stillwell.archive.disk.layout import MAKING
from stillwell.archive.netcdf.background import _parts, left_by_makers, making_folder, sweep_making
from stillwell.archive.writing.unfinished import unfinished_remarks


@given(st.lists(st.integers(1, 4), min_size=1, max_size=8), st.integers(1, 6))
def test_lots_hold_whole_sites_and_no_more_than_are_needed(files, least):
    """A site is never parted, each lot but the last has its least number, and would lack it without its last site."""
    wanted = [SimpleNamespace(site=site, year=i) for site, number in enumerate(files) for i in range(number)]
    lots = list(_parts(wanted, least))
    assert [one for lot in lots for one in lot] == wanted
    sites = [sorted({one.site for one in lot}) for lot in lots]
    assert sum(map(len, sites)) == len(files)
    without_last = [sum(one.site != of_lot[-1] for one in lot) for lot, of_lot in zip(lots, sites, strict=True)]
    assert max(without_last) < least
    assert min([len(lot) for lot in lots[:-1]], default=least) >= least


NOW = datetime(2025, 6, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("dead", "said"),
    [([], []), (["a"], ["1 rendering was cut short"]), (["a", "b"], ["2 renderings were cut short"])],
)
def test_what_dead_makers_left_is_said_and_swept(tmp_path, rows, write, dead, said):
    """A folder whose lock nobody holds was left; one at work is not, and a sweep lets it be."""
    write(tmp_path, tables={"sites": rows("sites")})
    for name in dead:
        (tmp_path / MAKING / name).mkdir(parents=True)
        (tmp_path / MAKING / name / "000000.nc").write_bytes(b"half")
    with making_folder(tmp_path, NOW) as mine:
        assert left_by_makers(tmp_path) == dead
        remarks = unfinished_remarks(Archive(tmp_path))
        assert [remark.partition(" and left files in work/making; ")[0] for remark in remarks] == said
        sweep_making(tmp_path, NOW)
        assert mine.is_dir()
        assert left_by_makers(tmp_path) == []
    assert list((tmp_path / MAKING).iterdir()) == []
