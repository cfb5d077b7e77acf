"""Pages: every link leads somewhere, hostile labels stay labels, what is not there is said in words."""

from __future__ import annotations

import html
import re
import time
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from urllib.parse import parse_qs, unquote, urlencode, urlsplit

import pytest

from stillwell.archive.archive import Archive
from stillwell.pages import urls
from stillwell.pipeline.ingest import ingest
from tests.room.conftest import SAMPLE, archive_of, deposit, opened

SCRIPT = "<script>alert(1)</script>"
HOSTILE = [
    SCRIPT,
    "\"' onmouseover='alert(1)' x=\"",
    "</title></svg><img src=x onerror=alert(1)>",
    "{{ 7 * 7 }}{% raw %}",
    "a/b?c=d&e#f%2f..",
    "...",
    "=..",
    "a\\b",
    "javascript:alert(1)",
    "Størå 川 \U0001f30a",
]


class Seen(HTMLParser):
    """Tags and attributes of a page, to be held against what a label might have smuggled in."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes, self.links = [], [], []
        self._form = None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        """Note a tag."""
        self.tags.append(tag)
        self.attributes += [name for name, _ in attrs]
        self.links += [value for name, value in attrs if name in {"href", "src"}]
        given = dict(attrs)
        if tag == "form":
            self._form = (given["action"], {})
        elif tag == "input" and given.get("type") == "hidden" and self._form:
            self._form[1][given["name"]] = given["value"]

    def handle_endtag(self, tag):
        """A form leads to its address with what it sends unseen."""
        if tag == "form":
            path, hidden = self._form
            self.links.append(f"{path}?{urlencode(hidden)}" if hidden else path)
            self._form = None


def _group(address):
    """Tell addresses apart that a page may differ for; lines of a file, and windows of a series, are one page."""
    parts = urlsplit(address)
    query = parse_qs(parts.query)
    for name in ("lines", "from", "to"):
        query.pop(name, None)
    if parts.path.startswith("/download/"):
        query = dict.fromkeys(query, "") | {"site": query.get("site")}
    return parts.path, str(sorted(query.items()))


@pytest.mark.parametrize("most", [80, pytest.param(100_000, marks=pytest.mark.soak)])
def test_every_link_of_every_page_leads_somewhere(room, most):
    """From the first page on every address answers 200 and is of this room; the short form stops early."""
    todo, seen = ["/"], {_group("/")}
    pages = 0
    for address in todo:
        if pages == most:
            return
        answer = room.get(address)
        assert answer.status_code == 200, address
        if not answer.headers["content-type"].startswith("text/html"):
            continue
        pages += 1
        page = Seen(answer.text)
        assert not {a for a in page.attributes if a.startswith("on") or a == "style"}, address
        for link in page.links:
            assert link.startswith(("/", "#")), (address, link)
            assert not link.startswith("//"), (address, link)
            target = link.partition("#")[0]
            if target and _group(target) not in seen:
                seen.add(_group(target))
                todo.append(target)
    assert pages > 150
    gaugings = Archive(SAMPLE).standing("gaugings")["gauging_id"]
    assert {(urls.gauging(g), "[]") for g in gaugings} <= seen


def test_fragments_lead_to_something_on_their_page(room):
    """A link to a place in a page finds that place."""
    for address in ("/", "/sites/INV-WIN", "/gaugings/INV-WIN.20250813T170000Z.INV-AC2"):
        text = room.get(address).text
        targets = re.findall(r'href="#([^"]+)"', text)
        assert targets, address
        for target in targets:
            assert f'id="{target}"' in text


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """Make an archive of a site, river, meter and gauging of each hostile label."""
    tmp = tmp_path_factory.mktemp("hostile")
    folders = [
        deposit(tmp / f"{n}", label, f"name {label}", label, river=label, remarks=label, instrument=label)
        for n, label in enumerate(HOSTILE)
    ]
    ingest(tmp / "archive", folders, by="tester")
    sites = Archive(tmp / "archive").standing("sites")["site"]
    assert sorted(sites) == sorted(HOSTILE), "the deposits were not taken as they are"
    return tmp / "archive"


@pytest.mark.parametrize("label", HOSTILE)
def test_hostile_labels_stay_labels(hostile, label):
    """Whatever a site, river, meter, label or remark is called, it is shown as text and its page is found."""
    root = hostile
    (gauging,) = Archive(root).standing("gaugings", [label])["gauging_id"]
    addresses = [
        "/", urls.site(label), urls.gauging(gauging), urls.meter(label), "/findings", urls.trace(gauging),
        "/deposits",
        f"{urls.site(label)}/hydrograph",
    ]  # fmt: skip
    with opened(root) as room:
        for address in addresses:
            answer = room.get(address)
            assert answer.status_code == 200, address
            page = Seen(answer.text)
            assert page.tags.count("script") == 1, address
            assert page.tags.count("img") == 1, address
            assert not {a for a in page.attributes if a.startswith("on") or a == "style"}, address
            assert all(link.startswith(("/", "#")) for link in page.links), address
            assert "\u202e" not in re.sub(r' value="[^"]*"', "", answer.text), address
            assert ">49<" not in answer.text, address
        items = room.get(f"/collections/{urls.coded(label)}/items").json()
        assert [f["properties"]["site"] for f in items["features"]] == [label]


@pytest.mark.parametrize("code", ["=", "../..", "/", "a b", "%2e%2e"])
def test_a_code_is_one_segment_of_a_path(tmp_path, code):
    """A meter called like a way up is found under its own address, and its address climbs nowhere."""
    root = archive_of(tmp_path / "archive", deposit(tmp_path / "in", instrument=code))
    with opened(root) as room:
        answer = room.get(urls.meter(code))
        assert answer.status_code == 200
        assert f"<h1>Meter <bdi>{code}</bdi></h1>" in answer.text
        assert str(answer.url).endswith(urls.meter(code))
    assert urls.decoded(unquote(urls.coded(code))) == code


def test_drawings_are_whole_xml(room):
    """Every drawing of the sample archive's pages is well-formed."""
    for address in ("/", "/sites/INV-ORM", "/meters/INV-AC3", "/gaugings/INV-ORM.20241024T120000Z.INV-AC2"):
        drawings = re.findall(r"<svg.*?</svg>", room.get(address).text, re.DOTALL)
        assert drawings
        for drawing in drawings:
            ET.fromstring(drawing)


