"""A record is derived where its inputs changed, and only there: what each was derived from is named in the ledger."""

from __future__ import annotations

import shutil

import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.pipeline import derive as deriving
from stillwell.pipeline.adopt import adopt, deposit_of
from stillwell.pipeline.audit import audit
from stillwell.pipeline.committing import office_policy
from stillwell.pipeline.derive import derivations, derive, sites_of
from stillwell.pipeline.ingest import compact
from stillwell.pipeline.rebuild import rebuild
from stillwell.prepare import CommitContext, watermarks
from stillwell.prepare.files_read import InputView
from stillwell.prepare.records import TABLES, derived, recorded_sites
from tests.pipeline.season import NOW, season, sheets, take

HOURS = pd.date_range("2025-05-01T00:00Z", periods=30, freq="1h").strftime("%Y-%m-%dT%H:%M:%SZ")


def logger(folder, site, values=(1.5,) * 30):
    """Write an hour of stage each for a site."""
    folder.mkdir()
    rows = pd.DataFrame({"site": site, "time": HOURS[: len(values)], "stage_m": values})
    rows.to_csv(folder / "stage.csv", index=False)
    return folder


def rating(site, name="R", since="2025-01-01T00:00Z"):
    """Write down ``Q = 10 (h - 0.5)^2`` for a site."""
    one = {"rating": f"{name}-{site}", "site": site, "valid_from": since, "by": "H1", "reason": "made up"}
    segment = {"segment": 1, "from_m": 0.5, "coefficient": 10.0, "zero_stage_m": 0.5, "exponent": 2.0}
    return deposit_of(one["rating"], {"ratings": [one], "rating_segments": [{"rating": one["rating"]} | segment]})


@pytest.fixture(scope="module")
def derived_root(tmp_path_factory):
    """Make an archive of two sites with stage, a rating and a record each; S1 has gaugings with staff readings."""
    folder = tmp_path_factory.mktemp("marks")
    root = season(folder)
    for site in ("S1", "S2"):
        take(root, logger(folder / site, site), render_now=False)
        adopt(root, rating(site), by="H1", now=NOW, render_now=False)
    derive(root, by="H1", now=NOW, render_now=False)
    return root


@pytest.fixture
def root(derived_root, tmp_path):
    """Copy the archive, to be changed."""
    return shutil.copytree(derived_root, tmp_path / "copy" / "archive")


def read_sites(monkeypatch):
    """Note the sites whose records are derived from now on."""
    seen, real = [], deriving.derived_from_change

    def noted(view, site, *more):
        seen.append(site)
        return real(view, site, *more)

    monkeypatch.setattr(deriving, "derived_from_change", noted)
    return seen


def _table(folder, table, **cells):
    """Write a deposit of one row."""
    folder.mkdir()
    (folder / f"{table}.csv").write_text(",".join(cells) + "\n" + ",".join(cells.values()) + "\n")
    return folder


SPAN = {"from": "2025-05-01T05:00Z", "to": "2025-05-01T07:00Z"}
SAID = {"by": "H1", "reason": "made up"}
SHIFT = {"rating": "R-S1", "from": "2025-05-01T05:00Z", "shift_m": "0.1", **SAID}
SITE = {"site": "S1", "name": "Site 1", "latitude": "11", "longitude": "20", "utc_offset": "+02:00"}
POLICY = "[limits]\nrating_uncertainty_pct = { value = 20, source = 'made up' }\n"


def _policy(root, folder):
    folder.with_suffix(".toml").write_text(POLICY)
    take(root, folder.with_suffix(".toml"))


CHANGES = {
    "stage": lambda root, d: take(root, logger(d, "S1", (1.5, 1.6))),
    "corrections": lambda root, d: take(
        root, _table(d, "corrections", site="S1", **SPAN, start_m="0", end_m="0.1", **SAID)
    ),
    "conditions": lambda root, d: take(root, _table(d, "conditions", site="S1", **SPAN, condition="ice", **SAID)),
    "sites": lambda root, d: take(root, _table(d, "sites", **SITE)),
    "ratings": lambda root, d: adopt(root, rating("S1", "Q", "2025-05-01T12:00Z"), by="H1", now=NOW),
    "shifts": lambda root, d: adopt(root, deposit_of("shift", {"shifts": [SHIFT]}), by="H1", now=NOW),
    "gauge_heights": lambda root, d: take(root, sheets(d, "7")),
    "policies": _policy,
}
"""By table: a change of its rows that bears on the record of S1, and of S2 only where it is the policy."""


@pytest.mark.parametrize("table", CHANGES)
def test_a_change_of_one_input_derives_the_site_again_and_no_other(table, root, tmp_path, monkeypatch):
    """Each table that a record is derived from, changed alone; another site's record is left alone but for a policy."""
    before = len(Archive(root).read(table))
    CHANGES[table](root, tmp_path / "change")
    assert len(Archive(root).read(table)) > before
    seen, current = read_sites(monkeypatch), []
    made = [sites_of(entry) for entry, _ in derivations(root, by="H1", now=NOW, current=current.extend)]
    expected = ["S1", "S2"] if table == "policies" else ["S1"]
    assert seen == expected
    assert made == [expected]
    assert current == sorted({"S1", "S2"} - set(expected))
    assert derive(root, by="H1", now=NOW) == (None, {})


