"""FHIR answers: each status and issue against R4 and the RFCs, and that nothing without proof is a yes."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.answers import HttpReply, read_http, retry_after_s, says_duplicate, settle_conflict
from bridge.model import Answer

NOW = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)


def response(*states: object, kind: str = "transaction-response") -> bytes:
    """Give a Bundle with these entry states."""
    return json.dumps(
        {"resourceType": "Bundle", "type": kind, "entry": [{"response": {"status": state}} for state in states]}
    ).encode()


def issue(code: str, **more: Any) -> bytes:
    """Give an OperationOutcome with one issue."""
    return json.dumps({"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": code, **more}]}).encode()


@pytest.mark.parametrize(
    ("status", "body", "answer"),
    [
        # FHIR R4 http.html, RFC 9110, RFC 6585; policy: PRODUCT section 7
        (200, response("201 Created", "200 OK", "201"), Answer.ACCEPTED),
        (200, response("201 Created", "200 OK"), Answer.REFUSED),  # one entry short
        (200, response("201", "201", "201", "201"), Answer.REFUSED),
        (200, response("201", "201", "400 Bad Request"), Answer.REFUSED),
        (200, response("201", "201", 201), Answer.REFUSED),
        (200, response("201", "201", "2010"), Answer.REFUSED),
        (200, response("201", "201", "201", kind="batch-response"), Answer.REFUSED),
        (200, issue("processing"), Answer.REFUSED),
        (200, b"<html>signed out</html>", Answer.REFUSED),
        (200, b"", Answer.REFUSED),
        (201, response("201", "201", "201"), Answer.REFUSED),
        (202, b"", Answer.REFUSED),
        (204, b"", Answer.REFUSED),
        (301, b"", Answer.CLOSED),
        (307, b"", Answer.CLOSED),
        (400, issue("invalid"), Answer.REFUSED),
        (401, b"", Answer.CLOSED),
        (403, b"", Answer.CLOSED),
        (404, b"", Answer.CLOSED),
        (405, b"", Answer.CLOSED),
        (408, b"", Answer.TRY_AGAIN),
        (409, b"", Answer.TRY_AGAIN),
        (410, b"", Answer.CLOSED),
        (412, issue("multiple-matches"), Answer.REFUSED),
        (412, issue("duplicate"), Answer.REFUSED),
        (412, issue("not-supported"), Answer.CLOSED),
        (412, b"no outcome", Answer.REFUSED),
        (413, b"", Answer.REFUSED),
        (415, b"", Answer.CLOSED),
        (418, b"", Answer.REFUSED),
        (422, issue("business-rule"), Answer.REFUSED),
        (425, b"", Answer.TRY_AGAIN),
        (429, b"", Answer.TRY_AGAIN),
        (500, b"", Answer.TRY_AGAIN),
        (501, b"", Answer.CLOSED),
        (502, b"<html>", Answer.TRY_AGAIN),
        (503, b"", Answer.TRY_AGAIN),
        (504, b"", Answer.TRY_AGAIN),
        (599, b"", Answer.TRY_AGAIN),
        (999, b"", Answer.REFUSED),
        (100, b"", Answer.REFUSED),
    ],
)
def test_each_status_means_what_the_table_says(status: int, body: bytes, answer: Answer) -> None:
    """The whole policy of a FHIR destination, one line a case. HZ-H03."""
    found = read_http(HttpReply(status=status, body=body), entries=3, now=NOW)
    assert (found.answer, found.code) == (answer, f"HTTP {status}")


@pytest.mark.parametrize(
    ("body", "searches", "answer"),
    [
        (issue("not-found"), True, Answer.REFUSED),
        (issue("processing"), True, Answer.REFUSED),
        (issue("not-found"), False, Answer.CLOSED),
        (b"", True, Answer.CLOSED),
        (b"<html>no such page</html>", True, Answer.CLOSED),
        (response("404"), True, Answer.CLOSED),
    ],
)
def test_a_patient_that_the_server_does_not_find_is_no_closed_door(body: bytes, *, searches: bool, answer: Answer) -> None:
    """404 is the address's fault, unless the server was to search and says in FHIR that it found nothing: then one strip stops, not all."""
    assert read_http(HttpReply(status=404, body=body), entries=3, now=NOW, searches=searches).answer is answer


def test_an_outcomes_words_are_kept() -> None:
    """Diagnostics, details and where: what the server's own people would ask for."""
    body = issue("invalid", diagnostics="no such code", details={"text": "Code check"}, expression=["Bundle.entry[2]"])
    assert read_http(HttpReply(status=422, body=body), entries=3, now=NOW).text == "no such code; Code check; Bundle.entry[2]"


def test_a_page_from_a_proxy_is_kept_as_words() -> None:
    """When a proxy answers in place of the server, its page is the only hint of who did."""
    found = read_http(HttpReply(status=502, body=b"<html>\n<b>bad gateway</b>"), entries=3, now=NOW)
    assert found.text == "<html> <b>bad gateway</b>"


def test_a_reply_cut_at_the_limit_proves_nothing() -> None:
    """Even if the part that was read looks whole, the rest may say otherwise."""
    reply = HttpReply(status=200, body=response("201", "201", "201"), cut=True)
    assert read_http(reply, entries=3, now=NOW).answer is Answer.REFUSED


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        # RFC 9110, 10.2.3: delay-seconds or HTTP-date
        ("120", 120.0),
        (" 1 ", 1.0),
        ("Wed, 25 Nov 2026 07:00:30 GMT", 30.0),
        ("Wednesday, 25-Nov-26 07:00:30 GMT", 30.0),  # the obsolete form that a recipient must accept (5.6.7)
        ("3600", 3600.0),
        ("3601", None),
        ("0", None),
        ("Wed, 25 Nov 2026 06:59:30 GMT", None),
        ("Thu, 26 Nov 2026 07:00:30 GMT", None),
        ("-5", None),
        ("1.5", None),
        ("soon", None),
        ("", None),
        ("9" * 5000, None),
        ("²", None),
    ],
)
def test_retry_after_is_read_and_absurd_ones_are_not(header: str, seconds: float | None) -> None:
    """A receiver may ask for time; a broken clock on its side must not silence the destination for a day."""
    assert retry_after_s(header, now=NOW) == seconds


