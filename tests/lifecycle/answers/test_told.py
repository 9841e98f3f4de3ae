"""What a person reads of an answer, and the reference page."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from bridge.lifecycle.answers import MLLP, Silence, describe, door_words, no_answer, stop_words
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
