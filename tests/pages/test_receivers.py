"""The page of receivers: what it says of each, pausing and resuming, and the test of a connection."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from bridge.lifecycle.states import DestinationState
from bridge.model import Answer, Format
from bridge.pages.receivers import mark_of
from bridge.pages.words import Mark
from bridge.store.commands import SetDestination
from tests.pages.stocked import NOW, Stocked
from tests.store.today_contract import PAUSE

FORM = {"name": "Ben", "reason": "their update, until 11"}


def test_a_receiver_is_paused_and_resumed_by_name(shelf: Stocked) -> None:
    """It says who and why, here and on Today; a second pause is told in words, and nothing is done without a reason."""
    shelf.coded(to=(Format.ORU_R01,))
    woken: list[str] = []
    with shelf.serving(wake=lambda: woken.append("now")) as visitor:
        assert "1" in visitor.page("/receivers").text
        assert visitor.post("/receivers/records/pause", name="Ben").status_code == 409
        assert visitor.post("/receivers/attic/pause", **FORM).status_code == 409
        assert (visitor.post("/receivers/records/pause", **FORM).status_code, woken) == (303, ["now"])
        assert visitor.post("/receivers/records/pause", **FORM).status_code == 409
        for page in ("/receivers", "/"):
            text = visitor.page(page).text
            assert "Paused by Ben" in text
            assert "their update, until 11" in text
        assert "1 message waits" in visitor.page("/receivers").text
        assert visitor.post("/receivers/records/resume", name="Ana", reason="they are back").status_code == 303
        assert "Paused by" not in visitor.page("/receivers").text
        assert visitor.post("/receivers/records/resume", name="Ana", reason="they are back").status_code == 409
    assert [event.what for event in shelf.store.events("destination:records")] == ["destination.paused", "destination.resumed"]


def test_it_says_how_each_stands(shelf: Stocked) -> None:
    """State with its reason, what waits, the last answer, the last hour, and what to look at."""
    shelf.answered(shelf.coded(to=(Format.ORU_R01,)), Answer.ACCEPTED)
    state = SetDestination(
        name="records", state=DestinationState.CLOSED, reason="HTTP 403: the door", at=NOW - timedelta(hours=3)
    )
    shelf.store.submit(state).result(10)
    told: dict[str, Any] = {
        "receiver_kinds": {"records": "FHIR R4 server"},
        "certificates": lambda: {"records": ("Padpost's certificate (own.pem): until 2099-01-01",)},
        "notes": lambda: {"records": ("renew it",)},
        "next_tries": lambda: {"records": NOW + timedelta(minutes=2)},
    }
    with shelf.serving(**told) as visitor:
        text = visitor.page("/receivers").text.replace("&#39;", "'")
    for words in ("Closed: nothing is sent until it answers again", "HTTP 403: the door", "next try", "FHIR R4 server"):
        assert words in text
    for words in ("until 2099-01-01", "renew it", "3 h ago"):
        assert words in text
    assert "Received in the last hour 1" in " ".join(text.split())


def test_one_that_was_never_tried_is_not_called_open(shelf: Stocked) -> None:
    """HZ-H01: nobody knows whether it answers, before its first message and while that waits; the first try tells."""
    with shelf.serving(destinations=("records",)) as visitor:
        for path in ("/receivers", "/"):
            assert "ot tried yet: nothing was ever sent to it" in visitor.page(path).text
        result = shelf.coded(to=(Format.ORU_R01,))
        assert "ot tried yet: nothing was ever sent to it" in visitor.page("/").text
        shelf.answered(result, Answer.ACCEPTED)
        for path in ("/receivers", "/"):
            assert "ot tried yet" not in visitor.page(path).text
        assert "records Open" in visitor.page("/receivers").text


def test_one_that_may_have_been_sent_something_since_a_backup_is_not_called_untried(shelf: Stocked) -> None:
    """HZ-H01: what was queued in the backup may have gone after it."""
    shelf.coded(to=(Format.ORU_R01,))
    with shelf.serving(destinations=("records",)) as visitor:
        assert "Not tried yet: nothing was ever sent to it" in visitor.page("/receivers").text
        shelf.restored()
        assert "Not tried yet" not in visitor.page("/receivers").text


def test_a_former_receiver_can_be_resumed_and_not_paused(shelf: Stocked) -> None:
    """Its pause would stand for ever else."""
    shelf.coded(to=(Format.ORU_R01,))
    shelf.store.submit(PAUSE).result(10)
    with shelf.serving(destinations=()) as visitor:
        text = visitor.page("/receivers").text
        assert "in the settings no more" in text
        assert "Test the connection" not in text
        assert visitor.post("/receivers/records/pause", **FORM).status_code == 409
        assert visitor.post("/receivers/records/resume", **FORM).status_code == 303


def test_a_connection_is_tried_on_the_page(shelf: Stocked) -> None:
    """The words of what came of it stand above; an unknown receiver is none."""

    async def tried(destination: str) -> tuple[bool, str]:
        return destination == "records", f"{destination} was called."

    with shelf.serving(test_receiver=tried) as visitor:
        answer = visitor.post("/receivers/records/test")
        assert answer.status_code == 200
        assert "can be reached." in answer.text
        assert "records was called." in answer.text
        assert visitor.post("/receivers/attic/test").status_code == 404


@pytest.mark.parametrize(
    ("state", "paused", "mark"),
    [
        (DestinationState.OPEN, False, Mark.DONE),
        (DestinationState.PAUSED, False, Mark.DONE),
        (DestinationState.OPEN, True, Mark.WAIT),
        (DestinationState.RESTING, False, Mark.CANNOT),
        (DestinationState.SHUT, False, Mark.CANNOT),
    ],
)
def test_the_sign_of_each_state(shelf: Stocked, state: DestinationState, paused: bool, mark: Mark) -> None:
    """One that has just been resumed is no fault."""
    shelf.store.submit(SetDestination(name="records", state=state, reason="", at=NOW)).result(10)
    if paused:
        shelf.store.submit(PAUSE).result(10)
    (row,) = shelf.store.destinations()
    assert mark_of(row, next(iter(shelf.store.pauses()), None)) is mark


def test_a_receiver_may_be_called_as_a_part_of_the_page_is(shelf: Stocked) -> None:
    """Today leads to its card, and each id stands once: the page's script finds the list of keys by its own."""
    with shelf.serving(destinations=("keys",)) as visitor:
        (link,) = visitor.page("/").links("/receivers#")
        ids = [its["id"] for _, its in visitor.page("/receivers").elements if "id" in its]
    assert ids.count("keys") == 1
    assert link.partition("#")[2] in ids
