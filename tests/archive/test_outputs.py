"""Which files are to be rendered, and why."""

from __future__ import annotations

from pathlib import Path

from stillwell.archive.archive import Archive
from stillwell.archive.netcdf import outputs as module
from stillwell.archive.netcdf.outputs import Behind, behind, behind_words

SAMPLE = Archive(Path(__file__).resolve().parents[2] / "sample_archive" / "archive")


def test_a_file_of_which_nothing_is_left_is_behind_and_names_its_site(monkeypatch):
    """With nothing to render, every file there is behind, of the site whose folder it lies in."""
    monkeypatch.setattr(module, "outputs", lambda *_: iter(()))
    here = sorted(path for path in SAMPLE.ledger.live_tables() if path.startswith("netcdf/"))
    assert len(here) > 10
    late = list(behind(SAMPLE, {}))
    assert late == [Behind(path, "nothing is left to render", path.split("/")[1], None) for path in here]
    assert [one.path for one in behind(SAMPLE, {}, ["INV-WIN"])] == ["netcdf/INV-WIN/gaugings.nc"]


def test_files_behind_are_counted_by_reason_and_five_sites_named():
    """One file is one file; of six sites five are named, in order, and the sixth is counted."""
    late = [
        Behind(f"netcdf/S{i}/x.nc", "never rendered" if i else "of an older layout", f"S{i}", None) for i in range(6)
    ]
    end = "; `stillwell render` finishes this"
    assert behind_words([]) == ""
    assert behind_words(late[:1]) == f"1 NetCDF file is behind, of S0 (1: of an older layout){end}"
    assert behind_words(late[1:]) == f"5 NetCDF files are behind, of S1, S2, S3, S4, S5 (5: never rendered){end}"
    six = "6 NetCDF files are behind, of S0, S1, S2, S3, S4 and 1 more (5: never rendered; 1: of an older layout)"
    assert behind_words(late[::-1]) == f"{six}{end}"
