"""Whoever comes for the first time, or takes a wrong turn, is told what to type next."""

from __future__ import annotations

import re
import shutil
import socket
import sys
from pathlib import Path

import pytest

from stillwell import cli
from stillwell.archive.care.replica import replicate
from stillwell.archive.disk.layout import LOCK
from stillwell.archive.disk.lock import hold_lock
from stillwell.commands.next_steps import next_step
from stillwell.errors import CannotLock, PolicyError, RatingError, Withheld
from stillwell.pipeline.committing import utc_now
from stillwell.reading.printed.nearest import nearest

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_archive" / "archive"
ID = "INV-KES.20241009T111000Z.INV-AC1"


@pytest.fixture
def say(monkeypatch, capsys, tmp_path):
    """Run the program as from a shell in an empty folder; split what it said into code, stdout and stderr."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STILLWELL_ARCHIVE", raising=False)

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["stillwell", *map(str, words)])
        with pytest.raises(SystemExit) as done:
            cli.main()
        out, err = capsys.readouterr()
        return done.value.code, out, err

    return run


def test_alone_it_says_what_it_is_and_how_to_begin(say):
    """With no archive in sight: what this is and what to type, in at most ten lines, to stdout, exit 0."""
    code, out, err = say()
    assert (code, err) == (0, "")
    assert "defended hydrometric archive" in out
    assert "no archive in ./archive" in out
    for typed in ("stillwell template", "stillwell ingest", "stillwell --archive DIR", "stillwell --help"):
        assert typed in out
    assert len(out.splitlines()) <= 10


def test_inside_an_archive_it_says_what_is_in_it(say, monkeypatch):
    """In the archive's own folder no command needs --archive."""
    monkeypatch.chdir(SAMPLE)
    code, out, _ = say()
    assert code == 0
    assert "4 sites, 53 gaugings from 2024-10-09 to 2025-09-24; 4 commits" in out
    assert "--archive" not in out
    assert "INV-ORM" in say("list", "sites")[1]


@pytest.mark.parametrize("how", ["option", "path", "variable", "beside"])
def test_an_archive_is_found_however_it_is_named(say, monkeypatch, how):
    """Named before the command, as the one word, by the environment, or as ./archive."""
    words = {"option": ("--archive", SAMPLE), "path": (SAMPLE,)}.get(how, ())
    if how == "variable":
        monkeypatch.setenv("STILLWELL_ARCHIVE", str(SAMPLE))
    if how == "beside":
        monkeypatch.chdir(SAMPLE.parent)
    code, out, _ = say(*words)
    assert code == 0
    assert "53 gaugings" in out


def test_the_archive_named_nearest_to_the_command_counts(say, monkeypatch, tmp_path):
    """After the command before before it, that before the environment's, that before ./archive."""
    monkeypatch.setenv("STILLWELL_ARCHIVE", str(tmp_path / "other"))
    assert say("--archive", SAMPLE, "list", "sites")[0] == 0
    assert say("--archive", tmp_path / "other", "list", "sites", "--archive", SAMPLE)[0] == 0
    assert str(tmp_path / "other") in say("list", "sites")[2]


def test_a_path_that_is_no_archive_is_no_command(say, tmp_path):
    """Exit 2, and how it would be taken in."""
    (tmp_path / "sheets.csv").write_text("gauging\n", encoding="utf-8")
    code, out, err = say("sheets.csv")
    assert (code, out) == (2, "")
    assert "stillwell ingest sheets.csv" in err


NO_ARCHIVE = [
    ("list",),
    ("show", ID),
    ("query", "SELECT 1"),
    ("trace", ID),
    ("report", ID),
    ("serve",),
    ("rate", "S1"),
    ("derive",),
    ("record", "S1"),
    ("next",),
    ("audit",),
    ("rebuild", "--into", "new"),
    ("replicate", "--to", "copy"),
    ("compact",),
    ("withhold", "0123456789", "--by", "P1", "--reason", "law"),
    ("publish", "--out", "bag", "--by", "P1"),
    ("recompute",),
    ("review", ID, "--by", "P1", "--reason", "seen"),
]


