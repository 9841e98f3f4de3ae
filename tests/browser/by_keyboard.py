"""A person without a pointer: goes from field to field with Tab, as far as the one that is wanted."""

from __future__ import annotations

from playwright.sync_api import Page

PERSON_MS = 60  # a key is held so long: over the 40 ms under which figures count as scanned (static/entry.js)
MOST_STEPS = 150  # of Tab; a page that needs more to come to its own button is no page for the keyboard
NAME = """() => {
  const at = document.activeElement;
  const label = at.labels?.[0] ? [...at.labels[0].childNodes].filter((each) => each.nodeType === Node.TEXT_NODE).map((each) => each.data).join(" ") : "";
  return (at.ariaLabel || label.trim() || at.textContent).trim().replace(/\\s+/g, " ");
}"""


def focused(tab: Page) -> str:
    """Give the name of what has the focus, as a label or its own text gives it."""
    return str(tab.evaluate(NAME))


def reach(tab: Page, name: str) -> None:
    """Press Tab until that has the focus whose name begins so; it may have it already."""
    passed = []
    for _ in range(MOST_STEPS):
        at = focused(tab)
        if at.startswith(name):
            return
        passed.append(at[:40])
        tab.keyboard.press("Tab")
    raise AssertionError(f"no Tab led to {name!r}, but to {passed}")


def follow(tab: Page, name: str = "") -> None:
    """Reach a link or a button, press Enter, and wait until the next page is loaded, its keys with it."""
    if name:
        reach(tab, name)
    with tab.expect_navigation():
        tab.keyboard.press("Enter")


def fill(tab: Page, *pairs: tuple[str, str]) -> None:
    """Reach each field by its name and type into it; the focus ends on what comes next."""
    for name, text in pairs:
        reach(tab, name)
        tab.keyboard.type(text)
        tab.keyboard.press("Tab")
