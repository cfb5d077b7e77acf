"""Reports: whole, self-contained, escaped, the same every time, and in words where something is missing."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.errors import QueryError
from stillwell.fingerprint import sha512
from stillwell.reporting import gauging_report, meter_report, report, season_report, site_report
from tests.reporting.shelf import FEW, HOSTILE, PLAIN, REVERSED, ZERO, shelf

SAMPLE = Path(__file__).parents[2] / "sample_archive" / "archive"
VOID = {"meta", "br", "link", "img", "input", "hr"}
SUBJECTS = (
    "INV-KES.20241009T111000Z.INV-AC1",
    "INV-ORM.20241030T113000Z.INV-AC3",
    "INV-KES.20250910T170000Z",
    "INV-ORM.20250523T144000Z.INV-MB1",
    "INV-KES.20250524T153000Z",
    "meter:INV-AC3",
    "meter:INV-RE1",
    "site:INV-ORM",
    "season:2024-10-01/2025-10-01",
    "season:2030-01-01/2031-01-01",
)


class Page(HTMLParser):
    """A page read strictly: every element closed where it must be, ids once, text and attributes kept."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open, self.tags, self.ids, self.words, self.attributes = [], [], [], [], []
        self.feed(html)
        self.close()
        assert self.open == [], self.open

    def handle_starttag(self, tag, attrs):
        """Open an element."""
        self.tags.append(tag)
        self.words.append(" " if tag in {"p", "td", "th", "dt", "dd", "h1", "h2", "h3", "li"} else "")
        self.attributes += [(tag, *a) for a in attrs]
        self.ids += [v for k, v in attrs if k == "id"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        """Take an element without content."""
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        """Close the element opened last."""
        assert self.open.pop() == tag

    def handle_data(self, data):
        """Keep what is to be read."""
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        """All that is to be read, blanks evened out."""
        return re.sub(r"\s+", " ", "".join(self.words))


@pytest.fixture(scope="module")
def archive():
    """Open the sample archive."""
    return Archive(SAMPLE)


@pytest.fixture(scope="module")
def shelved(tmp_path_factory):
    """Make the archive of hostile labels once."""
    return shelf(tmp_path_factory.mktemp("shelf"))


@pytest.mark.parametrize("subject", SUBJECTS)
def test_a_report_stands_by_itself(archive, subject):
    """One page under 2 MB, well-formed, ids once, no script, nothing fetched, nothing run, the same bytes again."""
    html = report(archive, subject)
    assert len(html.encode()) < 2_000_000
    page = Page(html)
    assert len(page.ids) == len(set(page.ids))
    assert not {"script", "iframe", "object", "embed", "link", "img", "form", "base"} & set(page.tags)
    for tag, name, value in page.attributes:
        assert not name.startswith("on"), (tag, name)
        assert name not in {"src", "srcset", "action", "style", "xlink:href"}, (tag, name)
        if name == "href":
            assert value.startswith("#")
    sheet = "".join(re.findall(r"<style>(.*?)</style>", html, re.DOTALL))
    assert not re.search(r"@import|url\(", sheet)
    assert "@page{size:A4" in sheet
    assert html == report(archive, subject)
    assert "entering the water is safe" in page.text
    assert not re.search(r"\bnan\b|NaT|<NA>|\bNone\b", page.text)


def test_gauging_says_what_stands_in_the_tables(archive):
    """Result, both uncertainties, quality, findings with sources and the share limits are those of the archive."""
    row = archive.standing("gaugings").set_index("gauging_id").loc[SUBJECTS[0]]
    page = Page(gauging_report(archive, SUBJECTS[0]))
    for said in (
        f"{row['discharge_m3_s']:.4f}",
        f"{row['uncertainty_table_pct']:.2f}",
        f"{row['uncertainty_scatter_pct']:.2f}",
    ):
        assert said in page.text
    assert "as remembered and unverified" in page.text
    findings = archive.standing("findings")
    mine = findings[findings["gauging_id"] == SUBJECTS[0]]
    assert set(mine["code"]) <= set(re.findall(r"[a-z]+(?:-[a-z]+)+", page.text))
    assert all(source in page.text for source in mine["source"].unique())
    verticals = archive.standing("verticals")
    over = (verticals.loc[verticals["gauging_id"] == SUBJECTS[0], "share_pct"] > 5).sum()
    assert f"No panel carries more than 10 %. {over} carry more than 5 %." in page.text


def test_provenance_names_deposits_and_sealed_files(archive):
    """Every deposit's digest and every sealed file's path and sha512 stand on the page, and the files are there."""
    html = gauging_report(archive, SUBJECTS[0])
    row = archive.standing("gaugings").set_index("gauging_id").loc[SUBJECTS[0]]
    assert row["deposit"] in html
    assert row["policy_digest"] in html
    paths = re.findall(r"<p>(sealed/[^<]+)</p><p>([0-9a-f]{128})</p>", html)
    assert len(paths) >= 4
    for path, digest in paths:
        assert digest == sha512((SAMPLE / path).read_bytes())


def test_withdrawn_is_said_first(archive):
    """A withdrawn gauging is shown for the record, with who withdrew it and why, and never as standing."""
    page = Page(gauging_report(archive, "INV-KES.20250524T153000Z"))
    reviews = archive.standing("reviews").set_index("subject")
    reason = reviews.loc["INV-KES.20250524T153000Z", "reason"]
    assert page.text.index("Withdrawn. No revision of this gauging stands") < page.text.index("m³/s")
    assert reason in page.text
    assert "It is kept out of ratings: it was withdrawn." in page.text


def test_as_of_shows_what_was_known_then(archive):
    """Before the second commit an approval was not known; before the first nothing was."""
    first, second = (archive.ledger.entry(n).recorded_at for n in (1, 2))
    assert "nobody has reviewed it" in gauging_report(archive, SUBJECTS[0], as_of=first)
    assert "A person has reviewed" in gauging_report(archive, SUBJECTS[0], as_of=second)
    with pytest.raises(QueryError, match="first recorded"):
        gauging_report(archive, SUBJECTS[0], as_of=datetime(2020, 1, 1, tzinfo=UTC))


def test_hostile_labels_are_text(shelved):
    """A site's name, a remark, a reason and a deposit's name full of markup appear as they are, and as nothing else."""
    pages = [f"{PLAIN}.M1", "S1.20250505T100000Z.M1", "site:S1", "meter:M1", "season:2025-01-01/2026-02-01"]
    seen = ""
    for subject in pages:
        page = Page(report(shelved, subject))
        assert not {"script", "b", "i"} & set(page.tags), subject
        seen += page.text
    assert seen.count(HOSTILE) >= 4
    assert "wrong <i>" in seen


def test_zero_reversed_and_few_are_said_in_words(shelved):
    """Observed zero, flow upstream, and a single vertical each give a report that says so."""
    assert "No flow: somebody looked, and no water ran." in Page(gauging_report(shelved, ZERO)).text
    upstream = Page(gauging_report(shelved, f"{REVERSED}.M1"))
    assert "The sum runs upstream." in upstream.text
    assert "below 0: upstream" in upstream.text
    few = Page(gauging_report(shelved, f"{FEW}.M1"))
    assert "verticals-few" in few.text
    assert "its own scatter" in few.text


def test_meter_report_holds_every_check(shelved):
    """Verdicts and reasons are those recorded; the unfit check touches the gaugings since the last healthy one."""
    page = Page(meter_report(shelved, "M1"))
    checks = shelved.standing("checks")
    assert all(f"{n} {word}" in page.text for n, word in ((1, "unfit"), (2, "checks healthy")))
    assert all(reason in page.text for reason in checks["reasons"].dropna() if reason)
    with pytest.raises(QueryError, match="register names"):
        meter_report(shelved, "M9")
    unknown = Page(meter_report(shelved, "M2"))
    assert "never checked" in unknown.text


def test_season_lists_what_was_returned_and_what_waits(shelved):
    """Each reason stands with its place; a season without gaugings says so; bad spans are refused."""
    season = (datetime(2025, 1, 1, tzinfo=UTC), datetime(2026, 1, 1, tzinfo=UTC))
    page = Page(season_report(shelved, *season))
    assert "0 to 200 m" in page.text
    assert "points.csv, line" in page.text
    standing = shelved.standing("gaugings")
    assert f"{len(standing)} gaugings stand" in page.text
    assert f"waiting for a review: {(standing['status'] == 'provisional').sum()}" in page.text
    assert "Sites without a gauging in this season: 1. S2" in page.text
    for wrong in (season[::-1], (datetime(2025, 1, 1), season[1])):
        with pytest.raises(QueryError, match="two moments"):
            season_report(shelved, *wrong)
    for text in ("season:2025", "season:2025-13-01/2026-01-01", "season:2025-01-01T00:00/2026-01-01"):
        with pytest.raises(QueryError, match="season as FROM/UNTIL"):
            report(shelved, text)


def test_unknown_subjects_are_refused_in_words(shelved):
    """What is not in the archive is refused, and what could be asked is said."""
    for subject in ("nothing", "site:S9", "meter:"):
        with pytest.raises(QueryError, match="expected"):
            report(shelved, subject)


class Shelf:
    """An archive with tables of ratings and records beside its own."""

    def __init__(self, archive, tables):
        self._archive, self._tables = archive, tables

    def __getattr__(self, name):
        """Ask the archive itself."""
        return getattr(self._archive, name)

    def tables(self):
        """Name the archive's tables and those beside them."""
        return [*self._archive.tables(), *self._tables]

    def at(self, moment):
        """Return it as it stands, which is all it can tell."""
        assert moment is None
        return self

    def standing(self, table, sites=None):
        """Read a table beside, or one of the archive's."""
        return self._tables[table] if table in self._tables else self._archive.standing(table, sites)


def _tables(site):
    time = pd.date_range("2024-10-01", periods=400 * 24, freq="h", tz="UTC").as_unit("us")
    stage = 0.6 + 0.3 * np.sin(np.arange(time.size) / 500)
    flow = 5 * (stage - 0.1) ** 2
    day = pd.DataFrame({"day": time.strftime("%Y-%m-%d"), "q": flow}).groupby("day")["q"]
    rating = {"rating": "R<1>", "site": site, "valid_from": pd.Timestamp("2024-10-01", tz="UTC"), "by": "H1",
              "recorded_at": pd.Timestamp("2025-01-01", tz="UTC")}  # fmt: skip
    segment = {"rating": "R<1>", "segment": 1, "from_m": 0.1, "to_m": np.nan, "coefficient": 5.0}
    return {
        "ratings": pd.DataFrame([rating | {"reason": "gauged anew", "gauged_from_m": 0.3, "gauged_to_m": 0.9,
                                           "covariance": "[[0.01,0,0],[0,0.01,0],[0,0,0.0001]]",
                                           "standard_error_pct": 5.0, "freedom": 10.0}]),
        "rating_segments": pd.DataFrame([segment | {"zero_stage_m": 0.1, "exponent": 2.0}]),
        "shifts": pd.DataFrame(columns=["rating", "from", "stage_m", "shift_m", "uncertainty_m"]),
        "discharge": pd.DataFrame({"site": site, "time": time, "discharge_m3_s": flow, "uncertainty_m3_s": 0.1 * flow,
                                   "marks": np.where(stage > 0.85, "above-gauged ice", "")}),
        "daily": pd.DataFrame({"site": site, "day": day.mean().index, "mean_m3_s": day.mean().to_numpy(),
                               "minimum_m3_s": day.min().to_numpy(), "maximum_m3_s": day.max().to_numpy()}),
    }  # fmt: skip


def test_ratings_and_records_are_shown_where_they_are(archive):
    """With tables of ratings, discharge and daily values the site's page holds them; without, it leaves them out."""
    shown = Page(site_report(Shelf(archive, _tables("INV-MIL")), "INV-MIL"))
    for said in (
        "Rating R<1>",
        "Q = 5 (h − 0.1)2",
        "dashed where it goes beyond",
        "Flow duration and years",
        "above-gauged",
    ):
        assert said in shown.text
    assert "interval of 95 % of the rating" in shown.text
    assert "the office's figure" not in shown.text
    unsure = _tables("INV-MIL")
    unsure["ratings"] = unsure["ratings"].assign(covariance=None)
    told = Page(site_report(Shelf(archive, unsure), "INV-MIL"))
    assert "its band is the office's figure, ± 10 % (95 %)" in told.text
    assert "interval of 95 % of the rating" in told.text
    bare = Page(site_report(archive, "INV-MIL"))
    assert "Flow duration" not in bare.text
    assert "holds no rating" in bare.text
    empty = {name: rows.iloc[:0] for name, rows in _tables("INV-MIL").items()}
    assert bare.text == Page(site_report(Shelf(archive, empty), "INV-MIL")).text


def test_a_gauging_is_held_against_the_rating_of_its_day(archive):
    """The deviation is 100 (Q/Q_rated - 1) with the rating in force then (by hand)."""
    row = archive.standing("gaugings").set_index("gauging_id").loc[SUBJECTS[1]]
    rated = 5 * (row["gauge_height_m"] - 0.1) ** 2
    off = 100 * (row["discharge_m3_s"] / rated - 1)
    page = Page(gauging_report(Shelf(archive, _tables("INV-ORM")), SUBJECTS[1]))
    assert f"It lies {off:+.1f} % from rating R<1>" in page.text


def test_damaged_bytes_do_not_hide_the_rest(shelved, tmp_path):
    """Where a sealed file is not as it was sealed, the page says so in place of the paths."""
    root = Path(shutil.copytree(shelved.root, tmp_path / "damaged"))
    for file in (root / "sealed").rglob("points.csv"):
        file.chmod(0o644)
        file.write_bytes(file.read_bytes().replace(b"0.4", b"0.5"))
    page = Page(gauging_report(Archive(root), f"{PLAIN}.M1"))
    assert "The sealed bytes could not be shown" in page.text
    assert "Every byte of these deposits was read" not in page.text
