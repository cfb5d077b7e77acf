"""The archive as it stood at a moment: every page, row and link of it keeps to that moment."""

from __future__ import annotations

import html
import io
import re

import pandas as pd
import pyarrow.parquet as pq
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.provenance.document import provenance_path
from stillwell.pages import urls
from tests.room.conftest import SAMPLE

BEFORE, MIDDLE = "2025-10-15T12:00Z", "2025-10-16T12:00Z"
"""After the first commit, and after the second, which brought ratings; the third derived the records."""


@pytest.mark.parametrize("moment", [BEFORE, MIDDLE, "2025-10-17T08:00:00Z", "2026-01-01"])
def test_any_table_is_given_out_as_of_a_moment(room, moment):
    """Rows asked for as of a moment are those that stood then, by site and without, in files and as JSON."""
    at = pd.to_datetime(moment, utc=True)
    archive = Archive(SAMPLE)
    for table in ("gaugings", "findings", "reviews", "ratings", "discharge", "deposits", "sites"):
        expected = archive.at(at.to_pydatetime()).standing(table)
        found = pq.read_table(io.BytesIO(room.get(f"/download/{table}.parquet?as_of={moment}").content))
        assert len(found) == len(expected), table
        if table in ("gaugings", "discharge"):
            mine = room.get(f"/collections/{table}/items?site=INV-WIN&as_of={moment}").json()
            assert mine["numberMatched"] == int((expected["site"] == "INV-WIN").sum())
    told = room.get(f"/download/gaugings.parquet?as_of={moment}")
    status = pq.read_table(io.BytesIO(told.content))["status"].to_pylist()
    assert sorted(status) == sorted(archive.at(at.to_pydatetime()).standing("gaugings")["status"])


@pytest.mark.parametrize(("number", "moment"), [(1, BEFORE), (2, MIDDLE)])
def test_no_netcdf_and_no_later_document_is_listed(room, number, moment):
    """NetCDF holds what stands now, so an earlier state lists none; of provenance it lists what had been written."""
    now = Archive(SAMPLE).listing()
    assert any(path.startswith("netcdf/") for path in now)
    then = Archive(SAMPLE).at(pd.Timestamp(moment).to_pydatetime()).listing()
    assert not [path for path in then if path.startswith("netcdf/")]
    assert {path for path in then if path.startswith("provenance/")} == {
        provenance_path(n) for n in range(1, number + 1)
    }
    assert {path for path in now if path.startswith("tables/")} <= set(then)
    page = room.get(f"/sites/INV-KES?as_of={moment}").text
    assert "/files/netcdf/" not in page
    assert "/files/netcdf/" in room.get("/sites/INV-KES").text


def test_a_site_is_shown_as_it_stood(room):
    """Before the ratings there is no curve and no record, before the derivation a curve and no record."""
    pages = {at: room.get(f"/sites/INV-KES{'?as_of=' + at if at else ''}").text for at in (BEFORE, MIDDLE, "")}
    has = {at: ("The curve is rating" in page, 'data-series="discharge"' in page) for at, page in pages.items()}
    assert has == {BEFORE: (False, False), MIDDLE: (True, False), "": (True, True)}
    assert "nothing recorded later is shown" in pages[BEFORE]
    assert "nothing recorded later is shown" not in pages[""]
    assert "approved</td>" not in pages[BEFORE]
    assert "approved</td>" in pages[""]
    windows = [room.get(f"/sites/INV-KES/series.json?as_of={at}").json()["series"] for at in (BEFORE, MIDDLE)]
    assert windows == ["gauge_heights", "stage"]


def test_ledger_trace_and_search_keep_to_the_moment(room):
    """Entries, deposits and what a trace finds stop at the moment; what came later is not there."""
    assert room.get(f"/ledger/1?as_of={BEFORE}").status_code == 200
    assert room.get(f"/ledger/2?as_of={BEFORE}").status_code == 404
    archive = Archive(SAMPLE)
    deposits = archive.standing("deposits")
    late = deposits[(deposits["commit"] == 2) & ~deposits["deposit"].isin(deposits[deposits["commit"] == 1]["deposit"])]
    digest = late["deposit"].iloc[0]
    assert room.get(f"{urls.deposit(digest)}?as_of={BEFORE}").status_code == 404
    assert room.get(urls.deposit(digest)).status_code == 200
    said = {at: room.get(f"/trace.json?of=site:INV-KES&way=forward{at}").json() for at in ("", f"&as_of={BEFORE}")}
    commits = {at: {n["id"] for n in found["nodes"] if n["id"].startswith("commit:")} for at, found in said.items()}
    assert commits[f"&as_of={BEFORE}"] == {"commit:1"}
    assert commits[""] >= {"commit:1", "commit:2"}
    assert "18_office" in room.get("/search?q=18_office").text.partition("<main")[2].partition("For")[2]
    assert "No match." in room.get(f"/search?q=18_office&as_of={BEFORE}").text


def test_every_link_of_an_earlier_state_stays_in_it(room):
    """From the first page as of a moment, no link but the one back to now leads out of that moment; all answer."""
    todo, seen = [f"/?as_of={BEFORE}"], set()
    kinds: dict[str, int] = {}
    for address in todo:
        answer = room.get(address)
        assert answer.status_code == 200, address
        if not answer.headers["content-type"].startswith("text/html"):
            continue
        for before, link, after in re.findall(
            r'<(a|link|script)[^>]* (?:href|src)="([^"#]+)[^"]*"[^>]*>([^<]*)', answer.text
        ):
            target = html.unescape(link)
            if before != "a" or after == "See it as it stands now" or target == "/openapi.json":
                continue
            assert "as_of=2025-10-15" in target or target.startswith("/files/"), (address, target)
            kind = target.split("?")[0].split("/")[1]
            if target not in seen and kinds.get(kind, 0) < 5:
                kinds[kind] = kinds.get(kind, 0) + 1
                seen.add(target)
                todo.append(target)
    assert {"sites", "gaugings", "meters", "ledger", "deposits", "tables", "trace", "bytes", "download"} <= set(kinds)


@pytest.mark.parametrize(
    "address", ["/", "/findings", "/meters", "/ledger", "/deposits", "/tables", "/collections/sites/items"]
)
def test_before_the_first_commit_there_is_nothing(room, address):
    """As of a moment before anything was recorded, pages answer and hold nothing."""
    answer = room.get(f"{address}?as_of=2001-01-01")
    assert answer.status_code == 200
    assert "INV-KES" not in answer.text


@pytest.mark.parametrize("text", ["yesterday", "2025-10-15T12:00", "2025-13-01", "9" * 400])
def test_a_moment_that_is_none_is_refused(room, text):
    """A moment without its offset, or none at all, is refused in words on pages and in JSON."""
    for address in ("/", "/sites/INV-KES", "/collections", "/download/sites.csv"):
        answer = room.get(address, params={"as_of": text})
        assert answer.status_code == 400
        assert "expected a moment with its offset" in html.unescape(answer.text)
