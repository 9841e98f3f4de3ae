"""Before a strip goes to another patient's record, that patient's other strip of the day is named, and a person says that it is the same person's."""

from __future__ import annotations

from datetime import timedelta

import pytest

from bridge.desk.same_day import ask_same_person, others_of_day
from bridge.errors import AnotherStrip, RefusedAction
from bridge.model import Format, Purpose
from tests.pages.stocked import GOOD, LISBON, NOW, OTHER, Page, Stocked


def test_the_patients_other_strips_of_that_day_are_named(shelf: Stocked) -> None:
    """HZ-A02: by analyzer, number and time, newest first; none of another day, another patient, a control or a copy, and not the strip itself."""
    strip = shelf.strip_of(shelf.rejected(GOOD, number="9"))
    assert others_of_day(shelf.store, strip, OTHER, zone=LISBON) == ()
    ask_same_person(shelf.store, strip, OTHER, zone=LISBON)
    shelf.now = NOW - timedelta(days=1)
    shelf.coded(OTHER, number="1")
    shelf.now = NOW - timedelta(hours=2)
    first = shelf.coded(OTHER, number="133", to=(Format.ORU_R01,))
    shelf.now = NOW
    shelf.other(Purpose.CONTROL, number="2")
    shelf.coded(GOOD, number="3")
    shelf.held(OTHER, number="134")
    found = others_of_day(shelf.store, strip, OTHER, zone=LISBON)
    assert [each.number for each in found] == ["134", "133"]
    with pytest.raises(AnotherStrip) as asked:
        ask_same_person(shelf.store, strip, OTHER, zone=LISBON)
    assert str(asked.value) == (
        "This patient already has a strip of 2026-11-25: bench-a 134 at 11:40, bench-a 133 at 09:40. Is it the same person? "
        "Look at the label on the tube again; if it is, say so below and send this once more."
    )
    assert isinstance(asked.value, RefusedAction)
    shelf.copy(found[1].strip_id)
    own = shelf.store.result(first)
    assert own is not None
    assert [each.number for each in others_of_day(shelf.store, own.strip, OTHER, zone=LISBON)] == ["134"]


def test_nothing_is_corrected_before_somebody_has_looked(shelf: Stocked) -> None:
    """HZ-A02: the first try comes back with the question and what was typed but the two scans; the second goes."""
    shelf.coded(OTHER, number="133")
    stop = shelf.rejected(number="9", specimen_id="U-9")
    fields = {"first": OTHER, "second": OTHER, "second_identifier": "U-9", "name": "Ana", "reason": "label scanned again"}
    with shelf.serving() as visitor:
        assert "same_person" not in visitor.page(f"/rejected/{stop}").html
        asked = visitor.post(f"/rejected/{stop}/correct", **fields)
        page = Page(asked.text)
        assert asked.status_code == 409
        assert "bench-a 133 at 11:40. Is it the same person?" in page.text
        assert page.all("input", name="same_person") == [{"type": "checkbox", "name": "same_person", "value": "yes"}]
        assert page.all("input", name="reason")[0]["value"] == "label scanned again"
        before = shelf.store.stop(stop)
        assert before is not None
        assert before.state.value == "open"
        told = visitor.api(f"/api/stops/{stop}/correct", fields)
        assert (told.status_code, "Is it the same person?" in told.text) == (400, True)
        assert visitor.post(f"/rejected/{stop}/correct", **{**fields, "second": GOOD}).status_code == 409
        assert visitor.post(f"/rejected/{stop}/correct", **fields, same_person="yes").status_code == 303


def test_nor_is_a_result_moved(shelf: Stocked) -> None:
    """HZ-I03: to a patient who has a strip of that day already."""
    shelf.coded(OTHER, number="133")
    result = shelf.coded(GOOD, number="9", specimen_id="U-9")
    fields = {
        "version": "1", "first": OTHER, "second": OTHER, "second_identifier": "U-9", "name": "Ana", "colleague": "Rui", "reason": "wrong label",
    }  # fmt: skip
    with shelf.serving() as visitor:
        asked = visitor.post(f"/results/{result}/move", **fields)
        assert asked.status_code == 409
        assert "Is it the same person?" in Page(asked.text).text
        assert len(Page(asked.text).all("input", name="same_person")) == 1
        assert shelf.store.corrections() == ()
        assert visitor.post(f"/results/{result}/move", **fields, same_person="yes").status_code == 303
