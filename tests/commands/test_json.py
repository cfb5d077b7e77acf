"""``--format json``: one document on stdout, with the keys the page names and the facts of the words."""

from __future__ import annotations

import json
import re
import shutil
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from stillwell.cli import COMMANDS
from tests.commands.test_commands import run
from tests.pipeline.season import season

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "json.md"
SAMPLE = ROOT / "sample_archive" / "archive"
INBOX = ROOT / "sample_archive" / "inbox"
ID = "INV-WIN.20241120T114000Z.INV-AC2"


@pytest.fixture(scope="module")
def copy(tmp_path_factory):
    """Copy the sample archive, since some commands write."""
    return Path(shutil.copytree(SAMPLE, tmp_path_factory.mktemp("copy") / "archive"))


def documented():
    """Read the patterns of keys off the page, by command."""
    parts = re.split(r"^## (.+)$", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)[1:]
    return {
        name: re.findall(r"`([^`]+)`", "".join(line.split("|")[1] for line in text.splitlines() if line[:3] == "| `"))
        for name, text in zip(parts[::2], parts[1::2], strict=True)
    }


def paths(value, before=""):
    """Name every place of a document; an array's elements share one."""
    if isinstance(value, dict):
        for key, one in value.items():
            yield from paths(one, f"{before}.{key}" if before else key)
    elif isinstance(value, list):
        for one in value:
            yield from paths(one, f"{before}[]")
        if not value:
            yield f"{before}[]"
    else:
        yield before


def answer(name, *words, root=None, code=0, text=True):
    """Run a command in words and as JSON; hold every key against the page; return document and words."""
    said = run(*words, root=root)[1] if text else ""
    got, out, _ = run(*words, "--format", "json", root=root)
    assert got == code
    document = json.loads(out)
    patterns = [re.sub(r"\[\]", "[[]]", pattern) for pattern in documented()[name]]
    unknown = {
        path
        for path in paths(document)
        if not any(fnmatchcase(path, pattern) or fnmatchcase(path, f"{pattern}[[]]*") for pattern in patterns)
    }
    # an empty array or a null stands where its parts are documented
    unknown = {path for path in unknown if not any(pattern.startswith(path) for pattern in documented()[name])}
    assert unknown == set()
    return document, said


def test_every_command_is_on_the_page():
    """A command answers with rows, a file or a document, and the page says which."""
    text = PAGE.read_text(encoding="utf-8")
    assert COMMANDS
    assert documented()
    for name in COMMANDS:
        assert f"`{name}`" in text or f"## {name}\n" in text, name
    for name in documented():
        assert documented()[name], name


def test_ingest(tmp_path):
    """A gauging per line of the words, the reasons of what is returned, and null where nothing is new."""
    deposits = [INBOX / name for name in ("01_registers", "07_sixth_party_in_a_hurry", "12_mistakes")]
    words = run("ingest", *deposits, root=tmp_path / "words")
    document, _ = answer("ingest", "ingest", *deposits, root=tmp_path / "archive", code=1, text=False)
    taken = [row for row in document["gaugings"] if row["action"] == "new"]
    lines = [line for line in words[1].splitlines() if line.startswith("taken")]
    assert [row["gauging_id"] for row in taken] == [line.split()[1] for line in lines]
    for row, line in zip(taken, lines, strict=True):
        assert float(line.split()[2]) == pytest.approx(row["discharge_m3_s"], rel=1e-3)
    assert len(document["returned"]) == words[2].count("returned: ")
    assert all(row["expected"] in words[2] and row["found"] in words[2] for row in document["returned"])
    codes = {finding["code"] for row in taken for finding in row["findings"]}
    assert codes
    assert all(f"{code}: " in words[1] for code in codes)
    again, _ = answer("ingest", "ingest", *deposits, root=tmp_path / "archive", text=False)
    assert (again["commit"], len(again["already_sealed"]), again["gaugings"]) == (None, 3, [])


