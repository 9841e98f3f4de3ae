"""A withdrawn result in words, on every page where its strip may stand: nobody takes it for one that stands."""

from __future__ import annotations

import pytest

from bridge.bench.corrections import Kind, Withdrawal
from bridge.lifecycle.states import DestinationState
from bridge.model import Actor, Answer, DeliveryState, Format
from bridge.pages.withdrawal import StandingStill, Withdrawn, withdrawal_of
from bridge.store.commands import SetDestination
from bridge.store.today_commands import PauseDestination
from tests.pages.stocked import GOOD, OTHER, Page, Stocked, Visitor
from tests.pages.test_corrections import WHO, born

S = DeliveryState
ANA = Actor(name="Ana", verified="unverified")


def withdrawn(*states: tuple[str, DeliveryState, str]) -> Withdrawn:
    return Withdrawn(
        withdrawals=tuple(Withdrawal(destination=name, state=state, stands_still=still) for name, state, still in states)
    )


@pytest.mark.parametrize(
    ("states", "sentence"),
    [
        ((), "no receiver has it"),
        ((("records", S.SUPERSEDED, "paused"),), "no receiver has it"),
        ((("records", S.ACCEPTED, ""), ("chart", S.ACCEPTED, "")), "withdrawal received by records and chart"),
        ((("records", S.QUEUED, ""),), "withdrawal not yet by records (its withdrawal is on its way)"),
        (
            (("chart", S.ACCEPTED, ""), ("records", S.UNBORN, "paused"), ("archive", S.REFUSED, "")),
            "withdrawal received by chart, not yet by records (its withdrawal waits: paused) nor by archive (it turned the withdrawal away)",
        ),
        ((("records", S.EXPIRED, "shut"),), "withdrawal not yet by records (the withdrawal was given up after many tries)"),
        ((("records", S.DISCARDED, ""),), "withdrawal not yet by records (the withdrawal was discarded)"),
        ((("records", S.UNSURE, ""),), "withdrawal not yet by records (nobody knows whether the withdrawal was sent)"),
    ],
)
def test_a_sentence_says_who_may_still_show_it_and_why(states: tuple[tuple[str, DeliveryState, str], ...], sentence: str) -> None:
    """Every state of a withdrawal has its words."""
    assert withdrawn(*states).sentence == sentence


@pytest.mark.parametrize("state", list(S))
def test_every_state_of_a_withdrawal_has_words(state: DeliveryState) -> None:
    """None is silent: it was taken back, there was nothing to take back, or the receiver may show it."""
    its = withdrawn(("records", state, ""))
    assert bool(its.still_there) == (state not in {S.ACCEPTED, S.SUPERSEDED})
    assert its.sentence


@pytest.fixture
def taken(shelf: Stocked, visitor: Visitor) -> str:
    """Give a result that two receivers have, withdrawn: ``chart`` is paused."""
    result = shelf.coded(to=(Format.ORU_R01, Format.FHIR), number="17", specimen_id="U-17")
    for name in ("records", "chart"):
        shelf.answered(result, Answer.ACCEPTED, "filed", name)
    shelf.store.submit(PauseDestination(destination="chart", actor=ANA, reason="their update", at=shelf.now)).result(10)
    assert visitor.post(f"/results/{result}/withdraw", version="1", **WHO).status_code == 303
    return result


