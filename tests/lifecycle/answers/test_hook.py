"""What the answer of a web hook means."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.answers import (
    HOOK,
    HttpReply,
    describe,
    door_words,
    is_conflict,
    read_hook,
    settle_conflict,
    site_answers,
    site_faults,
)
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


@pytest.mark.parametrize(
    "body",
    [
        b"<html>",
        b"\xef\xbb\xbf <!DOCTYPE html>",
        b"\r\n\t<?xml",
        b"<soap:Envelope/>",
        "<html>".encode("utf-16"),
        "<?xml".encode("utf-16-be"),
        b"\xfe\xff\x00<",
        b"\x1f\x8b\x08\x00",  # a body that was compressed and does not say so (RFC 1952)
        b"fa\xe7ade",
    ],
)
def test_a_web_page_is_no_yes(body: bytes) -> None:
    """A sign-in page or a proxy answers 200 as well: the strip would be lost behind it."""
    assert read(200, body).answer is Answer.REFUSED
    assert read(200, b'{"taken": "<b>"}').answer is Answer.ACCEPTED


@pytest.mark.parametrize(
    ("body", "answer"),
    [
        (b"MSH|^~\\&|A|B\rMSA|AA|1\r", Answer.ACCEPTED),
        (b"\x0bMSH|^~\\&|A|B\rMSA|CA|1\r\x1c\r", Answer.ACCEPTED),
        (b"MSH|^~\\&|A|B\rMSA|AE|1\rERR|...\r", Answer.REFUSED),
        (b"MSH#^~\\&#A#B\nMSA#AR#1\n", Answer.REFUSED),
        (b"MSH|^~\\&|A|B\r", Answer.REFUSED),
        (b'{"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "invalid"}]}', Answer.REFUSED),
        (b'{"resourceType": "OperationOutcome", "issue": [{"severity": "information"}, {"severity": "fatal"}]}', Answer.REFUSED),
        (
            b'{"resourceType": "OperationOutcome", "issue": [{"severity": "information", "code": "informational"}]}',
            Answer.ACCEPTED,
        ),
        (b'{"resourceType": "OperationOutcome"}', Answer.REFUSED),
        (b'{"resourceType": "Bundle"}', Answer.ACCEPTED),
        (b'{"error": null}', Answer.ACCEPTED),
        (b"[" * 100_000, Answer.ACCEPTED),
        (b"fine", Answer.ACCEPTED),
        (b"", Answer.ACCEPTED),
    ],
)
def test_a_success_whose_body_says_no_is_no_yes(body: bytes, answer: Answer) -> None:
    """Some interfaces put their no into the body of a 200: HL7 table 0008, FHIR R4 issue-severity."""
    assert read(200, body).answer is answer
    assert read(500, body).answer is Answer.TRY_AGAIN


def test_a_long_reply_is_cut_anywhere() -> None:
    """In the middle of a character, too: that alone makes no page of it."""
    assert read_hook(HttpReply(status=200, body="fa\u00e7".encode()[:-1], cut=True), now=NOW).answer is Answer.ACCEPTED


def test_the_sites_own_word() -> None:
    """A no or a later of this receiver may mean another no or later; a yes, and a page for a yes, stay what they are."""
    site = site_answers([("hook 500", "refused"), ("hook 422", "try again")])
    found = [
        read_hook(HttpReply(status=status, body=body), now=NOW, site=site).answer
        for status, body in ((500, b""), (422, b""), (400, b""), (200, b""), (200, b"<"))
    ]
    assert found == [Answer.REFUSED, Answer.TRY_AGAIN, Answer.REFUSED, Answer.ACCEPTED, Answer.REFUSED]
    assert [
        line for line, _, _ in site_faults("hook", [("hook 500", "refused"), ("hook 200", "refused"), ("HTTP 500", "refused")])
    ] == [1, 2]


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
    if read(status, body, retry_after).answer is Answer.ACCEPTED:
        assert status in {200, 201, 202, 204}
        assert not body.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<")
