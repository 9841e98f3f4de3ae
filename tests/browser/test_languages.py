"""The pages in Spanish and French in a real browser: the choice by keyboard, no fault that axe-core knows, nothing sideways on a telephone."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from bridge.pages.language import SHIPPED, language
from tests.browser.filled import filled
from tests.browser.test_every_page import AXE, FAULTS, LEVELS, SIDEWAYS
from tests.browser.watched import Tab
from tests.pages.stocked import Stocked

pytestmark = pytest.mark.browser
MAIN = ("/", "/rejected", "/rejected/2", "/controls", "/lots", "/telling", "/numbers", "/signals", "/analyzers", "/enter")
NARROW = 390  # CSS pixels, a telephone
OVER = """() => [...document.querySelectorAll("svg.lines.narrow")].flatMap((chart) => {
  const texts = [...chart.querySelectorAll("text")].map((each) => [each.textContent, each.getBoundingClientRect()]);
  const meet = (one, two) => one.left < two.right && two.left < one.right && one.top < two.bottom && two.top < one.bottom;
  return texts.flatMap(([a, one], at) => texts.slice(at + 1).filter(([, two]) => meet(one, two)).map(([b]) => `${a} / ${b}`));
})"""  # texts of a chart that stand over each other


@pytest.fixture(scope="module")
def origin(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve a filled site that speaks all languages."""
    shelf = Stocked(tmp_path_factory.mktemp("languages"))
    with shelf.serving(**filled(shelf), languages=tuple(map(language, SHIPPED))) as visitor:
        yield visitor.origin
    shelf.close()


@pytest.mark.parametrize("tag", [tag for tag in SHIPPED if tag != "en"])
def test_longer_texts_fit_and_hide_nothing_from_a_screen_reader(origin: str, browser: Browser, tag: str) -> None:
    """Spanish and French need up to a third more room; a caution that is cut off is not read."""
    faults = []
    with Tab(browser, locale=tag) as tab:
        for address in MAIN:
            tab.set_viewport_size({"width": NARROW, "height": 900})
            tab.goto(origin + address)
            assert tab.locator("html").get_attribute("lang") == tag
            faults += [f"{address}: {each}" for each in tab.evaluate(SIDEWAYS, [["100%", "ltr"]])]
            tab.evaluate(AXE)
            faults += [f"{address}: {each}" for each in tab.evaluate(FAULTS, {"type": "tag", "values": LEVELS})]
        tab.goto(f"{origin}/reports/2026-11/turnaround")
        faults += tab.evaluate(OVER)
    assert faults == [], "\n".join(faults)


def test_a_language_is_chosen_by_keyboard(origin: str, browser: Browser) -> None:
    """At the foot of the page: a list and a button, with the languages by their own names."""
    with Tab(browser) as tab:
        tab.goto(f"{origin}/rejected")
        tab.get_by_label("Language").focus()
        tab.keyboard.type("fran")
        tab.keyboard.press("Tab")
        tab.keyboard.press("Enter")
        expect(tab.locator("h1")).to_contain_text("Messages rejetés")
        expect(tab.get_by_label("Langue")).to_have_value("fr")
