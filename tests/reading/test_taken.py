"""What an ingest prints about meter checks and about gaugings taken earlier; records that lack means."""

from __future__ import annotations

import pandas as pd
import pyarrow as pa
import pytest

from stillwell.reading.printed.commit_contents import check_rows, check_sentences, earlier_rows, earlier_sentences
from stillwell.reading.records import without_mean

AT = pd.Timestamp("2025-05-01T08:00Z")


def _checks() -> dict[str, pd.DataFrame]:
    rows = [("C1", "AC1", AT, "healthy", ""), ("C2", "AC2", AT, "unfit", "Receiver 2 at 2 dB; 4 dB is the least.")]
    columns = ["check", "instrument", "checked_at", "verdict", "reasons"]
    return {"checks": pd.DataFrame(rows, columns=columns)}


def test_each_meter_check_is_printed_with_its_verdict_and_reasons():
    """A person who hands in checks reads which meter is unfit and why; a healthy one has no reason."""
    lines = check_sentences(check_rows(_checks()))
    assert [line.split(": ", 2)[2] for line in lines] == ["healthy", "unfit: Receiver 2 at 2 dB; 4 dB is the least."]
    assert ["AC1" in lines[0], "AC2" in lines[1]] == [True, True]
    assert check_rows({}) == []


def test_findings_at_gaugings_taken_earlier_are_counted_by_code():
    """Findings at gaugings of this commit stand beside those; the others are counted, and three of many named."""
    ids = ["A", "B", "B", "C", "D", "E", "NEW"]
    findings = pd.DataFrame({"gauging_id": ids, "code": "meter-unfit", "severity": "suspect"})
    outcomes = pd.DataFrame({"gauging_id": ["NEW", "A"], "action": ["new", "unchanged"]})
    earlier = earlier_rows({"findings": findings}, outcomes)
    assert earlier == [{"code": "meter-unfit", "severity": "suspect", "gaugings": ["A", "B", "C", "D", "E"]}]
    assert earlier_sentences(earlier) == [
        "new finding at 5 gaugings taken earlier: suspect meter-unfit: A, B, C and others"
    ]
    none = earlier_rows({"findings": findings.tail(1)}, outcomes)
    assert none == earlier_rows({}, outcomes) == []


@pytest.mark.parametrize("step", ["daily", "monthly", "water-years", "yearly"])
def test_rows_without_a_mean_are_counted_with_the_rule(step):
    """One of three rows without a mean is named; with all means nothing is said."""
    lacking = pa.table({"mean_m3_s": pa.array([1.0, None, 2.0])})
    assert without_mean(lacking, step).startswith("1 of 3 ")
    assert without_mean(pa.table({"mean_m3_s": [1.0, 2.0]}), step) == ""


def test_steps_that_hold_no_means_have_no_such_note():
    """Values, duration and visits are answers of their own kind."""
    assert without_mean(pa.table({"discharge_m3_s": pa.array([None], pa.float64())}), "values") == ""
