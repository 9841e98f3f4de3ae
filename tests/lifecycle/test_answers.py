"""What a receiver's answer means: the tables against the standards, and that no bytes are ever taken for a yes that they are not."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import hl7
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.answers import (
    ERROR_CODES,
    FOLDER,
    LONGEST_TEXT,
    MLLP,
    SILENCE,
    FolderEnd,
    HttpReply,
    Silence,
    Stray,
    describe,
    door_words,
    no_answer,
    read_folder,
    read_http,
    read_mllp,
    retry_after_s,
    settle_conflict,
    stop_words,
)
from bridge.model import Acknowledgement, Answer
from tests.peers.mllp_receiver import Reply, acknowledgement

ROOT = Path(__file__).parents[2]
NOW = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)
SENT = "ABCDEM17"
MESSAGE = hl7.parse(f"MSH|^~\\&|PADPOST|BENCH|RECORD|WARD|20261125070000+0000||ORU^R01^ORU_R01|{SENT}|P|2.5.1\rPID|1\r")


def ack(msa: str, *more: str) -> bytes:
    """Give an acknowledgement with this MSA and further segments."""
    return "\r".join(["MSH|^~\\&|RECORD|WARD|PADPOST|BENCH|20261125070001||ACK^R01^ACK|77|P|2.5.1", msa, *more, ""]).encode()


def read(payload: bytes) -> Acknowledgement | Stray:
    """Read an answer to the message that was sent."""
    return read_mllp(payload, control_id=SENT, charset="iso8859-1")


# --- HL7 v2


@pytest.mark.parametrize(
    ("code", "error", "answer"),
    [
        # HL7 v2 section 2.8 and table 0008; ERR-3 of AR: table 0357
        ("AA", "", Answer.ACCEPTED),
        ("CA", "", Answer.ACCEPTED),
        ("AE", "", Answer.REFUSED),
        ("AE", "207", Answer.REFUSED),
        ("CR", "", Answer.REFUSED),
        ("CE", "", Answer.TRY_AGAIN),
        ("AR", "", Answer.TRY_AGAIN),
        ("AR", "206", Answer.TRY_AGAIN),
        ("AR", "207", Answer.TRY_AGAIN),
        ("AR", "200", Answer.REFUSED),
        ("AR", "201", Answer.REFUSED),
        ("AR", "202", Answer.REFUSED),
        ("AR", "203", Answer.REFUSED),
        ("AR", "101", Answer.REFUSED),
        ("AR", "Z9", Answer.TRY_AGAIN),
        ("AC", "", Answer.REFUSED),
    ],
)
def test_the_independent_receivers_answer_means_what_the_standard_says(code: str, error: str, answer: Answer) -> None:
    """The PyPI hl7 package writes the acknowledgement; its code and reason decide, and nothing else."""
    found = read(acknowledgement(MESSAGE, Reply(code=code, error=error, words="why" if error else "")))
    assert isinstance(found, Acknowledgement)
    assert found.answer is answer


def test_the_receivers_own_words_come_in_order_of_use() -> None:
    """A technician reads the receiver's sentence first (ERR-8), then what its programmer meant (ERR-7), then the code."""
    found = read(
        ack(
            f"MSA|AE|{SENT}|See errors",
            "ERR||PID^1^3|204^Unknown key identifier^HL70357|E|||row 12|No patient 4711 \\T\\ none like it",
        )
    )
    assert found == Acknowledgement(
        answer=Answer.REFUSED,
        code="AE 204",
        text="No patient 4711 & none like it; row 12; 204 Unknown key identifier; See errors",
    )


def test_an_answer_from_before_version_2_5_has_its_reason_elsewhere() -> None:
    """Old receivers put the code into ERR-1.4; reading it keeps a locked record from being a person's work."""
    found = read(ack(f"MSA|AR|{SENT}", "ERR|PID^1^3^206&Application record locked&HL70357"))
    assert found == Acknowledgement(answer=Answer.TRY_AGAIN, code="AR 206", text="")


@pytest.mark.parametrize(
    ("errors", "answer", "code"),
    [
        (("ERR|||207^^HL70357|E", "ERR|||203^^HL70357|E"), Answer.REFUSED, "AR 207"),  # a permanent reason wins
        (("ERR|||203^^HL70357|W", "ERR|||207^^HL70357|E"), Answer.TRY_AGAIN, "AR 207"),  # a warning decides nothing
        (("ERR|||203^^HL70357|I",), Answer.TRY_AGAIN, "AR"),
    ],
)
def test_several_errors_are_weighed(errors: tuple[str, ...], answer: Answer, code: str) -> None:
    """ERR repeats (2.5.1); one reason that no try can mend makes trying pointless, and severity I or W is no reason."""
    found = read(ack(f"MSA|AR|{SENT}", *errors))
    assert isinstance(found, Acknowledgement)
    assert (found.answer, found.code) == (answer, code)


@pytest.mark.parametrize(
    ("payload", "stray"),
    [
        (ack("MSA|AA|ABCDEM16"), Stray.FOREIGN),
        (ack("MSA|AA|ABCDEM177"), Stray.FOREIGN),
        (ack("MSA|AA|abcdem17"), Stray.FOREIGN),
        (ack("MSA|AA"), Stray.FOREIGN),
        (ack("ZZZ|AA"), Stray.NO_ANSWER),
        (ack(f"MSA|AA|{SENT}", f"MSA|AE|{SENT}"), Stray.NO_ANSWER),
        (f"MSA|AA|{SENT}\r".encode(), Stray.NO_ANSWER),
        (f"BHS|^~\\&\rMSA|AA|{SENT}\r".encode(), Stray.NO_ANSWER),
        (b"", Stray.NO_ANSWER),
        (b"\r\r\r", Stray.NO_ANSWER),
        (b"MSH", Stray.NO_ANSWER),
        (b"\xff\xfe\x00", Stray.NO_ANSWER),
    ],
)
def test_what_answers_another_message_or_nothing_is_a_stray(payload: bytes, stray: Stray) -> None:
    """A late answer to an earlier message must never pass for this one's."""
    assert read(payload) is stray