def test_a_withdrawn_result_is_called_so_wherever_it_stands(shelf: Stocked, visitor: Visitor, taken: str) -> None:
    """HZ-I03: in the list, where a strip is looked for, on its own page and on its strip's; with the receivers that may still show it."""
    born(shelf, taken)
    shelf.answered(taken, Answer.ACCEPTED, "filed")
    sentence = "ithdrawal received by records, not yet by chart (its withdrawal waits: paused)"
    listed = visitor.page("/results")
    assert f"Withdrawn; w{sentence}" in " ".join(listed.text.split())
    assert "chart: waiting" not in listed.text
    assert "withdrawn; a receiver may still show it" in [each["aria-label"] for each in listed.all("span", role="img")]
    for text in (GOOD, "17", "U-17"):
        found = Page(visitor.post("/find", text=text).text)
        assert "Withdrawn: bench-a 17" in found.text
        assert f"W{sentence}." in found.text
        assert found.all("i")[0]["class"] == "sign cannot"
    strip = shelf.store.result(taken)
    assert strip is not None
    for page in (f"/results/{taken}", f"/strips/{strip.strip.strip_id}"):
        (way,) = visitor.page(page).all("ol", **{"class": "way"})
        assert way["aria-label"] == "The strip's way: withdrawn; a receiver may still show it", page


def test_a_receiver_that_cannot_be_told_is_named_and_the_ward_is_telephoned_at_once(
    shelf: Stocked, visitor: Visitor, taken: str
) -> None:
    """HZ-I03: nobody waits half an hour for a receiver that stands still until a person acts; nor does anything stand in its place while it shows it."""
    page = visitor.page(f"/results/{taken}")
    assert "chart may still show it: its withdrawal waits: paused. Tell the ward." in page.text
    assert "records may still show it: its withdrawal is on its way. Tell the ward." in page.text
    assert "nothing stands in its place" not in page.text
    assert "Telephone the unit that has the wrong result now." in page.text
    assert "1 correction: somebody is to be telephoned." in visitor.page("/").text
    assert "it is paused or shut" in visitor.page("/corrections").text
    (form, *_) = visitor.page("/corrections").all("form", **{"class": "act"})
    visitor.post(form["action"], unit="the unit that has the wrong result", told="Eva, ward 3", name="Ana", read_back="yes")
    assert "Nobody is to be telephoned." in visitor.page("/corrections").text


def test_a_shut_receiver_stands_still_and_one_that_is_closed_does_not(shelf: Stocked) -> None:
    """One that is closed opens by itself once it answers."""
    for name, state in (("records", DestinationState.SHUT), ("chart", DestinationState.CLOSED)):
        shelf.store.submit(SetDestination(name=name, state=state, reason="r", at=shelf.now)).result(10)
    still = StandingStill(shelf.store).withdrawals((("records", S.QUEUED), ("chart", S.QUEUED)))
    assert [each.stands_still for each in still] == ["shut", ""]


def test_what_no_receiver_had_says_so(shelf: Stocked, visitor: Visitor) -> None:
    """Withdrawn before it went: nobody is told, and no receiver is named."""
    result = shelf.coded(to=(Format.ORU_R01,), number="18")
    visitor.post(f"/results/{result}/withdraw", version="1", **WHO)
    assert "Withdrawn; no receiver has it" in " ".join(visitor.page("/results").text.split())
    assert "No receiver has it." in Page(visitor.post("/find", text="18").text).text
    assert "nothing stands in its place" in visitor.page(f"/results/{result}").text


def test_the_withdrawal_is_that_of_the_result_and_no_correction_of_it(shelf: Stocked, visitor: Visitor) -> None:
    """A corrected result stands; of one that moved, the withdrawal is under the old number."""
    result = shelf.coded(to=(Format.ORU_R01,), number="19", specimen_id="U-19")
    shelf.answered(result, Answer.ACCEPTED, "filed")
    visitor.post(f"/results/{result}/correct", version="1", order_number="A-1", specimen_id="U-19", **WHO)
    assert withdrawal_of(shelf.store.corrections(result_id=result), result) == ()
    born(shelf, result)
    shelf.answered(result, Answer.ACCEPTED, "filed")
    visitor.post(f"/results/{result}/move", version="2", first=OTHER, second=OTHER, second_identifier="U-19", **WHO)
    moved = shelf.store.corrections(result_id=result)
    assert moved[0].correction.kind is Kind.MOVED
    assert withdrawal_of(moved, result) == (("records", S.UNBORN),)
    assert withdrawal_of(moved, moved[0].correction.new_result_id) == ()
