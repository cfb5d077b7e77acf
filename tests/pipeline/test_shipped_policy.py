"""The policy a version ships is kept by the archives it wrote, so that a later one can prove them."""

from __future__ import annotations

import json

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.entries import shipped_policies
from stillwell.fingerprint import sha256
from stillwell.pipeline import committing
from stillwell.pipeline.audit import audit
from stillwell.pipeline.rebuild import rebuild
from tests.pipeline.season import registers, sheets, take

SHIPPED = committing.default_policy_text()
LATER = SHIPPED.replace("share_high_pct = { value = 10.0", "share_high_pct = { value = 30.0").replace(
    "share_raised_pct = { value = 5.0", "share_raised_pct = { value = 29.0"
)


def _ship_later(patch):
    patch.setattr(committing, "default_policy_text", lambda: LATER)
    patch.setattr("stillwell.pipeline.prove.default_policy_text", lambda: LATER)


@pytest.fixture(scope="module")
def by_two_policies(tmp_path_factory):
    """Take a sheet under the policy shipped now, then one under the policy of a later version."""
    tmp = tmp_path_factory.mktemp("policies")
    take(tmp / "a", registers(tmp / "r"))
    take(tmp / "a", sheets(tmp / "1", "1"))
    with pytest.MonkeyPatch.context() as patch:
        _ship_later(patch)
        take(tmp / "a", sheets(tmp / "2", "2"))
    return tmp / "a"


@pytest.fixture
def root(by_two_policies, monkeypatch):
    """Name that archive, which no test changes, and ship the later policy."""
    _ship_later(monkeypatch)
    return by_two_policies


def test_the_text_is_told_where_it_changes_and_named_everywhere(root):
    """Three ingests, two of them rendered, two policies: each text once, in the first entry that went by it."""
    entries = Archive(root).ledger.entries()
    assert LATER != SHIPPED
    assert [e.shipped_policy for e in entries] == [sha256(SHIPPED.encode())] * 3 + [sha256(LATER.encode())] * 2
    assert ["policy_text" in e.software for e in entries] == [True, False, False, True, False]
    assert shipped_policies(entries) == {sha256(text.encode()): text for text in (SHIPPED, LATER)}


def test_each_commit_is_proved_by_the_policy_it_went_by(root):
    """Panels of a fifth are doubted in the first sheet and not in the second, and the audit finds both right."""
    found = Archive(root).read("findings")
    shares = found[found["code"].str.startswith("panel-share")]
    assert shares["gauging_id"].nunique() == 1
    assert audit(root).faults == ()


def test_rebuilding_goes_by_them_too(root, tmp_path):
    """From sealed bytes and ledger alone every digest comes out again, each under its own policy."""
    assert rebuild(root, tmp_path / "again").different == ()


def test_an_archive_that_did_not_keep_it_is_told_of(root, monkeypatch):
    """Where an older version left no policy behind the audit says which commits it could not compute again."""
    real = shipped_policies

    def forgotten(entries):
        for entry in entries:
            object.__setattr__(entry, "software", {"name": "stillwell", "version": "0"})
        return real(entries)

    monkeypatch.setattr("stillwell.pipeline.prove.shipped_policies", forgotten)
    report = audit(root)
    assert report.faults == ()
    assert any("commit 2 was judged by a policy that an earlier version shipped" in line for line in report.remarks)
    assert json.dumps(report.remarks).count("computed again") == 1
