"""Each kind of bad deposit: a clear sentence, exit 1, sealed bytes, and an archive that still audits clean."""

from __future__ import annotations

import io
import zipfile

import pytest
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.audit import audit
from stillwell.cli import app
from stillwell.intake.deposit import read_deposit
from tests.pipeline.season import season, sheets, take


def _change(name, old, new):
    def change(folder):
        path = folder / f"{name}.csv"
        text = path.read_text()
        assert old in text
        path.write_bytes(text.replace(old, new, 1).encode("latin-1" if "é" in new else "utf-8"))
        return folder

    return change


def _everywhere(name, old, new):
    def change(folder):
        path = folder / f"{name}.csv"
        path.write_text(path.read_text().replace(old, new))
        return folder

    return change


def _bytes(name, data):
    def change(folder):
        (folder / f"{name}.csv").write_bytes(data)
        return folder

    return change


def _without(name):
    def change(folder):
        (folder / f"{name}.csv").unlink()
        return folder

    return change


def _zip(cut):
    def change(folder):
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w") as archive:
            for path in folder.iterdir():
                archive.write(path, path.name)
        target = folder.with_suffix(".zip")
        target.write_bytes(out.getvalue()[:cut])
        return target

    return change


CASES = [
    # what is wrong, how a good sheet becomes so, words of the sentence
    ("unreadable", _bytes("points", b"\x00\xff\x00\xff"), "expected UTF-8 text"),
    ("truncated", _zip(-200), "expected a zip that can be opened"),
    ("empty", _bytes("points", b""), "found an empty file"),
    ("wrong encoding", _change("points", "open", "opén"), "byte 0xE9"),
    ("two verticals on one position", _change("points", "5,4,3,", "5,4,2,"), "one vertical on a position"),
    ("no edge row", _everywhere("points", ",0,edge,,", ",0.1,open,0.6,0.1"), "rows of kind edge where the water ends"),
    ("depth below zero", _change("points", "0.6,open", "-0.6,open"), "expected 0 to 200 m; found -0.6"),
    ("relative depth outside 0..1", _change("points", "open,0.6", "open,60"), "expected 0 to 1; found 60.0"),
    ("end before start", _change("gaugings", "T11:00Z", "T09:00Z"), "an end that is not before the start"),
    ("unknown site", _change("gaugings", "S1", "S7"), "the code of a site in the register sites"),
    ("unknown instrument", _change("gaugings", "M1", "M7"), "the code of an instrument in the register instruments"),
    ("two gaugings with one label", _change("gaugings", "\n6,", "\n5,"), "every label once in a deposit"),
    ("missing table", _without("points"), "points, or a method and a discharge"),
    ("a gauging without its header", _without("gaugings"), "a gauging of that label in this deposit"),
    ("a time without offset", _change("gaugings", "T10:00Z", "T10:00"), "expected a time with its offset"),
    ("a number that is none", _change("points", "0.6,open", "NaN,open"), "found 'NaN'"),
]


@pytest.mark.parametrize(("change", "words"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_bad_deposits(change, words, tmp_path):
    """The sentence is said, the bytes are sealed, what stood still stands, and every number can be computed again."""
    root = season(tmp_path)
    deposit = change(sheets(tmp_path / "bad", "5", "6"))
    done = CliRunner().invoke(app, ["ingest", str(deposit), "--archive", str(root)], catch_exceptions=False)
    assert done.exit_code == 1, done.stderr
    assert words in done.stderr
    assert "sealed" in done.stderr
    archive = Archive(root)
    assert archive.sealed.contains(read_deposit(deposit).digest)
    assert set(archive.standing("gaugings")["label"]) >= {"1", "2"}
    assert "5" not in set(archive.standing("gaugings")["label"])
    assert audit(root).faults == ()
    page = next((root / "returned").glob("*.json")).read_text(encoding="utf-8")
    assert "reasons" in page


def test_a_site_that_differs_only_by_case_is_returned_and_names_the_known_one(tmp_path):
    """`s1` and the full-width `Ｓ1` beside `S1` make no second site: their rows come back, the rest is taken."""
    root = season(tmp_path)
    folder = tmp_path / "twins"
    folder.mkdir()
    head = "site,name,latitude,longitude,utc_offset,licence\n"
    rows = "".join(f"{code},Twin (invented),11,20,+00:00,CC0-1.0\n" for code in ("s1", "\uff331", "S3"))
    (folder / "sites.csv").write_text(head + rows, encoding="utf-8")
    taken = take(root, folder)
    problems = taken.prepared.problems
    assert problems["found"].tolist() == ["s1", "\uff331"]
    assert problems["line"].tolist() == [2, 3]
    assert all("the known code S1" in expected for expected in problems["expected"])
    assert sorted(set(Archive(root).standing("sites")["site"])) == ["S1", "S2", "S3"]
    assert audit(root).faults == ()


def test_a_file_that_cannot_be_read_does_not_bring_back_the_gaugings_of_another(tmp_path):
    """Of a folder with an unreadable file of readings of the staff both gaugings are taken, and it alone is named.

    Area ``0.3 + 0.5 + 0.6 + 0.5 + 0.3 = 2.2`` m2 at 0.4 m/s: 0.88 m3/s.
    """
    root = season(tmp_path, "1")
    folder = sheets(tmp_path / "half", "3", "4")
    (folder / "gauge_heights.csv").write_bytes(b"site,read_at,gauge_height_m,gauging\nS1,\xff\xfe,1.0,3\n")
    taken = take(root, folder)
    assert set(taken.prepared.problems["file"]) == {"gauge_heights.csv"}
    rows = Archive(root).standing("gaugings").sort_values("started_at")
    assert rows["label"].tolist() == ["1", "3", "4"]
    assert rows["discharge_m3_s"].round(9).tolist() == [0.88, 0.88, 0.88]


def test_a_broken_file_of_points_brings_back_the_gaugings_it_names_and_no_other(tmp_path):
    """A second file of points names gauging 4 and has a row too long: 4 comes back, 3 of the first file is taken."""
    root = season(tmp_path, "1")
    folder = sheets(tmp_path / "good", "3", "4")
    header, *lines = (folder / "points.csv").read_text().splitlines()
    (folder / "points.csv").write_text("\n".join([header, *(x for x in lines if x.startswith("3,"))]) + "\n")
    (folder / "more").mkdir()
    broken = [f"{line},extra" for line in lines if line.startswith("4,")]
    (folder / "more" / "points.csv").write_text("\n".join([header, *broken]) + "\n")
    taken = take(root, folder)
    assert sorted(Archive(root).standing("gaugings")["label"]) == ["1", "3"]
    assert set(taken.prepared.problems["gauging"].dropna()) <= {"4"}
    assert audit(root).faults == ()
