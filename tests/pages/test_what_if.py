"""What would go is shown before it goes: over a real strip, judged by the shipped tables."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace

import pytest

from bridge.desk.foresight import Foreseen, Foresight
from bridge.model import Format
from bridge.what_if import WhatIf
from tests.judging_for_tests import ORU, book, judging, kept, now, strip
from tests.pages.stocked import GOOD, OTHER, Page, Stocked, Visitor
from tests.tables.shipped_tables import tables

CORRECT = {"first": GOOD, "second": GOOD, "second_identifier": "1"}


@pytest.fixture
def seeing(shelf: Stocked) -> Iterator[Visitor]:
    """Serve pages that foresee, over a store with one strip whose patient ID lacks a digit."""
    shelf.store.submit(kept(strip(1, patient_id="4070000"))).result()
    asyncio.run(judging(shelf.store).work_off("bench-b"))
    foresees = WhatIf(shelf.store, tables(), book(ORU, passed=[ORU.name]), now, profiles={"drops": "tern"})
    with shelf.serving(foresees=foresees) as visitor:
        yield visitor


def test_a_correction_is_shown_with_old_and_new_side_by_side(shelf: Stocked, seeing: Visitor) -> None:
    """HZ-A01: and with the message that would go; the form that does it holds what was scanned. Nothing is done by looking."""
    answer = seeing.post("/rejected/1/what-if/correct", **CORRECT)
    assert answer.status_code == 200
    page = Page(answer.text)
    assert f"Now New Patient ID 4070000 {GOOD}" in page.text
    assert "It becomes a result and goes to records." in page.text
    assert "No message of this strip has gone there before." in page.text
    assert f"|{GOOD}^" in page.text or f"|{GOOD}|" in page.text
    assert {its["name"]: its["value"] for its in page.all("input", type="hidden") if its["name"] != "token"} == CORRECT
    row = shelf.store.stop(1)
    assert row is not None
    assert row.state.value == "open"
    assert [event.what for event in shelf.store.events("stop:1")] == ["stop.opened"]
    done = seeing.post("/rejected/1/correct", **CORRECT, name="Ana", reason="digit lost")
    assert done.status_code == 303


def test_what_the_desk_would_refuse_is_said_at_once(seeing: Visitor) -> None:
    """Before a name and a reason are asked for."""
    answer = seeing.post("/rejected/1/what-if/correct", first=GOOD, second=OTHER, second_identifier="1")
    assert answer.status_code == 409
    assert "Not done. The two entries of the patient ID differ." in Page(answer.text).text


def test_what_would_stop_again_says_so(seeing: Visitor) -> None:
    """Reading again without a mended profile changes nothing."""
    page = Page(seeing.post("/rejected/1/what-if/read-again").text)
    assert "Cannot be sent. Nothing goes to any record." in page.text
    assert Page(seeing.post("/rejected/1/what-if/discard", specimen="run again").text).all("button", **{"class": "danger"})


def test_every_form_that_ends_a_row_can_be_looked_at_first(shelf: Stocked, seeing: Visitor) -> None:
    """And none where nobody can tell, or there is nothing."""
    offered = [its["formaction"] for its in seeing.page("/rejected/1").all("button") if "formaction" in its]
    assert offered == [f"/rejected/1/what-if/{each}" for each in ("correct", "read-again", "discard")]
    assert seeing.post("/rejected/999/what-if/discard").status_code == 404
    assert seeing.post("/rejected/1/what-if/take").status_code == 422
    with shelf.serving() as blind:
        assert not [its for its in blind.page("/rejected/1").all("button") if "formaction" in its]
        assert blind.post("/rejected/1/what-if/discard").status_code == 404


def test_a_message_of_another_format_is_not_said_to_be_the_same(shelf: Stocked) -> None:
    """A receiver that took HL7 and takes FHIR by now: nothing is held side by side, and nobody is told that nothing differs."""
    stop = shelf.refused()
    (old,) = [message for _, message, _ in detail.deliveries] if (detail := shelf.store.result("R000001")) else []
    made = replace(old, payload=b'{"resourceType":"Bundle"}', format=Format.FHIR)
    seen = Foresight(outcome="coded", findings=(), messages=(Foreseen(destination="records", message=made),))
    with shelf.serving(foresees=lambda _stop, _command: seen) as visitor:
        text = Page(visitor.post(f"/rejected/{stop}/what-if/send-again").text).text
    assert "was of another format: read this one whole." in text
    assert "It says the same" not in text
