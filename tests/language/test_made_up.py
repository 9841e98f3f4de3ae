"""Every page of a filled site in a made-up language that runs from right to left: what is not put into it is found."""

from __future__ import annotations

import re
from gettext import NullTranslations
from html.parser import HTMLParser
from pathlib import Path

from bridge.pages.app import make_pages
from bridge.pages.language import ENGLISH, language_of
from tests.browser.every_page import follow
from tests.browser.filled import filled
from tests.language.texts import collect
from tests.pages.stocked import Stocked

MARKED = re.compile(r"⟦[^⟦⟧]*⟧")
NO_TEXT = frozenset({"bdi", "code", "kbd", "pre", "script", "style"})
HEARD = frozenset({"title", "aria-label", "placeholder", "data-head"})
PLAIN = re.compile(r"[A-Za-z][^{}⟦⟧]*")


class MadeUp(NullTranslations):
    """Says every text between brackets of its own, a third longer."""

    def gettext(self, message: str) -> str:
        """Give a text."""
        return f"⟦{message}{'~' * (len(message) // 3)}⟧"

    def pgettext(self, context: str, message: str) -> str:
        """Give no other meaning on any page."""
        return message

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        """Give a text with a count."""
        return self.gettext(msgid1 if n == 1 else msgid2)


class Words(HTMLParser):
    """What a page shows or says, outside the brackets."""

    def __init__(self) -> None:
        super().__init__()
        self._aside = 0
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Look at what a screen reader says of it."""
        self._aside += tag in NO_TEXT
        self.found += [_outside(text) for name, text in attrs if name in HEARD and text]

    def handle_endtag(self, tag: str) -> None:
        """Leave it."""
        self._aside -= tag in NO_TEXT

    def handle_data(self, data: str) -> None:
        """Look at what it shows."""
        if not self._aside:
            self.found.append(_outside(data))


def _outside(text: str) -> str:
    while (less := MARKED.sub("", text)) != text:
        text = less
    return text.strip()


def test_no_text_that_a_catalogue_knows_is_shown_in_english_on_any_page(tmp_path: Path) -> None:
    """Each page is asked for in the made-up language; a text of two words or more that stands outside its brackets was forgotten on the way."""
    made_up = language_of("ar", MadeUp())
    known = {text for text in collect().single if " " in text and PLAIN.fullmatch(text)}
    shelf = Stocked(tmp_path)
    told = {**filled(shelf), "languages": (ENGLISH, made_up), "language": made_up.tag}
    app = make_pages(shelf.store, shelf.desks(shelf.site(**told)), site=shelf.site(**told), now=lambda: shelf.now)
    left: set[tuple[str, str]] = set()
    with shelf.serving(**told) as visitor:
        pages = follow(visitor, app).pages
        for address in pages:
            text = visitor.get(address).text
            assert '<html lang="ar" dir="rtl">' in text, address
            words = Words()
            words.feed(text)
            left |= {(address, each) for each in words.found if each in known}
    shelf.close()
    assert len(pages) > 50
    assert sorted(left) == []
