"""What a person reads of an answer, and the reference page."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from bridge.lifecycle.answers import MLLP, Silence, describe, door_words, no_answer, stop_words, unanswered_words
from bridge.model import Acknowledgement, Answer

ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("HTTP 403", "HTTP 403: Signed in, but not allowed to write there."),
        (
            "HTTP 302",
            "HTTP 302: A redirect is never followed: patient data and the token go nowhere but to the configured address.",
        ),
        ("HTTP 412", "HTTP 412: 412 with issue code not-supported: the server takes no conditional entries."),
        ("host name unknown", "host name unknown: The configured host name leads nowhere."),
        ("no rights", "no rights: Padpost may not write there."),
        ("elsewhere", "elsewhere"),
    ],
)
def test_a_closed_door_is_told_in_our_own_words(code: str, words: str) -> None:
    """The reason is kept as an event, which must hold no patient data: the receiver's words are not in it."""
    assert door_words(Acknowledgement(answer=Answer.CLOSED, code=code, text="Jane Doe")) == words


def test_a_refusal_tells_what_to_do() -> None:
    """The sentence names the receiver and the code; the remedy is an action that the page offers."""
    sentence, remedy = stop_words("record", Acknowledgement(answer=Answer.REFUSED, code="AE 204"))
    assert sentence == "record turned this result away (AE 204)."
    assert (
        remedy == "Read the receiver's own words, mend the cause where it lies, then send it again; or discard it with a reason."
    )


@pytest.mark.parametrize(("hours", "text"), [(24, "24 hours"), (1, "1 hour"), (0.01, "1 hour")])
def test_a_delivery_given_up_tells_for_how_long_it_was_tried(hours: float, text: str) -> None:
    """The technician learns that the receiver may hold the result already."""
    sentence, remedy = stop_words("record", no_answer(Silence.TIMEOUT), tried_for=timedelta(hours=hours))
    assert sentence == f"record did not take this result for {text}; the last answer was: timeout."
    assert remedy.startswith("Ask for the receiver to be checked, then send it again.")


def test_the_reference_page_is_printed_from_the_tables() -> None:
    """docs/reference/answers.md never says other than the code does."""
    assert (ROOT / "docs/reference/answers.md").read_text(encoding="utf-8") == describe()
    assert all(row.why in describe() for row in MLLP.values())


@pytest.mark.parametrize(("minutes", "text"), [(15, "15 minutes"), (1, "1 minute"), (0.01, "1 minute")])
def test_an_answer_that_never_came_sends_a_person_to_the_record(minutes: float, text: str) -> None:
    """It may be there, so looking comes before sending again."""
    sentence, remedy = unanswered_words("record", waited=timedelta(minutes=minutes))
    assert sentence == f"record keeps this result, but has not said within {text} whether it took it."
    assert remedy.startswith("Look in the record. If the result is there, discard this row with a reason.")


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("HTTP 503", "HTTP 503: The server is in trouble; Retry-After is honoured for the whole destination."),
        ("HTTP 408", "HTTP 408: The server did not wait long enough."),
        ("AR 207", "AR 207: An internal error of the receiver."),
        ("AR", "AR: Without a reason, AR says that the receiver is down or in trouble."),
        ("CE", "CE: Could not be stored for another reason, such as room or sequence."),
    ],
)
def test_trouble_of_a_receiver_is_told_in_our_own_words(code: str, words: str) -> None:
    """Why it rests, by the table's own reason; the receiver's words are for the pages of that result alone."""
    assert door_words(Acknowledgement(answer=Answer.TRY_AGAIN, code=code, text="Jane Doe")) == words
