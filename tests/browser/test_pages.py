"""How the pages look and behave in a real browser: widths, colours, keys, the bar, hostile text."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Browser, Page, expect

from bridge.lifecycle.states import DestinationState
from bridge.model import Format, Priority
from bridge.store.commands import SetDestination
from tests.browser.watched import Tab
from tests.pages.stocked import GOOD, NOW, OTHER, Stocked, Visitor
from tests.pages.test_views import HOSTILE, hostile_pages

pytestmark = pytest.mark.browser

LONG_NAME = "Centro de Saúde da Ilha do Sal e dos Moinhos da Maré Alta XX"  # 60 characters, Portuguese; invented
LONG_ID = "400000000000000000000000000007"  # 30 characters

# WCAG 2.2, definitions of relative luminance and contrast ratio; success criterion 1.4.3 asks for 4.5 to 1
CONTRAST = """() => {
  const parse = (text) => text.match(/[\\d.]+/g).map(Number);
  const channel = (c) => ((c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
  const luminance = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const ground = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const colour = parse(getComputedStyle(at).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  const poor = [], seen = new Set();
  document.querySelectorAll("details").forEach((each) => (each.open = true));
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let count = 0;
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || !element.checkVisibility() || element.closest("option, dialog")) continue;
    const ink = parse(getComputedStyle(element).color), paper = ground(element);
    const [high, low] = [luminance(ink), luminance(paper)].sort((a, b) => b - a);
    const ratio = (high + 0.05) / (low + 0.05);
    count += 1;
    const key = `${ink} on ${paper}: ${ratio.toFixed(2)}`;
    if (ratio < 4.5 && !seen.has(key)) { seen.add(key); poor.push(`${key} "${walker.currentNode.data.trim().slice(0, 30)}"`); }
  }
  return { count, poor };
}"""


def stock(shelf: Stocked) -> dict[str, str]:
    """Put long and full rows on the shelf; give every kind of page."""
    pages = hostile_pages(shelf, LONG_ID, number="400000007")
    shelf.rejected(priority=Priority.STAT, payload=b"O|" * 3_000 + b"\x05\x00\xff" * 40)
    shelf.coded(GOOD, to=(Format.ORU_R01, Format.FHIR))
    gone = shelf.coded(OTHER, to=(Format.ORU_R01,))
    shelf.answered(gone)
    strip_id = shelf.purged(gone)
    in_doubt = shelf.coded(GOOD, to=(Format.ORU_R01,))
    shelf.restored()
    doubt = next(stop.stop_id for stop in shelf.store.stops(rule="restore.unsure"))
    more = {
        "purged result": f"/results/{gone}",
        "purged strip": f"/strips/{strip_id}",
        "in doubt": f"/rejected/{doubt}",
        "result in doubt": f"/results/{in_doubt}",
    }
    return {**pages, **more, "nothing there": "/nowhere", "copies": "/results?kind=copy", "try out": "/try-out"}


@pytest.mark.parametrize(("width", "scheme"), [(1280, "dark"), (390, "light")])
def test_long_texts_fit_and_can_be_read(shelf: Stocked, browser: Browser, width: int, scheme: str) -> None:
    """By our own reckoning of contrast, beside that of axe-core in test_every_page: with long names, IDs and bytes."""
    pages = stock(shelf)
    missing = ("Failed to load resource: the server responded with a status of 404",)
    with shelf.serving(name=LONG_NAME) as visitor, Tab(browser, width=width, color_scheme=scheme, allowed=missing) as tab:
        for name, path in pages.items():
            tab.goto(visitor.origin + path)
            told = tab.evaluate(CONTRAST)
            assert told["poor"] == [], name
            assert told["count"] > 10, name
            assert tab.evaluate("document.documentElement.scrollWidth") == width, name


def test_hostile_text_does_nothing_in_a_browser(shelf: Stocked, visitor: Visitor, tab: Page) -> None:
    """No script runs, no picture is asked for, no dialog opens; the text stands there to be read."""
    for name, path in hostile_pages(shelf, HOSTILE).items():
        tab.goto(visitor.origin + path)
        assert tab.locator("img").count() == 0, name
        assert HOSTILE in (tab.locator("main").text_content() or ""), name


def test_the_policy_stops_a_script_that_would_get_in(visitor: Visitor, browser: Browser) -> None:
    """The second wall: even markup that got into a page would not run (CSP3)."""
    with Tab(
        browser, allowed=("Executing inline", "Connecting to", "Fetch API cannot", "Loading the image", "https://evil")
    ) as tab:
        tab.goto(visitor.origin)
        ran = tab.evaluate(
            """async () => {
              const script = document.createElement("script");
              script.textContent = "window.ran = true";
              document.body.append(script);
              const picture = new Image();
              const blocked = new Promise((done) => (picture.onerror = () => done("blocked")));
              picture.src = "https://evil.example/x.png";
              const sent = await fetch("https://evil.example/").then(() => "sent", () => "blocked");
              return [window.ran === true, await blocked, sent];
            }"""
        )
    assert ran == [False, "blocked", "blocked"]


def test_arrows_home_and_end_go_along_the_list_and_escape_goes_back(shelf: Stocked, visitor: Visitor, tab: Page) -> None:
    """Once a row has the focus; they end at the ends, and scroll the page before."""
    stops = [shelf.rejected() for _ in range(3)]

    def at() -> str:
        return str(tab.evaluate("document.activeElement.getAttribute('href')"))

    tab.goto(f"{visitor.origin}/rejected")
    tab.keyboard.press("ArrowDown")
    assert at() == "None"
    tab.locator("main a.row").first.focus()
    seen = []
    for key in ("ArrowDown", "ArrowDown", "ArrowDown", "ArrowUp", "End", "Home", "ArrowUp"):
        tab.keyboard.press(key)
        seen.append(stops.index(int(at().removeprefix("/rejected/"))))
    assert seen == [1, 2, 2, 1, 2, 0, 0]
    tab.keyboard.press("Enter")
    expect(tab).to_have_url(f"{visitor.origin}/rejected/{stops[0]}")
    expect(tab.get_by_label("Patient ID", exact=True)).to_be_focused()
    tab.keyboard.press("j")
    expect(tab.get_by_label("Patient ID", exact=True)).to_have_value("j")
    tab.keyboard.press("Escape")
    tab.keyboard.press("Escape")  # what was typed is not thrown away
    expect(tab).to_have_url(f"{visitor.origin}/rejected/{stops[0]}")
    tab.get_by_label("Patient ID", exact=True).fill("")
    tab.keyboard.press("Escape")
    tab.keyboard.press("Escape")
    expect(tab).to_have_url(f"{visitor.origin}/rejected")


def test_a_scan_with_no_field_chosen_finds_the_strip(shelf: Stocked, visitor: Visitor, tab: Page) -> None:
    """HZ-A03: on Today and on Find it goes into the page's own search, whole and in place of what stood there; on a page without one, nowhere."""
    shelf.coded(GOOD, number="133")
    tab.goto(visitor.origin)
    with tab.expect_navigation():
        tab.keyboard.type(GOOD)
        tab.keyboard.press("Enter")
    field = tab.get_by_role("searchbox")
    expect(field).to_have_value(GOOD)
    expect(tab.locator("main")).to_contain_text("bench-a 133")
    tab.get_by_role("link", name="bench-a 133").focus()  # a row with the ring is no field
    with tab.expect_navigation():
        tab.keyboard.type("k133")
        tab.keyboard.press("Enter")
    expect(field).to_have_value("k133")
    tab.goto(f"{visitor.origin}/find")
    expect(field).to_be_focused()


def test_the_keys_are_shown_and_what_is_typed_can_be_kept_from_the_search(shelf: Stocked, visitor: Visitor, tab: Page) -> None:
    """WCAG 2.2, 2.1.4: what a letter does without a field can be turned off, for those who speak to their computer."""
    shelf.rejected()
    tab.goto(visitor.origin)
    dialog = tab.get_by_role("dialog", name="Keys")
    tab.get_by_role("button", name="Keys").click()
    expect(dialog).to_be_visible()
    tab.keyboard.press("Escape")
    expect(dialog).to_be_hidden()
    tab.get_by_role("button", name="Keys").click()
    dialog.get_by_label("What is typed or scanned with no field chosen goes into the page’s search, in this browser").uncheck()
    dialog.get_by_role("button", name="Close").click()
    tab.reload()
    tab.keyboard.type("j?/")
    assert tab.url == f"{visitor.origin}/"
    assert tab.evaluate("document.activeElement === document.body")
    expect(tab.get_by_role("searchbox")).to_have_value("")


def test_a_form_is_sent_once(shelf: Stocked, visitor: Visitor, tab: Page) -> None:
    """A second click while the first is under way does nothing: one close, and no conflict with oneself."""
    stop = shelf.rejected()
    tab.goto(f"{visitor.origin}/rejected/{stop}")
    tab.get_by_text("Discard", exact=True).first.click()
    form = tab.locator(f'form[action="/rejected/{stop}/discard"]')
    form.get_by_label("Your name").fill("Ana")
    form.get_by_label("Reason").fill("no urine left")
    form.get_by_label("The specimen").select_option("collected again")
    form.get_by_role("button", name="Discard").dblclick()
    expect(tab.get_by_text("Dealt with: discarded by Ana (unverified)")).to_be_visible()
    assert tab.get_by_role("alert").count() == 0


def test_the_bar_says_when_padpost_does_not_answer(shelf: Stocked, browser: Browser) -> None:
    """An open page must not look like a quiet morning when the service is down."""
    with Tab(browser, allowed=("Failed to load resource", "http://127.0.0.1")) as tab:
        with shelf.serving() as visitor:
            tab.goto(visitor.origin)
            expect(tab.locator("h1")).to_have_text("Today")
            expect(tab.locator("#news")).to_be_hidden()
        expect(tab.locator("#news")).to_have_text("Padpost does not answer. What you see may be old. Try again")


def test_an_open_today_says_how_old_it_is_and_when_a_receiver_or_a_signal_changed(
    shelf: Stocked, visitor: Visitor, browser: Browser
) -> None:
    """HZ-H01: ages on an open page stand still, so it says as of when they are; a receiver that goes down shows itself."""
    with Tab(browser) as tab:
        tab.clock.install()
        tab.goto(visitor.origin)
        expect(tab.locator(".as-of")).to_contain_text("As of 12:00")
        expect(tab.locator("#aged")).to_be_hidden()
        tab.clock.fast_forward(61_000)
        expect(tab.get_by_role("link", name="Renew the page")).to_be_visible()
        expect(tab.locator("#news")).to_be_hidden()
        closed = SetDestination(name="chart", state=DestinationState.CLOSED, reason="401", at=NOW)
        shelf.store.submit(closed).result()
        tab.clock.resume()
        expect(tab.locator("#news")).to_have_text("A receiver or a signal changed since you opened this page. Show")


def test_the_wall_shows_what_is_new_by_itself(shelf: Stocked, visitor: Visitor, tab: Page) -> None:
    """Nobody stands at it with a pointer: large, and renewed."""
    tab.goto(f"{visitor.origin}/?wall=yes")
    expect(tab.get_by_text("Nothing waits for you.")).to_be_visible()
    size: Callable[[str], float] = lambda selector: float(  # noqa: E731 - one line of measuring
        tab.evaluate(f"parseFloat(getComputedStyle(document.querySelector('{selector}')).fontSize)")
    )
    assert min(size("main p"), size("th"), size("td"), size("footer p")) >= 28
    shelf.rejected()
    expect(tab.get_by_role("link", name="1 cannot be sent", exact=True)).to_be_visible()


def test_a_page_can_be_printed(shelf: Stocked, visitor: Visitor, tab: Page) -> None:
    """Without what only a screen can use; all the bytes."""
    stop = shelf.rejected()
    tab.goto(f"{visitor.origin}/rejected/{stop}")
    tab.emulate_media(media="print")
    for selector in ("nav", ".actions", ".skip", "#keys-button"):
        assert not tab.locator(selector).first.is_visible(), selector
    assert tab.locator("h1").is_visible()
    assert tab.locator("pre.bytes").first.is_visible()
    assert tab.evaluate("getComputedStyle(document.querySelector('pre.bytes')).maxHeight") == "none"
