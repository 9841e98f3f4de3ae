"""Where is my strip: each way a strip can be named, each place where it can stand, and what is said where it never came."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from bridge.model import DeliveryState, Format, Priority, Purpose
from bridge.pages.where import how_far, moments_of
from bridge.pages.words import Mark
from bridge.store.rows import DeliveryRow
from tests.pages.stocked import GOOD, LISBON, NOW, OTHER, Page, Stocked, Visitor


def find(visitor: Visitor, text: str) -> str:
    """Ask; give the answer in one line of words."""
    answer = visitor.post("/find", text=text)
    assert answer.status_code == 200
    return Page(answer.text).text


def test_a_strip_is_found_by_each_of_its_marks(shelf: Stocked) -> None:
    """The answer says which mark it was; an identifier is in no address."""
    shelf.answered(shelf.coded(GOOD, number="41", specimen_id="U26-7", to=(Format.ORU_R01,)))
    with shelf.serving() as visitor:
        for text, kind in (
            (GOOD, "patient ID"),
            (f" {GOOD} ", "patient ID"),
            ("41", "strip number"),
            ("U26-7", "specimen"),
            ("M000001O", "control ID of a message"),
            ("12:00", "time of arrival"),
            ("2026-11-25 11:56", "time of arrival"),
            ("11:40", "time at which it was run"),
        ):
            answer = find(visitor, text)
            assert f"Found as {kind}" in answer, text
            assert "bench-a 41" in answer
            assert "Filed" in answer
        assert "Run 11:40, 20 min ago. Arrived 12:00, just now" in find(visitor, "41")
        nowhere = find(visitor, "11:20")
        assert "No strip here was run or arrived within five minutes of 11:20." in nowhere
        assert "its analyzer’s clock tells another time" in nowhere
        assert visitor.get("/find?text=" + GOOD).status_code == 200
        assert "Found as" not in visitor.get("/find?text=" + GOOD).text


def test_the_answer_says_how_far_it_came(shelf: Stocked) -> None:
    """Stopped with its reason and a link, waiting, turned away, arrived."""
    shelf.rejected(number="51")
    shelf.coded(OTHER, number="52", to=(Format.ORU_R01,))
    shelf.refused(GOOD, number="53")
    shelf.other(Purpose.CONTROL, number="54")
    shelf.held(OTHER, number="55")
    with shelf.serving() as visitor:
        for text, words, mark in (
            ("51", "Stopped", Mark.CANNOT),
            ("51", "Patient ID fails its check digit.", Mark.CANNOT),
            ("52", "Waiting to be sent", Mark.WAIT),
            ("53", "Turned away", Mark.TURNED),
            ("54", "Arrived", Mark.END),
            ("55", "Stopped", Mark.DECIDE),
        ):
            page = Page(visitor.post("/find", text=text).text)
            assert words in page.text, (text, words)
            assert page.all("i")[0]["class"] == f"sign {mark.value}", text


def test_a_strip_that_never_came_has_neighbours_and_causes(shelf: Stocked) -> None:
    """Hazard HZ-F07: the nearest numbers of its analyzer, that it is missing, how to send it again, and what could not be read."""
    for number in ("60", "61", "64"):
        shelf.coded(GOOD, number=number)
    shelf.unread()
    with shelf.serving() as visitor:
        answer = find(visitor, "62")
        for words in (
            "No strip here is known as 62",
            "bench-a sent 61",
            "bench-a sent 64",
            "62 to 63 were read and never arrived",
        ):
            assert words in answer
        for words in ("Press Memory.", "could not be read: it may be among them"):
            assert words in answer
        assert "bench-a sent 60" not in answer
        assert "never arrived" in find(visitor, "40700023")
        assert "bench-a sent" not in find(visitor, "90")


def test_nothing_typed_is_no_question(shelf: Stocked) -> None:
    """Blanks find nothing and blame nobody."""
    with shelf.serving() as visitor:
        answer = find(visitor, "  ")
        assert "No strip here" not in answer
        assert "Found as" not in answer


def test_more_than_a_page_is_said(shelf: Stocked) -> None:
    """The newest are shown."""
    for number in range(22):
        shelf.coded(GOOD, number=str(100 + number))
    with shelf.serving() as visitor:
        answer = find(visitor, GOOD)
        assert "These are the newest" in answer
        assert "bench-a 121" in answer
        assert "bench-a 101" not in answer


def delivery(state: DeliveryState, code: str = "", *, destination: str = "records") -> DeliveryRow:
    return DeliveryRow(
        delivery_id=1, destination=destination, result_id="R", version=1, control_id="M", state=state, attempts=1, born_at=NOW, due_at=None,
        accepted_at=None, last_code=code, lane="L", priority=Priority.ROUTINE, payload_digest="",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("states", "word", "mark"),
    [
        ([(DeliveryState.ACCEPTED, "AA")], "filed", Mark.DONE),
        ([(DeliveryState.ACCEPTED, "HTTP 200")], "filed", Mark.DONE),
        ([(DeliveryState.ACCEPTED, "CA")], "received", Mark.DONE),
        ([(DeliveryState.ACCEPTED, "AA"), (DeliveryState.ACCEPTED, "written")], "received", Mark.DONE),
        ([(DeliveryState.ACCEPTED, "AA"), (DeliveryState.QUEUED, "")], "waiting to be sent", Mark.WAIT),
        ([(DeliveryState.COMMITTED, "CA")], "sent", Mark.WAIT),
        ([(DeliveryState.RETRYING, "timeout")], "sent", Mark.WAIT),
        ([(DeliveryState.ACCEPTED, "AA"), (DeliveryState.REFUSED, "AE 204")], "turned away", Mark.TURNED),
        ([(DeliveryState.DISCARDED, "")], "arrived", Mark.END),
    ],
)
def test_a_word_for_each_standing(states: list[tuple[DeliveryState, str]], word: str, mark: Mark) -> None:
    """Filed is only what the receiver itself says it has processed (HL7 2.5.1 section 2.9: AA, not CA; FHIR: the transaction's 200)."""
    found = how_far("coded", [delivery(state, code) for state, code in states])
    assert (found[1], found[0]) == (word, mark)


def test_a_strip_without_a_receiver_says_so() -> None:
    """And one that waits for controls."""
    assert how_far("coded", ())[1:] == ("arrived", "It became a result, and no receiver is configured for it.")
    assert how_far("waiting", ())[1:] == ("waiting", "It arrived and is waiting for controls to pass.")


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("11:59", datetime(2026, 11, 25, 11, 59, tzinfo=UTC)),
        ("8:05", datetime(2026, 11, 25, 8, 5, tzinfo=UTC)),
        ("12:01", datetime(2026, 11, 24, 12, 1, tzinfo=UTC)),
        ("2026-07-01 12:01", datetime(2026, 7, 1, 11, 1, tzinfo=UTC)),
        ("2026-07-01T12:01", datetime(2026, 7, 1, 11, 1, tzinfo=UTC)),
        ("2026-03-29 01:30", datetime(2026, 3, 29, 1, 30, tzinfo=UTC)),
        ("25:00", None),
        ("2026-13-01 12:01", None),
        ("0001-01-01 00:01", None),
        ("9999-12-31 23:59", None),
        ("4711", None),
    ],
)
def test_times_are_the_sites_clock(text: str, moment: datetime | None) -> None:
    """A time alone is the last time that it was so; one that the clock jumped over is read by the clock before."""
    assert moments_of(text, now=NOW, zone=LISBON) == (() if moment is None else (moment,))


def test_a_time_that_came_twice_is_looked_for_at_both(shelf: Stocked, visitor: Visitor) -> None:
    """Lisbon set its clocks back from 02:00 to 01:00 on 25 October 2026 (IANA tz): who remembers 01:30 may mean either."""
    first, second = (datetime(2026, 10, 25, hour, 30, tzinfo=UTC) for hour in (0, 1))
    assert moments_of("2026-10-25 01:30", now=NOW, zone=LISBON) == (first, second)
    for number, at in (("7", first), ("8", second)):
        shelf.now = at + timedelta(minutes=20)
        shelf.coded(number=number)
    shelf.now = NOW
    text = find(visitor, "2026-10-25 01:30")
    assert "bench-a 7" in text
    assert "bench-a 8" in text
