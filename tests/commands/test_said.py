"""What commands say: what was taken and left out, where an answer was written, and what to type next."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.hydrometry.rating.bayes import KINDS
from stillwell.number_words import counted
from stillwell.reading.rating.shifts import derived_lines
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.derive import columns
from tests.commands.test_commands import ID, SELECT, run
from tests.pipeline.season import season

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_archive" / "archive"
MAPS = ROOT / "sample_archive" / "maps"
STAGE = "site,sensor,time,stage_m\nS1,P,2025-05-01T10:00Z,1.5\nS1,P,2025-05-01T11:00Z,1.6\nS1,P,2025-05-01T12:00Z,1.7\n"
REVIEW = "subject,decision,by,decided_at,reason\n{},approved,T1,2025-10-20T09:00Z,seen\n"


@pytest.fixture
def root(tmp_path):
    """Make an archive of two gaugings."""
    return season(tmp_path / "season")


def _put(folder, **tables):
    folder.mkdir(parents=True)
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text)
    return folder


def test_one_of_a_thing_is_in_the_singular():
    """One row, no rows, many rows; a plural of its own where the noun has one."""
    assert [counted(n, "row") for n in (0, 1, 2, 2500)] == ["0 rows", "1 row", "2 rows", "2,500 rows"]
    assert counted(2, "good copy", "good copies") == "2 good copies"


@pytest.mark.parametrize(
    "words",
    [
        ("template",),
        ("report", ID),
        ("query", SELECT, "--format", "csv"),
        ("trace", ID),
        ("record", "INV-KES", "--step", "monthly"),
    ],
    ids=lambda words: words[0],
)
def test_an_output_is_confirmed_and_never_replaces_a_file(root, tmp_path, words):
    """A new file is named with its size; where a file is, it stays as it was, exit 2, in words."""
    where = None if words[0] == "template" else SAMPLE if words[0] == "record" else root
    new, filled = tmp_path / "new.out", tmp_path / "filled.out"
    filled.write_bytes(b"a season's work")
    code, out, err = run(*words, "--output", new, root=where)
    assert (code, out) == (0, "")
    assert re.search(rf"wrote {re.escape(str(new))}: (\d+ rows?, )?{new.stat().st_size:,} bytes", err)
    code, out, err = run(*words, "--output", filled, root=where)
    assert (code, out) == (2, "")
    assert f"expected the name of a new file, found that {filled} is there; it was left as it was" in err
    assert filled.read_bytes() == b"a season's work"


def test_a_table_of_rows_is_confirmed_with_their_number(root, tmp_path):
    """The number of rows of an answer is told beside the size of its file."""
    err = run("query", "SELECT * FROM gaugings", "--format", "csv", "--output", tmp_path / "two.csv", root=root)[2]
    assert "two.csv: 2 rows, " in err


def test_ingest_says_what_it_took_of_each_table(root, tmp_path):
    """Stage: number, site, sensor and span; decisions: rows; a single deposit is in the singular, in JSON too."""
    code, _, err = run("ingest", _put(tmp_path / "log", stage=STAGE), root=root)
    assert code == 0
    assert "taken: stage: 3 values at S1, sensor P, 2025-05-01T10:00:00Z to 2025-05-01T12:00:00Z" in err
    assert "1 deposit sealed; no gaugings" in err
    assert "taken: reviews: 1 row\n" in run("ingest", _put(tmp_path / "b", reviews=REVIEW.format(ID)), root=root)[2]
    more = STAGE.replace("05-01", "05-02")
    said = json.loads(run("ingest", _put(tmp_path / "more", stage=more), "--format", "json", root=root)[1])
    first, last = "2025-05-02T10:00:00Z", "2025-05-02T12:00:00Z"
    taken = {"table": "stage", "rows": 3, "sites": ["S1"], "sensor": "P", "from": first, "to": last}
    taken["replacing"] = 0
    assert said["taken"] == [taken]
    again = _put(tmp_path / "again", stage=more + "\n")
    assert "no new rows" in run("ingest", again, root=root)[2]


def test_a_dry_run_says_as_much_as_an_ingest_and_each_mistake_once(tmp_path):
    """Number and span by table; a mistake of the map that is in every row is one line with the number of rows."""
    sheets, map_ = MAPS / "loggers" / "deposit", MAPS / "loggers" / "map.toml"
    code, _, err = run("ingest", "--dry-run", "--map", map_, sheets, root=None)
    assert code in (0, 1)
    assert re.search(r"would be taken: stage: [\d,]+ values at \S+, .*\d{4}-\d\d-\d\dT\S+Z to \d{4}", err)
    folder = tmp_path / "sheets"
    folder.mkdir()
    rows = "".join(f"{i}.5.2025;{i},5\n" for i in range(1, 21))
    (folder / "log.csv").write_text(f"day;level\n{rows}")
    (tmp_path / "map.toml").write_text(
        'kind = "map"\nname = "m"\n[[files]]\nmatch = ["log.csv"]\ndelimiter = ";"\ndecimal = ","\n'
        '[[files.tables]]\ntable = "stage"\nconstants = { site = "S1" }\ncolumns = { level = "stage_m" }\n'
        'times.time = { columns = ["day"], format = "%Y-%m-%d %H:%M", offset = "+00:00" }\n'
    )
    code, _, err = run("ingest", "--dry-run", "--map", tmp_path / "map.toml", folder, root=None)
    lines = [line for line in err.splitlines() if line.startswith("would be returned")]
    assert code == 1
    assert len(lines) == 1
    assert lines[0].endswith("; the same in 19 more rows")


def test_the_command_named_after_a_returned_sheet_works_when_pasted(root, tmp_path):
    """It names the deposit and the archive: typed again after the sheet is mended, it takes it in."""
    folder = _put(tmp_path / "log of May", stage=STAGE.replace("1.6", "x.6"))
    code, _, err = run("ingest", folder, root=root)
    assert code == 1
    command = re.search(r"^next: .*?then `(stillwell ingest [^`]+)`", err, re.MULTILINE)[1]
    words = shlex.split(command)[1:]
    assert words == ["ingest", str(folder), "--archive", str(root)]
    (folder / "stage.csv").write_text(STAGE)
    assert run(*words, root=None)[0] == 0


@pytest.mark.parametrize("part", [".", "sealed", "tables/gaugings", ".."])
def test_an_archive_is_no_deposit_to_itself(root, part):
    """The archive, a folder in it and a folder that holds it are refused in words; nothing is written."""
    before = sorted(path.relative_to(root) for path in root.rglob("*"))
    code, _, err = run("ingest", root / part, root=root)
    assert code == 1
    assert f"expected a deposit outside the archive {root}, found " in err
    assert "nothing was taken" in err
    assert sorted(path.relative_to(root) for path in root.rglob("*")) == before


def test_coordinates_are_printed_as_they_are_stored():
    """A table rounds numbers for the eye, but never where something is."""
    stored = json.loads(run("list", "sites", "--format", "json", root=SAMPLE)[1])
    assert len(stored) == 4
    shown = run("list", "sites", root=SAMPLE)[1]
    assert [row["site"] for row in stored if f" {row['latitude']} " not in shown.replace("\n", " ")] == []
    asked = run("query", "SELECT latitude, longitude FROM sites", root=SAMPLE)[1].split()
    assert {str(row[name]) for row in stored for name in ("latitude", "longitude")} <= set(asked)


def test_derive_says_why_a_site_is_left_out(tmp_path):
    """Each site without a record is named with what it lacks, stage, rating or both; in JSON too."""
    root = Path(shutil.copytree(SAMPLE, tmp_path / "copy"))
    run("ingest", _put(tmp_path / "log", stage=STAGE.replace("S1", "INV-MIL")), root=root)
    words = ("--adopt", "W-A", "--valid-from", "2024-10-01T00:00Z", "--by", "H1", "--reason", "first")
    assert run("rate", "INV-WIN", *words, root=root)[0] == 0
    code, _, err = run("derive", root=root)
    assert code == 0
    assert "INV-MIL: recorded stage and no rating; no record is derived" in err
    assert "INV-WIN: a rating and no recorded stage; no record is derived" in err
    assert "rate INV-MIL --adopt NAME --valid-from TIME" in err
    left = json.loads(run("derive", "--format", "json", root=root)[1])["left_out"]
    assert [(one["site"], one["lacks"]) for one in left] == [("INV-MIL", ["ratings"]), ("INV-WIN", ["stage"])]
    code, _, err = run("derive", "INV-WIN", root=root)
    assert code == 2
    assert "found INV-WIN: a rating and no recorded stage" in err


def test_a_trace_rounds_for_the_eye_and_keeps_whole_numbers_in_json():
    """Text shows four figures, as tables do; JSON holds the value as stored."""
    question = "SELECT mean_m3_s FROM daily WHERE site = 'INV-KES' AND day = '2025-05-01'"
    stored = json.loads(run("query", question, "--format", "json", root=SAMPLE)[1])[0]["mean_m3_s"]
    text = run("trace", "INV-KES", "2025-05-01", root=SAMPLE)[1]
    assert f"  mean: {stored:.3f} m3/s\n" in text
    assert re.findall(r": -?\d+\.\d{5,} ", text) == []
    assert f"{stored!r} m3/s" in run("trace", "INV-KES", "2025-05-01", "--format", "json", root=SAMPLE)[1]


def test_one_damaged_file_is_one_fault_in_our_words(root):
    """A table file cut short is named once, with expected and found; no library speaks."""
    path = sorted(root.glob("tables/gaugings/**/*.parquet"))[0]
    path.write_bytes(path.read_bytes()[:-1])
    code, out, err = run("audit", root=root)
    faults = [line for line in out.splitlines() if line.startswith("fault")]
    assert code == 1
    assert len(faults) == 1
    assert path.relative_to(root).as_posix() in faults[0]
    assert "\n1 fault\n" in out
    assert "arquet magic" not in out + err


def test_help_says_what_an_option_wants(monkeypatch):
    """Each kind of control, the offset of a time, and which decision restores a withdrawn gauging."""
    monkeypatch.setenv("COLUMNS", "200")
    rate = re.sub(r"[\s│]+", " ", run("rate", "--help", root=None)[1])
    assert [kind for kind in KINDS if kind not in rate] == []
    assert "2026-01-01T00:00+01:00" in rate
    assert "restores a withdrawn gauging" in re.sub(r"[\s│]+", " ", run("review", "--help", root=None)[1])


def test_the_page_on_maps_names_every_column_that_a_field_sheet_needs():
    """Each required column of the three tables of a field sheet stands in the row of its table, and is a column."""
    text = (ROOT / "docs" / "intake_maps.md").read_text(encoding="utf-8")
    section = text.split("## The columns a field sheet needs\n")[1].split("\n## ")[0]
    made = {"deposit", "row_file", "row_line"}
    for table in ("gaugings", "points", "gauge_heights"):
        row = next(line for line in section.splitlines() if line.startswith(f"| `{table}` |"))
        named = set(re.findall(r"`(\w+)`", row)) - {table, "open", "edge"}
        known = {column.name: column.required for column in columns(DEPOSIT_TABLES[table])}
        assert named <= set(known)
        assert {name for name, required in known.items() if required} - made <= named


def test_a_derivation_says_by_which_clock_it_counts():
    """The span of values is in UTC to the minute; the days are the site's own, by their dates."""
    times = pd.to_datetime(["2024-10-01T00:00Z", "2024-10-01T23:00Z"])
    values = pd.DataFrame({"site": "S1", "time": times, "discharge_m3_s": [1.0, 2.0], "marks": ["ice", None]})
    days = pd.DataFrame({"site": "S1", "day": ["2024-09-30", "2024-10-01"], "mean_m3_s": [np.nan, 1.5]})
    said = derived_lines({"discharge": values, "daily": days}).splitlines()
    assert said == [
        "S1  2 values, 2 with discharge, 2024-10-01T00:00Z to 2024-10-01T23:00Z, greatest 2.000 m3/s",
        "    ice: 1 value",
        "    2 days, 2024-09-30 to 2024-10-01 by the site's offset, 1 with a mean",
    ]
