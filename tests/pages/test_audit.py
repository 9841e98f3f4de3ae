"""The page Audit: who saw and did what, in words, found by person, act, strip and day."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bridge.model import Actor
from bridge.pages.audit import SECTION, act_words, change_words, link_of
from bridge.store.audit_commands import NoteVerified
from bridge.store.commands import NoteSights, Sight
from bridge.store.rows import EventRow
from tests.pages.stocked import NOW, Page, Stocked, Visitor

ANA, BEN = Actor(name="Ana", verified="password"), Actor(name="<b>Ben</b>", verified="unverified")


def see(shelf: Stocked, who: Actor, page: str, subject: str, minutes: int = 0) -> None:
    sight = Sight(at=NOW + timedelta(minutes=minutes), actor=who, page=page, subject=subject, address="from 192.0.2.7")
    shelf.store.submit(NoteSights(sights=(sight,))).result(10)


def rows_of(page: Page) -> int:
    return len(page.all("tr")) - 1 if page.all("tr") else 0


def test_the_trail_is_shown_in_words_newest_first(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-J01: who, what, of which strip, from where; names as they were given, and nothing of them runs."""
    shelf.coded(number="12")
    see(shelf, BEN, "result", "strip:1", 3)
    page = visitor.page("/audit")
    assert "<b>Ben</b> (unverified) saw: result strip 1 from 192.0.2.7" in page.text
    assert "Padpost judged: coded strip 1" in page.text
    assert page.text.index("saw: result") < page.text.index("judged: coded") < page.text.index("received")
    assert not page.all("b")
    assert "/strips/1" in page.links("/strips/")


def test_each_thing_that_is_given_narrows_it(shelf: Stocked, visitor: Visitor) -> None:
    """Person, act, strip and the site's own day; what is given stands in the form again."""
    shelf.coded(number="12")
    see(shelf, ANA, "result", "strip:1", 1)
    see(shelf, ANA, "results", "list", 2)
    see(shelf, BEN, "results", "list", 24 * 60)
    assert rows_of(visitor.page("/audit?who=Ana")) == 2
    assert rows_of(visitor.page("/audit?what=seen")) == 3
    assert rows_of(visitor.page("/audit?what=seen&day=2026-11-25")) == 2
    assert rows_of(visitor.page("/audit?what=seen&day=2026-11-26&who=Ana")) == 0
    of_strip = visitor.page("/audit?strip=1")
    assert "Ana (password) saw: result strip 1" in of_strip.text
    assert "results list" not in of_strip.text
    assert of_strip.all("input", name="strip", value="1")
    assert "Nothing was found." in visitor.page("/audit?who=Nobody").text


def test_a_long_trail_is_paged(shelf: Stocked, visitor: Visitor) -> None:
    """The link goes on behind the last row, with what was given."""
    for minute in range(SECTION + 3):
        see(shelf, ANA, "results", "list", minute)
    first = visitor.page("/audit?who=Ana")
    (link,) = first.links("/audit?who")
    rest = visitor.page(link)
    assert (rows_of(first), rows_of(rest)) == (SECTION, 3)
    assert not rest.links("/audit?who")


@pytest.mark.parametrize("query", ["day=yesterday", "day=9999-12-31", "strip=x", "strip=-1", f"before={2**63}", "strip=²"])
def test_what_is_no_day_and_no_number_is_told(still: Visitor, query: str) -> None:
    """A slip of the hand is no defect."""
    answer = still.get(f"/audit?{query}")
    assert answer.status_code == 422
    assert "Something is missing or not of its kind" in answer.text or "Look at" in answer.text or "date" in answer.text


def test_acts_have_words_and_things_have_pages() -> None:
    """What has no words of its own is shown by its own name; what has no page has no link."""
    assert (act_words("seen"), act_words("delivery.accept"), act_words("look_back.decided")) == (
        "saw",
        "delivery: accept",
        "look back: decided",
    )
    assert [link_of(subject) for subject in ("strip:4", "stop:5", "delivery:6", "list", "strip:x")] == [
        "/strips/4",
        "/rejected/5",
        "",
        "",
        "",
    ]
    told = EventRow(at=NOW, actor="a", verified="v", what="w", subject="s", before="open", after="closed", reason="")
    assert change_words(told) == "open → closed"


def test_the_look_through_of_each_night(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-J02: not yet, whole, or where it first is not, and what to do then."""
    assert "it was not yet" in visitor.page("/audit").text
    whole = NoteVerified(at=shelf.now, entries=1, events=2, broken="")
    shelf.store.submit(whole).result(10)
    assert "all of it was as it was written" in visitor.page("/audit").text
    shelf.store.submit(replace(whole, broken="Entry 1-2: <b>gone</b>.")).result(10)
    page = visitor.page("/audit")
    assert "The history is not as it was written. Entry 1-2: <b>gone</b>." in page.text
    assert "all of it was as it was written" not in page.text