UNKNOWN = [
    "/sites/nowhere",
    "/sites/nowhere/hydrograph",
    "/gaugings/none",
    "/gaugings/INV-WIN.20250813T170000Z.INV-AC2?revision=9",
    "/meters/none",
    "/ledger/0",
    "/ledger/99",
    "/ledger/x",
    "/ledger/99999999999999999999",
    "/deposits/0000",
    "/bytes?deposit=00&file=x",
    "/bytes",
    "/trace?of=nothing-of-the-kind",
    "/tables/none",
    "/download/none.csv",
    "/download/sites.exe",
    "/download/sites",
    "/files/none",
    "/static/none.js",
    "/no/such/page",
    "/collections/none",
    "/collections/none/items",
]


@pytest.mark.parametrize("address", UNKNOWN)
def test_what_is_not_there_is_said_in_words(room, address):
    """An unknown id is answered 404 with a sentence."""
    answer = room.get(address)
    assert answer.status_code == 404
    if answer.headers["content-type"].startswith("text/html"):
        assert re.search(r'<p class="lead">[^<]{20,}</p>', answer.text)
    else:
        assert len(answer.json()["detail"]) > 20


WRONG = [
    "/?page=0",
    "/?page=-1",
    "/?page=abc",
    "/?page=%D9%A1",
    "/findings?since=yesterday",
    "/findings?since=2025-13-45",
    "/sites/INV-WIN?from=2025-05-01&to=2025-04-01",
    "/sites/INV-WIN?series=none",
    "/sites/INV-WIN?width=99999999",
    "/sites/INV-WIN?scale=cubic",
    "/deposits?outcome=lost",
    "/trace?of=INV-AC2&way=up",
    "/collections/sites/items?limit=0",
    "/collections/sites/items?limit=1000000",
    "/collections/sites/items?offset=-1",
    "/collections/sites/items?bbox=1,2,3",
    "/collections/sites/items?bbox=nan,nan,nan,nan",
    "/collections/sites/items?colour=red",
    "/collections/sites/items?code=x",
    "/collections/gaugings/items?datetime=2025-05-01T10:00",
    "/collections/gaugings/items?datetime=2025-05-01/2024-05-01",
    "/collections/gaugings/items?revisions=some",
    "/collections/gaugings/items?instrument=%00",
    "/download/gaugings.csv?stie=INV-WIN",
    "/bytes?deposit={deposit}&file=points.csv&lines=x",
]


