"""What every page's look keeps to: either writing direction, paper, the reader's own text size, stillness, a focus that is seen."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.browser.watched import Tab
from tests.pages.stocked import Stocked, Visitor

STATIC = Path(__file__).parents[2] / "bridge" / "pages" / "static"
SHEETS = sorted(STATIC.glob("*.css"))
# Properties and values that name a side of the screen, where the reader's language may begin on the other (CSS Logical Properties 1)
SIDED = re.compile(
    r"(?<![\w@-])(?:(?:margin|padding|border|scroll-margin|scroll-padding)-(?:left|right)[\w-]*|left|right|border-(?:top|bottom)-(?:left|right)-radius)\s*:"
    r"|(?:text-align|float|clear):\s*(?:left|right)"
)
FOUR = re.compile(r"(?<![\w-])(?:margin|padding|inset|border-width|border-color)\s*:\s*([^;}]+)")
MOVES = re.compile(r"(?<![\w-])(?:animation|transition|scroll-behavior)[\w-]*\s*:(?!\s*(?:none|auto))")
FOCUS = """() => {
  const at = getComputedStyle(document.activeElement);
  return [document.activeElement.tagName, at.outlineStyle, parseFloat(at.outlineWidth), parseFloat(at.outlineOffset)];
}"""

SMALL = "[...document.querySelectorAll('main a, nav a')].filter((each) => each.checkVisibility() && each.getBoundingClientRect().height < 24).map((each) => each.textContent)"
CUT = "[...document.querySelectorAll('.wide')].filter((each) => each.scrollWidth > each.clientWidth + 1).map((each) => each.ariaLabel)"


def sided(sheet: str) -> list[str]:
    """Give what in a style sheet holds for one writing direction alone."""
    found = [each.group() for each in SIDED.finditer(sheet)]
    for each in FOUR.finditer(sheet):
        sides = re.findall(r"(?:[\w-]+\([^()]*(?:\([^()]*\)[^()]*)*\)|[^\s()]+)", each[1])
        if len(sides) == 4 and sides[1] != sides[3]:
            found.append(each.group())
    return found


@pytest.mark.parametrize(
    ("sheet", "found"),
    [
        ("a { margin-left: 1px }", ["margin-left:"]),
        ("a { text-align: right; left: 0 }", ["text-align: right", "left:"]),
        ("a { padding: 1px 2px 3px 4px }", ["padding: 1px 2px 3px 4px "]),
        ("a { inset: auto 0 16px; margin: 0 1px 2px 1px; margin-inline-start: 1px; padding: calc(1px + 2px) var(--x) }", []),
    ],
)
def test_the_search_finds_sides(sheet: str, found: list[str]) -> None:
    """So that the next test can fail."""
    assert sided(sheet) == found


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda path: path.name)
def test_no_style_holds_for_one_writing_direction_alone(sheet: Path) -> None:
    """Pages are ready for languages that are written from the right; the corners of paper in report.css are the paper's own."""
    assert sided(sheet.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda path: path.name)
def test_nothing_moves_by_itself(sheet: Path) -> None:
    """Nothing moves under the pointer, so that nobody has to ask for stillness (prefers-reduced-motion)."""
    assert MOVES.findall(sheet.read_text(encoding="utf-8")) == []


def test_text_has_the_reader_s_own_size() -> None:
    """Sizes of text are multiples of what the browser is set to (WCAG 2.2, 1.4.4); paper has its own."""
    sheet = (STATIC / "padpost.css").read_text(encoding="utf-8")
    assert re.findall(r"font(?:-size)?:[^;}]*\d(?:px|pt)", sheet) == []


@pytest.mark.browser
def test_dark_screens_print_dark_ink_on_white(visitor: Visitor, browser: Browser) -> None:
    """The dark tokens are light inks, which paper would swallow."""
    colours = "['.soft', 'main'].map((each) => getComputedStyle(document.querySelector(each)).color).concat(getComputedStyle(document.body).backgroundColor)"
    with Tab(browser, color_scheme="dark") as tab:
        tab.goto(visitor.origin)
        assert tab.evaluate(colours) == ["rgb(169, 176, 192)", "rgb(236, 232, 223)", "rgb(20, 23, 31)"]
        tab.emulate_media(media="print", color_scheme="dark")
        assert tab.evaluate(colours) == ["rgb(83, 91, 110)", "rgb(0, 0, 0)", "rgb(255, 255, 255)"]


@pytest.mark.browser
def test_the_way_begins_where_the_reader_begins(shelf: Stocked, browser: Browser) -> None:
    """The first station is the outermost on the side where a line of text begins, on a desk; on a telephone the line stands on that side."""
    stop = shelf.rejected()
    at = "[...document.querySelectorAll('ol.way .sign')].map((each) => { const box = each.getBoundingClientRect(); return (box.left + box.right) / 2; })"
    with shelf.serving() as visitor, Tab(browser) as tab:
        tab.goto(f"{visitor.origin}/rejected/{stop}")
        there = tab.evaluate(at)
        tab.evaluate("document.documentElement.dir = 'rtl'")
        back = tab.evaluate(at)
        assert there == sorted(there)
        assert [round(1280 - each) for each in back] == [round(each) for each in there]
        tab.set_viewport_size({"width": 390, "height": 900})
        assert [round(390 - each) for each in tab.evaluate(at)] == [26] * 6


@pytest.mark.browser
def test_the_focus_is_seen_wherever_it_goes(shelf: Stocked, browser: Browser) -> None:
    """Every step of Tab shows a ring of 3 px, 2 px away (WCAG 2.2, 2.4.7), from the link past the head to the last button."""
    stop = shelf.rejected()
    with shelf.serving() as visitor, Tab(browser) as tab:
        tab.goto(f"{visitor.origin}/rejected/{stop}")
        tab.evaluate("document.activeElement.blur()")
        tab.keyboard.press("Tab")
        seen = set()
        for _ in range(60):
            tag, style, width, offset = tab.evaluate(FOCUS)
            if tag != "BODY":
                seen.add(tag)
                assert (style, width, offset) == ("solid", 3, 2), tag
            tab.keyboard.press("Tab")
    assert seen >= {"A", "INPUT", "BUTTON", "SUMMARY"}


@pytest.mark.browser
def test_on_a_telephone_links_can_be_hit_and_nothing_runs_out_of_its_box(
    shelf: Stocked, visitor: Visitor, browser: Browser
) -> None:
    """Every link is 24 px high at least (WCAG 2.2, 2.5.8); a chart and the codes of a result fit, and no name breaks at its hyphen."""
    shelf.rejected()
    result = shelf.coded()
    with Tab(browser, width=390) as tab:
        for path in ("/", "/rejected", "/results", f"/results/{result}", "/numbers", "/reports/2026-11/indicators"):
            tab.goto(visitor.origin + path)
            assert tab.evaluate(SMALL) == [], path
            assert tab.evaluate(CUT) == [], path
        assert tab.locator("svg.lines.narrow").first.is_visible()
        assert not tab.locator("svg.lines:not(.narrow)").first.is_visible()
        tab.goto(f"{visitor.origin}/results/{result}")
        name = tab.locator("h1 .unbroken")
        assert name.evaluate("(each) => each.getClientRects().length") == 1
