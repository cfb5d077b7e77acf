"""Each kind of bad deposit: a clear sentence, exit 1, sealed bytes, and an archive that still audits clean."""

from __future__ import annotations

import io
import zipfile

import openpyxl
import pytest
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.cli import app
from stillwell.intake.interpret import interpret
from stillwell.intake.readers.deposit import read_deposit
from stillwell.pipeline.audit import audit
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


def _is_returned(root, deposit, words):
    """Hand in a bad deposit: the sentence is said, the bytes are sealed, what stood still stands."""
    pages = set((root / "returned").glob("*.json"))
    done = CliRunner().invoke(app, ["ingest", str(deposit), "--archive", str(root)], catch_exceptions=False)
    assert done.exit_code == 1, done.stderr
    assert words in done.stderr
    assert "sealed" in done.stderr
    archive = Archive(root)
    assert archive.sealed.contains(read_deposit(deposit).digest)
    assert set(archive.standing("gaugings")["label"]) >= {"1", "2"}
    assert "5" not in set(archive.standing("gaugings")["label"])
    (page,) = set((root / "returned").glob("*.json")) - pages
    assert "reasons" in page.read_text(encoding="utf-8")


def test_bad_deposits_one_after_another(tmp_path):
    """Each is returned with its sentence and sealed, and every number of all of them can be computed again."""
    root = season(tmp_path)
    assert len(CASES) > 10
    for number, (_, change, words) in enumerate(CASES):
        _is_returned(root, change(sheets(tmp_path / f"bad{number}", "5", "6", party=f"P{number}")), words)
    assert audit(root).faults == ()


