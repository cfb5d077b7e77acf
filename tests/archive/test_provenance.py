"""The provenance of a commit is PROV-JSON that an independent library reads, and says what was made from what."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
from prov.model import ProvDocument

from stillwell.archive.archive import Archive
from stillwell.archive.provenance.document import commit_provenance
from stillwell.fingerprint import canonical_json
from stillwell.shared_types import Deposit, DepositFile

SAMPLE = Path(__file__).resolve().parents[2] / "sample_archive" / "archive"


def _documents():
    return sorted((SAMPLE / "provenance").glob("*.prov.json"))


def _with_rows():
    """List the commits that wrote rows; a rendering has no provenance document, its entry names its inputs."""
    return [entry for entry in Archive(SAMPLE).ledger.entries() if any(file.table for file in entry.files)]


def test_an_independent_library_reads_it():
    """The prov package parses every document, and what it writes means the same."""
    assert len(_documents()) == len(_with_rows())
    for path in _documents():
        document = ProvDocument.deserialize(content=path.read_text(encoding="utf-8"), format="json")
        again = ProvDocument.deserialize(content=document.serialize(format="json"), format="json")
        assert document == again
        assert len(document.get_records()) >= 7


def test_every_gauging_recorded_is_derived_from_its_deposit():
    """Each revision of a gauging is derived from the deposit its row names, and from the revision before it."""
    rows = Archive(SAMPLE).read("gaugings")
    assert (rows["revision"] > 1).any()
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
    entries = _with_rows()
    assert any(entry.deposits for entry in entries)
    for entry, path in zip(entries, _documents(), strict=True):
        said = json.loads(path.read_text(encoding="utf-8"))
        used = {pair["prov:entity"] for pair in said.get("used", {}).values()}
        deposits = {name for name in used if name.startswith("deposit:")}
        assert deposits == {f"deposit:{note['deposit']}" for note in entry.deposits}
        assert f"software:{entry.software['version']}" in said["agent"]
        times = {activity["prov:startTime"] for activity in said["activity"].values()}
        assert times == {entry.recorded_at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")}


def test_every_revision_tells_its_site_meter_checks_and_lines():
    """What the documents say of each revision is what its row says, and its lines are those of its rows."""
    archive = Archive(SAMPLE)
    rows, points = archive.read("gaugings"), archive.read("points")
    lines = points.groupby(["gauging_id", "revision"])["row_line"].agg(["min", "max"])
    told, sources = {}, {}
    for path in _documents():
        said = json.loads(path.read_text(encoding="utf-8"))
        told |= said["entity"]
        derived = said.get("wasDerivedFrom", {}).values()
        sources |= {d["prov:generatedEntity"]: d for d in derived if "said:row" in d}
    assert rows["check_before"].notna().any()
    for row in rows.to_dict("records"):
        name = f"gauging:{row['gauging_id']}/{row['revision']}"
        for column in ("site", "instrument", "check_before", "check_after"):
            expected = None if pd.isna(row[column]) else row[column]
            assert expected == told[name].get(f"said:{column}")
        assert f"{row['row_file']} {row['row_line']}" == sources[name]["said:row"]
        if (row["gauging_id"], row["revision"]) in lines.index:
            first, last = lines.loc[(row["gauging_id"], row["revision"])]
            text = sources[name]["said:points"].rpartition(" ")[2]
            assert (first, last) == (int(text.split("-")[0]), int(text.split("-")[-1]))


def test_a_document_is_canonical_json():
    """What is written piece by piece is what canonical JSON of the whole would be."""
    assert len(_documents()) > 1
    for path in _documents():
        data = path.read_bytes()
        assert canonical_json(json.loads(data)) == data


def test_a_hand_made_commit_with_hostile_names(rows):
    """Quotes, line ends and letters of any script in codes and files come through, and the prov package reads them."""
    code = 'M "1"\n\\é川'
    gaugings = rows("gaugings", 2, gauging_id=["b", code], revision=[1, 3], instrument=code, row_file="a b.csv")
    points = rows("points", 2, gauging_id=code, revision=3, row_file='p "q".csv', row_line=[4, 5])
    data = commit_provenance(
        number=4,
        recorded_at=datetime(2026, 1, 1, tzinfo=UTC),
        by="T 1",
        software_version="0.1.0",
        policy_digest="c" * 64,
        intake_map="d" * 64,
        deposits=[Deposit("x", "csv", "e" * 64, (DepositFile("x", b"1"),))],
        gaugings=gaugings,
        tables={"gaugings": gaugings, "points": points},
    )
    said = json.loads(data)
    assert canonical_json(said) == data
    name = "gauging:M%20%221%22%0A%5C%C3%A9%E5%B7%9D/3"
    assert code == said["entity"][name]["said:instrument"]
    source = next(d for d in said["wasDerivedFrom"].values() if d["prov:generatedEntity"] == name and "said:row" in d)
    assert source["said:points"] == 'p "q".csv 4-5'
    assert {"prov:Revision"} == {
        d["prov:type"]["$"] for d in said["wasDerivedFrom"].values() if d["prov:usedEntity"] == name[:-1] + "2"
    }
    roles = {use["prov:entity"]: use.get("prov:role") for use in said["used"].values()}
    assert roles == {"deposit:" + "d" * 64: "intake map", "deposit:" + "e" * 64: None}
    document = ProvDocument.deserialize(content=data.decode(), format="json")
    assert document == ProvDocument.deserialize(content=document.serialize(format="json"), format="json")
