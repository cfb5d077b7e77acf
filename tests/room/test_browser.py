"""A person with a browser: finds a site, opens a gauging, sees its findings, follows a number to its bytes.

Runs where Debian's chromium is; where STILLWELL_BROWSER is set it must be there.
"""

from __future__ import annotations

import os
import shutil

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect, sync_playwright

from stillwell.archive.archive import Archive
from tests.room.conftest import SAMPLE

CHROMIUM = os.environ.get("STILLWELL_BROWSER") or shutil.which("chromium") or ""
pytestmark = pytest.mark.skipif(not CHROMIUM, reason="no chromium; `make setup-browser` installs it")

UNUSABLE = "INV-WIN.20250115T120000Z.INV-AC1"
PAGES = {
    "sites": "/",
    "site": "/sites/INV-WIN",
    "site with a record": "/sites/INV-KES",
    "hydrograph, logarithmic": "/sites/INV-ORM/hydrograph?series=discharge&axis=log",
    "as it stood": "/sites/INV-WIN?as_of=2025-10-15T12:00Z",
    "site, logarithmic": "/sites/INV-ORM?scale=log",
    "hydrograph": "/sites/INV-KES/hydrograph?from=2025-01-01&to=2025-04-01",
    "gauging": f"/gaugings/{UNUSABLE}",
    "gauging with an island": "/gaugings/INV-ORM.20241024T120000Z.INV-AC2",
    "gauging without points": "/gaugings/INV-KES.20250910T170000Z",
    "meters": "/meters",
    "meter": "/meters/INV-AC3",
    "findings": "/findings?severity=suspect",
    "ledger": "/ledger",
    "entry": "/ledger/2",
    "deposits": "/deposits",
    "deposit with returns": "/deposits/{returned}",
    "lines": "/bytes?deposit={returned}&file=points.csv&lines=7",
    "trace back": f"/trace?of={UNUSABLE}",
    "trace forward": "/trace?of=INV-AC2&way=forward",
    "no trace yet": "/trace",
    "search": "/search?q=mill",
    "tables": "/tables",
    "table": "/tables/gaugings",
    "about": "/about",
    "not found": "/sites/nowhere",
}
VARIANTS = {
    "site with a record",
    "site, logarithmic",
    "hydrograph, logarithmic",
    "as it stood",
    "gauging with an island",
    "gauging without points",
}
"""Pages of a kind of which another page is there."""
LOOKS = [(1280, "light"), (390, "light"), (1280, "dark"), (390, "dark")]


@pytest.fixture(scope="module")
def browser():
    """Return a headless Chromium."""
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield launched
        launched.close()


@pytest.fixture
def seen(browser, room):
    """Return a maker of pages of a width and colour scheme, which must log nothing and ask nobody else."""
    said, contexts = [], []

    def make(width=1280, scheme="light", **more):
        context = browser.new_context(
            base_url=str(room.base_url), viewport={"width": width, "height": 900}, color_scheme=scheme, **more
        )
        context.set_default_timeout(20_000)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text) if "status of 404" not in message.text else None)
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda asked: said.append(asked.url) if str(room.base_url) not in asked.url else None)
        return page

    yield make
    for context in contexts:
        context.close()
    assert said == []