@pytest.mark.parametrize("words", NO_ARCHIVE, ids=lambda words: words[0])
def test_without_an_archive_every_command_says_how_one_starts(say, words):
    """Exit 2, nothing on stdout, and the command that starts an archive or names another."""
    code, out, err = say(*words)
    assert (code, out) == (2, "")
    assert "next: `stillwell ingest DEPOSIT...` starts one there; --archive DIR or STILLWELL_ARCHIVE names" in err


WRONG = {
    ("list", "gauging"): "`stillwell list gaugings",
    ("show", ID[:-1] + "2"): f"nearest: {ID}",
    ("show", "INV-KES"): "that is a site: `stillwell list --site INV-KES",
    ("query", "SELECT * FROM gagings"): "SHOW TABLES",
    ("trace", ID[:-1] + "2"): f"nearest: {ID}",
    ("trace", "--forward", "INV-AC9"): "stillwell trace --forward METER",
    ("report", "site:INV-KEZ"): "nearest: INV-KES",
    ("report", "meter:INV-AC9"): "nearest: INV-AC",
    ("report", "season:2024"): "season:2024-10-01/2025-10-01",
    ("serve", "--host", "0.0.0.0"): "this machine only",
    ("rate", "INV-KEZ"): "nearest: INV-KES",
    ("rate", "INV-MIL", "--propose"): "`stillwell rate INV-MIL",
    ("rate", "INV-MIL", "--adopt", "B"): "--valid-from 2025-10-01T00:00Z",
    ("rate", "INV-KES", "--control", "weir"): "`stillwell rate INV-KES",
    ("derive", "INV-MIL"): "`stillwell rate INV-MIL --adopt NAME",
    ("derive", "INV-KES", "INV-MIL"): "`stillwell rate INV-MIL --adopt NAME",
    ("record", "INV-MIL"): "brings its stage; `stillwell rate INV-MIL --adopt NAME",
    ("record", "INV-KES", "--step", "hourly"): "--step daily",
    ("assess", "--policy", "nowhere.toml"): "SELECT * FROM policies",
    ("replicate", "--to", str(SAMPLE)): "stillwell replicate --to DIR",
    ("rebuild", "--into", str(SAMPLE)): "stillwell rebuild --into DIR",
    ("withhold", "zz", "--by", "P1", "--reason", "law"): "`stillwell list deposits",
    ("publish", "--out", str(SAMPLE / "bag"), "--by", "P1"): "licence, access, public_from FROM sites",
    ("publish", "--out", "bag", "--by", "P1", "--site", "NONE"): "licence, access, public_from FROM sites",
    ("ingest", "nowhere"): "`stillwell ingest --inbox FOLDER",
    ("audit", "--repair-from", "nowhere"): "`stillwell replicate --to DIR",
    ("replicate", "--to", str(ROOT / "README.md")): "stillwell replicate --to DIR",
    ("rebuild", "--into", str(ROOT / "README.md")): "stillwell rebuild --into DIR",
    ("query", "SELECT 1", "--output", "no/such.csv"): "--output FILE in a folder that exists",
    ("report", ID, "--output", "no/such.html"): "--output FILE in a folder that exists",
    ("trace", ID, "--output", "no/such.svg"): "--output FILE in a folder that exists",
    ("ingest", "--dry-run", str(ROOT / "README.md")): "`stillwell ingest --map MAP.toml --dry-run",
}


@pytest.mark.parametrize("words", WRONG, ids=" ".join)
def test_a_wrong_turn_leads_to_the_next_command(say, words):
    """Nothing on stdout; stderr says what is wrong, then, on a line of its own, what to type; the archive is named."""
    code, out, err = say(*words, "--archive", SAMPLE)
    assert code in (1, 2)
    assert out == ""
    line = next(line for line in err.splitlines() if line.startswith("next: "))
    assert WRONG[words] in line
    assert f"--archive {SAMPLE}" in line or "{at}" not in line
    assert "{" not in line


