"""Whatever is handed in, in whatever order: the archive proves itself after each commit, and can be made again."""

from __future__ import annotations

import random

import pytest

from stillwell.archive.archive import Archive
from stillwell.pipeline.audit import audit
from stillwell.pipeline.ingest import compact, decide
from stillwell.pipeline.rebuild import rebuild
from tests.pipeline.season import NOW, registers, sheets, take

ACTS = (
    "new",
    "sent again",
    "corrected",
    "moved",
    "other year",
    "other meter",
    "clash",
    "reviewed",
    "policy",
    "compacted",
)
SITES, METERS = ("S1", "S2"), ("M1", "M2", "")


def _act(root, tmp, draw, number, act):
    """Do one thing to an archive, as an office might."""
    rows = Archive(root).read("gaugings")
    known = sorted(set(rows["gauging_id"]))
    subject = draw.choice(known)
    row = rows[rows["gauging_id"] == subject].sort_values("revision").iloc[-1]
    day, velocity = str(row["started_at"].day), round(draw.uniform(0.2, 0.9), 3)
    said = {"site": row["site"], "instrument": "" if row["instrument"] != row["instrument"] else row["instrument"]}
    folder = tmp / f"d{number}"
    if act == "new":
        labels = {str(draw.randint(1, 28)) for _ in range(draw.randint(1, 3))}
        site, meter = draw.choice(SITES), draw.choice(METERS)
        take(root, sheets(folder, *sorted(labels), site=site, instrument=meter, velocity=velocity))
    elif act == "sent again":
        take(root, sheets(folder, day, **said))
    elif act == "corrected":
        take(root, sheets(folder, day, velocity=velocity, **said))
    elif act == "clash":
        take(root, sheets(folder, day, party="P2", velocity=velocity, **said))
    elif act == "moved":
        said["site"] = draw.choice(SITES)
        take(root, sheets(folder, day, velocity=velocity, corrects=subject, **said))
    elif act == "other meter":
        said["instrument"] = draw.choice(METERS)
        take(root, sheets(folder, day, velocity=velocity, corrects=subject, **said))
    elif act == "other year":
        made = sheets(folder, day, velocity=velocity, corrects=subject, **said)
        year = draw.choice(("2023", "2024", "2025"))
        for path in made.iterdir():
            path.write_text(path.read_text().replace("2025-05", f"{year}-05"))
        take(root, made)
    elif act == "reviewed":
        decision = draw.choice(("approved", "provisional", "withdrawn"))
        decide(
            root, "reviews", [{"subject": subject, "decision": decision, "reason": f"draw {number}"}], by="R1", now=NOW
        )
    elif act == "policy":
        policy = tmp / f"policy{number}.toml"
        coefficient = round(draw.uniform(0.95, 1.0), 3)
        policy.write_text(f"[choices]\ncoefficient_06 = {coefficient}\n[limits]\nshare_high_pct = "
                          f"{{ value = {20 + number % 9}, source = 'draw' }}\n")  # fmt: skip
        take(root, policy)
    else:
        compact(root, most=draw.randint(1, 3), keep_days=draw.choice((0, 7)), by="T1", now=NOW)


@pytest.mark.parametrize(
    ("seed", "acts"), [(1, 10), *(pytest.param(n, 60, marks=pytest.mark.soak) for n in range(2, 8))]
)
def test_the_archive_is_sound_after_every_commit_and_can_be_made_again(tmp_path, seed, acts):
    """New sheets, corrections of numbers, site, year and meter, clashes, reviews, policies and compactions, mixed."""
    draw, root = random.Random(seed), tmp_path / "archive"
    take(root, registers(tmp_path / "registers"), sheets(tmp_path / "first", "1", "2"))
    order = [*draw.sample(ACTS, len(ACTS)), *draw.choices(ACTS, k=acts - len(ACTS))]
    for number, act in enumerate(order):
        _act(root, tmp_path, draw, number, act)
        # the last is proved whole below
        report = audit(root, recompute=number % 10 == 9 and number + 1 < len(order))
        assert report.faults == (), (order[: number + 1], report.faults[:3])
    assert audit(root).faults == ()
    made = rebuild(root, tmp_path / "again")
    assert (made.different, made.carried) == ((), ())
    assert Archive(root).listing() == Archive(tmp_path / "again").listing()