@pytest.mark.parametrize("width", [1280, 390])
def test_from_a_site_to_the_bytes(seen, width, tmp_path):
    """Find a site, read its hydrograph, open a gauging, see its findings, follow it to its bytes, keep them."""
    page = seen(width)
    page.goto("/")
    page.get_by_label("Search").fill("winnold")
    page.get_by_role("button", name="Find").click()
    page.get_by_role("link", name="INV-WIN", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Winnold Water")
    expect(page.locator("#hydrograph svg")).to_be_visible()
    page.get_by_role("group", name="Gaugings").get_by_role("link", name=UNUSABLE, exact=True).click()
    finding = (
        Archive(SAMPLE).standing("findings").query(f"gauging_id == '{UNUSABLE}' and severity == 'unusable'").iloc[0]
    )
    findings = page.get_by_role("region", name="Suspect or unusable findings")
    expect(findings.get_by_text(finding["message"])).to_be_visible()
    expect(findings.get_by_text(finding["source"]).first).to_be_visible()
    page.get_by_role("link", name="Follow this number to its bytes").click()
    expect(page.get_by_role("heading", name="Drawn")).to_be_visible()
    page.get_by_role("group", name="Graph of the trace").get_by_role("link", name="lines points.csv").first.click()
    expect(page.locator("tr.asked").first).to_be_visible()
    with page.expect_download() as started:
        page.get_by_role("link", name="Download these bytes").click()
    kept = tmp_path / "points.csv"
    started.value.save_as(kept)
    gauging = Archive(SAMPLE).standing("gaugings").query(f"gauging_id == '{UNUSABLE}'").iloc[0]
    sealed = Archive(SAMPLE).sealed.read(gauging["deposit"])
    assert kept.read_bytes() == next(file.data for file in sealed.files if file.path == "points.csv")


def test_from_the_record_to_the_bytes(seen):
    """Read the hydrograph of a record, look at it by ratio and day by day, follow its peak to the logger's file."""
    page = seen(390)
    page.goto("/sites/INV-ORM")
    figure = page.locator("#hydrograph")
    expect(figure.locator("figcaption")).to_contain_text("1 approved, 13 provisional")
    expect(figure.locator("svg g[clip-path] .band")).to_have_count(1)
    figure.get_by_role("link", name="Logarithmic axis").click()
    expect(figure.get_by_role("link", name="Logarithmic axis")).to_have_attribute("aria-current", "true")
    figure.get_by_role("link", name="Daily mean discharge").click()
    expect(figure).to_have_attribute("data-series", "daily")
    assert page.evaluate("document.activeElement.textContent") == "Daily mean discharge"
    figure.get_by_role("link", name="Follow it to its bytes").click()
    expect(page.get_by_role("heading", name="Drawn")).to_be_visible()
    page.get_by_role("group", name="Graph of the trace").get_by_role("link", name="lines stage.csv").first.click()
    expect(page.locator("tr.asked").first).to_contain_text("INV-ORM")


def test_an_earlier_state_is_asked_for_and_left(seen):
    """Typed into its field, a moment holds on the pages that follow, also through drag and keys, until it is left."""
    page = seen()
    page.goto("/sites/INV-KES")
    page.get_by_label("As it stood at").fill("2025-10-16T12:00Z")
    page.get_by_role("form", name="Earlier state of the archive").get_by_role("button").click()
    expect(page.locator("#hydrograph")).to_have_attribute("data-series", "stage")
    whole = _span(page)
    page.get_by_role("link", name="Closer").click()
    _until(page, 0.4 * whole, 0.6 * whole)
    assert "as_of=2025-10-16" in page.locator("#hydrograph").get_attribute("data-path")
    page.get_by_role("link", name="Findings").first.click()
    expect(page.get_by_text("nothing recorded later is shown")).to_be_visible()
    page.get_by_role("link", name="See it as it stands now").click()
    expect(page.get_by_text("nothing recorded later is shown")).to_have_count(0)


def _span(page):
    shown = page.locator("#hydrograph svg")
    return int(shown.get_attribute("data-to")) - int(shown.get_attribute("data-from"))


def _until(page, least, most):
    """Wait until the window of the hydrograph has a length."""
    for _ in range(200):
        if least <= _span(page) <= most:
            return
        page.wait_for_timeout(50)
    assert least <= _span(page) <= most


def test_the_hydrograph_zooms(seen):
    """Links, keys and dragging change the window without a new page, and the focus stays."""
    page = seen()
    page.goto("/sites/INV-KES")
    page.evaluate("window.stayed = true")
    whole = _span(page)
    page.get_by_role("link", name="Closer").click()
    _until(page, 0.4 * whole, 0.6 * whole)
    assert page.evaluate("document.activeElement.dataset.move") == "closer"
    page.locator("#hydrograph .scroller").focus()
    page.keyboard.press("+")
    _until(page, 0.2 * whole, 0.3 * whole)
    page.keyboard.press("Home")
    _until(page, 0.99 * whole, whole)
    page.locator("#hydrograph svg").scroll_into_view_if_needed()
    box = page.locator("#hydrograph svg").bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.4, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + 80, steps=4)
    page.mouse.up()
    _until(page, 0.15 * whole, 0.3 * whole)
    assert page.evaluate("window.stayed") is True


def test_everything_works_without_script(seen):
    """With scripts off, the hydrograph's window still moves, by its links and its form."""
    page = seen(java_script_enabled=False)
    page.goto("/sites/INV-KES")
    page.get_by_role("link", name="Closer").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Hydrograph")
    page.get_by_role("textbox", name="From").fill("2025-02-01")
    page.get_by_role("textbox", name="until (not included)", exact=True).fill("2025-02-28")
    page.locator("#hydrograph").get_by_role("button", name="Show").click()
    expect(page.locator("figcaption")).to_contain_text("2025-02-01 until 2025-02-28")


def test_by_keyboard_alone(seen):
    """The first stop is a link past the navigation; a site on the map and one in the list are reached by tabbing."""
    page = seen()
    page.goto("/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the page"
    page.keyboard.press("Enter")
    stops = []
    while len(stops) < 100 and "#main" not in stops:
        page.keyboard.press("Tab")
        stops.append(page.evaluate("document.activeElement.getAttribute('href')"))
    assert stops.count("/sites/INV-ORM") == 2
    page.locator("svg a[href='/sites/INV-ORM']").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Orm at Sallow Eyot")


def _faults(page, names):
    """Collect what axe finds on pages, and pages that run out of the screen."""
    returned = next((SAMPLE / "returned").glob("473*.json")).read_text().split('"deposit": "')[1][:64]
    faults = []
    for name in names:
        page.goto(PAGES[name].replace("{returned}", returned))
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        for issue in Axe().run(page).response["violations"]:
            where = [node["target"] for node in issue["nodes"][:3]]
            faults.append((name, issue["id"], issue["impact"], where))
        if page.evaluate("document.documentElement.scrollWidth > window.innerWidth"):
            faults.append((name, "runs out of the screen", "", []))
    return faults


@pytest.mark.parametrize(("part", "width", "scheme"), [(0, 1280, "light"), (1, 390, "dark")])
def test_no_accessibility_issue(seen, part, width, scheme):
    """Every kind of page, wide and light or narrow and dark in turn, has no issue that axe finds and no overflow."""
    faults = _faults(seen(width, scheme), [name for name in PAGES if name not in VARIANTS][part::2])
    assert not faults, "\n".join(map(str, faults))


@pytest.mark.soak
@pytest.mark.parametrize(("width", "scheme"), LOOKS)
def test_no_accessibility_issue_in_any_look(seen, width, scheme):
    """Every kind of page in all four looks has no issue that axe finds, and none runs out of the screen."""
    faults = _faults(seen(width, scheme), PAGES)
    assert not faults, "\n".join(map(str, faults))