def test_an_answer_with_its_own_separators_is_read() -> None:
    """A receiver may choose its separators (MSH-1, MSH-2); the reason is found all the same."""
    found = read(f"MSH#*~\\&#R##P##20261125##ACK#7#P#2.5.1\rMSA#AR#{SENT}\rERR###203*Unsupported*HL70357#E\r".encode())
    assert found == Acknowledgement(answer=Answer.REFUSED, code="AR 203", text="203 Unsupported")


def test_words_in_the_destinations_charset_are_read() -> None:
    """A receiver that answers in Latin-1 is shown with its letters, not with question marks."""
    found = read(ack(f"MSA|AE|{SENT}|Fehlt: Größe").decode().encode("latin-1"))
    assert isinstance(found, Acknowledgement)
    assert found.text == "Fehlt: Größe"


def test_an_unknown_code_is_not_shown_in_logs() -> None:
    """The code goes to logs, so nothing that the receiver made up may be in it."""
    assert read(ack(f"MSA|Doe^Jane|{SENT}", "ERR|||4711 Doe|E")) == Acknowledgement(
        answer=Answer.REFUSED, code="unknown code", text="4711 Doe"
    )


def test_long_words_are_cut_at_a_whole_character() -> None:
    """2 kB are kept, and a character cut in half would be no text."""
    found = read(ack(f"MSA|AE|{SENT}|{'ü' * 3000}"))
    assert isinstance(found, Acknowledgement)
    assert found.text == "ü" * (LONGEST_TEXT // 2)


def test_every_error_code_of_table_0357_has_a_row() -> None:
    """HL7 2.5.1 table 0357: 0, 100 to 103, 200 to 207."""
    assert {"0", "100", "101", "102", "103", "200", "201", "202", "203", "204", "205", "206", "207"} == ERROR_CODES


@given(payload=st.binary(max_size=400))
def test_any_bytes_never_raise_and_never_count_as_accepted(payload: bytes) -> None:
    """Whatever a broken receiver sends, a result is never marked as received by it."""
    found = read(payload)
    assert isinstance(found, Stray)


SEGMENTS = st.lists(
    st.sampled_from(
        [
            "MSH|^~\\&|R|||||",
            "MSA|AA|",
            f"MSA|AA|{SENT}",
            f"MSA|AE|{SENT}",
            f"MSA|CA|{SENT}",
            "ERR|||207",
            "ERR|^^^203&x",
            "",
            "MSA",
            "|",
            f"NTE|AA|{SENT}",
        ]
    ),
    max_size=6,
)


@given(segments=SEGMENTS, noise=st.binary(max_size=6), at=st.integers(min_value=0, max_value=80))
def test_only_a_whole_matching_yes_counts_as_accepted(segments: list[str], noise: bytes, at: int) -> None:
    """MSH first, exactly one MSA, AA or CA, our control ID: anything less is not an acceptance, with noise anywhere in it."""
    clean = "\r".join(segments).encode()
    payload = clean[:at] + noise + clean[at:]
    found = read(payload)
    if isinstance(found, Acknowledgement) and found.answer is Answer.ACCEPTED:
        lines = [line for line in payload.replace(b"\n", b"\r").split(b"\r") if line]
        assert lines[0].startswith(b"MSH")
        separator = lines[0][3:4]
        answering = [line.split(separator) for line in lines if line.split(separator)[0] == b"MSA"]
        assert len(answering) == 1
        assert answering[0][1].strip() in {b"AA", b"CA"}
        assert answering[0][2].strip() == SENT.encode()


@given(text=st.text(max_size=300))
def test_any_words_come_out_printable_and_bounded(text: str) -> None:
    """The words go to a page and to the database: no control characters, no more than 2 kB."""
    found = read(
        ack(f"MSA|AE|{SENT}|").replace(
            b"|AE|" + SENT.encode() + b"|", b"|AE|" + SENT.encode() + b"|" + text.encode("utf-8", "replace")
        )
    )
    if isinstance(found, Acknowledgement):
        assert found.text.isprintable()
        assert len(found.text.encode()) <= LONGEST_TEXT


# --- FHIR over HTTP


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
    """The whole policy of a FHIR destination, one line a case."""
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


# --- the other kinds, and the words


@pytest.mark.parametrize("silence", list(Silence))
def test_every_silence_has_a_row_and_none_is_a_yes(silence: Silence) -> None:
    """No answer is never an acceptance."""
    assert no_answer(silence, "why\x00") == Acknowledgement(answer=SILENCE[silence].answer, code=silence.value, text="why")
    assert SILENCE[silence].answer is not Answer.ACCEPTED


def test_a_folder_is_accepted_only_for_the_same_bytes() -> None:
    """Every way that a file ends has a row; two of them are a yes."""
    assert set(FOLDER) == set(FolderEnd)
    assert {end for end in FolderEnd if read_folder(end).answer is Answer.ACCEPTED} == {
        FolderEnd.WRITTEN,
        FolderEnd.THERE_ALREADY,
    }


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
