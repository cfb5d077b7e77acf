"""The provenance of a commit is PROV-JSON that an independent library reads, and says what was made from what."""

from __future__ import annotations

import json
from pathlib import Path

from prov.model import ProvDocument

from stillwell.archive.archive import Archive

SAMPLE = Path(__file__).resolve().parents[2] / "sample_archive" / "archive"


def _documents():
    return sorted((SAMPLE / "provenance").glob("*.prov.json"))


def test_an_independent_library_reads_it():
    """The prov package parses every document, and what it writes means the same."""
    assert len(_documents()) == 2
    for path in _documents():
        document = ProvDocument.deserialize(content=path.read_text(encoding="utf-8"), format="json")
        again = ProvDocument.deserialize(content=document.serialize(format="json"), format="json")
        assert document == again
        assert len(document.get_records()) > 20


def test_every_gauging_recorded_is_derived_from_its_deposit():
    """Each revision of a gauging is derived from the deposit its row names, and from the revision before it."""
    rows = Archive(SAMPLE).read("gaugings")
    derived = {}
    for path in _documents():
        said = json.loads(path.read_text(encoding="utf-8"))
        for pair in said.get("wasDerivedFrom", {}).values():
            derived.setdefault(pair["prov:generatedEntity"], set()).add(pair["prov:usedEntity"])
    for gauging_id, revision, deposit in zip(rows["gauging_id"], rows["revision"], rows["deposit"], strict=True):
        sources = derived[f"gauging:{gauging_id}/{revision}"]
        assert f"deposit:{deposit}" in sources
        assert revision == 1 or f"gauging:{gauging_id}/{revision - 1}" in sources


def test_the_commit_used_every_deposit_under_its_policy():
    """Deposits, software version, policy digest and the moment of the commit are those of the ledger entry."""
    archive = Archive(SAMPLE)
    for entry, path in zip(archive.ledger.entries(), _documents(), strict=True):
        said = json.loads(path.read_text(encoding="utf-8"))
        used = {pair["prov:entity"] for pair in said["used"].values()}
        assert used == {f"deposit:{note['deposit']}" for note in entry.deposits}
        assert f"software:{entry.software['version']}" in said["agent"]
        times = {activity["prov:startTime"] for activity in said["activity"].values()}
        assert times == {entry.recorded_at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")}
