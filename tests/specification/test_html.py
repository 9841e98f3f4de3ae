"""The document as HTML, read by Python's own parser: every block, no script, and every text as text."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from bridge.specification import Door, Specification, specify
from bridge.specification.document import LETTERS
from bridge.specification.html import STYLE, as_html
from bridge.specification.types import Sample, shown
from tests.specification.subjects import HOSTILE, bare, document, hostile

ALLOWED = {
    *["html", "head", "meta", "link", "title", "style", "body", "header", "nav", "main", "section", "h1", "h2", "h3", "p", "a"],
    *["ul", "li", "table", "thead", "tbody", "tr", "th", "td", "pre"],
}
EMPTY = {"meta", "link"}


class Reader(HTMLParser):
    """Collects elements and texts, and sees that every element is closed in turn."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: set[str] = set()
        self.texts: dict[str, list[str]] = {}
        self.attributes: list[tuple[str, str]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.add(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag not in EMPTY:
            self.open.append(tag)
            self.texts.setdefault(tag, []).append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open:
            self.texts[self.open[-1]][-1] += data


@pytest.mark.parametrize("made", [*(document(door) for door in Door), *(bare(door) for door in Door), specify(hostile())])
def test_every_block_is_there_and_nothing_runs_or_loads(made: Specification) -> None:
    """Only the elements that we write; no event attribute, no address but places in the page and the empty icon."""
    page = Reader(as_html(made))
    assert "".join(heading[0] for heading in page.texts["h2"]) == LETTERS
    assert page.seen <= ALLOWED
    assert page.open == []
    assert not [name for name, _ in page.attributes if name.startswith("on") or name in {"src", "style"}]
    assert {value for name, value in page.attributes if name == "href"} <= {"data:,", *(f"#{letter}" for letter in LETTERS)}


def test_hostile_words_come_out_as_text() -> None:
    """Title, heading and cells show exactly what the site wrote, what cannot be seen named."""
    page = Reader(as_html(specify(hostile())))
    assert page.texts["title"] == page.texts["h1"] == [shown(f"Interface specification: {HOSTILE} to example-hl7")]
    assert "(U+202E)end" in page.texts["h1"][0]
    assert page.texts["td"].count(shown(HOSTILE)) >= 13
    assert "\u202e" not in as_html(specify(hostile()))


def test_samples_are_whole() -> None:
    """What a vendor copies from the page is the message."""
    made = document(Door.FHIR)
    samples = [part.message for block in made.blocks for part in block.parts if isinstance(part, Sample) and part.message]
    assert Reader(as_html(made)).texts["pre"] == samples


def test_what_lacks_is_told_first_and_in_its_block() -> None:
    """With a way to each block."""
    page = Reader(as_html(bare()))
    assert page.texts["p"][1].startswith("Not ready for go-live.")
    assert "Not set: what was agreed on controls (agreement.controls). Settle this before go-live." in page.texts["p"]
    assert "not set" in page.texts["td"]
    assert "Not ready" not in as_html(document())


def test_the_look_is_that_of_the_pages() -> None:
    """The tokens are those of the pages' own stylesheet, light and dark, so that the two look like one house."""
    pages = (Path(__file__).parents[2] / "bridge/pages/static/padpost.css").read_text(encoding="utf-8")
    tokens = re.findall(r"--\w+: #[0-9a-f]{6}", STYLE)
    assert len(tokens) == 14
    assert [token for token in tokens if token not in pages] == []