def test_a_dry_run(tmp_path):
    """The same first rows; reasons are the same, and nothing is written."""
    shown = ROOT / "sample_archive" / "maps" / "wide_sheets"
    words = ("ingest", "--map", shown / "map.toml", "--dry-run")
    document, said = answer("ingest --dry-run", *words, shown / "deposit")
    assert document["would_be_returned"] == []
    assert [f"{name}, as understood" in said for name in document["tables"]] == [True] * len(document["tables"])
    assert all(str(row["gauging"]) in said for row in document["tables"]["gaugings"])
    (bad := tmp_path / "bad").mkdir()
    for sheet in (shown / "deposit").iterdir():
        (bad / sheet.name).write_bytes(sheet.read_bytes().replace(b"0,4", b"x,4"))
    _, _, err = run(*words, bad)
    document, _ = answer("ingest --dry-run", *words, bad, code=1)
    assert 0 < len(document["would_be_returned"]) == err.count("would be returned: ")
    assert document["would_be_returned"][0]["deposit"] == "bad"


def test_show():
    """Discharge, verticals, findings and revisions of the page, unrounded."""
    document, said = answer("show", "show", ID, "--revisions", root=SAMPLE)
    standing = document["standing"]
    assert f"{standing['gauging']['discharge_m3_s']:.3f} m3/s" in said
    assert [sheet["gauging"]["revision"] for sheet in document["sheets"]] == [1, 2]
    assert document["sheets"][-1] == standing
    assert len(standing["verticals"]) == standing["gauging"]["verticals"] + sum(
        row["kind"] == "edge" for row in standing["verticals"]
    )
    assert all(finding["message"] in said for finding in standing["findings"])
    assert document["caution"] in said
    assert answer("show", "show", ID, "--as-of", "2020-01-01T00:00Z", root=SAMPLE)[0]["standing"] is None


def test_rate():
    """Law, limits, tests and every gauging; beliefs about controls add an ensemble."""
    document, said = answer("rate", "rate", "INV-MIL", root=SAMPLE)
    sampled, _ = answer("rate", "rate", "INV-MIL", "--control", "channel:-0.2:0.1", root=SAMPLE, text=False)
    assert f"{document['segments'][0]['exponent']:.3f}" in said
    assert all(test["words"] in said for test in document["tests"])
    assert all(row["gauging_id"] in said for row in document["gaugings"])
    assert document["ensemble"] is None
    assert "adopted" not in document
    ensemble = sampled.pop("ensemble")
    assert sampled == {key: value for key, value in document.items() if key != "ensemble"}
    for beside, one in zip(ensemble["limits"], document["limits"], strict=True):
        assert beside["stage_m"] == one["stage_m"]
        assert beside["lower_m3_s"] < beside["discharge_m3_s"] < beside["upper_m3_s"]
        assert beside["discharge_m3_s"] == pytest.approx(one["discharge_m3_s"], rel=0.1)


def test_shifts_proposed():
    """Every sentence and every entry."""
    document, said = answer("rate --propose", "rate", "INV-ORM", "--propose", root=SAMPLE)
    assert all(sentence in said for sentence in document["words"])
    assert all(f"{entry['shift_m']:+.3f} m" in said for entry in document["entries"])
    assert document["rating"] in said


def test_trace():
    """Every node of the graph is in the words when all are asked for, and every edge joins two nodes."""
    document, said = answer("trace", "trace", ID, "--all", root=SAMPLE)
    names = {node["id"] for node in document["nodes"]}
    assert document["root"] in names
    assert all({edge["from"], edge["to"]} <= names for edge in document["edges"])
    files = [node["label"] for node in document["nodes"] if node["kind"] == "file"]
    assert all(label in said for label in files)
    assert document["direction"] == "back"
    forward, _ = answer("trace", "trace", "--forward", "INV-AC2", root=SAMPLE)
    assert forward["direction"] == "forward"
    assert f"gauging:{ID}" in {node["id"] for node in forward["nodes"]}


def test_next():
    """The sites in their order with their sentences."""
    document, said = answer("next", "next", root=SAMPLE)
    assert all(f"{row['site']}: {sentence}" in said for row in document for sentence in row["words"])
    assert [row["site"] for row in document] == [line.split()[0] for line in said.splitlines()[2 : 2 + len(document)]]


