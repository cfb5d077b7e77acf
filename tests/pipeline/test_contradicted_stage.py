"""Two values for one moment in one deposit: none stands, and a finding names both; a later deposit corrects."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.revisions.registers import new_values
from stillwell.archive.tables.current_rows import contradicted, newest_revisions
from stillwell.pipeline import committing
from stillwell.pipeline import derive as deriving
from stillwell.pipeline.audit import audit
from stillwell.pipeline.rebuild import rebuild
from stillwell.pipeline.render import render
from stillwell.reading.select.sql import ask
from stillwell.shared_types import RULES
from tests.pipeline import season
from tests.pipeline.season import NOW, registers

take = partial(season.take, render_now=False)
derive = partial(deriving.derive, render_now=False)
HOURS = pd.date_range("2025-05-01T00:00Z", periods=300, freq="h")
TWO = HOURS[100]


def _deposit(folder, rows, rating=False):
    folder.mkdir()
    lines = [f"S1,{time:%Y-%m-%dT%H:%MZ},{value}" for time, value in rows]
    (folder / "stage.csv").write_text("site,time,stage_m\n" + "\n".join(lines) + "\n")
    if rating:
        (folder / "ratings.csv").write_text("rating,site,valid_from,by,reason\nR,S1,2025-01-01T00:00Z,H,test\n")
        (folder / "rating_segments.csv").write_text(
            "rating,segment,from_m,coefficient,zero_stage_m,exponent\nR,1,0.5,10,0.5,2\n"
        )
    return folder


def _season(tmp_path, extra=()):
    """Take 300 hours of stage, some of them twice."""
    root = tmp_path / "archive"
    take(root, registers(tmp_path / "registers"))
    rows = [(time, 1.5 + 0.001 * (i % 7)) for i, time in enumerate(HOURS)]
    for time, value in extra:
        rows.insert(rows.index(next(row for row in rows if row[0] == time)) + 1, (time, value))
    assert take(root, _deposit(tmp_path / "stage", rows, rating=True)).all_good
    derive(root, by="H1", now=NOW)
    return root


def _doubts(root, code="time-"):
    rows = Archive(root).standing("series_doubts", ["S1"])
    return rows[rows["code"].str.startswith(code) & (rows["severity"] == "suspect")]


def _at(root, time=TWO):
    rows = Archive(root).standing("discharge", ["S1"]).set_index("time")
    return rows.loc[time, "discharge_m3_s"] if time in rows.index else None


def test_none_of_two_values_stands_and_the_finding_names_both(tmp_path):
    """No stage stands at the moment in tables or SQL, the record has no discharge then, and audit and rebuild agree."""
    root = _season(tmp_path, [(TWO, 1.9)])
    archive = Archive(root)
    assert TWO not in set(archive.standing("stage", ["S1"])["time"])
    assert len(archive.standing("stage", ["S1"])) == 299
    assert len(archive.read("stage", ["S1"])) == 301
    counted = "SELECT count(*) AS n FROM stage"
    assert ask(archive, counted).to_pylist() == [{"n": 299}]
    found = _doubts(root)
    assert found["code"].tolist() == ["time-contradicted"]
    message = found["message"].iloc[0]
    assert "1.502 m (stage.csv line 102), 1.900 m (stage.csv line 103)" in message
    assert "none of them stands" in message
    assert np.isnan(_at(root))
    assert render(root, by="H1", now=NOW).files
    assert audit(root).faults == ()
    assert rebuild(root, tmp_path / "again").different == ()


def test_equal_values_are_one(tmp_path):
    """The same moment with the same value twice is one value, in no way doubted."""
    root = _season(tmp_path, [(TWO, 1.502)])
    assert len(Archive(root).read("stage", ["S1"])) == 300
    assert _doubts(root).empty
    assert _at(root) == pytest.approx(10 * 1.002**2)


def test_a_later_deposit_corrects_and_may_be_handed_in_again(tmp_path):
    """What stood is corrected twice over, once re-handed: the last stands, no time goes back, nothing contradicts."""
    root = _season(tmp_path)
    take(root, _deposit(tmp_path / "first", [(TWO, 1.7), (HOURS[40], 1.6)]))
    take(root, _deposit(tmp_path / "same", [(HOURS[40], 1.6), (TWO, 1.7)]))
    assert len(Archive(root).read("stage", ["S1"])) == 302
    derive(root, by="H1", now=NOW)
    assert _doubts(root).empty
    assert _at(root) == pytest.approx(10 * 1.2**2)
    assert audit(root).faults == ()


def test_a_contradiction_takes_back_what_stood_and_a_correction_ends_it(tmp_path):
    """Two values over one that stood: none stands. One of them handed in alone: it stands, and the doubt has lapsed."""
    root = _season(tmp_path)
    take(root, _deposit(tmp_path / "two", [(TWO, 1.7), (TWO, 1.8)]))
    derive(root, by="H1", now=NOW)
    assert np.isnan(_at(root))
    assert len(_doubts(root)) == 1
    take(root, _deposit(tmp_path / "two again", [(TWO, 1.8), (TWO, 1.7)]))
    assert len(Archive(root).read("stage", ["S1"])) == 302
    take(root, _deposit(tmp_path / "one", [(TWO, 1.8)]))
    derive(root, by="H1", now=NOW)
    assert _at(root) == pytest.approx(10 * 1.3**2)
    assert _doubts(root).empty
    assert audit(root).faults == ()


@pytest.mark.parametrize(
    ("rules", "codes"), [pytest.param(4, ["time-back", "time-back"], marks=pytest.mark.soak), (RULES, [])]
)
def test_a_hole_filled_later_turns_no_time_back(tmp_path, monkeypatch, rules, codes):
    """Ten hours come a deposit later, one of the others is corrected, and the first deposit is read again: no doubt.

    Before ``rules`` 5 time went back at the hole, and at the value that was handed in again; those commits are proved
    as they were made.
    """
    real = committing.open_writer
    monkeypatch.setattr(committing, "open_writer", lambda *a, **k: real(*a, **(k | {"rules": rules})))
    root = tmp_path / "archive"
    take(root, registers(tmp_path / "registers"))
    rows = [(time, 1.5 + 0.001 * (i % 7)) for i, time in enumerate(HOURS)]
    first = _deposit(tmp_path / "first", rows[:60] + rows[70:], rating=True)
    take(root, first)
    take(root, _deposit(tmp_path / "hole", [*rows[60:70], (HOURS[40], 1.7)]))
    take(root, first, again=True)
    derive(root, by="H1", now=NOW)
    assert _doubts(root, "")["code"].tolist() == codes
    assert _at(root, HOURS[40]) == pytest.approx(10 * 1.005**2)
    monkeypatch.undo()
    assert audit(root).faults == ()


def test_a_clock_set_back_within_a_deposit_is_still_seen(tmp_path):
    """Six hours recorded again with other values in one file: time goes back, and none of the twelve stands."""
    root = tmp_path / "archive"
    take(root, registers(tmp_path / "registers"))
    rows = [(time, 1.5 + 0.001 * (i % 7)) for i, time in enumerate(HOURS)]
    rows[60:60] = [(time, 1.55) for time in HOURS[54:60]]
    take(root, _deposit(tmp_path / "stage", rows, rating=True))
    derive(root, by="H1", now=NOW)
    assert set(_doubts(root)["code"]) == {"time-back", "time-contradicted"}
    assert len(Archive(root).standing("stage", ["S1"])) == 294


def _rows(*values, deposit="d1", revision=None):
    frame = pd.DataFrame(values, columns=["hour", "stage_m", "mark"])
    out = pd.DataFrame(
        {
            "site": "S1",
            "sensor": pd.Series([None] * len(frame), dtype="str"),
            "time": HOURS[frame["hour"].tolist()],
            "stage_m": frame["stage_m"].astype("float64"),
            "mark": frame["mark"].astype("str"),
            "deposit": deposit,
            "row_file": "f",
            "row_line": range(len(frame)),
        }
    )
    return out if revision is None else out.assign(revision=pd.array(revision, dtype="Int64"))


def test_the_revisions_of_a_moment_by_hand():
    """Known beats missing, the last of equal ones counts, two share a revision, three share the third."""
    pairs = _rows((0, 1.0, "a"), (0, np.nan, "b"), (1, 2.0, "a"), (1, 2.0, "b"), (2, 3.0, ""), (2, 3.1, ""))
    rows = pd.concat([pairs, _rows((3, 1.0, ""), (3, 2.0, ""), (3, 3.0, ""), (4, 9.0, ""))], ignore_index=True)
    got = new_values(rows, _rows(revision=[]))
    hour = ((got["time"] - HOURS[0]) / pd.Timedelta("1h")).astype("int64")
    lines = list(zip(hour, got["stage_m"], got["mark"], got["revision"], strict=True))
    said = {h: [line[1:] for line in lines if line[0] == h] for h in range(5)}
    assert said == {
        0: [(1.0, "a", 1)],
        1: [(2.0, "b", 1)],
        2: [(3.0, "", 2), (3.1, "", 2)],
        3: [(1.0, "", 3), (2.0, "", 3), (3.0, "", 3)],
        4: [(9.0, "", 1)],
    }
    key = ["site", "sensor", "time"]
    stored = got.assign(recorded_at=pd.Timestamp("2025-06-01T00:00Z"))
    assert newest_revisions(stored, key)["stage_m"].tolist() == [1.0, 2.0, 9.0]
    assert contradicted(stored, key)["stage_m"].tolist() == [3.0, 3.1, 1.0, 2.0, 3.0]
    assert new_values(rows.assign(deposit="d2"), stored).empty
    one = new_values(_rows((2, 3.1, ""), deposit="d3"), stored)
    assert one["revision"].tolist() == [3]


def test_an_archive_made_by_the_first_rules_is_proved_by_them(tmp_path, monkeypatch):
    """Of two values the last stood and a correction turned time back: audit and rebuild find it as it was made."""
    real = committing.open_writer
    monkeypatch.setattr(committing, "open_writer", lambda *a, **k: real(*a, **(k | {"rules": 1})))
    root = _season(tmp_path, [(TWO, 1.9)])
    take(root, _deposit(tmp_path / "first", [(HOURS[40], 1.6)]))
    derive(root, by="H1", now=NOW)
    assert set(_doubts(root)["code"]) == {"time-contradicted", "time-back"}
    monkeypatch.undo()
    assert _at(root) == pytest.approx(10 * 1.4**2)
    assert {entry.rules for entry in Archive(root).ledger.entries()} == {1}
    assert audit(root, recompute=False).faults == ()  # the audit below proves these commits too
    assert rebuild(root, tmp_path / "again").different == ()
    derive(root, by="H1", now=NOW)
    assert [entry.rules for entry in Archive(root).ledger.entries()][-1] == RULES
    assert _doubts(root)["code"].tolist() == []
    assert audit(root).faults == ()