def test_every_table_that_a_record_reads_is_among_its_inputs(root):
    """What ``derived`` reads through a view is named in the marks, and each of them has a change tried above."""
    view = InputView(Archive(root, complete=True))
    derived(view, ["S1"], CommitContext(0, NOW(), "H1", "0", *office_policy(), ""))
    read = {table for table, _ in view._files} - set(TABLES)
    named = {*watermarks.OF_SITE, *watermarks.OF_RATINGS}
    assert read == named
    # segments come with their rating and in no other way
    assert named <= CHANGES.keys() | {"rating_segments"}


def test_a_segment_changes_the_mark_of_its_site_alone(root):
    """One cell of a segment, shift or rating of S1 is another digest for S1, and the same for S2."""
    archive = Archive(root, complete=True)

    class Changed:
        """The archive with one table's numbers moved at S1."""

        def __init__(self, table, column):
            self.table, self.column = table, column

        def standing(self, table, sites=None):
            rows = archive.standing(table, sites)
            if table == self.table:
                rows.loc[rows["rating"] == "R-S1", self.column] = 11.5
            return rows

    before = watermarks.rating_digests(archive, ["S1", "S2"])
    for table, column in (("rating_segments", "coefficient"), ("ratings", "gauged_to_m")):
        after = watermarks.rating_digests(Changed(table, column), ["S1", "S2"])
        assert after["S2"] == before["S2"]
        assert {name for name in before["S1"] if after["S1"][name] != before["S1"][name]} == {f"rows:{table}"}


def test_sites_up_to_date_are_skipped_without_reading_their_rows(root, tmp_path, monkeypatch):
    """With S2 changed no table file of S1 is opened but those of ratings, which are of all sites; nor with no news."""
    opened, real = [], Archive.read

    def read(self, table, sites=None, *more, **others):
        if sites is None or "S1" in sites:
            opened.append(table)
        return real(self, table, sites, *more, **others)

    monkeypatch.setattr(deriving, "render_after", lambda *a, **k: None)  # a rendering reads what it renders
    take(root, logger(tmp_path / "more", "S2", (1.7,)))
    monkeypatch.setattr(Archive, "read", read)
    derive(root, by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    assert "ratings" in opened
    assert set(opened) <= {*watermarks.OF_RATINGS, "policies"}


def test_a_night_without_news_takes_no_lock_and_writes_nothing(root, monkeypatch):
    """Where every record is up to date the writer's lock is never asked for."""

    def refuse(*args, **more):
        raise AssertionError

    monkeypatch.setattr(deriving, "writing", refuse)
    number = Archive(root).ledger.head_number()
    assert derive(root, by="H1", now=NOW) == (None, {})
    assert Archive(root).ledger.head_number() == number


def test_inputs_that_change_no_row_leave_a_mark_that_is_proved_and_rebuilt(root, tmp_path):
    """The register handed in with the same offset makes no row: an entry without files of tables keeps the mark."""
    take(root, _table(tmp_path / "change", "sites", **SITE | {"utc_offset": "+00:00", "name": "Renamed"}))
    entry, tables = derive(root, by="H1", now=NOW)
    assert tables == {}
    assert [file for file in entry.files if file.table] == []
    assert list(entry.made_from) == ["record:S1"]
    assert derive(root, by="H1", now=NOW) == (None, {})
    assert audit(root).faults == ()
    made = rebuild(root, tmp_path / "again")
    assert made.different == ()
    digests = [Archive(one).ledger.digests() for one in (root, tmp_path / "again")]
    assert digests[0] == digests[1]


def test_a_compaction_leaves_every_record_up_to_date(root):
    """The rows are what they were, wherever they lie."""
    entry, _ = compact(root, most=0, by="T1", now=NOW)
    assert entry is not None
    assert derive(root, by="H1", now=NOW) == (None, {})


def test_an_archive_without_marks_derives_each_record_once(root, monkeypatch):
    """As of format 1: no mark, the rows come out as they stand, and from then on the records are up to date."""
    with monkeypatch.context() as patch:
        patch.setattr(deriving, "records_behind", lambda archive, marks: sorted(marks))
        entry, tables = derive(root, by="H1", now=NOW)
    assert tables == {}
    assert sites_of(entry) == recorded_sites(Archive(root)) == ["S1", "S2"]
    assert derive(root, by="H1", now=NOW) == (None, {})


@pytest.mark.parametrize(("constant", "module"), [("DERIVATION", watermarks), ("RULES", deriving)])
def test_another_number_of_the_arithmetic_derives_every_record(constant, module, root, monkeypatch):
    """A version that computes otherwise leaves no record as it was."""
    assert deriving._behind(Archive(root, complete=True), ["S1", "S2"]) == []
    monkeypatch.setattr(module, constant, 99)
    assert deriving._behind(Archive(root, complete=True), ["S1", "S2"]) == ["S1", "S2"]


def test_a_mark_that_names_other_ratings_or_another_policy_is_unlike_what_stood(root):
    """The audit's comparison names each input that is not what it was; none of an honest entry."""
    archive = Archive(root, complete=True)
    entry = next(e for e in reversed(archive.ledger.entries()) if e.made_from and e.reason == "derive")
    policy = entry.made_from["record:S1"]["policy"]
    assert watermarks.marks_unlike(archive, entry, policy) == []
    entry.made_from["record:S1"]["rows:shifts"] = "0" * 64
    entry.made_from["record:S2"]["policy"] = "1" * 64
    found = watermarks.marks_unlike(archive, entry, policy)
    assert len(found) == 2
    assert "rows:shifts" in found[0]
    assert "policy" in found[1]
