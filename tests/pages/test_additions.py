"""The page To be added."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from bridge.model import Severity
from bridge.pages.additions import PAGE
from bridge.pages.language import language
from bridge.pages.site import Bench
from bridge.site import example_terms
from tests.pages.stocked import Page, Stocked, Visitor
from tests.store import strips as s
from tests.store.addition_contract import known, waiting
from tests.tables.additions_for_tests import asking

SEEN = {"colour": "amber", "clarity": "clear", "name": "Ana"}


@contextmanager
def serving(shelf: Stocked, **site: Any) -> Iterator[Visitor]:
    with shelf.serving(bench=Bench(tables=asking(), terms=example_terms()), **site) as visitor:
        yield visitor


def test_what_waits_is_found_by_its_label_and_added_to(shelf: Stocked) -> None:
    """Scan, choose, keep; back at the list the next label may be scanned. No identifier is in an address."""
    waiting(shelf.store, "W1")
    waiting(shelf.store, "W2", patient="4712")
    with serving(shelf) as visitor:
        assert {"/to-add/1", "/to-add/2"} <= set(visitor.page("/to-add").links("/to-add/"))
        found = visitor.post("/to-add/find", text="4712")
        assert (found.status_code, found.headers["location"]) == (303, "/to-add/2")
        form = visitor.page("/to-add/2")
        assert [its["value"] for its in form.all("input", type="radio", name="clarity")] == [
            "clear",
            "hazy",
            "cloudy",
            "turbid",
            "-",
        ]
        kept = visitor.post("/to-add/2", **SEEN)
        assert (kept.status_code, kept.headers["location"]) == (303, "/to-add?done=2")
        page = visitor.page("/to-add?done=2")
        assert "it goes now" in page.text
        assert "autofocus" in page.all("input", name="text")[0]
        assert [each.word for each in known(shelf.store, "W2").additions] == ["amber", "clear"]
        nobody = visitor.post("/to-add/find", text="nobody")
        assert (nobody.status_code, "No strip with this number" in nobody.text) == (404, True)


def test_a_refused_form_keeps_what_was_chosen_and_says_who_was_first(shelf: Stocked) -> None:
    """Whoever comes second is told by whom, and sees no form any more."""
    waiting(shelf.store, "W1")
    with serving(shelf) as visitor:
        left = visitor.post("/to-add/1", colour="amber", name="Ana")
        assert (left.status_code, "Choose one for each" in left.text) == (409, True)
        assert 'value="amber" required checked' in left.text
        assert visitor.post("/to-add/1", **SEEN).status_code == 303
        second = visitor.post("/to-add/1", **{**SEEN, "name": "Ben"})
        assert (second.status_code, "Ana has added to this strip already" in second.text) == (409, True)
        assert visitor.page("/to-add/1").all("input", type="radio") == []
        assert visitor.get("/to-add/9").status_code == 404


def test_a_held_strip_is_added_to_from_its_row(shelf: Stocked) -> None:
    """Its row on Rejected messages points here, and the next look says that it is over."""
    of = s.reading("7", analyzer="bench-b")
    s.record(shelf.store, of, s.held(of, s.finding("addition.missing", Severity.HOLD, releasable=True)))
    with serving(shelf) as visitor:
        assert "/to-add/held/1" in visitor.page("/rejected/1").links("/to-add/")
        answer = visitor.post("/to-add/held/1", specimen_type="urine", **SEEN)
        assert (answer.status_code, answer.headers["location"]) == (303, "/rejected/1")
        assert "Ana (unverified) has dealt with this already: read again." in visitor.page("/to-add/held/1").text
    with serving(shelf, languages=(language("es"),), language="es") as spanish:
        assert "Ana (unverified) ya se ha ocupado de esto: leído de nuevo." in spanish.page("/to-add/held/1").text


def test_the_list_goes_on_behind_its_last_row(shelf: Stocked) -> None:
    """Paged by key."""
    for number in range(PAGE + 1):
        waiting(shelf.store, f"W{number}", patient=f"9{number}")
    with serving(shelf) as visitor:
        assert f"/to-add?after={PAGE}" in visitor.page("/to-add").links("/to-add?")
        assert len(visitor.page(f"/to-add?after={PAGE}").links("/to-add/")) == 1
        nobody = Page(visitor.post("/to-add/find", text="nobody").text)
        assert f"/to-add?after={PAGE}" in nobody.links("/to-add?")


def test_a_site_that_asks_for_nothing_says_so_and_has_no_link(shelf: Stocked) -> None:
    """The page is there, and nothing on it to do."""
    with shelf.serving() as visitor:
        assert "No source of this site asks for anything" in visitor.page("/to-add").text
        assert "/to-add" not in visitor.page("/").links("/to-add")
