"""Every page of a filled site in a real browser: no fault that axe-core knows, no complaint, nothing sideways, no link that leads nowhere."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from bridge.model import Format
from bridge.pages.app import make_pages
from tests.browser.every_page import Site, follow, page_routes, route_of
from tests.browser.filled import filled
from tests.browser.watched import Tab
from tests.pages.stocked import GOOD, Stocked

pytestmark = pytest.mark.browser
AXE = (resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
# WCAG 2.2, levels A and AA, by axe-core's names of its rules' tags (axe-core, doc/API.md, section "Axe-core Tags")
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
FAULTS = """async (only) => {
  document.querySelectorAll("details").forEach((each) => (each.open = true));
  const found = await axe.run(document, { runOnly: only, resultTypes: ["violations"] });
  const twice = ["h1", "main"].filter((each) => document.querySelectorAll(each).length !== 1).map((each) => `not one ${each}`);
  return twice.concat(found.violations.flatMap((rule) => rule.nodes.map((node) => `${rule.id} at ${node.target}: ${node.any.map((each) => each.message).join("; ") || rule.help}`)));
}"""
# What reaches beyond the screen, by the page's own width; tables and bytes scroll in boxes of their own
SIDEWAYS = """(sizes) => {
  const root = document.documentElement, faults = [];
  for (const [size, direction] of sizes) {
    root.style.fontSize = size;
    root.dir = direction;
    const width = root.clientWidth;
    if (root.scrollWidth <= width) continue;
    const isBeyond = (box) => box.right > width + 1 || box.left < -1;
    const beyond = [...document.querySelectorAll("main *")].filter((each) => isBeyond(each.getBoundingClientRect()) && !each.closest(".wide, pre"));
    faults.push(`text ${size}, ${direction}: ${root.scrollWidth} px, ${beyond.slice(0, 3).map((each) => each.outerHTML.slice(0, 150))}`);
  }
  return faults;
}"""
# By width in pixels, size of the text and direction of writing: a desk and a telephone; WCAG 2.2, 1.4.10: 320 CSS pixels, which is a desk
# of 1280 at 400 %; 1.4.4: text of twice the size
SIZES = {
    1280: [["100%", "ltr"], ["200%", "ltr"], ["100%", "rtl"]],
    390: [["100%", "ltr"], ["200%", "ltr"], ["100%", "rtl"]],
    320: [["100%", "ltr"]],
}
CUT = """() => [...document.querySelectorAll("main .wide")].filter((each) => each.scrollWidth > each.clientWidth).map((each) => each.ariaLabel)"""
PAPER = 718  # CSS pixels: 190 mm at 96 to the inch, which is A4 between margins of 10 mm
# Bytes of all that the browser took in for this page, uncompressed: the page itself and what it asked for (Resource Timing, decodedBodySize)
WEIGHT = "() => [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')].reduce((sum, each) => sum + each.decodedBodySize, 0)"
HEAVIEST = 150_000  # bytes
NOT_THERE = ("Failed to load resource: the server responded with a status of 404",)


def faults_of(tab: Page) -> list[str]:
    """Give what is wrong with the open page: by all rules in light, by those of colours in dark, and what is too wide at any size."""
    tab.set_viewport_size({"width": 1280, "height": 900})
    tab.emulate_media(color_scheme="light")
    tab.evaluate(AXE)
    faults: list[str] = tab.evaluate(FAULTS, {"type": "tag", "values": LEVELS})
    tab.emulate_media(color_scheme="dark")
    faults += [f"dark: {each}" for each in tab.evaluate(FAULTS, {"type": "rule", "values": ["color-contrast"]})]
    for width, sizes in SIZES.items():
        tab.set_viewport_size({"width": width, "height": 900})
        faults += [f"{width} px, {each}" for each in tab.evaluate(SIDEWAYS, sizes)]
    tab.set_viewport_size({"width": PAPER, "height": 900})
    tab.emulate_media(media="print")
    faults += [f"on paper, {each}" for each in tab.evaluate(SIDEWAYS, [["100%", "ltr"]])]
    tab.emulate_media(media="screen")
    return faults


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Site]]:
    """Serve a filled site; give its origin, and all its pages."""
    shelf = Stocked(tmp_path_factory.mktemp("filled"))
    told = filled(shelf)
    app = make_pages(shelf.store, shelf.desks(shelf.site(**told)), site=shelf.site(**told), now=lambda: shelf.now)
    with shelf.serving(**told) as visitor:
        site = follow(visitor, app)
        routes = page_routes(app)
        missed = {route.path for route in routes} - {route_of(address, routes) for address in site.pages + site.files}
        assert missed == set(), "no link leads there: give BY_HAND in every_page.py an address, or filled.py what it shows"
        yield visitor.origin, site
    shelf.close()


def test_no_link_leads_nowhere(walked: tuple[str, Site]) -> None:
    """Each was followed, from page to page."""
    _, site = walked
    assert site.dead == []
    assert len(site.pages) > 50


def test_every_page_is_without_a_fault(walked: tuple[str, Site], browser: Browser) -> None:
    """WCAG 2.2 A and AA as far as axe-core can tell, in light and dark; reflow and twice the text; no console error (the tab's own check)."""
    origin, site = walked
    faults = []
    with Tab(browser, allowed=NOT_THERE) as tab:
        for address in site.pages:
            tab.goto(origin + address)
            weight = tab.evaluate(WEIGHT)
            faults += [f"{address}: {weight} bytes"] * (weight > HEAVIEST)
            faults += [f"{address}: {each}" for each in faults_of(tab)]
    assert faults == [], "\n".join(faults)


def test_no_page_is_heavy_on_a_long_day(tmp_path: Path, browser: Browser) -> None:
    """With hundreds of strips, a tenth of them stopped in each way and one in ten missing: 150 kB, whatever the page lists."""
    shelf = Stocked(tmp_path)
    for _ in range(40):
        for _ in range(6):
            shelf.coded(GOOD, to=(Format.ORU_R01,))
        shelf.rejected(), shelf.held(), shelf.other(), shelf.unread()
        shelf.count += 1
    app = make_pages(shelf.store, shelf.desks(shelf.site()), site=shelf.site(), now=lambda: shelf.now)
    with shelf.serving() as visitor, Tab(browser) as tab:
        tab.goto(visitor.origin)
        beside = tab.evaluate(WEIGHT) - len(visitor.get("/").content)
        assert 15_000 < beside < 60_000
        weights = {address: beside + len(visitor.get(address).content) for address in follow(visitor, app).pages}
        assert {address: weight for address, weight in weights.items() if weight > HEAVIEST} == {}
    shelf.close()


def test_nothing_of_today_has_to_be_scrolled_sideways(walked: tuple[str, Site], browser: Browser) -> None:
    """Nobody stands before the wall with a pointer, and at a desk nobody looks for a column that is out of sight: each table is there whole."""
    origin, _ = walked
    with Tab(browser) as tab:
        for path in ("/", "/?wall=true"):
            tab.goto(origin + path)
            for width in (1280, 1920):
                tab.set_viewport_size({"width": width, "height": 1080})
                assert tab.evaluate(CUT) == [], (path, width)
