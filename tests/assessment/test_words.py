"""What is found becomes words: columns and order of findings, and doubts of a series."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from stillwell.assessment.assess import FINDING_COLUMNS, assess
from stillwell.assessment.check_table import CHECKS, OF_SEASON
from stillwell.assessment.evidence import Check, of_gaugings
from stillwell.assessment.stage_findings import findings_in_words, ratings_in_words, visits_in_words
from stillwell.pipeline.committing import office_policy

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
    said = findings_in_words(spans, POLICY)
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
    message = findings_in_words(spans, POLICY, {5: "0.5, 0.7"}, rules)["message"].iloc[0]
    assert message.endswith(words)
    assert "0.200 m" in message


@pytest.mark.parametrize(("code", "rules", "words"), [
    ("loggers-overlap", 1, "+nan m apart"),
    ("loggers-overlap", 2, "no value says how far apart"),
    ("resolution-changed", 4, "in steps of nan m"),
    ("resolution-changed", 5, "in no fixed steps"),
])  # fmt: skip
def test_what_is_not_known_is_not_told_as_a_number(code, rules, words):
    """Loggers that overlap without a figure, steps of no size; by earlier rules it was written all the same."""
    spans = pd.DataFrame({"code": [code], "value": np.nan, "rows": 2, "from_us": 5, "to_us": 5})
    assert findings_in_words(spans, POLICY, {}, rules)["message"].iloc[0].endswith(words)


def _visits(sensor, days, **columns):
    at = [pd.Timestamp(f"2025-05-{day:02d}T09:00Z") for day in days]
    plain = {"sensor": sensor, "read_at": at, "difference_m": 0.0, "left_m": 0.0, "change_m": 0.0}
    return pd.DataFrame(plain | {"sensor_m": 1.0, "staff_m": 1.0} | columns)


def test_visits_in_a_row_that_say_alike_are_told_once_at_the_worst():
    """Suspect where a correction leaves more than is allowed, a note where it takes the difference away; a visit at
    which the water moved says nothing, and one in between without a difference parts two runs.
    """
    limit = POLICY.value("staff_differs_m")
    apart = np.array([0, 2, -3, 0, 2, 4, 2, 1, 2]) * limit
    left = np.array([0, 2, -3, 0, 0.5, 1, 2, 1, 2]) * limit
    change = np.array([0, 1, 0, 0, 1, 0, 1.1, 0, 0]) * limit
    visits = _visits("a", range(1, 10), difference_m=apart, left_m=left, change_m=change)
    said = visits_in_words(visits, POLICY)
    assert said["severity"].tolist() == ["suspect", "note", "suspect"]
    assert said["value"].tolist() == pytest.approx([-3 * limit, 4 * limit, 2 * limit])
    assert said["from"].dt.day.tolist() == [2, 5, 9]
    assert said["to"].dt.day.tolist() == [3, 6, 9]
    assert said["message"].iloc[0].startswith(f"at 2 visits in a row the staff stood up to {-3 * limit:+.3f} m")
    one = visits_in_words(visits.iloc[:2], POLICY)
    assert one["message"].iloc[0].startswith(f"at 1 visit in a row the staff stood up to {2 * limit:+.3f} m")
    assert visits_in_words(visits.iloc[:1], POLICY).empty


def test_a_unit_is_doubted_of_the_sensor_that_does_not_go_with_the_staff():
    """Three readings of which one series is in feet: that sensor is named, over its own visits."""
    staff = np.array([1.0, 1.5, 2.0])
    feet = _visits("b", (4, 2, 3), sensor_m=staff / 0.3048, staff_m=staff)
    metres = _visits("a", (1, 5, 9), sensor_m=staff, staff_m=staff)
    said = visits_in_words(pd.concat([metres, feet], ignore_index=True), POLICY)
    assert said[["code", "sensor", "severity"]].to_numpy().tolist() == [["unit-doubted", "b", "suspect"]]
    assert (said["from"].iloc[0].day, said["to"].iloc[0].day) == (2, 4)
    assert said["value"].iloc[0] == pytest.approx(1.5 / 0.3048 - 1.5)
    assert "3 readings of the staff lie 0.000 m from it then" in said["message"].iloc[0]
    assert "levels aside" not in said["message"].iloc[0]


BEYOND = (
    "times-overlap sheet-copied same-day-differ stage-rises-area-falls party-few-verticals check-missing meter-unfit "
    "meter-watch"
)
"""Findings about other gaugings of the season, the party or the meter."""


def test_ratings_of_one_moment_are_counted_with_the_one_that_holds():
    """Two passed over and one that holds are three, told once, until the next rating."""
    moment, until = pd.Timestamp("2025-05-01T00:00Z"), pd.Timestamp("2025-06-01T00:00Z")
    passed = pd.DataFrame({"rating": ["A", "B"], "valid_from": moment, "holds": "C", "until": until})
    (row,) = ratings_in_words(passed).to_dict("records")
    assert (row["value"], row["from"], row["to"], row["sensor"]) == (3, moment, until, None)
    assert row["message"].startswith("ratings A, B and C are valid from one moment, 2025-05-01T00:00:00Z; C holds")


def test_findings_that_look_beyond_a_gauging_make_no_revision():
    """They come and go with what else is known, so that a revision does not follow from them."""
    assert set(BEYOND.split()) == OF_SEASON
    assert len(CHECKS) > 40


def test_one_rating_passed_over_is_told_with_the_one_that_holds():
    """Two of one moment."""
    moment, until = pd.Timestamp("2025-05-01T00:00Z"), pd.Timestamp("2025-06-01T00:00Z")
    passed = pd.DataFrame({"rating": ["A"], "valid_from": moment, "holds": "B", "until": until})
    (row,) = ratings_in_words(passed).to_dict("records")
    assert row["message"].startswith("ratings A and B are valid from one moment")
    assert row["value"] == 2
