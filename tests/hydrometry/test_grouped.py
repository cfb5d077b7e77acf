"""Rows in groups against loops over the groups."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stillwell.hydrometry.grouped import Groups, numbered

COUNTS = st.lists(st.integers(1, 5), max_size=8)


def slices(counts):
    """Cut the rows of groups of so many rows."""
    ends = np.cumsum([0, *counts]).tolist()
    return [slice(low, high) for low, high in pairwise(ends)]


@given(COUNTS, st.integers(0, 2**32 - 1))
def test_groups_are_the_slices_between_changes_of_key(counts, seed):
    """Reducing, spreading, ends, counts and owners are those of a loop over slices, for any number of groups."""
    rows = sum(counts)
    values = np.random.default_rng(seed).normal(size=rows)
    groups = Groups.of(np.repeat(np.arange(len(counts)) % 2, counts))
    parts = slices(counts)
    assert (groups.size, groups.rows) == (len(counts), rows)
    assert groups.counts.tolist() == list(counts)
    assert groups.last.tolist() == [part.stop - 1 for part in parts]
    assert groups.reduce(np.maximum, values).tolist() == [values[part].max() for part in parts]
    assert groups.owner.tolist() == [k for k, count in enumerate(counts) for _ in range(count)]
    heads = groups.spread(values[groups.first])
    assert heads.tolist() == [values[part.start] for part in parts for _ in range(part.stop - part.start)]
    assert groups.joined.tolist() == [groups.owner[i] == groups.owner[i + 1] for i in range(rows - 1)]


@given(COUNTS, st.integers(0, 2**32 - 1))
def test_neighbours_stand_between_two_able_rows_of_their_group(counts, seed):
    """Inner rows of a group of which all three are able, and no others."""
    able = np.random.default_rng(seed).random(sum(counts)) < 0.8
    groups = Groups.of(np.repeat(np.arange(len(counts)), counts))
    expected = [i for part in slices(counts) for i in range(part.start + 1, part.stop - 1) if able[i - 1 : i + 2].all()]
    assert groups.neighbours(able).tolist() == expected


def test_several_keys_part_where_any_of_them_changes():
    """A change of the second key parts rows of one first key."""
    groups = Groups.of(np.array([1, 1, 1, 2]), np.array([5, 6, 6, 6]))
    assert groups.first.tolist() == [0, 1, 3]


def test_a_group_without_any_known_value_has_none():
    """NaN where all values of a group, or of all groups, are missing; counts stay whole numbers."""
    groups, missing = Groups(np.array([0, 2]), 3), np.array([np.nan, np.nan, 4.0])
    np.testing.assert_array_equal(groups.reduce(np.fmax, missing), [np.nan, 4.0])
    np.testing.assert_array_equal(groups.reduce(np.fmax, np.full(3, np.nan)), [np.nan, np.nan])
    count = groups.reduce(np.add, ~np.isnan(missing), np.int64)
    assert (count.tolist(), count.dtype) == ([0, 1], np.dtype("int64"))


def test_rows_are_numbered_within_their_group_and_an_empty_group_has_none():
    """Two rows of the first group, none of the second, three of the third."""
    owner, number = numbered(np.array([2, 0, 3]))
    assert owner.tolist() == [0, 0, 2, 2, 2]
    assert number.tolist() == [0, 1, 0, 1, 2]
