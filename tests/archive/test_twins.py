"""Codes that are alike, however many of them there are."""

from __future__ import annotations

import pytest

from stillwell.archive.care import lookalike_codes


@pytest.mark.parametrize(("groups", "rest"), [(49, []), (50, []), (51, [1]), (53, [3])])
def test_fifty_groups_are_named_and_the_rest_is_counted(monkeypatch, groups, rest):
    """One sentence for each group up to the fiftieth, one more with the number of those beyond."""
    codes = {(code,): ["gaugings.party"] for i in range(groups) for code in (f"p{i}", f"P{i}")}
    monkeypatch.setattr(lookalike_codes, "_codes", lambda _: {"party": codes | {("alone",): ["gaugings.party"]}})
    remarks = lookalike_codes.twin_remarks(None)
    ends = [f"{more} more groups of codes differ only by case or Unicode form" for more in rest]
    assert remarks[50:] == ends
    named = [remark for remark in remarks if remark.startswith("codes of a party that differ only by case")]
    assert len(named) == min(groups, 50) == len(set(named))
    assert not [remark for remark in named if "alone" in remark]
