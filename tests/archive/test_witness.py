"""A witness kept elsewhere names an archive that was put back, rewritten, or exchanged. Rows are invented."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.care.witness import append_witness, read_witness, witness, witness_faults
from stillwell.errors import ArchiveError
from stillwell.fingerprint import sha256
from stillwell.pipeline.audit import audit, audit_part
from tests.pipeline.season import NOW, registers, season, sheets, take

NIGHT = datetime(2026, 1, 2, 3, tzinfo=UTC)


def test_a_line_holds_the_digests_of_the_first_and_the_newest_entry_as_the_page_says(tmp_path):
    """Read with nothing but a regular expression and sha256; what was written is what is read."""
    root = season(tmp_path)
    line = witness(Archive(root), NIGHT)
    found = re.fullmatch(
        r"(2026-01-02T03:00:00.000000Z archive (.{64}) commit 3 entry (.{64})) check (.{8})", line.to_text()
    )
    assert found[2] == sha256((root / "ledger" / "00000001.json").read_bytes())
    assert found[3] == sha256((root / "ledger" / "00000003.json").read_bytes())
    assert found[4] == sha256(found[1].encode())[:8]
    append_witness(root, [tmp_path / "w.txt"], line)
    assert read_witness(tmp_path / "w.txt") == ([replace(line, where=f"{tmp_path / 'w.txt'}:1")], [])


@pytest.fixture
def nights(tmp_path):
    """Make an archive of three ingests, two of them rendered, and a witness line of each of three nights."""
    root, elsewhere = season(tmp_path), tmp_path / "witness.txt"
    older = shutil.copytree(root, tmp_path / "older")
    append_witness(root, [elsewhere], witness(Archive(root), NIGHT))
    take(root, sheets(tmp_path / "more", "3"))
    for day in (1, 2):
        append_witness(root, [elsewhere], witness(Archive(root), NIGHT + timedelta(days=day)))
    return root, older, elsewhere


def test_an_archive_that_only_grew_is_what_was_witnessed(nights, tmp_path):
    """The lines of every night hold, also of several files put into one, with comments and empty lines between."""
    root, _, elsewhere = nights
    both = tmp_path / "both.txt"
    both.write_text("# two disks\n" + elsewhere.read_text() + "\n" + elsewhere.read_text())
    for report in (audit(root, recompute=False, witnesses=[both]), audit_part(root, 1, NOW(), [both])):
        assert (report.faults, report.counts["witness lines"]) == ((), 6)


def test_a_whole_archive_put_back_is_named_with_a_witness_and_clean_without(nights):
    """The older state holds together in itself; the second and third night saw one ingest and its rendering more."""
    _, older, elsewhere = nights
    assert audit(older, recompute=False).faults == ()
    for report in (audit(older, recompute=False, witnesses=[elsewhere]), audit_part(older, 1, NOW(), [elsewhere])):
        (fault,) = report.faults
        assert (fault.kind, fault.path) == ("witness", "ledger/00000005.json")
        assert "put back to an older state" in fault.sentence
        assert fault.details["witness"] == f"{elsewhere}:2"


def test_one_put_back_and_gone_on_with_is_named(nights, tmp_path):
    """It has as many commits, but others."""
    _, older, elsewhere = nights
    take(older, sheets(tmp_path / "other", "4"))
    (fault,) = audit(older, recompute=False, witnesses=[elsewhere]).faults
    assert "rewritten, or put back and others added" in fault.sentence


def test_another_archive_in_its_place_is_named(nights, tmp_path):
    """Also one of the very same deposits, made at another time."""
    _, _, elsewhere = nights
    take(tmp_path / "again", registers(tmp_path / "r"))
    found = audit(tmp_path / "again", recompute=False, witnesses=[elsewhere]).faults
    assert len(found) == 2
    assert all("another archive" in fault.sentence for fault in found)


def test_a_line_that_cannot_be_read_is_named_and_the_others_count(nights):
    """One digit changed, one line cut short by a crash: each is named with its place; the next night begins anew."""
    root, older, elsewhere = nights
    good = elsewhere.read_text().splitlines()
    wrong = good[1][:60] + ("0" if good[1][60] != "0" else "1") + good[1][61:]
    elsewhere.write_text("\n".join([wrong, good[0], good[2][:50]]))
    append_witness(root, [elsewhere], witness(Archive(root), NIGHT))
    lines, unreadable = read_witness(elsewhere)
    assert [line.number for line in lines] == [3, 5]
    assert [f"{elsewhere}:{n}" in said for n, said in zip((1, 3), unreadable, strict=True)] == [True, True]
    assert len(list(witness_faults(Archive(older).ledger.digests(), lines))) == 1
    report = audit(root, recompute=False, witnesses=[elsewhere])
    assert report.faults == ()
    assert set(unreadable) <= set(report.remarks)


def test_a_file_without_a_line_proves_nothing_and_says_so(tmp_path):
    """Whoever holds an archive against an empty file must not be told that all is well."""
    (tmp_path / "empty.txt").write_text("# nothing yet\n")
    (fault,) = audit(season(tmp_path), recompute=False, witnesses=[tmp_path / "empty.txt"]).faults
    assert (fault.kind, fault.path) == ("witness", str(tmp_path / "empty.txt"))


def test_a_witness_is_not_kept_in_the_archive(tmp_path):
    """Whoever puts the archive back would put it back too."""
    root = season(tmp_path)
    with pytest.raises(ArchiveError, match="outside the archive"):
        append_witness(root, [tmp_path / "w.txt", root / "work" / "w.txt"], witness(Archive(root), NIGHT))
    assert not (tmp_path / "w.txt").exists()
