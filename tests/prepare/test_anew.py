"""What another version of the software does to gaugings taken before."""

from __future__ import annotations

import numpy as np

from stillwell.archive.archive import Archive
from stillwell.hydrometry.gauging import profile
from stillwell.pipeline.audit import audit
from stillwell.pipeline.derive import recompute
from stillwell.pipeline.ingest import decide
from tests.pipeline.season import NOW, season

ID = "S1.20250501T100000Z.M1"


def _halved(monkeypatch):
    """Let a version be that takes half of what is read at 0.6 of the depth, as no version should."""
    profile._weights.cache_clear()
    weights = dict(profile.WEIGHTS)
    true = profile._weights.__wrapped__

    def wrong(choices):
        return 0.5 * true(choices)

    monkeypatch.setattr(profile, "_weights", wrong)
    return weights


def test_the_same_version_changes_nothing(tmp_path):
    """Computed again by the same software every gauging is what it was, and no commit is made."""
    root = season(tmp_path)
    before = Archive(root).ledger.head_number()
    assert recompute(root, by="T1", now=NOW) == (None, {})
    assert Archive(root).ledger.head_number() == before


def test_another_version_makes_revisions_with_their_reason(tmp_path, monkeypatch):
    """Half the velocity is half the discharge: a revision each, its reason told, an approved one left standing."""
    root = season(tmp_path)
    decide(root, "reviews", [{"subject": ID, "decision": "approved", "reason": "looked at"}], by="R1", now=NOW)
    _halved(monkeypatch)
    entry, _ = recompute(root, by="T1", now=NOW)
    assert entry.reason == "recompute"
    rows = Archive(root).read("gaugings")
    again = rows[rows["revision"] == 2].set_index("gauging_id")
    np.testing.assert_allclose([0.44, 0.44], again["discharge_m3_s"])
    assert set(again["revision_reason"]) == {"computed again by another version of the software"}
    assert again["candidate"].to_dict()[ID]
    standing = Archive(root).standing("gaugings").set_index("gauging_id")
    np.testing.assert_allclose([0.88, 0.44], standing["discharge_m3_s"])


def test_the_commit_is_proved_by_the_version_that_made_it(tmp_path, monkeypatch):
    """The audit by the other version finds only what it computes otherwise, in the commits made before it."""
    root = season(tmp_path)
    _halved(monkeypatch)
    recompute(root, by="T1", now=NOW)
    faults = audit(root).faults
    assert faults
    assert all("commit 2" in fault.path for fault in faults)
