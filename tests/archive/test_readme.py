"""README.txt says nothing false: each instruction in it is followed here without the archive's own code.

The rows are invented. Where a rule of the README is worked out by hand, only json, hashlib and pandas are used.
"""

from __future__ import annotations

import hashlib
import json
import re

import duckdb
import pandas as pd
import pytest
from frictionless import Schema

from stillwell.archive.archive import Archive
from stillwell.archive.disk.layout import DOCUMENTS, LEDGER, README, SEALED, TABLES, WORK, site_folder
from stillwell.archive.readme import archive_readme, schema_documents
from stillwell.schemas import ARCHIVE_TABLES, SCHEMA_VERSION, words
from stillwell.schemas.derive import columns

OFFICE = {"name": "Invented Water Office", "identifier": "water.example", "contact_role": "keeper of records"}


@pytest.fixture
def text():
    """Return the README of an invented office."""
    return archive_readme(OFFICE).decode("utf-8")


@pytest.fixture
def kept(tmp_path, write, rows, deposit):
    """Make an archive with two sites, a correction, a withdrawal and a replaced README."""
    root = tmp_path / "archive"
    fixed = {"README.txt": archive_readme(OFFICE)} | schema_documents()
    day = pd.date_range("2025-05-01T10:00Z", periods=3, unit="us")
    gaugings = rows(
        "gaugings", 3, gauging_id=["a", "b", "c"], site=["alder", "alder", "birch"], started_at=day, candidate=False
    ).assign(recorded_at=pd.Timestamp("2025-06-01T00:00Z").as_unit("us"))
    gaugings["status"] = pd.Series(["approved", "provisional", "provisional"], dtype="str")
    later = gaugings.assign(recorded_at=pd.Timestamp("2025-07-01T00:00Z").as_unit("us"))
    corrected = later[:2].assign(revision=pd.array([2, 2], dtype="Int64"))
    corrected["status"] = pd.Series(["provisional", "provisional"], dtype="str")
    withdrawn = later[2:].assign(status=pd.Series(["withdrawn"], dtype="str", index=[2]))
    write(root, deposit({"b.csv": b"2\n", "a.csv": b"1\n"}), tables={"gaugings": gaugings}, replacing=fixed)
    changed = pd.concat([corrected, withdrawn], ignore_index=True)
    write(root, deposit("second\n"), tables={"gaugings": changed}, replacing={"README.txt": b"newer"})
    return root


def test_it_is_plain_text_of_printable_width(text):
    """A stranger may have nothing but a screen of 120 characters."""
    assert text.endswith("\n")
    assert text.isascii()
    assert max(map(len, text.splitlines())) <= 120


def test_it_names_the_office_and_the_schema_version(text):
    """Whom to ask, and of which kind the archive is."""
    assert all(said in text for said in OFFICE.values())
    assert f"schema version {SCHEMA_VERSION}" in text


def test_it_names_every_folder_an_archive_may_hold(text):
    """No folder is left unexplained, and none explained that cannot be."""
    said = set(re.findall(r"^(\w+)/ ", text, flags=re.MULTILINE))
    assert {SEALED, LEDGER, TABLES, WORK, *DOCUMENTS} == said


def test_it_names_every_table_with_its_key(text):
    """What a table holds, and under it the key that its Table Schema gives with the revision that goes with it."""
    lines = text.splitlines()
    assert schema_documents()
    for path, data in schema_documents().items():
        schema = json.loads(data)
        name = path.removeprefix("schemas/").removesuffix(".json")
        row = next(i for i, line in enumerate(lines) if re.match(rf"{name} +[A-Z].*\.$", line))
        revised = "revision" in [field["name"] for field in schema["fields"]]
        key = schema["primaryKey"] + (["revision"] if revised else [])
        assert lines[row + 1].strip() == f"Key: {', '.join(key)}."
        assert name not in lines[row][len(name) :], "a table is described by more than its name"


def test_it_explains_every_word_of_status_and_severity(text):
    """A closed list of words is explained whole."""
    for word in (*words.STATUSES, *words.SEVERITIES):
        assert re.search(rf"^\w*\s+{word}\s{{2,}}\w", text, flags=re.MULTILINE), word
    assert ", ".join(words.FIELD_QUALITIES) in text
    assert words.OBSERVED_ZERO in text


def test_it_explains_every_unit_in_a_column_name(text):
    """Each ending of a number's column that carries a unit is spelled out."""
    described = text[text.index("THE TABLES") : text.index("HOW TO READ")]
    units = {c.units: c.name for model in ARCHIVE_TABLES.values() for c in columns(model) if c.units not in (None, "1")}
    plain = {"degrees_north", "degrees_east", "s-1", "byte", "V", "1e-3", "percent", "degree_Celsius"}
    endings = {"m": "_m ", "m2": "_m2", "m3 s-1": "_m3_s", "m s-1": "_m_s", "s": "_s ", "degree": "_deg", "dB": "_db"}
    endings |= {"km2": "_km2"}
    assert set(units) - plain - set(endings) == set()
    assert all(ending in described for unit, ending in endings.items() if unit in units)
    assert all(ending in described for ending in ("_c ", "_pct", "_ppt"))


def test_it_never_says_that_wading_is_safe(text):
    """It warns, and defers to the rules of the place."""
    assert "safe" not in text.lower()
    assert "kill" in text


def test_the_pandas_line_reads_a_whole_table(kept, text, monkeypatch):
    """The line as printed gives every row, with the site once."""
    line = re.search(r"^ +(pandas\.read_parquet\(.*\))$", text, flags=re.MULTILINE)[1]
    assert line == 'pandas.read_parquet("tables/gaugings", partitioning=None)'
    monkeypatch.chdir(kept)
    found = pd.read_parquet("tables/gaugings", partitioning=None)
    assert (len(found), list(found.columns).count("site")) == (6, 1)
    assert {"alder", "birch"} == set(found["site"])


