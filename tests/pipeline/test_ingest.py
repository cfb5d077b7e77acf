"""What becomes of deposits: new, unchanged, revised, clashing, returned, reviewed."""

from __future__ import annotations

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.sealed import Sealed
from stillwell.reading.printed.summary import taken_words
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.validation import pandera_schema
from tests.pipeline.season import registers, season, sheets, take

Q = (0.3 + 0.5 + 0.6 + 0.5 + 0.3) * 0.4
ID = "S1.20250501T100000Z.M1"


def _files(root):
    return {
        p.relative_to(root).as_posix(): p.read_bytes() for p in root.rglob("*") if p.is_file() and "work" not in p.parts
    }


def _actions(taken):
    return taken.prepared.outcomes["action"].tolist()


def test_a_season_goes_in_and_stands(tmp_path):
    """Registers and sheets become rows with the discharge that sums by hand give; every table keeps its schema."""
    archive = Archive(season(tmp_path))
    rows = archive.standing("gaugings")
    assert rows["gauging_id"].tolist() == [ID, "S1.20250502T100000Z.M1"]
    assert rows["discharge_m3_s"].tolist() == pytest.approx([Q, Q])
    assert rows["gauge_height_m"].tolist() == pytest.approx([1.01, 1.02])
    assert set(rows["status"]) == {"provisional"}
    for name in archive.tables():
        pandera_schema(ARCHIVE_TABLES[name]).validate(archive.read(name))
    assert len(archive.read("points")) == 14
    assert archive.read("verticals")["discharge_m3_s"].sum() == pytest.approx(2 * Q)


def test_the_same_bytes_twice_change_nothing(tmp_path):
    """A deposit whose bytes are sealed already leaves every byte of the archive as it is."""
    root = season(tmp_path)
    before = _files(root)
    again = take(root, tmp_path / "first", tmp_path / "registers")
    assert again.entry is None
    assert [d.name for d in again.known] == ["first", "registers"]
    assert _files(root) == before


def test_what_was_returned_of_a_deposit_is_told_when_it_is_handed_in_again(tmp_path):
    """The command that took it may have died before it told; the page of reasons is named, nothing is written."""
    root = season(tmp_path)
    bad = sheets(tmp_path / "bad", "3", site="NOWHERE")
    first = take(root, bad)
    page = next(path for path in Archive(root).listing() if path.startswith("returned/"))
    assert not first.all_good
    again = take(root, bad, tmp_path / "first")
    assert (again.entry, again.all_good) == (None, True)
    assert list(again.pages.values()) == [[page]]
    words = taken_words(again).splitlines()
    assert words[:3] == [
        "already sealed, nothing changes: bad",
        f"    something of it was returned then: {page} says what and why",
        "already sealed, nothing changes: first",
    ]


def test_a_workbook_sent_again_adds_only_what_is_new(tmp_path):
    """A season sent again with one gauging more adds that gauging and nothing else."""
    root = season(tmp_path)
    again = take(root, sheets(tmp_path / "longer", "1", "2", "3"))
    assert _actions(again) == ["unchanged", "unchanged", "new"]
    archive = Archive(root)
    assert len(archive.read("gaugings")) == 3
    assert len(archive.read("points")) == 21
    assert len(archive.read("gauge_heights")) == 6


def test_a_correction_becomes_the_next_revision_and_both_are_kept(tmp_path):
    """The same party's other rows make revision 2, which stands; revision 1 is still there and stood then."""
    root = season(tmp_path)
    first = Archive(root).standing("gaugings").iloc[0]["recorded_at"]
    taken = take(root, sheets(tmp_path / "corrected", "1", velocity=0.5))
    assert _actions(taken) == ["revision"]
    archive = Archive(root)
    rows = archive.read("gaugings")
    assert rows[rows["gauging_id"] == ID]["revision"].tolist() == [1, 2]
    assert archive.standing("gaugings").set_index("gauging_id").loc[ID, "discharge_m3_s"] == pytest.approx(Q * 5 / 4)
    then = archive.at(first).standing("gaugings").set_index("gauging_id")
    assert then.loc[ID, "discharge_m3_s"] == pytest.approx(Q)


def test_an_old_sheet_sent_again_does_not_undo_a_correction(tmp_path):
    """Rows equal to a revision that was corrected since make no revision."""
    root = season(tmp_path)
    take(root, sheets(tmp_path / "corrected", "1", velocity=0.5))
    taken = take(root, sheets(tmp_path / "resent", "1", "2", "3"))
    assert _actions(taken) == ["unchanged", "unchanged", "new"]


def test_another_partys_sheet_for_the_same_hour_is_a_clash(tmp_path):
    """Other rows by another party are returned with both digests; what stands is unchanged."""
    root = season(tmp_path)
    before = Archive(root).standing("gaugings")
    taken = take(root, sheets(tmp_path / "other", "1", party="P2", velocity=0.5))
    assert _actions(taken) == ["clash"]
    problem = taken.prepared.problems.iloc[0]
    digests = [before.iloc[0]["rows_digest"], taken.prepared.outcomes.iloc[0]["rows_digest"]]
    assert digests[0] in problem["expected"]
    assert digests[1] in problem["found"]
    assert Archive(root).standing("gaugings").equals(before)
    assert Sealed(root).contains(taken.deposits[0].digest)


