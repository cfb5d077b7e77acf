"""Codes that differ only by case or Unicode form, from deposit to audit."""

from __future__ import annotations

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.care.lookalike_codes import twin_remarks
from stillwell.archive.revisions.snapshot import History
from stillwell.archive.revisions.stored_history import StoredHistory
from stillwell.pipeline import committing
from stillwell.pipeline.audit import audit
from stillwell.pipeline.rebuild import rebuild
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.naming import naming
from tests.pipeline.season import registers, sheets, take

DATUM = "S1,{gauge},2025-0{month}-01T00:00Z,0,x,{by}\n"


def _datums(folder, *rows):
    """Write zeros of gauges of site S1, one a month, with who decided."""
    folder.mkdir()
    lines = [DATUM.format(gauge=gauge, by=by, month=i + 1) for i, (gauge, by) in enumerate(rows)]
    (folder / "datums.csv").write_text("site,gauge,valid_from,change_m,reason,by\n" + "".join(lines), encoding="utf-8")
    return folder


def _check(folder, day, thermometer):
    """Write a check of a meter."""
    line = f"C{day},M1,2025-04-0{day}T10:00Z,office,1,1,30,10,{thermometer}\n"
    head = "check,instrument,checked_at,place,sample,receiver,snr_db,noise_db,thermometer\n"
    (folder / "checks.csv").write_text(head + line)
    return folder


def _twins(taken):
    problems = taken.prepared.problems
    return problems[problems["expected"].str.contains("only by case or Unicode form")]


@pytest.fixture(scope="module")
def by_second_rules(tmp_path_factory):
    """Make an archive by the second rules that holds twins of a party, of a gauge and of a person."""
    tmp = tmp_path_factory.mktemp("twins")
    root = tmp / "archive"
    with pytest.MonkeyPatch.context() as patch:
        real = committing.open_writer
        patch.setattr(committing, "open_writer", lambda *a, **k: real(*a, **(k | {"rules": 2})))
        take(root, registers(tmp / "registers"), sheets(tmp / "one", "1"), sheets(tmp / "two", "2", party="p1"))
        done = take(root, _datums(tmp / "datums", ("Staff", "JD"), ("staff", "JD"), ("Staff", "\uff2a\uff24")))
    assert _twins(done).empty
    return root


def test_twins_taken_by_earlier_rules_stay_are_proved_and_remarked(by_second_rules, tmp_path):
    """The audit finds no fault, names both codes with kind, site, table and column, and a rebuilding is the same."""
    report = audit(by_second_rules)
    assert report.faults == ()
    remarks = [remark for remark in report.remarks if "only by case or Unicode form" in remark]
    end = "; new rows with any of them are returned"
    alike = "that differ only by case or Unicode form: "
    assert sorted(remarks) == [
        f"codes of a gauge of site S1 {alike}'Staff' (datums.gauge) and 'staff' (datums.gauge){end}",
        f"codes of a party {alike}'P1' (gaugings.party) and 'p1' (gaugings.party){end}",
        f"codes of a person {alike}'JD' (datums.by) and '\\uff2a\\uff24' (datums.by){end}",
    ]
    assert rebuild(by_second_rules, tmp_path / "again").different == ()
    assert {entry.rules for entry in Archive(by_second_rules).ledger.entries()} == {2}
    assert len(Archive(by_second_rules).standing("datums")) == 3


def test_the_archive_and_its_earlier_states_know_the_same_codes(by_second_rules):
    """Rows at hand, rows as they are read and the archive answer alike, at the end and before each commit."""
    archive = Archive(by_second_rules, complete=True)
    held, read = History({name: archive.read(name) for name in archive.tables()}), StoredHistory(archive)
    moments = [entry.recorded_at for entry in archive.ledger.entries()]
    uses = naming(ARCHIVE_TABLES)
    assert uses
    assert len(moments) == 3  # two deposits and a rendering
    for use in uses:
        for sites in (None, ["S1"], ["S2", "S9"]):
            whole = archive.read(use.table, sites).dropna(subset=list(use.columns))
            for moment in moments:
                rows = whole[whole["recorded_at"] < moment]
                expected = set(rows[list(use.columns)].itertuples(index=False, name=None))
                assert held.before(moment).codes(use.table, use.columns, sites) == expected
                assert read.before(moment).codes(use.table, use.columns, sites) == expected
            everything = set(whole[list(use.columns)].itertuples(index=False, name=None))
            assert archive.codes(use.table, use.columns, sites) == everything


def test_known_and_batch_codes_are_held_against_a_deposit_and_proved(tmp_path):
    """Rows with `p1`, `STAFF`, `ab` and `th1` come back, the rest is taken, and the audit agrees."""
    root = tmp_path / "archive"
    one, two = tmp_path / "one", tmp_path / "two"
    take(root, registers(tmp_path / "r"), _check(sheets(one, "1"), 1, "TH1"), _datums(tmp_path / "d", ("Staff", "JD")))
    zeros = _datums(tmp_path / "e", ("STAFF", "JD"), ("Tape", "AB"), ("Tape", "ab"))
    done = take(root, _check(sheets(two, "2", party="p1"), 2, "th1"), zeros)
    assert _twins(done)[["column", "found", "line"]].to_numpy().tolist() == [
        ["party", "p1", 2],
        ["gauge", "STAFF", 2],
        ["by", "ab", 4],
        ["thermometer", "th1", 2],
    ]
    archive = Archive(root)
    assert set(archive.standing("gaugings")["party"]) == {"P1"}
    assert archive.standing("datums")[["gauge", "by"]].to_numpy().tolist() == [["Staff", "JD"], ["Tape", "AB"]]
    assert set(archive.read("check_samples")["thermometer"]) == {"TH1"}
    report = audit(root)
    assert report.faults == ()
    assert not [remark for remark in report.remarks if "only by case" in remark]


def test_twins_of_the_archive_take_no_new_rows(by_second_rules, tmp_path):
    """A gauging of either party and a zero by either person or of either gauge is returned and names the other."""
    done = take(
        by_second_rules,
        sheets(tmp_path / "three", "3"),
        sheets(tmp_path / "four", "4", party="p1"),
        _datums(tmp_path / "more", ("Staff", "new"), ("staff", "new"), ("Other", "JD"), ("Other", "\uff2a\uff24")),
    )
    twins = _twins(done)
    named = twins["expected"].str.extract(r"the known code (\S+),")[0]
    pairs = {("P1", "p1"), ("Staff", "staff"), ("JD", "\uff2a\uff24")}
    assert len(twins) == 6
    assert set(zip(twins["found"], named, strict=True)) == pairs | {(b, a) for a, b in pairs}
    assert len(Archive(by_second_rules).standing("datums")) == 3
    assert sorted(Archive(by_second_rules).standing("gaugings")["label"]) == ["1", "2"]
    assert audit(by_second_rules).faults == ()
    assert twin_remarks(Archive(by_second_rules, complete=True))