@pytest.mark.parametrize("address", WRONG)
def test_a_wrong_question_is_refused_in_words(room, address):
    """A parameter that makes no sense is answered 400 with what was expected."""
    digest = Archive(SAMPLE).standing("deposits").query("name == '02_first_party_winter'")["deposit"].iloc[0]
    answer = room.get(address.replace("{deposit}", digest))
    assert answer.status_code == 400
    assert "expected" in html.unescape(answer.text)


def test_findings_of_a_gauging(room):
    """A gauging's page holds each finding's sentence, limit and source, and leads to the line of the sealed file."""
    gauging = "INV-WIN.20250115T120000Z.INV-AC1"
    findings = Archive(SAMPLE).standing("findings").query(f"gauging_id == '{gauging}'")
    finding = findings[findings["severity"] == "unusable"].iloc[0]
    text = html.unescape(re.sub(r"<[^>]+>", "", room.get(urls.gauging(gauging)).text))
    assert finding["message"] in text
    assert finding["source"] in text
    page = room.get(urls.lines(finding["deposit"], finding["row_file"], int(finding["row_line"]))).text
    marked = re.findall(r'<tr class="asked" id="L(\d+)">.*?<mark>(.*?)</mark>', page, re.DOTALL)
    sealed = Archive(SAMPLE).sealed.read(finding["deposit"])
    data = next(file.data for file in sealed.files if file.path == finding["row_file"])
    line = data.decode().splitlines()[int(finding["row_line"]) - 1]
    assert [(int(n), html.unescape(re.sub("<[^>]+>", "", t))) for n, t in marked] == [(int(finding["row_line"]), line)]


def test_raw_bytes_are_the_sealed_bytes(room):
    """Each sealed file comes out byte for byte as it was handed in, as a file to be kept and not shown."""
    sealed = Archive(SAMPLE).sealed
    assert len(list(sealed.digests())) > 10
    for digest in sealed.digests():
        for number, file in enumerate(sealed.read(digest).files):
            answer = room.get(urls.raw(digest, number))
            assert answer.content == file.data
            assert answer.headers["content-type"] == "application/octet-stream"
            assert answer.headers["content-disposition"].startswith("attachment")


def test_a_file_in_a_zip_is_shown(room):
    """A row that stood in a zip is shown as a line of the file in it."""
    rows = Archive(SAMPLE).standing("gaugings")
    zips = Archive(SAMPLE).standing("deposits").query("kind == 'zip' and outcome == 'taken'")["deposit"]
    row = rows[rows["deposit"].isin(zips)].iloc[0]
    text = room.get(urls.lines(row["deposit"], row["row_file"], int(row["row_line"]))).text
    assert row["label"] in re.search(r"<mark>(.*?)</mark>", text, re.DOTALL)[1]


@pytest.mark.parametrize(
    "address", ["/", "/sites/INV-WIN", "/gaugings/INV-WIN.20250813T170000Z.INV-AC2", "/meters/INV-AC3"]
)
def test_pages_weigh_little(room, address):
    """A page with its script and style weighs less than 1.5 MB, with nothing from elsewhere."""
    own = sum(len(room.get(f"/static/{name}").content) for name in ("room.css", "room.js", "mark.svg"))
    assert len(room.get(address).content) + own < 1_500_000


DAMAGE = [
    (
        "tables/gaugings/site=INV-WIN",
        ["/sites/INV-WIN", "/gaugings/INV-WIN.20250813T170000Z.INV-AC2", "/findings", "/"],
    ),
    ("tables/findings/site=INV-WIN", ["/sites/INV-WIN", "/findings"]),
    ("tables/sites", ["/", "/sites/INV-WIN", "/collections"]),
    ("tables/checks", ["/meters", "/meters/INV-AC3", "/collections/checks/items"]),
    ("schemas", ["/tables", "/collections", "/openapi.json", "/"]),
    ("ledger", ["/", "/ledger", "/collections"]),
    (
        "provenance",
        ["/trace?of=INV-WIN.20250813T170000Z.INV-AC2&way=back", "/trace.json?of=INV-WIN.20250813T170000Z.INV-AC2"],
    ),
    ("netcdf", ["/files/netcdf/INV-WIN/gaugings.nc"]),
    ("returned", ["/deposits/{returned}"]),
]


