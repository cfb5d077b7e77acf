"""What a check of a meter does to gaugings, before and after they are taken."""

from __future__ import annotations

import xarray as xr

from stillwell.archive.archive import Archive
from stillwell.pipeline.audit import audit
from tests.pipeline.season import season, sheets, take


def _check(folder, name, day, snr=30.0, meter="M1"):
    folder.mkdir()
    lines = ["check,instrument,checked_at,place,sample,sample_s,receiver,snr_db"]
    lines += [
        f"{name},{meter},2025-05-{day:02d}T09:00Z,field,{s + 1},{s},{r},{snr + s % 2}"
        for s in range(20)
        for r in (1, 2)
    ]
    (folder / "checks.csv").write_text("\n".join(lines) + "\n")
    return folder


def _codes(root):
    rows = Archive(root).standing("findings").query("code == 'meter-unfit'")
    return dict(zip(rows["gauging_id"].str[3:11], rows["deposit"], strict=True))


def test_an_unfit_check_reaches_gaugings_taken_before_it_came(tmp_path):
    """Gaugings since the last healthy check gain a finding that rests on the check's deposit; their number stays."""
    root = season(tmp_path, "1", "6", "9")
    take(root, _check(tmp_path / "c1", "C1", 4))
    assert _codes(root) == {}
    before = Archive(root).read("gaugings")
    taken = take(root, _check(tmp_path / "c2", "C2", 12, snr=2.0))
    assert _codes(root) == {"20250506": taken.deposits[0].digest, "20250509": taken.deposits[0].digest}
    assert Archive(root).read("gaugings").equals(before)
    assert Archive(root).standing("checks").set_index("check")["verdict"].to_dict() == {"C1": "healthy", "C2": "unfit"}
    with xr.open_dataset(root / "netcdf" / "S1" / "gaugings.nc") as data:
        assert [int(flag) for flag in data["discharge_qc"].values] == [3, 3, 3]
        assert "meter-unfit" in str(data["discharge_findings"].values[1])
    assert audit(root).faults == ()


def test_a_gauging_taken_after_an_unfit_check_is_suspect_at_once(tmp_path):
    """What was gauged with a meter found unfit before is suspect when it is taken; another meter's is not."""
    root = season(tmp_path)
    take(root, _check(tmp_path / "c", "C2", 3, snr=2.0))
    assert set(_codes(root)) == {"20250501", "20250502"}
    take(root, sheets(tmp_path / "a", "5"), sheets(tmp_path / "b", "6", instrument="M2", party="P2"))
    assert set(_codes(root)) == {"20250501", "20250502", "20250505"}
    row = Archive(root).standing("gaugings").set_index("label").loc["5"]
    assert row["check_before"] == "C2"


def test_the_same_check_again_adds_nothing(tmp_path):
    """A check sent again in another deposit makes no row and no finding."""
    root = season(tmp_path)
    take(root, _check(tmp_path / "c", "C2", 3, snr=2.0))
    first = Archive(root).read("findings"), Archive(root).read("check_samples")
    other = _check(tmp_path / "d", "C2", 3, snr=2.0)
    (other / "note.txt").write_text("sent again")
    take(root, other)
    assert Archive(root).read("findings").equals(first[0])
    assert Archive(root).read("check_samples").equals(first[1])


def test_an_acoustic_meter_that_was_never_checked_is_a_note(tmp_path):
    """A meter of the register that must be checked and never was lacks a check; a rotating one is not asked for one."""
    root = season(tmp_path)
    folder = tmp_path / "register"
    folder.mkdir()
    (folder / "instruments.csv").write_text("instrument,kind,axes\nM1,acoustic point,2\nM2,rotating element,1\n")
    take(root, folder)
    take(root, sheets(tmp_path / "a", "5"), sheets(tmp_path / "b", "6", instrument="M2", party="P2"))
    missing = Archive(root).standing("findings").query("code == 'check-missing'")
    assert set(missing["gauging_id"].str[3:11]) == {"20250501", "20250502", "20250505"}