def test_adopting_reviewing_and_deriving(copy):
    """Each says its commit; what is refused is returned in the document and in words, exit 1."""
    words = ("--adopt", "INV-KES-C", "--valid-from", "2025-06-01T00:00Z", "--by", "INV-H1", "--reason", "tried")
    document, _ = answer("rate", "rate", "INV-KES", *words, root=copy, text=False)
    assert document["adopted"] == {"name": "rating INV-KES-C", "commit": 5}
    assert document["returned"] == []
    document, _ = answer("derive", "derive", root=copy, text=False)
    assert document["commits"] == [6]
    (site,) = document["sites"]
    assert site["site"] == "INV-KES"
    assert site["with_discharge"] <= site["values"]
    document, said = answer("derive", "derive", root=copy)
    assert said.startswith("nothing changed")
    assert (document["commits"], document["sites"]) == ([], [])
    document, _ = answer("review", "review", ID, "--by", "INV-H1", "--reason", "seen", root=copy, text=False)
    assert document["decided"] == [{"gauging_id": ID, "decision": "approved"}]
    document, _ = answer("review", "review", "NONE", "--by", "INV-H1", "--reason", "x", root=copy, code=1, text=False)
    assert document["decided"] == []
    assert document["returned"][0]["found"] == "NONE"
    document, said = answer("recompute", "recompute", root=copy)
    assert (document["commit"], said.startswith("nothing changed")) == (None, True)


def test_care(copy, tmp_path):
    """Audit, copies, rebuilding, compaction, publication and withholding: counts as in the words."""
    small = season(tmp_path / "small")
    document, said = answer("audit", "audit", "--no-recompute", root=small)
    assert document["faults"] == []
    assert all(f"{count} {what}" in said for what, count in document["counts"].items())
    assert run("audit", "--no-recompute", "--format", "table", root=small)[1].splitlines()[1:] == said.splitlines()[1:]
    document, said = answer("replicate", "replicate", "--to", tmp_path / "second", root=copy)
    assert f"{len(document['good'])} objects with 2 good copies" in said
    said = run("rebuild", "--into", tmp_path / "words", root=small)[1]
    document, _ = answer("rebuild", "rebuild", "--into", tmp_path / "again", root=small, text=False)
    assert f"{document['commits']} commits made again" in said
    assert f"{document['same']} of {document['files']} files" in said
    assert document["same"] == document["files"] > 0
    bag = ("publish", "--by", "P1", "--day", "2026-01-01", "--out")
    said = run(*bag, tmp_path / "one", root=SAMPLE)[1]
    document, _ = answer("publish", *bag, tmp_path / "two", root=SAMPLE, text=False)
    assert f"{document['gaugings']} gaugings at {len(document['sites'])} sites" in said
    assert document["name"] in said
    document, _ = answer("compact", "compact", "--most", "1", root=copy, text=False)
    assert document["files_replaced"] > document["files_made"] > 0
    document, said = answer("compact", "compact", "--most", "1", root=copy)
    assert (document["commit"], said.strip()) == (None, "nothing to compact")
    digest = json.loads(run("list", "deposits", "--format", "json", root=copy)[1])[0]["deposit"]
    document, _ = answer("withhold", "withhold", digest, "--by", "P1", "--reason", "law", root=copy, text=False)
    assert document["withheld"].startswith(digest)


def test_damage_is_told_by_key(tmp_path):
    """A fault has its path and sentence; exit 1; the words beside it go to stderr."""
    root = Path(shutil.copytree(SAMPLE, tmp_path / "damaged"))
    path = next((root / "tables" / "points").rglob("*.parquet"))
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    document, said = answer("audit", "audit", "--no-recompute", root=root, code=1)
    assert path.relative_to(root).as_posix() in {fault["path"] for fault in document["faults"]}
    assert all(fault["sentence"] in said for fault in document["faults"])


@pytest.mark.parametrize(
    "words",
    [
        ("show", "NONE"),
        ("rate", "NONE"),
        ("derive", "NONE"),
        ("rebuild", "--into", str(SAMPLE)),
        ("replicate", "--to", str(SAMPLE)),
        ("publish", "--out", str(SAMPLE / "x"), "--by", "P1"),
        ("withhold", "zz", "--by", "P1", "--reason", "law"),
        ("ingest", "nowhere"),
    ],
    ids=lambda words: words[0],
)
def test_an_error_is_words_on_stderr(words):
    """Nothing on stdout, the same exit code and the same words as without JSON."""
    code, out, err = run(*words, root=SAMPLE)
    assert out == ""
    assert run(*words, "--format", "json", root=SAMPLE) == (code, "", err)
