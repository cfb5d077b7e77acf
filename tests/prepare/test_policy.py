"""An office's policy as a deposit: adopted, refused, tried before it is adopted, and what it does to what stands."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.cli import app
from stillwell.pipeline.audit import audit
from stillwell.pipeline.committing import office_policy
from tests.pipeline.season import season, sheets, take

ID = "S1.20250501T100000Z.M1"
OFFICE = '[office]\nname = "Invented office"\nidentifier = "invented.example"\n'
STRICT = OFFICE + '[limits]\nshare_raised_pct = { value = 4.0, source = "office rule 7" }\n'
ICE = OFFICE + "[choices]\ncoefficient_05 = 0.9\n"


def _policy(tmp_path, text, name="policy.toml"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def _half_depth(folder, *labels):
    """Make sheets whose points were read at half depth."""
    made = sheets(folder, *labels)
    path = made / "points.csv"
    path.write_text(path.read_text().replace("open,0.6", "open,0.5"))
    return made


def test_a_policy_is_adopted_and_holds_from_then_on(tmp_path):
    """Once its file is handed in, its limits judge what comes after, its office signs the files, its digest is kept."""
    root = season(tmp_path)
    take(root, _policy(tmp_path, STRICT))
    take(root, sheets(tmp_path / "more", "5"))
    archive = Archive(root)
    row = archive.standing("gaugings").set_index("label").loc["5"]
    assert row["policy_digest"] == archive.standing("policies")["policy_digest"].iloc[0] != office_policy()[1]
    raised = archive.standing("findings").query("code == 'panel-share-raised'")
    assert set(raised["source"]) <= {"office rule 7", office_policy()[0].limits["share_raised_pct"].source}
    assert b"Invented office" in archive.document("README.txt")
    assert audit(root).faults == ()


def test_a_policy_that_cannot_be_used_is_returned_with_its_line(tmp_path):
    """An unknown limit or a wrong sign leaves the policy in force as it is."""
    root = season(tmp_path)
    taken = take(root, _policy(tmp_path, "[limits]\nexposure_s = { value = -40, source = 'x' }\n"))
    problem = taken.prepared.problems.iloc[0]
    assert (problem["file"], problem["line"]) == ("policy.toml", 2)
    assert "-40" in problem["found"]
    assert Archive(root).standing("policies").empty


def test_another_coefficient_makes_a_revision_and_beside_an_approved_one_a_candidate(tmp_path):
    """Adopting a choice computes again what it touches: a revision with its reason, a candidate beside an approval."""
    root = season(tmp_path, render_now=False)
    take(root, _half_depth(tmp_path / "half", "7", "8"), render_now=False)
    review = tmp_path / "review"
    review.mkdir()
    (review / "reviews.csv").write_text(
        "subject,decision,by,decided_at,reason\nS1.20250507T100000Z.M1,approved,H1,2025-06-01T00:00Z,checked\n"
    )
    take(root, review, render_now=False)
    before = Archive(root).standing("gaugings").set_index("label")["discharge_m3_s"]
    take(root, _policy(tmp_path, ICE), render_now=False)
    archive = Archive(root)
    rows = archive.read("gaugings").set_index(["label", "revision"])
    for label, candidate in (("7", True), ("8", False)):
        again = rows.loc[(label, 2)]
        assert again["discharge_m3_s"] == pytest.approx(before[label] * 0.9 / 0.95)
        assert again["revision_reason"] == "computed again under another office policy"
        assert bool(again["candidate"]) is candidate
    standing = archive.standing("gaugings").set_index("label")
    assert standing["revision"].to_dict() == {"1": 1, "2": 1, "7": 1, "8": 2}
    assert audit(root).faults == ()


def test_a_sheet_sent_again_after_a_policy_changes_nothing(tmp_path):
    """The rows handed in are still the ones kept; computing them again was no new statement of the party."""
    root = season(tmp_path, render_now=False)
    half = _half_depth(tmp_path / "half", "7")
    take(root, half, render_now=False)
    take(root, _policy(tmp_path, ICE), render_now=False)
    taken = take(root, _half_depth(tmp_path / "again", "7", "9"), render_now=False)
    assert taken.prepared.outcomes["action"].tolist() == ["unchanged", "new"]


def test_a_policy_can_be_tried_before_it_is_adopted(tmp_path):
    """``assess --policy`` says which results, qualities and findings would change; nothing is written."""
    root = season(tmp_path)
    take(root, _half_depth(tmp_path / "half", "7"))
    before = {p: p.stat().st_mtime_ns for p in root.rglob("*")}
    call = ["assess", "--policy", str(_policy(tmp_path, ICE)), "--archive", str(root), "--format", "json"]
    done = CliRunner().invoke(app, call, catch_exceptions=False)
    changes = json.loads(done.stdout)
    assert done.exit_code == 0
    assert [c["gauging_id"] for c in changes] == ["S1.20250507T100000Z.M1"]
    assert changes[0]["would_be_m3_s"] == pytest.approx(changes[0]["discharge_m3_s"] * 0.9 / 0.95)
    assert "1 gauging would get another revision" in done.stderr
    assert {p: p.stat().st_mtime_ns for p in root.rglob("*")} == before
    same = CliRunner().invoke(app, [*call[:2], str(_policy(tmp_path, OFFICE)), *call[3:]], catch_exceptions=False)
    assert json.loads(same.stdout) == []
    wrong = CliRunner().invoke(app, [*call[:2], str(_policy(tmp_path, "[x]\n")), *call[3:]], catch_exceptions=False)
    assert wrong.exit_code == 2
    assert "line 1" in wrong.stderr


def test_the_true_speed_of_sound_is_applied_as_a_revision(tmp_path):
    """Adopting the correction computes again what was measured with a wrong temperature (case S3: 1.107 % at 20)."""
    root = season(tmp_path)
    take(root, sheets(tmp_path / "warm", "7", water_temperature_c="20", meter_temperature_c="15"))
    before = Archive(root).standing("gaugings").set_index("label")["discharge_m3_s"]
    assert "sound-speed-differs" in set(Archive(root).standing("findings")["code"])
    take(root, _policy(tmp_path, OFFICE + '[choices]\nsound_speed = "corrected"\n'))
    after = Archive(root).standing("gaugings").set_index("label")
    assert before["7"] / after.loc["7", "discharge_m3_s"] - 1 == pytest.approx(-0.01107, abs=6e-5)
    assert after["revision"].to_dict() == {"1": 1, "2": 1, "7": 2}
    assert "office policy" in after.loc["7", "revision_reason"]
