"""The documents of a bag, each held against an independent reader or the standard's own words."""

from __future__ import annotations

import hashlib
import json
import shutil
import warnings

import pandas as pd
from prov.model import ProvDocument
from rocrate.rocrate import ROCrate

from stillwell.archive.archive import Archive
from stillwell.publishing.facts import licence_address
from tests.pipeline.season import take
from tests.publishing.making import OPEN, gauging, published, registers


def _json(told, name):
    return json.loads((told.path / "data" / name).read_text(encoding="utf-8"))


def test_an_independent_library_reads_the_crate(told):
    """The rocrate package finds the root with all a root must have, and every file of the payload as a part."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        crate = ROCrate(told.path / "data")
    files = {p.relative_to(told.path / "data").as_posix() for p in (told.path / "data").rglob("*") if p.is_file()}
    assert {e.id for e in crate.data_entities} == files - {"ro-crate-metadata.json"}
    root = crate.root_dataset
    assert root["license"].id == "https://spdx.org/licenses/CC0-1.0"
    assert (crate.name, root["datePublished"]) == ("Gaugings at Alder Ford (invented), 2025", "2026-03-01")
    assert root["temporalCoverage"] == "2025-05-01/2025-05-05"
    assert "provisional results are not yet reviewed" in crate.description


def test_sizes_and_digests_of_the_crate_are_those_of_the_files(told):
    """Size and sha256 of each part, computed again; every reference within the crate leads somewhere."""
    graph = {item["@id"]: item for item in _json(told, "ro-crate-metadata.json")["@graph"]}
    for part in graph["./"]["hasPart"]:
        data = (told.path / "data" / part["@id"]).read_bytes()
        said = graph[part["@id"]]
        assert (said["contentSize"], said["sha256"]) == (str(len(data)), hashlib.sha256(data).hexdigest())
    text = json.dumps(list(graph.values()))
    references = {word.split('"')[0] for word in text.split('{"@id": "')[1:] if '"}' in word[:200]}
    assert {r for r in references if r.startswith("#")} <= set(graph)


def test_an_independent_library_reads_the_provenance(told):
    """The prov package parses the document; what it writes means the same."""
    text = (told.path / "data" / "provenance.prov.json").read_text(encoding="utf-8")
    document = ProvDocument.deserialize(content=text, format="json")
    again = ProvDocument.deserialize(content=document.serialize(format="json"), format="json")
    assert document == again


def test_provenance_holds_what_was_published_and_what_it_rests_on(archive, told):
    """Each published gauging is a member, derived from the deposit its row names; nothing else is a gauging."""
    said = _json(told, "provenance.prov.json")
    rows = pd.read_parquet(told.path / "data" / "tables" / "gaugings.parquet")
    members = {pair["prov:entity"] for pair in said["hadMember"].values()}
    assert members == {f"gauging:{name}/{n}" for name, n in zip(rows["gauging_id"], rows["revision"], strict=True)}
    assert {name for name in said["entity"] if name.startswith("gauging:")} == members
    derived = {(p["prov:generatedEntity"], p["prov:usedEntity"]) for p in said["wasDerivedFrom"].values()}
    for name, revision, deposit in zip(rows["gauging_id"], rows["revision"], rows["deposit"], strict=True):
        assert (f"gauging:{name}/{revision}", f"deposit:{deposit}") in derived
    hidden = Archive(archive).standing("gaugings").query("site != @OPEN")
    assert len(hidden) == 3
    assert not {f"deposit:{digest}" for digest in hidden["deposit"]} & set(said["entity"])
    known = {*said["entity"], *said["activity"], *said["agent"]}
    for kind in ("used", "wasGeneratedBy", "wasDerivedFrom", "wasAttributedTo", "wasAssociatedWith", "hadMember"):
        for pair in said[kind].values():
            assert {v for k, v in pair.items() if k not in ("prov:time", "prov:type")} <= known


def test_provenance_follows_a_revision_to_the_one_before(archive, tmp_path):
    """A corrected gauging rests on its new deposit, on the revision before it, and through that on the old deposit."""
    from tests.pipeline.season import sheets

    root = shutil.copytree(archive, tmp_path / "archive")
    take(root, sheets(tmp_path / "again", "3", velocity=0.5))
    said = _json(published(root, tmp_path / "bag"), "provenance.prov.json")
    derived = {(p["prov:generatedEntity"], p["prov:usedEntity"]) for p in said["wasDerivedFrom"].values()}
    two, one = f"gauging:{gauging(3)}/2", f"gauging:{gauging(3)}/1"
    assert (two, one) in derived
    rows = Archive(root).read("gaugings").query("gauging_id == @gauging(3)").set_index("revision")["deposit"]
    assert rows[1] != rows[2]
    assert {(one, f"deposit:{rows[1]}"), (two, f"deposit:{rows[2]}")} <= derived
    assert one not in {pair["prov:entity"] for pair in said["hadMember"].values()}


def test_the_datacite_record_has_what_the_kernel_asks_for(told):
    """DataCite kernel 4, as remembered: all mandatory properties but the identifier, which is not invented."""
    record = _json(told, "datacite.json")
    for name in ("creators", "titles", "publisher", "publicationYear", "types", "schemaVersion"):
        assert record[name], name
    assert record["types"]["resourceTypeGeneral"] == "Dataset"
    assert record["publicationYear"] == "2026"
    assert record["creators"] == [{"name": "Invented Trust", "nameType": "Organizational"}]
    assert "identifiers" not in record
    assert "doi" not in record
    assert record["rightsList"][0]["rightsUri"] == "https://spdx.org/licenses/CC0-1.0"
    assert record["geoLocations"][0]["geoLocationPoint"] == {"pointLongitude": -29.5, "pointLatitude": 47.5}
    assert {d["dateType"]: d["date"] for d in record["dates"]}["Collected"] == "2025-05-01/2025-05-05"


def test_a_licence_of_ones_own_gets_no_invented_address(tmp_path):
    """Words that cannot be an SPDX identifier are repeated as they are, without an address."""
    assert licence_address("CC-BY-4.0") == "https://spdx.org/licenses/CC-BY-4.0"
    assert licence_address("ask the office") is None
    root = tmp_path / "archive"
    take(root, registers(tmp_path / "registers", {OPEN: {"name": "A (invented)", "licence": "ask the office"}}))
    told = published(root, tmp_path / "bag")
    assert _json(told, "datacite.json")["rightsList"] == [{"rights": "ask the office"}]
    graph = {item["@id"]: item for item in _json(told, "ro-crate-metadata.json")["@graph"]}
    assert graph["./"]["license"] == {"@id": "#licence-ask%20the%20office"}
    assert graph["#licence-ask%20the%20office"]["name"] == "ask the office"