@pytest.mark.soak
@pytest.mark.parametrize(("change", "words"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_bad_deposits(change, words, tmp_path):
    """The sentence is said, the bytes are sealed, what stood still stands, and every number can be computed again."""
    root = season(tmp_path)
    _is_returned(root, change(sheets(tmp_path / "bad", "5", "6")), words)
    assert audit(root).faults == ()


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


def _split(folder, label, held, rest):
    """Move rows of a gauging from the file of points into a second one; ``rest`` writes the second file from text."""
    header, *lines = (folder / "points.csv").read_text().splitlines()
    mine = [line for line in lines if line.startswith(f"{label},")]
    kept = [line for line in lines if line not in mine or line in held(mine)]
    (folder / "points.csv").write_text("\n".join([header, *kept]) + "\n")
    (folder / "more").mkdir()
    moved = "\n".join([header, *(line for line in mine if line not in held(mine))]) + "\n"
    (folder / "more" / "points.csv").write_bytes(rest(moved))


UNREADABLE = {
    "no label can be read": lambda text: b"\x00\xff" * 300,
    "cut short": lambda text: text.encode()[:-7],
    "a label that is no text": lambda text: text.replace("\n4,", "\n\x81,", 1).encode("latin-1"),
    "quoted labels": lambda text: text.replace("\n4,", '\n"4"",', 1).encode(),
    "a row too long": lambda text: text.replace("\n", ",extra\n").replace(",extra\n", "\n", 1).encode(),
}


@pytest.mark.parametrize("rest", UNREADABLE.values(), ids=UNREADABLE)
@pytest.mark.parametrize("held", [lambda mine: mine[:3], lambda mine: [mine[0], *mine[3:]]], ids=["first half", "ends"])
def test_a_gauging_is_never_taken_in_part(tmp_path, rest, held):
    """Gauging 4 has points in a good and in a broken file: it comes back, the whole gauging 3 beside it is taken."""
    folder = sheets(tmp_path / "good", "3", "4")
    _split(folder, "4", held, rest)
    made = interpret([read_deposit(folder)])
    assert set(made.tables["gaugings"]["gauging"]) == {"3"}
    assert set(made.tables["points"]["gauging"]) == {"3"}
    assert "4" in set(made.problems["gauging"].dropna())


def test_a_gauging_that_came_back_whole_leaves_a_sound_archive(tmp_path):
    """End to end: gauging 4 comes back, gauging 3 beside it is taken, the audit finds nothing."""
    root = season(tmp_path, "1")
    folder = sheets(tmp_path / "good", "3", "4")
    _split(folder, "4", lambda mine: mine[:3], UNREADABLE["no label can be read"])
    take(root, folder)
    assert sorted(Archive(root).standing("gaugings")["label"]) == ["1", "3"]
    assert audit(root).faults == ()


def test_a_broken_file_of_samples_brings_back_what_may_rest_on_it(tmp_path):
    """Nobody can say whose samples the file held, so no gauging with points is taken; the gauge's readings are."""
    root = season(tmp_path, "1")
    folder = sheets(tmp_path / "good", "3", "4")
    (folder / "samples.csv").write_bytes(b"\x00\xff" * 300)
    take(root, folder)
    assert sorted(Archive(root).standing("gaugings")["label"]) == ["1"]
    assert len(Archive(root).standing("gauge_heights")) == 6


def test_under_earlier_rules_a_gauging_with_any_point_was_taken(tmp_path):
    """A commit of rules 2 is proved by rules 2."""
    folder = sheets(tmp_path / "good", "3", "4")
    _split(folder, "4", lambda mine: mine[:3], UNREADABLE["no label can be read"])
    counts = {
        rules: set(interpret([read_deposit(folder)], rules=rules).tables["gaugings"]["gauging"]) for rules in (2, 3)
    }
    assert counts == {2: {"3", "4"}, 3: {"3"}}


def _workbook(folder, *, labels=None, cut=False):
    """Write the sheets of a folder as one workbook; a sheet's row of labels or its XML may be damaged."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for path in sorted(folder.glob("*.csv")):
        sheet = book.create_sheet(path.stem)
        for number, line in enumerate(path.read_text().splitlines()):
            cells = [_typed(cell) for cell in line.split(",")]
            sheet.append(labels if labels and number == 0 and path.stem == "points" else cells)
    out = io.BytesIO()
    book.save(out)
    target = folder.with_suffix(".xlsx")
    with zipfile.ZipFile(out) as source, zipfile.ZipFile(target, "w") as made:
        for name in source.namelist():
            data = source.read(name)
            made.writestr(name, data[: len(data) // 2] if cut and name.endswith("sheet3.xml") else data)
    return target


def _typed(cell):
    try:
        return float(cell)
    except ValueError:
        return cell or None


def test_a_bad_sheet_of_a_workbook_brings_back_only_what_rests_on_it(tmp_path):
    """The labels of the sheet of points cannot be used: its gaugings come back, the readings of the gauge are taken."""
    root = season(tmp_path, "1")
    before = len(Archive(root).standing("gauge_heights"))
    folder = sheets(tmp_path / "good", "3", "4")
    taken = take(root, _workbook(folder, labels=["gauging", "gauging", "x"]))
    assert any("points" in str(where) for where in taken.prepared.problems["file"])
    assert sorted(Archive(root).standing("gaugings")["label"]) == ["1"]
    assert len(Archive(root).standing("gauge_heights")) > before
    assert audit(root).faults == ()


def test_a_workbook_with_a_sheet_cut_short_goes_back_whole_and_files_beside_it_are_taken(tmp_path):
    """A workbook is one file: where a part of it is cut short none of it is read; gauging 3 beside it is taken."""
    root = season(tmp_path, "1")
    folder = sheets(tmp_path / "good", "3")
    book = _workbook(sheets(tmp_path / "other", "4"), cut=True)
    (folder / "sheets.xlsx").write_bytes(book.read_bytes())
    taken = take(root, folder)
    assert {"sheets.xlsx"} == set(taken.prepared.problems["file"])
    assert sorted(Archive(root).standing("gaugings")["label"]) == ["1", "3"]
