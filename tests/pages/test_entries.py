"""The pages on which a strip is entered."""

from __future__ import annotations

import re

import pytest

from bridge.bench.entry import ladders, printed_ladders
from bridge.pages.entries import purposes, words_of_patients
from tests.desk.test_entries import PLACE, SLIPS, TABLES
from tests.desk.test_entries import SLIP as TYPED
from tests.pages.stocked import GOOD, OTHER, Stocked

PATH = "/enter/eye/eyes"
FIELDS = {
    "number": "1",
    "strip_type": "ten",
    "purpose": "ward",
    "strip_lot": "22D31",
    "patient_id": GOOD,
    "patient_again": GOOD,
    "name": "Ana",
    **{f"pad.{pad.pad}": "0" for pad in ladders(PLACE.profile, "ten", TABLES)},
}


@pytest.fixture(autouse=True)
def place(shelf: Stocked) -> None:
    """Let strips be read by eye at ward-4."""
    shelf.eyes = (PLACE,)


def test_every_step_of_every_pad_can_be_chosen(shelf: Stocked) -> None:
    """No step is chosen already: what nobody looked at is no negative."""
    with shelf.serving() as visitor:
        assert f"{PATH}?strip_type=ten" in visitor.page("/enter").links(PATH)
        assert visitor.page(PATH).all("input", type="radio") == [], "first the strip type"
        page = visitor.page(f"{PATH}?strip_type=ten")
        for pad in ladders(PLACE.profile, "ten", TABLES):
            steps = page.all("input", name=f"pad.{pad.pad}")
            assert [its["value"] for its in steps] == [str(choice.rank) for choice in pad.choices]
            assert not any("checked" in its for its in steps)
        assert page.all("option", value="ward")
        assert "A second person compares the strip" in page.text


def test_a_refused_form_comes_back_as_it_was_filled_in(shelf: Stocked) -> None:
    """Nothing that was typed or chosen is lost, and the sentence says what to do."""
    with shelf.serving() as visitor:
        answer = visitor.post(PATH, **{**FIELDS, "patient_again": OTHER, "pad.protein": "2"})
        assert answer.status_code == 409
        assert "The two entries of the patient ID differ." in answer.text
        assert re.search(r'name="patient_again" value="40700015"', answer.text)
        assert re.search(r'name="pad.protein" value="2" required checked', answer.text)
        assert answer.text.count(" required checked>") == 10
        assert shelf.store.analyzers_with_work() == ()


def test_a_kept_strip_is_told_of_without_its_patient(shelf: Stocked) -> None:
    """The address holds our own number and the page no identifier."""
    with shelf.serving() as visitor:
        answer = visitor.post(PATH, **FIELDS)
        assert (answer.status_code, answer.headers["location"]) == (303, "/enter/kept/1")
        page = visitor.page("/enter/kept/1")
        assert "It is being checked." in page.text
        assert GOOD not in page.html


@pytest.mark.parametrize("path", ["/enter/eye/none", "/enter/kept/77"])
def test_what_is_not_there_is_not_found(shelf: Stocked, path: str) -> None:
    """A place or a number that nobody knows."""
    with shelf.serving() as visitor:
        assert visitor.get(path).status_code == 404


def test_a_form_without_its_token_does_nothing(shelf: Stocked) -> None:
    """As of every form."""
    with shelf.serving() as visitor:
        assert visitor.post(PATH, **{**FIELDS, "token": "0" * 64}).status_code == 403
        assert visitor.post(PATH, **{**FIELDS, "pad.protein": "x" * 600}).status_code in {409, 422}
        assert shelf.store.analyzers_with_work() == ()


def test_where_nobody_reads_by_eye_the_page_says_what_to_set(shelf: Stocked) -> None:
    """An empty list is a sentence."""
    shelf.eyes = ()
    with shelf.serving() as visitor:
        assert "adds a source of the kind by_eye" in visitor.page("/enter").text


SLIP = "/enter/slip/line"


def test_a_slip_is_typed_in_as_its_analyzer_prints(shelf: Stocked) -> None:
    """Each pad offers what is printed for its steps, and nothing is chosen; a refusal gives everything back."""
    shelf.slips = (SLIPS,)
    with shelf.serving() as visitor:
        assert SLIP in visitor.page("/enter").links(SLIP)
        assert visitor.page(SLIP).all("select", name="pad.glucose") == [], "first the strip type"
        page = visitor.page(f"{SLIP}?strip_type=Q10")
        for pad in printed_ladders(SLIPS.profile, "Q10", TABLES):
            assert page.all("select", name=f"pad.{pad.pad}")
        fields = {
            "strip_type": "Q10",
            "number": "N00042",
            "printed_at": "2026-11-25T11:40",
            "patient_id": GOOD,
            "patient_again": GOOD,
            "name": "Ana",
            **{f"pad.{pad}": text for pad, text in TYPED.values.items()},
        }
        refused = visitor.post(SLIP, **{**fields, "patient_again": OTHER})
        assert refused.status_code == 409
        assert 'value="NEG" selected' in refused.text
        assert 'value="N00042"' in refused.text
        answer = visitor.post(SLIP, **fields)
        assert (answer.status_code, answer.headers["location"]) == (303, "/enter/kept/1")
        assert visitor.get("/enter/slip/none").status_code == 404


def test_words_beside_the_number_are_the_patients_alone() -> None:
    """A control is not typed in; where the letter stands in the number nobody is asked for a word."""
    assert words_of_patients(TABLES.profiles["lark"].numbers) == (("", "routine"), ("stat", "STAT"))
    assert words_of_patients(TABLES.profiles["brook"].numbers) == ()
    assert purposes(TABLES.profiles["heron"].numbers)[:3] == (
        ("ward", "patient"),
        ("at once", "patient, STAT"),
        ("control", "control"),
    )