def test_a_port_that_is_held_leads_to_another(say):
    """Exit 1, and the option that names another port."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        held.listen()
        code, out, err = say("serve", "--port", held.getsockname()[1], "--archive", SAMPLE)
    assert (code, out) == (1, "")
    assert "next: `stillwell serve --port ANOTHER" in err


def test_a_policy_in_another_encoding_is_said_in_words(say, tmp_path):
    """Exit 2, the name of the file, and how a policy is tried."""
    (tmp_path / "policy.toml").write_bytes(b"[limits]\n# \xfcber\n")
    code, out, err = say("assess", "--policy", "policy.toml", "--archive", SAMPLE)
    assert (code, out) == (2, "")
    assert "policy.toml: expected UTF-8 text" in err
    assert "next: `stillwell assess --policy FILE" in err


def test_a_workbook_that_cannot_be_written_is_said_in_words(say):
    """Exit 2, nothing written; unknown units name the known ones."""
    for words in (("--output", "no/such.xlsx"), ("--output", "x.xlsx", "--units", "inch")):
        code, out, err = say("template", *words)
        assert (code, out) == (2, "")
        assert "next: " in err


def test_a_call_that_cannot_be_read_points_at_the_help(say):
    """A misspelt command is named, a missing option is said, with the help that tells more."""
    assert "Did you mean 'list'" in say("lst")[2]
    assert "stillwell withhold -h" in say("withhold", "0123456789")[2]


def test_a_site_without_gaugings_is_said_beside_the_empty_list(say):
    """The list is empty, exit 0, and stderr names the site that was perhaps meant."""
    code, _, err = say("list", "--site", "INVKES", "--archive", SAMPLE)
    assert code == 0
    assert "nearest: INV-KES" in err


def test_what_is_returned_says_how_to_hand_it_in_again(say, tmp_path):
    """After the reasons: put it right, template, or the dry run of a map; a review of nothing names what is near."""
    code, _, err = say("ingest", ROOT / "sample_archive" / "inbox" / "12_mistakes", "--archive", tmp_path / "new")
    assert code == 1
    last = err.splitlines()[-1]
    assert last.startswith("next: ")
    assert "stillwell template" in last
    assert "--dry-run" in last
    copy = shutil.copytree(SAMPLE, tmp_path / "copy")
    code, out, err = say("review", ID[:-1] + "2", "--by", "P1", "--reason", "seen", "--archive", copy)
    assert (code, out) == (1, "")
    assert f"next: nearest: {ID}" in err
    err = say("review", ID, "--decision", "maybe", "--by", "P1", "--reason", "seen", "--archive", copy)[2]
    assert "next: `stillwell review ID... --decision approved" in err


def test_damage_leads_to_a_copy_and_to_a_rebuild(say, tmp_path):
    """An audit with faults, a damaged ledger and a bad copy each name the repair."""
    copy = shutil.copytree(SAMPLE, tmp_path / "copy")
    replicate(copy, [tmp_path / "good"], utc_now())
    next((copy / "tables" / "points").rglob("*.parquet")).write_bytes(b"")
    code, _, err = say("audit", "--no-recompute", "--archive", copy)
    assert code == 1
    assert "next: `stillwell audit --repair-from COPY" in err
    assert "stillwell rebuild --into DIR" in err
    code, _, err = say("replicate", "--to", tmp_path / "second", "--archive", copy)
    assert code == 1
    assert "stillwell audit --repair-from COPY" in err
    (copy / "ledger" / "00000002.json").write_bytes(b"{}")
    code, _, err = say("list", "--archive", copy)
    assert code == 1
    assert "next: `stillwell audit --archive" in err


def test_a_second_writer_is_told_to_wait(say, tmp_path):
    """While another writer holds the lock, reading is named as what goes on."""
    copy = shutil.copytree(SAMPLE, tmp_path / "copy")
    (copy / LOCK).parent.mkdir(exist_ok=True)
    with hold_lock(copy / LOCK, utc_now()):
        code, _, err = say("compact", "--wait", "0.2", "--archive", copy)
    assert code == 1
    assert "next: the same command again" in err


@pytest.mark.parametrize("kind", [CannotLock, PolicyError, RatingError, Withheld])
def test_kinds_of_error_that_are_rare_have_their_words(kind):
    """Each leads to a command, or to the one the caller proposes."""
    assert re.search(r"`stillwell \w+", next_step(kind("expected"), SAMPLE, "`stillwell rate S1{at}`"))


def test_nearest_prefers_what_begins_so():
    """Beginning before holding before alike letters; nothing is near nothing."""
    names = ["INV-KES", "INV-ORM", "KES-2", "ALDER"]
    assert nearest("kes", names) == ["KES-2", "INV-KES"]
    assert nearest("INV-KEZ", names)[0] == "INV-KES"
    assert nearest("", names) == []
