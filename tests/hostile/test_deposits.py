"""Hostile deposits end to end: words and an exit code, sealed bytes, nothing outside the archive, and life goes on."""

from __future__ import annotations

import json
import time

import pytest
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.cli import app
from stillwell.intake.readers.deposit import read_deposit
from stillwell.pipeline.audit import audit
from stillwell.pipeline.ingest import ingest
from stillwell.reading.select.sql import ask
from tests.hostile.cases import POLICIES, TEXTS, UNREADABLE, WORKBOOKS, ZIPS
from tests.pipeline.season import NOW, registers, season, sheets

READABLE = [*ZIPS, *WORKBOOKS, *TEXTS, *POLICIES]
MOST_SECONDS = 30.0
"""For one hostile deposit, on a machine shared with other tests; each takes below 3 s alone."""


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """Make an archive of two gaugings."""
    return season(tmp_path_factory.mktemp("season"))


def _ids(cases):
    return [f"{number}-{case[0].replace(' ', '-')}" for number, case in enumerate(cases)]


def _outside(folder):
    return sorted((p, p.lstat().st_size, p.lstat().st_mtime_ns) for p in folder.rglob("*"))


def _run(root, deposit):
    begun = time.monotonic()
    done = CliRunner().invoke(app, ["ingest", str(deposit), "--archive", str(root)], catch_exceptions=False)
    assert time.monotonic() - begun < MOST_SECONDS
    assert not any(character in done.output for character in "\x1b\u202e\u200b"), done.output
    return done


@pytest.mark.parametrize(
    ("make", "words"),
    # one by one every third; all of them in one call below, and one by one in the long form
    [pytest.param(*case[1:], marks=[pytest.mark.soak] if n % 3 else []) for n, case in enumerate(READABLE)],
    ids=_ids(READABLE),
)
def test_what_can_be_read_is_sealed_and_answered(make, words, root, tmp_path):
    """The sentence says what was expected; the bytes are sealed; nothing is written outside; what stood stands."""
    deposit = make(tmp_path)
    before, standing = _outside(root.parent / "first") + _outside(tmp_path), len(Archive(root).standing("gaugings"))
    done = _run(root, deposit)
    assert words in done.stderr
    assert done.exit_code == (0 if words == "not a table" else 1), done.stderr
    assert before == _outside(root.parent / "first") + _outside(tmp_path)
    archive = Archive(root)
    assert archive.sealed.contains(read_deposit(deposit).digest)
    assert standing <= len(archive.standing("gaugings")) <= standing + 2
    assert {p.name for p in root.parent.iterdir()} == {"archive", "registers", "first"}


@pytest.mark.parametrize(("make", "words"), [case[1:] for case in UNREADABLE], ids=_ids(UNREADABLE))
def test_what_cannot_be_read_is_refused_in_words(make, words, root, tmp_path):
    """Nothing is taken and nothing is sealed, and the sentence says why."""
    deposit = make(tmp_path)
    head = Archive(root).ledger.head_number()
    done = _run(root, deposit)
    assert done.exit_code == 1
    assert words in done.stderr
    assert head == Archive(root).ledger.head_number()


def test_the_good_one_among_all_of_them_is_taken(tmp_path):
    """One call with every hostile deposit and a good one takes the good one; the audit computes all of it again."""
    root = tmp_path / "archive"
    ingest(root, [registers(tmp_path / "registers")], now=NOW)
    places = [tmp_path / f"{number}" for number in range(len(READABLE))]
    for place in places:
        place.mkdir()
    made = [make(place) for place, (_, make, _) in zip(places, READABLE, strict=True)]
    taken = ingest(root, [*made, sheets(tmp_path / "good", "9")], now=NOW)
    assert "9" in set(Archive(root).standing("gaugings")["label"])
    told = set(taken.prepared.problems["deposit"]) | set(taken.prepared.notes["deposit"])
    assert {deposit.digest for deposit in taken.deposits[:-1]} == told
    for page in (root / "returned").glob("*.json"):
        json.loads(page.read_text(encoding="utf-8"))
    assert audit(root).faults == ()


STRANGE = [
    "CON",
    "nul",
    "S1.",
    "...",
    "../../x",
    "a/b",
    "a\\b",
    "~",
    "-rf",
    "%2e%2e",
    "x" * 300,
    "é\u0301",
    "$(id)",
]
SQL = ["'; DROP TABLE gaugings; --", '" OR 1=1 --', "{value}", "%s", "=1+1", "@SUM(A1)"]


def test_strange_names_are_only_names(tmp_path):
    """Reserved, climbing and commanding words serve as codes of sites and labels, and touch nothing but their rows."""
    copy = season(tmp_path)
    outside = {path.name for path in tmp_path.iterdir()}
    folder = sheets(tmp_path / "d", *[str(day) for day in range(1, 1 + len(STRANGE) + len(SQL))])
    (folder / "sites.csv").write_text(
        "site,name,latitude,longitude,utc_offset\n"
        + "".join(f'"{_quoted(name)}",x,1,2,+00:00\n' for name in STRANGE + SQL)
    )
    for table in ("gaugings", "points", "gauge_heights"):
        text = (folder / f"{table}.csv").read_text()
        head, *rows = text.splitlines()
        (folder / f"{table}.csv").write_text(head + "\n" + "".join(f"{_renamed(head, row)}\n" for row in rows))
    before = _outside(folder)
    taken = ingest(copy, [folder], now=NOW)
    assert taken.all_good, taken.prepared.problems.to_dict("records")
    archive = Archive(copy)
    assert set(STRANGE + SQL) <= set(archive.standing("gaugings")["site"])
    assert set(STRANGE + SQL) <= set(ask(archive, "SELECT label FROM gaugings")["label"].to_pylist())
    assert before == _outside(folder)
    assert {path.name for path in tmp_path.iterdir()} == outside | {"d"}
    assert audit(copy).faults == ()
    done = CliRunner().invoke(
        app, ["query", "SELECT site, label FROM gaugings", "--archive", str(copy), "--format", "csv"]
    )
    assert not any(cell.startswith(("=", "@", "-")) for row in done.stdout.splitlines() for cell in row.split(","))


def _quoted(name):
    return name.replace('"', '""')


def _renamed(head, row):
    cells = dict(zip(head.split(","), row.split(","), strict=True))
    name = f'"{_quoted((STRANGE + SQL)[int(cells["gauging"]) - 1])}"'
    cells |= {key: name for key in ("gauging", "site") if key in cells}
    return ",".join(cells.values())
