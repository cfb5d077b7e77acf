"""Reports: whole, self-contained, escaped, the same every time, and in words where something is missing."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.errors import QueryError
from stillwell.fingerprint import sha512
from stillwell.pipeline.adopt import adopt, deposit_of
from stillwell.pipeline.derive import derive
from stillwell.reporting import gauging_report, meter_report, report, season_report, site_report
from tests.pipeline.season import NOW, season, take
from tests.reporting.shelf import FEW, HOSTILE, PLAIN, REVERSED, ZERO, shelf
from tests.room.conftest import opened

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
CONTROLS = ("Files", "Gaugings as JSON")
"""Headings of the room that stand over links only."""


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
    assert f"Gaugings that stand {len(standing)} Deposits" in page.text
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


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """Make an archive of a site with a fitted rating, hourly stage of 400 days and the record derived from both."""
    tmp = tmp_path_factory.mktemp("recorded")
    root = season(tmp, "1", render_now=False)
    stage = 0.6 + 0.3 * np.sin(np.arange(400 * 24) / 500)
    times = pd.date_range("2024-10-01", periods=stage.size, freq="h").strftime("%Y-%m-%dT%H:%MZ")
    (tmp / "stage").mkdir()
    rows = [f"S1,{time},{value:.4f}\n" for time, value in zip(times, stage, strict=True)]
    (tmp / "stage" / "stage.csv").write_text("site,time,stage_m\n" + "".join(rows))
    take(root, tmp / "stage", render_now=False)
    rating = {"rating": "R<1>", "site": "S1", "valid_from": "2024-10-01T00:00Z", "by": "H1", "reason": "gauged anew",
              "gauged_from_m": 0.3, "gauged_to_m": 0.85, "covariance": "[[0.01,0,0],[0,0.01,0],[0,0,0.0001]]",
              "standard_error_pct": 5.0, "freedom": 10.0}  # fmt: skip
    segment = {"rating": "R<1>", "segment": 1, "from_m": 0.1, "coefficient": 5.0, "zero_stage_m": 0.1, "exponent": 2.0}
    deposit = deposit_of("rating", {"ratings": [rating], "rating_segments": [segment]})
    adopt(root, deposit, by="H1", now=NOW, render_now=False)
    derive(root, by="H1", now=NOW, render_now=False)
    return Archive(root)


def test_ratings_and_records_are_shown_where_they_are(recorded, archive):
    """A site with rating and record shows them; one without leaves them out, and says that it has no rating."""
    shown = Page(site_report(recorded, "S1"))
    for words in (
        "Rating R<1>",
        "from each stage up From, m C Zero flow e, m Exponent β 0.1 5 0.1 2 ",
        "dashed where it goes beyond",
        "Flow duration and years",
        "above the highest gauging",
        "interval of 95 % of the rating",
    ):
        assert words in shown.text
    assert "the office's figure" not in shown.text
    unsure = Page(site_report(archive, "INV-ORM"))
    assert "its band is the office's figure, ± 10 % (95 %)" in unsure.text
    assert "interval of 95 % of the rating" in unsure.text
    bare = Page(site_report(archive, "INV-MIL"))
    assert "Flow duration" not in bare.text
    assert "holds no rating" in bare.text


def test_a_gauging_is_held_against_the_rating_of_its_day(archive):
    """The deviation is 100 (Q/Q_rated - 1) with Q_rated = 7.3 (h + 0.04)^1.69, the rating in force then (by hand)."""
    segment = archive.standing("rating_segments").set_index("rating").loc["INV-ORM-A"]
    assert segment[["coefficient", "zero_stage_m", "exponent"]].tolist() == [7.3, -0.04, 1.69]
    row = archive.standing("gaugings").set_index("gauging_id").loc[SUBJECTS[1]]
    off = 100 * (row["discharge_m3_s"] / (7.3 * (row["gauge_height_m"] + 0.04) ** 1.69) - 1)
    page = Page(gauging_report(archive, SUBJECTS[1]))
    assert f"It lies {off:+.1f} % from rating INV-ORM-A" in page.text


@pytest.mark.parametrize(("subject", "address"), [
    (SUBJECTS[0], f"/gaugings/{SUBJECTS[0]}"), (SUBJECTS[2], f"/gaugings/{SUBJECTS[2]}"),
    ("meter:INV-AC3", "/meters/INV-AC3"), ("site:INV-MIL", "/sites/INV-MIL"),
])  # fmt: skip
def test_a_report_holds_what_the_page_of_the_room_holds(archive, subject, address):
    """Every heading, caption, number and note of the room's page that is no control stands in the report too."""
    told = Page(report(archive, subject)).text
    with opened(SAMPLE) as room:
        page = room.get(address).text.partition("<main")[2].partition("</main>")[0]
    for control in (
        r'<p class="downloads">.*?</p>',
        r"<nav.*?</nav>",
        r"<form.*?</form>",
        r"<p[^>]*><a[^>]*>[^<]*</a></p>",
    ):
        page = re.sub(control, "", page, flags=re.DOTALL)
    headings = re.findall(r"<h[123][^>]*>(.*?)</h[123]>", page)
    sentences = re.findall(r"<(?:caption|dd|td class=\"n\"|p class=\"small\")>(.*?)</", page)
    texts = [unescape(re.sub("<[^>]+>", "", text)).strip() for text in headings + sentences]
    assert len(texts) > 20
    assert [text for text in texts if " ".join(text.split()) not in told and text not in CONTROLS] == []


def test_damaged_bytes_do_not_hide_the_rest(shelved, tmp_path):
    """Where a sealed file is not as it was sealed, the page says so in place of the paths."""
    root = Path(shutil.copytree(shelved.root, tmp_path / "damaged"))
    for file in (root / "sealed").rglob("points.csv"):
        file.chmod(0o644)
        file.write_bytes(file.read_bytes().replace(b"0.4", b"0.5"))
    page = Page(gauging_report(Archive(root), f"{PLAIN}.M1"))
    assert "The sealed bytes could not be shown" in page.text
    assert "Every byte of these deposits was read" not in page.text