@pytest.mark.parametrize(("folder", "addresses"), DAMAGE, ids=[folder for folder, _ in DAMAGE])
@pytest.mark.parametrize("how", ["cut", "emptied", "garbled", "removed"])
def test_damage_is_said_in_words(copy, folder, addresses, how):
    """A file that is not as written makes a page that says so, or one that does without it, never a fault."""
    for path in [p for p in (copy / folder).rglob("*") if p.is_file()]:
        data = path.read_bytes()
        if how == "removed":
            path.unlink()
        else:
            garbled = data[:20] + b"\xff\xff\0{" + data[24:]
            path.write_bytes({"cut": data[: len(data) // 2], "emptied": b"", "garbled": garbled}[how])
    digest = next((SAMPLE / "returned").glob("*.json")).read_text().split('"deposit": "')[1][:64]
    statuses = []
    with opened(copy) as room:
        for address in addresses:
            answer = room.get(address.replace("{returned}", digest))
            statuses.append(answer.status_code)
            assert answer.status_code in {200, 503}, (address, answer.text[-900:])
            if answer.status_code == 503:
                assert "audit" in answer.text or "archive" in answer.text
    assert 503 in statuses


def test_sealed_damage_gives_out_no_bytes(copy):
    """One flipped bit in a sealed file, and neither its lines nor its bytes are given out."""
    archive = Archive(copy)
    digest = archive.standing("gaugings")["deposit"].iloc[0]
    path = next((copy / archive.sealed.object_path(digest) / "v1" / "content").glob("gaugings.csv"))
    data = bytearray(path.read_bytes())
    data[-10] ^= 1
    path.write_bytes(bytes(data))
    with opened(copy) as room:
        for address in (urls.lines(digest, "gaugings.csv", 2), urls.raw(digest, 0)):
            assert room.get(address).status_code == 503
        assert room.get(urls.deposit(digest)).status_code == 200


def test_withheld_bytes_are_said_to_be_withheld(copy):
    """Where a decision removed content, the page says so with 410."""
    from stillwell.pipeline.withhold import withhold
    from tests.pipeline.season import TODAY

    digest = Archive(copy).standing("gaugings")["deposit"].iloc[0]
    withhold(copy, digest, by="tester", reason="an invented reason", now=TODAY)
    with opened(copy) as room:
        assert room.get(urls.lines(digest, "gaugings.csv", 2)).status_code == 410
        assert "withheld" in room.get(urls.deposit(digest)).text


def test_no_archive_is_said_in_words(tmp_path):
    """A folder that is no archive, or is taken away, makes a page and no fault."""
    with opened(tmp_path) as room:
        answer = room.get("/")
    assert answer.status_code == 503
    assert "expected an archive" in html.unescape(answer.text)


def test_a_commit_is_seen_by_the_next_request(tmp_path):
    """A commit made while the room is open is seen at once, and unchanged answers are known by their tag."""
    root = archive_of(tmp_path / "archive", deposit(tmp_path / "one", "S1", "First place"))
    with opened(root) as room:
        first = room.get("/")
        assert room.get("/", headers={"if-none-match": first.headers["etag"]}).status_code == 304
        archive_of(root, deposit(tmp_path / "two", "S2", "Second place", start="2025-06-01T10:00+00:00"))
        second = room.get("/", headers={"if-none-match": first.headers["etag"]})
        assert second.status_code == 200
        assert "Second place" in second.text
        assert "Second place" not in first.text
        assert room.get("/sites/S2").status_code == 200


def test_readers_are_answered_while_a_writer_holds_the_lock(copy):
    """The writer's lock keeps no reader waiting."""
    from stillwell.archive.writing.writer import open_writer

    with opened(copy) as room, open_writer(copy, software_version="0", by="tester"):
        start = time.monotonic()
        assert room.get("/sites/INV-WIN").status_code == 200
        assert time.monotonic() - start < 30
