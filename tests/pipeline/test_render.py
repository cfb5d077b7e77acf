"""NetCDF files are made of what stands, in commits of their own: behind or cut short, none is ever wrong."""

from __future__ import annotations

import itertools
import shutil

import netCDF4
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.disk.layout import MAKING
from stillwell.archive.netcdf import background
from stillwell.archive.netcdf.background import making_folder
from stillwell.archive.netcdf.outputs import behind
from stillwell.archive.writing.writer import Commit
from stillwell.errors import ArchiveLocked, QueryError
from stillwell.pipeline import render as rendering
from stillwell.pipeline.audit import audit, audit_part
from stillwell.pipeline.committing import office_of, utc_now, writing
from stillwell.pipeline.rebuild import rebuild
from stillwell.pipeline.render import StillBehind, render, render_all
from tests.archive.test_crash import Death, DyingSystem, clean
from tests.pipeline.season import NOW, season, sheets, take

GAUGINGS = "netcdf/S1/gaugings.nc"


def _late(root):
    archive = Archive(root, complete=True)
    return {one.path: one.reason for one in behind(archive, office_of(archive))}


def _take_only(root, *paths):
    """Ingest, and leave what it touched behind, as where another writer kept the rendering from its lock."""

    def locked(*args, **more):
        raise ArchiveLocked("another writer")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rendering, "render", locked)
        taken = take(root, *paths)
    assert taken.all_good
    return taken


@pytest.fixture(scope="module")
def once_late(tmp_path_factory):
    """Make an archive whose newest gauging is in no NetCDF file yet."""
    tmp = tmp_path_factory.mktemp("late")
    root = season(tmp)
    _take_only(root, sheets(tmp / "more", "3"))
    return root


@pytest.fixture
def late(once_late, tmp_path):
    """Copy that archive."""
    return shutil.copytree(once_late, tmp_path / "archive")


def _moved(tmp_path):
    folder = tmp_path / "moved"
    folder.mkdir()
    (folder / "sites.csv").write_text(
        "site,name,latitude,longitude,utc_offset,licence\nS1,Site 1 (invented),11,21.5,+00:00,CC0-1.0\n"
    )
    return folder


def test_a_site_that_moved_audits_clean(tmp_path):
    """The corrected longitude is in its file after the next rendering, and a rebuilding makes the same bytes."""
    root = season(tmp_path)
    _take_only(root, _moved(tmp_path))
    assert _late(root) == {GAUGINGS: "its inputs have changed"}
    report = audit(root)
    assert report.faults == ()
    assert any("behind" in line and "S1" in line for line in report.remarks)
    assert render(root, by="T1", now=NOW).files == (GAUGINGS,)
    with netCDF4.Dataset(root / GAUGINGS) as file:
        assert float(file["lon"][...].max()) == 21.5
    report = audit(root)
    assert (report.faults, _late(root)) == ((), {})
    assert not any("behind" in line for line in report.remarks)
    again = rebuild(root, tmp_path / "again")
    assert again.different == ()
    assert (tmp_path / "again" / GAUGINGS).read_bytes() == (root / GAUGINGS).read_bytes()


def test_another_name_of_the_office_leaves_every_file_behind(tmp_path):
    """The office stands in every file; the next rendering makes them all anew."""
    root = season(tmp_path)
    policy = tmp_path / "policy.toml"
    policy.write_text('[office]\nname = "Another office (invented)"\n')
    (tmp_path / "policy").mkdir()
    shutil.copy(policy, tmp_path / "policy" / "policy.toml")
    _take_only(root, tmp_path / "policy")
    assert set(_late(root)) == {path for path in Archive(root).listing() if path.startswith("netcdf/")}
    render(root, by="T1", now=NOW)
    assert (_late(root), audit(root).faults) == ({}, ())


def test_files_behind_are_a_remark_of_an_audit_in_parts_too(late):
    """How many, of which sites and why."""
    (said,) = [line for line in audit_part(late, 10**9).remarks if "behind" in line]
    assert said == "1 NetCDF file is behind, of S1 (1: its inputs have changed); `stillwell render` finishes this"


def test_a_file_that_is_not_behind_and_holds_other_values_is_a_fault(late):
    """Same inputs and other values: the entry that names the inputs is no excuse."""
    archive = Archive(late, complete=True)
    (output,) = [one.output for one in behind(archive, office_of(archive))]
    old = archive.document(GAUGINGS)
    with writing(late, by="X", now=NOW, create=False) as writer:
        folder = late / "work" / "forged.nc"
        folder.write_bytes(old + b"\0")
        made = background.MadeFile(GAUGINGS, folder, background.sha256(old + b"\0"), len(old) + 1)
        writer.commit(Commit(made=[made], made_from={GAUGINGS: dict(output.made_from)}, reason="render"))
    assert [fault.kind for fault in audit(late, recompute=False).faults if fault.path == GAUGINGS] != []


