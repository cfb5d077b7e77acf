"""What is found becomes words: columns and order of findings, and doubts of a series."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from stillwell.assessment.assess import FINDING_COLUMNS, assess
from stillwell.assessment.evidence import Check, of_gaugings
from stillwell.assessment.series import doubts_in_words
from stillwell.committing import office_policy

POLICY = office_policy()[0]


def _check(code, rows, **said):
    mask = [i in rows for i in range(3)]
    return Check(
        code, "note", "gaugings.x", "{key}: {value:.1f} of {limit:.0f}", lambda e: of_gaugings(e, mask, 2.5, 7), **said
    )


def test_findings_come_by_gauging_and_in_the_order_of_the_checks():
    """With the columns of a finding and no other; the source is that of the limit where there is one."""
    gaugings = pd.DataFrame({"row_file": "f", "row_line": [2, 3, 4]})
    evidence = SimpleNamespace(gaugings=gaugings, policy=POLICY)
    checks = (_check("b", {0, 2}, source="a book"), _check("none", set()), _check("a", {1, 2}, limit="exposure_s"))
    found = assess(evidence, checks)
    assert list(found.columns) == list(FINDING_COLUMNS)
    assert found[["g", "code", "row_line"]].to_numpy().tolist() == [[0, "b", 2], [1, "a", 3], [2, "b", 4], [2, "a", 4]]
    assert found.index.tolist() == [0, 1, 2, 3]
    assert set(found["message"]) == {"gauging: 2.5 of 7"}
    assert found["source"].tolist()[:2] == ["a book", POLICY.limits["exposure_s"].source]
    assert (found["table"] + "." + found["column"]).tolist() == ["gaugings.x"] * 4
    assert assess(evidence, checks[1:2]).empty


def test_a_gap_that_the_policy_bridges_is_not_told():
    """Two hours are bridged: a gap of two hours is none, one of 2.1 is; a doubt of one code and start is told once."""
    spans = pd.DataFrame(
        {
            "code": ["gap", "gap", "gap", "flat-line", "flat-line"],
            "value": [2.0, 2.1, 2.1, 1.5, 9.0],
            "rows": [2, 2, 2, 9, 9],
            "from_us": [0, 10**6, 2 * 10**6, 0, 0],
            "to_us": [10**9] * 5,
        }
    )
    said = doubts_in_words(spans, POLICY)
    assert POLICY.value("gap_bridged_s") == 7200
    assert said["message"].tolist()[:2] == ["nothing was recorded for 2.1 h"] * 2
    assert said["code"].tolist() == ["gap", "gap", "flat-line"]
    assert said["value"].tolist() == [2.1, 2.1, 1.5]
    assert said["severity"].tolist() == ["note", "note", "suspect"]
    assert said["from"].tolist() == [pd.Timestamp(second, unit="s", tz="UTC") for second in (1, 2, 0)]
    assert set(said["to"]) == {pd.Timestamp(1000, unit="s", tz="UTC")}


@pytest.mark.parametrize(("rules", "words"), [(1, "one handed in last stands"), (2, "0.5, 0.7; none of them stands")])
def test_values_that_contradict_are_told_by_the_rules_of_their_time(rules, words):
    """By the first rules the last stood; since then none stands, and the values are named."""
    spans = pd.DataFrame({"code": ["time-contradicted"], "value": 0.2, "rows": 2, "from_us": 5, "to_us": 5})
    message = doubts_in_words(spans, POLICY, {5: "0.5, 0.7"}, rules)["message"].iloc[0]
    assert message.endswith(words)
    assert "0.200 m" in message


@pytest.mark.parametrize(("rules", "words"), [(1, "+nan m apart"), (2, "no value says how far apart")])
def test_what_is_not_known_is_not_told_as_a_number(rules, words):
    """Loggers that overlap without a figure; by the first rules it was written all the same."""
    spans = pd.DataFrame({"code": ["loggers-overlap"], "value": np.nan, "rows": 2, "from_us": 5, "to_us": 5})
    assert doubts_in_words(spans, POLICY, {}, rules)["message"].iloc[0].endswith(words)
