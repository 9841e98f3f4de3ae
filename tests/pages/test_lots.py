"""The page Lots, over the real judging: containers entered and ended, every strip of a lot, and two lots compared."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import replace
from io import StringIO

import pytest

from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from tests.bench.controls_for_tests import compiled
from tests.bench.shelved import Shelved
from tests.judging_for_tests import NOW
from tests.pages.stocked import Page, Stocked, Visitor

TYPED = {"analyzer": "bench-a", "strip_type": "quill-10", "strip_lot": "24A01", "expires": "2027-03-31", "name": "A. Sund"}


@pytest.fixture
def bench(shelf: Stocked) -> Shelved:
    """Give an analyzer whose site asks for containers, over the shelf's store."""
    shelf.now = NOW
    return Shelved(shelf.store)


@pytest.fixture
def visitor(shelf: Stocked, bench: Shelved) -> Iterator[Visitor]:
    """Serve the pages with the tables of that site."""
    with shelf.serving(bench=PagesBench(tables=bench.tables, terms=example_terms())) as visitor:
        yield visitor


def test_a_site_without_the_file_is_told_so(shelf: Stocked) -> None:
    """Nothing is promised that is not done; a recall works all the same."""
    shelf.coded()
    with shelf.serving() as visitor:
        page = visitor.page("/lots")
        assert "This site asks for no containers" in page.text
        assert page.all("form", action="/lots/containers") == []
        assert "sedge-5: 1 strip of 1 patient." in visitor.page("/lots/strips?strip_type=sedge-5&strip_lot=24A01").text
        assert "not done" in visitor.post("/lots/containers", **TYPED).text.lower()


def test_a_container_is_entered_and_ends(shelf: Stocked, visitor: Visitor) -> None:
    """Its line says to which day it may be used, who entered it, and what its label says where that is later."""
    assert "every patient's strip is from an unknown one" in visitor.page("/lots").text
    answer = visitor.post("/lots/containers", **TYPED)
    assert (answer.status_code, answer.headers["location"]) == (303, "/lots")
    text = visitor.page("/lots").text
    assert "bench-a , quill-10, lot 24A01: in use . To be used to 2027-02-23." in text.replace("bench-a,", "bench-a ,").replace(
        "use.", "use ."
    )
    assert "entered by A. Sund. Its label says 2027-03-31." in text
    (row,) = shelf.store.containers()
    ended = visitor.post(f"/lots/containers/{row.container.container_id}/close", how="used up or given up", name="B. Orr")
    assert ended.status_code == 303
    text = visitor.page("/lots").text
    assert "B. Orr: used up or given up" in text
    again = visitor.post(f"/lots/containers/{row.container.container_id}/close", how="used up or given up", name="B. Orr")
    assert (again.status_code, "out of use already" in again.text) == (409, True)
    assert visitor.post(f"/lots/containers/{row.container.container_id}/close", how="lost", name="B. Orr").status_code == 422


def test_a_refusal_keeps_what_was_typed(shelf: Stocked, visitor: Visitor) -> None:
    """The sentence says what to look at; nothing is kept."""
    answer = visitor.post("/lots/containers", **{**TYPED, "expires": "2026-11-01"})
    page = Page(answer.text)
    assert answer.status_code == 409
    assert "Not done. This container is past its last day, 2026-11-01: do not use it." in page.text
    values = {
        each["name"]: each["value"]
        for each in page.all("input")
        if each.get("name") in {"strip_lot", "expires"} and "value" in each
    }
    assert values == {"strip_lot": "24A01", "expires": "2026-11-01"}
    assert [each["value"] for each in page.all("option") if "selected" in each] == ["bench-a", "quill-10"]
    unknown = visitor.post("/lots/containers", **{**TYPED, "analyzer": "bench-z"})
    assert (unknown.status_code, "Choose the analyzer and the strip type." in unknown.text) == (409, True)
    assert shelf.store.containers() == ()


