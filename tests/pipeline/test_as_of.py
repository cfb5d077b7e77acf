"""Any past state, from a long history asked in random order."""

from __future__ import annotations

import random

import pytest

from stillwell.archive.archive import Archive
from stillwell.pipeline.audit import audit
from stillwell.pipeline.ingest import compact, decide
from stillwell.reading.printed.show import show_gauging
from stillwell.reading.select.sql import ask
from tests.pipeline.season import NOW, season, sheets, take

QUESTION = """SELECT g.gauging_id, g.revision, g.status, g.discharge_m3_s, g.recorded_at,
  (SELECT count(*) FROM verticals v WHERE v.gauging_id = g.gauging_id) AS verticals,
  (SELECT count(*) FROM findings f WHERE f.gauging_id = g.gauging_id) AS findings
  FROM gaugings g ORDER BY 1"""
TABLES = ("gaugings", "verticals", "points", "findings", "reviews", "gauge_heights")


def _id(day):
    return f"S1.202505{day:02d}T100000Z.M1"


@pytest.fixture(scope="module", params=[9, pytest.param(32, marks=pytest.mark.soak)])
def history(request, tmp_path_factory):
    """Record some commits, or more than thirty, of every kind, noting after each what then stood."""
    tmp, draw = tmp_path_factory.mktemp("history"), random.Random(7)
    root = season(tmp)
    days, states = [1, 2], []
    kinds = ("new", "revised", "revised", "reviewed", "policy", "compacted")
    order = [*draw.sample(kinds, len(kinds)), *draw.choices(kinds, k=request.param - len(kinds))]
    for number, kind in enumerate(order):
        day, speed = draw.choice(days), round(draw.uniform(0.2, 0.9), 3)
        if kind == "new" or number == 0:
            day = len(days) + 1
            days.append(day)
            take(root, sheets(tmp / f"d{number}", str(day)), render_now=False)
        elif kind == "revised":
            take(root, sheets(tmp / f"d{number}", str(day), velocity=speed), render_now=False)
        elif kind == "reviewed":
            decision = draw.choice(("approved", "approved", "provisional", "withdrawn"))
            row = {"subject": _id(day), "decision": decision, "reason": f"draw {number}"}
            decide(root, "reviews", [row], by="R1", now=NOW, render_now=False)
        elif kind == "policy":
            policy = tmp / f"policy{number}.toml"
            policy.write_text(f"[limits]\nshare_high_pct = {{ value = {20 + number}, source = 'draw' }}\n")
            take(root, policy, render_now=False)
        else:
            compact(root, most=2, by="T1", now=NOW)
            take(root, sheets(tmp / f"d{number}", str(day), velocity=speed), render_now=False)
        archive = Archive(root)
        moment = archive.ledger.head().recorded_at
        rows = {table: archive.standing(table) for table in TABLES}
        states.append((moment, ask(archive, QUESTION).to_pylist(), rows))
    return root, states


def _sorted(rows):
    order = [c for c in ("gauging_id", "site", "vertical", "relative_depth", "code", "key", "read_at") if c in rows]
    return rows.sort_values([*order, "recorded_at"], kind="stable").reset_index(drop=True)


def test_any_past_state_is_answered_as_it_was(history):
    """Asked in random order, SQL and tables as of every commit are what stood after it."""
    root, states = history
    archive = Archive(root)
    assert archive.ledger.head_number() > len(states) >= 9
    for moment, answer, rows in random.Random(3).sample(states, len(states)):
        assert ask(archive.at(moment), QUESTION).to_pylist() == answer
        for table in TABLES:
            assert _sorted(archive.at(moment).standing(table)).equals(_sorted(rows[table])), table


def test_every_revision_is_shown_with_its_reason(history):
    """A sheet names all revisions of its gauging, withdrawn ones too."""
    root, _ = history
    rows = Archive(root).read("gaugings")
    most = rows.groupby("gauging_id")["revision"].max().idxmax()
    said = show_gauging(Archive(root), most, revisions=True)
    numbers = rows.loc[rows["gauging_id"] == most, "revision"].unique()
    assert len(numbers) > 1
    for number in numbers:
        assert f"revision {number}" in said


@pytest.mark.soak
def test_the_whole_history_is_proved(history):
    """Every commit of it computes again to the same rows."""
    assert audit(history[0]).faults == ()
