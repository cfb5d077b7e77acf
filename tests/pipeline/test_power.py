"""Power lost during any writing command: nothing reported is lost, and the next one works."""

from __future__ import annotations

import shutil
from datetime import date
from importlib import import_module
from importlib.util import find_spec

import bagit
import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.netcdf.outputs import behind
from stillwell.errors import ArchiveDamaged, Withheld
from stillwell.pipeline.adopt import adopt
from stillwell.pipeline.audit import audit
from stillwell.pipeline.committing import office_of, office_policy
from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import compact, decide, ingest
from stillwell.pipeline.rebuild import UNFINISHED, rebuild
from stillwell.pipeline.render import render
from stillwell.publishing.publish import publish
from tests.archive.power import Cuts
from tests.pipeline.season import NOW, season, sheets, take
from tests.reading.recorded_stage import rating

WITHHOLDING = "stillwell.pipeline.withhold" if find_spec("stillwell.pipeline.withhold") else "stillwell.pipeline.ingest"
ID = "S1.20250501T100000Z.M1"
ACTS = ("ingest", "review", "compact", "derive", "render", "withhold", "publish", "rebuild")
READERS = ("publish", "rebuild")
"""What writes beside the archive and changes nothing in it."""


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Make an archive of gaugings with two days of stage and a rating, from which no record is derived yet."""
    tmp = tmp_path_factory.mktemp("kept")
    root = season(tmp)
    (tmp / "logger").mkdir()
    times = pd.date_range("2025-05-01T00:00Z", periods=49, freq="1h").strftime("%Y-%m-%dT%H:%M:%SZ")
    pd.DataFrame({"site": "S1", "time": times, "stage_m": 1.5}).to_csv(tmp / "logger" / "stage.csv", index=False)
    take(root, tmp / "logger")
    adopt(root, rating("R1", "2025-01-01T00:00Z"), by="H1", now=NOW)
    return root


def _begin(tmp, root, what):
    """Return what does one thing to an archive, and what says whether it was done."""
    if what == "ingest":
        sheet = sheets(tmp / "new", "7")
        id_ = "S1.20250507T100000Z.M1"
        return (
            lambda root: ingest(root, [sheet], by="T1", now=NOW),
            lambda archive: id_ in set(archive.standing("gaugings")["gauging_id"]),
        )
    if what == "review":
        row = {"subject": ID, "decision": "approved", "reason": "looked at"}
        return (lambda root: decide(root, "reviews", [row], by="R1", now=NOW)), _approved
    if what == "compact":
        return (
            lambda root: compact(root, most=1, keep_days=0, by="T1", now=NOW),
            lambda archive: any(entry.reason == "compaction" for entry in archive.ledger.entries()),
        )
    if what == "derive":
        return (lambda root: derive(root, by="H1", now=NOW)), lambda archive: "discharge" in _with_rows(archive)
    if what == "render":
        take(root, sheets(tmp / "behind", "8"), render_now=False)
        return (lambda root: render(root, by="H1", now=NOW)), _is_rendered
    if what == "publish":
        about = {"day": date(2026, 3, 1), "by": "T1", "policy": office_policy()[0]}
        return (lambda root: publish(Archive(root), root.parent / "bag", **about)), _is_published
    if what == "rebuild":
        return (lambda root: rebuild(root, root.parent / "again", start_over=True)), _is_rebuilt
    digest = Archive(root).ledger.entry(2).deposits[0]["deposit"]
    withhold = import_module(WITHHOLDING).withhold
    return (lambda root: withhold(root, digest, by="R1", reason="the law", now=NOW)), lambda a: _is_withheld(a, digest)


def _approved(archive):
    rows = archive.standing("gaugings")
    return rows.set_index("gauging_id").loc[ID, "status"] == "approved"


def _with_rows(archive):
    return {name for name in archive.tables() if archive.table_files(name)}


def _is_rendered(archive):
    return not list(behind(archive, office_of(archive)))


def _is_published(archive):
    """Say whether a bag is there, which is then valid."""
    bag = archive.root.parent / "bag"
    return bag.exists() and bagit.Bag(str(bag)).is_valid()


def _is_rebuilt(archive):
    """Say whether a rebuilding was finished; what is there is then the archive again."""
    again = archive.root.parent / "again"
    if not (again / "ledger").is_dir() or (again / UNFINISHED).exists():
        return False
    return Archive(again).listing() == archive.listing()


def _is_withheld(archive, digest):
    try:
        archive.sealed.read(digest)
    except Withheld:
        return True
    except ArchiveDamaged:
        # between the two renames nothing stands there; the next writer puts the tombstone in its place
        assert (archive.root / "work" / "withheld" / digest / "new").is_dir()
    return False


@pytest.mark.parametrize("every", [121, pytest.param(4, marks=pytest.mark.soak)])
@pytest.mark.parametrize("what", ACTS)
def test_power_lost_at_any_call(kept, tmp_path, monkeypatch, what, every):
    """After each cut the archive opens and audits clean, the next ingest works, and what was reported done is there."""
    top = tmp_path / "top"
    shutil.copytree(kept, top / "archive")
    act, is_done = _begin(tmp_path, top / "archive", what)
    # a rebuilding makes every commit again, so that it calls the disk ten times as often
    cuts = Cuts(tmp_path, monkeypatch, every=every if what != "rebuild" else 7 * every)
    calls = cuts.of(top, lambda: act(top / "archive"))
    done = []
    for number, place in cuts.places():
        root = place / "archive"
        done.append(is_done(Archive(root)))
        assert done[-1] or number < calls
        if what in READERS:
            if not done[-1]:  # what was cut short is done when it is asked for again
                act(root)
            assert is_done(Archive(root))
            continue
        if what != "withhold":  # one cut short holds its content until the next writer
            assert audit(root, recompute=False).faults == ()
        assert take(root, sheets(tmp_path / f"next{number}", "9", velocity=0.5)).all_good
        assert audit(root, recompute=every < 10).faults == ()
        assert set(Archive(root).sealed.digests()) > set(Archive(kept).sealed.digests())
        assert is_done(Archive(root)) or number < calls
    assert done[0] is False
    assert done[-1] is True