def test_forms_need_the_pages_token(shelf: Stocked, visitor: Visitor) -> None:
    """What another site posts is turned away."""
    assert visitor.post("/lots/containers", **TYPED, token="x").status_code == 403
    assert visitor.post("/lots/containers/1/close", how="used up or given up", name="B", token="x").status_code == 403
    assert shelf.store.containers() == ()


def test_a_container_near_its_end_and_one_that_stood_open_are_told_of_on_today(
    shelf: Stocked, bench: Shelved, visitor: Visitor
) -> None:
    """HZ-C03 and HZ-C04: nobody has to open the page Lots to hear of it."""
    bench.open(expires="2026-11-27")
    assert "bench-a, strips of lot 24A01 : in use, not for long any more; last day 2026-11-27." in visitor.page("/").text.replace(
        "24A01:", "24A01 :"
    )
    bench.open(strip_lot="24B07", expires="2027-08-31")
    for _ in range(8):
        bench.read(bench.patient(lot="24B07", ranks={"nitrite": 1}))
    shelf.now = bench.at
    visitor.page("/lots")
    assert "The container may have stood open." in visitor.page("/").text
    text = visitor.page("/lots").text
    assert "It may have stood open. 8 of 8 strips of patients were positive on Nitrite and negative on Leukocyte" in text
    assert "expected 5 %). So many come by chance in fewer than 0.01 of 100 containers." in text


def test_every_strip_of_a_lot_is_listed(bench: Shelved, visitor: Visitor) -> None:
    """HZ-C02 looked at from behind: a recall lists patients' strips, controls and what was held, counts them, and exports all."""
    bench.open()
    for _ in range(3):
        bench.read(bench.patient())
    bench.read(bench.control("1"))
    bench.read(bench.patient(lot="24B07"))
    here = "strip_type=quill-10&strip_lot=24A01"
    page = visitor.page(f"/lots/strips?{here}")
    assert "quill-10: 4 strips of 3 patients." in page.text
    assert "3 strips (patient): became a result" in page.text
    assert "1 strip (control): stored and shown; in no patient's record" in page.text
    assert "records: 3 waiting to be sent" in page.text
    assert len(page.links("/strips/")) == 4
    answer = visitor.client.get(f"/lots/strips.csv?{here}")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "text/csv; charset=utf-8")
    assert answer.headers["content-disposition"] == 'attachment; filename="lot.csv"'
    rows = list(csv.reader(StringIO(answer.text, newline="")))
    assert [row[2] for row in rows[1:]] == ["1", "2", "3", "4"]
    for typed in ("24a01", "24A-01"):
        alike = visitor.page(f"/lots/strips?strip_type=quill-10&strip_lot={typed}")
        assert "Written otherwise: 24A01, " in alike.text
        assert [each["href"] for each in alike.all("a") if each["href"].endswith("strip_lot=24A01")] != []
    assert "Written otherwise" not in page.text
    other = visitor.page("/lots/strips?strip_type=quill-10&strip_lot=24B07")
    assert "quill-10: 1 strip of 1 patient." in other.text
    assert "1 strip (patient): waiting for your decision" in other.text


