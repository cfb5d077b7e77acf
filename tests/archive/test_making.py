"""How files to make are shared among processes."""

from __future__ import annotations

from types import SimpleNamespace

from hypothesis import given
from hypothesis import strategies as st

from stillwell.archive.making import _parts


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