def test_the_duckdb_line_reads_a_whole_table(kept, text, monkeypatch):
    """The line as printed gives every row."""
    line = re.search(r"^ +(SELECT .*)$", text, flags=re.MULTILINE)[1]
    monkeypatch.chdir(kept)
    assert len(duckdb.sql(line).fetchall()) == 6


def test_the_rule_of_what_stands_gives_what_the_archive_says_stands(kept):
    """Worked out in words: latest row of a revision, then highest approved, else highest provisional."""
    every = pd.read_parquet(kept / "tables" / "gaugings", partitioning=None)
    chosen = {}
    for gauging_id, rows in every.groupby("gauging_id"):
        now = {}
        for row in rows.sort_values("recorded_at").itertuples():
            now[row.revision] = row.status
        able = [r for r, status in now.items() if status == "approved"]
        able = able or [r for r, status in now.items() if status == "provisional"]
        if able:
            chosen[gauging_id] = max(able)
    assert chosen == {"a": 1, "b": 2}
    standing = Archive(kept).standing("gaugings")
    assert chosen == dict(zip(standing["gauging_id"], standing["revision"], strict=True))


def test_the_listing_by_hand_is_the_archives_listing(kept):
    """Nothing, then entry by entry: strike out what is replaced, add what is listed."""
    listed = {}
    for path in sorted((kept / "ledger").glob("*.json")):
        entry = json.loads(path.read_bytes())
        for gone in entry["replaced"]:
            del listed[gone]
        listed |= {file["path"]: (file["size"], file["sha256"]) for file in entry["files"]}
    assert {p: (f.size, f.sha256) for p, f in Archive(kept).listing().items()} == listed
    for path, (size, digest) in listed.items():
        data = (kept / path).read_bytes()
        assert (size, digest) == (len(data), hashlib.sha256(data).hexdigest())


def test_the_chain_can_be_checked_by_hand(kept):
    """Previous is the digest of the entry before; digest is that of the text without its own field and comma."""
    before = ""
    paths = sorted((kept / "ledger").glob("*.json"))
    assert len(paths) == 2
    for path in paths:
        data = path.read_bytes()
        entry = json.loads(data)
        assert before == entry["previous"]
        rest, found = re.subn(rb'"digest":"[0-9a-f]{64}",', b"", data, count=1)
        assert (1, entry["digest"]) == (found, hashlib.sha256(rest).hexdigest())
        before = hashlib.sha256(data).hexdigest()


def test_sealed_files_can_be_checked_by_hand(kept):
    """Inventory, its sidecar, sha512 of the manifest and sha256 of the fixity block agree with the bytes."""
    inventories = sorted((kept / "sealed").glob("???/???/???/*/inventory.json"))
    assert len(inventories) == 2
    for path in inventories:
        data = path.read_bytes()
        assert hashlib.sha512(data).hexdigest() == path.with_name("inventory.json.sha512").read_text().split()[0]
        said = json.loads(data)
        for algorithm, block in (("sha512", said["manifest"]), ("sha256", said["fixity"]["sha256"])):
            for digest, files in block.items():
                assert {digest} == {hashlib.new(algorithm, (path.parent / f).read_bytes()).hexdigest() for f in files}


def test_the_digest_that_names_a_deposit_can_be_made_by_hand(kept, deposit):
    """A file by its bytes; a folder by its sorted list of path, size and sha256 as JSON without spaces."""
    told = {note["deposit"] for entry in Archive(kept).ledger.entries() for note in entry.deposits}
    files = {"b.csv": b"2\n", "a.csv": b"1\n"}
    listed = [[p, len(data), hashlib.sha256(data).hexdigest()] for p, data in sorted(files.items())]
    folder = hashlib.sha256(json.dumps(listed, separators=(",", ":")).encode()).hexdigest()
    assert {folder, hashlib.sha256(b"second\n").hexdigest()} == told


@pytest.mark.parametrize("site", ["A-1_x.y~z", "Bär/1", "S 1%", "x" * 200])
def test_the_naming_of_site_folders_is_as_told(site):
    """Letters, digits and _ . - ~ stay; all else is percent-encoded; overlong codes end in 12 digits of a digest."""
    name = site_folder(site).removeprefix("site=")
    if len(name) < len(site):
        assert name.endswith(hashlib.sha256(site.encode()).hexdigest()[:12])
        return
    kept_as_is = re.compile(rb"[A-Za-z0-9_.~-]")
    by_hand = "".join(chr(b) if kept_as_is.match(bytes([b])) else f"%{b:02X}" for b in site.encode())
    assert by_hand == name


def test_every_table_has_a_table_schema_that_an_independent_library_accepts():
    """Frictionless, told that it is Table Schema 2, reads each document and finds the model's columns in order."""
    documents = schema_documents()
    assert {f"schemas/{name}.json" for name in ARCHIVE_TABLES} == set(documents)
    for path, data in documents.items():
        said = json.loads(data)
        schema = Schema.from_descriptor(said, datapackage_version="2.0")
        name = path.removeprefix("schemas/").removesuffix(".json")
        assert [c.name for c in columns(ARCHIVE_TABLES[name])] == schema.field_names
        assert said["version"] == SCHEMA_VERSION
        assert b'\n "' in data, "it is laid out for people"


def test_the_same_again_is_byte_identical():
    """Neither clock nor chance has a part in them."""
    assert archive_readme(OFFICE) == archive_readme(dict(OFFICE))
    assert schema_documents() == schema_documents()
    assert README == "README.txt"
