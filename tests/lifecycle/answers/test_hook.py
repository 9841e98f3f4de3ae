"""What the answer of a web hook means."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.answers import HOOK, HttpReply, describe, door_words, is_conflict, read_hook, settle_conflict
from bridge.model import Acknowledgement, Answer

NOW = datetime(2026, 11, 26, 7, tzinfo=UTC)


def read(status: int, body: bytes = b"", retry_after: str = "") -> Acknowledgement:
    """Read one reply."""
    return read_hook(HttpReply(status=status, body=body, retry_after=retry_after), now=NOW)


@pytest.mark.parametrize(
    ("status", "answer"),
    [
        *((status, Answer.ACCEPTED) for status in (200, 201, 202, 204)),
        *((status, Answer.REFUSED) for status in (203, 205, 206, 299, 400, 413, 418, 422, 100, 600, 999)),
        *((status, Answer.CLOSED) for status in (301, 302, 307, 308, 401, 403, 404, 405, 406, 407, 410, 415, 501)),
        *((status, Answer.TRY_AGAIN) for status in (408, 409, 425, 429, 500, 502, 503, 504)),
    ],
)
def test_the_status_decides(status: int, answer: Answer) -> None:
    """Only four of the successes are a yes; what HTTP does not have is none."""
    assert read(status) == Acknowledgement(answer=answer, code=f"hook {status}")


@pytest.mark.parametrize("body", [b"<html>", b"\xef\xbb\xbf <!DOCTYPE html>", b"\r\n\t<?xml"])
def test_a_web_page_is_no_yes(body: bytes) -> None:
    """A sign-in page or a proxy answers 200 as well: the strip would be lost behind it."""
    assert read(200, body).answer is Answer.REFUSED
    assert read(200, b'{"taken": "<b>"}').answer is Answer.ACCEPTED


def test_words_are_kept_where_it_is_no_yes_and_waits_where_it_is_later() -> None:
    """As for FHIR."""
    assert read(422, b'{"detail": "unknown\\n patient"}').text == '{"detail": "unknown\\n patient"}'
    assert read(200, b"fine").text == ""
    assert read(503, retry_after="7").retry_after_s == 7
    assert read(429, retry_after="Thu, 26 Nov 2026 07:02:00 GMT").retry_after_s == 120
    assert read(400, retry_after="7").retry_after_s is None


def test_a_conflict_is_tried_three_times() -> None:
    """The 3rd one is refused, as its row says."""
    conflict = read(409)
    assert is_conflict(conflict)
    assert [settle_conflict(conflict, conflicts=count).answer for count in (1, 2, 3)] == [
        Answer.TRY_AGAIN,
        Answer.TRY_AGAIN,
        Answer.REFUSED,
    ]
    assert "the 3rd such answer is refused" in HOOK["409"].why


def test_a_closed_door_has_the_hooks_own_words() -> None:
    """Not those of a FHIR server, though the status is the same."""
    assert door_words(read(405)) == "hook 405: The address takes no POST."
    assert door_words(read(302)) == f"hook 302: {HOOK['3xx'].why}"
    assert all(row.why in describe() for row in HOOK.values())


@given(status=st.integers(), body=st.binary(max_size=50), retry_after=st.text(max_size=10))
def test_no_reply_raises_and_only_four_are_a_yes(status: int, body: bytes, retry_after: str) -> None:
    """Whatever comes."""
    given_ = read(status, body, retry_after)
    assert (given_.answer is Answer.ACCEPTED) is (
        status in {200, 201, 202, 204} and not body.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<")
    )