@pytest.mark.parametrize(("status", "seconds"), [(503, 60.0), (429, 60.0), (422, None), (200, None), (401, None)])
def test_retry_after_counts_only_where_trying_again_makes_sense(status: int, seconds: float | None) -> None:
    """A refusal with Retry-After is still a refusal."""
    assert read_http(HttpReply(status=status, body=b"", retry_after="60"), entries=3, now=NOW).retry_after_s == seconds


@given(header=st.text(max_size=60))
def test_any_retry_after_gives_a_sane_wait_or_none(header: str) -> None:
    """The header comes from outside; it never raises."""
    wait = retry_after_s(header, now=NOW)
    assert wait is None or 0 < wait <= 3600


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(
                ["resourceType", "type", "entry", "response", "status", "issue", "code", "details", "text", "expression"]
            ),
            inner,
            max_size=5,
        )
    ),
    max_leaves=20,
)


@given(
    status=st.integers(min_value=-1, max_value=1200),
    body=st.binary(max_size=200) | JSON.map(lambda value: json.dumps(value).encode()),
)
def test_any_reply_never_raises_and_is_never_a_yes_without_proof(status: int, body: bytes) -> None:
    """The proof is a transaction-response with as many 2xx entries as were sent; nothing shorter of it counts."""
    found = read_http(HttpReply(status=status, body=body), entries=3, now=NOW)
    assert found.code == f"HTTP {status}"
    assert found.answer is not Answer.ACCEPTED


@given(depth=st.integers(min_value=1, max_value=3))
def test_deep_json_is_no_answer(depth: int) -> None:
    """A body nested deeper than a reader's stack is a body that is not FHIR."""
    found = read_http(HttpReply(status=200, body=b"[" * 100_000 * depth), entries=3, now=NOW)
    assert found.answer is Answer.REFUSED


def test_lone_surrogates_in_words_do_no_harm() -> None:
    """JSON may escape half a character; the words are stored as UTF-8 all the same."""
    found = read_http(HttpReply(status=400, body=issue("invalid", diagnostics="bad \ud800 here")), entries=3, now=NOW)
    assert found.text == "bad here"


@pytest.mark.parametrize(
    ("conflicts", "answer"), [(1, Answer.TRY_AGAIN), (2, Answer.TRY_AGAIN), (3, Answer.REFUSED), (9, Answer.REFUSED)]
)
def test_an_edit_conflict_is_refused_after_a_few_tries(conflicts: int, answer: Answer) -> None:
    """409 may be bad timing; three in a row are not."""
    conflict = read_http(HttpReply(status=409, body=b""), entries=3, now=NOW)
    assert settle_conflict(conflict, conflicts=conflicts).answer is answer


def test_other_answers_are_no_conflict() -> None:
    """A server in trouble is tried on, however often."""
    busy = read_http(HttpReply(status=503, body=b""), entries=3, now=NOW)
    assert settle_conflict(busy, conflicts=99) is busy


@pytest.mark.parametrize(
    ("status", "codes", "answer"),
    [
        # FHIR R4 issue-type: the codes below "transient" pass by themselves; the others are of the content
        (400, ["transient"], Answer.TRY_AGAIN),
        (422, ["lock-error"], Answer.TRY_AGAIN),
        (400, ["throttled"], Answer.TRY_AGAIN),
        (409, ["timeout"], Answer.TRY_AGAIN),
        (413, ["no-store"], Answer.TRY_AGAIN),
        (400, ["exception"], Answer.REFUSED),
        (422, ["transient", "business-rule"], Answer.REFUSED),
        (422, ["processing"], Answer.REFUSED),
        (400, ["conflict"], Answer.REFUSED),
        (400, ["not-found"], Answer.REFUSED),
        # who may not write does not become able to by waiting, and a wrong address stays one
        (403, ["transient"], Answer.CLOSED),
        (401, ["expired"], Answer.CLOSED),
        (403, ["forbidden"], Answer.CLOSED),
        (404, ["transient"], Answer.CLOSED),
        (500, ["invalid"], Answer.TRY_AGAIN),
        (409, ["duplicate"], Answer.REFUSED),
        (409, ["conflict"], Answer.TRY_AGAIN),
        (412, ["duplicate"], Answer.REFUSED),
    ],
)
def test_issue_codes_that_pass_and_those_that_stay(status: int, codes: list[str], answer: Answer) -> None:
    """Every error must be one that passes; a status that speaks of the door or of the server goes before its issues."""
    body = json.dumps(
        {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": code} for code in codes]}
    ).encode()
    assert read_http(HttpReply(status=status, body=body), entries=1, now=NOW).answer is answer
    assert says_duplicate(HttpReply(status=status, body=body)) is ("duplicate" in codes)


def test_a_warning_decides_nothing() -> None:
    """R4 issue-severity: warning and information stand beside the error."""
    issues = [{"severity": "warning", "code": "business-rule"}, {"severity": "error", "code": "transient"}]
    body = json.dumps({"resourceType": "OperationOutcome", "issue": issues}).encode()
    assert read_http(HttpReply(status=422, body=body), entries=1, now=NOW).answer is Answer.TRY_AGAIN