def test_a_new_lot_is_accepted_on_its_page(shelf: Stocked) -> None:
    """HZ-C05: told of on Today and on Lots, accepted with a name and a reason, signed by a second person, and taken back."""
    shelf.now = NOW
    bench = Shelved(shelf.store, findings={"new_lot": "hold"})
    bench.open()
    here = "/lots/strips?strip_type=quill-10&strip_lot=24A01"
    lot = {"strip_type": "quill-10", "strip_lot": "24A01", "name": "A. Sund"}
    with shelf.serving(bench=PagesBench(tables=bench.tables, terms=example_terms())) as visitor:
        assert "The lot is not accepted yet." in visitor.page("/").text
        assert "This lot is not accepted yet: look at it." in visitor.page("/lots").text
        assert "Nobody has accepted this lot yet." in visitor.page(here).text
        refused = visitor.post("/lots/accepted", action="accept", reason=" ", **lot)
        assert (refused.status_code, "Say what it was compared with" in refused.text) == (409, True)
        answer = visitor.post("/lots/accepted", action="accept", reason="20 pairs", **lot)
        assert (answer.status_code, answer.headers["location"]) == (303, here)
        assert "Accepted by A. Sund, 09:00, just now: 20 pairs" in visitor.page(here).text
        assert "A second person has still to sign: until then the lot counts as not accepted." in visitor.page(here).text
        assert "not accepted yet" in visitor.page("/lots").text
        alone = visitor.post("/lots/accepted", action="sign", **{**lot, "name": "a.  SUND"})
        assert (alone.status_code, "You accepted this lot yourself." in alone.text) == (409, True)
        assert visitor.post("/lots/accepted", action="sign", **{**lot, "name": "T. Vance"}).status_code == 303
        assert "20 pairs Signed by T. Vance, 09:00, just now." in visitor.page(here).text
        assert "not accepted yet" not in visitor.page("/lots").text + visitor.page("/").text
        again = visitor.post("/lots/accepted", action="accept", reason="20 pairs", **lot)
        assert (again.status_code, "This lot is accepted already." in again.text) == (409, True)
        assert visitor.post("/lots/accepted", action="withdraw", reason="false low", **lot).status_code == 303
        assert "Nobody has accepted this lot yet." in visitor.page(here).text
        assert visitor.post("/lots/accepted", action="lose", reason="x", **lot).status_code == 422
        assert visitor.post("/lots/accepted", action="accept", reason="x", token="x", **lot).status_code == 403


def test_a_lot_that_nothing_was_read_of_says_so(visitor: Visitor) -> None:
    """A slip of the pen in the code must not look like a clean recall."""
    text = visitor.page("/lots/strips?strip_type=quill-10&strip_lot=24a01").text
    assert "0 strips" in text
    assert "Look whether the lot code is written as the analyzer prints it" in text
    for nothing in ("", "  "):
        answer = visitor.get(f"/lots/strips?strip_type=quill-10&strip_lot={nothing}")
        assert (answer.status_code, answer.headers["location"]) == (303, "/lots")


def test_two_lots_are_compared_by_what_was_read_on_both(bench: Shelved, visitor: Visitor) -> None:
    """HZ-C05: both levels on either lot; the second lot reads glucose of the positive one a step higher."""
    assert compiled().lots[1].lot == "B2-0772"
    for lot, more in (("24A01", {}), ("24B07", {"glucose": 4})):
        bench.read(replace(bench.control("1"), lot=lot), replace(bench.control("2", **more), lot=lot))
    page = visitor.page("/lots/compared?strip_type=quill-10&first=24A01&second=24B07")
    assert "quill-10: 2 pairs of readings of the same specimen." in page.text
    assert "Glucose 1 of 2 (95 % interval 9% to 91%) 2 of 2 (95 % interval 34% to 100%) 0 0 1 negative, 1 positive" in page.text
    assert "whether the new lot may be used is decided by your procedure" in page.text
    assert "Nothing was read on both lots" in visitor.page("/lots/compared?strip_type=quill-10&first=24A01&second=24Z").text
    for query in ("first=24A01&second=24A01", "first=&second="):
        refused = visitor.get(f"/lots/compared?strip_type=quill-10&{query}")
        assert refused.status_code == 409
        assert "Choose two lots that differ: a lot that is compared with itself agrees with itself." in refused.text
    assert "Nothing was read on both lots" in visitor.page("/lots/compared?strip_type=none&first=a&second=b").text


def test_controls_sends_new_containers_to_lots(bench: Shelved, visitor: Visitor) -> None:
    """One place where a container is entered: with its lot and last day."""
    assert 'href="/lots"' in visitor.page("/controls").html
