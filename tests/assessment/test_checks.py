"""The table of checks is whole and speaks plainly."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.assessment.assess import assess
from stillwell.assessment.check_table import CHECKS
from stillwell.assessment.findings_page import findings_document
from stillwell.assessment.health import LIMITS as HEALTH_LIMITS
from stillwell.assessment.policy import LIMITS
from stillwell.assessment.stage_findings import PASSED_OVER
from stillwell.pipeline.committing import office_policy
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import columns
from stillwell.schemas.words import SEVERITIES
from tests.making import computed, evidence, gaugings, one_point_section

OF_RECORDS = {
    "gap_bridged_s", "day_share", "stage_uncertainty_m", "shift_uncertainty_m", "rating_uncertainty_pct",
    "extrapolation_factor", "staff_differs_m",
}  # fmt: skip
OF_RATINGS = {"rating_exponent_range", "rating_departure_pct", "rating_segment_fewest"}
BESIDE = {
    *HEALTH_LIMITS,
    *OF_RECORDS,
    *OF_RATINGS,
    "verticals_widths_m",
    "velocity_error_m_s",
    "discharge_floor_m3_s",
}
"""Limits that serve another one, the computing or the records (told in docs/records.md)."""

FINDINGS = Path(__file__).parents[1] / "findings"


def _assessed(section, **said):
    headers = gaugings(int(section["g"].max()) + 1, **said)
    return assess(evidence(headers, computed(section, headers), office_policy()[0]))


def test_codes_are_plain_words_and_unique():
    """A code is words joined by hyphens, and no two checks share one."""
    codes = [check.code for check in CHECKS]
    assert len(codes) == len(set(codes))
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)+", code) for code in codes)


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c.code)
def test_each_check_names_what_exists(check):
    """Severity, table, column, limit and source of a check exist, and its sentence can be written."""
    assert check.severity in SEVERITIES
    assert check.column in {c.name for c in columns(ARCHIVE_TABLES[check.table])}
    assert bool(check.limit) != bool(check.source)
    assert not check.limit or check.limit in LIMITS
    assert check.sentence.format(key="vertical 1", value=1.0, limit=2.0)


def test_every_limit_is_used():
    """A limit that no check uses would be an empty promise."""
    used = {check.limit for check in CHECKS} | BESIDE
    assert set(LIMITS) <= used


def test_the_page_of_ratings_tells_its_limits():
    """Each limit of ratings stands there with its source."""
    page = (Path(__file__).parents[2] / "docs" / "ratings.md").read_text(encoding="utf-8")
    policy, _ = office_policy()
    for name in OF_RATINGS:
        assert f"`{name}`" in page
        assert policy.limits[name].source in page


def test_the_page_of_records_tells_its_limits():
    """Each limit of records stands there with its value and where it comes from."""
    page = (Path(__file__).parents[2] / "docs" / "records.md").read_text(encoding="utf-8")
    policy, _ = office_policy()
    for name in OF_RECORDS:
        assert f"| `{name}` | {policy.value(name):g} | {policy.limits[name].source}" in page


def test_every_code_has_a_bad_and_a_good_example():
    """tests/findings holds a bad and a good deposit for each code, and nothing else."""
    held = {folder.name for folder in FINDINGS.iterdir() if folder.is_dir() and folder.name != "__pycache__"}
    assert {check.code for check in CHECKS} | {PASSED_OVER} == held


def test_the_page_of_findings_holds_every_code_and_limit():
    """The generated page names each code, its limit and the source of the limit."""
    policy, _ = office_policy()
    page = findings_document(policy)
    assert all(f"`{check.code}`" in page for check in CHECKS)
    assert all(limit.source in page for name, limit in policy.limits.items() if name not in BESIDE)


def test_findings_come_by_gauging_and_in_order():
    """Findings of a batch are those of its gaugings, sorted by gauging."""
    narrow = one_point_section([0, 1, 2], [0, 0.5, 0], [0, 0.5, 0])
    both = pd.concat([narrow.assign(g=i, gauging=f"G{i + 1}") for i in (1, 0)], ignore_index=True)
    found = _assessed(both)
    assert list(found["g"]) == sorted(found["g"])
    assert {"verticals-few", "panel-share-high", "gauge-height-missing"} <= set(found["code"])
    assert found[found["code"] == "panel-share-high"]["value"].tolist() == [100, 100]
    assert np.isfinite(found.loc[found["code"] == "verticals-few", "limit"]).all()


def test_no_doubt_gives_an_empty_frame():
    """Where no check finds anything the frame has its columns and no rows."""
    headers = gaugings(1)
    made = assess(evidence(headers, computed(one_point_section([], [], []), headers), office_policy()[0]), checks=())
    assert made.empty
    assert "message" in made


def test_nothing_says_that_wading_is_safe():
    """No sentence of a check calls the water safe."""
    assert not [check.code for check in CHECKS if "safe" in check.sentence]