@pytest.mark.parametrize("every", [11, pytest.param(3, marks=pytest.mark.soak)])
def test_death_at_every_call_of_a_rendering(late, tmp_path, monkeypatch, every):
    """Killed before the entry the file is behind, after it the next writer moves it: never a fault, nothing left."""
    outcomes = []
    for calls in itertools.count(step=every):
        root = shutil.copytree(late, tmp_path / f"copy{calls}")
        with monkeypatch.context() as patch:
            real = shutil.rmtree
            DyingSystem(patch, calls)
            # temporary folders of the encoder lie outside the archive
            patch.setattr(shutil, "rmtree", real)
            try:
                render(root, by="T1", now=NOW)
            except Death:
                pass
            else:
                break
        outcomes.append(not _late(root))
        assert audit(root, recompute=False).faults == ()
        with writing(root, by="T2", now=NOW, create=False):
            pass
        assert not list((root / MAKING).rglob("*"))
        shutil.rmtree(root / MAKING, ignore_errors=True)
        clean(root)
        shutil.rmtree(root)
    assert sorted(outcomes) == outcomes
    assert set(outcomes) == {False, True}


def test_leftovers_of_a_dead_maker_are_a_remark_and_those_of_a_live_one_are_let_be(late):
    """Only folders whose lock is free are swept; none is a fault."""
    dead = late / MAKING / "dead"
    dead.mkdir(parents=True, exist_ok=True)
    (dead / "000000.nc").write_bytes(b"half")
    with making_folder(late, utc_now()) as alive:
        (alive / "000000.nc").write_bytes(b"half")
        report = audit(late, recompute=False)
        assert report.faults == ()
        assert next(line for line in report.remarks if MAKING in line).startswith("1 rendering was cut short")
        with writing(late, by="T1", now=NOW, create=False):
            pass
        assert not dead.exists()
        assert (alive / "000000.nc").exists()
        assert not any(MAKING in line for line in audit(late, recompute=False).remarks)
    assert list((late / MAKING).iterdir()) == []


@pytest.mark.parametrize(("site", "dropped"), [("S1", (GAUGINGS,)), ("S2", ())])
def test_a_commit_between_making_and_lock(late, tmp_path, monkeypatch, site, dropped):
    """A file whose rows changed meanwhile is dropped, since it would not be what stands; another site's is kept."""
    real = rendering.made_files

    def meanwhile(*args):
        made = real(*args)
        monkeypatch.setattr(rendering, "made_files", real)
        _take_only(late, sheets(tmp_path / "meanwhile", "5", site=site, instrument="M2", party="P2"))
        return made

    monkeypatch.setattr(rendering, "made_files", meanwhile)
    made = render(late, ["S1"], by="T1", now=NOW)
    assert (made.dropped, made.files) == (dropped, () if dropped else (GAUGINGS,))
    assert set(_late(late)) == {GAUGINGS if dropped else "netcdf/S2/gaugings.nc"}
    assert audit(late, recompute=False).faults == ()
    render(late, by="T1", now=NOW)
    assert _late(late) == {}


def test_an_entry_that_names_other_inputs_than_stood_before_it_is_a_fault(late):
    """What a rendering was made from must be the digests the entries before it come to."""
    archive = Archive(late, complete=True)
    (output,) = [one.output for one in behind(archive, office_of(archive))]
    with writing(late, by="X", now=NOW, create=False) as writer:
        forged = dict(output.made_from) | {"points/S1": "0" * 64}
        entry = writer.commit(Commit(made_from={GAUGINGS: forged}, reason="render"))
    (fault,) = audit(late).faults
    assert (fault.kind, fault.path) == ("ledger", f"ledger/{entry.number:08d}.json")
    assert "points/S1" in fault.sentence


def test_nothing_behind_and_unknown_sites(tmp_path):
    """Without anything behind there is no commit; a site that no register names is said so."""
    root = season(tmp_path)
    number = Archive(root).ledger.head_number()
    assert render(root, by="T1", now=NOW).entry is None
    assert Archive(root).ledger.head_number() == number
    with pytest.raises(QueryError, match="NOWHERE"):
        render(root, ["NOWHERE"], by="T1", now=NOW, strict=True)


def test_what_a_rendering_leaves_behind_fails_the_night(late, monkeypatch):
    """Files behind after rendering are named as an error; without any there is none."""
    monkeypatch.setattr(rendering, "render", lambda *args, **more: rendering.Rendered())
    with pytest.raises(StillBehind, match="S1"):
        render_all(late, by="nightly", now=NOW)
    monkeypatch.undo()
    assert render_all(late, by="nightly", now=NOW).files == (GAUGINGS,)


def test_processes_make_the_same_bytes(tmp_path, monkeypatch):
    """Two spawned processes and the caller alone come to the same files."""
    root = season(tmp_path)
    _take_only(root, sheets(tmp_path / "one", "3"), sheets(tmp_path / "two", "4", site="S2"))
    shutil.copytree(root, tmp_path / "other")
    monkeypatch.setattr(background, "SPAWN_FROM", 1)
    shared = render(root, by="T1", now=NOW, processes=2)
    alone = render(tmp_path / "other", by="T1", now=NOW)
    assert shared.files == alone.files == (GAUGINGS, "netcdf/S2/gaugings.nc")
    for path in shared.files:
        assert (root / path).read_bytes() == (tmp_path / "other" / path).read_bytes()
