"""Words of the commands that prove, mend and keep an archive: witness, plan of a repair, a clock that is refused."""

from __future__ import annotations

import shutil

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.care.replica import replicate
from stillwell.fingerprint import sha256
from tests.commands.test_commands import run
from tests.commands.test_json import SAMPLE, answer
from tests.pipeline.season import NOW, season, sheets


def test_a_witness_is_printed_kept_and_asked(tmp_path):
    """The line is on stdout and in each file; an archive put back to an older state is named by it, exit 1."""
    root, files = season(tmp_path), [tmp_path / "one.txt", tmp_path / "two.txt"]
    older = shutil.copytree(root, tmp_path / "older")
    assert run("ingest", sheets(tmp_path / "more", "3"), root=root)[0] == 0
    code, out, _ = run("witness", "--append", files[0], "--append", files[1], root=root)
    assert code == 0
    assert [path.read_text() for path in files] == [out, out]
    newest = sha256((root / "ledger" / "00000005.json").read_bytes())
    assert f" commit 5 entry {newest} check " in out
    document, _ = answer("witness", "witness", "--append", files[0], root=root, text=False)
    assert (document["commit"], document["sha256"]) == (5, newest)
    assert files[0].read_text().splitlines()[1] == document["line"]
    assert run("audit", "--no-recompute", "--witness", files[0], "--witness", files[1], root=root)[0] == 0
    assert run("audit", "--no-recompute", root=older)[0] == 0
    code, out, _ = run("audit", "--no-recompute", "--witness", files[1], root=older)
    assert code == 1
    assert "fault (witness): ledger/00000005.json" in out
    code, out, err = run("witness", "--append", root / "w.txt", root=root)
    assert (code, out) == (1, "")
    assert "outside the archive" in err
    assert run("audit", "--witness", tmp_path / "none.txt", root=root)[0] == 1


def test_a_plan_of_a_repair_names_file_source_and_digests(tmp_path):
    """In words and as JSON; nothing is changed; a stranger is refused in words, exit 1."""
    root, copy = season(tmp_path), tmp_path / "copy"
    replicate(root, [copy], NOW())
    path = next(p for p in Archive(root).listing() if p.endswith(".parquet"))
    (root / path).write_bytes(b"damaged")
    words = ("audit", "--repair-from", copy, "--dry-run")
    document, said = answer("audit --repair-from --dry-run", *words, root=root)
    listed = Archive(root).listing()[path].sha256
    assert document["would_restore"] == [
        {"path": path, "from": str(copy), "found_sha256": sha256(b"damaged"), "sha256": listed}
    ]
    assert f"would restore {path} from {copy}: found {sha256(b'damaged')}, restored {listed}" in said
    assert (root / path).read_bytes() == b"damaged"
    (copy / path).write_bytes(b"damaged too")
    document, said = answer("audit --repair-from --dry-run", *words, root=root, code=1)
    assert (document["would_restore"], document["cannot_restore"]) == ([], [path])
    assert f"no good copy of {path}" in said
    code, out, err = run("audit", "--repair-from", SAMPLE, root=root)
    assert (code, out) == (1, "")
    assert "another archive" in err
    assert "next: " in err
    assert run("audit", "--dry-run", root=root)[0] == 2


@pytest.mark.parametrize("option", [True, False])
def test_a_clock_far_from_the_newest_commit_is_refused_in_words(tmp_path, monkeypatch, option):
    """Both times are said and what to type; with the option, or its variable, the command goes on."""
    monkeypatch.delenv("STILLWELL_CLOCK_IS_RIGHT")
    root = season(tmp_path)
    head = Archive(root).ledger.entry(3)
    late = type(head)(**(vars(head) | {"recorded_at": head.recorded_at.replace(year=2126)}))
    (root / "ledger" / "00000003.json").write_bytes(late.to_json())
    deposit = sheets(tmp_path / "more", "3")
    code, out, err = run("ingest", deposit, root=root)
    assert (code, out) == (1, "")
    assert "2126-01-01T" in err
    assert "this computer's clock says 20" in err
    assert "--clock-is-right" in err.splitlines()[-1]
    assert run("audit", "--no-recompute", root=root)[1].count("in the future") == 1
    if not option:
        monkeypatch.setenv("STILLWELL_CLOCK_IS_RIGHT", "1")
    assert run("ingest", deposit, *(["--clock-is-right"] if option else []), root=root)[0] == 0
    assert Archive(root).ledger.head().recorded_at > late.recorded_at