def test_a_correction_may_move_a_gauging_to_another_site(tmp_path):
    """``corrects`` keeps the archive id when site and meter change, also for whoever asks by the new site."""
    root = season(tmp_path)
    moved = sheets(tmp_path / "moved", "1", site="S2", instrument="M2", corrects=ID)
    taken = take(root, moved)
    assert _actions(taken) == ["revision"]
    archive = Archive(root)
    row = archive.standing("gaugings").set_index("gauging_id").loc[ID]
    assert (row["site"], row["revision"]) == ("S2", 2)
    assert archive.standing("gaugings", sites=["S2"])["gauging_id"].tolist() == [ID]
    assert archive.standing("gaugings", sites=["S1"])["gauging_id"].tolist() == ["S1.20250502T100000Z.M1"]
    assert _actions(take(root, sheets(tmp_path / "by_new_key", "1", site="S2", instrument="M2", velocity=0.6))) == [
        "revision"
    ]


def test_a_correction_of_nothing_is_returned(tmp_path):
    """``corrects`` must name a gauging that exists."""
    root = season(tmp_path)
    taken = take(root, sheets(tmp_path / "lost", "5", corrects="S1.19990101T000000Z"))
    assert _actions(taken) == ["unknown"]
    assert taken.prepared.problems["found"].tolist() == ["S1.19990101T000000Z"]


def test_sites_and_meters_nobody_knows_are_returned(tmp_path):
    """A gauging at an unknown site or with an unknown meter is returned with the register it is missing from."""
    root = season(tmp_path)
    taken = take(root, sheets(tmp_path / "a", "5", site="S9"), sheets(tmp_path / "b", "6", instrument="M9"))
    assert _actions(taken) == []
    assert set(taken.prepared.problems["column"]) == {"site", "instrument"}
    deposits = Archive(root).read("deposits").set_index("name")
    assert deposits.loc["b", "outcome"] == "returned"
    assert deposits.loc["a", "gaugings_returned"] == 1


def test_registers_may_come_with_the_sheets(tmp_path):
    """A deposit may hold the site it speaks of, and two deposits of one batch may serve each other."""
    root = tmp_path / "archive"
    taken = take(root, sheets(tmp_path / "sheets", "1"), registers(tmp_path / "registers"))
    assert _actions(taken) == ["new"]


def _review(folder, *rows):
    folder.mkdir()
    (folder / "reviews.csv").write_text("subject,decision,by,decided_at,reason\n" + "\n".join(rows) + "\n")
    return folder


def test_approval_stands_and_a_later_correction_waits(tmp_path):
    """An approved revision stands; a correction beside it is a candidate until a review promotes it."""
    root = season(tmp_path)
    take(root, _review(tmp_path / "r1", f"{ID},approved,H1,2025-06-01T00:00Z,checked"))
    assert Archive(root).standing("gaugings").set_index("gauging_id").loc[ID, "status"] == "approved"
    take(root, sheets(tmp_path / "corrected", "1", velocity=0.5))
    archive = Archive(root)
    standing = archive.standing("gaugings").set_index("gauging_id").loc[ID]
    assert (standing["revision"], standing["status"]) == (1, "approved")
    rows = archive.read("gaugings")
    waiting = rows[(rows["gauging_id"] == ID) & (rows["revision"] == 2)].iloc[-1]
    assert (waiting["status"], waiting["candidate"]) == ("provisional", True)
    take(root, _review(tmp_path / "r2", f"{ID},approved,H1,2025-07-01T00:00Z,depth was mistyped"))
    assert Archive(root).standing("gaugings").set_index("gauging_id").loc[ID, "revision"] == 2


def test_a_review_of_nothing_is_returned_and_the_rest_is_taken(tmp_path):
    """A decision on a gauging that does not exist is left out with its line."""
    root = season(tmp_path)
    rows = ("S1.19990101T000000Z,approved,H1,2025-06-01T00:00Z,x", f"{ID},withdrawn,H1,2025-06-01T00:00Z,wrong river")
    taken = take(root, _review(tmp_path / "r", *rows))
    assert taken.prepared.problems[["column", "line"]].to_numpy().tolist() == [["subject", 2]]
    assert ID not in set(Archive(root).standing("gaugings")["gauging_id"])


def test_gaugings_without_points_stand_beside_computed_ones(tmp_path):
    """A result as handed in and an observed zero are kept as said and marked as not recomputable."""
    root = season(tmp_path)
    folder = tmp_path / "plain"
    folder.mkdir()
    (folder / "gaugings.csv").write_text(
        "gauging,site,started_at,ended_at,method,discharge_m3_s\n"
        "A,S1,2025-07-01T10:00Z,2025-07-01T11:00Z,moving-boat profiler,3.3\n"
        "B,S1,2025-08-01T10:00Z,2025-08-01T10:05Z,observed zero,\n"
    )
    take(root, folder)
    rows = Archive(root).standing("gaugings").set_index("label")
    assert rows.loc[["A", "B"], "discharge_m3_s"].tolist() == [3.3, 0.0]
    assert rows["recomputable"].to_dict() == {"1": True, "2": True, "A": False, "B": False}


def test_returned_bytes_may_be_looked_at_again(tmp_path):
    """What was returned for want of a register is taken on another look once the register is there."""
    root = tmp_path / "archive"
    late = sheets(tmp_path / "early", "1")
    assert not take(root, late).all_good
    take(root, registers(tmp_path / "registers"))
    assert take(root, late).entry is None
    assert _actions(take(root, late, again=True)) == ["new"]
    assert Archive(root).read("deposits")["outcome"].tolist().count("returned") == 1


def test_one_deposit_more_leaves_other_files_alone(tmp_path):
    """A commit writes new files and never touches the Parquet files of earlier ones."""
    root = season(tmp_path)
    before = {k: v for k, v in _files(root).items() if k.startswith(("tables/", "sealed/S", "ledger/"))}
    take(root, sheets(tmp_path / "more", "7"))
    after = _files(root)
    assert {k: after[k] for k in before} == before
